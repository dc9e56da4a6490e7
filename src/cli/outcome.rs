//! From a judged day to everything that is written and printed, of a check and of a merge alike.

use std::ffi::OsStr;
use std::io;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::time::{Instant, SystemTime};

use super::exit::{Status, of_report};
use super::output::Output;
use super::progress::Progress;
use super::{problem, results};
use crate::pipeline::{self, Day};
use crate::report::clips::{self, Clip, Reach};
use crate::report::drawing::TakeDrawing;
use crate::report::kept::Kept;
use crate::report::model::{Report, Severity};
use crate::report::names::without_names;
use crate::report::plots::{Picture, PlotError};
use crate::report::run::Run;
use crate::report::terminal::{self, Detail, For, Layout};
use crate::report::{build, html, json, markers, plots, table, write};
use crate::scan::MISSING;
use crate::settings::Settings;
use crate::take::{Take, roles};

/// Threads beyond so many a core wait for each other: thousands of them bring a machine to a stand.
const PER_CORE: usize = 4;

/// What is to be written and printed.
#[derive(Debug, clap::Args)]
pub(super) struct Outcome {
    /// Folder for the report [default: a new one in the documents or home folder]
    #[arg(long, value_name = "DIR")]
    pub(super) out: Option<PathBuf>,
    /// Replace a report that is there already
    #[arg(long)]
    pub(super) force: bool,
    /// No pictures, no page
    #[arg(long)]
    pub(super) no_plots: bool,
    /// Threads to work with [default: one per core]
    #[arg(long, value_name = "N")]
    pub(super) threads: Option<NonZeroUsize>,
    /// Least severity that makes the exit status 1
    #[arg(long, value_name = "SEVERITY", default_value = "caution")]
    fail_on: FailOn,
    /// What goes to standard output
    #[arg(long, default_value = "text")]
    format: Format,
    /// Who reads the list and the page; report.json is the same for all
    #[arg(long = "for", value_name = "READER", default_value = "mixer")]
    reader: For,
    /// Markers for the edit, in markers/ of the report [possible: otio, edl, csv; several with commas]
    #[arg(
        long,
        value_name = "FORMATS",
        value_delimiter = ',',
        hide_possible_values = true
    )]
    markers: Vec<markers::Format>,
    /// Short sounds of what was found, in clips/ of the report, for the page to play; from between slate and cut only,
    /// unless 'everything' is said
    #[arg(
        long,
        value_name = "REACH",
        num_args = 0..=1,
        require_equals = true,
        default_missing_value = "windows",
        hide_possible_values = true
    )]
    clips: Option<Reach>,
    /// Leave out the names of people, tracks and productions in everything written
    #[arg(long)]
    pub(super) no_names: bool,
    /// No list and no progress bar; problems are still told
    #[arg(long, short, conflicts_with = "verbose")]
    pub(super) quiet: bool,
    /// Every row of the list, notes too
    #[arg(long, short)]
    verbose: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum FailOn {
    /// Faults and cautions
    Caution,
    /// Faults only: the nightly form
    Fault,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// The ranked list
    Text,
    /// The whole report
    Json,
    /// The sound report, a row per take
    Csv,
}

/// What a day comes from.
pub(super) struct Work<'a> {
    pub(super) settings: &'a Settings,
    pub(super) output: &'a Output,
    pub(super) started: SystemTime,
    pub(super) clock: Instant,
    /// Runs that made the parts of a merge.
    pub(super) parts: Vec<Run>,
    /// Missing inputs have been told, with their whole paths.
    pub(super) missing_told: bool,
    /// Roles of tracks as given on the command line.
    pub(super) roles: &'a str,
    /// Shows how far it has come.
    pub(super) progress: &'a Progress,
}

impl Outcome {
    /// Shows how far the work has come, and what is found, unless names are to be left out.
    pub(super) fn progress(&self) -> Progress {
        let reader = (!self.no_names).then_some(self.reader);
        Progress::new(self.quiet, !self.no_plots, reader)
    }

