//! Commands: arguments in, exit status out.
//!
//! Results go to standard output and nothing else does; problems go to standard error, one line each. A pipe that is closed
//! early is no error.

use std::ffi::OsString;
use std::io::Write;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use exit::Status;

mod check;
mod completions;
mod demo;
pub mod exit;
mod explain;
mod licences;
mod merge;
mod outcome;
mod output;
mod progress;
mod rig;
mod settings;

#[derive(Debug, Parser)]
#[command(name = "takeproof", version, about, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Check every take of cards, folders or files and write a report
    Check(check::Check),
    /// Join the parts of a check that was made in parts (check --part) to one report
    Merge(merge::Merge),
    /// Listen to the first take of the day: a line per track, alive, dead, copy, reversed, late
    Rig(rig::Rig),
    /// Make a small invented shooting day with known faults and check it
    Demo(demo::Demo),
    /// Say what a kind of finding means, sounds like, and what to do
    Explain(explain::Explain),
    /// Print all settings as a file to edit
    Settings(settings::Settings),
    /// Print completions for a shell
    Completions(completions::Completions),
    /// Print the licences of takeproof and of everything inside it
    Licences(licences::Licences),
}

/// Run the program with the given arguments (the first is its name).
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    one_line_panics();
    let arguments = match Arguments::try_parse_from(args) {
        Ok(arguments) => arguments,
        Err(error) => {
            let _ = error.print();
            let status = if error.use_stderr() {
                Status::Usage
            } else {
                Status::Clear
            };
            return status.into();
        }
    };
    let status = match arguments.command {
        Command::Check(check) => check.run(),
        Command::Merge(merge) => merge.run(),
        Command::Rig(rig) => rig.run(),
        Command::Demo(demo) => demo.run(),
        Command::Explain(explain) => explain.run(),
        Command::Settings(settings) => settings.run(),
        Command::Completions(completions) => completions.run(),
        Command::Licences(licences) => licences.run(),
    };
    status.into()
}

/// A panic is our fault and says so in one line; the take concerned is listed, the rest of the day goes on.
fn one_line_panics() {
    if std::env::var_os("RUST_BACKTRACE").is_some() {
        return;
    }
    std::panic::set_hook(Box::new(|info| {
        let place = info
            .location()
            .map_or(String::new(), |l| format!(" at {}:{}", l.file(), l.line()));
        let what = crate::pipeline::panic_words(info.payload());
        problem(&format!("fault of takeproof{place}: {what}"));
    }));
}

/// One line about a problem on standard error.
fn problem(line: &str) {
    let line = crate::report::terminal::printable(line);
    let _ = writeln!(anstream::stderr().lock(), "takeproof: {line}");
}

/// Results to standard output. A closed pipe is no error; any other failure to write is.
fn results(text: &str) -> Status {
    let mut out = anstream::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Ok(()) => Status::Clear,
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Status::Clear,
        Err(error) => {
            problem(&format!("cannot write to standard output: {error}"));
            Status::Failed
        }
    }
}
