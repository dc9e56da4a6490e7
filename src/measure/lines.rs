//! Steady lines: long spectra in two ranges, of which only the peaks and the background are kept.
//!
//! Below 1 kHz spectra of 2.7 s are taken from the low-rate copy, each half over the one before. Above that they are of 0.34 s at
//! full rate: of every 0.7 s the part in which the track is quietest, for there a line stands out most. Every sample is
//! weighted by the inverse of the power around it (the best weighting for a constant tone in noise that comes and goes), so that
//! the pauses of a voice decide. Frequencies are interpolated (parabola on the log spectrum of a Hann window, error below a fiftieth
//! of a bin).

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

use pulp::{Simd, WithSimd};

use crate::aside::{Aside, Series};
use crate::dsp::compact::{Code, Level16};
use crate::dsp::fft::Forward;
use crate::dsp::lanes;
use crate::dsp::shared::{Shared, hann};
use crate::dsp::widest::{dispatch, widest};
use crate::units::power_db;

/// Length of the spectra in seconds, at least: low range, high range.
const LENGTH_S: [f64; 2] = [2.7, 0.34];
/// Peaks kept per spectrum and third of an octave.
const PEAKS_PER_THIRD: usize = 6;
/// Least height of a peak over the mean of its surroundings within one bin, dB. Noise passes it in 1 of 150 bins.
const LEAST_EXCESS_DB: f64 = 7.0;
/// Bins on each side, beyond the main lobe, that make the surroundings.
const AROUND: usize = 16;
/// Blocks of the weighting, seconds: longer than two periods of mains hum, shorter than a pause.
const WEIGHT_BLOCK_S: f64 = 0.08;

/// A local maximum of a long spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Interpolated frequency, Hz.
    pub hz: f32,
    /// Level of the line (mean square of the sine), dBFS.
    pub level_dbfs: f32,
    /// Level over the background in a band of 1 Hz, dB.
    pub over_background_db: f32,
}

/// A peak as it is kept: the frequency to the last bit, its level and that of the background in 1 Hz to 1/256 dB.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Kept {
    hz: f32,
    level: Level16,
    background: Level16,
}

impl Code for Kept {
    const BYTES: usize = 8;

    fn put(self, to: &mut Vec<u8>) {
        self.hz.put(to);
        [self.level, self.background].put(to);
    }

    fn get(bytes: &[u8]) -> Kept {
        let [level, background] = Code::get(&bytes[4..]);
        Kept {
            hz: Code::get(bytes),
            level,
            background,
        }
    }
}

impl From<&Peak> for Kept {
    fn from(peak: &Peak) -> Kept {
        Kept {
            hz: peak.hz,
            level: Level16::of(peak.level_dbfs),
            background: Level16::of(peak.level_dbfs - peak.over_background_db),
        }
    }
}

impl From<Kept> for Peak {
    fn from(kept: Kept) -> Peak {
        Peak {
            hz: kept.hz,
            level_dbfs: kept.level.db(),
            over_background_db: kept.level.db() - kept.background.db(),
        }
    }
}

/// What is kept of the long spectra of a range, one after the other.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Spectra {
    /// Peaks of all spectra, each ascending in frequency, and where those of each end.
    peaks: Series<Kept>,
    ends: Vec<u32>,
    /// Background per third of an octave (see [`third`]), as many for each spectrum, dBFS in a band of 1 Hz; minus infinity for
    /// silence.
    background_dbfs: Series<Level16>,
    thirds: usize,
}

impl Spectra {
    /// Number of spectra.
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.ends.is_empty()
    }

    /// Peaks of a spectrum.
    fn peaks(&self, i: usize) -> impl ExactSizeIterator<Item = Kept> + '_ {
        let first = i.checked_sub(1).map_or(0, |before| self.ends[before]);
        (first as usize..self.ends[i] as usize).map(|at| self.peaks.get(at))
    }

    fn background_dbfs(&self, i: usize, third: usize) -> Option<f32> {
        (third < self.thirds).then(|| {
            let level = self.background_dbfs.get(i * self.thirds + third);
            level.db()
        })
    }

    fn push(&mut self, peaks: &[Peak], background_dbfs: &[f32]) {
        self.peaks.extend(peaks.iter().map(Kept::from));
        self.ends.push(self.peaks.len() as u32);
        let levels = background_dbfs.iter().map(|&level| Level16::of(level));
        self.background_dbfs.extend(levels);
    }
}

/// Long spectra of one range.
#[derive(Debug, Clone, Default)]
pub struct Range {
    /// Width of a bin, Hz.
    pub bin_hz: f64,
    /// Samples from one spectrum to the next.
    pub hop: u64,
    /// Samples that one spectrum stands for.
    pub length: u64,
    /// Spectrum i stands for samples `[i*hop, i*hop + length)`.
    pub spectra: Spectra,
}

/// Lines of a track.
#[derive(Debug, Clone, Default)]
pub struct Lines {
    /// 20 Hz to [`SPLIT_HZ`].
    pub low: Range,
    /// From [`SPLIT_HZ`] up.
    pub high: Range,
}

/// Where the ranges meet, Hz.
pub const SPLIT_HZ: f64 = 900.0;
const LOWEST_HZ: f64 = 20.0;
const HIGHEST_HZ: f64 = 18_000.0;

