//! `clipping`, `flat_top`, `true_peak_over`, `level_hot`, `level_low`, `dc_offset`, `cut_short`: found, and silent on what only
//! looks like them.

use takeproof::report::model::Severity;
use takeproof::settings::Settings;
use takeproof::synth::scene::resample;
use takeproof::synth::sources::low_cut_of_second_order;
use takeproof::synth::wav::{self, Format, Label};
use takeproof::synth::{Rendered, Scene};

use crate::harness::{alarms, assert_found, assert_silent, check, check_as, check_path, listing};

fn dialogue(seed: u64) -> Rendered {
    Scene::dialogue(&["Hedda", "Orrin"], 14.0, seed).render()
}

fn top(x: &[f32]) -> f32 {
    x.iter().fold(0f32, |m, v| m.max(v.abs()))
}

/// Level of a track changed to a peak in dBFS.
fn peak_at(rendered: &mut Rendered, track: usize, dbfs: f64) {
    let now = 20.0 * f64::from(top(&rendered.tracks[track].x)).log10();
    rendered.step_gain(track, 0.0, dbfs - now);
}

fn float() -> Label {
    Label {
        format: Format::Float32,
        ..Label::default()
    }
}

#[test]
fn clipping_is_found_at_full_scale_and_a_little_below() {
    for (over_db, trim) in [(3.0, 1.0f32), (1.5, 0.9985)] {
        let mut rendered = dialogue(21);
        let track = rendered.track("Orrin");
        rendered.overload(track, over_db);
        rendered.tracks[track].x.iter_mut().for_each(|v| *v *= trim);
        let x = &rendered.tracks[track].x;
        let pinned = x.iter().position(|v| v.abs() >= trim).unwrap();
        let take = check(&rendered);
        let found = alarms(&take, "clipping");
        assert!(!found.is_empty(), "{}", listing(&take));
        assert!(
            found.iter().all(|f| f.tracks == [track + 1]),
            "{}",
            listing(&take)
        );
        let first = found[0].start_sample.unwrap();
        assert!(first.abs_diff(pinned as u64) < 48 * 250, "{first} {pinned}");
        assert!(take.tracks[track].measurements.clipped_samples > 2);
        assert_silent(&take, "flat_top");
    }
}

/// Integers that overflow come in at the other end: a bang for the ear, and no equal sample.
#[test]
fn tops_that_come_in_at_the_other_end_are_clipping() {
    let mut rendered = dialogue(21);
    let track = rendered.track("Orrin");
    peak_at(&mut rendered, track, 2.0);
    let x = &mut rendered.tracks[track].x;
    let over: Vec<usize> = (0..x.len()).filter(|&i| x[i].abs() >= 1.0).collect();
    x.iter_mut()
        .for_each(|v| *v = (*v + 1.0).rem_euclid(2.0) - 1.0);
    let take = check(&rendered);
    let found = alarms(&take, "clipping");
    assert!(!found.is_empty(), "{}", listing(&take));
    assert!(found.iter().all(|f| f.evidence["mechanism"] == "overflow"));
    let bounds = |f: &&takeproof::report::model::Finding| {
        (
            f.start_sample.unwrap() as usize,
            f.end_sample.unwrap() as usize,
        )
    };
    assert_eq!(bounds(&found[0]).0, over[0]);
    assert_eq!(bounds(&found[found.len() - 1]).1, over[over.len() - 1] + 1);
    assert_silent(&take, "click");
    assert_silent(&take, "rf_hit");
}

#[test]
fn whole_peaks_near_full_scale_and_float_peaks_above_it_are_not_clipping() {
    let mut rendered = dialogue(22);
    let track = rendered.track("Hedda");
    peak_at(&mut rendered, track, -0.1);
    let take = check(&rendered);
    assert_silent(&take, "clipping");
    assert_silent(&take, "flat_top");
    peak_at(&mut rendered, track, 9.0);
    let take = check_as(&rendered, &float());
    assert_silent(&take, "clipping");
    assert_silent(&take, "flat_top");
}

