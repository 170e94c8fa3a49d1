//! How often a running mean of values that resemble the one before stays past its threshold.
//!
//! A mean of weight λ of a first-order series with correlation ρ is a second-order series with the roots a = 1 − λ and ρ:
//! xₖ₊₁ = (a + ρ) xₖ − aρ xₖ₋₁ + noise. It is smoother than the first-order series of the same correlation from value to
//! value: once past the threshold it stays there longer, at ρ = 0.95 more than half as often again for three in a row.
//!
//! The rate at which runs of n begin is P(x₀ < u; x₁, …, xₙ > u). x₁ goes over the nodes of a quadrature; from each, a
//! handful of fixed points lead x₀ and x₂, … through their conditional distributions cut at u, and their shares are
//! multiplied. Deterministic; good to some per cent for three in a row, to a tenth for six.
//!
//! Sources: second-order series: Box & Jenkins; sampling by cut conditionals: Geweke, Hajivassiliou and Keane, as in
//! Hajivassiliou, McFadden & Ruud (1996), Journal of Econometrics 72; all from memory.

use super::legendre::node;
use super::tail::{normal_cdf, normal_density, normal_quantile};

const NODES: usize = 24;
/// Paths from each node.
const PATHS: usize = 16;
/// Square roots of these, as parts of a turn, spread the points evenly over as many dimensions; longer runs are counted as
/// this long.
const PRIMES: [f64; 9] = [2.0, 3.0, 5.0, 7.0, 11.0, 13.0, 17.0, 19.0, 23.0];

/// Runs of at least `run` successive values above `u` that begin per value, in a stationary standard normal second-order
/// series with the roots `stay` and `rho`; one side.
pub(super) fn run_rate(u: f64, stay: f64, rho: f64, run: u32) -> f64 {
    let run = (run.max(1) as usize).min(PRIMES.len() + 1);
    let (stay, rho) = (stay.clamp(0.0, 0.999_999), rho.clamp(-0.5, 0.999));
    let (first, second) = (stay + rho, -stay * rho);
    let r = (first / (1.0 - second)).clamp(0.0, 0.999_999_9);
    let jump = (1.0 - r * r).max(1e-12).sqrt();
    let noise = (1.0 - first * r - second * (first * r + second)).max(1e-12).sqrt();
    let reach = (14.0 / u.max(0.5)).min(u * (1.0 - r) + 8.0 * jump);
    let mut sum = 0.0;
    for i in 0..NODES {
        let (root, divisor) = node(i, NODES);
        let begin = u + 0.5 * reach * (1.0 - root);
        let came = normal_cdf((u - r * begin) / jump);
        let here = reach / divisor * normal_density(begin) * came;
        if here < 1e-12 * sum {
            continue;
        }
        let stays: f64 = (0..PATHS)
            .map(|path| {
                let point = |dimension: usize| {
                    let turn = ((i * PATHS + path) as f64 + 0.5) * PRIMES[dimension].sqrt();
                    (turn - turn.floor()).clamp(1e-9, 1.0 - 1e-9)
                };
                let mut share = 1.0;
                let (mut before, mut now) = (f64::NAN, begin);
                for step in 1..run {
                    if step == 1 {
                        before = r * begin + jump * normal_quantile(point(0) * came);
                    }
                    let mean = first * now + second * before;
                    let above = normal_cdf((mean - u) / noise);
                    share *= above;
                    if step + 1 < run {
                        (before, now) = (now, mean - noise * normal_quantile(point(step) * above));
                    }
                }
                share
            })
            .sum();
        sum += here * stays / PATHS as f64;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::budget;
    use crate::detect::noise;

    /// Law: without correlation of the values the mean is a first-order series, for which there is an integral equation.
    #[test]
    fn of_independent_values_it_is_the_first_order_series() {
        for stay in [0.8, 0.905, 0.97] {
            // The longer the run, the more dimensions the same few points have to fill.
            for (run, within) in [(1, 1e-6), (2, 0.04), (3, 0.04), (6, 0.15)] {
                let (got, want) = (run_rate(4.0, stay, 0.0, run), budget::run_rate(4.0, stay, run));
                assert!((got / want - 1.0).abs() < within, "stay {stay}, run {run}: {got} against {want}");
            }
        }
    }

    /// Against counted runs of three million simulated values; about 4000 of them each, so within 5 %.
    #[test]
    fn it_is_the_share_of_runs_counted_in_a_series() {
        for rho in [0.5, 0.95] {
            let (stay, u, run) = (0.9_f64, 2.5, 3);
            let weight = 1.0 - stay;
            let sd = (weight / (2.0 - weight) * (1.0 + stay * rho) / (1.0 - stay * rho)).sqrt();
            let values = noise::first_order(3_000_000, rho, 11);
            let (mut mean, mut past, mut runs) = (0.0, 0u32, 0u32);
            for v in &values {
                mean += weight * (v - mean);
                past = if mean > u * sd { past + 1 } else { 0 };
                runs += u32::from(past == run);
            }
            let counted = f64::from(runs) / values.len() as f64;
            let got = run_rate(u, stay, rho, run);
            assert!((got / counted - 1.0).abs() < 0.06, "rho {rho}: {got}, counted {counted} ({runs})");
        }
    }
}
