//! Power spectral density by averaging overlapping segments.
//!
//! Source: Welch (1967), IEEE Trans. Audio Electroacoustics 15(2); scaling as `scipy.signal.welch`, one-sided.

use super::transform::Fourier;
use super::window::Window;

/// What the lines mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PowerScaling {
    /// Unit² per Hz: for noise. Independent of the resolution.
    Density,
    /// Unit² (RMS² of a sine): for lines.
    Spectrum,
}

/// Plan for segments of one length.
#[derive(Debug, Clone)]
pub struct WelchPlan {
    fourier: Fourier,
    weights: Vec<f64>,
    step: usize,
    remove_mean: bool,
    scaling: PowerScaling,
}

impl WelchPlan {
    /// Segments of `segment` samples that overlap by `overlap` (kept below `segment`).
    pub fn new(segment: usize, overlap: usize, window: Window, remove_mean: bool, scaling: PowerScaling) -> Self {
        let fourier = Fourier::new(segment);
        let segment = fourier.len();
        let step = segment - overlap.min(segment - 1);
        Self { weights: window.weights(segment), fourier, step, remove_mean, scaling }
    }

    /// Distance of the lines, Hz.
    pub fn step_hz(&self, rate_hz: f64) -> f64 {
        rate_hz / self.fourier.len() as f64
    }

    /// Mean power of the segments, one value per line from 0 Hz up; empty when `samples` are shorter than one segment.
    pub fn power(&mut self, samples: &[f64], rate_hz: f64) -> Vec<f64> {
        let len = self.fourier.len();
        let scale = match self.scaling {
            PowerScaling::Density => 1.0 / (rate_hz * self.weights.iter().map(|w| w * w).sum::<f64>()),
            PowerScaling::Spectrum => self.weights.iter().sum::<f64>().powi(-2),
        };
        let mut power = Vec::new();
        let mut segments = 0_u32;
        for segment in samples.windows(len).step_by(self.step) {
            let mean = if self.remove_mean { segment.iter().sum::<f64>() / len as f64 } else { 0.0 };
            let weights = &self.weights;
            let bins = self.fourier.forward_of(|n| match (segment.get(n), weights.get(n)) {
                (Some(x), Some(w)) => (x - mean) * w,
                _ => 0.0,
            });
            power.resize(bins.len(), 0.0);
            for (sum, bin) in power.iter_mut().zip(bins.iter()) {
                *sum += bin.norm_sqr();
            }
            segments += 1;
        }
        let last = power.len().saturating_sub(1);
        for (k, p) in power.iter_mut().enumerate() {
            let sides = if k == 0 || (len.is_multiple_of(2) && k == last) { 1.0 } else { 2.0 };
            *p *= sides * scale / f64::from(segments);
        }
        power
    }
}
