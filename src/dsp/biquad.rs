//! Second-order sections on several streams at once, and the streams side by side that they want: a filter has to wait for
//! its own last value, several streams need not wait for each other.
//!
//! Vector operations stand in plain loops, not in closures: only what is inlined knows the instructions of the processor.
//! One vector holds the same sample of as many streams as the processor has lanes; the arithmetic of each stream is that of
//! a single one, to the last bit.

use std::ops::Range;

use pulp::{Simd, WithSimd, bytemuck};

use super::widest::dispatch;

/// A second-order section in transposed direct form II, `a0 = 1`, without its gain: what comes out is to be multiplied by b0,
/// and whoever sums it up does that once for many samples. Its next state is made from the last one and the sample, not from
/// what comes out: one step less to wait for.
#[derive(Clone, Copy)]
pub struct Biquad<S: Simd> {
    // What a sample adds to either state: b1 / b0 - a1 and b2 / b0 - a2.
    c: [S::f64s; 2],
    a: [S::f64s; 2],
    z: [S::f64s; 2],
}

impl<S: Simd> Biquad<S> {
    /// A section with coefficients b0, b1, b2 and a1, a2 that goes on from the state of each of a number of streams.
    #[inline(always)]
    pub fn resume(
        simd: S,
        b: [f64; 3],
        a: [f64; 2],
        streams: usize,
        state: impl Fn(usize) -> [f64; 2],
    ) -> Biquad<S> {
        let ([b0, b1, b2], [a1, a2]) = (b, a);
        Biquad {
            c: [simd.splat_f64s(b1 / b0 - a1), simd.splat_f64s(b2 / b0 - a2)],
            a: [simd.splat_f64s(a1), simd.splat_f64s(a2)],
            z: [
                gather(simd, streams, |l| state(l)[0]),
                gather(simd, streams, |l| state(l)[1]),
            ],
        }
    }

    /// State of each stream, to go on with later.
    #[inline(always)]
    pub fn states(&self) -> impl Fn(usize) -> [f64; 2] + use<S> {
        let z = self.z;
        move |stream| [lane::<S>(&z[0], stream), lane::<S>(&z[1], stream)]
    }

    /// The next sample of every stream.
    #[inline(always)]
    pub fn next(&mut self, simd: S, x: S::f64s) -> S::f64s {
        let ([c1, c2], [a1, a2], [z0, z1]) = (self.c, self.a, self.z);
        let y = simd.add_f64s(x, z0);
        let straight = simd.add_f64s(simd.mul_f64s(c1, x), z1);
        self.z = [
            simd.sub_f64s(straight, simd.mul_f64s(a1, z0)),
            simd.sub_f64s(simd.mul_f64s(c2, x), simd.mul_f64s(a2, z0)),
        ];
        y
    }
}

/// [`Biquad`] in single precision, each lane with coefficients of its own, for high-passes and low-passes: b2 is b0. Its
/// rounding is that of single precision amplified by the resonance of its poles: for corners far below the sampling rate take
/// the other.
#[derive(Clone, Copy)]
pub struct Narrow<S: Simd> {
    b: S::f32s,
    a: [S::f32s; 2],
    z: [S::f32s; 2],
}

impl<S: Simd> Narrow<S> {
    /// A section that goes on from a state: b1 / b0, then a1, a2, then the state of each lane.
    #[inline(always)]
    pub fn resume(simd: S, of: impl Fn(usize) -> (f32, [f32; 2], [f32; 2])) -> Narrow<S> {
        let mut narrow = Narrow::none(simd);
        for lane in 0..S::F32_LANES {
            let (b, [a1, a2], [z0, z1]) = of(lane);
            let Narrow { b: bs, a, z } = &mut narrow;
            let [a, z] = [a, z].map(|pair| bytemuck::cast_slice_mut::<_, f32>(pair));
            bytemuck::cast_slice_mut::<_, f32>(std::slice::from_mut(bs))[lane] = b;
            (a[lane], a[S::F32_LANES + lane]) = (a1, a2);
            (z[lane], z[S::F32_LANES + lane]) = (z0, z1);
        }
        narrow
    }

    /// Silence on all lanes.
    #[inline(always)]
    pub fn none(simd: S) -> Narrow<S> {
        let nothing = simd.splat_f32s(0.0);
        Narrow {
            b: nothing,
            a: [nothing; 2],
            z: [nothing; 2],
        }
    }

    /// State of a lane, to go on with later.
    #[inline(always)]
    pub fn state(&self, lane: usize) -> [f32; 2] {
        self.z.map(|z| narrow_lane::<S>(&z, lane))
    }

    /// The next sample of every lane.
    #[inline(always)]
    pub fn next(&mut self, simd: S, x: S::f32s) -> S::f32s {
        let (b, [a1, a2], [z0, z1]) = (self.b, self.a, self.z);
        let y = simd.add_f32s(x, z0);
        let straight = simd.add_f32s(simd.mul_f32s(b, x), z1);
        self.z = [
            simd.sub_f32s(straight, simd.mul_f32s(a1, y)),
            simd.sub_f32s(x, simd.mul_f32s(a2, y)),
        ];
        y
    }

    /// Let a state that has died away be nothing: numbers too small for all their digits take a hundred times as long.
    #[inline(always)]
    pub fn rest(&mut self, simd: S) {
        let (faint, nothing) = (simd.splat_f32s(1e-20), simd.splat_f32s(0.0));
        for z in &mut self.z {
            *z = simd.select_f32s(simd.less_than_f32s(simd.abs_f32s(*z), faint), nothing, *z);
        }
    }
}

