//! From findings to answers: merge, severity by speech and by what another microphone holds, cover, verdict.

use crate::detect::{Finding, TakeView};
use crate::report::model::{MicTimeline, NotJudged, Range, Speech, TakeType, Verdict};

pub mod corroborate;
pub mod cover;
pub mod day;
pub mod merge;
pub mod passages;
pub mod rank;
pub mod room_tone;
pub mod severity;
pub mod verdict;
pub mod windows;

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
    /// What the take is for.
    pub take_type: TakeType,
    /// Longest clean run of room tone per track, seconds; `None` for tracks that are no microphones.
    pub room_tone_s: Vec<Option<f64>>,
    /// Compact curves of what is said, to find the same words in other takes.
    pub curves: Vec<passages::Curve>,
    /// Tests that could not run.
    pub not_judged: Vec<NotJudged>,
}

/// Judge a take.
pub fn judge(view: &TakeView<'_>, findings: Vec<Finding>) -> Judged {
    let findings = merge::merge(findings, view.take.rate, view.take.samples);
    let mut findings = corroborate::corroborate(view, findings);
    let lines = cover::lines(view);
    severity::assign(view, &lines, &mut findings);
    merge::sort(&mut findings);
    let no_clean_mic = verdict::no_clean_mic(view, &lines, &findings);
    Judged {
        speech: verdict::speech(view, &lines, &findings),
        mic_timeline: verdict::mic_timeline(view, &lines, &findings),
        verdict: verdict::verdict(&findings, &no_clean_mic),
        take_type: windows::take_type(view.take, view.landmarks, view.speech),
        room_tone_s: room_tone::longest(view, &findings),
        curves: passages::curves(view, &findings, &lines),
        not_judged: verdict::not_judged(view),
        no_clean_mic,
        findings,
    }
}
