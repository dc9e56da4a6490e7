//! Wave tops cut off below full scale.
//!
//! *Fault.* Something ahead of the recorder ran out of level: transmitter, capsule, preamplifier. The recorder's own level looks
//! harmless.
//!
//! *Signature.* The loudest tops, and only they, are made of two corners with a straight line between them, level or sloping
//! (a high-pass behind the overload tilts it); or, with a rounded characteristic, the loudest tops are wider near their height
//! than the ones below. Level-dependence is the proof: a voice has the same shapes at all levels.
//!
//! *Decision.* Over the tops within 6 dB of the loudest, from the loudest down, corners speak for the fault and smooth tops
//! against it (log odds); the best stretch from the top must reach `min_log_odds`, with at least `min_ratio` times the share of
//! corners that the tops below it have. Or: the tops of the uppermost stretch are wider by `min_widening` than those below,
//! over at least `min_tops` tops and eight standard errors, and crowd at the ceiling. Integer runs on one value below the
//! recorder's rail prove it alone. Tops that show it, closer than 250 ms, are one burst.
//!
//! *Must not fire on.* Limiters (shapes stay those of a voice); square waves, buzzers and timecode (corners at all levels);
//! shouts; float files at any level; held samples in gaps; tops pinned at the rail (`clipping`).
//!
//! *Known misses.* One or two cut tops in a whole take; a very soft knee on a few words; a louder knock after the overload.
//!
//! *Source.* A clipped wave has its curvature in two points; second differences survive a tilt, histograms do not.

use super::clipping::JOIN_S;
use crate::detect::hearing::judged_tracks;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::tops::Top;
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units;

/// Evidence of corners.
pub static MIN_LOG_ODDS: Param = Param {
    key: "flat_top.min_log_odds",
    default: 10.0,
    unit: "1",
    range: (3.0, 100.0),
    why: "clean voices reach 7 by chance over some hundred tracks; three sharp tops and no smooth one among them make 9",
};
/// Share of corners among the tops concerned over that among the tops below.
pub static MIN_RATIO: Param = Param {
    key: "flat_top.min_ratio",
    default: 1.9,
    unit: "1",
    range: (1.0, 20.0),
    why: "square-like sounds have corners at all levels: ratios up to 1.6",
};
/// Widening of the uppermost tops.
pub static MIN_WIDENING: Param = Param {
    key: "flat_top.min_widening",
    default: 0.08,
    unit: "1",
    range: (0.02, 0.5),
    why: "width near the height over width at half of it: 0.43 for a sine; a rounded overload adds 0.1 and more to the loudest",
};
/// Number of tops that must be wider.
pub static MIN_TOPS: Param = Param {
    key: "flat_top.min_tops",
    default: 40.0,
    unit: "1",
    range: (10.0, 1000.0),
    why: "tops of one vowel resemble each other; forty within 2 dB of the loudest come from several",
};
/// A corner counts from this score on.
const CORNER: f32 = 3.0;
/// Tops within this factor of a rail belong to `clipping`.
const AT_THE_RAIL: f32 = 0.985;
/// Least weight of a burst: one clear top, or two plain ones.
const LEAST_BURST: f64 = 1.4;
/// The longest straight piece between two corners has to last this long, s: what is shorter is within the shape of a voice;
/// unless corners speak so plainly for the fault that no length is needed, log odds.
const FLAT_S: f64 = 0.000_16;
const PLAIN_ODDS: f64 = 60.0;
/// Number of tops that the tops below have to outweigh to be unlike those above.
const ALIKE: f64 = 4.0;
/// Tops this near to a ceiling at which they crowd were cut, dB.
const CROWD_DB: f64 = 0.35;
/// Weight of a top that is cut because others crowd at its height, and of a run of equal samples.
const CROWDS: f64 = 2.0;
const PROVEN: f64 = 3.0;
/// In a mix corners of one microphone are rounded by the others: a burst there needs more.
const LEAST_BURST_OF_A_MIX: f64 = 3.5;

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "flat_top",
    explain: Explain {
        means: "Wave tops are cut off although the recorder had room: something ahead of it was overloaded.",
        sounds_like: "Fuzzy, squashed or crackling loud words at a harmless level.",
        usual_cause: "Transmitter or capsule gain too high for the voice, or a limiter in the pack driven hard.",
        do_now: "Lower the gain at the transmitter, not at the recorder. Use the boom for these words, or ask for one more.",
        measured_by: "Corners with a straight line between them on the loudest tops only, level or sloping; or tops that grow wide only near one height.",
        not_to_confuse: "Clipping is the same at the recorder's own full scale. A limiter lowers peaks without cutting them. Buzzers and timecode are square at every level.",
    },
    params: &[&MIN_LOG_ODDS, &MIN_RATIO, &MIN_WIDENING, &MIN_TOPS],
    run: Run::Track(run),
};

