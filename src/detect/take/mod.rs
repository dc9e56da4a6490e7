//! Kinds of files and labels of one take.

pub mod noise_change;
