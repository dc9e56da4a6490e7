//! Analyses to the contract's types.
//!
//! [`take`] runs as soon as a take is analysed, so that its measurements can be dropped; [`report`] tells takes with the same
//! audio apart and adds what holds between takes.

use std::collections::BTreeMap;

use twox_hash::XxHash3_64;

use super::drawing::TakeDrawing;
use super::model;
use crate::detect::Finding;
use crate::measure::rails::Rail;
use crate::pipeline::{Analysis, Day};
use crate::settings::{self, Settings};
use crate::take::{Take, Track, ids};
use crate::units::{level, rounded, seconds};

/// The whole report.
pub fn report(day: Day<model::Take>, settings: &Settings) -> model::Report {
    let mut takes = day.kept;
    for (take, id) in takes.iter_mut().zip(&day.ids) {
        if take.id != *id {
            take.id.clone_from(id);
            name_findings(id, &mut take.findings);
        }
    }
    let judged = crate::judge::day::judge(&mut takes);
    let mut findings: Vec<model::Finding> = day.findings.iter().map(day_finding).collect();
    findings.extend(judged.findings);
    name_findings("day", &mut findings);
    let other_files: Vec<model::OtherFile> = day
        .other
        .into_iter()
        .map(|(path, bytes)| model::OtherFile { path, bytes })
        .collect();
    let totals = totals(&takes, &findings, day.unreadable.len(), other_files.len());
    model::Report {
        schema: "takeproof-report/1".into(),
        tool: model::Tool {
            name: "takeproof".into(),
            version: env!("CARGO_PKG_VERSION").into(),
        },
        settings: thresholds(settings),
        takes,
        unreadable: day.unreadable,
        other_files,
        day: model::Day {
            totals,
            findings,
            setups: judged.setups,
            trends: judged.trends,
        },
    }
}

/// A report of one take as if it were the day: for who cannot wait for the others.
pub fn alone(take: model::Take) -> model::Report {
    let day = Day {
        takes: Vec::new(),
        ids: vec![take.id.clone()],
        kept: vec![take],
        findings: Vec::new(),
        unreadable: Vec::new(),
        other: Vec::new(),
        threads: 1,
    };
    report(day, &Settings::default())
}

/// Every threshold in force, by detector.
fn thresholds(settings: &Settings) -> BTreeMap<String, BTreeMap<String, f64>> {
    let mut by_kind: BTreeMap<String, BTreeMap<String, f64>> = BTreeMap::new();
    for param in settings::params() {
        let (kind, name) = param.key.split_once('.').unwrap_or(("", param.key));
        by_kind
            .entry(kind.to_owned())
            .or_default()
            .insert(name.to_owned(), settings.get(param));
    }
    by_kind
}

/// Ids that stay the same for the same take, kind, track and start. Findings that share all of these are told apart by their
/// code, then by a number.
fn name_findings(owner: &str, findings: &mut [model::Finding]) {
    let mut used: BTreeMap<String, u32> = BTreeMap::new();
    for finding in findings {
        let mut parts = vec![owner.to_owned(), finding.kind.clone()];
        let tracks: Vec<String> = finding.tracks.iter().map(ToString::to_string).collect();
        if !tracks.is_empty() {
            parts.push(tracks.join("+"));
        }
        if let Some(code) = finding.evidence.get("code").and_then(|c| c.as_str()) {
            parts.push(code.to_owned());
        }
        match (&finding.takes, finding.start_sample) {
            (Some(takes), _) => {
                let files = finding.files.iter().flatten();
                let all: Vec<&str> = takes.iter().chain(files).map(String::as_str).collect();
                parts.push(format!(
                    "{:08x}",
                    XxHash3_64::oneshot(all.join("\n").as_bytes()) >> 32
                ));
            }
            (None, Some(start)) => parts.push(start.to_string()),
            (None, None) => {}
        }
        let id = parts.join("-");
        let count = used.entry(id.clone()).or_insert(0);
        *count += 1;
        finding.id = if *count == 1 {
            id
        } else {
            format!("{id}-{count}")
        };
    }
}

