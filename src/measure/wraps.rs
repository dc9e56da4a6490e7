//! Places where a wave goes through full scale and comes back in at the other end: integers that overflowed.
//!
//! Input: one track of an integer file, any block length, with its tiles.
//! Output: stretches that lie a whole range too low or too high. Silence, float files: none. Errors, panics: none.
//! Cost: one comparison per tile; memory 16 bytes a stretch, at most [`MOST`].
//! Source: two's complement arithmetic; a wave that wraps goes on smoothly once the range of 2 is taken off again.

use super::rails::Run;
use super::tiles::{TILE, Tiles};
use super::{SampleFormat, Signal};

/// Largest number kept; what has more is no sound.
pub const MOST: usize = 1 << 16;
/// A wave that wraps jumps by more than this, full scale 1; no sound does between two samples.
const JUMP: f32 = 1.5;
/// How far the wave may lie from the straight way on, once unwrapped: a tone of 3 kHz at full scale bends by 0.15 at 48 kHz.
const OFF: f32 = 0.2;

/// Measures stretches that wrapped. Block lengths do not change the result.
#[derive(Debug)]
pub struct WrapsMeter {
    wanted: bool,
    at: u64,
    /// The last two samples, the last one last.
    last: [f32; 2],
    /// Where the wave left its range and the way it went.
    left: Option<(u64, f32)>,
    out: Vec<Run>,
}

impl WrapsMeter {
    /// A meter at rest.
    pub fn new(signal: Signal) -> WrapsMeter {
        WrapsMeter {
            wanted: signal.format == SampleFormat::Int,
            at: 0,
            last: [0.0; 2],
            left: None,
            out: Vec::new(),
        }
    }

    /// Take in samples and what their tiles show.
    pub fn push(&mut self, x: &[f32], tiles: &Tiles) {
        if !self.wanted {
            return;
        }
        for (n, tile) in tiles.iter().enumerate() {
            let from = n * TILE;
            let tile_x = &x[from..(from + TILE).min(x.len())];
            // The jump may lie between two tiles.
            let high = tile.high.max(self.last[1]);
            let low = tile.low.min(self.last[1]);
            if high - low > JUMP {
                tile_x.iter().for_each(|&v| self.sample(v));
            } else {
                self.at += tile_x.len() as u64;
                self.last = match *tile_x {
                    [.., before, last] => [before, last],
                    [only] => [self.last[1], only],
                    [] => self.last,
                };
            }
        }
    }

    fn sample(&mut self, v: f32) {
        let [before, last] = self.last;
        let way = (last - v).signum();
        let ahead = 2.0 * last - before;
        if (last - v).abs() > JUMP && (v + 2.0 * way - ahead).abs() < OFF {
            match self.left.take() {
                Some((start, out)) if out != way => {
                    let len = (self.at - start) as u32;
                    if self.out.len() < MOST {
                        self.out.push(Run { start, len });
                    }
                }
                _ => self.left = Some((self.at, way)),
            }
        } else if self.left.is_some_and(|(_, out)| v * out > 0.0) {
            // Back on its side without a jump: that was no wave.
            self.left = None;
        }
        self.last = [last, v];
        self.at += 1;
    }

    /// Stretches in order of start.
    pub fn finish(self) -> Vec<Run> {
        self.out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wraps(x: &[f32], format: SampleFormat, block: usize) -> Vec<Run> {
        let signal = Signal {
            format,
            bits: 24,
            rate: 48_000,
        };
        let mut meter = WrapsMeter::new(signal);
        for part in x.chunks(block) {
            meter.push(part, &Tiles::of(part));
        }
        meter.finish()
    }

    /// A voice of 200 Hz whose tops reach 1.3.
    fn too_loud() -> Vec<f32> {
        let top = |n: usize| 1.3 * (0.026_18 * n as f32).sin();
        (0..960).map(top).collect()
    }

    #[test]
    fn what_comes_in_at_the_other_end_is_found_and_what_is_cut_is_not() {
        let wrapped: Vec<f32> = too_loud()
            .iter()
            .map(|v| (v + 1.0).rem_euclid(2.0) - 1.0)
            .collect();
        let over = |n: &usize| too_loud()[*n].abs() > 1.0;
        let samples: usize = (0..960).filter(over).count();
        let found = wraps(&wrapped, SampleFormat::Int, 100);
        assert_eq!(found.len(), 8, "both tops of four waves");
        assert_eq!(found.iter().map(|r| r.len as usize).sum::<usize>(), samples);
        for block in [1, 7, 64, 960] {
            assert_eq!(wraps(&wrapped, SampleFormat::Int, block), found);
        }
        let cut: Vec<f32> = too_loud().iter().map(|v| v.clamp(-1.0, 1.0)).collect();
        assert_eq!(wraps(&cut, SampleFormat::Int, 100), []);
        assert_eq!(wraps(&too_loud(), SampleFormat::Float, 100), []);
    }

    #[test]
    fn garbage_at_full_scale_is_no_wave() {
        let garbage: Vec<f32> = crate::synth::sources::noise(4800, 3)
            .iter()
            .map(|v| v.clamp(-1.0, 1.0))
            .collect();
        let found = wraps(&garbage, SampleFormat::Int, 480);
        assert!(found.len() < 3, "{found:?}");
    }
}
