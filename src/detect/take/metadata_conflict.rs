//! Labels that contradict each other, or the day.
//!
//! *Fault.* bext, iXML, file name and sound tell different things; somebody will believe the wrong one.
//!
//! *Signature.* By `evidence.code`: `file_name` (scene or take in the name), `bext_label` (informal bext text), `time_stamp`
//! (bext against iXML), `bit_depth`, `track_count`, `track_order` (names in another order than the channels), `drop_flag`,
//! `ltc` (timecode track against stamp), `name_without_signal`, `signal_without_name`; of the day `project`, `date`, `roll`,
//! `bit_depth`, `clock_reset`, `clock_backwards`, `take_gap`.
//!
//! *Decision.* Equality, without regard to case, blanks and leading zeros. What post would sync or assign wrongly (`ltc`,
//! `track_order`) is a caution, the rest a note.
//!
//! *Must not fire on.* File names in another form; rolls that change during the day; dates after midnight; stamps that differ
//! by rounding; mono sets, whose names carry a track number.
//!
//! *Known misses.* Wrong labels that agree everywhere.
//!
//! *Source.* iXML: official bext and fmt values win over their mirrors.

use std::collections::{BTreeMap, BTreeSet};

use crate::container::bext::described;
use crate::detect::labels::{
    bext, counted, date_of, header, majority, of_day, of_take, shown, take_name,
};
use crate::detect::{DayView, Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, SampleFormat, Severity};
use crate::settings::Param;
use crate::take::{Take, slate, timecode};
use crate::units;

/// Share of takes that makes a label the day's.
pub static MIN_MAJORITY: Param = Param {
    key: "metadata_conflict.min_majority_share",
    default: 0.75,
    unit: "1",
    range: (0.5, 1.0),
    why: "a project or date that a quarter of the day does not have may as well be right",
};
/// Difference of timecode track and stamp that is told.
pub static MIN_LTC: Param = Param {
    key: "metadata_conflict.min_ltc_frames",
    default: 1.5,
    unit: "frames",
    range: (0.5, 100.0),
    why: "a recorder stamps to the frame and a reader of the track may be off by one",
};
/// Level above which a track without a name carries something.
pub static MIN_SIGNAL: Param = Param {
    key: "metadata_conflict.min_signal_dbfs",
    default: -45.0,
    unit: "dBFS",
    range: (-90.0, 0.0),
    why: "speech on an open microphone passes -45 dBFS; inputs with nothing plugged in stay far below",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "metadata_conflict",
    explain: Explain {
        means: "Labels contradict each other: bext, iXML, file name, track names, timecode track, or the rest of the day.",
        sounds_like: "Nothing by itself; the wrong person is looked for on a track, or a take is filed in the wrong place.",
        usual_cause: "A label was changed in one place only, carried over from the last scene, or a clock was set again.",
        do_now: "Note in the sound report which one is right.",
        measured_by: "Every label is compared with its mirrors and with the majority of the day; names with the signal on their tracks.",
        not_to_confuse: "A missing take number is a question, not a fault. Blank labels are metadata_missing, rates have kinds of their own.",
    },
    params: &[&MIN_MAJORITY, &MIN_LTC, &MIN_SIGNAL],
    run: Run::TakeAndDay(run_take, run_day),
};

const KIND: &str = "metadata_conflict";
const WHICH: &str = "Note in the sound report which one is right.";

fn run_take(view: &TakeView<'_>) -> Vec<Finding> {
    let mut found = labels(view.take, view.settings.get(&MIN_LTC));
    let names: Vec<(usize, f64)> = view
        .tracks
        .iter()
        .enumerate()
        .map(|(i, t)| (i, units::power_db(loud(&t.frames.power))))
        .collect();
    found.extend(names_and_signal(
        view.take,
        &names,
        view.settings.get(&MIN_SIGNAL),
    ));
    found
}

