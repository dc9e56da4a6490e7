//! What `dropout`, `rf_hit` and `click` share: which microphones can bear witness, what no other microphone explains,
//! where a track falls below its own background, and how neighbouring events become one.
//!
//! Four questions go before every verdict: is it below the track's own floor or made of equal samples (then it is the
//! chain, never the room); did another microphone hear it, scaled and late (then it is a sound); is it on several tracks
//! at the same sample (then it is the recorder); is it a landmark.

use std::sync::OnceLock;

use super::dead_track;
use crate::aside::Series;
use crate::detect::TakeView;
use crate::detect::hearing::{fit, median};
use crate::measure::fine::{self, Fine, level};
use crate::measure::runs::{Repeat, Run};
use crate::report::model::Role;

/// Events of one kind on one track that are closer than this are one finding (report contract).
const MERGE_S: f64 = 0.25;
/// Milliseconds by which another microphone may hear a sound earlier and later.
const EARLIER_MS: usize = 14;
const LATER_MS: usize = 30;
/// Milliseconds per value of the coarse level curves that microphones are compared by.
const COARSE: usize = 20;
/// A track hears something where its high band is this far above its quiet fifth, in half dB.
const HEARS: u8 = 30;
/// A witness this far below its own hiss is muted, in half dB.
const MUTED: u8 = 16;
/// How far a track may stand over the others where nothing can be compared, in half dB.
const UNKNOWN_LEAD: i32 = 60;
/// Share of the loud moments at which the lead over the other microphones is smaller than the one reckoned with: what
/// stands above is the nearest sounds and, on a bad link, the hits themselves.
const LEAD_SHARE: f64 = 0.85;
/// The same over the words that a track is there for, which are its loudest moments anyway.
const OWN_LEAD_SHARE: f64 = 0.75;
/// The same for a witness that hears nothing of those words, its level being far too low: each consonant that is louder
/// than most looks like something it should have heard.
const DEAF_LEAD_SHARE: f64 = 0.98;
/// What a witness hears of a tenth of those words is at least this far above its hiss, in half dB; the loudest of 60 ms of hiss
/// is 3 to 5 dB above it. The hits of a bad link are fewer than a tenth.
const HEARD_OVER_HISS: i32 = 12;
const MOST_HEARD_SHARE: f64 = 0.9;
/// Steps of those words, at least, to tell a lead by.
const LEAST_OWN: usize = 20;

/// A stretch of one track, in samples, half-open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Span {
    pub(crate) start: u64,
    pub(crate) end: u64,
}

impl Span {
    pub(crate) fn length(&self) -> u64 {
        self.end.saturating_sub(self.start)
    }

    /// Whether two stretches touch when each is widened by `slack` samples.
    pub(crate) fn near(&self, other: &Span, slack: u64) -> bool {
        self.start < other.end + slack && other.start < self.end + slack
    }
}

/// A stretch of the high band that no other microphone explains.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Burst {
    pub(crate) span: Span,
    /// Largest level over what a sound on this track usually has against the other microphones, dB.
    pub(crate) excess_db: f64,
    /// By how much another microphone got louder at the same time, dB.
    pub(crate) heard_db: f64,
    /// Steepest rise of another microphone within 2 ms at that time, dB.
    pub(crate) heard_rise_db: f64,
    /// High band over middle band, dB.
    pub(crate) whiteness_db: f64,
    /// Steepest rise within 2 ms, dB.
    pub(crate) rise_db: f64,
    /// Steepest fall within 2 ms, dB.
    pub(crate) fall_db: f64,
    /// Loudest millisecond of the high band, dBFS.
    pub(crate) level_dbfs: f64,
    pub(crate) ripple: Ripple,
}

/// How uneven a burst runs from millisecond to millisecond, dB: by how much each is off the line through its neighbours. Steady
/// noise and dense cloth have 3 to 4, noise of a receiver at its threshold, which comes in clicks, 5 to 8, voices anything; what
/// sticks and slips, scratches or zips falls back between its grains. 0 where there are no neighbours.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Ripple {
    /// Mean in the high band and in the middle one.
    pub(crate) high_db: f64,
    pub(crate) mid_db: f64,
    /// Median in the high band: single clicks hardly count.
    pub(crate) grain_db: f64,
}

