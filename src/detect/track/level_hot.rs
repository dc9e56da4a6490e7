//! Speech recorded too hot.
//!
//! *Fault.* The gain leaves no room: the next louder line will clip or lean on the limiter.
//!
//! *Signature.* The active speech level of the track's own speech lies far above the usual -20 dBFS; or, in an integer file,
//! its peaks come within half a decibel of full scale again and again.
//!
//! *Decision.* Active level above `limit_dbfs`, or at least `min_peaks` separate peaks of own speech above `peak_dbfs` in an
//! integer file without clipping (which says more). With overload on the same speech it is a fault.
//!
//! *Must not fire on.* A single shout; slate claps; a mix, which the limit for true peaks watches.
//!
//! *Known misses.* A track of which nobody's speech is known.
//!
//! *Source.* ITU-T P.56 method B; usual dialogue level -20 dBFS with peaks of -12 to -6 dBFS.

use super::level::own_speech;
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::report::model::{Origin, SampleFormat, Severity};
use crate::settings::Param;
use crate::units;

/// Active level from which speech is too hot.
pub static LIMIT: Param = Param {
    key: "level_hot.limit_dbfs",
    default: -15.0,
    unit: "dBFS",
    range: (-30.0, 0.0),
    why: "report contract: above -14 dBFS speech, with a crest of 12 to 15 dB, reaches full scale, from -17 dBFS it is a matter of taste; less the error of measurement",
};
/// Level of a peak that leaves no room.
pub static PEAK: Param = Param {
    key: "level_hot.peak_dbfs",
    default: -0.5,
    unit: "dBFS",
    range: (-6.0, 0.0),
    why: "report contract: repeated peaks above -0.5 dBFS on integer files",
};
/// Number of such peaks.
pub static MIN_PEAKS: Param = Param {
    key: "level_hot.min_peaks",
    default: 3.0,
    unit: "1",
    range: (1.0, 100.0),
    why: "one or two peaks are a shout or a knock; three in own speech are a gain",
};
/// Peaks closer than this are one.
const PEAK_APART_S: f64 = 0.25;

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "level_hot",
    explain: Explain {
        means: "The speech on this track was recorded with too little room above it.",
        sounds_like: "Loud and close; crackle or a squeezed sound on the loudest words where room ran out.",
        usual_cause: "Gain set during a quiet rehearsal, or an actor who plays louder than rehearsed.",
        do_now: "Take the gain down before the next take, 6 dB at a time; nothing is lost yet unless clipping is reported too.",
        measured_by: "Active speech level after ITU-T P.56 over the stretches where the track's own talker speaks; peaks within 0.5 dB of full scale.",
        not_to_confuse: "A single shout is acting. In a 32-bit float file the level alone loses nothing.",
    },
    params: &[&LIMIT, &PEAK, &MIN_PEAKS],
    run: Run::Track(run),
};

fn run(view: &TakeView<'_>, position: usize) -> Vec<Finding> {
    if !view.track(position).is_microphone() {
        return Vec::new();
    }
    let Some((active, first, end)) = own_speech(view, position) else {
        return Vec::new();
    };
    let m = &view.tracks[position];
    let signal = view.take.signal();
    let limit = view.settings.get(&LIMIT);
    let overloaded = !m.rails.clipped(signal, &m.frames).is_empty();
    let peaks = if view.take.format == SampleFormat::Int && !overloaded {
        near_full_scale(view, position)
    } else {
        0
    };
    let by_level = active.level_dbfs > limit;
    let by_peaks = peaks >= view.settings.get(&MIN_PEAKS) as usize;
    if !by_level && !by_peaks {
        return Vec::new();
    }
    let message = if by_level {
        format!(
            "Speech at {:.1} dBFS, above the working range that ends at {limit:.0} dBFS.",
            active.level_dbfs
        )
    } else {
        format!("{peaks} speech peaks within 0.5 dB of full scale.")
    };
    let float = view.take.format == SampleFormat::Float;
    vec![
        view.finding(
            "level_hot",
            position,
            view.grid.sample(first),
            view.grid.sample(end),
        )
        .severity(if overloaded {
            Severity::Fault
        } else {
            Severity::Caution
        })
        .confidence(if !by_level || active.level_dbfs > limit + 1.0 {
            0.95
        } else {
            0.85
        })
        .origin(Origin::Recorder)
        .number("speech_level_dbfs", active.level_dbfs, 2)
        .number("sample_peak_dbfs", m.levels.sample_peak_dbfs(), 2)
        .fact("peaks_near_full_scale_count", peaks)
        .says(
            message,
            if float {
                "Nothing is lost in the float file by level alone; listen for overload ahead of the recorder, and lower the gain."
            } else {
                "Take the gain of this input down before the next take."
            },
        ),
    ]
}

/// Separate peaks of own speech within reach of full scale.
fn near_full_scale(view: &TakeView<'_>, position: usize) -> usize {
    let least = units::amplitude(view.settings.get(&PEAK)) as f32;
    let apart = view.grid.frames_in(PEAK_APART_S);
    let peak = view.tracks[position].frames.peak.all();
    let mut last: Option<usize> = None;
    let mut count = 0;
    for f in view.speech.own_frames(position) {
        if peak[f] >= least {
            count += usize::from(last.is_none_or(|l| f - l > apart));
            last = Some(f);
        }
    }
    count
}
