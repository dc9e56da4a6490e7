//! Another channel on a microphone track: crosstalk at no delay at all.
//!
//! *Fault.* A cable, a connector or an input stage lets one microphone into the track of another.
//!
//! *Signature.* Sound needs 2.9 ms a metre; two microphones of different people never hear everything at the same sample.
//! Crosstalk does: beside the acoustic peak the correlation of the two tracks has a second one at exactly zero, whoever speaks.
//!
//! *Decision.* In at least `min_share` of the half seconds (20 s or more) a peak lies within 5 microseconds of zero while the
//! highest peak lies elsewhere. Or: between the body microphones of two people, while one of them alone speaks (4 s or more), a
//! peak lies there in that share of the half seconds: a voice is at its wearer's microphone milliseconds before anybody else's.
//!
//! *Must not fire on.* Voices that happen to be at equal distances (their highest peak is the one at zero); echoes (upside down at
//! zero); copies of a track.
//!
//! *Known misses.* Crosstalk upside down; timecode or tone on a microphone track; crosstalk more than about 15 dB below what the air carries over.
//!
//! *Source.* The same event at exactly the same sample on microphones further apart than 7 mm is no sound.

use super::duplicate_track::{copy, short};
use crate::compare::PairMeasures;
use crate::compare::pairs::{Candidate, Cell};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Severity};
use crate::settings::Param;

/// Least share of half seconds.
pub static MIN_SHARE: Param = Param {
    key: "bleed.min_share",
    default: 0.6,
    unit: "1",
    range: (0.2, 1.0),
    why: "by chance a peak lies so near to zero in one half second of a thousand",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "bleed",
    explain: Explain {
        means: "One microphone's signal leaks electrically into another track.",
        sounds_like: "The other voice is there twice: once through the air, once as if close.",
        usual_cause: "Crosstalk in a cable, a breakout, an adapter or an input stage.",
        do_now: "Change the cable or the input; tell post that the two tracks are not independent.",
        measured_by: "A peak of the correlation between two tracks at exactly zero delay that stays whoever speaks.",
        not_to_confuse: "Sound through the air always takes time; a copy of a whole track is a duplicate track.",
    },
    params: &[&MIN_SHARE],
    run: Run::Take(run),
};

/// Half seconds needed (they overlap by half): of everything, and of one talker alone.
const CELLS: usize = 40;
const SOLO_CELLS: usize = 8;
/// Nearness to zero, s.
const ZERO_S: f64 = 5e-6;
/// The highest peak lies at least so far from zero, s.
const ELSEWHERE_S: f64 = 2e-4;
/// Least height of a peak at zero. A signal that leaks keeps its sign; upside down is what an echo mirrors there that is as late
/// after the voice as the voice itself is between the microphones.
const HEIGHT: f32 = 0.05;

/// Share of half seconds of sound with a peak at zero beside a higher one elsewhere; 0 where too few are known.
fn whoever_speaks(pair: &PairMeasures) -> f64 {
    let beside = |c: &&Cell| {
        c.candidates[0].delay_s().abs() > ELSEWHERE_S && c.candidates[1..].iter().any(at_zero)
    };
    share(pair.cells.cells.all().iter(), beside, CELLS)
}

/// The same for body microphones of two people, of the half seconds in which one of the wearers alone speaks; the larger.
/// 0 for all other pairs, and where one is a copy of the other.
fn one_way(view: &TakeView<'_>, pair: &PairMeasures) -> f64 {
    let (Some(a), Some(b)) = (view.speech.wearer(pair.a), view.speech.wearer(pair.b)) else {
        return 0.0;
    };
    if a == b || copy(pair).is_some_and(|c| c.residual_db < COPY_DB) {
        return 0.0;
    }
    let zero = |c: &&Cell| c.candidates.iter().any(at_zero);
    let cells = pair.cells.cells.all();
    [a, b]
        .into_iter()
        .map(|talker| {
            let solo = cells.iter().filter(|c| {
                let frame = view.grid.frame_at(pair.cells.middle_s(c));
                view.speech.alone(Some(talker), frame)
            });
            share(solo, zero, SOLO_CELLS)
        })
        .fold(0.0, f64::max)
}

/// Share that is no copy below which it is one signal twice, dB.
const COPY_DB: f64 = -25.0;

fn at_zero(peak: &Candidate) -> bool {
    peak.delay_s().abs() < ZERO_S && peak.height > HEIGHT
}

fn share<'a>(
    cells: impl Iterator<Item = &'a Cell>,
    hit: impl Fn(&&'a Cell) -> bool,
    least: usize,
) -> f64 {
    let cells: Vec<&Cell> = cells.collect();
    if cells.len() < least {
        return 0.0;
    }
    cells.iter().filter(|c| hit(c)).count() as f64 / cells.len() as f64
}

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let least = view.settings.get(&MIN_SHARE);
    view.pairs
        .iter()
        .filter_map(|pair| {
            let share = whoever_speaks(pair).max(one_way(view, pair));
            if share < least {
                return None;
            }
            let (a, b) = (
                short(&view.track(pair.a).label()),
                short(&view.track(pair.b).label()),
            );
            Some(
                view.finding_on("bleed", &[pair.a, pair.b], 0, view.grid.samples)
                    .severity(Severity::Caution)
                    .confidence(0.9)
                    .origin(Origin::Recorder)
                    .number("zero_delay_share", share, 2)
                    .says(
                        format!("{a} and {b} share a signal at no delay in {:.0} % of the time.", 100.0 * share),
                        "Change the cable or the input; tell post that the two tracks are not independent.",
                    ),
            )
        })
        .collect()
}