/// Resampled there and back: no two equal samples are left on a top.
fn off_the_grid(rendered: &mut Rendered, track: usize) {
    let x = resample(resample(rendered.tracks[track].x.clone(), 96_000), 48_000);
    let n = rendered.tracks[track].x.len();
    rendered.tracks[track].x.copy_from_slice(&x[..n]);
}

/// A stage that runs out of level on one side leaves the other side of the wave three times as large.
#[test]
fn one_side_cut_far_below_the_other_is_told() {
    let lopsided = |side: fn(f32, f32) -> f32| {
        let mut rendered = Scene::dialogue(&["Hedda", "Orrin"], 20.0, 23).render();
        let track = rendered.track("Hedda");
        let x = &mut rendered.tracks[track].x;
        let lowest = x.iter().copied().fold(0f32, f32::min);
        for v in x.iter_mut().filter(|v| **v > 0.0) {
            *v = side(*v, -0.28 * lowest);
        }
        off_the_grid(&mut rendered, track);
        (check_as(&rendered, &float()), track + 1)
    };
    let (cut, track) = lopsided(f32::min);
    let found = alarms(&cut, "flat_top");
    assert!(!found.is_empty() && found.iter().all(|f| f.tracks == [track]));
    let (smaller, _) = lopsided(|v, _| 0.28 * v);
    assert_silent(&smaller, "flat_top");
}

#[test]
fn flat_tops_are_found_below_full_scale_at_any_gain_of_a_float_file() {
    let mut rendered = dialogue(23);
    let track = rendered.track("Orrin");
    rendered.flatten(track, 6.0);
    off_the_grid(&mut rendered, track);
    for gain in [-12.0, 6.0] {
        peak_at(&mut rendered, track, gain);
        let take = check_as(&rendered, &float());
        let found = alarms(&take, "flat_top");
        assert!(!found.is_empty(), "{}", listing(&take));
        assert!(
            found.iter().all(|f| f.tracks == [track + 1]),
            "{}",
            listing(&take)
        );
        assert!(found.iter().any(|f| f.severity == Severity::Fault));
        assert_silent(&take, "clipping");
    }
}

/// A few words cut by little: too few corners to prove anything by their number. Ahead of a low-cut all cut tops were level at one
/// height. The same words uncut behind the same low-cut are silent.
#[test]
fn a_few_shallow_cuts_are_found_by_the_ceiling_ahead_of_the_low_cut() {
    for hz in [60.0, 120.0] {
        shallow_cuts_are_found(23, |rendered, track| rendered.low_cut(track, hz));
    }
}

/// Words cut by 2 dB are found, and silent where nothing was cut, behind what follows the overload.
fn shallow_cuts_are_found(seed: u64, then: impl Fn(&mut Rendered, usize)) {
    for (depth_db, cut) in [(2.0, true), (-1.0, false)] {
        let mut rendered = dialogue(seed);
        let track = rendered.track("Orrin");
        rendered.flatten(track, depth_db);
        then(&mut rendered, track);
        peak_at(&mut rendered, track, -9.0);
        let take = check_as(&rendered, &float());
        if cut {
            let found = alarms(&take, "flat_top");
            assert!(!found.is_empty(), "{seed}: {}", listing(&take));
        } else {
            assert_silent(&take, "flat_top");
        }
    }
}

/// Behind a low-cut of second order the tops of quiet bursts slope more than those of loud ones: all are told.
#[test]
fn every_burst_cut_ahead_of_a_low_cut_of_second_order_is_told() {
    for (seed, hz) in [(26, 120.0), (27, 100.0)] {
        let mut rendered = dialogue(seed);
        let track = rendered.track("Orrin");
        rendered.flatten(track, 6.0);
        let x = &mut rendered.tracks[track].x;
        let ceiling = top(x);
        let cut: Vec<usize> = (0..x.len()).filter(|&i| x[i].abs() >= ceiling).collect();
        low_cut_of_second_order(x, hz, 48_000);
        peak_at(&mut rendered, track, -9.0);
        let take = check_as(&rendered, &float());
        let mut bursts = 0;
        for burst in cut.chunk_by(|a, b| b - a < 12_000) {
            let [start, end] = [burst[0], burst[burst.len() - 1]].map(|i| i as f64 / 48_000.0);
            assert_found(&take, "flat_top", track + 1, start, end, 0.01);
            bursts += 1;
        }
        assert!(bursts >= 3, "{bursts}");
    }
}

