//! From an invented take to its part of the report: write it to a file, check the file, hand back what the report says.

use std::path::Path;

use takeproof::pipeline::{self, How};
use takeproof::report::{build, model};
use takeproof::settings::Settings;
use takeproof::synth::Rendered;
use takeproof::synth::wav::{self, Label};

/// Check a folder or file with a number of threads (0: one per core).
pub(crate) fn check_path(path: &Path, settings: &Settings, threads: usize) -> model::Report {
    let how = How {
        threads,
        ..How::default()
    };
    let day = pipeline::day(&[path.to_owned()], settings, &how, build::take);
    build::report(day, settings)
}

/// Write a take to a temporary file, check it, return its part of the report. Panics if it cannot be read.
pub(crate) fn check_as(rendered: &Rendered, label: &Label) -> model::Take {
    let folder = tempfile::tempdir().unwrap();
    let name = format!("{}-{}.wav", label.scene, label.take);
    wav::write(&folder.path().join(name), rendered, label).unwrap();
    let report = check_path(folder.path(), &Settings::default(), 0);
    assert!(report.unreadable.is_empty(), "{:?}", report.unreadable);
    report.takes.into_iter().next().unwrap()
}

/// Check a take stored as 24-bit integers with the usual labels.
pub(crate) fn check(rendered: &Rendered) -> model::Take {
    check_as(rendered, &Label::default())
}

/// Findings of a kind with a severity above `note`.
pub(crate) fn alarms<'a>(take: &'a model::Take, kind: &str) -> Vec<&'a model::Finding> {
    let found = take.findings.iter();
    found
        .filter(|f| f.kind == kind && f.severity > model::Severity::Note)
        .collect()
}

/// Assert that a kind is found on a track (1-based) and within times: it overlaps `[start_s, end_s]` widened by `slack_s`.
pub(crate) fn assert_found(
    take: &model::Take,
    kind: &str,
    track: usize,
    start_s: f64,
    end_s: f64,
    slack_s: f64,
) {
    let hit = alarms(take, kind).into_iter().any(|f| {
        f.tracks.contains(&track)
            && f.start_s.unwrap_or(0.0) <= end_s + slack_s
            && f.end_s.unwrap_or(0.0) >= start_s - slack_s
    });
    assert!(
        hit,
        "{kind} on track {track} at {start_s:.3}..{end_s:.3} s not found in: {}",
        listing(take)
    );
}

/// Assert that a kind stays silent (notes are no alarm).
pub(crate) fn assert_silent(take: &model::Take, kind: &str) {
    let found = alarms(take, kind);
    assert!(
        found.is_empty(),
        "{kind} should be silent, but: {}",
        listing(take)
    );
}

/// Assert that nothing above `note` is reported.
pub(crate) fn assert_clean(take: &model::Take) {
    let loud = take
        .findings
        .iter()
        .any(|f| f.severity > model::Severity::Note);
    assert!(!loud, "should be clean, but: {}", listing(take));
}

/// All findings, a line each.
pub(crate) fn listing(take: &model::Take) -> String {
    let line = |f: &model::Finding| {
        let (start, end) = (f.start_s.unwrap_or(0.0), f.end_s.unwrap_or(0.0));
        format!(
            "\n  {:?} {} {:?} {start:.3}..{end:.3} s: {}",
            f.severity, f.kind, f.tracks, f.message
        )
    };
    take.findings.iter().map(line).collect()
}
