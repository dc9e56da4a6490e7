//! iXML: what the file says about scene, take, tracks and speed.

use super::{Ixml, IxmlTrack};

/// Read an iXML chunk. What cannot be read is left out; a text that is no XML gives `None`.
pub fn parse(bytes: &[u8]) -> Option<Ixml> {
    let text = String::from_utf8_lossy(bytes);
    let text = text.trim_end_matches(['\0', ' ', '\n', '\r']);
    let tree = roxmltree::Document::parse(text).ok()?;
    let root = tree.root_element();
    let find = |name: &str| {
        root.descendants()
            .find(|n| n.has_tag_name(name))
            .and_then(|n| n.text())
            .map(|t| t.trim().to_owned())
            .filter(|t| !t.is_empty())
    };
    let flag = |name: &str| find(name).map(|t| t.eq_ignore_ascii_case("true"));
    let tracks = root
        .descendants()
        .filter(|n| n.has_tag_name("TRACK"))
        .map(|n| {
            let child = |name: &str| {
                n.children()
                    .find(|c| c.has_tag_name(name))
                    .and_then(|c| c.text())
                    .unwrap_or("")
                    .trim()
                    .to_owned()
            };
            IxmlTrack {
                channel_index: child("CHANNEL_INDEX").parse().ok(),
                interleave_index: child("INTERLEAVE_INDEX").parse().ok(),
                name: child("NAME"),
                function: child("FUNCTION"),
            }
        })
        .collect();
    Some(Ixml {
        scene: find("SCENE"),
        take: find("TAKE"),
        tape: find("TAPE"),
        circled: flag("CIRCLED"),
        family_uid: find("FAMILY_UID"),
        total_files: find("TOTAL_FILES").and_then(|t| t.parse().ok()),
        timecode_rate: find("TIMECODE_RATE"),
        tracks,
        ..Ixml::default()
    })
}