impl Ripple {
    fn of(fine: &Fine, first: usize, last: usize) -> Ripple {
        let steps = first.saturating_sub(1)..(last + 2).min(fine.len());
        let bends = |codes: &Series<u8>| -> Vec<f64> {
            let codes = codes.part(steps.clone());
            let bend = |w: &[u8]| i32::from(w[0]) - 2 * i32::from(w[1]) + i32::from(w[2]);
            let bends = codes.windows(3).map(|w| 0.5 * f64::from(bend(w).abs()));
            bends.collect()
        };
        let mean = |x: &[f64]| x.iter().sum::<f64>() / x.len().max(1) as f64;
        let (high, mid) = (bends(&fine.high), bends(&fine.mid));
        if high.is_empty() {
            return Ripple::default();
        }
        Ripple {
            high_db: mean(&high),
            mid_db: mean(&mid),
            grain_db: median(&high),
        }
    }
}

/// A sound that comes up by so much within 2 ms comes up on other microphones, too, by at least this share of it: where they
/// get louder by less, what they hear is something else.
const ALONG_SHARE: f64 = 0.35;

impl Burst {
    /// Whether another microphone comes up with it.
    pub(crate) fn others_rise_along(&self) -> bool {
        self.heard_rise_db >= ALONG_SHARE * self.rise_db
    }
}

#[cfg(test)]
impl Burst {
    /// One from sample 0 to `end` that a test judges; the other microphones rise by as much as they get louder.
    pub(super) fn made(
        end: u64,
        excess_db: f64,
        whiteness_db: f64,
        rise_db: f64,
        heard_db: f64,
    ) -> Burst {
        Burst {
            span: Span { start: 0, end },
            excess_db,
            heard_db,
            heard_rise_db: heard_db,
            whiteness_db,
            rise_db,
            fall_db: rise_db,
            level_dbfs: -50.0,
            ripple: Ripple::default(),
        }
    }
}

/// Why signal is missing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Cause {
    /// Samples that are exactly 0.
    Zeros,
    /// One value held.
    Held,
    /// What came before, again and again; the period in samples.
    Repeated(u64),
    /// A single copy of the block before; its length in samples.
    Copied(u64),
    /// Both bands below the track's own background.
    Below,
}

/// Signal that is missing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Gap {
    pub(crate) span: Span,
    pub(crate) cause: Cause,
    /// How far below its own background, dB; infinite for zeros, 0 where it cannot be said.
    pub(crate) depth_db: f64,
}

/// The microphones of a take and what each can say about the others.
pub(crate) struct Impulses<'a> {
    view: &'a TakeView<'a>,
    shared: &'a Shared,
}

impl std::ops::Deref for Impulses<'_> {
    type Target = Shared;

    fn deref(&self) -> &Shared {
        self.shared
    }
}

/// How far a burst has to stand out, dB.
#[derive(Debug, Clone, Copy)]
struct Standing {
    /// Over the track's own background.
    over_db: f64,
    /// Over what a sound on it usually is against the best witness.
    excess_db: f64,
}

/// Bursts of a track that stand out and could be anything, and those that no sound makes.
const PLAIN: Standing = Standing {
    over_db: 9.0,
    excess_db: 6.0,
};
const HIGH: Standing = Standing {
    over_db: 15.0,
    excess_db: 4.0,
};

/// What is worked out once per take.
#[derive(Debug)]
pub(crate) struct Shared {
    /// Positions of the tracks that are judged.
    pub(crate) tracks: Vec<usize>,
    // Per judged track: largest high-band code of each coarse step.
    coarse: Vec<Vec<u8>>,
    quiet: Vec<u8>,
    // The background while the microphone is on: mutes of up to five sixths of the take do not lower it.
    hiss: Vec<u8>,
    // Whether more than a twentieth of the take lies far below that.
    muted: Vec<bool>,
    gaps: Vec<OnceLock<Vec<Gap>>>,
    // Plain and high ones.
    bursts: Vec<OnceLock<[Vec<Burst>; 2]>>,
}

impl<'a> Impulses<'a> {
    /// Look at the microphones of a take; without any, at its mix tracks.
    pub(crate) fn new(view: &'a TakeView<'a>) -> Impulses<'a> {
        let shared = view.known.impulses.get_or_init(|| Shared::of(view));
        Impulses { view, shared }
    }
}

