//! The level of two bands every millisecond, kept in half decibels for the whole take.
//!
//! What enters a recording behind the microphone shows above 8 kHz first: speech has least there, and neither cloth nor
//! room shapes it. And the hiss of capsule, preamplifier and transmitter keeps running there through every natural pause.

use std::array::from_fn;
use std::f64::consts::PI;
use std::sync::LazyLock;

use pulp::Simd;

use super::series;
use crate::aside::{Aside, Series};
use crate::dsp::biquad::{InStep, Narrow, each, in_step, narrow_lane, narrowed, times};
use crate::units::power_db;

/// Level of code 0 in dBFS: silence or below.
const BOTTOM_DB: f64 = -125.0;

/// Edges of the high band in Hz.
pub const HIGH_HZ: (f64, f64) = (8_000.0, 16_000.0);
/// Edges of the middle band in Hz.
pub const MID_HZ: (f64, f64) = (1_000.0, 8_000.0);

/// One track's levels per millisecond.
#[derive(Debug, Clone)]
pub struct Fine {
    /// Samples per step: a millisecond, rounded.
    pub step: usize,
    /// Samples of the take.
    pub samples: u64,
    /// High band, code `c` stands for `-125 + c / 2` dBFS.
    pub high: Series<u8>,
    /// Middle band, the same.
    pub mid: Series<u8>,
}

/// dBFS of a code.
pub fn level(code: u8) -> f64 {
    BOTTOM_DB + 0.5 * f64::from(code)
}

/// Code of a level in dBFS.
pub fn code(level_db: f64) -> u8 {
    // The cast cuts off and saturates: minus infinity becomes 0.
    ((level_db - BOTTOM_DB) * 2.0 + 0.5) as u8
}

/// Code of a power (mean square): what [`code`] says of its level, without the logarithm.
fn power_code(power: f64) -> u8 {
    // Sixteen parts of an octave are shorter than a code is long: at most one border lies within each.
    fn part(power: f64) -> usize {
        (power.to_bits() >> 48) as usize
    }
    static TABLE: LazyLock<(Vec<f64>, usize, Vec<u8>)> = LazyLock::new(|| {
        let of = |bits: u64| code(power_db(f64::from_bits(bits)));
        // Powers from which on each code holds.
        let mut borders = vec![0.0];
        for wanted in 1..=u8::MAX {
            let (mut below, mut from) = (0u64, f64::MAX.to_bits());
            while from - below > 1 {
                let middle = below + (from - below) / 2;
                if of(middle) < wanted {
                    below = middle;
                } else {
                    from = middle;
                }
            }
            borders.push(f64::from_bits(from));
        }
        let (first, last) = (part(borders[1]), part(borders[usize::from(u8::MAX)]));
        let codes = (first..=last).map(|p| of((p as u64) << 48)).collect();
        (borders, first, codes)
    });
    let (borders, first, codes) = &*TABLE;
    let Some(place) = part(power).checked_sub(*first) else {
        return 0;
    };
    let code = codes.get(place).copied().unwrap_or(u8::MAX);
    let next = borders.get(usize::from(code) + 1);
    code + u8::from(next.is_some_and(|&next| power >= next))
}

impl Fine {
    /// Number of steps.
    pub fn len(&self) -> usize {
        self.high.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.high.is_empty()
    }

    /// Step that holds a sample, at most the last.
    pub fn at(&self, sample: u64) -> usize {
        ((sample / self.step as u64) as usize).min(self.len().saturating_sub(1))
    }

    /// First sample of a step.
    pub fn sample(&self, step: usize) -> u64 {
        (step as u64 * self.step as u64).min(self.samples)
    }

    /// Largest code within steps `[from, to)`, cut at the ends of the take; 0 where there is none.
    pub fn most(codes: &Series<u8>, from: i64, to: i64) -> u8 {
        let (a, b) = clipped(codes.len(), from, to);
        codes.part(a..b).iter().copied().max().unwrap_or(0)
    }

    /// Code below which `share` of the steps `[from, to)` lie, cut at the ends of the take; 0 where there is none.
    pub fn rank(codes: &Series<u8>, from: i64, to: i64, share: f64) -> u8 {
        let (a, b) = clipped(codes.len(), from, to);
        rank(&codes.part(a..b), share)
    }

    /// [`rank`] of the `reach` steps on either side of the middle of every `every` steps, all at once: what two
    /// neighbouring stretches share is counted once.
    pub fn ranks(codes: &[u8], every: usize, reach: i64, share: f64) -> Vec<u8> {
        let mut counts = [0u32; 256];
        let mut held = 0..0;
        (0..codes.len().div_ceil(every))
            .map(|s| {
                let middle = (s * every + every / 2) as i64;
                let (a, b) = clipped(codes.len(), middle - reach, middle + reach);
                codes[held.start..a.min(held.end)]
                    .iter()
                    .for_each(|&c| counts[usize::from(c)] -= 1);
                codes[held.end.max(a)..b]
                    .iter()
                    .for_each(|&c| counts[usize::from(c)] += 1);
                held = a..b;
                ranked(&counts, b - a, share)
            })
            .collect()
    }
}

