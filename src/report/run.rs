//! What `run.json` says about the run itself: everything that must not be in `report.json`, and nothing about the machine or
//! its user.

use std::time::{Duration, SystemTime};

use serde::{Deserialize, Serialize};

use crate::units::rounded;

/// One run of `check`.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Run {
    /// Always `takeproof-run/1`.
    pub schema: String,
    /// Version of the program.
    pub version: String,
    /// Start, UTC, RFC 3339.
    pub started: String,
    /// Seconds from start to finished report.
    pub wall_s: f64,
    /// Threads that analysed.
    pub threads: usize,
    /// Takes in the report.
    pub takes: u64,
    /// Hours of single tracks.
    pub track_hours: f64,
    /// Track time over wall time.
    pub times_real_time: f64,
    /// Exit status.
    pub exit: u8,
    /// Of a merge: the runs that made its parts, in their order. Its own times are those of joining.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<Run>,
}

impl Run {
    /// Record of a run that analysed `track_hours` of single tracks.
    pub fn new(
        started: SystemTime,
        took: Duration,
        threads: usize,
        takes: u64,
        track_hours: f64,
        exit: u8,
    ) -> Run {
        let wall = took.as_secs_f64();
        Run {
            schema: "takeproof-run/1".into(),
            version: env!("CARGO_PKG_VERSION").into(),
            started: stamp(started),
            wall_s: rounded(wall, 3).unwrap_or(0.0),
            threads,
            takes,
            track_hours,
            times_real_time: rounded(track_hours * 3600.0 / wall.max(1e-3), 1).unwrap_or(0.0),
            exit,
            parts: Vec::new(),
        }
    }
}

/// `2026-03-14T09:26:53Z`.
pub fn stamp(time: SystemTime) -> String {
    let s = unix_seconds(time);
    let (h, m, s) = (s % 86_400 / 3600, s % 3600 / 60, s % 60);
    format!("{}T{h:02}:{m:02}:{s:02}Z", date(time))
}

/// `2026-03-14`, UTC.
pub fn date(time: SystemTime) -> String {
    // Days to civil date, proleptic Gregorian calendar, counted in eras of 400 years that begin on 1 March.
    let days = unix_seconds(time) / 86_400 + 719_468;
    let (era, day_of_era) = (days / 146_097, days % 146_097);
    let year_of_era =
        (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 {
        month_from_march + 3
    } else {
        month_from_march - 9
    };
    let year = era * 400 + year_of_era + u64::from(month <= 2);
    format!("{year:04}-{month:02}-{day:02}")
}

/// Clocks before 1970 count as 1970.
fn unix_seconds(time: SystemTime) -> u64 {
    time.duration_since(SystemTime::UNIX_EPOCH)
        .map_or(0, |d| d.as_secs())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_over_leap_years_and_centuries() {
        let at = |s| SystemTime::UNIX_EPOCH + Duration::from_secs(s);
        assert_eq!(stamp(at(0)), "1970-01-01T00:00:00Z");
        assert_eq!(stamp(at(951_782_399)), "2000-02-28T23:59:59Z");
        assert_eq!(stamp(at(951_782_400)), "2000-02-29T00:00:00Z");
        assert_eq!(date(at(951_868_800)), "2000-03-01");
        assert_eq!(date(at(4_102_444_800)), "2100-01-01");
        assert_eq!(date(at(4_107_542_400)), "2100-03-01");
    }
}
