//! `rustle`: clothing or contact noise on a body microphone.
//!
//! Fault: cloth moves on capsule, clip or cable.
//! Signature: short scratches between 1 and 10 kHz that no other microphone hears as it would hear the wearer's own voice.
//! Decision: per frame the level over what the other microphones predict (`unheard`), of most of the spectrum; voiced frames
//! count only where they are as bright as cloth. The mean of what exceeds 3 dB over 0.3 s has to reach `min_excess_db`. Under words single strokes are told where
//! they stand out above 8 kHz by `min_stroke_db` (`impulses`). White bursts (as loud per third of an octave at 10 kHz as at
//! 3 kHz), whistles, pulses of a phone and bursts that `rf_hit` reports are left to it.
//! Must not fire on: the wearer's voice, whisper, cough or laughter (another microphone follows them at a constant distance); sounds in the room; other microphones that are muted.
//! Known misses: soft cloth under the wearer's own loud speech; faint cloth below what the boom could hear; single-track takes.
//! Source: detection practice for rustle (level against the prediction from the boom, per third octave and talker).

use super::impulses::{Burst, Impulses, Span};
use super::{dropout, link, rf_hit, unheard};
use crate::compare::speech::runs;
use crate::detect::hearing::{QUIET_DB, levels_db, mean_level_db, percentile};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::frames::bands_within;
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::{self, power_db};

static MIN_EXCESS_DB: Param = Param {
    key: "rustle.min_excess_db",
    default: 1.1,
    unit: "dB",
    range: (0.2, 12.0),
    why: "mean over 0.3 s of what exceeds the prediction by more than 3 dB; speech stays below 0.6 dB; 2 dB is asked for what is darker than cloth, because coughs reach 1.8",
};
static MIN_STROKE_DB: Param = Param {
    key: "rustle.min_stroke_db",
    default: 18.0,
    unit: "dB",
    range: (6.0, 40.0),
    why: "above 8 kHz over what the other microphones allow: coughs, which come up by 7 dB within 2 ms, reach 11, faint strokes of the wearer's own steps 16; 3 dB less for a stroke that comes up by 12 dB",
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
        measured_by: "Level from 1 to 10 kHz over what the other microphones predict from the wearer's own voice, every 20 ms; beside words from 8 to 16 kHz, every millisecond.",
        not_to_confuse: "Coughs, laughter, whispers, typing and doors are on other microphones, too. Soft cloth under loud words is missed.",
    },
    params: &[&MIN_EXCESS_DB, &MIN_STROKE_DB, &MERGE_S],
    run: Run::Track(run),
};

/// Frames over which the excess is averaged, seconds.
const WINDOW_S: f64 = 0.3;
/// Excess of a frame from which it counts, dB, and up to which.
const FROM_DB: f64 = 3.0;
const UP_TO_DB: f64 = 12.0;
/// Harmonicity from which a frame is voice, unless it is lighter (`colour_db`) than voices are, which mostly have -10 dB and
/// less where they stick out: then cloth sounds beside the voice. dB.
const VOICED: f32 = 0.7;
const VOICE_COLOUR_DB: f64 = -8.0;

/// Cloth before it becomes a finding.
#[derive(Debug)]
struct Cloth {
    span: Span,
    /// Over what the other microphones allow, dB.
    excess_db: f64,
    strokes: usize,
    confidence: f64,
    /// Evidence on its level, in dB.
    levels: Vec<(&'static str, f64)>,
    /// Positions of the microphones that do not hear it.
    not_on: Vec<usize>,
}

fn run(view: &TakeView<'_>, track: usize) -> Vec<Finding> {
    if view.track(track).role != Role::Lav || view.grid.frames < view.grid.frames_in(1.0) {
        return Vec::new();
    }
    let mut found = stand_out(view, track);
    let merge = units::samples(view.settings.get(&MERGE_S), view.grid.rate);
    let mut beside = strokes(view, track, merge);
    beside.retain(|new| !found.iter().any(|old| old.span.near(&new.span, merge)));
    found.extend(beside);
    found.sort_by_key(|cloth| cloth.span);
    let told = found.into_iter().map(|cloth| finding(view, track, &cloth));
    told.collect()
}

/// What stands out of the frames.
fn stand_out(view: &TakeView<'_>, track: usize) -> Vec<Cloth> {
    let Some(unheard) = unheard::of(view, track) else {
        return Vec::new();
    };
    let grid = view.grid;
    let radio = link::lasting(view, track);
    let width = grid.frames_in(WINDOW_S);
    let frames = &view.tracks[track].frames;
    let credit: Vec<f64> = (0..grid.frames)
        .map(|f| {
            let out = (unheard.at(f).most_db - FROM_DB).clamp(0.0, UP_TO_DB);
            let voice = out > 0.0
                && frames.harmonicity(f) >= VOICED
                && colour_db(view, track, &[f]) < VOICE_COLOUR_DB;
            if voice { 0.0 } else { out }
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
                colour_db: colour_db(view, track, &sticking_out(&credit, start, end)),
                mean_db: mean[start..end].iter().copied().fold(0.0, f64::max),
            };
            stretch.is_cloth(grid.frames_per_s())
        })
        .filter(|&(start, end)| !others_follow(view, track, &unheard.heard_by, &credit, start, end))
        .filter(|&(start, end)| !is_radio(view, track, grid.sample(start), grid.sample(end)))
        .map(|(start, end)| {
            let out = |f: &usize| credit[*f] > 0.0;
            let levels = levels_db(&view.tracks[track], 1000.0, 10_000.0);
            let speech = levels_db(&view.tracks[track], 60.0, 20_000.0);
            let here = mean_level_db(&levels, (start..end).filter(out));
            let own = mean_level_db(&speech, view.speech.own_frames(track).into_iter());
            let over_speech = if own > QUIET_DB { here - own } else { f64::NAN };
            let strongest = mean[start..end].iter().copied().fold(0.0, f64::max);
            let mask: Vec<bool> = (start..end).map(|f| out(&f)).collect();
            Cloth {
                span: Span {
                    start: grid.sample(start),
                    end: grid.sample(end),
                },
                excess_db: strongest + FROM_DB,
                strokes: runs(&mask).len(),
                confidence: match strongest {
                    s if s >= 3.0 => 0.97,
                    s if s >= 1.6 => 0.93,
                    _ => 0.85,
                },
                levels: vec![
                    ("level_1k_10k_dbfs", here),
                    ("level_re_speech_db", over_speech),
                ],
                not_on: unheard.heard_by.clone(),
            }
        })
        .collect()
}

