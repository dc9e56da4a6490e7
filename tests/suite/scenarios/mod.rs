//! Faults that must be found, and near-misses that must stay silent.

mod judge;
mod near_misses;
