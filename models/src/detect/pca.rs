//! How the points of a machine move together: Hotelling's T² inside the learned relation, squared prediction error (SPE)
//! off it.
//!
//! Rows are snapshots, columns points (n × p), usually already standardised by the baseline. The fit centres and scales
//! them itself, by mean and standard deviation of the complete rows, so results do not feel the unit they come in. The
//! first components that explain 90 % are kept; at least one dimension is left over for the SPE when two columns vary.
//! Columns that do not vary or are mostly missing are left out and flagged. Kept are plain numbers: p × (components + 3)
//! and p of `f64`; no allocation in [`Pca::score`] once its scratch was used.
//!
//! Missing cells: the scores are the most likely ones given the cells at hand under x = P t + e, t ~ N(0, Λ),
//! e ~ N(0, σ²), σ² the mean left-out eigenvalue (probabilistic PCA): t = (PₒᵀPₒ + σ²Λ⁻¹)⁻¹ Pₒᵀ xₒ. A missing cell
//! then adds nothing to the SPE and has no share: statistics come out low rather than high.
//!
//! linfa's decomposition (LOBPCG from a random start with a fixed seed) loses digits with many columns, and gives up on
//! dependent ones. A few Jacobi rotations on its basis bring it to machine precision; where it gives up, they start from
//! the axes.
//!
//! When *not* to use it: across operating states (fit one for each), or with fewer rows than three for each column.
//! Sources: Jackson and Mudholkar (1979), Technometrics 21; Box (1954); Tracy, Young and Mason (1992), J. Quality
//! Technology 24, for T²; Alcala and Qin (2009), Automatica 45, for contributions; Yue and Qin (2001) for the combined
//! index; Tipping and Bishop (1999) for missing cells.

use super::tail::{beta_quantile, chi2_quantile, chi2_score, f_quantile, normal_quantile};
use crate::param::{ParamFault, positive, within};
use linfa::DatasetBase;
use linfa::traits::Fit;
use ndarray::{Array2, ArrayView2};
use serde::{Deserialize, Serialize};

/// Eigenvalues of left-out dimensions are not taken below this share of one column's variance: two columns that agreed
/// to the last digit while learning would otherwise make every later rounding an alarm. Ours.
const SMALLEST_EIGENVALUE: f64 = 1e-6;

/// Standardised cells are held within this, so that no square overflows.
const FARTHEST: f64 = 1e6;

/// Settings of the fit.
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `explained_share` | 0.9 | of the variance, by the components kept | 0.05 to 1 |
/// | `false_alarm_rate` | 0.01 | of the limits that weigh T² against SPE in the combined index | 1e-9 to 0.5 |
/// | `rows_per_column` | 3 | complete rows wanted for each column that varies | above 0 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PcaParams {
    /// Share of the variance that the kept components explain at least.
    pub explained_share: f64,
    /// Rate at which the limits inside the combined index are exceeded by healthy rows.
    pub false_alarm_rate: f64,
    /// Complete rows wanted for each column that varies.
    pub rows_per_column: f64,
}

impl Default for PcaParams {
    fn default() -> Self {
        Self { explained_share: 0.9, false_alarm_rate: 0.01, rows_per_column: 3.0 }
    }
}

/// Settings that passed [`PcaParams::check`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckedPca(PcaParams);

impl PcaParams {
    /// All faults at once, or settings that can be used.
    ///
    /// # Errors
    /// Every setting out of its range.
    pub fn check(self) -> Result<CheckedPca, Vec<ParamFault>> {
        let faults: Vec<_> = [
            within("explained_share", self.explained_share, 0.05, 1.0),
            within("false_alarm_rate", self.false_alarm_rate, 1e-9, 0.5),
            positive("rows_per_column", self.rows_per_column),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(CheckedPca(self)) } else { Err(faults) }
    }
}

/// Why there is no model.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum PcaRefusal {
    /// No column varies (or none has values in half of the rows).
    NothingVaries,
    /// Too few rows have a value in every column that varies.
    TooFewRows {
        /// Complete rows.
        complete: usize,
        /// Rows wanted.
        wanted: usize,
    },
}