/// What a knee score says for (positive) or against an overload: log odds of its share among cut and among whole tops.
fn odds(knee: f32) -> f64 {
    match knee {
        k if k > 8.0 => 3.0,
        k if k > 6.0 => 2.4,
        k if k > 4.0 => 1.5,
        k if k > CORNER => 0.7,
        _ => -0.75,
    }
}

/// The tops of a track seen from the loudest down.
struct Shape {
    /// Tops within 6 dB of the loudest with their level re the loudest in dB, from the loudest down.
    tops: Vec<(Top, f64)>,
    /// Log odds of the best stretch from the loudest down, its number of tops, shares of corners in it and below it.
    log_odds: f64,
    count: usize,
    share: f64,
    share_below: f64,
    /// Widening of the uppermost tops, in standard errors, over how many.
    widening: f64,
    errors: f64,
    wide: usize,
}

fn shape(tops: &[Top]) -> Option<Shape> {
    let loudest = tops.iter().map(|t| t.level).fold(0f32, f32::max);
    let mut tops: Vec<(Top, f64)> = tops
        .iter()
        .filter(|t| t.level > 0.5 * loudest)
        .map(|t| (*t, units::db(f64::from(t.level / loudest))))
        .collect();
    if tops.len() < 3 {
        return None;
    }
    tops.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.at.cmp(&b.0.at)));
    let (mut sum, mut log_odds, mut count) = (0.0, f64::NEG_INFINITY, 0);
    for (i, (top, _)) in tops.iter().enumerate() {
        sum += odds(top.knee);
        if sum > log_odds {
            (log_odds, count) = (sum, i + 1);
        }
    }
    let corners = |part: &[(Top, f64)]| part.iter().filter(|(t, _)| t.knee > CORNER).count() as f64;
    let (above, below) = tops.split_at(count);
    let share = corners(above) / above.len() as f64;
    // Until tops below have shown otherwise, they are thought to be like those above: corners at all levels prove nothing.
    let share_below = (corners(below) + ALIKE * share) / (below.len() as f64 + ALIKE);
    let (mut widening, mut errors, mut wide) = (0.0, 0.0, 0);
    for cut in [0.3, 0.6, 1.0, 1.5, 2.0] {
        let width = |keep: &dyn Fn(f64) -> bool| -> Vec<f64> {
            let kept = tops.iter().filter(|(_, db)| keep(*db));
            kept.map(|(t, _)| f64::from(t.width)).collect()
        };
        let upper = width(&|db| db > -cut);
        let lower = width(&|db| db < -cut - 0.5 && db > -cut - 4.5);
        if upper.len() < 6 || lower.len() < 10 {
            continue;
        }
        let ((a, va), (b, vb)) = (mean_and_variance(&upper), mean_and_variance(&lower));
        let error = (va / upper.len() as f64 + vb / lower.len() as f64 + 1e-9).sqrt();
        if (a - b) / error > errors {
            (widening, errors, wide) = (a - b, (a - b) / error, upper.len());
        }
    }
    Some(Shape {
        tops,
        log_odds,
        count,
        share,
        share_below,
        widening,
        errors,
        wide,
    })
}

fn mean_and_variance(x: &[f64]) -> (f64, f64) {
    let n = x.len().max(1) as f64;
    let mean = x.iter().sum::<f64>() / n;
    (mean, x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n)
}

/// A top that shows the fault, with what it weighs.
struct Marked {
    start: u64,
    end: u64,
    weight: f64,
    flat: u32,
}

