//! What a body microphone carries and no other microphone predicts, per frame: shared by `rustle` and `rf_hit`.
//!
//! The prediction in a third of an octave is the largest ratio between this microphone and another one that any talker's voice
//! shows (the wearer's own, nearest of all), times the other's level, background included: what the other could not hear
//! proves nothing. The lowest prediction of all witnesses counts.

use crate::detect::TakeView;
use crate::detect::hearing::{QUIET_DB, fit, percentile, rank};
use crate::dsp::compact::Power16;
use crate::dsp::rank::of_rank;
use crate::measure::frames::{BANDS, Frames, bands_within};
use crate::report::model::Role;
use crate::units::{power, power_db};

/// Percentile over frames of the ratio between two microphones: people move, so the higher ratios count.
const RATIO_SHARE: f64 = 0.75;
/// Percentile over bands of the excess.
const BAND_SHARE: f64 = 0.3;
/// Ratio where the wearer has not spoken, dB, to a boom or plant: a mouth's own microphone, levels set by ear. To another
/// body microphone, which hears the mouth from a metre and more instead of a hand's breadth; asked where there is no boom. The
/// gain of somebody who only whispers may be higher by any amount, which third talkers tell: it comes on top.
const UNKNOWN_RATIO_DB: f64 = 12.0;
const UNKNOWN_WORN_DB: f64 = 24.0;
/// Bands in which a ratio has to be known, and from how many on it is as good a guess in the others as any.
const LEAST_BANDS: usize = 6;
const FEW_BANDS: usize = 2;
/// Bands from which all this is judged, Hz.
const BAND_HZ: (f64, f64) = (1000.0, 10_000.0);
/// Bands in which a single tone is looked for, Hz: below lie the harmonics of voices one by one, above hissed consonants, which
/// mouths send out in beams.
const TONE_HZ: (f64, f64) = (790.0, 7200.0);
/// All that is read, Hz.
const ALL_HZ: (f64, f64) = (790.0, 10_000.0);

/// What stands out in a frame.
#[derive(Debug, Clone, Copy)]
pub(in crate::detect) struct Over {
    /// 30th percentile over the thirds of an octave from 1 to 10 kHz of the level over the prediction, dB; [`QUIET_DB`] where
    /// nothing bears witness or nothing stands out.
    pub(in crate::detect) most_db: f64,
    /// Level over the prediction of the third of an octave from 800 Hz to 7 kHz that stands out most, dB.
    pub(in crate::detect) top_db: f32,
    /// By how much that one stands out more than all but its neighbours, dB.
    pub(in crate::detect) alone_db: f32,
    /// Which one: position in [`crate::measure::frames::Frames::bands`].
    pub(in crate::detect) top: u8,
}

impl Over {
    /// What is not worked out: most of the spectrum below [`LEAST_DB`], and no tone from [`LEAST_TONE_DB`].
    const NOTHING: Over = Over {
        most_db: QUIET_DB,
        top_db: 0.0,
        alone_db: 0.0,
        top: 0,
    };
}

/// What stands out by less is of no use to anybody, dB.
const LEAST_DB: f64 = 3.0;
const LEAST_TONE_DB: f64 = 10.0;

/// All frames of a track.
#[derive(Debug)]
pub(in crate::detect) struct Unheard {
    /// Frames in which anything stands out, in order: few.
    out: Vec<(u32, Over)>,
    /// Positions of the microphones that bear witness.
    pub(in crate::detect) heard_by: Vec<usize>,
}

impl Unheard {
    /// What stands out in a frame.
    pub(in crate::detect) fn at(&self, frame: usize) -> Over {
        let place = self.out.binary_search_by_key(&frame, |(f, _)| *f as usize);
        place.map_or(Over::NOTHING, |k| self.out[k].1)
    }
}

/// What stands out on a body microphone; `None` for other tracks and without another microphone that hears its wearer.
pub(super) fn of<'a>(view: &'a TakeView<'_>, track: usize) -> Option<&'a Unheard> {
    let known = &view.known.tracks[track].unheard;
    known.get_or_init(|| look(view, track)).as_ref()
}

