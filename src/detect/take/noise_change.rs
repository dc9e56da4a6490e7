//! `noise_change`: the background changed during the take.
//!
//! Fault: a machine started or stopped, a plane passed, a door to the street was opened.
//! Signature: the opened band levels step or ramp from one steady level to another, on most microphones in the same direction.
//! Decision: least-squares change points per microphone over the opened octave levels; accepted from `min_change_db` of the
//! level above 60 Hz where the levels on both sides hold for `min_hold_s` and two neighbouring octaves move together; joined
//! over microphones. A change on one microphone of several is no change of the place and not reported here.
//! Must not fire on: speech without pauses, music, effects, a microphone that is muffled, muted or turned down.
//! Known misses: slow drifts (over more than about 8 s), changes under talk that never pauses.
//! Source: detection practice for background changes (opening before closing, penalised least squares).

use crate::compare::speech::runs;
use crate::detect::hearing::{judged_tracks, median, names};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::TrackMeasures;
use crate::measure::floor::STEP;
use crate::measure::frames::bands_within;
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
        measured_by: "Background per octave (minimum over 6 s that keeps steps in place), change points by least squares.",
        not_to_confuse: "Passing noises below five seconds, and changes on one microphone only, are not reported here.",
    },
    params: &[&MIN_CHANGE_DB, &MIN_HOLD_S],
    run: Run::Take(run),
};

/// Length of the opening, seconds; at most a third of the take.
const OPENING_S: f64 = 4.0;
/// Octaves that are looked at.
const OCTAVES: usize = 8;
/// Standard deviation that the opened octave levels are scaled to, dB.
const SIGMA_DB: f64 = 0.8;
/// Steps of the floor per cell of the change point search (0.5 s).
const CELL: usize = 5;

/// A change on one microphone.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Change {
    /// Step of the floor at which it begins.
    step: usize,
    before_db: f64,
    after_db: f64,
}

impl Change {
    fn db(&self) -> f64 {
        self.after_db - self.before_db
    }
}

/// Levels of one microphone's background: octaves, and all above 60 Hz.
struct Background {
    octaves: Vec<[f64; OCTAVES]>,
    level: Vec<f64>,
    /// Level above 60 Hz as it was, where nobody speaks; `None` elsewhere.
    pauses: Vec<Option<f64>>,
}

/// The background in the pauses of the take: opened levels of the steps without speech. Where nobody pauses for as long as
/// the opening, the value before is kept.
fn background(measures: &TrackMeasures, pause: &[bool]) -> Background {
    let groups: Vec<std::ops::Range<usize>> = (0..OCTAVES)
        .map(|k| {
            let middle = 63.0 * 2f64.powi(k as i32);
            bands_within(middle / 1.3, middle * 1.3)
        })
        .collect();
    let above = bands_within(60.0, 20_000.0);
    let length = ((OPENING_S * measures.floor.grid.frames_per_s() / STEP as f64) as usize)
        .min(pause.len() / 3)
        .max(1);
    let series = |bands: std::ops::Range<usize>| -> Vec<Option<f64>> {
        pause
            .iter()
            .enumerate()
            .map(|(s, &p)| p.then(|| step_level(measures, s, bands.clone())).flatten())
            .collect()
    };
    let octaves: Vec<Vec<f64>> = groups
        .into_iter()
        .map(|bands| opened(&series(bands), length))
        .collect();
    let pauses = series(above);
    Background {
        octaves: (0..pause.len())
            .map(|s| std::array::from_fn(|k| octaves[k][s]))
            .collect(),
        level: opened(&pauses, length),
        pauses,
    }
}

/// Level of one step of the floor in a range of bands; `None` for digital silence.
fn step_level(measures: &TrackMeasures, step: usize, bands: std::ops::Range<usize>) -> Option<f64> {
    let frames = &measures.frames;
    let range = step * STEP..((step + 1) * STEP).min(frames.grid.frames);
    if range.is_empty() || range.clone().any(|f| frames.power[f] == 0.0) {
        return None;
    }
    let count = range.len() as f64;
    let sum: f64 = range.map(|f| frames.band_power(f, bands.clone())).sum();
    Some(power_db(sum / count).max(-150.0))
}

