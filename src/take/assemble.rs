//! Files to takes: mono sets and split files become one take.
//!
//! Files belong together where the recorder says so (one family id of several files), else where name, stamp and length say
//! so: `27B-3_1.wav`, `27B-3_2.wav` of one length and one stamp are a mono set; a file that starts at the very sample at
//! which another of the same scene, take and tracks ends is its continuation. Nothing is joined across folders, so that two
//! copies of a card stay two copies.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::{SetProblem, Take, TakeFile, Track, roles, slate, timecode, timecode::Clock};
use crate::container::{Header, Ixml, Opened, bext};
use crate::report::model::{Role, RoleSource, SampleFormat};
use crate::settings::Settings;

/// Largest gap or overlap between two parts of a split take, s. Recorders that drop samples at a file change lose less than
/// one; a longer gap is a stop and a new start.
const MAX_JOIN_GAP_S: f64 = 10.0;
/// A file of at least this size may have been closed because a size limit was reached (2 GiB less the usual reserve).
const NEAR_LIMIT_BYTES: u64 = 1_900_000_000;

/// One file on its way into a take.
struct Member {
    opened: Opened,
    name: String,
    ixml: Ixml,
    clock: Clock,
    scene: Option<String>,
    number: Option<String>,
}

/// Informal text of the bext description, which stands in only where there is no iXML at all.
fn informal(header: &Header, key: &str) -> Option<String> {
    let bext = header.bext.as_ref().filter(|_| header.ixml.is_none())?;
    bext::described(bext, key).map(str::to_owned)
}

impl Member {
    fn new(opened: Opened, name: String) -> Member {
        let ixml = opened.header.ixml.clone().unwrap_or_default();
        let informal = |key: &str| informal(&opened.header, key);
        let scene = ixml.scene.clone().or_else(|| informal("SCENE"));
        let number = ixml.take.clone().or_else(|| informal("TAKE"));
        let clock = clock(&opened, informal("FPS").or_else(|| informal("SPEED")));
        Member {
            ixml,
            clock,
            scene,
            number,
            opened,
            name,
        }
    }

    fn folder(&self) -> PathBuf {
        self.opened
            .path
            .parent()
            .map(PathBuf::from)
            .unwrap_or_default()
    }

    fn format(&self) -> (u32, u16, SampleFormat) {
        let h = &self.opened.header;
        (h.rate, h.bits, h.format)
    }

    fn frames(&self) -> u64 {
        self.opened.header.frames
    }

    /// Family id where the recorder says that the recording has several files.
    fn family(&self) -> Option<&str> {
        self.ixml
            .family_uid
            .as_deref()
            .filter(|_| self.ixml.total_files.unwrap_or(1) > 1)
    }

    /// Position in its file set: a number or a letter.
    fn set_index(&self) -> Option<u32> {
        let text = self.ixml.file_set_index.as_deref()?.trim();
        text.parse().ok().or_else(|| {
            let mut chars = text.chars();
            match (chars.next(), chars.next()) {
                (Some(c), None) if c.is_ascii_alphabetic() => {
                    Some(c.to_ascii_uppercase() as u32 - 'A' as u32 + 1)
                }
                _ => None,
            }
        })
    }
}

/// Clock of a file: the official stamp of the bext chunk, else iXML's; rate from iXML, else from informal text.
fn clock(opened: &Opened, informal_rate: Option<String>) -> Clock {
    let header = &opened.header;
    let ixml = header.ixml.as_ref();
    let start = match &header.bext {
        Some(bext) => Some(bext.time_reference),
        None => ixml.and_then(|x| {
            let samples = u128::from(x.timestamp_samples?);
            // Counted at another rate than the file's.
            let counted = u128::from(
                x.timestamp_sample_rate
                    .filter(|&r| r > 0)
                    .unwrap_or(header.rate),
            );
            u64::try_from(samples * u128::from(header.rate) / counted).ok()
        }),
    };
    let rate = ixml
        .and_then(|x| x.timecode_rate.clone())
        .or(informal_rate)
        .and_then(|t| timecode::parse_rate(&t));
    let flag = ixml
        .and_then(|x| x.timecode_flag.as_deref())
        .and_then(drop_flag);
    let frame_rate = rate.map(|(r, _)| r);
    Clock {
        start,
        rate: header.rate,
        frame_rate,
        drop_frame: frame_rate.is_some_and(timecode::can_drop)
            && flag.or(rate.and_then(|(_, d)| d)).unwrap_or(false),
    }
}

