//! Sums and extremes of many samples in lanes: orders of work that the compiler can vectorise.

use std::ops::{AddAssign, Mul};

use super::widest::widest;

/// Lanes of the sums and extremes below.
pub const LANES: usize = 8;

widest! {
    /// Largest |x|; 0 of nothing. `x` must not hold NaN.
    pub fn peak<'a>(x: &'a [f32]) -> f32 {
        peak_within(x)
    }

    /// Sum of squares.
    pub fn energy<'a>(x: &'a [f32]) -> f64 {
        energy_within(x)
    }

    /// Sum.
    pub fn sum<'a>(x: &'a [f32]) -> f64 {
        sum_within(x)
    }

    /// Sum of products of single-precision numbers in double precision; the shorter length counts.
    pub fn sum_of_products<'a, 'b>(a: &'a [f32], b: &'b [f32]) -> f64 {
        let mut lanes = [0f64; LANES];
        let n = a.len().min(b.len());
        let (left, left_rest) = a[..n].as_chunks::<LANES>();
        let (right, right_rest) = b[..n].as_chunks::<LANES>();
        for (x, y) in left.iter().zip(right) {
            for k in 0..LANES {
                lanes[k] += f64::from(x[k]) * f64::from(y[k]);
            }
        }
        let mut sum = 0.0;
        for (x, y) in left_rest.iter().zip(right_rest) {
            sum += f64::from(*x) * f64::from(*y);
        }
        for lane in lanes {
            sum += lane;
        }
        sum
    }

    /// Sum of products in double precision; the shorter length counts.
    pub fn dot_wide<'a, 'b>(a: &'a [f64], b: &'b [f64]) -> f64 {
        let n = a.len().min(b.len());
        let mut lanes = [0f64; 2 * LANES];
        let (left, left_rest) = a[..n].as_chunks::<{ 2 * LANES }>();
        let (right, right_rest) = b[..n].as_chunks::<{ 2 * LANES }>();
        add_products(&mut lanes, left, right);
        total(left_rest, right_rest, lanes)
    }

    /// Add numbers to others; the shorter length counts.
    pub fn add<'a, 'b>(sums: &'a mut [f32], x: &'b [f32]) {
        for (sum, x) in sums.iter_mut().zip(x) {
            *sum += x;
        }
    }

    /// Add the cross spectrum `conj(x) y`, bin by bin: of all three the real parts and then as many imaginary ones.
    pub fn add_cross<'a, 'b>(sums: &'a mut [f32], x: &'b [f32], y: &'b [f32]) {
        let n = sums.len() / 2;
        let (re, im) = sums.split_at_mut(n);
        let ((a, b), (c, d)) = (x.split_at(n), y.split_at(n));
        let (im, b, c, d) = (&mut im[..n], &b[..n], &c[..n], &d[..n]);
        for k in 0..n {
            re[k] += a[k] * c[k] + b[k] * d[k];
        }
        for k in 0..n {
            im[k] += a[k] * d[k] - b[k] * c[k];
        }
    }

    /// Where a value stands first.
    pub fn position<'a>(values: &'a [f32], wanted: f32) -> Option<usize> {
        for (n, some) in values.chunks(SOME).enumerate() {
            let mut found = 0;
            for v in some {
                found |= u32::from(*v == wanted);
            }
            if found != 0 {
                return Some(n * SOME + some.iter().position(|v| *v == wanted)?);
            }
        }
        None
    }

    /// Of at most 64 inner values one bit for each that is a maximum: over 0, over the value before it, not under the one after.
    fn set_of_maxima<'a>(values: &'a [f32]) -> u64 {
        let count = values.len() - 2;
        let (before, here, after) = (&values[..count], &values[1..=count], &values[2..]);
        let mut set = 0u64;
        for (k, ((before, here), after)) in before.iter().zip(here).zip(after).enumerate() {
            set |= u64::from((here > before) & (here >= after) & (*here > 0.0)) << k;
        }
        set
    }

    /// Of each 64 values one bit for each that lies on the other side of zero than the one after it; of the last value there is
    /// none.
    pub fn set_crossings<'a, 'b>(out: &'a mut Vec<u64>, values: &'b [f32]) {
        let count = values.len().max(1) - 1;
        let (here, after) = (&values[..count], &values[values.len() - count..]);
        for (here, after) in here.chunks(64).zip(after.chunks(64)) {
            let mut set = 0u64;
            for (k, (here, after)) in here.iter().zip(after).enumerate() {
                set |= u64::from((*here >= 0.0) != (*after >= 0.0)) << k;
            }
            out.push(set);
        }
    }

    fn add_rows<'a, 'b>(lanes: &'a mut [f64; WIDE], x: &'b [[f32; WIDE]]) {
        let mut sums = *lanes;
        add_up(&mut sums, x);
        *lanes = sums;
    }
}

