//! Faults that must be found, and near-misses that must stay silent.

mod near_misses;
