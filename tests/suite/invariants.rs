//! What must not change when something else does (detection-scoring practice; from memory, no single source).

use std::collections::BTreeSet;

use takeproof::pipeline::{self, How};
use takeproof::report::model::{Finding, Severity, Take};
use takeproof::report::{build, json};
use takeproof::settings::Settings;
use takeproof::synth::wav::{self, Format, Label};
use takeproof::synth::{Rendered, Scene, scene};

use crate::harness::{check_as, check_path, listing};

/// Kinds that hang on absolute level by contract.
const ABSOLUTE: &[&str] = &[
    "level_low",
    "level_hot",
    "true_peak_over",
    "dc_offset",
    "clipping",
];
/// Kinds whose ends are samples, not frames.
const IMPULSIVE: &[&str] = &["rf_hit", "dropout", "click", "clipping", "flat_top"];

/// A dialogue with one fault of several kinds each.
fn faulty(rate: u32) -> Rendered {
    let mut scene = Scene::dialogue(&["Hedda", "Orrin"], 16.0, 71);
    scene.rate = rate;
    scene.clap(0.8);
    let mut r = scene.render();
    let (hedda, orrin, boom) = (r.track("Hedda"), r.track("Orrin"), r.track("Boom"));
    let times: Vec<f64> = r.speech.iter().map(|s| (s.1 + s.2) / 2.0).collect();
    r.doublets(hedda, times[0], 6, -12.0);
    r.splat(hedda, times[0] + 0.1, 0.08, -20.0);
    r.zeros(orrin, times[1], 0.12);
    r.hum(boom, 50.0, -50.0, 0.0);
    r.rustle(hedda, times[2] - 0.4, 1.0, -2.0);
    r
}

fn float() -> Label {
    Label {
        format: Format::Float32,
        ..Label::default()
    }
}

fn check(rendered: &Rendered) -> Take {
    check_as(rendered, &float())
}

/// Kinds and tracks above note, without those that hang on level.
fn kinds(take: &Take) -> BTreeSet<(String, Vec<usize>)> {
    let loud = take
        .findings
        .iter()
        .filter(|f| f.severity > Severity::Note && !ABSOLUTE.contains(&f.kind.as_str()));
    loud.map(|f| (f.kind.clone(), f.tracks.clone())).collect()
}

fn times(take: &Take) -> Vec<(String, Vec<usize>, f64, f64)> {
    let loud = take
        .findings
        .iter()
        .filter(|f| f.severity > Severity::Note && !ABSOLUTE.contains(&f.kind.as_str()));
    let ends = |f: &Finding| (f.start_s.unwrap_or(0.0), f.end_s.unwrap_or(0.0));
    loud.map(|f| (f.kind.clone(), f.tracks.clone(), ends(f).0, ends(f).1))
        .collect()
}

/// Measurements that lie in a file meanwhile say the same, and nothing of the file is left.
#[test]
fn a_long_take_is_measured_like_a_short_one() {
    let folder = tempfile::tempdir().unwrap();
    let [takes, aside] = ["takes", "aside"].map(|name| folder.path().join(name));
    std::fs::create_dir(&takes).unwrap();
    let (rendered, label) = (faulty(48_000), Label::default());
    wav::write(&takes.join("1-1.wav"), &rendered, &label).unwrap();
    let settings = Settings::default();
    let check = |aside| {
        let how = How {
            aside,
            long_h: 0.0,
            ..How::default()
        };
        build::report(
            pipeline::day(std::slice::from_ref(&takes), &settings, &how, build::take),
            &settings,
        )
    };
    let (here, away) = (check(None), check(Some(&aside)));
    assert_eq!(json::text(&here).unwrap(), json::text(&away).unwrap());
    assert!(!here.takes[0].findings.is_empty());
    assert_eq!(std::fs::read_dir(&aside).unwrap().count(), 0);
}

#[test]
fn a_gain_change_of_a_float_file_changes_no_finding() {
    let rendered = faulty(48_000);
    let plain = check(&rendered);
    assert!(kinds(&plain).len() >= 3, "{}", listing(&plain));
    for db in [-20.0, 6.0] {
        let mut changed = rendered.clone();
        (0..changed.tracks.len()).for_each(|t| changed.step_gain(t, 0.0, db));
        let changed = check(&changed);
        assert_eq!(
            kinds(&plain),
            kinds(&changed),
            "{db} dB:\n{}\n{}",
            listing(&plain),
            listing(&changed)
        );
    }
}

#[test]
fn inverting_a_track_changes_only_polarity() {
    let mut rendered = faulty(48_000);
    let plain = check(&rendered);
    let boom = rendered.track("Boom");
    rendered.invert(boom);
    let inverted = check(&rendered);
    let rest = |take: &Take| -> Vec<_> {
        times(take)
            .into_iter()
            .filter(|t| t.0 != "polarity_inverted" && t.0 != "comb_filtering")
            .collect()
    };
    assert_eq!(rest(&plain), rest(&inverted));
    assert!(
        inverted
            .findings
            .iter()
            .any(|f| f.kind == "polarity_inverted"),
        "{}",
        listing(&inverted)
    );
}

