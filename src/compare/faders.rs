//! What each isolated track gives to each mix track over time: fader gains by least squares, and the ripple of the sum.
//!
//! Every 100 ms, over the windows around it: minimise `sum |M - sum g_i X_i|^2` over real, signed gains, each frequency
//! weighted by the inverse of its long-term power (otherwise the low harmonics of vowels decide), with a small pull towards
//! the gains before. The normal equations are small (tracks by tracks) and shared by all mix tracks. A bus that runs late by
//! a constant number of samples is found from the summed phase correlation of the mix with its sources, and lined up first.
//! The explained share tells a plain sum (all but one) from a mix with a limiter, a filter or sources that were not
//! recorded; what the equations leave over gives each gain its uncertainty.
//!
//! Ripple: the transfer function from a track to the mix, `S_im / S_ii` over a second. Its logarithm, without the slow
//! trend, ripples at the rate of the delay where a second microphone of the same voice is in the mix; the voice itself
//! cancels in the quotient.

use rayon::prelude::*;
use rustfft::num_complex::Complex;

use super::pairs::parabola;
use super::spectra::{Layout, SpectrumMeter};
use crate::dsp::fft::{Back, Forward};
use crate::dsp::lanes;
use crate::dsp::widest::widest;
use crate::report::model::Role;
use crate::take::Take;
use crate::units::db;

/// Values a second.
pub const HZ: u32 = 10;
/// Band of the equations, Hz.
const BAND_HZ: (f64, f64) = (150.0, 8000.0);
/// Band in which ripple is looked for, Hz.
const RIPPLE_HZ: (f64, f64) = (300.0, 8000.0);
/// Windows per ripple cell: about a second.
const RIPPLE_WINDOWS: usize = 24;
/// Pull towards the gains before, in units of a track's own energy: two equal tracks share their gain, others lose 0.001 dB.
const PULL: f64 = 1e-4;
/// The same in units of the mean energy of all tracks, against tracks of digital silence.
const LEAST_PULL: f64 = 1e-10;
/// Time constant of the long-term power, in windows: about 5 s.
const MEMORY: f32 = 1.0 / 120.0;
/// Latest and earliest bus looked for, ms.
const BUS_MS: f64 = 15.0;
/// Length of the transform of the logarithm.
const ECHO_SIZE: usize = 512;
/// Windows between two looks at the bus delay: about a second.
const BUS_WINDOWS: usize = 24;

/// What a source gives to a mix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Given {
    /// Amplitude factor, negative where the sign is turned.
    pub gain: f32,
    /// Standard error of the factor.
    pub error: f32,
    /// Energy in the mix against the mix, linear.
    pub share: f32,
}

/// A tenth of a second of one mix track.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Per source.
    pub sources: Box<[Given]>,
    /// Explained share of the mix, 0..1.
    pub explained: f32,
}

/// Ripple of the transfer function from one source to the mix over a second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ripple {
    /// Middle, seconds.
    pub at_s: f64,
    /// Delay of the echo that makes it, seconds.
    pub quefrency_s: f64,
    /// Amplitude of the ripple, natural logarithm.
    pub depth: f32,
    /// Peak against the median over all delays.
    pub distinct: f32,
}

/// One mix track.
#[derive(Debug, Clone)]
pub struct Mix {
    /// Position in the take.
    pub track: usize,
    /// Positions of the sources in the take.
    pub sources: Vec<usize>,
    /// Ten a second; `None` where the mix or all sources are silent.
    pub steps: Vec<Option<Step>>,
    /// Per source, in time order.
    pub ripples: Vec<Vec<Ripple>>,
    /// Samples by which the mix is late against its sources.
    pub bus_delay_samples: i64,
}

impl Mix {
    /// Step nearest to a time.
    pub fn step(&self, seconds: f64) -> Option<&Step> {
        self.steps
            .get((seconds * f64::from(HZ)).round() as usize)
            .and_then(Option::as_ref)
    }

    /// Position of a track among the sources.
    pub fn source(&self, track: usize) -> Option<usize> {
        self.sources.iter().position(|&s| s == track)
    }

