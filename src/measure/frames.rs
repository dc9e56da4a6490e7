//! The shared frame grid: level, peak, third-octave powers and harmonicity every 20 ms.

use std::sync::Arc;

use rustfft::num_complex::Complex;

use super::{make_room, series};
use crate::aside::{Aside, Series};
use crate::dsp::compact::Power16;
use crate::dsp::fft::{Back, Forward};
use crate::dsp::lanes;
use crate::dsp::shared::{Shared, hann};
use crate::dsp::widest::widest;
use crate::dsp::windows::Windows;

/// Number of bands: 20..44.7 Hz, then the third octaves 50 Hz .. 20 kHz (IEC 61260-1, base ten).
pub const BANDS: usize = 28;

/// Edges of the bands in Hz, `BANDS + 1` values: 20 Hz, then `1000 * 10^((2n-1)/20)` for n = -13..=14.
pub fn band_edges_hz() -> [f64; BANDS + 1] {
    let mut edges = [20.0; BANDS + 1];
    for (k, edge) in edges.iter_mut().enumerate().skip(1) {
        *edge = 1000.0 * 10f64.powf((2.0 * (k as f64 - 14.0) - 1.0) / 20.0);
    }
    edges
}

/// Exact middle frequency of a band in Hz; 30 Hz for band 0.
pub fn band_centre_hz(band: usize) -> f64 {
    if band == 0 {
        30.0
    } else {
        1000.0 * 10f64.powf((band as f64 - 14.0) / 10.0)
    }
}

/// Bands whose middle lies within `[low_hz, high_hz]`.
pub fn bands_within(low_hz: f64, high_hz: f64) -> std::ops::Range<usize> {
    let inside: Vec<usize> = (0..BANDS)
        .filter(|&b| (low_hz..=high_hz).contains(&band_centre_hz(b)))
        .collect();
    match (inside.first(), inside.last()) {
        (Some(&first), Some(&last)) => first..last + 1,
        _ => 0..0,
    }
}

/// Samples per frame at a rate in Hz: 20 ms rounded.
pub fn hop(rate: u32) -> usize {
    (f64::from(rate) * 0.02).round().max(1.0) as usize
}

/// Samples of the Hann window around the middle of each frame: about 43 ms, a power of two.
pub fn window_size(rate: u32) -> usize {
    let least = (f64::from(rate) * 0.04).ceil() as usize;
    least.next_power_of_two().max(4)
}

/// Where frames lie: frame i covers samples `[i*hop, (i+1)*hop)`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Grid {
    /// Hz.
    pub rate: u32,
    /// Samples per frame, 20 ms rounded.
    pub hop: usize,
    /// Number of frames; the last may be cut short by the end of the take.
    pub frames: usize,
    /// Samples of the take.
    pub samples: u64,
}

impl Grid {
    /// Frames a second.
    pub fn frames_per_s(&self) -> f64 {
        f64::from(self.rate) / self.hop as f64
    }

    /// Number of frames in a time, at least 1.
    pub fn frames_in(&self, seconds: f64) -> usize {
        (seconds * self.frames_per_s()).round().max(1.0) as usize
    }

    /// First sample of a frame, at most the end of the take.
    pub fn sample(&self, frame: usize) -> u64 {
        (frame as u64 * self.hop as u64).min(self.samples)
    }

    /// Start of a frame in seconds.
    pub fn time_s(&self, frame: usize) -> f64 {
        crate::units::seconds(self.sample(frame), self.rate)
    }

    /// Frame that holds a sample, at most the last.
    pub fn frame(&self, sample: u64) -> usize {
        ((sample / self.hop as u64) as usize).min(self.frames.saturating_sub(1))
    }

    /// Frame that holds a time in seconds, at most the last.
    pub fn frame_at(&self, seconds: f64) -> usize {
        self.frame(crate::units::samples(seconds, self.rate))
    }
}

/// What stands for a harmonicity of 1.
const HARMONIC: f32 = 60_000.0;

