//! Linear timecode recorded as audio (SMPTE ST 12-1): biphase mark, 80 bits a frame, least significant bit first.
//!
//! Zero crossings with hysteresis give intervals; in timecode they fall into two groups at 1:2 (half a bit and a whole bit).
//! A whole one is a 0, two halves are a 1. The sync word 0011111111111101 at the end of each frame tells where frames lie; read
//! backwards it comes first. Ten frames that count on are proof; a square wave or a voice never gets there.
//!
//! Timecode is there from the first second on, or nearly so. A track that has not shown one frame of it for a while is listened to
//! for one second in five: what is plugged in late is found all the same, four seconds later at most.

use pulp::{Simd, bytemuck};

use crate::dsp::biquad::{InStep, gather, in_step, lane};

/// Frames in a row that have to count on (detection practice: ten; two are already certain in theory).
const PROOF: u32 = 10;
/// Intervals looked at to find the bit length.
const LEARN: usize = 100;
/// Of these so many have to be of the two lengths, per cent.
const LEARN_SHARE: usize = 90;
/// Bits a second from 23.976 frames at 80 % speed to 30 frames at 120 % speed.
const BIT_RATES: (f64, f64) = (1534.0, 2880.0);
/// Sync word, bits 64 to 79, first bit lowest.
const SYNC: u128 = 0xBFFC;
/// The same read backwards: the first sixteen bits of a frame played in reverse.
const SYNC_REVERSED: u128 = 0x3FFD;
const FRAME_BITS: u32 = 80;
/// Samples looked at together.
const TILE: usize = 64;
/// Seconds that are listened to in any case, and of how many after them one is where no frame has been seen.
const LISTEN_S: u64 = 30;
const ONE_IN: u64 = 5;

/// Hours, minutes, seconds, frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Label {
    /// 0..=23.
    pub hours: u8,
    /// 0..=59.
    pub minutes: u8,
    /// 0..=59.
    pub seconds: u8,
    /// 0..=29.
    pub frames: u8,
}

/// Timecode found on a track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ltc {
    /// First decoded frame of the first proven run.
    pub first: Label,
    /// Sample at which that frame starts (for reversed timecode: ends).
    pub at_sample: f64,
    /// Samples per frame, mean over the run.
    pub samples_per_frame: f64,
    /// Drop-frame flag.
    pub drop_frame: bool,
    /// Played backwards.
    pub reversed: bool,
    /// Frames decoded on the whole track.
    pub frames: u32,
    /// How often the count did not go on by one.
    pub jumps: u32,
}

impl Ltc {
    /// Frames a second at the track's sample rate.
    pub fn frames_per_s(&self, rate: u32) -> f64 {
        f64::from(rate) / self.samples_per_frame
    }

    /// Samples since midnight at the first sample of the take, as the code says, at an exact frame rate (numerator,
    /// denominator). The same reckoning as the stamp of a file: frames counted, not clock time.
    pub fn start(&self, rate: u32, frame_rate: (u32, u32)) -> u64 {
        let (num, den) = (
            f64::from(frame_rate.0.max(1)),
            f64::from(frame_rate.1.max(1)),
        );
        let frames = self.frame_at(0, (num / den).round() as u32);
        let day = 24.0 * 3600.0 * (num / den).round();
        (frames.rem_euclid(day) * f64::from(rate) * den / num).round() as u64
    }

    /// Frames since midnight that the code says for a sample of the take, at a nominal whole rate (24, 25, 30); labels that
    /// drop-frame counting skips are taken out. Fractions say how far into the frame the sample lies.
    pub fn frame_at(&self, sample: u64, nominal: u32) -> f64 {
        let l = self.first;
        let minutes = u32::from(l.hours) * 60 + u32::from(l.minutes);
        let mut count = (minutes * 60 + u32::from(l.seconds)) * nominal + u32::from(l.frames);
        if self.drop_frame {
            count -= 2 * (minutes - minutes / 10);
        }
        let ahead = (sample as f64 - self.at_sample) / self.samples_per_frame;
        f64::from(count) + if self.reversed { -ahead } else { ahead }
    }
}

