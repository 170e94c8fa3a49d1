//! What the block means say about wear: how far the level is, how fast it moves, how sure both are.
//!
//! Model: level = healthy + rise · shape(t), where shape is 0 until the onset and then grows to 1 at the last point,
//! either linearly or as (exp(k·s) − 1) / (exp(k·S) − 1), s hours after onset, k the growth rate, S now. A positive k is
//! wear that feeds on itself, a negative one wear that slows down and may never get to the limit. Noise on top:
//! autocorrelated scatter of the block means and a wander of the level itself (see `whiten`), both either the same at every
//! level or, where the value has a zero, growing with it, as the scatter of a vibration does.
//!
//! Nobody knows the onset, the growth rate or the correlation of the noise, and choosing one best set would make the
//! forecast far too sure of itself. So all are tried on a grid; in each cell healthy level and rise follow by generalised
//! least squares, and the cell gets its posterior weight: restricted likelihood × prior, of which linear wear has 0.35,
//! exponential wear 0.57 and slowing wear 0.08, spread evenly over their growth rates. Cells with the same growth rate are then merged into one
//! bivariate normal of (level, rate) with the same mean and covariance, their evidence discounted a little because real
//! wear is none of them (`EVIDENCE_POWER`). The result is the mix of the three by evidence.
//!
//! Cost: about (points ≤ 64) × (cells: some 110) × (noise settings: 22). Pure; order of the blocks does not matter.
//! Not for: levels that change because the load does (take that out first), or steps.
//!
//! Sources: generalised least squares and restricted likelihood: Harville (1977), JASA 72; wear as a time-transformed
//! Wiener process: Whitmore & Schenkelberg (1997), Lifetime Data Analysis 3 (both from memory).

use super::points::Points;
use super::remaining::Known;
use super::whiten::{Filtered, Gain, Noise, Whitener};
use crate::reading::EventTime;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How wear goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DegradationModel {
    /// The same rise every hour.
    Linear,
    /// A rise that grows by the same share every hour.
    Exponential,
    /// A rise that loses the same share of its pace every hour.
    Slowing,
}

impl DegradationModel {
    /// `linear`, `exponential` or `slowing`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Linear => "linear",
            Self::Exponential => "exponential",
            Self::Slowing => "slowing",
        }
    }
}

impl fmt::Display for DegradationModel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// One growth rate and what the data say under it, at the last point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shape {
    /// Growth rate k per hour; 0 is linear wear, below 0 wear that slows down.
    pub growth_per_hour: f64,
    /// Posterior weight; all shapes together 1.
    pub weight: f64,
    /// Level (expected block mean).
    pub level: f64,
    /// Its rate of change per hour, now.
    pub rate_per_hour: f64,
    /// Variance of the level.
    pub level_var: f64,
    /// Variance of the rate.
    pub rate_var: f64,
    /// Covariance of level and rate.
    pub covariance: f64,
    /// Variance per hour of the level's wander about the trend.
    pub wander_var_per_hour: f64,
}

/// The fit: a mix of shapes, and a summary of it in words an engineer can check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Degradation {
    /// Shapes with a weight worth keeping: linear, then growing, then slowing ones.
    pub shapes: Vec<Shape>,
    /// Time of the last point, which all shapes refer to.
    pub at: EventTime,
    /// The model with the largest share of the weight.
    pub model: DegradationModel,
    /// Weight of all exponential shapes together.
    pub exponential_weight: f64,
    /// Weight of all slowing shapes together.
    pub slowing_weight: f64,
    /// Onset of the trend: posterior mean.
    pub onset: EventTime,
    /// Level before the onset: posterior mean.
    pub healthy: f64,
    /// Rise from the healthy level until now: posterior mean; negative when the level falls.
    pub rise: f64,
    /// Rise divided by its standard deviation: significance of the trend, autocorrelation accounted for.
    pub rise_t: f64,
    /// Standard deviation of the points about the trend (autocorrelated part).
    pub residual_sd: f64,
    /// Correlation of that part between points one step apart.
    pub autocorrelation: f64,
    /// Median spacing of the points, hours; a point may pool several blocks.
    pub step_hours: f64,
    /// Time from the first point to the last, hours.
    pub span_hours: f64,
    /// Blocks pooled into one point.
    pub pooled: usize,
    /// Rate over the latest third of the time since onset, as a share of what the trend asks there: about 1 while it goes
    /// on, about 0 when it has stopped, negative when it has turned.
    pub lately_share: f64,
    /// The largest change within two blocks as a share of the rise; 0 when it is within the blocks' scatter.
    pub jump_share: f64,
}

