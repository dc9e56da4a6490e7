//! Lists of what was recorded: tables beside the takes that name files. What a list names and no folder holds is missing.
//!
//! Any comma-, semicolon- or tab-separated table is read whose cells name audio files; what the other columns say is not used.

use std::collections::BTreeSet;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::AUDIO;

/// A table that names audio files.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct List {
    /// Name for the report.
    pub name: String,
    /// Names of files as the table has them, without folders, each once, sorted.
    pub files: Vec<String>,
}

/// Extensions of tables.
pub(super) const TABLES: [&str; 3] = ["csv", "tsv", "txt"];
/// A list of a day has a few hundred rows; what is larger is something else, bytes.
pub(super) const LARGEST: u64 = 4 << 20;

/// The list in a file; `None` for what cannot be read or names no audio file. Bytes that are no UTF-8
/// become replacement characters: such a name matches nothing here.
pub(super) fn read(path: &Path, name: &str) -> Option<List> {
    let bytes = std::fs::read(path).ok()?;
    let files = named(&String::from_utf8_lossy(&bytes));
    (!files.is_empty()).then(|| List {
        name: name.to_owned(),
        files,
    })
}

/// File names in the cells of a table.
fn named(text: &str) -> Vec<String> {
    let count = |c: char| text.matches(c).count();
    let delimiter = [',', ';', '\t']
        .into_iter()
        .max_by_key(|&c| count(c))
        .unwrap_or(',');
    let mut table = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter as u8)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let cells = table
        .records()
        .filter_map(Result::ok)
        .flat_map(|row| row.iter().map(str::to_owned).collect::<Vec<_>>());
    let names: BTreeSet<String> = cells
        .filter_map(|cell| {
            let own = cell.rsplit(['/', '\\']).next()?.to_owned();
            let (stem, extension) = own.rsplit_once('.')?;
            let audio = AUDIO.contains(&extension.to_lowercase().as_str());
            (audio && !stem.is_empty() && !own.contains(char::is_control)).then_some(own)
        })
        .collect();
    names.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_in_tables_of_every_kind() {
        let comma = "File Name,Scene\n\"27B-1.wav\",27B\nA/27B-2.WAV,27B\n27B-1.wav,again\n";
        assert_eq!(named(comma), ["27B-1.wav", "27B-2.WAV"]);
        assert_eq!(
            named("Scene;File\n1;1-1.wav, wind\n1; 1-2.wav \n"),
            ["1-2.wav"]
        );
        assert_eq!(named("27B\t27B-1.flac\t10:00:00:00\n"), ["27B-1.flac"]);
        assert!(named("a letter, with commas, and report.csv\n").is_empty());
        assert!(named("").is_empty());
        assert!(named("\"open,1.wav\n.wav").is_empty());
    }
}
