//! How far the running mean of a point strays by itself: of residuals that resemble the ones before, round a level that
//! follows them, and with the tails the residuals have.
//!
//! *Spread.* S = F − L, F the exponentially weighted mean of weight λ, L the level of weight f ≪ λ. For residuals of
//! unit variance whose correlation falls as ρᵏ, with a = 1 − λ, b = 1 − f:
//! cov(F_a, F_b) = λf/(1 − ab) · (1 + aρ/(1 − aρ) + bρ/(1 − bρ)), from which the variances of F, L and S follow
//! ([`Spread`]). Once S has come a share k of the way to its threshold the level stands still, and from there F alone
//! strays: [`Spread::to_threshold`] joins the two stretches by the exponents of their most likely paths.
//!
//! *How much a record tells.* The record of a day holds a dozen independent running means: what they spread is known to a
//! third. Scale and correlation of the residuals are known better, but say nothing of a slow wander. So the spread is
//! the one that follows from scale and correlation unless the record's own differs by more than its error: positive-part
//! shrinkage on the logarithm, [`combined`].
//!
//! *Tails.* [`Tails`]: the tail of the running mean of independent values distributed as the record's, by saddlepoint. For
//! correlated ones the weight is taken that gives a mean of independent ones the same correlation from value to value.
//!
//! Sources: EWMA: NIST/SEMATECH e-Handbook 6.3.2.4; shrinkage: James & Stein (1961), positive part; saddlepoint: Lugannani
//! & Rice (1980), Advances in Applied Probability 12, in the form of Barndorff-Nielsen; all from memory.

/// Second moments of a running mean round a followed level, for residuals of unit variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spread {
    /// Variance of the running mean about the true level.
    pub(super) mean: f64,
    /// Variance of the running mean about the followed level.
    pub(super) followed: f64,
    /// Slope of the followed level on the running mean's distance from it.
    share: f64,
}

impl Spread {
    /// Of means of weight `weight`, round a level of weight `follow`, of values with correlation `rho`.
    pub(super) fn of(weight: f64, follow: f64, rho: f64) -> Self {
        let (l, f) = (weight.clamp(1e-6, 1.0), follow.clamp(0.0, 1.0));
        let rho = rho.clamp(-0.5, 0.999);
        let covariance = |l: f64, f: f64| {
            let (a, b) = (1.0 - l, 1.0 - f);
            l * f / (1.0 - a * b).max(1e-12) * (1.0 + a * rho / (1.0 - a * rho) + b * rho / (1.0 - b * rho))
        };
        let (mean, level, both) = (covariance(l, l), covariance(f, f), covariance(l, f));
        let followed = (mean + level - 2.0 * both).max(1e-3 * mean);
        Self { mean, followed, share: (both - level) / followed }
    }

    /// The variance of an ordinary series that reaches a threshold as seldom, when the level stands still from a share
    /// `still` of the threshold on.
    pub(super) fn to_threshold(self, still: f64) -> f64 {
        let k = still.clamp(0.0, 1.0);
        let frozen = 1.0 - k * k + 2.0 * self.share * k * (1.0 - k);
        1.0 / (k * k / self.followed + frozen / self.mean)
    }
}

/// Successive running means of weight `weight`, of values with correlation `rho`, that tell as much of their variance as
/// one independent one: the sum of their squared autocorrelations. With a = 1 − λ these are A aᵏ − B ρᵏ over A − B,
/// A = a/(1 − a²), B likewise from ρ.
pub(super) fn memory(weight: f64, rho: f64) -> f64 {
    let a = (1.0 - weight).clamp(0.0, 0.999_999);
    let mut rho = rho.clamp(0.0, 0.999);
    if (a - rho).abs() < 1e-4 {
        // Where the two meet the form is 0/0; it is smooth there.
        rho = a - 1e-4;
    }
    let of = |x: f64| x / (1.0 - x * x);
    let sum = |product: f64| (1.0 + product) / (1.0 - product);
    let (big, small) = (of(a), of(rho));
    let squares = big * big * sum(a * a) + small * small * sum(rho * rho) - 2.0 * big * small * sum(a * rho);
    (squares / ((big - small) * (big - small))).max(1.0)
}

