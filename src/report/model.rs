//! The report contract, version 1: the only types that are written to `report.json`.
//!
//! Names are fixed within version 1; fields may be added. Levels of digital silence and values that could not be made are
//! `null`. Times are half-open. The JSON Schema is generated from these types.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What `check` writes to `report.json`.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Report {
    /// Always `takeproof-report/1`.
    pub schema: String,
    /// Who wrote this.
    pub tool: Tool,
    /// Every threshold in force: kind, then name, then value.
    pub settings: BTreeMap<String, BTreeMap<String, f64>>,
    /// Ordered by roll, start timecode, then path.
    pub takes: Vec<Take>,
    /// Files that could not be read at all.
    pub unreadable: Vec<Unreadable>,
    /// What lay beside the audio: listed, untouched.
    pub other_files: Vec<OtherFile>,
    /// What holds between takes.
    pub day: Day,
}

/// Name and version of the program.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Tool {
    /// `takeproof`.
    pub name: String,
    /// Version of the crate.
    pub version: String,
}

/// A file that could not be read at all.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Unreadable {
    /// Relative to the scanned root.
    pub path: String,
    /// One word or phrase: what kind of trouble.
    pub reason: String,
    /// The full story: chunk, byte offset, what was expected.
    pub detail: String,
}

/// A file that is not a take.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct OtherFile {
    /// Relative to the scanned root.
    pub path: String,
    /// Size.
    pub bytes: u64,
}

/// One recording, in one or several files.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Take {
    /// Stable, from the audio hashes.
    pub id: String,
    /// In the order in which their tracks are numbered.
    pub files: Vec<File>,
    /// Scene with setup letter.
    pub scene: Option<String>,
    /// Take number as written.
    pub take: Option<String>,
    /// Sound roll.
    pub roll: Option<String>,
    /// Marked as selected on set.
    pub circled: Option<bool>,
    /// The mixer's remark.
    pub note: Option<String>,
    /// Label of the first sample; clock time with milliseconds where the file gives no frame rate.
    pub start_timecode: Option<String>,
    /// Samples since midnight of the first sample, at `sample_rate`: the file's time stamp.
    pub time_reference_samples: Option<u64>,
    /// Exact fraction.
    pub frame_rate: Option<String>,
    /// Whether labels are dropped.
    pub drop_frame: Option<bool>,
    /// Hz, as stored.
    pub sample_rate: u32,
    /// Valid bits per sample.
    pub bit_depth: u16,
    /// `int` or `float`.
    pub sample_format: SampleFormat,
    /// Length in samples per track.
    pub samples: u64,
    /// Length.
    pub duration_s: f64,
    /// 1-based, interleave order, then file-set order.
    pub tracks: Vec<Track>,
    /// Two microphones of this take.
    pub pairs: Vec<Pair>,
    /// Slate claps, line-up tone and the like.
    pub landmarks: Vec<Landmark>,
    /// What the take is for.
    pub take_type: TakeType,
    /// Marked as no good on set.
    pub no_good: Option<bool>,
    /// Stretches between slate and cut.
    pub windows: Vec<Window>,
    /// Who speaks when, and which track holds it.
    pub speech: Vec<Speech>,
    /// Ordered by start, then track, then kind.
    pub findings: Vec<Finding>,
    /// Tests that could not run here.
    pub not_judged: Vec<NotJudged>,
    /// Clean, faulty, silent or off-mic, per track.
    pub mic_timeline: Vec<MicTimeline>,
    /// Other takes of this setup that hold the line.
    pub alternates: Vec<Alternate>,
    /// Fader gains of isolated tracks in the mix; `null` where the mix is not a plain sum.
    pub faders: Option<Vec<Fader>>,
    /// The answer in one word.
    pub verdict: Verdict,
    /// Where no microphone is clean over speech.
    pub no_clean_mic: Vec<Range>,
    /// What is said, as curves that only serve to find the same words in other takes; never written.
    #[serde(skip)]
    #[schemars(skip)]
    pub curves: Vec<crate::judge::passages::Curve>,
}

