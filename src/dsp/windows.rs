//! Overlapping stretches of a stream that comes in blocks: what lies whole within a block is looked at where it lies, and only
//! what reaches over its end is kept.

/// Cuts a stream into windows.
#[derive(Debug, Clone, Default)]
pub struct Windows {
    size: usize,
    hop: usize,
    kept: Vec<f32>,
}

impl Windows {
    /// Windows of `size` samples, one every `hop`, at most `size`; the first begins `lead` samples of silence before the stream.
    pub fn new(size: usize, hop: usize, lead: usize) -> Windows {
        Windows {
            size,
            hop: hop.clamp(1, size.max(1)),
            kept: vec![0.0; lead],
        }
    }

    /// Take in samples and call `each` with every window that is complete then.
    pub fn push(&mut self, x: &[f32], mut each: impl FnMut(&[f32])) {
        let (size, hop) = (self.size, self.hop);
        self.push_rows(x, |row| row.windows(size).step_by(hop).for_each(&mut each));
    }

    /// Take in samples and call `each` with stretches that hold windows that are complete then: the first begins with the
    /// stretch, the last ends with it. For work that goes on from one window to the next.
    pub fn push_rows(&mut self, x: &[f32], mut each: impl FnMut(&[f32])) {
        let kept = self.kept.len();
        self.kept.extend_from_slice(&x[..x.len().min(self.size)]);
        // Windows that begin in what was kept, then those that begin in `x`.
        let windows = count(self.kept.len(), self.size, self.hop).min(kept.div_ceil(self.hop));
        if windows > 0 {
            each(&self.kept[..(windows - 1) * self.hop + self.size]);
        }
        let at = windows * self.hop;
        if at < kept {
            // A block shorter than a window.
            self.kept.drain(..at);
            return;
        }
        let x = &x[at - kept..];
        let windows = count(x.len(), self.size, self.hop);
        if windows > 0 {
            each(&x[..(windows - 1) * self.hop + self.size]);
        }
        self.kept.clear();
        self.kept.extend_from_slice(&x[windows * self.hop..]);
    }
}

/// Windows within so many samples.
fn count(samples: usize, size: usize, hop: usize) -> usize {
    (samples + hop).saturating_sub(size) / hop
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn windows_are_the_same_however_the_stream_is_cut() {
        let x: Vec<f32> = (1..=100).map(|v| v as f32).collect();
        for (size, hop, lead) in [(16, 8, 0), (16, 5, 3), (16, 16, 0), (7, 1, 6), (64, 10, 27)] {
            let mut whole = vec![0.0; lead];
            whole.extend(&x);
            let wanted: Vec<&[f32]> = whole.windows(size).step_by(hop).collect();
            for block in [1, 3, 8, 15, 16, 17, 33, 100] {
                let (mut windows, mut found) = (Windows::new(size, hop, lead), Vec::new());
                for x in x.chunks(block) {
                    windows.push(x, |window| found.push(window.to_vec()));
                }
                assert_eq!(found, wanted, "{size} {hop} {lead} {block}");
            }
        }
        Windows::new(4, 2, 0).push(&[], |_| panic!("there is none"));
    }
}
