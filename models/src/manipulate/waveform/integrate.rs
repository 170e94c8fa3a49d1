//! Acceleration ↔ velocity ↔ displacement, in the frequency domain.
//!
//! Each step down divides a bin by j2πf, each step up multiplies; bins outside the band are dropped. The mean is removed
//! and no window is used, so the record's ends must not carry more than the record itself: a machine running steadily.
//! The lower limit matters most: integration lifts what lies below it by 1/f.

use super::transform::Fourier;
use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Standard gravity, m/s² per g (by definition).
pub const STANDARD_GRAVITY: f64 = 9.806_65;

/// What a waveform measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Motion {
    /// m/s² in SI.
    Acceleration,
    /// m/s in SI.
    Velocity,
    /// m in SI.
    Displacement,
}

impl Motion {
    /// How often the displacement is differentiated.
    fn derivatives(self) -> i32 {
        match self {
            Motion::Acceleration => 2,
            Motion::Velocity => 1,
            Motion::Displacement => 0,
        }
    }
}

/// Converts waveforms of one length.
#[derive(Debug, Clone)]
pub struct MotionConverter {
    fourier: Fourier,
}

impl MotionConverter {
    /// Plans for `len` samples.
    pub fn new(len: usize) -> Self {
        Self { fourier: Fourier::new(len) }
    }

    /// The waveform as `to`, from `low_hz` to `high_hz` (limits included), in coherent units: m/s² gives m/s gives m.
    /// `low_hz` must be above zero for an integration; bins at 0 Hz are always dropped.
    pub fn convert(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        (from, to): (Motion, Motion),
        (low_hz, high_hz): (f64, f64),
    ) -> &[f64] {
        self.filter(samples, rate_hz, (from, to), (low_hz, high_hz));
        self.fourier.inverse()
    }

    /// RMS of [`MotionConverter::convert`], without transforming back.
    pub fn rms(
        &mut self,
        samples: &[f64],
        rate_hz: f64,
        (from, to): (Motion, Motion),
        (low_hz, high_hz): (f64, f64),
    ) -> f64 {
        self.filter(samples, rate_hz, (from, to), (low_hz, high_hz));
        let len = self.fourier.len();
        let bins = self.fourier.bins_mut();
        let last = bins.len() - 1;
        let sum: f64 = bins
            .iter()
            .enumerate()
            .map(|(k, bin)| {
                let sides = if k == 0 || (len.is_multiple_of(2) && k == last) { 1.0 } else { 2.0 };
                // The last bin of an even length keeps only its real part, as the way back does.
                if sides == 1.0 { bin.re * bin.re } else { sides * bin.norm_sqr() }
            })
            .sum();
        sum.sqrt() / len as f64
    }

    fn filter(&mut self, samples: &[f64], rate_hz: f64, (from, to): (Motion, Motion), (low_hz, high_hz): (f64, f64)) {
        let len = self.fourier.len();
        let count = samples.len().clamp(1, len) as f64;
        let mean = samples.iter().take(len).sum::<f64>() / count;
        let power = to.derivatives() - from.derivatives();
        let step_hz = rate_hz / len as f64;
        let bins = self.fourier.forward_of(|n| samples.get(n).map_or(0.0, |x| x - mean));
        for (k, bin) in bins.iter_mut().enumerate() {
            let hz = k as f64 * step_hz;
            if k == 0 || !(hz >= low_hz && hz <= high_hz) {
                *bin = Complex::default();
            } else if power != 0 {
                *bin *= Complex::new(0.0, TAU * hz).powi(power);
            }
        }
    }
}
