//! `hum`: a mains series or another steady tone.
//!
//! Fault: ground loop, induction, dimmer or a whistling supply on one microphone; a machine or lamp in the place on all.
//! Signature: lines that stand still in frequency (a few hundredths of a hertz) and in level over seconds, in pauses and under
//! speech alike; a mains series when they lie on multiples of 50 or 60 Hz.
//! Decision: single lines from `min_line_db`, members of a mains series from `min_series_db` over the background in a band of
//! 1 Hz. One finding per microphone; what most microphones hear is of the place and one finding for all of them.
//! Must not fire on: low voices and held notes (they wobble by half a percent), music (notes end), fan tones that drift,
//! line-up tone, timecode.
//! Known misses: tones shorter than `min_s`, generators whose speed wanders, lines under 20 Hz.
//! Source: detection practice for hum (long Hann spectra, steadiness as the discriminator); EN 50160 for the mains frequency.

use crate::detect::hearing::{judged_tracks, names};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::floor::a_weight;
use crate::measure::lines::{Lines, SPLIT_HZ, Steadiness, SteadyLine, level_error_db, steady};
use crate::report::model::{Origin, Severity};
use crate::settings::Param;
use crate::units::{power, power_db};

static MIN_LINE_DB: Param = Param {
    key: "hum.min_line_db",
    default: 12.0,
    unit: "dB",
    range: (3.0, 60.0),
    why: "over the background in 1 Hz; a single line of noise reaches 11 dB by chance in long takes",
};
static MIN_LONE_DB: Param = Param {
    key: "hum.min_lone_db",
    default: 17.0,
    unit: "dB",
    range: (3.0, 60.0),
    why: "over the background in 1 Hz, for one line alone that is no low multiple of the public mains: notes that return and slow voices reach 15 dB, lamps and supplies had 21 and more",
};
static MIN_SERIES_DB: Param = Param {
    key: "hum.min_series_db",
    default: 5.0,
    unit: "dB",
    range: (3.0, 60.0),
    why: "over the background in 1 Hz; two lines that fit one mains frequency within 0.1 % support each other",
};
static MIN_S: Param = Param {
    key: "hum.min_s",
    default: 5.0,
    unit: "s",
    range: (3.0, 60.0),
    why: "held notes and beeps end within seconds",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "hum",
    explain: Explain {
        means: "A steady tone, or a series of tones on the mains frequency, lies under a track.",
        sounds_like: "A low hum, a raspy buzz, or a thin whistle that never moves.",
        usual_cause: "On one track: a ground loop, a charger, a dimmer, induction into a cable. On all: a lamp or machine in the place.",
        do_now: "On one track, lift the ground, move the cable or change the supply; on all, find the lamp or machine and switch it off.",
        measured_by: "Long spectra (2.7 s below 900 Hz, a third of a second in every 0.7 s above): lines that keep frequency and level, over the background in 1 Hz.",
        not_to_confuse: "Voices, music and fans that drift are not reported. Tones shorter than five seconds are missed.",
    },
    params: &[&MIN_LINE_DB, &MIN_LONE_DB, &MIN_SERIES_DB, &MIN_S],
    run: Run::Take(run),
};

/// Mains frequencies, Hz, and how far they stray (EN 50160 allows 1 %; public grids keep 0.1 %, sets on generators more).
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
const MAINS_STRAY: f64 = 0.01;
/// Least length of a line outside a mains series, seconds: held notes and recurring ones do not stand that long.
const LONE_S: f64 = 8.0;
/// How well the lines of one series fit one base frequency.
const FIT: f64 = 0.0012;

/// A line with its place in a series.
#[derive(Debug, Clone)]
struct Line {
    line: SteadyLine,
    /// Fits a mains series of at least two lines, or is itself a low multiple of the mains.
    mains: bool,
}

/// What lines need: see the parameters.
#[derive(Debug, Clone, Copy)]
struct Least {
    line_db: f64,
    lone_db: f64,
    series_db: f64,
    length_s: f64,
}

impl Least {
    fn of(value: impl Fn(&Param) -> f64) -> Least {
        Least {
            line_db: value(&MIN_LINE_DB),
            lone_db: value(&MIN_LONE_DB),
            series_db: value(&MIN_SERIES_DB),
            length_s: value(&MIN_S),
        }
    }
}

/// Lowest multiples of the mains that a line alone is taken for, and how far public grids stray (0.1 %: common practice, no
/// source; EN 50160 allows 1 %).
const LONE_ORDERS: std::ops::RangeInclusive<f64> = 1.0..=4.0;
const PUBLIC_STRAY: f64 = 0.001;

