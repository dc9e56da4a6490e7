//! takeproof listens to every track of every take after the cut and says which takes have a technical fault, on which
//! microphone, from when to when, how sure it is, and whether another microphone saves the line.
//!
//! The modules stand in the order in which the data flows:
//!
//! ```text
//! scan -> container -> take -> decode (once, in blocks)
//!      -> measure   numbers per track, streaming
//!      -> compare   numbers between tracks, streaming
//!      -> detect    numbers to findings, pure functions in one table
//!      -> judge     merge, severity, cover by another microphone, verdict
//!      -> report    JSON, page, pictures, tables
//! ```
//!
//! `dsp`, `measure`, `compare`, `detect` and `judge` do no input or output and cannot fail. Only `scan`, `container` and
//! `decode` open inputs, for reading only; only `report` and `cli` write, never below an input, besides the nameless file in
//! the report folder in which `aside` keeps measurements of a long take while it is worked on.

pub mod cli;
pub mod pipeline;

pub mod container;
pub mod decode;
pub mod scan;
pub mod take;

pub mod aside;

pub mod compare;
pub mod detect;
pub mod dsp;
pub mod judge;
pub mod measure;
pub mod report;

pub mod settings;
pub mod synth;
pub mod units;
