//! Which microphones hold a line: boom or plant when on-mic, the talker's own pack, a spare pack on the same talker. Another
//! actor's body microphone may hold something, but is never cover.

use std::ops::Range;

use crate::detect::pair::muffled;
use crate::detect::{Finding, TakeView};
use crate::measure::frames::bands_within;
use crate::report::model::{Role, Severity};
use crate::units::power_db;

/// Voice over background from which a microphone is cover: 12 dB is where the contract calls speech noisy.
pub const COVER_DB: f64 = 12.0;
/// 2-8 kHz against the body microphone may fall this far below the take's usual before the boom counts as off-mic (contract).
const OFF_MIC_DB: f64 = 8.0;
/// Seconds to each side of a fault within which another microphone has to be clean too.
const SPOT_S: f64 = 0.1;

/// How a microphone stands to a line. The order is the order of preference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Boom.
    Boom,
    /// Plant.
    Plant,
    /// The talker's own body microphone.
    Own,
    /// A second one on the same talker.
    Spare,
    /// Somebody else's body microphone.
    Other,
}

/// One microphone on one line.
#[derive(Debug, Clone)]
pub struct Hearing {
    /// Position of the track.
    pub position: usize,
    /// How it stands to the talker.
    pub kind: Kind,
    /// Voice (200 Hz to 4 kHz) over background, dB.
    pub over_db: f64,
    /// Not off-mic: boom and plant by the 2-8 kHz ratio to the body microphone; always true for body microphones.
    pub on_mic: bool,
}

impl Hearing {
    /// Whether it hears the talker well enough to stand for the line.
    pub fn useful(&self) -> bool {
        self.kind != Kind::Other && self.on_mic && self.over_db >= COVER_DB
    }
}

/// A line: one stretch of one talker's speech.
#[derive(Debug, Clone)]
pub struct Line {
    /// Samples.
    pub range: Range<u64>,
    /// Frames.
    pub frames: Range<usize>,
    /// Position in the speech map's talkers.
    pub talker: Option<usize>,
    /// Every microphone, best kind first.
    pub mics: Vec<Hearing>,
}

/// Shortest line, s.
const SAID_S: f64 = 0.5;

impl Line {
    /// Whether any microphone hears it well, spoiled or not: what nobody hears is no line that could be lost.
    pub fn heard(&self) -> bool {
        self.mics.iter().any(|h| h.over_db >= COVER_DB)
    }

    /// Whether it is long enough for words: what is shorter may be a breath or a step, and is not worth going again.
    pub fn is_said(&self, rate: u32) -> bool {
        self.range.end - self.range.start >= crate::units::samples(SAID_S, rate)
    }

    /// Whether a microphone is there for this line: its wearer's, or a boom's or plant's.
    pub fn carried_by(&self, position: usize) -> bool {
        self.mics
            .iter()
            .any(|h| h.position == position && h.kind != Kind::Other)
    }
}

/// Positions of the tracks that may hold a line: the microphones; where no track is known to be one, all that are not known to
/// be something else.
pub fn candidates(view: &TakeView<'_>) -> Vec<usize> {
    let microphones = view.microphones();
    if microphones.is_empty() {
        view.with_role(Role::Unknown)
    } else {
        microphones
    }
}

/// All lines of a take, in the order of the speech map.
pub fn lines(view: &TakeView<'_>) -> Vec<Line> {
    let mut lines: Vec<Line> = view
        .speech
        .stretches
        .iter()
        .map(|s| Line {
            range: view.grid.sample(s.start)..view.grid.sample(s.end),
            frames: s.start..s.end,
            talker: s.talker,
            mics: hearings(view, s.start..s.end, s.talker),
        })
        .collect();
    mark_off_mic(view, &mut lines);
    lines
}

fn hearings(view: &TakeView<'_>, frames: Range<usize>, talker: Option<usize>) -> Vec<Hearing> {
    let mut mics: Vec<Hearing> = candidates(view)
        .into_iter()
        .map(|position| {
            let own = talker.and_then(|t| {
                view.speech.talkers[t]
                    .tracks
                    .iter()
                    .position(|&p| p == position)
            });
            let kind = match (view.take.tracks[position].role, own) {
                (Role::Boom, _) => Kind::Boom,
                // A track nobody has named hears whoever it hears, like a plant.
                (Role::Plant | Role::Unknown, _) => Kind::Plant,
                (_, Some(0)) => Kind::Own,
                (_, Some(_)) => Kind::Spare,
                _ => Kind::Other,
            };
            Hearing {
                position,
                kind,
                over_db: over_db(view, position, frames.clone()),
                on_mic: true,
            }
        })
        .collect();
    mics.sort_by_key(|h| (h.kind, h.position));
    mics
}

