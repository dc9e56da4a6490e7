//! `takeproof check`: the main job.

use std::ffi::OsString;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::{Instant, SystemTime};

use super::exit::Status;
use super::outcome::{Outcome, Work};
use super::output::{self, Output};
use super::progress::Progress;
use super::{problem, results};
use crate::pipeline::{self, How};
use crate::report::kept::Kept;
use crate::report::part::{self, Input, Part, Share};
use crate::report::run::Run;
use crate::report::{terminal, write};
use crate::settings::Settings;

#[derive(Debug, clap::Args)]
pub(super) struct Check {
    #[command(flatten)]
    inputs: Inputs,
    /// Settings file, as `takeproof settings` prints it
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Roles of tracks by name or number, for example 'BOOM A=boom,3=mix'
    #[arg(long, value_name = "LIST")]
    roles: Option<String>,
    /// Reuse nothing of earlier checks, remember nothing
    #[arg(long)]
    no_catalogue: bool,
    /// Check only the takes of part K of N, into a part file below --out; `takeproof merge` joins all N to one report
    #[arg(
        long,
        value_name = "K/N",
        requires = "out",
        conflicts_with_all = ["fail_on", "format", "reader", "markers", "clips", "no_names", "verbose"]
    )]
    part: Option<Share>,
    #[command(flatten)]
    outcome: Outcome,
}

/// What is to be checked.
#[derive(Debug, clap::Args)]
struct Inputs {
    /// Cards, folders or single files
    #[arg(required_unless_present = "files_from")]
    input: Vec<PathBuf>,
    /// A file that lists inputs, one a line or separated by NUL bytes; - is standard input
    #[arg(long, value_name = "LIST")]
    files_from: Option<PathBuf>,
}

impl Inputs {
    /// Inputs that are there and inputs that are not, each with the words that tell where it was named; or why the list cannot
    /// be read.
    fn all(&self) -> Result<Vec<(PathBuf, String)>, String> {
        let mut all: Vec<(PathBuf, String)> = Vec::new();
        for input in &self.input {
            all.push((input.clone(), String::new()));
        }
        if let Some(list) = &self.files_from {
            let mut bytes = Vec::new();
            let (name, read) = if list == Path::new("-") {
                let read = std::io::stdin().read_to_end(&mut bytes);
                ("standard input".to_owned(), read.map(|_| ()))
            } else {
                let read = std::fs::read(list).map(|b| bytes = b);
                (list.display().to_string(), read)
            };
            read.map_err(|error| format!("{name}: {error}"))?;
            let listed = listed(&bytes);
            if listed.is_empty() {
                return Err(format!("{name}: names no file and no folder"));
            }
            for (number, path) in listed {
                all.push((path, format!("{name}, entry {number}: ")));
            }
        }
        Ok(all)
    }
}

/// Paths of a list with their numbers from 1: separated by NUL bytes if there is one, else by line ends. Empty entries are none.
fn listed(bytes: &[u8]) -> Vec<(usize, PathBuf)> {
    let separator = if bytes.contains(&0) { 0 } else { b'\n' };
    bytes
        .split(|&b| b == separator)
        .map(|entry| match entry {
            [line @ .., b'\r'] if separator == b'\n' => line,
            entry => entry,
        })
        .zip(1..)
        .filter(|(entry, _)| !entry.is_empty())
        .map(|(entry, number)| (number, PathBuf::from(text_of_system(entry))))
        .collect()
}

#[cfg(unix)]
fn text_of_system(bytes: &[u8]) -> OsString {
    use std::os::unix::ffi::OsStrExt;
    std::ffi::OsStr::from_bytes(bytes).to_owned()
}

#[cfg(not(unix))]
fn text_of_system(bytes: &[u8]) -> OsString {
    String::from_utf8_lossy(bytes).into_owned().into()
}

impl Check {
    pub(super) fn run(self) -> Status {
        let (settings, inputs) = match (self.settings(), self.inputs.all()) {
            (Ok(settings), Ok(inputs)) => (settings, inputs),
            (settings, inputs) => {
                settings.err().iter().flatten().for_each(|m| problem(m));
                inputs.err().iter().for_each(|m| problem(m));
                return Status::Usage;
            }
        };
        let mut any = false;
        for (input, place) in &inputs {
            if input.exists() {
                any = true;
            } else {
                problem(&format!(
                    "{place}{}: there is no such file or folder",
                    input.display()
                ));
            }
        }
        if !any {
            return Status::Failed;
        }
        let inputs: Vec<PathBuf> = inputs.into_iter().map(|(input, _)| input).collect();
        let output = match output::choose(
            self.outcome.out.as_deref(),
            &inputs,
            &self.part.map_or("report.json".into(), |p| p.file_name()),
            self.outcome.force,
            self.outcome.no_names,
        ) {
            Ok(output) => output,
            Err(refused) => return refused.tell(),
        };
        // Several parts are made in one folder at once.
        let held = match self.part {
            None => output.hold().map(Some),
            Some(_) => output.prepare().map(|()| None),
        };
        match (held, self.part) {
            (Err(refused), _) => refused.tell(),
            (Ok(_held), None) => self.check(&inputs, &output, &settings),
            (Ok(_), Some(share)) => self.check_part(&inputs, share, &output.folder, settings),
        }
    }