fn totals(
    takes: &[model::Take],
    day_findings: &[model::Finding],
    unreadable: usize,
    other_files: usize,
) -> model::Totals {
    use model::{Severity, Verdict};
    let count = |severity| {
        let all = takes.iter().flat_map(|t| &t.findings).chain(day_findings);
        all.filter(|f| f.severity == severity).count() as u64
    };
    let verdicts = |v| takes.iter().filter(|t| t.verdict == v).count() as u64;
    let files = || takes.iter().flat_map(|t| &t.files);
    let track_s: f64 = takes
        .iter()
        .map(|t| t.duration_s * t.tracks.len() as f64)
        .sum();
    model::Totals {
        takes: takes.len() as u64,
        files: files().count() as u64,
        bytes: files().map(|f| f.bytes).sum(),
        duration_s: rounded(takes.iter().map(|t| t.duration_s).sum(), 3).unwrap_or(0.0),
        track_hours: rounded(track_s / 3600.0, 3).unwrap_or(0.0),
        unreadable: unreadable as u64,
        other_files: other_files as u64,
        faults: count(Severity::Fault),
        cautions: count(Severity::Caution),
        notes: count(Severity::Note),
        nothing_found: verdicts(Verdict::NothingFound),
        other_mic: verdicts(Verdict::OtherMic),
        no_clean_mic: verdicts(Verdict::NoCleanMic),
    }
}

/// Tell the spectrograms of a drawing whose findings they show, after [`report`] has put ids on. Report order.
pub fn name_tiles(report: &model::Report, drawings: &mut [TakeDrawing]) {
    for (take, drawing) in report.takes.iter().zip(drawings) {
        for tile in &mut drawing.tiles {
            if let Some(rest) = tile.finding.get(ids::DIGITS..) {
                tile.finding = format!("{}{rest}", take.id);
            }
        }
    }
}

/// One take, with the id it has as long as no other take holds the same audio.
pub fn take(analysis: &Analysis) -> model::Take {
    let t = &analysis.take;
    let id = ids::bare(t);
    let mut findings: Vec<model::Finding> = analysis
        .judged
        .findings
        .iter()
        .map(|f| finding(f, t))
        .collect();
    findings.sort_by(|a, b| {
        (a.start_sample, &a.tracks, &a.kind).cmp(&(b.start_sample, &b.tracks, &b.kind))
    });
    name_findings(&id, &mut findings);
    model::Take {
        id,
        files: t.files.iter().map(file).collect(),
        scene: t.scene.clone(),
        take: t.number.clone(),
        roll: t.roll.clone(),
        circled: t.circled,
        note: t.note.clone(),
        start_timecode: t.clock.label(0),
        time_reference_samples: time_reference(t),
        frame_rate: t.clock.frame_rate.map(|(n, d)| format!("{n}/{d}")),
        drop_frame: t.clock.frame_rate.map(|_| t.clock.drop_frame),
        sample_rate: t.rate,
        bit_depth: t.bits,
        sample_format: t.format,
        samples: t.samples,
        duration_s: rounded(t.duration_s(), 6).unwrap_or(0.0),
        tracks: t
            .tracks
            .iter()
            .enumerate()
            .map(|(position, track)| model::Track {
                room_tone_s: analysis.judged.room_tone_s.get(position).copied().flatten(),
                measurements: super::noise::with_background(
                    measurements(analysis, position),
                    analysis,
                    position,
                ),
                ..labels(track)
            })
            .collect(),
        pairs: super::pairs::pairs(&analysis.pairs, t),
        landmarks: analysis.landmarks.clone(),
        take_type: analysis.judged.take_type,
        no_good: t.no_good,
        windows: analysis.windows.clone(),
        speech: analysis.judged.speech.clone(),
        findings,
        not_judged: analysis.judged.not_judged.clone(),
        mic_timeline: analysis.judged.mic_timeline.clone(),
        alternates: Vec::new(),
        faders: super::pairs::faders(&analysis.mixes, t),
        verdict: analysis.judged.verdict,
        no_clean_mic: analysis.judged.no_clean_mic.clone(),
        curves: analysis.judged.curves.clone(),
    }
}

