//! The overview of a take: one lane per track on a timecode axis.

use plotters::prelude::{DrawingBackend, RGBColor};

use super::{
    At, BACKGROUND, BODY, CAUTION, CLEAN, Canvas, FAULT, INK, LANE, LINE, PAPER, PEAK, Picture,
    PlotError, SOFT, Scene, WIDTH, colour, faint, file_name, picture, plain, take_name, track_name,
};
use crate::report::clock::{TakeClock, length};
use crate::report::drawing::{TakeDrawing, TrackDrawing};
use crate::report::model::{Finding, MicState, Severity, Take, Verdict};
use crate::report::words;

/// Left and right edge of the time axis.
const LEFT: f64 = 178.0;
const RIGHT: f64 = 1120.0;
/// A lane shows levels from here up to full scale.
const BOTTOM_DB: f64 = -84.0;
/// Columns of the envelope in the picture.
const COLUMNS: usize = 471;
/// Findings listed below the lanes.
const LISTED: usize = 12;
/// Share of the take from which on a finding is a line along its lane; a shorter one tints it.
const LONG: f64 = 0.25;
/// Rows for talkers.
const TALKERS: usize = 6;

/// Draw the overview of a take. `number` is its place in the report (1-based), part of the file name.
pub fn overview(take: &Take, drawing: &TakeDrawing, number: usize) -> Result<Picture, PlotError> {
    let name = file_name(&format!(
        "{number:03}-{}",
        take_name(take).replace(" take ", "-T")
    ));
    picture(name, &Overview::new(take, drawing))
}

struct Overview<'a> {
    take: &'a Take,
    drawing: &'a TakeDrawing,
    clock: TakeClock,
    talkers: Vec<String>,
    listed: Vec<&'a Finding>,
    lane: f64,
}