    /// Settings file and roles, or what is wrong with them.
    fn settings(&self) -> Result<Settings, Vec<String>> {
        let mut settings = Settings::default();
        if let Some(path) = &self.settings {
            let name = path.display();
            let text = std::fs::read_to_string(path).map_err(|e| vec![format!("{name}: {e}")])?;
            settings.load(&text).map_err(|all| {
                all.iter()
                    .map(|m| format!("{name}, {m}"))
                    .collect::<Vec<_>>()
            })?;
        }
        if let Some(list) = &self.roles {
            settings
                .load_roles(list)
                .map_err(|m| vec![format!("--roles: {m}")])?;
        }
        Ok(settings)
    }

    fn how<'a>(&self, progress: &'a Progress, folder: &'a Path) -> How<'a> {
        How {
            threads: self.outcome.threads(),
            watch: progress,
            aside: Some(folder),
            ..How::default()
        }
    }

    /// Analyse, write the report, print the list.
    fn check(&self, inputs: &[PathBuf], output: &Output, settings: &Settings) -> Status {
        let (started, clock) = (SystemTime::now(), Instant::now());
        let progress = self.outcome.progress();
        let drawn = !self.outcome.no_plots;
        let day = pipeline::day(
            inputs,
            settings,
            &self.how(&progress, &output.folder),
            |analysis| {
                let kept = Kept::new(analysis, drawn);
                progress.found(kept.report());
                kept
            },
        );
        let work = Work {
            settings,
            output,
            started,
            clock,
            parts: Vec::new(),
            missing_told: true,
            roles: self.roles.as_deref().unwrap_or(""),
            progress: &progress,
        };
        self.outcome.finish(day, work)
    }

    /// Analyse one share of the takes and write the part file. What was found is told by the merge, its status too: a part
    /// that could be made ends with 0, so that a scheduler goes on.
    fn check_part(
        &self,
        inputs: &[PathBuf],
        share: Share,
        folder: &Path,
        settings: Settings,
    ) -> Status {
        let (started, clock) = (SystemTime::now(), Instant::now());
        let progress = Progress::new(self.outcome.quiet, false, None);
        let drawn = !self.outcome.no_plots;
        let found = pipeline::find(inputs, &settings);
        let input = Input::new(inputs, &found);
        let takes = share.takes(found.takes);
        let (done, threads) =
            pipeline::read(takes, &settings, &self.how(&progress, folder), |analysis| {
                Kept::new(analysis, drawn)
            });
        progress.end();
        let (takes, track_s) = done
            .iter()
            .filter_map(|d| d.outcome.as_ref().ok())
            .map(|(take, _)| take.duration_s() * take.tracks.len() as f64)
            .fold((0, 0.0), |(n, sum), s| (n + 1, sum + s));
        for file in done
            .iter()
            .filter_map(|d| d.outcome.as_ref().err())
            .flatten()
        {
            problem(&format!("{}: {}: {}", file.path, file.reason, file.detail));
        }
        let all = input.takes;
        let part = Part {
            schema: part::SCHEMA.into(),
            version: env!("CARGO_PKG_VERSION").into(),
            share,
            input,
            settings,
            drawn,
            run: Run::new(
                started,
                clock.elapsed(),
                threads,
                takes,
                track_s / 3600.0,
                Status::Clear.code(),
            ),
            beside: found.beside,
            done,
        };
        let name = share.file_name();
        let written = serde_json::to_vec(&part)
            .map_err(std::io::Error::other)
            .and_then(|text| write::put(folder, &name, &text));
        if let Err(error) = written {
            problem(&format!("{error}; the part was not written"));
            return Status::Failed;
        }
        if self.outcome.quiet {
            return Status::Clear;
        }
        let of = terminal::count(all as u64, "take");
        let path = folder.join(&name);
        results(&format!("{takes} of {of} read: {}\n", path.display()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_of_lines_and_of_nul_separated_paths() {
        let of = |text: &str| {
            let all = listed(text.as_bytes()).into_iter();
            all.map(|(n, path)| format!("{n} {}", path.display()))
                .collect::<Vec<_>>()
        };
        assert_eq!(of("a b.wav\r\n\n ü.wav"), ["1 a b.wav", "3  ü.wav"]);
        assert_eq!(of("a\nb.wav\0c.wav\0"), ["1 a\nb.wav", "2 c.wav"]);
        assert!(of("").is_empty() && of("\n\n").is_empty() && of("\0").is_empty());
    }
}
