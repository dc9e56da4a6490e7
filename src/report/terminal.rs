//! The list on the terminal: what cannot be read first, then worst first, one row per take, microphone and kind, then counts.
//!
//! Text may carry colour codes; whoever prints it strips them where they do not belong.

use std::fmt::Write;

use anstyle::{AnsiColor, Style};
use unicode_width::UnicodeWidthStr;

use super::model::{Finding, Report, Severity, Take, Verdict};

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

/// Width where the output is no terminal and `COLUMNS` says nothing.
const WIDTH: usize = 100;

/// Columns of the terminal: `COLUMNS`, else what the terminal says; never below 40.
pub fn width() -> usize {
    let told = std::env::var("COLUMNS").ok().and_then(|c| c.parse().ok());
    let seen = || terminal_size::terminal_size().map(|(w, _)| usize::from(w.0));
    told.or_else(seen).unwrap_or(WIDTH).clamp(40, 400)
}

/// `on a line`, `tell post`, `for the log`.
pub fn severity_words(severity: Severity) -> &'static str {
    match severity {
        Severity::Fault => "on a line",
        Severity::Caution => "tell post",
        Severity::Note => "for the log",
    }
}

/// `sure`, `likely`, `have a listen`.
pub fn confidence_words(confidence: f64) -> &'static str {
    if confidence >= 0.9 {
        "sure"
    } else if confidence >= 0.7 {
        "likely"
    } else {
        "have a listen"
    }
}

/// `27B take 3`, else the file's name.
pub fn take_name(take: &Take) -> String {
    match (&take.scene, &take.take) {
        (Some(scene), Some(number)) => format!("{scene} take {number}"),
        (Some(scene), None) => scene.clone(),
        _ => take.files.first().map_or(String::new(), |f| {
            f.path.rsplit('/').next().unwrap_or(&f.path).to_owned()
        }),
    }
}

/// One row: a take (or the day), a microphone, a kind.
struct Row {
    severity: Severity,
    no_clean_mic: bool,
    confidence: f64,
    text: String,
}

/// The whole list. `place` is where the report lies.
pub fn list(report: &Report, place: Option<&str>, layout: Layout) -> String {
    let mut out = String::new();
    opening(report, &mut out, layout);
    let missing: Vec<String> = report
        .unreadable
        .iter()
        .map(|u| format!("{}: {}", u.path, u.detail))
        .collect();
    for text in &missing {
        line(&mut out, "not read", RED, text, layout.width);
    }
    let rows = rows(report, layout);
    let shown = match (layout.detail, layout.reader) {
        (Detail::Everything, _) => rows.len(),
        (Detail::Normal, For::Set) => 4,
        (Detail::Normal, _) => ROWS,
    };
    for row in rows.iter().take(shown) {
        let style = match row.severity {
            Severity::Fault => RED,
            Severity::Caution => YELLOW,
            Severity::Note => DIM,
        };
        line(
            &mut out,
            severity_words(row.severity),
            style,
            &row.text,
            layout.width,
        );
    }
    if rows.len() > shown {
        let more = format!("and {} rows more in the report", rows.len() - shown);
        line(&mut out, "", DIM, &more, layout.width);
    }
    closing(report, place, &mut out, layout);
    out
}

const RED: Style = AnsiColor::Red.on_default().bold();
const YELLOW: Style = AnsiColor::Yellow.on_default();
const DIM: Style = Style::new().dimmed();

/// Columns of the severity words, gap included.
const MARGIN: usize = 13;

/// A hanging line: words in the margin, text wrapped beside them.
fn line(out: &mut String, margin: &str, style: Style, text: &str, width: usize) {
    let indent = " ".repeat(MARGIN);
    let options = textwrap::Options::new(width.saturating_sub(MARGIN).max(20));
    for (i, piece) in textwrap::wrap(text, options).iter().enumerate() {
        if i == 0 {
            let pad = MARGIN.saturating_sub(margin.width());
            let _ = writeln!(out, "{style}{margin}{style:#}{:pad$}{piece}", "");
        } else {
            let _ = writeln!(out, "{indent}{piece}");
        }
    }
}

