//! Runs of equal samples at the top of a wave, gathered by value: a converter's or a file's rail shows as one value on which
//! waves stop again and again.
//!
//! Input: one track; integer codes where samples cannot hold them, else the bits of the samples; any block length.
//! Output: [`Rails`]. A run is two or more equal samples that stand out from both neighbours, above a tenth of the largest
//! sample so far; what a run means is for others to say. Errors, panics: none. Cost: two comparisons a sample; memory 16 bytes
//! a run, at most [`MOST_RUNS`].
//! Source: run counting; the chance runs of a smooth wave follow from the curvature of its top (see [`chance_run`]).

use super::tiles::{TILE, Tiles};
use super::{Frames, Signal};
use crate::report::model::SampleFormat;

/// Largest number of runs kept; a signal that reaches it is a square wave, not speech.
pub const MOST_RUNS: usize = 1 << 20;
/// Runs below this share of the track's largest sample are forgotten: -20 dB.
const FORGOTTEN_BELOW: f32 = 0.1;

/// A run of equal samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// First sample.
    pub start: u64,
    /// Number of samples, 2 or more.
    pub len: u32,
}

/// All runs on one value.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// The value, signed, full scale 1.
    pub value: f32,
    /// Whether it is the outermost code of the file's integers.
    pub full_scale: bool,
    /// Whether no sample of the track goes beyond it on its side.
    pub outermost: bool,
    /// Runs in order of start.
    pub runs: Vec<Run>,
}

impl Level {
    /// Samples in all runs.
    pub fn samples(&self) -> u64 {
        self.runs.iter().map(|r| u64::from(r.len)).sum()
    }

    /// Longest run.
    pub fn longest(&self) -> u32 {
        self.runs.iter().map(|r| r.len).max().unwrap_or(0)
    }
}

/// Runs of a track, by value, from the largest magnitude down.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Rails {
    /// Values that recur in runs, or hold one run of at least three, or are the outermost of the track or of the file's codes.
    pub levels: Vec<Level>,
}

/// Samples that a sine of `hz` and amplitude `peak` stays within one step `2^-(bits-1)` of its top: `(fs/(pi f)) sqrt(2 step / A)`.
pub fn chance_run(hz: f64, peak: f64, bits: u16, rate: u32) -> f64 {
    let step = 2f64.powi(1 - i32::from(bits.clamp(2, 32)));
    f64::from(rate) / (std::f64::consts::PI * hz) * (2.0 * step / peak.max(step)).sqrt()
}

/// A rail: one magnitude on which waves stop, on one side or on both.
#[derive(Debug, Clone, PartialEq)]
pub struct Rail {
    /// Magnitude, full scale 1.
    pub value: f32,
    /// Whether waves stop there above and below zero.
    pub both_sides: bool,
    /// How much speaks for it: 1 for what chance cannot make, less for a single short run.
    pub weight: f64,
    /// Runs in order of start.
    pub runs: Vec<Run>,
}

impl Rail {
    /// Samples in all runs.
    pub fn samples(&self) -> u64 {
        self.runs.iter().map(|r| u64::from(r.len)).sum()
    }

    /// Longest run.
    pub fn longest(&self) -> u32 {
        self.runs.iter().map(|r| r.len).max().unwrap_or(0)
    }
}

/// Integer files have their rail within this of full scale; a stop further down lies before the recorder.
pub const RAIL_WITHIN_DB: f64 = 1.0;
/// A wave top is shorter than this; longer equal samples are a hold.
const LONGEST_TOP_S: f64 = 0.05;
/// Above this share of the frames concerned a signal is a square wave by itself.
const SQUARE_SHARE: f64 = 0.85;
/// Lowest voice whose smooth tops must not look pinned at 16 bit.
const LOWEST_VOICE_HZ: f64 = 80.0;

