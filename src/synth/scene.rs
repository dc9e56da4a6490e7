//! Who stands where, who speaks when, and what each microphone hears of it.
//!
//! Sound travels at 343 m/s and falls with distance; a few reflections and a sparse tail make the room. Levels are dB re the
//! active speech level of a normal voice at 1 m.

use super::sources::{self, RATE, Random};
use super::{gain, peak, rms};

const SPEED_OF_SOUND: f64 = 343.0;

/// Somebody with a voice and, if wanted, a body microphone.
#[derive(Debug, Clone)]
pub struct Talker {
    /// Name of the track.
    pub name: String,
    /// Which of the recorded voices, 0..=3.
    pub voice: usize,
    /// Mouth, metres.
    pub position: [f64; 3],
}

/// One phrase.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    /// Position of the talker in [`Scene::talkers`].
    pub talker: usize,
    /// Which phrase of the voice, counted round.
    pub phrase: usize,
    /// Start.
    pub at_s: f64,
    /// Level re normal.
    pub level_db: f64,
}

/// A sound that is no speech, somewhere on the set.
#[derive(Debug, Clone)]
pub struct Sound {
    /// Start.
    pub at_s: f64,
    /// Peak at 1 m re normal speech's active level.
    pub peak_db: f64,
    /// Where.
    pub position: [f64; 3],
    /// Samples at 48 kHz, peak 1.
    pub audio: Vec<f32>,
}

/// A microphone.
#[derive(Debug, Clone)]
pub struct Microphone {
    /// Name of the track.
    pub name: String,
    /// Wearer (position in [`Scene::talkers`]); `None` for a boom or plant.
    pub wearer: Option<usize>,
    /// Capsule, metres.
    pub position: [f64; 3],
    /// Own noise re normal speech at 1 m.
    pub noise_db: f64,
}

/// A take before it is recorded.
#[derive(Debug, Clone)]
pub struct Scene {
    /// Hz of the finished tracks.
    pub rate: u32,
    /// Length.
    pub seconds: f64,
    /// For everything random.
    pub seed: u64,
    /// Background re normal speech at 1 m.
    pub background_db: f64,
    /// Level of the room's tail re the direct sound at 1 m.
    pub room_db: f64,
    /// People.
    pub talkers: Vec<Talker>,
    /// Microphones, in track order.
    pub microphones: Vec<Microphone>,
    /// Phrases.
    pub lines: Vec<Line>,
    /// Other sounds.
    pub sounds: Vec<Sound>,
    /// Machines: start and end in seconds, level re normal speech at 1 m.
    pub machines: Vec<(f64, f64, f64)>,
}

/// One finished track.
#[derive(Debug, Clone)]
pub struct Track {
    /// Name in the metadata.
    pub name: String,
    /// Samples, full scale 1.
    pub x: Vec<f32>,
}

/// One fader of a mix.
#[derive(Debug, Clone)]
pub struct Fader {
    /// Position of the isolated track.
    pub track: usize,
    /// Gain while up.
    pub gain_db: f64,
    /// When it is up: start and end in seconds.
    pub up: Vec<(f64, f64)>,
}

/// A finished take: tracks in file order and what is true of them.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// Hz.
    pub rate: u32,
    /// Tracks.
    pub tracks: Vec<Track>,
    /// Who speaks when: talker, start, end in seconds.
    pub speech: Vec<(usize, f64, f64)>,
    /// Wearer per track.
    pub wearers: Vec<Option<usize>>,
    /// For faults that need chance.
    pub random: Random,
}

impl Scene {
    /// An empty set at 48 kHz: nobody there, a quiet room.
    pub fn new(seconds: f64, seed: u64) -> Scene {
        Scene {
            rate: RATE,
            seconds,
            seed,
            background_db: -46.0,
            room_db: -14.0,
            talkers: Vec::new(),
            microphones: Vec::new(),
            lines: Vec::new(),
            sounds: Vec::new(),
            machines: Vec::new(),
        }
    }

