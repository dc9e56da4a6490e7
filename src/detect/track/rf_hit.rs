//! `rf_hit`: radio interference on one track.
//!
//! **Fault.** A link at its threshold, another transmitter or a phone adds clicks, bursts of noise or garbage.
//! **Signature.** It enters behind the microphone, so neither cloth nor room shapes it: white up to 16 kHz, up within two
//! milliseconds, and louder in the 8-16 kHz band than any sound that this track shares with the other microphones.
//! **Decision.** Per millisecond the best of the other microphones, heard 14 ms earlier to 30 ms later, says how loud a sound
//! on this track usually is: its level, lined up, plus the lead that this track has over it at 85 of 100 loud moments. What
//! exceeds that by 17 dB, rises fast, is white and was heard nowhere is a hit. Noise of a fading link is told from cloth by its
//! even spectrum from 2 to 16 kHz without lows, at less. What fills frames of 20 ms (white bursts, an open receiver, whistles,
//! pulses of a phone) is read from them (`link`). Blocks of zeros and copies amid garbage are an error burst of a digital link.
//! What comes suddenly and rings away is a blow on the microphone; what swells with a body below 500 Hz, rings between 4 and
//! 8 kHz, or falls silent between grains is cloth, hair or a zip. What comes in clicks that scatter from millisecond to
//! millisecond more than cloth does, less than grains do, is a receiver at its threshold, also behind a low-pass.
//! **Must not fire on** slates, claps, doors, steps, keyboards, consonants (the other microphones hear them), rustle (not
//! white, slow), joints and pops (`click`), the edges of gaps (`dropout`).
//! **Known misses.** Weak hits under loud words, whistles above 7 kHz; a track without any other microphone beside it.
//! **Source.** Reference on detection methods, sections 0 and 5; report contract, table of kinds.

use super::dropout;
use super::impulses::{Burst, Cause, Gap, Impulses, Span, grouped};
use super::link::{self, Tilt};
use crate::compare::speech::VOICED;
use crate::detect::hearing::{QUIET_DB, median};
use crate::detect::{Detector, Explain, Finding, Run, TakeView};
use crate::measure::frames::{Frames, bands_within};
use crate::report::model::{Origin, Role, Severity};
use crate::settings::Param;
use crate::units::{power_db, samples, seconds};

static MIN_EXCESS_DB: Param = Param {
    key: "rf_hit.min_excess_db",
    default: 17.0,
    unit: "dB",
    range: (3.0, 40.0),
    why: "over the lead that 85 of 100 loud moments of this track have over the best witness: lips, jewellery and the wearer's own steps reach 16 dB; 2 dB less where several follow each other, 3 dB less for a click as white and sudden as a link's, 4 dB more on a microphone that is not worn, because that one also hears what no body microphone does",
};
static SURE_EXCESS_DB: Param = Param {
    key: "rf_hit.sure_excess_db",
    default: 20.0,
    unit: "dB",
    range: (6.0, 60.0),
    why: "from here on a slow rise is accepted too: noise of a fading link comes up within some ten milliseconds",
};
static HEARD_DB: Param = Param {
    key: "rf_hit.heard_db",
    default: 8.0,
    unit: "dB",
    range: (3.0, 40.0),
    why: "rise of any other microphone at the same time: millisecond levels of noise reach 6 dB over their median; what is more was heard there, and more excess is asked for",
};
pub(super) static MIN_WHITENESS_DB: Param = Param {
    key: "rf_hit.min_whiteness_db",
    default: -7.8,
    unit: "dB",
    range: (-20.0, 0.0),
    why: "8-16 kHz over 1-8 kHz: white noise has +0.6 dB, noise and clicks behind 50 us de-emphasis -5..-8 dB, cloth and voices -8 dB and less",
};
static MAX_WHITENESS_DB: Param = Param {
    key: "rf_hit.max_whiteness_db",
    default: 4.0,
    unit: "dB",
    range: (0.0, 20.0),
    why: "more above 8 kHz than noise has is a hissed consonant",
};
static MIN_SHARPNESS_DB: Param = Param {
    key: "rf_hit.min_sharpness_db",
    default: 1.2,
    unit: "dB",
    range: (-10.0, 20.0),
    why: "whiteness plus 0.6 of the steepest rise within 2 ms: recorded cloth reaches 0.9, noise that is cut on 8 and more",
};

static NOISE_EXCESS_DB: Param = Param {
    key: "rf_hit.noise_excess_db",
    default: 14.0,
    unit: "dB",
    range: (6.0, 40.0),
    why: "over the lead of the loud moments, for what has the spectrum of a fading link: nothing that sounds comes near it without being heard elsewhere",
};
pub(super) static NOISE_OCTAVE_DB: Param = Param {
    key: "rf_hit.noise_octave_db",
    default: -3.5,
    unit: "dB",
    range: (-12.0, 0.0),
    why: "8-16 over 4-8 kHz: noise behind 50 us de-emphasis has about -2 dB (it is flat from 3 kHz up to the low-pass at 15 kHz), cloth -5..-8 dB",
};

