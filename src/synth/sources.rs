//! Sounds at their source: recorded voices and noises (origin and licence in `testdata/README.md`), struck objects, noise.
//!
//! Everything is 48 kHz.

use std::io::Cursor;
use std::sync::LazyLock;

use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::formats::{FormatOptions, probe::Hint};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;

/// Rate of all sources, Hz.
pub const RATE: u32 = 48_000;

/// Recorded phrases of four people: embedded file and the ranges of its phrases in samples.
type Recording = (&'static [u8], &'static [(usize, usize)]);
static RECORDINGS: [Recording; 4] = [
    (
        include_bytes!("../../testdata/demo/voice1.flac"),
        &[
            (0, 112_320),
            (112_320, 260_640),
            (260_640, 400_800),
            (400_800, 527_520),
        ],
    ),
    (
        include_bytes!("../../testdata/demo/voice2.flac"),
        &[(0, 78_720), (78_720, 199_680), (199_680, 301_440)],
    ),
    (
        include_bytes!("../../testdata/demo/voice3.flac"),
        &[(0, 119_520), (119_520, 198_720)],
    ),
    (
        include_bytes!("../../testdata/demo/voice4.flac"),
        &[(0, 129_600), (129_600, 263_040)],
    ),
];

/// Phrases of each of the four voices, active level about -20 dBFS.
pub static VOICES: LazyLock<Vec<Vec<Vec<f32>>>> = LazyLock::new(|| {
    RECORDINGS
        .iter()
        .map(|(bytes, ranges)| {
            let x = decode(bytes);
            let scale = 0.1 / super::rms(&x).max(1e-9);
            ranges
                .iter()
                .map(|&(a, b)| x[a..b.min(x.len())].iter().map(|v| v * scale).collect())
                .collect()
        })
        .collect()
});

/// Recorded fan, unit RMS.
pub static FAN: LazyLock<Vec<f32>> =
    LazyLock::new(|| unit(decode(include_bytes!("../../testdata/demo/fan.flac"))));
/// Quiet room, unit RMS.
pub static ROOM: LazyLock<Vec<f32>> =
    LazyLock::new(|| unit(decode(include_bytes!("../../testdata/demo/room.flac"))));
/// Recorded cloth on a capsule, unit RMS.
pub static CLOTH: LazyLock<Vec<f32>> =
    LazyLock::new(|| unit(decode(include_bytes!("../../testdata/demo/rub.flac"))));

fn unit(mut x: Vec<f32>) -> Vec<f32> {
    let scale = 1.0 / super::rms(&x).max(1e-9);
    x.iter_mut().for_each(|v| *v *= scale);
    x
}

/// First channel of an embedded file; empty where it cannot be decoded, which the tests rule out.
fn decode(bytes: &'static [u8]) -> Vec<f32> {
    let stream = MediaSourceStream::new(Box::new(Cursor::new(bytes)), Default::default());
    let probe = symphonia::default::get_probe();
    let Ok(mut format) = probe.probe(
        &Hint::new(),
        stream,
        FormatOptions::default(),
        MetadataOptions::default(),
    ) else {
        return Vec::new();
    };
    let Some(parameters) = format
        .tracks()
        .first()
        .and_then(|t| t.codec_params.as_ref())
        .and_then(|p| p.audio())
        .cloned()
    else {
        return Vec::new();
    };
    let Ok(mut decoder) = symphonia::default::get_codecs()
        .make_audio_decoder(&parameters, &AudioDecoderOptions::default())
    else {
        return Vec::new();
    };
    let (mut x, mut planes) = (Vec::new(), Vec::<Vec<f32>>::new());
    while let Ok(Some(packet)) = format.next_packet() {
        if let Ok(audio) = decoder.decode(&packet) {
            audio.copy_to_vecs_planar(&mut planes);
            if let Some(first) = planes.first() {
                x.extend_from_slice(first);
            }
        }
    }
    x
}

/// Seeded random numbers.
#[derive(Debug, Clone)]
pub struct Random(fastrand::Rng);

impl Random {
    /// The same seed gives the same numbers.
    pub fn new(seed: u64) -> Random {
        Random(fastrand::Rng::with_seed(seed))
    }

