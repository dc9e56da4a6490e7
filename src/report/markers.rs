//! Findings as markers for the edit: OpenTimelineIO, a plain-text edit list of the SMPTE ST 258 family, and a table.
//!
//! Markers always follow what post is told: remarks on the mix stay with the mixer, what is only for the log is left out.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::model::{Finding, Report, Severity, Take};
use super::table::{harmless, is_mix_remark};
use super::terminal::{confidence_words, severity_words};
use crate::judge::rank::{spoken, take_label, track_label};

/// The formats.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, clap::ValueEnum)]
pub enum Format {
    /// OpenTimelineIO: one clip per take, exact to the sample
    Otio,
    /// Edit list with locators: one event per take, exact to the frame
    Edl,
    /// Table: one row per finding
    Csv,
}

/// Events a classic edit list holds.
const EDL_EVENTS: usize = 999;

/// Files of a format: name below the report folder, and bytes.
///
/// Errors: only such as writing to memory can have.
pub fn files(report: &Report, format: Format) -> std::io::Result<Vec<(String, Vec<u8>)>> {
    match format {
        Format::Otio => {
            let text = super::json::text(&timeline(report))?;
            Ok(vec![("markers/markers.otio".into(), text.into_bytes())])
        }
        Format::Edl => Ok(edit_lists(report)),
        Format::Csv => {
            let bytes = table(report).map_err(std::io::Error::other)?;
            Ok(vec![("markers/markers.csv".into(), bytes)])
        }
    }
}

/// Findings that post is told of.
fn told(take: &Take) -> impl Iterator<Item = &Finding> {
    take.findings
        .iter()
        .filter(|f| f.severity > Severity::Note && !is_mix_remark(f))
}

/// `LAV 2 took a radio hit (sure)`.
fn title(take: &Take, f: &Finding) -> String {
    let names: Vec<String> = f.tracks.iter().map(|&t| track_label(take, t)).collect();
    let who = if names.is_empty() {
        String::new()
    } else {
        format!("{} ", names.join(", "))
    };
    format!(
        "{who}{} ({})",
        spoken(&f.kind),
        confidence_words(f.confidence)
    )
}

/// Colours of both marker formats.
fn colour(severity: Severity) -> &'static str {
    match severity {
        Severity::Fault => "RED",
        Severity::Caution => "YELLOW",
        Severity::Note => "CYAN",
    }
}

/// One audio track with a clip per take in report order; each clip's own time is the sample clock since midnight, so that it
/// meets the file's time stamp.
fn timeline(report: &Report) -> Value {
    let clips: Vec<Value> = report.takes.iter().map(clip).collect();
    let track = json!({
        "OTIO_SCHEMA": "Track.1", "metadata": {}, "name": "takes", "source_range": null, "effects": [], "markers": [],
        "enabled": true, "color": null, "children": clips, "kind": "Audio",
    });
    let stack = json!({
        "OTIO_SCHEMA": "Stack.1", "metadata": {}, "name": "tracks", "source_range": null, "effects": [], "markers": [],
        "enabled": true, "color": null, "children": [track],
    });
    json!({
        "OTIO_SCHEMA": "Timeline.1", "metadata": {}, "name": "takeproof", "global_start_time": null, "tracks": stack,
    })
}

fn clip(take: &Take) -> Value {
    let rate = f64::from(take.sample_rate);
    let origin = take.time_reference_samples.unwrap_or(0);
    let range = || time_range(origin, take.samples, rate);
    let markers: Vec<Value> = told(take)
        .map(|f| {
            let start = f.start_sample.unwrap_or(0).min(take.samples);
            let end = f.end_sample.unwrap_or(start).clamp(start, take.samples);
            json!({
                "OTIO_SCHEMA": "Marker.2",
                "metadata": {"takeproof": {
                    "id": f.id, "kind": f.kind, "severity": f.severity, "confidence": f.confidence, "tracks": f.tracks,
                }},
                "name": title(take, f),
                "color": colour(f.severity),
                "comment": format!("{} {}", f.message, f.advice).trim(),
                "marked_range": time_range(origin + start, end - start, rate),
            })
        })
        .collect();
    let path = take.files.first().map_or("", |f| f.path.as_str());
    let media = json!({
        "OTIO_SCHEMA": "ExternalReference.1", "metadata": {}, "name": "", "available_range": range(),
        "available_image_bounds": null, "target_url": url(path),
    });
    json!({
        "OTIO_SCHEMA": "Clip.2",
        "metadata": {"takeproof": {"take": take.id, "scene": take.scene, "take_number": take.take, "roll": take.roll}},
        "name": take_label(take), "source_range": range(), "effects": [], "markers": markers, "enabled": true,
        "color": null, "media_references": {"DEFAULT_MEDIA": media}, "active_media_reference_key": "DEFAULT_MEDIA",
    })
}

