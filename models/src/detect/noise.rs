//! Noise for tests: first-order series, near enough to normal, the same at every run.

/// `count` values of unit variance with correlation `rho` from one to the next.
pub(super) fn first_order(count: usize, rho: f64, mut seed: u64) -> Vec<f64> {
    let mut unit = move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 11) as f64 / (1u64 << 53) as f64
    };
    // Twelve uniform ones have the variance of one; their sum is normal as far as these tests look.
    let mut fresh = move || (0..12).map(|_| unit()).sum::<f64>() - 6.0;
    let mut before = fresh();
    (0..count)
        .map(|_| {
            before = rho * before + (1.0 - rho * rho).sqrt() * fresh();
            before
        })
        .collect()
}
