//! What a track carries: from its name and function, else from how it sounds.
//!
//! Names are compared word by word, so that a character called Boomer is no boom. A name that is none of the trade's words is
//! a person's, and the track that person's body microphone.

use std::collections::BTreeMap;

use super::{Take, Track};
use crate::measure::TrackMeasures;
use crate::measure::frames::bands_within;
use crate::report::model::{Role, RoleSource};

/// Words that make a track a mix.
const MIX: &[&str] = &[
    "mix",
    "mixl",
    "mixr",
    "mixlr",
    "mx",
    "mixdown",
    "master",
    "bus",
    "lr",
    "comp",
    "composite",
    "main",
    "sum",
];
const BOOM: &[&str] = &[
    "boom", "booms", "bm", "bom", "boomop", "pole", "fishpole", "overhead", "oh", "shotgun",
    "perch", "perche", "angel",
];
const PLANT: &[&str] = &[
    "plant",
    "planted",
    "plt",
    "hidden",
    "spot",
    "pzm",
    "boundary",
    "car",
    "dash",
    "dashboard",
    "visor",
    "table",
    "amb",
    "ambi",
    "ambience",
    "ambient",
    "atmo",
    "atmos",
    "ms",
    "xy",
    "ortf",
    "stereo",
    "mid",
    "side",
    "surround",
];
const TIMECODE: &[&str] = &["ltc", "tc", "timecode", "smpte"];
const TONE: &[&str] = &["tone", "1k", "1khz", "lineup", "bars"];
const UNUSED: &[&str] = &[
    "unused", "empty", "none", "off", "na", "blank", "free", "mute", "muted",
];
/// Feeds that are recorded and are no microphone on the scene.
const FEEDS: &[&str] = &[
    "slate", "talkback", "tb", "hop", "camera", "cam", "scratch", "ifb", "comms", "comtek",
    "earwig", "playback", "pb", "music", "click", "guide", "return", "pvw", "pgm", "director",
];
/// Words for a body microphone.
const LAV: &[&str] = &[
    "lav",
    "lavs",
    "lavalier",
    "lavaliere",
    "lapel",
    "body",
    "clip",
    "rm",
    "pack",
    "tieclip",
];
/// Words for a body microphone that also say radio.
const RADIO: &[&str] = &[
    "rf",
    "wl",
    "wireless",
    "wless",
    "radio",
    "tx",
    "rx",
    "bp",
    "transmitter",
];
/// Words that leave the microphone open.
const NUMBERED: &[&str] = &[
    "track", "trk", "tr", "ch", "chan", "channel", "input", "in", "iso", "mic", "mike", "audio",
    "aux", "line", "a", "t",
];
/// Marks of a second pack or copy of the same source.
const SPARE: &[&str] = &[
    "spare",
    "backup",
    "bkp",
    "bkup",
    "bu",
    "double",
    "dbl",
    "alt",
    "2nd",
    "second",
    "redundant",
];
/// Marks of a copy at another level.
const SAFETY: &[&str] = &[
    "safety", "sfty", "safe", "pad", "low", "lo", "att", "post", "pre",
];

/// What a name or function says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// Role; [`Role::Unknown`] for feeds that are no microphone of the scene.
    pub role: Role,
    /// Over a radio link, where the name says so.
    pub wireless: Option<bool>,
    /// Wearer, for body microphones: the name without marks.
    pub talker: Option<String>,
}

/// Role of a track from its name and its iXML function; `None` where they say nothing (`Track 3`, `ISO 3`, empty).
pub fn from_name(name: &str, function: &str) -> Option<Named> {
    let words = words(name);
    let has = |list: &[&str]| words.iter().any(|w| list.contains(&w.as_str()));
    let plain = |role| {
        Some(Named {
            role,
            wireless: has(RADIO).then_some(true),
            talker: None,
        })
    };
    let numbers_only = words.iter().all(|w| w.chars().all(|c| c.is_ascii_digit()));
    if has(MIX) || is_left_right(&words) {
        return plain(Role::Mix);
    }
    if has(TIMECODE) || (has(&["time"]) && has(&["code"])) {
        return plain(Role::Timecode);
    }
    if has(TONE) || (has(&["line"]) && has(&["up"])) {
        return plain(Role::Tone);
    }
    if has(BOOM) || (has(&["fish"]) && has(&["pole"])) {
        return plain(Role::Boom);
    }
    // "Car" is a place for a microphone; "Carla" is not this word, and "Table lav" is somebody's.
    if has(PLANT) && !has(LAV) && !has(RADIO) {
        return plain(Role::Plant);
    }
    let unused = has(UNUSED)
        || (has(&["not"]) && has(&["used", "in"]))
        || words == ["n", "a"]
        || words == ["spare"];
    if unused && !has(LAV) {
        return plain(Role::Unused);
    }
    if has(FEEDS) && !has(LAV) {
        return plain(Role::Unknown);
    }
    if has(LAV) || has(RADIO) {
        return Some(Named {
            role: Role::Lav,
            wireless: has(RADIO).then_some(true),
            talker: Some(wearer(name)),
        });
    }
    if let Some(role) = from_function(function) {
        return plain(role);
    }
    if words.is_empty() || numbers_only || generic(&words) {
        return None;
    }
    Some(Named {
        role: Role::Lav,
        wireless: None,
        talker: Some(wearer(name)),
    })
}