/// Weight of a running mean of independent values whose successive values hang together as long.
pub(super) fn weight_as_long(weight: f64, rho: f64) -> f64 {
    let memory = memory(weight, rho);
    1.0 - ((memory - 1.0) / (memory + 1.0)).sqrt()
}

/// A spread and how well it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Known {
    /// Variance.
    pub(super) variance: f64,
    /// Independent values whose variance would be known as well.
    pub(super) independent: f64,
}

/// The variance of the running mean from what the residuals say of it (`rows` of them with variance `square`, excess
/// kurtosis `kurtosis` and correlation `rho`) and from the mean square `seen` of `means` of its values in the record.
pub(super) fn combined(weight: f64, follow: f64, residuals: Residuals, seen: f64, means: f64) -> Known {
    let Residuals { rows, square, kurtosis, rho } = residuals;
    let n = rows.max(4.0);
    let derived = square * Spread::of(weight, follow, rho).followed;
    // By the innovations, whose variance is known apart from the correlation.
    let log = |rho: f64| (Spread::of(weight, follow, rho).followed / (1.0 - rho * rho).max(1e-6)).ln();
    let step = 1e-3;
    let slope = (log(rho + step) - log(rho - step)) / (2.0 * step);
    let doubt = (2.0 + kurtosis.max(0.0)) / n + slope * slope * (1.0 - rho * rho).max(1e-6) / n;
    let own = 2.0 * memory(weight, rho) / means.max(1.0);
    let apart = (seen / derived).ln();
    if !apart.is_finite() {
        return Known { variance: derived, independent: 2.0 / doubt };
    }
    let trust = (1.0 - (own + doubt) / (apart * apart)).clamp(0.0, 1.0);
    let left = (1.0 - trust) * doubt + trust * own;
    Known { variance: derived * (trust * apart).exp(), independent: 2.0 / left }
}

/// What is known of the residuals of a record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Residuals {
    /// How many.
    pub(super) rows: f64,
    /// Mean square.
    pub(super) square: f64,
    /// Excess kurtosis.
    pub(super) kurtosis: f64,
    /// Correlation with the one before.
    pub(super) rho: f64,
}

/// Moments and correlation of a record's residuals.
pub(super) fn residuals(z: &[f64]) -> Residuals {
    let n = z.len().max(1) as f64;
    let square = z.iter().map(|v| v * v).sum::<f64>() / n;
    let fourth = z.iter().map(|v| v.powi(4)).sum::<f64>() / n;
    let rho = super::autocorrelation::first_autocorrelation(z).unwrap_or(0.0);
    let kurtosis = if square > 0.0 { fourth / (square * square) - 3.0 } else { 0.0 };
    // Their own mean has been taken off, and has taken its part of a slow wander with it.
    let left = 1.0 - super::autocorrelation::first_order_inflation(rho, z.len()) / n;
    Residuals { rows: z.len() as f64, square: square / left.max(0.25), kurtosis, rho }
}

/// Thresholds, standard deviations, between which [`Tails`] is kept.
const KEPT: [f64; 2] = [4.0, 6.0];
/// Largest argument of the cumulants in standard deviations of a value: a sum of few values is not looked at farther out.
const FARTHEST: f64 = 6.0;
const NEAREST: f64 = 0.02;

/// How much farther a running mean strays than a normal one of its variance, at thresholds of four and six.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Tails([f32; 2]);

impl Tails {
    /// As the normal.
    pub(super) const NORMAL: Self = Self([1.0; 2]);

