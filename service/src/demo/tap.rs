//! Every remaining-life statement as it is worded.
//!
//! The topic is retained and the outbox keeps only its newest document, so a stream played a hundred thousand times too
//! fast shows a subscriber a few of them. The demo judges all of them, so it listens where the daemon words them.

use super::links::Played;
use super::verdict::Said;
use crate::acquire::mqtt::link::Publication;
use crate::advise::diagnosis::{CaptureRequest, Diagnosis};
use crate::advise::document::{Alert, Condition, RemainingLife};
use crate::advise::publish::{Documents, Presence};
use crate::advise::published::Published;
use crate::engine::Command;
use crate::status::Status;
use roundsman_models::EventTime;
use std::sync::atomic::Ordering::Relaxed;
use std::sync::{Arc, Mutex, PoisonError};

/// Words as the daemon does, and keeps the forecasts to the limit `alarm`.
pub(super) struct Tap {
    inner: Published,
    said: Mutex<Vec<Said>>,
    played: Arc<Played>,
}

impl Tap {
    pub(super) fn new(inner: Published, played: Arc<Played>) -> Self {
        Self { inner, said: Mutex::default(), played }
    }

    /// What was said so far.
    pub(super) fn said(&self) -> Vec<Said> {
        self.said.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Documents for Tap {
    fn alert(&self, alert: &Alert) -> Publication {
        self.inner.alert(alert)
    }

    fn condition(&self, condition: &Condition) -> Publication {
        self.inner.condition(condition)
    }

    fn remaining_life(&self, asset: &str, at: EventTime, life: &RemainingLife) -> Publication {
        let forecasts = life.forecasts.iter().filter(|forecast| forecast.target == "alarm");
        self.said.lock().unwrap_or_else(PoisonError::into_inner).extend(forecasts.map(|forecast| Said {
            asset: asset.to_owned(),
            point: forecast.point.clone(),
            at,
            p10_hours: forecast.p10_hours,
            p90_hours: forecast.p90_hours,
        }));
        self.inner.remaining_life(asset, at, life)
    }

    fn diagnosis(&self, diagnosis: &Diagnosis) -> Publication {
        self.inner.diagnosis(diagnosis)
    }

    fn capture_request(&self, request: &CaptureRequest) -> Publication {
        // The plant is told before the broker has it, and waits for it.
        self.played.asked.fetch_add(1, Relaxed);
        self.inner.capture_request(request)
    }

    fn answer(&self, asset: Option<&str>, command: Option<&Command>, outcome: Result<&str, &str>) -> Vec<u8> {
        self.inner.answer(asset, command, outcome)
    }

    fn service(&self, presence: Presence, status: Option<&Status>) -> Publication {
        self.inner.service(presence, status)
    }
}
