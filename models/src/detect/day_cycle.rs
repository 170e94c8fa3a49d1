//! A cycle of one day in a point's residuals: the sun on a housing, the shift in a hall, the cooling water of an afternoon.
//!
//! Input: residuals in time order with the part of the day they fall in; output: the first harmonic of 24 h. It is taken
//! only where it earns its place against the plainer account, that each residual resembles the one before: by the Bayesian
//! information criterion on the variance of the innovations of a first-order series, with and without the cycle. A record
//! that does not show nearly the whole day has none.
//!
//! When *not* to believe it: one day cannot tell what comes back daily from what came once. So only scores that follow the
//! point's level and go on learning its spread lean on it; limits and drift do not.
//!
//! Source: Schwarz (1978), Annals of Statistics 6, for the criterion, from memory.

use super::autocorrelation::first_autocorrelation;
use crate::EventTime;
use serde::{Deserialize, Serialize};

const DAY_MICROS: i64 = 86_400_000_000;
/// Hours of the day that must have rows.
const LEAST_HOURS: u32 = 22;

/// Cosine and sine of a day, in the unit of the residuals.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct DayCycle([f32; 2]);

/// Part of the day (UTC) that a time falls in, 0 to 1.
pub(super) fn part_of_day(at: EventTime) -> f64 {
    at.0.rem_euclid(DAY_MICROS) as f64 / DAY_MICROS as f64
}

fn wave(part: f64) -> [f64; 2] {
    let (sin, cos) = (std::f64::consts::TAU * part).sin_cos();
    [cos, sin]
}

impl DayCycle {
    /// No cycle.
    pub(super) const NONE: Self = Self([0.0; 2]);

    /// Whether there is one.
    pub(super) fn is_any(&self) -> bool {
        *self != Self::NONE
    }

    /// The cycle of these residuals, if they have one. `parts`: parts of the day, as many.
    pub(super) fn of(residuals: &[f64], parts: &[f64]) -> Option<Self> {
        if residuals.len() != parts.len() || !parts.iter().all(|p| (0.0..=1.0).contains(p)) {
            return None;
        }
        let hours = parts.iter().fold(0u32, |seen, p| seen | 1 << ((p * 24.0) as u32).min(23));
        if hours.count_ones() < LEAST_HOURS {
            return None;
        }
        let waves: Vec<[f64; 2]> = parts.iter().map(|p| wave(*p)).collect();
        let n = residuals.len() as f64;
        let mean = residuals.iter().sum::<f64>() / n;
        let center = [0, 1].map(|j: usize| waves.iter().map(|w| w[j]).sum::<f64>() / n);
        let (mut a, mut b, mut c, mut x, mut y) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (w, v) in waves.iter().zip(residuals) {
            let (p, q, v) = (w[0] - center[0], w[1] - center[1], v - mean);
            (a, b, c, x, y) = (a + p * p, b + p * q, c + q * q, x + p * v, y + q * v);
        }
        let determinant = a * c - b * b;
        // A fifth of what an even day gives.
        if determinant < 0.05 * n * n / 4.0 {
            return None;
        }
        let found = Self([((c * x - b * y) / determinant) as f32, ((a * y - b * x) / determinant) as f32]);
        let left: Vec<f64> = residuals.iter().zip(parts).map(|(v, p)| v - found.at(*p)).collect();
        let gain = n * (innovation(residuals)? / innovation(&left)?).ln();
        (gain > 2.0 * n.ln()).then_some(found)
    }

    /// Its value at a part of the day.
    pub(super) fn at(&self, part: f64) -> f64 {
        let [cos, sin] = wave(part);
        f64::from(self.0[0]) * cos + f64::from(self.0[1]) * sin
    }

    /// In another unit.
    pub(super) fn times(&self, factor: f64) -> Self {
        Self(self.0.map(|v| (f64::from(v) * factor) as f32))
    }
}

/// Variance of what a first-order series does not foretell; `None` when there is none.
fn innovation(values: &[f64]) -> Option<f64> {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / n;
    let rho = first_autocorrelation(values)?;
    let left = variance * (1.0 - rho * rho);
    (left > 0.0).then_some(left)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::noise;

    fn parts(count: usize) -> Vec<f64> {
        (0..count).map(|i| part_of_day(EventTime(i as i64 * 300_000_000))).collect()
    }

    #[test]
    fn a_cycle_of_the_day_is_found_with_its_size() {
        let parts = parts(300);
        let values: Vec<f64> = noise::first_order(300, 0.0, 7)
            .iter()
            .zip(&parts)
            .map(|(e, p)| e + 2.0 * (std::f64::consts::TAU * p).sin())
            .collect();
        let found = DayCycle::of(&values, &parts).expect("a cycle of two standard deviations");
        // Standard error of each coefficient: √(2/300).
        assert!((found.at(0.25) - 2.0).abs() < 0.35 && found.at(0.0).abs() < 0.35, "{found:?}");
        assert_eq!(found.times(2.0).at(0.3), 2.0 * found.at(0.3));
    }

    /// Wander of a first-order series looks like a piece of a cycle, and is none.
    #[test]
    fn what_only_wanders_has_none() {
        let parts = parts(300);
        let found =
            (0..40).filter(|seed| DayCycle::of(&noise::first_order(300, 0.95, *seed), &parts).is_some()).count();
        assert!(found <= 2, "{found} of 40");
    }

    #[test]
    fn less_than_a_day_or_no_time_of_day_has_none() {
        let values: Vec<f64> = parts(150).iter().map(|p| p.sin()).collect();
        assert_eq!(DayCycle::of(&values, &parts(150)), None);
        assert_eq!(DayCycle::of(&values, &[f64::NAN; 150]), None);
        assert_eq!(DayCycle::of(&values, &[]), None);
        assert!((0.0..1.0).contains(&part_of_day(EventTime(-1))));
    }
}
