//! Where reporting starts: both sides of each line of the report contract's table, at a distance from it that the measurement
//! itself needs.

use takeproof::report::model::Take;
use takeproof::synth::sources::Random;
use takeproof::synth::wav::{Format, Label};
use takeproof::synth::{Rendered, Scene};

use crate::harness::{alarms, assert_silent, check, check_as, listing};

fn dialogue(seed: u64) -> Rendered {
    Scene::dialogue(&["Hedda", "Orrin"], 16.0, seed).render()
}

fn told_on(take: &Take, kind: &str, track: usize) -> bool {
    alarms(take, kind)
        .iter()
        .any(|f| f.tracks.contains(&(track + 1)))
}

/// A kind is told of a track, or is not; `at`: on which side of the line the case lies.
fn assert_told(take: &Take, kind: &str, track: usize, told: bool, at: impl std::fmt::Display) {
    assert_eq!(told_on(take, kind, track), told, "{at}: {}", listing(take));
}

/// The measured active speech level of a track moved to a value.
fn speech_to(rendered: &mut Rendered, track: usize, dbfs: f64) {
    let now = check(rendered).tracks[track].measurements.speech_level_dbfs;
    rendered.step_gain(track, 0.0, dbfs - now.unwrap());
}

#[test]
fn speech_below_45_dbfs_is_low_and_above_36_it_is_not() {
    let mut rendered = dialogue(61);
    let track = rendered.track("Orrin");
    for (dbfs, told) in [(-46.5, true), (-34.5, false)] {
        speech_to(&mut rendered, track, dbfs);
        let take = check(&rendered);
        assert_told(&take, "level_low", track, told, dbfs);
    }
}

#[test]
fn speech_above_14_dbfs_is_hot_and_below_17_it_is_not() {
    let mut rendered = dialogue(62);
    let track = rendered.track("Hedda");
    for (dbfs, told) in [(-18.5, false), (-11.0, true)] {
        speech_to(&mut rendered, track, dbfs);
        // Peaks are held well below full scale: the level alone decides.
        let mut limited = rendered.clone();
        limited.limit(track, -1.5);
        let take = check(&limited);
        let level = take.tracks[track].measurements.speech_level_dbfs.unwrap();
        assert_eq!(level > -14.0, told, "{level}");
        assert_told(&take, "level_hot", track, told, level);
    }
}

#[test]
fn three_peaks_at_the_top_are_hot_and_two_are_not() {
    let plain = dialogue(63);
    let track = plain.track("Hedda");
    let own = plain.lines_of(0);
    for (peaks, told) in [(4, true), (2, false)] {
        let mut rendered = plain.clone();
        for k in 0..peaks {
            // Syllables 0.6 s apart, lifted smoothly until their peak stands 0.2 dB below full scale.
            let (start, end) = own[k / 2 % own.len()];
            let middle = start + (end - start) * if k % 2 == 0 { 0.3 } else { 0.7 };
            let (a, b) = (rendered.sample(middle - 0.1), rendered.sample(middle + 0.1));
            let x = &mut rendered.tracks[track].x;
            let lift = |gain: f32, i: usize| {
                let t = (i - a) as f32 / (b - a) as f32;
                1.0 + (gain - 1.0) * (std::f32::consts::PI * t).sin().powi(2)
            };
            let top = |gain: f32| {
                (a..b)
                    .map(|i| (x[i] * lift(gain, i)).abs())
                    .fold(0f32, f32::max)
            };
            let gain = (100..4000)
                .map(|g| g as f32 / 100.0)
                .rfind(|&g| top(g) <= 0.977);
            let gain = gain.unwrap_or(1.0);
            for (i, v) in x.iter_mut().enumerate().take(b).skip(a) {
                *v *= lift(gain, i);
            }
        }
        let take = check(&rendered);
        assert_told(&take, "level_hot", track, told, peaks);
        assert_silent(&take, "clipping");
    }
}

#[test]
fn levels_of_float_files_lose_nothing() {
    let mut rendered = dialogue(64);
    let track = rendered.track("Orrin");
    let float = Label {
        format: Format::Float32,
        ..Label::default()
    };
    for db in [-30.0, 50.0] {
        rendered.step_gain(track, 0.0, db);
        let take = check_as(&rendered, &float);
        for kind in ["level_low", "level_hot", "clipping", "flat_top"] {
            assert!(!told_on(&take, kind, track), "{db}: {}", listing(&take));
        }
    }
}

