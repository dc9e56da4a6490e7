//! Frame rates that deviate.
//!
//! *Fault.* A take counts its timecode at another rate than the rest of the day, or its own labels disagree about it: camera
//! and sound will not meet.
//!
//! *Signature.* iXML's `TIMECODE_RATE` and drop-frame flag against the day's majority and against the rate in the bext text.
//!
//! *Decision.* Equality of exact fractions. One finding per deviating rate, one per take that contradicts itself.
//!
//! *Must not fire on.* Takes without a rate; days without a clear majority; other spellings of one rate (23.98, 24000/1001).
//!
//! *Known misses.* A rate that is wrong on every take of the day.
//!
//! *Source.* SMPTE ST 12-1, iXML `SPEED`.

use std::collections::BTreeMap;

use crate::container::bext::described;
use crate::detect::labels::{bext, counted, majority, of_day};
use crate::detect::{DayView, Detector, Explain, Finding, Run};
use crate::report::model::Origin;
use crate::settings::Param;
use crate::take::timecode::parse_rate;

/// Share of takes that makes a rate the day's.
pub static MIN_MAJORITY: Param = Param {
    key: "frame_rate_mismatch.min_majority_share",
    default: 0.7,
    unit: "1",
    range: (0.5, 1.0),
    why: "below two thirds nobody can say which rate is the day's own",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "frame_rate_mismatch",
    explain: Explain {
        means: "The timecode rate differs from the rest of the day, or the file contradicts itself about it.",
        sounds_like: "Nothing by itself; against the picture the sound starts at the wrong place.",
        usual_cause: "The project setting changed, a recorder came back from another job, or a file was relabelled.",
        do_now: "Compare with the camera's rate, correct the setting, and tell post which files are concerned.",
        measured_by: "The iXML timecode rate and drop-frame flag are compared with the majority of the day and with the bext text.",
        not_to_confuse: "23.98, 23.976 and 24000/1001 are one rate. Files that give no rate are not judged.",
    },
    params: &[&MIN_MAJORITY],
    run: Run::Day(run),
};

/// `24000/1001`, `30000/1001 DF`.
fn text((num, den): (u32, u32), drop: bool) -> String {
    let mark = if drop { " DF" } else { "" };
    if den == 1 {
        format!("{num}{mark}")
    } else {
        format!("{num}/{den}{mark}")
    }
}

fn run(view: &DayView<'_>) -> Vec<Finding> {
    let mut found = Vec::new();
    let mut told = Vec::new();
    for (i, take) in view.takes.iter().enumerate() {
        let said = bext(take)
            .and_then(|b| described(b, "FPS").or_else(|| described(b, "SPEED")))
            .and_then(parse_rate);
        let (Some((said, _)), Some(rate)) = (said, take.clock.frame_rate) else {
            continue;
        };
        if said != rate {
            told.push(i);
            found.push(
                of_day("frame_rate_mismatch", view, &[i], "bext_ixml")
                    .origin(Origin::Recorder)
                    .fact("ixml_rate", text(rate, false))
                    .fact("bext_rate", text(said, false))
                    .says(
                        format!(
                            "iXML says {} fps, the bext text {} fps.",
                            text(rate, false),
                            text(said, false)
                        ),
                        "Compare with the camera's rate and tell post which one is right.",
                    ),
            );
        }
    }
    let rates = view
        .takes
        .iter()
        .map(|t| t.clock.frame_rate.map(|r| (r, t.clock.drop_frame)));
    if let Some((usual, others)) = majority(rates, view.settings.get(&MIN_MAJORITY)) {
        let mut groups: BTreeMap<((u32, u32), bool), Vec<usize>> = BTreeMap::new();
        // A take that contradicts itself has been told already.
        for (i, rate) in others.into_iter().filter(|(i, _)| !told.contains(i)) {
            groups.entry(rate).or_default().push(i);
        }
        for ((rate, drop), takes) in groups {
            let (this, day) = (text(rate, drop), text(usual.0, usual.1));
            found.push(
                of_day("frame_rate_mismatch", view, &takes, "day")
                    .origin(Origin::Recorder)
                    .fact("rate", this.clone())
                    .fact("day_rate", day.clone())
                    .says(
                        format!("{} at {this} fps, the rest of the day at {day} fps.", counted(takes.len(), "take")),
                        "Compare with the camera's rate, correct the setting, and tell post which files are concerned.",
                    ),
            );
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::labels::tests::{codes, day, invented};

    #[test]
    fn against_the_day_and_against_itself() {
        let at = |name: &str, rate: &str, said: &str| {
            invented(name, |h| {
                h.ixml.as_mut().unwrap().timecode_rate = Some(rate.into());
                h.bext.as_mut().unwrap().description = format!("FPS={said}");
            })
        };
        let mut takes: Vec<_> = (0..8)
            .map(|i| at(&format!("{i}.wav"), "24000/1001", "23.98"))
            .collect();
        assert!(day(run, &takes).is_empty());
        takes.push(at("8.wav", "25", ""));
        takes.push(at("9.wav", "24000/1001", "24"));
        let found = day(run, &takes);
        assert_eq!(codes(&found), ["bext_ixml", "day"]);
        assert_eq!(
            (found[0].files[0].as_str(), found[1].files[0].as_str()),
            ("9.wav", "8.wav")
        );
    }
}
