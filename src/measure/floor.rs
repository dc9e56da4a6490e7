//! The background of a track over time: morphological opening of the band levels, corrected for its bias.
//!
//! An opening (moving minimum, then moving maximum) removes every upward excursion shorter than its window, speech among
//! them, and keeps steps where they are; a short closing then fills single dips. A minimum of noisy levels lies below their
//! mean; how far follows from the band's degrees of freedom and the length of the window, and is added back.

use super::frames::{BANDS, Frames, Grid, band_edges_hz, bands_within};
use crate::aside::Series;
use crate::dsp::compact::Level16;
use crate::dsp::extreme::slide;
use crate::units::{power, power_db};

/// Frames per step of the floor (100 ms).
pub const STEP: usize = 5;
/// Length of the opening in seconds; at most a third of the take.
const OPENING_S: f64 = 6.0;
/// Length of the closing in seconds.
const CLOSING_S: f64 = 0.6;

/// What the opening of 60 steps followed by the closing reads for stationary Gaussian noise, dB re its mean power, per band.
/// Computed for this frame grid (Hann 43 ms every 20 ms, 0.2 s means) from four runs of 900 s of white noise with numpy 2.
const BIAS_DB: [f32; BANDS] = [
    -2.67, -3.16, -2.88, -2.63, -2.69, -2.63, -2.61, -2.59, -2.26, -2.05, -1.87, -1.68, -1.56,
    -1.40, -1.24, -1.10, -0.98, -0.89, -0.79, -0.70, -0.63, -0.54, -0.49, -0.44, -0.39, -0.34,
    -0.31, -0.28,
];
/// The same for shorter windows, as a factor on [`BIAS_DB`]: (steps, factor). From the same runs; it is alike in all bands.
const BIAS_BY_LENGTH: [(f32, f32); 6] = [
    (2.0, -0.13),
    (5.0, 0.25),
    (10.0, 0.49),
    (20.0, 0.70),
    (40.0, 0.90),
    (60.0, 1.0),
];

/// Nominal middle frequencies of the octaves of [`Floor::octaves_dbfs`], Hz.
pub const OCTAVES_HZ: [u32; 9] = [63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000];

/// Background of one track, one value per [`STEP`] frames.
#[derive(Debug, Clone)]
pub struct Floor {
    /// The frame grid it was made from.
    pub grid: Grid,
    /// Level per step and band; see [`Level16`].
    bands: Series<[Level16; BANDS]>,
    /// Over the take, per band.
    median: [f32; BANDS],
    /// Power sum over all bands (20 Hz to 22 kHz) per step, dBFS.
    pub level_db: Vec<f32>,
}

impl Floor {
    /// Background of a track.
    pub fn of(frames: &Frames) -> Floor {
        let grid = frames.grid;
        let steps = grid.frames.div_ceil(STEP);
        let steps_per_s = grid.frames_per_s() / STEP as f64;
        let opening = ((OPENING_S * steps_per_s) as usize).min(steps / 3).max(1);
        let closing = ((CLOSING_S * steps_per_s) as usize).clamp(1, steps.max(1));
        let usable = usable_frames(frames);
        let smooth: Vec<[f32; BANDS]> = (0..steps).map(|s| smoothed(frames, &usable, s)).collect();
        let mut rows = vec![[Level16::SILENCE; BANDS]; steps];
        for band in 0..BANDS {
            let smooth: Vec<f32> = smooth.iter().map(|row| row[band]).collect();
            let mut eroded = slide(&smooth, opening, f32::min);
            eroded
                .iter_mut()
                .filter(|power| **power == f32::INFINITY)
                .for_each(|power| *power = 0.0);
            let opened = slide(&eroded, opening, f32::max);
            let closed = slide(&slide(&opened, closing, f32::max), closing, f32::min);
            let bias = bias_db(band, opening);
            // A background stays as it is from step to step: few of its values take a logarithm.
            let mut last = (f32::NAN, Level16::SILENCE);
            for (row, power) in rows.iter_mut().zip(closed) {
                if power != last.0 {
                    last = (power, Level16::of(power_db(f64::from(power)) as f32 - bias));
                }
                row[band] = last.1;
            }
        }
        let level_db = rows
            .iter()
            .map(|row| power_db(row.iter().map(|b| b.power()).sum()) as f32)
            .collect();
        let median = median_of(&rows);
        let mut bands = Series::new(frames.aside());
        bands.expect(rows.len());
        bands.extend(rows);
        Floor {
            grid,
            bands,
            median,
            level_db,
        }
    }

    /// Step that holds a frame.
    pub fn step(&self, frame: usize) -> usize {
        (frame / STEP).min(self.bands.len().saturating_sub(1))
    }

    /// Power within a range of bands at a frame, mean square.
    pub fn band_power(&self, frame: usize, bands: std::ops::Range<usize>) -> f64 {
        self.bands.get(self.step(frame))[bands]
            .iter()
            .map(|b| b.power())
            .sum()
    }

    /// Power of a band in a step, mean square.
    pub fn power(&self, step: usize, band: usize) -> f64 {
        self.bands.get(step)[band].power()
    }

    /// Level within a range of bands per step, dBFS; minus infinity for silence.
    pub fn levels(&self, bands: std::ops::Range<usize>) -> Vec<f64> {
        let power = |row: &[Level16]| row.iter().map(|b| b.power()).sum();
        let rows = self.bands.iter();
        rows.map(|row| power_db(power(&row[bands.clone()])))
            .collect()
    }

