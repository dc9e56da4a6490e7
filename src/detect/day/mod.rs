//! Kinds found between takes.
