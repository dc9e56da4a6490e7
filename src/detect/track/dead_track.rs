//! `dead_track`: an assigned microphone track without a microphone signal.
//!
//! Fault: battery, mute, patch or a wrong name; the track holds exact zeros or only the noise of preamp, link and converter.
//! Signature: while other microphones hear speech, the voice band (200 Hz to 4 kHz) of this one never leaves its own lowest
//! level. Even a body microphone whose wearer is silent hears the others.
//! Decision: stretches within `max_life_db` of the track's lowest level, at least `min_s` long, in which at least
//! `min_speech_s` of speech is heard elsewhere and nearly none here. A stretch at head or tail in which the wearer does not
//! speak is a muted pack, not a dead one.
//! Must not fire on: quiet takes (no speech anywhere), packs muted at head or tail, silent actors, gates between lines.
//! Known misses: a microphone that hums or crackles but hears nothing.
//! Source: detection practice for dead tracks (level, flatness, no co-variation with other microphones).

use crate::compare::speech::runs;
use crate::detect::hearing::{
    QUIET_DB, floor_db, hears_speech, mean_level_db, percentile, voice_db,
};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::level;

static MAX_LIFE_DB: Param = Param {
    key: "dead_track.max_life_db",
    default: 3.5,
    unit: "dB",
    range: (1.0, 12.0),
    why: "20 ms levels of stationary noise in 200 Hz to 4 kHz spread by 0.5 dB; a far voice lifts them by more than 6 dB",
};
static MIN_S: Param = Param {
    key: "dead_track.min_s",
    default: 3.0,
    unit: "s",
    range: (1.0, 60.0),
    why: "shorter gaps are dropouts",
};
static MIN_SPEECH_S: Param = Param {
    key: "dead_track.min_speech_s",
    default: 1.5,
    unit: "s",
    range: (0.5, 60.0),
    why: "without speech elsewhere a quiet track proves nothing",
};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "dead_track",
    explain: Explain {
        means: "A track that is named for a microphone holds no microphone signal while the scene is spoken.",
        sounds_like: "Nothing at all, or a thin steady hiss.",
        usual_cause: "Empty battery, a muted pack, a wrong patch, or the wrong name on the track.",
        do_now: "Check pack, mute and patch before the next take; until then the wearer is only on the other microphones.",
        measured_by: "Level of 200 Hz to 4 kHz every 20 ms against the track's own lowest level, while other microphones hear speech.",
        not_to_confuse: "A pack muted before or after its wearer's lines, or a silent actor's live microphone, is not reported. A \
                         microphone that hears nothing but hums or crackles is missed.",
    },
    params: &[&MAX_LIFE_DB, &MIN_S, &MIN_SPEECH_S],
    run: Run::Track(run),
};

/// A dead stretch, in frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::detect) struct Dead {
    start: usize,
    end: usize,
    /// Seconds of speech heard elsewhere, and the share of it heard here.
    speech_s: f64,
    life_share: f64,
}

fn run(view: &TakeView<'_>, track: usize) -> Vec<Finding> {
    let grid = view.grid;
    if !view.track(track).is_microphone() || grid.frames < grid.frames_in(1.0) {
        return Vec::new();
    }
    let voice = voice_db(view, track);
    let silent = voice.iter().all(|&v| v <= QUIET_DB);
    dead(view, track)
        .iter()
        .copied()
        .filter(|d| silent || !drowns(voice, &view.speech.any, d))
        .filter(|d| silent || concerns_the_wearer(view, track, d))
        .map(|d| finding(view, track, voice, d))
        .collect()
}

/// Speech on a noisy microphone at least this far over the level of the stretch, dB: what lies lower would not be heard
/// against that noise, and its absence proves nothing.
const OVER_NOISE_DB: f64 = 20.0;

