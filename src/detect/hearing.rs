//! What several detectors ask of a track: which tracks to listen to, levels of band groups per frame, active levels.

use std::ops::Range;
use std::sync::OnceLock;

use crate::compare::speech::runs;
use crate::measure::TrackMeasures;
use crate::measure::frames::bands_within;
use crate::report::model::Role;
use crate::units::power_db;

use super::TakeView;
use super::pair::muffled;
use super::take::noise_change;
use super::track::{dead_track, impulses, link, rf_hit, rumble, unheard};

/// Stands for digital silence; below any recorder's noise, dBFS.
pub const QUIET_DB: f64 = -150.0;

/// Positions of the tracks to judge: the microphones; where a take has none, whatever else carries sound of the scene.
pub fn judged_tracks(view: &TakeView<'_>) -> Vec<usize> {
    let microphones = view.microphones();
    if !microphones.is_empty() {
        return microphones;
    }
    (0..view.take.tracks.len())
        .filter(|&i| matches!(view.take.tracks[i].role, Role::Mix | Role::Unknown))
        .collect()
}

/// Level of a range of frequencies per frame, dBFS; [`QUIET_DB`] for silence.
pub fn levels_db(measures: &TrackMeasures, low_hz: f64, high_hz: f64) -> Vec<f64> {
    levels_within(measures, low_hz, high_hz, 0..measures.frames.grid.frames)
}

/// The same of some frames.
pub fn levels_within(
    measures: &TrackMeasures,
    low_hz: f64,
    high_hz: f64,
    frames: Range<usize>,
) -> Vec<f64> {
    let bands = bands_within(low_hz, high_hz);
    frames
        .map(|f| power_db(measures.frames.band_power(f, bands.clone())).max(QUIET_DB))
        .collect()
}

/// Background of a range of frequencies per frame, dBFS; [`QUIET_DB`] for silence.
pub fn floor_db(measures: &TrackMeasures, low_hz: f64, high_hz: f64) -> Vec<f64> {
    let bands = bands_within(low_hz, high_hz);
    let steps = measures.floor.levels(bands);
    (0..measures.frames.grid.frames)
        .map(|f| steps[measures.floor.step(f)].max(QUIET_DB))
        .collect()
}

/// What several detectors ask of a take, worked out when it is asked for first.
#[derive(Debug, Default)]
pub struct Known {
    pub(super) tracks: Vec<OfTrack>,
    pub(super) tilts: OnceLock<Vec<Option<muffled::Tilts>>>,
    pub(super) impulses: OnceLock<impulses::Shared>,
    pub(super) pauses: OnceLock<Vec<bool>>,
}

#[derive(Debug, Default)]
pub(super) struct OfTrack {
    voice: OnceLock<Vec<f64>>,
    heard: OnceLock<Vec<bool>>,
    fit: OnceLock<Vec<bool>>,
    below_usual: OnceLock<BelowUsual>,
    pub(super) dead: OnceLock<Vec<dead_track::Dead>>,
    pub(super) hits: OnceLock<Vec<rf_hit::Hit>>,
    pub(super) lows: OnceLock<rumble::Lows>,
    pub(super) unheard: OnceLock<Option<unheard::Unheard>>,
    pub(super) lasting: OnceLock<Vec<link::Lasting>>,
    pub(super) background: OnceLock<noise_change::Background>,
}

impl Known {
    /// Nothing yet, of a take of that many tracks.
    pub fn new(tracks: usize) -> Known {
        Known {
            tracks: (0..tracks).map(|_| OfTrack::default()).collect(),
            ..Known::default()
        }
    }
}

/// Level of the voice band, 200 Hz to 4 kHz, per frame, dBFS; [`QUIET_DB`] for silence.
pub fn voice_db<'a>(view: &'a TakeView<'_>, track: usize) -> &'a [f64] {
    view.known.tracks[track]
        .voice
        .get_or_init(|| levels_db(&view.tracks[track], 200.0, 4000.0))
}

/// Frames in which somebody speaks and a track has the voice band 15 dB over its background.
pub fn hears_speech<'a>(view: &'a TakeView<'_>, track: usize) -> &'a [bool] {
    view.known.tracks[track].heard.get_or_init(|| {
        let floor = floor_db(&view.tracks[track], 200.0, 4000.0);
        voice_db(view, track)
            .iter()
            .zip(floor)
            .zip(&view.speech.any)
            .map(|((level, floor), any)| *any && *level > floor + 15.0)
            .collect()
    })
}

/// Value below which the given share of the values lies; [`QUIET_DB`] of nothing.
pub fn percentile(values: &[f64], share: f64) -> f64 {
    if values.is_empty() {
        return QUIET_DB;
    }
    // Whole numbers that order as the values do: quicker to part.
    let ordered = |bits: i64| bits ^ ((bits >> 63) & i64::MAX);
    let mut keys: Vec<i64> = (values.iter())
        .map(|value| ordered(value.to_bits() as i64))
        .collect();
    let (_, key, _) = keys.select_nth_unstable(rank(values.len(), share));
    f64::from_bits(ordered(*key) as u64)
}

