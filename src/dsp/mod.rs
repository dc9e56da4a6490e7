//! Pure arithmetic, one algorithm a file: no input or output, no settings.

pub mod apart;
pub mod biquad;
pub mod compact;
pub mod decimate;
pub mod extreme;
pub mod fft;
pub mod lanes;
pub mod rank;
pub mod shared;
pub mod widest;
pub mod windows;
