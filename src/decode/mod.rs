//! Decoding: one pass over a take, planar blocks of all tracks, plus integer codes where samples cannot hold them.
//!
//! Every byte of every file is read once: hashes are made of the bytes on their way. A read error costs what could not be
//! read and no more: the gap is silence, the file gets a problem, and reading goes on behind it until it fails for good.

mod ahead;
pub mod flac;
pub mod pcm;

use crate::container::source::{Disk, Source, Storage};
use crate::container::{Encoding, ReadError};
use crate::report::model::{Hash, Problem};
use crate::take::Take;

/// A stretch of all tracks of a take.
#[derive(Debug, Clone, Default)]
pub struct Block {
    /// First sample within the take.
    pub start: u64,
    /// Samples per track, full scale 1.0, in track order; all of one length. Integer samples are `code / 2^(bits-1)`.
    pub x: Vec<Vec<f32>>,
    /// Codes at the valid bit depth (32 bit: -2^31..2^31-1), in track order, where samples cannot hold them; else empty vectors.
    pub codes: Vec<Vec<i32>>,
}

impl Block {
    /// Samples per track.
    pub fn len(&self) -> usize {
        self.x.first().map_or(0, Vec::len)
    }

    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Room for `n` samples on `tracks` tracks, in the memory that is there; what it holds is silence if `silent`, else left
    /// over from the block before.
    fn reset(&mut self, start: u64, tracks: usize, n: usize, codes_apart: bool, silent: bool) {
        self.start = start;
        self.x.resize_with(tracks, Vec::new);
        self.codes.resize_with(tracks, Vec::new);
        let codes = if codes_apart { n } else { 0 };
        for x in &mut self.x {
            if silent {
                x.clear();
            }
            x.resize(n, 0.0);
        }
        for c in &mut self.codes {
            if silent {
                c.clear();
            }
            c.resize(codes, 0);
        }
    }
}

/// Where the samples of one file go: the tracks of a file within a block, from one position on.
pub(crate) struct Target<'a> {
    pub(crate) x: &'a mut [Vec<f32>],
    /// Empty where samples hold them.
    pub(crate) codes: &'a mut [Vec<i32>],
    /// First position in the vectors.
    pub(crate) at: usize,
    /// Samples to fill in.
    pub(crate) len: usize,
}

/// Reads the files of one take in step.
#[derive(Debug)]
pub struct Decoder {
    parts: Vec<Part>,
    block: u64,
    at: u64,
    samples: u64,
    tracks: usize,
    codes_apart: bool,
}

/// One file of the take.
#[derive(Debug)]
struct Part {
    /// First sample within the take.
    first: u64,
    frames: u64,
    first_track: usize,
    channels: usize,
    reader: Reader,
}

#[derive(Debug)]
enum Reader {
    Pcm(Box<pcm::PcmReader>),
    Flac(Box<flac::FlacReader>),
}

/// What is known of each file after it has been read to its end, in the order of [`Take::files`].
#[derive(Debug, Clone)]
pub struct FileResult {
    /// Of the whole file. Where bytes could not be read (see `problems`) it covers the others.
    pub hash: Hash,
    /// Of the audio bytes as stored, whole frames only (FLAC: of the compressed frames).
    pub audio_hash: Hash,
    /// Problems met while decoding.
    pub problems: Vec<Problem>,
}

impl Decoder {
    /// Open all files of a take for reading. `block` is the number of samples per block.
    pub fn open(take: &Take, block: usize) -> Result<Decoder, ReadError> {
        Decoder::open_in(&Disk, take, block)
    }

