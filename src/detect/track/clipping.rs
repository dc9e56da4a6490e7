//! Samples pinned at full scale.
//!
//! *Fault.* The recorder's converter, or the file, had no room left: wave tops are cut at the highest value there is.
//!
//! *Signature.* Runs of equal samples on wave tops, all on one value: the outermost code, or, where a trim after the converter
//! has moved it, one code within 1 dB of full scale on which tops stop again and again. A float file that holds a converter's
//! rail shows the same on one value at any level.
//!
//! *Decision.* [`Rails::clipped`](crate::measure::Rails::clipped) proves the rail against chance: at 24 bits three equal
//! samples, or two tops on one code; at 16 bits runs longer than a low voice can rest on one code. Runs of at least
//! `min_run_samples` closer than 250 ms are one burst. A single sample at full scale is never reported. Or: tops that overflowed
//! came in at the other end of the range, and the wave goes on smoothly once that is undone ([`wraps`](crate::measure::wraps)).
//!
//! *Must not fire on.* Float samples above full scale; hot but whole peaks; square waves and timecode; a held sample in a gap;
//! low voices near full scale at 16 bits.
//!
//! *Known misses.* Clipping in a chain that filters afterwards has no equal samples any more: that is `flat_top`.
//!
//! *Source.* Run counting at the rail; length of chance runs from the curvature of a sine's top.

use super::impulses::Span;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::rails;
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units;

/// Shortest run that counts.
pub static MIN_RUN: Param = Param {
    key: "clipping.min_run_samples",
    default: 2.0,
    unit: "samples",
    range: (2.0, 100.0),
    why: "one sample at full scale proves nothing; on a proven rail two equal samples are a cut top",
};
/// Bursts closer than this are one; those of `flat_top` as well.
pub(super) const JOIN_S: f64 = 0.25;

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "clipping",
    explain: Explain {
        means: "The signal ran into the recorder's highest value and wave tops were cut off there.",
        sounds_like: "A crackle or hard edge on the loudest syllables.",
        usual_cause: "Recorder gain too high for a shout or a laugh, no limiter, or a line level into a microphone input.",
        do_now: "Lower the gain of that input. Clipping cannot truly be undone: use another microphone for the words, ask for one more if there is none.",
        measured_by: "Runs of equal samples on wave tops, all on one value at or within 1 dB of full scale, judged against what a smooth wave can do by chance; or tops that come in at the other end of the range.",
        not_to_confuse: "Single samples at full scale and 32-bit float peaks above full scale lose nothing. Tops cut further down, ahead of the recorder, are flat_top.",
    },
    params: &[&MIN_RUN],
    run: Run::Track(run),
};

/// Samples cut off, in order of start: what `clipping` and `flat_top` make bursts of.
pub(super) struct Cut {
    pub(super) start: u64,
    pub(super) len: u32,
    pub(super) rail: usize,
}

fn run(view: &TakeView<'_>, position: usize) -> Vec<Finding> {
    let track = view.track(position);
    if !track.carries_sound() {
        return Vec::new();
    }
    let m = &view.tracks[position];
    let signal = view.take.signal();
    let rails = m.rails.clipped(signal, &m.frames);
    let least = view.settings.get(&MIN_RUN) as u32;
    let mut cuts: Vec<Cut> = rails
        .iter()
        .enumerate()
        .flat_map(|(rail, r)| {
            r.runs.iter().filter(|r| r.len >= least).map(move |r| Cut {
                start: r.start,
                len: r.len,
                rail,
            })
        })
        .collect();
    cuts.sort_by_key(|c| c.start);
    let join = units::samples(JOIN_S, view.take.rate);
    let cut = bursts(&cuts, join).into_iter().map(|burst| {
        let last = &burst[burst.len() - 1];
        let (start, end) = (burst[0].start, last.start + u64::from(last.len));
        let longest = burst.iter().map(|c| c.len).max().unwrap_or(0);
        let samples: u64 = burst.iter().map(|c| u64::from(c.len)).sum();
        let rail = &rails[burst[0].rail];
        let weight = burst
            .iter()
            .map(|c| rails[c.rail].weight)
            .fold(0.0, f64::max);
        view.finding("clipping", position, start, end)
            .severity(Severity::Fault)
            .confidence(0.98 * weight)
            .origin(if track.role == Role::Mix {
                Origin::Mix
            } else {
                Origin::Recorder
            })
            .number("rail_dbfs", units::db(f64::from(rail.value)), 2)
            .fact("clipped_samples", samples)
            .fact("longest_run_samples", longest)
            .fact("cut_top_count", burst.len())
            .fact("both_sides", rail.both_sides)
            .says(
                format!(
                    "{} tops cut at {:.1} dBFS, the longest for {} samples ({:.2} ms).",
                    burst.len(),
                    units::db(f64::from(rail.value)),
                    longest,
                    1000.0 * f64::from(longest) / f64::from(view.take.rate)
                ),
                DO_NOW,
            )
    });
    let wraps = m
        .wraps
        .chunk_by(|a, b| b.start < a.start + u64::from(a.len) + join);
    cut.chain(wraps.map(|burst| overflow(view, position, burst)))
        .collect()
}

const DO_NOW: &str =
    "Lower the gain of this input; use another microphone for these words, or ask for one more.";

/// Tops that came in at the other end of the range.
fn overflow(view: &TakeView<'_>, position: usize, burst: &[rails::Run]) -> Finding {
    let last = burst[burst.len() - 1];
    let (start, end) = (burst[0].start, last.start + u64::from(last.len));
    let longest = burst.iter().map(|r| r.len).max().unwrap_or(0);
    view.finding("clipping", position, start, end)
        .severity(Severity::Fault)
        .confidence(0.98)
        .origin(if view.track(position).role == Role::Mix {
            Origin::Mix
        } else {
            Origin::Recorder
        })
        .fact("mechanism", "overflow")
        .fact("longest_run_samples", longest)
        .fact("cut_top_count", burst.len())
        .says(
            format!(
                "{} tops overflowed and come in at the other end of the range, the longest for {longest} samples.",
                burst.len()
            ),
            format!("{DO_NOW} It bangs: mind the volume before you listen."),
        )
}

/// Stretches that overflowed, with so many samples around them: the jumps in them are no clicks, and no garbage.
pub(super) fn overflows(
    view: &TakeView<'_>,
    position: usize,
    near: u64,
) -> impl Iterator<Item = Span> {
    view.tracks[position].wraps.iter().map(move |run| Span {
        start: run.start.saturating_sub(near),
        end: run.start + u64::from(run.len) + near,
    })
}

/// Cuts in groups of which no two are further apart than `join` samples.
pub(super) fn bursts(cuts: &[Cut], join: u64) -> Vec<&[Cut]> {
    cuts.chunk_by(|a, b| b.start < a.start + u64::from(a.len) + join)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bursts_join_below_the_gap() {
        let cut = |start| Cut {
            start,
            len: 3,
            rail: 0,
        };
        let cuts = [cut(0), cut(100), cut(500), cut(20_000)];
        let groups = bursts(&cuts, 12_000);
        assert_eq!(groups.iter().map(|g| g.len()).collect::<Vec<_>>(), [3, 1]);
        assert!(bursts(&[], 10).is_empty());
    }
}
