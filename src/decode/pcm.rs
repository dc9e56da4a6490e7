//! Uncompressed samples: read, hash, unpack.

use std::io;

use twox_hash::XxHash3_128;

use super::ahead::{Ahead, Piece};
use super::{FileResult, Target, hash_text};
use crate::container::source::Source;
use crate::container::{Header, Pcm};
use crate::dsp::apart::apart;
use crate::dsp::widest::widest;
use crate::report::model::{Problem, SampleFormat};

/// Bytes read at a time outside the audio.
const PIECE: usize = 256 << 10;
/// Smallest read tried around a spot that fails: a page.
const SMALL_PIECE: usize = 4096;
/// Failing reads after which a file is given up: a card that was pulled fails at every one.
const MAX_FAILURES: usize = 64;
/// Bytes that both hashes take in before the next: the second finds them in the first-level cache.
const HASHED: usize = 16 << 10;
/// Frames unpacked together: they stay in the first-level cache while the channels are taken out of them one by one.
const TILE_FRAMES: usize = 256;

/// Reads one uncompressed file from its first byte to its last.
pub struct PcmReader {
    ahead: Ahead,
    layout: Pcm,
    format: SampleFormat,
    bits: u32,
    width: usize,
    channels: usize,
    data_offset: u64,
    frames: u64,
    /// Bytes that have been read and hashed.
    position: u64,
    whole: XxHash3_128,
    audio: XxHash3_128,
    buffer: Vec<u8>,
    failures: usize,
    /// First frame after which nothing could be read.
    failed_at: Option<u64>,
    problems: Vec<Problem>,
}

impl std::fmt::Debug for PcmReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PcmReader")
            .field("source", self.ahead.source())
            .field("position", &self.position)
            .finish_non_exhaustive()
    }
}

impl PcmReader {
    pub(super) fn new(source: Source, header: &Header, layout: Pcm) -> PcmReader {
        PcmReader {
            ahead: Ahead::new(source),
            layout,
            format: header.format,
            bits: u32::from(header.bits),
            width: usize::from(header.sample_bytes),
            channels: usize::from(header.channels),
            data_offset: header.data_offset,
            frames: header.frames,
            position: 0,
            whole: XxHash3_128::new(),
            audio: XxHash3_128::new(),
            buffer: Vec::new(),
            failures: 0,
            failed_at: None,
            problems: Vec::new(),
        }
    }

    pub(super) fn failed_at(&self) -> Option<u64> {
        self.failed_at
    }

    /// Unpack `target.len` frames from `frame` on; frames are asked for in order. What cannot be read stays as it is.
    pub(super) fn read(&mut self, frame: u64, mut target: Target<'_>) {
        let block = self.width * self.channels;
        self.skip_to(self.data_offset + frame * block as u64);
        if self.failed_at.is_some() {
            return;
        }
        let (mut buffer, holes) = self.next_frames(frame, target.len);
        if self.layout.unsigned {
            // A hole of zero bytes would be full scale.
            for (from, to) in &holes {
                buffer[*from..*to].fill(0x80);
            }
        }
        self.unpack(&buffer, &mut target);
        self.buffer = buffer;
    }

    /// Read and hash the next `count` frames, and perhaps have those that follow read meanwhile, by as many. Also returns the ranges
    /// of bytes that could not be read.
    fn next_frames(&mut self, frame: u64, count: usize) -> (Vec<u8>, Vec<(usize, usize)>) {
        let block = self.width * self.channels;
        let place = |n: usize| {
            let from = frame + (n * count) as u64;
            let left = self.frames.saturating_sub(from).min(count as u64);
            let offset = self.position + (n * count * block) as u64;
            (offset, left as usize * block)
        };
        let following = std::array::from_fn(|n| place(n + 1));
        let memory = std::mem::take(&mut self.buffer);
        let Piece {
            mut bytes, have, ..
        } = self.ahead.piece(memory, place(0), following);
        let holes = self.take_in(&mut bytes, have, frame);
        (bytes, holes)
    }

