//! Writes a folder of many short takes to measure what a file costs beyond its audio: `cargo run --release --example
//! many_takes -- FOLDER TAKES TRACKS SECONDS`.
//!
//! Each take is a window of one scene of real speech in an invented room, with fresh noise, so that no two hold the same audio.
//! Takes follow each other on the clock, five to a setup and six setups to a scene, as on a day of pickups.

use std::io::{Error, Result};
use std::path::Path;

use takeproof::synth::scene::{Rendered, Scene};
use takeproof::synth::wav::{self, Label};

/// Length of the scene that windows are cut from, seconds.
const SCENE_S: f64 = 97.3;
/// Largest deviation of the noise: about -80 dBFS.
const NOISE: f32 = 0.000_3;
/// Seconds from the end of a take to the start of the next one.
const BETWEEN_S: f64 = 7.0;

fn main() -> Result<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [folder, takes, tracks, seconds] = &args[..] else {
        return Err(Error::other(
            "usage: many_takes FOLDER TAKES TRACKS SECONDS",
        ));
    };
    let number = |text: &String| text.parse::<u64>().map_err(Error::other);
    let seconds = number(seconds)? as f64;
    write(
        Path::new(folder),
        number(takes)?,
        number(tracks)? as usize,
        seconds,
    )
}

fn write(folder: &Path, takes: u64, tracks: usize, seconds: f64) -> Result<()> {
    std::fs::create_dir_all(folder)?;
    let names: Vec<String> = (1..tracks.max(2)).map(|k| format!("Voice{k}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut scene = Scene::dialogue(&names, SCENE_S.max(seconds + 1.0), 77).render();
    scene.tracks.truncate(tracks);
    let (length, window) = (scene.len(), scene.sample(seconds));
    let mut dice = fastrand::Rng::with_seed(1);
    for take in 0..takes {
        let at = dice.usize(0..=length - window);
        let mut cut = Rendered {
            tracks: scene.tracks.clone(),
            speech: Vec::new(),
            ..scene.clone()
        };
        for track in &mut cut.tracks {
            track.x = track.x[at..at + window]
                .iter()
                .map(|x| x + NOISE * (dice.f32() - 0.5))
                .collect();
        }
        let (setup, letter) = (take / 5, b'A' + (take / 5 % 6) as u8);
        let label = Label {
            scene: format!("{}{}", setup / 6 + 1, char::from(letter)),
            take: (take % 5 + 1).to_string(),
            time_reference: (take as f64 * (seconds + BETWEEN_S) * 48_000.0) as u64 + 48_000,
            ..Label::default()
        };
        let name = format!("{}-{}.wav", label.scene, label.take);
        wav::write(&folder.join(name), &cut, &label)?;
    }
    Ok(())
}