/// `DF`, `NDF` and how else it is written.
pub(crate) fn drop_flag(text: &str) -> Option<bool> {
    let text = text.trim().to_ascii_uppercase();
    match text.as_str() {
        "DF" | "D" | "DROP" | "DROP FRAME" | "TRUE" => Some(true),
        "NDF" | "ND" | "N" | "NON DROP" | "NON-DROP" | "NON-DROP FRAME" | "FALSE" => Some(false),
        _ => None,
    }
}

/// Join files (with their names in the report) to takes, in the order of the names.
pub fn assemble(files: Vec<(Opened, String)>, settings: &Settings) -> Vec<Take> {
    let members: Vec<Member> = files.into_iter().map(|(o, n)| Member::new(o, n)).collect();
    let sequences = in_time(in_step(members));
    let mut takes: Vec<Take> = sequences
        .into_iter()
        .map(|s| take_of(s, settings))
        .collect();
    takes.sort_by(|a, b| a.files[0].name.cmp(&b.files[0].name));
    takes
}

/// Files recorded side by side.
struct Set {
    members: Vec<Member>,
    /// Missing members by family, filled in for the first set of a family.
    problems: Vec<SetProblem>,
}

/// Sets of files recorded side by side, every other file alone.
fn in_step(members: Vec<Member>) -> Vec<Set> {
    let mut families: BTreeMap<(PathBuf, String), Vec<Member>> = BTreeMap::new();
    let mut named: BTreeMap<NameKey, Vec<Member>> = BTreeMap::new();
    let mut sets: Vec<Set> = Vec::new();
    for member in members {
        if let Some(family) = member.family() {
            families
                .entry((member.folder(), family.to_owned()))
                .or_default()
                .push(member);
        } else if let Some(key) = name_key(&member) {
            named.entry(key).or_default().push(member);
        } else {
            sets.push(alone(member));
        }
    }
    for ((_, _), family) in families {
        sets.extend(family_sets(family));
    }
    for (_, group) in named {
        let compatible = group.len() > 1
            && group.iter().all(|m| {
                m.format() == group[0].format()
                    && m.scene == group[0].scene
                    && m.number == group[0].number
            });
        if compatible {
            let mut members = group;
            members.sort_by_key(|m| {
                (
                    index_suffix(slate::stem(&m.name)).map(|(_, n, _)| n),
                    m.name.clone(),
                )
            });
            sets.push(Set {
                members,
                problems: Vec::new(),
            });
        } else {
            sets.extend(group.into_iter().map(alone));
        }
    }
    sets
}

fn alone(member: Member) -> Set {
    Set {
        members: vec![member],
        problems: Vec::new(),
    }
}

/// Folder, name before the number, stamp, length, format.
type NameKey = (PathBuf, String, Option<u64>, u64, String);

/// What mono files of one set share where no family id joins them: folder, name before the number, stamp, length.
fn name_key(member: &Member) -> Option<NameKey> {
    let header = &member.opened.header;
    if header.channels != 1 || header.frames == 0 {
        return None;
    }
    let (stem, _, marked) = index_suffix(slate::stem(&member.name))?;
    // Without a stamp a bare number may as well count takes.
    let start = member.clock.start.filter(|&s| s > 0);
    if start.is_none() && !marked {
        return None;
    }
    let format = format!("{:?}", member.format());
    Some((
        member.folder(),
        stem.to_lowercase(),
        start,
        header.frames,
        format,
    ))
}

