//! One rating of an asset from many points: the worst severity, one score, and each point's part in it.
//!
//! Severity: the worst of any point. Score: the largest standard score of any point, made comparable between an
//! asset with two points and one with forty by Šidák's correction: with p the two-sided tail probability of the
//! largest score and n points, the score whose tail probability is 1 − (1 − p)ⁿ. Of points that move together the
//! correction asks too much, never too little. Share of a point: its squared score over the sum of all.
//!
//! A plain rating, for assets or states where no relation between the points was learned; where one was, its own
//! statistics see what single points cannot.
//!
//! Memory: none. Source: Šidák (1967), Journal of the American Statistical Association 62, 626–633.

use crate::detect::alarm::Severity;
use statrs::function::erf::{erfc, erfc_inv};
use std::f64::consts::SQRT_2;

/// What is known of one point now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointHealth {
    /// Its severity after limits and delays.
    pub severity: Option<Severity>,
    /// Distance from expected, baseline standard deviations, signed; NaN when there is no expectation.
    pub score: f64,
}

/// The rating.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Health {
    /// Worst severity of any point.
    pub severity: Option<Severity>,
    /// Equivalent standard score, at least 0; `None` when no point has a score.
    pub score: Option<f64>,
    /// Index of the point to look at first: of the worst severity the one with the largest score.
    pub first: Option<usize>,
}

/// Rates `points` and writes each one's share (0 to 1, together 1; all 0 when nothing deviates) to the place of
/// the same index in `shares`. Scores that are not finite take no part; places beyond the shorter of the two
/// slices are left alone.
pub fn rate(points: &[PointHealth], shares: &mut [f64]) -> Health {
    let severity = points.iter().filter_map(|p| p.severity).max();
    let size = |p: &PointHealth| if p.score.is_finite() { p.score.abs() } else { 0.0 };
    let scored = points.iter().filter(|p| p.score.is_finite()).count();
    let largest = points.iter().map(size).fold(0.0, f64::max);
    // Scaled by the largest, so that a huge score cannot overflow the sum of squares.
    let part = |p: &PointHealth| if largest > 0.0 { (size(p) / largest).powi(2) } else { 0.0 };
    let total: f64 = points.iter().map(part).sum();
    for (share, point) in shares.iter_mut().zip(points) {
        *share = if total > 0.0 { part(point) / total } else { 0.0 };
    }
    let deviates = |p: &PointHealth| severity.is_some() || size(p) > 0.0;
    let first = points
        .iter()
        .enumerate()
        .filter(|(_, p)| p.severity == severity && deviates(p))
        .max_by(|(_, a), (_, b)| size(a).total_cmp(&size(b)))
        .map(|(index, _)| index);
    Health { severity, score: (scored > 0).then(|| score_of_largest(largest, scored)), first }
}

/// The standard score as rare for one value as `largest` (absolute, in standard deviations) is for the largest
/// of `of` independent ones. NaN gives NaN.
pub fn score_of_largest(largest: f64, of: usize) -> f64 {
    if of <= 1 {
        return largest;
    }
    let n = of as f64;
    let tail = erfc(largest / SQRT_2);
    let tail_of_n = -(n * (-tail).ln_1p()).exp_m1();
    if tail_of_n > 1e-280 {
        return SQRT_2 * erfc_inv(tail_of_n);
    }
    // Probabilities have run out of exponent. There n·Q(z) with Q(z) ~ exp(−z²/2) leaves z² − 2 ln n; what the
    // approximation drops is below 1e-3 at such scores.
    (largest * largest - 2.0 * n.ln()).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(severity: Option<Severity>, score: f64) -> PointHealth {
        PointHealth { severity, score }
    }

    /// Source: CPython 3 `statistics.NormalDist().inv_cdf`: two-sided score of 1 − 0.95^(1/n) for n = 2, 10, 50,
    /// all of which correspond to 5 % over all: 1.959963984540054.
    #[test]
    fn sidak_takes_the_five_percent_score_of_n_back_to_the_one_of_one() {
        for (n, of_one) in SIDAK_FIVE_PERCENT {
            let got = score_of_largest(of_one, n);
            // The inverse loses a few digits in statrs; nobody reads a score beyond four.
            assert!((got - 1.959_963_984_540_054).abs() < 1e-7, "n = {n}: {got}");
        }
    }

    const SIDAK_FIVE_PERCENT: [(usize, f64); 3] =
        [(2, 2.236_476_644_557_791), (10, 2.799_625_219_301_094), (50, 3.283_479_816_130_238_3)];

    #[test]
    fn the_far_tail_goes_on_where_probabilities_end() {
        let (mut before, n) = (score_of_largest(30.0, 6), 6);
        for step in 1..=200 {
            let got = score_of_largest(30.0 + f64::from(step) * 0.1, n);
            assert!(got > before && got - before < 0.11, "{before} then {got}");
            before = got;
        }
    }

    #[test]
    fn a_calm_asset_of_many_points_scores_nearly_nothing() {
        let mut shares = [9.0; 3];
        let health = rate(&[point(None, 0.5), point(None, -0.5), point(None, f64::NAN)], &mut shares);
        assert_eq!((health.severity, health.first), (None, Some(1)));
        assert!(health.score.is_some_and(|s| s < 0.5));
        assert_eq!(shares, [0.5, 0.5, 0.0]);
    }

    #[test]
    fn the_worst_severity_names_the_point_even_when_another_has_the_larger_score() {
        let mut shares = [0.0; 3];
        let points = [
            point(Some(Severity::Warning), 8.0),
            point(Some(Severity::Alarm), 4.0),
            point(Some(Severity::Alarm), f64::NAN),
        ];
        let health = rate(&points, &mut shares);
        assert_eq!((health.severity, health.first), (Some(Severity::Alarm), Some(1)));
        assert_eq!(shares, [0.8, 0.2, 0.0]);
    }

    #[test]
    fn without_scores_there_is_no_score_and_an_empty_asset_is_no_fault() {
        let health = rate(&[point(Some(Severity::Warning), f64::NAN)], &mut []);
        assert_eq!(health, Health { severity: Some(Severity::Warning), score: None, first: Some(0) });
        assert_eq!(rate(&[], &mut []), Health { severity: None, score: None, first: None });
    }

    #[test]
    fn shares_of_huge_scores_do_not_overflow() {
        let mut shares = [0.0; 2];
        rate(&[point(None, 1e300), point(None, 1e300)], &mut shares);
        assert_eq!(shares, [0.5, 0.5]);
    }
}
