//! Exact rational timecode (SMPTE ST 12-1): samples since midnight to labels and back.
//!
//! All arithmetic is in integers. "Since midnight" is label time, as recorders write it: 01:00:00:00 at 23.976 is 86400
//! frames of 2002 samples at 48 kHz, which is 3.6 s later than one hour on the wall.

use serde::{Deserialize, Serialize};

/// Clock of a take: where its first sample lies and how labels are counted.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Clock {
    /// Samples since midnight of the first sample, at [`Clock::rate`]; `None` without a stamp.
    pub start: Option<u64>,
    /// Rate in which `start` is expressed, Hz.
    pub rate: u32,
    /// Frames per second as an exact fraction; `None` where the file gives none.
    pub frame_rate: Option<(u32, u32)>,
    /// Whether labels are dropped.
    pub drop_frame: bool,
}

impl Clock {
    /// Label of a sample of the take: `hh:mm:ss:ff`, drop-frame `hh:mm:ss;ff`; it starts again after 24 hours. Without a
    /// frame rate: clock time `hh:mm:ss.mmm`, because frames are not invented. `None` without a stamp.
    pub fn label(&self, sample: u64) -> Option<String> {
        let at = u128::from(self.start?) + u128::from(sample);
        if self.rate == 0 {
            return None;
        }
        let Some(frame_rate) = self.frame_rate.filter(|&(n, d)| n > 0 && d > 0) else {
            return Some(clock_time(at, self.rate));
        };
        let frame = frame_of(at, self.rate, frame_rate);
        Some(frame_label(frame, frame_rate, self.drop_frame))
    }

    /// Seconds since midnight of a sample of the take, on the sample clock.
    pub fn seconds(&self, sample: u64) -> Option<f64> {
        let start = self.start?;
        (self.rate > 0).then(|| (start as f64 + sample as f64) / f64::from(self.rate))
    }

    /// Position in the take of a label, `None` where it lies before the take, is no label or the clock is unknown. The
    /// sample is the first one at or after the start of the frame.
    pub fn sample_of(&self, label: &str) -> Option<u64> {
        let frame_rate = self.frame_rate?;
        let frame = parse_label(label, frame_rate, self.drop_frame)?;
        first_sample(frame, self.rate, frame_rate).checked_sub(self.start?)
    }
}

/// Frame that holds a sample counted from midnight.
fn frame_of(sample: u128, rate: u32, (num, den): (u32, u32)) -> u64 {
    let frame = sample * u128::from(num) / (u128::from(rate) * u128::from(den));
    u64::try_from(frame).unwrap_or(u64::MAX)
}

/// First sample at or after the start of a frame, counted from midnight.
pub fn first_sample(frame: u64, rate: u32, (num, den): (u32, u32)) -> u64 {
    let samples =
        (u128::from(frame) * u128::from(rate) * u128::from(den)).div_ceil(u128::from(num.max(1)));
    u64::try_from(samples).unwrap_or(u64::MAX)
}

/// Frames counted per labelled second: 24 for 23.976, 30 for 29.97.
pub fn base((num, den): (u32, u32)) -> u64 {
    u64::from(num.div_ceil(den.max(1))).max(1)
}

/// Whether labels can be dropped at a rate: at 30 frames a second and its doubles.
pub fn can_drop(frame_rate: (u32, u32)) -> bool {
    base(frame_rate).is_multiple_of(30)
}

/// Label of a frame counted from midnight, modulo 24 hours of labels.
///
/// Drop-frame leaves out the first two labels (four at 60) of every minute but each tenth; no frame is lost.
pub fn frame_label(frame: u64, frame_rate: (u32, u32), drop: bool) -> String {
    let base = base(frame_rate);
    let drop = drop && can_drop(frame_rate);
    let dropped = base / 15;
    let frame = if drop {
        let minute = 60 * base - dropped;
        let ten = 600 * base - 9 * dropped;
        let frame = frame % (144 * ten);
        let (tens, rest) = (frame / ten, frame % ten);
        let minutes = if rest >= dropped {
            (rest - dropped) / minute
        } else {
            0
        };
        frame + 9 * dropped * tens + dropped * minutes
    } else {
        frame % (86_400 * base)
    };
    let (seconds, frames) = (frame / base, frame % base);
    let mark = if drop { ';' } else { ':' };
    format!(
        "{:02}:{:02}:{:02}{mark}{frames:02}",
        seconds / 3600 % 24,
        seconds / 60 % 60,
        seconds % 60
    )
}

