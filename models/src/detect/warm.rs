//! How warm a machine is from running, and whether that is a warmth its baseline was learned at.
//!
//! warmth ← warmth + (1 − e^(−Δt/τ)) · (running − warmth): the share of the last time constant it ran, 1 after long
//! running, 0 after a long stop. A bearing follows it whatever the load. A day of learning holds one or two starts, too
//! few to learn by which law a cold machine warms up, so a thermal point is judged only while the machine is about as
//! warm as it was in most of its learning. A machine that stops every hour was learned lukewarm and is judged lukewarm.
//!
//! Input: running or not with the time since the last snapshot, seconds. Memory: 16 bytes, and 21 counters of 4 bytes
//! while learning. Source: first-order heating of a body, textbook; the share of the record is ours.

use crate::manipulate::remembered::Remembered;
use serde::{Deserialize, Serialize};

/// Steps in which warmth is counted.
const STEPS: usize = 20;
/// A machine warmer than in this share of its learning is warm enough.
const COLDEST: f64 = 0.25;
/// Above this nothing is called cold: e^−3 of a start is left.
const WARM: f64 = 0.95;

/// Warmth of one machine under one time constant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Warmth {
    tau_secs: f64,
    now: f64,
}

impl Warmth {
    /// `tau_secs`: thermal time constant, seconds. A machine is taken for warm until it is seen standing.
    pub fn new(tau_secs: f64) -> Self {
        Self { tau_secs, now: 1.0 }
    }

    /// Moves on by `secs` of running or standing. A time that is not finite or not above 0 changes nothing.
    pub fn update(&mut self, running: bool, secs: f64) {
        self.update_with(running, secs, &mut Remembered::default());
    }

    /// [`Warmth::update`] for one of many of the same time constant.
    pub fn update_with(&mut self, running: bool, secs: f64, share: &mut Remembered) {
        if secs.is_finite() && secs > 0.0 {
            let target = if running { 1.0 } else { 0.0 };
            self.now += share.of(-secs / self.tau_secs, |x| -x.exp_m1()) * (target - self.now);
        }
    }

    /// Share from 0 to 1.
    pub fn now(&self) -> f64 {
        self.now
    }
}

/// How warm a machine was while it was learned.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Warmths {
    counts: Vec<u32>,
}

impl Warmths {
    /// Counts a learned row.
    pub fn push(&mut self, warmth: f64) {
        self.counts.resize(STEPS + 1, 0);
        if warmth.is_finite() {
            let step = (warmth.clamp(0.0, 1.0) * STEPS as f64) as usize;
            self.counts[step] = self.counts[step].saturating_add(1);
        }
    }

    /// The warmth from which on thermal points are judged; 0 when nothing was counted.
    pub fn enough(&self) -> f64 {
        let total: f64 = self.counts.iter().map(|n| f64::from(*n)).sum();
        let mut below = 0.0;
        for (step, n) in self.counts.iter().enumerate() {
            below += f64::from(*n);
            if below > COLDEST * total {
                return (step as f64 / STEPS as f64).min(WARM);
            }
        }
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: first-order heating: after a time constant e^−1 of the way is left, after three e^−3.
    #[test]
    fn a_start_from_cold_is_over_after_three_time_constants() {
        let mut warmth = Warmth::new(3600.0);
        warmth.update(false, 1e6);
        assert!(warmth.now() < 1e-12);
        for _ in 0..12 {
            warmth.update(true, 300.0);
        }
        assert!((warmth.now() - (1.0 - (-1f64).exp())).abs() < 1e-12);
        for _ in 0..24 {
            warmth.update(true, 300.0);
        }
        assert!((warmth.now() - (1.0 - (-3f64).exp())).abs() < 1e-12);
        let before = warmth;
        warmth.update(false, f64::NAN);
        assert_eq!(warmth, before);
    }

    #[test]
    fn enough_is_what_most_of_the_learning_was() {
        assert_eq!(Warmths::default().enough(), 0.0);
        let mut steady = Warmths::default();
        (0..10).for_each(|i| steady.push(0.1 * f64::from(i)));
        (0..290).for_each(|_| steady.push(1.0));
        assert_eq!(steady.enough(), WARM);
        let mut cycling = Warmths::default();
        (0..300).for_each(|i| cycling.push(0.3 + 0.3 * f64::from(i % 10) / 10.0));
        assert!(cycling.enough() < 0.45);
    }
}
