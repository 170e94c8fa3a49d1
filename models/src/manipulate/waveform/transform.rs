//! The discrete Fourier transform of a real waveform, planned once per length with its own scratch memory.
//!
//! Unscaled forward, as `numpy.fft.rfft`: bin k of `len / 2 + 1` is Σ x[n] e^(−j2πkn/len). The inverse divides by `len`.

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::fmt;
use std::sync::Arc;

/// Forward and inverse transform of one length. Memory: about four times the waveform.
#[derive(Clone)]
pub struct Fourier {
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
    time: Vec<f64>,
    bins: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

impl fmt::Debug for Fourier {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Fourier").field("len", &self.time.len()).finish()
    }
}

impl Fourier {
    /// Plans for waveforms of `len` samples (at least 1 is planned).
    pub fn new(len: usize) -> Self {
        let mut planner = RealFftPlanner::new();
        let len = len.max(1);
        let forward = planner.plan_fft_forward(len);
        let inverse = planner.plan_fft_inverse(len);
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        Self {
            forward,
            inverse,
            time: vec![0.0; len],
            bins: vec![Complex::default(); len / 2 + 1],
            scratch: vec![Complex::default(); scratch],
        }
    }

    /// Samples a waveform must have.
    pub fn len(&self) -> usize {
        self.time.len()
    }

    /// Never: at least one sample is planned.
    pub fn is_empty(&self) -> bool {
        self.time.is_empty()
    }

    /// Bins of the transform, `len / 2 + 1`.
    pub fn bin_count(&self) -> usize {
        self.bins.len()
    }

    /// Transforms what `value(n)` gives for each sample; the result stays valid until the next call.
    pub fn forward_of(&mut self, value: impl FnMut(usize) -> f64) -> &mut [Complex<f64>] {
        for (slot, x) in self.time.iter_mut().zip((0..).map(value)) {
            *slot = x;
        }
        // The buffers were made by this plan's lengths: the call cannot fail.
        let _ = self.forward.process_with_scratch(&mut self.time, &mut self.bins, &mut self.scratch);
        &mut self.bins
    }

    /// Transforms `samples`, which are cut or padded with zeros to the planned length.
    pub fn forward(&mut self, samples: &[f64]) -> &mut [Complex<f64>] {
        self.forward_of(|n| samples.get(n).copied().unwrap_or(0.0))
    }

    /// The bins of the last forward transform, to be changed before [`Fourier::inverse`].
    pub fn bins_mut(&mut self) -> &mut [Complex<f64>] {
        &mut self.bins
    }

    /// Back to a waveform, divided by the length. The bins are spent by it.
    pub fn inverse(&mut self) -> &[f64] {
        // A real waveform has real end bins; a leftover imaginary part there would be refused.
        if let Some(first) = self.bins.first_mut() {
            first.im = 0.0;
        }
        if self.time.len().is_multiple_of(2)
            && let Some(last) = self.bins.last_mut()
        {
            last.im = 0.0;
        }
        let _ = self.inverse.process_with_scratch(&mut self.bins, &mut self.time, &mut self.scratch);
        let scale = 1.0 / self.time.len() as f64;
        for x in &mut self.time {
            *x *= scale;
        }
        &self.time
    }
}
