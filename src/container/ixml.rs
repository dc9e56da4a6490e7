//! iXML: what the file says about scene, take, tracks and speed.
//!
//! Real chunks are not always well-formed: bare `&` in remarks, NULs and spaces behind the end, other letter cases, elements
//! at another level than the specification puts them. The reader takes what it can find and says what was wrong; it is a
//! tokenizer of its own with a bounded stack, so that a hostile text costs no more than its length.

use super::{Ixml, IxmlTrack};

/// Largest part of an iXML chunk that is read.
pub(crate) const MAX_BYTES: u64 = 4 << 20;
/// Deeper elements are skipped; the specification needs four levels.
const MAX_DEPTH: usize = 16;
/// Longest text of one element, characters.
const MAX_TEXT: usize = 16 << 10;
/// More track rows than any recorder writes.
const MAX_TRACKS: usize = 1024;

/// What a chunk held, and what was wrong with it.
#[derive(Debug, Default)]
pub(crate) struct Parsed {
    /// `None` where no element was found at all.
    pub(crate) ixml: Option<Ixml>,
    /// Where the text departs from well-formed XML.
    pub(crate) repair: Option<String>,
}

/// Read an iXML chunk. What cannot be read is left out; a text without any element gives `None`.
pub fn parse(bytes: &[u8]) -> Option<Ixml> {
    read(bytes).ixml
}

/// As [`parse`], with what was wrong.
pub(crate) fn read(bytes: &[u8]) -> Parsed {
    let text = decode(bytes);
    let text = text.trim_matches(['\0', ' ', '\t', '\r', '\n', '\u{feff}']);
    if text.is_empty() {
        return Parsed {
            ixml: None,
            repair: Some("the chunk is empty".into()),
        };
    }
    let options = roxmltree::ParsingOptions {
        nodes_limit: 200_000,
        ..roxmltree::ParsingOptions::default()
    };
    let (leaves, depth) = tokenize(text);
    // The strict parser only words the complaint; texts nested beyond all sense never reach it.
    let repair = if depth > MAX_DEPTH {
        Some(format!(
            "elements nested {depth} deep: the inner ones are ignored"
        ))
    } else {
        roxmltree::Document::parse_with_options(text, options)
            .err()
            .map(|error| format!("not well-formed XML ({error}): read as far as possible"))
    };
    let ixml = (!leaves.is_empty()).then(|| fields(&leaves));
    Parsed { ixml, repair }
}

/// UTF-8, UTF-16 with a byte order mark, else Latin-1.
fn decode(bytes: &[u8]) -> String {
    let utf16 = |swap: bool| {
        let units = bytes[2..].chunks_exact(2).map(|b| {
            let unit = u16::from_le_bytes([b[0], b[1]]);
            if swap { unit.swap_bytes() } else { unit }
        });
        char::decode_utf16(units)
            .map(|c| c.unwrap_or(char::REPLACEMENT_CHARACTER))
            .collect()
    };
    match bytes {
        [0xFF, 0xFE, ..] => utf16(false),
        [0xFE, 0xFF, ..] => utf16(true),
        _ => match std::str::from_utf8(bytes) {
            Ok(text) => text.to_owned(),
            Err(_) => bytes.iter().map(|&b| char::from(b)).collect(),
        },
    }
}

/// Text of one element without children.
#[derive(Debug, PartialEq)]
struct Leaf {
    /// Names below the root, upper case, joined by `/`.
    path: String,
    /// How many `TRACK` elements had been opened when it ended.
    track: usize,
    text: String,
}

