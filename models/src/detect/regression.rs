//! What load explains: one point as a function of the operating variables, by least squares with wild rows held down.
//!
//! expected = intercept + Σ linear·u (+ Σ square·u²), u = (x - mean)/sd of a predictor over the rows learned from. Input:
//! predictors n × q, target n. Kept are plain numbers, seven for each predictor; no allocation in
//! [`Regression::predict`].
//!
//! A fit never fails: where predictors do not vary, rows are too few or the solver gives up, the model is the (robust)
//! mean and says why. A predictor that repeats earlier ones is left out: put the most telling first. Outside the
//! learned range a predictor is taken at the range's edge plus a margin, so the line never runs far from what was seen;
//! the residual then grows, which is right: nothing is known there.
//!
//! Wild rows: Huber's weights, iterated to rest (scale by the median absolute deviation, so a third of the rows may be off as
//! long as they do not lie far out in the predictors).
//!
//! When *not* to use it: across operating states, or for a point that follows load with a lag.
//! Sources: Huber (1964); Holland and Welsch (1977) for the iteration and its constant.

use crate::param::{ParamFault, positive, within};
use linfa::DatasetBase;
use linfa::traits::Fit;
use linfa_linear::LinearRegression;
use ndarray::{Array1, Array2, ArrayView2};
use serde::{Deserialize, Serialize};

/// 1 / (normal quantile of 3/4): makes the median absolute deviation a standard deviation.
const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Settings of the fit.
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `squares` | false | | adds a square for each predictor that can carry one |
/// | `huber_sigmas` | 1.345 | residual standard deviations beyond which a row loses weight; 0: plain least squares | 0 to 10 |
/// | `rows_per_coefficient` | 10 | rows for each coefficient, intercept included | above 0 |
/// | `own_share` | 0.001 | of a predictor's variance that earlier ones must not explain | 1e-10 to 0.5 |
/// | `margin_share` | 0.1 | of a predictor's range, beyond either end | 0 to 1 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RegressionParams {
    /// Add squares.
    pub squares: bool,
    /// Where Huber's weights begin; 0 for none.
    pub huber_sigmas: f64,
    /// Rows wanted for each coefficient.
    pub rows_per_coefficient: f64,
    /// What a predictor must bring of its own.
    pub own_share: f64,
    /// How far beyond the learned range a predictor is followed.
    pub margin_share: f64,
}

impl Default for RegressionParams {
    fn default() -> Self {
        Self { squares: false, huber_sigmas: 1.345, rows_per_coefficient: 10.0, own_share: 1e-3, margin_share: 0.1 }
    }
}

/// Settings that passed [`RegressionParams::check`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckedRegression(RegressionParams);

impl RegressionParams {
    /// All faults at once, or settings that can be used.
    ///
    /// # Errors
    /// Every setting out of its range.
    pub fn check(self) -> Result<CheckedRegression, Vec<ParamFault>> {
        let faults: Vec<_> = [
            within("huber_sigmas", self.huber_sigmas, 0.0, 10.0),
            positive("rows_per_coefficient", self.rows_per_coefficient),
            within("own_share", self.own_share, 1e-10, 0.5),
            within("margin_share", self.margin_share, 0.0, 1.0),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(CheckedRegression(self)) } else { Err(faults) }
    }
}

/// Why a model has no predictors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum InterceptOnly {
    /// There were none, or none had values and varied.
    NothingVaries,
    /// Fewer rows than [`RegressionParams::rows_per_coefficient`] wants.
    TooFewRows,
    /// The target does not vary.
    ConstantTarget,
    /// The solver gave up.
    SolverFailed,
}

/// What became of a predictor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum PredictorUse {
    /// In the model.
    Used,
    /// Finite in fewer than half of the rows.
    Missing,
    /// Did not vary.
    Constant,
    /// Explained by earlier predictors.
    Repeats,
    /// Left out with all others, see [`Regression::intercept_only`].
    NotTried,
}

