//! Rows that were called abnormal against rows that were: counts, and the shares made of them.
//!
//! Four numbers of memory. Point-wise figures weigh a long fault more than a short one and say nothing of when it was
//! found: read them beside [`super::detection`]. F1 alone is weak where faults are frequent: calling *everything* abnormal
//! has F1 2p/(1+p) at a share p of abnormal rows.

use super::share;
use serde::{Deserialize, Serialize};

/// Counts of judged rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Confusion {
    /// Abnormal, and said so.
    pub true_positive: u64,
    /// Normal, and called abnormal.
    pub false_positive: u64,
    /// Abnormal, and called normal.
    pub false_negative: u64,
    /// Normal, and called so.
    pub true_negative: u64,
}

impl Confusion {
    /// Counts one row.
    pub fn count(&mut self, said: bool, abnormal: bool) {
        *match (said, abnormal) {
            (true, true) => &mut self.true_positive,
            (true, false) => &mut self.false_positive,
            (false, true) => &mut self.false_negative,
            (false, false) => &mut self.true_negative,
        } += 1;
    }

    /// Adds the counts of another stretch: pooled figures are shares of the sums, not means of shares.
    pub fn add(&mut self, other: Confusion) {
        self.true_positive += other.true_positive;
        self.false_positive += other.false_positive;
        self.false_negative += other.false_negative;
        self.true_negative += other.true_negative;
    }

    /// Rows.
    pub fn rows(&self) -> u64 {
        self.true_positive + self.false_positive + self.false_negative + self.true_negative
    }

    /// Share of the rows called abnormal that were.
    pub fn precision(&self) -> Option<f64> {
        share(self.true_positive, self.true_positive + self.false_positive)
    }

    /// Share of the abnormal rows that were called so.
    pub fn recall(&self) -> Option<f64> {
        share(self.true_positive, self.true_positive + self.false_negative)
    }

    /// Harmonic mean of precision and recall: 2 TP / (2 TP + FP + FN).
    pub fn f1(&self) -> Option<f64> {
        share(2 * self.true_positive, 2 * self.true_positive + self.false_positive + self.false_negative)
    }

    /// Share of the normal rows that were called abnormal.
    pub fn false_alarm_rate(&self) -> Option<f64> {
        share(self.false_positive, self.false_positive + self.true_negative)
    }

    /// Share of the abnormal rows that were called normal: one minus recall.
    pub fn missed_rate(&self) -> Option<f64> {
        share(self.false_negative, self.true_positive + self.false_negative)
    }
}
