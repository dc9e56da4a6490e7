//! Frames of samples of three bytes taken apart into tracks, several frames and tracks at a time.
//!
//! A sample is four bytes of a register with a zero below it; a square of four frames by four tracks is turned over within the
//! registers. A compiler makes single loads of plain loops over such frames, which take three times as long.

/// Frames that are taken apart at a time.
const AT_ONCE: usize = 8;
/// Tracks that are.
const TRACKS: usize = 4;
/// Bytes of a sample.
const WIDTH: usize = 3;
/// Fewest tracks of a frame: the bytes of four of them are read with four bytes beside them.
const FEWEST: usize = 6;

/// Take samples of three bytes (the lowest first) apart: `bytes` are frames of as many samples as there are `tracks`, each of
/// which gets its own from position `at` on, as the upper bytes of 32 bits, shifted to the right by `shift` and times `scale`.
/// Returns how many frames were taken apart; the others (fewer than eight; all, where tracks are few or the processor has no such
/// vectors) are left to the caller.
pub fn apart(bytes: &[u8], tracks: &mut [Vec<f32>], at: usize, shift: u32, scale: f32) -> usize {
    if tracks.len() < FEWEST {
        return 0;
    }
    in_vectors(bytes, tracks, at, shift, scale)
}

#[cfg(not(target_arch = "x86_64"))]
fn in_vectors(_: &[u8], _: &mut [Vec<f32>], _: usize, _: u32, _: f32) -> usize {
    0
}

#[cfg(target_arch = "x86_64")]
use x86::in_vectors;

#[cfg(target_arch = "x86_64")]
mod x86 {
    use std::arch::x86_64::{__m128i, __m256, __m256i};
    use std::array::from_fn;

    use pulp::x86::V3;

    use super::{AT_ONCE, TRACKS, WIDTH};

