//! The only place that knows the order of the rooms, and the only one that runs things in parallel.

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, mpsc};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::aside::Aside;
use crate::compare::{self, Between, Mix, PairMeasures, SpeechMap};
use crate::container::source::{Disk, Storage};
use crate::container::{self, ReadError};
use crate::decode::{Block, Decoder, FileResult};
use crate::detect::{self, DayView, Finding, TakeView};
use crate::judge::{self, Judged};
use crate::measure::{Chunk, FilterMeters, Grid, TrackMeasures, TrackMeter};
use crate::report::model::{Landmark, SampleFormat, Unreadable, Window};
use crate::scan::{self, lists::List};
use crate::settings::Settings;
use crate::take::{self, Take, roles};

/// Samples per block at 48 kHz: half a second.
const BLOCK_S: f64 = 0.5;

/// Everything that is known of a take after analysis; pictures and reports are made from it.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// Files, labels, tracks.
    pub take: Take,
    /// Measurements in track order.
    pub tracks: Vec<TrackMeasures>,
    /// Who speaks when.
    pub speech: SpeechMap,
    /// Delay, polarity and level between microphones.
    pub pairs: Vec<PairMeasures>,
    /// Fader gains and ripple of the mix tracks.
    pub mixes: Vec<Mix>,
    /// Slate claps, tone, timecode.
    pub landmarks: Vec<Landmark>,
    /// Stretches to be judged.
    pub windows: Vec<Window>,
    /// Findings and answers.
    pub judged: Judged,
}

/// Everything read below the inputs of one check. `T` is what the caller keeps of each take: analyses themselves are dropped
/// one by one, so that memory does not grow with the length of the day.
#[derive(Debug)]
pub struct Day<T> {
    /// In report order: roll, clock, path.
    pub takes: Vec<Take>,
    /// Ids of the takes, same order.
    pub ids: Vec<String>,
    /// What the caller keeps, same order.
    pub kept: Vec<T>,
    /// Findings between takes.
    pub findings: Vec<Finding>,
    /// Files of which nothing could be analysed.
    pub unreadable: Vec<Unreadable>,
    /// What lay beside the audio: name and size.
    pub other: Vec<(String, u64)>,
    /// Threads that analysed.
    pub threads: usize,
}

impl<T> Day<T> {
    /// The same day with something else kept of each take.
    pub fn map<U>(mut self, change: impl FnMut(T) -> U) -> Day<U> {
        let kept = std::mem::take(&mut self.kept);
        self.keeping(kept.into_iter().map(change).collect())
    }

    fn keeping<U>(self, kept: Vec<U>) -> Day<U> {
        Day {
            kept,
            takes: self.takes,
            ids: self.ids,
            findings: self.findings,
            unreadable: self.unreadable,
            other: self.other,
            threads: self.threads,
        }
    }
}

impl<A, B> Day<(A, B)> {
    /// The second part of what is kept, apart.
    pub fn split(mut self) -> (Day<A>, Vec<B>) {
        let (kept, apart) = std::mem::take(&mut self.kept).into_iter().unzip();
        (self.keeping(kept), apart)
    }
}

/// Who wants to know how far a long analysis has come. Called from several threads.
pub trait Watch: Sync {
    /// Headers are read: this many takes and bytes are to be analysed.
    fn begin(&self, takes: usize, bytes: u64);
    /// So many bytes more are read and measured.
    fn measured(&self, bytes: u64);
    /// One take of so many bytes is analysed.
    fn done(&self, bytes: u64);
}

/// Watches nothing.
impl Watch for () {
    fn begin(&self, _: usize, _: u64) {}
    fn measured(&self, _: u64) {}
    fn done(&self, _: u64) {}
}

/// How takes are worked on. Nothing in it changes a result.
#[derive(Clone, Copy)]
pub struct How<'a> {
    /// How many takes are worked on at once, and how many threads share the work; 0 means one per core.
    pub threads: usize,
    /// Who wants to know how far it has come.
    pub watch: &'a dyn Watch,
    /// Where the audio lies.
    pub storage: &'a dyn Storage,
    /// Where measurements of long takes may lie meanwhile; `None`: in memory only.
    pub aside: Option<&'a Path>,
    /// Hours of all tracks of a take together from which it is a long one.
    pub long_h: f64,
}