/// Power that a tenth of the frames reach; 0 for a track of zeros.
fn loud(power: &[f32]) -> f64 {
    let mut sorted: Vec<f32> = power.to_vec();
    if sorted.is_empty() {
        return 0.0;
    }
    sorted.sort_by(f32::total_cmp);
    // All zeros but a single click is still no signal: half a second of it is.
    let at = sorted.len() - 1 - (sorted.len() / 10).min(25);
    f64::from(sorted[at])
}

fn note(take: &Take, code: &str) -> Finding {
    of_take(KIND, take, code)
        .severity(Severity::Note)
        .confidence(0.9)
}

fn labels(take: &Take, min_ltc_frames: f64) -> Vec<Finding> {
    let mut found = Vec::new();
    let Some(header) = header(take) else {
        return found;
    };
    let ixml = header.ixml.as_ref();
    let file = take.files.first().map_or("", |f| f.name.as_str());
    // What the name says, where it says it in the usual form.
    if let (Some((scene, number)), Some(own_scene), Some(own_number)) =
        (slate::from_file_name(file), &take.scene, &take.number)
        && (slate::plain(&scene) != slate::plain(own_scene)
            || slate::plain(&number) != slate::plain(own_number))
    {
        found.push(
            note(take, "file_name")
                .fact("file_says", format!("{scene} {number}"))
                .fact(
                    "label_says",
                    format!("{} {}", shown(own_scene), shown(own_number)),
                )
                .says(
                    format!(
                        "The file name says {} take {number}, the label {}.",
                        shown(&scene),
                        take_name(take)
                    ),
                    WHICH,
                ),
        );
    }
    if let (Some(bext), Some(ixml)) = (&header.bext, ixml) {
        for (key, own, what) in [
            ("SCENE", &ixml.scene, "scene"),
            ("TAKE", &ixml.take, "take"),
        ] {
            if let (Some(said), Some(own)) = (described(bext, key), own)
                && slate::plain(said) != slate::plain(own)
            {
                found.push(
                    note(take, "bext_label")
                        .fact("bext_says", shown(said))
                        .fact("ixml_says", shown(own))
                        .says(
                            format!(
                                "The bext text says {what} {}, iXML {}.",
                                shown(said),
                                shown(own)
                            ),
                            WHICH,
                        ),
                );
            }
        }
        let mirror = ixml.timestamp_samples.filter(|&s| s > 0).map(|s| {
            let counted = f64::from(
                ixml.timestamp_sample_rate
                    .filter(|&r| r > 0)
                    .unwrap_or(header.rate),
            );
            s as f64 / counted * f64::from(header.rate)
        });
        if let Some(mirror) = mirror {
            let off = mirror - bext.time_reference as f64;
            if off.abs() > 1.0 {
                let seconds = off / f64::from(header.rate);
                found.push(
                    note(take, "time_stamp")
                        .number("difference_s", seconds, 3)
                        .says(
                            format!(
                                "The stamps of bext and iXML differ by {:.3} s; bext counts.",
                                seconds.abs()
                            ),
                            WHICH,
                        ),
                );
            }
        }
    }
    if let Some(ixml) = ixml {
        found.extend(tracks_and_format(take, header, ixml));
    }
    if let (Some(ltc), Some(start), Some((num, den))) =
        (take.ltc_start, take.clock.start, take.clock.frame_rate)
    {
        let frame = f64::from(take.rate) * f64::from(den) / f64::from(num.max(1));
        let day = 86_400.0 * f64::from(take.rate);
        // The shorter way round the clock.
        let off = (ltc as f64 - start as f64 + day / 2.0).rem_euclid(day) - day / 2.0;
        if off.abs() >= min_ltc_frames * frame {
            found.push(
                of_take(KIND, take, "ltc")
                    .confidence(0.95)
                    .origin(Origin::Recorder)
                    .number("difference_frames", off / frame, 1)
                    .number("difference_s", off / f64::from(take.rate), 3)
                    .says(
                        format!(
                            "The timecode track and the stamp differ by {:.1} frames.",
                            (off / frame).abs()
                        ),
                        "Jam the recorder again and tell post which of the two follows the camera.",
                    ),
            );
        }
    }
    found
}

