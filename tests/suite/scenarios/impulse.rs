//! `dropout`, `rf_hit` and `click`: found where they are, to the millisecond, and silent where a sound explains it.

use takeproof::report::model::{Finding, Origin, Severity, Take};
use takeproof::synth::scene::Sound;
use takeproof::synth::sources::{self, Random};
use takeproof::synth::wav::{Format, Label};
use takeproof::synth::{Rendered, Scene};
use takeproof::units::amplitude;

use crate::harness::{alarms, assert_found, assert_silent, check, check_as, listing};

fn scene(seed: u64) -> Scene {
    Scene::dialogue(&["Hedda", "Orrin"], 14.0, seed)
}

/// A time within a line of a talker, away from hissed consonants, and one at which nobody speaks.
fn times(rendered: &Rendered, talker: usize) -> (f64, f64) {
    let line = rendered
        .speech
        .iter()
        .find(|s| s.0 == talker && s.2 - s.1 > 1.0)
        .copied()
        .unwrap();
    let quiet = (10..120)
        .map(|k| f64::from(k) * 0.1)
        .find(|t| {
            rendered
                .speech
                .iter()
                .all(|s| *t + 0.35 < s.1 || *t > s.2 + 0.35)
        })
        .unwrap();
    let worn = rendered
        .wearers
        .iter()
        .position(|w| *w == Some(talker))
        .unwrap();
    let x = &rendered.tracks[worn].x;
    let hiss = |t: &f64| -> f32 {
        let at = rendered.sample(*t);
        (at..at + rendered.sample(0.1))
            .map(|n| (x[n + 1] - 2.0 * x[n] + x[n - 1]).powi(2))
            .sum()
    };
    let voiced = (4..16)
        .map(|k| line.1 + (line.2 - line.1) * f64::from(k) / 20.0)
        .min_by(|a, b| hiss(a).total_cmp(&hiss(b)))
        .unwrap();
    (voiced, quiet)
}

fn only<'a>(take: &'a Take, kind: &str) -> &'a Finding {
    let found = alarms(take, kind);
    assert_eq!(found.len(), 1, "{kind}: {}", listing(take));
    found[0]
}

fn impulses_silent(take: &Take) {
    for kind in ["dropout", "rf_hit", "click"] {
        assert_silent(take, kind);
    }
}

#[test]
fn gaps_of_every_make_are_found_to_the_sample() {
    for (case, format) in [(0, Format::Int24), (1, Format::Int24), (2, Format::Float32)] {
        let mut rendered = scene(31).render();
        let track = rendered.track("Hedda");
        let (line, _) = times(&rendered, 0);
        match case {
            0 => rendered.zeros(track, line, 0.012),
            1 => rendered.hold(track, line, 0.012),
            _ => rendered.repeat(track, line, 0.005, 4),
        }
        let take = check_as(
            &rendered,
            &Label {
                format,
                ..Label::default()
            },
        );
        let found = only(&take, "dropout");
        assert_eq!(found.tracks, vec![track + 1]);
        let start = rendered.sample(line) as i64;
        assert!((found.start_sample.unwrap() as i64 - start).abs() <= 2);
        assert_eq!(found.severity, Severity::Fault, "{}", listing(&take));
        assert_silent(&take, "click");
        assert_silent(&take, "rf_hit");
    }
}

#[test]
fn a_squelched_receiver_falls_below_its_own_hiss() {
    for length in [0.012, 0.08, 0.4] {
        let mut rendered = scene(32).render();
        let track = rendered.track("Orrin");
        let (line, _) = times(&rendered, 1);
        rendered.squelch(track, line, length);
        let take = check(&rendered);
        let found = only(&take, "dropout");
        assert!(
            (found.start_s.unwrap() - line).abs() < 0.002,
            "{}",
            listing(&take)
        );
        assert!(
            (found.end_s.unwrap() - line - length).abs() < 0.003,
            "{}",
            listing(&take)
        );
        assert_eq!(found.evidence["mechanism"], "squelch");
    }
}

#[test]
fn the_same_gap_on_every_track_is_the_recorder() {
    let mut rendered = scene(33).render();
    for track in 0..rendered.tracks.len() {
        rendered.zeros(track, 6.0, 0.02);
    }
    let take = check(&rendered);
    let found = only(&take, "dropout");
    assert_eq!(found.tracks.len(), rendered.tracks.len());
    assert_eq!(found.origin, Origin::Recorder);
}

