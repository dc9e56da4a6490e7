//! Shapes of the loudest wave tops: knees with a straight stretch between them, and how wide a top is near its height.
//!
//! A stage that runs out of level bends every wave at the same height: two sharp corners with a straight line between them.
//! Behind a high-pass that line slopes, so that neither equal samples nor equal heights remain; the corners do.
//!
//! Input: one track, full scale 1.0; any rate, any block length. Output: [`Tops`]: lobes (stretches between zero crossings)
//! within 6 dB of the loudest of the last seconds on their side of zero, with features; what they mean is for detectors to say.
//! All features are ratios, so a gain changes nothing but [`Top::level`].
//! Errors, panics: none. Cost: one comparison a tile, some hundred operations a loud lobe; memory 40 bytes a loud lobe.
//! Source: a clipped wave has its curvature in two points and none between them; a smooth top spreads it evenly. Widths: a
//! sine spends 0.431 of its time above half height above nine tenths, a wave clipped at half its height all of it.

use super::integrals::{Integrals, Point};
use super::past::Reach;
use super::tiles::{TILE, Tiles};
use crate::dsp::lanes::{peak, set_bits, set_crossings};

/// Lobes below this share of the recent loudest are not looked at: -6 dB.
const LOUD: f32 = 0.5;
/// Time constant with which the recent loudest is forgotten, seconds.
const FORGET_S: f64 = 5.0;
/// Shortest and longest lobe, samples at 48 kHz.
const SHORTEST: f64 = 6.0;
const LONGEST: f64 = 1200.0;
/// Samples needed beyond a lobe's ends for second differences.
const MARGIN: usize = 2;
/// Curvature gathered at a corner, share of the height, at 48 kHz.
const CORNER: f64 = 0.03;
/// Curvature between corners below which nothing more is gained, share of the height, at 48 kHz.
const STRAIGHT: f64 = 0.004;
/// Longest straight stretch that is searched, samples at 48 kHz.
const STRETCH: f64 = 80.0;

/// One loud lobe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Top {
    /// Sample of the largest |x|.
    pub at: u64,
    /// Largest |x|, full scale 1.
    pub level: f32,
    /// Whether the lobe is above zero.
    pub positive: bool,
    /// Weaker corner over the curvature between the corners: about 1 by chance, above 6 hardly ever; 0 without corners.
    pub knee: f32,
    /// First sample and length of the straight stretch.
    pub flat: (u64, u32),
    /// Where that stretch begins and where it ends, a sample within its corners; twice the largest |x| without corners.
    pub points: [Point; 2],
    /// How fast the straight stretch falls back to zero, as the corner of the first-order high-pass that would make a level
    /// one fall so, Hz: 0 where it is level, negative where it rises, 0 without corners.
    pub sag_hz: f32,
    /// Time above nine tenths of the height over time above half of it.
    pub width: f32,
}

/// The loudest tops of one track, in order: within 6 dB of the loudest on the same side of zero.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tops {
    /// Lobes.
    pub list: Vec<Top>,
}

/// Measures [`Tops`]. Block lengths do not change the result.
#[derive(Debug)]
pub struct TopsMeter {
    rate: f64,
    scale: f64,
    forget: f64,
    /// Share of the recent loudest that is left after so many samples.
    kept: Vec<f64>,
    /// Loudest of the last seconds below and above zero: a stage may cut one side of a wave only, the smaller one at that.
    recent: [f64; 2],
    /// Where the running lobe starts, and up to where signs have been looked at.
    lobe: u64,
    seen: u64,
    /// Whether lobes have been passed over since `lobe`, so that the running one may start later.
    passed: bool,
    /// No sample from the running lobe's first on goes beyond it.
    top: f32,
    ends: Vec<u64>,
    integrals: Integrals,
    /// Memory for one lobe: its samples as shares of its height, and how they bend.
    shape: Vec<f64>,
    bend: Vec<f64>,
    /// Number of tops at which the faint ones among them are let go.
    next_prune: usize,
    out: Tops,
}

impl TopsMeter {
    /// A meter at rest; `rate` in Hz.
    pub fn new(rate: u32) -> TopsMeter {
        let scale = (f64::from(rate) / 48_000.0).max(0.1);
        let longest = (LONGEST * scale) as usize;
        let forget = -1.0 / (FORGET_S * f64::from(rate.max(1)));
        TopsMeter {
            rate: f64::from(rate),
            scale,
            forget,
            kept: (0..longest)
                .map(|len| (forget * len as f64).exp())
                .collect(),
            recent: [0.0; 2],
            lobe: 0,
            seen: 1,
            passed: false,
            top: 0.0,
            ends: Vec::new(),
            integrals: Integrals::new(rate, longest + 3 * MARGIN),
            shape: Vec::new(),
            bend: Vec::new(),
            next_prune: 4096,
            out: Tops::default(),
        }
    }

