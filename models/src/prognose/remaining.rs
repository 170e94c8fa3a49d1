//! Remaining life: hours until a level reaches a limit, with the interval that belongs to it, or why nobody can say.
//!
//! What is forecast is the first time the *level* — the expected block mean, trend and wander without the scatter of
//! single blocks — reaches the limit. Single block means scatter about the level and may be across a little earlier.
//! P10, P50, P90 are quantiles of that time; in them are the uncertainty of level and rate (with autocorrelated noise),
//! of the onset, of linear against exponential wear and of the growth rate, the wander still to come, and that no wear
//! keeps its rate for long.
//!
//! Input: at most a few hundred block means of one indicator in one way of running (typically one per hour run), any
//! spacing; more are pooled to 64 points, so that giving more than a few thousand only costs time. Not for: levels whose
//! load dependence has not been taken out, steps, limits reached by chance load swings.

use super::degradation::{Degradation, DegradationModel, Shape};
use super::first_passage::{Passage, rising_root};
use super::points::{Points, usable, without_outliers};
use crate::param::{ParamFault, positive, within};
use crate::reading::{EventTime, Reading};
use serde::{Deserialize, Serialize};
use std::fmt;

/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `min_blocks` | 12 | blocks | 10 to 10000 |
/// | `min_trend_t` | 3 | standard errors of the rise | 1 to 20 |
/// | `horizon_hours` | 8760 | hours | above 0 |
/// | `rate_spread` | 0.15 | share of the rate | 0 to 1 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RemainingParams {
    /// Fewer usable blocks than this give no forecast.
    pub min_blocks: f64,
    /// The rise must be this many of its standard errors.
    pub min_trend_t: f64,
    /// No time beyond this is stated.
    pub horizon_hours: f64,
    /// How badly wear keeps its rate: relative standard deviation of the mean rate over a stretch in which the level moves
    /// as far again as it has since onset; grows with the square root of the distance. However smooth the past, nobody can
    /// tell a rate from it for several times its length. Our judgement, not a published figure.
    pub rate_spread: f64,
}

impl Default for RemainingParams {
    fn default() -> Self {
        Self { min_blocks: 12.0, min_trend_t: 3.0, horizon_hours: 365.0 * 24.0, rate_spread: 0.15 }
    }
}

/// Settings in range; only [`RemainingParams::check`] makes one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckedRemaining(RemainingParams);

impl RemainingParams {
    /// All settings out of range at once.
    pub fn check(self) -> Result<CheckedRemaining, Vec<ParamFault>> {
        let faults: Vec<_> = [
            within("min_blocks", self.min_blocks, 10.0, 10_000.0),
            within("min_trend_t", self.min_trend_t, 1.0, 20.0),
            positive("horizon_hours", self.horizon_hours),
            within("rate_spread", self.rate_spread, 0.0, 1.0),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(CheckedRemaining(self)) } else { Err(faults) }
    }
}

/// Which way the limit is crossed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Reached by rising.
    Upper,
    /// Reached by falling.
    Lower,
}

/// A limit, in the unit of the blocks.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Target {
    /// The value to be reached.
    pub limit: f64,
    /// From which side.
    pub side: Side,
}

/// Quantiles of the time from now to the limit, hours. `None`: not within the horizon.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TimeToLimit {
    /// Reached before this with 10 % probability: the time to be ready by.
    pub p10_hours: f64,
    /// As likely before as after.
    pub p50_hours: f64,
    /// Reached by then with 90 % probability; `None` when that is beyond the horizon.
    pub p90_hours: Option<f64>,
    /// Probability that the limit is reached within the horizon.
    pub within_horizon: f64,
}

/// One target's forecast, or why it has none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TargetForecast {
    /// The limit asked for.
    pub target: Target,
    /// Hours from now, or the reason.
    pub time: Result<TimeToLimit, NoForecast>,
}

/// Remaining life: the fit and the times, at least one of which is there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RemainingLife {
    /// The wear model with the larger share of the evidence.
    pub model: DegradationModel,
    /// The fit behind it.
    pub degradation: Degradation,
    /// In the order the targets were given.
    pub targets: Vec<TargetForecast>,
}

