//! Scene names and file names: what they say about scene, setup and take.

/// A scene name as scene and setup: `27B` is scene 27, setup B; `A27B` scene A27, setup B; `12/3` scene 12, setup 3; `27` has
/// no setup. Letters before the number belong to the scene. Names without a number are a scene of their own.
pub fn scene_and_setup(name: &str) -> (String, String) {
    let name = name.trim();
    let Some(first_digit) = name.find(|c: char| c.is_ascii_digit()) else {
        return (name.to_owned(), String::new());
    };
    let end = name[first_digit..]
        .find(|c: char| !c.is_ascii_digit())
        .map_or(name.len(), |n| first_digit + n);
    let setup = name[end..].trim_matches(['-', '_', '/', '.', ' ']);
    (name[..end].to_owned(), setup.to_uppercase())
}

/// What a file name says in the usual form: scene, separator, take: `27B-3`, `27B_T03`, `A101C take 2`, `27B-3_1` (first
/// file of a mono set). Other names say nothing.
pub fn from_file_name(name: &str) -> Option<(String, String)> {
    let stem = stem(name);
    let (scene, rest) = stem.split_once(['-', '_', ' '])?;
    let letters = scene.chars().take_while(char::is_ascii_alphabetic).count();
    let digits = scene[letters..]
        .chars()
        .take_while(char::is_ascii_digit)
        .count();
    let setup = &scene[letters + digits..];
    let plain = setup.len() <= 3 && setup.chars().all(|c| c.is_ascii_alphabetic());
    // Four digits alone are a year.
    let most = if setup.is_empty() { 3 } else { 4 };
    if letters > 2 || !(1..=most).contains(&digits) || !plain {
        return None;
    }
    let rest = rest.trim_start_matches(['-', '_', ' ']);
    let rest = ["take", "tk", "t"]
        .iter()
        .find_map(|mark| {
            let (head, tail) = rest.split_at_checked(mark.len())?;
            head.eq_ignore_ascii_case(mark).then_some(tail)
        })
        .unwrap_or(rest)
        .trim_start_matches(['-', '_', ' ']);
    let digits = rest.chars().take_while(char::is_ascii_digit).count();
    let (take, behind) = rest.split_at(digits);
    let ends = behind.is_empty() || behind.starts_with(['-', '_', ' ', '.']);
    if !(1..=3).contains(&digits) || !ends {
        return None;
    }
    let take = take.trim_start_matches('0');
    Some((
        scene.to_uppercase(),
        if take.is_empty() { "0" } else { take }.to_owned(),
    ))
}

/// File name without folders and extension.
pub fn stem(name: &str) -> &str {
    let file = name.rsplit('/').next().unwrap_or(name);
    match file.rsplit_once('.') {
        Some((stem, _)) if !stem.is_empty() => stem,
        _ => file,
    }
}

/// A label for comparing: no case, no leading zeros of numbers, no blanks and separators.
pub fn plain(label: &str) -> String {
    let mut out = String::new();
    let mut in_number = false;
    let mut chars = label.chars().filter(|c| c.is_alphanumeric()).peekable();
    while let Some(c) = chars.next() {
        let more = chars.peek().is_some_and(char::is_ascii_digit);
        if c == '0' && !in_number && more {
            continue;
        }
        in_number = c.is_ascii_digit();
        out.extend(c.to_lowercase());
    }
    out
}

/// Whether a label is one that recorders and people leave in when nobody typed anything.
pub fn is_default(label: &str) -> bool {
    const DEFAULTS: [&str; 17] = [
        "untitled", "new", "newscene", "scene", "sc", "take", "default", "none", "na", "xxx", "x",
        "tbd", "noname", "unnamed", "nn", "blank", "null",
    ];
    let plain = plain(label);
    plain.is_empty() || DEFAULTS.contains(&plain.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scenes_and_setups() {
        let of = |n| {
            let (scene, setup) = scene_and_setup(n);
            format!("{scene}|{setup}")
        };
        assert_eq!(of("27B"), "27|B");
        assert_eq!(of("27b"), "27|B");
        assert_eq!(of("A27B"), "A27|B");
        assert_eq!(of("27"), "27|");
        assert_eq!(of("12/3"), "12|3");
        assert_eq!(of("101-AA"), "101|AA");
        assert_eq!(of("27B PU"), "27|B PU");
        assert_eq!(of("Wild"), "Wild|");
        assert_eq!(of(""), "|");
        assert_eq!(of("é27"), "é27|");
    }

    #[test]
    fn file_names() {
        let of = |n| from_file_name(n).map(|(s, t)| format!("{s}|{t}"));
        assert_eq!(of("day/27B-3.wav").as_deref(), Some("27B|3"));
        assert_eq!(of("27b_T03.WAV").as_deref(), Some("27B|3"));
        assert_eq!(of("A101C take 12.wav").as_deref(), Some("A101C|12"));
        assert_eq!(of("90-12_1.wav").as_deref(), Some("90|12"));
        for name in [
            "90-3b.wav",
            "untitled_1.wav",
            "REC_0001.wav",
            "2031-04-17.wav",
            "boom.wav",
            "é-1.wav",
            "27B.wav",
            "T.wav",
        ] {
            assert_eq!(of(name), None, "{name}");
        }
    }

    #[test]
    fn labels_for_comparing() {
        assert_eq!(plain("27 B"), plain("27b"));
        assert_eq!(plain("T03"), "t3");
        assert_eq!(plain("0"), "0");
        assert_eq!(plain("100"), "100");
        assert!(is_default(" new scene "));
        assert!(is_default(""));
        assert!(!is_default("27B"));
    }
}
