//! `takeproof settings`: every threshold with default, unit, range and reason, as a TOML file to edit.

use super::exit::Status;
use super::results;

#[derive(Debug, clap::Args)]
pub(super) struct Settings {}

impl Settings {
    pub(super) fn run(self) -> Status {
        results(&crate::settings::Settings::default().to_toml())
    }
}
