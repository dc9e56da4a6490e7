//! Polarity reversed against the other microphones.
//!
//! *Fault.* A cable or a connector wired backwards, a switch left over: positive pressure gives negative numbers.
//!
//! *Signature.* At the delay between two microphones all phases of 500 Hz to 3 kHz lie half a turn away from where they
//! should. Below that band low-cuts and proximity turn phases, above it body microphones' losses do.
//!
//! *Decision.* Every second or so of clear correlation is one vote; pairs are joined by the strength of their votes, so that
//! every microphone has a sign against the others. The minority is named, with three or more microphones; of two, both. The
//! votes of the named microphone against the others must be at least `min_log_odds` and nearly unanimous.
//!
//! In a mix the sign of a fader's recovered gain says whether the bus turns a microphone over: the minority is named on the mix
//! track, or the mix as a whole. A bus that turns back what is reversed on its track is right.
//!
//! *Must not fire on.* Side signals of a middle-side pair and figure-of-eight capsules: they see talkers on the two sides with
//! opposite signs, and may carry it in the name.
//!
//! *Known misses.* Microphones that never hear the same voice clearly.
//!
//! *Source.* Phase at the wide-band delay; in trials the sign was right in all segments of 500 Hz to 3 kHz and wrong in 92 %
//! of those of 80 to 250 Hz.

use super::duplicate_track::short;
use super::in_the_mix::{adds_up, signs};
use crate::compare::Mix;
use crate::detect::hearing::names;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Polarity, Severity};
use crate::settings::Param;

/// Least evidence.
pub static MIN_LOG_ODDS: Param = Param {
    key: "polarity_inverted.min_log_odds",
    default: 13.0,
    unit: "1",
    range: (3.0, 100.0),
    why: "three clear seconds, each wrong in 2 % of cases, make 12; one of some 500 fault-free takes reaches 12.2, true ones have 13.4 and more",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "polarity_inverted",
    explain: Explain {
        means: "One microphone's signal is upside down against the others.",
        sounds_like: "Alone it sounds normal. Together with another microphone on the same voice the sound gets thin and hollow.",
        usual_cause: "A cable wired backwards, an adapter, or a polarity switch on preamp, transmitter or mixer.",
        do_now: "Reverse the switch or change the cable; tell post to turn the track over for the takes so far.",
        measured_by: "At the delay between two microphones the phases of 500 Hz to 3 kHz vote for a sign; all pairs of the take together give the odd one. In a mix: the signs of the recovered fader gains.",
        not_to_confuse: "Figure-of-eight and side signals are turned by nature for voices on one side. With two microphones it cannot be said which is the odd one.",
    },
    params: &[&MIN_LOG_ODDS],
    run: Run::Take(run),
};

/// Microphones that agree so well hear the direct sound of all phrases: of some six thousand of these one had the wrong sign, of
/// those that agree by half one in nine. Their votes count so many times.
const DIRECT_COHERENCE: f64 = 0.7;
const DIRECT_ODDS: f64 = 2.0;

/// Positions of tracks, each with whether it is turned against the first.
type Group = Vec<(usize, bool)>;

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let least = view.settings.get(&MIN_LOG_ODDS);
    let microphones: Vec<usize> = view
        .microphones()
        .into_iter()
        .filter(|&t| !sees_both_sides(view, t))
        .collect();
    let mut findings = Vec::new();
    let mut reversed = Vec::new();
    for group in groups(view, &microphones) {
        for tracks in odd(&group) {
            findings.extend(finding(view, &tracks, &group, least));
            reversed.push(tracks);
        }
    }
    for mix in view.mixes.iter().filter(|mix| adds_up(view, mix)) {
        findings.extend(in_mix(view, mix, &microphones, &reversed));
    }
    findings
}

/// The odd ones of a group, one by one; both of a group of two.
fn odd(group: &Group) -> Vec<Vec<usize>> {
    let (one, other): (Group, Group) = group.iter().copied().partition(|(_, turned)| !turned);
    if one.is_empty() || other.is_empty() {
        return Vec::new();
    }
    let positions = |side: &[(usize, bool)]| side.iter().map(|(t, _)| *t).collect::<Vec<_>>();
    if group.len() == 2 {
        return vec![positions(group)];
    }
    let minority = match one.len().cmp(&other.len()) {
        std::cmp::Ordering::Less => &one,
        std::cmp::Ordering::Greater => &other,
        // As many on both sides: what differs from the first track, which is the boom where there is one.
        std::cmp::Ordering::Equal => &other,
    };
    positions(minority).into_iter().map(|t| vec![t]).collect()
}