#[test]
fn radio_clicks_and_noise_are_hits_on_one_track() {
    for seed in [34, 35] {
        let mut rendered = scene(seed).render();
        let track = rendered.track("Hedda");
        let (line, quiet) = times(&rendered, 0);
        rendered.doublets(track, quiet, 3, -30.0);
        rendered.splat(track, line, 0.05, -28.0);
        let take = check(&rendered);
        assert_found(&take, "rf_hit", track + 1, quiet, quiet + 0.1, 0.02);
        assert_found(&take, "rf_hit", track + 1, line, line + 0.05, 0.01);
        assert_silent(&take, "click");
        assert_silent(&take, "dropout");
        let hits = alarms(&take, "rf_hit");
        assert!(
            hits.iter()
                .all(|f| f.tracks == vec![track + 1] && f.origin == Origin::Radio)
        );
    }
}

#[test]
fn events_within_a_quarter_second_are_one_finding() {
    let mut rendered = scene(36).render();
    let track = rendered.track("Hedda");
    let (line, _) = times(&rendered, 0);
    for k in 0..4 {
        rendered.zeros(track, line + 0.1 * f64::from(k), 0.004);
    }
    let take = check(&rendered);
    assert!(
        alarms(&take, "dropout").len() + alarms(&take, "rf_hit").len() == 1,
        "{}",
        listing(&take)
    );
}

#[test]
fn pops_damaged_samples_and_lost_samples_are_clicks() {
    let mut rendered = scene(37).render();
    let track = rendered.track("Boom");
    let (line, quiet) = times(&rendered, 0);
    rendered.pop(track, quiet, -26.0);
    rendered.damage(track, quiet + 0.4, -34.0);
    let take = check(&rendered);
    assert_found(&take, "click", track + 1, quiet, quiet, 0.01);
    assert_found(&take, "click", track + 1, quiet + 0.4, quiet + 0.4, 0.01);
    assert!(
        alarms(&take, "click")
            .iter()
            .all(|f| f.severity == Severity::Caution)
    );
    assert_silent(&take, "rf_hit");

    let mut rendered = scene(37).render();
    let track = rendered.track("Hedda");
    let at = rendered.sample(line);
    let lost = 24;
    let x = &rendered.tracks[track].x;
    // Where the wave really jumps: a joint of two like places cannot be heard.
    let joint = (at..at + 4800)
        .max_by(|a, b| {
            let jump = |n: &usize| (x[n + lost] - x[n - 1]).abs();
            jump(a).total_cmp(&jump(b))
        })
        .unwrap();
    let joint_s = joint as f64 / f64::from(rendered.rate);
    rendered.slip(track, joint_s, lost);
    let take = check(&rendered);
    assert_found(&take, "click", track + 1, joint_s, joint_s, 0.002);
}

/// No wave jumps and no link sounds so dark; but nobody else has heard it, and it came within two milliseconds.
#[test]
fn a_spark_on_one_microphone_is_a_click() {
    for seed in [37, 38, 39] {
        let mut rendered = scene(seed).render();
        let track = rendered.track("Hedda");
        let (_, quiet) = times(&rendered, 0);
        rendered.spark(track, quiet, -22.0);
        let take = check(&rendered);
        assert_found(&take, "click", track + 1, quiet, quiet, 0.01);
        assert_silent(&take, "rf_hit");
    }
}

#[test]
fn every_microphone_hears_doors_claps_and_keys() {
    for seed in 40..44 {
        let mut scene = scene(seed);
        scene.clap(0.8).slam(4.2).clap(6.7).slam(9.4);
        for k in 0..6 {
            let tick = sources::clap(&mut Random::new(seed + k))[..960].to_vec();
            scene.sound(11.0 + 0.2 * k as f64, -2.0, tick);
        }
        impulses_silent(&check(&scene.render()));
    }
}

#[test]
fn breath_and_lips_are_no_fault() {
    let mut scene = scene(45);
    let mouth = scene.talkers[0].position;
    let at = scene.lines[0].at_s;
    let mut click = sources::clap(&mut Random::new(9))[..480].to_vec();
    sources::lowpass(&mut click, 6000.0, 48_000);
    for (at_s, peak_db, audio) in [
        (at + 0.02, -4.0, sources::plosive(&mut Random::new(6))),
        (at - 0.25, -14.0, click),
    ] {
        scene.sounds.push(Sound {
            at_s,
            peak_db,
            position: mouth,
            audio,
        });
    }
    impulses_silent(&check(&scene.render()));
}

#[test]
fn cloth_is_darker_and_slower_than_radio() {
    let mut rendered = scene(46).render();
    let track = rendered.track("Hedda");
    let (line, quiet) = times(&rendered, 0);
    rendered.rustle(track, quiet, 0.3, -12.0);
    rendered.rustle(track, line, 1.0, -8.0);
    let take = check(&rendered);
    impulses_silent(&take);
}

/// As sudden and as unheard elsewhere as radio, but it rings between 4 and 8 kHz.
#[test]
fn hair_that_rings_at_the_capsule_is_no_radio() {
    for seed in [62, 63, 64] {
        let mut rendered = scene(seed).render();
        let (_, quiet) = times(&rendered, 1);
        let track = rendered.track("Orrin");
        rendered.scrape(track, quiet, 0.15, -32.0);
        assert_silent(&check(&rendered), "rf_hit");
    }
}

