//! Files to takes: mono sets and split files become one take.

use super::{Take, TakeFile, Track, timecode::Clock};
use crate::container::Opened;
use crate::report::model::{Role, RoleSource};
use crate::settings::Settings;

/// Join files (with their names in the report) to takes, in the order of roll, clock and name.
pub fn assemble(files: Vec<(Opened, String)>, settings: &Settings) -> Vec<Take> {
    let _ = settings;
    let mut sets: Vec<Vec<(Opened, String)>> = Vec::new();
    for file in files {
        let family = |o: &Opened| {
            o.header
                .ixml
                .as_ref()
                .filter(|x| x.total_files.unwrap_or(1) > 1)
                .and_then(|x| x.family_uid.clone())
        };
        let mine = family(&file.0);
        match sets
            .iter_mut()
            .find(|s| mine.is_some() && family(&s[0].0) == mine)
        {
            Some(set) => set.push(file),
            None => sets.push(vec![file]),
        }
    }
    sets.into_iter().map(take_of).collect()
}

fn take_of(set: Vec<(Opened, String)>) -> Take {
    let header = set[0].0.header.clone();
    let ixml = header.ixml.clone().unwrap_or_default();
    let mut tracks: Vec<Track> = Vec::new();
    let mut files = Vec::new();
    for (opened, name) in set {
        let first_track = tracks.len();
        let list = opened
            .header
            .ixml
            .as_ref()
            .map(|x| x.tracks.clone())
            .unwrap_or_default();
        for channel in 1..=u32::from(opened.header.channels) {
            let name = list
                .iter()
                .find(|t| t.interleave_index == Some(channel))
                .map(|t| t.name.clone());
            let lower = name.clone().unwrap_or_default().to_lowercase();
            let role = if lower.starts_with("mix") {
                Role::Mix
            } else if lower.contains("boom") {
                Role::Boom
            } else if lower.contains("plant") {
                Role::Plant
            } else if lower == "ltc" {
                Role::Timecode
            } else if lower.is_empty() {
                Role::Unknown
            } else {
                Role::Lav
            };
            let talker = (role == Role::Lav).then(|| name.clone().unwrap_or_default());
            let index = tracks.len() + 1;
            tracks.push(Track {
                index,
                name,
                role,
                role_source: RoleSource::Metadata,
                wireless: None,
                talker,
            });
        }
        files.push(TakeFile {
            name,
            opened,
            first_sample: 0,
            first_track,
            hash: None,
            audio_hash: None,
        });
    }
    Take {
        samples: files
            .iter()
            .map(|f| f.opened.header.frames)
            .max()
            .unwrap_or(0),
        files,
        scene: ixml.scene,
        number: ixml.take,
        roll: ixml.tape,
        circled: ixml.circled,
        note: ixml.note,
        no_good: ixml.no_good,
        false_start: None,
        wild: None,
        clock: Clock::default(),
        rate: header.rate,
        bits: header.bits,
        format: header.format,
        tracks,
        set_problems: Vec::new(),
    }
}
