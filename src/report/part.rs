//! Part files: one share of a check, made on its own, to be joined with the others into what a single check writes.
//!
//! A part holds each of its takes as it is before the day is judged, and what was found besides takes. Everything that holds
//! between takes is worked out when all parts are there, by the same code as in a single check: that makes both alike to the
//! byte. Parts that do not belong together are refused.

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use twox_hash::XxHash3_128;

use super::kept::Kept;
use super::run::Run;
use crate::pipeline::{self, Beside, Done, Found};
use crate::settings::Settings;
use crate::take::Take;

/// What a part file calls itself.
pub const SCHEMA: &str = "takeproof-part/1";

/// Part K of N, counted from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Share {
    /// Which one.
    pub number: usize,
    /// Of how many.
    pub of: usize,
}

impl FromStr for Share {
    type Err = String;

    /// `2/3`.
    fn from_str(text: &str) -> Result<Share, String> {
        let whole = |text: &str| text.trim().parse().map(NonZeroUsize::get).ok();
        let (number, of) = text
            .split_once('/')
            .and_then(|(k, n)| Some((whole(k)?, whole(n)?)))
            .ok_or("write K/N, for example 2/3")?;
        if number > of {
            return Err(format!("there is no part {number} of {of}"));
        }
        Ok(Share { number, of })
    }
}

impl std::fmt::Display for Share {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "part {} of {}", self.number, self.of)
    }
}

impl Share {
    /// Name of the part file.
    pub fn file_name(&self) -> String {
        format!("part-{}-of-{}.json", self.number, self.of)
    }

    /// This part's takes with their positions. The largest take goes first to whichever part has least to read, so that all
    /// parts take about as long; the same input is always shared out alike.
    pub fn takes(&self, takes: Vec<Take>) -> Vec<(usize, Take)> {
        let sizes: Vec<u64> = takes.iter().map(pipeline::bytes).collect();
        let mut order: Vec<usize> = (0..takes.len()).collect();
        order.sort_by_key(|&at| (Reverse(sizes[at]), at));
        let mut loads = vec![0u64; self.of];
        let mut owner = vec![0; takes.len()];
        for at in order {
            let least = (0..self.of).min_by_key(|&part| (loads[part], part));
            owner[at] = least.unwrap_or(0);
            // Opening a take costs something, too.
            loads[owner[at]] += sizes[at].max(1);
        }
        let numbered = takes.into_iter().enumerate();
        numbered
            .filter(|(at, _)| owner[*at] + 1 == self.number)
            .collect()
    }
}

/// One share of a check.
#[derive(Debug, Serialize, Deserialize)]
pub struct Part {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Version of the program.
    pub version: String,
    /// Which share.
    pub share: Share,
    /// What was looked at: alike in all parts of one check.
    pub input: Input,
    /// Thresholds and roles in force.
    pub settings: Settings,
    /// Whether drawing data is there.
    pub drawn: bool,
    /// How it was made.
    pub run: Run,
    /// What was found besides takes.
    pub beside: Beside,
    /// Its takes.
    pub done: Vec<Done<Kept>>,
}

/// What was looked at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Input {
    /// Folders and files as given, from the root on; other machines may see them elsewhere.
    pub inputs: Vec<String>,
    /// Takes in all.
    pub takes: usize,
    /// Hash of names and sizes of everything found.
    pub xxh128: String,
}

impl Input {
    /// What was found below `inputs`.
    pub fn new(inputs: &[PathBuf], found: &Found) -> Input {
        let names: Vec<Vec<(&str, u64)>> = found
            .takes
            .iter()
            .map(|t| {
                let files = t.files.iter();
                files
                    .map(|f| (f.name.as_str(), f.opened.header.bytes))
                    .collect()
            })
            .collect();
        let text = format!("{names:?}{:?}", found.beside);
        Input {
            inputs: inputs
                .iter()
                .map(|i| std::path::absolute(i).unwrap_or_else(|_| i.clone()))
                .map(|i| i.to_string_lossy().into_owned())
                .collect(),
            takes: found.takes.len(),
            xxh128: format!("{:032x}", XxHash3_128::oneshot(text.as_bytes())),
        }
    }
}