    /// Gain of a source at a step, dB; `None` where it cannot be told within a decibel or so.
    pub fn gain_db(&self, step: usize, source: usize) -> Option<f64> {
        let step = self.steps.get(step)?.as_ref()?;
        let (gain, error) = (
            f64::from(step.sources[source].gain.abs()),
            f64::from(step.sources[source].error),
        );
        (gain > 0.0 && error < 0.12 * gain).then(|| db(gain))
    }

    /// Highest gain that a source can have at a step (two standard errors up), dB; minus infinity where it surely adds nothing.
    pub fn at_most_db(&self, step: usize, source: usize) -> Option<f64> {
        let step = self.steps.get(step)?.as_ref()?;
        let (gain, error) = (
            f64::from(step.sources[source].gain.abs()),
            f64::from(step.sources[source].error),
        );
        Some(db(gain + 2.0 * error))
    }

    /// Gain of the fader that is up highest over the take, dB: the high end of all gains that can be told.
    pub fn top_db(&self) -> Option<f64> {
        (0..self.sources.len())
            .filter_map(|source| {
                let gains: Vec<f64> = (0..self.steps.len())
                    .filter_map(|step| self.gain_db(step, source))
                    .collect();
                super::pairs::quantile(&gains, 0.95)
            })
            .reduce(f64::max)
    }

    /// Median of the explained share over the steps with a signal; `None` of nothing.
    pub fn explained(&self) -> Option<f64> {
        let all: Vec<f64> = self
            .steps
            .iter()
            .flatten()
            .map(|s| f64::from(s.explained))
            .collect();
        super::pairs::quantile(&all, 0.5)
    }

    /// Whether the mix is a plain sum of its sources: gains are then faders, and not what a limiter or a filter made of them.
    ///
    /// A filter or a source that was not recorded leaves something unexplained. A limiter moves all gains together, again and
    /// again, where hands move one fader at a time.
    pub fn is_plain_sum(&self) -> bool {
        let explained: Vec<f64> = self
            .steps
            .iter()
            .flatten()
            .map(|s| f64::from(s.explained))
            .collect();
        let (together, compared) = self.common_moves();
        super::pairs::quantile(&explained, 0.5).is_some_and(|m| m > 0.995)
            && super::pairs::quantile(&explained, 0.1).is_some_and(|low| low > 0.95)
            && together as f64 <= 0.04 * compared as f64
    }

    /// Steps from one tenth of a second to the next in which all gains that can be told move by one and the same amount, and
    /// the steps in which that could be seen (two gains or more).
    fn common_moves(&self) -> (usize, usize) {
        let (mut together, mut compared) = (0, 0);
        for step in 1..self.steps.len() {
            let moves: Vec<f64> = (0..self.sources.len())
                .filter_map(|s| Some(self.gain_db(step, s)? - self.gain_db(step - 1, s)?))
                .collect();
            if moves.len() < 2 {
                continue;
            }
            compared += 1;
            let middle = super::pairs::quantile(&moves, 0.5).unwrap_or(0.0);
            let same = moves.iter().filter(|m| (*m - middle).abs() < 0.15).count();
            together +=
                usize::from(middle.abs() > 0.25 && same >= 2 && 4 * same >= 3 * moves.len());
        }
        (together, compared)
    }
}

/// The streaming part.
pub struct FaderMeter {
    layout: Layout,
    /// Positions in the list of spectrum meters.
    sources: Vec<usize>,
    source_tracks: Vec<usize>,
    mixes: Vec<Bus>,
    mean_power: Vec<f32>,
    normal: Vec<f64>,
    windows: usize,
    step: usize,
    in_step: usize,
    power: Vec<Vec<f32>>,
    echo: Echo,
}

impl std::fmt::Debug for FaderMeter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("FaderMeter")
            .field("sources", &self.source_tracks)
            .finish_non_exhaustive()
    }
}