/// One file of a take.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct File {
    /// Relative to the scanned root, `/` as separator.
    pub path: String,
    /// Size.
    pub bytes: u64,
    /// `wave`, `rf64`, `bw64`, `flac`, `aiff`, …
    pub container: String,
    /// Of the whole file.
    pub hash: Hash,
    /// Of the audio bytes as stored, whole sample frames only.
    pub audio_hash: Hash,
    /// What is wrong with the container.
    pub problems: Vec<Problem>,
}

/// A hash in canonical hexadecimal.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Hash {
    /// XXH128, seed 0, 32 lower-case digits.
    pub xxh128: String,
}

/// Something wrong with a file's structure.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Problem {
    /// `size_mismatch`, `truncated`, `unfinished`, `missing_pad`, …
    pub code: String,
    /// Chunk identifier.
    pub chunk: String,
    /// Byte offset in the file.
    pub offset: u64,
    /// What was found, what was expected, what happens now.
    pub detail: String,
}

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SampleFormat {
    /// Integer PCM.
    Int,
    /// IEEE floating point.
    Float,
}

/// What a take is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "trade terms that explain themselves")]
pub enum TakeType {
    Dialogue,
    WildLine,
    WildSound,
    RoomTone,
    FalseStart,
    Tone,
    Unknown,
}

/// One track of a take.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Track {
    /// 1-based.
    pub index: usize,
    /// As in the metadata.
    pub name: Option<String>,
    /// What it carries.
    pub role: Role,
    /// How the role was learnt.
    pub role_source: RoleSource,
    /// Over a radio link.
    pub wireless: Option<bool>,
    /// Whose microphone it is.
    pub talker: Option<String>,
    /// Longest clean run of room tone on this microphone, seconds; `null` for other tracks.
    #[serde(default)]
    pub room_tone_s: Option<f64>,
    /// Numbers.
    pub measurements: Measurements,
}

/// What a track carries.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "trade terms that explain themselves")]
pub enum Role {
    Mix,
    Boom,
    Lav,
    Plant,
    Timecode,
    Tone,
    Unused,
    Unknown,
}

/// How a role was learnt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RoleSource {
    /// Track name or function in the file.
    Metadata,
    /// What the track sounds like.
    Signal,
    /// `--roles` or the settings file.
    User,
}

/// Measurements of one track.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
pub struct Measurements {
    /// Largest sample.
    pub sample_peak_dbfs: Option<f64>,
    /// Reconstructed peak, ITU-R BS.1770 annex 2.
    pub true_peak_dbtp: Option<f64>,
    /// Samples in runs at the rail.
    pub clipped_samples: u64,
    /// Longest such run.
    pub longest_clip_samples: u64,
    /// One channel of weight 1 per track.
    pub loudness_lufs: Option<f64>,
    /// EBU Tech 3342.
    pub loudness_range_lu: Option<f64>,
    /// Active level of the speech this track is there for.
    pub speech_level_dbfs: Option<f64>,
    /// Share of time with that speech, 0..1.
    pub speech_share: Option<f64>,
    /// Background, 20 Hz up.
    pub noise_floor_dbfs: Option<f64>,
    /// Background, A-weighted.
    pub noise_floor_dba: Option<f64>,
    /// Background per octave band; keys are nominal centre frequencies in Hz.
    pub noise_octaves_dbfs: BTreeMap<String, Option<f64>>,
    /// Speech level over background.
    pub snr_db: Option<f64>,
    /// Median of the one-second means, full scale 1.
    pub dc_offset: Option<f64>,
    /// Base frequency of a mains series or the frequency of a steady tone.
    pub hum_hz: Option<f64>,
    /// Highest frequency that carries signal.
    pub bandwidth_hz: Option<f64>,
}