/// Index of the third of an octave that holds a frequency, counted from 20 Hz.
pub fn third(hz: f64) -> usize {
    ((hz / LOWEST_HZ).max(1.0).log2() * 3.0) as usize
}

thread_local! {
    /// Transforms and room for powers by size: all tracks that a thread measures use the same, so that it stays in the cache.
    static MEMORY: RefCell<BTreeMap<usize, (Forward, Vec<f32>)>> = const { RefCell::new(BTreeMap::new()) };
}

/// Spectra of one range of one stream.
struct RangeMeter {
    rate: f64,
    /// Samples of a spectrum, of the stretch of which it is the quietest part, and from one stretch to the next.
    size: usize,
    stretch: usize,
    hop: usize,
    step: u64,
    bins: std::ops::Range<usize>,
    /// Samples of a block of the weighting, and the window between them.
    weight_block: usize,
    weight_places: Arc<Places>,
    /// Bins of each third of an octave, from the lowest up.
    thirds: Arc<Vec<std::ops::Range<usize>>>,
    pending: Vec<f32>,
    out: Spectra,
}

impl RangeMeter {
    fn new(rate: f64, step: u64, length_s: f64, low_hz: f64, high_hz: f64, overlap: bool) -> Self {
        let size = ((rate * length_s) as usize).max(64).next_power_of_two();
        // The nearer power of two: spectra of the same length at all sampling rates, within a factor 1.5.
        let size = if size as f64 > 1.5 * rate * length_s {
            size / 2
        } else {
            size
        };
        let (stretch, hop) = if overlap {
            (size, size / 2)
        } else {
            (2 * size, 2 * size)
        };
        let bin_hz = rate / size as f64;
        let last = (high_hz.min(0.46 * rate) / bin_hz) as usize;
        let first = ((low_hz / bin_hz) as usize).max(AROUND + 4).min(last);
        let thirds = thirds(first..last, bin_hz);
        let weight_block = ((rate * WEIGHT_BLOCK_S) as usize).max(1);
        RangeMeter {
            rate,
            size,
            weight_places: Places::of(size, weight_block),
            weight_block,
            stretch,
            hop,
            step,
            bins: first..last,
            out: Spectra {
                thirds: thirds.len(),
                ..Spectra::default()
            },
            thirds,
            pending: Vec::new(),
        }
    }

    /// Let the list of peaks lie where there is room.
    fn expect(&mut self, aside: &Aside) {
        self.out.peaks = Series::new(aside);
        self.out.background_dbfs = Series::new(aside);
    }

    fn push(&mut self, x: &[f32]) {
        let mut x = x;
        while !x.is_empty() {
            let room = self.stretch - self.pending.len();
            let (now, later) = x.split_at(room.min(x.len()));
            self.pending.extend_from_slice(now);
            x = later;
            if self.pending.len() == self.stretch {
                self.spectrum();
                self.pending.drain(..self.hop);
            }
        }
    }

    fn spectrum(&mut self) {
        MEMORY.with_borrow_mut(|memory| {
            let (fft, powers) = memory
                .entry(self.size)
                .or_insert_with(|| (Forward::new(self.size), vec![0.0; self.size / 2 + 1]));
            self.spectrum_in(fft, powers);
        });
    }

    fn spectrum_in(&mut self, fft: &mut Forward, powers: &mut [f32]) {
        let weights = inverse_power(&self.pending, self.weight_block);
        let (mut sum, mut energy) = (0.0, 0.0);
        if !weights.is_empty() {
            let blocks = self.size.div_ceil(self.weight_block);
            let start = quietest(
                &weights,
                blocks,
                (self.stretch - self.size) / self.weight_block,
            );
            let x = &self.pending[start * self.weight_block..][..self.size];
            let weights = &weights[start..][..blocks];
            (sum, energy) = self.weight_places.weigh(fft.samples(), x, weights);
        }
        if sum <= 0.0 {
            let silence = vec![f32::NEG_INFINITY; self.thirds.len()];
            return self.out.push(&[], &silence);
        }
        let bins = self.bins.clone();
        fft.powers_of_samples(powers);
        // A sine of mean square P reads P * sum^2 / 2; noise of density S (one-sided) reads S * rate/2 * energy.
        let line = 2.0 / (sum * sum);
        let density = 2.0 / (self.rate * energy);
        let bin_hz = self.rate / self.size as f64;
        let background_dbfs: Vec<f32> = self
            .thirds
            .iter()
            .map(|third| power_db(background(&powers[third.clone()]) * density) as f32)
            .collect();
        let least = 10f64.powf(LEAST_EXCESS_DB / 10.0);
        let mut found: Vec<(usize, Peak)> = Vec::new();
        let mut around = [f32::INFINITY; 2 * AROUND];
        let first = bins.start;
        for k in likely_peaks(powers, bins, least) {
            let k = first + k as usize;
            let p = f64::from(powers[k]);
            let (below, above) = surroundings(powers, k);
            around.fill(f32::INFINITY);
            around[..below.len()].copy_from_slice(below);
            around[below.len()..below.len() + above.len()].copy_from_slice(above);
            let middle = (below.len() + above.len()) / 2;
            let median = f64::from(dispatch(RankAmongFew(&around, middle)));
            let mean = median / std::f64::consts::LN_2;
            if p < least * mean {
                continue;
            }
            let (offset, height) = interpolated(powers[k - 1], powers[k], powers[k + 1]);
            let level = height * line;
            let hz = (k as f64 + offset) * bin_hz;
            found.push((
                third(hz),
                Peak {
                    hz: hz as f32,
                    level_dbfs: power_db(level) as f32,
                    over_background_db: power_db(level / (mean * density).max(1e-30)).min(150.0)
                        as f32,
                },
            ));
        }
        self.out.push(&strongest(found), &background_dbfs);
    }

