//! `rf_hit`: radio interference on one track.
//!
//! **Fault.** A link at its threshold, another transmitter or a phone adds clicks, bursts of noise or garbage.
//! **Signature.** It enters behind the microphone, so neither cloth nor room shapes it: white up to 16 kHz, up within two
//! milliseconds, and louder in the 8-16 kHz band than any sound that this track shares with the other microphones.
//! **Decision.** Per millisecond the best of the other microphones, heard 14 ms earlier to 30 ms later, says how loud a sound
//! on this track usually is: its level, lined up, plus the lead that this track has over it at 85 of 100 loud moments. What
//! exceeds that by 17 dB, rises fast, is white and was heard nowhere is a hit. Blocks of zeros and copies amid garbage are an error burst of a digital link.
//! **Must not fire on** slates, claps, doors, steps, keyboards, consonants (the other microphones hear them), rustle (not
//! white, slow), joints and pops (`click`), the edges of gaps (`dropout`).
//! **Known misses.** Weak hits under loud consonants; a track without any other microphone beside it.
//! **Source.** Reference on detection methods, sections 0 and 5; report contract, table of kinds.

use super::dropout;
use super::impulses::{Burst, Cause, Gap, Impulses, Span, grouped};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::seconds;

static MIN_EXCESS_DB: Param = Param {
    key: "rf_hit.min_excess_db",
    default: 17.0,
    unit: "dB",
    range: (3.0, 40.0),
    why: "over the lead that 85 of 100 loud moments of this track have over the best witness: lips, jewellery and the wearer's own steps reach 16 dB; 2 dB less where several follow each other, 4 dB more on a microphone that is not worn, because that one also hears what no body microphone does",
};
static SURE_EXCESS_DB: Param = Param {
    key: "rf_hit.sure_excess_db",
    default: 20.0,
    unit: "dB",
    range: (6.0, 60.0),
    why: "from here on a slow rise is accepted too: noise of a fading link comes up within some ten milliseconds",
};
static HEARD_DB: Param = Param {
    key: "rf_hit.heard_db",
    default: 8.0,
    unit: "dB",
    range: (3.0, 40.0),
    why: "rise of any other microphone at the same time: millisecond levels of noise reach 6 dB over their median; what is more was heard there, and more excess is asked for",
};
static MIN_WHITENESS_DB: Param = Param {
    key: "rf_hit.min_whiteness_db",
    default: -7.8,
    unit: "dB",
    range: (-20.0, 0.0),
    why: "8-16 kHz over 1-8 kHz: white noise has +0.6 dB, noise and clicks behind 50 us de-emphasis -5..-8 dB, cloth and voices -8 dB and less",
};
static MAX_WHITENESS_DB: Param = Param {
    key: "rf_hit.max_whiteness_db",
    default: 4.0,
    unit: "dB",
    range: (0.0, 20.0),
    why: "more above 8 kHz than noise has is a hissed consonant",
};
static MIN_SHARPNESS_DB: Param = Param {
    key: "rf_hit.min_sharpness_db",
    default: 1.2,
    unit: "dB",
    range: (-10.0, 20.0),
    why: "whiteness plus 0.6 of the steepest rise within 2 ms: recorded cloth reaches 0.9, noise that is cut on 8 and more",
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
    params: &[
        &MIN_EXCESS_DB,
        &SURE_EXCESS_DB,
        &HEARD_DB,
        &MIN_WHITENESS_DB,
        &MAX_WHITENESS_DB,
        &MIN_SHARPNESS_DB,
    ],
    run: Run::Take(run),
};

/// A joint explains a burst of up to this many milliseconds; a longer one explains the joint.
pub(crate) const BRIEF_MS: u64 = 6;

/// A hit before it becomes part of a finding.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hit {
    pub(crate) span: Span,
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