impl Marked {
    /// A top that is cut only because others crowd at its height.
    fn crowding(top: &Top, weight: f64) -> Marked {
        Marked {
            start: top.at.saturating_sub(3),
            end: top.at + 3,
            weight,
            flat: 0,
        }
    }
}

/// Tops closer than [`JOIN_S`], in order: those of each burst, its end and its longest flat piece.
fn joined(marked: &[Marked], rate: u32) -> impl Iterator<Item = (&[Marked], u64, u32)> {
    let join = units::samples(JOIN_S, rate);
    marked
        .chunk_by(move |a, b| b.start < a.end + join)
        .map(|burst| {
            let end = burst.iter().map(|m| m.end).max().unwrap_or(burst[0].end);
            let longest = burst.iter().map(|m| m.flat).max().unwrap_or(0);
            (burst, end, longest)
        })
}

impl Shape {
    fn within(&self, low_db: f64, high_db: f64) -> usize {
        let inside = |db: f64| db >= low_db && db <= high_db;
        self.tops.iter().filter(|(_, db)| inside(*db)).count()
    }

    /// Whether tops crowd at a height, dB re the loudest: every top that reaches it was cut, whatever its corners look like.
    fn crowded(&self, ceiling: f64) -> bool {
        let crowd = self.within(ceiling - 0.3, ceiling + 0.3);
        crowd >= 8 && 5 * crowd > 4 * self.within(ceiling - 1.7, ceiling - 0.5)
    }

    /// Tops at a level that runs of equal samples prove to be a ceiling, where they crowd there.
    fn at_ceiling(&self, level: f32) -> Vec<Marked> {
        let ceiling = units::db(f64::from(level / self.tops[0].0.level));
        if !self.crowded(ceiling) {
            return Vec::new();
        }
        let reaches = |db: f64| (db - ceiling).abs() <= CROWD_DB;
        let tops = self.tops.iter().filter(|(_, db)| reaches(*db));
        tops.map(|(t, _)| Marked::crowding(t, CROWDS)).collect()
    }

    /// Tops that show the fault; empty when the shapes do not prove one. Second: the ceiling in dB re the loudest top.
    fn marked(&self, view: &TakeView<'_>) -> (Vec<Marked>, f64) {
        let get = |param| view.settings.get(param);
        let longest = self.tops[..self.count]
            .iter()
            .filter(|(t, _)| t.knee > CORNER)
            .map(|(t, _)| f64::from(t.flat.1))
            .fold(0.0, f64::max);
        let lasts = longest >= FLAT_S * f64::from(view.take.rate) || self.log_odds >= PLAIN_ODDS;
        let sharp = lasts
            && self.log_odds >= get(&MIN_LOG_ODDS)
            && self.count >= 4
            && self.share >= get(&MIN_RATIO) * self.share_below;
        let soft = self.widening >= get(&MIN_WIDENING)
            && self.errors >= 8.0
            && self.wide as f64 >= get(&MIN_TOPS)
            && 10 * self.within(-0.6, 0.0) >= self.within(-4.0, 0.0);
        if !sharp && !soft {
            return (Vec::new(), 0.0);
        }
        let lowest = self.tops[self.count - 1].1;
        let mut ceiling = -0.2;
        if sharp {
            let clear = |(t, db): &&(Top, f64)| *db >= lowest && t.knee > 4.0;
            let levels: Vec<f64> = self.tops.iter().filter(clear).map(|(_, db)| *db).collect();
            ceiling = levels.get(levels.len() / 2).copied().unwrap_or(0.0);
        }
        let crowded = self.crowded(ceiling);
        let reach = if soft && !crowded { 0.6 } else { CROWD_DB };
        let mut marked: Vec<Marked> = self
            .tops
            .iter()
            .filter_map(|(t, db)| {
                let corner = sharp && *db >= lowest && t.knee > CORNER;
                let crowds = (crowded || soft) && *db >= ceiling - reach;
                let mut weight = if corner { odds(t.knee) } else { 0.0 };
                if crowds {
                    weight = weight.max(CROWDS);
                }
                let marked = if t.knee > CORNER {
                    Marked {
                        start: t.flat.0,
                        end: (t.flat.0 + u64::from(t.flat.1)).max(t.at + 1),
                        weight,
                        flat: t.flat.1,
                    }
                } else {
                    Marked::crowding(t, weight)
                };
                (weight > 0.0).then_some(marked)
            })
            .collect();
        marked.sort_by_key(|m| m.start);
        (marked, ceiling)
    }
}

