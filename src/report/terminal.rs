//! The list on the terminal: what cannot be read first, then worst first, one row per take, microphone and kind, then counts.
//!
//! Text may carry colour codes; whoever prints it strips them where they do not belong.

use std::fmt::Write;

use anstyle::{AnsiColor, Style};
use textwrap::core::Word;
use unicode_width::UnicodeWidthStr;

use super::model::{Report, Severity};
use super::words;
pub use super::words::{confidence as confidence_words, severity as severity_words};
use crate::detect::{DETECTORS, Run};
use crate::judge::rank::{Rank, Row, rank};

/// Who reads the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum For {
    /// The set: at most five lines, no decibels
    Set,
    /// Post: completeness first, then takes without a clean microphone
    Post,
    /// The mixer: everything, remarks on the mix and the rig included
    #[default]
    Mixer,
}

/// How much is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Detail {
    /// The worst rows, then counts.
    #[default]
    Normal,
    /// Every row, notes too.
    Everything,
}

/// How the list is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layout {
    /// Columns.
    pub width: usize,
    /// Who reads it.
    pub reader: For,
    /// How much of it.
    pub detail: Detail,
}

/// Rows shown before the rest becomes a count.
const ROWS: usize = 10;

/// Rows for the set: with the first and the last line that makes five.
const SET_ROWS: usize = 3;

/// Width where the output is no terminal and `COLUMNS` says nothing.
const WIDTH: usize = 100;

/// Columns of the terminal: `COLUMNS`, else what the terminal says; never below 40.
pub fn width() -> usize {
    let told = std::env::var("COLUMNS").ok().and_then(|c| c.parse().ok());
    let seen = || terminal_size::terminal_size().map(|(w, _)| usize::from(w.0));
    told.or_else(seen).unwrap_or(WIDTH).clamp(40, 400)
}

/// The whole list. `place` is where the report lies.
pub fn list(report: &Report, place: Option<&str>, layout: Layout) -> String {
    let mut rows = rank(report);
    if layout.reader != For::Mixer {
        rows.retain(|r| !r.mix);
    }
    match layout.reader {
        For::Set => for_the_set(report, &rows, place, layout.width),
        For::Post | For::Mixer => in_full(report, rows, place, layout),
    }
}

const RED: Style = AnsiColor::Red.on_default().bold();
const YELLOW: Style = AnsiColor::Yellow.on_default();
const DIM: Style = Style::new().dimmed();

/// Columns of the severity words, gap included.
const MARGIN: usize = 14;

fn in_full(report: &Report, mut rows: Vec<Row>, place: Option<&str>, layout: Layout) -> String {
    let mut out = String::new();
    paragraph(&mut out, &opening(report), layout.width);
    if layout.reader == For::Post {
        rows.sort_by_key(post_order);
    }
    let shown = match layout.detail {
        Detail::Everything => rows.len(),
        Detail::Normal => ROWS,
    };
    for row in rows.iter().take(shown) {
        let (margin, style) = margin(row);
        line(&mut out, margin, style, &sentence(row), layout.width);
    }
    if rows.len() > shown {
        let more = format!(
            "and {} in the report",
            count((rows.len() - shown) as u64, "more row")
        );
        line(&mut out, "", DIM, &more, layout.width);
    }
    if layout.detail == Detail::Everything {
        notes(report, &mut out, layout);
    }
    closing(report, place, &mut out, layout);
    out
}

