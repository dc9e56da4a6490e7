//! Running integrals of a track, once and twice: what it takes to undo a high-pass at any sample, whichever it was.
//!
//! A high-pass of first order takes off `w` times the integral of what it lets through; one of second order (Butterworth)
//! `sqrt(2) w` times that and `w^2` times the integral of the integral. So what was ahead of it is known at a sample from three
//! numbers ([`Point`]), for every corner.
//!
//! Input: one track, full scale 1.0; any rate, any block length. Both integrals forget below 2 Hz, or an offset would add
//! up: what is restored is what was ahead, without its lowest frequencies. Memory: a pair of numbers each 64 samples of the
//! reach asked for. Silence: zeros. Errors, panics: none.
//! Source: transfer function of the Butterworth high-pass, `s^2 / (s^2 + sqrt(2) w s + w^2)`; integrals by the trapezoidal rule, as
//! the bilinear transform has them.

use super::past::Reach;
use crate::dsp::lanes::dot_within;
use crate::dsp::widest::widest;

/// Samples between the places at which the integrals are kept.
const TILE: usize = 64;
/// Corner below which integrals forget, Hz.
const FORGET_HZ: f64 = 2.0;

/// A sample with the integrals up to it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Point {
    /// The sample, full scale 1.
    pub value: f32,
    /// Its integral, seconds.
    pub once: f32,
    /// The integral of that, square seconds.
    pub twice: f32,
}

/// A high-pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HighPass {
    /// Corner (-3 dB), Hz; 0 is none.
    pub hz: f64,
    /// First or second order.
    pub steep: bool,
}

impl Point {
    /// The same without a constant offset, which adds to the integrals until they forget as much.
    pub fn without(self, offset: f64) -> Point {
        let less = |value: f32, part: f64| (f64::from(value) - part) as f32;
        let e = rad(FORGET_HZ);
        Point {
            value: less(self.value, offset),
            once: less(self.once, offset / e),
            twice: less(self.twice, offset / e.powi(2)),
        }
    }

    /// The value ahead of a high-pass.
    pub fn ahead_of(&self, high_pass: HighPass) -> f64 {
        let (w, e) = (rad(high_pass.hz), rad(FORGET_HZ));
        let (once, twice) = match high_pass.steep {
            _ if high_pass.hz <= 0.0 => (0.0, 0.0),
            false => (w - e, 0.0),
            true => {
                let damped = std::f64::consts::SQRT_2 * w;
                (damped - 2.0 * e, w * w - damped * e + e * e)
            }
        };
        f64::from(self.value) + once * f64::from(self.once) + twice * f64::from(self.twice)
    }
}

fn rad(hz: f64) -> f64 {
    std::f64::consts::TAU * hz
}

/// Sums up to a sample, in samples: of the values, and of those sums.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    once: f64,
    twice: f64,
}

impl Sums {
    /// Both after one more sample.
    fn add(&mut self, x: f32, keep: f64) {
        self.once = keep * self.once + f64::from(x);
        self.twice = keep * self.twice + self.once - 0.5 * f64::from(x);
    }
}

/// Keeps the integrals of the last samples of a track.
#[derive(Debug)]
pub struct Integrals {
    rate: f64,
    /// What is left of a sum after one sample, and after a tile.
    keep: f64,
    left: f64,
    /// What each sample of a tile adds to both sums at its end.
    weights: Box<[[f32; TILE]; 2]>,
    /// Sums at the starts of the last tiles, by the number of the tile.
    kept: Vec<Sums>,
    tiles: u64,
    sums: Sums,
}

impl Integrals {
    /// At rest: integrals are known over the last `reach` samples taken in; `rate` in Hz.
    pub fn new(rate: u32, reach: usize) -> Integrals {
        let rate = f64::from(rate.max(1));
        let keep = (-rad(FORGET_HZ) / rate).exp();
        let mut weights = Box::new([[0f32; TILE]; 2]);
        for i in 0..TILE {
            let left = keep.powi((TILE - 1 - i) as i32);
            weights[0][i] = left as f32;
            weights[1][i] = (left * (TILE as f64 - i as f64 - 0.5)) as f32;
        }
        Integrals {
            rate,
            keep,
            left: keep.powi(TILE as i32),
            weights,
            kept: vec![Sums::default(); reach / TILE + 3],
            tiles: 0,
            sums: Sums::default(),
        }
    }

