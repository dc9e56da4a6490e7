//! A low-rate copy of a stream: linear-phase low-pass and decimation, delay taken out.

use super::lanes::{dot_within, dots_within};
use super::widest::widest;
use super::windows::Windows;

widest! {
    /// Of each `factor` samples the sum of the products with the taps.
    fn sums_of_products<'a, 'b>(out: &'a mut [f32], x: &'b [f32], taps: &'b [f32], factor: usize) {
        let (some, rest) = out.as_chunks_mut::<4>();
        let last = 4 * some.len() * factor;
        for (out, m) in some.iter_mut().zip((0..).step_by(4)) {
            *out = dots_within(&x[m * factor..], factor, taps);
        }
        for (m, out) in rest.iter_mut().enumerate() {
            *out = dot_within(&x[last + m * factor..], taps);
        }
    }
}

/// Lowest rate of the copy, Hz; the copy's rate is the input's divided by the largest whole factor that stays above it.
const LEAST_RATE_HZ: f64 = 3000.0;
/// Length of the filter in output samples.
const TAPS_PER_OUTPUT: usize = 18;

/// Decimates a stream. Output sample `m` lies at input sample `m * factor`; below a third of the output rate the response is
/// flat within 0.1 dB, what folds back there is 70 dB down.
#[derive(Debug, Clone)]
pub struct Decimator {
    factor: usize,
    taps: Vec<f32>,
    // Input of each output sample, from half a filter before it on.
    windows: Windows,
}

impl Decimator {
    /// A decimator for an input rate in Hz.
    pub fn new(rate: u32) -> Decimator {
        let factor = ((f64::from(rate) / LEAST_RATE_HZ).floor() as usize).max(1);
        let half = if factor == 1 {
            0
        } else {
            TAPS_PER_OUTPUT / 2 * factor
        };
        let cutoff = 0.5 / factor as f64;
        let mut taps: Vec<f64> = (0..=2 * half)
            .map(|n| {
                let x = n as f64 - half as f64;
                let sinc = if x == 0.0 {
                    2.0 * cutoff
                } else {
                    (2.0 * std::f64::consts::PI * cutoff * x).sin() / (std::f64::consts::PI * x)
                };
                let phase =
                    2.0 * std::f64::consts::PI * (n as f64 + 1.0) / (2.0 * half as f64 + 2.0);
                sinc * (0.42 - 0.5 * phase.cos() + 0.08 * (2.0 * phase).cos())
            })
            .collect();
        let sum: f64 = taps.iter().sum();
        taps.iter_mut().for_each(|t| *t /= sum);
        Decimator {
            factor,
            windows: Windows::new(2 * half + 1, factor, half),
            taps: taps.into_iter().map(|t| t as f32).collect(),
        }
    }

    /// Input samples per output sample.
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// Take in samples; whatever becomes ready is appended to `out`.
    pub fn push(&mut self, x: &[f32], out: &mut Vec<f32>) {
        self.windows.push_rows(x, |row| {
            let (first, ready) = (out.len(), (row.len() - self.taps.len()) / self.factor + 1);
            out.resize(first + ready, 0.0);
            sums_of_products(&mut out[first..], row, &self.taps, self.factor);
        });
    }

    /// The last output samples; silence follows the end of the input.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        let tail = vec![0.0; self.taps.len() / 2];
        self.push(&tail, out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decimate(x: &[f32], rate: u32, block: usize) -> Vec<f32> {
        let (mut d, mut out) = (Decimator::new(rate), Vec::new());
        x.chunks(block).for_each(|part| d.push(part, &mut out));
        d.finish(&mut out);
        out
    }

    fn sine(hz: f64, rate: u32, n: usize) -> Vec<f32> {
        (0..n)
            .map(|i| (2.0 * std::f64::consts::PI * hz * i as f64 / f64::from(rate)).sin() as f32)
            .collect()
    }

    #[test]
    fn low_tones_pass_at_their_place_and_high_ones_do_not() {
        for rate in [44_100, 48_000, 96_000] {
            let factor = Decimator::new(rate).factor();
            for hz in [30.0, 500.0, 1000.0] {
                let x = sine(hz, rate, rate as usize);
                let y = decimate(&x, rate, 4800);
                assert_eq!(y.len(), x.len().div_ceil(factor));
                for m in 100..y.len() - 100 {
                    assert!((y[m] - x[m * factor]).abs() < 0.012, "{rate} {hz} {m}");
                }
            }
            let y = decimate(&sine(2300.0, rate, rate as usize), rate, 4800);
            assert!(
                y[100..y.len() - 100].iter().all(|v| v.abs() < 1e-3),
                "{rate}"
            );
        }
    }

    #[test]
    fn block_length_changes_nothing() {
        let x = sine(313.0, 48_000, 20_011);
        let whole = decimate(&x, 48_000, x.len());
        for block in [1, 7, 480, 4801] {
            assert_eq!(decimate(&x, 48_000, block), whole);
        }
        assert!(decimate(&[], 48_000, 1).is_empty());
    }
}
