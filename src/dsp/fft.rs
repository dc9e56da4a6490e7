//! Spectra of real streams and back: complex transforms of half the length by rustfft, and the step between pairs of samples
//! and bins in lanes. Bin by bin in single steps that one takes longer than the transform.
//!
//! The arithmetic is that of the crate realfft, to the last bit.

use std::f64::consts::PI;
use std::sync::Arc;

use pulp::bytemuck;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftDirection, FftPlanner};

use super::shared::Shared;
use super::widest::widest;

/// What transforms of one length and direction share.
struct Plan {
    half: Arc<dyn Fft<f32>>,
    /// Real and imaginary parts of the turns of the bins up to a quarter of the length.
    turns: (Vec<f32>, Vec<f32>),
}

/// Every track wants the same few lengths, and planning takes longer than many a short take.
static PLANS: Shared<(usize, bool), Plan> = Shared::new();

fn plan(size: usize, direction: FftDirection) -> Arc<Plan> {
    assert!(
        size >= 4 && size.is_multiple_of(4),
        "a multiple of four, not {size}"
    );
    let forward = direction == FftDirection::Forward;
    PLANS.get((size, forward), || {
        let turn = |bin: usize| -2.0 * PI / size as f64 * bin as f64;
        let (scale, side) = if forward { (0.5, 1.0) } else { (1.0, -1.0) };
        let bins = 0..size / 4;
        Plan {
            half: FftPlanner::new().plan_fft(size / 2, direction),
            turns: (
                bins.clone().map(|k| turn(k).cos() as f32 * scale).collect(),
                bins.map(|k| side * turn(k).sin() as f32 * scale).collect(),
            ),
        }
    })
}

/// From samples to bins.
#[derive(Clone)]
pub struct Forward {
    plan: Arc<Plan>,
    pairs: Vec<Complex<f32>>,
    bins: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

/// From bins to samples.
#[derive(Clone)]
pub struct Back {
    plan: Arc<Plan>,
    bins: Vec<Complex<f32>>,
    pairs: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl std::fmt::Debug for Forward {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Forward({})", 2 * self.pairs.len())
    }
}

impl std::fmt::Debug for Back {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Back({})", self.size())
    }
}

impl Forward {
    /// For `size` samples, a multiple of four; panics for others.
    pub fn new(size: usize) -> Forward {
        let plan = plan(size, FftDirection::Forward);
        let nothing = |n: usize| vec![Complex::default(); n];
        Forward {
            pairs: nothing(size / 2),
            bins: nothing(size / 2 + 1),
            scratch: nothing(plan.half.get_outofplace_scratch_len()),
            plan,
        }
    }

    /// The bins, half as many as samples and one, of the samples without a constant `offset`, times a window. `x` and `window`
    /// have the size of the transform.
    pub fn bins(&mut self, x: &[f32], offset: f32, window: &[f32]) -> &[Complex<f32>] {
        let half = self.pairs.len();
        shaped(self.samples(), x, offset, window);
        self.halves();
        let (below, above) = self.bins.split_at_mut(half / 2);
        let (re, im) = &self.plan.turns;
        apart(below, &mut above[1..], re, im);
        above[0].im = -above[0].im;
        &self.bins
    }

    /// The powers of all bins, as [`Forward::bins`] has them, and the real and imaginary parts of the first bins, as many as
    /// `bins` take, at most a quarter of the size; `powers` has one place more than half the size.
    pub fn powers_and_bins(
        &mut self,
        x: &[f32],
        offset: f32,
        window: &[f32],
        powers: &mut [f32],
        bins: [&mut [f32]; 2],
    ) {
        shaped(self.samples(), x, offset, window);
        self.powers_of(powers, bins);
    }

    /// Room for the samples, times their window; a transform leaves nothing of use there.
    pub fn samples(&mut self) -> &mut [f32] {
        // Pairs lie in memory as the samples do.
        bytemuck::cast_slice_mut(&mut self.pairs)
    }

    /// The powers of all bins of [`Forward::samples`].
    pub fn powers_of_samples(&mut self, powers: &mut [f32]) {
        self.powers_of(powers, [&mut [], &mut []]);
    }

