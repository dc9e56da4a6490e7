//! Moving minimum and maximum.

/// Moving extreme over a centred window of `length` values, from `length / 2` before on, cut at the ends; `pick` is
/// the smaller or the larger of two. In time proportional to the input: running extremes from both sides of blocks of one
/// window length. A window of one value or none gives the input.
pub fn slide<T: Copy>(x: &[T], length: usize, pick: impl Fn(T, T) -> T + Copy) -> Vec<T> {
    let n = x.len();
    let (before, after) = (length / 2, length - length / 2);
    if n == 0 || length <= 1 {
        return x.to_vec();
    }
    let mut forward = x.to_vec();
    let mut backward = x.to_vec();
    for (forward, backward) in forward.chunks_mut(length).zip(backward.chunks_mut(length)) {
        for i in 1..forward.len() {
            forward[i] = pick(forward[i - 1], forward[i]);
        }
        for i in (1..backward.len()).rev() {
            backward[i - 1] = pick(backward[i], backward[i - 1]);
        }
    }
    (0..n)
        .map(|i| {
            let first = i.saturating_sub(before);
            let last = (i + after).min(n) - 1;
            if last - first + 1 < length && first / length == last / length {
                // Cut at an end of the input, within one block.
                x[first..=last].iter().copied().reduce(pick).unwrap_or(x[i])
            } else {
                pick(backward[first], forward[last])
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_window_has_its_own_extreme() {
        let x = crate::synth::sources::noise(500, 3);
        for length in [1, 2, 5, 60, 499, 700] {
            for (i, found) in slide(&x, length, f32::max).into_iter().enumerate() {
                let window = &x[i.saturating_sub(length / 2)..(i + length - length / 2).min(500)];
                assert_eq!(found, window.iter().copied().fold(x[i], f32::max));
            }
        }
        assert!(slide(&[] as &[f64], 3, f64::min).is_empty());
    }
}
