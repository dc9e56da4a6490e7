//! `noise_change`: the background changed during the take.
//!
//! Fault: a machine started or stopped, a plane passed, a door to the street was opened.
//! Signature: the level in the pauses of the scene steps or ramps from one steady value to another, on most microphones in the
//! same direction.
//! Decision: per microphone the levels above 60 Hz of all 0.1 s steps without speech are cut where the sum of absolute
//! deviations from the medians falls most (again within the parts). A cut counts from `min_change_db`, from 2.5 times the
//! scatter on either side, with two neighbouring octaves moving together, and when the new level holds for `min_hold_s`. Then
//! joined over microphones: a change on one microphone of several is no change of the place and not reported here. Within a
//! gap without pauses the onset follows from the dips between words: a dip to the old level shows that a machine has not
//! started, a dip below it that one has stopped.
//! Must not fire on: speech without pauses, music, effects, a microphone that is muffled, muted or turned down.
//! Known misses: slow drifts (over more than about 8 s), changes under talk that never pauses.
//! Source: detection practice for background changes (change points of the background, agreement of microphones).

use crate::compare::speech::runs;
use crate::detect::hearing::{QUIET_DB, judged_tracks, median, names, percentile};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::TrackMeasures;
use crate::measure::floor::STEP;
use crate::measure::frames::{BANDS, bands_within};
use crate::report::model::{Origin, Severity};
use crate::settings::Param;
use crate::units::power_db;

static MIN_CHANGE_DB: Param = Param {
    key: "noise_change.min_change_db",
    default: 3.8,
    unit: "dB",
    range: (1.0, 20.0),
    why: "report contract: from 4 dB reported, 2.5 to 4 dB a matter of taste; less the error of measurement",
};
static MIN_HOLD_S: Param = Param {
    key: "noise_change.min_hold_s",
    default: 4.0,
    unit: "s",
    range: (2.0, 30.0),
    why: "report contract: more than 5 s; shorter is a passing noise (one second of the step is its ramp)",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "noise_change",
    explain: Explain {
        means: "The background of the scene moved to another level while the take ran.",
        sounds_like: "A rush or drone that sets in, stops or swells behind the words.",
        usual_cause: "Ventilation, a fridge, a generator or traffic that starts or stops.",
        do_now: "Find the machine before the next take; record room tone of both states for the cut.",
        measured_by: "Level above 60 Hz in the pauses of all microphones, cut where it changes most; both sides must be steady.",
        not_to_confuse: "Passing noises below five seconds, and changes on one microphone only, are not reported here.",
    },
    params: &[&MIN_CHANGE_DB, &MIN_HOLD_S],
    run: Run::Take(run),
};

/// Octaves that are looked at.
const OCTAVES: usize = 8;
/// Seconds of pauses that are compared on each side, and how far they may reach back to be enough.
const SIDE_S: f64 = 8.0;
const REACH_S: f64 = 22.0;
/// Steps that make a side.
const LEAST_STEPS: usize = 8;
/// A change has to be this many times the scatter of either side (robust standard deviation): music and typing scatter.
const OVER_SCATTER: f64 = 2.5;
/// Largest scatter of either side, dB, besides a tenth of the change: 0.1 s levels of a machine keep within a decibel or two.
const MOST_SCATTER_DB: f64 = 2.2;
/// The same of single moments, dB: lows alone scatter by 3 to 4 dB within 0.1 s, words by 5 and more.
const MOST_MOMENT_SCATTER_DB: f64 = 4.5;
/// Machines hardly change the background by more, dB: words that nobody else heard do, and scatter.
const MACHINE_DB: f64 = 12.0;
/// Deviations count up to this many dB, so that a door or a cough cannot decide.
const CLIP_DB: f64 = 6.0;

/// A change on one microphone.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Change {
    /// Step of the floor at which it begins.
    step: usize,
    /// The last pause before it and the first after it: speech in between hides when it began.
    between: (usize, usize),
    before_db: f64,
    after_db: f64,
}

impl Change {
    fn db(&self) -> f64 {
        self.after_db - self.before_db
    }
}

