//! Active speech level, ITU-T P.56 (12/2011) method B.

use takeproof::measure::speech_level::{Active, ActiveLevelMeter};

use super::{noise, sine};

fn measure(x: &[f32], rate: u32) -> Active {
    let mut meter = ActiveLevelMeter::new(rate, rate as usize / 50);
    x.chunks(4800).for_each(|part| meter.push(part));
    meter.finish().of(|_| true).unwrap()
}

fn rms_db(x: &[f32]) -> f64 {
    10.0 * (x.iter().map(|&v| f64::from(v).powi(2)).sum::<f64>() / x.len() as f64).log10()
}

/// Steady sine or noise: the active level is the long-term level (P.56, calibration).
#[test]
fn steady_signals_read_their_long_term_level() {
    let tone = sine(1000.0, -20.0, 48_000, 30.0);
    assert!((measure(&tone, 48_000).level_dbfs - rms_db(&tone)).abs() < 0.02);
    let hiss: Vec<f32> = noise(48_000 * 30, 5).iter().map(|v| v * 0.1).collect();
    assert!((measure(&hiss, 48_000).level_dbfs - rms_db(&hiss)).abs() < 0.05);
}

/// A sine gated on and off for 1, 2 and 4 s: active minus long-term level is +1.95, +2.45 and +2.72 dB, not +3.01, because
/// hangover (200 ms) and the decay of the envelope count as active. Values of the method worked sample by sample in NumPy 2.4.6
/// (2026-11-25: 1.947, 2.452, 2.724); frames of 20 ms read within 0.1 dB of them.
#[test]
fn gated_sines_read_what_the_method_says() {
    for (seconds, wanted) in [(1.0, 1.95), (2.0, 2.45), (4.0, 2.72)] {
        let on = sine(1000.0, -20.0, 48_000, seconds);
        let off = vec![0f32; on.len()];
        let x = [on, off].concat().repeat(5);
        let excess = measure(&x, 48_000).level_dbfs - rms_db(&x);
        assert!((excess - wanted).abs() < 0.1, "{seconds} s: {excess}");
    }
}
