//! `noise_high`: speech too close to the noise floor of its own track.
//!
//! Fault: a hissing microphone or link, or a place too loud for this microphone's distance.
//! Signature: active level of the speech the track is there for, less the background of the same track, both above 60 Hz.
//! Decision: below `max_snr_db`. The background is the larger of the opened band levels and the level that the pauses hold for
//! most of the time; the background's own share is taken out of the speech level. Of a body microphone on which no word of a
//! wearer shows: the background is as near to the words on the other body microphones, and far over the background of each.
//! Must not fire on: quiet talkers over a low floor, music or effects in the scene, tracks without speech.
//! Known misses: noise that comes and goes within seconds.
//! Source: the report contract (12 dB, 12 to 16 dB a matter of taste); detection practice for background (opening).

use crate::compare::SpeechMap;
use crate::compare::speech::runs;
use crate::detect::hearing::{QUIET_DB, levels_db, mean_level_db, median, percentile};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::TrackMeasures;
use crate::measure::frames::bands_within;
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::{power, power_db};

static MAX_SNR_DB: Param = Param {
    key: "noise_high.max_snr_db",
    default: 12.5,
    unit: "dB",
    range: (0.0, 40.0),
    why: "report contract: below 12 dB reported, 12 to 16 dB a matter of taste; half a decibel for the error of measurement",
};
static MIN_SPEECH_S: Param = Param {
    key: "noise_high.min_speech_s",
    default: 1.0,
    unit: "s",
    range: (0.2, 30.0),
    why: "an active level needs about a second of speech",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "noise_high",
    explain: Explain {
        means: "The background of this track lies close under the speech it is there for.",
        sounds_like: "Hiss, rush or traffic right behind the words.",
        usual_cause: "A microphone too far from the mouth in a loud place, a failing capsule, gain staging too low before a noisy link.",
        do_now: "Bring the microphone closer or find the source of the noise; use another microphone where one is quieter.",
        measured_by: "Active level of the speech this track is there for, over the track's background above 60 Hz, in dB.",
        not_to_confuse: "Ordinary city exteriors near 15 dB are not reported. Noise that comes and goes within seconds is not measured here.",
    },
    params: &[&MAX_SNR_DB, &MIN_SPEECH_S],
    run: Run::Track(run),
};

/// Speech and background of one track, dBFS, above 60 Hz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeechOverNoise {
    /// Active level of the speech without the background's share.
    pub speech_dbfs: f64,
    /// Background.
    pub noise_dbfs: f64,
}

impl SpeechOverNoise {
    /// Ratio in dB.
    pub fn snr_db(&self) -> f64 {
        self.speech_dbfs - self.noise_dbfs
    }
}

/// Speech over background of a track; `None` without `min_speech_s` of the speech it is there for, or without any background.
pub fn speech_over_noise(
    measures: &TrackMeasures,
    speech: &SpeechMap,
    track: usize,
    min_speech_s: f64,
) -> Option<SpeechOverNoise> {
    let grid = measures.frames.grid;
    let levels = levels_db(measures, 60.0, 20_000.0);
    let own: Vec<bool> = (0..grid.frames).map(|f| speech.own(track, f)).collect();
    if (own.iter().filter(|&&o| o).count() as f64) < min_speech_s * grid.frames_per_s() {
        return None;
    }
    let phrases: Vec<f64> = runs(&own)
        .into_iter()
        .filter(|(a, b)| b - a >= grid.frames_in(0.3))
        .map(|(a, b)| mean_level_db(&levels, a..b))
        .collect();
    // A tune or a neighbour that passes for the wearer lies far below the words that the track is there for.
    let loudest = phrases.iter().copied().fold(QUIET_DB, f64::max);
    let phrases: Vec<f64> = phrases
        .into_iter()
        .filter(|&p| p > loudest - PHRASES_DB)
        .collect();
    let active = if phrases.is_empty() {
        mean_level_db(&levels, (0..own.len()).filter(|&f| own[f]))
    } else {
        median(&phrases)
    };
    let noise = background_dbfs(measures, &levels, &speech.any);
    (noise > QUIET_DB).then(|| SpeechOverNoise {
        speech_dbfs: power_db((power(active) - power(noise)).max(0.3 * power(noise))),
        noise_dbfs: noise,
    })
}

/// What passes for words of a wearer and lies this far below those of another on that one's microphone comes from others: a
/// whisper lies 25 dB below a shout.
const NO_WORDS_DB: f64 = 30.0;
/// Phrases of one talker in one take differ by less, dB.
const PHRASES_DB: f64 = 18.0;

/// Background above 60 Hz, dBFS: what the opening holds, or the level that the pauses keep for two fifths of their time where
/// that is higher (noise that wanders).
fn background_dbfs(measures: &TrackMeasures, levels: &[f64], speech: &[bool]) -> f64 {
    let bands = bands_within(60.0, 20_000.0);
    let opened = power_db(
        measures.floor.median_bands()[bands]
            .iter()
            .map(|&b| power(f64::from(b)))
            .sum(),
    );
    // Rooms ring on: frames within 0.4 s of speech are no pause.
    let near = (0.4 * measures.frames.grid.frames_per_s()) as usize;
    let mut busy = vec![false; speech.len()];
    for (start, end) in runs(speech) {
        busy[start.saturating_sub(near / 4)..(end + near).min(speech.len())].fill(true);
    }
    let pauses: Vec<f64> = (0..levels.len())
        .filter(|&f| !busy[f] && levels[f] > QUIET_DB)
        .map(|f| levels[f])
        .collect();
    if (pauses.len() as f64) < measures.frames.grid.frames_per_s() {
        return opened;
    }
    opened.max(percentile(&pauses, 0.4).min(opened + 6.0))
}