/// `L`, `R`, `L R`, `Left`, `Right` and nothing else: a mix by habit.
fn is_left_right(words: &[String]) -> bool {
    !words.is_empty()
        && words
            .iter()
            .all(|w| ["l", "r", "left", "right"].contains(&w.as_str()))
}

/// `ISO 3`, `Trk 4`, `A1`: words that number an input and nothing else.
fn generic(words: &[String]) -> bool {
    words.iter().all(|w| {
        NUMBERED.contains(&w.as_str())
            || SPARE.contains(&w.as_str())
            || w.chars().all(|c| c.is_ascii_digit())
            || w.chars().count() == 1
    })
}

/// iXML's dictionary of functions.
fn from_function(function: &str) -> Option<Role> {
    let function = function.trim().to_ascii_uppercase();
    match function.as_str() {
        "" | "LEFT" | "RIGHT" | "MONO" => None,
        "MIX" | "L-MIX" | "R-MIX" => Some(Role::Mix),
        _ if function.ends_with("-GENERIC") => None,
        _ if ["MID_SIDE", "X_Y", "DMS", "LCR", "LCRS", "5.1", "7.1"]
            .iter()
            .any(|f| function.ends_with(f)) =>
        {
            Some(Role::Plant)
        }
        _ => None,
    }
}

/// Words of a name in lower case; letters and digits are separate words, except for `1k` and the like.
fn words(name: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for part in name.split(|c: char| !c.is_alphanumeric()) {
        if part.is_empty() {
            continue;
        }
        let lower = part.to_lowercase();
        if ["1k", "1khz", "2nd"].contains(&lower.as_str()) {
            words.push(lower);
            continue;
        }
        let mut word = String::new();
        let mut digits = false;
        for c in lower.chars() {
            if !word.is_empty() && c.is_ascii_digit() != digits {
                words.push(std::mem::take(&mut word));
            }
            digits = c.is_ascii_digit();
            word.push(c);
        }
        words.push(word);
    }
    words
}

/// Name without marks of link, level and spare: `RF Mara spare` is Mara, `LAV 2` stays `LAV 2`.
fn wearer(name: &str) -> String {
    let parts: Vec<&str> = name.split_whitespace().collect();
    let is_mark = |part: &str, lists: &[&[&str]]| {
        let words = words(part);
        words
            .first()
            .is_some_and(|w| lists.iter().any(|l| l.contains(&w.as_str())))
            && words[1..]
                .iter()
                .all(|w| w.chars().all(|c| c.is_ascii_digit()))
    };
    let number = |part: &str| {
        words(part)
            .iter()
            .all(|w| w.chars().all(|c| c.is_ascii_digit()))
    };
    let spare = parts.iter().any(|p| is_mark(p, &[SPARE]));
    let mut kept: Vec<&str> = parts
        .iter()
        .copied()
        .filter(|p| !is_mark(p, &[SPARE, SAFETY]))
        .collect();
    // A number behind a spare mark counts spares.
    if spare && kept.len() > 1 && kept.last().is_some_and(|p| number(p)) {
        kept.pop();
    }
    let person: Vec<&str> = kept
        .iter()
        .copied()
        .filter(|p| !is_mark(p, &[LAV, RADIO]) && !number(p))
        .collect();
    // "RF 2": nothing but marks and numbers.
    let chosen = if person.is_empty() {
        kept
    } else {
        // A number is kept when it stands with the person: "Guard 1".
        let marks = kept.iter().any(|p| is_mark(p, &[LAV, RADIO]));
        kept.into_iter()
            .filter(|p| !(is_mark(p, &[LAV, RADIO]) || marks && number(p)))
            .collect()
    };
    let chosen = chosen
        .join(" ")
        .trim_matches(|c: char| !c.is_alphanumeric() && c != ')')
        .to_owned();
    if chosen.is_empty() {
        name.trim().to_owned()
    } else {
        chosen
    }
}