/// One predictor as it was learned.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Predictor {
    /// What became of it.
    pub used: PredictorUse,
    /// Mean over the rows.
    pub center: f64,
    /// Standard deviation over the rows, divisor n - 1.
    pub scale: f64,
    /// Lowest value it is followed to: the learned range and its margin.
    pub low: f64,
    /// Highest value it is followed to.
    pub high: f64,
    /// Coefficient of u, in the target's unit.
    pub linear: f64,
    /// Coefficient of u², in the target's unit.
    pub square: f64,
}

/// The learned relation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Regression {
    intercept: f64,
    predictors: Vec<Predictor>,
    intercept_only: Option<InterceptOnly>,
    rows: usize,
    r_squared: f64,
    residual_sd: f64,
    robust_sd: f64,
}

impl Regression {
    /// Learns `y` (n) from `x` (n × q). Rows with a value that is not finite, in the target or a predictor that is not
    /// mostly missing, are left out, as are rows beyond the shorter of the two.
    ///
    /// Without any finite target the intercept is NaN and so is every prediction.
    pub fn fit(x: ArrayView2<f64>, y: &[f64], params: CheckedRegression) -> Self {
        let params = params.0;
        let n = x.nrows().min(y.len());
        let mut predictors: Vec<Predictor> = x
            .columns()
            .into_iter()
            .map(|column| {
                let finite = column.iter().take(n).filter(|v| v.is_finite()).count();
                let used = if 2 * finite >= n && finite > 0 { PredictorUse::Used } else { PredictorUse::Missing };
                Predictor { used, center: 0.0, scale: 1.0, low: 0.0, high: 0.0, linear: 0.0, square: 0.0 }
            })
            .collect();
        let complete: Vec<usize> = (0..n)
            .filter(|&i| {
                let cells = x.row(i);
                y[i].is_finite()
                    && cells.iter().zip(&predictors).all(|(v, p)| p.used != PredictorUse::Used || v.is_finite())
            })
            .collect();
        let target: Vec<f64> = complete.iter().map(|&i| y[i]).collect();
        let mut columns = Vec::new();
        for (j, predictor) in predictors.iter_mut().enumerate().filter(|(_, p)| p.used == PredictorUse::Used) {
            let values: Vec<f64> = complete.iter().map(|&i| x[[i, j]]).collect();
            predictor.learn(&values, params.margin_share);
            if predictor.used == PredictorUse::Used {
                let u = values.iter().map(|v| (v - predictor.center) / predictor.scale).collect();
                columns.push(Column { predictor: j, square: false, values: u });
            }
        }
        let mut model = Regression {
            intercept: f64::NAN,
            predictors,
            intercept_only: None,
            rows: target.len(),
            r_squared: 0.0,
            residual_sd: f64::NAN,
            robust_sd: f64::NAN,
        };
        let reason = model.try_columns(&mut columns, &target, params);
        if let Some(reason) = reason {
            model.intercept_only = Some(reason);
            for predictor in &mut model.predictors {
                (predictor.linear, predictor.square) = (0.0, 0.0);
                if predictor.used == PredictorUse::Used {
                    predictor.used = PredictorUse::NotTried;
                }
            }
            model.intercept = match reason {
                // The value itself: its mean would be off in the last digit, and every residual with it.
                InterceptOnly::ConstantTarget => target.first().copied().unwrap_or(f64::NAN),
                _ => solve(&[], &target, params.huber_sigmas).map_or_else(|| mean(&target), |c| c[0]),
            };
            model.judge(&[], &[model.intercept], &target);
        }
        model
    }

