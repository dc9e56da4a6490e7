//! A timecode track against the stamp of the file, and tracks that only their signal can name.

use takeproof::report::model::{Role, RoleSource, Severity, Take};
use takeproof::synth::scene::Track;
use takeproof::synth::wav::Label;
use takeproof::synth::{Rendered, Scene};

use crate::harness::{alarms, assert_silent, check_as, listing};
use crate::ltc;

/// A dialogue with a timecode track of a name, level (the code's own is 0.3) and first label; 23.976 where `film`, else 25.
fn with_code(name: &str, level: f32, start: [u32; 4], film: bool) -> (Rendered, Label) {
    let mut rendered = Scene::dialogue(&["Hedda", "Orrin"], 12.0, 81).render();
    let (base, samples, rate, stamp) = if film {
        (24, 2002.0, "24000/1001", 1_729_728_000)
    } else {
        (25, 1920.0, "25/1", 1_728_000_000)
    };
    let mut x = ltc::biphase(&ltc::run(start, base, 13 * base), samples);
    x.truncate(rendered.len());
    x.iter_mut().for_each(|v| *v *= level / 0.3);
    rendered.tracks.push(Track {
        name: name.into(),
        x,
    });
    rendered.wearers.push(None);
    let label = Label {
        frame_rate: rate.into(),
        time_reference: stamp,
        ..Label::default()
    };
    (rendered, label)
}

fn conflict(take: &Take) -> Vec<&takeproof::report::model::Finding> {
    let all = take.findings.iter();
    all.filter(|f| f.kind == "metadata_conflict" && f.evidence["code"] == "ltc")
        .collect()
}

#[test]
fn a_timecode_track_in_step_with_the_stamp_says_nothing() {
    for film in [false, true] {
        let (rendered, label) = with_code("TC", 0.3, [10, 0, 0, 0], film);
        let take = check_as(&rendered, &label);
        assert_eq!(take.start_timecode.as_deref(), Some("10:00:00:00"));
        assert_eq!(take.tracks[3].role, Role::Timecode);
        assert_silent(&take, "metadata_conflict");
        assert!(conflict(&take).is_empty());
        let on_it = take.findings.iter().find(|f| f.tracks.contains(&4));
        assert!(on_it.is_none(), "{}", listing(&take));
    }
}

#[test]
fn a_timecode_track_five_frames_off_the_stamp_is_told() {
    for (start, film, frames) in [
        ([10, 0, 0, 5], false, 5.0),
        ([9, 59, 59, 20], false, -5.0),
        ([10, 0, 0, 5], true, 5.0),
        ([11, 0, 0, 0], false, 90_000.0),
    ] {
        let (rendered, label) = with_code("TC", 0.3, start, film);
        let take = check_as(&rendered, &label);
        let found = conflict(&take);
        assert_eq!(found.len(), 1, "{start:?}: {}", listing(&take));
        assert_eq!(found[0].severity, Severity::Caution);
        let off = found[0].evidence["difference_frames"].as_f64().unwrap();
        assert!((off - frames).abs() < 0.2, "{start:?}: {off}");
    }
    // One frame: a recorder stamps to the frame, a reader of the track may be off by one.
    let (rendered, label) = with_code("TC", 0.3, [10, 0, 0, 1], false);
    assert!(conflict(&check_as(&rendered, &label)).is_empty());
}

/// A square wave at full scale is no overload, under a person's name it is no microphone.
#[test]
fn timecode_is_known_by_its_signal_whatever_the_name_and_level() {
    for (name, level) in [("Wim", 0.05), ("Wim", 1.0), ("", 0.3)] {
        let (rendered, label) = with_code(name, level, [10, 0, 0, 0], false);
        let take = check_as(&rendered, &label);
        let track = &take.tracks[3];
        assert_eq!(
            (track.role, track.role_source),
            (Role::Timecode, RoleSource::Signal)
        );
        assert_eq!(track.talker, None);
        for kind in ["clipping", "flat_top", "hum", "dead_track", "bleed"] {
            let on_it = alarms(&take, kind);
            assert!(
                on_it.iter().all(|f| !f.tracks.contains(&4)),
                "{name} {level}: {}",
                listing(&take)
            );
        }
        assert_eq!(track.measurements.clipped_samples, 0);
    }
}

/// A file without bext and iXML: mix, boom, body microphones, tone, timecode and an empty track are told by what they carry.
#[test]
fn roles_come_from_the_signal_where_there_are_no_names() {
    let mut rendered = Scene::dialogue(&["Hedda", "Orrin", "Wim"], 24.0, 82).render();
    rendered.usual_mix("Mix");
    let n = rendered.len();
    let mut code = ltc::biphase(&ltc::run([1, 0, 0, 0], 25, 25 * 25), 1920.0);
    code.truncate(n);
    let tone: Vec<f32> = (0..n)
        .map(|i| (0.1 * (2.0 * std::f64::consts::PI * 1000.0 * i as f64 / 48_000.0).sin()) as f32)
        .collect();
    for x in [tone, code, vec![0.0; n]] {
        rendered.tracks.push(Track {
            name: String::new(),
            x,
        });
        rendered.wearers.push(None);
    }
    let take = check_as(
        &rendered,
        &Label {
            bare: true,
            ..Label::default()
        },
    );
    let roles: Vec<Role> = take.tracks.iter().map(|t| t.role).collect();
    let (lav, signal) = (Role::Lav, RoleSource::Signal);
    assert_eq!(
        roles,
        [
            Role::Mix,
            Role::Boom,
            lav,
            lav,
            lav,
            Role::Tone,
            Role::Timecode,
            Role::Unused
        ]
    );
    assert!(take.tracks.iter().all(|t| t.role_source == signal));
    assert!(take.speech.len() > 3);
    for kind in [
        "dead_track",
        "duplicate_track",
        "polarity_inverted",
        "clipping",
    ] {
        assert_silent(&take, kind);
    }
}
