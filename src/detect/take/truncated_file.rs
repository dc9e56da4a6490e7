//! Files that end before their header says, were never finished, or do not join.
//!
//! *Fault.* Power was lost, a card was pulled or full, a copy stopped half way; or samples are missing where one file of a
//! split take follows another.
//!
//! *Signature.* The problems the reader met: audio size beyond the end of the file (`short`), sizes never written
//! (`unfinished`), parts that cannot be read (`unreadable_part`), audio behind the declared end (`stale_header`), stamps that
//! do not meet (`split_gap`).
//!
//! *Decision.* One finding per file and case. Where audio is lost it is a fault, where only the header is, a caution.
//!
//! *Must not fire on.* RIFF sizes that are off while the audio is whole, missing pad bytes, rubbish of a few bytes at the end.
//!
//! *Known misses.* A recording that stopped early with a clean header.
//!
//! *Source.* EBU Tech 3285, Tech 3306; rules of the reader.

use crate::detect::labels::of_take;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Problem, Severity};
use crate::take::{SetProblem, Take, TakeFile};
use crate::units;

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "truncated_file",
    explain: Explain {
        means: "A file is shorter than its header says, was never finished, or does not meet the file it continues.",
        sounds_like: "The take stops in the middle, or jumps where two files join.",
        usual_cause: "Power loss, a card pulled or full while rolling, or a copy that was interrupted.",
        do_now: "If this is a copy, fetch the file again from the card. If it is the original, keep the card as it is and tell post; what is there has been checked.",
        measured_by: "The sizes in the header are set against the length of the file; stamps of split files against the end of the file before.",
        not_to_confuse: "The scene cut by an early cut is cut_short. A header that is wrong while the audio is whole is only listed among the file's problems.",
    },
    params: &[],
    run: Run::Take(run),
};

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    truncated(view.take)
}

fn truncated(take: &Take) -> Vec<Finding> {
    let mut found: Vec<Finding> = take.files.iter().flat_map(|f| of_file(take, f)).collect();
    for problem in &take.set_problems {
        if let SetProblem::SplitGap {
            at_sample,
            gap_samples,
        } = *problem
        {
            found.push(of_join(take, at_sample, gap_samples));
        }
    }
    found
}

fn of_file(take: &Take, file: &TakeFile) -> Vec<Finding> {
    let problems = &file.opened.problems;
    let with = |code: &str| problems.iter().find(|p| p.code == code);
    let header = &file.opened.header;
    let seconds = units::seconds(header.frames, header.rate);
    let mut found = Vec::new();
    let mut add = |problem: &Problem, code: &str, severity, message: String, advice: &str| {
        let mut finding = of_take("truncated_file", take, code)
            .severity(severity)
            .confidence(0.99)
            .origin(Origin::Recorder)
            .number("there_s", seconds, 3)
            .fact("chunk", problem.chunk.clone())
            .fact("offset_bytes", problem.offset)
            .says(message, advice);
        finding.files = vec![file.name.clone()];
        found.push(finding);
    };
    const AGAIN: &str = "Fetch the file again from the card; if this is the card, tell post that the end is missing.";
    if let Some(problem) = with("truncated") {
        add(
            problem,
            "short",
            Severity::Fault,
            format!("The file ends before its header says; {seconds:.1} s of sound are there."),
            AGAIN,
        );
    }
    if let Some(problem) = with("unfinished").filter(|_| with("truncated").is_none()) {
        add(
            problem,
            "unfinished",
            Severity::Caution,
            format!(
                "The header was never finished: still recording, or power lost; {seconds:.1} s are there."
            ),
            "Let the recorder repair the card before it is copied, and check that the take runs to its end.",
        );
    }
    if let Some(problem) = with("read_error").or_else(|| with("damaged_frame")) {
        add(
            problem,
            "unreadable_part",
            Severity::Fault,
            format!(
                "Part of the file cannot be read, from byte {} on.",
                problem.offset
            ),
            "Copy the file again from another card or reader.",
        );
    }
    if let Some(problem) = with("stale_header") {
        add(
            problem,
            "stale_header",
            Severity::Caution,
            format!(
                "More may have been recorded than the header says; {seconds:.1} s were checked."
            ),
            "Have the header repaired on a copy of the file and listen to what lies behind the declared end.",
        );
    }
    let behind = problems
        .iter()
        .find(|p| p.code == "chunk_past_end" && p.chunk != "data");
    if let Some(problem) = behind.filter(|_| with("truncated").is_none()) {
        add(
            problem,
            "short",
            Severity::Caution,
            format!("The file ends within its labels; the {seconds:.1} s of sound are whole."),
            AGAIN,
        );
    }
    found
}

