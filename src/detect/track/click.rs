//! `click`: a discontinuity or pop that radio does not explain.
//!
//! **Fault.** A connector that opens and closes, a damaged sample, samples lost between converter and card.
//! **Signature.** The wave cannot be predicted from either side, yet no sample, or exactly one, is damaged: a step, a joint,
//! a single bad value. What comes through air, cloth or a radio link is band-limited and always damages several.
//! **Decision.** Prediction error of at least 20 robust sigmas from both sides, at most one damaged sample, the shape of a
//! step or of one sample, and well above the next error nearby; or a step that rings or is followed by another, where it stands
//! out by far. Or a tick: up by 25 dB within 2 ms, over after 12 ms, and 20 dB
//! louder than any sound is there against the other microphones, none of which got louder; white ones are radio (`rf_hit`).
//! **Must not fire on** claps, doors, steps, lips and consonants (never that sharp), the edges of gaps and of mutes
//! (`dropout`, `dead_track`), clipping.
//! **Known misses.** Samples lost in silence; pops behind a low-pass.
//! **Source.** Reference on detection methods, section 6; report contract, table of kinds and severity.

use super::impulses::{Burst, Impulses, Span, grouped};
use super::{dead_track, dropout};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::transients::LEAST_Z;
use crate::measure::{Fine, Transient};
use crate::report::model::{Origin, Severity};
use crate::settings::Param;
use crate::units::{self, db};

static MIN_Z: Param = Param {
    key: "click.min_sigmas",
    default: 20.0,
    unit: "1",
    range: (6.0, 100.0),
    why: "breath on a capsule that ends abruptly reaches 19 robust sigmas, a joint of a loud wave 20 to 600",
};
static MIN_TICK_DB: Param = Param {
    key: "click.min_tick_db",
    default: 20.0,
    unit: "dB",
    range: (10.0, 60.0),
    why: "above 8 kHz over what the other microphones allow a sound to have: of some 1,400 takes the loudest sudden sound that no labelled fault explains has 15.5",
};
static FAULT_PER_MIN: Param = Param {
    key: "click.fault_per_min",
    default: 5.0,
    unit: "1/min",
    range: (1.0, 60.0),
    why: "report contract: single clicks are a caution, from about five a minute they are on a line",
};

/// The detector.
pub static DETECTOR: Detector = Detector {
    kind: "click",
    explain: Explain {
        means: "The wave jumps where nothing acoustic can: a pop of a connector, a single damaged sample, or a joint where samples were lost.",
        sounds_like: "A tick or a pop, dry, without any room on it.",
        usual_cause: "A worn cable or connector, phantom power switching, clock trouble between converter and recorder, a card that lost samples.",
        do_now: "Single clicks can be repaired. Many of them: change cable and connector, check the clock, and listen before the next take.",
        measured_by: "Linear prediction from both sides: the error in robust sigmas, how many samples lie damaged between, and how well a step or a single sample explains it. Ticks: the rise above 8 kHz within 2 ms, and how far it stands over what the other microphones hear.",
        not_to_confuse: "Lips, jewellery, slates and doors go through air and are never that sharp. Radio clicks are several samples wide. Edges of dropouts are part of the dropout.",
    },
    params: &[&MIN_Z, &MIN_TICK_DB, &FAULT_PER_MIN],
    run: Run::Take(run),
};

/// Whether a transient is a step, a joint or a single damaged sample: nothing that came through a filter.
pub(crate) fn is_joint(t: &Transient) -> bool {
    // Where samples are lost the slope jumps, too.
    let share = if t.prominence >= ALONE { 0.9 } else { 0.94 };
    (-1..=1).contains(&t.width)
        && (t.step_share > share || t.single_share > share)
        && f64::from(t.z) >= LEAST_Z
}

/// A jump that rings, or whose other side comes within 3 ms (a block in the wrong place), damages many samples; that it begins as a
/// step, which nothing that came through air, cloth or a link does (0.12 of doublets, 0.42 of a zip's teeth), tells it, where it
/// stands out like this.
const JUMP_S: f64 = 0.003;
const JUMP_STEP_SHARE: f32 = 0.45;
const JUMP_Z: f32 = 60.0;
const JUMP_PROMINENCE: f32 = 12.0;

