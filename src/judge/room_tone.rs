//! The longest clean run of room tone on each microphone of a take.

use crate::compare::speech::runs;
use crate::detect::{Finding, TakeView};
use crate::measure::frames::bands_within;
use crate::report::model::Severity;
use crate::units::{power_db, rounded, seconds};

/// Room tone stays this close to the background.
const NEAR_DB: f64 = 8.0;
/// The room goes on after the last word, and people move before the first.
const AFTER_S: f64 = 0.7;
const BEFORE_S: f64 = 0.2;

/// Seconds per track, `None` for tracks that are no microphones or are digital silence.
pub fn longest(view: &TakeView<'_>, findings: &[Finding]) -> Vec<Option<f64>> {
    let grid = view.grid;
    let mut spoken = vec![false; grid.frames];
    for (start, end) in runs(&view.speech.any) {
        let from = start.saturating_sub(grid.frames_in(BEFORE_S));
        let to = (end + grid.frames_in(AFTER_S)).min(grid.frames);
        spoken[from..to].fill(true);
    }
    for l in view.landmarks.iter().filter(|l| l.kind != "timecode") {
        if grid.frames > 0 {
            let (from, to) = (grid.frame_at(l.start_s), grid.frame_at(l.end_s + AFTER_S));
            spoken[from..=to].fill(true);
        }
    }
    let heard = bands_within(100.0, 8000.0);
    (0..view.take.tracks.len())
        .map(|position| {
            if !view.track(position).is_microphone() {
                return None;
            }
            let m = &view.tracks[position];
            let mut quiet: Vec<bool> = (0..grid.frames)
                .map(|f| {
                    let level = power_db(m.frames.band_power(f, heard.clone()));
                    let floor = power_db(m.floor.band_power(f, heard.clone()));
                    !spoken[f] && m.frames.power[f] > 0.0 && level < floor + NEAR_DB
                })
                .collect();
            for f in findings
                .iter()
                .filter(|f| f.severity > Severity::Note && f.tracks.contains(&(position + 1)))
            {
                // A fault of the whole take does not unmake its room tone unless it adds to it.
                let whole = f.start == 0 && f.end >= view.take.samples;
                let adds = matches!(f.kind, "hum" | "noise_high" | "dead_track" | "bleed");
                if (!whole || adds) && grid.frames > 0 {
                    let last = grid.frame(f.end.saturating_sub(1).max(f.start));
                    quiet[grid.frame(f.start)..=last].fill(false);
                }
            }
            let longest = runs(&quiet).into_iter().max_by_key(|(a, b)| b - a);
            Some(longest.map_or(0.0, |(a, b)| {
                rounded(seconds(grid.sample(b) - grid.sample(a), grid.rate), 2).unwrap_or(0.0)
            }))
        })
        .collect()
}
