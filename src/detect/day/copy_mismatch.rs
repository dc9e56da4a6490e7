//! A copy that differs from its original; reported by `takeproof verify`, described here.

use crate::detect::{Detector, Explain, Run};

/// The row of the table.
pub static DETECTOR: Detector = Detector {
    kind: "copy_mismatch",
    explain: Explain {
        means: "A file of the copy is missing, is more than the original has, or holds other bytes.",
        sounds_like: "Perhaps nothing, perhaps a take that stops, clicks or is another one.",
        usual_cause: "A copy that was interrupted, a full disk, a failing card reader, or a file that was changed after copying.",
        do_now: "Copy the files named again from the original and verify once more before anything is deleted.",
        measured_by: "Every byte of both sides is read and hashed; the audio is hashed on its own, so that changed labels are told from changed sound.",
        not_to_confuse: "Changed labels with identical sound are said to be that. Two cards of one roll inside one check are duplicate_take.",
    },
    params: &[],
    run: Run::Elsewhere,
};
