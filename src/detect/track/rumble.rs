//! `rumble`: wind, handling or traffic energy below the voice on one microphone.
//!
//! Fault: gusts on a capsule, thumps through a pole or a mount.
//! Signature: 20 to 60 Hz, where no voice sounds, swells well over its background on one microphone only.
//! Decision: per frame at least `min_excess_db` over the background of 20 to 60 Hz, and as much more than on any other
//! microphone as `min_alone_db`; not the skirt of a voice (60 to 130 Hz at most 6 dB stronger, the voice band at most 12.5 dB); no single blow that the others hear, too;
//! at most 30 dB below the speech of the track. Two fifths of the half second around have to hold frames like that.
//! Must not fire on: doors, footsteps and traffic of the place (on all microphones), plosives (shorter), deep voices.
//! Known misses: faint gusts below the ventilation of the place; rumble behind a low-cut.
//! Source: detection practice for wind and handling (energy below the voice, decorrelated between microphones).

use std::cell::LazyCell;

use super::dead_track;
use crate::compare::speech::{correlation, runs, wide};
use crate::detect::hearing::{QUIET_DB, floor_db, levels_db, mean_level_db, percentile, voice_db};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::dsp::extreme::slide;
use crate::measure::TrackMeasures;
use crate::report::model::{Origin, Severity};
use crate::settings::Param;
use crate::units::power_db;

static MIN_EXCESS_DB: Param = Param {
    key: "rumble.min_excess_db",
    default: 11.0,
    unit: "dB",
    range: (3.0, 40.0),
    why: "100 ms levels of a 40 Hz wide noise band scatter by 2 dB; 11 dB is five times that",
};
static MIN_ALONE_DB: Param = Param {
    key: "rumble.min_alone_db",
    default: 10.0,
    unit: "dB",
    range: (3.0, 40.0),
    why: "sounds of the place differ by distance and low-cut, seldom by more than 10 dB over each one's own background",
};
static MIN_RE_SPEECH_DB: Param = Param {
    key: "rumble.min_re_speech_db",
    default: -30.0,
    unit: "dB",
    range: (-60.0, 0.0),
    why: "what lies lower is removed by any low-cut without being noticed",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "rumble",
    explain: Explain {
        means: "Low-frequency energy of wind or handling on one microphone.",
        sounds_like: "A buffeting roar, or dull thumps below the voice.",
        usual_cause: "Wind without enough protection, hands on the pole, a bump or a cable on the mount.",
        do_now: "Protect against wind, hold the pole still, check the mount; a low-cut in post removes what stays below 80 Hz.",
        measured_by: "Level from 20 to 60 Hz over its own background and over what the other microphones show at the same time.",
        not_to_confuse: "Doors, footsteps and traffic are on all microphones and not reported. Plosives are shorter.",
    },
    params: &[&MIN_EXCESS_DB, &MIN_ALONE_DB, &MIN_RE_SPEECH_DB],
    run: Run::Track(run),
};

/// Averaging of the levels, seconds.
const SMOOTH_S: f64 = 0.1;
/// Opening of the background, seconds.
const OPENING_S: f64 = 6.0;
/// A background this far below the loudest tenth of a track is none: the microphone is dead or muted there, dB.
const ALIVE_DB: f64 = 60.0;
/// Window in which rumble has to fill a share of the frames.
const WINDOW_S: f64 = 0.5;
const SHARE: f64 = 0.4;
/// Frames of one gust or one row of thumps.
const MERGE_S: f64 = 1.0;
/// 20..60 Hz against 60..130 Hz and against 130 Hz..4 kHz: below these it is the skirt of something else.
const LEAST_TILT_DB: f64 = -6.0;
const LEAST_RE_VOICE_BAND_DB: f64 = -12.5;
/// All other microphones this far over their background from 60 to 500 Hz, while nobody speaks: something in the room.
const ROOM_EVENT_DB: f64 = 12.0;

/// Levels below the voice of one microphone, per frame, dB.
#[derive(Debug)]
pub(crate) struct Lows {
    level: Vec<f32>,
    excess: Vec<f32>,
    /// Whether 60 to 500 Hz stand far over their background.
    event: Vec<bool>,
}

