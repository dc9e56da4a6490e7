//! Kinds found on one track.

pub mod click;
pub mod dead_track;
pub mod dropout;
pub mod hum;
mod impulses;
pub mod noise_high;
pub mod rf_hit;
