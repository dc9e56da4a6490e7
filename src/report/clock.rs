//! Timecode of the report's own labels: from a take's first label to the label of any moment, and tick marks for an axis.
//!
//! Pictures and page are made from `report.json` alone, so this reads the label the report gives rather than the stamp of
//! the file. Counting follows SMPTE ST 12-1, dropped labels included.

use super::model;

/// How the moments of one take are labelled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TakeClock {
    /// Frame labels.
    Frames {
        /// Number of the first frame since midnight.
        first: i64,
        /// Frames per second, numerator.
        num: i64,
        /// Frames per second, denominator.
        den: i64,
        /// Labels are dropped.
        drop: bool,
    },
    /// Time of day in seconds at the first sample; files without a frame rate.
    Day {
        /// Seconds since midnight.
        first_s: f64,
    },
    /// No stamp: time from the start of the take.
    Start,
}

/// Distances of ticks, seconds.
const STEPS_S: [i64; 15] = [
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400,
];
/// Distances of ticks in takes of a few seconds.
const SHORT_STEPS_S: [f64; 8] = [0.001, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0];

impl TakeClock {
    /// From the take's first label and frame rate.
    pub fn of(take: &model::Take) -> TakeClock {
        let Some(label) = take.start_timecode.as_deref() else {
            return TakeClock::Start;
        };
        let rate = take.frame_rate.as_deref().and_then(fraction);
        if let Some((num, den)) = rate {
            let drop = take.drop_frame == Some(true);
            if let Some(first) = frame_number(label, num, den, drop) {
                return TakeClock::Frames {
                    first,
                    num,
                    den,
                    drop,
                };
            }
        }
        day_seconds(label).map_or(TakeClock::Start, |first_s| TakeClock::Day { first_s })
    }

    /// Label of a moment of the take.
    pub fn label(&self, t_s: f64) -> String {
        match *self {
            TakeClock::Frames {
                first,
                num,
                den,
                drop,
            } => {
                let frame = first + (t_s * num as f64 / den as f64 + 1e-6).floor() as i64;
                frame_label(frame, num, den, drop)
            }
            TakeClock::Day { first_s } => {
                let ms = ((first_s + t_s) * 1000.0 + 1e-6).floor() as i64;
                let s = ms.div_euclid(1000).rem_euclid(86_400);
                format!("{}.{:03}", hms(s), ms.rem_euclid(1000))
            }
            TakeClock::Start => short(t_s),
        }
    }

    /// Ticks within `[start_s, end_s]` with their labels, at most `most` of them: whole seconds of the clock.
    pub fn ticks(&self, start_s: f64, end_s: f64, most: usize) -> Vec<(f64, String)> {
        let span = (end_s - start_s).max(0.0);
        let most = most.max(2);
        if span < 4.0 {
            let step = SHORT_STEPS_S
                .into_iter()
                .find(|step| span / step < most as f64)
                .unwrap_or(1.0);
            let (first, last) = (
                (start_s / step).ceil() as i64,
                (end_s / step).floor() as i64,
            );
            return (first..=last)
                .map(|k| (k as f64 * step, format!("+{} s", trimmed(k as f64 * step))))
                .collect();
        }
        let step = STEPS_S
            .into_iter()
            .find(|&step| span / (step as f64) < most as f64)
            .unwrap_or(86_400);
        let origin_s = match *self {
            TakeClock::Frames {
                first, num, den, ..
            } => first as f64 * den as f64 / num as f64,
            TakeClock::Day { first_s } => first_s,
            TakeClock::Start => 0.0,
        };
        let first = ((origin_s + start_s) / step as f64).floor() as i64 - 1;
        // The label's second and the real second drift apart by 0.1 % at pulled rates; a day's drift is below two minutes.
        let slack = 90 / step + 2;
        (first - slack..=first + slack + (span / step as f64) as i64 + 2)
            .map(|k| k * step)
            .filter_map(|label_s| {
                let t = self.moment(label_s);
                let inside = t >= start_s - 1e-9 && t <= end_s + 1e-9;
                inside.then(|| {
                    let label = match self {
                        TakeClock::Start => short(t),
                        _ => hms(label_s.rem_euclid(86_400)),
                    };
                    (t, label)
                })
            })
            .collect()
    }