    /// A dialogue: `names` each with a body microphone, a boom over the table, lines in turn from 2 s on to 1.5 s before the
    /// end. Tracks: Boom, then one per name.
    pub fn dialogue(names: &[&str], seconds: f64, seed: u64) -> Scene {
        let mut scene = Scene::new(seconds, seed);
        scene.boom();
        for name in names {
            scene.talker(name);
        }
        scene.converse(2.0, seconds - 1.5);
        scene
    }

    /// A boom 0.9 m above the table.
    pub fn boom(&mut self) -> &mut Scene {
        self.microphones.push(Microphone {
            name: "Boom".into(),
            wearer: None,
            position: [0.1, 0.0, 2.2],
            noise_db: -50.0,
        });
        self
    }

    /// Somebody at the table with a body microphone 20 cm below the mouth.
    pub fn talker(&mut self, name: &str) -> &mut Scene {
        let k = self.talkers.len();
        let angle = 0.4 + 2.2 * k as f64;
        let position = [
            0.75 * angle.cos(),
            0.75 * angle.sin(),
            1.35 + 0.06 * k as f64,
        ];
        self.talkers.push(Talker {
            name: name.into(),
            voice: (self.seed as usize + k) % 4,
            position,
        });
        self.body_microphone(k, name)
    }

    /// One more body microphone on somebody.
    pub fn body_microphone(&mut self, talker: usize, name: &str) -> &mut Scene {
        let [x, y, z] = self.talkers[talker].position;
        let spare = self
            .microphones
            .iter()
            .filter(|m| m.wearer == Some(talker))
            .count() as f64;
        self.microphones.push(Microphone {
            name: name.into(),
            wearer: Some(talker),
            position: [x * 0.97, y * 0.97 + 0.03 * spare, z - 0.19 - 0.04 * spare],
            noise_db: -38.0,
        });
        self
    }

    /// Lines in turn, with pauses of 0.5 s or more, within the times given.
    pub fn converse(&mut self, from_s: f64, to_s: f64) -> &mut Scene {
        let mut random = Random::new(self.seed ^ 0x5ca1e);
        let (mut at, mut turn) = (from_s, 0);
        while !self.talkers.is_empty() {
            let talker = turn % self.talkers.len();
            let line = Line {
                talker,
                phrase: turn / self.talkers.len(),
                at_s: at,
                level_db: random.within(-1.5, 1.5),
            };
            let end = at + self.length_s(&line);
            if end > to_s {
                break;
            }
            self.lines.push(line);
            at = end + random.within(0.5, 1.0);
            turn += 1;
        }
        self
    }

    fn length_s(&self, line: &Line) -> f64 {
        phrase(self, line).len() as f64 / f64::from(RATE)
    }

    /// Put a sound on the set, about 1.5 m from the table's middle.
    pub fn sound(&mut self, at_s: f64, peak_db: f64, audio: Vec<f32>) -> &mut Scene {
        self.sounds.push(Sound {
            at_s,
            peak_db,
            position: [1.3, -0.7, 1.3],
            audio,
        });
        self
    }

    /// A slate clap.
    pub fn clap(&mut self, at_s: f64) -> &mut Scene {
        let audio = sources::clap(&mut Random::new(self.seed ^ at_s.to_bits()));
        self.sound(at_s, 20.0, audio)
    }

    /// A door.
    pub fn slam(&mut self, at_s: f64) -> &mut Scene {
        let audio = sources::slam(&mut Random::new(self.seed ^ at_s.to_bits()));
        self.sound(at_s, 16.0, audio)
    }

