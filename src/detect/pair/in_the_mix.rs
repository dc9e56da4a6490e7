//! What the faders of a mix say of its microphones: who speaks while they are up, which go in upside down, whose words are
//! not there. Shared by `open_mic`, `polarity_inverted` and `level_low`.

use crate::compare::Mix;
use crate::compare::faders::HZ;
use crate::compare::pairs::{PairMeasures, Segment};
use crate::compare::speech::joined;
use crate::detect::TakeView;
use crate::report::model::Role;
use crate::units::samples;

use super::open_mic::MIN_EXPLAINED;

/// A fader this far below the highest one of the take is down: resting faders stay above, dB.
const DOWN_DB: f64 = 20.0;
/// A fader this far below the highest one never let its microphone into the mix, dB.
const OUT_DB: f64 = 30.0;
/// A fader within this of the highest one is up, dB.
const UP_DB: f64 = 12.0;
/// Words that are missing from a mix, s: a first syllable under a late hand is none.
const LEAST_WORDS_S: f64 = 2.0;
/// Pauses within words, s.
const PAUSE_S: f64 = 1.0;
/// Share of the steps over somebody's words in which the fader has to be down.
const MOST_STEPS: f64 = 0.9;
/// Later by this at another microphone: a hand's breadth, s.
const LEAST_LATER_S: f64 = 0.0003;
/// Share of the mix's energy from which a source says with which sign it goes in.
const LEAST_SHARE: f32 = 0.1;
/// Steps in which it has to say so: a second.
const LEAST_STEPS: usize = HZ as usize;

/// Whether a mix is enough of a sum of its microphones to tell anything of their faders.
pub(super) fn adds_up(view: &TakeView<'_>, mix: &Mix) -> bool {
    let least = view.settings.get(&MIN_EXPLAINED);
    mix.explained().is_some_and(|e| e >= least)
}

/// Steps of a mix in which a track's wearer speaks.
pub(super) fn own_steps(view: &TakeView<'_>, track: usize, steps: usize) -> Vec<bool> {
    let grid = view.grid;
    (0..steps)
        .map(|s| {
            let at = s as f64 / f64::from(HZ);
            let (a, b) = ((at - 0.05).max(0.0), at + 0.05);
            grid.frames > 0
                && view
                    .speech
                    .own_within(track, samples(a, grid.rate), samples(b, grid.rate))
        })
        .collect()
}

/// First sample of a step.
pub(in crate::detect) fn step_start(view: &TakeView<'_>, step: usize) -> u64 {
    let at = ((step as f64 - 0.5) / f64::from(HZ)).max(0.0);
    samples(at, view.grid.rate).min(view.grid.samples)
}

/// Which of the microphones (positions) go into a mix upside down and which do not; those that add too little for too short a
/// time, or now with one sign and now with the other, are in neither.
pub(super) fn signs(mix: &Mix, microphones: &[usize]) -> (Vec<usize>, Vec<usize>) {
    let (mut turned, mut straight) = (Vec::new(), Vec::new());
    for (source, &track) in mix.sources.iter().enumerate() {
        if !microphones.contains(&track) {
            continue;
        }
        let told: Vec<bool> = (mix.steps.iter().enumerate())
            .filter(|(step, _)| mix.gain_db(*step, source).is_some())
            .filter_map(|(_, step)| step.as_ref())
            .filter(|step| step.sources[source].share > LEAST_SHARE)
            .map(|step| step.sources[source].gain < 0.0)
            .collect();
        let down = told.iter().filter(|&&t| t).count();
        if told.len() < LEAST_STEPS {
            continue;
        }
        if 20 * down >= 19 * told.len() {
            turned.push(track);
        } else if 20 * down <= told.len() {
            straight.push(track);
        }
    }
    (turned, straight)
}

/// Words that are in no mix of the take.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::detect) struct LeftOut {
    /// Position of the body microphone of who says them.
    pub(in crate::detect) track: usize,
    /// First sample and the one past the last.
    pub(in crate::detect) range: (u64, u64),
    /// Seconds of words in it.
    pub(in crate::detect) words_s: f64,
    /// A boom or plant carries them: only the body microphone is not in the mix.
    pub(in crate::detect) boom: bool,
}

