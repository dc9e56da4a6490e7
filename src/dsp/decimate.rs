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

    /// Even samples and odd ones, as many of either as there are pairs.
    fn part<'a, 'b>(even: &'a mut [f32], odd: &'a mut [f32], x: &'b [f32]) {
        for ((even, odd), x) in even.iter_mut().zip(odd).zip(x.as_chunks::<2>().0) {
            (*even, *odd) = (x[0], x[1]);
        }
    }

    /// Half-band filter: the middle tap falls on odd samples, all others on even ones.
    fn halve<'a, 'b>(out: &'a mut [f32], even: &'b [f32], odd: &'b [f32]) {
        let n = out.len();
        let odd = &odd[2..n + 2];
        let (a, b, c) = (&even[..n], &even[1..n + 1], &even[2..n + 2]);
        let (d, e, f) = (&even[3..n + 3], &even[4..n + 4], &even[5..n + 5]);
        let [near, far, last] = HALF_BAND;
        for k in 0..n {
            out[k] = 0.5 * odd[k]
                + (near * (c[k] + d[k]) + far * (b[k] + e[k]))
                + last * (a[k] + f[k]);
        }
    }
}

/// Lowest rate of the copy, Hz; the copy's rate is the input's divided by the largest whole factor that stays above it.
const LEAST_RATE_HZ: f64 = 3000.0;
/// Length of the last filter in output samples.
const TAPS_PER_OUTPUT: usize = 18;
/// Rate down to which halving goes, in rates of the copy: what folds onto its band then comes from where little passes.
const LEAST_HALVED: usize = 4;
/// Taps of the maximally flat half-band filter of eleven taps at distances 1, 3 and 5 from the middle one, which is a half; those
/// between are 0. An eighth of the output rate off its rate it passes nothing over -70 dB.
const HALF_BAND: [f32; 3] = [150.0 / 512.0, -25.0 / 512.0, 3.0 / 512.0];
/// Samples on either side of the middle one.
const HALF_BAND_REACH: usize = 5;

/// Leaves every other sample of a stream.
#[derive(Debug, Clone)]
struct Halving {
    windows: Windows,
    even: Vec<f32>,
    odd: Vec<f32>,
    /// What became ready last.
    out: Vec<f32>,
}

impl Halving {
    fn new() -> Halving {
        Halving {
            windows: Windows::new(2 * HALF_BAND_REACH + 1, 2, HALF_BAND_REACH),
            even: Vec::new(),
            odd: Vec::new(),
            out: Vec::new(),
        }
    }

    fn push(&mut self, x: &[f32]) {
        let Halving {
            windows,
            even,
            odd,
            out,
        } = self;
        let mut ready = 0;
        windows.push_rows(x, |row| {
            // The last even sample has no odd one behind it. Memory only grows: what is there is written over.
            let pairs = row.len() / 2;
            let room = |memory: &mut Vec<f32>, to: usize| memory.resize(memory.len().max(to), 0.0);
            room(even, pairs + 1);
            room(odd, pairs);
            part(&mut even[..pairs], &mut odd[..pairs], row);
            even[pairs] = row[row.len() - 1];
            let first = ready;
            ready += pairs + 1 - HALF_BAND_REACH;
            room(out, ready);
            halve(&mut out[first..ready], even, odd);
        });
        out.truncate(ready);
    }
}

/// Decimates a stream. Output sample `m` lies at input sample `m * factor`; below a third of the output rate the response is
/// flat within 0.1 dB, what folds back there is 70 dB down.
#[derive(Debug, Clone)]
pub struct Decimator {
    factor: usize,
    halvings: Vec<Halving>,
    /// What the last filter leaves out of what the halvings leave.
    rest: usize,
    taps: Vec<f32>,
    // Input of each output sample, from half a filter before it on.
    windows: Windows,
}

impl Decimator {
    /// A decimator for an input rate in Hz.
    pub fn new(rate: u32) -> Decimator {
        let factor = ((f64::from(rate) / LEAST_RATE_HZ).floor() as usize).max(1);
        let mut rest = factor;
        let mut halvings = Vec::new();
        while rest.is_multiple_of(2) && rest / 2 >= LEAST_HALVED {
            rest /= 2;
            halvings.push(Halving::new());
        }
        let half = if factor == 1 {
            0
        } else {
            TAPS_PER_OUTPUT / 2 * rest
        };
        Decimator {
            factor,
            halvings,
            rest,
            windows: Windows::new(2 * half + 1, rest, half),
            taps: low_pass(rest, half),
        }
    }

    /// Input samples per output sample.
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// Take in samples; whatever becomes ready is appended to `out`.
    pub fn push(&mut self, x: &[f32], out: &mut Vec<f32>) {
        let mut x = x;
        for halving in &mut self.halvings {
            halving.push(x);
            x = &halving.out;
        }
        let (taps, rest) = (&self.taps, self.rest);
        self.windows.push_rows(x, |row| {
            let (first, ready) = (out.len(), (row.len() - taps.len()) / rest + 1);
            out.resize(first + ready, 0.0);
            sums_of_products(&mut out[first..], row, taps, rest);
        });
    }

    /// The last output samples; silence follows the end of the input.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        // Each filter wants the samples it reaches ahead for: those of the first come out of it before its own do of the next.
        while !self.halvings.is_empty() {
            self.push(&[0.0; HALF_BAND_REACH], out);
            self.halvings.remove(0);
        }
        let tail = vec![0.0; self.taps.len() / 2];
        self.push(&tail, out);
    }
}

/// Low-pass at half the output rate that reaches `half` samples to either side.
fn low_pass(factor: usize, half: usize) -> Vec<f32> {
    let cutoff = 0.5 / factor as f64;
    let tap = |n: usize| {
        let x = n as f64 - half as f64;
        let sinc = if x == 0.0 {
            2.0 * cutoff
        } else {
            (2.0 * std::f64::consts::PI * cutoff * x).sin() / (std::f64::consts::PI * x)
        };
        let phase = 2.0 * std::f64::consts::PI * (n as f64 + 1.0) / (2.0 * half as f64 + 2.0);
        sinc * (0.42 - 0.5 * phase.cos() + 0.08 * (2.0 * phase).cos())
    };
    let taps: Vec<f64> = (0..=2 * half).map(tap).collect();
    let sum: f64 = taps.iter().sum();
    taps.into_iter().map(|t| (t / sum) as f32).collect()
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
