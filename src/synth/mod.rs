//! Invented signals, faults and the demo day. Uses nothing of `dsp`, `measure` or `detect`: a shared bug would hide itself.