/// Why there is no credible forecast; `Display` says it in a plain sentence without a full stop.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "fields are said by Display and the variants' own lines")]
pub enum NoForecast {
    /// No limit was given.
    NoLimit,
    /// Too few usable blocks.
    TooFewBlocks { have: usize, need: usize },
    /// The last block is too old for the length of the history: more than half of it.
    Stale { hours: f64 },
    /// The rise could be chance; `t` is in standard errors.
    NoTrend { t: f64, need: f64 },
    /// The rise came as a step, not as wear, and there are too few blocks since.
    Jump { share: f64 },
    /// It rose, but the latest stretch no longer does.
    TrendStopped,
    /// The level moves away from this limit.
    TrendAway,
    /// The level is across already.
    AlreadyPast { probability: f64 },
    /// Not within the horizon, with 90 % probability.
    BeyondHorizon { horizon_hours: f64 },
    /// It could be soon, and it could be never: no median within the horizon.
    TooUncertain { p10_hours: f64, horizon_hours: f64 },
}

impl fmt::Display for NoForecast {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::NoLimit => write!(f, "no limit is set"),
            Self::TooFewBlocks { have, need } => write!(f, "too few blocks: {have} of the {need} needed"),
            Self::Stale { hours } => {
                write!(f, "the last block is {hours:.0} hours old, too long for so short a history")
            }
            Self::NoTrend { t, need } => {
                write!(
                    f,
                    "no significant trend: the change is {:.1} times its standard error, {need:.1} needed",
                    t.abs()
                )
            }
            Self::Jump { share } => {
                write!(
                    f,
                    "the level jumped: {:.0} % of the change came at once, and too few blocks have come since",
                    share * 100.0
                )
            }
            Self::TrendStopped => write!(f, "the trend has stopped or turned lately"),
            Self::TrendAway => write!(f, "the trend goes away from the limit"),
            Self::AlreadyPast { probability } => {
                write!(f, "the limit is reached already (probability {:.0} %)", probability * 100.0)
            }
            Self::BeyondHorizon { horizon_hours } => {
                write!(f, "not within {:.0} days at the present trend", horizon_hours / 24.0)
            }
            Self::TooUncertain { p10_hours, horizon_hours } => write!(
                f,
                "too uncertain: it could be in {:.0} hours, but more likely not within {:.0} days",
                p10_hours,
                horizon_hours / 24.0
            ),
        }
    }
}

/// When the latest third moves by less than this share of what the trend asks there, the trend has stopped.
const STOPPED_SHARE: f64 = 0.25;
/// A rise with more than this share in one step is a step: the forecast begins anew after it.
const JUMP_SHARE: f64 = 0.5;
/// The last block may be this share of the history's length old.
const MOST_AHEAD: f64 = 0.5;
/// Relative width to which quantiles are found.
const QUANTILE_WIDTH: f64 = 1e-4;

/// Hours from `now` until the level reaches each target.
///
/// `blocks`: (time, block mean); not finite ones and those after `now` are left out, order does not matter.
/// `onset_hint`: when the trend began, as the drift detector dates it; without one, onsets are searched.
///
/// # Errors
/// The reason why no target has a forecast: the one common to all, or that of the first target.
pub fn forecast(
    blocks: &[Reading],
    now: EventTime,
    targets: &[Target],
    onset_hint: Option<EventTime>,
    params: &CheckedRemaining,
) -> Result<RemainingLife, NoForecast> {
    let RemainingParams { min_blocks, min_trend_t, .. } = params.0;
    if !targets.iter().any(|t| t.limit.is_finite()) {
        return Err(NoForecast::NoLimit);
    }
    let mut blocks = without_outliers(&usable(blocks, now));
    let need = min_blocks.ceil() as usize;
    let mut jumped = None;
    let degradation = loop {
        if blocks.len() < need {
            return Err(jumped.unwrap_or(NoForecast::TooFewBlocks { have: blocks.len(), need }));
        }
        let flat = NoForecast::NoTrend { t: 0.0, need: min_trend_t };
        let points = Points::pool(&blocks).ok_or(flat)?;
        let hint_hours = onset_hint.map(|at| at.hours_since(points.last_at));
        let degradation = Degradation::fit(&points, hint_hours).ok_or(flat)?;
        if degradation.rise_t.is_nan() {
            return Err(flat);
        }
        if degradation.rise_t.abs() < min_trend_t {
            return Err(NoForecast::NoTrend { t: degradation.rise_t, need: min_trend_t });
        }
        if degradation.jump_share <= JUMP_SHARE {
            break degradation;
        }
        // What was before a step says nothing of what comes after it.
        jumped = Some(NoForecast::Jump { share: degradation.jump_share.min(1.0) });
        blocks.drain(..points.after_jump.max(1));
    };
    if degradation.lately_share < STOPPED_SHARE {
        return Err(NoForecast::TrendStopped);
    }
    let ahead_hours = now.hours_since(degradation.at);
    if ahead_hours > MOST_AHEAD * degradation.span_hours {
        return Err(NoForecast::Stale { hours: ahead_hours });
    }
    let targets: Vec<TargetForecast> = targets
        .iter()
        .map(|&target| TargetForecast { target, time: time_to(&degradation, target, ahead_hours, &params.0) })
        .collect();
    match targets.iter().find_map(|t| t.time.err()) {
        Some(reason) if targets.iter().all(|t| t.time.is_err()) => Err(reason),
        _ => Ok(RemainingLife { model: degradation.model, degradation, targets }),
    }
}