    /// Samples before new ones that are looked at with them.
    pub fn reach(&self) -> usize {
        self.longest() + 3 * MARGIN
    }

    fn longest(&self) -> usize {
        (LONGEST * self.scale) as usize
    }

    /// Take in samples, behind [`TopsMeter::reach`] of those before, and what the tiles of the new ones show.
    pub fn push(&mut self, reach: Reach<'_>, tiles: &Tiles) {
        let mut ends = std::mem::take(&mut self.ends);
        let first = reach.end() - tiles.samples() as u64;
        for (tile, from) in tiles.iter().zip((first..).step_by(TILE)) {
            let to = (from + TILE as u64).min(reach.end());
            self.top = self.top.max(tile.high).max(-tile.low);
            // A lobe is looked at once the samples after its end are here.
            let last = to.saturating_sub(MARGIN as u64);
            if last <= self.seen {
                continue;
            }
            self.integrals.push(reach, to);
            if !self.pass(reach, last) {
                let lobe = self.lobe;
                ends.clear();
                set_crossings(
                    &mut ends,
                    &reach.x[reach.place(self.seen - 1)..reach.place(last)],
                );
                for (&set, from) in ends.iter().zip((self.seen..).step_by(64)) {
                    for k in set_bits(set) {
                        self.close(reach, from + u64::from(k));
                    }
                }
                if self.lobe > lobe {
                    self.top = self.top_of_lobe(reach, last);
                }
            }
            self.seen = last;
        }
        self.ends = ends;
    }

    /// Whether all lobes that end before `last` may be passed over. Where the running one begins is looked up once that matters.
    fn pass(&mut self, reach: Reach<'_>, last: u64) -> bool {
        if !self.quiet(last) {
            if !std::mem::take(&mut self.passed) {
                return false;
            }
            let here = &reach.x[reach.place(self.lobe)..reach.place(self.seen)];
            let crosses = |w: &[f32]| (w[0] >= 0.0) != (w[1] >= 0.0);
            // A lobe that began before them all is too long to be looked at.
            if let Some(place) = here.windows(2).rposition(crosses) {
                self.end(self.lobe.max(reach.start) + place as u64 + 1);
            }
            self.top = self.top_of_lobe(reach, last);
            if !self.quiet(last) {
                return false;
            }
        }
        self.passed = true;
        true
    }

    /// Whether no lobe that ends before `last` can be loud, going by the largest sample of all of them.
    fn quiet(&self, last: u64) -> bool {
        let least = self.recent[0].min(self.recent[1]);
        // Less than what the exponential leaves.
        let left = 1.0 + self.forget * (last - self.lobe) as f64;
        f64::from(self.top) < f64::from(LOUD) * least * left
    }

    /// Largest magnitude from the running lobe's first sample on, up to the end of a tile.
    fn top_of_lobe(&self, reach: Reach<'_>, last: u64) -> f32 {
        peak(&reach.x[reach.place(self.lobe)..reach.place(last) + MARGIN])
    }

    /// The running lobe ends; returns its length.
    fn end(&mut self, end: u64) -> u64 {
        let length = end - self.lobe;
        let share = match self.kept.get(length as usize) {
            Some(share) => *share,
            None => (self.forget * length as f64).exp(),
        };
        self.recent = self.recent.map(|loudest| loudest * share);
        self.lobe = end;
        length
    }

