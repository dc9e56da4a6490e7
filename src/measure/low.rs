//! Levels below the voice, finer in frequency than the shared frames: 20 to 60 Hz and 60 to 130 Hz every 20 ms.
//!
//! The 43 ms window of the frames smears a voice of 90 Hz down to 50 Hz. Here the bands are cut by filters on the low-rate copy.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use super::series;
use crate::aside::{Aside, Series};
use crate::dsp::compact::Power16;

/// Number of bands.
pub const LOW_BANDS: usize = 2;
/// Edges of the bands, Hz.
pub const LOW_EDGES_HZ: [(f64, f64); LOW_BANDS] = [(20.0, 60.0), (60.0, 130.0)];

/// Mean square per frame in each of [`LOW_EDGES_HZ`]; as many entries as the frame grid has frames.
#[derive(Debug, Clone, Default)]
pub struct Low {
    /// Full scale 1; 0 for silence.
    pub power: Series<[Power16; LOW_BANDS]>,
}

/// Second-order sections of all bands, side by side, in transposed direct form II, without their gain.
#[derive(Debug, Clone, Copy, Default)]
struct Sections {
    /// What a sample adds to either state: b1 / b0 - a1 and 1 - a2, for b2 is b0.
    c: [[f64; LOW_BANDS]; 2],
    a: [[f64; LOW_BANDS]; 2],
    state: [[f64; LOW_BANDS]; 2],
    /// b0.
    gain: [f64; LOW_BANDS],
}

impl Sections {
    /// Bilinear transform of second-order sections of the Butterworth family.
    fn new(high_pass: bool, hz: [f64; LOW_BANDS], q: f64, rate: f64) -> Sections {
        let mut sections = Sections::default();
        for (k, hz) in hz.into_iter().enumerate() {
            let w = 2.0 * PI * (hz / rate).min(0.49);
            let alpha = w.sin() / (2.0 * q);
            let (cos, a0) = (w.cos(), 1.0 + alpha);
            let (sign, g) = if high_pass {
                (-1.0, (1.0 + cos) / 2.0)
            } else {
                (1.0, (1.0 - cos) / 2.0)
            };
            let [a1, a2] = [-2.0 * cos, 1.0 - alpha].map(|a| a / a0);
            (sections.a[0][k], sections.a[1][k]) = (a1, a2);
            (sections.c[0][k], sections.c[1][k]) = (2.0 * sign - a1, 1.0 - a2);
            sections.gain[k] = g / a0;
        }
        sections
    }

    #[inline(always)]
    fn run(&mut self, x: [f64; LOW_BANDS]) -> [f64; LOW_BANDS] {
        // The next state is made from the last one and the sample, not from what comes out: one step less to wait for.
        let Sections { c, a, state, .. } = self;
        let mut y = [0.0; LOW_BANDS];
        for k in 0..LOW_BANDS {
            let last = state[0][k];
            y[k] = x[k] + last;
            state[0][k] = (c[0][k] * x[k] + state[1][k]) - a[0][k] * last;
            state[1][k] = c[1][k] * x[k] - a[1][k] * last;
        }
        y
    }
}

/// Add the squares of what the sections of each band let through. For any processor: two bands fill no wider vector.
fn filter(bands: &mut [Sections; 5], sums: &mut [f64; LOW_BANDS], x: &[f32]) {
    // Copies stay in registers.
    let (mut sections, mut sum) = (*bands, *sums);
    for &sample in x {
        let mut y = [f64::from(sample); LOW_BANDS];
        for sections in &mut sections {
            y = sections.run(y);
        }
        for (sum, y) in sum.iter_mut().zip(y) {
            *sum += y * y;
        }
    }
    (*bands, *sums) = (sections, sum);
}

/// For each band a fourth-order high-pass and a sixth-order low-pass, both Butterworth.
fn bands(rate: f64) -> [Sections; 5] {
    let (low, high) = (LOW_EDGES_HZ.map(|e| e.0), LOW_EDGES_HZ.map(|e| e.1));
    [
        Sections::new(true, low, 0.541_196_1, rate),
        Sections::new(true, low, 1.306_563, rate),
        Sections::new(false, high, 0.517_638_1, rate),
        Sections::new(false, high, FRAC_1_SQRT_2, rate),
        Sections::new(false, high, 1.931_851_7, rate),
    ]
}

