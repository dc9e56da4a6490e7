//! What to look at first: the day's rows in the order in which a mixer would want to hear them, each with the parts of a
//! sentence. Made from the report alone, so that terminal, page and tables say the same.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use crate::report::model::{Finding, Origin, Report, Role, Severity, Take, TakeType, Verdict};
use crate::report::words;
use crate::scan::{CLOSED, MISSING};

/// Why a row stands where it stands. The order is the order of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Rank {
    /// Files that are missing, cut short or could not be read.
    Files,
    /// No clean microphone on a line, and no other take of the setup is clean.
    NoAlternate,
    /// No clean microphone on a line; another take of the setup is clean.
    Alternate,
    /// A fault that came with a take and stayed.
    Slow,
    /// A fault on a line that another microphone covers.
    Covered,
    /// For post to know.
    Caution,
    /// Takes marked as no good, false starts: never in the top.
    Aside,
}

/// One row of the list: a take, a microphone and a kind, or a setup.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Class, first key of the order.
    pub rank: Rank,
    /// Positions in [`Report::takes`]; empty for files that are no take.
    pub takes: Vec<usize>,
    /// Track indexes (1-based) within the first take.
    pub tracks: Vec<usize>,
    /// Kind of the findings behind it; empty for rows that stand for a verdict.
    pub kind: String,
    /// Worst severity of the findings behind it.
    pub severity: Severity,
    /// Largest confidence of the findings behind it; 1 where the row states a fact about files.
    pub confidence: f64,
    /// Ids of the findings behind it, in order of time.
    pub findings: Vec<String>,
    /// Start of the worst finding in the first take, seconds.
    pub start_s: Option<f64>,
    /// Length of the worst finding, seconds.
    pub length_s: Option<f64>,
    /// How many events.
    pub events: u64,
    /// Marked as selected on set.
    pub circled: bool,
    /// About the mix rather than a microphone: for the mixer's own view.
    pub mix: bool,
    /// `27B take 3, 13:05:22:11` or `27B, all 3 takes`.
    pub place: String,
    /// `LAV 2 took a radio hit on a line, 0.4 s`.
    pub what: String,
    /// `Boom clean for the whole line`; empty where nothing is to be said.
    pub cover: String,
    /// `Use Boom`; empty where nothing is to be done.
    pub advice: String,
}

impl Row {
    /// The row as one would say it.
    pub fn sentence(&self) -> String {
        format!("{}: {}.{}", self.place, self.what, self.what_next())
    }

    /// The word beside the row: what the row is about, else its severity.
    pub fn sign(&self) -> &'static str {
        match self.rank {
            Rank::Files => "files",
            _ if self.is_unheld() => "no clean mic",
            _ => words::severity(self.severity),
        }
    }

    /// Whether the row is about a line that no microphone of its take has clean.
    pub fn is_unheld(&self) -> bool {
        self.rank != Rank::Files && self.kind.is_empty()
    }

    /// Cover and advice as sentences, each after a blank; empty where there is neither.
    pub(crate) fn what_next(&self) -> String {
        let mut out = String::new();
        for part in [&self.cover, &self.advice] {
            if !part.is_empty() {
                out.push(' ');
                out.push_str(part);
                if !part.ends_with(['.', '?', '!']) {
                    out.push('.');
                }
            }
        }
        out
    }
}

