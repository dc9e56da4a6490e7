//! The demo day: an invented shooting day on an invented production, with known faults and clean takes.
//!
//! Three people in a lighthouse kitchen, 25 frames a second, 48 kHz, 24 bit. The voices are recorded (see
//! `testdata/README.md`); everything else is made here.

use std::path::{Path, PathBuf};

use super::scene::{Rendered, Scene};
use super::wav::{self, Label};

/// Production name of the demo.
pub const PRODUCTION: &str = "LANTERN WEATHER";
/// Names of the invented people.
pub const NAMES: [&str; 3] = ["Hedda", "Orrin", "Wim"];
const SECONDS: f64 = 16.0;

/// One take of the demo: its label and what is wrong with it.
struct Plan {
    scene: &'static str,
    take: u32,
    circled: bool,
    note: &'static str,
    people: usize,
    make: fn(&mut Rendered),
    /// Changes the set before it is recorded.
    stage: fn(&mut Scene),
}

fn nothing(_: &mut Rendered) {}
fn as_it_is(_: &mut Scene) {}

/// Middle of the nth line of a talker, seconds.
fn line(r: &Rendered, talker: usize, nth: usize) -> f64 {
    let mine: Vec<_> = r.speech.iter().filter(|s| s.0 == talker).collect();
    mine.get(nth.min(mine.len().saturating_sub(1)))
        .map_or(5.0, |s| (s.1 + s.2) / 2.0)
}

const PLANS: &[Plan] = &[
    Plan {
        scene: "4",
        take: 1,
        circled: false,
        note: "",
        people: 2,
        make: nothing,
        stage: as_it_is,
    },
    Plan {
        scene: "4",
        take: 2,
        circled: true,
        note: "",
        people: 2,
        // One pack is hit on a line; the boom has the line.
        make: |r| {
            let (track, t) = (r.track("Hedda"), line(r, 0, 0));
            r.doublets(track, t, 7, -14.0);
            r.splat(track, t + 0.12, 0.09, -22.0);
        },
        stage: as_it_is,
    },
    Plan {
        scene: "4",
        take: 3,
        circled: false,
        note: "",
        people: 2,
        // The same line is lost on the pack and spoilt on the boom at once.
        make: |r| {
            let (lav, boom, t) = (r.track("Orrin"), r.track("Boom"), line(r, 1, 0));
            r.zeros(lav, t, 0.22);
            r.splat(boom, t + 0.03, 0.18, -18.0);
        },
        stage: as_it_is,
    },
    Plan {
        scene: "4A",
        take: 1,
        circled: false,
        note: "",
        people: 3,
        // Cloth on one capsule, a pack driven too hard on another.
        make: |r| {
            let (orrin, wim, t) = (r.track("Orrin"), r.track("Wim"), line(r, 1, 0));
            r.rustle(orrin, t - 0.5, 1.2, -3.0);
            r.flatten(wim, 6.0);
        },
        stage: as_it_is,
    },
    Plan {
        scene: "4A",
        take: 2,
        circled: true,
        note: "boom wide",
        people: 3,
        // A lamp on the boom's line, a machine that starts.
        make: |r| {
            let boom = r.track("Boom");
            r.hum(boom, 50.0, -52.0, 0.0);
        },
        stage: |s| s.machines.push((8.0, 99.0, -31.0)),
    },
    Plan {
        scene: "4B",
        take: 1,
        circled: false,
        note: "",
        people: 3,
        // One pack wired backwards, one dead, an offset on the boom.
        make: |r| {
            let (hedda, wim, boom) = (r.track("Hedda"), r.track("Wim"), r.track("Boom"));
            r.invert(hedda);
            r.dead(wim, 0.0, false);
            r.offset(boom, 0.012);
        },
        stage: as_it_is,
    },
    Plan {
        scene: "4B",
        take: 2,
        circled: false,
        note: "",
        people: 3,
        // The second pack feeds two tracks; gain too high on the first.
        make: |r| {
            let (hedda, orrin, wim) = (r.track("Hedda"), r.track("Orrin"), r.track("Wim"));
            r.duplicate(orrin, wim, 0.0);
            r.overload(hedda, 3.0);
        },
        stage: as_it_is,
    },
    Plan {
        scene: "5",
        take: 1,
        circled: false,
        note: "",
        people: 2,
        // A body microphone slips under the coat half way; wind on the boom; ticks on its cable.
        make: |r| {
            let (hedda, boom) = (r.track("Hedda"), r.track("Boom"));
            r.muffle(hedda, 7.0);
            r.wind(boom, 4.0, 2.5, 0.0);
            r.pop(boom, 12.6, -20.0);
        },
        stage: as_it_is,
    },
    // Take 2 of scene 5 is not on the card: a question for the log.
    Plan {
        scene: "5",
        take: 3,
        circled: true,
        note: "",
        people: 2,
        make: nothing,
        stage: as_it_is,
    },
];

/// Write the demo day below a folder (made if missing); returns the folder of the takes. Files of the same name are replaced.
pub fn write(folder: &Path) -> std::io::Result<PathBuf> {
    let card = folder.join("demo-day").join("ROLL_07");
    std::fs::create_dir_all(&card)?;
    let mut clock_s = 9 * 3600 + 12 * 60;
    for (k, plan) in PLANS.iter().enumerate() {
        let seed = 400 + k as u64;
        let mut scene = Scene::dialogue(&NAMES[..plan.people], SECONDS, seed);
        scene.clap(0.9);
        (plan.stage)(&mut scene);
        let mut rendered = scene.render();
        (plan.make)(&mut rendered);
        rendered.usual_mix("Mix");
        let label = Label {
            project: PRODUCTION.into(),
            scene: plan.scene.into(),
            take: plan.take.to_string(),
            roll: "07".into(),
            note: plan.note.into(),
            circled: plan.circled,
            time_reference: clock_s * 48_000,
            // The last take: the recorder lost its power.
            power_lost: k + 1 == PLANS.len(),
            ..Label::default()
        };
        wav::write(
            &card.join(format!("{}-{:02}.wav", plan.scene, plan.take)),
            &rendered,
            &label,
        )?;
        clock_s += 140;
    }
    std::fs::write(card.join("notes.txt"), "Invented by takeproof demo.\n")?;
    Ok(card)
}