/// At most five lines, no decibels: what to ask for before the set is gone.
fn for_the_set(report: &Report, rows: &[Row], place: Option<&str>, width: usize) -> String {
    let asks: Vec<&Row> = rows
        .iter()
        .filter(|r| r.severity == Severity::Fault && r.rank < Rank::Caution)
        // The row about the take has said so already, without naming each microphone.
        .filter(|r| !(r.rank == Rank::Covered && told(rows, r)))
        .collect();
    let mut out = String::new();
    let takes = count(report.day.totals.takes, "take");
    let first = match (asks.len(), report.day.totals.unreadable) {
        (0, 0) => format!("{takes} heard: nothing to ask for again."),
        (0, n) => format!("{takes} heard, {} not read.", count(n, "file")),
        (n, _) => format!("{takes} heard, {} to look at:", count(n as u64, "thing")),
    };
    let _ = writeln!(out, "{}", fitted(&first, width));
    for row in asks.iter().take(SET_ROWS) {
        let mut text = format!("{}: {}.", row.place, row.what);
        for part in [&row.cover, &row.advice] {
            let fits = text.width() + part.width() + 2 <= width;
            if !part.is_empty() && fits && !part.contains("dB") {
                let _ = write!(text, " {part}.");
            }
        }
        let _ = writeln!(out, "{}", fitted(&text, width));
    }
    let rest = asks.len().saturating_sub(SET_ROWS);
    match (rest, place) {
        (0, Some(place)) => out.push_str(&format!("Report: {place}\n")),
        (0, None) => {}
        (n, Some(place)) => out.push_str(&format!("{n} more in the report: {place}\n")),
        (n, None) => out.push_str(&format!("{n} more in the report\n")),
    }
    out
}

/// Whether a row about a take without a clean microphone already speaks of the findings of this one.
fn told(rows: &[Row], row: &Row) -> bool {
    rows.iter()
        .filter(|r| r.rank < Rank::Covered && r.kind.is_empty())
        .any(|r| row.findings.iter().all(|id| r.findings.contains(id)))
}

/// Text from labels of files, safe for a terminal: what could steer it, break the line or turn the writing round is shown as a
/// replacement character.
pub fn printable(text: &str) -> String {
    replaced(text, |c| c.is_control() || turns(c))
}

/// The same without what turns the writing round: a label must not turn the sentence it stands in.
pub(super) fn straight(text: &str) -> String {
    replaced(text, turns)
}

fn turns(c: char) -> bool {
    ('\u{202a}'..='\u{202e}').contains(&c) || ('\u{2066}'..='\u{2069}').contains(&c)
}

fn replaced(text: &str, bad: impl Fn(char) -> bool) -> String {
    let one = |c| {
        if bad(c) {
            char::REPLACEMENT_CHARACTER
        } else {
            c
        }
    };
    text.chars().map(one).collect()
}

/// One line of a width; what is too long ends in an ellipsis.
pub(crate) fn fitted(text: &str, width: usize) -> String {
    let text = &printable(text);
    if text.width() <= width {
        return text.to_owned();
    }
    let mut out = String::new();
    for c in text.chars() {
        if out.width() + unicode_width::UnicodeWidthChar::width(c).unwrap_or(0) + 1 > width {
            break;
        }
        out.push(c);
    }
    out.push('…');
    out
}

/// Post reads completeness first, then takes without a clean microphone and without an alternate, slow faults, labels, the rest.
fn post_order(row: &Row) -> u8 {
    let files_and_labels = [
        "metadata_",
        "timecode_",
        "sample_rate",
        "frame_rate",
        "duplicate_take",
    ];
    match row.rank {
        Rank::Files => 0,
        Rank::NoAlternate => 1,
        Rank::Alternate => 2,
        Rank::Slow => 3,
        _ if files_and_labels.iter().any(|k| row.kind.starts_with(k)) => 4,
        Rank::Covered => 5,
        Rank::Caution => 6,
        Rank::Aside => 7,
    }
}

fn margin(row: &Row) -> (&'static str, Style) {
    let style = match (row.rank, row.severity) {
        (Rank::Files, _) | (_, Severity::Fault) => RED,
        (_, Severity::Caution) => YELLOW,
        (_, Severity::Note) => DIM,
    };
    (row.sign(), style)
}

/// The row as one would say it, with how sure it is.
fn sentence(row: &Row) -> String {
    let mut out = format!("{}: {}", row.place, row.what.trim_end_matches('.'));
    if row.rank != Rank::Files {
        let _ = write!(out, " ({})", confidence_words(row.confidence));
    }
    out.push('.');
    out.push_str(&row.what_next());
    out
}