    /// What is left at the end, if nothing else was measured: a take shorter than one spectrum.
    fn finish(mut self) -> Range {
        if self.out.is_empty() && self.pending.len() > self.stretch / 4 {
            self.pending.resize(self.stretch, 0.0);
            self.spectrum();
        }
        Range {
            bin_hz: self.rate / self.size as f64,
            hop: self.hop as u64 * self.step,
            length: self.stretch as u64 * self.step,
            spectra: self.out,
        }
    }
}

/// The bins of each third of an octave (see [`third`]), as many as the last bin asks for.
fn thirds(bins: std::ops::Range<usize>, bin_hz: f64) -> Arc<Vec<std::ops::Range<usize>>> {
    static THIRDS: Shared<(usize, usize, u64), Vec<std::ops::Range<usize>>> = Shared::new();
    let key = (bins.start, bins.end, bin_hz.to_bits());
    THIRDS.get(key, || made_thirds(bins, bin_hz))
}

fn made_thirds(bins: std::ops::Range<usize>, bin_hz: f64) -> Vec<std::ops::Range<usize>> {
    if bins.is_empty() {
        return Vec::new();
    }
    let mut found = vec![0..0; third(bins.end as f64 * bin_hz) + 1];
    for k in bins {
        let range = &mut found[third(k as f64 * bin_hz)];
        *range = if range.end == 0 { k } else { range.start }..k + 1;
    }
    found
}

/// The powers on both sides of a bin, beyond the main lobe.
fn surroundings(powers: &[f32], k: usize) -> (&[f32], &[f32]) {
    let above = &powers[(k + 4).min(powers.len())..];
    (
        &powers[k - 3 - AROUND..k - 3],
        &above[..AROUND.min(above.len())],
    )
}

/// Of the bins listed (counted from `first`) those that stand `least` over the mean of their surroundings, if half of these do not
/// exceed what the mean then may be at most.
struct KeepLikely<'a> {
    bins: &'a mut Vec<u32>,
    powers: &'a [f32],
    first: usize,
    least: f64,
}

impl WithSimd for KeepLikely<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        // The margin is for the rounding of single precision.
        let share = (std::f64::consts::LN_2 / self.least * (1.0 + 1e-5)) as f32;
        let (one, none) = (simd.splat_f32s(1.0), simd.splat_f32s(0.0));
        let mut kept = 0;
        for j in 0..self.bins.len() {
            let k = self.first + self.bins[j] as usize;
            let limit = simd.splat_f32s(self.powers[k] * share);
            let (below, above) = surroundings(self.powers, k);
            let likely = match (below.first_chunk(), above.first_chunk()) {
                (Some(below), Some(above)) => {
                    let mut count = none;
                    let sides: [&[f32; AROUND]; 2] = [below, above];
                    for side in sides {
                        for here in S::as_simd_f32s(side).0 {
                            let low = simd.less_than_or_equal_f32s(*here, limit);
                            count = simd.add_f32s(count, simd.select_f32s(low, one, none));
                        }
                    }
                    simd.reduce_sum_f32s(count) > AROUND as f32
                }
                // At the upper end of short spectra.
                _ => true,
            };
            // Kept only if the next one does not write over it.
            self.bins[kept] = self.bins[j];
            kept += usize::from(likely);
        }
        self.bins.truncate(kept);
    }
}

/// The value of a rank among a few: the largest of those that no more than `rank` lie below.
struct RankAmongFew<'a>(&'a [f32; 2 * AROUND], usize);

impl WithSimd for RankAmongFew<'_> {
    type Output = f32;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> f32 {
        let RankAmongFew(values, rank) = self;
        let (one, none) = (simd.splat_f32s(1.0), simd.splat_f32s(0.0));
        let rank = simd.splat_f32s(rank as f32);
        let mut largest = none;
        for here in S::as_simd_f32s(values).0 {
            let mut below = none;
            for value in values {
                let less = simd.less_than_f32s(simd.splat_f32s(*value), *here);
                below = simd.add_f32s(below, simd.select_f32s(less, one, none));
            }
            let low = simd.less_than_or_equal_f32s(below, rank);
            largest = simd.max_f32s(largest, simd.select_f32s(low, *here, none));
        }
        simd.reduce_max_f32s(largest)
    }
}

/// Local maxima that may stand `least` over the mean of their surroundings. A median over the limit has half of the values
/// over it: counting those is cheaper than ranking them, and settles nearly all.
fn likely_peaks(powers: &[f32], bins: std::ops::Range<usize>, least: f64) -> Vec<u32> {
    let around = &powers[bins.start - 1..bins.end + 1];
    let mut maxima = Vec::with_capacity(bins.len() / 2 + 1);
    // Pushed one by one, for a collection would ask for each.
    lanes::maxima(around).for_each(|k| maxima.push(k));
    dispatch(KeepLikely {
        bins: &mut maxima,
        powers,
        first: bins.start,
        least,
    });
    maxima
}

