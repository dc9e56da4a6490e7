//! `takeproof completions`: completions for a shell, generated from the arguments themselves.

use clap::CommandFactory;
use clap_complete::Shell;

use super::exit::Status;
use super::results;

#[derive(Debug, clap::Args)]
pub(super) struct Completions {
    /// Which shell
    shell: Shell,
}

impl Completions {
    pub(super) fn run(self) -> Status {
        let mut out = Vec::new();
        let mut command = super::Arguments::command();
        clap_complete::generate(self.shell, &mut command, "takeproof", &mut out);
        results(&String::from_utf8_lossy(&out))
    }
}