    struct Work<'a> {
        simd: V3,
        bytes: &'a [u8],
        tracks: &'a mut [Vec<f32>],
        at: usize,
        shift: u32,
        scale: f32,
    }

    pub(super) fn in_vectors(
        bytes: &[u8],
        tracks: &mut [Vec<f32>],
        at: usize,
        shift: u32,
        scale: f32,
    ) -> usize {
        let Some(simd) = V3::try_new() else {
            return 0;
        };
        simd.vectorize(Work {
            simd,
            bytes,
            tracks,
            at,
            shift,
            scale,
        })
    }

    impl pulp::NullaryFnOnce for Work<'_> {
        /// Frames that were taken apart.
        type Output = usize;

        #[inline(always)]
        fn call(self) -> usize {
            let Work { simd, bytes, .. } = self;
            let frame = WIDTH * self.tracks.len();
            let shift = count(self.shift);
            let scale = simd.avx._mm256_set1_ps(self.scale);
            let sample = |code: __m256i| {
                let code = simd.avx2._mm256_sra_epi32(code, shift);
                let x = simd
                    .avx
                    ._mm256_mul_ps(simd.avx._mm256_cvtepi32_ps(code), scale);
                pulp::cast::<__m256, [f32; AT_ONCE]>(x)
            };
            let mut next = 0;
            while next < self.tracks.len() {
                // The last four overlap those before them where the tracks are no multiple of four.
                let first = next.min(self.tracks.len() - TRACKS);
                next = first + TRACKS;
                // In front of the first samples there is nothing to read with them.
                let before = if first == 0 { 0 } else { 16 - TRACKS * WIDTH };
                let from = first * WIDTH - before;
                let places = places(before);
                let mut eights = self.tracks[first..next]
                    .iter_mut()
                    .map(|x| x[self.at..].as_chunks_mut::<AT_ONCE>().0.iter_mut());
                let (Some(a), Some(b), Some(c), Some(d)) =
                    (eights.next(), eights.next(), eights.next(), eights.next())
                else {
                    break;
                };
                let frames = bytes.chunks_exact(AT_ONCE * frame);
                for ((((frames, a), b), c), d) in frames.zip(a).zip(b).zip(c).zip(d) {
                    let square = from_fn(|k| row(simd, &frames[k * frame + from..], frame, places));
                    [*a, *b, *c, *d] = turned(simd, square).map(sample);
                }
            }
            bytes.len() / (AT_ONCE * frame) * AT_ONCE
        }
    }

    fn count(shift: u32) -> __m128i {
        pulp::cast([u64::from(shift), 0])
    }

    /// Which byte of sixteen goes where: to each sample the three of its own above a zero.
    fn places(before: usize) -> __m256i {
        let place = |at: usize| match at % 4 {
            0 => 0x80,
            k => (before + at % 16 / 4 * WIDTH + k - 1) as u8,
        };
        pulp::cast::<[u8; 32], __m256i>(from_fn(place))
    }

    /// Four samples of the first frame and of the fourth one after it.
    #[inline(always)]
    fn row(simd: V3, bytes: &[u8], frame: usize, places: __m256i) -> __m256i {
        let load = |bytes: &[u8]| -> __m128i {
            let mut sixteen = [0; 16];
            sixteen.copy_from_slice(&bytes[..16]);
            pulp::cast(sixteen)
        };
        let (now, later) = (load(bytes), load(&bytes[TRACKS * frame..]));
        let both = simd.avx._mm256_set_m128i(later, now);
        simd.avx2._mm256_shuffle_epi8(both, places)
    }

    /// Rows become columns, in both halves of the vectors.
    #[inline(always)]
    fn turned(simd: V3, [a, b, c, d]: [__m256i; TRACKS]) -> [__m256i; TRACKS] {
        let [low, high] = [
            simd.avx2._mm256_unpacklo_epi32(a, b),
            simd.avx2._mm256_unpackhi_epi32(a, b),
        ];
        let [later_low, later_high] = [
            simd.avx2._mm256_unpacklo_epi32(c, d),
            simd.avx2._mm256_unpackhi_epi32(c, d),
        ];
        [
            simd.avx2._mm256_unpacklo_epi64(low, later_low),
            simd.avx2._mm256_unpackhi_epi64(low, later_low),
            simd.avx2._mm256_unpacklo_epi64(high, later_high),
            simd.avx2._mm256_unpackhi_epi64(high, later_high),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_are_taken_apart_as_one_by_one() {
        let mut dice = fastrand::Rng::with_seed(5);
        for (channels, frames) in [
            (6, 8),
            (7, 19),
            (8, 240),
            (9, 33),
            (32, 16),
            (33, 9),
            (8, 7),
        ] {
            let bytes: Vec<u8> = (0..channels * frames * 3).map(|_| dice.u8(..)).collect();
            for (shift, scale) in [(8, 1.0 / 8_388_608.0), (12, 1.0 / 524_288.0)] {
                let mut x = vec![vec![f32::NAN; frames]; channels];
                let done = apart(&bytes, &mut x, 0, shift, scale);
                assert!(done == 0 || done == frames / 8 * 8, "{done} of {frames}");
                for (channel, x) in x.iter().enumerate() {
                    for (frame, x) in x.iter().enumerate() {
                        let s = &bytes[(frame * channels + channel) * 3..][..3];
                        let code = i32::from_le_bytes([0, s[0], s[1], s[2]]) >> shift;
                        let wanted = if frame < done {
                            code as f32 * scale
                        } else {
                            f32::NAN
                        };
                        assert_eq!(x.to_bits(), wanted.to_bits(), "{channel} {frame}");
                    }
                }
            }
        }
    }

    #[test]
    fn few_tracks_are_left_to_the_caller() {
        assert_eq!(apart(&[0; 120], &mut vec![vec![0.0; 8]; 5], 0, 8, 1.0), 0);
        assert_eq!(apart(&[], &mut [], 0, 8, 1.0), 0);
    }
}