    /// Chooses the columns, fits them and keeps the result; or why not.
    fn try_columns(
        &mut self,
        columns: &mut Vec<Column>,
        target: &[f64],
        params: RegressionParams,
    ) -> Option<InterceptOnly> {
        if columns.is_empty() {
            return Some(InterceptOnly::NothingVaries);
        }
        let (low, high) = range(target);
        let varies = high > low;
        if !varies {
            return Some(InterceptOnly::ConstantTarget);
        }
        let enough = |count: usize| target.len() as f64 >= params.rows_per_coefficient * (count as f64 + 1.0);
        if params.squares && enough(2 * columns.len()) {
            let squares: Vec<Column> = columns.iter().map(Column::squared).collect();
            columns.extend(squares);
        }
        // Never more coefficients than rows, whatever the setting.
        if !enough(columns.len()) || target.len() < columns.len() + 2 {
            return Some(InterceptOnly::TooFewRows);
        }
        keep_independent(columns, target.len(), params.own_share);
        for (j, predictor) in self.predictors.iter_mut().enumerate() {
            if predictor.used == PredictorUse::Used && !columns.iter().any(|c| c.predictor == j) {
                predictor.used = PredictorUse::Repeats;
            }
        }
        let Some(coefficients) = solve(columns, target, params.huber_sigmas) else {
            return Some(InterceptOnly::SolverFailed);
        };
        self.intercept = coefficients[0];
        for (column, coefficient) in columns.iter().zip(&coefficients[1..]) {
            let predictor = &mut self.predictors[column.predictor];
            if column.square {
                predictor.square = *coefficient;
            } else {
                predictor.linear = *coefficient;
            }
        }
        self.judge(columns, &coefficients, target);
        None
    }

    fn judge(&mut self, columns: &[Column], coefficients: &[f64], target: &[f64]) {
        let residuals = residuals(columns, coefficients, target);
        let square: f64 = residuals.iter().map(|r| r * r).sum();
        let middle = mean(target);
        let total: f64 = target.iter().map(|v| (v - middle).powi(2)).sum();
        let free = target.len() as f64 - coefficients.len() as f64;
        self.residual_sd = if free > 0.0 { (square / free).sqrt() } else { f64::NAN };
        self.robust_sd = mad_sd(&residuals).unwrap_or(f64::NAN);
        self.r_squared = if total > 0.0 { (1.0 - square / total).max(0.0) } else { 0.0 };
    }

    /// Expected value at the q predictors `x`, each held within its learned range and margin.
    ///
    /// NaN when the length differs or a used predictor is NaN; an infinite one is taken at the end of its range.
    pub fn predict(&self, x: &[f64]) -> f64 {
        if x.len() != self.predictors.len() {
            return f64::NAN;
        }
        let mut sum = self.intercept;
        for (x, p) in x.iter().zip(&self.predictors).filter(|(_, p)| p.used == PredictorUse::Used) {
            // Not `clamp`: a stored state with its ends crossed must not panic. `max` and `min` would lose a NaN.
            let held = if x.is_nan() { f64::NAN } else { x.max(p.low).min(p.high) };
            let u = (held - p.center) / p.scale;
            sum += u * (p.linear + u * p.square);
        }
        sum
    }

    /// Whether a used predictor lies outside its learned range and margin (or is NaN), so that the prediction says
    /// little.
    pub fn extrapolates(&self, x: &[f64]) -> bool {
        x.len() != self.predictors.len()
            || x.iter()
                .zip(&self.predictors)
                .any(|(x, p)| p.used == PredictorUse::Used && !(*x >= p.low && *x <= p.high))
    }

    /// The predictors as learned.
    pub fn predictors(&self) -> &[Predictor] {
        &self.predictors
    }

    /// Why there are no predictors in the model, if there are none.
    pub fn intercept_only(&self) -> Option<InterceptOnly> {
        self.intercept_only
    }

    /// Rows learned from.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Share of the target's variance explained, 0 to 1.
    pub fn r_squared(&self) -> f64 {
        self.r_squared
    }

    /// Standard deviation of the residuals, divisor rows - coefficients.
    pub fn residual_sd(&self) -> f64 {
        self.residual_sd
    }

    /// Standard deviation of the residuals by their median absolute value: what wild rows do not enlarge.
    pub fn robust_sd(&self) -> f64 {
        self.robust_sd
    }

