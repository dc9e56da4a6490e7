//! Two microphones: delay, coherence, level and polarity against constructed truths and closed forms; the comb filter of their
//! sum against the formulas of acoustics handbooks, 1 + g exp(-j 2 pi f t).

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use takeproof::aside::Aside;
use takeproof::compare::pairs::{Cell, PairMeter, first_null_hz, parabola, quantile, ripple_db};
use takeproof::compare::spectra::{Layout, SpectrumMeter};
use takeproof::measure::frames::FramesMeter;
use takeproof::report::model::{Polarity, Role, RoleSource, SampleFormat};
use takeproof::take::timecode::Clock;
use takeproof::take::{Take, Track};

use super::noise;

const RATE: u32 = 48_000;

fn take() -> Take {
    let track = |index, role| Track {
        index,
        name: None,
        role,
        role_source: RoleSource::User,
        wireless: None,
        talker: None,
    };
    Take {
        files: Vec::new(),
        scene: None,
        number: None,
        roll: None,
        circled: None,
        note: None,
        no_good: None,
        false_start: None,
        wild: None,
        clock: Clock::default(),
        ltc_start: None,
        rate: RATE,
        bits: 24,
        format: SampleFormat::Int,
        samples: 0,
        tracks: vec![track(1, Role::Boom), track(2, Role::Lav)],
        set_problems: Vec::new(),
    }
}

/// The half-second cells of two signals. Both begin with a second of near silence, so that the rest stands over it.
fn cells(a: &[f32], b: &[f32]) -> Vec<Cell> {
    let layout = Layout::new(RATE);
    let mut spectra: Vec<SpectrumMeter> = (0..2).map(|_| SpectrumMeter::new(layout)).collect();
    let mut meter = PairMeter::new(&take(), layout, &[0, 1], &Aside::default());
    let quiet = |seed| noise(RATE as usize, seed).into_iter().map(|v| v * 1e-5);
    let whole = |x: &[f32], seed| -> Vec<f32> { quiet(seed).chain(x.iter().copied()).collect() };
    let (a, b) = (whole(a, 91), whole(b, 92));
    let mut frames = [FramesMeter::new(RATE), FramesMeter::new(RATE)];
    for (a, b) in a.chunks(24_000).zip(b.chunks(24_000)) {
        for ((frames, spectra), x) in frames.iter_mut().zip(&mut spectra).zip([a, b]) {
            let mut bins = Vec::new();
            frames.keep_bins(layout.bins);
            frames.push(x);
            frames.hand_bins(&mut bins);
            spectra.push(&bins);
        }
        meter.push(&spectra);
    }
    let found = meter.finish().remove(0).cells;
    // Not those that still hold a piece of the silence.
    found.iter().filter(|c| c.half >= 7).collect()
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    quantile(&values.collect::<Vec<_>>(), 0.5).unwrap()
}

/// A periodic signal delayed by any number of samples: phases turned in one transform of the whole.
fn delayed(x: &[f32], samples: f64) -> Vec<f32> {
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, back) = (
        planner.plan_fft_forward(x.len()),
        planner.plan_fft_inverse(x.len()),
    );
    let mut input: Vec<f64> = x.iter().map(|&v| f64::from(v)).collect();
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut input, &mut spectrum).unwrap();
    for (k, bin) in spectrum.iter_mut().enumerate() {
        let turn = -2.0 * std::f64::consts::PI * k as f64 * samples / x.len() as f64;
        *bin *= Complex::from_polar(1.0 / x.len() as f64, turn);
    }
    // The ends of a real spectrum are real.
    for end in [0, spectrum.len() - 1] {
        spectrum[end].im = 0.0;
    }
    let mut out = back.make_output_vec();
    back.process(&mut spectrum, &mut out).unwrap();
    out.into_iter().map(|v| v as f32).collect()
}

/// White noise delayed by 37, 37.25, 37.5 and -12.4 samples: a parabola on the plain whitened correlation errs by up to 0.11
/// samples (37.143, -12.294: NumPy), an interpolated one does not. Here: within a hundredth of a sample.
#[test]
fn delays_between_samples() {
    let x: Vec<f32> = noise(6 * RATE as usize, 31)
        .iter()
        .map(|v| 0.1 * v)
        .collect();
    for delay in [37.0, 37.25, 37.5, -12.4] {
        for (sign, polarity) in [(1.0, 1.0), (-1.0, -1.0)] {
            let y: Vec<f32> = delayed(&x, delay).iter().map(|v| sign * v).collect();
            let cells = cells(&x, &y);
            assert!(cells.len() > 15);
            let found = median(cells.iter().map(|c| c.candidates[0].delay_s())) * f64::from(RATE);
            assert!((found - delay).abs() < 0.01, "{delay}: {found}");
            for c in &cells {
                assert!(f64::from(c.candidates[0].phase) * polarity > 0.95, "{c:?}");
                assert!(c.candidates[0].height * sign > 0.0);
            }
        }
    }
}

