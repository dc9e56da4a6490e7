//! The report page of a large day, 300 takes of 12 tracks: how long it takes to make, how large it is, and how long a browser
//! needs from opening the file until the first screen stands. Run: cargo bench --bench page
//!
//! Without Chromium on the machine only the making is measured.

#![allow(
    missing_docs,
    dead_code,
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr
)]

#[path = "../tests/suite/browser.rs"]
mod browser;
#[path = "../tests/suite/invented.rs"]
mod invented;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use takeproof::report::html;
use takeproof::report::terminal::For;

/// Openings in the browser, each in the same window; the least is the machine's, the largest shows what disturbed it.
const OPENINGS: usize = 7;

fn page(c: &mut Criterion) {
    let (report, drawings) = invented::day(300, 12);
    let make = || html::page(&report, &drawings, For::Mixer, &[]).unwrap();
    let text = make();
    let mut group = c.benchmark_group("page");
    group.sample_size(10);
    group.throughput(Throughput::Bytes(text.len() as u64));
    group.bench_function("making, 300 takes x 12 tracks", |b| b.iter(make));
    group.finish();

    println!("300 takes x 12 tracks: {:.1} MB", text.len() as f64 / 1e6);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("report.html");
    std::fs::write(&path, text).unwrap();
    let Some(mut window) = browser::browser("opening the page") else {
        return;
    };
    let mut seconds: Vec<f64> = (0..OPENINGS).map(|_| window.open(&path, "")).collect();
    seconds.sort_by(f64::total_cmp);
    println!(
        "opening it: {:.2} s least, {:.2} s in the middle, {:.2} s at most of {OPENINGS}",
        seconds[0],
        seconds[OPENINGS / 2],
        seconds[OPENINGS - 1]
    );
}

criterion_group!(benches, page);
criterion_main!(benches);
