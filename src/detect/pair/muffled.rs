//! `muffled`: a body microphone that lost its top end against the boom.
//!
//! Fault: the capsule slipped under cloth, is taped over, wet, or has fallen.
//! Signature: while the wearer speaks, 2.5 to 6.3 kHz falls against 400 Hz to 1 kHz on this microphone but not on the boom.
//! Decision: tilt of the wearer's voice on this microphone less the tilt of the same frames on a reference (the boom or plant
//! that hears the wearer best; without one another body microphone). From a time on: the medians of at least half a second of
//! speech before and after differ by `min_step_db` and the voice never comes back. Whole take: the tilt lies `min_below_db`
//! under the other body microphones of the take and under -9.5 dB, or, without others, under `max_tilt_db`. What leaves the
//! voice up to 3 kHz alone is found from 3.4 to 7.5 kHz, by more.
//! Must not fire on: a boom off axis (all body microphones rise together), whisper and shout (on both), a radio link with
//! little bandwidth, other talkers.
//! Known misses: a whole muffled take without boom, plant or other body microphones; less than a second of the wearer's words.
//! Source: detection practice for muffled microphones (transfer function from speech; change of its tilt).

use std::ops::Range;

use crate::detect::hearing::{QUIET_DB, median, rank};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::TrackMeasures;
use crate::measure::frames::bands_within;
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::power_db;

static MIN_STEP_DB: Param = Param {
    key: "muffled.min_step_db",
    default: 8.0,
    unit: "dB",
    range: (3.0, 30.0),
    why: "half-second medians of the tilt against a boom scatter by 2 dB on a sound microphone, and coughs and turned heads move a few words by 7 dB; a slip costs 10 dB and more",
};
static MIN_BELOW_DB: Param = Param {
    key: "muffled.min_below_db",
    default: 6.0,
    unit: "dB",
    range: (3.0, 30.0),
    why: "body microphones of one take lie within 5 dB of each other against the boom",
};
static MAX_TILT_DB: Param = Param {
    key: "muffled.max_tilt_db",
    default: -12.5,
    unit: "dB",
    range: (-40.0, -5.0),
    why: "a microphone on the chest hears 2.5 to 6.3 kHz some 3 to 9 dB duller than a boom",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "muffled",
    explain: Explain {
        means: "A body microphone has lost its top end compared with the boom.",
        sounds_like: "A voice through a coat: words without consonants.",
        usual_cause: "The capsule slipped under cloth, was covered by tape or a hand, got wet, or fell down.",
        do_now: "Tell costume and re-seat the capsule; use the boom for these lines.",
        measured_by: "Tilt of the wearer's voice, 2.5 to 6.3 kHz, or 3.4 to 7.5 kHz, against 400 Hz to 1 kHz, on this microphone less on the boom.",
        not_to_confuse: "A boom that turns away raises all body microphones together. Fewer than a second of words is not judged.",
    },
    params: &[&MIN_STEP_DB, &MIN_BELOW_DB, &MAX_TILT_DB],
    run: Run::Take(run),
};

/// A range in which the top end is looked for.
struct Top {
    hz: (f64, f64),
    /// How much more it has to fall than `min_step_db`, dB.
    step_more_db: f64,
    /// How much more than `min_below_db` it has to lie under other body microphones, dB, and its most tilt there.
    below_more_db: f64,
    most_db: f64,
}

/// That of consonants, and what lies above a dull voice, which has less level and scatters more.
const TOPS: [Top; 2] = [
    Top {
        hz: (2400.0, 6500.0),
        step_more_db: 0.0,
        below_more_db: 0.0,
        most_db: -9.5,
    },
    Top {
        hz: (3400.0, 7500.0),
        step_more_db: 3.5,
        below_more_db: 2.0,
        most_db: -12.5,
    },
];

/// Tilts of the wearer's voice against a reference.
#[derive(Debug)]
pub(crate) struct Tilts {
    reference: usize,
    ranges: [Tilt; 2],
}

/// Tilt in one range, per frame that allows it.
#[derive(Debug, Default)]
struct Tilt {
    frames: Vec<usize>,
    db: Vec<f64>,
}

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let all: Vec<(usize, &Tilts)> = view
        .with_role(Role::Lav)
        .into_iter()
        .filter_map(|lav| Some((lav, tilts(view, lav)?)))
        .collect();
    let told = |&(lav, t): &(usize, &Tilts)| {
        (0..TOPS.len()).find_map(|range| judged(view, &all, lav, t, range))
    };
    all.iter().filter_map(told).collect()
}

