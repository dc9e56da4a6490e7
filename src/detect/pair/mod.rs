//! Kinds found between tracks.
