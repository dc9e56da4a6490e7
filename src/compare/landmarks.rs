//! Things in a take that are no faults and help to find one's way: slate claps, line-up tone, timecode on a track.

use rayon::prelude::*;

use crate::compare::SpeechMap;
use crate::compare::speech::runs;
use crate::measure::frames::bands_within;
use crate::measure::{BANDS, TrackMeasures};
use crate::report::model::{Landmark, Role, RoleSource};
use crate::take::Take;
use crate::units::{power, power_db, rounded};

/// A head slate comes within the first minute, a tail slate within the last twenty seconds (detection practice).
const HEAD_S: f64 = 60.0;
const TAIL_S: f64 = 20.0;
/// A clap stands this far over what was just before it and over the background, in each of three bands.
const RISE_DB: f64 = 15.0;
/// and has fallen by this much a quarter of a second later.
const FALL_DB: f64 = 12.0;
/// Line-up tone: share of power in one third octave and its neighbours, steadiness, least length.
const TONE_SHARE: f64 = 0.99;
const TONE_STEADY_DB: f64 = 0.15;
const TONE_S: f64 = 1.0;
const TONE_LEAST_DBFS: f64 = -60.0;
/// Talk before a clap that is longer than this is dialogue, not the announcement.
const ANNOUNCED_S: f64 = 0.5;

/// Roles that the signal tells and the labels do not: a track that carries timecode is a timecode track whatever its name (the
/// user's word counts more); a nameless track with nothing but tone is a tone track.
pub fn roles(take: &mut Take, tracks: &[TrackMeasures]) {
    for (track, measures) in take.tracks.iter_mut().zip(tracks) {
        if track.role_source == RoleSource::User {
            continue;
        }
        let role = if measures.ltc.is_some() {
            Role::Timecode
        } else if track.role == Role::Unknown && tone_share(measures) > 0.8 {
            Role::Tone
        } else {
            continue;
        };
        if track.role != role {
            track.role = role;
            track.role_source = RoleSource::Signal;
            track.talker = None;
        }
    }
}

/// Start of the take according to a timecode track, samples since midnight; `None` without one, without a frame rate to count
/// in, and for code that runs backwards or jumps.
pub fn clock(take: &Take, tracks: &[TrackMeasures]) -> Option<u64> {
    let ltc = tracks.iter().find_map(|t| t.ltc)?;
    let frame_rate = take.clock.frame_rate?;
    let nominal = f64::from(frame_rate.0) / f64::from(frame_rate.1.max(1));
    // Code at another rate says nothing about the place on this clock.
    let same_rate = (ltc.frames_per_s(take.rate) / nominal - 1.0).abs() < 0.02;
    (same_rate && !ltc.reversed && ltc.jumps == 0).then(|| ltc.start(take.rate, frame_rate))
}

fn tone_share(measures: &TrackMeasures) -> f64 {
    let frames: usize = tones(measures).iter().map(|(a, b)| b - a).sum();
    frames as f64 / measures.frames.grid.frames.max(1) as f64
}

/// All landmarks of a take, in order of time.
pub fn landmarks(take: &Take, tracks: &[TrackMeasures], speech: &SpeechMap) -> Vec<Landmark> {
    let mut found = timecode(take, tracks);
    found.extend(lineup_tones(take, tracks));
    found.extend(slates(take, tracks, speech));
    found.sort_by(|a, b| {
        a.start_s
            .total_cmp(&b.start_s)
            .then_with(|| a.kind.cmp(&b.kind))
    });
    found
}

fn timecode(take: &Take, tracks: &[TrackMeasures]) -> Vec<Landmark> {
    let with: Vec<usize> = (0..tracks.len())
        .filter(|&i| tracks[i].ltc.is_some())
        .map(|i| i + 1)
        .collect();
    if with.is_empty() {
        return Vec::new();
    }
    vec![Landmark {
        kind: "timecode".into(),
        start_s: 0.0,
        end_s: rounded(take.duration_s(), 6).unwrap_or(0.0),
        tracks: with,
    }]
}

