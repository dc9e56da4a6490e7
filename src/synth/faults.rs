//! Faults, each put into one track of a finished take at a known place.
//!
//! Times in seconds, levels in dBFS unless a name says otherwise.

use super::scene::Rendered;
use super::sources::{self, RATE};
use super::{gain, peak};

impl Rendered {
    fn x(&mut self, track: usize) -> &mut Vec<f32> {
        &mut self.tracks[track].x
    }

    /// Change the level of a track from a time on.
    pub fn step_gain(&mut self, track: usize, from_s: f64, db: f64) {
        let from = self.sample(from_s);
        self.x(track)[from..]
            .iter_mut()
            .for_each(|v| *v *= gain(db));
    }

    /// Converter overload: the track raised until its largest peak is `over_db` above full scale, then cut there.
    pub fn overload(&mut self, track: usize, over_db: f64) {
        let lift = gain(over_db) / peak(&self.tracks[track].x).max(1e-9);
        self.x(track)
            .iter_mut()
            .for_each(|v| *v = (*v * lift).clamp(-1.0, 1.0));
    }

    /// An overloaded stage ahead of the recorder: peaks cut `depth_db` below the track's largest.
    pub fn flatten(&mut self, track: usize, depth_db: f64) {
        let top = peak(&self.tracks[track].x) * gain(-depth_db);
        self.x(track)
            .iter_mut()
            .for_each(|v| *v = v.clamp(-top, top));
    }

    /// A low-cut of first order in one path, corner in Hz.
    pub fn low_cut(&mut self, track: usize, hz: f64) {
        let kept = (-std::f64::consts::TAU * hz / f64::from(self.rate)).exp();
        let (mut last, mut y) = (0f64, 0f64);
        for v in self.x(track).iter_mut() {
            y = kept * (y + f64::from(*v) - last);
            last = f64::from(*v);
            *v = y as f32;
        }
    }

    /// Exact zeros.
    pub fn zeros(&mut self, track: usize, at_s: f64, length_s: f64) {
        let (a, b) = (self.sample(at_s), self.sample(at_s + length_s));
        self.x(track)[a..b].fill(0.0);
    }

    /// The last good sample held.
    pub fn hold(&mut self, track: usize, at_s: f64, length_s: f64) {
        let (a, b) = (self.sample(at_s), self.sample(at_s + length_s));
        let last = self.tracks[track].x[a];
        self.x(track)[a..b].fill(last);
    }

    /// The packet before, again and again.
    pub fn repeat(&mut self, track: usize, at_s: f64, packet_s: f64, times: usize) {
        let (a, n) = (self.sample(at_s), self.sample(packet_s));
        for k in 0..times * n {
            self.x(track)[a + k] = self.tracks[track].x[a + k - n];
        }
    }

    /// The receiver mutes within a millisecond to a little hiss, and comes back.
    pub fn squelch(&mut self, track: usize, at_s: f64, length_s: f64) {
        let (a, b) = (self.sample(at_s), self.sample(at_s + length_s));
        let ramp = self.sample(0.0005).max(1);
        let hiss = self.random.white(b - a);
        for (i, h) in (a..b).zip(hiss) {
            let stay = 1.0 - ((i - a).min(b - 1 - i) as f32 / ramp as f32).min(1.0);
            self.x(track)[i] = self.tracks[track].x[i] * stay + h * gain(-92.0);
        }
    }

    /// Doublets of a radio link at its threshold: `count` within 150 ms.
    pub fn doublets(&mut self, track: usize, at_s: f64, count: usize, level_dbfs: f64) {
        let mut t = at_s;
        for _ in 0..count {
            let apart = self.random.within(0.0001, 0.0005);
            let (a, b) = (
                self.sample(t),
                self.sample(t + apart).max(self.sample(t) + 1),
            );
            // Two samples wide, as a 13 kHz low-pass leaves it.
            for (at, sign) in [(a, 1.0), (b + 1, -1.0)] {
                for (k, share) in [0.6, 1.0, 0.5].into_iter().enumerate() {
                    if let Some(v) = self.x(track).get_mut(at + k) {
                        *v += sign * share * gain(level_dbfs);
                    }
                }
            }
            t += self.random.within(0.003, 0.03);
        }
    }

    /// A burst of noise with a hard edge.
    pub fn splat(&mut self, track: usize, at_s: f64, length_s: f64, level_dbfs: f64) {
        let (a, b) = (self.sample(at_s), self.sample(at_s + length_s));
        let mut noise = self.random.white(b - a);
        let rate = self.rate;
        sources::lowpass(&mut noise, 14_000.0, rate);
        for (i, v) in noise.into_iter().enumerate() {
            let fade = (-(i as f64) / (b - a) as f64).exp() as f32;
            self.x(track)[a + i] += v * fade * gain(level_dbfs);
        }
    }