/// Noise settings tried: correlation and wander variance per step, each with its prior weight. A little more than half
/// of the prior is on levels that do not wander. Per step of at most 64 points: 0.02 moves the level by about one scatter over the whole
/// stretch, 0.2 by three, 2 is next to a pure Wiener process.
const NOISES: [(Noise, f64); 11] = [
    (Noise { memory: 0.0, wander: 0.0 }, 0.125),
    (Noise { memory: 0.3, wander: 0.0 }, 0.125),
    (Noise { memory: 0.6, wander: 0.0 }, 0.125),
    (Noise { memory: 0.8, wander: 0.0 }, 0.125),
    (Noise { memory: 0.92, wander: 0.0 }, 0.0625),
    (Noise { memory: 0.0, wander: 0.02 }, 0.075),
    (Noise { memory: 0.0, wander: 0.2 }, 0.075),
    (Noise { memory: 0.0, wander: 2.0 }, 0.075),
    (Noise { memory: 0.5, wander: 0.02 }, 0.075),
    (Noise { memory: 0.5, wander: 0.2 }, 0.075),
    (Noise { memory: 0.8, wander: 0.1 }, 0.0625),
];

/// Points a level is smoothed over before the noise is taken to grow with it.
const SMOOTHED: usize = 9;
/// Least ratio of highest to lowest level from which it is asked whether the noise grows with the level.
const TELLING_RATIO: f64 = 1.3;

/// Growth over the time since onset, k·S, within which an exponential is told from a line and still seen before its end.
const GROWTH_RANGE: (f64, f64) = (0.6, 8.0);
/// Growth rates tried, in units of 1/(time spanned by all points): a geometric series with ratio 4/3. With a late onset S
/// is a fraction of the whole time, hence the large ones.
const GROWTHS: [f64; 13] = [0.75, 1.0, 1.33, 1.78, 2.37, 3.16, 4.21, 5.6, 7.5, 10.0, 13.3, 17.8, 23.7];
/// The same of slowing wear: a weaker bend cannot be told from a line, a stronger one has stopped.
const SLOWING: [f64; 5] = [-0.75, -1.33, -2.37, -4.21, -7.5];
/// Slowing over the time since onset, |k|·S.
const SLOWING_RANGE: (f64, f64) = (0.6, 4.0);
/// Prior shares of linear and of slowing wear; the rest is exponential. Most wear accelerates, and taking it for linear
/// errs to the unsafe side; what slows down is a minority (our judgement), but calling it steady cries wolf. Below a
/// tenth, so that P90 is not *never* for want of evidence.
const LINEAR_PRIOR: f64 = 0.35;
const SLOWING_PRIOR: f64 = 0.08;
/// Power to which the evidence for a shape is raised. Real wear is neither of the two models, so that evidence piled up on
/// one shape is less telling than it says. The figure was chosen on the simulated wear of `tests/remaining_calibration.rs`:
/// at 1 the intervals there are too narrow for wear that wanders, at 0.5 wider than any use. Generalised posteriors:
/// Bissiri, Holmes & Walker (2016), JRSS B 78 (from memory).
const EVIDENCE_POWER: f64 = 0.8;
/// Onsets tried when nobody gives a hint, as shares of the points passed.
const ONSETS: [f64; 11] = [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.58, 0.66, 0.74, 0.8, 0.86];
/// Onsets tried about a hint, as shares of the time from the hint to now; negative is before it.
const HINT_OFFSETS: [f64; 7] = [-0.5, -0.25, -0.1, 0.0, 0.1, 0.25, 0.5];
/// Points after an onset below which no shape can be told.
const MIN_POINTS_AFTER_ONSET: usize = 8;
/// Cells and shapes with less than this of the largest weight are left out.
const NEGLIGIBLE: f64 = 1e-3;

/// A weight this many powers of e below the highest is lost: beside the highest it is less than its last digit.
const LOST: f64 = 37.0;
/// Evidence of a cell below this share of the highest: over at most [`NOISES`] under two scalings each weight, tempered, is
/// below 22 · (1e-7)^0.8, a [`NEGLIGIBLE`] part.
const TEMPERED: f64 = 1e-7;

/// Natural logarithm of a positive normal number, to 1e-12: without a call or a branch, so that several cells go at a time.
/// With x = 2ᵉ m, m within a factor of √2 of 1, and s = (m − 1)/(m + 1): ln m = 2 (s + s³/3 + s⁵/5 + …).
#[inline]
fn ln(x: f64) -> f64 {
    const MANTISSA: u64 = (1 << 52) - 1;
    // The bits of √½: what is above it has the mantissa below 1 and the exponent one more.
    const ROOT_HALF: u64 = 0x3fe6_a09e_667f_3bcd;
    let up = x.to_bits().wrapping_add((1.0_f64).to_bits() - ROOT_HALF);
    let exponent = f64::from((up >> 52) as i32 - 1023);
    let m = f64::from_bits((up & MANTISSA) + ROOT_HALF);
    let s = (m - 1.0) / (m + 1.0);
    let q = s * s;
    let series = 1.0 / 3.0 + q * (1.0 / 5.0 + q * (1.0 / 7.0 + q * (1.0 / 9.0 + q * (1.0 / 11.0 + q * (1.0 / 13.0)))));
    exponent * std::f64::consts::LN_2 + 2.0 * s * (1.0 + q * series)
}

