//! The table of detectors: one file, one row, one kind.
//!
//! A detector is a pure function from measurements to findings. It sees the whole take, because what the other tracks show
//! decides doubtful cases; it never sees samples, files or the clock.

use rayon::prelude::*;
use serde_json::{Map, Value};

use crate::compare::{Mix, PairMeasures, SpeechMap};
use crate::measure::{Grid, TrackMeasures};
use crate::report::model::{Landmark, Origin, Role, Severity, Window};
use crate::scan::lists::List;
use crate::settings::{Param, Settings};
use crate::take::{Take, Track};

pub mod day;
pub mod hearing;
pub mod labels;
pub mod pair;
pub mod take;
pub mod track;

/// Every detector, in the order of the contract's table of kinds.
pub static DETECTORS: &[&Detector] = &[
    &track::clipping::DETECTOR,
    &track::flat_top::DETECTOR,
    &track::true_peak_over::DETECTOR,
    &track::level_hot::DETECTOR,
    &track::level_low::DETECTOR,
    &track::noise_high::DETECTOR,
    &take::noise_change::DETECTOR,
    &track::hum::DETECTOR,
    &track::dc_offset::DETECTOR,
    &track::dropout::DETECTOR,
    &track::rf_hit::DETECTOR,
    &track::click::DETECTOR,
    &track::rumble::DETECTOR,
    &track::rustle::DETECTOR,
    &pair::muffled::DETECTOR,
    &track::dead_track::DETECTOR,
    &pair::duplicate_track::DETECTOR,
    &pair::polarity_inverted::DETECTOR,
    &pair::comb_filtering::DETECTOR,
    &pair::open_mic::DETECTOR,
    &track::gain_step::DETECTOR,
    &pair::off_mic::DETECTOR,
    &pair::late_track::DETECTOR,
    &pair::bleed::DETECTOR,
    &pair::post_fader::DETECTOR,
    &track::cut_short::DETECTOR,
    &take::metadata_missing::DETECTOR,
    &take::metadata_conflict::DETECTOR,
    &day::timecode_overlap::DETECTOR,
    &day::sample_rate_mismatch::DETECTOR,
    &day::frame_rate_mismatch::DETECTOR,
    &day::duplicate_take::DETECTOR,
    &take::truncated_file::DETECTOR,
    &day::missing_file::DETECTOR,
    &day::copy_mismatch::DETECTOR,
];

/// One row of the table.
pub struct Detector {
    /// The kind it reports; also its file's name and the prefix of its parameters.
    pub kind: &'static str,
    /// What `takeproof explain` prints.
    pub explain: Explain,
    /// Its thresholds.
    pub params: &'static [&'static Param],
    /// The function.
    pub run: Run,
}