/// Whether a frequency is a low multiple of the public mains.
fn of_public_mains(hz: f64) -> bool {
    let lone = |mains: &f64| {
        multiple(hz, *mains, PUBLIC_STRAY).is_some_and(|order| LONE_ORDERS.contains(&order))
    };
    MAINS_HZ.iter().any(lone)
}

/// Which multiple of the mains a frequency is, that frequency straying by a share; `None` where it is none.
fn multiple(hz: f64, mains: f64, stray: f64) -> Option<f64> {
    let order = (hz / mains).round();
    (order >= 1.0 && (hz / order / mains - 1.0).abs() <= stray).then_some(order)
}

/// All lines of a track that count.
fn lines_of(lines: &Lines, least: Least, rate: u32, samples: u64) -> Vec<Line> {
    let low = Steadiness {
        within_hz: 0.06,
        least_spectra: 4,
        least_s: least.length_s,
        most_spread_db: 2.5,
        least_share: 0.75,
    };
    let high = Steadiness {
        within_hz: 1.2,
        least_spectra: 7,
        least_s: least.length_s,
        most_spread_db: 2.0,
        least_share: 0.75,
    };
    let mut all = steady(&lines.low, low, rate, samples);
    all.extend(steady(&lines.high, high, rate, samples));
    let base = mains_base(&all);
    let found: Vec<Line> = all
        .into_iter()
        .filter_map(|line| {
            let in_series = base.is_some_and(|base| fits(line.hz, base));
            (stands_still(&line, least.line_db, bin_hz(lines, line.hz), rate)
                || in_series && line.over_background_db >= least.series_db)
                .then_some(Line {
                    line,
                    mains: in_series,
                })
        })
        .collect();
    // A line on a multiple of the mains that has no company is a line like any other, but for the lowest.
    let lines: Vec<SteadyLine> = found.iter().map(|l| l.line.clone()).collect();
    let alone = distinct(&lines).len() < 2;
    let faint = |l: &SteadyLine| {
        let mains = of_public_mains(l.hz);
        l.over_background_db < if mains { least.line_db } else { least.lone_db }
    };
    if alone && lines.iter().all(faint) {
        return Vec::new();
    }
    found
}

fn bin_hz(lines: &Lines, hz: f64) -> f64 {
    if hz < SPLIT_HZ {
        lines.low.bin_hz
    } else {
        lines.high.bin_hz
    }
}

/// Whether a line needs no company: as steady as only electronics are. Notes of music return with other levels and phases
/// (which shifts the reading of the frequency) and leave gaps; the tone of a recorded fan breathes.
fn stands_still(line: &SteadyLine, min_line_db: f64, bin_hz: f64, rate: u32) -> bool {
    let noise_db = level_error_db(line.over_background_db, bin_hz);
    let noise_hz = 0.06 * bin_hz * noise_db;
    let least_seen = if line.hz < SPLIT_HZ { 6 } else { 9 };
    // A line as even as a generator's may hide behind speech for most of the time, and speech may bend what is read of it.
    let level = line.spread_db <= 0.3 + noise_db;
    let even = level && line.seen >= 2 * least_seen;
    let bent_hz = if level { 0.03 } else { 0.015 } * bin_hz;
    line.over_background_db >= min_line_db
        && line.seen >= least_seen
        && (line.end - line.start) as f64 >= LONE_S * f64::from(rate)
        && (line.share >= 0.85 || even)
        && (line.dense >= 0.6 || even)
        && line.spread_db <= 0.7 + noise_db
        && line.hz_spread <= bent_hz + 2.5 * noise_hz
}

fn fits(hz: f64, base: f64) -> bool {
    let order = (hz / base).round();
    order >= 1.0 && (hz - order * base).abs() <= (FIT * hz).max(0.08)
}

/// Base of the mains series that most lines fit, weighted by their height; `None` with less than two lines, or one that stands
/// 8 dB over its background on a low multiple.
fn mains_base(lines: &[SteadyLine]) -> Option<f64> {
    let mut best: Option<(f64, f64)> = None;
    for line in lines {
        for mains in MAINS_HZ {
            let Some(order) = multiple(line.hz, mains, MAINS_STRAY).filter(|&o| o <= 16.0) else {
                continue;
            };
            let base = line.hz / order;
            let members: Vec<&SteadyLine> = lines.iter().filter(|l| fits(l.hz, base)).collect();
            let score: f64 = members
                .iter()
                .map(|l| l.over_background_db.clamp(0.0, 20.0))
                .sum();
            let alone = members.len() < 2
                && !(LONE_ORDERS.contains(&order) && line.over_background_db >= 8.0);
            if !alone && best.is_none_or(|(s, _)| score > s) {
                best = Some((score, base));
            }
        }
    }
    best.map(|(_, base)| base)
}

