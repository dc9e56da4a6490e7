//! Takes: which files belong together, what the tracks are, where on the clock they lie.

use serde::{Deserialize, Serialize};

use crate::container::Opened;
use crate::measure::Signal;
use crate::report::model::{Hash, Role, RoleSource, SampleFormat};

pub mod assemble;
pub mod ids;
pub mod roles;
pub mod slate;
pub mod timecode;

/// One file of a take with its place in the report.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct TakeFile {
    /// Path relative to the scanned root, `/` as separator.
    pub name: String,
    /// Header and problems.
    pub opened: Opened,
    /// First sample of this file within the take (0 unless the take is split in time).
    pub first_sample: u64,
    /// Position of this file's first track in [`Take::tracks`].
    pub first_track: usize,
    /// Hash of the whole file; set after decoding.
    pub hash: Option<Hash>,
    /// Hash of the audio bytes; set after decoding.
    pub audio_hash: Option<Hash>,
}

/// One recording.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Take {
    /// In track order, then time order.
    pub files: Vec<TakeFile>,
    /// Scene with setup letter.
    pub scene: Option<String>,
    /// Take number as written.
    pub number: Option<String>,
    /// Sound roll.
    pub roll: Option<String>,
    /// Marked as selected.
    pub circled: Option<bool>,
    /// The mixer's remark.
    pub note: Option<String>,
    /// Marked as no good.
    pub no_good: Option<bool>,
    /// Marked as a false start.
    pub false_start: Option<bool>,
    /// Marked as wild.
    pub wild: Option<bool>,
    /// Clock of the first sample.
    pub clock: timecode::Clock,
    /// Start according to a timecode track, samples since midnight at [`Take::rate`]; `None` where none was read.
    pub ltc_start: Option<u64>,
    /// Hz.
    pub rate: u32,
    /// Valid bits.
    pub bits: u16,
    /// Integer or float.
    pub format: SampleFormat,
    /// Samples per track.
    pub samples: u64,
    /// Tracks in report order; `tracks[i].index == i + 1`.
    pub tracks: Vec<Track>,
    /// Findings about the set of files made while joining (missing members, gaps at joins); become findings of the take.
    pub set_problems: Vec<SetProblem>,
}

impl Take {
    /// Length in seconds.
    pub fn duration_s(&self) -> f64 {
        crate::units::seconds(self.samples, self.rate)
    }

    /// How the samples are stored, for the meters.
    pub fn signal(&self) -> Signal {
        Signal {
            rate: self.rate,
            bits: self.bits,
            format: self.format,
        }
    }
}

/// What is wrong with a set of files.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum SetProblem {
    /// Members named by the set that are not here.
    MissingMembers {
        /// How many the set has.
        total: u32,
        /// How many are here.
        present: u32,
        /// Names of the missing ones, where the names of the others tell.
        names: Vec<String>,
    },
    /// Samples lost (positive) or doubled (negative) where one file follows another.
    SplitGap {
        /// Position in the take.
        at_sample: u64,
        /// Samples missing.
        gap_samples: i64,
    },
}

/// One track.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Track {
    /// 1-based.
    pub index: usize,
    /// As in the metadata.
    pub name: Option<String>,
    /// What it carries.
    pub role: Role,
    /// How that was learnt.
    pub role_source: RoleSource,
    /// Over a radio link, where known.
    pub wireless: Option<bool>,
    /// Whose body microphone it is: its name without marks such as "spare"; two tracks of one talker share it.
    pub talker: Option<String>,
}

impl Track {
    /// Name for sentences: the metadata's name, else "track n".
    pub fn label(&self) -> String {
        match &self.name {
            Some(name) if !name.trim().is_empty() => name.trim().to_owned(),
            _ => format!("track {}", self.index),
        }
    }

    /// Whether there may be sound to judge on it: no timecode, no tone, in use.
    pub fn carries_sound(&self) -> bool {
        !matches!(self.role, Role::Timecode | Role::Tone | Role::Unused)
    }

    /// Boom, plant or body microphone: a track that stands for one microphone.
    pub fn is_microphone(&self) -> bool {
        matches!(self.role, Role::Boom | Role::Lav | Role::Plant)
    }
}