/// A microphone that predicts another: where it can, and by which factors.
struct Witness<'a> {
    track: usize,
    frames: &'a Frames,
    fit: &'a [bool],
    ratio: Vec<f64>,
    /// The frame asked for last, and what was measured in it and in its neighbours.
    near: Option<(usize, [[Power16; BANDS]; 3])>,
}

impl Witness<'_> {
    /// Bands of a frame, in the middle, and of its neighbours.
    fn around(&mut self, frame: usize) -> &[[Power16; BANDS]; 3] {
        let row = |frame: usize| self.frames.codes(frame);
        let after = row((frame + 1).min(self.frames.grid.frames - 1));
        let rows = match self.near {
            // Nearly always the next one.
            Some((last, [_, before, here])) if last + 1 == frame => [before, here, after],
            _ => [row(frame.saturating_sub(1)), row(frame), after],
        };
        &self.near.insert((frame, rows)).1
    }

    /// Lower what a sound has at most in each of the bands from `first` on to what this microphone allows it in a frame.
    fn bound(&mut self, frame: usize, first: usize, most: &mut [f64]) {
        // Windows and travel time: the loudest of three frames.
        let [before, here, after] = *self.around(frame);
        let near = before.iter().zip(&here).zip(&after).skip(first);
        let near = near.zip(&self.ratio);
        for (most, (((before, here), after), ratio)) in most.iter_mut().zip(near) {
            *most = most.min(f64::from(*before.max(here).max(after)) * ratio);
        }
    }
}

fn look(view: &TakeView<'_>, track: usize) -> Option<Unheard> {
    if view.track(track).role != Role::Lav {
        return None;
    }
    let wearer = view.speech.wearer(track);
    let own_fit = fit(view, track);
    let all = bands_within(ALL_HZ.0, ALL_HZ.1);
    let judged = bands_within(BAND_HZ.0, BAND_HZ.1);
    let ratios: Vec<(usize, Ratio)> = (view.microphones().into_iter())
        .filter(|&m| m != track)
        .filter_map(|other| {
            // What either has lost meanwhile says nothing about how they stood.
            let theirs = fit(view, other).iter();
            let both: Vec<bool> = theirs.zip(own_fit).map(|(a, b)| *a && *b).collect();
            let ratio = largest_ratio_db(view, track, other, wearer, &both, judged.clone())?;
            Some((other, ratio))
        })
        .collect();
    let any_sure = ratios.iter().any(|(_, ratio)| ratio.sure);
    let witness = |(other, ratio): (usize, Ratio)| {
        // Beyond the bands that are judged the ratio of the nearest one is taken.
        let at = |band: usize| band.clamp(judged.start, judged.end - 1) - judged.start;
        Witness {
            track: other,
            frames: &view.tracks[other].frames,
            fit: fit(view, other),
            ratio: all.clone().map(|b| power(ratio.db[at(b)])).collect(),
            near: None,
        }
    };
    let mut witnesses: Vec<Witness<'_>> = (ratios.into_iter())
        .filter(|(_, ratio)| ratio.sure || !any_sure)
        .map(witness)
        .collect();
    if witnesses.is_empty() {
        return None;
    }
    let mine = &view.tracks[track];
    let inner = judged.start - all.start..judged.end - all.start;
    let tones = bands_within(TONE_HZ.0, TONE_HZ.1).len();
    // So many bands have to stand out for the percentile to.
    let enough = inner.len() - ((inner.len().max(1) - 1) as f64 * BAND_SHARE).round() as usize;
    let (least, tone) = (
        power(LEAST_DB) * (1.0 - 1e-9),
        power(LEAST_TONE_DB) * (1.0 - 1e-9),
    );
    let mut expected = vec![0.0; all.len()];
    // Of the step that the last frame was in.
    let mut floor = (usize::MAX, expected.clone());
    let out = (0..view.grid.frames)
        .filter_map(|f| {
            expected.fill(f64::INFINITY);
            for witness in witnesses.iter_mut().filter(|w| w.fit[f]) {
                witness.bound(f, all.start, &mut expected);
            }
            let step = mine.floor.step(f);
            if step != floor.0 {
                let powers = all.clone().map(|band| mine.floor.power(step, band));
                floor = (step, powers.collect());
            }
            let floors = expected.iter_mut().zip(&floor.1);
            floors.for_each(|(e, f)| *e += f);
            let here = mine.frames.codes(f);
            let level = |k: usize| f64::from(here[all.start + k]);
            // Nearly always nothing stands out, which takes no logarithm to see.
            let over = |k: usize, by: f64| level(k) > by * expected[k].max(1e-18);
            let most = inner.clone().filter(|&k| over(k, least)).count() >= enough;
            if !most && !(0..tones).any(|k| over(k, tone)) {
                return None;
            }
            let over: Vec<f64> = (0..all.len())
                .map(|k| {
                    if expected[k].is_finite() && level(k) > 0.0 {
                        power_db(level(k)) - power_db(expected[k].max(1e-18))
                    } else {
                        QUIET_DB
                    }
                })
                .collect();
            Some((f as u32, stands_out(&over, inner.clone(), tones, all.start)))
        })
        .collect();
    let heard_by = witnesses.iter().map(|w| w.track).collect();
    Some(Unheard { out, heard_by })
}

