//! What a contributor could forget: the table of detectors, its texts and thresholds, and everything generated from it.
//! Generated text is rewritten with `UPDATE=1` in the environment; without it a stale copy fails and says so.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use takeproof::detect::{DETECTORS, Detector, Run};
use takeproof::report::schema::schema;
use takeproof::report::{json, model};
use takeproof::settings::{Settings, params};

use crate::harness::check_path;
use crate::scenarios;

/// The contract's kinds, in its order.
const KINDS: [&str; 35] = [
    "clipping",
    "flat_top",
    "true_peak_over",
    "level_hot",
    "level_low",
    "noise_high",
    "noise_change",
    "hum",
    "dc_offset",
    "dropout",
    "rf_hit",
    "click",
    "rumble",
    "rustle",
    "muffled",
    "dead_track",
    "duplicate_track",
    "polarity_inverted",
    "comb_filtering",
    "open_mic",
    "gain_step",
    "off_mic",
    "late_track",
    "bleed",
    "post_fader",
    "cut_short",
    "metadata_missing",
    "metadata_conflict",
    "timecode_overlap",
    "sample_rate_mismatch",
    "frame_rate_mismatch",
    "duplicate_take",
    "truncated_file",
    "missing_file",
    "copy_mismatch",
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(path: impl AsRef<Path>) -> String {
    let path = root().join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Compare a generated text with the file that holds it, or write it.
fn current(path: &str, text: &str) {
    let there = std::fs::read_to_string(root().join(path)).unwrap_or_default();
    if there == text {
        return;
    }
    if std::env::var_os("UPDATE").is_some() {
        let path = root().join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    } else {
        panic!("{path} is not current; run the tests once with UPDATE=1 and read the difference");
    }
}

/// Source files of the detectors.
fn detector_files() -> Vec<PathBuf> {
    let mut files = Vec::new();
    for room in ["track", "pair", "take", "day"] {
        for entry in std::fs::read_dir(root().join("src/detect").join(room)).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "rs") && !path.ends_with("mod.rs") {
                files.push(path);
            }
        }
    }
    files.sort();
    files
}

#[test]
fn every_kind_of_the_contract_has_a_row_in_the_contract_s_order() {
    let rows: Vec<&str> = DETECTORS.iter().map(|d| d.kind).collect();
    assert_eq!(rows, KINDS);
}

#[test]
fn every_file_with_a_detector_has_a_row() {
    let kinds: BTreeSet<&str> = DETECTORS.iter().map(|d| d.kind).collect();
    for path in detector_files() {
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(
            text.starts_with("//!"),
            "{}: no module docs",
            path.display()
        );
        if text.contains(": Detector = Detector {") {
            let named = kinds
                .iter()
                .any(|k| text.contains(&format!("kind: \"{k}\"")));
            let by_constant = text.contains("kind: KIND");
            assert!(
                named || by_constant,
                "{} has no row in DETECTORS",
                path.display()
            );
        }
    }
}

#[test]
fn texts_are_there_and_promise_nothing() {
    for d in DETECTORS {
        let e = &d.explain;
        for (title, text) in [
            ("means", e.means),
            ("sounds_like", e.sounds_like),
            ("usual_cause", e.usual_cause),
            ("do_now", e.do_now),
            ("measured_by", e.measured_by),
            ("not_to_confuse", e.not_to_confuse),
        ] {
            assert!(text.len() > 20, "{} {title}: '{text}' says nothing", d.kind);
            assert!(
                text.ends_with('.') && text.starts_with(|c: char| !c.is_lowercase()),
                "{} {title}: not a sentence: {text}",
                d.kind
            );
            assert_harmless(d.kind, text);
        }
    }
}

/// Words that a listener may say and a program may not.
fn assert_harmless(owner: &str, text: &str) {
    let text = text.to_lowercase();
    for word in [
        "passed",
        "safe to wipe",
        "unusable",
        "must reshoot",
        "reshoot",
        "useless",
    ] {
        assert!(!text.contains(word), "{owner} says '{word}': {text}");
    }
}

#[test]
fn thresholds_have_unit_reason_and_a_default_within_their_range() {
    let mut keys = BTreeSet::new();
    for d in DETECTORS {
        for p in d.params {
            assert!(keys.insert(p.key), "{} is declared twice", p.key);
            let name = p.key.strip_prefix(&format!("{}.", d.kind));
            let name = name.unwrap_or_else(|| panic!("{} belongs to {}", p.key, d.kind));
            assert!(is_snake_case(name), "{}", p.key);
            assert!(!p.unit.is_empty(), "{}: no unit", p.key);
            assert!(p.why.len() > 15, "{}: no reason: '{}'", p.key, p.why);
            let (low, high) = p.range;
            assert!(low < high, "{}: empty range", p.key);
            assert!(
                (low..=high).contains(&p.default),
                "{}: default outside its range",
                p.key
            );
        }
    }
    assert_eq!(params().count(), keys.len());
}

