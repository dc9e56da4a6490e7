//! Listening clips: a few seconds around a finding, on the microphone concerned and on the best one, each its own file.
//!
//! Made for ears: never louder than -12 dBFS at the peak, never boosted, faded in and out. Nothing from outside the windows
//! between slate and cut, where people may think nobody records, unless somebody asks for it.

use serde::Serialize;

use super::drawing::{best_mic, shown_range};
use super::model::{self, Finding, Severity};
use super::plots::{file_name, take_name};
use crate::container::ReadError;
use crate::decode::{Block, Decoder};
use crate::judge::rank::track_label;
use crate::take::Take;
use crate::units::{amplitude, db, power_db, samples};

/// Highest peak of a clip, dBFS: faults can lie 20 to 40 dB above speech, and nobody's ears should find out.
pub const CEILING_DBFS: f64 = -12.0;
/// Fade at both ends, seconds.
const FADE_S: f64 = 0.02;
/// Clips per kind and track of a take; a hundred clicks need no hundred files.
const MOST_ALIKE: usize = 3;
/// A peak from here on is told as loud before it is played, dBFS before the ceiling is applied.
const LOUD_PEAK_DBFS: f64 = -6.0;
/// A moment this far over the rest of the clip is told as loud, dB.
const LOUD_JUMP_DB: f64 = 20.0;

/// One clip, as the page lists it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Clip {
    /// Id of the finding.
    pub finding: String,
    /// Track index.
    pub track: usize,
    /// Name of the track.
    pub label: String,
    /// Whether it is the best microphone rather than the one concerned.
    pub best: bool,
    /// Path from the report's folder.
    pub file: String,
    /// Whether there is loud material in it: to be told before it is played.
    pub loud: bool,
    /// Start within the take, seconds.
    pub start_s: f64,
    /// End within the take, seconds.
    pub end_s: f64,
}

/// Where clips may come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Reach {
    /// The windows between slate and cut.
    Windows,
    /// The whole file.
    Everything,
}

/// What to cut from a take, before anything is read. `number` is the take's place in the report (1-based).
pub fn plan(take: &model::Take, number: usize, reach: Reach) -> Vec<Clip> {
    let mut worst: Vec<&Finding> = take
        .findings
        .iter()
        .filter(|f| f.severity > Severity::Note && !f.tracks.is_empty())
        .collect();
    worst.sort_by(|a, b| {
        b.severity
            .cmp(&a.severity)
            .then(b.confidence.total_cmp(&a.confidence))
    });
    let mut seen: Vec<(&str, usize)> = Vec::new();
    let mut clips = Vec::new();
    for finding in worst {
        let key = (finding.kind.as_str(), finding.tracks[0]);
        if seen.iter().filter(|s| **s == key).count() >= MOST_ALIKE {
            continue;
        }
        let Some((start_s, end_s)) = reachable(take, finding, reach) else {
            continue;
        };
        seen.push(key);
        let stem = file_name(&format!(
            "{number:03}-{}-{}-{:.0}ms",
            take_name(take).replace(" take ", "-T"),
            finding.kind,
            finding.start_s.unwrap_or(0.0) * 1000.0
        ));
        let mut add = |track: usize, best: bool| {
            let word = if best { "best" } else { "concerned" };
            clips.push(Clip {
                finding: finding.id.clone(),
                track,
                label: track_label(take, track),
                best,
                file: format!("clips/{stem}-track{track}-{word}.wav"),
                loud: false,
                start_s,
                end_s,
            });
        };
        add(finding.tracks[0], false);
        if let Some(track) = best_mic(take, finding) {
            add(track, true);
        }
    }
    clips
}

/// The stretch to hear, held within the window that the finding lies in; `None` where it lies in none.
fn reachable(take: &model::Take, finding: &Finding, reach: Reach) -> Option<(f64, f64)> {
    let (start, end) = shown_range(finding, take.duration_s)?;
    let held = if reach == Reach::Everything || take.windows.is_empty() {
        (start, end)
    } else {
        let (from, to) = (finding.start_s?, finding.end_s?);
        let window = take
            .windows
            .iter()
            .find(|w| w.start_s < to && w.end_s > from)?;
        (start.max(window.start_s), end.min(window.end_s))
    };
    (held.1 > held.0).then_some(held)
}

/// Cut the planned clips out of a take: one pass over its files, only as far as the last clip. `loud` is set on the way.
pub fn cut(take: &Take, mut clips: Vec<Clip>) -> Result<Vec<(Clip, Vec<u8>)>, ReadError> {
    let mut sounds: Vec<(u64, u64, Vec<f32>)> = clips
        .iter()
        .map(|c| {
            (
                samples(c.start_s, take.rate),
                samples(c.end_s, take.rate),
                Vec::new(),
            )
        })
        .collect();
    let last = sounds.iter().map(|s| s.1).max().unwrap_or(0);
    if last > 0 {
        let mut decoder = Decoder::open(take, take.rate.max(1) as usize)?;
        let mut block = Block::default();
        while block.start < last && decoder.next_into(&mut block)? {
            let end = block.start + block.len() as u64;
            for (clip, (from, to, sound)) in clips.iter().zip(&mut sounds) {
                let (a, b) = ((*from).max(block.start), (*to).min(end));
                let track = clip.track.checked_sub(1).and_then(|t| block.x.get(t));
                if let Some(x) = track.filter(|_| a < b) {
                    sound.extend_from_slice(
                        &x[(a - block.start) as usize..(b - block.start) as usize],
                    );
                }
            }
            if end >= last {
                break;
            }
        }
    }
    Ok(clips
        .drain(..)
        .zip(sounds)
        .filter(|(_, (_, _, sound))| !sound.is_empty())
        .map(|(mut clip, (_, _, mut sound))| {
            clip.loud = is_loud(&sound, take.rate);
            soften(&mut sound, take.rate);
            let bytes = wave(&sound, take.rate);
            (clip, bytes)
        })
        .collect())
}

