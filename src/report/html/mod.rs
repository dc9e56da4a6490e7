//! `report.html`: one page that holds everything it shows. It opens from a disk without a network, draws a take only when
//! somebody opens it, and can be made again from the report and the drawing data.
//!
//! The list of the first screen is written into the page as text; everything heavier lies in it as data. Each take's data is
//! one compressed block, unpacked when the take is opened, so that a day of hundreds of takes opens at once.

use std::io::Write;

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, Value, context};
use serde::Serialize;
use serde_json::json;

use super::clips::Clip;
use super::drawing::{Bytes, TakeDrawing, base64};
use super::model::{Finding, Report, Severity, Take, TakeType};
use super::terminal::{For, straight};
use super::{clock, words};
use crate::detect::DETECTORS;
use crate::judge::rank::{self, Rank, Row};

mod say;

/// The page could not be made.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// The template does not fit its values.
    #[error("the page's template: {0}")]
    Template(#[from] minijinja::Error),
    /// A value could not be written as JSON.
    #[error("the page's data: {0}")]
    Data(#[from] serde_json::Error),
    /// Compression failed.
    #[error("the page's data: {0}")]
    Packing(#[from] std::io::Error),
}

/// Rows of the first screen.
const FIRST_ROWS: usize = 10;
/// Rows on the set.
const SET_ROWS: usize = 5;

/// The page. `drawings` stand in the order of the report's takes; a take without one is shown without envelopes.
pub fn page(
    report: &Report,
    drawings: &[TakeDrawing],
    reader: For,
    clips: &[Clip],
) -> Result<String, PageError> {
    let rows: Vec<Row> = rank::rank(report)
        .into_iter()
        .filter(|row| reader == For::Mixer || !row.mix)
        .collect();
    let shown: Vec<RowOnPage> = rows
        .iter()
        .enumerate()
        .map(|(n, row)| RowOnPage::new(n, row, report, reader))
        .collect();
    let first = shown
        .iter()
        .filter(|row| reader != For::Set || row.rank != "caution")
        .take(if reader == For::Set {
            SET_ROWS
        } else {
            FIRST_ROWS
        })
        .collect::<Vec<_>>();
    let packed = report
        .takes
        .iter()
        .enumerate()
        .map(|(n, take)| pack(take, drawings.get(n), reader).map(Value::from_safe_string))
        .collect::<Result<Vec<_>, _>>()?;
    let index = index(report, &shown, reader, clips);
    let index = script_json(&index)?;
    let nonce = format!("{:032x}", twox_hash::XxHash3_128::oneshot(index.as_bytes()));
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.add_template("page", include_str!("page.html"))?;
    let template = environment.get_template("page")?;
    let mut sections = say::sections(report, &rows, reader);
    // Post asks first whether everything is there.
    let lead = (reader == For::Post && !sections.is_empty()).then(|| sections.remove(0));
    let page = template.render(context! {
        nonce,
        style => Value::from_safe_string(include_str!("page.css").to_owned()),
        script => Value::from_safe_string(include_str!("page.js").to_owned()),
        index => Value::from_safe_string(index),
        packed,
        view => reader_word(reader),
        title => say::title(report),
        verdict => say::verdict(report, &rows),
        counts => Value::from(Serde(say::counts(report))),
        first => Value::from(Serde(&first)),
        more => say::more(shown.len().saturating_sub(first.len())),
        lead => Value::from(Serde(lead)),
        sections => Value::from(Serde(sections)),
        strip => Value::from(Serde(strip(report))),
        version => report.tool.version.clone(),
        takes_count => report.takes.len(),
        has_clips => !clips.is_empty(),
    })?;
    Ok(straight(&page))
}

fn reader_word(reader: For) -> &'static str {
    match reader {
        For::Set => "set",
        For::Post => "post",
        For::Mixer => "mixer",
    }
}

/// A row of the ranked list as the page holds it.
#[derive(Debug, Serialize)]
struct RowOnPage {
    n: usize,
    rank: &'static str,
    takes: Vec<usize>,
    track: String,
    kind: String,
    kind_name: String,
    severity: Severity,
    /// No microphone of the take has the line clean.
    unheld: bool,
    sign: &'static str,
    sure: &'static str,
    confidence: f64,
    findings: Vec<String>,
    place: String,
    what: String,
    cover: String,
    advice: String,
    start_s: Option<f64>,
}

impl RowOnPage {
    fn new(n: usize, row: &Row, report: &Report, reader: For) -> RowOnPage {
        let take = row.takes.first().map(|&p| &report.takes[p]);
        let tracks: Vec<String> = take.map_or(Vec::new(), |take| {
            row.tracks
                .iter()
                .map(|&t| rank::track_label(take, t))
                .collect()
        });
        let track = rank::spoken_list(&tracks);
        let set = reader == For::Set;
        let files = row.rank == Rank::Files;
        RowOnPage {
            n,
            rank: rank_word(row.rank),
            takes: row.takes.clone(),
            kind: row.kind.clone(),
            kind_name: words::kind(&row.kind).to_owned(),
            severity: row.severity,
            unheld: row.is_unheld(),
            sign: row.sign(),
            sure: if files {
                ""
            } else {
                words::confidence(row.confidence)
            },
            confidence: row.confidence,
            findings: row.findings.clone(),
            place: row.place.clone(),
            what: if set {
                say::without_levels(&row.what, &track, &row.kind)
            } else {
                row.what.clone()
            },
            cover: row.cover.clone(),
            advice: if set {
                say::plain_advice(&row.advice)
            } else {
                row.advice.clone()
            },
            start_s: row.start_s,
            track,
        }
    }
}

fn rank_word(rank: Rank) -> &'static str {
    match rank {
        Rank::Files => "files",
        Rank::NoAlternate => "no_alternate",
        Rank::Alternate => "alternate",
        Rank::Slow => "slow",
        Rank::Covered => "covered",
        Rank::Caution => "caution",
        Rank::Aside => "aside",
    }
}

