//! A report without the names of people, tracks and productions, for handing over where they are nobody's business.
//!
//! Names are replaced in everything that is written, sentences included; the same name always by the same word. Scene, take,
//! roll and times stay: without them nothing could be found again. Paths become numbers in their order.

use std::collections::BTreeMap;

use serde_json::Value;

use super::model::{Report, Role};

/// From this length on, sentences may carry a shortened name.
const LONG: usize = 16;

/// The report with words in place of names. `productions`: titles found in the files' labels, which sentences may repeat.
///
/// Errors: none that a report made by this program can have.
pub fn without_names(report: &Report, productions: &[String]) -> serde_json::Result<Report> {
    let mut report = report.clone();
    for take in &mut report.takes {
        take.note = None;
    }
    let words = words(&report, productions);
    let mut value = serde_json::to_value(&report)?;
    replace(&mut value, &words);
    serde_json::from_value(value)
}

/// What stands for what, longest first, so that a name within a longer one is not replaced first.
fn words(report: &Report, productions: &[String]) -> Vec<(String, String)> {
    let mut words: BTreeMap<String, String> = BTreeMap::new();
    let mut paths: Vec<&str> = report
        .takes
        .iter()
        .flat_map(|t| &t.files)
        .map(|f| f.path.as_str())
        .chain(report.unreadable.iter().map(|u| u.path.as_str()))
        .chain(report.other_files.iter().map(|o| o.path.as_str()))
        .collect();
    paths.sort_unstable();
    paths.dedup();
    for (n, path) in paths.iter().enumerate() {
        let name = path.rsplit('/').next().unwrap_or(path);
        let (stem, ending) = name.rsplit_once('.').unwrap_or((name, ""));
        let new = format!("file {:04}", n + 1);
        let with_ending = match ending {
            "" => new.clone(),
            ending => format!("{new}.{ending}"),
        };
        for (old, new) in [(*path, &with_ending), (name, &with_ending), (stem, &new)] {
            words.entry(old.to_owned()).or_insert_with(|| new.clone());
        }
    }
    for (n, title) in productions.iter().enumerate() {
        words.insert(title.clone(), format!("Production {}", n + 1));
    }
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for track in report.takes.iter().flat_map(|t| &t.tracks) {
        let role = match track.role {
            Role::Mix => "Mix",
            Role::Boom => "Boom",
            Role::Lav => "Lav",
            Role::Plant => "Plant",
            Role::Timecode => "Timecode",
            Role::Tone => "Tone",
            Role::Unused | Role::Unknown => "Track",
        };
        for name in [&track.name, &track.talker].into_iter().flatten() {
            let name = name.trim();
            if !name.is_empty() && !words.contains_key(name) {
                let count = counts.entry(role).or_insert(0);
                *count += 1;
                words.insert(name.to_owned(), format!("{role} {count}"));
            }
        }
    }
    words.remove("");
    let mut words: Vec<(String, String)> = words.into_iter().collect();
    words.sort_by_key(|(old, _)| std::cmp::Reverse(old.len()));
    words
}

fn replace(value: &mut Value, words: &[(String, String)]) {
    match value {
        Value::String(text) => *text = replaced(text, words),
        Value::Array(list) => list.iter_mut().for_each(|v| replace(v, words)),
        Value::Object(map) => {
            for (key, value) in map.iter_mut() {
                // Labels that stay, and words of the contract.
                const KEPT: [&str; 14] = [
                    "id",
                    "kind",
                    "schema",
                    "scene",
                    "setup",
                    "take",
                    "roll",
                    "severity",
                    "origin",
                    "role",
                    "container",
                    "xxh128",
                    "start_tc",
                    "end_tc",
                ];
                if KEPT.contains(&key.as_str()) {
                    continue;
                }
                if let ("room_tone_s", Value::Object(tracks)) = (key.as_str(), &mut *value) {
                    *tracks = std::mem::take(tracks)
                        .into_iter()
                        .map(|(name, seconds)| (replaced(&name, words), seconds))
                        .collect();
                }
                replace(value, words);
            }
        }
        _ => {}
    }
}

/// Text with every name that stands in it as a word of its own replaced. What was put in is not looked at again.
fn replaced(text: &str, words: &[(String, String)]) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    let mut before = None;
    if let Some((_, new)) = words.iter().find(|(old, _)| old == text) {
        return new.clone();
    }
    'text: while let Some(first) = rest.chars().next() {
        if !before.is_some_and(char::is_alphanumeric) {
            for (old, new) in words.iter().filter(|(old, _)| tells(old)) {
                if let Some(after) = after(rest, old) {
                    out.push_str(new);
                    before = new.chars().last();
                    rest = after;
                    continue 'text;
                }
            }
        }
        out.push(first);
        before = Some(first);
        rest = &rest[first.len_utf8()..];
    }
    out
}

/// Whether a name within a sentence can be told from the sentence's own words and numbers.
fn tells(name: &str) -> bool {
    name.chars().count() >= 3 && name.chars().any(char::is_alphabetic)
}

/// What follows a name at the start of a text; a long name may be cut off by an ellipsis.
fn after<'a>(text: &'a str, name: &str) -> Option<&'a str> {
    let word_ends = |rest: &&str| {
        let inside = name.chars().last().is_some_and(char::is_alphanumeric);
        !(inside && rest.chars().next().is_some_and(char::is_alphanumeric))
    };
    if let Some(rest) = text.strip_prefix(name).filter(word_ends) {
        return Some(rest);
    }
    let (end, ellipsis) = text.char_indices().find(|(_, c)| *c == '…')?;
    let cut = text[..end].trim_end();
    (cut.chars().count() >= LONG && name.starts_with(cut))
        .then(|| &text[end + ellipsis.len_utf8()..])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list() -> Vec<(String, String)> {
        [
            ("A very long name of a track", "Lav 3"),
            ("Ines 2", "Lav 2"),
            ("Ines", "Lav 1"),
            ("Boom", "Boom 1"),
        ]
        .map(|(a, b)| (a.to_owned(), b.to_owned()))
        .to_vec()
    }

    #[test]
    fn whole_words_once_and_the_longest_first() {
        let of = |text| replaced(text, &list());
        assert_eq!(of("Ines hit; use Ines 2."), "Lav 1 hit; use Lav 2.");
        assert_eq!(of("Inessa and XInes stay"), "Inessa and XInes stay");
        assert_eq!(of("Boom clean. Use Boom"), "Boom 1 clean. Use Boom 1");
        assert_eq!(of("A very long name of… hit"), "Lav 3 hit");
        assert_eq!(of(""), "");
    }
}
