//! Numbers per track, measured while the samples stream by: one meter a file, one shared frame grid.
//!
//! A meter takes blocks of any length and gives the same numbers whatever the block length. Nothing here knows settings,
//! roles or other tracks; nothing here keeps samples: what grows with the take are frame measurements and event lists.

pub mod bandwidth;
pub mod fine;
pub mod floor;
pub mod frames;
pub mod integrals;
pub mod levels;
pub mod lines;
pub mod loudness;
pub mod low;
pub mod ltc;
pub mod past;
pub mod rails;
pub mod runs;
pub mod speech_level;
pub mod tiles;
pub mod tops;
pub mod transients;
pub mod true_peak;
pub mod wraps;

use pulp::Simd;

use crate::aside::{Aside, Series};
use crate::dsp::biquad::{InStep, in_step};
use crate::dsp::compact::Code;
use crate::dsp::decimate::Decimator;
use crate::report::model::SampleFormat;
use past::{Past, Reach};
use runs::RunsMeter;
use tops::TopsMeter;
use transients::TransientsMeter;

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
pub use tiles::Tiles;
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

impl Signal {
    /// Whether integer codes have more bits than a sample of single precision keeps: two codes may then be one sample.
    pub fn codes_apart(self) -> bool {
        self.format == SampleFormat::Int && u32::from(self.bits) > f32::MANTISSA_DIGITS
    }
}

/// A stretch of one track.
#[derive(Debug, Clone, Copy)]
pub struct Chunk<'a> {
    /// First sample within the take.
    pub start: u64,
    /// Samples, full scale 1.0, finite.
    pub x: &'a [f32],
    /// Integer codes at the valid bit depth where samples cannot hold them (see [`Signal::codes_apart`]); else empty.
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
    /// Stretches that overflowed and came in at the other end of the range.
    pub wraps: Vec<rails::Run>,
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

/// All meters of one track, in two halves that do not wait for each other.
#[derive(Debug)]
pub struct TrackMeter {
    filtered: FilterMeters,
    plain: PlainMeters,
}

/// Meters that filter every sample: those of several tracks go in step, which takes little more time than one.
#[derive(Debug)]
pub struct FilterMeters {
    ltc: ltc::LtcMeter,
    fine: fine::FineMeter,
    loudness: loudness::LoudnessMeter,
    active: speech_level::ActiveLevelMeter,
}

impl FilterMeters {
    /// How many tracks go in step on this processor.
    pub fn together() -> usize {
        crate::dsp::biquad::lanes()
    }

    /// Take in the next samples of some tracks of a take, equally many for each.
    pub fn push(tracks: &mut [&mut FilterMeters], x: &[&[f32]]) {
        in_step(tracks, x);
    }
}

impl InStep for FilterMeters {
    #[inline(always)]
    fn push_lanes<S: Simd>(simd: S, tracks: &mut [&mut FilterMeters], x: &[S::f64s]) {
        #[inline(always)]
        fn one<S: Simd, M: InStep>(
            simd: S,
            tracks: &mut [&mut FilterMeters],
            x: &[S::f64s],
            of: fn(&mut FilterMeters) -> &mut M,
        ) {
            let mut meters: Vec<&mut M> = tracks.iter_mut().map(|t| of(t)).collect();
            M::push_lanes(simd, &mut meters, x);
        }
        one(simd, tracks, x, |t| &mut t.ltc);
        one(simd, tracks, x, |t| &mut t.fine);
        one(simd, tracks, x, |t| &mut t.loudness);
        one(simd, tracks, x, |t| &mut t.active);
    }
}

/// Samples that go through all meters of a track before the next do.
const PIECE: usize = 4800;

/// All other meters.
#[derive(Debug)]
pub struct PlainMeters {
    past: Past,
    frames: frames::FramesMeter,
    tiles: Tiles,
    runs: RunsMeter,
    transients: TransientsMeter,
    decimator: Decimator,
    copy: Vec<f32>,
    low: low::LowMeter,
    lines: lines::LinesMeter,
    levels: levels::LevelsMeter,
    rails: rails::RailsMeter,
    tops: TopsMeter,
    wraps: wraps::WrapsMeter,
    true_peak: true_peak::TruePeakMeter,
}

impl PlainMeters {
    /// Take in the next samples, in pieces that stay in the first-level cache from one meter to the next.
    pub fn push(&mut self, chunk: Chunk<'_>) {
        self.frames.push(chunk.x);
        let mut past = std::mem::take(&mut self.past);
        past.push(chunk.x, |reach, new| {
            let start = chunk.start + new.start as u64;
            let codes = chunk.codes.get(new.clone()).unwrap_or_default();
            let x = &chunk.x[new];
            self.push_piece(Chunk { start, x, codes }, reach);
        });
        self.past = past;
    }

