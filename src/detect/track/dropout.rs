//! `dropout`: signal gone and back.
//!
//! **Fault.** A link, a connector or a recorder loses the signal for milliseconds to seconds.
//! **Signature.** Exact zeros, a held value, packets repeated sample by sample, or both the 1-8 kHz and the 8-16 kHz band
//! below the track's own background: the hiss of capsule, preamplifier and transmitter runs through every natural pause,
//! so nothing in a room can take a track below it.
//! **Decision.** Both edges have to be cut, not faded; what lasts 2 s or longer, or touches an end of the take, is a muted
//! or dead track; blocks of zeros and single copies amid garbage are an error burst of a radio link (`rf_hit`).
//! **Must not fire on** pauses, fades, gates with a release, packs muted at head or tail, digital silence, tones, timecode.
//! **Known misses.** Partial fades of an analogue link; concealment that invents new samples.
//! **Source.** Reference on detection methods, section 4; report contract, table of kinds.

use super::impulses::{Cause, Gap, Impulses, Span, grouped};
use super::rf_hit;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Severity};
use crate::settings::Param;
use crate::units::seconds;

static MIN_GAP_MS: Param = Param {
    key: "dropout.min_gap_ms",
    default: 1.0,
    unit: "ms",
    range: (1.0, 100.0),
    why: "shortest run of equal samples that no microphone chain makes by itself: 48 samples at 48 kHz",
};

/// The detector.
pub static DETECTOR: Detector = Detector {
    kind: "dropout",
    explain: Explain {
        means: "The signal of one microphone is gone for a moment and comes back: exact zeros, a held value, a repeated packet, or less than the track's own hiss.",
        sounds_like: "A hole in a word, a stutter, or a syllable that is missing.",
        usual_cause: "A radio link out of range or shaded by a body (squelch or digital mute), a loose connector, a recorder that lost samples.",
        do_now: "Listen to the spot on the other microphones. On set: check antenna position and transmitter battery before the next take.",
        measured_by: "Runs of equal samples and exact repeats to the sample; otherwise both bands, 1-8 and 8-16 kHz, at least 8 dB below the track's own background with edges within 3 ms.",
        not_to_confuse: "Pauses end at the background, never below it. Packs muted before or after the words, gates that fade, and tracks of digital silence are no dropouts. Slow fades of an analogue link may be missed.",
    },
    params: &[&MIN_GAP_MS],
    run: Run::Take(run),
};

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let all = Impulses::new(view);
    let mut found: Vec<(usize, Vec<Gap>)> = Vec::new();
    let least = (view.settings.get(&MIN_GAP_MS) / 1000.0 * f64::from(view.grid.rate)) as u64;
    for t in 0..all.tracks.len() {
        let position = all.tracks[t];
        let mut gaps = dropouts(&all, t, least, view.grid.rate);
        gaps.retain(|gap| !limiter_dips(view, position, gap));
        let spans: Vec<Span> = gaps.iter().map(|g| g.span).collect();
        for group in grouped(&spans, view.grid.rate) {
            found.push((position, group.iter().map(|&k| gaps[k]).collect()));
        }
    }
    at_once(found)
        .into_iter()
        .map(|(positions, gaps)| finding(view, &positions, &gaps))
        .collect()
}

/// Gaps of track `t` that no error burst of a radio link explains.
fn dropouts(all: &Impulses<'_>, t: usize, least: u64, rate: u32) -> Vec<Gap> {
    let mut gaps = all.gaps(t);
    gaps.retain(|g| g.span.length() >= least);
    let errors = rf_hit::error_bursts(all, t, &gaps, rate);
    gaps.retain(|g| !errors.iter().any(|e| e.near(&g.span, 0)));
    gaps
}

/// Frames near the largest peak that make a ceiling, and how near (1.5 dB).
const CEILING_FRAMES: usize = 20;
const CEILING: f32 = 0.84;
/// A limiter that looks ahead turns down that long before the peak it catches, and comes back that long after, s.
const LIMITER_S: f64 = 0.1;
/// It takes no more than this from the hiss, dB.
const LIMITER_DB: f64 = 20.0;

/// Whether a limiter on the track explains a gap: the track rides at a ceiling, it does so right beside the gap, and the hiss
/// is turned down, not gone.
fn limiter_dips(view: &TakeView<'_>, position: usize, gap: &Gap) -> bool {
    if gap.cause != Cause::Below || gap.depth_db > LIMITER_DB {
        return false;
    }
    let peaks = view.tracks[position].frames.peak.all();
    let top = CEILING * peaks.iter().copied().fold(0f32, f32::max);
    let reach = view.grid.frames_in(LIMITER_S);
    let (first, last) = (
        view.grid.frame(gap.span.start),
        view.grid.frame(gap.span.end),
    );
    let beside = first.saturating_sub(reach)..(last + reach + 1).min(peaks.len());
    peaks.iter().filter(|&&p| p >= top).count() >= CEILING_FRAMES
        && peaks[beside].iter().any(|&p| p >= top)
}

