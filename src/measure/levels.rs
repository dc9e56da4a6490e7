//! Largest sample and constant offset of a track.
//!
//! Input: one track, full scale 1.0, any block length. Output: see [`Levels`]. Bad input: the caller has replaced NaN and
//! infinities by silence. Errors, panics: none. Cost: two operations a sample.

use super::tiles::Tiles;
use crate::dsp::lanes::Sum;
use crate::units;

/// Sample peak and means of one track.
#[derive(Debug, Clone, Default)]
pub struct Levels {
    /// Largest sample, full scale 1; 0 for silence.
    pub highest: f32,
    /// Smallest sample, full scale -1; 0 for silence.
    pub lowest: f32,
    /// Mean of each second; a last part counts from half a second on, a track shorter than that has its mean over all.
    pub means: Vec<f64>,
}

/// A constant offset with its uncertainty, full scale 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Offset {
    /// Median of the one-second means.
    pub value: f64,
    /// Standard error of that median: robust spread of the means over the root of their number.
    pub error: f64,
    /// Number of means.
    pub seconds: usize,
}

impl Levels {
    /// Largest |x|, full scale 1; 0 for silence.
    pub fn peak(&self) -> f32 {
        self.highest.max(-self.lowest)
    }

    /// Level of the largest sample in dBFS; minus infinity for silence.
    pub fn sample_peak_dbfs(&self) -> f64 {
        units::db(f64::from(self.peak()))
    }

    /// The constant offset; `None` without samples.
    ///
    /// One mean alone has no spread: its error is then its own size, so that it never looks certain.
    pub fn offset(&self) -> Option<Offset> {
        offset_of(&self.means)
    }
}

/// The offset over some of the means of [`Levels::means`]; `None` of nothing.
pub fn offset_of(means: &[f64]) -> Option<Offset> {
    let value = median(means)?;
    let n = means.len();
    let error = if n < 2 {
        value.abs()
    } else {
        let away: Vec<f64> = means.iter().map(|m| (m - value).abs()).collect();
        1.4826 * median(&away)? / (n as f64).sqrt()
    };
    Some(Offset {
        value,
        error,
        seconds: n,
    })
}

/// Middle value; mean of the middle two for an even number; `None` for nothing.
fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    match n {
        0 => None,
        _ if n % 2 == 1 => Some(sorted[n / 2]),
        _ => Some(0.5 * (sorted[n / 2 - 1] + sorted[n / 2])),
    }
}

/// Measures [`Levels`]. Block lengths do not change the result.
#[derive(Debug)]
pub struct LevelsMeter {
    second: usize,
    sum: Sum,
    count: usize,
    out: Levels,
}

impl LevelsMeter {
    /// A meter at rest; `rate` in Hz.
    pub fn new(rate: u32) -> LevelsMeter {
        LevelsMeter {
            second: (rate as usize).max(1),
            sum: Sum::default(),
            count: 0,
            out: Levels::default(),
        }
    }

    /// Take in samples and what their tiles show.
    pub fn push(&mut self, mut x: &[f32], tiles: &Tiles) {
        let (low, high) = tiles.range();
        self.out.highest = self.out.highest.max(high);
        self.out.lowest = self.out.lowest.min(low);
        while !x.is_empty() {
            let (now, later) = x.split_at(x.len().min(self.second - self.count));
            self.sum.add(now);
            self.count += now.len();
            if self.count == self.second {
                self.close();
            }
            x = later;
        }
    }

    fn close(&mut self) {
        self.out.means.push(self.sum.total() / self.count as f64);
        (self.sum, self.count) = (Sum::default(), 0);
    }

    /// Everything measured.
    pub fn finish(mut self) -> Levels {
        if self.count > 0 && (2 * self.count >= self.second || self.out.means.is_empty()) {
            self.close();
        }
        self.out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measure(x: &[f32], rate: u32, block: usize) -> Levels {
        let mut meter = LevelsMeter::new(rate);
        x.chunks(block)
            .for_each(|part| meter.push(part, &Tiles::of(part)));
        meter.finish()
    }

    #[test]
    fn nothing_has_neither_peak_nor_offset() {
        let levels = measure(&[], 48_000, 1);
        assert_eq!(levels.sample_peak_dbfs(), f64::NEG_INFINITY);
        assert_eq!(levels.offset(), None);
    }

    #[test]
    fn a_single_sample_is_never_a_certain_offset() {
        let offset = measure(&[0.5], 48_000, 1).offset().unwrap();
        assert_eq!((offset.value, offset.error), (0.5, 0.5));
    }

    #[test]
    fn peak_takes_the_larger_side() {
        let levels = measure(&[0.25, -0.5, 0.1], 48_000, 2);
        assert_eq!(levels.peak(), 0.5);
        assert!((levels.sample_peak_dbfs() + 6.0206).abs() < 1e-4);
    }

    #[test]
    fn an_offset_is_read_exactly_and_block_length_changes_nothing() {
        let x: Vec<f32> = (0..200_000)
            .map(|i| 0.004 + 0.2 * (i as f32 * 0.3).sin())
            .collect();
        let whole = measure(&x, 48_000, x.len());
        let offset = whole.offset().unwrap();
        assert_eq!(whole.means.len(), 4);
        assert!((offset.value - 0.004).abs() < 1e-5, "{offset:?}");
        assert!(offset.error < 1e-5);
        for block in [1, 63, 480, 4096] {
            assert_eq!(measure(&x, 48_000, block).means, whole.means);
        }
    }
}
