//! Answers: which microphone holds a line, what a take is worth, what holds between takes.

use std::path::Path;

use takeproof::judge::rank::{Rank, rank};
use takeproof::report::model::{MicState, Report, Severity, Take, TakeType, Verdict};
use takeproof::settings::Settings;
use takeproof::synth::wav::{self, Label};
use takeproof::synth::{Rendered, Scene};

use crate::harness::{check, check_path, listing};

/// Boom, Hedda, Orrin: tracks 1, 2, 3.
fn dialogue(seed: u64) -> Rendered {
    Scene::dialogue(&["Hedda", "Orrin"], 16.0, seed).render()
}

/// Middle of the n-th line of a talker.
fn middle(take: &Rendered, talker: usize, n: usize) -> f64 {
    let line = take.speech.iter().filter(|s| s.0 == talker).nth(n).unwrap();
    (line.1 + line.2) / 2.0
}

/// A digital hole of 0.3 s in the middle of the n-th line of a talker.
fn hole(take: &mut Rendered, track: usize, talker: usize, n: usize) -> f64 {
    let at = middle(take, talker, n);
    take.zeros(track, at - 0.15, 0.3);
    at
}

fn line_at(take: &Take, talker: &str, at_s: f64) -> takeproof::report::model::Speech {
    take.speech
        .iter()
        .find(|s| s.talker.as_deref() == Some(talker) && s.start_s <= at_s && s.end_s >= at_s)
        .cloned()
        .unwrap_or_else(|| panic!("nobody said to speak at {at_s}: {:?}", take.speech))
}

#[test]
fn a_hit_on_a_line_is_covered_by_the_boom() {
    let mut rendered = dialogue(3);
    let at = hole(&mut rendered, 1, 0, 0);
    let take = check(&rendered);
    assert_eq!(take.verdict, Verdict::OtherMic, "{}", listing(&take));
    assert!(take.no_clean_mic.is_empty());
    let line = line_at(&take, "Hedda", at);
    assert_eq!(line.best_track, Some(1), "{}", line.best_reason);
    assert_eq!(line.clean_tracks, [1]);
    assert!(line.heard_on.contains(&2));
    // Orrin's pack hears Hedda, but is never cover.
    assert!(!line.heard_on.contains(&3));
    let timeline = take.mic_timeline.iter().find(|m| m.track == 2).unwrap();
    let state = timeline
        .stretches
        .iter()
        .find(|s| s.start_s <= at && s.end_s > at)
        .unwrap();
    assert_eq!(state.state, MicState::Faulty);
}

#[test]
fn the_boom_is_covered_by_the_talkers_own_pack() {
    let mut rendered = dialogue(3);
    let at = hole(&mut rendered, 0, 1, 0);
    let take = check(&rendered);
    assert_eq!(take.verdict, Verdict::OtherMic, "{}", listing(&take));
    assert_eq!(line_at(&take, "Orrin", at).best_track, Some(3));
}

#[test]
fn both_microphones_bad_at_once_leave_no_clean_one() {
    let mut rendered = dialogue(3);
    hole(&mut rendered, 0, 0, 0);
    let at = hole(&mut rendered, 1, 0, 0);
    let take = check(&rendered);
    assert_eq!(take.verdict, Verdict::NoCleanMic, "{}", listing(&take));
    assert!(
        take.no_clean_mic
            .iter()
            .any(|r| r.start_s < at && r.end_s > at)
    );
}

/// Third take of the invented day: while the pack is gone nothing but the boom can tell what is wrong with the boom.
#[test]
fn a_burst_on_the_boom_while_the_pack_is_gone_leaves_no_clean_one() {
    let mut rendered = dialogue(402);
    let at = middle(&rendered, 1, 0);
    rendered.zeros(2, at, 0.22);
    rendered.splat(0, at + 0.03, 0.18, -18.0);
    let take = check(&rendered);
    assert_eq!(take.verdict, Verdict::NoCleanMic, "{}", listing(&take));
}

#[test]
fn both_bad_on_one_line_but_not_at_once_is_cover_at_the_spot() {
    let mut rendered = dialogue(3);
    let (start, end) = (rendered.speech[0].1, rendered.speech[0].2);
    let track = 1 + rendered.speech[0].0;
    rendered.zeros(track, start + 0.25 * (end - start), 0.1);
    rendered.zeros(0, start + 0.75 * (end - start), 0.1);
    let take = check(&rendered);
    assert_eq!(take.verdict, Verdict::OtherMic, "{}", listing(&take));
}

#[test]
fn another_actors_pack_is_no_cover_but_a_spare_is() {
    let mut scene = Scene::new(16.0, 4);
    scene.talker("Hedda").talker("Orrin").converse(2.0, 14.5);
    let mut rendered = scene.render();
    hole(&mut rendered, 0, 0, 0);
    assert_eq!(check(&rendered).verdict, Verdict::NoCleanMic);

    scene.body_microphone(0, "Hedda spare");
    let mut rendered = scene.render();
    let at = hole(&mut rendered, 0, 0, 0);
    let take = check(&rendered);
    assert_eq!(take.verdict, Verdict::OtherMic, "{}", listing(&take));
    assert_eq!(line_at(&take, "Hedda", at).best_track, Some(3));
}

