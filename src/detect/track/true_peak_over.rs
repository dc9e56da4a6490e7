//! Reconstructed peaks above the limit, on a mix track.
//!
//! *Fault.* Between two samples the wave passes the limit for delivery; a converter or coder further down may clip there.
//!
//! *Signature.* The four-times interpolated peak lies above the limit while samples may stay below full scale.
//!
//! *Decision.* Stretches above -1.5 dBTP (joined over 250 ms) whose peak passes `limit_dbtp`: -1.0 dBTP with the tolerance of
//! meters, +0.3 dB.
//!
//! *Must not fire on.* Isolated tracks, whose peaks are no delivery level; limiters that hold -5 dBFS.
//!
//! *Known misses.* Overs of a mix whose track is not known as one.
//!
//! *Source.* ITU-R BS.1770-5 annex 2; EBU R 128 (maximum -1 dBTP, tolerance 0.3 dB).

use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, SampleFormat, Severity};
use crate::settings::Param;
use crate::units;

/// Level from which an over is reported.
pub static LIMIT: Param = Param {
    key: "true_peak_over.limit_dbtp",
    default: -0.7,
    unit: "dBTP",
    range: (-1.5, 6.0),
    why: "EBU R 128: -1 dBTP in production, with a meter tolerance of 0.3 dB",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "true_peak_over",
    explain: Explain {
        means: "The wave between the samples of the mix rises above the limit in force.",
        sounds_like: "Nothing on the recording itself; a slight crackle may appear where the mix is converted or coded.",
        usual_cause: "The bus was driven close to full scale and its limiter looks at samples only.",
        do_now: "Nothing for this take: the isolated tracks hold the sound. Leave a little more room on the bus.",
        measured_by: "Four-times interpolation after ITU-R BS.1770 annex 2; the largest value against the limit.",
        not_to_confuse: "Isolated tracks have no delivery limit. Samples pinned at full scale are clipping.",
    },
    params: &[&LIMIT],
    run: Run::Track(run),
};

fn run(view: &TakeView<'_>, position: usize) -> Vec<Finding> {
    if view.track(position).role != Role::Mix {
        return Vec::new();
    }
    let limit = view.settings.get(&LIMIT);
    let float = view.take.format == SampleFormat::Float;
    view.tracks[position]
        .true_peak
        .overs
        .iter()
        .filter(|over| units::db(over.peak) > limit)
        .map(|over| {
            let peak = units::db(over.peak);
            view.finding("true_peak_over", position, over.start, over.end)
                .severity(Severity::Caution)
                // Meters differ by up to 0.3 dB around the limit.
                .confidence(if peak > limit + 0.1 { 0.98 } else { 0.9 })
                .origin(Origin::Mix)
                .number("true_peak_dbtp", peak, 2)
                .number("limit_dbtp", limit, 2)
                .fact("events", over.events)
                .says(
                    format!("The mix reaches {peak:.1} dBTP; the limit is {limit:.1} dBTP."),
                    if float {
                        "Nothing is lost in the float file; turn the mix down before it is converted."
                    } else {
                        "Leave more room on the mix bus; the isolated tracks are not touched by it."
                    },
                )
        })
        .collect()
}
