//! `rf_hit`: radio interference on one track.
//!
//! **Fault.** A link at its threshold, another transmitter or a phone adds clicks, bursts of noise or garbage.
//! **Signature.** It enters behind the microphone, so neither cloth nor room shapes it: white up to 16 kHz, up within two
//! milliseconds, and louder in the 8-16 kHz band than any sound that this track shares with the other microphones.
//! **Decision.** Per millisecond the other microphones, heard 14 ms earlier to 30 ms later, say how loud a sound on this
//! track can be: their level plus the lead that this track has over them at 95 of 100 loud moments. What exceeds that,
//! rises fast and is white is a hit. Blocks of zeros and copies amid garbage are an error burst of a digital link.
//! **Must not fire on** slates, claps, doors, steps, keyboards, consonants (the other microphones hear them), rustle (not
//! white, slow), joints and pops (`click`), the edges of gaps (`dropout`).
//! **Known misses.** Weak hits under loud consonants; a track without any other microphone beside it.
//! **Source.** Reference on detection methods, sections 0 and 5; report contract, table of kinds.

use super::dropout;
use super::impulses::{Burst, Cause, Gap, Impulses, Span, grouped};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Severity};
use crate::settings::Param;
use crate::units::seconds;

static MIN_EXCESS_DB: Param = Param {
    key: "rf_hit.min_excess_db",
    default: 8.0,
    unit: "dB",
    range: (3.0, 40.0),
    why: "over the 95th percentile of the lead over the other microphones: nearer sounds such as cloth or lips exceed it by a few dB, and they are not white",
};
static MIN_WHITENESS_DB: Param = Param {
    key: "rf_hit.min_whiteness_db",
    default: -7.0,
    unit: "dB",
    range: (-20.0, 0.0),
    why: "8-16 kHz over 1-8 kHz: white noise has +0.6 dB, noise behind 50 us de-emphasis -5..-8 dB, cloth and voices -8 dB and less",
};
static MIN_RISE_DB: Param = Param {
    key: "rf_hit.min_rise_db",
    default: 9.0,
    unit: "dB",
    range: (3.0, 40.0),
    why: "steepest rise within 2 ms: noise of 8 kHz bandwidth scatters by 1.5 dB from one millisecond to the next, cloth swells in tens of milliseconds",
};

/// The detector.
pub static DETECTOR: Detector = Detector {
    kind: "rf_hit",
    explain: Explain {
        means: "Radio interference on one wireless track: click doublets, crackle, bursts of noise or digital garbage that no other microphone heard.",
        sounds_like: "Ticks, frying, a splash of noise, or a digital burst, harder and brighter than anything in the room.",
        usual_cause: "The link at the edge of its range, another transmitter on the frequency, a phone close to the receiver.",
        do_now: "Use another microphone for the line. On set: rescan the frequency, move the antennas, check the battery.",
        measured_by: "Level of the 8-16 kHz band each millisecond over what the other microphones allow a sound on this track to have; whiteness (8-16 over 1-8 kHz) and rise within 2 ms.",
        not_to_confuse: "What other microphones hear too, scaled and late, is a sound: slate, clap, door, steps. Cloth is darker and slower. Weak hits under loud consonants may be missed.",
    },
    params: &[&MIN_EXCESS_DB, &MIN_WHITENESS_DB, &MIN_RISE_DB],
    run: Run::Take(run),
};

/// A hit before it becomes part of a finding.
#[derive(Debug, Clone, Copy)]
struct Hit {
    span: Span,
    excess_db: f64,
    whiteness_db: f64,
    rise_db: f64,
    level_dbfs: f64,
    digital: bool,
    confidence: f64,
}

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let all = Impulses::new(view);
    let mut found = Vec::new();
    for t in 0..all.tracks.len() {
        let hits = hits(view, &all, t);
        let spans: Vec<Span> = hits.iter().map(|h| h.span).collect();
        for group in grouped(&spans, view.grid.rate) {
            let members: Vec<Hit> = group.iter().map(|&k| hits[k]).collect();
            found.push(finding(view, all.tracks[t], &members));
        }
    }
    found
}

fn hits(view: &TakeView<'_>, all: &Impulses<'_>, t: usize) -> Vec<Hit> {
    let rate = view.grid.rate;
    let gaps = all.gaps(t);
    let errors = error_bursts(all, t, &gaps, rate);
    let gone = dropout::shadow(&gaps, rate);
    let set = |p| view.settings.get(p);
    let mut hits: Vec<Hit> = errors
        .iter()
        .map(|&span| Hit {
            span,
            excess_db: f64::NAN,
            whiteness_db: f64::NAN,
            rise_db: f64::NAN,
            level_dbfs: f64::NAN,
            digital: true,
            confidence: 0.97,
        })
        .collect();
    let joints: Vec<Span> = joints(view, all.tracks[t]);
    for burst in all.bursts(t, 9.0, 0.5 * set(&MIN_EXCESS_DB)) {
        let clear = burst.excess_db >= set(&MIN_EXCESS_DB)
            && burst.whiteness_db >= set(&MIN_WHITENESS_DB)
            && burst.rise_db >= set(&MIN_RISE_DB);
        let explained = gone
            .iter()
            .chain(&errors)
            .chain(&joints)
            .any(|s| s.near(&burst.span, 0));
        if clear && !explained {
            hits.push(Hit {
                span: burst.span,
                excess_db: burst.excess_db,
                whiteness_db: burst.whiteness_db,
                rise_db: burst.rise_db,
                level_dbfs: burst.level_dbfs,
                digital: false,
                confidence: sure(&burst),
            });
        }
    }
    hits.sort_by_key(|h| h.span);
    hits
}

