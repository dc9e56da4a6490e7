//! Agreement with the outside world: signals generated from the text of standards, printed tables, another library. The source
//! stands beside each check; numbers computed elsewhere carry version and date.

mod levels;
mod loudness;
mod noise;
mod p56;
mod true_peak;
mod weightings;

use std::f64::consts::PI;

/// A sine; level in dB of its peak re full scale.
fn sine(hz: f64, peak_dbfs: f64, rate: u32, seconds: f64) -> Vec<f32> {
    let amplitude = 10f64.powf(peak_dbfs / 20.0);
    (0..(seconds * f64::from(rate)).round() as usize)
        .map(|i| (amplitude * (2.0 * PI * hz * i as f64 / f64::from(rate)).sin()) as f32)
        .collect()
}

/// Uniform noise of +-1 from a linear congruential generator (Knuth's constants): the same on every machine.
fn noise(n: usize, seed: u64) -> Vec<f32> {
    let mut state = seed;
    (0..n)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / 8_388_608.0 - 1.0
        })
        .collect()
}
