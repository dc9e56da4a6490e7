//! Kinds found between tracks.

pub mod bleed;
pub mod comb_filtering;
pub mod duplicate_track;
pub(super) mod in_the_mix;
pub mod late_track;
pub mod muffled;
pub mod off_mic;
pub mod open_mic;
pub mod polarity_inverted;
pub mod post_fader;