/// Levels of one microphone per step of the floor.
#[derive(Debug)]
pub(crate) struct Background {
    /// Above 60 Hz, whatever sounds.
    level: Vec<f64>,
    /// The same, the middle of the pauses within [`SMOOTHED`] steps.
    smooth: Vec<f64>,
    /// In single precision: they are kept for the whole take.
    octaves: Vec<[f32; OCTAVES]>,
    /// Steps without speech, and gaps between words that are lower still, ascending.
    pauses: Vec<usize>,
}

impl Background {
    /// Middle level of an octave over some steps, dBFS.
    fn octave_db(&self, steps: &[usize], octave: usize) -> f64 {
        let level = |&s: &usize| f64::from(self.octaves[s][octave]);
        median(&steps.iter().map(level).collect::<Vec<_>>())
    }
}

/// Those of a track, worked out once.
fn background<'a>(view: &'a TakeView<'_>, track: usize) -> &'a Background {
    let known = &view.known;
    known.tracks[track].background.get_or_init(|| {
        let pause = known.pauses.get_or_init(|| pauses(view));
        background_of(&view.tracks[track], pause)
    })
}

fn background_of(measures: &TrackMeasures, pause: &[bool]) -> Background {
    let groups: Vec<std::ops::Range<usize>> = (0..OCTAVES)
        .map(|k| {
            let middle = 63.0 * 2f64.powi(k as i32);
            bands_within(middle / 1.3, middle * 1.3)
        })
        .collect();
    let above = bands_within(60.0, 20_000.0);
    let frames = &measures.frames;
    let range = |s: usize| s * STEP..((s + 1) * STEP).min(frames.grid.frames);
    let level = |row: &[f64; BANDS], bands: &std::ops::Range<usize>| {
        power_db(row[bands.clone()].iter().sum()).max(QUIET_DB)
    };
    let levels = |s: usize| {
        let mut row = [0f64; BANDS];
        for f in range(s) {
            let powers = frames.codes(f);
            row.iter_mut()
                .zip(powers)
                .for_each(|(sum, power)| *sum += f64::from(power));
        }
        let row = row.map(|sum| sum / range(s).len().max(1) as f64);
        let octaves = std::array::from_fn(|k| level(&row, &groups[k]) as f32);
        (level(&row, &above), octaves)
    };
    let (level_of, octaves): (Vec<f64>, Vec<_>) = (0..pause.len()).map(levels).unzip();
    let open = |s: &usize| range(*s).all(|f| frames.power[f] > 0.0);
    let silent: Vec<usize> = (0..pause.len())
        .filter(|&s| pause[s])
        .filter(open)
        .collect();
    let pauses: Vec<usize> = (0..pause.len())
        .filter(|&s| pause[s] || between_words(&level_of, &silent, s))
        .filter(open)
        .collect();
    Background {
        smooth: smoothed(&level_of, &pauses),
        level: level_of,
        octaves,
        pauses,
    }
}

/// Steps on either side of which the middle level counts: what rumbles in one octave of lows scatters by 3 dB within 0.1 s.
const SMOOTHED: usize = 2;

/// Middle level of the pauses nearby (of an even number the lower: sounds only ever add to the background); the level itself
/// where there is none.
fn smoothed(level: &[f64], pauses: &[usize]) -> Vec<f64> {
    let mut smooth = level.to_vec();
    for run in pauses.chunk_by(|a, b| b - a == 1) {
        for &s in run {
            let first = s.saturating_sub(SMOOTHED).max(run[0]);
            let last = (s + SMOOTHED).min(run[run.len() - 1]);
            let mut near = level[first..=last].to_vec();
            near.sort_by(f64::total_cmp);
            smooth[s] = near[(near.len() - 1) / 2];
        }
    }
    smooth
}

/// A gap between words this far below the pauses on both sides shows a background that is lower than both, dB: words only
/// ever add to it. What lies a lot lower is a mute.
const GAP_DB: (f64, f64) = (3.0, 20.0);
/// Words and their decay move on: what stays for two steps, within so many dB, at a level that the pauses on either side
/// have, within so many, is the background, too.
const STAYS_DB: f64 = 1.0;
const AS_PAUSES_DB: f64 = 2.0;
/// Pauses on either side that it is compared with.
const NEAREST: usize = 12;

