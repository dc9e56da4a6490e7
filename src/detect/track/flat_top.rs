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
//! corners that the tops below it have. A high-pass behind the overload is undone, whichever shows a ceiling best: straight pieces
//! that were level at one height ahead of it speak louder, for corners by chance are anyhow. Or: tops crowd at one height, and
//! corners among them. Or:
//! the tops of the uppermost stretch are wider by `min_widening` than those below,
//! over at least `min_tops` tops and eight standard errors, and crowd at the ceiling. Integer runs on one value below the
//! recorder's rail prove it alone, and so does a straight piece of a quarter of a millisecond
//! between clear corners near the loudest. Where one side of a wave is much the larger, the smaller one is also looked at by
//! itself: it is the one that was cut. Tops that show it, closer than 250 ms, are one burst.
//!
//! *Must not fire on.* Limiters (shapes stay those of a voice); square waves, buzzers and timecode (corners at all levels);
//! shouts; float files at any level; held samples in gaps; tops pinned at the rail (`clipping`).
//!
//! *Known misses.* One or two cut tops in a whole take; a very soft knee on a few words; a louder knock after the overload.
//!
//! *Source.* A clipped wave has its curvature in two points; second differences survive a tilt, histograms do not, unless the
//! tilt is undone (transfer function of the Butterworth high-pass).

use super::clipping::JOIN_S;
use crate::detect::hearing::judged_tracks;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::integrals::HighPass;
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
    default: 2.6,
    unit: "1",
    range: (1.0, 20.0),
    why: "square-like sounds have corners at all levels: ratios up to 1.6, keys and steps on a boom up to 2.0; cut tops have 3.3 and more",
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
/// A straight piece so long, s, between corners so clear proves its top by itself: none is seen among the tops of some two
/// thousand whole tracks, where knees as sharp last half as long. Where more than this share of all tops is so, it is their shape.
const LONG_S: f64 = 0.000_25;
const LONG_KNEE: f32 = 5.0;
const MOST_LONG: f64 = 0.33;
/// Nothing is much louder than a top that was cut, dB: long pieces of a voice, of which some have steep slopes, lie lower.
const LONG_BELOW_DB: f64 = 3.0;
/// Number of tops that the tops below have to outweigh to be unlike those above.
const ALIKE: f64 = 4.0;
/// Tops this near to a ceiling at which they crowd were cut, dB.
const CROWD_DB: f64 = 0.35;
/// Weight of a top that is cut because others crowd at its height, and of a run of equal samples.
const CROWDS: f64 = 2.0;
const PROVEN: f64 = 3.0;
/// Tops that only stand at the height of the ceiling: fewer of them may have come so far by themselves.
const LEAST_WITHOUT_A_STRAIGHT_PIECE: usize = 3;
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

/// Steepest slope of a straight piece behind a low-cut, Hz: those of packs and mixers end at 200 Hz, those of second order bend half
/// as much again; and how much a level one may seem to rise.
const STEEPEST_HZ: f64 = 400.0;
const RISING_HZ: f64 = 10.0;
/// High-passes that are undone: corners from the lowest on, each so many times the one before, of both orders; then around the
/// best more finely. Hz.
const LOWEST_HZ: f64 = 30.0;
const TIMES: f64 = 1.06;
const CORNERS_HZ: usize = 37;
const FINE_PERCENT: i32 = 6;
/// Ahead of it a piece that was cut is level within this, and stands at the ceiling within that, dB.
const LEVEL_DB: f64 = 0.045;
const AT_IT_DB: f64 = 0.03;
/// What lies so far below the ceiling was not cut, dB.
const BELOW_DB: f64 = 0.3;
/// What being level at the ceiling adds to the log odds of a corner: of corners by chance one in ten is level, one in fifteen of
/// those at a given height.
const CEILING_ODDS: f64 = 5.0;
/// Where a ceiling is that plain, so much of [`MIN_RATIO`] is enough: what a voice sways by below the filter's reach is not restored,
/// so that some of what was cut stands a little lower.
const CEILING_RATIO: f64 = 1.5;
/// What choosing among some hundred high-passes and a few heights costs, log odds.
const CHOICE_ODDS: f64 = 6.0;
/// Heights that are looked at with one high-pass: those at which most pieces stand.
const HEIGHTS: usize = 6;
/// Shortest straight piece that can be seen to be level, samples with its corners.
const LEAST_PIECE: u32 = 5;
/// An offset is taken off what is undone where it is as clear as this, standard errors.
const OFFSET_ERRORS: f64 = 3.0;
/// Level pieces at one height needed.
const LEAST_ALIKE: usize = 3;

