//! The highest frequency that carries signal, from the frames' band levels against the background.
//!
//! A narrow-band link, a converted file or a muffled microphone shows here; so does a day on which a pack gets worse. The
//! answer is the upper edge of a third octave (IEC 61260-1), never above half the sample rate.

use super::floor::Floor;
use super::frames::{BANDS, Frames, band_edges_hz};
use crate::dsp::compact::Power16;
use crate::units::power;

/// How far the loud frames of a band stand over its background to count as signal. Noise alone reaches 6 dB at this share.
const OVER_BACKGROUND_DB: f64 = 9.0;

/// Share of frames that count as loud: speech with its consonants fills more than this of any spoken take.
const LOUD_SHARE: f64 = 0.02;

/// Nothing below this is signal, whatever the background: the last bits of a 24-bit file.
const LEAST_DBFS: f64 = -120.0;

/// Upper edge of the highest band that carries signal, Hz; `None` where no band does.
pub fn bandwidth_hz(frames: &Frames, floor: &Floor) -> Option<f64> {
    let edges = band_edges_hz();
    let background = floor.median_bands();
    let top = (0..BANDS).rev().find(|&band| {
        let mut levels: Vec<Power16> = (0..frames.grid.frames)
            .map(|f| frames.codes(f)[band])
            .collect();
        let Some(last) = levels.len().checked_sub(1) else {
            return false;
        };
        let rank = ((1.0 - LOUD_SHARE) * last as f64) as usize;
        let (_, loud, _) = levels.select_nth_unstable(rank);
        let loud = f64::from(*loud);
        loud > power(LEAST_DBFS) && loud > power(f64::from(background[band]) + OVER_BACKGROUND_DB)
    })?;
    Some(edges[top + 1].min(f64::from(frames.grid.rate) / 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::frames::FramesMeter;

    /// Bursts of noise over quiet noise, both cut off at a frequency by plain averaging in the spectrum's place: a sum of
    /// sines below the cut.
    fn bursts(cut_hz: f64) -> (Frames, Floor) {
        let rate = 48_000;
        let mut meter = FramesMeter::new(rate);
        let mut x = Vec::new();
        let mut hz = 90.0;
        let mut lines = Vec::new();
        while hz < cut_hz {
            lines.push(hz);
            hz *= 1.19;
        }
        for n in 0..rate * 6 {
            let t = f64::from(n) / f64::from(rate);
            // Swells without corners: switching would spread over the whole spectrum.
            let loud = 0.0001 + 0.02 * (std::f64::consts::PI * t).sin().powi(8);
            let sum: f64 = lines
                .iter()
                .map(|f| (std::f64::consts::TAU * f * t).sin())
                .sum();
            x.push((loud * sum) as f32);
        }
        meter.push(&x);
        let frames = meter.finish();
        let floor = Floor::of(&frames);
        (frames, floor)
    }

    #[test]
    fn the_top_of_the_signal_is_found_within_a_band_or_two() {
        for cut in [3400.0, 7000.0, 15_000.0] {
            let (frames, floor) = bursts(cut);
            let found = bandwidth_hz(&frames, &floor).unwrap();
            // The frames' window leaks a little into the next band.
            assert!((cut * 0.75..cut * 1.6).contains(&found), "{cut}: {found}");
        }
    }

    #[test]
    fn silence_has_none() {
        let mut meter = FramesMeter::new(48_000);
        meter.push(&vec![0.0; 96_000]);
        let frames = meter.finish();
        let floor = Floor::of(&frames);
        assert_eq!(bandwidth_hz(&frames, &floor), None);
        let frames = FramesMeter::new(48_000).finish();
        let floor = Floor::of(&frames);
        assert_eq!(bandwidth_hz(&frames, &floor), None);
    }
}
