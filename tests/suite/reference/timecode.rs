//! Timecode arithmetic of SMPTE ST 12-1 and its signal. The tables are worked from the definitions with Python integers and
//! fractions; the drop-frame counts (17982 frames in ten minutes, 107892 in an hour, 2589408 in a day) are those of the standard.

use takeproof::measure::ltc::LtcMeter;
use takeproof::take::timecode::{Clock, first_sample, frame_label, parse_label};

use crate::ltc;

const FILM: (u32, u32) = (24_000, 1001);
const NTSC: (u32, u32) = (30_000, 1001);

fn clock(start: u64, rate: u32, frame_rate: (u32, u32), drop_frame: bool) -> Clock {
    Clock {
        start: Some(start),
        rate,
        frame_rate: Some(frame_rate),
        drop_frame,
    }
}

/// Samples per frame times a thousand frames, so that every entry is whole; 47952 and 48048 are the pulled rates.
#[test]
fn samples_per_frame() {
    let rates = [48_000, 96_000, 44_100, 47_952, 48_048];
    #[rustfmt::skip]
    let table = [
        (FILM,    [2_002_000.0, 4_004_000.0, 1_839_337.5, 1_999_998.0, 2_004_002.0]),
        ((24, 1), [2_000_000.0, 4_000_000.0, 1_837_500.0, 1_998_000.0, 2_002_000.0]),
        ((25, 1), [1_920_000.0, 3_840_000.0, 1_764_000.0, 1_918_080.0, 1_921_920.0]),
        (NTSC,    [1_601_600.0, 3_203_200.0, 1_471_470.0, 1_599_998.4, 1_603_201.6]),
        ((30, 1), [1_600_000.0, 3_200_000.0, 1_470_000.0, 1_598_400.0, 1_601_600.0]),
    ];
    for (frame_rate, row) in table {
        for (rate, thousand) in rates.into_iter().zip(row) {
            let wanted = f64::ceil(thousand) as u64;
            assert_eq!(
                first_sample(1000, rate, frame_rate),
                wanted,
                "{frame_rate:?} at {rate}"
            );
        }
    }
}

#[test]
fn drop_frame_labels() {
    for (frame, label) in [
        (0, "00:00:00;00"),
        (1799, "00:00:59;29"),
        (1800, "00:01:00;02"),
        (3597, "00:01:59;29"),
        (3598, "00:02:00;02"),
        (17_981, "00:09:59;29"),
        (17_982, "00:10:00;00"),
        (17_983, "00:10:00;01"),
        (107_891, "00:59:59;29"),
        (107_892, "01:00:00;00"),
        (1_078_920, "10:00:00;00"),
        (2_589_407, "23:59:59;29"),
    ] {
        assert_eq!(frame_label(frame, NTSC, true), label);
        assert_eq!(parse_label(label, NTSC, true), Some(frame), "{label}");
    }
    for dropped in ["00:01:00;00", "00:01:00;01", "13:59:00;00"] {
        assert_eq!(parse_label(dropped, NTSC, true), None, "{dropped}");
    }
    for kept in ["00:00:00;00", "00:10:00;01", "00:01:00;02"] {
        assert!(parse_label(kept, NTSC, true).is_some(), "{kept}");
    }
    // 24 h of labels last 86399.9136 s dropped and 86486.4 s not dropped, in samples of 48 kHz.
    assert_eq!(first_sample(2_589_408, 48_000, NTSC), 4_147_195_853);
    assert_eq!(first_sample(86_400 * 30, 48_000, NTSC), 4_151_347_200);
    assert_eq!(first_sample(86_400 * 24, 48_000, FILM), 4_151_347_200);
}