fn tracks_and_format(
    take: &Take,
    header: &crate::container::Header,
    ixml: &crate::container::Ixml,
) -> Vec<Finding> {
    let mut found = Vec::new();
    if let Some(bits) = ixml
        .audio_bit_depth
        .filter(|&b| b > 0 && b != header.bits && b != header.sample_bytes * 8)
    {
        found.push(
            note(take, "bit_depth")
                .fact("header_bits", header.bits)
                .fact("ixml_bits", bits)
                .says(
                    format!("The header says {} bits, iXML {bits}.", header.bits),
                    WHICH,
                ),
        );
    }
    // A mono file of a set may list all tracks of the set.
    let poly = take.files.iter().filter(|f| f.first_sample == 0).count() == 1;
    let rows = ixml.tracks.len();
    let channels = usize::from(header.channels);
    if poly && rows > 0 && rows != channels {
        found.push(
            note(take, "track_count")
                .fact("channels", channels)
                .fact("named_tracks", rows)
                .says(
                    format!("{rows} tracks are named, {channels} are recorded."),
                    WHICH,
                ),
        );
    }
    if poly && rows > 1 {
        let indexes: Vec<u32> = ixml
            .tracks
            .iter()
            .filter_map(|t| t.interleave_index)
            .collect();
        let distinct: BTreeSet<u32> = indexes.iter().copied().collect();
        let broken = !indexes.is_empty()
            && (indexes.len() != rows
                || distinct.len() != rows
                || distinct
                    .iter()
                    .any(|&i| i == 0 || i as usize > channels.max(rows)));
        let turned = !broken && indexes.windows(2).any(|w| w[0] > w[1]);
        if broken || turned {
            let (message, confidence) = if broken {
                (
                    "The track list gives a channel twice or none at all; names may be on wrong tracks.",
                    0.9,
                )
            } else {
                (
                    "Track names are listed in another order than the channels.",
                    0.9,
                )
            };
            found.push(
                of_take(KIND, take, "track_order")
                    .confidence(confidence)
                    .fact("interleave_indexes", indexes)
                    .says(
                        message,
                        "Listen to which voice is on which track and note it for post.",
                    ),
            );
        }
    }
    let flag = ixml
        .timecode_flag
        .as_deref()
        .and_then(crate::take::assemble::drop_flag);
    if let (Some(true), Some(rate)) = (flag, take.clock.frame_rate)
        && !timecode::can_drop(rate)
    {
        found.push(
            note(take, "drop_flag")
                .fact("frame_rate", format!("{}/{}", rate.0, rate.1))
                .says(
                    format!(
                        "Marked as drop-frame at {}/{} fps, where nothing can be dropped.",
                        rate.0, rate.1
                    ),
                    WHICH,
                ),
        );
    }
    found
}

/// Named tracks of zeros, and tracks without a name that carry something while others are named. `levels`: position and dBFS.
fn names_and_signal(take: &Take, levels: &[(usize, f64)], min_dbfs: f64) -> Vec<Finding> {
    let named = |i: usize| {
        take.tracks[i]
            .name
            .as_deref()
            .is_some_and(|n| !n.trim().is_empty())
    };
    let any_named = levels.iter().any(|&(i, _)| named(i));
    let list =
        |of: Vec<usize>| -> Vec<usize> { of.into_iter().map(|i| take.tracks[i].index).collect() };
    let mut found = Vec::new();
    let empty: Vec<usize> = levels
        .iter()
        .filter(|&&(i, db)| {
            named(i) && db == f64::NEG_INFINITY && take.tracks[i].role != Role::Unused
        })
        .map(|&(i, _)| i)
        .collect();
    if let Some(&first) = empty.first() {
        let rest = match empty.len() {
            1 => " is named and holds".to_owned(),
            all => format!(" and {} more are named and hold", all - 1),
        };
        found.push(
            note(take, "name_without_signal")
                .fact("tracks", list(empty))
                .says(
                    format!(
                        "{}{rest} no signal; perhaps the name was carried over.",
                        shown(&take.tracks[first].label())
                    ),
                    "Take the name off, or look why nothing arrives.",
                ),
        );
    }
    let nameless: Vec<usize> = levels
        .iter()
        .filter(|&&(i, db)| any_named && !named(i) && db > min_dbfs)
        .map(|&(i, _)| i)
        .collect();
    if !nameless.is_empty() {
        let loudest = levels
            .iter()
            .filter(|(i, _)| nameless.contains(i))
            .map(|&(_, db)| db)
            .fold(f64::NEG_INFINITY, f64::max);
        found.push(
            note(take, "signal_without_name")
                .fact("tracks", list(nameless.clone()))
                .number("level_dbfs", loudest, 1)
                .says(
                    format!(
                        "{} without a name up to {loudest:.0} dBFS.",
                        counted(nameless.len(), "track")
                    ),
                    "Name the track, so that somebody looks for it.",
                ),
        );
    }
    found
}

