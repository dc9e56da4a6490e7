//! Numbers computed once with NumPy 2.4.6 and SciPy 1.17.1 (2026-11-25) on signals that both sides make from the same integers.
//!
//! `coloured`: `noise(480_000, 11)` through `lfilter([0.1], [1, -0.9])`, plus 0.0125. `swelling`: `noise(1_440_000, 12)` times
//! `0.3 sin(0.9 t)^2 |cos(0.11 t)|`. Rounded to 32-bit float, 48 kHz.

use takeproof::measure::bandwidth::bandwidth_hz;
use takeproof::measure::floor::Floor;
use takeproof::measure::frames::{Frames, FramesMeter, band_edges_hz};
use takeproof::measure::levels::LevelsMeter;
use takeproof::measure::loudness::LoudnessMeter;
use takeproof::measure::rails::{Level, RailsMeter};
use takeproof::measure::speech_level::ActiveLevelMeter;
use takeproof::measure::true_peak::TruePeakMeter;
use takeproof::measure::{Signal, Tiles};
use takeproof::report::model::SampleFormat;
use takeproof::units::power_db;

use super::{noise, sine};

const RATE: u32 = 48_000;

fn coloured() -> Vec<f32> {
    let mut y = 0.0;
    noise(480_000, 11)
        .into_iter()
        .map(|w| {
            y = 0.9 * y + 0.1 * f64::from(w);
            (y + 0.0125) as f32
        })
        .collect()
}

fn swelling() -> Vec<f32> {
    let swell = |t: f64| 0.3 * (0.9 * t).sin().powi(2) * (0.11 * t).cos().abs();
    noise(1_440_000, 12)
        .into_iter()
        .enumerate()
        .map(|(i, w)| (f64::from(w) * swell(i as f64 / f64::from(RATE))) as f32)
        .collect()
}

fn near(value: f64, wanted: f64, tolerance: f64) {
    assert!(
        (value - wanted).abs() <= tolerance,
        "{value} is not {wanted} +-{tolerance}"
    );
}

fn frames(x: &[f32]) -> Frames {
    let mut meter = FramesMeter::new(RATE);
    meter.push(x);
    meter.finish()
}

/// The generator itself: first values of seed 11.
#[test]
fn both_sides_start_from_the_same_numbers() {
    let head = noise(3, 11);
    for (v, wanted) in head.into_iter().zip([0.7464286, 0.17298853, -0.8425598]) {
        near(f64::from(v), wanted, 1e-7);
    }
}

/// `max(abs(x))`; median of the means of ten seconds; `max(abs(resample(x, 16 n)))`, whose grid is finer than the meter's four.
#[test]
fn peaks_and_offset() {
    let x = coloured();
    let mut meter = LevelsMeter::new(RATE);
    meter.push(&x, &Tiles::of(&x));
    let levels = meter.finish();
    near(levels.sample_peak_dbfs(), -4.656488, 1e-5);
    near(levels.offset().unwrap().value, 0.012229359, 1e-8);
    let mut meter = TruePeakMeter::new(RATE);
    meter.push(&x);
    near(meter.finish().dbtp(), -4.627582, 0.1);
}

/// `welch(x - mean, nperseg=16384)`, octaves of IEC 61260-1 in base ten, A-weighting of IEC 61672-1. The background of a
/// steady sound is its level without its offset; the frames' window of 43 ms blurs the two lowest octaves.
#[test]
fn background_in_octaves_and_weighted() {
    let floor = Floor::of(&frames(&coloured()));
    near(floor.dbfs(), -17.648, 0.3);
    near(floor.dba(), -19.204, 0.3);
    let wanted = [
        -32.467, -28.917, -26.600, -24.721, -24.334, -25.643, -28.061, -30.663, -32.320,
    ];
    for ((hz, level), wanted) in floor.octaves_dbfs().into_iter().zip(wanted) {
        let tolerance = if hz < 200 { 1.0 } else { 0.4 };
        assert!(
            (level - wanted).abs() < tolerance,
            "{hz} Hz: {level} {wanted}"
        );
    }
}

/// Digital silence with triangular dither of +-1 step of 16 bits: -96.33 dBFS over the whole band (step/2, closed form and
/// NumPy), -96.63 dBFS between 20 Hz and 22.4 kHz, -99.03 dBFS A-weighted.
#[test]
fn background_of_a_dithered_file() {
    let (a, b) = (noise(480_000, 21), noise(480_000, 22));
    let x: Vec<f32> = a
        .iter()
        .zip(&b)
        .map(|(a, b)| (((a + b) * 0.5).round_ties_even()) / 32_768.0)
        .collect();
    let power = x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / x.len() as f64;
    near(power_db(power), -96.327, 0.05);
    let floor = Floor::of(&frames(&x));
    near(floor.dbfs(), -96.631, 0.3);
    near(floor.dba(), -99.034, 0.3);
}

