//! Background, ratio to the speech, bandwidth and hum of a track for the report.

use super::model::Measurements;
use crate::detect::track::hum::hum_hz;
use crate::detect::track::noise_high::speech_over_noise;
use crate::measure::TrackMeasures;
use crate::measure::frames::{BANDS, band_edges_hz};
use crate::pipeline::Analysis;
use crate::units::{level, power, rounded};

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
        bandwidth_hz: bandwidth_hz(m).and_then(|hz| rounded(hz, 0)),
        hum_hz: hum_hz(&m.lines, grid.rate, grid.samples).and_then(|hz| rounded(hz, 2)),
        ..measured
    }
}

/// Upper edge of the highest third of an octave that rises 10 dB over its background in one of a hundred frames, Hz; at most
/// half the sampling rate. `None` where none does.
fn bandwidth_hz(measures: &TrackMeasures) -> Option<f64> {
    let edges = band_edges_hz();
    let floor = measures.floor.median_bands();
    let bands = &measures.frames.bands;
    let carries = |band: usize| {
        let limit = 10.0 * power(f64::from(floor[band]));
        let above = bands
            .iter()
            .filter(|row| f64::from(row[band]) > limit)
            .count();
        limit > 0.0 && 100 * above >= bands.len()
    };
    (0..BANDS)
        .rev()
        .find(|&band| carries(band))
        .map(|band| edges[band + 1].min(f64::from(measures.frames.grid.rate) / 2.0))
}
