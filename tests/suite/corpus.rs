//! What a change does to real takes: the findings of two builds over a folder, as a difference.
//!
//! `benches/findings-diff.sh BASE FOLDER` builds the revision BASE and the working tree, and runs this.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use takeproof::report::model::Report;

/// Needs `TAKEPROOF_CORPUS` (a folder of takes), `TAKEPROOF_BASE` and `TAKEPROOF_HEAD` (two programs).
#[test]
#[ignore = "needs two builds and a folder of takes: see benches/findings-diff.sh"]
fn findings_diff() {
    let get = |name: &str| std::env::var(name).unwrap_or_else(|_| panic!("{name} is not set"));
    let corpus = get("TAKEPROOF_CORPUS");
    let base = findings(Path::new(&get("TAKEPROOF_BASE")), &corpus);
    let head = findings(Path::new(&get("TAKEPROOF_HEAD")), &corpus);
    let mut counts: BTreeMap<String, (usize, usize)> = BTreeMap::new();
    for (key, line) in &base {
        if !head.contains_key(key) {
            println!("- {line}");
            counts.entry(kind(key)).or_default().0 += 1;
        }
    }
    for (key, line) in &head {
        if !base.contains_key(key) {
            println!("+ {line}");
            counts.entry(kind(key)).or_default().1 += 1;
        }
    }
    println!("{} findings before, {} after", base.len(), head.len());
    for (kind, (gone, new)) in counts {
        println!("{kind}: {gone} gone, {new} new");
    }
}

fn kind(key: &str) -> String {
    key.split('|').nth(1).unwrap_or_default().to_owned()
}

/// Findings above note by file, kind, tracks, severity and tenth of a second.
fn findings(program: &Path, corpus: &str) -> BTreeMap<String, String> {
    let out = tempfile::tempdir().unwrap();
    let report = out.path().join("report");
    let status = Command::new(program)
        .args([
            "check",
            corpus,
            "--no-plots",
            "--no-catalogue",
            "--quiet",
            "--out",
        ])
        .arg(&report)
        .status();
    assert!(status.is_ok(), "{} does not start", program.display());
    let report: Report =
        serde_json::from_slice(&std::fs::read(report.join("report.json")).unwrap()).unwrap();
    let mut found = BTreeMap::new();
    for take in report.takes {
        let file = take
            .files
            .first()
            .map(|f| f.path.clone())
            .unwrap_or_default();
        for f in take.findings {
            let start = f.start_s.unwrap_or(0.0);
            let key = format!(
                "{file}|{}|{:?}|{:?}|{start:.1}",
                f.kind, f.tracks, f.severity
            );
            found.insert(
                key,
                format!(
                    "{file} {:?} {} {:?} {start:.3} s: {}",
                    f.severity, f.kind, f.tracks, f.message
                ),
            );
        }
    }
    found
}
