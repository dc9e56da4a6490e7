//! Between tracks: copies, polarity, combing and open microphones in the mix, late tracks, bleed, tracks after the fader.

use takeproof::report::model;
use takeproof::synth::scene::{Fader, Rendered, Scene};

use takeproof::synth::sources;
use takeproof::synth::wav::Label;

use crate::harness::{assert_found, assert_silent, check, check_as, listing};

fn dialogue(seed: u64) -> Rendered {
    Scene::dialogue(&["Hedda", "Orrin", "Wim"], 20.0, seed).render()
}

/// Digital links take up to 19 ms, beside a boom on a cable.
#[test]
fn polarity_is_told_across_the_slowest_link() {
    let mut r = dialogue(31);
    let orrin = r.track("Orrin");
    r.delay(orrin, 912);
    assert_silent(&check(&r), "polarity_inverted");
    r.invert(orrin);
    assert_found(&check(&r), "polarity_inverted", orrin + 1, 0.0, 20.0, 0.0);
}

/// Two seconds of words, which the boom hears directly: as good as twice as many in a room that rings.
#[test]
fn few_words_tell_a_polarity_where_the_direct_sound_is_heard() {
    let mut r = Scene::dialogue(&["Hedda", "Orrin", "Wim"], 7.0, 32).render();
    assert_silent(&check(&r), "polarity_inverted");
    let orrin = r.track("Orrin");
    r.invert(orrin);
    assert_found(&check(&r), "polarity_inverted", orrin + 1, 0.0, 7.0, 0.0);
}

/// A file that names no track: any of them may be the boom, so every pair is there, measured or not.
#[test]
fn tracks_without_names_have_all_their_pairs() {
    let bare = Label {
        bare: true,
        ..Label::default()
    };
    // The shorter one leaves the roles unknown; in the longer one they are guessed from what is heard.
    for (length_s, unknown) in [(2.0, true), (20.0, false)] {
        let scene = Scene::dialogue(&["Hedda", "Orrin"], length_s, 31).render();
        let take = check_as(&scene, &bare);
        let is_unknown = |t: &&model::Track| t.role == model::Role::Unknown;
        assert_eq!(take.tracks.iter().any(|t| is_unknown(&t)), unknown);
        has_all_pairs(&take);
    }
}

/// All tracks that are no mix are compared with each other.
fn has_all_pairs(take: &model::Take) {
    let unnamed: Vec<usize> = (take.tracks.iter())
        .filter(|t| t.role != model::Role::Mix)
        .map(|t| t.index)
        .collect();
    assert!(unnamed.len() > 1);
    for (k, a) in unnamed.iter().enumerate() {
        for b in &unnamed[k + 1..] {
            let pair = |p: &&model::Pair| p.a == *a && p.b == *b;
            assert_eq!(take.pairs.iter().filter(pair).count(), 1, "{a} {b}");
        }
    }
}

/// A second path may have a low-cut of its own, which turns the phase of the lows and takes some level from them.
#[test]
fn a_copy_through_another_low_cut_is_a_duplicate() {
    for hz in [40.0, 100.0] {
        let mut r = dialogue(31);
        let (from, to) = (r.track("Orrin"), r.track("Wim"));
        r.duplicate(from, to, -3.0);
        r.low_cut(to, hz);
        assert_found(&check(&r), "duplicate_track", to + 1, 0.0, 20.0, 0.0);
    }
    let mut other = dialogue(31);
    let wim = other.track("Wim");
    other.low_cut(wim, 100.0);
    assert_silent(&check(&other), "duplicate_track");
}

#[test]
fn one_input_on_two_tracks_is_a_duplicate() {
    for db in [0.0, -9.5] {
        let mut r = dialogue(31);
        let (from, to) = (r.track("Orrin"), r.track("Wim"));
        r.duplicate(from, to, db);
        let take = check(&r);
        assert_found(&take, "duplicate_track", from + 1, 0.0, 20.0, 0.0);
        assert_found(&take, "duplicate_track", to + 1, 0.0, 20.0, 0.0);
    }
    assert_silent(&check(&dialogue(31)), "duplicate_track");
}

#[test]
fn a_pack_wired_backwards_is_the_odd_one() {
    let mut r = dialogue(32);
    let orrin = r.track("Orrin");
    assert_silent(&check(&r), "polarity_inverted");
    r.invert(orrin);
    assert_found(&check(&r), "polarity_inverted", orrin + 1, 0.0, 20.0, 0.0);
}

