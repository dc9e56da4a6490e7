//! Scanning: which files below the inputs are audio, which are beside-files, in a fixed order.

use std::path::PathBuf;

/// What lies below the inputs.
#[derive(Debug, Default)]
pub struct Scan {
    /// Audio files: path to open and name for the report (relative to the scanned root, `/` as separator), sorted by name.
    pub audio: Vec<(PathBuf, String)>,
    /// Files that are not takes: name and size.
    pub other: Vec<(String, u64)>,
    /// Names and reasons of what could not be looked at.
    pub unreadable: Vec<(String, String)>,
}

/// Walk the inputs. Never follows links out of them; hidden folders, trash and resource forks go to `other`.
pub fn scan(inputs: &[PathBuf]) -> Scan {
    let _ = inputs;
    Scan::default()
}