    /// Median over the take of the background in each band, dBFS; steps of digital silence do not count. Minus infinity
    /// where nothing else is there.
    pub fn median_bands(&self) -> [f32; BANDS] {
        self.median
    }

    /// Background of the take, 20 Hz to 22 kHz, dBFS; minus infinity for digital silence.
    pub fn dbfs(&self) -> f64 {
        power_db(band_powers(&self.median_bands()).sum())
    }

    /// Background of the take, A-weighted (IEC 61672-1), dBFS; minus infinity for digital silence.
    pub fn dba(&self) -> f64 {
        a_weighted_db(&self.median_bands())
    }

    /// Background of the take in octaves: (nominal middle frequency in Hz, dBFS). Octaves above half the sampling rate read
    /// minus infinity.
    pub fn octaves_dbfs(&self) -> Vec<(u32, f64)> {
        let median = self.median_bands();
        OCTAVES_HZ
            .iter()
            .map(|&hz| {
                let middle = f64::from(hz);
                let bands = bands_within(middle / 1.3, middle * 1.3);
                (hz, power_db(band_powers(&median[bands]).sum()))
            })
            .collect()
    }
}

/// Median of the levels of each band, dBFS, without digital silence; minus infinity of nothing else.
fn median_of(rows: &[[Level16; BANDS]]) -> [f32; BANDS] {
    std::array::from_fn(|band| {
        let mut levels: Vec<f32> = rows
            .iter()
            .map(|row| row[band].db())
            .filter(|level| level.is_finite())
            .collect();
        if levels.is_empty() {
            return f32::NEG_INFINITY;
        }
        let middle = levels.len() / 2;
        *levels.select_nth_unstable_by(middle, f32::total_cmp).1
    })
}

fn band_powers(levels: &[f32]) -> impl Iterator<Item = f64> {
    levels.iter().map(|&level| power(f64::from(level)))
}

/// A-weighted level of band levels in dBFS.
pub fn a_weighted_db(bands: &[f32; BANDS]) -> f64 {
    let edges = band_edges_hz();
    power_db(
        bands
            .iter()
            .enumerate()
            .map(|(b, &level)| power(f64::from(level)) * mean_a_weight(edges[b], edges[b + 1]))
            .sum(),
    )
}

/// Mean power factor of A-weighting over a band of flat spectrum.
fn mean_a_weight(low_hz: f64, high_hz: f64) -> f64 {
    let parts = 16;
    (0..parts)
        .map(|k| a_weight(low_hz + (high_hz - low_hz) * (f64::from(k) + 0.5) / f64::from(parts)))
        .sum::<f64>()
        / f64::from(parts)
}

/// Power factor of A-weighting at a frequency, 1 at 1 kHz (IEC 61672-1 annex E).
pub fn a_weight(hz: f64) -> f64 {
    let response = |f: f64| {
        let f2 = f * f;
        12194f64.powi(2) * f2 * f2
            / ((f2 + 20.6f64.powi(2))
                * ((f2 + 107.7f64.powi(2)) * (f2 + 737.9f64.powi(2))).sqrt()
                * (f2 + 12194f64.powi(2)))
    };
    (response(hz) / response(1000.0)).powi(2)
}

/// What the opening reads for stationary noise, dB re its mean.
fn bias_db(band: usize, opening: usize) -> f32 {
    let length = (opening as f32).clamp(BIAS_BY_LENGTH[0].0, BIAS_BY_LENGTH[5].0);
    let upper = BIAS_BY_LENGTH
        .iter()
        .position(|&(steps, _)| steps >= length)
        .unwrap_or(5)
        .max(1);
    let ((x0, y0), (x1, y1)) = (BIAS_BY_LENGTH[upper - 1], BIAS_BY_LENGTH[upper]);
    let share = (length.ln() - x0.ln()) / (x1.ln() - x0.ln());
    BIAS_DB[band] * (y0 + (y1 - y0) * share)
}

/// Frames whose window lies within the take and touches no digital silence. In a take of a few frames all count.
fn usable_frames(frames: &Frames) -> Vec<bool> {
    let n = frames.grid.frames;
    let sounds = |i: usize| frames.power[i] > 0.0;
    (0..n)
        .map(|i| {
            sounds(i) && (n < 3 * STEP || (i >= 1 && i + 2 < n && sounds(i - 1) && sounds(i + 1)))
        })
        .collect()
}

/// Mean square of 0.2 s around a step in each band. Unusable frames do not count; plus infinity where nothing else is there, so that the
/// minimum passes over it.
fn smoothed(frames: &Frames, usable: &[bool], step: usize) -> [f32; BANDS] {
    let first = (step * STEP).saturating_sub(STEP / 2);
    let last = (step * STEP + STEP + STEP / 2 + 1).min(frames.grid.frames);
    let (mut sums, mut count) = ([0f64; BANDS], 0u32);
    for frame in (first..last).filter(|&f| usable[f]) {
        let powers = frames.codes(frame);
        sums.iter_mut()
            .zip(powers)
            .for_each(|(sum, power)| *sum += f64::from(power));
        count += 1;
    }
    if count == 0 {
        [f32::INFINITY; BANDS]
    } else {
        sums.map(|sum| (sum / f64::from(count)) as f32)
    }
}