/// Leaves in document order, and the greatest depth met. Never fails: what is no tag is text, and an end tag closes
/// everything up to its start tag.
fn tokenize(text: &str) -> (Vec<Leaf>, usize) {
    let mut leaves = Vec::new();
    let mut stack: Vec<String> = Vec::new();
    let (mut over, mut deepest, mut track) = (0usize, 0usize, 0usize);
    let mut content = String::new();
    let mut has_children = false;
    let mut rest = text;
    while !rest.is_empty() {
        let Some(open) = rest.find('<') else {
            add(&mut content, rest);
            break;
        };
        add(&mut content, &rest[..open]);
        rest = &rest[open..];
        if let Some(skipped) = skip(rest, "<!--", "-->").or_else(|| skip(rest, "<?", "?>")) {
            rest = skipped;
            continue;
        }
        if let Some(body) = rest.strip_prefix("<![CDATA[") {
            let end = body.find("]]>").unwrap_or(body.len());
            let room = MAX_TEXT.saturating_sub(content.len());
            content.extend(body[..end].chars().take(room));
            rest = body.get(end + 3..).unwrap_or("");
            continue;
        }
        if let Some(declaration) = skip(rest, "<!", ">") {
            rest = declaration;
            continue;
        }
        let tag = &rest[1..];
        let (closing, tag) = match tag.strip_prefix('/') {
            Some(tag) => (true, tag),
            None => (false, tag),
        };
        let name_len = tag
            .find(|c: char| !(c.is_ascii_alphanumeric() || "_-.:".contains(c)))
            .unwrap_or(tag.len());
        let (name, after) = tag.split_at(name_len);
        if name.is_empty() {
            // A bare "<" in a text.
            add(&mut content, "<");
            rest = &rest[1..];
            continue;
        }
        let (inside, next) = end_of_tag(after);
        rest = next;
        let name = name.to_ascii_uppercase();
        if closing {
            if over > 0 {
                over -= 1;
            } else if let Some(level) = stack.iter().rposition(|n| *n == name) {
                if !has_children && level + 1 == stack.len() && level > 0 {
                    leaves.push(Leaf {
                        path: stack[1..].join("/"),
                        track,
                        text: std::mem::take(&mut content).trim().to_owned(),
                    });
                }
                stack.truncate(level);
                has_children = true;
            }
            content.clear();
            continue;
        }
        content.clear();
        deepest = deepest.max(stack.len() + over + 1);
        if inside.ends_with('/') {
            has_children = true;
        } else if stack.len() >= MAX_DEPTH {
            over += 1;
        } else {
            track += usize::from(name == "TRACK");
            stack.push(name);
            has_children = false;
        }
    }
    (leaves, deepest)
}

/// What follows `from ... to` where `text` starts with it; a missing end swallows the rest.
fn skip<'a>(text: &'a str, from: &str, to: &str) -> Option<&'a str> {
    let body = text.strip_prefix(from)?;
    Some(body.find(to).map_or("", |end| &body[end + to.len()..]))
}

/// Splits behind the name of a tag: its inside, and what follows the `>`; `>` within quotes does not count.
fn end_of_tag(text: &str) -> (&str, &str) {
    let mut quote = None;
    for (at, c) in text.char_indices() {
        match (quote, c) {
            (Some(q), c) if c == q => quote = None,
            (None, '"' | '\'') => quote = Some(c),
            (None, '>') => return (&text[..at], &text[at + 1..]),
            // A tag that was never closed.
            (None, '<') => return (&text[..at], &text[at..]),
            _ => {}
        }
    }
    match text.find('>') {
        Some(at) => (&text[..at], &text[at + 1..]),
        None => (text, ""),
    }
}

/// Append text with its entities resolved and control characters made blanks.
fn add(content: &mut String, text: &str) {
    let mut rest = text;
    while content.len() < MAX_TEXT {
        let Some(amp) = rest.find('&') else { break };
        push_clean(content, &rest[..amp]);
        rest = &rest[amp..];
        let entity = rest
            .get(1..)
            .and_then(|r| r.find(';').filter(|&end| end <= 8).map(|end| &r[..end]));
        let resolved = entity.and_then(|e| match e {
            "amp" => Some('&'),
            "lt" => Some('<'),
            "gt" => Some('>'),
            "quot" => Some('"'),
            "apos" => Some('\''),
            _ => {
                let number = e.strip_prefix('#')?;
                let code = match number.strip_prefix(['x', 'X']) {
                    Some(hex) => u32::from_str_radix(hex, 16).ok()?,
                    None => number.parse().ok()?,
                };
                char::from_u32(code)
            }
        });
        match (resolved, entity) {
            (Some(c), Some(entity)) => {
                content.push(if c.is_control() { ' ' } else { c });
                rest = &rest[entity.len() + 2..];
            }
            _ => {
                content.push('&');
                rest = &rest[1..];
            }
        }
    }
    push_clean(content, rest);
}

fn push_clean(content: &mut String, text: &str) {
    let room = MAX_TEXT.saturating_sub(content.len());
    content.extend(
        text.chars()
            .take(room)
            .map(|c| if c.is_control() { ' ' } else { c }),
    );
}