    /// The model in the predictors' own units: its value where all are zero, and for each predictor the coefficients of
    /// x and x².
    pub fn coefficients(&self) -> (f64, Vec<(f64, f64)>) {
        let mut intercept = self.intercept;
        let slopes = self
            .predictors
            .iter()
            .map(|p| {
                let (linear, square) = (p.linear / p.scale, p.square / (p.scale * p.scale));
                intercept += p.center * (square * p.center - linear);
                (linear - 2.0 * square * p.center, square)
            })
            .collect();
        (intercept, slopes)
    }
}

impl Predictor {
    fn learn(&mut self, values: &[f64], margin_share: f64) {
        let (low, high) = range(values);
        self.center = mean(values);
        let square: f64 = values.iter().map(|v| (v - self.center).powi(2)).sum();
        self.scale = (square / (values.len() as f64 - 1.0)).sqrt();
        let margin = margin_share * (high - low);
        (self.low, self.high) = (low - margin, high + margin);
        if !(self.scale.is_finite() && self.scale > 8.0 * f64::EPSILON * self.center.abs()) {
            *self = Predictor { used: PredictorUse::Constant, scale: 1.0, ..*self };
        }
    }
}

/// A candidate: one predictor, standardised, or its square.
struct Column {
    predictor: usize,
    square: bool,
    values: Vec<f64>,
}

impl Column {
    fn squared(&self) -> Column {
        Column { predictor: self.predictor, square: true, values: self.values.iter().map(|u| u * u).collect() }
    }
}

/// Drops columns of which the intercept and the earlier columns leave less than `own_share` (Gram-Schmidt).
fn keep_independent(columns: &mut Vec<Column>, n: usize, own_share: f64) {
    let mut basis = vec![vec![1.0 / (n as f64).sqrt(); n]];
    columns.retain(|column| {
        let power = |v: &[f64]| v.iter().map(|x| x * x).sum::<f64>();
        let mut left = column.values.clone();
        // Twice: the second pass takes out what rounding left of the first.
        for before in basis.iter().chain(&basis) {
            let along: f64 = left.iter().zip(before).map(|(a, b)| a * b).sum();
            left.iter_mut().zip(before).for_each(|(a, b)| *a -= along * b);
        }
        let own = power(&left);
        let keep = own > own_share * power(&column.values);
        if keep {
            left.iter_mut().for_each(|v| *v /= own.sqrt());
            basis.push(left);
        }
        keep
    });
}

/// Intercept and coefficients, by linfa's least squares on rows weighted until they rest; `None` if it gives up. The
/// rounds between the first and the last only find the weights, and are solved by the normal equations: the columns are
/// standardised and bring enough of their own for that.
fn solve(columns: &[Column], target: &[f64], huber_sigmas: f64) -> Option<Vec<f64>> {
    let mut weights = vec![1.0; target.len()];
    let mut coefficients = by_linfa(columns, target, &weights)?;
    if huber_sigmas == 0.0 {
        return Some(coefficients);
    }
    for _ in 0..100 {
        let size = coefficients.iter().fold(0f64, |a, b| a.max(b.abs()));
        let residuals = residuals(columns, &coefficients, target);
        let sd = mad_sd(&residuals)?;
        let scattered = sd > 1e-12 * size;
        if !scattered {
            return Some(coefficients); // more than half of the rows lie on the line
        }
        for (weight, residual) in weights.iter_mut().zip(&residuals) {
            *weight = (huber_sigmas * sd / residual.abs()).min(1.0);
        }
        let next = by_normal_equations(columns, target, &weights).or_else(|| by_linfa(columns, target, &weights))?;
        let moved = next.iter().zip(&coefficients).map(|(a, b)| (a - b).abs()).fold(0f64, f64::max);
        let size = next.iter().fold(0f64, |a, b| a.max(b.abs()));
        coefficients = next;
        if moved <= 1e-10 * size {
            break;
        }
    }
    by_linfa(columns, target, &weights)
}

