//! Many points → one wear index: the linear combination of them that told best, over past cases, how much life was left.
//!
//! Ridge regression of the remaining life, capped (long before the end there is nothing to see, and the regression should
//! not try to), on the points' levels or on their changes from normal, whichever tells it better of a case left out.
//! Levels win where machines are of one make and fail at a common level, changes where each has its own.
//!
//! Source: index by regression on run-to-failure cases: Wang, Yu, Siegel & Lee (2008), A similarity-based prognostics
//! approach for remaining useful life estimation, PHM 2008; ridge: Hoerl & Kennard (1970), Technometrics 12 (from memory).

use super::case::Case;
use serde::{Deserialize, Serialize};

/// Penalty on standardised weights.
const RIDGE: f64 = 0.01;
/// Remaining life above this share of the median life is all the same.
const CAP_SHARE: f64 = 0.6;
/// A point missing in more than this share of the rows is not used.
const MOST_MISSING: f64 = 0.1;
/// Standard deviation, in rows, of the kernel that smooths a past case's index.
const SMOOTH_ROWS: f64 = 4.0;

/// What the points' values are taken as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Basis {
    Levels,
    Changes,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Index {
    basis: Basis,
    /// Points used.
    used: Vec<usize>,
    weights: Vec<f64>,
    intercept: f64,
}

/// Sums of a regression: [1, x, y]ᵀ[1, x, y], row-major.
#[derive(Debug, Clone)]
struct Gram {
    width: usize,
    sums: Vec<f64>,
}

impl Gram {
    fn new(points: usize) -> Self {
        let width = points + 2;
        Self { width, sums: vec![0.0; width * width] }
    }

    fn add(&mut self, row: &[f64]) {
        for (i, a) in row.iter().enumerate() {
            for (sum, b) in self.sums[i * self.width..][..self.width].iter_mut().zip(row) {
                *sum += a * b;
            }
        }
    }

    fn combine(&mut self, other: &Self, sign: f64) {
        self.sums.iter_mut().zip(&other.sums).for_each(|(s, o)| *s += sign * o);
    }

    fn at(&self, i: usize, j: usize) -> f64 {
        self.sums[i * self.width + j]
    }

    /// Intercept and weights; points without variance get 0.
    fn solve(&self) -> Option<(f64, Vec<f64>)> {
        let k = self.width - 2;
        let n = self.at(0, 0);
        if n.is_nan() || n < 2.0 {
            return None;
        }
        let mean = |i: usize| self.at(0, i) / n;
        let cov = |i: usize, j: usize| self.at(i, j) / n - mean(i) * mean(j);
        let sd: Vec<f64> = (1..=k).map(|i| cov(i, i).max(0.0).sqrt()).collect();
        let alive: Vec<usize> = (0..k).filter(|&i| sd[i] > 1e-9 * mean(i + 1).abs() && sd[i] > 0.0).collect();
        let m = alive.len();
        // Cholesky of the correlation matrix with the ridge on its diagonal.
        let mut low = vec![0.0; m * m];
        let mut solved = vec![0.0; m];
        for i in 0..m {
            let a = alive[i];
            for j in 0..=i {
                let b = alive[j];
                let mut rest = cov(a + 1, b + 1) / (sd[a] * sd[b]) + if i == j { RIDGE } else { 0.0 };
                rest -= (0..j).map(|l| low[i * m + l] * low[j * m + l]).sum::<f64>();
                low[i * m + j] = if i == j { rest.max(1e-12).sqrt() } else { rest / low[j * m + j] };
            }
            let rest = cov(a + 1, k + 1) / sd[a] - (0..i).map(|l| low[i * m + l] * solved[l]).sum::<f64>();
            solved[i] = rest / low[i * m + i];
        }
        for i in (0..m).rev() {
            let rest = solved[i] - (i + 1..m).map(|l| low[l * m + i] * solved[l]).sum::<f64>();
            solved[i] = rest / low[i * m + i];
        }
        let mut weights = vec![0.0; k];
        for (w, a) in solved.iter().zip(&alive) {
            weights[*a] = w / sd[*a];
        }
        let intercept = mean(k + 1) - weights.iter().enumerate().map(|(i, w)| w * mean(i + 1)).sum::<f64>();
        let finite = intercept.is_finite() && weights.iter().all(|w| w.is_finite());
        finite.then_some((intercept, weights))
    }

