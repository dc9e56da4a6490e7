//! Who speaks when, from the frames of all microphones of a take.

use rayon::prelude::*;

use crate::measure::TrackMeasures;
use crate::measure::frames::{Grid, bands_within};
use crate::report::model::Role;
use crate::take::Take;
use crate::units::power_db;

/// A person with one or more body microphones.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Talker {
    /// Name from the track.
    pub name: String,
    /// Positions (0-based) of the talker's body microphones in [`Take::tracks`].
    pub tracks: Vec<usize>,
}

/// A stretch of one talker's speech, in frames, half-open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stretch {
    /// First frame.
    pub start: usize,
    /// One past the last frame.
    pub end: usize,
    /// Position in [`SpeechMap::talkers`]; `None` where it cannot be said.
    pub talker: Option<usize>,
}

/// Vocal effort of a stretch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Effort {
    /// Position in [`SpeechMap::talkers`].
    pub talker: usize,
    /// First frame.
    pub start: usize,
    /// One past the last frame.
    pub end: usize,
    /// `whisper`, `normal` or `shout`.
    pub effort: &'static str,
}

/// Speech of a take.
#[derive(Debug, Clone)]
pub struct SpeechMap {
    /// The grid of all masks.
    pub grid: Grid,
    /// Everybody with a body microphone, in track order.
    pub talkers: Vec<Talker>,
    /// Per frame: somebody speaks.
    pub any: Vec<bool>,
    /// Per talker and frame: that talker speaks.
    pub by_talker: Vec<Vec<bool>>,
    /// Stretches in order of start; a stretch where two speak at once stands once for each.
    pub stretches: Vec<Stretch>,
    /// Vocal effort per stretch.
    pub efforts: Vec<Effort>,
    solos: Solos,
}

/// Who speaks alone: asked of every frame for every two microphones and every talker, so it is looked up.
#[derive(Debug, Clone)]
struct Solos {
    /// Per frame.
    voices: Vec<Voices>,
    /// Frames in which one speaks alone, in order, per talker.
    frames: Vec<Vec<u32>>,
}

/// How many speak at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Voices {
    Nobody,
    /// Position of the talker.
    One(u16),
    Several,
}

impl Solos {
    fn of(by_talker: &[Vec<bool>]) -> Solos {
        let mut voices = vec![Voices::Nobody; by_talker.first().map_or(0, Vec::len)];
        for (talker, mask) in by_talker.iter().enumerate() {
            for (voices, _) in voices.iter_mut().zip(mask).filter(|(_, speaks)| **speaks) {
                *voices = match voices {
                    Voices::Nobody => Voices::One(talker as u16),
                    _ => Voices::Several,
                };
            }
        }
        let mut frames = vec![Vec::new(); by_talker.len()];
        for (frame, voices) in voices.iter().enumerate() {
            if let Voices::One(talker) = voices {
                frames[usize::from(*talker)].push(frame as u32);
            }
        }
        Solos { voices, frames }
    }
}

impl SpeechMap {
    /// Of nothing but masks, for tests.
    #[cfg(test)]
    pub(crate) fn of_masks(grid: Grid, by_talker: Vec<Vec<bool>>) -> SpeechMap {
        SpeechMap {
            grid,
            talkers: Vec::new(),
            any: vec![true; grid.frames],
            solos: Solos::of(&by_talker),
            by_talker,
            stretches: Vec::new(),
            efforts: Vec::new(),
        }
    }

    /// Who wears a track, as a position in [`SpeechMap::talkers`]; `None` for what is no body microphone.
    pub fn wearer(&self, track: usize) -> Option<usize> {
        self.talkers.iter().position(|t| t.tracks.contains(&track))
    }

    /// Whether the speech that a track is there for sounds in a frame: its wearer's for a body microphone, anybody's else.
    pub fn own(&self, track: usize, frame: usize) -> bool {
        match self.wearer(track) {
            Some(talker) => self.by_talker[talker].get(frame).copied().unwrap_or(false),
            None => self.any.get(frame).copied().unwrap_or(false),
        }
    }

    /// Whether any frame of the samples `[start, end)` holds speech that the track is there for.
    pub fn own_within(&self, track: usize, start: u64, end: u64) -> bool {
        self.grid.frames > 0
            && (self.grid.frame(start)..=self.grid.frame(end.saturating_sub(1).max(start)))
                .any(|f| self.own(track, f))
    }

