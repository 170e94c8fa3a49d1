//! What one snapshot gave, for the verbs after it. Made anew by every snapshot, never stored, its room reused.

use roundsman_models::EventTime;
use roundsman_models::detect::learned::Watched;

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