fn opening(report: &Report, out: &mut String, layout: Layout) {
    let t = &report.day.totals;
    let read = match t.unreadable {
        0 => "all read".to_owned(),
        1 => "1 file not read".to_owned(),
        n => format!("{n} files not read"),
    };
    let text = format!(
        "{}, {}, {}, {:.1} track-hours: {read}.",
        count(t.takes, "take"),
        count(t.files, "file"),
        length(t.duration_s),
        t.track_hours,
    );
    paragraph(out, &text, layout.width);
}

fn closing(report: &Report, place: Option<&str>, out: &mut String, layout: Layout) {
    let t = &report.day.totals;
    let mut answer = Vec::new();
    for (n, words) in [
        (t.no_clean_mic, "without a clean microphone somewhere"),
        (t.other_mic, "with another microphone clean"),
        (t.nothing_found, "with nothing found on a line"),
    ] {
        if n > 0 {
            answer.push(format!("{} {words}", count(n, "take")));
        }
    }
    if t.faults + t.cautions == 0 && t.takes > 0 {
        answer = vec![format!(
            "Nothing found by {} tests on any take",
            crate::detect::DETECTORS.len()
        )];
    }
    if !answer.is_empty() {
        paragraph(out, &format!("{}.", answer.join(", ")), layout.width);
    }
    let counts = format!(
        "{} on a line, {} to tell post, {} for the log.",
        t.faults, t.cautions, t.notes
    );
    paragraph(out, &counts, layout.width);
    if let Some(place) = place {
        // A path is for copying: never broken over lines.
        let _ = writeln!(out, "Report: {place}");
    }
}

fn paragraph(out: &mut String, text: &str, width: usize) {
    let _ = writeln!(out, "{}", textwrap::fill(text, width));
}

fn rows(report: &Report, layout: Layout) -> Vec<Row> {
    let lowest = match layout.detail {
        Detail::Normal => Severity::Caution,
        Detail::Everything => Severity::Note,
    };
    let mut rows = Vec::new();
    for finding in report.day.findings.iter().filter(|f| f.severity >= lowest) {
        rows.push(Row {
            severity: finding.severity,
            no_clean_mic: false,
            confidence: finding.confidence,
            text: sentence(finding),
        });
    }
    for take in &report.takes {
        let mut groups: Vec<Vec<&Finding>> = Vec::new();
        for finding in take.findings.iter().filter(|f| f.severity >= lowest) {
            let same =
                |g: &&mut Vec<&Finding>| g[0].kind == finding.kind && g[0].tracks == finding.tracks;
            match groups.iter_mut().find(same) {
                Some(group) => group.push(finding),
                None => groups.push(vec![finding]),
            }
        }
        rows.extend(groups.iter().map(|g| take_row(take, g)));
    }
    rows.sort_by(|a, b| {
        (b.severity, b.no_clean_mic)
            .cmp(&(a.severity, a.no_clean_mic))
            .then(b.confidence.total_cmp(&a.confidence))
    });
    rows
}

/// One take, microphone and kind.
fn take_row(take: &Take, group: &[&Finding]) -> Row {
    let first = group[0];
    let worst = group
        .iter()
        .copied()
        .reduce(|a, b| {
            if (b.severity, b.confidence) > (a.severity, a.confidence) {
                b
            } else {
                a
            }
        })
        .unwrap_or(first);
    let at = |f: &Finding| {
        f.start_tc
            .clone()
            .unwrap_or_else(|| format!("{:.1} s", f.start_s.unwrap_or(0.0)))
    };
    let text = if group.len() == 1 {
        format!("{}, {}: {}", take_name(take), at(first), sentence(first))
    } else {
        format!(
            "{}: {} times, first {}, worst {}: {}",
            take_name(take),
            group.len(),
            at(first),
            at(worst),
            sentence(worst)
        )
    };
    Row {
        severity: worst.severity,
        no_clean_mic: take.verdict == Verdict::NoCleanMic,
        confidence: worst.confidence,
        text,
    }
}

fn sentence(f: &Finding) -> String {
    let mut text = f.message.trim().to_owned();
    if !text.ends_with(['.', '?', '!']) {
        text.push('.');
    }
    if !f.advice.is_empty() {
        text.push(' ');
        text.push_str(f.advice.trim());
    }
    if !text.ends_with(['.', '?', '!']) {
        text.push('.');
    }
    let _ = write!(text, " ({})", confidence_words(f.confidence));
    text
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