fn lows<'a>(view: &'a TakeView<'_>, track: usize) -> &'a Lows {
    let per_s = view.grid.frames_per_s();
    let look = || {
        let dead = dead_track::dead_frames(view, track);
        look_below(&view.tracks[track], &dead, per_s)
    };
    view.known.tracks[track].lows.get_or_init(look)
}

/// `dead`: stretches of frames in which the microphone is off.
fn look_below(measures: &TrackMeasures, dead: &[(usize, usize)], per_s: f64) -> Lows {
    let over = levels_db(measures, 60.0, 500.0)
        .into_iter()
        .zip(floor_db(measures, 60.0, 500.0));
    let event = over.map(|(l, f)| l - f > ROOM_EVENT_DB).collect();
    let width = (SMOOTH_S * per_s) as usize;
    let low = measures.low.power.all();
    let low = low.as_ref();
    let band = |b: usize, width: usize| smooth(low.len(), width, move |f| f64::from(low[f][b]));
    let slow: Vec<f32> = band(0, 2 * width).collect();
    let opening = ((OPENING_S * per_s) as usize).min(slow.len() / 3).max(1);
    // Six seconds of wind without a lull lift the opened background; the quiet fifth of the take holds it down.
    // Digital silence and what is left of a microphone that died are no background.
    let lives = |f: &usize| !dead.iter().any(|(start, end)| (start..end).contains(&f));
    let mut alive: Vec<f64> = (0..slow.len())
        .filter(lives)
        .map(|f| f64::from(slow[f]))
        .collect();
    if alive.is_empty() {
        alive = wide(&slow);
    }
    let top = percentile(&alive, 0.9) as f32;
    alive.retain(|&l| l > f64::from(top) - ALIVE_DB);
    let quiet = (percentile(&alive, 0.2) + 6.0) as f32;
    let lowest = percentile(&alive, 0.05) as f32;
    drop(alive);
    let level: Vec<f32> = band(0, width).collect();
    let opened = slide(&slide(&slow, opening, f32::min), opening, f32::max);
    let floor = opened.into_iter().map(|f| f.min(quiet).max(lowest));
    Lows {
        excess: level.iter().zip(floor).map(|(l, b)| l - b).collect(),
        level,
        event,
    }
}

/// Level of the mean power over `width` of `n` frames, dB.
fn smooth(n: usize, width: usize, power: impl Fn(usize) -> f64) -> impl Iterator<Item = f32> {
    (0..n).map(move |f| {
        let part = f.saturating_sub(width / 2)..(f + width - width / 2).min(n);
        let count = part.len().max(1) as f64;
        power_db(part.map(&power).sum::<f64>() / count).max(QUIET_DB) as f32
    })
}