/// The list of a report, worst first.
pub fn rank(report: &Report) -> Vec<Row> {
    let mut rows = file_rows(report);
    rows.extend(verdict_rows(report));
    rows.extend(day_rows(report));
    for (position, take) in report.takes.iter().enumerate() {
        rows.extend(take_rows(report, position, take));
    }
    rows.sort_by(|a, b| {
        key(a)
            .partial_cmp(&key(b))
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    rows
}

/// Everything that orders two rows; smaller stands higher.
fn key(row: &Row) -> (Rank, bool, Reverse<Severity>, i64, i64, Option<usize>, i64) {
    (
        row.rank,
        !row.circled,
        Reverse(row.severity),
        // Sure, likely, have a listen: finer steps would only shuffle the list.
        -(if row.confidence >= 0.9 {
            2
        } else {
            i64::from(row.confidence >= 0.7)
        }),
        -row.length_s.map_or(0, |s| (s * 10.0) as i64).min(50),
        row.takes.first().copied(),
        row.start_s.map_or(0, |s| (s * 1000.0) as i64),
    )
}

/// `27B take 3`; the file's name where the labels are blank.
pub fn take_label(take: &Take) -> String {
    match (&take.scene, &take.take) {
        (Some(scene), Some(number)) if !scene.is_empty() && !number.is_empty() => {
            format!("{scene} take {number}")
        }
        (Some(scene), _) if !scene.is_empty() => scene.clone(),
        _ => take
            .files
            .first()
            .map_or_else(|| "a take".to_owned(), |f| file_name(&f.path).to_owned()),
    }
}

/// Name of a track for sentences.
pub fn track_label(take: &Take, index: usize) -> String {
    match take
        .tracks
        .iter()
        .find(|t| t.index == index)
        .and_then(|t| t.name.as_deref())
        .map(str::trim)
    {
        Some(name) if !name.is_empty() => name.to_owned(),
        _ => format!("track {index}"),
    }
}

fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or(path)
}

/// What happened to a microphone, as one says it after its name: `clipped`, `took a radio hit`.
pub fn spoken(kind: &str) -> &str {
    match kind {
        "clipping" => "clipped",
        "flat_top" => "overloaded",
        "true_peak_over" => "over the peak limit",
        "level_hot" => "too hot",
        "level_low" => "very low",
        "noise_high" => "noisy",
        "noise_change" => "background changed",
        "hum" => "hum",
        "dc_offset" => "DC offset",
        "dropout" => "dropped out",
        "rf_hit" => "took a radio hit",
        "click" => "clicks",
        "rumble" => "rumble",
        "rustle" => "rustle",
        "muffled" => "muffled",
        "dead_track" => "dead",
        "duplicate_track" => "the same signal twice",
        "polarity_inverted" => "polarity reversed",
        "comb_filtering" => "two mics phasing in the mix",
        "open_mic" => "open in the mix while silent",
        "gain_step" => "gain stepped",
        "off_mic" => "off mic",
        "late_track" => "late",
        "bleed" => "another channel bleeds in",
        "post_fader" => "recorded after the faders",
        "cut_short" => "cut off while speaking",
        "metadata_missing" => "labels missing",
        "metadata_conflict" => "labels disagree",
        "timecode_overlap" => "timecode overlaps",
        "sample_rate_mismatch" => "sample rate differs",
        "frame_rate_mismatch" => "frame rate differs",
        "duplicate_take" => "recorded twice",
        "truncated_file" => "cut short",
        "missing_file" => "missing",
        "copy_mismatch" => "copy differs",
        other => other,
    }
}

/// Whether a sentence holds a name as words of its own.
fn names_it(sentence: &str, name: &str) -> bool {
    let part = |c: Option<char>| c.is_some_and(char::is_alphanumeric);
    sentence.match_indices(name).any(|(at, _)| {
        !part(sentence[..at].chars().next_back())
            && !part(sentence[at + name.len()..].chars().next())
    })
}

/// The sentence as the second half of another: a capital that begins an ordinary word becomes small.
fn uncapped(sentence: &str) -> String {
    let mut letters = sentence.chars();
    match (letters.next(), letters.clone().next()) {
        (Some(first), Some(second)) if second.is_lowercase() || second == ' ' => {
            first.to_lowercase().chain(letters).collect()
        }
        _ => sentence.to_owned(),
    }
}

/// A length as one says it: `0.4 s`, `12 ms`, `1 min 20 s`.
pub fn spoken_length(seconds: f64) -> String {
    if seconds < 0.0095 {
        format!("{:.1} ms", seconds * 1000.0)
    } else if seconds < 0.095 {
        format!("{:.0} ms", seconds * 1000.0)
    } else if seconds < 9.95 {
        format!("{seconds:.1} s")
    } else if seconds < 59.5 {
        format!("{seconds:.0} s")
    } else {
        let whole = seconds.round() as u64;
        format!("{} min {} s", whole / 60, whole % 60)
    }
}

/// Several names as one says them: `Boom, LAV 1 and LAV 2`.
pub fn spoken_list(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}

/// Takes that are nobody's choice: they never stand in the top.
fn aside(take: &Take) -> bool {
    take.no_good == Some(true) || take.take_type == TakeType::FalseStart
}

fn file_rows(report: &Report) -> Vec<Row> {
    report
        .unreadable
        .iter()
        .map(|u| Row {
            rank: Rank::Files,
            takes: vec![],
            tracks: vec![],
            kind: "truncated_file".into(),
            severity: Severity::Fault,
            confidence: 1.0,
            findings: vec![],
            start_s: None,
            length_s: None,
            events: 1,
            circled: false,
            mix: false,
            place: file_name(u.path.trim_end_matches('/')).to_owned(),
            what: match u.reason.as_str() {
                MISSING => "is not there".into(),
                CLOSED => format!("could not be read: {}", u.detail),
                reason => format!("could not be read ({reason})"),
            },
            cover: String::new(),
            advice: "Check the other card before this one is used again".into(),
        })
        .collect()
}

/// Takes without a clean microphone: one row per setup where no take of it is clean, else one per take.
fn verdict_rows(report: &Report) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut told: Vec<usize> = Vec::new();
    for setup in &report.day.setups {
        let members: Vec<usize> = setup
            .takes
            .iter()
            .filter_map(|id| report.takes.iter().position(|t| &t.id == id))
            .filter(|&p| !aside(&report.takes[p]))
            .collect();
        let all_bad = members
            .iter()
            .all(|&p| report.takes[p].verdict == Verdict::NoCleanMic);
        if members.len() >= 2 && all_bad {
            let first = &report.takes[members[0]];
            told.extend(&members);
            rows.push(Row {
                rank: Rank::NoAlternate,
                place: format!(
                    "{}, all {} takes",
                    first.scene.clone().unwrap_or_else(|| take_label(first)),
                    members.len()
                ),
                what: lost_in_words(first, false),
                cover: String::new(),
                advice: "Worth a wild line before we leave".into(),
                circled: members
                    .iter()
                    .any(|&p| report.takes[p].circled == Some(true)),
                takes: members,
                ..verdict_row(first)
            });
        }
    }
    for (position, take) in report.takes.iter().enumerate() {
        if take.verdict != Verdict::NoCleanMic || told.contains(&position) {
            continue;
        }
        let other = take
            .alternates
            .iter()
            .find(|a| a.clean)
            .and_then(|a| Some((a, report.takes.iter().find(|t| t.id == a.take)?)));
        let start = take.no_clean_mic.first();
        let place = match start.and_then(|r| r.start_tc.as_deref()) {
            Some(timecode) => format!("{}, {timecode}", take_label(take)),
            None => take_label(take),
        };
        rows.push(Row {
            rank: match (aside(take), &other) {
                (true, _) => Rank::Aside,
                (_, Some(_)) => Rank::Alternate,
                _ => Rank::NoAlternate,
            },
            takes: vec![position],
            place,
            what: lost_in_words(take, true),
            cover: match other {
                Some((alternate, there)) => {
                    let name = there
                        .take
                        .as_ref()
                        .map_or_else(|| take_label(there), |n| format!("Take {n}"));
                    if alternate.start_s.is_some() {
                        format!("{name} is clean on the same words")
                    } else {
                        format!("{name} is clean throughout")
                    }
                }
                None => String::new(),
            },
            advice: match other {
                Some(_) => String::new(),
                None => "Worth one more or a wild line".into(),
            },
            circled: take.circled == Some(true),
            ..verdict_row(take)
        });
    }
    rows
}