impl Shared {
    fn of(view: &TakeView<'_>) -> Shared {
        let live = |&i: &usize| {
            let fine = &view.tracks[i].fine;
            2 * fine.high.iter().filter(|&c| c > 0).count() > fine.len()
        };
        let of = |wanted: fn(Role) -> bool| -> Vec<usize> {
            (0..view.take.tracks.len())
                .filter(|&i| wanted(view.take.tracks[i].role))
                .filter(live)
                .collect()
        };
        let mut tracks = of(|r| matches!(r, Role::Boom | Role::Lav | Role::Plant | Role::Unknown));
        if tracks.is_empty() {
            tracks = of(|r| r == Role::Mix);
        }
        let mut shared = Shared {
            coarse: Vec::new(),
            quiet: Vec::new(),
            muted: Vec::new(),
            hiss: Vec::new(),
            gaps: tracks.iter().map(|_| OnceLock::new()).collect(),
            bursts: tracks.iter().map(|_| OnceLock::new()).collect(),
            tracks,
        };
        for &i in &shared.tracks {
            let high = view.tracks[i].fine.high.all();
            let hiss = hiss(&high);
            let coarse = high.chunks(COARSE);
            let coarse = coarse.map(|c| c.iter().copied().max().unwrap_or(0));
            shared.coarse.push(coarse.collect());
            let step =
                |frame: usize| (view.grid.sample(frame) / view.tracks[i].fine.step as u64) as usize;
            let dead: Vec<(usize, usize)> = (dead_track::dead_frames(view, i).into_iter())
                .map(|(start, end)| (step(start), step(end)))
                .collect();
            shared.quiet.push(quiet_fifth(&high, &dead));
            shared.hiss.push(hiss);
            let wide = widened(&high);
            let off = |c: &&u8| c.saturating_add(MUTED) < hiss;
            let muted = 20 * wide.iter().filter(off).count() > wide.len();
            shared.muted.push(muted);
        }
        shared
    }
}

