//! Remaining life: hours until a level reaches a limit, with the interval that belongs to it, or why nobody can say.
//!
//! What is forecast is the first time the *level* — the expected block mean, trend and wander without the scatter of
//! single blocks — reaches the limit. Single block means scatter about the level and may be across a little earlier.
//! P10, P50, P90 are quantiles of that time; in them are the uncertainty of level and rate (with autocorrelated noise),
//! of the onset, of linear against exponential and slowing wear and of the growth rate, the wander still to come, that no
//! wear keeps its rate for long, and, where a limit is only roughly known, the doubt about the limit ([`LevelDoubt`]).
//! How earlier statements came out widens or narrows the distribution ([`Correction`], see
//! [`track_record`](super::track_record)).
//!
//! Nothing is said where a guess that knows only how long the trend has lasted would do as well: with a hazard that
//! never changes P90 is ln 10 / ln (10/9) = 21.9 times P10 and P50 ln 2 / ln (10/9) = 6.6 times, whatever its rate. So is
//! what must be exceeded to be silent, both at once, and P90 be beyond the nine times the trend's age of a guess from that
//! age alone.
//!
//! Input: at most a few hundred block means of one indicator in one way of running (typically one per hour run), any
//! spacing; more are pooled to 64 points, so that giving more than a few thousand only costs time. Not for: levels whose
//! load dependence has not been taken out, steps, limits reached by chance load swings.

use super::degradation::{Degradation, DegradationModel, GrowthPrior, Shape};
use super::first_passage::{Passage, normal_cdf, rising_root_between};
use super::points::{Points, usable, without_outliers};
use crate::param::{ParamFault, positive, within};
use crate::reading::{EventTime, Reading};
use serde::{Deserialize, Serialize};
use statrs::function::erf::erfc_inv;
use std::cell::Cell;
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
    /// How roughly the limit is known; `None`: exactly.
    pub doubt: Option<LevelDoubt>,
}

impl Target {
    /// A limit that is exactly known.
    pub fn exact(limit: f64, side: Side) -> Self {
        Self { limit, side, doubt: None }
    }
}

/// A limit known only roughly: its distance from the healthy level is log-normal with the stated limit as median. What
/// the machine has been through already without failing is ruled out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LevelDoubt {
    /// The level the distance is counted from.
    pub healthy: f64,
    /// Standard deviation of the distance's logarithm.
    pub ln_sd: f64,
}

/// Where machines fail of which nobody has said: (median level as a multiple of the healthy one, ln_sd of the rise).
///
/// Open run-to-failure recordings end anywhere from 1.4 to 10 times the healthy level; taken as 5 % and 95 % of a
/// log-normal rise of 0.4 to 9, the median is √(0.4 · 9) and the standard deviation ln(9 / 0.4) / (2 · 1.645). For levels
/// that have a zero, such as vibration; not for temperatures.
pub fn unknown_failure() -> (f64, f64) {
    let (least, most) = (0.4_f64, 9.0_f64);
    (1.0 + (least * most).sqrt(), (most / least).ln() / (2.0 * 1.645))
}

/// What earlier statements teach: the standard score z of the distribution becomes shift + scale · z.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// Standard scores by which the truth came later than stated.
    pub shift: f64,
    /// Spread of the truth in stated standard scores.
    pub scale: f64,
}

impl Default for Correction {
    fn default() -> Self {
        Self { shift: 0.0, scale: 1.0 }
    }
}

impl Correction {
    /// The probability to look up for a stated probability with standard score `z`.
    pub(super) fn probability(&self, z: f64) -> f64 {
        normal_cdf(self.shift + self.scale * z).clamp(1e-4, 1.0 - 1e-4)
    }
}

/// A level on the way to the first target that has a forecast: soon enough reached to learn from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Milestone {
    /// The level.
    pub level: f64,
    /// From which side.
    pub side: Side,
    /// When, hours from now, without any correction.
    pub p10_hours: f64,
    /// Median.
    pub p50_hours: f64,
    /// 90 %.
    pub p90_hours: f64,
}

