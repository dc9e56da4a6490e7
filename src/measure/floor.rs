//! The background of a track over time: morphological opening of the band levels.
//!
//! An opening (moving minimum, then moving maximum) removes every upward excursion shorter than its window, speech among
//! them, and keeps steps where they are; a short closing then fills single dips.

use super::frames::{BANDS, Frames, Grid};
use crate::units::power_db;

/// Frames per step of the floor (100 ms).
pub const STEP: usize = 5;
/// Length of the opening in seconds; at most a third of the take.
const OPENING_S: f64 = 6.0;
/// Length of the closing in seconds.
const CLOSING_S: f64 = 0.6;

/// Background of one track, one value per [`STEP`] frames.
#[derive(Debug, Clone)]
pub struct Floor {
    /// The frame grid it was made from.
    pub grid: Grid,
    /// Level per step and band, dBFS; minus infinity where the track is digital silence throughout.
    pub bands: Vec<[f32; BANDS]>,
    /// Power sum over all bands per step, dBFS.
    pub level_db: Vec<f32>,
}

impl Floor {
    /// Background of a track.
    pub fn of(frames: &Frames) -> Floor {
        let grid = frames.grid;
        let steps = grid.frames.div_ceil(STEP);
        let opening = ((OPENING_S * grid.frames_per_s() / STEP as f64) as usize)
            .min(steps / 3)
            .max(1);
        let closing =
            ((CLOSING_S * grid.frames_per_s() / STEP as f64) as usize).clamp(1, steps.max(1));
        let mut bands = vec![[f32::NEG_INFINITY; BANDS]; steps];
        for band in 0..BANDS {
            let smooth: Vec<f32> = (0..steps).map(|s| smoothed(frames, s, band)).collect();
            let mut eroded = slide(&smooth, opening, f32::min);
            eroded
                .iter_mut()
                .filter(|level| **level == f32::INFINITY)
                .for_each(|level| *level = f32::NEG_INFINITY);
            let opened = slide(&eroded, opening, f32::max);
            let closed = slide(&slide(&opened, closing, f32::max), closing, f32::min);
            for (row, level) in bands.iter_mut().zip(closed) {
                row[band] = level;
            }
        }
        let level_db = bands
            .iter()
            .map(|row| {
                power_db(row.iter().map(|&b| crate::units::power(f64::from(b))).sum()) as f32
            })
            .collect();
        Floor {
            grid,
            bands,
            level_db,
        }
    }

    /// Step that holds a frame.
    pub fn step(&self, frame: usize) -> usize {
        (frame / STEP).min(self.bands.len().saturating_sub(1))
    }

    /// Power within a range of bands at a frame, mean square.
    pub fn band_power(&self, frame: usize, bands: std::ops::Range<usize>) -> f64 {
        self.bands[self.step(frame)][bands]
            .iter()
            .map(|&b| crate::units::power(f64::from(b)))
            .sum()
    }
}

/// Level of 0.2 s around a step, dBFS. Frames of digital silence do not count; plus infinity where nothing else is there,
/// so that the minimum passes over it.
fn smoothed(frames: &Frames, step: usize, band: usize) -> f32 {
    let first = (step * STEP).saturating_sub(STEP / 2);
    let last = (step * STEP + STEP + STEP / 2 + 1).min(frames.grid.frames);
    let (mut sum, mut count) = (0f64, 0u32);
    for frame in first..last {
        if frames.power[frame] > 0.0 {
            sum += f64::from(frames.bands[frame][band]);
            count += 1;
        }
    }
    if count == 0 {
        f32::INFINITY
    } else {
        power_db(sum / f64::from(count)) as f32
    }
}

/// Moving extreme over a centred window of `length` values, cut at the ends. Infinities of the wrong sign pass through.
fn slide(x: &[f32], length: usize, pick: fn(f32, f32) -> f32) -> Vec<f32> {
    let before = length / 2;
    let after = length - before;
    (0..x.len())
        .map(|i| {
            let part = &x[i.saturating_sub(before)..(i + after).min(x.len())];
            part.iter()
                .copied()
                .reduce(pick)
                .unwrap_or(f32::NEG_INFINITY)
        })
        .collect()
}
