//! Two microphones of one voice, both up in a mix track, colour each other.
//!
//! *Fault.* The same voice arrives twice at different times at like levels: nulls every `1 / delay`, the voice sounds hollow.
//!
//! *Signature.* The faders recovered from the mix hold both microphones up while one talker speaks; from the delay, the level
//! difference and the coherent share between the two follows the ripple. The transfer function from the louder one to the
//! mix shows it.
//!
//! *Decision.* Over a stretch of one talker's speech the coherent parts of two microphones in the mix lie within
//! `max_difference_db`, their delay is at least `min_delay_ms`, and the audio confirms it: the mix is explained as a sum of
//! its tracks (to `min_explained_share`), or the transfer function ripples at that delay.
//!
//! *Must not fire on.* Reflections of the room (they are in the isolated tracks as well), one microphone at a time,
//! microphones far below the leading one.
//!
//! *Known misses.* Mixes through strong filters or with microphones that were not recorded, where also the ripple is blurred
//! by a walking talker.
//!
//! *Source.* `|1 + g exp(-j w t)|`; ripple 9.6 dB at 6 dB difference, 4.5 dB at 12 dB.

use super::duplicate_track::short;
use crate::compare::pairs::{Segment, first_null_hz, quantile, ripple_db};
use crate::compare::{Mix, PairMeasures};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::{db, samples};

/// Largest level difference of the two in the mix.
pub static MAX_DIFFERENCE: Param = Param {
    key: "comb_filtering.max_difference_db",
    default: 9.0,
    unit: "dB",
    range: (1.0, 20.0),
    why: "6.5 dB apart gives 9 dB of ripple, audible on a voice; 13 dB apart gives 4 dB; the line lies between",
};
/// Smallest delay.
pub static MIN_DELAY: Param = Param {
    key: "comb_filtering.min_delay_ms",
    default: 0.12,
    unit: "ms",
    range: (0.02, 5.0),
    why: "below it the first null lies above 4 kHz, out of the voice",
};
/// Explained share from which the sum itself is proof.
pub static MIN_EXPLAINED: Param = Param {
    key: "comb_filtering.min_explained_share",
    default: 0.9,
    unit: "1",
    range: (0.5, 1.0),
    why: "limiters leave 0.93, low-cuts in the bus 0.97, missing sources less",
};

/// The louder of the two has to be up within this of the highest fader: what two resting faders let through is not the voice
/// that anybody listens to, dB.
const UP_DB: f64 = 10.0;
/// Share of a stretch in which both have to be up at like levels: a fader that opens after the first word has met nobody yet.
const MEETING_SHARE: f64 = 0.7;
/// Stretches of one pair closer than this are one finding, s.
const JOIN_S: f64 = 2.0;
/// Shortest speech worth a finding, s; between two body microphones, whose faders meet where one line hands over to the next and
/// a door may slam; and there, if the mix does not show the ripple: the delay is read from a voice that reaches one of them by way
/// of the room, and a laugh beside a cough looks the same for a moment.
const SHORTEST_S: f64 = 0.5;
const SHORTEST_WORN_S: f64 = 1.5;
const SHORTEST_UNSEEN_S: f64 = 2.0;

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "comb_filtering",
    explain: Explain {
        means: "Two microphones on the same voice are up in the mix and colour each other.",
        sounds_like: "Hollow, as through a tube; swirling when somebody moves.",
        usual_cause: "Boom and body microphone of one actor both open at like levels, a few decimetres or milliseconds apart.",
        do_now: "Nothing on set: the isolated tracks are sound. In the mix choose one of the two, or line them up by the delay given.",
        measured_by: "The faders are recovered from the mix; with delay, level difference and coherence of the two the ripple follows, and the mix confirms it.",
        not_to_confuse: "Room sound of a single microphone. Combing of microphones that are not summed stands with the pairs, not here.",
    },
    params: &[&MAX_DIFFERENCE, &MIN_DELAY, &MIN_EXPLAINED],
    run: Run::Take(run),
};

/// One stretch of speech with two microphones up.
#[derive(Debug, Clone)]
struct Meeting {
    mix: usize,
    a: usize,
    b: usize,
    start_s: f64,
    end_s: f64,
    difference_db: f64,
    ripple_db: f64,
    delay_s: f64,
    null_hz: f64,
    explained: f64,
    confirmed: bool,
}

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let mut meetings: Vec<Meeting> = Vec::new();
    for mix in view.mixes {
        let Some(top_db) = mix.top_db() else { continue };
        for pair in view.pairs {
            for segment in &pair.segments {
                meetings.extend(meeting(view, mix, top_db, pair, segment));
            }
        }
    }
    meetings.sort_by(|p, q| {
        (p.a, p.b, p.mix)
            .cmp(&(q.a, q.b, q.mix))
            .then(p.start_s.total_cmp(&q.start_s))
    });
    // Join in time per pair and mix, then join the mix tracks that show the same stretch.
    let mut stretches: Vec<Vec<Meeting>> = Vec::new();
    for m in meetings {
        match stretches.last_mut() {
            Some(last)
                if last.last().is_some_and(|l| {
                    (l.a, l.b, l.mix) == (m.a, m.b, m.mix) && m.start_s - l.end_s < JOIN_S
                }) =>
            {
                last.push(m);
            }
            _ => stretches.push(vec![m]),
        }
    }
    stretches.retain(|s| lasts(view, s));
    let mut merged: Vec<(Vec<usize>, Vec<Meeting>)> = Vec::new();
    for stretch in stretches {
        let same = merged.iter_mut().find(|(_, other)| {
            (other[0].a, other[0].b) == (stretch[0].a, stretch[0].b)
                && other[0].mix != stretch[0].mix
                && overlap(other, &stretch) > 0.5
        });
        match same {
            Some((mixes, _)) if !mixes.contains(&stretch[0].mix) => mixes.push(stretch[0].mix),
            _ => merged.push((vec![stretch[0].mix], stretch)),
        }
    }
    merged
        .into_iter()
        .map(|(mixes, stretch)| finding(view, &mixes, &stretch))
        .collect()
}

