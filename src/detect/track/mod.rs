//! Kinds found on one track.

pub mod click;
pub mod clipping;
pub mod cut_short;
pub mod dc_offset;
pub mod dead_track;
pub mod dropout;
pub mod flat_top;
pub mod gain_step;
pub mod hum;
pub(crate) mod impulses;
mod level;
pub mod level_hot;
pub mod level_low;
pub(super) mod link;
pub mod noise_high;
pub mod rf_hit;
pub mod rumble;
pub mod rustle;
pub mod true_peak_over;
pub(super) mod unheard;
