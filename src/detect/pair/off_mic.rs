//! `off_mic`: the boom loses the talker while the voice goes on.
//!
//! Fault: none to repair; such a boom is no cover for the line.
//! Signature: 2 to 8 kHz of the voice on the boom, against the talker's own body microphone, falls more than 8 dB below the
//! take's usual.
//! Decision: per talker the level difference over the frames in which that talker speaks alone; stretches of at least `min_s`
//! whose running median lies `min_loss_db` under the talker's median. Always a note.
//! Must not fire on: whisper and shout (both microphones), a body microphone that gets muffled (raises the difference).
//! Known misses: a boom that is off the talker for the whole take; talkers without a body microphone.
//! Source: report contract (2-8 kHz against the lav falls by more than 8 dB while the voice goes on).

use crate::compare::speech::runs;
use crate::detect::hearing::{floor_db, levels_db, median};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;

static MIN_LOSS_DB: Param = Param {
    key: "off_mic.min_loss_db",
    default: 8.0,
    unit: "dB",
    range: (3.0, 30.0),
    why: "report contract: more than 8 dB",
};
static MIN_S: Param = Param {
    key: "off_mic.min_s",
    default: 1.0,
    unit: "s",
    range: (0.3, 30.0),
    why: "a turn of the head is shorter",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "off_mic",
    explain: Explain {
        means: "The boom is off the talker for a while; it is no cover for these words.",
        sounds_like: "The voice moves away and gets dull and roomy on the boom.",
        usual_cause: "A missed cue, a shadow to avoid, an actor who left the mark.",
        do_now: "Use the body microphone for these words, or ask for the line again.",
        measured_by: "2 to 8 kHz of the voice on the boom less the same on the talker's own microphone, against the take's median.",
        not_to_confuse: "A muffled body microphone moves the difference the other way. A boom that is off throughout is not seen.",
    },
    params: &[&MIN_LOSS_DB, &MIN_S],
    run: Run::Take(run),
};

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let mut findings = Vec::new();
    for boom in view.with_role(Role::Boom) {
        let high = levels_db(&view.tracks[boom], 2000.0, 8000.0);
        for (talker, who) in view.speech.talkers.iter().enumerate() {
            let Some(&lav) = who.tracks.first() else {
                continue;
            };
            let (mine, floor) = (
                levels_db(&view.tracks[lav], 2000.0, 8000.0),
                floor_db(&view.tracks[lav], 2000.0, 8000.0),
            );
            let alone: Vec<usize> = (0..view.grid.frames)
                .filter(|&f| mine[f] > floor[f] + 15.0 && view.speech.alone(Some(talker), f))
                .collect();
            let difference: Vec<f64> = alone.iter().map(|&f| high[f] - mine[f]).collect();
            let least = view.grid.frames_in(view.settings.get(&MIN_S));
            for (start, end, loss) in lost(&difference, least, view.settings.get(&MIN_LOSS_DB)) {
                let range = (
                    view.grid.sample(alone[start]),
                    view.grid.sample(alone[end - 1] + 1),
                );
                findings.push(finding(view, boom, lav, range, loss));
            }
        }
    }
    findings
}

/// Stretches (of the frames given) whose median over `least` lies under the usual, and by how much.
fn lost(x: &[f64], least: usize, loss_db: f64) -> Vec<(usize, usize, f64)> {
    if x.len() < 3 * least {
        return Vec::new();
    }
    let usual = median(x);
    let half = least / 2;
    let away: Vec<bool> = (0..x.len())
        .map(|i| median(&x[i.saturating_sub(half)..(i + half + 1).min(x.len())]) < usual - loss_db)
        .collect();
    runs(&away)
        .into_iter()
        .filter(|(a, b)| b - a >= least)
        .map(|(a, b)| (a, b, usual - median(&x[a..b])))
        .collect()
}

fn finding(
    view: &TakeView<'_>,
    boom: usize,
    lav: usize,
    (start, end): (u64, u64),
    loss: f64,
) -> Finding {
    view.finding("off_mic", boom, start, end)
        .severity(Severity::Note)
        .confidence(0.8)
        .origin(Origin::ThisMic)
        .number("loss_2k_8k_db", loss, 1)
        .fact("reference_track", view.track(lav).index)
        .says(
            format!(
                "{} is off {}: {loss:.0} dB less between 2 and 8 kHz than usual in this take.",
                view.track(boom).label(),
                view.track(lav).label()
            ),
            "Use the body microphone for these words; this boom is no cover here.",
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stretch_well_below_the_usual_is_lost_and_a_turn_of_the_head_is_not() {
        let mut x = vec![-10.0; 400];
        x[200..280].fill(-22.0);
        x[20..40].fill(-22.0);
        let found = lost(&x, 50, 8.0);
        assert_eq!(found.len(), 1);
        assert!(
            found[0].0.abs_diff(200) < 3 && found[0].1.abs_diff(280) < 3,
            "{found:?}"
        );
        assert!(lost(&[], 50, 8.0).is_empty());
    }
}