/// Code below which `share` of the codes lie; 0 where there is none.
pub fn rank(codes: &[u8], share: f64) -> u8 {
    let mut counts = [0u32; 256];
    codes.iter().for_each(|&c| counts[usize::from(c)] += 1);
    ranked(&counts, codes.len(), share)
}

/// Code below which `share` of `total` counted codes lie; 0 where there is none.
pub fn ranked(counts: &[u32; 256], total: usize, share: f64) -> u8 {
    let wanted = (share * total as f64) as u32;
    let mut below = 0;
    for (code, count) in counts.iter().enumerate() {
        below += count;
        if below > wanted {
            return code as u8;
        }
    }
    0
}

fn clipped(length: usize, from: i64, to: i64) -> (usize, usize) {
    let a = from.clamp(0, length as i64) as usize;
    (a, (to.clamp(0, length as i64) as usize).max(a))
}

/// A second-order section, transposed direct form II, without its gain.
#[derive(Debug, Clone, Copy)]
struct Section {
    /// b1 / b0; b2 is b0.
    b: f32,
    a: [f32; 2],
    z: [f32; 2],
    /// b0.
    gain: f64,
}

impl Section {
    /// What changes nothing.
    const NONE: Section = Section {
        b: 0.0,
        a: [0.0, 1.0],
        z: [0.0; 2],
        gain: 1.0,
    };

    /// Low-pass or high-pass by the bilinear transform. `q`: quality at the corner.
    fn new(high_pass: bool, hz: f64, q: f64, rate: f64) -> Section {
        let w = 2.0 * PI * hz.min(0.45 * rate) / rate;
        let (alpha, cos) = (w.sin() / (2.0 * q), w.cos());
        let a0 = 1.0 + alpha;
        let edge = if high_pass { 1.0 + cos } else { 1.0 - cos };
        Section {
            b: if high_pass { -2.0 } else { 2.0 },
            a: [-2.0 * cos / a0, (1.0 - alpha) / a0].map(|a| a as f32),
            z: [0.0; 2],
            gain: edge / 2.0 / a0,
        }
    }
}

/// Qualities of the sections of a Butterworth filter with that many sections.
fn butterworth(sections: usize) -> Vec<f64> {
    (0..sections)
        .map(|k| 1.0 / (2.0 * (PI * (2 * k + 1) as f64 / (4 * sections) as f64).cos()))
        .collect()
}

/// Measures [`Fine`].
#[derive(Debug)]
pub struct FineMeter {
    step: usize,
    /// Of the high band and the middle one.
    sections: [[Section; SECTIONS]; BANDS],
    /// Gains of both bands, squared.
    gains: [f64; BANDS],
    /// Sums of squares of the step so far.
    sums: [f32; BANDS],
    count: usize,
    out: Fine,
}

impl FineMeter {
    /// A meter at rest. `rate` in Hz.
    pub fn new(rate: u32) -> FineMeter {
        let step = (f64::from(rate) / 1000.0).round().max(1.0) as usize;
        let rate = f64::from(rate);
        let q6 = butterworth(3);
        let q4 = butterworth(2);
        let q2 = butterworth(1)[0];
        let sections = [
            [
                Section::new(true, HIGH_HZ.0, q6[0], rate),
                Section::new(true, HIGH_HZ.0, q6[1], rate),
                Section::new(true, HIGH_HZ.0, q6[2], rate),
                Section::new(false, HIGH_HZ.1, q2, rate),
            ],
            [
                Section::new(true, MID_HZ.0, q4[0], rate),
                Section::new(true, MID_HZ.0, q4[1], rate),
                Section::new(false, MID_HZ.1, q2, rate),
                Section::NONE,
            ],
        ];
        let gain =
            |sections: &[Section; SECTIONS]| -> f64 { sections.iter().map(|s| s.gain).product() };
        FineMeter {
            step,
            gains: from_fn(|band| gain(&sections[band]).powi(2)),
            sections,
            sums: [0.0; BANDS],
            count: 0,
            out: Fine {
                step,
                samples: 0,
                high: Series::default(),
                mid: Series::default(),
            },
        }
    }

    /// Make room for so many samples.
    pub(super) fn expect(&mut self, samples: u64, aside: &Aside) {
        self.out.high = series(aside, samples, self.step);
        self.out.mid = series(aside, samples, self.step);
    }

