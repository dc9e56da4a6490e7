//! Every container variant, written here byte by byte and read sample-exactly.
//!
//! The writer below shares nothing with the reader: sizes, identifiers and samples are put down as the formats' texts say, and
//! the expected samples come from a formula. FLAC and AIFF files were written by libsndfile 1.2.2 from the same formulas and
//! lie in `testdata/layouts`.
//!
//! What symphonia 0.6.1 does alone with each variant, and where the walk of `container::riff` steps in, is printed by
//! `cargo test --test suite symphonia_alone -- --ignored --nocapture`. In short: symphonia has no RF64 or BW64 reader, refuses
//! more than 26 channels (18 with an extensible header), refuses or silently empties unfinished files, reads 2^32 bytes too
//! few of a wrapped RIFF file, ignores the block align, stops at a missing pad byte and never shows bext or iXML; so WAVE is
//! read by our own walk throughout. Of FLAC it gets the stream information and the frames, and is exact. AIFF is plain PCM and
//! goes through our own unpacking, because cut files are then read as far as they go.

use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use takeproof::container::{self, Container, Header, Opened};
use takeproof::decode::{Block, Decoder, FileResult};
use takeproof::report::model::SampleFormat;
use takeproof::settings::Settings;
use takeproof::take::assemble::assemble;

/// Sample frames of every small file.
const FRAMES: usize = 700;

/// Noise from a counter; the same formula made the files in `testdata/layouts`.
fn noise(channel: usize, n: usize) -> u32 {
    let mut h = (n as u32)
        .wrapping_mul(2_654_435_761)
        .wrapping_add(channel as u32 * 40_503 + 12_345);
    h ^= h >> 15;
    h = h.wrapping_mul(2_246_822_519);
    h ^ (h >> 13)
}

/// Code of a sample: the extremes and the neighbours of zero first, then noise over all bits.
fn code(bits: u32, channel: usize, n: usize) -> i32 {
    let top = 1i64 << (bits - 1);
    let value = match n {
        0 => -top,
        1 => top - 1,
        2 => 0,
        3 => 1,
        4 => -1,
        _ => i64::from(noise(channel, n) >> (32 - bits)) - top,
    };
    value as i32
}

/// A sound that a predictor can predict: the FLAC files hold this.
fn smooth(bits: u32, channel: usize, n: usize) -> i32 {
    if n < 5 {
        return code(bits, channel, n);
    }
    let top = 1i64 << (bits - 1);
    let period = top / 2;
    let p = (n as i64 * (top / 64) * (channel as i64 + 1)) % (2 * period);
    let triangle = (if p < period { p } else { 2 * period - p }) - period / 2;
    (triangle + i64::from(noise(channel, n) >> 26) - 32) as i32
}

