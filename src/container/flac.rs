//! FLAC: the metadata blocks. Decoding is left to symphonia; where the audio starts and what stands before it is read here,
//! because symphonia keeps neither byte offsets nor the broadcast chunks that a converted production file carries along in
//! its `riff` application blocks.

use super::source::{Source, id_text, u16_be, u32_le};
use super::{Chunk, Container, Encoding, Header, ReadError, bext, ixml};
use crate::report::model::{Problem, SampleFormat};

/// Largest metadata block that is read into memory; the format allows 16 MiB.
const MAX_BLOCK: u64 = 4 << 20;
/// More metadata blocks than any file has.
const MAX_BLOCKS: usize = 1024;

/// Read the header of a FLAC file.
pub(super) fn read(source: &Source) -> Result<(Header, Vec<Problem>), ReadError> {
    let mut problems = Vec::new();
    let start = after_id3(source)?;
    if source.bytes(start, 4)? != b"fLaC" {
        return Err(source.malformed("fLaC", start, "no FLAC stream marker"));
    }
    let (mut at, mut info) = (start + 4, None);
    let (mut bext, mut ixml) = (None, None);
    let mut chunks = Vec::new();
    for count in 0.. {
        let head = source.bytes(at, 4)?;
        let &[kind, a, b, c] = head.as_slice() else {
            return Err(source.malformed("metadata", at, "the file ends within the metadata"));
        };
        if count == MAX_BLOCKS {
            return Err(source.limit(
                "metadata",
                at,
                format!("more than {MAX_BLOCKS} metadata blocks"),
            ));
        }
        let size = u64::from(u32::from_be_bytes([0, a, b, c]));
        let body = at + 4;
        if body + size > source.len() {
            let what = format!("block of {size} bytes runs past the end of the file");
            return Err(source.malformed("metadata", at, what));
        }
        match kind & 0x7F {
            0 if info.is_none() => info = Some((body, source.bytes(body, size.min(64))?)),
            2 => {
                let block = source.bytes(body, size.min(MAX_BLOCK))?;
                // "riff" blocks hold one chunk each, header included.
                if block.get(..4) == Some(b"riff") && block.len() >= 12 {
                    let id = &block[4..8];
                    let content = &block[12..];
                    let content = &content[..content.len().min(u32_le(&block, 8) as usize)];
                    match id {
                        b"bext" if bext.is_none() => bext = Some(bext::parse(content)),
                        b"iXML" if ixml.is_none() => {
                            let parsed = ixml::read(content);
                            if let Some(detail) = parsed.repair {
                                problems.push(problem("ixml_malformed", "iXML", body + 12, detail));
                            }
                            ixml = parsed.ixml;
                        }
                        _ => {}
                    }
                    chunks.push(Chunk {
                        id: id_text(id),
                        offset: body + 4,
                        bytes: content.len() as u64,
                    });
                }
            }
            127 => {
                return Err(source.malformed(
                    "metadata",
                    at,
                    "metadata block of forbidden type 127",
                ));
            }
            _ => {}
        }
        at = body + size;
        if kind & 0x80 != 0 {
            break;
        }
    }
    let Some((info_at, info)) = info.filter(|(_, i)| i.len() >= 34) else {
        return Err(source.malformed("STREAMINFO", start + 4, "no stream information"));
    };
    // 20 bits rate, 3 bits channels - 1, 5 bits depth - 1, 36 bits samples.
    let packed = u64::from_be_bytes([
        info[10], info[11], info[12], info[13], info[14], info[15], info[16], info[17],
    ]);
    let rate = (packed >> 44) as u32;
    let channels = (packed >> 41 & 7) as u16 + 1;
    let bits = (packed >> 36 & 31) as u16 + 1;
    let mut frames = packed & 0xF_FFFF_FFFF;
    if !super::riff::RATES.contains(&rate) {
        return Err(source.malformed("STREAMINFO", info_at + 10, format!("sample rate {rate} Hz")));
    }
    if bits < 4 || u16_be(&info, 2) < 16 {
        return Err(source.malformed(
            "STREAMINFO",
            info_at,
            "block size or bit depth out of range",
        ));
    }
    // One block of the largest size costs at least one byte a channel: a count beyond that is a lie.
    let most = (source.len() - at).saturating_mul(u64::from(u16_be(&info, 2)));
    if frames == 0 && at < source.len() {
        frames = crate::decode::flac::count_frames(source.path(), at, &info);
        let detail = format!("the number of samples was never written: {frames} were counted");
        problems.push(problem("unfinished", "STREAMINFO", info_at + 13, detail));
    } else if frames > most {
        let there = crate::decode::flac::count_frames(source.path(), at, &info);
        let detail = format!(
            "the header says {frames} samples, {there} are there: what is there is analysed"
        );
        problems.push(problem("truncated", "STREAMINFO", info_at + 13, detail));
        frames = there;
    }
    Ok((
        Header {
            container: Container::Flac,
            channels,
            rate,
            bits,
            sample_bytes: bits.div_ceil(8),
            format: SampleFormat::Int,
            encoding: Encoding::Flac,
            frames,
            data_offset: at,
            bytes: source.len(),
            chunks,
            bext,
            ixml,
        },
        problems,
    ))
}

/// The 34 bytes of stream information of a file whose header has been read.
pub(crate) fn stream_info(source: &Source) -> Result<Vec<u8>, ReadError> {
    let mut at = after_id3(source)? + 4;
    for _ in 0..MAX_BLOCKS {
        let head = source.bytes(at, 4)?;
        let &[kind, a, b, c] = head.as_slice() else {
            break;
        };
        if kind & 0x7F == 0 {
            return source.bytes(at + 4, 34);
        }
        at += 4 + u64::from(u32::from_be_bytes([0, a, b, c]));
    }
    Err(source.malformed("STREAMINFO", 4, "no stream information"))
}

/// Where FLAC starts: behind an ID3v2 tag that some taggers put first.
fn after_id3(source: &Source) -> Result<u64, ReadError> {
    let head = source.bytes(0, 10)?;
    if head.len() == 10 && &head[..3] == b"ID3" {
        let size = head[6..]
            .iter()
            .fold(0u64, |n, &b| n << 7 | u64::from(b & 0x7F));
        return Ok(10 + size);
    }
    Ok(0)
}

fn problem(code: &str, chunk: &str, offset: u64, detail: impl Into<String>) -> Problem {
    Problem {
        code: code.into(),
        chunk: chunk.into(),
        offset,
        detail: detail.into(),
    }
}