/// All parts of one check.
#[derive(Debug)]
pub struct Joined {
    /// Folders and files that were checked: nothing may be written below them.
    pub inputs: Vec<String>,
    /// Thresholds and roles in force.
    pub settings: Settings,
    /// Whether all drawing data is there.
    pub drawn: bool,
    /// How the parts were made, in their order.
    pub runs: Vec<Run>,
    /// What was found besides takes.
    pub beside: Beside,
    /// All takes in the order of their positions.
    pub done: Vec<Done<Kept>>,
}

/// The part in a file's text.
///
/// Errors: what is wrong with it, in words that follow the file's name.
pub fn read(text: &[u8]) -> Result<Part, String> {
    #[derive(Deserialize)]
    struct Head {
        schema: String,
        version: String,
    }
    let head: Head =
        serde_json::from_slice(text).map_err(|e| format!("is no whole part file ({e})"))?;
    let version = env!("CARGO_PKG_VERSION");
    if head.schema != SCHEMA {
        return Err(format!("is a {}, not a {SCHEMA}", head.schema));
    }
    if head.version != version {
        return Err(format!(
            "was made by version {}; this is {version}: make all parts and join them with one version",
            head.version
        ));
    }
    serde_json::from_slice(text).map_err(|e| format!("is no whole part file ({e})"))
}

