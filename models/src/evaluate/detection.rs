//! Alert episodes against true ones: which were found, after how long, and what was said for nothing.
//!
//! A true episode is *found* when a fitting alert rises within it: is raised, grows worse or comes back. One that merely
//! still stands from before has found nothing. An alert is *false* when the moment it first rises lies in no true episode it
//! fits. So an alert raised too early and grown worse later is both: it cried wolf, and then it was right.
//!
//! Order does not matter; true episodes may overlap, and one alert may find several of them.

use crate::EventTime;
use serde::{Deserialize, Serialize};

/// A true episode; both ends belong to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Truth {
    /// First moment.
    pub from: EventTime,
    /// Last moment.
    pub to: EventTime,
}

impl Truth {
    /// Whether it holds `at`, the end put off by `grace_secs`.
    pub fn holds(&self, at: EventTime, grace_secs: f64) -> bool {
        at >= self.from && at <= self.to.plus_secs(grace_secs)
    }
}

/// What became of true episodes and of alerts.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Matched {
    /// By true episode: when it was found first.
    pub found_at: Vec<Option<EventTime>>,
    /// By alert: whether it was false.
    pub is_false: Vec<bool>,
}

/// Matches alerts, each as the times it rose at (first one first), with true episodes. `fits(alert, truth)` says whether
/// they are about the same thing, time left aside. An alert that never rose is neither right nor false.
pub fn match_episodes(
    truths: &[Truth],
    alerts: &[Vec<EventTime>],
    grace_secs: f64,
    fits: impl Fn(usize, usize) -> bool,
) -> Matched {
    let mut matched = Matched { found_at: vec![None; truths.len()], is_false: vec![false; alerts.len()] };
    for (alert, (rises, is_false)) in alerts.iter().zip(&mut matched.is_false).enumerate() {
        let Some(&first) = rises.first() else { continue };
        let mut explained = false;
        for (place, (truth, found_at)) in truths.iter().zip(&mut matched.found_at).enumerate() {
            if !fits(alert, place) {
                continue;
            }
            explained |= truth.holds(first, grace_secs);
            let earliest = rises.iter().copied().filter(|&at| truth.holds(at, grace_secs)).min();
            *found_at = [*found_at, earliest].into_iter().flatten().min();
        }
        *is_false = !explained;
    }
    matched
}

/// Middle and extremes of some values.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Smallest.
    pub least: f64,
    /// Median; the mean of the middle two of an even number.
    pub median: f64,
    /// Largest.
    pub most: f64,
}

/// [`Spread`] of the finite ones among `values`; `None` of none.
pub fn spread(values: impl IntoIterator<Item = f64>) -> Option<Spread> {
    let mut sorted: Vec<f64> = values.into_iter().filter(|value| value.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let (&least, &most) = (sorted.first()?, sorted.last()?);
    let (&low, &high) = (sorted.get((sorted.len() - 1) / 2)?, sorted.get(sorted.len() / 2)?);
    Some(Spread { least, median: low + (high - low) / 2.0, most })
}
