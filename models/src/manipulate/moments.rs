//! Streaming moments: count, mean, variance, skewness, kurtosis, extremes.
//!
//! With δ = x − mean and n the new count, the central sums M2, M3, M4 are carried along one value at a time, and two
//! states merge into what one chain over both would give, but for rounding: within 1e-9 of the result while the mean is
//! within some 200 standard deviations of zero (`tests/laws`). No cancellation of large sums of squares, so a small
//! scatter on a large mean keeps the digits the data have (`tests/nist_strd_univariate.rs`).
//!
//! Memory: 56 bytes, whatever the number of values. Order of values matters only for rounding; spacing not at all.
//! Not for a process whose level wanders: every value weighs the same for ever (see `ewma` or `window` there), and
//! not where single wild values occur, which rule the fourth moment (see `robust`).
//!
//! Source: Welford (1962), Technometrics 4(3), for the variance; Pébay (2008), Sandia report SAND2008-6212,
//! for third and fourth moments and merging.

use super::usable;
use serde::{Deserialize, Serialize};

/// State of the moments. `Default` is the empty one.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Moments {
    count: u64,
    mean: f64,
    m2: f64,
    m3: f64,
    m4: f64,
    // Zero while empty rather than infinite, so that every format can store the state.
    min: f64,
    max: f64,
}

impl Moments {
    /// Nothing seen yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes one value. One that is not [`usable()`] changes nothing and gives `false`.
    #[inline]
    pub fn update(&mut self, value: f64) -> bool {
        if !usable(value) {
            return false;
        }
        let before = self.count as f64;
        self.count += 1;
        let n = self.count as f64;
        let delta = value - self.mean;
        let delta_n = delta / n;
        let delta_n2 = delta_n * delta_n;
        let term = delta * delta_n * before;
        // M4 needs the old M3 and M2, M3 the old M2: this order.
        self.m4 += term * delta_n2 * (n * n - 3.0 * n + 3.0) + 6.0 * delta_n2 * self.m2 - 4.0 * delta_n * self.m3;
        self.m3 += term * delta_n * (n - 2.0) - 3.0 * delta_n * self.m2;
        self.m2 += term;
        self.mean += delta_n;
        if self.count == 1 {
            (self.min, self.max) = (value, value);
        } else {
            (self.min, self.max) = (self.min.min(value), self.max.max(value));
        }
        true
    }

    /// Adds all that `other` has seen.
    pub fn merge(&mut self, other: &Moments) {
        if other.count == 0 {
            return;
        }
        if self.count == 0 {
            *self = *other;
            return;
        }
        let (na, nb) = (self.count as f64, other.count as f64);
        let n = na + nb;
        let delta = other.mean - self.mean;
        let d_n = delta / n;
        let m4 = self.m4
            + other.m4
            + delta * d_n * d_n * d_n * na * nb * (na * na - na * nb + nb * nb)
            + 6.0 * d_n * d_n * (na * na * other.m2 + nb * nb * self.m2)
            + 4.0 * d_n * (na * other.m3 - nb * self.m3);
        let m3 =
            self.m3 + other.m3 + delta * d_n * d_n * na * nb * (na - nb) + 3.0 * d_n * (na * other.m2 - nb * self.m2);
        self.m2 += other.m2 + delta * d_n * na * nb;
        self.m3 = m3;
        self.m4 = m4;
        self.mean += d_n * nb;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.count += other.count;
    }

    /// Values taken.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Arithmetic mean; `None` before the first value.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then_some(self.mean)
    }

    /// Variance with divisor n; `None` before the first value.
    pub fn population_variance(&self) -> Option<f64> {
        (self.count > 0).then(|| self.m2 / self.count as f64)
    }

    /// Variance with divisor n − 1; `None` before the second value.
    pub fn variance(&self) -> Option<f64> {
        (self.count > 1).then(|| self.m2 / (self.count - 1) as f64)
    }

    /// Standard deviation with divisor n − 1; `None` before the second value.
    pub fn std_dev(&self) -> Option<f64> {
        self.variance().map(f64::sqrt)
    }

    /// Population skewness, m3 / m2^1.5; `None` while the values do not scatter.
    pub fn skewness(&self) -> Option<f64> {
        (self.m2 > 0.0).then(|| (self.count as f64).sqrt() * self.m3 / self.m2.powf(1.5)).filter(|s| s.is_finite())
    }

    /// Population kurtosis after Pearson, m4 / m2²: 3 for a normal distribution, 1.5 for a sine. `None` while the
    /// values do not scatter.
    pub fn kurtosis(&self) -> Option<f64> {
        (self.m2 > 0.0).then(|| self.count as f64 * self.m4 / (self.m2 * self.m2)).filter(|k| k.is_finite())
    }

    /// Root mean square about zero; `None` before the first value.
    pub fn rms(&self) -> Option<f64> {
        self.population_variance().map(|v| (self.mean * self.mean + v).sqrt())
    }

    /// Smallest value; `None` before the first.
    pub fn min(&self) -> Option<f64> {
        (self.count > 0).then_some(self.min)
    }

    /// Largest value; `None` before the first.
    pub fn max(&self) -> Option<f64> {
        (self.count > 0).then_some(self.max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(values: &[f64]) -> Moments {
        let mut moments = Moments::new();
        values.iter().for_each(|&v| assert!(moments.update(v)));
        moments
    }

    /// Source: 2, 4, 4, 4, 5, 5, 7, 9: mean 5 and population standard deviation 2 by hand; sums of third and fourth
    /// powers of the deviations −3, −1, −1, −1, 0, 0, 2, 4 are 42 and 356.
    #[test]
    fn eight_values_worked_by_hand() {
        let m = of(&[2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]);
        assert_eq!(m.mean(), Some(5.0));
        let near = |got: Option<f64>, want: f64| assert!((got.unwrap_or(f64::NAN) - want).abs() < 1e-14, "{got:?}");
        near(m.population_variance(), 4.0);
        near(m.skewness(), 42.0 / 8.0 / 8.0);
        near(m.kurtosis(), 356.0 / 8.0 / 16.0);
        near(m.variance(), 32.0 / 7.0);
        near(m.rms(), 29f64.sqrt());
        assert_eq!((m.min(), m.max(), m.count()), (Some(2.0), Some(9.0), 8));
    }

    #[test]
    fn what_is_not_defined_yet_is_none() {
        let mut m = Moments::new();
        assert_eq!((m.mean(), m.population_variance(), m.rms(), m.min(), m.max()), (None, None, None, None, None));
        assert!(m.update(3.0));
        assert_eq!((m.mean(), m.variance(), m.skewness(), m.kurtosis()), (Some(3.0), None, None, None));
        assert_eq!(of(&[4.2; 6]).kurtosis(), None, "a constant has no shape");
    }

    #[test]
    fn memory_is_as_the_page_says() {
        assert_eq!(size_of::<Moments>(), 56);
    }

    #[test]
    fn merging_with_nothing_changes_nothing() {
        let m = of(&[1.0, 5.0, 2.0]);
        let (mut left, mut right) = (m, Moments::new());
        left.merge(&Moments::new());
        right.merge(&m);
        assert_eq!((left, right), (m, m));
    }
}
