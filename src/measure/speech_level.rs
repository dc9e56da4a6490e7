//! Active speech level of chosen frames: ITU-T P.56, method B, kept per frame so that whose speech counts can be said later.
//!
//! Input: one track, full scale 1.0; any rate, any block length. Output: [`ActiveLevel`], from which the level of any set of
//! frames follows. Accuracy: within 0.1 dB of the method worked sample by sample (the hangover is counted in frames of 20 ms).
//! Before measuring the track is high-passed at 100 Hz, as the method asks for a band that holds the speech only; offsets and
//! rumble do not count. Errors, panics: none. Cost: one biquad and two one-pole filters a sample.
//! Source: ITU-T P.56 (12/2011), clause 7, method B.

use pulp::Simd;

use super::loudness::Section;
use super::series;
use crate::aside::{Aside, Series};
use crate::dsp::biquad::{Biquad, InStep, gather, in_step, lane};
use crate::units;

/// Time constant of the envelope, seconds (P.56, table 1).
const TIME_CONSTANT_S: f64 = 0.03;
/// Hangover, seconds (P.56, table 1).
const HANGOVER_S: f64 = 0.2;
/// Margin between active level and threshold, dB (P.56, table 1).
const MARGIN_DB: f64 = 15.9;
/// Number of thresholds 2^-1, 2^-2 ... ; 32 of them reach -193 dB and cover every format.
const THRESHOLDS: i32 = 32;
/// Thresholds above full scale, for float files: 2^0 ... 2^8.
const ABOVE: i32 = 8;
/// Corner of the high-pass.
const HIGH_PASS_HZ: f64 = 100.0;

/// What P.56 needs of each frame of one track.
#[derive(Debug, Clone, Default)]
pub struct ActiveLevel {
    /// Sum of squares of the frame's samples after the high-pass.
    energy: Series<f32>,
    /// Exponent of the largest envelope value within the frame: thresholds are powers of two.
    envelope: Series<u8>,
    /// Samples of a frame, and of the last.
    hop: u32,
    last: u32,
    hangover_frames: usize,
}

/// Result for a set of frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Active {
    /// Mean power while active, dBFS.
    pub level_dbfs: f64,
    /// Share of the frames' time that is active, 0..1.
    pub share: f64,
}

impl ActiveLevel {
    /// Active level of the frames for which `chosen` holds, as if they followed one another; `None` for silence or no frame.
    pub fn of(&self, chosen: impl Fn(usize) -> bool) -> Option<Active> {
        let (mut energy, mut total) = (0.0, 0.0);
        // Samples and envelope of each: they are asked for at every threshold.
        let mut frames: Vec<(u32, u8)> = Vec::new();
        for frame in (0..self.energy.len()).filter(|&f| chosen(f)) {
            let samples = self.samples(frame);
            energy += f64::from(self.energy.get(frame));
            total += f64::from(samples);
            frames.push((samples, self.envelope.get(frame)));
        }
        if energy <= 0.0 || total <= 0.0 {
            return None;
        }
        // From the highest threshold down: level while active, and its distance to the threshold, which grows.
        let mut above: Option<(f64, f64)> = None;
        for j in -ABOVE..THRESHOLDS {
            let threshold = 2f64.powi(-j - 1);
            let active = self.active_samples(&frames, threshold as f32);
            if active <= 0.0 {
                continue;
            }
            let level = units::power_db(energy / active);
            let distance = level - units::db(threshold);
            if distance >= MARGIN_DB {
                let level_dbfs = match above {
                    Some((l, d)) if distance > d => {
                        l + (level - l) * (MARGIN_DB - d) / (distance - d)
                    }
                    _ => level,
                };
                let share = (energy / units::power(level_dbfs) / total).min(1.0);
                return Some(Active { level_dbfs, share });
            }
            above = Some((level, distance));
        }
        None
    }

    /// Samples of a frame.
    fn samples(&self, frame: usize) -> u32 {
        let last = frame + 1 == self.energy.len();
        if last { self.last } else { self.hop }
    }

