//! The answers of a take: which microphone for each line, the state of each microphone over time, the verdict.

use super::cover::{self, Kind, Line};
use crate::compare::speech::runs;
use crate::detect::{Finding, TakeView};
use crate::measure::frames::bands_within;
use crate::report::model::{
    MicState, MicStretch, MicTimeline, NotJudged, Range, Role, Severity, Speech, Verdict,
};
use crate::units::{level, power_db, rounded, seconds};

/// Faults decide; labels, cautions and the place do not.
pub fn verdict(findings: &[Finding], no_clean_mic: &[Range]) -> Verdict {
    if !no_clean_mic.is_empty() {
        Verdict::NoCleanMic
    } else if findings.iter().any(|f| f.severity == Severity::Fault) {
        Verdict::OtherMic
    } else {
        Verdict::NothingFound
    }
}

/// Stretches of lines where a microphone that is there for them is spoiled by a fault and no other holds them.
pub fn no_clean_mic(view: &TakeView<'_>, lines: &[Line], findings: &[Finding]) -> Vec<Range> {
    let rate = view.take.rate;
    let mut bad: Vec<(u64, u64)> = Vec::new();
    for f in findings.iter().filter(|f| f.severity == Severity::Fault) {
        for line in lines.iter().filter(|l| {
            l.heard() && l.is_said(rate) && f.tracks.iter().any(|&t| l.carried_by(t - 1))
        }) {
            let Some(spot) = cover::spot(line, f, rate) else {
                continue;
            };
            let held = line.mics.iter().any(|h| {
                h.useful()
                    && !f.tracks.contains(&(h.position + 1))
                    && cover::clean(findings, h.position, spot.start, spot.end)
            });
            if !held {
                bad.push((
                    f.start.max(line.range.start),
                    f.end.max(f.start + 1).min(line.range.end),
                ));
            }
        }
    }
    bad.sort_unstable();
    let mut joined: Vec<(u64, u64)> = Vec::new();
    for (start, end) in bad {
        match joined.last_mut() {
            Some(last) if start <= last.1 => last.1 = last.1.max(end),
            _ => joined.push((start, end)),
        }
    }
    joined
        .into_iter()
        .map(|(start, end)| Range {
            start_s: rounded(seconds(start, rate), 6).unwrap_or(0.0),
            end_s: rounded(seconds(end, rate), 6).unwrap_or(0.0),
            start_tc: view.take.clock.label(start),
        })
        .collect()
}

/// Each line with the microphones that hold it.
pub fn speech(view: &TakeView<'_>, lines: &[Line], findings: &[Finding]) -> Vec<Speech> {
    lines
        .iter()
        .map(|line| {
            let heard: Vec<&cover::Hearing> = line.mics.iter().filter(|h| h.useful()).collect();
            let clean_tracks: Vec<usize> = heard
                .iter()
                .filter(|h| cover::clean(findings, h.position, line.range.start, line.range.end))
                .map(|h| h.position + 1)
                .collect();
            let best = cover::best(line, findings);
            let mut sorted = clean_tracks;
            sorted.sort_unstable();
            let mut heard_on: Vec<usize> = heard.iter().map(|h| h.position + 1).collect();
            heard_on.sort_unstable();
            Speech {
                start_s: rounded(seconds(line.range.start, view.take.rate), 6).unwrap_or(0.0),
                end_s: rounded(seconds(line.range.end, view.take.rate), 6).unwrap_or(0.0),
                talker: line.talker.map(|t| view.speech.talkers[t].name.clone()),
                best_track: best.map(|(h, _)| h.position + 1),
                best_reason: best.map_or_else(
                    || "no microphone hears it well".into(),
                    |(h, whole)| reason(h, whole),
                ),
                clean_tracks: sorted,
                heard_on,
                level_dbfs: speech_level(view, line),
                effort: line
                    .talker
                    .and_then(|t| view.speech.effort(t, line.frames.clone()))
                    .map(str::to_owned),
            }
        })
        .collect()
}

fn reason(h: &cover::Hearing, whole: bool) -> String {
    let who = match h.kind {
        Kind::Boom if h.on_mic => "boom on mic",
        Kind::Boom => "boom, off mic",
        Kind::Plant if h.on_mic => "plant on mic",
        Kind::Plant => "plant, off mic",
        Kind::Own => "the talker's own body mic",
        Kind::Spare => "spare pack on the talker",
        Kind::Other => "another actor's body mic, possible only",
    };
    let state = if whole {
        "clean for the whole line"
    } else {
        "the least spoiled"
    };
    format!("{who}, {state}, voice {:.0} dB over the noise", h.over_db)
}