/// 48 kHz; what is left are samples into the frame, in tenths where frames are not whole.
#[test]
fn samples_since_midnight() {
    let columns = [
        (FILM, false),
        ((24, 1), false),
        ((25, 1), false),
        (NTSC, false),
        (NTSC, true),
        ((30, 1), false),
    ];
    #[rustfmt::skip]
    let table: [(u64, [(&str, f64); 6]); 5] = [
        (172_800_000, [("00:59:56:09", 1374.0), ("01:00:00:00", 0.0), ("01:00:00:00", 0.0),
                       ("00:59:56:12", 172.8), ("01:00:00;00", 172.8), ("01:00:00:00", 0.0)]),
        (172_972_800, [("01:00:00:00", 0.0), ("01:00:03:14", 800.0), ("01:00:03:15", 0.0),
                       ("01:00:00:00", 0.0), ("01:00:03;18", 0.0), ("01:00:03:18", 0.0)]),
        (1_728_000_000, [("09:59:24:00", 1728.0), ("10:00:00:00", 0.0), ("10:00:00:00", 0.0),
                         ("09:59:24:01", 126.4), ("10:00:00;01", 126.4), ("10:00:00:00", 0.0)]),
        (1_729_728_000, [("10:00:00:00", 0.0), ("10:00:36:00", 0.0), ("10:00:36:00", 0.0),
                         ("10:00:00:00", 0.0), ("10:00:36;00", 0.0), ("10:00:36:00", 0.0)]),
        (2_073_600_000, [("11:59:16:20", 472.0), ("12:00:00:00", 0.0), ("12:00:00:00", 0.0),
                         ("11:59:16:25", 472.0), ("12:00:00;01", 472.0), ("12:00:00:00", 0.0)]),
    ];
    for (samples, row) in table {
        for ((frame_rate, drop), (label, into)) in columns.into_iter().zip(row) {
            let clock = clock(samples, 48_000, frame_rate, drop);
            assert_eq!(clock.label(0).unwrap(), label, "{samples} {frame_rate:?}");
            let frame = parse_label(label, frame_rate, drop).unwrap();
            let first = first_sample(frame, 48_000, frame_rate);
            // Frames that begin between samples begin with the next one.
            assert_eq!(
                samples - first,
                f64::floor(into) as u64,
                "{samples} {label}"
            );
        }
    }
    // 01:00:00;00 begins at 172 799 827.2 samples: 172 799 828 is the first one at or after it.
    assert_eq!(first_sample(107_892, 48_000, NTSC), 172_799_828);
}

/// bext keeps the stamp in two halves of 32 bits: 10 h at 96 kHz fills the lower one beyond its sign, 23 h need the upper.
#[test]
fn stamps_beyond_31_and_32_bits() {
    for (stamp, low, high, label) in [
        (3_456_000_000u64, 0xCDFE_6000u32, 0u32, "10:00:00:00"),
        (7_948_800_000, 3_653_832_704, 1, "23:00:00:00"),
    ] {
        assert_eq!(stamp, u64::from(high) << 32 | u64::from(low));
        assert_eq!(
            clock(stamp, 96_000, (25, 1), false).label(0).unwrap(),
            label
        );
    }
}

/// 13:05:22:11 as ST 12-1 lays it out, bits in the order they are sent, written down by hand: frames, seconds, minutes and
/// hours in units and tens, least significant bit first, a user group after each; no flags; the sync word.
const FRAME: &str = "1000 0000 1000 0000 0100 0000 0100 0000 1010 0000 0000 0000 1100 0000 1000 0000 0011111111111101";

/// Bits a second are 80 a frame: 2000 at 25 frames, 1918.08 at 24000/1001, 2397.6 at 30000/1001.
#[test]
fn a_frame_written_down_bit_by_bit_is_read() {
    assert_eq!(ltc::frame(13, 5, 22, 11), FRAME.replace(' ', ""));
    for (base, frame_rate) in [(25, (25, 1)), (24, FILM), (30, NTSC)] {
        let samples_per_frame = 48_000.0 * f64::from(frame_rate.1) / f64::from(frame_rate.0);
        let code = ltc::biphase(&ltc::run([13, 5, 22, 11], base, 50), samples_per_frame);
        let mut meter = LtcMeter::new(48_000);
        code.chunks(480).for_each(|part| meter.push(part));
        let found = meter.finish().expect("timecode");
        assert!((found.samples_per_frame - samples_per_frame).abs() < 0.5);
        let said = found.frame_at(0, base);
        let wanted = f64::from(((13 * 60 + 5) * 60 + 22) * base + 11);
        assert!((said - wanted).abs() < 0.05, "{base}: {said} {wanted}");
        assert!(!found.reversed && !found.drop_frame && found.jumps == 0);
    }
}
