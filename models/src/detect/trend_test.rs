//! A slow drift: its slope by Theil and Sen, whether it is one by Mann and Kendall, corrected for autocorrelation.
//!
//! Input: times and values of equal length, some 10 to 400 aggregated residuals (say hourly medians of value minus
//! expected, so that a change of load is no drift). Robust: up to 29 % of the values may be wild. Pairs that are not
//! finite are left out. Quadratic: n²/2 slopes in a scratch the caller keeps, 640 kB and about a millisecond at n = 400;
//! no allocation once the scratch has grown.
//!
//! When *not* to use it: for a step (the test finds one, but the slope means nothing) and for a series with a daily
//! cycle over fewer than a few days.
//! Sources: Theil (1950); Sen (1968), J. American Statistical Association 63, for the interval; Mann (1945), Kendall
//! (1975); Hamed and Rao (1998), J. Hydrology 204, for the correction. Ranks of the interval's ends as scipy's
//! `theilslopes` takes them.

use super::tail::{normal_quantile, two_sided_p};
use serde::{Deserialize, Serialize};

/// Fewest pairs for which the normal approximation of S says anything.
pub const FEWEST: usize = 4;
/// Most pairs taken; the slopes of more would need over 16 MB.
pub const MOST: usize = 2048;
/// Negative autocorrelation never shrinks the variance of S below this share: the published factor can even turn
/// negative. Ours.
const SMALLEST_FACTOR: f64 = 0.1;

/// Room for the pairwise slopes, kept by the caller and used again.
#[derive(Debug, Default, Clone)]
pub struct TrendScratch {
    t: Vec<f64>,
    y: Vec<f64>,
    slopes: Vec<f64>,
    ranks: Vec<f64>,
    residual: Vec<f64>,
    order: Vec<usize>,
}

/// Why there is no answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum TrendRefusal {
    /// `t` and `y` differ in length.
    LengthsDiffer,
    /// Fewer than [`FEWEST`] finite pairs.
    TooFew,
    /// More than [`MOST`] finite pairs: aggregate first.
    TooMany,
    /// The times of the finite pairs do not rise strictly.
    TimesNotRising,
    /// The confidence is not between 0 and 1.
    Confidence,
}

/// Robust line through the pairs. Slopes are in units of `y` per unit of `t`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TheilSen {
    /// Median of the slopes of all pairs.
    pub slope: f64,
    /// median(y) - slope · median(t): what the line says at t = 0, resting on the medians.
    pub intercept_separate: f64,
    /// median(y - slope · t): at t = 0, the line with as many points above as below.
    pub intercept_joint: f64,
    /// Lower end of the slope's interval.
    pub slope_low: f64,
    /// Upper end of the slope's interval.
    pub slope_high: f64,
}

/// Test against "no monotone trend".
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MannKendall {
    /// Finite pairs used.
    pub n: usize,
    /// Pairs that rise minus pairs that fall.
    pub s: i64,
    /// Variance of S without a trend, reduced for ties in y; independent values.
    pub var_s: f64,
    /// (S - sign S) / √var: standard score, continuity-corrected, 0 for S = 0.
    pub z: f64,
    /// P(|Z| ≥ |z|).
    pub p_two_sided: f64,
    /// S over the number of pairs.
    pub tau_a: f64,
    /// S over the geometric mean of the untied pairs; 0 when every value is the same.
    pub tau_b: f64,
}

/// All of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrendTest {
    /// The line; its interval is widened by `variance_factor` if the correction was asked for.
    pub line: TheilSen,
    /// The test as if values were independent.
    pub plain: MannKendall,
    /// By how much autocorrelation enlarges the variance of S; 1 if the correction was not asked for.
    pub variance_factor: f64,
    /// Standard score with the enlarged variance.
    pub z: f64,
    /// Two-sided p of `z`.
    pub p_two_sided: f64,
}

impl TrendTest {
    /// The trend is there at two-sided level `alpha`, autocorrelation allowed for.
    pub fn significant(&self, alpha: f64) -> bool {
        self.p_two_sided < alpha
    }
}

