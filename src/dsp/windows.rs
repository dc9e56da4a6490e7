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
        let kept = self.kept.len();
        self.kept.extend_from_slice(&x[..x.len().min(self.size)]);
        let mut at = 0;
        while at < kept && at + self.size <= self.kept.len() {
            each(&self.kept[at..at + self.size]);
            at += self.hop;
        }
        if at < kept {
            // A block shorter than a window.
            self.kept.drain(..at);
            return;
        }
        let mut from = at - kept;
        while from + self.size <= x.len() {
            each(&x[from..from + self.size]);
            from += self.hop;
        }
        self.kept.clear();
        self.kept.extend_from_slice(&x[from..]);
    }
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
