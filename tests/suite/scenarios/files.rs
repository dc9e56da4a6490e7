//! Files and labels: each housekeeping kind found on a small card, and silent on one that is in order.

use std::path::Path;

use takeproof::report::model::{Report, Severity};
use takeproof::settings::Settings;

use crate::harness::check_path;

/// Samples of every file: a quarter of a second.
const FRAMES: u64 = 12_000;

/// One file of a card, as its labels say.
#[derive(Clone)]
struct Card {
    scene: &'static str,
    take: &'static str,
    roll: &'static str,
    /// Samples since midnight.
    stamp: u64,
    rate: u32,
    /// What iXML says about the sample rate.
    said_rate: u32,
    frame_rate: &'static str,
    /// Family id, files of the set, place in it.
    set: Option<(&'static str, u32, u32)>,
    track: &'static str,
    bext: bool,
    ixml: bool,
    frames: u64,
    /// Varies the audio.
    seed: u32,
    /// The header claims this many more bytes of audio.
    claims_more: u32,
    /// bext text.
    description: &'static str,
    date: &'static str,
    project: &'static str,
    /// `TIMECODE_FLAG`.
    flag: &'static str,
    bits: u16,
    /// More of `SPEED` in iXML.
    speed: &'static str,
    /// Largest value of the noise, of 24 bits: 2048 are about -74 dBFS.
    peak: i32,
}

fn card(take: &'static str, stamp_s: u64) -> Card {
    Card {
        scene: "27B",
        take,
        roll: "R1",
        stamp: stamp_s * 48_000,
        rate: 48_000,
        said_rate: 48_000,
        frame_rate: "25/1",
        set: None,
        track: "Boom",
        bext: true,
        ixml: true,
        frames: FRAMES,
        seed: stamp_s as u32 + 1,
        claims_more: 0,
        description: "",
        date: "2032-05-11",
        project: "INVENTED",
        flag: "NDF",
        bits: 24,
        speed: "",
        peak: 2048,
    }
}

impl Card {
    fn with(mut self, change: impl FnOnce(&mut Card)) -> Card {
        change(&mut self);
        self
    }

    fn write(&self, folder: &Path, name: &str) {
        fn chunk(out: &mut Vec<u8>, id: &[u8; 4], claimed: u32, body: &[u8]) {
            out.extend(id);
            out.extend(claimed.to_le_bytes());
            out.extend(body);
            if body.len() % 2 == 1 {
                out.push(0);
            }
        }
        let mut out = b"RIFF\0\0\0\0WAVE".to_vec();
        if self.bext {
            let mut b = vec![0u8; 602];
            b[256..264].copy_from_slice(b"recorder");
            b[..self.description.len()].copy_from_slice(self.description.as_bytes());
            b[320..330].copy_from_slice(self.date.as_bytes());
            b[338..346].copy_from_slice(&self.stamp.to_le_bytes());
            b[346] = 1;
            chunk(&mut out, b"bext", b.len() as u32, &b);
        }
        if self.ixml {
            let set = self.set.map_or(String::new(), |(uid, total, place)| {
                format!(
                    "<FILE_SET><TOTAL_FILES>{total}</TOTAL_FILES><FAMILY_UID>{uid}</FAMILY_UID><FILE_SET_INDEX>{place}</FILE_SET_INDEX></FILE_SET>"
                )
            });
            let text = format!(
                "<BWFXML><PROJECT>{}</PROJECT><SCENE>{}</SCENE><TAKE>{}</TAKE><TAPE>{}</TAPE>\
                 <SPEED><TIMECODE_RATE>{}</TIMECODE_RATE><TIMECODE_FLAG>{}</TIMECODE_FLAG><FILE_SAMPLE_RATE>{}</FILE_SAMPLE_RATE>{}</SPEED>{set}\
                 <TRACK_LIST><TRACK_COUNT>1</TRACK_COUNT><TRACK><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>{}</NAME></TRACK></TRACK_LIST></BWFXML>",
                self.project,
                self.scene,
                self.take,
                self.roll,
                self.frame_rate,
                self.flag,
                self.said_rate,
                self.speed,
                self.track
            );
            chunk(&mut out, b"iXML", text.len() as u32, text.as_bytes());
        }
        let mut fmt = vec![1, 0, 1, 0];
        fmt.extend(self.rate.to_le_bytes());
        let width = self.bits / 8;
        fmt.extend((self.rate * u32::from(width)).to_le_bytes());
        fmt.extend(width.to_le_bytes());
        fmt.extend(self.bits.to_le_bytes());
        chunk(&mut out, b"fmt ", 16, &fmt);
        let mut state = self.seed.wrapping_mul(2_654_435_761) | 1;
        let audio: Vec<u8> = (0..self.frames)
            .flat_map(|_| {
                state ^= state << 13;
                state ^= state >> 17;
                state ^= state << 5;
                let even = (state >> 20) as i32 - 2048;
                let value = (even * (self.peak / 2048)) >> (24 - self.bits);
                value.to_le_bytes()[..usize::from(width)].to_vec()
            })
            .collect();
        chunk(
            &mut out,
            b"data",
            audio.len() as u32 + self.claims_more,
            &audio,
        );
        let size = out.len() as u32 - 8 + self.claims_more;
        out[4..8].copy_from_slice(&size.to_le_bytes());
        let path = folder.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, out).unwrap();
    }
}

