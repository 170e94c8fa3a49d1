//! Overall values in the bands of ISO 20816: RMS, peak and peak-to-peak as three separate quantities.
//!
//! The standard's broadband severity is **velocity, RMS**, on bearing housings. Peak and peak-to-peak are true values of
//! the waveform, never RMS times a factor. Source: ISO 20816-1 and -3, bands from memory.

use super::integrate::{Motion, MotionConverter, STANDARD_GRAVITY};
use serde::{Deserialize, Serialize};

/// A frequency band.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OverallBand {
    /// Lower limit, Hz, included.
    pub low_hz: f64,
    /// Upper limit, Hz, included.
    pub high_hz: f64,
}

impl OverallBand {
    /// 10 to 1000 Hz: machines from 600 r/min up.
    pub const USUAL: Self = Self { low_hz: 10.0, high_hz: 1000.0 };
    /// 2 to 1000 Hz: machines below 600 r/min.
    pub const SLOW: Self = Self { low_hz: 2.0, high_hz: 1000.0 };

    /// The standard's band for a speed.
    pub fn for_speed(rpm: f64) -> Self {
        if rpm < 600.0 { Self::SLOW } else { Self::USUAL }
    }
}

/// Three ways to say how large a waveform is; one unit.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Overall {
    /// Root mean square.
    pub rms: f64,
    /// Largest distance from zero.
    pub peak: f64,
    /// Highest minus lowest.
    pub peak_to_peak: f64,
}

impl Overall {
    /// Of a waveform as it is (its mean not removed), times `unit`.
    pub fn of(samples: &[f64], unit: f64) -> Self {
        if samples.is_empty() {
            return Self::default();
        }
        let (mut sum, mut low, mut high) = (0.0, f64::INFINITY, f64::NEG_INFINITY);
        for x in samples {
            sum += x * x;
            low = low.min(*x);
            high = high.max(*x);
        }
        Self {
            rms: unit * (sum / samples.len() as f64).sqrt(),
            peak: unit * low.abs().max(high.abs()),
            peak_to_peak: unit * (high - low),
        }
    }
}

/// The overall values of one acceleration waveform.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Overalls {
    /// The band of velocity and displacement.
    pub band: OverallBand,
    /// m/s², the whole waveform with its mean removed.
    pub acceleration_m_s2: Overall,
    /// mm/s in the band.
    pub velocity_mm_s: Overall,
    /// µm in the band.
    pub displacement_um: Overall,
}

impl Overalls {
    /// From acceleration in g.
    pub fn of_g(converter: &mut MotionConverter, samples_g: &[f64], rate_hz: f64, band: OverallBand) -> Self {
        let mut of = |motion, limits, unit: f64| {
            Overall::of(
                converter.convert(samples_g, rate_hz, (Motion::Acceleration, motion), limits),
                STANDARD_GRAVITY * unit,
            )
        };
        let limits = (band.low_hz, band.high_hz);
        Self {
            band,
            acceleration_m_s2: of(Motion::Acceleration, (0.0, f64::INFINITY), 1.0),
            velocity_mm_s: of(Motion::Velocity, limits, 1e3),
            displacement_um: of(Motion::Displacement, limits, 1e6),
        }
    }
}
