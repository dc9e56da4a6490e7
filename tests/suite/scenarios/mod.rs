//! Faults that must be found, and near-misses that must stay silent.

mod judge;
mod impulse;
mod near_misses;
mod stretch;
