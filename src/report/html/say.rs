//! Sentences and sections of the page.

use serde_json::{Value, json};

use crate::judge::rank::{self, Rank, Row};
use crate::report::clock;
use crate::report::model::{Finding, Report, Severity, Verdict};
use crate::report::terminal::For;
use crate::report::words;

/// Scenes named in the sentence before the rest becomes a number.
const SCENES: usize = 4;

/// Title of the window.
pub(super) fn title(report: &Report) -> String {
    let mut rolls: Vec<&str> = report
        .takes
        .iter()
        .filter_map(|t| t.roll.as_deref())
        .collect();
    rolls.sort_unstable();
    rolls.dedup();
    match rolls.as_slice() {
        [] => "Sound check of the day".into(),
        [one] => format!("Sound check, roll {one}"),
        [first, .., last] => format!("Sound check, rolls {first} to {last}"),
    }
}

/// The day in one sentence.
pub(super) fn verdict(report: &Report, rows: &[Row]) -> String {
    let unread = report.unreadable.len();
    let files = match unread {
        0 => String::new(),
        1 => "One file could not be read; ".into(),
        n => format!("{n} files could not be read; "),
    };
    let takes = |rank: Rank| -> Vec<usize> {
        let mut found: Vec<usize> = rows
            .iter()
            .filter(|r| r.rank == rank && r.kind.is_empty())
            .flat_map(|r| r.takes.clone())
            .collect();
        found.sort_unstable();
        found.dedup();
        found
    };
    let (alone, elsewhere) = (takes(Rank::NoAlternate), takes(Rank::Alternate));
    let faulty = report
        .takes
        .iter()
        .filter(|t| t.verdict == Verdict::OtherMic)
        .count();
    let rest = if report.takes.is_empty() {
        "no take was found.".to_owned()
    } else if !alone.is_empty() {
        let mut scenes: Vec<String> = Vec::new();
        for &n in &alone {
            let take = &report.takes[n];
            let name = take.scene.clone().unwrap_or_else(|| rank::take_label(take));
            if !scenes.contains(&name) {
                scenes.push(name);
            }
        }
        let more = scenes.len().saturating_sub(SCENES);
        scenes.truncate(SCENES);
        if more > 0 {
            scenes.push(format!("{more} more"));
        }
        format!(
            "{} a line that is clean on no mic, and no clean take beside {}: {}.",
            have(alone.len()),
            if alone.len() == 1 { "it" } else { "them" },
            rank::spoken_list(&scenes)
        )
    } else if !elsewhere.is_empty() {
        format!(
            "{} a line that is clean on no mic; another take of the setup is clean{}.",
            have(elsewhere.len()),
            if elsewhere.len() == 1 {
                ""
            } else {
                " for each"
            }
        )
    } else if faulty > 0 {
        format!(
            "{} a fault on a line, and every one of those lines is clean on another mic.",
            have(faulty)
        )
    } else {
        format!(
            "nothing found on a line in {} by the tests that ran.",
            count(report.takes.len(), "take")
        )
    };
    let mut letters = format!("{files}{rest}").chars().collect::<Vec<_>>();
    if let Some(first) = letters.first_mut() {
        *first = first.to_ascii_uppercase();
    }
    letters.into_iter().collect()
}

fn count(n: usize, word: &str) -> String {
    if n == 1 {
        format!("one {word}")
    } else {
        format!("{n} {word}s")
    }
}

/// `one take has`, `3 takes have`.
fn have(takes: usize) -> String {
    let verb = if takes == 1 { "has" } else { "have" };
    format!("{} {verb}", count(takes, "take"))
}

/// Rows that the first screen does not show, for the sheet of paper; empty where it shows all.
pub(super) fn more(rows: usize) -> String {
    match rows {
        0 => String::new(),
        n => count(n, "row"),
    }
}

