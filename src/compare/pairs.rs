//! Delay, polarity, coherence and level between microphones: cross spectra per quarter second, reduced to candidates.
//!
//! While the samples stream by, the spectra of [`super::spectra`] are multiplied pair by pair. Twelve windows (half a
//! second, every quarter of a second) make a *cell*: the cross spectrum over the geometric mean of the two powers, weighted
//! by the share that stands over the background of both tracks, transformed back to a correlation over the delay. What is
//! kept of a cell are its highest peaks, each refined on the spectrum itself, with the sign that the phases of 500 Hz to
//! 3 kHz agree on at that delay. Low-cut filters turn the phases below that band, body microphones' losses those above it.
//!
//! After the pass [`measure`] picks the cells in which one talker alone speaks, follows the peaks through each stretch of
//! speech (a walking talker moves them by no more than 6 ms a second), and takes the median over the stretches. Where one
//! body microphone of the pair belongs to somebody, that person's own stretches count.

use std::sync::Arc;

use rayon::prelude::*;
use rustfft::num_complex::Complex;

use super::SpeechMap;
use super::spectra::{HALF, Layout, SpectrumMeter, TrackCell};
use super::speech::runs;
use crate::aside::{Aside, Series};
use crate::dsp::compact::Code;
use crate::dsp::fft::Back;
use crate::dsp::lanes;
use crate::dsp::shared::Shared;
use crate::dsp::widest::widest;
use crate::measure::Grid;
use crate::report::model::{DelayKind, Polarity, Role};
use crate::take::Take;
use crate::units::power_db;

/// Delays searched, ms: boom and body microphones within 7 m, or a digital link (up to 19 ms: from memory, no source).
const REACH_MS: f64 = 22.0;
/// Candidates kept per cell.
const CANDIDATES: usize = 3;
/// Band in which the phases decide the polarity, Hz.
const POLARITY_HZ: (f64, f64) = (500.0, 3000.0);
/// Band of the delay correlation, Hz: below it low-cuts turn the phase.
const DELAY_HZ: (f64, f64) = (400.0, 9000.0);
/// Band in which two tracks are tested for being one signal, Hz.
const COPY_HZ: (f64, f64) = (100.0, 8000.0);
/// Share of the band that has to stand over both backgrounds for a cell to be measured.
const LEAST_SHARE: f32 = 0.06;
/// Pairs besides boom and plant against the rest, at most: nearly all of 29 body microphones. Beyond that work would go on growing
/// with the square of the tracks; neighbours on the recorder go first, for they are patched by the same hand.
const OTHER_PAIRS: usize = 400;

/// A peak of the correlation of a cell.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Candidate {
    /// See [`Candidate::delay_s`]; in single precision, of which a nanosecond is left.
    delay_s: f32,
    /// Correlation, -1..1; negative where the signs differ.
    pub height: f32,
    /// Mean direction of the phases of 500 Hz to 3 kHz at that delay: 1 same sign, -1 opposite, near 0 undecided.
    pub phase: f32,
}

impl Candidate {
    /// Seconds; positive: the second track is later.
    pub fn delay_s(&self) -> f64 {
        f64::from(self.delay_s)
    }
}

/// Half a second of a pair.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Cell {
    /// Number of the half cell it ends with; see [`PairCells::middle_s`].
    pub half: u32,
    /// Highest peaks first.
    pub candidates: [Candidate; CANDIDATES],
    /// Magnitude-squared coherence over 500 Hz to 3 kHz, without the share that chance gives, 0..1.
    pub coherence: f32,
    /// Second minus first over 500 Hz to 4 kHz, where speech stands over both backgrounds, dB.
    pub level_difference_db: f32,
    /// Power of the first track over 100 Hz to 8 kHz, dB re an arbitrary but constant level.
    pub level_db: f32,
    /// What the second track holds that is no scaled and delayed copy of the first, perhaps through another low-cut and tone
    /// control, against its whole, dB.
    pub residual_db: f32,
}

impl Code for Cell {
    const BYTES: usize = 4 * (5 + 3 * CANDIDATES);

    fn put(self, to: &mut Vec<u8>) {
        self.half.put(to);
        for candidate in self.candidates {
            [candidate.delay_s, candidate.height, candidate.phase].put(to);
        }
        let levels = [self.level_difference_db, self.level_db, self.residual_db];
        self.coherence.put(to);
        levels.put(to);
    }

    fn get(bytes: &[u8]) -> Cell {
        let candidate = |n: usize| {
            let [delay_s, height, phase] = Code::get(&bytes[4 + 12 * n..]);
            Candidate {
                delay_s,
                height,
                phase,
            }
        };
        let rest = Code::get(&bytes[4 + 12 * CANDIDATES..]);
        let [coherence, level_difference_db, level_db, residual_db] = rest;
        Cell {
            half: Code::get(bytes),
            candidates: std::array::from_fn(candidate),
            coherence,
            level_difference_db,
            level_db,
            residual_db,
        }
    }
}

impl Cell {
    /// Highest peak against the next.
    pub fn distinctness(&self) -> f64 {
        f64::from(self.candidates[0].height.abs())
            / f64::from(self.candidates[1].height.abs()).max(1e-6)
    }
}

/// All cells of two tracks in which both carry something.
#[derive(Debug, Clone)]
pub struct PairCells {
    /// Position of the first track in the take.
    pub a: usize,
    /// Position of the second.
    pub b: usize,
    /// Sizes.
    pub layout: Layout,
    /// In time order.
    pub cells: Series<Cell>,
}

impl PairCells {
    /// Middle of a cell in seconds.
    pub fn middle_s(&self, cell: &Cell) -> f64 {
        middle_s(&self.layout, cell.half as usize)
    }
}

/// Middle of the cell that ends with a half cell, seconds.
fn middle_s(layout: &Layout, half: usize) -> f64 {
    // Windows HALF*(half-1) .. HALF*(half+1) - 1.
    layout.middle_s((HALF * half) as f64 - 0.5)
}

/// The streaming part: all microphones of a take in step.
#[derive(Debug)]
pub struct PairMeter {
    layout: Layout,
    /// Position in the take of each spectrum meter.
    positions: Vec<usize>,
    halves: usize,
    windows: usize,
    pairs: Vec<Running>,
    scratches: Vec<Scratch>,
}

/// Pairs are worked on in so many parts a thread, each with memory of its own: enough to share them out evenly.
const PARTS_A_THREAD: usize = 4;

/// A pair on its way.
#[derive(Debug)]
struct Running {
    /// Positions in `PairMeter::positions`.
    a: usize,
    b: usize,
    /// Cross spectrum of the half cell under way and of the one before, as rows (see [`super::spectra`]).
    sum: Vec<f32>,
    last: Vec<f32>,
    cells: Series<Cell>,
}

/// Memory for one transform.
#[derive(Debug)]
struct Scratch {
    cross: Vec<Complex<f32>>,
    weights: Vec<f32>,
    scales: Vec<f32>,
    coherent: Vec<f32>,
    /// Cross spectrum over the powers.
    normalised: Vec<Complex<f32>>,
    back: Back,
    /// For [`peaks`]: the correlation in the order of delays, and its maxima.
    sorted: Vec<f32>,
    heights: Vec<f32>,
    bends: Arc<Bends>,
}

impl PairMeter {
    /// A meter for the microphones of a take; `positions` are the tracks of the spectrum meters. Cells go aside.
    pub fn new(take: &Take, layout: Layout, positions: &[usize], aside: &Aside) -> PairMeter {
        let roles: Vec<Role> = positions.iter().map(|&i| take.tracks[i].role).collect();
        let pairs: Vec<Running> = followed(&roles)
            .into_iter()
            .map(|(a, b)| Running {
                a,
                b,
                sum: vec![0.0; 2 * layout.bins],
                last: vec![0.0; 2 * layout.bins],
                cells: Series::new(aside),
            })
            .collect();
        let parts = (PARTS_A_THREAD * rayon::current_num_threads()).min(pairs.len());
        PairMeter {
            layout,
            positions: positions.to_vec(),
            halves: 0,
            windows: 0,
            scratches: (0..parts).map(|_| Scratch::new(layout)).collect(),
            pairs,
        }
    }

