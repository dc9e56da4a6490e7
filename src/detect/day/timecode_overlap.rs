//! Stamps of one recorder that overlap.
//!
//! *Fault.* Two takes claim the same stretch of the same clock; one of the stamps is wrong, and picture will be matched to
//! the wrong sound.
//!
//! *Signature.* Start plus length of one take reaches beyond the start of the next on the same roll and day.
//!
//! *Decision.* Overlap of more than `min_overlap_s`. Midnight is not the end of the day: a take may run across it.
//!
//! *Must not fire on.* Two recorders (another originator or roll), other days, the mirror of a card (same audio), clocks that
//! were never set (stamp 0), takes that meet to the sample.
//!
//! *Known misses.* Wrong stamps that happen not to overlap anything.
//!
//! *Source.* EBU Tech 3285 `TimeReference`; iXML `TAPE`.

use crate::detect::labels::{bext, date_of, of_day, take_name};
use crate::detect::{DayView, Detector, Explain, Finding, Run};
use crate::report::model::Origin;
use crate::settings::Param;
use crate::take::Take;

/// Shortest overlap that is told.
pub static MIN_OVERLAP: Param = Param {
    key: "timecode_overlap.min_overlap_s",
    default: 0.1,
    unit: "s",
    range: (0.0, 60.0),
    why: "stamps are rounded to a frame of 42 ms by some recorders; two frames are no fault",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "timecode_overlap",
    explain: Explain {
        means: "Two takes of one recorder carry timecode for the same stretch of time.",
        sounds_like: "Nothing by itself; picture is matched to the wrong take.",
        usual_cause: "The clock was jammed again to another source, lost its setting, or a stamp was edited.",
        do_now: "Jam the recorder again, and note which take's timecode is right; the other one is synced by its slate.",
        measured_by: "Start stamps and lengths of all takes of one roll and day are laid on one clock.",
        not_to_confuse: "A second recorder, the mirror of a card and a take across midnight are no overlap.",
    },
    params: &[&MIN_OVERLAP],
    run: Run::Day(run),
};

const DAY_S: f64 = 86_400.0;

fn run(view: &DayView<'_>) -> Vec<Finding> {
    let limit = view.settings.get(&MIN_OVERLAP);
    // By start, so that each take is only compared with those near it.
    let mut order: Vec<(usize, f64)> = view
        .takes
        .iter()
        .enumerate()
        .filter(|(_, t)| t.clock.start != Some(0))
        .filter_map(|(i, t)| Some((i, t.clock.seconds(0)?)))
        .collect();
    order.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
    let longest = view.takes.iter().map(Take::duration_s).fold(0.0, f64::max);
    let mut found = Vec::new();
    for (n, &(a, start_a)) in order.iter().enumerate() {
        // Later on the same clock, and early next morning where this one runs across midnight.
        let later = order[n + 1..].iter().map(|&(b, s)| (b, s, 0));
        let morning = order.iter().map(|&(b, s)| (b, s + DAY_S, 1));
        let end_a = start_a + view.takes[a].duration_s();
        let reach = start_a + longest;
        for (b, start_b, days) in later
            .take_while(|&(_, s, _)| s < reach)
            .chain(morning.take_while(|&(_, s, _)| s < end_a))
        {
            let overlap = end_a.min(start_b + view.takes[b].duration_s()) - start_b;
            if a == b || overlap <= limit || !same_clock(&view.takes[a], &view.takes[b], days) {
                continue;
            }
            let names = (take_name(&view.takes[a]), take_name(&view.takes[b]));
            found.push(
                of_day("timecode_overlap", view, &[a, b], "overlap")
                    .confidence(0.96)
                    .origin(Origin::Recorder)
                    .number("overlap_s", overlap, 3)
                    .says(
                        format!(
                            "{} and {} share {overlap:.1} s of timecode.",
                            names.0, names.1
                        ),
                        "Note which stamp is right; sync the other take by its slate.",
                    ),
            );
        }
    }
    found
}

/// Whether two takes were stamped by one clock on days that lie `days` apart.
fn same_clock(a: &Take, b: &Take, days: i64) -> bool {
    let originator =
        |t: &Take| bext(t).map(|x| (x.originator.clone(), x.originator_reference.len()));
    let same_day = match (date_of(a), date_of(b)) {
        // A recorder may keep the date of the evening.
        (Some(x), Some(y)) => y - x == days || (days == 1 && x == y),
        _ => true,
    };
    a.roll == b.roll
        && originator(a).map(|o| o.0) == originator(b).map(|o| o.0)
        && same_day
        && !same_audio(a, b)
}

fn same_audio(a: &Take, b: &Take) -> bool {
    let hashes = |t: &Take| -> Vec<String> {
        t.files
            .iter()
            .filter_map(|f| f.audio_hash.as_ref())
            .map(|h| h.xxh128.clone())
            .collect()
    };
    let of_a = hashes(a);
    !of_a.is_empty() && of_a == hashes(b)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::labels::tests::{day, invented};

    fn at(name: &str, start_s: u64, change: impl FnOnce(&mut crate::container::Header)) -> Take {
        invented(name, |h| {
            h.bext.as_mut().unwrap().time_reference = start_s * 48_000;
            change(h);
        })
    }

    #[test]
    fn overlaps_of_one_recorder() {
        let a = at("a.wav", 1000, |_| {});
        let b = at("b.wav", 1006, |_| {});
        let found = day(run, &[a.clone(), b]);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].evidence["overlap_s"], 4.0);
        assert_eq!(found[0].files, ["a.wav", "b.wav"]);
        let meets = at("b.wav", 1010, |_| {});
        assert!(day(run, &[a.clone(), meets]).is_empty());
        let other_roll = at("b.wav", 1006, |h| {
            h.ixml.as_mut().unwrap().tape = Some("R2".into())
        });
        assert!(day(run, &[a.clone(), other_roll]).is_empty());
        let other_day = at("b.wav", 1006, |h| {
            h.bext.as_mut().unwrap().origination_date = "2031-04-18".into()
        });
        assert!(day(run, &[a.clone(), other_day]).is_empty());
        let mut mirror = at("b.wav", 1000, |_| {});
        mirror.files[0].audio_hash = a.files[0].audio_hash.clone();
        assert!(day(run, &[a, mirror]).is_empty());
        let unset = [at("a.wav", 0, |_| {}), at("b.wav", 0, |_| {})];
        assert!(day(run, &unset).is_empty());
    }

    #[test]
    fn midnight() {
        let late = at("a.wav", 86_395, |_| {});
        let next = |s| {
            at("b.wav", s, |h| {
                h.bext.as_mut().unwrap().origination_date = "2031-04-18".into()
            })
        };
        assert_eq!(day(run, &[late.clone(), next(3)]).len(), 1);
        assert!(day(run, &[late, next(6)]).is_empty());
    }
}