impl Impulses<'_> {
    /// Position in `tracks` of a track of the take; `None` where it is not judged.
    pub(crate) fn place(&self, track: usize) -> Option<usize> {
        self.tracks.iter().position(|&t| t == track)
    }

    fn fine(&self, t: usize) -> &Fine {
        &self.view.tracks[self.tracks[t]].fine
    }

    /// Whether two tracks carry one signal at two gains: millisecond levels of two microphones scatter by far more.
    fn same_signal(&self, a: usize, b: usize) -> bool {
        let (x, y) = (self.fine(a).mid.all(), self.fine(b).mid.all());
        let loud = fine::rank(&x, 0.7);
        let some = x.iter().zip(y.iter()).step_by(7);
        let differences: Vec<i32> = some
            .filter(|&(&u, _)| u >= loud && u > 0)
            .map(|(&u, &v)| i32::from(u) - i32::from(v))
            .collect();
        if differences.len() < 100 {
            return false;
        }
        let mut sorted = differences.clone();
        sorted.sort_unstable();
        let middle = sorted[sorted.len() / 2];
        let close = differences
            .iter()
            .filter(|d| (**d - middle).abs() <= 2)
            .count();
        close * 10 > differences.len() * 8
    }

    /// Positions in `tracks` of the microphones that can bear witness for track `t`.
    fn witnesses(&self, t: usize) -> Vec<usize> {
        (0..self.tracks.len())
            .filter(|&o| o != t && !self.same_signal(t, o))
            .collect()
    }

    /// Code per step that a sound on track `t` usually stays below, going by what the best of the other microphones hears at
    /// the time; 255 where none can tell. `None` without a witness.
    ///
    /// Levels are lined up by what each track has when it is loud; the best witness is the one whose hiss then lies lowest,
    /// because it says most about faint sounds; where that one is muted, dead or muffled the next best speaks.
    fn allowed(&self, t: usize, witnesses: &[usize]) -> Option<Vec<u8>> {
        let mut order = witnesses.to_vec();
        order.sort_by_cached_key(|&o| (self.muted[o], i32::from(self.hiss[o]) - self.loud(o)));
        let (&best, next) = order.split_first()?;
        let mut allowed = self.allowed_by(t, best);
        for &next in next {
            // The best can nearly always tell.
            if !allowed.contains(&255) {
                break;
            }
            let next = self.allowed_by(t, next);
            for (allowed, next) in allowed.iter_mut().zip(next) {
                *allowed = if *allowed == 255 { next } else { *allowed };
            }
        }
        Some(allowed)
    }

    /// Level of a track when it is loud, in codes.
    fn loud(&self, t: usize) -> i32 {
        let coarse = &self.coarse[t];
        i32::from(fine::rank(coarse, 0.95))
    }

    /// Code per step that a sound on track `t` usually stays below, going by one witness; 255 where that one cannot tell.
    /// What it cannot hear, another talker's words say, counts in the lead: the level of this track over that witness at
    /// its own loud moments.
    fn allowed_by(&self, t: usize, witness: usize) -> Vec<u8> {
        let shift = self.loud(t) - self.loud(witness);
        let step = self.fine(t).step as u64;
        let witness_fit = fit(self.view, self.tracks[witness]);
        let fit = |k: usize, steps: usize| {
            let frame = self.view.grid.frame((k * steps) as u64 * step);
            witness_fit.get(frame).copied().unwrap_or(false)
        };
        let loud: Vec<usize> = self.loud_steps(t).filter(|&k| fit(k, COARSE)).collect();
        let heard = |k: usize| i32::from(near(&self.coarse[witness], k));
        let lead = |steps: &[usize], share: f64| {
            let lead = |&k: &usize| i32::from(self.coarse[t][k]) - heard(k) - shift;
            ranked(steps.iter().map(lead).collect(), share)
        };
        let lead = if loud.len() < 30 {
            UNKNOWN_LEAD
        } else {
            let all = lead(&loud, LEAD_SHARE);
            // One who says little beside another who says much is the nearest sound all the same.
            let own = self.own_steps(t, &loud);
            let over_hiss = |&k: &usize| heard(k) - i32::from(self.hiss[witness]);
            let most = ranked(own.iter().map(over_hiss).collect(), MOST_HEARD_SHARE);
            let deaf = most.is_some_and(|most| most < HEARD_OVER_HISS);
            let share = if deaf {
                DEAF_LEAD_SHARE
            } else {
                OWN_LEAD_SHARE
            };
            let own = lead(&own, share).filter(|_| own.len() >= LEAST_OWN);
            all.max(own).unwrap_or(UNKNOWN_LEAD)
        };
        let mut allowed = widened(&self.fine(witness).high.all());
        let hiss = self.hiss[witness];
        for (k, heard) in allowed.chunks_mut(COARSE).enumerate() {
            if !fit(k, COARSE) {
                heard.fill(255);
                continue;
            }
            for heard in heard {
                let muted = heard.saturating_add(MUTED) < hiss;
                let most = (i32::from(*heard) + shift + lead).clamp(0, 254) as u8;
                *heard = if muted { 255 } else { most };
            }
        }
        allowed
    }

    /// Coarse steps in which a track hears something.
    fn loud_steps(&self, t: usize) -> impl Iterator<Item = usize> {
        let least = self.quiet[t].saturating_add(HEARS);
        let coarse = self.coarse[t].iter().enumerate();
        coarse
            .filter(move |(_, here)| **here >= least)
            .map(|(k, _)| k)
    }

    /// Those of some coarse steps that lie in the words a track is there for.
    fn own_steps(&self, t: usize, steps: &[usize]) -> Vec<usize> {
        let step = self.fine(t).step as u64 * COARSE as u64;
        let frame = |k: usize| self.view.grid.frame(k as u64 * step);
        let own = |&k: &usize| self.view.speech.own(self.tracks[t], frame(k));
        steps.iter().copied().filter(own).collect()
    }

    /// Stretches of track `t` whose high band stands 9 dB out of the track's background and is at least 6 dB louder than a
    /// sound on it usually is against the best witness.
    pub(crate) fn bursts(&self, t: usize) -> &[Burst] {
        &self.both_bursts(t)[0]
    }

    /// The same for 15 dB and 4 dB.
    pub(crate) fn high_bursts(&self, t: usize) -> &[Burst] {
        &self.both_bursts(t)[1]
    }

    fn both_bursts(&self, t: usize) -> &[Vec<Burst>; 2] {
        self.bursts[t].get_or_init(|| {
            let witnesses = self.witnesses(t);
            let Some(allowed) = self.allowed(t, &witnesses) else {
                return Default::default();
            };
            [PLAIN, HIGH].map(|standing| self.find_bursts(t, &witnesses, &allowed, standing))
        })
    }

    /// Stretches that stand out. Holes of up to 12 ms are closed.
    fn find_bursts(
        &self,
        t: usize,
        witnesses: &[usize],
        allowed: &[u8],
        standing: Standing,
    ) -> Vec<Burst> {
        let fine = self.fine(t);
        // Where the microphone is off for a part of the take, its own hiss stands out of the quiet fifth.
        let quiet = if self.muted[t] {
            self.hiss[t]
        } else {
            self.quiet[t]
        };
        let least = quiet.saturating_add((2.0 * standing.over_db) as u8);
        let margin = (2.0 * standing.excess_db) as i32;
        let mut found: Vec<Vec<usize>> = Vec::new();
        for (k, (here, &limit)) in fine.high.iter().zip(allowed).enumerate() {
            if here < least || i32::from(here) - i32::from(limit) < margin {
                continue;
            }
            match found.last_mut() {
                Some(group) if k - group[group.len() - 1] <= 13 => group.push(k),
                _ => found.push(vec![k]),
            }
        }
        found
            .into_iter()
            .map(|group| {
                let mut burst = burst(fine, allowed, &group);
                let loudest = group
                    .iter()
                    .copied()
                    .max_by_key(|&k| fine.high.get(k))
                    .unwrap_or(group[0]);
                burst.heard_db = witnesses
                    .iter()
                    .map(|&o| self.louder_db(o, group[0], loudest))
                    .fold(0.0, f64::max);
                burst.heard_rise_db = witnesses
                    .iter()
                    .map(|&o| self.rise_db(o, group[0], loudest))
                    .fold(0.0, f64::max);
                burst
            })
            .collect()
    }

    /// By how much track `o` is louder around step `peak` than in the 50 ms before step `first`, dB.
    fn louder_db(&self, o: usize, first: usize, peak: usize) -> f64 {
        let before = first.saturating_sub(EARLIER_MS) as i64;
        let usual = Fine::rank(&self.fine(o).high, before - 56, before, 0.5);
        let around = (
            peak as i64 - EARLIER_MS as i64,
            (peak + LATER_MS) as i64 + 1,
        );
        let now = Fine::most(&self.fine(o).high, around.0, around.1);
        0.5 * (f64::from(now) - f64::from(usual))
    }

    /// Steepest rise of track `o` within 2 ms while it may hear what track `t` has from step `first` to step `peak`, dB.
    fn rise_db(&self, o: usize, first: usize, peak: usize) -> f64 {
        let high = &self.fine(o).high;
        let from = first.saturating_sub(EARLIER_MS + 2);
        let codes = high.part(from..(peak + LATER_MS + 1).min(high.len()).max(from));
        let most = (codes.windows(3))
            .map(|w| i32::from(w[2]) - i32::from(w[0]))
            .max();
        0.5 * f64::from(most.unwrap_or(0))
    }

    /// Missing signal on track `t`, in order.
    pub(crate) fn gaps(&self, t: usize) -> Vec<Gap> {
        self.gaps[t].get_or_init(|| self.find_gaps(t)).clone()
    }

    fn find_gaps(&self, t: usize) -> Vec<Gap> {
        let measures = &self.view.tracks[self.tracks[t]];
        let mut found = exact_gaps(self.view, self.tracks[t]);
        let own = Background::of(&measures.fine);
        found.retain(|gap| gap.cause != Cause::Zeros || own.cut_off(&measures.fine, gap.span));
        for gap in own.gaps(&measures.fine) {
            if !found.iter().any(|g| g.span.near(&gap.span, 0)) {
                found.push(gap);
            }
        }
        found.sort_by_key(|g| g.span);
        found
    }
}

