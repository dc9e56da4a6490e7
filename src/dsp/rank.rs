//! Values of a rank among many, by counting.

use super::widest::widest;

widest! {
    /// The value of a rank among numbers from 0 up within 2^-14, found by halving: the bits of such numbers order as they do, and
    /// counting those below a limit takes a small part of the time that sorting or parting them does. 0 where there is none of
    /// that rank.
    pub fn of_rank<'a>(values: &'a [f32], rank: usize) -> f32 {
        if rank >= values.len() {
            return 0.0;
        }
        let (mut low, mut high) = (i32::MAX, 0);
        for value in values {
            let bits = value.to_bits() as i32;
            low = low.min(bits);
            high = high.max(bits);
        }
        // At most `rank` values lie below `low`, and more below `high` or up to it.
        while high - low > 1 << 9 {
            let middle = low + (high - low) / 2;
            let mut count = 0i32;
            for value in values {
                count += i32::from((value.to_bits() as i32) < middle);
            }
            if count as usize <= rank {
                low = middle;
            } else {
                high = middle;
            }
        }
        f32::from_bits(low as u32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rank_is_that_of_the_sorted_values() {
        for n in [1, 2, 31, 32, 33, 1000] {
            let values: Vec<f32> = crate::synth::sources::noise(n, 3)
                .iter()
                .map(|v| (20.0 * v).exp())
                .collect();
            let mut sorted = values.clone();
            sorted.sort_by(f32::total_cmp);
            for rank in [0, n / 3, n / 2, n - 1] {
                let ratio = of_rank(&values, rank) / sorted[rank];
                assert!((ratio - 1.0).abs() < 2f32.powi(-13), "{n} {rank} {ratio}");
            }
        }
        assert_eq!(of_rank(&[0.0; 5], 2), 0.0);
        assert_eq!(of_rank(&[], 0), 0.0);
    }
}