fn run_day(view: &DayView<'_>) -> Vec<Finding> {
    let share = view.settings.get(&MIN_MAJORITY);
    let mut found = Vec::new();
    found.extend(odd_ones(view, share));
    found.extend(rolls(view));
    found.extend(clocks(view));
    found.extend(take_gaps(view));
    found
}

fn day_note(view: &DayView<'_>, takes: &[usize], code: &str) -> Finding {
    of_day(KIND, view, takes, code)
        .severity(Severity::Note)
        .confidence(0.85)
}

/// Project, date, bit depth and sample format against the majority.
fn odd_ones(view: &DayView<'_>, share: f64) -> Vec<Finding> {
    let mut found = Vec::new();
    let written = |t: &Take| {
        header(t)
            .and_then(|h| h.ixml.as_ref())
            .and_then(|x| x.project.clone())
    };
    // Capitals and spaces are a matter of typing; the first spelling stands for all.
    let names: Vec<Option<String>> = view.takes.iter().map(written).collect();
    let plain = |n: &str| n.to_lowercase().split_whitespace().collect::<String>();
    let first = |name: &String| {
        let mut known = names.iter().flatten();
        known.find(|n| plain(n) == plain(name)).cloned()
    };
    let projects = names.iter().map(|n| first(n.as_ref()?));
    if let Some((usual, others)) = majority(projects, share) {
        for (name, takes) in grouped(others) {
            found.push(
                day_note(view, &takes, "project")
                    .fact("day", shown(&usual))
                    .fact("found", shown(&name))
                    .says(
                        format!(
                            "{} of project {}; the day is {}.",
                            counted(takes.len(), "take"),
                            shown(&name),
                            shown(&usual)
                        ),
                        "Correct the project name before the files leave the house.",
                    ),
            );
        }
    }
    if let Some((usual, others)) = majority(view.takes.iter().map(date_of), share) {
        // After midnight the next date is right.
        let odd: Vec<usize> = others
            .iter()
            .filter(|(i, day)| {
                let early = view.takes[*i]
                    .clock
                    .seconds(0)
                    .is_some_and(|s| s < 43_200.0);
                !(*day == usual + 1 && early)
            })
            .map(|(i, _)| *i)
            .collect();
        if let Some(&first) = odd.first() {
            let date = bext(&view.takes[first]).map_or("", |b| b.origination_date.as_str());
            found.push(day_note(view, &odd, "date").fact("found", shown(date)).says(
                format!("{} dated {} differ from the rest of the day.", counted(odd.len(), "take"), shown(date)),
                "Check the recorder's date; the files may end up under another shooting day.",
            ));
        }
    }
    let format = |t: &Take| Some((t.bits, t.format == SampleFormat::Float));
    if let Some((usual, others)) = majority(view.takes.iter().map(format), share) {
        let word = |(bits, float): (u16, bool)| {
            format!("{bits} bit {}", if float { "float" } else { "integer" })
        };
        for (odd, takes) in grouped(others) {
            found.push(
                day_note(view, &takes, "bit_depth")
                    .fact("found_bits", odd.0)
                    .fact("day_bits", usual.0)
                    .fact("float", odd.1)
                    .says(
                        format!(
                            "{} at {}, the day at {}.",
                            counted(takes.len(), "take"),
                            word(odd),
                            word(usual)
                        ),
                        "Tell post; nothing is lost by it.",
                    ),
            );
        }
    }
    found
}