impl Default for How<'_> {
    fn default() -> Self {
        How {
            threads: 0,
            watch: &(),
            storage: &Disk,
            aside: None,
            long_h: LONG_H,
        }
    }
}

impl How<'_> {
    /// The place for what grows with a take.
    fn aside(&self, take: &Take) -> Aside {
        let hours = take.duration_s() * take.tracks.len() as f64 / 3600.0;
        match self.aside {
            Some(folder) if hours >= self.long_h => Aside::in_folder(folder),
            _ => Aside::default(),
        }
    }
}

/// Track hours that stay in memory: 32 tracks of ten minutes, or eight of forty.
const LONG_H: f64 = 5.4;

/// Share of all bytes in the shortest takes, which are worked on first: who waits sees within seconds what is found.
const SOON: f64 = 0.02;

/// What lies below the inputs, before anything is analysed.
#[derive(Debug)]
pub struct Found {
    /// Takes in the order of their paths.
    pub takes: Vec<Take>,
    /// Everything else.
    pub beside: Beside,
}

/// What lies below the inputs besides takes: the same for whoever looks, however the takes are shared out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Beside {
    /// Files of which nothing can be analysed, as far as looking tells.
    pub unreadable: Vec<Unreadable>,
    /// What lay beside the audio: name and size.
    pub other: Vec<(String, u64)>,
    /// Tables among those files that name audio files.
    pub lists: Vec<List>,
    /// Names of all audio files, takes or not.
    pub here: Vec<String>,
}

/// What became of one take: the take and what the caller keeps of it, or its files with the reason why there is nothing.
#[derive(Debug, Serialize, Deserialize)]
pub struct Done<T> {
    /// Position in [`Found::takes`].
    pub position: usize,
    /// The take, or why not.
    pub outcome: Result<(Take, T), Vec<Unreadable>>,
}

/// Scan, read, join, analyse everything below the inputs, and compare the takes with each other.
///
/// A take that makes the analysis panic is listed as unreadable, as our fault, and the rest goes on.
pub fn day<T: Send>(
    inputs: &[PathBuf],
    settings: &Settings,
    how: &How<'_>,
    keep: impl Fn(&Analysis) -> T + Sync,
) -> Day<T> {
    let Found { takes, beside } = find(inputs, settings);
    let takes = takes.into_iter().enumerate().collect();
    let (done, threads) = read(takes, settings, how, keep);
    together(beside, done, settings, threads)
}

/// Look below the inputs: read headers and join files to takes.
pub fn find(inputs: &[PathBuf], settings: &Settings) -> Found {
    let scan = scan::scan(inputs);
    let mut unreadable = scan.unreadable;
    let here = scan.audio.iter().map(|(_, name)| name.clone()).collect();
    let mut files = Vec::new();
    for (path, name) in scan.audio {
        match container::open(&path) {
            Ok(opened) => files.push((opened, name)),
            Err(error) => unreadable.push(refused(&name, &error)),
        }
    }
    Found {
        takes: take::assemble::assemble(files, settings),
        beside: Beside {
            unreadable,
            other: scan.other,
            lists: scan.lists,
            here,
        },
    }
}

/// Analyse takes, each with its position in [`Found::takes`]; results in the order of positions. Also says how many threads did
/// it.
pub fn read<T: Send>(
    takes: Vec<(usize, Take)>,
    settings: &Settings,
    how: &How<'_>,
    keep: impl Fn(&Analysis) -> T + Sync,
) -> (Vec<Done<T>>, usize) {
    let watch = how.watch;
    watch.begin(takes.len(), takes.iter().map(|(_, t)| bytes(t)).sum());
    let (mut done, threads) =
        in_parallel(shortest_first(takes), how.threads, |(position, take)| {
            let (names, size) = (names(&take), bytes(&take));
            let outcome = catch_unwind(AssertUnwindSafe(|| {
                analyse(take, settings, how).map(|analysis| {
                    let kept = keep(&analysis);
                    (analysis.take, kept)
                })
            }));
            watch.done(size);
            let outcome = match outcome {
                Ok(Ok(done)) => Ok(done),
                Ok(Err(error)) => Err(names.iter().map(|n| refused(n, &error)).collect()),
                Err(panic) => Err(names.iter().map(|n| our_fault(n, &*panic)).collect()),
            };
            Done { position, outcome }
        });
    done.sort_by_key(|d| d.position);
    (done, threads)
}