/// What the corners say, from the loudest top down.
#[derive(Debug, Clone, Copy)]
struct Corners {
    /// Where only corners count that were level at one height ahead of a high-pass: which.
    ahead: Option<Ahead>,
    /// Log odds of the best stretch from the loudest down, its number of tops, shares of corners in it and below it.
    log_odds: f64,
    count: usize,
    share: f64,
    share_below: f64,
}

impl Corners {
    /// Corners of any kind; tops from the loudest down.
    fn plain(tops: &[(Top, f64)]) -> Corners {
        let (log_odds, count) = best_stretch(tops.iter().map(|(t, _)| odds(t.knee)));
        let (above, below) = tops.split_at(count);
        Corners {
            ahead: None,
            log_odds,
            count,
            share: corners_among(above) as f64 / above.len().max(1) as f64,
            share_below: 0.0,
        }
        .over(corners_among(below), below.len())
    }

    /// With what lies below: until tops there have shown otherwise, they are thought to be like those above, for corners at all
    /// levels prove nothing.
    fn over(self, corners: usize, tops: usize) -> Corners {
        let share_below = (corners as f64 + ALIKE * self.share) / (tops as f64 + ALIKE);
        Corners {
            share_below,
            ..self
        }
    }

    /// Those that speak loudest of corners which were level at one height ahead of a high-pass, or of none.
    fn ahead(tops: &[(Top, f64)]) -> Option<Corners> {
        let none = HighPass {
            hz: 0.0,
            steep: false,
        };
        let corners = (0..CORNERS_HZ).map(|k| LOWEST_HZ * TIMES.powi(k as i32));
        let high_passes = corners.flat_map(|hz| [false, true].map(|steep| HighPass { hz, steep }));
        let coarse = std::iter::once(none)
            .chain(high_passes)
            .filter_map(|high_pass| at_one_height(tops, high_pass))
            .reduce(louder)?;
        let best = coarse.ahead?.high_pass;
        let near = (-FINE_PERCENT..=FINE_PERCENT)
            .filter(|&percent| best.hz > 0.0 && percent != 0)
            .map(|percent| HighPass {
                hz: best.hz * (1.0 + f64::from(percent) / 100.0),
                ..best
            });
        let finer = near.filter_map(|high_pass| at_one_height(tops, high_pass));
        std::iter::once(coarse).chain(finer).reduce(louder)
    }

    /// Whether they lie at the top only.
    fn prove(&self, view: &TakeView<'_>) -> bool {
        let plain = self.ahead.is_some() && self.log_odds >= PLAIN_ODDS;
        let ratio = if plain {
            CEILING_RATIO
        } else {
            view.settings.get(&MIN_RATIO)
        };
        self.log_odds >= view.settings.get(&MIN_LOG_ODDS) && self.share >= ratio * self.share_below
    }
}

/// How many of some tops have corners.
fn corners_among(tops: &[(Top, f64)]) -> usize {
    tops.iter().filter(|(t, _)| t.knee > CORNER).count()
}

/// The stretch from the first on that speaks loudest: log odds, number.
fn best_stretch(odds: impl Iterator<Item = f64>) -> (f64, usize) {
    let (mut best, mut sum) = ((f64::NEG_INFINITY, 0), 0.0);
    for (i, odds) in odds.enumerate() {
        sum += odds;
        if sum > best.0 {
            best = (sum, i + 1);
        }
    }
    best
}

