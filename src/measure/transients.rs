//! Places where the wave cannot be predicted from what lies on either side of it.
//!
//! A linear predictor fitted to 10 ms on both sides says what the next sample should be, from the left and, run
//! backwards, from the right. Sound drives the predictor all the time and rarely by much; a damaged sample, a joint or a
//! radio click misses the prediction by many times the usual error. Looking from both sides also tells how many samples
//! are damaged: none at a joint or step, one for a single bad sample, more for anything that came through a filter.

use std::f64::consts::PI;
use std::ops::Range;

use super::past::Reach;
use crate::dsp::lanes;
use crate::dsp::widest::widest;

/// Third differences that stand out by this much are looked at (amplitude over the median of 1-ms levels around). They are of
/// least use in white noise, where a step that stands out by so much has a prediction error of 13 sigmas, a damaged sample of 9.
const LOOK: f64 = 6.0;
/// Prediction errors are listed from this many robust sigmas on: below it nothing is told from sharp sounds.
pub const LEAST_Z: f64 = 9.0;
/// Steps of 1 ms on either side that make up "around".
const AROUND: usize = 10;
/// Steps measured together: their third differences stay in the first-level cache.
const STEPS: usize = 20;
/// Steps after a candidate that have to be there before it is judged.
const AHEAD: usize = 13;
/// Seconds on either side that the predictor is fitted to.
const FIT_S: f64 = 0.010;
/// Seconds on either side of the candidate that the fit leaves out.
const GUARD_S: f64 = 0.001_5;

/// A place that prediction misses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transient {
    /// First sample that the left side does not predict.
    pub at: u64,
    /// Samples from there to the last that the right side does not predict; 0 or less at a joint or a step.
    pub width: i32,
    /// Largest prediction error, in robust sigmas; the smaller of the two directions.
    pub z: f32,
    /// That error over the next largest within 10 ms.
    pub prominence: f32,
    /// Error at the first sample, full scale 1, with its sign.
    pub jump: f32,
    /// Share of the error's energy that one single damaged sample explains, 0..1.
    pub single_share: f32,
    /// Share that a step explains, 0..1.
    pub step_share: f32,
    /// Shift of the mean from the millisecond before to the millisecond after, in parts of the jump.
    pub offset: f32,
}

#[derive(Debug, Clone, Copy, Default)]
struct Step {
    rms: f32,
    peak: f32,
}

/// Measures transients.
#[derive(Debug)]
pub struct TransientsMeter {
    step: usize,
    order: usize,
    fit: usize,
    /// Hann window of that length.
    window: Vec<f64>,
    guard: usize,
    // Third differences of some steps, and of each step their sum of squares and the largest.
    third: Vec<f32>,
    levels: Vec<(f32, f32)>,
    // First sample of the next step.
    next: u64,
    steps: Vec<Step>,
    first_step: u64,
    judged: u64,
    scratch: Scratch,
    out: Vec<Transient>,
}

/// Memory for looking at one candidate.
#[derive(Debug, Default)]
struct Scratch {
    x: Vec<f64>,
    shaped: Vec<f64>,
    before: Vec<f64>,
    after: Vec<f64>,
    left: Vec<f64>,
    right: Vec<f64>,
    sizes: Vec<u64>,
}

impl TransientsMeter {
    /// A meter at rest. `rate` in Hz.
    pub fn new(rate: u32) -> TransientsMeter {
        let hz = f64::from(rate);
        let fit = (FIT_S * hz).round() as usize;
        TransientsMeter {
            step: (hz / 1000.0).round().max(1.0) as usize,
            order: ((hz / 2000.0).round() as usize).clamp(8, 32),
            fit,
            window: (0..fit)
                .map(|k| 0.5 - 0.5 * (2.0 * PI * (k as f64 + 0.5) / fit as f64).cos())
                .collect(),
            guard: (GUARD_S * hz).round() as usize,
            third: Vec::new(),
            levels: Vec::new(),
            next: 0,
            steps: Vec::new(),
            first_step: 0,
            judged: 0,
            scratch: Scratch::default(),
            out: Vec::new(),
        }
    }

