//! Highest reconstructed level between samples, and every stretch where it passes a low limit.
//!
//! Input: one track, full scale 1.0; any rate, any block length. Output: see [`TruePeak`].
//! Accuracy: the four-phase interpolator of the Recommendation as printed; within +0.2/-0.4 dB below 0.45 x rate. None of its
//! phases passes through the samples, so the sample peak is a floor of the reading. From 96 kHz up the Recommendation allows
//! twofold oversampling; four phases are kept at every rate, because what is skipped costs nothing and four read closer.
//! Errors, panics: none. Cost: one comparison a sample; 48 multiply-adds only where the result can matter.
//! Source: ITU-R BS.1770-5, annex 2.

use crate::dsp::lanes;
use crate::dsp::windows::Windows;
use crate::units;

/// Taps of one phase.
pub const TAPS: usize = 12;

/// The interpolator: `y[4n+p] = sum_k PHASES[p][k] * x[n-k]` (ITU-R BS.1770-5, annex 2, table of the order-48 filter).
pub const PHASES: [[f64; TAPS]; 4] = [
    [
        0.0017089843750,
        0.0109863281250,
        -0.0196533203125,
        0.0332031250000,
        -0.0594482421875,
        0.1373291015625,
        0.9721679687500,
        -0.1022949218750,
        0.0476074218750,
        -0.0266113281250,
        0.0148925781250,
        -0.0083007812500,
    ],
    [
        -0.0291748046875,
        0.0292968750000,
        -0.0517578125000,
        0.0891113281250,
        -0.1665039062500,
        0.4650878906250,
        0.7797851562500,
        -0.2003173828125,
        0.1015625000000,
        -0.0582275390625,
        0.0330810546875,
        -0.0189208984375,
    ],
    [
        -0.0189208984375,
        0.0330810546875,
        -0.0582275390625,
        0.1015625000000,
        -0.2003173828125,
        0.7797851562500,
        0.4650878906250,
        -0.1665039062500,
        0.0891113281250,
        -0.0517578125000,
        0.0292968750000,
        -0.0291748046875,
    ],
    [
        -0.0083007812500,
        0.0148925781250,
        -0.0266113281250,
        0.0476074218750,
        -0.1022949218750,
        0.9721679687500,
        0.1373291015625,
        -0.0594482421875,
        0.0332031250000,
        -0.0196533203125,
        0.0109863281250,
        0.0017089843750,
    ],
];

/// Largest possible gain of any phase: the sum of |taps| of the inner two.
const LARGEST_GAIN: f64 = 2.0228271484375;
/// Bounds of a phase by its two nearest samples and the largest of the others: |taps| outer (near, far, rest), inner likewise.
const OUTER: [f64; 3] = [0.9721679687500, 0.1373291015625, 0.3247070312500];
const INNER: [f64; 3] = [0.7797851562500, 0.4650878906250, 0.7779541015625];

/// Level above which stretches are listed, dBTP. Lower than any limit in use, so that a setting can be lowered without
/// measuring again.
pub const LISTED_FROM_DBTP: f64 = -1.5;
/// Stretches closer than this are one, seconds.
const JOIN_S: f64 = 0.25;
/// Positions that share one look at the block peak.
const BLOCK: usize = 32;
/// Blocks that are skipped together where none of them can matter.
const MANY: usize = 16;

/// A stretch whose reconstructed peak passes [`LISTED_FROM_DBTP`]; pauses below 250 ms are bridged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Over {
    /// First sample.
    pub start: u64,
    /// One past the last sample.
    pub end: u64,
    /// Largest reconstructed value, full scale 1.
    pub peak: f64,
    /// Number of excursions that were joined.
    pub events: u32,
}

/// Reconstructed peak of one track.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TruePeak {
    /// Largest reconstructed value, full scale 1, never below the sample peak; 0 for silence.
    pub peak: f64,
    /// Stretches above [`LISTED_FROM_DBTP`].
    pub overs: Vec<Over>,
}

impl TruePeak {
    /// Largest reconstructed level in dBTP; minus infinity for silence.
    pub fn dbtp(&self) -> f64 {
        units::db(self.peak)
    }
}

