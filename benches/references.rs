//! What reading and the loudness meters cost against well-known libraries, on one file in one run: CPU time, the least of some
//! runs, taken in turns. Run: cargo run --release --example references -- FILE [RUNS]
//!
//! Reader: file to planar single precision, against symphonia's decoder with the same output; ours also gives the
//! integer codes and two hashes of what it read. Meters: loudness (100 ms steps)
//! and true peak of each track, against the crate ebur128 with integrated loudness and true peak on as many mono tracks; both
//! are fed the same blocks from memory. A file to measure with is written by the example `long_take`.

#![allow(clippy::print_stdout)]

use std::error::Error;
use std::fs::File;
use std::path::{Path, PathBuf};

use ebur128::{EbuR128, Mode};
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;
use takeproof::container;
use takeproof::decode::{Block, Decoder};
use takeproof::dsp::biquad::{in_step, lanes};
use takeproof::measure::loudness::LoudnessMeter;
use takeproof::measure::true_peak::TruePeakMeter;
use takeproof::settings::Settings;
use takeproof::take::assemble::assemble;

/// Samples per block at 48 kHz: half a second.
const BLOCK: usize = 24_000;
/// Sound that the meters are fed, seconds; it stays in memory.
const METERED_S: usize = 60;

type Outcome<T> = Result<T, Box<dyn Error>>;

fn main() -> Outcome<()> {
    let mut args = std::env::args().skip(1);
    let file = PathBuf::from(args.next().ok_or("usage: references FILE [RUNS]")?);
    let runs: usize = args.next().map_or(Ok(5), |n| n.parse())?;

    let (mut ours, mut theirs) = (f64::INFINITY, f64::INFINITY);
    for _ in 0..runs {
        ours = ours.min(spent(|| read(&file, |_| ()))?);
        theirs = theirs.min(spent(|| symphonia_reads(&file))?);
    }
    stated("reader, symphonia", ours, theirs);

    let mut tracks: Vec<Vec<f32>> = Vec::new();
    let mut rate = 0;
    read(&file, |(block, of)| {
        tracks.resize(block.x.len(), Vec::new());
        rate = of;
        for (track, x) in tracks.iter_mut().zip(&block.x) {
            let room = (METERED_S * of as usize).saturating_sub(track.len());
            track.extend_from_slice(&x[..room.min(x.len())]);
        }
    })?;
    let (mut ours, mut theirs) = (f64::INFINITY, f64::INFINITY);
    for _ in 0..runs {
        ours = ours.min(spent(|| {
            metered(&tracks, rate);
            Ok(())
        })?);
        theirs = theirs.min(spent(|| ebur128_meters(&tracks, rate))?);
    }
    stated("loudness and true peak, ebur128", ours, theirs);
    Ok(())
}

fn stated(what: &str, ours: f64, theirs: f64) {
    println!(
        "{what}: {ours:.3} s of {theirs:.3} s CPU, ratio {:.3}",
        ours / theirs
    );
}

/// CPU time of this thread, seconds.
fn cpu_s() -> Outcome<f64> {
    let stat = std::fs::read_to_string("/proc/thread-self/schedstat")?;
    let nanoseconds: f64 = stat.split(' ').next().ok_or("no time")?.parse()?;
    Ok(nanoseconds * 1e-9)
}

fn spent(work: impl FnOnce() -> Outcome<()>) -> Outcome<f64> {
    let before = cpu_s()?;
    work()?;
    Ok(cpu_s()? - before)
}

fn read(file: &Path, mut take_in: impl FnMut((&Block, u32))) -> Outcome<()> {
    let opened = container::open(file)?;
    let takes = assemble(vec![(opened, "long".into())], &Settings::default());
    for take in &takes {
        let mut decoder = Decoder::open(take, BLOCK)?;
        let mut block = Block::default();
        while decoder.next_into(&mut block)? {
            take_in((&block, take.rate));
        }
        decoder.finish()?;
    }
    Ok(())
}

fn symphonia_reads(file: &Path) -> Outcome<()> {
    let source = MediaSourceStream::new(
        Box::new(File::open(file)?),
        MediaSourceStreamOptions::default(),
    );
    let mut format = symphonia::default::get_probe().probe(
        &Hint::new(),
        source,
        FormatOptions::default(),
        MetadataOptions::default(),
    )?;
    let track = format.default_track(TrackType::Audio).ok_or("no track")?;
    let parameters = track
        .codec_params
        .as_ref()
        .and_then(|p| p.audio())
        .ok_or("no audio")?;
    let mut decoder = symphonia::default::get_codecs()
        .make_audio_decoder(parameters, &AudioDecoderOptions::default())?;
    let mut planar: Vec<Vec<f32>> = Vec::new();
    while let Some(packet) = format.next_packet()? {
        decoder.decode(&packet)?.copy_to_vecs_planar(&mut planar);
    }
    Ok(())
}

fn metered(tracks: &[Vec<f32>], rate: u32) {
    let mut loudness: Vec<LoudnessMeter> =
        tracks.iter().map(|_| LoudnessMeter::new(rate)).collect();
    let mut peaks: Vec<TruePeakMeter> = tracks.iter().map(|_| TruePeakMeter::new(rate)).collect();
    let length = tracks.first().map_or(0, Vec::len);
    for from in (0..length).step_by(BLOCK) {
        let to = (from + BLOCK).min(length);
        let x: Vec<&[f32]> = tracks.iter().map(|t| &t[from..to]).collect();
        let mut meters: Vec<&mut LoudnessMeter> = loudness.iter_mut().collect();
        for (meters, x) in meters.chunks_mut(lanes()).zip(x.chunks(lanes())) {
            in_step(meters, x);
        }
        peaks.iter_mut().zip(&x).for_each(|(peak, x)| peak.push(x));
    }
    for (loudness, peak) in loudness.into_iter().zip(peaks) {
        std::hint::black_box((loudness.finish().integrated_lufs(), peak.finish().dbtp()));
    }
}

fn ebur128_meters(tracks: &[Vec<f32>], rate: u32) -> Outcome<()> {
    for track in tracks {
        let mut meter = EbuR128::new(1, rate, Mode::I | Mode::TRUE_PEAK)?;
        for x in track.chunks(BLOCK) {
            meter.add_frames_f32(x)?;
        }
        std::hint::black_box((meter.loudness_global()?, meter.true_peak(0)?));
    }
    Ok(())
}