/// Whether a step within speech shows the background.
fn between_words(level: &[f64], silent: &[usize], step: usize) -> bool {
    let at = silent.partition_point(|&s| s < step);
    let middle = |part: &[usize]| {
        let levels: Vec<f64> = part.iter().map(|&s| level[s]).collect();
        (levels.len() >= LEAST_STEPS).then(|| median(&levels))
    };
    let before = middle(&silent[at.saturating_sub(NEAREST)..at]);
    let after = middle(&silent[at..(at + NEAREST).min(silent.len())]);
    let sides = [before, after];
    let Some(usual) = sides.into_iter().flatten().reduce(f64::min) else {
        return false;
    };
    let below = usual - level[step];
    let lower = below > GAP_DB.0 && below < GAP_DB.1;
    let near = |a: f64, b: f64, db: f64| (a - b).abs() <= db;
    let next = [step.wrapping_sub(1), step + 1];
    let mut next = next.iter().filter_map(|&s| level.get(s));
    let stays = next.any(|&l| near(l, level[step], STAYS_DB));
    let mut sides = sides.into_iter().flatten();
    lower || stays && sides.any(|s| near(s, level[step], AS_PAUSES_DB))
}

/// Steps of the floor in which nobody speaks, nor did within the room's decay.
fn pauses(view: &TakeView<'_>) -> Vec<bool> {
    let steps = view.grid.frames.div_ceil(STEP);
    let (before, after) = (view.grid.frames_in(0.1), view.grid.frames_in(0.4));
    let mut busy = vec![false; view.grid.frames];
    for (start, end) in runs(&view.speech.any) {
        busy[start.saturating_sub(before)..(end + after).min(view.grid.frames)].fill(true);
    }
    (0..steps)
        .map(|s| {
            let range = s * STEP..((s + 1) * STEP).min(busy.len());
            // The first and last frames see silence beyond the take.
            s > 0 && s + 1 < steps && !range.is_empty() && busy[range].iter().all(|b| !b)
        })
        .collect()
}

/// One side of a cut, nearest step first: `within_s` of it, or more until it is enough; `None` where it never is.
fn side(
    steps: impl Iterator<Item = usize>,
    least_span: usize,
    within_s: f64,
    per_s: f64,
) -> Option<Vec<usize>> {
    let mut taken: Vec<usize> = Vec::new();
    for step in steps {
        let span = taken.first().map_or(0, |&first| first.abs_diff(step));
        let near = taken.last().map_or(0, |&last| taken[0].abs_diff(last));
        let enough = taken.len() >= LEAST_STEPS && near >= least_span;
        if span as f64 > REACH_S * per_s || enough && span as f64 > within_s * per_s {
            break;
        }
        taken.push(step);
    }
    let span = taken.last().map_or(0, |&last| taken[0].abs_diff(last)) + 10;
    (taken.len() >= LEAST_STEPS && span >= least_span).then_some(taken)
}

/// A cut that counts: what it gains, its place among the pauses, and the change.
#[derive(Debug, Clone, Copy)]
struct Cut {
    gain: f64,
    at: usize,
    before_db: f64,
    after_db: f64,
}

