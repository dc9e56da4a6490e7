//! The progress bar: on standard error, only on a terminal, only when the work is long.

use std::cmp::Reverse;
use std::sync::{Mutex, OnceLock};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};

use crate::judge::rank::{Rank, Row, rank};
use crate::pipeline::Watch;
use crate::report::terminal::{self, For, fitted};
use crate::report::{build, model};

/// Nothing is shown for work that is done within this time: a bar that flashes by tells nobody anything.
const QUIET_FOR: Duration = Duration::from_millis(1500);
/// Rows shown of what has been found so far.
const ROWS: usize = 5;
/// Before so much is done the time left is a guess and not told.
const TELLS_FROM: f64 = 0.05;

/// What of the work on a byte is done when it is measured, when its take is analysed, and when the take's pictures are drawn,
/// in hundredths of reading and analysing; as measured on a day of 120 takes of eight tracks.
const MEASURED: u64 = 90;
const ANALYSED: u64 = 10;
const DRAWN: u64 = 11;
/// What opening a take, setting up its meters and reporting it cost, as bytes of audio: a guess, and the time left stays
/// right within a fifth where it is half or twice of that.
const OPENING_BYTES: u64 = 300_000;
/// What a take costs beyond its bytes, in the same unit: as much as so many bytes of audio. The shortest takes come first, and
/// without this the first tenth of a card looks slower than the rest.
const EACH: u64 = OPENING_BYTES * (MEASURED + ANALYSED);

/// How far the work has come, and the worst of what has been found so far.
pub(super) struct Progress {
    hidden: bool,
    /// Pictures will be drawn.
    draws: bool,
    /// Who reads; `None` where nothing that was found is to be shown.
    reader: Option<For>,
    bar: OnceLock<ProgressBar>,
    rows: Mutex<Vec<Row>>,
}

impl Progress {
    /// `hidden`: nothing is shown at all.
    pub(super) fn new(hidden: bool, draws: bool, reader: Option<For>) -> Progress {
        Progress {
            hidden,
            draws,
            reader,
            bar: OnceLock::new(),
            rows: Mutex::default(),
        }
    }

    pub(super) fn end(&self) {
        if let Some(bar) = self.bar.get() {
            bar.finish_and_clear();
        }
    }

    /// Do something that writes to the terminal, with the bar out of the way.
    pub(super) fn aside(&self, work: impl FnOnce()) {
        match self.bar.get() {
            Some(bar) => bar.suspend(work),
            None => work(),
        }
    }

    /// The pictures of a take are drawn, whose files hold so many bytes.
    pub(super) fn drawn(&self, bytes: u64) {
        self.add(DRAWN * bytes);
    }

    /// A bar shows itself once the work has turned out to be long.
    fn add(&self, units: u64) {
        let Some(bar) = self.bar.get() else { return };
        // indicatif keeps silent by itself when standard error is no terminal.
        if !self.hidden && bar.is_hidden() && bar.elapsed() > QUIET_FOR {
            bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        bar.inc(units);
    }

    /// A take is analysed: its worst rows may be worth to be seen now.
    pub(super) fn found(&self, take: &model::Take) {
        let (Some(bar), Some(reader)) = (self.bar.get(), self.reader) else {
            return;
        };
        if self.hidden {
            return;
        }
        let Ok(mut rows) = self.rows.lock() else {
            return;
        };
        rows.extend(rank(&build::alone(take.clone())));
        keep_worst(&mut rows, reader);
        let text = so_far(&rows, terminal::width());
        if !text.is_empty() {
            bar.set_message(text);
        }
    }
}

/// Worst first, and no more than are shown; for the set only what one would ask for again.
fn keep_worst(rows: &mut Vec<Row>, reader: For) {
    rows.retain(|r| reader != For::Set || r.rank < Rank::Caution);
    rows.retain(|r| reader == For::Mixer || !r.mix);
    let sure = |r: &Row| (r.confidence * 100.0) as i64;
    rows.sort_by_key(|r| (r.rank, Reverse(sure(r))));
    rows.truncate(ROWS);
}

/// What stands below the bar.
fn so_far(rows: &[Row], width: usize) -> String {
    let lines = rows.iter().map(|r| {
        // The last column stays free: some terminals break the line there.
        let line = fitted(&format!("  {}: {}", r.place, r.what), width - 1);
        format!("\n{line}")
    });
    match rows {
        [] => String::new(),
        _ => format!("\nso far:{}", lines.collect::<String>()),
    }
}

/// Time left after a time in which a share of the work was done, in words; nothing while nobody can tell.
fn left(elapsed: Duration, done: f64) -> Option<String> {
    if done < TELLS_FROM {
        return None;
    }
    let seconds = elapsed.as_secs_f64() * (1.0 - done) / done;
    // In steps: a number that flickers says more than is known.
    let step: u32 = match seconds {
        ..20.0 => 1,
        ..300.0 => 5,
        _ => 60,
    };
    let seconds = ((seconds / f64::from(step)).round() as u64).max(1) * u64::from(step);
    Some(match (seconds / 60, seconds % 60) {
        (0, s) => format!("{s} s"),
        (m, 0) => format!("{m} min"),
        (m, s) => format!("{m} min {s} s"),
    })
}

impl Watch for Progress {
    fn begin(&self, takes: usize, bytes: u64) {
        let all = work(takes as u64, bytes, self.draws);
        let bar = ProgressBar::with_draw_target(Some(all), ProgressDrawTarget::hidden());
        let template = format!("{{bar:30}} {{percent}} % of {takes} takes{{left}}{{msg}}");
        if let Ok(style) = ProgressStyle::with_template(&template) {
            bar.set_style(style.progress_chars("=> ").with_key(
                "left",
                |state: &ProgressState, w: &mut dyn std::fmt::Write| {
                    if let Some(left) = left(state.elapsed(), f64::from(state.fraction())) {
                        let _ = write!(w, ", about {left} left");
                    }
                },
            ));
        }
        let _ = self.bar.set(bar);
    }

