//! The widest vector instructions of the processor at hand, chosen while running: one program for old and new machines.
//!
//! The compiler then puts more samples into one instruction; it neither reorders nor contracts anything, so that results are
//! the same to the last bit everywhere.

use pulp::{Arch, WithSimd};

/// Do some work with the widest vector instructions there are. What it calls has to be inlined into it to gain anything.
#[inline(always)]
pub fn widest<W: WithSimd>(work: W) -> W::Output {
    Arch::new().dispatch(work)
}