fn run(view: &TakeView<'_>, position: usize) -> Vec<Finding> {
    let track = view.track(position);
    // A mix beside its microphones has their faults, told there, and a limiter at its ceiling, which is none.
    if !judged_tracks(view).contains(&position) {
        return Vec::new();
    }
    let m = &view.tracks[position];
    let signal = view.take.signal();
    let clipped = m.rails.clipped(signal, &m.frames);
    let pinned: Vec<_> = m
        .rails
        .pinned(signal, &m.frames)
        .into_iter()
        .filter(|r| !clipped.contains(r) && r.runs.len() >= 3)
        .collect();
    let at_the_rail = clipped.iter().map(|r| r.value).fold(f32::MAX, f32::min) * AT_THE_RAIL;
    let tops: Vec<Top> = m
        .tops
        .list
        .iter()
        .filter(|t| t.level < at_the_rail)
        .copied()
        .collect();
    let shape = shape(&tops);
    if !pinned.is_empty() {
        return from_runs(view, position, &pinned, shape.as_ref());
    }
    let Some(shape) = shape else {
        return Vec::new();
    };
    let (marked, ceiling_db) = shape.marked(view);
    let loudest = units::db(f64::from(shape.tops[0].0.level));
    if loudest < background_db(m) + ABOVE_BACKGROUND_DB {
        return Vec::new();
    }
    let least = if track.role == Role::Mix {
        LEAST_BURST_OF_A_MIX
    } else {
        LEAST_BURST
    };
    joined(&marked, view.take.rate)
        .filter_map(|(burst, end, longest)| {
            let weight: f64 = burst.iter().map(|m| m.weight).sum();
            if weight < least {
                return None;
            }
            let finding = view
                .finding("flat_top", position, burst[0].start, end)
                .confidence(if weight >= 3.0 { 0.97 } else { 0.93 })
                .number("log_odds", shape.log_odds, 1)
                .number("corner_share", shape.share, 2)
                .number("corner_below_share", shape.share_below, 2)
                .number("widening_share", shape.widening, 3);
            Some(told(
                view,
                position,
                finding,
                loudest + ceiling_db,
                burst.len(),
                longest,
            ))
        })
        .collect()
}

/// Wave tops of noise alone lie 10 to 14 dB over its level (extremes of normal noise); an overloaded stage is driven by a sound.
const ABOVE_BACKGROUND_DB: f64 = 22.0;

/// Median background of a track, dBFS; minus infinity for silence.
fn background_db(m: &crate::measure::TrackMeasures) -> f64 {
    let mut levels = m.floor.level_db.clone();
    levels.sort_by(f32::total_cmp);
    levels
        .get(levels.len() / 2)
        .map_or(f64::NEG_INFINITY, |&l| f64::from(l))
}

/// Integer runs on one value below the recorder's rail, and tops that crowd at that height: a rounded characteristic leaves few
/// equal samples.
fn from_runs(
    view: &TakeView<'_>,
    position: usize,
    rails: &[crate::measure::rails::Rail],
    shape: Option<&Shape>,
) -> Vec<Finding> {
    let highest = rails.iter().map(|r| r.value).fold(0f32, f32::max);
    let runs = rails.iter().flat_map(|r| &r.runs);
    let mut cuts: Vec<Marked> = runs
        .map(|run| Marked {
            start: run.start,
            end: run.start + u64::from(run.len),
            weight: PROVEN,
            flat: run.len,
        })
        .collect();
    let order = |m: &Marked| (m.start, m.end, m.flat);
    cuts.sort_unstable_by_key(order);
    let at_the_ceiling = shape.map_or(Vec::new(), |s| s.at_ceiling(highest));
    let beside: Vec<Marked> = at_the_ceiling
        .into_iter()
        .filter(|top| {
            let next = cuts.partition_point(|c| c.end <= top.start);
            cuts.get(next).is_none_or(|c| c.start >= top.end)
        })
        .collect();
    cuts.extend(beside);
    cuts.sort_unstable_by_key(order);
    let level = units::db(f64::from(highest));
    joined(&cuts, view.take.rate)
        .map(|(burst, end, longest)| {
            let finding = view
                .finding("flat_top", position, burst[0].start, end)
                .confidence(if longest > 0 { 0.97 } else { 0.93 });
            told(view, position, finding, level, burst.len(), longest)
        })
        .collect()
}

