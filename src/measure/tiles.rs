//! What several meters want to know of every few samples of a stretch: whether any stands next to its like, and how far they reach.

use crate::dsp::lanes::range_within;
use crate::dsp::widest::widest;

/// Samples of a tile.
pub const TILE: usize = 64;

/// A few samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tile {
    /// Whether a sample stands before one of the same value, be that the first of the next tile; behind the last tile nothing
    /// stands.
    pub twice: bool,
    /// Smallest of 0 and the samples.
    pub low: f32,
    /// Largest of 0 and the samples.
    pub high: f32,
}

/// The tiles of the stretch at hand, every [`TILE`] samples from its first on; the last may be short.
#[derive(Debug, Clone, Default)]
pub struct Tiles {
    tiles: Vec<Tile>,
    samples: usize,
}

impl Tiles {
    /// Look at the next stretch; no sample may be NaN.
    pub fn look(&mut self, x: &[f32]) {
        self.samples = x.len();
        self.tiles.clear();
        look(&mut self.tiles, x);
    }

    /// Of a stretch by itself.
    pub fn of(x: &[f32]) -> Tiles {
        let mut tiles = Tiles::default();
        tiles.look(x);
        tiles
    }

    /// Samples of the stretch.
    pub fn samples(&self) -> usize {
        self.samples
    }

    /// In order.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = &Tile> {
        self.tiles.iter()
    }

    /// Smallest and largest of 0 and all samples.
    pub fn range(&self) -> (f32, f32) {
        let wider = |(low, high): (f32, f32), tile: &Tile| (low.min(tile.low), high.max(tile.high));
        self.tiles.iter().fold((0.0, 0.0), wider)
    }
}

widest! {
    fn look<'a, 'b>(out: &'a mut Vec<Tile>, x: &'b [f32]) {
        for from in (0..x.len()).step_by(TILE) {
            // As many as a tile has, so that nothing is left over when they fill whole vectors.
            let to = (from + TILE).min(x.len() - 1);
            let mut equal = 0;
            for (this, next) in x[from..to].iter().zip(&x[from + 1..to + 1]) {
                equal |= u32::from(this == next);
            }
            let (low, high) = range_within(&x[from..(from + TILE).min(x.len())]);
            out.push(Tile { twice: equal != 0, low, high });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::sources::noise;

    #[test]
    fn values_that_stand_twice_are_found_in_their_tile() {
        for n in [1, 63, 64, 65, 128, 200] {
            for twice in 0..n {
                let mut x: Vec<f32> = (0..n).map(|v| v as f32).collect();
                x[twice] = x[(twice + 1) % n];
                let found: Vec<bool> = Tiles::of(&x).iter().map(|t| t.twice).collect();
                let wanted = |tile: usize| twice + 1 < n && twice / TILE == tile;
                assert_eq!(found, (0..n.div_ceil(TILE)).map(wanted).collect::<Vec<_>>());
            }
        }
        assert_eq!(Tiles::of(&[]).iter().len(), 0);
    }

    #[test]
    fn ranges_are_those_of_single_comparisons() {
        for n in [0, 1, 64, 100, 640] {
            let x = noise(n, 4);
            let of = |x: &[f32]| {
                let extreme = |pick: fn(f32, f32) -> f32| x.iter().copied().fold(0.0, pick);
                (extreme(f32::min), extreme(f32::max))
            };
            let tiles = Tiles::of(&x);
            for (tile, x) in tiles.iter().zip(x.chunks(TILE)) {
                assert_eq!((tile.low, tile.high), of(x));
            }
            assert_eq!(tiles.range(), of(&x));
        }
    }
}
