//! When waveforms are asked for, and what became of it. All times are the stream's.

use crate::advise::diagnosis::{CaptureRequest, Reason, RequestState, Standing};
use roundsman_models::EventTime;
use roundsman_models::assess::likely_fault::Axis;
use roundsman_models::detect::alarm::Severity;
use serde::{Deserialize, Serialize};

use super::super::Context;

/// How often an alert is asked for when nothing comes.
const MOST_ATTEMPTS: u32 = 3;
/// Doublings of the interval after references that did not come.
const MOST_DOUBLINGS: u32 = 10;

/// A request and how it stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Request {
    /// Id.
    pub id: String,
    /// When.
    pub at: EventTime,
    /// What comes later is not its answer.
    pub until: EventTime,
    /// Why.
    pub reason: Reason,
    /// Episode of the machine's alert it is for.
    pub episode: Option<u64>,
    /// How it stands.
    pub state: Standing,
}

/// What is asked for and was.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Asking {
    last: Option<Box<Request>>,
    ordinal: u64,
    /// The alert it was last asked for, how often, and whether anything came.
    alert: Option<(u64, Severity)>,
    alert_at: Option<EventTime>,
    attempts: u32,
    alert_answered: bool,
    /// References that were asked for, in a row, without one being taken.
    in_vain: u32,
}

impl Asking {
    /// The last request.
    pub fn last(&self) -> Option<&Request> {
        self.last.as_deref()
    }

    /// The last request as documents have it.
    pub fn state(&self) -> Option<RequestState> {
        let Request { id, at, reason, state, .. } = self.last.as_deref().cloned()?;
        Some(RequestState { id, at, reason, state })
    }

    /// A waveform came at `at` that names this request. Gives the episode of the alert it answers for.
    pub fn answered(&mut self, id: &str, at: EventTime) -> Option<u64> {
        let request = self.last.as_mut().filter(|r| r.id == id && at <= r.until)?;
        request.state = Standing::Answered;
        if request.reason == Reason::Alert {
            self.alert_answered = true;
        }
        request.episode
    }

    /// A waveform became a reference: asking for them is not in vain.
    pub fn reference_taken(&mut self) {
        self.in_vain = 0;
    }

    /// Time passed: `true` when a request ran out just now.
    pub fn run_out(&mut self, at: EventTime) -> bool {
        let Some(request) = self.last.as_mut().filter(|r| r.state == Standing::Waiting && at > r.until) else {
            return false;
        };
        request.state = Standing::TimedOut;
        true
    }

    fn is_waiting(&self) -> bool {
        self.last.as_ref().is_some_and(|r| r.state == Standing::Waiting)
    }

    /// Whether an alert of this episode and severity is to be asked for now.
    pub fn alert_is_due(&mut self, at: EventTime, episode: u64, severity: Severity, interval_secs: f64) -> bool {
        if self.alert.is_none_or(|(e, s)| e != episode || severity > s) {
            (self.alert, self.attempts, self.alert_answered) = (Some((episode, severity)), 0, false);
        }
        let waiting_for_it = self.is_waiting() && self.last.as_ref().is_some_and(|r| r.reason != Reason::Reference);
        let rested = self.alert_at.is_none_or(|last| at.secs_since(last) >= interval_secs);
        !self.alert_answered && self.attempts < MOST_ATTEMPTS && !waiting_for_it && rested
    }

    /// Whether a missing or old reference is to be asked for now.
    pub fn reference_is_due(&self, at: EventTime, interval_secs: f64) -> bool {
        let wait_secs = interval_secs * f64::from(1_u32 << self.in_vain.saturating_sub(1).min(MOST_DOUBLINGS));
        !self.is_waiting() && self.last.as_ref().is_none_or(|r| at.secs_since(r.at) >= wait_secs)
    }

    /// Whether a person may ask now.
    ///
    /// # Errors
    /// One sentence for the person.
    pub fn command_is_due(&self) -> Result<(), String> {
        match self.last.as_deref() {
            Some(r) if r.state == Standing::Waiting && r.reason != Reason::Reference => {
                Err(format!("already asked: {} waits for its answer", r.id))
            }
            _ => Ok(()),
        }
    }

    /// Makes a request.
    pub fn ask(
        &mut self,
        at: EventTime,
        reason: Reason,
        alert: Option<(u64, String)>,
        by: Option<&str>,
        context: &Context<'_>,
    ) -> CaptureRequest {
        self.ordinal += 1;
        let id = format!("{}/{}/capture/{}", context.site, context.spec.name, self.ordinal);
        let until = at.plus_secs(context.settings.capture.timeout_secs);
        let (episode, alert) = alert.unzip();
        match reason {
            Reason::Alert => {
                self.attempts += 1;
                self.alert_at = Some(at);
            }
            // Until one comes that is fit to be a reference; an answer from another operating state is none.
            Reason::Reference => self.in_vain = self.in_vain.saturating_add(1),
            Reason::Command => {}
        }
        self.last = Some(Box::new(Request { id: id.clone(), at, until, reason, episode, state: Standing::Waiting }));
        CaptureRequest {
            site: context.site.to_owned(),
            asset: context.spec.name.clone(),
            id,
            at,
            until,
            reason,
            alert,
            by: by.map(str::to_owned),
            axes: vec![Axis::Horizontal, Axis::Vertical, Axis::Axial],
            points: context.spec.vibration.sensors.iter().map(|s| s.point.clone()).collect(),
        }
    }
}
