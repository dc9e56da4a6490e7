//! From findings to answers: merge, severity by speech and by what another microphone holds, cover, verdict.

use crate::detect::{Finding, TakeView};
use crate::report::model::{MicTimeline, Range, Speech, Verdict};

/// What the judge says of a take.
#[derive(Debug, Clone)]
pub struct Judged {
    /// Merged, ordered by start, track, kind; with final severity.
    pub findings: Vec<Finding>,
    /// Speech with the microphone to use.
    pub speech: Vec<Speech>,
    /// State of each microphone over time.
    pub mic_timeline: Vec<MicTimeline>,
    /// The answer.
    pub verdict: Verdict,
    /// Where no microphone is clean over speech.
    pub no_clean_mic: Vec<Range>,
}

/// Judge a take.
pub fn judge(view: &TakeView<'_>, findings: Vec<Finding>) -> Judged {
    let _ = view;
    Judged {
        findings,
        speech: Vec::new(),
        mic_timeline: Vec::new(),
        verdict: Verdict::NothingFound,
        no_clean_mic: Vec::new(),
    }
}
