//! What sounds or looks like a fault and is none: each take here must come out without anything above a note. The faults
//! themselves stand in the files of their rooms.

use takeproof::report::model::Verdict;
use takeproof::synth::scene::{Fader, Line, Sound};
use takeproof::synth::sources::{self, Random};
use takeproof::synth::wav::{Format, Label};
use takeproof::synth::{Rendered, Scene};

use crate::harness::{assert_clean, assert_silent, check, check_as};

fn dialogue(seed: u64) -> Scene {
    Scene::dialogue(&["Hedda", "Orrin"], 16.0, seed)
}

fn finished(scene: &Scene) -> Rendered {
    let mut rendered = scene.render();
    rendered.usual_mix("Mix");
    rendered
}

#[test]
fn a_plain_dialogue_is_clean() {
    for seed in 1..6 {
        let mut scene = dialogue(seed);
        scene.clap(0.8);
        let take = check(&finished(&scene));
        assert_clean(&take);
        assert_eq!(take.verdict, Verdict::NothingFound);
    }
}

#[test]
fn a_plain_dialogue_of_three_is_clean() {
    assert_clean(&check(
        &Scene::dialogue(&["Hedda", "Orrin", "Wim"], 20.0, 63).render(),
    ));
}

#[test]
fn claps_doors_and_coughs_are_heard_by_every_microphone() {
    let mut scene = dialogue(11);
    let cough = sources::cough(&mut Random::new(3));
    scene
        .clap(0.8)
        .slam(7.3)
        .sound(9.1, 12.0, cough)
        .clap(12.4)
        .slam(3.1);
    assert_clean(&check(&finished(&scene)));
}

#[test]
fn breath_on_the_capsule_is_part_of_a_voice() {
    let mut scene = dialogue(12);
    let pop = sources::plosive(&mut Random::new(4));
    let (mouth, at) = (scene.talkers[0].position, scene.lines[0].at_s + 0.02);
    scene.sounds.push(takeproof::synth::scene::Sound {
        at_s: at,
        peak_db: -6.0,
        position: mouth,
        audio: pop,
    });
    assert_clean(&check(&finished(&scene)));
}

#[test]
fn a_low_voice_that_holds_a_note_is_no_hum() {
    for hz in [99.0, 100.0, 119.0, 120.0] {
        let mut scene = dialogue(13);
        let note = sources::held_note(3.0, hz);
        let mouth = scene.talkers[1].position;
        scene.sounds.push(takeproof::synth::scene::Sound {
            at_s: 11.0,
            peak_db: 2.0,
            position: mouth,
            audio: note,
        });
        assert_silent(&check(&finished(&scene)), "hum");
    }
}

#[test]
fn a_distant_radio_is_music() {
    let mut scene = dialogue(14);
    let music = sources::music(&mut Random::new(5), 15.0);
    scene.sound(0.5, -14.0, music);
    assert_clean(&check(&finished(&scene)));
}

#[test]
fn shouts_and_whispers_are_acting() {
    let mut scene = dialogue(15);
    for line in &mut scene.lines {
        line.level_db += if line.talker == 0 { 11.0 } else { -12.0 };
    }
    assert_clean(&check(&finished(&scene)));
}

#[test]
fn float_peaks_above_full_scale_are_no_clipping() {
    let mut rendered = finished(&dialogue(16));
    for track in 1..rendered.tracks.len() {
        let top = rendered.tracks[track]
            .x
            .iter()
            .fold(0f32, |m, v| m.max(v.abs()));
        rendered.step_gain(track, 0.0, 4.0 - 20.0 * f64::from(top).log10());
    }
    let take = check_as(
        &rendered,
        &Label {
            format: Format::Float32,
            ..Label::default()
        },
    );
    assert_silent(&take, "clipping");
    assert_silent(&take, "flat_top");
}

#[test]
fn a_pack_muted_at_the_head_or_the_tail_is_asleep() {
    for (zeros, head) in [(true, true), (false, true), (true, false)] {
        let mut rendered = dialogue(17).render();
        let track = rendered.track("Orrin");
        let own = rendered
            .speech
            .iter()
            .filter(|s| s.0 == 1)
            .map(|s| (s.1, s.2));
        let (first, last) = own.fold((99.0, 0.0), |(a, b): (f64, f64), s| {
            (a.min(s.0), b.max(s.1))
        });
        if head {
            let woken = rendered.clone();
            rendered.dead(track, 0.0, zeros);
            let from = rendered.sample(first - 0.6);
            rendered.tracks[track].x[from..].copy_from_slice(&woken.tracks[track].x[from..]);
        } else {
            rendered.dead(track, last + 0.6, zeros);
        }
        let take = check(&rendered);
        assert_silent(&take, "dropout");
        assert_silent(&take, "dead_track");
        assert_silent(&take, "click");
        assert_silent(&take, "rf_hit");
    }
}

