//! Faults that last: hum, background, rumble, rustle, muffled and dead microphones. Each is found on the right microphone from
//! the right time on, and its near-misses stay silent.

use takeproof::report::model;
use takeproof::synth::{Rendered, Scene};

use crate::harness::{alarms, assert_found, assert_silent, check, listing};

/// Tracks: Boom 1, Hedda 2, Orrin 3 (1-based; `Rendered` counts from 0).
fn dialogue(seconds: f64, seed: u64) -> Scene {
    Scene::dialogue(&["Hedda", "Orrin"], seconds, seed)
}

fn take(seconds: f64, seed: u64) -> Rendered {
    dialogue(seconds, seed).render()
}

fn start(found: &[&model::Finding]) -> f64 {
    found[0].start_s.unwrap()
}

#[test]
fn hum_on_one_microphone_is_found_with_its_frequency() {
    for (hz, from) in [(50.03, 0.0), (59.96, 8.0)] {
        let mut rendered = take(24.0, 31);
        rendered.hum(2, hz, -58.0, from);
        let checked = check(&rendered);
        assert_found(&checked, "hum", 3, from, 24.0, 0.0);
        let found = alarms(&checked, "hum");
        assert_eq!(found.len(), 1);
        assert!((start(&found) - from).abs() < 0.7, "{}", start(&found));
        let measured = found[0].evidence["hum_hz"].as_f64().unwrap();
        assert!((measured - hz).abs() < 0.05, "{measured}");
        assert_eq!(found[0].origin, model::Origin::ThisMic);
        let reported = checked.tracks[2].measurements.hum_hz.unwrap();
        assert!((reported - hz).abs() < 0.05, "{reported}");
        assert_eq!(checked.tracks[1].measurements.hum_hz, None);
    }
}

#[test]
fn a_faint_whistle_is_found_and_a_tone_in_the_room_is_of_the_place() {
    let mut rendered = take(20.0, 32);
    rendered.tone(1, 7912.0, -84.0, 0.0);
    let checked = check(&rendered);
    assert_found(&checked, "hum", 2, 0.0, 20.0, 0.0);
    // Where voices are, the pauses have to show it.
    let mut rendered = take(20.0, 32);
    rendered.tone(1, 1021.0, -88.0, 0.0);
    assert_found(&check(&rendered), "hum", 2, 0.0, 20.0, 0.0);
    let mut rendered = take(20.0, 33);
    (0..3).for_each(|track| rendered.tone(track, 612.0, -68.0, 0.0));
    let checked = check(&rendered);
    let all = checked.findings.iter().filter(|f| f.kind == "hum");
    let found: Vec<_> = all.collect();
    assert_eq!(found.len(), 1, "one finding for the place");
    assert_eq!(found[0].origin, model::Origin::Place);
    assert_eq!(found[0].tracks, [1, 2, 3]);
}

#[test]
fn a_hissing_microphone_is_noise_high_and_a_quiet_one_is_not() {
    let mut scene = dialogue(20.0, 34);
    scene.microphones[1].noise_db = 5.0;
    let checked = check(&scene.render());
    assert_found(&checked, "noise_high", 2, 0.0, 20.0, 0.0);
    let snr = checked.tracks[1].measurements.snr_db.unwrap();
    assert!((3.0..12.5).contains(&snr), "{snr}");
    assert!(
        alarms(&checked, "noise_high")
            .iter()
            .all(|f| !f.tracks.contains(&3))
    );
    assert_silent(&check(&take(20.0, 34)), "noise_high");
}

/// As much noise on a pack as its wearer's words have: they can hardly be made out.
#[test]
fn a_pack_drowned_in_its_own_noise_is_noise_high() {
    let mut rendered = take(20.0, 34);
    let mut dice = fastrand::Rng::with_seed(34);
    for v in &mut rendered.tracks[1].x {
        *v += 0.2 * (dice.f32() - 0.5);
    }
    let checked = check(&rendered);
    assert_found(&checked, "noise_high", 2, 0.0, 20.0, 0.0);
    assert!(
        alarms(&checked, "noise_high")
            .iter()
            .all(|f| f.tracks == [2]),
        "{}",
        listing(&checked)
    );
}

#[test]
fn a_machine_that_starts_is_one_finding_for_all_who_hear_it() {
    let mut scene = dialogue(30.0, 35);
    scene.background_db = -40.0;
    scene.machines.push((15.0, 30.0, -31.0));
    let checked = check(&scene.render());
    let found = alarms(&checked, "noise_change");
    assert_eq!(found.len(), 1, "{:?}", found);
    assert!((start(&found) - 15.0).abs() < 2.0, "{}", start(&found));
    assert!(found[0].tracks.len() >= 2);
    assert!(found[0].evidence["change_db"].as_f64().unwrap() > 4.0);
    let mut steady = dialogue(30.0, 35);
    steady.background_db = -34.0;
    assert_silent(&check(&steady.render()), "noise_change");
}