/// A float sample: values above full scale, tiny ones and both zeros first.
fn float(channel: usize, n: usize) -> f32 {
    match n {
        0 => 1.5,
        1 => -3.75,
        2 => 8.0,
        3 => 1e-30,
        4 => -0.0,
        _ => (noise(channel, n) >> 8) as f32 / 8_388_608.0 - 1.0,
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Fmt {
    /// Tag 1 or 3, 16 bytes.
    Plain16,
    /// With an empty extension.
    Plain18,
    /// Tag 1 in longer chunks, as some programs write it.
    Plain20,
    Plain40,
    /// Extensible with this channel mask.
    Extensible(u32),
}

/// One WAVE file to be written.
#[derive(Clone)]
struct Wav {
    id: &'static [u8; 4],
    channels: usize,
    rate: u32,
    /// Bytes of a sample.
    width: usize,
    /// Valid bits.
    valid: u32,
    /// What the fmt chunk says: container bits, valid bits field.
    said_bits: u16,
    said_valid: u16,
    float: bool,
    right_justified: bool,
    fmt: Fmt,
    /// Chunks with whether they get their pad byte.
    before: Vec<(&'static [u8; 4], Vec<u8>, bool)>,
    after: Vec<(&'static [u8; 4], Vec<u8>, bool)>,
    frames: usize,
    fmt_last: bool,
    /// Sizes in the header in place of the right ones.
    riff_size: Option<u32>,
    data_size: Option<u32>,
    /// ds64 as riff, data, table entries; `None` in a field: the right value.
    ds64: Option<(Option<u64>, Option<u64>, usize)>,
    /// Bytes cut off at the end.
    cut: usize,
    /// Bytes put behind the end.
    garbage: Vec<u8>,
}

impl Wav {
    fn new(channels: usize, width: usize) -> Wav {
        Wav {
            id: b"RIFF",
            channels,
            rate: 48_000,
            width,
            valid: 8 * width as u32,
            said_bits: 8 * width as u16,
            said_valid: 8 * width as u16,
            float: false,
            right_justified: false,
            fmt: Fmt::Plain16,
            before: Vec::new(),
            after: Vec::new(),
            frames: FRAMES,
            fmt_last: false,
            riff_size: None,
            data_size: None,
            ds64: None,
            cut: 0,
            garbage: Vec::new(),
        }
    }

    fn with(mut self, change: impl FnOnce(&mut Wav)) -> Wav {
        change(&mut self);
        self
    }

    fn samples(&self) -> Vec<u8> {
        let mut out = Vec::new();
        for n in 0..self.frames {
            for channel in 0..self.channels {
                match (self.float, self.width) {
                    (true, 4) => out.extend(float(channel, n).to_le_bytes()),
                    (true, _) => out.extend(f64::from(float(channel, n)).to_le_bytes()),
                    (false, 1) => out.push((code(8, channel, n) + 128) as u8),
                    (false, width) => {
                        let code = i64::from(code(self.valid, channel, n));
                        let spare = if self.right_justified {
                            0
                        } else {
                            8 * width as u32 - self.valid
                        };
                        out.extend(&(code << spare).to_le_bytes()[..width]);
                    }
                }
            }
        }
        out
    }

    fn fmt_chunk(&self) -> Vec<u8> {
        let tag = if self.float { 3u16 } else { 1 };
        let block = (self.channels * self.width) as u16;
        let mut out = Vec::new();
        let outer = if matches!(self.fmt, Fmt::Extensible(_)) {
            0xFFFE
        } else {
            tag
        };
        out.extend(outer.to_le_bytes());
        out.extend((self.channels as u16).to_le_bytes());
        out.extend(self.rate.to_le_bytes());
        out.extend((self.rate * u32::from(block)).to_le_bytes());
        out.extend(block.to_le_bytes());
        out.extend(self.said_bits.to_le_bytes());
        match self.fmt {
            Fmt::Plain16 => {}
            Fmt::Plain18 => out.extend([0, 0]),
            Fmt::Plain20 => out.extend([0; 4]),
            Fmt::Plain40 => out.extend([0; 24]),
            Fmt::Extensible(mask) => {
                out.extend(22u16.to_le_bytes());
                out.extend(self.said_valid.to_le_bytes());
                out.extend(mask.to_le_bytes());
                out.extend(tag.to_le_bytes());
                out.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71]);
            }
        }
        out
    }

    fn bytes(&self) -> Vec<u8> {
        fn chunk(out: &mut Vec<u8>, id: &[u8; 4], size: u32, body: &[u8], pad: bool) {
            out.extend(id);
            out.extend(size.to_le_bytes());
            out.extend(body);
            if body.len() % 2 == 1 && pad {
                out.push(0);
            }
        }
        let samples = self.samples();
        let (mut head, mut tail) = (Vec::new(), Vec::new());
        for (id, body, pad) in &self.before {
            chunk(&mut head, id, body.len() as u32, body, *pad);
        }
        let fmt = self.fmt_chunk();
        let place = if self.fmt_last { &mut tail } else { &mut head };
        chunk(place, b"fmt ", fmt.len() as u32, &fmt, true);
        for (id, body, pad) in &self.after {
            chunk(&mut tail, id, body.len() as u32, body, *pad);
        }
        let wide = self.id != b"RIFF";
        let size = samples.len() as u64;
        let mut data = Vec::new();
        let stated = self
            .data_size
            .unwrap_or(if wide { u32::MAX } else { size as u32 });
        chunk(&mut data, b"data", stated, &samples, !tail.is_empty());
        let entries = self.ds64.map_or(0, |d| d.2);
        let ds64_bytes = if wide { 8 + 28 + 12 * entries } else { 0 };
        let riff = (4 + ds64_bytes + head.len() + data.len() + tail.len()) as u64;
        let mut out = self.id.to_vec();
        out.extend(
            self.riff_size
                .unwrap_or(if wide { u32::MAX } else { riff as u32 })
                .to_le_bytes(),
        );
        out.extend(b"WAVE");
        if wide {
            let (said_riff, said_data, _) = self.ds64.unwrap_or((None, None, 0));
            let mut body = said_riff.unwrap_or(riff).to_le_bytes().to_vec();
            body.extend(said_data.unwrap_or(size).to_le_bytes());
            body.extend((self.frames as u64).to_le_bytes());
            body.extend((entries as u32).to_le_bytes());
            for _ in 0..entries {
                body.extend(b"axml");
                body.extend(5_000_000_000u64.to_le_bytes());
            }
            chunk(&mut out, b"ds64", body.len() as u32, &body, true);
        }
        out.extend(head);
        out.extend(data);
        out.extend(tail);
        out.truncate(out.len() - self.cut);
        out.extend(&self.garbage);
        out
    }
}

fn bext() -> Vec<u8> {
    let mut b = vec![0u8; 602];
    b[..8].copy_from_slice(b"SCENE=9X");
    b[338..346].copy_from_slice(&1_728_000_000u64.to_le_bytes());
    b[346] = 1;
    b.extend(b"A=PCM,F=48000,W=24,M=mono,T=x\r\n");
    b
}

fn ixml(len_odd: bool) -> Vec<u8> {
    let mut text = "<BWFXML><SCENE>27B</SCENE><TAKE>3</TAKE></BWFXML>".to_owned();
    if text.len() % 2 == usize::from(!len_odd) {
        text.push('\n');
    }
    text.into_bytes()
}

/// What reading gives.
struct Got {
    opened: Opened,
    x: Vec<Vec<f32>>,
    codes: Vec<Vec<i32>>,
    results: Vec<FileResult>,
}

impl Got {
    fn problems(&self) -> Vec<&str> {
        self.opened
            .problems
            .iter()
            .map(|p| p.code.as_str())
            .collect()
    }
}

fn read(path: &Path) -> Result<Got, String> {
    let opened = container::open(path).map_err(|e| e.to_string())?;
    let takes = assemble(vec![(opened.clone(), "x.wav".into())], &Settings::default());
    let mut got = Got {
        opened,
        x: Vec::new(),
        codes: Vec::new(),
        results: Vec::new(),
    };
    // A block length that divides nothing.
    let mut decoder = Decoder::open(&takes[0], 211).map_err(|e| e.to_string())?;
    let mut block = Block::default();
    while decoder.next_into(&mut block).map_err(|e| e.to_string())? {
        got.x.resize(block.x.len(), Vec::new());
        got.codes.resize(block.codes.len(), Vec::new());
        assert_eq!(block.start as usize, got.x[0].len());
        for (all, x) in got.x.iter_mut().zip(&block.x) {
            all.extend(x);
        }
        let codes = |channel| codes_of(&block, channel, &got.opened.header);
        for (channel, all) in got.codes.iter_mut().enumerate() {
            all.extend(codes(channel));
        }
    }
    got.results = decoder.finish().map_err(|e| e.to_string())?;
    Ok(got)
}

/// Codes of a channel at the valid bit depth: from the samples where these hold them. None of float files.
fn codes_of(block: &Block, channel: usize, header: &Header) -> Vec<i32> {
    if header.format == SampleFormat::Float || header.bits > 24 {
        return block.codes[channel].clone();
    }
    assert!(block.codes[channel].is_empty());
    let scale = 2f32.powi(i32::from(header.bits) - 1);
    block.x[channel]
        .iter()
        .map(|v| (v * scale) as i32)
        .collect()
}

fn write(bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    std::fs::write(&path, bytes).unwrap();
    (folder, path)
}

fn read_bytes(bytes: &[u8]) -> Result<Got, String> {
    let (_folder, path) = write(bytes);
    read(&path)
}

/// Read a file and compare all samples with the formula; `frames` of them must be there. Returns the codes of the problems.
fn exact(name: &str, wav: &Wav, frames: usize) -> Vec<String> {
    let got = read_bytes(&wav.bytes()).unwrap_or_else(|e| panic!("{name}: {e}"));
    let h = &got.opened.header;
    assert_eq!(
        (usize::from(h.channels), h.rate),
        (wav.channels, wav.rate),
        "{name}"
    );
    assert_eq!(
        h.frames, frames as u64,
        "{name}: frames; {:?}",
        got.opened.problems
    );
    if frames > 0 {
        assert_eq!(got.x.len(), wav.channels, "{name}");
    }
    for (channel, x) in got.x.iter().enumerate() {
        assert_eq!(x.len(), frames, "{name} channel {channel}");
        if wav.float {
            assert!(got.codes[channel].is_empty(), "{name}");
            let same = (0..frames).all(|n| x[n].to_bits() == float(channel, n).to_bits());
            assert!(same, "{name} channel {channel}");
        } else {
            assert_eq!(u32::from(h.bits), wav.valid, "{name}");
            let scale = 2f64.powi(1 - wav.valid as i32);
            for (n, (&sample, &stored)) in x.iter().zip(&got.codes[channel]).enumerate() {
                let expected = code(wav.valid, channel, n);
                assert_eq!(stored, expected, "{name} channel {channel} sample {n}");
                assert_eq!(
                    sample,
                    (f64::from(expected) * scale) as f32,
                    "{name} channel {channel} sample {n}"
                );
            }
        }
    }
    got.problems().into_iter().map(str::to_owned).collect()
}

fn clean(name: &str, wav: &Wav) {
    assert_eq!(exact(name, wav, wav.frames), [] as [&str; 0], "{name}");
}

/// All variants that are right as they are, by name.
fn sound_variants() -> Vec<(String, Wav)> {
    let mut all: Vec<(String, Wav)> = Vec::new();
    let mut add = |name: String, wav: Wav| all.push((name, wav));
    for channels in [1, 2, 3, 5, 8, 18, 19, 26, 27, 32, 33, 64, 65] {
        add(
            format!("24 bit, {channels} channels"),
            Wav::new(channels, 3),
        );
        for mask in [0, 3, 0x3F, 0x8000_0000, 0xFFFF_FFFF] {
            let wav = Wav::new(channels, 3).with(|w| w.fmt = Fmt::Extensible(mask));
            add(format!("24 bit, {channels} channels, mask {mask:#x}"), wav);
        }
    }
    for (bits, width) in [(8, 1), (16, 2), (24, 3), (32, 4)] {
        for fmt in [
            Fmt::Plain16,
            Fmt::Plain18,
            Fmt::Plain20,
            Fmt::Plain40,
            Fmt::Extensible(0),
        ] {
            let length = Wav::new(3, width).with(|w| w.fmt = fmt).fmt_chunk().len();
            add(
                format!("{bits} bit, fmt of {length} bytes"),
                Wav::new(3, width).with(|w| w.fmt = fmt),
            );
        }
    }
    for (valid, width) in [(20, 3), (24, 4), (12, 2), (18, 3)] {
        let wav = Wav::new(2, width).with(|w| {
            w.fmt = Fmt::Extensible(0);
            w.valid = valid;
            w.said_valid = valid as u16;
        });
        add(format!("{valid} valid bits in {}", 8 * width), wav);
    }
    add(
        "valid bits field 0".into(),
        Wav::new(2, 3).with(|w| (w.fmt, w.said_valid) = (Fmt::Extensible(0), 0)),
    );
    add(
        "20 bits in 3 bytes, plain header".into(),
        Wav::new(2, 3).with(|w| (w.valid, w.said_bits) = (20, 20)),
    );
    for channels in [1, 2, 8, 12, 32, 64] {
        let wav = Wav::new(channels, 4).with(|w| w.float = true);
        add(format!("f32, {channels} channels"), wav.clone());
        add(
            format!("f32, {channels} channels, extensible"),
            wav.with(|w| w.fmt = Fmt::Extensible(0)),
        );
    }
    let f32 = || Wav::new(2, 4).with(|w| w.float = true);
    add(
        "f32, valid bits field 0".into(),
        f32().with(|w| (w.fmt, w.said_valid) = (Fmt::Extensible(0), 0)),
    );
    add(
        "f32, fact of 12 bytes".into(),
        f32().with(|w| w.before = vec![(b"fact", vec![1; 12], true)]),
    );
    add(
        "f32, fmt of 18 bytes and fact".into(),
        f32().with(|w| (w.fmt, w.before) = (Fmt::Plain18, vec![(b"fact", vec![1; 4], true)])),
    );
    add("f64".into(), Wav::new(2, 8).with(|w| w.float = true));
    for rate in [
        44_100, 47_952, 48_000, 48_048, 88_200, 96_000, 176_400, 192_000,
    ] {
        add(format!("{rate} Hz"), Wav::new(2, 3).with(|w| w.rate = rate));
    }
    for id in [b"RF64", b"BW64"] {
        let name = String::from_utf8_lossy(id).into_owned();
        let wav = || Wav::new(8, 3).with(|w| w.id = id);
        add(format!("{name}, sizes in ds64"), wav());
        add(
            format!("{name}, ds64 with a table"),
            wav().with(|w| w.ds64 = Some((None, None, 2))),
        );
        add(
            format!("{name}, 32-bit data size"),
            wav().with(|w| w.data_size = Some((FRAMES * 24) as u32)),
        );
        add(
            format!("{name}, bext before, iXML after"),
            wav().with(|w| {
                w.before = vec![(b"bext", bext(), true)];
                w.after = vec![(b"iXML", ixml(true), true)];
            }),
        );
        add(
            format!("{name}, float"),
            Wav::new(2, 4).with(|w| (w.id, w.float) = (id, true)),
        );
    }
    let chunks = |before: Vec<(&'static [u8; 4], Vec<u8>, bool)>,
                  after: Vec<(&'static [u8; 4], Vec<u8>, bool)>| {
        Wav::new(3, 3).with(|w| (w.before, w.after) = (before, after))
    };
    add(
        "room for ds64".into(),
        chunks(vec![(b"JUNK", vec![0; 28], true)], vec![]),
    );
    add(
        "bext and iXML before".into(),
        chunks(
            vec![(b"bext", bext(), true), (b"iXML", ixml(true), true)],
            vec![],
        ),
    );
    add(
        "bext before, iXML after".into(),
        chunks(
            vec![(b"bext", bext(), true)],
            vec![(b"iXML", ixml(false), true)],
        ),
    );
    add(
        "bext and iXML after".into(),
        chunks(
            vec![],
            vec![(b"bext", bext(), true), (b"iXML", ixml(true), true)],
        ),
    );
    add(
        "odd chunk with pad byte".into(),
        chunks(
            vec![(b"oddA", vec![7; 11], true), (b"oddB", vec![7; 3], true)],
            vec![],
        ),
    );
    add(
        "chunk without content".into(),
        chunks(vec![(b"none", vec![], true)], vec![(b"none", vec![], true)]),
    );
    add(
        "odd LIST".into(),
        chunks(
            vec![(b"LIST", b"adtllabl\x05\0\0\0\x01\0\0\0x".to_vec(), true)],
            vec![],
        ),
    );
    add(
        "filler up to 32 KiB".into(),
        chunks(vec![(b"FLLR", vec![0; 32_000], true)], vec![]),
    );
    add(
        "iXML of a megabyte".into(),
        chunks(
            vec![],
            vec![(b"iXML", [ixml(true), vec![b' '; 1_000_000]].concat(), true)],
        ),
    );
    add(
        "fmt after data".into(),
        Wav::new(3, 3).with(|w| w.fmt_last = true),
    );
    add(
        "odd audio with pad byte, iXML after".into(),
        Wav::new(1, 3).with(|w| (w.frames, w.after) = (701, vec![(b"iXML", ixml(true), true)])),
    );
    add("no audio".into(), Wav::new(2, 3).with(|w| w.frames = 0));
    add("one sample".into(), Wav::new(2, 3).with(|w| w.frames = 1));
    all
}

#[test]
fn sound_files_are_read_to_the_sample_and_without_complaint() {
    for (name, wav) in sound_variants() {
        clean(&name, &wav);
    }
}

/// Broken variants: name, file, frames that must be there, problems that must be told.
fn broken_variants() -> Vec<(&'static str, Wav, usize, Vec<&'static str>)> {
    let f = FRAMES;
    let size = |r: Option<u32>, d: Option<u32>| {
        Wav::new(8, 3).with(|w| (w.riff_size, w.data_size) = (r, d))
    };
    let tail = |w: Wav| w.with(|w| w.after = vec![(b"iXML", ixml(true), true)]);
    let wide = |id: &'static [u8; 4], d: (Option<u64>, Option<u64>, usize)| {
        Wav::new(8, 3).with(|w| (w.id, w.ds64) = (id, Some(d)))
    };
    let header_only = Some(36u32);
    vec![
        (
            "RIFF 0, data 0",
            size(Some(0), Some(0)),
            f,
            vec!["unfinished", "unfinished"],
        ),
        (
            "RIFF FF, data FF",
            size(Some(u32::MAX), Some(u32::MAX)),
            f,
            vec!["unfinished", "unfinished"],
        ),
        (
            "RIFF 0, data FF",
            size(Some(0), Some(u32::MAX)),
            f,
            vec!["unfinished", "unfinished"],
        ),
        (
            "RIFF right, data 0",
            size(None, Some(0)),
            f,
            vec!["unfinished"],
        ),
        (
            "RIFF right, data FF",
            size(None, Some(u32::MAX)),
            f,
            vec!["unfinished"],
        ),
        (
            "RIFF header only, data 0",
            size(header_only, Some(0)),
            f,
            vec!["unfinished", "size_mismatch"],
        ),
        (
            "RIFF 0, data right",
            size(Some(0), None),
            f,
            vec!["unfinished"],
        ),
        (
            "RIFF header only, data right",
            size(header_only, None),
            f,
            vec!["size_mismatch"],
        ),
        (
            "RIFF too large, data right",
            size(Some(99_999_999), None),
            f,
            vec!["size_mismatch"],
        ),
        (
            "RIFF FF, data right",
            size(Some(u32::MAX), None),
            f,
            vec!["unfinished"],
        ),
        (
            "unfinished, iXML behind",
            tail(size(None, Some(0))),
            f,
            vec!["unfinished"],
        ),
        (
            "data FF, iXML behind",
            tail(size(None, Some(u32::MAX))),
            f,
            vec!["unfinished"],
        ),
        (
            "RF64, ds64 zero",
            wide(b"RF64", (Some(0), Some(0), 0)),
            f,
            vec!["unfinished", "unfinished"],
        ),
        (
            "BW64, ds64 zero",
            wide(b"BW64", (Some(0), Some(0), 0)),
            f,
            vec!["unfinished", "unfinished"],
        ),
        (
            "RF64, ds64 zero, iXML behind",
            tail(wide(b"RF64", (Some(0), Some(0), 0))),
            f,
            vec!["unfinished", "unfinished"],
        ),
        (
            "RF64, ds64 too large",
            wide(b"RF64", (None, Some(1 << 40), 0)),
            f,
            vec!["truncated"],
        ),
        (
            "RF64, data size 0 beside ds64",
            Wav::new(8, 3).with(|w| (w.id, w.data_size) = (b"RF64", Some(0))),
            f,
            vec!["size_mismatch"],
        ),
        (
            "cut at a frame",
            Wav::new(8, 3).with(|w| w.cut = 24 * 200),
            f - 200,
            vec!["truncated", "size_mismatch"],
        ),
        (
            "cut inside a frame",
            Wav::new(8, 3).with(|w| w.cut = 24 * 200 - 11),
            f - 200,
            vec!["truncated", "size_mismatch", "partial_frame"],
        ),
        (
            "cut at the first sample",
            Wav::new(8, 3).with(|w| w.cut = 24 * f),
            0,
            vec!["truncated", "size_mismatch"],
        ),
        (
            "odd chunk without pad byte",
            Wav::new(3, 3)
                .with(|w| w.before = vec![(b"oddB", vec![9; 7], false), (b"bext", bext(), false)]),
            f,
            vec!["missing_pad", "missing_pad"],
        ),
        (
            "odd audio without pad byte, iXML behind",
            Wav::new(1, 3)
                .with(|w| (w.frames, w.after) = (f + 1, vec![(b"iXML", ixml(true), true)])),
            f + 1,
            vec![],
        ),
        (
            "odd audio at the end, no pad byte",
            Wav::new(1, 3).with(|w| w.frames = f + 1),
            f + 1,
            vec!["missing_pad"],
        ),
        (
            "garbage behind",
            Wav::new(3, 3).with(|w| w.garbage = vec![0xEE; 333]),
            f,
            vec!["trailing_bytes", "size_mismatch"],
        ),
        (
            "a few zeros behind",
            Wav::new(3, 3).with(|w| w.garbage = vec![0; 5]),
            f,
            vec!["trailing_bytes", "size_mismatch"],
        ),
        (
            "data size no multiple of the block",
            Wav::new(8, 3)
                .with(|w| (w.data_size, w.garbage) = (Some((24 * f + 7) as u32), vec![1; 7])),
            f,
            vec!["missing_pad", "size_mismatch", "partial_frame"],
        ),
        (
            "24 bits in blocks of 4 bytes, high",
            Wav::new(8, 4).with(|w| (w.valid, w.said_bits) = (24, 24)),
            f,
            vec!["ambiguous_format"],
        ),
        (
            "24 bits in blocks of 4 bytes, low",
            Wav::new(8, 4).with(|w| (w.valid, w.said_bits, w.right_justified) = (24, 24, true)),
            f,
            vec!["ambiguous_format"],
        ),
        (
            "second data chunk",
            Wav::new(3, 3).with(|w| w.after = vec![(b"data", vec![1; 90], true)]),
            f,
            vec!["duplicate_chunk"],
        ),
        (
            "iXML larger than the file",
            Wav::new(3, 3).with(|w| (w.after, w.cut) = (vec![(b"iXML", ixml(false), true)], 20)),
            f,
            vec!["chunk_past_end", "ixml_malformed", "size_mismatch"],
        ),
    ]
}

#[test]
fn broken_files_give_what_is_there_and_say_what_is_wrong() {
    for (name, wav, frames, expected) in broken_variants() {
        let mut problems = exact(name, &wav, frames);
        let mut expected: Vec<String> = expected.into_iter().map(str::to_owned).collect();
        problems.sort();
        expected.sort();
        assert_eq!(problems, expected, "{name}");
    }
}

#[test]
fn a_wrong_block_align_is_told_and_the_bits_are_believed() {
    let mut bytes = Wav::new(2, 3).bytes();
    bytes[32] = 5;
    let got = read_bytes(&bytes).unwrap();
    assert_eq!(got.problems(), ["bad_format"]);
    assert_eq!(got.codes[1][0], code(24, 1, 0));
}

#[test]
fn a_header_written_in_mid_take_is_told() {
    let wav = Wav::new(8, 3).with(|w| w.frames = 48_000);
    let mut bytes = wav.bytes();
    let data_size = 24 * 1000u32;
    bytes[40..44].copy_from_slice(&data_size.to_le_bytes());
    let got = read_bytes(&bytes).unwrap();
    assert_eq!(got.opened.header.frames, 1000);
    assert!(
        got.problems().contains(&"stale_header"),
        "{:?}",
        got.opened.problems
    );
}

#[test]
fn problems_name_the_chunk_and_the_byte() {
    let wav = Wav::new(8, 3).with(|w| (w.before, w.cut) = (vec![(b"bext", bext(), true)], 240));
    let got = read_bytes(&wav.bytes()).unwrap();
    let truncated = got
        .opened
        .problems
        .iter()
        .find(|p| p.code == "truncated")
        .unwrap();
    let data_at = 12 + 8 + bext().len() as u64 + 1 + 8 + 16;
    assert_eq!(
        (truncated.chunk.as_str(), truncated.offset),
        ("data", data_at + 4)
    );
    assert!(
        truncated.detail.contains("240 missing"),
        "{}",
        truncated.detail
    );
}

#[test]
fn what_cannot_be_read_says_where_and_why() {
    let mut no_channels = Wav::new(2, 3).bytes();
    no_channels[22] = 0;
    let mut other_codec = Wav::new(2, 3).bytes();
    other_codec[20] = 0x55;
    let mut too_many = Wav::new(2, 3).bytes();
    too_many[22..24].copy_from_slice(&60_000u16.to_le_bytes());
    let cases: [(&[u8], &str, &str); 8] = [
        (b"", "malformed", "empty"),
        (b"RIFF", "malformed", "WAVE"),
        (b"RIFF\0\0\0\0AVI ", "malformed", "WAVE"),
        (b"RIFF\x04\0\0\0WAVE", "malformed", "fmt"),
        (b"no audio at all, but some text", "malformed", "RIFF"),
        (&no_channels, "malformed", "channels"),
        (&other_codec, "unsupported", "0x0055"),
        (&too_many, "limit reached", "60000 channels"),
    ];
    for (bytes, reason, word) in cases {
        let (_folder, path) = write(bytes);
        let error = container::open(&path).unwrap_err();
        assert_eq!(error.reason(), reason, "{error}");
        assert!(error.to_string().contains(word), "{error}");
    }
    assert_eq!(
        container::open(Path::new("/nowhere/x.wav"))
            .unwrap_err()
            .reason(),
        "cannot be read"
    );
}

#[test]
fn labels_are_found_before_and_behind_the_audio() {
    for (name, wav) in sound_variants() {
        let has = |id: &[u8; 4]| wav.before.iter().chain(&wav.after).any(|c| c.0 == id);
        let got = read_bytes(&wav.bytes()).unwrap();
        let h = &got.opened.header;
        assert_eq!(
            h.bext.as_ref().map(|b| b.time_reference),
            has(b"bext").then_some(1_728_000_000),
            "{name}"
        );
        assert_eq!(
            h.ixml.as_ref().and_then(|x| x.scene.clone()),
            has(b"iXML").then(|| "27B".to_owned()),
            "{name}"
        );
    }
}

#[test]
fn hashes_cover_what_they_say() {
    use xxhash_rust::xxh3::xxh3_128;
    let hex = |bytes: &[u8]| format!("{:032x}", xxh3_128(bytes));
    let wav = Wav::new(8, 3).with(|w| {
        (w.before, w.after) = (
            vec![(b"bext", bext(), true)],
            vec![(b"iXML", ixml(true), true)],
        )
    });
    let got = read_bytes(&wav.bytes()).unwrap();
    assert_eq!(got.results[0].hash.xxh128, hex(&wav.bytes()));
    assert_eq!(got.results[0].audio_hash.xxh128, hex(&wav.samples()));
    // Another label, the same audio.
    let relabelled = read_bytes(&Wav::new(8, 3).bytes()).unwrap();
    assert_ne!(
        relabelled.results[0].hash.xxh128,
        got.results[0].hash.xxh128
    );
    assert_eq!(
        relabelled.results[0].audio_hash.xxh128,
        got.results[0].audio_hash.xxh128
    );
    // Cut inside a frame: whole frames only.
    let cut = read_bytes(&Wav::new(8, 3).with(|w| w.cut = 24 * 200 - 11).bytes()).unwrap();
    assert_eq!(
        cut.results[0].audio_hash.xxh128,
        hex(&wav.samples()[..24 * (FRAMES - 200)])
    );
    for name in ["flac_24_8ch.flac", "aiff_24_8ch.aiff"] {
        let path = layout(name);
        let bytes = std::fs::read(&path).unwrap();
        let got = read(&path).unwrap();
        let audio = got.opened.header.data_offset as usize;
        assert_eq!(got.results[0].hash.xxh128, hex(&bytes), "{name}");
        assert_eq!(
            got.results[0].audio_hash.xxh128,
            hex(&bytes[audio..]),
            "{name}"
        );
    }
    // The xxhash package for Python (4.1.0, xxHash 0.8.4, 2026-11-25): whole file, and the sample bytes of its SSND chunk.
    let got = read(&layout("aiff_24_8ch.aiff")).unwrap();
    assert_eq!(
        got.results[0].hash.xxh128,
        "0a5ec2ac9488109ea3342c4a5afc700a"
    );
    assert_eq!(
        got.results[0].audio_hash.xxh128,
        "082c9b200ae8d17c9be730340ed08a3c"
    );
}

fn layout(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("testdata/layouts")
        .join(name)
}

#[test]
fn flac_is_exact() {
    for (name, bits, channels) in [
        ("flac_24_1ch.flac", 24, 1),
        ("flac_24_2ch.flac", 24, 2),
        ("flac_24_5ch.flac", 24, 5),
        ("flac_24_8ch.flac", 24, 8),
        ("flac_16_8ch.flac", 16, 8),
    ] {
        let got = read(&layout(name)).unwrap();
        let h = &got.opened.header;
        assert_eq!(
            (h.container, h.bits, h.frames, h.rate),
            (Container::Flac, bits as u16, 1500, 48_000),
            "{name}"
        );
        assert!(
            got.problems().is_empty() && got.results[0].problems.is_empty(),
            "{name}"
        );
        assert_eq!(got.codes.len(), channels);
        for (channel, codes) in got.codes.iter().enumerate() {
            let expected: Vec<i32> = (0..1500).map(|n| smooth(bits, channel, n)).collect();
            assert_eq!(*codes, expected, "{name} channel {channel}");
        }
    }
}

#[test]
fn a_cut_flac_gives_its_whole_frames() {
    let bytes = std::fs::read(layout("flac_16_1ch_long.flac")).unwrap();
    let whole: Vec<i32> = (0..10_000).map(|n| smooth(16, 0, n)).collect();
    assert_eq!(read_bytes(&bytes).unwrap().codes[0], whole);
    let got = read_bytes(&bytes[..bytes.len() - 500]).unwrap();
    let there = got.codes[0].len();
    // Blocks of 4096: two are whole.
    assert_eq!(there, 8192);
    assert_eq!(got.codes[0], whole[..there]);
    assert_eq!(got.results[0].problems[0].code, "truncated");
}

#[test]
fn aiff_is_exact() {
    for (name, bits, channels, rate) in [
        ("aiff_24_8ch.aiff", 24, 8, 48_000),
        ("aiff_16_2ch.aiff", 16, 2, 48_000),
        ("aiff_8_1ch.aiff", 8, 1, 48_000),
        ("aiff_32_2ch.aiff", 32, 2, 48_000),
        ("aifc_sowt_2ch.aifc", 16, 2, 44_100),
    ] {
        let got = read(&layout(name)).unwrap();
        let h = &got.opened.header;
        assert_eq!(
            (h.container, h.bits, h.frames, h.rate),
            (Container::Aiff, bits as u16, 1500, rate),
            "{name}"
        );
        assert!(
            got.problems().is_empty(),
            "{name}: {:?}",
            got.opened.problems
        );
        assert_eq!(got.codes.len(), channels);
        for (channel, codes) in got.codes.iter().enumerate() {
            let expected: Vec<i32> = (0..1500).map(|n| code(bits, channel, n)).collect();
            assert_eq!(*codes, expected, "{name} channel {channel}");
        }
    }
    let got = read(&layout("aifc_f32_2ch.aifc")).unwrap();
    assert_eq!(got.opened.header.format, SampleFormat::Float);
    for (channel, x) in got.x.iter().enumerate() {
        let expected: Vec<f32> = (0..1500)
            .map(|n| (f64::from(code(16, channel, n)) / 32768.0 * 2.5) as f32)
            .collect();
        assert_eq!(*x, expected);
    }
    let bytes = std::fs::read(layout("aiff_24_8ch.aiff")).unwrap();
    let cut = read_bytes(&bytes[..bytes.len() - 24 * 100 - 7]).unwrap();
    assert_eq!(cut.opened.header.frames, 1399);
    assert!(
        cut.problems().contains(&"truncated"),
        "{:?}",
        cut.opened.problems
    );
}

/// hound reads the plain variants; where it does, it must agree.
#[test]
fn hound_agrees_where_it_can_read() {
    let mut agreed = 0;
    for (name, wav) in sound_variants()
        .into_iter()
        .filter(|(_, w)| w.channels <= 8 && !w.float && w.valid == 8 * w.width as u32)
    {
        let (_folder, path) = write(&wav.bytes());
        let Ok(mut reader) = hound::WavReader::open(&path) else {
            continue;
        };
        let Ok(theirs) = reader.samples::<i32>().collect::<Result<Vec<i32>, _>>() else {
            continue;
        };
        let ours = read(&path).unwrap();
        for (i, sample) in theirs.iter().enumerate() {
            assert_eq!(
                *sample,
                ours.codes[i % wav.channels][i / wav.channels],
                "{name}"
            );
        }
        agreed += 1;
    }
    assert!(agreed > 20, "hound read only {agreed}");
}

/// A file beyond 4 GiB: holes cost no disk. Head and last frames hold the formula, what lies between is zero.
fn sparse(id: &'static [u8; 4], said: Option<u32>) -> Option<(tempfile::TempDir, PathBuf, u64)> {
    let frames = (4u64 << 30) / 192 + 100_000;
    let wav = Wav::new(64, 3).with(|w| {
        (w.id, w.frames, w.data_size) = (id, 100, said);
        w.ds64 = Some((Some(frames * 192 + 88), Some(frames * 192), 0));
    });
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    let mut file = File::create(&path).unwrap();
    file.write_all(&wav.bytes()).unwrap();
    let audio = wav.bytes().len() as u64 - 100 * 192;
    let tail = Wav::new(64, 3).with(|w| w.frames = 100).samples();
    file.seek(SeekFrom::Start(audio + (frames - 100) * 192))
        .unwrap();
    // A disk without room for holes cannot run this.
    file.write_all(&tail).ok()?;
    let ixml = ixml(false);
    file.write_all(b"iXML").unwrap();
    file.write_all(&(ixml.len() as u32).to_le_bytes()).unwrap();
    file.write_all(&ixml).unwrap();
    Some((folder, path, frames))
}

#[test]
fn files_beyond_4_gib() {
    let frames = (4u64 << 30) / 192 + 100_000;
    let wrapped = (frames * 192 % (1 << 32)) as u32;
    for (id, said, expected) in [
        (b"RF64", None, vec!["size_mismatch"]),
        (b"BW64", None, vec!["size_mismatch"]),
        (
            b"RIFF",
            Some(wrapped),
            vec!["size_wrapped", "size_mismatch"],
        ),
        (b"RIFF", Some(u32::MAX), vec!["unfinished", "size_mismatch"]),
    ] {
        let Some((_folder, path, frames)) = sparse(id, said) else {
            eprintln!("no room for a sparse file: not tested");
            return;
        };
        let opened = container::open(&path).unwrap();
        let name = format!("{} {said:?}", String::from_utf8_lossy(id));
        assert_eq!(
            opened.header.frames, frames,
            "{name}: {:?}",
            opened.problems
        );
        assert_eq!(
            opened.header.ixml.as_ref().unwrap().scene.as_deref(),
            Some("27B"),
            "{name}"
        );
        let problems: Vec<&str> = opened.problems.iter().map(|p| p.code.as_str()).collect();
        assert_eq!(problems, expected, "{name}");
        // The last frames, through the decoder: a take that starts where the file's first 4 GiB end.
        let header = opened.header.clone();
        let mut takes = assemble(vec![(opened, "x.wav".into())], &Settings::default());
        let block = 8192;
        let mut decoder = Decoder::open(&takes.remove(0), block).unwrap();
        if id != b"RF64" {
            continue;
        }
        let (mut all, mut last) = (Block::default(), Vec::new());
        while decoder.next_into(&mut all).unwrap() {
            let codes = codes_of(&all, 63, &header);
            if all.start == 0 {
                assert!((0..100).all(|n| codes[n] == code(24, 63, n)));
            }
            last = codes;
        }
        assert_eq!(decoder.position(), frames);
        let from = last.len() - 100;
        assert!(
            (0..100).all(|n| last[from + n] == code(24, 63, n)),
            "{name}"
        );
    }
}

/// What symphonia does by itself, variant by variant. A report for people: nothing fails.
#[test]
#[ignore = "prints a table"]
fn symphonia_alone() {
    println!("| variant | symphonia | takeproof |\n|---|---|---|");
    let sound = sound_variants()
        .into_iter()
        .map(|(n, w)| (n, w.clone(), w.frames));
    let broken = broken_variants()
        .into_iter()
        .map(|(n, w, f, _)| (n.to_owned(), w, f));
    for (name, wav, frames) in sound.chain(broken) {
        let bytes = wav.bytes();
        let theirs = std::panic::catch_unwind(|| symphonia_reads(bytes.clone(), &wav, frames))
            .unwrap_or_else(|_| "panics".into());
        let ours = read_bytes(&bytes).map_or_else(
            |e| e,
            |g| {
                let repairs = g.problems().join(", ");
                if repairs.is_empty() {
                    "exact".into()
                } else {
                    format!("exact; {repairs}")
                }
            },
        );
        println!("| {name} | {theirs} | {ours} |");
    }
}

fn symphonia_reads(bytes: Vec<u8>, wav: &Wav, frames: usize) -> String {
    use symphonia::core::codecs::audio::AudioDecoderOptions;
    use symphonia::core::formats::probe::Hint;
    use symphonia::core::formats::{FormatOptions, TrackType};
    use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
    use symphonia::core::meta::MetadataOptions;
    let stream = MediaSourceStream::new(
        Box::new(std::io::Cursor::new(bytes)),
        MediaSourceStreamOptions::default(),
    );
    let probed = symphonia::default::get_probe().probe(
        &Hint::new(),
        stream,
        FormatOptions::default(),
        MetadataOptions::default(),
    );
    let mut format = match probed {
        Ok(format) => format,
        Err(error) => return format!("refused: {error}"),
    };
    let Some(track) = format.default_track(TrackType::Audio) else {
        return "no track".into();
    };
    let Some(params) = track.codec_params.as_ref().and_then(|p| p.audio()) else {
        return "no parameters".into();
    };
    let mut decoder = match symphonia::default::get_codecs()
        .make_audio_decoder(params, &AudioDecoderOptions::default())
    {
        Ok(decoder) => decoder,
        Err(error) => return format!("refused: {error}"),
    };
    let mut all: Vec<f32> = Vec::new();
    let mut end = String::new();
    loop {
        match format.next_packet() {
            Ok(Some(packet)) => match decoder.decode(&packet) {
                Ok(buffer) => {
                    let mut interleaved: Vec<f32> = Vec::new();
                    buffer.copy_to_vec_interleaved(&mut interleaved);
                    all.extend(interleaved);
                }
                Err(error) => return format!("decoding: {error}"),
            },
            Ok(None) => break,
            Err(error) => {
                end = format!(", then {error}");
                break;
            }
        }
    }
    let read = all.len() / wav.channels.max(1);
    let scale = 2f64.powi(1 - wav.valid as i32);
    let same = all
        .iter()
        .enumerate()
        .take(read.min(frames) * wav.channels)
        .all(|(i, x)| {
            let (channel, n) = (i % wav.channels, i / wav.channels);
            if wav.float {
                x.to_bits() == float(channel, n).to_bits()
            } else {
                *x == (f64::from(code(wav.valid, channel, n)) * scale) as f32
            }
        });
    let exact = if same { "exact" } else { "WRONG samples" };
    format!("{exact}, {read} of {frames} frames{end}")
}
