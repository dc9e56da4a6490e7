//! What the user sees. Cases are data: `testdata/cli/*.case` holds arguments, exit status and expected output; with `UPDATE=1`
//! in the environment the expected output is rewritten and has to be read before it is committed.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;

use takeproof::report::terminal;
use takeproof::synth::Scene;
use takeproof::synth::wav::{self, Label};

/// Folders of invented takes, made once for all cases and never written to again.
pub(crate) fn inputs() -> &'static Path {
    static INPUTS: OnceLock<tempfile::TempDir> = OnceLock::new();
    INPUTS
        .get_or_init(|| {
            let dir = tempfile::tempdir().unwrap();
            let folder = |name: &str| {
                let folder = dir.path().join(name);
                std::fs::create_dir_all(&folder).unwrap();
                folder
            };
            let clean = Scene::dialogue(&["Ines"], 14.0, 7).render();
            wav::write(&folder("clean").join("1-1.wav"), &clean, &Label::default()).unwrap();

            let mut holes = Scene::dialogue(&["Ines"], 14.0, 7).render();
            let lav = holes.track("Ines");
            for at in [3.0, 4.2, 6.1, 8.4] {
                holes.zeros(lav, at, 0.3);
            }
            wav::write(&folder("faults").join("1-1.wav"), &holes, &Label::default()).unwrap();

            let mut silent = Scene::dialogue(&["Ines"], 14.0, 7).render();
            for track in 0..silent.tracks.len() {
                silent.zeros(track, 0.0, 14.0);
            }
            wav::write(
                &folder("silent").join("1-1.wav"),
                &silent,
                &Label::default(),
            )
            .unwrap();

            let bare = Label {
                bare: true,
                ..Label::default()
            };
            wav::write(&folder("bare").join("SR001.wav"), &clean, &bare).unwrap();

            wav::write(&folder("broken").join("1-1.wav"), &clean, &Label::default()).unwrap();
            std::fs::write(folder("broken").join("1-2.wav"), "this is no sound at all").unwrap();

            let whole = std::fs::read(folder("clean").join("1-1.wav")).unwrap();
            let there = &whole[..whole.len() * 2 / 3];
            std::fs::write(folder("short").join("1-1.wav"), there).unwrap();

            std::fs::write(folder("empty").join("notes.txt"), "nothing here").unwrap();
            let settings = "[rf_hit]\nno_such_thing_db = 3\n\n[roles]\nBoom = \"bom\"\n";
            std::fs::write(dir.path().join("wrong.toml"), settings).unwrap();
            dir
        })
        .path()
}

/// Run the program in an environment that says nothing about this machine.
pub(crate) fn run(args: &[String], columns: usize, home: &Path) -> Output {
    command(args, columns, home).output().unwrap()
}

fn command(args: &[String], columns: usize, home: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_takeproof"));
    command
        .env_clear()
        .env("HOME", home)
        .env("COLUMNS", columns.to_string())
        .args(args)
        .stdin(Stdio::null());
    command
}

/// One file of `testdata/cli`.
struct Case {
    name: String,
    /// Lines before the first section: comment, arguments and so on.
    head: Vec<String>,
    args: Vec<String>,
    columns: usize,
    exit: i32,
    /// Section title (`stdout`, `stderr`, `stdout has`, `stderr has`) and its lines.
    sections: Vec<(String, String)>,
}

impl Case {
    fn read(path: &Path) -> Case {
        let text = std::fs::read_to_string(path).unwrap();
        let (mut head, mut sections) = (Vec::new(), Vec::<(String, String)>::new());
        for line in text.lines() {
            match (line.strip_prefix("--- "), sections.last_mut()) {
                (Some(title), _) => sections.push((title.to_owned(), String::new())),
                (None, Some((_, body))) => {
                    body.push_str(line);
                    body.push('\n');
                }
                (None, None) => head.push(line.to_owned()),
            }
        }
        let field = |name: &str| {
            let prefix = format!("{name}: ");
            let line = head.iter().find_map(|l| l.strip_prefix(&prefix));
            line.map(str::to_owned)
        };
        Case {
            name: path.file_stem().unwrap().to_string_lossy().into_owned(),
            args: field("args")
                .unwrap_or_default()
                .split_whitespace()
                .map(str::to_owned)
                .collect(),
            columns: field("columns").map_or(100, |c| c.parse().unwrap()),
            exit: field("exit").unwrap().parse().unwrap(),
            head,
            sections,
        }
    }