/// The cut between two pauses, if it counts, against `within_s` of pauses on either side.
fn cut(
    b: &Background,
    pauses: &[usize],
    at: usize,
    within_s: f64,
    (least_db, hold): (f64, usize),
    per_s: f64,
) -> Option<Cut> {
    let least = (2.5 * per_s) as usize;
    let before = side(pauses[..at].iter().rev().copied(), least, within_s, per_s)?;
    let after = side(pauses[at..].iter().copied(), hold, within_s, per_s)?;
    let levels = |steps: &[usize]| steps.iter().map(|&s| b.smooth[s]).collect::<Vec<f64>>();
    let (old, new) = (levels(&before), levels(&after));
    let (before_db, after_db) = (median(&old), median(&new));
    let change = after_db - before_db;
    let scatter = |x: &[f64], middle: f64| {
        1.4826 * median(&x.iter().map(|v| (v - middle).abs()).collect::<Vec<_>>())
    };
    let scattered = |steps: &[usize]| {
        let moments: Vec<f64> = steps.iter().map(|&s| b.level[s]).collect();
        scatter(&moments, median(&moments))
    };
    let most = scatter(&old, before_db).max(scatter(&new, after_db));
    if change.abs() < least_db
        || change.abs() < OVER_SCATTER * most
        || most > MOST_SCATTER_DB + 0.1 * change.abs().min(MACHINE_DB)
        || scattered(&before) > MOST_MOMENT_SCATTER_DB
        || scattered(&after) > MOST_MOMENT_SCATTER_DB
    {
        return None;
    }
    // The first and last step of a side that are at its level.
    let ends = |steps: &[usize], middle: f64| {
        let near = (DIP_SHARE * change.abs()).max(2.0);
        let at_it = |s: &&usize| (b.smooth[**s] - middle).abs() <= near;
        let (first, last) = (steps.iter().find(at_it)?, steps.iter().rev().find(at_it)?);
        Some((*first.min(last), *first.max(last)))
    };
    let ((old_from, old_to), (new_from, new_to)) =
        (ends(&before, before_db)?, ends(&after, after_db)?);
    // Talk without a pause hides when a machine started or stopped; the last gap between words at the quieter level says that
    // it did not start before, the first that it had stopped by then.
    let quiet = |s: &usize| {
        let over = b.level[*s] - before_db.min(after_db);
        over < DIP_SHARE * change.abs() && over > -GAP_DB.1
    };
    let mut hidden = old_to..new_from;
    let gap = if change > 0.0 {
        hidden.rfind(quiet)
    } else {
        hidden.find(quiet)
    };
    let began = gap.unwrap_or(new_from);
    if ((old_to - old_from) as f64) < OLD_S * per_s
        || ((new_to - began) as f64) < NEW_SHARE * hold as f64
    {
        return None;
    }
    let sign = change.signum();
    let quartiles = [0.25, 0.75]
        .iter()
        .all(|&q| sign * (percentile(&new, q) - percentile(&old, q)) >= 0.65 * least_db);
    let moved: Vec<f64> = (0..OCTAVES)
        .map(|k| sign * (b.octave_db(&after, k) - b.octave_db(&before, k)))
        .collect();
    let together = moved.windows(2).any(|pair| pair.iter().all(|&m| m >= 2.0));
    if !quartiles || !together {
        return None;
    }
    let cost = |x: &[f64], middle: f64| {
        x.iter()
            .map(|v| (v - middle).abs().min(CLIP_DB))
            .sum::<f64>()
    };
    let all: Vec<f64> = old.iter().chain(&new).copied().collect();
    Some(Cut {
        gain: cost(&all, median(&all)) - cost(&old, before_db) - cost(&new, after_db),
        at,
        before_db,
        after_db,
    })
}

/// The old level has to be seen for this long, s, and the new one over this share of the time it has to hold: half a second of
/// quiet before a tune is no background.
const OLD_S: f64 = 2.0;
const NEW_SHARE: f64 = 0.7;
/// A step that comes this near to the quieter level, as a share of the change, is at that level; from the rest on it is at the
/// louder one.
const DIP_SHARE: f64 = 0.3;
/// So many of them, and the louder side is no background: steps, keys and music leave gaps, a machine does not.
const DIPS: usize = 2;

/// Whether the louder side of a cut falls back to the level of the quieter one for moments, in pauses or between words, and
/// returns. Where it stays down for `hold` steps the machine stopped, which is a change of its own.
fn dips(b: &Background, pauses: &[usize], cut: Cut, hold: usize, per_s: f64) -> bool {
    let reach = (REACH_S * per_s) as usize;
    let rises = cut.after_db > cut.before_db;
    let near = if rises {
        pauses[cut.at]
    } else {
        pauses[cut.at - 1]
    };
    let side = if rises {
        &pauses[cut.at..]
    } else {
        &pauses[..cut.at]
    };
    let change = (cut.after_db - cut.before_db).abs();
    let share = |s: usize| (b.level[s] - cut.before_db.min(cut.after_db)) / change;
    let loud: Vec<usize> = side
        .iter()
        .copied()
        .filter(|&s| s.abs_diff(near) < reach && share(s) > 1.0 - DIP_SHARE)
        .collect();
    let fallen: usize = loud
        .windows(2)
        .map(|pair| {
            let low: Vec<usize> = (pair[0]..pair[1])
                .filter(|&s| share(s) < DIP_SHARE)
                .collect();
            let span = low
                .last()
                .zip(low.first())
                .map_or(0, |(last, first)| last - first);
            if span < hold { low.len() } else { 0 }
        })
        .sum();
    fallen >= DIPS
}