#[test]
fn speech_12_db_over_its_noise_is_noisy_and_16_is_not() {
    let clean = dialogue(65);
    let track = clean.track("Hedda");
    let speech = check(&clean).tracks[track]
        .measurements
        .speech_level_dbfs
        .unwrap();
    for (distance, told) in [(9.5, true), (19.0, false)] {
        let mut rendered = clean.clone();
        let mut hiss = Random::new(5).white(rendered.len());
        // A falling spectrum, as rooms and preamplifiers have below 4 kHz.
        takeproof::synth::sources::lowpass(&mut hiss, 4000.0, 48_000);
        let power = hiss.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / hiss.len() as f64;
        let gain = 10f64.powf((speech - distance) / 20.0) / power.sqrt();
        for (v, h) in rendered.tracks[track].x.iter_mut().zip(hiss) {
            *v += h * gain as f32;
        }
        let take = check(&rendered);
        assert_told(&take, "noise_high", track, told, distance);
        let snr = take.tracks[track].measurements.snr_db.unwrap();
        assert!((snr - distance).abs() < 2.0, "{distance}: {snr}");
    }
}

#[test]
fn a_background_that_moves_by_4_db_is_told_and_by_2_it_is_not() {
    let mut scene = Scene::dialogue(&["Hedda", "Orrin"], 30.0, 66);
    scene.background_db = -70.0;
    for microphone in &mut scene.microphones {
        microphone.noise_db = -70.0;
    }
    let plain = scene.render();
    for (change_db, told) in [(5.0, true), (1.8, false)] {
        let mut rendered = plain.clone();
        let after = 10f32.powf(change_db / 20.0);
        for (seed, track) in rendered.tracks.iter_mut().enumerate() {
            let mut hiss = Random::new(seed as u64).white(track.x.len());
            takeproof::synth::sources::lowpass(&mut hiss, 1500.0, 48_000);
            let half = hiss.len() / 2;
            hiss[half..].iter_mut().for_each(|h| *h *= after);
            // About -55 dBFS.
            for (v, h) in track.x.iter_mut().zip(hiss) {
                *v += h * 0.006;
            }
        }
        let take = check(&rendered);
        assert_eq!(
            !alarms(&take, "noise_change").is_empty(),
            told,
            "{change_db}: {}",
            listing(&take)
        );
    }
}

#[test]
fn an_offset_above_55_dbfs_is_told_and_below_it_is_not() {
    let plain = dialogue(67);
    let track = plain.track("Boom");
    for (dbfs, told) in [(-54.0, true), (-56.5, false)] {
        let mut rendered = plain.clone();
        rendered.offset(track, 10f32.powf(dbfs / 20.0));
        let take = check(&rendered);
        assert_told(&take, "dc_offset", track, told, dbfs);
    }
}

#[test]
fn peaks_of_the_mix_above_0_7_dbtp_are_over_and_below_1_5_they_are_not() {
    let mut rendered = dialogue(68);
    rendered.usual_mix("Mix");
    let mix = rendered.track("Mix");
    for (dbtp, told) in [(-0.5, true), (-1.7, false)] {
        let now = check(&rendered).tracks[mix]
            .measurements
            .true_peak_dbtp
            .unwrap();
        rendered.step_gain(mix, 0.0, dbtp - now);
        let take = check(&rendered);
        assert_told(&take, "true_peak_over", mix, told, dbtp);
    }
}

#[test]
fn a_line_over_the_background_is_hum_however_faint() {
    // Ten seconds without words at the end: the line is steady over seconds, and nothing covers it there.
    let mut scene = Scene::dialogue(&["Hedda", "Orrin"], 16.0, 69);
    scene.seconds = 26.0;
    scene.background_db = -90.0;
    let plain = scene.render();
    let track = plain.track("Boom");
    assert_silent(&check(&plain), "hum");
    // White noise of the level L has L - 43.8 dB in 1 Hz; the lines stand over that and far below the noise as a whole.
    for (hz, over_db) in [(150.0, 12.0), (433.0, 18.0), (1730.0, 18.0), (5210.0, 18.0)] {
        let mut rendered = plain.clone();
        let hiss = Random::new(8).white(rendered.len());
        for (v, h) in rendered.tracks[track].x.iter_mut().zip(hiss) {
            *v += h * 10f32.powf(-60.0 / 20.0);
        }
        rendered.tone(track, hz, -60.0 - 43.8 + over_db, 0.0);
        let take = check(&rendered);
        assert!(told_on(&take, "hum", track), "{hz}: {}", listing(&take));
    }
}