fn burst(fine: &Fine, allowed: &[u8], group: &[usize]) -> Burst {
    let power = |codes: &Series<u8>| -> f64 {
        group
            .iter()
            .map(|&k| crate::units::power(level(codes.get(k))))
            .sum()
    };
    let (first, last) = (group[0], group[group.len() - 1]);
    let excess = group
        .iter()
        .map(|&k| i32::from(fine.high.get(k)) - i32::from(allowed[k]))
        .max()
        .unwrap_or(0);
    let code = |k: usize| i32::from(fine.high.get(k.min(fine.len() - 1)));
    let steepest = |from: &dyn Fn(usize) -> i32| group.iter().map(|&k| from(k)).max().unwrap_or(0);
    let rise = steepest(&|k| code(k) - code(k.saturating_sub(2)));
    let fall = steepest(&|k| code(k) - code(k + 2));
    let top = group.iter().map(|&k| fine.high.get(k)).max().unwrap_or(0);
    Burst {
        span: Span {
            start: fine.sample(onset(fine, first)),
            end: fine.sample(last + 1),
        },
        excess_db: 0.5 * f64::from(excess),
        heard_db: 0.0,
        heard_rise_db: 0.0,
        whiteness_db: crate::units::power_db(power(&fine.high) / power(&fine.mid)),
        rise_db: 0.5 * f64::from(rise),
        fall_db: 0.5 * f64::from(fall),
        level_dbfs: level(top),
        ripple: Ripple::of(fine, first, last),
    }
}

/// Step at which what stands out at `first` begins: back to the last step that still rises to it by 6 dB and more.
fn onset(fine: &Fine, first: usize) -> usize {
    let mut at = first;
    while at > 0 && first - at < 3 && fine.high.get(at - 1) + 12 > fine.high.get(first) {
        at -= 1;
    }
    at
}

