//! Kinds of files and labels of one take.