/// The same of shallow cuts, also with an offset, which the integrals that undo a low-cut add up.
#[test]
fn shallow_cuts_ahead_of_a_low_cut_of_second_order_are_found_beside_an_offset() {
    for (seed, hz) in [(23, 150.0), (26, 80.0)] {
        for offset in [0.0, 0.002] {
            shallow_cuts_are_found(seed, |rendered, track| {
                low_cut_of_second_order(&mut rendered.tracks[track].x, hz, 48_000);
                peak_at(rendered, track, -9.0);
                (rendered.tracks[track].x.iter_mut()).for_each(|v| *v += offset);
            });
        }
    }
}

#[test]
fn a_limiter_cuts_nothing() {
    let mut rendered = dialogue(24);
    let track = rendered.track("Hedda");
    let peak = 20.0 * f64::from(top(&rendered.tracks[track].x)).log10();
    rendered.limit(track, peak - 8.0);
    assert_silent(&check(&rendered), "flat_top");
}

#[test]
fn peaks_between_samples_of_the_mix_are_over_and_those_of_a_microphone_are_not() {
    let mut rendered = dialogue(25);
    rendered.usual_mix("Mix");
    let mix = rendered.track("Mix");
    peak_at(&mut rendered, mix, -0.2);
    let take = check(&rendered);
    let at = {
        let x = &rendered.tracks[mix].x;
        let highest = top(x);
        x.iter().position(|v| v.abs() >= highest).unwrap() as f64 / 48_000.0
    };
    assert_found(&take, "true_peak_over", mix + 1, at, at, 0.01);
    peak_at(&mut rendered, mix, -3.0);
    let microphone = rendered.track("Hedda");
    peak_at(&mut rendered, microphone, -0.2);
    assert_silent(&check(&rendered), "true_peak_over");
}

/// Speech of a track set to a level in dBFS, peaks held by a look-ahead limiter.
fn speech_at(rendered: &mut Rendered, track: usize, dbfs: f64) {
    let now = 20.0 * f64::from(rendered.speech_level(track)).log10();
    rendered.step_gain(track, 0.0, dbfs - now);
    rendered.limit(track, -1.0);
}

#[test]
fn hot_speech_is_told_and_usual_speech_is_not() {
    let mut rendered = dialogue(26);
    let track = rendered.track("Hedda");
    speech_at(&mut rendered, track, -8.0);
    let take = check(&rendered);
    assert_found(&take, "level_hot", track + 1, 2.0, 12.0, 2.0);
    let other = rendered.track("Orrin");
    assert!(
        alarms(&take, "level_hot")
            .iter()
            .all(|f| !f.tracks.contains(&(other + 1)))
    );
    speech_at(&mut rendered, track, -20.0);
    assert_silent(&check(&rendered), "level_hot");
}

#[test]
fn low_speech_is_told_in_integer_files_only() {
    let mut rendered = dialogue(27);
    let track = rendered.track("Orrin");
    let now = 20.0 * f64::from(rendered.speech_level(track)).log10();
    rendered.step_gain(track, 0.0, -52.0 - now);
    assert_found(&check(&rendered), "level_low", track + 1, 2.0, 12.0, 2.0);
    assert_silent(&check_as(&rendered, &float()), "level_low");
    rendered.step_gain(track, 0.0, 25.0);
    assert_silent(&check(&rendered), "level_low");
}

#[test]
fn an_offset_is_told_and_wind_is_none() {
    let mut rendered = dialogue(28);
    let track = rendered.track("Hedda");
    rendered.offset(track, 0.004);
    assert_found(&check(&rendered), "dc_offset", track + 1, 0.0, 14.0, 0.0);
    let mut windy = dialogue(28);
    windy.wind(track, 3.0, 8.0, 6.0);
    assert_silent(&check(&windy), "dc_offset");
}

