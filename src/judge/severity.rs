//! Severity: what a finding means for the work (contract, section Severity). Detectors propose, the rules here lower it.

use super::cover::{self, Line};
use crate::detect::{Finding, TakeView};
use crate::report::model::{Origin, Role, Severity};

/// Clicks from this many within a minute are a fault.
const CLICKS: usize = 5;
/// The minute.
const MINUTE_S: f64 = 60.0;
/// First and last sounds of a line are too faint for the speech map: this close to it a fault is on the line.
const ENDS_S: f64 = 0.1;

/// Set the severity of every finding.
pub fn assign(view: &TakeView<'_>, lines: &[Line], findings: &mut [Finding]) {
    let levels: Vec<Severity> = findings
        .iter()
        .map(|f| of(view, lines, findings, f))
        .collect();
    for (f, level) in findings.iter_mut().zip(levels) {
        f.severity = level;
    }
}

fn of(view: &TakeView<'_>, lines: &[Line], all: &[Finding], f: &Finding) -> Severity {
    if f.tracks.is_empty() {
        return f.severity;
    }
    if f.severity == Severity::Note || outside(view, f) || f.kind == "off_mic" {
        return Severity::Note;
    }
    let no_microphone = f.tracks.iter().all(|&t| {
        view.take.tracks.get(t - 1).is_none_or(|x| {
            matches!(
                x.role,
                Role::Mix | Role::Timecode | Role::Tone | Role::Unused
            )
        })
    });
    if no_microphone || f.origin == Origin::Place {
        return f.severity.min(Severity::Caution);
    }
    let slack = crate::units::samples(ENDS_S, view.take.rate);
    let over_speech = || {
        f.tracks.iter().any(|&t| {
            view.speech
                .own_within(t - 1, f.start.saturating_sub(slack), f.end + slack)
        })
    };
    let fault_if = |yes: bool| {
        if yes {
            Severity::Fault
        } else {
            Severity::Caution
        }
    };
    match f.kind {
        "clipping" | "flat_top" | "dropout" | "rf_hit" | "rustle" => fault_if(over_speech()),
        "click" => fault_if(over_speech() && (regular(f) || many(view, all, f))),
        // Only the detector knows whether they mask the words or overload the microphone.
        "rumble" | "hum" | "noise_high" => fault_if(f.severity == Severity::Fault && over_speech()),
        "muffled" | "dead_track" => fault_if(words_lost(lines, all, f)),
        "duplicate_track" => fault_if(f.severity == Severity::Fault),
        "level_hot" => fault_if(
            f.severity == Severity::Fault
                && all.iter().any(|g| {
                    matches!(g.kind, "clipping" | "flat_top")
                        && g.tracks == f.tracks
                        && g.start < f.end
                        && g.end > f.start
                }),
        ),
        "truncated_file" | "missing_file" | "copy_mismatch" => f.severity,
        _ => Severity::Caution,
    }
}

/// Surely outside the windows: every window is certain and none is touched.
fn outside(view: &TakeView<'_>, f: &Finding) -> bool {
    let (start, end) = (
        crate::units::seconds(f.start, view.take.rate),
        crate::units::seconds(f.end.max(f.start + 1), view.take.rate),
    );
    !view.windows.is_empty()
        && view.windows.iter().all(|w| w.certain)
        && !view
            .windows
            .iter()
            .any(|w| start < w.end_s && end > w.start_s)
}

fn regular(f: &Finding) -> bool {
    f.evidence
        .get("regular")
        .and_then(serde_json::Value::as_bool)
        .unwrap_or(false)
}

/// At least five clicks on this track within a minute around this one.
fn many(view: &TakeView<'_>, all: &[Finding], f: &Finding) -> bool {
    let minute = crate::units::samples(MINUTE_S, view.take.rate);
    let starts: Vec<(u64, usize)> = all
        .iter()
        .filter(|g| g.kind == "click" && g.tracks == f.tracks)
        .map(|g| (g.start, super::merge::events(g) as usize))
        .collect();
    starts.iter().any(|&(first, _)| {
        let within = |s: u64| s >= first && s < first + minute;
        within(f.start)
            && starts
                .iter()
                .filter(|&&(s, _)| within(s))
                .map(|&(_, n)| n)
                .sum::<usize>()
                >= CLICKS
    })
}

/// A talker's own microphone holds nothing and no boom, plant or spare does.
fn words_lost(lines: &[Line], all: &[Finding], f: &Finding) -> bool {
    lines
        .iter()
        .filter(|l| l.range.start < f.end && l.range.end > f.start)
        .filter(|l| l.heard() && f.tracks.iter().any(|&t| l.carried_by(t - 1)))
        .any(|l| {
            !l.mics.iter().any(|h| {
                h.useful()
                    && !f.tracks.contains(&(h.position + 1))
                    && cover::clean(all, h.position, l.range.start, l.range.end)
            })
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn click(start: u64) -> Finding {
        Finding::new("click", vec![1], start, start + 1)
    }

    #[test]
    fn a_beat_is_told_by_the_detector() {
        assert!(!regular(&click(0)));
        assert!(regular(&click(0).fact("regular", true)));
    }
}
