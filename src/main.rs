//! The command: reads the arguments, calls the library, turns the outcome into the exit status.

use std::process::ExitCode;

fn main() -> ExitCode {
    takeproof::cli::run(std::env::args_os())
}