    /// A spark of static on one microphone: it rings at 3.5 kHz for a few milliseconds, too dark for a link.
    pub fn spark(&mut self, track: usize, at_s: f64, level_dbfs: f64) {
        let (at, rate) = (self.sample(at_s), f64::from(self.rate));
        let ring = |n: usize| {
            let t = n as f64 / rate;
            (2.0 * std::f64::consts::PI * 3500.0 * t).cos() * (-t / 0.0005).exp()
        };
        for (n, v) in self.x(track)[at..].iter_mut().take(240).enumerate() {
            *v += ring(n) as f32 * gain(level_dbfs);
        }
    }

    /// Hair or jewellery drawn over the capsule: noise that comes suddenly and rings at 7 kHz (a resonator of two poles).
    pub fn scrape(&mut self, track: usize, at_s: f64, length_s: f64, level_dbfs: f64) {
        let (a, b) = (self.sample(at_s), self.sample(at_s + length_s));
        let mut noise = self.random.white(b - a);
        let turn = 2.0 * std::f64::consts::PI * 7000.0 / f64::from(self.rate);
        let (radius, mut y) = (0.8f64, [0.0f64; 2]);
        for v in &mut noise {
            let next = f64::from(*v) + 2.0 * radius * turn.cos() * y[0] - radius * radius * y[1];
            y = [next, y[0]];
            *v = next as f32;
        }
        let scale = gain(level_dbfs) / super::rms(&noise).max(1e-9);
        for (v, n) in self.x(track)[a..b].iter_mut().zip(noise) {
            *v += n * scale;
        }
    }

    /// Noise up to a frequency, and what brings it to a level.
    fn noise_below(&mut self, hz: f64, samples: usize, level_dbfs: f64) -> (Vec<f32>, f32) {
        let mut noise = self.random.white(samples);
        sources::lowpass(&mut noise, hz, self.rate);
        let scale = gain(level_dbfs) / super::rms(&noise).max(1e-9);
        (noise, scale)
    }

    /// The carrier fades and returns: noise behind the de-emphasis of the receiver swells and sinks.
    pub fn fading(&mut self, track: usize, at_s: f64, length_s: f64, level_dbfs: f64) {
        let (a, b) = (self.sample(at_s), self.sample(at_s + length_s));
        let (noise, scale) = self.noise_below(3_000.0, b - a, level_dbfs);
        for (i, v) in noise.into_iter().enumerate() {
            let swell = (std::f64::consts::PI * i as f64 / (b - a) as f64).sin() as f32;
            self.x(track)[a + i] += v * swell * scale;
        }
    }

    /// The receiver stays open without a carrier: steady noise up to 15 kHz, from one instant to another.
    pub fn open_squelch(&mut self, track: usize, at_s: f64, length_s: f64, level_dbfs: f64) {
        let (a, b) = (self.sample(at_s), self.sample(at_s + length_s));
        let (noise, scale) = self.noise_below(15_000.0, b - a, level_dbfs);
        for (v, n) in self.x(track)[a..b].iter_mut().zip(noise) {
            *v = *v * 0.1 + n * scale;
        }
    }

    /// Two carriers beat: a tone that slides from one frequency to another; RMS level.
    pub fn whistle(
        &mut self,
        track: usize,
        at_s: f64,
        length_s: f64,
        hz: (f64, f64),
        level_dbfs: f64,
    ) {
        let (a, b) = (self.sample(at_s), self.sample(at_s + length_s));
        let rate = f64::from(self.rate);
        let mut phase = 0f64;
        for i in a..b {
            let done = (i - a) as f64 / (b - a) as f64;
            phase += 2.0 * std::f64::consts::PI * (hz.0 + (hz.1 - hz.0) * done) / rate;
            let fade = ((i - a).min(b - 1 - i) as f64 / (0.005 * rate)).min(1.0);
            let v = std::f64::consts::SQRT_2 * phase.sin() * fade;
            self.x(track)[i] += v as f32 * gain(level_dbfs);
        }
    }

