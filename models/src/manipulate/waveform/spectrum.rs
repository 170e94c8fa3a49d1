//! Amplitude spectrum: one window over the whole waveform, peak amplitudes.
//!
//! a[k] = 2 |X[k]| / Σw, without the 2 at 0 Hz and, for an even length, at the last bin.
//! Source: scaling as scipy's `abs(rfft(x * w)) / sum(w)`; Heinzel, Rüdiger & Schilling (2002), from memory.

use super::transform::Fourier;
use super::window::Window;
use serde::{Deserialize, Serialize};

/// Peak amplitudes at `0, step_hz, 2 step_hz ...`, in the unit of the waveform.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AmplitudeSpectrum {
    /// Distance of the lines, Hz.
    pub step_hz: f64,
    /// Peak amplitude of each line.
    pub amplitudes: Vec<f64>,
    /// The window it was made with; needed to turn lines into energy.
    pub window: Window,
}

impl AmplitudeSpectrum {
    /// Index of the line next to `hz`, when there is one.
    pub fn index(&self, hz: f64) -> Option<usize> {
        let index = (hz / self.step_hz).round();
        (index >= 0.0 && index < self.amplitudes.len() as f64).then_some(index as usize)
    }

    /// The highest line within `± reach_hz` of `hz`: its frequency and amplitude.
    pub fn peak_near(&self, hz: f64, reach_hz: f64) -> Option<(f64, f64)> {
        let last = self.amplitudes.len().checked_sub(1)?;
        let low = ((hz - reach_hz) / self.step_hz).round().max(0.0) as usize;
        let high = (((hz + reach_hz) / self.step_hz).round().max(0.0) as usize).min(last);
        let (at, amplitude) = (low..=high).filter_map(|k| self.amplitudes.get(k).map(|a| (k, *a))).fold(
            None::<(usize, f64)>,
            |best, new| match best {
                Some(b) if b.1 >= new.1 => Some(b),
                _ => Some(new),
            },
        )?;
        Some((at as f64 * self.step_hz, amplitude))
    }

    /// RMS of everything between the limits, both included, corrected for the window's noise bandwidth.
    pub fn band_rms(&self, low_hz: f64, high_hz: f64) -> f64 {
        let sum: f64 = self
            .amplitudes
            .iter()
            .enumerate()
            .filter(|(k, _)| {
                let hz = *k as f64 * self.step_hz;
                hz >= low_hz && hz <= high_hz
            })
            .map(|(k, a)| if k == 0 { a * a } else { 0.5 * a * a })
            .sum();
        (sum / self.window.noise_bandwidth_bins()).sqrt()
    }

    /// The same lines on the scale of shaft orders: distance of the lines in orders.
    pub fn step_orders(&self, shaft_hz: f64) -> f64 {
        self.step_hz / shaft_hz
    }
}

/// Plan for amplitude spectra of one length and window.
#[derive(Debug, Clone)]
pub struct SpectrumPlan {
    fourier: Fourier,
    window: Window,
    weights: Vec<f64>,
    weight_sum: f64,
}

impl SpectrumPlan {
    /// Plans for `len` samples.
    pub fn new(len: usize, window: Window) -> Self {
        let fourier = Fourier::new(len);
        let weights = window.weights(fourier.len());
        let weight_sum = weights.iter().sum();
        Self { fourier, window, weights, weight_sum }
    }

    /// The spectrum of `samples` (cut or padded with zeros to the planned length); the mean is left in.
    pub fn amplitudes(&mut self, samples: &[f64], rate_hz: f64) -> AmplitudeSpectrum {
        let weights = &self.weights;
        let len = self.fourier.len();
        let bins = self
            .fourier
            .forward_of(|n| samples.get(n).copied().unwrap_or(0.0) * weights.get(n).copied().unwrap_or(0.0));
        let last = bins.len() - 1;
        let amplitudes = bins
            .iter()
            .enumerate()
            .map(|(k, bin)| {
                let sides = if k == 0 || (len.is_multiple_of(2) && k == last) { 1.0 } else { 2.0 };
                sides * bin.norm() / self.weight_sum
            })
            .collect();
        AmplitudeSpectrum { step_hz: rate_hz / len as f64, amplitudes, window: self.window }
    }
}