impl Milestone {
    /// Whether a level is there.
    pub fn is_reached(&self, level: f64) -> bool {
        match self.side {
            Side::Upper => level >= self.level,
            Side::Lower => level <= self.level,
        }
    }

    /// The same statement `hours` later.
    #[must_use]
    pub fn later(self, hours: f64) -> Self {
        let Self { p10_hours, p50_hours, p90_hours, .. } = self;
        Self { p10_hours: p10_hours - hours, p50_hours: p50_hours - hours, p90_hours: p90_hours - hours, ..self }
    }
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
    /// For the record of how well statements hold; `None` when it is not reached within the horizon.
    pub milestone: Option<Milestone>,
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
    /// The interval says no more than a guess that knows nothing but the age of the trend.
    NoBetterThanGuess { p10_hours: f64, p90_hours: f64 },
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
            Self::NoBetterThanGuess { p10_hours, p90_hours } => write!(
                f,
                "too uncertain: between {p10_hours:.0} and {p90_hours:.0} hours, no better than a guess from the age of the trend"
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
/// P90 over P10 of an exponential lifetime: what a constant hazard, hence a guess, gives.
const GUESS_RATIO: f64 = 21.85;
/// Share of the way to the limit at which the milestone stands: near enough to be reached before the forecast is of no
/// more use, far enough to be told from the scatter.
const MILESTONE_SHARE: f64 = 0.4;
/// Standard score of 90 %.
pub(super) const Z90: f64 = 1.281_551_565_544_6;
/// P50 over P10 of the same: what ends late may still begin at a known time.
const GUESS_LOWER_RATIO: f64 = 6.58;
/// A guess from the age s of the trend alone gives 9·s for P90; what ends before that says more, however wide its
/// ratio is.
const GUESS_REACH: f64 = 9.0;
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
    forecast_knowing(blocks, now, targets, &Known { onset_hint, ..Known::default() }, params)
}

/// What else is known of the wear, beside its own past.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Known {
    /// When the trend began; without it, onsets are searched.
    pub onset_hint: Option<EventTime>,
    /// How earlier statements came out.
    pub correction: Correction,
    /// How fast the wear of past machines grew.
    pub growth: Option<GrowthPrior>,
    /// Whether the value's zero means nothing there, as for vibration and unlike degrees Celsius: then the noise may grow
    /// with the level.
    pub has_zero: bool,
}

/// [`forecast`] with what is known beside the blocks.
///
/// # Errors
/// As [`forecast`].
pub fn forecast_knowing(
    blocks: &[Reading],
    now: EventTime,
    targets: &[Target],
    known: &Known,
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
        let hint_hours = known.onset_hint.map(|at| at.hours_since(points.last_at));
        let degradation = Degradation::fit(&points, hint_hours, known).ok_or(flat)?;
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
    let seen = Seen::of(&blocks);
    let clock = Clock { ahead_hours, params: &params.0, seen };
    let targets: Vec<TargetForecast> = targets
        .iter()
        .map(|&target| TargetForecast { target, time: time_to(&degradation, target, known.correction, &clock) })
        .collect();
    match targets.iter().find_map(|t| t.time.err()) {
        Some(reason) if targets.iter().all(|t| t.time.is_err()) => Err(reason),
        _ => {
            let milestone = milestone(&degradation, &targets, &clock);
            Ok(RemainingLife { model: degradation.model, degradation, targets, milestone })
        }
    }
}

/// Highest and lowest level reached so far: medians of three, so that one block alone is none.
#[derive(Debug, Clone, Copy)]
struct Seen {
    highest: f64,
    lowest: f64,
}

impl Seen {
    fn of(blocks: &[Reading]) -> Self {
        let start = Self { highest: f64::NEG_INFINITY, lowest: f64::INFINITY };
        blocks.windows(3).fold(start, |seen, w| {
            let (a, b, c) = (w[0].value, w[1].value, w[2].value);
            let middle = a.min(b).max(a.max(b).min(c));
            Self { highest: seen.highest.max(middle), lowest: seen.lowest.min(middle) }
        })
    }
}

/// What all targets share.
struct Clock<'a> {
    ahead_hours: f64,
    params: &'a RemainingParams,
    seen: Seen,
}

