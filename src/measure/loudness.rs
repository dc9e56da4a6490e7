//! Loudness after ITU-R BS.1770 and EBU R 128: K-weighted power in steps, gated and ranked afterwards.
//!
//! Input: one channel, full scale 1.0; any rate above 8 kHz, any block length. Output: [`Loudness`], from which integrated,
//! momentary and short-term loudness and the loudness range follow. A track of a take is one channel of weight 1: a mono file
//! reads 3.01 LU below the same signal on two channels. Several channels are joined by [`weighted`].
//! Bad input: silence gives minus infinity. Errors, panics: none. Cost: two biquads a sample; memory one number a step.
//! Source: ITU-R BS.1770-5 annex 1; EBU Tech 3341 (2023), Tech 3342 (2023); filters at other rates as derived in libebur128.

use pulp::Simd;

use super::make_room;
use crate::dsp::biquad::{Biquad, InStep, gather, in_step, lane};
use crate::units;

/// Steps a second for tracks of a take: the blocks of the integrated loudness start every 100 ms.
const STEPS_PER_S: u32 = 10;
const ABSOLUTE_GATE_LUFS: f64 = -70.0;
const RELATIVE_GATE_LU: f64 = -10.0;
const RANGE_GATE_LU: f64 = -20.0;

/// A second-order section, `a0 = 1`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    /// Feed-forward coefficients.
    pub b: [f64; 3],
    /// Feedback coefficients a1, a2.
    pub a: [f64; 2],
}

impl Section {
    /// Gain in dB at a frequency in Hz.
    pub fn gain_db(&self, hz: f64, rate: f64) -> f64 {
        let w = 2.0 * std::f64::consts::PI * hz / rate;
        let at = |c: [f64; 3]| {
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = c[1] * w.sin() + c[2] * (2.0 * w).sin();
            re * re + im * im
        };
        units::power_db(at(self.b) / at([1.0, self.a[0], self.a[1]]))
    }
}

/// The two sections of the K-weighting (high shelf, then high-pass) at a rate in Hz.
pub fn k_weighting(rate: f64) -> [Section; 2] {
    let shelf = {
        let (f0, gain_db, q) = (1681.974450955533, 3.999843853973347, 0.7071752369554196);
        let k = (std::f64::consts::PI * f0 / rate).tan();
        let vh = units::amplitude(gain_db);
        let vb = vh.powf(0.4996667741545416);
        let a0 = 1.0 + k / q + k * k;
        Section {
            b: [
                (vh + vb * k / q + k * k) / a0,
                2.0 * (k * k - vh) / a0,
                (vh - vb * k / q + k * k) / a0,
            ],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
        }
    };
    let high_pass = {
        let (f0, q) = (38.13547087602444, 0.5003270373238773);
        let k = (std::f64::consts::PI * f0 / rate).tan();
        let a0 = 1.0 + k / q + k * k;
        Section {
            // As printed for 48 kHz: the feed-forward side is not divided by a0.
            b: [1.0, -2.0, 1.0],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
        }
    };
    [shelf, high_pass]
}

/// K-weighted power of one channel, or of several joined by [`weighted`].
#[derive(Debug, Clone, PartialEq)]
pub struct Loudness {
    steps_per_s: u32,
    /// Mean square of each whole step after weighting.
    power: Vec<f64>,
}

fn lufs(power: f64) -> f64 {
    -0.691 + units::power_db(power)
}

fn power_of(lufs: f64) -> f64 {
    units::power(lufs + 0.691)
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, n) = values.fold((0.0, 0usize), |(s, n), v| (s + v, n + 1));
    (n > 0).then(|| sum / n as f64)
}