/// Cloth beside a voice: frames drown in it, but above 8 kHz a voice leaves room between its consonants, and a stroke that only
/// this microphone hears stands out there for some ten milliseconds.
fn strokes(view: &TakeView<'_>, track: usize, merge: u64) -> Vec<Cloth> {
    let all = Impulses::new(view);
    let Some(place) = all.place(track) else {
        return Vec::new();
    };
    let rate = view.grid.rate;
    let least_db = view.settings.get(&MIN_STROKE_DB);
    let lightest_db = view.settings.get(&rf_hit::MIN_WHITENESS_DB);
    let gaps = dropout::shadow(&all.gaps(place), rate);
    let [edge, trouble] = [EDGE_S, TROUBLE_S].map(|s| units::samples(s, rate));
    let hits = rf_hit::hits(view, &all, place);
    let mut found: Vec<Cloth> = Vec::new();
    for burst in all.bursts(place) {
        let explained = || {
            gaps.iter().any(|gap| gap.near(&burst.span, edge))
                || hits.iter().any(|hit| hit.span.near(&burst.span, trouble))
        };
        if !is_stroke(burst, least_db, lightest_db, rate) || explained() {
            continue;
        }
        match found.last_mut() {
            Some(last) if last.span.near(&burst.span, merge) => {
                last.span.end = burst.span.end;
                last.strokes += 1;
                last.excess_db = last.excess_db.max(burst.excess_db);
            }
            _ => found.push(Cloth {
                span: burst.span,
                excess_db: burst.excess_db,
                strokes: 1,
                confidence: 0.95,
                levels: vec![("level_8k_16k_dbfs", burst.level_dbfs)],
                not_on: all.tracks.iter().copied().filter(|&t| t != track).collect(),
            }),
        }
    }
    found
}

/// A stroke that comes up by so much within 2 ms has to stand out less, dB.
const SHARP_RISE_DB: f64 = 12.0;
const SHARP_RELIEF_DB: f64 = 3.0;
/// Its shortest length, s, and the most that another microphone gets louder meanwhile, dB.
const STROKE_S: f64 = 0.025;
const STROKE_HEARD_DB: f64 = 6.0;
/// 8-16 over 1-8 kHz, at least: the corners of a cut wave are darker, dB.
const STROKE_DARKEST_DB: f64 = -15.0;
/// What is closer to a dropout belongs to it, s.
const EDGE_S: f64 = 0.1;
/// So close to a hit the link is in trouble: its noise beside a word is as dark as cloth, s.
const TROUBLE_S: f64 = 8.0;