/// What the tilt of a body microphone in one range says, beside those of all.
fn judged(
    view: &TakeView<'_>,
    all: &[(usize, &Tilts)],
    lav: usize,
    t: &Tilts,
    range: usize,
) -> Option<Finding> {
    let least = view.grid.frames_in(0.5);
    let (top, Tilt { frames, db }) = (&TOPS[range], &t.ranges[range]);
    let min_step_db = view.settings.get(&MIN_STEP_DB) + top.step_more_db;
    if let Some(step) = step(db, least, min_step_db) {
        let loss = Loss {
            start: view.grid.sample(frames[step.at]),
            tilt_db: step.after_db,
            change_db: step.after_db - step.before_db,
            spread_db: step.spread_db,
        };
        return Some(finding(view, lav, t, range, loss));
    }
    if view.track(t.reference).role == Role::Lav || db.len() < 2 * least {
        return None;
    }
    let here = median(db);
    let others: Vec<f64> = all
        .iter()
        .filter(|(other, o)| *other != lav && o.reference == t.reference)
        .map(|(_, o)| &o.ranges[range].db)
        .filter(|db| db.len() >= least)
        .map(|db| median(db))
        .collect();
    let usual = (!others.is_empty()).then(|| median(&others));
    let dull = match usual {
        Some(usual) => {
            let below = view.settings.get(&MIN_BELOW_DB) + top.below_more_db;
            here <= usual - below && here <= top.most_db
        }
        None => range == 0 && here <= view.settings.get(&MAX_TILT_DB),
    };
    let loss = Loss {
        start: 0,
        tilt_db: here,
        change_db: here - usual.unwrap_or(USUAL_DB),
        spread_db: 2.0,
    };
    dull.then(|| finding(view, lav, t, range, loss))
}

/// What is missing, and from which sample on.
struct Loss {
    start: u64,
    tilt_db: f64,
    change_db: f64,
    spread_db: f64,
}

/// First frame from which a body microphone may have lost its top end within the take: the one after its wearer's last full
/// words.
pub(crate) fn from(view: &TakeView<'_>, track: usize) -> Option<usize> {
    if view.track(track).role != Role::Lav {
        return None;
    }
    let t = tilts(view, track)?;
    let Tilt { frames, db } = &t.ranges[0];
    let least = view.grid.frames_in(0.5);
    let step = step(db, least, view.settings.get(&MIN_STEP_DB))?;
    Some(frames[step.at.saturating_sub(1)] + 1)
}

/// Where nothing else is known: what a microphone on the chest shows against a boom, dB.
const USUAL_DB: f64 = -5.0;

/// Tilt of the wearer's voice against the reference with most usable speech, booms and plants first.
fn tilts<'a>(view: &'a TakeView<'_>, lav: usize) -> Option<&'a Tilts> {
    let all = view.known.tilts.get_or_init(|| {
        (0..view.take.tracks.len())
            .map(|t| (view.track(t).role == Role::Lav).then(|| tilts_of(view, t))?)
            .collect()
    });
    all[lav].as_ref()
}

fn tilts_of(view: &TakeView<'_>, lav: usize) -> Option<Tilts> {
    let wearer = view.speech.wearer(lav)?;
    let ranges = Ranges {
        low: bands_within(390.0, 1050.0),
        top: TOPS.map(|top| bands_within(top.hz.0, top.hz.1)),
    };
    let bands = |track: usize, frame| Bands::of(&view.tracks[track], frame, &ranges);
    let mine: Vec<(usize, Bands)> = (0..view.grid.frames)
        .filter(|&f| view.speech.alone(Some(wearer), f))
        .map(|f| (f, bands(lav, f)))
        .filter(|(_, mine)| mine.low.over_floor() > 10.0)
        .collect();
    let enough = view.grid.frames_in(0.5);
    let mut best: Option<(bool, Tilts)> = None;
    for other in view.microphones() {
        if view.speech.talkers[wearer].tracks.contains(&other) {
            continue;
        }
        let mut tilts: [Tilt; 2] = Default::default();
        for (f, mine) in &mine {
            let theirs = bands(other, *f);
            if theirs.low.over_floor() <= 10.0 {
                continue;
            }
            let heard = |range: &usize| theirs.top[*range].over_floor() > 6.0;
            for range in (0..TOPS.len()).filter(heard) {
                let db = mine.tilt(range) - theirs.tilt(range);
                tilts[range].frames.push(*f);
                tilts[range].db.push(db);
            }
        }
        let count = tilts[0].frames.len();
        if count < enough {
            continue;
        }
        let stands = view.track(other).role != Role::Lav;
        let better = best
            .as_ref()
            .is_none_or(|(s, b)| (stands, count) > (*s, b.ranges[0].frames.len()));
        if better {
            let best_so_far = Tilts {
                reference: other,
                ranges: tilts,
            };
            best = Some((stands, best_so_far));
        }
    }
    best.map(|(_, t)| t)
}

