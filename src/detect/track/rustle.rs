//! `rustle`: clothing or contact noise on a body microphone.
//!
//! Fault: cloth moves on capsule, clip or cable.
//! Signature: short scratches between 1 and 10 kHz that no other microphone hears as it would hear the wearer's own voice.
//! Decision: per frame the level over what the other microphones predict (`unheard`), of most of the spectrum; voiced frames do
//! not count. The mean of what exceeds 3 dB over 0.3 s has to reach `min_excess_db`. White bursts (as loud per third of an
//! octave at 10 kHz as at 3 kHz), whistles, pulses of a phone and bursts that `rf_hit` reports are left to it.
//! Must not fire on: the wearer's voice, whisper, cough or laughter (another microphone follows them at a constant distance); sounds in the room; other microphones that are muted.
//! Known misses: cloth under the wearer's own loud speech; faint cloth below what the boom could hear; single-track takes.
//! Source: detection practice for rustle (level against the prediction from the boom, per third octave and talker).

use super::impulses::{Impulses, Span};
use super::{link, rf_hit, unheard};
use crate::compare::speech::runs;
use crate::detect::hearing::{QUIET_DB, levels_db, mean_level_db, percentile};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::frames::bands_within;
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::power_db;

static MIN_EXCESS_DB: Param = Param {
    key: "rustle.min_excess_db",
    default: 1.4,
    unit: "dB",
    range: (0.2, 12.0),
    why: "mean over 0.3 s of what exceeds the prediction by more than 3 dB; speech stays below 0.5 dB, coughs, doors and single strokes beside a muffled pack reach 1.3",
};
static MERGE_S: Param = Param {
    key: "rustle.merge_s",
    default: 0.6,
    unit: "s",
    range: (0.1, 5.0),
    why: "strokes of one movement follow each other within half a second",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "rustle",
    explain: Explain {
        means: "Cloth or contact noise on a body microphone.",
        sounds_like: "Scratching, crunching or grinding, in strokes, mostly high.",
        usual_cause: "Fabric on the capsule, the clip or the cable; starch and synthetics; a hug.",
        do_now: "Re-seat the microphone and its cable before the next take; use the boom for the words concerned.",
        measured_by: "Level from 1 to 10 kHz over what the other microphones predict from the wearer's own voice, every 20 ms.",
        not_to_confuse: "Coughs, laughter, whispers, typing and doors are on other microphones, too. Cloth under loud speech is missed.",
    },
    params: &[&MIN_EXCESS_DB, &MERGE_S],
    run: Run::Track(run),
};

/// Frames over which the excess is averaged, seconds.
const WINDOW_S: f64 = 0.3;
/// Excess of a frame from which it counts, dB, and up to which.
const FROM_DB: f64 = 3.0;
const UP_TO_DB: f64 = 12.0;
/// Harmonicity from which a frame is voice.
const VOICED: f32 = 0.7;

fn run(view: &TakeView<'_>, track: usize) -> Vec<Finding> {
    if view.track(track).role != Role::Lav || view.grid.frames < view.grid.frames_in(1.0) {
        return Vec::new();
    }
    let Some(unheard) = unheard::of(view, track) else {
        return Vec::new();
    };
    let grid = view.grid;
    let radio = link::lasting(view, track);
    let width = grid.frames_in(WINDOW_S);
    let frames = &view.tracks[track].frames;
    let credit: Vec<f64> = (0..grid.frames)
        .map(|f| {
            let e = unheard.at(f).most_db;
            if frames.harmonicity(f) < VOICED {
                (e - FROM_DB).clamp(0.0, UP_TO_DB)
            } else {
                0.0
            }
        })
        .collect();
    let mean = moving_mean(&credit, width);
    let least = view.settings.get(&MIN_EXCESS_DB);
    let merge = grid.frames_in(view.settings.get(&MERGE_S));
    stretches(&credit, &mean, least, merge)
        .into_iter()
        .filter(|&(start, end)| {
            let (a, b) = (grid.sample(start), grid.sample(end));
            // Of a burst as of any hit it matters how much it fills (`is_radio`).
            let mut lasts = radio.iter().filter(|r| r.make != link::Make::Burst);
            !lasts.any(|r| r.span.start < b && r.span.end > a)
        })
        .filter(|&(start, end)| {
            let out: Vec<bool> = credit[start..end].iter().map(|&c| c > 0.0).collect();
            let stretch = Stretch {
                frames: out.iter().filter(|&&o| o).count(),
                strokes: runs(&out).len(),
                colour_db: colour_db(view, track, &credit, start, end),
                mean_db: mean[start..end].iter().copied().fold(0.0, f64::max),
            };
            stretch.is_cloth(grid.frames_per_s())
        })
        .filter(|&(start, end)| !others_follow(view, track, &unheard.heard_by, &credit, start, end))
        .filter(|&(start, end)| !is_radio(view, track, grid.sample(start), grid.sample(end)))
        .map(|(start, end)| finding(view, track, &unheard.heard_by, &credit, &mean, start, end))
        .collect()
}