    /// Vocal effort of a talker in a stretch: `whisper`, `normal` or `shout`; a tag, never a fault. `None` where the talker's
    /// microphone does not lead there or the stretch is shorter than 0.3 s.
    pub fn effort(&self, talker: usize, frames: std::ops::Range<usize>) -> Option<&'static str> {
        self.efforts
            .iter()
            .find(|e| e.talker == talker && e.start < frames.end && e.end > frames.start)
            .map(|e| e.effort)
    }

    /// Whether a talker and nobody else speaks in a frame; of `None`, whether nobody does.
    pub fn alone(&self, talker: Option<usize>, frame: usize) -> bool {
        // Without anybody who wears a microphone there is nobody to be heard.
        let voices = self.solos.voices.get(frame).copied();
        match (voices.unwrap_or(Voices::Nobody), talker) {
            (Voices::Nobody, None) => true,
            (Voices::One(speaks), Some(talker)) => usize::from(speaks) == talker,
            _ => false,
        }
    }

    /// Frames in which a talker and nobody else speaks, in order.
    pub fn alone_frames(&self, talker: usize) -> impl ExactSizeIterator<Item = usize> + '_ {
        self.solos.frames[talker].iter().map(|&f| f as usize)
    }

    /// Frames with the speech that a track is there for.
    pub fn own_frames(&self, track: usize) -> Vec<usize> {
        (0..self.grid.frames)
            .filter(|&f| self.own(track, f))
            .collect()
    }
}

/// Voice as `v`, level of a microphone in 200 Hz .. 4 kHz.
const VOICE_HZ: (f64, f64) = (200.0, 4000.0);
/// A frame is a candidate from this many dB over the background (detection practice: 9 dB for the take's voice activity).
const CANDIDATE_DB: f64 = 9.0;
/// Edges of a stretch follow the voice down to this many dB over the background.
const EDGE_DB: f64 = 5.0;
/// Harmonicity from which a frame counts as voiced.
pub(crate) const VOICED: f32 = 0.6;
/// Two talkers' level difference must move by at least this between "one speaks" and "the other speaks".
const MODES_APART_DB: f64 = 7.0;
/// What a microphone hears of somebody else, dB over its background, at most, where it is set so low, or its noise so high, that
/// it hears its wearer only.
const DEAF_DB: f64 = 6.0;
/// Share of the modes' distance by which a talker may lie below the middle and still count as speaking (both at once).
const BOTH_SHARE: f64 = 0.2;
/// Between a shout and a whisper of one person (25 dB) with a margin; what is fainter on the own microphone is something else.
const RANGE_DB: f64 = 28.0;
/// 1-5 kHz against 50 Hz-1 kHz on a body microphone: normal voices lie near -15 dB, raised ones 6 to 12 dB above.
const SHOUT_SLOPE_DB: f64 = -5.0;
/// Frames added at both ends: consonants start and end below the edge.
const PAD: usize = 3;
/// Frames this far below a microphone's loud speech teach nothing about who leads.
const NEAR_DB: f64 = 15.0;
/// Frames to each side over which levels are averaged before they are compared.
const SMOOTH: usize = 12;

/// What one microphone hears, per frame; levels in single precision, for there is one of these for every microphone.
struct Ear {
    level: Vec<f32>,
    /// `level` over half a second (rooms blur what is shorter), for comparing microphones.
    smooth: Vec<f32>,
    over: Vec<f32>,
    voiced: Vec<bool>,
    /// 95th percentile of `over`: a microphone that is alive in a spoken take has a high one.
    reach: f64,
    /// 95th percentile of `level`.
    loud: f64,
}

impl Ear {
    fn level(&self, frame: usize) -> f64 {
        f64::from(self.level[frame])
    }

    fn smooth(&self, frame: usize) -> f64 {
        f64::from(self.smooth[frame])
    }

    fn over(&self, frame: usize) -> f64 {
        f64::from(self.over[frame])
    }
}

/// The same in double precision.
pub(crate) fn wide(levels: &[f32]) -> Vec<f64> {
    levels.iter().map(|&l| f64::from(l)).collect()
}

