//! Commands: arguments in, exit status out.

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

mod check;

#[derive(Debug, Parser)]
#[command(name = "takeproof", version, about)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Check every take of cards, folders or files and write a report
    Check(check::Check),
}

/// Run the program with the given arguments (the first is its name).
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments = match Arguments::try_parse_from(args) {
        Ok(arguments) => arguments,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { 2 } else { 0 });
        }
    };
    match arguments.command {
        Command::Check(check) => check.run(),
    }
}

/// Inputs as given.
#[derive(Debug, clap::Args)]
struct Inputs {
    /// Cards, folders or single files
    #[arg(required = true)]
    input: Vec<PathBuf>,
}
