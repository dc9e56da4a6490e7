//! `takeproof rig`: the first take of the day in seconds, a line per track. Nothing is written.

use std::path::PathBuf;

use super::exit::{Status, of_report};
use super::outcome::strange_roles;
use super::{problem, results};
use crate::pipeline::{self, How};
use crate::report::model::Severity;
use crate::report::{build, rig, terminal};
use crate::settings::Settings;

#[derive(Debug, clap::Args)]
pub(super) struct Rig {
    /// The take: its file, or the files or folder of a mono set
    #[arg(required = true, value_name = "TAKE")]
    input: Vec<PathBuf>,
    /// Roles of tracks by name or number, for example 'BOOM A=boom,3=mix'
    #[arg(long, value_name = "LIST")]
    roles: Option<String>,
}

impl Rig {
    pub(super) fn run(self) -> Status {
        let mut settings = Settings::default();
        if let Err(mistake) = settings.load_roles(self.roles.as_deref().unwrap_or("")) {
            problem(&format!("--roles: {mistake}"));
            return Status::Usage;
        }
        if let Some(input) = self.input.iter().find(|i| !i.exists()) {
            problem(&format!(
                "{}: there is no such file or folder",
                input.display()
            ));
            return Status::Failed;
        }
        let day = pipeline::day(&self.input, &settings, &How::default(), |analysis| {
            (build::take(analysis), rig::copies(&analysis.pairs))
        });
        let (day, copies) = day.split();
        let report = build::report(day, &settings);
        for file in &report.unreadable {
            problem(&format!("{}: {}: {}", file.path, file.reason, file.detail));
        }
        strange_roles(self.roles.as_deref().unwrap_or(""), &report);
        if report.takes.is_empty() {
            problem("no take was found in what was given that could be analysed");
        }
        let width = terminal::width();
        let texts: Vec<String> = report
            .takes
            .iter()
            .zip(&copies)
            .map(|(take, copies)| rig::lines(take, copies, width))
            .collect();
        of_report(&report, Severity::Caution).max(results(&texts.join("\n")))
    }
}
