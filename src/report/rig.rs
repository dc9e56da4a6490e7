//! The first take of the day, a line per track: what arrives there, and how to undo what is wrong with it.

use std::fmt::Write;

use serde_json::Value;
use unicode_width::UnicodeWidthStr;

use super::model::{Finding, Polarity, Role, Severity, Take, Track};
use super::terminal::{confidence_words, count, length, printable, whole_words};
use crate::compare::PairMeasures;
use crate::detect::pair::duplicate_track::{Copy, copy};
use crate::judge::rank::{spoken, take_label};

/// A track that is a scaled copy of an earlier one.
#[derive(Debug, Clone, PartialEq)]
pub struct CopyOf {
    /// Track index.
    pub track: usize,
    /// Track index of the original: the louder of the two, the earlier one where they are alike.
    pub original: usize,
    /// The copy's level re the original.
    pub level_db: f64,
}

/// From this level difference on, a copy is meant to be quieter: safety copies run 6 to 20 dB down.
const SAFETY_DB: f64 = 3.0;

/// Largest share that is no copy, as where a duplicate is reported.
const RESIDUAL_DB: f64 = -25.0;

/// Pairs of tracks of which one is a copy of the other.
pub fn copies(pairs: &[PairMeasures]) -> Vec<CopyOf> {
    pairs
        .iter()
        .filter_map(|pair| {
            let Copy {
                residual_db,
                level_difference_db,
                ..
            } = copy(pair)?;
            let (a, b) = (pair.a + 1, pair.b + 1);
            (residual_db < RESIDUAL_DB).then_some(if level_difference_db > SAFETY_DB {
                CopyOf {
                    track: a,
                    original: b,
                    level_db: -level_difference_db,
                }
            } else {
                CopyOf {
                    track: b,
                    original: a,
                    level_db: level_difference_db,
                }
            })
        })
        .collect()
}

/// A line per track, at most `width` columns wide where words allow.
pub fn lines(take: &Take, copies: &[CopyOf], width: usize) -> String {
    let names: Vec<String> = take
        .tracks
        .iter()
        .map(|t| printable(t.name.as_deref().unwrap_or_default().trim()))
        .collect();
    let widest = names.iter().map(|n| n.width()).max().unwrap_or(0).min(24);
    let mut out = format!(
        "{}: {}, {} listened to.\n",
        printable(&take_label(take)),
        count(take.tracks.len() as u64, "track"),
        length(take.duration_s)
    );
    for (track, name) in take.tracks.iter().zip(&names) {
        let pad = " ".repeat(widest.saturating_sub(name.width()));
        let head = format!("{:3}  {name}{pad}  {:8}  ", track.index, role(track.role));
        let rest = " ".repeat(head.width());
        let options = whole_words(width)
            .initial_indent(&head)
            .subsequent_indent(&rest);
        let text = states(take, track, copies).join("; ");
        let _ = writeln!(out, "{}", textwrap::fill(&text, options));
    }
    out
}

/// A role in the eight places it has here.
fn role(role: Role) -> &'static str {
    match role {
        Role::Unknown => "?",
        known => super::words::role(known),
    }
}

/// Everything to be said of a track, the state first.
fn states(take: &Take, track: &Track, copies: &[CopyOf]) -> Vec<String> {
    let mine: Vec<&Finding> = take
        .findings
        .iter()
        .filter(|f| f.tracks.contains(&track.index))
        .collect();
    let mut all = vec![state(track, &mine)];
    if track.wireless == Some(true) {
        all.push("wireless".into());
    }
    all.extend(copies.iter().filter(|c| c.track == track.index).map(|c| {
        if c.level_db < -SAFETY_DB {
            format!(
                "safety copy of track {}, {:.1} dB down (undo {:+.1} dB)",
                c.original, -c.level_db, -c.level_db
            )
        } else {
            format!("copy of track {}, {:+.1} dB", c.original, c.level_db)
        }
    }));
    let mut told: Vec<&str> = vec!["dead_track", "duplicate_track"];
    for f in &mine {
        if f.severity > Severity::Note && !told.contains(&f.kind.as_str()) {
            told.push(&f.kind);
            all.push(fault(f));
        }
    }
    all.extend(against_the_boom(take, track));
    all
}

