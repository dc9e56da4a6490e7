//! Containers: where the audio of a file lies, what the file says about itself, and what is wrong with it.
//!
//! Reading never gives up half way: [`open`] returns what there is plus the problems met, and an error only where nothing
//! can be analysed.

use std::path::{Path, PathBuf};

pub mod aiff;
pub mod bext;
pub mod flac;
pub mod ixml;
pub mod riff;
pub mod source;

use serde::{Deserialize, Serialize, Serializer};

use crate::report::model::{Problem, SampleFormat};

/// Kind of container.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[expect(missing_docs, reason = "format names")]
pub enum Container {
    Wave,
    Rf64,
    Bw64,
    Flac,
    Aiff,
}

impl Container {
    /// The word in the report.
    pub fn name(self) -> &'static str {
        match self {
            Container::Wave => "wave",
            Container::Rf64 => "rf64",
            Container::Bw64 => "bw64",
            Container::Flac => "flac",
            Container::Aiff => "aiff",
        }
    }
}

/// What a file holds.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Header {
    /// Kind of container.
    pub container: Container,
    /// Number of interleaved channels, 1..=64 and more.
    pub channels: u16,
    /// Samples per second as stored.
    pub rate: u32,
    /// Valid bits per sample.
    pub bits: u16,
    /// Bytes one sample takes in the file.
    pub sample_bytes: u16,
    /// Integer or float.
    pub format: SampleFormat,
    /// How the samples are stored.
    pub encoding: Encoding,
    /// Whole sample frames that are there.
    pub frames: u64,
    /// Byte offset of the first byte of audio.
    pub data_offset: u64,
    /// Size of the file.
    pub bytes: u64,
    /// What the file is made of, in file order.
    pub chunks: Vec<Chunk>,
    /// Broadcast extension.
    pub bext: Option<Bext>,
    /// iXML.
    pub ixml: Option<Ixml>,
}

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Encoding {
    /// Interleaved samples of [`Header::sample_bytes`] each.
    Pcm(Pcm),
    /// FLAC frames.
    Flac,
}

/// Byte order and alignment of uncompressed samples.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pcm {
    /// Most significant byte first (AIFF).
    pub big_endian: bool,
    /// Offset binary (8-bit WAVE).
    pub unsigned: bool,
    /// Valid bits in the low bits of the container; else in the high bits, as the formats ask.
    pub right_justified: bool,
}

/// One chunk of a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Chunk {
    /// Identifier, as text.
    pub id: String,
    /// Where its identifier stands.
    pub offset: u64,
    /// Bytes of content that are there.
    pub bytes: u64,
}

/// Broadcast extension chunk, EBU Tech 3285.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[expect(missing_docs, reason = "field names of the standard")]
pub struct Bext {
    pub description: String,
    pub originator: String,
    pub originator_reference: String,
    pub origination_date: String,
    pub origination_time: String,
    pub time_reference: u64,
    pub version: u16,
    /// 128 hexadecimal digits; `None` where it is all zero.
    pub umid: Option<String>,
    pub loudness: Option<BextLoudness>,
    pub coding_history: String,
}

/// Loudness fields of a version 2 bext chunk; `None` where a field is marked as unused.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[expect(missing_docs, reason = "field names of the standard, with units")]
pub struct BextLoudness {
    pub loudness_lufs: Option<f64>,
    pub range_lu: Option<f64>,
    pub max_true_peak_dbtp: Option<f64>,
    pub max_momentary_lufs: Option<f64>,
    pub max_short_term_lufs: Option<f64>,
}

/// What production files say in their iXML chunk. Every element is optional.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[expect(missing_docs, reason = "element names of the specification")]
pub struct Ixml {
    pub project: Option<String>,
    pub scene: Option<String>,
    pub take: Option<String>,
    pub tape: Option<String>,
    pub note: Option<String>,
    pub circled: Option<bool>,
    pub no_good: Option<bool>,
    pub false_start: Option<bool>,
    pub wild_track: Option<bool>,
    pub take_type: Vec<String>,
    pub file_uid: Option<String>,
    pub ubits: Option<String>,
    /// As written, for example `24000/1001`.
    pub timecode_rate: Option<String>,
    pub timecode_flag: Option<String>,
    pub master_speed: Option<String>,
    pub current_speed: Option<String>,
    pub file_sample_rate: Option<u32>,
    pub digitizer_sample_rate: Option<u32>,
    pub audio_bit_depth: Option<u16>,
    pub timestamp_samples: Option<u64>,
    pub timestamp_sample_rate: Option<u32>,
    pub family_uid: Option<String>,
    pub family_name: Option<String>,
    pub total_files: Option<u32>,
    pub file_set_index: Option<String>,
    pub original_filename: Option<String>,
    pub track_count: Option<u32>,
    pub tracks: Vec<IxmlTrack>,
}