/// Changes of one microphone's background, ascending.
fn changes_of(b: &Background, least_db: f64, hold: usize, per_s: f64) -> Vec<Change> {
    let mut found = Vec::new();
    let mut parts = vec![(0, b.pauses.len())];
    while let Some((first, last)) = parts.pop() {
        let pauses = &b.pauses[first..last];
        // The pauses nearby decide; where they are too few moments at one level, all within reach do.
        let best = [SIDE_S, REACH_S].into_iter().find_map(|within_s| {
            (LEAST_STEPS..pauses.len().saturating_sub(LEAST_STEPS - 1))
                .filter_map(|at| cut(b, pauses, at, within_s, (least_db, hold), per_s))
                .filter(|&found| !dips(b, pauses, found, hold, per_s))
                .max_by(|x, y| x.gain.total_cmp(&y.gain).then(y.at.cmp(&x.at)))
        });
        let Some(best) = best else {
            continue;
        };
        found.push(Change {
            step: onset(b, pauses, best, per_s),
            between: (pauses[best.at - 1], pauses[best.at]),
            before_db: best.before_db,
            after_db: best.after_db,
        });
        parts.push((first, first + best.at));
        parts.push((first + best.at, last));
    }
    found.sort_by_key(|c| c.step);
    found
}

/// Step of a change between the last pause before it and the first after it: a rise comes after the last dip to the old
/// level, a fall no later than the first dip below it; in any octave that changes by 3 dB, because words leave gaps in single
/// octaves far more often than in all.
fn onset(b: &Background, pauses: &[usize], cut: Cut, per_s: f64) -> usize {
    let (before, after) = (pauses[cut.at - 1], pauses[cut.at]);
    let rises = cut.after_db > cut.before_db;
    let bound = |old: f64, new: f64, value: &dyn Fn(usize) -> f64| {
        let share = |s: usize| (value(s) - old) / (new - old);
        if rises {
            let dip = (before..=after).rev().find(|&s| share(s) < 0.4);
            dip.map_or(before, |s| s + 1)
        } else {
            (before..=after).find(|&s| share(s) > 0.6).unwrap_or(after)
        }
    };
    let mut step = bound(cut.before_db, cut.after_db, &|s| b.level[s]);
    let old = side(pauses[..cut.at].iter().rev().copied(), 0, SIDE_S, per_s);
    let sides = old.zip(side(pauses[cut.at..].iter().copied(), 0, SIDE_S, per_s));
    let Some((old_steps, new_steps)) = sides else {
        return step;
    };
    // The lowest two octaves scatter too much within 0.1 s.
    for k in 2..OCTAVES {
        let (old, new) = (b.octave_db(&old_steps, k), b.octave_db(&new_steps, k));
        if (new - old).abs() < 3.0 || (new > old) != rises {
            continue;
        }
        let here = bound(old, new, &|s| f64::from(b.octaves[s][k]));
        step = if rises {
            step.max(here)
        } else {
            step.min(here)
        };
    }
    step
}

/// A change of one microphone that its sisters do not share.
#[derive(Debug, Clone, Copy)]
pub(crate) struct OwnChange {
    /// Step of the floor.
    pub(crate) step: usize,
    /// After less before, dB.
    pub(crate) change_db: f64,
    /// Largest less smallest change of the octaves that the background fills, dB.
    pub(crate) octave_spread_db: f64,
}