    /// Sum of squared errors of a solution over the rows in these sums.
    fn squares(&self, intercept: f64, weights: &[f64]) -> f64 {
        let mut c = vec![-intercept];
        c.extend(weights.iter().map(|w| -w));
        c.push(1.0);
        (0..self.width).map(|i| (0..self.width).map(|j| c[i] * c[j] * self.at(i, j)).sum::<f64>()).sum()
    }
}

/// Median of at least one value.
pub(super) fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

impl Index {
    /// `None` when no point is usable in all cases.
    pub(super) fn learn(cases: &[Case]) -> Option<Self> {
        let points = cases.first()?.points();
        let used: Vec<usize> = (0..points)
            .filter(|&p| {
                cases.iter().all(|c| {
                    let missing = c.levels.iter().skip(p).step_by(points).filter(|v| !v.is_finite()).count();
                    c.normal[p].is_finite() && missing as f64 <= MOST_MISSING * c.rows() as f64
                })
            })
            .collect();
        let mut lives: Vec<f64> = cases.iter().map(|c| c.rows() as f64 * c.step_hours).collect();
        let cap = CAP_SHARE * median(&mut lives);
        let tried = [Basis::Levels, Basis::Changes].into_iter().filter_map(|basis| {
            let grams: Vec<Gram> = cases.iter().map(|c| gram(c, basis, &used, cap)).collect();
            let mut all = Gram::new(used.len());
            grams.iter().for_each(|g| all.combine(g, 1.0));
            let error: f64 = grams
                .iter()
                .map(|g| {
                    let mut rest = all.clone();
                    rest.combine(g, -1.0);
                    rest.solve().map_or(f64::INFINITY, |(b, w)| g.squares(b, &w) / g.at(0, 0).max(1.0))
                })
                .sum();
            let (intercept, weights) = all.solve()?;
            Some((error, Self { basis, used: used.clone(), weights, intercept }))
        });
        let best = tried.min_by(|a, b| a.0.total_cmp(&b.0))?;
        best.0.is_finite().then_some(best.1)
    }

    /// Index of one row; NaN when a point it needs is missing.
    pub(super) fn of(&self, row: &[f64], normal: &[f64]) -> f64 {
        let mut sum = self.intercept;
        for (&p, w) in self.used.iter().zip(&self.weights) {
            let (Some(level), Some(normal)) = (row.get(p), normal.get(p)) else { return f64::NAN };
            if *w != 0.0 {
                sum += w * value(self.basis, *level, *normal);
            }
        }
        sum
    }

    /// Index over a case's rows, gaps left out of a Gaussian smoothing: (smooth, variance about it).
    pub(super) fn curve(&self, case: &Case) -> (Vec<f64>, f64) {
        let raw: Vec<f64> = case.levels.chunks_exact(case.points()).map(|row| self.of(row, &case.normal)).collect();
        let reach = (3.0 * SMOOTH_ROWS) as usize;
        let kernel: Vec<f64> = (0..=reach).map(|d| (-0.5 * (d as f64 / SMOOTH_ROWS).powi(2)).exp()).collect();
        let smooth: Vec<f64> = (0..raw.len())
            .map(|i| {
                let from = i.saturating_sub(reach);
                let (mut sum, mut weight) = (0.0, 0.0);
                for (j, v) in raw.iter().enumerate().take(i + reach + 1).skip(from).filter(|(_, v)| v.is_finite()) {
                    let k = kernel[i.abs_diff(j)];
                    sum += k * v;
                    weight += k;
                }
                sum / weight
            })
            .collect();
        let off = raw.iter().zip(&smooth).map(|(r, s)| (r - s) * (r - s)).filter(|d| d.is_finite());
        let (count, sum) = off.fold((0.0, 0.0), |(n, s), d| (n + 1.0, s + d));
        (smooth, sum / count)
    }
}

fn value(basis: Basis, level: f64, normal: f64) -> f64 {
    match basis {
        Basis::Levels => level,
        Basis::Changes => level - normal,
    }
}

fn gram(case: &Case, basis: Basis, used: &[usize], cap: f64) -> Gram {
    let mut gram = Gram::new(used.len());
    let rows = case.rows();
    let mut row = vec![1.0; used.len() + 2];
    for (i, levels) in case.levels.chunks_exact(case.points()).enumerate() {
        for (slot, &p) in row[1..].iter_mut().zip(used) {
            *slot = value(basis, levels[p], case.normal[p]);
        }
        row[used.len() + 1] = ((rows - 1 - i) as f64 * case.step_hours).min(cap);
        if row.iter().all(|v| v.is_finite()) {
            gram.add(&row);
        }
    }
    gram
}