/// Boom and the talker's own body microphone both up, at like level.
#[test]
fn boom_and_lav_up_together_comb_in_the_mix() {
    let mut r = dialogue(33);
    let (boom, hedda) = (r.track("Boom"), r.track("Hedda"));
    let up = |track| Fader {
        track,
        gain_db: 0.0,
        up: vec![(0.0, 99.0)],
    };
    let mut both = r.clone();
    both.mix("Mix", &[up(boom), up(hedda)], -70.0);
    let (start, end) = r
        .speech
        .iter()
        .find(|s| s.0 == 0)
        .map(|s| (s.1, s.2))
        .unwrap();
    assert_found(&check(&both), "comb_filtering", 1, start, end, 0.5);
    r.usual_mix("Mix");
    assert_silent(&check(&r), "comb_filtering");
}

#[test]
fn a_fader_left_up_is_an_open_microphone() {
    let r = dialogue(34);
    let faders = |open: bool| -> Vec<Fader> {
        (1..4)
            .map(|track| {
                let mut up = r.wearers[track].map_or(Vec::new(), |wearer| r.lines_of(wearer));
                if open && track == 3 {
                    up.push((0.0, 99.0));
                }
                Fader {
                    track,
                    gain_db: 0.0,
                    up,
                }
            })
            .collect()
    };
    let (mut open, mut usual) = (r.clone(), r.clone());
    open.mix("Mix", &faders(true), -70.0);
    usual.mix("Mix", &faders(false), -70.0);
    assert_found(&check(&open), "open_mic", 1, 3.0, 8.0, 1.0);
    assert_silent(&check(&usual), "open_mic");
}

/// A mix in which every pack is up over its wearer's words, `out` stays down, and the boom rests at `boom_db`.
fn mixed(r: &Rendered, out: Option<usize>, boom_db: f64) -> Rendered {
    let faders: Vec<Fader> = (0..r.tracks.len())
        .filter(|&t| Some(t) != out)
        .map(|track| Fader {
            track,
            gain_db: r.wearers[track].map_or(boom_db, |_| 0.0),
            up: r.wearers[track].map_or(vec![(0.0, 99.0)], |w| r.lines_of(w)),
        })
        .collect();
    let mut mixed = r.clone();
    mixed.mix("Mix", &faders, -70.0);
    mixed
}

fn of_mix<'a>(take: &'a model::Take, kind: &str) -> Vec<&'a model::Finding> {
    let of_mix = |f: &&model::Finding| f.kind == kind && f.tracks == [1];
    take.findings.iter().filter(of_mix).collect()
}

/// A channel that a bus turns over is told on the mix; one that it turns back is right there, and a mix in step is silent.
#[test]
fn a_channel_turned_over_in_the_bus_is_told_on_the_mix() {
    let r = dialogue(32);
    let orrin = r.track("Orrin");
    let mut turned = r.clone();
    turned.invert(orrin);
    let in_step = mixed(&r, None, -17.0);
    let (mut in_bus, on_track, mut back) = (
        in_step.clone(),
        mixed(&turned, None, -17.0),
        in_step.clone(),
    );
    // The mix of the turned tracks over the straight ones, and the other way round.
    in_bus.tracks[0] = on_track.tracks[0].clone();
    back.invert(orrin + 1);
    let (in_step, in_bus, on_track, back) = (
        check(&in_step),
        check(&in_bus),
        check(&on_track),
        check(&back),
    );
    assert_silent(&in_step, "polarity_inverted");
    let told = of_mix(&in_bus, "polarity_inverted");
    assert_eq!(told.len(), 1, "{}", listing(&in_bus));
    assert_eq!(told[0].origin, model::Origin::Mix);
    assert_eq!(
        told[0].evidence["microphones"],
        serde_json::json!([orrin + 2])
    );
    for take in [&on_track, &back] {
        assert_found(take, "polarity_inverted", orrin + 2, 0.0, 20.0, 0.0);
        assert!(
            of_mix(take, "polarity_inverted").is_empty(),
            "{}",
            listing(take)
        );
    }
}

/// The pack's own words are on its track and not in the mix: for post. With the boom up they are in it: a note.
#[test]
fn words_that_no_fader_lets_into_the_mix_are_told() {
    let r = dialogue(34);
    let orrin = r.track("Orrin");
    let (start, end) = (r.lines_of(1)[0].0, r.lines_of(1)[0].1);
    let without = check(&mixed(&r, Some(orrin), -70.0));
    assert_found(&without, "level_low", 1, start, end, 0.5);
    let told = of_mix(&without, "level_low");
    assert!(told.iter().all(|f| f.severity == model::Severity::Caution
        && f.evidence["microphones"] == serde_json::json!([orrin + 2])));
    let by_boom = check(&mixed(&r, Some(orrin), -3.0));
    let told = of_mix(&by_boom, "level_low");
    assert!(
        matches!(told[..], [f] if f.severity == model::Severity::Note),
        "{}",
        listing(&by_boom)
    );
    assert!(of_mix(&check(&mixed(&r, None, -70.0)), "level_low").is_empty());
}

