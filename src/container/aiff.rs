//! AIFF and AIFF-C: the same walk as for WAVE, most significant byte first.
//!
//! The samples are plain PCM, so they are unpacked by the same loops as WAVE; this also reads files cut short, which general
//! readers refuse. A test compares with symphonia on whole files.

use super::source::{Source, id_text, u16_be, u32_be};
use super::{Chunk, Container, Encoding, Header, Pcm, ReadError, bext, ixml, riff};
use crate::report::model::{Problem, SampleFormat};

/// More chunks than any file has.
const MAX_CHUNKS: usize = 4096;

/// Read the header of an AIFF file.
pub(super) fn read(source: &Source) -> Result<(Header, Vec<Problem>), ReadError> {
    let len = source.len();
    let head = source.bytes(0, 12)?;
    let form = head.get(8..12).unwrap_or(&[]);
    if form != b"AIFF" && form != b"AIFC" {
        let what = format!("expected form AIFF or AIFC, found \"{}\"", id_text(form));
        return Err(source.malformed("FORM", 8, what));
    }
    let mut problems: Vec<Problem> = Vec::new();
    let mut problem = |code: &str, chunk: &str, offset: u64, detail: String| {
        problems.push(Problem {
            code: code.into(),
            chunk: chunk.into(),
            offset,
            detail,
        });
    };
    let (mut common, mut sound, mut ixml, mut bext) = (None, None, None, None);
    let mut chunks = Vec::new();
    let mut at = 12u64;
    while at + 8 <= len {
        let h = source.bytes(at, 8)?;
        let (id, size) = (&h[..4], u64::from(u32_be(&h, 4)));
        if h.len() < 8 || !id.iter().all(|b| (0x20..=0x7E).contains(b)) {
            problem(
                "trailing_bytes",
                "FORM",
                at,
                format!("{} bytes are no chunk: ignored", len - at),
            );
            break;
        }
        if chunks.len() == MAX_CHUNKS {
            problem(
                "too_many_chunks",
                &id_text(id),
                at,
                "the rest of the file is not looked at".into(),
            );
            break;
        }
        let body = at + 8;
        let there = size.min(len - body);
        match id {
            b"COMM" if common.is_none() => {
                common = Some((body, source.bytes(body, there.min(256))?))
            }
            b"SSND" if sound.is_none() => {
                let offset = u64::from(u32_be(&source.bytes(body, 8)?, 0));
                let start = (body + 8 + offset).min(len);
                let mut bytes = there.saturating_sub(8 + offset);
                if size <= 8 && len > body + 8 {
                    bytes = len - start;
                    let detail = format!(
                        "the size of the audio was never written: {bytes} bytes up to the end of the file are taken"
                    );
                    problem("unfinished", "SSND", at + 4, detail);
                } else if there < size {
                    let detail = format!(
                        "the header says {} bytes of audio, {bytes} are there ({} missing): what is there is analysed",
                        size.saturating_sub(8 + offset),
                        size - there
                    );
                    problem("truncated", "SSND", at + 4, detail);
                }
                sound = Some((start, bytes));
            }
            b"iXML" if ixml.is_none() => {
                let parsed = ixml::read(&source.bytes(body, there.min(ixml::MAX_BYTES))?);
                if let Some(detail) = parsed.repair {
                    problem("ixml_malformed", "iXML", body, detail);
                }
                ixml = parsed.ixml;
            }
            b"bext" if bext.is_none() => {
                bext = Some(bext::parse(
                    &source.bytes(body, there.min(bext::MAX_BYTES))?,
                ));
            }
            _ => {}
        }
        chunks.push(Chunk {
            id: id_text(id),
            offset: at,
            bytes: there,
        });
        if sound.is_some_and(|(start, bytes)| start + bytes == len) {
            break;
        }
        at = body + size + size % 2;
    }
    let form_size = u64::from(u32_be(&head, 4));
    if form_size == 0 {
        problem(
            "unfinished",
            "FORM",
            4,
            "the file size was never written: still recording, or power was lost".into(),
        );
    } else if form_size != len - 8 {
        problem(
            "size_mismatch",
            "FORM",
            4,
            format!("the header says {form_size} bytes follow, {} do", len - 8),
        );
    }
    let Some((common_at, common)) = common.filter(|(_, c)| c.len() >= 18) else {
        return Err(source.malformed("COMM", len, "no COMM chunk of at least 18 bytes"));
    };
    let Some((data_offset, bytes)) = sound else {
        return Err(source.malformed("SSND", len, "no SSND chunk"));
    };
    let channels = u16_be(&common, 0);
    let declared = u64::from(u32_be(&common, 2));
    let stated_bits = u16_be(&common, 6);
    let rate = extended(&common[8..18]);
    if channels == 0 {
        return Err(source.malformed("COMM", common_at, "0 channels"));
    }
    if channels > riff::MAX_CHANNELS {
        let what = format!(
            "{channels} channels, at most {} are read",
            riff::MAX_CHANNELS
        );
        return Err(source.limit("COMM", common_at, what));
    }
    let rate = (rate.round() <= f64::from(u32::MAX)).then(|| rate.round() as u32);
    let Some(rate) = rate.filter(|r| riff::RATES.contains(r)) else {
        return Err(source.malformed("COMM", common_at + 8, "sample rate out of range"));
    };
    let compression = if form == b"AIFC" {
        common.get(18..22).unwrap_or(b"NONE")
    } else {
        b"NONE"
    };
    let mut pcm = Pcm {
        big_endian: true,
        ..Pcm::default()
    };
    let (format, bits) = match compression {
        b"NONE" | b"twos" => (SampleFormat::Int, stated_bits),
        b"in24" => (SampleFormat::Int, 24),
        b"in32" => (SampleFormat::Int, 32),
        b"sowt" => {
            pcm.big_endian = false;
            (SampleFormat::Int, stated_bits)
        }
        b"raw " => {
            pcm.unsigned = true;
            (SampleFormat::Int, 8)
        }
        b"fl32" | b"FL32" => (SampleFormat::Float, 32),
        b"fl64" | b"FL64" => (SampleFormat::Float, 64),
        other => {
            let what = format!("AIFF-C compression \"{}\"", id_text(other));
            return Err(source.unsupported("COMM", common_at + 18, what));
        }
    };
    if format == SampleFormat::Int && !(2..=32).contains(&bits) {
        return Err(source.unsupported("COMM", common_at + 6, format!("samples of {bits} bits")));
    }
    let sample_bytes = bits.div_ceil(8);
    let block = u64::from(sample_bytes) * u64::from(channels);
    let frames = bytes / block;
    if declared != frames {
        problem(
            if declared == 0 {
                "unfinished"
            } else {
                "size_mismatch"
            },
            "COMM",
            common_at + 2,
            format!("the header says {declared} sample frames, {frames} are there"),
        );
    }
    if bytes % block > 0 {
        problem(
            "partial_frame",
            "SSND",
            data_offset + frames * block,
            format!(
                "the audio ends {} bytes into a sample frame of {block}: whole frames only",
                bytes % block
            ),
        );
    }
    let header = Header {
        container: Container::Aiff,
        channels,
        rate,
        bits,
        sample_bytes,
        format,
        encoding: Encoding::Pcm(pcm),
        frames,
        data_offset,
        bytes: len,
        chunks,
        bext,
        ixml,
    };
    Ok((header, problems))
}

/// An 80-bit extended float; negative and unnormal values give 0.
fn extended(b: &[u8]) -> f64 {
    let exponent = i32::from(u16_be(b, 0));
    let mantissa = u64::from(u32_be(b, 2)) << 32 | u64::from(u32_be(b, 6));
    if exponent & 0x8000 != 0 || exponent > 16383 + 63 {
        return 0.0;
    }
    mantissa as f64 * 2f64.powi(exponent - 16383 - 63)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extended_rates() {
        // From the AIFF description: 44100 is 400E AC44 0000 0000 0000.
        assert_eq!(
            extended(&[0x40, 0x0E, 0xAC, 0x44, 0, 0, 0, 0, 0, 0]),
            44100.0
        );
        assert_eq!(
            extended(&[0x40, 0x0F, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]),
            96000.0
        );
        assert_eq!(extended(&[0xFF; 10]), 0.0);
    }
}