    /// Take in the windows of a block.
    pub fn push(&mut self, spectra: &[SpectrumMeter]) {
        if self.pairs.is_empty() {
            return;
        }
        let (layout, first_half, first_window) = (self.layout, self.halves, self.windows);
        let part = self.pairs.len().div_ceil(self.scratches.len());
        let parts = self.pairs.par_chunks_mut(part).zip(&mut self.scratches);
        parts.for_each(|(pairs, scratch)| {
            for pair in pairs {
                let (a, b) = (&spectra[pair.a].block, &spectra[pair.b].block);
                let mut half = first_half;
                let windows = a
                    .windows
                    .chunks_exact(2 * layout.bins)
                    .zip(b.windows.chunks_exact(2 * layout.bins));
                for (k, (xa, xb)) in windows.enumerate() {
                    lanes::add_cross(&mut pair.sum, xa, xb);
                    if (first_window + k + 1) % HALF != 0 {
                        continue;
                    }
                    let i = half - first_half;
                    if half > 0 {
                        let parts = Parts {
                            cross: (&pair.last, &pair.sum),
                            a: &a.cells[i],
                            b: &b.cells[i],
                        };
                        pair.cells.extend(cell(&layout, half, &parts, scratch));
                    }
                    std::mem::swap(&mut pair.sum, &mut pair.last);
                    pair.sum.fill(0.0);
                    half += 1;
                }
            }
        });
        self.windows += spectra[0].block.windows.len() / (2 * layout.bins).max(1);
        self.halves += spectra[0].block.cells.len();
    }

    /// The cells of all pairs.
    pub fn finish(self) -> Vec<PairCells> {
        let (positions, layout) = (self.positions, self.layout);
        self.pairs
            .into_iter()
            .map(|pair| PairCells {
                a: positions[pair.a],
                b: positions[pair.b],
                layout,
                cells: pair.cells,
            })
            .collect()
    }
}

/// The pairs of tracks that are followed, in order: every boom and plant with every other microphone, and of the rest as many as
/// [`OTHER_PAIRS`], neighbours first. Mixes are left out.
fn followed(roles: &[Role]) -> Vec<(usize, usize)> {
    let microphones: Vec<usize> = (0..roles.len())
        .filter(|&i| roles[i] != Role::Mix)
        .collect();
    let all = microphones
        .iter()
        .enumerate()
        .flat_map(|(k, &a)| microphones[k + 1..].iter().map(move |&b| (a, b)));
    let hears_all = |i: usize| matches!(roles[i], Role::Boom | Role::Plant);
    let (mut pairs, mut others): (Vec<_>, Vec<_>) =
        all.partition(|&(a, b)| hears_all(a) || hears_all(b));
    others.sort_by_key(|&(a, b)| (b - a, a));
    others.truncate(OTHER_PAIRS);
    pairs.extend(others);
    pairs.sort_unstable();
    pairs
}

impl Scratch {
    fn new(layout: Layout) -> Scratch {
        Scratch {
            cross: vec![Complex::default(); layout.bins],
            weights: vec![0.0; layout.bins],
            scales: Vec::with_capacity(layout.bins),
            coherent: Vec::with_capacity(layout.bins),
            normalised: vec![Complex::default(); layout.bins],
            back: Back::new((layout.bins.max(8) * 5).next_power_of_two()),
            sorted: Vec::new(),
            heights: Vec::new(),
            bends: Bends::of(&layout),
        }
    }
}

/// The two halves of a cell.
struct Parts<'a> {
    cross: (&'a [f32], &'a [f32]),
    a: &'a TrackCell,
    b: &'a TrackCell,
}

/// Phases that go side by side: each waits for the one it is made from.
const BESIDE: usize = 8;

/// A sum of bins, each turned by a phase that grows from bin to bin.
#[derive(Clone, Copy)]
struct Turning {
    /// Phases of the next bins, and what takes each to the one after.
    re: [f64; BESIDE],
    im: [f64; BESIDE],
    step: (f64, f64),
    /// Real and imaginary parts so far.
    along: [f64; BESIDE],
    across: [f64; BESIDE],
}

impl Turning {
    /// Nothing yet; the first bin has the number `first` and is turned by `turn` times that.
    fn new(first: usize, turn: f64) -> Turning {
        let one = Complex::from_polar(1.0, turn);
        let mut phases = [Complex::from_polar(1.0, turn * first as f64); BESIDE];
        for k in 1..BESIDE {
            phases[k] = phases[k - 1] * one;
        }
        let step = one.powu(BESIDE as u32);
        Turning {
            re: phases.map(|p| p.re),
            im: phases.map(|p| p.im),
            step: (step.re, step.im),
            along: [0.0; BESIDE],
            across: [0.0; BESIDE],
        }
    }
}

/// Add the next bins, real and imaginary parts apart, to the real part of a sum only.
#[inline(always)]
fn add_along(sum: &mut Turning, x: &[f64; BESIDE], y: &[f64; BESIDE]) {
    let (re, im) = (&mut sum.re, &mut sum.im);
    for k in 0..BESIDE {
        sum.along[k] += x[k] * re[k] - y[k] * im[k];
        (re[k], im[k]) = (
            re[k] * sum.step.0 - im[k] * sum.step.1,
            re[k] * sum.step.1 + im[k] * sum.step.0,
        );
    }
}

widest! {
    /// Add the next bins to the real parts of three sums: one alone would wait for its phases.
    fn add_to_three<'a, 'b>(sums: &'a mut [Turning; 3], bins: &'b [[Complex<f32>; BESIDE]]) {
        let [mut first, mut second, mut third] = *sums;
        for bins in bins {
            let (mut x, mut y) = ([0f64; BESIDE], [0f64; BESIDE]);
            for k in 0..BESIDE {
                (x[k], y[k]) = (f64::from(bins[k].re), f64::from(bins[k].im));
            }
            add_along(&mut first, &x, &y);
            add_along(&mut second, &x, &y);
            add_along(&mut third, &x, &y);
        }
        *sums = [first, second, third];
    }

    /// Add the next bins.
    fn add_turned<'a, 'b>(sum: &'a mut Turning, bins: &'b [[Complex<f32>; BESIDE]]) {
        let Turning { mut re, mut im, step, mut along, mut across } = *sum;
        for x in bins {
            for k in 0..BESIDE {
                let (x, y) = (f64::from(x[k].re), f64::from(x[k].im));
                along[k] += x * re[k] - y * im[k];
                across[k] += x * im[k] + y * re[k];
                (re[k], im[k]) = (re[k] * step.0 - im[k] * step.1, re[k] * step.1 + im[k] * step.0);
            }
        }
        *sum = Turning { re, im, step, along, across };
    }

    /// Bins of one spectrum and another together, from rows.
    fn add_bins<'a, 'b>(out: &'a mut [Complex<f32>], x: &'b [f32], y: &'b [f32]) {
        let n = out.len();
        let ((x_re, x_im), (y_re, y_im)) = (x.split_at(n), y.split_at(n));
        let x = x_re.iter().zip(x_im);
        for ((out, x), y) in out.iter_mut().zip(x).zip(y_re.iter().zip(y_im)) {
            (out.re, out.im) = (x.0 + y.0, x.1 + y.1);
        }
    }

    /// Bins, each times its own factor.
    fn scale_bins<'a, 'b>(out: &'a mut [Complex<f32>], x: &'b [Complex<f32>], scales: &'b [f32]) {
        for ((out, x), scale) in out.iter_mut().zip(x).zip(scales) {
            (out.re, out.im) = (x.re * scale, x.im * scale);
        }
    }

    /// The magnitude of each inner value that is larger than that of the one before and not smaller than that of the one after;
    /// 0 for the others.
    fn heights_of_maxima<'a, 'b>(out: &'a mut [f32], values: &'b [f32]) {
        let n = out.len();
        let (before, here, after) = (&values[..n], &values[1..n + 1], &values[2..n + 2]);
        for k in 0..n {
            let size = here[k].abs();
            let largest = (size > before[k].abs()) & (size >= after[k].abs());
            out[k] = if largest { size } else { 0.0 };
        }
    }

    fn geometric_means<'a, 'b>(out: &'a mut [f32], a: &'b [f32], b: &'b [f32]) {
        for ((out, a), b) in out.iter_mut().zip(a).zip(b) {
            *out = (a * b).sqrt();
        }
    }

    /// Weights over the root of the product of two powers; 0 for silence.
    fn over_root_powers<'a, 'b>(out: &'a mut [f32], weights: &'b [f32], a: &'b [f32], b: &'b [f32]) {
        for (((out, w), a), b) in out.iter_mut().zip(weights).zip(a).zip(b) {
            let power = a * b;
            *out = if power > 0.0 { w / power.sqrt() } else { 0.0 };
        }
    }

    /// Weights times the magnitude-squared coherence without the share that `chance` gives; 0 for silence.
    fn over_chance<'a, 'b>(
        out: &'a mut [f32],
        weights: &'b [f32],
        cross: &'b [Complex<f32>],
        a: &'b [f32],
        b: &'b [f32],
        chance: f32,
    ) {
        for ((((out, w), x), a), b) in out.iter_mut().zip(weights).zip(cross).zip(a).zip(b) {
            let power = a * b;
            let share = (x.re * x.re + x.im * x.im) / power;
            *out = if power > 0.0 { w * ((share - chance) / (1.0 - chance)).max(0.0) } else { 0.0 };
        }
    }

    /// Sum of the products of bins and phases; the shorter length counts.
    fn dot<'a, 'b>(bins: &'a [Complex<f64>], phases: &'b [Complex<f64>]) -> Complex<f64> {
        let n = bins.len().min(phases.len());
        let (mut re, mut im) = ([0f64; BESIDE], [0f64; BESIDE]);
        for (x, y) in bins[..n].chunks(BESIDE).zip(phases[..n].chunks(BESIDE)) {
            for (k, (x, y)) in x.iter().zip(y).enumerate() {
                re[k] += x.re * y.re - x.im * y.im;
                im[k] += x.re * y.im + x.im * y.re;
            }
        }
        let mut sum = Complex::default();
        for k in 0..BESIDE {
            sum += Complex::new(re[k], im[k]);
        }
        sum
    }

    /// Sum of the magnitudes of bins.
    fn sum_of_sizes<'a>(bins: &'a [Complex<f32>]) -> f64 {
        let (whole, rest) = bins.as_chunks::<BESIDE>();
        let mut sums = [0f64; BESIDE];
        for x in whole {
            for k in 0..BESIDE {
                let (re, im) = (f64::from(x[k].re), f64::from(x[k].im));
                sums[k] += (re * re + im * im).sqrt();
            }
        }
        for x in rest {
            sums[0] += f64::from(x.norm_sqr()).sqrt();
        }
        let mut sum = 0.0;
        for part in sums {
            sum += part;
        }
        sum
    }
}