/// Whether a burst of the high band is a stroke of cloth. `least_db`: how far it has to stand out; `lightest_db`: what is whiter
/// is radio, unless it comes in grains: hair, a zip.
fn is_stroke(burst: &Burst, least_db: f64, lightest_db: f64, rate: u32) -> bool {
    let sharp = burst.rise_db >= SHARP_RISE_DB;
    let relief = if sharp { SHARP_RELIEF_DB } else { 0.0 };
    burst.excess_db >= least_db - relief
        && burst.heard_db < STROKE_HEARD_DB
        && burst.whiteness_db >= STROKE_DARKEST_DB
        && (burst.whiteness_db < lightest_db || rf_hit::is_grainy(burst, rate))
        && burst.span.length() >= units::samples(STROKE_S, rate)
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
    let hits = all
        .place(track)
        .map_or(&[][..], |t| rf_hit::hits(view, &all, t));
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
    let out = sticking_out(credit, start, end);
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
const SHORT_S: f64 = 0.24;
/// A single stroke that fills less may be a click, which reaches three or four frames. A row of strokes that fills less is two
/// clicks.
const LEAST_S: f64 = 0.1;
const LEAST_ROW_S: f64 = 0.05;

/// Cloth has this colour or a lighter one, a cough whose breath passes a mouth a darker one, dB; and the largest mean over 0.3 s
/// that what is darker needs, dB: a cough reaches 1.8.
const DARKEST_DB: f64 = -6.8;
const LEAST_DARK_DB: f64 = 2.0;

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
        let most_colour = if filled < SHORT_S {
            MOST_COLOUR_SHORT_DB
        } else {
            MOST_COLOUR_DB
        };
        filled >= least_s - 1e-9
            && self.colour_db <= most_colour
            && (self.colour_db >= DARKEST_DB || self.mean_db >= LEAST_DARK_DB)
    }
}

/// Frames of a stretch that stick out.
fn sticking_out(credit: &[f64], start: usize, end: usize) -> Vec<usize> {
    (start..end).filter(|&f| credit[f] > 0.0).collect()
}

/// Mean level per third of an octave of 10 to 12.5 kHz less that of 2 to 5 kHz, in some frames, dB.
fn colour_db(view: &TakeView<'_>, track: usize, frames: &[usize]) -> f64 {
    let measures = &view.tracks[track];
    let group = |low_hz: f64, high_hz: f64| {
        let bands = bands_within(low_hz, high_hz);
        let count = bands.len().max(1) as f64;
        let sum: f64 = (frames.iter())
            .map(|&f| {
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

fn finding(view: &TakeView<'_>, track: usize, cloth: &Cloth) -> Finding {
    let Span { start, end } = cloth.span;
    let length = units::seconds(end - start, view.grid.rate).max(0.1);
    let others: Vec<usize> = (cloth.not_on.iter())
        .map(|&m| view.track(m).index)
        .collect();
    let draft = view.finding("rustle", track, start, end);
    let draft = draft.number("excess_db", cloth.excess_db, 1);
    let levels = cloth.levels.iter();
    levels
        .fold(draft, |draft, &(name, level)| draft.number(name, level, 1))
        .severity(if view.speech.own_within(track, start, end) {
            Severity::Fault
        } else {
            Severity::Caution
        })
        .confidence(cloth.confidence)
        .origin(Origin::ThisMic)
        .fact("stroke_count", cloth.strokes)
        .fact("not_on", others)
        .says(
            format!(
                "{}: cloth or contact noise for {length:.1} s, at least {:.0} dB over what the other microphones hear.",
                view.track(track).label(),
                cloth.excess_db
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
        assert!(is_cloth(12, 1, -4.0, 1.5));
        assert!(is_cloth(8, 1, -4.0, 1.8), "a stroke");
        assert!(!is_cloth(8, 1, -7.0, 1.8), "a cough");
        assert!(!is_cloth(20, 3, -7.3, 1.5), "a long one");
        assert!(!is_cloth(20, 1, 4.0, 6.0), "splat");
        assert!(!is_cloth(5, 2, -2.0, 6.0), "crackle of a fading link");
        assert!(!is_cloth(4, 1, -6.0, 6.0), "a click");
        assert!(!is_cloth(7, 1, -7.0, 1.6), "start of a cough");
        assert!(is_cloth(5, 1, -6.0, 2.1), "one strong stroke");
        assert!(is_cloth(4, 2, -6.0, 2.5), "two short strokes");
        assert!(!is_cloth(4, 2, -7.2, 1.5), "two faint ones, a cough");
    }

    #[test]
    fn strokes_are_dark_bursts_that_nobody_else_hears() {
        let burst = |excess_db, heard_db, whiteness_db, rise_db, ms: u64| {
            Burst::made(48 * ms, excess_db, whiteness_db, rise_db, heard_db)
        };
        let stroke = |b: Burst| is_stroke(&b, 18.0, -7.8, 48_000);
        assert!(stroke(burst(19.0, 2.0, -10.0, 6.0, 40)));
        assert!(stroke(burst(16.0, 2.0, -10.0, 13.0, 40)), "sharp");
        assert!(!stroke(burst(16.0, 2.0, -10.0, 6.0, 40)), "faint");
        assert!(!stroke(burst(30.0, 8.0, -10.0, 13.0, 40)), "heard");
        assert!(!stroke(burst(30.0, 2.0, -6.0, 13.0, 40)), "radio");
        assert!(!stroke(burst(30.0, 2.0, -30.0, 25.0, 40)), "a cut wave");
        assert!(!stroke(burst(30.0, 2.0, -10.0, 25.0, 10)), "a click");
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
