//! Background and steady lines against closed forms and independent references.

use takeproof::measure::floor::Floor;
use takeproof::measure::frames::FramesMeter;
use takeproof::measure::lines::{LinesMeter, Steadiness, steady};
use takeproof::synth::sources::Random;

const RATE: u32 = 48_000;

fn floor(x: &[f32]) -> Floor {
    let mut meter = FramesMeter::new(RATE);
    meter.push(x);
    Floor::of(&meter.finish())
}

/// Gaussian noise of an RMS level in dBFS.
fn white(seconds: usize, dbfs: f64, seed: u64) -> Vec<f32> {
    let mut random = Random::new(seed);
    let gain = 10f64.powf(dbfs / 20.0);
    (0..seconds * RATE as usize)
        .map(|_| (random.normal() * gain) as f32)
        .collect()
}

/// White noise from 0 to 24 kHz reads -2.72 dB A-weighted (integral of the weighting); the bands end at 22.4 kHz, where the
/// same integral over the whole range of white noise loses another 0.03 dB. Broadband they hold 22.37/24 of the power.
#[test]
fn stationary_white_noise_reads_its_own_level() {
    for (dbfs, seed) in [(-40.0, 1), (-60.0, 2), (-90.0, 3)] {
        let floor = floor(&white(30, dbfs, seed));
        let held = 10.0 * (22_367.0f64 / 24_000.0).log10();
        assert!(
            (floor.dbfs() - dbfs - held).abs() < 0.3,
            "{dbfs}: {}",
            floor.dbfs()
        );
        assert!(
            (floor.dba() - dbfs + 2.72).abs() < 0.3,
            "{dbfs}: {}",
            floor.dba()
        );
        for (hz, level) in floor.octaves_dbfs() {
            let middle = 1000.0 * 10f64.powf(0.3 * (f64::from(hz) / 1000.0).log2().round());
            let width = middle * (10f64.powf(0.15) - 10f64.powf(-0.15));
            let expected = dbfs + 10.0 * (width / 24_000.0).log10();
            assert!(
                (level - expected).abs() < 1.0,
                "{dbfs} {hz} Hz: {level} {expected}"
            );
        }
    }
}

/// Pink noise has the same power in every octave. Made by the well-known sum of one-pole filters (flat within 0.05 dB of
/// -3 dB per octave above 10 Hz at 44.1 kHz; within 0.5 dB here).
#[test]
fn pink_noise_is_flat_in_octaves() {
    let mut state = [0f64; 7];
    let poles = [0.99886, 0.99332, 0.96900, 0.86650, 0.55000, -0.7616];
    let gains = [
        0.0555179, 0.0750759, 0.1538520, 0.3104856, 0.5329522, -0.0168980,
    ];
    let x: Vec<f32> = white(40, -30.0, 4)
        .into_iter()
        .map(|w| {
            let w = f64::from(w);
            let mut y = state[6] + 0.5362 * w;
            for k in 0..6 {
                state[k] = poles[k] * state[k] + gains[k] * w;
                y += state[k];
            }
            state[6] = 0.115926 * w;
            (0.11 * y) as f32
        })
        .collect();
    let floor = floor(&x);
    // A-weighted, 20 Hz to 20 kHz: -2.86 dB (integral of the weighting over 1/f, NumPy 2.4.6, 2026-11-25).
    let weighted = floor.dba() - floor.dbfs();
    assert!((weighted + 2.86).abs() < 0.3, "{weighted}");
    let octaves = floor.octaves_dbfs();
    let mean = octaves.iter().map(|(_, l)| l).sum::<f64>() / octaves.len() as f64;
    for (hz, level) in octaves {
        assert!((level - mean).abs() < 1.0, "{hz} Hz: {level} {mean}");
    }
}

/// Phrases 20 dB over the noise, 2.5 s on and 0.8 s off, move the background by less than 1 dB.
#[test]
fn phrases_do_not_lift_the_background() {
    let quiet = white(40, -60.0, 5);
    let loud = white(40, -40.0, 6);
    let x: Vec<f32> = quiet
        .iter()
        .zip(&loud)
        .enumerate()
        .map(|(i, (q, l))| {
            let t = i as f64 / f64::from(RATE) % 3.3;
            if t < 2.5 { q + l } else { *q }
        })
        .collect();
    let (with, without) = (floor(&x), floor(&quiet));
    assert!(
        (with.dbfs() - without.dbfs()).abs() < 1.0,
        "{} {}",
        with.dbfs(),
        without.dbfs()
    );
}

/// Steps of 2, 3 and 6 dB, up and down, stay within 0.2 s of where they are.
#[test]
fn steps_stay_where_they_are() {
    for (db, seed) in [(2.0, 7), (-3.0, 8), (6.0, 9)] {
        let gain = 10f32.powf(db / 20.0);
        let mut x = white(30, -60.0, seed);
        x[15 * RATE as usize..].iter_mut().for_each(|v| *v *= gain);
        let floor = floor(&x);
        let level = |s: usize| f64::from(floor.level_db[s]);
        let (before, after) = (level(100), level(200));
        assert!(
            (after - before - f64::from(db)).abs() < 0.5,
            "{db}: {before} {after}"
        );
        let middle = 0.5 * (before + after);
        let crossing = (100..200)
            .find(|&s| (level(s) > middle) == (db > 0.0))
            .unwrap();
        assert!(crossing.abs_diff(150) <= 2, "{db}: {crossing}");
    }
}

/// A tone of 50.03 Hz in white noise at -20, -10 and 0 dB (in 500 Hz): within 0.05 Hz and 1 dB. The published trial of 8 s
/// spectra gives 11, 4 and 1 mHz RMS for one spectrum.
#[test]
fn a_line_is_read_to_a_twentieth_of_a_hertz() {
    for (snr, seed) in [(-20.0, 10), (-10.0, 11), (0.0, 12)] {
        let noise = -50.0;
        let in_500_hz = noise + 10.0 * (500.0f64 / 24_000.0).log10();
        let level = in_500_hz + snr;
        let amplitude = 2f64.sqrt() * 10f64.powf(level / 20.0);
        let mut x = white(24, noise, seed);
        for (i, v) in x.iter_mut().enumerate() {
            let t = i as f64 / f64::from(RATE);
            *v += (amplitude * (2.0 * std::f64::consts::PI * 50.03 * t).sin()) as f32;
        }
        let mut decimator = takeproof::dsp::decimate::Decimator::new(RATE);
        let mut meter = LinesMeter::new(RATE, decimator.factor());
        let mut copy = Vec::new();
        decimator.push(&x, &mut copy);
        meter.push(&x, &copy);
        let lines = meter.finish();
        let want = Steadiness {
            within_hz: 0.1,
            least_spectra: 4,
            least_s: 5.0,
            most_spread_db: 3.0,
            least_share: 0.5,
        };
        let found = steady(&lines.low, want, RATE, x.len() as u64);
        let line = found
            .iter()
            .min_by(|a, b| (a.hz - 50.03).abs().total_cmp(&(b.hz - 50.03).abs()))
            .unwrap_or_else(|| panic!("nothing at {snr} dB"));
        assert!((line.hz - 50.03).abs() < 0.05, "{snr}: {}", line.hz);
        if snr >= -10.0 {
            assert!(
                (line.level_dbfs - level).abs() < 1.0,
                "{snr}: {}",
                line.level_dbfs
            );
        }
    }
}