    /// Samples before new ones that are looked at with them.
    pub fn reach(&self) -> usize {
        (AHEAD + 2) * self.step + self.side()
    }

    /// Samples on either side of a candidate that are looked at.
    fn side(&self) -> usize {
        self.guard + self.fit + self.order
    }

    /// Take in samples, behind [`TransientsMeter::reach`] of those before.
    pub fn push(&mut self, reach: Reach<'_>) {
        self.measure_steps(reach);
        while self.judged + (AHEAD as u64) < self.first_step + self.steps.len() as u64 {
            self.judge(self.judged, reach);
            self.judged += 1;
        }
        let needed = self.judged.saturating_sub(2 * AROUND as u64 + 4);
        let surplus = needed.saturating_sub(self.first_step) as usize;
        self.steps.drain(..surplus);
        self.first_step += surplus as u64;
    }

    /// Levels of all steps that are complete.
    fn measure_steps(&mut self, reach: Reach<'_>) {
        let mut count = ((reach.end() - self.next) / self.step as u64) as usize;
        while count > 0 {
            // The first samples of a track have no third differences.
            let steps = if self.next == 0 { 1 } else { count.min(STEPS) };
            let from = reach.place(self.next);
            let here = &reach.x[from.saturating_sub(3)..from + steps * self.step];
            let third = third_differences(&mut self.third, here);
            self.levels.clear();
            levels(&mut self.levels, third, self.step);
            let per_step = self.step as f32;
            let step = |&(sum, peak): &(f32, f32)| Step {
                rms: (sum / per_step).sqrt(),
                peak,
            };
            self.steps.extend(self.levels.iter().map(step));
            self.next += (steps * self.step) as u64;
            count -= steps;
        }
    }

    /// Where the largest third difference of a step ends.
    fn place(&mut self, step: u64, peak: f32, reach: Reach<'_>) -> usize {
        let from = reach.place(step * self.step as u64);
        let first = from.max(3);
        let here = &reach.x[first - 3..from + self.step];
        let third = third_differences(&mut self.third, here);
        first + third.iter().position(|&d| d == peak).unwrap_or(0)
    }

    fn judge(&mut self, step: u64, reach: Reach<'_>) {
        let k = (step - self.first_step) as usize;
        let here = self.steps[k];
        let higher_before = k > 0 && self.steps[k - 1].peak >= here.peak;
        let higher_after = k + 1 < self.steps.len() && self.steps[k + 1].peak > here.peak;
        if higher_before || higher_after {
            return;
        }
        let before = &self.steps[k.saturating_sub(AROUND)..k.saturating_sub(1)];
        let last = (k + AROUND + 1).min(self.steps.len());
        let after = &self.steps[(k + 2).min(last)..last];
        let n = before.len() + after.len();
        let middle = n / 2;
        // The median is too high where that many values are: counting is cheaper than ranking, and settles most.
        let too_high = |step: &Step| f64::from(here.peak) < LOOK * f64::from(step.rms);
        let count = |steps: &[Step]| {
            steps
                .iter()
                .map(|s| usize::from(too_high(s)))
                .sum::<usize>()
        };
        if n < AROUND || count(before) + count(after) >= n - middle {
            return;
        }
        let mut around = [0f32; 2 * AROUND];
        for (around, step) in around.iter_mut().zip(before.iter().chain(after)) {
            *around = step.rms;
        }
        let scale = *around[..n].select_nth_unstable_by(middle, f32::total_cmp).1;
        if scale <= 0.0 {
            return;
        }
        let side = self.side();
        let centre = self.place(step, here.peak, reach);
        if centre < side + 1 || centre + side >= reach.x.len() {
            return;
        }
        let samples = &reach.x[centre - side..=centre + side];
        let scratch = &mut self.scratch;
        let found = look(
            samples,
            &self.window,
            self.order,
            self.guard,
            self.step,
            scratch,
        );
        if let Some(mut found) = found {
            found.at += reach.start + (centre - side) as u64;
            let again = self.out.last().is_some_and(|t| t.at == found.at);
            if f64::from(found.z) >= LEAST_Z && !again {
                self.out.push(found);
            }
        }
    }