/// Two microphones of one take.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Pair {
    /// Track index.
    pub a: usize,
    /// Track index, larger than `a`.
    pub b: usize,
    /// Positive: b later than a. Median over the segments that allow a measurement; null where somebody changed places, so that
    /// no one delay stands for them all.
    pub delay_ms: Option<f64>,
    /// Spread of the segments' delays: half the distance between the 16th and 84th percentile.
    pub delay_spread_ms: Option<f64>,
    /// Magnitude-squared coherence over 500 Hz to 3 kHz, 0..1.
    pub coherence: Option<f64>,
    /// b minus a.
    pub level_difference_db: Option<f64>,
    /// Sign of b against a.
    pub polarity: Polarity,
    /// 0..1.
    pub polarity_confidence: Option<f64>,
    /// Stretch by stretch.
    pub segments: Vec<PairSegment>,
    /// First null of the plain sum of the two.
    pub summed_first_null_hz: Option<f64>,
    /// Peak to null of the plain sum.
    pub summed_ripple_db: Option<f64>,
    /// Whether the delay stands still (equipment) or moves (geometry).
    pub delay_kind: Option<DelayKind>,
    /// Shift of b that lines it up with a, where the delay is constant.
    pub nudge_samples: Option<i64>,
}

impl Pair {
    /// From which to which delay the segments of a moving pair go, ms; `None` where it stands still or nothing is known.
    pub fn moves_ms(&self) -> Option<(f64, f64)> {
        let delays = self.segments.iter().filter_map(|s| s.delay_ms);
        let moving = self.delay_kind == Some(DelayKind::Moving);
        let low = delays.clone().reduce(f64::min).filter(|_| moving)?;
        Some((low, delays.fold(low, f64::max)))
    }
}

/// Where a delay comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DelayKind {
    /// Stands still for whoever speaks: equipment, or one person who keeps still.
    Constant,
    /// Follows the people: geometry.
    Moving,
}

/// Sign of one track against another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "the words say it")]
pub enum Polarity {
    Same,
    Inverted,
    Unclear,
}

/// A stretch of a pair.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "as in Pair")]
pub struct PairSegment {
    pub start_s: f64,
    pub end_s: f64,
    pub delay_ms: Option<f64>,
    pub coherence: Option<f64>,
    pub polarity: Polarity,
    pub level_difference_db: Option<f64>,
}

/// Something in the take that is no fault and helps to find one's way.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "the names say it")]
pub struct Landmark {
    /// `slate_clap`, `lineup_tone`, `timecode`.
    pub kind: String,
    pub start_s: f64,
    pub end_s: f64,
    pub tracks: Vec<usize>,
}

/// A stretch to be judged.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "the names say it")]
pub struct Window {
    pub start_s: f64,
    pub end_s: f64,
    pub reason: String,
    pub certain: bool,
}

/// A stretch of speech.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Speech {
    /// Start.
    pub start_s: f64,
    /// End.
    pub end_s: f64,
    /// Name of the wearer of the body microphone that leads; `null` where that cannot be said.
    pub talker: Option<String>,
    /// The microphone to use.
    pub best_track: Option<usize>,
    /// Why that one.
    pub best_reason: String,
    /// Microphones that hear it usefully and are clean for the whole stretch.
    pub clean_tracks: Vec<usize>,
    /// Microphones that hear it usefully, clean or not.
    pub heard_on: Vec<usize>,
    /// Active level on the talker's own microphone.
    pub level_dbfs: Option<f64>,
    /// `whisper`, `normal` or `shout`; a tag, never a fault.
    pub effort: Option<String>,
}

/// One fault, with the numbers it rests on.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Stable for the same take, kind, track and start.
    pub id: String,
    /// Kind as in the contract's table.
    pub kind: String,
    /// What it means for the work.
    pub severity: Severity,
    /// How sure, 0..1.
    pub confidence: f64,
    /// Where it comes from.
    pub origin: Origin,
    /// Tracks that carry the fault.
    #[serde(default)]
    pub tracks: Vec<usize>,
    /// Takes concerned; only in findings of the day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub takes: Option<Vec<String>>,
    /// Files concerned; only in findings of the day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub files: Option<Vec<String>>,
    /// First sample.
    pub start_sample: Option<u64>,
    /// One past the last sample.
    pub end_sample: Option<u64>,
    /// Start.
    pub start_s: Option<f64>,
    /// End.
    pub end_s: Option<f64>,
    /// Label of the start.
    pub start_tc: Option<String>,
    /// Label of the end.
    pub end_tc: Option<String>,
    /// Numbers the decision rests on, unit in each name.
    pub evidence: serde_json::Map<String, serde_json::Value>,
    /// One plain sentence with the number that matters.
    pub message: String,
    /// What to do now.
    pub advice: String,
}