/// `Mara 2` beside `Mara`: the second pack of the same person. Numbered people (`Guard 1`, `Guard 2`) stay apart, because no
/// track has the bare name.
pub(super) fn share_talkers(tracks: &mut [Track]) {
    let bare: Vec<String> = tracks
        .iter()
        .filter_map(|t| t.talker.as_deref().map(str::to_lowercase))
        .collect();
    let originals: Vec<Option<String>> = tracks.iter().map(|t| t.talker.clone()).collect();
    for track in tracks {
        let Some(talker) = &track.talker else {
            continue;
        };
        let lower = talker.to_lowercase();
        if let Some((name, number)) = lower.rsplit_once(' ')
            && number.len() == 1
            && number.chars().all(|c| c.is_ascii_digit())
            && bare.iter().any(|b| b == name)
        {
            track.talker = originals
                .iter()
                .flatten()
                .find(|o| o.to_lowercase() == name)
                .cloned();
        } else if let Some(first) = originals
            .iter()
            .flatten()
            .find(|o| o.to_lowercase() == lower)
        {
            // One spelling for one person.
            track.talker = Some(first.clone());
        }
    }
}

/// A role as settings and arguments write it.
pub fn parse_role(text: &str) -> Option<Role> {
    match text.trim().to_ascii_lowercase().as_str() {
        "mix" => Some(Role::Mix),
        "boom" => Some(Role::Boom),
        "lav" => Some(Role::Lav),
        "plant" => Some(Role::Plant),
        "timecode" | "ltc" => Some(Role::Timecode),
        "tone" => Some(Role::Tone),
        "unused" => Some(Role::Unused),
        "unknown" => Some(Role::Unknown),
        _ => None,
    }
}

/// Roles the user gave, by track name (case does not count) or number.
pub(super) fn apply_user_roles(tracks: &mut [Track], roles: &BTreeMap<String, String>) {
    for track in tracks {
        let given = roles.iter().find(|(key, _)| {
            let key = key.trim();
            key.parse() == Ok(track.index)
                || track
                    .name
                    .as_deref()
                    .is_some_and(|n| n.trim().eq_ignore_ascii_case(key))
        });
        let Some(role) = given.and_then(|(_, role)| parse_role(role)) else {
            continue;
        };
        track.role = role;
        track.role_source = RoleSource::User;
        track.talker = match role {
            Role::Lav => Some(track.name.as_deref().map_or_else(|| track.label(), wearer)),
            _ => None,
        };
    }
}

/// Whether nothing but the signal can say what a track is.
pub fn is_open(track: &Track) -> bool {
    track.role == Role::Unknown && track.role_source == RoleSource::Signal
}

/// Frames a second are 50; this many of them make a track worth judging: two seconds.
const ENOUGH_FRAMES: usize = 100;

/// Roles of tracks about which the metadata says nothing, from how they sound: timecode and tone by their constant level, a
/// mix by carrying what several others carry, boom against body microphone by the balance of highs. Modest by intent: where it
/// is not plain, a track stays [`Role::Unknown`]. Tracks whose name or user gave a role are left alone.
pub fn roles_from_signal(take: &mut Take, tracks: &[TrackMeasures]) {
    let open: Vec<usize> = (0..take.tracks.len().min(tracks.len()))
        .filter(|&i| {
            take.tracks[i].role == Role::Unknown && take.tracks[i].role_source == RoleSource::Signal
        })
        .collect();
    let mut rest = Vec::new();
    for &i in &open {
        match steady(&tracks[i]) {
            Some(role) => take.tracks[i].role = role,
            None => rest.push(i),
        }
    }
    // A mix can only be told where there are at least three other tracks that stand for microphones.
    let candidates: Vec<usize> = (0..tracks.len().min(take.tracks.len()))
        .filter(|&i| rest.contains(&i) || take.tracks[i].is_microphone())
        .collect();
    if let Some(mix) = mixes(&candidates, tracks) {
        for i in mix.into_iter().filter(|i| rest.contains(i)) {
            take.tracks[i].role = Role::Mix;
        }
    }
    rest.retain(|&i| take.tracks[i].role == Role::Unknown);
    let has_boom = take.tracks.iter().any(|t| t.role == Role::Boom);
    let boom = if has_boom { None } else { boom(&rest, tracks) };
    for &i in &rest {
        if Some(i) == boom {
            take.tracks[i].role = Role::Boom;
        } else if (boom.is_some() || has_boom) && active(&tracks[i]).len() >= ENOUGH_FRAMES {
            take.tracks[i].role = Role::Lav;
            take.tracks[i].talker = Some(take.tracks[i].label());
        } else if active(&tracks[i]).is_empty() && is_silent(&tracks[i]) {
            take.tracks[i].role = Role::Unused;
        }
    }
}