/// Measurements per frame of one track. All vectors have `grid.frames` entries.
#[derive(Debug, Clone)]
pub struct Frames {
    /// The grid.
    pub grid: Grid,
    /// Largest |x| in the frame's own samples, full scale 1.
    pub peak: Series<f32>,
    /// Mean square of the frame's own samples.
    pub power: Vec<f32>,
    /// Mean square per band, from a Hann window of about 43 ms around the middle of the frame.
    bands: Series<[Power16; BANDS]>,
    /// Largest normalised autocorrelation between 70 and 400 Hz of the band 60 Hz .. 2.5 kHz, in parts of [`HARMONIC`]; 0 for
    /// silence.
    harmonicity: Series<u16>,
    /// Lag of that largest value, in periods of `lag_hz`; 0 for silence.
    lag: Series<u8>,
    lag_hz: f64,
}

impl Frames {
    /// Mean square within a range of bands.
    pub fn band_power(&self, frame: usize, bands: std::ops::Range<usize>) -> f64 {
        self.codes(frame)[bands].iter().map(|&p| f64::from(p)).sum()
    }

    /// Largest normalised autocorrelation between 70 and 400 Hz of the band 60 Hz .. 2.5 kHz, 0..1; 0 for silence.
    pub fn harmonicity(&self, frame: usize) -> f32 {
        f32::from(self.harmonicity.get(frame)) / HARMONIC
    }

    /// Frequency of the largest autocorrelation in Hz, to the nearest lag (2 % at 217 Hz); 0 for silence.
    pub fn pitch_hz(&self, frame: usize) -> f64 {
        match self.lag.get(frame) {
            0 => 0.0,
            lag => self.lag_hz / f64::from(lag),
        }
    }

    /// Mean square of each band.
    pub fn row(&self, frame: usize) -> [f32; BANDS] {
        self.codes(frame).map(f32::from)
    }

    /// The same as it is kept.
    #[inline]
    pub fn codes(&self, frame: usize) -> [Power16; BANDS] {
        self.bands.get(frame)
    }

    /// Where long lists of this track lie.
    pub(super) fn aside(&self) -> &Aside {
        self.bands.aside()
    }
}

widest! {
    fn sums_of_bands<'a, 'b>(
        bands: &'a mut [f32; BANDS],
        powers: &'b [f32],
        weights: &'b [(usize, Vec<f32>)],
        scale: f32,
    ) {
        let mut sums = [[0f32; LANES]; BANDS];
        for (sums, (first, shares)) in sums.iter_mut().zip(weights) {
            let parts = shares.as_chunks::<LANES>().0.iter();
            for (shares, powers) in parts.zip(powers[*first..].as_chunks::<LANES>().0) {
                for k in 0..LANES {
                    sums[k] += shares[k] * powers[k];
                }
            }
        }
        for (band, s) in bands.iter_mut().zip(&sums) {
            *band = ((s[0] + s[4] + (s[2] + s[6])) + (s[1] + s[5] + (s[3] + s[7]))) * scale;
        }
    }

    fn codes_of<'a, 'b>(codes: &'a mut [Power16; BANDS], powers: &'b [f32; BANDS]) {
        for (code, power) in codes.iter_mut().zip(powers) {
            *code = Power16::from(*power);
        }
    }

    /// Largest magnitude, sum, sum of squares.
    fn levels<'a>(x: &'a [f32]) -> (f32, f64, f64) {
        let (sum, energy) = lanes::moments_within(x);
        (lanes::peak_within(x), sum, energy)
    }
}

/// Measures [`Frames`]. Block lengths do not change the result.
pub struct FramesMeter {
    rate: u32,
    hop: usize,
    size: usize,
    window: Arc<Vec<f32>>,
    scale: f32,
    weights: Vec<(usize, Vec<f32>)>,
    fft: Forward,
    back: Back,
    lag_window: Arc<Vec<f32>>,
    auto_rate: f64,
    low_bin: usize,
    windows: Windows,
    total: u64,
    // A constant offset would leak into the lowest band and pass for background.
    offset: Option<f32>,
    powers: Vec<f32>,
    /// Lowest bins of the frames measured last, where somebody wants them (see [`FramesMeter::hand_bins`]), and how much of the
    /// memory they take: it only grows, what is there is written over.
    bins: Vec<f32>,
    bins_known: usize,
    bins_wanted: usize,
    out: Frames,
}

