//! A check in parts: whatever way it is cut up, the merge writes what a single check writes, to the byte.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use crate::cli::{inputs, run};

/// Run the program; paths and words as arguments.
fn takeproof(args: &[&str], home: &Path) -> Output {
    let args: Vec<String> = args.iter().map(|a| (*a).to_owned()).collect();
    run(&args, 100, home)
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The invented day and the report of a single check of it, with everything that can be made from it.
fn day() -> &'static (tempfile::TempDir, String, PathBuf, Output) {
    static DAY: OnceLock<(tempfile::TempDir, String, PathBuf, Output)> = OnceLock::new();
    DAY.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let day = takeproof::synth::demo::write(dir.path()).unwrap();
        // Something that cannot be read, a list that names what is not there, and the same audio twice: the day's own work.
        std::fs::write(day.join("broken.wav"), "this is no sound at all").unwrap();
        std::fs::write(day.join("list.csv"), "File\nbroken.wav\nnowhere.wav\n").unwrap();
        let takes = files(&day);
        let copied = takes.iter().find(|(name, _)| name.ends_with(".wav"));
        std::fs::write(day.join("copy.wav"), copied.unwrap().1).unwrap();
        let whole = dir.path().join("whole");
        let day = day.display().to_string();
        let mut args = vec!["check", &day, "--threads", "2"];
        args.extend(WANTED);
        let out = whole.display().to_string();
        args.extend(["--out", &out]);
        let output = takeproof(&args, dir.path());
        (dir, day, whole, output)
    })
}

/// Everything that can be asked for.
const WANTED: [&str; 3] = ["--markers", "otio,edl,csv", "--clips"];

/// All files below a folder but the record of the run.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut all = BTreeMap::new();
    let mut queue = vec![folder.to_owned()];
    while let Some(here) = queue.pop() {
        for entry in std::fs::read_dir(here).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                queue.push(path);
            } else if path.file_name().unwrap() != "run.json" {
                let name = path.strip_prefix(folder).unwrap().display().to_string();
                all.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    all
}

/// Same names, same bytes.
fn assert_same(whole: &Path, merged: &Path) {
    let (whole, merged) = (files(whole), files(merged));
    let names = |files: &BTreeMap<String, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&whole), names(&merged));
    for wanted in ["report.json", "report.html", "sound-report.csv"] {
        assert!(whole.contains_key(wanted), "{wanted}");
    }
    for (name, bytes) in &whole {
        assert!(merged[name] == *bytes, "{name} differs");
    }
}

#[test]
fn merged_parts_are_the_bytes_of_a_single_check() {
    let (dir, day, whole, single) = day();
    for of in [1, 3] {
        let parts = dir.path().join(format!("parts-{of}"));
        let parts = parts.display().to_string();
        // In any order, with any number of threads.
        for number in (1..=of).rev() {
            let part = format!("{number}/{of}");
            let threads = number.to_string();
            let args = [
                "check",
                day,
                "--part",
                &part,
                "--out",
                &parts,
                "--threads",
                &threads,
            ];
            let output = takeproof(&args, dir.path());
            assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        }
        let merged = dir.path().join(format!("merged-{of}"));
        let out = merged.display().to_string();
        let mut args = vec!["merge", &parts, "--out", &out];
        args.extend(WANTED);
        let output = takeproof(&args, dir.path());
        assert_eq!(output.status.code(), single.status.code());
        assert_eq!(output.status.code(), Some(3), "{}", told(&output));
        assert_eq!(told(&output), told(single));
        assert_same(whole, &merged);
        let run = std::fs::read(merged.join("run.json")).unwrap();
        let run: serde_json::Value = serde_json::from_slice(&run).unwrap();
        assert_eq!(run["parts"].as_array().unwrap().len(), of);
    }
}

#[test]
fn parts_run_by_a_job_runner_are_the_bytes_of_a_single_check() {
    let (dir, day, whole, _) = day();
    if Command::new("parallel").arg("--version").output().is_err() {
        println!("skipped: GNU parallel is not installed");
        return;
    }
    let parts = dir.path().join("parts-parallel");
    let status = Command::new("parallel")
        .env("HOME", dir.path())
        .args(["-j", "2", env!("CARGO_BIN_EXE_takeproof"), "check"])
        .args([day, "--part", "{}/4", "--threads", "1", "-q", "--out"])
        .arg(&parts)
        .args([":::", "1", "2", "3", "4"])
        .output()
        .unwrap();
    assert!(status.status.success(), "{}", told(&status));
    let (parts, merged) = (parts.display().to_string(), dir.path().join("merged-p"));
    let out = merged.display().to_string();
    let mut args = vec!["merge", &parts, "--out", &out];
    args.extend(WANTED);
    let output = takeproof(&args, dir.path());
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    assert_same(whole, &merged);
}