impl Rails {
    /// The values on which waves were pinned, proven against chance; from the largest down.
    ///
    /// At 20 bits and more three equal samples on a top, or two tops on the very same value, do not happen by themselves; at
    /// fewer bits low notes rest on one code, so that longer runs or more of them are needed. What the track goes beyond in
    /// more frames than a third of the runs is no rail.
    pub fn pinned(&self, signal: Signal, frames: &Frames) -> Vec<Rail> {
        let mut rails: Vec<Rail> = Vec::new();
        let mut used = vec![false; self.levels.len()];
        let step = match signal.format {
            SampleFormat::Int => 2f32.powi(1 - i32::from(signal.bits.clamp(2, 32))),
            SampleFormat::Float => 0.0,
        };
        for i in 0..self.levels.len() {
            if used[i] {
                continue;
            }
            let level = &self.levels[i];
            let twin = (i + 1..self.levels.len()).find(|&j| {
                let other = &self.levels[j];
                other.value.signum() != level.value.signum()
                    && (other.value.abs() - level.value.abs()).abs() <= 1.5 * step
            });
            let mut runs = level.runs.clone();
            if let Some(j) = twin {
                used[j] = true;
                runs.extend(&self.levels[j].runs);
                runs.sort_by_key(|r| r.start);
            }
            runs.retain(|r| f64::from(r.len) <= LONGEST_TOP_S * f64::from(signal.rate));
            let value = level.value.abs();
            let outermost = level.outermost;
            if let Some(weight) = weight(signal, value, level.full_scale, outermost, &runs) {
                let rail = Rail {
                    value,
                    both_sides: twin.is_some(),
                    weight,
                    runs,
                };
                if !exceeded(&rail, frames, outermost) && !square(&rail, frames) {
                    rails.push(rail);
                }
            }
        }
        rails
    }

    /// [`Rails::pinned`], for integer files those within [`RAIL_WITHIN_DB`] of full scale only: what clips in the recorder.
    pub fn clipped(&self, signal: Signal, frames: &Frames) -> Vec<Rail> {
        let least = match signal.format {
            SampleFormat::Int => crate::units::amplitude(-RAIL_WITHIN_DB),
            SampleFormat::Float => 0.0,
        };
        let mut rails = self.pinned(signal, frames);
        rails.retain(|r| f64::from(r.value) >= least);
        rails
    }
}

/// What runs on one magnitude prove; `None` for nothing.
fn weight(
    signal: Signal,
    value: f32,
    full_scale: bool,
    outermost: bool,
    runs: &[Run],
) -> Option<f64> {
    let longest = runs.iter().map(|r| r.len).max()?;
    let integer = signal.format == SampleFormat::Int;
    let fine = !integer || signal.bits >= 20;
    if fine {
        let proven = runs.len() >= 2 || (integer && longest >= 3 && outermost);
        let likely = integer && outermost && (full_scale || runs.len() == 1);
        return if proven {
            Some(1.0)
        } else if likely {
            Some(if full_scale { 0.95 } else { 0.8 })
        } else {
            None
        };
    }
    let chance = chance_run(LOWEST_VOICE_HZ, f64::from(value), signal.bits, signal.rate);
    let enough = 3 + chance.ceil() as u32;
    let long = runs.iter().filter(|r| r.len >= enough).count();
    (long >= 2 || (long >= 1 && outermost) || (runs.len() >= 6 && longest >= 3)).then_some(1.0)
}

/// Whether the track goes beyond the rail in too many frames for it to be one.
fn exceeded(rail: &Rail, frames: &Frames, outermost: bool) -> bool {
    if outermost {
        return false;
    }
    let beyond = frames
        .peak
        .iter()
        .filter(|&p| p > rail.value * 1.003)
        .count();
    3 * beyond > rail.runs.len()
}

/// Whether the frames concerned are spent on the rail nearly all of the time.
fn square(rail: &Rail, frames: &Frames) -> bool {
    let hop = frames.grid.hop.max(1) as u64;
    let mut concerned: Vec<u64> = rail.runs.iter().map(|r| r.start / hop).collect();
    concerned.dedup();
    concerned.len() > 2
        && rail.samples() as f64 > SQUARE_SHARE * (concerned.len() as u64 * hop) as f64
}

/// What a sample without a code is known by.
fn key(sample: f32) -> i32 {
    sample.to_bits() as i32
}

/// Measures [`Rails`]. Block lengths do not change the result.
#[derive(Debug)]
pub struct RailsMeter {
    /// Whether codes are the keys of values; else the bits of the samples are.
    by_code: bool,
    /// Keys of the outermost codes; `None` for float.
    outermost: Option<(i32, i32)>,
    at: u64,
    peak: f32,
    highest: f32,
    lowest: f32,
    last: i32,
    last_x: f32,
    before_x: f32,
    len: u32,
    next_prune: usize,
    found: Vec<(i32, f32, Run)>,
}