    /// Hash the next bytes of audio, of which so many could be read; where there was an error they are read again bit by bit.
    /// Returns the ranges that could not be read.
    fn take_in(
        &mut self,
        buffer: &mut [u8],
        have: io::Result<usize>,
        frame: u64,
    ) -> Vec<(usize, usize)> {
        let start = self.position;
        let block = (self.width * self.channels) as u64;
        self.position += buffer.len() as u64;
        let mut holes = Vec::new();
        match have {
            Ok(have) if have == buffer.len() => {
                for piece in buffer.chunks(HASHED) {
                    self.whole.write(piece);
                    self.audio.write(piece);
                }
                return holes;
            }
            // The file has become shorter since its header was read.
            Ok(have) => {
                self.whole.write(&buffer[..have]);
                self.audio.write(&buffer[..have]);
                buffer[have..].fill(0);
                self.fail(start + have as u64, "the file ended here while it was read");
                self.failed_at = Some(frame + have as u64 / block);
                return vec![(have, buffer.len())];
            }
            Err(_) => {}
        }
        let mut last_good = 0;
        let mut at = 0;
        while at < buffer.len() {
            let end = (at + SMALL_PIECE).min(buffer.len());
            let piece = &mut buffer[at..end];
            match self.ahead.source().read_at(piece, start + at as u64) {
                Ok(have) if have == piece.len() => {
                    self.whole.write(piece);
                    self.audio.write(piece);
                    last_good = end;
                }
                outcome => {
                    piece.fill(0);
                    holes.push((at, end));
                    let why = match outcome {
                        Err(error) => error.to_string(),
                        Ok(_) => "the file ended here while it was read".into(),
                    };
                    self.fail(start + at as u64, &why);
                    if self.failures >= MAX_FAILURES {
                        buffer[end..].fill(0);
                        holes.push((end, buffer.len()));
                        self.failed_at = Some(frame + last_good as u64 / block);
                        break;
                    }
                }
            }
            at = end;
        }
        holes
    }

    /// Read and hash without unpacking up to `offset`.
    fn skip_to(&mut self, offset: u64) {
        let mut piece = vec![0u8; PIECE.min(offset.saturating_sub(self.position) as usize)];
        while self.position < offset && self.failures < MAX_FAILURES {
            let audio_end = self.data_offset + self.frames * (self.width * self.channels) as u64;
            let n = (offset - self.position).min(piece.len() as u64) as usize;
            // Up to the borders of the audio, so that a piece is all audio or not at all.
            let border = [self.data_offset, audio_end]
                .into_iter()
                .find(|&b| b > self.position)
                .map_or(u64::MAX, |b| b - self.position);
            let n = (n as u64).min(border) as usize;
            match self.ahead.source().read_at(&mut piece[..n], self.position) {
                Ok(have) => {
                    self.whole.write(&piece[..have]);
                    if self.position >= self.data_offset && self.position < audio_end {
                        self.audio.write(&piece[..have]);
                    }
                    if have < n {
                        self.fail(
                            self.position + have as u64,
                            "the file ended here while it was read",
                        );
                        self.failures = MAX_FAILURES;
                    }
                }
                Err(error) => self.fail(self.position, &error.to_string()),
            }
            self.position += n as u64;
        }
    }

    fn fail(&mut self, offset: u64, why: &str) {
        self.failures += 1;
        // One problem for the first failing place; a count of the others would hang on the system's block size.
        if self.problems.is_empty() {
            self.problems.push(Problem {
                code: "read_error".into(),
                chunk: "data".into(),
                offset,
                detail: format!(
                    "from byte {offset} on parts could not be read ({why}): they are silence here, and the hashes leave them out"
                ),
            });
        }
    }

    fn unpack(&self, bytes: &[u8], target: &mut Target<'_>) {
        let block = self.width * self.channels;
        let at = target.at;
        let threes = self.width == 3 && self.format == SampleFormat::Int && !self.layout.big_endian;
        // Codes of three bytes are not kept: samples hold them.
        let only_samples = threes && target.codes.iter().all(Vec::is_empty);
        let mut tile_codes = [0; TILE_FRAMES];
        for (tile, bytes) in bytes.chunks(TILE_FRAMES * block).enumerate() {
            let from = at + tile * TILE_FRAMES;
            let done = match only_samples {
                true => apart(bytes, target.x, from, self.shift(), self.scale()),
                false => 0,
            };
            let (from, bytes) = (from + done, &bytes[done * block..]);
            let n = bytes.len() / block;
            for channel in 0..self.channels {
                let x = &mut target.x[channel][from..from + n];
                let samples = bytes
                    .chunks_exact(block)
                    .map(|f| &f[channel * self.width..]);
                if self.format == SampleFormat::Float {
                    unpack_float(samples, self.width, self.layout.big_endian, x);
                } else {
                    let kept = target.codes[channel].get_mut(from..from + n);
                    if only_samples && self.channels > 1 {
                        let fours_here = &mut tile_codes[..n];
                        let left = fours(fours_here, bytes, block, 3 * channel);
                        scaled(x, fours_here, (left, self.shift()), self.scale());
                    } else {
                        let codes = kept.unwrap_or(&mut tile_codes[..n]);
                        self.unpack_codes(samples, codes);
                        scaled(x, codes, (0, 0), self.scale());
                    }
                }
            }
        }
    }

