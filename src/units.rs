//! Levels and times. The only decibel arithmetic of the crate stands here.
//!
//! Full scale is 1.0. A level of digital silence is minus infinity inside the crate and `null` in the report.

/// Level in dB of an amplitude re 1.0; minus infinity for 0. The sign is ignored.
pub fn db(amplitude: f64) -> f64 {
    20.0 * amplitude.abs().log10()
}

/// Level in dB of a power (mean square) re 1.0; minus infinity for 0 and below.
pub fn power_db(power: f64) -> f64 {
    10.0 * power.max(0.0).log10()
}

/// Amplitude factor of a level in dB; 0 for minus infinity.
pub fn amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Power factor of a level in dB; 0 for minus infinity.
pub fn power(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// A level for the report: `None` for silence, else rounded to 0.01 dB, so that the printed digits do not hang on the last bits.
pub fn level(db: f64) -> Option<f64> {
    rounded(db, 2)
}

/// A finite number rounded to `digits` decimals; `None` for infinities and NaN. Never returns -0.
pub fn rounded(value: f64, digits: i32) -> Option<f64> {
    let scale = 10f64.powi(digits);
    let value = (value * scale).round() / scale;
    value
        .is_finite()
        .then_some(if value == 0.0 { 0.0 } else { value })
}

/// Samples to seconds at a rate in Hz.
pub fn seconds(samples: u64, rate: u32) -> f64 {
    samples as f64 / f64::from(rate)
}

/// Seconds to the nearest sample; negative times become 0.
pub fn samples(seconds: f64, rate: u32) -> u64 {
    (seconds * f64::from(rate)).round().max(0.0) as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_and_factors_are_inverse() {
        assert!((db(amplitude(-7.5)) + 7.5).abs() < 1e-12);
        assert!((power_db(power(-7.5)) + 7.5).abs() < 1e-12);
        assert_eq!(db(-1.0), 0.0);
    }

    #[test]
    fn silence_has_no_level() {
        assert_eq!(level(db(0.0)), None);
        assert_eq!(level(power_db(0.0)), None);
        assert_eq!(rounded(-0.001, 2), Some(0.0));
        assert!(rounded(-0.001, 2).unwrap().is_sign_positive());
    }
}