/// The strongest peaks (over their background) of each third of an octave; what is given and what is left ascends in frequency.
fn strongest(mut found: Vec<(usize, Peak)>) -> Vec<Peak> {
    let mut kept = Vec::with_capacity(found.len());
    for third in found.chunk_by_mut(|a, b| a.0 == b.0) {
        let most = third.len().min(PEAKS_PER_THIRD);
        if third.len() > PEAKS_PER_THIRD {
            third.sort_by(|(_, a), (_, b)| {
                (b.over_background_db.total_cmp(&a.over_background_db)).then(a.hz.total_cmp(&b.hz))
            });
            third[..most].sort_by(|(_, a), (_, b)| a.hz.total_cmp(&b.hz));
        }
        kept.extend(third[..most].iter().map(|(_, peak)| peak));
    }
    kept
}

/// Position (in bins) and height of the vertex of the parabola through three log powers.
fn interpolated(before: f32, peak: f32, after: f32) -> (f64, f64) {
    let [a, b, c] = [before, peak, after].map(|p| f64::from(p).max(1e-30).ln());
    let bend = a - 2.0 * b + c;
    if bend >= 0.0 {
        return (0.0, f64::from(peak));
    }
    let offset = (0.5 * (a - c) / bend).clamp(-0.5, 0.5);
    (offset, (b - 0.25 * (a - c) * offset).exp())
}

/// Mean power of noise from the mean of its levels, in which a few lines count for little, however loud. 0 of nothing.
fn background(powers: &[f32]) -> f64 {
    if powers.is_empty() {
        return 0.0;
    }
    // The bits of a power are its logarithm but for how its mantissa bends: by so much on average.
    const BEND: f64 = 1.5 - std::f64::consts::LOG2_E;
    // Of noise the mean of the logarithms lies this far below that of the mean (the constant of Euler and Mascheroni).
    const BELOW: f64 = 0.577_215_664_901_532_9 * std::f64::consts::LOG2_E;
    let sums = powers.chunks(1 << 12).map(sum_of_bits);
    let bits = sums.map(f64::from).sum::<f64>() / powers.len() as f64;
    (bits / f64::from(1 << (23 - LEFT_OUT)) - 127.0 + BEND + BELOW).exp2()
}

/// Lowest bits that are left out, so that a sum of the bits of 2^12 powers is a whole number of 32 bits.
const LEFT_OUT: u32 = 12;

/// A window, and where its samples stand between the middles of blocks.
#[derive(Debug)]
struct Places {
    window: Arc<Vec<f32>>,
    /// Shares of the way from the middle of a block to that of the next.
    ramp: Vec<f32>,
    spans: Vec<Span>,
}

/// Samples from the middle of a block to that of the next; before the first middle and behind the last there is only one block.
#[derive(Debug)]
struct Span {
    samples: std::ops::Range<usize>,
    /// Sums of the window times what is left of the way, and times the share of it; of the squares of the one, of products, of
    /// the squares of the other.
    sums: [f64; 2],
    products: [f64; 3],
}

impl Places {
    /// Those of a Hann window of so many samples in blocks, made once.
    fn of(samples: usize, block: usize) -> Arc<Places> {
        static PLACES: Shared<(usize, usize), Places> = Shared::new();
        PLACES.get((samples, block), || Places::new(hann(samples), block))
    }

    fn new(window: Arc<Vec<f32>>, block: usize) -> Places {
        // The middle lies on a sample or between two.
        let offset = if block.is_multiple_of(2) { 0.5 } else { 0.0 };
        let share = |k: usize| ((k as f64 + offset) / block as f64) as f32;
        let ramp: Vec<f32> = (0..block).map(share).collect();
        let mut spans = Vec::new();
        let mut start = 0;
        while start < window.len() {
            let end = (block / 2 + spans.len() * block).min(window.len());
            let part = |shape: fn(f32) -> f32| -> Vec<f32> {
                let window = window[start..end].iter().zip(&ramp);
                window.map(|(w, share)| w * shape(*share)).collect()
            };
            let (a, b) = (&part(|share| 1.0 - share), &part(|share| share));
            spans.push(Span {
                samples: start..end,
                sums: [a, b].map(|x| lanes::sum(x)),
                products: [(a, a), (a, b), (b, b)].map(|(a, b)| lanes::sum_of_products(a, b)),
            });
            start = end;
        }
        Places {
            window,
            ramp,
            spans,
        }
    }

    /// Samples times the window and the weights of blocks, these joined by straight lines; returns the sum of what the window is
    /// then, and that of its squares.
    fn weigh(&self, out: &mut [f32], x: &[f32], weights: &[f64]) -> (f64, f64) {
        let (mut sum, mut energy) = (0.0, 0.0);
        for (block, span) in self.spans.iter().enumerate() {
            let here = span.samples.clone();
            let ends = [block.saturating_sub(1), block.min(weights.len() - 1)];
            let [p, q] = ends.map(|block| weights[block]);
            let window = &self.window[here.clone()];
            weigh(
                &mut out[here.clone()],
                &x[here],
                window,
                &self.ramp,
                (p as f32, (q - p) as f32),
            );
            sum += p * span.sums[0] + q * span.sums[1];
            let [pp, pq, qq] = span.products;
            energy += p * p * pp + 2.0 * p * q * pq + q * q * qq;
        }
        (sum, energy)
    }
}

