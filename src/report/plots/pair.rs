//! The picture of two microphones: delay over time, coherence over time, and what their plain sum would do to a voice.

use std::f64::consts::PI;

use plotters::prelude::DrawingBackend;

use super::{
    At, BODY, Canvas, FAULT, INK, LANE, LINE, Picture, PlotError, SOFT, Scene, file_name, picture,
    plain, take_name, track_name,
};
use crate::report::clock::TakeClock;
use crate::report::model::{DelayKind, Pair, Polarity, Take};

const LEFT: f64 = 90.0;
const RIGHT: f64 = 1160.0;
const PANEL: f64 = 150.0;
const GAP: f64 = 58.0;
const FIRST: f64 = 92.0;
/// Kinds that speak of two microphones.
const KINDS: [&str; 5] = [
    "polarity_inverted",
    "comb_filtering",
    "late_track",
    "duplicate_track",
    "muffled",
];

/// Pairs worth a picture: both microphones named by a finding about two microphones, at most six, worst first.
pub fn suspicious_pairs(take: &Take) -> Vec<&Pair> {
    let mut found: Vec<&Pair> = Vec::new();
    let mut findings: Vec<_> = take
        .findings
        .iter()
        .filter(|f| KINDS.contains(&f.kind.as_str()))
        .collect();
    findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
    for finding in findings {
        let mut concerned = finding.tracks.clone();
        for key in ["microphones", "against", "reference_tracks"] {
            if let Some(list) = finding.evidence.get(key).and_then(|v| v.as_array()) {
                concerned.extend(list.iter().filter_map(|v| v.as_u64()).map(|v| v as usize));
            }
        }
        let both = |p: &&Pair| concerned.contains(&p.a) && concerned.contains(&p.b);
        let either = |p: &&Pair| concerned.contains(&p.a) || concerned.contains(&p.b);
        let coherence = |p: &&Pair| p.coherence.unwrap_or(0.0);
        let whole: Vec<&Pair> = take.pairs.iter().filter(both).collect();
        let chosen = if whole.is_empty() {
            take.pairs
                .iter()
                .filter(either)
                .max_by(|x, y| coherence(x).total_cmp(&coherence(y)))
                .into_iter()
                .collect()
        } else {
            whole
        };
        for pair in chosen {
            if !found.iter().any(|p| p.a == pair.a && p.b == pair.b) {
                found.push(pair);
            }
        }
    }
    found.truncate(6);
    found
}

/// Draw a pair of a take. `number` is the take's place in the report (1-based).
pub fn pair(take: &Take, pair: &Pair, number: usize) -> Result<Picture, PlotError> {
    let name = file_name(&format!(
        "{number:03}-{}-pair-{}-{}",
        take_name(take).replace(" take ", "-T"),
        pair.a,
        pair.b
    ));
    picture(
        name,
        &PairScene {
            take,
            pair,
            clock: TakeClock::of(take),
        },
    )
}

struct PairScene<'a> {
    take: &'a Take,
    pair: &'a Pair,
    clock: TakeClock,
}

/// Level of the plain sum of two signals against the louder of them, dB: b is later by `delay_ms`, louder by `level_db`.
fn sum_db(hz: f64, delay_ms: f64, level_db: f64, inverted: bool) -> f64 {
    let gain = crate::units::amplitude(level_db) * if inverted { -1.0 } else { 1.0 };
    let phase = 2.0 * PI * hz * delay_ms / 1000.0;
    let power = 1.0 + gain * gain + 2.0 * gain * phase.cos();
    crate::units::power_db(power) - level_db.max(0.0)
}

