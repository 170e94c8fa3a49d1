//! What one snapshot gave, for the verbs after it. Made anew by every snapshot, never stored, its room reused.

use super::layout::LAG_SECS;
use roundsman_models::EventTime;
use roundsman_models::detect::learned::Watched;
use roundsman_models::manipulate::remembered::Remembered;

/// Results of the newest snapshot.
#[derive(Debug, Clone, Default)]
pub struct Now {
    /// Scores; meaningful only when `state` is known.
    pub watched: Watched,
    /// Known operating state the scores are of.
    pub state: Option<u16>,
    /// Since when the machine has been in no known state.
    pub novel_since: Option<EventTime>,
    /// Values of the condition points, NaN when missing.
    pub values: Vec<f64>,
    /// The same as far as they can be held against a baseline, NaN otherwise.
    pub judged: Vec<f64>,
    /// Whether it is the first of its hour.
    pub hour_turned: bool,
    /// What the time since the snapshot before counts for.
    pub passed: Passed,
}

/// Shares of several lags that have passed from one snapshot to the next. They follow from that time alone, and are kept
/// over snapshots and assets.
#[derive(Debug, Clone, Copy, Default)]
pub struct Passed {
    /// Of the drivers' lags.
    pub drivers: [Remembered; LAG_SECS.len()],
    /// Of the warmth's.
    pub warmth: [Remembered; LAG_SECS.len()],
    /// Of the rolling statistics'.
    pub statistics: Remembered,
    /// Of the learning time.
    pub learning: Remembered,
}

impl Now {
    /// Forgets the last snapshot.
    pub fn clear(&mut self, points: usize) {
        self.watched.clear(points);
        self.state = None;
        self.novel_since = None;
        self.hour_turned = false;
        self.values.clear();
        self.judged.clear();
    }
}
