//! The words that pictures, page and lists share: what a kind, a severity, a verdict or a confidence is called on screen.

use super::model::{MicState, Origin, Role, Severity, Take, Verdict};

/// Name of a kind on screen.
pub fn kind(kind: &str) -> &str {
    row(kind).map_or(kind, |row| row.1)
}

/// Name of a kind where there is little room: at most nine letters.
pub fn kind_short(kind: &str) -> &str {
    row(kind).map_or(kind, |row| row.2)
}

fn row(kind: &str) -> Option<&'static (&'static str, &'static str, &'static str)> {
    KINDS.iter().find(|row| row.0 == kind)
}

/// Every kind of the contract: kind, name on screen, short name for pictures.
pub static KINDS: &[(&str, &str, &str)] = &[
    ("clipping", "Clipping", "clip"),
    ("flat_top", "Overload below full scale", "overload"),
    ("true_peak_over", "Peak over the limit", "peak"),
    ("level_hot", "Level too hot", "hot"),
    ("level_low", "Level low", "low"),
    ("noise_high", "Noise close to the voice", "noise"),
    ("noise_change", "Background changed", "bg change"),
    ("hum", "Hum or steady tone", "hum"),
    ("dc_offset", "DC offset", "DC"),
    ("dropout", "Dropout", "dropout"),
    ("rf_hit", "Radio hit", "hit"),
    ("click", "Click", "click"),
    ("rumble", "Wind, handling or rumble", "rumble"),
    ("rustle", "Clothing rustle", "rustle"),
    ("muffled", "Muffled microphone", "muffled"),
    ("dead_track", "No microphone signal", "dead"),
    ("duplicate_track", "Same signal on two tracks", "copy"),
    ("polarity_inverted", "Polarity reversed", "polarity"),
    (
        "comb_filtering",
        "Two microphones colour each other",
        "comb",
    ),
    ("open_mic", "Open microphone in the mix", "open mic"),
    ("gain_step", "Gain step", "gain"),
    ("off_mic", "Boom off the talker", "off-mic"),
    ("late_track", "Late track", "late"),
    ("bleed", "Bleed from another channel", "bleed"),
    ("post_fader", "Recorded after the fader", "fader"),
    ("cut_short", "Cut short", "cut short"),
    ("metadata_missing", "Label missing", "label"),
    ("metadata_conflict", "Labels disagree", "label"),
    ("timecode_overlap", "Timecode overlaps", "timecode"),
    ("sample_rate_mismatch", "Sample rate differs", "rate"),
    ("frame_rate_mismatch", "Frame rate differs", "fps"),
    ("duplicate_take", "Take is there twice", "twice"),
    ("truncated_file", "File incomplete", "file"),
    ("missing_file", "File missing", "missing"),
    ("copy_mismatch", "Copy differs", "copy"),
];

/// A severity as it reads on screen.
pub fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Fault => "on a line",
        Severity::Caution => "tell post",
        Severity::Note => "for the log",
    }
}

/// A confidence as it reads on screen; the contract gives the steps.
pub fn confidence(confidence: f64) -> &'static str {
    if confidence >= 0.9 {
        "sure"
    } else if confidence >= 0.7 {
        "likely"
    } else {
        "have a listen"
    }
}

/// A verdict as it reads on screen.
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::NothingFound => "nothing found on a line",
        Verdict::OtherMic => "another mic is clean",
        Verdict::NoCleanMic => "no clean mic on a line",
    }
}

/// What a take's verdict comes to on screen. A fault of the file itself lies on no microphone, and none covers it.
pub fn answer(take: &Take) -> &'static str {
    if is_file_fault(take) {
        "the file is not whole"
    } else {
        verdict(take.verdict)
    }
}

/// Whether all faults of a take are of its files.
pub fn is_file_fault(take: &Take) -> bool {
    let mut faults = (take.findings.iter()).filter(|f| f.severity == Severity::Fault);
    take.verdict == Verdict::OtherMic && faults.all(|f| f.tracks.is_empty())
}

/// A role as it reads on screen.
pub fn role(role: Role) -> &'static str {
    match role {
        Role::Mix => "mix",
        Role::Boom => "boom",
        Role::Lav => "lav",
        Role::Plant => "plant",
        Role::Timecode => "timecode",
        Role::Tone => "tone",
        Role::Unused => "unused",
        Role::Unknown => "role unknown",
    }
}

/// Where a fault comes from, as it reads on screen.
pub fn origin(origin: Origin) -> &'static str {
    match origin {
        Origin::Place => "the place",
        Origin::ThisMic => "this microphone",
        Origin::Radio => "the radio link",
        Origin::Mix => "the mix",
        Origin::Recorder => "recorder, clock or card",
        Origin::File => "the file",
        Origin::Unknown => "not known",
    }
}

/// State of a microphone as it reads on screen.
pub fn mic_state(state: MicState) -> &'static str {
    match state {
        MicState::Clean => "clean",
        MicState::Faulty => "faulty",
        MicState::Silent => "silent",
        MicState::OffMic => "off-mic",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_names_are_short() {
        for (kind, long, short) in KINDS {
            assert!(short.chars().count() <= 9, "{kind}: {short}");
            assert!(long.chars().count() <= 34, "{kind}: {long}");
        }
    }

    #[test]
    fn every_detector_has_a_name_on_screen() {
        for detector in crate::detect::DETECTORS {
            assert_ne!(kind(detector.kind), detector.kind, "{}", detector.kind);
        }
    }
}
