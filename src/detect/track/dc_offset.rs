//! A constant offset.
//!
//! *Fault.* The input stage or converter adds a constant voltage: edits click, and the room on one side shrinks.
//!
//! *Signature.* The means of all seconds agree on a value that is not zero. Microphones and sound do not hold one.
//!
//! *Decision.* The median of the one-second means lies above `limit_dbfs` and is at least `min_errors` times its standard
//! error. With fewer than three means there is no error to speak of: the means must all lie above the limit then. An offset that
//! sets in or goes is read from the part of the take after or before the second at which the means step.
//!
//! *Must not fire on.* Wind and rumble, whose means wander around zero; silence; short takes with one slow wave.
//!
//! *Known misses.* An offset that a high-pass behind it has removed (nothing is left to mend); one that comes and goes more than once.
//!
//! *Source.* Median and robust spread of means; limit -55 dBFS.

use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::levels::{Offset, offset_of};
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units;

/// Level from which an offset is reported.
pub static LIMIT: Param = Param {
    key: "dc_offset.limit_dbfs",
    default: -55.0,
    unit: "dBFS",
    range: (-90.0, -20.0),
    why: "report contract: above -55 dBFS post hears clicks at edits and should filter first",
};
/// Distance from zero in standard errors.
pub static MIN_ERRORS: Param = Param {
    key: "dc_offset.min_errors",
    default: 5.0,
    unit: "1",
    range: (2.0, 50.0),
    why: "five standard errors of the median leave wind and rumble, whose means wander, below one in a million",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "dc_offset",
    explain: Explain {
        means: "The whole track is shifted away from zero by a constant amount.",
        sounds_like: "Nothing while it runs; a click at every cut and fade.",
        usual_cause: "A faulty input stage, a battery-powered microphone on a converter without high-pass, or a defective cable on a biased input.",
        do_now: "Tell post to high-pass before cutting. Check the input with another cable; switch on the low cut.",
        measured_by: "The median of the means of all seconds, with its standard error.",
        not_to_confuse: "Wind and rumble move the mean too, but not to one value.",
    },
    params: &[&LIMIT, &MIN_ERRORS],
    run: Run::Track(run),
};

fn run(view: &TakeView<'_>, position: usize) -> Vec<Finding> {
    if matches!(view.track(position).role, Role::Timecode | Role::Tone) {
        return Vec::new();
    }
    let means = &view.tracks[position].levels.means;
    let (limit, errors) = (view.settings.get(&LIMIT), view.settings.get(&MIN_ERRORS));
    let counts = |offset: &Offset| {
        units::db(offset.value) > limit && offset.value.abs() > errors * offset.error
    };
    let whole = offset_of(means).filter(|o| {
        if o.seconds < 3 {
            means
                .iter()
                .all(|m| units::db(*m) > limit && m.signum() == o.value.signum())
                && view.take.duration_s() >= 0.5
        } else {
            counts(o)
        }
    });
    let step = stepped(means).and_then(|at| {
        let (before, after) = (offset_of(&means[..at])?, offset_of(&means[at..])?);
        let apart = (after.value - before.value).abs();
        let clear = apart > errors * before.error.max(after.error);
        let second = |s: usize| (s as u64 * u64::from(view.grid.rate)).min(view.grid.samples);
        // One side holds the offset, the other next to none of it.
        let one = |held: &Offset, other: &Offset| {
            clear && counts(held) && other.value.abs() < 0.25 * held.value.abs()
        };
        if one(&after, &before) {
            Some((after, second(at), view.grid.samples))
        } else if one(&before, &after) {
            Some((before, 0, second(at)))
        } else {
            None
        }
    });
    let found = step.or(whole.map(|o| (o, 0, view.grid.samples)));
    found
        .map(|(offset, start, end)| finding(view, position, offset, (start, end)))
        .into_iter()
        .collect()
}

/// Means on either side of a step, at least.
const SIDE: usize = 5;

/// The second at which the means step from one value to another: where two levels leave least of their scatter; `None` with too
/// few of them.
fn stepped(means: &[f64]) -> Option<usize> {
    let mut sums = vec![0.0];
    for mean in means {
        sums.push(sums[sums.len() - 1] + mean);
    }
    let (n, all) = (means.len(), sums[means.len()]);
    let explained = |at: usize| {
        let (left, right) = (sums[at], all - sums[at]);
        left * left / at as f64 + right * right / (n - at) as f64
    };
    (SIDE..(n + 1).saturating_sub(SIDE)).max_by(|&p, &q| explained(p).total_cmp(&explained(q)))
}

fn finding(
    view: &TakeView<'_>,
    position: usize,
    offset: Offset,
    (start, end): (u64, u64),
) -> Finding {
    let level = units::db(offset.value);
    let place = match (start, end == view.grid.samples) {
        (0, true) => "on the whole track",
        (0, false) => "up to here",
        _ => "from here on",
    };
    view.finding("dc_offset", position, start, end)
        .severity(Severity::Caution)
        .confidence(if offset.seconds < 3 { 0.7 } else { 0.98 })
        .origin(Origin::Recorder)
        .number("offset_dbfs", level, 2)
        .number("offset_share", offset.value, 6)
        .number("standard_error_share", offset.error, 7)
        .fact("measured_s", offset.seconds)
        .says(
            format!("Constant offset of {level:.1} dBFS {place}."),
            "Tell post to high-pass this track before cutting; check the input and its low cut.",
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_step_is_where_the_means_step() {
        let means: Vec<f64> = (0..40).map(|s| if s < 17 { 0.0 } else { 0.01 }).collect();
        assert_eq!(stepped(&means), Some(17));
        assert_eq!(stepped(&means[..9]), None);
        assert_eq!(stepped(&[]), None);
    }
}