/// `alive`, `dead` or `no signal`, with the level of speech where there is some.
fn state(track: &Track, mine: &[&Finding]) -> String {
    let m = &track.measurements;
    let named = track.name.as_ref().is_some_and(|n| !n.trim().is_empty());
    let dead = mine.iter().any(|f| f.kind == "dead_track");
    let silent = m.sample_peak_dbfs.is_none();
    match (dead || silent, named, m.speech_level_dbfs) {
        (true, true, _) => "dead: a name without signal".into(),
        (true, false, _) => "no signal, no name".into(),
        (false, _, Some(level)) => format!("alive, speech {level:.1} dBFS"),
        (false, _, None) => format!("alive, peak {:.1} dBFS", m.sample_peak_dbfs.unwrap_or(0.0)),
    }
}

/// A fault in a word, with the undo where there is one.
fn fault(f: &Finding) -> String {
    let number = |key: &str| f.evidence.get(key).and_then(Value::as_f64);
    let at = || {
        let start = f.start_tc.as_ref().filter(|_| f.start_sample != Some(0));
        start.map_or(String::new(), |tc| format!(" from {tc}"))
    };
    let text = match f.kind.as_str() {
        "polarity_inverted" => "polarity reversed (undo: turn it over)".to_owned(),
        "late_track" => {
            let late = number("late_ms").or(number("delay_ms"));
            let undo = number("nudge_samples").map(|n| format!(" (undo {n:+.0} samples)"));
            let late = late.map_or("late".to_owned(), |ms| format!("late by {ms:.2} ms"));
            late + &undo.unwrap_or_default()
        }
        "gain_step" => {
            let step = number("step_db").or(number("gain_db"));
            step.map_or("gain stepped".to_owned(), |db| {
                format!("gain stepped by {db:+.1} dB{} (undo {:+.1} dB)", at(), -db)
            })
        }
        "post_fader" => "after the fader".to_owned(),
        kind => spoken(kind).to_owned(),
    };
    format!("{text}, {}", confidence_words(f.confidence))
}

/// Where the voice arrives against the first boom: information, no fault.
fn against_the_boom(take: &Take, track: &Track) -> Option<String> {
    let boom = take.tracks.iter().find(|t| t.role == Role::Boom)?.index;
    let pair = take.pairs.iter().find(|p| {
        (p.a, p.b) == (boom.min(track.index), boom.max(track.index)) && track.role == Role::Lav
    })?;
    let delay = pair
        .delay_ms
        .filter(|_| pair.polarity != Polarity::Unclear)?;
    // The pair says how much later b is than a.
    let earlier = if pair.a == track.index { delay } else { -delay };
    let word = if earlier >= 0.0 { "before" } else { "after" };
    Some(format!("{:.2} ms {word} the boom", earlier.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::model::{Origin, RoleSource};

    fn track(name: &str) -> Track {
        Track {
            index: 2,
            name: Some(name.into()),
            role: Role::Lav,
            role_source: RoleSource::Metadata,
            wireless: None,
            talker: None,
            room_tone_s: None,
            measurements: Default::default(),
        }
    }

    fn finding(kind: &str, evidence: &[(&str, f64)]) -> Finding {
        Finding {
            id: String::new(),
            kind: kind.into(),
            severity: Severity::Caution,
            confidence: 0.95,
            origin: Origin::ThisMic,
            tracks: vec![2],
            takes: None,
            files: None,
            start_sample: Some(48_000),
            end_sample: Some(96_000),
            start_s: Some(1.0),
            end_s: Some(2.0),
            start_tc: Some("10:00:01:00".into()),
            end_tc: None,
            evidence: evidence
                .iter()
                .map(|(k, v)| ((*k).to_owned(), Value::from(*v)))
                .collect(),
            message: String::new(),
            advice: String::new(),
        }
    }

    #[test]
    fn undo_has_the_opposite_sign() {
        let step = finding("gain_step", &[("step_db", 6.0)]);
        assert_eq!(
            fault(&step),
            "gain stepped by +6.0 dB from 10:00:01:00 (undo -6.0 dB), sure"
        );
        let late = finding("late_track", &[("late_ms", 2.0), ("nudge_samples", -96.0)]);
        assert_eq!(fault(&late), "late by 2.00 ms (undo -96 samples), sure");
    }

    #[test]
    fn a_name_without_signal_is_told_from_an_empty_track() {
        assert_eq!(state(&track("Ines"), &[]), "dead: a name without signal");
        assert_eq!(state(&track(""), &[]), "no signal, no name");
        let mut alive = track("Ines");
        alive.measurements.sample_peak_dbfs = Some(-12.34);
        assert_eq!(state(&alive, &[]), "alive, peak -12.3 dBFS");
        assert_eq!(
            state(&alive, &[&finding("dead_track", &[])]),
            "dead: a name without signal"
        );
    }
}