/// Streaming decoder. Block lengths do not change the result.
#[derive(Debug)]
pub struct LtcMeter {
    rate: f64,
    at: u64,
    // High-pass that takes an offset away, and the decaying peak that sets the hysteresis.
    low: f64,
    low_step: f64,
    peak: f64,
    decay: f64,
    before: f64,
    high: bool,
    crossing: f64,
    edge: f64,
    learning: Vec<f64>,
    // Intervals counted for learning, those among them that fit no bit rate, and what does.
    learned: usize,
    odd: usize,
    possible: std::ops::Range<f64>,
    bit: f64,
    half: bool,
    bits: u128,
    filled: u32,
    starts: Starts,
    run: Option<Run>,
    proven: Option<Ltc>,
    frames: u32,
    jumps: u32,
}

/// Times of the last 81 bit borders.
#[derive(Debug)]
struct Starts {
    ring: [f64; 81],
    next: usize,
}

impl Starts {
    fn push(&mut self, t: f64) {
        self.ring[self.next] = t;
        self.next = (self.next + 1) % 81;
    }

    /// The oldest of the last 81.
    fn oldest(&self) -> f64 {
        self.ring[self.next]
    }
}

#[derive(Debug, Clone, Copy)]
struct Run {
    first: Label,
    last: Label,
    first_start: f64,
    last_start: f64,
    drop_frame: bool,
    reversed: bool,
    frames: u32,
}

impl LtcMeter {
    /// At rest.
    pub fn new(rate: u32) -> LtcMeter {
        let rate = f64::from(rate.max(1));
        LtcMeter {
            rate,
            at: 0,
            low: 0.0,
            low_step: 1.0 - (-2.0 * std::f64::consts::PI * 15.0 / rate).exp(),
            peak: 0.0,
            decay: (-1.0 / (0.03 * rate)).exp(),
            before: 0.0,
            high: false,
            crossing: 0.0,
            edge: 0.0,
            learning: Vec::with_capacity(LEARN),
            learned: 0,
            odd: 0,
            // Half a bit at its shortest and a whole one at its longest, with what `bit_length` allows around both.
            possible: 0.79 * rate / BIT_RATES.1 / 2.3..1.21 * rate / BIT_RATES.0,
            bit: 0.0,
            half: false,
            bits: 0,
            filled: 0,
            starts: Starts {
                ring: [0.0; 81],
                next: 0,
            },
            run: None,
            proven: None,
            frames: 0,
            jumps: 0,
        }
    }

    /// Take in samples.
    pub fn push(&mut self, x: &[f32]) {
        in_step(&mut [self], &[x]);
    }

    /// Samples that are left of the second at hand.
    fn left_of_second(&self) -> usize {
        let second = self.rate as u64;
        (second - self.at % second) as usize
    }

    /// Whether the second at hand is listened to.
    fn listens(&self) -> bool {
        let second = self.at / self.rate as u64;
        self.frames > 0 || second < LISTEN_S || second.is_multiple_of(ONE_IN)
    }

    /// Begin anew where a second begins that is listened to after one that was not.
    fn wake(&mut self) {
        let begins =
            self.at > LISTEN_S * self.rate as u64 && self.at.is_multiple_of(self.rate as u64);
        if begins && self.frames == 0 && self.listens() {
            (self.low, self.peak, self.before, self.high) = (0.0, 0.0, 0.0, false);
            (self.edge, self.crossing) = (self.at as f64, self.at as f64);
            self.lose();
        }
    }

    /// Follow the changes of side in the next `count` samples, at most [`TILE`]: `y` is what the high-pass leaves.
    #[inline(always)]
    fn edges(&mut self, count: usize, sides: Sides, y: impl Fn(usize) -> f64) {
        let not_below = |n: usize| u64::MAX.checked_shl(n as u32).unwrap_or(0);
        let crossings = sides.positive ^ (sides.positive << 1 | u64::from(self.before >= 0.0));
        // Up to `known` the last crossing of zero is known.
        let (mut from, mut known) = (0, 0);
        loop {
            let far = if self.high { sides.low } else { sides.high };
            let turn = (far & not_below(from)).trailing_zeros() as usize;
            let turn = (turn < count).then_some(turn);
            let end = turn.map_or(count, |n| n + 1);
            if turn.is_some() {
                self.high = !self.high;
                from = end;
                if self.hopeless() && self.learned + 1 < LEARN {
                    self.learned += 1;
                    continue;
                }
            }
            if let Some(n) = (crossings & not_below(known) & !not_below(end)).checked_ilog2() {
                let n = n as usize;
                let before = if n == 0 { self.before } else { y(n - 1) };
                let share = before / (before - y(n));
                self.crossing = (self.at + n as u64) as f64 - 1.0 + share;
            }
            known = end;
            if turn.is_none() {
                break;
            }
            let length = self.crossing - self.edge;
            self.edge = self.crossing;
            self.interval(length);
        }
        if count > 0 {
            self.before = y(count - 1);
        }
        self.at += count as u64;
    }

