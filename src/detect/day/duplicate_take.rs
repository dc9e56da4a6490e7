//! Takes that are there twice.
//!
//! *Fault.* Two recordings carry the same scene and take number: in one folder one of them overwrites the other. Or the same
//! audio lies in two places: counts are wrong and work is done twice.
//!
//! *Signature.* Equal labels with different audio (`same_label`); equal audio (`same_audio`), and whole folders of it
//! (`mirror`: two cards of a roll).
//!
//! *Decision.* Equality of labels without regard to case, blanks and leading zeros; equality of audio hashes.
//!
//! *Must not fire on.* Wild lines beside the take they belong to; two recorders that rolled together; blank labels.
//!
//! *Known misses.* Labels that were typed differently for one take.
//!
//! *Source.* iXML `SCENE`, `TAKE`; audio hashes.

use std::collections::BTreeMap;

use crate::detect::labels::{bext, counted, date_of, of_day, shown, take_name};
use crate::detect::{DayView, Detector, Explain, Finding, Run};
use crate::report::model::Severity;
use crate::take::{Take, slate};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "duplicate_take",
    explain: Explain {
        means: "Two recordings carry the same scene and take, or the same recording is there twice.",
        sounds_like: "Nothing by itself; one of the two is lost when both are put in one folder.",
        usual_cause: "The take number was not moved on after a false start, or two cards of one roll were copied together.",
        do_now: "Give one of the two another take number in the sound report. The same audio twice needs nothing but to be known.",
        measured_by: "Labels are compared without case and blanks; audio by its hash, so that relabelled copies are seen.",
        not_to_confuse: "A wild line with the number of its take, and a second recorder that rolled along, are no duplicates.",
    },
    params: &[],
    run: Run::Day(run),
};

fn run(view: &DayView<'_>) -> Vec<Finding> {
    let mut found = same_audio(view);
    found.extend(same_label(view));
    found
}

fn audio(take: &Take) -> Option<Vec<&str>> {
    if take.samples == 0 {
        return None;
    }
    take.files
        .iter()
        .map(|f| f.audio_hash.as_ref().map(|h| h.xxh128.as_str()))
        .collect()
}

fn folder(take: &Take) -> String {
    let parent = take.files.first().and_then(|f| f.opened.path.parent());
    parent.map_or(String::new(), |p| p.display().to_string())
}

fn same_audio(view: &DayView<'_>) -> Vec<Finding> {
    let mut groups: BTreeMap<Vec<&str>, Vec<usize>> = BTreeMap::new();
    for (i, take) in view.takes.iter().enumerate() {
        if let Some(hashes) = audio(take) {
            groups.entry(hashes).or_default().push(i);
        }
    }
    // Pairs of folders that hold the same audio, with the takes concerned.
    let mut folders: BTreeMap<Vec<String>, Vec<usize>> = BTreeMap::new();
    let mut single: Vec<Vec<usize>> = Vec::new();
    for group in groups.into_values().filter(|g| g.len() > 1) {
        let mut places: Vec<String> = group.iter().map(|&i| folder(&view.takes[i])).collect();
        places.sort();
        let count = places.len();
        places.dedup();
        if places.len() == count {
            folders.entry(places).or_default().extend(group);
        } else {
            single.push(group);
        }
    }
    let mut found = Vec::new();
    for (places, mut takes) in folders {
        let each = takes.len() / places.len();
        if each < 2 {
            single.push(takes);
            continue;
        }
        takes.sort_unstable();
        found.push(
            of_day("duplicate_take", view, &takes, "mirror")
                .severity(Severity::Note)
                .fact("takes", each)
                .fact("folders", places.len())
                .says(
                    format!(
                        "{} lie in {} folders with the same audio: a mirror.",
                        counted(each, "take"),
                        places.len()
                    ),
                    "Nothing to do; each take is counted as often as it is there.",
                ),
        );
    }
    single.sort();
    found.extend(single.into_iter().map(|takes| {
        of_day("duplicate_take", view, &takes, "same_audio")
            .severity(Severity::Note)
            .fact("takes", takes.len())
            .says(
                format!(
                    "{} is there {} times with the same audio.",
                    take_name(&view.takes[takes[0]]),
                    takes.len()
                ),
                "Work with one of them; the sound is identical.",
            )
    }));
    found
}

