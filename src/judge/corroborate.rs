//! What the other tracks of the take say about where a fault comes from.
//!
//! Sound needs time: microphones further apart than 7 mm cannot hear one event at the same sample. The same event at the same
//! sample on every track is the recorder, its clock or the card. Several wireless tracks at once while a wired or clean boom
//! goes on are the radio field. What a mix carries because an isolated track carries it is told once, on the isolated track.

use crate::detect::{Finding, TakeView};
use crate::report::model::{Origin, Role};

/// Two onsets within this many seconds are "the same sample": three samples at 48 kHz, for detectors that disagree by one.
const SAME_S: f64 = 3.0 / 48_000.0;
/// Radio events of several packs at once: overlap within this time.
const AT_ONCE_S: f64 = 0.05;
/// A fault of an isolated track reaches the mix within the latency of the bus.
const IN_MIX_S: f64 = 0.1;

/// Kinds that an event on an isolated track shows as when it is heard through a mix.
fn heard_as(isolated: &str, mix: &str) -> bool {
    const SHORT: [&str; 5] = ["rf_hit", "click", "dropout", "clipping", "flat_top"];
    isolated == mix || (SHORT.contains(&isolated) && SHORT.contains(&mix))
}

/// Set origins, drop what is only heard through the mix.
pub fn corroborate(view: &TakeView<'_>, findings: Vec<Finding>) -> Vec<Finding> {
    let findings = without_consequences(without_echoes_in_the_mix(view, findings));
    let findings = without_flat_sounds(view, findings);
    let mut origins: Vec<Option<(Origin, &'static str, usize)>> = Vec::new();
    for f in &findings {
        origins.push(recorder(view, &findings, f).or_else(|| radio(view, &findings, f)));
    }
    findings
        .into_iter()
        .zip(origins)
        .map(|(mut f, origin)| {
            if let Some((origin, key, count)) = origin {
                f.origin = origin;
                f.evidence.insert(key.into(), count.into());
            } else if f.origin == Origin::Unknown {
                f.origin = usual_origin(view, &f);
            }
            f
        })
        .collect()
}

fn only_role(view: &TakeView<'_>, f: &Finding, role: Role) -> bool {
    !f.tracks.is_empty()
        && f.tracks
            .iter()
            .all(|&t| view.take.tracks.get(t - 1).is_some_and(|x| x.role == role))
}

fn near(view: &TakeView<'_>, a: &Finding, b: &Finding, seconds: f64) -> bool {
    let slack = crate::units::samples(seconds, view.take.rate);
    a.start < b.end.saturating_add(slack) && b.start < a.end.saturating_add(slack)
}

fn without_echoes_in_the_mix(view: &TakeView<'_>, findings: Vec<Finding>) -> Vec<Finding> {
    without(findings, |f, all| {
        let own_of_the_mix = matches!(f.kind, "comb_filtering" | "open_mic" | "true_peak_over");
        only_role(view, f, Role::Mix)
            && !own_of_the_mix
            && all.iter().any(|g| {
                !only_role(view, g, Role::Mix)
                    && !g.tracks.is_empty()
                    && heard_as(g.kind, f.kind)
                    && near(view, f, g, IN_MIX_S)
            })
    })
}

/// All findings but those that `drop` names, looking at all of them.
fn without(findings: Vec<Finding>, drop: impl Fn(&Finding, &[Finding]) -> bool) -> Vec<Finding> {
    let keep: Vec<bool> = findings.iter().map(|f| !drop(f, &findings)).collect();
    findings
        .into_iter()
        .zip(keep)
        .filter_map(|(f, keep)| keep.then_some(f))
        .collect()
}

/// A dead pack is noisy, low and dull as well, and a microphone set far too hot is heard through its resting fader: each is told
/// once.
fn without_consequences(findings: Vec<Finding>) -> Vec<Finding> {
    let meets = |f: &Finding, g: &Finding| {
        let pair = f.evidence.get("microphones").and_then(|m| m.as_array());
        f.kind == "comb_filtering"
            && g.kind == "level_hot"
            && f.start < g.end
            && f.end > g.start
            && pair.is_some_and(|pair| g.tracks.iter().any(|&t| pair.contains(&t.into())))
    };
    let follows = |f: &Finding, g: &Finding| {
        g.kind == "dead_track"
            && matches!(
                f.kind,
                "noise_high" | "level_low" | "muffled" | "noise_change" | "gain_step"
            )
            && f.tracks == g.tracks
            && f.start < g.end
            && f.end > g.start
    };
    without(findings, |f, all| {
        all.iter().any(|g| follows(f, g) || meets(f, g))
    })
}

/// Tops that come out flat on the boom and on a body microphone at the same moments, twice or more, are the sound itself: two
/// stages with different gains do not run out of level together.
fn without_flat_sounds(view: &TakeView<'_>, findings: Vec<Finding>) -> Vec<Finding> {
    let on = |f: &Finding, role| f.kind == "flat_top" && only_role(view, f, role);
    let mut themselves: Vec<Vec<usize>> = Vec::new();
    for f in findings.iter().filter(|f| on(f, Role::Lav)) {
        let together = |a: &Finding| {
            findings
                .iter()
                .find(|b| on(b, Role::Boom) && near(view, a, b, AT_ONCE_S))
                .map(|b| b.tracks.clone())
        };
        let same = findings
            .iter()
            .filter(|a| a.kind == "flat_top" && a.tracks == f.tracks)
            .filter_map(together)
            .collect::<Vec<_>>();
        if same.len() >= 2 {
            themselves.push(f.tracks.clone());
            themselves.extend(same);
        }
    }
    findings
        .into_iter()
        .filter(|f| f.kind != "flat_top" || !themselves.contains(&f.tracks))
        .collect()
}

/// The same event at the same sample on every microphone (three at least, so that chance is out).
fn recorder(
    view: &TakeView<'_>,
    findings: &[Finding],
    f: &Finding,
) -> Option<(Origin, &'static str, usize)> {
    let microphones = view.microphones();
    if !matches!(f.kind, "click" | "dropout" | "rf_hit") || microphones.len() < 3 {
        return None;
    }
    let slack = crate::units::samples(SAME_S, view.take.rate);
    let with = microphones
        .iter()
        .filter(|&&m| {
            findings.iter().any(|g| {
                matches!(g.kind, "click" | "dropout" | "rf_hit")
                    && g.tracks.contains(&(m + 1))
                    && g.start.abs_diff(f.start) <= slack
            })
        })
        .count();
    (with == microphones.len()).then_some((Origin::Recorder, "tracks_at_the_same_sample", with))
}

/// Several wireless body microphones at once while the boom stays clean.
fn radio(
    view: &TakeView<'_>,
    findings: &[Finding],
    f: &Finding,
) -> Option<(Origin, &'static str, usize)> {
    if !matches!(f.kind, "rf_hit" | "dropout") || !only_role(view, f, Role::Lav) {
        return None;
    }
    let at_once =
        |g: &Finding| matches!(g.kind, "rf_hit" | "dropout") && near(view, f, g, AT_ONCE_S);
    let boom_too = findings
        .iter()
        .any(|g| at_once(g) && only_role(view, g, Role::Boom));
    let mut packs: Vec<usize> = findings
        .iter()
        .filter(|g| at_once(g) && only_role(view, g, Role::Lav))
        .flat_map(|g| g.tracks.clone())
        .collect();
    packs.sort_unstable();
    packs.dedup();
    (packs.len() >= 2 && !boom_too).then_some((Origin::Radio, "packs_at_once", packs.len()))
}

/// Where a fault comes from when nothing else is known.
fn usual_origin(view: &TakeView<'_>, f: &Finding) -> Origin {
    if f.tracks.is_empty() {
        return Origin::File;
    }
    if only_role(view, f, Role::Mix) {
        return Origin::Mix;
    }
    match f.kind {
        "rf_hit" => Origin::Radio,
        "open_mic" | "comb_filtering" | "true_peak_over" => Origin::Mix,
        "noise_change" => Origin::Place,
        _ if f.tracks.len() == 1 => Origin::ThisMic,
        _ => Origin::Unknown,
    }
}