/// Check a card; the names are those of the files.
fn check(files: &[(&str, Card)]) -> Report {
    let folder = tempfile::tempdir().unwrap();
    for (name, card) in files {
        card.write(folder.path(), name);
    }
    check_path(folder.path(), &Settings::default(), 1)
}

/// Housekeeping findings above a note: kind, code, severity.
fn told(report: &Report) -> Vec<(String, String, Severity)> {
    let all = report
        .takes
        .iter()
        .flat_map(|t| &t.findings)
        .chain(&report.day.findings);
    all.filter(|f| f.severity > Severity::Note)
        .filter_map(|f| {
            Some((
                f.kind.clone(),
                f.evidence.get("code")?.as_str()?.to_owned(),
                f.severity,
            ))
        })
        .collect()
}

/// Takes 1 to 4 of one setup, a minute apart.
fn in_order() -> Vec<(&'static str, Card)> {
    vec![
        ("27B-1.wav", card("1", 36_000)),
        ("27B-2.wav", card("2", 36_060)),
        ("27B-3.wav", card("3", 36_120)),
        ("27B-4.wav", card("4", 36_180)),
    ]
}

fn with(name: &'static str, extra: Card) -> Vec<(String, String, Severity)> {
    let mut files = in_order();
    files.push((name, extra));
    told(&check(&files))
}

fn one(kind: &str, code: &str, severity: Severity) -> Vec<(String, String, Severity)> {
    vec![(kind.into(), code.into(), severity)]
}

#[test]
fn a_card_in_order_is_silent() {
    let report = check(&in_order());
    assert_eq!(told(&report), []);
    assert!(report.day.findings.is_empty(), "{:?}", report.day.findings);
    let silent = [
        "metadata_missing",
        "metadata_conflict",
        "timecode_overlap",
        "sample_rate_mismatch",
        "frame_rate_mismatch",
        "duplicate_take",
        "truncated_file",
        "missing_file",
    ];
    let found = report
        .takes
        .iter()
        .flat_map(|t| &t.findings)
        .find(|f| silent.contains(&f.kind.as_str()));
    assert!(found.is_none(), "{found:?}");
    let starts: Vec<Option<&str>> = report
        .takes
        .iter()
        .map(|t| t.start_timecode.as_deref())
        .collect();
    assert_eq!(
        starts,
        [
            Some("10:00:00:00"),
            Some("10:01:00:00"),
            Some("10:02:00:00"),
            Some("10:03:00:00")
        ]
    );
}