    /// What the microphones hear, set to a level of -14 dBFS for the peaks of each microphone's own speech.
    pub fn render(&self) -> Rendered {
        let n = (self.seconds * f64::from(RATE)).round() as usize;
        let mut random = Random::new(self.seed);
        let mut tracks = Vec::new();
        let bed = sources::looped(&sources::ROOM, n + 4800, &mut random);
        let fans: Vec<Vec<f32>> = self
            .machines
            .iter()
            .map(|_| sources::looped(&sources::FAN, n + 4800, &mut random))
            .collect();
        for (k, microphone) in self.microphones.iter().enumerate() {
            let mut x = vec![0f32; n];
            let mut own_peak = 0f32;
            for line in &self.lines {
                let mut heard = vec![0f32; n];
                let mine = microphone.wearer == Some(line.talker);
                let mut audio = phrase(self, line);
                if microphone.wearer.is_some() {
                    // Under the chin the voice loses its top; from the side more so.
                    shelve(&mut audio, 4500.0, if mine { 0.5 } else { 0.35 });
                }
                let level = gain(line.level_db + 20.0) * 0.5;
                audio.iter_mut().for_each(|v| *v *= level);
                let from = self.talkers[line.talker].position;
                self.travel(
                    &mut heard,
                    &audio,
                    line.at_s,
                    from,
                    microphone.position,
                    (k * 31 + line.talker) as u64,
                );
                if mine || microphone.wearer.is_none() {
                    own_peak = own_peak.max(peak(&heard));
                }
                add(&mut x, &heard, 1.0);
            }
            for (j, sound) in self.sounds.iter().enumerate() {
                let mut audio = sound.audio.clone();
                let level = gain(sound.peak_db);
                audio.iter_mut().for_each(|v| *v *= level);
                self.travel(
                    &mut x,
                    &audio,
                    sound.at_s,
                    sound.position,
                    microphone.position,
                    (k * 17 + j) as u64,
                );
            }
            let lag = 1000
                + ((microphone.position[0] + microphone.position[1]) / SPEED_OF_SOUND
                    * f64::from(RATE)) as i64;
            let lag = lag.max(0) as usize;
            add(&mut x, &bed[lag..lag + n], gain(self.background_db));
            for (fan, &(start, end, level_db)) in fans.iter().zip(&self.machines) {
                let (a, b) = (at(start, n), at(end, n));
                add(&mut x[a..b], &fan[lag + a..lag + b], gain(level_db));
            }
            let mut own_noise = random.white(n);
            sources::highpass(&mut own_noise, 40.0, RATE);
            add(&mut x, &own_noise, gain(microphone.noise_db));
            let scale = if own_peak > 0.0 {
                gain(-14.0) / own_peak
            } else {
                gain(-26.0)
            };
            x.iter_mut().for_each(|v| *v *= scale);
            let electronics = random.white(n);
            add(&mut x, &electronics, gain(-92.0));
            tracks.push(Track {
                name: microphone.name.clone(),
                x: resample(x, self.rate),
            });
        }
        let speech = self
            .lines
            .iter()
            .map(|l| (l.talker, l.at_s, l.at_s + self.length_s(l)))
            .collect();
        let wearers = self.microphones.iter().map(|m| m.wearer).collect();
        Rendered {
            rate: self.rate,
            tracks,
            speech,
            wearers,
            random,
        }
    }

    /// Add a sound from one place to what is heard at another: direct sound with its exact delay, reflections, tail.
    fn travel(
        &self,
        heard: &mut [f32],
        audio: &[f32],
        at_s: f64,
        from: [f64; 3],
        to: [f64; 3],
        seed: u64,
    ) {
        let distance = from
            .iter()
            .zip(to)
            .map(|(a, b)| (a - b).powi(2))
            .sum::<f64>()
            .sqrt()
            .max(0.05);
        let start = (at_s + distance / SPEED_OF_SOUND) * f64::from(RATE);
        delayed(heard, audio, start, (1.0 / distance) as f32);
        let mut random = Random::new(self.seed ^ seed.wrapping_mul(0x9e37_79b9));
        let taps = 36;
        let level = f64::from(gain(self.room_db)) / f64::from(taps as u32).sqrt() * 1.8;
        for tap in 0..taps {
            let late_s = 0.006
                + 0.25 * (f64::from(tap) / f64::from(taps)).powf(1.6)
                + random.within(0.0, 0.006);
            let strength = level
                * (-late_s / 0.09).exp()
                * if random.within(0.0, 1.0) < 0.5 {
                    -1.0
                } else {
                    1.0
                };
            let first = ((at_s + distance / SPEED_OF_SOUND + late_s) * f64::from(RATE)) as usize;
            if first < heard.len() {
                add(&mut heard[first..], audio, strength as f32);
            }
        }
    }
}

