//! `takeproof licences`: takeproof's own licence, the recordings of the demo, and the crates it is built from.

use super::exit::Status;
use super::results;

/// Name, version, licence and source of every crate, kept current by the tidy test.
const CRATES: &str = include_str!("licences.txt");

/// Parts in the order in which they are printed: title and text.
const PARTS: [(&str, &str); 4] = [
    (
        "takeproof: MIT OR Apache-2.0, at your choice. The MIT licence",
        include_str!("../../LICENSE-MIT"),
    ),
    (
        "Recordings inside takeproof, for the demo",
        include_str!("../../testdata/README.md"),
    ),
    (
        "Crates inside takeproof; each licence text is in the crate's source",
        CRATES,
    ),
    ("Apache License 2.0", include_str!("../../LICENSE-APACHE")),
];

#[derive(Debug, clap::Args)]
pub(super) struct Licences {}

impl Licences {
    pub(super) fn run(self) -> Status {
        let text: Vec<String> = PARTS
            .iter()
            .map(|(title, text)| format!("{title}\n\n{}\n", text.trim_end()))
            .collect();
        results(&text.join("\n----\n\n"))
    }
}