/// A name of a mono set as stem, number and whether the suffix speaks of tracks: `27B-3_2`, `27B-3_CH2`, `27B-3.L`.
fn index_suffix(stem: &str) -> Option<(&str, u32, bool)> {
    let at = stem.rfind(['_', '.', '-', ' '])?;
    let (head, suffix) = (&stem[..at], &stem[at + 1..]);
    let lower = suffix.to_ascii_lowercase();
    if head.is_empty() {
        return None;
    }
    if let Some(side) = ["l", "r"].iter().position(|s| *s == lower) {
        return Some((head, side as u32 + 1, true));
    }
    let letters = lower.chars().take_while(char::is_ascii_alphabetic).count();
    let (word, digits) = lower.split_at(letters);
    let number = (1..=2)
        .contains(&digits.len())
        .then(|| digits.parse().ok())
        .flatten()?;
    match word {
        "" => Some((head, number, false)),
        "ch" | "tr" | "trk" | "track" | "iso" | "a" | "m" => Some((head, number, true)),
        _ => None,
    }
}

/// One family: files with one stamp stand side by side, files with different stamps follow each other. A second file with the
/// same place in the set is a copy and starts a set of its own.
fn family_sets(family: Vec<Member>) -> Vec<Set> {
    let total = family
        .iter()
        .filter_map(|m| m.ixml.total_files)
        .max()
        .unwrap_or(1);
    let present = family.len() as u32;
    let mut sets: Vec<Set> = Vec::new();
    for member in family {
        let place = member.set_index();
        let fits = sets.iter_mut().find(|s| {
            let first = &s.members[0];
            first.clock.start == member.clock.start
                && first.format() == member.format()
                && (place.is_none() || s.members.iter().all(|m| m.set_index() != place))
        });
        match fits {
            Some(set) => set.members.push(member),
            None => sets.push(alone(member)),
        }
    }
    for set in &mut sets {
        set.members
            .sort_by(|a, b| (a.set_index(), &a.name).cmp(&(b.set_index(), &b.name)));
    }
    sets.sort_by_key(|s| (s.members[0].clock.start, s.members[0].name.clone()));
    // Files beyond the total are copies; a set that is complete with copies is complete.
    let places: BTreeSet<Option<u32>> = sets
        .iter()
        .flat_map(|s| s.members.iter().map(Member::set_index))
        .collect();
    let distinct = if places.contains(&None) {
        present
    } else {
        places.len() as u32
    };
    if distinct < total {
        let names = missing_names(&sets, total);
        sets[0].problems.push(SetProblem::MissingMembers {
            total,
            present: distinct,
            names,
        });
    }
    sets
}

/// Names of the files that a set lacks, where the names of the others end in their place.
fn missing_names(sets: &[Set], total: u32) -> Vec<String> {
    let members = || sets.iter().flat_map(|s| &s.members);
    let mut shape: Option<(String, String, usize)> = None;
    let mut shift = None;
    for member in members() {
        let stem = slate::stem(&member.name);
        let Some(place) = member.set_index() else {
            return Vec::new();
        };
        let digits = stem.bytes().rev().take_while(u8::is_ascii_digit).count();
        let (head, number) = stem.split_at(stem.len() - digits);
        let Ok(number) = number.parse::<u32>() else {
            return Vec::new();
        };
        let extension = member
            .name
            .rsplit_once('.')
            .map_or("", |(_, e)| e)
            .to_owned();
        let folder = member
            .name
            .rsplit_once('/')
            .map_or(String::new(), |(f, _)| format!("{f}/"));
        let this = (format!("{folder}{head}"), extension, digits);
        if shape
            .as_ref()
            .is_some_and(|s| (&s.0, &s.1) != (&this.0, &this.1))
            || *shift.get_or_insert(i64::from(number) - i64::from(place))
                != i64::from(number) - i64::from(place)
        {
            return Vec::new();
        }
        shape.get_or_insert(this);
    }
    let Some((head, extension, digits)) = shape else {
        return Vec::new();
    };
    let padded = members().all(|m| {
        slate::stem(&m.name)
            .bytes()
            .rev()
            .take_while(u8::is_ascii_digit)
            .count()
            == digits
    }) && digits > 1;
    (1..=total.min(256))
        .filter(|place| members().all(|m| m.set_index() != Some(*place)))
        .map(|place| {
            let number = i64::from(place) + shift.unwrap_or(0);
            let number = if padded {
                format!("{number:0digits$}")
            } else {
                number.to_string()
            };
            format!("{head}{number}.{extension}")
        })
        .collect()
}

