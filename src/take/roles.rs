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

/// Whether the user means this track: by its name (case does not count) or number.
pub fn is_named(key: &str, index: usize, name: Option<&str>) -> bool {
    let key = key.trim();
    key.parse() == Ok(index) || name.is_some_and(|n| n.trim().eq_ignore_ascii_case(key))
}

/// Roles the user gave.
pub(super) fn apply_user_roles(tracks: &mut [Track], roles: &BTreeMap<String, String>) {
    for track in tracks {
        let given = roles
            .iter()
            .find(|(key, _)| is_named(key, track.index, track.name.as_deref()));
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
    if rest.is_empty() {
        return;
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
        let row = track.frames.row(f);
        let total: f64 = row.iter().map(|&b| f64::from(b)).sum();
        if total > 0.0 {
            for (s, &b) in share.iter_mut().zip(&row) {
                *s += f64::from(b) / total / on.len() as f64;
            }
        }
        crest +=
            f64::from(track.frames.peak.get(f)).powi(2) / f64::from(power[f]) / on.len() as f64;
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

/// Frames that are compared between two tracks at most: a take of any length is judged as fast.
const COMPARED_FRAMES: usize = 20_000;
/// A band counts in a frame down to so far below the strongest one; below that the other sources of a mix show.
const BAND_RANGE_DB: f64 = 20.0;
/// Spread over the bands up to which one track is a scaled copy of another: a second fader 17 dB down moves a band by 1.2 dB,
/// two microphones on one voice differ by 4 dB and more in frames of 20 ms.
const COPY_SPREAD_DB: f64 = 2.0;

/// Tracks that are a scaled copy of one track now and of another then: sums that somebody mixes.
fn mixes(candidates: &[usize], tracks: &[TrackMeasures]) -> Option<Vec<usize>> {
    if candidates.len() < 4 {
        return None;
    }
    let spoken: Vec<(usize, Vec<usize>)> = candidates
        .iter()
        .map(|&i| (i, active(&tracks[i])))
        .collect();
    // Two tracks that are one signal are copied in the same frames; a mix takes its sources in turn.
    let apart = |x: &[usize], y: &[usize]| {
        let own = x.iter().filter(|f| y.binary_search(f).is_err()).count();
        own >= ENOUGH_FRAMES
    };
    let is_mix = |mix: &usize| {
        let copies: Vec<Vec<usize>> = spoken
            .iter()
            .filter(|(source, _)| source != mix)
            .map(|(source, frames)| copied(&tracks[*mix], &tracks[*source], frames))
            .collect();
        copies
            .iter()
            .enumerate()
            .any(|(i, x)| copies[i + 1..].iter().any(|y| apart(x, y) && apart(y, x)))
    };
    let found: Vec<usize> = candidates.iter().copied().filter(is_mix).collect();
    // Half of the tracks being mixes means that nothing was told apart.
    (!found.is_empty() && found.len() <= 2).then_some(found)
}

/// Those of a source's active frames in which one track is, but for its level, that source: the bands that carry the sound
/// differ by the same amount.
fn copied(mix: &TrackMeasures, source: &TrackMeasures, active: &[usize]) -> Vec<usize> {
    let bands = bands_within(200.0, 6000.0);
    let frames = mix.frames.power.len();
    let step = active.len().div_ceil(COMPARED_FRAMES).max(1);
    let is_copy = |f: &usize| {
        let (row, other) = (source.frames.row(*f), mix.frames.row(*f));
        let row = &row[bands.clone()];
        let least =
            row.iter().fold(0f32, |m, &p| m.max(p)) * crate::units::power(-BAND_RANGE_DB) as f32;
        let apart: Vec<f64> = row
            .iter()
            .zip(&other[bands.clone()])
            .filter(|(s, m)| **s > least && **m > 0.0)
            .map(|(s, m)| crate::units::power_db(f64::from(*m) / f64::from(*s)))
            .collect();
        let n = apart.len() as f64;
        let mean = apart.iter().sum::<f64>() / n;
        let spread = (apart.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / n).sqrt();
        apart.len() >= 5 && spread < COPY_SPREAD_DB
    };
    active
        .iter()
        .copied()
        .step_by(step)
        .filter(|&f| f < frames)
        .filter(is_copy)
        .collect()
}

/// Lead in brightness that tells a boom, dB: cloth and chin take the highs off body microphones.
const BRIGHTER_DB: f64 = 3.0;
/// Lead in evenness that tells a boom, dB: a body microphone hears the others 10 to 20 dB below its wearer.
const MORE_EVEN_DB: f64 = 4.0;

/// The one track that hears everybody: brighter than the others, or as loud whoever speaks; the two must not disagree.
fn boom(rest: &[usize], tracks: &[TrackMeasures]) -> Option<usize> {
    let spoken: Vec<(usize, Vec<usize>)> = rest
        .iter()
        .map(|&i| (i, active(&tracks[i])))
        .filter(|(_, frames)| frames.len() >= ENOUGH_FRAMES)
        .collect();
    let mut anybody: Vec<usize> = spoken.iter().flat_map(|(_, f)| f.clone()).collect();
    anybody.sort_unstable();
    anybody.dedup();
    let level = |p: f64| crate::units::power_db(p.max(1e-20));
    let brightness = |i: usize, frames: &[usize]| {
        let frames = frames.iter().map(|&f| {
            let high = tracks[i].frames.band_power(f, bands_within(4000.0, 8000.0));
            level(high) - level(tracks[i].frames.band_power(f, bands_within(250.0, 1000.0)))
        });
        quantile(frames, 0.5)
    };
    // From the loud moments of whoever speaks down to the usual ones of those who do not wear it.
    let evenness = |i: usize| {
        let power = &tracks[i].frames.power;
        let levels: Vec<f64> = anybody
            .iter()
            .filter_map(|&f| power.get(f).map(|&p| level(f64::from(p))))
            .collect();
        quantile(levels.iter().copied(), 0.3) - quantile(levels.iter().copied(), 0.9)
    };
    let brightest = leader(
        spoken.iter().map(|(i, f)| (*i, brightness(*i, f))),
        BRIGHTER_DB,
    );
    let most_even = leader(spoken.iter().map(|(i, _)| (*i, evenness(*i))), MORE_EVEN_DB);
    let best = match (brightest, most_even) {
        (Some(a), Some(b)) if a != b => return None,
        (a, b) => a.or(b)?,
    };
    // It must also hear what the others hear.
    let (_, heard) = spoken.iter().find(|(i, _)| *i == best)?;
    let covers = spoken.iter().filter(|(i, _)| *i != best).all(|(_, own)| {
        let shared = own.iter().filter(|f| heard.binary_search(f).is_ok());
        shared.count() * 10 > own.len() * 6
    });
    covers.then_some(best)
}

/// The track whose value exceeds all others by more than a lead; `None` where there is none, or no other.
fn leader(values: impl Iterator<Item = (usize, f64)>, lead: f64) -> Option<usize> {
    let mut values: Vec<(usize, f64)> = values.collect();
    values.sort_by(|a, b| b.1.total_cmp(&a.1));
    let (first, second) = (values.first()?, values.get(1)?);
    (first.1 - second.1 > lead).then_some(first.0)
}

/// Value below which a share of the values lies; 0 of nothing.
fn quantile(values: impl Iterator<Item = f64>, share: f64) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let at = (share * values.len().saturating_sub(1) as f64) as usize;
    values.get(at).copied().unwrap_or(0.0)
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
