//! Pictures: every take, however odd, gets one, and both forms are what they say they are.

use takeproof::report::{drawing::TakeDrawing, model::Take, plots};

use crate::invented::{self, Dice};

fn draw(name: &str, take: &Take, drawing: &TakeDrawing) -> plots::Picture {
    let picture = plots::overview(take, drawing, 1).unwrap();
    keep(name, &picture);
    assert!(picture.png.starts_with(b"\x89PNG\r\n\x1a\n"));
    texts_keep_their_places(name, &picture.svg);
    picture
}

/// A text of an SVG: where it is, and how long its picture says that it is.
struct Placed {
    text: String,
    left: f64,
    right: f64,
    y: f64,
    size: f64,
}

/// Whatever font the viewer has: every text says how long it is, none leaves the picture, and none lies on another.
fn texts_keep_their_places(name: &str, svg: &str) {
    let document = roxmltree::Document::parse(svg).unwrap_or_else(|e| panic!("{name}: {e}"));
    let view: Vec<f64> = document
        .root_element()
        .attribute("viewBox")
        .unwrap()
        .split(' ')
        .map(|n| n.parse().unwrap())
        .collect();
    let placed: Vec<Placed> = document
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .map(|n| {
            let text = n.text().unwrap_or_default().to_owned();
            let number = |key: &str| -> f64 {
                let value = n.attribute(key).and_then(|v| v.parse().ok());
                value.unwrap_or_else(|| panic!("{name}: no {key}: {text}"))
            };
            assert_eq!(n.attribute("lengthAdjust"), Some("spacingAndGlyphs"));
            let long = number("textLength");
            let left = number("x")
                - match n.attribute("text-anchor") {
                    Some("end") => long,
                    Some("middle") => long / 2.0,
                    _ => 0.0,
                };
            Placed {
                left,
                right: left + long,
                y: number("y"),
                size: number("font-size"),
                text,
            }
        })
        .collect();
    assert!(!placed.is_empty(), "{name}: no text");
    for (i, a) in placed.iter().enumerate() {
        let inside = a.left >= 0.0 && a.right <= view[2] && a.y > a.size / 2.0 && a.y <= view[3];
        assert!(inside, "{name}: outside: {}", a.text);
        for b in &placed[..i] {
            // Capitals and figures are 0.7 em high.
            let apart = a.left >= b.right || b.left >= a.right;
            let rows = (a.y - b.y).abs() >= 0.7 * a.size.min(b.size);
            assert!(apart || rows, "{name}: {:?} on {:?}", a.text, b.text);
        }
    }
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
    texts_keep_their_places("pair", &picture.svg);
    texts_keep_their_places("trend", &trend.svg);
    let (alone, _) = invented::day(1, 3);
    assert!(plots::trend(&alone).unwrap().is_none());
}