/// Whether a transient begins as a jump, though more than one sample is damaged.
fn is_jump(t: &Transient, rate: u32) -> bool {
    (2..=units::samples(JUMP_S, rate) as i64).contains(&i64::from(t.width))
        && t.step_share >= JUMP_STEP_SHARE
        && t.z >= JUMP_Z
        && t.prominence >= JUMP_PROMINENCE
}

/// A click: where the wave jumps, or a tick that no other microphone heard.
#[derive(Debug, Clone, Copy)]
enum Click {
    Joint(Transient),
    Tick(Burst),
}

impl Click {
    fn span(&self) -> Span {
        match self {
            Click::Joint(t) => Span {
                start: t.at,
                end: t.at + t.width.max(1) as u64,
            },
            Click::Tick(burst) => burst.span,
        }
    }

    /// How sure it is: sigmas of a joint; a tick says less than any.
    fn sigmas(&self) -> f32 {
        match self {
            Click::Joint(t) => t.z,
            Click::Tick(_) => 0.0,
        }
    }
}

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let all = Impulses::new(view);
    let found: Vec<(usize, Vec<Click>)> = (0..all.tracks.len())
        .map(|t| (all.tracks[t], clicks(view, &all, t)))
        .collect();
    let minutes = (view.take.duration_s() / 60.0).max(0.5);
    let mut findings: Vec<Finding> = Vec::new();
    for (position, clicks) in &found {
        let spans: Vec<Span> = clicks.iter().map(Click::span).collect();
        for group in grouped(&spans, view.grid.rate) {
            let members: Vec<Click> = group.iter().map(|&k| clicks[k]).collect();
            let at = members[0].span().start;
            let with: Vec<usize> = found
                .iter()
                .filter(|(other, list)| {
                    other != position && list.iter().any(|c| c.span().start.abs_diff(at) <= 1)
                })
                .map(|(other, _)| *other)
                .collect();
            if with.iter().any(|other| other < position) {
                continue;
            }
            let often = clicks.len() as f64 / minutes;
            findings.push(finding(view, *position, &with, &members, often));
        }
    }
    findings
}

/// A tick comes up by so much within 2 ms, dB, and is over after so long, s; no other microphone got louder meanwhile by more,
/// dB.
const TICK_RISE_DB: f64 = 25.0;
const TICK_S: f64 = 0.012;
const TICK_HEARD_DB: f64 = 8.0;

/// Whether a burst is a tick that nothing in the room has made.
fn is_tick(burst: &Burst, least_db: f64, rate: u32) -> bool {
    burst.excess_db >= least_db
        && burst.rise_db >= TICK_RISE_DB
        && burst.span.length() <= units::samples(TICK_S, rate)
        && burst.heard_db < TICK_HEARD_DB
        && !burst.others_rise_along()
}

/// Clicks of track `t` (a position in `all.tracks`), in order.
fn clicks(view: &TakeView<'_>, all: &Impulses<'_>, t: usize) -> Vec<Click> {
    let position = all.tracks[t];
    let measures = &view.tracks[position];
    let rate = view.grid.rate;
    let gaps = all.gaps(t);
    let mut shadows = dropout::shadow(&gaps, rate);
    shadows.extend(super::rf_hit::error_bursts(all, t, &gaps, rate));
    let hits = super::rf_hit::hits(view, all, t);
    let brief = super::rf_hit::BRIEF_MS * u64::from(rate) / 1000;
    let longer = hits.iter().map(|h| h.span).filter(|s| s.length() > brief);
    shadows.extend(longer);
    let near = (0.012 * f64::from(rate)) as u64;
    shadows.extend(super::clipping::overflows(view, position, near));
    let joints: Vec<Transient> = measures
        .transients
        .iter()
        .filter(|c| is_joint(c))
        .copied()
        .collect();
    let ticks = (all.bursts(t).iter())
        .filter(|burst| is_tick(burst, view.settings.get(&MIN_TICK_DB), rate))
        .filter(|burst| !hits.iter().any(|hit| hit.span.near(&burst.span, 0)))
        .filter(|burst| !clipped(view, position, &burst.span, near))
        .map(|burst| Click::Tick(*burst));
    let mut clicks: Vec<Click> = joints
        .iter()
        .filter(|c| f64::from(c.z) >= view.settings.get(&MIN_Z) * alone_share(c))
        .filter(|c| {
            let paired = joints
                .iter()
                .any(|o| o.at != c.at && o.at.abs_diff(c.at) < near);
            c.prominence >= 2.0 || (paired && c.prominence >= 0.5)
        })
        .chain(measures.transients.iter().filter(|c| is_jump(c, rate)))
        .copied()
        .map(Click::Joint)
        .collect();
    clicks.extend(ticks);
    clicks.retain(|click| {
        let start = click.span().start;
        let first = Span {
            start,
            end: start + 1,
        };
        !shadows.iter().any(|s| s.near(&first, 0))
            && !at_mute(view, position, start)
            && !at_end_of_signal(view, position, start)
    });
    clicks.sort_by_key(Click::span);
    clicks
}