/// The detector.
pub static DETECTOR: Detector = Detector {
    kind: "rf_hit",
    explain: Explain {
        means: "Radio interference on one wireless track: click doublets, crackle, bursts of noise, whistles, pulses of a phone or digital garbage that no other microphone heard.",
        sounds_like: "Ticks, frying, a splash or a steady roar of noise, a tone that slides, a buzz of a phone, or a digital burst, harder and brighter than anything in the room.",
        usual_cause: "The link at the edge of its range, another transmitter on the frequency, a phone close to the receiver.",
        do_now: "Use another microphone for the line. On set: rescan the frequency, move the antennas, check the battery.",
        measured_by: "Level of the 8-16 kHz band each millisecond over what the other microphones allow a sound on this track to have; whiteness (8-16 over 1-8 kHz) and rise within 2 ms. What lasts: even noise, one third of an octave alone, or 217 pulses a second that no other microphone predicts.",
        not_to_confuse: "What other microphones hear too, scaled and late, is a sound: slate, clap, door, steps. Cloth is darker and slower. A tone that stands still for seconds is hum. Weak hits under loud words may be missed.",
    },
    params: &[
        &MIN_EXCESS_DB,
        &SURE_EXCESS_DB,
        &HEARD_DB,
        &MIN_WHITENESS_DB,
        &MAX_WHITENESS_DB,
        &MIN_SHARPNESS_DB,
        &NOISE_EXCESS_DB,
        &NOISE_OCTAVE_DB,
    ],
    run: Run::Take(run),
};

/// A joint explains a burst of up to this many milliseconds; a longer one explains the joint.
pub(crate) const BRIEF_MS: u64 = 6;

/// What a hit is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Make {
    /// Clicks and bursts of noise.
    Noise,
    /// Garbage of a digital link.
    Digital,
    /// What lasts.
    Lasting(link::Make),
}

impl Make {
    fn name(self) -> &'static str {
        match self {
            Make::Noise | Make::Lasting(link::Make::Burst) => "noise",
            Make::Digital => "digital_errors",
            Make::Lasting(link::Make::Open) => "open_receiver",
            Make::Lasting(link::Make::Whistle(..)) => "whistle",
            Make::Lasting(link::Make::Phone) => "phone_pulses",
        }
    }
}

/// A hit before it becomes part of a finding.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hit {
    pub(crate) span: Span,
    excess_db: f64,
    whiteness_db: f64,
    rise_db: f64,
    level_dbfs: f64,
    make: Make,
    confidence: f64,
}

fn run(view: &TakeView<'_>) -> Vec<Finding> {
    let all = Impulses::new(view);
    let mut found = Vec::new();
    for t in 0..all.tracks.len() {
        let hits = hits(view, &all, t);
        let spans: Vec<Span> = hits.iter().map(|h| h.span).collect();
        for group in grouped(&spans, view.grid.rate) {
            let members: Vec<Hit> = group.iter().map(|&k| hits[k]).collect();
            found.push(finding(view, all.tracks[t], &members));
        }
    }
    found
}

/// Hits on track `t` (a position in `all.tracks`), in order.
pub(crate) fn hits<'a>(view: &'a TakeView<'_>, all: &Impulses<'_>, t: usize) -> &'a [Hit] {
    let known = &view.known.tracks[all.tracks[t]].hits;
    known.get_or_init(|| look(view, all, t))
}

