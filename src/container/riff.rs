//! RIFF, RF64 and BW64: the walk along the chunks.
//!
//! Recorders lose power, cards are pulled, old tools forget pad bytes: the walk believes the file's length and the chunk
//! identifiers before it believes any size field, and every repair is reported as a [`Problem`]. The rules:
//!
//! 1. Sizes are 64 bit. `ds64` sizes are used only where the 32-bit field says 0xFFFFFFFF; table entries are honoured.
//! 2. Audio of size 0 with bytes behind it is empty only if a chain of chunks from there ends exactly at the end of the
//!    file; else it was never finished and runs to the end of the file.
//! 3. Audio larger than what is there (0xFFFFFFFF without `ds64` included) is cut to what is there, whole frames only.
//! 4. In cases 2 and 3 chunks written behind the audio are looked for in the last two MiB: a chain of chunks that ends
//!    exactly at the end of the file is not audio.
//! 5. In a RIFF file beyond 4 GiB the size field has wrapped: multiples of 2^32 are added.
//! 6. An odd chunk is followed by a pad byte; where the next identifier makes sense only without it, it is missing.
//! 7. The RIFF size limits nothing; it is only compared.
//! 8. Chunks come in any order, `fmt ` after `data` included. Of two chunks of a kind the first counts.
//! 9. `fmt `: 16 bytes or more; the channel mask is ignored (tracks have no loudspeakers); valid bits 0 or above the
//!    container mean the container's bits; a format that needs fewer bytes than the block has is settled by the samples
//!    themselves and reported.
//! 10. Bytes behind the audio that are no chunks are reported, with how much audio they would be: a header written in
//!     mid-take looks the same as rubbish, so nobody but a person can tell.
//!
//! Source: EBU Tech 3285, Tech 3306, ITU-R BS.2088, the RIFF description of 1991.

use super::source::{Source, id_text, u16_le, u32_le, u64_le};
use super::{Container, Encoding, Header, Pcm, ReadError, bext, ixml};
use crate::report::model::{Problem, SampleFormat};

/// Channels beyond this are taken for a broken header: blocks of all channels are held in memory.
pub(super) const MAX_CHANNELS: u16 = 512;
/// Sample rates that make sense, Hz.
pub(super) const RATES: std::ops::RangeInclusive<u32> = 4_000..=768_000;
/// A file with more chunks than this is a broken or hostile one; real ones hold about a dozen.
const MAX_CHUNKS: usize = 4096;
/// Where chunks behind unfinished audio are looked for.
const TAIL_BYTES: u64 = 2 << 20;
/// How far the next `fmt ` or `data` is looked for after a chunk that makes no sense.
const RESYNC_BYTES: u64 = 1 << 20;
const GIB4: u64 = 1 << 32;

/// Read the header of a WAVE file.
pub(super) fn read(source: &Source) -> Result<(Header, Vec<Problem>), ReadError> {
    let mut walk = Walk::new(source)?;
    walk.chunks()?;
    walk.compare_file_size();
    walk.header()
}

/// Audio as found: where it starts and how many bytes of it are there.
struct Audio {
    body: u64,
    bytes: u64,
}

struct Walk<'a> {
    source: &'a Source,
    len: u64,
    container: Container,
    /// The 32-bit size at byte 4.
    riff_size: u32,
    ds64: Option<Ds64>,
    fmt: Option<(u64, Vec<u8>)>,
    audio: Option<Audio>,
    bext: Option<super::Bext>,
    ixml: Option<super::Ixml>,
    problems: Vec<Problem>,
    chunks: Vec<super::Chunk>,
}

struct Ds64 {
    riff: u64,
    data: u64,
    /// Sizes of other large chunks; an entry is used up by the first chunk of its name.
    table: Vec<([u8; 4], u64)>,
}