/// Reduce a cell; `None` where too little stands over the backgrounds.
fn cell(layout: &Layout, half: usize, parts: &Parts<'_>, scratch: &mut Scratch) -> Option<Cell> {
    let band = layout.band(DELAY_HZ.0, DELAY_HZ.1);
    if band.is_empty() {
        return None;
    }
    // Share over the background, of both tracks by the geometric mean.
    let weights = &mut scratch.weights[band.clone()];
    let (a, b) = (&parts.a.over[band.clone()], &parts.b.over[band.clone()]);
    geometric_means(weights, a, b);
    let share = lanes::sum(weights) as f32;
    if share < LEAST_SHARE * band.len() as f32 {
        return None;
    }
    add_bins(&mut scratch.cross, parts.cross.0, parts.cross.1);
    scratch.scales.resize(band.len(), 0.0);
    let (a, b) = (&parts.a.power[band.clone()], &parts.b.power[band.clone()]);
    over_root_powers(&mut scratch.scales, weights, a, b);
    let normalised = &mut scratch.normalised[band.clone()];
    scale_bins(normalised, &scratch.cross[band.clone()], &scratch.scales);
    let normalised = &scratch.normalised;
    let bins = scratch.back.bins();
    bins.fill(Complex::default());
    bins[band.clone()].copy_from_slice(&normalised[band.clone()]);
    let correlation = scratch.back.samples();
    let step_s = 1.0 / (layout.bin_hz * correlation.len() as f64);
    let memory = [&mut scratch.sorted, &mut scratch.heights];
    let mut candidates = [Candidate::default(); CANDIDATES];
    let band_of_polarity = layout.band(POLARITY_HZ.0, POLARITY_HZ.1);
    let sizes = sum_of_sizes(&normalised[band_of_polarity]);
    let search = Search {
        layout,
        spectrum: normalised,
        band: band.clone(),
        share,
        sizes,
        step_s,
    };
    let lags = peaks(correlation, step_s, memory);
    for (slot, lag) in candidates.iter_mut().zip(lags) {
        *slot = search.refined(lag * step_s);
    }
    candidates.sort_by(|p, q| q.height.abs().total_cmp(&p.height.abs()));

    let polarity = layout.band(POLARITY_HZ.0, POLARITY_HZ.1);
    // Windows that overlap by half count as two thirds each.
    let independent = (2 * HALF) as f32 * 2.0 / 3.0;
    // What has a weight has power.
    let weights = &scratch.weights[polarity.clone()];
    let coherent = &mut scratch.coherent;
    coherent.resize(polarity.len(), 0.0);
    let (a, b) = (
        &parts.a.power[polarity.clone()],
        &parts.b.power[polarity.clone()],
    );
    over_chance(
        coherent,
        weights,
        &scratch.cross[polarity],
        a,
        b,
        1.0 / independent,
    );
    let (coherence, weight) = (lanes::sum(coherent), lanes::sum(weights));
    let of_level = layout.band(500.0, 4000.0);
    let weights = &scratch.weights[of_level.clone()];
    let [level_a, level_b] =
        [parts.a, parts.b].map(|t| lanes::sum_of_products(weights, &t.power[of_level.clone()]));
    let turn = 2.0 * std::f64::consts::PI * layout.bin_hz * candidates[0].delay_s();
    let copy = layout.band(COPY_HZ.0, COPY_HZ.1);
    let common = turned_sum(&scratch.cross[copy.clone()], copy.start, turn);
    let [power_a, power_b] = [parts.a, parts.b].map(|t| lanes::sum(&t.power[copy.clone()]));
    let mut residual = 1.0 - common.norm_sqr() / (power_a * power_b).max(f64::MIN_POSITIVE);
    let coherence = if weight > 0.0 {
        (coherence / weight) as f32
    } else {
        0.0
    };
    if coherence > ONE_SOURCE && residual > SURELY_A_COPY {
        let powers = (&parts.a.power[..], &parts.b.power[..]);
        residual = residual.min(scratch.bends.residual(&scratch.cross, powers, turn));
    }
    Some(Cell {
        half: half as u32,
        candidates,
        coherence,
        level_difference_db: (power_db(level_b) - power_db(level_a)) as f32,
        level_db: power_db(power_a) as f32,
        residual_db: power_db(residual.max(1e-12)) as f32,
    })
}

/// Positions (in steps, signed, between steps by a parabola) of the highest local maxima of the magnitude, highest first,
/// at least 0.2 ms apart. `memory` is used again, whatever it holds.
fn peaks(correlation: &[f32], step_s: f64, memory: [&mut Vec<f32>; 2]) -> Vec<f64> {
    let n = correlation.len() as i64;
    let reach = ((REACH_MS / 1000.0 / step_s) as i64).min(n / 2 - 2);
    if reach < 0 {
        return Vec::new();
    }
    let [sorted, heights] = memory;
    // From the earliest lag to the latest, one more on either side.
    sorted.clear();
    sorted.extend_from_slice(&correlation[(n - reach - 1) as usize..]);
    sorted.extend_from_slice(&correlation[..(reach + 2) as usize]);
    heights.resize(sorted.len() - 2, 0.0);
    heights_of_maxima(heights, sorted);
    let at = |lag: i64| f64::from(sorted[(lag + reach + 1) as usize]);
    // Lags that differ by less.
    let apart = (0.0002 / step_s).ceil() as usize;
    let mut chosen = Vec::with_capacity(CANDIDATES);
    while chosen.len() < CANDIDATES {
        let highest = lanes::peak(heights);
        // Of equal heights the earliest lag.
        let place = lanes::position(heights, highest);
        let Some(place) = place.filter(|_| highest > 0.0) else {
            break;
        };
        let lag = place as i64 - reach;
        chosen.push(lag as f64 + parabola(at(lag - 1), at(lag), at(lag + 1)));
        let end = (place + apart).min(heights.len());
        heights[(place + 1).saturating_sub(apart)..end].fill(0.0);
    }
    chosen
}

/// Offset of the vertex of the parabola through three values one step apart, -0.5..0.5 steps.
pub fn parabola(before: f64, at: f64, after: f64) -> f64 {
    let bend = before - 2.0 * at + after;
    if bend == 0.0 {
        0.0
    } else {
        (0.5 * (before - after) / bend).clamp(-0.5, 0.5)
    }
}

/// Coherence from which a cell may hold one signal on two paths, and residual from which no filter has to explain it.
const ONE_SOURCE: f32 = 0.9;
const SURELY_A_COPY: f64 = 0.001;
/// Furthest that a low-cut turns the phase, as the frequency at which it would be one radian, Hz: one of second order at
/// 120 Hz reaches 170. Steps of the search to either side; above [`BENT_HZ`] nothing is left of it.
const LOW_CUT_HZ: f64 = 180.0;
const LOW_CUT_STEPS: i32 = 9;
const BENT_HZ: f64 = 1500.0;

/// What low-cuts do to phases above their corner: they bend as `c / f`.
#[derive(Debug)]
struct Bends {
    /// Bins that are compared, and how many of them bend.
    band: std::ops::Range<usize>,
    bent: usize,
    /// Of each low-cut tried the phases of the bins that bend.
    phases: Vec<Vec<Complex<f64>>>,
}

