//! Where a report goes: never below an input, never over another report unless told so.

use std::fs::{File, TryLockError};
use std::path::{Component, Path, PathBuf};
use std::time::SystemTime;

use super::exit::Status;
use super::problem;
use crate::report::run::date;

/// The folder for a report, checked but not yet made.
#[derive(Debug)]
pub(super) struct Output {
    /// The folder.
    pub(super) folder: PathBuf,
    /// Chosen by us: its path has to be told.
    pub(super) chosen: bool,
}

/// Held while a report is written: two in one folder at once would become one of both.
#[derive(Debug)]
pub(super) struct Held(#[expect(dead_code, reason = "the lock ends with the file")] Option<File>);

impl Output {
    /// Make the folder and see that it can be written to: before hours of work, not after them.
    pub(super) fn prepare(&self) -> Result<(), Refused> {
        std::fs::create_dir_all(&self.folder)
            .and_then(|()| tempfile::tempfile_in(&self.folder))
            .map(|_| ())
            .map_err(|error| {
                Refused::Unwritable(format!(
                    "{}: cannot be written to: {error}; nothing was checked",
                    self.folder.display()
                ))
            })
    }

    /// The same, and nobody else may write a report there until what is returned is gone.
    pub(super) fn hold(&self) -> Result<Held, Refused> {
        self.prepare()?;
        // Not every system opens a folder, not every file system locks one: there nothing is held.
        let held = File::open(&self.folder).ok();
        match held.as_ref().map(File::try_lock) {
            Some(Err(TryLockError::WouldBlock)) => Err(Refused::Exists(format!(
                "another takeproof is writing into {}; give another folder with --out",
                self.folder.display()
            ))),
            _ => Ok(Held(held)),
        }
    }
}

/// Why a folder cannot be used, in one line.
#[derive(Debug)]
pub(super) enum Refused {
    /// Below an input: wrong usage.
    BelowInput(String),
    /// There is a report already.
    Exists(String),
    /// No place to write to is known.
    Nowhere(String),
    /// It cannot be written to.
    Unwritable(String),
}

impl Refused {
    /// Say why.
    pub(super) fn tell(&self) -> Status {
        match self {
            Refused::BelowInput(why) => {
                problem(why);
                Status::Usage
            }
            Refused::Exists(why) | Refused::Nowhere(why) | Refused::Unwritable(why) => {
                problem(why);
                Status::Failed
            }
        }
    }
}

/// The folder asked for, or a new one in the user's documents or home folder; `result`: the file that says that there is a
/// result already.
pub(super) fn choose(
    asked: Option<&Path>,
    inputs: &[PathBuf],
    result: &str,
    force: bool,
    no_names: bool,
) -> Result<Output, Refused> {
    let output = match asked {
        Some(folder) => Output {
            folder: folder.to_path_buf(),
            chosen: false,
        },
        None => Output {
            folder: new_folder(&if no_names {
                "card".into()
            } else {
                name_of(inputs)
            })?,
            chosen: true,
        },
    };
    let real = real_path(&output.folder);
    for input in inputs.iter().filter(|i| i.is_dir()) {
        if real.starts_with(real_path(input)) {
            return Err(Refused::BelowInput(format!(
                "the report would be written into {}, which is an input and only ever read; give another folder with --out",
                input.display()
            )));
        }
    }
    if !force && output.folder.join(result).exists() {
        return Err(Refused::Exists(format!(
            "{} holds a {} already; give another folder with --out, or --force to replace it",
            output.folder.display(),
            if result == "report.json" {
                "report"
            } else {
                result
            }
        )));
    }
    Ok(output)
}

/// What the first input is called.
fn name_of(inputs: &[PathBuf]) -> String {
    inputs
        .first()
        .map(|i| real_path(i))
        .and_then(|i| Some(i.file_stem()?.to_string_lossy().into_owned()))
        .unwrap_or_else(|| "card".into())
}

/// `takeproof-2026-03-14-CARD_A` in the documents folder, with a number where that exists.
pub(super) fn new_folder(name: &str) -> Result<PathBuf, Refused> {
    let parent = documents().ok_or_else(|| {
        Refused::Nowhere("no home folder is known; say where the report goes with --out".into())
    })?;
    let base = format!("takeproof-{}-{name}", date(SystemTime::now()));
    let numbered = (2..).map(|n| format!("{base}-{n}"));
    std::iter::once(base.clone())
        .chain(numbered)
        .map(|n| parent.join(n))
        .find(|folder| !folder.exists())
        .ok_or_else(|| Refused::Nowhere("no free folder name is left".into()))
}

fn documents() -> Option<PathBuf> {
    let home = std::env::home_dir().filter(|h| !h.as_os_str().is_empty())?;
    let told = std::env::var_os("XDG_DOCUMENTS_DIR").map(PathBuf::from);
    let documents = told
        .into_iter()
        .chain([home.join("Documents")])
        .find(|d| d.is_dir());
    Some(documents.unwrap_or(home))
}

/// The path with links resolved, as far as it exists; what does not exist yet is taken as written.
fn real_path(path: &Path) -> PathBuf {
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
    let mut real = PathBuf::new();
    for part in absolute.components() {
        if part == Component::ParentDir {
            real.pop();
        } else {
            real.push(part);
            real = real.canonicalize().unwrap_or(real);
        }
    }
    real
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_below_an_input_is_refused_however_it_is_written() {
        let dir = tempfile::tempdir().unwrap();
        let card = dir.path().join("card");
        std::fs::create_dir_all(card.join("day")).unwrap();
        let inputs = [card.clone()];
        for inside in [
            card.clone(),
            card.join("report"),
            card.join("a/b/c"),
            dir.path().join("card/day/../report"),
            dir.path().join("card/../card/x"),
            dir.path().join("not-yet/../card/x"),
            dir.path().join("not-yet/deeper/../../card"),
        ] {
            let result = choose(Some(&inside), &inputs, "report.json", false, false);
            assert!(
                matches!(result, Err(Refused::BelowInput(_))),
                "{}",
                inside.display()
            );
        }
        let beside = dir.path().join("card-report");
        assert!(
            !choose(Some(&beside), &inputs, "report.json", false, false)
                .unwrap()
                .chosen
        );
    }

    #[cfg(unix)]
    #[test]
    fn a_link_into_an_input_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let card = dir.path().join("card");
        std::fs::create_dir_all(&card).unwrap();
        let link = dir.path().join("link");
        std::os::unix::fs::symlink(&card, &link).unwrap();
        let result = choose(
            Some(&link.join("out")),
            &[card],
            "report.json",
            false,
            false,
        );
        assert!(matches!(result, Err(Refused::BelowInput(_))));
    }

    #[test]
    fn an_existing_report_needs_force() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("report.json"), "{}").unwrap();
        let inputs = [PathBuf::from("somewhere-else.wav")];
        assert!(matches!(
            choose(Some(dir.path()), &inputs, "report.json", false, false),
            Err(Refused::Exists(_))
        ));
        assert!(choose(Some(dir.path()), &inputs, "report.json", true, false).is_ok());
    }

    #[test]
    fn a_folder_is_held_by_one_at_a_time_and_only_if_it_can_be_written_to() {
        let dir = tempfile::tempdir().unwrap();
        let output = |name: &str| Output {
            folder: dir.path().join(name),
            chosen: false,
        };
        let first = output("a/b").hold().unwrap();
        // Where folders cannot be locked both go on.
        if cfg!(target_os = "linux") {
            let second = output("a/b").hold();
            assert!(matches!(second, Err(Refused::Exists(_))));
        }
        output("a/c").hold().unwrap();
        drop(first);
        output("a/b").hold().unwrap();
        std::fs::write(dir.path().join("file"), "").unwrap();
        let within = output("file/report").hold();
        assert!(matches!(within, Err(Refused::Unwritable(_))));
    }
}
