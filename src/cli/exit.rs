//! The five exit codes of the contract. Scripts rely on them; nothing else decides how the program ends.

use std::process::ExitCode;

use crate::report::model::{Report, Severity};

/// How a command ended, from best to worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Status {
    /// 0: nothing worse than a note, or a command that did its work.
    Clear,
    /// 1: findings of the severity asked for.
    Findings,
    /// 2: wrong usage.
    Usage,
    /// 3: something is missing, unreadable or differs from its copy; the rest was done.
    Incomplete,
    /// 4: nothing could be analysed, or the output could not be written.
    Failed,
}

impl Status {
    /// The number the operating system gets.
    pub fn code(self) -> u8 {
        match self {
            Status::Clear => 0,
            Status::Findings => 1,
            Status::Usage => 2,
            Status::Incomplete => 3,
            Status::Failed => 4,
        }
    }
}

impl From<Status> for ExitCode {
    fn from(status: Status) -> ExitCode {
        ExitCode::from(status.code())
    }
}

/// Kinds that say a file is not here or not as it was: they end a check with 3, like a file that cannot be read.
const INCOMPLETE: [&str; 2] = ["missing_file", "copy_mismatch"];

/// Status of a finished check; `fail_on` is the lowest severity that counts.
pub fn of_report(report: &Report, fail_on: Severity) -> Status {
    let findings = || {
        report
            .takes
            .iter()
            .flat_map(|t| &t.findings)
            .chain(&report.day.findings)
    };
    if report.takes.is_empty() {
        Status::Failed
    } else if !report.unreadable.is_empty()
        || findings().any(|f| INCOMPLETE.contains(&f.kind.as_str()))
    {
        Status::Incomplete
    } else if findings().any(|f| f.severity >= fail_on) {
        Status::Findings
    } else {
        Status::Clear
    }
}