/// Frame counted from midnight of a label; `None` for what is no label, dropped labels such as 00:01:00;00 included.
pub fn parse_label(label: &str, frame_rate: (u32, u32), drop: bool) -> Option<u64> {
    let base = base(frame_rate);
    let drop = drop && can_drop(frame_rate);
    let parts: Vec<u64> = label
        .trim()
        .split([':', ';', '.', ','])
        .map(|p| {
            let digits = !p.is_empty() && p.len() <= 3 && p.bytes().all(|b| b.is_ascii_digit());
            if digits { p.parse().ok() } else { None }
        })
        .collect::<Option<_>>()?;
    let &[h, m, s, f] = parts.as_slice() else {
        return None;
    };
    if h > 23 || m > 59 || s > 59 || f >= base {
        return None;
    }
    let frame = (h * 3600 + m * 60 + s) * base + f;
    if !drop {
        return Some(frame);
    }
    let dropped = base / 15;
    if m % 10 != 0 && s == 0 && f < dropped {
        return None;
    }
    let minutes = 60 * h + m;
    Some(frame - dropped * (minutes - minutes / 10))
}

/// Clock time with milliseconds, for files without a frame rate.
fn clock_time(sample: u128, rate: u32) -> String {
    let ms = sample * 1000 / u128::from(rate) % 86_400_000;
    format!(
        "{:02}:{:02}:{:02}.{:03}",
        ms / 3_600_000,
        ms / 60_000 % 60,
        ms / 1000 % 60,
        ms % 1000
    )
}

/// A frame rate as files write it: `24000/1001`, `25`, `23.976`, `23.98`, `2997ND`, `29.97DF`, `023.976-ND`. The second
/// value is the drop-frame mark where the text has one.
pub fn parse_rate(text: &str) -> Option<((u32, u32), Option<bool>)> {
    let text = text.trim();
    let number_end = text
        .find(|c: char| !(c.is_ascii_digit() || ".,/".contains(c)))
        .unwrap_or(text.len());
    let (number, mark) = text.split_at(number_end);
    let mark = mark.to_ascii_uppercase();
    let drop = if mark.contains("ND") || mark.contains("NON") {
        Some(false)
    } else if mark.contains("DF") || mark.contains("DROP") || mark.trim_matches(['-', ' ']) == "D" {
        Some(true)
    } else {
        None
    };
    let rate = match number.split_once('/') {
        Some((num, den)) => {
            let (num, den): (u32, u32) = (num.parse().ok()?, den.parse().ok()?);
            known_rate(f64::from(num) / f64::from(den)).or_else(|| reduced(num, den))?
        }
        None => {
            let value: f64 = number.replace(',', ".").parse().ok()?;
            // "2997" and "23976" are written without their point.
            let value = match value {
                v if v >= 10_000.0 => v / 1000.0,
                v if v >= 1000.0 => v / 100.0,
                v => v,
            };
            known_rate(value)?
        }
    };
    Some((rate, drop))
}

/// The exact rate within 0.02 % of a value: 23.98 and 23.976 are 24000/1001, 24.0 is 24.
fn known_rate(value: f64) -> Option<(u32, u32)> {
    const RATES: [(u32, u32); 14] = [
        (24_000, 1001),
        (24, 1),
        (25, 1),
        (30_000, 1001),
        (30, 1),
        (48_000, 1001),
        (48, 1),
        (50, 1),
        (60_000, 1001),
        (60, 1),
        (100, 1),
        (120_000, 1001),
        (120, 1),
        (96, 1),
    ];
    RATES
        .into_iter()
        .find(|&(n, d)| (value * f64::from(d) / f64::from(n) - 1.0).abs() < 2.0e-4)
}