/// Changes of one microphone's background of which no other microphone shows half.
pub(crate) fn changes_of_track(view: &TakeView<'_>, track: usize, least_db: f64) -> Vec<OwnChange> {
    let per_s = view.grid.frames_per_s() / STEP as f64;
    let hold = (2.5 * per_s) as usize;
    let mine = background(view, track);
    let found = changes_of(mine, least_db, hold, per_s);
    if found.is_empty() {
        return Vec::new();
    }
    let others: Vec<&Background> = view
        .microphones()
        .into_iter()
        .filter(|&m| m != track)
        .map(|m| background(view, m))
        .collect();
    let moved = |b: &Background, step: usize, value: &dyn Fn(usize) -> f64| -> Option<f64> {
        let at = b.pauses.partition_point(|&s| s < step);
        let before = side(b.pauses[..at].iter().rev().copied(), 0, SIDE_S, per_s)?;
        let after = side(b.pauses[at..].iter().copied(), 0, SIDE_S, per_s)?;
        let middle = |steps: Vec<usize>| median(&steps.into_iter().map(value).collect::<Vec<_>>());
        Some(middle(after) - middle(before))
    };
    found
        .into_iter()
        .filter(|c| {
            others.iter().all(|b| {
                moved(b, c.step, &|s| b.level[s])
                    .is_none_or(|m| m * c.db().signum() < 0.5 * c.db().abs())
            })
        })
        .filter_map(|c| {
            let octaves: Vec<f64> = (1..OCTAVES)
                .filter_map(|k| moved(mine, c.step, &|s| f64::from(mine.octaves[s][k])))
                .collect();
            let most = octaves.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let least = octaves.iter().copied().fold(f64::INFINITY, f64::min);
            (octaves.len() == OCTAVES - 1).then_some(OwnChange {
                step: c.step,
                change_db: c.db(),
                octave_spread_db: most - least,
            })
        })
        .collect()
}

/// A change of the place: every microphone that shows it.
#[derive(Debug, Clone)]
struct Shared {
    on: Vec<(usize, Change)>,
}

impl Shared {
    /// Whether a change may have begun when one of these did, for all that the pauses tell.
    fn may_be(&self, change: &Change) -> bool {
        let within = |step: usize, (from, to): (usize, usize)| from <= step && step <= to;
        let one = |(_, c): &(usize, Change)| {
            within(c.step, change.between) && within(change.step, c.between)
        };
        self.on.iter().any(one)
    }

    fn step(&self) -> usize {
        let mut steps: Vec<usize> = self.on.iter().map(|(_, c)| c.step).collect();
        steps.sort_unstable();
        steps[steps.len() / 2]
    }
}

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let least_db = view.settings.get(&MIN_CHANGE_DB);
    let steps_per_s = view.grid.frames_per_s() / STEP as f64;
    let hold = (view.settings.get(&MIN_HOLD_S) * steps_per_s) as usize;
    let tracks = judged_tracks(view);
    let backgrounds: Vec<(usize, &Background)> =
        tracks.iter().map(|&t| (t, background(view, t))).collect();
    let mut all: Vec<(usize, Change)> = backgrounds
        .iter()
        .flat_map(|(t, b)| {
            changes_of(b, least_db, hold, steps_per_s)
                .into_iter()
                .map(move |c| (*t, c))
        })
        .collect();
    all.sort_by_key(|(t, c)| (c.step, *t));
    let near = (3.0 * steps_per_s) as usize;
    let mut groups: Vec<Shared> = Vec::new();
    for (track, change) in all {
        let fits = groups.last_mut().filter(|g| {
            (change.step <= g.step() + near || g.may_be(&change))
                && g.on[0].1.db() * change.db() > 0.0
                && g.on.iter().all(|(t, _)| *t != track)
        });
        match fits {
            Some(group) => group.on.push((track, change)),
            None => groups.push(Shared {
                on: vec![(track, change)],
            }),
        }
    }
    groups.retain(|g| of_the_place(g, &backgrounds, steps_per_s));
    let starts: Vec<usize> = groups.iter().map(Shared::step).collect();
    groups
        .iter()
        .enumerate()
        .map(|(i, group)| finding(view, group, starts[i], starts.get(i + 1).copied()))
        .collect()
}

/// Least change that one microphone of several can tell alone, dB.
const ALONE_DB: f64 = 4.3;