fn ear(measures: &TrackMeasures) -> Ear {
    let voice = bands_within(VOICE_HZ.0, VOICE_HZ.1);
    let frames = &measures.frames;
    let count = frames.grid.frames;
    let level: Vec<f64> = (0..count)
        .map(|f| power_db(frames.band_power(f, voice.clone())).max(QUIET_DB))
        .collect();
    let floor = measures.floor.levels(voice);
    // Talk without a pause lifts the opened background; the quietest tenth of the take holds it down.
    let quiet = percentile(level.clone(), 0.1) + 12.0;
    let over: Vec<f32> = (0..count)
        .map(|f| (level[f] - floor[measures.floor.step(f)].max(QUIET_DB).min(quiet)) as f32)
        .collect();
    let voiced = (0..count)
        .map(|f| frames.harmonicity(f) > VOICED && f64::from(over[f]) > EDGE_DB)
        .collect();
    let powers: Vec<f64> = level.iter().map(|&l| crate::units::power(l)).collect();
    let smooth = (0..count)
        .map(|f| {
            let part = &powers[f.saturating_sub(SMOOTH)..(f + SMOOTH + 1).min(count)];
            power_db(part.iter().sum::<f64>() / part.len() as f64) as f32
        })
        .collect();
    drop(powers);
    Ear {
        level: level.iter().map(|&l| l as f32).collect(),
        smooth,
        reach: percentile(wide(&over), 0.95),
        over,
        voiced,
        loud: percentile(level, 0.95),
    }
}

/// Below any recorder's noise; stands for digital silence.
const QUIET_DB: f64 = -150.0;

fn percentile(mut x: Vec<f64>, share: f64) -> f64 {
    if x.is_empty() {
        return QUIET_DB;
    }
    let rank = ((x.len() as f64 * share) as usize).min(x.len() - 1);
    *x.select_nth_unstable_by(rank, f64::total_cmp).1
}

/// Middle between the two modes of a level difference, and how far they lie apart.
fn two_modes(x: &[f64]) -> Option<(f64, f64)> {
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    if n < 30 {
        return None;
    }
    let mut sums = vec![0.0; n + 1];
    for (i, v) in sorted.iter().enumerate() {
        sums[i + 1] = sums[i] + v;
    }
    let least = 12.max(n / 50);
    // The split with the largest variance between its parts.
    let best = (least..n.saturating_sub(least)).max_by(|&a, &b| {
        let spread = |k: usize| {
            let (low, high) = (sums[k] / k as f64, (sums[n] - sums[k]) / (n - k) as f64);
            k as f64 * (n - k) as f64 * (high - low).powi(2)
        };
        spread(a).total_cmp(&spread(b))
    })?;
    let (low, high) = (sorted[best / 2], sorted[best + (n - best) / 2]);
    Some(((low + high) / 2.0, high - low))
}

/// By how much talker microphone `a` leads `b` in a frame: positive where a's wearer is the one who speaks.
struct Lead {
    middle: f64,
    /// Distance of the modes in dB; 0 where only one could be seen.
    apart: f64,
}

impl Lead {
    fn of(a: &Ear, b: &Ear) -> Lead {
        let frames: Vec<usize> = (0..a.level.len())
            .filter(|&f| a.over(f).max(b.over(f)) > 12.0 && (a.voiced[f] || b.voiced[f]))
            // What both hear from afar (a tune, the street) must not be taken for a mode of its own.
            .filter(|&f| a.level(f) > a.loud - NEAR_DB || b.level(f) > b.loud - NEAR_DB)
            .collect();
        let both: Vec<f64> = frames
            .iter()
            .filter(|&&f| a.over(f).min(b.over(f)) > 3.0)
            .map(|&f| a.smooth(f) - b.smooth(f))
            .collect();
        if let Some((middle, apart)) = two_modes(&both).filter(|m| m.1 >= MODES_APART_DB) {
            return Lead { middle, apart };
        }
        if let Some(lead) = Lead::one_sided(a, b, &frames) {
            return lead;
        }
        // Only one of the two speaks, or neither: the better signal-to-noise tells which, and the louder microphone where that
        // is noisy because its gain is high.
        let mut differences: Vec<f64> = frames.iter().map(|&f| a.smooth(f) - b.smooth(f)).collect();
        let mut better: Vec<f64> = frames.iter().map(|&f| a.over(f) - b.over(f)).collect();
        differences.sort_by(f64::total_cmp);
        better.sort_by(f64::total_cmp);
        let mid = |x: &[f64]| x.get(x.len() / 2).copied().unwrap_or(0.0);
        let nearer = mid(&better) + mid(&differences) / 2.0;
        let shift = if nearer > 3.0 {
            -8.0
        } else if nearer < -3.0 {
            8.0
        } else {
            0.0
        };
        Lead {
            middle: mid(&differences) + shift,
            apart: 0.0,
        }
    }