/// Code that a fifth of the steps with signal stay below while the microphone lives (steps of `dead` stretches are left out): what
/// is left of one that died would make its own hiss stand out.
fn quiet_fifth(codes: &[u8], dead: &[(usize, usize)]) -> u8 {
    let lives = |k: usize| !dead.iter().any(|&(start, end)| (start..end).contains(&k));
    let of = |counts: &dyn Fn(usize) -> bool| -> Vec<u8> {
        let loud = (0..codes.len()).filter(|&k| codes[k] > 0 && counts(k));
        loud.map(|k| codes[k]).collect()
    };
    let mut loud = of(&lives);
    if loud.is_empty() {
        loud = of(&|_| true);
    }
    fine::rank(&loud, 0.2)
}

/// Code that the quiet fifth of 5 s stays below, in the louder part of all stretches of 5 s (five sixths lie below).
fn hiss(codes: &[u8]) -> u8 {
    let mut stretches: Vec<u8> = codes.chunks(5000).map(|c| fine::rank(c, 0.2)).collect();
    stretches.sort_unstable();
    let at = (stretches.len() * 5 / 6).min(stretches.len().saturating_sub(1));
    stretches.get(at).copied().unwrap_or(0)
}

/// The value that so large a share of the values lies below; `None` of nothing.
fn ranked(mut values: Vec<i32>, share: f64) -> Option<i32> {
    values.sort_unstable();
    values.get((share * values.len() as f64) as usize).copied()
}

/// The loudest of three coarse steps: windows and travel time.
fn near(coarse: &[u8], k: usize) -> u8 {
    let around = &coarse[k.saturating_sub(1)..(k + 2).min(coarse.len())];
    around.iter().copied().max().unwrap_or(0)
}

/// Largest value from [`EARLIER_MS`] before to [`LATER_MS`] after each.
fn widened(codes: &[u8]) -> Vec<u8> {
    const SPAN: usize = EARLIER_MS + 1 + LATER_MS;
    let mut most = vec![0; codes.len() + SPAN - 1];
    most[EARLIER_MS..][..codes.len()].copy_from_slice(codes);
    // The largest of ever more steps from each on: twice as many each time.
    let mut held = 1;
    while held < SPAN {
        let further = held.min(SPAN - held);
        for k in 0..most.len() - further {
            most[k] = most[k].max(most[k + further]);
        }
        held += further;
    }
    most.truncate(codes.len());
    most
}

/// Runs of equal samples and exact repeats that no microphone makes by itself.
fn exact_gaps(view: &TakeView<'_>, track: usize) -> Vec<Gap> {
    let measures = &view.tracks[track];
    let (runs, rate) = (&measures.runs, f64::from(view.grid.rate));
    let edge = (0.02 * rate) as u64;
    let peak = measures.frames.peak.iter().fold(0f32, f32::max);
    let inside = |start: u64, end: u64| {
        start > edge && end + edge < view.grid.samples && end - start < (2.0 * rate) as u64
    };
    let mut found: Vec<Gap> = Vec::new();
    // A coarse or square signal holds values by itself.
    if runs.natural_share((0.001 * rate) as u64) < 0.001 {
        for &Run {
            start,
            length,
            value,
        } in &runs.equal
        {
            if inside(start, start + length) && (value == 0.0 || value.abs() < 0.9 * peak) {
                found.push(Gap {
                    span: Span {
                        start,
                        end: start + length,
                    },
                    cause: if value == 0.0 {
                        Cause::Zeros
                    } else {
                        Cause::Held
                    },
                    depth_db: if value == 0.0 { f64::INFINITY } else { 0.0 },
                });
            }
        }
    }
    // A tone or another periodic signal repeats all the time.
    let repeated: u64 = runs.repeats.iter().map(|r| r.length).sum();
    if repeated * 50 < view.grid.samples {
        for &Repeat {
            start,
            length,
            period,
        } in &runs.repeats
        {
            if inside(start, start + length) {
                found.push(Gap {
                    span: Span {
                        start,
                        end: start + length,
                    },
                    cause: if 2 * length >= 3 * period {
                        Cause::Repeated(period)
                    } else {
                        Cause::Copied(period)
                    },
                    depth_db: 0.0,
                });
            }
        }
    }
    found.sort_by_key(|g| g.span);
    found
}

/// The level that a track's own hiss never leaves, in codes of the two bands.
struct Background {
    // Every 100 ms: a fifth of the 12 s around lies below.
    near: [Vec<u8>; 2],
    // A hundredth of the whole take lies below, mutes not counted.
    lowest: [u8; 2],
    candidates: Vec<(usize, usize)>,
}