    /// When a label's second begins, seconds from the start of the take.
    fn moment(&self, label_s: i64) -> f64 {
        match *self {
            TakeClock::Frames {
                first,
                num,
                den,
                drop,
            } => {
                let day = frames_of(86_400, num, den, drop);
                let frame = day * label_s.div_euclid(86_400)
                    + frames_of(label_s.rem_euclid(86_400), num, den, drop);
                (frame - first) as f64 * den as f64 / num as f64
            }
            TakeClock::Day { first_s } => label_s as f64 - first_s,
            TakeClock::Start => label_s as f64,
        }
    }
}

/// Time from the start: `m:ss`, or `h:mm:ss` from an hour on.
pub fn short(t_s: f64) -> String {
    let s = t_s.max(0.0).floor() as i64;
    if s >= 3600 {
        format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
    } else {
        format!("{}:{:02}", s / 60, s % 60)
    }
}

/// Length for people: `0.4 s`, `12 s`, `3 min 20 s`, `1 h 04 min`.
pub fn length(s: f64) -> String {
    if s < 9.95 {
        format!("{} s", trimmed((s * 10.0).round() / 10.0))
    } else if s < 59.5 {
        format!("{s:.0} s")
    } else if s < 3570.0 {
        let s = s.round() as i64;
        format!("{} min {:02} s", s / 60, s % 60)
    } else {
        let m = (s / 60.0).round() as i64;
        format!("{} h {:02} min", m / 60, m % 60)
    }
}

fn trimmed(x: f64) -> String {
    let text = format!("{x:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text.is_empty() {
        "0".into()
    } else {
        text.into()
    }
}