impl std::fmt::Debug for FramesMeter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("FramesMeter")
            .field("rate", &self.rate)
            .field("total", &self.total)
            .finish_non_exhaustive()
    }
}

const AUTO_SIZE: usize = 512;
/// Bins of a band that are summed up side by side.
const LANES: usize = 8;
/// The offset follows the means of the frames with half a second: below any sound, above the drift of electronics.
const OFFSET_STEP: f32 = 0.04;

impl FramesMeter {
    /// A meter at rest.
    pub fn new(rate: u32) -> FramesMeter {
        let hop = hop(rate);
        let size = window_size(rate);
        let window = hann(size);
        let energy: f64 = window.iter().map(|&w| f64::from(w) * f64::from(w)).sum();
        let bin_hz = f64::from(rate) / size as f64;
        let edges = band_edges_hz();
        // Each bin stands for a stretch of frequency; where a band's edge cuts it, its power is shared out.
        let weights = (0..BANDS)
            .map(|b| {
                let first = ((edges[b] / bin_hz - 0.5).floor().max(0.0)) as usize;
                let last = ((edges[b + 1] / bin_hz + 0.5).ceil() as usize).min(size / 2);
                let mut shares: Vec<f32> = (first..=last.max(first))
                    .map(|k| {
                        let (lo, hi) = ((k as f64 - 0.5) * bin_hz, (k as f64 + 0.5) * bin_hz);
                        ((hi.min(edges[b + 1]) - lo.max(edges[b])) / bin_hz).clamp(0.0, 1.0) as f32
                    })
                    .collect();
                shares.resize(shares.len().next_multiple_of(LANES), 0.0);
                if first > size / 2 {
                    (0, Vec::new())
                } else {
                    (first, shares)
                }
            })
            .collect();
        // Autocorrelation of the window itself, sampled at the lags used: dividing by it undoes the taper.
        let auto_rate = bin_hz * AUTO_SIZE as f64;
        static LAG_WINDOWS: Shared<u32, Vec<f32>> = Shared::new();
        let at_lag = |lag: usize| {
            let shift = (lag as f64 * f64::from(rate) / auto_rate).round() as usize;
            let sum: f64 = (0..size.saturating_sub(shift))
                .map(|n| f64::from(window[n]) * f64::from(window[n + shift]))
                .sum();
            (sum / energy) as f32
        };
        let lag_window = LAG_WINDOWS.get(rate, || (0..AUTO_SIZE / 2).map(at_lag).collect());
        let grid = Grid {
            rate,
            hop,
            frames: 0,
            samples: 0,
        };
        FramesMeter {
            rate,
            hop,
            size,
            scale: (2.0 / (size as f64 * energy)) as f32,
            window,
            weights,
            // Bands that end with the last bins ask for some more.
            powers: vec![0.0; size / 2 + 1 + LANES],
            bins: Vec::new(),
            bins_known: 0,
            bins_wanted: 0,
            fft: Forward::new(size),
            back: Back::new(AUTO_SIZE),
            lag_window,
            auto_rate,
            low_bin: (60.0 / bin_hz).ceil() as usize,
            // The first window reaches to before the take, where it is silent.
            windows: Windows::new(size, hop, (size - hop) / 2),
            total: 0,
            offset: None,
            out: Frames {
                grid,
                peak: Series::default(),
                power: vec![],
                bands: Series::default(),
                harmonicity: Series::default(),
                lag: Series::default(),
                lag_hz: auto_rate,
            },
        }
    }

    /// Make room for so many samples.
    pub(super) fn expect(&mut self, samples: u64, aside: &Aside) {
        self.out.bands = series(aside, samples, self.hop);
        self.out.harmonicity = series(aside, samples, self.hop);
        self.out.lag = series(aside, samples, self.hop);
        self.out.peak = series(aside, samples, self.hop);
        make_room(&mut self.out.power, samples, self.hop);
    }

