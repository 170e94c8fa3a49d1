//! The false-alarm budget: from "so many false warnings per machine and year" to the thresholds of the detectors.
//!
//! The budget is shared over what can cry wolf: eight tenths to the running means (points and their pattern), one to the
//! baseline limits, one to drift, since those two have to pass a least size besides and rarely use up their part; a sudden
//! change must pass the running mean too and costs nothing more. What reaches an alarm gets a tenth.
//!
//! *Running means and limits.* A statistic cries wolf when it stays past its threshold for the snapshots that raise an
//! alert. For a stationary normal series with correlation r from one snapshot to the next, the rate at which such runs
//! begin follows from f₁(x) = φ(x) Φ((u − r x)/√(1−r²)) (past u now, not before) carried on n − 1 times through the
//! normal transition density: [`run_rate`]. A running mean of weight λ of values with correlation ρ is a second-order
//! series whose first correlation is (1−λ+ρ)/(1+(1−λ)ρ); it stays longer where it is ([`super::mean_runs`]).
//!
//! *Too little to learn from.* A spread learned from ν independent rows is itself uncertain, and the far tail feels it. A
//! running mean is scored by the larger of two spreads, the record's and the one that goes on being learned; [`room_beside`]
//! gives the first the factor that keeps the rate, averaged over how wrong both may be. For limits, which have one spread
//! only, [`widened`] takes the Student t with ν degrees of freedom that is as unlikely. Averaged over machines the rate
//! stays what was asked for; each one with a poor record pays in sensitivity, and says so.
//!
//! *Drift.* Overlapping tests count as one for each quarter of their window.
//!
//! When *not* to believe it: residuals that wander without bound (the baseline's wobble widens for that as it is
//! seen). Tails heavier than normal are taken in by [`super::running_mean`], as far as the record shows them. Alarms come
//! by limits alone, whose distance is a setting and only ever widened: steady machines stay far below their share.
//!
//! Sources: run lengths of an EWMA: Lucas & Saccucci (1990), Technometrics 32(1), check values from memory; tabular
//! CUSUM: Siegmund (1985) as in [`super::arl`]; first correlation of a second-order series: Box & Jenkins, from memory.

use super::legendre::node;
use super::mean_runs;
use super::tail::{chi2_upper_tail, normal_cdf, normal_density, normal_upper_tail};
use crate::param::{ParamFault, within};
use serde::{Deserialize, Serialize};

/// Seconds of running in a year.
const YEAR_SECS: f64 = 365.25 * 86_400.0;
/// Shares of the budget.
const RUNNING_MEANS: f64 = 0.8;
const LIMITS: f64 = 0.1;
const DRIFT: f64 = 0.1;
/// What reaches an alarm gets this share of what reaches a warning.
pub const ALARM_SHARE: f64 = 0.1;
/// Longest run that is reckoned with; longer persistence is safer still.
const LONGEST_RUN: u32 = 24;
/// Nodes of the quadrature: past a threshold u the density falls by e in 1/u.
const NODES: usize = 24;
/// Thresholds are looked for between these, standard deviations.
const THRESHOLDS: (f64, f64) = (1.5, 15.0);

/// How often a machine may cry wolf.
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `warnings_per_year` | 1 | false warnings per machine and year of running | 0.001 to 1000 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BudgetParams {
    /// False warnings per machine and year of running.
    pub warnings_per_year: f64,
}

impl Default for BudgetParams {
    fn default() -> Self {
        Self { warnings_per_year: 1.0 }
    }
}

/// A budget that passed [`BudgetParams::check`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckedBudget(BudgetParams);

impl BudgetParams {
    /// All faults at once.
    ///
    /// # Errors
    /// Every setting out of its range.
    pub fn check(self) -> Result<CheckedBudget, Vec<ParamFault>> {
        match within("warnings_per_year", self.warnings_per_year, 0.001, 1000.0) {
            Some(fault) => Err(vec![fault]),
            None => Ok(CheckedBudget(self)),
        }
    }
}