/// Values that are looked at before it is asked whether one of them was wanted.
const SOME: usize = 128;

/// Smallest and largest of 0 and the samples, for work that is compiled for the widest instructions itself. `x` must not hold NaN.
#[inline(always)]
pub fn range_within(x: &[f32]) -> (f32, f32) {
    // By their bits, negative samples come before all others as signed whole numbers, and as unsigned ones behind all others, the
    // lowest last.
    let (mut highest, mut last) = (0i32, 0u32);
    for v in x {
        highest = highest.max(v.to_bits() as i32);
        last = last.max(v.to_bits());
    }
    let low = f32::from_bits(last);
    (low.min(0.0), f32::from_bits(highest as u32))
}

/// [`peak`] for work that is compiled for the widest instructions itself.
#[inline(always)]
pub fn peak_within(x: &[f32]) -> f32 {
    // Magnitudes order as their bits do, and whole numbers may be compared in any order.
    let mut largest = 0i32;
    for v in x {
        largest = largest.max((v.to_bits() & 0x7fff_ffff) as i32);
    }
    f32::from_bits(largest as u32)
}

/// [`energy`] for work that is compiled for the widest instructions itself.
#[inline(always)]
pub fn energy_within(x: &[f32]) -> f64 {
    let mut sums = [0f64; WIDE];
    let (some, left) = x.as_chunks::<FEW>();
    for some in some {
        add_few(&mut sums, &squares_of_few(some));
    }
    let mut sum = 0.0;
    for &v in left {
        sum += f64::from(v) * f64::from(v);
    }
    for part in sums {
        sum += part;
    }
    sum
}

/// Sums in single precision that stand side by side, and samples that they are made of before they go on in double precision:
/// converting every sample takes longer than all else.
const WIDE: usize = 2 * LANES;
const FEW: usize = 4 * WIDE;

#[inline(always)]
fn squares_of_few(x: &[f32; FEW]) -> [f32; WIDE] {
    let mut sums = [0f32; WIDE];
    for row in x.as_chunks::<WIDE>().0 {
        for k in 0..WIDE {
            sums[k] += row[k] * row[k];
        }
    }
    sums
}

#[inline(always)]
fn sums_of_few(x: &[f32; FEW]) -> [f32; WIDE] {
    let mut sums = [0f32; WIDE];
    for row in x.as_chunks::<WIDE>().0 {
        for k in 0..WIDE {
            sums[k] += row[k];
        }
    }
    sums
}

#[inline(always)]
fn add_few(sums: &mut [f64; WIDE], few: &[f32; WIDE]) {
    for k in 0..WIDE {
        sums[k] += f64::from(few[k]);
    }
}

/// [`sum`] for work that is compiled for the widest instructions itself.
#[inline(always)]
pub fn sum_within(x: &[f32]) -> f64 {
    let mut lanes = [0f64; LANES];
    let (whole, rest) = x.as_chunks::<LANES>();
    add_up(&mut lanes, whole);
    let mut sum = 0.0;
    for &v in rest {
        sum += f64::from(v);
    }
    for lane in lanes {
        sum += lane;
    }
    sum
}

/// Sum, within what single precision keeps of a few samples, and sum of squares as [`energy_within`] has it, in one go.
#[inline(always)]
pub fn moments_within(x: &[f32]) -> (f64, f64) {
    let (mut sums, mut squares) = ([0f64; WIDE], [0f64; WIDE]);
    let (some, left) = x.as_chunks::<FEW>();
    for some in some {
        add_few(&mut sums, &sums_of_few(some));
        add_few(&mut squares, &squares_of_few(some));
    }
    let (mut sum, mut square) = (0.0, 0.0);
    for &v in left {
        sum += f64::from(v);
        square += f64::from(v) * f64::from(v);
    }
    for k in 0..WIDE {
        sum += sums[k];
        square += squares[k];
    }
    (sum, square)
}

/// Add values, lane by lane.
#[inline(always)]
pub fn add_up<const N: usize>(lanes: &mut [f64; N], x: &[[f32; N]]) {
    for part in x {
        for k in 0..N {
            lanes[k] += f64::from(part[k]);
        }
    }
}

