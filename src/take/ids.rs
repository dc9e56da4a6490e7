//! Stable ids of takes: from the audio alone, so that relabelling a file does not make another take of it.

use std::collections::BTreeMap;

use twox_hash::XxHash3_128;

use super::Take;

/// Hexadecimal digits of an id: enough for a million takes with odds of one in a million against two alike.
pub const DIGITS: usize = 16;

/// Ids of takes, in their order. The same audio twice gets `-2`, `-3` in the order of the paths.
pub fn ids(takes: &[Take]) -> Vec<String> {
    let bare: Vec<String> = takes.iter().map(bare).collect();
    let mut by_path: Vec<usize> = (0..takes.len()).collect();
    by_path.sort_by(|&a, &b| path(&takes[a]).cmp(path(&takes[b])).then(a.cmp(&b)));
    let mut ids = bare.clone();
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    for i in by_path {
        let count = seen.entry(&bare[i]).or_default();
        *count += 1;
        if *count > 1 {
            ids[i] = format!("{}-{count}", bare[i]);
        }
    }
    ids
}

/// Id of a take on its own: the first digits of the audio hash; of several files, of the hash of their hashes in track and
/// time order.
pub fn bare(take: &Take) -> String {
    let hashes: Vec<&str> = take
        .files
        .iter()
        .filter_map(|f| f.audio_hash.as_ref())
        .map(|h| h.xxh128.as_str())
        .collect();
    let mut id = match hashes[..] {
        [one] => one.to_owned(),
        _ => format!("{:032x}", XxHash3_128::oneshot(hashes.concat().as_bytes())),
    };
    id.truncate(DIGITS);
    id
}

fn path(take: &Take) -> &str {
    take.files.first().map_or("", |f| f.name.as_str())
}
