//! Invented takes: real voices in a simple room, microphones, a mix, faults with known places, and the demo day.
//!
//! Used by `takeproof demo` and as the tests' source of signals. Uses nothing of `dsp`, `measure` or `detect`: a shared bug
//! would hide itself.

pub mod demo;
pub mod faults;
pub mod scene;
pub mod sources;
pub mod wav;

pub use scene::{Rendered, Scene};

/// Amplitude factor of a level in dB.
pub(crate) fn gain(db: f64) -> f32 {
    10f64.powf(db / 20.0) as f32
}

/// Largest magnitude.
pub(crate) fn peak(x: &[f32]) -> f32 {
    x.iter().fold(0.0, |m, v| m.max(v.abs()))
}

/// Root mean square; 0 for nothing.
pub(crate) fn rms(x: &[f32]) -> f32 {
    (x.iter().map(|&v| f64::from(v) * f64::from(v)).sum::<f64>() / x.len().max(1) as f64).sqrt()
        as f32
}