    /// Two modes of which one lies below the noise of a microphone that hears its wearer only.
    fn one_sided(a: &Ear, b: &Ear, frames: &[usize]) -> Option<Lead> {
        let all: Vec<f64> = frames.iter().map(|&f| a.smooth(f) - b.smooth(f)).collect();
        let (middle, apart) = two_modes(&all).filter(|m| m.1 >= 2.0 * MODES_APART_DB)?;
        let (mine, others): (Vec<usize>, Vec<usize>) = frames
            .iter()
            .partition(|&&f| a.smooth(f) - b.smooth(f) > middle);
        let hears = |ear: &Ear, part: &[usize]| {
            let over: Vec<f64> = part.iter().map(|&f| ear.over(f)).collect();
            (percentile(over.clone(), 0.3), percentile(over, 0.7))
        };
        let deaf_to = |ear: &Ear, own: &[usize], other: &[usize]| {
            hears(ear, own).0 > CANDIDATE_DB && hears(ear, other).1 < DEAF_DB
        };
        (deaf_to(a, &mine, &others) || deaf_to(b, &others, &mine)).then_some(Lead { middle, apart })
    }

    fn at(&self, a: &Ear, b: &Ear, frame: usize) -> f64 {
        // Where the other hears nothing at all there is nothing to compare.
        if b.over(frame) < 3.0 && a.over(frame) > CANDIDATE_DB {
            return 20.0;
        }
        if a.over(frame) < 3.0 && b.over(frame) > CANDIDATE_DB {
            return -20.0;
        }
        a.smooth(frame) - b.smooth(frame) - self.middle
    }

    fn leads(&self, a: &Ear, b: &Ear, frame: usize) -> bool {
        self.at(a, b, frame) > -BOTH_SHARE * self.apart.max(2.0 * MODES_APART_DB)
    }
}

/// Everybody with a body microphone, in track order.
fn talkers_of(take: &Take) -> Vec<Talker> {
    let mut talkers: Vec<Talker> = Vec::new();
    for (i, track) in take
        .tracks
        .iter()
        .enumerate()
        .filter(|(_, t)| t.role == Role::Lav)
    {
        let name = track.talker.clone().unwrap_or_else(|| track.label());
        match talkers.iter_mut().find(|t| t.name == name) {
            Some(talker) => talker.tracks.push(i),
            None => talkers.push(Talker {
                name,
                tracks: vec![i],
            }),
        }
    }
    talkers
}

/// Positions of the tracks to listen to: microphones; without any, everything that is not timecode, tone or unused.
fn listened(take: &Take) -> Vec<usize> {
    let all = || 0..take.tracks.len();
    let microphones: Vec<usize> = all().filter(|&i| take.tracks[i].is_microphone()).collect();
    if !microphones.is_empty() {
        return microphones;
    }
    let unknown: Vec<usize> = all()
        .filter(|&i| take.tracks[i].role == Role::Unknown)
        .collect();
    if unknown.is_empty() {
        all()
            .filter(|&i| take.tracks[i].role == Role::Mix)
            .collect()
    } else {
        unknown
    }
}