    /// Everything found, in order; `reach`: the last samples.
    pub fn finish(mut self, reach: Reach<'_>) -> Vec<Transient> {
        while self.judged < self.first_step + self.steps.len() as u64 {
            self.judge(self.judged, reach);
            self.judged += 1;
        }
        self.out
    }
}

/// Judge the middle of `2 * (guard + fit + order) + 1` samples, where `fit` is the length of the window that shapes either
/// side for the predictor; `at` of the answer counts from their start.
fn look(
    samples: &[f32],
    window: &[f64],
    order: usize,
    guard: usize,
    ms: usize,
    scratch: &mut Scratch,
) -> Option<Transient> {
    let Scratch {
        x,
        shaped,
        before,
        after,
        left,
        right,
        sizes,
    } = scratch;
    let fit = window.len();
    x.clear();
    x.extend(samples.iter().map(|&v| f64::from(v)));
    let centre = x.len() / 2;
    let a = predictor(
        window,
        &[
            &x[centre - guard - fit..centre - guard],
            &x[centre + guard + 1..centre + guard + 1 + fit],
        ],
        order,
        shaped,
    )?;
    let span = centre - guard..centre + guard + 1;
    errors(before, &a, x, centre - guard - fit..centre - guard, false);
    errors(left, &a, x, span.clone(), false);
    // Most candidates stand out from one side too little already: with so many errors over a small part of theirs their spread
    // is too large. What is left of the margin is rounding.
    let top_left = largest(left);
    let small = (1.0 + 1e-6) * top_left * NORMAL_QUARTILE / LEAST_Z;
    if count_up_to(before, small) <= before.len() / 2 {
        return None;
    }
    let sigma = spread(before, sizes);
    errors(
        after,
        &a,
        x,
        centre + guard + 1..centre + guard + 1 + fit,
        true,
    );
    let sigma = sigma.max(spread(after, sizes));
    if sigma <= 0.0 {
        return None;
    }
    errors(right, &a, x, span, true);
    let top_right = largest(right);
    let z = top_left.min(top_right) / sigma;
    let rival = largest(before).max(largest(after));
    let level = |top: f64| (4.5 * sigma).max(0.1 * top);
    let first = left.iter().position(|e| e.abs() > level(top_left))?;
    let last = right.iter().rposition(|e| e.abs() > level(top_right))?;
    let at = centre - guard + first;
    let tail = before;
    errors(
        tail,
        &a,
        x,
        at..(at + order).min(centre + guard + fit) + 1,
        false,
    );
    let step: Vec<f64> = a
        .iter()
        .scan(0.0, |sum, c| {
            *sum += c;
            Some(*sum)
        })
        .collect();
    let mean = |from: usize| x[from..from + ms].iter().sum::<f64>() / ms as f64;
    let jump = left[first];
    let end = (centre - guard + last).max(at) + 1;
    Some(Transient {
        at: at as u64,
        width: last as i32 - first as i32 + 1,
        z: z as f32,
        prominence: (top_left.min(top_right) / rival.max(1e-30)) as f32,
        jump: jump as f32,
        single_share: share(tail, &a) as f32,
        step_share: share(tail, &step) as f32,
        offset: ((mean(end) - mean(at - ms)) / jump) as f32,
    })
}

/// Lanes of the sums of squares.
const LANES: usize = 16;

/// Prediction errors that are summed up at a time: as many as stay in registers.
const FEW: usize = 32;

/// Prediction errors in a span, from the samples before (or, `ahead`, after) each.
fn errors(out: &mut Vec<f64>, a: &[f64], x: &[f64], span: Range<usize>, ahead: bool) {
    out.clear();
    out.resize(span.len(), 0.0);
    add_products(out, a, x, span.start, ahead);
}

