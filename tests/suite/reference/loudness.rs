//! EBU Tech 3341 (2023) signals 1-6 and 9-14, Tech 3342 (2023) signals 1-4, ITU-R BS.1770-5, and the `ebur128` crate.

use ebur128::{EbuR128, Mode};
use takeproof::measure::loudness::{Loudness, LoudnessMeter, k_weighting, weighted};

use super::{noise, sine};

const RATE: u32 = 48_000;

/// Stretches of a 1 kHz sine: (seconds, dBFS); minus infinity is silence.
fn tones(parts: &[(f64, f64)]) -> Vec<f32> {
    let mut x: Vec<f32> = Vec::new();
    for &(seconds, dbfs) in parts {
        // One running phase: the text gives level changes, not new tones.
        let amplitude = 10f64.powf(dbfs / 20.0);
        let n = (seconds * f64::from(RATE)).round() as usize;
        let from = x.len();
        x.extend((from..from + n).map(|i| {
            (amplitude * (2.0 * std::f64::consts::PI * 1000.0 * i as f64 / f64::from(RATE)).sin())
                as f32
        }));
    }
    x
}

fn channel(x: &[f32], steps: u32) -> Loudness {
    let mut meter = LoudnessMeter::with_steps(RATE, steps);
    x.chunks(4800).for_each(|part| meter.push(part));
    meter.finish()
}

/// The same signal in left and right.
fn stereo(x: &[f32], steps: u32) -> Loudness {
    let one = channel(x, steps);
    weighted(&[(&one, 1.0), (&one, 1.0)]).unwrap()
}

fn highest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

fn near(value: f64, wanted: f64, tolerance: f64) {
    assert!(
        (value - wanted).abs() <= tolerance,
        "{value} is not {wanted} +-{tolerance}"
    );
}

/// EBU Tech 3341, table 1, signals 1 and 2: M, S and I within 0.1 LU.
#[test]
fn tech_3341_signals_1_and_2() {
    for level in [-23.0, -33.0] {
        let loudness = stereo(&tones(&[(20.0, level)]), 10);
        near(loudness.integrated_lufs(), level, 0.1);
        near(highest(&loudness.momentary_lufs()), level, 0.1);
        near(highest(&loudness.short_term_lufs()), level, 0.1);
    }
}

/// EBU Tech 3341, table 1, signals 3, 4 and 5: I = -23.0 +-0.1 LUFS.
#[test]
fn tech_3341_signals_3_to_5() {
    let third = [(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)];
    let fourth = [
        (10.0, -72.0),
        (10.0, -36.0),
        (60.0, -23.0),
        (10.0, -36.0),
        (10.0, -72.0),
    ];
    let fifth = [(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)];
    for parts in [&third[..], &fourth, &fifth] {
        near(stereo(&tones(parts), 10).integrated_lufs(), -23.0, 0.1);
    }
}

/// EBU Tech 3341, table 1, signal 6: left and right -28, centre -24, surrounds -30 dBFS; weights 1 and 1.41 (BS.1770 table 3).
#[test]
fn tech_3341_signal_6() {
    let [front, centre, back] = [-28.0, -24.0, -30.0].map(|l| channel(&tones(&[(20.0, l)]), 10));
    let all = weighted(&[
        (&front, 1.0),
        (&front, 1.0),
        (&centre, 1.0),
        (&back, 1.41),
        (&back, 1.41),
    ])
    .unwrap();
    near(all.integrated_lufs(), -23.0, 0.1);
    // The text's weights worked through: -23.016 LUFS.
    near(all.integrated_lufs(), -23.016, 0.01);
}

/// EBU Tech 3341, table 1, signals 9 and 12: constant S after 3 s, constant M after 1 s.
#[test]
fn tech_3341_signals_9_and_12() {
    let ninth = stereo(&tones(&[(1.34, -20.0), (1.66, -30.0)].repeat(5)), 100);
    assert!(ninth.short_term_lufs().len() > 1000);
    for s in ninth.short_term_lufs() {
        near(s, -23.0, 0.1);
    }
    let twelfth = stereo(&tones(&[(0.18, -20.0), (0.22, -30.0)].repeat(25)), 100);
    // "Constant after 1 s": readings that end a second in or later; the first ends at 0.4 s.
    for &m in &twelfth.momentary_lufs()[60..] {
        near(m, -23.0, 0.1);
    }
}