/// Behind the de-emphasis of a receiver the noise of a fading link is as dull as cloth: one cause, one finding.
#[test]
fn a_link_that_fades_is_radio_and_no_cloth() {
    let mut rendered = scene(47).render();
    let track = rendered.track("Hedda");
    let (_, quiet) = times(&rendered, 0);
    rendered.fading(track, quiet, 0.16, -34.0);
    let take = check(&rendered);
    assert_found(&take, "rf_hit", track + 1, quiet, quiet + 0.16, 0.05);
    assert_silent(&take, "rustle");
}

#[test]
fn level_does_not_matter_in_float_files() {
    for gain_db in [-30.0, 6.0] {
        let mut rendered = scene(47).render();
        let track = rendered.track("Hedda");
        let (line, quiet) = times(&rendered, 0);
        rendered.splat(track, line, 0.04, -28.0);
        rendered.damage(track, quiet, -40.0);
        for t in 0..rendered.tracks.len() {
            rendered.step_gain(t, 0.0, gain_db);
        }
        let take = check_as(
            &rendered,
            &Label {
                format: Format::Float32,
                ..Label::default()
            },
        );
        assert_found(&take, "rf_hit", track + 1, line, line + 0.04, 0.01);
        assert_found(&take, "click", track + 1, quiet, quiet, 0.002);
    }
}

/// Noise of a receiver without a carrier, as long as it lasts.
#[test]
fn a_receiver_left_open_is_radio() {
    for (seed, length) in [(51, 0.3), (52, 1.2), (53, 3.0)] {
        let mut rendered = scene(seed).render();
        let track = rendered.track("Hedda");
        let (line, _) = times(&rendered, 0);
        rendered.open_squelch(track, line, length, -22.0);
        let take = check(&rendered);
        assert_found(&take, "rf_hit", track + 1, line, line + length, 0.05);
    }
}

/// Carriers that beat: a tone that comes, slides and goes, on one microphone; a steady one is hum.
#[test]
fn a_sliding_whistle_on_one_pack_is_radio() {
    for (seed, hz) in [
        (54, (5200.0, 1900.0)),
        (55, (2500.0, 2700.0)),
        (56, (900.0, 7000.0)),
    ] {
        let mut rendered = scene(seed).render();
        let track = rendered.track("Hedda");
        let (line, quiet) = times(&rendered, 0);
        rendered.whistle(track, line, 0.8, hz, -24.0);
        rendered.whistle(track, quiet, 0.3, hz, -60.0);
        let take = check(&rendered);
        assert_found(&take, "rf_hit", track + 1, line, line + 0.8, 0.1);
        assert_found(&take, "rf_hit", track + 1, quiet, quiet + 0.3, 0.1);
        assert_silent(&take, "hum");
    }
}

/// A phone that logs on: a pulse every 60/13 ms, 216.7 Hz (3GPP TS 45.002, frames of 60/13 ms).
#[test]
fn pulses_of_a_phone_are_radio() {
    for (seed, length) in [(57, 0.4), (58, 2.0)] {
        let mut rendered = scene(seed).render();
        let track = rendered.track("Hedda");
        let (line, quiet) = times(&rendered, 0);
        rendered.phone_pulses(track, quiet, 0.3, -24.0);
        rendered.phone_pulses(track, line, length, -12.0);
        let take = check(&rendered);
        assert_found(&take, "rf_hit", track + 1, quiet, quiet + 0.3, 0.1);
        assert_found(&take, "rf_hit", track + 1, line, line + length, 0.1);
        let phones = |f: &&&Finding| f.evidence["mechanism"] == "phone_pulses";
        assert!(alarms(&take, "rf_hit").iter().filter(phones).count() >= 2);
        assert_silent(&take, "rustle");
    }
}

/// Who says one line beside somebody who shouts has consonants that hardly any other microphone hears. They are no radio.
#[test]
fn the_only_line_beside_a_shouter_is_no_radio() {
    for (seed, noise_db) in [(42, -40.0), (43, -20.0), (46, -30.0)] {
        let mut scene = Scene::dialogue(&["Hedda", "Orrin"], 40.0, seed);
        let first = scene.lines[0].talker;
        for line in &mut scene.lines[1..] {
            (line.talker, line.level_db) = (1 - first, 14.0);
        }
        for microphone in &mut scene.microphones {
            if microphone.wearer != Some(first) {
                microphone.noise_db = noise_db;
            }
        }
        assert_silent(&check(&scene.render()), "rf_hit");
    }
}