widest! {
    fn add_products<'a, 'b>(sums: &'a mut [f64], a: &'b [f64], x: &'b [f64], start: usize, ahead: bool) {
        let (many, rest) = sums.as_chunks_mut::<FEW>();
        let last = start + many.len() * FEW;
        for (n, sums) in many.iter_mut().enumerate() {
            let mut few = *sums;
            for (k, c) in a.iter().enumerate() {
                let from = start + n * FEW;
                let first = if ahead { from + k } else { from - k };
                if let Some(x) = x[first..].first_chunk::<FEW>() {
                    for i in 0..FEW {
                        few[i] += c * x[i];
                    }
                }
            }
            *sums = few;
        }
        for (k, c) in a.iter().enumerate() {
            let first = if ahead { last + k } else { last - k };
            for (sum, v) in rest.iter_mut().zip(&x[first..]) {
                *sum += c * v;
            }
        }
    }

    /// How many magnitudes do not exceed a limit.
    fn count_up_to<'a>(errors: &'a [f64], limit: f64) -> usize {
        let mut count = 0;
        for e in errors {
            count += u64::from(e.abs() <= limit);
        }
        count as usize
    }

    /// Sum of squares and largest of each whole or last `step` values.
    fn levels<'a, 'b>(out: &'a mut Vec<(f32, f32)>, x: &'b [f32], step: usize) {
        for x in x.chunks(step) {
            let (some, rest) = x.as_chunks::<LANES>();
            let mut sums = [0f32; LANES];
            for x in some {
                for k in 0..LANES {
                    sums[k] += x[k] * x[k];
                }
            }
            for (sum, x) in sums.iter_mut().zip(rest) {
                *sum += x * x;
            }
            out.push((lanes::folded(sums), lanes::peak_within(x)));
        }
    }

    /// Largest magnitude; 0 of nothing.
    fn largest<'a>(errors: &'a [f64]) -> f64 {
        // Magnitudes order as their bits do, and whole numbers may be compared in any order.
        let mut largest = 0i64;
        for e in errors {
            largest = largest.max((e.to_bits() & (u64::MAX >> 1)) as i64);
        }
        f64::from_bits(largest as u64)
    }

    fn set_third_differences<'a, 'b>(out: &'a mut [f32], x: &'b [f32]) {
        let n = out.len();
        let (a, b, c, d) = (&x[..n], &x[1..n + 1], &x[2..n + 2], &x[3..n + 3]);
        for k in 0..n {
            out[k] = (d[k] - a[k] - 3.0 * (c[k] - b[k])).abs();
        }
    }
}

/// Magnitudes of the third differences of `x`, three fewer than its samples; `memory` only grows.
fn third_differences<'a>(memory: &'a mut Vec<f32>, x: &[f32]) -> &'a [f32] {
    let count = x.len() - 3;
    if memory.len() < count {
        memory.resize(count, 0.0);
    }
    set_third_differences(&mut memory[..count], x);
    &memory[..count]
}

/// Prediction-error filter `1, a1, .., ap` of the segments together (autocorrelation method, Hann window, Levinson-Durbin);
/// `None` for silence.
fn predictor(
    window: &[f64],
    segments: &[&[f64]],
    order: usize,
    shaped: &mut Vec<f64>,
) -> Option<Vec<f64>> {
    let mut r = vec![0.0; order + 1];
    for segment in segments {
        shaped.clear();
        shaped.extend(segment.iter().zip(window).map(|(v, w)| v * w));
        for (lag, sum) in r.iter_mut().enumerate() {
            *sum += lanes::dot_wide(&shaped[lag..], shaped);
        }
    }
    if r[0] <= 0.0 {
        return None;
    }
    r[0] *= 1.0 + 1e-10;
    let mut a = vec![0.0; order + 1];
    a[0] = 1.0;
    let mut error = r[0];
    for m in 1..=order {
        let reflection = -(0..m).map(|k| a[k] * r[m - k]).sum::<f64>() / error;
        // Two coefficients are each other's part.
        for k in 1..=m / 2 {
            let (low, high) = (a[k], a[m - k]);
            a[k] = low + reflection * high;
            if k != m - k {
                a[m - k] = high + reflection * low;
            }
        }
        a[m] = reflection;
        error *= 1.0 - reflection * reflection;
        if error <= r[0] * 1e-15 {
            break;
        }
    }
    Some(a)
}

/// Half of all errors are smaller, in standard deviations.
const NORMAL_QUARTILE: f64 = 0.6745;