/// What past machines say of the growth rate k per hour: ln k is normal. Linear and slowing wear then keep
/// [`PRIOR_LEFT`] of the prior between them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GrowthPrior {
    /// Mean of ln k.
    pub ln_mean: f64,
    /// Its standard deviation.
    pub ln_sd: f64,
}

/// Prior share of wear that is not exponential when past machines' wear was.
const PRIOR_LEFT: f64 = 0.1;
/// Growth rates tried under such a prior, in its standard deviations.
const PRIOR_SCORES: [f64; 9] = [-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0];
/// Growth over the time since onset that can be computed.
const PRIOR_RANGE: (f64, f64) = (0.05, 60.0);

/// One (onset, growth) pair.
#[derive(Debug, Clone, Copy)]
struct Cell {
    onset_hours: f64,
    /// Index into the growth rates, 0 linear.
    shape: usize,
    prior: f64,
    /// rate at the last point = rise × this.
    rate_per_rise: f64,
}

/// What stands in one array over the cells: a shape's way through the filter, and its sums there.
const FILTERED_WANDER: usize = 0;
// Then the filtered memory, which nobody asks for afterwards.
const XX: usize = 2;
const X1: usize = 3;
const XY: usize = 4;
const SUMS: usize = 5;

/// One noise setting under one scaling: what all its cells share.
#[derive(Debug, Clone, Copy)]
struct Setting {
    yy: f64,
    y1: f64,
    s11: f64,
    /// What the filter takes for wander of the data, and of a level of one.
    data_wander: f64,
    one_wander: f64,
    wander_var: f64,
    ln_det: f64,
    ln_prior: f64,
    ln_scaling: f64,
    /// Data without any noise would give some cell a residual of 0 and so all the weight; below this they are all alike.
    least_residual: f64,
}

/// Healthy level, rise, and all else needed of one cell.
#[derive(Debug, Clone, Copy)]
struct CellFit {
    healthy: f64,
    rise: f64,
    rise_var: f64,
    level: f64,
    rate: f64,
    level_var: f64,
    rate_var: f64,
    covariance: f64,
    scatter_var: f64,
}

fn onsets(points: &Points, hint_hours: Option<f64>) -> Vec<f64> {
    let first = points.hours[0];
    let latest = points.hours[points.len().saturating_sub(MIN_POINTS_AFTER_ONSET + 1)];
    let mut tried: Vec<f64> = match hint_hours {
        Some(hint) if hint < 0.0 => {
            HINT_OFFSETS.iter().map(|share| (hint - share * hint).clamp(first, latest)).collect()
        }
        _ => {
            ONSETS.iter().map(|share| points.hours[(share * (points.len() - 1) as f64) as usize].min(latest)).collect()
        }
    };
    tried.sort_by(f64::total_cmp);
    tried.dedup();
    tried
}

fn cells(onsets: &[f64], growths: &[f64], known: Option<GrowthPrior>) -> Vec<Cell> {
    let mut cells = Vec::with_capacity(onsets.len() * growths.len());
    let growth_range = if known.is_some() { PRIOR_RANGE } else { GROWTH_RANGE };
    let (linear, slowing) = match known {
        None => (LINEAR_PRIOR, SLOWING_PRIOR),
        Some(_) => (0.5 * PRIOR_LEFT, 0.5 * PRIOR_LEFT),
    };
    // Relative prior of a growth rate among those of its sign.
    let relative = |k: f64| match known {
        Some(known) if k > 0.0 => (-0.5 * ((k.ln() - known.ln_mean) / known.ln_sd).powi(2)).exp(),
        _ => 1.0,
    };
    for &onset_hours in onsets {
        let since = -onset_hours;
        let fits = |k: f64| {
            let (least, most) = if k > 0.0 { growth_range } else { SLOWING_RANGE };
            (least..=most).contains(&(k.abs() * since))
        };
        let sum = |sign: f64| {
            let of_sign = growths.iter().filter(|k| **k * sign > 0.0 && fits(**k));
            of_sign.map(|k| relative(*k)).sum::<f64>().max(f64::MIN_POSITIVE)
        };
        let (growing_sum, slowing_sum) = (sum(1.0), sum(-1.0));
        for (shape, &k) in growths.iter().enumerate() {
            let (prior, rate_per_rise) = if k == 0.0 {
                (linear, 1.0 / since)
            } else if !fits(k) {
                continue;
            } else if k > 0.0 {
                ((1.0 - linear - slowing) * relative(k) / growing_sum, k / -(-k * since).exp_m1())
            } else {
                (slowing * relative(k) / slowing_sum, k / -(-k * since).exp_m1())
            };
            cells.push(Cell { onset_hours, shape, prior, rate_per_rise });
        }
    }
    cells
}

