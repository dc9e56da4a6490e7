//! Radio that fills frames: the noise of a receiver without a carrier, bursts of white noise, whistles of carriers that beat,
//! pulses of a phone. Part of `rf_hit`; `rustle` leaves them out.
//!
//! Each is read from frames of 20 ms in which a body microphone carries what no other microphone predicts. Noise of a receiver
//! is even from 2 to 16 kHz, a burst white, a whistle is one third of an octave alone, a phone's pulses are a tone at the rate
//! of its frames (60/13 ms, 3GPP TS 45.002) with all its multiples. What stands still for seconds is `hum`.

use super::hum;
use super::impulses::Span;
use super::rf_hit::NOISE_OCTAVE_DB;
use super::unheard::{self, Over, Unheard};
use crate::compare::speech::joined;
use crate::detect::TakeView;
use crate::detect::hearing::{QUIET_DB, median};
use crate::measure::frames::{Frames, band_edges_hz, bands_within};
use crate::measure::lines::SteadyLine;
use crate::report::model::Role;
use crate::units::power_db;

/// What it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::detect) enum Make {
    /// Noise of an open receiver.
    Open,
    /// White noise that is soon over.
    Burst,
    /// A tone; middles of the thirds of an octave in which it begins and ends, Hz.
    Whistle(f64, f64),
    /// Pulses of a phone.
    Phone,
}

/// A stretch of it.
#[derive(Debug, Clone, Copy)]
pub(in crate::detect) struct Lasting {
    pub(super) span: Span,
    pub(super) make: Make,
    /// Largest level over the prediction, dB.
    pub(super) over_db: f64,
}

/// Level over the prediction in most of the spectrum: noise of a receiver covers everything, dB.
const OPEN_DB: f64 = 10.0;
/// Shortest stretch: what is shorter is a burst, s.
const OPEN_S: f64 = 0.24;
/// Most that its level moves from one frame to the next in half of them, dB: noise of a receiver is steady or swells, cloth
/// comes in strokes.
const OPEN_MOVES_DB: f64 = 1.5;
/// A burst fills some frames: white, and by this over the prediction in most of the spectrum, dB. Millisecond levels (`rf_hit`)
/// cannot tell where this microphone is often louder than the others allow.
const BURST_DB: f64 = 8.0;
const BURST_S: f64 = 0.06;
/// Level over the prediction of a phone's pulses, dB: no voice that others hear stays there.
const PHONE_DB: f64 = 4.0;
const PHONE_S: f64 = 0.12;
/// Rate of a phone's frames, Hz, and how well it is read.
const PHONE_HZ: f64 = 13.0 / 0.060;
const PHONE_STRAY: f64 = 0.03;
/// A tone stands out by this, alone by that, and over what is two thirds of an octave away by the last, dB.
const TONE_DB: f32 = 10.0;
const TONE_ALONE_DB: f32 = 8.0;
const TONE_PEAK_DB: f64 = 8.0;
const TONE_S: f64 = 0.24;
/// Harmonicity below which a frame is noise.
const NOISE: f32 = 0.6;
/// Harmonicity from which pulses are regular.
const REGULAR: f32 = 0.5;
/// Frames in between that do not end a stretch.
const BRIDGED: usize = 3;

/// All lasting radio on a track, in order of start.
pub(super) fn lasting<'a>(view: &'a TakeView<'_>, track: usize) -> &'a [Lasting] {
    let known = &view.known.tracks[track].lasting;
    known.get_or_init(|| look(view, track))
}

