//! Integration tests, one binary: modules by purpose.

mod corpus;
mod harness;
mod invariants;
mod invented;
mod plots;
mod scenarios;