    /// Evenly within `[low, high)`.
    pub fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.f64()
    }

    /// Normal distribution, mean 0, variance 1.
    pub fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.0.f64(), self.0.f64());
        (-2.0 * u.ln()).sqrt() * (2.0 * std::f64::consts::PI * v).cos()
    }

    /// White noise of unit RMS.
    pub fn white(&mut self, n: usize) -> Vec<f32> {
        (0..n).map(|_| self.normal() as f32).collect()
    }
}

/// Even noise of +-1 from a linear congruential generator (Knuth's constants): the same numbers on every machine and in other
/// languages, for values that were computed elsewhere.
pub fn noise(n: usize, seed: u64) -> Vec<f32> {
    let mut state = seed;
    (0..n)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / 8_388_608.0 - 1.0
        })
        .collect()
}

/// One-pole low-pass, run forwards; corner in Hz.
pub fn lowpass(x: &mut [f32], hz: f64, rate: u32) {
    let a = 1.0 - (-2.0 * std::f64::consts::PI * hz / f64::from(rate)).exp();
    let mut y = 0.0f64;
    for v in x {
        y += a * (f64::from(*v) - y);
        *v = y as f32;
    }
}

/// One-pole high-pass; corner in Hz.
pub fn highpass(x: &mut [f32], hz: f64, rate: u32) {
    let mut low = x.to_vec();
    lowpass(&mut low, hz, rate);
    for (v, l) in x.iter_mut().zip(low) {
        *v -= l;
    }
}

/// Wooden sticks: broadband, attack below half a millisecond, gone after 40 ms; peak 1.
pub fn clap(random: &mut Random) -> Vec<f32> {
    let modes = [
        (random.within(700.0, 1100.0), 0.006),
        (random.within(1500.0, 2300.0), 0.004),
        (3300.0, 0.003),
    ];
    struck(random, 0.06, &modes, 0.003, 0.9)
}

/// A door: low boom with a knock; peak 1.
pub fn slam(random: &mut Random) -> Vec<f32> {
    let modes = [
        (random.within(45.0, 70.0), 0.12),
        (random.within(90.0, 160.0), 0.08),
        (400.0, 0.03),
    ];
    struck(random, 0.6, &modes, 0.03, 0.5)
}

fn struck(
    random: &mut Random,
    seconds: f64,
    modes: &[(f64, f64)],
    noise_decay_s: f64,
    noise: f64,
) -> Vec<f32> {
    let n = (seconds * f64::from(RATE)) as usize;
    let mut x: Vec<f32> = (0..n)
        .map(|i| {
            let t = i as f64 / f64::from(RATE);
            let ring: f64 = modes
                .iter()
                .map(|(hz, decay)| (-t / decay).exp() * (2.0 * std::f64::consts::PI * hz * t).sin())
                .sum();
            let attack = (t / 0.0003).min(1.0);
            (attack * (ring + noise * random.normal() * (-t / noise_decay_s).exp())) as f32
        })
        .collect();
    let scale = 1.0 / super::peak(&x).max(1e-9);
    x.iter_mut().for_each(|v| *v *= scale);
    x
}

/// Breath on a capsule: a swing below 100 Hz; peak 1.
pub fn plosive(random: &mut Random) -> Vec<f32> {
    let hz = random.within(15.0, 35.0);
    (0..4800)
        .map(|i| {
            let t = i as f64 / f64::from(RATE);
            ((t / 0.004).min(1.0) * (2.0 * std::f64::consts::PI * hz * t).sin() * (-t / 0.03).exp())
                as f32
        })
        .collect()
}

/// A cough: two rough bursts; peak 1.
pub fn cough(random: &mut Random) -> Vec<f32> {
    let mut x = Vec::new();
    for _ in 0..2 {
        let mut burst = random.white(12_000);
        lowpass(&mut burst, 2500.0, RATE);
        highpass(&mut burst, 350.0, RATE);
        for (i, v) in burst.iter_mut().enumerate() {
            let t = i as f64 / f64::from(RATE);
            *v *= ((t / 0.004).min(1.0) * (-t / 0.06).exp()) as f32;
        }
        x.extend(burst);
        x.extend(vec![0.0; 5000]);
    }
    let scale = 1.0 / super::peak(&x).max(1e-9);
    x.iter_mut().for_each(|v| *v *= scale);
    x
}

