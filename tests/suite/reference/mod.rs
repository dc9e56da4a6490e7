//! Agreement with the outside world: signals generated from the text of standards, printed tables, another library. The source
//! stands beside each check; numbers computed elsewhere carry version and date.

mod levels;
mod loudness;
mod noise;
mod numpy;
mod p56;
mod pairs;
mod timecode;
mod true_peak;
mod weightings;

use std::f64::consts::PI;

use takeproof::synth::sources::noise;

/// A sine; level in dB of its peak re full scale.
fn sine(hz: f64, peak_dbfs: f64, rate: u32, seconds: f64) -> Vec<f32> {
    let amplitude = 10f64.powf(peak_dbfs / 20.0);
    (0..(seconds * f64::from(rate)).round() as usize)
        .map(|i| (amplitude * (2.0 * PI * hz * i as f64 / f64::from(rate)).sin()) as f32)
        .collect()
}