/// The shortest takes in front, the rest as it was.
fn shortest_first(mut takes: Vec<(usize, Take)>) -> Vec<(usize, Take)> {
    let all: u64 = takes.iter().map(|(_, t)| bytes(t)).sum();
    let mut sizes: Vec<u64> = takes.iter().map(|(_, t)| bytes(t)).collect();
    sizes.sort_unstable();
    let mut sum = 0;
    let soon = sizes.into_iter().take_while(|&size| {
        sum += size;
        sum as f64 <= SOON * all as f64
    });
    let longest = soon.last().unwrap_or(0);
    // The sort is stable: false is smaller than true.
    takes.sort_by_key(|(_, t)| {
        if bytes(t) <= longest {
            bytes(t)
        } else {
            u64::MAX
        }
    });
    takes
}

/// Everything that was read as one day: put in order, named, compared. `done` in the order of positions.
pub fn together<T>(
    beside: Beside,
    done: Vec<Done<T>>,
    settings: &Settings,
    threads: usize,
) -> Day<T> {
    let Beside {
        mut unreadable,
        other,
        lists,
        here,
    } = beside;
    let mut takes = Vec::new();
    for done in done {
        match done.outcome {
            Ok(take) => takes.push(take),
            Err(files) => unreadable.extend(files),
        }
    }
    takes.sort_by(|(a, _), (b, _)| report_order(a, b));
    unreadable.sort_by(|a, b| a.path.cmp(&b.path));
    let (takes, kept): (Vec<Take>, Vec<T>) = takes.into_iter().unzip();
    let ids = take::ids::ids(&takes);
    let findings = detect::detect_day(&DayView {
        takes: &takes,
        ids: &ids,
        lists: &lists,
        here: &here,
        settings,
    });
    Day {
        takes,
        ids,
        kept,
        findings,
        unreadable,
        other,
        threads,
    }
}

/// Roll, start on the clock, path; takes without roll or clock come last.
fn report_order(a: &Take, b: &Take) -> std::cmp::Ordering {
    fn start(take: &Take) -> Option<f64> {
        let start = take.clock.start?;
        Some(start as f64 / f64::from(take.clock.rate.max(1)))
    }
    fn last<T>(value: Option<T>) -> (bool, Option<T>) {
        (value.is_none(), value)
    }
    let path = |t: &Take| t.files.first().map(|f| f.name.clone());
    last(a.roll.as_ref())
        .cmp(&last(b.roll.as_ref()))
        .then(start(a).is_none().cmp(&start(b).is_none()))
        .then(start(a).unwrap_or(0.0).total_cmp(&start(b).unwrap_or(0.0)))
        .then_with(|| path(a).cmp(&path(b)))
}

/// Work on every item, results in the order of the items. As many items are under way as there are threads, and each may
/// spread over all of them.
pub fn in_parallel<I: Send, R: Send>(
    items: Vec<I>,
    threads: usize,
    work: impl Fn(I) -> R + Sync,
) -> (Vec<R>, usize) {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .stack_size(STACK_BYTES)
        .build();
    let threads = pool
        .as_ref()
        .map_or(1, rayon::ThreadPool::current_num_threads);
    let slots: Vec<Mutex<(Option<I>, Option<R>)>> = items
        .into_iter()
        .map(|item| Mutex::new((Some(item), None)))
        .collect();
    let next = AtomicUsize::new(0);
    let worker = || {
        while let Some(slot) = slots.get(next.fetch_add(1, Ordering::Relaxed)) {
            let Some(item) = slot.lock().ok().and_then(|mut s| s.0.take()) else {
                continue;
            };
            let result = match &pool {
                Ok(pool) => pool.install(|| work(item)),
                Err(_) => work(item),
            };
            if let Ok(mut slot) = slot.lock() {
                slot.1 = Some(result);
            }
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..threads.min(slots.len()) {
            scope.spawn(worker);
        }
    });
    let results = slots
        .into_iter()
        .filter_map(|s| s.into_inner().ok().and_then(|s| s.1))
        .collect();
    (results, threads)
}

/// Room for nested parallel work; only touched pages cost memory.
const STACK_BYTES: usize = 16 << 20;

fn names(take: &Take) -> Vec<String> {
    take.files.iter().map(|f| f.name.clone()).collect()
}