fn time_range(start: u64, length: u64, rate: f64) -> Value {
    let time =
        |value: u64| json!({"OTIO_SCHEMA": "RationalTime.1", "rate": rate, "value": value as f64});
    json!({"OTIO_SCHEMA": "TimeRange.1", "start_time": time(start), "duration": time(length)})
}

/// A relative address: every byte that RFC 3986 does not call unreserved is escaped, `/` is kept.
fn url(path: &str) -> String {
    let mut out = String::new();
    for &byte in path.as_bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// Frame counting of one rate (SMPTE ST 12-1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Counting {
    /// Exact frames per second.
    rate: (u32, u32),
    /// Labels 0 and 1 are left out each minute but every tenth (0..3 at 60 frames).
    drop: bool,
}

impl Counting {
    fn of(take: &Take) -> Option<Counting> {
        let (n, d) = take.frame_rate.as_ref()?.split_once('/')?;
        let (n, d) = (n.parse().ok()?, d.parse().ok()?);
        (n > 0 && d > 0).then_some(Counting {
            rate: (n, d),
            drop: take.drop_frame == Some(true),
        })
    }

    /// Frames a label counts to a second.
    fn nominal(self) -> u64 {
        u64::from(self.rate.0).div_ceil(u64::from(self.rate.1))
    }

    /// Labels left out a minute.
    fn left_out(self) -> u64 {
        if self.drop { self.nominal() / 15 } else { 0 }
    }

    /// Frames since midnight of a label.
    fn frame(self, label: &str) -> Option<u64> {
        let parts: Vec<u64> = label
            .split([':', ';', '.'])
            .map(|p| p.parse().ok())
            .collect::<Option<_>>()?;
        let [h, m, s, f] = parts[..] else { return None };
        let minutes = h * 60 + m;
        Some((minutes * 60 + s) * self.nominal() + f - self.left_out() * (minutes - minutes / 10))
    }

    /// Label of a frame since midnight; a day later it starts again.
    fn label(self, frame: u64) -> String {
        let (fps, out) = (self.nominal(), self.left_out());
        let per_minute = fps * 60 - out;
        let per_ten = per_minute * 10 + out;
        let day = per_ten * 144;
        let frame = frame % day;
        let (tens, rest) = (frame / per_ten, frame % per_ten);
        let minute = if rest < fps * 60 {
            0
        } else {
            1 + (rest - fps * 60) / per_minute
        };
        let counted = frame + out * (tens * 9 + minute);
        let (s, f) = (counted / fps, counted % fps);
        format!(
            "{:02}:{:02}:{:02}:{f:02}",
            s / 3600 % 24,
            s / 60 % 60,
            s % 60
        )
    }

    /// Frames that a number of seconds touches.
    fn frames(self, seconds: f64) -> u64 {
        (seconds * f64::from(self.rate.0) / f64::from(self.rate.1)).ceil() as u64
    }
}

/// One list per way of counting frames, since a list has only one; takes without timecode are named at the end of the first.
fn edit_lists(report: &Report) -> Vec<(String, Vec<u8>)> {
    let mut groups: BTreeMap<Counting, Vec<(&Take, u64)>> = BTreeMap::new();
    let mut left: Vec<String> = Vec::new();
    for take in &report.takes {
        let counting = Counting::of(take);
        let start = counting.and_then(|c| c.frame(take.start_timecode.as_ref()?));
        match (counting, start) {
            (Some(counting), Some(start)) => {
                groups.entry(counting).or_default().push((take, start))
            }
            _ => left.push(take_label(take)),
        }
    }
    let parts: Vec<(Counting, &[(&Take, u64)])> = groups
        .iter()
        .flat_map(|(c, takes)| takes.chunks(EDL_EVENTS).map(move |part| (*c, part)))
        .collect();
    let mut files: Vec<(String, Vec<u8>)> = Vec::new();
    for (i, (counting, takes)) in parts.iter().enumerate() {
        let name = if i == 0 {
            "markers/markers.edl".to_owned()
        } else {
            format!("markers/markers-{}.edl", i + 1)
        };
        files.push((name, edit_list(*counting, takes).into_bytes()));
    }
    if files.is_empty() {
        files.push((
            "markers/markers.edl".into(),
            b"TITLE: TAKEPROOF\nFCM: NON-DROP FRAME\n".to_vec(),
        ));
    }
    for take in left {
        files[0]
            .1
            .extend(format!("* NOT LISTED, NO TIMECODE: {}\n", plain(&take)).bytes());
    }
    files
}