fn look(view: &TakeView<'_>, all: &Impulses<'_>, t: usize) -> Vec<Hit> {
    let rate = view.grid.rate;
    let gaps = all.gaps(t);
    let errors = error_bursts(all, t, &gaps, rate);
    let mut gone = dropout::shadow(&gaps, rate);
    gone.extend(super::clipping::overflows(
        view,
        all.tracks[t],
        BRIEF_MS * u64::from(rate) / 1000,
    ));
    let set = |p: &Param| view.settings.get(p);
    let mut hits: Vec<Hit> = errors
        .iter()
        .map(|&span| Hit {
            span,
            excess_db: f64::NAN,
            whiteness_db: f64::NAN,
            rise_db: f64::NAN,
            level_dbfs: f64::NAN,
            make: Make::Digital,
            confidence: 0.97,
        })
        .collect();
    let joints: Vec<Span> = joints(view, all.tracks[t]);
    let grains: Vec<Span> = (all.bursts(t).iter())
        .filter(|burst| is_grainy(burst, rate))
        .map(|burst| burst.span)
        .collect();
    let beside_grains = samples(GRAINS_REACH_S, rate);
    let worn = view.track(all.tracks[t]).role == Role::Lav;
    let bursts = all.bursts(t);
    let asked = |burst: &Burst| Asked {
        worn,
        relief: 0.0,
        sounds_db: excess_of_sounds(bursts, burst, rate, &set),
    };
    let bursts: Vec<(&Burst, Asked)> = bursts.iter().map(|b| (b, asked(b))).collect();
    let relieved = |asked: Asked| Asked {
        relief: REPEATED_DB,
        ..asked
    };
    let nearly: Vec<Span> = bursts
        .iter()
        .filter(|(b, asked)| is_hit(b, relieved(*asked), &set))
        .map(|(b, _)| b.span)
        .collect();
    let reach = REPEATED_MS * u64::from(rate) / 1000;
    for (burst, asked) in bursts {
        let repeated = nearly.contains(&burst.span)
            && nearly.iter().filter(|s| s.near(&burst.span, reach)).count() > 1;
        let clear = is_hit(burst, asked, &set)
            || repeated
            || worn && is_in_clicks(burst, rate, &set)
            || (is_noise(burst, worn, &set) && is_even(view, all.tracks[t], burst.span, &set));
        let short = burst.span.length() <= BRIEF_MS * u64::from(rate) / 1000;
        let explained = gone
            .iter()
            .chain(&errors)
            .chain(joints.iter().filter(|_| short))
            .any(|s| s.near(&burst.span, 0));
        let mute = super::click::at_mute(view, all.tracks[t], burst.span.start);
        let grain = grains.iter().any(|g| g.near(&burst.span, beside_grains));
        if clear && !explained && !mute && !grain && !is_touch(view, all.tracks[t], burst) {
            hits.push(Hit {
                span: burst.span,
                excess_db: burst.excess_db,
                whiteness_db: burst.whiteness_db,
                rise_db: burst.rise_db,
                level_dbfs: burst.level_dbfs,
                make: Make::Noise,
                confidence: sure(burst),
            });
        }
    }
    // Frames tell less well than milliseconds when a burst begins.
    let known: Vec<Span> = hits.iter().map(|h| h.span).chain(gone).collect();
    let new = |l: &&link::Lasting| {
        let told = known.iter().any(|k| k.near(&l.span, 0));
        let wakes = || super::click::at_mute(view, all.tracks[t], l.span.start);
        l.make != link::Make::Burst || !told && !wakes()
    };
    let lasting = link::lasting(view, all.tracks[t]).iter().filter(new);
    hits.extend(lasting.map(|l| Hit {
        span: l.span,
        excess_db: l.over_db,
        whiteness_db: f64::NAN,
        rise_db: f64::NAN,
        level_dbfs: f64::NAN,
        make: Make::Lasting(l.make),
        confidence: 0.94,
    }));
    hits.sort_by_key(|h| h.span);
    hits
}

/// Hits of one link in trouble follow each other: where two are closer than this, each may be that much weaker, dB.
const REPEATED_MS: u64 = 100;
const REPEATED_DB: f64 = 2.0;

/// What a burst has to exceed.
#[derive(Debug, Clone, Copy)]
struct Asked {
    /// A body microphone.
    worn: bool,
    /// How much of the excess asked for is waived, dB.
    relief: f64,
    /// What the sounds around it exceed the other microphones by, dB.
    sounds_db: f64,
}

/// A whisper beside shouts is louder on its own microphone than the loud moments allow: what sounds that are no radio exceed
/// there, a hit has to exceed by so much more, dB.
const OVER_SOUNDS_DB: f64 = 3.0;
/// So many of them have to be there, within so many seconds.
const SOUNDS: usize = 3;
const SOUNDS_S: u64 = 2;

/// Median excess of the bursts around one that are too dark to be radio, dB; minus infinity where there are too few.
fn excess_of_sounds(
    bursts: &[Burst],
    burst: &Burst,
    rate: u32,
    set: &dyn Fn(&Param) -> f64,
) -> f64 {
    let reach = SOUNDS_S * u64::from(rate);
    // Of a long take only those nearby are looked at: bursts are in order and do not overlap.
    let first = bursts.partition_point(|b| b.span.end + reach <= burst.span.start);
    let sounds: Vec<f64> = bursts[first..]
        .iter()
        .take_while(|b| b.span.near(&burst.span, reach))
        .filter(|b| b.whiteness_db < set(&MIN_WHITENESS_DB))
        .map(|b| b.excess_db)
        .collect();
    if sounds.len() < SOUNDS {
        return f64::NEG_INFINITY;
    }
    median(&sounds)
}