/// Bytes of all files of a take.
pub fn bytes(take: &Take) -> u64 {
    take.files.iter().map(|f| f.opened.header.bytes).sum()
}

fn refused(name: &str, error: &ReadError) -> Unreadable {
    Unreadable {
        path: name.to_owned(),
        reason: error.reason().into(),
        detail: error.story(),
    }
}

fn our_fault(name: &str, panic: &(dyn Any + Send)) -> Unreadable {
    let what = panic_words(panic);
    Unreadable {
        path: name.to_owned(),
        reason: "fault of takeproof".into(),
        detail: format!("the analysis stopped ({what}); the file itself may be fine"),
    }
}

/// What a panic says.
pub fn panic_words(payload: &(dyn Any + Send)) -> &str {
    payload
        .downcast_ref::<String>()
        .map(String::as_str)
        .or_else(|| payload.downcast_ref::<&str>().copied())
        .unwrap_or("no reason given")
}

/// Decode, measure, compare, detect and judge one take.
pub fn analyse(mut take: Take, settings: &Settings, how: &How<'_>) -> Result<Analysis, ReadError> {
    if take.tracks.iter().any(roles::is_open) {
        let heard = listen(&take, LISTEN_S, how)?;
        roles::roles_from_signal(&mut take, &heard);
    }
    let (tracks, between, results, samples) = measure(&take, how)?;
    // Less than the headers say where the files could not be read to their ends.
    take.samples = samples;
    for (file, result) in take.files.iter_mut().zip(results) {
        file.hash = Some(result.hash);
        file.audio_hash = Some(result.audio_hash);
        file.opened.problems.extend(result.problems);
    }
    let grid = tracks.first().map_or(
        Grid {
            rate: take.rate,
            hop: 1,
            frames: 0,
            samples: 0,
        },
        |t| t.frames.grid,
    );
    compare::landmarks::roles(&mut take, &tracks);
    take.ltc_start = compare::landmarks::clock(&take, &tracks);
    let speech = compare::speech::speech_map(&take, &tracks);
    let pairs = compare::pairs::measure(between.pairs, &speech);
    let landmarks = compare::landmarks::landmarks(&take, &tracks, &speech);
    let windows = judge::windows::windows(&take, &landmarks, &speech);
    let mut view = TakeView {
        take: &take,
        grid,
        tracks: &tracks,
        speech: &speech,
        pairs: &pairs,
        mixes: &between.mixes,
        landmarks: &landmarks,
        windows: &windows,
        settings,
        known: detect::hearing::Known::new(tracks.len()),
    };
    let findings: Vec<Finding> = detect::detect(&view);
    // Only detectors ask for it, and it grows with the take.
    view.known = detect::hearing::Known::new(tracks.len());
    let judged = judge::judge(&view, findings);
    Ok(Analysis {
        take,
        tracks,
        speech,
        pairs,
        mixes: between.mixes,
        landmarks,
        windows,
        judged,
    })
}

/// What one pass gives: per track, between tracks, per file, and how many samples could be read.
type Measured = (Vec<TrackMeasures>, Between, Vec<FileResult>, u64);

/// How much of a take is heard beforehand where the metadata does not tell what its tracks are, s.
const LISTEN_S: f64 = 120.0;

/// Measurements of the first seconds of a take: the pass proper needs to know roles from its first sample on.
fn listen(take: &Take, seconds: f64, how: &How<'_>) -> Result<Vec<TrackMeasures>, ReadError> {
    let block = (f64::from(take.rate) * BLOCK_S) as usize;
    let mut decoder = Decoder::open_in(how.storage, take, block)?;
    let mut meters = meters(
        take,
        crate::units::samples(seconds, take.rate).min(take.samples),
        &Aside::default(),
    );
    let mut block = Block::default();
    let end = crate::units::samples(seconds, take.rate);
    while decoder.position() < end && decoder.next_into(&mut block)? {
        silence_nonfinite(take.format, &mut meters, &mut block);
        push(&mut meters, &block);
    }
    Ok(finish(meters))
}

/// Meters of all tracks, each with its count of samples that were no numbers.
type Meters = Vec<(TrackMeter, u64)>;

fn meters(take: &Take, samples: u64, aside: &Aside) -> Meters {
    take.tracks
        .iter()
        .map(|_| {
            let meter = TrackMeter::new(take.signal());
            (meter.expecting(samples, aside), 0)
        })
        .collect()
}