/// Whether the recorder clips within some samples of a burst: its corners sound like a tick.
fn clipped(view: &TakeView<'_>, position: usize, span: &Span, near: u64) -> bool {
    let m = &view.tracks[position];
    let clipped = m.rails.clipped(view.take.signal(), &m.frames);
    let mut runs = clipped.iter().flat_map(|rail| &rail.runs);
    runs.any(|run| {
        run.start < span.end + near && span.start < run.start + u64::from(run.len) + near
    })
}

/// A joint that stands this far over the next error nearby needs only this share of the sigmas: breath, whose sharp places come
/// in numbers, reaches 4.
const ALONE: f32 = 5.0;
const ALONE_SHARE: f64 = 0.75;

/// Share of the sigmas asked for that a joint needs.
fn alone_share(joint: &Transient) -> f64 {
    if joint.prominence >= ALONE {
        ALONE_SHARE
    } else {
        1.0
    }
}

/// How well the ends of a dead stretch are known, s.
const DEAD_END_S: f64 = 0.05;

/// Whether a place is where a microphone dies or comes back: the jump from its last sample is part of that.
fn at_end_of_signal(view: &TakeView<'_>, position: usize, at: u64) -> bool {
    let near = units::samples(DEAD_END_S, view.grid.rate);
    let dead = dead_track::dead_frames(view, position).into_iter();
    let mut ends = dead.flat_map(|(start, end)| [start, end]);
    ends.any(|frame| view.grid.sample(frame).abs_diff(at) <= near)
}

/// Whether the signal is lower after a place than anything in the 4 s before it, or was lower before it than anything in the
/// 4 s after: the edge of a mute.
pub(crate) fn at_mute(view: &TakeView<'_>, position: usize, at: u64) -> bool {
    let fine = &view.tracks[position].fine;
    let k = fine.at(at) as i64;
    [&fine.high, &fine.mid].iter().all(|codes| {
        let after = Fine::rank(codes, k + 3, k + 83, 0.5);
        let before = Fine::rank(codes, k - 82, k - 2, 0.5);
        after.saturating_add(6) < Fine::rank(codes, k - 4000, k - 2, 0.02)
            || before.saturating_add(6) < Fine::rank(codes, k + 3, k + 4000, 0.02)
    })
}