/// A tune from a small loudspeaker: chords of 0.35 to 1.4 s; peak 1.
pub fn music(random: &mut Random, seconds: f64) -> Vec<f32> {
    let n = (seconds * f64::from(RATE)) as usize;
    let mut x = vec![0f32; n];
    let mut at = 0;
    while at < n {
        let length =
            ([0.35, 0.7, 1.4][random.within(0.0, 3.0) as usize] * f64::from(RATE)) as usize;
        let root = [220.0, 246.9, 196.0, 261.6][random.within(0.0, 4.0) as usize];
        for (i, v) in x[at..(at + length).min(n)].iter_mut().enumerate() {
            let t = i as f64 / f64::from(RATE);
            let tone = |hz: f64| {
                (1..5)
                    .map(|k| {
                        (2.0 * std::f64::consts::PI * hz * f64::from(k) * t).sin()
                            / f64::from(k * k)
                    })
                    .sum::<f64>()
            };
            *v = ((tone(root) + tone(root * 1.25) + tone(root * 1.5))
                * (-t / 1.2).exp()
                * (t / 0.01).min(1.0)) as f32;
        }
        at += length;
    }
    highpass(&mut x, 250.0, RATE);
    let scale = 1.0 / super::peak(&x).max(1e-9);
    x.iter_mut().for_each(|v| *v *= scale);
    x
}

/// A low voice that holds a note near a mains harmonic, with a voice's drift; peak 1.
pub fn held_note(seconds: f64, hz: f64) -> Vec<f32> {
    let n = (seconds * f64::from(RATE)) as usize;
    let mut phase = 0.0;
    let mut x: Vec<f32> = (0..n)
        .map(|i| {
            let t = i as f64 / f64::from(RATE);
            let wobble = 1.0 + 0.02 * (2.5 * t).sin() + 0.008 * (33.0 * t).sin();
            phase += 2.0 * std::f64::consts::PI * hz * wobble / f64::from(RATE);
            let ends = (t.min(seconds - t) / 0.15).clamp(0.0, 1.0);
            ((1..14)
                .map(|k| (f64::from(k) * phase).sin() / f64::from(k).powf(1.6))
                .sum::<f64>()
                * ends) as f32
        })
        .collect();
    let scale = 1.0 / super::peak(&x).max(1e-9);
    x.iter_mut().for_each(|v| *v *= scale);
    x
}

/// `n` samples of a looped recording from a random place.
pub fn looped(recording: &[f32], n: usize, random: &mut Random) -> Vec<f32> {
    let start = random.within(0.0, recording.len() as f64) as usize;
    recording
        .iter()
        .cycle()
        .skip(start)
        .take(n)
        .copied()
        .collect()
}

/// A low-cut of second order (Butterworth, bilinear transform), as packs and mixers have it; corner and rate in Hz.
pub fn low_cut_of_second_order(x: &mut [f32], hz: f64, rate: u32) {
    let turn = (std::f64::consts::PI * hz / f64::from(rate)).tan();
    let scale = 1.0 / (1.0 + std::f64::consts::SQRT_2 * turn + turn * turn);
    let back = [
        2.0 * scale * (turn * turn - 1.0),
        scale * (1.0 - std::f64::consts::SQRT_2 * turn + turn * turn),
    ];
    let (mut past, mut out) = ([0f64; 2], [0f64; 2]);
    for v in x {
        let now = f64::from(*v);
        let y = scale * (now - 2.0 * past[0] + past[1]) - back[0] * out[0] - back[1] * out[1];
        (past, out) = ([now, past[0]], [y, out[0]]);
        *v = y as f32;
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn every_embedded_recording_decodes() {
        assert_eq!(super::VOICES.len(), 4);
        for (k, voice) in super::VOICES.iter().enumerate() {
            for (j, phrase) in voice.iter().enumerate() {
                assert!(
                    phrase.len() > 48_000 && super::super::rms(phrase) > 0.03,
                    "voice {k} phrase {j}"
                );
            }
        }
        assert!(
            super::FAN.len() > 150_000
                && super::ROOM.len() > 150_000
                && super::CLOTH.len() > 30_000
        );
    }
}