/// What a detector looks at.
pub enum Run {
    /// Called once per track; the number is the track's position (0-based) in the view.
    Track(fn(&TakeView<'_>, usize) -> Vec<Finding>),
    /// Called once per take.
    Take(fn(&TakeView<'_>) -> Vec<Finding>),
    /// Called once for everything that was read.
    Day(fn(&DayView<'_>) -> Vec<Finding>),
    /// The first once per take, the second once for everything that was read.
    TakeAndDay(
        fn(&TakeView<'_>) -> Vec<Finding>,
        fn(&DayView<'_>) -> Vec<Finding>,
    ),
    /// Reported by another command (`copy_mismatch` by `verify`), described here.
    Elsewhere,
}

/// Documentation of a kind, for people.
pub struct Explain {
    /// What the finding means.
    pub means: &'static str,
    /// What it sounds like.
    pub sounds_like: &'static str,
    /// What usually causes it.
    pub usual_cause: &'static str,
    /// What to do now.
    pub do_now: &'static str,
    /// How it is measured.
    pub measured_by: &'static str,
    /// What it must not be taken for, and what is known to be missed.
    pub not_to_confuse: &'static str,
}

/// Everything known of one take when detectors run.
pub struct TakeView<'a> {
    /// Files, labels, tracks.
    pub take: &'a Take,
    /// The shared frame grid.
    pub grid: Grid,
    /// Measurements in the order of `take.tracks`.
    pub tracks: &'a [TrackMeasures],
    /// Who speaks when.
    pub speech: &'a SpeechMap,
    /// Delay, polarity and level between microphones.
    pub pairs: &'a [PairMeasures],
    /// Fader gains and ripple of the mix tracks.
    pub mixes: &'a [Mix],
    /// Slate claps, tone, timecode.
    pub landmarks: &'a [Landmark],
    /// Stretches to be judged.
    pub windows: &'a [Window],
    /// Thresholds.
    pub settings: &'a Settings,
    /// What several detectors ask, worked out once.
    pub known: hearing::Known,
}

impl TakeView<'_> {
    /// A track by position.
    pub fn track(&self, position: usize) -> &Track {
        &self.take.tracks[position]
    }

    /// Positions of the tracks that stand for one microphone each.
    pub fn microphones(&self) -> Vec<usize> {
        (0..self.take.tracks.len())
            .filter(|&i| self.take.tracks[i].is_microphone())
            .collect()
    }

    /// Positions of the tracks of one role.
    pub fn with_role(&self, role: Role) -> Vec<usize> {
        (0..self.take.tracks.len())
            .filter(|&i| self.take.tracks[i].role == role)
            .collect()
    }

    /// A finding on one track; the caller fills in what it knows.
    pub fn finding(&self, kind: &'static str, position: usize, start: u64, end: u64) -> Finding {
        Finding::new(kind, vec![self.take.tracks[position].index], start, end)
    }

    /// A finding on several tracks (positions).
    pub fn finding_on(
        &self,
        kind: &'static str,
        positions: &[usize],
        start: u64,
        end: u64,
    ) -> Finding {
        Finding::new(
            kind,
            positions
                .iter()
                .map(|&p| self.take.tracks[p].index)
                .collect(),
            start,
            end,
        )
    }
}

/// Everything read, when day detectors run.
pub struct DayView<'a> {
    /// Takes in report order.
    pub takes: &'a [Take],
    /// Ids of the takes, same order.
    pub ids: &'a [String],
    /// Tables beside the takes that name audio files.
    pub lists: &'a [List],
    /// Names of all audio files, takes or not.
    pub here: &'a [String],
    /// Thresholds.
    pub settings: &'a Settings,
}

/// A finding on its way from a detector to the report.
#[derive(Debug, Clone)]
pub struct Finding {
    /// Kind as in the table.
    pub kind: &'static str,
    /// Track indexes (1-based) that carry the fault; empty for findings of files and of the day.
    pub tracks: Vec<usize>,
    /// First sample.
    pub start: u64,
    /// One past the last sample.
    pub end: u64,
    /// What the detector proposes; the judge may lower it (windows, speech, origin) and says by what rule.
    pub severity: Severity,
    /// How sure, 0..1.
    pub confidence: f64,
    /// Where it comes from.
    pub origin: Origin,
    /// Numbers with units in their names.
    pub evidence: Map<String, Value>,
    /// One sentence with the number that matters.
    pub message: String,
    /// What to do now.
    pub advice: String,
    /// Take ids, for findings of the day.
    pub takes: Vec<String>,
    /// File names, for findings of files and of the day.
    pub files: Vec<String>,
}

impl Finding {
    /// A finding without words and numbers.
    pub fn new(kind: &'static str, tracks: Vec<usize>, start: u64, end: u64) -> Finding {
        Finding {
            kind,
            tracks,
            start,
            end,
            severity: Severity::Caution,
            confidence: 0.5,
            origin: Origin::Unknown,
            evidence: Map::new(),
            message: String::new(),
            advice: String::new(),
            takes: Vec::new(),
            files: Vec::new(),
        }
    }

    /// Set the severity.
    pub fn severity(mut self, severity: Severity) -> Finding {
        self.severity = severity;
        self
    }

    /// Set the confidence, held within 0..=0.99.
    pub fn confidence(mut self, confidence: f64) -> Finding {
        self.confidence = confidence.clamp(0.0, 0.99);
        self
    }

    /// Set the origin.
    pub fn origin(mut self, origin: Origin) -> Finding {
        self.origin = origin;
        self
    }

    /// Add a number, rounded to `digits` decimals; infinities and NaN become null.
    pub fn number(mut self, key: &str, value: f64, digits: i32) -> Finding {
        let value = crate::units::rounded(value, digits).map_or(Value::Null, Value::from);
        self.evidence.insert(key.to_owned(), value);
        self
    }

    /// Add a word, a list or a count.
    pub fn fact(mut self, key: &str, value: impl Into<Value>) -> Finding {
        self.evidence.insert(key.to_owned(), value.into());
        self
    }

    /// Set the sentence and the advice.
    pub fn says(mut self, message: impl Into<String>, advice: impl Into<String>) -> Finding {
        self.message = message.into();
        self.advice = advice.into();
        self
    }
}

/// The row of a kind.
pub fn detector(kind: &str) -> Option<&'static Detector> {
    DETECTORS.iter().copied().find(|d| d.kind == kind)
}

/// One call of a detector on a take.
#[derive(Clone, Copy)]
enum Call {
    Track(fn(&TakeView<'_>, usize) -> Vec<Finding>, usize),
    Take(fn(&TakeView<'_>) -> Vec<Finding>),
}

/// Run every detector of a take; findings in table order.
pub fn detect(view: &TakeView<'_>) -> Vec<Finding> {
    let mut calls = Vec::new();
    for detector in DETECTORS {
        match detector.run {
            Run::Track(run) => {
                calls.extend((0..view.take.tracks.len()).map(|i| Call::Track(run, i)));
            }
            Run::Take(run) | Run::TakeAndDay(run, _) => calls.push(Call::Take(run)),
            Run::Day(_) | Run::Elsewhere => {}
        }
    }
    let found: Vec<Vec<Finding>> = calls
        .into_par_iter()
        .map(|call| match call {
            Call::Track(run, track) => run(view, track),
            Call::Take(run) => run(view),
        })
        .collect();
    found.into_iter().flatten().collect()
}

/// Run every detector of the day, in table order.
pub fn detect_day(view: &DayView<'_>) -> Vec<Finding> {
    DETECTORS
        .iter()
        .filter_map(|d| {
            if let Run::Day(run) | Run::TakeAndDay(_, run) = d.run {
                Some(run(view))
            } else {
                None
            }
        })
        .flatten()
        .collect()
}