    /// Threads asked for, as far as they are of use; 0 for one per core.
    pub(super) fn threads(&self) -> usize {
        let cores = std::thread::available_parallelism().map_or(1, NonZeroUsize::get);
        self.threads
            .map_or(0, |asked| asked.get().min(cores * PER_CORE))
    }

    /// Write the report, print the list.
    pub(super) fn finish(&self, day: Day<Kept>, work: Work<'_>) -> Status {
        let threads = day.threads;
        let (day, drawings) = day.map(Kept::unpack).split();
        let mut drawings: Vec<TakeDrawing> = drawings.into_iter().flatten().collect();
        let productions = productions(&day.takes);
        let sources = self.clips.map(|reach| (day.takes.clone(), reach));
        let mut report = build::report(day, work.settings);
        build::name_tiles(&report, &mut drawings);
        work.progress.aside(|| strange_roles(work.roles, &report));
        if self.no_names {
            match without_names(&report, &productions) {
                Ok(nameless) => report = nameless,
                Err(error) => {
                    problem(&format!("the names could not be left out: {error}"));
                    return Status::Failed;
                }
            }
        }
        work.progress.aside(|| {
            for file in &report.unreadable {
                if !(work.missing_told && file.reason == MISSING) {
                    problem(&format!("{}: {}: {}", file.path, file.reason, file.detail));
                }
            }
            if report.takes.is_empty() {
                problem("no take was found in what was given that could be analysed");
            }
        });
        let fail_on = match self.fail_on {
            FailOn::Caution => Severity::Caution,
            FailOn::Fault => Severity::Fault,
        };
        let status = of_report(&report, fail_on);
        let totals = &report.day.totals;
        let run = Run {
            parts: work.parts,
            ..Run::new(
                work.started,
                work.clock.elapsed(),
                threads,
                totals.takes,
                totals.track_hours,
                status.code(),
            )
        };
        let folder = &work.output.folder;
        let written = write::clear(folder)
            .and_then(|()| self.write(folder, &report, &run))
            .and_then(|()| match &sources {
                Some((takes, reach)) => clips(folder, &report, takes, threads, *reach),
                None => Ok(Vec::new()),
            })
            .and_then(|cut| {
                if self.no_plots {
                    return Ok(());
                }
                let page = html::page(&report, &drawings, self.reader, &cut);
                let page = page.map_err(io::Error::other)?;
                write::put(folder, "report.html", page.as_bytes())?;
                pictures(folder, &report, &drawings, threads, work.progress)
            });
        work.progress.end();
        if let Err(error) = written {
            problem(&format!("{error}; the report is not complete"));
            return Status::Failed;
        }
        status.max(self.print(&report, work.output))
    }

    fn write(&self, folder: &Path, report: &Report, run: &Run) -> io::Result<()> {
        write::put(folder, "report.json", json::text(report)?.as_bytes())?;
        write::put(folder, "run.json", json::text(run)?.as_bytes())?;
        let table = table::sound_report(report).map_err(io::Error::other)?;
        write::put(folder, "sound-report.csv", &table)?;
        for &format in &self.markers {
            for (name, bytes) in markers::files(report, format)? {
                write::put(folder, &name, &bytes)?;
            }
        }
        Ok(())
    }

    fn print(&self, report: &Report, output: &Output) -> Status {
        let place = if self.no_plots {
            output.folder.clone()
        } else {
            output.folder.join("report.html")
        };
        let place = match self.reader {
            For::Mixer => place.display().to_string(),
            // What is handed over names no folders of this machine and its user.
            For::Set | For::Post => {
                if output.chosen {
                    problem(&format!("the report is in {}", output.folder.display()));
                }
                let folder = output.folder.file_name().unwrap_or(OsStr::new("report"));
                let folder = folder.to_string_lossy();
                if self.no_plots {
                    folder.into_owned()
                } else {
                    format!("{folder}/report.html")
                }
            }
        };
        match self.format {
            Format::Json => json::text(report).map_or(Status::Failed, |text| results(&text)),
            Format::Csv => match table::sound_report(report) {
                Ok(bytes) => results(&String::from_utf8_lossy(&bytes)),
                Err(_) => Status::Failed,
            },
            // Nobody could find a folder that we chose and did not name.
            Format::Text if self.quiet && output.chosen => results(&format!("{place}\n")),
            Format::Text if self.quiet => Status::Clear,
            Format::Text => {
                let detail = if self.verbose {
                    Detail::Everything
                } else {
                    Detail::Normal
                };
                let layout = Layout {
                    width: terminal::width(),
                    reader: self.reader,
                    detail,
                };
                results(&terminal::list(report, Some(&place), layout))
            }
        }
    }
}