/// Measures [`TruePeak`]. Block lengths do not change the result.
#[derive(Debug)]
pub struct TruePeakMeter {
    /// A block of positions each, and the `TAPS - 1` samples before.
    windows: Windows,
    samples: u64,
    /// Positions already filtered.
    at: u64,
    limit: f64,
    join: u64,
    skip: bool,
    open: Option<(u64, u64)>,
    out: TruePeak,
}

impl TruePeakMeter {
    /// A meter at rest; `rate` in Hz.
    pub fn new(rate: u32) -> TruePeakMeter {
        TruePeakMeter {
            windows: Windows::new(TAPS - 1 + BLOCK, BLOCK, TAPS - 1),
            samples: 0,
            at: 0,
            limit: units::amplitude(LISTED_FROM_DBTP),
            join: (JOIN_S * f64::from(rate)).round() as u64,
            skip: true,
            open: None,
            out: TruePeak::default(),
        }
    }

    /// The same meter without any shortcut, to prove that the shortcuts change nothing.
    pub fn unabridged(rate: u32) -> TruePeakMeter {
        TruePeakMeter {
            skip: false,
            ..TruePeakMeter::new(rate)
        }
    }

    /// Take in samples.
    pub fn push(&mut self, x: &[f32]) {
        self.samples += x.len() as u64;
        let mut windows = std::mem::take(&mut self.windows);
        windows.push_rows(x, |row| {
            for from in (0..row.len() - (TAPS - 1)).step_by(MANY * BLOCK) {
                let many = &row[from..(from + TAPS - 1 + MANY * BLOCK).min(row.len())];
                if self.quiet(lanes::peak(many)) {
                    self.at += (many.len() - (TAPS - 1)) as u64;
                } else {
                    let blocks = many.windows(TAPS - 1 + BLOCK).step_by(BLOCK);
                    blocks.for_each(|window| self.block(window));
                }
            }
        });
        self.windows = windows;
    }

    /// Whether nothing that samples up to a peak make can matter.
    fn quiet(&self, peak: f32) -> bool {
        self.skip && f64::from(peak) * LARGEST_GAIN <= self.out.peak.min(self.limit)
    }

    /// The next positions: the newest sample of the first is the one after the first `TAPS - 1` of the window.
    fn block(&mut self, window: &[f32]) {
        let top = lanes::peak(window);
        let count = window.len() - (TAPS - 1);
        if self.quiet(top) {
            self.at += count as u64;
            return;
        }
        let (top, wanted) = (f64::from(top), self.out.peak.min(self.limit));
        for (i, w) in window.windows(TAPS).enumerate() {
            // w[TAPS - 1 - k] is x[n - k]; the interpolated points lie between x[n-6] and x[n-5].
            let (a, b) = (f64::from(w[TAPS - 7].abs()), f64::from(w[TAPS - 6].abs()));
            let newest = self.at + i as u64;
            let mut best = a;
            let (near, far) = if a > b { (a, b) } else { (b, a) };
            let bound = (OUTER[0] * near + OUTER[1] * far + OUTER[2] * top)
                .max(INNER[0] * near + INNER[1] * far + INNER[2] * top)
                * (1.0 + 1e-9);
            if !self.skip || bound > wanted {
                for phase in &PHASES {
                    let y: f64 = phase
                        .iter()
                        .zip(w.iter().rev())
                        .map(|(h, &v)| h * f64::from(v))
                        .sum();
                    best = best.max(y.abs());
                }
            }
            self.out.peak = self.out.peak.max(best);
            if best > self.limit {
                self.over(newest.saturating_sub(6), best);
            }
        }
        self.at += count as u64;
    }

    fn over(&mut self, sample: u64, peak: f64) {
        match (self.out.overs.last_mut(), self.open) {
            (Some(last), Some((_, end))) if sample <= end + self.join => {
                last.events += u32::from(sample > end);
                last.peak = last.peak.max(peak);
                last.end = sample + 1;
            }
            _ => self.out.overs.push(Over {
                start: sample,
                end: sample + 1,
                peak,
                events: 1,
            }),
        }
        self.open = Some((sample, sample + 1));
    }

