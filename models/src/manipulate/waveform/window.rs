//! Windows and what they do to amplitudes and to noise.
//!
//! All are periodic (the form for spectra, `fftbins=True` in scipy): w[n] over n / len, not n / (len − 1).

use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// The weighting of a waveform before its transform.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Window {
    /// None: right for whole periods and for transients that end inside the record.
    Rectangular,
    /// The usual choice for spectra of machines: a line half-way between bins shows 0.849 of its amplitude.
    #[default]
    Hann,
    /// For reading amplitudes: at most 0.1 % wrong between bins, at the price of lines nearly four bins wide.
    /// Source: coefficients of SRS, as in scipy.signal.windows.flattop.
    FlatTop,
}

impl Window {
    /// Weight of sample `n` of `len`.
    pub fn weight(self, n: usize, len: usize) -> f64 {
        let phase = TAU * n as f64 / len as f64;
        match self {
            Window::Rectangular => 1.0,
            Window::Hann => 0.5 - 0.5 * phase.cos(),
            Window::FlatTop => {
                0.215_578_95 - 0.416_631_58 * phase.cos() + 0.277_263_158 * (2.0 * phase).cos()
                    - 0.083_578_947 * (3.0 * phase).cos()
                    + 0.006_947_368 * (4.0 * phase).cos()
            }
        }
    }

    /// The weights of a waveform of `len` samples.
    pub fn weights(self, len: usize) -> Vec<f64> {
        (0..len).map(|n| self.weight(n, len)).collect()
    }

    /// Mean weight: what a sine's amplitude is divided by. In closed form, for more than a few samples.
    pub fn coherent_gain(self) -> f64 {
        match self {
            Window::Rectangular => 1.0,
            Window::Hann => 0.5,
            Window::FlatTop => 0.215_578_95,
        }
    }

    /// Equivalent noise bandwidth in bins: Σw² · len / (Σw)². RMS of a band = √(Σ a²/2 / this).
    pub fn noise_bandwidth_bins(self) -> f64 {
        match self {
            Window::Rectangular => 1.0,
            Window::Hann => 1.5,
            Window::FlatTop => {
                let (a0, rest) = (0.215_578_95_f64, [0.416_631_58_f64, 0.277_263_158, 0.083_578_947, 0.006_947_368]);
                1.0 + 0.5 * rest.iter().map(|a| a * a).sum::<f64>() / (a0 * a0)
            }
        }
    }
}