fn same_label(view: &DayView<'_>) -> Vec<Finding> {
    let mut groups: BTreeMap<(String, String), Vec<usize>> = BTreeMap::new();
    for (i, take) in view.takes.iter().enumerate() {
        let (Some(scene), Some(number)) = (&take.scene, &take.number) else {
            continue;
        };
        if !slate::is_default(scene) && !slate::is_default(number) {
            groups
                .entry((slate::plain(scene), slate::plain(number)))
                .or_default()
                .push(i);
        }
    }
    let mut found = Vec::new();
    for group in groups.into_values() {
        // One of each audio, and only those that clash with another one.
        let clash: Vec<usize> = group
            .iter()
            .copied()
            .filter(|&i| {
                group
                    .iter()
                    .any(|&j| i != j && clashes(&view.takes[i], &view.takes[j]))
            })
            .collect();
        if clash.len() < 2 {
            continue;
        }
        found.push(
            of_day("duplicate_take", view, &clash, "same_label")
                .fact("takes", clash.len())
                .fact("scene", shown(view.takes[clash[0]].scene.as_deref().unwrap_or("")))
                .says(
                    format!("{} is there {} times with different sound.", take_name(&view.takes[clash[0]]), clash.len()),
                    "Give one of them another take number in the sound report before they meet in one folder.",
                ),
        );
    }
    found
}

fn clashes(a: &Take, b: &Take) -> bool {
    let wild = |t: &Take| t.wild == Some(true);
    audio(a) != audio(b) && wild(a) == wild(b) && !rolled_together(a, b)
}

/// Two recorders at one time: another roll or originator, and stamps that cover each other.
fn rolled_together(a: &Take, b: &Take) -> bool {
    let originator = |t: &Take| bext(t).map(|x| x.originator.clone());
    if a.roll == b.roll && originator(a) == originator(b) {
        return false;
    }
    let (Some(start_a), Some(start_b)) = (a.clock.seconds(0), b.clock.seconds(0)) else {
        return false;
    };
    let same_day = match (date_of(a), date_of(b)) {
        (Some(x), Some(y)) => x == y,
        _ => true,
    };
    let shared = (start_a + a.duration_s()).min(start_b + b.duration_s()) - start_a.max(start_b);
    same_day && shared > 0.5 * a.duration_s().min(b.duration_s())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::labels::tests::{codes, day, invented};

    #[test]
    fn same_label_other_sound() {
        let a = invented("a.wav", |_| {});
        let b = invented("b.wav", |h| {
            let x = h.ixml.as_mut().unwrap();
            (x.scene, x.take) = (Some("27b".into()), Some("03".into()));
        });
        let found = day(run, &[a.clone(), b.clone()]);
        assert_eq!(codes(&found), ["same_label"]);
        assert_eq!(found[0].severity, Severity::Caution);
        let wild = invented("b.wav", |h| {
            h.ixml.as_mut().unwrap().wild_track = Some(true)
        });
        assert!(day(run, &[a.clone(), wild]).is_empty());
        let second_recorder = invented("b.wav", |h| {
            h.bext.as_mut().unwrap().originator = "other".into()
        });
        assert!(day(run, &[a.clone(), second_recorder]).is_empty());
        let other = invented("b.wav", |h| {
            h.ixml.as_mut().unwrap().take = Some("4".into())
        });
        assert!(day(run, &[a, other]).is_empty());
    }

    #[test]
    fn same_audio_and_mirrors() {
        let take = |name: &str, number: &str, hash: &str| {
            let mut t = invented(name, |h| {
                h.ixml.as_mut().unwrap().take = Some(number.into())
            });
            t.files[0].audio_hash.as_mut().unwrap().xxh128 = hash.into();
            t
        };
        let one = [take("A/1.wav", "1", "x"), take("B/1.wav", "1", "x")];
        assert_eq!(codes(&day(run, &one)), ["same_audio"]);
        let two = [
            take("A/1.wav", "1", "x"),
            take("A/2.wav", "2", "y"),
            take("B/1.wav", "1", "x"),
            take("B/2.wav", "2", "y"),
        ];
        let found = day(run, &two);
        assert_eq!(codes(&found), ["mirror"]);
        assert_eq!(
            (found[0].severity, found[0].files.len()),
            (Severity::Note, 4)
        );
        let beside = [take("A/1.wav", "1", "x"), take("A/1 copy.wav", "1", "x")];
        assert_eq!(codes(&day(run, &beside)), ["same_audio"]);
    }
}