/// Whether a burst that no other microphone explains is radio.
fn is_hit(burst: &Burst, asked: Asked, set: &dyn Fn(&Param) -> f64) -> bool {
    let (excess, rise, white) = (burst.excess_db, burst.rise_db, burst.whiteness_db);
    if white < set(&MIN_WHITENESS_DB)
        || white > set(&MAX_WHITENESS_DB)
        || white + 0.6 * rise < set(&MIN_SHARPNESS_DB)
    {
        return false;
    }
    let crisp = white >= CRISP_DB && rise >= CRISP_RISE_DB;
    let relief = if crisp { CRISP_RELIEF_DB } else { asked.relief };
    let sounds = asked.sounds_db + OVER_SOUNDS_DB;
    let least = (set(&MIN_EXCESS_DB) + unworn(asked.worn) - relief).max(sounds);
    let sure = set(&SURE_EXCESS_DB).max(sounds);
    let with_others = burst.others_rise_along();
    if white >= CRISP_DB && rise >= CUT_RISE_DB && !with_others {
        return true;
    }
    if white >= SPARK_DB
        && rise.min(burst.fall_db) >= SPARK_EDGES_DB
        && burst.heard_db < SPARK_HEARD_DB
        && (excess >= SPARK_EXCESS_DB || burst.heard_db >= SPARK_WORD_DB)
    {
        return true;
    }
    if burst.heard_db >= set(&HEARD_DB) && (with_others || rise < CRISP_RISE_DB) {
        return excess >= sure + 4.0 && rise >= 12.0;
    }
    (excess >= sure && rise >= 4.0) || (excess >= least && rise >= 10.0)
}

/// A click of a link is this white and comes up by so much within 2 ms (consonants reach 18.5 dB): less excess is asked for, dB.
const CRISP_DB: f64 = -4.0;
const CRISP_RISE_DB: f64 = 20.0;
const CRISP_RELIEF_DB: f64 = 3.0;

/// No sound comes up by this within 2 ms without the others coming up with it, whatever the microphones usually have against
/// each other, dB.
const CUT_RISE_DB: f64 = 40.0;

/// A click of a link comes up and stops by so much within 2 ms each, and is so white: whatever sounds rings longer or is darker,
/// so that a word may be heard meanwhile, though nothing louder. Consonants and claps have 22 dB, cloth that sticks and slips 40
/// at -5 dB.
const SPARK_EDGES_DB: f64 = 25.0;
const SPARK_DB: f64 = -4.5;
const SPARK_HEARD_DB: f64 = 22.0;
/// Paper and tape in the wearer's own hands crackle as suddenly, but hardly louder than the other microphones allow, unless they
/// hear a word, which allows anything. dB.
const SPARK_EXCESS_DB: f64 = 12.0;
const SPARK_WORD_DB: f64 = 14.0;

/// More excess for a microphone that nobody wears, dB.
fn unworn(worn: bool) -> f64 {
    if worn { 0.0 } else { 4.0 }
}

/// What sticks and slips, scratches or zips on a microphone falls silent between its grains, so that every other millisecond is off
/// the line through its neighbours by this (median 9 to 34 dB; noise of a receiver in clicks 2 to 6), over so many seconds. Blocks
/// of a digital link do so too, and are white. dB.
const GRAIN_DB: f64 = 9.0;
const GRAINS_S: f64 = 0.025;
const GRAIN_WHITEST_DB: f64 = -1.0;
/// So close to grains, s, short bursts are grains as well.
const GRAINS_REACH_S: f64 = 0.25;

/// Whether a burst is a row of grains.
pub(super) fn is_grainy(burst: &Burst, rate: u32) -> bool {
    burst.ripple.grain_db >= GRAIN_DB
        && burst.whiteness_db < GRAIN_WHITEST_DB
        && burst.span.length() >= samples(GRAINS_S, rate)
}

/// A receiver at its threshold puts out clicks, which scatter by so much within a millisecond, in both bands, where cloth has 3 to
/// 5 dB, over so many seconds: noise also where a low-pass behind the receiver left nothing white. Voices scatter, too, but
/// others hear them, and they are darker. dB.
const CLICKS_RIPPLE_DB: f64 = 5.2;
const CLICKS_S: f64 = 0.06;
const CLICKS_DARKEST_DB: f64 = -22.0;

/// Whether a burst is noise in clicks that only this body microphone has.
fn is_in_clicks(burst: &Burst, rate: u32, set: &dyn Fn(&Param) -> f64) -> bool {
    burst.ripple.high_db.min(burst.ripple.mid_db) >= CLICKS_RIPPLE_DB
        && burst.ripple.grain_db < GRAIN_DB
        && burst.whiteness_db >= CLICKS_DARKEST_DB
        && burst.span.length() >= samples(CLICKS_S, rate)
        && burst.excess_db >= set(&MIN_EXCESS_DB)
        && burst.heard_db < set(&HEARD_DB)
}

/// Whether something touched the microphone: a blow, cloth with a body, hair that rings.
fn is_touch(view: &TakeView<'_>, position: usize, burst: &Burst) -> bool {
    let frames_tell = fills_a_frame(burst.span, view.grid.rate)
        && (has_body(view, position, burst) || rings_high(view, position, burst.span));
    dies_away(burst) || frames_tell
}

