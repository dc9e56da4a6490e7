//! Levels and clipping arithmetic in closed form.

use takeproof::measure::rails::RailsMeter;
use takeproof::measure::{Grid, Signal, Tiles, TrackMeter, rails};
use takeproof::report::model::SampleFormat;

const SIGNAL: Signal = Signal {
    rate: 48_000,
    bits: 24,
    format: SampleFormat::Int,
};

/// A sine overdriven by `db`, as 24-bit codes.
fn overdriven(db: f64, hz: f64, seconds: f64) -> (Vec<f32>, Vec<i32>) {
    let a = 10f64.powf(db / 20.0);
    let codes: Vec<i32> = (0..(seconds * 48_000.0) as usize)
        .map(|i| {
            let v = a * (2.0 * std::f64::consts::PI * hz * i as f64 / 48_000.0).sin();
            (v * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0) as i32
        })
        .collect();
    (
        codes
            .iter()
            .map(|&c| (f64::from(c) / 8_388_608.0) as f32)
            .collect(),
        codes,
    )
}

/// Share of samples at the limit: 1 - (2/pi) asin(10^(-d/20)): 21.39, 29.97, 49.92, 66.58 % at 0.5, 1, 3, 6 dB (closed form).
/// Single samples at full scale are no runs; a frequency that divides nothing leaves at most one of them a lobe.
#[test]
fn a_clipped_sine_has_the_share_of_the_closed_form() {
    for (db, share) in [(0.5, 0.2139), (1.0, 0.2997), (3.0, 0.4992), (6.0, 0.6658)] {
        let (x, codes) = overdriven(db, 220.3, 10.0);
        let mut meter = RailsMeter::new(SIGNAL);
        meter.push(&x, &codes, &Tiles::of(&x));
        let pinned: u64 = meter
            .finish()
            .levels
            .iter()
            .map(rails::Level::samples)
            .sum();
        let measured = pinned as f64 / x.len() as f64;
        assert!((measured - share).abs() < 0.01, "{db} dB: {measured}");
    }
}

/// The whole chain of meters agrees: peak, offset, pinned samples, loudness.
#[test]
fn all_meters_of_a_track_see_the_same_signal() {
    let (x, codes) = overdriven(1.0, 220.3, 5.0);
    let mut meter = TrackMeter::new(SIGNAL);
    for (i, (x, codes)) in x.chunks(4800).zip(codes.chunks(4800)).enumerate() {
        meter.push(takeproof::measure::Chunk {
            start: 4800 * i as u64,
            x,
            codes,
        });
    }
    let m = meter.finish(0);
    let Grid { frames, .. } = m.frames.grid;
    assert_eq!(frames, 250);
    assert!(m.levels.sample_peak_dbfs().abs() < 1e-5);
    assert!(m.levels.offset().unwrap().value.abs() < 1e-3);
    assert!(m.true_peak.dbtp() >= m.levels.sample_peak_dbfs());
    assert_eq!(m.rails.clipped(SIGNAL, &m.frames).len(), 1);
    assert!(m.rails.clipped(SIGNAL, &m.frames)[0].both_sides);
}
