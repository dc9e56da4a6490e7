//! A body microphone that runs late by a delay that distance cannot explain.
//!
//! *Fault.* A digital link, a converter or a plug-on device holds the signal back by milliseconds.
//!
//! *Signature.* A wearer's own microphone hears them first; the boom hears them 1 to 6 ms later. Where the boom is earlier,
//! the body microphone is late.
//!
//! *Decision.* Over the stretches in which the wearer alone speaks (at least three, at least 3 s) the body microphone is later
//! than the boom by more than `min_late_ms` in the median and late in nearly all of them. One that is late while another
//! pack is early as it should be, by more than the boom's way to the two people can differ, is for post; otherwise the packs
//! may all hang on one kind of link: a note.
//!
//! *Must not fire on.* Other people's voices at a body microphone; stretches whose speaker is uncertain.
//!
//! *Known misses.* Delays beyond 22 ms; links whose latency is shorter than the way to the boom.
//!
//! *Source.* 2.9 ms a metre; digital wireless adds about 2 to 10 ms.

use super::duplicate_track::short;
use crate::compare::pairs::quantile;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;

/// Least lateness against the boom.
pub static MIN_LATE: Param = Param {
    key: "late_track.min_late_ms",
    default: 1.0,
    unit: "ms",
    range: (0.3, 20.0),
    why: "a boom is never nearer to the mouth than the wearer's own microphone; 1 ms is a third of a metre of margin",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "late_track",
    explain: Explain {
        means: "A body microphone reaches the recorder later than the boom does.",
        sounds_like: "Alone nothing; together with the boom hollow, with a hint of an echo.",
        usual_cause: "Latency of a digital radio link or a plug-on device that is not made up for on the other tracks.",
        do_now: "Set the delay of the other inputs on the recorder, or tell post by how much to move the track.",
        measured_by: "Delay between boom and body microphone over the wearer's own words.",
        not_to_confuse: "A boom that is later is only further away. Packs of one digital system are late together; that is a note.",
    },
    params: &[&MIN_LATE],
    run: Run::Take(run),
};

/// Two people stand at most about so much further from the boom, one than the other: 1 m, seconds.
const GEOMETRY_S: f64 = 0.0029;
/// Stretches and seconds needed.
const STRETCHES: usize = 3;
const SECONDS: f64 = 3.0;

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let least = view.settings.get(&MIN_LATE) / 1000.0;
    let measured: Vec<(usize, Lateness)> = view
        .with_role(Role::Lav)
        .into_iter()
        .filter_map(|track| Some((track, lateness(view, track)?)))
        .collect();
    let late: Vec<(usize, f64)> = measured
        .iter()
        .filter(|(_, l)| l.median_s > least && l.low_s > THROUGHOUT_S)
        .map(|(track, l)| (*track, l.median_s))
        .collect();
    late.iter()
        .map(|&(track, seconds)| {
            let unlike = |l: &Lateness| l.median_s < (seconds - GEOMETRY_S).min(0.0);
            let alone = late.len() == 1 && measured.iter().any(|(_, l)| unlike(l));
            let (ms, label) = (1000.0 * seconds, short(&view.track(track).label()));
            let samples = (seconds * f64::from(view.grid.rate)).round() as i64;
            view.finding("late_track", track, 0, view.grid.samples)
                .severity(if alone {
                    Severity::Caution
                } else {
                    Severity::Note
                })
                .confidence(0.9)
                .origin(Origin::Recorder)
                .number("late_ms", ms, 2)
                .fact("late_samples", samples)
                .fact("tracks_late", late.len())
                .says(
                    format!(
                        "{label} runs {ms:.1} ms later than the boom on its wearer's own words."
                    ),
                    "Set the delay on the recorder, or tell post by how much to move the track.",
                )
        })
        .collect()
}

/// In nearly all stretches a late pack is later than the boom by at least this, s.
const THROUGHOUT_S: f64 = 0.0003;

/// By how much a body microphone is later than the boom over its wearer's words, seconds: in the median and in the tenth of the
/// stretches where it is least late. Negative: earlier, as it should be.
struct Lateness {
    median_s: f64,
    low_s: f64,
}

/// `None` where too little is known.
fn lateness(view: &TakeView<'_>, track: usize) -> Option<Lateness> {
    let talker = view.speech.wearer(track)?;
    let pair = view.pairs.iter().find(|p| {
        (p.a == track && view.track(p.b).role == Role::Boom)
            || (p.b == track && view.track(p.a).role == Role::Boom)
    })?;
    let sign = if pair.b == track { 1.0 } else { -1.0 };
    let own: Vec<_> = pair
        .segments
        .iter()
        .filter(|s| s.talker == Some(talker) && s.coherence > 0.3)
        .collect();
    let delays: Vec<f64> = own
        .iter()
        .filter_map(|s| s.delay_s)
        .map(|d| sign * d)
        .collect();
    let spoken: f64 = own.iter().map(|s| s.end_s - s.start_s).sum();
    if delays.len() < STRETCHES || spoken < SECONDS {
        return None;
    }
    Some(Lateness {
        median_s: quantile(&delays, 0.5)?,
        low_s: quantile(&delays, 0.1)?,
    })
}
