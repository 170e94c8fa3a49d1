//! How the copy gets on, for health page and metrics.

use crate::status::{Count, LinkState};
use crate::vitals::Moment;
use roundsman_models::EventTime;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::sync::{Mutex, PoisonError};

/// Counters and state; counts since the start.
#[derive(Debug, Default)]
pub struct Progress {
    wanted: AtomicBool,
    link: Mutex<LinkState>,
    /// Trend rows written.
    pub trend: Count,
    /// Rows of scores written.
    pub scores: Count,
    /// Alert documents written.
    pub alerts: Count,
    /// Audit rows written.
    pub audit: Count,
    /// Trend rows, at most, that `state.db` dropped by their age before they could be written.
    pub missed: Count,
    /// Rows the database does not take whatever is done.
    pub refused: Count,
    /// Times the connection was made.
    pub connects: Count,
    /// Attempts that failed and were or will be made again.
    pub faults: Count,
    /// When, by our clock, all there was had been written.
    pub complete_at: Moment,
    /// The newest time in a row that was written.
    pub newest_row: Moment,
}

impl Progress {
    /// A historian is configured.
    pub fn want(&self) {
        self.wanted.store(true, Relaxed);
    }

    /// Whether one is.
    pub fn is_wanted(&self) -> bool {
        self.wanted.load(Relaxed)
    }

    /// The connection.
    pub fn link(&self) -> LinkState {
        // A panic while the lock was held cannot leave this plain value half written.
        self.link.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Sets it.
    pub fn set_link(&self, state: LinkState) {
        *self.link.lock().unwrap_or_else(PoisonError::into_inner) = state;
    }

    /// A row of this time was written.
    pub fn wrote(&self, at: EventTime) {
        if self.newest_row.get().is_none_or(|newest| newest < at) {
            self.newest_row.set(at);
        }
    }

    /// Seconds since all there was had been written; `None` before the first time.
    pub fn behind_secs(&self, now: EventTime) -> Option<f64> {
        self.complete_at.get().map(|at| now.secs_since(at).max(0.0))
    }
}
