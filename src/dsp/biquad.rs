//! Second-order sections on several streams at once: a filter has to wait for its own last value, several streams need not
//! wait for each other.

/// A second-order section in transposed direct form II on `L` streams, `a0 = 1`.
#[derive(Debug, Clone, Copy)]
pub struct Biquad<const L: usize> {
    b: [f64; 3],
    a: [f64; 2],
    /// State of each stream.
    pub z: [[f64; L]; 2],
}

impl<const L: usize> Biquad<L> {
    /// A section with coefficients b0, b1, b2 and a1, a2 that goes on from the states of `L` streams.
    #[inline(always)]
    pub fn resume(b: [f64; 3], a: [f64; 2], states: [[f64; 2]; L]) -> Biquad<L> {
        let z = [0, 1].map(|k| states.map(|state| state[k]));
        Biquad { b, a, z }
    }

    /// State of one stream, to go on with later.
    #[inline(always)]
    pub fn state(&self, stream: usize) -> [f64; 2] {
        self.z.map(|z| z[stream])
    }

    /// The next sample of every stream.
    #[inline(always)]
    pub fn next(&mut self, x: [f64; L]) -> [f64; L] {
        let mut y = [0.0; L];
        for l in 0..L {
            y[l] = self.b[0] * x[l] + self.z[0][l];
            self.z[0][l] = self.b[1] * x[l] - self.a[0] * y[l] + self.z[1][l];
            self.z[1][l] = self.b[2] * x[l] - self.a[1] * y[l];
        }
        y
    }
}
