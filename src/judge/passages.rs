//! The same words in another take, found by the sound alone.
//!
//! Of each talker a compact curve is kept: ten bands, twenty rows a second, level against that talker's own mean, so that
//! microphone, room and gain fall out. A bad line is then looked for anywhere in the other take by time warping with a free
//! start and end. It counts only when it fits well and nothing else there fits nearly as well; otherwise only the take is
//! claimed.

use serde::{Deserialize, Serialize};

use crate::detect::{Finding, TakeView};
use crate::judge::cover::Line;
use crate::measure::frames::bands_within;
use crate::units::power_db;

/// Bands of a curve.
pub const BANDS: usize = 10;
/// Rows a second, as a whole number of frames of 20 ms: every 60 ms is near the shortest sounds of speech.
const FRAMES_PER_ROW: usize = 3;
/// Mean difference per band below which two readings may be the same words, dB.
const FITS_DB: f64 = 5.5;
/// and by which the best place must beat the second best.
const BEATS: f64 = 0.75;
/// Shorter lines hold too little to be told apart, seconds.
pub(super) const LEAST_S: f64 = 1.0;
/// What a row of silence costs against a row of speech, dB.
const SILENT_DB: f64 = 15.0;
/// No speech of this talker in a row.
const SILENT: i8 = i8::MIN;
/// A fault covers what was said in a row: it fits anything.
const COVERED: i8 = i8::MIN + 1;
/// Faults up to this length leave enough of a line to know it by, seconds.
const SHORT_S: f64 = 1.0;

/// A talker's speech over a whole take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Name of the talker.
    pub talker: String,
    /// Seconds per row.
    pub row_s: f64,
    /// dB against the talker's mean per band, or `SILENT` or `COVERED` throughout.
    #[serde(with = "packed")]
    pub rows: Vec<[i8; BANDS]>,
}

/// Rows as base64, a byte a band.
mod packed {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::BANDS;
    use crate::report::drawing::Bytes;