fn run(view: &TakeView<'_>, track: usize) -> Vec<Finding> {
    let grid = view.grid;
    if !view.track(track).is_microphone() || grid.frames < grid.frames_in(1.0) {
        return Vec::new();
    }
    let per_s = grid.frames_per_s();
    let mine = lows(view, track);
    let others: Vec<usize> = view
        .microphones()
        .into_iter()
        .filter(|&m| {
            m != track
                && view.tracks[m]
                    .low
                    .power
                    .iter()
                    .any(|p| f32::from(p[0]) > 0.0)
        })
        .collect();
    let theirs: Vec<&[f32]> = others.iter().map(|&m| &lows(view, m).excess[..]).collect();
    let room = room_events(view, &others);
    let speech = voice_db(view, track);
    let own = view.speech.own_frames(track);
    let usual = if own.len() >= grid.frames_in(0.5) {
        mean_level_db(speech, own.into_iter())
    } else {
        mean_level_db(speech, (0..grid.frames).filter(|&f| view.speech.any[f]))
    };
    if usual <= QUIET_DB {
        return Vec::new();
    }
    let bands = crate::measure::frames::bands_within(130.0, 4000.0);
    let power: Vec<f64> = (0..grid.frames)
        .map(|f| view.tracks[track].frames.band_power(f, bands.clone()))
        .collect();
    let voice: Vec<f32> = smooth(grid.frames, (SMOOTH_S * per_s) as usize, |f| power[f]).collect();
    drop(power);
    let (least, alone, re_speech) = (
        view.settings.get(&MIN_EXCESS_DB),
        view.settings.get(&MIN_ALONE_DB),
        view.settings.get(&MIN_RE_SPEECH_DB),
    );
    let low = view.tracks[track].low.power.all();
    let upper: Vec<f32> = smooth(low.len(), (SMOOTH_S * per_s) as usize, |f| {
        f64::from(low[f][1])
    })
    .collect();
    drop(low);
    let elsewhere = |f: usize| theirs.iter().map(|t| t[f]).fold(0.0, f32::max);
    let shows: Vec<bool> = (0..grid.frames)
        .map(|f| {
            let elsewhere = elsewhere(f);
            let [level, excess] = [&mine.level, &mine.excess].map(|values| f64::from(values[f]));
            let tilt = f64::from(mine.level[f] - upper[f]);
            excess > least
                && excess - f64::from(elsewhere) > alone
                && tilt > LEAST_TILT_DB
                && level - f64::from(voice[f]) > LEAST_RE_VOICE_BAND_DB
                && level > usual + re_speech
                && !room[f]
        })
        .collect();
    let own = LazyCell::new(|| raw(&view.tracks[track]));
    let blows: LazyCell<Vec<[Vec<f64>; 2]>, _> = LazyCell::new(|| {
        let there = |&m: &usize| {
            let measures = &view.tracks[m];
            [raw(measures), levels_db(measures, 60.0, 1000.0)]
        };
        others.iter().map(there).collect()
    });
    stretches(&shows, &mine.excess, per_s)
        .into_iter()
        .filter(|&(start, end)| !is_steady(&wide(&mine.level[start..end]), per_s))
        .filter(|&(start, end)| {
            let along = |&m: &usize| moves_along(mine, lows(view, m), start, end, per_s);
            !others.iter().any(along)
        })
        .filter(|&(start, end)| {
            let quite_alone = |f: usize| mine.excess[f] - elsewhere(f) >= QUITE_ALONE_DB;
            (start..end).any(quite_alone) || !is_one_blow(&own, &blows, start, end)
        })
        .map(|(start, end)| finding(view, track, mine, usual, &others, start, end))
        .collect()
}

/// Rise within three frames that makes a blow, dB; and what the other microphones have to show at the same time.
const BLOW_DB: f64 = 15.0;
const NEAR_TOP_DB: f64 = 12.0;
/// What stands out so much more than on any other microphone is no blow in the room: a word that begins at the same time
/// rises, too. dB.
const QUITE_ALONE_DB: f32 = 30.0;
/// Frames after which a stretch that shows rumble already is no blow.
const BLOW_LATE: usize = 15;

/// A machine or a hum keeps its level; wind and handling never do: spread of the middle half of the levels, dB, over a piece of
/// at least that many seconds. Noise 40 Hz wide spreads by 3 dB in the shortest, a tone by less than one.
const STEADY: [(f64, f64); 2] = [(0.8, 1.2), (3.0, 2.0)];

fn is_steady(level: &[f64], per_s: f64) -> bool {
    let spread = percentile(level, 0.75) - percentile(level, 0.25);
    STEADY
        .iter()
        .any(|&(least_s, most_db)| level.len() as f64 >= least_s * per_s && spread < most_db)
}

/// What another microphone has at least over its background to say anything, dB; and how alike the two level curves are.
const HEARD_DB: f64 = 8.0;
const ALIKE: f64 = 0.75;
/// Seconds before and after that show the rise and the fall.
const AROUND_S: f64 = 0.3;

/// Whether another microphone rises and falls with this one from 20 to 60 Hz: a sound of the place or the bottom of a voice,
/// heard from nearer. Wind and hands reach one microphone only.
fn moves_along(mine: &Lows, theirs: &Lows, start: usize, end: usize, per_s: f64) -> bool {
    let around = (AROUND_S * per_s) as usize;
    let range = start.saturating_sub(around)..(end + around).min(mine.level.len());
    percentile(&wide(&theirs.excess[start..end]), 0.9) >= HEARD_DB
        && correlation(
            &wide(&mine.level[range.clone()]),
            &wide(&theirs.level[range]),
        ) >= ALIKE
}

