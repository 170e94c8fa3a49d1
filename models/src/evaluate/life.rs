//! Forecasts of remaining life against the life that remained.
//!
//! With r* the true and r the forecast (P50) remaining life in hours, at forecast i:
//!
//! ```text
//! held            p10 ≤ r* ≤ p90          an end out of sight (`None`) is later than anything
//! width           (p90 − p10) / r*        only where both ends are in sight
//! factor of two   r*/2 ≤ r ≤ 2 r*
//! within α        (1 − α) r* ≤ r ≤ (1 + α) r*
//! relative accuracy          RA = 1 − |r* − r| / r*                         1 is right, below 0 worse than nothing
//! cumulative rel. accuracy   mean of RA over all forecasts with a P50, all weights 1
//! α-λ accuracy               whether the forecast in force at t = t_P + λ (t_end − t_P) is within α; t_P: the first
//! prognostic horizon         t_end − t of the first forecast with |r − r*| ≤ α (t_end − t_begin)
//! earliest useful            t_end − t of the first forecast within a factor of two from which on at least 80 % are
//! ```
//!
//! One pass and one list of forecasts; not for the hot path. A forecast without P50 is out of sight: it is no hit of any
//! kind, but its interval can hold.
//!
//! Source: Saxena, Celaya, Saha, Saha & Goebel (2010), Metrics for offline evaluation of prognostic performance,
//! International Journal of Prognostics and Health Management 1(1): prognostic horizon, α-λ accuracy, (cumulative) relative
//! accuracy; from memory. DIFFERENCE: the paper asks for a probability mass β within the bounds; three quantiles do not give
//! a mass, so P50 stands for it, which is β = 0.5 wherever the mass lies on both sides of P50 within the bounds.
//! *Earliest useful* is our own: the horizon of the paper counts one lucky forecast.

use super::share;
use crate::param::within;
use crate::{EventTime, ParamFault};
use serde::{Deserialize, Serialize};

/// A forecast of hours left; `None`: out of sight.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// When it was made; hours count from here.
    pub at: EventTime,
    /// 10 % of the distribution.
    pub p10_hours: Option<f64>,
    /// Median.
    pub p50_hours: Option<f64>,
    /// 90 %.
    pub p90_hours: Option<f64>,
}

/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `alpha` | 0.2 | share of the true remaining life | 0 to 1 |
/// | `lambda` | 0.5 | share of the time from first forecast to end | 0 to 1 |
/// | `useful_share` | 0.8 | share of later forecasts within a factor of two | 0 to 1 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LifeParams {
    /// Accepted error.
    pub alpha: f64,
    /// Where on the way α-λ and relative accuracy look.
    pub lambda: f64,
    /// How many of the later forecasts must be good for one to count as useful.
    pub useful_share: f64,
}

impl Default for LifeParams {
    /// α and λ as common in the paper's examples (from memory).
    fn default() -> Self {
        Self { alpha: 0.2, lambda: 0.5, useful_share: 0.8 }
    }
}

impl LifeParams {
    /// Whether they can be used.
    ///
    /// # Errors
    /// Every one that cannot.
    pub fn check(self) -> Result<Self, Vec<ParamFault>> {
        let faults: Vec<_> = [
            within("alpha", self.alpha, 0.0, 1.0),
            within("lambda", self.lambda, 0.0, 1.0),
            within("useful_share", self.useful_share, 0.0, 1.0),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(self) } else { Err(faults) }
    }
}

/// How one true end was forecast. Sums of several ends are made with [`LifeScore::add`].
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LifeScore {
    /// Forecasts judged: made from the beginning up to before the end.
    pub forecasts: u64,
    /// P10 to P90 held the true life.
    pub held: u64,
    /// Both ends of the interval were in sight.
    pub closed: u64,
    /// Sum of the widths of those over the true life.
    pub width_sum: f64,
    /// P50 within a factor of two.
    pub factor_two: u64,
    /// P50 within α.
    pub within_alpha: u64,
    /// P50 in sight.
    pub central: u64,
    /// Sum of their relative accuracies.
    pub relative_sum: f64,
    /// Ends that had a forecast in force at λ, and of them those within α.
    pub at_lambda: u64,
    /// See `at_lambda`.
    pub alpha_lambda: u64,
    /// Relative accuracy at λ; of one end only.
    pub relative_at_lambda: Option<f64>,
    /// Hours before the end of the first forecast; of one end only.
    pub first_hours: Option<f64>,
    /// Prognostic horizon, hours; of one end only.
    pub horizon_hours: Option<f64>,
    /// Earliest useful forecast, hours before the end; of one end only.
    pub useful_hours: Option<f64>,
}

impl LifeScore {
    /// Share of intervals that held.
    pub fn coverage(&self) -> Option<f64> {
        share(self.held, self.forecasts)
    }

