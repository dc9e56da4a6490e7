//! Speech recorded too low.
//!
//! *Fault.* The gain was far too small: raised to a usable level the words bring the noise of the electronics with them.
//!
//! *Signature.* The active level of the track's own speech lies far below the usual -20 dBFS.
//!
//! *Decision.* Integer files only: active level below `limit_dbfs` over at least a second of own speech, which must stand out
//! from the track's background and be among the loudest things on it. On mix tracks: words of a body microphone's wearer while
//! every fader that hears them is down, in a mix that is the sum of its microphones.
//!
//! *Must not fire on.* Float files at any level; safety copies; packs that wait in a pouch; whispers; a plant microphone far
//! from the words, whose level is geometry.
//!
//! *Known misses.* A track of which nobody's speech is known.
//!
//! *Source.* ITU-T P.56 method B; usual dialogue level -20 dBFS.

use super::level::own_speech;
use crate::detect::pair::duplicate_track::short;
use crate::detect::pair::in_the_mix::{LeftOut, left_out};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, SampleFormat, Severity};
use crate::settings::Param;
use crate::units::power_db;

/// Active level below which speech is too low.
pub static LIMIT: Param = Param {
    key: "level_low.limit_dbfs",
    default: -45.0,
    unit: "dBFS",
    range: (-80.0, -20.0),
    why: "report contract: 25 dB under the usual -20 dBFS, gain was not meant to be there",
};
/// Distance to the background without which no speech is heard on the track.
const LEAST_OVER_FLOOR_DB: f64 = 3.0;

/// The own talker is among the loudest things a microphone hears: what lies this far under the loud thirtieth of the track
/// was said by somebody else.
const MOST_UNDER_LOUD_DB: f64 = 15.0;

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "level_low",
    explain: Explain {
        means: "The speech on this track is far quieter than it should be.",
        sounds_like: "Faint; hiss comes up with it when it is raised.",
        usual_cause: "Gain left down after a loud scene, a pad switched in, or a transmitter at its lowest gain.",
        do_now: "Raise the gain of this input before the next take; the words can be raised in post, at the price of noise.",
        measured_by: "Active speech level after ITU-T P.56 over the stretches where the track's own talker speaks; integer files only. In a mix: the recovered fader gains of all microphones that hear a wearer's words.",
        not_to_confuse: "In a 32-bit float file the level is free. Safety copies and whispers are meant to be low. Speech close to the noise is noise_high. A mix that a boom carries alone is a way of working.",
    },
    params: &[&LIMIT],
    run: Run::Take(run),
};

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let tracks = 0..view.take.tracks.len();
    (tracks.flat_map(|position| on_track(view, position)))
        .chain(left_out(view).iter().map(|words| missing(view, words)))
        .collect()
}

/// Words that are in no mix.
fn missing(view: &TakeView<'_>, words: &LeftOut) -> Finding {
    let label = short(&view.track(words.track).label());
    let (start, end) = words.range;
    let seconds = words.words_s;
    let finding = view
        .finding_on("level_low", &view.with_role(Role::Mix), start, end)
        .origin(Origin::Mix)
        .fact("microphones", vec![view.track(words.track).index])
        .number("words_s", seconds, 1);
    if words.boom {
        finding.severity(Severity::Note).confidence(0.85).says(
            format!("{label} is never up in the mix; {seconds:.0} s of words come by another microphone."),
            "Nothing if that is meant: the isolated track is on the card.",
        )
    } else {
        finding.severity(Severity::Caution).confidence(0.9).says(
            format!("{seconds:.1} s of words of {label} are not in the mix: no fader is up that hears them."),
            "The isolated track has them: tell post that the mix of this line has to be made again.",
        )
    }
}

fn on_track(view: &TakeView<'_>, position: usize) -> Vec<Finding> {
    let track = view.track(position);
    let asked = matches!(track.role, Role::Boom | Role::Lav)
        && view.take.format == SampleFormat::Int
        && !track.label().to_lowercase().contains("saf");
    if !asked {
        return Vec::new();
    }
    let Some((active, first, end)) = own_speech(view, position) else {
        return Vec::new();
    };
    let limit = view.settings.get(&LIMIT);
    if active.level_dbfs >= limit
        || over_floor_db(view, position) < LEAST_OVER_FLOOR_DB
        || active.level_dbfs < loud_dbfs(view, position) - MOST_UNDER_LOUD_DB
    {
        return Vec::new();
    }
    vec![
        view.finding(
            "level_low",
            position,
            view.grid.sample(first),
            view.grid.sample(end),
        )
        .severity(Severity::Caution)
        .confidence(if active.level_dbfs < limit - 2.0 {
            0.93
        } else {
            0.8
        })
        .origin(Origin::Recorder)
        .number("speech_level_dbfs", active.level_dbfs, 2)
        .number("limit_dbfs", limit, 1)
        .says(
            format!(
                "Speech at {:.1} dBFS, {:.0} dB below the usual -20 dBFS.",
                active.level_dbfs,
                -20.0 - active.level_dbfs
            ),
            "Raise the gain of this input before the next take; post can lift the words, with their noise.",
        ),
    ]
}

/// Level in dBFS that a thirtieth of the track's frames exceeds.
fn loud_dbfs(view: &TakeView<'_>, position: usize) -> f64 {
    let mut power = view.tracks[position].frames.power.clone();
    power.sort_by(|a, b| b.total_cmp(a));
    power
        .get(power.len() / 30)
        .map_or(f64::NEG_INFINITY, |&p| power_db(f64::from(p)))
}

/// Mean power of own speech frames over the mean background beneath them, between 200 Hz and 4 kHz.
fn over_floor_db(view: &TakeView<'_>, position: usize) -> f64 {
    let m = &view.tracks[position];
    let voice = crate::measure::frames::bands_within(200.0, 4000.0);
    let (mut speech, mut floor) = (0.0, 0.0);
    for f in view.speech.own_frames(position) {
        speech += m.frames.band_power(f, voice.clone());
        floor += m.floor.band_power(f, voice.clone());
    }
    power_db(speech) - power_db(floor)
}