fn is_silent(track: &TrackMeasures) -> bool {
    track.frames.power.iter().all(|&p| p <= 0.0)
}

/// Timecode or tone: a level that stands still at a height no noise floor has.
fn steady(track: &TrackMeasures) -> Option<Role> {
    let power = &track.frames.power;
    let loud = crate::units::power(-50.0) as f32;
    let on: Vec<usize> = (0..power.len()).filter(|&f| power[f] > loud).collect();
    if on.len() < ENOUGH_FRAMES || on.len() * 10 < power.len() * 9 {
        return None;
    }
    let mut levels: Vec<f64> = on
        .iter()
        .map(|&f| crate::units::power_db(f64::from(power[f])))
        .collect();
    levels.sort_by(f64::total_cmp);
    let at = |share: f64| levels[((levels.len() - 1) as f64 * share) as usize];
    // Speech and rooms move by tens of dB, timecode by the odd-even weighting of its bits.
    if at(0.9) - at(0.1) > 2.0 {
        return None;
    }
    let mut share = [0f64; crate::measure::BANDS];
    let mut crest = 0f64;
    for &f in &on {
        let total: f64 = track.frames.bands[f].iter().map(|&b| f64::from(b)).sum();
        if total > 0.0 {
            for (s, &b) in share.iter_mut().zip(&track.frames.bands[f]) {
                *s += f64::from(b) / total / on.len() as f64;
            }
        }
        crest += f64::from(track.frames.peak[f]).powi(2) / f64::from(power[f]) / on.len() as f64;
    }
    let strongest = share.iter().copied().fold(0.0, f64::max);
    // A sine lies in one band (or between two) and has a crest factor of 3 dB.
    if strongest > 0.45 && crest < 2.6 && share.iter().filter(|&&s| s > 0.02).count() <= 3 {
        return Some(Role::Tone);
    }
    // Biphase-mark: nearly square, energy from 1 kHz up, little below 800 Hz.
    let low: f64 = share[bands_within(20.0, 700.0)].iter().sum();
    let middle: f64 = share[bands_within(800.0, 5000.0)].iter().sum();
    (crest < 2.6 && low < 0.1 && middle > 0.6).then_some(Role::Timecode)
}

/// Frames well over the track's own floor.
fn active(track: &TrackMeasures) -> Vec<usize> {
    let mut sorted: Vec<f32> = track
        .frames
        .power
        .iter()
        .copied()
        .filter(|&p| p > 0.0)
        .collect();
    if sorted.is_empty() {
        return Vec::new();
    }
    sorted.sort_by(f32::total_cmp);
    let floor = sorted[sorted.len() / 10];
    let bar = floor * crate::units::power(12.0) as f32;
    (0..track.frames.power.len())
        .filter(|&f| track.frames.power[f] > bar)
        .collect()
}

/// Tracks that carry what several others carry: where any of the others speaks clearly above its own floor, they speak too.
fn mixes(candidates: &[usize], tracks: &[TrackMeasures]) -> Option<Vec<usize>> {
    if candidates.len() < 4 {
        return None;
    }
    // Per track the frames in which it leads all the others by 6 dB: moments of its own talker.
    let frames = candidates
        .iter()
        .map(|&i| tracks[i].frames.power.len())
        .min()?;
    let mut found = Vec::new();
    for &mix in candidates {
        let others: Vec<usize> = candidates.iter().copied().filter(|&i| i != mix).collect();
        let mut followed = 0;
        let mut leading = 0;
        for &lead in &others {
            let own: Vec<usize> = active(&tracks[lead])
                .into_iter()
                .filter(|&f| f < frames)
                .filter(|&f| {
                    let p = tracks[lead].frames.power[f];
                    others
                        .iter()
                        .filter(|&&o| o != lead)
                        .all(|&o| tracks[o].frames.power[f] * 4.0 < p)
                })
                .collect();
            if own.len() < ENOUGH_FRAMES / 2 {
                continue;
            }
            leading += 1;
            followed += usize::from(
                correlation(&tracks[mix].frames.power, &tracks[lead].frames.power, &own) > 0.9,
            );
        }
        if leading >= 2 && followed == leading {
            found.push(mix);
        }
    }
    // Half of the tracks being mixes means that nothing was told apart.
    (!found.is_empty() && found.len() <= 2).then_some(found)
}