fn by_linfa(columns: &[Column], target: &[f64], weights: &[f64]) -> Option<Vec<f64>> {
    let n = target.len();
    if n == 0 {
        return None;
    }
    // Ours the column of ones: linfa's own cannot be weighted.
    let mut design = Vec::with_capacity(n * (columns.len() + 1));
    for (i, root) in weights.iter().map(|w| w.sqrt()).enumerate() {
        design.push(root);
        design.extend(columns.iter().map(|column| root * column.values[i]));
    }
    let design = Array2::from_shape_vec((n, columns.len() + 1), design).ok()?;
    let weighted: Array1<f64> = target.iter().zip(weights).map(|(y, w): (&f64, &f64)| y * w.sqrt()).collect();
    let fitted = LinearRegression::new().with_intercept(false).fit(&DatasetBase::new(design, weighted)).ok()?;
    let found = fitted.params().to_vec();
    found.iter().all(|c| c.is_finite()).then_some(found)
}

/// Weighted least squares by Cholesky's factor of the normal equations; `None` where they are singular to rounding.
fn by_normal_equations(columns: &[Column], target: &[f64], weights: &[f64]) -> Option<Vec<f64>> {
    let p = columns.len() + 1;
    let (mut gram, mut right) = (vec![0.0; p * p], vec![0.0; p]);
    // Off the first value: the target's own level would cost digits.
    let level = *target.first()?;
    let mut row = vec![1.0; p];
    for (i, (y, weight)) in target.iter().zip(weights).enumerate() {
        row.iter_mut().skip(1).zip(columns).for_each(|(x, column)| *x = column.values[i]);
        for a in 0..p {
            let weighted = weight * row[a];
            right[a] += weighted * (y - level);
            (0..=a).for_each(|b| gram[a * p + b] += weighted * row[b]);
        }
    }
    for a in 0..p {
        for b in 0..=a {
            let rest: f64 = gram[a * p + b] - (0..b).map(|k| gram[a * p + k] * gram[b * p + k]).sum::<f64>();
            gram[a * p + b] = if a == b {
                let enough = rest > 1e-9 * gram[a * p + a];
                if !enough {
                    return None;
                }
                rest.sqrt()
            } else {
                rest / gram[b * p + b]
            };
        }
    }
    for a in 0..p {
        let rest: f64 = right[a] - (0..a).map(|k| gram[a * p + k] * right[k]).sum::<f64>();
        right[a] = rest / gram[a * p + a];
    }
    for a in (0..p).rev() {
        let rest: f64 = right[a] - (a + 1..p).map(|k| gram[k * p + a] * right[k]).sum::<f64>();
        right[a] = rest / gram[a * p + a];
    }
    right[0] += level;
    right.iter().all(|c| c.is_finite()).then_some(right)
}

fn residuals(columns: &[Column], coefficients: &[f64], target: &[f64]) -> Vec<f64> {
    let mut left: Vec<f64> = target.iter().map(|y| y - coefficients[0]).collect();
    for (column, c) in columns.iter().zip(&coefficients[1..]) {
        left.iter_mut().zip(&column.values).for_each(|(r, u)| *r -= c * u);
    }
    left
}

/// Median absolute value as a standard deviation.
fn mad_sd(residuals: &[f64]) -> Option<f64> {
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    if sizes.is_empty() {
        return None;
    }
    let half = sizes.len() / 2;
    let even = sizes.len().is_multiple_of(2);
    let (below, &mut middle, _) = sizes.select_nth_unstable_by(half, f64::total_cmp);
    let lower = below.iter().copied().fold(0.0, f64::max);
    Some(MAD_TO_SD * if even { 0.5 * (lower + middle) } else { middle })
}

fn mean(values: &[f64]) -> f64 {
    // From the first value on: a constant then is its own mean to the last digit.
    let Some(first) = values.first() else { return f64::NAN };
    let count = values.len() as f64;
    first + values.iter().map(|v| (v - first) / count).sum::<f64>()
}

