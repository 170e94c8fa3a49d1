//! When a level that drifts and wanders first reaches a limit.
//!
//! The level is a Wiener process with drift, L(t) = level + drift·t + √wander·W(t). With everything known, the time of
//! first passage over a distance d > 0 is inverse Gaussian with mean d/drift and shape d²/wander. Here the distance and
//! the drift are known only as a bivariate normal, so that a share of the probability may be *never*.
//!
//! Times are hours throughout the project, but nothing here depends on it: any unit, used for all, will do.
//!
//! Sources: Chhikara & Folks (1989), The Inverse Gaussian Distribution; the closed form for a normal drift is that of
//! Peng & Tseng (2009), IEEE Trans. Reliability 58(3) (both from memory; the tests integrate numerically instead).

use statrs::function::erf::erfc;
use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// Standard normal distribution function.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * FRAC_1_SQRT_2)
}

/// exp(x²) erfc(x) for x ≥ 0, which stays finite where erfc has long been zero.
fn scaled_erfc(x: f64) -> f64 {
    if x < 20.0 {
        return (x * x).exp() * erfc(x);
    }
    // Asymptotic series (NIST DLMF 7.12.1): the first term left out is below 1e-13 of the sum from here on.
    let q = 1.0 / (2.0 * x * x);
    (1.0 - q * (1.0 - 3.0 * q * (1.0 - 5.0 * q * (1.0 - 7.0 * q)))) / (x * PI.sqrt())
}

/// The part of the distribution function that comes from paths which were across the limit and came back:
/// exp(e) Φ(−b) with e = (b² − a²)/2, written so that neither factor is ever evaluated where it overflows. `e` comes
/// along because a and b may be huge and nearly opposite.
fn returned(a: f64, b: f64, e: f64) -> f64 {
    if b >= 0.0 {
        0.5 * (-0.5 * a * a).exp() * scaled_erfc(b * FRAC_1_SQRT_2)
    } else {
        e.min(0.0).exp() * normal_cdf(-b)
    }
}

/// Root of a rising function between `low` and `high` (f(low) ≤ 0 ≤ f(high)) to a relative width, by the Illinois
/// variant of the false position with a bisection whenever that crawls. Positive brackets only.
pub(crate) fn rising_root(low: f64, high: f64, relative: f64, f: impl Fn(f64) -> f64) -> f64 {
    rising_root_between((low, f(low)), (high, f(high)), relative, f)
}

/// [`rising_root`] where the function is known at both ends.
pub(crate) fn rising_root_between(
    (mut low, mut f_low): (f64, f64),
    (mut high, mut f_high): (f64, f64),
    relative: f64,
    f: impl Fn(f64) -> f64,
) -> f64 {
    let mut last_side = 0_i8;
    for step in 0..200 {
        if high - low <= relative * high {
            break;
        }
        let mut mid = (low * f_high - high * f_low) / (f_high - f_low);
        // Every fourth step halves in the logarithm: brackets here span decades.
        if step % 4 == 3 || !(mid > low && mid < high) {
            mid = if low > 0.0 { (low * high).sqrt() } else { 0.5 * high };
            if !(mid > low && mid < high) {
                break;
            }
        }
        let f_mid = f(mid);
        if f_mid < 0.0 {
            (low, f_low) = (mid, f_mid);
            if last_side == -1 {
                f_high *= 0.5;
            }
            last_side = -1;
        } else {
            (high, f_high) = (mid, f_mid);
            if last_side == 1 {
                f_low *= 0.5;
            }
            last_side = 1;
        }
    }
    0.5 * (low + high)
}

/// The inverse Gaussian distribution: first passage of a Wiener process with a known, positive drift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InverseGaussian {
    mean: f64,
    shape: f64,
}

impl InverseGaussian {
    /// `None` unless both are finite and above 0.
    pub fn new(mean: f64, shape: f64) -> Option<Self> {
        let good = |x: f64| x.is_finite() && x > 0.0;
        (good(mean) && good(shape)).then_some(Self { mean, shape })
    }

    /// P(T ≤ x); finite and within 1e-9 for any shape.
    pub fn cdf(&self, x: f64) -> f64 {
        if x.is_nan() || x <= 0.0 {
            return 0.0;
        }
        let root = (self.shape / x).sqrt();
        let (a, b) = (root * (x / self.mean - 1.0), root * (x / self.mean + 1.0));
        (normal_cdf(a) + returned(a, b, 2.0 * self.shape / self.mean)).min(1.0)
    }

    /// Density at x.
    pub fn pdf(&self, x: f64) -> f64 {
        if x.is_nan() || x <= 0.0 {
            return 0.0;
        }
        let off = x / self.mean - 1.0;
        (self.shape / (2.0 * PI * x * x * x)).sqrt() * (-0.5 * self.shape * off * off / x).exp()
    }

    /// The x with P(T ≤ x) = p; `None` unless 0 < p < 1.
    pub fn quantile(&self, p: f64) -> Option<f64> {
        if !(p > 0.0 && p < 1.0) {
            return None;
        }
        let (mut low, mut high) = (self.mean, self.mean);
        while self.cdf(low) > p && low > f64::MIN_POSITIVE {
            low *= 0.5;
        }
        while self.cdf(high) < p && high < f64::MAX * 0.25 {
            high *= 2.0;
        }
        Some(rising_root(low, high, 1e-13, |x| self.cdf(x) - p))
    }
}