/// Values of every cell's shape, point after point (row = point).
fn shape_table(points: &Points, cells: &[Cell], growths: &[f64]) -> Vec<f64> {
    let n = points.len();
    let mut grown = vec![0.0; growths.len() * n];
    for (k, row) in growths.iter().zip(grown.chunks_exact_mut(n)) {
        row.iter_mut().zip(&points.hours).for_each(|(g, t)| *g = if *k == 0.0 { *t } else { (k * t).exp() });
    }
    // (from, factor): shape = max(0, (grown − from) × factor); with k < 0 both factors are negative.
    let scales: Vec<(f64, f64)> = cells
        .iter()
        .map(|cell| {
            let k = growths[cell.shape];
            let (from, now) = if k == 0.0 { (cell.onset_hours, 0.0) } else { ((k * cell.onset_hours).exp(), 1.0) };
            (from, 1.0 / (now - from))
        })
        .collect();
    let mut table = Vec::with_capacity(n * cells.len());
    for i in 0..n {
        table.extend(
            cells
                .iter()
                .zip(&scales)
                .map(|(cell, (from, factor))| ((grown[cell.shape * n + i] - from) * factor).max(0.0)),
        );
    }
    table
}

impl Degradation {
    /// `None` when the points are too few or carry nothing to fit. `hint_hours`: onset relative to the last point.
    pub(super) fn fit(points: &Points, hint_hours: Option<f64>, known: &Known) -> Option<Self> {
        let n = points.len();
        if n <= MIN_POINTS_AFTER_ONSET {
            return None;
        }
        let span = -points.hours[0];
        let mut growths = vec![0.0];
        match known.growth {
            Some(known) => growths.extend(PRIOR_SCORES.iter().map(|z| (known.ln_mean + z * known.ln_sd).exp())),
            None => growths.extend(GROWTHS.iter().map(|g| g / span)),
        }
        growths.extend(SLOWING.iter().map(|g| g / span));
        let onsets = onsets(points, hint_hours);
        let cells = cells(&onsets, &growths, known.growth);
        let table = shape_table(points, &cells, &growths);
        let steps: Vec<f64> = step_lengths(points);
        let whiteners: Vec<Whitener> = NOISES.iter().map(|(noise, _)| Whitener::new(*noise, &steps)).collect();
        let even = vec![1.0; n];
        let growing = known.has_zero.then(|| relative_levels(points)).flatten();
        let scalings: Vec<&[f64]> = std::iter::once(even.as_slice()).chain(growing.as_deref()).collect();

        let mut fits = Fits::of(&cells, scalings.len() * NOISES.len());
        for scaling in scalings {
            let scaled = Scaled::of(points, scaling, &cells, &table);
            for ((_, prior), whitener) in NOISES.iter().zip(&whiteners) {
                fits.add(&scaled, whitener, prior.ln());
            }
        }
        Self::merge(points, &growths, &cells, &table, &steps, &fits)
    }

