//! Exactly equal samples: runs of one value and stretches that repeat what went before.
//!
//! A microphone chain never gives the same number twice for long: with noise of sigma quantisation steps two neighbouring
//! samples agree with probability 1/(2 sigma sqrt(pi)). What repeats exactly was made by a machine.

use super::past::Reach;
use super::tiles::{TILE, Tiles};
use crate::dsp::lanes::set_bits;
use crate::dsp::widest::widest;

/// Shortest run of equal samples that is listed, in seconds.
const LEAST_RUN_S: f64 = 0.001;
/// Samples compared before a repeat is believed.
const LEAST_REPEAT: usize = 32;
/// Shortest and longest packet in seconds.
const PACKET_S: (f64, f64) = (0.000_9, 0.0405);
/// Samples that make up the fingerprint of a place: no more than twice [`MARK`].
const KEY: usize = 8;
/// Samples on either side over which a mark is the least: one place in nine is one, and of 32 samples none in 1 of 4000 cases.
const MARK: usize = 4;
/// Slots of the table of fingerprints, a power of two.
const SLOTS: usize = 2048;
/// Octaves of run length that are counted.
pub const LENGTHS: usize = 24;

/// Samples of one value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// First sample.
    pub start: u64,
    /// Samples.
    pub length: u64,
    /// Their value, full scale 1.
    pub value: f32,
}

/// A stretch that equals what stood `period` samples before, sample by sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Repeat {
    /// First sample of the copy.
    pub start: u64,
    /// Samples of the copy.
    pub length: u64,
    /// Distance to the original.
    pub period: u64,
}

/// What [`RunsMeter`] found.
#[derive(Debug, Clone, Default)]
pub struct Runs {
    /// Runs of equal samples of 1 ms and longer, in order.
    pub equal: Vec<Run>,
    /// Exact repeats of 32 samples and more, in order; runs of equal samples are not among them.
    pub repeats: Vec<Repeat>,
    /// Samples of the track by the length of the equal run they stand in: entry k holds runs of `2^k..2^(k+1)` samples.
    pub by_length: [u64; LENGTHS],
    /// Samples of the track that are exactly 0.
    pub zeros: u64,
    /// Samples of the track.
    pub samples: u64,
}

impl Runs {
    /// Share of the track that stands in runs of 8..`below` equal samples (rounded up to octaves): what its own coarse
    /// quantisation, or a square wave, makes by itself. 0 for an empty track.
    pub fn natural_share(&self, below: u64) -> f64 {
        let top = (below.max(8) as f64).log2().ceil() as usize;
        let held: u64 = self.by_length[3..top.clamp(3, LENGTHS)].iter().sum();
        held as f64 / (self.samples.max(1)) as f64
    }
}

widest! {
    /// Places of samples in an order in which all numbers are alike; returns how many samples are 0.
    fn set_order<'a, 'b>(order: &'a mut [u16], x: &'b [f32]) -> u32 {
        let mut zeros = 0;
        for (order, v) in order.iter_mut().zip(x) {
            // -0 is 0.
            let bits = (v + 0.0).to_bits();
            *order = (bits.wrapping_mul(0x9E37_79B1) >> 16) as u16;
            zeros += u32::from(*v == 0.0);
        }
        zeros
    }

    /// Of each tile one bit for each sample at which a fingerprint is taken: where the sample before the last few is the
    /// least of as many before and after it, by an `order` that begins `2 * MARK` samples before the first tile and goes on for
    /// a tile behind the last of `count` samples: whole tiles are looked at, what lies there is of no account.
    fn set_marks<'a, 'b>(out: &'a mut Vec<u64>, order: &'b [u16], count: usize) {
        let mut left = count;
        let mut from = 0;
        while left > 0 {
            let around = &order[from..from + TILE + 2 * MARK];
            let mut least = [u16::MAX; TILE];
            for shift in 0..MARK {
                let (before, after) = (&around[shift..], &around[shift + MARK + 1..]);
                for k in 0..TILE {
                    least[k] = least[k].min(before[k].min(after[k]));
                }
            }
            let mut set = 0u64;
            for k in 0..TILE {
                set |= u64::from(around[MARK + k] < least[k]) << k;
            }
            let count = left.min(TILE);
            out.push(set & (u64::MAX >> (TILE - count)));
            (from, left) = (from + count, left - count);
        }
    }
}

/// A number that samples alike share, and others hardly ever, from their places in the order of [`set_marks`].
fn fingerprint(places: &[u16; KEY]) -> u32 {
    let [mut first, mut last] = [0u64; 2];
    for k in 0..KEY / 2 {
        first |= u64::from(places[k]) << (16 * k);
        last |= u64::from(places[k + KEY / 2]) << (16 * k);
    }
    // Both halves of the product together hang on every bit of either factor.
    let product =
        u128::from(first ^ 0x9E37_79B9_7F4A_7C15) * u128::from(last ^ 0xBF58_476D_1CE4_E5B9);
    ((product >> 64) ^ product) as u32
}