/// Whether the noise of a stretch is about as loud as speech on this track is outside of it: a noisy microphone, not a dead
/// one.
fn drowns(voice: &[f64], spoken: &[bool], dead: &Dead) -> bool {
    let elsewhere: Vec<f64> = (0..voice.len())
        .filter(|f| spoken[*f] && !(dead.start..dead.end).contains(f))
        .map(|f| voice[f])
        .collect();
    let here = mean_level_db(voice, dead.start..dead.end);
    !elsewhere.is_empty() && percentile(&elsewhere, 0.8) < here + OVER_NOISE_DB
}

/// Dead stretches of a track, also those that concern no word of its wearer: (first frame, one past the last).
pub(crate) fn dead_frames(view: &TakeView<'_>, track: usize) -> Vec<(usize, usize)> {
    dead(view, track).iter().map(|d| (d.start, d.end)).collect()
}

fn dead<'a>(view: &'a TakeView<'_>, track: usize) -> &'a [Dead] {
    let known = &view.known.tracks[track].dead;
    known.get_or_init(|| look(view, track))
}

fn look(view: &TakeView<'_>, track: usize) -> Vec<Dead> {
    let grid = view.grid;
    let voice = voice_db(view, track);
    // Speech that another microphone hears well.
    let others: Vec<usize> = view
        .microphones()
        .into_iter()
        .filter(|&m| m != track)
        .collect();
    let heard = heard_elsewhere(view, &others);
    if voice.iter().all(|&v| v <= QUIET_DB) {
        return vec![Dead {
            start: 0,
            end: grid.frames,
            speech_s: heard.iter().filter(|&&h| h).count() as f64 / grid.frames_per_s(),
            life_share: 0.0,
        }];
    }
    dead_stretches(
        voice,
        &heard,
        view.settings.get(&MAX_LIFE_DB),
        view.settings.get(&MIN_S),
        view.settings.get(&MIN_SPEECH_S),
        grid.frames_per_s(),
    )
}

/// Frames in which somebody speaks and one of the given microphones is well over its background.
fn heard_elsewhere(view: &TakeView<'_>, others: &[usize]) -> Vec<bool> {
    let mut heard = vec![false; view.grid.frames];
    for &other in others {
        for (slot, there) in heard.iter_mut().zip(hears_speech(view, other)) {
            *slot |= there;
        }
    }
    heard
}

/// Stretches in which the voice band never leaves the track's lowest level although speech is heard elsewhere.
fn dead_stretches(
    voice: &[f64],
    heard: &[bool],
    max_life_db: f64,
    min_s: f64,
    min_speech_s: f64,
    per_s: f64,
) -> Vec<Dead> {
    // The lowest level, of frames that a mute does not cut in half.
    let lowest = percentile(voice, 0.03);
    let mut flat: Vec<bool> = voice.iter().map(|&v| v <= lowest + max_life_db).collect();
    // A click or a burst of up to three frames does not revive a track.
    for (start, end) in runs(&flat.iter().map(|f| !f).collect::<Vec<_>>()) {
        if end - start <= 3 && start > 0 && end < flat.len() {
            flat[start..end].fill(true);
        }
    }
    runs(&flat)
        .into_iter()
        .filter(|(start, end)| (end - start) as f64 >= min_s * per_s)
        .filter_map(|(start, end)| {
            let speech = (start..end).filter(|&f| heard[f]).count();
            let alive = (start..end)
                .filter(|&f| heard[f] && voice[f] > lowest + max_life_db)
                .count();
            (speech as f64 >= min_speech_s * per_s).then(|| Dead {
                start,
                end,
                speech_s: speech as f64 / per_s,
                life_share: alive as f64 / speech as f64,
            })
        })
        .collect()
}