impl RailsMeter {
    /// A meter at rest.
    pub fn new(signal: Signal) -> RailsMeter {
        let by_code = signal.codes_apart();
        let outermost = (signal.format == SampleFormat::Int).then(|| {
            let top = 1i64 << (signal.bits.clamp(2, 32) - 1);
            let key = |code: i64| match by_code {
                true => code as i32,
                false => key(code as f32 / top as f32),
            };
            (key(-top), key(top - 1))
        });
        RailsMeter {
            by_code,
            outermost,
            at: 0,
            peak: 0.0,
            highest: 0.0,
            lowest: 0.0,
            last: 0,
            last_x: 0.0,
            before_x: 0.0,
            len: 0,
            next_prune: 4096,
            found: Vec::new(),
        }
    }

    /// Take in samples and what their tiles show; `codes` are empty where samples hold them.
    pub fn push(&mut self, x: &[f32], codes: &[i32], tiles: &Tiles) {
        if self.by_code && codes.len() == x.len() {
            self.tiles(x, |i| codes[i], tiles);
        } else {
            self.tiles(x, |i| key(x[i]), tiles);
        }
    }

    /// Tiles in which no two samples are equal, nearly all of them, move the peaks only.
    #[inline(always)]
    fn tiles(&mut self, x: &[f32], key: impl Fn(usize) -> i32, tiles: &Tiles) {
        for (n, tile) in tiles.iter().enumerate() {
            let from = n * TILE;
            let to = (from + TILE).min(x.len());
            // Equal codes have equal samples.
            if tile.twice || self.len > 1 || (self.len == 1 && key(from) == self.last) {
                (from..to).for_each(|i| self.sample(x[i], key(i)));
                continue;
            }
            self.highest = self.highest.max(tile.high);
            self.lowest = self.lowest.min(tile.low);
            self.peak = self.peak.max(tile.high).max(-tile.low);
            self.before_x = if to - from > 1 {
                x[to - 2]
            } else {
                self.last_x
            };
            (self.last, self.last_x, self.len) = (key(to - 1), x[to - 1], 1);
            self.at += (to - from) as u64;
        }
    }

    fn sample(&mut self, v: f32, key: i32) {
        if key == self.last && self.len > 0 {
            self.len += 1;
        } else {
            if self.len > 1 {
                self.close(v);
            }
            self.before_x = self.last_x;
            self.last = key;
            self.last_x = v;
            self.len = 1;
            self.peak = self.peak.max(v.abs());
            self.highest = self.highest.max(v);
            self.lowest = self.lowest.min(v);
        }
        self.at += 1;
    }

    /// A run ends; `next` is the sample after it.
    fn close(&mut self, next: f32) {
        let v = self.last_x;
        let stands_out = if v > 0.0 {
            self.before_x < v && next < v
        } else {
            self.before_x > v && next > v
        };
        if !stands_out || v.abs() < FORGOTTEN_BELOW * self.peak || self.found.len() >= MOST_RUNS {
            return;
        }
        let run = Run {
            start: self.at - u64::from(self.len),
            len: self.len,
        };
        self.found.push((self.last, v, run));
        if self.found.len() >= self.next_prune {
            let least = FORGOTTEN_BELOW * self.peak;
            self.found.retain(|(_, v, _)| v.abs() >= least);
            self.next_prune = (2 * self.found.len()).max(4096);
        }
    }

