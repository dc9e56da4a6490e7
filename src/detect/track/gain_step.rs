//! `gain_step`: level and background of one microphone step by the same dB at one instant.
//!
//! Fault: gain or trim was turned, or a pack's level switched, while the take ran.
//! Signature: the background of one microphone changes by the same amount in all octaves, and its voices change by the same
//! amount against the other microphones.
//! Decision: a change of the background (as for `noise_change`) of at least `min_step_db` in this microphone alone; the octaves
//! agree within 2 dB, and for a talker who speaks before and after, the level against another microphone moves by the same
//! amount within `agree_db`.
//! Must not fire on: changes of the place, muffled or muted microphones, people who move.
//! Known misses: steps with no pause on either side, slow fades, steps on all microphones together.
//! Source: detection practice for background changes (a change of gain moves all bands and the speech by the same dB).

use crate::detect::hearing::{levels_within, median};
use crate::detect::take::noise_change::changes_of_track;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::floor::STEP;
use crate::report::model::{Origin, Severity};
use crate::settings::Param;

static MIN_STEP_DB: Param = Param {
    key: "gain_step.min_step_db",
    default: 3.0,
    unit: "dB",
    range: (1.0, 20.0),
    why: "smaller steps are within what people do by turning their heads",
};
static AGREE_DB: Param = Param {
    key: "gain_step.agree_db",
    default: 1.5,
    unit: "dB",
    range: (0.2, 6.0),
    why: "background and speech have to move by the same amount; half-second medians of both scatter by less",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "gain_step",
    explain: Explain {
        means: "The gain of one microphone was changed during the take.",
        sounds_like: "Voice and background get louder or softer together at one instant.",
        usual_cause: "A trim turned while rolling, or a pack's level switched.",
        do_now: "Note time and amount; post undoes it by the opposite gain from there on.",
        measured_by: "Step of the background in all octaves, and of the voices against the other microphones, by the same dB.",
        not_to_confuse: "A machine changes the background only, a moving actor the voice only. Slow fades are missed.",
    },
    params: &[&MIN_STEP_DB, &AGREE_DB],
    run: Run::Track(run),
};

fn run(view: &TakeView<'_>, track: usize) -> Vec<Finding> {
    if !view.track(track).is_microphone() {
        return Vec::new();
    }
    let least = view.settings.get(&MIN_STEP_DB);
    let agree = view.settings.get(&AGREE_DB);
    changes_of_track(view, track, least)
        .into_iter()
        .filter(|c| c.octave_spread_db <= 2.0)
        .filter_map(|c| {
            let at = c.step * STEP;
            let voices = voice_change_db(view, track, at)?;
            let same = (voices - c.change_db).abs() <= agree;
            same.then(|| finding(view, track, view.grid.sample(at), c.change_db, voices))
        })
        .collect()
}

/// Change of the voices at a frame against the other microphones, dB: the median over talkers and microphones of the change of
/// the level difference; `None` where nobody speaks half a second on both sides.
fn voice_change_db(view: &TakeView<'_>, track: usize, at: usize) -> Option<f64> {
    let reach = view.grid.frames_in(12.0);
    let least = view.grid.frames_in(0.5);
    // Nothing further away is asked for.
    let span = at.saturating_sub(reach)..(at + reach).min(view.grid.frames);
    let levels = |track: usize| levels_within(&view.tracks[track], 300.0, 3000.0, span.clone());
    let mine = levels(track);
    let mut changes = Vec::new();
    for other in view.microphones().into_iter().filter(|&m| m != track) {
        let theirs = levels(other);
        for mask in &view.speech.by_talker {
            let part = |range: std::ops::Range<usize>| -> Vec<f64> {
                range
                    .filter(|&f| mask[f] && theirs[f - span.start] > -120.0)
                    .map(|f| mine[f - span.start] - theirs[f - span.start])
                    .collect()
            };
            let before = part(span.start..at);
            let after = part(at.min(span.end)..span.end);
            if before.len() >= least && after.len() >= least {
                changes.push(median(&after) - median(&before));
            }
        }
    }
    (!changes.is_empty()).then(|| median(&changes))
}

fn finding(view: &TakeView<'_>, track: usize, start: u64, background: f64, voices: f64) -> Finding {
    let db = 0.5 * (background + voices);
    view.finding("gain_step", track, start, view.grid.samples)
        .severity(Severity::Caution)
        .confidence(0.85)
        .origin(Origin::Recorder)
        .number("step_db", db, 1)
        .number("background_change_db", background, 1)
        .number("voice_change_db", voices, 1)
        .says(
            format!(
                "{} {db:+.1} dB from here on, voice and background alike; undo by {:+.1}.",
                view.track(track).label(),
                -db
            ),
            "Post undoes it by the opposite gain from this point; leave trims alone while rolling.",
        )
}