/// Runs of frames in which a track holds one steady tone and nothing else.
fn tones(measures: &TrackMeasures) -> Vec<(usize, usize)> {
    let frames = &measures.frames;
    let pure: Vec<bool> = (0..frames.grid.frames)
        .map(|f| {
            let row = frames.row(f);
            let all: f64 = row.iter().map(|&p| f64::from(p)).sum();
            let top = (0..BANDS)
                .max_by(|&a, &b| row[a].total_cmp(&row[b]))
                .unwrap_or(0);
            let near: f64 = row[top.saturating_sub(1)..(top + 2).min(BANDS)]
                .iter()
                .map(|&p| f64::from(p))
                .sum();
            near > TONE_SHARE * all && power_db(f64::from(frames.power[f])) > TONE_LEAST_DBFS
        })
        .collect();
    let least = frames.grid.frames_in(TONE_S);
    runs(&pure)
        .into_iter()
        // The frames at both ends hold the edge of the tone.
        .map(|(a, b)| (a + 1, b.saturating_sub(1)))
        .filter(|&(a, b)| b >= a + least)
        .filter(|&(a, b)| {
            let levels: Vec<f64> = (a..b)
                .map(|f| power_db(f64::from(frames.power[f])))
                .collect();
            let mean = levels.iter().sum::<f64>() / levels.len() as f64;
            let spread = levels.iter().map(|l| (l - mean).powi(2)).sum::<f64>();
            (spread / levels.len() as f64).sqrt() < TONE_STEADY_DB
        })
        .collect()
}

fn lineup_tones(take: &Take, tracks: &[TrackMeasures]) -> Vec<Landmark> {
    let mut found: Vec<(usize, usize, Vec<usize>)> = Vec::new();
    let of_track: Vec<_> = tracks.par_iter().map(tones).collect();
    for (i, tones) in of_track.into_iter().enumerate() {
        if take.tracks[i].role == Role::Timecode {
            continue;
        }
        for (a, b) in tones {
            // The same tone on several tracks is one landmark.
            match found
                .iter_mut()
                .find(|(x, y, _)| x.abs_diff(a) <= 2 && y.abs_diff(b) <= 2)
            {
                Some((_, _, on)) => on.push(i + 1),
                None => found.push((a, b, vec![i + 1])),
            }
        }
    }
    found
        .into_iter()
        .map(|(a, b, on)| {
            let grid = tracks[on[0] - 1].frames.grid;
            Landmark {
                kind: "lineup_tone".into(),
                start_s: rounded(grid.time_s(a), 6).unwrap_or(0.0),
                end_s: rounded(grid.time_s(b), 6).unwrap_or(0.0),
                tracks: on,
            }
        })
        .collect()
}

/// Frames at which a track hears something struck: a sudden rise in all of three bands, and a fall soon after.
fn strokes(measures: &TrackMeasures) -> Vec<(usize, f64)> {
    let frames = &measures.frames;
    let grid = frames.grid;
    let parts = [(500.0, 2000.0), (2000.0, 5500.0), (5500.0, 12_500.0)]
        .map(|(low, high)| bands_within(low, high));
    let faint = |power: f64| power.max(1e-15);
    let of = |f: usize| parts.clone().map(|part| faint(frames.band_power(f, part)));
    let powers: Vec<_> = (0..grid.frames).map(of).collect();
    // Next to no frame holds a stroke: powers are compared, which takes no logarithm.
    let rise = power(RISE_DB);
    let all = bands_within(500.0, 12_500.0);
    let level = |f: usize| power_db(faint(frames.band_power(f, all.clone())));
    let after = grid.frames_in(0.25);
    let mut found: Vec<(usize, f64)> = Vec::new();
    for f in 3..grid.frames.saturating_sub(1) {
        let rises = parts.iter().enumerate().all(|(k, part)| {
            // Windows overlap: the stroke may show in this frame or the next.
            let now = powers[f][k].max(powers[f + 1][k]);
            let before = powers[f - 3][k].max(powers[f - 2][k]);
            let floor = || faint(measures.floor.band_power(f, part.clone()));
            now > rise * before && now > rise * floor()
        });
        if !rises {
            continue;
        }
        let top = level(f).max(level(f + 1));
        let later = level((f + after).min(grid.frames - 1));
        if top - later < FALL_DB {
            continue;
        }
        match found.last_mut() {
            Some(last) if f - last.0 <= 5 => {
                if top > last.1 {
                    last.1 = top;
                }
            }
            _ => found.push((f, top)),
        }
    }
    found
}