impl Bends {
    /// Those of a layout, made once: memory for transforms is set up again with every block.
    fn of(layout: &Layout) -> Arc<Bends> {
        static TABLES: Shared<u32, Bends> = Shared::new();
        TABLES.get(layout.rate, || Bends::new(layout))
    }

    fn new(layout: &Layout) -> Bends {
        let band = layout.band(COPY_HZ.0, COPY_HZ.1);
        let bent = layout.band(COPY_HZ.0, BENT_HZ.min(COPY_HZ.1));
        let at = |c: f64, k: usize| Complex::from_polar(1.0, c / (layout.bin_hz * k as f64));
        let step = LOW_CUT_HZ / f64::from(LOW_CUT_STEPS);
        Bends {
            band,
            bent: bent.len(),
            phases: (-LOW_CUT_STEPS..=LOW_CUT_STEPS)
                .map(|n| bent.clone().map(|k| at(step * f64::from(n), k)).collect())
                .collect(),
        }
    }

    /// What is left of the residual of a copy when one of the paths may have another low-cut and another tone: each bin may
    /// have its own level. `turn`: what the delay turns from bin to bin. 1 for silence.
    fn residual(&self, cross: &[Complex<f32>], powers: (&[f32], &[f32]), turn: f64) -> f64 {
        let band = self.band.clone();
        let middle = band.start + self.bent;
        let mut phase = Complex::from_polar(1.0, turn * band.start as f64);
        let step = Complex::from_polar(1.0, turn);
        let low: Vec<Complex<f64>> = cross[band.start..middle]
            .iter()
            .map(|c| {
                let turned = phase * Complex::new(f64::from(c.re), f64::from(c.im));
                phase *= step;
                turned
            })
            .collect();
        let high = turned_sum(&cross[middle..band.end], middle, turn);
        let bent = |phases: &Vec<Complex<f64>>| (high + dot(&low, phases)).norm_sqr();
        let most = self.phases.iter().map(bent).fold(0.0, f64::max);
        let powers = powers.0[band.clone()].iter().zip(&powers.1[band]);
        let whole: f64 = powers.map(|(a, b)| f64::from((a * b).sqrt())).sum();
        1.0 - most / (whole * whole).max(f64::MIN_POSITIVE)
    }
}

/// Sum of bins from `first` on, each turned by `turn` times its number.
fn turned_sum(bins: &[Complex<f32>], first: usize, turn: f64) -> Complex<f64> {
    let mut sum = Turning::new(first, turn);
    let (whole, rest) = bins.as_chunks::<BESIDE>();
    add_turned(&mut sum, whole);
    let mut last = [Complex::default(); BESIDE];
    last[..rest.len()].copy_from_slice(rest);
    add_turned(&mut sum, &[last]);
    Complex::new(sum.along.iter().sum(), sum.across.iter().sum())
}

/// The real parts of [`turned_sum`] by three turns.
fn turned_along(bins: &[Complex<f32>], first: usize, turns: [f64; 3]) -> [f64; 3] {
    let [a, b, c] = turns;
    // Neither made nor read by a map: that moves all of it.
    let mut sums = [
        Turning::new(first, a),
        Turning::new(first, b),
        Turning::new(first, c),
    ];
    let (whole, rest) = bins.as_chunks::<BESIDE>();
    add_to_three(&mut sums, whole);
    let mut last = [Complex::default(); BESIDE];
    last[..rest.len()].copy_from_slice(rest);
    add_to_three(&mut sums, &[last]);
    [0, 1, 2].map(|n| sums[n].along.iter().sum())
}

/// What the peaks of one cell are refined on.
struct Search<'a> {
    layout: &'a Layout,
    /// Cross spectrum over the powers.
    spectrum: &'a [Complex<f32>],
    band: std::ops::Range<usize>,
    share: f32,
    /// Sum of the magnitudes in the band that decides the polarity.
    sizes: f64,
    step_s: f64,
}

impl Search<'_> {
    /// A peak, refined by evaluating the correlation exactly at three delays an eighth of a step apart, and its phase.
    fn refined(&self, delay_s: f64) -> Candidate {
        let (layout, spectrum, band) = (self.layout, self.spectrum, &self.band);
        let fine = self.step_s / 8.0;
        let delays = [delay_s - fine, delay_s, delay_s + fine];
        let turns = delays.map(|delay| 2.0 * std::f64::consts::PI * layout.bin_hz * delay);
        let [before, at, after] = turned_along(&spectrum[band.clone()], band.start, turns);
        let bend = before - 2.0 * at + after;
        let offset = if bend == 0.0 {
            0.0
        } else {
            (0.5 * (before - after) / bend).clamp(-4.0, 4.0)
        };
        let delay_s = delay_s + offset * fine;
        let turn = 2.0 * std::f64::consts::PI * layout.bin_hz * delay_s;
        let polarity = layout.band(POLARITY_HZ.0, POLARITY_HZ.1);
        let along = turned_sum(&spectrum[polarity.clone()], polarity.start, turn).re;
        Candidate {
            delay_s: delay_s as f32,
            height: (at / f64::from(self.share)) as f32,
            phase: if self.sizes > 0.0 {
                (along / self.sizes) as f32
            } else {
                0.0
            },
        }
    }
}

/// A stretch of one talker's speech on a pair.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    /// Seconds.
    pub start_s: f64,
    /// Seconds.
    pub end_s: f64,
    /// Position in [`SpeechMap::talkers`]; `None` where it cannot be said who speaks.
    pub talker: Option<usize>,
    /// At the middle of the stretch; `None` where no peak stands out.
    pub delay_s: Option<f64>,
    /// Change of the delay, seconds a second; 0 where it stands still.
    pub slope: f64,
    /// Mean over the cells, 0..1.
    pub coherence: f64,
    /// Mean direction of the phases at that delay, -1..1.
    pub phase: f64,
    /// Mean height of the peaks followed, 0..1.
    pub height: f64,
    /// Second minus first, dB.
    pub level_difference_db: f64,
    /// Number of cells.
    pub cells: usize,
}

impl Segment {
    /// The sign, where the phases agree on one.
    pub fn polarity(&self) -> Polarity {
        match self.delay_s {
            Some(_) if self.phase > CLEAR_PHASE => Polarity::Same,
            Some(_) if self.phase < -CLEAR_PHASE => Polarity::Inverted,
            _ => Polarity::Unclear,
        }
    }
}

/// Everything known of two tracks.
#[derive(Debug, Clone)]
pub struct PairMeasures {
    /// Position of the first track in the take.
    pub a: usize,
    /// Position of the second, larger.
    pub b: usize,
    /// Half-second cells, in time order, only where both tracks carry something.
    pub cells: PairCells,
    /// Stretches of one talker alone.
    pub segments: Vec<Segment>,
    /// Median over the phrases of one talker; positive: b later. `None` where too few of them could be measured, and where
    /// somebody changed places, so that one phrase more or less would say another: then the segments tell.
    pub delay_s: Option<f64>,
    /// Half the distance between the 16th and 84th percentile of those stretches.
    pub spread_s: Option<f64>,
    /// Median over those stretches, 0..1.
    pub coherence: Option<f64>,
    /// Median over those stretches, b minus a.
    pub level_difference_db: Option<f64>,
    /// Sign of b against a, from this pair and from what the other pairs of the take say.
    pub polarity: Polarity,
    /// 0..1.
    pub polarity_confidence: Option<f64>,
    /// Evidence of this pair alone for the same sign: log odds, positive same, negative opposite.
    pub polarity_log_odds: f64,
    /// What the peaks followed through the wearers' own words say, however few they are: log odds, which may only contradict.
    pub followed_log_odds: f64,
    /// Two talkers who see opposite signs: a figure-of-eight or a side signal.
    pub bidirectional: bool,
    /// Stands still for whoever speaks, or moves; `None` where it cannot be told.
    pub kind: Option<DelayKind>,
}

/// Words of a wearer, nobody else speaking, from which a sign may be told, s; and how few are enough where the two microphones
/// agree so well: the direct sound does, reflections in a room do not (0.45).
const LEAST_WORDS_S: f64 = 3.0;
const FEW_WORDS_S: f64 = 2.0;
const CLEAR_COHERENCE: f64 = 0.55;
/// Log odds from which a sign is told.
const LEAST_LOG_ODDS: f64 = 4.0;
/// A segment's polarity counts from this mean phase direction on (detection by phase at the delay, 500 Hz to 3 kHz).
const CLEAR_PHASE: f64 = 0.6;
/// Longest segment, s: a walking talker's delay is a straight line for about so long.
const LONGEST_S: f64 = 4.0;
/// Shortest, s.
const SHORTEST_S: f64 = 0.3;
/// Log odds of one segment with clear phase: 2 % of them err.
const SEGMENT_LOG_ODDS: f64 = 3.89;