impl PairScene<'_> {
    fn name(&self, index: usize) -> String {
        self.take
            .tracks
            .iter()
            .find(|t| t.index == index)
            .map_or_else(|| index.to_string(), track_name)
    }

    fn x(&self, t_s: f64) -> f64 {
        LEFT + (t_s / self.take.duration_s.max(1e-9)).clamp(0.0, 1.0) * (RIGHT - LEFT)
    }

    fn y(panel: usize) -> f64 {
        FIRST + (PANEL + GAP) * panel as f64
    }

    fn summary(&self) -> String {
        let p = self.pair;
        let (a, b) = (self.name(p.a), self.name(p.b));
        let mut said = Vec::new();
        if let Some(ms) = p.delay_ms {
            let kind = match p.delay_kind {
                Some(DelayKind::Constant) => ", constant",
                Some(DelayKind::Moving) => ", moving",
                None => "",
            };
            let order = if ms >= 0.0 { "later" } else { "earlier" };
            said.push(format!("{b} is {:.2} ms {order} than {a}{kind}", ms.abs()));
        } else if let Some((low, high)) = p.moves_ms() {
            let moves = format!("{low:+.2} to {high:+.2} ms").replace('-', "−");
            said.push(format!("{b} moves, {moves} from {a}"));
        }
        if let Some(db) = p.level_difference_db {
            said.push(format!("{db:+.1} dB").replace('-', "−"));
        }
        said.push(match p.polarity {
            Polarity::Same => "same polarity".into(),
            Polarity::Inverted => "polarity reversed".into(),
            Polarity::Unclear => "polarity unclear".into(),
        });
        if let Some(n) = p.nudge_samples.filter(|&n| n != 0) {
            said.push(format!("lines up with a nudge of {n:+} samples").replace('-', "−"));
        }
        said.join("  ·  ")
    }

    fn frame<B: DrawingBackend>(
        &self,
        c: &Canvas<B>,
        panel: usize,
        title: &str,
        time: bool,
    ) -> Result<(), PlotError> {
        let y = Self::y(panel);
        c.text(LEFT, y - 13.0, title, 14.0, true, INK, At::Left)?;
        c.rect(LEFT, y, RIGHT, y + PANEL, &LANE)?;
        if time {
            for (t, label) in self.clock.ticks(0.0, self.take.duration_s, 11) {
                let x = self.x(t);
                c.line(&[(x, y), (x, y + PANEL + 4.0)], &LINE, 0.5)?;
                c.text(x, y + PANEL + 13.0, &label, 12.0, false, SOFT, At::Middle)?;
            }
        }
        Ok(())
    }

    fn level<B: DrawingBackend>(
        &self,
        c: &Canvas<B>,
        y: f64,
        label: &str,
    ) -> Result<(), PlotError> {
        c.line(&[(LEFT - 4.0, y), (RIGHT, y)], &LINE, 0.5)?;
        c.text(LEFT - 8.0, y, label, 12.0, false, SOFT, At::Right)
    }

    fn delays<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        self.frame(
            c,
            0,
            "Delay, ms (above zero: the second microphone is later)",
            true,
        )?;
        let mut delays: Vec<f64> = self
            .pair
            .segments
            .iter()
            .filter_map(|s| s.delay_ms)
            .collect();
        delays.extend(self.pair.delay_ms);
        let (mut low, mut high) = delays
            .iter()
            .fold((0f64, 0f64), |(l, h), &d| (l.min(d), h.max(d)));
        let room = ((high - low) * 0.1).max(0.2);
        (low, high) = (low - room, high + room);
        let y = |d: f64| Self::y(0) + PANEL * (high - d) / (high - low);
        for d in steps(low, high) {
            self.level(c, y(d), &number(d))?;
        }
        c.line(&[(LEFT, y(0.0)), (RIGHT, y(0.0))], &SOFT, 0.5)?;
        for s in &self.pair.segments {
            if let Some(d) = s.delay_ms {
                let ink = if s.polarity == Polarity::Inverted {
                    FAULT
                } else {
                    BODY
                };
                let (a, b) = (self.x(s.start_s), self.x(s.end_s));
                c.rect(a, y(d) - 2.0, b.max(a + 3.0), y(d) + 2.0, &ink)?;
                if s.polarity == Polarity::Inverted {
                    // A cross tells a reversed segment in grey print.
                    let m = f64::midpoint(a, b.max(a + 3.0));
                    c.line(&[(m - 4.0, y(d) - 6.0), (m + 4.0, y(d) + 6.0)], &FAULT, 1.5)?;
                    c.line(&[(m - 4.0, y(d) + 6.0), (m + 4.0, y(d) - 6.0)], &FAULT, 1.5)?;
                }
            }
        }
        Ok(())
    }

    fn coherence<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        self.frame(
            c,
            1,
            "Coherence, 500 Hz to 3 kHz (1: the same sound on both)",
            true,
        )?;
        let y = |k: f64| Self::y(1) + PANEL * (1.0 - k.clamp(0.0, 1.0));
        for k in [0.0, 0.5, 1.0] {
            self.level(c, y(k), &number(k))?;
        }
        for s in &self.pair.segments {
            if let Some(k) = s.coherence {
                let (a, b) = (self.x(s.start_s), self.x(s.end_s));
                c.rect(a, y(k), b.max(a + 2.0), y(0.0), &BODY.mixed(0.45))?;
                c.line(&[(a, y(k)), (b.max(a + 2.0), y(k))], &BODY, 2.0)?;
            }
        }
        Ok(())
    }

    fn response<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        let title = "If both are up: level of the plain sum against the louder one, dB";
        self.frame(c, 2, title, false)?;
        let (high, low) = (9.0, -30.0);
        let y = |db: f64| Self::y(2) + PANEL * (high - db.clamp(low, high)) / (high - low);
        for db in [6.0, 0.0, -12.0, -24.0] {
            self.level(c, y(db), &number(db))?;
        }
        let (from, to) = (40f64, 16_000f64);
        let x = |hz: f64| LEFT + (RIGHT - LEFT) * (hz / from).ln() / (to / from).ln();
        for (hz, label) in [
            (50.0, "50"),
            (100.0, "100"),
            (200.0, "200"),
            (500.0, "500"),
            (1000.0, "1k"),
            (2000.0, "2k"),
            (5000.0, "5k"),
            (10_000.0, "10k Hz"),
        ] {
            c.line(
                &[(x(hz), Self::y(2)), (x(hz), Self::y(2) + PANEL + 4.0)],
                &LINE,
                0.5,
            )?;
            c.text(
                x(hz),
                Self::y(2) + PANEL + 13.0,
                label,
                12.0,
                false,
                SOFT,
                At::Middle,
            )?;
        }
        c.line(&[(LEFT, y(0.0)), (RIGHT, y(0.0))], &SOFT, 0.5)?;
        let p = self.pair;
        let (Some(delay), Some(level)) = (p.delay_ms, p.level_difference_db) else {
            let text = match p.moves_ms() {
                Some(_) => "Not predicted: it changes with every move.",
                None => "Not predicted: no delay could be measured.",
            };
            return c.text(
                LEFT + 12.0,
                Self::y(2) + PANEL / 2.0,
                text,
                13.0,
                false,
                SOFT,
                At::Left,
            );
        };
        // Above the frequency where nulls fall closer than a few pixels, only the range between peak and null is drawn.
        let points = 1070;
        let curve: Vec<(f64, f64)> = (0..=points)
            .map(|k| {
                let hz = from * (to / from).powf(f64::from(k) / f64::from(points));
                (
                    hz,
                    sum_db(hz, delay, level, p.polarity == Polarity::Inverted),
                )
            })
            .take_while(|&(hz, _)| {
                let spacing = 1000.0 / delay.abs().max(1e-6);
                let pixels = (RIGHT - LEFT) / (to / from).ln() * spacing / hz;
                pixels > 7.0
            })
            .collect();
        let line: Vec<(f64, f64)> = curve.iter().map(|&(hz, db)| (x(hz), y(db))).collect();
        if let Some(&(end, _)) = line.last().filter(|l| l.0 < RIGHT - 3.0) {
            let gain = crate::units::amplitude(-level.abs());
            let (peak, null) = (crate::units::db(1.0 + gain), crate::units::db(1.0 - gain));
            c.rect(end, y(peak), RIGHT, y(null), &BODY.mixed(0.35))?;
        }
        c.line(&line, &INK, 1.5)?;
        if let Some(hz) = p.summed_first_null_hz.filter(|&hz| hz > from && hz < to) {
            c.dashes(
                (x(hz), Self::y(2)),
                (x(hz), Self::y(2) + PANEL),
                4.0,
                &FAULT,
                1.0,
            )?;
            let label = format!("first null {hz:.0} Hz");
            let at = if x(hz) > RIGHT - 160.0 {
                At::Right
            } else {
                At::Left
            };
            let shift = if at == At::Left { 5.0 } else { -5.0 };
            let wide = c.width(&label, 12.0, true) + 4.0;
            let left = if at == At::Left {
                x(hz) + 3.0
            } else {
                x(hz) - 3.0 - wide
            };
            let base = Self::y(2) + PANEL - 11.0;
            c.rect(left, base - 8.0, left + wide, base + 8.0, &LANE)?;
            c.text(x(hz) + shift, base, &label, 12.0, true, FAULT, at)?;
        }
        Ok(())
    }
}