/// One column as it was learned.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PcaColumn {
    /// Mean over the complete rows.
    pub center: f64,
    /// Standard deviation over the complete rows, divisor n - 1.
    pub scale: f64,
    /// False: did not vary or was mostly missing, and has no part in the statistics.
    pub used: bool,
}

/// The learned relation, as plain numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pca {
    columns: Vec<PcaColumn>,
    /// Used columns × components, row-major.
    loadings: Vec<f64>,
    /// All eigenvalues of the correlation matrix of the used columns, falling; the left-out ones not below the floor.
    eigenvalues: Vec<f64>,
    components: usize,
    rows: usize,
    /// Limits inside the combined index; none for the SPE when nothing is left out.
    t2_limit: f64,
    spe_limit: Option<f64>,
}

/// Both statistics of a row.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct T2Spe {
    /// Hotelling's T² of the scores.
    pub t2: f64,
    /// Squared prediction error, in column variances.
    pub spe: f64,
    /// Used columns that had no finite value.
    pub missing: usize,
}

/// Which statistic to divide among the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Statistic {
    /// Hotelling's T².
    T2,
    /// Squared prediction error.
    Spe,
    /// The combined index.
    Combined,
}

/// Room for one row, kept by the caller; holds the row last scored.
#[derive(Debug, Default, Clone)]
pub struct PcaScratch {
    x: Vec<f64>,
    seen: Vec<bool>,
    scores: Vec<f64>,
    gram: Vec<f64>,
    /// Λ^-½-weighted projection: its squares add up to T².
    inside: Vec<f64>,
    /// What the components leave: its squares add up to the SPE.
    outside: Vec<f64>,
}

impl Pca {
    /// Learns from `rows` (n × p). Cells that are not finite are missing; only rows complete in the used columns count.
    ///
    /// # Errors
    /// A [`PcaRefusal`].
    pub fn fit(rows: ArrayView2<f64>, params: CheckedPca) -> Result<Self, PcaRefusal> {
        let params = params.0;
        let (columns, data) = standardise(rows, params.rows_per_column)?;
        let (n, used) = data.dim();
        let (mut eigenvalues, basis) = decompose(&data);
        let total: f64 = eigenvalues.iter().sum();
        let mut explained = 0.0;
        let wanted = eigenvalues
            .iter()
            .take_while(|&&value| {
                let go_on = explained < params.explained_share * total * (1.0 - 1e-12);
                explained += value;
                go_on
            })
            .count();
        let solid = eigenvalues.iter().filter(|&&value| value > SMALLEST_EIGENVALUE).count();
        let most = if used > 1 { used - 1 } else { 1 };
        let components = wanted.min(solid).min(most).min(n.saturating_sub(2)).max(1);
        let loadings = (0..used).flat_map(|row| basis[row * used..row * used + components].to_vec()).collect();
        eigenvalues.iter_mut().for_each(|value| *value = value.max(SMALLEST_EIGENVALUE));
        let mut pca = Pca { columns, loadings, eigenvalues, components, rows: n, t2_limit: 0.0, spe_limit: None };
        pca.t2_limit = pca.t2_limit(params.false_alarm_rate);
        pca.spe_limit = pca.spe_limit(params.false_alarm_rate);
        Ok(pca)
    }

    /// The columns as learned.
    pub fn columns(&self) -> &[PcaColumn] {
        &self.columns
    }

    /// Components kept.
    pub fn components(&self) -> usize {
        self.components
    }

    /// Complete rows learned from.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Eigenvalues of the correlation matrix of the used columns, falling.
    pub fn eigenvalues(&self) -> &[f64] {
        &self.eigenvalues
    }

    /// Loadings, used columns × components, row-major; in each component the entry of largest size is positive.
    pub fn loadings(&self) -> &[f64] {
        &self.loadings
    }

