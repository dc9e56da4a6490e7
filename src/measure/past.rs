//! The samples at hand and those before them in one piece, for all meters of a track that look back: what each would keep for
//! itself is kept once, and what lies whole within a block is looked at where it lies.

/// Samples that are new, behind some that came before.
#[derive(Debug, Clone, Copy)]
pub struct Reach<'a> {
    /// All of them.
    pub x: &'a [f32],
    /// Position of the first of them in the track.
    pub start: u64,
}

impl Reach<'_> {
    /// Position behind the last.
    pub fn end(&self) -> u64 {
        self.start + self.x.len() as u64
    }

    /// Where a sample of the track stands in `x`; the first where it has been let go.
    pub fn place(&self, sample: u64) -> usize {
        sample.saturating_sub(self.start) as usize
    }
}

/// Keeps the last samples of a track.
#[derive(Debug, Default)]
pub struct Past {
    /// Samples that have to be there before new ones.
    length: usize,
    /// Most new samples at a time.
    piece: usize,
    kept: Vec<f32>,
    /// Position of the first one kept.
    start: u64,
}

impl Past {
    /// At rest: `length` samples are kept, and at most `piece` new ones are looked at together.
    pub fn new(length: usize, piece: usize) -> Past {
        Past {
            length,
            piece: piece.max(1),
            kept: Vec::new(),
            start: 0,
        }
    }

    /// Take in samples and call `each` with every few of them behind those before, and where they lie among the new ones.
    pub fn push(&mut self, x: &[f32], mut each: impl FnMut(Reach<'_>, std::ops::Range<usize>)) {
        // As many as the first pieces that reach back to before `x`.
        let first = x
            .len()
            .min(self.length.next_multiple_of(self.piece).max(self.piece));
        let (before, begin) = (self.kept.len(), self.last().end());
        self.kept.extend_from_slice(&x[..first]);
        for from in (0..x.len()).step_by(self.piece) {
            let to = (from + self.piece).min(x.len());
            let (x, back) = if to <= first {
                let back = (before + from).min(self.length);
                (&self.kept[before + from - back..before + to], back)
            } else {
                (&x[from - self.length..to], self.length)
            };
            let start = begin + from as u64 - back as u64;
            each(Reach { x, start }, from..to);
        }
        if x.len() > first {
            self.kept.clear();
            self.kept.extend_from_slice(&x[x.len() - self.length..]);
        } else if self.kept.len() > 2 * self.length {
            self.kept.drain(..self.kept.len() - self.length);
        }
        self.start = begin + x.len() as u64 - self.kept.len() as u64;
    }

    /// The last samples, none of them new.
    pub fn last(&self) -> Reach<'_> {
        Reach {
            x: &self.kept,
            start: self.start,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_came_before_is_there_however_the_stream_is_cut() {
        let x: Vec<f32> = (0..500).map(|v| v as f32).collect();
        for (length, piece) in [(0, 1), (3, 7), (16, 16), (20, 5), (600, 50)] {
            for block in [1, 6, 16, 33, 100, 500] {
                let (mut past, mut seen) = (Past::new(length, piece), 0);
                for block in x.chunks(block) {
                    let begin = seen;
                    past.push(block, |reach, new| {
                        assert_eq!(
                            (begin + new.start, begin + new.end),
                            (seen, reach.end() as usize)
                        );
                        assert!(reach.start as usize <= seen.saturating_sub(length));
                        assert_eq!(reach.x, &x[reach.start as usize..begin + new.end]);
                        assert_eq!(reach.x[reach.place(seen as u64)..], block[new.clone()]);
                        seen += new.len();
                    });
                    assert_eq!(past.last().end() as usize, seen);
                }
                assert_eq!(seen, x.len());
            }
        }
        Past::new(4, 2).push(&[], |_, _| panic!("there is none"));
    }
}
