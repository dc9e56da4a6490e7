//! Numbers per track, measured while the samples stream by: one meter a file, one shared frame grid.
//!
//! A meter takes blocks of any length and gives the same numbers whatever the block length. Nothing here knows settings,
//! roles or other tracks; nothing here keeps samples: what grows with the take are frame measurements and event lists.

pub mod bandwidth;
pub mod fine;
pub mod floor;
pub mod frames;
pub mod levels;
pub mod lines;
pub mod loudness;
pub mod low;
pub mod ltc;
pub mod rails;
pub mod runs;
pub mod speech_level;
pub mod tops;
pub mod transients;
pub mod true_peak;

use crate::dsp::decimate::Decimator;
use crate::report::model::SampleFormat;

pub use fine::Fine;
pub use floor::Floor;
pub use frames::{BANDS, Frames, Grid};
pub use levels::Levels;
pub use lines::Lines;
pub use loudness::Loudness;
pub use low::Low;
pub use rails::Rails;
pub use runs::Runs;
pub use speech_level::ActiveLevel;
pub use tops::Tops;
pub use transients::Transient;
pub use true_peak::TruePeak;

/// What a meter needs to know before the first sample.
#[derive(Debug, Clone, Copy)]
pub struct Signal {
    /// Hz.
    pub rate: u32,
    /// Valid bits.
    pub bits: u16,
    /// Integer or float.
    pub format: SampleFormat,
}

/// A stretch of one track.
#[derive(Debug, Clone, Copy)]
pub struct Chunk<'a> {
    /// First sample within the take.
    pub start: u64,
    /// Samples, full scale 1.0, finite.
    pub x: &'a [f32],
    /// Integer codes at the valid bit depth; empty for float files.
    pub codes: &'a [i32],
}

/// All measurements of one track.
#[derive(Debug, Clone)]
pub struct TrackMeasures {
    /// Per frame: level, peak, bands, harmonicity.
    pub frames: Frames,
    /// Background, derived from the frames.
    pub floor: Floor,
    /// Runs of equal samples and exact repeats.
    pub runs: Runs,
    /// Two bands every millisecond.
    pub fine: Fine,
    /// Places that prediction misses.
    pub transients: Vec<Transient>,
    /// Levels below the voice, per frame.
    pub low: Low,
    /// Steady lines: long spectra, peaks only.
    pub lines: Lines,
    /// Timecode recorded as audio.
    pub ltc: Option<ltc::Ltc>,
    /// Sample peak and offset.
    pub levels: Levels,
    /// Equal samples on wave tops, by value.
    pub rails: Rails,
    /// Shapes of the loudest wave tops.
    pub tops: Tops,
    /// Reconstructed peak.
    pub true_peak: TruePeak,
    /// K-weighted power.
    pub loudness: Loudness,
    /// Active level of any set of frames (P.56).
    pub active: ActiveLevel,
    /// Samples that were NaN or infinite; counted as silence.
    pub nonfinite_samples: u64,
}

/// All meters of one track.
#[derive(Debug)]
pub struct TrackMeter {
    frames: frames::FramesMeter,
    ltc: ltc::LtcMeter,
    runs: runs::RunsMeter,
    fine: fine::FineMeter,
    transients: transients::TransientsMeter,
    decimator: Decimator,
    copy: Vec<f32>,
    low: low::LowMeter,
    lines: lines::LinesMeter,
    levels: levels::LevelsMeter,
    rails: rails::RailsMeter,
    tops: tops::TopsMeter,
    true_peak: true_peak::TruePeakMeter,
    loudness: loudness::LoudnessMeter,
    active: speech_level::ActiveLevelMeter,
}

impl TrackMeter {
    /// Meters at rest.
    pub fn new(signal: Signal) -> TrackMeter {
        let decimator = Decimator::new(signal.rate);
        TrackMeter {
            frames: frames::FramesMeter::new(signal.rate),
            ltc: ltc::LtcMeter::new(signal.rate),
            runs: runs::RunsMeter::new(signal.rate),
            fine: fine::FineMeter::new(signal.rate),
            transients: transients::TransientsMeter::new(signal.rate),
            low: low::LowMeter::new(signal.rate, decimator.factor(), frames::hop(signal.rate)),
            lines: lines::LinesMeter::new(signal.rate, decimator.factor()),
            decimator,
            copy: Vec::new(),
            levels: levels::LevelsMeter::new(signal.rate),
            rails: rails::RailsMeter::new(signal.bits, signal.format),
            tops: tops::TopsMeter::new(signal.rate),
            true_peak: true_peak::TruePeakMeter::new(signal.rate),
            loudness: loudness::LoudnessMeter::new(signal.rate),
            active: speech_level::ActiveLevelMeter::new(signal.rate, frames::hop(signal.rate)),
        }
    }

    /// Take in the next samples.
    pub fn push(&mut self, chunk: Chunk<'_>) {
        self.frames.push(chunk.x);
        self.ltc.push(chunk.x);
        self.runs.push(chunk.x);
        self.fine.push(chunk.x);
        self.transients.push(chunk.x);
        self.copy.clear();
        self.decimator.push(chunk.x, &mut self.copy);
        self.low.push(&self.copy);
        self.lines.push(chunk.x, &self.copy);
        self.levels.push(chunk.x);
        self.rails.push(chunk.x, chunk.codes);
        self.tops.push(chunk.x);
        self.true_peak.push(chunk.x);
        self.loudness.push(chunk.x);
        self.active.push(chunk.x);
    }

    /// Everything measured.
    pub fn finish(mut self, nonfinite_samples: u64) -> TrackMeasures {
        self.copy.clear();
        self.decimator.finish(&mut self.copy);
        self.low.push(&self.copy);
        self.lines.push(&[], &self.copy);
        let frames = self.frames.finish();
        let floor = Floor::of(&frames);
        TrackMeasures {
            low: self.low.finish(frames.grid.frames),
            lines: self.lines.finish(),
            frames,
            floor,
            runs: self.runs.finish(),
            fine: self.fine.finish(),
            transients: self.transients.finish(),
            ltc: self.ltc.finish(),
            levels: self.levels.finish(),
            rails: self.rails.finish(),
            tops: self.tops.finish(),
            true_peak: self.true_peak.finish(),
            loudness: self.loudness.finish(),
            active: self.active.finish(),
            nonfinite_samples,
        }
    }
}