/// A stretch of which a burst of radio fills this share is that burst: its noise is as dull as cloth behind some receivers.
/// Frames reach 20 ms beyond what they show.
const RADIO_SHARE: f64 = 0.6;

/// Whether the stretch between two samples is one burst of radio that `rf_hit` reports.
fn is_radio(view: &TakeView<'_>, track: usize, start: u64, end: u64) -> bool {
    let all = Impulses::new(view);
    let fills = |span: &Span| {
        let shared = span.end.min(end).saturating_sub(span.start.max(start));
        shared as f64 >= RADIO_SHARE * (end - start) as f64
    };
    let place = all.tracks.iter().position(|&t| t == track);
    let hits = place.map_or(&[][..], |t| rf_hit::hits(view, &all, t));
    hits.iter().any(|hit| fills(&hit.span))
}

/// A microphone that is so far over its background and keeps its distance to this one so well (from the lowest tenth to the
/// highest) hears what this one hears, however much fainter: the wearer's cough while the boom is elsewhere, which keeps it
/// within 2 dB. Strokes of cloth beside words move it by 18. dB.
const HEARD_DB: f64 = 12.0;
const KEEPS_DISTANCE_DB: f64 = 3.0;
/// Frames that tell.
const LEAST_FRAMES: usize = 8;

/// Whether another microphone rises and falls with this one in the frames of a stretch that stick out.
fn others_follow(
    view: &TakeView<'_>,
    track: usize,
    others: &[usize],
    credit: &[f64],
    start: usize,
    end: usize,
) -> bool {
    let range = bands_within(1000.0, 10_000.0);
    let level = |t: usize, f: usize| {
        power_db(view.tracks[t].frames.band_power(f, range.clone())).max(QUIET_DB)
    };
    let out: Vec<usize> = (start..end).filter(|&f| credit[f] > 0.0).collect();
    others.iter().any(|&other| {
        let floor = |f: usize| power_db(view.tracks[other].floor.band_power(f, range.clone()));
        let distances: Vec<f64> = (out.iter())
            .filter(|&&f| level(other, f) >= floor(f) + HEARD_DB)
            .map(|&f| level(track, f) - level(other, f))
            .collect();
        distances.len() >= LEAST_FRAMES
            && 5 * distances.len() >= 4 * out.len()
            && percentile(&distances, 0.9) - percentile(&distances, 0.1) <= KEEPS_DISTANCE_DB
    })
}

/// Level of a third of an octave at 10 to 12.5 kHz over one at 2 to 5 kHz, dB, from which a burst is no cloth: noise of a radio
/// link is white (+5 dB), cloth falls with frequency (-3 dB and lower). Bursts that fill less than `SHORT_S` need the lower one.
const MOST_COLOUR_DB: f64 = 0.0;
const MOST_COLOUR_SHORT_DB: f64 = -2.6;
const SHORT_S: f64 = 0.16;
/// A single stroke that fills less may be a click, which reaches three or four frames. A row of strokes that fills less is two
/// clicks.
const LEAST_S: f64 = 0.1;
const LEAST_ROW_S: f64 = 0.05;

/// Largest mean over 0.3 s, dB, that what fills less than `SHORT_S` needs: a cough beside music reaches 1.5.
const LEAST_SHORT_DB: f64 = 2.0;

/// A stretch that sticks out.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    /// How many of its frames do, in how many strokes.
    frames: usize,
    strokes: usize,
    colour_db: f64,
    /// Largest mean of what exceeds the prediction by more than 3 dB, over 0.3 s.
    mean_db: f64,
}

impl Stretch {
    /// Whether it can be cloth.
    fn is_cloth(&self, per_s: f64) -> bool {
        let filled = self.frames as f64 / per_s;
        let single = self.strokes <= 1;
        let least_s = if single { LEAST_S } else { LEAST_ROW_S };
        let (most_colour, least_mean) = if filled < SHORT_S {
            (MOST_COLOUR_SHORT_DB, LEAST_SHORT_DB)
        } else {
            (MOST_COLOUR_DB, 0.0)
        };
        filled >= least_s - 1e-9 && self.colour_db <= most_colour && self.mean_db >= least_mean
    }
}

/// Mean level per third of an octave of 10 to 12.5 kHz less that of 2 to 5 kHz, of what sticks out in a stretch, dB.
fn colour_db(view: &TakeView<'_>, track: usize, credit: &[f64], start: usize, end: usize) -> f64 {
    let measures = &view.tracks[track];
    let group = |low_hz: f64, high_hz: f64| {
        let bands = bands_within(low_hz, high_hz);
        let count = bands.len().max(1) as f64;
        let sum: f64 = (start..end)
            .filter(|&f| credit[f] > 0.0)
            .map(|f| {
                let floor = measures.floor.band_power(f, bands.clone());
                (measures.frames.band_power(f, bands.clone()) - floor).max(0.0)
            })
            .sum();
        power_db(sum / count).max(QUIET_DB)
    };
    group(9_500.0, 13_000.0) - group(1_950.0, 5_200.0)
}

