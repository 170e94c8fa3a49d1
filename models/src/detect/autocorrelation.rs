//! How much each value says that the one before did not: autocorrelations and the effective size of a sample.
//!
//! Baselines, control limits and trend tests count readings as if they were independent; machines are not. A mean of n
//! values has the variance of n / f independent ones, f the variance inflation. Values that are not finite are gaps: the
//! lag is counted in places, so keep the series on an even grid and mark what is missing as NaN.
//!
//! Sources: Box and Jenkins for the estimator; Marriott and Pope (1954), Biometrika 41, for the bias of the first lag;
//! Geyer (1992), Statistical Science 7, for the initial positive sequence; all from memory.

/// Sample autocorrelations at lags 0, 1, … into `out` (lag 0 is 1).
///
/// The usual estimator, divisor n at every lag, so that the sequence is positive definite; with gaps, the mean product
/// over the pairs at hand, times (n - lag)/n. Returns the number of finite values. With fewer than two different finite
/// values every lag but 0 is 0; lags without a pair are 0.
pub fn autocorrelations(x: &[f64], out: &mut [f64]) -> usize {
    out.fill(0.0);
    if let Some(first) = out.first_mut() {
        *first = 1.0;
    }
    let (count, mean) = finite_mean(x);
    let variance = x.iter().filter(|v| v.is_finite()).map(|v| (v - mean) * (v - mean)).sum::<f64>() / count as f64;
    // A constant leaves rounding, not nothing: what is below the last digits of the mean is no variance.
    if count < 2 || !(variance > (8.0 * f64::EPSILON * mean).powi(2) && variance.is_finite()) {
        return count;
    }
    for (lag, slot) in out.iter_mut().enumerate().skip(1).take_while(|(lag, _)| *lag < x.len()) {
        let (mut sum, mut pairs) = (0.0, 0usize);
        for (early, late) in x.iter().zip(&x[lag..]) {
            let product = (early - mean) * (late - mean);
            if product.is_finite() {
                sum += product;
                pairs += 1;
            }
        }
        if pairs > 0 {
            let shrink = (x.len() - lag) as f64 / x.len() as f64;
            *slot = (sum / pairs as f64 * shrink / variance).clamp(-1.0, 1.0);
        }
    }
    count
}

/// First autocorrelation with the bias of a short series taken out: E r₁ ≈ ρ - (1 + 4ρ)/n, so ρ = (n r₁ + 1)/(n - 4),
/// held within ±0.99. `None` with fewer than 8 finite values or no variance.
pub fn first_autocorrelation(x: &[f64]) -> Option<f64> {
    let mut lags = [0.0; 2];
    let count = autocorrelations(x, &mut lags);
    let varies = x.iter().filter(|v| v.is_finite()).any(|v| Some(v) != x.iter().find(|v| v.is_finite()));
    if count < 8 || !varies {
        return None;
    }
    let n = count as f64;
    Some(((n * lags[1] + 1.0) / (n - 4.0)).clamp(-0.99, 0.99))
}

/// Variance inflation of the mean of `n` values whose autocorrelation at lag k is `rho`ᵏ: exactly
/// 1 + 2 Σ (1 - k/n) ρᵏ, between 0 and n. 1 for n below 2 or a `rho` that is not in (-1, 1).
pub fn first_order_inflation(rho: f64, n: usize) -> f64 {
    if !(rho > -1.0 && rho < 1.0) || n < 2 {
        return 1.0;
    }
    let n = n as f64;
    let rest = 1.0 - rho;
    ((1.0 + rho) / rest - 2.0 * rho * (1.0 - rho.powf(n)) / (n * rest * rest)).clamp(0.0, n)
}

/// Variance inflation of a mean from sample autocorrelations `rho` (lag 0 first): twice the sum of the pairs
/// ρ₂ₘ + ρ₂ₘ₊₁ as long as they are positive, less one. Without a model of the decay, so it also takes slow and damped
/// cycles; at least 1, since a few lags cannot prove less. Sees nothing beyond the lags it is given.
pub fn initial_positive_inflation(rho: &[f64]) -> f64 {
    let sum: f64 = rho.chunks_exact(2).map(|pair| pair[0] + pair[1]).take_while(|&sum| sum > 0.0).sum();
    (2.0 * sum - 1.0).max(1.0)
}

/// Independent values worth as much as `n` with that variance inflation, for a mean.
pub fn effective_size(n: usize, inflation: f64) -> f64 {
    n as f64 / if inflation > 0.0 { inflation } else { 1.0 }
}