/// Whether a fault lies where no microphone is clean.
fn on_lost_line(take: &Take, f: &Finding) -> bool {
    take.no_clean_mic
        .iter()
        .any(|r| f.start_s.unwrap_or(0.0) < r.end_s && f.end_s.unwrap_or(0.0) > r.start_s)
}

/// What all rows about a verdict share.
fn verdict_row(take: &Take) -> Row {
    let start = take.no_clean_mic.first();
    let faults: Vec<&Finding> = take
        .findings
        .iter()
        .filter(|f| f.severity == Severity::Fault && on_lost_line(take, f))
        .collect();
    Row {
        rank: Rank::NoAlternate,
        takes: vec![],
        tracks: faults.iter().flat_map(|f| f.tracks.clone()).collect(),
        kind: String::new(),
        severity: Severity::Fault,
        confidence: faults.iter().map(|f| f.confidence).fold(0.0, f64::max),
        findings: faults.iter().map(|f| f.id.clone()).collect(),
        start_s: start.map(|r| r.start_s),
        length_s: start.map(|r| r.end_s - r.start_s),
        events: faults.len() as u64,
        circled: false,
        mix: false,
        place: String::new(),
        what: String::new(),
        cover: String::new(),
        advice: String::new(),
    }
}

/// What happened on the line: `both mics bad on a line: LAV 2 took a radio hit, Boom clipped`.
fn lost_in_words(take: &Take, named: bool) -> String {
    let mut parts: Vec<String> = Vec::new();
    let mut tracks: Vec<usize> = Vec::new();
    for f in take
        .findings
        .iter()
        .filter(|f| f.severity == Severity::Fault && on_lost_line(take, f))
    {
        for &track in &f.tracks {
            let part = format!("{} {}", track_label(take, track), spoken(&f.kind));
            if !parts.contains(&part) {
                parts.push(part);
            }
            if !tracks.contains(&track) {
                tracks.push(track);
            }
        }
    }
    parts.truncate(3);
    match (tracks.len(), named) {
        (1, true) => format!(
            "{} on a line, and no other mic hears it well",
            spoken_list(&parts)
        ),
        (0 | 1, _) => "the only mic that hears a line well is bad".into(),
        (2, true) => format!("both mics bad on a line: {}", parts.join(", ")),
        (2, false) => "both mics bad on a line".into(),
        (_, true) => format!("every mic bad on a line: {}", parts.join(", ")),
        (_, false) => "every mic bad on a line".into(),
    }
}