    /// Whether so many of the intervals that are being learned fit no bit rate that the others do not matter.
    fn hopeless(&self) -> bool {
        self.bit == 0.0 && self.odd * 100 > LEARN * (100 - LEARN_SHARE)
    }

    fn interval(&mut self, length: f64) {
        if self.bit == 0.0 {
            self.learned += 1;
            self.odd += usize::from(!self.possible.contains(&length));
            self.learning.push(length);
            if self.learned == LEARN {
                if !self.hopeless() {
                    self.bit = bit_length(&mut self.learning, self.rate).unwrap_or(0.0);
                }
                self.learn_anew();
            }
            return;
        }
        let share = length / self.bit;
        match (share, self.half) {
            (0.35..0.75, false) => self.half = true,
            (0.35..0.75, true) => {
                self.half = false;
                self.bit += 0.05 * (2.0 * length - self.bit);
                self.push_bit(true);
            }
            (0.75..1.35, false) => {
                self.bit += 0.05 * (length - self.bit);
                self.push_bit(false);
            }
            (0.75..1.35, true) => {
                // Half a bit out of step: what came before was no bit border.
                self.half = false;
                self.filled = 0;
            }
            _ => self.lose(),
        }
    }

    fn lose(&mut self) {
        self.half = false;
        self.filled = 0;
        self.bit = 0.0;
        self.learn_anew();
        self.end_run();
    }

    fn learn_anew(&mut self) {
        self.learning.clear();
        (self.learned, self.odd) = (0, 0);
    }

    fn push_bit(&mut self, one: bool) {
        self.bits = (self.bits >> 1) | (u128::from(one) << (FRAME_BITS - 1));
        self.starts.push(self.edge);
        self.filled = (self.filled + 1).min(FRAME_BITS + 1);
        if self.filled < FRAME_BITS {
            return;
        }
        if self.bits >> 64 == SYNC {
            self.frame(self.bits, false);
        } else if self.bits & 0xFFFF == SYNC_REVERSED {
            self.frame(self.bits.reverse_bits() >> (128 - FRAME_BITS), true);
        }
    }

    fn frame(&mut self, bits: u128, reversed: bool) {
        let Some((label, drop_frame)) = label(bits) else {
            return;
        };
        self.frames += 1;
        // Border before the first of the 80 bits; without it, counted back.
        let start = if self.filled > FRAME_BITS {
            self.starts.oldest()
        } else {
            self.edge - f64::from(FRAME_BITS) * self.bit
        };
        match &mut self.run {
            Some(run) if run.reversed == reversed && follows(run.last, label, reversed) => {
                run.last = label;
                run.last_start = start;
                run.frames += 1;
            }
            _ => {
                if self.run.is_some() {
                    self.jumps += 1;
                }
                self.end_run();
                self.run = Some(Run {
                    first: label,
                    last: label,
                    first_start: start,
                    last_start: start,
                    drop_frame,
                    reversed,
                    frames: 1,
                });
            }
        }
    }

    fn end_run(&mut self) {
        if let Some(run) = self.run.take()
            && run.frames >= PROOF
            && self.proven.is_none()
        {
            self.proven = Some(Ltc {
                first: run.first,
                at_sample: run.first_start,
                samples_per_frame: (run.last_start - run.first_start) / f64::from(run.frames - 1),
                drop_frame: run.drop_frame,
                reversed: run.reversed,
                frames: 0,
                jumps: 0,
            });
        }
    }

    /// What was found; `None` on anything but timecode.
    pub fn finish(mut self) -> Option<Ltc> {
        self.end_run();
        self.proven.map(|ltc| Ltc {
            frames: self.frames,
            jumps: self.jumps,
            ..ltc
        })
    }
}