/// Bands of the voice's body and of its top end.
struct Ranges {
    low: Range<usize>,
    top: [Range<usize>; 2],
}

/// Level of a range in a frame and of its background, dBFS.
#[derive(Clone, Copy)]
struct Level {
    here: f64,
    floor: f64,
}

impl Level {
    fn over_floor(self) -> f64 {
        self.here - self.floor
    }
}

/// Levels of the ranges in a frame.
struct Bands {
    low: Level,
    top: [Level; 2],
}

impl Bands {
    fn of(m: &TrackMeasures, frame: usize, ranges: &Ranges) -> Bands {
        let level = |range: &Range<usize>| Level {
            here: power_db(m.frames.band_power(frame, range.clone())).max(QUIET_DB),
            floor: power_db(m.floor.band_power(frame, range.clone())).max(QUIET_DB),
        };
        Bands {
            low: level(&ranges.low),
            top: ranges.top.each_ref().map(level),
        }
    }

    fn tilt(&self, range: usize) -> f64 {
        self.top[range].here - self.low.here
    }
}

/// A fall of the tilt that lasts.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Step {
    at: usize,
    before_db: f64,
    after_db: f64,
    spread_db: f64,
}

/// Cuts that are looked at first.
const COARSE_CUTS: usize = 400;

/// Tells by counts at which cuts the median may fall by so much: on one side at least it then lies half of that off any level,
/// such as the median of all. Medians of every two sides take far longer, and hardly any cut is left.
struct Falls {
    /// Of the values before each place how many lie below the level by which the first side would stand out, and how many up to
    /// that by which the second would.
    below: Vec<u32>,
    up_to: Vec<u32>,
}

impl Falls {
    fn new(x: &[f64], least_db: f64) -> Falls {
        let (middle, half) = (median(x), 0.5 * least_db - 1e-9);
        let counts = |is: &dyn Fn(f64) -> bool| {
            let so_far = x.iter().scan(0, |sum, &v| {
                *sum += u32::from(is(v));
                Some(*sum)
            });
            std::iter::once(0).chain(so_far).collect()
        };
        Falls {
            below: counts(&|v| v < middle + half),
            up_to: counts(&|v| v <= middle - half),
        }
    }

    fn may(&self, at: usize) -> bool {
        let count = self.below.len() - 1;
        let rank = |n: usize| rank(n, 0.5);
        let behind = (self.up_to[count] - self.up_to[at]) as usize;
        self.below[at] as usize <= rank(at) || behind > rank(count - at)
    }
}

/// The cut with the largest gain in absolute deviation, if what follows lies at least `least_db` below what came before and
/// stays there to the end.
fn step(x: &[f64], least: usize, least_db: f64) -> Option<Step> {
    let cost = |part: &[f64], middle: f64| {
        part.iter()
            .map(|v| (v - middle).abs().min(12.0))
            .sum::<f64>()
    };
    let last = x.len().saturating_sub(least);
    let falls = Falls::new(x, least_db);
    let best = |cuts: &mut dyn Iterator<Item = usize>| -> Option<usize> {
        cuts.filter(|&at| falls.may(at))
            .filter_map(|at| {
                let (before, after) = x.split_at(at);
                let (b, a) = (median(before), median(after));
                (a <= b - least_db).then(|| (cost(before, b) + cost(after, a), at))
            })
            .min_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)))
            .map(|(_, at)| at)
    };
    // A coarse look first: the cost of a look at every frame would grow with the square of the take.
    let stride = (x.len() / COARSE_CUTS).max(1);
    let coarse = best(&mut (least..=last).step_by(stride))?;
    let near = coarse.saturating_sub(stride).max(least)..=(coarse + stride).min(last);
    let at = best(&mut near.step_by((stride / 100).max(1)))?;
    let (before, after) = x.split_at(at);
    let (before_db, after_db) = (median(before), median(after));
    let middle = 0.5 * (before_db + after_db);
    let stays = after
        .chunks(least)
        .all(|part| part.len() < least || median(part) < middle);
    let stood = before
        .chunks(least)
        .all(|part| part.len() < least || median(part) > middle);
    let off: Vec<f64> = after.iter().map(|v| (v - after_db).abs()).collect();
    (stays && stood && after_db <= -8.0 && before_db > QUIET_DB).then_some(Step {
        at,
        before_db,
        after_db,
        spread_db: 1.4826 * median(&off),
    })
}

