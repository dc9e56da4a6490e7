//! Labels that are not there.
//!
//! *Fault.* Scene or take is blank or a default text, or the file carries no production metadata at all.
//!
//! *Signature.* No iXML chunk (`no_metadata`), or one without a scene (`blank_scene`) or take (`blank_take`).
//!
//! *Decision.* By presence alone; default texts are those of [`slate::is_default`].
//!
//! *Must not fire on.* Files whose header was never finished or which are cut short: what stood behind the audio is lost with
//! it, and that is told as `truncated_file`.
//!
//! *Known misses.* A label that is wrong but not blank.
//!
//! *Source.* iXML specification; EBU Tech 3285.

use crate::detect::labels::{header, of_take};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::take::{Take, slate};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "metadata_missing",
    explain: Explain {
        means: "The file does not say which scene and take it is, or carries no production labels at all.",
        sounds_like: "Nothing: the sound is not concerned.",
        usual_cause: "Scene or take was not typed in, or the file went through a program that drops the labels.",
        do_now: "Fill in scene and take on the recorder or in the sound report while somebody remembers; otherwise the assistant has to label by ear.",
        measured_by: "The iXML and bext chunks are read; blank texts and defaults such as \"untitled\" count as missing.",
        not_to_confuse: "Labels that contradict each other are metadata_conflict. A take that lost its labels in a power cut is truncated_file.",
    },
    params: &[],
    run: Run::Take(run),
};

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    missing(view.take)
}

fn missing(take: &Take) -> Vec<Finding> {
    let Some(header) = header(take) else {
        return Vec::new();
    };
    let cut = take.files.iter().any(|f| {
        f.opened
            .problems
            .iter()
            .any(|p| p.code == "truncated" || p.code == "unfinished")
    });
    const ADVICE: &str = "Note scene and take in the sound report now, while somebody remembers.";
    if header.ixml.is_none() {
        if cut && header.bext.is_some() {
            return Vec::new();
        }
        let (lacks, message) = if header.bext.is_none() {
            (
                "bext and iXML",
                "No labels at all: neither bext nor iXML is there.",
            )
        } else {
            (
                "iXML",
                "No iXML: track names, scene and take are not where post looks for them.",
            )
        };
        return vec![
            of_take("metadata_missing", take, "no_metadata")
                .fact("missing", lacks)
                .says(message, ADVICE),
        ];
    }
    let blank = |label: &Option<String>| label.as_deref().is_none_or(slate::is_default);
    let mut found = Vec::new();
    for (label, code, what) in [
        (&take.scene, "blank_scene", "Scene"),
        (&take.number, "blank_take", "Take"),
    ] {
        if blank(label) {
            let found_text = label.as_deref().unwrap_or("");
            let message = if found_text.is_empty() {
                format!("{what} is blank.")
            } else {
                format!(
                    "{what} still reads \"{}\".",
                    crate::detect::labels::shown(found_text)
                )
            };
            found.push(
                of_take("metadata_missing", take, code)
                    .fact("found", found_text)
                    .says(message, ADVICE),
            );
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::labels::tests::{codes, invented};
    use crate::report::model::Problem;

    #[test]
    fn blank_and_default_labels() {
        assert!(missing(&invented("27B-3.wav", |_| {})).is_empty());
        let take = invented("x.wav", |h| h.ixml.as_mut().unwrap().scene = None);
        assert_eq!(codes(&missing(&take)), ["blank_scene"]);
        let take = invented("x.wav", |h| {
            let x = h.ixml.as_mut().unwrap();
            x.scene = Some("Untitled".into());
            x.take = Some(" ".into());
        });
        assert_eq!(codes(&missing(&take)), ["blank_scene", "blank_take"]);
    }

    #[test]
    fn no_chunks() {
        let take = invented("x.wav", |h| h.ixml = None);
        assert_eq!(missing(&take)[0].evidence["missing"], "iXML");
        let take = invented("x.wav", |h| (h.ixml, h.bext) = (None, None));
        assert_eq!(missing(&take)[0].evidence["missing"], "bext and iXML");
    }

    #[test]
    fn what_a_power_cut_took_is_no_missing_label() {
        let mut take = invented("x.wav", |h| h.ixml = None);
        take.files[0].opened.problems.push(Problem {
            code: "unfinished".into(),
            chunk: "data".into(),
            offset: 40,
            detail: String::new(),
        });
        assert!(missing(&take).is_empty());
    }
}