#[test]
fn each_fault_of_files_and_labels_is_found() {
    let caution = Severity::Caution;
    let five = || card("5", 36_240);
    assert_eq!(
        with("x.wav", five().with(|c| c.scene = "")),
        one("metadata_missing", "blank_scene", caution)
    );
    assert_eq!(
        with("x.wav", five().with(|c| c.take = "")),
        one("metadata_missing", "blank_take", caution)
    );
    assert_eq!(
        with("x.wav", five().with(|c| (c.bext, c.ixml) = (false, false))),
        one("metadata_missing", "no_metadata", caution)
    );
    assert_eq!(
        with("27B-5.wav", card("5", 36_180).with(|c| c.seed = 99)),
        one("timecode_overlap", "overlap", caution)
    );
    assert_eq!(
        with("27B-5.wav", five().with(|c| c.said_rate = 96_000)),
        one("sample_rate_mismatch", "header_ixml", caution)
    );
    assert_eq!(
        with(
            "27B-5.wav",
            five().with(|c| (c.rate, c.said_rate, c.stamp) = (44_100, 44_100, 36_240 * 44_100))
        ),
        one("sample_rate_mismatch", "day", caution)
    );
    assert_eq!(
        with("27B-5.wav", five().with(|c| c.frame_rate = "24/1")),
        one("frame_rate_mismatch", "day", caution)
    );
    assert_eq!(
        with("again.wav", card("4", 36_240)),
        one("duplicate_take", "same_label", caution)
    );
    assert_eq!(
        with("27B-5.wav", five().with(|c| c.claims_more = 3000)),
        one("truncated_file", "short", Severity::Fault)
    );
    assert_eq!(
        with("27B-5_1.wav", five().with(|c| c.set = Some(("F", 2, 1)))),
        one("missing_file", "incomplete_set", Severity::Fault)
    );
    let order = |c: &mut Card| {
        c.track = "A</NAME></TRACK><TRACK><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>B"
    };
    assert_eq!(
        with("27B-5.wav", five().with(order)),
        one("metadata_conflict", "track_order", caution)
    );
}

/// Codes of `metadata_conflict` on a card, notes included.
fn conflicts(report: &Report) -> Vec<String> {
    let all = report
        .takes
        .iter()
        .flat_map(|t| &t.findings)
        .chain(&report.day.findings);
    all.filter(|f| f.kind == "metadata_conflict")
        .map(|f| f.evidence["code"].as_str().unwrap().to_owned())
        .collect()
}

/// Each contradiction, and beside it what looks like one.
#[test]
fn labels_that_contradict_each_other_are_noted() {
    let five = || card("5", 36_240);
    let conflicts_with = |extra: Card| {
        let mut files = in_order();
        files.push(("27B-5.wav", extra));
        let report = check(&files);
        let alarms = told(&report);
        assert!(
            alarms.iter().all(|a| a.0 != "metadata_conflict"),
            "{alarms:?}"
        );
        conflicts(&report)
    };
    type Change = fn(&mut Card);
    let cases: [(&str, Change, Change); 7] = [
        (
            "bext_label",
            |c| c.description = "sSCENE=27C\r\nsTAKE=5",
            // Leading zeros and case are another form of the same.
            |c| c.description = "sSCENE=27b\r\nsTAKE=05",
        ),
        (
            "time_stamp",
            |c| c.speed = "<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>0</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI><TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>1739472000</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>",
            |c| c.speed = "<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>0</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI><TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>1739520000</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>",
        ),
        (
            "bit_depth",
            |c| c.speed = "<AUDIO_BIT_DEPTH>16</AUDIO_BIT_DEPTH>",
            |c| c.speed = "<AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH>",
        ),
        (
            "track_count",
            |c| {
                c.track =
                    "Boom</NAME></TRACK><TRACK><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>Mara"
            },
            |c| c.track = "Mara",
        ),
        ("drop_flag", |c| c.flag = "DF", |c| c.flag = "NDF"),
        (
            "project",
            |c| c.project = "ANOTHER",
            |c| c.project = "INVENTED",
        ),
        (
            "date",
            |c| c.date = "2031-05-11",
            // The day after, before noon: past midnight.
            |c| (c.date, c.stamp) = ("2032-05-12", 600 * 48_000),
        ),
    ];
    for (code, odd, right) in cases {
        assert_eq!(conflicts_with(five().with(odd)), [code], "{code}");
        assert_eq!(
            conflicts_with(five().with(right)),
            Vec::<String>::new(),
            "{code}"
        );
    }
    // Against the day: a format, a roll between two of another, a clock at zero, a clock that runs backwards.
    assert_eq!(conflicts_with(five().with(|c| c.bits = 16)), ["bit_depth"]);
    assert_eq!(
        conflicts_with(five().with(|c| (c.roll, c.stamp) = ("R9", 36_150 * 48_000))),
        ["roll"]
    );
    assert_eq!(
        conflicts_with(five().with(|c| c.stamp = 0)),
        ["clock_reset"]
    );
    assert_eq!(
        conflicts_with(five().with(|c| c.stamp = 35_000 * 48_000)),
        ["clock_backwards"]
    );
}

