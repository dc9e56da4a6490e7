//! Sample rates that deviate.
//!
//! *Fault.* A take was recorded, or is stamped, at another rate than the rest of the day, or its header and its iXML disagree:
//! it will play at the wrong speed or has to be converted.
//!
//! *Signature.* Rate in the header against the day's majority and against iXML's `FILE_SAMPLE_RATE`.
//!
//! *Decision.* Equality. One finding per deviating rate, one per take whose header and iXML disagree.
//!
//! *Must not fire on.* Days without a clear majority; a converter rate that differs by design (48048 recorded, 48000 stamped,
//! told by `DIGITIZER_SAMPLE_RATE`); the mirror of a card.
//!
//! *Known misses.* A rate that is wrong in header and iXML alike on every take of the day.
//!
//! *Source.* EBU Tech 3285, iXML `SPEED`.

use std::collections::BTreeMap;

use crate::detect::labels::{counted, header, majority, of_day};
use crate::detect::{DayView, Detector, Explain, Finding, Run};
use crate::report::model::Origin;
use crate::settings::Param;

/// Share of takes that makes a rate the day's.
pub static MIN_MAJORITY: Param = Param {
    key: "sample_rate_mismatch.min_majority_share",
    default: 0.7,
    unit: "1",
    range: (0.5, 1.0),
    why: "below two thirds nobody can say which rate is the day's own",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "sample_rate_mismatch",
    explain: Explain {
        means: "The sample rate differs from the rest of the day, or the file contradicts itself about it.",
        sounds_like: "Played at the wrong rate a voice is too high or too low, or drifts out of sync: 0.1 percent is seven frames in five minutes.",
        usual_cause: "A setting changed between setups, a second recorder, or a file that was converted without its labels.",
        do_now: "Look at the recorder's setting, and tell post which files are at which rate.",
        measured_by: "The rate in the header is compared with the majority of the day and with the iXML chunk.",
        not_to_confuse: "A pull-down that is declared as such by the converter's rate is no contradiction. Mixed days without a clear majority are not judged.",
    },
    params: &[&MIN_MAJORITY],
    run: Run::Day(run),
};

fn run(view: &DayView<'_>) -> Vec<Finding> {
    let mut found = Vec::new();
    for (i, take) in view.takes.iter().enumerate() {
        let Some(claimed) = header(take)
            .and_then(|h| h.ixml.as_ref())
            .and_then(|x| x.file_sample_rate)
            .filter(|&r| r > 0 && r != take.rate)
        else {
            continue;
        };
        found.push(
            of_day("sample_rate_mismatch", view, &[i], "header_ixml")
                .origin(Origin::Recorder)
                .fact("header_hz", take.rate)
                .fact("ixml_hz", claimed)
                .says(
                    format!("The header says {} Hz, iXML {claimed} Hz.", take.rate),
                    "Check pitch and length of this take before it is used, and tell post which rate is right.",
                ),
        );
    }
    let rates = view.takes.iter().map(|t| Some(t.rate));
    if let Some((usual, others)) = majority(rates, view.settings.get(&MIN_MAJORITY)) {
        let mut groups: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        for (i, rate) in others {
            groups.entry(rate).or_default().push(i);
        }
        for (rate, takes) in groups {
            found.push(
                of_day("sample_rate_mismatch", view, &takes, "day")
                    .origin(Origin::Recorder)
                    .fact("rate_hz", rate)
                    .fact("day_hz", usual)
                    .says(
                        format!("{} at {rate} Hz, the rest of the day at {usual} Hz.", counted(takes.len(), "take")),
                        "Check the recorder's setting, and tell post which files are at which rate.",
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
        let at = |name: &str, rate: u32, claimed: Option<u32>| {
            invented(name, |h| {
                h.rate = rate;
                h.ixml.as_mut().unwrap().file_sample_rate = claimed;
            })
        };
        let mut takes: Vec<_> = (0..8)
            .map(|i| at(&format!("{i}.wav"), 48_000, Some(48_000)))
            .collect();
        assert!(day(run, &takes).is_empty());
        takes.push(at("8.wav", 47_952, None));
        takes.push(at("9.wav", 48_000, Some(96_000)));
        let found = day(run, &takes);
        assert_eq!(codes(&found), ["header_ixml", "day"]);
        assert_eq!(found[0].files, ["9.wav"]);
        assert_eq!(found[1].files, ["8.wav"]);
        let mixed = [at("a.wav", 48_000, None), at("b.wav", 96_000, None)];
        assert!(day(run, &mixed).is_empty());
    }
}