    fn merge(
        points: &Points,
        growths: &[f64],
        cells: &[Cell],
        table: &[f64],
        steps: &[f64],
        fits: &Fits<'_>,
    ) -> Option<Self> {
        let ln_weights = &fits.ln_weights;
        let best = (0..ln_weights.len()).max_by(|&a, &b| ln_weights[a].total_cmp(&ln_weights[b]))?;
        let (top, top_fit) = (ln_weights[best], fits.fit(best)?);
        // Evidence of each cell, all noise settings together.
        let mut evidence = vec![0.0; cells.len()];
        let mut weights = vec![0.0; ln_weights.len()];
        let rows = ln_weights.chunks_exact(cells.len()).zip(weights.chunks_exact_mut(cells.len()));
        for (ln_weights, weights) in rows {
            for ((ln_weight, weight), evidence) in ln_weights.iter().zip(weights).zip(&mut evidence) {
                if *ln_weight > top - LOST {
                    *weight = (ln_weight - top).exp();
                    *evidence += *weight;
                }
            }
        }
        let highest = evidence.iter().fold(0.0_f64, |m, e| m.max(*e));
        // A cell with less evidence cannot become worth keeping by this either, and is spared the power.
        let tempered = |e: &f64| if *e > TEMPERED * highest { (e / highest).powf(EVIDENCE_POWER - 1.0) } else { 0.0 };
        let tempered: Vec<f64> = evidence.iter().map(tempered).collect();
        let mut merged = vec![Moments::default(); growths.len()];
        let mut all = Summary::default();
        for (row, weights) in weights.chunks_exact(cells.len()).enumerate() {
            let noise = NOISES[row % NOISES.len()].0;
            for (cell, (weight, tempered)) in weights.iter().zip(&tempered).enumerate() {
                let shape_weight = weight * tempered;
                let (in_shape, in_all) = (shape_weight > NEGLIGIBLE, *weight > NEGLIGIBLE);
                // Few are worth working out.
                let Some(fit) = (in_shape || in_all).then(|| fits.fit(row * cells.len() + cell)).flatten() else {
                    continue;
                };
                if in_shape {
                    let wander = noise.wander * fit.scatter_var / points.step_hours;
                    merged[cells[cell].shape].add(shape_weight, &fit, wander);
                }
                if in_all {
                    all.add(*weight, &fit, &cells[cell], noise);
                }
            }
        }
        let heaviest = merged.iter().fold(0.0_f64, |m, s| m.max(s.weight));
        let kept: f64 = merged.iter().map(|s| s.weight).filter(|w| *w > NEGLIGIBLE * heaviest).sum();
        let shapes: Vec<Shape> = merged
            .iter()
            .zip(growths)
            .filter(|(s, _)| s.weight > NEGLIGIBLE * heaviest)
            .map(|(s, k)| s.shape(*k, s.weight / kept, points))
            .collect();
        let weight_of = |which: fn(f64) -> bool| -> f64 {
            shapes.iter().filter(|s| which(s.growth_per_hour)).map(|s| s.weight).sum()
        };
        let (linear, exponential_weight) = (weight_of(|k| k == 0.0), weight_of(|k| k > 0.0));
        let slowing_weight = weight_of(|k| k < 0.0);
        let model = if exponential_weight >= linear.max(slowing_weight) {
            DegradationModel::Exponential
        } else if linear >= slowing_weight {
            DegradationModel::Linear
        } else {
            DegradationModel::Slowing
        };
        let rise = all.rise / all.weight;
        let rise_sd = (all.rise_square / all.weight - rise * rise).max(0.0).sqrt();
        let onset_hours = all.onset / all.weight;
        let best_cell = best % cells.len();
        let shape_of = |i: usize| table[i * cells.len() + best_cell];
        let noise = NOISES[best / cells.len() % NOISES.len()].0;
        Some(Self {
            shapes,
            at: points.last_at,
            model,
            exponential_weight,
            slowing_weight,
            onset: points.last_at.plus_secs(onset_hours * 3600.0),
            healthy: points.centre + points.scale * all.healthy / all.weight,
            rise: points.scale * rise,
            rise_t: rise / rise_sd,
            residual_sd: points.scale * (all.scatter / all.weight).sqrt(),
            autocorrelation: all.memory / all.weight,
            step_hours: points.step_hours,
            span_hours: -points.hours[0],
            pooled: points.pooled,
            lately_share: lately_share(points, steps, noise, onset_hours, shape_of, &top_fit),
            jump_share: points.jump / rise.abs(),
        })
    }
}

/// Spacing of the points in steps, never less than a quarter, lest two blocks close together count as two witnesses of a
/// noise the model has as one.
fn step_lengths(points: &Points) -> Vec<f64> {
    std::iter::once(0.0)
        .chain(points.hours.windows(2).map(|w| {
            let step = (w[1] - w[0]) / points.step_hours;
            // Times are whole microseconds: an even spacing must not pay for a power at every point.
            if (step - 1.0).abs() < 1e-6 { 1.0 } else { step.max(0.25) }
        }))
        .collect()
}

/// Levels relative to the last one, smoothed by a running median; `None` when they are not all on one side of zero or so alike
/// that noise which grows with them is noise that does not.
fn relative_levels(points: &Points) -> Option<Vec<f64>> {
    let sign = points.centre.signum();
    let level = |v: &f64| sign * (points.centre + points.scale * v);
    let n = points.len();
    let mut smooth = Vec::with_capacity(n);
    for i in 0..n {
        let from = i.saturating_sub(SMOOTHED / 2).min(n.saturating_sub(SMOOTHED));
        let mut near: Vec<f64> = points.values.iter().skip(from).take(SMOOTHED).map(level).collect();
        near.sort_by(f64::total_cmp);
        smooth.push(near[near.len() / 2]);
    }
    let last = *smooth.last()?;
    let (low, high) = smooth.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
    let telling = low > 0.02 * high && high >= TELLING_RATIO * low && high < f64::MAX;
    telling.then(|| smooth.iter().map(|v| v / last).collect())
}