fn grouped<T: Ord>(others: Vec<(usize, T)>) -> Vec<(T, Vec<usize>)> {
    let mut groups: BTreeMap<T, Vec<usize>> = BTreeMap::new();
    for (i, value) in others {
        groups.entry(value).or_default().push(i);
    }
    groups.into_iter().collect()
}

/// A roll name that stands between takes of another roll on the same clock.
fn rolls(view: &DayView<'_>) -> Vec<Finding> {
    let mut order: Vec<usize> = (0..view.takes.len())
        .filter(|&i| {
            view.takes[i].roll.is_some() && view.takes[i].clock.start.is_some_and(|s| s > 0)
        })
        .collect();
    order.sort_by(|&a, &b| {
        let key = |i: usize| {
            (
                date_of(&view.takes[i]),
                view.takes[i].clock.seconds(0).unwrap_or(0.0),
            )
        };
        let (x, y) = (key(a), key(b));
        x.0.cmp(&y.0).then(x.1.total_cmp(&y.1)).then(a.cmp(&b))
    });
    order
        .windows(3)
        .filter(|w| {
            let roll = |i: usize| view.takes[i].roll.as_deref().map(slate::plain);
            let originator = |i: usize| bext(&view.takes[i]).map(|b| b.originator.clone());
            // Recorders that roll side by side interleave; then the odd one is the rule.
            let count = order.iter().filter(|&&i| roll(i) == roll(w[1])).count();
            roll(w[0]) == roll(w[2])
                && roll(w[0]) != roll(w[1])
                && count == 1
                && originator(w[0]) == originator(w[1])
        })
        .map(|w| {
            let (odd, usual) = (
                view.takes[w[1]].roll.as_deref().unwrap_or(""),
                view.takes[w[0]].roll.as_deref().unwrap_or(""),
            );
            day_note(view, &[w[1]], "roll")
                .fact("found", shown(odd))
                .fact("day", shown(usual))
                .says(
                    format!(
                        "{} is on roll {}, the takes before and after it on {}.",
                        take_name(&view.takes[w[1]]),
                        shown(odd),
                        shown(usual)
                    ),
                    WHICH,
                )
        })
        .collect()
}

/// Scene, roll and day.
type Setup = (String, Option<String>, Option<i64>);

/// Clocks that stand at zero among takes that do not, and takes of one setup whose stamps run backwards.
fn clocks(view: &DayView<'_>) -> Vec<Finding> {
    let mut found = Vec::new();
    let stamped: Vec<usize> = (0..view.takes.len())
        .filter(|&i| bext(&view.takes[i]).is_some())
        .collect();
    let zero: Vec<usize> = stamped
        .iter()
        .copied()
        .filter(|&i| view.takes[i].clock.start == Some(0))
        .collect();
    if !zero.is_empty() && zero.len() * 2 < stamped.len() {
        found.push(
            day_note(view, &zero, "clock_reset")
                .origin(Origin::Recorder)
                .fact("takes", zero.len())
                .says(
                    format!(
                        "{} with a clock that was reset to 0 s.",
                        counted(zero.len(), "take")
                    ),
                    "Jam the recorder again; these takes are synced by their slates.",
                ),
        );
    }
    let mut setups: BTreeMap<Setup, Vec<(u32, usize)>> = BTreeMap::new();
    for (i, take) in view.takes.iter().enumerate() {
        let number = take
            .number
            .as_deref()
            .and_then(|n| n.trim().parse::<u32>().ok());
        if let (Some(scene), Some(number), true) =
            (&take.scene, number, take.clock.start.is_some_and(|s| s > 0))
        {
            let key = (slate::plain(scene), take.roll.clone(), date_of(take));
            setups.entry(key).or_default().push((number, i));
        }
    }
    for mut takes in setups.into_values() {
        takes.sort_unstable();
        for pair in takes.windows(2) {
            let [(n, a), (m, b)] = [pair[0], pair[1]];
            let at = |i: usize| view.takes[i].clock.seconds(0).unwrap_or(0.0);
            let back = at(a) - at(b);
            // Half a day back is the next morning.
            if m > n && back > 1.0 && back < 43_200.0 {
                found.push(
                    day_note(view, &[a, b], "clock_backwards")
                        .origin(Origin::Recorder)
                        .number("back_s", back, 1)
                        .says(
                            format!("{} starts {back:.0} s before take {n}.", take_name(&view.takes[b])),
                            "Check whether the clock was set again in between, or the take numbers changed places.",
                        ),
                );
            }
        }
    }
    found
}