widest! {
    /// Sum of the upper bits of at most 2^12 powers.
    fn sum_of_bits<'a>(powers: &'a [f32]) -> u32 {
        let mut sum = 0;
        for power in powers {
            sum += power.to_bits() >> LEFT_OUT;
        }
        sum
    }

    /// A stretch of [`Places::weigh`]: from one weight on by shares of the way to another.
    fn weigh<'a, 'b>(
        out: &'a mut [f32],
        x: &'b [f32],
        window: &'b [f32],
        ramp: &'b [f32],
        weights: (f32, f32),
    ) {
        let (from, by) = weights;
        for (((out, x), w), share) in out.iter_mut().zip(x).zip(window).zip(ramp) {
            *out = x * (w * (from + by * share));
        }
    }
}

/// Weight of each block: the inverse of its power, 1 for the quiet fifth of the blocks. Blocks of silence weigh nothing, and none
/// weighs more than 1.5: a short mute must not take the whole spectrum. Nothing for silence.
fn inverse_power(x: &[f32], block: usize) -> Vec<f64> {
    let mut weights: Vec<f64> = x
        .chunks(block)
        .map(|part| {
            let power = lanes::energy(part) / part.len() as f64;
            if power > 0.0 { 1.0 / power } else { 0.0 }
        })
        .collect();
    let mut sounding: Vec<f64> = weights.iter().copied().filter(|&w| w > 0.0).collect();
    if sounding.is_empty() {
        return Vec::new();
    }
    // The quiet fifth of the blocks weighs fully; what is quieter still is held.
    let rank = sounding.len() * 4 / 5;
    let most = *sounding.select_nth_unstable_by(rank, f64::total_cmp).1;
    weights.iter_mut().for_each(|w| *w = (*w / most).min(1.5));
    weights
}

/// The first of so many blocks in a row that weigh most together; it is one of `last` and those before it.
fn quietest(weights: &[f64], blocks: usize, last: usize) -> usize {
    let sum = |start: usize| weights[start..][..blocks].iter().sum::<f64>();
    let sums = (0..=last).map(|start| (start, sum(start)));
    // Of equal ones the first.
    sums.fold((0, f64::NEG_INFINITY), |best, here| {
        if here.1 > best.1 { here } else { best }
    })
    .0
}

/// Measures [`Lines`].
pub struct LinesMeter {
    low: RangeMeter,
    high: RangeMeter,
}

impl std::fmt::Debug for LinesMeter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LinesMeter").finish_non_exhaustive()
    }
}

impl LinesMeter {
    /// A meter at rest, for a stream of `rate` Hz and its low-rate copy of `rate / factor` Hz.
    pub fn new(rate: u32, factor: usize) -> LinesMeter {
        let rate = f64::from(rate);
        LinesMeter {
            low: RangeMeter::new(
                rate / factor as f64,
                factor as u64,
                LENGTH_S[0],
                LOWEST_HZ,
                SPLIT_HZ,
                true,
            ),
            high: RangeMeter::new(rate, 1, LENGTH_S[1], SPLIT_HZ, HIGHEST_HZ, false),
        }
    }

    /// Let long lists lie where there is room.
    pub(super) fn expect(&mut self, aside: &Aside) {
        self.low.expect(aside);
        self.high.expect(aside);
    }

    /// Take in samples and the samples of the low-rate copy that came with them.
    pub fn push(&mut self, x: &[f32], low: &[f32]) {
        self.low.push(low);
        self.high.push(x);
    }

    /// Everything measured.
    pub fn finish(self) -> Lines {
        Lines {
            low: self.low.finish(),
            high: self.high.finish(),
        }
    }
}

/// A line that stands still in frequency and level.
#[derive(Debug, Clone, PartialEq)]
pub struct SteadyLine {
    /// Median frequency, Hz.
    pub hz: f64,
    /// Median level (mean square of the sine), dBFS.
    pub level_dbfs: f64,
    /// Median level over the background in a band of 1 Hz, dB.
    pub over_background_db: f64,
    /// Robust standard deviation of the level, dB.
    pub spread_db: f64,
    /// Robust standard deviation of the frequency, Hz.
    pub hz_spread: f64,
    /// First sample.
    pub start: u64,
    /// One past the last sample.
    pub end: u64,
    /// Spectra that show it.
    pub seen: usize,
    /// Share of all spectra of the stretch that show it, 0..1.
    pub dense: f64,
    /// Share of the spectra that could show it and do, 0..1.
    pub share: f64,
}

/// What makes a line steady.
#[derive(Debug, Clone, Copy)]
pub struct Steadiness {
    /// Half width of the frequency window, Hz.
    pub within_hz: f64,
    /// Least number of spectra.
    pub least_spectra: usize,
    /// Least length in seconds.
    pub least_s: f64,
    /// Largest robust standard deviation of the level, dB, besides what the noise explains.
    pub most_spread_db: f64,
    /// Least share of the spectra that could show the line and do.
    pub least_share: f64,
}

