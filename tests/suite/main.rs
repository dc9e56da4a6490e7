//! Integration tests, one binary: modules by purpose.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test may panic and print"
)]

mod browser;
mod cli;
mod corpus;
mod golden;
mod harness;
mod invariants;
mod invented;
mod layouts;
mod ltc;
mod page;
mod parts;
mod plots;
mod reference;
mod robustness;
mod scenarios;
mod tidy;