#[test]
fn sixteen_bits_clip_as_well_and_a_clipped_mix_over_clean_tracks_is_a_caution() {
    let mut rendered = dialogue(30);
    rendered.usual_mix("Mix");
    let mix = rendered.track("Mix");
    rendered.overload(mix, 4.0);
    let take = check_as(
        &rendered,
        &Label {
            format: Format::Int16,
            ..Label::default()
        },
    );
    let found = alarms(&take, "clipping");
    assert!(!found.is_empty(), "{}", listing(&take));
    for f in found {
        assert_eq!(
            (f.severity, f.tracks.as_slice()),
            (Severity::Caution, &[mix + 1][..])
        );
    }
}

#[test]
fn flat_tops_of_an_integer_file_are_not_taken_for_clipping() {
    let mut rendered = dialogue(31);
    let track = rendered.track("Hedda");
    rendered.flatten(track, 7.0);
    let take = check(&rendered);
    assert_found(&take, "flat_top", track + 1, 2.0, 13.0, 1.0);
    assert!(
        alarms(&take, "flat_top")
            .iter()
            .all(|f| f.tracks == [track + 1])
    );
    assert_silent(&take, "clipping");
}

/// Middle of a syllable of the last line of some length: where its talker is loudest for a tenth of a second.
fn in_a_word(rendered: &Rendered) -> (usize, f64) {
    let (talker, from, to) = *rendered.speech.iter().rfind(|s| s.2 - s.1 > 1.2).unwrap();
    let track = rendered.track(["Hedda", "Orrin"][talker]);
    let x = &rendered.tracks[track].x;
    let power = |at: f64| -> f64 {
        let (a, b) = (rendered.sample(at), rendered.sample(at + 0.1));
        x[a..b].iter().map(|v| f64::from(*v).powi(2)).sum()
    };
    let steps = ((to - from - 0.9) / 0.02) as usize;
    let at = (0..steps)
        .map(|k| from + 0.7 + 0.02 * k as f64)
        .max_by(|a, b| power(*a).total_cmp(&power(*b)))
        .unwrap();
    (track, at)
}

fn cut(rendered: &Rendered, range: std::ops::Range<usize>) -> Rendered {
    let mut part = rendered.clone();
    part.tracks
        .iter_mut()
        .for_each(|t| t.x = t.x[range.clone()].to_vec());
    part
}

#[test]
fn a_word_cut_off_at_either_end_is_told_and_a_finished_line_is_not() {
    let rendered = dialogue(29);
    assert_silent(&check(&rendered), "cut_short");
    let (track, at) = in_a_word(&rendered);
    let take = check(&cut(&rendered, 0..rendered.sample(at + 0.08)));
    assert_found(&take, "cut_short", track + 1, at, at + 0.08, 0.1);
    let take = check(&cut(&rendered, rendered.sample(at + 0.02)..rendered.len()));
    assert_found(&take, "cut_short", track + 1, 0.0, 0.1, 0.0);
}

/// A recorder that goes on in the next file cuts nothing.
#[test]
fn a_word_that_goes_on_in_the_next_file_is_whole() {
    let rendered = dialogue(29);
    let (_, at) = in_a_word(&rendered);
    let split = rendered.sample(at + 0.08);
    let folder = tempfile::tempdir().unwrap();
    for (name, range) in [
        ("1-1_1.wav", 0..split),
        ("1-1_2.wav", split..rendered.len()),
    ] {
        let label = Label {
            time_reference: 1_728_000_000 + range.start as u64,
            ..Label::default()
        };
        wav::write(&folder.path().join(name), &cut(&rendered, range), &label).unwrap();
    }
    let report = check_path(folder.path(), &Settings::default(), 0);
    assert_eq!(report.takes.len(), 1);
    assert_eq!(report.takes[0].samples, rendered.len() as u64);
    assert_silent(&report.takes[0], "cut_short");
    assert_silent(&report.takes[0], "click");
}

/// Where the recorder lost its power the missing end is told as that.
#[test]
fn a_word_lost_with_the_power_is_told_once() {
    let rendered = dialogue(29);
    let (_, at) = in_a_word(&rendered);
    let label = Label {
        power_lost: true,
        ..Label::default()
    };
    let take = check_as(&cut(&rendered, 0..rendered.sample(at + 0.08)), &label);
    assert_silent(&take, "cut_short");
    assert_eq!(alarms(&take, "truncated_file").len(), 1);
}