fn phrase(scene: &Scene, line: &Line) -> Vec<f32> {
    let voice = &sources::VOICES[scene.talkers[line.talker].voice];
    voice[line.phrase % voice.len()].clone()
}

fn at(seconds: f64, n: usize) -> usize {
    ((seconds * f64::from(RATE)).max(0.0) as usize).min(n)
}

fn add(to: &mut [f32], what: &[f32], factor: f32) {
    for (a, b) in to.iter_mut().zip(what) {
        *a += b * factor;
    }
}

/// Lower everything above a corner to `share` of its amplitude.
fn shelve(x: &mut [f32], hz: f64, share: f32) {
    let mut low = x.to_vec();
    sources::lowpass(&mut low, hz, RATE);
    for (v, l) in x.iter_mut().zip(low) {
        *v = l + (*v - l) * share;
    }
}

/// Add audio at a fractional sample position (windowed sinc, 32 taps).
fn delayed(to: &mut [f32], audio: &[f32], start: f64, factor: f32) {
    let whole = start.floor();
    let fraction = start - whole;
    let kernel: Vec<f32> = (-16..16)
        .map(|k| factor * sinc(f64::from(k) - fraction, 16.0) as f32)
        .collect();
    for (k, &weight) in kernel.iter().enumerate() {
        if weight == 0.0 {
            continue;
        }
        let first = whole as i64 + k as i64 - 16;
        let skip = (-first).max(0) as usize;
        let first = first.max(0) as usize;
        if first < to.len() && skip < audio.len() {
            add(&mut to[first..], &audio[skip..], weight);
        }
    }
}

/// Sinc with a Hann window of half-width `half`.
fn sinc(t: f64, half: f64) -> f64 {
    if t.abs() < 1e-12 {
        return 1.0;
    }
    if t.abs() >= half {
        return 0.0;
    }
    let x = std::f64::consts::PI * t;
    x.sin() / x * (0.5 + 0.5 * (x / half).cos())
}

/// From 48 kHz to another rate (windowed sinc, 64 taps, cut at the lower Nyquist frequency).
pub fn resample(x: Vec<f32>, rate: u32) -> Vec<f32> {
    if rate == RATE {
        return x;
    }
    let ratio = f64::from(RATE) / f64::from(rate);
    let cut = (1.0 / ratio).min(1.0);
    let n = (x.len() as f64 / ratio).round() as usize;
    (0..n)
        .map(|i| {
            let position = i as f64 * ratio;
            let first = position.floor() as i64 - 31;
            (first..first + 64)
                .filter(|&k| k >= 0 && (k as usize) < x.len())
                .map(|k| {
                    f64::from(x[k as usize]) * cut * sinc((position - k as f64) * cut, 32.0 * cut)
                })
                .sum::<f64>() as f32
        })
        .collect()
}

impl Rendered {
    /// Samples of a time.
    pub fn sample(&self, seconds: f64) -> usize {
        ((seconds * f64::from(self.rate)).round().max(0.0) as usize).min(self.len())
    }

    /// Samples per track.
    pub fn len(&self) -> usize {
        self.tracks.first().map_or(0, |t| t.x.len())
    }

    /// Whether there is nothing.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Position of a track by name. Panics without one: scenarios name their own tracks.
    pub fn track(&self, name: &str) -> usize {
        self.tracks
            .iter()
            .position(|t| t.name == name)
            .unwrap_or_else(|| panic!("no track {name}"))
    }

    /// Start and end of everything a talker says, s.
    pub fn lines_of(&self, talker: usize) -> Vec<(f64, f64)> {
        self.speech
            .iter()
            .filter(|s| s.0 == talker)
            .map(|s| (s.1, s.2))
            .collect()
    }