fn edit_list(counting: Counting, takes: &[(&Take, u64)]) -> String {
    let fcm = if counting.drop {
        "DROP FRAME"
    } else {
        "NON-DROP FRAME"
    };
    let mut out = format!("TITLE: TAKEPROOF\nFCM: {fcm}\n");
    let mut record = 0;
    for (i, (take, start)) in takes.iter().enumerate() {
        let length = counting.frames(take.duration_s).max(1);
        let label = |frame| counting.label(frame);
        out.push_str(&format!(
            "\n{:03}  {:8} A     C        {} {} {} {}\n",
            i + 1,
            reel(take.roll.as_deref()),
            label(*start),
            label(start + length),
            label(record),
            label(record + length),
        ));
        let path = take.files.first().map_or("", |f| f.path.as_str());
        let name = path.rsplit('/').next().unwrap_or(path);
        out.push_str(&format!("* FROM CLIP NAME:  {}\n", plain(name)));
        for f in told(take) {
            let at = start + counting.frames(f.start_s.unwrap_or(0.0)).saturating_sub(1);
            // The frame that holds the start, and never one before the take.
            let exact = f.start_tc.as_deref().and_then(|tc| counting.frame(tc));
            let at = exact.unwrap_or(at).max(*start);
            out.push_str(&format!(
                "* LOC: {} {:7} {}\n",
                label(at),
                colour(f.severity),
                plain(&title(take, f))
            ));
        }
        record += length;
    }
    out
}

/// A reel name: at most eight letters, digits and underscores; `AX` where there is no roll.
fn reel(roll: Option<&str>) -> String {
    let name: String = roll
        .unwrap_or_default()
        .chars()
        .filter(|c| c.is_ascii_alphanumeric() || *c == '_')
        .take(8)
        .collect();
    if name.is_empty() {
        "AX".into()
    } else {
        name.to_uppercase()
    }
}

/// One line of printable ASCII: readers of these lists know nothing else.
fn plain(text: &str) -> String {
    text.chars()
        .map(|c| if (' '..='~').contains(&c) { c } else { '_' })
        .collect()
}

fn table(report: &Report) -> Result<Vec<u8>, csv::Error> {
    let mut out = csv::Writer::from_writer(Vec::new());
    out.write_record([
        "file",
        "roll",
        "scene",
        "take",
        "tracks",
        "kind",
        "means",
        "how_sure",
        "start_tc",
        "end_tc",
        "start_s",
        "end_s",
        "start_sample",
        "end_sample",
        "message",
        "advice",
        "id",
    ])?;
    for take in &report.takes {
        for f in told(take) {
            let names: Vec<String> = f.tracks.iter().map(|&t| track_label(take, t)).collect();
            let text = |value: &Option<String>| value.clone().unwrap_or_default();
            let number = |value: Option<f64>| value.map_or(String::new(), |v| format!("{v:.6}"));
            let sample = |value: Option<u64>| value.map_or(String::new(), |v| v.to_string());
            let row = [
                take.files.first().map_or(String::new(), |x| x.path.clone()),
                text(&take.roll),
                text(&take.scene),
                text(&take.take),
                names.join(", "),
                f.kind.clone(),
                severity_words(f.severity).into(),
                confidence_words(f.confidence).into(),
                text(&f.start_tc),
                text(&f.end_tc),
                number(f.start_s),
                number(f.end_s),
                sample(f.start_sample),
                sample(f.end_sample),
                f.message.clone(),
                f.advice.clone(),
                f.id.clone(),
            ];
            out.write_record(row.iter().map(|cell| harmless(cell)))?;
        }
    }
    out.into_inner().map_err(|e| e.into_error().into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_count_as_st_12_1_says() {
        let ndf = |n, d| Counting {
            rate: (n, d),
            drop: false,
        };
        let df = Counting {
            rate: (30_000, 1001),
            drop: true,
        };
        assert_eq!(ndf(25, 1).label(25 * 3600 + 7), "01:00:00:07");
        assert_eq!(ndf(24_000, 1001).label(24 * 60), "00:01:00:00");
        // Frame 1800 is the first of minute 1, which starts with label 02; minute 10 starts with 00.
        assert_eq!(df.label(1799), "00:00:59:29");
        assert_eq!(df.label(1800), "00:01:00:02");
        assert_eq!(df.label(17_982), "00:10:00:00");
        assert_eq!(df.frame("00:01:00;02"), Some(1800));
        assert_eq!(df.frame("01:00:00;00"), Some(107_892));
        for frame in (0..2_589_408).step_by(977) {
            assert_eq!(df.frame(&df.label(frame)), Some(frame));
        }
        assert_eq!(df.label(2_589_408), "00:00:00:00");
    }

    #[test]
    fn names_that_an_edit_list_can_carry() {
        assert_eq!(reel(Some("R07/2 night")), "R072NIGH");
        assert_eq!(reel(None), "AX");
        assert_eq!(plain("caf\u{e9}\n* LOC"), "caf__* LOC");
        assert_eq!(url("a b/\u{fc}.wav"), "a%20b/%C3%BC.wav");
    }
}