/// The leaves as fields.
fn fields(leaves: &[Leaf]) -> Ixml {
    let at = |path: &str| {
        leaves
            .iter()
            .find(|l| l.path == path && !l.text.is_empty())
            .map(|l| l.text.clone())
    };
    // At its place first, then anywhere but in the parts that use the same names for other things.
    let find = |group: &str, name: &str| {
        let place = if group.is_empty() {
            name.to_owned()
        } else {
            format!("{group}/{name}")
        };
        at(&place).or_else(|| at(name)).or_else(|| {
            leaves
                .iter()
                .find(|l| {
                    !l.text.is_empty()
                        && ![
                            "BEXT/",
                            "TRACK_LIST/",
                            "SYNC_POINT_LIST/",
                            "USER/",
                            "LOCATION/",
                            "HISTORY/",
                        ]
                        .iter()
                        .any(|p| l.path.starts_with(p) && !p.trim_end_matches('/').eq(group))
                        && l.path.rsplit('/').next() == Some(name)
                })
                .map(|l| l.text.clone())
        })
    };
    let flag = |name: &str| find("", name).and_then(|t| truth(&t));
    let number = |group: &str, name: &str| find(group, name).and_then(|t| whole(&t));
    let take_type: Vec<String> = find("", "TAKE_TYPE")
        .map(|t| {
            t.split([',', ';', ' '])
                .map(|w| w.trim().to_ascii_uppercase())
                .filter(|w| !w.is_empty())
                .collect()
        })
        .unwrap_or_default();
    let typed = |name: &str, old: Option<bool>| {
        if take_type.iter().any(|t| t == name) {
            Some(true)
        } else {
            old
        }
    };
    let halves = |group: &str, high: &str, low: &str| {
        let low = number(group, low)?;
        Some(number(group, high).unwrap_or(0) << 32 | low & 0xFFFF_FFFF)
    };
    Ixml {
        project: find("", "PROJECT"),
        scene: find("", "SCENE"),
        take: find("", "TAKE"),
        tape: find("", "TAPE"),
        // SPEED has a NOTE of its own.
        note: at("NOTE"),
        circled: flag("CIRCLED"),
        no_good: typed("NO_GOOD", flag("NO_GOOD")),
        false_start: typed("FALSE_START", flag("FALSE_START")),
        wild_track: typed("WILD_TRACK", flag("WILD_TRACK")),
        file_uid: find("", "FILE_UID"),
        ubits: find("", "UBITS"),
        timecode_rate: find("SPEED", "TIMECODE_RATE"),
        timecode_flag: find("SPEED", "TIMECODE_FLAG"),
        master_speed: find("SPEED", "MASTER_SPEED"),
        current_speed: find("SPEED", "CURRENT_SPEED"),
        file_sample_rate: number("SPEED", "FILE_SAMPLE_RATE").and_then(narrow),
        digitizer_sample_rate: number("SPEED", "DIGITIZER_SAMPLE_RATE").and_then(narrow),
        audio_bit_depth: number("SPEED", "AUDIO_BIT_DEPTH").and_then(|n| u16::try_from(n).ok()),
        timestamp_samples: halves(
            "SPEED",
            "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI",
            "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO",
        ),
        timestamp_sample_rate: number("SPEED", "TIMESTAMP_SAMPLE_RATE").and_then(narrow),
        family_uid: find("FILE_SET", "FAMILY_UID"),
        family_name: find("FILE_SET", "FAMILY_NAME"),
        total_files: number("FILE_SET", "TOTAL_FILES").and_then(narrow),
        file_set_index: find("FILE_SET", "FILE_SET_INDEX"),
        original_filename: find("HISTORY", "ORIGINAL_FILENAME"),
        track_count: number("TRACK_LIST", "TRACK_COUNT").and_then(narrow),
        tracks: tracks(leaves),
        take_type,
    }
}