fn told(
    view: &TakeView<'_>,
    position: usize,
    finding: Finding,
    ceiling_dbfs: f64,
    tops: usize,
    longest: u32,
) -> Finding {
    let origin = match view.track(position).role {
        Role::Mix => Origin::Mix,
        _ => Origin::ThisMic,
    };
    finding
        .severity(Severity::Fault)
        .origin(origin)
        .number("ceiling_dbfs", ceiling_dbfs, 1)
        .fact("cut_top_count", tops)
        .fact("longest_flat_samples", longest)
        .says(
            format!("{tops} wave tops cut off near {ceiling_dbfs:.1} dBFS, ahead of the recorder."),
            "Lower the gain at the transmitter or microphone; use another microphone for these words.",
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn top(at: u64, level: f32, knee: f32, width: f32) -> Top {
        Top {
            at,
            level,
            positive: true,
            knee,
            flat: (at, 10),
            width,
        }
    }

    /// A voice: levels spread over 6 dB, one in fourteen tops with a chance corner at every level.
    fn voice(n: u64) -> Vec<Top> {
        (0..n)
            .map(|i| {
                let level = 0.5 + 0.5 * ((i * 37 % 101) as f32 / 101.0).powi(2);
                top(i * 500, level, if i % 14 == 0 { 3.5 } else { 1.0 }, 0.36)
            })
            .collect()
    }

    #[test]
    fn a_voice_has_no_odds_and_no_widening() {
        let shape = shape(&voice(600)).unwrap();
        assert!(shape.log_odds < 3.0, "{}", shape.log_odds);
        assert!(shape.errors < 4.0);
    }

    #[test]
    fn corners_on_the_loudest_tops_only_are_proof() {
        let mut tops = voice(600);
        tops.extend((0..12).map(|i| top(400_000 + i * 200, 1.01, 7.0, 0.6)));
        let shape = shape(&tops).unwrap();
        assert!(shape.log_odds > 20.0);
        assert!(shape.share > 4.0 * shape.share_below);
    }

    /// A rounded overload presses the loudest tops together below its ceiling; runs of equal samples prove the ceiling, the
    /// crowd shows the rest. Without a crowd only the runs are told.
    #[test]
    fn tops_that_crowd_at_a_proven_ceiling_are_cut() {
        let mut tops = voice(600);
        let spread = shape(&tops).unwrap();
        assert!(spread.at_ceiling(1.0).is_empty());
        tops.extend((0..300).map(|i| top(400_000 + i * 200, 1.0 - 0.0001 * i as f32, 1.0, 0.5)));
        let pressed = shape(&tops).unwrap();
        assert!(pressed.at_ceiling(1.0).len() >= 300);
        assert!(pressed.at_ceiling(0.7).is_empty(), "no crowd there");
    }

    #[test]
    fn corners_at_all_levels_are_the_sound_itself() {
        let tops: Vec<Top> = voice(600).iter().map(|t| Top { knee: 7.0, ..*t }).collect();
        let shape = shape(&tops).unwrap();
        assert!(shape.share < 1.9 * shape.share_below);
    }

    #[test]
    fn gain_changes_nothing() {
        let tops = voice(300);
        let louder: Vec<Top> = tops
            .iter()
            .map(|t| Top {
                level: t.level * 4.0,
                ..*t
            })
            .collect();
        let (a, b) = (shape(&tops).unwrap(), shape(&louder).unwrap());
        assert_eq!((a.log_odds, a.count, a.wide), (b.log_odds, b.count, b.wide));
    }

    #[test]
    fn few_tops_say_nothing() {
        assert!(shape(&[]).is_none());
        assert!(shape(&voice(2)).is_none());
    }
}
