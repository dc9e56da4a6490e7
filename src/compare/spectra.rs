//! Spectra of all tracks of a take in step: made once, shared by everything that compares tracks.
//!
//! The transforms are those of the frames (see [`crate::measure::frames`]): windows of 43 ms every 20 ms. Three of them in a row,
//! the outer two by half and turned to the place of the middle one, are the spectrum of a window of 83 ms, which is what a room
//! asks for; its shape is close to that of a Hann window of 85 ms. Windows lie two frames apart. Half a dozen make a *half
//! cell* of about a quarter of a second: per track and bin its power, and the share of it that stands over the track's own
//! background.
//!
//! A spectrum is a row of numbers: the real parts of its bins, then the imaginary ones. Loops over rows fill whole vectors.

use std::f64::consts::PI;

use rustfft::num_complex::Complex;

use crate::dsp::lanes;
use crate::dsp::widest::widest;
use crate::measure::frames;

/// Windows per half cell.
pub const HALF: usize = 6;
/// Frames from window to window.
const APART: usize = 2;
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
    /// Samples of the transform: a delay of one sample turns bin `k` by `2 pi k / size`.
    pub size: usize,
    /// Samples from window to window.
    pub hop: usize,
    /// Bins kept, from 0 Hz.
    pub bins: usize,
    /// Hz per bin.
    pub bin_hz: f64,
}

impl Layout {
    /// Sizes for a sample rate.
    pub fn new(rate: u32) -> Layout {
        let size = frames::window_size(rate);
        let bin_hz = f64::from(rate.max(1)) / size as f64;
        Layout {
            rate,
            size,
            hop: APART * frames::hop(rate),
            bins: ((TOP_HZ / bin_hz) as usize + 1).min(size / 4),
            bin_hz,
        }
    }

