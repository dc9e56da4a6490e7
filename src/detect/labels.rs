//! What detectors of files and labels share: names of takes for sentences, majorities of a day, days as numbers.

use super::{DayView, Finding};
use crate::container::{Bext, Header};
use crate::report::model::{Origin, Severity};
use crate::take::{Take, slate};

/// Longest text from metadata that goes into a sentence, characters.
const MAX_SHOWN: usize = 24;

/// A text from metadata for a sentence: without control characters, cut where it is long.
pub fn shown(text: &str) -> String {
    let clean: String = text
        .trim()
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if clean.chars().count() <= MAX_SHOWN {
        return clean;
    }
    let head: String = clean.chars().take(MAX_SHOWN - 1).collect();
    format!("{head}…")
}

/// `27B take 3`, else the file's name.
pub fn take_name(take: &Take) -> String {
    match (&take.scene, &take.number) {
        (Some(scene), Some(number)) => format!("{} take {}", shown(scene), shown(number)),
        _ => shown(take.files.first().map_or("", |f| slate::stem(&f.name))),
    }
}

/// Header of the first file.
pub fn header(take: &Take) -> Option<&Header> {
    take.files.first().map(|f| &f.opened.header)
}

/// Broadcast extension of the first file.
pub fn bext(take: &Take) -> Option<&Bext> {
    header(take).and_then(|h| h.bext.as_ref())
}

/// A finding about files and labels of one take: no tracks, from its first sample to its last.
pub fn of_take(kind: &'static str, take: &Take, code: &str) -> Finding {
    Finding::new(kind, Vec::new(), 0, take.samples)
        .severity(Severity::Caution)
        .confidence(0.98)
        .origin(Origin::File)
        .fact("code", code)
}

/// A finding of the day about some takes (positions in the view).
pub fn of_day(kind: &'static str, view: &DayView<'_>, takes: &[usize], code: &str) -> Finding {
    let mut finding = Finding::new(kind, Vec::new(), 0, 0)
        .severity(Severity::Caution)
        .confidence(0.98)
        .origin(Origin::File)
        .fact("code", code);
    finding.takes = takes.iter().map(|&i| view.ids[i].clone()).collect();
    finding.files = takes
        .iter()
        .flat_map(|&i| view.takes[i].files.iter().map(|f| f.name.clone()))
        .collect();
    finding
}

/// The value that most of the day has, if at least `share` of at least three takes have it; and the positions of the takes
/// that have another one. Takes without a value do not count.
pub fn majority<T: Ord + Clone>(
    values: impl Iterator<Item = Option<T>>,
    share: f64,
) -> Option<(T, Vec<(usize, T)>)> {
    let known: Vec<(usize, T)> = values
        .enumerate()
        .filter_map(|(i, v)| v.map(|v| (i, v)))
        .collect();
    let mut sorted: Vec<&T> = known.iter().map(|(_, v)| v).collect();
    sorted.sort();
    let most = sorted
        .chunk_by(|a, b| a == b)
        .max_by_key(|run| run.len())
        .filter(|run| run.len() >= 3 && run.len() as f64 >= share * known.len() as f64)
        .map(|run| run[0].clone())?;
    let others = known.into_iter().filter(|(_, v)| *v != most).collect();
    Some((most, others))
}

/// Days since a fixed day of a date `yyyy-mm-dd` (any separator); `None` for what is no date.
pub fn day_number(date: &str) -> Option<i64> {
    let parts: Vec<i64> = date
        .split(|c: char| !c.is_ascii_digit())
        .map(|p| p.parse().ok())
        .collect::<Option<_>>()?;
    let &[year, month, day] = parts.as_slice() else {
        return None;
    };
    if !(1970..=9999).contains(&year) || !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    // Days of the civil calendar, counted from March so that the leap day comes last.
    let (y, m) = if month > 2 {
        (year, month - 3)
    } else {
        (year - 1, month + 9)
    };
    Some(365 * y + y / 4 - y / 100 + y / 400 + (153 * m + 2) / 5 + day)
}

/// Day on which a take was begun, from the bext chunk.
pub fn date_of(take: &Take) -> Option<i64> {
    bext(take).and_then(|b| day_number(&b.origination_date))
}

/// `1 take`, `3 takes`.
pub fn counted(n: usize, one: &str) -> String {
    if n == 1 {
        format!("1 {one}")
    } else {
        format!("{n} {one}s")
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use std::path::PathBuf;

    use super::*;
    use crate::container::{Container, Encoding, Ixml, Opened, Pcm};
    use crate::report::model::{Hash, SampleFormat};
    use crate::settings::Settings;
    use crate::take::assemble::assemble;

    /// A take of one invented mono file; `change` sees the header before it is joined.
    pub(crate) fn invented(name: &str, change: impl FnOnce(&mut Header)) -> Take {
        let mut header = Header {
            container: Container::Wave,
            channels: 1,
            rate: 48_000,
            bits: 24,
            sample_bytes: 3,
            format: SampleFormat::Int,
            encoding: Encoding::Pcm(Pcm::default()),
            frames: 480_000,
            data_offset: 44,
            bytes: 1_440_044,
            chunks: Vec::new(),
            bext: Some(Bext {
                originator: "recorder".into(),
                origination_date: "2031-04-17".into(),
                time_reference: 1_728_000_000,
                ..Bext::default()
            }),
            ixml: Some(Ixml {
                scene: Some("27B".into()),
                take: Some("3".into()),
                tape: Some("R1".into()),
                project: Some("Example".into()),
                timecode_rate: Some("25".into()),
                ..Ixml::default()
            }),
        };
        change(&mut header);
        let opened = Opened {
            path: PathBuf::from("/card").join(name),
            header,
            problems: Vec::new(),
        };
        let mut take = assemble(vec![(opened, name.to_owned())], &Settings::default()).remove(0);
        take.files[0].audio_hash = Some(Hash {
            xxh128: format!("{name:0>32}"),
        });
        take
    }

    /// Run a detector of the day on takes.
    pub(crate) fn day(run: fn(&DayView<'_>) -> Vec<Finding>, takes: &[Take]) -> Vec<Finding> {
        let ids: Vec<String> = (0..takes.len()).map(|i| format!("id{i}")).collect();
        run(&DayView {
            takes,
            ids: &ids,
            lists: &[],
            here: &[],
            settings: &Settings::default(),
        })
    }

    /// Codes of findings.
    pub(crate) fn codes(findings: &[Finding]) -> Vec<&str> {
        findings
            .iter()
            .map(|f| f.evidence["code"].as_str().unwrap())
            .collect()
    }

    #[test]
    fn days_follow_each_other() {
        let day = |d| day_number(d).unwrap();
        assert_eq!(day("2031-05-01") - day("2031-04-30"), 1);
        assert_eq!(day("2032-03-01") - day("2032-02-28"), 2);
        assert_eq!(day("2032-01-01") - day("2031-12-31"), 1);
        assert_eq!(day_number("2031:04:17"), day_number("2031-04-17"));
        for text in ["", "0000-00-00", "17.4.", "now"] {
            assert_eq!(day_number(text), None, "{text}");
        }
    }

    #[test]
    fn majorities_need_three_and_a_share() {
        let of = |v: &[i32]| majority(v.iter().map(|&x| (x > 0).then_some(x)), 0.6);
        assert_eq!(of(&[1, 1, 1, 2, 0]), Some((1, vec![(3, 2)])));
        assert_eq!(of(&[1, 1, 2]), None);
        assert_eq!(of(&[1, 1, 1, 2, 2, 2]), None);
    }
}
