//! Scanning: which files below the inputs are audio, which are beside-files, in a fixed order.
//!
//! Everything is listed: what is no take goes to `other`, what cannot be looked at to `unreadable`, and nothing is skipped.
//! Links below an input are not followed: what they point to lies either below the input as well, and is met there, or
//! outside, where nobody asked to look.

pub mod lists;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Error, ErrorKind};
use std::path::{Path, PathBuf};

use crate::report::model::Unreadable;

/// What lies below the inputs.
#[derive(Debug, Default)]
pub struct Scan {
    /// Audio files: path to open and name for the report (relative to the scanned root, `/` as separator), sorted by name.
    pub audio: Vec<(PathBuf, String)>,
    /// Files that are not takes: name and size.
    pub other: Vec<(String, u64)>,
    /// Tables among those files that name audio files, sorted by name.
    pub lists: Vec<lists::List>,
    /// What could not be looked at.
    pub unreadable: Vec<Unreadable>,
}

/// Reason given for an input that is not there.
pub const MISSING: &str = "missing";
/// Reason given for what the system does not let us look at.
pub const CLOSED: &str = "cannot be read";

/// Extensions of files that are tried as takes; the file's first bytes decide what it is.
const AUDIO: [&str; 11] = [
    "wav", "wave", "bwf", "rf64", "bw64", "w64", "flac", "aif", "aiff", "aifc", "caf",
];
/// Folders whose content is no take: system folders, trash, proxies. Compared without case; names that start with a dot are
/// hidden anyway.
const ASIDE: [&str; 9] = [
    "$recycle.bin",
    "recycler",
    "recycled",
    "system volume information",
    "lost.dir",
    "trash",
    "proxy",
    "proxies",
    "__macosx",
];
/// Deeper folders are reported, not entered; cards have about four levels.
const MAX_DEPTH: usize = 64;

/// Walk the inputs: folders and single files. A file that is reached twice is listed once.
///
/// With several folders each name starts with its folder's own name, so that two cards can be told apart.
pub fn scan(inputs: &[PathBuf]) -> Scan {
    let mut found = Scan::default();
    let mut seen = BTreeSet::new();
    let folders = inputs.iter().filter(|i| i.is_dir()).count();
    let mut prefixes: BTreeSet<String> = BTreeSet::new();
    for input in inputs {
        if input.is_dir() {
            let canonical = input.canonicalize().unwrap_or_else(|_| input.clone());
            if seen.contains(&canonical) {
                continue;
            }
            let prefix = if folders > 1 {
                let own = canonical
                    .file_name()
                    .map_or("root".into(), |n| n.to_string_lossy().into_owned());
                let free = (1..)
                    .map(|n| {
                        if n == 1 {
                            own.clone()
                        } else {
                            format!("{own}-{n}")
                        }
                    })
                    .find(|name| !prefixes.contains(name));
                let name = free.unwrap_or(own);
                prefixes.insert(name.clone());
                format!("{name}/")
            } else {
                String::new()
            };
            walk(input, &prefix, &mut seen, &mut found);
        } else {
            let name = input
                .file_name()
                .unwrap_or(input.as_os_str())
                .to_string_lossy()
                .into_owned();
            match input.metadata() {
                Ok(_) if new(input, &mut seen) => found.audio.push((input.clone(), name)),
                Ok(_) => {}
                Err(error) => found.unreadable.push(refused(name, &error)),
            }
        }
    }
    found
        .audio
        .sort_by(|a, b| a.1.cmp(&b.1).then_with(|| a.0.cmp(&b.0)));
    tell_apart(&mut found.audio);
    found.other.sort();
    found.lists.sort_by(|a, b| a.name.cmp(&b.name));
    found.unreadable.sort_by(|a, b| a.path.cmp(&b.path));
    found
}

/// Why something cannot be looked at.
fn refused(name: String, error: &Error) -> Unreadable {
    let missing = error.kind() == ErrorKind::NotFound;
    Unreadable {
        path: name,
        reason: if missing { MISSING } else { CLOSED }.into(),
        detail: if missing {
            "there is no such file or folder".into()
        } else {
            error.to_string()
        },
    }
}