/// Sum of products in single precision, for work that is compiled for the widest instructions itself; the shorter length counts.
#[inline(always)]
pub fn dot_within(a: &[f32], b: &[f32]) -> f32 {
    let n = a.len().min(b.len());
    let (left, left_rest) = a[..n].as_chunks::<MANY>();
    let (right, right_rest) = b[..n].as_chunks::<MANY>();
    let mut sums = [0f32; MANY];
    add_products(&mut sums, left, right);
    gathered(&sums, left_rest, right_rest)
}

/// The sum of lanes, half of them added to the other half at a time.
#[inline(always)]
pub fn folded(lanes: [f32; 2 * LANES]) -> f32 {
    let [mut eight, mut four] = [[0f32; LANES], [0f32; LANES]];
    for k in 0..LANES {
        eight[k] = lanes[k] + lanes[k + LANES];
    }
    for k in 0..LANES / 2 {
        four[k] = eight[k] + eight[k + LANES / 2];
    }
    (four[0] + four[2]) + (four[1] + four[3])
}

/// [`dot_within`] of `taps` with as many samples from each of four places `step` apart: they share the taps.
#[inline(always)]
pub fn dots_within(x: &[f32], step: usize, taps: &[f32]) -> [f32; 4] {
    let here = |place: usize| x[place * step..][..taps.len()].as_chunks::<MANY>();
    let ((x0, rest0), (x1, rest1), (x2, rest2), (x3, rest3)) = (here(0), here(1), here(2), here(3));
    let (taps, rest) = taps.as_chunks::<MANY>();
    // Four arrays: of one with four rows no vectors become.
    let [mut sums0, mut sums1, mut sums2, mut sums3] = [[0f32; MANY]; 4];
    for ((((taps, x0), x1), x2), x3) in taps.iter().zip(x0).zip(x1).zip(x2).zip(x3) {
        for k in 0..MANY {
            sums0[k] += x0[k] * taps[k];
        }
        for k in 0..MANY {
            sums1[k] += x1[k] * taps[k];
        }
        for k in 0..MANY {
            sums2[k] += x2[k] * taps[k];
        }
        for k in 0..MANY {
            sums3[k] += x3[k] * taps[k];
        }
    }
    [
        gathered(&sums0, rest0, rest),
        gathered(&sums1, rest1, rest),
        gathered(&sums2, rest2, rest),
        gathered(&sums3, rest3, rest),
    ]
}

/// Four vectors of sums: one alone would wait for each addition to end.
const MANY: usize = 4 * LANES;

/// All sums, and the products of what is left over.
#[inline(always)]
fn gathered(sums: &[f32; MANY], left: &[f32], right: &[f32]) -> f32 {
    let mut lanes = [0f32; LANES];
    for k in 0..LANES {
        lanes[k] = (sums[k] + sums[k + LANES]) + (sums[k + 2 * LANES] + sums[k + 3 * LANES]);
    }
    let (left, left_rest) = left.as_chunks::<LANES>();
    let (right, right_rest) = right.as_chunks::<LANES>();
    add_products(&mut lanes, left, right);
    total(left_rest, right_rest, lanes)
}

/// Add the products of each lane.
#[inline(always)]
fn add_products<T: Float, const N: usize>(lanes: &mut [T; N], left: &[[T; N]], right: &[[T; N]]) {
    for (x, y) in left.iter().zip(right) {
        for k in 0..N {
            lanes[k] += x[k] * y[k];
        }
    }
}

/// The products of what filled no lanes, and then the lanes, in one sum.
#[inline(always)]
fn total<T: Float, const N: usize>(left: &[T], right: &[T], lanes: [T; N]) -> T {
    let mut sum = T::default();
    for (x, y) in left.iter().zip(right) {
        sum += *x * *y;
    }
    for lane in lanes {
        sum += lane;
    }
    sum
}

/// Single or double precision.
trait Float: Copy + Default + AddAssign + Mul<Output = Self> {}
impl Float for f32 {}
impl Float for f64 {}

/// A running sum that does not hang on how the stream is cut into blocks.
#[derive(Debug, Clone, Copy, Default)]
pub struct Sum {
    lanes: [f64; WIDE],
    next: usize,
}

impl Sum {
    /// Add samples.
    pub fn add(&mut self, x: &[f32]) {
        let (head, rest) = x.split_at(((WIDE - self.next) % WIDE).min(x.len()));
        self.add_singly(head);
        let (rows, tail) = rest.as_chunks::<WIDE>();
        add_rows(&mut self.lanes, rows);
        self.add_singly(tail);
    }

    fn add_singly(&mut self, x: &[f32]) {
        for &v in x {
            self.lanes[self.next] += f64::from(v);
            self.next = (self.next + 1) % WIDE;
        }
    }

