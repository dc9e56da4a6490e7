//! Every threshold in force: its key, default, unit, range and reason; the settings file that moves it.

use std::collections::BTreeMap;

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
#[derive(Debug, Clone, Default)]
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