/// When a machine stops, every microphone gets quieter; none of them is muted by that.
#[test]
fn cloth_is_told_after_a_machine_has_stopped() {
    let mut scene = dialogue(30.0, 35);
    scene.background_db = -50.0;
    scene.machines.push((0.0, 18.0, -31.0));
    let mut rendered = scene.render();
    rendered.rustle(1, 24.0, 1.5, -12.0);
    assert_found(&check(&rendered), "rustle", 2, 24.0, 25.5, 0.0);
}

#[test]
fn wind_on_the_boom_is_rumble_and_a_door_is_not() {
    let mut rendered = take(20.0, 36);
    rendered.wind(0, 9.0, 3.0, -8.0);
    let checked = check(&rendered);
    assert_found(&checked, "rumble", 1, 9.0, 12.0, 0.0);
    assert_eq!(alarms(&checked, "rumble").len(), 1);
    let mut scene = dialogue(20.0, 36);
    scene.slam(7.0).slam(12.5);
    assert_silent(&check(&scene.render()), "rumble");
}

/// A word that begins elsewhere at the same time does not make a knock on the pole a blow in the room.
#[test]
fn a_hand_on_the_pole_under_a_word_is_rumble() {
    let mut scene = dialogue(20.0, 41);
    scene.background_db = -60.0;
    let mut rendered = scene.render();
    assert_silent(&check(&rendered), "rumble");
    let word = rendered.lines_of(0)[1].0;
    rendered.knock(0, word, 9.0);
    assert_found(&check(&rendered), "rumble", 1, word, word + 0.4, 0.1);
}

/// Without a boom the other body microphones bear witness, also for somebody who has no line.
#[test]
fn cloth_on_a_silent_actor_is_told_without_a_boom() {
    let mut scene = Scene::new(24.0, 42);
    for name in ["Hedda", "Orrin", "Sibyl"] {
        scene.talker(name);
    }
    scene.converse(1.0, 23.0);
    scene.lines.retain(|l| l.talker != 2);
    let silent = scene.render();
    assert_silent(&check(&silent), "rustle");
    let mut rendered = silent;
    let track = rendered.track("Sibyl");
    rendered.rustle(track, 12.0, 1.0, 20.0);
    assert_found(&check(&rendered), "rustle", track + 1, 12.0, 13.0, 0.0);
}

#[test]
fn cloth_on_a_body_microphone_is_rustle_and_a_cough_is_not() {
    let mut rendered = take(20.0, 37);
    rendered.rustle(1, 12.0, 1.5, -12.0);
    let checked = check(&rendered);
    assert_found(&checked, "rustle", 2, 12.0, 13.5, 0.0);
    assert!(alarms(&checked, "rustle").iter().all(|f| f.tracks == [2]));
    let mut scene = dialogue(20.0, 37);
    let cough = takeproof::synth::sources::cough(&mut takeproof::synth::sources::Random::new(5));
    scene.sound(8.0, 12.0, cough);
    assert_silent(&check(&scene.render()), "rustle");
}

/// A vowel has nothing above 8 kHz: a frame that has is cloth beside it.
#[test]
fn cloth_through_a_vowel_is_told() {
    for (seed, line, after, re_speech_db) in [(41, 0, 0.3, -12.0), (43, 1, 0.5, -8.0)] {
        let mut rendered = take(20.0, seed);
        let at = rendered.lines_of(0)[line].0 + after;
        rendered.rustle(1, at, 0.4, re_speech_db);
        let checked = check(&rendered);
        assert_found(&checked, "rustle", 2, at, at + 0.4, 0.0);
        assert!(alarms(&checked, "rustle").iter().all(|f| f.tracks == [2]));
    }
}

/// Frames drown in the words; above 8 kHz single strokes do not.
#[test]
fn cloth_far_below_the_words_is_told_by_its_strokes() {
    for seed in [37, 41] {
        let mut rendered = take(20.0, seed);
        let at = rendered.lines_of(0)[1].0 + 0.3;
        rendered.rustle(1, at, 1.2, -20.0);
        let checked = check(&rendered);
        assert_found(&checked, "rustle", 2, at, at + 1.2, 0.0);
        let found = alarms(&checked, "rustle");
        assert!(found.iter().all(|f| f.tracks == [2]));
        let level = |f: &&model::Finding| f.evidence.contains_key("level_8k_16k_dbfs");
        assert!(found.iter().all(level));
        assert_silent(&check(&take(20.0, seed)), "rustle");
    }
}