    /// Of a running mean of weight `weight` of values distributed as these.
    pub(super) fn of(values: &[f64], weight: f64) -> Self {
        let Some(cells) = Cells::of(values).filter(|_| weight > 0.0 && weight < 1.0) else { return Self::NORMAL };
        let stay = 1.0 - weight;
        // Nodes at least a tenth apart; each stands for the terms of the mean between two, so that the variance is right.
        let ratio = stay.min(0.9);
        let terms = (1.0 - ratio * ratio) / (1.0 - stay * stay);
        let count = ((NEAREST / FARTHEST).ln() / ratio.ln()).ceil() as usize;
        let sides = [1.0, -1.0].map(|sign| {
            let mut found = KEPT.map(|_| None);
            // Cumulants of the mean summed over all smaller arguments, from the smallest up: below it, a parabola.
            let t0 = FARTHEST * ratio.powi(count as i32);
            let rest = 0.5 * t0 * t0 / (1.0 - ratio * ratio);
            let (mut k, mut k1, mut k2) = (rest, 2.0 * rest, 2.0 * rest);
            let mut before: Option<(f64, f64)> = None;
            for i in (0..count).rev() {
                let t = FARTHEST * ratio.powi(i as i32);
                let [m, m1, m2] = cells.moments(sign * t);
                let (first, second) = (sign * m1 / m, m2 / m - (m1 / m) * (m1 / m));
                k += m.ln();
                k1 += t * first;
                k2 += t * t * second;
                // θ = t / λ of the mean; here in the scale of θ itself, so that θ K' and θ² K'' appear.
                let (kk, s, v2) = (terms * k, terms * k1, terms * k2);
                let r = (2.0 * (s - kk)).max(0.0).sqrt();
                let v = v2.max(1e-300).sqrt();
                if r < 0.5 {
                    continue;
                }
                let z = r + (v / r).ln() / r;
                // The threshold itself: K' in standard deviations of the mean.
                let at = s / t * weight / (weight / (2.0 - weight)).sqrt();
                for (found, u) in found.iter_mut().zip(KEPT) {
                    if let (None, Some((z0, at0))) = (*found, before)
                        && z >= u
                        && z > z0
                    {
                        *found = Some(at0 + (at - at0) * (u - z0) / (z - z0));
                    }
                }
                before = Some((z, at));
            }
            let last = before;
            let mut factors = [1.0; 2];
            for ((factor, found), u) in factors.iter_mut().zip(found).zip(KEPT) {
                *factor = found.map_or_else(|| last.map_or(1.0, |(z, at)| at / z), |at| at / u);
            }
            factors
        });
        let wider = |i: usize| sides[0][i].max(sides[1][i]).clamp(1.0, 5.0) as f32;
        Self([wider(0), wider(1)])
    }

    /// Factor on a threshold.
    pub(super) fn factor(&self, threshold: f64) -> f64 {
        let [low, high] = self.0.map(f64::from);
        (low + (high - low) * (threshold - KEPT[0]) / (KEPT[1] - KEPT[0])).max(1.0)
    }
}

/// How many [`Cells`] there are between the least and the largest value.
const CELLS: usize = 64;

/// A distribution on an even grid, mean 0 and variance 1; its exponential moments take one exponential however many values
/// there were.
struct Cells {
    share: [f64; CELLS],
    first: f64,
    width: f64,
}

impl Cells {
    /// `None` of values that are all the same.
    fn of(values: &[f64]) -> Option<Self> {
        let farthest = values.iter().copied().map(f64::abs).max_by(f64::total_cmp)?;
        let width = 2.0 * farthest / (CELLS - 1) as f64;
        let mut share = [0.0; CELLS];
        // The next of n alike lies beyond all of them once in n + 1 times: one more at the end, on either side.
        for v in values.iter().chain(&[farthest, -farthest]) {
            let place = (v + farthest) / width;
            let cell = (place as usize).min(CELLS - 2);
            // Shared between its two neighbours so that the mean stays.
            share[cell] += 1.0 - (place - cell as f64);
            share[cell + 1] += place - cell as f64;
        }
        let n = values.len() as f64 + 2.0;
        share.iter_mut().for_each(|s| *s /= n);
        let at = |i: usize| i as f64 * width - farthest;
        let mean: f64 = (0..CELLS).map(|i| share[i] * at(i)).sum();
        let square: f64 = (0..CELLS).map(|i| share[i] * (at(i) - mean) * (at(i) - mean)).sum();
        let scale = square.sqrt();
        (scale > 0.0 && scale.is_finite()).then(|| Self { share, first: (at(0) - mean) / scale, width: width / scale })
    }