/// Microphones that a bus turns over against the others, or all of them.
fn in_mix(
    view: &TakeView<'_>,
    mix: &Mix,
    microphones: &[usize],
    reversed: &[Vec<usize>],
) -> Option<Finding> {
    let (turned, straight) = signs(mix, microphones);
    if turned.is_empty() {
        return None;
    }
    let whole = straight.is_empty() && turned.len() > 1;
    let named = if straight.is_empty() || turned.len() <= straight.len() {
        turned
    } else {
        straight
    };
    // What is reversed on its track is turned back by the bus.
    let named: Vec<usize> = (named.into_iter())
        .filter(|t| whole || !reversed.iter().any(|r| r.contains(t)))
        .collect();
    if named.is_empty() {
        return None;
    }
    let indexes: Vec<usize> = named.iter().map(|&t| view.track(t).index).collect();
    let message = if whole {
        "The mix is upside down against all its microphones.".to_owned()
    } else {
        format!("{} upside down in the mix.", names(view, &named))
    };
    Some(
        view.finding_on("polarity_inverted", &[mix.track], 0, view.grid.samples)
            .severity(Severity::Caution)
            .confidence(0.93)
            .origin(Origin::Mix)
            .fact("microphones", indexes)
            .fact("whole_mix", whole)
            .says(
                message,
                "The isolated tracks are sound: look for a polarity switch on the channel or the bus.",
            ),
    )
}

/// Microphones whose signs against each other are known, each with whether it is turned against the first of its group.
fn groups(view: &TakeView<'_>, microphones: &[usize]) -> Vec<Group> {
    let known = |a: usize, b: usize| {
        view.pairs
            .iter()
            .find(|p| (p.a, p.b) == (a.min(b), a.max(b)))
            .map(|p| p.polarity)
            .filter(|p| *p != Polarity::Unclear)
    };
    let mut rest: Vec<usize> = microphones.to_vec();
    rest.sort_by_key(|&t| (view.track(t).role != crate::report::model::Role::Boom, t));
    let mut found = Vec::new();
    while let Some(&root) = rest.first() {
        let mut group = vec![(root, false)];
        rest.remove(0);
        let mut grown = true;
        while grown {
            grown = false;
            for i in (0..rest.len()).rev() {
                let sign = group.iter().find_map(|&(t, turned)| {
                    known(t, rest[i]).map(|p| (p == Polarity::Inverted) != turned)
                });
                if let Some(turned) = sign {
                    group.push((rest.remove(i), turned));
                    grown = true;
                }
            }
        }
        group.sort_unstable();
        if group.len() > 1 {
            found.push(group);
        }
    }
    found
}

/// A side signal or a figure of eight: by its name, or because it sees two talkers with opposite signs.
fn sees_both_sides(view: &TakeView<'_>, track: usize) -> bool {
    let name = view.track(track).label().to_lowercase();
    let named = name
        .split(|c: char| !c.is_alphanumeric())
        .any(|w| matches!(w, "side" | "ms" | "fig8" | "bidi"))
        || name.contains("m/s")
        || name.contains("figure");
    let pairs: Vec<_> = view
        .pairs
        .iter()
        .filter(|p| p.a == track || p.b == track)
        .collect();
    let both = pairs.iter().filter(|p| p.bidirectional).count();
    named || (both > 0 && 2 * both >= pairs.len())
}

fn finding(
    view: &TakeView<'_>,
    tracks: &[usize],
    group: &[(usize, bool)],
    least: f64,
) -> Option<Finding> {
    // Evidence for a turn between the named track and the others of the group: against those that are not turned with it.
    let named = tracks[0];
    let sign = |t: usize| {
        group
            .iter()
            .find(|(g, _)| *g == t)
            .map(|(_, turned)| *turned)
    };
    let (mut turned, mut against) = (0f64, 0f64);
    let mut others = 0;
    for pair in view.pairs {
        let other = match (pair.a == named, pair.b == named) {
            (true, false) => pair.b,
            (false, true) => pair.a,
            _ => continue,
        };
        let (Some(mine), Some(its)) = (sign(named), sign(other)) else {
            continue;
        };
        others += 1;
        let sure = match pair.coherence {
            Some(coherence) if coherence >= DIRECT_COHERENCE => DIRECT_ODDS,
            _ => 1.0,
        };
        let odds = if mine == its {
            sure * pair.polarity_log_odds
        } else {
            -sure * pair.polarity_log_odds
        };
        if odds > 0.0 {
            turned += odds;
        } else {
            against -= odds;
        }
    }
    if turned < least || against > 0.2 * turned {
        return None;
    }
    let label = short(&view.track(named).label());
    let message = if tracks.len() == 1 {
        format!(
            "{label} is upside down against {others} other microphone{}.",
            if others == 1 { "" } else { "s" }
        )
    } else {
        format!(
            "{label} and {} have opposite polarity; of two microphones either may be the odd one.",
            short(&view.track(tracks[1]).label())
        )
    };
    Some(
        view.finding_on("polarity_inverted", tracks, 0, view.grid.samples)
            .severity(Severity::Caution)
            .confidence(if turned > 2.0 * least { 0.98 } else { 0.93 })
            .origin(Origin::ThisMic)
            .number("log_odds_count", turned, 1)
            .number("log_odds_against_count", against, 1)
            .fact("microphones", others + 1)
            .says(
                message,
                "Reverse the switch or change the cable; tell post which takes to turn over.",
            ),
    )
}