    /// Samples of those frames during which the envelope is, or within the hangover was, at or above a threshold.
    fn active_samples(&self, frames: &[(u32, u8)], threshold: f32) -> f64 {
        let threshold = exponent(threshold);
        let mut hang = 0;
        let mut active = 0.0;
        for &(samples, envelope) in frames {
            if envelope >= threshold {
                hang = self.hangover_frames + 1;
            }
            if hang > 0 {
                hang -= 1;
                active += f64::from(samples);
            }
        }
        active
    }
}

/// Measures [`ActiveLevel`] on the frame grid. Block lengths do not change the result.
#[derive(Debug)]
pub struct ActiveLevelMeter {
    hop: u32,
    section: Section,
    state: [f64; 2],
    keep: f64,
    smooth: [f64; 2],
    energy: f64,
    highest: f64,
    count: u32,
    out: ActiveLevel,
}

impl ActiveLevelMeter {
    /// A meter at rest; `rate` in Hz, `hop` samples a frame.
    pub fn new(rate: u32, hop: usize) -> ActiveLevelMeter {
        let rate = f64::from(rate.max(1));
        let hop = hop.max(1) as u32;
        ActiveLevelMeter {
            hop,
            section: high_pass(HIGH_PASS_HZ, rate),
            state: [0.0; 2],
            keep: (-1.0 / (rate * TIME_CONSTANT_S)).exp(),
            smooth: [0.0; 2],
            energy: 0.0,
            highest: 0.0,
            count: 0,
            out: ActiveLevel {
                hop,
                hangover_frames: (HANGOVER_S * rate / f64::from(hop)).round() as usize,
                ..ActiveLevel::default()
            },
        }
    }

    /// Make room for so many samples.
    pub(super) fn expect(&mut self, samples: u64, aside: &Aside) {
        self.out.energy = series(aside, samples, self.hop as usize);
        self.out.envelope = series(aside, samples, self.hop as usize);
    }

    /// Take in samples.
    pub fn push(&mut self, x: &[f32]) {
        in_step(&mut [self], &[x]);
    }

    fn close(&mut self) {
        // What the filters leave out of every sample.
        let gain = self.section.b[0];
        let smoothed = gain * (1.0 - self.keep).powi(2);
        self.out.energy.push((gain * gain * self.energy) as f32);
        self.out.last = self.count;
        self.out
            .envelope
            .push(exponent((smoothed * self.highest) as f32));
        (self.energy, self.highest, self.count) = (0.0, 0.0, 0);
        // A decaying filter must not crawl through denormal numbers.
        for state in self.state.iter_mut().chain(&mut self.smooth) {
            if state.abs() < 1e-30 {
                *state = 0.0;
            }
        }
    }

    /// Everything measured.
    pub fn finish(mut self) -> ActiveLevel {
        if self.count > 0 {
            self.close();
        }
        self.out
    }
}

impl InStep for ActiveLevelMeter {
    #[inline(always)]
    fn push_lanes<S: Simd>(simd: S, meters: &mut [&mut ActiveLevelMeter], mut x: &[S::f64s]) {
        let streams = meters.len();
        let keep = simd.splat_f64s(meters[0].keep);
        while !x.is_empty() {
            let room = (meters[0].hop - meters[0].count) as usize;
            let (now, later) = x.split_at(x.len().min(room));
            let Section { b, a } = meters[0].section;
            let mut section = Biquad::resume(simd, b, a, streams, |l| meters[l].state);
            let mut p = gather(simd, streams, |l| meters[l].smooth[0]);
            let mut q = gather(simd, streams, |l| meters[l].smooth[1]);
            let mut energy = gather(simd, streams, |l| meters[l].energy);
            let mut highest = gather(simd, streams, |l| meters[l].highest);
            for &v in now {
                let y = section.next(simd, v);
                let size = simd.abs_f64s(y);
                p = simd.add_f64s(simd.mul_f64s(keep, p), size);
                q = simd.add_f64s(simd.mul_f64s(keep, q), p);
                energy = simd.add_f64s(energy, simd.mul_f64s(y, y));
                highest = simd.max_f64s(highest, q);
            }
            let state = section.states();
            for (l, meter) in meters.iter_mut().enumerate() {
                meter.state = state(l);
                meter.smooth = [lane::<S>(&p, l), lane::<S>(&q, l)];
                meter.energy = lane::<S>(&energy, l);
                meter.highest = lane::<S>(&highest, l);
                meter.count += now.len() as u32;
                if meter.count == meter.hop {
                    meter.close();
                }
            }
            x = later;
        }
    }
}

