//! Numbers of the waveform's shape: crest factor, skewness, kurtosis; and quantiles.
//!
//! Population moments about the mean; kurtosis is Pearson's (3 for a normal distribution, 1.5 for a sine).
//! The crest factor is peak over RMS with the mean left in, as an instrument shows it.

use serde::{Deserialize, Serialize};

/// The shape of a waveform.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Shape {
    /// Mean.
    pub mean: f64,
    /// Root mean square, mean included.
    pub rms: f64,
    /// Standard deviation (population).
    pub std: f64,
    /// Largest distance from zero.
    pub peak: f64,
    /// Highest minus lowest.
    pub peak_to_peak: f64,
    /// Peak over RMS; 0 for silence.
    pub crest_factor: f64,
    /// Third standardised moment; 0 when nothing varies.
    pub skewness: f64,
    /// Fourth standardised moment, 3 for a normal distribution; 0 when nothing varies.
    pub kurtosis: f64,
}

impl Shape {
    /// Of finite samples; all zero for none.
    pub fn of(samples: &[f64]) -> Self {
        if samples.is_empty() {
            return Self::default();
        }
        let count = samples.len() as f64;
        let mean = samples.iter().sum::<f64>() / count;
        let (mut m2, mut m3, mut m4, mut square) = (0.0, 0.0, 0.0, 0.0);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for x in samples {
            let d = x - mean;
            let d2 = d * d;
            m2 += d2;
            m3 += d2 * d;
            m4 += d2 * d2;
            square += x * x;
            low = low.min(*x);
            high = high.max(*x);
        }
        let (m2, m3, m4) = (m2 / count, m3 / count, m4 / count);
        let rms = (square / count).sqrt();
        let peak = low.abs().max(high.abs());
        // A constant waveform leaves rounding behind in m2; dividing by it would make a number out of nothing.
        let varies = m2.sqrt() > 1e-14 * peak;
        Self {
            mean,
            rms,
            std: m2.sqrt(),
            peak,
            peak_to_peak: high - low,
            crest_factor: if rms > 0.0 { peak / rms } else { 0.0 },
            skewness: if varies { m3 / m2.powf(1.5) } else { 0.0 },
            kurtosis: if varies { m4 / (m2 * m2) } else { 0.0 },
        }
    }
}

/// Quantile `p` (0 to 1) of `sorted` by linear interpolation (type 7, numpy's default). `None` for no values.
pub fn quantile_of_sorted(sorted: &[f64], p: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let at = p.clamp(0.0, 1.0) * last as f64;
    let low = *sorted.get(at.floor() as usize)?;
    let high = *sorted.get(at.ceil() as usize)?;
    Some(low + (high - low) * (at - at.floor()))
}

/// Median and median absolute deviation (not scaled). `None` for no values.
pub fn median_and_mad(samples: &[f64]) -> Option<(f64, f64)> {
    let mut sorted = samples.to_vec();
    sorted.sort_by(f64::total_cmp);
    let median = quantile_of_sorted(&sorted, 0.5)?;
    for x in &mut sorted {
        *x = (*x - median).abs();
    }
    sorted.sort_by(f64::total_cmp);
    Some((median, quantile_of_sorted(&sorted, 0.5)?))
}