/// Whether a stretch is long enough to be told.
fn lasts(view: &TakeView<'_>, stretch: &[Meeting]) -> bool {
    let spoken: f64 = stretch.iter().map(|m| m.end_s - m.start_s).sum();
    let seen = stretch.iter().any(|m| m.confirmed);
    spoken >= least_s(both_worn(view, stretch[0].a, stretch[0].b), seen)
}

/// How long a stretch has to be, s. `seen`: the mix shows its ripple.
fn least_s(both_worn: bool, seen: bool) -> f64 {
    match (both_worn, seen) {
        (false, _) => SHORTEST_S,
        (true, true) => SHORTEST_WORN_S,
        (true, false) => SHORTEST_UNSEEN_S,
    }
}

/// Whether two tracks are both body microphones.
fn both_worn(view: &TakeView<'_>, a: usize, b: usize) -> bool {
    [a, b].iter().all(|&t| view.track(t).role == Role::Lav)
}

/// Shared time against the shorter of two stretches.
fn overlap(p: &[Meeting], q: &[Meeting]) -> f64 {
    let ends = |s: &[Meeting]| (s[0].start_s, s[s.len() - 1].end_s);
    let ((a, b), (c, d)) = (ends(p), ends(q));
    (b.min(d) - a.max(c)) / (b - a).min(d - c).max(1e-6)
}

fn meeting(
    view: &TakeView<'_>,
    mix: &Mix,
    top_db: f64,
    pair: &PairMeasures,
    segment: &Segment,
) -> Option<Meeting> {
    let delay_s = segment.delay_s?;
    if delay_s.abs() * 1000.0 < view.settings.get(&MIN_DELAY) {
        return None;
    }
    let (a, b) = (mix.source(pair.a)?, mix.source(pair.b)?);
    let first = (segment.start_s * f64::from(crate::compare::faders::HZ)).ceil() as usize;
    let last = (segment.end_s * f64::from(crate::compare::faders::HZ)).floor() as usize;
    let steps: Vec<_> = (first..=last)
        .filter_map(|s| mix.steps.get(s).and_then(Option::as_ref))
        .collect();
    let middle = |f: &dyn Fn(&crate::compare::faders::Step) -> f32| {
        quantile(
            &steps.iter().map(|s| f64::from(f(s))).collect::<Vec<_>>(),
            0.5,
        )
    };
    let explained = middle(&|s| s.explained)?;
    // What reaches the mix of the voice at the far microphone alike in both: its room sound does not ripple.
    let coherent_db = 10.0 * segment.coherence.clamp(0.01, 1.0).log10();
    let owner = |track: usize| {
        segment
            .talker
            .is_some_and(|t| view.speech.talkers[t].tracks.contains(&track))
    };
    let (own_a, own_b) = (owner(pair.a), owner(pair.b));
    // One of the two has to be the talker's own: else it is what everybody's microphones hear of everything.
    if !own_a && !own_b {
        return None;
    }
    if !plausible(view, pair, delay_s, own_a) {
        return None;
    }
    let far_db = match (own_a, own_b) {
        (true, false) => coherent_db,
        (false, true) => -coherent_db,
        _ => 0.0,
    };
    // Somebody else's body microphone hears the room more than the voice.
    let lavs = both_worn(view, pair.a, pair.b);
    let limit = view.settings.get(&MAX_DIFFERENCE) * if lavs { 0.7 } else { 1.0 };
    let differences: Vec<f64> = steps
        .iter()
        .filter_map(|s| {
            let (gain_a, gain_b) = (
                f64::from(s.sources[a].gain.abs()),
                f64::from(s.sources[b].gain.abs()),
            );
            let up = db(gain_a.max(gain_b)) >= top_db - UP_DB;
            let difference_db = segment.level_difference_db + db(gain_b / gain_a) + far_db;
            (up && difference_db.abs() <= limit).then_some(difference_db)
        })
        .collect();
    if (differences.len() as f64) < MEETING_SHARE * steps.len() as f64 {
        return None;
    }
    let difference_db = quantile(&differences, 0.5)?;
    // The two have to be what the mix is made of, then.
    let shares = middle(&|s| s.sources[a].share + s.sources[b].share)?;
    if shares < 0.5 {
        return None;
    }
    let louder = if difference_db > 0.0 { b } else { a };
    let confirmed = ripples_at(mix, louder, segment, delay_s);
    if explained < view.settings.get(&MIN_EXPLAINED) && !(confirmed && explained > 0.6) {
        return None;
    }
    Some(Meeting {
        mix: mix.track,
        a: pair.a,
        b: pair.b,
        start_s: segment.start_s,
        end_s: segment.end_s,
        difference_db,
        ripple_db: ripple_db(difference_db, 1.0),
        delay_s,
        null_hz: first_null_hz(
            delay_s,
            if middle(&|s| s.sources[a].gain * s.sources[b].gain).is_some_and(|p| p < 0.0)
                != (segment.phase < 0.0)
            {
                crate::report::model::Polarity::Inverted
            } else {
                crate::report::model::Polarity::Same
            },
        ),
        explained,
        confirmed,
    })
}