#[test]
fn a_shift_moves_events_by_as_much_and_stretches_within_a_frame() {
    let rendered = faulty(48_000);
    let plain = check(&rendered);
    let shift = 1237;
    let mut moved = rendered.clone();
    for track in &mut moved.tracks {
        // What lies before is the same quiet that follows.
        let mut x = track.x[24_000..24_000 + shift].to_vec();
        x.extend_from_slice(&track.x);
        track.x = x;
    }
    let moved = check(&moved);
    let moved_s = shift as f64 / 48_000.0;
    let (before, after) = (times(&plain), times(&moved));
    assert_eq!(
        kinds(&plain),
        kinds(&moved),
        "{}\n{}",
        listing(&plain),
        listing(&moved)
    );
    for (kind, tracks, start, _) in &before {
        if IMPULSIVE.contains(&kind.as_str()) {
            let nearest = after
                .iter()
                .filter(|a| a.0 == *kind && a.1 == *tracks)
                .map(|a| (a.2 - moved_s - start).abs());
            let nearest = nearest.fold(f64::INFINITY, f64::min);
            // Bursts of radio are read from levels of a millisecond, all others to the sample.
            let within = if kind == "rf_hit" { 48.0 } else { 2.5 };
            assert!(nearest < within / 48_000.0, "{kind} {start}: {nearest}");
        } else if *start > 0.0 {
            let nearest = after
                .iter()
                .filter(|a| a.0 == *kind && a.1 == *tracks)
                .map(|a| (a.2 - moved_s - start).abs());
            let nearest = nearest.fold(f64::INFINITY, f64::min);
            assert!(nearest <= 0.12, "{kind} {start}: {nearest}");
        }
    }
}

#[test]
fn an_unrelated_quiet_track_changes_nothing() {
    let mut rendered = faulty(48_000);
    let plain = check(&rendered);
    let mut random = takeproof::synth::sources::Random::new(5);
    let quiet: Vec<f32> = random
        .white(rendered.len())
        .into_iter()
        .map(|v| v * 1e-5)
        .collect();
    rendered.tracks.push(scene::Track {
        name: "Spare".into(),
        x: quiet,
    });
    rendered.wearers.push(None);
    let last = rendered.tracks.len();
    let with = check(&rendered);
    let rest: Vec<_> = times(&with)
        .into_iter()
        .filter(|t| t.1 != vec![last])
        .collect();
    assert_eq!(times(&plain), rest);
}

#[test]
fn the_same_scene_at_96_khz_gives_the_same_kinds_within_10_ms() {
    let (one, two) = (check(&faulty(48_000)), check(&faulty(96_000)));
    assert_eq!(
        kinds(&one),
        kinds(&two),
        "{}\n{}",
        listing(&one),
        listing(&two)
    );
    for (kind, tracks, start, _) in times(&one) {
        if IMPULSIVE.contains(&kind.as_str()) {
            let nearest = times(&two)
                .iter()
                .filter(|a| a.0 == kind && a.1 == tracks)
                .map(|a| (a.2 - start).abs())
                .fold(f64::INFINITY, f64::min);
            assert!(nearest < 0.010, "{kind} {start}: {nearest}");
        }
    }
}

#[test]
fn splitting_at_silence_gives_the_union_of_event_kinds() {
    let rendered = faulty(48_000);
    let whole = check(&rendered);
    let cut = rendered.sample((rendered.speech[1].2 + rendered.speech[2].1) / 2.0);
    let half = |range: std::ops::Range<usize>| {
        let mut part = rendered.clone();
        part.tracks
            .iter_mut()
            .for_each(|t| t.x = t.x[range.clone()].to_vec());
        check(&part)
    };
    let events = |take: &Take| -> BTreeSet<_> {
        kinds(take)
            .into_iter()
            .filter(|k| IMPULSIVE.contains(&k.0.as_str()))
            .collect()
    };
    let (first, second) = (half(0..cut), half(cut..rendered.len()));
    let union: BTreeSet<_> = events(&first).union(&events(&second)).cloned().collect();
    assert_eq!(
        events(&whole),
        union,
        "{}\n{}\n{}",
        listing(&whole),
        listing(&first),
        listing(&second)
    );
}

#[test]
fn the_thread_count_keeps_the_bytes() {
    let folder = tempfile::tempdir().unwrap();
    for take in 1..=3u32 {
        let label = Label {
            take: take.to_string(),
            time_reference: 1_728_000_000 + u64::from(take) * 4_800_000,
            ..Label::default()
        };
        let mut rendered = Scene::dialogue(&["Hedda", "Orrin"], 8.0, u64::from(take)).render();
        rendered.zeros(1, 4.0, 0.1);
        wav::write(
            &folder.path().join(format!("1-{take}.wav")),
            &rendered,
            &label,
        )
        .unwrap();
    }
    let bytes = |threads| {
        let report = check_path(folder.path(), &Settings::default(), threads);
        serde_json::to_vec(&report).unwrap()
    };
    assert!(bytes(1) == bytes(2));
}
