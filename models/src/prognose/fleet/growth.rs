//! At which wear index past cases ended, and how fast the index grew before.
//!
//! Growth: for accelerating wear the time in which the index covers the second half of its way is ln 2 / k, whatever the
//! onset was. Ends and growth rates of the cases give a normal and a log-normal distribution, widened for their number
//! by the factor √(1 + 1/n).

use crate::prognose::degradation::GrowthPrior;
use crate::prognose::remaining::{
    CheckedRemaining, Known, LevelDoubt, NoForecast, Side, Target, TimeToLimit, forecast_knowing,
};
use crate::reading::{EventTime, Reading};
use serde::{Deserialize, Serialize};

/// Share of the rows taken for healthy, at the beginning.
const HEALTHY_SHARE: f64 = 0.2;
/// Past machines never agree better than this in ln k.
const LEAST_LN_SD: f64 = 0.15;

/// What past failures say of the course of the index.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Growth {
    /// Mean index at the end.
    pub end: f64,
    /// Standard deviation of the same.
    pub end_sd: f64,
    /// Mean healthy index.
    pub healthy: f64,
    /// Growth rate per hour.
    pub rate: GrowthPrior,
}

fn mean_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let var = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0).max(1.0);
    (mean, (var * (1.0 + 1.0 / n)).sqrt())
}

impl Growth {
    pub(super) fn learn(courses: &[&[f64]], step_hours: f64) -> Option<Self> {
        let (mut ends, mut healthy, mut rates) = (Vec::new(), Vec::new(), Vec::new());
        for course in courses {
            let first = ((HEALTHY_SHARE * course.len() as f64) as usize).max(1);
            let start = course.iter().take(first).sum::<f64>() / first as f64;
            let end = *course.last()?;
            let half = 0.5 * (end - start);
            let since = course.iter().rev().take_while(|v| (*v - start) / half > 1.0).count();
            ends.push(end);
            healthy.push(start);
            rates.push((std::f64::consts::LN_2 / (since.max(1) as f64 * step_hours)).ln());
        }
        let ((end, end_sd), (healthy, _), (ln_mean, ln_sd)) = (mean_sd(&ends), mean_sd(&healthy), mean_sd(&rates));
        let good = end != healthy && [end, end_sd, healthy, ln_mean, ln_sd].iter().all(|v| v.is_finite());
        let rate = GrowthPrior { ln_mean, ln_sd: ln_sd.max(LEAST_LN_SD) };
        good.then_some(Self { end, end_sd, healthy, rate })
    }

    /// Hours until the wear index of a machine is where past ones ended: its own trend, to a level known as roughly as their
    /// ends agree, at a growth rate that is theirs as far as its own does not say otherwise.
    ///
    /// # Errors
    /// The reason why there is no forecast.
    pub fn time_to_end(
        &self,
        index: &[Reading],
        now: EventTime,
        params: &CheckedRemaining,
    ) -> Result<TimeToLimit, NoForecast> {
        let way = self.end - self.healthy;
        let side = if way > 0.0 { Side::Upper } else { Side::Lower };
        let doubt = LevelDoubt { healthy: self.healthy, ln_sd: self.end_sd / way.abs() };
        let target = Target { limit: self.end, side, doubt: Some(doubt) };
        let known = Known { growth: Some(self.rate), ..Known::default() };
        let life = forecast_knowing(index, now, &[target], &known, params)?;
        life.targets.first().map_or(Err(NoForecast::NoLimit), |target| target.time)
    }
}
