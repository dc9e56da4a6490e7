//! The stretches to be judged, and what a take is for.
//!
//! What surely lies outside the windows is for the log. Only what comes before a head slate is surely outside: nothing after a
//! clap in mid-file is ever lowered, and without a slate, or with a tail slate, the whole file is judged.

use crate::compare::SpeechMap;
use crate::report::model::{Landmark, TakeType, Window};
use crate::take::Take;
use crate::units::rounded;

/// Speech from which a take is dialogue.
const SPOKEN_S: f64 = 1.0;
/// A spoken stretch that counts as dialogue when it comes before a clap.
const LINE_S: f64 = 0.5;

/// Windows of a take.
pub fn windows(take: &Take, landmarks: &[Landmark], speech: &SpeechMap) -> Vec<Window> {
    let end_s = rounded(take.duration_s(), 6).unwrap_or(0.0);
    let whole = |reason: &str| {
        vec![Window {
            start_s: 0.0,
            end_s,
            reason: reason.into(),
            certain: false,
        }]
    };
    let claps: Vec<f64> = landmarks
        .iter()
        .filter(|l| l.kind == "slate_clap")
        .map(|l| l.start_s)
        .collect();
    let lines = || {
        speech
            .stretches
            .iter()
            .filter(|s| s.talker.is_some() || speech.talkers.is_empty())
            .map(|s| (speech.grid.time_s(s.start), speech.grid.time_s(s.end)))
            .filter(|(a, b)| b - a >= LINE_S)
    };
    let Some(&first) = claps.first() else {
        return whole("no slate found: the whole file");
    };
    let spoken_before = lines().any(|(a, _)| a < first);
    let spoken_after = lines().any(|(_, b)| b > first);
    if spoken_before && !spoken_after {
        return whole("tail slate: the whole file");
    }
    if spoken_before || !spoken_after {
        return whole("slate not clear: the whole file");
    }
    // A clap after the last line is a tail slate or the end of a series; it ends no window.
    let inner: Vec<f64> = claps
        .iter()
        .copied()
        .filter(|&c| c == first || lines().any(|(a, _)| a > c))
        .collect();
    inner
        .iter()
        .enumerate()
        .map(|(k, &start_s)| Window {
            start_s,
            end_s: inner.get(k + 1).copied().unwrap_or(end_s),
            reason: if k == 0 {
                "after the slate".into()
            } else {
                format!("after clap {}", k + 1)
            },
            certain: true,
        })
        .collect()
}

/// What a take is for: by its flags, its names, then its content.
pub fn take_type(take: &Take, landmarks: &[Landmark], speech: &SpeechMap) -> TakeType {
    let spoken_s =
        speech.any.iter().filter(|x| **x).count() as f64 / speech.grid.frames_per_s().max(1.0);
    let spoken = spoken_s >= SPOKEN_S;
    if take.false_start == Some(true) {
        return TakeType::FalseStart;
    }
    let words = words(take);
    let says = |list: &[&str]| words.iter().any(|w| list.contains(&w.as_str()));
    let pair = |a: &str, b: &str| words.windows(2).any(|w| w[0] == a && w[1] == b);
    if says(&["fs", "falsestart"]) || pair("false", "start") {
        return TakeType::FalseStart;
    }
    if says(&["rt", "roomtone", "atmos", "ambience"]) || pair("room", "tone") {
        return TakeType::RoomTone;
    }
    if says(&["wl", "wildline", "wildlines"]) || pair("wild", "line") || pair("wild", "lines") {
        return TakeType::WildLine;
    }
    if take.wild == Some(true) || says(&["wt", "ws", "wildtrack", "wildsound", "wild", "sfx", "fx"])
    {
        return if spoken {
            TakeType::WildLine
        } else {
            TakeType::WildSound
        };
    }
    let tone_s: f64 = landmarks
        .iter()
        .filter(|l| l.kind == "lineup_tone")
        .map(|l| l.end_s - l.start_s)
        .fold(0.0, f64::max);
    if tone_s > 0.5 * take.duration_s() && !spoken {
        return TakeType::Tone;
    }
    if spoken {
        TakeType::Dialogue
    } else {
        TakeType::Unknown
    }
}

/// Words of scene, take, note and file name in lower case, cut at everything that is no letter and between letters and digits.
fn words(take: &Take) -> Vec<String> {
    let file = take
        .files
        .first()
        .map(|f| f.name.rsplit('/').next().unwrap_or(&f.name).to_owned());
    let file = file
        .as_deref()
        .and_then(|f| f.rsplit_once('.').map(|(stem, _)| stem.to_owned()));
    [
        take.scene.clone(),
        take.number.clone(),
        take.note.clone(),
        file,
    ]
    .into_iter()
    .flatten()
    .flat_map(|text| {
        text.to_lowercase()
            .split(|c: char| !c.is_alphabetic())
            .filter(|w| !w.is_empty())
            .map(str::to_owned)
            .collect::<Vec<_>>()
    })
    .collect()
}