fn finding(view: &TakeView<'_>, lav: usize, t: &Tilts, range: usize, loss: Loss) -> Finding {
    let whole = loss.start == 0;
    let boom_has_it = view.track(t.reference).role != Role::Lav;
    let sure = loss.change_db.abs() >= 9.0 && loss.spread_db < 6.0;
    let confidence = match (whole, sure) {
        (false, true) => 0.96,
        (false, false) => 0.88,
        (true, true) => 0.92,
        (true, false) => 0.8,
    };
    view.finding("muffled", lav, loss.start, view.grid.samples)
        .severity(if boom_has_it { Severity::Caution } else { Severity::Fault })
        .confidence(confidence)
        .origin(Origin::ThisMic)
        .number("tilt_against_reference_db", loss.tilt_db, 1)
        .number("change_db", loss.change_db, 1)
        .number("from_hz", TOPS[range].hz.0, 0)
        .number("speech_judged_s", t.ranges[range].db.len() as f64 / view.grid.frames_per_s(), 1)
        .fact("reference_track", view.track(t.reference).index)
        .says(
            format!(
                "{} {} {:.0} dB of its top end against {}.",
                view.track(lav).label(),
                if whole { "lacks" } else { "loses" },
                loss.change_db.abs(),
                view.track(t.reference).label()
            ),
            "Re-seat the capsule: it has slipped under cloth or is covered; use the boom for these lines.",
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lasting_fall_is_found_where_it_happens() {
        let x: Vec<f64> = (0..300)
            .map(|i| if i < 120 { -5.0 } else { -18.0 } + 3.0 * (f64::from(i) * 0.7).sin())
            .collect();
        let found = step(&x, 25, 7.0).unwrap();
        assert!(found.at.abs_diff(120) <= 3, "{found:?}");
        assert!((found.after_db - found.before_db + 13.0).abs() < 1.0);
    }

    #[test]
    fn no_cut_at_which_the_median_falls_is_passed_over() {
        for (n, fall) in [(2, 9.0), (75, 6.0), (300, 7.0), (301, 0.0)] {
            let noise = crate::synth::sources::noise(n, 5);
            let sloping = noise.iter().zip(0..).map(|(v, i)| {
                let slope = f64::from(i) / n as f64;
                f64::from(4.0 * v) - fall * slope
            });
            let x: Vec<f64> = sloping.collect();
            for least_db in [1.0, 3.0, 6.0] {
                let falls = Falls::new(&x, least_db);
                for at in 1..n {
                    let (before, after) = x.split_at(at);
                    let fell = median(after) <= median(before) - least_db;
                    assert!(!fell || falls.may(at), "{n} {least_db} {at}");
                }
            }
        }
        let level = Falls::new(&[-5.0; 100], 7.0);
        assert!((1..100).all(|at| !level.may(at)));
    }

    #[test]
    fn a_fall_that_comes_back_or_a_small_one_is_none() {
        let back: Vec<f64> = (0..300)
            .map(|i| if (100..200).contains(&i) { -18.0 } else { -5.0 })
            .collect();
        assert_eq!(step(&back, 25, 7.0), None);
        let small: Vec<f64> = (0..300)
            .map(|i| if i < 100 { -5.0 } else { -10.0 })
            .collect();
        assert_eq!(step(&small, 25, 7.0), None);
        assert_eq!(step(&[], 25, 7.0), None);
    }
}