    /// T² and SPE of one row of p values, in the unit of the rows learned from; values that are not finite are missing.
    ///
    /// `None` when the length differs or no used column has a value.
    pub fn score(&self, row: &[f64], scratch: &mut PcaScratch) -> Option<T2Spe> {
        if row.len() != self.columns.len() {
            return None;
        }
        let a = self.components.max(1);
        let PcaScratch { x, seen, scores, gram, inside, outside } = scratch;
        x.clear();
        seen.clear();
        for (value, column) in row.iter().zip(&self.columns).filter(|(_, column)| column.used) {
            let z = (value - column.center) / column.scale;
            seen.push(z.is_finite());
            x.push(if z.is_finite() { z.clamp(-FARTHEST, FARTHEST) } else { 0.0 });
        }
        let missing = seen.iter().filter(|seen| !**seen).count();
        if missing == x.len() {
            return None;
        }
        // A missing cell is zero here, so it takes no part in Pᵀx.
        scores.clear();
        scores.resize(a, 0.0);
        for (x, loadings) in x.iter().zip(self.loadings.chunks_exact(a)) {
            scores.iter_mut().zip(loadings).for_each(|(t, p)| *t += p * x);
        }
        if missing > 0 {
            self.complete_scores(seen, scores, gram);
        }
        let t2 = scores.iter().zip(&self.eigenvalues).map(|(t, l)| t * t / l).sum();
        inside.clear();
        outside.clear();
        let mut spe = 0.0;
        for ((x, seen), loadings) in x.iter().zip(&*seen).zip(self.loadings.chunks_exact(a)) {
            let (mut fitted, mut weighted) = (0.0, 0.0);
            for ((p, t), lambda) in loadings.iter().zip(&*scores).zip(&self.eigenvalues) {
                fitted += p * t;
                weighted += p * t / lambda.sqrt();
            }
            let left = if *seen { x - fitted } else { 0.0 };
            spe += left * left;
            outside.push(left);
            inside.push(weighted);
        }
        if self.eigenvalues.len() <= a {
            // Nothing was left out: what remains is rounding.
            spe = 0.0;
            outside.fill(0.0);
        }
        Some(T2Spe { t2, spe, missing })
    }

    /// (PₒᵀPₒ + σ²Λ⁻¹) t = Pₒᵀxₒ, by Cholesky in place; positive definite whatever is missing.
    fn complete_scores(&self, seen: &[bool], scores: &mut [f64], gram: &mut Vec<f64>) {
        let a = scores.len();
        let left_out = self.eigenvalues.get(a..).unwrap_or(&[]);
        let noise = if left_out.is_empty() {
            SMALLEST_EIGENVALUE
        } else {
            left_out.iter().sum::<f64>() / left_out.len() as f64
        };
        gram.clear();
        gram.resize(a * a, 0.0);
        for (loadings, _) in self.loadings.chunks_exact(a).zip(seen).filter(|(_, seen)| **seen) {
            for (row, p) in gram.chunks_exact_mut(a).zip(loadings) {
                row.iter_mut().zip(loadings).for_each(|(g, q)| *g += p * q);
            }
        }
        for (i, lambda) in self.eigenvalues.iter().take(a).enumerate() {
            gram[i * a + i] += noise / lambda;
        }
        for i in 0..a {
            for j in 0..=i {
                let known: f64 = (0..j).map(|k| gram[i * a + k] * gram[j * a + k]).sum();
                let rest = gram[i * a + j] - known;
                gram[i * a + j] = if i == j { rest.max(f64::MIN_POSITIVE).sqrt() } else { rest / gram[j * a + j] };
            }
        }
        for i in 0..a {
            let known: f64 = (0..i).map(|k| gram[i * a + k] * scores[k]).sum();
            scores[i] = (scores[i] - known) / gram[i * a + i];
        }
        for i in (0..a).rev() {
            let known: f64 = (i + 1..a).map(|k| gram[k * a + i] * scores[k]).sum();
            scores[i] = (scores[i] - known) / gram[i * a + i];
        }
    }

    /// Share of each of the p columns in a statistic of the row last scored with `scratch`; not negative, sum 1 (all 0
    /// when the statistic is 0 or the scratch holds no row of this model). Complete-decomposition contributions: the
    /// squared entries of M^½x for the statistic xᵀMx.
    pub fn shares(&self, scratch: &PcaScratch, statistic: Statistic, out: &mut [f64]) {
        out.fill(0.0);
        let in_weight = 1.0 / self.t2_limit.sqrt();
        let out_weight = self.spe_limit.map_or(0.0, |limit| 1.0 / limit.sqrt());
        let mut parts = scratch.inside.iter().zip(&scratch.outside).map(|(inside, outside)| match statistic {
            Statistic::T2 => inside * inside,
            Statistic::Spe => outside * outside,
            Statistic::Combined => (inside * in_weight + outside * out_weight).powi(2),
        });
        let mut total = 0.0;
        for (slot, _) in out.iter_mut().zip(&self.columns).filter(|(_, column)| column.used) {
            let part: f64 = parts.next().unwrap_or(0.0);
            total += part;
            *slot = part;
        }
        if total > 0.0 {
            out.iter_mut().for_each(|share| *share /= total);
        }
    }

