//! A body microphone fully up in the mix while its talker is silent.
//!
//! *Fault.* A fader left up: the microphone adds its noise, its rustle and a second, later copy of everybody else's voice.
//!
//! *Signature.* The fader recovered from the mix stays within 6 dB of its level in use long after its talker's last word.
//!
//! *Decision.* Gain within `max_below_use_db` of the gain in use for more than `min_s` seconds in which the wearer does not
//! speak. The gain in use is the high end of the gains around the wearer's own words, where no limiter pulls it down. The
//! fader must be one that is ridden (lower by more than that elsewhere), or be as high as the others and its microphone lead
//! over its own words.
//!
//! *Must not fire on.* Faders that rest 6 to 20 dB down between lines and booms left up: a style. Pauses below 3 s. Mixes that
//! cannot be explained as a sum of the isolated tracks. A wearer who whispers, whose words the speech map misses.
//!
//! *Known misses.* Microphones that are silent themselves; talkers who say next to nothing.
//!
//! *Source.* Fader recovery by least squares; house rule on style in the contract.

use super::duplicate_track::short;
use super::in_the_mix::{adds_up, own_steps, step_start};
use crate::compare::Mix;
use crate::compare::faders::HZ;
use crate::compare::pairs::quantile;
use crate::compare::speech::runs;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::frames::bands_within;
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::power;

/// How far below its level in use an open fader may be.
pub static MAX_BELOW: Param = Param {
    key: "open_mic.max_below_use_db",
    default: 6.0,
    unit: "dB",
    range: (1.0, 12.0),
    why: "faders resting 6 to 20 dB down are a style",
};
/// How long.
pub static MIN_LENGTH: Param = Param {
    key: "open_mic.min_s",
    default: 3.0,
    unit: "s",
    range: (1.0, 60.0),
    why: "shorter pauses are ridden through",
};
/// Explained share below which a mix says nothing.
pub static MIN_EXPLAINED: Param = Param {
    key: "open_mic.min_explained_share",
    default: 0.9,
    unit: "1",
    range: (0.5, 1.0),
    why: "limiters leave 0.93, low-cuts in the bus 0.97, missing sources less",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "open_mic",
    explain: Explain {
        means: "A body microphone is fully up in the mix while its wearer says nothing for seconds.",
        sounds_like: "More room and noise than the scene has, clothes of somebody who is not speaking, other voices a little hollow.",
        usual_cause: "A fader left up after a line, or opened for a line that did not come.",
        do_now: "Nothing on set: the isolated tracks are sound. The mix of this stretch can be made again from them.",
        measured_by: "Fader gains are recovered from the mix by least squares and set against who speaks.",
        not_to_confuse: "Faders resting 6 to 20 dB down, booms left up and pauses below 3 s are a way of working.",
    },
    params: &[&MAX_BELOW, &MIN_LENGTH, &MIN_EXPLAINED],
    run: Run::Take(run),
};

/// A fader that is further below the highest one even over its wearer's words rests throughout: it is not in use, dB.
const IN_USE_DB: f64 = 12.0;
/// Blips of speech shorter than this do not end a silence, s.
const BLIP_S: f64 = 0.55;
/// Steps in which the gain cannot be told do not close a fader for so long, s.
const UNKNOWN_S: f64 = 0.6;

/// Own words that show how high a fader is when in use, s. Who is hardly ever found to speak may be taken for somebody else: in a
/// room that rings the words of one who speaks up are louder on the microphone of one who whispers.
const LEAST_OWN_S: f64 = 1.5;

/// A stretch, in steps.
#[derive(Debug, Clone)]
struct Open {
    mix: usize,
    track: usize,
    start: usize,
    end: usize,
    below_db: f64,
    plain: bool,
}

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let mut found: Vec<(Vec<usize>, Open)> = Vec::new();
    for mix in view.mixes.iter().filter(|mix| adds_up(view, mix)) {
        for open in opened(view, mix) {
            let same = found.iter_mut().find(|(mixes, o)| {
                o.track == open.track
                    && !mixes.contains(&mix.track)
                    && o.start.abs_diff(open.start) < 10
                    && o.end.abs_diff(open.end) < 10
            });
            match same {
                Some((mixes, _)) => mixes.push(mix.track),
                None => found.push((vec![open.mix], open)),
            }
        }
    }
    found
        .into_iter()
        .map(|(mixes, open)| finding(view, &mixes, &open))
        .collect()
}