/// Data and shapes in standard deviations of the noise at each point, relative to that at the last one.
struct Scaled {
    ln_scaling: f64,
    /// Of each point: its value, the level of one, how many cells are past their onset there.
    points: Vec<(f64, f64, usize)>,
    /// Values of every cell's shape, point after point.
    table: Vec<f64>,
}

impl Scaled {
    /// `scaling`: standard deviation of the noise at each point, relative to that at the last one.
    fn of(points: &Points, scaling: &[f64], cells: &[Cell], table: &[f64]) -> Self {
        let mut scaled =
            Self { ln_scaling: 0.0, points: Vec::with_capacity(points.len()), table: Vec::with_capacity(table.len()) };
        let columns = points.values.iter().zip(scaling).zip(table.chunks_exact(cells.len()));
        for ((value, scale), row) in columns {
            let per_scale = 1.0 / scale;
            scaled.ln_scaling += scale.ln();
            // Cells are in the order of their onsets, and a shape is nothing before its own: nor is any sum of it.
            let before = scaled.points.last().map_or(0, |point| point.2);
            let begun = row.iter().rposition(|x| *x != 0.0).map_or(0, |last| last + 1).max(before);
            scaled.points.push((value * per_scale, per_scale, begun));
            scaled.table.extend(row.iter().map(|x| x * per_scale));
        }
        scaled
    }
}

/// Every cell under every noise setting: its weight, and what its fit follows from.
struct Fits<'a> {
    cells: &'a [Cell],
    ln_priors: Vec<f64>,
    settings: Vec<Setting>,
    points: f64,
    /// Logarithm of the weight by setting and cell; minus infinity where nothing can be fitted.
    ln_weights: Vec<f64>,
    /// By setting, sum and cell.
    sums: Vec<f64>,
}

impl<'a> Fits<'a> {
    fn of(cells: &'a [Cell], settings: usize) -> Self {
        Self {
            cells,
            ln_priors: cells.iter().map(|cell| cell.prior.ln()).collect(),
            settings: Vec::with_capacity(settings),
            points: 0.0,
            ln_weights: Vec::with_capacity(settings * cells.len()),
            sums: Vec::with_capacity(settings * SUMS * cells.len()),
        }
    }

    /// Fits all cells under one more noise setting.
    fn add(&mut self, scaled: &Scaled, whitener: &Whitener, ln_prior: f64) {
        let cells = self.cells.len();
        let from = self.sums.len();
        self.sums.resize(from + SUMS * cells, 0.0);
        let Some(sums) = self.sums.get_mut(from..) else { return };
        let (filtered_wander, rest) = sums.split_at_mut(cells);
        let (filtered_memory, rest) = rest.split_at_mut(cells);
        let (xx, rest) = rest.split_at_mut(cells);
        let (x1, xy) = rest.split_at_mut(cells);
        let (mut data, mut one) = (Filtered::default(), Filtered::default());
        let (mut yy, mut y1, mut s11) = (0.0, 0.0, 0.0);
        let columns = scaled.points.iter().zip(scaled.table.chunks_exact(cells));
        let advance = match (whitener.noise.wander > 0.0, whitener.noise.memory > 0.0) {
            (true, true) => advance::<true, true>,
            (true, false) => advance::<true, false>,
            (false, true) => advance::<false, true>,
            (false, false) => advance::<false, false>,
        };
        for (gain, (&(value, level, begun), row)) in whitener.gains.iter().zip(columns) {
            let (y, u) = (data.step(gain, value), one.step(gain, level));
            let (y_weighted, u_weighted) = (y * gain.precision, u * gain.precision);
            yy += y * y_weighted;
            y1 += u * y_weighted;
            s11 += u * u_weighted;
            let row = row.get(..begun).unwrap_or(row);
            advance(gain, (u_weighted, y_weighted), row, filtered_wander, filtered_memory, xx, x1, xy);
        }
        let n = scaled.points.len() as f64;
        self.points = n;
        let setting = Setting {
            yy,
            y1,
            s11,
            data_wander: data.wander,
            one_wander: one.wander,
            wander_var: whitener.wander_var,
            ln_det: whitener.ln_det,
            ln_prior,
            ln_scaling: scaled.ln_scaling,
            least_residual: 1e-9 * (yy - y1 * y1 / s11),
        };
        // Apart, since this is the same for all and goes several cells at a time.
        let sums = xx.iter().zip(x1.iter()).zip(xy.iter()).zip(&self.ln_priors);
        let from = self.ln_weights.len();
        self.ln_weights.extend(sums.map(|(((xx, x1), xy), ln_cell)| {
            let Solved { det, residual, .. } = setting.reckon(*xx, *x1, *xy);
            let tells = setting.tells(det, *xx) & (residual > f64::MIN_POSITIVE);
            let ln_weight = setting.ln_weight(*ln_cell, ln(det), ln(residual), n);
            if tells { ln_weight } else { f64::NEG_INFINITY }
        }));
        let fitted = self.ln_weights.iter_mut().skip(from);
        fitted.filter(|ln_weight| !ln_weight.is_finite()).for_each(|ln_weight| *ln_weight = f64::NEG_INFINITY);
        self.settings.push(setting);
    }