fn is_snake_case(name: &str) -> bool {
    name.starts_with(|c: char| c.is_ascii_lowercase())
        && !name.ends_with('_')
        && !name.contains("__")
        && name
            .chars()
            .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

/// Texts of the tests in `tests/suite/scenarios` by name, helpers and constants of their file in front.
fn scenarios() -> BTreeMap<String, String> {
    let mut tests = BTreeMap::new();
    for entry in std::fs::read_dir(root().join("tests/suite/scenarios")).unwrap() {
        let text = std::fs::read_to_string(entry.unwrap().path()).unwrap();
        let mut parts = text.split("#[test]\n");
        let head = parts.next().unwrap();
        for part in parts {
            let name = part.split_once("fn ").unwrap().1;
            let name = name.split('(').next().unwrap();
            tests.insert(name.to_owned(), format!("{head}{part}"));
        }
    }
    tests
}

#[test]
fn every_kind_has_a_scenario_that_is_found_and_one_that_is_silent() {
    let tests = scenarios();
    let rows: Vec<&str> = scenarios::KINDS.iter().map(|row| row.0).collect();
    let wanted: Vec<&str> = DETECTORS
        .iter()
        .filter(|d| !matches!(d.run, Run::Elsewhere))
        .map(|d| d.kind)
        .collect();
    assert_eq!(rows, wanted, "rows of scenarios::KINDS");
    for (kind, found, silent) in scenarios::KINDS {
        for name in [found, silent] {
            let text = tests
                .get(*name)
                .unwrap_or_else(|| panic!("{kind}: there is no test {name}"));
            let speaks_of_it =
                text.contains(&format!("\"{kind}\"")) || text.contains("assert_clean");
            assert!(speaks_of_it, "{name} does not look at {kind}");
        }
    }
    for (what, name) in scenarios::NEAR_MISSES {
        assert!(tests.contains_key(*name), "{what}: there is no test {name}");
    }
}

/// Endings of evidence keys that carry numbers.
const UNITS: [&str; 25] = [
    "_dbfs",
    "_dbtp",
    "_dba",
    "_db",
    "_lufs",
    "_lu",
    "_hz",
    "_ms",
    "_us",
    "_s",
    "_samples",
    "_sample",
    "_share",
    "_bits",
    "_bytes",
    "_frames",
    "_per_min",
    "_per_s",
    "_fps",
    "_db_per_s",
    "_db_per_octave",
    "_percent",
    "_ratio",
    "_m",
    "_sigmas",
];

/// Plain counts and numbers of things.
const COUNTS: [&str; 27] = [
    "events",
    "clicks",
    "pulses",
    "blocks",
    "gaps",
    "runs",
    "count",
    "channels",
    "tracks",
    "microphones",
    "takes",
    "files",
    "track",
    "microphone",
    "mix_track",
    "best_track",
    "packets",
    "bursts",
    "harmonics",
    "lines",
    "steps",
    "cells",
    "segments",
    "levels",
    "hits",
    "total",
    "phrases",
];

fn names_its_unit(key: &str) -> bool {
    UNITS.iter().any(|u| key.ends_with(u))
        || COUNTS.contains(&key)
        || key.ends_with("_count")
        || COUNTS.iter().any(|c| key.ends_with(&format!("_{c}")))
        || key.contains("_hz_") // noise_octaves and the like: the unit, then the band
}

#[test]
fn the_invented_day_keeps_the_contract() {
    let folder = tempfile::tempdir().unwrap();
    takeproof::synth::demo::write(folder.path()).unwrap();
    let settings = Settings::default();
    let one = check_path(folder.path(), &settings, 1);
    let two = check_path(folder.path(), &settings, 2);
    let text = json::text(&one).unwrap();
    assert_eq!(
        text,
        json::text(&two).unwrap(),
        "the number of threads changes the report"
    );

    let value: Value = serde_json::from_str(&text).unwrap();
    let validator = jsonschema::validator_for(&schema()).unwrap();
    let mistakes: Vec<String> = validator
        .iter_errors(&value)
        .map(|e| format!("{} at {}", e, e.instance_path()))
        .collect();
    assert!(mistakes.is_empty(), "{mistakes:#?}");

    let mut ids = BTreeSet::new();
    for take in &one.takes {
        assert!(
            take.id.len() >= 16 && ids.insert(take.id.clone()),
            "{}",
            take.id
        );
        for (a, b) in take.findings.iter().zip(take.findings.iter().skip(1)) {
            let key = |f: &model::Finding| (f.start_sample, f.tracks.clone(), f.kind.clone());
            assert!(key(a) <= key(b), "order of {} and {}", a.id, b.id);
        }
    }
    let all = one
        .takes
        .iter()
        .flat_map(|t| &t.findings)
        .chain(&one.day.findings);
    for f in all {
        assert!(ids.insert(f.id.clone()), "{} is there twice", f.id);
        assert!(
            f.message.chars().count() <= 120,
            "{}: long message: {}",
            f.kind,
            f.message
        );
        assert!(!f.message.is_empty(), "{}: no message", f.id);
        let inner = f.message.trim_end_matches(['.', '?']);
        assert!(
            !inner.contains(". "),
            "{}: more than one sentence: {}",
            f.kind,
            f.message
        );
        assert_harmless(&f.kind, &f.message);
        assert_harmless(&f.kind, &f.advice);
        assert!(
            (0.35..=0.99).contains(&f.confidence),
            "{}: {}",
            f.id,
            f.confidence
        );
        for (key, value) in &f.evidence {
            let number = value.is_number() || value.is_null();
            assert!(
                !number || names_its_unit(key),
                "{}: evidence.{key} names no unit",
                f.kind
            );
        }
    }
}

#[test]
fn the_schema_is_current() {
    current(
        "testdata/golden/report.schema.json",
        &json::text(&schema()).unwrap(),
    );
}

/// The table of kinds in the README, from the first sentence of each `means`.
fn kinds_table() -> String {
    let mut out = String::from("| kind | what it says |\n|---|---|\n");
    for d in DETECTORS {
        let means = d.explain.means.split_inclusive(". ").next().unwrap_or("");
        out.push_str(&format!(
            "| `{}` | {} |\n",
            d.kind,
            means.trim().trim_end_matches('.')
        ));
    }
    out
}

#[test]
fn the_readme_s_table_of_kinds_is_current() {
    let (start, end) = (
        "<!-- kinds: written by a test -->\n",
        "<!-- end of kinds -->",
    );
    let readme = read("README.md");
    let (before, rest) = readme
        .split_once(start)
        .expect("README.md has no table of kinds");
    let (_, after) = rest.split_once(end).expect("the table of kinds has no end");
    current(
        "README.md",
        &format!("{before}{start}{}{end}{after}", kinds_table()),
    );
}

/// Name, version, licence and source of every crate in the program. Which crates are at hand without a network depends on the
/// system, so the list is kept on one.
#[cfg(all(target_os = "linux", target_arch = "x86_64"))]
#[test]
fn licences_are_allowed_and_listed() {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--offline"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    let text = |v: &Value| v.as_str().unwrap_or_default().to_owned();
    let inside = inside_the_program(&metadata);
    let mut list = String::new();
    for package in metadata["packages"].as_array().unwrap() {
        let (name, licence) = (text(&package["name"]), text(&package["license"]));
        let ours = name == "takeproof";
        let from_registry = package["source"]
            .as_str()
            .is_some_and(|s| s.starts_with("registry+"));
        assert!(
            ours || from_registry,
            "{name} does not come from a registry"
        );
        assert!(
            allowed(&licence),
            "{name}: licence '{licence}' is not on the list"
        );
        if !ours && inside.contains(&text(&package["id"])) {
            let source = package["repository"].as_str().unwrap_or("crates.io");
            list.push_str(&format!(
                "{name} {}  {licence}  {source}\n",
                text(&package["version"])
            ));
        }
    }
    current("src/cli/licences.txt", &list);
}

/// Ids of everything the program is linked from, on any system: no tools of the tests.
fn inside_the_program(metadata: &Value) -> BTreeSet<String> {
    let nodes = metadata["resolve"]["nodes"].as_array().unwrap();
    let mut inside = BTreeSet::new();
    let mut queue = vec![metadata["resolve"]["root"].as_str().unwrap().to_owned()];
    while let Some(id) = queue.pop() {
        let Some(node) = nodes.iter().find(|n| n["id"] == id.as_str()) else {
            continue;
        };
        if !inside.insert(id) {
            continue;
        }
        for dependency in node["deps"].as_array().unwrap() {
            let kinds = dependency["dep_kinds"].as_array().unwrap();
            if kinds.iter().any(|k| k["kind"].is_null()) {
                queue.push(dependency["pkg"].as_str().unwrap().to_owned());
            }
        }
    }
    inside
}

/// Licences that let the program be given away under MIT or Apache-2.0; the same list stands in `.cargo/deny.toml`.
const ALLOWED: [&str; 13] = [
    "MIT",
    "MIT-0",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "ISC",
    "MPL-2.0",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// Whether an SPDX expression can be met: one side of each `OR`, both sides of each `AND`.
fn allowed(expression: &str) -> bool {
    let expression = expression.replace('/', " OR ").replace(['(', ')'], " ");
    let one = |name: &str| {
        ALLOWED.contains(
            &name
                .split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
                .as_str(),
        )
    };
    // Brackets only ever group alternatives in the crates used, so that AND binds weaker here.
    expression
        .split(" AND ")
        .all(|part| part.split(" OR ").any(one))
}

#[test]
fn the_deny_list_says_the_same() {
    let deny = read(".cargo/deny.toml");
    for licence in ALLOWED {
        assert!(
            deny.contains(&format!("\"{licence}\"")),
            "{licence} is missing in .cargo/deny.toml"
        );
    }
}

#[test]
fn every_kind_can_be_explained() {
    for d in DETECTORS {
        let explained: Option<&Detector> = takeproof::detect::detector(d.kind);
        assert!(explained.is_some_and(|x| std::ptr::eq(x, *d)), "{}", d.kind);
        assert!(is_snake_case(d.kind), "{}", d.kind);
    }
}