/// A mix track on its way.
struct Bus {
    spectrum: usize,
    track: usize,
    right: Vec<f64>,
    energy: f64,
    last: Vec<f64>,
    steps: Vec<Option<Step>>,
    /// Cross spectra with every source, as rows (see [`super::spectra`]).
    cross: Vec<Vec<f32>>,
    ripples: Vec<Vec<Ripple>>,
    phases: Vec<Complex<f32>>,
    delay: i64,
    decided: bool,
}

/// Transform of the logarithm of a transfer function, and of the bus correlation.
struct Echo {
    forward: Forward,
    back: Back,
    /// Hann window over the band of the ripple.
    window: Vec<f32>,
}

/// Sums of one window.
struct Sums {
    normal: Vec<f64>,
    right: Vec<Vec<f64>>,
    energy: Vec<f64>,
}

impl FaderMeter {
    /// A meter for a take; `positions` are the tracks of the spectrum meters.
    pub fn new(take: &Take, layout: Layout, positions: &[usize]) -> FaderMeter {
        let with = |mix: bool| -> Vec<usize> {
            (0..positions.len())
                .filter(|&i| (take.tracks[positions[i]].role == Role::Mix) == mix)
                .collect()
        };
        let sources = with(false);
        let n = sources.len();
        let length = (layout.bins.max(8) * 5).next_power_of_two();
        FaderMeter {
            layout,
            source_tracks: sources.iter().map(|&i| positions[i]).collect(),
            mixes: with(true)
                .into_iter()
                .map(|spectrum| Bus {
                    spectrum,
                    track: positions[spectrum],
                    right: vec![0.0; n],
                    energy: 0.0,
                    last: vec![0.0; n],
                    steps: Vec::new(),
                    cross: vec![vec![0.0; 2 * layout.bins]; n],
                    ripples: vec![Vec::new(); n],
                    phases: vec![Complex::default(); layout.bins],
                    delay: 0,
                    decided: false,
                })
                .collect(),
            mean_power: vec![0.0; layout.bins],
            normal: vec![0.0; n * n],
            windows: 0,
            step: 0,
            in_step: 0,
            power: vec![vec![0.0; layout.bins]; n],
            sources,
            echo: Echo {
                forward: Forward::new(ECHO_SIZE),
                back: Back::new(length),
                window: hann(layout.band(RIPPLE_HZ.0, RIPPLE_HZ.1).len()),
            },
        }
    }

    /// Take in the windows of a block.
    pub fn push(&mut self, spectra: &[SpectrumMeter]) {
        if self.mixes.is_empty() || self.sources.is_empty() {
            return;
        }
        let bins = self.layout.bins;
        let windows = spectra[self.sources[0]].block.powers.len() / bins.max(1);
        let window = |spectrum: usize, k: usize| {
            let windows = &spectra[spectrum].block.windows;
            &windows[2 * k * bins..2 * (k + 1) * bins]
        };
        let powers = |spectrum: usize, k: usize| {
            let powers = &spectra[spectrum].block.powers;
            &powers[k * bins..(k + 1) * bins]
        };
        let band = self.layout.band(BAND_HZ.0, BAND_HZ.1);
        // Weights: from the long-term power of all sources up to and with each window.
        let mut weights: Vec<Vec<f32>> = Vec::with_capacity(windows);
        for k in 0..windows {
            let share = MEMORY.max(1.0 / (self.windows + k + 1) as f32);
            let mut row = vec![0f32; bins];
            for &source in &self.sources {
                lanes::add(&mut row, powers(source, k));
            }
            weigh_by_mean(&mut row, &mut self.mean_power, share);
            weights.push(row);
        }
        for (k, weights) in weights.iter().enumerate() {
            // The bus delay may be decided between two windows; until then the mix is taken as it is.
            let sums = self.sums(weights, &window, k, &band);
            self.add(sums);
            self.follow_bus(&window, k);
            self.follow_ripple(&window, &powers, k);
            self.windows += 1;
            let middle_s = self.layout.middle_s(self.windows as f64);
            if (middle_s * f64::from(HZ)).round() as usize > self.step {
                self.solve((middle_s * f64::from(HZ)).round() as usize);
            }
        }
    }