/// Words that no fader lets into a mix, line by line; and body microphones whose faders stay down over all their wearer's
/// words while those of others come up, where a boom carries the words. Nothing where a mix is no sum of its microphones.
pub(in crate::detect) fn left_out(view: &TakeView<'_>) -> Vec<LeftOut> {
    let mixes: Option<Vec<(&Mix, f64)>> = (view.mixes.iter())
        .map(|mix| Some((mix, mix.top_db().filter(|_| adds_up(view, mix))?)))
        .collect();
    let Some(mixes) = mixes.filter(|m| !m.is_empty()) else {
        return Vec::new();
    };
    let steps = mixes.iter().map(|(m, _)| m.steps.len()).max().unwrap_or(0);
    // Surely down in every mix, against the highest fader of each.
    let down = |track: usize, step: usize, by: f64| {
        mixes.iter().all(|(mix, top)| {
            mix.source(track)
                .is_none_or(|s| mix.at_most_db(step, s).is_none_or(|g| g < top - by))
        })
    };
    let told = |step: usize| {
        mixes
            .iter()
            .any(|(mix, _)| mix.steps.get(step).is_some_and(Option::is_some))
    };
    let in_use = |track: usize| {
        let up = |step: &usize| {
            mixes.iter().any(|(mix, top)| {
                let gain = mix.source(track).and_then(|s| mix.gain_db(*step, s));
                gain.is_some_and(|g| g > top - UP_DB)
            })
        };
        (0..steps).filter(up).count() >= LEAST_STEPS
    };
    let airborne: Vec<usize> = (view.microphones().into_iter())
        .filter(|&t| view.track(t).role != Role::Lav)
        .collect();
    let lavs = view.with_role(Role::Lav);
    let mut found = Vec::new();
    for packs in view.speech.talkers.iter().map(|t| &t.tracks) {
        let Some(&track) = packs.first() else {
            continue;
        };
        let own = own_steps(view, track, steps);
        let most = |from: usize, to: usize, of: &dyn Fn(usize) -> bool| {
            let words: Vec<usize> = (from..to).filter(|&s| own[s] && told(s)).collect();
            let yes = words.iter().filter(|&&s| of(s)).count() as f64;
            (words.len() as f64 >= LEAST_WORDS_S * f64::from(HZ)
                && yes >= MOST_STEPS * words.len() as f64)
                .then(|| words.len() as f64 / f64::from(HZ))
        };
        // All packs of one talker: one of them in the mix is enough.
        let nothing = |s: usize| packs.iter().chain(&airborne).all(|&t| down(t, s, DOWN_DB));
        let before = found.len();
        for (from, to) in lines(&own) {
            let range = (step_start(view, from), step_start(view, to));
            if let Some(words_s) = most(from, to, &nothing)
                && said_here_s(view, track, range) >= 0.5 * words_s
            {
                found.push(LeftOut {
                    track,
                    range,
                    words_s,
                    boom: false,
                });
            }
        }
        let out = |s: usize| packs.iter().all(|&t| down(t, s, OUT_DB));
        let others = lavs.iter().any(|l| !packs.contains(l) && in_use(*l));
        if found.len() == before
            && others
            && !packs.iter().any(|&t| in_use(t))
            && let Some(words_s) = most(0, steps, &out)
            && said_here_s(view, track, (0, view.grid.samples)) >= 0.5 * words_s
        {
            found.push(LeftOut {
                track,
                range: (0, view.grid.samples),
                words_s,
                boom: true,
            });
        }
    }
    found
}

/// Seconds within a range in which another microphone hears a track's wearer later than the track itself: what a body
/// microphone only overhears, a neighbour or a radio, comes the other way round or not at all.
fn said_here_s(view: &TakeView<'_>, track: usize, range: (u64, u64)) -> f64 {
    let wearer = view.speech.wearer(track);
    let at = |seconds: f64| samples(seconds, view.grid.rate);
    let of_pair = |pair: &PairMeasures| -> f64 {
        let sign = match (pair.a == track, pair.b == track) {
            (true, _) => 1.0,
            (_, true) => -1.0,
            _ => return 0.0,
        };
        if view.speech.wearer(pair.a) == view.speech.wearer(pair.b) {
            return 0.0;
        }
        let inside =
            |s: &&Segment| s.talker == wearer && at(s.start_s) < range.1 && at(s.end_s) > range.0;
        let later = |s: &&Segment| s.delay_s.is_some_and(|d| sign * d > LEAST_LATER_S);
        let words = pair.segments.iter().filter(inside).filter(later);
        words.map(|s| s.end_s - s.start_s).sum()
    };
    view.pairs.iter().map(of_pair).fold(0.0, f64::max)
}

/// Stretches of words, pauses bridged.
fn lines(own: &[bool]) -> Vec<(usize, usize)> {
    joined(own, (PAUSE_S * f64::from(HZ)) as usize + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_belong_to_a_line_and_silences_part_two() {
        let mut own = vec![false; 60];
        own[5..10].fill(true);
        own[18..25].fill(true);
        own[40..45].fill(true);
        assert_eq!(lines(&own), [(5, 25), (40, 45)]);
        assert!(lines(&[]).is_empty());
    }
}