/// A blow on the microphone comes up by so much within 2 ms and rings away, falling by less than this share of it at any time;
/// what a link adds stops as suddenly as it comes, unless it is noise so white that nothing but a link makes it. dB.
const BLOW_RISE_DB: f64 = 18.0;
const BLOW_FALL_SHARE: f64 = 0.55;
const BLOW_WHITEST_DB: f64 = -2.5;

/// Whether a burst comes up suddenly and rings away: jewellery on the capsule, a tap.
fn dies_away(burst: &Burst) -> bool {
    burst.rise_db >= BLOW_RISE_DB
        && burst.fall_db < BLOW_FALL_SHARE * burst.rise_db
        && burst.whiteness_db < BLOW_WHITEST_DB
}

/// Cloth has more from 250 to 500 Hz than from 1 to 2 kHz, by so much, where nobody speaks; noise of a link has less. dB.
const BODY_DB: f64 = 1.0;

/// Whether a burst that swells has the body of a touch: bright cloth.
fn has_body(view: &TakeView<'_>, position: usize, burst: &Burst) -> bool {
    if burst.rise_db >= BLOW_RISE_DB {
        return false;
    }
    let frames = &view.tracks[position].frames;
    let frame = view.grid.frame((burst.span.start + burst.span.end) / 2);
    let level = |low_hz, high_hz| level_db(frames, frame, low_hz, high_hz);
    frames.harmonicity(frame) < VOICED && level(250.0, 500.0) > level(1000.0, 2000.0) + BODY_DB
}

/// What touches a capsule rings between 4 and 8 kHz, over the octaves on either side, by so much in sum: hair, jewellery and
/// cloth that sticks and slips have 9 to 50 dB, what a link adds at most 7. dB.
const RINGS_DB: f64 = 8.5;

/// Whether a stretch has the hump of a touch above the voice.
fn rings_high(view: &TakeView<'_>, position: usize, span: Span) -> bool {
    let frames = &view.tracks[position].frames;
    let hump_db = |frame| {
        let level = |low_hz, high_hz| level_db(frames, frame, low_hz, high_hz);
        2.0 * level(4000.0, 8000.0) - level(2000.0, 4000.0) - level(8000.0, 16_000.0)
    };
    brightest_frame(view, position, span).is_some_and(|frame| hump_db(frame) >= RINGS_DB)
}

/// The frame of a stretch with the highest level from 8 to 16 kHz.
fn brightest_frame(view: &TakeView<'_>, position: usize, span: Span) -> Option<usize> {
    let frames = &view.tracks[position].frames;
    let top = |f: &usize| level_db(frames, *f, 8000.0, 16_000.0);
    let (first, last) = (view.grid.frame(span.start), view.grid.frame(span.end - 1));
    (first..=last).max_by(|p, q| top(p).total_cmp(&top(q)))
}

/// Whether a burst lasts, rises and stands out as the noise of a fading link does.
fn is_noise(burst: &Burst, worn: bool, set: &dyn Fn(&Param) -> f64) -> bool {
    let relief = if burst.rise_db >= CUT_ON_DB {
        CUT_ON_RELIEF_DB
    } else {
        0.0
    };
    let unheard =
        burst.heard_db < set(&HEARD_DB) || burst.excess_db >= set(&SURE_EXCESS_DB) + unworn(worn);
    let edged = worn && burst.rise_db.max(burst.fall_db) > NOISE_EDGE_DB;
    burst.excess_db >= set(&NOISE_EXCESS_DB) + unworn(worn) - relief
        && (burst.rise_db >= NOISE_RISE_DB && unheard || edged)
}

/// Noise that is cut on by this within 2 ms is no cloth, whose strokes reach 10 dB: less excess is asked for, dB.
const CUT_ON_DB: f64 = 25.0;
const CUT_ON_RELIEF_DB: f64 = 5.0;
/// Steepest rise of noise within 2 ms: recorded cloth mostly reaches 6 to 7 dB.
const NOISE_RISE_DB: f64 = 8.0;
/// Noise on a body microphone that comes or goes by so much within 2 ms is a link's, whatever the others hear beside it: words
/// and cloth with so even a spectrum reach 8 dB.
const NOISE_EDGE_DB: f64 = 10.0;
/// A shorter burst does not fill a frame, s.
const NOISE_S: f64 = 0.012;

fn fills_a_frame(span: Span, rate: u32) -> bool {
    span.length() as f64 >= NOISE_S * f64::from(rate)
}

/// Level of a range of frequencies in a frame, dBFS; [`QUIET_DB`] for silence.
fn level_db(frames: &Frames, frame: usize, low_hz: f64, high_hz: f64) -> f64 {
    power_db(frames.band_power(frame, bands_within(low_hz, high_hz))).max(QUIET_DB)
}

