//! Seeded chance: uniform and normal draws, and first-order autoregressive noise.

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{RngCore, SeedableRng};

/// A stream of chance of its own for one purpose, so that a machine added to the site leaves the others as they were.
#[derive(Debug, Clone)]
pub(crate) struct Chance(Xoshiro256PlusPlus);

impl Chance {
    /// The stream of `purpose` (any words) under the recording's seed.
    pub(crate) fn new(seed: u64, purpose: &[&str]) -> Self {
        // FNV-1a over the words: stable over releases and platforms, which `std`'s hasher does not promise.
        let mut hash = 0xcbf2_9ce4_8422_2325_u64;
        for byte in purpose.iter().flat_map(|word| word.bytes().chain([0])) {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
        Self(Xoshiro256PlusPlus::seed_from_u64(seed.rotate_left(32) ^ hash))
    }

    /// Uniform in [0, 1).
    pub(crate) fn unit(&mut self) -> f64 {
        // The upper 53 bits are as many as a double holds.
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform between `low` and `high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// `true` in a share `p` of the calls.
    pub(crate) fn happens(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    /// An index below `count`; 0 for an empty range.
    pub(crate) fn index(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// An index, each as likely as its weight says.
    pub(crate) fn weighted(&mut self, weights: &[f64]) -> usize {
        let mut left = self.unit() * weights.iter().sum::<f64>();
        for (index, weight) in weights.iter().enumerate() {
            if left < *weight {
                return index;
            }
            left -= weight;
        }
        weights.iter().rposition(|weight| *weight > 0.0).unwrap_or(0)
    }

    /// Standard normal, by Marsaglia's polar method; the second draw of the pair is dropped to keep the stream simple.
    pub(crate) fn normal(&mut self) -> f64 {
        loop {
            let (x, y) = (self.between(-1.0, 1.0), self.between(-1.0, 1.0));
            let r2 = x * x + y * y;
            if r2 > 0.0 && r2 < 1.0 {
                return x * (-2.0 * r2.ln() / r2).sqrt();
            }
        }
    }

    /// Puts `items` in random order.
    pub(crate) fn shuffle<T>(&mut self, items: &mut [T]) {
        for last in (1..items.len()).rev() {
            items.swap(last, self.index(last + 1));
        }
    }
}

/// Stationary first-order autoregressive noise: standard deviation `sigma`, correlation e⁻¹ after `tau_secs`.
#[derive(Debug, Clone)]
pub(crate) struct Wander {
    sigma: f64,
    tau_secs: f64,
    /// In standard deviations.
    state: f64,
}

impl Wander {
    /// Starts in its stationary distribution.
    pub(crate) fn new(sigma: f64, tau_secs: f64, chance: &mut Chance) -> Self {
        Self { sigma, tau_secs, state: chance.normal() }
    }

    /// Moves on by `secs` and gives the new value.
    pub(crate) fn step(&mut self, secs: f64, chance: &mut Chance) -> f64 {
        let phi = (-secs / self.tau_secs).exp();
        self.state = phi * self.state + (1.0 - phi * phi).sqrt() * chance.normal();
        self.value()
    }

    /// The value now.
    pub(crate) fn value(&self) -> f64 {
        self.sigma * self.state
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: closed form of an AR(1) process: variance sigma², lag-one correlation exp(−dt/tau).
    #[test]
    fn wander_has_the_stated_variance_and_correlation() {
        let mut chance = Chance::new(7, &["test"]);
        let mut wander = Wander::new(2.0, 600.0, &mut chance);
        let values: Vec<f64> = (0..200_000).map(|_| wander.step(300.0, &mut chance)).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64;
        let lagged = values.windows(2).map(|w| (w[0] - mean) * (w[1] - mean)).sum::<f64>() / values.len() as f64;
        // Four standard errors of an autocorrelated sample of this length.
        assert!(mean.abs() < 0.04, "{mean}");
        assert!((variance - 4.0).abs() < 0.12, "{variance}");
        assert!((lagged / variance - (-0.5_f64).exp()).abs() < 0.01, "{}", lagged / variance);
    }

    #[test]
    fn streams_differ_by_seed_and_by_purpose() {
        let first = |seed, purpose: &[&str]| Chance::new(seed, purpose).0.next_u64();
        assert_ne!(first(1, &["a"]), first(2, &["a"]));
        assert_ne!(first(1, &["a"]), first(1, &["b"]));
        assert_ne!(first(1, &["ab", "c"]), first(1, &["a", "bc"]));
        assert_eq!(first(1, &["a"]), first(1, &["a"]));
    }
}
