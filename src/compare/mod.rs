//! Numbers between tracks: who speaks when, delay, polarity, coherence, fader gains of the mix.
//!
//! What needs samples streams along with the meters; what needs only frames is derived afterwards.

pub mod faders;
pub mod landmarks;
pub mod pairs;
pub mod spectra;
pub mod speech;

pub use faders::Mix;
pub use pairs::PairMeasures;
pub use speech::SpeechMap;

use rayon::prelude::*;

use crate::aside::Aside;
use crate::take::Take;

/// Everything between tracks that needs spectra: one meter of them per track, shared by the pairs and the mixes.
#[derive(Debug)]
pub struct Meter {
    layout: spectra::Layout,
    positions: Vec<usize>,
    spectra: Vec<spectra::SpectrumMeter>,
    pairs: pairs::PairMeter,
    faders: faders::FaderMeter,
}

/// What one pass gives.
#[derive(Debug, Clone)]
pub struct Between {
    /// Every two microphones.
    pub pairs: Vec<pairs::PairCells>,
    /// Every mix track against all isolated tracks.
    pub mixes: Vec<Mix>,
}

impl Meter {
    /// A meter at rest. Timecode, tone and unused tracks are left out. What grows with the take goes aside.
    pub fn new(take: &Take, aside: &Aside) -> Meter {
        let layout = spectra::Layout::new(take.rate);
        let positions: Vec<usize> = (0..take.tracks.len())
            .filter(|&i| take.tracks[i].carries_sound())
            .collect();
        Meter {
            layout,
            spectra: positions
                .iter()
                .map(|_| spectra::SpectrumMeter::new(layout))
                .collect(),
            pairs: pairs::PairMeter::new(take, layout, &positions, aside),
            faders: faders::FaderMeter::new(take, layout, &positions),
            positions,
        }
    }

    /// How many of the lowest bins of every frame are wanted of a track; 0 where nothing is compared.
    pub fn bins_wanted(&self, track: usize) -> usize {
        let compared = self.positions.len() >= 2 && self.positions.contains(&track);
        if compared { self.layout.bins } else { 0 }
    }

    /// Take in those bins of the next frames, one frame after the other (of each the real parts and then the imaginary ones), of
    /// all tracks of the take, in track order.
    pub fn push(&mut self, frames: &[Vec<f32>]) {
        if self.positions.len() < 2 {
            return;
        }
        self.spectra
            .par_iter_mut()
            .zip(self.positions.par_iter())
            .for_each(|(meter, &position)| meter.push(&frames[position]));
        let (spectra, pairs, faders) = (&self.spectra, &mut self.pairs, &mut self.faders);
        rayon::join(|| pairs.push(spectra), || faders.push(spectra));
    }

    /// Everything measured.
    pub fn finish(self) -> Between {
        Between {
            pairs: self.pairs.finish(),
            mixes: self.faders.finish(),
        }
    }
}