/// Each of two people speaks at least three lines: fewer say nothing of a delay.
#[test]
fn a_track_late_by_more_than_geometry_is_told() {
    let mut r = Scene::dialogue(&["Hedda", "Orrin"], 30.0, 35).render();
    let (boom, hedda) = (r.track("Boom"), r.track("Hedda"));
    let before = check(&r);
    let any = |take: &model::Take| take.findings.iter().any(|f| f.kind == "late_track");
    assert!(!any(&before), "{}", listing(&before));
    // One pack late beside another that is not: for post.
    let mut one = r.clone();
    one.delay(hedda, 480);
    assert_found(&check(&one), "late_track", hedda + 1, 0.0, 30.0, 0.0);
    // 10 ms: the boom hears everybody before their own packs do.
    for track in (0..r.tracks.len()).filter(|&t| t != boom) {
        r.delay(track, 480);
    }
    // All packs: one kind of link, a note.
    let take = check(&r);
    assert!(any(&take), "{}", listing(&take));
    assert_silent(&take, "late_track");
}

#[test]
fn another_channel_at_no_delay_is_bleed() {
    let mut r = dialogue(36);
    let take = check(&r);
    ["bleed", "post_fader", "off_mic"]
        .into_iter()
        .for_each(|kind| assert_silent(&take, kind));
    let (hedda, orrin) = (r.track("Hedda"), r.track("Orrin"));
    let leak: Vec<f32> = r.tracks[hedda].x.iter().map(|v| v * 0.7).collect();
    r.tracks[orrin]
        .x
        .iter_mut()
        .zip(leak)
        .for_each(|(v, l)| *v += l);
    let take = check(&r);
    assert!(
        take.findings.iter().any(|f| f.kind == "bleed"),
        "{}",
        listing(&take)
    );
}

#[test]
fn tracks_that_follow_the_faders_are_told() {
    let mut r = dialogue(37);
    for track in 1..4 {
        let own = r.lines_of(r.wearers[track].unwrap());
        let rate = f64::from(r.rate);
        for (i, v) in r.tracks[track].x.iter_mut().enumerate() {
            let t = i as f64 / rate;
            *v *= if own.iter().any(|&(a, b)| (a - 0.2..b + 0.3).contains(&t)) {
                1.0
            } else {
                0.003
            };
        }
    }
    let take = check(&r);
    assert!(
        take.findings.iter().any(|f| f.kind == "post_fader"),
        "{}",
        listing(&take)
    );
}

/// The boom turned away for one line: dull by more than 8 dB from 2 kHz up, while the pack goes on. The boom is no cover there.
#[test]
fn a_boom_that_loses_a_line_is_off_mic() {
    let r = Scene::dialogue(&["Hedda", "Orrin"], 30.0, 38).render();
    let off = |take: &takeproof::report::model::Take| -> Vec<(f64, f64, Vec<usize>)> {
        let all = take.findings.iter().filter(|f| f.kind == "off_mic");
        all.map(|f| (f.start_s.unwrap(), f.end_s.unwrap(), f.tracks.clone()))
            .collect()
    };
    assert_eq!(off(&check(&r)), []);
    let line = r
        .speech
        .iter()
        .filter(|s| s.0 == 0)
        .nth(1)
        .copied()
        .unwrap();
    let mut away = r.clone();
    let (a, b) = (away.sample(line.1 - 0.2), away.sample(line.2 + 0.2));
    let boom = &mut away.tracks[0].x[a..b];
    for _ in 0..2 {
        sources::lowpass(boom, 1100.0, 48_000);
    }
    let take = check(&away);
    let found = off(&take);
    assert_eq!(found.len(), 1, "{}", listing(&take));
    let (start, end, tracks) = &found[0];
    assert_eq!(tracks, &[1]);
    assert!(
        (start - line.1).abs() < 0.7 && (end - line.2).abs() < 0.7,
        "{start} {end} {line:?}"
    );
    let spoken = take
        .speech
        .iter()
        .find(|s| s.start_s < *end && s.end_s > *start)
        .unwrap();
    assert!(!spoken.clean_tracks.contains(&1), "{spoken:?}");
}