/// First passage when the distance to the limit and the drift are known only as a bivariate normal.
///
/// `drift` and `distance` are taken towards the limit: a positive drift comes closer, a distance of 0 or less means
/// the limit is reached at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passage {
    /// Mean distance to the limit, in units of the value.
    pub distance: f64,
    /// Its variance.
    pub distance_var: f64,
    /// Mean drift towards the limit, value per unit of time.
    pub drift: f64,
    /// Its variance.
    pub drift_var: f64,
    /// Covariance of distance and drift.
    pub covariance: f64,
    /// Variance the wander adds per unit of time (σ² of the Wiener process).
    pub wander_var: f64,
}

/// Gauss–Hermite nodes in standard deviations with their weights, exact to polynomials of degree 9.
const LEVEL_NODES: [(f64, f64); 5] = [
    (-2.856_970_013_872_805_6, 0.011_257_411_327_720_69),
    (-1.355_626_179_974_265_8, 0.222_075_922_005_612_64),
    (0.0, 8.0 / 15.0),
    (1.355_626_179_974_265_8, 0.222_075_922_005_612_64),
    (2.856_970_013_872_805_6, 0.011_257_411_327_720_69),
];

impl Passage {
    /// Nothing uncertain but the wander; `sigma` is its standard deviation after one unit of time.
    pub fn certain(distance: f64, drift: f64, sigma: f64) -> Self {
        Self { distance, distance_var: 0.0, drift, drift_var: 0.0, covariance: 0.0, wander_var: sigma * sigma }
    }

    /// P(limit reached by time t). Rises to [`Passage::reach_probability`], not to 1.
    ///
    /// P(above at t) is exact under the joint normal; the paths that crossed and came back are exact in the drift and
    /// take a five-node Gauss–Hermite quadrature in the distance. That second part is zero without wander.
    pub fn cdf(&self, t: f64) -> f64 {
        if t.is_nan() || t < 0.0 {
            return 0.0;
        }
        let wander = self.wander_var.max(0.0) * t;
        let var = self.distance_var + t * (t * self.drift_var - 2.0 * self.covariance) + wander;
        let ahead = self.drift * t - self.distance;
        if var.is_nan() || var <= 0.0 {
            return if ahead >= 0.0 { 1.0 } else { 0.0 };
        }
        let above = normal_cdf(ahead / var.sqrt());
        // Nothing can be added to certainty.
        if wander <= 0.0 || above >= 1.0 {
            return above;
        }
        let (level_sd, drift_per_distance) = if self.distance_var > 0.0 {
            (self.distance_var.sqrt(), self.covariance / self.distance_var)
        } else {
            (0.0, 0.0)
        };
        let drift_var = (self.drift_var - self.covariance * drift_per_distance).max(0.0);
        let sd = (t * t * drift_var + wander).sqrt();
        let came_back = |off: f64| {
            let (distance, drift) = (self.distance + off, self.drift + drift_per_distance * off);
            let a = (drift * t - distance) / sd;
            if distance <= 0.0 {
                return normal_cdf(-a);
            }
            let b = (2.0 * drift_var * distance * t / self.wander_var + drift * t + distance) / sd;
            // Nine standard deviations away the term is below 1e-17.
            if b >= 0.0 && a.abs() > 9.0 {
                return 0.0;
            }
            let per_wander = distance / self.wander_var;
            returned(a, b, 2.0 * per_wander * (drift + drift_var * per_wander))
        };
        let back: f64 = if level_sd > 0.0 {
            LEVEL_NODES.iter().map(|(z, weight)| weight * came_back(z * level_sd)).sum()
        } else {
            came_back(0.0)
        };
        (above + back).min(1.0)
    }

    /// P(the limit is ever reached); one minus it is the probability of *never*.
    pub fn reach_probability(&self) -> f64 {
        if self.distance <= 0.0 && self.distance_var <= 0.0 {
            return 1.0;
        }
        // The distribution function is flat long before this many mean passage times.
        let scale = self.distance.abs().max(self.distance_var.sqrt()) / self.drift.abs().max(self.drift_var.sqrt());
        let wander_scale = self.wander_var / self.drift.powi(2).max(self.drift_var);
        let t = 1e12 * scale.max(wander_scale);
        if t.is_finite() {
            return self.cdf(t);
        }
        // No drift at all: a Wiener process gets everywhere, a constant nowhere.
        if self.wander_var > 0.0 { 1.0 } else { normal_cdf(-self.distance / self.distance_var.sqrt()) }
    }

    /// The time by which the limit is reached with probability p; `None` when p is not in (0, 1) or the limit is
    /// reached with a smaller probability than p.
    pub fn quantile(&self, p: f64) -> Option<f64> {
        if !(p > 0.0 && p < 1.0) || self.reach_probability().is_nan() || self.reach_probability() <= p {
            return None;
        }
        if self.cdf(0.0) >= p {
            return Some(0.0);
        }
        let start = (self.distance / self.drift).abs();
        let start = if start.is_finite() && start > 0.0 { start } else { 1.0 };
        let (mut low, mut high) = (start, start);
        while self.cdf(low) > p && low > f64::MIN_POSITIVE {
            low *= 0.5;
        }
        while self.cdf(high) < p && high < f64::MAX * 0.25 {
            high *= 2.0;
        }
        Some(rising_root(low, high, 1e-13, |t| self.cdf(t) - p))
    }
}