/// Signal and independent noise of the same spectrum at ratios r and s: magnitude-squared coherence r/(1+r) * s/(1+s) (closed
/// form); unrelated signals show 0 once the chance of K segments, 1/K, is taken off (Welch's method).
#[test]
fn coherence_is_that_of_the_closed_form() {
    let n = 12 * RATE as usize;
    let common = noise(n, 41);
    let mixed = |ratio_db: f64, seed: u64| -> Vec<f32> {
        let gain = 10f64.powf(-ratio_db / 20.0) as f32;
        let own = noise(n, seed);
        common
            .iter()
            .zip(own)
            .map(|(c, o)| 0.05 * (c + gain * o))
            .collect()
    };
    for (a_db, b_db) in [
        (40.0, 40.0),
        (10.0, 10.0),
        (3.0, 10.0),
        (0.0, 0.0),
        (-6.0, 0.0),
    ] {
        let share = |db: f64| {
            let ratio = 10f64.powf(db / 10.0);
            ratio / (1.0 + ratio)
        };
        let wanted = share(a_db) * share(b_db);
        let cells = cells(&mixed(a_db, 42), &mixed(b_db, 43));
        let found = median(cells.iter().map(|c| f64::from(c.coherence)));
        assert!(
            (found - wanted).abs() < 0.06,
            "{a_db} {b_db}: {found} {wanted}"
        );
    }
    let unrelated = cells(&mixed(-60.0, 44), &mixed(-60.0, 45));
    let found = median(unrelated.iter().map(|c| f64::from(c.coherence)));
    // With K = 8 effective segments one in twenty bins passes 1 - 0.05^(1/(K-1)) = 0.348 by chance; their mean stays low.
    assert!(found < 0.1, "{found}");
}

/// Least squares: a copy with gain g leaves nothing; with independent noise d dB below, a residual of -d dB re the copy.
#[test]
fn level_and_residual_of_a_copy() {
    let n = 6 * RATE as usize;
    let x: Vec<f32> = noise(n, 51).iter().map(|v| 0.1 * v).collect();
    for (gain_db, noise_db) in [(-6.0, -200.0), (9.5, -40.0), (0.0, -20.0)] {
        let (gain, hiss) = (10f64.powf(gain_db / 20.0), 10f64.powf(noise_db / 20.0));
        let own = noise(n, 52);
        let y: Vec<f32> = x
            .iter()
            .zip(own)
            .map(|(v, o)| ((f64::from(*v) + 0.1 * hiss * f64::from(o)) * gain) as f32)
            .collect();
        let cells = cells(&x, &y);
        let level = median(cells.iter().map(|c| f64::from(c.level_difference_db)));
        let wanted = gain_db + 10.0 * (1.0 + hiss * hiss).log10();
        assert!((level - wanted).abs() < 0.05, "{gain_db}: {level}");
        let residual = median(cells.iter().map(|c| f64::from(c.residual_db)));
        if noise_db > -100.0 {
            assert!((residual - noise_db).abs() < 1.0, "{noise_db}: {residual}");
        } else {
            assert!(residual < -60.0, "{residual}");
        }
    }
}

/// Vertex of the parabola through three points: (0.5, 1, 0.6) lies 0.05556 after the middle (closed form).
#[test]
fn parabola_through_three_points() {
    assert!((parabola(0.5, 1.0, 0.6) - 0.05556).abs() < 1e-5);
    assert_eq!(parabola(0.5, 1.0, 0.5), 0.0);
    for p in [-0.4, 0.1, 0.3] {
        let y = |x: f64| 2.0 - 0.7 * (x - p) * (x - p);
        assert!((parabola(y(-1.0), y(0.0), y(1.0)) - p).abs() < 1e-12);
    }
    assert_eq!(parabola(1.0, 1.0, 1.0), 0.0);
}

/// Peak to null of the sum, 20 log10((1+g)/(1-g)), by level difference (handbook formula, worked in Python). Equal levels
/// have no end and are capped at 40 dB.
#[test]
fn ripple_of_two_paths() {
    for (difference_db, ripple) in [
        (0.0, 40.0),
        (1.0, 24.81),
        (3.0, 15.34),
        (6.0, 9.57),
        (9.0, 6.44),
        (9.54, 6.02),
        (10.0, 5.69),
        (12.0, 4.46),
        (15.0, 3.12),
        (20.0, 1.74),
    ] {
        for sign in [1.0, -1.0] {
            let found = ripple_db(sign * difference_db, 1.0);
            assert!((found - ripple).abs() < 0.006, "{difference_db}: {found}");
        }
    }
    // What is not coherent does not cancel: a quarter of the power common is half the amplitude.
    assert!((ripple_db(0.0, 0.25) - ripple_db(6.0206, 1.0)).abs() < 1e-3);
    assert_eq!(ripple_db(0.0, 0.0), 0.0);
}

/// Nulls (2k+1)/(2t) at equal signs, k/t at opposite ones (handbook formula).
#[test]
fn nulls_of_two_paths() {
    for (ms, null_hz, peak_hz) in [
        (0.1, 5000.0, 10_000.0),
        (0.5, 1000.0, 2000.0),
        (1.0, 500.0, 1000.0),
        (2.0, 250.0, 500.0),
        (3.0, 166.7, 333.3),
        (5.0, 100.0, 200.0),
        (10.0, 50.0, 100.0),
    ] {
        for sign in [1.0, -1.0] {
            let delay_s = sign * ms / 1000.0;
            assert!((first_null_hz(delay_s, Polarity::Same) - null_hz).abs() < 0.05);
            assert!((first_null_hz(delay_s, Polarity::Inverted) - peak_hz).abs() < 0.05);
        }
    }
}