fn run(view: &TakeView<'_>, track: usize) -> Vec<Finding> {
    if !crate::detect::hearing::judged_tracks(view).contains(&track) {
        return Vec::new();
    }
    let Some(measured) = speech_over_noise(
        &view.tracks[track],
        view.speech,
        track,
        view.settings.get(&MIN_SPEECH_S),
    ) else {
        return drowned(view, track).into_iter().collect();
    };
    let limit = view.settings.get(&MAX_SNR_DB);
    let snr = measured.snr_db();
    if snr >= limit {
        return Vec::new();
    }
    let slope = hiss_slope_db(&view.tracks[track]);
    let hiss = slope > -2.5;
    let others = view.microphones().into_iter().filter(|&m| m != track);
    let sisters: Vec<(usize, SpeechOverNoise)> = others
        .filter_map(|m| {
            let theirs = speech_over_noise(&view.tracks[m], view.speech, m, 1.0)?;
            Some((m, theirs))
        })
        .collect();
    let worn = |m: usize| view.track(m).role == Role::Lav;
    let words = (sisters.iter()).filter(|(m, _)| worn(*m) && worn(track));
    let loudest = words.map(|(_, s)| s.speech_dbfs).fold(QUIET_DB, f64::max);
    if measured.speech_dbfs < loudest - NO_WORDS_DB {
        return Vec::new();
    }
    let best = (sisters.iter()).map(|(_, s)| s.snr_db());
    let best = best.fold(f64::NEG_INFINITY, f64::max);
    let origin = if hiss { Origin::ThisMic } else { Origin::Place };
    let cause = if hiss {
        "hiss of this microphone or its link"
    } else {
        "the place"
    };
    vec![
        view.finding("noise_high", track, 0, view.grid.samples)
            .severity(if snr < 6.0 && origin != Origin::Place { Severity::Fault } else { Severity::Caution })
            .confidence(if snr < limit - 1.5 { 0.95 } else { 0.85 })
            .origin(origin)
            .number("snr_db", snr, 1)
            .number("speech_level_dbfs", measured.speech_dbfs, 1)
            .number("noise_floor_dbfs", measured.noise_dbfs, 1)
            .number("best_other_mic_snr_db", best, 1)
            .number("noise_slope_db_per_octave", slope, 1)
            .says(
                format!("Speech on {} is only {snr:.0} dB over its noise; it sounds like {cause}.", view.track(track).label()),
                if hiss {
                    "Change capsule, cable or pack, or raise the level before the link; use a quieter microphone for these lines."
                } else {
                    "Bring the microphone closer or quieten the place; use a closer microphone for these lines."
                },
            ),
    ]
}

/// A body microphone this far over the loudest background of its sisters hisses by itself, dB.
const OVER_SISTERS_DB: f64 = 15.0;

/// A body microphone with so much noise that nobody can be told to speak on it, where others hear words.
fn drowned(view: &TakeView<'_>, track: usize) -> Option<Finding> {
    if view.track(track).role != Role::Lav {
        return None;
    }
    let levels = |t: usize| levels_db(&view.tracks[t], 60.0, 20_000.0);
    let background = |t: usize| background_dbfs(&view.tracks[t], &levels(t), &view.speech.any);
    let sisters: Vec<usize> = view
        .with_role(Role::Lav)
        .into_iter()
        .filter(|&t| t != track)
        .collect();
    let words: Vec<f64> = sisters
        .iter()
        .filter_map(|&t| speech_over_noise(&view.tracks[t], view.speech, t, 1.0))
        .map(|s| s.speech_dbfs)
        .collect();
    let noise = background(track);
    let loudest = sisters
        .iter()
        .map(|&t| background(t))
        .fold(QUIET_DB, f64::max);
    if words.is_empty()
        || noise < loudest + OVER_SISTERS_DB
        || median(&words) - noise >= view.settings.get(&MAX_SNR_DB)
    {
        return None;
    }
    let label = view.track(track).label();
    Some(
        view.finding("noise_high", track, 0, view.grid.samples)
            .severity(Severity::Caution)
            .confidence(0.9)
            .origin(Origin::ThisMic)
            .number("noise_floor_dbfs", noise, 1)
            .number("speech_on_other_mics_dbfs", median(&words), 1)
            .number("loudest_other_floor_dbfs", loudest, 1)
            .says(
                format!("{label} makes {noise:.0} dBFS of noise by itself, enough to cover what its wearer says."),
                "Change capsule, cable or pack before the next take; use another microphone for this wearer's lines.",
            ),
    )
}

/// Slope of the background between 2 and 16 kHz in dB per octave (per octave band): about 0..+3 for hiss (octaves of white
/// noise rise by 3 dB), falling for rooms.
fn hiss_slope_db(measures: &TrackMeasures) -> f64 {
    let median = measures.floor.median_bands();
    let group = |low: f64, high: f64| {
        power_db(
            median[bands_within(low, high)]
                .iter()
                .map(|&b| power(f64::from(b)))
                .sum(),
        )
    };
    let (low, high) = (group(1780.0, 3550.0), group(7100.0, 14_200.0));
    if high.is_finite() && low.is_finite() {
        (high - low) / 2.0
    } else {
        -20.0
    }
}