/// Sets that follow each other, each with the gap before it in samples (the first has none).
type Sequence = Vec<(Set, i64)>;

/// Join sets that continue each other.
fn in_time(mut sets: Vec<Set>) -> Vec<Sequence> {
    sets.sort_by(|a, b| {
        let key = |s: &Set| {
            (
                s.members[0].folder(),
                s.members[0].clock.start,
                s.members[0].name.clone(),
            )
        };
        key(a).cmp(&key(b))
    });
    let mut sequences: Vec<Sequence> = Vec::new();
    for set in sets {
        let joined = sequences.iter_mut().rev().find_map(|sequence| {
            let (last, _) = sequence.last()?;
            continues(last, &set).map(|gap| (sequence, gap))
        });
        match joined {
            Some((sequence, gap)) => sequence.push((set, gap)),
            None => sequences.push(vec![(set, 0)]),
        }
    }
    sequences
}

/// Samples between the end of one set and the start of the next, if the next one continues it.
fn continues(last: &Set, next: &Set) -> Option<i64> {
    let (a, b) = (&last.members[0], &next.members[0]);
    let same = a.format() == b.format()
        && last.members.len() == next.members.len()
        && a.opened.header.channels == b.opened.header.channels
        && a.scene == b.scene
        && a.number == b.number
        && a.ixml.tape == b.ixml.tape
        && a.ixml
            .tracks
            .iter()
            .map(|t| &t.name)
            .eq(b.ixml.tracks.iter().map(|t| &t.name))
        && a.folder() == b.folder();
    if !same || (a.clock.start == Some(0) && b.clock.start == Some(0)) {
        return None;
    }
    let frames = last.members.iter().map(Member::frames).max().unwrap_or(0);
    let end = i64::try_from(a.clock.start?.checked_add(frames)?).ok()?;
    let start = i64::try_from(b.clock.start?).ok()?;
    let gap = start.checked_sub(end)?;
    let family = a.family().is_some() && a.family() == b.family();
    let labelled = a.scene.is_some() && a.number.is_some();
    // To the sample is no accident; a gap needs another reason to believe that one recording was split.
    let exact = gap == 0 && frames > 0 && (family || labelled);
    let near_limit = a.opened.header.bytes >= NEAR_LIMIT_BYTES && labelled;
    let close = gap.unsigned_abs() <= (MAX_JOIN_GAP_S * f64::from(a.clock.rate)) as u64
        && start > i64::try_from(a.clock.start?).ok()?;
    (exact || (close && (family || near_limit))).then_some(gap)
}

