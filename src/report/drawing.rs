//! Compact drawing data per take: what pictures and page need beyond `report.json`, small enough to keep with the result,
//! so that both can be made again without analysing again.
//!
//! Levels are bytes in steps of half a decibel, spectrogram cells bytes in steps of two; both are written as base64.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::model::{self, MicState, Role, Severity};
use crate::measure::frames::{BANDS, Frames};
use crate::measure::{Floor, Grid};
use crate::pipeline::Analysis;
use crate::units::{db, power_db};

/// Columns of an envelope stand this far apart, seconds; closer in short takes, farther in very long ones.
const COLUMN_S: f64 = 0.1;
/// Columns a short take gets: one to a pixel of the picture.
const ENOUGH_COLUMNS: f64 = 960.0;
/// An envelope has at most this many columns: two to a pixel of a wide screen.
const MOST_COLUMNS: usize = 2400;
/// Columns of the envelope per value of the background, which moves slowly.
const FLOOR_COLUMNS: usize = 5;
/// Spectrograms per take: the worst stretches. More would make the page of a bad day too heavy to mail.
const MOST_TILES: usize = 8;
/// Sound around a finding that its spectrogram shows, seconds.
const AROUND_S: f64 = 1.0;
/// Longest stretch that a spectrogram shows, seconds.
const LONGEST_TILE_S: f64 = 6.0;
/// Spectrogram columns at most.
const TILE_COLUMNS: usize = 150;

/// Drawing data of one take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeDrawing {
    /// Length of an envelope column, seconds; 0 without samples.
    pub column_s: f64,
    /// Length of a background column, seconds.
    pub floor_column_s: f64,
    /// In track order.
    pub tracks: Vec<TrackDrawing>,
    /// Spectrograms of the worst stretches.
    pub tiles: Vec<Tile>,
}

/// Drawing data of one track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackDrawing {
    /// Largest sample per column.
    pub peak: Levels,
    /// Mean square per column.
    pub rms: Levels,
    /// Background per background column.
    pub floor: Levels,
}

/// Band levels of one stretch on the microphone concerned and on the best one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tile {
    /// Id of the finding it belongs to.
    pub finding: String,
    /// Start, seconds.
    pub start_s: f64,
    /// Length of a column, seconds.
    pub column_s: f64,
    /// The track with the fault, then the best microphone where there is one.
    pub tracks: Vec<TileTrack>,
}

/// Band levels of one track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TileTrack {
    /// Track index.
    pub track: usize,
    /// Column by column, [`BANDS`] cells from low to high; 0 for silence, else `1 + (level + 140) / 2`.
    pub cells: Bytes,
}

/// Levels in half decibels: 0 for digital silence, else `1 + 2 * (level + 120)`, held within -120 .. +7 dBFS.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Levels(pub Bytes);

/// Bytes, written as base64.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Bytes(pub Vec<u8>);

impl Levels {
    /// From levels in dBFS; minus infinity is silence.
    pub fn from_db(levels: impl IntoIterator<Item = f64>) -> Levels {
        let code = |level: f64| {
            if level == f64::NEG_INFINITY || level.is_nan() {
                0
            } else {
                (1.0 + 2.0 * (level + 120.0)).round().clamp(1.0, 255.0) as u8
            }
        };
        Levels(Bytes(levels.into_iter().map(code).collect()))
    }

    /// Number of values.
    pub fn len(&self) -> usize {
        self.0.0.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.0.0.is_empty()
    }

    /// Level in dBFS; `None` for silence and past the end.
    pub fn get(&self, index: usize) -> Option<f64> {
        match self.0.0.get(index) {
            None | Some(0) => None,
            Some(&code) => Some(f64::from(code - 1) / 2.0 - 120.0),
        }
    }

    /// Largest level of a range; `None` where all is silence.
    pub fn largest(&self, range: Range<usize>) -> Option<f64> {
        let range = range.start.min(self.len())..range.end.min(self.len());
        let index = range.max_by_key(|&i| self.0.0[i])?;
        self.get(index)
    }
}

const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// Base64 (RFC 4648, section 4), padded.
pub(crate) fn base64(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for part in bytes.chunks(3) {
        let word = (0..3).fold(0u32, |word, i| {
            word << 8 | u32::from(part.get(i).copied().unwrap_or(0))
        });
        for i in 0..4 {
            text.push(if i <= part.len() {
                char::from(ALPHABET[(word >> (18 - 6 * i)) as usize & 63])
            } else {
                '='
            });
        }
    }
    text
}