    fn run(&self) -> BTreeMap<&'static str, String> {
        let home = tempfile::tempdir().unwrap();
        let places = [
            ("[IN]", inputs().display().to_string()),
            ("[HOME]", home.path().display().to_string()),
        ];
        let args: Vec<String> = self
            .args
            .iter()
            .map(|a| {
                places
                    .iter()
                    .fold(a.clone(), |a, (mark, p)| a.replace(mark, p))
            })
            .collect();
        let output = run(&args, self.columns, home.path());
        let scrubbed = |bytes: &[u8]| {
            let text = String::from_utf8(bytes.to_vec()).unwrap();
            places
                .iter()
                .fold(text, |t, (mark, place)| t.replace(place, mark))
                .replace(env!("CARGO_PKG_VERSION"), "[VERSION]")
                .replace(&format!("by {} tests", terminal::tests()), "by [N] tests")
        };
        let status = output.status.code().unwrap();
        let (stdout, stderr) = (scrubbed(&output.stdout), scrubbed(&output.stderr));
        assert_eq!(
            status, self.exit,
            "{}: exit status\n{stdout}{stderr}",
            self.name
        );
        BTreeMap::from([("stdout", stdout), ("stderr", stderr)])
    }
}

fn cases() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/cli");
    let mut cases: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "case"))
        .collect();
    cases.sort();
    cases
}

#[test]
fn every_case_in_testdata_cli() {
    let update = std::env::var_os("UPDATE").is_some();
    let mut statuses: Vec<i32> = Vec::new();
    for path in cases() {
        let case = Case::read(&path);
        statuses.push(case.exit);
        let output = case.run();
        let mut written = case.head.join("\n") + "\n";
        for (title, expected) in &case.sections {
            let stream = title.trim_end_matches(" has");
            let got = &output[stream];
            if title.ends_with(" has") {
                for line in expected.lines().filter(|l| !l.is_empty()) {
                    assert!(
                        got.contains(line),
                        "{}: {stream} lacks '{line}':\n{got}",
                        case.name
                    );
                }
            } else if !update {
                assert_eq!(got, expected, "{}: {stream}", case.name);
            }
            let body = if title.ends_with(" has") {
                expected
            } else {
                got
            };
            written.push_str(&format!("--- {title}\n{body}"));
        }
        if update {
            std::fs::write(&path, written).unwrap();
        }
    }
    statuses.sort_unstable();
    statuses.dedup();
    assert_eq!(statuses, [0, 1, 2, 3, 4], "every exit status has a case");
}

/// Names, sizes and times of change of everything below a folder.
fn fingerprint(folder: &Path) -> Vec<(PathBuf, u64, std::time::SystemTime)> {
    let mut all = Vec::new();
    let mut queue = vec![folder.to_owned()];
    while let Some(folder) = queue.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let about = path.symlink_metadata().unwrap();
            all.push((path.clone(), about.len(), about.modified().unwrap()));
            if about.is_dir() {
                queue.push(path);
            }
        }
    }
    all.sort();
    all
}

#[test]
fn inputs_stay_as_they_were_and_the_output_is_where_it_was_asked_for() {
    let before = fingerprint(inputs());
    let home = tempfile::tempdir().unwrap();
    let out = home.path().join("somewhere/report");
    let args = [
        "check".to_owned(),
        inputs().display().to_string(),
        "--out".to_owned(),
        out.display().to_string(),
    ];
    let output = run(&args, 100, home.path());
    assert_eq!(output.status.code(), Some(3), "{output:?}");
    assert_eq!(fingerprint(inputs()), before);
    for file in ["report.json", "run.json", "sound-report.csv"] {
        assert!(out.join(file).is_file(), "{file}");
    }
    let leftover = fingerprint(home.path());
    let leftover = leftover
        .iter()
        .find(|(p, _, _)| p.extension().is_some_and(|e| e == "part"));
    assert!(leftover.is_none(), "{leftover:?}");
}

#[test]
fn without_out_a_new_folder_in_the_documents_is_named() {
    let home = tempfile::tempdir().unwrap();
    std::fs::create_dir(home.path().join("Documents")).unwrap();
    let clean = inputs().join("clean").display().to_string();
    let mut folders = Vec::new();
    for _ in 0..2 {
        let output = run(
            &[
                "check".into(),
                clean.clone(),
                "--no-plots".into(),
                "-q".into(),
            ],
            100,
            home.path(),
        );
        let told = String::from_utf8(output.stdout).unwrap();
        let folder = PathBuf::from(told.trim_end());
        assert!(folder.join("report.json").is_file(), "{told}");
        assert!(folder.starts_with(home.path().join("Documents")), "{told}");
        let name = folder.file_name().unwrap().to_string_lossy().into_owned();
        assert!(
            name.starts_with("takeproof-20") && name.contains("-clean"),
            "{name}"
        );
        folders.push(folder);
    }
    assert_ne!(folders[0], folders[1]);
}

#[test]
fn formats_on_standard_output_are_the_files_of_the_report() {
    let home = tempfile::tempdir().unwrap();
    let faults = inputs().join("faults").display().to_string();
    for (format, file) in [("json", "report.json"), ("csv", "sound-report.csv")] {
        let out = home.path().join(format);
        let args = ["check", &faults, "--no-plots", "--format", format, "--out"];
        let mut args: Vec<String> = args.iter().map(|a| (*a).to_owned()).collect();
        args.push(out.display().to_string());
        let output = run(&args, 100, home.path());
        assert_eq!(output.stdout, std::fs::read(out.join(file)).unwrap());
    }
}

