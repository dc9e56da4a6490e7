//! Speech that the recording cuts off.
//!
//! *Fault.* The wearer is in the middle of a word at the first or the last instant of the file: rolled late or cut early.
//!
//! *Signature.* The talker's own microphone carries voiced speech near its usual level right up to the edge, as part of a
//! stretch that began well before.
//!
//! *Decision.* The edge lies inside a stretch of own speech of at least `min_stretch_s`, and over the last `edge_ms` before the
//! edge every frame stays within `max_below_db` of the track's active speech level. Files that go on in another file are one
//! take and have no edge there; files cut short by a fault are told as such.
//!
//! *Must not fire on.* A word that ends just before the cut; room tone; music; false starts; calls of the crew off the
//! microphone.
//!
//! *Known misses.* Talkers without a body microphone; a cut in the pause between two words.
//!
//! *Source.* The level of a running voice between its syllables falls below -15 dB of its active level within 60 ms.

use super::level::own_speech;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::power_db;

/// Length of the stretch that the edge cuts.
pub static MIN_STRETCH: Param = Param {
    key: "cut_short.min_stretch_s",
    default: 0.4,
    unit: "s",
    range: (0.1, 5.0),
    why: "two syllables: a cough or a knock is shorter",
};
/// How long speech must run up to the edge.
pub static EDGE: Param = Param {
    key: "cut_short.edge_ms",
    default: 60.0,
    unit: "ms",
    range: (20.0, 500.0),
    why: "a syllable fades within 60 ms",
};
/// Lowest level at the edge.
pub static MAX_BELOW: Param = Param {
    key: "cut_short.max_below_db",
    default: 12.0,
    unit: "dB",
    range: (3.0, 30.0),
    why: "running speech swings 10 to 15 dB about its active level; a fading one falls below",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "cut_short",
    explain: Explain {
        means: "Somebody is in the middle of a word where the recording starts or stops.",
        sounds_like: "The first word comes in half way, or the last one breaks off.",
        usual_cause: "Rolled late, or cut before the scene was over.",
        do_now: "Ask whether the words matter: a wild line of them takes a minute now.",
        measured_by: "The talker's own microphone carries voiced speech near its usual level up to the first or last sample, with no following file.",
        not_to_confuse: "A line that ends just before the cut is whole. Takes split over several files are joined first.",
    },
    params: &[&MIN_STRETCH, &EDGE, &MAX_BELOW],
    run: Run::Track(run),
};

fn run(view: &TakeView<'_>, position: usize) -> Vec<Finding> {
    if view.track(position).role != Role::Lav {
        return Vec::new();
    }
    let Some((active, ..)) = own_speech(view, position) else {
        return Vec::new();
    };
    let stretch = view.grid.frames_in(view.settings.get(&MIN_STRETCH));
    let edge = view.grid.frames_in(view.settings.get(&EDGE) / 1000.0);
    // The last frame may be a fragment; whole frames only.
    let whole = (view.grid.samples / view.grid.hop.max(1) as u64) as usize;
    let frames = whole.min(view.grid.frames);
    if frames < 2 * stretch {
        return Vec::new();
    }
    let m = &view.tracks[position];
    let least = active.level_dbfs - view.settings.get(&MAX_BELOW);
    let voiced = |range: std::ops::Range<usize>| {
        range
            .clone()
            .all(|f| power_db(f64::from(m.frames.power[f])) > least)
            && range.clone().any(|f| m.frames.harmonicity(f) > 0.7)
    };
    let spoken = |mut range: std::ops::Range<usize>| range.all(|f| view.speech.own(position, f));
    let lost = view.take.files.iter().any(|f| {
        let codes = ["truncated", "unfinished"];
        f.opened
            .problems
            .iter()
            .any(|p| codes.contains(&p.code.as_str()))
    });
    let finding =
        |start: usize, end: usize, what: &str, where_: &str| {
            view.finding(
            "cut_short",
            position,
            view.grid.sample(start),
            view.grid.sample(end).max(if end == frames { view.grid.samples } else { 0 }),
        )
        .severity(Severity::Caution)
        .confidence(0.75)
        .origin(Origin::File)
        .number("speech_level_dbfs", active.level_dbfs, 2)
        .number("stretch_s", (end - start) as f64 / view.grid.frames_per_s(), 2)
        .fact("edge", where_)
        .says(
            format!(
                "{} is talking at the {what}, {:.0} dB from the usual level.",
                view.track(position).label(),
                {
                    let f = if end == frames { end - 1 } else { start };
                    power_db(f64::from(m.frames.power[f])) - active.level_dbfs
                }
            ),
            "Listen to the edge: if the words matter, a wild line of them saves a search later.",
        )
        };
    let mut found = Vec::new();
    if spoken(0..stretch) && voiced(0..edge) {
        let end = (0..frames)
            .find(|&f| !view.speech.own(position, f))
            .unwrap_or(frames);
        found.push(finding(
            0,
            end.min(frames.saturating_sub(1)),
            "first instant",
            "start",
        ));
    }
    if !lost && spoken(frames - stretch..frames) && voiced(frames - edge..frames) {
        let start = (0..frames)
            .rev()
            .find(|&f| !view.speech.own(position, f))
            .map_or(0, |f| f + 1);
        found.push(finding(start, frames, "last instant", "end"));
    }
    found
}