/// Whether a change is of the place: on the only microphone, or on at least two and half of them; or on one whose sisters,
/// steady in their own noise, move along a little.
fn of_the_place(group: &Shared, backgrounds: &[(usize, &Background)], per_s: f64) -> bool {
    if backgrounds.len() == 1 || group.on.len() >= 2 && 2 * group.on.len() >= backgrounds.len() {
        return true;
    }
    let step = group.step();
    if group.on.len() == 1 && group.on[0].1.db().abs() < ALONE_DB {
        return false;
    }
    let sign = group.on[0].1.db().signum();
    let margin = (2.5 * per_s) as usize;
    let along = backgrounds
        .iter()
        .filter(|(t, _)| group.on.iter().all(|(on, _)| on != t))
        .filter(|(_, b)| {
            let at = b.pauses.partition_point(|&s| s < step);
            let late = b.pauses.partition_point(|&s| s < step + margin);
            let levels = |steps: Vec<usize>| -> Vec<f64> {
                steps.into_iter().map(|s| b.smooth[s]).collect()
            };
            let old = side(b.pauses[..at].iter().rev().copied(), 0, SIDE_S, per_s);
            // Where talk leaves no other pause soon after, the one that the change lies in has to do.
            let soon = (b.pauses.get(late)).is_some_and(|&s| s < step + 2 * margin);
            let from = if soon { late } else { at };
            let sides = old.zip(side(b.pauses[from..].iter().copied(), 0, SIDE_S, per_s));
            let Some((before, after)) = sides.map(|(x, y)| (levels(x), levels(y))) else {
                return false;
            };
            let moved = sign * (median(&after) - median(&before));
            let wide = |x: &[f64]| percentile(x, 0.75) - percentile(x, 0.25);
            let widest = wide(&before).max(wide(&after));
            moved >= widest.max(0.5) && widest <= 2.5
        })
        .count();
    2 * (along + group.on.len()) > backgrounds.len() && along > 0
}