/// Butterworth low-pass of eighth order, corner in Hz (sections as in the audio equaliser cookbook by R. Bristow-Johnson).
fn steep_lowpass(x: &mut [f32], hz: f64, rate: u32) {
    let w = 2.0 * std::f64::consts::PI * hz / f64::from(rate);
    for q in [0.5098, 0.6013, 0.9, 2.5629] {
        let alpha = w.sin() / (2.0 * q);
        let (b, a0) = ((1.0 - w.cos()) / 2.0, 1.0 + alpha);
        let mut z = [0.0f64; 2];
        for v in x.iter_mut() {
            let (input, y) = (f64::from(*v), (b * f64::from(*v)) / a0 + z[0]);
            z[0] = 2.0 * b / a0 * input + 2.0 * w.cos() / a0 * y + z[1];
            z[1] = b / a0 * input - (1.0 - alpha) / a0 * y;
            *v = y as f32;
        }
    }
}

/// Consonants up to 3 kHz are left: too little is missing from 2.5 to 6.3 kHz.
#[test]
fn a_voice_left_up_to_3_khz_is_muffled() {
    let mut rendered = take(30.0, 38);
    let own: Vec<(usize, f64, f64)> = (rendered.speech.iter().copied())
        .filter(|s| s.0 == 1)
        .collect();
    let from = own[own.len() / 2].1 - 0.1;
    let (first, rate) = ((from * 48_000.0) as usize, rendered.rate);
    steep_lowpass(&mut rendered.tracks[2].x[first..], 3200.0, rate);
    let checked = check(&rendered);
    let found = alarms(&checked, "muffled");
    assert_eq!(found.len(), 1, "{}", listing(&checked));
    assert_eq!(found[0].tracks, [3]);
    assert_eq!(found[0].evidence["from_hz"], 3400.0);
    assert!((start(&found) - from).abs() < 0.6, "{}", start(&found));
}

#[test]
fn a_capsule_that_slips_is_muffled_from_there_on() {
    let mut rendered = take(30.0, 38);
    let own: Vec<(usize, f64, f64)> = rendered
        .speech
        .iter()
        .copied()
        .filter(|s| s.0 == 1)
        .collect();
    let from = own[own.len() / 2].1 - 0.1;
    rendered.muffle(2, from);
    let checked = check(&rendered);
    let found = alarms(&checked, "muffled");
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].tracks, [3]);
    assert!(
        (start(&found) - from).abs() < 0.6,
        "{} {from}",
        start(&found)
    );
    assert_silent(&check(&take(30.0, 38)), "muffled");
}

#[test]
fn a_dead_pack_is_found_and_a_silent_actor_is_not() {
    for (from, zeros) in [(0.0, true), (0.0, false), (9.0, false)] {
        let mut rendered = take(24.0, 39);
        rendered.dead(2, from, zeros);
        let checked = check(&rendered);
        assert_found(&checked, "dead_track", 3, from, 24.0, 0.0);
        let found = alarms(&checked, "dead_track");
        assert_eq!(found.len(), 1);
        assert!((start(&found) - from).abs() < 0.1, "{}", start(&found));
        // What is left of it is no background that the rest could rumble over.
        assert_silent(&checked, "rumble");
    }
    // It dies within a word: the jump from its last sample is no fault of its own.
    let mut rendered = take(24.0, 40);
    let (first, last) = rendered.lines_of(1)[0];
    let from = (first + last) / 2.0;
    rendered.dead(2, from, false);
    let checked = check(&rendered);
    assert_found(&checked, "dead_track", 3, from, 24.0, 0.0);
    assert_silent(&checked, "click");
    let mut scene = dialogue(24.0, 39);
    scene.lines.retain(|l| l.talker == 0);
    assert_silent(&check(&scene.render()), "dead_track");
}

#[test]
fn a_turned_trim_is_a_gain_step_and_a_machine_is_not() {
    let mut rendered = take(30.0, 40);
    rendered.step_gain(1, 14.0, 6.0);
    let checked = check(&rendered);
    let found = alarms(&checked, "gain_step");
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].tracks, [2]);
    assert!((found[0].evidence["step_db"].as_f64().unwrap() - 6.0).abs() < 1.0);
    assert_silent(&check(&take(30.0, 40)), "gain_step");
}