/// Steps per value of [`Background`].
const EVERY: usize = 100;
/// A step may belong to a gap when both bands are this far below the background, in half dB.
const BELOW: u8 = 10;
/// Steps near the limit that do not end a gap, at most.
const BRIDGED: usize = 5;
/// Both bands together have to be this far below in the middle of a gap, in half dB; where a sound breaks off and comes back
/// by so much at once, a lower figure is enough; over so many steps hiss that scatters reads to a decibel, and one lower still is.
const GONE: i32 = 30;
const GONE_FROM_SOUND: i32 = 24;
const BREAKS_OFF: i32 = 60;
const GONE_LONG: i32 = 22;
const LONG: usize = 30;

impl Background {
    fn of(fine: &Fine) -> Background {
        let codes = [fine.high.all(), fine.mid.all()];
        let near = [0, 1].map(|n| Fine::ranks(&codes[n], EVERY, 6000, 0.2));
        let code = |n: usize, k: usize| steady(&codes[n], k);
        let below = |n: usize, k: usize| code(n, k).saturating_add(BELOW) <= near[n][k / EVERY];
        let mut candidates: Vec<(usize, usize)> = Vec::new();
        for k in (0..fine.len()).filter(|&k| below(0, k) && below(1, k)) {
            match candidates.last_mut() {
                // What is left in a gap scatters: a step or two near the limit do not end it.
                Some((_, end)) if k - *end <= BRIDGED => *end = k + 1,
                _ => candidates.push((k, k + 1)),
            }
        }
        // What falls there and comes back slowly, or shallowly and often, is how this track breathes.
        let cut = |k: usize, n: i64| {
            let near = |m: i64| {
                let k = (k as i64 + m).clamp(0, fine.len() as i64 - 1);
                i32::from(code(1, k as usize))
            };
            (1..=3).map(|m| near(m * n)).max().unwrap_or(0) - near(-n) >= i32::from(BELOW)
        };
        let held = |&(a, b): &(usize, usize)| b - a > 300 || (cut(a, -1) && cut(b - 1, 1));
        let cuts: Vec<(usize, usize)> = candidates.iter().copied().filter(held).collect();
        let lowest = [0, 1].map(|n| {
            let mut counts = [0u32; 256];
            (0..fine.len()).for_each(|k| counts[usize::from(code(n, k))] += 1);
            let cut = cuts.iter().flat_map(|&(a, b)| a..b);
            cut.for_each(|k| counts[usize::from(code(n, k))] -= 1);
            counts[0] = 0;
            let kept = counts.iter().map(|&c| c as usize).sum();
            fine::ranked(&counts, kept, 0.01)
        });
        Background {
            near,
            lowest,
            candidates,
        }
    }

    /// Whether signal stands near its background or above on both sides of a stretch: it was cut, it did not fade.
    fn cut_off(&self, fine: &Fine, span: Span) -> bool {
        let (a, b) = (fine.at(span.start) as i64, fine.at(span.end) as i64);
        let sound = |from: i64, to: i64| {
            Fine::most(&fine.high, from, to).saturating_add(6) >= self.lowest[0]
                && Fine::most(&fine.mid, from, to).saturating_add(6) >= self.lowest[1]
        };
        !fine.is_empty() && sound(a - 3, a + 1) && sound(b, b + 4)
    }

    /// Stretches of 3 ms to 2 s in which both bands are gone, with both edges within 3 ms.
    fn gaps(&self, fine: &Fine) -> Vec<Gap> {
        self.candidates
            .iter()
            .filter(|&&(a, b)| (3..2000).contains(&(b - a)) && a > 20 && b + 20 < fine.len())
            .filter_map(|&(a, b)| {
                let inside = [&fine.high, &fine.mid]
                    .map(|codes| i32::from(Fine::rank(codes, a as i64, b as i64, 0.5)));
                let depth = [0, 1].map(|n| i32::from(self.near[n][a / EVERY]) - inside[n]);
                let under = [0, 1].map(|n| i32::from(self.lowest[n]) - inside[n]);
                let least = if b - a >= LONG {
                    GONE_LONG
                } else if breaks_off(&fine.mid, a, b) {
                    GONE_FROM_SOUND
                } else {
                    GONE
                };
                let deep = depth[0] + depth[1] >= least && under.iter().all(|&d| d >= 6);
                let span = Span {
                    start: edge(&fine.mid, fine, a, -1),
                    end: edge(&fine.mid, fine, b - 1, 1),
                };
                (deep && self.cut_off(fine, span)).then_some(Gap {
                    span,
                    cause: Cause::Below,
                    depth_db: 0.5 * f64::from(depth[0].min(depth[1])),
                })
            })
            .collect()
    }
}