    /// The sum so far.
    pub fn total(&self) -> f64 {
        self.lanes.iter().sum()
    }
}

/// The bits that are set, from the lowest up.
pub fn set_bits(mut set: u64) -> impl Iterator<Item = u32> {
    std::iter::from_fn(move || {
        let next = (set != 0).then(|| set.trailing_zeros())?;
        set &= set - 1;
        Some(next)
    })
}

/// Positions of the inner values that are maxima, counted from the second value: over 0, over the value before, not under the
/// one after.
pub fn maxima(values: &[f32]) -> impl Iterator<Item = u32> + '_ {
    let inner = values.len().saturating_sub(2);
    (0..inner).step_by(64).flat_map(move |from| {
        let to = (from + 64).min(inner);
        set_bits(set_of_maxima(&values[from..to + 2])).map(move |k| from as u32 + k)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::sources::noise;

    #[test]
    fn lanes_give_what_single_steps_give() {
        for n in [0, 1, 7, 8, 9, 100, 1001] {
            let x = noise(n, 5);
            assert_eq!(peak(&x), x.iter().fold(0f32, |m, v| m.max(v.abs())));
            let squares: f64 = x.iter().map(|&v| f64::from(v).powi(2)).sum();
            // Single precision over a few.
            assert!((energy(&x) - squares).abs() <= 2e-7 * squares);
            assert!((f64::from(dot_within(&x, &x)) - squares).abs() <= 1e-5 * squares);
            let wide: Vec<f64> = x.iter().map(|&v| f64::from(v)).collect();
            assert!((dot_wide(&wide, &wide) - squares).abs() <= 1e-12 * squares);
            let (taps, step) = (&x[..n / 4], n / 4);
            for (place, dot) in dots_within(&x, step, taps).into_iter().enumerate() {
                assert_eq!(dot, dot_within(&x[place * step..], taps), "{n} {place}");
            }
            assert!((sum_of_products(&x, &x) - squares).abs() <= 1e-12 * squares);
            let plain: f64 = x.iter().map(|&v| f64::from(v)).sum();
            assert!((sum(&x) - plain).abs() <= 1e-12 * n as f64);
            let (first, second) = moments_within(&x);
            assert!((first - plain).abs() <= 1e-7 * n as f64);
            assert_eq!(second, energy(&x));
        }
    }

    #[test]
    fn a_sum_does_not_hang_on_the_blocks() {
        let x = noise(1003, 6);
        let sum = |block: usize| {
            let mut sum = Sum::default();
            x.chunks(block).for_each(|part| sum.add(part));
            sum.total()
        };
        for block in [1, 3, 8, 50, 1003] {
            assert_eq!(sum(block), sum(1000));
        }
        let plain: f64 = x.iter().map(|&v| f64::from(v)).sum();
        assert!((sum(9) - plain).abs() < 1e-9);
    }

    #[test]
    fn maxima_are_those_of_single_comparisons() {
        for n in [0, 1, 2, 3, 64, 65, 66, 67, 500] {
            let mut x = noise(n, 7);
            x.iter_mut().for_each(|v| *v = (*v * 4.0).round());
            let single: Vec<u32> = (0..n.saturating_sub(2))
                .filter(|&i| x[i + 1] > x[i] && x[i + 1] >= x[i + 2] && x[i + 1] > 0.0)
                .map(|i| i as u32)
                .collect();
            assert_eq!(maxima(&x).collect::<Vec<_>>(), single, "{n}");
        }
        assert_eq!(set_bits(1 << 63 | 5).collect::<Vec<_>>(), [0, 2, 63]);
    }

    #[test]
    fn a_value_is_found_where_it_stands_first() {
        for n in [0, 1, 127, 128, 129, 300] {
            let x: Vec<f32> = (0..n).map(|v| (v / 2) as f32).collect();
            for wanted in [0.0, 1.0, 63.0, 64.0, 149.0, -1.0] {
                assert_eq!(
                    position(&x, wanted),
                    x.iter().position(|&v| v == wanted),
                    "{n}"
                );
            }
        }
    }

    #[test]
    fn crossings_are_those_of_single_comparisons() {
        for n in [0, 1, 2, 64, 65, 66, 200] {
            let x = noise(n, 8);
            let mut sets = Vec::new();
            set_crossings(&mut sets, &x);
            assert_eq!(sets.len(), n.saturating_sub(1).div_ceil(64));
            for k in 0..n.saturating_sub(1) {
                let set = sets[k / 64] >> (k % 64) & 1 != 0;
                assert_eq!(set, (x[k] >= 0.0) != (x[k + 1] >= 0.0), "{n} {k}");
            }
        }
    }
}