/// Delay, polarity and level of every pair, from the cells in which one talker alone speaks.
pub fn measure(cells: Vec<PairCells>, speech: &SpeechMap) -> Vec<PairMeasures> {
    let solos = solo_stretches(speech);
    let words: Vec<usize> = (0..speech.talkers.len())
        .map(|t| speech.alone_frames(t).len())
        .collect();
    let mut pairs: Vec<PairMeasures> = cells
        .into_par_iter()
        .map(|cells| measure_pair(cells, speech, &solos, &words))
        .collect();
    agree_on_polarity(&mut pairs);
    pairs
}

/// A stretch in which one talker alone speaks.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Solo {
    start_s: f64,
    end_s: f64,
    talker: Option<usize>,
}

fn solo_stretches(speech: &SpeechMap) -> Vec<Solo> {
    let grid = speech.grid;
    let mut solos = Vec::new();
    for stretch in &speech.stretches {
        let alone: Vec<bool> =
            (stretch.start..stretch.end)
                .map(|f| {
                    speech.by_talker.iter().enumerate().all(|(t, mask)| {
                        Some(t) == stretch.talker || !mask.get(f).is_some_and(|&m| m)
                    })
                })
                .collect();
        for (from, to) in runs(&alone) {
            let (start_s, end_s) = (
                grid.time_s(stretch.start + from),
                grid.time_s(stretch.start + to),
            );
            let parts = ((end_s - start_s) / LONGEST_S).ceil().max(1.0);
            let length = (end_s - start_s) / parts;
            if length < SHORTEST_S {
                continue;
            }
            solos.extend((0..parts as usize).map(|i| Solo {
                start_s: start_s + length * i as f64,
                end_s: start_s + length * (i + 1) as f64,
                talker: stretch.talker,
            }));
        }
    }
    solos.sort_by(|p, q| {
        p.start_s
            .total_cmp(&q.start_s)
            .then(p.talker.cmp(&q.talker))
    });
    solos
}

/// Whether there are words enough of a talker to tell a sign from, so many frames alone.
fn talks(talker: usize, words: usize, segments: &[Segment], grid: Grid) -> bool {
    let own = segments.iter().filter(|s| s.talker == Some(talker));
    let coherence: Vec<f64> = own.map(|s| s.coherence).collect();
    words >= grid.frames_in(LEAST_WORDS_S)
        || words >= grid.frames_in(FEW_WORDS_S)
            && quantile(&coherence, 0.5).is_some_and(|c| c >= CLEAR_COHERENCE)
}

/// `words`: per talker the frames in which nobody else speaks.
fn measure_pair(
    cells: PairCells,
    speech: &SpeechMap,
    solos: &[Solo],
    words: &[usize],
) -> PairMeasures {
    let (a, b) = (cells.a, cells.b);
    let owners: Vec<usize> = {
        let mut all: Vec<usize> = [speech.wearer(a), speech.wearer(b)]
            .into_iter()
            .flatten()
            .collect();
        all.dedup();
        all
    };
    // Reflections reach the far microphone later than the direct sound: where one of the two hangs on the talker, the
    // earlier of two like peaks at the other microphone is the direct sound.
    let far_sign = |talker: Option<usize>| match (speech.wearer(a), speech.wearer(b)) {
        (x, y) if x == y => 0.0,
        (Some(t), _) if Some(t) == talker => 1.0,
        (_, Some(t)) if Some(t) == talker => -1.0,
        _ => 0.0,
    };
    let segments: Vec<Segment> = solos
        .iter()
        .filter_map(|solo| segment(&cells, solo, far_sign(solo.talker)))
        .collect();
    let talks: Vec<bool> = (words.iter().enumerate())
        .map(|(talker, &words)| talks(talker, words, &segments, speech.grid))
        .collect();
    let Standing {
        counted,
        delays,
        delay_s,
    } = standing(&segments, candidates(&segments, &owners, &talks), speech);
    let anybody = |frame: usize| speech.any.get(frame).is_some_and(|&s| s);
    let all = log_odds(&cells, speech, &anybody);
    let leaning = |talker: Option<usize>| -> f64 {
        segments
            .iter()
            .filter(|s| s.talker == talker && s.cells >= 2)
            .map(|s| match s.polarity() {
                Polarity::Same => SEGMENT_LOG_ODDS * s.phase.abs(),
                Polarity::Inverted => -SEGMENT_LOG_ODDS * s.phase.abs(),
                Polarity::Unclear => 0.0,
            })
            .sum()
    };
    let followed: f64 = owners.iter().map(|&t| leaning(Some(t))).sum();
    // Of somebody who stands far from both a reflection may be the highest peak, and of a wearer who is hard to hear at the
    // other microphone, too: where a body microphone takes part its wearer's own words have to decide; the others' must not
    // contradict, nor the peaks followed through its wearer's, which have to agree between two wearers. Knocks on a pack whose
    // wearer says nothing are no words.
    let polarity_log_odds = if owners.is_empty() {
        all
    } else {
        let wearers = |frame: usize| {
            let speaks = |&t: &usize| talks[t] && speech.alone(Some(t), frame);
            frame < speech.grid.frames && owners.iter().any(speaks)
        };
        let own = log_odds(&cells, speech, &wearers);
        let followed_too = match owners.len() {
            0 | 1 => own * followed >= 0.0,
            _ => own * followed > 0.0,
        };
        if own.abs() < LEAST_LOG_ODDS || own * all < 0.0 || !followed_too {
            0.0
        } else {
            all
        }
    };
    let talkers: Vec<Option<usize>> = {
        let mut all: Vec<Option<usize>> = segments.iter().map(|s| s.talker).collect();
        all.sort();
        all.dedup();
        all
    };
    let bidirectional = talkers.iter().any(|&t| leaning(t) > 2.0 * SEGMENT_LOG_ODDS)
        && talkers
            .iter()
            .any(|&t| leaning(t) < -2.0 * SEGMENT_LOG_ODDS);
    PairMeasures {
        a,
        b,
        delay_s,
        spread_s: quantile(&delays, 0.84)
            .zip(quantile(&delays, 0.16))
            .map(|(high, low)| (high - low) / 2.0),
        coherence: quantile(
            &counted.iter().map(|s| s.coherence).collect::<Vec<_>>(),
            0.5,
        ),
        level_difference_db: quantile(
            &counted
                .iter()
                .map(|s| s.level_difference_db)
                .collect::<Vec<_>>(),
            0.5,
        ),
        polarity: Polarity::Unclear,
        polarity_confidence: None,
        polarity_log_odds,
        followed_log_odds: followed,
        bidirectional,
        kind: kind(&segments),
        segments,
        cells,
    }
}

/// Least number of stretches, and seconds of speech in them, that say whether a delay stands still.
const STILL_STRETCHES: usize = 3;
const STILL_S: f64 = 3.0;
/// A delay that stays within this, s, stands still: one centimetre of way at 343 m/s, less than a person who sits.
const STILL_WITHIN_S: f64 = 30e-6;

/// Whether the delay of a pair stands still, for whoever speaks, or follows the people; `None` where too little is measured
/// or it lies between the two.
fn kind(segments: &[Segment]) -> Option<DelayKind> {
    let measured: Vec<&Segment> = segments.iter().filter(|s| s.delay_s.is_some()).collect();
    let spoken: f64 = measured.iter().map(|s| s.end_s - s.start_s).sum();
    if measured.len() < STILL_STRETCHES || spoken < STILL_S {
        return None;
    }
    let delays: Vec<f64> = measured.iter().filter_map(|s| s.delay_s).collect();
    let spread = quantile(&delays, 0.9)? - quantile(&delays, 0.1)?;
    let moved = measured
        .iter()
        .map(|s| s.slope.abs() * (s.end_s - s.start_s))
        .fold(spread, f64::max);
    if moved <= STILL_WITHIN_S {
        Some(DelayKind::Constant)
    } else if moved > 2.0 * STILL_WITHIN_S {
        Some(DelayKind::Moving)
    } else {
        None
    }
}

/// What stands for a pair.
#[derive(Default)]
struct Standing<'a> {
    /// The measured segments of one talker, for between the delays of two places lies none.
    counted: Vec<&'a Segment>,
    /// Delay of each of that talker's phrases.
    delays: Vec<f64>,
    /// The one delay they have, if they have one.
    delay_s: Option<f64>,
}