    pub(super) fn serialize<S: Serializer>(
        rows: &[[i8; BANDS]],
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        let bytes = rows.iter().flatten().map(|v| v.cast_unsigned()).collect();
        Bytes(bytes).serialize(serializer)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Vec<[i8; BANDS]>, D::Error> {
        let Bytes(bytes) = Bytes::deserialize(deserializer)?;
        let row = |row: &[u8]| std::array::from_fn(|band| row[band].cast_signed());
        Ok(bytes.chunks_exact(BANDS).map(row).collect())
    }
}

/// Curves of all talkers of a take.
pub fn curves(view: &TakeView<'_>, findings: &[Finding], lines: &[Line]) -> Vec<Curve> {
    (0..view.speech.talkers.len())
        .filter_map(|talker| curve(view, findings, lines, talker))
        .collect()
}

fn curve(
    view: &TakeView<'_>,
    findings: &[Finding],
    lines: &[Line],
    talker: usize,
) -> Option<Curve> {
    let position = *view.speech.talkers[talker].tracks.first()?;
    let index = view.track(position).index;
    let short = (SHORT_S * f64::from(view.take.rate)) as u64;
    let faults: Vec<&Finding> = findings
        .iter()
        .filter(|f| f.tracks.contains(&index) && f.end - f.start <= short)
        .collect();
    let covered = |row: usize| {
        let (first, last) = (row * FRAMES_PER_ROW, (row + 1) * FRAMES_PER_ROW);
        let (start, end) = (view.grid.sample(first), view.grid.sample(last));
        faults.iter().any(|f| f.start < end && f.end > start)
    };
    let frames = &view.tracks[position].frames;
    let edges = [
        200.0, 280.0, 400.0, 560.0, 800.0, 1120.0, 1600.0, 2240.0, 3150.0, 4500.0, 6300.0,
    ];
    let bands: Vec<_> = edges
        .windows(2)
        .map(|e| bands_within(e[0] * 0.99, e[1] * 0.98))
        .collect();
    let count = view.grid.frames.div_ceil(FRAMES_PER_ROW);
    let mut levels: Vec<Option<[f64; BANDS]>> = vec![None; count];
    let mut hidden = vec![false; count];
    for line in lines.iter().filter(|l| l.talker == Some(talker)) {
        let first = line.frames.start.div_ceil(FRAMES_PER_ROW);
        let last = line.frames.end / FRAMES_PER_ROW;
        for (row, slot) in levels.iter_mut().enumerate().take(last).skip(first) {
            if covered(row) {
                hidden[row] = true;
                continue;
            }
            let mut values = [0.0; BANDS];
            for (value, band) in values.iter_mut().zip(&bands) {
                let power: f64 = (row * FRAMES_PER_ROW..(row + 1) * FRAMES_PER_ROW)
                    .map(|f| frames.band_power(f, band.clone()))
                    .sum();
                *value = power_db(power.max(1e-15));
            }
            *slot = Some(values);
        }
    }
    let spoken = || levels.iter().flatten();
    let count = spoken().count() as f64;
    if count < LEAST_S / row_s(view) {
        return None;
    }
    let means: [f64; BANDS] =
        std::array::from_fn(|band| spoken().map(|row| row[band]).sum::<f64>() / count);
    let rows = levels
        .into_iter()
        .zip(hidden)
        .map(|(row, hidden)| match row {
            Some(values) => {
                std::array::from_fn(|b| (values[b] - means[b]).round().clamp(-40.0, 40.0) as i8)
            }
            None if hidden => [COVERED; BANDS],
            None => [SILENT; BANDS],
        })
        .collect();
    Some(Curve {
        talker: view.speech.talkers[talker].name.clone(),
        row_s: row_s(view),
        rows,
    })
}

fn row_s(view: &TakeView<'_>) -> f64 {
    FRAMES_PER_ROW as f64 / view.grid.frames_per_s()
}

/// Number of rows that no fault covers.
fn known(rows: &[[i8; BANDS]]) -> f64 {
    rows.iter().filter(|row| row[0] != COVERED).count() as f64
}

/// Difference of a row of the line looked for and one of the other take, dB per band.
fn cost(a: &[i8; BANDS], b: &[i8; BANDS]) -> f64 {
    match (a[0], b[0]) {
        (COVERED, _) | (SILENT, SILENT) => 0.0,
        // What is hidden there speaks neither for nor against the place.
        (_, COVERED) => FITS_DB,
        (SILENT, _) | (_, SILENT) => SILENT_DB,
        _ => {
            a.iter()
                .zip(b)
                .map(|(x, y)| f64::from((i16::from(*x) - i16::from(*y)).abs()))
                .sum::<f64>()
                / BANDS as f64
        }
    }
}

/// Where `[start_s, end_s)` of a talker's curve is said again in another take: start and end there in seconds.
pub fn find(mine: &Curve, start_s: f64, end_s: f64, other: &Curve) -> Option<(f64, f64)> {
    let rows = |s: f64| (s / mine.row_s).round().max(0.0) as usize;
    let wanted = mine
        .rows
        .get(rows(start_s)..rows(end_s).min(mine.rows.len()))?;
    if known(wanted) * mine.row_s < LEAST_S || (mine.row_s - other.row_s).abs() > 1e-3 {
        return None;
    }
    let ends = warped(wanted, &other.rows);
    let (best_end, &(best, best_start)) = ends
        .iter()
        .enumerate()
        .min_by(|a, b| a.1.0.total_cmp(&b.1.0))?;
    let second = ends
        .iter()
        .enumerate()
        .filter(|(end, (_, start))| *end <= best_start || *start >= best_end)
        .map(|(_, (c, _))| *c)
        .fold(SILENT_DB, f64::min);
    (best < FITS_DB && best < BEATS * second).then(|| {
        (
            best_start as f64 * other.row_s,
            (best_end + 1) as f64 * other.row_s,
        )
    })
}

/// For each row of `other` at which `wanted` may end: mean cost per step and the row where it starts. Steps: one row each, or
/// two rows of one against one of the other, so that no reading is more than twice as fast.
fn warped(wanted: &[[i8; BANDS]], other: &[[i8; BANDS]]) -> Vec<(f64, usize)> {
    const NEVER: (f64, usize) = (f64::INFINITY, 0);
    let n = other.len();
    let (mut before, mut last) = (vec![NEVER; n], vec![NEVER; n]);
    for (i, row) in wanted.iter().enumerate() {
        let mut now = vec![NEVER; n];
        for j in 0..n {
            let here = cost(row, &other[j]);
            now[j] = if i == 0 {
                (here, j)
            } else {
                let step = |from: &[(f64, usize)], back: usize, weight: f64| {
                    j.checked_sub(back)
                        .map_or(NEVER, |k| (from[k].0 + weight * here, from[k].1))
                };
                [
                    step(&last, 1, 1.0),
                    // One row of mine for two of theirs, two of mine for one of theirs: cost per row of mine.
                    step(&last, 2, 1.0),
                    step(&before, 1, 2.0),
                ]
                .into_iter()
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .unwrap_or(NEVER)
            };
        }
        before = last;
        last = now;
    }
    let length = known(wanted).max(1.0);
    last.into_iter().map(|(c, s)| (c / length, s)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Speech-like rows: bands that wander with a few rows of memory.
    fn rows(count: usize, seed: u64) -> Vec<[i8; BANDS]> {
        let mut value = [0f64; BANDS];
        let noise = crate::synth::sources::noise(count * BANDS, seed);
        noise
            .chunks_exact(BANDS)
            .map(|row| {
                std::array::from_fn(|b| {
                    value[b] = 0.75 * value[b] + 11.0 * f64::from(row[b]);
                    value[b] as i8
                })
            })
            .collect()
    }

    fn curve(rows: Vec<[i8; BANDS]>) -> Curve {
        Curve {
            talker: "Hedda".into(),
            row_s: 0.06,
            rows,
        }
    }

    #[test]
    fn the_same_words_said_a_little_slower_are_found() {
        let line = rows(40, 3);
        let mut there = rows(100, 5);
        // Every eighth row twice, each band off by up to 2 dB.
        for (k, row) in line.iter().enumerate() {
            let off = row.map(|v| v + (k % 5) as i8 - 2);
            there.push(off);
            if k % 8 == 0 {
                there.push(off);
            }
        }
        there.extend(rows(80, 9));
        let (start, end) = find(&curve(line), 0.0, 2.4, &curve(there)).unwrap();
        assert!((start - 6.0).abs() < 0.2, "{start}");
        assert!((end - 8.7).abs() < 0.2, "{end}");
    }

    /// A third of a second of the line was lost: the rest of it is still the same words.
    #[test]
    fn a_line_with_a_hole_is_found_again() {
        let line = rows(40, 3);
        let there: Vec<_> = [rows(100, 5), line.clone(), rows(80, 9)].concat();
        let mut spoiled = line;
        spoiled[15..20].fill([COVERED; BANDS]);
        let (start, end) = find(&curve(spoiled.clone()), 0.0, 2.4, &curve(there)).unwrap();
        assert!((start - 6.0).abs() < 0.2, "{start}");
        assert!((end - 8.4).abs() < 0.2, "{end}");
        spoiled[5..40].fill([COVERED; BANDS]);
        let nothing = find(&curve(spoiled), 0.0, 2.4, &curve(rows(300, 7)));
        assert_eq!(nothing, None, "what is hidden is no proof");
    }

    #[test]
    fn other_words_the_same_words_twice_and_short_lines_claim_nothing() {
        let line = rows(40, 3);
        assert_eq!(
            find(&curve(line.clone()), 0.0, 2.4, &curve(rows(300, 7))),
            None
        );
        let twice: Vec<_> = [line.clone(), rows(60, 8), line.clone()].concat();
        assert_eq!(find(&curve(line.clone()), 0.0, 2.4, &curve(twice)), None);
        assert_eq!(find(&curve(line.clone()), 0.0, 0.6, &curve(line)), None);
        assert_eq!(find(&curve(vec![]), 0.0, 2.0, &curve(vec![])), None);
    }
}