/// Robust standard deviation: the median of the magnitudes over [`NORMAL_QUARTILE`].
fn spread(errors: &[f64], sizes: &mut Vec<u64>) -> f64 {
    // The bits of magnitudes order as they do.
    sizes.clear();
    sizes.extend(errors.iter().map(|e| e.abs().to_bits()));
    if sizes.is_empty() {
        return 0.0;
    }
    let middle = sizes.len() / 2;
    f64::from_bits(*sizes.select_nth_unstable(middle).1) / NORMAL_QUARTILE
}

/// Share of the energy of `errors` that the best multiple of `shape` explains.
fn share(errors: &[f64], shape: &[f64]) -> f64 {
    let dot: f64 = errors.iter().zip(shape).map(|(e, s)| e * s).sum();
    let of = |v: &[f64]| v.iter().take(errors.len()).map(|x| x * x).sum::<f64>();
    let both = of(errors) * of(shape);
    if both > 0.0 { dot * dot / both } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::past::Past;

    /// Noise of about -60 dBFS with a falling spectrum, and a tone as loud as speech.
    fn background(n: usize, rate: f64) -> Vec<f32> {
        let mut low = 0f64;
        let noise = crate::synth::sources::noise(n, 7).into_iter();
        noise
            .enumerate()
            .map(|(i, v)| {
                let white = 0.5 * f64::from(v);
                low = 0.9 * low + 0.1 * white;
                let tone = (2.0 * std::f64::consts::PI * 180.0 * i as f64 / rate).sin();
                (0.002 * (low * 4.0 + white) + 0.05 * tone) as f32
            })
            .collect()
    }

    fn measure(x: &[f32], rate: u32, block: usize) -> Vec<Transient> {
        let mut meter = TransientsMeter::new(rate);
        let mut past = Past::new(meter.reach(), 4800);
        for part in x.chunks(block) {
            past.push(part, |reach, _| meter.push(reach));
        }
        meter.finish(past.last())
    }

    #[test]
    fn errors_are_counted_up_to_a_limit() {
        let x: Vec<f64> = crate::synth::sources::noise(100, 8)
            .into_iter()
            .map(f64::from)
            .collect();
        for n in [0, 1, 8, 63, 100] {
            let single = x[..n].iter().filter(|e| e.abs() <= x[0].abs()).count();
            assert_eq!(count_up_to(&x[..n], x[0].abs()), single, "{n}");
        }
    }

    #[test]
    fn a_single_bad_sample_is_one_sample_wide() {
        for rate in [48_000, 96_000] {
            let mut x = background(rate as usize, f64::from(rate));
            x[30_000] += 0.03;
            for block in [24_000, 977] {
                let found = measure(&x, rate, block);
                assert_eq!(found.len(), 1, "{found:?}");
                assert_eq!((found[0].at, found[0].width), (30_000, 1), "{found:?}");
                assert!(found[0].single_share > 0.9);
                assert!((found[0].jump - 0.03).abs() < 0.006);
                assert!(found[0].prominence > 5.0);
            }
        }
    }

    #[test]
    fn a_step_has_no_damaged_sample() {
        let mut x = background(48_000, 48_000.0);
        for (k, v) in x[20_000..].iter_mut().enumerate() {
            *v += 0.05 * (-(k as f32) / 300.0).exp();
        }
        let found = measure(&x, 48_000, 4800);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].at, 20_000);
        assert!(found[0].width <= 1, "{found:?}");
        assert!(
            found[0].step_share > 0.9 && found[0].offset > 0.5,
            "{found:?}"
        );
    }

    #[test]
    fn a_lost_stretch_of_a_loud_wave_is_a_joint() {
        let mut x = background(48_000, 48_000.0);
        x.drain(20_000..20_060);
        let found = measure(&x, 48_000, 4800);
        assert!(
            found.iter().any(|t| t.at == 20_000 && t.width <= 2),
            "{found:?}"
        );
    }

    #[test]
    fn noise_and_silence_hold_none() {
        assert!(measure(&background(480_000, 48_000.0), 48_000, 4096).is_empty());
        assert!(measure(&[0.0; 48_000], 48_000, 4096).is_empty());
        assert!(measure(&[0.5], 48_000, 1).is_empty());
        assert!(measure(&[], 48_000, 1).is_empty());
    }
}