/// Measures [`Runs`].
#[derive(Debug)]
pub struct RunsMeter {
    least_run: u64,
    period: (usize, usize),
    at: u64,
    run: Option<Run>,
    // Of each fingerprint the place where it stood last (its lowest 16 bits), and as many bits of the key.
    table: Vec<(u16, u16)>,
    marks: Vec<u64>,
    // What the last few samples before those at hand and then these are ordered by, where they stand in what is looked at, and how
    // many they are.
    order: Vec<u16>,
    first: usize,
    count: usize,
    open: Option<Repeat>,
    same: u32,
    out: Runs,
}

impl RunsMeter {
    /// A meter at rest. `rate` in Hz.
    pub fn new(rate: u32) -> RunsMeter {
        let rate = f64::from(rate);
        RunsMeter {
            least_run: (LEAST_RUN_S * rate).ceil().max(8.0) as u64,
            period: (
                (PACKET_S.0 * rate).floor().max(KEY as f64) as usize,
                (PACKET_S.1 * rate).ceil() as usize,
            ),
            at: 0,
            run: None,
            table: vec![(0, 0); SLOTS],
            marks: Vec::new(),
            order: vec![0; 2 * MARK],
            first: 0,
            count: 0,
            open: None,
            same: 0,
            out: Runs::default(),
        }
    }

    /// Samples before new ones that are looked at with them: for the longest packet and its copy.
    pub fn reach(&self) -> usize {
        2 * self.period.1
    }

    /// Take in samples, behind [`RunsMeter::reach`] of those before, and what the tiles of the new ones show.
    pub fn push(&mut self, reach: Reach<'_>, tiles: &Tiles) {
        let count = tiles.samples();
        let first = reach.x.len() - count;
        let x = &reach.x[first..];
        self.order.copy_within(self.count..self.count + 2 * MARK, 0);
        (self.first, self.count) = (first, count);
        if self.order.len() < count + 2 * MARK + TILE {
            self.order.resize(count + 2 * MARK + TILE, 0);
        }
        self.out.zeros += u64::from(set_order(&mut self.order[2 * MARK..], x));
        let mut marks = std::mem::take(&mut self.marks);
        marks.clear();
        set_marks(&mut marks, &self.order, count);
        for (n, (tile, &marks)) in tiles.iter().zip(&marks).enumerate() {
            let from = first + n * TILE;
            let to = (from + TILE).min(reach.x.len());
            self.tile(&reach.x[..to], from, tile.twice, marks);
        }
        self.marks = marks;
    }

    /// Tiles in which no two neighbours are equal, nearly all of them, have runs of one sample only.
    /// `from`: where the tile begins that `x` ends with; `twice`: whether a value in it stands next to itself; `marks`: where
    /// fingerprints are taken.
    fn tile(&mut self, x: &[f32], from: usize, twice: bool, marks: u64) {
        let count = x.len() - from;
        let equal = twice || (from > 0 && x[from - 1] == x[from]);
        if equal || self.open.is_some() {
            for (k, i) in (from..x.len()).enumerate() {
                self.equal(x[i], self.at + k as u64);
                self.repeat(x, i, self.at + k as u64, marks >> k & 1 != 0);
            }
        } else {
            self.close_run();
            self.out.by_length[0] += count as u64 - 1;
            self.run = Some(Run {
                start: self.at + count as u64 - 1,
                length: 1,
                value: x[x.len() - 1],
            });
            self.same = 0;
            self.repeats(x, from, marks);
        }
        self.at += count as u64;
        self.out.samples += count as u64;
    }

    fn equal(&mut self, value: f32, at: u64) {
        match &mut self.run {
            Some(run) if run.value == value => run.length += 1,
            _ => {
                self.close_run();
                self.run = Some(Run {
                    start: at,
                    length: 1,
                    value,
                });
            }
        }
    }

    fn close_run(&mut self) {
        if let Some(run) = self.run.take() {
            self.out.by_length[(run.length.ilog2() as usize).min(LENGTHS - 1)] += run.length;
            if run.length >= self.least_run {
                self.out.equal.push(run);
            }
        }
    }

    /// Look for repeats in the samples of `x` from `from` on, of which no two neighbours are equal.
    fn repeats(&mut self, x: &[f32], from: usize, marks: u64) {
        for k in set_bits(marks) {
            let k = k as usize;
            self.look_back(x, from + k, self.at + k as u64);
            if self.open.is_some() {
                for k in k + 1..x.len() - from {
                    self.repeat(x, from + k, self.at + k as u64, marks >> k & 1 != 0);
                }
                break;
            }
        }
    }

    /// The sample at `i` in `x`, at sample `at` of the track: does it go on with a repeat, or begin one?
    fn repeat(&mut self, x: &[f32], i: usize, at: u64, marked: bool) {
        self.same = if i > 0 && x[i - 1] == x[i] {
            self.same + 1
        } else {
            0
        };
        if let Some(open) = &mut self.open {
            if x[i - open.period as usize] == x[i] {
                open.length += 1;
            } else {
                self.close_repeat();
            }
        }
        if self.open.is_none() && self.same <= 2 && marked {
            self.look_back(x, i, at);
        }
    }