    /// Keep the lowest bins of every frame from now on, so many of each (at most a quarter of [`window_size`]), until they are
    /// asked for.
    pub fn keep_bins(&mut self, wanted: usize) {
        self.bins_wanted = wanted;
    }

    /// The lowest bins of the frames measured since the last time, one frame after the other, in exchange for memory: of each the
    /// real parts and then the imaginary ones.
    pub fn hand_bins(&mut self, bins: &mut Vec<f32>) {
        self.bins.truncate(self.bins_known);
        self.bins_known = 0;
        std::mem::swap(&mut self.bins, bins);
    }

    /// Take in samples.
    pub fn push(&mut self, x: &[f32]) {
        self.total += x.len() as u64;
        let mut windows = std::mem::take(&mut self.windows);
        windows.push(x, |around| self.frame(around, self.hop));
        self.windows = windows;
    }

    /// Measure the frame in the middle of a window; `own` of its samples are there.
    fn frame(&mut self, around: &[f32], own: usize) {
        let first = (self.size - self.hop) / 2;
        let mine = &around[first..first + own];
        let (peak, sum, energy) = levels(mine);
        // Nothing is taken off digital silence: it stays exactly that.
        let offset = if peak > 0.0 {
            let mean = (sum / own.max(1) as f64) as f32;
            let so_far = *self.offset.get_or_insert(mean);
            self.offset = Some(so_far + OFFSET_STEP * (mean - so_far));
            so_far
        } else {
            0.0
        };
        let power = energy / own.max(1) as f64;
        let mut bands = [0f32; BANDS];
        let from = self.bins_known;
        self.bins_known += 2 * self.bins_wanted;
        if self.bins.len() < self.bins_known {
            self.bins.resize(self.bins_known, 0.0);
        }
        let (real, imaginary) = self.bins[from..self.bins_known].split_at_mut(self.bins_wanted);
        self.fft.powers_and_bins(
            around,
            offset,
            &self.window,
            &mut self.powers[..=self.size / 2],
            [real, imaginary],
        );
        sums_of_bands(&mut bands, &self.powers, &self.weights, self.scale);
        let mut codes = [Power16::default(); BANDS];
        codes_of(&mut codes, &bands);
        let (harmonicity, lag) = self.harmonicity();
        self.out.peak.push(peak);
        self.out.power.push(power as f32);
        self.out.bands.push(codes);
        self.out
            .harmonicity
            .push((harmonicity * HARMONIC).round() as u16);
        self.out.lag.push(lag as u8);
    }

    /// Largest autocorrelation and its lag, which stays below 180: the correlation runs at 11 to 12 kHz.
    fn harmonicity(&mut self) -> (f32, usize) {
        let high = ((2500.0 / (self.auto_rate / AUTO_SIZE as f64)) as usize).min(AUTO_SIZE / 2 - 1);
        let bins = self.back.bins();
        bins.fill(Complex::default());
        let band = self.low_bin..(high + 1).min(self.size / 2 + 1);
        for (bin, power) in bins[band.clone()].iter_mut().zip(&self.powers[band]) {
            bin.re = *power;
        }
        let correlation = self.back.samples();
        let zero = correlation[0];
        if zero <= 1e-20 {
            return (0.0, 0);
        }
        let shortest = (self.auto_rate / 400.0).floor() as usize;
        let longest = (self.auto_rate / 70.0).ceil() as usize;
        let mut best = (0f32, 0);
        let around = &correlation[shortest - 1..=longest.min(AUTO_SIZE / 2 - 1) + 1];
        lanes::maxima(around).for_each(|k| {
            let lag = shortest + k as usize;
            let r = (correlation[lag] / zero / self.lag_window[lag].max(0.05)).min(1.0);
            if r > best.0 {
                best = (r, lag);
            }
        });
        best
    }

