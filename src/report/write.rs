//! Bytes to files of a report folder. A file is complete or not there: it is written beside its place and then moved.

use std::io;
use std::path::Path;

/// Put a file into the report folder; folders on the way are made.
pub fn put(folder: &Path, name: &str, bytes: &[u8]) -> io::Result<()> {
    let path = folder.join(name);
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent)?;
    }
    let draft = folder.join(format!("{name}.part"));
    std::fs::write(&draft, bytes)?;
    std::fs::rename(&draft, &path)
}