/// Exponent of a number from 0 up, as it is stored: it reaches that of a power of two exactly where the number reaches it.
fn exponent(x: f32) -> u8 {
    (x.to_bits() >> 23) as u8
}

/// Second-order Butterworth high-pass by bilinear transform.
fn high_pass(hz: f64, rate: f64) -> Section {
    let k = (std::f64::consts::PI * (hz / rate).min(0.49)).tan();
    let a0 = 1.0 + std::f64::consts::SQRT_2 * k + k * k;
    Section {
        b: [1.0 / a0, -2.0 / a0, 1.0 / a0],
        a: [
            2.0 * (k * k - 1.0) / a0,
            (1.0 - std::f64::consts::SQRT_2 * k + k * k) / a0,
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    fn measure(x: &[f32], block: usize) -> ActiveLevel {
        let mut meter = ActiveLevelMeter::new(RATE, 960);
        x.chunks(block).for_each(|part| meter.push(part));
        meter.finish()
    }

    fn gated(on_s: f64, seconds: f64, amplitude: f64) -> Vec<f32> {
        (0..(seconds * f64::from(RATE)) as usize)
            .map(|i| {
                let t = i as f64 / f64::from(RATE);
                let on = on_s == 0.0 || ((t / on_s) as u64).is_multiple_of(2);
                if on {
                    (amplitude * (2.0 * std::f64::consts::PI * 1000.0 * t).sin()) as f32
                } else {
                    0.0
                }
            })
            .collect()
    }

    #[test]
    fn steady_sound_is_active_all_the_time() {
        let active = measure(&gated(0.0, 20.0, 0.1), 4800).of(|_| true).unwrap();
        assert!((active.level_dbfs + 23.0103).abs() < 0.02, "{active:?}");
        assert!(active.share > 0.995);
    }

    #[test]
    fn gain_moves_the_level_by_as_much() {
        let a = measure(&gated(1.0, 24.0, 0.4), 4800).of(|_| true).unwrap();
        for db in [-40.0, -20.0, -6.0206, 12.0] {
            let x = gated(1.0, 24.0, 0.4 * units::amplitude(db));
            let b = measure(&x, 4800).of(|_| true).unwrap();
            assert!(
                (b.level_dbfs - a.level_dbfs - db).abs() < 0.2,
                "{db}: {b:?}"
            );
        }
    }

    #[test]
    fn silence_no_frames_and_no_samples_have_no_level() {
        assert_eq!(measure(&[0.0; 48_000], 480).of(|_| true), None);
        assert_eq!(measure(&[], 1).of(|_| true), None);
        assert_eq!(measure(&gated(0.0, 1.0, 0.1), 480).of(|_| false), None);
    }

    #[test]
    fn an_offset_does_not_count() {
        let x: Vec<f32> = gated(0.0, 20.0, 0.1).iter().map(|v| v + 0.3).collect();
        let active = measure(&x, 4800).of(|f| f > 5).unwrap();
        assert!((active.level_dbfs + 23.0103).abs() < 0.05, "{active:?}");
    }

    #[test]
    fn block_length_changes_nothing() {
        let x = gated(0.5, 3.01, 0.2);
        let whole = measure(&x, x.len());
        for block in [1, 63, 480, 4096] {
            let parts = measure(&x, block);
            assert_eq!(parts.energy, whole.energy);
            assert_eq!(parts.envelope, whole.envelope);
            assert_eq!(parts.last, whole.last);
        }
    }
}