#[test]
fn a_pipe_that_is_closed_early_is_no_error() {
    let home = tempfile::tempdir().unwrap();
    let mut child = command(&["licences".into()], 100, home.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert!(
        output.stderr.is_empty(),
        "{:?}",
        String::from_utf8_lossy(&output.stderr)
    );
}

/// The list of the invented day for a reader at a width.
fn list(columns: usize, reader: &str) -> String {
    let home = tempfile::tempdir().unwrap();
    let args = ["check", "--no-plots", "--for", reader, "--out", "[OUT]"];
    let mut args: Vec<String> = args
        .iter()
        .map(|a| a.replace("[OUT]", &home.path().join("o").display().to_string()))
        .collect();
    args.push(inputs().display().to_string());
    String::from_utf8(run(&args, columns, home.path()).stdout).unwrap()
}

#[test]
fn the_list_keeps_to_the_width_and_has_no_colour_in_a_pipe() {
    for columns in [80, 200] {
        let text = list(columns, "mixer");
        for line in text.lines().filter(|l| !l.starts_with("Report: ")) {
            assert!(line.chars().count() <= columns, "{columns} columns: {line}");
        }
        assert!(!text.contains('\u{1b}'));
    }
}

#[test]
fn the_set_gets_five_lines_without_decibels() {
    let text = list(80, "set");
    assert!(text.lines().count() <= 5, "{text}");
    assert!(!text.contains('/'), "a folder of this machine: {text}");
    assert!(!text.contains("dB"), "{text}");
}

#[test]
fn a_good_day_prints_four_lines() {
    let home = tempfile::tempdir().unwrap();
    let args = [
        "check".to_owned(),
        inputs().join("clean").display().to_string(),
        "--out".to_owned(),
        home.path().join("o").display().to_string(),
    ];
    let output = run(&args, 100, home.path());
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(text.lines().count(), 4, "{text}");
    assert!(output.stderr.is_empty());
}

#[test]
fn no_name_is_left_when_names_are_left_out() {
    let home = tempfile::tempdir().unwrap();
    takeproof::synth::demo::write(&home.path().join("a-telling-folder")).unwrap();
    let out = home.path().join("o");
    let args = [
        "check",
        "[IN]",
        "--no-names",
        "--markers",
        "otio,edl,csv",
        "--out",
        "[OUT]",
    ];
    let args: Vec<String> = args
        .iter()
        .map(|a| {
            a.replace(
                "[IN]",
                &home.path().join("a-telling-folder").display().to_string(),
            )
            .replace("[OUT]", &out.display().to_string())
        })
        .collect();
    let output = run(&args, 100, home.path());
    let mut written = vec![("standard output".to_owned(), output.stdout)];
    for (path, _, _) in fingerprint(&out) {
        if path.is_file() && path.extension().is_some_and(|e| e != "png") {
            let name = path.display().to_string();
            written.push((name, std::fs::read(&path).unwrap()));
        }
    }
    assert!(written.len() > 6, "{written:?}");
    for (name, bytes) in written {
        let text = String::from_utf8_lossy(&bytes).replace(&home.path().display().to_string(), "");
        for word in takeproof::synth::demo::NAMES {
            // Packed drawing data is base64, in which any three letters occur by chance: whole words only.
            let packed = |c: char| c.is_ascii_alphanumeric() || "+/=".contains(c);
            let mut whole = text.match_indices(word).filter(|(at, found)| {
                let before = text[..*at].chars().next_back();
                let after = text[at + found.len()..].chars().next();
                !before.is_some_and(packed) && !after.is_some_and(packed)
            });
            assert!(whole.next().is_none(), "{name} holds {word}");
        }
        assert!(!text.contains(takeproof::synth::demo::PRODUCTION), "{name}");
        assert!(!text.contains("ROLL_07"), "{name}");
    }
}

#[test]
fn colour_only_where_it_is_asked_for_or_a_terminal_is_there() {
    let home = tempfile::tempdir().unwrap();
    let faults = inputs().join("faults").display().to_string();
    let coloured = |variables: &[(&str, &str)], out: &str| {
        let out = home.path().join(out).display().to_string();
        let args = [
            "check".into(),
            faults.clone(),
            "--no-plots".into(),
            "--out".into(),
            out,
        ];
        let mut command = command(&args, 100, home.path());
        command.envs(variables.iter().copied());
        command.output().unwrap().stdout.contains(&0x1b)
    };
    assert!(!coloured(&[], "plain"));
    assert!(coloured(&[("CLICOLOR_FORCE", "1")], "forced"));
    assert!(!coloured(
        &[("NO_COLOR", "1"), ("TERM", "xterm-256color")],
        "none"
    ));
}
