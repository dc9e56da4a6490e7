//! Commands: arguments in, exit status out.

use std::ffi::OsString;
use std::process::ExitCode;

/// Run the program with the given arguments (the first is its name).
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let _ = args;
    ExitCode::SUCCESS
}