fn look(view: &TakeView<'_>, track: usize) -> Vec<Lasting> {
    if view.track(track).role != Role::Lav || view.track(track).wireless == Some(false) {
        return Vec::new();
    }
    let Some(unheard) = unheard::of(view, track) else {
        return Vec::new();
    };
    let frames = &view.tracks[track].frames;
    let length = |s: f64| view.grid.frames_in(s).max(1);
    let stretch = |start: usize, end: usize, make: Make, level: &dyn Fn(&Over) -> f64| Lasting {
        span: Span {
            start: view.grid.sample(start),
            end: view.grid.sample(end).min(view.grid.samples),
        },
        make,
        over_db: (start..end)
            .map(|f| level(&unheard.at(f)))
            .fold(QUIET_DB, f64::max),
    };
    let octave_db = view.settings.get(&NOISE_OCTAVE_DB);
    let open = |f: usize| {
        unheard.at(f).most_db >= OPEN_DB
            && frames.harmonicity(f) < NOISE
            && Tilt::of(frames, f).is_even(octave_db)
    };
    let white = |f: usize| {
        unheard.at(f).most_db >= BURST_DB
            && frames.harmonicity(f) < NOISE
            && Tilt::of(frames, f).is_white()
    };
    let phone = |f: usize| {
        unheard.at(f).most_db >= PHONE_DB
            && frames.harmonicity(f) >= REGULAR
            && at_phone_rate(frames.pitch_hz(f))
    };
    let steady = |make: Make, least: usize, of: &dyn Fn(usize) -> bool| -> Vec<Lasting> {
        let mask: Vec<bool> = (0..view.grid.frames).map(of).collect();
        (held(&mask, least).into_iter())
            .map(|(a, b)| stretch(a, b, make, &|o| o.most_db))
            .collect()
    };
    let top = bands_within(8000.0, 16_000.0);
    let even = |l: &Lasting| {
        let levels: Vec<f64> = (view.grid.frame(l.span.start)..view.grid.frame(l.span.end))
            .map(|f| power_db(frames.band_power(f, top.clone())).max(QUIET_DB))
            .collect();
        let moves: Vec<f64> = levels.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
        !moves.is_empty() && median(&moves) <= OPEN_MOVES_DB
    };
    let mut found = steady(Make::Open, length(OPEN_S), &open);
    found.retain(even);
    let burst = |l: &Lasting| !found.iter().any(|open| open.span.near(&l.span, 0));
    let mut bursts = steady(Make::Burst, length(BURST_S), &white);
    bursts.retain(burst);
    found.extend(bursts);
    found.extend(steady(Make::Phone, length(PHONE_S), &phone));
    let tones = whistles(unheard, frames, length(TONE_S));
    let lines = if tones.is_empty() {
        Vec::new()
    } else {
        hum::standing(view, track)
    };
    let edges = band_edges_hz();
    let middle = |band: u8| (edges[usize::from(band)] * edges[usize::from(band) + 1]).sqrt();
    for (start, end) in tones {
        let (from, to) = (
            middle(unheard.at(start).top),
            middle(unheard.at(end - 1).top),
        );
        let tone = stretch(start, end, Make::Whistle(from, to), &|o| {
            f64::from(o.top_db)
        });
        let stands = |line: &SteadyLine| {
            line.start < tone.span.end
                && line.end > tone.span.start
                && (start..end).any(|f| (line.hz / middle(unheard.at(f).top)).ln().abs() < 0.13)
        };
        if !lines.iter().any(stands) {
            found.push(tone);
        }
    }
    found.sort_by_key(|l| l.span);
    found
}

/// How a frame's spectrum falls.
pub(super) struct Tilt {
    /// 8-16 over 4-8 kHz, dB.
    octave_db: f64,
    /// 8-16 over 2-4 kHz, dB.
    span_db: f64,
}

impl Tilt {
    /// 8-16 over 2-4 kHz of noise behind de-emphasis, at least, dB.
    const SPAN_DB: f64 = -5.5;
    /// More in the highest octave than noise has, dB.
    const MOST_DB: f64 = 4.0;
    /// White noise has 3 and 6 dB, a voice beside it takes some.
    const WHITE_DB: f64 = 1.0;
    const WHITE_SPAN_DB: f64 = 2.0;

    pub(super) fn of(frames: &Frames, frame: usize) -> Tilt {
        let level = |low_hz: f64, high_hz: f64| {
            power_db(frames.band_power(frame, bands_within(low_hz, high_hz))).max(QUIET_DB)
        };
        let top = level(8000.0, 16_000.0);
        Tilt {
            octave_db: top - level(4000.0, 8000.0),
            span_db: top - level(2000.0, 4000.0),
        }
    }

