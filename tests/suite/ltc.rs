//! Writes a timecode track (SMPTE ST 12-1), independently of the reader.

/// The 80 bits of a frame in the order they are sent; no flags, user bits 0.
pub(crate) fn frame(hours: u32, minutes: u32, seconds: u32, frames: u32) -> String {
    let digit = |value: u32, bits: usize| -> String {
        let text = format!("{value:0bits$b}");
        text.chars().rev().collect()
    };
    // Units in four bits, then tens, each followed by a user group; single bits between them are flags.
    let pair = |value: u32, tens_bits: usize| {
        let flags = "0".repeat(4 - tens_bits);
        let (units, tens) = (digit(value % 10, 4), digit(value / 10, tens_bits));
        format!("{units}0000{tens}{flags}0000")
    };
    let (ff, ss, mm, hh) = (
        pair(frames, 2),
        pair(seconds, 3),
        pair(minutes, 3),
        pair(hours, 2),
    );
    format!("{ff}{ss}{mm}{hh}0011111111111101")
}

/// Frames from a label on, counted without drop at a whole rate.
pub(crate) fn run([h, m, s, f]: [u32; 4], base: u32, count: u32) -> Vec<String> {
    let first = ((h * 60 + m) * 60 + s) * base + f;
    (first..first + count)
        .map(|n| {
            let second = n / base;
            frame(second / 3600 % 24, second / 60 % 60, second % 60, n % base)
        })
        .collect()
}

/// Biphase-mark code: the level turns at every bit, and once more in the middle of a one.
pub(crate) fn biphase(frames: &[String], samples_per_frame: f64) -> Vec<f32> {
    let bit_samples = samples_per_frame / 80.0;
    let (mut level, mut x) = (0.3f32, Vec::new());
    for (n, bit) in frames.iter().flat_map(|f| f.chars()).enumerate() {
        for half in 1..=2 {
            if half == 1 || bit == '1' {
                level = -level;
            }
            let end = (n as f64 + 0.5 * f64::from(half)) * bit_samples;
            x.resize(end.round() as usize, level);
        }
    }
    x
}