    /// RMS of a track over somebody's speech, or over all of it for a boom.
    pub fn speech_level(&self, track: usize) -> f32 {
        let mut spoken = Vec::new();
        for &(talker, start, end) in &self.speech {
            if self.wearers[track].is_none_or(|w| w == talker) {
                spoken
                    .extend_from_slice(&self.tracks[track].x[self.sample(start)..self.sample(end)]);
            }
        }
        if spoken.is_empty() {
            gain(-26.0)
        } else {
            rms(&spoken)
        }
    }

    /// Put a mix track in front: per microphone track a gain in dB and the ranges (s) in which its fader is up; outside them
    /// the fader rests at `rest_db`. Faders move within 60 ms.
    pub fn mix(&mut self, name: &str, faders: &[Fader], rest_db: f64) {
        let mut sum = vec![0f32; self.len()];
        for Fader { track, gain_db, up } in faders {
            let mut now = gain(rest_db);
            let step = 1.0 - (-1.0 / (0.02 * f64::from(self.rate))).exp() as f32;
            for (i, (s, v)) in sum.iter_mut().zip(&self.tracks[*track].x).enumerate() {
                let t = i as f64 / f64::from(self.rate);
                let open = up.iter().any(|&(a, b)| (a - 0.15..b + 0.25).contains(&t));
                now += (gain(if open { *gain_db } else { rest_db }) - now) * step;
                *s += v * now;
            }
        }
        let scale = (gain(-4.5) / peak(&sum).max(1e-9)).min(0.8);
        sum.iter_mut().for_each(|v| *v *= scale);
        self.tracks.insert(
            0,
            Track {
                name: name.into(),
                x: sum,
            },
        );
        self.wearers.insert(0, None);
    }

    /// The usual mix: every body microphone up while its wearer speaks, the boom resting low underneath.
    pub fn usual_mix(&mut self, name: &str) {
        let faders: Vec<_> = (0..self.tracks.len())
            .filter(|&k| !self.tracks[k].name.starts_with("Mix"))
            .map(|k| match self.wearers[k] {
                Some(wearer) => Fader {
                    track: k,
                    gain_db: 0.0,
                    up: self.lines_of(wearer),
                },
                None => Fader {
                    track: k,
                    gain_db: -17.0,
                    up: vec![(0.0, 1e9)],
                },
            })
            .collect();
        self.mix(name, &faders, -70.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Travel time is distance over 343 m/s, level falls with distance (closed form).
    #[test]
    fn sound_arrives_when_and_as_loud_as_it_should() {
        let mut scene = Scene::new(1.0, 1);
        scene.room_db = -200.0;
        let mut heard = vec![0f32; 48_000];
        scene.travel(&mut heard, &[1.0], 0.1, [0.0; 3], [3.43, 0.0, 0.0], 0);
        let (at, level) = heard
            .iter()
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(b.1))
            .unwrap();
        assert_eq!(at, 4800 + 480);
        assert!((level - 1.0 / 3.43).abs() < 1e-3);
    }

    #[test]
    fn the_same_seed_gives_the_same_take() {
        let one = Scene::dialogue(&["A", "B"], 6.0, 3).render();
        let two = Scene::dialogue(&["A", "B"], 6.0, 3).render();
        assert_eq!(one.tracks[1].x, two.tracks[1].x);
        assert!(peak(&one.tracks[1].x) < 0.5);
    }

    #[test]
    fn a_sine_survives_resampling() {
        let x: Vec<f32> = (0..4800)
            .map(|i| (2.0 * std::f64::consts::PI * 997.0 * f64::from(i) / 48_000.0).sin() as f32)
            .collect();
        for rate in [44_100, 47_952, 96_000] {
            let y = resample(x.clone(), rate);
            for (i, v) in y.iter().enumerate().skip(200).take(y.len() - 400) {
                let want = (2.0 * std::f64::consts::PI * 997.0 * i as f64 / f64::from(rate)).sin();
                assert!((f64::from(*v) - want).abs() < 2e-3, "{rate} {i}");
            }
        }
    }
}
