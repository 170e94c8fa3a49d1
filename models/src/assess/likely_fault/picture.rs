//! What a machine's vibration looks like at one moment: velocity spectra on the scale of shaft orders.

use crate::manipulate::waveform::AmplitudeSpectrum;
use crate::manipulate::waveform::floor::noise_floor;
use crate::manipulate::waveform::integrate::STANDARD_GRAVITY;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Direction of a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Axis {
    /// Radial, horizontal.
    Horizontal,
    /// Radial, vertical.
    Vertical,
    /// Along the shaft.
    Axial,
}

impl Axis {
    /// Whether it lies across the shaft.
    pub fn is_radial(self) -> bool {
        self != Axis::Axial
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Axis::Horizontal => "horizontal",
            Axis::Vertical => "vertical",
            Axis::Axial => "axial",
        }
    }
}

/// One line of a velocity spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Multiple of shaft speed.
    pub order: f64,
    /// Hz.
    pub hz: f64,
    /// mm/s, peak.
    pub amplitude_mm_s: f64,
    /// Noise at this place, mm/s.
    pub floor_mm_s: f64,
    /// How far the line stands above it, dB.
    pub db: f64,
}

impl Line {
    /// Whether it is more than noise: 12 dB above the floor, which noise alone reaches at one line in ten million.
    pub fn stands_out(&self) -> bool {
        self.db >= 12.0
    }
}

/// The spectrum of one axis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AxisSpectrum {
    /// Direction.
    pub axis: Axis,
    /// Velocity, mm/s RMS in the band it was built for.
    pub velocity_rms_mm_s: f64,
    /// Noise between the lines: acceleration, m/s² RMS, above ten times shaft speed.
    pub noise_high_m_s2: f64,
    /// Noise between the lines: velocity, mm/s RMS, below ten times shaft speed.
    pub noise_low_mm_s: f64,
    step_hz: f64,
    amplitude_mm_s: Vec<f64>,
    floor_mm_s: Vec<f64>,
}

impl AxisSpectrum {
    /// From an acceleration spectrum in g; `low_hz` to `high_hz` is kept (ISO 20816: 10 to 1000 Hz, 2 Hz for slow machines).
    pub fn from_acceleration_g(
        axis: Axis,
        spectrum: &AmplitudeSpectrum,
        shaft_hz: f64,
        (low_hz, high_hz): (f64, f64),
    ) -> Self {
        let step_hz = spectrum.step_hz;
        let to_mm_s = |k: usize| STANDARD_GRAVITY * 1e3 / (TAU * k as f64 * step_hz);
        let inside = |k: usize| {
            let hz = k as f64 * step_hz;
            hz >= low_hz && hz <= high_hz && k > 0
        };
        let amplitude_mm_s: Vec<f64> =
            spectrum.amplitudes.iter().enumerate().map(|(k, a)| if inside(k) { a * to_mm_s(k) } else { 0.0 }).collect();
        let power: Vec<f64> = spectrum.amplitudes.iter().map(|a| a * a).collect();
        let reach = ((0.45 * shaft_hz / step_hz).round() as usize).max(8);
        let (mut floor, mut scratch) = (Vec::new(), Vec::new());
        noise_floor(&power, reach, &mut floor, &mut scratch);
        let floor_mm_s: Vec<f64> = floor
            .iter()
            .enumerate()
            .map(|(k, f)| if inside(k) { f.sqrt() * to_mm_s(k) } else { f64::INFINITY })
            .collect();
        let bandwidth = spectrum.window.noise_bandwidth_bins();
        let split = ((10.0 * shaft_hz / step_hz).round() as usize).min(floor.len());
        let noise = |range: std::ops::Range<usize>, of: &dyn Fn(usize) -> f64| {
            (range.map(|k| 0.5 * of(k)).sum::<f64>() / bandwidth).sqrt()
        };
        let rms = (amplitude_mm_s.iter().map(|a| 0.5 * a * a).sum::<f64>() / bandwidth).sqrt();
        Self {
            axis,
            velocity_rms_mm_s: rms,
            noise_high_m_s2: STANDARD_GRAVITY * noise(split..floor.len(), &|k| floor.get(k).copied().unwrap_or(0.0)),
            noise_low_mm_s: noise(0..split, &|k| floor_mm_s.get(k).filter(|f| f.is_finite()).map_or(0.0, |f| f * f)),
            step_hz,
            amplitude_mm_s,
            floor_mm_s,
        }
        .within(high_hz)
    }

    /// Without the lines above the band: nothing is asked of them, and a kept spectrum is so much smaller.
    fn within(mut self, high_hz: f64) -> Self {
        let lines = (high_hz / self.step_hz).floor().clamp(0.0, 1e9) as usize + 1;
        self.amplitude_mm_s.truncate(lines);
        self.floor_mm_s.truncate(lines);
        self
    }