/// First passage under one shape: a linear passage in that shape's own time.
#[derive(Debug, Clone, Copy)]
struct ShapePassage {
    weight: f64,
    growth_per_hour: f64,
    passage: Passage,
}

/// More growth than e to this power changes no probability, and its square still is a number.
const MOST_GROWTH: f64 = 100.0;

/// Hours → the time in which exponential wear is linear: (exp(k t) − 1)/k, t itself for k = 0.
fn own_time(growth_per_hour: f64, hours: f64) -> f64 {
    if growth_per_hour == 0.0 { hours } else { (growth_per_hour * hours).min(MOST_GROWTH).exp_m1() / growth_per_hour }
}

impl ShapePassage {
    fn new(shape: &Shape, target: Target, ahead_hours: f64, spread_var: f64) -> Self {
        let sign = if target.side == Side::Upper { 1.0 } else { -1.0 };
        // From the last point to now, along the shape.
        let ahead = own_time(shape.growth_per_hour, ahead_hours);
        let grown = (shape.growth_per_hour * ahead_hours).min(MOST_GROWTH).exp();
        let level = shape.level + shape.rate_per_hour * ahead;
        let level_var =
            shape.level_var + ahead * (2.0 * shape.covariance + ahead * shape.rate_var + shape.wander_var_per_hour);
        let distance = sign * (target.limit - level);
        let drift = sign * shape.rate_per_hour * grown;
        Self {
            weight: shape.weight,
            growth_per_hour: shape.growth_per_hour,
            passage: Passage {
                distance,
                distance_var: level_var,
                drift,
                drift_var: shape.rate_var * grown * grown + drift * drift * spread_var * distance.max(0.0),
                covariance: -(shape.covariance + ahead * shape.rate_var) * grown,
                wander_var: shape.wander_var_per_hour * grown,
            },
        }
    }

    fn cdf(&self, hours: f64) -> f64 {
        self.passage.cdf(own_time(self.growth_per_hour, hours))
    }
}

fn time_to(
    degradation: &Degradation,
    target: Target,
    ahead_hours: f64,
    params: &RemainingParams,
) -> Result<TimeToLimit, NoForecast> {
    if !target.limit.is_finite() {
        return Err(NoForecast::NoLimit);
    }
    let horizon_hours = params.horizon_hours;
    let spread_var = params.rate_spread * params.rate_spread / degradation.rise.abs();
    let passages: Vec<ShapePassage> =
        degradation.shapes.iter().map(|s| ShapePassage::new(s, target, ahead_hours, spread_var)).collect();
    let mixture = |hours: f64| passages.iter().map(|p| p.weight * p.cdf(hours)).sum::<f64>();
    let past = mixture(0.0);
    if past >= 0.5 {
        return Err(NoForecast::AlreadyPast { probability: past.min(1.0) });
    }
    if passages.iter().map(|p| p.weight * p.passage.drift).sum::<f64>() <= 0.0 {
        return Err(NoForecast::TrendAway);
    }
    let within_horizon = mixture(horizon_hours).min(1.0);
    if within_horizon.is_nan() || within_horizon < 0.1 {
        return Err(NoForecast::BeyondHorizon { horizon_hours });
    }
    // Nothing shorter than this is stated: times are rounded by the blocks anyway.
    let least = 1e-6 * horizon_hours;
    let quantile = |p: f64, low: f64, high: f64| {
        if mixture(low) >= p { low } else { rising_root(low, high, QUANTILE_WIDTH, |t| mixture(t) - p) }
    };
    if within_horizon < 0.5 {
        let p10_hours = quantile(0.1, least, horizon_hours);
        return Err(NoForecast::TooUncertain { p10_hours, horizon_hours });
    }
    let p50_hours = quantile(0.5, least, horizon_hours);
    let p10_hours = quantile(0.1, least, p50_hours);
    let p90_hours = (within_horizon >= 0.9).then(|| quantile(0.9, p50_hours, horizon_hours));
    Ok(TimeToLimit { p10_hours, p50_hours, p90_hours, within_horizon })
}