    /// Mean of interval width over true life, of intervals with both ends in sight.
    pub fn mean_width(&self) -> Option<f64> {
        (self.closed > 0).then(|| self.width_sum / self.closed as f64)
    }

    /// Share of intervals with an end out of sight: their width is in no mean.
    pub fn open_share(&self) -> Option<f64> {
        share(self.forecasts - self.closed.min(self.forecasts), self.forecasts)
    }

    /// Share of P50 within a factor of two.
    pub fn factor_two_share(&self) -> Option<f64> {
        share(self.factor_two, self.forecasts)
    }

    /// Share of P50 within α.
    pub fn alpha_share(&self) -> Option<f64> {
        share(self.within_alpha, self.forecasts)
    }

    /// Share of ends whose forecast in force at λ was within α.
    pub fn alpha_lambda_share(&self) -> Option<f64> {
        share(self.alpha_lambda, self.at_lambda)
    }

    /// Cumulative relative accuracy.
    pub fn cumulative_relative_accuracy(&self) -> Option<f64> {
        (self.central > 0).then(|| self.relative_sum / self.central as f64)
    }

    /// Adds another end. What is of one end only is dropped.
    pub fn add(&mut self, other: &LifeScore) {
        self.forecasts += other.forecasts;
        self.held += other.held;
        self.closed += other.closed;
        self.width_sum += other.width_sum;
        self.factor_two += other.factor_two;
        self.within_alpha += other.within_alpha;
        self.central += other.central;
        self.relative_sum += other.relative_sum;
        self.at_lambda += other.at_lambda;
        self.alpha_lambda += other.alpha_lambda;
        self.relative_at_lambda = None;
        self.first_hours = None;
        self.horizon_hours = None;
        self.useful_hours = None;
    }
}

/// Judges forecasts made in `[begin, end)` against `end`. They come in the order of time; others and hours that are not
/// finite or negative count as out of sight, never as a hit.
pub fn score(forecasts: &[Forecast], begin: EventTime, end: EventTime, params: LifeParams) -> LifeScore {
    let mut score = LifeScore::default();
    let judged: Vec<&Forecast> = forecasts.iter().filter(|said| said.at >= begin && said.at < end).collect();
    let life_hours = end.hours_since(begin);
    let mut good: Vec<(f64, bool)> = Vec::with_capacity(judged.len());
    for said in &judged {
        let left = end.hours_since(said.at);
        let [p10, p50, p90] =
            [said.p10_hours, said.p50_hours, said.p90_hours].map(|hours| hours.filter(|h| h.is_finite() && *h >= 0.0));
        score.forecasts += 1;
        score.held += u64::from(p10.is_some_and(|p10| p10 <= left) && p90.is_none_or(|p90| left <= p90));
        if let (Some(p10), Some(p90)) = (p10, p90) {
            score.closed += 1;
            score.width_sum += (p90 - p10) / left;
        }
        let within_two = p50.is_some_and(|p50| p50 >= left / 2.0 && p50 <= 2.0 * left);
        score.factor_two += u64::from(within_two);
        good.push((left, within_two));
        score.within_alpha += u64::from(p50.is_some_and(|p50| is_within(p50, left, params.alpha)));
        if let Some(p50) = p50 {
            score.central += 1;
            score.relative_sum += relative_accuracy(p50, left);
            if score.horizon_hours.is_none() && (p50 - left).abs() <= params.alpha * life_hours {
                score.horizon_hours = Some(left);
            }
        }
    }
    score.first_hours = good.first().map(|(left, _)| *left);
    if let Some(first) = judged.first() {
        let look_at = first.at.plus_secs(params.lambda * end.secs_since(first.at));
        if let Some(said) = judged.iter().rev().find(|said| said.at <= look_at) {
            score.at_lambda = 1;
            let left = end.hours_since(said.at);
            let p50 = said.p50_hours.filter(|hours| hours.is_finite() && *hours >= 0.0);
            score.alpha_lambda = u64::from(p50.is_some_and(|p50| is_within(p50, left, params.alpha)));
            score.relative_at_lambda = p50.map(|p50| relative_accuracy(p50, left));
        }
    }
    // From the end backwards, so that the share of all later ones is a running count.
    let (mut later, mut hits) = (0u64, 0u64);
    for &(left, within_two) in good.iter().rev() {
        later += 1;
        hits += u64::from(within_two);
        if within_two && hits as f64 >= params.useful_share * later as f64 {
            score.useful_hours = Some(left);
        }
    }
    score
}

fn is_within(p50: f64, left: f64, alpha: f64) -> bool {
    p50 >= (1.0 - alpha) * left && p50 <= (1.0 + alpha) * left
}

/// `left` is above 0.
fn relative_accuracy(p50: f64, left: f64) -> f64 {
    1.0 - (left - p50).abs() / left
}