    /// Middle of a window in seconds, of windows between two for part of a number.
    pub fn middle_s(&self, window: f64) -> f64 {
        // The first window has its middle in that of the second frame.
        (window + 1.5 / APART as f64) * self.hop as f64 / f64::from(self.rate)
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
    /// Spectra, one row after the other.
    pub windows: Vec<f32>,
    /// Their powers, `bins` values each.
    pub powers: Vec<f32>,
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
    /// The last frame of one window and the first of the next: what it turns by is the same, but the other way round.
    fn turn_both_ways<'a, 'b>(
        last: &'a mut [f32],
        first: &'a mut [f32],
        x: &'b [f32],
        turns: &'b [f32],
    ) {
        let n = x.len() / 2;
        let ((x, y), (re, im)) = (x.split_at(n), turns.split_at(n));
        let (last_re, last_im) = last.split_at_mut(n);
        let (first_re, first_im) = first.split_at_mut(n);
        let (y, re, im) = (&y[..n], &re[..n], &im[..n]);
        let (last_im, first_re, first_im) = (&mut last_im[..n], &mut first_re[..n], &mut first_im[..n]);
        for k in 0..n {
            let (along, across) = (x[k] * re[k], y[k] * im[k]);
            last_re[k] += along + across;
            first_re[k] = along - across;
        }
        for k in 0..n {
            let (up, down) = (x[k] * im[k], y[k] * re[k]);
            last_im[k] += down - up;
            first_im[k] = up + down;
        }
    }

    fn measure_powers<'a, 'b>(powers: &'a mut [f32], x: &'b [f32]) {
        let n = powers.len();
        let (re, im) = (&x[..n], &x[n..2 * n]);
        for k in 0..n {
            powers[k] = re[k] * re[k] + im[k] * im[k];
        }
    }

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
#[derive(Debug)]
pub struct SpectrumMeter {
    layout: Layout,
    /// What takes the frame before a window's middle one to its place, and half of it; the one behind goes the other way.
    turns: Vec<f32>,
    /// The window under way, memory for the next, and frames so far.
    open: Vec<f32>,
    next: Vec<f32>,
    frames: usize,
    background: Vec<f32>,
    power: Vec<f32>,
    in_half: usize,
    /// The last half cell.
    half: TrackCell,
    /// Windows and half cells of the last block.
    pub block: TrackSpectra,
}

impl SpectrumMeter {
    /// A meter at rest.
    pub fn new(layout: Layout) -> SpectrumMeter {
        let turn = 2.0 * PI * frames::hop(layout.rate) as f64 / layout.size as f64;
        let turns = (0..layout.bins).map(|bin| Complex::from_polar(0.5, turn * bin as f64));
        let (real, imaginary): (Vec<f32>, Vec<f32>) =
            turns.map(|turn| (turn.re as f32, turn.im as f32)).unzip();
        SpectrumMeter {
            layout,
            turns: [real, imaginary].concat(),
            open: vec![0.0; 2 * layout.bins],
            next: vec![0.0; 2 * layout.bins],
            frames: 0,
            background: Vec::new(),
            power: vec![0.0; layout.bins],
            in_half: 0,
            half: TrackCell::default(),
            block: TrackSpectra::default(),
        }
    }

    /// Take in the lowest bins of the next frames, a row of each; `self.block` then holds the windows that became complete.
    pub fn push(&mut self, frames: &[f32]) {
        self.block.cells.clear();
        self.block.windows.clear();
        self.block.powers.clear();
        for frame in frames.chunks_exact(2 * self.layout.bins) {
            if !self.frames.is_multiple_of(APART) {
                lanes::add(&mut self.open, frame);
            } else if self.frames == 0 {
                turn_both_ways(&mut self.next, &mut self.open, frame, &self.turns);
            } else {
                turn_both_ways(&mut self.open, &mut self.next, frame, &self.turns);
                self.block.windows.extend_from_slice(&self.open);
                let from = self.block.powers.len();
                self.block.powers.resize(from + self.layout.bins, 0.0);
                let powers = &mut self.block.powers[from..];
                measure_powers(powers, &self.open);
                lanes::add(&mut self.power, powers);
                self.window_done();
                std::mem::swap(&mut self.open, &mut self.next);
            }
            self.frames += 1;
        }
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
        assert_eq!(Layout::new(48_000).size, 2048);
        assert_eq!(Layout::new(44_100).size, 2048);
        assert_eq!(Layout::new(96_000).size, 4096);
        assert_eq!(Layout::new(192_000).size, 8192);
        let layout = Layout::new(48_000);
        assert_eq!(layout.hop, 1920);
        assert_eq!(layout.band(500.0, 3000.0), 22..129);
        assert!(Layout::new(8_000).bins <= Layout::new(8_000).size / 4);
    }

    /// Windows and cells of a signal that comes in blocks.
    fn measured(x: &[f32], layout: Layout, block: usize) -> (Vec<f32>, usize) {
        let mut frames = frames::FramesMeter::new(layout.rate);
        frames.keep_bins(layout.bins);
        let (mut meter, mut bins) = (SpectrumMeter::new(layout), Vec::new());
        let (mut windows, mut cells) = (Vec::new(), 0);
        for part in x.chunks(block) {
            frames.push(part);
            frames.hand_bins(&mut bins);
            meter.push(&bins);
            windows.extend_from_slice(&meter.block.windows);
            cells += meter.block.cells.len();
        }
        (windows, cells)
    }

    #[test]
    fn block_length_changes_nothing() {
        let x: Vec<f32> = (0..40_000)
            .map(|i| ((i * i) as f32 * 0.001).sin())
            .collect();
        let layout = Layout::new(48_000);
        let whole = measured(&x, layout, x.len());
        assert_eq!(whole.1, 3);
        for block in [1000, 4097, 24_000] {
            assert_eq!(measured(&x, layout, block), whole);
        }
    }

    /// Against a transform of the whole window, worked out sum by sum.
    #[test]
    fn three_frames_are_one_long_window() {
        let x = crate::synth::sources::noise(12_000, 7);
        for rate in [44_100, 48_000] {
            let layout = Layout::new(rate);
            let (windows, _) = measured(&x, layout, 5000);
            let (hop, size) = (frames::hop(rate), layout.size);
            let hann = |n: i64| {
                let inside = (0..size as i64).contains(&n);
                let turn = 2.0 * PI * n as f64 / size as f64;
                if inside { 0.5 - 0.5 * turn.cos() } else { 0.0 }
            };
            // The third window, from the start of its middle frame's own: frames lie in the middle of theirs.
            let start = (5 * hop) as i64 - (size - hop) as i64 / 2;
            for bin in [5, 40, 200, layout.bins - 1] {
                let turn = -2.0 * PI * bin as f64 / size as f64;
                let sum: Complex<f64> = (0..x.len() as i64)
                    .map(|n| {
                        let (n, value) = (n - start, f64::from(x[n as usize]));
                        let outer = hann(n + hop as i64) + hann(n - hop as i64);
                        Complex::from_polar(value * (hann(n) + 0.5 * outer), turn * n as f64)
                    })
                    .sum();
                let row = &windows[4 * layout.bins..6 * layout.bins];
                let [re, im] = [bin, layout.bins + bin].map(|k| f64::from(row[k]));
                let found = Complex::new(re, im);
                let off = found - sum;
                // Rounding of single precision; the sums are around 20.
                assert!(off.norm() < 1e-3, "{rate} {bin}: {found} {sum}");
            }
        }
    }
}
