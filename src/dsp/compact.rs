//! A power in two bytes: what is kept of every frame of a long take.

/// Bits of a single-precision number that are let go; nine of its mantissa stay.
const LET_GO: u32 = 14;
/// What is taken off the rest, so that the codes begin at 2^-95.
const BASE: u32 = 32 << (23 - LET_GO);

/// A power (mean square) of 0 to 2^33 within a thousandth, 0.004 dB: far below what any power of noise is worth. Below 2^-95
/// (-286 dB) it is 0.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Power16(u16);

impl From<f32> for Power16 {
    /// The nearest; negative numbers and what is no number become 0.
    #[inline]
    fn from(power: f32) -> Power16 {
        if power.is_nan() || power <= 0.0 {
            return Power16(0);
        }
        let rounded = (power.to_bits() + (1 << (LET_GO - 1))) >> LET_GO;
        Power16(rounded.saturating_sub(BASE).min(u32::from(u16::MAX)) as u16)
    }
}

impl From<Power16> for f32 {
    #[inline]
    fn from(code: Power16) -> f32 {
        let bits = (u32::from(code.0) + BASE) << LET_GO;
        if code.0 == 0 {
            0.0
        } else {
            f32::from_bits(bits)
        }
    }
}

impl From<Power16> for f64 {
    #[inline]
    fn from(code: Power16) -> f64 {
        f64::from(f32::from(code))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn powers_come_back_within_a_thousandth() {
        for k in -900..320 {
            let power = 2f32.powf(k as f32 / 10.0);
            let back = f32::from(Power16::from(power));
            assert!((back / power - 1.0).abs() < 0.001, "{power} {back}");
            assert_eq!(f32::from(Power16::from(back)), back);
        }
    }

    #[test]
    fn what_has_no_code_is_cut_off_in_order() {
        for nothing in [0.0, -0.0, -1.0, f32::NAN, 1e-30] {
            assert_eq!(f32::from(Power16::from(nothing)), 0.0);
        }
        assert!(Power16::from(f32::INFINITY) > Power16::from(1e9));
        assert!(f32::from(Power16::from(f32::INFINITY)) > 1e9);
        assert!(Power16::from(0.1) < Power16::from(0.101));
    }
}