/// Level from 20 to 60 Hz per frame, dB.
fn raw(measures: &TrackMeasures) -> Vec<f64> {
    measures
        .low
        .power
        .iter()
        .map(|p| power_db(f64::from(p[0])).max(QUIET_DB))
        .collect()
}

/// Whether a stretch is one blow that dies away (a door, a heavy step): a single steep rise, in its first half, and most of the
/// other microphones rise with it, below the voices (heard under speech too) or above. Handling comes in rows, wind swells.
fn is_one_blow(low: &[f64], others: &[[Vec<f64>; 2]], start: usize, end: usize) -> bool {
    // Single frames of a faint background scatter by as much: a blow comes near the top.
    let top = low[start.min(low.len())..end.min(low.len())]
        .iter()
        .copied()
        .fold(QUIET_DB, f64::max);
    let rises: Vec<usize> = (start.saturating_sub(10).max(1)..end.min(low.len().saturating_sub(3)))
        .filter(|&f| low[f + 3] - low[f] >= BLOW_DB && low[f + 3] >= top - NEAR_TOP_DB)
        .collect();
    let (Some(&first), Some(&last)) = (rises.first(), rises.last()) else {
        return false;
    };
    if last > first + 8 || first > start + ((end - start) / 2).min(BLOW_LATE) {
        return false;
    }
    let along = others
        .iter()
        .filter(|bands| {
            bands.iter().any(|level| {
                (first.saturating_sub(5)..(last + 8).min(level.len().saturating_sub(3)))
                    .any(|f| level[f + 3] - level[f] >= BLOW_DB)
            })
        })
        .count();
    along > 0 && 2 * along >= others.len()
}

/// Frames within a second after something that all other microphones hear from 60 to 500 Hz while nobody speaks.
fn room_events(view: &TakeView<'_>, others: &[usize]) -> Vec<bool> {
    let n = view.grid.frames;
    let mut event = vec![false; n];
    if others.is_empty() {
        return event;
    }
    let theirs: Vec<&[bool]> = others.iter().map(|&m| &lows(view, m).event[..]).collect();
    let (before, after) = (view.grid.frames_in(0.1), view.grid.frames_in(0.8));
    let busy: Vec<bool> = (0..n)
        .map(|f| {
            let near = f.saturating_sub(10)..(f + 11).min(n);
            !view.speech.any[near].iter().any(|&s| s) && theirs.iter().all(|t| t[f])
        })
        .collect();
    for (start, end) in runs(&busy) {
        event[start.saturating_sub(before)..(end + after).min(n)].fill(true);
    }
    event
}

/// Stretches whose half seconds are filled, from the first to the last frame that shows rumble; edges follow the swell down
/// to half of its height.
fn stretches(shows: &[bool], excess: &[f32], per_s: f64) -> Vec<(usize, usize)> {
    let width = (WINDOW_S * per_s) as usize;
    let n = shows.len();
    let hot: Vec<bool> = (0..n)
        .map(|f| {
            let near = f.saturating_sub(width / 2)..(f + width - width / 2).min(n);
            shows[near].iter().filter(|&&s| s).count() as f64 >= SHARE * width as f64
        })
        .collect();
    let merge = (MERGE_S * per_s) as usize;
    let mut found: Vec<(usize, usize)> = Vec::new();
    for (start, end) in runs(&hot) {
        let first = start.saturating_sub(width / 2);
        let last = (end + width / 2).min(n);
        let inside: Vec<usize> = (first..last).filter(|&f| shows[f]).collect();
        let (Some(&a), Some(&b)) = (inside.first(), inside.last()) else {
            continue;
        };
        let (mut a, mut b) = (a, b + 1);
        let reach = (0.5 * per_s) as usize;
        let (lowest, highest) = (a.saturating_sub(reach), (b + reach).min(n));
        while a > lowest && excess[a - 1] > 6.0 {
            a -= 1;
        }
        while b < highest && excess[b] > 6.0 {
            b += 1;
        }
        match found.last_mut() {
            Some(previous) if a <= previous.1 + merge => previous.1 = previous.1.max(b),
            _ => found.push((a, b)),
        }
    }
    found
}