fn finite_mean(x: &[f64]) -> (usize, f64) {
    let finite = || x.iter().filter(|v| v.is_finite());
    let count = finite().count();
    // Divided before adding: no overflow however large the values.
    (count, finite().map(|v| v / count as f64).sum())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Source: by hand. x = 1, 2, 3, 4, 5: deviations -2 … 2, sum of squares 10, products at lag 1: 2 + 0 + 0 + 2 = 4,
    /// lag 2: 0 - 1 + 0 = -1, lag 3: -2 - 2 = -4, lag 4: -4.
    #[test]
    fn five_rising_values_by_hand() {
        let mut rho = [0.0; 6];
        assert_eq!(autocorrelations(&[1.0, 2.0, 3.0, 4.0, 5.0], &mut rho), 5);
        for (got, want) in rho.iter().zip([1.0, 0.4, -0.1, -0.4, -0.4, 0.0]) {
            assert!((got - want).abs() < 1e-15, "{rho:?}");
        }
    }

    #[test]
    fn a_constant_or_empty_series_correlates_with_nothing() {
        let mut rho = [7.0; 3];
        assert_eq!(autocorrelations(&[3.0; 20], &mut rho), 20);
        assert_eq!(rho, [1.0, 0.0, 0.0]);
        assert_eq!(autocorrelations(&[], &mut rho), 0);
        assert_eq!(autocorrelations(&[f64::NAN; 4], &mut rho), 0);
        assert_eq!(first_autocorrelation(&[3.0; 20]), None);
    }

    /// The closed form against the sum it stands for.
    #[test]
    fn first_order_inflation_is_the_finite_sum() {
        for rho in [-0.7f64, -0.2, 0.0, 0.3, 0.9, 0.99] {
            for n in [2usize, 5, 50, 301] {
                let sum: f64 = (1..n).map(|k| (1.0 - k as f64 / n as f64) * rho.powi(k as i32)).sum();
                let want = 1.0 + 2.0 * sum;
                let got = first_order_inflation(rho, n);
                assert!((got - want).abs() < 1e-10 * want.max(1.0), "rho {rho} n {n}: {got}, sum {want}");
            }
        }
        assert_eq!(first_order_inflation(f64::NAN, 10), 1.0);
    }

    /// Exact autocorrelations of a first-order series: (1 + ρ)/(1 - ρ), to what 400 lags leave out.
    #[test]
    fn initial_positive_sequence_of_a_first_order_series() {
        for rho in [0.0f64, 0.3, 0.8, 0.95] {
            let lags: Vec<f64> = (0..400).map(|k| rho.powi(k)).collect();
            let got = initial_positive_inflation(&lags);
            assert!((got - (1.0 + rho) / (1.0 - rho)).abs() < 1e-6, "rho {rho}: {got}");
        }
    }

    /// A first-order series with ρ = 0.6, 400 times 30 values: the mean of the corrected estimate must lie nearer to 0.6
    /// than that of the plain one, and within 0.02 (standard error of the mean 0.008).
    #[test]
    fn the_correction_takes_the_bias_out() {
        let mut state = 88_172_645_463_325_252_u64;
        let mut noise = || {
            // Sum of twelve uniforms: near enough to normal here.
            (0..12)
                .map(|_| {
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    (state >> 11) as f64 / (1u64 << 53) as f64
                })
                .sum::<f64>()
                - 6.0
        };
        let (mut plain, mut corrected) = (0.0, 0.0);
        for _ in 0..400 {
            let mut value = noise() / (1.0f64 - 0.36).sqrt();
            let series: Vec<f64> = (0..30)
                .map(|_| {
                    value = 0.6 * value + noise();
                    value
                })
                .collect();
            let mut lags = [0.0; 2];
            autocorrelations(&series, &mut lags);
            plain += lags[1] / 400.0;
            corrected += first_autocorrelation(&series).unwrap() / 400.0;
        }
        assert!((corrected - 0.6).abs() < 0.02 && plain < 0.53, "plain {plain}, corrected {corrected}");
    }

    proptest! {
        #[test]
        fn a_change_of_unit_is_not_felt(x in prop::collection::vec(-5.0..5.0f64, 8..60), scale in 0.01..1e3f64, shift in -1e3..1e3f64) {
            let (mut a, mut b) = ([0.0; 6], [0.0; 6]);
            autocorrelations(&x, &mut a);
            let scaled: Vec<f64> = x.iter().map(|v| v * scale + shift).collect();
            autocorrelations(&scaled, &mut b);
            for (a, b) in a.iter().zip(b) {
                prop_assert!((a - b).abs() < 1e-5, "{a} {b}");
            }
        }

        #[test]
        fn gaps_at_the_ends_shrink_and_nothing_else(x in prop::collection::vec(-5.0..5.0f64, 8..60)) {
            let mut a = [0.0; 4];
            let mut b = [0.0; 4];
            autocorrelations(&x, &mut a);
            let mut padded = vec![f64::NAN; x.len()];
            padded.extend_from_slice(&x);
            prop_assert_eq!(autocorrelations(&padded, &mut b), x.len());
            for (lag, (a, b)) in a.iter().zip(b).enumerate() {
                // Same pairs; only the factor (n - lag)/n sees the longer grid.
                let n = x.len() as f64;
                let lag = lag as f64;
                let same = a * (n / (n - lag)) * ((2.0 * n - lag) / (2.0 * n));
                prop_assert!((b - same).abs() < 1e-12 || b.abs() == 1.0, "{b} {same}");
            }
        }
    }
}