/// Measures [`Low`] on the low-rate copy.
#[derive(Debug, Clone)]
pub struct LowMeter {
    bands: [Sections; 5],
    hop: u64,
    factor: u64,
    at: u64,
    sum: [f64; LOW_BANDS],
    count: u32,
    out: Series<[Power16; LOW_BANDS]>,
    /// Frames of the grid, once they are known: the copy ends behind them.
    frames: usize,
}

impl LowMeter {
    /// A meter for a copy of `rate / factor` Hz and frames of `hop` input samples.
    pub fn new(rate: u32, factor: usize, hop: usize) -> LowMeter {
        let low_rate = f64::from(rate) / factor as f64;
        LowMeter {
            bands: bands(low_rate),
            hop: hop as u64,
            factor: factor as u64,
            at: 0,
            sum: [0.0; LOW_BANDS],
            count: 0,
            out: Series::default(),
            frames: usize::MAX,
        }
    }

    /// Make room for so many samples of the track.
    pub(super) fn expect(&mut self, samples: u64, aside: &Aside) {
        self.out = series(aside, samples, self.hop as usize);
    }

    /// Take in samples of the copy.
    pub fn push(&mut self, mut x: &[f32]) {
        while !x.is_empty() && self.out.len() < self.frames {
            let end = ((self.out.len() as u64 + 1) * self.hop).div_ceil(self.factor);
            if self.at >= end {
                self.close();
                continue;
            }
            let (now, later) = x.split_at(x.len().min((end - self.at) as usize));
            filter(&mut self.bands, &mut self.sum, now);
            self.count += now.len() as u32;
            self.at += now.len() as u64;
            x = later;
        }
    }

    fn close(&mut self) {
        let count = f64::from(self.count.max(1));
        let power = |band: usize| {
            let gain: f64 = self.bands.iter().map(|s| s.gain[band]).product();
            Power16::from((self.sum[band] * gain * gain / count) as f32)
        };
        self.out.push(std::array::from_fn(power));
        self.sum = [0.0; LOW_BANDS];
        self.count = 0;
    }

    /// Everything measured with the last samples of the copy, for a grid of `frames` frames.
    pub fn finish(mut self, last: &[f32], frames: usize) -> Low {
        self.frames = frames;
        self.push(last);
        if self.count > 0 && self.out.len() < frames {
            self.close();
        }
        let missing = frames.saturating_sub(self.out.len());
        self.out
            .extend(std::iter::repeat_n(Default::default(), missing));
        Low { power: self.out }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measure(hz: f64, block: usize) -> Low {
        let rate = 3000.0;
        let x: Vec<f32> = (0..6000)
            .map(|i| (2.0 * PI * hz * f64::from(i) / rate).sin() as f32)
            .collect();
        let mut meter = LowMeter::new(48_000, 16, 960);
        x.chunks(block).for_each(|part| meter.push(part));
        meter.finish(&[], 100)
    }

    /// A sine of amplitude 1 has the power 1/2; a voice of 100 Hz leaves nothing below 60 Hz.
    #[test]
    fn bands_hold_their_tones_and_keep_the_voice_out() {
        let mean = |low: &Low, band: usize| {
            low.power
                .part(50..90)
                .iter()
                .map(|p| f32::from(p[band]))
                .sum::<f32>()
                / 40.0
        };
        let low = measure(35.0, 480);
        assert!((mean(&low, 0) - 0.5).abs() < 0.02, "{}", mean(&low, 0));
        let voice = measure(100.0, 480);
        assert!(mean(&voice, 0) < 0.5e-2, "{}", mean(&voice, 0));
        assert!((mean(&voice, 1) - 0.5).abs() < 0.03, "{}", mean(&voice, 1));
    }

    #[test]
    fn block_length_changes_nothing_and_the_grid_is_kept() {
        let whole = measure(50.0, 6000);
        assert_eq!(whole.power.len(), 100);
        assert_eq!(measure(50.0, 7).power, whole.power);
        let nothing = LowMeter::new(44_100, 14, 882).finish(&[0.1; 40], 0);
        assert!(nothing.power.is_empty());
    }
}