/// Findings of several tracks that begin at the same sample become one.
fn at_once(mut found: Vec<(usize, Vec<Gap>)>) -> Vec<(Vec<usize>, Vec<Gap>)> {
    found.sort_by_key(|(position, gaps)| (gaps[0].span.start, *position));
    let mut joined: Vec<(Vec<usize>, Vec<Gap>)> = Vec::new();
    for (position, gaps) in found {
        let exact = gaps[0].cause != Cause::Below;
        match joined.iter_mut().rev().find(|(_, first)| {
            exact
                && first[0].cause == gaps[0].cause
                && first[0].span.start.abs_diff(gaps[0].span.start) <= 1
                && first[0].span.end.abs_diff(gaps[0].span.end) <= 1
        }) {
            Some((positions, _)) => positions.push(position),
            None => joined.push((vec![position], gaps)),
        }
    }
    joined
}

fn finding(view: &TakeView<'_>, positions: &[usize], gaps: &[Gap]) -> Finding {
    let rate = view.grid.rate;
    let ms = |samples: u64| 1000.0 * seconds(samples, rate);
    let span = Span {
        start: gaps[0].span.start,
        end: gaps.iter().map(|g| g.span.end).max().unwrap_or(0),
    };
    let longest = gaps
        .iter()
        .max_by_key(|g| g.span.length())
        .copied()
        .unwrap_or(gaps[0]);
    let gone: u64 = gaps.iter().map(|g| g.span.length()).sum();
    let slack = (0.05 * f64::from(rate)) as u64;
    let spoken = positions.iter().any(|&p| {
        view.speech
            .own_within(p, span.start.saturating_sub(slack), span.end + slack)
    });
    let track = view.track(positions[0]);
    let origin = if positions.len() > 1 {
        Origin::Recorder
    } else if track
        .wireless
        .unwrap_or(!matches!(longest.cause, Cause::Zeros))
    {
        Origin::Radio
    } else {
        Origin::Unknown
    };
    let (mechanism, words) = match longest.cause {
        Cause::Zeros => ("digital_mute", "samples are exactly zero"),
        Cause::Held => ("held_sample", "one value is held"),
        Cause::Repeated(_) => ("repeated_packet", "the packet before is repeated"),
        Cause::Copied(_) => ("copied_block", "a block is copied"),
        Cause::Below => ("squelch", "below the track's own hiss"),
    };
    let name = if positions.len() > 1 {
        format!("{} tracks", positions.len())
    } else {
        track.label()
    };
    let mut finding = view
        .finding_on("dropout", positions, span.start, span.end)
        .severity(if spoken {
            Severity::Fault
        } else {
            Severity::Caution
        })
        .confidence(if longest.cause == Cause::Below {
            0.97
        } else {
            0.99
        })
        .origin(origin)
        .fact("mechanism", mechanism)
        .fact("events", gaps.len())
        .number("longest_gap_ms", ms(longest.span.length()), 2)
        .number("gone_ms", ms(gone), 2);
    if let Cause::Repeated(period) | Cause::Copied(period) = longest.cause {
        finding = finding.number("packet_ms", ms(period), 3);
    }
    if longest.cause == Cause::Below {
        finding = finding.number("below_own_background_db", longest.depth_db, 1);
    }
    let times = if gaps.len() > 1 {
        format!(", {} times", gaps.len())
    } else {
        String::new()
    };
    finding.says(
        format!(
            "{name}: signal gone for {:.0} ms{times}: {words}.",
            ms(longest.span.length()).max(1.0)
        ),
        match origin {
            Origin::Recorder => {
                "The same samples are missing on several tracks: keep the card and look at the recorder before the next take."
            }
            _ if spoken => {
                "Words are lost here: use another microphone for this line; check the link before the next take."
            }
            _ => "No words are lost here; check the link before the next take.",
        },
    )
}

/// The stretch that a gap keeps others from judging: joints at its edges are its own.
pub(crate) fn shadow(gaps: &[Gap], rate: u32) -> Vec<Span> {
    let margin = (0.004 * f64::from(rate)) as u64;
    gaps.iter()
        .map(|g| Span {
            start: g.span.start.saturating_sub(margin),
            end: g.span.end + margin,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_gaps_at_one_sample_are_one_finding() {
        let gap = |start: u64, cause| {
            vec![Gap {
                span: Span {
                    start,
                    end: start + 480,
                },
                cause,
                depth_db: 0.0,
            }]
        };
        let joined = at_once(vec![
            (0, gap(1000, Cause::Zeros)),
            (1, gap(1000, Cause::Zeros)),
            (2, gap(1200, Cause::Zeros)),
            (3, gap(1000, Cause::Held)),
        ]);
        let tracks: Vec<Vec<usize>> = joined.into_iter().map(|(p, _)| p).collect();
        assert_eq!(tracks, vec![vec![0, 1], vec![3], vec![2]]);
    }
}