    fn push_piece(&mut self, chunk: Chunk<'_>, reach: Reach<'_>) {
        self.tiles.look(chunk.x);
        self.runs.push(reach, &self.tiles);
        self.transients.push(reach);
        self.copy.clear();
        self.decimator.push(chunk.x, &mut self.copy);
        self.low.push(&self.copy);
        self.lines.push(chunk.x, &self.copy);
        self.levels.push(chunk.x, &self.tiles);
        self.rails.push(chunk.x, chunk.codes, &self.tiles);
        self.wraps.push(chunk.x, &self.tiles);
        self.tops.push(reach, &self.tiles);
        self.true_peak.push(chunk.x);
    }
}

/// A list of what comes every `step` samples of so many.
fn series<T: Code>(aside: &Aside, samples: u64, step: usize) -> Series<T> {
    let mut series = Series::new(aside);
    let expected = samples / step.max(1) as u64 + 2;
    series.expect(usize::try_from(expected).unwrap_or(0));
    series
}

/// Room for what comes every `step` samples of so many; none where a header promises more than there is memory for.
fn make_room<T>(list: &mut Vec<T>, samples: u64, step: usize) {
    let expected = samples / step.max(1) as u64 + 2;
    let _ = list.try_reserve_exact(usize::try_from(expected).unwrap_or(0));
}

impl TrackMeter {
    /// Meters at rest.
    pub fn new(signal: Signal) -> TrackMeter {
        let (rate, hop) = (signal.rate, frames::hop(signal.rate));
        let decimator = Decimator::new(rate);
        let (runs, transients) = (RunsMeter::new(rate), TransientsMeter::new(rate));
        let tops = TopsMeter::new(rate);
        let looks_back = runs.reach().max(transients.reach()).max(tops.reach());
        TrackMeter {
            filtered: FilterMeters {
                ltc: ltc::LtcMeter::new(rate),
                fine: fine::FineMeter::new(rate),
                loudness: loudness::LoudnessMeter::new(rate),
                active: speech_level::ActiveLevelMeter::new(rate, hop),
            },
            plain: PlainMeters {
                past: Past::new(looks_back, PIECE),
                frames: frames::FramesMeter::new(rate),
                tiles: Tiles::default(),
                runs,
                transients,
                low: low::LowMeter::new(rate, decimator.factor(), hop),
                lines: lines::LinesMeter::new(rate, decimator.factor()),
                decimator,
                copy: Vec::new(),
                levels: levels::LevelsMeter::new(rate),
                rails: rails::RailsMeter::new(signal),
                wraps: wraps::WrapsMeter::new(signal),
                tops,
                true_peak: true_peak::TruePeakMeter::new(rate),
            },
        }
    }

    /// Make room for so many samples, where there is room: what grows with a take then never moves. Long lists go aside, where
    /// that is a file. Nothing depends on it.
    pub fn expecting(mut self, samples: u64, aside: &Aside) -> TrackMeter {
        self.plain.frames.expect(samples, aside);
        self.plain.low.expect(samples, aside);
        self.plain.lines.expect(aside);
        self.filtered.fine.expect(samples, aside);
        self.filtered.loudness.expect(samples);
        self.filtered.active.expect(samples, aside);
        self
    }

    /// Keep the lowest bins of every frame for whoever compares tracks, so many of each.
    pub fn keeping_bins(mut self, wanted: usize) -> TrackMeter {
        self.plain.frames.keep_bins(wanted);
        self
    }

    /// The lowest bins of the frames measured since the last time, one frame after the other, in exchange for memory: of each the
    /// real parts and then the imaginary ones.
    pub fn hand_bins(&mut self, bins: &mut Vec<f32>) {
        self.plain.frames.hand_bins(bins);
    }

    /// The two halves; each wants all samples.
    pub fn halves(&mut self) -> (&mut FilterMeters, &mut PlainMeters) {
        (&mut self.filtered, &mut self.plain)
    }

    /// Take in the next samples.
    pub fn push(&mut self, chunk: Chunk<'_>) {
        FilterMeters::push(&mut [&mut self.filtered], &[chunk.x]);
        self.plain.push(chunk);
    }

    /// Everything measured.
    pub fn finish(self, nonfinite_samples: u64) -> TrackMeasures {
        let (filtered, mut plain) = (self.filtered, self.plain);
        let frames = plain.frames.finish();
        plain.copy.clear();
        plain.decimator.finish(&mut plain.copy);
        plain.lines.push(&[], &plain.copy);
        let floor = Floor::of(&frames);
        TrackMeasures {
            low: plain.low.finish(&plain.copy, frames.grid.frames),
            lines: plain.lines.finish(),
            frames,
            floor,
            runs: plain.runs.finish(),
            fine: filtered.fine.finish(),
            transients: plain.transients.finish(plain.past.last()),
            ltc: filtered.ltc.finish(),
            levels: plain.levels.finish(),
            rails: plain.rails.finish(),
            wraps: plain.wraps.finish(),
            tops: plain.tops.finish(),
            true_peak: plain.true_peak.finish(),
            loudness: filtered.loudness.finish(),
            active: filtered.active.finish(),
            nonfinite_samples,
        }
    }
}