/// Lines of one microphone, joined over time.
#[derive(Debug, Clone)]
struct Heard {
    track: usize,
    lines: Vec<Line>,
}

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let tracks = judged_tracks(view);
    let mut heard: Vec<Heard> = tracks
        .iter()
        .map(|&track| Heard {
            track,
            lines: (own_lines(view, track).into_iter())
                .filter(|l| !is_landmark(view, track, &l.line))
                .collect(),
        })
        .collect();
    let place = of_the_place(&heard, tracks.len());
    let mut findings = Vec::new();
    if !place.is_empty() {
        let shared = |line: &Line| place.iter().any(|&hz| same(hz, line.line.hz));
        let mut on: Vec<usize> = Vec::new();
        let mut lines: Vec<Line> = Vec::new();
        for h in &heard {
            if h.lines.iter().any(shared) {
                on.push(h.track);
                lines.extend(h.lines.iter().filter(|l| shared(l)).cloned());
            }
        }
        findings.push(finding(view, &on, &lines, Origin::Place));
        heard
            .iter_mut()
            .for_each(|h| h.lines.retain(|l| !shared(l)));
    }
    for h in heard.iter().filter(|h| !h.lines.is_empty()) {
        findings.push(finding(view, &[h.track], &h.lines, Origin::ThisMic));
    }
    findings
}

/// Lines of a track that stand still long enough to be hum.
pub(super) fn standing(view: &TakeView<'_>, track: usize) -> Vec<SteadyLine> {
    let lines = own_lines(view, track).into_iter();
    lines.map(|l| l.line).collect()
}

/// All lines of a track that count, landmarks among them.
fn own_lines(view: &TakeView<'_>, track: usize) -> Vec<Line> {
    let set = |p: &Param| view.settings.get(p);
    lines_of(
        &view.tracks[track].lines,
        Least::of(set),
        view.grid.rate,
        view.grid.samples,
    )
}

fn same(a: f64, b: f64) -> bool {
    (a - b).abs() <= (0.0005 * a).max(0.1)
}

/// Frequencies that at least two and more than half of the microphones hear.
fn of_the_place(heard: &[Heard], tracks: usize) -> Vec<f64> {
    let mut found: Vec<f64> = Vec::new();
    for hz in heard.iter().flat_map(|h| &h.lines).map(|l| l.line.hz) {
        let count = heard
            .iter()
            .filter(|h| h.lines.iter().any(|l| same(hz, l.line.hz)))
            .count();
        if count >= 2 && 2 * count > tracks && !found.iter().any(|&f| same(f, hz)) {
            found.push(hz);
        }
    }
    found
}

/// Line-up tone is meant to be there.
fn is_landmark(view: &TakeView<'_>, track: usize, line: &SteadyLine) -> bool {
    let rate = f64::from(view.grid.rate);
    let (start, end) = (line.start as f64 / rate, line.end as f64 / rate);
    view.landmarks
        .iter()
        .filter(|l| l.kind == "lineup_tone" || l.kind == "timecode")
        .filter(|l| l.tracks.is_empty() || l.tracks.contains(&view.track(track).index))
        .any(|l| l.end_s.min(end) - l.start_s.max(start) > 0.5 * (end - start))
}