#[test]
fn parts_that_do_not_belong_together_are_refused() {
    let home = tempfile::tempdir().unwrap();
    let at = |name: &str| home.path().join(name).display().to_string();
    let (clean, faults) = (inputs().join("clean"), inputs().join("faults"));
    let (clean, faults) = (clean.display().to_string(), faults.display().to_string());
    let make = |inputs: &[&str], part: &str, more: &[&str], out: &str| {
        let out = at(out);
        let mut args = vec!["check", "--no-plots", "--part", part, "--out", &out];
        args.extend(inputs);
        args.extend(more);
        let output = takeproof(&args, home.path());
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    };
    let both = [clean.as_str(), faults.as_str()];
    make(&both, "1/2", &[], "a");
    make(&both, "2/2", &["--roles", "1=boom"], "roles");
    make(&both, "2/3", &[], "thirds");
    make(&both[..1], "2/2", &[], "other");
    let refused = |parts: &[&str], exit: i32, why: &str| {
        let parts: Vec<String> = parts.iter().map(|p| at(p)).collect();
        let out = at("merged");
        let mut args = vec!["merge", "--no-plots", "--out", &out];
        args.extend(parts.iter().map(String::as_str));
        let output = takeproof(&args, home.path());
        assert_eq!(output.status.code(), Some(exit), "{}", told(&output));
        assert!(told(&output).contains(why), "{}", told(&output));
        assert!(!home.path().join("merged").exists());
    };
    refused(&["a"], 4, "part 2 of 2 is missing");
    refused(&["a", "a"], 4, "part 1 of 2 is there 2 times");
    refused(&["a", "roles"], 4, "settings and roles");
    refused(&["a", "thirds"], 4, "in as many parts");
    refused(&["a", "other"], 4, "the same files");
    refused(&["a", "nowhere"], 4, "nowhere: ");
    std::fs::write(home.path().join("half.json"), "{\"schema\":").unwrap();
    refused(&["a", "half.json"], 4, "half.json is no whole part file");
    // Nothing to draw from, and no place below what was checked.
    make(&both, "2/2", &[], "b");
    let (a, b, out) = (at("a"), at("b"), at("merged"));
    let plots = takeproof(&["merge", &a, &b, "--out", &out], home.path());
    assert_eq!(plots.status.code(), Some(2), "{}", told(&plots));
    assert!(told(&plots).contains("--no-plots"), "{}", told(&plots));
    let below = inputs().join("clean/report").display().to_string();
    let args = ["merge", &a, &b, "--no-plots", "--out", &below];
    let output = takeproof(&args, home.path());
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert!(!inputs().join("clean/report").exists());
    // An existing part is not replaced unasked.
    let args = ["check", &clean, &faults, "--part", "1/2", "--out", &a];
    let again = takeproof(&args, home.path());
    assert_eq!(again.status.code(), Some(4), "{}", told(&again));
}

#[test]
fn a_list_of_files_loses_nothing() {
    let home = tempfile::tempdir().unwrap();
    let list = home.path().join("list");
    let take = inputs().join("clean/1-1.wav").display().to_string();
    std::fs::write(&list, format!("{take}\r\n\n/nowhere/9-9.wav\n")).unwrap();
    let list = list.display().to_string();
    let out = home.path().join("o");
    let to = out.display().to_string();
    let args = ["check", "--no-plots", "--files-from", &list, "--out", &to];
    let output = takeproof(&args, home.path());
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    assert_eq!(
        told(&output),
        format!("takeproof: {list}, entry 3: /nowhere/9-9.wav: there is no such file or folder\n")
    );
    let text = std::fs::read(out.join("report.json")).unwrap();
    let report: serde_json::Value = serde_json::from_slice(&text).unwrap();
    assert_eq!(report["takes"].as_array().unwrap().len(), 1);
    assert_eq!(report["unreadable"][0]["path"], "9-9.wav");
    assert_eq!(report["unreadable"][0]["reason"], "missing");
}