fn opened(view: &TakeView<'_>, mix: &Mix) -> Vec<Open> {
    let steps = mix.steps.len();
    let plain = mix.is_plain_sum();
    let lavs: Vec<(usize, usize)> = view
        .with_role(Role::Lav)
        .into_iter()
        .filter_map(|t| Some((t, mix.source(t)?)))
        .collect();
    let speaking: Vec<Vec<bool>> = lavs
        .iter()
        .map(|&(t, _)| own_steps(view, t, steps))
        .collect();
    let in_use: Vec<Option<f64>> = lavs
        .iter()
        .zip(&speaking)
        .map(|(&(_, s), own)| gain_in_use(mix, s, own))
        .collect();
    let below = view.settings.get(&MAX_BELOW);
    let top_db = mix.top_db();
    let mut found = Vec::new();
    for (i, &(track, source)) in lavs.iter().enumerate() {
        let Some(use_db) = in_use[i].filter(|u| top_db.is_some_and(|top| *u > top - IN_USE_DB))
        else {
            continue;
        };
        let own = &speaking[i];
        if !says_enough(own) {
            continue;
        }
        // What a limiter takes away while others speak: seen on their own microphones.
        let reduced = |step: usize| -> f64 {
            if plain {
                return 0.0;
            }
            (0..lavs.len())
                .filter(|&j| j != i && speaking[j][step])
                .filter_map(|j| Some(mix.gain_db(step, lavs[j].1)? - in_use[j]?))
                .fold(f64::NEG_INFINITY, f64::max)
                .clamp(-12.0, 0.0)
        };
        let gains: Vec<Option<f64>> = (0..steps)
            .map(|s| {
                let r = reduced(s);
                mix.gain_db(s, source)
                    .map(|g| if r > -12.0 { g - r } else { g })
            })
            .collect();
        let up: Vec<Option<bool>> = (0..steps)
            .map(|s| match gains[s] {
                Some(gain) => Some(gain > use_db - below),
                None => mix
                    .at_most_db(s, source)
                    .filter(|most| *most < use_db - below)
                    .map(|_| false),
            })
            .collect();
        let down = (0..steps)
            .filter(|&s| !own[s] && up[s] == Some(false))
            .count();
        let known = (0..steps).filter(|&s| !own[s] && up[s].is_some()).count();
        // Never seen lower: it rests, or it is left up.
        let rests = top_db.is_some_and(|top| use_db < top - below);
        if down * 20 <= known && (rests || !leads(mix, source, own)) {
            continue;
        }
        let open = held(&up, (UNKNOWN_S * f64::from(HZ)) as usize);
        let quiet = silences(own, (BLIP_S * f64::from(HZ)) as usize);
        let both: Vec<bool> = (0..steps).map(|s| open[s] && quiet[s]).collect();
        for (start, end) in runs(&both) {
            if (end - start) as f64 <= view.settings.get(&MIN_LENGTH) * f64::from(HZ) {
                continue;
            }
            if whispers(view, track, start, end) {
                continue;
            }
            let levels: Vec<f64> = (start..end).filter_map(|s| gains[s]).collect();
            found.push(Open {
                mix: mix.track,
                track,
                start,
                end,
                below_db: quantile(&levels, 0.5).map_or(0.0, |g| g - use_db),
                plain,
            });
        }
    }
    found
}

/// What stands out so far on a body microphone, dB over its background, and on none of the others more, while nobody is known to
/// speak, is its wearer's: so many seconds of it are a whisper. Steps and doors stand out on the others as well and last 0.1 s.
const OWN_SOUND_DB: f64 = 9.0;
const WHISPER_S: f64 = 0.4;
const WHISPER_HZ: (f64, f64) = (500.0, 8000.0);

/// Whether a wearer whispers between two steps in which nobody's voice was found.
fn whispers(view: &TakeView<'_>, track: usize, start: usize, end: usize) -> bool {
    let grid = view.grid;
    let band = bands_within(WHISPER_HZ.0, WHISPER_HZ.1);
    let over = |t: usize, frame: usize| {
        let m = &view.tracks[t];
        let background = m.floor.band_power(frame, band.clone());
        m.frames.band_power(frame, band.clone()) / background.max(f64::MIN_POSITIVE)
    };
    let others: Vec<usize> = view.microphones();
    let [first, last] = [start, end].map(|step| grid.frame(step_start(view, step)));
    let own = (first..last.min(grid.frames)).filter(|&frame| {
        let here = over(track, frame);
        view.speech.alone(None, frame)
            && here >= power(OWN_SOUND_DB)
            && others.iter().all(|&t| over(t, frame) <= here)
    });
    own.count() >= grid.frames_in(WHISPER_S)
}