/// The same microphone before and after its fader: not one signal twice, and no dropouts where the fader rests.
#[test]
fn a_track_and_its_faded_copy_are_no_duplicates() {
    let mut r = dialogue(39);
    let hedda = r.track("Hedda");
    let up = Fader {
        track: hedda,
        gain_db: 0.0,
        up: r.lines_of(0),
    };
    r.mix("Hedda post", &[up], -30.0);
    let post = r.tracks.remove(0);
    let wearer = r.wearers[hedda + 1];
    r.wearers.remove(0);
    r.tracks.push(post);
    r.wearers.push(wearer);
    let take = check(&r);
    for kind in [
        "duplicate_track",
        "dropout",
        "dead_track",
        "post_fader",
        "bleed",
    ] {
        assert_silent(&take, kind);
    }
}

/// One gated link and one pack that is switched off between its lines are habits of two packs, not of the recorder's sends.
#[test]
fn a_gated_pack_is_not_post_fader() {
    let mut r = dialogue(40);
    let hedda = r.track("Hedda");
    r.gate(hedda, -40.0);
    let take = check(&r);
    assert!(
        take.findings.iter().all(|f| f.kind != "post_fader"),
        "{}",
        listing(&take)
    );
}

/// A side signal has the sign of the side a voice comes from: people left and right of it are no wiring fault. It hears the
/// room in its own way, so that it is no copy either.
#[test]
fn middle_and_side_are_no_reversed_polarity() {
    let mut scene = Scene::dialogue(&["Hedda", "Orrin"], 24.0, 41);
    scene.microphones[0].name = "M Boom".into();
    let mut side = scene.microphones[0].clone();
    side.name = "S Boom".into();
    scene.microphones.push(side);
    let mut r = scene.render();
    let s = r.track("S Boom");
    for &(talker, start, end) in &r.speech.clone() {
        let range = r.sample(start - 0.2)..r.sample(end + 0.25);
        let sign = if talker == 0 { 0.5 } else { -0.5 };
        r.tracks[s].x[range].iter_mut().for_each(|v| *v *= sign);
    }
    let take = check(&r);
    for kind in ["polarity_inverted", "duplicate_track", "late_track"] {
        assert_silent(&take, kind);
    }
}

/// One input on a second track, 2 ms late and with the noise of another preamplifier, is equipment: lined up by 96 samples.
/// Boom and body microphones are apart by geometry: no one nudge is right for everybody.
#[test]
fn a_delay_that_stands_still_is_told_from_one_that_moves() {
    let mut r = dialogue(43);
    let (boom, hedda) = (r.track("Boom"), r.track("Hedda"));
    let mut dice = fastrand::Rng::with_seed(43);
    r.tracks[boom].x = r.tracks[hedda].x.clone();
    r.delay(boom, 96);
    for v in &mut r.tracks[boom].x {
        *v = 0.7 * *v + 1e-4 * (dice.f32() - 0.5);
    }
    let take = check(&r);
    let pair = |take: &model::Take, a, b| {
        let found = take.pairs.iter().find(|p| (p.a, p.b) == (a, b)).cloned();
        found.unwrap_or_else(|| panic!("pair {a}, {b}"))
    };
    let late = pair(&take, boom + 1, hedda + 1);
    assert_eq!(
        late.delay_kind,
        Some(model::DelayKind::Constant),
        "{late:?}"
    );
    assert_eq!(late.nudge_samples, Some(96), "{late:?}");
    let real = check(&dialogue(43));
    let apart = pair(&real, boom + 1, hedda + 1);
    assert_eq!(
        apart.delay_kind,
        Some(model::DelayKind::Moving),
        "{apart:?}"
    );
    assert_eq!(apart.nudge_samples, None);
}

/// Somebody walks from 0.7 to 1.7 m from the boom while talking: delay and level move, nothing is wrong.
#[test]
fn somebody_who_walks_is_no_fault() {
    let mut r = Scene::dialogue(&["Hedda"], 24.0, 42).render();
    let (rate, n) = (f64::from(r.rate), r.len());
    let still = r.tracks[0].x.clone();
    let at = |position: f64| -> f64 {
        // Cubic through four samples.
        let k = position.floor();
        let t = position - k;
        let v = |d: i64| f64::from(*still.get((k as i64 + d).max(0) as usize).unwrap_or(&0.0));
        let (a, b, c, d) = (v(-1), v(0), v(1), v(2));
        b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
    };
    for i in 0..n {
        let metres = 0.5 - 0.5 * (2.0 * std::f64::consts::PI * i as f64 / n as f64).cos();
        let gain = 0.7 / (0.7 + metres);
        r.tracks[0].x[i] = (gain * at(i as f64 - metres / 343.0 * rate)) as f32;
    }
    crate::harness::assert_clean(&check(&r));
}
