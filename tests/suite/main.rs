//! Integration tests, one binary: modules by purpose.

mod cli;
mod corpus;
mod golden;
mod harness;
mod invariants;
mod invented;
mod plots;
mod scenarios;
mod tidy;
