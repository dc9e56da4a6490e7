//! FLAC frames: symphonia decodes, what it gives is brought back to codes at the valid depth.
//!
//! symphonia is handed the stream information and the audio frames and nothing else: whatever a tagger left between them
//! cannot stop it. It delivers 32-bit integers with the valid bits at the top; shifting them down gives the exact codes.

use std::io::{self, Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use symphonia::core::audio::{Audio, GenericAudioBufferRef};
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::{FormatOptions, FormatReader};
use symphonia::core::io::{MediaSource, MediaSourceStream, MediaSourceStreamOptions};
use symphonia::default::codecs::FlacDecoder;
use twox_hash::XxHash3_128;

use super::{FileResult, Target, hash_text};
use crate::container::source::Source;
use crate::container::{Header, ReadError, flac};
use crate::report::model::Problem;

/// Reads one FLAC file from its first byte to its last.
pub struct FlacReader {
    state: Arc<Mutex<Hashing>>,
    format: symphonia::default::formats::FlacReader<'static>,
    decoder: FlacDecoder,
    bits: u32,
    channels: usize,
    frames: u64,
    /// Decoded and not yet delivered: codes per channel, the first one at frame `pending_at`.
    pending: Vec<Vec<i32>>,
    pending_at: u64,
    pending_used: usize,
    failed_at: Option<u64>,
    problems: Vec<Problem>,
}

impl std::fmt::Debug for FlacReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("FlacReader")
            .field("frames", &self.frames)
            .field("at", &self.pending_at)
            .finish_non_exhaustive()
    }
}

impl FlacReader {
    pub(super) fn new(source: Source, header: &Header) -> Result<FlacReader, ReadError> {
        let info = flac::stream_info(&source)?;
        let path = source.path().to_owned();
        let bad = |error: Error| ReadError::Malformed {
            path: path.clone(),
            chunk: "STREAMINFO".into(),
            offset: 4,
            what: error.to_string(),
        };
        let state = Arc::new(Mutex::new(Hashing::new(source, header.data_offset)));
        let stream = Stream::new(Arc::clone(&state), &info);
        let format = open_stream(stream).map_err(bad)?;
        let params = format
            .tracks()
            .first()
            .and_then(|t| t.codec_params.as_ref())
            .and_then(|p| p.audio())
            .ok_or(Error::Unsupported("no audio track"))
            .map_err(bad)?;
        let options = AudioDecoderOptions::default();
        let decoder = FlacDecoder::try_new(params, &options).map_err(bad)?;
        Ok(FlacReader {
            state,
            format,
            decoder,
            bits: u32::from(header.bits),
            channels: usize::from(header.channels),
            frames: header.frames,
            pending: vec![Vec::new(); usize::from(header.channels)],
            pending_at: 0,
            pending_used: 0,
            failed_at: None,
            problems: Vec::new(),
        })
    }

    pub(super) fn failed_at(&self) -> Option<u64> {
        self.failed_at
    }

    /// Unpack `target.len` frames from `frame` on. What cannot be decoded stays as it is.
    pub(super) fn read(&mut self, frame: u64, target: Target<'_>) {
        let scale = 1.0 / (1u64 << (self.bits - 1)) as f32;
        let end = frame + target.len as u64;
        loop {
            let have = self.pending.first().map_or(0, Vec::len) - self.pending_used;
            let first = self.pending_at + self.pending_used as u64;
            // Frames before the wanted stretch are dropped, frames that are missing stay silent.
            let from = first.max(frame);
            let to = (first + have as u64).min(end);
            if from < to {
                let source = self.pending_used + (from - first) as usize;
                let n = (to - from) as usize;
                let at = target.at + (from - frame) as usize;
                for channel in 0..self.channels {
                    let codes = &self.pending[channel][source..source + n];
                    if let Some(kept) = target.codes[channel].get_mut(at..at + n) {
                        kept.copy_from_slice(codes);
                    }
                    for (x, &code) in target.x[channel][at..at + n].iter_mut().zip(codes.iter()) {
                        *x = code as f32 * scale;
                    }
                }
            }
            if first + have as u64 >= end {
                self.pending_used = (end.max(self.pending_at) - self.pending_at) as usize;
                return;
            }
            if self.failed_at.is_some() || !self.next_packet() {
                return;
            }
        }
    }

