//! The newest word on every asset. Written by whoever words a document, read by the connection; neither waits for the other
//! longer than it takes to copy a few words.

use crate::acquire::mqtt::link::Publication;
use crate::advise::diagnosis::{CaptureRequest, Diagnosis};
use crate::advise::document::{Alert, Condition, LifeState, RemainingLife, Zone};
use crate::advise::publish::{Documents, Presence};
use crate::engine::Command;
use crate::status::Status;
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::Notify;

/// What is known of one asset.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Standing {
    /// Event time of the newest word.
    pub at: EventTime,
    /// Zone of the condition; `None` before the first one.
    pub zone: Option<Zone>,
    /// Equivalent standard score.
    pub deviation: Option<f64>,
    /// Operating state's name.
    pub operating_state: Option<String>,
    /// Hours run.
    pub run_hours: Option<f64>,
    /// Share of the learning done.
    pub learned: Option<f64>,
    /// Remaining life to the nearest limit.
    pub life: Option<Life>,
    /// The newest alert, while any is open.
    pub alert: Option<Said>,
}

/// The nearest of the forecasts.
#[derive(Debug, Clone, PartialEq)]
pub struct Life {
    /// Point and limit it is to.
    pub to: String,
    /// Hours: 10, 50 and 90 %.
    pub hours: [Option<f64>; 3],
}

/// Of an alert.
#[derive(Debug, Clone, PartialEq)]
pub struct Said {
    /// Id.
    pub id: String,
    /// Life-cycle state.
    pub state: LifeState,
    /// The sentence.
    pub message: String,
}

/// All assets.
#[derive(Debug, Default)]
pub struct Board {
    standings: Mutex<BTreeMap<String, Standing>>,
    changed: Notify,
}

impl Board {
    /// Waits until something was written since the last wait.
    pub async fn changed(&self) {
        self.changed.notified().await;
    }

    /// A copy of everything.
    pub fn read(&self) -> BTreeMap<String, Standing> {
        self.lock().clone()
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<String, Standing>> {
        self.standings.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn write(&self, asset: &str, at: EventTime, change: impl FnOnce(&mut Standing)) {
        let mut standings = self.lock();
        let standing = match standings.get_mut(asset) {
            Some(standing) => standing,
            None => standings.entry(asset.to_owned()).or_default(),
        };
        standing.at = standing.at.max(at);
        change(standing);
        drop(standings);
        self.changed.notify_one();
    }

    fn condition(&self, condition: &Condition) {
        self.write(&condition.asset, condition.at, |standing| {
            standing.zone = Some(condition.zone);
            standing.deviation = condition.deviation;
            standing.operating_state.clone_from(&condition.operating_state);
            standing.run_hours = Some(condition.run_hours);
            standing.learned = Some(condition.learned);
            if condition.open_alerts.is_empty() {
                standing.alert = None;
            }
        });
    }

    fn alert(&self, alert: &Alert) {
        self.write(&alert.asset, alert.at, |standing| {
            standing.alert = Some(Said { id: alert.id.clone(), state: alert.state, message: alert.message.clone() });
        });
    }

    fn remaining_life(&self, asset: &str, at: EventTime, life: &RemainingLife) {
        self.write(asset, at, |standing| {
            standing.life = life.forecasts.first().map(|nearest| Life {
                to: format!("{} to {}", nearest.point, nearest.target),
                hours: [nearest.p10_hours, nearest.p50_hours, nearest.p90_hours],
            });
        });
    }
}

/// Words as another does, and writes what it is asked to word on the board.
pub struct Tapped {
    /// Who words.
    pub inner: Arc<dyn Documents>,
    /// Where it is written.
    pub board: Arc<Board>,
}

impl Documents for Tapped {
    fn alert(&self, alert: &Alert) -> Publication {
        self.board.alert(alert);
        self.inner.alert(alert)
    }

    fn alert_document(&self, alert: &Alert) -> Option<Vec<u8>> {
        self.inner.alert_document(alert)
    }

    fn condition(&self, condition: &Condition) -> Publication {
        self.board.condition(condition);
        self.inner.condition(condition)
    }

    fn remaining_life(&self, asset: &str, at: EventTime, life: &RemainingLife) -> Publication {
        self.board.remaining_life(asset, at, life);
        self.inner.remaining_life(asset, at, life)
    }

    fn diagnosis(&self, diagnosis: &Diagnosis) -> Publication {
        self.inner.diagnosis(diagnosis)
    }

    fn capture_request(&self, request: &CaptureRequest) -> Publication {
        self.inner.capture_request(request)
    }

    fn answer(&self, asset: Option<&str>, command: Option<&Command>, outcome: Result<&str, &str>) -> Vec<u8> {
        self.inner.answer(asset, command, outcome)
    }

    fn service(&self, presence: Presence, status: Option<&Status>) -> Publication {
        self.inner.service(presence, status)
    }
}
