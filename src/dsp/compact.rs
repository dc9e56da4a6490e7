//! Numbers in few bytes: what is kept of every frame of a long take.

use std::sync::LazyLock;

use crate::units::power;

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
        let rounded = (power.to_bits().wrapping_add(1 << (LET_GO - 1))) >> LET_GO;
        let code = rounded.saturating_sub(BASE).min(u32::from(u16::MAX)) as u16;
        // No branch: many are worked out side by side.
        Power16(if power > 0.0 { code } else { 0 })
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

/// A level from -200 to 56 dBFS to 1/256 dB; minus infinity for digital silence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Level16(i16);

impl Level16 {
    /// Minus infinity.
    pub const SILENCE: Level16 = Level16(i16::MIN);

    /// The nearest; what lies beyond the ends is cut off there.
    pub fn of(level_db: f32) -> Level16 {
        if level_db == f32::NEG_INFINITY {
            return Level16::SILENCE;
        }
        let code = (level_db + 72.0) * 256.0;
        Level16((code.round() as i16).max(i16::MIN + 1))
    }

    /// dBFS.
    #[inline]
    pub fn db(self) -> f32 {
        if self == Level16::SILENCE {
            return f32::NEG_INFINITY;
        }
        f32::from(self.0) / 256.0 - 72.0
    }

    /// Mean square; 0 for silence.
    pub fn power(self) -> f64 {
        // Whole decibels and parts of one: a product of two from tables takes a tenth of the time of a power of ten.
        static FACTORS: LazyLock<[Vec<f64>; 2]> = LazyLock::new(|| {
            let table = |step_db: f64| (0..256).map(|n| power(f64::from(n) * step_db)).collect();
            [table(1.0), table(1.0 / 256.0)]
        });
        if self == Level16::SILENCE {
            return 0.0;
        }
        // From -200 dB up.
        let code = (i32::from(self.0) - i32::from(i16::MIN)) as usize;
        FACTORS[0][code >> 8] * FACTORS[1][code & 255] * 1e-20
    }
}

/// A value as bytes, always as many.
pub trait Code: Copy {
    /// How many.
    const BYTES: usize;
    /// Put them at the end of others.
    fn put(self, to: &mut Vec<u8>);
    /// The value from the first of some bytes.
    fn get(bytes: &[u8]) -> Self;
}

impl Code for u8 {
    const BYTES: usize = 1;
    fn put(self, to: &mut Vec<u8>) {
        to.push(self);
    }
    #[inline]
    fn get(bytes: &[u8]) -> u8 {
        bytes[0]
    }
}

impl Code for u16 {
    const BYTES: usize = 2;
    fn put(self, to: &mut Vec<u8>) {
        to.extend(self.to_le_bytes());
    }
    #[inline]
    fn get(bytes: &[u8]) -> u16 {
        u16::from_le_bytes([bytes[0], bytes[1]])
    }
}

impl Code for u32 {
    const BYTES: usize = 4;
    fn put(self, to: &mut Vec<u8>) {
        to.extend(self.to_le_bytes());
    }
    #[inline]
    fn get(bytes: &[u8]) -> u32 {
        u32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])
    }
}

impl Code for f32 {
    const BYTES: usize = 4;
    fn put(self, to: &mut Vec<u8>) {
        self.to_bits().put(to);
    }
    #[inline]
    fn get(bytes: &[u8]) -> f32 {
        f32::from_bits(u32::get(bytes))
    }
}

impl Code for Power16 {
    const BYTES: usize = 2;
    fn put(self, to: &mut Vec<u8>) {
        to.extend(self.0.to_le_bytes());
    }
    #[inline]
    fn get(bytes: &[u8]) -> Power16 {
        Power16(u16::from_le_bytes([bytes[0], bytes[1]]))
    }
}

impl Code for Level16 {
    const BYTES: usize = 2;
    fn put(self, to: &mut Vec<u8>) {
        to.extend(self.0.to_le_bytes());
    }
    #[inline]
    fn get(bytes: &[u8]) -> Level16 {
        Level16(i16::from_le_bytes([bytes[0], bytes[1]]))
    }
}

impl<T: Code, const N: usize> Code for [T; N] {
    const BYTES: usize = N * T::BYTES;
    fn put(self, to: &mut Vec<u8>) {
        self.into_iter().for_each(|value| value.put(to));
    }
    #[inline]
    fn get(bytes: &[u8]) -> [T; N] {
        let bytes = &bytes[..Self::BYTES];
        std::array::from_fn(|n| T::get(&bytes[n * T::BYTES..]))
    }
}

/// Room for so many more, an eighth of what is there at a time where more is needed: a list that doubles holds half of its memory
/// for nothing, and a long list is moved without a copy.
pub fn room_for<T>(list: &mut Vec<T>, more: usize) {
    if list.capacity() - list.len() < more {
        list.reserve_exact(more.max(list.len() / 8).max(16));
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

    #[test]
    fn levels_come_back_within_a_512th() {
        for k in -1999..560 {
            let level = k as f32 / 10.0;
            let back = Level16::of(level);
            assert!((back.db() - level).abs() <= 1.0 / 512.0 + 1e-5);
            assert!((back.power() / power(f64::from(back.db())) - 1.0).abs() < 1e-9);
        }
        assert_eq!(Level16::SILENCE.db(), f32::NEG_INFINITY);
        assert_eq!(Level16::of(f32::NEG_INFINITY), Level16::SILENCE);
        assert_eq!(Level16::SILENCE.power(), 0.0);
        let least = Level16::of(-1e9).db();
        assert!(least.is_finite() && least >= -200.0);
        assert!(Level16::of(100.0).db() < 56.0);
    }

    #[test]
    fn values_come_back_from_their_bytes() {
        let mut bytes = Vec::new();
        let levels = [-200.0, -0.5, 40.0, f32::NEG_INFINITY].map(Level16::of);
        levels.put(&mut bytes);
        assert_eq!(bytes.len(), <[Level16; 4]>::BYTES);
        assert_eq!(<[Level16; 4]>::get(&bytes), levels);
        let (mut bytes, power) = (vec![9], Power16::from(0.3));
        power.put(&mut bytes);
        assert_eq!((u8::get(&bytes), Power16::get(&bytes[1..])), (9, power));
    }

    #[test]
    fn room_is_made_in_small_parts() {
        let mut list = Vec::new();
        for k in 0..100_000u32 {
            room_for(&mut list, 1);
            list.push(k);
            assert!(list.capacity() <= list.len() + list.len() / 8 + 16);
        }
        let before = list.capacity();
        let free = before - list.len();
        room_for(&mut list, free);
        assert_eq!(list.capacity(), before);
    }
}