/// Add a sound to one track.
fn add(rendered: &mut Rendered, track: usize, at_s: f64, x: &[f32]) {
    let at = rendered.sample(at_s);
    for (v, n) in rendered.tracks[track].x[at..].iter_mut().zip(x) {
        *v += n;
    }
}

/// Noise of an FM receiver at its threshold: clicks that come by chance, six a millisecond, of any height, behind a low-pass.
fn threshold_clicks(random: &mut Random, length_s: f64, hz: f64, level_dbfs: f64) -> Vec<f32> {
    let click = |random: &mut Random| {
        let (comes, height) = (random.within(0.0, 8.0) < 1.0, random.normal());
        if comes { height as f32 } else { 0.0 }
    };
    let mut x: Vec<f32> = (0..(48_000.0 * length_s) as usize)
        .map(|_| click(random))
        .collect();
    sources::lowpass(&mut x, hz, 48_000);
    let power = x.iter().map(|v| f64::from(v * v)).sum::<f64>() / x.len() as f64;
    let scale = (amplitude(level_dbfs) / power.sqrt()) as f32;
    x.iter_mut().for_each(|v| *v *= scale);
    x
}

/// Hair or the teeth of a zip at the capsule: grains below a millisecond that ring near 7.8 kHz, 4 to 9 ms apart.
fn grains(random: &mut Random, length_s: f64, top_dbfs: f64) -> Vec<f32> {
    let mut x = vec![0f32; (48_000.0 * length_s) as usize];
    let mut at = 0;
    while at < x.len() {
        let height = random.within(0.5, 1.0) * amplitude(top_dbfs);
        let turn = std::f64::consts::TAU * 7800.0 * random.within(0.9, 1.1);
        for (k, v) in x[at..].iter_mut().take(96).enumerate() {
            let t = k as f64 / 48_000.0;
            *v += (height * (turn * t).sin() * (-t / 0.0001).exp()) as f32;
        }
        at += (48.0 * random.within(4.0, 9.0)) as usize;
    }
    x
}

/// A connector that gives way: the wave jumps, sinks back within some milliseconds and rings at 1.8 kHz meanwhile.
fn ringing_step(top_dbfs: f64) -> Vec<f32> {
    let wave = |k: u32| {
        let t = f64::from(k) / 48_000.0;
        let ring = 0.4 * (std::f64::consts::TAU * 1800.0 * t).sin() * (-t / 0.001).exp();
        (amplitude(top_dbfs) * ((-t / 0.005).exp() + ring)) as f32
    };
    (0..4800).map(wave).collect()
}

/// A receiver at its threshold puts out clicks; a low-pass behind it leaves them as dull as cloth.
#[test]
fn clicks_of_a_receiver_at_its_threshold_are_radio_and_no_cloth() {
    for (seed, length) in [(65, 0.15), (66, 0.25), (67, 0.6)] {
        let mut rendered = scene(seed).render();
        let track = rendered.track("Hedda");
        let (_, quiet) = times(&rendered, 0);
        let noise = threshold_clicks(&mut Random::new(seed), length, 2000.0, -40.0);
        add(&mut rendered, track, quiet, &noise);
        let take = check(&rendered);
        assert_found(&take, "rf_hit", track + 1, quiet, quiet + length, 0.05);
        assert_silent(&take, "rustle");
    }
}

/// As white and as unheard elsewhere as radio, but it falls silent between its grains.
#[test]
fn grains_of_hair_and_zips_are_rustle_and_no_radio() {
    for seed in [66, 67] {
        let mut rendered = scene(seed).render();
        let track = rendered.track("Hedda");
        let (_, quiet) = times(&rendered, 0);
        let touch = grains(&mut Random::new(seed), 0.45, -20.0);
        add(&mut rendered, track, quiet, &touch);
        let take = check(&rendered);
        assert_found(&take, "rustle", track + 1, quiet, quiet + 0.45, 0.05);
        assert_silent(&take, "rf_hit");
    }
}

/// What begins as a jump is no sound, though it rings; a doublet of a link has no jump in it.
#[test]
fn a_jump_that_rings_is_a_click_and_a_doublet_is_none() {
    for seed in [66, 67] {
        let mut scene = scene(seed);
        scene.background_db = -60.0;
        let mut rendered = scene.render();
        let (boom, worn) = (rendered.track("Boom"), rendered.track("Hedda"));
        let (_, quiet) = times(&rendered, 0);
        let mut linked = rendered.clone();
        add(&mut rendered, boom, quiet, &ringing_step(-24.0));
        let take = check(&rendered);
        assert_found(&take, "click", boom + 1, quiet, quiet, 0.002);
        assert_silent(&take, "rf_hit");
        linked.doublets(worn, quiet, 1, -30.0);
        let take = check(&linked);
        assert_found(&take, "rf_hit", worn + 1, quiet, quiet, 0.02);
        assert_silent(&take, "click");
    }
}