    /// The combined index: T² over its limit plus SPE over its limit.
    pub fn combined(&self, row: T2Spe) -> f64 {
        row.t2 / self.t2_limit + self.spe_limit.map_or(0.0, |limit| row.spe / limit)
    }

    /// Scale and degrees of freedom of the combined index on healthy rows, as g χ²(h).
    fn combined_box(&self) -> (f64, f64) {
        let a = self.components as f64;
        let (mut first, mut second) = (a / self.t2_limit, a / (self.t2_limit * self.t2_limit));
        if let Some(limit) = self.spe_limit {
            let [theta1, theta2, _] = self.thetas();
            first += theta1 / limit;
            second += theta2 / (limit * limit);
        }
        (second / first, first * first / second)
    }

    /// Mean of the combined index on healthy rows, and the degrees of freedom of the χ² it is taken for.
    pub fn combined_moments(&self) -> (f64, f64) {
        let (g, h) = self.combined_box();
        (g * h, h)
    }

    /// How much larger than with a known relation the statistics come out at rate `alpha`, for a relation that rests on
    /// `rows` independent rows: a(n−1)(n+1)/(n(n−a)) F(1−α; a, n−a) against χ²(1−α; a), a the degrees of freedom of the
    /// combined index. At least 1.
    pub fn room(&self, rows: f64, alpha: f64) -> f64 {
        let (_, a) = self.combined_box();
        let n = rows.max(a + 4.0);
        let estimated = a * (n - 1.0) * (n + 1.0) / (n * (n - a)) * f_quantile(1.0 - alpha, a, n - a);
        let known = chi2_quantile(1.0 - alpha, a);
        let room = estimated / known;
        if room.is_finite() { room.max(1.0) } else { 1.0 }
    }

    /// Value of the combined index that healthy rows exceed at rate `alpha`.
    pub fn combined_limit(&self, alpha: f64) -> f64 {
        let (g, h) = self.combined_box();
        g * chi2_quantile(1.0 - alpha, h)
    }

    /// One number for a row: the two-sided standard score of the combined index, taken as g χ²(h) with the mean and
    /// variance that the index has on healthy rows. Between 0 and [`super::tail::MAX_Z`]; a healthy row gives 1 as
    /// often as a single healthy point lies one standard deviation off.
    pub fn deviation(&self, row: T2Spe) -> f64 {
        let (g, h) = self.combined_box();
        chi2_score(self.combined(row) / g, h)
    }

    /// Limit of T² for a new row, exceeded at rate `alpha`: a(n-1)(n+1)/(n(n-a)) F(1-α; a, n-a).
    pub fn t2_limit(&self, alpha: f64) -> f64 {
        let (a, n) = (self.components as f64, self.rows as f64);
        a * (n - 1.0) * (n + 1.0) / (n * (n - a)) * f_quantile(1.0 - alpha, a, n - a)
    }

    /// Limit of T² for the rows learned from: (n-1)²/n Beta(1-α; a/2, (n-a-1)/2).
    pub fn t2_limit_training(&self, alpha: f64) -> f64 {
        let (a, n) = (self.components as f64, self.rows as f64);
        (n - 1.0) * (n - 1.0) / n * beta_quantile(1.0 - alpha, 0.5 * a, 0.5 * (n - a - 1.0))
    }

    /// Limit of the SPE at rate `alpha`, by Jackson and Mudholkar; by Box where their power transform does not exist.
    /// `None` when nothing is left out.
    pub fn spe_limit(&self, alpha: f64) -> Option<f64> {
        let [theta1, theta2, theta3] = self.thetas();
        if theta1 <= 0.0 {
            return None;
        }
        let h0 = 1.0 - 2.0 * theta1 * theta3 / (3.0 * theta2 * theta2);
        let c = normal_quantile(1.0 - alpha);
        let base = c * (2.0 * theta2 * h0 * h0).sqrt() / theta1 + 1.0 + theta2 * h0 * (h0 - 1.0) / (theta1 * theta1);
        let limit = theta1 * base.powf(1.0 / h0);
        if h0 > 0.0 && limit.is_finite() { Some(limit) } else { self.spe_limit_box(alpha) }
    }

