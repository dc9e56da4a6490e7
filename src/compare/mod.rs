//! Numbers between tracks: who speaks when, delay, polarity, coherence, fader gains of the mix.
//!
//! What needs samples streams along with the meters; what needs only frames is derived afterwards.

pub mod pairs;
pub mod spectra;
pub mod speech;

pub use pairs::PairMeasures;
pub use speech::SpeechMap;