fn range(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;
    use proptest::prelude::*;

    fn checked(change: impl FnOnce(&mut RegressionParams)) -> CheckedRegression {
        let mut params = RegressionParams::default();
        change(&mut params);
        params.check().unwrap()
    }

    fn default() -> CheckedRegression {
        checked(|_| ())
    }

    /// 60 rows on a plane in two predictors, the second a stretched copy of the square of the first.
    fn plane() -> (Array2<f64>, Vec<f64>) {
        let x = Array2::from_shape_fn((60, 2), |(i, j)| {
            let t = i as f64;
            if j == 0 { 1000.0 + 7.0 * t } else { (t * 0.37).sin() * 40.0 }
        });
        let y = x.rows().into_iter().map(|r| 3.0 + 0.002 * r[0] - 0.05 * r[1]).collect();
        (x, y)
    }

    #[test]
    fn a_plane_is_found_and_held_at_the_edge() {
        let (x, y) = plane();
        let model = Regression::fit(x.view(), &y, default());
        assert_eq!((model.intercept_only(), model.rows()), (None, 60));
        let (intercept, slopes) = model.coefficients();
        assert!((intercept - 3.0).abs() < 1e-9 && (slopes[0].0 - 0.002).abs() < 1e-12, "{intercept} {slopes:?}");
        assert!((model.predict(&[1200.0, 5.0]) - (3.0 + 2.4 - 0.25)).abs() < 1e-9);
        assert!(model.r_squared() > 1.0 - 1e-12);
        // The range of the first is 1000 to 1413: beyond 1454.3 nothing changes any more.
        assert!(!model.extrapolates(&[1450.0, 0.0]) && model.extrapolates(&[1460.0, 0.0]));
        assert_eq!(model.predict(&[1460.0, 0.0]), model.predict(&[1e9, 0.0]));
        assert_eq!(model.predict(&[1460.0, 0.0]), model.predict(&[f64::INFINITY, 0.0]));
        assert!(model.predict(&[f64::NAN, 0.0]).is_nan() && model.extrapolates(&[f64::NAN, 0.0]));
        assert!(model.predict(&[1.0]).is_nan());
    }

    #[test]
    fn a_quarter_of_wild_rows_does_not_move_the_plane_far() {
        let (x, mut y) = plane();
        y.iter_mut().enumerate().for_each(|(i, v)| *v += 0.01 * (i as f64 * 1.7).sin());
        y.iter_mut().step_by(4).for_each(|v| *v += 30.0);
        let error = |model: Regression| (model.predict(&[1200.0, 5.0]) - 5.15).abs();
        let robust = error(Regression::fit(x.view(), &y, default()));
        let plain = error(Regression::fit(x.view(), &y, checked(|p| p.huber_sigmas = 0.0)));
        assert!(robust < 0.1 && plain > 5.0, "robust off by {robust}, plain by {plain}");
    }

    #[test]
    fn squares_are_found_and_a_square_that_cannot_be_is_left_out() {
        let x = Array2::from_shape_fn((80, 2), |(i, j)| if j == 0 { i as f64 } else { f64::from(i % 2 == 0) });
        let y: Vec<f64> = x.rows().into_iter().map(|r| 1.0 + 0.5 * r[0] - 0.01 * r[0] * r[0] + 2.0 * r[1]).collect();
        let model = Regression::fit(x.view(), &y, checked(|p| p.squares = true));
        let (intercept, slopes) = model.coefficients();
        assert!((intercept - 1.0).abs() < 1e-8, "{intercept} {slopes:?}");
        assert!((slopes[0].0 - 0.5).abs() < 1e-9 && (slopes[0].1 + 0.01).abs() < 1e-11 && slopes[1].1 == 0.0);
    }

    #[test]
    fn what_cannot_be_used_is_named() {
        let (x, y) = plane();
        let mut wide = Array2::zeros((60, 5));
        for i in 0..60 {
            let repeats = 2.0 * x[[i, 0]] - 3.0 * x[[i, 1]];
            let mostly_missing = if i < 20 { 1.0 } else { f64::NAN };
            wide.row_mut(i).assign(&array![x[[i, 0]], 5.0, x[[i, 1]], repeats, mostly_missing]);
        }
        let model = Regression::fit(wide.view(), &y, default());
        let uses: Vec<_> = model.predictors().iter().map(|p| p.used).collect();
        use PredictorUse::{Constant, Missing, Repeats, Used};
        assert_eq!(uses, [Used, Constant, Used, Repeats, Missing]);
        assert!((model.predict(&[1200.0, 9.0, 5.0, 0.0, f64::NAN]) - 5.15).abs() < 1e-9);
    }

    #[test]
    fn without_a_relation_it_is_the_mean_and_says_why() {
        let (x, y) = plane();
        let reason = |x: ArrayView2<f64>, y: &[f64]| {
            let model = Regression::fit(x, y, default());
            (model.intercept_only(), model.predict(&vec![0.0; x.ncols()]))
        };
        let few = reason(x.view().split_at(ndarray::Axis(0), 29).0, &y);
        assert_eq!(few.0, Some(InterceptOnly::TooFewRows));
        assert!((few.1 - 5.0).abs() < 2.0);
        assert_eq!(reason(Array2::zeros((60, 2)).view(), &y).0, Some(InterceptOnly::NothingVaries));
        assert_eq!(reason(Array2::zeros((60, 0)).view(), &y).0, Some(InterceptOnly::NothingVaries));
        assert_eq!(reason(x.view(), &[4.0; 60]), (Some(InterceptOnly::ConstantTarget), 4.0));
        let nothing = reason(x.view(), &[f64::NAN; 60]);
        assert!(nothing.0.is_some() && nothing.1.is_nan());
        assert_eq!(
            RegressionParams { own_share: f64::NAN, ..RegressionParams::default() }.check().unwrap_err().len(),
            1
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn predictions_do_not_feel_a_change_of_unit_of_a_predictor(
            noise in prop::collection::vec(-1.0..1.0f64, 60), scale in 0.001..1e3f64, shift in -1e3..1e3f64,
        ) {
            let (x, mut y) = plane();
            y.iter_mut().zip(&noise).for_each(|(y, n)| *y += n);
            let mut other = x.clone();
            other.column_mut(0).mapv_inplace(|v| v * scale + shift);
            let (a, b) = (Regression::fit(x.view(), &y, default()), Regression::fit(other.view(), &y, default()));
            for i in 0..60 {
                let (p, q) = (a.predict(&x.row(i).to_vec()), b.predict(&other.row(i).to_vec()));
                prop_assert!((p - q).abs() < 1e-5, "{p} {q}");
            }
        }

        #[test]
        fn rows_that_are_not_finite_change_nothing_and_a_stored_model_predicts_the_same(
            noise in prop::collection::vec(-1.0..1.0f64, 60), hole in 0usize..60, which in 0usize..3,
        ) {
            let (x, mut y) = plane();
            y.iter_mut().zip(&noise).for_each(|(y, n)| *y += n);
            let mut rows = x.rows().into_iter().map(|r| r.to_vec()).collect::<Vec<_>>();
            let mut bad = vec![vec![1.0, 1.0], vec![f64::NAN, 1.0], vec![1.0, f64::INFINITY]].swap_remove(which);
            rows.insert(hole, std::mem::take(&mut bad));
            let mut holed_y = y.clone();
            holed_y.insert(hole, if which == 0 { f64::NAN } else { 1.0 });
            let holed = Array2::from_shape_fn((61, 2), |(i, j)| rows[i][j]);
            let model = Regression::fit(x.view(), &y, default());
            prop_assert_eq!(&model, &Regression::fit(holed.view(), &holed_y, default()));
            let stored: Regression = postcard::from_bytes(&postcard::to_stdvec(&model).unwrap()).unwrap();
            prop_assert_eq!(model.predict(&[1111.0, 3.0]), stored.predict(&[1111.0, 3.0]));
        }
    }
}