    fn sums<'a>(
        &self,
        weights: &[f32],
        window: &(impl Fn(usize, usize) -> &'a [f32] + Sync),
        k: usize,
        band: &std::ops::Range<usize>,
    ) -> Sums {
        let weighted: Vec<Vec<f32>> = self
            .sources
            .iter()
            .map(|&s| scaled(window(s, k), weights, band.clone(), None))
            .collect();
        let mixes: Vec<Vec<f32>> = self
            .mixes
            .iter()
            .map(|bus| {
                let turn = (bus.delay != 0).then(|| {
                    2.0 * std::f64::consts::PI * bus.delay as f64 / self.layout.size as f64
                });
                scaled(window(bus.spectrum, k), weights, band.clone(), turn)
            })
            .collect();
        let n = weighted.len();
        let mut normal = vec![0f64; n * n];
        normal
            .par_chunks_mut(n)
            .enumerate()
            .with_min_len(8)
            .for_each(|(i, row)| {
                for j in i..n {
                    row[j] = dot(&weighted[i], &weighted[j]);
                }
            });
        Sums {
            normal,
            right: mixes
                .iter()
                .map(|m| weighted.iter().map(|x| dot(x, m)).collect())
                .collect(),
            energy: mixes.iter().map(|m| dot(m, m)).collect(),
        }
    }

    fn add(&mut self, sums: Sums) {
        for (sum, x) in self.normal.iter_mut().zip(&sums.normal) {
            *sum += x;
        }
        for ((bus, right), energy) in self.mixes.iter_mut().zip(&sums.right).zip(&sums.energy) {
            for (sum, x) in bus.right.iter_mut().zip(right) {
                *sum += x;
            }
            bus.energy += energy;
        }
        self.in_step += 1;
    }

    /// Solve what has been summed up, and begin the step `next`.
    fn solve(&mut self, next: usize) {
        let n = self.sources.len();
        let equations =
            2.0 * self.in_step as f64 * self.layout.band(BAND_HZ.0, BAND_HZ.1).len() as f64;
        let normal = std::mem::replace(&mut self.normal, vec![0.0; n * n]);
        let trace: f64 = (0..n).map(|i| normal[i * n + i]).sum();
        for bus in &mut self.mixes {
            let right = std::mem::replace(&mut bus.right, vec![0.0; n]);
            let energy = std::mem::take(&mut bus.energy);
            let step = solved(&normal, &right, energy, trace, &bus.last, equations);
            if let Some(step) = &step {
                bus.last = step.sources.iter().map(|s| f64::from(s.gain)).collect();
            }
            while bus.steps.len() < self.step {
                bus.steps.push(None);
            }
            bus.steps.push(step);
        }
        self.step = next;
        self.in_step = 0;
    }