fn unbase64(text: &str) -> Option<Vec<u8>> {
    let text = text.trim_end_matches('=').as_bytes();
    let mut bytes = Vec::with_capacity(text.len() * 3 / 4);
    for part in text.chunks(4) {
        let mut word = 0u32;
        for i in 0..4 {
            let value = match part.get(i) {
                Some(c) => ALPHABET.iter().position(|a| a == c)?,
                None => 0,
            };
            word = word << 6 | value as u32;
        }
        let whole = [(word >> 16) as u8, (word >> 8) as u8, word as u8];
        bytes.extend_from_slice(&whole[..part.len() * 3 / 4]);
    }
    Some(bytes)
}

impl TryFrom<String> for Bytes {
    type Error = String;
    fn try_from(text: String) -> Result<Bytes, String> {
        unbase64(&text)
            .map(Bytes)
            .ok_or_else(|| "not base64".into())
    }
}

impl From<Bytes> for String {
    fn from(bytes: Bytes) -> String {
        base64(&bytes.0)
    }
}

/// Drawing data of an analysed take. `take` is its report, which says what is worth a spectrogram.
pub fn drawing(analysis: &Analysis, take: &model::Take) -> TakeDrawing {
    let grid = analysis.tracks.first().map(|t| t.frames.grid);
    let Some(grid) = grid.filter(|g| g.frames > 0) else {
        return TakeDrawing {
            column_s: 0.0,
            floor_column_s: 0.0,
            tracks: analysis.tracks.iter().map(|_| empty()).collect(),
            tiles: Vec::new(),
        };
    };
    let frame_s = 1.0 / grid.frames_per_s();
    let duration_s = grid.frames as f64 * frame_s;
    let column_s = (duration_s / ENOUGH_COLUMNS).min(COLUMN_S);
    let per_column = ((column_s / frame_s).round() as usize)
        .max(grid.frames.div_ceil(MOST_COLUMNS))
        .max(1);
    TakeDrawing {
        column_s: frame_s * per_column as f64,
        floor_column_s: frame_s * (per_column * FLOOR_COLUMNS) as f64,
        tracks: analysis
            .tracks
            .iter()
            .map(|t| track(&t.frames, &t.floor, per_column))
            .collect(),
        tiles: tiles(analysis, take, grid),
    }
}

fn empty() -> TrackDrawing {
    TrackDrawing {
        peak: Levels::default(),
        rms: Levels::default(),
        floor: Levels::default(),
    }
}

fn track(frames: &Frames, floor: &Floor, per_column: usize) -> TrackDrawing {
    let peaks = frames.peak.all();
    let peak = peaks.chunks(per_column).map(|part| {
        let largest = part.iter().fold(0f32, |a, &b| a.max(b));
        db(f64::from(largest))
    });
    let rms = frames.power.chunks(per_column).map(|part| {
        let sum: f64 = part.iter().map(|&p| f64::from(p)).sum();
        power_db(sum / part.len() as f64)
    });
    let per_floor = per_column * FLOOR_COLUMNS;
    let background = (0..frames.grid.frames).step_by(per_floor).map(|frame| {
        let middle = (frame + per_floor / 2).min(frames.grid.frames - 1);
        floor
            .level_db
            .get(floor.step(middle))
            .map_or(f64::NEG_INFINITY, |&level| f64::from(level))
    });
    TrackDrawing {
        peak: Levels::from_db(peak),
        rms: Levels::from_db(rms),
        floor: Levels::from_db(background),
    }
}

/// Findings that get a spectrogram: with a track and a range, worst first, at most two of a kind and track.
fn worth_a_tile(take: &model::Take) -> Vec<&model::Finding> {
    let mut found: Vec<&model::Finding> = take
        .findings
        .iter()
        .filter(|f| f.severity > Severity::Note && !f.tracks.is_empty() && f.start_s.is_some())
        .collect();
    found.sort_by(|a, b| {
        b.severity
            .cmp(&a.severity)
            .then(b.confidence.total_cmp(&a.confidence))
    });
    let mut seen: Vec<(&str, usize)> = Vec::new();
    found.retain(|f| {
        let key = (f.kind.as_str(), f.tracks[0]);
        seen.push(key);
        seen.iter().filter(|s| **s == key).count() <= 2
    });
    found.truncate(MOST_TILES);
    found
}

/// What the spectrogram and the clip of a finding show, seconds: the stretch and a second around it, or the first seconds
/// of a long one.
pub fn shown_range(finding: &model::Finding, duration_s: f64) -> Option<(f64, f64)> {
    let (start, end) = (finding.start_s?, finding.end_s?);
    let end = end.min(start + LONGEST_TILE_S - 2.0 * AROUND_S);
    Some((
        (start - AROUND_S).max(0.0),
        (end + AROUND_S).min(duration_s),
    ))
}