/// Whether the wearer's own speech falls into the stretch, or it is so much of the take that a mute is no explanation.
fn concerns_the_wearer(view: &TakeView<'_>, track: usize, dead: &Dead) -> bool {
    let grid = view.grid;
    let own = (dead.start..dead.end)
        .filter(|&f| view.speech.own(track, f))
        .count();
    let share = (dead.end - dead.start) as f64 / grid.frames as f64;
    let long = share >= 1.0 / 3.0
        && dead.end - dead.start >= grid.frames_in(LONG_S)
        && dead.speech_s >= LONG_S / 2.0;
    share > 0.9
        || long
        || own >= grid.frames_in(0.8)
        || unexplained_frames(view, track, dead) >= grid.frames_in(0.8)
}

/// Frames of a stretch with speech that no live body microphone explains: a boom hears it well, yet against every live body
/// microphone it is at least `UNEXPLAINED_DB` louder than when that one's wearer speaks. Where no other body microphone
/// lives, all speech that a boom hears counts.
fn unexplained_frames(view: &TakeView<'_>, track: usize, dead: &Dead) -> usize {
    let mine = view.speech.wearer(track);
    let booms: Vec<usize> = view
        .microphones()
        .into_iter()
        .filter(|&m| m != track && view.track(m).role != Role::Lav)
        .collect();
    let Some(&boom) = booms.first() else {
        return 0;
    };
    let boom_level = smooth(voice_db(view, boom));
    let speech: Vec<f64> = (0..view.grid.frames)
        .filter(|&f| view.speech.any[f])
        .map(|f| boom_level[f])
        .collect();
    let loud = percentile(&speech, 0.6) - 6.0;
    // Per live body microphone of somebody else: boom over it, now and when its wearer alone speaks.
    let mut lavs: Vec<(Vec<f64>, f64)> = Vec::new();
    for lav in view.with_role(Role::Lav) {
        let who = view.speech.wearer(lav);
        if lav == track || who == mine {
            continue;
        }
        let level = smooth(voice_db(view, lav));
        let over: Vec<f64> = boom_level.iter().zip(&level).map(|(b, l)| b - l).collect();
        // Outside the stretch who speaks is known; within it the map may have given the wearer's words to this one.
        let alone: Vec<f64> = (0..view.grid.frames)
            .filter(|&f| {
                !(dead.start..dead.end).contains(&f)
                    && boom_level[f] > loud
                    && view.speech.alone(who, f)
            })
            .map(|f| over[f])
            .collect();
        // Somebody who speaks only within it: the nearer of the boom's distances to this microphone.
        let usual = if alone.len() >= view.grid.frames_in(0.5) {
            percentile(&alone, 0.5)
        } else {
            let within: Vec<f64> = (dead.start..dead.end)
                .filter(|&f| boom_level[f] > loud && view.speech.any[f])
                .map(|f| over[f])
                .collect();
            percentile(&within, 0.1)
        };
        lavs.push((over, usual));
    }
    (dead.start..dead.end)
        .filter(|&f| view.speech.any[f] && boom_level[f] > loud)
        .filter(|&f| {
            lavs.iter()
                .all(|(over, usual)| over[f] > usual + UNEXPLAINED_DB)
        })
        .count()
}

/// A mute before or after the wearer's lines is shorter than this while others speak; longer ones are told whoever speaks.
const LONG_S: f64 = 10.0;
/// A mouth's own body microphone and another's lie 15 to 25 dB apart against the boom.
const UNEXPLAINED_DB: f64 = 9.0;

/// Mean over 0.1 s, dB.
fn smooth(levels: &[f64]) -> Vec<f64> {
    (0..levels.len())
        .map(|f| {
            let part = &levels[f.saturating_sub(2)..(f + 3).min(levels.len())];
            part.iter().sum::<f64>() / part.len() as f64
        })
        .collect()
}

