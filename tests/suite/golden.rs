//! The invented day as it was last reviewed: which findings, on which tracks, how grave, when. `UPDATE=1` rewrites
//! `testdata/golden/demo.txt`; the difference has to be explained where it is committed.

use std::path::Path;

use takeproof::report::model::{Finding, Report};
use takeproof::settings::Settings;

use crate::harness::check_path;

/// How far a time may move without being another finding: the last digits of sums differ between processors.
const SLACK_S: f64 = 0.2;

fn listing(report: &Report) -> String {
    let mut out = String::from(
        "# The invented day as reviewed: take and verdict; severity, kind, tracks, from and to in seconds.\n",
    );
    let word = |value: serde_json::Value| value.as_str().unwrap_or_default().to_owned();
    let finding = |f: &Finding| {
        let severity = serde_json::to_value(f.severity)
            .map(word)
            .unwrap_or_default();
        let time = |t: Option<f64>| t.map_or("-".to_owned(), |t| format!("{t:.2}"));
        let code = f
            .evidence
            .get("code")
            .and_then(|c| c.as_str())
            .unwrap_or("-");
        format!(
            "  {severity} {} {:?} {code} {} {}\n",
            f.kind,
            f.tracks,
            time(f.start_s),
            time(f.end_s)
        )
    };
    for take in &report.takes {
        let verdict = serde_json::to_value(take.verdict)
            .map(word)
            .unwrap_or_default();
        let path = take.files.first().map_or("", |f| f.path.as_str());
        out.push_str(&format!("{path} {verdict}\n"));
        out.extend(take.findings.iter().map(finding));
    }
    out.push_str("day\n");
    out.extend(report.day.findings.iter().map(finding));
    out
}

/// Whether two lines say the same, times within the slack.
fn alike(a: &str, b: &str) -> bool {
    let (a, b): (Vec<&str>, Vec<&str>) = (a.split(' ').collect(), b.split(' ').collect());
    a.len() == b.len()
        && a.iter().zip(&b).all(|(x, y)| {
            let close = |x: f64, y: f64| (x - y).abs() <= SLACK_S;
            x == y || matches!((x.parse(), y.parse()), (Ok(x), Ok(y)) if close(x, y))
        })
}

#[test]
fn the_invented_day_is_found_as_reviewed() {
    let folder = tempfile::tempdir().unwrap();
    takeproof::synth::demo::write(folder.path()).unwrap();
    let report = check_path(folder.path(), &Settings::default(), 0);
    let now = listing(&report);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/golden/demo.txt");
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(&path, &now).unwrap();
    }
    let reviewed = std::fs::read_to_string(&path).unwrap_or_default();
    let same = now.lines().count() == reviewed.lines().count()
        && now.lines().zip(reviewed.lines()).all(|(a, b)| alike(a, b));
    assert!(
        same,
        "the invented day is no longer found as reviewed; run once with UPDATE=1 and read the difference\n{now}"
    );
    let kinds: std::collections::BTreeSet<&str> = report
        .takes
        .iter()
        .flat_map(|t| &t.findings)
        .chain(&report.day.findings)
        .map(|f| f.kind.as_str())
        .collect();
    assert!(
        kinds.len() >= 10,
        "a demo shows ten kinds or more: {kinds:?}"
    );
}

#[test]
fn times_may_move_a_little_and_nothing_else() {
    let line = "  fault dropout [3] - 4.20 4.50";
    assert!(alike(line, "  fault dropout [3] - 4.21 4.49"));
    assert!(!alike(line, "  fault dropout [3] - 5.20 4.50"));
    assert!(!alike(line, "  fault dropout [4] - 4.20 4.50"));
    assert!(!alike(line, "  caution dropout [3] - 4.20 4.50"));
}
