//! Pictures: every take, however odd, gets one, and both forms are what they say they are.

use takeproof::report::{drawing::TakeDrawing, model::Take, plots};

use crate::invented::{self, Dice};

fn draw(name: &str, take: &Take, drawing: &TakeDrawing) -> plots::Picture {
    let picture = plots::overview(take, drawing, 1).unwrap();
    keep(name, &picture);
    assert!(picture.png.starts_with(b"\x89PNG\r\n\x1a\n"));
    assert!(
        roxmltree::Document::parse(&picture.svg).is_ok(),
        "{name}: not XML"
    );
    picture
}

/// With `TAKEPROOF_KEEP=folder` the pictures are kept to be looked at.
fn keep(name: &str, picture: &plots::Picture) {
    if let Some(folder) = std::env::var_os("TAKEPROOF_KEEP") {
        let folder = std::path::PathBuf::from(folder);
        std::fs::write(folder.join(format!("{name}.svg")), &picture.svg).unwrap();
        std::fs::write(folder.join(format!("{name}.png")), &picture.png).unwrap();
    }
}

#[test]
fn overview_of_takes_of_every_shape() {
    let mut dice = Dice::new(3);
    for (name, number, tracks, duration, trouble) in [
        ("usual", 2, 8, 96.0, 7),
        ("twelve-tracks", 9, 12, 74.0, 9),
        ("ninety-minutes", 4, 12, 5400.0, 40),
        ("clean", 5, 6, 61.0, 0),
        ("short", 2, 4, 0.4, 2),
        ("many-tracks", 16, 64, 120.0, 30),
    ] {
        let (take, drawing) = invented::take(&mut dice, number, tracks, duration, trouble);
        let picture = draw(name, &take, &drawing);
        assert!(picture.svg.contains("12"), "{name}");
    }
}

#[test]
fn a_take_without_samples_or_tracks_has_a_picture() {
    let mut dice = Dice::new(3);
    let (mut take, mut drawing) = invented::take(&mut dice, 2, 2, 0.02, 0);
    take.duration_s = 0.0;
    take.samples = 0;
    take.start_timecode = None;
    drawing.column_s = 0.0;
    drawing.tracks.clear();
    draw("empty", &take, &drawing);
    take.tracks.clear();
    take.mic_timeline.clear();
    draw("no-tracks", &take, &drawing);
}

#[test]
fn hostile_names_stay_text() {
    let mut dice = Dice::new(3);
    let (mut take, drawing) = invented::take(&mut dice, 2, 6, 60.0, 4);
    take.scene = Some("<script>alert(1)</script>&\u{0}\u{202e}".into());
    take.tracks[0].name = Some("x".repeat(10_000));
    take.tracks[1].name = Some("]]>\u{1b}[31m \u{5d0}\u{5d1}\u{5d2} \u{1f3a4}".into());
    take.findings[0].message = "a\u{7}b <b>c</b>".into();
    let picture = draw("hostile", &take, &drawing);
    assert!(!picture.svg.contains("<script"));
    assert!(
        picture
            .name
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || "-_.".contains(c))
    );
}

#[test]
fn pairs_and_the_trend_of_the_day() {
    let (report, _) = invented::day(40, 12);
    let trend = plots::trend(&report).unwrap().unwrap();
    keep("trend", &trend);
    let (take, pair) = report
        .takes
        .iter()
        .find_map(|t| Some((t, *plots::suspicious_pairs(t).first()?)))
        .unwrap();
    let picture = plots::pair(take, pair, 3).unwrap();
    keep("pair", &picture);
    assert!(picture.svg.contains("Delay, ms"));
    assert!(roxmltree::Document::parse(&picture.svg).is_ok());
    let (alone, _) = invented::day(1, 3);
    assert!(plots::trend(&alone).unwrap().is_none());
}