/// Opening (moving minimum, then moving maximum) over the values that are there; gaps longer than the window keep the value
/// before, or at the start the one after.
fn opened(x: &[Option<f64>], length: usize) -> Vec<f64> {
    let n = x.len();
    let window = |i: usize| i.saturating_sub(length / 2)..(i + length - length / 2).min(n);
    let eroded: Vec<Option<f64>> = (0..n)
        .map(|i| x[window(i)].iter().flatten().copied().reduce(f64::min))
        .collect();
    let mut out: Vec<Option<f64>> = (0..n)
        .map(|i| eroded[window(i)].iter().flatten().copied().reduce(f64::max))
        .collect();
    let mut held = out.iter().flatten().next().copied().unwrap_or(-150.0);
    for value in &mut out {
        held = value.unwrap_or(held);
        *value = Some(held);
    }
    out.into_iter().flatten().collect()
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

/// Whether the pauses of a stretch hold its level: most lie within 2 dB of it, and there are enough of them. What fills
/// pauses without being steady (music, typing, laughter) does not.
fn holds(b: &Background, range: std::ops::Range<usize>, level: f64) -> bool {
    let inside: Vec<f64> = b.pauses[range].iter().flatten().copied().collect();
    let near = inside.iter().filter(|&&p| (p - level).abs() <= 2.5).count();
    inside.len() >= 8 && 2 * near >= inside.len()
}

/// Boundaries (cells) that minimise squared error plus a penalty per change, segments at least `least` cells long.
fn change_points(x: &[[f64; OCTAVES]], least: usize) -> Vec<usize> {
    let n = x.len();
    if n < 2 * least {
        return Vec::new();
    }
    let mut sums = vec![[0.0; OCTAVES]; n + 1];
    let mut squares = vec![0.0; n + 1];
    for (i, row) in x.iter().enumerate() {
        squares[i + 1] = squares[i] + row.iter().map(|v| v * v).sum::<f64>();
        sums[i + 1] = std::array::from_fn(|k| sums[i][k] + row[k]);
    }
    let cost = |a: usize, b: usize| {
        let within: f64 = (0..OCTAVES)
            .map(|k| (sums[b][k] - sums[a][k]).powi(2))
            .sum();
        squares[b] - squares[a] - within / (b - a) as f64
    };
    let penalty = 6.0 * OCTAVES as f64 * (n as f64).ln();
    let mut best = vec![f64::INFINITY; n + 1];
    let mut last = vec![0usize; n + 1];
    best[0] = -penalty;
    // Candidates for the last change; those that can never win again are dropped (pruned exact search).
    let mut candidates: Vec<usize> = vec![0];
    for t in least..=n {
        if t >= 2 * least {
            candidates.push(t - least);
        }
        for &s in &candidates {
            let total = best[s] + cost(s, t) + penalty;
            if total < best[t] {
                (best[t], last[t]) = (total, s);
            }
        }
        let limit = best[t];
        candidates.retain(|&s| best[s] + cost(s, t) <= limit);
        if candidates.is_empty() {
            candidates.push(last[t]);
        }
    }
    let mut points = Vec::new();
    let mut t = last[n];
    while t > 0 {
        points.push(t);
        t = last[t];
    }
    points.reverse();
    points
}

/// Changes of one microphone's background.
fn changes_of(b: &Background, least_db: f64, hold_steps: usize) -> Vec<Change> {
    let cells: Vec<[f64; OCTAVES]> = b
        .octaves
        .chunks(CELL)
        .map(|part| {
            std::array::from_fn(|k| {
                part.iter().map(|row| row[k]).sum::<f64>() / part.len() as f64 / SIGMA_DB
            })
        })
        .collect();
    let points = change_points(&cells, (hold_steps / CELL).max(1));
    let mut edges: Vec<usize> = vec![0];
    edges.extend(points.iter().map(|p| p * CELL));
    edges.push(b.level.len());
    // A ramp is cut in several pieces: neighbouring segments that differ in one direction by steps below the hold are one.
    let inner = |a: usize, z: usize| {
        let trim = ((z - a) / 4).min(10);
        a + trim..z - trim
    };
    (1..edges.len().saturating_sub(1))
        .filter_map(|i| {
            let (before, after) = (inner(edges[i - 1], edges[i]), inner(edges[i], edges[i + 1]));
            let change = Change {
                step: edges[i],
                before_db: median(&b.level[before.clone()]),
                after_db: median(&b.level[after.clone()]),
            };
            let octave = |k: usize, range: &std::ops::Range<usize>| {
                median(
                    &b.octaves[range.clone()]
                        .iter()
                        .map(|row| row[k])
                        .collect::<Vec<_>>(),
                )
            };
            let moved: Vec<f64> = (0..OCTAVES)
                .map(|k| octave(k, &after) - octave(k, &before))
                .collect();
            let together = moved
                .windows(2)
                .any(|pair| pair.iter().all(|m| m * change.db().signum() >= 2.0));
            let steady = holds(b, before.clone(), change.before_db)
                && holds(b, after.clone(), change.after_db);
            (change.db().abs() >= least_db && together && steady).then(|| Change {
                step: onset(&b.level, edges[i - 1], edges[i], edges[i + 1], change),
                ..change
            })
        })
        .collect()
}

/// Step at which the level leaves its old value: back from where it has done half the way.
fn onset(level: &[f64], first: usize, edge: usize, last: usize, change: Change) -> usize {
    let share = |s: usize| (level[s] - change.before_db) / change.db();
    let reach = 40;
    let middle = (edge.saturating_sub(reach).max(first)..(edge + reach).min(last))
        .min_by(|&a, &b| {
            (share(a) - 0.5)
                .abs()
                .total_cmp(&(share(b) - 0.5).abs())
                .then(a.cmp(&b))
        })
        .unwrap_or(edge);
    let mut step = middle;
    while step > first && share(step - 1) > 0.12 {
        step -= 1;
    }
    step
}

/// A change of the place: every microphone that shows it.
#[derive(Debug, Clone)]
struct Shared {
    on: Vec<(usize, Change)>,
}

impl Shared {
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
    let pause = pauses(view);
    let backgrounds: Vec<(usize, Background)> = tracks
        .iter()
        .map(|&t| (t, background(&view.tracks[t], &pause)))
        .collect();
    let mut all: Vec<(usize, Change)> = backgrounds
        .iter()
        .flat_map(|(t, b)| {
            changes_of(b, least_db, hold)
                .into_iter()
                .map(move |c| (*t, c))
        })
        .collect();
    all.sort_by_key(|(t, c)| (c.step, *t));
    let near = (2.5 * steps_per_s) as usize;
    let mut groups: Vec<Shared> = Vec::new();
    for (track, change) in all {
        let fits = groups.last_mut().filter(|g| {
            change.step <= g.step() + near
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
    groups.retain(|g| of_the_place(g, &backgrounds, near));
    let starts: Vec<usize> = groups.iter().map(Shared::step).collect();
    groups
        .iter()
        .enumerate()
        .map(|(i, group)| finding(view, group, starts[i], starts.get(i + 1).copied()))
        .collect()
}

/// Whether a change is of the place: on at least two microphones, or on the only one; or on one whose sisters move along a
/// little because their own noise covers the rest.
fn of_the_place(group: &Shared, backgrounds: &[(usize, Background)], near: usize) -> bool {
    if backgrounds.len() == 1 || group.on.len() >= 2 && 2 * group.on.len() >= backgrounds.len() {
        return true;
    }
    let step = group.step();
    let sign = group.on[0].1.db().signum();
    let others = backgrounds
        .iter()
        .filter(|(t, _)| group.on.iter().all(|(on, _)| on != t));
    let (mut along, mut against) = (0, 0);
    for (_, b) in others {
        let n = b.level.len();
        let side = |range: std::ops::Range<usize>| median(&b.level[range]);
        let before = step.saturating_sub(2 * near + 10)..step.saturating_sub(5).max(1);
        let after = (step + near).min(n - 1)..(step + 3 * near + 10).min(n);
        let moved = sign * (side(after) - side(before));
        if moved >= 0.6 {
            along += 1;
        } else {
            against += 1;
        }
    }
    along > 0 && along >= against
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
        (1, _) => 0.7,
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

    /// 40 s of background in 0.1 s steps with a ripple, and a change from 20 s on.
    fn steps(change_db: f64, ramp: usize) -> Background {
        let level: Vec<f64> = (0..400)
            .map(|s| {
                let share = ((s as f64 - 200.0) / ramp.max(1) as f64).clamp(0.0, 1.0);
                -60.0 + 0.4 * (s as f64 * 0.37).sin() + change_db * share
            })
            .collect();
        Background {
            octaves: level.iter().map(|&l| [l - 9.0; OCTAVES]).collect(),
            pauses: level.iter().copied().map(Some).collect(),
            level,
        }
    }

    #[test]
    fn steps_and_ramps_are_found_where_they_begin() {
        for (db, ramp) in [(5.0, 1), (-6.0, 1), (8.0, 20), (-10.0, 20)] {
            let found = changes_of(&steps(db, ramp), 3.8, 40);
            assert_eq!(found.len(), 1, "{db} {ramp}: {found:?}");
            assert!((found[0].db() - db).abs() < 0.5);
            assert!(
                found[0].step.abs_diff(200) <= 6,
                "{db} {ramp}: {}",
                found[0].step
            );
        }
    }

    #[test]
    fn small_changes_and_short_takes_are_silent() {
        assert!(changes_of(&steps(2.0, 1), 3.8, 40).is_empty());
        let short = Background {
            octaves: vec![[-60.0; OCTAVES]; 5],
            level: vec![-60.0; 5],
            pauses: vec![Some(-60.0); 5],
        };
        assert!(changes_of(&short, 3.8, 40).is_empty());
    }
}