    /// Sum the phases of mix against sources; about every second decide by how much the bus is late.
    fn follow_bus<'a>(&mut self, window: &impl Fn(usize, usize) -> &'a [f32], k: usize) {
        let bins = self.layout.bins;
        let of = |row: &[f32], bin: usize| Complex::new(row[bin], row[bins + bin]);
        let look = (self.windows + 1).is_multiple_of(BUS_WINDOWS);
        let band = self.layout.band(500.0, 8000.0);
        for bus in self.mixes.iter_mut().filter(|b| !b.decided) {
            let mix = window(bus.spectrum, k);
            for &source in &self.sources {
                let x = window(source, k);
                for bin in band.clone() {
                    let cross = of(x, bin).conj() * of(mix, bin);
                    let size = magnitude(cross);
                    if size > 0.0 {
                        bus.phases[bin] += cross / size;
                    }
                }
            }
            if !look {
                continue;
            }
            let bins = self.echo.back.bins();
            bins.fill(Complex::default());
            bins[band.clone()].copy_from_slice(&bus.phases[band.clone()]);
            let out = self.echo.back.samples();
            let step_s = 1.0 / (self.layout.bin_hz * out.len() as f64);
            let reach = ((BUS_MS / 1000.0 / step_s) as i64).min(out.len() as i64 / 2 - 1);
            let at = |lag: i64| out[lag.rem_euclid(out.len() as i64) as usize].abs();
            let top = (-reach..=reach).max_by(|&p, &q| at(p).total_cmp(&at(q)).then(q.cmp(&p)));
            let Some(top) = top.filter(|&t| at(t) > 0.0) else {
                continue;
            };
            let apart = (0.0003 / step_s) as i64;
            let next = (-reach..=reach)
                .filter(|l| (l - top).abs() > apart)
                .map(at)
                .fold(0.0, f32::max);
            // Two tracks of one voice in the mix make side peaks; the bus itself stands out from them.
            if at(top) > 2.0 * next {
                let fine = top as f64
                    + parabola(
                        f64::from(at(top - 1)),
                        f64::from(at(top)),
                        f64::from(at(top + 1)),
                    );
                bus.delay = (fine * step_s * f64::from(self.layout.rate)).round() as i64;
                bus.decided = true;
                if bus.delay != 0 {
                    bus.steps.iter_mut().for_each(|s| *s = None);
                }
            }
        }
    }

    /// Sum cross spectra; about every second reduce them to the ripple.
    fn follow_ripple<'a>(
        &mut self,
        window: &impl Fn(usize, usize) -> &'a [f32],
        powers: &impl Fn(usize, usize) -> &'a [f32],
        k: usize,
    ) {
        for (i, &source) in self.sources.iter().enumerate() {
            let x = window(source, k);
            lanes::add(&mut self.power[i], powers(source, k));
            for bus in &mut self.mixes {
                let (cross, mix) = (&mut bus.cross[i], window(bus.spectrum, k));
                lanes::add_cross(cross, x, mix);
            }
        }
        if !(self.windows + 1).is_multiple_of(RIPPLE_WINDOWS) {
            return;
        }
        // The last of them is the one at hand.
        let at_s =
            (self.layout).middle_s(self.windows as f64 - (RIPPLE_WINDOWS as f64 - 1.0) / 2.0);
        for (i, power) in self.power.iter_mut().enumerate() {
            for bus in &mut self.mixes {
                if let Some((quefrency_s, depth, distinct)) =
                    ripple(&self.layout, &bus.cross[i], power, &mut self.echo)
                {
                    bus.ripples[i].push(Ripple {
                        at_s,
                        quefrency_s,
                        depth,
                        distinct,
                    });
                }
                bus.cross[i].fill(0.0);
            }
            power.fill(0.0);
        }
    }

    /// All mixes.
    pub fn finish(mut self) -> Vec<Mix> {
        if self.in_step > 0 && !self.sources.is_empty() {
            self.solve(self.step + 1);
        }
        let sources = self.source_tracks;
        self.mixes
            .into_iter()
            .map(|bus| Mix {
                track: bus.track,
                sources: sources.clone(),
                steps: bus.steps,
                ripples: bus.ripples,
                bus_delay_samples: bus.delay,
            })
            .collect()
    }
}

/// A band of a spectrum times weights, real parts and then imaginary ones; bin `k` turned forward by `turn` times `k` where given.
fn scaled(
    row: &[f32],
    weights: &[f32],
    band: std::ops::Range<usize>,
    turn: Option<f64>,
) -> Vec<f32> {
    let n = band.len();
    let (re, im) = row.split_at(row.len() / 2);
    let (re, im, weights) = (&re[band.clone()], &im[band.clone()], &weights[band.clone()]);
    let mut out = vec![0f32; 2 * n];
    let (out_re, out_im) = out.split_at_mut(n);
    let Some(turn) = turn else {
        weigh(out_re, re, weights);
        weigh(out_im, im, weights);
        return out;
    };
    let mut phase = Complex::from_polar(1.0, turn * band.start as f64);
    let step = Complex::from_polar(1.0, turn);
    for k in 0..n {
        let turned = Complex::new(re[k], im[k]) * Complex::new(phase.re as f32, phase.im as f32);
        (out_re[k], out_im[k]) = (turned.re * weights[k], turned.im * weights[k]);
        phase *= step;
    }
    out
}