/// The rank of [`percentile`] among so many values; 0 of none.
pub fn rank(count: usize, share: f64) -> usize {
    (count.saturating_sub(1) as f64 * share).round() as usize
}

/// Middle value; [`QUIET_DB`] of nothing.
pub fn median(values: &[f64]) -> f64 {
    percentile(values, 0.5)
}

/// Mean power over chosen frames in dB; [`QUIET_DB`] of nothing.
pub fn mean_level_db(levels_db: &[f64], frames: impl Iterator<Item = usize>) -> f64 {
    let (mut sum, mut count) = (0.0, 0usize);
    for frame in frames {
        sum += crate::units::power(levels_db[frame]);
        count += 1;
    }
    if count == 0 {
        QUIET_DB
    } else {
        power_db(sum / count as f64).max(QUIET_DB)
    }
}

/// Frames in which a microphone can bear witness for another: open (not digital silence, not muted, not dead) and not
/// muffled. A witness that has lost what it used to hear would make every word on its neighbour stand out.
pub fn fit<'a>(view: &'a TakeView<'_>, track: usize) -> &'a [bool] {
    view.known.tracks[track]
        .fit
        .get_or_init(|| look_fit(view, track))
}

fn look_fit(view: &TakeView<'_>, track: usize) -> Vec<bool> {
    let measures = &view.tracks[track];
    let frames = view.grid.frames;
    let mut fit = vec![true; frames];
    for (start, end) in dead_track::dead_frames(view, track) {
        fit[start..end].fill(false);
    }
    let muted = muted_steps(view, track);
    let shut: Vec<bool> = (0..frames)
        .map(|f| measures.frames.power[f] == 0.0 || muted[measures.floor.step(f)])
        .collect();
    let around = view.grid.frames_in(0.5);
    for (start, end) in runs(&shut) {
        fit[start.saturating_sub(around)..(end + around).min(frames)].fill(false);
    }
    // A gap of a link is too short to pull the background down with it.
    let level = levels_db(measures, 400.0, 10_000.0);
    let lowest = below_usual(view, track).lowest_db;
    for f in (0..frames).filter(|&f| level[f] < lowest - GAP_DB) {
        fit[f.saturating_sub(1)..(f + 2).min(frames)].fill(false);
    }
    if let Some(start) = muffled::from(view, track) {
        fit[start..].fill(false);
    }
    fit
}

/// The background of a track against its usual one, 400 Hz to 10 kHz.
#[derive(Debug)]
pub(super) struct BelowUsual {
    /// How far it lies below, per step of the floor, dB; negative above.
    db: Vec<f64>,
    /// Level below which a twentieth of the steps lies, dBFS.
    lowest_db: f64,
}

fn below_usual<'a>(view: &'a TakeView<'_>, track: usize) -> &'a BelowUsual {
    view.known.tracks[track].below_usual.get_or_init(|| {
        let floor = &view.tracks[track].floor;
        let levels = floor.levels(bands_within(400.0, 10_000.0));
        let mut alive = vec![true; levels.len()];
        for (start, end) in dead_track::dead_frames(view, track) {
            alive[floor.step(start)..floor.step(end)].fill(false);
        }
        let sounding: Vec<f64> = (levels.iter().zip(alive))
            .filter(|(level, alive)| *alive && **level > QUIET_DB + 10.0)
            .map(|(level, _)| *level)
            .collect();
        let usual = median(&sounding);
        BelowUsual {
            db: levels.iter().map(|l| usual - l.max(QUIET_DB)).collect(),
            lowest_db: percentile(&sounding, 0.05),
        }
    })
}

/// Steps of the floor in which a microphone is muted: its background falls, and that of most others does not. Where it does, a
/// machine of the place has stopped.
fn muted_steps(view: &TakeView<'_>, track: usize) -> Vec<bool> {
    let others: Vec<&[f64]> = (view.microphones().into_iter())
        .filter(|&m| m != track)
        .map(|m| &below_usual(view, m).db[..])
        .collect();
    let falls = |(step, &db): (usize, &f64)| {
        let along = |other: &&&[f64]| other[step] >= PLACE_SHARE * db;
        let shared = !others.is_empty() && 2 * others.iter().filter(along).count() >= others.len();
        db > MUTED_DB && !(shared && db < MOST_PLACE_DB)
    };
    let mine = &below_usual(view, track).db;
    mine.iter().enumerate().map(falls).collect()
}

/// What the other microphones have to lose when a machine of the place stops, as a share of what this one loses (their own hiss
/// holds some up), and the most that one loses, dB: beyond lies a mute.
const PLACE_SHARE: f64 = 0.5;
const MOST_PLACE_DB: f64 = 20.0;

/// A background this far below the usual one is a mute, dB.
const MUTED_DB: f64 = 4.0;

/// A frame this far below the lowest background is a gap, dB.
const GAP_DB: f64 = 6.0;

/// Names of tracks for a sentence: the first three, then a count.
pub fn names(view: &TakeView<'_>, positions: &[usize]) -> String {
    let mut labels: Vec<String> = positions
        .iter()
        .take(3)
        .map(|&p| view.track(p).label())
        .collect();
    if positions.len() > 3 {
        labels.push(format!("{} more", positions.len() - 3));
    }
    labels.join(", ")
}