fn finding(
    view: &TakeView<'_>,
    track: usize,
    mine: &Lows,
    usual: f64,
    others: &[usize],
    start: usize,
    end: usize,
) -> Finding {
    let grid = view.grid;
    let excess = percentile(&wide(&mine.excess[start..end]), 0.9);
    let level = percentile(&wide(&mine.level[start..end]), 0.9);
    let length = (end - start) as f64 / grid.frames_per_s();
    let masks = level > usual
        && view
            .speech
            .own_within(track, grid.sample(start), grid.sample(end));
    let confidence = match (others.is_empty(), excess) {
        (true, _) => 0.6,
        (false, e) if e >= 20.0 => 0.96,
        (false, _) => 0.88,
    };
    view.finding("rumble", track, grid.sample(start), grid.sample(end))
        .severity(if masks { Severity::Fault } else { Severity::Caution })
        .confidence(confidence)
        .origin(Origin::ThisMic)
        .number("excess_20_60_hz_db", excess, 1)
        .number("level_20_60_hz_dbfs", level, 1)
        .number("level_re_speech_db", level - usual, 1)
        .fact("not_on", others.iter().map(|&m| view.track(m).index).collect::<Vec<_>>())
        .says(
            format!(
                "{}: wind or handling below the voice for {length:.1} s, {excess:.0} dB over its background.",
                view.track(track).label()
            ),
            "Check wind protection, pole and mount; a low-cut around 80 Hz in post takes most of it.",
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_two_microphones_share_is_a_sound() {
        let lows = |level: Vec<f32>| Lows {
            excess: level.iter().map(|l| l + 90.0).collect(),
            event: vec![false; level.len()],
            level,
        };
        let thuds = |scale: f32, at: usize| -> Vec<f32> {
            let swell = |f: usize| if (f + at) % 20 < 6 { 1.0 } else { 0.0 };
            (0..200).map(|f| -90.0 + scale * swell(f)).collect()
        };
        let mine = lows(thuds(30.0, 0));
        assert!(moves_along(&mine, &lows(thuds(14.0, 0)), 50, 150, 50.0));
        assert!(!moves_along(&mine, &lows(thuds(4.0, 0)), 50, 150, 50.0));
        assert!(!moves_along(&mine, &lows(thuds(14.0, 10)), 50, 150, 50.0));
    }

    #[test]
    fn one_blow_that_others_hear_is_a_door_and_a_row_of_thumps_is_not() {
        let decay = |at: usize, f: usize| {
            if f < at {
                -90.0
            } else {
                -30.0 - 1.5 * (f - at) as f64
            }
        };
        let low: Vec<f64> = (0..300).map(|f| decay(100, f)).collect();
        let row: Vec<f64> = (0..300)
            .map(|f| decay(100 + 12 * (f.max(100) - 100).min(40) / 12, f) - 2.0 * ((f % 12) as f64))
            .collect();
        let rise: Vec<f64> = (0..300).map(|f| decay(101, f)).collect();
        let heard = [[vec![-60.0; 300], rise]];
        assert!(is_one_blow(&low, &heard, 100, 130));
        assert!(!is_one_blow(
            &low,
            &[[vec![-60.0; 300], vec![-60.0; 300]]],
            100,
            130
        ));
        assert!(!is_one_blow(&row, &heard, 100, 150));
        assert!(
            !is_one_blow(&low, &heard, 70, 130),
            "the top of a gust that began before"
        );
        assert!(!is_one_blow(&[], &heard, 0, 0));
    }

    #[test]
    fn a_row_of_thumps_is_one_stretch_and_a_plosive_none() {
        let mut shows = vec![false; 500];
        let mut excess = vec![0.0; 500];
        for start in [100, 112, 124, 136] {
            for f in start..start + 8 {
                shows[f] = true;
                excess[f] = 30.0;
            }
        }
        for f in 300..306 {
            shows[f] = true;
            excess[f] = 30.0;
        }
        assert_eq!(stretches(&shows, &excess, 50.0), vec![(100, 144)]);
        assert!(stretches(&[], &[], 50.0).is_empty());
    }
}