fn reduced(num: u32, den: u32) -> Option<(u32, u32)> {
    if num == 0 || den == 0 || !(1..=240).contains(&(num / den)) {
        return None;
    }
    let (mut a, mut b) = (num, den);
    while b > 0 {
        (a, b) = (b, a % b);
    }
    Some((num / a, den / a))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_as_files_write_them() {
        let rate = |t| parse_rate(t).map(|(r, _)| r);
        for t in [
            "24000/1001",
            "23.976",
            "23.98",
            "23,976",
            "2398",
            "23976",
            "23.976024",
            "023.976-ND",
        ] {
            assert_eq!(rate(t), Some((24_000, 1001)), "{t}");
        }
        for t in ["24", "24/1", "24.0", "24.00"] {
            assert_eq!(rate(t), Some((24, 1)), "{t}");
        }
        assert_eq!(parse_rate("2997ND"), Some(((30_000, 1001), Some(false))));
        assert_eq!(parse_rate("29.97DF"), Some(((30_000, 1001), Some(true))));
        assert_eq!(parse_rate("29.97 drop"), Some(((30_000, 1001), Some(true))));
        assert_eq!(parse_rate("30000/1001"), Some(((30_000, 1001), None)));
        assert_eq!(rate("25"), Some((25, 1)));
        assert_eq!(rate("60000/1001"), Some((60_000, 1001)));
        for t in ["", "abc", "0", "0/0", "25/0", "/", "1e9", "99999999999/1"] {
            assert_eq!(rate(t), None, "{t}");
        }
    }

    #[test]
    fn without_a_rate_clock_time_without_a_stamp_nothing() {
        let clock = Clock {
            start: Some(172_800_000),
            rate: 48_000,
            ..Clock::default()
        };
        assert_eq!(clock.label(48_024).unwrap(), "01:00:01.000");
        assert_eq!(clock.label(86_400 * 48_000).unwrap(), "01:00:00.000");
        assert_eq!(Clock::default().label(0), None);
        let zero_rate = Clock {
            start: Some(1),
            ..Clock::default()
        };
        assert_eq!(zero_rate.label(0), None);
    }

    #[test]
    fn a_day_of_labels_starts_again() {
        let clock = |frame_rate, drop_frame| Clock {
            start: Some(0),
            rate: 48_000,
            frame_rate: Some(frame_rate),
            drop_frame,
        };
        // 24 h of 25 fps.
        assert_eq!(
            clock((25, 1), false).label(86_400 * 48_000).unwrap(),
            "00:00:00:00"
        );
        // 24 h of labels at 29.97: non-drop 86.4 s more than a day, drop-frame 86.4 ms less.
        let day = 86_400 * 48_000;
        assert_eq!(
            clock((30_000, 1001), false).label(day).unwrap(),
            "23:58:33:20"
        );
        assert_eq!(
            clock((30_000, 1001), true).label(day).unwrap(),
            "00:00:00;02"
        );
        assert_eq!(frame_label(2_589_408, (30_000, 1001), true), "00:00:00;00");
    }

    #[test]
    fn labels_and_samples_are_inverse() {
        for (frame_rate, drop) in [
            ((24_000, 1001), false),
            ((24, 1), false),
            ((25, 1), false),
            ((30_000, 1001), false),
            ((30_000, 1001), true),
            ((60_000, 1001), true),
        ] {
            for frame in (0..2_073_000u64).step_by(997) {
                let label = frame_label(frame, frame_rate, drop);
                assert_eq!(
                    parse_label(&label, frame_rate, drop),
                    Some(frame),
                    "{label}"
                );
                for rate in [44_100, 47_952, 48_000, 48_048, 96_000] {
                    let sample = first_sample(frame, rate, frame_rate);
                    assert_eq!(frame_of(sample.into(), rate, frame_rate), frame);
                    if sample > 0 {
                        assert_eq!(frame_of((sample - 1).into(), rate, frame_rate), frame - 1);
                    }
                }
            }
        }
    }
}
