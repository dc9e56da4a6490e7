//! Two tracks that carry the same signal.
//!
//! *Fault.* One input feeds two tracks: a patch or routing slip. What was meant to be on the second track is lost.
//!
//! *Signature.* One track is a scaled (perhaps delayed or turned) copy of the other down to the noise of the electronics, perhaps
//! through another low-cut and tone control.
//! Two microphones never come near that: even 5 cm apart in a room, what one holds and the other does not lies about 8 to
//! 15 dB under the signal.
//!
//! *Decision.* Over the louder half of the half-second cells of a pair (where noise of the electronics weighs least) the
//! median share that is no copy lies below `max_residual_db`, and nearly all of these cells stay clearly below what two
//! microphones reach.
//!
//! *Must not fire on.* A mix track (it may hold one open fader); safety copies named as such, at a lower level; dual mono
//! mixes; middle and side of one capsule; two microphones on one pole; silent tracks.
//!
//! *Known misses.* A copy so quiet that the electronics of the second path drown it; takes without sound over the background.
//!
//! *Source.* Normalised correlation at the best delay; same digital signal below -60 dB, same microphone by two paths below
//! -25 dB, two microphones on one talker above -8 dB.

use crate::compare::PairMeasures;
use crate::compare::pairs::quantile;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Polarity, Severity};
use crate::settings::Param;

/// Largest share that is no copy.
pub static MAX_RESIDUAL: Param = Param {
    key: "duplicate_track.max_residual_db",
    default: -25.0,
    unit: "dB",
    range: (-90.0, -18.0),
    why: "copies through a second path stay below -25 dB, two microphones in one room above -15 dB",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "duplicate_track",
    explain: Explain {
        means: "Two tracks carry the same microphone.",
        sounds_like: "Both tracks sound the same; summed they are only louder, with no change of tone.",
        usual_cause: "One input was routed to two tracks, or a receiver's output is patched twice.",
        do_now: "Check the routing. If somebody's microphone was therefore not recorded, say so to post and fix it before the next take.",
        measured_by: "Both tracks are lined up; what the second holds that is no copy of the first, scaled or through another low-cut, is set against its whole.",
        not_to_confuse: "A safety copy at lower level named as one, a mix that holds one open fader, and both sides of a mono mix are no fault. A copy below the noise of its own path is missed.",
    },
    params: &[&MAX_RESIDUAL],
    run: Run::Take(run),
};

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let limit = view.settings.get(&MAX_RESIDUAL);
    view.pairs
        .iter()
        .filter_map(|pair| finding(view, pair, limit))
        .collect()
}

fn finding(view: &TakeView<'_>, pair: &PairMeasures, limit: f64) -> Option<Finding> {
    let (a, b) = (view.track(pair.a), view.track(pair.b));
    let copy = copy(pair)?;
    if copy.residual_db >= limit || copy.worst_db >= limit + 10.0 {
        return None;
    }
    if copy.ridden_db > MOST_RIDDEN_DB {
        return None;
    }
    if is_safety(&a.label()) || is_safety(&b.label()) {
        return None;
    }
    let sure = copy.residual_db < limit - 10.0;
    let turned = pair.polarity == Polarity::Inverted;
    Some(
        view.finding_on("duplicate_track", &[pair.a, pair.b], 0, view.grid.samples)
            .severity(Severity::Caution)
            .confidence(if sure { 0.99 } else { 0.9 })
            .origin(Origin::Recorder)
            .number("residual_db", copy.residual_db, 1)
            .number("level_difference_db", copy.level_difference_db, 2)
            .number("delay_ms", 1000.0 * copy.delay_s, 3)
            .fact("polarity", if turned { "inverted" } else { "same" })
            .fact("cells", copy.cells)
            .says(
                format!(
                    "{} and {} carry the same signal, {:+.1} dB apart.",
                    short(&a.label()),
                    short(&b.label()),
                    copy.level_difference_db
                ),
                "Check the routing of both tracks; ask whether a microphone went unrecorded.",
            ),
    )
}

/// Two tracks of one input keep their level difference to a tenth of a decibel; before and behind a fader they do not, nor do
/// two microphones that hear one voice without a room, dB.
const MOST_RIDDEN_DB: f64 = 1.0;

/// How much of a copy a pair is.
#[derive(Debug)]
pub struct Copy {
    /// Median share of the second track that is no copy of the first.
    pub residual_db: f64,
    /// The same in the worst tenth of the cells.
    pub worst_db: f64,
    /// Second track re the first.
    pub level_difference_db: f64,
    /// By how much that difference moves over the cells that are copies, without the outer tenths.
    pub ridden_db: f64,
    /// Second track after the first.
    pub delay_s: f64,
    /// Half-second cells behind these numbers.
    pub cells: usize,
}

/// Share that is no copy below which a cell's level difference is that of the two tracks, dB.
const COPIED_DB: f32 = -18.0;

/// How much of a copy a pair is; `None` where too little sounds on both.
pub fn copy(pair: &PairMeasures) -> Option<Copy> {
    let cells = pair.cells.cells.all();
    let levels: Vec<f64> = cells.iter().map(|c| f64::from(c.level_db)).collect();
    let middle = quantile(&levels, 0.5)?;
    let loud: Vec<_> = cells
        .iter()
        .filter(|c| f64::from(c.level_db) >= middle)
        .collect();
    if loud.len() < 4 {
        return None;
    }
    let of = |f: &dyn Fn(&crate::compare::pairs::Cell) -> f64| -> Vec<f64> {
        loud.iter().map(|c| f(c)).collect()
    };
    let copied: Vec<f64> = cells
        .iter()
        .filter(|c| c.residual_db < COPIED_DB)
        .map(|c| f64::from(c.level_difference_db))
        .collect();
    let residuals = of(&|c| f64::from(c.residual_db));
    Some(Copy {
        residual_db: quantile(&residuals, 0.5)?,
        worst_db: quantile(&residuals, 0.9)?,
        level_difference_db: quantile(&of(&|c| f64::from(c.level_difference_db)), 0.5)?,
        ridden_db: quantile(&copied, 0.9)
            .zip(quantile(&copied, 0.1))
            .map_or(0.0, |(most, least)| most - least),
        delay_s: quantile(&of(&|c| c.candidates[0].delay_s()), 0.5)?,
        cells: loud.len(),
    })
}

/// Names that say that a track is meant to be a copy.
pub(super) fn is_safety(label: &str) -> bool {
    let lower = label.to_lowercase();
    ["safety", "safe", "backup", "back-up", "pad", "copy", "low"]
        .iter()
        .any(|word| {
            lower
                .split(|c: char| !c.is_alphanumeric() && c != '-')
                .any(|w| w == *word)
        })
        || lower.ends_with("db")
}

/// A label short enough for a sentence.
pub(in crate::detect) fn short(label: &str) -> String {
    if label.chars().count() <= 24 {
        label.to_owned()
    } else {
        label.chars().take(23).chain(std::iter::once('…')).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_safety_copies() {
        for name in ["Boom safety", "BOOM -10dB", "Anna pad", "Boom LOW"] {
            assert!(is_safety(name), "{name}");
        }
        for name in ["Boom", "Anna", "Willow", "Paddy", "Plant"] {
            assert!(!is_safety(name), "{name}");
        }
    }
}