/// 8-16 kHz over the background of seconds: the buzz of a dimmer is all pulses, and always there. dB.
const NOISE_OVER_FLOOR_DB: f64 = 8.0;
/// 2-4 kHz over 63-125 Hz, at least, unless the lows were there before: noise of a link has none, a touch has. dB.
const NOISE_OVER_LOWS_DB: f64 = 8.0;
const LOWS_RISE_DB: f64 = 3.0;

/// Whether the loudest frame of a burst has the even spectrum of a link's noise: flat from 2 to 16 kHz, no lows of its own.
fn is_even(view: &TakeView<'_>, position: usize, span: Span, set: &dyn Fn(&Param) -> f64) -> bool {
    let frames = &view.tracks[position].frames;
    let level = |frame, low_hz, high_hz| level_db(frames, frame, low_hz, high_hz);
    let Some(loudest) = brightest_frame(view, position, span) else {
        return false;
    };
    let before = view
        .grid
        .frame(span.start)
        .saturating_sub(view.grid.frames_in(0.12));
    let floor = &view.tracks[position].floor;
    let floor = power_db(floor.band_power(loudest, bands_within(8000.0, 16_000.0)));
    let low = level(loudest, 63.0, 125.0);
    let bright = level(loudest, 2000.0, 4000.0);
    fills_a_frame(span, view.grid.rate)
        && Tilt::of(frames, loudest).is_even(set(&NOISE_OCTAVE_DB))
        && level(loudest, 8000.0, 16_000.0) >= floor + NOISE_OVER_FLOOR_DB
        && (bright - low >= NOISE_OVER_LOWS_DB || low - level(before, 63.0, 125.0) < LOWS_RISE_DB)
}

fn sure(burst: &Burst) -> f64 {
    if burst.excess_db >= 20.0 && burst.heard_db < 8.0 {
        0.98
    } else {
        0.94
    }
}

/// Joints and single damaged samples of a track with what rings after them in the band: they are `click`.
fn joints(view: &TakeView<'_>, position: usize) -> Vec<Span> {
    let ms = u64::from(view.grid.rate) / 1000;
    view.tracks[position]
        .transients
        .iter()
        .filter(|t| super::click::is_joint(t))
        .map(|t| Span {
            start: t.at.saturating_sub(ms),
            end: t.at + 2 * ms,
        })
        .collect()
}

/// Stretches in which a digital link puts out garbage: short blocks of zeros, held values or single copies with a white
/// burst, or several single copies of uneven length, within 60 ms of each other.
pub(crate) fn error_bursts(all: &Impulses<'_>, t: usize, gaps: &[Gap], rate: u32) -> Vec<Span> {
    let reach = (0.06 * f64::from(rate)) as u64;
    let short = (0.016 * f64::from(rate)) as u64;
    let blocks: Vec<&Gap> = gaps
        .iter()
        .filter(|g| g.cause != Cause::Below && g.span.length() <= short)
        .collect();
    if blocks.is_empty() {
        return Vec::new();
    }
    let garbage: Vec<Burst> = all
        .high_bursts(t)
        .iter()
        .filter(|b| b.whiteness_db > -4.0 && b.rise_db > 12.0)
        .copied()
        .collect();
    let mut spans: Vec<(Span, bool, Option<u64>)> = blocks
        .iter()
        .map(|g| {
            (
                g.span,
                false,
                match g.cause {
                    Cause::Copied(period) => Some(period),
                    _ => None,
                },
            )
        })
        .chain(garbage.iter().map(|b| (b.span, true, None)))
        .collect();
    spans.sort_by_key(|s| s.0);
    let mut groups: Vec<Vec<(Span, bool, Option<u64>)>> = Vec::new();
    let mut end = 0;
    for part in spans {
        match groups.last_mut() {
            Some(group) if part.0.start < end + reach => group.push(part),
            _ => groups.push(vec![part]),
        }
        end = end.max(part.0.end);
    }
    groups
        .into_iter()
        .filter(|group| {
            let loud = group.iter().any(|p| p.1);
            let exact = group.iter().any(|p| !p.1);
            let copies: Vec<u64> = group.iter().filter_map(|p| p.2).collect();
            let uneven = copies
                .iter()
                .any(|&c| copies.iter().any(|&d| c.abs_diff(d) > 2));
            exact && (loud || uneven)
        })
        .map(|group| Span {
            start: group.iter().map(|p| p.0.start).min().unwrap_or(0),
            end: group.iter().map(|p| p.0.end).max().unwrap_or(0),
        })
        .collect()
}

