//! Analyses to the contract's types.

use std::collections::BTreeMap;

use super::model;
use crate::detect::Finding;
use crate::pipeline::Analysis;
use crate::scan::Scan;
use crate::settings::Settings;
use crate::take::Take;
use crate::units::{rounded, seconds};

/// The whole report. `unreadable` are files whose header or samples could not be read.
pub fn report(
    analyses: &[Analysis],
    scan: &Scan,
    unreadable: Vec<model::Unreadable>,
    settings: &Settings,
) -> model::Report {
    let _ = settings;
    model::Report {
        schema: "takeproof-report/1".into(),
        tool: model::Tool {
            name: "takeproof".into(),
            version: env!("CARGO_PKG_VERSION").into(),
        },
        settings: BTreeMap::new(),
        takes: analyses.iter().map(take).collect(),
        unreadable,
        other_files: scan
            .other
            .iter()
            .map(|(p, b)| model::OtherFile {
                path: p.clone(),
                bytes: *b,
            })
            .collect(),
        day: model::Day::default(),
    }
}

/// One take.
pub fn take(analysis: &Analysis) -> model::Take {
    let t = &analysis.take;
    let none = model::Hash {
        xxh128: String::new(),
    };
    model::Take {
        id: t.files[0].name.clone(),
        files: t
            .files
            .iter()
            .map(|f| model::File {
                path: f.name.clone(),
                bytes: f.opened.header.bytes,
                container: f.opened.header.container.name().into(),
                hash: f.hash.clone().unwrap_or(none.clone()),
                audio_hash: f.audio_hash.clone().unwrap_or(none.clone()),
                problems: f.opened.problems.clone(),
            })
            .collect(),
        scene: t.scene.clone(),
        take: t.number.clone(),
        roll: t.roll.clone(),
        circled: t.circled,
        note: t.note.clone(),
        start_timecode: t.clock.label(0),
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
            .map(|track| model::Track {
                index: track.index,
                name: track.name.clone(),
                role: track.role,
                role_source: track.role_source,
                wireless: track.wireless,
                talker: track.talker.clone(),
                measurements: model::Measurements::default(),
            })
            .collect(),
        pairs: super::pairs::pairs(&analysis.pairs, t),
        landmarks: analysis.landmarks.clone(),
        take_type: model::TakeType::Dialogue,
        no_good: t.no_good,
        windows: analysis.windows.clone(),
        speech: analysis.judged.speech.clone(),
        findings: analysis
            .judged
            .findings
            .iter()
            .map(|f| finding(f, t))
            .collect(),
        not_judged: Vec::new(),
        mic_timeline: analysis.judged.mic_timeline.clone(),
        alternates: Vec::new(),
        faders: super::pairs::faders(&analysis.mixes, t),
        verdict: analysis.judged.verdict,
        no_clean_mic: analysis.judged.no_clean_mic.clone(),
    }
}

/// One finding of a take.
pub fn finding(f: &Finding, take: &Take) -> model::Finding {
    let tracks: Vec<String> = f.tracks.iter().map(ToString::to_string).collect();
    let id = format!(
        "{}-{}-{}-{}",
        take.files[0].name,
        f.kind,
        tracks.join("-"),
        f.start
    );
    model::Finding {
        id,
        kind: f.kind.into(),
        severity: f.severity,
        confidence: rounded(f.confidence, 2).unwrap_or(0.0),
        origin: f.origin,
        tracks: f.tracks.clone(),
        takes: None,
        files: None,
        start_sample: Some(f.start),
        end_sample: Some(f.end),
        start_s: rounded(seconds(f.start, take.rate), 6),
        end_s: rounded(seconds(f.end, take.rate), 6),
        start_tc: take.clock.label(f.start),
        end_tc: take.clock.label(f.end),
        evidence: f.evidence.clone(),
        message: f.message.clone(),
        advice: f.advice.clone(),
    }
}
