//! The analytic signal's magnitude: the Hilbert envelope of a whole waveform.
//!
//! X[k] doubled for positive frequencies, left at 0 Hz (and at the last bin of an even length), dropped for negative
//! ones; back; magnitude. Source: as `scipy.signal.hilbert`; Marple (1999), IEEE Trans. Signal Processing 47(9), from memory.

use realfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::fmt;
use std::sync::Arc;

/// Envelopes of waveforms of one length.
#[derive(Clone)]
pub struct Envelope {
    forward: Arc<dyn Fft<f64>>,
    inverse: Arc<dyn Fft<f64>>,
    buffer: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

impl fmt::Debug for Envelope {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Envelope").field("len", &self.buffer.len()).finish()
    }
}

impl Envelope {
    /// Plans for `len` samples.
    pub fn new(len: usize) -> Self {
        let mut planner = FftPlanner::new();
        let len = len.max(1);
        let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
        let scratch = forward.get_inplace_scratch_len().max(inverse.get_inplace_scratch_len());
        Self { forward, inverse, buffer: vec![Complex::default(); len], scratch: vec![Complex::default(); scratch] }
    }

    /// Writes the envelope of `samples` to `out`; both are taken up to the planned length.
    pub fn write(&mut self, samples: &[f64], out: &mut [f64]) {
        let len = self.buffer.len();
        for (n, slot) in self.buffer.iter_mut().enumerate() {
            *slot = Complex::new(samples.get(n).copied().unwrap_or(0.0), 0.0);
        }
        self.forward.process_with_scratch(&mut self.buffer, &mut self.scratch);
        for (k, bin) in self.buffer.iter_mut().enumerate() {
            let both = k == 0 || 2 * k == len;
            *bin *= if both {
                1.0
            } else if 2 * k < len {
                2.0
            } else {
                0.0
            };
        }
        self.inverse.process_with_scratch(&mut self.buffer, &mut self.scratch);
        for (slot, z) in out.iter_mut().zip(&self.buffer) {
            *slot = z.norm() / len as f64;
        }
    }
}