#[test]
fn a_safety_copy_is_no_duplicate() {
    let mut rendered = dialogue(18).render();
    let boom = rendered.track("Boom");
    let mut copy = rendered.tracks[boom].clone();
    copy.name = "Boom safety -12".into();
    copy.x.iter_mut().for_each(|v| *v *= 0.25);
    rendered.tracks.push(copy);
    rendered.wearers.push(None);
    assert_silent(&check(&rendered), "duplicate_track");
}

#[test]
fn a_limiter_on_the_mix_leaves_no_flat_tops() {
    let mut rendered = finished(&dialogue(19));
    rendered.step_gain(0, 0.0, 6.0);
    rendered.limit(0, -5.0);
    assert_clean(&check(&rendered));
}

#[test]
fn gates_and_fades_are_no_dropouts() {
    let mut rendered = dialogue(20).render();
    let (hedda, orrin) = (rendered.track("Hedda"), rendered.track("Orrin"));
    rendered.gate(hedda, -40.0);
    rendered.fade(orrin, 0.0, 1.5, true);
    rendered.fade(orrin, 15.0, 16.0, false);
    assert_silent(&check(&rendered), "dropout");
}

#[test]
fn room_tone_and_wild_sound_have_no_speech_to_judge() {
    let mut scene = Scene::new(30.0, 21);
    scene.boom().talker("Hedda").talker("Orrin");
    let label = Label {
        take_type: "WILD_TRACK".into(),
        note: "room tone".into(),
        ..Label::default()
    };
    let take = check_as(&scene.render(), &label);
    assert_clean(&take);
    assert!(take.speech.is_empty());
}

/// Whispers: the spectrum of words without a voice in it. Made from the recorded phrases with random phases every 6 ms.
fn whispered(x: &[f32], random: &mut Random) -> Vec<f32> {
    let (size, hop) = (288, 72);
    let mut planner = realfft::RealFftPlanner::<f32>::new();
    let (forward, back) = (
        planner.plan_fft_forward(size),
        planner.plan_fft_inverse(size),
    );
    let window: Vec<f32> = (0..size)
        .map(|n| (std::f32::consts::PI * n as f32 / size as f32).sin())
        .collect();
    let mut out = vec![0f32; x.len() + size];
    let mut spectrum = forward.make_output_vec();
    for start in (0..x.len().saturating_sub(size)).step_by(hop) {
        let mut input: Vec<f32> = (0..size).map(|n| x[start + n] * window[n]).collect();
        forward.process(&mut input, &mut spectrum).unwrap();
        for bin in &mut spectrum {
            let phase = random.within(0.0, std::f64::consts::TAU) as f32;
            *bin = realfft::num_complex::Complex::from_polar(bin.norm() / size as f32, phase);
        }
        for end in [0, size / 2] {
            spectrum[end].im = 0.0;
        }
        back.process(&mut spectrum, &mut input).unwrap();
        for n in 0..size {
            out[start + n] += input[n] * window[n] * 0.5;
        }
    }
    sources::highpass(&mut out, 300.0, 48_000);
    out
}

/// Two people who say nothing yet; background and the microphones' own noise, dB re normal speech at 1 m.
fn two_people(seconds: f64, seed: u64, background_db: f64, noise_db: f64) -> Scene {
    let mut scene = Scene::new(seconds, seed);
    scene.boom().talker("Hedda").talker("Orrin");
    scene.background_db = background_db;
    scene
        .microphones
        .iter_mut()
        .for_each(|m| m.noise_db = noise_db);
    scene
}

/// Talkers say their first phrase at some seconds.
fn say(scene: &mut Scene, lines: &[(usize, f64)]) {
    let line = |&(talker, at_s)| Line {
        talker,
        phrase: 0,
        at_s,
        level_db: 0.0,
    };
    scene.lines.extend(lines.iter().map(line));
}

/// A sound from where a talker stands, as loud as a voice or by so much louder.
fn utter(scene: &mut Scene, talker: usize, at_s: f64, peak_db: f64, audio: &[f32]) {
    let top = audio.iter().fold(0f32, |m, v| m.max(v.abs()));
    scene.sounds.push(Sound {
        at_s,
        peak_db,
        position: scene.talkers[talker].position,
        audio: audio.iter().map(|v| v / top).collect(),
    });
}

#[test]
fn whispers_are_no_radio_and_no_cloth() {
    let mut scene = two_people(16.0, 22, -60.0, -56.0);
    let mut random = Random::new(6);
    for (k, at_s) in [(0, 1.5), (1, 5.2), (0, 8.9), (1, 12.3)] {
        let voice = &sources::VOICES[k];
        let audio = whispered(&voice[(at_s as usize) % voice.len()], &mut random);
        utter(&mut scene, k, at_s, 0.0, &audio);
    }
    let take = check(&scene.render());
    for kind in [
        "rf_hit", "click", "dropout", "rustle", "muffled", "rumble", "hum",
    ] {
        assert_silent(&take, kind);
    }
}