#[test]
fn a_fault_between_lines_is_at_most_a_caution() {
    let mut scene = Scene::dialogue(&["Hedda", "Orrin"], 16.0, 3);
    let shift = 4.0;
    scene.lines.iter_mut().for_each(|l| l.at_s += shift);
    scene.seconds += shift;
    let mut rendered = scene.render();
    rendered.splat(1, 3.0, 0.15, -20.0);
    let take = check(&rendered);
    assert_eq!(take.verdict, Verdict::NothingFound, "{}", listing(&take));
    assert!(
        take.findings
            .iter()
            .any(|f| f.tracks == [2] && f.severity == Severity::Caution),
        "{}",
        listing(&take)
    );
}

#[test]
fn what_comes_before_the_slate_is_for_the_log_and_nothing_after_it() {
    let mut scene = Scene::dialogue(&["Hedda", "Orrin"], 16.0, 5);
    scene.lines.iter_mut().for_each(|l| l.at_s += 3.0);
    scene.seconds += 3.0;
    scene.clap(2.5);
    let mut rendered = scene.render();
    rendered.splat(1, 1.0, 0.15, -20.0);
    rendered.splat(1, 3.6, 0.15, -20.0);
    let take = check(&rendered);
    let window = &take.windows[0];
    assert!(
        window.certain && (window.start_s - 2.5).abs() < 0.1,
        "{window:?}"
    );
    for f in take.findings.iter().filter(|f| f.tracks == [2]) {
        let before = f.end_s.unwrap() < 2.5;
        assert_eq!(f.severity == Severity::Note, before, "{}", listing(&take));
    }
    let found = take.findings.iter().filter(|f| f.tracks == [2]).count();
    assert!(found >= 2, "{}", listing(&take));
}

#[test]
fn a_tail_slate_and_a_missing_slate_judge_the_whole_file() {
    let mut scene = Scene::dialogue(&["Hedda", "Orrin"], 16.0, 6);
    let bare = check(&scene.render());
    assert!(bare.landmarks.is_empty(), "{:?}", bare.landmarks);
    scene.seconds = 19.0;
    scene.clap(18.0);
    let tail = check(&scene.render());
    assert!(tail.landmarks.iter().any(|l| l.kind == "slate_clap"));
    for take in [bare, tail] {
        assert_eq!(take.windows.len(), 1);
        assert_eq!(take.windows[0].start_s, 0.0);
        assert!(!take.windows[0].certain);
    }
}

#[test]
fn a_second_clap_opens_a_second_window_and_lowers_nothing() {
    let mut scene = Scene::new(30.0, 7);
    scene.boom().talker("Hedda").talker("Orrin");
    scene.converse(3.0, 11.0);
    let first = scene.lines.clone();
    let last = first.iter().map(|l| l.at_s).fold(0.0, f64::max);
    scene
        .lines
        .extend(first.into_iter().map(|l| takeproof::synth::scene::Line {
            at_s: l.at_s + 16.0,
            ..l
        }));
    scene.clap(1.0).clap(17.5);
    let mut rendered = scene.render();
    let at = rendered
        .speech
        .iter()
        .find(|s| s.1 > last + 8.0)
        .map(|s| (s.0, (s.1 + s.2) / 2.0))
        .unwrap();
    rendered.zeros(1 + at.0, at.1, 0.2);
    let take = check(&rendered);
    assert_eq!(take.windows.len(), 2, "{:?}", take.windows);
    assert!((take.windows[1].start_s - 17.5).abs() < 0.1);
    assert_eq!(take.verdict, Verdict::OtherMic, "{}", listing(&take));
}

fn write(folder: &Path, rendered: &Rendered, scene: &str, number: u32, note: &str) {
    let label = Label {
        scene: scene.into(),
        take: number.to_string(),
        note: note.into(),
        time_reference: 1_728_000_000 + u64::from(number) * 48_000 * 120,
        ..Label::default()
    };
    wav::write(
        &folder.join(format!("{scene}-{number}.wav")),
        rendered,
        &label,
    )
    .unwrap();
}

fn day(takes: &[(Rendered, &str, u32)]) -> Report {
    let folder = tempfile::tempdir().unwrap();
    for (rendered, scene, number) in takes {
        write(folder.path(), rendered, scene, *number, "");
    }
    check_path(folder.path(), &Settings::default(), 0)
}

/// The same lines, a bad one in the first take.
fn spoiled(seed: u64) -> Rendered {
    let mut rendered = dialogue(seed);
    hole(&mut rendered, 0, 0, 0);
    hole(&mut rendered, 1, 0, 0);
    rendered
}