/// Names that several single files share get as many of their folders in front as it takes to tell them apart.
fn tell_apart(audio: &mut [(PathBuf, String)]) {
    let mut folders: Vec<Option<PathBuf>> = audio
        .iter()
        .map(|(path, _)| path.parent().map(Path::to_owned))
        .collect();
    loop {
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        for (_, name) in audio.iter() {
            *counts.entry(name).or_default() += 1;
        }
        let shared: Vec<bool> = audio.iter().map(|(_, n)| counts[n.as_str()] > 1).collect();
        let mut changed = false;
        for (((_, name), folder), _) in audio
            .iter_mut()
            .zip(&mut folders)
            .zip(shared)
            .filter(|s| s.1)
        {
            let Some(parent) = folder.take() else {
                continue;
            };
            if let Some(own) = parent.file_name() {
                *name = format!("{}/{name}", own.to_string_lossy());
                changed = true;
            }
            *folder = parent.parent().map(Path::to_owned);
        }
        if !changed {
            break;
        }
    }
    audio.sort_by(|a, b| a.1.cmp(&b.1).then_with(|| a.0.cmp(&b.0)));
}

/// Whether a path has not been met before.
fn new(path: &Path, seen: &mut BTreeSet<PathBuf>) -> bool {
    seen.insert(path.canonicalize().unwrap_or_else(|_| path.to_owned()))
}

/// One folder on the way down.
struct Folder {
    path: PathBuf,
    /// Name for the report, ending in `/`; empty for the root.
    name: String,
    depth: usize,
    /// Below a hidden, trash or proxy folder.
    aside: bool,
}

fn walk(root: &Path, prefix: &str, seen: &mut BTreeSet<PathBuf>, found: &mut Scan) {
    let mut queue = vec![Folder {
        path: root.to_owned(),
        name: prefix.to_owned(),
        depth: 0,
        aside: false,
    }];
    while let Some(folder) = queue.pop() {
        if !new(&folder.path, seen) {
            continue;
        }
        let named = || {
            if folder.name.is_empty() {
                folder.path.display().to_string()
            } else {
                folder.name.clone()
            }
        };
        if folder.depth > MAX_DEPTH {
            found.unreadable.push(Unreadable {
                path: named(),
                reason: CLOSED.into(),
                detail: format!("more than {MAX_DEPTH} folders deep: not entered"),
            });
            continue;
        }
        let entries = match std::fs::read_dir(&folder.path) {
            Ok(entries) => entries,
            Err(error) => {
                found.unreadable.push(refused(named(), &error));
                continue;
            }
        };
        for entry in entries {
            match entry {
                Ok(entry) => sort_in(&entry.path(), &folder, &mut queue, seen, found),
                Err(error) => found.unreadable.push(refused(named(), &error)),
            }
        }
    }
}

