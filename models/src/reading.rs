//! The one input type: a value and the event time it belongs to.

use serde::{Deserialize, Serialize};

/// Microseconds since 1970-01-01T00:00:00Z, as the data say it, never as a clock of ours says it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
pub struct EventTime(pub i64);

impl EventTime {
    /// Seconds from `earlier` to `self`; negative when `self` is the earlier one.
    pub fn secs_since(self, earlier: EventTime) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 * 1e-6
    }

    /// Hours from `earlier` to `self`.
    pub fn hours_since(self, earlier: EventTime) -> f64 {
        self.secs_since(earlier) / 3600.0
    }

    /// `secs` later (earlier when negative), saturating at the ends of time.
    pub fn plus_secs(self, secs: f64) -> EventTime {
        // `as` saturates and maps NaN to zero, so no input can overflow here.
        EventTime(self.0.saturating_add((secs * 1e6).round() as i64))
    }
}

/// One value of one point at one event time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// When the value was true.
    pub at: EventTime,
    /// The value, in the unit the point is kept in; may be not finite, every model says what it does then.
    pub value: f64,
}