/// Of the talkers who may stand for a pair one whose delay is settled, and of those the one with the most measured time.
fn standing<'a>(
    segments: &[Segment],
    talkers: Vec<Vec<&'a Segment>>,
    speech: &SpeechMap,
) -> Standing<'a> {
    let of = |counted: Vec<&'a Segment>| {
        let delays = if stands_for_the_rest(&counted, segments) {
            phrase_delays(&counted, speech)
        } else {
            Vec::new()
        };
        let delay_s = settled(&delays);
        Standing {
            counted,
            delays,
            delay_s,
        }
    };
    let rank = |s: &Standing<'_>| (s.delay_s.is_some(), weight(&s.counted));
    let all = talkers.into_iter().map(of);
    all.max_by(|x, y| {
        let (x, y) = (rank(x), rank(y));
        x.0.cmp(&y.0).then(x.1.total_cmp(&y.1))
    })
    .unwrap_or_default()
}

/// The measured segments of every talker who may stand for a pair. Where one of the tracks is worn that is a wearer with words
/// enough, for a cough or a call only says where they were for a moment; else everybody.
fn candidates<'a>(
    segments: &'a [Segment],
    owners: &[usize],
    talks: &[bool],
) -> Vec<Vec<&'a Segment>> {
    let of = |talker: Option<usize>| -> Vec<&'a Segment> {
        let measured = segments.iter().filter(|s| s.delay_s.is_some());
        measured.filter(|s| s.talker == talker).collect()
    };
    // At somebody else's body microphone reflections are as high as the voice itself: one faint phrase alone may be any of them.
    let clear = |own: &Vec<&Segment>| {
        owners.len() < 2 || own.len() > 1 || own.iter().any(|s| s.coherence >= LONE_COHERENCE)
    };
    let talkers: Vec<Option<usize>> = if owners.is_empty() {
        (0..talks.len()).map(Some).chain([None]).collect()
    } else {
        let speaking = owners.iter().copied().filter(|&t| talks[t]);
        speaking.map(Some).collect()
    };
    talkers.into_iter().map(of).filter(clear).collect()
}

/// Whether enough of what a talker says alone could be measured.
fn stands_for_the_rest(measured: &[&Segment], segments: &[Segment]) -> bool {
    let Some(talker) = measured.first().map(|s| s.talker) else {
        return false;
    };
    let length_s = |s: &Segment| s.end_s - s.start_s;
    let all: f64 = (segments.iter().filter(|s| s.talker == talker))
        .map(length_s)
        .sum();
    measured.iter().map(|s| length_s(s)).sum::<f64>() >= MEASURED_SHARE * all
}

/// Coherence from which one phrase is enough for the delay between the body microphones of two people.
const LONE_COHERENCE: f64 = 0.45;

/// Measured time, by coherence.
fn weight(segments: &[&Segment]) -> f64 {
    segments.iter().map(|s| s.cells as f64 * s.coherence).sum()
}

/// Delay of each phrase but the short ones: a phrase is measured in several segments, cut where it gets long or somebody else
/// talks into it, and counts with its whole length.
fn phrase_delays(segments: &[&Segment], speech: &SpeechMap) -> Vec<f64> {
    // Frames of the talker's stretch that a segment lies in.
    let phrase = |segment: &Segment| {
        let talker = segment.talker?;
        let said = &speech.by_talker[talker];
        let middle_s = (segment.start_s + segment.end_s) / 2.0;
        let frame = speech.grid.frame_at(middle_s);
        let before = (0..=frame).rev().find(|&f| !said[f])?;
        let after = (frame..said.len()).find(|&f| !said[f]);
        Some((talker, before + 1, after.unwrap_or(said.len())))
    };
    let phrases: Vec<(f64, f64)> = segments
        .chunk_by(|a, b| match (phrase(a), phrase(b)) {
            (Some(x), Some(y)) => x == y,
            _ => a.talker == b.talker && b.start_s - a.end_s < 0.001,
        })
        .filter_map(|parts| {
            let length_s = match phrase(parts[0]) {
                Some((_, start, end)) => speech.grid.time_s(end) - speech.grid.time_s(start),
                None => parts[parts.len() - 1].end_s - parts[0].start_s,
            };
            Some((length_s, one_delay(parts)?))
        })
        .collect();
    let lengths: Vec<f64> = phrases.iter().map(|p| p.0).collect();
    let least = quantile(&lengths, 0.5).map_or(0.0, |usual| SHORT_SHARE * usual);
    let long = phrases.into_iter().filter(|p| p.0 >= least);
    long.map(|p| p.1).collect()
}

/// Delay of a phrase from those of its parts: their median, or, where one of them is a reflection, that of those which weigh more.
fn one_delay(parts: &[&Segment]) -> Option<f64> {
    let delays: Vec<f64> = parts.iter().filter_map(|s| s.delay_s).collect();
    let spread = quantile(&delays, 1.0)? - quantile(&delays, 0.0)?;
    if spread <= STEP_S {
        return quantile(&delays, 0.5);
    }
    let measured = parts.iter().filter(|s| s.delay_s.is_some());
    let weights: Vec<f64> = measured.map(|&s| weight(&[s])).collect();
    Some(weighted_median(&delays, &weights))
}

/// Median of the phrases, where one more or one less would move it by no more than [`SETTLED_S`]; else nobody's delay.
fn settled(delays: &[f64]) -> Option<f64> {
    let mut sorted = delays.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    let (below, above) = (last / 2, last.div_ceil(2));
    // Of an odd number one more or less moves it to a neighbour, of an even one to either of the two in the middle.
    let step = usize::from(below == above);
    let (lower, upper) = (below.saturating_sub(step), last.min(above + step));
    let settled =
        sorted[below] - sorted[lower] <= SETTLED_S && sorted[upper] - sorted[below] <= SETTLED_S;
    settled.then_some((sorted[below] + sorted[above]) / 2.0)
}

/// What the delays of the phrases in the middle may differ by for one to stand for all, s: 17 cm of way, the width of a head.
const SETTLED_S: f64 = 0.0005;

/// Delay that two thirds of a metre of way make, s.
const STEP_S: f64 = 0.002;

/// What is shorter than this share of a usual phrase is a cough, a call, or somebody else taken for the talker.
const SHORT_SHARE: f64 = 0.4;

/// Share of a talker's time that has to be measured for a delay that stands for it.
const MEASURED_SHARE: f64 = 0.6;

/// Evidence for the same (positive) or for opposite signs: one vote for each second or so in which somebody speaks, the
/// highest peak stands still (or moves no faster than people walk), stands out, and the phases agree on a sign. Only frames
/// that `speaks` accepts count; without a voice a humming machine decides, whose waves fit at any sign.
fn log_odds(pair: &PairCells, speech: &SpeechMap, speaks: &dyn Fn(usize) -> bool) -> f64 {
    let mut odds = 0f64;
    let spoken = |c: &Cell| speaks(speech.grid.frame_at(pair.middle_s(c)));
    let clear = |c: &Cell| {
        let top = &c.candidates[0];
        c.distinctness() > 1.4
            && spoken(c)
            && f64::from(top.phase.abs()) > CLEAR_PHASE
            && top.phase.signum() == top.height.signum()
    };
    let cells = pair.cells.all();
    let mut i = 0;
    while i < cells.len() {
        let first = i;
        while i + 1 < cells.len() && i + 1 - first < 4 {
            let (c, next) = (&cells[i], &cells[i + 1]);
            let moved = (next.candidates[0].delay_s() - c.candidates[0].delay_s()).abs();
            if !clear(c)
                || !clear(next)
                || next.half != c.half + 1
                || moved > 0.0015
                || c.candidates[0].phase.signum() != next.candidates[0].phase.signum()
            {
                break;
            }
            i += 1;
        }
        let run = &cells[first..=i];
        if run.len() >= 2 {
            let phase = run
                .iter()
                .map(|c| f64::from(c.candidates[0].phase))
                .sum::<f64>()
                / run.len() as f64;
            odds += SEGMENT_LOG_ODDS * phase * run.len() as f64 / 4.0;
        }
        i += 1;
    }
    odds
}

/// Quantile with linear interpolation; `None` of nothing.
pub fn quantile(values: &[f64], share: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = share * sorted.len().checked_sub(1)? as f64;
    let (low, rest) = (at.floor() as usize, at.fract());
    let high = (low + 1).min(sorted.len() - 1);
    Some(sorted[low] + rest * (sorted[high] - sorted[low]))
}

