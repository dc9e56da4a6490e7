//! Broadcast extension chunk: EBU Tech 3285, versions 0 to 2.

use super::source::{text, u16_le, u64_le};
use super::{Bext, BextLoudness};

/// Size of the fixed part; the coding history follows.
const FIXED: usize = 602;

/// Largest part of a bext chunk that is read: the fixed part and a long coding history.
pub(crate) const MAX_BYTES: u64 = 1 << 20;

/// Read a bext chunk field by field; fields behind the end of a short chunk stay empty.
///
/// `bytes` is the chunk's content. Loudness values (version 2) of 0x7FFF, and five zeros, mean "not measured".
pub(crate) fn parse(bytes: &[u8]) -> Bext {
    let field = |at: usize, size: usize| {
        let end = (at + size).min(bytes.len());
        bytes.get(at.min(end)..end).unwrap_or(&[])
    };
    let version = u16_le(bytes, 346);
    let umid = field(348, 64);
    let loudness = [412, 414, 416, 418, 420].map(|at| u16_le(bytes, at) as i16);
    let measured = version >= 2 && bytes.len() >= 422 && loudness.iter().any(|&v| v != 0);
    let value = |v: i16| (v != i16::MAX).then(|| f64::from(v) / 100.0);
    Bext {
        description: text(field(0, 256)),
        originator: text(field(256, 32)),
        originator_reference: text(field(288, 32)),
        origination_date: text(field(320, 10)),
        origination_time: text(field(330, 8)),
        time_reference: u64_le(bytes, 338),
        version,
        umid: (version >= 1 && umid.len() == 64 && umid.iter().any(|&b| b != 0))
            .then(|| umid.iter().map(|b| format!("{b:02X}")).collect()),
        loudness: measured.then(|| BextLoudness {
            loudness_lufs: value(loudness[0]),
            range_lu: value(loudness[1]),
            max_true_peak_dbtp: value(loudness[2]),
            max_momentary_lufs: value(loudness[3]),
            max_short_term_lufs: value(loudness[4]),
        }),
        coding_history: text(bytes.get(FIXED..).unwrap_or(&[])),
    }
}

/// Whether the chunk is shorter than its fixed part.
pub(crate) fn is_short(len: u64) -> bool {
    len < FIXED as u64
}

/// `NAME=value` lines of a description, as some recorders write them; informal, never relied on where iXML says it.
///
/// Names are compared without case and without one leading letter such as the `s` of `sSCENE`.
pub fn described<'a>(bext: &'a Bext, name: &str) -> Option<&'a str> {
    bext.description
        .split(['\r', '\n'])
        .filter_map(|line| line.split_once('='))
        .find(|(key, _)| {
            let key = key.trim();
            key.eq_ignore_ascii_case(name)
                || (key.len() == name.len() + 1
                    && key.starts_with(['s', 'z'])
                    && key[1..].eq_ignore_ascii_case(name))
        })
        .map(|(_, value)| value.trim())
        .filter(|value| !value.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_of_version_2() {
        let mut b = vec![0u8; FIXED];
        b[..5].copy_from_slice(b"hello");
        b[256..259].copy_from_slice(b"rec");
        b[320..330].copy_from_slice(b"2031-04-17");
        // 10 h at 96 kHz needs the unsigned low word: 3 456 000 000.
        b[338..346].copy_from_slice(&3_456_000_000u64.to_le_bytes());
        b[346] = 2;
        b[348] = 6;
        // EBU Tech 3285: -23.04 LUFS is 00 F7, -1.00 dBTP is 9C FF, unused is 7FFF.
        b[412..414].copy_from_slice(&[0x00, 0xF7]);
        b[416..418].copy_from_slice(&[0x9C, 0xFF]);
        b[418..420].copy_from_slice(&[0xFF, 0x7F]);
        b.extend_from_slice(b"A=PCM,F=48000,W=24,M=mono,T=example\r\n");
        let bext = parse(&b);
        assert_eq!(bext.description, "hello");
        assert_eq!(bext.time_reference, 3_456_000_000);
        assert_eq!(bext.coding_history, "A=PCM,F=48000,W=24,M=mono,T=example");
        assert!(bext.umid.unwrap().starts_with("06"));
        let loudness = bext.loudness.unwrap();
        assert_eq!(loudness.loudness_lufs, Some(-23.04));
        assert_eq!(loudness.max_true_peak_dbtp, Some(-1.0));
        assert_eq!(loudness.max_momentary_lufs, None);
    }

    #[test]
    fn short_and_zero_chunks() {
        assert_eq!(parse(&[]), Bext::default());
        assert_eq!(parse(b"abc").description, "abc");
        assert_eq!(parse(&[0; FIXED]).loudness, None);
        let bext = parse(&[b'x'; 340]);
        assert_eq!((bext.description.len(), bext.time_reference), (256, 0));
    }

    #[test]
    fn informal_lines() {
        let bext = Bext {
            description: "sSCENE=12A\r\nsTAKE=3\r\nNOTE=".into(),
            ..Bext::default()
        };
        assert_eq!(described(&bext, "SCENE"), Some("12A"));
        assert_eq!(described(&bext, "take"), Some("3"));
        assert_eq!(described(&bext, "NOTE"), None);
    }
}