/// The numbers of the day, one short phrase each.
pub(super) fn counts(report: &Report) -> Vec<Value> {
    let t = &report.day.totals;
    let takes = &report.takes;
    let broken = takes.iter().filter(|t| words::is_file_fault(t)).count();
    let of = |v: Verdict| {
        let whole = takes.iter().filter(|t| !words::is_file_fault(t));
        whole.filter(|t| t.verdict == v).count()
    };
    // Less than three track minutes would read as none.
    let rolled = if t.track_hours < 0.05 {
        "rolled".to_owned()
    } else {
        format!("rolled, {:.1} track hours", t.track_hours)
    };
    let mut out = vec![
        json!({"n": takes.len(), "word": if takes.len() == 1 { "take" } else { "takes" }, "state": ""}),
        json!({"n": clock::length(takes.iter().map(|t| t.duration_s).sum()), "word": rolled, "state": ""}),
    ];
    for v in [
        Verdict::NoCleanMic,
        Verdict::OtherMic,
        Verdict::NothingFound,
    ] {
        out.push(json!({"n": of(v), "word": words::verdict(v), "state": v}));
    }
    if broken > 0 {
        out.push(json!({"n": broken, "word": "with a file that is not whole", "state": Verdict::OtherMic}));
    }
    out
}

/// A sentence for the set: no decibels. Where the sentence lives on them, what happened in plain words.
pub(super) fn without_levels(text: &str, track: &str, kind: &str) -> String {
    let levels = [" dB", "dBFS", "dBTP", "LUFS", " LU"];
    if !levels.iter().any(|l| text.contains(l)) {
        return text.to_owned();
    }
    let said = rank::spoken(kind);
    if track.is_empty() {
        words::kind(kind).to_owned()
    } else {
        format!("{track} {said}")
    }
}

/// Advice without decibels: the sentences that hold none.
pub(super) fn plain_advice(text: &str) -> String {
    text.split_inclusive([';', '.'])
        .filter(|part| !part.contains("dB") && !part.contains("LUFS"))
        .collect::<String>()
        .trim()
        .trim_end_matches(';')
        .to_owned()
}

/// Folded sections below the list, in the order the reader needs them: title, lines, whether it is open.
pub(super) fn sections(report: &Report, rows: &[Row], reader: For) -> Vec<Value> {
    if reader == For::Set {
        return Vec::new();
    }
    let mut out = Vec::new();
    let post = reader == For::Post;
    if post {
        out.push(completeness(report));
        let bad: Vec<Value> = rows
            .iter()
            .filter(|r| r.rank == Rank::NoAlternate && r.kind.is_empty())
            .map(row_line)
            .collect();
        out.push(section(
            "Takes without a clean mic and without an alternate",
            "alone",
            bad,
            "None.",
            true,
        ));
    }
    let slow: Vec<Value> = rows
        .iter()
        .filter(|r| r.rank == Rank::Slow)
        .map(|r| {
            let last = r
                .findings
                .first()
                .and_then(|id| report.day.findings.iter().find(|f| &f.id == id))
                .and_then(|f| last_good(report, f));
            let mut line = row_line(r);
            if let Some(last) = last {
                line["after"] = json!(format!("Last good take: {last}."));
            }
            line
        })
        .collect();
    out.push(section(
        "Faults that came and stayed",
        "slow",
        slow,
        "None.",
        post,
    ));
    let labels: Vec<Value> = report
        .day
        .findings
        .iter()
        .chain(report.takes.iter().flat_map(|t| &t.findings))
        .filter(|f| is_label(&f.kind))
        .map(|f| finding_line(report, f))
        .collect();
    out.push(section(
        "Labels, clocks and files",
        "labels",
        labels,
        "Nothing to report.",
        post,
    ));
    out.push(tone(report, post));
    if !post {
        out.push(completeness(report));
    }
    out
}

fn is_label(kind: &str) -> bool {
    matches!(
        kind,
        "metadata_missing"
            | "metadata_conflict"
            | "timecode_overlap"
            | "sample_rate_mismatch"
            | "frame_rate_mismatch"
            | "duplicate_take"
            | "truncated_file"
            | "missing_file"
            | "copy_mismatch"
    )
}

fn last_good(report: &Report, f: &Finding) -> Option<String> {
    let said = f.evidence.get("last_good_take")?.as_str()?;
    let take = report.takes.iter().find(|t| t.id == said);
    Some(take.map_or_else(|| said.to_owned(), rank::take_label))
}

fn section(title: &str, id: &str, lines: Vec<Value>, none: &str, open: bool) -> Value {
    json!({"title": title, "id": id, "count": lines.len(), "lines": lines, "none": none, "open": open})
}