/// `lfilter` with the printed coefficients of BS.1770-5, gates of its annex 1 and of EBU Tech 3342, `percentile` of values
/// every 100 ms.
#[test]
fn loudness_and_its_range() {
    let mut meter = LoudnessMeter::new(RATE);
    meter.push(&swelling());
    let loudness = meter.finish();
    let highest = |values: Vec<f64>| values.into_iter().fold(f64::NEG_INFINITY, f64::max);
    near(loudness.integrated_lufs(), -17.23494, 0.001);
    near(highest(loudness.momentary_lufs()), -12.24041, 0.001);
    near(highest(loudness.short_term_lufs()), -15.87941, 0.001);
    near(loudness.range_lu().unwrap(), 15.29074, 0.01);
}

/// ITU-T P.56 method B sample by sample, after `butter(2, 100, 'high')`; the meter counts the hangover in frames of 20 ms.
#[test]
fn active_speech_level() {
    let mut meter = ActiveLevelMeter::new(RATE, 960);
    meter.push(&swelling());
    let active = meter.finish().of(|_| true).unwrap();
    near(active.level_dbfs, -20.93197, 0.1);
    near(active.share, 0.74776, 0.02);
}

/// A sine of 220.3 Hz 1.1 times full scale, rounded to 24 bits and held there: 13138 samples in 441 runs of 25 to 30.
#[test]
fn pinned_samples() {
    let codes: Vec<i32> = (0..48_000)
        .map(|i| {
            let v = 1.1 * (2.0 * std::f64::consts::PI * 220.3 * f64::from(i) / 48_000.0).sin();
            (v * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0) as i32
        })
        .collect();
    let x: Vec<f32> = codes.iter().map(|&c| c as f32 / 8_388_608.0).collect();
    let mut meter = RailsMeter::new(Signal {
        rate: RATE,
        bits: 24,
        format: SampleFormat::Int,
    });
    meter.push(&x, &codes, &Tiles::of(&x));
    let rails = meter.finish();
    let pinned: u64 = rails.levels.iter().map(Level::samples).sum();
    let longest = rails.levels.iter().map(Level::longest).max().unwrap();
    assert_eq!((pinned, longest), (13_138, 30));
}

/// RMS re peak: sine -3.010, square 0, triangle -4.771 dB (closed form).
#[test]
fn power_of_plain_waves() {
    let n = 48_000;
    // No whole number of samples per wave, so that every part of it is met.
    let phase = |i: usize| (i as f64 * 0.020_71).fract();
    let square: Vec<f32> = (0..n)
        .map(|i| if phase(i) < 0.5 { 1.0 } else { -1.0 })
        .collect();
    let triangle: Vec<f32> = (0..n)
        .map(|i| (4.0 * (phase(i) - 0.5).abs() - 1.0) as f32)
        .collect();
    for (x, wanted) in [
        (sine(1000.0, 0.0, RATE, 1.0), -3.0103),
        (square, 0.0),
        (triangle, -4.7712),
    ] {
        let power = frames(&x).power;
        let mean = power.iter().map(|&p| f64::from(p)).sum::<f64>() / power.len() as f64;
        near(power_db(mean), wanted, 0.01);
    }
}

/// Bursts of noise through `firwin(255, 8000)`: 6 dB down at 8.0 kHz (`freqz`), 80 dB above. Told as the edge of the third of
/// an octave that holds it, 8.9 kHz (IEC 61260-1).
#[test]
fn bandwidth_of_filtered_noise() {
    let (half, cut) = (127i32, 8000.0 / 24_000.0);
    let mut taps: Vec<f64> = (-half..=half)
        .map(|k| {
            let x = std::f64::consts::PI * f64::from(k);
            let sinc = if k == 0 { cut } else { (cut * x).sin() / x };
            sinc * (0.54 + 0.46 * (x / f64::from(half)).cos())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    // The two values that `firwin` gives first and in the middle.
    near(taps[0], 1.73647257e-4, 1e-9);
    near(taps[127], 0.33333402576, 1e-9);
    // Switched before the filter, so that the switching stays below its edge as well; over a little hiss.
    let source: Vec<f64> = noise(4 * RATE as usize, 61)
        .into_iter()
        .enumerate()
        .map(|(i, v)| f64::from(v) * if i / 24_000 % 2 == 1 { 0.1 } else { 1e-4 })
        .collect();
    let hiss = noise(source.len(), 62);
    let x: Vec<f32> = (0..source.len())
        .map(|i| {
            let recent = source[i.saturating_sub(254)..=i].iter().rev();
            let kept: f64 = taps.iter().zip(recent).map(|(t, v)| t * v).sum();
            kept as f32 + 1e-4 * hiss[i]
        })
        .collect();
    let frames = frames(&x);
    let floor = Floor::of(&frames);
    near(bandwidth_hz(&frames, &floor).unwrap(), 8912.5, 0.1);
}

/// IEC 61260-1, base ten: thirds of an octave at 1000 * 10^(x/10), edges 10^(1/20) away.
#[test]
fn edges_of_thirds_of_an_octave() {
    let edges = band_edges_hz();
    for (low, high) in [
        (891.251, 1122.018),
        (44.668, 56.234),
        (89.125, 112.202),
        (7079.458, 8912.509),
    ] {
        let at = edges.iter().position(|e| (e - low).abs() < 0.001);
        let at = at.unwrap_or_else(|| panic!("no edge at {low} Hz"));
        near(edges[at + 1], high, 0.001);
    }
}
