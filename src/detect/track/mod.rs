//! Kinds found on one track.

pub mod click;
pub mod dropout;
mod impulses;
pub mod rf_hit;