/// What is no number becomes silence and is counted.
fn silence_nonfinite(format: SampleFormat, meters: &mut Meters, block: &mut Block) {
    // Whole numbers are finite.
    if format == SampleFormat::Int {
        return;
    }
    let tracks = meters.iter_mut().zip(&mut block.x);
    tracks.for_each(|((_, nonfinite), x)| {
        // Nearly always there is none, and a sum over all is quick.
        if x.iter().map(|s| u32::from(!s.is_finite())).sum::<u32>() == 0 {
            return;
        }
        for sample in x.iter_mut().filter(|s| !s.is_finite()) {
            *sample = 0.0;
            *nonfinite += 1;
        }
    });
}

/// Hand a block to the meters.
fn push(meters: &mut Meters, block: &Block) {
    let Block { start, x, codes } = block;
    let x: Vec<&[f32]> = x.iter().map(Vec::as_slice).collect();
    let (mut filtered, mut plain): (Vec<_>, Vec<_>) =
        meters.iter_mut().map(|(m, _)| m.halves()).unzip();
    let lanes = FilterMeters::together();
    rayon::join(
        || {
            filtered
                .par_chunks_mut(lanes)
                .zip(x.par_chunks(lanes))
                .for_each(|(meters, x)| FilterMeters::push(meters, x));
        },
        || {
            plain
                .par_iter_mut()
                .zip(x.par_iter().zip(codes.par_iter()))
                .for_each(|(meter, (x, codes))| {
                    let start = *start;
                    meter.push(Chunk { start, x, codes });
                });
        },
    );
}

fn finish(meters: Meters) -> Vec<TrackMeasures> {
    meters
        .into_par_iter()
        .map(|(meter, nonfinite)| meter.finish(nonfinite))
        .collect()
}

/// Bytes of decoded samples that wait to be measured, at most; one block may always wait.
const AHEAD_BYTES: usize = 16 << 20;

/// One pass over the samples of a take.
///
/// Reading and decoding have a thread of their own: it waits for the storage, and no thread that could compute waits with it.
fn measure(take: &Take, how: &How<'_>) -> Result<Measured, ReadError> {
    let size = (f64::from(take.rate) * BLOCK_S) as usize;
    let mut decoder = Decoder::open_in(how.storage, take, size)?;
    // Samples, and codes where these need their own, four bytes each.
    let kinds = 1 + usize::from(take.signal().codes_apart());
    let block_bytes = 4 * kinds * size * take.tracks.len();
    let ahead = (AHEAD_BYTES / block_bytes.max(1)).max(1);
    // As stored; of a packed file about as much.
    let per_sample = bytes(take) / take.samples.max(1);
    let aside = how.aside(take);
    let meters = meters(take, take.samples, &aside);
    let mut between = compare::Meter::new(take, &aside);
    let mut meters: Meters = (meters.into_iter().enumerate())
        .map(|(track, (meter, nonfinite))| {
            (meter.keeping_bins(between.bins_wanted(track)), nonfinite)
        })
        .collect();
    let mut bins = vec![Vec::new(); meters.len()];
    let (full, blocks) = mpsc::sync_channel(ahead);
    let (used, empty) = mpsc::channel::<Block>();
    let decoder = std::thread::scope(|scope| {
        let reading = scope.spawn(move || {
            loop {
                let mut block = empty.try_recv().unwrap_or_default();
                match decoder.next_into(&mut block) {
                    Ok(true) if full.send(block).is_ok() => {}
                    Ok(_) => return Ok(decoder),
                    Err(error) => return Err(error),
                }
            }
        });
        for mut block in blocks {
            silence_nonfinite(take.format, &mut meters, &mut block);
            // Tracks are compared by what was measured of the block before: no thread waits for the end of one of both.
            rayon::join(|| push(&mut meters, &block), || between.push(&bins));
            for ((meter, _), bins) in meters.iter_mut().zip(&mut bins) {
                meter.hand_bins(bins);
            }
            how.watch.measured(per_sample * block.len() as u64);
            // Its memory is used again; at the end nobody wants it.
            let _ = used.send(block);
        }
        reading.join()
    });
    let decoder = decoder.unwrap_or_else(|panic| resume_unwind(panic))?;
    between.push(&bins);
    let samples = decoder.position();
    Ok((finish(meters), between.finish(), decoder.finish()?, samples))
}
