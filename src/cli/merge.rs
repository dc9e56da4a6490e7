//! `takeproof merge`: the parts of one check to the report that a single check would have written.

use std::io;
use std::path::{Path, PathBuf};
use std::time::{Instant, SystemTime};

use super::exit::Status;
use super::outcome::{Outcome, Work};
use super::progress::Progress;
use super::{output, problem};
use crate::pipeline;
use crate::report::part::{self, Joined, Part};

#[derive(Debug, clap::Args)]
pub(super) struct Merge {
    /// Part files, or folders that hold them
    #[arg(required = true, value_name = "PART")]
    parts: Vec<PathBuf>,
    #[command(flatten)]
    outcome: Outcome,
}

impl Merge {
    pub(super) fn run(self) -> Status {
        let (started, clock) = (SystemTime::now(), Instant::now());
        let (joined, threads) = match self.joined() {
            Ok(joined) => joined,
            Err(reasons) => {
                reasons.iter().for_each(|reason| problem(reason));
                return Status::Failed;
            }
        };
        if !joined.drawn && !self.outcome.no_plots {
            problem(
                "a part was made with --no-plots: there is nothing to draw from; say --no-plots here, too",
            );
            return Status::Usage;
        }
        let inputs: Vec<PathBuf> = joined.inputs.iter().map(PathBuf::from).collect();
        let Outcome {
            out,
            force,
            no_names,
            ..
        } = &self.outcome;
        let output = match output::choose(out.as_deref(), &inputs, "report.json", *force, *no_names)
        {
            Ok(output) => output,
            Err(refused) => return refused.tell(),
        };
        let _held = match output.hold() {
            Ok(held) => held,
            Err(refused) => return refused.tell(),
        };
        let Joined {
            beside,
            done,
            settings,
            runs,
            ..
        } = joined;
        let day = pipeline::together(beside, done, &settings, threads);
        let work = Work {
            settings: &settings,
            output: &output,
            started,
            clock,
            parts: runs,
            missing_told: false,
            roles: "",
            // Nothing is analysed, and the rest is short.
            progress: &Progress::new(true, false, None),
        };
        self.outcome.finish(day, work)
    }

    /// All parts read and joined, and how many threads did it; or every reason why not.
    fn joined(&self) -> Result<(Joined, usize), Vec<String>> {
        let mut files = Vec::new();
        let mut wrong = Vec::new();
        for given in &self.parts {
            match part_files(given) {
                Ok(found) => files.extend(found),
                Err(error) => wrong.push(format!("{}: {error}", given.display())),
            }
        }
        let (read, threads) =
            pipeline::in_parallel(files, self.outcome.threads(), |file| read(&file));
        let mut parts = Vec::new();
        for part in read {
            match part {
                Ok(part) => parts.push(part),
                Err(why) => wrong.push(why),
            }
        }
        if !wrong.is_empty() {
            return Err(wrong);
        }
        Ok((part::join(parts)?, threads))
    }
}

/// The file given, or the part files in the folder given.
fn part_files(given: &Path) -> io::Result<Vec<PathBuf>> {
    if !given.is_dir() {
        return Ok(vec![given.to_owned()]);
    }
    let mut files = Vec::new();
    for entry in std::fs::read_dir(given)? {
        let path = entry?.path();
        let name = path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        if name.starts_with("part-") && name.ends_with(".json") {
            files.push(path);
        }
    }
    if files.is_empty() {
        return Err(io::Error::other("holds no part file"));
    }
    files.sort();
    Ok(files)
}

fn read(file: &Path) -> Result<(String, Part), String> {
    let name = file.display().to_string();
    let text = std::fs::read(file).map_err(|error| format!("{name}: {error}"))?;
    let part = part::read(&text).map_err(|why| format!("{name} {why}"))?;
    Ok((name, part))
}