/// Where the samples of a tile stand, a bit a sample: far above zero, far below it, not below it.
#[derive(Debug, Clone, Copy)]
struct Sides {
    high: u64,
    low: u64,
    positive: u64,
}

/// The bits of each stream.
#[inline(always)]
fn bits_of<S: Simd>(bits: S::u64s) -> impl Fn(usize) -> u64 {
    move |stream| bytemuck::cast_slice::<_, u64>(std::slice::from_ref(&bits))[stream]
}

impl InStep for LtcMeter {
    #[inline(always)]
    fn push_lanes<S: Simd>(simd: S, meters: &mut [&mut LtcMeter], mut x: &[S::f64s]) {
        while !x.is_empty() {
            let (now, later) = x.split_at(x.len().min(meters[0].left_of_second()));
            for meter in meters.iter_mut() {
                meter.wake();
            }
            if meters.iter().any(|meter| meter.listens()) {
                listen(simd, meters, now);
            } else {
                let count = now.len() as u64;
                meters.iter_mut().for_each(|meter| meter.at += count);
            }
            x = later;
        }
    }
}

/// The next samples, all of one second; streams that are not listened to only go on.
#[inline(always)]
fn listen<S: Simd>(simd: S, meters: &mut [&mut LtcMeter], x: &[S::f64s]) {
    let streams = meters.len();
    let zero = simd.splat_f64s(0.0);
    let low_step = simd.splat_f64s(meters[0].low_step);
    let low_kept = simd.splat_f64s(1.0 - meters[0].low_step);
    let decay = simd.splat_f64s(meters[0].decay);
    let (share, least) = (simd.splat_f64s(0.3), simd.splat_f64s(1e-4));
    let never = simd.splat_f64s(f64::INFINITY);
    let mut low = gather(simd, streams, |l| meters[l].low);
    let mut peak = gather(simd, streams, |l| meters[l].peak);
    let none = simd.splat_u64s(0);
    let mut y = [zero; TILE];
    for tile in x.chunks(TILE) {
        let (mut far_off, mut positive) = (none, none);
        for (n, (&raw, y)) in tile.iter().zip(&mut y).enumerate() {
            low = simd.add_f64s(simd.mul_f64s(low_kept, low), simd.mul_f64s(low_step, raw));
            *y = simd.sub_f64s(raw, low);
            let size = simd.abs_f64s(*y);
            peak = simd.max_f64s(simd.mul_f64s(peak, decay), size);
            let loud = simd.less_than_f64s(least, peak);
            let far = simd.select_f64s(loud, simd.mul_f64s(share, peak), never);
            let bit = simd.splat_u64s(1 << n);
            let if_so = |side| simd.select_u64s(side, bit, none);
            far_off = simd.or_u64s(far_off, if_so(simd.less_than_f64s(far, size)));
            positive = simd.or_u64s(positive, if_so(simd.less_than_or_equal_f64s(zero, *y)));
        }
        let y: &[f64] = bytemuck::cast_slice(&y);
        let [far_off, positive] = [far_off, positive].map(bits_of::<S>);
        for (l, meter) in meters.iter_mut().enumerate() {
            if !meter.listens() {
                meter.at += tile.len() as u64;
                continue;
            }
            let sides = Sides {
                high: far_off(l) & positive(l),
                low: far_off(l) & !positive(l),
                positive: positive(l),
            };
            meter.edges(tile.len(), sides, |n| y[n * S::F64_LANES + l]);
        }
    }
    for (l, meter) in meters.iter_mut().enumerate() {
        (meter.low, meter.peak) = (lane::<S>(&low, l), lane::<S>(&peak, l));
    }
}

/// Length of a bit from intervals in two groups at 1:2; `None` where they are not.
fn bit_length(intervals: &mut [f64], rate: f64) -> Option<f64> {
    intervals.sort_by(f64::total_cmp);
    // The widest step between neighbours, as a ratio, away from the ends.
    let n = intervals.len();
    let split = (n / 20..n - n / 20).filter(|&i| i > 0).max_by(|&a, &b| {
        let step = |i: usize| intervals[i] / intervals[i - 1].max(1e-9);
        step(a).total_cmp(&step(b))
    })?;
    let half = intervals[split / 2];
    let whole = intervals[split + (n - split) / 2];
    let near = |x: f64, middle: f64| (x / middle - 1.0).abs() < 0.2;
    let within = intervals
        .iter()
        .filter(|&&x| near(x, half) || near(x, whole))
        .count();
    let bits_per_s = rate / whole;
    ((1.75..2.3).contains(&(whole / half))
        && within * 100 >= n * LEARN_SHARE
        && (BIT_RATES.0..=BIT_RATES.1).contains(&bits_per_s))
    .then_some(whole)
}