/// Of two kinds of corners those that speak louder; of equals the first.
fn louder(one: Corners, other: Corners) -> Corners {
    if other.log_odds > one.log_odds {
        other
    } else {
        one
    }
}

/// A ceiling ahead of a high-pass: there a stage cuts all tops at one height, whatever the filter made of them.
#[derive(Debug, Clone, Copy)]
struct Ahead {
    high_pass: HighPass,
    ceiling_dbfs: f64,
}

impl Ahead {
    /// How far a top was from the ceiling, dB.
    fn away_db(&self, top: &Top) -> f64 {
        (level_ahead(top, self.high_pass) - self.ceiling_dbfs).abs()
    }

    /// Whether a top was at the ceiling.
    fn reaches(&self, top: &Top) -> bool {
        self.away_db(top) <= AT_IT_DB
    }

    /// What a top weighs that was at the ceiling, corners or not: few come so near by themselves in a wave that nobody sees.
    fn weight(&self) -> f64 {
        if self.high_pass.hz > 0.0 {
            PROVEN
        } else {
            CROWDS
        }
    }

    /// Whether a top was level near the ceiling, between corners.
    fn holds(&self, top: &Top) -> bool {
        self.away_db(top) <= CROWD_DB && is_level(top, self.high_pass)
    }
}

/// Level of a top ahead of a high-pass, dBFS; minus infinity where the wave was on the other side of zero.
fn level_ahead(top: &Top, high_pass: HighPass) -> f64 {
    units::db(height(top, 0, high_pass).max(0.0))
}

/// How far a point of a top lay from zero ahead of a high-pass, on the side of the top.
fn height(top: &Top, point: usize, high_pass: HighPass) -> f64 {
    let value = top.points[point].ahead_of(high_pass);
    if top.positive { value } else { -value }
}

/// Whether the straight piece of a top was level ahead of a high-pass.
fn is_level(top: &Top, high_pass: HighPass) -> bool {
    let (from, to) = (height(top, 0, high_pass), height(top, 1, high_pass));
    top.knee > CORNER
        && top.flat.1 >= LEAST_PIECE
        && from.min(to) > 0.0
        && units::db(to / from).abs() <= LEVEL_DB
}

/// A top as it was ahead of a high-pass: level, dBFS, the knee of its corners, and whether a level piece lay between them.
struct Restored {
    dbfs: f64,
    knee: f32,
    level: bool,
}

/// The level pieces at one height that speak loudest for a ceiling ahead of one high-pass.
fn at_one_height(tops: &[(Top, f64)], high_pass: HighPass) -> Option<Corners> {
    let restored = |(top, _): &(Top, f64)| Restored {
        dbfs: level_ahead(top, high_pass),
        knee: top.knee,
        level: is_level(top, high_pass),
    };
    let mut tops: Vec<Restored> = tops.iter().map(restored).collect();
    if tops.iter().filter(|t| t.level).count() < LEAST_ALIKE {
        return None;
    }
    tops.sort_by(|a, b| b.dbfs.total_cmp(&a.dbfs));
    let pieces: Vec<f64> = tops.iter().filter(|t| t.level).map(|t| t.dbfs).collect();
    let mut heights: Vec<(usize, f64)> = (pieces.iter().enumerate())
        .map(|(i, &top)| {
            let near = pieces[i..].partition_point(|&p| p >= top - 2.0 * AT_IT_DB);
            (near, top - AT_IT_DB)
        })
        .filter(|(near, _)| *near >= LEAST_ALIKE)
        .collect();
    heights.sort_by(|a, b| b.0.cmp(&a.0).then(b.1.total_cmp(&a.1)));
    heights.truncate(HEIGHTS);
    let ceilings = heights.into_iter().map(|(_, ceiling_dbfs)| Ahead {
        high_pass,
        ceiling_dbfs,
    });
    ceilings
        .map(|ahead| at_a_ceiling(&tops, ahead))
        .reduce(louder)
}