/// Where one entry of a folder goes.
fn sort_in(
    path: &Path,
    folder: &Folder,
    queue: &mut Vec<Folder>,
    seen: &mut BTreeSet<PathBuf>,
    found: &mut Scan,
) {
    let own = path
        .file_name()
        .map_or(String::new(), |n| n.to_string_lossy().into_owned());
    let name = format!("{}{own}", folder.name);
    let meta = match path.symlink_metadata() {
        Ok(meta) => meta,
        Err(error) => {
            found.unreadable.push(refused(name, &error));
            return;
        }
    };
    let hidden = own.starts_with('.');
    if meta.is_dir() {
        let lower = own.to_lowercase();
        queue.push(Folder {
            path: path.to_owned(),
            name: format!("{name}/"),
            depth: folder.depth + 1,
            aside: folder.aside || hidden || ASIDE.contains(&lower.as_str()),
        });
        return;
    }
    let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    let is = |known: &[&str]| extension.as_deref().is_some_and(|e| known.contains(&e));
    let audio = is(&AUDIO);
    if audio && meta.is_file() && !hidden && !folder.aside {
        if new(path, seen) {
            found.audio.push((path.to_owned(), name));
        }
    } else {
        // What was thrown away tells nothing about what has to be here.
        let table = is(&lists::TABLES) && meta.is_file() && meta.len() <= lists::LARGEST;
        if table && !hidden && !folder.aside {
            found.lists.extend(lists::read(path, &name));
        }
        found.other.push((name, meta.len()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn touch(root: &Path, name: &str) {
        let path = root.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, name).unwrap();
    }

    fn names(scan: &Scan) -> Vec<&str> {
        scan.audio.iter().map(|(_, n)| n.as_str()).collect()
    }

    #[test]
    fn takes_and_what_lies_beside() {
        let root = tempfile::tempdir().unwrap();
        let takes = [
            "B/2.WAV",
            "B/1.wav",
            "A/ü 1 \u{1F3AC}.flac",
            "A/x.AIFF",
            "c.bwf",
        ];
        let beside = [
            "B/._1.wav",
            ".hidden/1.wav",
            "Trash/1.wav",
            "proxies/1.wav",
            "$RECYCLE.BIN/1.wav",
            "report.csv",
            "a.mov",
            "a.jpg",
            "1.mp3",
        ];
        for name in takes.iter().chain(&beside) {
            touch(root.path(), name);
        }
        let scan = scan(&[root.path().to_owned()]);
        let mut expected = takes;
        expected.sort_unstable();
        assert_eq!(names(&scan), expected);
        let other: Vec<&str> = scan.other.iter().map(|(n, _)| n.as_str()).collect();
        let mut expected = beside;
        expected.sort_unstable();
        assert_eq!(other, expected);
        assert_eq!(scan.other[0].1, scan.other[0].0.len() as u64);
        assert!(scan.unreadable.is_empty());
    }

    #[test]
    fn lists_in_the_trash_and_in_hidden_folders_are_not_read() {
        let root = tempfile::tempdir().unwrap();
        for name in [
            "report.csv",
            "Trash/old.csv",
            ".hidden/a/list.txt",
            "proxies/p.tsv",
        ] {
            let path = root.path().join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, "1,1-1.wav\n").unwrap();
        }
        let scan = scan(&[root.path().to_owned()]);
        let lists: Vec<&str> = scan.lists.iter().map(|l| l.name.as_str()).collect();
        assert_eq!(lists, ["report.csv"]);
        assert_eq!(scan.other.len(), 4);
    }

    #[test]
    fn several_inputs() {
        let root = tempfile::tempdir().unwrap();
        for name in ["A/day/1.wav", "B/day/1.wav", "A/2.wav"] {
            touch(root.path(), name);
        }
        let at = |n: &str| root.path().join(n);
        // The same folder twice, and a file that lies in it.
        assert_eq!(
            names(&scan(&[at("A"), at("A"), at("A/2.wav")])),
            ["A/2.wav", "A/day/1.wav"]
        );
        assert_eq!(
            names(&scan(&[at("A"), at("B")])),
            ["A/2.wav", "A/day/1.wav", "B/day/1.wav"]
        );
        // Folders of one name.
        assert_eq!(
            names(&scan(&[at("A/day"), at("B/day")])),
            ["day-2/1.wav", "day/1.wav"]
        );
        assert_eq!(
            names(&scan(&[at("A/2.wav"), at("A/day/1.wav")])),
            ["1.wav", "2.wav"]
        );
        assert_eq!(
            names(&scan(&[at("A/day/1.wav"), at("B/day/1.wav")])).len(),
            2
        );
        let scan = scan(&[at("missing.wav"), at("A/2.wav")]);
        assert_eq!(scan.unreadable[0].reason, MISSING);
        assert_eq!(names(&scan), ["2.wav"]);
    }

    #[test]
    fn single_files_of_one_name_are_told_apart_by_their_folders() {
        let root = tempfile::tempdir().unwrap();
        let files = ["A/day/1.wav", "B/day/1.wav", "B/eve/1.wav", "B/eve/2.wav"];
        for name in files {
            touch(root.path(), name);
        }
        let scan = scan(&files.map(|name| root.path().join(name)));
        assert_eq!(
            names(&scan),
            ["2.wav", "A/day/1.wav", "B/day/1.wav", "eve/1.wav"]
        );
    }

    #[cfg(unix)]
    #[test]
    fn links_are_not_followed() {
        let root = tempfile::tempdir().unwrap();
        let outside = tempfile::tempdir().unwrap();
        touch(outside.path(), "1.wav");
        touch(root.path(), "a/2.wav");
        std::os::unix::fs::symlink(outside.path(), root.path().join("out")).unwrap();
        std::os::unix::fs::symlink(outside.path().join("1.wav"), root.path().join("1.wav"))
            .unwrap();
        std::os::unix::fs::symlink(root.path(), root.path().join("a/loop")).unwrap();
        let scan = scan(&[root.path().to_owned()]);
        assert_eq!(names(&scan), ["a/2.wav"]);
        assert_eq!(scan.other.len(), 3);
        // A link that is the input itself is what was asked for.
        let link = root.path().join("out");
        assert_eq!(names(&super::scan(&[link])), ["1.wav"]);
    }
}
