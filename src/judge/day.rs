//! What holds between takes: setups, alternates, faults that came and stayed, trends, room tone.
//!
//! Works on the report's own types, so that takes read from an earlier check and takes analysed now are judged alike.

use std::collections::BTreeMap;

use serde_json::{Map, Value};

use super::passages;
use super::rank::{spoken, take_label};
use crate::report::model::{
    Alternate, Finding, Origin, Range, Role, Setup, Severity, Speech, Take, TakeType, Trend,
    TrendPoint, Verdict,
};
use crate::units::rounded;

/// A fault is slow when it holds on this many takes in a row, up to the last take with that track.
const STAYS: usize = 3;

/// Kinds that come with a take and stay.
const SLOW: [&str; 11] = [
    "muffled",
    "hum",
    "noise_high",
    "polarity_inverted",
    "dc_offset",
    "dead_track",
    "late_track",
    "level_low",
    "level_hot",
    "post_fader",
    "bleed",
];

/// What the day adds to its takes.
#[derive(Debug, Default)]
pub struct Judged {
    /// Slow faults.
    pub findings: Vec<Finding>,
    /// Takes by scene and setup, in order of appearance.
    pub setups: Vec<Setup>,
    /// Each microphone over the day.
    pub trends: Vec<Trend>,
}

/// Judge the day. `takes` in report order, with ids; their alternates are filled in.
pub fn judge(takes: &mut [Take]) -> Judged {
    let setups = setups(takes);
    alternates(takes, &setups);
    Judged {
        findings: slow_faults(takes),
        trends: trends(takes),
        setups,
    }
}

/// A choice for the cut: dialogue, not marked as no good, no false start.
fn in_play(take: &Take) -> bool {
    take.no_good != Some(true)
        && !matches!(
            take.take_type,
            TakeType::FalseStart | TakeType::RoomTone | TakeType::Tone | TakeType::WildSound
        )
}

/// Scene number and setup letters of a label: `27B` is setup B of scene 27. Letters before the number belong to the scene.
pub fn scene_and_setup(label: &str) -> (String, String) {
    let label = label.trim();
    let cut = label
        .rfind(|c: char| c.is_ascii_digit())
        .map_or(label.len(), |i| i + 1);
    let (scene, setup) = label.split_at(cut);
    if !setup.is_empty() && setup.len() <= 3 && setup.chars().all(|c| c.is_ascii_alphabetic()) {
        (scene.to_uppercase(), setup.to_uppercase())
    } else {
        (label.to_uppercase(), String::new())
    }
}

fn setups(takes: &[Take]) -> Vec<Setup> {
    let mut setups: Vec<Setup> = Vec::new();
    for take in takes {
        let Some(label) = take.scene.as_deref().filter(|s| !s.trim().is_empty()) else {
            continue;
        };
        let (scene, setup) = scene_and_setup(label);
        let at = match setups
            .iter()
            .position(|s| s.scene == scene && s.setup == setup)
        {
            Some(at) => at,
            None => {
                setups.push(Setup {
                    scene,
                    setup,
                    takes: vec![],
                    clean_takes: vec![],
                    room_tone_s: BTreeMap::new(),
                });
                setups.len() - 1
            }
        };
        let entry = &mut setups[at];
        entry.takes.push(take.id.clone());
        if in_play(take) && take.verdict != Verdict::NoCleanMic {
            entry.clean_takes.push(take.id.clone());
        }
        for track in take
            .tracks
            .iter()
            .filter(|t| matches!(t.role, Role::Boom | Role::Lav | Role::Plant))
        {
            let Some(seconds) = track.room_tone_s else {
                continue;
            };
            let name = track
                .name
                .clone()
                .unwrap_or_else(|| format!("track {}", track.index));
            let longest = entry.room_tone_s.entry(name).or_insert(0.0);
            *longest = longest.max(seconds);
        }
    }
    setups
}

