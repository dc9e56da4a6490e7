//! RIFF, RF64 and BW64: the walk along the chunks.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

use super::{Bext, Container, Header, Opened, ReadError};
use crate::report::model::SampleFormat;

/// Read the header of a WAVE file.
pub fn open(path: &Path) -> Result<Opened, ReadError> {
    let io = |source| ReadError::Io {
        path: path.display().to_string(),
        source,
    };
    let bad = |offset, what: &str| ReadError::Malformed {
        path: path.display().to_string(),
        chunk: "RIFF".into(),
        offset,
        what: what.into(),
    };
    let file = File::open(path).map_err(io)?;
    let bytes = file.metadata().map_err(io)?.len();
    let mut head = [0u8; 12];
    file.read_exact_at(&mut head, 0)
        .map_err(|_| bad(0, "no RIFF header"))?;
    let container = match &head[..4] {
        b"RIFF" => Container::Wave,
        b"RF64" => Container::Rf64,
        b"BW64" => Container::Bw64,
        _ => return Err(bad(0, "no RIFF header")),
    };
    let (mut at, mut fmt, mut data, mut ds64) = (12u64, None, None, 0u64);
    let (mut bext, mut ixml) = (None, None);
    while at + 8 <= bytes {
        let mut h = [0u8; 8];
        file.read_exact_at(&mut h, at).map_err(io)?;
        let size32 = u32::from_le_bytes([h[4], h[5], h[6], h[7]]);
        let mut size = u64::from(size32);
        let body = at + 8;
        let read = |n: u64| -> Result<Vec<u8>, ReadError> {
            let mut v = vec![0u8; n.min(bytes - body).min(1 << 24) as usize];
            file.read_exact_at(&mut v, body).map_err(io)?;
            Ok(v)
        };
        match &h[..4] {
            b"ds64" => ds64 = u64::from_le_bytes(read(size)?[8..16].try_into().unwrap_or_default()),
            b"fmt " => fmt = Some(read(size)?),
            b"bext" => {
                let b = read(size)?;
                if b.len() >= 348 {
                    bext = Some(Bext {
                        time_reference: u64::from_le_bytes(
                            b[338..346].try_into().unwrap_or_default(),
                        ),
                        ..Bext::default()
                    });
                }
            }
            b"iXML" => ixml = super::ixml::parse(&read(size)?),
            b"data" => {
                if size32 == u32::MAX && ds64 > 0 {
                    size = ds64;
                }
                if size == 0 || body + size > bytes {
                    size = bytes - body;
                }
                data = Some((body, size));
            }
            _ => {}
        }
        at = body + size + size % 2;
    }
    let fmt = fmt.ok_or_else(|| bad(at, "no fmt chunk"))?;
    let (data_offset, size) = data.ok_or_else(|| bad(at, "no data chunk"))?;
    let u16_at = |i: usize| u16::from_le_bytes([fmt[i], fmt[i + 1]]);
    let (mut tag, channels, align, mut bits) = (u16_at(0), u16_at(2), u16_at(12), u16_at(14));
    let sample_bytes = align / channels.max(1);
    if tag == 0xFFFE && fmt.len() >= 40 {
        tag = u16_at(24);
        if u16_at(18) > 0 {
            bits = u16_at(18);
        }
    }
    Ok(Opened {
        path: path.to_owned(),
        header: Header {
            container,
            channels,
            rate: u32::from_le_bytes([fmt[4], fmt[5], fmt[6], fmt[7]]),
            bits,
            sample_bytes,
            format: if tag == 3 {
                SampleFormat::Float
            } else {
                SampleFormat::Int
            },
            frames: size / u64::from(align.max(1)),
            data_offset,
            bytes,
            bext,
            ixml,
        },
        problems: Vec::new(),
    })
}
