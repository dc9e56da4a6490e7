//! `takeproof demo`: a small invented shooting day with known faults, checked like a real one.

use std::path::{Path, PathBuf};

use clap::Parser;

use super::check::Check;
use super::exit::Status;
use super::output;
use super::{problem, results};

#[derive(Debug, clap::Args)]
pub(super) struct Demo {
    /// Folder for the day and its report [default: a new one in the documents or home folder]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Replace a demo that is there already
    #[arg(long)]
    force: bool,
    /// No pictures, no page
    #[arg(long)]
    no_plots: bool,
    /// Threads to work with [default: one per core]
    #[arg(long, value_name = "N")]
    threads: Option<std::num::NonZeroUsize>,
}

/// The arguments of the check that a demo is.
#[derive(Debug, Parser)]
struct Arguments {
    #[command(flatten)]
    check: Check,
}

impl Demo {
    pub(super) fn run(self) -> Status {
        let folder = match self
            .out
            .clone()
            .map_or_else(|| output::new_folder("demo"), Ok)
        {
            Ok(folder) => folder,
            Err(refused) => return refused.tell(),
        };
        let report = folder.join("report");
        if report.join("report.json").exists() && !self.force {
            problem(&format!(
                "{} holds a demo already; give another folder with --out, or --force to replace it",
                folder.display()
            ));
            return Status::Failed;
        }
        let day = match crate::synth::demo::write(&folder) {
            Ok(day) => day,
            Err(error) => {
                problem(&format!("{}: {error}", folder.display()));
                return Status::Failed;
            }
        };
        let told = results(&format!(
            "An invented shooting day, made for this demo: {}\n\n",
            day.display()
        ));
        match self.check(&day, &report).run() {
            // The day was made to have faults: finding them is what was asked for.
            Status::Clear | Status::Findings | Status::Incomplete => told,
            other => other,
        }
    }

    fn check(&self, day: &Path, report: &Path) -> Check {
        let mut arguments: Vec<std::ffi::OsString> = vec![
            "takeproof".into(),
            day.into(),
            "--out".into(),
            report.into(),
            "--no-catalogue".into(),
            "--force".into(),
        ];
        if self.no_plots {
            arguments.push("--no-plots".into());
        }
        if let Some(threads) = self.threads {
            arguments.push(format!("--threads={threads}").into());
        }
        Arguments::parse_from(arguments).check
    }
}