impl<'a> Walk<'a> {
    fn new(source: &'a Source) -> Result<Walk<'a>, ReadError> {
        let head = source.bytes(0, 12)?;
        if head.is_empty() {
            return Err(source.malformed("RIFF", 0, "the file is empty"));
        }
        let container = match head.get(..4) {
            Some(b"RIFF") => Container::Wave,
            Some(b"RF64") => Container::Rf64,
            Some(b"BW64") => Container::Bw64,
            _ => {
                let found = id_text(&head[..head.len().min(4)]);
                return Err(source.malformed(
                    "RIFF",
                    0,
                    format!("expected RIFF, RF64 or BW64, found \"{found}\""),
                ));
            }
        };
        if head.get(8..12) != Some(b"WAVE") {
            return Err(source.malformed(
                "RIFF",
                8,
                format!(
                    "expected form WAVE, found \"{}\"",
                    id_text(head.get(8..).unwrap_or(&[]))
                ),
            ));
        }
        Ok(Walk {
            source,
            len: source.len(),
            container,
            riff_size: u32_le(&head, 4),
            ds64: None,
            fmt: None,
            audio: None,
            bext: None,
            ixml: None,
            problems: Vec::new(),
            chunks: Vec::new(),
        })
    }

    fn problem(&mut self, code: &str, chunk: &str, offset: u64, detail: impl Into<String>) {
        self.problems.push(Problem {
            code: code.into(),
            chunk: chunk.into(),
            offset,
            detail: detail.into(),
        });
    }

    /// Identifier and 32-bit size at `at`, where eight bytes are there.
    fn head(&self, at: u64) -> Result<Option<([u8; 4], u32)>, ReadError> {
        let mut h = [0u8; 8];
        if at.checked_add(8).is_none_or(|end| end > self.len) {
            return Ok(None);
        }
        let have = self
            .source
            .read_at(&mut h, at)
            .map_err(|e| self.source.io(e))?;
        Ok((have == 8).then(|| ([h[0], h[1], h[2], h[3]], u32_le(&h, 4))))
    }

    /// Walk all chunks.
    fn chunks(&mut self) -> Result<(), ReadError> {
        let mut at = 12;
        let mut count = 0;
        while let Some((id, size32)) = self.head(at)? {
            count += 1;
            if count > MAX_CHUNKS {
                let detail =
                    format!("more than {MAX_CHUNKS} chunks: the rest of the file is not looked at");
                self.problem("too_many_chunks", &id_text(&id), at, detail);
                return Ok(());
            }
            if !plausible(&id) {
                match self.after_rubbish(at)? {
                    Some(next) => at = next,
                    None => return Ok(()),
                }
                continue;
            }
            at = if &id == b"data" {
                self.data(at, size32)?
            } else {
                match self.chunk(at, id, size32)? {
                    Some(next) => next,
                    None => return Ok(()),
                }
            };
        }
        if self.audio.is_some() && at < self.len {
            let detail = format!(
                "{} bytes at the end of the file are no chunk: ignored",
                self.len - at
            );
            self.problem("trailing_bytes", "RIFF", at, detail);
        }
        Ok(())
    }

    /// One chunk other than `data`; returns where the next one starts, `None` where the walk ends.
    fn chunk(&mut self, at: u64, id: [u8; 4], size32: u32) -> Result<Option<u64>, ReadError> {
        let body = at + 8;
        let size = self.size_of(id, size32);
        let name = id_text(&id);
        let fits = body.checked_add(size).is_some_and(|end| end <= self.len);
        let present = if fits { size } else { self.len - body };
        self.chunks.push(super::Chunk {
            id: name.clone(),
            offset: at,
            bytes: present,
        });
        if !fits {
            let detail = format!(
                "the chunk claims {size} bytes, {present} are there: read as far as it goes"
            );
            self.problem("chunk_past_end", &name, at, detail);
        }
        self.content(&id, &name, at, body, present)?;
        if fits {
            return self.after(&name, body, size).map(Some);
        }
        // A broken size before the audio: the audio may still be found behind it.
        if self.audio.is_none()
            && let Some(next) = self.resync(body)?
        {
            let detail = format!("its size is wrong: the next known chunk was found at {next}");
            self.problem("bad_chunk_size", &name, at + 4, detail);
            return Ok(Some(next));
        }
        Ok(None)
    }

    /// Take in what the chunks of interest say.
    fn content(
        &mut self,
        id: &[u8; 4],
        name: &str,
        at: u64,
        body: u64,
        size: u64,
    ) -> Result<(), ReadError> {
        let seen = match id {
            b"fmt " => self.fmt.is_some(),
            b"bext" => self.bext.is_some(),
            b"iXML" => self.ixml.is_some(),
            b"ds64" => self.ds64.is_some(),
            _ => return Ok(()),
        };
        if seen {
            self.problem(
                "duplicate_chunk",
                name,
                at,
                "a second chunk of this kind: ignored",
            );
            return Ok(());
        }
        match id {
            b"fmt " => self.fmt = Some((body, self.source.bytes(body, size.min(256))?)),
            b"bext" => {
                let bytes = self.source.bytes(body, size.min(bext::MAX_BYTES))?;
                if bext::is_short(size) {
                    let detail =
                        format!("{size} bytes, at least 602 expected: read as far as it goes");
                    self.problem("short_chunk", name, at, detail);
                }
                self.bext = Some(bext::parse(&bytes));
            }
            b"iXML" => {
                if size > ixml::MAX_BYTES {
                    let detail =
                        format!("{size} bytes: only the first {} are read", ixml::MAX_BYTES);
                    self.problem("chunk_too_large", name, at, detail);
                }
                let parsed = ixml::read(&self.source.bytes(body, size.min(ixml::MAX_BYTES))?);
                if let Some(repair) = parsed.repair {
                    self.problem("ixml_malformed", name, body, repair);
                }
                self.ixml = parsed.ixml;
            }
            _ => self.read_ds64(at, body, size)?,
        }
        Ok(())
    }

    fn read_ds64(&mut self, at: u64, body: u64, size: u64) -> Result<(), ReadError> {
        if at != 12 {
            self.problem(
                "chunk_order",
                "ds64",
                at,
                "ds64 is not the first chunk: used all the same",
            );
        }
        let bytes = self.source.bytes(body, size.min(64 << 10))?;
        if bytes.len() < 24 {
            let detail = format!("{} bytes, at least 28 expected", bytes.len());
            self.problem("short_chunk", "ds64", at, detail);
        }
        let entries = u32_le(&bytes, 24) as usize;
        let table = bytes
            .get(28..)
            .unwrap_or(&[])
            .chunks_exact(12)
            .take(entries)
            .map(|e| ([e[0], e[1], e[2], e[3]], u64_le(e, 4)))
            .collect();
        self.ds64 = Some(Ds64 {
            riff: u64_le(&bytes, 0),
            data: u64_le(&bytes, 8),
            table,
        });
        Ok(())
    }

    /// Size of a chunk other than `data`: the table's entry where the 32-bit field says so.
    fn size_of(&mut self, id: [u8; 4], size32: u32) -> u64 {
        if size32 == u32::MAX
            && let Some(ds64) = &mut self.ds64
            && let Some(entry) = ds64.table.iter().position(|(name, _)| *name == id)
        {
            return ds64.table.remove(entry).1;
        }
        u64::from(size32)
    }

    /// Where the chunk after one of `size` bytes at `body` starts (rule 6).
    fn after(&mut self, name: &str, body: u64, size: u64) -> Result<u64, ReadError> {
        let end = body + size;
        if size.is_multiple_of(2) || end > self.len {
            return Ok(end);
        }
        if end == self.len {
            self.problem(
                "missing_pad",
                name,
                end,
                "no pad byte after an odd chunk at the end of the file",
            );
            return Ok(end);
        }
        let without = self.head(end)?;
        let with = self.head(end + 1)?;
        let fits = |head: Option<([u8; 4], u32)>, at: u64| {
            head.is_some_and(|(id, size)| {
                plausible(&id) && (known(&id) || at + 8 + u64::from(size) <= self.len)
            })
        };
        let padded = end + 1 == self.len || with.is_some_and(|(id, _)| plausible(&id));
        // "_XML" behind an even byte count looks plausible too when the size's low byte is printable; the pad byte is 0.
        let is_zero = without.is_some_and(|(id, _)| id[0] == 0);
        if fits(without, end)
            && !is_zero
            && (!padded
                || !fits(with, end + 1)
                || (without.is_some_and(|(id, _)| known(&id))
                    && !with.is_some_and(|(id, _)| known(&id))))
        {
            self.problem(
                "missing_pad",
                name,
                end,
                "no pad byte after an odd chunk: the next one was found without it",
            );
            return Ok(end);
        }
        Ok(end + 1)
    }

    /// The `data` chunk; returns where the next chunk starts.
    fn data(&mut self, at: u64, size32: u32) -> Result<u64, ReadError> {
        let body = at + 8;
        let present = self.len - body;
        if self.audio.as_ref().is_some_and(|a| a.bytes > 0) {
            self.problem(
                "duplicate_chunk",
                "data",
                at,
                "a second data chunk: ignored",
            );
            let size = u64::from(size32).min(present);
            return self.after("data", body, size);
        }
        let bytes = self.audio_bytes(at, body, size32)?;
        self.chunks.push(super::Chunk {
            id: "data".into(),
            offset: at,
            bytes,
        });
        self.audio = Some(Audio { body, bytes });
        // A finished size is followed by a pad byte if odd; a guessed end is the end.
        if bytes % 2 == 1 && body + bytes < self.len && u64::from(size32) % 2 == 1 {
            return self.after("data", body, bytes);
        }
        if bytes % 2 == 1 && body + bytes == self.len && u64::from(size32) == bytes {
            return self.after("data", body, bytes);
        }
        Ok(body + bytes)
    }

    /// How many bytes of audio there are (rules 1 to 5).
    fn audio_bytes(&mut self, at: u64, body: u64, size32: u32) -> Result<u64, ReadError> {
        let present = self.len - body;
        let wide = self.ds64.as_ref().map(|d| d.data);
        let declared = match (size32, wide) {
            (u32::MAX, Some(size)) => Some(size),
            (u32::MAX, None) => None,
            // Some writers leave 0 where 0xFFFFFFFF belongs.
            (0, Some(size)) if size > 0 && size <= present => {
                self.problem(
                    "size_mismatch",
                    "data",
                    at + 4,
                    "size 0 where ds64 holds the size: ds64 is used",
                );
                Some(size)
            }
            (size, _) => Some(u64::from(size)),
        };
        match declared {
            Some(0) if present == 0 || self.chain_to_end(body)? => Ok(0),
            Some(0) => self.unfinished(at, body, "the size is 0 but bytes follow"),
            None => self.unfinished(at, body, "the size was never written (0xFFFFFFFF)"),
            Some(size) if size > present => {
                let there = self.tail_chunks(body)?.unwrap_or(self.len) - body;
                let detail = format!(
                    "the header says {size} bytes of audio, {there} are there ({} missing): what is there is analysed",
                    size - there
                );
                self.problem("truncated", "data", at + 4, detail);
                Ok(there)
            }
            Some(size) if self.container == Container::Wave && self.len > GIB4 => {
                self.unwrapped(at, body, size)
            }
            Some(size) => Ok(size),
        }
    }

    fn unfinished(&mut self, at: u64, body: u64, why: &str) -> Result<u64, ReadError> {
        let tail = self.tail_chunks(body)?;
        let bytes = tail.unwrap_or(self.len) - body;
        let to = if tail.is_some() {
            "the chunks behind it"
        } else {
            "the end of the file"
        };
        let detail = format!(
            "{why}: recording was not finished; {bytes} bytes up to {to} are taken as audio"
        );
        self.problem("unfinished", "data", at + 4, detail);
        Ok(bytes)
    }

    /// Rule 5: the size field of a RIFF file beyond 4 GiB has wrapped.
    fn unwrapped(&mut self, at: u64, body: u64, size: u64) -> Result<u64, ReadError> {
        let present = self.len - body;
        let end = body + size;
        if end + size % 2 == self.len || self.chain_to_end(end + size % 2)? {
            return Ok(size);
        }
        let whole = size + (present - size) / GIB4 * GIB4;
        if whole != size {
            let detail = format!(
                "a RIFF size cannot tell more than 4 GiB: {size} bytes read as {whole}, which fits the file"
            );
            self.problem("size_wrapped", "data", at + 4, detail);
        }
        Ok(whole)
    }

    /// Whether a chain of at least one chunk from `at` ends exactly at the end of the file.
    fn chain_to_end(&self, at: u64) -> Result<bool, ReadError> {
        let mut at = at;
        for count in 0..64 {
            if count > 0 && (at == self.len || at == self.len + 1) {
                return Ok(true);
            }
            let Some((id, size)) = self.head(at)? else {
                return Ok(false);
            };
            if !plausible(&id) {
                return Ok(false);
            }
            let end = at + 8 + u64::from(size);
            if end > self.len {
                return Ok(false);
            }
            at = end + u64::from(size % 2);
        }
        Ok(false)
    }

    /// Start of the chunks at the end of the file, if there are any behind `from` (rule 4).
    fn tail_chunks(&self, from: u64) -> Result<Option<u64>, ReadError> {
        let start = from.max(self.len.saturating_sub(TAIL_BYTES));
        let bytes = self.source.bytes(start, TAIL_BYTES)?;
        Ok(chain_start(&bytes).map(|at| start + at as u64))
    }

    /// What to do where no identifier stands: chunks further on, or the end of the walk.
    fn after_rubbish(&mut self, at: u64) -> Result<Option<u64>, ReadError> {
        if self.audio.is_none() {
            let next = self.resync(at)?;
            let detail = match next {
                Some(next) => format!("no chunk: the next known one was found at {next}"),
                None => "no chunk, and no known one further on".to_owned(),
            };
            self.problem("not_a_chunk", "RIFF", at, detail);
            return Ok(next);
        }
        let next = self.tail_chunks(at)?;
        let rubbish = next.unwrap_or(self.len) - at;
        let (code, detail) = match self.audio_seconds(rubbish) {
            Some(seconds) if seconds >= 0.1 => (
                "stale_header",
                format!(
                    "{rubbish} bytes behind the declared end of the audio are no chunks; as audio they would be {seconds:.1} s: \
                     the header may have been written in mid-take. Not analysed"
                ),
            ),
            _ => (
                "trailing_bytes",
                format!("{rubbish} bytes behind the audio are no chunks: ignored"),
            ),
        };
        self.problem(code, "RIFF", at, detail);
        Ok(next)
    }

    fn audio_seconds(&self, bytes: u64) -> Option<f64> {
        let (_, fmt) = self.fmt.as_ref()?;
        let (rate, align) = (u32_le(fmt, 4), u16_le(fmt, 12));
        (rate > 0 && align > 0).then(|| bytes as f64 / f64::from(align) / f64::from(rate))
    }

    /// The next `fmt ` or `data` chunk from `from` on that makes sense.
    fn resync(&self, from: u64) -> Result<Option<u64>, ReadError> {
        let bytes = self.source.bytes(from, RESYNC_BYTES)?;
        let hit = bytes
            .windows(8)
            .position(|w| match &w[..4] {
                b"fmt " => self.fmt.is_none() && (16..=128).contains(&u32_le(w, 4)),
                b"data" => true,
                _ => false,
            })
            .map(|at| from + at as u64);
        Ok(hit)
    }

    /// Rule 7.
    fn compare_file_size(&mut self) {
        let actual = self.len - 8;
        let (size, at) = match (&self.ds64, self.container) {
            (_, Container::Wave) => (u64::from(self.riff_size), 4),
            (Some(ds64), _) if self.riff_size == u32::MAX => (ds64.riff, 20),
            (None, _) => {
                let name = self.container.name().to_uppercase();
                self.problem(
                    "missing_chunk",
                    "ds64",
                    12,
                    format!("{name} without a ds64 chunk"),
                );
                return;
            }
            _ => (u64::from(self.riff_size), 4),
        };
        if size == actual {
            return;
        }
        if size == 0 || (size == u64::from(u32::MAX) && self.container == Container::Wave) {
            let detail = "the file size was never written: still recording, or power was lost";
            self.problem("unfinished", "RIFF", at, detail);
        } else if self.container != Container::Wave || size != actual % GIB4 {
            let detail = format!("the header says {size} bytes follow, {actual} do");
            self.problem("size_mismatch", "RIFF", at, detail);
        }
    }

    /// Everything found, as a header.
    fn header(mut self) -> Result<(Header, Vec<Problem>), ReadError> {
        let Some((fmt_at, fmt)) = self.fmt.take() else {
            return Err(self.source.malformed("fmt ", self.len, "no fmt chunk"));
        };
        let Some(audio) = self.audio.take() else {
            return Err(self.source.malformed("data", self.len, "no data chunk"));
        };
        let mut format = Format::read(self.source, fmt_at, &fmt)?;
        if format.ambiguous {
            format.right_justified = right_justified(self.source, &audio, &format)?;
            let where_ = if format.right_justified {
                "low"
            } else {
                "high"
            };
            let detail = format!(
                "{} bits in blocks of {} bytes per sample: the samples show them in the {where_} bits",
                format.bits, format.width
            );
            self.problem("ambiguous_format", "fmt ", fmt_at + 12, detail);
        }
        for (offset, detail) in &format.repairs {
            self.problem("bad_format", "fmt ", fmt_at + offset, detail.clone());
        }
        let block = u64::from(format.channels) * u64::from(format.width);
        let frames = audio.bytes / block;
        let rest = audio.bytes % block;
        if rest > 0 {
            let detail = format!(
                "the audio ends {rest} bytes into a sample frame of {block}: whole frames only"
            );
            self.problem("partial_frame", "data", audio.body + frames * block, detail);
        }
        let header = Header {
            container: self.container,
            channels: format.channels,
            rate: format.rate,
            bits: format.bits,
            sample_bytes: format.width,
            format: format.kind,
            encoding: Encoding::Pcm(Pcm {
                big_endian: false,
                unsigned: format.kind == SampleFormat::Int && format.width == 1,
                right_justified: format.right_justified,
            }),
            frames,
            data_offset: audio.body,
            bytes: self.len,
            chunks: self.chunks,
            bext: self.bext,
            ixml: self.ixml,
        };
        Ok((header, self.problems))
    }
}

/// What `fmt ` says after repairs.
struct Format {
    kind: SampleFormat,
    channels: u16,
    rate: u32,
    /// Valid bits.
    bits: u16,
    /// Bytes of one sample.
    width: u16,
    /// Fewer bits than bytes, and nothing says at which end.
    ambiguous: bool,
    right_justified: bool,
    /// Offset within the chunk and what was repaired.
    repairs: Vec<(u64, String)>,
}

impl Format {
    fn read(source: &Source, at: u64, fmt: &[u8]) -> Result<Format, ReadError> {
        let bad = |offset: u64, what: String| source.malformed("fmt ", at + offset, what);
        if fmt.len() < 16 {
            return Err(bad(0, format!("{} bytes, at least 16 expected", fmt.len())));
        }
        let (mut tag, channels, rate) = (u16_le(fmt, 0), u16_le(fmt, 2), u32_le(fmt, 4));
        let (align, container_bits) = (u16_le(fmt, 12), u16_le(fmt, 14));
        let mut repairs = Vec::new();
        if channels == 0 {
            return Err(bad(2, "0 channels".into()));
        }
        if channels > MAX_CHANNELS {
            let what = format!("{channels} channels, at most {MAX_CHANNELS} are read");
            return Err(source.limit("fmt ", at + 2, what));
        }
        if !RATES.contains(&rate) {
            return Err(bad(4, format!("sample rate {rate} Hz")));
        }
        let extensible = tag == 0xFFFE;
        let mut valid = container_bits;
        if extensible {
            if fmt.len() >= 26 {
                tag = u16_le(fmt, 24);
                valid = u16_le(fmt, 18);
            } else {
                tag = 1;
                repairs.push((
                    0,
                    "extensible without its extension: taken as integer PCM".into(),
                ));
            }
        }
        let kind = match tag {
            1 => SampleFormat::Int,
            3 => SampleFormat::Float,
            _ => {
                let what =
                    format!("audio format 0x{tag:04X}; integer PCM (1) and float (3) are read");
                return Err(source.unsupported("fmt ", at, what));
            }
        };
        let by_bits = container_bits.div_ceil(8);
        let by_align = (align > 0 && align.is_multiple_of(channels)).then_some(align / channels);
        let sensible = match kind {
            SampleFormat::Int => 1..=4,
            SampleFormat::Float => 4..=8,
        };
        let width = match by_align {
            Some(width) if sensible.contains(&width) && width >= by_bits => width,
            _ => {
                repairs.push((
                    12,
                    format!(
                        "block align {align} does not fit {channels} channels of {container_bits} bits: {} is used",
                        by_bits * channels
                    ),
                ));
                by_bits
            }
        };
        let supported = match kind {
            SampleFormat::Int => (1..=4).contains(&width),
            SampleFormat::Float => width == 4 || width == 8,
        };
        if !supported {
            let what = format!("samples of {container_bits} bits in {width} bytes");
            return Err(source.unsupported("fmt ", at + 14, what));
        }
        if kind == SampleFormat::Float {
            return Ok(Format {
                kind,
                channels,
                rate,
                bits: width * 8,
                width,
                ambiguous: false,
                right_justified: false,
                repairs,
            });
        }
        let stated = if container_bits == 0 {
            width * 8
        } else {
            container_bits
        };
        if valid > stated {
            repairs.push((18, format!("{valid} valid bits in {stated}: {stated} used")));
        }
        let bits = if valid == 0 || valid > stated {
            stated
        } else {
            valid
        };
        if bits < 2 {
            return Err(source.unsupported("fmt ", at + 14, format!("samples of {bits} bits")));
        }
        Ok(Format {
            kind,
            channels,
            rate,
            bits,
            width,
            ambiguous: width > by_bits && container_bits > 0,
            right_justified: false,
            repairs,
        })
    }
}

/// Whether the samples use the low bits of their container: looked up at sixteen places. Silence, and samples that fill the
/// whole container, count as left-justified, which is what the format's description asks for.
fn right_justified(source: &Source, audio: &Audio, format: &Format) -> Result<bool, ReadError> {
    let width = usize::from(format.width);
    let spare = 32 - u32::from(format.bits);
    let (mut left, mut right) = (true, true);
    for place in 0..16 {
        let frame = u64::from(format.channels) * u64::from(format.width);
        let at = audio.bytes / 16 * place / frame * frame;
        let bytes = source.bytes(audio.body + at, 4096.min(audio.bytes - at))?;
        for sample in bytes.chunks_exact(width) {
            let mut full = [0u8; 4];
            full[4 - width..].copy_from_slice(sample);
            let high = i32::from_le_bytes(full);
            let low = high >> (32 - 8 * width as u32);
            left &= high.trailing_zeros() >= spare;
            right &= (low << spare) >> spare == low;
        }
    }
    Ok(!left && right)
}

/// Four printable ASCII characters.
fn plausible(id: &[u8]) -> bool {
    id.iter().all(|b| (0x20..=0x7E).contains(b))
}

/// Identifiers met in production files.
fn known(id: &[u8]) -> bool {
    const KNOWN: [&[u8; 4]; 24] = [
        b"fmt ", b"data", b"bext", b"iXML", b"fact", b"cue ", b"LIST", b"JUNK", b"junk", b"ds64",
        b"axml", b"chna", b"levl", b"link", b"qlty", b"dbmd", b"smpl", b"plst", b"FLLR", b"PAD ",
        b"r64m", b"_PMX", b"ID3 ", b"id3 ",
    ];
    KNOWN.iter().any(|k| k.as_slice() == id)
}

/// First position in `bytes`, the end of a file, from which a chain of chunks ends exactly at the end. At least one of the
/// chunks has to be a known one: four printable characters alone happen in audio.
fn chain_start(bytes: &[u8]) -> Option<usize> {
    let follow = |start: usize| {
        let (mut at, mut some_known) = (start, false);
        for _ in 0..64 {
            let head = bytes.get(at..at + 8)?;
            if !plausible(&head[..4]) {
                return None;
            }
            some_known |= known(&head[..4]);
            let size = u32_le(head, 4) as usize;
            let end = at.checked_add(8)?.checked_add(size)?;
            if end > bytes.len() {
                return None;
            }
            at = end + size % 2;
            if at >= bytes.len() {
                return some_known.then_some(start);
            }
        }
        None
    };
    (0..bytes.len().saturating_sub(7))
        .filter(|&at| plausible(&bytes[at..at + 4]))
        .find_map(follow)
}