/// Lines of a range that stand still. `samples` and `rate` of the take.
pub fn steady(range: &Range, want: Steadiness, rate: u32, samples: u64) -> Vec<SteadyLine> {
    // Of each spectrum a line has one peak.
    if range.spectra.len() < want.least_spectra {
        return Vec::new();
    }
    let cell = |hz: f64| (hz / want.within_hz) as usize;
    let peaks = &range.spectra.peaks;
    let Some(highest) = peaks.iter().map(|p| cell(f64::from(p.hz))).max() else {
        return Vec::new();
    };
    let mut counts = vec![0u32; highest + 3];
    for peak in peaks.iter() {
        counts[cell(f64::from(peak.hz)) + 1] += 1;
    }
    let pair = |k: usize| counts[k] + counts[k + 1];
    let cells = Cells::new(range, &counts, cell);
    let mut found: Vec<SteadyLine> = Vec::new();
    for k in 1..counts.len() - 2 {
        let here = pair(k);
        if (here as usize) < want.least_spectra || here < pair(k - 1) || here <= pair(k + 1) {
            continue;
        }
        // Cells are shifted by one, so that the border between the two of a pair lies at `k * within`.
        let centre = k as f64 * want.within_hz;
        // A border may belong to the next cell.
        let near = cells.peaks(k.saturating_sub(2)..k + 2);
        let found_here = loudest(near, centre, want.within_hz);
        if !ever_dense(&found_here, want.least_spectra) {
            continue;
        }
        let mut series: Vec<Option<Peak>> = vec![None; range.spectra.len()];
        for (i, peak) in found_here {
            series[i as usize] = Some(peak);
        }
        for line in runs_of(range, &series, want, rate, samples) {
            let double = found.iter().any(|f: &SteadyLine| {
                (f.hz - line.hz).abs() < 2.0 * want.within_hz
                    && f.start < line.end
                    && line.start < f.end
            });
            if !double {
                found.push(line);
            }
        }
    }
    found
}

/// All peaks of a range, by cell and then in time.
struct Cells {
    /// Where each cell ends in `peaks`.
    ends: Vec<u32>,
    /// Number of the spectrum, and the peak.
    peaks: Vec<(u32, Kept)>,
}

impl Cells {
    /// `counts`: peaks in each cell, shifted by one.
    fn new(range: &Range, counts: &[u32], cell: impl Fn(f64) -> usize) -> Cells {
        let sum = |sum: &mut u32, count: &u32| {
            *sum += *count;
            Some(*sum)
        };
        // Where the next peak of each cell goes: in the end where the cell ends.
        let mut ends: Vec<u32> = counts.iter().scan(0, sum).collect();
        let total = ends.last().copied().unwrap_or(0);
        let nothing = Kept {
            hz: 0.0,
            level: Level16::SILENCE,
            background: Level16::SILENCE,
        };
        let mut peaks = vec![(0, nothing); total as usize];
        for i in 0..range.spectra.len() {
            for peak in range.spectra.peaks(i) {
                let place = &mut ends[cell(f64::from(peak.hz))];
                peaks[*place as usize] = (i as u32, peak);
                *place += 1;
            }
        }
        Cells { ends, peaks }
    }

    /// The peaks of some cells.
    fn peaks(&self, cells: std::ops::Range<usize>) -> &[(u32, Kept)] {
        let end = |cell: usize| {
            let end = self.ends.get(cell).map(|&end| end as usize);
            end.unwrap_or(self.peaks.len())
        };
        let first = cells.start.checked_sub(1).map_or(0, end);
        &self.peaks[first..cells.end.checked_sub(1).map_or(0, end)]
    }
}

/// Of each spectrum the loudest peak within some distance of a frequency, in time order; spectra without one are left out.
fn loudest(peaks: &[(u32, Kept)], hz: f64, within: f64) -> Vec<(u32, Peak)> {
    let near = |&(_, peak): &(u32, Kept)| {
        let here = f64::from(peak.hz);
        here >= hz - within && here <= hz + within
    };
    let near = peaks.iter().copied().filter(near);
    let mut found: Vec<(u32, Peak)> = near.map(|(i, kept)| (i, kept.into())).collect();
    found.sort_by(|a, b| {
        a.0.cmp(&b.0)
            .then(b.1.level_dbfs.total_cmp(&a.1.level_dbfs))
            .then(b.1.hz.total_cmp(&a.1.hz))
    });
    found.dedup_by_key(|(i, _)| *i);
    found
}

/// Whether the peaks lie so close somewhere that a line of at least so many spectra, a third of which show it, can be among
/// them: of `least` peaks in a row the closest are then at most twice as far apart as those of the line are on average.
fn ever_dense(found: &[(u32, Peak)], least: usize) -> bool {
    let least = least.max(1);
    found
        .windows(least)
        .any(|w| ((w[least - 1].0 - w[0].0) as usize) < 6 * least)
}

/// Stretches of a line: spectra that show it, across spectra that could not show it and single ones that do not.
fn runs_of(
    range: &Range,
    series: &[Option<Peak>],
    want: Steadiness,
    rate: u32,
    samples: u64,
) -> Vec<SteadyLine> {
    let mut levels: Vec<f64> = series
        .iter()
        .flatten()
        .map(|p| f64::from(p.level_dbfs))
        .collect();
    let usual = median64(&mut levels);
    let third = third_of(series);
    let mut out = Vec::new();
    let mut run: Option<(usize, usize)> = None;
    let mut missed = 0;
    let close = |run: (usize, usize), out: &mut Vec<SteadyLine>| {
        if let Some(line) = measured(range, series, run, want, rate, samples) {
            out.push(line);
        }
    };
    for (i, peak) in series.iter().enumerate() {
        match (peak, run) {
            (Some(_), Some((first, _))) => {
                run = Some((first, i));
                missed = 0;
            }
            (Some(_), None) => {
                run = Some((i, i));
                missed = 0;
            }
            (None, Some(current)) => {
                missed += usize::from(visible(range, i, third, usual));
                if missed >= 2 {
                    close(current, &mut out);
                    run = None;
                }
            }
            (None, None) => {}
        }
    }
    if let Some(run) = run {
        close(run, &mut out);
    }
    out
}