/// What the thresholds hang on besides the budget.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Circumstances {
    /// Seconds from one snapshot to the next.
    pub cadence_secs: f64,
    /// Snapshots a condition must persist.
    pub persistence: u32,
    /// Weight of the newest snapshot in the running means.
    pub weight: f64,
    /// Condition points.
    pub points: u32,
    /// Mean correlation of a point's residual with the one before.
    pub correlation: f64,
    /// Slack of the cumulative sums, standard deviations.
    pub step_slack: f64,
    /// Running time of a coarse block of the drift test, seconds.
    pub block_secs: f64,
}

/// Thresholds that keep the budget with a well-known spread.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Thresholds {
    /// Deviation of a snapshot, equivalent standard score.
    pub deviation: f64,
    /// The same for one point's running mean, before the number of points is taken off.
    pub running_mean: f64,
    /// Cumulative sums, standard deviations.
    pub step_limit: f64,
    /// Two-sided significance of a drift.
    pub drift_significance: f64,
    /// Distance a single value's warning limit needs at least, standard deviations.
    pub limit_warning: f64,
    /// The same for its alarm limit.
    pub limit_alarm: f64,
}

/// Thresholds of one machine.
pub fn thresholds(budget: CheckedBudget, at: &Circumstances) -> Thresholds {
    let yearly = budget.0.warnings_per_year;
    let snapshots = YEAR_SECS / if at.cadence_secs > 0.0 { at.cadence_secs } else { 1.0 };
    let points = f64::from(at.points.max(1));
    let mean = mean_correlation(at.weight, at.correlation);
    let nodes = Nodes::new();
    // The pattern of the points is one more thing to look at.
    let rate = RUNNING_MEANS * yearly / (2.0 * (points + 1.0) * snapshots);
    let near = level_for(&nodes, rate, mean, at.persistence);
    // The mean of correlated values is smoother than that; by how much hardly hangs on the threshold.
    let smoother = mean_runs::run_rate(near, 1.0 - at.weight, at.correlation, at.persistence)
        / run_rate_by(&nodes, near, mean, at.persistence);
    let smoother = if smoother.is_finite() { smoother.max(1.0) } else { 1.0 };
    let running_mean = level_for(&nodes, rate / smoother, mean, at.persistence);
    let deviation = (running_mean * running_mean - 2.0 * points.ln()).max(1.0).sqrt();
    let limit = |share: f64| {
        level_for(&nodes, LIMITS * share * yearly / (2.0 * points * snapshots), at.correlation.max(0.0), at.persistence)
    };
    let looks: f64 = super::drift::WINDOWS.iter().map(|n| 4.0 / *n as f64).sum();
    let tests = (YEAR_SECS / at.block_secs.max(1.0)) * looks * points;
    Thresholds {
        deviation,
        running_mean,
        step_limit: step_limit(at.step_slack, points * snapshots / yearly),
        drift_significance: (DRIFT * yearly / tests).min(0.05),
        limit_warning: limit(1.0),
        limit_alarm: limit(ALARM_SHARE),
    }
}

/// Correlation of successive running means of weight `weight` of values with correlation `rho`.
pub fn mean_correlation(weight: f64, rho: f64) -> f64 {
    let stay = 1.0 - weight.clamp(1e-6, 1.0);
    let rho = rho.clamp(-0.5, 0.999_999);
    ((stay + rho) / (1.0 + stay * rho)).clamp(0.0, 0.999_999_9)
}

/// Runs of at least `run` successive values above `u` that begin per value, in a stationary standard normal first-order
/// series with correlation `r` in [0, 1); one side.
pub fn run_rate(u: f64, r: f64, run: u32) -> f64 {
    run_rate_by(&Nodes::new(), u, r, run)
}