/// EBU Tech 3341, table 1, signals 10 and 13 (file meters): largest S and M of each segment.
#[test]
fn tech_3341_signals_10_and_13() {
    const SILENCE: f64 = f64::NEG_INFINITY;
    for i in 0..20 {
        let i = f64::from(i);
        let tenth = stereo(
            &tones(&[(0.15 * i, SILENCE), (3.0, -23.0), (1.0, SILENCE)]),
            100,
        );
        near(highest(&tenth.short_term_lufs()), -23.0, 0.1);
        let thirteenth = stereo(
            &tones(&[(0.02 * i, SILENCE), (0.4, -23.0), (1.0, SILENCE)]),
            100,
        );
        near(highest(&thirteenth.momentary_lufs()), -23.0, 0.1);
    }
}

/// EBU Tech 3341, table 1, signals 11 and 14 (live meters): largest S and M of each segment, -38 to -19.
#[test]
fn tech_3341_signals_11_and_14() {
    const SILENCE: f64 = f64::NEG_INFINITY;
    for i in 0..20 {
        let i = f64::from(i);
        let level = -38.0 + i;
        let eleventh = [(0.15 * i, SILENCE), (3.0, level), (3.0 - 0.15 * i, SILENCE)];
        near(
            highest(&stereo(&tones(&eleventh), 100).short_term_lufs()),
            level,
            0.1,
        );
        let fourteenth = [(0.02 * i, SILENCE), (0.4, level), (0.4 - 0.02 * i, SILENCE)];
        near(
            highest(&stereo(&tones(&fourteenth), 100).momentary_lufs()),
            level,
            0.1,
        );
    }
}

/// EBU Tech 3342, table 1, signals 1-4: LRA within 1 LU. Worked without tolerance the readings are whole numbers.
#[test]
fn tech_3342_signals_1_to_4() {
    let five = [-50.0, -35.0, -20.0, -35.0, -50.0];
    for (levels, range) in [
        (&[-20.0, -30.0][..], 10.0),
        (&[-20.0, -15.0], 5.0),
        (&[-40.0, -20.0], 20.0),
        (&five, 15.0),
    ] {
        let parts: Vec<(f64, f64)> = levels.iter().map(|&l| (20.0, l)).collect();
        let reading = stereo(&tones(&parts), 10).range_lu().unwrap();
        near(reading, range, 1.0);
        near(reading, range, 0.05);
    }
}

/// ITU-R BS.1770-5 annex 1, tables 1 and 2 (48 kHz); other rates after libebur128's derivation.
#[test]
fn filter_coefficients_are_the_printed_ones() {
    let [shelf, high_pass] = k_weighting(48_000.0);
    let printed = [
        (shelf.b[0], 1.53512485958697),
        (shelf.b[1], -2.69169618940638),
        (shelf.b[2], 1.19839281085285),
        (shelf.a[0], -1.69065929318241),
        (shelf.a[1], 0.73248077421585),
        (high_pass.b[0], 1.0),
        (high_pass.b[1], -2.0),
        (high_pass.b[2], 1.0),
        (high_pass.a[0], -1.99004745483398),
        (high_pass.a[1], 0.99007225036621),
    ];
    for (value, wanted) in printed {
        near(value, wanted, 1e-13);
    }
    // shelf b0, b1, b2, a1, a2; high-pass a1, a2
    #[rustfmt::skip]
    let table = [
        (44_100.0, [1.53084123005035, -2.65097999515473, 1.16907907992159, -1.66365511325602, 0.71259542807323, -1.98916967362980, 0.98919903578704]),
        (47_952.0, [1.53507625942684, -2.69123387409781, 1.19805700598147, -1.69035321103314, 0.73225260234363, -1.99003751706549, 0.99006236213972]),
        (48_048.0, [1.53517336522871, -2.69215761406341, 1.19872803694390, -1.69096477325345, 0.73270856136265, -1.99005737279595, 0.99008211893422]),
        (88_200.0, [1.55751537557965, -2.90562707992635, 1.36133397747221, -1.83091998796233, 0.84414226108785, -1.99457751545034, 0.99458487587805]),
        (96_000.0, [1.55971422897580, -2.92674157825108, 1.37826120231582, -1.84460946989011, 0.85584332293064, -1.99501754472472, 0.99502375904092]),
        (192_000.0, [1.57222721509128, -3.04728305156155, 1.47797134097961, -1.92220223060749, 0.92511773511683, -1.99750722284070, 0.99750877835551]),
    ];
    for (rate, wanted) in table {
        let [s, h] = k_weighting(rate);
        let values = [s.b[0], s.b[1], s.b[2], s.a[0], s.a[1], h.a[0], h.a[1]];
        for (value, wanted) in values.into_iter().zip(wanted) {
            near(value, wanted, 1e-13);
        }
    }
}

