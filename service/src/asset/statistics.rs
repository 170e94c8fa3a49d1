//! Rolling statistics of one condition point while the machine runs: what the condition document shows of it.

use super::settings::Settings;
use roundsman_models::manipulate::ewma::{Ewma, EwmaParams};
use roundsman_models::manipulate::moments::Moments;
use roundsman_models::manipulate::quantiles::QuantileSketch;
use roundsman_models::manipulate::rate::{RateOfChange, RateParams};
use roundsman_models::manipulate::remembered::Remembered;
use roundsman_models::manipulate::window::{RollingMedian, WindowParams};
use roundsman_models::{EventTime, Reading};
use serde::{Deserialize, Serialize};

/// Values in the rolling median: an hour at five minutes.
const WINDOW: usize = 12;

/// Rolling statistics of one point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Statistics {
    /// Since the asset was registered or relearned.
    pub moments: Moments,
    /// Exponentially weighted over one learning period.
    pub weighted: Option<Ewma>,
    /// Median and MAD of the last values.
    pub window: Option<RollingMedian>,
    /// Quantiles since the asset was registered or relearned.
    pub quantiles: QuantileSketch,
    /// Rate of change over the last hours.
    pub rate: Option<RateOfChange>,
}

impl Statistics {
    /// Empty.
    pub fn new(settings: &Settings) -> Self {
        let learn = settings.learn.run_time_secs;
        Self {
            moments: Moments::new(),
            weighted: EwmaParams { time_constant_secs: learn }.check().ok().map(Ewma::new),
            window: WindowParams { length: WINDOW }.check().ok().map(RollingMedian::new),
            quantiles: QuantileSketch::new(),
            rate: RateParams { window_secs: 0.25 * learn }.check().ok().map(RateOfChange::new),
        }
    }

    /// Takes a value; one that is not finite changes nothing.
    /// Takes one value; `weight` is that of the newest one, for all points together.
    pub fn update(&mut self, at: EventTime, value: f64, weight: &mut Remembered) {
        self.moments.update(value);
        let reading = Reading { at, value };
        if let Some(w) = &mut self.weighted {
            w.update_with(reading, weight);
        }
        if let Some(w) = &mut self.window {
            w.update(value);
        }
        self.quantiles.update(value);
        if let Some(r) = &mut self.rate {
            r.take(reading);
        }
    }
}