    /// What a code is multiplied with; exact, for it is a power of two.
    fn scale(&self) -> f32 {
        1.0 / (1u64 << (self.bits - 1)) as f32
    }

    /// Samples are left-justified in 32 bits first: then one shift gives the code at its valid depth.
    fn shift(&self) -> u32 {
        if self.layout.right_justified {
            32 - 8 * self.width as u32
        } else {
            32 - self.bits
        }
    }

    fn unpack_codes<'a>(&self, samples: impl Iterator<Item = &'a [u8]>, codes: &mut [i32]) {
        let shift = self.shift();
        let pairs = codes.iter_mut().zip(samples);
        match (self.width, self.layout.big_endian) {
            (1, _) => {
                let flip = if self.layout.unsigned { 0x80 } else { 0 };
                pairs.for_each(|(c, s)| *c = i32::from_le_bytes([0, 0, 0, s[0] ^ flip]) >> shift);
            }
            (2, false) => {
                pairs.for_each(|(c, s)| *c = i32::from_le_bytes([0, 0, s[0], s[1]]) >> shift)
            }
            (2, true) => {
                pairs.for_each(|(c, s)| *c = i32::from_be_bytes([s[0], s[1], 0, 0]) >> shift)
            }
            (3, false) => {
                pairs.for_each(|(c, s)| *c = i32::from_le_bytes([0, s[0], s[1], s[2]]) >> shift);
            }
            (3, true) => {
                pairs.for_each(|(c, s)| *c = i32::from_be_bytes([s[0], s[1], s[2], 0]) >> shift);
            }
            (_, false) => {
                pairs.for_each(|(c, s)| *c = i32::from_le_bytes([s[0], s[1], s[2], s[3]]) >> shift);
            }
            (_, true) => {
                pairs.for_each(|(c, s)| *c = i32::from_be_bytes([s[0], s[1], s[2], s[3]]) >> shift);
            }
        }
    }

    /// Read what is left of the file and close the hashes.
    pub(super) fn finish(mut self) -> FileResult {
        self.skip_to(self.ahead.source().len());
        FileResult {
            hash: hash_text(self.whole.finish_128()),
            audio_hash: hash_text(self.audio.finish_128()),
            problems: self.problems,
        }
    }
}

widest! {
    /// Shifted to the left and then to the right; exact up to 24 bits, correctly rounded beyond: the factor is a power of two.
    fn scaled<'a, 'b>(x: &'a mut [f32], codes: &'b [i32], shifts: (u32, u32), scale: f32) {
        let (left, right) = shifts;
        for (x, code) in x.iter_mut().zip(codes) {
            *x = (*code << left >> right) as f32 * scale;
        }
    }
}

/// Samples of three bytes, at a place in frames of `block` bytes that hold others beside them: each is read as four bytes, with the
/// byte before it, or at the start of a frame with the byte after it. Returns by how much they are to be shifted to the left
/// then. Single loads: gathered into vectors it takes more than twice as long.
fn fours(codes: &mut [i32], bytes: &[u8], block: usize, at: usize) -> u32 {
    let from = at.saturating_sub(1);
    for (code, frame) in codes.iter_mut().zip(bytes.chunks_exact(block)) {
        if let Some(four) = frame[from..].first_chunk::<4>() {
            *code = i32::from_le_bytes(*four);
        }
    }
    if at == 0 { 8 } else { 0 }
}

fn unpack_float<'a>(
    samples: impl Iterator<Item = &'a [u8]>,
    width: usize,
    big_endian: bool,
    x: &mut [f32],
) {
    let pairs = x.iter_mut().zip(samples);
    match (width, big_endian) {
        (4, false) => pairs.for_each(|(x, s)| *x = f32::from_le_bytes([s[0], s[1], s[2], s[3]])),
        (4, true) => pairs.for_each(|(x, s)| *x = f32::from_be_bytes([s[0], s[1], s[2], s[3]])),
        (_, big) => pairs.for_each(|(x, s)| {
            let b = [s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7]];
            let value = if big {
                f64::from_be_bytes(b)
            } else {
                f64::from_le_bytes(b)
            };
            *x = value as f32;
        }),
    }
}
