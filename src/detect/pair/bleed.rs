//! Another channel on a microphone track: crosstalk at no delay at all.
//!
//! *Fault.* A cable, a connector or an input stage lets one microphone into the track of another.
//!
//! *Signature.* Sound needs 2.9 ms a metre; two microphones of different people never hear everything at the same sample.
//! Crosstalk does: beside the acoustic peak the correlation of the two tracks has a second one at exactly zero, whoever speaks.
//!
//! *Decision.* In at least `min_share` of the half seconds (10 s or more) a peak lies within 5 microseconds of zero while the
//! highest peak lies elsewhere.
//!
//! *Must not fire on.* Voices that happen to be at equal distances (their highest peak is the one at zero); copies of a track.
//!
//! *Known misses.* Timecode or tone on a microphone track; crosstalk more than about 15 dB below what the air carries over.
//!
//! *Source.* The same event at exactly the same sample on microphones further apart than 7 mm is no sound.

use super::duplicate_track::short;
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

/// Half seconds needed (they overlap by half).
const CELLS: usize = 40;
/// Nearness to zero, s.
const ZERO_S: f64 = 5e-6;
/// The highest peak lies at least so far from zero, s.
const ELSEWHERE_S: f64 = 2e-4;

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let least = view.settings.get(&MIN_SHARE);
    view.pairs
        .iter()
        .filter_map(|pair| {
            let cells = &pair.cells.cells;
            let hits = cells
                .iter()
                .filter(|c| {
                    c.candidates[0].delay_s.abs() > ELSEWHERE_S
                        && c.candidates[1..]
                            .iter()
                            .any(|p| p.delay_s.abs() < ZERO_S && p.height.abs() > 0.05)
                })
                .count();
            let share = hits as f64 / cells.len().max(1) as f64;
            if cells.len() < CELLS || share < least {
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
