//! How well do reading and computing overlap? Reads files through storage that gives so many megabytes a second and no more,
//! first alone, then in a check: `cargo run --release --example slow_storage -- MB_PER_S THREADS FILE...`.
//!
//! Where computing is faster than the storage, the check should take as long as the reading does. Storage is throttled as a
//! whole: several files read at once share what it gives.

#![allow(clippy::print_stdout)]

use std::io::{Error, Result};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use takeproof::container::source::{Bytes, Disk, Storage};
use takeproof::pipeline::{self, How};
use takeproof::report::build;
use takeproof::settings::Settings;

/// Bytes read at a time where nothing is computed.
const PIECE: usize = 1 << 20;

/// Storage that gives a number of bytes a second.
#[derive(Debug, Clone)]
struct Slow {
    bytes_per_s: f64,
    /// When it has given everything that was asked for so far.
    free: Arc<Mutex<Instant>>,
}

impl Slow {
    fn new(bytes_per_s: f64) -> Slow {
        Slow {
            bytes_per_s,
            free: Arc::new(Mutex::new(Instant::now())),
        }
    }

    /// Wait as long as these bytes take.
    fn give(&self, bytes: usize) {
        let took = Duration::from_secs_f64(bytes as f64 / self.bytes_per_s);
        let Ok(mut free) = self.free.lock() else {
            return;
        };
        let done = (*free).max(Instant::now()) + took;
        *free = done;
        drop(free);
        std::thread::sleep(done.saturating_duration_since(Instant::now()));
    }
}

impl Storage for Slow {
    fn open(&self, path: &Path) -> Result<Box<dyn Bytes>> {
        let file = Disk.open(path)?;
        Ok(Box::new(SlowFile(file, self.clone())))
    }
}

/// One file of it.
#[derive(Debug)]
struct SlowFile(Box<dyn Bytes>, Slow);

impl Bytes for SlowFile {
    fn size(&self) -> Result<u64> {
        self.0.size()
    }

    fn some(&self, buffer: &mut [u8], offset: u64) -> Result<usize> {
        let n = self.0.some(buffer, offset)?;
        self.1.give(n);
        Ok(n)
    }
}

fn main() -> Result<()> {
    let mut args = std::env::args().skip(1);
    let mut number = || args.next().and_then(|a| a.parse::<f64>().ok());
    let (Some(mb_per_s), Some(threads)) = (number(), number()) else {
        return Err(Error::other("usage: slow_storage MB_PER_S THREADS FILE..."));
    };
    let files: Vec<PathBuf> = args.map(PathBuf::from).collect();

    let mut buffer = vec![0; PIECE];
    let mut bytes = 0;
    for file in &files {
        // Into the page cache, so that only the throttle counts.
        bytes += std::fs::read(file)?.len();
    }
    let clock = Instant::now();
    let slow = Slow::new(mb_per_s * 1e6);
    for file in &files {
        let file = slow.open(file)?;
        let mut at = 0;
        loop {
            let n = file.some(&mut buffer, at)?;
            if n == 0 {
                break;
            }
            at += n as u64;
        }
    }
    let alone = clock.elapsed().as_secs_f64();
    let check = |storage: &dyn Storage| {
        let clock = Instant::now();
        let how = How {
            threads: threads as usize,
            storage,
            ..How::default()
        };
        let day = pipeline::day(&files, &Settings::default(), &how, build::take);
        assert_eq!(day.unreadable.len(), 0);
        clock.elapsed().as_secs_f64()
    };
    let computing = check(&Disk);
    let both = check(&Slow::new(mb_per_s * 1e6));
    println!(
        "{} MB at {mb_per_s} MB/s: reading alone {alone:.2} s, check from memory {computing:.2} s, check {both:.2} s: {:.3} of the longer one",
        bytes / 1_000_000,
        both / alone.max(computing)
    );
    Ok(())
}