#[test]
fn a_project_in_small_letters_is_the_same_project() {
    let mut files = in_order();
    files.push((
        "27B-5.wav",
        card("5", 36_240).with(|c| c.project = "Invented "),
    ));
    assert_eq!(conflicts(&check(&files)), Vec::<String>::new());
}

#[test]
fn names_and_signal_belong_together() {
    let codes = |files: &[(&str, Card)]| conflicts(&check(files));
    let member = |place: u32, track, peak| {
        card("1", 36_000).with(|c| {
            (c.set, c.track, c.seed, c.peak) = (Some(("F", 2, place)), track, place, peak);
        })
    };
    let (quiet, loud) = (2048, 2048 * 256);
    let boom = ("27B-1_1.wav", member(1, "Boom", loud));
    let with = |track, peak| codes(&[boom.clone(), ("27B-1_2.wav", member(2, track, peak))]);
    assert_eq!(with("Mara", loud), Vec::<String>::new());
    assert_eq!(with("Mara", 0), ["name_without_signal"]);
    assert_eq!(with("", loud), ["signal_without_name"]);
    assert_eq!(with("", quiet), Vec::<String>::new());
    assert_eq!(with("", 0), Vec::<String>::new());
}

#[test]
fn midnight_is_no_overlap_and_no_clock_set_back() {
    let files = [
        ("27B-1.wav", card("1", 86_390)),
        (
            "27B-2.wav",
            card("2", 86_399).with(|c| c.frames = 3 * 48_000),
        ),
        ("27B-3.wav", card("3", 20).with(|c| c.date = "2032-05-12")),
    ];
    let report = check(&files);
    assert_eq!(told(&report), []);
    assert_eq!(conflicts(&report), Vec::<String>::new());
    // A second recorder runs at the same time.
    let mut files = in_order();
    files.push((
        "B/27B-1.wav",
        card("1", 36_000).with(|c| (c.roll, c.track, c.seed) = ("B1", "Plant", 77)),
    ));
    let kinds: Vec<String> = told(&check(&files)).into_iter().map(|t| t.0).collect();
    assert!(!kinds.contains(&"timecode_overlap".into()), "{kinds:?}");
}

/// A list of what was recorded (a row per file, comma-separated) that names a take which is not on the card.
#[test]
fn a_take_that_is_only_in_the_list_is_missing() {
    let listed = |names: &[&str]| {
        let folder = tempfile::tempdir().unwrap();
        for (name, card) in in_order() {
            card.write(folder.path(), name);
        }
        let rows: String = names
            .iter()
            .map(|n| format!("{n},27B,1,10:00:00:00\n"))
            .collect();
        let text = format!("File Name,Scene,Take,Start TC\n{rows}");
        std::fs::write(folder.path().join("SOUND_REPORT.CSV"), text).unwrap();
        told(&check_path(folder.path(), &Settings::default(), 1))
    };
    let all = ["27B-1.wav", "27B-2.wav", "27B-3.wav", "27B-4.wav"];
    assert_eq!(listed(&all), []);
    let missing = listed(&[all.as_slice(), &["27B-5.wav"]].concat());
    assert_eq!(missing.len(), 1);
    assert_eq!(
        (missing[0].0.as_str(), missing[0].2),
        ("missing_file", Severity::Fault)
    );
}