/// Text for the part of a link after `#`: everything but letters, digits and a few signs as percent and hexadecimal.
fn fragment(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// One cell per take of the strip that shows the day.
fn strip(report: &Report) -> Vec<serde_json::Value> {
    let mut scene = None;
    report
        .takes
        .iter()
        .enumerate()
        .map(|(n, take)| {
            let fresh = n == 0 || take.scene.as_deref() != scene;
            scene = take.scene.as_deref();
            json!({
                "n": n,
                "link": fragment(&take.id),
                "fresh": fresh,
                "scene": take.scene,
                "number": take.take,
                "state": take.verdict,
                "word": format!("{}: {}", rank::take_label(take), words::answer(take)),
            })
        })
        .collect()
}

/// What the page knows of every take before one is opened.
fn index(report: &Report, rows: &[RowOnPage], reader: For, clips: &[Clip]) -> serde_json::Value {
    let takes: Vec<_> = report
        .takes
        .iter()
        .map(|take| {
            let count = |s: Severity| take.findings.iter().filter(|f| f.severity == s).count();
            let mut kinds: Vec<&str> = take.findings.iter().map(|f| f.kind.as_str()).collect();
            kinds.sort_unstable();
            kinds.dedup();
            json!({
                "id": take.id,
                "name": rank::take_label(take),
                "scene": take.scene,
                "roll": take.roll,
                "circled": take.circled,
                "no_good": take.no_good,
                "type": take_type(take),
                "note": if reader == For::Set { None } else { take.note.clone() },
                "start_timecode": take.start_timecode,
                "duration_s": take.duration_s,
                "length": clock::length(take.duration_s),
                "verdict": take.verdict,
                "verdict_word": words::verdict(take.verdict),
                "answer": words::answer(take),
                "counts": [count(Severity::Fault), count(Severity::Caution), count(Severity::Note)],
                "kinds": kinds,
                "tracks": take.tracks.iter().map(|t| &t.name).collect::<Vec<_>>(),
                "file": take.files.first().map(|f| f.path.rsplit('/').next().unwrap_or(&f.path)),
            })
        })
        .collect();
    let explain: serde_json::Map<String, serde_json::Value> = DETECTORS
        .iter()
        .map(|d| {
            let e = &d.explain;
            let texts = json!([
                ["What it means", e.means],
                ["What it sounds like", e.sounds_like],
                ["Usual cause", e.usual_cause],
                ["What to do now", e.do_now],
                ["How it is measured", e.measured_by],
                ["Not to be confused with", e.not_to_confuse],
            ]);
            (d.kind.to_owned(), texts)
        })
        .collect();
    let kinds: serde_json::Map<String, serde_json::Value> = words::KINDS
        .iter()
        .map(|(kind, long, short)| ((*kind).to_owned(), json!([long, short])))
        .collect();
    json!({
        "view": reader_word(reader),
        "takes": takes,
        "rows": rows,
        "explain": explain,
        "kinds": kinds,
        "trends": if reader == For::Set { json!([]) } else { json!(report.day.trends) },
        "clips": clips,
    })
}

fn take_type(take: &Take) -> &'static str {
    match take.take_type {
        TakeType::Dialogue => "dialogue",
        TakeType::WildLine => "wild line",
        TakeType::WildSound => "wild sound",
        TakeType::RoomTone => "room tone",
        TakeType::FalseStart => "false start",
        TakeType::Tone => "tone",
        TakeType::Unknown => "",
    }
}

/// JSON that may stand inside a script element: no text in it can end the element or begin another.
pub(crate) fn script_json(value: &impl Serialize) -> Result<String, serde_json::Error> {
    let text = serde_json::to_string(value)?;
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '<' => out.push_str("\\u003c"),
            '>' => out.push_str("\\u003e"),
            '&' => out.push_str("\\u0026"),
            '\u{2028}' => out.push_str("\\u2028"),
            '\u{2029}' => out.push_str("\\u2029"),
            c => out.push(c),
        }
    }
    Ok(out)
}