/// Mean level of the voice band on the talker's own microphone (else the best one that hears it), dBFS.
fn speech_level(view: &TakeView<'_>, line: &Line) -> Option<f64> {
    let position = line
        .mics
        .iter()
        .find(|h| h.kind == Kind::Own)
        .or_else(|| line.mics.first())?
        .position;
    let frames = &view.tracks[position].frames;
    let voice = bands_within(100.0, 8000.0);
    let mut powers: Vec<f64> = line
        .frames
        .clone()
        .map(|f| frames.band_power(f, voice.clone()))
        .collect();
    powers.sort_by(f64::total_cmp);
    // Active level: pauses within the line (more than 16 dB below its loud part) do not count.
    let loud = *powers.get(powers.len() * 9 / 10)?;
    let active: Vec<f64> = powers.into_iter().filter(|&p| p > loud / 40.0).collect();
    level(power_db(
        active.iter().sum::<f64>() / active.len().max(1) as f64,
    ))
}

/// Clean, faulty, silent or off-mic, per microphone.
pub fn mic_timeline(view: &TakeView<'_>, lines: &[Line], findings: &[Finding]) -> Vec<MicTimeline> {
    let grid = view.grid;
    cover::candidates(view)
        .into_iter()
        .map(|position| {
            let mut states = vec![MicState::Silent; grid.frames];
            for line in lines.iter().filter(|l| l.carried_by(position)) {
                let on_mic = line.mics.iter().any(|h| h.position == position && h.on_mic);
                let state = if on_mic {
                    MicState::Clean
                } else {
                    MicState::OffMic
                };
                states[line.frames.clone()].fill(state);
            }
            for f in findings
                .iter()
                .filter(|f| cover::spoils(f) && f.tracks.contains(&(position + 1)))
            {
                let state = if f.kind == "off_mic" {
                    MicState::OffMic
                } else {
                    MicState::Faulty
                };
                if grid.frames > 0 {
                    let last = grid.frame(f.end.saturating_sub(1).max(f.start));
                    states[grid.frame(f.start)..=last].fill(state);
                }
            }
            MicTimeline {
                track: position + 1,
                stretches: stretches(view, &states),
            }
        })
        .collect()
}

fn stretches(view: &TakeView<'_>, states: &[MicState]) -> Vec<MicStretch> {
    let mut out: Vec<MicStretch> = Vec::new();
    let mut first = 0;
    for frame in 1..=states.len() {
        if frame == states.len() || states[frame] != states[first] {
            out.push(MicStretch {
                start_s: rounded(view.grid.time_s(first), 6).unwrap_or(0.0),
                end_s: rounded(view.grid.time_s(frame), 6).unwrap_or(0.0),
                state: states[first],
            });
            first = frame;
        }
    }
    out
}

/// Tests that could not run here, and why.
pub fn not_judged(view: &TakeView<'_>) -> Vec<NotJudged> {
    let mut out = Vec::new();
    let index = |positions: Vec<usize>| positions.into_iter().map(|p| p + 1).collect::<Vec<_>>();
    let lavs = view.with_role(Role::Lav);
    let open = view.with_role(Role::Boom).len() + view.with_role(Role::Plant).len();
    let microphones = view.microphones();
    if open == 0 && !lavs.is_empty() {
        out.push(NotJudged {
            kind: "muffled".into(),
            tracks: index(lavs.clone()),
            why: "no boom to compare with: only a change within the take can be seen".into(),
        });
    }
    if microphones.len() < 2 {
        for kind in ["polarity_inverted", "duplicate_track", "late_track"] {
            out.push(NotJudged {
                kind: kind.into(),
                tracks: index(microphones.clone()),
                why: "needs two microphones".into(),
            });
        }
    }
    if view.with_role(Role::Mix).is_empty() {
        for kind in ["comb_filtering", "open_mic", "true_peak_over"] {
            out.push(NotJudged {
                kind: kind.into(),
                tracks: vec![],
                why: "no mix track".into(),
            });
        }
    }
    let spoken: usize = runs(&view.speech.any).iter().map(|(a, b)| b - a).sum();
    if spoken < view.grid.frames_in(1.0) {
        for kind in ["level_low", "level_hot", "noise_high", "muffled"] {
            if !out.iter().any(|n| n.kind == kind) {
                out.push(NotJudged {
                    kind: kind.into(),
                    tracks: index(microphones.clone()),
                    why: "less than one second of speech".into(),
                });
            }
        }
    }
    out
}