fn finding(view: &TakeView<'_>, position: usize, hits: &[Hit]) -> Finding {
    let rate = view.grid.rate;
    let start = hits[0].span.start;
    let end = hits.iter().map(|h| h.span.end).max().unwrap_or(start + 1);
    let worst = hits
        .iter()
        .copied()
        .max_by(|a, b| a.excess_db.total_cmp(&b.excess_db))
        .unwrap_or(hits[0]);
    let slack = (0.05 * f64::from(rate)) as u64;
    let spoken = view
        .speech
        .own_within(position, start.saturating_sub(slack), end + slack);
    // What lasts explains the bursts around it.
    let rank = |h: &&Hit| (h.make != Make::Noise, h.span.length());
    let make = hits.iter().max_by_key(rank).map_or(Make::Noise, |h| h.make);
    let name = view.track(position).label();
    let ms = 1000.0 * seconds(end - start, rate);
    let mut finding = view
        .finding("rf_hit", position, start, end)
        .severity(if spoken {
            Severity::Fault
        } else {
            Severity::Caution
        })
        .confidence(hits.iter().map(|h| h.confidence).fold(0.0, f64::max))
        .origin(Origin::Radio)
        .fact("mechanism", make.name())
        .fact("events", hits.len());
    let most = |of: fn(&Hit) -> f64| {
        hits.iter()
            .map(of)
            .filter(|x| x.is_finite())
            .reduce(f64::max)
    };
    let excess = most(|h| h.excess_db);
    if let Some(excess) = excess {
        finding = finding.number("over_other_mics_db", excess, 1);
    }
    if let Some(rise) = most(|h| h.rise_db) {
        finding = finding
            .number("high_band_dbfs", worst.level_dbfs, 1)
            .number("high_over_mid_db", worst.whiteness_db, 1)
            .number("rise_db", rise, 1);
    }
    let over = excess.map_or(String::new(), |db| {
        format!(", {db:.0} dB over what other mics hear")
    });
    let length = if ms < 1000.0 {
        format!("{:.0} ms", ms.max(1.0))
    } else {
        format!("{:.1} s", ms / 1000.0)
    };
    let what = match make {
        Make::Digital => format!("{name}: digital errors for {length}."),
        Make::Lasting(link::Make::Open) => {
            format!("{name}: noise of a receiver without a signal for {length}{over}.")
        }
        Make::Lasting(link::Make::Whistle(from, to)) => {
            finding = finding.number("from_hz", from, 0).number("to_hz", to, 0);
            format!(
                "{name}: radio whistle near {} for {length}{over}.",
                kilohertz(from, to)
            )
        }
        Make::Lasting(link::Make::Phone) => {
            format!("{name}: pulses of a phone, 217 a second, for {length}{over}.")
        }
        Make::Noise if hits.len() == 1 && ms < 4.0 => format!("{name}: radio click{over}."),
        Make::Noise | Make::Lasting(link::Make::Burst) => {
            format!("{name}: radio noise for {length}{over}.")
        }
    };
    let mind = if make == Make::Lasting(link::Make::Open) {
        " Mind the volume before you listen."
    } else {
        ""
    };
    finding.says(
        what,
        format!(
            "{}{mind}",
            if spoken {
                "Use another microphone for this line; check frequency, antennas and battery before the next take."
            } else {
                "Not on a line; check frequency, antennas and battery before the next take."
            }
        ),
    )
}

/// A frequency or two in kHz.
fn kilohertz(from: f64, to: f64) -> String {
    if (from / to).ln().abs() < 0.3 {
        format!("{:.1} kHz", (from * to).sqrt() / 1000.0)
    } else {
        format!("{:.1} to {:.1} kHz", from / 1000.0, to / 1000.0)
    }
}

#[cfg(test)]
mod tests {
    use super::super::impulses::Ripple;
    use super::*;

    fn burst(excess_db: f64, whiteness_db: f64, rise_db: f64, heard_db: f64) -> Burst {
        Burst::made(48, excess_db, whiteness_db, rise_db, heard_db)
    }

    #[test]
    fn among_sounds_that_others_hardly_hear_a_hit_has_to_stand_out() {
        let set = |p: &Param| p.default;
        let at = |start: u64, excess_db: f64, whiteness_db: f64| Burst {
            span: Span {
                start,
                end: start + 480,
            },
            ..burst(excess_db, whiteness_db, 12.0, 2.0)
        };
        let whisper: Vec<Burst> = (1..6).map(|k| at(k * 9_600, 17.5, -15.0)).collect();
        let hit = |b: Burst| {
            let asked = Asked {
                worn: true,
                relief: 0.0,
                sounds_db: excess_of_sounds(&whisper, &b, 48_000, &set),
            };
            is_hit(&b, asked, &set)
        };
        assert!(!hit(at(60_000, 19.0, -4.2)));
        assert!(hit(at(60_000, 24.0, -4.2)));
        assert!(hit(at(960_000, 19.0, -4.2)), "far from it");
    }