/// K-weighting gain at 48 kHz, both stages, evaluated from the printed coefficients.
#[test]
fn filter_gains_at_48_khz() {
    let sections = k_weighting(48_000.0);
    for (hz, db) in [
        (20.0, -13.275),
        (50.0, -3.934),
        (100.0, -1.133),
        (200.0, -0.265),
        (500.0, 0.042),
        (997.0, 0.691),
        (1000.0, 0.698),
        (2000.0, 3.071),
        (4000.0, 3.968),
        (10_000.0, 4.042),
        (20_000.0, 4.043),
    ] {
        let gain: f64 = sections.iter().map(|s| s.gain_db(hz, 48_000.0)).sum();
        near(gain, db, 0.001);
    }
}

/// ITU-R BS.1770-5 annex 1: 997 Hz at full scale in one channel reads -3.01, in two 0.00 LUFS; 1 kHz at -23 dBFS in two channels
/// reads -22.993, in one -26.004 (worked from the coefficients).
#[test]
fn worked_readings() {
    let x = sine(997.0, 0.0, RATE, 10.0);
    near(channel(&x, 10).integrated_lufs(), -3.010, 0.003);
    near(stereo(&x, 10).integrated_lufs(), 0.0, 0.003);
    let x = sine(1000.0, -23.0, RATE, 20.0);
    near(stereo(&x, 10).integrated_lufs(), -22.993, 0.003);
    near(channel(&x, 10).integrated_lufs(), -26.004, 0.003);
}

/// The `ebur128` crate (0.1, a port of libebur128): integrated loudness, loudness range, largest momentary and short-term.
#[test]
fn the_reference_library_reads_the_same() {
    for (rate, seed) in [(44_100, 1), (48_000, 2), (96_000, 3)] {
        let n = rate as usize * 21;
        let x: Vec<f32> = noise(n, seed)
            .iter()
            .enumerate()
            .map(|(i, v)| {
                let t = i as f64 / f64::from(rate);
                v * (0.3 * (0.9 * t).sin().powi(2) * (0.11 * t).cos().abs()) as f32
            })
            .collect();
        let mut theirs = EbuR128::new(1, rate, Mode::I | Mode::LRA | Mode::M | Mode::S).unwrap();
        let mut meter = LoudnessMeter::new(rate);
        let (mut momentary, mut short_term) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        for (i, part) in x.chunks(rate as usize / 10).enumerate() {
            theirs.add_frames_f32(part).unwrap();
            meter.push(part);
            if i >= 3 {
                momentary = momentary.max(theirs.loudness_momentary().unwrap());
            }
            if i >= 29 {
                short_term = short_term.max(theirs.loudness_shortterm().unwrap());
            }
        }
        let ours = meter.finish();
        near(
            ours.integrated_lufs(),
            theirs.loudness_global().unwrap(),
            0.01,
        );
        near(highest(&ours.momentary_lufs()), momentary, 0.01);
        near(highest(&ours.short_term_lufs()), short_term, 0.01);
        // Theirs takes short-term values every second and whole ranks, ours every 100 ms with interpolation.
        near(
            ours.range_lu().unwrap(),
            theirs.loudness_range().unwrap(),
            1.0,
        );
    }
}