/// Find the speech of a take. `tracks` in the order of `take.tracks`.
pub fn speech_map(take: &Take, tracks: &[TrackMeasures]) -> SpeechMap {
    let grid = tracks.first().map_or(
        Grid {
            rate: take.rate.max(1),
            hop: 1,
            frames: 0,
            samples: 0,
        },
        |t| t.frames.grid,
    );
    let talkers = talkers_of(take);
    let positions = listened(take);
    let ears: Vec<Option<Ear>> = (0..take.tracks.len())
        .into_par_iter()
        .map(|i| positions.contains(&i).then(|| ear(&tracks[i])))
        .collect();
    // One live body microphone per talker, the one that hears best.
    let leads: Vec<Option<usize>> = talkers
        .iter()
        .map(|t| {
            t.tracks
                .iter()
                .copied()
                .filter(|&i| ears[i].as_ref().is_some_and(|e| e.reach > CANDIDATE_DB))
                .max_by(|&a, &b| reach(&ears, a).total_cmp(&reach(&ears, b)))
        })
        .collect();
    let mut by_talker = vec![vec![false; grid.frames]; talkers.len()];
    for (talker, lead) in leads.iter().enumerate() {
        let Some(own) = lead.and_then(|i| ears[i].as_ref()) else {
            continue;
        };
        let others: Vec<(&Ear, Lead)> = leads
            .iter()
            .enumerate()
            .filter(|(k, _)| *k != talker)
            .filter_map(|(_, i)| i.and_then(|i| ears[i].as_ref()))
            .map(|e| (e, Lead::of(own, e)))
            .chain(
                // Boom and plant hear everybody: where the wearer is silent, the body microphone falls back behind them.
                positions
                    .iter()
                    .filter(|&&p| take.tracks[p].role != Role::Lav)
                    .filter_map(|&p| ears[p].as_ref())
                    .map(|e| (e, Lead::of(own, e)))
                    .filter(|(_, lead)| lead.apart > 0.0),
            )
            .collect();
        let mask: Vec<bool> = (0..grid.frames)
            .map(|f| own.over(f) > EDGE_DB && others.iter().all(|(e, l)| l.leads(own, e, f)))
            .collect();
        let witnesses: Vec<&Ear> = positions
            .iter()
            .filter(|p| !talkers[talker].tracks.contains(p))
            .filter_map(|&p| ears[p].as_ref())
            .filter(|e| e.reach > 6.0)
            .collect();
        let found: Vec<(usize, usize)> = joined(&mask, grid.frames_in(0.25))
            .into_iter()
            .filter(|&(start, end)| is_speech(own, &witnesses, start, end, grid))
            .collect();
        let loud = |&(start, end): &(usize, usize)| percentile(wide(&own.level[start..end]), 0.9);
        let loudest = found.iter().map(loud).fold(QUIET_DB, f64::max);
        for (start, end) in found
            .into_iter()
            .filter(|range| loud(range) > loudest - RANGE_DB)
        {
            let padded = start.saturating_sub(PAD)..(end + PAD).min(grid.frames);
            by_talker[talker][padded].fill(true);
        }
    }
    // Voices that no body microphone leads: nobody wears one, or it is dead.
    let mut any: Vec<bool> = (0..grid.frames)
        .map(|f| by_talker.iter().any(|m| m[f]))
        .collect();
    let mut rest = vec![false; grid.frames];
    for &p in &positions {
        let Some(ear) = &ears[p] else { continue };
        let body = take.tracks[p].role == Role::Lav;
        let mask: Vec<bool> = (0..grid.frames)
            .map(|f| ear.over(f) > EDGE_DB && !any[f])
            .collect();
        for (start, end) in joined(&mask, grid.frames_in(0.25)) {
            let voiced = (start..end).filter(|&f| ear.voiced[f]).count();
            if !body
                && voiced >= grid.frames_in(0.12)
                && voiced * 4 >= end - start
                && strongest(ear, start, end) > 15.0
            {
                rest[start..end].fill(true);
            }
        }
    }
    for (a, b) in any.iter_mut().zip(&rest) {
        *a |= b;
    }
    any = bridged(&any, grid);
    // With one talker whose body microphone is dead, what nobody leads is most likely that talker.
    let silent: Vec<usize> = (0..talkers.len()).filter(|&t| leads[t].is_none()).collect();
    if let &[talker] = silent.as_slice() {
        for (own, other) in by_talker[talker].iter_mut().zip(&rest) {
            *own |= other;
        }
        rest.fill(false);
    }
    let mut stretches = Vec::new();
    for (talker, mask) in by_talker.iter_mut().enumerate() {
        *mask = bridged(mask, grid);
        stretches.extend(runs(mask).into_iter().map(|(start, end)| Stretch {
            start,
            end,
            talker: Some(talker),
        }));
    }
    rest = bridged(&rest, grid);
    stretches.extend(runs(&rest).into_iter().map(|(start, end)| Stretch {
        start,
        end,
        talker: None,
    }));
    stretches.sort_by_key(|s| (s.start, s.talker));
    let efforts = stretches
        .iter()
        .filter_map(|s| {
            let talker = s.talker?;
            let position = leads[talker]?;
            Some(Effort {
                talker,
                start: s.start,
                end: s.end,
                effort: effort(
                    &tracks[position],
                    ears[position].as_ref()?,
                    s.start,
                    s.end,
                    grid,
                )?,
            })
        })
        .collect();
    SpeechMap {
        efforts,
        grid,
        talkers,
        any,
        solos: Solos::of(&by_talker),
        by_talker,
        stretches,
    }
}