/// A fader that is up over a whisper is where it belongs, although nobody's voice is found there.
#[test]
fn a_fader_up_over_a_whisper_is_no_open_microphone() {
    let mut scene = two_people(24.0, 25, -66.0, -70.0);
    say(&mut scene, &[(0, 1.5), (1, 7.0), (1, 18.0)]);
    let mut random = Random::new(7);
    let audio = whispered(&sources::VOICES[0][0], &mut random);
    let length_s = audio.len() as f64 / 48_000.0;
    for at_s in [12.2, 12.2 + length_s] {
        utter(&mut scene, 0, at_s, -28.0, &audio);
    }
    let mut rendered = scene.render();
    let faders = ["Hedda", "Orrin"].map(|name| {
        let track = rendered.track(name);
        let mut up = rendered.wearers[track].map_or(Vec::new(), |wearer| rendered.lines_of(wearer));
        if name == "Hedda" {
            up.push((12.0, 12.4 + 2.0 * length_s));
        }
        Fader {
            track,
            gain_db: 0.0,
            up,
        }
    });
    rendered.mix("Mix", &faders, -70.0);
    assert_silent(&check(&rendered), "open_mic");
}

#[test]
fn a_shout_near_full_scale_is_acting() {
    let mut scene = dialogue(23);
    let shout = scene.lines.len() / 2;
    for (n, line) in scene.lines.iter_mut().enumerate() {
        line.level_db += if n == shout { 0.0 } else { -12.0 };
    }
    let mut rendered = scene.render();
    // The shout's highest peak stands 0.3 dB below full scale, everything else 12 dB lower.
    for track in 0..rendered.tracks.len() {
        let top = rendered.tracks[track]
            .x
            .iter()
            .fold(0f32, |m, v| m.max(v.abs()));
        rendered.step_gain(track, 0.0, -0.3 - 20.0 * f64::from(top).log10());
    }
    let take = check(&rendered);
    for kind in [
        "clipping",
        "flat_top",
        "rf_hit",
        "click",
        "rustle",
        "gain_step",
        "level_hot",
    ] {
        assert_silent(&take, kind);
    }
}

#[test]
fn long_pauses_are_no_gaps() {
    let mut scene = two_people(30.0, 24, -66.0, -70.0);
    say(&mut scene, &[(0, 2.0), (1, 11.5), (0, 21.0)]);
    let take = check(&scene.render());
    for kind in [
        "dropout",
        "dead_track",
        "cut_short",
        "open_mic",
        "noise_change",
        "muffled",
    ] {
        assert_silent(&take, kind);
    }
}

/// Where nobody holds a boom, the pack of somebody who whispers is turned up by 17 dB beside packs of people who shout and talk.
/// Whatever he says is far louder on it than what the others tell; cloth on it is louder still.
#[test]
fn a_whisperer_with_a_high_gain_is_no_cloth() {
    for seed in [26, 27] {
        let mut scene = Scene::new(24.0, seed);
        for name in ["Hedda", "Orrin", "Wim"] {
            scene.talker(name);
        }
        scene.background_db = -66.0;
        let quiet = |m: &mut takeproof::synth::scene::Microphone| m.noise_db = -60.0;
        scene.microphones.iter_mut().for_each(quiet);
        scene.converse(1.0, 23.0);
        let turns: Vec<Line> = (scene.lines.iter().filter(|l| l.talker == 2).copied()).collect();
        scene.lines.retain(|l| l.talker != 2);
        for line in scene.lines.iter_mut().filter(|l| l.talker == 0) {
            line.level_db += 8.0;
        }
        let mut random = Random::new(seed);
        let voice = &sources::VOICES[scene.talkers[2].voice];
        for line in &turns {
            let audio = whispered(&voice[line.phrase % voice.len()], &mut random);
            utter(&mut scene, 2, line.at_s, -6.0, &audio);
        }
        let mut rendered = scene.render();
        let (orrin, wim) = (rendered.track("Orrin"), rendered.track("Wim"));
        let (start, end) = rendered.lines_of(0)[0];
        let shouted_db = |track: usize| {
            let x = &rendered.tracks[track].x[rendered.sample(start)..rendered.sample(end)];
            10.0 * x.iter().map(|v| f64::from(v * v)).sum::<f64>().log10()
        };
        let lift_db = 17.0 + shouted_db(orrin) - shouted_db(wim);
        rendered.step_gain(wim, 0.0, lift_db);
        assert_silent(&check(&rendered), "rustle");
    }
}
