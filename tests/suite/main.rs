//! Integration tests, one binary: modules by purpose.

mod browser;
mod cli;
mod corpus;
mod golden;
mod harness;
mod invariants;
mod invented;
mod layouts;
mod page;
mod plots;
mod plots;
mod reference;
mod robustness;
mod scenarios;
mod tidy;