    /// What follows of one cell under one setting; `None` where nothing could be fitted.
    fn fit(&self, i: usize) -> Option<CellFit> {
        if self.ln_weights[i] == f64::NEG_INFINITY {
            return None;
        }
        let (row, place) = (i / self.cells.len(), i % self.cells.len());
        let setting = &self.settings[row];
        let sum = |which: usize| self.sums[(row * SUMS + which) * self.cells.len() + place];
        let (xx, x1) = (sum(XX), sum(X1));
        let Solved { det, healthy, rise, residual } = setting.solve(xx, x1, sum(XY))?;
        let n = self.points;
        let scatter_var = residual / (n - 2.0);
        // The estimates are t distributed: the normal that stands for them gets their variance.
        let var = scatter_var * (n - 2.0) / (n - 4.0).max(1.0);
        let (v11, v12, v22) = (var * xx / det, -var * x1 / det, var * setting.s11 / det);
        // Level now = healthy + rise + what the filter takes for wander, linear in both.
        let (by_healthy, by_rise) = (1.0 - setting.one_wander, 1.0 - sum(FILTERED_WANDER));
        let rate_per_rise = self.cells[place].rate_per_rise;
        Some(CellFit {
            healthy,
            rise,
            rise_var: v22,
            level: setting.data_wander + healthy * by_healthy + rise * by_rise,
            rate: rise * rate_per_rise,
            level_var: by_healthy * by_healthy * v11
                + 2.0 * by_healthy * by_rise * v12
                + by_rise * by_rise * v22
                + setting.wander_var * var,
            rate_var: v22 * rate_per_rise * rate_per_rise,
            covariance: rate_per_rise * (by_healthy * v12 + by_rise * v22),
            scatter_var,
        })
    }
}

/// [`Filtered::step`] of the first shapes, as many as there are values, and their sums. Arrays of their own, so that
/// several cells are reckoned in one instruction. What a noise has not got is not reckoned.
#[expect(clippy::too_many_arguments, reason = "one array for each number of a cell")]
fn advance<const WANDER: bool, const MEMORY: bool>(
    gain: &Gain,
    (level_weighted, value_weighted): (f64, f64),
    row: &[f64],
    filtered_wander: &mut [f64],
    filtered_memory: &mut [f64],
    xx: &mut [f64],
    x1: &mut [f64],
    xy: &mut [f64],
) {
    let n = row.len();
    let (filtered_wander, filtered_memory) = (&mut filtered_wander[..n], &mut filtered_memory[..n]);
    let (xx, x1, xy) = (&mut xx[..n], &mut x1[..n], &mut xy[..n]);
    for i in 0..n {
        let mut x = row[i];
        if WANDER {
            x -= filtered_wander[i];
        }
        let memory = if MEMORY { gain.decay * filtered_memory[i] } else { 0.0 };
        if MEMORY {
            x -= memory;
            filtered_memory[i] = memory + gain.memory * x;
        }
        if WANDER {
            filtered_wander[i] += gain.wander * x;
        }
        xx[i] += x * x * gain.precision;
        x1[i] += x * level_weighted;
        xy[i] += x * value_weighted;
    }
}

/// Least squares of one cell.
struct Solved {
    det: f64,
    healthy: f64,
    rise: f64,
    residual: f64,
}

impl Setting {
    /// `None` when shape and level cannot be told apart.
    fn solve(&self, xx: f64, x1: f64, xy: f64) -> Option<Solved> {
        let solved = self.reckon(xx, x1, xy);
        self.tells(solved.det, xx).then_some(solved)
    }

    #[inline]
    fn tells(&self, det: f64, xx: f64) -> bool {
        det > 1e-12 * self.s11 * xx
    }

    #[inline]
    fn reckon(&self, xx: f64, x1: f64, xy: f64) -> Solved {
        let Setting { yy, y1, s11, .. } = *self;
        let det = s11 * xx - x1 * x1;
        let healthy = (xx * y1 - x1 * xy) / det;
        let rise = (s11 * xy - x1 * y1) / det;
        let residual = (yy - healthy * y1 - rise * xy).max(self.least_residual);
        Solved { det, healthy, rise, residual }
    }

