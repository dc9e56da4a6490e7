//! Bytes to files of a report folder. A file is complete or not there: it is written beside its place and then moved.

use std::io;
use std::path::Path;

/// Put a file into the report folder; folders on the way are made. The error names the file.
pub fn put(folder: &Path, name: &str, bytes: &[u8]) -> io::Result<()> {
    let path = folder.join(name);
    // The number of the process: two that write the same file must not move each other's draft.
    let draft = folder.join(format!("{name}.{}.part", std::process::id()));
    let done = path
        .parent()
        .map_or(Ok(()), std::fs::create_dir_all)
        .and_then(|()| std::fs::write(&draft, bytes))
        .and_then(|()| std::fs::rename(&draft, &path));
    done.map_err(|error| {
        // Half a file is of no use, and on a full disk in the way.
        let _ = std::fs::remove_file(&draft);
        io::Error::new(error.kind(), format!("{}: {error}", path.display()))
    })
}

/// Files of a report beside `report.json` that another one need not have: folder, how a name starts, how it ends.
const LOOSE: [(&str, &str, &[&str]); 4] = [
    ("", "report", &["html", "part"]),
    ("plots", "", &["svg", "png", "part"]),
    ("clips", "", &["wav", "part"]),
    ("markers", "markers", &["otio", "edl", "csv", "part"]),
];

/// Take away what an earlier report left in the folder and the next one might not replace: pictures of another day among the new
/// ones would be looked at. A folder without a report is left alone.
pub fn clear(folder: &Path) -> io::Result<()> {
    if !folder.join("report.json").exists() {
        return Ok(());
    }
    for (place, start, endings) in LOOSE {
        let Ok(entries) = std::fs::read_dir(folder.join(place)) else {
            continue;
        };
        for path in entries.filter_map(Result::ok).map(|e| e.path()) {
            let stem = path.file_stem().unwrap_or_default().to_string_lossy();
            let ending = path.extension().unwrap_or_default().to_string_lossy();
            let ours = stem.starts_with(start) && endings.contains(&ending.as_ref());
            if ours && path.is_file() {
                std::fs::remove_file(&path)?;
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_earlier_report_left_is_taken_away_and_nothing_else() {
        let dir = tempfile::tempdir().unwrap();
        let ours = [
            "report.html",
            "plots/001-1-T1.svg",
            "clips/001-a.wav",
            "markers/markers-2.edl",
        ];
        let others = [
            "notes.html",
            "plots/read me.txt",
            "markers/mine.csv",
            "sound.wav",
        ];
        for name in ours.iter().chain(&others) {
            put(dir.path(), name, b"1").unwrap();
        }
        let there = |name: &&str| dir.path().join(name).exists();
        clear(dir.path()).unwrap();
        assert!(ours.iter().all(&there));
        put(dir.path(), "report.json", b"{}").unwrap();
        clear(dir.path()).unwrap();
        assert!(!ours.iter().any(&there));
        assert!(others.iter().all(there));
    }

    #[test]
    fn what_cannot_be_put_is_named_and_leaves_nothing() {
        let dir = tempfile::tempdir().unwrap();
        put(dir.path(), "a/b.txt", b"1").unwrap();
        // A folder with something in it is in the way.
        let error = put(dir.path(), "a", b"2").unwrap_err().to_string();
        assert!(
            error.contains(&dir.path().join("a").display().to_string()),
            "{error}"
        );
        let left: Vec<_> = std::fs::read_dir(dir.path()).unwrap().collect();
        assert_eq!(left.len(), 1);
    }
}