/// For each take without a clean microphone: the other takes of the setup that could stand for it, clean ones first.
fn alternates(takes: &mut [Take], setups: &[Setup]) {
    let places: BTreeMap<String, usize> = takes
        .iter()
        .enumerate()
        .map(|(at, take)| (take.id.clone(), at))
        .collect();
    let mut setup_of: BTreeMap<&str, &Setup> = BTreeMap::new();
    for setup in setups {
        setup_of.extend(setup.takes.iter().map(|id| (id.as_str(), setup)));
    }
    for at in 0..takes.len() {
        takes[at].alternates = if takes[at].verdict == Verdict::NoCleanMic {
            let id = takes[at].id.clone();
            let mut list: Vec<Alternate> = setup_of
                .get(id.as_str())
                .into_iter()
                .flat_map(|s| &s.takes)
                .filter(|other| **other != id)
                .filter_map(|other| Some(&takes[*places.get(other)?]))
                .filter(|t| in_play(t))
                .map(|t| alternate(&takes[at], t))
                .collect();
            list.sort_by_key(|a| !a.clean);
            list
        } else {
            Vec::new()
        };
    }
}

/// What another take of the setup holds: the same words where the sound alone says so, else only the take as a whole.
fn alternate(take: &Take, other: &Take) -> Alternate {
    let lines_of = |lost: &Range| -> Vec<&Speech> {
        let lines = take.speech.iter();
        lines
            .filter(|s| s.start_s < lost.end_s && s.end_s > lost.start_s)
            // A cough or a single word beside the line is not looked for.
            .filter(|s| s.talker.is_some() && s.end_s - s.start_s >= passages::LEAST_S)
            .collect()
    };
    let found = |s: &Speech| {
        let name = s.talker.as_deref()?;
        let mine = take.curves.iter().find(|c| c.talker == name)?;
        let there = other.curves.iter().find(|c| c.talker == name)?;
        passages::find(mine, s.start_s, s.end_s, there)
    };
    // Every lost line has to be there again; where one is not, nothing but the take is claimed.
    let again: Option<Vec<(f64, f64)>> = take
        .no_clean_mic
        .iter()
        .flat_map(|lost| match lines_of(lost) {
            lines if lines.is_empty() => vec![None],
            lines => lines.into_iter().map(found).collect(),
        })
        .collect();
    let whole = other.verdict != Verdict::NoCleanMic;
    match again.as_deref() {
        Some(ranges @ [_, ..]) => {
            let spoiled = ranges.iter().any(|&(start, end)| {
                other
                    .no_clean_mic
                    .iter()
                    .any(|r| r.start_s < end && r.end_s > start)
            });
            let edge = |pick: fn(f64, f64) -> f64, from: f64, value: fn(&(f64, f64)) -> f64| {
                rounded(ranges.iter().map(value).fold(from, pick), 2)
            };
            Alternate {
                take: other.id.clone(),
                clean: !spoiled,
                start_s: edge(f64::min, f64::INFINITY, |r| r.0),
                end_s: edge(f64::max, 0.0, |r| r.1),
            }
        }
        _ => Alternate {
            take: other.id.clone(),
            clean: whole,
            start_s: None,
            end_s: None,
        },
    }
}

/// Name by which a microphone is followed over the day.
fn names(take: &Take) -> impl Iterator<Item = (&str, usize)> {
    take.tracks
        .iter()
        .filter(|t| matches!(t.role, Role::Boom | Role::Lav | Role::Plant))
        .filter_map(|t| Some((t.name.as_deref()?.trim(), t.index)))
        .filter(|(name, _)| !name.is_empty())
}

fn slow_faults(takes: &[Take]) -> Vec<Finding> {
    let mut everybody: Vec<&str> = takes
        .iter()
        .flat_map(|t| names(t).map(|(n, _)| n))
        .collect();
    everybody.sort_unstable();
    everybody.dedup();
    let mut found = Vec::new();
    for kind in SLOW {
        for &name in &everybody {
            // Takes that could show it: the track is there and there is something to judge it by.
            let with: Vec<(usize, Option<&Finding>)> = takes
                .iter()
                .enumerate()
                .filter(|(_, t)| t.take_type == TakeType::Dialogue)
                .filter_map(|(k, t)| {
                    let (_, index) = names(t).find(|(n, _)| *n == name)?;
                    let finding = t
                        .findings
                        .iter()
                        .filter(|f| {
                            f.kind == kind
                                && f.severity > Severity::Note
                                && f.origin != Origin::Place
                                && f.tracks.contains(&index)
                        })
                        .max_by(|a, b| a.confidence.total_cmp(&b.confidence));
                    Some((k, finding))
                })
                .collect();
            let since = with
                .iter()
                .rposition(|(_, f)| f.is_none())
                .map_or(0, |i| i + 1);
            let run = &with[since..];
            if run.len() >= STAYS {
                let last_good = since.checked_sub(1).map(|i| &takes[with[i].0]);
                found.push(slow_fault(takes, kind, name, run, last_good));
            }
        }
    }
    found
}