/// Hann window, sampled in the middle of each step.
fn hann(n: usize) -> Vec<f32> {
    let turn = |i: usize| 2.0 * std::f32::consts::PI * (i as f32 + 0.5) / n as f32;
    (0..n).map(|i| 0.5 - 0.5 * turn(i).cos()).collect()
}

/// Magnitude, in double precision: products of two faint spectra are too small for the square of a single one.
fn magnitude(x: Complex<f32>) -> f32 {
    let (re, im) = (f64::from(x.re), f64::from(x.im));
    (re * re + im * im).sqrt() as f32
}

widest! {
    /// Let the mean of the powers follow what is there now by a share, and put the inverse of its root in their place; 0 for
    /// silence.
    fn weigh_by_mean<'a>(now: &'a mut [f32], mean: &'a mut [f32], share: f32) {
        for (mean, now) in mean.iter_mut().zip(now) {
            *mean += share * (*now - *mean);
            let weight = 1.0 / mean.sqrt();
            *now = if *mean > 0.0 { weight } else { 0.0 };
        }
    }

    fn weigh<'a, 'b>(out: &'a mut [f32], x: &'b [f32], weights: &'b [f32]) {
        for ((out, x), w) in out.iter_mut().zip(x).zip(weights) {
            *out = x * w;
        }
    }

    /// Dot product: sums in single precision over short stretches, those in double.
    fn dot<'a, 'b>(x: &'a [f32], y: &'b [f32]) -> f64 {
        const LANES: usize = 16;
        let mut totals = [0f64; LANES];
        for (x, y) in x.chunks(128).zip(y.chunks(128)) {
            let mut sums = [0f32; LANES];
            let ((x, x_rest), (y, y_rest)) = (x.as_chunks::<LANES>(), y.as_chunks::<LANES>());
            for (x, y) in x.iter().zip(y) {
                for k in 0..LANES {
                    sums[k] += x[k] * y[k];
                }
            }
            for (sum, (x, y)) in sums.iter_mut().zip(x_rest.iter().zip(y_rest)) {
                *sum += x * y;
            }
            for k in 0..LANES {
                totals[k] += f64::from(sums[k]);
            }
        }
        let mut total = 0.0;
        for part in totals {
            total += part;
        }
        total
    }
}

/// Gains from the normal equations (upper triangle, row by row); `None` for a silent mix or silent sources.
fn solved(
    normal: &[f64],
    right: &[f64],
    energy: f64,
    trace: f64,
    last: &[f64],
    equations: f64,
) -> Option<Step> {
    let n = right.len();
    if energy.is_nan() || energy <= 0.0 || trace.is_nan() || trace <= 0.0 {
        return None;
    }
    let entry = |i: usize, j: usize| normal[i.min(j) * n + i.max(j)];
    let pull = |i: usize| PULL * entry(i, i) + LEAST_PULL * trace / n as f64;
    let mut matrix: Vec<f64> = (0..n * n).map(|k| entry(k / n, k % n)).collect();
    for i in 0..n {
        matrix[i * n + i] += pull(i);
    }
    let factor = cholesky(&matrix, n)?;
    let target: Vec<f64> = (0..n).map(|i| right[i] + pull(i) * last[i]).collect();
    let gains = substituted(&factor, n, &target);
    let mut rest = energy;
    for i in 0..n {
        rest -= 2.0 * gains[i] * right[i];
        for j in 0..n {
            rest += gains[i] * gains[j] * entry(i, j);
        }
    }
    // Rounding of single-precision spectra: what is left below it says nothing.
    let rest = rest.max(1e-7 * energy);
    let variance = rest / (equations - n as f64).max(1.0);
    let given = |i: usize| {
        let mut unit = vec![0.0; n];
        unit[i] = 1.0;
        let own = substituted(&factor, n, &unit)[i].max(0.0);
        // What is left over, and how much of the gain comes from the pull alone (two tracks alike).
        let error = (own * variance).sqrt() + own * pull(i) * gains[i].abs();
        Given {
            gain: gains[i] as f32,
            error: error as f32,
            share: (gains[i] * gains[i] * entry(i, i) / energy) as f32,
        }
    };
    Some(Step {
        sources: (0..n).map(given).collect(),
        explained: (1.0 - rest / energy).clamp(0.0, 1.0) as f32,
    })
}