fn finding(view: &TakeView<'_>, group: &Shared, step: usize, next: Option<usize>) -> Finding {
    let grid = view.grid;
    let start = grid.sample(step * STEP);
    let end = next.map_or(grid.samples, |s| grid.sample(s * STEP));
    let tracks: Vec<usize> = {
        let mut on: Vec<usize> = group.on.iter().map(|(t, _)| *t).collect();
        on.sort_unstable();
        on
    };
    let largest = group
        .on
        .iter()
        .map(|(_, c)| *c)
        .max_by(|a, b| a.db().abs().total_cmp(&b.db().abs()))
        .unwrap_or(group.on[0].1);
    let change = largest.db();
    let confidence = match (tracks.len(), change.abs()) {
        (1, _) => 0.85,
        (_, c) if c >= 5.0 => 0.96,
        _ => 0.88,
    };
    view.finding_on("noise_change", &tracks, start, end)
        .severity(Severity::Caution)
        .confidence(confidence)
        .origin(Origin::Place)
        .number("change_db", change, 1)
        .number("before_dbfs", largest.before_db, 1)
        .number("after_dbfs", largest.after_db, 1)
        .fact("microphones", tracks.len())
        .says(
            format!(
                "The background {} by {:.0} dB on {}.",
                if change > 0.0 { "rises" } else { "falls" },
                change.abs(),
                names(view, &tracks)
            ),
            if change > 0.0 {
                "Something started: find it before the next take, and record room tone of both states."
            } else {
                "Something stopped: keep it off or on for the whole scene, and record room tone of both states."
            },
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of_levels(level: Vec<f64>, pauses: Vec<usize>) -> Background {
        Background {
            octaves: level.iter().map(|&l| [l as f32 - 9.0; OCTAVES]).collect(),
            smooth: smoothed(&level, &pauses),
            pauses,
            level,
        }
    }

    /// 40 s of background in 0.1 s steps with a ripple, a change from 20 s on, and speech from 12 to 24 s with gaps between
    /// words at 17 s and 21.5 s.
    fn steps(change_db: f64, ramp: usize) -> Background {
        let level: Vec<f64> = (0..400)
            .map(|s| {
                let share = ((s as f64 - 200.0) / ramp.max(1) as f64).clamp(0.0, 1.0);
                let noise = -60.0 + 0.4 * (s as f64 * 0.37).sin() + change_db * share;
                let speaks = (120..240).contains(&s) && s != 170 && s != 215;
                if speaks { -30.0 } else { noise }
            })
            .collect();
        of_levels(
            level,
            (0..400).filter(|s| !(120..240).contains(s)).collect(),
        )
    }

    #[test]
    fn changes_behind_speech_are_placed_by_the_dips_between_words() {
        for (db, ramp, step) in [
            (5.0, 1, 171),
            (8.0, 10, 171),
            (-6.0, 1, 215),
            (-10.0, 10, 215),
        ] {
            let found = changes_of(&steps(db, ramp), 3.8, 40, 10.0);
            assert_eq!(found.len(), 1, "{db} {ramp}: {found:?}");
            assert!((found[0].db() - db).abs() < 0.5);
            assert_eq!(found[0].step, step, "{db} {ramp}");
        }
    }

    /// A second of pause before the change, a gap between words that still rings, and the quiet long before: enough of the old
    /// level is within reach, though not within the nearest pauses.
    #[test]
    fn a_change_after_long_talk_with_short_pauses_is_told() {
        let level: Vec<f64> = (0..400)
            .map(|s| match s {
                0..=29 | 158..=166 => -72.0 + 0.2 * (s as f64 * 0.9).sin(),
                74..=77 => -69.0,
                200..=239 | 300..=399 => -63.0 + 0.2 * (s as f64 * 0.7).sin(),
                _ => -35.0,
            })
            .collect();
        let pauses = (0..400).filter(|&s| level[s] < -60.0).collect();
        let b = of_levels(level, pauses);
        let found = changes_of(&b, 3.8, 40, 10.0);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].db() - 9.0).abs() < 0.5, "{found:?}");
    }

    /// A second of pause after the machine starts, and one gap between words that stays at its level: it holds.
    #[test]
    fn a_gap_between_words_at_the_level_of_the_pauses_is_a_pause() {
        let level: Vec<f64> = (0..400)
            .map(|s| match s {
                0..=80 | 150..=158 | 280..=399 => -76.0 + 0.2 * (s as f64 * 0.9).sin(),
                160..=170 | 200..=201 => -68.0 + 0.2 * (s as f64 * 0.7).sin(),
                _ => -35.0,
            })
            .collect();
        let silent: Vec<usize> = (0..400)
            .filter(|&s| level[s] < -60.0 && !(200..=201).contains(&s))
            .collect();
        let gap = |s| between_words(&level, &silent, s);
        assert!(gap(200) && gap(201) && !gap(199) && !gap(202));
        let pauses = (0..400)
            .filter(|&s| silent.contains(&s) || gap(s))
            .collect();
        let found = changes_of(&of_levels(level.clone(), pauses), 3.8, 40, 10.0);
        assert_eq!(found.len(), 2, "{found:?}");
        assert_eq!(found[0].step, 159, "{found:?}");
        assert!((found[0].db() - 8.0).abs() < 0.5 && (found[1].db() + 8.0).abs() < 0.5);
        assert!(changes_of(&of_levels(level, silent), 3.8, 40, 10.0).is_empty());
    }

    /// The new level at the end lasts too short a time by itself; the first gap between words has it long before.
    #[test]
    fn a_machine_that_stopped_behind_talk_is_told_by_the_first_gap() {
        let talk = |gap: bool| -> Background {
            let level: Vec<f64> = (0..400)
                .map(|s| match s {
                    0..=100 => -60.0 + 0.2 * (s as f64 * 0.9).sin(),
                    300 if gap => -67.0,
                    362..=365 => -58.0,
                    376..=399 => -67.0 + 0.2 * (s as f64 * 0.7).sin(),
                    _ => -35.0,
                })
                .collect();
            let pauses = (0..400).filter(|&s| level[s] < -50.0 && s != 300).collect();
            of_levels(level, pauses)
        };
        let found = changes_of(&talk(true), 3.8, 40, 10.0);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].db() + 7.0).abs() < 0.5, "{found:?}");
        assert!(changes_of(&talk(false), 3.8, 40, 10.0).is_empty());
    }

    #[test]
    fn small_changes_scatter_and_short_takes_are_silent() {
        assert!(changes_of(&steps(2.0, 1), 3.8, 40, 10.0).is_empty());
        let mut level = steps(0.0, 1).level;
        for (s, level) in level.iter_mut().enumerate() {
            *level += if s > 200 { 5.0 } else { 0.0 } + 5.0 * (s as f64 * 0.3).sin();
        }
        let music = of_levels(level, steps(0.0, 1).pauses);
        assert!(changes_of(&music, 3.8, 40, 10.0).is_empty());
        let short = of_levels(vec![-60.0; 5], (0..5).collect());
        assert!(changes_of(&short, 3.8, 40, 10.0).is_empty());
    }
}