    /// Measure what is left; the frames beyond the end see silence there.
    pub fn finish(mut self) -> Frames {
        let frames = self.total.div_ceil(self.hop as u64) as usize;
        let mut windows = std::mem::take(&mut self.windows);
        windows.push(&vec![0.0; self.size + self.hop], |around| {
            let measured = self.out.power.len();
            let left = self.total.saturating_sub((measured * self.hop) as u64);
            if measured < frames {
                self.frame(around, left.min(self.hop as u64) as usize);
            }
        });
        self.out.grid = Grid {
            rate: self.rate,
            hop: self.hop,
            frames,
            samples: self.total,
        };
        self.out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measure(x: &[f32], rate: u32, block: usize) -> Frames {
        let mut meter = FramesMeter::new(rate);
        for part in x.chunks(block) {
            meter.push(part);
        }
        meter.finish()
    }

    fn sine(hz: f64, amplitude: f64, rate: u32, n: usize) -> Vec<f32> {
        (0..n)
            .map(|i| {
                (amplitude * (2.0 * std::f64::consts::PI * hz * i as f64 / f64::from(rate)).sin())
                    as f32
            })
            .collect()
    }

    #[test]
    fn an_offset_is_no_sound() {
        let plain = sine(1000.0, 0.01, 48_000, 96_000);
        let moved: Vec<f32> = plain.iter().map(|v| v + 0.02).collect();
        let (plain, moved) = (measure(&plain, 48_000, 4800), measure(&moved, 48_000, 4800));
        // The frames at the ends hold a piece of the silence outside.
        for f in 2..plain.grid.frames - 2 {
            let lowest = |frames: &Frames| f64::from(frames.codes(f)[0]);
            assert!(
                lowest(&moved) < lowest(&plain) + 1e-10,
                "{f}: {}",
                lowest(&moved)
            );
        }
        let silence = measure(&[0.0; 9600], 48_000, 4800);
        assert!(silence.bands.iter().flatten().all(|b| f32::from(b) == 0.0));
    }

    /// A sine of amplitude a has the power a^2/2 (closed form).
    #[test]
    fn a_sine_lands_in_its_band_with_its_power() {
        for rate in [44_100, 48_000, 96_000] {
            let frames = measure(&sine(1000.0, 0.5, rate, rate as usize), rate, 4800);
            let middle = frames.grid.frames / 2;
            let db = crate::units::power_db(f64::from(frames.codes(middle)[14]));
            assert!(
                (db - crate::units::power_db(0.125)).abs() < 0.05,
                "{rate}: {db}"
            );
            assert!((f64::from(frames.power[middle]) - 0.125).abs() < 1e-4);
        }
    }

    #[test]
    fn block_length_changes_nothing() {
        let x = sine(313.0, 0.3, 48_000, 48_123);
        let whole = measure(&x, 48_000, x.len());
        for block in [1, 63, 480, 4096] {
            let parts = measure(&x, 48_000, block);
            assert_eq!(parts.bands, whole.bands);
            assert_eq!(parts.power, whole.power);
            assert_eq!(parts.grid, whole.grid);
        }
    }

    #[test]
    fn empty_and_short_takes_do_not_panic() {
        assert_eq!(measure(&[], 48_000, 10).grid.frames, 0);
        assert_eq!(measure(&[0.5], 48_000, 10).grid.frames, 1);
    }

    #[test]
    fn a_low_voice_is_harmonic_and_noise_is_not() {
        let mut voice = vec![0f32; 48_000];
        for k in 1..12 {
            for (v, s) in voice.iter_mut().zip(sine(
                110.0 * f64::from(k),
                0.2 / f64::from(k),
                48_000,
                48_000,
            )) {
                *v += s;
            }
        }
        let frames = measure(&voice, 48_000, 4800);
        assert!(frames.harmonicity(25) > 0.9, "{}", frames.harmonicity(25));
        let noise = crate::synth::sources::noise(48_000, 1);
        let frames = measure(&noise, 48_000, 4800);
        let mean = (5..45).map(|f| frames.harmonicity(f)).sum::<f32>() / 40.0;
        assert!(mean < 0.6, "{mean}");
    }
}
