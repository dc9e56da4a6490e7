//! EBU Tech 3341 (2023) signals 15-23 with the text's tolerance of +0.2/-0.4 dB, ITU-R BS.1770-5 annex 2, the `ebur128` crate.

use std::f64::consts::PI;

use ebur128::{EbuR128, Mode};
use takeproof::measure::true_peak::{PHASES, TruePeak, TruePeakMeter};

use super::{noise, sine};

fn measure(x: &[f32], rate: u32) -> TruePeak {
    let mut meter = TruePeakMeter::new(rate);
    x.chunks(4800).for_each(|part| meter.push(part));
    meter.finish()
}

fn within(reading: f64, wanted: f64) {
    assert!(
        reading - wanted <= 0.2 && wanted - reading <= 0.4,
        "{reading} dBTP is not {wanted} +0.2/-0.4"
    );
}

/// A sine at `rate / divisor` with a starting phase in degrees, faded in and out over 10 ms.
fn faded(divisor: f64, amplitude: f64, degrees: f64, rate: f64) -> Vec<f32> {
    let n = rate as usize;
    let fade = rate / 100.0;
    (0..n)
        .map(|i| {
            let gain = (i as f64 / fade).min((n - i) as f64 / fade).min(1.0);
            let phase = 2.0 * PI * i as f64 / divisor + degrees.to_radians();
            (amplitude * gain * phase.sin()) as f32
        })
        .collect()
}

/// EBU Tech 3341, table 1, signals 15-19.
#[test]
fn tech_3341_signals_15_to_19() {
    for (divisor, amplitude, degrees, wanted) in [
        (4.0, 0.50, 0.0, -6.0),
        (4.0, 0.50, 45.0, -6.0),
        (6.0, 0.50, 60.0, -6.0),
        (8.0, 0.50, 67.5, -6.0),
        (4.0, 1.41, 45.0, 3.0),
    ] {
        for rate in [44_100u32, 48_000] {
            let x = faded(divisor, amplitude, degrees, f64::from(rate));
            within(measure(&x, rate).dbtp(), wanted);
        }
    }
}

/// EBU Tech 3341, table 1, signals 20-23: fs/6 at half scale with one period of fs/4 at full scale, made at four times the
/// rate, low-passed, decimated with offsets 0 to 3.
#[test]
fn tech_3341_signals_20_to_23() {
    // At 4 fs one period of fs/6 is 24 samples, one of fs/4 is 16; both joins at zero phase.
    let mut high: Vec<f64> = Vec::new();
    let periods = |high: &mut Vec<f64>, length: usize, amplitude: f64, count: usize| {
        for i in 0..length * count {
            high.push(amplitude * (2.0 * PI * i as f64 / length as f64).sin());
        }
    };
    periods(&mut high, 24, 0.5, 500);
    periods(&mut high, 16, 1.0, 1);
    periods(&mut high, 24, 0.5, 500);
    let fade = 1920;
    let n = high.len();
    for (i, v) in high.iter_mut().enumerate() {
        *v *= (i as f64 / f64::from(fade))
            .min((n - i) as f64 / f64::from(fade))
            .min(1.0);
    }
    // Low-pass at fs/2: Blackman-windowed sinc of 513 taps.
    let half = 256i64;
    let taps: Vec<f64> = (-half..=half)
        .map(|k| {
            let t = k as f64;
            let sinc = if k == 0 {
                0.25
            } else {
                (PI * t * 0.25).sin() / (PI * t)
            };
            let w = PI * t / half as f64;
            sinc * (0.42 + 0.5 * w.cos() + 0.08 * (2.0 * w).cos())
        })
        .collect();
    for offset in 0..4 {
        let x: Vec<f32> = (offset..n)
            .step_by(4)
            .map(|i| {
                taps.iter()
                    .enumerate()
                    .filter_map(|(k, tap)| {
                        let at = i as i64 + k as i64 - half;
                        usize::try_from(at)
                            .ok()
                            .and_then(|at| high.get(at))
                            .map(|v| tap * v)
                    })
                    .sum::<f64>() as f32
            })
            .collect();
        within(measure(&x, 48_000).dbtp(), 0.0);
    }
}

/// ITU-R BS.1770-5, annex 2: gain of the table at frequencies, evaluated from the printed taps: -0.08 dB at 1 kHz, +0.07 at
/// 18 kHz, -0.67 at 21 kHz, -3.5 at 23 kHz (the largest of the four phases; 48 kHz).
#[test]
fn the_interpolator_has_the_gains_of_the_printed_table() {
    for (hz, wanted, tolerance) in [
        (1000.0, -0.08, 0.15),
        (18_000.0, 0.07, 0.15),
        (21_000.0, -0.67, 0.2),
        (23_000.0, -3.5, 0.3),
    ] {
        let w = 2.0 * PI * hz / 48_000.0;
        // The filter at the fourfold rate: all taps, image-free gain divided by four phases.
        let (mut re, mut im) = (0.0, 0.0);
        for (p, phase) in PHASES.iter().enumerate() {
            for (k, h) in phase.iter().enumerate() {
                let t = (4 * k + p) as f64 / 4.0;
                re += h * (w * t).cos() / 4.0;
                im += h * (w * t).sin() / 4.0;
            }
        }
        let gain = 10.0 * (re * re + im * im).log10();
        assert!((gain - wanted).abs() < tolerance, "{hz} Hz: {gain} dB");
    }
}

/// A sine at a quarter of the rate, sampled 45 degrees off its tops: 3.01 dB above its samples; the table reads +0.05 dB more.
#[test]
fn a_quarter_rate_sine_reads_three_decibels_above_its_samples() {
    let x = faded(4.0, 0.5, 45.0, 48_000.0);
    let peak = x.iter().fold(0f32, |m, v| m.max(v.abs()));
    let reading = measure(&x, 48_000).dbtp() - 20.0 * f64::from(peak).log10();
    assert!((reading - 3.01).abs() < 0.06, "{reading}");
}

/// The `ebur128` crate (0.1): another interpolator of the same family; on band-limited sound both read within 0.2 dB.
#[test]
fn the_reference_library_reads_nearly_the_same() {
    for seed in 1..4 {
        let mut x = noise(48_000, seed);
        // Two running means keep the content away from the band edge, where interpolators differ by design.
        for _ in 0..2 {
            for i in (1..x.len()).rev() {
                x[i] = 0.5 * (x[i] + x[i - 1]);
            }
        }
        let mut theirs = EbuR128::new(1, 48_000, Mode::TRUE_PEAK).unwrap();
        theirs.add_frames_f32(&x).unwrap();
        let wanted = 20.0 * theirs.true_peak(0).unwrap().log10();
        let ours = measure(&x, 48_000).dbtp();
        assert!((ours - wanted).abs() < 0.2, "{ours} {wanted}");
    }
}

#[test]
fn the_sample_peak_is_a_floor() {
    for rate in [44_100, 48_000, 96_000, 192_000] {
        let x = sine(50.0, -3.0, rate, 0.5);
        let reading = measure(&x, rate).dbtp();
        assert!((reading + 3.0).abs() < 0.03, "{rate}: {reading}");
    }
}