/// A hanging line: words in the margin, text wrapped beside them.
fn line(out: &mut String, margin: &str, style: Style, text: &str, width: usize) {
    let indent = " ".repeat(MARGIN);
    let text = &printable(text);
    let pieces = textwrap::wrap(text, whole_words(width.saturating_sub(MARGIN).max(20)));
    for (i, piece) in pieces.iter().enumerate() {
        if i == 0 {
            let pad = MARGIN.saturating_sub(margin.width());
            let _ = writeln!(out, "{style}{margin}{style:#}{:pad$}{piece}", "");
        } else {
            let _ = writeln!(out, "{indent}{piece}");
        }
    }
}

fn opening(report: &Report) -> String {
    let t = &report.day.totals;
    let read = match t.unreadable {
        0 => "all read".to_owned(),
        n => format!("{} not read", count(n, "file")),
    };
    format!(
        "{}, {}, {}{}: {read}.",
        count(t.takes, "take"),
        count(t.files, "file"),
        length(t.duration_s),
        if t.track_hours < 1.0 {
            String::new()
        } else {
            format!(", {:.1} track-hours", t.track_hours)
        },
    )
}

/// What is only for the log: one row each.
fn notes(report: &Report, out: &mut String, layout: Layout) {
    let of_takes = report.takes.iter().flat_map(|take| {
        let place = crate::judge::rank::take_label(take);
        take.findings.iter().map(move |f| (place.clone(), f))
    });
    let of_day = report
        .day
        .findings
        .iter()
        .map(|f| ("The day".to_owned(), f));
    for (place, f) in of_takes.chain(of_day) {
        if f.severity == Severity::Note {
            let at = f
                .start_tc
                .as_ref()
                .map_or(String::new(), |tc| format!(", {tc}"));
            let text = format!("{place}{at}: {}", f.message);
            line(out, severity_words(f.severity), DIM, &text, layout.width);
        }
    }
}

fn closing(report: &Report, place: Option<&str>, out: &mut String, layout: Layout) {
    let Layout { width, detail, .. } = layout;
    let t = &report.day.totals;
    let mut answers = Vec::new();
    let broken = report.takes.iter().filter(|t| words::is_file_fault(t));
    let broken = broken.count() as u64;
    for (n, words) in [
        (
            t.no_clean_mic,
            "without a clean microphone somewhere on a line",
        ),
        (
            t.other_mic.saturating_sub(broken),
            "with a fault that another microphone covers",
        ),
        (broken, "with a file that is not whole"),
        (t.nothing_found, "with nothing found on a line"),
    ] {
        if n > 0 {
            answers.push(format!("{} {words}", count(n, "take")));
        }
    }
    if t.faults + t.cautions == 0 && t.takes > 0 {
        answers = vec![format!("Nothing found by {} tests on any take", tests())];
    }
    if !answers.is_empty() {
        paragraph(out, &format!("{}.", answers.join(", ")), width);
    }
    // Which tests could not run stands in the report; a good day has four lines.
    let missed = match detail {
        Detail::Everything => not_judged(report),
        Detail::Normal => String::new(),
    };
    let counts = format!(
        "{} on a line, {} to tell post, {} for the log.{missed}",
        t.faults, t.cautions, t.notes,
    );
    paragraph(out, &counts, width);
    if let Some(place) = place {
        // A path is for copying: never broken over lines.
        let _ = writeln!(out, "Report: {place}");
    }
}

/// How many tests a check runs.
pub fn tests() -> usize {
    let here = |d: &&&crate::detect::Detector| !matches!(d.run, Run::Elsewhere);
    DETECTORS.iter().filter(here).count()
}

/// ` Not judged: muffled on 3 takes.`
fn not_judged(report: &Report) -> String {
    let mut kinds: std::collections::BTreeMap<&str, u64> = std::collections::BTreeMap::new();
    for take in &report.takes {
        let mut here: Vec<&str> = take.not_judged.iter().map(|n| n.kind.as_str()).collect();
        here.sort_unstable();
        here.dedup();
        for kind in here {
            *kinds.entry(kind).or_insert(0) += 1;
        }
    }
    if kinds.is_empty() {
        return String::new();
    }
    let all: Vec<String> = kinds
        .iter()
        .map(|(kind, n)| format!("{kind} on {}", count(*n, "take")))
        .collect();
    format!(" Not judged: {}.", all.join(", "))
}

