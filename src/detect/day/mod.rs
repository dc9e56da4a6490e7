//! Kinds found between takes.

pub mod copy_mismatch;
pub mod duplicate_take;
pub mod frame_rate_mismatch;
pub mod missing_file;
pub mod sample_rate_mismatch;
pub mod timecode_overlap;