/// What a finding means for the work.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// For the log.
    Note,
    /// Tell post.
    Caution,
    /// On a line.
    Fault,
}

/// Where a fault comes from.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "the words say it")]
pub enum Origin {
    Place,
    ThisMic,
    Radio,
    Mix,
    Recorder,
    File,
    Unknown,
}

/// A test that could not run.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "the names say it")]
pub struct NotJudged {
    pub kind: String,
    pub tracks: Vec<usize>,
    pub why: String,
}

/// States of one microphone over the take.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "the names say it")]
pub struct MicTimeline {
    pub track: usize,
    pub stretches: Vec<MicStretch>,
}

/// A stretch of one state.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "the names say it")]
pub struct MicStretch {
    pub start_s: f64,
    pub end_s: f64,
    pub state: MicState,
}

/// State of a microphone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "the words say it")]
pub enum MicState {
    Clean,
    Faulty,
    Silent,
    OffMic,
}

/// Another take of the setup.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Alternate {
    /// Take id.
    pub take: String,
    /// Whether it is clean (throughout, or over the passage given).
    pub clean: bool,
    /// Start of the same passage there, where the speech could be lined up.
    pub start_s: Option<f64>,
    /// End of that passage.
    pub end_s: Option<f64>,
}

/// Gain of one isolated track in one mix track over time.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Fader {
    /// Isolated track.
    pub track: usize,
    /// Mix track.
    pub mix_track: usize,
    /// Values a second.
    pub hz: u32,
    /// dB; `null` where the track is too quiet to tell.
    pub gain_db: Vec<Option<f64>>,
}

/// The answer for a take.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// No finding of severity fault.
    NothingFound,
    /// Faults, but another microphone is clean.
    OtherMic,
    /// Somewhere on a line no microphone is clean.
    NoCleanMic,
}

/// A time range.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "the names say it")]
pub struct Range {
    pub start_s: f64,
    pub end_s: f64,
    pub start_tc: Option<String>,
}

/// What holds between takes.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
pub struct Day {
    /// Counts.
    pub totals: Totals,
    /// Files, labels, slow faults: with `takes` and `files` in place of `tracks`.
    pub findings: Vec<Finding>,
    /// Takes grouped by scene and setup.
    pub setups: Vec<Setup>,
    /// Each track over the day.
    pub trends: Vec<Trend>,
}

/// Counts of the day.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "the names say it")]
pub struct Totals {
    pub takes: u64,
    pub files: u64,
    pub bytes: u64,
    pub duration_s: f64,
    pub track_hours: f64,
    pub unreadable: u64,
    pub other_files: u64,
    pub faults: u64,
    pub cautions: u64,
    pub notes: u64,
    pub nothing_found: u64,
    pub other_mic: u64,
    pub no_clean_mic: u64,
}

/// One scene and setup.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct Setup {
    /// Scene number.
    pub scene: String,
    /// Setup letter; empty for the master.
    pub setup: String,
    /// Take ids.
    pub takes: Vec<String>,
    /// Take ids with a clean microphone for every line.
    pub clean_takes: Vec<String>,
    /// Longest clean run of room tone per track name, seconds.
    pub room_tone_s: BTreeMap<String, f64>,
}

/// One track name over the day.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "the names say it")]
pub struct Trend {
    pub track_name: String,
    pub points: Vec<TrendPoint>,
}

/// One take of a trend.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[expect(missing_docs, reason = "the names say it")]
pub struct TrendPoint {
    pub take: String,
    pub noise_floor_dbfs: Option<f64>,
    pub bandwidth_hz: Option<f64>,
    pub hits_per_min: Option<f64>,
}