    /// A phone close to a cable or receiver: pulses of 15/26 ms every 60/13 ms, each 26th left out; level of a pulse.
    pub fn phone_pulses(&mut self, track: usize, at_s: f64, length_s: f64, level_dbfs: f64) {
        let (a, b) = (self.sample(at_s), self.sample(at_s + length_s));
        let rate = f64::from(self.rate);
        let mut pulses: Vec<f32> = (a..b)
            .map(|i| {
                let frame = (i - a) as f64 / rate / (0.060 / 13.0);
                let on = frame.fract() < 0.125 && (frame as usize) % 26 != 25;
                if on { gain(level_dbfs) } else { 0.0 }
            })
            .collect();
        sources::highpass(&mut pulses, 150.0, self.rate);
        sources::lowpass(&mut pulses, 9000.0, self.rate);
        for (v, p) in self.x(track)[a..b].iter_mut().zip(pulses) {
            *v += p;
        }
    }

    /// A connector opens and closes.
    pub fn pop(&mut self, track: usize, at_s: f64, level_dbfs: f64) {
        let a = self.sample(at_s);
        for i in 0..self.sample(0.06) {
            let t = i as f64 / f64::from(self.rate);
            let mut swing = (-t / 0.006).exp();
            if t > 0.012 {
                swing -= 0.6 * (-(t - 0.012) / 0.002).exp();
            }
            self.x(track)[a + i] += swing as f32 * gain(level_dbfs);
        }
    }

    /// One damaged sample.
    pub fn damage(&mut self, track: usize, at_s: f64, level_dbfs: f64) {
        let a = self.sample(at_s);
        self.x(track)[a] += gain(level_dbfs);
    }

    /// `lost` samples missing; from there on the track runs early.
    pub fn slip(&mut self, track: usize, at_s: f64, lost: usize) {
        let a = self.sample(at_s);
        let n = self.len();
        self.x(track).drain(a..a + lost);
        self.x(track).resize(n, 0.0);
    }

    /// A mains series (fundamental and odd harmonics) from a time on; level of the whole.
    pub fn hum(&mut self, track: usize, hz: f64, level_dbfs: f64, from_s: f64) {
        let shares = [(1.0, 1.0), (3.0, 0.5), (5.0, 0.3), (7.0, 0.2)];
        let total = shares
            .iter()
            .map(|(_, s): &(f64, f64)| s * s / 2.0)
            .sum::<f64>()
            .sqrt();
        let rate = f64::from(self.rate);
        for i in self.sample(from_s)..self.len() {
            let phase = 2.0 * std::f64::consts::PI * hz * i as f64 / rate;
            let v: f64 = shares.iter().map(|(k, s)| s * (k * phase).sin()).sum();
            self.x(track)[i] += (v / total) as f32 * gain(level_dbfs);
        }
    }

    /// A steady tone from a time on; RMS level.
    pub fn tone(&mut self, track: usize, hz: f64, level_dbfs: f64, from_s: f64) {
        let rate = f64::from(self.rate);
        for i in self.sample(from_s)..self.len() {
            let v = std::f64::consts::SQRT_2
                * (2.0 * std::f64::consts::PI * hz * i as f64 / rate).sin();
            self.x(track)[i] += v as f32 * gain(level_dbfs);
        }
    }

    /// A constant offset.
    pub fn offset(&mut self, track: usize, offset: f32) {
        self.x(track).iter_mut().for_each(|v| *v += offset);
    }

    /// Recorded cloth on the capsule, level re the track's own speech.
    pub fn rustle(&mut self, track: usize, at_s: f64, length_s: f64, re_speech_db: f64) {
        let n = (length_s * f64::from(RATE)) as usize;
        let mut cloth = sources::looped(&sources::CLOTH, n, &mut self.random);
        sources::highpass(&mut cloth, 400.0, RATE);
        let level = gain(re_speech_db) * self.speech_level(track) / super::rms(&cloth).max(1e-9);
        let cloth = super::scene::resample(cloth, self.rate);
        let a = self.sample(at_s);
        let ramp = self.sample(0.02).max(1);
        let last = cloth.len();
        for (i, v) in cloth.into_iter().enumerate() {
            let fade = (i.min(last - i) as f32 / ramp as f32).min(1.0);
            if let Some(slot) = self.x(track).get_mut(a + i) {
                *slot += v * fade * level;
            }
        }
    }

    /// Wind: noise below 120 Hz, swelling; level re the track's own speech.
    pub fn wind(&mut self, track: usize, at_s: f64, length_s: f64, re_speech_db: f64) {
        let a = self.sample(at_s);
        let n = self.sample(length_s);
        let mut noise = self.random.white(n);
        let rate = self.rate;
        for _ in 0..3 {
            sources::lowpass(&mut noise, 70.0, rate);
        }
        sources::highpass(&mut noise, 20.0, rate);
        let level = gain(re_speech_db) * self.speech_level(track) / super::rms(&noise).max(1e-12);
        for (i, v) in noise.into_iter().enumerate() {
            let swell = (std::f64::consts::PI * i as f64 / n as f64).sin() as f32;
            if let Some(slot) = self.x(track).get_mut(a + i) {
                *slot += v * swell * 1.4 * level;
            }
        }
    }

