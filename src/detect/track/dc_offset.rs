//! A constant offset.
//!
//! *Fault.* The input stage or converter adds a constant voltage: edits click, and the room on one side shrinks.
//!
//! *Signature.* The means of all seconds agree on a value that is not zero. Microphones and sound do not hold one.
//!
//! *Decision.* The median of the one-second means lies above `limit_dbfs` and is at least `min_errors` times its standard
//! error. With fewer than three means there is no error to speak of: the means must all lie above the limit then.
//!
//! *Must not fire on.* Wind and rumble, whose means wander around zero; silence; short takes with one slow wave.
//!
//! *Known misses.* An offset that a high-pass behind it has removed (nothing is left to mend); one that comes and goes.
//!
//! *Source.* Median and robust spread of means; limit -55 dBFS.

use crate::detect::{Detector, Explain, Finding, Run, TakeView};
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
    let levels = &view.tracks[position].levels;
    let Some(offset) = levels.offset() else {
        return Vec::new();
    };
    let limit = view.settings.get(&LIMIT);
    let level = units::db(offset.value);
    let steady = if offset.seconds < 3 {
        levels
            .means
            .iter()
            .all(|m| units::db(*m) > limit && m.signum() == offset.value.signum())
            && view.take.duration_s() >= 0.5
    } else {
        offset.value.abs() > view.settings.get(&MIN_ERRORS) * offset.error
    };
    if level <= limit || !steady {
        return Vec::new();
    }
    vec![
        view.finding("dc_offset", position, 0, view.grid.samples)
            .severity(Severity::Caution)
            .confidence(if offset.seconds < 3 { 0.7 } else { 0.98 })
            .origin(Origin::Recorder)
            .number("offset_dbfs", level, 2)
            .number("offset_share", offset.value, 6)
            .number("standard_error_share", offset.error, 7)
            .fact("measured_s", offset.seconds)
            .says(
                format!("Constant offset of {level:.1} dBFS on the whole track."),
                "Tell post to high-pass this track before cutting; check the input and its low cut.",
            ),
    ]
}