#[test]
fn a_clean_take_of_the_setup_is_named_with_the_same_words() {
    // The same lines read again, later in the file, with another level and background.
    let mut again = Scene::dialogue(&["Hedda", "Orrin"], 16.0, 3);
    again.lines.iter_mut().for_each(|l| {
        l.at_s += 1.3;
        l.level_db -= 2.0;
    });
    again.seconds += 1.5;
    again.background_db += 4.0;
    let report = day(&[(spoiled(3), "27B", 1), (again.render(), "27B", 2)]);
    let first = &report.takes[0];
    assert_eq!(first.verdict, Verdict::NoCleanMic, "{}", listing(first));
    let alternate = &first.alternates[0];
    assert_eq!(alternate.take, report.takes[1].id);
    assert!(alternate.clean);
    let lost = &first.no_clean_mic[0];
    let line = first
        .speech
        .iter()
        .find(|s| s.start_s < lost.end_s && s.end_s > lost.start_s)
        .unwrap();
    let start = alternate.start_s.expect("the same words are recognised");
    assert!((start - line.start_s - 1.3).abs() < 0.4, "{start} {line:?}");
    let setup = &report.day.setups[0];
    assert_eq!((setup.scene.as_str(), setup.setup.as_str()), ("27", "B"));
    assert_eq!(setup.clean_takes, [report.takes[1].id.clone()]);
    let rows = rank(&report);
    assert_eq!(rows[0].rank, Rank::Alternate, "{rows:#?}");
    assert!(
        rows[0].cover.contains("Take 2 is clean"),
        "{}",
        rows[0].sentence()
    );
}

#[test]
fn every_take_bad_ranks_first_and_other_words_claim_only_the_take() {
    let report = day(&[
        (spoiled(3), "27B", 1),
        (spoiled(3), "27B", 2),
        (dialogue(8), "28", 3),
        (spoiled(9), "28", 4),
    ]);
    let rows = rank(&report);
    assert_eq!(rows[0].rank, Rank::NoAlternate, "{rows:#?}");
    assert!(
        rows[0].sentence().starts_with("27B, all 2 takes: "),
        "{}",
        rows[0].sentence()
    );
    assert!(rows[0].sentence().contains("wild line"));
    let other = report
        .takes
        .iter()
        .find(|t| t.scene.as_deref() == Some("28") && t.verdict == Verdict::NoCleanMic)
        .unwrap();
    assert!(other.alternates[0].clean);
    assert_eq!(other.alternates[0].start_s, None, "other words");
}

#[test]
fn no_good_and_wild_takes_stay_out_of_the_top() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), &dialogue(3), "5", 1, "room tone");
    write(folder.path(), &dialogue(4), "5", 2, "wild line Hedda");
    write(folder.path(), &spoiled(5), "5", 3, "false start");
    let report = check_path(folder.path(), &Settings::default(), 0);
    let types: Vec<TakeType> = report.takes.iter().map(|t| t.take_type).collect();
    assert_eq!(
        types,
        [TakeType::RoomTone, TakeType::WildLine, TakeType::FalseStart]
    );
    assert!(rank(&report).iter().all(|r| r.rank >= Rank::Slow));
}

#[test]
fn a_fault_that_stays_is_told_once_with_the_last_good_take() {
    let takes: Vec<(Rendered, &str, u32)> = (1..=5)
        .map(|n| {
            let mut rendered = dialogue(u64::from(n) + 20);
            if n > 2 {
                rendered.invert(2);
            }
            (rendered, "30", n)
        })
        .collect();
    let report = day(&takes);
    let slow: Vec<_> = report
        .day
        .findings
        .iter()
        .filter(|f| f.kind == "polarity_inverted")
        .collect();
    assert_eq!(slow.len(), 1, "{:?}", report.day.findings);
    assert_eq!(slow[0].takes.as_ref().map(Vec::len), Some(3));
    assert!(
        slow[0].message.contains("from 30 take 3 on") && slow[0].message.contains("30 take 2"),
        "{}",
        slow[0].message
    );
    let rows = rank(&report);
    let told = rows
        .iter()
        .filter(|r| r.kind == "polarity_inverted")
        .count();
    assert_eq!(told, 1, "{rows:#?}");
    assert!(
        report
            .day
            .trends
            .iter()
            .any(|t| t.track_name == "Orrin" && t.points.len() == 5)
    );
}

#[test]
fn room_tone_is_the_longest_clean_run() {
    let mut scene = Scene::dialogue(&["Hedda", "Orrin"], 12.0, 12);
    scene.seconds = 20.0;
    let mut rendered = scene.render();
    let end = rendered.speech.iter().map(|s| s.2).fold(0.0, f64::max);
    rendered.splat(0, 18.0, 0.1, -20.0);
    let report = day(&[(rendered, "40", 1)]);
    let tone = &report.day.setups[0].room_tone_s;
    let (boom, body) = (tone["Boom"], tone["Hedda"]);
    assert!(
        boom > 18.0 - end - 1.5 && boom < 18.05 - end,
        "{boom} {end}"
    );
    assert!(body > 20.0 - end - 1.5, "{body} {end}");
}