/// The third of an octave that a line lies in.
fn third_of(series: &[Option<Peak>]) -> Option<usize> {
    let peak = series.iter().flatten().next()?;
    Some(third(f64::from(peak.hz)))
}

/// Whether a line of the usual level would stand well above this spectrum's background.
fn visible(range: &Range, i: usize, third: Option<usize>, usual: f64) -> bool {
    // Of the background a Hann window takes in half a bin more than one bin.
    let least = LEAST_EXCESS_DB + (power_db(1.5 * range.bin_hz) + 1.5).max(5.0);
    third
        .and_then(|third| range.spectra.background_dbfs(i, third))
        .is_some_and(|b| b.is_finite() && usual - f64::from(b) > least)
}

fn measured(
    range: &Range,
    series: &[Option<Peak>],
    (first, last): (usize, usize),
    want: Steadiness,
    rate: u32,
    samples: u64,
) -> Option<SteadyLine> {
    let inside: Vec<Peak> = series[first..=last].iter().flatten().copied().collect();
    if inside.len() < want.least_spectra || 3 * inside.len() <= last - first {
        return None;
    }
    let pick = |f: fn(&Peak) -> f32| {
        let mut values: Vec<f64> = inside.iter().map(|p| f64::from(f(p))).collect();
        median64(&mut values)
    };
    let level = pick(|p| p.level_dbfs);
    let over = pick(|p| p.over_background_db);
    let mut off: Vec<f64> = inside
        .iter()
        .map(|p| (f64::from(p.level_dbfs) - level).abs())
        .collect();
    let spread = 1.4826 * median64(&mut off);
    let hz = pick(|p| p.hz);
    let mut off_hz: Vec<f64> = inside
        .iter()
        .map(|p| (f64::from(p.hz) - hz).abs())
        .collect();
    let hz_spread = 1.4826 * median64(&mut off_hz);
    let third = third_of(series);
    let could = (first..=last)
        .filter(|&i| series[i].is_some() || visible(range, i, third, level))
        .count();
    let share = inside.len() as f64 / could.max(1) as f64;
    // Level error of a line s dB over the noise within the bin.
    let noise_db = level_error_db(over, range.bin_hz);
    let start = if first == 0 {
        0
    } else {
        onset(range, series, first, level)
    };
    let end = if last + 1 == range.spectra.len() {
        samples
    } else {
        (last as u64 * range.hop + range.length).min(samples)
    };
    let long = end.saturating_sub(start) as f64 >= want.least_s * f64::from(rate);
    (long && share >= want.least_share && spread <= want.most_spread_db + noise_db).then(|| {
        SteadyLine {
            hz,
            level_dbfs: level,
            over_background_db: over,
            spread_db: spread,
            hz_spread,
            dense: inside.len() as f64 / (last - first + 1) as f64,
            start,
            end,
            seen: inside.len(),
            share,
        }
    })
}

/// Where a line begins, from how much of its amplitude the first spectra show: under a Hann window the part after time t of a
/// length T holds the share `1 - t/T + sin(2 pi t/T) / (2 pi)`.
fn onset(range: &Range, series: &[Option<Peak>], first: usize, level_dbfs: f64) -> u64 {
    let share = |i: usize| {
        series
            .get(i)
            .copied()
            .flatten()
            .map(|p| crate::units::amplitude(f64::from(p.level_dbfs) - level_dbfs))
    };
    let Some(i) = [first, first + 1]
        .into_iter()
        .find(|&i| share(i).is_some_and(|s| s > 0.15))
    else {
        return first as u64 * range.hop;
    };
    let target = share(i).unwrap_or(1.0).min(1.0);
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..20 {
        let t = 0.5 * (low + high);
        let held = 1.0 - t + (2.0 * std::f64::consts::PI * t).sin() / (2.0 * std::f64::consts::PI);
        if held > target { low = t } else { high = t }
    }
    // A full first spectrum says only that the line began before its middle grew quiet.
    let t = if target > 0.97 { 0.0 } else { low };
    i as u64 * range.hop + (t * range.length as f64) as u64
}

/// Standard deviation of a level read from one Hann spectrum, dB, for a line that stands `over` dB over the noise in 1 Hz.
pub fn level_error_db(over: f64, bin_hz: f64) -> f64 {
    8.7 * (0.75 * bin_hz / crate::units::power(over)).sqrt()
}