    /// Decode the next packet into `pending`; `false` where the stream is over.
    fn next_packet(&mut self) -> bool {
        let expected = self.pending_at + self.pending.first().map_or(0, Vec::len) as u64;
        loop {
            let outcome = catch_unwind(AssertUnwindSafe(|| self.format.next_packet()));
            let packet = match outcome {
                Ok(Ok(Some(packet))) => packet,
                Ok(Ok(None)) => return self.end(expected, "the stream ends here"),
                Ok(Err(error)) => return self.end(expected, &error.to_string()),
                Err(_) => return self.end(expected, "the decoder gave up"),
            };
            let at = u64::try_from(packet.pts.get()).unwrap_or(0);
            if at < expected {
                continue;
            }
            let bits = self.bits;
            let channels = self.channels;
            let pending = &mut self.pending;
            let decoder = &mut self.decoder;
            let outcome = catch_unwind(AssertUnwindSafe(|| {
                let GenericAudioBufferRef::S32(buffer) = decoder.decode(&packet)? else {
                    return Err(Error::Unsupported("samples of another width"));
                };
                for (channel, codes) in pending.iter_mut().enumerate() {
                    codes.clear();
                    codes.extend(
                        buffer
                            .plane(channel)
                            .unwrap_or(&[])
                            .iter()
                            .map(|&s| s >> (32 - bits)),
                    );
                }
                Ok(())
            }));
            let shortest = self.pending.iter().map(Vec::len).min().unwrap_or(0);
            let whole = self.pending.iter().all(|c| c.len() == shortest) && channels > 0;
            match outcome {
                Ok(Ok(())) if whole && shortest > 0 => {
                    if at > expected {
                        self.problem(
                            expected,
                            "frames are missing or damaged here: silence in their place",
                        );
                    }
                    self.pending_at = at;
                    self.pending_used = 0;
                    return true;
                }
                Ok(Ok(())) => {}
                Ok(Err(error)) => self.problem(at, &error.to_string()),
                Err(_) => return self.end(at, "the decoder gave up"),
            }
            for codes in &mut self.pending {
                codes.clear();
            }
            self.pending_at = expected;
            self.pending_used = 0;
        }
    }

    fn end(&mut self, at: u64, why: &str) -> bool {
        self.failed_at = Some(at.min(self.frames));
        for codes in &mut self.pending {
            codes.clear();
        }
        self.pending_used = 0;
        self.pending_at = at;
        if at < self.frames {
            let detail = format!(
                "the header says {} samples, {at} are there ({why}): what is there is analysed",
                self.frames
            );
            let offset = self.lock().position;
            self.problems.push(Problem {
                code: "truncated".into(),
                chunk: "fLaC".into(),
                offset,
                detail,
            });
        }
        false
    }