/// The high end of the gains around a wearer's own words.
fn gain_in_use(mix: &Mix, source: usize, own: &[bool]) -> Option<f64> {
    let gains: Vec<f64> = (0..own.len())
        .filter(|&s| (s.saturating_sub(2)..(s + 3).min(own.len())).any(|t| own[t]))
        .filter_map(|s| mix.gain_db(s, source))
        .collect();
    (gains.len() >= 5).then(|| quantile(&gains, 0.9)).flatten()
}

/// Whether a wearer says enough to be told from the others, and for the fader to be seen in use.
fn says_enough(own: &[bool]) -> bool {
    own.iter().filter(|&&o| o).count() as f64 >= LEAST_OWN_S * f64::from(HZ)
}

/// Whether a microphone makes up most of the mix over its wearer's own words.
fn leads(mix: &Mix, source: usize, own: &[bool]) -> bool {
    let shares: Vec<f64> = (0..own.len())
        .filter(|&s| own[s])
        .filter_map(|s| mix.steps[s].as_ref())
        .map(|s| f64::from(s.sources[source].share))
        .collect();
    quantile(&shares, 0.5).is_some_and(|m| m > 0.7)
}

/// Up or not; what is unknown for no more than `bridge` steps between two steps that are up counts as up.
fn held(up: &[Option<bool>], bridge: usize) -> Vec<bool> {
    let mut out: Vec<bool> = up.iter().map(|u| u.unwrap_or(false)).collect();
    let mut last_up: Option<usize> = None;
    for s in 0..up.len() {
        match up[s] {
            Some(true) => {
                if let Some(last) = last_up.filter(|l| s - l - 1 <= bridge) {
                    out[last..s].fill(true);
                }
                last_up = Some(s);
            }
            Some(false) => last_up = None,
            None => {}
        }
    }
    out
}

/// Steps of silence; speech of no more than `blip` steps between two silences counts as silence.
fn silences(own: &[bool], blip: usize) -> Vec<bool> {
    let mut out: Vec<bool> = own.iter().map(|o| !o).collect();
    for (start, end) in runs(own) {
        if end - start <= blip && start > 0 && end < own.len() {
            out[start..end].fill(true);
        }
    }
    out
}

fn finding(view: &TakeView<'_>, mixes: &[usize], open: &Open) -> Finding {
    let step_s = 1.0 / f64::from(HZ);
    let at = |step: usize| step_start(view, step);
    let length = (open.end - open.start) as f64 * step_s;
    let label = short(&view.track(open.track).label());
    view.finding_on("open_mic", mixes, at(open.start), at(open.end))
        .severity(Severity::Caution)
        .confidence(if open.plain { 0.95 } else { 0.85 })
        .origin(Origin::Mix)
        .fact("microphones", vec![view.track(open.track).index])
        .number("length_s", length, 1)
        .number("gain_re_use_db", open.below_db, 1)
        .says(
            format!("{label} stayed up in the mix for {length:.1} s while its wearer was silent."),
            "The isolated tracks are sound: make the mix of this stretch again without this microphone.",
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Words of a second may be somebody else's, wherever they were found; from a second and a half on they tell.
    #[test]
    fn who_hardly_speaks_does_not_say_enough() {
        let second = HZ as usize;
        let spoken = |steps: usize| -> Vec<bool> {
            let mut own = vec![false; 30 * second];
            (0..steps).for_each(|s| own[7 * s % (30 * second)] = true);
            own
        };
        assert!(!says_enough(&spoken(second)));
        assert!(!says_enough(&spoken(3 * second / 2 - 1)));
        assert!(says_enough(&spoken((3 * second).div_ceil(2))));
        assert!(!says_enough(&[]));
    }

    #[test]
    fn unknown_steps_are_bridged_and_closed_ones_are_not() {
        let (y, n, q) = (Some(true), Some(false), None);
        assert_eq!(
            held(&[y, q, q, y, n, y, q, q, q, y], 2),
            [
                true, true, true, true, false, true, false, false, false, true
            ]
        );
    }

    #[test]
    fn a_blip_of_speech_does_not_end_a_silence() {
        let own = [true, false, true, false, false, true, true, true, false];
        assert_eq!(
            silences(&own, 2),
            [false, true, true, true, true, false, false, false, true]
        );
    }
}
