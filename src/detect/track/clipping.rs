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
use crate::measure::rails::{self, Rail};
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

/// Samples that are not the wave's.
struct Cut {
    run: rails::Run,
    /// Of the proven rails the one they stand on; `None` where they overflowed.
    rail: Option<usize>,
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
    let on = |(rail, of): (usize, &Rail)| -> Vec<Cut> {
        let long = of.runs.iter().filter(|run| run.len >= least);
        let rail = Some(rail);
        long.map(|&run| Cut { run, rail }).collect()
    };
    let mut cuts: Vec<Cut> = rails.iter().enumerate().flat_map(on).collect();
    cuts.sort_by_key(|c| c.run.start);
    let overflow = |&run: &rails::Run| Cut { run, rail: None };
    let overflows: Vec<Cut> = m.wraps.iter().map(overflow).collect();
    let join = units::samples(JOIN_S, view.take.rate);
    let all = bursts(&cuts, join).chain(bursts(&overflows, join));
    all.map(|burst| finding(view, position, &rails, burst))
        .collect()
}

const DO_NOW: &str =
    "Lower the gain of this input; use another microphone for these words, or ask for one more.";

/// Tells a burst, of which all stand on rails or all overflowed.
fn finding(view: &TakeView<'_>, position: usize, rails: &[Rail], burst: &[Cut]) -> Finding {
    let last = burst[burst.len() - 1].run;
    let (start, end) = (burst[0].run.start, last.start + u64::from(last.len));
    let longest = burst.iter().map(|c| c.run.len).max().unwrap_or(0);
    let tops = burst.len();
    let finding = view
        .finding("clipping", position, start, end)
        .severity(Severity::Fault)
        .origin(if view.track(position).role == Role::Mix {
            Origin::Mix
        } else {
            Origin::Recorder
        });
    let Some(rail) = burst[0].rail.map(|rail| &rails[rail]) else {
        return finding
            .confidence(0.98)
            .fact("mechanism", "overflow")
            .fact("longest_run_samples", longest)
            .fact("cut_top_count", tops)
            .says(
                format!("{tops} tops overflowed and come in at the other end of the range, the longest for {longest} samples."),
                format!("{DO_NOW} It bangs: mind the volume before you listen."),
            );
    };
    let samples: u64 = burst.iter().map(|c| u64::from(c.run.len)).sum();
    let weights = burst.iter().filter_map(|c| Some(rails[c.rail?].weight));
    let level_dbfs = units::db(f64::from(rail.value));
    let ms = 1000.0 * f64::from(longest) / f64::from(view.take.rate);
    finding
        .confidence(0.98 * weights.fold(0.0, f64::max))
        .number("rail_dbfs", level_dbfs, 2)
        .fact("clipped_samples", samples)
        .fact("longest_run_samples", longest)
        .fact("cut_top_count", tops)
        .fact("both_sides", rail.both_sides)
        .says(
            format!("{tops} tops cut at {level_dbfs:.1} dBFS, the longest for {longest} samples ({ms:.2} ms)."),
            DO_NOW,
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
fn bursts(cuts: &[Cut], join: u64) -> impl Iterator<Item = &[Cut]> {
    cuts.chunk_by(move |a, b| b.run.start < a.run.start + u64::from(a.run.len) + join)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bursts_join_below_the_gap() {
        let cut = |start| Cut {
            run: rails::Run { start, len: 3 },
            rail: None,
        };
        let cuts = [cut(0), cut(100), cut(500), cut(20_000)];
        let groups = bursts(&cuts, 12_000);
        assert_eq!(groups.map(|g| g.len()).collect::<Vec<_>>(), [3, 1]);
        assert!(bursts(&[], 10).next().is_none());
    }
}
