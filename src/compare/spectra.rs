//! Spectra of all tracks of a take in step: computed once, shared by everything that compares tracks.
//!
//! Hann windows of about 85 ms (a power of two), half a window apart. Half a dozen windows make a *half cell* of about a
//! quarter of a second: per track and bin its power, and the share of it that stands over the track's own background.

use std::sync::Arc;

use rustfft::num_complex::Complex;

use crate::dsp::fft::Forward;
use crate::dsp::lanes;
use crate::dsp::shared::hann;
use crate::dsp::widest::widest;
use crate::dsp::windows::Windows;

/// Windows per half cell.
pub const HALF: usize = 6;
/// Highest frequency kept, Hz: speech above it is weak and body microphones are muffled.
const TOP_HZ: f64 = 9000.0;
/// Rise of the background estimate per half cell: about 0.5 dB a second.
const RISE: f32 = 1.03;
/// A minimum lies below the mean of what it is the minimum of: six windows half overlapping, about 4 to 5 dB.
const MINIMUM_BIAS: f32 = 3.0;

/// Sizes that follow from the sample rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layout {
    /// Hz.
    pub rate: u32,
    /// Samples per window.
    pub size: usize,
    /// Samples from window to window.
    pub hop: usize,
    /// Bins kept, from 0 Hz.
    pub bins: usize,
    /// Hz per bin.
    pub bin_hz: f64,
}

impl Layout {
    /// Sizes for a sample rate: the power of two nearest to 85 ms.
    pub fn new(rate: u32) -> Layout {
        let rate_hz = f64::from(rate.max(1));
        let size = 2usize.pow((rate_hz * 0.085).log2().round().clamp(4.0, 20.0) as u32);
        let bin_hz = rate_hz / size as f64;
        Layout {
            rate,
            size,
            hop: size / 2,
            bins: ((TOP_HZ / bin_hz) as usize + 1).min(size / 2),
            bin_hz,
        }
    }

    /// Bins whose middle lies in `[low_hz, high_hz]`.
    pub fn band(&self, low_hz: f64, high_hz: f64) -> std::ops::Range<usize> {
        let first = ((low_hz / self.bin_hz).ceil() as usize).min(self.bins);
        let last = ((high_hz / self.bin_hz).floor() as usize + 1).min(self.bins);
        first..last.max(first)
    }

    /// Samples per half cell.
    pub fn half_cell(&self) -> usize {
        HALF * self.hop
    }
}

/// What one track gives to a block: windows and the half cells that ended in it.
#[derive(Debug, Clone, Default)]
pub struct TrackSpectra {
    /// Spectra, `bins` values each, one after the other.
    pub windows: Vec<Complex<f32>>,
    /// Of each half cell that ended in this block: the cell of it and the half before; nothing for the first of a take.
    pub cells: Vec<TrackCell>,
}

/// Half a second of one track, or a quarter.
#[derive(Debug, Clone, Default)]
pub struct TrackCell {
    /// Power per bin, summed over its windows.
    pub power: Vec<f32>,
    /// Share of it that stands over the background so far, 0..1.
    pub over: Vec<f32>,
}

impl TrackCell {
    /// This half and the next as one: shares by their power. Nothing where this one is nothing.
    fn with(&self, next: &TrackCell) -> TrackCell {
        let bins = self.power.len().min(next.power.len());
        let (mut power, mut over) = (vec![0.0; bins], vec![0.0; bins]);
        join(&mut power, &mut over, self, next);
        TrackCell { power, over }
    }
}

widest! {
    /// Powers of two cells together, and shares by their power; 0 where there is none.
    fn join<'a, 'b>(
        power: &'a mut [f32],
        over: &'a mut [f32],
        first: &'b TrackCell,
        next: &'b TrackCell,
    ) {
        let n = power.len();
        let (over, p, a) = (&mut over[..n], &first.power[..n], &first.over[..n]);
        let (q, b) = (&next.power[..n], &next.over[..n]);
        for k in 0..n {
            power[k] = p[k] + q[k];
            let share = (p[k] * a[k] + q[k] * b[k]) / power[k];
            over[k] = if power[k] > 0.0 { share } else { 0.0 };
        }
    }

    /// The share of each power that stands over its background, which the power moves.
    fn stand_out<'a, 'b>(over: &'a mut [f32], background: &'a mut [f32], power: &'b [f32]) {
        for ((over, background), &power) in over.iter_mut().zip(background).zip(power) {
            // Exact silence is no background: after it the estimate starts anew.
            let risen = power.min(*background * RISE);
            let sounds = (*background > 0.0) & (power > 0.0);
            *background = if sounds { risen } else { power };
            let share = (1.0 - MINIMUM_BIAS * *background / power).max(0.0);
            *over = if power > 0.0 { share } else { 0.0 };
        }
    }
}