/// `over`: level over the prediction per band, the first of which is band `first`; `judged`: the positions in it from 1 to
/// 10 kHz; `tones`: how many of the lowest may hold a tone.
fn stands_out(over: &[f64], judged: std::ops::Range<usize>, tones: usize, first: usize) -> Over {
    let top = (0..tones)
        .max_by(|&p, &q| over[p].total_cmp(&over[q]))
        .unwrap_or(0);
    let rest = (0..over.len())
        .filter(|&k| k.abs_diff(top) > 1)
        .map(|k| over[k])
        .fold(f64::NEG_INFINITY, f64::max);
    Over {
        most_db: percentile(&over[judged], BAND_SHARE),
        top_db: over[top] as f32,
        alone_db: (over[top] - rest) as f32,
        top: (first + top) as u8,
    }
}

/// How much louder a sound can be on this microphone than on another, per band, dB.
struct Ratio {
    db: Vec<f64>,
    /// Whether the wearer was heard, or the other is no body microphone.
    sure: bool,
}

/// Largest ratio of this microphone over another over the talkers who speak alone; the wearer's own where it is known.
/// `None` where nobody has spoken alone.
fn largest_ratio_db(
    view: &TakeView<'_>,
    track: usize,
    other: usize,
    wearer: Option<usize>,
    both_fit: &[bool],
    bands: std::ops::Range<usize>,
) -> Option<Ratio> {
    let anywhere = vec![true; view.grid.frames];
    let ratios: Vec<Vec<Option<f64>>> = (0..view.speech.talkers.len())
        .map(|talker| {
            let of = |fit: &[bool]| ratios_db(view, [track, other], talker, fit, bands.clone());
            let found = of(both_fit);
            if found.iter().flatten().count() >= LEAST_BANDS {
                found
            } else {
                of(&anywhere)
            }
        })
        .collect();
    let known_of =
        |talker: usize| -> Vec<f64> { ratios[talker].iter().flatten().copied().collect() };
    let own: Vec<f64> = wearer.map_or(Vec::new(), known_of);
    let own_known = own.len() >= LEAST_BANDS;
    let worn = view.track(other).role == Role::Lav;
    let third = (0..ratios.len())
        .filter(|&talker| wearer != Some(talker) && view.speech.wearer(other) != Some(talker))
        .map(known_of)
        .filter(|known| known.len() >= LEAST_BANDS)
        .map(|known| percentile(&known, 0.5));
    // In the bands in which the wearer is not known, what the others say is too little: they stand further away.
    let else_db = if own.len() >= FEW_BANDS {
        percentile(&own, 0.5)
    } else {
        unknown_ratio_db(worn, third)
    };
    // A microphone on which nobody is known is measured by nothing: its gain may be anything.
    if ratios
        .iter()
        .all(|r| r.iter().flatten().count() < LEAST_BANDS)
    {
        return None;
    }
    let largest = |k: usize| {
        let known = ratios.iter().filter_map(|r| r[k]).reduce(f64::max);
        let own = wearer.and_then(|w| ratios[w][k]);
        match known {
            Some(known) if own.is_some() => known,
            Some(known) => known.max(else_db),
            None => else_db,
        }
    };
    Some(Ratio {
        db: (0..bands.len()).map(largest).collect(),
        sure: own_known || !worn,
    })
}