fn milestone(degradation: &Degradation, targets: &[TargetForecast], clock: &Clock<'_>) -> Option<Milestone> {
    let target = targets.iter().find(|t| t.time.is_ok())?.target;
    let level = degradation.shapes.iter().map(|s| s.weight * s.level).sum::<f64>();
    let level = level + MILESTONE_SHARE * (target.limit - level);
    let on_way = Target::exact(level, target.side);
    let times = Times::new(degradation, on_way, clock);
    let span = times.span(clock.params.horizon_hours);
    let at = |z: f64| times.quantile(normal_cdf(z), &span);
    let (p10_hours, p50_hours, p90_hours) = (at(-Z90)?, at(0.0)?, at(Z90)?);
    Some(Milestone { level, side: target.side, p10_hours, p50_hours, p90_hours })
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

/// Standard scores in the middles of seven equally likely parts of a normal distribution.
/// Source: the normal quantile of (i − ½)/7, from R's qnorm as from memory; the test holds them against `normal_cdf`.
const PARTS: [f64; 7] = [-1.465_234, -0.791_639, -0.366_106, 0.0, 0.366_106, 0.791_639, 1.465_234];

/// The standard score of a probability.
pub(super) fn normal_score(p: f64) -> f64 {
    -std::f64::consts::SQRT_2 * erfc_inv(2.0 * p)
}

/// Middles of seven equally likely parts of a log-normal with median 1, of which what lies below `reached` is ruled out.
pub(super) fn survived_parts(reached: f64, ln_sd: f64) -> [f64; 7] {
    let gone = if reached > 0.0 { normal_cdf(reached.ln() / ln_sd) } else { 0.0 };
    PARTS.map(|part| {
        let p = gone + (1.0 - gone) * normal_cdf(part);
        // Beyond all doubt the limit is just ahead.
        (ln_sd * normal_score(p.min(1.0 - 1e-9))).exp().max(reached * (1.0 + 1e-6))
    })
}

/// Distribution of the time to one target: a mixture over shapes, and over limits when the limit is in doubt.
struct Times {
    passages: Vec<ShapePassage>,
}

impl Times {
    fn new(degradation: &Degradation, target: Target, clock: &Clock<'_>) -> Self {
        let spread_var = clock.params.rate_spread * clock.params.rate_spread / degradation.rise.abs();
        let mut passages = Vec::new();
        let mut add = |limit: f64, weight: f64| {
            let target = Target { limit, ..target };
            passages.extend(degradation.shapes.iter().map(|s| {
                let passage = ShapePassage::new(s, target, clock.ahead_hours, spread_var);
                ShapePassage { weight: weight * s.weight, ..passage }
            }));
        };
        match target.doubt {
            Some(LevelDoubt { healthy, ln_sd }) if ln_sd > 0.0 && ln_sd.is_finite() => {
                let sign = if target.side == Side::Upper { 1.0 } else { -1.0 };
                let to_limit = sign * (target.limit - healthy);
                let reached = match target.side {
                    Side::Upper => clock.seen.highest - healthy,
                    Side::Lower => healthy - clock.seen.lowest,
                };
                for part in survived_parts(reached / to_limit, ln_sd) {
                    add(healthy + sign * to_limit * part, 1.0 / PARTS.len() as f64);
                }
            }
            _ => add(target.limit, 1.0),
        }
        Self { passages }
    }

    fn cdf(&self, hours: f64) -> f64 {
        self.passages.iter().map(|p| p.weight * p.cdf(hours)).sum()
    }

    fn mean_drift(&self) -> f64 {
        self.passages.iter().map(|p| p.weight * p.passage.drift).sum()
    }

    /// The times that are stated.
    fn span(&self, horizon_hours: f64) -> Span {
        // Nothing shorter than this is stated: times are rounded by the blocks anyway.
        let least = 1e-6 * horizon_hours;
        let by_least = self.cdf(least);
        let horizon = (horizon_hours, self.cdf(horizon_hours));
        Span { least: (least, by_least), horizon, from: Cell::new((least, by_least)) }
    }

    /// `None`: beyond the horizon. Asked for in rising order each takes fewer steps.
    fn quantile(&self, p: f64, span: &Span) -> Option<f64> {
        let (horizon, by_horizon) = span.horizon;
        if span.least.1 >= p {
            return Some(span.least.0);
        }
        if by_horizon < p {
            return None;
        }
        let mut low = span.from.get();
        if low.1 > p {
            low = span.least;
        }
        // Later ones lie within a few times the one before; the first within a few times the time of a steady pace.
        let mut next = if low == span.least { self.guess() } else { 2.0 * low.0 };
        let mut high = span.horizon;
        while next > low.0 && next < horizon {
            let by_next = self.cdf(next);
            if by_next >= p {
                high = (next, by_next);
                if low != span.least {
                    break;
                }
                next *= 0.5;
            } else {
                low = (next, by_next);
                if high != span.horizon {
                    break;
                }
                next *= 2.0;
            }
        }
        let found = rising_root_between((low.0, low.1 - p), (high.0, high.1 - p), QUANTILE_WIDTH, |t| self.cdf(t) - p);
        span.from.set((found, p));
        Some(found)
    }

    /// A time to begin the search with.
    fn guess(&self) -> f64 {
        let pace =
            self.passages.iter().map(|p| p.weight * (p.passage.drift / p.passage.distance).max(0.0)).sum::<f64>();
        0.5 / pace
    }
}

/// Shortest and longest time that is stated, hours, each with the probability to be there by then.
struct Span {
    least: (f64, f64),
    horizon: (f64, f64),
    /// The last quantile that was found.
    from: Cell<(f64, f64)>,
}

fn time_to(
    degradation: &Degradation,
    target: Target,
    correction: Correction,
    clock: &Clock<'_>,
) -> Result<TimeToLimit, NoForecast> {
    if !target.limit.is_finite() {
        return Err(NoForecast::NoLimit);
    }
    let horizon_hours = clock.params.horizon_hours;
    let times = Times::new(degradation, target, clock);
    let past = times.cdf(0.0);
    if past >= 0.5 {
        return Err(NoForecast::AlreadyPast { probability: past.min(1.0) });
    }
    if times.mean_drift() <= 0.0 {
        return Err(NoForecast::TrendAway);
    }
    let span = times.span(horizon_hours);
    let within_horizon = span.horizon.1.min(1.0);
    let age_hours = clock.ahead_hours + degradation.at.hours_since(degradation.onset);
    stated(|z| times.quantile(correction.probability(z), &span), within_horizon, horizon_hours, age_hours)
}

/// The three quantiles, or why they are not worth saying. `at`: hours at a standard score, `None` beyond the horizon;
/// `age_hours`: of what is extrapolated.
pub(super) fn stated(
    at: impl Fn(f64) -> Option<f64>,
    within_horizon: f64,
    horizon_hours: f64,
    age_hours: f64,
) -> Result<TimeToLimit, NoForecast> {
    let p10_hours = at(-Z90).ok_or(NoForecast::BeyondHorizon { horizon_hours })?;
    let p50_hours = at(0.0).ok_or(NoForecast::TooUncertain { p10_hours, horizon_hours })?;
    let p90_hours = at(Z90);
    // Near the limit a wide ratio is a few hours, and worth saying; a guess has the age of the trend for its scale.
    let upper = p90_hours.unwrap_or(horizon_hours);
    let wide = upper > GUESS_RATIO * p10_hours && p50_hours > GUESS_LOWER_RATIO * p10_hours;
    if wide && upper > GUESS_REACH * age_hours {
        return Err(NoForecast::NoBetterThanGuess { p10_hours, p90_hours: upper });
    }
    Ok(TimeToLimit { p10_hours, p50_hours, p90_hours, within_horizon })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the definition: Φ of the i-th score is (i − ½)/7.
    #[test]
    fn the_parts_are_equally_likely() {
        for (i, z) in PARTS.iter().enumerate() {
            let p = (i as f64 + 0.5) / 7.0;
            assert!((normal_cdf(*z) - p).abs() < 1e-6, "{z}: {}, wanted {p}", normal_cdf(*z));
            assert!((normal_score(p) - z).abs() < 1e-5);
        }
    }
}
