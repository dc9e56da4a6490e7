//! Isolated tracks that follow the faders.
//!
//! *Fault.* The recorder's tracks are fed after the faders: what the mixer pulls down is gone from the isolated tracks, too.
//!
//! *Signature.* While others speak, a body microphone holds less than its own background in the pauses of its wearer's words.
//! A microphone that is only not spoken into still hears the room and the others.
//!
//! *Decision.* On at least two body microphones, and most of those that can be judged, four fifths of the frames in which only
//! others speak lie at least `min_drop_db` below the quiet end of the wearer's own stretches.
//!
//! *Must not fire on.* A pack that is muted or off (one microphone); gated links (one microphone as well).
//!
//! *Known misses.* Faders that rest only a little down; takes in which one person speaks.
//!
//! *Source.* A body microphone hears the others about 15 dB below its wearer, far above the noise of its electronics.

use crate::compare::pairs::quantile;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::power_db;

/// Least drop.
pub static MIN_DROP: Param = Param {
    key: "post_fader.min_drop_db",
    default: 8.0,
    unit: "dB",
    range: (3.0, 40.0),
    why: "a live microphone hears the others, which lifts it over its own quiet moments; a closed fader takes 40 dB",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "post_fader",
    explain: Explain {
        means: "The isolated tracks are recorded after the faders.",
        sounds_like: "Between lines a body microphone falls silent; first syllables may be cut.",
        usual_cause: "The track sends of the recorder are set to post-fader.",
        do_now: "Set the sends of the isolated tracks to pre-fader before the next take; what was faded out is not on the card.",
        measured_by: "Level of each body microphone while others speak against its own quiet moments between its wearer's words.",
        not_to_confuse: "A single pack that is muted or gated.",
    },
    params: &[&MIN_DROP],
    run: Run::Take(run),
};

/// Frames needed on either side: 2 s.
const FRAMES: usize = 100;
/// Frames kept clear of the wearer's own words: 0.6 s, in which a fader closes.
const CLEAR: usize = 30;

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let measured: Vec<(usize, f64)> = view
        .with_role(Role::Lav)
        .into_iter()
        .filter_map(|track| Some((track, drop_db(view, track)?)))
        .collect();
    let least = view.settings.get(&MIN_DROP);
    let fallen: Vec<usize> = measured
        .iter()
        .filter(|(_, drop)| *drop > least)
        .map(|(track, _)| *track)
        .collect();
    if fallen.len() < 2 || 3 * fallen.len() < 2 * measured.len() {
        return Vec::new();
    }
    let drops: Vec<f64> = measured.iter().map(|(_, drop)| *drop).collect();
    let drop = quantile(&drops, 0.5).unwrap_or(0.0).min(120.0);
    vec![
        view.finding_on("post_fader", &fallen, 0, view.grid.samples)
            .severity(Severity::Caution)
            .confidence(0.9)
            .origin(Origin::Recorder)
            .number("drop_db", drop, 1)
            .fact("tracks_count", fallen.len())
            .says(
                format!(
                    "{} body microphones fall {drop:.0} dB below their own background while others speak.",
                    fallen.len()
                ),
                "Set the sends of the isolated tracks to pre-fader before the next take.",
            ),
    ]
}

/// By how much a body microphone lies below its own quiet moments while only others speak, dB; `None` with too little to judge.
fn drop_db(view: &TakeView<'_>, track: usize) -> Option<f64> {
    let frames = view.grid.frames;
    let own: Vec<bool> = (0..frames).map(|f| view.speech.own(track, f)).collect();
    let power = &view.tracks[track].frames.power;
    let level = |f: usize| power_db(f64::from(power[f])).max(-160.0);
    let near: Vec<f64> = (0..frames).filter(|&f| own[f]).map(level).collect();
    let far: Vec<f64> = (0..frames)
        .filter(|&f| {
            view.speech.any[f]
                && !own[f.saturating_sub(CLEAR)..(f + CLEAR).min(frames)]
                    .iter()
                    .any(|&o| o)
        })
        .map(level)
        .collect();
    if near.len() < FRAMES || far.len() < FRAMES {
        return None;
    }
    Some(quantile(&near, 0.1)? - quantile(&far, 0.8)?)
}