/// How often a vector of single precision holds every stream that one of double precision holds: lane `l` belongs to stream
/// `l % S::F64_LANES`.
pub const fn times<S: Simd>() -> usize {
    S::F32_LANES / S::F64_LANES
}

/// A sample of every stream in single precision, as often as a vector has room; exact for what was single precision before.
#[inline(always)]
pub fn narrowed<S: Simd>(simd: S, x: S::f64s) -> S::f32s {
    // Known beforehand it is one conversion for all of them.
    match (S::F64_LANES, S::F32_LANES) {
        (8, 16) => {
            let x: [f64; 8] = bytemuck::cast(x);
            bytemuck::cast([x.map(|x| x as f32); 2])
        }
        (4, 8) => {
            let x: [f64; 4] = bytemuck::cast(x);
            bytemuck::cast([x.map(|x| x as f32); 2])
        }
        _ => each(simd, |l| lane::<S>(&x, l % S::F64_LANES) as f32),
    }
}

/// One value per lane of single precision.
#[inline(always)]
pub fn each<S: Simd>(simd: S, value: impl Fn(usize) -> f32) -> S::f32s {
    let mut all = simd.splat_f32s(0.0);
    let lanes: &mut [f32] = bytemuck::cast_slice_mut(std::slice::from_mut(&mut all));
    for (k, lane) in lanes.iter_mut().enumerate() {
        *lane = value(k);
    }
    all
}

/// The value of one lane of single precision.
#[inline(always)]
pub fn narrow_lane<S: Simd>(values: &S::f32s, lane: usize) -> f32 {
    bytemuck::cast_slice::<_, f32>(std::slice::from_ref(values))[lane]
}

/// One value per stream; lanes without a stream are 0.
#[inline(always)]
pub fn gather<S: Simd>(simd: S, streams: usize, value: impl Fn(usize) -> f64) -> S::f64s {
    let mut gathered = simd.splat_f64s(0.0);
    let lanes: &mut [f64] = bytemuck::cast_slice_mut(std::slice::from_mut(&mut gathered));
    for (stream, lane) in lanes.iter_mut().enumerate().take(streams) {
        *lane = value(stream);
    }
    gathered
}

/// The value of one stream.
#[inline(always)]
pub fn lane<S: Simd>(values: &S::f64s, stream: usize) -> f64 {
    bytemuck::cast_slice::<_, f64>(std::slice::from_ref(values))[stream]
}

/// A meter that can go in step with others of its kind.
pub trait InStep: Sized {
    /// Take in the next samples of as many streams as there are meters, at most the lanes of a vector; all meters are made
    /// alike and equally far.
    fn push_lanes<S: Simd>(simd: S, meters: &mut [&mut Self], x: &[S::f64s]);
}

/// How many streams go in step: lanes of a vector of double precision.
pub fn lanes() -> usize {
    struct Lanes;
    impl WithSimd for Lanes {
        type Output = usize;
        #[inline(always)]
        fn with_simd<S: Simd>(self, _: S) -> usize {
            S::F64_LANES
        }
    }
    dispatch(Lanes)
}

/// Take in samples: a meter a stream, equally many samples for each.
pub fn in_step<M: InStep>(meters: &mut [&mut M], x: &[&[f32]]) {
    dispatch(Streams { meters, x });
}

/// [`in_step`] as on a processor without vectors.
#[cfg(test)]
pub(crate) fn in_step_singly<M: InStep>(meters: &mut [&mut M], x: &[&[f32]]) {
    Streams { meters, x }.with_simd(pulp::Scalar::new());
}

struct Streams<'a, 'm, M> {
    meters: &'a mut [&'m mut M],
    x: &'a [&'a [f32]],
}

/// Samples of each stream that stand side by side at a time: in the first-level cache from one filter to the next.
const PIECE: usize = 512;

/// Samples side by side where there are `N` streams for `N` lanes, known beforehand: one conversion for all of them. For any
/// processor: with the widest instructions the streams are gathered, which takes twice as long.
#[inline(never)]
fn all_beside<const N: usize>(flat: &mut [f64], x: &[&[f32]], span: Range<usize>) -> bool {
    let Ok(x) = <&[&[f32]; N]>::try_from(x) else {
        return false;
    };
    let (rows, rest) = flat.as_chunks_mut::<N>();
    if rows.len() != span.len() || !rest.is_empty() {
        return false;
    }
    let x = x.map(|x| &x[span.clone()]);
    for (i, row) in rows.iter_mut().enumerate() {
        let mut now = [0f32; N];
        for (now, x) in now.iter_mut().zip(&x) {
            *now = x[i];
        }
        for (out, now) in row.iter_mut().zip(now) {
            *out = f64::from(now);
        }
    }
    true
}

impl<M: InStep> WithSimd for Streams<'_, '_, M> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let lanes = S::F64_LANES;
        let mut beside = Vec::new();
        for (meters, x) in self.meters.chunks_mut(lanes).zip(self.x.chunks(lanes)) {
            for from in (0..x[0].len()).step_by(PIECE) {
                let to = (from + PIECE).min(x[0].len());
                beside.resize(to - from, simd.splat_f64s(0.0));
                let flat: &mut [f64] = bytemuck::cast_slice_mut(&mut beside);
                if !(all_beside::<8>(flat, x, from..to) || all_beside::<4>(flat, x, from..to)) {
                    for (lane, x) in x.iter().enumerate() {
                        for (samples, &v) in flat.chunks_exact_mut(lanes).zip(&x[from..to]) {
                            samples[lane] = f64::from(v);
                        }
                    }
                }
                M::push_lanes(simd, meters, &beside);
            }
        }
    }
}