    /// Limit of the SPE at rate `alpha`, by Box: g χ²(1-α; h), g = θ₂/θ₁, h = θ₁²/θ₂. `None` when nothing is left out.
    pub fn spe_limit_box(&self, alpha: f64) -> Option<f64> {
        let [theta1, theta2, _] = self.thetas();
        (theta1 > 0.0).then(|| theta2 / theta1 * chi2_quantile(1.0 - alpha, theta1 * theta1 / theta2))
    }

    /// Sums of the first three powers of the left-out eigenvalues.
    fn thetas(&self) -> [f64; 3] {
        let left_out = self.eigenvalues.get(self.components..).unwrap_or(&[]);
        [1, 2, 3].map(|power| left_out.iter().map(|value| value.powi(power)).sum())
    }
}

/// The used columns of the complete rows, centred and scaled.
fn standardise(rows: ArrayView2<f64>, rows_per_column: f64) -> Result<(Vec<PcaColumn>, Array2<f64>), PcaRefusal> {
    let n = rows.nrows();
    let mut columns: Vec<PcaColumn> = rows
        .columns()
        .into_iter()
        .map(|column| {
            let finite = column.iter().filter(|v| v.is_finite()).count();
            PcaColumn { center: 0.0, scale: 0.0, used: finite > 0 && 2 * finite >= n }
        })
        .collect();
    // Dropping a column that does not vary can make rows complete and so change the others: at most p rounds.
    loop {
        let used = columns.iter().filter(|c| c.used).count();
        if used == 0 {
            return Err(PcaRefusal::NothingVaries);
        }
        let complete: Vec<usize> =
            (0..n).filter(|&i| rows.row(i).iter().zip(&columns).all(|(v, c)| !c.used || v.is_finite())).collect();
        let count = complete.len() as f64;
        let mut dropped = false;
        if complete.len() > 1 {
            for (j, column) in columns.iter_mut().enumerate().filter(|(_, c)| c.used) {
                let values = || complete.iter().map(|&i| rows[[i, j]]);
                // From the first value on: a constant then is its own mean to the last digit.
                let first = values().next().unwrap_or(0.0);
                column.center = first + values().map(|v| (v - first) / count).sum::<f64>();
                let square: f64 = values().map(|v| (v - column.center).powi(2)).sum();
                column.scale = (square / (count - 1.0)).sqrt();
                if !(column.scale.is_finite() && column.scale > 8.0 * f64::EPSILON * column.center.abs()) {
                    column.used = false;
                    dropped = true;
                }
            }
        }
        if dropped {
            continue;
        }
        let wanted = ((rows_per_column * used as f64).ceil() as usize).max(5);
        if complete.len() < wanted {
            return Err(PcaRefusal::TooFewRows { complete: complete.len(), wanted });
        }
        let mut data = Array2::zeros((complete.len(), used));
        for (mut to, &from) in data.rows_mut().into_iter().zip(&complete) {
            let kept = rows.row(from);
            let kept = kept.iter().zip(&columns).filter(|(_, c)| c.used);
            to.iter_mut().zip(kept).for_each(|(to, (v, c))| *to = (v - c.center) / c.scale);
        }
        return Ok((columns, data));
    }
}