fn finding(
    view: &TakeView<'_>,
    position: usize,
    with: &[usize],
    clicks: &[Click],
    often: f64,
) -> Finding {
    let rate = view.grid.rate;
    let start = clicks[0].span().start;
    let last = clicks[clicks.len() - 1];
    let end = last.span().end;
    let strongest = clicks
        .iter()
        .copied()
        .max_by(|a, b| a.sigmas().total_cmp(&b.sigmas()))
        .unwrap_or(last);
    let mut positions = vec![position];
    positions.extend_from_slice(with);
    let slack = (0.05 * f64::from(rate)) as u64;
    let spoken = view
        .speech
        .own_within(position, start.saturating_sub(slack), end + slack);
    let name = if positions.len() > 1 {
        format!("{} tracks", positions.len())
    } else {
        view.track(position).label()
    };
    let many = often >= view.settings.get(&FAULT_PER_MIN);
    let finding = view
        .finding_on("click", &positions, start, end)
        .severity(if many && spoken {
            Severity::Fault
        } else {
            Severity::Caution
        })
        .fact("events", clicks.len());
    let (finding, single, what) = match strongest {
        Click::Joint(t) => {
            let single = t.single_share > t.step_share;
            let jump = db(f64::from(t.jump));
            let finding = finding
                .confidence(if t.z >= 30.0 { 0.98 } else { 0.93 })
                .fact("mechanism", if single { "single_sample" } else { "step" })
                .number("jump_dbfs", jump, 1)
                .number("error_sigmas", f64::from(t.z), 0);
            let what = if single {
                "a damaged sample"
            } else {
                "the wave jumps"
            };
            (finding, single, format!("{what} by {jump:.0} dBFS"))
        }
        Click::Tick(burst) => {
            let finding = finding
                .confidence(0.93)
                .fact("mechanism", "tick")
                .number("over_other_mics_db", burst.excess_db, 1)
                .number("rise_db", burst.rise_db, 1)
                .number("high_band_dbfs", burst.level_dbfs, 1);
            let over = burst.excess_db;
            let what = format!("a tick {over:.0} dB over what other mics hear");
            (finding, false, what)
        }
    };
    finding
        .origin(if positions.len() > 1 || single {
            Origin::Recorder
        } else {
            Origin::ThisMic
        })
        .number("clicks_per_min", often, 1)
        .says(
            format!("{name}: click, {what}."),
            if many {
                "Change cable and connector and check the clock before the next take; use another microphone for the lines."
            } else {
                "A single click can be repaired in post; listen to the cable and connector before the next take."
            },
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn transient(width: i32, z: f32, step: f32, single: f32) -> Transient {
        Transient {
            at: 1000,
            width,
            z,
            prominence: 5.0,
            jump: 0.1,
            single_share: single,
            step_share: step,
            offset: 0.0,
        }
    }

    #[test]
    fn what_only_one_microphone_hears_so_suddenly_is_a_tick() {
        let burst = |excess_db, rise_db, heard_db, ms: u64| {
            is_tick(
                &Burst::made(48 * ms, excess_db, -10.0, rise_db, heard_db),
                20.0,
                48_000,
            )
        };
        assert!(burst(30.0, 40.0, 3.0, 2));
        assert!(!burst(15.0, 40.0, 3.0, 2), "not loud enough");
        assert!(!burst(30.0, 15.0, 3.0, 2), "slow");
        assert!(!burst(30.0, 40.0, 20.0, 2), "heard elsewhere");
        assert!(!burst(30.0, 40.0, 3.0, 40), "long");
    }

    #[test]
    fn only_what_no_filter_shaped_is_a_joint() {
        assert!(is_joint(&transient(0, 20.0, 0.99, 0.3)));
        assert!(is_joint(&transient(1, 20.0, 0.1, 0.98)));
        assert!(!is_joint(&transient(20, 200.0, 0.02, 0.03)));
        assert!(!is_joint(&transient(0, 20.0, 0.5, 0.5)));
        let beside_others = Transient {
            prominence: 4.0,
            ..transient(0, 20.0, 0.92, 0.3)
        };
        assert!(!is_joint(&beside_others) && is_joint(&transient(0, 20.0, 0.92, 0.3)));
        assert!(!is_joint(&transient(1, 7.0, 0.1, 0.99)));
    }

    #[test]
    fn what_begins_as_a_step_and_rings_is_a_jump_and_what_a_filter_shaped_is_not() {
        let jump = |width, z, step, prominence| {
            let t = Transient {
                prominence,
                ..transient(width, z, step, 0.3)
            };
            is_jump(&t, 48_000)
        };
        assert!(jump(50, 79.0, 0.6, 13.0));
        assert!(!jump(50, 1300.0, 0.1, 400.0), "doublet of a link");
        assert!(!jump(3, 540.0, 0.42, 169.0), "teeth of a zip");
        assert!(!jump(21, 43.0, 0.8, 12.0), "faint");
        assert!(!jump(50, 79.0, 0.6, 5.0), "one of many");
        assert!(!jump(400, 79.0, 0.6, 13.0), "long");
    }
}