    /// The same with at most `most` lines, to be kept: neighbours become one, as high as the highest of them above the
    /// mean of their floors. A record of 1 s has a line per Hz and stays as it is.
    pub fn thinned(&self, most: usize) -> Self {
        let factor = self.amplitude_mm_s.len().div_ceil(most.max(1)).max(1);
        if factor == 1 {
            return self.clone();
        }
        // Line k of the thinned spectrum stands for the lines around k × factor, so that frequencies stay where they were.
        let half = factor / 2;
        let around = |k: usize, of: &[f64]| -> Vec<f64> {
            let first = (k * factor).saturating_sub(half);
            of.get(first..(first + factor).min(of.len())).unwrap_or_default().to_vec()
        };
        let count = self.amplitude_mm_s.len().div_ceil(factor);
        Self {
            step_hz: self.step_hz * factor as f64,
            amplitude_mm_s: (0..count)
                .map(|k| around(k, &self.amplitude_mm_s).into_iter().fold(0.0, f64::max))
                .collect(),
            floor_mm_s: (0..count)
                .map(|k| {
                    let floors: Vec<f64> = around(k, &self.floor_mm_s).into_iter().filter(|f| f.is_finite()).collect();
                    if floors.is_empty() { f64::INFINITY } else { floors.iter().sum::<f64>() / floors.len() as f64 }
                })
                .collect(),
            ..*self
        }
    }

    /// Number of lines.
    pub fn lines(&self) -> usize {
        self.amplitude_mm_s.len()
    }

    /// Distance of the lines, Hz.
    pub fn step_hz(&self) -> f64 {
        self.step_hz
    }

    /// The line at a frequency: the highest within 1.5 lines or 0.7 %. `None` outside the band.
    pub fn line(&self, hz: f64, shaft_hz: f64) -> Option<Line> {
        let reach_hz = (1.5 * self.step_hz).max(0.007 * hz);
        self.strongest(hz - reach_hz, hz + reach_hz, shaft_hz)
    }

    /// The highest line between two frequencies.
    pub fn strongest(&self, low_hz: f64, high_hz: f64, shaft_hz: f64) -> Option<Line> {
        let first = (low_hz / self.step_hz).ceil().max(1.0) as usize;
        let last = (high_hz / self.step_hz).floor().max(0.0) as usize;
        let (at, amplitude, floor) = (first..=last)
            .filter_map(|k| Some((k, *self.amplitude_mm_s.get(k)?, *self.floor_mm_s.get(k)?)))
            .filter(|(_, _, floor)| floor.is_finite())
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let hz = at as f64 * self.step_hz;
        Some(Line {
            order: hz / shaft_hz,
            hz,
            amplitude_mm_s: amplitude,
            floor_mm_s: floor,
            db: 20.0 * (amplitude.max(f64::MIN_POSITIVE) / floor).log10(),
        })
    }
}

/// All axes at one moment.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Picture {
    /// Shaft speed, Hz.
    pub shaft_hz: f64,
    /// One spectrum per axis measured.
    pub axes: Vec<AxisSpectrum>,
}

impl Picture {
    /// The spectrum of an axis.
    pub fn axis(&self, axis: Axis) -> Option<&AxisSpectrum> {
        self.axes.iter().find(|a| a.axis == axis)
    }

    /// The higher of the radial lines at a frequency.
    pub fn radial(&self, hz: f64) -> Option<(Axis, Line)> {
        self.axes
            .iter()
            .filter(|a| a.axis.is_radial())
            .filter_map(|a| Some((a.axis, a.line(hz, self.shaft_hz)?)))
            .max_by(|a, b| a.1.amplitude_mm_s.total_cmp(&b.1.amplitude_mm_s))
    }

    /// The highest line of any axis at a frequency.
    pub fn any(&self, hz: f64) -> Option<(Axis, Line)> {
        let all = self.axes.iter().filter_map(|a| Some((a.axis, a.line(hz, self.shaft_hz)?)));
        all.max_by(|a, b| a.1.amplitude_mm_s.total_cmp(&b.1.amplitude_mm_s))
    }

    /// The highest velocity of any axis, mm/s RMS.
    pub fn velocity_rms_mm_s(&self) -> f64 {
        self.axes.iter().map(|a| a.velocity_rms_mm_s).fold(0.0, f64::max)
    }
}

/// What is known of the machine; everything may be unknown.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MachineFacts {
    /// Blades or vanes of the impeller or fan.
    pub blades: Option<u32>,
    /// Teeth of the gear on this shaft.
    pub gear_teeth: Option<u32>,
    /// Revolutions of the belt a second.
    pub belt_hz: Option<f64>,
    /// Mains frequency of the motor, Hz.
    pub mains_hz: Option<f64>,
    /// Whether it runs in sleeve bearings.
    pub sleeve_bearings: Option<bool>,
    /// Whether it moves a liquid or a gas.
    pub moves_fluid: Option<bool>,
}