    /// The running lobe is complete.
    fn close(&mut self, reach: Reach<'_>, end: u64) {
        let start = self.lobe;
        let length = self.end(end);
        if !(SHORTEST * self.scale..=LONGEST * self.scale).contains(&(length as f64)) {
            return;
        }
        let (start, end) = (reach.place(start), reach.place(end));
        let lobe = &reach.x[start..end];
        let height = peak(lobe);
        let positive = lobe[0] >= 0.0;
        let recent = self.recent[usize::from(positive)];
        self.recent[usize::from(positive)] = recent.max(f64::from(height));
        if f64::from(height) < f64::from(LOUD) * recent || height <= 0.0 {
            return;
        }
        let place = lobe.iter().position(|v| v.abs() == height).unwrap_or(0);
        let first = start.saturating_sub(MARGIN);
        let last = (end + MARGIN).min(reach.x.len());
        let sign = if positive { 1.0 } else { -1.0 };
        let share = |v: &f32| f64::from(v * sign) / f64::from(height);
        self.shape.clear();
        self.shape.extend(reach.x[first..last].iter().map(share));
        let y = &self.shape;
        let (knee, from, length) = straightest(y, &mut self.bend, self.scale);
        let sag = sag(&y[from..from + length]) * self.rate / std::f64::consts::TAU;
        let at = reach.start + (start + place) as u64;
        let flat = (reach.start + (first + from) as u64, length as u32);
        let within = if knee > 0.0 {
            [flat.0 + 1, flat.0 + length as u64 - 2]
        } else {
            [at; 2]
        };
        self.out.list.push(Top {
            at,
            level: height,
            positive,
            knee: knee as f32,
            flat,
            points: within.map(|sample| self.integrals.at(reach, sample)),
            sag_hz: sag as f32,
            width: (time_above(y, 0.9) / time_above(y, 0.5).max(1e-9)) as f32,
        });
        if self.out.list.len() >= self.next_prune {
            self.prune();
            self.next_prune = (2 * self.out.list.len()).max(4096);
        }
    }

    /// Let go of the tops that lie far below the loudest of all on their side.
    fn prune(&mut self) {
        let list = &mut self.out.list;
        let mut loudest = [0f32; 2];
        for top in list.iter() {
            let side = &mut loudest[usize::from(top.positive)];
            *side = side.max(top.level);
        }
        list.retain(|t| t.level >= LOUD * loudest[usize::from(t.positive)]);
        list.shrink_to(2 * list.len());
    }

    /// Everything measured.
    pub fn finish(mut self) -> Tops {
        self.prune();
        self.out.list.shrink_to_fit();
        self.out
    }
}

/// The best pair of corners of a lobe of height 1: weaker corner over what is curved between them, first sample, length.
fn straightest(y: &[f64], bend: &mut Vec<f64>, scale: f64) -> (f64, usize, usize) {
    bend.clear();
    bend.extend(y.windows(3).map(|w| 2.0 * w[1] - w[0] - w[2]));
    let corner = |i: usize| bend[i - 1] + bend[i] + bend[i + 1];
    let (least, straight) = (CORNER / scale, STRAIGHT / scale);
    let mut best = (0.0, 0, 0);
    for i in 1..bend.len().saturating_sub(5) {
        let left = corner(i);
        // bend[i] belongs to y[i + 1]; the left corner lies high on the lobe, the right one may have sagged.
        if left < least || y[i + 1] < 0.55 {
            continue;
        }
        let mut between = 0f64;
        for j in i + 4..(bend.len() - 1).min(i + (STRETCH * scale) as usize) {
            between = between.max(bend[j - 2].abs());
            // What lies between only grows, and no right corner counts for more than the left one.
            let too_bent = left * (1.0 + 1e-9) < best.0 * (2.0 * between + straight);
            if y[j + 1] < 0.2 || between > left || too_bent {
                break;
            }
            let right = corner(j);
            if right < least {
                continue;
            }
            let inside = (j - i - 3) as f64 / scale;
            let score =
                left.min(right) / (2.0 * between + straight) * (inside / 3.0).min(1.0).sqrt();
            if score > best.0 {
                best = (score, i + 1, j - i + 1);
            }
        }
    }
    best
}

/// Share of its height that a straight stretch loses per sample, going by the least-squares line between its corners; 0 for
/// fewer than four samples.
fn sag(stretch: &[f64]) -> f64 {
    let inside = stretch.get(1..stretch.len().max(2) - 1).unwrap_or(&[]);
    let n = inside.len() as f64;
    let mean = inside.iter().sum::<f64>() / n;
    let (mut along, mut square) = (0.0, 0.0);
    for (k, y) in inside.iter().enumerate() {
        let t = k as f64 - (n - 1.0) / 2.0;
        along += t * y;
        square += t * t;
    }
    if inside.len() < 2 || mean <= 0.0 {
        return 0.0;
    }
    -along / square / mean
}