    /// Fingerprints are taken only where the samples themselves say so (see [`MARK`]), so that a copy is asked at the same
    /// places as its original and most samples cost nothing.
    fn look_back(&mut self, x: &[f32], i: usize, at: u64) {
        let n = i + 1;
        let Some(last) = self.order[n + 2 * MARK - KEY - self.first..].first_chunk() else {
            return;
        };
        let key = fingerprint(last);
        let slot = &mut self.table[(key >> 16) as usize % SLOTS];
        let (before, its_key) = std::mem::replace(slot, (at as u16, key as u16));
        // Equal samples have equal keys, and a distance counts up to the longest packet only.
        let period = usize::from((at as u16).wrapping_sub(before));
        if its_key != key as u16
            || !(self.period.0..=self.period.1).contains(&period)
            || period >= n
        {
            return;
        }
        let length = (0..(n - period).min(self.period.1))
            .take_while(|k| x[n - 1 - k] == x[n - 1 - k - period])
            .count();
        if length >= KEY {
            self.open = Some(Repeat {
                start: at + 1 - length as u64,
                length: length as u64,
                period: period as u64,
            });
        }
    }

    fn close_repeat(&mut self) {
        if let Some(open) = self.open.take() {
            // A run of one value repeats at every distance; it is listed as a run.
            let held = self.run.map_or(0, |r| r.length).max(
                self.out
                    .equal
                    .last()
                    .filter(|r| r.start + r.length > open.start)
                    .map_or(0, |r| r.length),
            );
            if open.length >= LEAST_REPEAT as u64 && held < open.length / 2 {
                self.out.repeats.push(open);
            }
        }
    }

    /// Everything found.
    pub fn finish(mut self) -> Runs {
        self.close_run();
        self.close_repeat();
        self.out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::past::Past;

    /// Codes of 24 bits up to 2048 in size.
    fn noise(n: usize) -> Vec<f32> {
        let even = crate::synth::sources::noise(n, 1).into_iter();
        even.map(|v| (v * 2048.0).trunc() / 8_388_608.0).collect()
    }

    fn measure(x: &[f32], block: usize) -> Runs {
        let mut meter = RunsMeter::new(48_000);
        let mut past = Past::new(meter.reach(), 4800);
        for part in x.chunks(block) {
            past.push(part, |reach, new| meter.push(reach, &Tiles::of(&part[new])));
        }
        meter.finish()
    }

    #[test]
    fn a_held_value_is_found_to_the_sample_whatever_the_block() {
        let mut x = noise(48_000);
        let held = x[20_000];
        x[20_000..20_300].fill(held);
        for block in [48_000, 480, 7] {
            let found = measure(&x, block);
            assert_eq!(found.equal.len(), 1, "{:?}", found.equal);
            assert_eq!(found.equal[0].start, 20_000);
            assert_eq!(found.equal[0].length, 300);
            assert!(found.repeats.is_empty());
        }
    }

    #[test]
    fn zeros_are_counted() {
        let mut x = noise(4800);
        x.iter_mut().for_each(|v| *v += 0.1);
        x[100..400].fill(0.0);
        let found = measure(&x, 4800);
        assert_eq!(found.zeros, 300);
        assert_eq!(found.equal[0].value, 0.0);
    }

    #[test]
    fn repeated_packets_are_found_to_the_sample() {
        for packet in [48usize, 120, 240, 480, 960] {
            let mut x = noise(48_000);
            let at = 30_011;
            for k in 0..packet * 4 {
                x[at + k] = x[at - packet + k % packet];
            }
            for block in [24_000, 1000] {
                let found = measure(&x, block);
                assert_eq!(found.repeats.len(), 1, "{packet}: {:?}", found.repeats);
                let repeat = found.repeats[0];
                assert_eq!(repeat.period, packet as u64);
                assert!(
                    repeat.start.abs_diff(at as u64) <= 2,
                    "{packet}: {repeat:?}"
                );
                assert!(repeat.length.abs_diff(4 * packet as u64) <= 4);
            }
        }
    }

    #[test]
    fn marks_are_the_least_of_their_surroundings() {
        let mut order = vec![0; 1000 + TILE];
        assert_eq!(set_order(&mut order[..1000], &noise(1000)), 0);
        let order_of = |i: usize| order[i];
        for n in [9, 64, 72, 73, 200, 1000] {
            let mut sets = Vec::new();
            set_marks(&mut sets, &order, n - 2 * MARK);
            let marked = |k: usize| sets[k / TILE] >> (k % TILE) & 1 != 0;
            for k in 0..n - 2 * MARK {
                let mut around = (k..=k + 2 * MARK).filter(|&i| i != k + MARK);
                let least = around.all(|i| order_of(k + MARK) < order_of(i));
                assert_eq!(marked(k), least, "{n} {k}");
            }
        }
    }

    #[test]
    fn noise_alone_has_neither() {
        let found = measure(&noise(480_000), 4096);
        assert!(found.equal.is_empty());
        assert!(found.repeats.is_empty());
        assert!(found.natural_share(48) < 1e-4);
    }
}