    fn powers_of(&mut self, powers: &mut [f32], bins: [&mut [f32]; 2]) {
        let half = self.pairs.len();
        self.halves();
        let (below, above) = self.bins.split_at(half / 2);
        let (low, high) = powers.split_at_mut(half / 2);
        high[0] = above[0].norm_sqr();
        let (re, im) = &self.plan.turns;
        powers_apart(bins, low, &mut high[1..], below, &above[1..], re, im);
    }

    /// The transform of even samples as real and odd ones as imaginary parts. Its first bin is the counterpart of itself and
    /// stands behind the last, too.
    fn halves(&mut self) {
        let half = self.pairs.len();
        self.plan.half.process_outofplace_with_scratch(
            &mut self.pairs,
            &mut self.bins[..half],
            &mut self.scratch,
        );
        self.bins[half] = self.bins[0];
    }
}

impl Back {
    /// For `size` samples, a multiple of four; panics for others.
    pub fn new(size: usize) -> Back {
        let plan = plan(size, FftDirection::Inverse);
        let nothing = |n: usize| vec![Complex::default(); n];
        Back {
            bins: nothing(size / 2 + 1),
            pairs: nothing(size / 2),
            scratch: nothing(plan.half.get_outofplace_scratch_len()),
            plan,
        }
    }

    /// Samples of the transform.
    pub fn size(&self) -> usize {
        2 * self.pairs.len()
    }

    /// Room for the bins, from 0 to half the size; what [`Back::samples`] left there is of no use.
    pub fn bins(&mut self) -> &mut [Complex<f32>] {
        &mut self.bins
    }

    /// The samples of the bins, `size` times too large. The bins are used up.
    pub fn samples(&mut self) -> &[f32] {
        let half = self.pairs.len();
        // The ends of a real spectrum are real.
        (self.bins[0].im, self.bins[half].im) = (0.0, 0.0);
        let (below, above) = self.bins.split_at_mut(half / 2);
        let (re, im) = &self.plan.turns;
        together(below, &mut above[1..], re, im);
        let middle = above[0] * 2.0;
        above[0] = middle.conj();
        self.plan.half.process_outofplace_with_scratch(
            &mut self.bins[..half],
            &mut self.pairs,
            &mut self.scratch,
        );
        bytemuck::cast_slice(&self.pairs)
    }
}

/// Bins worked on together: long enough that loops over them become vector instructions. Of shorter ones the parts are picked
/// from memory one by one.
const LANES: usize = 64;

