//! Files that should be here and are not: of a set, or of a list of what was recorded.
//!
//! *Fault.* A take recorded as several files is incomplete: tracks or minutes are missing. Or a list on the card names a file
//! that no folder holds.
//!
//! *Signature.* The files say how many belong to their family; fewer are here. A table beside them has a name too many.
//!
//! *Decision.* By count of distinct places in the set; a copy of a member does not stand in for another. Names of a list are
//! compared without case, folder and extension; a mono set stands for its take.
//!
//! *Must not fire on.* Poly files that say they are one of one; complete sets; two copies of a complete set; a list of which
//! nothing is here (it belongs to another folder).
//!
//! *Known misses.* Sets without a family id; a whole take that is missing from the list as well (see `metadata_conflict`,
//! take_gap); lists that are no table.
//!
//! *Source.* iXML `FILE_SET`; sound reports as tables: common practice, no source.

use std::collections::BTreeSet;

use crate::detect::labels::{counted, of_day, shown};
use crate::detect::{DayView, Detector, Explain, Finding, Run};
use crate::report::model::{Origin, Severity};
use crate::scan::lists::List;
use crate::take::{SetProblem, slate};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "missing_file",
    explain: Explain {
        means: "A take that was recorded as several files is not complete here, or a list on the card names a file that is not.",
        sounds_like: "A microphone, or part of the take, is simply not there.",
        usual_cause: "Files were left out when the card was copied, or deleted.",
        do_now: "Look on the card for the files named and copy them before it is used again.",
        measured_by: "Each file of a set tells how many there are; they are counted. Tables on the card that name audio files are compared with what is here.",
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
    found.extend(view.lists.iter().filter_map(|list| listed(view, list)));
    found
}

/// Names that a list has and no folder.
fn listed(view: &DayView<'_>, list: &List) -> Option<Finding> {
    let stem = |name: &str| slate::stem(name).to_lowercase();
    let here: BTreeSet<String> = view.here.iter().map(|n| stem(n)).collect();
    // By itself, or as the members of a set, which stand behind it in the order of names.
    let is_here = |name: &&String| {
        let (alone, member) = (stem(name), format!("{}_", stem(name)));
        let next = here.range(member.clone()..).next();
        here.contains(&alone) || next.is_some_and(|n| n.starts_with(&member))
    };
    let missing: Vec<String> = list.files.iter().filter(|n| !is_here(n)).cloned().collect();
    let first = missing.first()?;
    if missing.len() == list.files.len() {
        return None;
    }
    let which = if missing.len() == 1 {
        shown(first)
    } else {
        format!("{} and others", shown(first))
    };
    Some(
        of_day("missing_file", view, &[], "listed_not_here")
            .severity(Severity::Fault)
            .confidence(0.95)
            .origin(Origin::File)
            .fact("list", shown(&list.name))
            .fact("listed_files", list.files.len())
            .fact("missing_names", missing.clone())
            .says(
                format!(
                    "{} named in {} not here: {which}.",
                    counted(missing.len(), "file"),
                    shown(&list.name)
                ),
                "Look on the card for the missing files and copy them before it is used again.",
            ),
    )
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