    /// The same in other storage.
    pub fn open_in(storage: &dyn Storage, take: &Take, block: usize) -> Result<Decoder, ReadError> {
        let mut parts = Vec::new();
        for file in &take.files {
            let header = &file.opened.header;
            let source = Source::open_in(storage, &file.opened.path)?;
            parts.push(Part {
                first: file.first_sample,
                frames: header.frames,
                first_track: file.first_track,
                channels: usize::from(header.channels),
                reader: match header.encoding {
                    Encoding::Pcm(layout) => {
                        Reader::Pcm(Box::new(pcm::PcmReader::new(source, header, layout)))
                    }
                    Encoding::Flac => {
                        Reader::Flac(Box::new(flac::FlacReader::new(source, header)?))
                    }
                },
            });
        }
        let tracks = parts.iter().map(|p| p.first_track + p.channels).max();
        Ok(Decoder {
            parts,
            block: block.max(1) as u64,
            at: 0,
            samples: take.samples,
            tracks: tracks.unwrap_or(0),
            codes_apart: take.signal().codes_apart(),
        })
    }

    /// The next block into `block` (its memory is used again); `false` at the end, which comes early where no file can be
    /// read any further.
    pub fn next_into(&mut self, block: &mut Block) -> Result<bool, ReadError> {
        let n = self.block.min(self.samples - self.at);
        if n == 0 || self.nothing_left() {
            return Ok(false);
        }
        // Where the files fill every sample nothing has to be silenced first.
        let full = self.parts.iter().all(|p| {
            p.first <= self.at
                && p.first + p.frames >= self.at + n
                && matches!(p.reader, Reader::Pcm(_))
                && p.reader.failed_at().is_none()
        });
        block.reset(self.at, self.tracks, n as usize, self.codes_apart, !full);
        for part in &mut self.parts {
            let from = part.first.max(self.at);
            let to = (part.first + part.frames).min(self.at + n);
            if from >= to {
                continue;
            }
            let tracks = part.first_track..part.first_track + part.channels;
            let target = Target {
                x: &mut block.x[tracks.clone()],
                codes: &mut block.codes[tracks],
                at: (from - self.at) as usize,
                len: (to - from) as usize,
            };
            match &mut part.reader {
                Reader::Pcm(reader) => reader.read(from - part.first, target),
                Reader::Flac(reader) => reader.read(from - part.first, target),
            }
        }
        // Cut at the last sample that could be read.
        if self.nothing_left() {
            let there = self.readable_end().clamp(self.at, self.at + n) - self.at;
            if there == 0 {
                return Ok(false);
            }
            block.x.iter_mut().for_each(|x| x.truncate(there as usize));
            block
                .codes
                .iter_mut()
                .for_each(|c| c.truncate(there as usize));
            self.at += there;
            self.samples = self.at;
            return Ok(true);
        }
        self.at += n;
        Ok(true)
    }

    /// Samples per track delivered so far; after the last block the length of the take as far as it could be read.
    pub fn position(&self) -> u64 {
        self.at
    }

    /// Whether every file that reaches beyond the present position has failed for good.
    fn nothing_left(&self) -> bool {
        let mut ahead = self
            .parts
            .iter()
            .filter(|p| p.first + p.frames > self.at)
            .peekable();
        ahead.peek().is_some() && ahead.all(|p| p.reader.failed_at().is_some())
    }

    /// End of the last sample that any file could give.
    fn readable_end(&self) -> u64 {
        self.parts
            .iter()
            .map(|p| p.first + p.reader.failed_at().unwrap_or(p.frames))
            .max()
            .unwrap_or(0)
    }

    /// Hashes and problems; call after the last block.
    pub fn finish(self) -> Result<Vec<FileResult>, ReadError> {
        Ok(self
            .parts
            .into_iter()
            .map(|part| match part.reader {
                Reader::Pcm(reader) => reader.finish(),
                Reader::Flac(reader) => reader.finish(),
            })
            .collect())
    }
}

impl Reader {
    /// First frame that cannot be read, once reading has failed for good.
    fn failed_at(&self) -> Option<u64> {
        match self {
            Reader::Pcm(reader) => reader.failed_at(),
            Reader::Flac(reader) => reader.failed_at(),
        }
    }
}

/// A digest as the report writes it: canonical, 32 digits.
pub(crate) fn hash_text(digest: u128) -> Hash {
    Hash {
        xxh128: format!("{digest:032x}"),
    }
}