/// Ratio of a wearer's voice that nobody has heard, dB. `worn`: to another body microphone; `third`: the ratios that talkers show
/// who wear neither.
fn unknown_ratio_db(worn: bool, third: impl Iterator<Item = f64>) -> f64 {
    if worn {
        UNKNOWN_WORN_DB + third.fold(0.0, f64::max)
    } else {
        UNKNOWN_RATIO_DB
    }
}

/// Ratio per band while one talker speaks alone and both microphones hear it 10 dB over their background; `None` with less
/// than half a second of it.
fn ratios_db(
    view: &TakeView<'_>,
    pair: [usize; 2],
    talker: usize,
    both_fit: &[bool],
    bands: std::ops::Range<usize>,
) -> Vec<Option<f64>> {
    let [a, b] = pair.map(|t| &view.tracks[t]);
    let alone: Vec<usize> = (view.speech.alone_frames(talker))
        .filter(|&f| both_fit[f])
        .collect();
    let least = view.grid.frames_in(0.5);
    if alone.len() < least {
        return vec![None; bands.len()];
    }
    let mut found = vec![Vec::<f32>::new(); bands.len()];
    // Backgrounds of the step that the last frame was in.
    let mut floors = [a, b].map(|_| (usize::MAX, vec![0.0; bands.len()]));
    for &f in &alone {
        let rows = [a, b].map(|m| m.frames.codes(f));
        for (m, (known, floor)) in [a, b].iter().zip(&mut floors) {
            let step = m.floor.step(f);
            if step != *known {
                let powers = bands.clone().map(|band| m.floor.power(step, band));
                (*known, *floor) = (step, powers.collect());
            }
        }
        for (k, found) in found.iter_mut().enumerate() {
            // Power over the background where it is clear.
            let clear = |m: usize| {
                let (level, floor) = (f64::from(rows[m][bands.start + k]), floors[m].1[k]);
                (level > 10.0 * floor).then_some(level - floor)
            };
            let ratio = clear(0).zip(clear(1)).map(|(a, b)| (a / b) as f32);
            found.extend(ratio);
        }
    }
    let ranked =
        |found: &Vec<f32>| power_db(f64::from(of_rank(found, rank(found.len(), RATIO_SHARE))));
    found
        .iter()
        .map(|found| (found.len() >= least).then(|| ranked(found)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pack_turned_up_adds_its_gain_and_one_turned_down_takes_nothing() {
        let ratio = |worn, third: &[f64]| unknown_ratio_db(worn, third.iter().copied());
        assert_eq!(ratio(true, &[12.0, 18.0]), UNKNOWN_WORN_DB + 18.0);
        assert_eq!(ratio(true, &[-6.0]), UNKNOWN_WORN_DB);
        assert_eq!(ratio(true, &[]), UNKNOWN_WORN_DB);
        assert_eq!(ratio(false, &[18.0]), UNKNOWN_RATIO_DB, "levels set by ear");
    }

    #[test]
    fn a_tone_stands_alone_and_noise_does_not() {
        let mut over = vec![0.0; 16];
        over[6] = 20.0;
        over[7] = 9.0;
        let tone = stands_out(&over, 3..13, 12, 14);
        assert_eq!((tone.top, tone.top_db, tone.alone_db), (20, 20.0, 20.0));
        assert_eq!(tone.most_db, 0.0);
        let noise = stands_out(&[12.0; 16], 3..13, 12, 14);
        assert_eq!((noise.alone_db, noise.most_db), (0.0, 12.0));
    }
}
