//! Levels below the voice, finer in frequency than the shared frames: 20 to 60 Hz and 60 to 130 Hz every 20 ms.
//!
//! The 43 ms window of the frames smears a voice of 90 Hz down to 50 Hz. Here the bands are cut by filters on the low-rate copy.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use super::make_room;
use crate::dsp::compact::Power16;

/// Number of bands.
pub const LOW_BANDS: usize = 2;
/// Edges of the bands, Hz.
pub const LOW_EDGES_HZ: [(f64, f64); LOW_BANDS] = [(20.0, 60.0), (60.0, 130.0)];

/// Mean square per frame in each of [`LOW_EDGES_HZ`]; as many entries as the frame grid has frames.
#[derive(Debug, Clone, Default)]
pub struct Low {
    /// Full scale 1; 0 for silence.
    pub power: Vec<[Power16; LOW_BANDS]>,
}

/// One second-order section in transposed direct form II.
#[derive(Debug, Clone)]
struct Section {
    b: [f64; 3],
    a: [f64; 2],
    state: [f64; 2],
}

impl Section {
    /// Bilinear transform of a second-order Butterworth-family section.
    fn new(high_pass: bool, hz: f64, q: f64, rate: f64) -> Section {
        let w = 2.0 * PI * (hz / rate).min(0.49);
        let alpha = w.sin() / (2.0 * q);
        let (cos, a0) = (w.cos(), 1.0 + alpha);
        let b = if high_pass {
            let g = (1.0 + cos) / 2.0;
            [g, -2.0 * g, g]
        } else {
            let g = (1.0 - cos) / 2.0;
            [g, 2.0 * g, g]
        };
        Section {
            b: b.map(|v| v / a0),
            a: [-2.0 * cos / a0, (1.0 - alpha) / a0],
            state: [0.0; 2],
        }
    }

    fn run(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.state[0];
        self.state[0] = self.b[1] * x - self.a[0] * y + self.state[1];
        self.state[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

/// Sections of a sixth-order Butterworth low-pass and a fourth-order high-pass.
fn band(low_hz: f64, high_hz: f64, rate: f64) -> Vec<Section> {
    let mut sections: Vec<Section> = [0.541_196_1, 1.306_563]
        .map(|q| Section::new(true, low_hz, q, rate))
        .into();
    sections.extend(
        [0.517_638_1, FRAC_1_SQRT_2, 1.931_851_7].map(|q| Section::new(false, high_hz, q, rate)),
    );
    sections
}

/// Measures [`Low`] on the low-rate copy.
#[derive(Debug, Clone)]
pub struct LowMeter {
    bands: Vec<Vec<Section>>,
    hop: u64,
    factor: u64,
    at: u64,
    sum: [f64; LOW_BANDS],
    count: u32,
    out: Vec<[Power16; LOW_BANDS]>,
}

impl LowMeter {
    /// A meter for a copy of `rate / factor` Hz and frames of `hop` input samples.
    pub fn new(rate: u32, factor: usize, hop: usize) -> LowMeter {
        let low_rate = f64::from(rate) / factor as f64;
        LowMeter {
            bands: LOW_EDGES_HZ
                .iter()
                .map(|&(low, high)| band(low, high, low_rate))
                .collect(),
            hop: hop as u64,
            factor: factor as u64,
            at: 0,
            sum: [0.0; LOW_BANDS],
            count: 0,
            out: Vec::new(),
        }
    }

    /// Make room for so many samples of the track.
    pub(super) fn expect(&mut self, samples: u64) {
        make_room(&mut self.out, samples, self.hop as usize);
    }

    /// Take in samples of the copy.
    pub fn push(&mut self, x: &[f32]) {
        for &sample in x {
            let frame = self.at * self.factor / self.hop;
            if frame as usize > self.out.len() {
                self.close();
            }
            for (sum, sections) in self.sum.iter_mut().zip(&mut self.bands) {
                let y = sections
                    .iter_mut()
                    .fold(f64::from(sample), |x, section| section.run(x));
                *sum += y * y;
            }
            self.count += 1;
            self.at += 1;
        }
    }

    fn close(&mut self) {
        let count = f64::from(self.count.max(1));
        self.out
            .push(self.sum.map(|s| Power16::from((s / count) as f32)));
        self.sum = [0.0; LOW_BANDS];
        self.count = 0;
    }

    /// Everything measured, for a grid of `frames` frames.
    pub fn finish(mut self, frames: usize) -> Low {
        if self.count > 0 {
            self.close();
        }
        self.out.resize(frames, Default::default());
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
        meter.finish(100)
    }

    /// A sine of amplitude 1 has the power 1/2; a voice of 100 Hz leaves nothing below 60 Hz.
    #[test]
    fn bands_hold_their_tones_and_keep_the_voice_out() {
        let mean = |low: &Low, band: usize| {
            low.power[50..90]
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
        assert!(LowMeter::new(44_100, 14, 882).finish(0).power.is_empty());
    }
}
