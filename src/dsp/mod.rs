//! Pure arithmetic, one algorithm a file: no input or output, no settings.

pub mod decimate;
pub mod extreme;