impl<'a> Overview<'a> {
    fn new(take: &'a Take, drawing: &'a TakeDrawing) -> Overview<'a> {
        let mut talkers: Vec<String> = Vec::new();
        for name in take.speech.iter().filter_map(|s| s.talker.as_ref()) {
            if !talkers.contains(name) {
                talkers.push(name.clone());
            }
        }
        let mut listed: Vec<&Finding> = take.findings.iter().collect();
        listed.sort_by(|a, b| {
            b.severity
                .cmp(&a.severity)
                .then(a.start_sample.cmp(&b.start_sample))
        });
        Overview {
            take,
            drawing,
            clock: TakeClock::of(take),
            talkers,
            listed,
            lane: (760.0 / take.tracks.len().max(1) as f64).clamp(24.0, 84.0),
        }
    }

    fn rows(&self) -> usize {
        self.talkers.len().min(TALKERS)
    }

    fn top(&self) -> f64 {
        let somebody =
            self.take.speech.iter().any(|s| s.talker.is_none()) && self.talkers.is_empty();
        let none = f64::from(u8::from(!self.take.no_clean_mic.is_empty())) * 16.0;
        94.0 + (self.rows() + usize::from(somebody)) as f64 * 14.0 + none + 6.0
    }

    fn bottom(&self) -> f64 {
        self.top() + self.lane * self.take.tracks.len() as f64
    }

    fn x(&self, t_s: f64) -> f64 {
        let share = if self.take.duration_s > 0.0 {
            (t_s / self.take.duration_s).clamp(0.0, 1.0)
        } else {
            0.0
        };
        LEFT + share * (RIGHT - LEFT)
    }

    fn title<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        let take = self.take;
        let name = c.fitted(&take_name(take), 22.0, true, 420.0);
        c.text(16.0, 24.0, &name, 22.0, true, INK, At::Left)?;
        let mut facts: Vec<String> = Vec::new();
        if take.circled == Some(true) {
            facts.push("circled".into());
        }
        if take.no_good == Some(true) {
            facts.push("marked no good".into());
        }
        facts.extend(take.roll.as_ref().map(|r| format!("roll {}", plain(r, 20))));
        facts.push(self.clock.label(0.0));
        facts.push(length(take.duration_s));
        let x = 30.0 + c.width(&name, 22.0, true);
        let facts = c.fitted(&facts.join("  ·  "), 14.0, false, 900.0 - x);
        c.text(x, 25.0, &facts, 14.0, false, SOFT, At::Left)?;
        let word = words::answer(take);
        let severity = match take.verdict {
            Verdict::NoCleanMic => Some(Severity::Fault),
            Verdict::OtherMic => Some(Severity::Caution),
            Verdict::NothingFound => None,
        };
        let ink = severity.map_or(CLEAN, colour);
        c.text(1184.0, 24.0, word, 17.0, true, ink, At::Right)?;
        let x = 1184.0 - c.width(word, 17.0, true) - 14.0;
        match severity {
            Some(severity) => c.sign(x, 24.0, severity, 6.0),
            None => c.line(
                &[(x - 6.0, 24.0), (x - 2.0, 28.0), (x + 6.0, 18.0)],
                &CLEAN,
                2.5,
            ),
        }
    }

    fn axis<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        let (top, bottom) = (self.top(), self.bottom());
        for (t, label) in self.clock.ticks(0.0, self.take.duration_s, 11) {
            let x = self.x(t);
            c.line(&[(x, 64.0), (x, bottom + 5.0)], &LINE, 0.5)?;
            c.text(x, 54.0, &label, 12.0, false, SOFT, At::Middle)?;
            c.text(x, bottom + 14.0, &label, 12.0, false, SOFT, At::Middle)?;
        }
        c.line(&[(LEFT, top), (RIGHT, top)], &LINE, 0.5)
    }

    fn speech<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        let mut y = 86.0;
        if !self.take.no_clean_mic.is_empty() {
            c.text(LEFT - 8.0, y, "no clean mic", 12.0, true, FAULT, At::Right)?;
            for range in &self.take.no_clean_mic {
                let (a, b) = (self.x(range.start_s), self.x(range.end_s));
                c.rect(a, y - 5.0, b.max(a + 3.0), y + 5.0, &FAULT)?;
            }
            y += 16.0;
        }
        let anybody = self.talkers.is_empty() && !self.take.speech.is_empty();
        let rows: Vec<(String, Option<&String>)> = if anybody {
            vec![("speech".into(), None)]
        } else {
            self.talkers
                .iter()
                .take(TALKERS)
                .map(|t| (plain(t, 40), Some(t)))
                .collect()
        };
        let others = self.talkers.len() > TALKERS;
        let last = rows.len().saturating_sub(1);
        for (i, (name, talker)) in rows.iter().enumerate() {
            let rest = others && i == last;
            let label = if rest {
                "others".to_owned()
            } else {
                name.clone()
            };
            let label = c.fitted(&label, 12.0, false, LEFT - 28.0);
            c.text(LEFT - 8.0, y, &label, 12.0, false, SOFT, At::Right)?;
            for s in &self.take.speech {
                let named = s.talker.as_ref();
                let here = named == *talker
                    || rest
                        && named.is_some_and(|n| {
                            self.talkers.iter().position(|t| t == n) >= Some(last)
                        });
                if here {
                    let (a, b) = (self.x(s.start_s), self.x(s.end_s));
                    c.rect(a, y - 3.5, b.max(a + 1.0), y + 3.5, &SOFT)?;
                }
            }
            y += 14.0;
        }
        Ok(())
    }

    fn lanes<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        for (i, track) in self.take.tracks.iter().enumerate() {
            let y = self.top() + self.lane * i as f64;
            let tall = self.lane >= 40.0;
            if i % 2 == 0 {
                c.rect(LEFT, y, RIGHT, y + self.lane, &LANE)?;
            }
            let flags = if tall { 15.0 } else { 0.0 };
            let strip = if tall { 10.0 } else { 7.0 };
            let (high, low) = (y + flags, y + self.lane - strip - 1.0);
            if let Some(drawn) = self.drawing.tracks.get(i) {
                self.envelope(c, drawn, high, low)?;
            }
            self.states(c, track.index, y + self.lane - strip, strip - 3.0)?;
            let name = c.fitted(&track_name(track), 14.0, true, LEFT - 26.0);
            let middle = y + self.lane / 2.0;
            let second = self.lane >= 48.0;
            let y_name = if second { middle - 9.0 } else { middle };
            c.text(16.0, y_name, &name, 14.0, true, INK, At::Left)?;
            if second {
                let mut role = words::role(track.role).to_owned();
                if track.wireless == Some(true) {
                    role += ", wireless";
                }
                c.text(16.0, middle + 8.0, &role, 12.0, false, SOFT, At::Left)?;
            }
            if tall {
                for level in [0.0, -40.0, -80.0] {
                    let yy = self.level_y(level, high, low);
                    c.line(&[(RIGHT, yy), (RIGHT + 4.0, yy)], &SOFT, 0.5)?;
                }
                let label = |level: f64| self.level_y(level, high, low);
                c.text(
                    RIGHT + 7.0,
                    label(0.0).max(y + 7.0),
                    "0",
                    11.0,
                    false,
                    SOFT,
                    At::Left,
                )?;
                c.text(
                    RIGHT + 7.0,
                    label(-40.0),
                    "−40",
                    11.0,
                    false,
                    SOFT,
                    At::Left,
                )?;
                c.text(
                    RIGHT + 7.0,
                    label(-80.0),
                    "−80",
                    11.0,
                    false,
                    SOFT,
                    At::Left,
                )?;
                if i == 0 {
                    c.text(
                        RIGHT + 32.0,
                        label(-40.0),
                        "dBFS",
                        11.0,
                        false,
                        SOFT,
                        At::Left,
                    )?;
                }
            }
        }
        Ok(())
    }

    fn level_y(&self, level: f64, high: f64, low: f64) -> f64 {
        let share = ((level - BOTTOM_DB) / -BOTTOM_DB).clamp(0.0, 1.0);
        low - share * (low - high)
    }

    fn envelope<B: DrawingBackend>(
        &self,
        c: &Canvas<B>,
        drawn: &TrackDrawing,
        high: f64,
        low: f64,
    ) -> Result<(), PlotError> {
        let n = drawn.peak.len();
        if n == 0 {
            return Ok(());
        }
        let columns = COLUMNS.min(n);
        let range =
            |k: usize, n: usize| k * n / columns..((k + 1) * n / columns).max(k * n / columns + 1);
        let x = |k: usize| LEFT + (RIGHT - LEFT) * k as f64 / columns as f64;
        let half = (RIGHT - LEFT) / columns as f64 / 2.0;
        for (levels, ink) in [(&drawn.peak, PEAK), (&drawn.rms, BODY)] {
            // Runs of silence leave no line: the outline is split there.
            let mut outline: Vec<(f64, f64)> = Vec::new();
            for k in 0..=columns {
                let level = (k < columns)
                    .then(|| levels.largest(range(k, n)))
                    .flatten()
                    .filter(|&level| level > BOTTOM_DB);
                match level {
                    Some(level) => {
                        let y = self.level_y(level, high, low);
                        if outline.is_empty() {
                            outline.push((x(k), low));
                        }
                        outline.push((x(k) + half, y));
                    }
                    None => {
                        if !outline.is_empty() {
                            outline.push((x(k), low));
                            c.polygon(&outline, &ink)?;
                            outline.clear();
                        }
                    }
                }
            }
        }
        self.background(c, drawn, high, low)
    }

    fn background<B: DrawingBackend>(
        &self,
        c: &Canvas<B>,
        drawn: &TrackDrawing,
        high: f64,
        low: f64,
    ) -> Result<(), PlotError> {
        let n = drawn.floor.len();
        let width = self.drawing.floor_column_s;
        let mut points: Vec<(f64, f64)> = Vec::new();
        let mut runs: Vec<Vec<(f64, f64)>> = Vec::new();
        for k in 0..=n {
            match drawn.floor.get(k).filter(|&l| k < n && l > BOTTOM_DB) {
                Some(level) => {
                    let y = self.level_y(level, high, low);
                    let (a, b) = (self.x(k as f64 * width), self.x((k + 1) as f64 * width));
                    // Half a picture point is the least that shows.
                    match points.last_mut() {
                        Some(last) if (last.1 - y).abs() < 0.5 => last.0 = b,
                        _ => points.extend([(a, y), (b, y)]),
                    }
                }
                None => runs.push(std::mem::take(&mut points)),
            }
        }
        for run in runs {
            c.line(&run, &PAPER, 3.0)?;
            c.line(&run, &BACKGROUND, 1.0)?;
        }
        Ok(())
    }

    fn states<B: DrawingBackend>(
        &self,
        c: &Canvas<B>,
        track: usize,
        y: f64,
        height: f64,
    ) -> Result<(), PlotError> {
        let middle = y + height / 2.0;
        for s in self
            .take
            .mic_timeline
            .iter()
            .filter(|line| line.track == track)
            .flat_map(|line| &line.stretches)
        {
            let (a, b) = (self.x(s.start_s), self.x(s.end_s));
            state(c, s.state, a, b.max(a + 1.0), middle, height)?;
        }
        Ok(())
    }

    fn marks<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        let tall = self.lane >= 40.0;
        for (i, track) in self.take.tracks.iter().enumerate() {
            let y = self.top() + self.lane * i as f64;
            let mut on: Vec<&Finding> = self
                .take
                .findings
                .iter()
                .filter(|f| f.tracks.contains(&track.index) && f.start_s.is_some())
                .collect();
            // Worst first claims the room for words; drawn last it lies on top.
            on.sort_by_key(|f| std::cmp::Reverse(f.severity));
            let mut tinted = f64::NEG_INFINITY;
            let mut by_start = on.clone();
            by_start.sort_by(|x, y| self.range(x).0.total_cmp(&self.range(y).0));
            for f in by_start.iter().filter(|f| f.severity > Severity::Note) {
                let (a, b) = self.range(f);
                let ink = colour(f.severity);
                if b - a > (RIGHT - LEFT) * LONG {
                    c.rect(a, y + 0.5, b, y + 2.5, &ink)?;
                } else {
                    // Overlapping tints would add up to a colour that means nothing.
                    let from = a.max(tinted);
                    if b > from {
                        c.rect(from, y, b, y + self.lane, &faint(ink, 0.16))?;
                        tinted = b;
                    }
                }
                c.line(&[(a, y), (a, y + self.lane)], &ink, 1.0)?;
            }
            let mut taken: Vec<(f64, f64)> = Vec::new();
            for f in &on {
                let (a, _) = self.range(f);
                let word = words::kind_short(&f.kind);
                let wide = c.width(word, 11.5, true);
                let free =
                    |l: f64, r: f64| taken.iter().all(|&(tl, tr)| r < tl - 3.0 || l > tr + 3.0);
                // To the right of its start, else to the left, else only its sign.
                let (right, left) = ((a - 1.0, a + 12.0 + wide), (a - 12.0 - wide, a + 1.0));
                let (room, sign, word_at) = if tall && free(right.0, right.1) && right.1 < RIGHT {
                    (right, a + 4.0, Some((a + 12.0, At::Left)))
                } else if tall && right.1 + 2.0 >= RIGHT && free(left.0, left.1) {
                    (left, a - 4.0, Some((a - 11.0, At::Right)))
                } else if free(a - 1.0, a + 9.0) {
                    ((a - 1.0, a + 9.0), a + 4.0, None)
                } else {
                    continue;
                };
                if let Some((x, side)) = word_at {
                    // Lines of slates and of other findings stay behind the word.
                    c.rect(room.0 + 2.0, y + 3.0, room.1, y + 14.0, &faint(PAPER, 0.85))?;
                    c.text(x, y + 7.5, word, 11.5, true, colour(f.severity), side)?;
                }
                c.sign(sign, y + 7.5, f.severity, 4.0)?;
                taken.push(room);
            }
        }
        Ok(())
    }

    fn range(&self, f: &Finding) -> (f64, f64) {
        let (a, b) = (
            self.x(f.start_s.unwrap_or(0.0)),
            self.x(f.end_s.unwrap_or(0.0)),
        );
        (a, b.max(a + 2.0))
    }

    fn outside<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        let (top, bottom) = (self.top(), self.bottom());
        if !self.take.windows.is_empty() {
            let mut at = 0.0;
            let end = self.take.duration_s;
            let mut windows: Vec<(f64, f64)> = self
                .take
                .windows
                .iter()
                .map(|w| (w.start_s, w.end_s))
                .collect();
            windows.push((end, end));
            for (start, next) in windows {
                if start > at + 0.01 {
                    let (a, b) = (self.x(at), self.x(start));
                    c.rect(a, top, b, bottom, &faint(PAPER, 0.55))?;
                    let mut x = a + 4.0;
                    while x < b {
                        c.dashes((x, top), (x, bottom), 2.0, &faint(SOFT, 0.45), 0.5)?;
                        x += 8.0;
                    }
                }
                at = f64::max(at, next);
            }
        }
        let mut last = f64::NEG_INFINITY;
        for mark in &self.take.landmarks {
            let word = match mark.kind.as_str() {
                "slate_clap" => "slate",
                "lineup_tone" => "tone",
                "timecode" => continue,
                other => other,
            };
            let x = self.x(mark.start_s);
            c.dashes((x, 66.0), (x, bottom), 3.0, &INK, 1.0)?;
            let wide = c.width(word, 11.5, true);
            if x - last > wide + 16.0 {
                c.rect(x, 62.0, x + wide + 7.0, 77.0, &INK)?;
                c.text(x + 3.5, 69.5, word, 11.5, true, PAPER, At::Left)?;
                last = x;
            }
        }
        Ok(())
    }

    fn legend<B: DrawingBackend>(&self, c: &Canvas<B>, y: f64) -> Result<(), PlotError> {
        let mut x = LEFT;
        let word = |x: &mut f64, text: &str| -> Result<(), PlotError> {
            c.text(*x, y, text, 12.0, false, SOFT, At::Left)?;
            *x += c.width(text, 12.0, false) + 18.0;
            Ok(())
        };
        for (name, ink) in [("peak", PEAK), ("level", BODY)] {
            c.rect(x, y - 5.0, x + 12.0, y + 5.0, &ink)?;
            x += 17.0;
            word(&mut x, name)?;
        }
        c.line(&[(x, y), (x + 16.0, y)], &BACKGROUND, 1.0)?;
        x += 21.0;
        word(&mut x, "background")?;
        for (name, kind) in [
            ("mic clean", MicState::Clean),
            ("faulty", MicState::Faulty),
            ("off-mic", MicState::OffMic),
            ("silent", MicState::Silent),
        ] {
            state(c, kind, x, x + 22.0, y, 7.0)?;
            x += 27.0;
            word(&mut x, name)?;
        }
        for severity in [Severity::Fault, Severity::Caution, Severity::Note] {
            c.sign(x + 4.0, y, severity, 4.5)?;
            x += 13.0;
            word(&mut x, words::severity(severity))?;
        }
        Ok(())
    }

    fn list<B: DrawingBackend>(&self, c: &Canvas<B>, mut y: f64) -> Result<(), PlotError> {
        if self.listed.is_empty() {
            let text = "Nothing found by the tests that ran here.";
            return c.text(16.0, y, text, 14.0, false, SOFT, At::Left);
        }
        for f in self.listed.iter().take(LISTED) {
            c.sign(22.0, y, f.severity, 5.0)?;
            let when = f
                .start_tc
                .clone()
                .unwrap_or_else(|| f.start_s.map(|s| self.clock.label(s)).unwrap_or_default());
            c.text(34.0, y, &plain(&when, 14), 13.0, false, SOFT, At::Left)?;
            let who: Vec<String> = f
                .tracks
                .iter()
                .filter_map(|&t| self.take.tracks.iter().find(|x| x.index == t))
                .map(track_name)
                .collect();
            let who = c.fitted(&who.join(", "), 13.0, true, 170.0);
            c.text(118.0, y, &who, 13.0, true, INK, At::Left)?;
            let says = c.fitted(&plain(&f.message, 240), 13.0, false, 1184.0 - 300.0);
            c.text(300.0, y, &says, 13.0, false, INK, At::Left)?;
            y += 20.0;
        }
        if self.listed.len() > LISTED {
            let more = format!(
                "and {} more: see the page or the table.",
                self.listed.len() - LISTED
            );
            c.text(34.0, y, &more, 13.0, false, SOFT, At::Left)?;
        }
        Ok(())
    }
}