/// Slope, interval and test of `y` over `t`.
///
/// `confidence`: of the slope's interval, 0.95 say. `correct`: allow for autocorrelation by Hamed and Rao, in the test
/// and in the interval; their lags are counted in values, so `t` should be roughly even then.
///
/// # Errors
/// A [`TrendRefusal`]; nothing is computed then.
pub fn trend_test(
    t: &[f64],
    y: &[f64],
    confidence: f64,
    correct: bool,
    scratch: &mut TrendScratch,
) -> Result<TrendTest, TrendRefusal> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(TrendRefusal::Confidence);
    }
    scratch.load(t, y)?;
    let plain = scratch.mann_kendall();
    let slope = scratch.median_slope();
    let variance_factor = if correct { scratch.hamed_rao_factor(slope) } else { 1.0 };
    let sigma = (plain.var_s * variance_factor).sqrt();
    let (slope_low, slope_high) = scratch.slope_interval(sigma, confidence);
    let (intercept_separate, intercept_joint) = scratch.intercepts(slope);
    let z = score(plain.s, sigma);
    Ok(TrendTest {
        line: TheilSen { slope, intercept_separate, intercept_joint, slope_low, slope_high },
        plain,
        variance_factor,
        z,
        p_two_sided: two_sided_p(z),
    })
}

/// Continuity-corrected score of S.
fn score(s: i64, sigma: f64) -> f64 {
    // Without a standard deviation every value is tied, and S is 0 with it.
    if s != 0 && sigma > 0.0 { (s - s.signum()) as f64 / sigma } else { 0.0 }
}

impl TrendScratch {
    fn load(&mut self, t: &[f64], y: &[f64]) -> Result<(), TrendRefusal> {
        if t.len() != y.len() {
            return Err(TrendRefusal::LengthsDiffer);
        }
        self.t.clear();
        self.y.clear();
        for (&t, &y) in t.iter().zip(y) {
            if t.is_finite() && y.is_finite() {
                if self.y.len() == MOST {
                    return Err(TrendRefusal::TooMany);
                }
                if self.t.last().is_some_and(|&last| last >= t) {
                    return Err(TrendRefusal::TimesNotRising);
                }
                self.t.push(t);
                self.y.push(y);
            }
        }
        if self.y.len() < FEWEST { Err(TrendRefusal::TooFew) } else { Ok(()) }
    }

    fn mann_kendall(&mut self) -> MannKendall {
        let n = self.y.len();
        let mut s = 0i64;
        for (i, &early) in self.y.iter().enumerate() {
            for &late in &self.y[i + 1..] {
                s += i64::from(late > early) - i64::from(late < early);
            }
        }
        let sum_over_groups = |size: f64| size * (size - 1.0) * (2.0 * size + 5.0);
        self.ranks.clear();
        self.ranks.extend_from_slice(&self.y);
        self.ranks.sort_unstable_by(f64::total_cmp);
        let (mut tied, mut tied_pairs) = (0.0, 0.0);
        for group in self.ranks.chunk_by(|a, b| a == b) {
            let size = group.len() as f64;
            tied += sum_over_groups(size);
            tied_pairs += size * (size - 1.0) / 2.0;
        }
        let var_s = (sum_over_groups(n as f64) - tied) / 18.0;
        let pairs = (n * (n - 1) / 2) as f64;
        let untied = (pairs * (pairs - tied_pairs)).sqrt();
        let z = score(s, var_s.sqrt());
        MannKendall {
            n,
            s,
            var_s,
            z,
            p_two_sided: two_sided_p(z),
            tau_a: s as f64 / pairs,
            tau_b: if untied > 0.0 { s as f64 / untied } else { 0.0 },
        }
    }

    fn median_slope(&mut self) -> f64 {
        self.slopes.clear();
        for i in 0..self.y.len() {
            for j in i + 1..self.y.len() {
                self.slopes.push((self.y[j] - self.y[i]) / (self.t[j] - self.t[i]));
            }
        }
        median(&mut self.slopes)
    }