fn tiles(analysis: &Analysis, take: &model::Take, grid: Grid) -> Vec<Tile> {
    worth_a_tile(take)
        .into_iter()
        .filter_map(|finding| {
            let (start_s, end_s) = shown_range(finding, take.duration_s)?;
            let (first, last) = (grid.frame_at(start_s), grid.frame_at(end_s) + 1);
            let step = (last.saturating_sub(first)).div_ceil(TILE_COLUMNS).max(1);
            let mut indexes = vec![finding.tracks[0]];
            indexes.extend(best_mic(take, finding));
            let tracks = indexes
                .into_iter()
                .filter_map(|index| {
                    let frames = &analysis.tracks.get(index.checked_sub(1)?)?.frames;
                    let cells = (first..last)
                        .step_by(step)
                        .flat_map(|f| cells(frames, f..(f + step).min(last)))
                        .collect();
                    Some(TileTrack {
                        track: index,
                        cells: Bytes(cells),
                    })
                })
                .collect();
            Some(Tile {
                finding: finding.id.clone(),
                start_s: grid.time_s(first),
                column_s: step as f64 / grid.frames_per_s(),
                tracks,
            })
        })
        .collect()
}

/// One column of a spectrogram: the largest level per band, so that a hit of one frame stays visible.
fn cells(frames: &Frames, range: Range<usize>) -> [u8; BANDS] {
    std::array::from_fn(|band| {
        let largest = range
            .clone()
            .map(|f| f32::from(frames.codes(f)[band]))
            .fold(0f32, f32::max);
        if largest <= 0.0 {
            0
        } else {
            let level = power_db(f64::from(largest));
            (1.0 + (level + 140.0) / 2.0).round().clamp(1.0, 255.0) as u8
        }
    })
}

/// The microphone to hear in place of the one with the fault: the best track of the speech there, else the clean
/// microphone with the most speech over its background; never the faulty one.
pub fn best_mic(take: &model::Take, finding: &model::Finding) -> Option<usize> {
    let (start, end) = (finding.start_s?, finding.end_s?);
    let own = |track: usize| finding.tracks.contains(&track);
    let overlap = |s: &model::Speech| s.end_s.min(end) - s.start_s.max(start);
    let spoken = take
        .speech
        .iter()
        .filter(|s| overlap(s) > 0.0)
        .filter_map(|s| Some((s.best_track.filter(|&t| !own(t))?, overlap(s))))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(track, _)| track);
    spoken.or_else(|| {
        take.tracks
            .iter()
            .filter(|t| matches!(t.role, Role::Boom | Role::Plant | Role::Lav) && !own(t.index))
            .filter(|t| !faulty_within(take, t.index, start, end))
            .max_by(|a, b| {
                let rank = |t: &model::Track| {
                    let boom = matches!(t.role, Role::Boom | Role::Plant);
                    (boom, t.measurements.snr_db.unwrap_or(f64::MIN))
                };
                let (a_rank, b_rank) = (rank(a), rank(b));
                (a_rank.0.cmp(&b_rank.0))
                    .then(a_rank.1.total_cmp(&b_rank.1))
                    .then(b.index.cmp(&a.index))
            })
            .map(|t| t.index)
    })
}

fn faulty_within(take: &model::Take, track: usize, start: f64, end: f64) -> bool {
    take.mic_timeline
        .iter()
        .filter(|line| line.track == track)
        .flat_map(|line| &line.stretches)
        .any(|s| {
            s.state != MicState::Clean
                && s.state != MicState::Silent
                && s.start_s < end
                && s.end_s > start
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_keep_half_decibels() {
        let levels = Levels::from_db([f64::NEG_INFINITY, -120.0, -37.25, -0.5, 0.0, 30.0, -300.0]);
        let back: Vec<_> = (0..8).map(|i| levels.get(i)).collect();
        assert_eq!(back[0], None);
        assert_eq!(back[1], Some(-120.0));
        assert!((back[2].unwrap() + 37.25).abs() <= 0.25);
        assert_eq!(back[3], Some(-0.5));
        assert_eq!(back[4], Some(0.0));
        assert_eq!(back[5], Some(7.0));
        assert_eq!(back[6], Some(-120.0));
        assert_eq!(back[7], None);
        assert_eq!(levels.largest(0..4), Some(-0.5));
        assert_eq!(levels.largest(0..1), None);
        assert_eq!(levels.largest(9..12), None);
    }

    #[test]
    fn base64_agrees_with_the_rfc() {
        // RFC 4648, section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
            assert_eq!(unbase64(coded).unwrap(), plain.as_bytes());
        }
        assert!(unbase64("<>").is_none());
    }
}