/// Claps of a slate: struck, heard by two microphones (or by the only one), before the dialogue or after it. A clap in the
/// middle of a take counts only after a pause, as strong as the first: a second stick.
fn slates(take: &Take, tracks: &[TrackMeasures], speech: &SpeechMap) -> Vec<Landmark> {
    let microphones: Vec<usize> = (0..tracks.len())
        .filter(|&i| take.tracks[i].is_microphone())
        .collect();
    let Some(&first) = microphones.first() else {
        return Vec::new();
    };
    let grid = tracks[first].frames.grid;
    let heard: Vec<(usize, Vec<(usize, f64)>)> = microphones
        .par_iter()
        .map(|&m| (m, strokes(&tracks[m])))
        .collect();
    let needed = microphones.len().min(2);
    let mut claps: Vec<(usize, Vec<usize>)> = Vec::new();
    let mut all: Vec<usize> = heard
        .iter()
        .flat_map(|(_, list)| list.iter().map(|&(f, _)| f))
        .collect();
    all.sort_unstable();
    for f in all {
        if claps.last().is_some_and(|(last, _)| f - last <= 5) {
            continue;
        }
        let on: Vec<usize> = heard
            .iter()
            .filter(|(_, list)| list.iter().any(|&(g, _)| g.abs_diff(f) <= 2))
            .map(|&(m, _)| m)
            .collect();
        if on.len() >= needed {
            claps.push((f, on));
        }
    }
    // Dialogue: what a wearer says for longer than an announcement's stray word.
    let lines: Vec<(usize, usize)> = speech
        .stretches
        .iter()
        .filter(|s| {
            (s.talker.is_some() || speech.talkers.is_empty())
                && s.end - s.start >= grid.frames_in(ANNOUNCED_S)
        })
        .map(|s| (s.start, s.end))
        .collect();
    let first_line = lines.iter().map(|l| l.0).min().unwrap_or(grid.frames);
    let last_line = lines.iter().map(|l| l.1).max().unwrap_or(0);
    let quiet_before = |f: usize, seconds: f64| {
        !lines
            .iter()
            .any(|&(a, b)| a < f && b + grid.frames_in(seconds) > f)
    };
    let head = claps
        .iter()
        .find(|(f, _)| *f < first_line && grid.time_s(*f) < HEAD_S)
        .cloned();
    let strength = |f: usize| {
        heard
            .iter()
            .flat_map(|(_, list)| list.iter().filter(|s| s.0.abs_diff(f) <= 2).map(|s| s.1))
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let mut slates: Vec<(usize, Vec<usize>)> = Vec::new();
    for (f, on) in &claps {
        let at = grid.time_s(*f);
        let is_head = head.as_ref().is_some_and(|h| h.0 == *f);
        let is_tail = *f > last_line && last_line > 0 && at > take.duration_s() - TAIL_S;
        let is_second = head.as_ref().is_some_and(|h| {
            *f > first_line.max(h.0)
                && quiet_before(*f, 3.0)
                && (strength(h.0) - strength(*f)).abs() < 8.0
        });
        if is_head || is_tail || is_second {
            slates.push((*f, on.clone()));
        }
    }
    slates
        .into_iter()
        .map(|(f, on)| Landmark {
            kind: "slate_clap".into(),
            start_s: rounded(grid.time_s(f), 6).unwrap_or(0.0),
            end_s: rounded(grid.time_s((f + grid.frames_in(0.1)).min(grid.frames)), 6)
                .unwrap_or(0.0),
            tracks: on.into_iter().map(|m| m + 1).collect(),
        })
        .collect()
}