    /// Ends of the interval: order statistics of the slopes, found without sorting them all.
    fn slope_interval(&mut self, sigma: f64, confidence: f64) -> (f64, f64) {
        let count = self.slopes.len();
        let reach = normal_quantile(0.5 + 0.5 * confidence) * sigma;
        let upper = ((count as f64 + reach) / 2.0).round_ties_even().min(count as f64 - 1.0) as usize;
        let lower = (((count as f64 - reach) / 2.0).round_ties_even() - 1.0).max(0.0) as usize;
        let low = *self.slopes.select_nth_unstable_by(lower, f64::total_cmp).1;
        let high = *self.slopes.select_nth_unstable_by(upper, f64::total_cmp).1;
        (low, high)
    }

    fn intercepts(&mut self, slope: f64) -> (f64, f64) {
        self.ranks.clear();
        self.ranks.extend_from_slice(&self.y);
        let middle = median(&mut self.ranks) - slope * median_of_sorted(&self.t);
        self.ranks.clear();
        self.ranks.extend(self.t.iter().zip(&self.y).map(|(t, y)| y - slope * t));
        (middle, median(&mut self.ranks))
    }

    /// 1 + 2/(n(n-1)(n-2)) Σ (n-i)(n-i-1)(n-i-2) ρᵢ, over the lags whose rank autocorrelation ρᵢ is significant at 5 %;
    /// ranks of y less its slope.
    fn hamed_rao_factor(&mut self, slope: f64) -> f64 {
        let n = self.y.len();
        self.residual.clear();
        self.residual.extend(self.t.iter().zip(&self.y).map(|(t, y)| y - slope * t));
        self.order.clear();
        self.order.extend(0..n);
        let residual = &self.residual;
        self.order.sort_unstable_by(|&a, &b| residual[a].total_cmp(&residual[b]));
        // Ranks about their mean, ties sharing theirs.
        self.ranks.clear();
        self.ranks.resize(n, 0.0);
        let mut from = 0;
        for group in self.order.chunk_by(|&a, &b| residual[a] == residual[b]) {
            let rank = from as f64 + 0.5 * (group.len() as f64 - 1.0) - 0.5 * (n as f64 - 1.0);
            group.iter().for_each(|&i| self.ranks[i] = rank);
            from += group.len();
        }
        let ranks = &self.ranks;
        let power: f64 = ranks.iter().map(|r| r * r).sum();
        let mut sum = 0.0;
        if power > 0.0 {
            let bound = normal_quantile(0.975) / (n as f64).sqrt();
            for lag in 1..n {
                let rho = ranks.iter().zip(&ranks[lag..]).map(|(a, b)| a * b).sum::<f64>() / power;
                if rho.abs() >= bound {
                    let left = (n - lag) as f64;
                    sum += left * (left - 1.0) * (left - 2.0) * rho;
                }
            }
        }
        let n = n as f64;
        (1.0 + 2.0 / (n * (n - 1.0) * (n - 2.0)) * sum).max(SMALLEST_FACTOR)
    }
}

fn median_of_sorted(sorted: &[f64]) -> f64 {
    let half = sorted.len() / 2;
    if sorted.len() % 2 == 1 { sorted[half] } else { 0.5 * (sorted[half - 1] + sorted[half]) }
}