fn day_rows(report: &Report) -> Vec<Row> {
    report
        .day
        .findings
        .iter()
        .filter(|f| f.severity > Severity::Note)
        .map(|f| {
            let takes: Vec<usize> = f
                .takes
                .iter()
                .flatten()
                .filter_map(|id| report.takes.iter().position(|t| &t.id == id))
                .collect();
            let files = matches!(f.kind.as_str(), "missing_file" | "truncated_file");
            Row {
                rank: if files {
                    Rank::Files
                } else if f.evidence.contains_key("takes_count") {
                    Rank::Slow
                } else {
                    Rank::Caution
                },
                tracks: vec![],
                kind: f.kind.clone(),
                severity: f.severity,
                confidence: f.confidence,
                findings: vec![f.id.clone()],
                start_s: None,
                length_s: None,
                events: 1,
                circled: false,
                mix: f.origin == Origin::Mix,
                place: takes
                    .first()
                    .map(|&p| take_label(&report.takes[p]))
                    .or_else(|| {
                        f.files
                            .iter()
                            .flatten()
                            .next()
                            .map(|p| file_name(p).to_owned())
                    })
                    .unwrap_or_else(|| "The day".into()),
                what: f.message.trim_end_matches('.').to_owned(),
                cover: String::new(),
                advice: f.advice.clone(),
                takes,
            }
        })
        .collect()
}