fn of_join(take: &Take, at: u64, gap: i64) -> Finding {
    let ms = 1000.0 * gap as f64 / f64::from(take.rate.max(1));
    let lost = gap > 0;
    let mut finding = of_take("truncated_file", take, "split_gap")
        .severity(if lost {
            Severity::Fault
        } else {
            Severity::Caution
        })
        .confidence(0.97)
        .origin(Origin::Recorder)
        .fact("gap_samples", gap)
        .number("gap_ms", ms, 3)
        .says(
            if lost {
                format!("{ms:.1} ms are missing where one file follows another.")
            } else {
                format!(
                    "{:.1} ms are there twice where one file follows another.",
                    -ms
                )
            },
            "Tell post where the files join; look whether the lost part falls on a line.",
        );
    finding.start = at.min(take.samples);
    finding.end = at
        .saturating_add_signed(gap.max(0))
        .clamp(finding.start, take.samples);
    finding.files = take.files.iter().map(|f| f.name.clone()).collect();
    finding
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::labels::tests::{codes, invented};

    fn with(codes: &[(&str, &str)]) -> Take {
        let mut take = invented("27B-3.wav", |_| {});
        take.files[0].opened.problems = codes
            .iter()
            .map(|(code, chunk)| Problem {
                code: (*code).into(),
                chunk: (*chunk).into(),
                offset: 40,
                detail: String::new(),
            })
            .collect();
        take
    }

    #[test]
    fn cases_and_their_weight() {
        let of = |list: &[(&str, &str)]| {
            truncated(&with(list))
                .iter()
                .map(|f| (codes(std::slice::from_ref(f))[0].to_owned(), f.severity))
                .collect::<Vec<_>>()
        };
        assert_eq!(
            of(&[("truncated", "data"), ("size_mismatch", "RIFF")]),
            [("short".into(), Severity::Fault)]
        );
        assert_eq!(
            of(&[("unfinished", "data"), ("unfinished", "RIFF")]),
            [("unfinished".into(), Severity::Caution)]
        );
        assert_eq!(
            of(&[("read_error", "data")]),
            [("unreadable_part".into(), Severity::Fault)]
        );
        assert_eq!(
            of(&[("stale_header", "RIFF")]),
            [("stale_header".into(), Severity::Caution)]
        );
        assert_eq!(
            of(&[("chunk_past_end", "iXML")]),
            [("short".into(), Severity::Caution)]
        );
        for harmless in [
            "size_mismatch",
            "missing_pad",
            "trailing_bytes",
            "duplicate_chunk",
            "size_wrapped",
        ] {
            assert!(of(&[(harmless, "RIFF")]).is_empty(), "{harmless}");
        }
    }

    #[test]
    fn joins() {
        let mut take = with(&[]);
        for (gap, severity) in [(480, Severity::Fault), (-480, Severity::Caution)] {
            take.set_problems = vec![SetProblem::SplitGap {
                at_sample: 1000,
                gap_samples: gap,
            }];
            let found = truncated(&take);
            assert_eq!(found[0].severity, severity);
            assert!(found[0].message.contains("10.0 ms"));
            assert_eq!(found[0].start, 1000);
        }
    }
}