    fn problem(&mut self, at: u64, why: &str) {
        if self.problems.iter().all(|p| p.code != "damaged_frame") {
            let offset = self.lock().position;
            self.problems.push(Problem {
                code: "damaged_frame".into(),
                chunk: "fLaC".into(),
                offset,
                detail: format!("around sample {at}: {why}"),
            });
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Hashing> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Read what is left of the file and close the hashes.
    pub(super) fn finish(self) -> FileResult {
        let mut problems = self.problems.clone();
        let mut state = self.lock();
        let mut piece = vec![0u8; 256 << 10];
        while let Ok(n) = state.read(&mut piece) {
            if n == 0 {
                break;
            }
        }
        problems.extend(state.problem.take());
        FileResult {
            hash: hash_text(state.whole.finish_128()),
            audio_hash: hash_text(state.audio.finish_128()),
            problems,
        }
    }
}

/// Number of sample frames in the packets of a stream, without decoding them; for files whose header does not say.
pub(crate) fn count_frames(path: &str, offset: u64, info: &[u8]) -> u64 {
    let Ok(source) = Source::open(Path::new(path)) else {
        return 0;
    };
    let state = Arc::new(Mutex::new(Hashing::new(source, offset)));
    let mut end = 0u64;
    // A panic in the demuxer ends the count.
    let _ = catch_unwind(AssertUnwindSafe(|| {
        let Ok(mut format) = open_stream(Stream::new(state, info)) else {
            return;
        };
        while let Ok(Some(packet)) = format.next_packet() {
            let at = u64::try_from(packet.pts.get()).unwrap_or(0);
            end = end.max(at + packet.dur.get());
        }
    }));
    end
}

fn open_stream(stream: Stream) -> Result<symphonia::default::formats::FlacReader<'static>, Error> {
    let stream = MediaSourceStream::new(Box::new(stream), MediaSourceStreamOptions::default());
    symphonia::default::formats::FlacReader::try_new(stream, FormatOptions::default())
}

/// The file, read in order and hashed on the way.
struct Hashing {
    source: Source,
    audio_start: u64,
    position: u64,
    whole: XxHash3_128,
    audio: XxHash3_128,
    problem: Option<Problem>,
}

impl Hashing {
    fn new(source: Source, audio_start: u64) -> Hashing {
        Hashing {
            source,
            audio_start,
            position: 0,
            whole: XxHash3_128::new(),
            audio: XxHash3_128::new(),
            problem: None,
        }
    }

    /// The next bytes of the file; 0 at its end and after an error.
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.problem.is_some() {
            return Ok(0);
        }
        let mut n = buffer.len() as u64;
        if self.position < self.audio_start {
            n = n.min(self.audio_start - self.position);
        }
        let buffer = &mut buffer[..n as usize];
        let have = match self.source.read_at(buffer, self.position) {
            Ok(have) => have,
            Err(error) => {
                self.problem = Some(Problem {
                    code: "read_error".into(),
                    chunk: "fLaC".into(),
                    offset: self.position,
                    detail: format!(
                        "from byte {} on the file could not be read ({error}): cut there, and the hashes end there",
                        self.position
                    ),
                });
                return Err(error);
            }
        };
        self.whole.write(&buffer[..have]);
        if self.position >= self.audio_start {
            self.audio.write(&buffer[..have]);
        }
        self.position += have as u64;
        Ok(have)
    }
}

/// What symphonia reads: marker, stream information, audio frames.
struct Stream {
    state: Arc<Mutex<Hashing>>,
    head: Vec<u8>,
    head_used: usize,
}

impl Stream {
    fn new(state: Arc<Mutex<Hashing>>, info: &[u8]) -> Stream {
        let mut head = b"fLaC\x80\x00\x00\x22".to_vec();
        head.extend_from_slice(&info[..34.min(info.len())]);
        Stream {
            state,
            head,
            head_used: 0,
        }
    }
}

impl Read for Stream {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.head_used < self.head.len() {
            let n = buffer.len().min(self.head.len() - self.head_used);
            buffer[..n].copy_from_slice(&self.head[self.head_used..self.head_used + n]);
            self.head_used += n;
            return Ok(n);
        }
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        // What stands before the audio is hashed, not decoded.
        let mut piece = [0u8; 4096];
        while state.position < state.audio_start {
            if state.read(&mut piece)? == 0 {
                return Ok(0);
            }
        }
        state.read(buffer)
    }
}

impl Seek for Stream {
    fn seek(&mut self, _: SeekFrom) -> io::Result<u64> {
        Err(io::Error::from(io::ErrorKind::Unsupported))
    }
}

impl MediaSource for Stream {
    fn is_seekable(&self) -> bool {
        false
    }

    fn byte_len(&self) -> Option<u64> {
        None
    }
}