/// Eigenvalues (falling) and eigenvectors (columns of a row-major p × p) of the correlation matrix of `data`.
fn decompose(data: &Array2<f64>) -> (Vec<f64>, Vec<f64>) {
    let (n, p) = data.dim();
    // Divided so that the matrix linfa sees is the correlation matrix: its tolerance is absolute.
    let scaled = data / (n as f64 - 1.0).sqrt();
    let correlation = scaled.t().dot(&scaled);
    let mut basis = vec![0.0; p * p];
    (0..p).for_each(|i| basis[i * p + i] = 1.0);
    if let Ok(fitted) = linfa_reduction::Pca::params(p).fit(&DatasetBase::from(scaled)) {
        let components = fitted.components();
        if components.dim() == (p, p) && components.iter().all(|v| v.is_finite()) {
            let from_linfa: Vec<f64> = components.t().iter().copied().collect();
            if let Some(orthonormal) = orthonormalise(from_linfa, p) {
                basis = orthonormal;
            }
        }
    }
    // The matrix in that basis is nearly diagonal; finish with Jacobi rotations.
    let turn = Array2::from_shape_fn((p, p), |(i, j)| basis[i * p + j]);
    let mut matrix: Vec<f64> = turn.t().dot(&correlation).dot(&turn).iter().copied().collect();
    jacobi(&mut matrix, &mut basis, p);
    let mut order: Vec<usize> = (0..p).collect();
    order.sort_by(|&i, &j| matrix[j * p + j].total_cmp(&matrix[i * p + i]));
    let mut sorted = vec![0.0; p * p];
    for (to, &from) in order.iter().enumerate() {
        let largest = (0..p).map(|row| basis[row * p + from]).max_by(|a, b| a.abs().total_cmp(&b.abs()));
        let sign = if largest.unwrap_or(1.0) < 0.0 { -1.0 } else { 1.0 };
        (0..p).for_each(|row| sorted[row * p + to] = sign * basis[row * p + from]);
    }
    (order.iter().map(|&i| matrix[i * p + i].max(0.0)).collect(), sorted)
}

/// Gram-Schmidt, twice, on the columns; `None` when they are not independent.
fn orthonormalise(mut basis: Vec<f64>, p: usize) -> Option<Vec<f64>> {
    for col in 0..p {
        for _ in 0..2 {
            for before in 0..col {
                let along: f64 = (0..p).map(|r| basis[r * p + col] * basis[r * p + before]).sum();
                (0..p).for_each(|r| basis[r * p + col] -= along * basis[r * p + before]);
            }
        }
        let length = (0..p).map(|r| basis[r * p + col].powi(2)).sum::<f64>().sqrt();
        let independent = length > 0.5;
        if !independent {
            return None;
        }
        (0..p).for_each(|r| basis[r * p + col] /= length);
    }
    Some(basis)
}