/// Median of a list that is not empty; reorders it.
fn median(values: &mut [f64]) -> f64 {
    let half = values.len() / 2;
    let even = values.len().is_multiple_of(2);
    let (below, &mut middle, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    if !even {
        return middle;
    }
    let lower = below.iter().copied().max_by(f64::total_cmp).unwrap_or(middle);
    0.5 * (lower + middle)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_cannot_be_tested_is_refused_by_name() {
        let scratch = &mut TrendScratch::default();
        let t = [0.0, 1.0, 2.0, 3.0];
        let mut refusal = |t: &[f64], y: &[f64], c| trend_test(t, y, c, true, scratch).unwrap_err();
        assert_eq!(refusal(&t, &t[..3], 0.9), TrendRefusal::LengthsDiffer);
        assert_eq!(refusal(&t, &[0.0, f64::NAN, 1.0, 2.0], 0.9), TrendRefusal::TooFew);
        assert_eq!(refusal(&[0.0, 1.0, 1.0, 2.0], &t, 0.9), TrendRefusal::TimesNotRising);
        assert_eq!(refusal(&t, &t, f64::NAN), TrendRefusal::Confidence);
        let many: Vec<f64> = (0..3000).map(f64::from).collect();
        assert_eq!(refusal(&many, &many, 0.9), TrendRefusal::TooMany);
    }

    #[test]
    fn a_constant_series_has_no_trend() {
        let t: Vec<f64> = (0..10).map(f64::from).collect();
        let test = trend_test(&t, &[5.0; 10], 0.95, true, &mut TrendScratch::default()).unwrap();
        assert_eq!((test.line.slope, test.z, test.p_two_sided, test.plain.tau_b), (0.0, 0.0, 1.0, 0.0));
        assert!(!test.significant(0.05));
    }

    proptest! {
        /// S, z and τ do not feel a change of unit of y or t; the slope follows it. Powers of two, so exactly.
        #[test]
        fn a_change_of_unit_scales_the_slope_and_nothing_else(
            y in prop::collection::vec(-5.0..5.0f64, 4..60), up in -8i32..8, stretch in -8i32..8,
        ) {
            let (scale_y, scale_t) = (2f64.powi(up), 2f64.powi(stretch));
            let t: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
            let scratch = &mut TrendScratch::default();
            let base = trend_test(&t, &y, 0.9, true, scratch).unwrap();
            let ys: Vec<f64> = y.iter().map(|v| v * scale_y).collect();
            let ts: Vec<f64> = t.iter().map(|v| v * scale_t).collect();
            let scaled = trend_test(&ts, &ys, 0.9, true, scratch).unwrap();
            prop_assert_eq!(base.plain, scaled.plain);
            prop_assert_eq!((base.z, base.variance_factor), (scaled.z, scaled.variance_factor));
            prop_assert_eq!(base.line.slope * scale_y / scale_t, scaled.line.slope);
            prop_assert_eq!(base.line.slope_high * scale_y / scale_t, scaled.line.slope_high);
        }

        #[test]
        fn pairs_that_are_not_finite_change_nothing(
            y in prop::collection::vec(-5.0..5.0f64, 4..40), holes in prop::collection::vec(0usize..40, 0..6),
        ) {
            let t: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
            let (mut ts, mut ys) = (t.clone(), y.clone());
            for hole in holes {
                let hole = hole % (ys.len() + 1);
                ts.insert(hole, 0.0);
                ys.insert(hole, f64::NAN);
            }
            let scratch = &mut TrendScratch::default();
            prop_assert_eq!(trend_test(&t, &y, 0.9, true, scratch), trend_test(&ts, &ys, 0.9, true, scratch));
        }

        #[test]
        fn the_interval_holds_the_slope_and_the_scratch_leaves_no_trace(
            y in prop::collection::vec(-5.0..5.0f64, 4..60), other in prop::collection::vec(-5.0..5.0f64, 4..90),
        ) {
            let count = |v: &[f64]| (0..v.len()).map(|i| i as f64).collect::<Vec<_>>();
            let scratch = &mut TrendScratch::default();
            trend_test(&count(&other), &other, 0.9, true, scratch).unwrap();
            let used = trend_test(&count(&y), &y, 0.9, true, scratch).unwrap();
            let fresh = trend_test(&count(&y), &y, 0.9, true, &mut TrendScratch::default()).unwrap();
            prop_assert_eq!(used, fresh);
            prop_assert!(used.line.slope_low <= used.line.slope && used.line.slope <= used.line.slope_high);
        }
    }
}