/// One row of the track list.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[expect(missing_docs, reason = "element names of the specification")]
pub struct IxmlTrack {
    pub channel_index: Option<u32>,
    pub interleave_index: Option<u32>,
    pub name: String,
    pub function: String,
}

/// A file whose header has been read.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Opened {
    /// Where it is.
    #[serde(serialize_with = "as_text")]
    pub path: PathBuf,
    /// What it holds.
    pub header: Header,
    /// What is wrong with it.
    pub problems: Vec<Problem>,
}

/// A path as text: a name that is no UTF-8 can be kept in a file of text only with replacement characters.
fn as_text<S: Serializer>(path: &Path, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&path.to_string_lossy())
}

/// Why nothing of a file can be analysed.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// The bytes contradict the format.
    #[error("{path}: malformed {chunk} at byte {offset}: {what}")]
    Malformed {
        /// File.
        path: String,
        /// Chunk or block.
        chunk: String,
        /// Byte offset.
        offset: u64,
        /// What was found and what was expected.
        what: String,
    },
    /// A valid file that takeproof cannot analyse.
    #[error("{path}: unsupported: {what} ({chunk} at byte {offset})")]
    Unsupported {
        /// File.
        path: String,
        /// Chunk or block.
        chunk: String,
        /// Byte offset.
        offset: u64,
        /// What it is.
        what: String,
    },
    /// A size beyond what is sensible.
    #[error("{path}: {what} ({chunk} at byte {offset})")]
    Limit {
        /// File.
        path: String,
        /// Chunk or block.
        chunk: String,
        /// Byte offset.
        offset: u64,
        /// Which limit.
        what: String,
    },
    /// The system could not read.
    #[error("{path}: cannot be read: {source}")]
    Io {
        /// File.
        path: String,
        /// The system's reason.
        source: std::io::Error,
    },
}

impl ReadError {
    /// One word for the report's `unreadable` list.
    pub fn reason(&self) -> &'static str {
        match self {
            ReadError::Malformed { .. } => "malformed",
            ReadError::Unsupported { .. } => "unsupported",
            ReadError::Limit { .. } => "limit reached",
            ReadError::Io { .. } => crate::scan::CLOSED,
        }
    }

    /// The story without the path on this machine, for the report.
    pub fn story(&self) -> String {
        match self {
            ReadError::Malformed {
                chunk,
                offset,
                what,
                ..
            } => format!("{chunk} at byte {offset}: {what}"),
            ReadError::Unsupported {
                chunk,
                offset,
                what,
                ..
            } => format!("{what} ({chunk} at byte {offset})"),
            ReadError::Limit {
                chunk,
                offset,
                what,
                ..
            } => format!("{what} ({chunk} at byte {offset})"),
            ReadError::Io { source, .. } => source.to_string(),
        }
    }
}

/// Read the header of an audio file. What it is, is told by its first bytes, not by its name.
pub fn open(path: &Path) -> Result<Opened, ReadError> {
    let source = source::Source::open(path)?;
    let head = source.bytes(0, 4)?;
    let (header, problems) = match head.as_slice() {
        b"fLaC" => flac::read(&source)?,
        b"FORM" => aiff::read(&source)?,
        [b'I', b'D', b'3', _] => flac::read(&source)?,
        b"riff" => return Err(source.unsupported("riff", 0, "Wave64")),
        b"caff" => return Err(source.unsupported("caff", 0, "CAF")),
        b"RIFX" => return Err(source.unsupported("RIFX", 0, "big-endian RIFF")),
        _ => riff::read(&source)?,
    };
    Ok(Opened {
        path: path.to_owned(),
        header,
        problems,
    })
}
