//! Who speaks when, from the frames of all microphones of a take.

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
}

impl SpeechMap {
    /// Whether the speech that a track is there for sounds in a frame: its wearer's for a body microphone, anybody's else.
    pub fn own(&self, track: usize, frame: usize) -> bool {
        match self.talkers.iter().position(|t| t.tracks.contains(&track)) {
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

    /// Frames with the speech that a track is there for.
    pub fn own_frames(&self, track: usize) -> Vec<usize> {
        (0..self.grid.frames)
            .filter(|&f| self.own(track, f))
            .collect()
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
    let voice = bands_within(200.0, 4000.0);
    let heard = |track: usize, frame: usize| -> (f64, bool) {
        let m = &tracks[track];
        let level = power_db(m.frames.band_power(frame, voice.clone()));
        let over = level - power_db(m.floor.band_power(frame, voice.clone()));
        let near = frame.saturating_sub(7)..(frame + 8).min(grid.frames);
        (
            level,
            over > 9.0 && near.clone().any(|f| m.frames.harmonicity[f] > 0.6),
        )
    };
    let microphones: Vec<usize> = take
        .tracks
        .iter()
        .enumerate()
        .filter(|(_, t)| t.is_microphone())
        .map(|(i, _)| i)
        .collect();
    let mut any = vec![false; grid.frames];
    let mut by_talker = vec![vec![false; grid.frames]; talkers.len()];
    let usual: Vec<f64> = talkers
        .iter()
        .map(|t| {
            let mut levels: Vec<f64> = (0..grid.frames).map(|f| heard(t.tracks[0], f).0).collect();
            levels.sort_by(f64::total_cmp);
            levels.get(levels.len() * 9 / 10).copied().unwrap_or(0.0)
        })
        .collect();
    for frame in 0..grid.frames {
        any[frame] = microphones.iter().any(|&m| heard(m, frame).1);
        if !any[frame] {
            continue;
        }
        let relative: Vec<f64> = talkers
            .iter()
            .zip(&usual)
            .map(|(t, u)| heard(t.tracks[0], frame).0 - u)
            .collect();
        let loudest = relative.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for (talker, level) in relative.iter().enumerate() {
            by_talker[talker][frame] = *level > loudest - 3.0;
        }
    }
    any = bridged(&any, grid);
    let mut stretches = Vec::new();
    for (talker, mask) in by_talker.iter_mut().enumerate() {
        *mask = bridged(mask, grid);
        stretches.extend(runs(mask).into_iter().map(|(start, end)| Stretch {
            start,
            end,
            talker: Some(talker),
        }));
    }
    if talkers.is_empty() {
        stretches.extend(runs(&any).into_iter().map(|(start, end)| Stretch {
            start,
            end,
            talker: None,
        }));
    }
    stretches.sort_by_key(|s| (s.start, s.talker));
    SpeechMap {
        grid,
        talkers,
        any,
        by_talker,
        stretches,
    }
}

/// Join gaps below 250 ms, drop what is shorter than 120 ms.
fn bridged(mask: &[bool], grid: Grid) -> Vec<bool> {
    let mut joined: Vec<(usize, usize)> = Vec::new();
    for (start, end) in runs(mask) {
        match joined.last_mut() {
            Some(last) if start - last.1 < grid.frames_in(0.25) => last.1 = end,
            _ => joined.push((start, end)),
        }
    }
    let mut out = vec![false; mask.len()];
    for (start, end) in joined
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
