//! Writes a take of any length and any number of tracks to measure with: `cargo run --release --example long_take -- FILE TRACKS
//! SECONDS`.
//!
//! Real speech in an invented room (the scene of the demo: two mix tracks, a boom, body microphones) is laid end to end, with
//! fresh noise on each track, so that nothing repeats to the sample. 48 kHz, 24 bit; above 4 GiB an RF64.

use std::fs::File;
use std::io::{BufWriter, Error, Result, Write};
use std::path::Path;

use takeproof::synth::scene::Scene;
use takeproof::synth::wav::{self, Label};

/// Length of the scene that is laid end to end, seconds; no multiple of anything looked for.
const SCENE_S: f64 = 97.3;
/// Samples over which a scene fades in and out.
const FADE: usize = 2400;
/// Largest deviation of the noise: about -80 dBFS.
const NOISE: f32 = 0.000_3;

fn main() -> Result<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [file, tracks, seconds] = &args[..] else {
        return Err(Error::other("usage: long_take FILE TRACKS SECONDS"));
    };
    let number = |text: &String| text.parse::<u64>().map_err(Error::other);
    write(Path::new(file), number(tracks)? as usize, number(seconds)?)
}

fn write(path: &Path, tracks: usize, seconds: u64) -> Result<()> {
    let names: Vec<String> = (1..tracks.max(5)).map(|k| format!("Voice{k}")).collect();
    let people = tracks.saturating_sub(3).max(1);
    let names: Vec<&str> = names.iter().map(String::as_str).take(people).collect();
    let mut scene = Scene::dialogue(&names, SCENE_S.min(seconds as f64), 77).render();
    scene.usual_mix("MixR");
    scene.usual_mix("MixL");
    scene.tracks.truncate(tracks);
    scene.wearers.truncate(tracks);
    wav::write(path, &scene, &Label::default())?;
    let short = std::fs::read(path)?;
    let data = short.len() - scene.len() * tracks * 3;

    let frames = seconds * u64::from(scene.rate);
    let bytes = frames * tracks as u64 * 3;
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    let whole = bytes + data as u64 - 8;
    match (u32::try_from(whole), u32::try_from(bytes)) {
        (Ok(whole), Ok(bytes)) => {
            out.write_all(b"RIFF")?;
            out.write_all(&whole.to_le_bytes())?;
            out.write_all(&short[8..data - 4])?;
            out.write_all(&bytes.to_le_bytes())?;
        }
        _ => {
            out.write_all(b"RF64\xff\xff\xff\xffWAVEds64")?;
            out.write_all(&28u32.to_le_bytes())?;
            for size in [whole + 36, bytes, frames] {
                out.write_all(&size.to_le_bytes())?;
            }
            out.write_all(&[0; 4])?;
            out.write_all(&short[12..data - 4])?;
            out.write_all(&[0xff; 4])?;
        }
    }
    let mut dice = fastrand::Rng::with_seed(1);
    let length = scene.len();
    for i in 0..frames {
        let at = (i % length as u64) as usize;
        let fade = (at.min(length - 1 - at) as f32 / FADE as f32).min(1.0);
        for track in &scene.tracks {
            let v = track.x[at] * fade + NOISE * (dice.f32() - 0.5);
            let code = (v * 8_388_608.0).clamp(-8_388_608.0, 8_388_607.0) as i32;
            out.write_all(&code.to_le_bytes()[..3])?;
        }
    }
    out.flush()
}