impl Loudness {
    /// Mean powers over `length` steps, starting every `hop` steps; unfinished ones are left out.
    fn blocks(&self, length: usize, hop: usize) -> impl Iterator<Item = f64> + '_ {
        self.power
            .windows(length.max(1))
            .step_by(hop.max(1))
            .map(|w| w.iter().sum::<f64>() / w.len() as f64)
    }

    fn steps(&self, ms: u32) -> usize {
        (ms * self.steps_per_s / 1000) as usize
    }

    /// Gated loudness of the whole, LUFS; minus infinity when nothing passes the gates or for less than 400 ms.
    pub fn integrated_lufs(&self) -> f64 {
        let blocks = || {
            self.blocks(self.steps(400), self.steps(100))
                .filter(|&p| p > power_of(ABSOLUTE_GATE_LUFS))
        };
        let Some(ungated) = mean(blocks()) else {
            return f64::NEG_INFINITY;
        };
        let gate = ungated * units::power(RELATIVE_GATE_LU);
        mean(blocks().filter(|&p| p > gate)).map_or(f64::NEG_INFINITY, lufs)
    }

    /// Momentary loudness (400 ms) ending at each step from the first full one on, LUFS.
    pub fn momentary_lufs(&self) -> Vec<f64> {
        self.blocks(self.steps(400), 1).map(lufs).collect()
    }

    /// Short-term loudness (3 s) ending at each step from the first full one on, LUFS.
    pub fn short_term_lufs(&self) -> Vec<f64> {
        self.blocks(self.steps(3000), 1).map(lufs).collect()
    }

    /// Loudness range, LU; `None` below 3 s and for silence. Of little use below a minute.
    pub fn range_lu(&self) -> Option<f64> {
        let mut loud: Vec<f64> = self
            .blocks(self.steps(3000), self.steps(100))
            .filter(|&p| p > power_of(ABSOLUTE_GATE_LUFS))
            .collect();
        let gate = mean(loud.iter().copied())? * units::power(RANGE_GATE_LU);
        loud.retain(|&p| p > gate);
        loud.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let place = share * (loud.len() - 1) as f64;
            let (low, part) = (place.floor() as usize, place.fract());
            let high = (low + 1).min(loud.len() - 1);
            lufs(loud[low]) * (1.0 - part) + lufs(loud[high]) * part
        };
        (!loud.is_empty()).then(|| at(0.95) - at(0.10))
    }
}

/// Channels of one programme joined: powers added with the weights of the Recommendation (1 for left, right and centre, 1.41
/// for the surrounds, 0 for the low-frequency channel). `None` for no channels or for different steps or lengths.
pub fn weighted(channels: &[(&Loudness, f64)]) -> Option<Loudness> {
    let (first, _) = channels.first()?;
    let alike = channels
        .iter()
        .all(|(c, _)| c.steps_per_s == first.steps_per_s && c.power.len() == first.power.len());
    alike.then(|| Loudness {
        steps_per_s: first.steps_per_s,
        power: (0..first.power.len())
            .map(|i| channels.iter().map(|(c, g)| g * c.power[i]).sum())
            .collect(),
    })
}

/// Measures [`Loudness`]. Block lengths do not change the result.
#[derive(Debug)]
pub struct LoudnessMeter {
    rate: u64,
    steps_per_s: u32,
    sections: [Section; 2],
    state: [[f64; 2]; 2],
    sum: f64,
    at: u64,
    step_start: u64,
    step_end: u64,
    power: Vec<f64>,
}

impl LoudnessMeter {
    /// A meter at rest with steps of 100 ms; `rate` in Hz.
    pub fn new(rate: u32) -> LoudnessMeter {
        LoudnessMeter::with_steps(rate, STEPS_PER_S)
    }

    /// A meter at rest with `steps_per_s` steps a second, a multiple of 10. With 100 the largest momentary and short-term
    /// loudness is found wherever it lies (EBU Tech 3341, signals 10 and 13).
    pub fn with_steps(rate: u32, steps_per_s: u32) -> LoudnessMeter {
        let mut meter = LoudnessMeter {
            rate: u64::from(rate.max(1)),
            steps_per_s: steps_per_s.max(1),
            sections: k_weighting(f64::from(rate.max(1))),
            state: [[0.0; 2]; 2],
            sum: 0.0,
            at: 0,
            step_start: 0,
            step_end: 0,
            power: Vec::new(),
        };
        meter.step_end = meter.edge(1);
        meter
    }

    /// Make room for so many samples.
    pub(super) fn expect(&mut self, samples: u64) {
        let step = self.edge(1) as usize;
        make_room(&mut self.power, samples, step);
    }

    /// First sample of a step; exact for rates that no step divides.
    fn edge(&self, step: u64) -> u64 {
        (step * self.rate / u64::from(self.steps_per_s)).max(step)
    }

    /// Take in samples.
    pub fn push(&mut self, x: &[f32]) {
        in_step(&mut [self], &[x]);
    }

    fn advance(&mut self, samples: u64) {
        self.at += samples;
        if self.at < self.step_end {
            return;
        }
        let [shelf, high] = self.sections;
        let gain = (shelf.b[0] * high.b[0]).powi(2);
        self.power
            .push(gain * self.sum / (self.step_end - self.step_start) as f64);
        self.sum = 0.0;
        // A decaying filter must not crawl through denormal numbers.
        for state in self.state.as_flattened_mut() {
            if state.abs() < 1e-30 {
                *state = 0.0;
            }
        }
        self.step_start = self.step_end;
        self.step_end = self.edge(self.power.len() as u64 + 1);
    }

