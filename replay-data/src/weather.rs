//! Air temperature of the site: a day cycle, weather that wanders over weeks, and how much of it an area feels.

use crate::machine::Area;
use crate::noise::{Chance, Wander};

/// Spacing of the precomputed curve; air changes slowly, in between is a straight line.
const GRID_SECS: f64 = 600.0;
/// The weather's standard deviation and correlation time: over two months it moves by about ±8 K.
const WEATHER_SIGMA_K: f64 = 3.2;
const WEATHER_TAU_SECS: f64 = 4.0 * 86_400.0;
/// Half the swing between night and afternoon.
const DAY_SWING_K: f64 = 3.5;

/// Air temperature of one area over the recording.
#[derive(Debug, Clone)]
pub(crate) struct Air {
    grid_celsius: Vec<f64>,
}

impl Air {
    /// The air of `area`; all areas of one seed share the weather outside.
    pub(crate) fn new(seed: u64, area: &Area, days: u32) -> Self {
        let mut chance = Chance::new(seed, &["weather"]);
        let mut weather = Wander::new(WEATHER_SIGMA_K, WEATHER_TAU_SECS, &mut chance);
        // Clear days swing more than cloudy ones.
        let mut clearness = Wander::new(0.25, 2.0 * 86_400.0, &mut chance);
        let count = (f64::from(days) * 86_400.0 / GRID_SECS) as usize + 2;
        let grid_celsius = (0..count)
            .map(|k| {
                let day = k as f64 * GRID_SECS / 86_400.0;
                let slow = weather.step(GRID_SECS, &mut chance);
                let swing = DAY_SWING_K * (1.0 + clearness.step(GRID_SECS, &mut chance)).max(0.2);
                // Coldest at 05:00, warmest at 17:00.
                let cycle = -swing * (std::f64::consts::TAU * (day - 5.0 / 24.0)).cos();
                area.air_celsius + area.weather_share * (slow + cycle)
            })
            .collect();
        Self { grid_celsius }
    }

    /// Mean over the recording.
    pub(crate) fn mean_celsius(&self) -> f64 {
        self.grid_celsius.iter().sum::<f64>() / self.grid_celsius.len().max(1) as f64
    }

    /// Air temperature `secs` after the start of the recording.
    pub(crate) fn celsius(&self, secs: f64) -> f64 {
        let place = (secs / GRID_SECS).max(0.0);
        let last = self.grid_celsius.len().saturating_sub(1);
        let left = (place as usize).min(last);
        let right = (left + 1).min(last);
        let part = (place - left as f64).clamp(0.0, 1.0);
        self.grid_celsius[left] * (1.0 - part) + self.grid_celsius[right] * part
    }
}
