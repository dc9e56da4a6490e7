//! Faults that must be found, and near-misses that must stay silent.

mod files;
mod impulse;
mod judge;
mod level;
mod near_misses;
mod pairs;
mod stretch;