    /// As white, sudden and unheard as each other: how a burst runs from millisecond to millisecond tells a receiver at its
    /// threshold from cloth, and both from grains.
    #[test]
    fn noise_in_clicks_is_radio_and_grains_are_touches() {
        let set = |p: &Param| p.default;
        let runs =
            |ripple_db: f64, grain_db: f64, whiteness_db: f64, heard_db: f64, ms: u64| Burst {
                ripple: Ripple {
                    high_db: ripple_db,
                    mid_db: ripple_db,
                    grain_db,
                },
                ..Burst::made(48 * ms, 22.0, whiteness_db, 8.0, heard_db)
            };
        let clicks = |b: Burst| is_in_clicks(&b, 48_000, &set);
        assert!(clicks(runs(6.5, 5.0, -15.0, 2.0, 150)), "behind a low-pass");
        assert!(!clicks(runs(3.5, 3.0, -15.0, 2.0, 150)), "cloth");
        assert!(!clicks(runs(12.0, 14.0, -6.0, 2.0, 150)), "a zip");
        assert!(!clicks(runs(6.5, 5.0, -26.0, 2.0, 150)), "a voice");
        assert!(!clicks(runs(6.5, 5.0, -15.0, 12.0, 150)), "heard elsewhere");
        assert!(!clicks(runs(6.5, 5.0, -15.0, 2.0, 40)), "short");
        let grains = |b: Burst| is_grainy(&b, 48_000);
        assert!(grains(runs(12.0, 14.0, -6.0, 2.0, 40)), "hair");
        assert!(!grains(runs(6.5, 5.0, -6.0, 2.0, 40)), "a receiver");
        assert!(!grains(runs(12.0, 14.0, 0.5, 2.0, 40)), "a digital link");
        assert!(!grains(runs(12.0, 14.0, -6.0, 2.0, 10)), "a click or two");
    }

    #[test]
    fn white_sharp_and_unheard_is_radio() {
        let set = |p: &Param| p.default;
        let asked = |worn: bool| Asked {
            worn,
            relief: 0.0,
            sounds_db: f64::NEG_INFINITY,
        };
        let hit = |b: Burst, worn: bool| is_hit(&b, asked(worn), &set);
        assert!(hit(burst(30.0, -1.0, 40.0, 3.0), true));
        assert!(
            hit(burst(25.0, 1.0, 5.0, 3.0), true),
            "a slow fade, sure excess"
        );
        assert!(!hit(burst(30.0, -9.5, 14.0, 2.0), true), "cloth");
        assert!(!hit(burst(22.0, -1.0, 8.0, 30.0), true), "heard elsewhere");
        assert!(
            !hit(burst(19.0, 6.0, 20.0, 2.0), true),
            "a hissed consonant"
        );
        assert!(hit(burst(18.0, -2.0, 14.0, 2.0), true));
        assert!(hit(burst(14.0, -3.0, 21.0, 2.0), true), "a click of a link");
        assert!(!hit(burst(14.0, -6.0, 21.0, 2.0), true), "not as white");
        assert!(
            !hit(burst(18.0, -2.0, 14.0, 2.0), false),
            "a boom hears more"
        );
        assert!(hit(burst(8.0, 0.0, 60.0, 2.0), true), "cut on");
        assert!(hit(burst(8.0, 0.0, 60.0, 9.0), true), "beside a word");
        assert!(!hit(burst(8.0, 0.0, 60.0, 25.0), true), "heard elsewhere");
        let blow = |fall_db, whiteness_db| {
            dies_away(&Burst {
                fall_db,
                ..burst(23.0, whiteness_db, 41.5, 2.0)
            })
        };
        assert!(blow(2.0, -6.1), "a necklace taps the capsule");
        assert!(!blow(38.5, -6.1), "cut off");
        assert!(!blow(2.0, -1.3), "noise that fades");
        let noise = |excess_db, heard_db, worn| {
            is_noise(&burst(excess_db, -6.0, 10.0, heard_db), worn, &set)
        };
        assert!(noise(15.0, 3.0, true) && !noise(15.0, 9.0, true));
        assert!(noise(21.0, 9.0, true), "beside a word");
        assert!(!noise(21.0, 9.0, false), "a boom hears more");
        let edged = |fall_db, worn| {
            let swells = burst(15.0, -6.0, 5.0, 20.0);
            is_noise(&Burst { fall_db, ..swells }, worn, &set)
        };
        assert!(edged(19.0, true), "swells beside a word and is cut off");
        assert!(!edged(8.0, true) && !edged(19.0, false));
        let spark = |fall_db, whiteness_db| {
            let clicks = burst(7.0, whiteness_db, 35.0, 19.0);
            hit(Burst { fall_db, ..clicks }, false)
        };
        let paper = Burst {
            fall_db: 29.0,
            ..burst(9.0, -2.7, 29.0, 10.0)
        };
        assert!(!hit(paper, true), "paper in the wearer's hands");
        assert!(spark(26.0, -3.5), "a click of a link under a word");
        assert!(!spark(18.0, -3.5), "rings away");
        assert!(!spark(35.0, -5.0), "cloth that sticks and slips");
    }
}
