//! Decoding: one pass over a take, planar blocks of all tracks, plus integer codes where the file holds integers.

use crate::container::ReadError;
use crate::report::model::{Hash, Problem};
use crate::take::Take;

/// A stretch of all tracks of a take.
#[derive(Debug, Clone, Default)]
pub struct Block {
    /// First sample within the take.
    pub start: u64,
    /// Samples per track, full scale 1.0, in track order; all of one length. Integer samples are `code / 2^(bits-1)`.
    pub x: Vec<Vec<f32>>,
    /// Codes at the valid bit depth (24 bit: -2^23..2^23-1), in track order; empty vectors for float files.
    pub codes: Vec<Vec<i32>>,
}

impl Block {
    /// Samples per track.
    pub fn len(&self) -> usize {
        self.x.first().map_or(0, Vec::len)
    }

    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Reads the files of one take in step.
#[derive(Debug)]
pub struct Decoder {}

/// What is known of each file after it has been read to its end, in the order of [`Take::files`].
#[derive(Debug, Clone)]
pub struct FileResult {
    /// Of the whole file.
    pub hash: Hash,
    /// Of the audio bytes, whole frames only.
    pub audio_hash: Hash,
    /// Problems met while decoding.
    pub problems: Vec<Problem>,
}

impl Decoder {
    /// Open all files of a take for reading. `block` is the number of samples per block.
    pub fn open(take: &Take, block: usize) -> Result<Decoder, ReadError> {
        let _ = (take, block);
        Ok(Decoder {})
    }

    /// The next block into `block` (its memory is used again); `false` at the end.
    pub fn next_into(&mut self, block: &mut Block) -> Result<bool, ReadError> {
        let _ = block;
        Ok(false)
    }

    /// Hashes and problems; call after the last block.
    pub fn finish(self) -> Result<Vec<FileResult>, ReadError> {
        Ok(Vec::new())
    }
}