/// Join the parts of one check, each with the name of its file; in any order.
///
/// Errors: one line for every reason why they are not all the parts of one check.
pub fn join(parts: Vec<(String, Part)>) -> Result<Joined, Vec<String>> {
    let mut parts = parts;
    parts.sort_by_key(|(_, p)| p.share.number);
    let Some((first_name, first)) = parts.first() else {
        return Err(vec!["there is no part to join".into()]);
    };
    let mut wrong = Vec::new();
    let of = first.share.of;
    for (name, part) in &parts[1..] {
        let mut differs = |what: &str| wrong.push(format!("{name}: {what} as {first_name}"));
        if part.share.of != of {
            differs("is not from a check in as many parts");
        } else if part.input.xxh128 != first.input.xxh128 {
            differs("did not see the same files");
        } else if part.settings != first.settings {
            differs("was not made with the same settings and roles");
        }
    }
    for number in 1..=of {
        let named = |p: &&(String, Part)| p.1.share.of == of && p.1.share.number == number;
        let names: Vec<&str> = parts
            .iter()
            .filter(named)
            .map(|(name, _)| name.as_str())
            .collect();
        match names[..] {
            [] => wrong.push(format!("{} is missing", Share { number, of })),
            [_] => {}
            _ => wrong.push(format!(
                "{} is there {} times: {}",
                Share { number, of },
                names.len(),
                names.join(", ")
            )),
        }
    }
    if !wrong.is_empty() {
        return Err(wrong);
    }
    let (takes, settings) = (first.input.takes, first.settings.clone());
    let beside = first.beside.clone();
    let drawn = parts.iter().all(|(_, p)| p.drawn);
    let mut by_position: BTreeMap<usize, Done<Kept>> = BTreeMap::new();
    let mut runs = Vec::new();
    let (mut inputs, mut count) = (Vec::new(), 0);
    for (_, part) in parts {
        inputs.extend(part.input.inputs);
        count += part.done.len();
        runs.push(part.run);
        by_position.extend(part.done.into_iter().map(|d| (d.position, d)));
    }
    inputs.sort();
    inputs.dedup();
    if count != takes || by_position.len() != count {
        return Err(vec![format!(
            "the parts hold {} of {} takes: a part file was changed",
            by_position.len(),
            takes
        )]);
    }
    Ok(Joined {
        inputs,
        settings,
        drawn,
        runs,
        beside,
        done: by_position.into_values().collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::labels::tests::invented;

    fn part(number: usize, of: usize, takes: usize) -> (String, Part) {
        let part = Part {
            schema: SCHEMA.into(),
            version: env!("CARGO_PKG_VERSION").into(),
            share: Share { number, of },
            input: Input {
                inputs: vec![],
                takes,
                xxh128: takes.to_string(),
            },
            settings: Settings::default(),
            drawn: true,
            run: Run::new(
                std::time::SystemTime::UNIX_EPOCH,
                std::time::Duration::ZERO,
                1,
                0,
                0.0,
                0,
            ),
            beside: Beside {
                unreadable: vec![],
                other: vec![],
                lists: vec![],
                here: vec![],
            },
            done: (0..takes)
                .filter(|at| at % of + 1 == number)
                .map(|position| Done {
                    position,
                    outcome: Err(vec![]),
                })
                .collect(),
        };
        (format!("p{number}"), part)
    }

    #[test]
    fn shares_are_written_as_k_of_n() {
        assert_eq!("2/3".parse(), Ok(Share { number: 2, of: 3 }));
        for wrong in ["", "2", "0/3", "4/3", "1/0", "a/b", "-1/3", "1/2/3"] {
            assert!(wrong.parse::<Share>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn every_take_falls_in_exactly_one_part_and_the_parts_weigh_alike() {
        let takes: Vec<Take> = (0..41u64)
            .map(|n| {
                invented(&format!("{n}.wav"), |h| {
                    h.bytes = 1000 + n * n % 17 * 400;
                })
            })
            .collect();
        for of in [1, 2, 3, 7, 50] {
            let mut seen = vec![0; takes.len()];
            let mut loads = Vec::new();
            for number in 1..=of {
                let mine = Share { number, of }.takes(takes.clone());
                loads.push(mine.iter().map(|(_, t)| pipeline::bytes(t)).sum::<u64>());
                for (at, take) in mine {
                    assert_eq!(take.files[0].name, takes[at].files[0].name);
                    seen[at] += 1;
                }
            }
            assert!(seen.iter().all(|&n| n == 1), "{of}: {seen:?}");
            let largest = takes.iter().map(pipeline::bytes).max().unwrap();
            let spread = loads.iter().max().unwrap() - loads.iter().min().unwrap();
            assert!(spread <= largest, "{of}: {loads:?}");
        }
        assert!(Share { number: 2, of: 3 }.takes(vec![]).is_empty());
    }

    #[test]
    fn parts_in_any_order_become_whole() {
        let joined = join(vec![part(3, 3, 8), part(1, 3, 8), part(2, 3, 8)]).unwrap();
        let order: Vec<usize> = joined.done.iter().map(|d| d.position).collect();
        assert_eq!(order, (0..8).collect::<Vec<_>>());
    }

    #[test]
    fn what_does_not_belong_together_is_refused_with_every_reason() {
        let reasons = |parts| join(parts).unwrap_err().join("\n");
        assert_eq!(reasons(vec![]), "there is no part to join");
        assert_eq!(
            reasons(vec![part(1, 3, 4), part(1, 3, 4)]),
            "part 1 of 3 is there 2 times: p1, p1\npart 2 of 3 is missing\npart 3 of 3 is missing"
        );
        assert!(reasons(vec![part(1, 2, 4), part(2, 3, 4)]).contains("in as many parts as p1"));
        assert!(reasons(vec![part(1, 2, 4), part(2, 2, 5)]).contains("the same files as p1"));
        let mut other = part(2, 2, 4);
        other.1.settings.set("rumble.none", 1.0);
        assert!(
            join(vec![part(1, 2, 4), other]).is_ok(),
            "only what counts is compared"
        );
        let mut other = part(2, 2, 4);
        other.1.settings.load_roles("1=boom").unwrap();
        assert!(reasons(vec![part(1, 2, 4), other]).contains("settings and roles as p1"));
        let mut short = part(2, 2, 4);
        short.1.done.pop();
        assert!(reasons(vec![part(1, 2, 4), short]).contains("3 of 4 takes"));
    }

    #[test]
    fn other_files_and_other_versions_are_told() {
        let text = serde_json::to_string(&part(1, 1, 2).1).unwrap();
        assert!(read(text.as_bytes()).is_ok());
        let told = |text: &str| read(text.as_bytes()).unwrap_err();
        assert!(told(&text[..text.len() / 2]).contains("no whole part file"));
        assert!(told("").contains("no whole part file"));
        assert!(told(&text.replace(SCHEMA, "takeproof-part/9")).contains("takeproof-part/9"));
        let version = format!("\"version\":\"{}\"", env!("CARGO_PKG_VERSION"));
        let older = text.replacen(&version, "\"version\":\"0.0.1\"", 1);
        assert!(told(&older).contains("made by version 0.0.1"));
    }
}