/// Frames from the first to the last that sticks out, per group of windows that reach the limit.
fn stretches(credit: &[f64], mean: &[f64], least: f64, merge: usize) -> Vec<(usize, usize)> {
    let hot: Vec<bool> = mean.iter().map(|&m| m >= least).collect();
    let mut found: Vec<(usize, usize)> = Vec::new();
    for (start, end) in runs(&hot) {
        let reach = 8;
        let first = start.saturating_sub(reach);
        let last = (end + reach).min(credit.len());
        let inside: Vec<usize> = (first..last).filter(|&f| credit[f] > 0.5).collect();
        let (Some(&a), Some(&b)) = (inside.first(), inside.last()) else {
            continue;
        };
        match found.last_mut() {
            Some(previous) if a <= previous.1 + merge => previous.1 = previous.1.max(b + 1),
            _ => found.push((a, b + 1)),
        }
    }
    found
}

fn moving_mean(x: &[f64], width: usize) -> Vec<f64> {
    let mut sums = vec![0.0; x.len() + 1];
    for (i, v) in x.iter().enumerate() {
        sums[i + 1] = sums[i] + v;
    }
    (0..x.len())
        .map(|i| {
            let (a, b) = (
                i.saturating_sub(width / 2),
                (i + width - width / 2).min(x.len()),
            );
            (sums[b] - sums[a]) / width as f64
        })
        .collect()
}

fn finding(
    view: &TakeView<'_>,
    track: usize,
    heard_by: &[usize],
    credit: &[f64],
    mean: &[f64],
    start: usize,
    end: usize,
) -> Finding {
    let grid = view.grid;
    let levels = levels_db(&view.tracks[track], 1000.0, 10_000.0);
    let speech = levels_db(&view.tracks[track], 60.0, 20_000.0);
    let here = mean_level_db(&levels, (start..end).filter(|&f| credit[f] > 0.0));
    let own = mean_level_db(&speech, view.speech.own_frames(track).into_iter());
    let strongest = mean[start..end].iter().copied().fold(0.0, f64::max);
    let strokes = runs(
        &credit[start..end]
            .iter()
            .map(|&c| c > 0.0)
            .collect::<Vec<_>>(),
    )
    .len();
    let on_a_line = view
        .speech
        .own_within(track, grid.sample(start), grid.sample(end));
    let length = (end - start) as f64 / grid.frames_per_s();
    let confidence = match strongest {
        s if s >= 3.0 => 0.97,
        s if s >= 1.6 => 0.93,
        _ => 0.85,
    };
    let others: Vec<usize> = heard_by.iter().map(|&m| view.track(m).index).collect();
    view.finding("rustle", track, grid.sample(start), grid.sample(end))
        .severity(if on_a_line { Severity::Fault } else { Severity::Caution })
        .confidence(confidence)
        .origin(Origin::ThisMic)
        .number("excess_db", strongest + FROM_DB, 1)
        .number("level_1k_10k_dbfs", here, 1)
        .number("level_re_speech_db", if own > QUIET_DB { here - own } else { f64::NAN }, 1)
        .fact("stroke_count", strokes)
        .fact("not_on", others)
        .says(
            format!(
                "{}: cloth or contact noise for {length:.1} s, at least {:.0} dB over what the other microphones hear.",
                view.track(track).label(),
                strongest + FROM_DB
            ),
            "Re-seat the microphone and its cable; use the boom for the words concerned.",
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strokes_of_one_movement_are_one_stretch() {
        let mut credit = vec![0.0; 500];
        for f in (100..140).chain(160..180).chain(400..420) {
            credit[f] = 6.0;
        }
        let mean = moving_mean(&credit, 15);
        assert_eq!(
            stretches(&credit, &mean, 0.9, 30),
            vec![(100, 180), (400, 420)]
        );
    }

    #[test]
    fn white_bursts_and_faint_short_ones_are_no_cloth() {
        let is_cloth = |frames, strokes, colour_db, mean_db| {
            let stretch = Stretch {
                frames,
                strokes,
                colour_db,
                mean_db,
            };
            stretch.is_cloth(50.0)
        };
        assert!(is_cloth(20, 1, -6.0, 1.5));
        assert!(is_cloth(8, 1, -4.0, 1.5));
        assert!(!is_cloth(20, 1, 4.0, 6.0), "splat");
        assert!(!is_cloth(5, 2, -2.0, 6.0), "crackle of a fading link");
        assert!(!is_cloth(4, 1, -6.0, 6.0), "a click");
        assert!(!is_cloth(7, 1, -6.0, 1.6), "start of a cough");
        assert!(is_cloth(5, 1, -6.0, 2.1), "one strong stroke");
        assert!(is_cloth(4, 2, -6.0, 2.5), "two short strokes");
        assert!(!is_cloth(4, 2, -6.0, 1.5), "two faint ones, a cough");
    }

    #[test]
    fn a_single_frame_is_no_rustle() {
        let mut credit = vec![0.0; 100];
        credit[50] = 12.0;
        let mean = moving_mean(&credit, 15);
        assert!(stretches(&credit, &mean, 0.9, 30).is_empty());
        assert!(moving_mean(&[], 15).is_empty());
    }
}