    fn measured(&self, bytes: u64) {
        self.add(MEASURED * bytes);
    }

    fn done(&self, bytes: u64) {
        self.add(ANALYSED * bytes + EACH);
    }
}

/// All work on so many takes that hold so many bytes.
fn work(takes: u64, bytes: u64, draws: bool) -> u64 {
    let drawn = if draws { DRAWN } else { 0 };
    (MEASURED + ANALYSED + drawn) * bytes + EACH * takes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_left_is_told_in_steps_and_only_once_it_can_be() {
        let of = |s, done| left(Duration::from_secs(s), done);
        assert_eq!(of(5, 0.02), None);
        assert_eq!(of(10, 0.1).as_deref(), Some("1 min 30 s"));
        assert_eq!(of(51, 0.5).as_deref(), Some("50 s"));
        assert_eq!(of(91, 0.91).as_deref(), Some("9 s"));
        assert_eq!(of(91, 1.0).as_deref(), Some("1 s"));
        assert_eq!(of(100, 0.1).as_deref(), Some("15 min"));
    }

    /// A card of short and long takes in the order in which they are worked on. What a byte and what a take cost are figures of
    /// their own: a slow and a fast processor, and half and twice of what a take is counted for.
    #[test]
    fn after_a_tenth_the_time_left_is_right_within_a_fifth() {
        let takes = |short: u64, long: u64| -> Vec<u64> {
            // 5 s and 10 min of eight tracks at 48 kHz and 24 bit.
            let short = (0..short).map(|k| 5_760_000 + 1000 * k);
            short
                .chain((0..long).map(|k| 691_200_000 - 1_000_000 * k))
                .collect()
        };
        let overhead_s = |bytes_per_s: f64| OPENING_BYTES as f64 / bytes_per_s;
        for bytes_per_s in [40e6, 300e6] {
            for (short, long) in [(40, 10), (200, 20), (2000, 1), (2000, 40), (0, 12)] {
                for factor in [0.5, 1.0, 2.0] {
                    let takes = takes(short, long);
                    let all = work(takes.len() as u64, takes.iter().sum(), false) as f64;
                    let cost_s =
                        |bytes: u64| factor * overhead_s(bytes_per_s) + bytes as f64 / bytes_per_s;
                    let whole_s: f64 = takes.iter().map(|&b| cost_s(b)).sum();
                    let (mut done, mut elapsed_s) = (0.0, 0.0);
                    // After the last one nothing is left.
                    for &bytes in &takes[..takes.len() - 1] {
                        done += work(1, bytes, false) as f64 / all;
                        elapsed_s += cost_s(bytes);
                        if done >= 0.1 {
                            let left_s = elapsed_s * (1.0 - done) / done;
                            let off = left_s / (whole_s - elapsed_s) - 1.0;
                            assert!(off.abs() < 0.2, "{short} {long} {factor} {off}");
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn the_worst_so_far_in_few_lines_that_fit() {
        let row = |rank, confidence, place: &str, mix| Row {
            rank,
            takes: vec![0],
            tracks: vec![1],
            kind: "rf_hit".into(),
            severity: model::Severity::Fault,
            confidence,
            findings: vec![],
            start_s: None,
            length_s: None,
            events: 1,
            circled: false,
            mix,
            place: place.into(),
            what: "LAV 1 hit on a line, 0.4 s".into(),
            cover: String::new(),
            advice: String::new(),
        };
        let mut rows: Vec<Row> = (0..8)
            .map(|n| row(Rank::Covered, 0.5 + f64::from(n) / 20.0, "4A take 1", false))
            .collect();
        rows.push(row(Rank::NoAlternate, 0.5, "27B take 3", false));
        rows.push(row(Rank::NoAlternate, 0.9, "the mix", true));
        rows.push(row(Rank::Caution, 0.9, "a caution", false));
        let mut all = rows[8..].to_vec();
        keep_worst(&mut all, For::Mixer);
        let places: Vec<&str> = all.iter().map(|r| r.place.as_str()).collect();
        assert_eq!(places, ["the mix", "27B take 3", "a caution"]);
        keep_worst(&mut rows, For::Set);
        assert_eq!(rows.len(), ROWS);
        let text = so_far(&rows, 30);
        assert!(
            text.starts_with("\nso far:\n  27B take 3: LAV 1 hit"),
            "{text}"
        );
        assert!(!text.contains("mix") && !text.contains("caution"));
        assert!(text.lines().all(|l| l.chars().count() < 30), "{text}");
        assert_eq!(so_far(&[], 80), "");
    }
}