/// Time in samples that a polygon through the points spends above a height.
fn time_above(y: &[f64], height: f64) -> f64 {
    y.windows(2)
        .map(|w| {
            let (low, high) = if w[0] < w[1] {
                (w[0], w[1])
            } else {
                (w[1], w[0])
            };
            if low >= height {
                1.0
            } else if high <= height {
                0.0
            } else {
                (high - height) / (high - low)
            }
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::past::Past;

    fn measure(x: &[f32], rate: u32, block: usize) -> Tops {
        let mut meter = TopsMeter::new(rate);
        let mut past = Past::new(meter.reach(), 4800);
        for part in x.chunks(block) {
            past.push(part, |reach, new| meter.push(reach, &Tiles::of(&part[new])));
        }
        meter.finish()
    }

    fn sine(hz: f64, amplitude: f64, rate: u32) -> Vec<f64> {
        (0..rate)
            .map(|i| {
                amplitude * (2.0 * std::f64::consts::PI * hz * f64::from(i) / f64::from(rate)).sin()
            })
            .collect()
    }

    fn high_pass(x: &[f64], hz: f64, rate: u32) -> Vec<f32> {
        let keep = 1.0 - 2.0 * std::f64::consts::PI * hz / f64::from(rate);
        let (mut last, mut y) = (0.0, 0.0);
        x.iter()
            .map(|&v| {
                y = keep * (y + v - last);
                last = v;
                y as f32
            })
            .collect()
    }

    /// A sine spends 2 acos(0.9) of 2 acos(0.5) above nine tenths: 0.4307.
    #[test]
    fn a_sine_is_as_wide_as_it_should_be_and_has_no_knee() {
        for rate in [44_100, 48_000, 96_000] {
            let x: Vec<f32> = sine(331.0, 0.5, rate).iter().map(|&v| v as f32).collect();
            let tops = measure(&x, rate, 4800).list;
            assert!(tops.len() > 640);
            for top in &tops[2..] {
                assert!((top.width - 0.4307).abs() < 0.01, "{top:?}");
                assert!(top.knee < 1.0, "{top:?}");
            }
        }
    }

    #[test]
    fn cut_tops_have_knees_also_when_they_slope() {
        for rate in [48_000, 96_000] {
            for corner_hz in [0.0, 20.0, 80.0, 150.0] {
                let cut: Vec<f64> = sine(331.0, 0.7, rate)
                    .iter()
                    .map(|v| v.clamp(-0.5, 0.5))
                    .collect();
                let x = high_pass(&cut, corner_hz, rate);
                let tops = measure(&x, rate, 4800).list;
                let sharp = tops.iter().filter(|t| t.knee > 6.0).count();
                assert!(
                    sharp as f64 > 0.9 * tops.len() as f64,
                    "{rate} {corner_hz}: {sharp} of {}",
                    tops.len()
                );
                // A level piece behind a first-order high-pass falls by 2 pi f of itself in a second.
                let mut sags: Vec<f32> = tops.iter().map(|t| t.sag_hz).collect();
                sags.sort_by(f32::total_cmp);
                let sag = f64::from(sags[sags.len() / 2]);
                assert!((sag - corner_hz).abs() < 2.0 + 0.05 * corner_hz, "{sag}");
                // Above 0.5 for 2 acos(0.5/0.7) of a turn: 0.247 of the period.
                let flat = f64::from(tops[40].flat.1) / f64::from(rate) * 331.0;
                assert!((flat - 0.247).abs() < 0.03, "{flat}");
            }
        }
    }

    #[test]
    fn gain_changes_levels_only() {
        let x: Vec<f32> = sine(331.0, 0.7, 48_000)
            .iter()
            .map(|v| v.clamp(-0.5, 0.5) as f32)
            .collect();
        let y: Vec<f32> = x.iter().map(|v| v * 4.0).collect();
        let (a, b) = (measure(&x, 48_000, 480), measure(&y, 48_000, 480));
        assert_eq!(a.list.len(), b.list.len());
        for (a, b) in a.list.iter().zip(&b.list) {
            assert_eq!((a.at, a.knee, a.width), (b.at, b.knee, b.width));
        }
    }

    #[test]
    fn block_length_changes_nothing_and_nothing_is_nothing() {
        assert_eq!(measure(&[], 48_000, 1).list, []);
        assert_eq!(measure(&[0.5], 48_000, 1).list, []);
        assert_eq!(measure(&[0.0; 9000], 48_000, 7).list, []);
        let mut x: Vec<f32> = sine(331.0, 0.7, 48_000).iter().map(|&v| v as f32).collect();
        x[5000..9000].fill(0.1);
        let whole = measure(&x, 48_000, x.len());
        for block in [1, 63, 480, 4096] {
            assert_eq!(measure(&x, 48_000, block), whole);
        }
    }
}