/// Label and drop-frame flag of 80 bits; `None` where digits are out of range.
fn label(bits: u128) -> Option<(Label, bool)> {
    let field = |from: u32, width: u32| ((bits >> from) & ((1 << width) - 1)) as u8;
    let two = |units: u8, tens: u8, limit: u8| {
        let value = 10 * tens + units;
        (units <= 9 && value < limit).then_some(value)
    };
    Some((
        Label {
            frames: two(field(0, 4), field(8, 2), 30)?,
            seconds: two(field(16, 4), field(24, 3), 60)?,
            minutes: two(field(32, 4), field(40, 3), 60)?,
            hours: two(field(48, 4), field(56, 2), 24)?,
        },
        field(10, 1) == 1,
    ))
}

/// Whether `next` is the frame after `last` (before it, when reversed); the frame rate is not known here.
fn follows(last: Label, next: Label, reversed: bool) -> bool {
    let (a, b) = if reversed { (next, last) } else { (last, next) };
    let second =
        |l: Label| (u32::from(l.hours) * 60 + u32::from(l.minutes)) * 60 + u32::from(l.seconds);
    if second(a) == second(b) {
        b.frames == a.frames + 1
    } else {
        second(b) == (second(a) + 1) % 86_400 && b.frames <= 2 && a.frames >= 22
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bits of a frame as ST 12-1 lays them out.
    fn bits_of(l: Label, drop: bool) -> u128 {
        let mut bits = 0u128;
        let mut put = |from: u32, value: u8| bits |= u128::from(value) << from;
        put(0, l.frames % 10);
        put(8, l.frames / 10);
        put(10, u8::from(drop));
        put(16, l.seconds % 10);
        put(24, l.seconds / 10);
        put(32, l.minutes % 10);
        put(40, l.minutes / 10);
        put(48, l.hours % 10);
        put(56, l.hours / 10);
        bits | SYNC << 64
    }

    fn next(l: Label, nominal: u8) -> Label {
        let mut l = Label {
            frames: l.frames + 1,
            ..l
        };
        if l.frames == nominal {
            l = Label {
                frames: 0,
                seconds: l.seconds + 1,
                ..l
            };
        }
        if l.seconds == 60 {
            l = Label {
                seconds: 0,
                minutes: l.minutes + 1,
                ..l
            };
        }
        l
    }

    const START: Label = Label {
        hours: 13,
        minutes: 5,
        seconds: 22,
        frames: 11,
    };

    /// Timecode from `START` on, `lead` samples of silence first.
    fn code(rate: f64, fps: f64, nominal: u8, seconds: f64, lead: usize) -> Vec<f32> {
        let bit = rate / (80.0 * fps);
        let (mut label, mut level) = (START, 0.4f32);
        let mut edges = Vec::new();
        let mut t = lead as f64;
        while t < lead as f64 + seconds * rate {
            let bits = bits_of(label, false);
            for k in 0..80 {
                edges.push(t);
                if bits >> k & 1 == 1 {
                    edges.push(t + bit / 2.0);
                }
                t += bit;
            }
            label = next(label, nominal);
        }
        let mut x = vec![0f32; t as usize];
        let mut edge = edges.iter().peekable();
        for (i, sample) in x.iter_mut().enumerate().skip(lead) {
            while edge.next_if(|&&e| e <= i as f64).is_some() {
                level = -level;
            }
            *sample = level;
        }
        x
    }

    fn decode(x: &[f32], rate: u32, block: usize) -> Option<Ltc> {
        let mut meter = LtcMeter::new(rate);
        x.chunks(block).for_each(|part| meter.push(part));
        meter.finish()
    }

    #[test]
    fn every_rate_is_read_with_its_value_and_place() {
        for rate in [44_100u32, 48_000, 96_000, 192_000] {
            for (fps, nominal) in [
                (24_000.0 / 1001.0, 24),
                (24.0, 24),
                (25.0, 25),
                (30_000.0 / 1001.0, 30),
                (30.0, 30),
            ] {
                let x = code(f64::from(rate), fps, nominal, 2.0, 4321);
                let ltc = decode(&x, rate, 4096).unwrap_or_else(|| panic!("{rate} {fps}"));
                assert!(
                    (ltc.frames_per_s(rate) - fps).abs() < 0.01,
                    "{rate} {fps}: {ltc:?}"
                );
                // Whatever frame was decoded first, the code leads back to the start.
                let said = ltc.frame_at(4321, u32::from(nominal));
                let true_count = f64::from(((13 * 60 + 5) * 60 + 22) * u32::from(nominal) + 11);
                assert!(
                    (said - true_count).abs() < 0.02,
                    "{rate} {fps}: {said} {true_count}"
                );
                assert!(!ltc.reversed && ltc.jumps == 0);
            }
        }
    }

    #[test]
    fn inverted_reversed_fast_slow_and_noisy_code_is_read() {
        let plain = code(48_000.0, 25.0, 25, 2.0, 0);
        let inverted: Vec<f32> = plain.iter().map(|x| -x).collect();
        assert!(decode(&inverted, 48_000, 4096).is_some());
        let backwards: Vec<f32> = plain.iter().rev().copied().collect();
        assert!(decode(&backwards, 48_000, 4096).is_some_and(|l| l.reversed));
        for speed in [0.85, 1.15] {
            assert!(
                decode(&code(48_000.0, 25.0 * speed, 25, 2.0, 0), 48_000, 4096).is_some(),
                "{speed}"
            );
        }
        // Even noise 30 dB below the square wave.
        let noise = crate::synth::sources::noise(plain.len(), 7);
        let noisy: Vec<f32> = plain
            .iter()
            .zip(noise)
            .map(|(x, v)| x + v * 0.4 * 0.0316 * 1.732)
            .collect();
        assert!(decode(&noisy, 48_000, 4096).is_some());
    }

    #[test]
    fn block_length_changes_nothing() {
        let x = code(48_000.0, 25.0, 25, 1.0, 100);
        let whole = decode(&x, 48_000, x.len());
        assert!(whole.is_some());
        for block in [1, 63, 480] {
            assert_eq!(decode(&x, 48_000, block), whole);
        }
    }

    #[test]
    fn what_is_plugged_in_late_is_found_whatever_goes_in_step_with_it() {
        let lead = 3_614_400; // 75.3 s
        let late = code(48_000.0, 25.0, 25, 6.0, lead);
        let alone = decode(&late, 48_000, 4096);
        let ltc = alone.unwrap_or_else(|| panic!("not found"));
        assert!(ltc.at_sample < lead as f64 + 2.2 * 48_000.0, "{ltc:?}");
        let start = f64::from(((13 * 60 + 5) * 60 + 22) * 25 + 11);
        assert!((ltc.frame_at(lead as u64, 25) - start).abs() < 0.02);
        // Beside one that is listened to all the time.
        let mut early = code(48_000.0, 25.0, 25, 2.0, 0);
        early.resize(late.len(), 0.0);
        let (mut a, mut b) = (LtcMeter::new(48_000), LtcMeter::new(48_000));
        for (early, late) in early.chunks(10_007).zip(late.chunks(10_007)) {
            in_step(&mut [&mut a, &mut b], &[early, late]);
        }
        assert!(a.finish().is_some());
        assert_eq!(b.finish(), alone);
    }

    #[test]
    fn square_waves_and_silence_are_no_timecode() {
        for hz in [960.0, 1000.0, 2000.0, 2400.0] {
            let x: Vec<f32> = (0..96_000)
                .map(|i| {
                    if (f64::from(i) * hz / 48_000.0).fract() < 0.5 {
                        0.5
                    } else {
                        -0.5
                    }
                })
                .collect();
            assert_eq!(decode(&x, 48_000, 4096), None, "{hz}");
        }
        assert_eq!(decode(&[0.0; 48_000], 48_000, 4096), None);
        assert_eq!(decode(&[], 48_000, 1), None);
        assert_eq!(decode(&[1.0], 48_000, 1), None);
    }
}