/// Take numbers that are not there between others of their setup.
fn take_gaps(view: &DayView<'_>) -> Vec<Finding> {
    let mut setups: BTreeMap<String, Vec<(u32, usize)>> = BTreeMap::new();
    for (i, take) in view.takes.iter().enumerate() {
        let number = take
            .number
            .as_deref()
            .and_then(|n| n.trim().parse::<u32>().ok());
        if let (Some(scene), Some(number)) = (
            take.scene.as_deref().filter(|s| !slate::is_default(s)),
            number,
        ) {
            setups
                .entry(slate::plain(scene))
                .or_default()
                .push((number, i));
        }
    }
    let mut found = Vec::new();
    for mut takes in setups.into_values() {
        takes.sort_unstable();
        for pair in takes.windows(2) {
            let [(n, a), (m, b)] = [pair[0], pair[1]];
            // Numbers that jump by ten or more are a habit, not a loss.
            if m <= n + 1 || m - n > 10 {
                continue;
            }
            let missing = m - n - 1;
            let scene = shown(view.takes[a].scene.as_deref().unwrap_or(""));
            let which = if missing == 1 {
                format!("is take {} missing", n + 1)
            } else {
                format!("are takes {} to {} missing", n + 1, m - 1)
            };
            found.push(
                day_note(view, &[a, b], "take_gap")
                    .confidence(0.5)
                    .fact("missing_takes", missing)
                    .says(
                        format!("{scene}: take {n}, then take {m}: {which}?"),
                        "Look on the card, unless it was a false start that was deleted.",
                    ),
            );
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::container::IxmlTrack;
    use crate::detect::labels::tests::{codes, day, invented};

    fn of(take: &Take) -> Vec<String> {
        codes(&labels(take, 1.5))
            .into_iter()
            .map(str::to_owned)
            .collect()
    }

    #[test]
    fn labels_that_agree_are_silent() {
        let take = invented("27B-3.wav", |h| {
            h.bext.as_mut().unwrap().description = "SCENE=27b\r\nTAKE=03".into();
            let x = h.ixml.as_mut().unwrap();
            x.timestamp_samples = Some(1_728_000_000);
            x.audio_bit_depth = Some(24);
        });
        assert!(of(&take).is_empty());
        assert!(of(&invented("REC_0001.wav", |_| {})).is_empty());
    }

    #[test]
    fn each_disagreement_has_its_code() {
        assert_eq!(of(&invented("27B-4.wav", |_| {})), ["file_name"]);
        let change = |f: fn(&mut crate::container::Header)| of(&invented("x.wav", f));
        assert_eq!(
            change(|h| h.bext.as_mut().unwrap().description = "TAKE=4".into()),
            ["bext_label"]
        );
        assert_eq!(
            change(|h| h.ixml.as_mut().unwrap().timestamp_samples = Some(1_728_048_000)),
            ["time_stamp"]
        );
        assert_eq!(
            change(|h| h.ixml.as_mut().unwrap().audio_bit_depth = Some(16)),
            ["bit_depth"]
        );
        assert_eq!(
            change(|h| h.ixml.as_mut().unwrap().timecode_flag = Some("DF".into())),
            ["drop_flag"]
        );
        let mut take = invented("x.wav", |_| {});
        take.ltc_start = Some(1_728_000_000 + 48_000);
        let found = labels(&take, 1.5);
        assert_eq!(
            (codes(&found), found[0].severity),
            (vec!["ltc"], Severity::Caution)
        );
        take.ltc_start = Some(1_728_000_000 + 1900);
        assert!(labels(&take, 1.5).is_empty());
    }

    #[test]
    fn track_lists() {
        let with = |channels: u16, indexes: &[u32]| {
            of(&invented("x.wav", |h| {
                h.channels = channels;
                h.ixml.as_mut().unwrap().tracks = indexes
                    .iter()
                    .map(|&i| IxmlTrack {
                        interleave_index: Some(i),
                        name: format!("N{i}"),
                        ..IxmlTrack::default()
                    })
                    .collect();
            }))
        };
        assert!(with(3, &[1, 2, 3]).is_empty());
        assert_eq!(with(3, &[1, 3, 2]), ["track_order"]);
        assert_eq!(with(3, &[1, 2, 2]), ["track_order"]);
        assert_eq!(with(3, &[1, 2]), ["track_count"]);
    }

    #[test]
    fn names_and_signals() {
        let take = invented("x.wav", |h| {
            h.channels = 3;
            h.ixml.as_mut().unwrap().tracks = (1..=2)
                .map(|i| IxmlTrack {
                    interleave_index: Some(i),
                    name: format!("Name {i}"),
                    ..IxmlTrack::default()
                })
                .collect();
        });
        let silent = f64::NEG_INFINITY;
        let found = names_and_signal(&take, &[(0, -20.0), (1, silent), (2, -30.0)], -45.0);
        assert_eq!(
            codes(&found),
            ["name_without_signal", "signal_without_name"]
        );
        assert!(found.iter().all(|f| f.severity == Severity::Note));
        assert!(names_and_signal(&take, &[(0, -20.0), (1, -80.0), (2, -80.0)], -45.0).is_empty());
    }

    fn numbered(n: u32, start_s: u64, change: impl FnOnce(&mut crate::container::Header)) -> Take {
        invented(&format!("27B-{n}.wav"), |h| {
            h.bext.as_mut().unwrap().time_reference = start_s * 48_000;
            h.ixml.as_mut().unwrap().take = Some(n.to_string());
            change(h);
        })
    }

    #[test]
    fn a_plain_day_is_silent() {
        let takes: Vec<Take> = (1..6)
            .map(|n| numbered(n, 36_000 + 100 * u64::from(n), |_| {}))
            .collect();
        assert!(day(run_day, &takes).is_empty());
    }

    #[test]
    fn against_the_day() {
        let base = || {
            (1..=8)
                .map(|n| numbered(n, 36_000 + 100 * u64::from(n), |_| {}))
                .collect::<Vec<_>>()
        };
        let with = |take: Take| {
            let mut takes = base();
            let n: usize = take.number.as_ref().unwrap().parse().unwrap();
            takes[n - 1] = take;
            codes(&day(run_day, &takes))
                .into_iter()
                .map(str::to_owned)
                .collect::<Vec<_>>()
        };
        assert_eq!(
            with(numbered(4, 36_400, |h| h.ixml.as_mut().unwrap().project =
                Some("Old".into()))),
            ["project"]
        );
        assert_eq!(
            with(numbered(4, 36_400, |h| h
                .bext
                .as_mut()
                .unwrap()
                .origination_date =
                "2031-04-16".into())),
            ["date"]
        );
        assert_eq!(
            with(numbered(4, 36_400, |h| h.ixml.as_mut().unwrap().tape =
                Some("R9".into()))),
            ["roll"]
        );
        assert_eq!(with(numbered(4, 36_400, |h| h.bits = 16)), ["bit_depth"]);
        assert_eq!(with(numbered(4, 0, |_| {})), ["clock_reset"]);
        assert_eq!(with(numbered(4, 36_000, |_| {})), ["clock_backwards"]);
        let mut takes = base();
        takes.remove(3);
        let found = day(run_day, &takes);
        assert_eq!(codes(&found), ["take_gap"]);
        assert!(found[0].message.ends_with("is take 4 missing?"));
    }
}