fn tracks(leaves: &[Leaf]) -> Vec<IxmlTrack> {
    let mut rows: Vec<(usize, IxmlTrack)> = Vec::new();
    for leaf in leaves {
        let Some(name) = leaf
            .path
            .rsplit_once('/')
            .filter(|(parents, _)| *parents == "TRACK" || parents.ends_with("/TRACK"))
            .map(|(_, name)| name)
        else {
            continue;
        };
        if rows.last().is_none_or(|(track, _)| *track != leaf.track) {
            if rows.len() == MAX_TRACKS {
                break;
            }
            rows.push((leaf.track, IxmlTrack::default()));
        }
        let Some((_, row)) = rows.last_mut() else {
            continue;
        };
        match name {
            "CHANNEL_INDEX" => row.channel_index = whole(&leaf.text).and_then(narrow),
            "INTERLEAVE_INDEX" => row.interleave_index = whole(&leaf.text).and_then(narrow),
            "NAME" => row.name.clone_from(&leaf.text),
            "FUNCTION" => row.function.clone_from(&leaf.text),
            _ => {}
        }
    }
    rows.into_iter().map(|(_, row)| row).collect()
}

fn truth(text: &str) -> Option<bool> {
    match text.to_ascii_lowercase().as_str() {
        "true" | "t" | "yes" | "y" | "1" => Some(true),
        "false" | "f" | "no" | "n" | "0" => Some(false),
        _ => None,
    }
}

/// A whole number; decimals such as `48000.0` and signs of life behind it such as `48000 Hz` are forgiven.
fn whole(text: &str) -> Option<u64> {
    let digits: String = text
        .trim()
        .trim_start_matches('+')
        .chars()
        .take_while(char::is_ascii_digit)
        .collect();
    digits.parse().ok()
}

