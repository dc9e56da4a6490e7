//! Kinds of files and labels of one take.

pub mod metadata_conflict;
pub mod metadata_missing;
pub mod noise_change;
pub mod truncated_file;