/// What level pieces at a ceiling say; tops from the loudest down.
fn at_a_ceiling(tops: &[Restored], ahead: Ahead) -> Corners {
    let ceiling = ahead.ceiling_dbfs;
    let holds = |t: &Restored| t.level && (t.dbfs - ceiling).abs() <= AT_IT_DB;
    let above = |dbfs: f64| tops.partition_point(|t| t.dbfs > dbfs);
    // The lowest piece lies on the edge itself.
    let upper = &tops[..above(ceiling - AT_IT_DB - 1e-9)];
    let lower = &tops[above(ceiling - BELOW_DB)..above(ceiling - 6.0)];
    let (log_odds, count) = best_stretch(upper.iter().map(|t| match holds(t) {
        true => odds(t.knee) + CEILING_ODDS,
        false => odds(0.0),
    }));
    let held = upper[..count].iter().filter(|t| holds(t)).count();
    Corners {
        ahead: Some(ahead),
        log_odds: log_odds - CHOICE_ODDS,
        count,
        share: held as f64 / count.max(1) as f64,
        share_below: 0.0,
    }
    .over(lower.iter().filter(|t| t.level).count(), lower.len())
}

/// Wider tops of which this share comes from one burst are the shape of one sound: a laugh repeats itself for a third of a second.
const ONE_SOUND: f64 = 0.8;
/// Tops within this of the loudest stand at one height, dB.
const ONE_HEIGHT_DB: f64 = 0.05;
/// So many tops at one height are a crowd, if they are so many times what the six twentieths of a dB below let expect, and
/// corners are so many and so much more frequent among them: a limiter holds heights, but leaves shapes alone.
const LEAST_CROWD: usize = 6;
const CROWD_RATIO: f64 = 4.0;
/// Of a crowd so dense nine tops in ten were cut: there one top alone is told.
const DENSE_RATIO: f64 = 10.0;
const CORNERS_IN_A_CROWD: usize = 4;
const CORNER_RATIO_OF_A_CROWD: f64 = 2.5;

/// The tops of a track seen from the loudest down.
struct Shape {
    /// Tops within 6 dB of the loudest with their level re the loudest in dB, from the loudest down.
    tops: Vec<(Top, f64)>,
    /// Corners of any kind, and those that were level at one height ahead of a high-pass.
    plain: Corners,
    ahead: Option<Corners>,
    /// Widening of the uppermost tops, in standard errors, over how many.
    widening: f64,
    errors: f64,
    wide: usize,
    /// Share of those tops that lie in one burst.
    in_one_burst: f64,
    /// Length from which a straight piece is long, samples; none is where long pieces are the shape of the sound.
    long: f64,
}

/// Length from which a straight piece between clear corners proves its top, samples.
fn long_piece(tops: &[(Top, f64)], rate: u32) -> f64 {
    let long = LONG_S * f64::from(rate);
    let count = tops.iter().filter(|(t, _)| is_long(t, long)).count();
    if count as f64 > MOST_LONG * tops.len() as f64 {
        f64::INFINITY
    } else {
        long
    }
}

/// Whether a top has a straight piece of so many samples between clear corners: level or falling, for no high-pass lets it rise.
fn is_long(top: &Top, samples: f64) -> bool {
    top.knee > LONG_KNEE
        && f64::from(top.flat.1) >= samples
        && (-RISING_HZ..=STEEPEST_HZ).contains(&f64::from(top.sag_hz))
}

/// The smaller side of a wave is looked at by itself where its loudest top lies this far below the other side's, as a factor;
/// among all tops within 6 dB of the loudest it has too few.
const LOPSIDED: f32 = 0.71;

/// What is looked at together: all tops, and the smaller side by itself where a wave is lopsided. A stage that cuts one side
/// cuts the one that was the larger.
fn views_of(tops: Vec<Top>) -> Vec<Vec<Top>> {
    let side = |positive: bool| tops.iter().filter(move |t| t.positive == positive);
    let loudest = |positive: bool| side(positive).map(|t| t.level).fold(0f32, f32::max);
    let (above, below) = (loudest(true), loudest(false));
    let smaller = above < below;
    if above.min(below) >= LOPSIDED * above.max(below) {
        return vec![tops];
    }
    let alone = side(smaller).copied().collect();
    vec![tops, alone]
}