    /// Whether it is that of white noise: 3 dB an octave.
    fn is_white(&self) -> bool {
        (Tilt::WHITE_DB..=Tilt::MOST_DB).contains(&self.octave_db)
            && self.span_db >= Tilt::WHITE_SPAN_DB
    }

    /// Whether it is that of noise behind de-emphasis; `octave_db` is the least of [`NOISE_OCTAVE_DB`].
    pub(super) fn is_even(&self, octave_db: f64) -> bool {
        (octave_db..=Tilt::MOST_DB).contains(&self.octave_db) && self.span_db >= Tilt::SPAN_DB
    }
}

/// Whether a pitch is a phone's frame rate or the half or third of it, which repeat as well.
fn at_phone_rate(hz: f64) -> bool {
    (1..=3).any(|n| (hz * f64::from(n) / PHONE_HZ - 1.0).abs() <= PHONE_STRAY)
}

/// Stretches of a mask with short breaks bridged, at least `least` long and for the most part set.
fn held(mask: &[bool], least: usize) -> Vec<(usize, usize)> {
    let filled = |&(a, b): &(usize, usize)| {
        b - a >= least && 3 * mask[a..b].iter().filter(|m| **m).count() >= 2 * (b - a)
    };
    let stretches = joined(mask, BRIDGED + 1).into_iter();
    stretches.filter(filled).collect()
}

/// Stretches in which one tone stands out alone, moving by no more than a third of an octave a frame.
fn whistles(unheard: &Unheard, frames: &Frames, least: usize) -> Vec<(usize, usize)> {
    let tone = |f: usize| {
        let o = unheard.at(f);
        if o.top_db < TONE_DB || o.alone_db < TONE_ALONE_DB {
            return false;
        }
        let level = |band: usize| {
            let power = frames.codes(f).get(band).copied().unwrap_or_default();
            power_db(f64::from(power)).max(QUIET_DB)
        };
        let top = usize::from(o.top);
        let around = level(top - 2).max(level(top + 2));
        level(top) >= around + TONE_PEAK_DB
    };
    let mut found: Vec<(usize, usize)> = Vec::new();
    let mut run: Option<(usize, usize)> = None;
    for f in (0..frames.grid.frames).filter(|&f| tone(f)) {
        run = match run {
            Some((start, last))
                if f - last <= BRIDGED
                    && usize::from(unheard.at(f).top.abs_diff(unheard.at(last).top))
                        <= f - last =>
            {
                Some((start, f))
            }
            Some((start, last)) => {
                found.push((start, last + 1));
                Some((f, f))
            }
            None => Some((f, f)),
        };
    }
    found.extend(run.map(|(start, last)| (start, last + 1)));
    found.retain(|(a, b)| b - a >= least);
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_breaks_are_bridged_and_short_stretches_left_out() {
        let mut mask = vec![false; 60];
        mask[10..20].fill(true);
        mask[22..30].fill(true);
        mask[50..54].fill(true);
        assert_eq!(held(&mask, 8), [(10, 30)]);
        assert!(held(&[], 1).is_empty());
    }

    /// Noise by its definition: white has 3 dB more in each octave. Behind 50 us de-emphasis and in cloth the octaves fall.
    #[test]
    fn white_noise_is_told_from_what_went_through_something() {
        let tilt = |octave_db, span_db| Tilt { octave_db, span_db };
        assert!(tilt(3.0, 6.0).is_white() && tilt(3.0, 6.0).is_even(-3.5));
        assert!(!tilt(-2.0, -3.0).is_white() && tilt(-2.0, -3.0).is_even(-3.5));
        assert!(!tilt(-6.0, -9.0).is_white(), "cloth");
        assert!(!tilt(8.0, 14.0).is_white(), "a hissed consonant");
    }

    /// 216.68 Hz: eight slots of 15/26 ms a frame (3GPP TS 45.002).
    #[test]
    fn the_rate_of_a_phone_and_its_parts() {
        for hz in [216.68, 218.2, 108.3, 72.2] {
            assert!(at_phone_rate(hz), "{hz}");
        }
        for hz in [200.0, 240.0, 100.0, 0.0] {
            assert!(!at_phone_rate(hz), "{hz}");
        }
    }
}
