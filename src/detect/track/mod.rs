//! Kinds found on one track.