    /// Everything measured; beyond both ends the track is silent.
    pub fn finish(mut self) -> TruePeak {
        let total = self.samples;
        self.push(&[0.0; TAPS + BLOCK]);
        for over in &mut self.out.overs {
            over.end = over.end.min(total);
            over.start = over.start.min(over.end.saturating_sub(1));
        }
        self.out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::sources::noise;

    fn measure(x: &[f32], block: usize) -> TruePeak {
        let mut meter = TruePeakMeter::new(48_000);
        x.chunks(block).for_each(|part| meter.push(part));
        meter.finish()
    }

    fn brute(x: &[f32]) -> TruePeak {
        let mut meter = TruePeakMeter::unabridged(48_000);
        meter.push(x);
        meter.finish()
    }

    /// DC gains and largest gains of the phases as computed from the printed table.
    #[test]
    fn the_table_has_the_sums_it_should_have() {
        for (phase, (dc, all)) in PHASES.iter().zip([
            (1.001587, 1.434204),
            (0.973022, 2.022827),
            (0.973022, 2.022827),
            (1.001587, 1.434204),
        ]) {
            assert!((phase.iter().sum::<f64>() - dc).abs() < 1e-6);
            assert!((phase.iter().map(|h| h.abs()).sum::<f64>() - all).abs() < 1e-6);
        }
        assert_eq!(PHASES[1].iter().map(|h| h.abs()).sum::<f64>(), LARGEST_GAIN);
        assert_eq!(
            PHASES[3].iter().rev().copied().collect::<Vec<_>>(),
            PHASES[0]
        );
        assert_eq!(
            PHASES[2].iter().rev().copied().collect::<Vec<_>>(),
            PHASES[1]
        );
    }

    #[test]
    fn skipping_changes_nothing() {
        let mut cases = vec![
            noise(20_000, 1),
            (0..9000)
                .map(|i| if i % 2 == 0 { 1.0 } else { -1.0 })
                .collect(),
            (0..9000)
                .map(|i| if i % 37 == 0 { 0.9 } else { 0.0 })
                .collect(),
        ];
        let speechlike: Vec<f32> = noise(60_000, 2)
            .iter()
            .enumerate()
            .map(|(i, v)| v * (i as f32 * 2e-4).sin().powi(4))
            .collect();
        cases.push(speechlike);
        for x in cases {
            for gain in [0.2, 1.0] {
                let x: Vec<f32> = x.iter().map(|v| v * gain).collect();
                assert_eq!(measure(&x, x.len()), brute(&x));
            }
        }
    }

    #[test]
    fn block_length_changes_nothing() {
        let x = noise(10_007, 3);
        let whole = measure(&x, x.len());
        for block in [1, 63, 480, 4096] {
            assert_eq!(measure(&x, block), whole);
        }
    }

    #[test]
    fn ends_and_nothing() {
        assert_eq!(measure(&[], 1).dbtp(), f64::NEG_INFINITY);
        let one = measure(&[0.9], 1);
        assert_eq!(one.overs.len(), 1);
        assert_eq!((one.overs[0].start, one.overs[0].end), (0, 1));
        assert!(one.peak >= f64::from(0.9f32));
        let mut x = vec![0.0; 100];
        x[99] = -0.95;
        let last = measure(&x, 7);
        assert_eq!(last.overs[0].end, 100);
        assert!(last.overs[0].start >= 98);
    }

    #[test]
    fn overs_are_listed_where_they_are() {
        let mut x = vec![0f32; 96_000];
        x[20_000] = 0.9;
        x[23_000] = 0.95;
        x[60_000] = -0.88;
        let peak = measure(&x, 4800);
        assert_eq!(peak.overs.len(), 2, "{:?}", peak.overs);
        assert_eq!(peak.overs[0].events, 2);
        assert!(peak.overs[0].start.abs_diff(20_000) <= 1);
        assert!(peak.overs[0].end.abs_diff(23_001) <= 1);
        assert!(peak.overs[1].start.abs_diff(60_000) <= 1);
    }
}
