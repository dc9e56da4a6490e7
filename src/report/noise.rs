//! Background, ratio to the speech, bandwidth and hum of a track for the report.

use super::model::Measurements;
use crate::detect::track::hum::hum_hz;
use crate::detect::track::noise_high::speech_over_noise;
use crate::measure::bandwidth::bandwidth_hz;
use crate::pipeline::Analysis;
use crate::units::{level, rounded};

/// The measurements with background, ratio, bandwidth and hum filled in.
pub(super) fn with_background(
    measured: Measurements,
    analysis: &Analysis,
    position: usize,
) -> Measurements {
    let m = &analysis.tracks[position];
    let grid = m.frames.grid;
    Measurements {
        noise_floor_dbfs: level(m.floor.dbfs()),
        noise_floor_dba: level(m.floor.dba()),
        noise_octaves_dbfs: m
            .floor
            .octaves_dbfs()
            .into_iter()
            .map(|(hz, dbfs)| (hz.to_string(), level(dbfs)))
            .collect(),
        snr_db: speech_over_noise(m, &analysis.speech, position, 0.5)
            .and_then(|s| rounded(s.snr_db(), 1)),
        bandwidth_hz: bandwidth_hz(&m.frames, &m.floor).and_then(|hz| rounded(hz, 0)),
        hum_hz: hum_hz(&m.lines, grid.rate, grid.samples).and_then(|hz| rounded(hz, 2)),
        ..measured
    }
}