    #[inline]
    fn ln_weight(&self, ln_cell: f64, ln_det: f64, ln_residual: f64, n: f64) -> f64 {
        self.ln_prior + ln_cell - self.ln_scaling - 0.5 * (self.ln_det + ln_det + (n - 2.0) * ln_residual)
    }
}

/// Moments of (level, rate) over the cells of one growth rate, in scaled values.
#[derive(Debug, Clone, Copy, Default)]
struct Moments {
    weight: f64,
    level: f64,
    rate: f64,
    level_square: f64,
    rate_square: f64,
    product: f64,
    wander: f64,
}

impl Moments {
    fn add(&mut self, weight: f64, fit: &CellFit, wander_per_hour: f64) {
        self.weight += weight;
        self.level += weight * fit.level;
        self.rate += weight * fit.rate;
        self.level_square += weight * (fit.level * fit.level + fit.level_var);
        self.rate_square += weight * (fit.rate * fit.rate + fit.rate_var);
        self.product += weight * (fit.level * fit.rate + fit.covariance);
        self.wander += weight * wander_per_hour;
    }

    fn shape(&self, growth_per_hour: f64, weight: f64, points: &Points) -> Shape {
        let square = points.scale * points.scale;
        let (level, rate) = (self.level / self.weight, self.rate / self.weight);
        Shape {
            growth_per_hour,
            weight,
            level: points.centre + points.scale * level,
            rate_per_hour: points.scale * rate,
            level_var: square * (self.level_square / self.weight - level * level).max(0.0),
            rate_var: square * (self.rate_square / self.weight - rate * rate).max(0.0),
            covariance: square * (self.product / self.weight - level * rate),
            wander_var_per_hour: square * self.wander / self.weight,
        }
    }
}

/// Sums over all cells for the summary.
#[derive(Debug, Clone, Copy, Default)]
struct Summary {
    weight: f64,
    healthy: f64,
    rise: f64,
    rise_square: f64,
    onset: f64,
    scatter: f64,
    memory: f64,
}

impl Summary {
    fn add(&mut self, weight: f64, fit: &CellFit, cell: &Cell, noise: Noise) {
        self.weight += weight;
        self.healthy += weight * fit.healthy;
        self.rise += weight * fit.rise;
        self.rise_square += weight * (fit.rise * fit.rise + fit.rise_var);
        self.onset += weight * cell.onset_hours;
        self.scatter += weight * fit.scatter_var;
        self.memory += weight * noise.memory;
    }
}

/// See [`Degradation::lately_share`]: a line through the latest third. Wander is left out of the noise on purpose: a trend
/// that ends looks to the fit like one that wanders, and would be excused by it.
fn lately_share(
    points: &Points,
    steps: &[f64],
    noise: Noise,
    onset_hours: f64,
    shape: impl Fn(usize) -> f64,
    fit: &CellFit,
) -> f64 {
    let n = points.len();
    let from = points.hours.partition_point(|t| *t < onset_hours / 3.0).min(n - MIN_POINTS_AFTER_ONSET);
    let whitener = Whitener::new(Noise { wander: 0.0, ..noise }, &steps[from..]);
    let (mut one, mut time, mut data) = (Filtered::default(), Filtered::default(), Filtered::default());
    let (mut s11, mut s1t, mut stt, mut s1y, mut sty) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (gain, i) in whitener.gains.iter().zip(from..n) {
        let (u, t, y) = (one.step(gain, 1.0), time.step(gain, points.hours[i]), data.step(gain, points.values[i]));
        s11 += u * u * gain.precision;
        s1t += u * t * gain.precision;
        stt += t * t * gain.precision;
        s1y += u * y * gain.precision;
        sty += t * y * gain.precision;
    }
    let rate = (s11 * sty - s1t * s1y) / (s11 * stt - s1t * s1t);
    rate * -points.hours[from] / (fit.rise * (1.0 - shape(from)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the standard library's logarithm.
    #[test]
    fn the_short_logarithm_is_that_of_the_library() {
        for i in 1..200_000 {
            let x = (f64::from(i) * 0.001 - 100.0).exp();
            assert!((ln(x) - x.ln()).abs() < 1e-12 + 1e-15 * x.ln().abs(), "{x}: {}, {}", ln(x), x.ln());
        }
        for x in [f64::MIN_POSITIVE, 0.5, 0.5_f64.sqrt(), 1.0, 1.0 + f64::EPSILON, 2.0, 1e300, f64::MAX] {
            assert!((ln(x) - x.ln()).abs() < 1e-12 * x.ln().abs().max(1.0), "{x}: {}, {}", ln(x), x.ln());
        }
    }
}