/// Correlation of the levels in dB of two tracks over some frames; 0 where it cannot be made.
fn correlation(a: &[f32], b: &[f32], frames: &[usize]) -> f64 {
    let level = |p: f32| crate::units::power_db(f64::from(p).max(1e-14));
    let n = frames.len() as f64;
    let (mut sa, mut sb, mut saa, mut sbb, mut sab) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for &f in frames {
        let (x, y) = (level(a[f]), level(b[f]));
        sa += x;
        sb += y;
        saa += x * x;
        sbb += y * y;
        sab += x * y;
    }
    let (va, vb) = (saa - sa * sa / n, sbb - sb * sb / n);
    if va <= 0.0 || vb <= 0.0 {
        return 0.0;
    }
    (sab - sa * sb / n) / (va * vb).sqrt()
}

/// The one track that hears everybody: active in most frames in which any other is, with a smaller spread between its own
/// talkers than body microphones have, and brighter than they are.
fn boom(rest: &[usize], tracks: &[TrackMeasures]) -> Option<usize> {
    if rest.len() < 2 {
        return None;
    }
    let brightness: Vec<(usize, f64)> = rest
        .iter()
        .filter_map(|&i| {
            let frames = active(&tracks[i]);
            if frames.len() < ENOUGH_FRAMES {
                return None;
            }
            let mut values: Vec<f64> = frames
                .iter()
                .map(|&f| {
                    let high = tracks[i].frames.band_power(f, bands_within(4000.0, 8000.0));
                    let low = tracks[i].frames.band_power(f, bands_within(250.0, 1000.0));
                    crate::units::power_db(high.max(1e-20)) - crate::units::power_db(low.max(1e-20))
                })
                .collect();
            values.sort_by(f64::total_cmp);
            Some((i, values[values.len() / 2]))
        })
        .collect();
    let (best, most) = brightness
        .iter()
        .copied()
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let second = brightness
        .iter()
        .filter(|(i, _)| *i != best)
        .map(|(_, b)| *b)
        .fold(f64::NEG_INFINITY, f64::max);
    // It must also hear what the others hear.
    let heard = active(&tracks[best]);
    let others: Vec<usize> = rest.iter().copied().filter(|&i| i != best).collect();
    let covers = others.iter().all(|&o| {
        let own = active(&tracks[o]);
        own.len() < ENOUGH_FRAMES
            || own
                .iter()
                .filter(|f| heard.binary_search(f).is_ok())
                .count()
                * 10
                > own.len() * 6
    });
    (second.is_finite() && most - second > 3.0 && covers).then_some(best)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn role(name: &str) -> Option<Role> {
        from_name(name, "").map(|n| n.role)
    }

    #[test]
    fn habits_of_naming() {
        for name in [
            "MIX", "Mix L", "MixR", "Mix left", "MIX-1", "LR", "L", "mx_l", "Mix L+R",
        ] {
            assert_eq!(role(name), Some(Role::Mix), "{name}");
        }
        for name in [
            "BOOM",
            "Boom 1",
            "BOOM1",
            "boom_2",
            "Bm",
            "Boom A",
            "Boom RF",
            "Overhead",
            "Boom safety",
        ] {
            assert_eq!(role(name), Some(Role::Boom), "{name}");
        }
        for name in [
            "LAV 1",
            "Lav A",
            "RF 1",
            "WL2",
            "Radio 3",
            "Tx 4",
            "Mara",
            "Guard 1",
            "Boomer",
            "Carla",
            "Mara lav",
            "Tony",
            "Mixon",
            "Ångström",
        ] {
            assert_eq!(role(name), Some(Role::Lav), "{name}");
        }
        for name in [
            "Plant", "Plant 2", "CAR", "Dash", "Amb L", "Atmos", "Table", "Mid", "Side",
        ] {
            assert_eq!(role(name), Some(Role::Plant), "{name}");
        }
        for name in ["LTC", "TC", "Timecode", "Time Code", "T.C. SMPTE"] {
            assert_eq!(role(name), Some(Role::Timecode), "{name}");
        }
        for name in ["Tone", "1k", "Line up", "1kHz tone"] {
            assert_eq!(role(name), Some(Role::Tone), "{name}");
        }
        for name in ["unused", "Spare", "N/A", "empty 4", "not used"] {
            assert_eq!(role(name), Some(Role::Unused), "{name}");
        }
        for name in [
            "", " ", "ISO 3", "Trk 4", "Track4", "A1", "ch 12", "7", "Input-2", "-", "Mic 1",
        ] {
            assert_eq!(role(name), None, "{name}");
        }
        for name in ["Talkback", "Camera hop", "IFB", "Slate mic", "Playback L"] {
            assert_eq!(role(name), Some(Role::Unknown), "{name}");
        }
    }

    #[test]
    fn functions_count_where_names_do_not() {
        assert_eq!(from_name("Trk 1", "L-MIX").map(|n| n.role), Some(Role::Mix));
        assert_eq!(from_name("", "MIX").map(|n| n.role), Some(Role::Mix));
        assert_eq!(from_name("Boom", "MIX").map(|n| n.role), Some(Role::Boom));
        assert_eq!(
            from_name("", "M-MID_SIDE").map(|n| n.role),
            Some(Role::Plant)
        );
        assert_eq!(from_name("", "LEFT"), None);
    }

    #[test]
    fn wearers() {
        for (name, talker) in [
            ("Mara", "Mara"),
            ("Mara spare", "Mara"),
            ("Mara spare 2", "Mara"),
            ("RF Mara", "Mara"),
            ("Mara lav", "Mara"),
            ("WL3 Mara", "Mara"),
            ("Lav 2", "Lav 2"),
            ("RF 1", "RF 1"),
            ("RF1", "RF1"),
            ("Guard 1", "Guard 1"),
            ("Old Tom", "Old Tom"),
            ("Mara (spare)", "Mara"),
            ("Lav spare", "Lav"),
        ] {
            assert_eq!(
                from_name(name, "").and_then(|n| n.talker).as_deref(),
                Some(talker),
                "{name}"
            );
        }
        assert_eq!(from_name("RF Mara", "").unwrap().wireless, Some(true));
        assert_eq!(from_name("Boom RF", "").unwrap().wireless, Some(true));
        assert_eq!(from_name("Mara", "").unwrap().wireless, None);
    }

    fn named(names: &[&str]) -> Vec<Track> {
        names
            .iter()
            .enumerate()
            .map(|(i, n)| Track {
                index: i + 1,
                name: Some((*n).to_owned()),
                role: Role::Lav,
                role_source: RoleSource::Metadata,
                wireless: None,
                talker: from_name(n, "").and_then(|n| n.talker),
            })
            .collect()
    }

    #[test]
    fn second_packs_share_their_talker() {
        let talkers = |names: &[&str]| {
            let mut tracks = named(names);
            share_talkers(&mut tracks);
            tracks
                .iter()
                .map(|t| t.talker.clone().unwrap())
                .collect::<Vec<_>>()
        };
        assert_eq!(
            talkers(&["Mara", "MARA 2", "Tobin"]),
            ["Mara", "Mara", "Tobin"]
        );
        assert_eq!(talkers(&["Guard 1", "Guard 2"]), ["Guard 1", "Guard 2"]);
        assert_eq!(talkers(&["Mara", "mara spare"]), ["Mara", "Mara"]);
    }

    #[test]
    fn the_user_has_the_last_word() {
        let mut tracks = named(&["Mara", "Table"]);
        let roles = [("mara", "plant"), ("2", "lav"), ("Tobin", "boom")];
        let roles = roles
            .iter()
            .map(|(k, v)| ((*k).into(), (*v).into()))
            .collect();
        apply_user_roles(&mut tracks, &roles);
        assert_eq!(
            (tracks[0].role, tracks[0].talker.clone()),
            (Role::Plant, None)
        );
        assert_eq!(
            (tracks[1].role, tracks[1].talker.as_deref()),
            (Role::Lav, Some("Table"))
        );
        assert_eq!(tracks[0].role_source, RoleSource::User);
    }
}