/// One row per microphone (or set of microphones) and kind.
fn take_rows(report: &Report, position: usize, take: &Take) -> Vec<Row> {
    let mut groups: BTreeMap<(&[usize], &str), Vec<&Finding>> = BTreeMap::new();
    for f in take.findings.iter().filter(|f| f.severity > Severity::Note) {
        groups.entry((&f.tracks, &f.kind)).or_default().push(f);
    }
    // What a row of the day already says of this take is not said again.
    let slow = |kind: &str| {
        report.day.findings.iter().any(|f| {
            f.kind == kind
                && f.evidence.contains_key("takes_count")
                && f.takes.iter().flatten().any(|id| id == &take.id)
        })
    };
    // Whoever hears of the overload need not hear that the level was too high for it.
    let overloaded: Vec<&[usize]> = groups
        .iter()
        .filter(|((_, kind), list)| {
            matches!(*kind, "clipping" | "flat_top")
                && list.iter().any(|f| f.severity == Severity::Fault)
        })
        .map(|((tracks, _), _)| *tracks)
        .collect();
    groups
        .into_iter()
        .filter(|((tracks, kind), _)| *kind != "level_hot" || !overloaded.contains(tracks))
        .filter(|((_, kind), list)| {
            !(slow(kind) && list.iter().all(|f| f.severity < Severity::Fault))
        })
        // The row about the line without a clean microphone names these already.
        .filter(|(_, list)| {
            !list
                .iter()
                .all(|f| f.severity == Severity::Fault && on_lost_line(take, f))
        })
        .filter_map(|((tracks, kind), list)| {
            let worst = list.iter().copied().max_by(|a, b| {
                (a.severity, a.confidence)
                    .partial_cmp(&(b.severity, b.confidence))
                    .unwrap_or(std::cmp::Ordering::Equal)
                    .then(length(a).total_cmp(&length(b)))
                    .then(
                        b.start_s
                            .partial_cmp(&a.start_s)
                            .unwrap_or(std::cmp::Ordering::Equal),
                    )
            })?;
            Some(take_row(position, take, tracks, kind, &list, worst))
        })
        .collect()
}

fn length(f: &Finding) -> f64 {
    f.end_s.unwrap_or(0.0) - f.start_s.unwrap_or(0.0)
}

