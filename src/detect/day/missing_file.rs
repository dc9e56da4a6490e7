//! Files of a set that are not here.
//!
//! *Fault.* A take recorded as several files is incomplete: tracks or minutes are missing.
//!
//! *Signature.* The files say how many belong to their family; fewer are here.
//!
//! *Decision.* By count of distinct places in the set; a copy of a member does not stand in for another.
//!
//! *Must not fire on.* Poly files that say they are one of one; complete sets; two copies of a complete set.
//!
//! *Known misses.* Sets without a family id; a whole take that is missing (see `metadata_conflict`, take_gap).
//!
//! *Source.* iXML `FILE_SET`.

use crate::detect::labels::{counted, of_day, shown};
use crate::detect::{DayView, Detector, Explain, Finding, Run};
use crate::report::model::{Origin, Severity};
use crate::take::{SetProblem, slate};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "missing_file",
    explain: Explain {
        means: "A take that was recorded as several files is not complete here.",
        sounds_like: "A microphone, or part of the take, is simply not there.",
        usual_cause: "Files were left out when the card was copied, or deleted.",
        do_now: "Look on the card for the files named and copy them before it is used again.",
        measured_by: "Each file of a set tells how many there are; they are counted.",
        not_to_confuse: "A missing take number is only a question and told as metadata_conflict. Sets without a family id cannot be counted.",
    },
    params: &[],
    run: Run::Day(run),
};

fn run(view: &DayView<'_>) -> Vec<Finding> {
    let mut found = Vec::new();
    for (i, take) in view.takes.iter().enumerate() {
        for problem in &take.set_problems {
            let SetProblem::MissingMembers {
                total,
                present,
                names,
            } = problem
            else {
                continue;
            };
            let missing = total.saturating_sub(*present) as usize;
            let which = match names.first() {
                Some(first) if names.len() == 1 => format!(": {}", shown(slate::stem(first))),
                Some(first) => format!(": {} and others", shown(slate::stem(first))),
                None => String::new(),
            };
            found.push(
                of_day("missing_file", view, &[i], "incomplete_set")
                    .severity(Severity::Fault)
                    .confidence(0.97)
                    .origin(Origin::File)
                    .fact("total_files", *total)
                    .fact("present_files", *present)
                    .fact("missing_names", names.clone())
                    .says(
                        format!("{} of {total} of the set not here{which}.", counted(missing, "file")),
                        "Look on the card for the missing files and copy them before it is used again.",
                    ),
            );
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::labels::tests::{day, invented};

    #[test]
    fn incomplete_sets_only() {
        let mut take = invented("27B-3_1.wav", |h| {
            let x = h.ixml.as_mut().unwrap();
            (x.total_files, x.family_uid, x.file_set_index) =
                (Some(3), Some("F".into()), Some("1".into()));
        });
        let found = day(run, std::slice::from_ref(&take));
        assert_eq!(found[0].severity, Severity::Fault);
        assert_eq!(
            found[0].evidence["missing_names"],
            serde_json::json!(["27B-3_2.wav", "27B-3_3.wav"])
        );
        assert_eq!(found[0].files, ["27B-3_1.wav"]);
        take.set_problems.clear();
        assert!(day(run, &[take]).is_empty());
    }
}