/// Whether the clip holds loud material, as recorded.
fn is_loud(sound: &[f32], rate: u32) -> bool {
    let peak = sound.iter().fold(0f32, |peak, x| peak.max(x.abs()));
    if db(f64::from(peak)) >= LOUD_PEAK_DBFS {
        return true;
    }
    let frame = (rate as usize / 50).max(1);
    let mut levels: Vec<f64> = sound
        .chunks(frame)
        .map(|part| {
            let sum: f64 = part.iter().map(|&x| f64::from(x) * f64::from(x)).sum();
            power_db(sum / part.len() as f64).max(-120.0)
        })
        .collect();
    levels.sort_by(f64::total_cmp);
    let (middle, top) = (levels[levels.len() / 2], levels[levels.len() - 1]);
    // A voice rises some 15 dB over the middle of its own clip; quiet clips stay quiet whatever rises in them.
    top - middle > LOUD_JUMP_DB && top > CEILING_DBFS - 18.0
}

/// Turn down to the ceiling, never up, and fade both ends.
fn soften(sound: &mut [f32], rate: u32) {
    for x in sound.iter_mut().filter(|x| !x.is_finite()) {
        *x = 0.0;
    }
    let peak = sound.iter().fold(0f32, |peak, x| peak.max(x.abs()));
    let gain = (amplitude(CEILING_DBFS) / f64::from(peak)).min(1.0) as f32;
    let n = sound.len();
    let fade = (samples(FADE_S, rate) as usize).min(n / 2);
    for (i, x) in sound.iter_mut().enumerate() {
        let edge = i.min(n - 1 - i);
        let slope = if edge < fade {
            let phase = std::f64::consts::PI * edge as f64 / fade as f64;
            (0.5 - 0.5 * phase.cos()) as f32
        } else {
            1.0
        };
        *x *= gain * slope;
    }
}

/// One channel, 24 bit: what every browser and player opens.
fn wave(sound: &[f32], rate: u32) -> Vec<u8> {
    let data = sound.len() as u32 * 3;
    let pad = data % 2;
    let mut out = Vec::with_capacity(44 + data as usize + 1);
    out.extend_from_slice(b"RIFF");
    out.extend_from_slice(&(36 + data + pad).to_le_bytes());
    out.extend_from_slice(b"WAVEfmt ");
    out.extend_from_slice(&16u32.to_le_bytes());
    out.extend_from_slice(&1u16.to_le_bytes());
    out.extend_from_slice(&1u16.to_le_bytes());
    out.extend_from_slice(&rate.to_le_bytes());
    out.extend_from_slice(&(rate * 3).to_le_bytes());
    out.extend_from_slice(&3u16.to_le_bytes());
    out.extend_from_slice(&24u16.to_le_bytes());
    out.extend_from_slice(b"data");
    out.extend_from_slice(&data.to_le_bytes());
    for x in sound {
        let code = (f64::from(*x) * 8_388_607.0).round() as i32;
        out.extend_from_slice(&code.to_le_bytes()[..3]);
    }
    out.extend(std::iter::repeat_n(0, pad as usize));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn never_above_the_ceiling_never_boosted() {
        for (level, expected) in [
            (1.0f32, amplitude(CEILING_DBFS)),
            (4.0, amplitude(CEILING_DBFS)),
            (0.01, 0.01),
        ] {
            let mut sound = vec![level; 9600];
            soften(&mut sound, 48_000);
            let peak = sound.iter().fold(0f32, |p, x| p.max(x.abs()));
            assert!((f64::from(peak) - expected).abs() < 1e-6, "{level}: {peak}");
            assert_eq!(sound[0], 0.0);
            assert_eq!(sound[9599], 0.0);
        }
    }

    #[test]
    fn odd_sounds_do_no_harm() {
        for mut sound in [vec![], vec![0.5], vec![f32::NAN, f32::INFINITY, 0.0]] {
            soften(&mut sound, 48_000);
            assert!(sound.iter().all(|x| x.is_finite()));
            assert_eq!(wave(&sound, 48_000).len() % 2, 0);
        }
    }

    #[test]
    fn loud_moments_are_told() {
        let mut quiet = vec![0.001f32; 48_000];
        assert!(!is_loud(&quiet, 48_000));
        quiet[20_000..22_000].fill(0.3);
        assert!(is_loud(&quiet, 48_000));
        assert!(is_loud(&[0.9; 480], 48_000));
    }
}