fn take_row(
    position: usize,
    take: &Take,
    tracks: &[usize],
    kind: &str,
    list: &[&Finding],
    worst: &Finding,
) -> Row {
    let whole = worst.start_s.unwrap_or(0.0) <= 0.001
        && worst.end_s.unwrap_or(0.0) >= take.duration_s - 0.001;
    let names: Vec<String> = tracks.iter().map(|&t| track_label(take, t)).collect();
    let who = if names.is_empty() {
        String::new()
    } else {
        format!("{} ", spoken_list(&names))
    };
    let files = matches!(kind, "missing_file" | "truncated_file" | "copy_mismatch");
    let label = take_label(take);
    let place = match &worst.start_tc {
        Some(timecode) if !whole && !tracks.is_empty() => format!("{label}, {timecode}"),
        _ => label,
    };
    let events: u64 = list
        .iter()
        .map(|f| {
            f.evidence
                .get("events")
                .and_then(serde_json::Value::as_u64)
                .unwrap_or(1)
        })
        .sum();
    let on_a_line = worst.severity == Severity::Fault && !tracks.is_empty();
    let message = worst.message.trim_end_matches('.');
    let what = if tracks.is_empty() {
        message.to_owned()
    } else if !on_a_line && list.len() == 1 && !message.is_empty() {
        if names.iter().any(|name| names_it(message, name)) {
            message.to_owned()
        } else {
            format!("{}: {}", spoken_list(&names), uncapped(message))
        }
    } else if whole {
        format!("{who}{}, the whole take", spoken(kind))
    } else {
        let mut what = format!("{who}{}", spoken(kind));
        if on_a_line {
            what.push_str(" on a line");
        }
        if list.len() > 1 {
            what.push_str(&format!(
                ", {} times, worst {}",
                list.len(),
                spoken_length(length(worst))
            ));
        } else {
            what.push_str(&format!(", {}", spoken_length(length(worst))));
        }
        what
    };
    let (cover, advice) = if on_a_line {
        cover_in_words(take, tracks, list)
    } else {
        (String::new(), worst.advice.clone())
    };
    Row {
        rank: if files && worst.severity == Severity::Fault {
            Rank::Files
        } else if aside(take) {
            Rank::Aside
        } else if worst.severity == Severity::Fault {
            Rank::Covered
        } else {
            Rank::Caution
        },
        takes: vec![position],
        tracks: tracks.to_vec(),
        kind: kind.to_owned(),
        severity: worst.severity,
        confidence: worst.confidence,
        findings: list.iter().map(|f| f.id.clone()).collect(),
        start_s: worst.start_s,
        length_s: Some(length(worst)),
        events,
        circled: take.circled == Some(true),
        mix: tracks.iter().all(|&t| {
            take.tracks
                .iter()
                .any(|x| x.index == t && x.role == Role::Mix)
        }) && !tracks.is_empty(),
        place,
        what,
        cover,
        advice,
    }
}

/// What covers the lines that faults on `tracks` lie on: `Boom clean for the whole line`, `Use Boom`.
fn cover_in_words(take: &Take, tracks: &[usize], list: &[&Finding]) -> (String, String) {
    let hit = |start: f64, end: f64| {
        list.iter().any(|f| {
            f.severity == Severity::Fault
                && f.start_s.unwrap_or(0.0) < end
                && f.end_s.unwrap_or(0.0) > start
        })
    };
    let talkers: Vec<Option<&str>> = tracks
        .iter()
        .filter_map(|&i| take.tracks.iter().find(|t| t.index == i))
        .map(|t| t.talker.as_deref())
        .collect();
    let lines: Vec<_> = take
        .speech
        .iter()
        .filter(|s| hit(s.start_s, s.end_s))
        .filter(|s| {
            talkers
                .iter()
                .any(|t| t.is_none() || s.talker.is_none() || *t == s.talker.as_deref())
        })
        .collect();
    if lines.is_empty() {
        return (String::new(), String::new());
    }
    let spoiled = take.no_clean_mic.iter().any(|r| {
        lines
            .iter()
            .any(|s| s.start_s < r.end_s && s.end_s > r.start_s)
    });
    if spoiled {
        return ("No mic is clean there".into(), String::new());
    }
    let whole_of = if lines.len() == 1 {
        "the whole line"
    } else {
        "all of these lines"
    };
    let best = |s: &&crate::report::model::Speech| s.best_track.filter(|t| !tracks.contains(t));
    let clean = lines
        .iter()
        .filter(|s| best(s).is_some_and(|t| s.clean_tracks.contains(&t)))
        .count();
    let mut names: Vec<String> = Vec::new();
    for name in lines.iter().filter_map(best).map(|t| track_label(take, t)) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    if names.is_empty() {
        return (String::new(), "Have a listen to the other mics".into());
    }
    let said = spoken_list(&names);
    let used = format!("Use {said}");
    match (clean, lines.len()) {
        (clean, all) if clean == all => (format!("{said} clean for {whole_of}"), used),
        (0, _) => (
            format!("{said} clean at that spot only"),
            format!("Use {said} for the spot"),
        ),
        (clean, all) => (
            format!("{said} clean on {clean} of these {all} lines, at that spot only on the rest"),
            used,
        ),
    }
}