fn row_line(r: &Row) -> Value {
    json!({"state": r.severity, "text": r.sentence(), "take": r.takes.first()})
}

fn finding_line(report: &Report, f: &Finding) -> Value {
    let of_day = f.takes.iter().flatten().chain(
        report
            .takes
            .iter()
            .filter(|t| t.findings.iter().any(|x| x.id == f.id))
            .map(|t| &t.id),
    );
    let places: Vec<usize> = of_day
        .filter_map(|id| report.takes.iter().position(|t| &t.id == id))
        .collect();
    let files = f
        .files
        .iter()
        .flatten()
        .map(|p| p.rsplit('/').next().unwrap_or(p).to_owned());
    let mut names: Vec<String> = places
        .iter()
        .map(|&p| rank::take_label(&report.takes[p]))
        .collect();
    if names.is_empty() {
        names.extend(files);
    }
    names.dedup();
    let more = names.len().saturating_sub(6);
    names.truncate(6);
    if more > 0 {
        names.push(format!("{more} more"));
    }
    let text = if names.is_empty() {
        f.message.clone()
    } else {
        format!("{}: {}", rank::spoken_list(&names), f.message)
    };
    json!({"state": f.severity, "text": text, "after": f.advice, "take": places.first()})
}

/// What was read and what was not.
fn completeness(report: &Report) -> Value {
    let t = &report.day.totals;
    let mut lines: Vec<Value> = report
        .unreadable
        .iter()
        .map(|u| {
            // The detail may hold a path of this machine; the reason never does.
            json!({"state": Severity::Fault, "text": format!("{}: {}", u.path, u.reason)})
        })
        .collect();
    lines.push(json!({"state": "", "text": format!(
        "{} takes in {} files, {:.1} GB, read to the end.",
        report.takes.len(), report.takes.iter().map(|t| t.files.len()).sum::<usize>(), t.bytes as f64 / 1e9
    )}));
    if !report.other_files.is_empty() {
        lines.push(json!({"state": "", "text": format!(
            "{} beside the audio, listed in report.json and left untouched.",
            count(report.other_files.len(), "other file")
        )}));
    }
    let complete = report.unreadable.is_empty();
    let title = if complete {
        "Complete: every file was read"
    } else {
        "Not complete"
    };
    let mut out = section(title, "files", lines, "", !complete);
    out["count"] = json!(report.unreadable.len());
    out
}

fn tone(report: &Report, open: bool) -> Value {
    let lines = report
        .day
        .setups
        .iter()
        .map(|s| {
            let name = format!("{}{}", s.scene, s.setup);
            let best = s
                .room_tone_s
                .iter()
                .filter(|(_, length)| **length > 0.0)
                .max_by(|a, b| a.1.total_cmp(b.1));
            let clean = format!(
                "{} of {} takes with a clean mic on every line",
                s.clean_takes.len(),
                s.takes.len()
            );
            let tone = match best {
                // Ten seconds is the least a handbook asks for.
                Some((mic, s)) if *s >= 10.0 => format!("room tone {} on {mic}", clock::length(*s)),
                Some((mic, s)) => format!("room tone only {} on {mic}", clock::length(*s)),
                None => "no clean room tone".into(),
            };
            let take = s
                .takes
                .first()
                .and_then(|id| report.takes.iter().position(|t| &t.id == id));
            json!({"state": "", "text": format!("{name}: {clean}; {tone}."), "take": take})
        })
        .collect();
    section(
        "Setups and room tone",
        "setups",
        lines,
        "No scene and setup names in the files.",
        open,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_set_hears_no_decibels() {
        let said = without_levels(
            "7 radio hits, the loudest 18 dB over the voice.",
            "LAV 2",
            "rf_hit",
        );
        assert_eq!(said, "LAV 2 took a radio hit");
        assert_eq!(
            without_levels("LAV 2 took a radio hit on a line, 0.4 s", "LAV 2", "rf_hit"),
            "LAV 2 took a radio hit on a line, 0.4 s"
        );
        assert_eq!(
            plain_advice("Bring the gain down 6 dB; worth asking for one more."),
            "worth asking for one more."
        );
    }
}