    /// A hand on the pole: a dull knock that rings for a third of a second; level of its top re the track's own speech.
    pub fn knock(&mut self, track: usize, at_s: f64, re_speech_db: f64) {
        let a = self.sample(at_s);
        let rate = f64::from(self.rate);
        let level = gain(re_speech_db) * self.speech_level(track) * std::f32::consts::SQRT_2;
        for i in 0..self.sample(0.4) {
            let t = i as f64 / rate;
            let rise = (t / 0.01).min(1.0);
            let wave = (std::f64::consts::TAU * 42.0 * t).sin() * rise * (-t / 0.09).exp();
            if let Some(slot) = self.x(track).get_mut(a + i) {
                *slot += wave as f32 * level;
            }
        }
    }

    /// A body microphone slips under cloth: about 15 dB less above 2 kHz, 4 dB less in all.
    pub fn muffle(&mut self, track: usize, from_s: f64) {
        let from = self.sample(from_s);
        let rate = self.rate;
        let mut dull = self.tracks[track].x.clone();
        sources::lowpass(&mut dull, 1100.0, rate);
        sources::lowpass(&mut dull, 1600.0, rate);
        for (v, d) in self.x(track)[from..].iter_mut().zip(&dull[from..]) {
            *v = (d * 0.92 + *v * 0.08) * gain(-3.0);
        }
    }

    /// Nothing but electronics, or exact zeros, from a time on.
    pub fn dead(&mut self, track: usize, from_s: f64, zeros: bool) {
        let from = self.sample(from_s);
        let hiss = self.random.white(self.len());
        for (v, h) in self.x(track)[from..].iter_mut().zip(hiss) {
            *v = if zeros { 0.0 } else { h * gain(-86.0) };
        }
    }

    /// One input on two tracks.
    pub fn duplicate(&mut self, from: usize, to: usize, db: f64) {
        let copy: Vec<f32> = self.tracks[from].x.iter().map(|v| v * gain(db)).collect();
        self.tracks[to].x = copy;
    }

    /// Polarity reversed.
    pub fn invert(&mut self, track: usize) {
        self.x(track).iter_mut().for_each(|v| *v = -*v);
    }

    /// The whole track later by a number of samples.
    pub fn delay(&mut self, track: usize, samples: usize) {
        let n = self.len();
        let mut x = vec![0f32; samples];
        x.extend_from_slice(&self.tracks[track].x[..n - samples.min(n)]);
        x.truncate(n);
        self.tracks[track].x = x;
    }

    /// A noise gate on a track: what lies below the threshold falls by 30 dB, within 60 ms. A habit, no fault.
    pub fn gate(&mut self, track: usize, threshold_dbfs: f64) {
        let step = 1.0 - (-1.0 / (0.02 * f64::from(self.rate))).exp() as f32;
        let (mut level, mut now) = (0f32, 1f32);
        for v in self.x(track) {
            level = (level * 0.9997).max(v.abs());
            let want = if level > gain(threshold_dbfs) {
                1.0
            } else {
                gain(-30.0)
            };
            now += (want - now) * step;
            *v *= now;
        }
    }

    /// A look-ahead limiter with a smooth gain on a track: no wave top comes out flat.
    pub fn limit(&mut self, track: usize, ceiling_dbfs: f64) {
        let size = self.sample(0.004).max(1);
        let x = self.tracks[track].x.clone();
        let want: Vec<f32> = (0..x.len())
            .map(|i| {
                let loudest = peak(&x[i.saturating_sub(size)..(i + size).min(x.len())]);
                (gain(ceiling_dbfs) / loudest.max(1e-9)).min(1.0)
            })
            .collect();
        let mut sum = 0f64;
        for i in 0..x.len() {
            sum += f64::from(want[i]);
            if i >= size {
                sum -= f64::from(want[i - size]);
            }
            let late = i.saturating_sub(size / 2);
            self.x(track)[late] = x[late] * (sum / size.min(i + 1) as f64) as f32;
        }
    }

    /// Fade a track in or out between two times.
    pub fn fade(&mut self, track: usize, from_s: f64, to_s: f64, in_not_out: bool) {
        let (a, b) = (self.sample(from_s), self.sample(to_s));
        for (i, v) in self.x(track).iter_mut().enumerate() {
            let share = ((i as f64 - a as f64) / (b - a).max(1) as f64).clamp(0.0, 1.0) as f32;
            *v *= if in_not_out { share } else { 1.0 - share };
        }
    }
}
