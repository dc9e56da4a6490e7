//! From findings to answers: merge, severity by speech and by what another microphone holds, cover, verdict.

pub mod rank;

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
    let speech = crude_speech(view);
    Judged {
        findings,
        speech,
        mic_timeline: Vec::new(),
        verdict: Verdict::NothingFound,
        no_clean_mic: Vec::new(),
    }
}

fn crude_speech(view: &TakeView<'_>) -> Vec<Speech> {
    let boom = view
        .with_role(crate::report::model::Role::Boom)
        .first()
        .copied();
    view.speech
        .stretches
        .iter()
        .map(|s| Speech {
            start_s: view.grid.time_s(s.start),
            end_s: view.grid.time_s(s.end),
            talker: s.talker.map(|t| view.speech.talkers[t].name.clone()),
            best_track: s
                .talker
                .map(|t| view.speech.talkers[t].tracks[0])
                .or(boom)
                .map(|p| p + 1),
            best_reason: String::new(),
            clean_tracks: vec![],
            heard_on: vec![],
            level_dbfs: None,
            effort: None,
        })
        .collect()
}