fn paragraph(out: &mut String, text: &str, width: usize) {
    let _ = writeln!(out, "{}", textwrap::fill(text, whole_words(width)));
}

/// Lines break between words, never at a hyphen: 'high-pass' is one word; so are a number and its unit.
pub fn whole_words(width: usize) -> textwrap::Options<'static> {
    textwrap::Options::new(width)
        .word_splitter(textwrap::WordSplitter::NoHyphenation)
        .word_separator(textwrap::WordSeparator::Custom(words_and_units))
}

/// Words of a line with the blanks behind them; `0.1 s` and `-52 dBFS` are one.
fn words_and_units(line: &str) -> Box<dyn Iterator<Item = Word<'_>> + '_> {
    let unit = |word: &str| {
        let plain = word.trim_end_matches([',', '.', ';', ':', ')']);
        let units = ["s", "ms", "min", "Hz", "kHz", "%"];
        units.contains(&plain) || plain.starts_with("dB") || plain.starts_with("LU")
    };
    let mut words: Vec<&str> = Vec::new();
    let mut at = 0;
    for word in textwrap::WordSeparator::AsciiSpace.find_words(line) {
        let end = at + word.word.len() + word.whitespace.len();
        match words.last_mut() {
            Some(last)
                if unit(word.word) && last.trim_end().ends_with(|c: char| c.is_ascii_digit()) =>
            {
                *last = &line[at - last.len()..end];
            }
            _ => words.push(&line[at..end]),
        }
        at = end;
    }
    Box::new(words.into_iter().map(Word::from))
}

/// `1 take`, `3 takes`.
pub fn count(n: u64, noun: &str) -> String {
    if n == 1 {
        format!("1 {noun}")
    } else {
        format!("{n} {noun}s")
    }
}

/// `48 s`, `12 min`, `3 h 05 min`.
pub fn length(seconds: f64) -> String {
    let minutes = (seconds / 60.0).round() as u64;
    if seconds < 90.0 {
        format!("{} s", seconds.round())
    } else if minutes < 60 {
        format!("{minutes} min")
    } else {
        format!("{} h {:02} min", minutes / 60, minutes % 60)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_cannot_steer_the_terminal() {
        assert_eq!(
            printable("27B\u{1b}[2J\r\n\u{202e}gp"),
            "27B\u{fffd}[2J\u{fffd}\u{fffd}\u{fffd}gp"
        );
        assert_eq!(printable("Zoë 林"), "Zoë 林");
    }

    #[test]
    fn numbers_stay_with_their_units() {
        let broken = textwrap::wrap(
            "clipped, worst 0.1 s (sure), -52 dBFS in all",
            whole_words(19),
        );
        assert_eq!(
            broken,
            ["clipped, worst", "0.1 s (sure),", "-52 dBFS in all"]
        );
        assert_eq!(
            textwrap::wrap("  s dB 1 2 s", whole_words(6)),
            ["  s dB", "1 2 s"]
        );
        assert_eq!(textwrap::wrap("", whole_words(6)), [""]);
    }

    #[test]
    fn a_line_for_the_set_never_breaks() {
        assert_eq!(fitted("short", 10), "short");
        assert_eq!(fitted("exactly ten", 11), "exactly ten");
        assert_eq!(fitted("a bit too long", 10), "a bit too…");
        assert!(fitted("林林林林林林", 5).width() <= 5);
    }

    #[test]
    fn lengths_as_one_says_them() {
        assert_eq!(length(0.0), "0 s");
        assert_eq!(length(89.6), "90 s");
        assert_eq!(length(754.0), "13 min");
        assert_eq!(length(11_100.0), "3 h 05 min");
        assert_eq!(length(3599.0), "1 h 00 min");
    }

    #[test]
    fn words_start_where_the_contract_says() {
        assert_eq!(confidence_words(0.9), "sure");
        assert_eq!(confidence_words(0.89), "likely");
        assert_eq!(confidence_words(0.7), "likely");
        assert_eq!(confidence_words(0.69), "have a listen");
    }
}