/// Follow the peaks through a stretch. `far_sign` +1: the second track is the far microphone, -1: the first, 0: neither.
fn segment(pair: &PairCells, solo: &Solo, far_sign: f64) -> Option<Segment> {
    let inner = 0.1f64.min((solo.end_s - solo.start_s) / 4.0);
    let first = pair
        .cells
        .partition_point(|c| pair.middle_s(c) < solo.start_s + inner);
    let last = pair
        .cells
        .partition_point(|c| pair.middle_s(c) <= solo.end_s - inner);
    let cells = &pair.cells.part(first..last.max(first));
    if cells.is_empty() {
        return None;
    }
    let path = follow(pair, cells, far_sign);
    let weights: Vec<f64> = path.iter().map(|c| f64::from(c.height).powi(2)).collect();
    let total: f64 = weights.iter().sum();
    let mean = |f: &dyn Fn(usize) -> f64| -> f64 {
        if total > 0.0 {
            (0..path.len()).map(|i| weights[i] * f(i)).sum::<f64>() / total
        } else {
            0.0
        }
    };
    let height = path.iter().map(|c| f64::from(c.height.abs())).sum::<f64>() / path.len() as f64;
    let phase = mean(&|i| f64::from(path[i].phase));
    let distinct = cells.iter().map(Cell::distinctness).sum::<f64>() / cells.len() as f64;
    let times: Vec<f64> = cells.iter().map(|c| pair.middle_s(c)).collect();
    let delays: Vec<f64> = path.iter().map(|c| c.delay_s()).collect();
    let middle = (solo.start_s + solo.end_s) / 2.0;
    let (delay, slope, spread) = line(&times, &delays, &weights, middle);
    let steady = path.len() >= 3 && spread < 0.0001;
    let accepted = phase.abs() > 0.5 && (distinct > 1.5 || steady);
    Some(Segment {
        start_s: solo.start_s,
        end_s: solo.end_s,
        talker: solo.talker,
        delay_s: accepted.then_some(delay),
        slope: if accepted { slope } else { 0.0 },
        coherence: mean(&|i| f64::from(cells[i].coherence)),
        phase,
        height,
        level_difference_db: mean(&|i| f64::from(cells[i].level_difference_db)),
        cells: cells.len(),
    })
}

/// The path through the candidates with the most height and the least movement beyond walking speed.
fn follow(pair: &PairCells, cells: &[Cell], far_sign: f64) -> Vec<Candidate> {
    const WALK: f64 = 0.006;
    let reward = |cell: &Cell, c: &Candidate| -> f64 {
        let strongest = f64::from(cell.candidates[0].height.abs());
        let height = f64::from(c.height.abs());
        // A later peak at the far microphone has to be a good deal higher than an earlier one.
        let earlier = cell
            .candidates
            .iter()
            .filter(|o| far_sign * (c.delay_s() - o.delay_s()) > 0.0003)
            .map(|o| f64::from(o.height.abs()))
            .fold(0.0, f64::max);
        height
            - if far_sign != 0.0 && earlier > 0.7 * strongest {
                0.35 * earlier
            } else {
                0.0
            }
    };
    let cost = |from: (&Cell, &Candidate), to: (&Cell, &Candidate)| -> f64 {
        let time = pair.middle_s(to.0) - pair.middle_s(from.0);
        let moved = (to.1.delay_s() - from.1.delay_s()).abs();
        0.1 * (moved / (WALK * time + 0.00005)).min(4.0)
    };
    let mut best: Vec<[f64; CANDIDATES]> = Vec::with_capacity(cells.len());
    let mut from: Vec<[usize; CANDIDATES]> = Vec::with_capacity(cells.len());
    for (i, cell) in cells.iter().enumerate() {
        let (mut scores, mut origins) = ([0f64; CANDIDATES], [0usize; CANDIDATES]);
        for (j, candidate) in cell.candidates.iter().enumerate() {
            let mut top = (0.0, 0);
            if i > 0 {
                top = (f64::NEG_INFINITY, 0);
                for (k, before) in cells[i - 1].candidates.iter().enumerate() {
                    let score = best[i - 1][k] - cost((&cells[i - 1], before), (cell, candidate));
                    if score > top.0 {
                        top = (score, k);
                    }
                }
            }
            scores[j] = top.0 + reward(cell, candidate);
            origins[j] = top.1;
        }
        best.push(scores);
        from.push(origins);
    }
    let mut path = Vec::with_capacity(cells.len());
    let mut j = (0..CANDIDATES)
        .max_by(|&p, &q| {
            best[cells.len() - 1][p]
                .total_cmp(&best[cells.len() - 1][q])
                .then(q.cmp(&p))
        })
        .unwrap_or(0);
    for i in (0..cells.len()).rev() {
        path.push(cells[i].candidates[j]);
        j = from[i][j];
    }
    path.reverse();
    path
}

/// Value at a time, slope and spread of a weighted robust line through (time, delay); a level line unless it clearly slopes.
fn line(times: &[f64], delays: &[f64], weights: &[f64], at: f64) -> (f64, f64, f64) {
    let level = weighted_median(delays, weights);
    let spread = |value: &dyn Fn(usize) -> f64| -> f64 {
        let off: Vec<f64> = (0..delays.len())
            .map(|i| (delays[i] - value(i)).abs())
            .collect();
        1.4826 * weighted_median(&off, weights)
    };
    let flat = spread(&|_| level);
    if delays.len() < 3 {
        return (level, 0.0, flat);
    }
    // Median of the slopes between all pairs of cells that are at least half a second apart (fewer: any).
    let mut slopes = Vec::new();
    for i in 0..times.len() {
        for j in i + 1..times.len() {
            if times[j] - times[i] > 0.45 {
                slopes.push((delays[j] - delays[i]) / (times[j] - times[i]));
            }
        }
    }
    let Some(slope) = quantile(&slopes, 0.5) else {
        return (level, 0.0, flat);
    };
    let rest: Vec<f64> = (0..delays.len())
        .map(|i| delays[i] - slope * (times[i] - at))
        .collect();
    let sloped = weighted_median(&rest, weights);
    let tilted = spread(&|i| sloped + slope * (times[i] - at));
    let span = times[times.len() - 1] - times[0];
    if (slope * span).abs() > 0.00005 && tilted < 0.5 * flat {
        (sloped, slope, tilted)
    } else {
        (level, 0.0, flat)
    }
}

fn weighted_median(values: &[f64], weights: &[f64]) -> f64 {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&i, &j| values[i].total_cmp(&values[j]));
    let half: f64 = weights.iter().sum::<f64>() / 2.0;
    let mut sum = 0.0;
    for &i in &order {
        sum += weights[i];
        if sum >= half {
            return values[i];
        }
    }
    values.first().copied().unwrap_or(0.0)
}

/// Signs of all tracks from the evidence of all pairs: the strongest pairs first, each joining two groups of tracks whose
/// signs are known against each other. A pair that was unclear by itself takes what the others say of its two tracks.
fn agree_on_polarity(pairs: &mut [PairMeasures]) {
    let mut order: Vec<usize> = (0..pairs.len())
        .filter(|&i| !pairs[i].bidirectional)
        .collect();
    order.sort_by(|&i, &j| {
        pairs[j]
            .polarity_log_odds
            .abs()
            .total_cmp(&pairs[i].polarity_log_odds.abs())
            .then(i.cmp(&j))
    });
    let tracks = pairs.iter().map(|p| p.b + 1).max().unwrap_or(0);
    // Per track: its group, its sign within the group, the weakest evidence that ties it to the group's root.
    let mut group: Vec<usize> = (0..tracks).collect();
    let mut sign = vec![1f64; tracks];
    let mut tie = vec![f64::INFINITY; tracks];
    for i in order {
        let (a, b, odds) = (pairs[i].a, pairs[i].b, pairs[i].polarity_log_odds);
        if odds.abs() < LEAST_LOG_ODDS || group[a] == group[b] {
            continue;
        }
        let flip = sign[a] * sign[b] * odds.signum();
        let (keep, join) = (group[a], group[b]);
        for t in 0..tracks {
            if group[t] == join {
                group[t] = keep;
                sign[t] *= flip;
                tie[t] = tie[t].min(odds.abs());
            }
        }
    }
    for pair in pairs.iter_mut() {
        let own = pair.polarity_log_odds;
        let joined = if group[pair.a] == group[pair.b] {
            sign[pair.a] * sign[pair.b] * tie[pair.a].min(tie[pair.b])
        } else {
            0.0
        };
        let odds = if pair.bidirectional {
            0.0
        } else if own.abs() >= LEAST_LOG_ODDS && joined != 0.0 && own.signum() != joined.signum() {
            // The pair itself and the others contradict each other: the clearly stronger side is right.
            if joined.abs() > 1.5 * own.abs() {
                joined
            } else {
                0.0
            }
        } else if own.abs() > joined.abs() {
            own
        } else if joined * pair.followed_log_odds < 0.0 {
            // Too little to tell a sign from, enough to doubt what the others tell.
            0.0
        } else {
            joined
        };
        if odds.abs() >= LEAST_LOG_ODDS {
            pair.polarity = if odds > 0.0 {
                Polarity::Same
            } else {
                Polarity::Inverted
            };
        }
        if !pair.segments.is_empty() {
            pair.polarity_confidence = Some(1.0 / (1.0 + (-odds.abs().min(12.0)).exp()));
        }
    }
}