fn narrow(n: u64) -> Option<u32> {
    u32::try_from(n).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    const EXAMPLE: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<BWFXML>
  <IXML_VERSION>1.61</IXML_VERSION>
  <PROJECT>EXAMPLE FILM</PROJECT> <SCENE>12B</SCENE> <TAKE>3</TAKE> <TAPE>DAY07</TAPE>
  <CIRCLED>TRUE</CIRCLED> <TAKE_TYPE>PICKUP, NO_GOOD</TAKE_TYPE>
  <FILE_UID>EX0000000000000000000000000000A1</FILE_UID>
  <UBITS>00000000</UBITS> <NOTE>plane &amp; bus at end</NOTE>
  <SYNC_POINT_LIST><SYNC_POINT_COUNT>1</SYNC_POINT_COUNT></SYNC_POINT_LIST>
  <SPEED><NOTE>slow</NOTE>
    <MASTER_SPEED>24000/1001</MASTER_SPEED><CURRENT_SPEED>24000/1001</CURRENT_SPEED>
    <TIMECODE_RATE>24000/1001</TIMECODE_RATE><TIMECODE_FLAG>NDF</TIMECODE_FLAG>
    <FILE_SAMPLE_RATE>48000</FILE_SAMPLE_RATE><AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH>
    <DIGITIZER_SAMPLE_RATE>48048</DIGITIZER_SAMPLE_RATE>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>1</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>3653832704</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>
    <TIMESTAMP_SAMPLE_RATE>96000</TIMESTAMP_SAMPLE_RATE></SPEED>
  <HISTORY><ORIGINAL_FILENAME>12B-3.WAV</ORIGINAL_FILENAME><PARENT_FILENAME></PARENT_FILENAME></HISTORY>
  <FILE_SET><TOTAL_FILES>2</TOTAL_FILES><FAMILY_UID>EXA0</FAMILY_UID>
    <FAMILY_NAME>12B-3</FAMILY_NAME><FILE_SET_INDEX>A</FILE_SET_INDEX></FILE_SET>
  <TRACK_LIST><TRACK_COUNT>2</TRACK_COUNT>
    <TRACK><CHANNEL_INDEX>1</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>MIX</NAME><FUNCTION>MIX</FUNCTION></TRACK>
    <TRACK><CHANNEL_INDEX>3</CHANNEL_INDEX><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>BOOM</NAME><FUNCTION></FUNCTION></TRACK>
  </TRACK_LIST>
</BWFXML>
"#;

    #[test]
    fn every_field_of_a_full_chunk() {
        let parsed = read(EXAMPLE.as_bytes());
        assert_eq!(parsed.repair, None);
        let x = parsed.ixml.unwrap();
        let some = |t: &str| Some(t.to_owned());
        assert_eq!(x.project, some("EXAMPLE FILM"));
        assert_eq!(
            (x.scene, x.take, x.tape),
            (some("12B"), some("3"), some("DAY07"))
        );
        assert_eq!(x.note, some("plane & bus at end"));
        assert_eq!(x.circled, Some(true));
        assert_eq!(x.take_type, ["PICKUP", "NO_GOOD"]);
        assert_eq!(
            (x.no_good, x.false_start, x.wild_track),
            (Some(true), None, None)
        );
        assert_eq!(x.file_uid, some("EX0000000000000000000000000000A1"));
        assert_eq!(x.ubits, some("00000000"));
        assert_eq!(x.timecode_rate, some("24000/1001"));
        assert_eq!(x.timecode_flag, some("NDF"));
        assert_eq!(x.master_speed, some("24000/1001"));
        assert_eq!(x.current_speed, some("24000/1001"));
        assert_eq!(
            (x.file_sample_rate, x.digitizer_sample_rate),
            (Some(48000), Some(48048))
        );
        assert_eq!(x.audio_bit_depth, Some(24));
        // 23 h at 96 kHz.
        assert_eq!(x.timestamp_samples, Some(7_948_800_000));
        assert_eq!(x.timestamp_sample_rate, Some(96000));
        assert_eq!((x.family_uid, x.family_name), (some("EXA0"), some("12B-3")));
        assert_eq!((x.total_files, x.file_set_index), (Some(2), some("A")));
        assert_eq!(x.original_filename, some("12B-3.WAV"));
        assert_eq!(x.track_count, Some(2));
        assert_eq!(
            x.tracks,
            [
                IxmlTrack {
                    channel_index: Some(1),
                    interleave_index: Some(1),
                    name: "MIX".into(),
                    function: "MIX".into()
                },
                IxmlTrack {
                    channel_index: Some(3),
                    interleave_index: Some(2),
                    name: "BOOM".into(),
                    function: String::new()
                },
            ]
        );
    }

    #[test]
    fn padding_case_and_bare_ampersands() {
        let parsed = read(b"<bwfxml><Scene>7 & 8 <b</Scene><take>2</take><circled>true</circled></bwfxml>  \0\0\0");
        let x = parsed.ixml.unwrap();
        assert_eq!(x.take.as_deref(), Some("2"));
        assert_eq!(x.circled, Some(true));
        assert!(parsed.repair.unwrap().contains("well-formed"));
        let parsed = read(b"<BWFXML><SCENE>A & B</SCENE></BWFXML>");
        assert_eq!(parsed.ixml.unwrap().scene.as_deref(), Some("A & B"));
        let padded = format!("{EXAMPLE}{}", "\0".repeat(500));
        assert_eq!(read(padded.as_bytes()).repair, None);
    }

    #[test]
    fn cut_off_text_gives_what_there_is() {
        for end in 0..EXAMPLE.len() {
            let _ = read(&EXAMPLE.as_bytes()[..end]);
        }
        let cut = EXAMPLE.find("<TRACK_LIST>").unwrap();
        let x = parse(&EXAMPLE.as_bytes()[..cut]).unwrap();
        assert_eq!(x.scene.as_deref(), Some("12B"));
    }

    #[test]
    fn other_encodings() {
        let mut utf16 = vec![0xFF, 0xFE];
        utf16.extend(
            "<BWFXML><SCENE>Ä1</SCENE></BWFXML>"
                .encode_utf16()
                .flat_map(u16::to_le_bytes),
        );
        assert_eq!(parse(&utf16).unwrap().scene.as_deref(), Some("Ä1"));
        assert_eq!(
            parse(b"<BWFXML><SCENE>\xC41</SCENE></BWFXML>")
                .unwrap()
                .scene
                .as_deref(),
            Some("Ä1")
        );
        assert!(parse(b"\0\0\0\0").is_none());
        assert!(parse(b"no elements").is_none());
    }

    #[test]
    fn nesting_and_size_are_bounded() {
        let deep = "<A>".repeat(300_000);
        assert!(
            read(deep.as_bytes())
                .repair
                .unwrap()
                .contains("300000 deep")
        );
        let wide = format!(
            "<BWFXML>{}</BWFXML>",
            "<TRACK><NAME>x</NAME></TRACK>".repeat(50_000)
        );
        assert_eq!(parse(wide.as_bytes()).unwrap().tracks.len(), MAX_TRACKS);
        let long = format!("<BWFXML><SCENE>{}</SCENE></BWFXML>", "y".repeat(1_000_000));
        assert_eq!(
            parse(long.as_bytes()).unwrap().scene.unwrap().len(),
            MAX_TEXT
        );
    }
}
