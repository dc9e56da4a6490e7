//! `takeproof check`: the main job.

use std::path::PathBuf;
use std::process::ExitCode;

use rayon::prelude::*;

use crate::report::{build, model::Unreadable};
use crate::settings::Settings;
use crate::take::assemble::assemble;
use crate::{container, pipeline, scan};

#[derive(Debug, clap::Args)]
pub(super) struct Check {
    #[command(flatten)]
    inputs: super::Inputs,
    /// Folder for the report
    #[arg(long)]
    out: Option<PathBuf>,
    /// No pictures, no page
    #[arg(long)]
    no_plots: bool,
    /// Reuse nothing, remember nothing
    #[arg(long)]
    no_catalogue: bool,
    /// Replace an existing report
    #[arg(long)]
    force: bool,
}

impl Check {
    pub(super) fn run(self) -> ExitCode {
        let settings = Settings::default();
        let scan = scan::scan(&self.inputs.input);
        let (mut files, mut unreadable) = (Vec::new(), Vec::new());
        for (path, name) in &scan.audio {
            match container::open(path) {
                Ok(opened) => files.push((opened, name.clone())),
                Err(error) => unreadable.push(Unreadable {
                    path: name.clone(),
                    reason: error.reason().into(),
                    detail: error.to_string(),
                }),
            }
        }
        let takes = assemble(files, &settings);
        let analyses: Vec<_> = takes
            .into_par_iter()
            .filter_map(|take| pipeline::analyse(take, &settings).ok())
            .collect();
        let report = build::report(&analyses, &scan, unreadable, &settings);
        let out = self.out.unwrap_or_else(|| "takeproof-report".into());
        let written = std::fs::create_dir_all(&out).and_then(|()| {
            std::fs::write(out.join("report.json"), serde_json::to_vec_pretty(&report)?)
        });
        if written.is_err() {
            ExitCode::from(4)
        } else {
            ExitCode::SUCCESS
        }
    }
}