    /// Take in samples.
    pub fn push(&mut self, x: &[f32]) {
        in_step(&mut [self], &[x]);
    }

    fn close(&mut self) {
        let n = self.count.max(1) as f64;
        let [high, mid] =
            from_fn(|band| power_code(f64::from(self.sums[band]) * self.gains[band] / n));
        self.out.high.push(high);
        self.out.mid.push(mid);
        self.sums = [0.0; BANDS];
        self.count = 0;
    }

    /// Everything measured; a last step may be short.
    pub fn finish(mut self) -> Fine {
        if self.count > 0 {
            self.close();
        }
        self.out
    }
}

/// Bands, and the most sections that one takes.
const BANDS: usize = 2;
const SECTIONS: usize = 4;

/// Half decibels ask for single precision only, of which a vector holds both bands of each stream.
impl InStep for FineMeter {
    #[inline(always)]
    fn push_lanes<S: Simd>(simd: S, meters: &mut [&mut FineMeter], x: &[S::f64s]) {
        let streams = meters.len();
        let times = times::<S>().min(BANDS);
        // What a lane of the vectors of some bands holds: a band and a stream.
        let place = |first: usize, lane: usize| {
            let (band, stream) = (first + lane / S::F64_LANES, lane % S::F64_LANES);
            (band < BANDS && stream < streams).then_some((band, stream))
        };
        let mut cascades = [[Narrow::none(simd); SECTIONS]; BANDS];
        let cascades = &mut cascades[..BANDS / times];
        for (n, cascade) in cascades.iter_mut().enumerate() {
            for (k, section) in cascade.iter_mut().enumerate() {
                *section = Narrow::resume(simd, |lane| {
                    let place = place(n * times, lane);
                    let Section { b, a, z, .. } = place.map_or(Section::NONE, |(band, stream)| {
                        meters[stream].sections[band][k]
                    });
                    (b, a, z)
                });
            }
        }
        let mut rest = x;
        while !rest.is_empty() {
            let room = meters[0].step - meters[0].count;
            let (now, later) = rest.split_at(rest.len().min(room));
            for (n, cascade) in cascades.iter_mut().enumerate() {
                let place = |lane| place(n * times, lane);
                let so_far = |(band, stream): (usize, usize)| meters[stream].sums[band];
                // Most steps begin here, with nothing.
                let mut sums = simd.splat_f32s(0.0);
                if meters[0].count > 0 {
                    sums = each(simd, |lane| place(lane).map_or(0.0, so_far));
                }
                let [mut first, mut second, mut third, mut fourth] = *cascade;
                for &v in now {
                    let y = second.next(simd, first.next(simd, narrowed(simd, v)));
                    let y = fourth.next(simd, third.next(simd, y));
                    sums = simd.add_f32s(sums, simd.mul_f32s(y, y));
                }
                *cascade = [first, second, third, fourth];
                cascade.iter_mut().for_each(|section| section.rest(simd));
                for lane in 0..S::F32_LANES {
                    if let Some((band, stream)) = place(lane) {
                        meters[stream].sums[band] = narrow_lane::<S>(&sums, lane);
                    }
                }
            }
            for meter in meters.iter_mut() {
                meter.count += now.len();
                if meter.count == meter.step {
                    meter.close();
                }
            }
            rest = later;
        }
        for (n, cascade) in cascades.iter().enumerate() {
            for lane in 0..S::F32_LANES {
                if let Some((band, stream)) = place(n * times, lane) {
                    let sections = &mut meters[stream].sections[band];
                    for (section, now) in sections.iter_mut().zip(cascade) {
                        section.z = now.state(lane);
                    }
                }
            }
        }
        for meter in meters.iter_mut() {
            meter.out.samples += x.len() as u64;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::biquad::in_step_singly;

    fn sine(hz: f64, rate: u32, seconds: f64) -> Vec<f32> {
        (0..(f64::from(rate) * seconds) as usize)
            .map(|n| (2.0 * PI * hz * n as f64 / f64::from(rate)).sin() as f32 * 0.5)
            .collect()
    }

    fn measure(x: &[f32], rate: u32, block: usize) -> Fine {
        let mut meter = FineMeter::new(rate);
        x.chunks(block).for_each(|b| meter.push(b));
        meter.finish()
    }

    /// Three tracks: as many as fill no vector.
    #[test]
    fn every_processor_reads_the_same() {
        let x: Vec<Vec<f32>> = (1..=3)
            .map(|seed| crate::synth::sources::noise(9_999, seed))
            .collect();
        let x: Vec<&[f32]> = x.iter().map(Vec::as_slice).collect();
        let measure = |go: fn(&mut [&mut FineMeter], &[&[f32]])| -> Vec<Fine> {
            let mut meters: Vec<FineMeter> = x.iter().map(|_| FineMeter::new(48_000)).collect();
            go(&mut meters.iter_mut().collect::<Vec<_>>(), &x);
            meters.into_iter().map(FineMeter::finish).collect()
        };
        for (vectors, single) in measure(in_step).iter().zip(&measure(in_step_singly)) {
            assert_eq!((&vectors.high, &vectors.mid), (&single.high, &single.mid));
        }
    }

    /// The same filters in double precision, one sample after the other.
    fn exact(x: &[f32], rate: u32) -> Vec<[f64; BANDS]> {
        let meter = FineMeter::new(rate);
        let mut state = [[[0f64; 2]; SECTIONS]; BANDS];
        let mut powers = Vec::new();
        for step in x.chunks(meter.step) {
            let mut sums = [0.0; BANDS];
            for &v in step {
                for ((sections, state), sum) in meter.sections.iter().zip(&mut state).zip(&mut sums)
                {
                    let mut v = f64::from(v);
                    for (section, z) in sections.iter().zip(state) {
                        let (b, a) = (f64::from(section.b), section.a.map(f64::from));
                        let y = v + z[0];
                        *z = [b * v - a[0] * y + z[1], v - a[1] * y];
                        v = section.gain * y;
                    }
                    *sum += v * v;
                }
            }
            powers.push(sums.map(|sum| sum / step.len() as f64));
        }
        powers
    }

    /// Hiss of -100 dBFS beside a loud low tone reads the same within a code, half a decibel.
    #[test]
    fn single_precision_is_enough() {
        for rate in [44_100, 48_000, 96_000] {
            let mut x = sine(60.0, rate, 0.5);
            let hiss = crate::synth::sources::noise(x.len(), 9);
            x.iter_mut()
                .zip(hiss)
                .for_each(|(x, v)| *x = 0.4 * *x + 2e-5 * v);
            let fine = measure(&x, rate, 4096);
            for (step, powers) in exact(&x, rate).into_iter().enumerate().skip(20) {
                for (code, power) in [fine.high.get(step), fine.mid.get(step)]
                    .into_iter()
                    .zip(powers)
                {
                    let exact = 2.0 * (power_db(power) - BOTTOM_DB);
                    assert!(
                        (f64::from(code) - exact).abs() < 1.0,
                        "{rate} {step}: {code} {exact}"
                    );
                }
            }
        }
    }

    #[test]
    fn each_band_reads_its_tone_and_keeps_the_other_out() {
        for rate in [44_100, 48_000, 96_000, 192_000] {
            let tone = measure(&sine(11_000.0, rate, 0.2), rate, 4096);
            assert!((level(tone.high.get(100)) + 9.03).abs() < 1.3, "{rate}");
            let voice = measure(&sine(1_000.0, rate, 0.2), rate, 4096);
            assert!(level(voice.high.get(100)) < -110.0, "{rate}");
            let middle = measure(&sine(3_000.0, rate, 0.2), rate, 4096);
            assert!((level(middle.mid.get(100)) + 9.03).abs() < 0.8, "{rate}");
        }
    }

    #[test]
    fn block_length_does_not_matter_and_silence_is_code_0() {
        let x = sine(9_000.0, 48_000, 0.1);
        assert_eq!(measure(&x, 48_000, 4800).high, measure(&x, 48_000, 11).high);
        let silent = measure(&[0.0; 480], 48_000, 480);
        assert_eq!(silent.high.all(), vec![0; 10]);
        assert!(measure(&[], 48_000, 1).is_empty());
    }

    #[test]
    fn codes_of_powers_are_those_of_their_levels() {
        let mut power = 1e-40;
        while power < 1e6 {
            assert_eq!(power_code(power), code(power_db(power)), "{power}");
            power *= 1.000_37;
        }
        for c in 1..=u8::MAX {
            let border = crate::units::power(level(c) - 0.25);
            for power in [border * (1.0 - 1e-14), border, border * (1.0 + 1e-14)] {
                assert_eq!(power_code(power), code(power_db(power)), "{power}");
            }
        }
        assert_eq!(power_code(0.0), 0);
        assert_eq!(power_code(f64::MAX), u8::MAX);
    }

    #[test]
    fn ranks_and_maxima_are_cut_at_the_ends() {
        let codes: Series<u8> = [5, 1, 9, 3].into_iter().collect();
        assert_eq!(Fine::most(&codes, -5, 2), 5);
        assert_eq!(Fine::most(&codes, 7, 9), 0);
        assert_eq!(Fine::rank(&codes, 0, 4, 0.5), 5);
        assert_eq!(Fine::rank(&codes, 9, 9, 0.5), 0);
    }
}