fn slow_fault(
    takes: &[Take],
    kind: &str,
    name: &str,
    run: &[(usize, Option<&Finding>)],
    last_good: Option<&Take>,
) -> Finding {
    let first = &takes[run[0].0];
    let from = take_label(first);
    let confidence = run
        .iter()
        .filter_map(|(_, f)| f.map(|f| f.confidence))
        .fold(0.0, f64::max);
    let mut evidence = Map::new();
    evidence.insert("takes_count".into(), (run.len() as u64).into());
    evidence.insert("track_name".into(), name.into());
    evidence.insert("first_take".into(), from.clone().into());
    evidence.insert(
        "last_good_take".into(),
        last_good.map_or(Value::Null, |t| take_label(t).into()),
    );
    let message = match last_good {
        Some(good) => format!(
            "{name} {} from {from} on; last good take {}.",
            spoken(kind),
            take_label(good)
        ),
        None => format!("{name} {} in all {} takes.", spoken(kind), run.len()),
    };
    Finding {
        id: String::new(),
        kind: kind.into(),
        severity: Severity::Caution,
        confidence: rounded(confidence, 2).unwrap_or(0.0),
        origin: Origin::ThisMic,
        tracks: Vec::new(),
        takes: Some(run.iter().map(|(k, _)| takes[*k].id.clone()).collect()),
        files: Some(Vec::new()),
        start_sample: None,
        end_sample: None,
        start_s: None,
        end_s: None,
        start_tc: first.start_timecode.clone(),
        end_tc: None,
        evidence,
        message,
        advice: match kind {
            "muffled" => "Tell costume and have a look at the mic before the next take.",
            "polarity_inverted" => {
                "Flip it in the edit for all these takes; check the cable or adapter."
            }
            "dead_track" => "Check the pack and the patch before the next take.",
            _ => "Check the pack, the cable and the gain before the next take.",
        }
        .into(),
    }
}

fn trends(takes: &[Take]) -> Vec<Trend> {
    let mut trends: Vec<Trend> = Vec::new();
    for take in takes {
        for (name, index) in names(take) {
            let Some(track) = take.tracks.iter().find(|t| t.index == index) else {
                continue;
            };
            let hits: u64 = take
                .findings
                .iter()
                .filter(|f| f.kind == "rf_hit" && f.tracks.contains(&index))
                .map(|f| {
                    f.evidence
                        .get("events")
                        .and_then(Value::as_u64)
                        .unwrap_or(1)
                })
                .sum();
            let point = TrendPoint {
                take: take.id.clone(),
                noise_floor_dbfs: track.measurements.noise_floor_dbfs,
                bandwidth_hz: track.measurements.bandwidth_hz,
                hits_per_min: (take.duration_s > 0.0)
                    .then(|| rounded(hits as f64 * 60.0 / take.duration_s, 2))
                    .flatten(),
            };
            match trends.iter_mut().find(|t| t.track_name == name) {
                Some(trend) => trend.points.push(point),
                None => trends.push(Trend {
                    track_name: name.to_owned(),
                    points: vec![point],
                }),
            }
        }
    }
    trends.sort_by(|a, b| a.track_name.cmp(&b.track_name));
    trends
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn setup_letters_follow_the_scene_number() {
        let split = |s| {
            let (scene, setup) = scene_and_setup(s);
            format!("{scene}/{setup}")
        };
        assert_eq!(split("27B"), "27/B");
        assert_eq!(split("27b"), "27/B");
        assert_eq!(split("27"), "27/");
        assert_eq!(split("A27"), "A27/");
        assert_eq!(split("112AA"), "112/AA");
        assert_eq!(split("roof"), "ROOF/");
        assert_eq!(split("27 pickup"), "27 PICKUP/");
        assert_eq!(split(""), "/");
    }

    #[test]
    fn an_empty_day_has_nothing_to_say() {
        let day = judge(&mut []);
        assert!(day.findings.is_empty() && day.setups.is_empty() && day.trends.is_empty());
    }
}