/// Whether a sound stops right before `first` and is back right after `last`, both within ten steps: what is lost in a gap, not
/// a sound that ends.
fn breaks_off(codes: &Series<u8>, first: usize, last: usize) -> bool {
    let inside = i32::from(Fine::rank(codes, first as i64, last as i64, 0.5));
    let beside = |from: usize, to: usize| i32::from(Fine::most(codes, from as i64, to as i64));
    beside(first.saturating_sub(10), first) - inside >= BREAKS_OFF
        && beside(last, last + 10) - inside >= BREAKS_OFF
}

/// Median of a code and its two neighbours: a single odd millisecond does not count.
fn steady(codes: &[u8], at: usize) -> u8 {
    let here = codes[at];
    let (a, b) = (
        codes[at.saturating_sub(1)],
        codes[(at + 1).min(codes.len() - 1)],
    );
    here.clamp(a.min(b), a.max(b))
}

/// Where signal ends (`towards` -1, before step `inner`) or begins again (1, after it): the three steps from `inner`
/// outwards are shared out by the part of the usual power that each still has. Usual is what the next three have.
fn edge(codes: &Series<u8>, fine: &Fine, inner: usize, towards: i64) -> u64 {
    let at = |n: i64| {
        let k = (inner as i64 + n * towards).clamp(0, codes.len() as i64 - 1);
        crate::units::power(level(codes.get(k as usize)))
    };
    let usual = (at(3) + at(4) + at(5)) / 3.0;
    let gone = at(-1).min(at(0));
    let shares: f64 = (0..3)
        .map(|n| ((at(n) - gone) / (usual - gone).max(1e-30)).clamp(0.0, 1.0))
        .sum();
    let step = fine.step as f64;
    let sample = if towards < 0 {
        (inner as f64 - 2.0 + shares) * step
    } else {
        (inner as f64 + 3.0 - shares) * step
    };
    (sample.max(0.0) as u64).min(fine.samples)
}

/// Join spans (in order) closer than [`MERGE_S`]: index lists. A join that would leave less than a quarter of more than
/// 0.9 s covered by events is not made.
pub(crate) fn grouped(spans: &[Span], rate: u32) -> Vec<Vec<usize>> {
    let reach = (MERGE_S * f64::from(rate)) as u64;
    let long = (0.9 * f64::from(rate)) as u64;
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let (mut end, mut covered) = (0u64, 0u64);
    for (k, span) in spans.iter().enumerate() {
        let fits = groups.last().is_some_and(|g: &Vec<usize>| {
            let whole = span.end.max(end) - spans[g[0]].start;
            span.start < end + reach && (whole < long || 4 * (covered + span.length()) > whole)
        });
        match groups.last_mut() {
            Some(group) if fits => {
                group.push(k);
                end = end.max(span.end);
                covered += span.length();
            }
            _ => {
                groups.push(vec![k]);
                (end, covered) = (span.end, span.length());
            }
        }
    }
    groups
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widening_looks_back_and_ahead() {
        let mut codes = vec![1u8; 100];
        codes[50] = 9;
        let wide = widened(&codes);
        let hot: Vec<usize> = (0..100).filter(|&k| wide[k] == 9).collect();
        assert_eq!(hot.first(), Some(&(50 - LATER_MS)));
        assert_eq!(hot.last(), Some(&(50 + EARLIER_MS)));
    }

    #[test]
    fn close_events_join_and_thin_chains_do_not_grow_long() {
        let span = |start: u64, length: u64| Span {
            start,
            end: start + length,
        };
        let spans = [span(0, 480), span(5000, 480), span(60_000, 480)];
        assert_eq!(grouped(&spans, 48_000), vec![vec![0, 1], vec![2]]);
        let chain: Vec<Span> = (0..20).map(|k| span(k * 10_000, 100)).collect();
        let groups = grouped(&chain, 48_000);
        assert!(groups.len() > 3, "{groups:?}");
        assert_eq!(groups.iter().map(Vec::len).sum::<usize>(), 20);
    }

    #[test]
    fn an_edge_inside_a_step_is_placed_by_its_share_of_power() {
        let codes: Series<u8> = [-40.0, -40.0, -40.0, -40.0, -43.0, -100.0, -100.0]
            .into_iter()
            .map(fine::code)
            .collect();
        let fine = Fine {
            step: 48,
            samples: 7 * 48,
            high: codes.clone(),
            mid: codes.clone(),
        };
        let found = edge(&codes, &fine, 5, -1);
        assert!(found.abs_diff(4 * 48 + 24) <= 1, "{found}");
    }
}