/// Effort by voicing and by the slope of the spectrum: a raised voice puts its energy to 1-5 kHz (long-term average spectra of
/// loud speech: +10 dB and more against the band below 1 kHz), a whisper has no pitch.
fn effort(
    measures: &TrackMeasures,
    ear: &Ear,
    start: usize,
    end: usize,
    grid: Grid,
) -> Option<&'static str> {
    let active: Vec<usize> = (start..end).filter(|&f| ear.over(f) > 10.0).collect();
    if active.len() < grid.frames_in(0.3) {
        return None;
    }
    let voiced = active
        .iter()
        .filter(|&&f| measures.frames.harmonicity(f) > VOICED)
        .count();
    if active.len() >= grid.frames_in(0.8) && (voiced as f64) < 0.12 * active.len() as f64 {
        return Some("whisper");
    }
    let sum = |low: f64, high: f64| -> f64 {
        let bands = bands_within(low, high);
        active
            .iter()
            .map(|&f| {
                (measures.frames.band_power(f, bands.clone())
                    - measures.floor.band_power(f, bands.clone()))
                .max(0.0)
            })
            .sum()
    };
    let slope = power_db(sum(1000.0, 5000.0)) - power_db(sum(50.0, 1000.0));
    Some(if slope > SHOUT_SLOPE_DB {
        "shout"
    } else {
        "normal"
    })
}

fn reach(ears: &[Option<Ear>], position: usize) -> f64 {
    ears[position].as_ref().map_or(QUIET_DB, |e| e.reach)
}

fn strongest(ear: &Ear, start: usize, end: usize) -> f64 {
    percentile(wide(&ear.over[start..end]), 0.9)
}

/// Whether what a body microphone leads in a stretch is its wearer's voice: voiced somewhere, or (whisper) heard by another
/// microphone with the same rises and falls.
fn is_speech(own: &Ear, witnesses: &[&Ear], start: usize, end: usize, grid: Grid) -> bool {
    if end - start < grid.frames_in(0.12) || strongest(own, start, end) < CANDIDATE_DB {
        return false;
    }
    let voiced = (start..end).filter(|&f| own.voiced[f]).count();
    if voiced >= grid.frames_in(0.08) && voiced * 8 >= end - start {
        return true;
    }
    end - start >= grid.frames_in(0.3)
        && witnesses.iter().any(|w| {
            strongest(w, start, end) > 4.0
                && correlation(&wide(&own.over[start..end]), &wide(&w.over[start..end])) > 0.5
        })
}

/// Pearson's correlation of two level curves; 0 where one does not move.
pub(crate) fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len()) as f64;
    if n < 3.0 {
        return 0.0;
    }
    let mean = |x: &[f64]| x.iter().sum::<f64>() / n;
    let (ma, mb) = (mean(a), mean(b));
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        ab += (x - ma) * (y - mb);
        aa += (x - ma).powi(2);
        bb += (y - mb).powi(2);
    }
    if aa * bb <= 0.0 {
        0.0
    } else {
        ab / (aa * bb).sqrt()
    }
}

/// Runs with gaps below `gap` joined.
pub(crate) fn joined(mask: &[bool], gap: usize) -> Vec<(usize, usize)> {
    let mut out: Vec<(usize, usize)> = Vec::new();
    for (start, end) in runs(mask) {
        match out.last_mut() {
            Some(last) if start - last.1 < gap => last.1 = end,
            _ => out.push((start, end)),
        }
    }
    out
}

/// Join gaps below 250 ms, drop what is shorter than 120 ms.
fn bridged(mask: &[bool], grid: Grid) -> Vec<bool> {
    let mut out = vec![false; mask.len()];
    for (start, end) in joined(mask, grid.frames_in(0.25))
        .into_iter()
        .filter(|(a, b)| b - a >= grid.frames_in(0.12))
    {
        out[start..end].fill(true);
    }
    out
}

/// Runs of `true` as half-open ranges.
pub fn runs(mask: &[bool]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut start = None;
    for (i, &on) in mask.iter().chain(std::iter::once(&false)).enumerate() {
        match (on, start) {
            (true, None) => start = Some(i),
            (false, Some(first)) => {
                found.push((first, i));
                start = None;
            }
            _ => {}
        }
    }
    found
}