    /// Everything measured.
    pub fn finish(self) -> Loudness {
        Loudness {
            steps_per_s: self.steps_per_s,
            power: self.power,
        }
    }
}

impl InStep for LoudnessMeter {
    #[inline(always)]
    fn push_lanes<S: Simd>(simd: S, meters: &mut [&mut LoudnessMeter], mut x: &[S::f64s]) {
        while !x.is_empty() {
            let room = (meters[0].step_end - meters[0].at) as usize;
            let (now, later) = x.split_at(x.len().min(room));
            let streams = meters.len();
            let [Section { b, a }, high] = meters[0].sections;
            let mut shelf = Biquad::resume(simd, b, a, streams, |l| meters[l].state[0]);
            let mut high_pass =
                Biquad::resume(simd, high.b, high.a, streams, |l| meters[l].state[1]);
            let mut sum = gather(simd, streams, |l| meters[l].sum);
            for &v in now {
                let y = shelf.next(simd, v);
                let z = high_pass.next(simd, y);
                sum = simd.add_f64s(sum, simd.mul_f64s(z, z));
            }
            let (shelf, high_pass) = (shelf.states(), high_pass.states());
            for (l, meter) in meters.iter_mut().enumerate() {
                meter.state = [shelf(l), high_pass(l)];
                meter.sum = lane::<S>(&sum, l);
                meter.advance(now.len() as u64);
            }
            x = later;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(hz: f64, dbfs: f64, rate: u32, seconds: f64) -> Vec<f32> {
        let n = (seconds * f64::from(rate)) as usize;
        (0..n)
            .map(|i| {
                (units::amplitude(dbfs)
                    * (2.0 * std::f64::consts::PI * hz * i as f64 / f64::from(rate)).sin())
                    as f32
            })
            .collect()
    }

    fn measure(x: &[f32], rate: u32, block: usize) -> Loudness {
        let mut meter = LoudnessMeter::new(rate);
        x.chunks(block).for_each(|part| meter.push(part));
        meter.finish()
    }

    /// 997 Hz at 0 dBFS in one channel reads -3.010 LUFS at 48 kHz (BS.1770 annex 1, calibration); the high-pass as printed,
    /// not divided by a0, moves other rates by up to 0.03 LU, as in the reference library.
    #[test]
    fn one_channel_of_full_scale_sine_reads_minus_three() {
        for rate in [44_100, 47_952, 48_000, 96_000, 192_000] {
            let loudness = measure(&sine(997.0, 0.0, rate, 5.0), rate, 4800);
            let reading = loudness.integrated_lufs();
            let off = if rate == 48_000 { 0.005 } else { 0.035 };
            assert!((reading + 3.010).abs() < off, "{rate}: {reading}");
        }
    }

    #[test]
    fn silence_and_short_takes_have_no_loudness() {
        for n in [0, 1, 19_000, 48_000] {
            let loudness = measure(&vec![0.0; n], 48_000, 480);
            assert_eq!(loudness.integrated_lufs(), f64::NEG_INFINITY);
            assert_eq!(loudness.range_lu(), None);
        }
        let short = measure(&sine(997.0, -20.0, 48_000, 0.39), 48_000, 480);
        assert_eq!(short.integrated_lufs(), f64::NEG_INFINITY);
    }

    #[test]
    fn block_length_changes_nothing() {
        let x = sine(440.0, -12.0, 47_952, 3.3);
        let whole = measure(&x, 47_952, x.len());
        for block in [1, 63, 480, 4096] {
            assert_eq!(measure(&x, 47_952, block).power, whole.power);
        }
    }

    #[test]
    fn joining_needs_channels_alike() {
        let a = measure(&sine(440.0, -12.0, 48_000, 1.0), 48_000, 480);
        let b = measure(&sine(440.0, -12.0, 48_000, 2.0), 48_000, 480);
        assert!(weighted(&[]).is_none());
        assert!(weighted(&[(&a, 1.0), (&b, 1.0)]).is_none());
        let both = weighted(&[(&a, 1.0), (&a, 1.0)]).unwrap();
        assert!((both.integrated_lufs() - a.integrated_lufs() - 3.0103).abs() < 1e-3);
    }
}