fn sure(burst: &Burst) -> f64 {
    if burst.excess_db >= 12.0 && burst.rise_db >= 12.0 {
        0.97
    } else {
        0.92
    }
}

/// Joints and single damaged samples of a track with what rings after them in the band: they are `click`.
fn joints(view: &TakeView<'_>, position: usize) -> Vec<Span> {
    let ms = u64::from(view.grid.rate) / 1000;
    view.tracks[position]
        .transients
        .iter()
        .filter(|t| super::click::is_joint(t))
        .map(|t| Span {
            start: t.at.saturating_sub(ms),
            end: t.at + 2 * ms,
        })
        .collect()
}

/// Stretches in which a digital link puts out garbage: short blocks of zeros, held values or single copies with a white
/// burst, or several single copies of uneven length, within 60 ms of each other.
pub(crate) fn error_bursts(all: &Impulses<'_>, t: usize, gaps: &[Gap], rate: u32) -> Vec<Span> {
    let reach = (0.06 * f64::from(rate)) as u64;
    let short = (0.016 * f64::from(rate)) as u64;
    let blocks: Vec<&Gap> = gaps
        .iter()
        .filter(|g| g.cause != Cause::Below && g.span.length() <= short)
        .collect();
    if blocks.is_empty() {
        return Vec::new();
    }
    let garbage: Vec<Burst> = all
        .bursts(t, 15.0, 3.0)
        .into_iter()
        .filter(|b| b.whiteness_db > -4.0 && b.rise_db > 12.0)
        .collect();
    let mut spans: Vec<(Span, bool, Option<u64>)> = blocks
        .iter()
        .map(|g| {
            (
                g.span,
                false,
                match g.cause {
                    Cause::Copied(period) => Some(period),
                    _ => None,
                },
            )
        })
        .chain(garbage.iter().map(|b| (b.span, true, None)))
        .collect();
    spans.sort_by_key(|s| s.0);
    let mut groups: Vec<Vec<(Span, bool, Option<u64>)>> = Vec::new();
    let mut end = 0;
    for part in spans {
        match groups.last_mut() {
            Some(group) if part.0.start < end + reach => group.push(part),
            _ => groups.push(vec![part]),
        }
        end = end.max(part.0.end);
    }
    groups
        .into_iter()
        .filter(|group| {
            let loud = group.iter().any(|p| p.1);
            let exact = group.iter().any(|p| !p.1);
            let copies: Vec<u64> = group.iter().filter_map(|p| p.2).collect();
            let uneven = copies
                .iter()
                .any(|&c| copies.iter().any(|&d| c.abs_diff(d) > 2));
            exact && (loud || uneven)
        })
        .map(|group| Span {
            start: group.iter().map(|p| p.0.start).min().unwrap_or(0),
            end: group.iter().map(|p| p.0.end).max().unwrap_or(0),
        })
        .collect()
}

fn finding(view: &TakeView<'_>, position: usize, hits: &[Hit]) -> Finding {
    let rate = view.grid.rate;
    let start = hits[0].span.start;
    let end = hits.iter().map(|h| h.span.end).max().unwrap_or(start + 1);
    let worst = hits
        .iter()
        .copied()
        .max_by(|a, b| a.excess_db.total_cmp(&b.excess_db))
        .unwrap_or(hits[0]);
    let slack = (0.05 * f64::from(rate)) as u64;
    let spoken = view
        .speech
        .own_within(position, start.saturating_sub(slack), end + slack);
    let digital = hits.iter().any(|h| h.digital);
    let name = view.track(position).label();
    let ms = 1000.0 * seconds(end - start, rate);
    let mut finding = view
        .finding("rf_hit", position, start, end)
        .severity(if spoken {
            Severity::Fault
        } else {
            Severity::Caution
        })
        .confidence(hits.iter().map(|h| h.confidence).fold(0.0, f64::max))
        .origin(Origin::Radio)
        .fact(
            "mechanism",
            if digital { "digital_errors" } else { "noise" },
        )
        .fact("events", hits.len());
    let loud: Vec<&Hit> = hits.iter().filter(|h| h.excess_db.is_finite()).collect();
    if !loud.is_empty() {
        let excess = loud.iter().map(|h| h.excess_db).fold(f64::MIN, f64::max);
        finding = finding
            .number("over_other_mics_db", excess, 1)
            .number("high_band_dbfs", worst.level_dbfs, 1)
            .number("high_over_mid_db", worst.whiteness_db, 1)
            .number(
                "rise_db",
                loud.iter().map(|h| h.rise_db).fold(f64::MIN, f64::max),
                1,
            );
    }
    let what = if digital {
        format!("{name}: digital errors for {:.0} ms.", ms.max(1.0))
    } else if hits.len() == 1 && ms < 4.0 {
        format!(
            "{name}: radio click, {:.0} dB over what other mics hear.",
            worst.excess_db
        )
    } else {
        format!(
            "{name}: radio noise for {:.0} ms, {:.0} dB over what other mics hear.",
            ms.max(1.0),
            worst.excess_db
        )
    };
    finding.says(
        what,
        if spoken {
            "Use another microphone for this line; check frequency, antennas and battery before the next take."
        } else {
            "Not on a line; check frequency, antennas and battery before the next take."
        },
    )
}