/// Cyclic Jacobi on a symmetric row-major `matrix`, turning the columns of `basis` along.
/// Source: Golub and Van Loan, Matrix Computations, section on Jacobi methods.
fn jacobi(matrix: &mut [f64], basis: &mut [f64], p: usize) {
    for _ in 0..60 {
        let mut turned = false;
        for i in 0..p {
            for j in i + 1..p {
                let off = 0.5 * (matrix[i * p + j] + matrix[j * p + i]);
                let (aii, ajj) = (matrix[i * p + i], matrix[j * p + j]);
                if off.abs() <= 1e-17 * (aii.abs() + ajj.abs()) {
                    continue;
                }
                turned = true;
                let tau = (ajj - aii) / (2.0 * off);
                let t = 1f64.copysign(tau) / (tau.abs() + (1.0 + tau * tau).sqrt());
                let c = 1.0 / (1.0 + t * t).sqrt();
                let s = t * c;
                for k in 0..p {
                    let (a, b) = (matrix[k * p + i], matrix[k * p + j]);
                    matrix[k * p + i] = c * a - s * b;
                    matrix[k * p + j] = s * a + c * b;
                }
                for k in 0..p {
                    let (a, b) = (matrix[i * p + k], matrix[j * p + k]);
                    matrix[i * p + k] = c * a - s * b;
                    matrix[j * p + k] = s * a + c * b;
                    let (a, b) = (basis[k * p + i], basis[k * p + j]);
                    basis[k * p + i] = c * a - s * b;
                    basis[k * p + j] = s * a + c * b;
                }
            }
        }
        if !turned {
            break;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn checked() -> CheckedPca {
        PcaParams::default().check().unwrap()
    }

    /// n rows of p columns driven by two hidden causes, from a fixed generator.
    fn made(n: usize, p: usize, seed: u64) -> Array2<f64> {
        let mut state = seed | 1;
        let mut noise = move || {
            (0..6)
                .map(|_| {
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
                })
                .sum::<f64>()
        };
        let mut rows = Array2::zeros((n, p));
        for mut row in rows.rows_mut() {
            let (a, b) = (noise(), noise());
            row.iter_mut().enumerate().for_each(|(j, v)| {
                *v = a * (1.0 + j as f64) + b * (if j % 2 == 0 { 2.0 } else { -1.0 }) + 0.3 * noise();
            });
        }
        rows
    }

    #[test]
    fn constant_and_missing_columns_are_left_out_and_flagged() {
        let mut rows = made(60, 5, 3);
        rows.column_mut(1).fill(0.1);
        rows.column_mut(3).iter_mut().skip(20).for_each(|v| *v = f64::NAN);
        let pca = Pca::fit(rows.view(), checked()).unwrap();
        assert_eq!(pca.columns().iter().map(|c| c.used).collect::<Vec<_>>(), [true, false, true, false, true]);
        assert_eq!(pca.rows(), 60);
        assert!(pca.components() < 3);
        let scratch = &mut PcaScratch::default();
        let mut row = rows.row(0).to_vec();
        let base = pca.score(&row, scratch).unwrap();
        (row[1], row[3]) = (77.0, f64::INFINITY);
        assert_eq!(pca.score(&row, scratch).unwrap(), base);
        let mut shares = [9.0; 5];
        pca.shares(scratch, Statistic::Combined, &mut shares);
        assert_eq!((shares[1], shares[3]), (0.0, 0.0));
    }

    #[test]
    fn one_column_has_t2_only() {
        let rows = made(40, 1, 5);
        let pca = Pca::fit(rows.view(), checked()).unwrap();
        assert_eq!((pca.components(), pca.spe_limit(0.01)), (1, None));
        let column = pca.columns()[0];
        let row = pca.score(&[column.center + 3.0 * column.scale], &mut PcaScratch::default()).unwrap();
        assert!((row.t2 - 9.0).abs() < 1e-12 && row.spe == 0.0);
        // One column, three standard deviations: the score is three.
        assert!((pca.deviation(row) - 3.0).abs() < 1e-12);
    }

    #[test]
    fn too_little_is_refused_with_its_numbers() {
        let params = checked();
        assert_eq!(Pca::fit(Array2::zeros((9, 3)).view(), params), Err(PcaRefusal::NothingVaries));
        assert_eq!(Pca::fit(Array2::zeros((0, 3)).view(), params), Err(PcaRefusal::NothingVaries));
        assert_eq!(Pca::fit(Array2::zeros((9, 0)).view(), params), Err(PcaRefusal::NothingVaries));
        assert_eq!(Pca::fit(made(8, 3, 1).view(), params), Err(PcaRefusal::TooFewRows { complete: 8, wanted: 9 }));
        let faults = PcaParams { explained_share: f64::NAN, false_alarm_rate: 0.0, rows_per_column: -1.0 }.check();
        assert_eq!(faults.unwrap_err().len(), 3);
    }

    #[test]
    fn columns_that_repeat_each_other_do_not_make_rounding_an_alarm() {
        let mut rows = made(80, 4, 11);
        for i in 0..80 {
            rows[[i, 2]] = 2.0 * rows[[i, 0]] + 1.0;
        }
        let pca =
            Pca::fit(rows.view(), PcaParams { explained_share: 1.0, ..PcaParams::default() }.check().unwrap()).unwrap();
        assert_eq!(pca.components(), 3);
        let scratch = &mut PcaScratch::default();
        for row in rows.rows() {
            let row = pca.score(&row.to_vec(), scratch).unwrap();
            assert!(row.spe < 1e-3 * pca.spe_limit(0.01).unwrap(), "{row:?}");
        }
        // The two parting by a hundredth of a standard deviation is seen.
        let mut apart = rows.row(0).to_vec();
        apart[2] += 0.02 * pca.columns()[2].scale;
        assert!(pca.score(&apart, scratch).unwrap().spe > pca.spe_limit(0.001).unwrap());
    }

    #[test]
    fn a_missing_cell_is_taken_from_the_others() {
        let rows = made(200, 6, 21);
        let pca = Pca::fit(rows.view(), checked()).unwrap();
        let scratch = &mut PcaScratch::default();
        let mut worst: f64 = 0.0;
        for row in rows.rows() {
            let full = pca.score(&row.to_vec(), scratch).unwrap();
            let mut holed = row.to_vec();
            holed[4] = f64::NAN;
            let part = pca.score(&holed, scratch).unwrap();
            assert_eq!(part.missing, 1);
            worst = worst.max((part.t2.sqrt() - full.t2.sqrt()).abs());
            let mut shares = [0.0; 6];
            pca.shares(scratch, Statistic::Spe, &mut shares);
            assert_eq!(shares[4], 0.0);
        }
        // Leaving the cell at its mean instead would move √T² by up to one and more.
        assert!(worst < 0.5, "√T² moved by {worst}");
        assert_eq!(pca.score(&[f64::NAN; 6], scratch), None);
        assert_eq!(pca.score(&[0.0; 5], scratch), None);
    }

    /// On fresh rows of the same kind the limits are exceeded about as often as they say, and the deviation has the
    /// spread of a standard score. 20,000 rows; at 1 % four standard errors are 0.3 %, and the limits carry the error
    /// of 2,000 rows learned from and the sum of six uniforms, whose tails are light: a third of either way.
    #[test]
    fn limits_hold_on_fresh_rows() {
        let all = made(22_000, 8, 77);
        let pca = Pca::fit(all.view().split_at(ndarray::Axis(0), 2000).0, checked()).unwrap();
        let scratch = &mut PcaScratch::default();
        let (mut t2, mut spe, mut one, mut three) = (0, 0, 0, 0);
        for row in all.rows().into_iter().skip(2000) {
            let row = pca.score(&row.to_vec(), scratch).unwrap();
            t2 += usize::from(row.t2 > pca.t2_limit(0.05));
            spe += usize::from(row.spe > pca.spe_limit(0.05).unwrap());
            one += usize::from(pca.deviation(row) > 1.0);
            three += usize::from(pca.deviation(row) > 3.0);
        }
        let rate = |count: usize| count as f64 / 20_000.0;
        assert!((0.035..0.065).contains(&rate(t2)), "T²: {}", rate(t2));
        assert!((0.035..0.065).contains(&rate(spe)), "SPE: {}", rate(spe));
        assert!((0.27..0.37).contains(&rate(one)), "above one: {}", rate(one));
        assert!(rate(three) < 0.006, "above three: {}", rate(three));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]
        #[test]
        fn a_change_of_unit_is_not_felt(seed in 1u64..1000, scale in 0.01..100.0f64, shift in -50.0..50.0f64) {
            let rows = made(50, 4, seed);
            let mut other = rows.clone();
            other.column_mut(2).mapv_inplace(|v| v * scale + shift);
            let (a, b) = (Pca::fit(rows.view(), checked()).unwrap(), Pca::fit(other.view(), checked()).unwrap());
            let (s, r) = (&mut PcaScratch::default(), &mut PcaScratch::default());
            for i in 0..10 {
                let (x, y) = (a.score(&rows.row(i).to_vec(), s).unwrap(), b.score(&other.row(i).to_vec(), r).unwrap());
                prop_assert!((x.t2 - y.t2).abs() < 1e-7 * (1.0 + x.t2) && (x.spe - y.spe).abs() < 1e-7 * (1.0 + x.spe));
            }
        }

        #[test]
        fn shares_add_up_to_one_and_a_stored_model_scores_the_same(
            seed in 1u64..1000, row in prop::collection::vec(-1e3..1e3f64, 5), hole in 0usize..8,
        ) {
            let pca = Pca::fit(made(50, 5, seed).view(), checked()).unwrap();
            let stored: Pca = postcard::from_bytes(&postcard::to_stdvec(&pca).unwrap()).unwrap();
            let mut row = row;
            if hole < 5 {
                row[hole] = f64::NAN;
            }
            let (s, r) = (&mut PcaScratch::default(), &mut PcaScratch::default());
            let scored = pca.score(&row, s).unwrap();
            prop_assert_eq!(Some(scored), stored.score(&row, r));
            prop_assert!(pca.deviation(scored).is_finite());
            for statistic in [Statistic::T2, Statistic::Spe, Statistic::Combined] {
                let mut shares = [0.0; 5];
                pca.shares(s, statistic, &mut shares);
                prop_assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{shares:?}");
                prop_assert!(shares.iter().all(|share| *share >= 0.0));
            }
        }
    }
}
