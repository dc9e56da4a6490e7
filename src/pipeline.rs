//! The only place that knows the order of the rooms, and the only one that runs things in parallel.

use rayon::prelude::*;

use crate::compare::{self, Between, Mix, PairMeasures, SpeechMap};
use crate::container::ReadError;
use crate::decode::{Block, Decoder, FileResult};
use crate::detect::{self, Finding, TakeView};
use crate::judge::{self, Judged};
use crate::measure::{Chunk, Grid, Signal, TrackMeasures, TrackMeter};
use crate::report::model::{Landmark, Window};
use crate::settings::Settings;
use crate::take::Take;

/// Samples per block at 48 kHz: half a second.
const BLOCK_S: f64 = 0.5;

/// Everything that is known of a take after analysis; pictures and reports are made from it.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// Files, labels, tracks.
    pub take: Take,
    /// Measurements in track order.
    pub tracks: Vec<TrackMeasures>,
    /// Who speaks when.
    pub speech: SpeechMap,
    /// Delay, polarity and level between microphones.
    pub pairs: Vec<PairMeasures>,
    /// Fader gains and ripple of the mix tracks.
    pub mixes: Vec<Mix>,
    /// Slate claps, tone, timecode.
    pub landmarks: Vec<Landmark>,
    /// Stretches to be judged.
    pub windows: Vec<Window>,
    /// Findings and answers.
    pub judged: Judged,
}

/// Decode, measure, compare, detect and judge one take.
pub fn analyse(mut take: Take, settings: &Settings) -> Result<Analysis, ReadError> {
    let (tracks, between, results) = measure(&take)?;
    for (file, result) in take.files.iter_mut().zip(results) {
        file.hash = Some(result.hash);
        file.audio_hash = Some(result.audio_hash);
        file.opened.problems.extend(result.problems);
    }
    let grid = tracks.first().map_or(
        Grid {
            rate: take.rate,
            hop: 1,
            frames: 0,
            samples: 0,
        },
        |t| t.frames.grid,
    );
    let speech = compare::speech::speech_map(&take, &tracks);
    let pairs = compare::pairs::measure(&take, between.pairs, &speech);
    let (landmarks, windows) = (Vec::new(), Vec::new());
    let view = TakeView {
        take: &take,
        grid,
        tracks: &tracks,
        speech: &speech,
        pairs: &pairs,
        mixes: &between.mixes,
        landmarks: &landmarks,
        windows: &windows,
        settings,
    };
    let findings: Vec<Finding> = detect::detect(&view);
    let judged = judge::judge(&view, findings);
    Ok(Analysis {
        take,
        tracks,
        speech,
        pairs,
        mixes: between.mixes,
        landmarks,
        windows,
        judged,
    })
}

/// What one pass gives: per track, between tracks, per file.
type Measured = (Vec<TrackMeasures>, Between, Vec<FileResult>);

/// One pass over the samples of a take.
fn measure(take: &Take) -> Result<Measured, ReadError> {
    let mut decoder = Decoder::open(take, (f64::from(take.rate) * BLOCK_S) as usize)?;
    let signal = Signal {
        rate: take.rate,
        bits: take.bits,
        format: take.format,
    };
    let mut meters: Vec<(TrackMeter, u64)> = take
        .tracks
        .iter()
        .map(|_| (TrackMeter::new(signal), 0))
        .collect();
    let mut between = compare::Meter::new(take);
    let mut block = Block::default();
    while decoder.next_into(&mut block)? {
        let Block { start, x, codes } = &mut block;
        meters
            .par_iter_mut()
            .zip(x.par_iter_mut().zip(codes.par_iter()))
            .for_each(|((meter, nonfinite), (x, codes))| {
                for sample in x.iter_mut().filter(|s| !s.is_finite()) {
                    *sample = 0.0;
                    *nonfinite += 1;
                }
                meter.push(Chunk {
                    start: *start,
                    x,
                    codes,
                });
            });
        between.push(x);
    }
    let tracks = meters
        .into_par_iter()
        .map(|(meter, nonfinite)| meter.finish(nonfinite))
        .collect();
    Ok((tracks, between.finish(), decoder.finish()?))
}