/// What the plain sum of two microphones would do to a voice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summed {
    /// Lowest frequency that cancels.
    pub first_null_hz: f64,
    /// Peak to null.
    pub ripple_db: f64,
}

/// Peak to null of `1 + g * delayed`, dB, for a level difference and the share of the two that is coherent; at most 40 dB.
pub fn ripple_db(level_difference_db: f64, coherence: f64) -> f64 {
    let g = crate::units::amplitude(-level_difference_db.abs()) * coherence.clamp(0.0, 1.0).sqrt();
    crate::units::db((1.0 + g) / (1.0 - g).max(1e-9)).min(40.0)
}

/// First null of the sum of two signals `delay_s` apart, Hz: half a turn at equal signs, a whole turn at opposite signs.
pub fn first_null_hz(delay_s: f64, polarity: Polarity) -> f64 {
    match polarity {
        Polarity::Inverted => 1.0 / delay_s.abs(),
        _ => 0.5 / delay_s.abs(),
    }
}

/// Prediction for the plain sum of a pair; `None` without a delay, or where the delay is below one hundredth of a millisecond.
pub fn summed(p: &PairMeasures) -> Option<Summed> {
    let delay = p.delay_s.filter(|d| d.abs() > 1e-5)?;
    Some(Summed {
        first_null_hz: first_null_hz(delay, p.polarity),
        ripple_db: ripple_db(p.level_difference_db?, p.coherence?),
    })
}

impl PairMeasures {
    /// Shift of the second track that lines it up with the first, samples; only where the delay stands still.
    pub fn nudge_samples(&self) -> Option<i64> {
        let delay = self
            .delay_s
            .filter(|_| self.kind == Some(DelayKind::Constant))?;
        Some((-delay * f64::from(self.cells.layout.rate)).round() as i64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kernels_give_what_single_steps_give() {
        let bins = |n: usize, seed: u64| -> Vec<Complex<f32>> {
            let both = crate::synth::sources::noise(2 * n, seed);
            let pairs = both.chunks(2).map(|c| Complex::new(c[0], c[1]));
            pairs.collect()
        };
        let wide = |x: &[Complex<f32>]| -> Vec<Complex<f64>> {
            let wide = x.iter();
            wide.map(|c| Complex::new(f64::from(c.re), f64::from(c.im)))
                .collect()
        };
        for n in [0, 1, 7, 8, 9, 50] {
            let (x, y, scales) = (bins(n, 1), bins(n, 2), crate::synth::sources::noise(n, 3));
            let mut out = vec![Complex::default(); n];
            let row = |x: &[Complex<f32>]| -> Vec<f32> {
                let (re, im): (Vec<f32>, Vec<f32>) = x.iter().map(|c| (c.re, c.im)).unzip();
                [re, im].concat()
            };
            add_bins(&mut out, &row(&x), &row(&y));
            assert!((0..n).all(|k| out[k] == x[k] + y[k]));
            scale_bins(&mut out, &x, &scales);
            assert!((0..n).all(|k| out[k] == x[k] * scales[k]));
            let (x, y) = (wide(&x), wide(&y));
            let single: Complex<f64> = x.iter().zip(&y).map(|(x, y)| x * y).sum();
            assert!((dot(&x, &y) - single).norm() < 1e-12);
            let turns = [-0.2, 0.1, 0.4];
            let single = turns.map(|turn| turned_sum(&out, 5, turn).re);
            assert_eq!(turned_along(&out, 5, turns), single);
        }
    }

    #[test]
    fn of_phrases_apart_none_is_the_delay_of_all() {
        let is = |delays: &[f64], middle: f64| {
            assert!((settled(delays).unwrap() - middle).abs() < 1e-12);
        };
        assert_eq!(settled(&[]), None);
        is(&[0.004], 0.004);
        assert_eq!(settled(&[0.004, -0.004]), None, "two places");
        is(&[0.0014, 0.001], 0.0012);
        assert_eq!(settled(&[0.001, 0.009, 0.0011]), None, "which two?");
        is(&[0.001, 0.009, 0.0011, 0.0012], 0.00115);
        is(&[0.003, 0.001, 0.009, 0.003, 0.0032], 0.003);
    }

    const PHRASE: Segment = Segment {
        start_s: 0.0,
        end_s: 1.0,
        talker: Some(0),
        delay_s: None,
        slope: 0.0,
        coherence: 0.6,
        phase: 1.0,
        height: 0.5,
        level_difference_db: 0.0,
        cells: 4,
    };

    /// Three talkers whose phrases are never cut.
    fn three_talkers() -> SpeechMap {
        let grid = Grid {
            rate: 48_000,
            hop: 960,
            frames: 2000,
            samples: 2000 * 960,
        };
        SpeechMap::of_masks(grid, vec![vec![true; grid.frames]; 3])
    }

    #[test]
    fn a_pair_stands_for_one_talker_who_speaks() {
        let phrase = |talker: usize, start_s: f64, cells: usize| Segment {
            start_s,
            end_s: start_s + cells as f64 / 4.0,
            talker: Some(talker),
            delay_s: Some(0.001 * talker as f64),
            cells,
            ..PHRASE
        };
        let all = [phrase(0, 1.0, 2), phrase(1, 3.0, 9), phrase(2, 8.0, 12)];
        let who = |owners: &[usize], talks: &[bool]| -> Vec<Option<usize>> {
            let standing = standing(&all, candidates(&all, owners, talks), &three_talkers());
            standing.counted.iter().map(|s| s.talker).collect()
        };
        assert_eq!(who(&[0], &[true; 3]), [Some(0)]);
        assert_eq!(who(&[0], &[false, true, true]), [], "a cough");
        assert_eq!(who(&[0, 1], &[true; 3]), [Some(1)], "of two wearers");
        assert_eq!(who(&[], &[true; 3]), [Some(2)], "boom and plant");
        let moved = Segment {
            delay_s: Some(0.004),
            ..phrase(1, 20.0, 9)
        };
        let all_and_moved = [&all[..], &[moved]].concat();
        let of_wearers = candidates(&all_and_moved, &[0, 1], &[true; 3]);
        let who_sits = standing(&all_and_moved, of_wearers, &three_talkers());
        assert_eq!(who_sits.counted, [&all[0]], "who moved stands for nothing");
        let mut rest = phrase(2, 20.0, 9);
        rest.delay_s = None;
        let stands = |segments: &[Segment]| stands_for_the_rest(&[&all[2]], segments);
        assert!(stands(&all));
        assert!(!stands(&[&all[..], &[rest]].concat()), "half of it");
    }

    #[test]
    fn of_parts_that_disagree_the_heavier_is_the_delay_of_a_phrase() {
        let part = |delay_s: f64, coherence: f64| Segment {
            delay_s: Some(delay_s),
            coherence,
            ..PHRASE
        };
        let of = |a: Segment, b: Segment| one_delay(&[&a, &b]);
        assert_eq!(of(part(0.001, 0.3), part(0.002, 0.9)), Some(0.0015));
        assert_eq!(of(part(-0.004, 0.9), part(0.0005, 0.3)), Some(-0.004));
        assert_eq!(one_delay(&[]), None);
    }

    #[test]
    fn the_highest_peaks_lie_apart_and_the_earliest_of_equals_comes_first() {
        let step_s = 2e-5;
        let peaks = |x: &[f32]| peaks(x, step_s, [&mut vec![], &mut vec![]]);
        let mut correlation = vec![0.0; 4096];
        for (lag, height) in [(5i64, 0.5), (9, -0.4), (20, 0.3), (-30, 0.3), (100, 0.1)] {
            correlation[lag.rem_euclid(4096) as usize] = height;
        }
        assert_eq!(peaks(&correlation), [5.0, -30.0, 20.0]);
        assert!(peaks(&[0.0; 4096]).is_empty());
    }

    #[test]
    fn pairs_of_many_tracks_are_capped_and_every_boom_keeps_all_of_its_own() {
        // A mix, a boom, and body microphones: of the rest all pairs of up to 28.
        let take = |lavs: usize| {
            let mut roles = vec![Role::Mix, Role::Boom];
            roles.resize(2 + lavs, Role::Lav);
            followed(&roles)
        };
        for (lavs, pairs) in [
            (1, 1),
            (6, 6 + 15),
            (16, 16 + 120),
            (28, 28 + 378),
            (40, 40 + 400),
            (62, 62 + 400),
        ] {
            let found = take(lavs);
            assert_eq!(found.len(), pairs);
            assert!((2..2 + lavs).all(|lav| found.contains(&(1, lav))));
            assert!((2..1 + lavs).all(|lav| found.contains(&(lav, lav + 1))));
            assert!(found.is_sorted() && found.iter().all(|p| p.0 > 0));
        }
        assert!(followed(&[Role::Mix, Role::Mix, Role::Boom]).is_empty());
    }
}