/// The spectrum meter of one track.
pub struct SpectrumMeter {
    layout: Layout,
    fft: Forward,
    window: Arc<Vec<f32>>,
    windows: Windows,
    background: Vec<f32>,
    power: Vec<f32>,
    in_half: usize,
    /// The last half cell.
    half: TrackCell,
    /// Windows and half cells of the last block.
    pub block: TrackSpectra,
}

impl std::fmt::Debug for SpectrumMeter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SpectrumMeter")
            .field("layout", &self.layout)
            .finish_non_exhaustive()
    }
}

impl SpectrumMeter {
    /// A meter at rest.
    pub fn new(layout: Layout) -> SpectrumMeter {
        SpectrumMeter {
            layout,
            window: hann(layout.size),
            windows: Windows::new(layout.size, layout.hop, 0),
            background: Vec::new(),
            power: vec![0.0; layout.bins],
            in_half: 0,
            half: TrackCell::default(),
            block: TrackSpectra::default(),
            fft: Forward::new(layout.size),
        }
    }

    /// Take in samples; `self.block` then holds the windows that became complete.
    pub fn push(&mut self, x: &[f32]) {
        self.block.cells.clear();
        let (mut windows, mut known) = (std::mem::take(&mut self.windows), 0);
        windows.push(x, |here| {
            // What the block before left there is written over: as many spectra, or one more or less.
            let (from, list) = (known, &mut self.block.windows);
            known += self.layout.bins;
            list.resize(list.len().max(known), Complex::default());
            let bins = &mut list[from..known];
            self.fft.bins_into(here, 0.0, &self.window, bins);
            lanes::add_powers(&mut self.power, bins);
            self.window_done();
        });
        self.block.windows.truncate(known);
        self.windows = windows;
    }

    fn window_done(&mut self) {
        self.in_half += 1;
        if self.in_half < HALF {
            return;
        }
        self.in_half = 0;
        if self.background.is_empty() {
            self.background.clone_from(&self.power);
        }
        let mut over = vec![0f32; self.layout.bins];
        stand_out(&mut over, &mut self.background, &self.power);
        let power = std::mem::replace(&mut self.power, vec![0.0; self.layout.bins]);
        let half = TrackCell { power, over };
        self.block.cells.push(self.half.with(&half));
        self.half = half;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_follow_the_rate() {
        assert_eq!(Layout::new(48_000).size, 4096);
        assert_eq!(Layout::new(44_100).size, 4096);
        assert_eq!(Layout::new(96_000).size, 8192);
        assert_eq!(Layout::new(192_000).size, 16384);
        let layout = Layout::new(48_000);
        assert_eq!(layout.band(500.0, 3000.0), 43..257);
        assert!(Layout::new(8_000).bins <= Layout::new(8_000).size / 2);
    }

    #[test]
    fn block_length_changes_nothing() {
        let layout = Layout::new(48_000);
        let x: Vec<f32> = (0..40_000)
            .map(|i| ((i * i) as f32 * 0.001).sin())
            .collect();
        let run = |block: usize| {
            let mut meter = SpectrumMeter::new(layout);
            let (mut windows, mut halves) = (Vec::new(), 0);
            for part in x.chunks(block) {
                meter.push(part);
                windows.extend_from_slice(&meter.block.windows);
                halves += meter.block.cells.len();
            }
            (windows, halves)
        };
        let whole = run(x.len());
        assert_eq!(whole.1, 3);
        for block in [1000, 4097, 24_000] {
            assert_eq!(run(block), whole);
        }
    }
}