fn median64(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return f64::NEG_INFINITY;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rank_among_a_few_is_that_of_the_sorted_powers() {
        let mut few = [f32::INFINITY; 2 * AROUND];
        for n in [1, 2, 31, 32] {
            let noise = crate::synth::sources::noise(n, 4);
            // Some alike.
            few[..n]
                .iter_mut()
                .zip(noise)
                .for_each(|(f, v)| *f = (8.0 * v).round().exp());
            let mut sorted = few;
            sorted.sort_by(f32::total_cmp);
            for rank in [0, n / 2, n - 1] {
                assert_eq!(
                    dispatch(RankAmongFew(&few, rank)),
                    sorted[rank],
                    "{n} {rank}"
                );
            }
        }
    }

    #[test]
    fn weights_of_blocks_are_joined_by_straight_lines() {
        for (samples, block) in [(64usize, 5usize), (100, 30), (512, 240), (64, 64)] {
            let values: Vec<f64> = (0..samples.div_ceil(block))
                .map(|k| (k * k) as f64 + 1.0)
                .collect();
            let window = crate::synth::sources::noise(samples, 2);
            let x = crate::synth::sources::noise(samples, 3);
            let mut shaped = vec![0.0; samples];
            let (sum, energy) =
                Places::new(Arc::new(window.clone()), block).weigh(&mut shaped, &x, &values);
            let (mut all, mut squares) = (0.0, 0.0);
            for i in 0..samples {
                let at = (i as f64 + 0.5) / block as f64 - 0.5;
                let left = at.max(0.0) as usize;
                let share = (at - left as f64).clamp(0.0, 1.0);
                let right = (left + 1).min(values.len() - 1);
                let weight = values[left] * (1.0 - share) + values[right] * share;
                let shape = weight * f64::from(window[i]);
                // Rounding of single precision.
                let error = f64::from(shaped[i]) - f64::from(x[i]) * shape;
                assert!(error.abs() <= 1e-6 * weight, "{samples} {block} {i}");
                all += shape;
                squares += shape * shape;
            }
            assert!(
                (all - sum).abs() <= 1e-6 * squares && (squares - energy).abs() <= 1e-6 * squares
            );
        }
    }

    #[test]
    fn the_background_is_the_mean_power_of_noise_whatever_lines_there_are() {
        for (n, gain) in [(5000, 1.0), (5000, 1e-9), (40_000, 1.0)] {
            // Powers of noise are distributed exponentially.
            let even = crate::synth::sources::noise(n, 6).into_iter();
            let mut powers: Vec<f32> = even.map(|v| -gain * (0.5 - 0.5 * v).ln()).collect();
            // Four standard errors of a mean of levels that scatter by 5.6 dB.
            let error_db = 4.0 * 5.6 / (n as f64).sqrt();
            let off = |powers: &[f32]| power_db(background(powers) / f64::from(gain)).abs();
            assert!(off(&powers) < error_db, "{n} {gain}: {}", off(&powers));
            powers[7] *= 1e6;
            let most = error_db + 70.0 / n as f64;
            assert!(off(&powers) < most, "{n} {gain}: {}", off(&powers));
        }
        assert_eq!(background(&[]), 0.0);
    }

    #[test]
    fn the_quietest_part_is_where_weights_are_largest_and_the_first_of_equals() {
        assert_eq!(quietest(&[1.0, 0.2, 1.0, 1.0, 0.1], 2, 3), 2);
        assert_eq!(quietest(&[1.0; 5], 2, 3), 0);
        assert_eq!(quietest(&[0.0, 0.0, 1.0], 3, 0), 0);
    }

    fn peaks(spectra: impl IntoIterator<Item = u32>) -> Vec<(u32, Peak)> {
        let peak = Peak {
            hz: 100.0,
            level_dbfs: -60.0,
            over_background_db: 20.0,
        };
        spectra.into_iter().map(|i| (i, peak)).collect()
    }

    /// Whatever a line may look like at worst: a third of the spectra show it, unevenly.
    #[test]
    fn no_line_is_passed_over_and_scattered_peaks_are() {
        for least in [4usize, 7] {
            for count in least as u32..60 {
                let last = 3 * count - 1;
                let even = (0..count).map(|k| k * last / (count - 1));
                assert!(ever_dense(&peaks(even), least), "{least} {count}");
                let apart = (0..count / 2).chain((last + 1 - count.div_ceil(2))..=last);
                assert!(ever_dense(&peaks(apart), least), "{least} {count}");
            }
            assert!(!ever_dense(&peaks((0..1000).map(|k| k * 12)), least));
            assert!(!ever_dense(&peaks(0..least as u32 - 1), least));
        }
    }

    #[test]
    fn of_a_spectrum_the_loudest_peak_counts() {
        let mut near = peaks([3, 5, 3]);
        near[2].1.level_dbfs = -50.0;
        near[1].1.hz = 103.0;
        let kept: Vec<(u32, Kept)> = near.iter().map(|(i, p)| (*i, p.into())).collect();
        let found = loudest(&kept, 100.0, 1.0);
        assert_eq!(found, [near[2]]);
    }

    #[test]
    fn spectra_keep_their_peaks_apart() {
        let mut spectra = Spectra {
            thirds: 2,
            ..Spectra::default()
        };
        let all: Vec<Peak> = peaks(0..3).into_iter().map(|(_, p)| p).collect();
        spectra.push(&all[..2], &[-80.0, -90.0]);
        spectra.push(&[], &[f32::NEG_INFINITY; 2]);
        spectra.push(&all[2..], &[-70.0, -75.0]);
        let counts = [0, 1, 2].map(|i| spectra.peaks(i).len());
        assert_eq!((spectra.len(), counts), (3, [2, 0, 1]));
        assert_eq!(spectra.background_dbfs(2, 1), Some(-75.0));
        assert_eq!(spectra.background_dbfs(2, 2), None);
        let range = Range {
            bin_hz: 1.0,
            spectra,
            ..Range::default()
        };
        assert!(visible(&range, 0, Some(0), -60.0) && !visible(&range, 1, Some(0), -60.0));
    }
}