/// A stretch of a microphone: thin for clean, a thick cut bar for faulty, dashes for off-mic, dots for silent.
fn state<B: DrawingBackend>(
    c: &Canvas<B>,
    state: MicState,
    a: f64,
    b: f64,
    middle: f64,
    height: f64,
) -> Result<(), PlotError> {
    match state {
        MicState::Clean => c.rect(a, middle - 1.0, b, middle + 1.0, &CLEAN),
        MicState::Faulty => {
            let half = height / 2.0;
            c.rect(a, middle - half, b, middle + half, &FAULT)?;
            let mut x = a + 4.0;
            while x + height < b {
                c.line(
                    &[(x, middle + half), (x + half, middle - half)],
                    &PAPER,
                    1.0,
                )?;
                x += 7.0;
            }
            Ok(())
        }
        MicState::OffMic => dashes(
            c,
            (a, b),
            (5.0, 9.0),
            (middle - 1.5, middle + 1.5),
            &CAUTION,
        ),
        MicState::Silent => dashes(c, (a, b), (1.5, 5.0), (middle - 1.0, middle + 0.5), &SOFT),
    }
}

/// A dashed bar from `a` to `b`: length of a dash and distance from one to the next, upper and lower edge.
fn dashes<B: DrawingBackend>(
    c: &Canvas<B>,
    (a, b): (f64, f64),
    (length, every): (f64, f64),
    (top, bottom): (f64, f64),
    colour: &RGBColor,
) -> Result<(), PlotError> {
    let mut x = a;
    while x < b {
        c.rect(x, top, (x + length).min(b), bottom, colour)?;
        x += every;
    }
    Ok(())
}

impl Scene for Overview<'_> {
    fn height(&self) -> u32 {
        let rows = self.listed.len().clamp(1, LISTED) + usize::from(self.listed.len() > LISTED);
        (self.bottom() + 26.0 + 30.0 + rows as f64 * 20.0 + 14.0).ceil() as u32
    }

    fn draw<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        debug_assert_eq!(WIDTH, 1200, "the places above are meant for this width");
        self.title(c)?;
        self.speech(c)?;
        self.lanes(c)?;
        self.axis(c)?;
        self.outside(c)?;
        self.marks(c)?;
        self.legend(c, self.bottom() + 36.0)?;
        self.list(c, self.bottom() + 66.0)
    }
}