/// One take from sets that follow each other.
fn take_of(sequence: Sequence, settings: &Settings) -> Take {
    let mut set_problems: Vec<SetProblem> = Vec::new();
    let mut files = Vec::new();
    let mut tracks: Vec<Track> = Vec::new();
    let mut end = 0u64;
    let mut lead: Option<Member> = None;
    for (part, (set, gap)) in sequence.into_iter().enumerate() {
        let first_sample = end.saturating_add_signed(gap);
        if gap != 0 {
            set_problems.push(SetProblem::SplitGap {
                at_sample: end.min(first_sample),
                gap_samples: gap,
            });
        }
        set_problems.extend(set.problems);
        let mut first_track = 0;
        for member in set.members {
            let channels = usize::from(member.opened.header.channels);
            if part == 0 {
                tracks.extend(tracks_of(&member, tracks.len()));
            }
            end = end.max(first_sample + member.frames());
            files.push(TakeFile {
                name: member.name.clone(),
                opened: member.opened.clone(),
                first_sample,
                first_track,
                hash: None,
                audio_hash: None,
            });
            first_track += channels;
            lead.get_or_insert(member);
        }
    }
    roles::share_talkers(&mut tracks);
    roles::apply_user_roles(&mut tracks, &settings.roles);
    // `lead` is always there: a sequence holds at least one set of at least one file.
    let (ixml, scene, number, clock) = lead
        .map(|m| (m.ixml, m.scene, m.number, m.clock))
        .unwrap_or_default();
    let header = &files[0].opened.header;
    let informal = |key: &str| informal(header, key);
    let (rate, bits, format) = (header.rate, header.bits, header.format);
    let roll = ixml
        .tape
        .or_else(|| informal("TAPE"))
        .or_else(|| informal("ROLL"));
    let note = ixml.note.or_else(|| informal("NOTE"));
    Take {
        samples: end,
        files,
        scene,
        number,
        roll,
        circled: ixml.circled,
        note,
        no_good: ixml.no_good,
        false_start: ixml.false_start,
        wild: ixml.wild_track,
        clock,
        ltc_start: None,
        rate,
        bits,
        format,
        tracks,
        set_problems,
    }
}

/// The tracks of one file, numbered on from `before`.
fn tracks_of(member: &Member, before: usize) -> Vec<Track> {
    let header = &member.opened.header;
    (1..=usize::from(header.channels))
        .map(|channel| {
            let (name, function) = label_of(member, channel);
            let named = roles::from_name(name.as_deref().unwrap_or(""), &function);
            Track {
                index: before + channel,
                name,
                role: named.as_ref().map_or(Role::Unknown, |n| n.role),
                // Where nothing is said, the signal will have to tell.
                role_source: if named.is_some() {
                    RoleSource::Metadata
                } else {
                    RoleSource::Signal
                },
                wireless: named.as_ref().and_then(|n| n.wireless),
                talker: named.and_then(|n| n.talker),
            }
        })
        .collect()
}

/// Name and function of a channel (1-based) of a file.
///
/// By interleave index; where those are missing or repeated, by position in the list. A mono file whose list names all tracks
/// of the set takes the row of its place in the set. Without iXML the informal `TRK1=` lines of the description count.
fn label_of(member: &Member, channel: usize) -> (Option<String>, String) {
    let list = &member.ixml.tracks;
    let header = &member.opened.header;
    let channels = usize::from(header.channels);
    let row = if channels == 1 && list.len() > 1 {
        let place = member.set_index();
        list.iter()
            .find(|t| place.is_some() && t.channel_index == place)
            .or_else(|| {
                list.iter()
                    .find(|t| place.is_some() && t.interleave_index == place)
            })
            .or_else(|| list.first())
    } else {
        let indexes: BTreeSet<u32> = list.iter().filter_map(|t| t.interleave_index).collect();
        if indexes.len() == list.len() {
            list.iter()
                .find(|t| t.interleave_index == u32::try_from(channel).ok())
        } else {
            list.get(channel - 1)
        }
    };
    let informal = || {
        let bext = header.bext.as_ref().filter(|_| header.ixml.is_none())?;
        ["TRK", "TRACK", "TR"]
            .iter()
            .find_map(|key| bext::described(bext, &format!("{key}{channel}")))
    };
    let name = row
        .map(|r| r.name.trim().to_owned())
        .or_else(|| informal().map(str::to_owned))
        .filter(|n| !n.is_empty());
    (name, row.map(|r| r.function.clone()).unwrap_or_default())
}