    /// Everything measured.
    pub fn finish(mut self) -> Rails {
        if self.len > 1 {
            self.close(0.0);
        }
        let least = FORGOTTEN_BELOW * self.peak;
        self.found.retain(|(_, v, _)| v.abs() >= least);
        self.found.sort_by(|a, b| {
            b.1.abs()
                .total_cmp(&a.1.abs())
                .then(a.0.cmp(&b.0))
                .then(a.2.start.cmp(&b.2.start))
        });
        let mut levels: Vec<(i32, Level)> = Vec::new();
        for (key, value, run) in self.found {
            match levels.last_mut() {
                Some((k, level)) if *k == key => level.runs.push(run),
                _ => levels.push((
                    key,
                    Level {
                        value,
                        full_scale: self
                            .outermost
                            .is_some_and(|(low, high)| key == low || key == high),
                        outermost: value >= self.highest || value <= self.lowest,
                        runs: vec![run],
                    },
                )),
            }
        }
        Rails {
            levels: levels
                .into_iter()
                .map(|(_, level)| level)
                .filter(|l| l.outermost || l.full_scale || l.runs.len() > 1 || l.longest() > 2)
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signal(bits: u16, format: SampleFormat) -> Signal {
        let rate = 48_000;
        Signal { rate, bits, format }
    }

    fn codes_of(x: &[f64], bits: u16) -> (Vec<f32>, Vec<i32>) {
        let top = f64::from(1u32 << (bits - 1));
        let codes: Vec<i32> = x
            .iter()
            .map(|v| (v * top).round().clamp(-top, top - 1.0) as i32)
            .collect();
        (
            codes.iter().map(|&c| (f64::from(c) / top) as f32).collect(),
            codes,
        )
    }

    fn measure(x: &[f64], bits: u16, block: usize) -> Rails {
        let (x, codes) = codes_of(x, bits);
        let mut meter = RailsMeter::new(signal(bits, SampleFormat::Int));
        for (x, c) in x.chunks(block).zip(codes.chunks(block)) {
            meter.push(x, c, &Tiles::of(x));
        }
        meter.finish()
    }

    fn sine(hz: f64, amplitude: f64, n: usize) -> Vec<f64> {
        (0..n)
            .map(|i| amplitude * (2.0 * std::f64::consts::PI * hz * i as f64 / 48_000.0).sin())
            .collect()
    }

    #[test]
    fn a_smooth_wave_has_no_rail() {
        for bits in [24, 32] {
            assert_eq!(measure(&sine(440.3, 0.97, 96_000), bits, 4800).levels, []);
        }
    }

    #[test]
    fn silence_single_samples_and_nothing() {
        for n in [0, 1, 2, 5000] {
            assert_eq!(measure(&vec![0.0; n], 24, 480).levels, []);
        }
        assert!(measure(&[1.0, 1.0], 24, 480).levels[0].full_scale);
    }

    /// A sine of amplitude a clipped at 1 is pinned for (2/pi) acos(1/a) of the time.
    #[test]
    fn a_clipped_sine_is_pinned_as_long_as_it_should_be() {
        let n = 480_000;
        for a in [1.02, 1.2, 2.0] {
            let rails = measure(&sine(997.0, a, n), 24, 4800);
            let pinned: u64 = rails.levels.iter().map(Level::samples).sum();
            let lobes: usize = rails.levels.iter().map(|l| l.runs.len()).sum();
            let wanted = n as f64 * 2.0 / std::f64::consts::PI * (1.0 / a).acos();
            assert_eq!(rails.levels.len(), 2);
            assert!(rails.levels.iter().all(|l| l.full_scale));
            assert!(
                (pinned as f64 - wanted).abs() <= lobes as f64,
                "{a}: {pinned} {wanted}"
            );
        }
    }

    #[test]
    fn float_bits_serve_as_codes() {
        for gain in [0.01f32, 1.0, 3.0] {
            let x: Vec<f32> = sine(300.0, 1.3, 48_000)
                .iter()
                .map(|&v| v.clamp(-0.9985, 0.9985) as f32 * gain)
                .collect();
            let mut meter = RailsMeter::new(signal(32, SampleFormat::Float));
            meter.push(&x, &[], &Tiles::of(&x));
            let rails = meter.finish();
            assert_eq!(rails.levels.len(), 2);
            assert!(rails.levels[0].runs.len() > 250);
        }
    }

    #[test]
    fn block_length_changes_nothing() {
        let x = sine(312.0, 1.1, 20_000);
        let whole = measure(&x, 16, x.len());
        for block in [1, 63, 480, 4096] {
            assert_eq!(measure(&x, 16, block), whole);
        }
    }

    /// 24 bit, 50 Hz: 0.15 sample; 16 bit, 50 Hz: 2.4; 100 Hz: 1.2.
    #[test]
    fn chance_runs_follow_from_curvature() {
        assert!((chance_run(50.0, 1.0, 24, 48_000) - 0.149).abs() < 0.01);
        assert!((chance_run(50.0, 1.0, 16, 48_000) - 2.39).abs() < 0.02);
        assert!((chance_run(100.0, 1.0, 16, 48_000) - 1.19).abs() < 0.02);
    }
}
