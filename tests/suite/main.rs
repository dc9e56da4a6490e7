//! Integration tests, one binary: modules by purpose.

mod browser;
mod cli;
mod corpus;
mod golden;
mod harness;
mod invariants;
mod invented;
mod page;
mod plots;
mod reference;
mod layouts;
mod plots;
mod robustness;
mod scenarios;
mod tidy;