/// Hits on track `t` (a position in `all.tracks`), in order.
pub(crate) fn hits(view: &TakeView<'_>, all: &Impulses<'_>, t: usize) -> Vec<Hit> {
    let rate = view.grid.rate;
    let gaps = all.gaps(t);
    let errors = error_bursts(all, t, &gaps, rate);
    let gone = dropout::shadow(&gaps, rate);
    let set = |p: &Param| view.settings.get(p);
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
    let worn = view.track(all.tracks[t]).role == Role::Lav;
    let bursts = all.bursts(t);
    let nearly: Vec<Span> = bursts
        .iter()
        .filter(|b| is_hit(b, worn, REPEATED_DB, &set))
        .map(|b| b.span)
        .collect();
    let reach = REPEATED_MS * u64::from(rate) / 1000;
    for burst in bursts {
        let repeated = nearly.contains(&burst.span)
            && nearly.iter().filter(|s| s.near(&burst.span, reach)).count() > 1;
        let clear = is_hit(burst, worn, 0.0, &set) || repeated;
        let short = burst.span.length() <= BRIEF_MS * u64::from(rate) / 1000;
        let explained = gone
            .iter()
            .chain(&errors)
            .chain(joints.iter().filter(|_| short))
            .any(|s| s.near(&burst.span, 0));
        let mute = super::click::at_mute(view, all.tracks[t], burst.span.start);
        if clear && !explained && !mute {
            hits.push(Hit {
                span: burst.span,
                excess_db: burst.excess_db,
                whiteness_db: burst.whiteness_db,
                rise_db: burst.rise_db,
                level_dbfs: burst.level_dbfs,
                digital: false,
                confidence: sure(burst),
            });
        }
    }
    hits.sort_by_key(|h| h.span);
    hits
}

/// Hits of one link in trouble follow each other: where two are closer than this, each may be that much weaker, dB.
const REPEATED_MS: u64 = 100;
const REPEATED_DB: f64 = 2.0;

/// Whether a burst that no other microphone explains is radio. `worn`: a body microphone. `relief`: how much of the excess
/// asked for is waived, dB.
fn is_hit(burst: &Burst, worn: bool, relief: f64, set: &dyn Fn(&Param) -> f64) -> bool {
    let (excess, rise, white) = (burst.excess_db, burst.rise_db, burst.whiteness_db);
    if white < set(&MIN_WHITENESS_DB)
        || white > set(&MAX_WHITENESS_DB)
        || white + 0.6 * rise < set(&MIN_SHARPNESS_DB)
    {
        return false;
    }
    let least = set(&MIN_EXCESS_DB) + if worn { 0.0 } else { 4.0 } - relief;
    let sure = set(&SURE_EXCESS_DB);
    if burst.heard_db >= set(&HEARD_DB) {
        return excess >= sure + 4.0 && rise >= 12.0;
    }
    (excess >= sure && rise >= 4.0) || (excess >= least && rise >= 10.0)
}

fn sure(burst: &Burst) -> f64 {
    if burst.excess_db >= 20.0 && burst.heard_db < 8.0 {
        0.98
    } else {
        0.94
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
        .high_bursts(t)
        .iter()
        .filter(|b| b.whiteness_db > -4.0 && b.rise_db > 12.0)
        .copied()
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

#[cfg(test)]
mod tests {
    use super::*;

    fn burst(excess_db: f64, whiteness_db: f64, rise_db: f64, heard_db: f64) -> Burst {
        Burst {
            span: Span { start: 0, end: 48 },
            excess_db,
            heard_db,
            whiteness_db,
            rise_db,
            level_dbfs: -50.0,
        }
    }

    #[test]
    fn white_sharp_and_unheard_is_radio() {
        let set = |p: &Param| p.default;
        let hit = |b: Burst, worn: bool| is_hit(&b, worn, 0.0, &set);
        assert!(hit(burst(30.0, -1.0, 40.0, 3.0), true));
        assert!(
            hit(burst(25.0, 1.0, 5.0, 3.0), true),
            "a slow fade, sure excess"
        );
        assert!(!hit(burst(30.0, -9.5, 14.0, 2.0), true), "cloth");
        assert!(!hit(burst(22.0, -1.0, 8.0, 30.0), true), "heard elsewhere");
        assert!(
            !hit(burst(19.0, 6.0, 20.0, 2.0), true),
            "a hissed consonant"
        );
        assert!(hit(burst(18.0, -2.0, 14.0, 2.0), true));
        assert!(
            !hit(burst(18.0, -2.0, 14.0, 2.0), false),
            "a boom hears more"
        );
    }
}
