//! Drift: a slow, lasting move of a point away from its baseline.
//!
//! Looked for in block means of residuals (so a change of load is no drift), over windows from days to weeks: a trend
//! by Mann–Kendall with the variance corrected for autocorrelation (Hamed & Rao 1998), its size by Theil–Sen, both in
//! [`super::trend_test`]. A drift must be significant, large enough to matter, and lead away from the baseline: a
//! machine on its way back is not getting worse.
//!
//! Cost: O(n²) for n ≤ 120 blocks, only at the end of a coarse block, and only for a point that has moved.

use super::trend_test::{TrendScratch, trend_test};
use crate::EventTime;
use serde::{Deserialize, Serialize};

/// Window lengths in blocks, shortest first: four times the learning period, a week, a fortnight and a month of
/// running at the default settings.
pub(super) const WINDOWS: [usize; 4] = [16, 28, 60, 120];

/// What counts as a drift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftRule {
    /// Two-sided significance to reach.
    pub significance: f64,
    /// Size to reach, in the point's unit.
    pub least: f64,
}

/// A drift that was found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    /// Theil–Sen slope, point's unit per hour.
    pub per_hour: f64,
    /// Slope times window: how far it has moved, point's unit.
    pub change: f64,
    /// Two-sided p of the corrected Mann–Kendall test.
    pub p: f64,
    /// Start of the window it was found in.
    pub since: EventTime,
}

/// Looks for a drift in block means of residuals, oldest first. The shortest window that shows one is reported.
pub fn find(series: &[(EventTime, f64)], rule: &DriftRule, scratch: &mut TrendScratch) -> Option<Drift> {
    let (_, last) = series.last()?;
    let recent = series.iter().rev().take(4).map(|(_, v)| v).sum::<f64>() / series.len().min(4) as f64;
    if !last.is_finite() || recent.abs() < 0.7 * rule.least {
        return None;
    }
    WINDOWS.iter().filter(|n| **n <= series.len()).find_map(|n| {
        let window = &series[series.len() - n..];
        let since = window[0].0;
        let t: Vec<f64> = window.iter().map(|(at, _)| at.hours_since(since)).collect();
        let y: Vec<f64> = window.iter().map(|(_, v)| *v).collect();
        let test = trend_test(&t, &y, 0.95, true, scratch).ok()?;
        if !test.significant(rule.significance) {
            return None;
        }
        let slope = test.line.slope;
        let change = slope * t[t.len() - 1];
        let away = change.signum() == recent.signum();
        (away && change.abs() >= rule.least).then_some(Drift { per_hour: slope, change, p: test.p_two_sided, since })
    })
}