fn finding(view: &TakeView<'_>, track: usize, voice: &[f64], dead: Dead) -> Finding {
    let grid = view.grid;
    let samples = &view.tracks[track].frames.power[dead.start..dead.end];
    let zeros = samples.iter().filter(|&&p| p == 0.0).count() as f64 / samples.len().max(1) as f64;
    let here = mean_level_db(voice, dead.start..dead.end);
    let whole = dead.start == 0 && dead.end == grid.frames;
    let (start, end) = (grid.sample(dead.start), grid.sample(dead.end));
    let cover: Vec<usize> = view
        .microphones()
        .into_iter()
        .filter(|&m| m != track && hears(view, m, &dead))
        .collect();
    let what = if zeros > 0.9 {
        "digital zero".to_owned()
    } else {
        format!("only noise at {:.0} dBFS", here)
    };
    let when = if whole {
        String::new()
    } else {
        format!(" for {:.1} s", (end - start) as f64 / f64::from(grid.rate))
    };
    let confidence = match (zeros > 0.9, whole) {
        _ if dead.speech_s < 1.5 => 0.6,
        (true, _) => 0.98,
        (false, true) => 0.97,
        (false, false) => 0.93,
    };
    let severity = if cover.is_empty() && dead.speech_s > 0.0 && view.microphones().len() > 1 {
        Severity::Fault
    } else {
        Severity::Caution
    };
    // A take in which nothing is heard at all has no lines.
    let (spoken, advice) = if dead.speech_s > 0.0 {
        (
            " while the scene is spoken",
            "Check battery, mute and patch of this pack; the wearer's lines are only on the other microphones.",
        )
    } else {
        ("", "Check battery, mute and patch of this pack.")
    };
    view.finding("dead_track", track, start, end)
        .severity(severity)
        .confidence(confidence)
        .origin(if view.track(track).wireless == Some(true) {
            Origin::Radio
        } else {
            Origin::ThisMic
        })
        .number("level_dbfs", level(here).unwrap_or(f64::NAN), 1)
        .number("zero_share", zeros, 3)
        .number("speech_elsewhere_s", dead.speech_s, 1)
        .number("heard_share", dead.life_share, 3)
        .fact(
            "heard_on",
            cover
                .iter()
                .map(|&m| view.track(m).index)
                .collect::<Vec<_>>(),
        )
        .says(
            format!(
                "{} has no microphone signal{when}: {what}{spoken}.",
                view.track(track).label()
            ),
            advice,
        )
}

/// Whether a microphone hears the speech of a stretch: in the median 12 dB over its background.
fn hears(view: &TakeView<'_>, track: usize, dead: &Dead) -> bool {
    let level = voice_db(view, track);
    let floor = floor_db(&view.tracks[track], 200.0, 4000.0);
    let over: Vec<f64> = (dead.start..dead.end)
        .filter(|&f| view.speech.any[f])
        .map(|f| level[f] - floor[f])
        .collect();
    percentile(&over, 0.5) > 12.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stretches(voice: &[f64], heard: &[bool]) -> Vec<Dead> {
        dead_stretches(voice, heard, 3.5, 3.0, 1.5, 50.0)
    }

    /// 20 s; others speak in every second half second.
    fn others() -> Vec<bool> {
        (0..1000).map(|f| (f / 25) % 2 == 0).collect()
    }

    #[test]
    fn hiss_from_a_time_on_is_dead_from_there() {
        let heard = others();
        let voice: Vec<f64> = (0..1000)
            .map(|f| match f {
                0..400 => {
                    if heard[f] {
                        -40.0
                    } else {
                        -70.0
                    }
                }
                _ => -90.0 + (f % 3) as f64 * 0.4,
            })
            .collect();
        let found = stretches(&voice, &heard);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].start, found[0].end), (400, 1000));
    }

    #[test]
    fn a_silent_wearer_still_hears_the_others() {
        let heard = others();
        let voice: Vec<f64> = heard
            .iter()
            .map(|&h| if h { -58.0 } else { -70.0 })
            .collect();
        assert!(stretches(&voice, &heard).is_empty());
    }

    #[test]
    fn quiet_everywhere_is_a_quiet_take() {
        assert!(stretches(&[-80.0; 1000], &[false; 1000]).is_empty());
        assert!(stretches(&[], &[]).is_empty());
    }
}
