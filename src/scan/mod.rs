//! Scanning: which files below the inputs are audio, which are beside-files, in a fixed order.

use std::path::{Path, PathBuf};

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
    let mut found = Scan::default();
    for input in inputs {
        if input.is_dir() {
            walk(input, input, &mut found);
        } else if let Some(name) = input.file_name() {
            found
                .audio
                .push((input.clone(), name.to_string_lossy().into_owned()));
        }
    }
    found.audio.sort_by(|a, b| a.1.cmp(&b.1));
    found
}

fn walk(root: &Path, folder: &Path, found: &mut Scan) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    for path in entries.flatten().map(|e| e.path()) {
        let name = path
            .strip_prefix(root)
            .unwrap_or(&path)
            .to_string_lossy()
            .replace('\\', "/");
        if path.is_dir() {
            walk(root, &path, found);
        } else if path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("wav"))
        {
            found.audio.push((path, name));
        } else {
            found
                .other
                .push((name, path.metadata().map_or(0, |m| m.len())));
        }
    }
}