fn run_rate_by(nodes: &Nodes, u: f64, r: f64, run: u32) -> f64 {
    let run = run.clamp(1, LONGEST_RUN);
    let jump = (1.0 - r * r).max(1e-12).sqrt();
    // Where the density past u, and where the first value past it, are as good as nothing.
    let reach = (14.0 / u.max(0.5)).min(u * (1.0 - r) + 8.0 * jump * f64::from(run).sqrt());
    let (x, weight) = nodes.over(u, reach);
    let mut now: [f64; NODES] = std::array::from_fn(|i| normal_density(x[i]) * normal_cdf((u - r * x[i]) / jump));
    if run > 1 {
        // From node to node the same at every step, and dear for its exponentials.
        let kernel: [[f64; NODES]; NODES] =
            std::array::from_fn(|to| std::array::from_fn(|i| normal_density((x[to] - r * x[i]) / jump)));
        for _ in 1..run {
            let before = now;
            now = std::array::from_fn(|to| {
                let from = |i: usize| weight[i] * before[i] * kernel[to][i];
                (0..NODES).map(from).sum::<f64>() / jump
            });
        }
    }
    now.iter().zip(&weight).map(|(f, w)| f * w).sum()
}

/// Threshold at which [`run_rate`] is `rate`, standard deviations, to 1e-4.
fn level_for(nodes: &Nodes, rate: f64, r: f64, run: u32) -> f64 {
    let (mut low, mut high) = THRESHOLDS;
    // The rate falls with u; the logarithm nearly as u²/2.
    for _ in 0..20 {
        let middle = 0.5 * (low + high);
        if run_rate_by(nodes, middle, r, run) > rate { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Limit of a two-sided cumulative sum with slack `k` for `run_length` values between false crossings, by Siegmund's
/// closed form: within some per cent of [`super::arl::limit_for_arl`], without its linear systems.
fn step_limit(k: f64, run_length: f64) -> f64 {
    let k = k.clamp(0.05, 10.0);
    // 2 L k² · 2 = exp(2kb) − 2kb − 1
    let right = 4.0 * k * k * run_length.max(10.0);
    let mut b = (right + 1.0).ln() / (2.0 * k);
    for _ in 0..20 {
        b = (right + 1.0 + 2.0 * k * b).ln() / (2.0 * k);
    }
    (b - 1.166).max(1.0)
}

/// The Student t with `dof` degrees of freedom whose tail is as thin as the normal one beyond `u`, to the leading order:
/// (1 + t²/ν)^−(ν+1)/2 = exp(−u²/2). At least `u`; a `dof` below 3 counts as 3.
pub fn widened(u: f64, dof: f64) -> f64 {
    let dof = if dof > 3.0 { dof } else { 3.0 };
    (dof * (u * u / (dof + 1.0)).exp_m1()).sqrt().max(u)
}

/// Factor K on a learned spread so that a score in units of the larger of K times it and of a spread that goes on being
/// learned passes `u` as seldom as a normal score does. The two rest on `learned` and `later` independent values.
pub fn room_beside(u: f64, learned: f64, later: f64) -> f64 {
    let [learned, later] = [learned, later].map(|dof| if dof > 3.0 { dof.min(1e6) } else { 3.0 });
    let target = normal_upper_tail(u);
    let below = |x: f64, dof: f64| 1.0 - chi2_upper_tail(dof * x * x, dof);
    // P(Z > u·max(K a, b)) = ∫ φ(z) P(a < z/(uK)) P(b < z/u).
    let (z, weight) = Nodes::new().over(0.5 * u, u + 8.0);
    let at: [f64; NODES] = std::array::from_fn(|i| weight[i] * normal_density(z[i]) * below(z[i] / u, later));
    let passed = |k: f64| -> f64 { (0..NODES).map(|i| at[i] * below(z[i] / (u * k), learned)).sum() };
    let (mut low, mut high) = (0.5, 4.0 * widened(u, learned) / u);
    for _ in 0..14 {
        let middle = 0.5 * (low + high);
        if passed(middle) > target { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Gauss-Legendre nodes on `[-1, 1]`, each with the divisor of its weight.
struct Nodes([(f64, f64); NODES]);

impl Nodes {
    fn new() -> Self {
        Self(std::array::from_fn(|i| node(i, NODES)))
    }

    /// Nodes and weights on `[from, from + reach]`.
    fn over(&self, from: f64, reach: f64) -> ([f64; NODES], [f64; NODES]) {
        (self.0.map(|(z, _)| from + 0.5 * reach * (1.0 - z)), self.0.map(|(_, divisor)| reach / divisor))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exact: a series without correlation leaves the threshold upwards p(1−p) times per value, and stays n times with
    /// pⁿ.
    #[test]
    fn without_correlation_runs_are_a_matter_of_counting() {
        for u in [1.5, 3.0, 5.0] {
            let p = normal_upper_tail(u);
            for run in [1u32, 2, 3] {
                let want = (1.0 - p) * p.powi(run as i32);
                let got = run_rate(u, 0.0, run);
                assert!((got / want - 1.0).abs() < 1e-4, "u {u} run {run}: {got} against {want}");
            }
        }
    }

    /// Source: Rice's formula for a smooth series is not this one; for the first-order series with r near 1 the mean time
    /// between visits above u is the hitting time of an Ornstein-Uhlenbeck process, √(2π)/(θu)·e^(u²/2) to the leading
    /// order (from memory), θ the rate of forgetting. A visit is counted once, however often it flutters: a run of
    /// some length. Here the bound: as many runs of one as crossings, fewer of more, never more than the hitting rate of
    /// a series that forgets at once.
    #[test]
    fn longer_runs_are_rarer_and_correlation_makes_them_less_rare() {
        for r in [0.3, 0.8, 0.95, 0.99] {
            let rates: Vec<f64> = (1..=6).map(|n| run_rate(4.0, r, n)).collect();
            assert!(rates.windows(2).all(|w| w[1] < w[0] && w[1] > 0.0), "r {r}: {rates:?}");
            assert!(rates[0] <= normal_upper_tail(4.0));
        }
        let kept = |r: f64| run_rate(4.0, r, 3) / run_rate(4.0, r, 1);
        assert!(kept(0.0) < kept(0.8) && kept(0.8) < kept(0.99));
    }

    /// Source: Student t quantiles of one-sided 2.866515718791939e-7 (the normal tail beyond 5), tables from memory:
    /// t with 30 degrees of freedom 6.4, with 100 5.4; the leading order is good to some per cent.
    #[test]
    fn a_spread_known_from_few_rows_needs_more_room() {
        assert!((widened(5.0, 30.0) / 6.1 - 1.0).abs() < 0.1);
        assert!((widened(5.0, 1e9) - 5.0).abs() < 1e-3);
        assert!(widened(5.0, 8.0) > 9.0);
        assert!(widened(5.0, f64::NAN).is_finite());
    }

    /// Against the exact integral equation.
    #[test]
    fn the_closed_form_of_the_step_limit_is_near_the_exact_one() {
        for (k, length) in [(0.5, 1e4), (1.0, 1e6), (1.0, 5e6)] {
            let exact = crate::detect::arl::limit_for_arl(k, length).expect("in range");
            let got = step_limit(k, length);
            assert!((got - exact).abs() < 0.15, "k {k}: {got} against {exact}");
        }
    }

    #[test]
    fn a_larger_budget_brings_lower_thresholds() {
        let at = Circumstances {
            cadence_secs: 300.0,
            persistence: 3,
            weight: 0.095,
            points: 6,
            correlation: 0.0,
            step_slack: 1.0,
            block_secs: 21_600.0,
        };
        let of = |n: f64| thresholds(BudgetParams { warnings_per_year: n }.check().expect("in range"), &at);
        let (few, many) = (of(0.1), of(10.0));
        assert!(few.deviation > many.deviation && few.limit_alarm > many.limit_alarm);
        assert!(few.step_limit > many.step_limit && few.drift_significance < many.drift_significance);
        assert!(few.limit_alarm > few.limit_warning);
        assert!(BudgetParams { warnings_per_year: f64::NAN }.check().is_err());
    }
}
