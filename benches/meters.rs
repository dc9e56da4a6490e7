//! What the meters of one track cost: sound time over wall time. Run: cargo bench --bench meters
//!
//! Compare with the commit before on the same machine; on shared cores count instructions before trusting seconds.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use takeproof::measure::{Chunk, Signal, TrackMeter};
use takeproof::report::model::SampleFormat;

const RATE: u32 = 48_000;
const SECONDS: u32 = 20;

/// Speech-like level swells of noise, from a fixed seed; integer codes at 24 bit.
fn sound() -> (Vec<f32>, Vec<i32>) {
    let mut dice = fastrand::Rng::with_seed(1);
    let codes: Vec<i32> = (0..RATE * SECONDS)
        .map(|n| {
            let t = f64::from(n) / f64::from(RATE);
            let level = 0.001 + 0.1 * (t * 2.0).sin().max(0.0);
            (level * (dice.f64() - 0.5) * 8_388_608.0) as i32
        })
        .collect();
    let x = codes.iter().map(|&c| c as f32 / 8_388_608.0).collect();
    (x, codes)
}

fn meters(c: &mut Criterion) {
    let (x, codes) = sound();
    let signal = Signal {
        rate: RATE,
        bits: 24,
        format: SampleFormat::Int,
    };
    let mut group = c.benchmark_group("meters");
    group.sample_size(10);
    // Elements a second over the sample rate is the multiple of real time.
    group.throughput(Throughput::Elements(u64::from(RATE * SECONDS)));
    group.bench_function("one track, 24 bit, 48 kHz", |b| {
        b.iter(|| {
            let mut meter = TrackMeter::new(signal);
            let block = RATE as usize / 2;
            for (i, (x, codes)) in x.chunks(block).zip(codes.chunks(block)).enumerate() {
                meter.push(Chunk {
                    start: (i * block) as u64,
                    x,
                    codes,
                });
            }
            meter.finish(0)
        });
    });
    group.finish();
}

criterion_group!(benches, meters);
criterion_main!(benches);