/// The stamp at the rate of the take; they differ only in files whose stamp was made at another rate.
fn time_reference(take: &Take) -> Option<u64> {
    let start = take.clock.start?;
    if take.clock.rate == 0 || take.clock.rate == take.rate {
        return Some(start);
    }
    let scaled = u128::from(start) * u128::from(take.rate) / u128::from(take.clock.rate);
    u64::try_from(scaled).ok()
}

fn file(f: &crate::take::TakeFile) -> model::File {
    let none = || model::Hash {
        xxh128: String::new(),
    };
    model::File {
        path: f.name.clone(),
        bytes: f.opened.header.bytes,
        container: f.opened.header.container.name().into(),
        hash: f.hash.clone().unwrap_or_else(none),
        audio_hash: f.audio_hash.clone().unwrap_or_else(none),
        problems: f.opened.problems.clone(),
    }
}

fn labels(track: &Track) -> model::Track {
    model::Track {
        index: track.index,
        name: track.name.clone(),
        role: track.role,
        role_source: track.role_source,
        wireless: track.wireless,
        talker: track.talker.clone(),
        room_tone_s: None,
        measurements: model::Measurements::default(),
    }
}

/// Numbers of one track.
fn measurements(analysis: &Analysis, position: usize) -> model::Measurements {
    let m = &analysis.tracks[position];
    let clipped = m.rails.clipped(analysis.take.signal(), &m.frames);
    let speech = &analysis.speech;
    let frames = speech.grid.frames;
    let own = speech.own_frames(position).len();
    model::Measurements {
        sample_peak_dbfs: level(m.levels.sample_peak_dbfs()),
        true_peak_dbtp: level(m.true_peak.dbtp()),
        clipped_samples: clipped.iter().map(Rail::samples).sum(),
        longest_clip_samples: clipped
            .iter()
            .map(|r| u64::from(r.longest()))
            .max()
            .unwrap_or(0),
        loudness_lufs: level(m.loudness.integrated_lufs()),
        loudness_range_lu: m.loudness.range_lu().and_then(|lu| rounded(lu, 1)),
        speech_level_dbfs: m
            .active
            .of(|f| speech.own(position, f))
            .and_then(|a| level(a.level_dbfs)),
        speech_share: (frames > 0)
            .then(|| rounded(own as f64 / frames as f64, 3))
            .flatten(),
        dc_offset: m.levels.offset().and_then(|o| rounded(o.value, 6)),
        ..model::Measurements::default()
    }
}

/// One finding of a take, still without its id.
fn finding(f: &Finding, take: &Take) -> model::Finding {
    model::Finding {
        tracks: f.tracks.clone(),
        start_sample: Some(f.start),
        end_sample: Some(f.end),
        start_s: rounded(seconds(f.start, take.rate), 6),
        end_s: rounded(seconds(f.end, take.rate), 6),
        start_tc: take.clock.label(f.start),
        end_tc: take.clock.label(f.end),
        ..words(f)
    }
}

/// One finding of the day, still without its id.
fn day_finding(f: &Finding) -> model::Finding {
    model::Finding {
        takes: Some(f.takes.clone()),
        files: Some(f.files.clone()),
        ..words(f)
    }
}

fn words(f: &Finding) -> model::Finding {
    model::Finding {
        id: String::new(),
        kind: f.kind.into(),
        severity: f.severity,
        confidence: rounded(f.confidence, 2).unwrap_or(0.0),
        origin: f.origin,
        tracks: Vec::new(),
        takes: None,
        files: None,
        start_sample: None,
        end_sample: None,
        start_s: None,
        end_s: None,
        start_tc: None,
        end_tc: None,
        evidence: f.evidence.clone(),
        message: f.message.clone(),
        advice: f.advice.clone(),
    }
}