#[test]
fn notes_are_no_alarm() {
    // A gap in the numbers, another name, a mirror of the card.
    let mut files = in_order();
    files.remove(1);
    files.push(("27B-9.wav", card("5", 36_240)));
    let report = check(&files);
    assert_eq!(told(&report), []);
    let codes: Vec<&str> = report
        .takes
        .iter()
        .flat_map(|t| &t.findings)
        .chain(&report.day.findings)
        .filter_map(|f| f.evidence.get("code")?.as_str())
        .collect();
    assert_eq!(codes, ["file_name", "take_gap"]);

    let mut mirrored: Vec<(&str, Card)> = Vec::new();
    for (copy, original) in [
        ("A/27B-1.wav", 0),
        ("A/27B-2.wav", 1),
        ("B/27B-1.wav", 0),
        ("B/27B-2.wav", 1),
    ] {
        mirrored.push((copy, in_order()[original].1.clone()));
    }
    let report = check(&mirrored);
    assert_eq!(told(&report), []);
    assert_eq!(report.day.findings.len(), 1);
    assert_eq!(report.day.findings[0].evidence["code"], "mirror");
    assert_eq!(report.takes.len(), 4);
}

#[test]
fn mono_files_of_one_set_are_one_take() {
    let member = |place: u32, track| {
        card("1", 36_000).with(|c| (c.set, c.track, c.seed) = (Some(("F", 3, place)), track, place))
    };
    let files = [
        ("27B-1_3.wav", member(3, "Tobin")),
        ("27B-1_1.wav", member(1, "Boom")),
        ("27B-1_2.wav", member(2, "Mara")),
    ];
    let report = check(&files);
    assert_eq!(report.takes.len(), 1);
    let names: Vec<Option<&str>> = report.takes[0]
        .tracks
        .iter()
        .map(|t| t.name.as_deref())
        .collect();
    assert_eq!(names, [Some("Boom"), Some("Mara"), Some("Tobin")]);
    assert_eq!(report.takes[0].samples, FRAMES);

    // Without a family id: by name, stamp and length.
    let loose: Vec<(&str, Card)> = files
        .iter()
        .map(|(n, c)| (*n, c.clone().with(|c| c.set = None)))
        .collect();
    assert_eq!(check(&loose).takes.len(), 1);
    // Another length or stamp: another take.
    let mut other = loose.clone();
    other[0].1.stamp += 48_000;
    assert_eq!(check(&other).takes.len(), 2);
    let mut other = loose;
    other[1].1.frames += 1;
    assert_eq!(check(&other).takes.len(), 2);
}

#[test]
fn split_files_are_one_take_and_a_gap_at_the_join_is_told() {
    let part = |place: u32, stamp: u64| {
        card("1", 36_000).with(|c| (c.set, c.stamp, c.seed) = (Some(("F", 2, place)), stamp, place))
    };
    let start = 36_000 * 48_000;
    let exact = [
        ("a.wav", part(1, start)),
        ("b.wav", part(2, start + FRAMES)),
    ];
    let report = check(&exact);
    assert_eq!(told(&report), []);
    assert_eq!(
        (report.takes.len(), report.takes[0].samples),
        (1, 2 * FRAMES)
    );
    assert_eq!(report.takes[0].tracks.len(), 1);

    // The same label and the very next sample, without a family id.
    let labelled: Vec<(&str, Card)> = exact
        .iter()
        .map(|(n, c)| (*n, c.clone().with(|c| c.set = None)))
        .collect();
    assert_eq!(check(&labelled).takes.len(), 1);

    let gap = [
        ("a.wav", part(1, start)),
        ("b.wav", part(2, start + FRAMES + 480)),
    ];
    let report = check(&gap);
    let told = told(&report);
    assert!(
        told.contains(&("truncated_file".into(), "split_gap".into(), Severity::Fault)),
        "{told:?}"
    );
    assert_eq!(report.takes[0].samples, 2 * FRAMES + 480);
}