    /// Take in the samples up to `end`.
    pub fn push(&mut self, reach: Reach<'_>, end: u64) {
        let left = self.left;
        let room = self.kept.len() as u64;
        while (self.tiles + 1) * TILE as u64 <= end {
            let from = reach.place(self.tiles * TILE as u64);
            self.kept[(self.tiles % room) as usize] = self.sums;
            let added = weighted(&reach.x[from..from + TILE], &self.weights);
            let Sums { once, twice } = self.sums;
            self.sums = Sums {
                once: left * once + f64::from(added[0]),
                twice: left * (twice + TILE as f64 * once) + f64::from(added[1]),
            };
            self.tiles += 1;
        }
        self.kept[(self.tiles % room) as usize] = self.sums;
    }

    /// The integrals at a sample within reach that has been taken in.
    pub fn at(&self, reach: Reach<'_>, sample: u64) -> Point {
        let room = self.kept.len() as u64;
        let tile = (sample / TILE as u64).min(self.tiles);
        let mut sums = self.kept[(tile % room) as usize];
        let samples = reach.place(tile * TILE as u64)..=reach.place(sample);
        let value = reach.x[*samples.end()];
        for &x in &reach.x[samples] {
            sums.add(x, self.keep);
        }
        let once = sums.once - 0.5 * f64::from(value);
        Point {
            value,
            once: (once / self.rate) as f32,
            twice: ((sums.twice - 0.5 * once) / self.rate.powi(2)) as f32,
        }
    }
}

widest! {
    fn weighted<'a, 'b>(x: &'a [f32], weights: &'b [[f32; TILE]; 2]) -> [f32; 2] {
        [dot_within(x, &weights[0]), dot_within(x, &weights[1])]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::past::Past;
    use crate::synth::sources::{low_cut_of_second_order, noise};
    use std::f64::consts::TAU;

    /// The points of a track at some samples, however it is cut.
    fn points(x: &[f32], rate: u32, block: usize, every: u64) -> Vec<Point> {
        let reach = 1000;
        let mut integrals = Integrals::new(rate, reach);
        let mut past = Past::new(reach, 4800);
        let mut found = Vec::new();
        for part in x.chunks(block) {
            past.push(part, |reach, new| {
                for sample in reach.end() - new.len() as u64..reach.end() {
                    integrals.push(reach, sample + 1);
                    if sample % every == 0 {
                        found.push(integrals.at(reach, sample));
                    }
                }
            });
        }
        found
    }

    #[test]
    fn what_a_high_pass_took_off_is_back() {
        for rate in [44_100u32, 48_000, 96_000] {
            let fs = f64::from(rate);
            let cut: Vec<f32> = (0..rate)
                .map(|i| (1.4 * (TAU * 170.0 * f64::from(i) / fs).sin()).clamp(-0.5, 0.5) as f32)
                .collect();
            for hz in [60.0, 150.0] {
                let mut y = cut.clone();
                low_cut_of_second_order(&mut y, hz, rate);
                let high_pass = HighPass { hz, steep: true };
                let step = 7;
                let restored = points(&y, rate, 4800, step);
                for (point, cut) in restored
                    .iter()
                    .zip(cut.iter().step_by(step as usize))
                    .skip(4000)
                {
                    let found = point.ahead_of(high_pass);
                    // Half a period of forgetting at 2 Hz, of both integrals, is 3.7 % of the height, in the middle of it none.
                    assert!(
                        (found - f64::from(*cut)).abs() < 0.02,
                        "{rate} {hz}: {found} {cut}"
                    );
                }
            }
        }
    }

    /// After some times the memory of the integrals an offset adds as much as [`Point::without`] takes off.
    #[test]
    fn an_offset_is_taken_off() {
        let offset = 0.01;
        let found = points(&[offset as f32; 96_000], 48_000, 4800, 1000);
        let left = found[95].without(offset);
        let w = rad(150.0);
        for part in [
            left.value.into(),
            w * f64::from(left.once),
            w * w * f64::from(left.twice),
        ] {
            assert!(f64::abs(part) < 1e-3 * offset, "{left:?}");
        }
    }

    #[test]
    fn block_length_changes_nothing_and_silence_is_silence() {
        let x = noise(20_000, 3);
        let whole = points(&x, 48_000, x.len(), 13);
        for block in [1, 63, 480, 4096] {
            assert_eq!(points(&x, 48_000, block, 13), whole);
        }
        let silent = points(&[0.0; 5000], 48_000, 500, 100);
        assert!(silent.iter().all(|p| *p == Point::default()));
    }
}
