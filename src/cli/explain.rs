//! `takeproof explain`: what a finding means, sounds like, its usual cause, what to do, how it is measured, its thresholds.

use std::fmt::Write;

use super::exit::Status;
use super::{problem, results};
use crate::detect::{DETECTORS, Detector, detector};
use crate::report::schema::schema;
use crate::report::{json, terminal};
use crate::settings::{closest, unit};

#[derive(Debug, clap::Args)]
pub(super) struct Explain {
    /// Kind of finding, for example rf_hit; all kinds are listed without it
    kind: Option<String>,
    /// Print the JSON Schema of report.json
    #[arg(long, conflicts_with = "kind")]
    schema: bool,
}

impl Explain {
    pub(super) fn run(self) -> Status {
        if self.schema {
            return json::text(&schema()).map_or(Status::Failed, |text| results(&text));
        }
        let width = terminal::width();
        let Some(kind) = self.kind else {
            return results(&list(width));
        };
        let name = kind.to_lowercase().replace([' ', '-'], "_");
        if let Some(detector) = detector(&name) {
            return results(&text(detector, width));
        }
        let hint = closest(&name, DETECTORS.iter().map(|d| d.kind))
            .map_or(";".into(), |k| format!("; did you mean {k}?"));
        problem(&format!(
            "there is no kind '{kind}'{hint} `takeproof explain` lists all kinds"
        ));
        Status::Usage
    }
}

fn list(width: usize) -> String {
    let longest = DETECTORS.iter().map(|d| d.kind.len()).max().unwrap_or(0);
    let mut out = String::new();
    for d in DETECTORS {
        let head = format!("{:longest$}  ", d.kind);
        let rest = " ".repeat(longest + 2);
        let options = terminal::whole_words(width)
            .initial_indent(&head)
            .subsequent_indent(&rest);
        out.push_str(&textwrap::fill(d.explain.means, options));
        out.push('\n');
    }
    out
}

fn text(d: &Detector, width: usize) -> String {
    let e = &d.explain;
    let mut out = format!("{}\n", d.kind);
    for (title, text) in [
        ("Means", e.means),
        ("Sounds like", e.sounds_like),
        ("Usual cause", e.usual_cause),
        ("What to do", e.do_now),
        ("How it is measured", e.measured_by),
        ("Not to confuse with", e.not_to_confuse),
    ] {
        let options = terminal::whole_words(width)
            .initial_indent("  ")
            .subsequent_indent("  ");
        let _ = write!(out, "\n{title}\n{}\n", textwrap::fill(text, options));
    }
    if !d.params.is_empty() {
        out.push_str("\nThresholds (change them with a settings file)\n");
    }
    for p in d.params {
        let name = p.key.split_once('.').map_or(p.key, |(_, name)| name);
        let (low, high) = p.range;
        let line = format!(
            "{name} = {} ({}; {low} to {high}). {}",
            p.default,
            unit(p),
            p.why
        );
        let options = terminal::whole_words(width)
            .initial_indent("  ")
            .subsequent_indent("    ");
        let _ = writeln!(out, "{}", textwrap::fill(&line, options));
    }
    out
}
