//! Every threshold in force: its key, default, unit, range and reason; the settings file that moves it.

use std::collections::BTreeMap;
use std::fmt::Write;

use serde::{Deserialize, Serialize};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One threshold. Detectors declare theirs as `static`s next to the rule they belong to.
#[derive(Debug)]
pub struct Param {
    /// `kind.name`, for example `rf_hit.min_excess_db`.
    pub key: &'static str,
    /// Value without a settings file.
    pub default: f64,
    /// Unit as printed, for example `dB`; `1` for a plain number.
    pub unit: &'static str,
    /// Smallest and largest value that make sense.
    pub range: (f64, f64),
    /// Where the default comes from: a source with section, or what set it.
    pub why: &'static str,
}

/// Values that differ from the defaults. Cheap to clone; shared read-only by all threads.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Settings {
    changed: BTreeMap<String, f64>,
    /// Role by track name or number, from `--roles` and the settings file (`BOOM A` -> `boom`).
    pub roles: BTreeMap<String, String>,
}

impl Settings {
    /// The value in force for a parameter.
    pub fn get(&self, param: &Param) -> f64 {
        self.changed
            .get(param.key)
            .copied()
            .unwrap_or(param.default)
    }

    /// Override one parameter by key. The key and the range are checked by whoever reads the settings file.
    pub fn set(&mut self, key: &str, value: f64) {
        self.changed.insert(key.to_owned(), value);
    }
}

impl PartialEq for Settings {
    /// Whether the same values are in force, whoever set them.
    fn eq(&self, other: &Settings) -> bool {
        self.roles == other.roles && params().all(|p| self.get(p) == other.get(p))
    }
}

/// Every parameter of the program, in the order of the table of kinds.
pub fn params() -> impl Iterator<Item = &'static Param> {
    crate::detect::DETECTORS
        .iter()
        .flat_map(|d| d.params.iter().copied())
}

/// Words for the roles of tracks, in `--roles` and the settings file.
pub const ROLES: [&str; 8] = [
    "mix", "boom", "lav", "plant", "timecode", "tone", "unused", "unknown",
];

impl Settings {
    /// Take over a settings file on top of what is set already.
    ///
    /// Errors: one line per mistake, each with its line number and, for a key that does not exist, the nearest that does.
    pub fn load(&mut self, text: &str) -> Result<(), Vec<String>> {
        let table = DeTable::parse(text).map_err(|e| {
            let line = e.span().map_or(1, |s| line_of(text, s.start));
            vec![format!("line {line}: {}", e.message())]
        })?;
        let mut mistakes = Vec::new();
        for (section, value) in table.get_ref() {
            let DeValue::Table(rows) = value.get_ref() else {
                let line = line_of(text, section.span().start);
                let name = section.get_ref();
                mistakes.push(format!(
                    "line {line}: {name} stands outside a section; write it below [kind], as `takeproof settings` prints it"
                ));
                continue;
            };
            for (key, value) in rows {
                let done = if section.get_ref() == "roles" {
                    value
                        .get_ref()
                        .as_str()
                        .ok_or_else(|| "a role is a word in quotes".to_owned())
                        .and_then(|role| self.set_role(key.get_ref(), role))
                } else {
                    self.set_checked(&format!("{}.{}", section.get_ref(), key.get_ref()), value)
                };
                if let Err(what) = done {
                    let line = line_of(text, key.span().start);
                    mistakes.push(format!("line {line}: {what}"));
                }
            }
        }
        // Sections come in the order of their names; people read from the top.
        mistakes.sort_by_key(|m| {
            let line = m.strip_prefix("line ")?.split(':').next()?;
            line.parse::<usize>().ok()
        });
        if mistakes.is_empty() {
            Ok(())
        } else {
            Err(mistakes)
        }
    }

    /// Roles as given on the command line: `BOOM A=boom,3=mix`.
    pub fn load_roles(&mut self, list: &str) -> Result<(), String> {
        for row in list.split(',').filter(|r| !r.trim().is_empty()) {
            let (track, role) = row
                .split_once('=')
                .ok_or_else(|| format!("'{row}': write TRACK=ROLE, for example 'BOOM A=boom'"))?;
            self.set_role(track.trim(), role.trim())?;
        }
        Ok(())
    }