fn finding(view: &TakeView<'_>, tracks: &[usize], lines: &[Line], origin: Origin) -> Finding {
    let start = lines.iter().map(|l| l.line.start).min().unwrap_or(0);
    let end = lines
        .iter()
        .map(|l| l.line.end)
        .max()
        .unwrap_or(view.grid.samples);
    let strongest = lines
        .iter()
        .map(|l| &l.line)
        .max_by(|a, b| a.over_background_db.total_cmp(&b.over_background_db));
    let (hz, over) = strongest.map_or((0.0, 0.0), |l| (l.hz, l.over_background_db));
    let all: Vec<SteadyLine> = lines.iter().map(|l| l.line.clone()).collect();
    let base = mains_base(&all).filter(|_| lines.iter().any(|l| l.mains));
    let sum = |weight: fn(f64) -> f64| {
        power_db(
            distinct(&all)
                .iter()
                .map(|l| power(l.level_dbfs) * weight(l.hz))
                .sum(),
        )
    };
    let (level, level_a) = (sum(|_| 1.0), sum(a_weight));
    let floor_a = tracks
        .iter()
        .map(|&t| view.tracks[t].floor.dba())
        .fold(f64::NEG_INFINITY, f64::max);
    let what = match base {
        Some(base) => format!("Mains hum at {base:.1} Hz"),
        None => format!("A steady tone at {hz:.0} Hz"),
    };
    let confidence = match (over, lines.len()) {
        (o, _) if o >= 18.0 => 0.97,
        (o, n) if o >= 12.0 && n > 1 => 0.95,
        (o, _) if o >= 12.0 => 0.88,
        (_, n) if n >= 3 => 0.85,
        _ => 0.7,
    };
    let faint = origin == Origin::Place && level_a < floor_a - 6.0;
    let mut finding = view
        .finding_on("hum", tracks, start, end)
        .severity(if faint {
            Severity::Note
        } else {
            Severity::Caution
        })
        .confidence(confidence)
        .origin(origin);
    if let Some(base) = base {
        finding = finding.number("hum_hz", base, 3);
    } else {
        finding = finding.number("hum_hz", hz, 3);
    }
    finding
        .number("strongest_line_hz", hz, 2)
        .number("line_over_background_db", over, 1)
        .number("hum_level_dbfs", level, 1)
        .number("hum_level_dba", level_a, 1)
        .number("noise_floor_dba", floor_a, 1)
        .fact("lines", distinct(&all).len())
        .says(
            format!(
                "{what} on {}, {over:.0} dB over the background in 1 Hz, {level:.0} dBFS in all.",
                names(view, tracks)
            ),
            if origin == Origin::Place {
                "A lamp or machine in the place; find it and switch it off, or tell post that a narrow notch removes it."
            } else {
                "On this microphone only: look at ground, cable run and supply; a narrow notch in post removes what is faint."
            },
        )
}

/// One line per frequency, the strongest.
fn distinct(lines: &[SteadyLine]) -> Vec<SteadyLine> {
    let mut kept: Vec<SteadyLine> = Vec::new();
    for line in lines {
        match kept.iter_mut().find(|k| same(k.hz, line.hz)) {
            Some(k) if k.level_dbfs < line.level_dbfs => *k = line.clone(),
            Some(_) => {}
            None => kept.push(line.clone()),
        }
    }
    kept
}

/// Base of a mains series or frequency of the strongest steady line of a track, Hz; `None` without one. For the measurements.
pub fn hum_hz(lines: &Lines, rate: u32, samples: u64) -> Option<f64> {
    let all = lines_of(lines, Least::of(|p| p.default), rate, samples);
    let steady: Vec<SteadyLine> = all.iter().map(|l| l.line.clone()).collect();
    if all.iter().any(|l| l.mains)
        && let Some(base) = mains_base(&steady)
    {
        return Some(base);
    }
    steady
        .iter()
        .max_by(|a, b| a.over_background_db.total_cmp(&b.over_background_db))
        .map(|l| l.hz)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(hz: f64, over: f64) -> SteadyLine {
        SteadyLine {
            hz,
            level_dbfs: -60.0,
            over_background_db: over,
            spread_db: 0.2,
            hz_spread: 0.001,
            dense: 1.0,
            start: 0,
            end: 480_000,
            seen: 10,
            share: 1.0,
        }
    }

    /// EN 50160: 50 Hz within 1 % 99.5 % of a year; interconnected grids keep far closer (common practice, no source).
    #[test]
    fn a_lone_line_is_mains_only_on_a_low_multiple() {
        for hz in [50.0, 100.02, 149.9, 60.03, 240.0] {
            assert!(of_public_mains(hz), "{hz}");
        }
        for hz in [47.0, 100.18, 35.0, 309.0, 3000.0] {
            assert!(!of_public_mains(hz), "{hz}");
        }
    }

    #[test]
    fn a_series_gives_its_base() {
        let lines = [line(150.07, 12.0), line(250.12, 9.0), line(333.0, 20.0)];
        let base = mains_base(&lines).unwrap();
        assert!((base - 50.024).abs() < 0.01, "{base}");
        assert!(fits(350.16, base) && !fits(333.0, base));
    }

    /// Speech over a line bends what is read of its frequency by a fiftieth of a bin; a note of music changes its level, too.
    #[test]
    fn an_even_line_may_be_read_less_well() {
        let read = |hz_spread: f64, spread_db: f64| SteadyLine {
            hz_spread,
            spread_db,
            ..line(385.4, 30.0)
        };
        let stands = |line: SteadyLine| stands_still(&line, 12.0, 0.366, 48_000);
        assert!(stands(read(0.016, 0.13)));
        assert!(!stands(read(0.016, 0.6)), "a note");
        assert!(!stands(read(0.03, 0.13)), "a voice");
    }

    #[test]
    fn one_tone_off_the_mains_is_no_series() {
        assert_eq!(mains_base(&[line(1000.0 / 1.021, 30.0)]), None);
        assert_eq!(mains_base(&[]), None);
    }
}