fn hms(s: i64) -> String {
    format!("{:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

fn fraction(text: &str) -> Option<(i64, i64)> {
    let (num, den) = text.split_once('/').unwrap_or((text, "1"));
    let (num, den) = (num.trim().parse().ok()?, den.trim().parse().ok()?);
    (num > 0 && den > 0).then_some((num, den))
}

/// Labels skipped at the start of a minute: 2 at 29.97, 4 at 59.94.
fn dropped_a_minute(nominal: i64) -> i64 {
    nominal / 15
}

fn nominal(num: i64, den: i64) -> i64 {
    ((num as f64 / den as f64).round() as i64).max(1)
}

/// Frames from midnight to the first label of a second.
fn frames_of(label_s: i64, num: i64, den: i64, drop: bool) -> i64 {
    let nominal = nominal(num, den);
    let frames = label_s * nominal;
    if !drop {
        return frames;
    }
    let minutes = label_s / 60;
    let dropped = dropped_a_minute(nominal) * (minutes - minutes / 10);
    // Second 0 of a dropping minute starts at label 2 (or 4), which is the frame right after the minute before.
    if minutes % 10 != 0 && label_s % 60 == 0 {
        frames - dropped + dropped_a_minute(nominal)
    } else {
        frames - dropped
    }
}

fn frame_number(label: &str, num: i64, den: i64, drop: bool) -> Option<i64> {
    let parts: Vec<i64> = label
        .split([':', ';', '.'])
        .map(str::parse)
        .collect::<Result<_, _>>()
        .ok()?;
    let &[h, m, s, f] = parts.as_slice() else {
        return None;
    };
    if label.contains('.') {
        return None;
    }
    let nominal = nominal(num, den);
    let minutes = h * 60 + m;
    let dropped = if drop {
        dropped_a_minute(nominal) * (minutes - minutes / 10)
    } else {
        0
    };
    Some((minutes * 60 + s) * nominal + f - dropped)
}

fn frame_label(frame: i64, num: i64, den: i64, drop: bool) -> String {
    let nominal = nominal(num, den);
    let day = frames_of(86_400, num, den, drop).max(1);
    let mut frame = frame.rem_euclid(day);
    if drop {
        let gone = dropped_a_minute(nominal);
        let (minute, ten) = (nominal * 60 - gone, nominal * 600 - 9 * gone);
        let (tens, rest) = (frame / ten, frame % ten);
        frame += gone * 9 * tens;
        if rest >= nominal * 60 {
            frame += gone * ((rest - nominal * 60) / minute + 1);
        }
    }
    let separator = if drop { ';' } else { ':' };
    let digits = if nominal > 100 { 3 } else { 2 };
    format!(
        "{}{separator}{:0digits$}",
        hms(frame / nominal),
        frame % nominal
    )
}

fn day_seconds(label: &str) -> Option<f64> {
    let mut parts = label.split(':');
    let h: f64 = parts.next()?.parse().ok()?;
    let m: f64 = parts.next()?.parse().ok()?;
    let s: f64 = parts.next()?.parse().ok()?;
    parts.next().is_none().then_some(h * 3600.0 + m * 60.0 + s)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frames(label: &str, num: i64, den: i64, drop: bool) -> TakeClock {
        TakeClock::Frames {
            first: frame_number(label, num, den, drop).unwrap(),
            num,
            den,
            drop,
        }
    }

    #[test]
    fn labels_go_there_and_back() {
        for (label, num, den, drop) in [
            ("13:05:22:11", 24000, 1001, false),
            ("00:00:59;29", 30000, 1001, true),
            ("09:10:00;00", 30000, 1001, true),
            ("23:59:59;29", 30000, 1001, true),
            ("01:02:03;59", 60000, 1001, true),
            ("10:00:00:24", 25, 1, false),
        ] {
            assert_eq!(frames(label, num, den, drop).label(0.0), label);
        }
    }

    #[test]
    fn a_minute_of_dropped_labels_skips_two() {
        // SMPTE ST 12-1: labels 00 and 01 do not exist at the start of a minute, every tenth excepted.
        let clock = frames("00:00:59;29", 30000, 1001, true);
        assert_eq!(clock.label(1001.0 / 30000.0), "00:01:00;02");
        let clock = frames("00:09:59;29", 30000, 1001, true);
        assert_eq!(clock.label(1001.0 / 30000.0), "00:10:00;00");
    }

    #[test]
    fn midnight_wraps() {
        assert_eq!(
            frames("23:59:59:24", 25, 1, false).label(0.04),
            "00:00:00:00"
        );
    }

    #[test]
    fn ticks_stand_at_whole_label_seconds() {
        for clock in [
            frames("13:05:22:11", 24000, 1001, false),
            frames("13:05:22;11", 30000, 1001, true),
            frames("23:59:30:00", 25, 1, false),
        ] {
            let ticks = clock.ticks(0.0, 96.0, 10);
            assert!((4..=10).contains(&ticks.len()), "{ticks:?}");
            for (t, label) in ticks {
                assert!((0.0..=96.0).contains(&t));
                assert!(
                    clock.label(t).starts_with(&label),
                    "{} {label}",
                    clock.label(t)
                );
            }
        }
    }

    #[test]
    fn long_and_short_takes_have_few_ticks() {
        for clock in [frames("13:05:22:11", 24, 1, false), TakeClock::Start] {
            for length in [0.0, 0.01, 0.3, 2.0, 5.0, 61.0, 600.0, 5400.0, 90_000.0] {
                let ticks = clock.ticks(0.0, length, 12);
                assert!(ticks.len() <= 13, "{length}: {}", ticks.len());
                assert!(length < 0.02 || ticks.len() >= 2, "{length}: {ticks:?}");
            }
        }
    }
}
