//! Sums and extremes of many samples in lanes: orders of work that the compiler can vectorise.

/// Lanes of the sums and extremes below.
const LANES: usize = 8;

/// Largest |x|; 0 of nothing. `x` must not hold NaN.
#[inline(always)]
pub fn peak(x: &[f32]) -> f32 {
    // Magnitudes order as their bits do, and whole numbers may be compared in any order.
    let largest = x
        .iter()
        .map(|v| (v.to_bits() & 0x7fff_ffff) as i32)
        .fold(0, i32::max);
    f32::from_bits(largest as u32)
}

/// Smallest and largest of 0 and the samples. `x` must not hold NaN.
#[inline(always)]
pub fn range(x: &[f32]) -> (f32, f32) {
    let (mut low, mut high) = ([0f32; LANES], [0f32; LANES]);
    let mut parts = x.chunks_exact(LANES);
    let mut take = |part: &[f32]| {
        for ((low, high), &v) in low.iter_mut().zip(&mut high).zip(part) {
            *low = if v < *low { v } else { *low };
            *high = if v > *high { v } else { *high };
        }
    };
    parts.by_ref().for_each(&mut take);
    take(parts.remainder());
    (
        low.into_iter().fold(0.0, f32::min),
        high.into_iter().fold(0.0, f32::max),
    )
}

/// Sum of squares.
#[inline(always)]
pub fn energy(x: &[f32]) -> f64 {
    let mut lanes = [0f64; LANES];
    let mut parts = x.chunks_exact(LANES);
    for part in parts.by_ref() {
        for (lane, &v) in lanes.iter_mut().zip(part) {
            *lane += f64::from(v) * f64::from(v);
        }
    }
    for (lane, &v) in lanes.iter_mut().zip(parts.remainder()) {
        *lane += f64::from(v) * f64::from(v);
    }
    lanes.iter().sum()
}

/// Sum of products in single precision; the shorter length counts.
#[inline(always)]
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    // Four vectors of sums: one alone would wait for each addition to end.
    const MANY: usize = 4 * LANES;
    let n = a.len().min(b.len());
    let (many, few) = (n / MANY * MANY, n / LANES * LANES);
    let mut sums = [0f32; MANY];
    for (x, y) in a[..many]
        .chunks_exact(MANY)
        .zip(b[..many].chunks_exact(MANY))
    {
        for k in 0..MANY {
            sums[k] += x[k] * y[k];
        }
    }
    let mut lanes = [0f32; LANES];
    for k in 0..LANES {
        lanes[k] = (sums[k] + sums[k + LANES]) + (sums[k + 2 * LANES] + sums[k + 3 * LANES]);
    }
    for (x, y) in a[many..few]
        .chunks_exact(LANES)
        .zip(b[many..few].chunks_exact(LANES))
    {
        for k in 0..LANES {
            lanes[k] += x[k] * y[k];
        }
    }
    let rest: f32 = a[few..n].iter().zip(&b[few..n]).map(|(x, y)| x * y).sum();
    lanes.iter().sum::<f32>() + rest
}

/// Sum of products in double precision; the shorter length counts.
#[inline(always)]
pub fn dot_wide(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len());
    let mut lanes = [0f64; LANES];
    let (mut left, mut right) = (a[..n].chunks_exact(LANES), b[..n].chunks_exact(LANES));
    for (x, y) in left.by_ref().zip(right.by_ref()) {
        for k in 0..LANES {
            lanes[k] += x[k] * y[k];
        }
    }
    let rest = left.remainder().iter().zip(right.remainder());
    lanes.iter().sum::<f64>() + rest.map(|(x, y)| x * y).sum::<f64>()
}

/// A running sum that does not hang on how the stream is cut into blocks.
#[derive(Debug, Clone, Copy, Default)]
pub struct Sum {
    lanes: [f64; LANES],
    next: usize,
}

impl Sum {
    /// Add samples.
    #[inline(always)]
    pub fn add(&mut self, x: &[f32]) {
        let (head, rest) = x.split_at(((LANES - self.next) % LANES).min(x.len()));
        self.add_singly(head);
        let mut parts = rest.chunks_exact(LANES);
        for part in parts.by_ref() {
            for (lane, &v) in self.lanes.iter_mut().zip(part) {
                *lane += f64::from(v);
            }
        }
        self.add_singly(parts.remainder());
    }

    #[inline(always)]
    fn add_singly(&mut self, x: &[f32]) {
        for &v in x {
            self.lanes[self.next] += f64::from(v);
            self.next = (self.next + 1) % LANES;
        }
    }

    /// The sum so far.
    #[inline(always)]
    pub fn total(&self) -> f64 {
        self.lanes.iter().sum()
    }
}

/// Positions at which something holds, in order, into `found` (cleared first): without a branch that depends on it.
#[inline(always)]
pub fn places(count: usize, found: &mut Vec<u32>, holds: impl Fn(usize) -> bool) {
    found.clear();
    found.resize(count, 0);
    let mut n = 0;
    for i in 0..count {
        // Kept only if the next one does not write over it; n never passes i.
        found[n] = i as u32;
        n += usize::from(holds(i));
    }
    found.truncate(n);
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
            let low = x.iter().copied().fold(0f32, f32::min);
            assert_eq!(range(&x), (low, x.iter().copied().fold(0f32, f32::max)));
            let squares: f64 = x.iter().map(|&v| f64::from(v).powi(2)).sum();
            assert!((energy(&x) - squares).abs() <= 1e-12 * squares);
            assert!((f64::from(dot(&x, &x)) - squares).abs() <= 1e-5 * squares);
            let wide: Vec<f64> = x.iter().map(|&v| f64::from(v)).collect();
            assert!((dot_wide(&wide, &wide) - squares).abs() <= 1e-12 * squares);
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
    fn places_are_those_where_it_holds() {
        let mut found = vec![9];
        places(10, &mut found, |i| i % 3 == 0);
        assert_eq!(found, [0, 3, 6, 9]);
        places(0, &mut found, |_| true);
        assert!(found.is_empty());
    }
}