fn shape(tops: &[Top], rate: u32) -> Option<Shape> {
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
    let (mut widening, mut errors, mut wide, mut in_one_burst) = (0.0, 0.0, 0, 1.0);
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
            in_one_burst = largest_burst(&tops[..wide], rate) as f64 / wide as f64;
        }
    }
    Some(Shape {
        plain: Corners::plain(&tops),
        ahead: Corners::ahead(&tops),
        long: long_piece(&tops, rate),
        tops,
        widening,
        errors,
        wide,
        in_one_burst,
    })
}

/// Number of tops in the burst that holds most of them.
fn largest_burst(tops: &[(Top, f64)], rate: u32) -> usize {
    let mut places: Vec<u64> = tops.iter().map(|(t, _)| t.at).collect();
    places.sort_unstable();
    let join = units::samples(JOIN_S, rate);
    let bursts = places.chunk_by(|a, b| b - a < join);
    bursts.map(<[u64]>::len).max().unwrap_or(0)
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

/// What a burst weighs: all its tops together, and nothing where too few of them merely reach the ceiling and none is proven.
fn weight(burst: &[Marked], longest: u32) -> f64 {
    let proven = longest > 0 || burst.iter().any(|m| m.weight >= PROVEN);
    if !proven && burst.len() < LEAST_WITHOUT_A_STRAIGHT_PIECE {
        0.0
    } else {
        burst.iter().map(|m| m.weight).sum()
    }
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

    /// The corners that speak loudest.
    fn corners(&self) -> &Corners {
        self.ahead
            .as_ref()
            .filter(|ahead| ahead.log_odds > self.plain.log_odds)
            .unwrap_or(&self.plain)
    }

    /// How many times as many of the loudest tops stand at one height as those below let expect; `None` unless they make a hard
    /// ceiling, corners among them.
    fn crowd_at_one_height(&self) -> Option<f64> {
        let crowd = self.within(-ONE_HEIGHT_DB, 0.0);
        let next = self.within(-7.0 * ONE_HEIGHT_DB, 0.0) - crowd;
        let ratio = crowd as f64 / ((next + 1) as f64 / 6.0);
        let (at, below) = self.tops.split_at(crowd);
        let corners = corners_among(at);
        let share_below = (corners_among(below) + 1) as f64 / (below.len() as f64 + ALIKE);
        let ceiling = crowd >= LEAST_CROWD
            && ratio >= CROWD_RATIO
            && corners >= CORNERS_IN_A_CROWD
            && corners as f64 >= CORNER_RATIO_OF_A_CROWD * share_below * crowd as f64;
        ceiling.then_some(ratio)
    }

    /// Corners of any kind prove a fault by themselves.
    fn is_sharp(&self, view: &TakeView<'_>) -> bool {
        let plain = &self.plain;
        let longest = self.tops[..plain.count]
            .iter()
            .filter(|(t, _)| t.knee > CORNER)
            .map(|(t, _)| f64::from(t.flat.1))
            .fold(0.0, f64::max);
        let lasts = longest >= FLAT_S * f64::from(view.take.rate) || plain.log_odds >= PLAIN_ODDS;
        lasts && plain.count >= 4 && plain.prove(view)
    }

    /// Tops that show the fault; empty when the shapes do not prove one. Second: the ceiling in dB re the loudest top.
    fn marked(&self, view: &TakeView<'_>) -> (Vec<Marked>, f64) {
        let get = |param| view.settings.get(param);
        let sharp = self.is_sharp(view);
        let ahead = (self.ahead.filter(|a| a.prove(view))).and_then(|corners| corners.ahead);
        let crowd = self.crowd_at_one_height();
        let held = crowd.is_some();
        let dense = crowd.is_some_and(|ratio| ratio >= DENSE_RATIO);
        let soft = self.widening >= get(&MIN_WIDENING)
            && self.errors >= 8.0
            && self.wide as f64 >= get(&MIN_TOPS)
            && self.in_one_burst <= ONE_SOUND
            && 10 * self.within(-0.6, 0.0) >= self.within(-4.0, 0.0);
        let lowest = if sharp {
            self.tops[self.plain.count - 1].1
        } else {
            0.1
        };
        let held_ahead = |t: &Top| ahead.is_some_and(|a| a.holds(t));
        let corner = |t: &Top, db: f64| t.knee > CORNER && (db >= lowest || held_ahead(t));
        let clear = |(t, db): &&(Top, f64)| t.knee > 4.0 && corner(t, *db);
        let levels: Vec<f64> = self.tops.iter().filter(clear).map(|(_, db)| *db).collect();
        let ceiling = if sharp || ahead.is_some() {
            levels.get(levels.len() / 2).copied().unwrap_or(0.0)
        } else if held {
            0.0
        } else {
            -0.2
        };
        let crowded = (sharp || soft) && self.crowded(ceiling);
        let reach = if soft && !crowded { 0.6 } else { CROWD_DB };
        let mut marked: Vec<Marked> = self
            .tops
            .iter()
            .filter_map(|(t, db)| {
                let at_the_height = held && *db >= -ONE_HEIGHT_DB;
                let crowds = ((crowded || soft) && *db >= ceiling - reach) || at_the_height;
                let mut weight = if corner(t, *db) { odds(t.knee) } else { 0.0 };
                if let Some(ahead) = ahead.filter(|a| a.reaches(t)) {
                    weight = weight.max(ahead.weight());
                }
                if crowds {
                    weight = weight.max(CROWDS);
                }
                let long = is_long(t, self.long) && *db >= -LONG_BELOW_DB;
                if long || at_the_height && dense {
                    weight = weight.max(PROVEN);
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
    let offset = (m.levels.offset()).filter(|o| o.value.abs() > OFFSET_ERRORS * o.error);
    let offset = offset.map_or(0.0, |o| o.value);
    let tops: Vec<Top> = (m.tops.list.iter())
        .filter(|t| t.level < at_the_rail)
        .map(|t| Top {
            points: t.points.map(|p| p.without(offset)),
            ..*t
        })
        .collect();
    if !pinned.is_empty() {
        let shape = shape(&tops, view.take.rate);
        return from_runs(view, position, &pinned, shape.as_ref());
    }
    let mut found: Vec<Finding> = Vec::new();
    for tops in views_of(tops) {
        let Some(shape) = shape(&tops, view.take.rate) else {
            continue;
        };
        // What all tops together show is not told again.
        let mut new = from_shape(view, position, &shape);
        new.retain(|f| !found.iter().any(|k| k.start < f.end && f.start < k.end));
        found.extend(new);
    }
    found
}

/// Bursts of tops that their shapes prove to be cut.
fn from_shape(view: &TakeView<'_>, position: usize, shape: &Shape) -> Vec<Finding> {
    let (marked, ceiling_db) = shape.marked(view);
    let corners = shape.corners();
    let loudest = units::db(f64::from(shape.tops[0].0.level));
    if loudest < background_db(&view.tracks[position]) + ABOVE_BACKGROUND_DB {
        return Vec::new();
    }
    let least = if view.track(position).role == Role::Mix {
        LEAST_BURST_OF_A_MIX
    } else {
        LEAST_BURST
    };
    joined(&marked, view.take.rate)
        .filter_map(|(burst, end, longest)| {
            let weight = weight(burst, longest);
            if weight < least {
                return None;
            }
            let finding = view
                .finding("flat_top", position, burst[0].start, end)
                .confidence(if weight >= 3.0 { 0.97 } else { 0.93 })
                .number("log_odds", corners.log_odds, 1)
                .number("corner_share", corners.share, 2)
                .number("corner_below_share", corners.share_below, 2)
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
            format!(
                "{tops} wave {} cut off near {ceiling_dbfs:.1} dBFS, ahead of the recorder.",
                if tops == 1 { "top" } else { "tops" }
            ),
            "Lower the gain at the transmitter or microphone; use another microphone for these words.",
        )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::integrals::Point;

    fn top(at: u64, level: f32, knee: f32, width: f32) -> Top {
        Top {
            at,
            level,
            positive: true,
            knee,
            flat: (at, 10),
            points: [Point {
                value: level,
                ..Point::default()
            }; 2],
            sag_hz: 0.0,
            width,
        }
    }

    #[test]
    fn a_top_that_merely_reaches_the_ceiling_is_no_burst() {
        let near = || Marked::crowding(&top(100, 0.5, 1.0, 0.4), CROWDS);
        let cut = Marked { flat: 7, ..near() };
        assert_eq!(weight(&[near(), near()], 0), 0.0);
        assert_eq!(weight(&[near(), near(), near()], 0), 3.0 * CROWDS);
        assert_eq!(weight(&[cut], 7), CROWDS);
        let of_a_dense_crowd = Marked {
            weight: PROVEN,
            ..near()
        };
        assert_eq!(weight(&[of_a_dense_crowd], 0), PROVEN);
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

    fn shape(tops: &[Top]) -> Option<Shape> {
        super::shape(tops, 48_000)
    }

    #[test]
    fn a_voice_has_no_odds_and_no_widening() {
        let shape = shape(&voice(600)).unwrap();
        assert!(shape.plain.log_odds < 3.0, "{}", shape.plain.log_odds);
        assert!(shape.errors < 4.0);
    }

    #[test]
    fn corners_on_the_loudest_tops_only_are_proof() {
        let mut tops = voice(600);
        tops.extend((0..12).map(|i| top(400_000 + i * 200, 1.01, 7.0, 0.6)));
        let shape = shape(&tops).unwrap();
        assert!(shape.plain.log_odds > 20.0);
        assert!(shape.plain.share > 4.0 * shape.plain.share_below);
    }

    /// Sixty wider tops close together are one laugh, in three bursts they are an overload.
    #[test]
    fn wider_tops_of_one_burst_are_the_shape_of_one_sound() {
        let loudest = |apart: u64| {
            let mut tops = voice(600);
            tops.extend((0..60).map(|i| {
                let at = 400_000 + i * 200 + i / 20 * apart;
                top(at, 1.1 + 0.001 * (i % 20) as f32, 1.0, 0.6)
            }));
            shape(&tops).unwrap()
        };
        let (laugh, overload) = (loudest(0), loudest(48_000));
        assert!(laugh.errors > 8.0 && laugh.in_one_burst > ONE_SOUND);
        assert!(overload.errors > 8.0 && overload.in_one_burst < 0.5);
    }

    /// One cut top among six hundred is told if its straight piece is long; a buzzer has such pieces everywhere.
    #[test]
    fn a_long_straight_piece_proves_its_top() {
        let cut = |flat: u32| Top {
            flat: (400_000, flat),
            ..top(400_000, 0.99, 5.5, 0.4)
        };
        let found = |tops: Vec<Top>| {
            let shape = shape(&tops).unwrap();
            shape.tops.iter().any(|(t, _)| is_long(t, shape.long))
        };
        let with = |flat: u32| voice(600).into_iter().chain([cut(flat)]).collect();
        assert!(found(with(13)));
        assert!(!found(with(11)), "short");
        assert!(!found((0..600).map(|_| cut(13)).collect()), "a buzzer");
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

    /// A top behind a high-pass ahead of which it went from one height to another.
    fn behind(high_pass: HighPass, at: u64, heights: [f64; 2], knee: f32) -> Top {
        let point = |height: f64| {
            let past = |step: u64| (at * at % 1013 * step % 1009) as f32 / 1009.0 - 0.5;
            let gone = Point {
                value: 0.0,
                once: 1e-3 * past(613),
                twice: 1e-6 * past(389),
            };
            Point {
                value: (height - gone.ahead_of(high_pass)) as f32,
                ..gone
            }
        };
        let points = heights.map(point);
        Top {
            points,
            ..top(at, heights[0] as f32, knee, 0.4)
        }
    }

    /// Ahead of a high-pass levels spread over 6 dB, every third top has corners.
    fn voice_behind(high_pass: HighPass) -> Vec<Top> {
        (0..400)
            .map(|i| {
                let from = 0.7 - 0.35 * ((i * 37 % 101) as f64 / 101.0);
                let to = from * (0.93 + 0.1 * ((i * 53 % 97) as f64 / 97.0));
                behind(
                    high_pass,
                    i * 500,
                    [from, to],
                    if i % 3 == 0 { 4.5 } else { 1.0 },
                )
            })
            .collect()
    }

    /// Seven corners among four hundred tops prove nothing, unless ahead of one high-pass they were all level at one height.
    #[test]
    fn corners_at_one_height_ahead_of_a_high_pass_are_proof_and_those_at_any_height_are_not() {
        for (hz, steep) in [(60.0, false), (80.0, true), (150.0, true)] {
            let high_pass = HighPass { hz, steep };
            let with = |height: &dyn Fn(u64) -> f64| {
                let cuts =
                    (0..7).map(|i| behind(high_pass, 300_007 + i * 211, [height(i); 2], 4.5));
                let tops = voice_behind(high_pass)
                    .into_iter()
                    .chain(cuts)
                    .collect::<Vec<_>>();
                shape(&tops).unwrap().ahead
            };
            let found = with(&|_| 0.75).unwrap();
            let ahead = found.ahead.unwrap();
            assert!(found.log_odds > 15.0, "{found:?}");
            assert!(found.share > 4.0 * found.share_below, "{found:?}");
            assert_eq!(ahead.high_pass.steep, steep);
            assert!((ahead.high_pass.hz / hz - 1.0).abs() < 0.06, "{ahead:?}");
            assert!(
                (ahead.ceiling_dbfs - units::db(0.75)).abs() < 0.05,
                "{ahead:?}"
            );
            let any = with(&|i| 0.72 + 0.02 * i as f64);
            assert!(
                any.is_none_or(|c| c.log_odds < MIN_LOG_ODDS.default),
                "{any:?}"
            );
        }
    }

    /// A limiter holds the height of tops and leaves their shape alone.
    #[test]
    fn tops_at_one_height_are_cut_only_with_corners_among_them() {
        let held = |knee: f32| -> Vec<Top> {
            let mut tops = voice(600);
            tops.extend((0..12).map(|i| top(400_000 + i * 200, 1.2, knee, 0.4)));
            tops
        };
        assert!(shape(&held(4.5)).unwrap().crowd_at_one_height().is_some());
        assert!(shape(&held(1.0)).unwrap().crowd_at_one_height().is_none());
        assert!(shape(&voice(600)).unwrap().crowd_at_one_height().is_none());
    }

    #[test]
    fn corners_at_all_levels_are_the_sound_itself() {
        let tops: Vec<Top> = voice(600).iter().map(|t| Top { knee: 7.0, ..*t }).collect();
        let shape = shape(&tops).unwrap();
        assert!(shape.plain.share < 1.9 * shape.plain.share_below);
    }

    #[test]
    fn gain_changes_nothing() {
        let tops = voice(300);
        let louder: Vec<Top> = tops
            .iter()
            .map(|t| Top {
                level: t.level * 4.0,
                points: t.points.map(|p| Point {
                    value: p.value * 4.0,
                    ..p
                }),
                ..*t
            })
            .collect();
        let (a, b) = (shape(&tops).unwrap(), shape(&louder).unwrap());
        assert_eq!(
            (a.plain.log_odds, a.plain.count, a.wide),
            (b.plain.log_odds, b.plain.count, b.wide)
        );
    }

    #[test]
    fn few_tops_say_nothing() {
        assert!(shape(&[]).is_none());
        assert!(shape(&voice(2)).is_none());
    }
}