widest! {
    fn shaped<'a, 'b>(out: &'a mut [f32], x: &'b [f32], offset: f32, window: &'b [f32]) {
        for ((out, x), w) in out.iter_mut().zip(x).zip(window) {
            *out = (x - offset) * w;
        }
    }

    /// The spectra of even and odd samples to those of the whole. `below` counts up, `above` down.
    fn apart<'a, 'b>(
        below: &'a mut [Complex<f32>],
        above: &'a mut [Complex<f32>],
        re: &'b [f32],
        im: &'b [f32],
    ) {
        all_apart(below, above, re, im);
    }

    /// The powers of what [`apart`] makes, and real and imaginary parts of the first of its lower bins, as many as `bins` take.
    fn powers_apart<'a, 'b>(
        bins: [&'a mut [f32]; 2],
        low_powers: &'a mut [f32],
        high_powers: &'a mut [f32],
        below: &'b [Complex<f32>],
        above: &'b [Complex<f32>],
        re: &'b [f32],
        im: &'b [f32],
    ) {
        let whole = below.len() / LANES * LANES;
        let (low, high) = (below.as_chunks::<LANES>().0, above.as_rchunks::<LANES>().1);
        let (turns_re, turns_im) = (re.as_chunks::<LANES>().0, im.as_chunks::<LANES>().0);
        let [(real, last_real), (imaginary, last_imaginary)] = bins.map(|b| b.as_chunks_mut::<LANES>());
        let behind = real.len() * LANES;
        let mut some_bins = real.iter_mut().zip(imaginary);
        let bins = low.iter().zip(high.iter().rev()).zip(turns_re.iter().zip(turns_im));
        let low_out = low_powers.as_chunks_mut::<LANES>().0.iter_mut();
        let high_out = high_powers.as_rchunks_mut::<LANES>().1.iter_mut().rev();
        for (((low, high), (re, im)), (low_out, high_out)) in bins.zip(low_out.zip(high_out)) {
            // All of it apart from what is read and written, which might be one and the same place for all the compiler knows.
            let ([a, b, c, d], re, im) = (parts(low, high), *re, *im);
            let [mut x, mut y, mut low, mut mirrored, mut high] = [[0f32; LANES]; 5];
            for k in 0..LANES {
                let [p, q, z, w] = pair_apart(a[k], b[k], c[k], d[k], re[k], im[k]);
                (x[k], y[k]) = (p, q);
                low[k] = p * p + q * q;
                mirrored[k] = z * z + w * w;
            }
            for k in 0..LANES {
                high[k] = mirrored[LANES - 1 - k];
            }
            (*low_out, *high_out) = (low, high);
            if let Some((real, imaginary)) = some_bins.next() {
                (*real, *imaginary) = (x, y);
            }
        }
        let single = |k: usize| {
            let (low, high) = (below[k], above[above.len() - 1 - k]);
            pair_apart(low.re, low.im, high.re, high.im, re[k], im[k])
        };
        for k in whole..below.len() {
            let [a, b, c, d] = single(k);
            low_powers[k] = a * a + b * b;
            high_powers[above.len() - 1 - k] = c * c + d * d;
        }
        for (k, (real, imaginary)) in last_real.iter_mut().zip(last_imaginary).enumerate() {
            [*real, *imaginary, ..] = single(behind + k);
        }
    }

    /// The other way round.
    fn together<'a, 'b>(
        below: &'a mut [Complex<f32>],
        above: &'a mut [Complex<f32>],
        re: &'b [f32],
        im: &'b [f32],
    ) {
        all_together(below, above, re, im);
    }
}

/// Defines a step over all pairs of bins, and over [`LANES`] of them in separate loops: real and imaginary parts taken apart, the
/// arithmetic, and put back. As one loop it does not become vector instructions.
macro_rules! over_lanes {
    ($all:ident, $name:ident, $pair:ident) => {
        #[inline(always)]
        fn $all(below: &mut [Complex<f32>], above: &mut [Complex<f32>], re: &[f32], im: &[f32]) {
            let (low, low_rest) = below.as_chunks_mut::<LANES>();
            let (high_rest, high) = above.as_rchunks_mut::<LANES>();
            let ((re, re_rest), (im, im_rest)) = (re.as_chunks::<LANES>(), im.as_chunks::<LANES>());
            let lanes = low.iter_mut().zip(high.iter_mut().rev());
            for (((low, high), re), im) in lanes.zip(re).zip(im) {
                $name(low, high, re, im);
            }
            let rest = low_rest.iter_mut().zip(high_rest.iter_mut().rev());
            for ((low, high), (re, im)) in rest.zip(re_rest.iter().zip(im_rest)) {
                let [a, b, c, d] = $pair(low.re, low.im, high.re, high.im, *re, *im);
                *low = Complex { re: a, im: b };
                *high = Complex { re: c, im: d };
            }
        }

        #[inline(always)]
        fn $name(
            low: &mut [Complex<f32>; LANES],
            high: &mut [Complex<f32>; LANES],
            re: &[f32; LANES],
            im: &[f32; LANES],
        ) {
            let [mut a, mut b, mut c, mut d] = parts(low, high);
            for k in 0..LANES {
                [a[k], b[k], c[k], d[k]] = $pair(a[k], b[k], c[k], d[k], re[k], im[k]);
            }
            for k in 0..LANES {
                low[k] = Complex { re: a[k], im: b[k] };
            }
            for k in 0..LANES {
                high[LANES - 1 - k] = Complex { re: c[k], im: d[k] };
            }
        }
    };
}
over_lanes!(all_apart, apart_by, pair_apart);
over_lanes!(all_together, together_by, pair_together);

/// Real and imaginary parts of low bins, from the lowest up, and of their counterparts, from the highest down.
#[inline(always)]
fn parts<const N: usize>(low: &[Complex<f32>; N], high: &[Complex<f32>; N]) -> [[f32; N]; 4] {
    let [mut a, mut b, mut c, mut d] = [[0f32; N]; 4];
    for k in 0..N {
        (a[k], b[k]) = (low[k].re, low[k].im);
    }
    for k in 0..N {
        (c[k], d[k]) = (high[N - 1 - k].re, high[N - 1 - k].im);
    }
    [a, b, c, d]
}

/// Real and imaginary part of a low bin and of its counterpart, taken apart; `re` and `im`: half the turn of the low bin.
#[inline(always)]
fn pair_apart(a: f32, b: f32, c: f32, d: f32, re: f32, im: f32) -> [f32; 4] {
    let (half_sum, half_difference) = (0.5 * (a + c), 0.5 * (b - d));
    let (x, y) = turned(b + d, a - c, re, im);
    [
        half_sum + x,
        half_difference + y,
        half_sum - x,
        y - half_difference,
    ]
}

/// The other way round, twice as large; `re` and `im`: the turn back.
#[inline(always)]
fn pair_together(a: f32, b: f32, c: f32, d: f32, re: f32, im: f32) -> [f32; 4] {
    let (sum, difference) = (a + c, b - d);
    let (x, y) = turned(b + d, a - c, re, im);
    [sum - x, difference - y, sum + x, -y - difference]
}

#[inline(always)]
fn turned(across: f32, along: f32, re: f32, im: f32) -> (f32, f32) {
    (across * re + along * im, across * im - along * re)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::sources::noise;
    use realfft::RealFftPlanner;

    #[test]
    fn bins_are_those_of_realfft() {
        for size in [4, 64, 512, 1024, 2048, 4096] {
            let (x, window) = (noise(size, 5), noise(size, 6));
            let other = RealFftPlanner::<f32>::new().plan_fft_forward(size);
            let mut shaped: Vec<f32> = x.iter().zip(&window).map(|(x, w)| (x - 0.1) * w).collect();
            let mut bins = other.make_output_vec();
            other.process(&mut shaped, &mut bins).unwrap();
            let mut own = Forward::new(size);
            assert_eq!(own.bins(&x, 0.1, &window), &bins);
            let plain: Vec<f32> = bins.iter().map(|b| b.re * b.re + b.im * b.im).collect();
            for count in [0, 1, size / 8, size / 5, size / 4] {
                let mut powers = vec![0.0; size / 2 + 1];
                let (mut real, mut imaginary) = (vec![0.0; count], vec![0.0; count]);
                own.powers_and_bins(&x, 0.1, &window, &mut powers, [&mut real, &mut imaginary]);
                assert_eq!(powers, plain);
                let low = real
                    .iter()
                    .zip(&imaginary)
                    .map(|(re, im)| Complex { re: *re, im: *im });
                assert!(low.eq(bins[..count].iter().copied()));
            }
        }
    }

    #[test]
    fn samples_are_those_of_realfft() {
        for size in [4, 64, 512, 1024, 4096] {
            let other = RealFftPlanner::<f32>::new().plan_fft_inverse(size);
            let mut bins = other.make_input_vec();
            let last = bins.len() - 1;
            for (k, bin) in bins.iter_mut().enumerate() {
                let both = noise(2, k as u64);
                *bin = Complex::new(both[0], if k % last == 0 { 0.0 } else { both[1] });
            }
            let mut own = Back::new(size);
            own.bins().copy_from_slice(&bins);
            let mut samples = other.make_output_vec();
            other.process(&mut bins, &mut samples).unwrap();
            assert_eq!(own.samples(), samples);
            assert_eq!(own.size(), size);
        }
    }

    #[test]
    #[should_panic(expected = "multiple of four")]
    fn other_sizes_are_refused() {
        Forward::new(6);
    }
}