/// Whether a delay fits a voice at its wearer's own microphone: that hears it first, save for the latency of its link, which
/// the stretches of the other wearers and the pair's usual delay show.
fn plausible(view: &TakeView<'_>, pair: &PairMeasures, delay_s: f64, own_a: bool) -> bool {
    let late = |p: &PairMeasures, delay: f64, own_first: bool| -> Option<f64> {
        let other = if own_first { p.b } else { p.a };
        (view.track(other).role == Role::Boom).then_some(if own_first { -delay } else { delay })
    };
    let Some(mine) = late(pair, delay_s, own_a) else {
        return true;
    };
    let usual = view
        .pairs
        .iter()
        .filter_map(|p| {
            let lav_first = view.track(p.a).role == Role::Lav;
            let enough = !std::ptr::eq(p, pair)
                || p.segments.iter().filter(|s| s.delay_s.is_some()).count() >= 3;
            late(p, p.delay_s.filter(|_| enough)?, lav_first)
        })
        .fold(0.0, f64::max);
    mine < usual + 0.0015
}

/// Whether the transfer function from a source to the mix ripples at a delay during a stretch.
fn ripples_at(mix: &Mix, source: usize, segment: &Segment, delay_s: f64) -> bool {
    let cells: Vec<_> = mix.ripples[source]
        .iter()
        .filter(|r| r.at_s > segment.start_s - 0.3 && r.at_s < segment.end_s + 0.3)
        .collect();
    let hits = cells
        .iter()
        .filter(|r| {
            (r.quefrency_s - delay_s.abs()).abs() < 0.0001 && r.depth > 0.15 && r.distinct > 5.0
        })
        .count();
    hits > 0 && 2 * hits >= cells.len()
}

fn finding(view: &TakeView<'_>, mixes: &[usize], stretch: &[Meeting]) -> Finding {
    let first = &stretch[0];
    let last = &stretch[stretch.len() - 1];
    let length: f64 = stretch.iter().map(|m| m.end_s - m.start_s).sum();
    let mean = |f: &dyn Fn(&Meeting) -> f64| {
        stretch
            .iter()
            .map(|m| f(m) * (m.end_s - m.start_s))
            .sum::<f64>()
            / length
    };
    let rate = view.grid.rate;
    let (ripple, difference) = (mean(&|m| m.ripple_db), mean(&|m| m.difference_db.abs()));
    let confirmed = stretch.iter().any(|m| m.confirmed);
    let limit = view.settings.get(&MAX_DIFFERENCE);
    let confidence = if difference < 0.75 * limit && (confirmed || mean(&|m| m.explained) > 0.97) {
        0.95
    } else {
        0.85
    };
    view.finding_on(
        "comb_filtering",
        mixes,
        samples(first.start_s, rate),
        samples(last.end_s, rate).min(view.grid.samples),
    )
    .severity(Severity::Caution)
    .confidence(confidence)
    .origin(Origin::Mix)
    .fact(
        "microphones",
        vec![view.track(first.a).index, view.track(first.b).index],
    )
    .number("delay_ms", 1000.0 * mean(&|m| m.delay_s), 3)
    .number("level_difference_db", mean(&|m| m.difference_db), 1)
    .number("ripple_db", ripple, 1)
    .number("first_null_hz", mean(&|m| m.null_hz), 1)
    .number("explained_share", mean(&|m| m.explained), 3)
    .fact("ripple_seen_in_mix", confirmed)
    .fact("phrases", stretch.len())
    .says(
        format!(
            "{} and {} comb in the mix: {:.1} ms apart, {:.0} dB of ripple for {:.1} s.",
            short(&view.track(first.a).label()),
            short(&view.track(first.b).label()),
            1000.0 * mean(&|m| m.delay_s.abs()),
            ripple.min(40.0),
            length
        ),
        "The isolated tracks are sound: use one of the two, or line them up before summing.",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_two_body_microphones_a_handover_is_no_comb() {
        assert!(0.8 >= least_s(false, false), "boom and body microphone");
        assert!(0.8 < least_s(true, true) && 1.6 >= least_s(true, true));
        assert!(1.6 < least_s(true, false), "nothing seen in the mix");
    }
}