    fn set_role(&mut self, track: &str, role: &str) -> Result<(), String> {
        if !ROLES.contains(&role) {
            return Err(format!(
                "'{role}' is no role of a track; roles are {}",
                ROLES.join(", ")
            ));
        }
        self.roles.insert(track.to_owned(), role.to_owned());
        Ok(())
    }

    fn set_checked(&mut self, key: &str, value: &Spanned<DeValue<'_>>) -> Result<(), String> {
        let Some(param) = params().find(|p| p.key == key) else {
            let hint = nearest(key).map_or(String::new(), |n| format!("; did you mean {n}?"));
            return Err(format!("there is no setting {key}{hint}"));
        };
        let number = match value.get_ref() {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix())
                .ok()
                .map(|v| v as f64),
            DeValue::Float(f) => f.as_str().parse().ok(),
            _ => None,
        };
        let (low, high) = param.range;
        match number {
            Some(v) if (low..=high).contains(&v) => {
                self.set(key, v);
                Ok(())
            }
            Some(v) => Err(format!(
                "{key} = {v} is outside {low} to {high} {}",
                unit(param)
            )),
            None => Err(format!("{key} takes a number ({})", unit(param))),
        }
    }

    /// All settings in force as a TOML file to edit: unit, range and reason above each.
    pub fn to_toml(&self) -> String {
        let mut out = String::from(
            "# takeproof settings. Change a value, keep the file, and give it with: takeproof check --settings FILE INPUT...\n\
             # A line that is left out keeps its default.\n\n\
             # Roles of tracks by name or number, where the names in the files do not tell, for example \"BOOM A\" = \"boom\".\n\
             [roles]\n",
        );
        for (track, role) in &self.roles {
            // A JSON string is a TOML string, too, and stays on one line.
            let _ = writeln!(
                out,
                "{} = {role:?}",
                serde_json::Value::from(track.as_str())
            );
        }
        let mut section = "";
        for param in params() {
            let (kind, name) = param.key.split_once('.').unwrap_or(("", param.key));
            if kind != section {
                let _ = write!(out, "\n[{kind}]\n");
                section = kind;
            }
            let (low, high) = param.range;
            let _ = writeln!(out, "# {}; {low} to {high}. {}", unit(param), param.why);
            let _ = writeln!(out, "{name} = {:?}", self.get(param));
        }
        out
    }
}

/// The unit in words for people.
pub fn unit(param: &Param) -> &'static str {
    match param.unit {
        "1" => "plain number",
        unit => unit,
    }
}

fn line_of(text: &str, byte: usize) -> usize {
    text.as_bytes()
        .iter()
        .take(byte)
        .filter(|&&b| b == b'\n')
        .count()
        + 1
}

/// The known key most like the one given, where one is like it at all.
fn nearest(key: &str) -> Option<&'static str> {
    closest(key, params().map(|p| p.key))
}

/// The word of a list that is most like the one given, where one is like it at all.
pub fn closest<'a>(word: &str, list: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    list.map(|candidate| (strsim::jaro_winkler(word, candidate), candidate))
        .filter(|(likeness, _)| *likeness > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_printed_can_be_read_again() {
        let mut settings = Settings::default();
        settings.load_roles("BOOM \"A\"=boom, 3=mix").unwrap();
        let mut again = Settings::default();
        again.load(&settings.to_toml()).unwrap();
        assert_eq!(again.roles, settings.roles);
        for param in params() {
            assert_eq!(again.get(param), param.default, "{}", param.key);
        }
    }

    #[test]
    fn mistakes_name_their_line() {
        let mut settings = Settings::default();
        let mistakes = settings
            .load("[roles]\nBOOM = \"bom\"\n\n[no_such_kind]\nnothing = 3\n")
            .unwrap_err();
        assert_eq!(mistakes.len(), 2, "{mistakes:?}");
        assert!(mistakes[0].starts_with("line 2: 'bom' is no role"));
        assert!(mistakes[1].starts_with("line 5: there is no setting no_such_kind.nothing"));
        assert!(settings.load("[roles\n").unwrap_err()[0].starts_with("line 1: "));
        assert!(settings.load("x = 1\n").unwrap_err()[0].starts_with("line 1: x stands outside"));
    }

    #[test]
    fn a_slip_of_the_finger_finds_its_word() {
        let list = ["rf_hit", "rustle", "dropout"];
        assert_eq!(closest("rf_hits", list.into_iter()), Some("rf_hit"));
        assert_eq!(closest("zzz", list.into_iter()), None);
    }
}