/// Tell which of the roles given on the command line are for tracks that no take has: a slip of the pen would change nothing and
/// say nothing.
pub(super) fn strange_roles(list: &str, report: &Report) {
    let mut asked = Settings::default();
    // Mistakes in the list have been told before anything was read.
    let _ = asked.load_roles(list);
    for key in asked.roles.keys() {
        let mut tracks = report.takes.iter().flat_map(|t| &t.tracks);
        if !tracks.any(|t| roles::is_named(key, t.index, t.name.as_deref())) {
            problem(&format!("--roles: no take has a track '{key}'"));
        }
    }
}

/// Titles of productions in the files' labels, each once.
fn productions(takes: &[Take]) -> Vec<String> {
    let mut titles: Vec<String> = takes
        .iter()
        .flat_map(|t| &t.files)
        .filter_map(|f| f.opened.header.ixml.as_ref()?.project.clone())
        .map(|title| title.trim().to_owned())
        .filter(|title| !title.is_empty())
        .collect();
    titles.sort();
    titles.dedup();
    titles
}

/// Overview and suspicious pairs of every take, the trend of the day; each as SVG and PNG below `plots/`. A picture that cannot
/// be drawn is told and costs nothing else.
fn pictures(
    folder: &Path,
    report: &Report,
    drawings: &[TakeDrawing],
    threads: usize,
    progress: &Progress,
) -> io::Result<()> {
    let keep = |picture: Result<Picture, PlotError>| match picture {
        Ok(picture) => put_picture(folder, &picture),
        Err(error) => {
            progress.aside(|| problem(&error.to_string()));
            Ok(())
        }
    };
    let takes: Vec<_> = report.takes.iter().zip(drawings).zip(1..).collect();
    let (written, _) = pipeline::in_parallel(takes, threads, |((take, drawing), number)| {
        keep(plots::overview(take, drawing, number))?;
        for pair in plots::suspicious_pairs(take) {
            keep(plots::pair(take, pair, number))?;
        }
        progress.drawn(take.files.iter().map(|f| f.bytes).sum());
        Ok(())
    });
    written.into_iter().collect::<io::Result<()>>()?;
    if drawings.is_empty() {
        return Ok(());
    }
    match plots::trend(report) {
        Ok(Some(picture)) => put_picture(folder, &picture),
        Ok(None) => Ok(()),
        Err(error) => keep(Err(error)),
    }
}

/// Cut the clips of every take; a take whose files cannot be read again is told, and the rest goes on.
fn clips(
    folder: &Path,
    report: &Report,
    sources: &[Take],
    threads: usize,
    reach: Reach,
) -> io::Result<Vec<Clip>> {
    let takes: Vec<_> = report.takes.iter().zip(sources).zip(1..).collect();
    let (cut, _) = pipeline::in_parallel(
        takes,
        threads,
        |((take, source), number)| match clips::cut(source, clips::plan(take, number, reach)) {
            Ok(cut) => cut
                .into_iter()
                .map(|(clip, bytes)| write::put(folder, &clip.file, &bytes).map(|()| clip))
                .collect::<io::Result<Vec<Clip>>>(),
            Err(error) => {
                problem(&format!("no clips of a take: {error}"));
                Ok(Vec::new())
            }
        },
    );
    let cut: io::Result<Vec<Vec<Clip>>> = cut.into_iter().collect();
    Ok(cut?.into_iter().flatten().collect())
}

fn put_picture(folder: &Path, picture: &Picture) -> io::Result<()> {
    let name = |ending: &str| format!("plots/{}.{ending}", picture.name);
    write::put(folder, &name("svg"), picture.svg.as_bytes())?;
    write::put(folder, &name("png"), &picture.png)
}