    /// Means of eᵗˣ, x eᵗˣ and x² eᵗˣ.
    fn moments(&self, t: f64) -> [f64; 3] {
        let (mut x, mut e, step) = (self.first, (t * self.first).exp(), (t * self.width).exp());
        let mut sums = [0.0; 3];
        for share in &self.share {
            let here = share * e;
            sums = [sums[0] + here, sums[1] + x * here, sums[2] + x * x * here];
            (x, e) = (x + self.width, e * step);
        }
        sums
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::tail::normal_quantile;

    /// Source: NIST/SEMATECH e-Handbook 6.3.2.4, λ/(2 − λ), from memory; for a first-order series the sum over its
    /// autocorrelations, term by term.
    #[test]
    fn the_spread_is_that_of_the_weights() {
        let (l, f) = (0.1_f64, 0.01_f64);
        assert!((Spread::of(l, f, 0.0).mean - l / (2.0 - l)).abs() < 1e-12);
        for rho in [0.0_f64, 0.5, 0.95] {
            let weight = |j: usize| l * (1.0 - l).powi(j as i32) - f * (1.0 - f).powi(j as i32);
            let many = 2500;
            let weights: Vec<f64> = (0..many).map(weight).collect();
            // Σ wᵢ wⱼ ρ^|i−j| by one pass: each weight with what the ones before it carry on.
            let (mut carried, mut sum) = (0.0, 0.0);
            for w in &weights {
                sum += w * (w + 2.0 * carried);
                carried = rho * (carried + w);
            }
            let got = Spread::of(l, f, rho).followed;
            assert!((got / sum - 1.0).abs() < 1e-6, "rho {rho}: {got} against {sum}");
        }
    }

    /// Exact: without correlation the running mean's autocorrelations are (1 − λ)ᵏ, their squares a geometric series.
    #[test]
    fn a_running_mean_remembers_as_its_autocorrelations_say() {
        let a = 0.9_f64;
        assert!((memory(1.0 - a, 0.0) - (1.0 + a * a) / (1.0 - a * a)).abs() < 1e-9);
        assert!((weight_as_long(0.1, 0.0) - 0.1).abs() < 1e-9);
        assert!(memory(0.1, 0.9).is_finite() && memory(0.1, 0.95) > memory(0.1, 0.5));
    }

    /// Law: the mean of normal values is normal; heavy tails reach farther, and less so the longer the mean.
    #[test]
    fn tails_are_those_of_the_values_and_fade_in_a_longer_mean() {
        let normal: Vec<f64> = (0..400).map(|i| normal_quantile((i as f64 + 0.5) / 400.0)).collect();
        assert!((Tails::of(&normal, 0.1).factor(4.4) - 1.0).abs() < 0.02);
        let heavy: Vec<f64> = normal.iter().map(|z| z * z.abs()).collect();
        let (short, long) = (Tails::of(&heavy, 0.2).factor(4.4), Tails::of(&heavy, 0.02).factor(4.4));
        assert!(short > long && long > 1.0 && short > 1.2, "{short} and {long}");
        assert_eq!(Tails::of(&[0.0; 20], 0.1).factor(4.4), 1.0);
        assert_eq!(Tails::of(&[], 0.1).factor(4.4), 1.0);
    }

    /// A record that agrees with what its residuals say changes nothing; one that strays three times as far is believed.
    #[test]
    fn the_record_counts_where_it_differs_by_more_than_its_error() {
        let residuals = Residuals { rows: 300.0, square: 1.0, kurtosis: 0.0, rho: 0.0 };
        let derived = Spread::of(0.1, 0.01, 0.0).followed;
        let near = combined(0.1, 0.01, residuals, 1.1 * derived, 250.0);
        assert_eq!(near.variance, derived);
        let far = combined(0.1, 0.01, residuals, 9.0 * derived, 250.0);
        assert!(far.variance > 6.0 * derived && far.independent < near.independent, "{far:?}");
        assert!(combined(0.1, 0.01, residuals, f64::NAN, 0.0).variance.is_finite());
    }
}
