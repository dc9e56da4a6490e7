//! Speech level of a track: what `level_hot`, `level_low` and the measurements share.

use crate::detect::TakeView;
use crate::measure::speech_level::Active;

/// Own speech below this many seconds says nothing about a level.
pub(super) const LEAST_SPEECH_S: f64 = 1.0;

/// Active level (P.56) of the speech that a track is there for, with the first and the end of its frames; `None` with less
/// than a second of it.
pub(super) fn own_speech(view: &TakeView<'_>, position: usize) -> Option<(Active, usize, usize)> {
    let own = view.speech.own_frames(position);
    let (first, last) = (*own.first()?, *own.last()?);
    if own.len() < view.grid.frames_in(LEAST_SPEECH_S) {
        return None;
    }
    let active = view.tracks[position]
        .active
        .of(|f| view.speech.own(position, f))?;
    Some((active, first, last + 1))
}
