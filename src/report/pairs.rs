//! Measured pairs and faders to the contract's types.

use super::model;
use crate::compare::pairs::{Segment, summed};
use crate::compare::{Mix, PairMeasures, faders};
use crate::report::model::{Role, RoleSource};
use crate::take::Take;
use crate::units::rounded;

/// The pairs that are told.
pub fn pairs(measured: &[PairMeasures], take: &Take) -> Vec<model::Pair> {
    measured
        .iter()
        .filter(|p| {
            let tracks = [&take.tracks[p.a], &take.tracks[p.b]];
            // A pair that somebody walks through has a spread without one delay.
            is_told(
                tracks.map(|t| (t.role, t.role_source)),
                p.spread_s.is_some(),
            )
        })
        .map(|p| pair(p, take))
        .collect()
}

/// Boom and plant against every body microphone always, and whatever may be one of them, as a track may whose role is a guess from
/// what it sounds like; other pairs where they are correlated.
fn is_told(tracks: [(Role, RoleSource); 2], correlated: bool) -> bool {
    let some = |role: Role| tracks.iter().any(|t| t.0 == role);
    let guessed = tracks.iter().any(|t| t.1 == RoleSource::Signal);
    let always = some(Role::Lav) && (some(Role::Boom) || some(Role::Plant));
    always || guessed || some(Role::Unknown) || correlated
}

fn pair(p: &PairMeasures, take: &Take) -> model::Pair {
    let sum = summed(p);
    model::Pair {
        a: take.tracks[p.a].index,
        b: take.tracks[p.b].index,
        delay_ms: milliseconds(p.delay_s),
        delay_spread_ms: milliseconds(p.spread_s),
        coherence: p.coherence.and_then(|c| rounded(c, 3)),
        level_difference_db: p.level_difference_db.and_then(|l| rounded(l, 2)),
        polarity: p.polarity,
        polarity_confidence: p.polarity_confidence.and_then(|c| rounded(c, 3)),
        segments: p.segments.iter().map(segment).collect(),
        summed_first_null_hz: sum.and_then(|s| rounded(s.first_null_hz, 1)),
        summed_ripple_db: sum.and_then(|s| rounded(s.ripple_db, 1)),
        delay_kind: p.kind,
        nudge_samples: p.nudge_samples(),
    }
}

fn segment(s: &Segment) -> model::PairSegment {
    model::PairSegment {
        start_s: rounded(s.start_s, 3).unwrap_or(0.0),
        end_s: rounded(s.end_s, 3).unwrap_or(0.0),
        delay_ms: milliseconds(s.delay_s),
        coherence: rounded(s.coherence, 3),
        polarity: s.polarity(),
        level_difference_db: rounded(s.level_difference_db, 2),
    }
}

/// A microsecond is the last digit that means something.
fn milliseconds(seconds: Option<f64>) -> Option<f64> {
    seconds.and_then(|s| rounded(1000.0 * s, 3))
}

/// Fader gains of every isolated track in every mix track that is a plain sum; `None` where no mix track is.
pub fn faders(mixes: &[Mix], take: &Take) -> Option<Vec<model::Fader>> {
    let all: Vec<model::Fader> = mixes
        .iter()
        .filter(|mix| mix.is_plain_sum())
        .flat_map(|mix| {
            (0..mix.sources.len()).map(|source| model::Fader {
                track: take.tracks[mix.sources[source]].index,
                mix_track: take.tracks[mix.track].index,
                hz: faders::HZ,
                gain_db: (0..mix.steps.len())
                    .map(|step| mix.gain_db(step, source).and_then(|g| rounded(g, 1)))
                    .collect(),
            })
        })
        .collect();
    (!all.is_empty()).then_some(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_wearers_are_told_where_they_are_correlated_or_only_guessed() {
        let lav = (Role::Lav, RoleSource::Metadata);
        let guess = (Role::Lav, RoleSource::Signal);
        assert!(!is_told([lav, lav], false) && is_told([lav, lav], true));
        assert!(is_told([lav, guess], false) && is_told([guess, guess], false));
        assert!(is_told([(Role::Boom, RoleSource::Metadata), lav], false));
        assert!(is_told([(Role::Unknown, RoleSource::Signal), lav], false));
    }
}