/// Level of 200 Hz to 4 kHz over the background in a stretch, dB; both as means of power over the frames.
fn over_db(view: &TakeView<'_>, position: usize, frames: Range<usize>) -> f64 {
    let voice = bands_within(200.0, 4000.0);
    let measures = &view.tracks[position];
    let (mut loud, mut quiet) = (0.0, 0.0);
    for f in frames {
        loud += measures.frames.band_power(f, voice.clone());
        quiet += measures.floor.band_power(f, voice.clone());
    }
    if loud <= 0.0 {
        return 0.0;
    }
    // What is not above the background has no level of its own.
    power_db(((loud - quiet) / quiet.max(1e-15)).max(1e-3))
}

/// Voice over background of a body microphone from which it says how well a boom hears its wearer, dB.
const REFERENCE_DB: f64 = 6.0;

/// 2-8 kHz of a boom against the wearer's own microphone per line (median over its frames, so that a hit on one of the two does
/// not count); lines far below the usual are off-mic.
fn mark_off_mic(view: &TakeView<'_>, lines: &mut [Line]) {
    let top = bands_within(2000.0, 8000.0);
    let level = |position: usize, f: usize| {
        let m = &view.tracks[position];
        let over = m.frames.band_power(f, top.clone()) - m.floor.band_power(f, top.clone());
        power_db(over.max(m.floor.band_power(f, top.clone())).max(1e-15))
    };
    let ratio = |boom: usize, own: usize, frames: Range<usize>| -> f64 {
        let mut all: Vec<f64> = frames.map(|f| level(boom, f) - level(own, f)).collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied().unwrap_or(0.0)
    };
    for talker in 0..view.speech.talkers.len() {
        let Some(&own) = view.speech.talkers[talker].tracks.first() else {
            continue;
        };
        // A body microphone that hears nothing, or has lost its top, is no measure of a boom.
        let dull = muffled::from(view, own).unwrap_or(usize::MAX);
        let hears = |l: &Line| {
            let clear = |h: &Hearing| h.position == own && h.over_db >= REFERENCE_DB;
            l.frames.end <= dull && l.mics.iter().any(clear)
        };
        for position in view.microphones() {
            if view.take.tracks[position].role == Role::Lav {
                continue;
            }
            let mine: Vec<(usize, f64)> = lines
                .iter()
                .enumerate()
                .filter(|(_, l)| l.talker == Some(talker) && hears(l))
                .map(|(k, l)| (k, ratio(position, own, l.frames.clone())))
                .collect();
            let mut ratios: Vec<f64> = mine.iter().map(|&(_, r)| r).collect();
            ratios.sort_by(f64::total_cmp);
            let Some(&usual) = ratios.get(ratios.len() / 2) else {
                continue;
            };
            for (k, ratio) in mine {
                if ratio < usual - OFF_MIC_DB {
                    for h in lines[k].mics.iter_mut().filter(|h| h.position == position) {
                        h.on_mic = false;
                    }
                }
            }
        }
    }
}

/// Whether a finding spoils a microphone as cover: a fault, or one of the states in which it holds no usable voice.
pub fn spoils(f: &Finding) -> bool {
    f.severity == Severity::Fault
        || f.kind == "off_mic"
        || (f.severity == Severity::Caution
            && matches!(f.kind, "muffled" | "dead_track" | "noise_high"))
}

/// Whether a microphone carries nothing that spoils it in `[start, end)`.
pub fn clean(findings: &[Finding], position: usize, start: u64, end: u64) -> bool {
    !findings.iter().any(|f| {
        spoils(f)
            && f.tracks.contains(&(position + 1))
            && f.start < end
            && f.end.max(f.start + 1) > start
    })
}

/// The part of a line that a fault touches, widened as far as the line goes.
pub fn spot(line: &Line, f: &Finding, rate: u32) -> Option<Range<u64>> {
    let (start, end) = (
        f.start.max(line.range.start),
        f.end.max(f.start + 1).min(line.range.end),
    );
    let slack = crate::units::samples(SPOT_S, rate);
    (start < end).then(|| start.saturating_sub(slack)..end + slack)
}

/// The microphone to use for a line: the first in order of preference that is clean throughout, else the first that hears it
/// usefully and is clean longest.
pub fn best<'a>(line: &'a Line, findings: &[Finding]) -> Option<(&'a Hearing, bool)> {
    let useful = || line.mics.iter().filter(|h| h.useful());
    if let Some(h) =
        useful().find(|h| clean(findings, h.position, line.range.start, line.range.end))
    {
        return Some((h, true));
    }
    let spoiled = |h: &Hearing| -> u64 {
        findings
            .iter()
            .filter(|f| spoils(f) && f.tracks.contains(&(h.position + 1)))
            .map(|f| {
                f.end
                    .max(f.start + 1)
                    .min(line.range.end)
                    .saturating_sub(f.start.max(line.range.start))
            })
            .sum()
    };
    useful()
        .min_by_key(|h| (spoiled(h), h.kind))
        .or_else(|| {
            // Nothing hears it well: what hears it best, the talker's own and open microphones first.
            line.mics
                .iter()
                .filter(|h| h.over_db > 3.0)
                .min_by_key(|h| (h.kind == Kind::Other, spoiled(h), -(h.over_db as i64)))
        })
        .map(|h| (h, false))
}