/// Lower triangle of a symmetric positive matrix; `None` where it is not positive.
fn cholesky(matrix: &[f64], n: usize) -> Option<Vec<f64>> {
    let mut lower = vec![0f64; n * n];
    for i in 0..n {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| lower[i * n + k] * lower[j * n + k]).sum();
            let value = matrix[i * n + j] - sum;
            if i == j {
                if value.is_nan() || value <= 0.0 {
                    return None;
                }
                lower[i * n + i] = value.sqrt();
            } else {
                lower[i * n + j] = value / lower[j * n + j];
            }
        }
    }
    Some(lower)
}

/// Solution by forward and backward substitution.
fn substituted(lower: &[f64], n: usize, right: &[f64]) -> Vec<f64> {
    let mut y = right.to_vec();
    for i in 0..n {
        for k in 0..i {
            y[i] -= lower[i * n + k] * y[k];
        }
        y[i] /= lower[i * n + i];
    }
    for i in (0..n).rev() {
        for k in i + 1..n {
            y[i] -= lower[k * n + i] * y[k];
        }
        y[i] /= lower[i * n + i];
    }
    y
}

/// Quefrency in seconds, depth and distinctness of the ripple of `cross / power`.
fn ripple(
    layout: &Layout,
    cross: &[f32],
    power: &[f32],
    echo: &mut Echo,
) -> Option<(f64, f32, f32)> {
    let band = layout.band(RIPPLE_HZ.0, RIPPLE_HZ.1);
    let n = band.len();
    if !(64..=ECHO_SIZE).contains(&n) || band.clone().any(|k| power[k] <= 0.0) {
        return None;
    }
    let logs: Vec<f32> = band
        .map(|k| {
            let cross = Complex::new(cross[k], cross[layout.bins + k]);
            (magnitude(cross) / power[k]).max(1e-9).ln()
        })
        .collect();
    // Slow trend: a moving mean over about 1.7 kHz; ripple of a delay above 0.6 ms stays whole.
    let half = ((850.0 / layout.bin_hz) as usize).max(1);
    let mut sums = vec![0f64; n + 1];
    for (i, x) in logs.iter().enumerate() {
        sums[i + 1] = sums[i] + f64::from(*x);
    }
    let (mut input, mut window) = ([0f32; ECHO_SIZE], [0f32; ECHO_SIZE]);
    window[..n].copy_from_slice(&echo.window);
    let mut gain = 0f32;
    for i in 0..n {
        let (a, b) = (i.saturating_sub(half), (i + half + 1).min(n));
        let trend = ((sums[b] - sums[a]) / (b - a) as f64) as f32;
        let w = echo.window[i];
        input[i] = logs[i] - trend;
        gain += w;
    }
    let out = echo.forward.bins(&input, 0.0, &window);
    let step_s = 1.0 / (layout.bin_hz * ECHO_SIZE as f64);
    let (first, last) = (
        (0.0004 / step_s).ceil() as usize,
        ((0.02 / step_s) as usize).min(out.len() - 2),
    );
    let sizes: Vec<f32> = out.iter().map(|&x| magnitude(x)).collect();
    let top = (first..=last).max_by(|&p, &q| sizes[p].total_cmp(&sizes[q]).then(q.cmp(&p)))?;
    let mut around = sizes[first..=last].to_vec();
    let middle = around.len() / 2;
    let median = around
        .select_nth_unstable_by(middle, f32::total_cmp)
        .1
        .max(1e-12);
    let offset = parabola(
        f64::from(sizes[top - 1]),
        f64::from(sizes[top]),
        f64::from(sizes[top + 1]),
    );
    Some((
        (top as f64 + offset) * step_s,
        2.0 * sizes[top] / gain,
        sizes[top] / median,
    ))
}