/// A take's data as one block: length of the JSON (4 bytes, little endian), the JSON, then the bytes it points into,
/// each level as the difference from the one before it; deflated, base64. Letters, digits, `+`, `/` and `=` need no escape.
fn pack(take: &Take, drawing: Option<&TakeDrawing>, reader: For) -> Result<String, PageError> {
    let mut bytes: Vec<u8> = Vec::new();
    let mut put = |part: &Bytes, stride: usize| {
        let at = bytes.len();
        let old = &part.0;
        bytes.extend(
            (0..old.len())
                .map(|i| old[i].wrapping_sub(if i >= stride { old[i - stride] } else { 0 })),
        );
        json!([at, old.len()])
    };
    let drawn = drawing.map(|d| {
        let tracks: Vec<_> = d
            .tracks
            .iter()
            .map(|t| json!({"peak": put(&t.peak.0, 1), "rms": put(&t.rms.0, 1), "floor": put(&t.floor.0, 1)}))
            .collect();
        let tiles: Vec<_> = d
            .tiles
            .iter()
            .map(|tile| {
                let tracks: Vec<_> = tile
                    .tracks
                    .iter()
                    .map(|t| json!({"track": t.track, "cells": put(&t.cells, crate::measure::BANDS)}))
                    .collect();
                json!({"finding": tile.finding, "start_s": tile.start_s, "column_s": tile.column_s, "tracks": tracks})
            })
            .collect();
        json!({"column_s": d.column_s, "floor_column_s": d.floor_column_s, "tracks": tracks, "tiles": tiles})
    });
    let text = json!({"take": on_page(take, reader), "drawing": drawn}).to_string();
    let text = straight(&text);
    let mut deflate = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::new(6));
    deflate.write_all(&(text.len() as u32).to_le_bytes())?;
    deflate.write_all(text.as_bytes())?;
    deflate.write_all(&bytes)?;
    Ok(base64(&deflate.finish()?))
}

/// What a reader may see of a take.
fn on_page(take: &Take, reader: For) -> serde_json::Value {
    let findings: Vec<_> = take
        .findings
        .iter()
        .filter(|f| reader == For::Mixer || f.origin != super::model::Origin::Mix)
        .map(|f| finding(f, take, reader))
        .collect();
    let speech: Vec<_> = take
        .speech
        .iter()
        .map(|s| {
            json!({
                "start_s": s.start_s, "end_s": s.end_s, "talker": s.talker,
                "best_track": s.best_track, "best_reason": if reader == For::Set { "" } else { &s.best_reason },
                "clean_tracks": s.clean_tracks,
                "effort": if reader == For::Mixer { s.effort.as_deref() } else { None },
            })
        })
        .collect();
    json!({
        "id": take.id,
        "tracks": take.tracks.iter().map(|t| json!({
            "index": t.index, "name": t.name, "role": t.role, "role_word": words::role(t.role),
            "wireless": t.wireless, "talker": t.talker,
            "measurements": if reader == For::Set { json!(null) } else { json!(t.measurements) },
        })).collect::<Vec<_>>(),
        "pairs": if reader == For::Set { json!([]) } else { json!(take.pairs) },
        "landmarks": take.landmarks, "windows": take.windows, "speech": speech, "findings": findings,
        "not_judged": take.not_judged, "mic_timeline": take.mic_timeline, "alternates": take.alternates,
        "faders": if reader == For::Mixer { json!(take.faders) } else { json!(null) },
        "no_clean_mic": take.no_clean_mic,
        "start_timecode": take.start_timecode, "frame_rate": take.frame_rate, "drop_frame": take.drop_frame,
        "sample_rate": take.sample_rate, "bit_depth": take.bit_depth, "sample_format": take.sample_format,
        "duration_s": take.duration_s,
        "files": take.files.iter().map(|f| json!({"path": f.path, "bytes": f.bytes, "problems": f.problems})).collect::<Vec<_>>(),
    })
}

fn finding(f: &Finding, take: &Take, reader: For) -> serde_json::Value {
    let set = reader == For::Set;
    let names: Vec<String> = f
        .tracks
        .iter()
        .map(|&t| rank::track_label(take, t))
        .collect();
    let track = rank::spoken_list(&names);
    json!({
        "id": f.id, "kind": f.kind, "severity": f.severity, "severity_word": words::severity(f.severity),
        "sure": words::confidence(f.confidence), "origin_word": words::origin(f.origin),
        "tracks": f.tracks, "track": track,
        "start_s": f.start_s, "end_s": f.end_s, "start_tc": f.start_tc, "end_tc": f.end_tc,
        "evidence": if set { json!({}) } else { json!(f.evidence) },
        "message": if set { say::without_levels(&f.message, &track, &f.kind) } else { f.message.clone() },
        "advice": if set { say::plain_advice(&f.advice) } else { f.advice.clone() },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_ends_the_script_element() {
        let out = script_json(&json!({"a": "</script><!--<script>\u{2028}&"})).unwrap();
        assert!(!out.contains('<') && !out.contains('>') && !out.contains('\u{2028}'));
        let back: serde_json::Value = serde_json::from_str(&out).unwrap();
        assert_eq!(back["a"], "</script><!--<script>\u{2028}&");
    }

    #[test]
    fn links_hold_no_quotes() {
        assert_eq!(fragment("a-1_b\"<é"), "a-1_b%22%3C%C3%A9");
    }
}