/// Round marks between two values: about four.
pub(super) fn steps(low: f64, high: f64) -> Vec<f64> {
    let raw = ((high - low) / 4.0).max(1e-9);
    let ten = 10f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|k| k * ten)
        .find(|&s| s >= raw)
        .unwrap_or(raw);
    let (first, last) = ((low / step).ceil() as i64, (high / step).floor() as i64);
    (first..=last.min(first + 12))
        .map(|k| k as f64 * step)
        .collect()
}

/// A number for an axis, with a real minus sign.
pub(super) fn number(x: f64) -> String {
    let text = format!("{x:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    match text.strip_prefix('-') {
        Some("0") => "0".into(),
        Some(rest) => format!("−{rest}"),
        None => text.into(),
    }
}

trait Mixed {
    fn mixed(&self, share: f64) -> plotters::prelude::RGBColor;
}

impl Mixed for plotters::prelude::RGBColor {
    /// The colour thinned with paper, without transparency.
    fn mixed(&self, share: f64) -> plotters::prelude::RGBColor {
        let mix = |c: u8| (f64::from(c) * share + 255.0 * (1.0 - share)).round() as u8;
        plotters::prelude::RGBColor(mix(self.0), mix(self.1), mix(self.2))
    }
}

impl Scene for PairScene<'_> {
    fn height(&self) -> u32 {
        (Self::y(2) + PANEL + 34.0) as u32
    }

    fn draw<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        let (a, b) = (self.name(self.pair.a), self.name(self.pair.b));
        let title = format!("{}:  {a}  and  {b}", take_name(self.take));
        let title = c.fitted(&title, 20.0, true, 1168.0);
        c.text(16.0, 22.0, &title, 20.0, true, INK, At::Left)?;
        let summary = c.fitted(&plain(&self.summary(), 300), 14.0, false, 1168.0);
        c.text(16.0, 47.0, &summary, 14.0, false, SOFT, At::Left)?;
        self.delays(c)?;
        self.coherence(c)?;
        self.response(c)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sum_of_two_equal_signals() {
        // 1 ms apart: null at 500 Hz, +6.02 dB at 1 kHz; reversed polarity swaps the two.
        assert!(sum_db(500.0, 1.0, 0.0, false) < -100.0);
        assert!((sum_db(1000.0, 1.0, 0.0, false) - 6.0206).abs() < 1e-3);
        assert!((sum_db(500.0, 1.0, 0.0, true) - 6.0206).abs() < 1e-3);
        // 9 dB apart: +2.6 / -3.8 dB, whichever of the two is louder.
        for level in [-9.0, 9.0] {
            assert!((sum_db(1000.0, 1.0, level, false) - 2.64).abs() < 0.02);
            assert!((sum_db(500.0, 1.0, level, false) + 3.81).abs() < 0.02);
        }
    }

    #[test]
    fn axis_marks_are_round() {
        assert_eq!(steps(-0.2, 2.1), vec![0.0, 1.0, 2.0]);
        assert_eq!(number(-0.5), "−0.5");
        assert_eq!(number(-0.001), "0");
    }
}
