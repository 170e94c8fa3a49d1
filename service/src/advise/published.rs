//! Documents → topics and payloads of this site.

use super::cloud_event;
use super::command::{CommandFault, Reply};
use super::diagnosis::{CaptureRequest, Diagnosis};
use super::document::{Alert, Condition, Document, RemainingLife, RemainingLifeStatement};
use super::publish::{Documents, Presence};
use super::service_status::ServiceStatus;
use super::topics::Topics;
use crate::acquire::mqtt::link::{About, Content, Publication};
use crate::engine::Command;
use crate::status::Status;
use roundsman_models::EventTime;

/// The site's topics and the form of what goes there.
pub struct Published {
    /// Where it goes.
    pub topics: Topics,
    /// Site name.
    pub site: String,
    /// Our clock.
    pub now: fn() -> EventTime,
    /// When we started.
    pub since: EventTime,
    /// Alerts go out in the envelope of CloudEvents.
    pub cloud_events: bool,
}

fn publication(topic: String, json: String, retain: bool) -> Publication {
    Publication { topic, payload: json.into_bytes(), retain, correlation: None, about: About::default() }
}

impl Documents for Published {
    fn alert(&self, alert: &Alert) -> Publication {
        let topic = self.topics.alert(&alert.asset);
        if !self.cloud_events {
            return publication(topic, alert.to_json(), false);
        }
        let about = About { content: Content::CloudEvent, ..About::default() };
        Publication { about, ..publication(topic, cloud_event::wrap(alert, self.topics.folder()), false) }
    }

    fn alert_document(&self, alert: &Alert) -> Option<Vec<u8>> {
        self.cloud_events.then(|| alert.to_json().into_bytes())
    }

    fn condition(&self, condition: &Condition) -> Publication {
        publication(self.topics.condition(&condition.asset), condition.to_json(), true)
    }

    fn remaining_life(&self, asset: &str, at: EventTime, life: &RemainingLife) -> Publication {
        let statement = RemainingLifeStatement {
            site: self.site.clone(),
            asset: asset.to_owned(),
            at,
            remaining_life: life.clone(),
        };
        publication(self.topics.remaining_life(asset), statement.to_json(), true)
    }

    fn diagnosis(&self, diagnosis: &Diagnosis) -> Publication {
        publication(self.topics.diagnosis(&diagnosis.asset), diagnosis.to_json(), true)
    }

    fn capture_request(&self, request: &CaptureRequest) -> Publication {
        // Past its end nobody needs it any more, and a device that slept must not take it for a fresh one.
        let expiry_secs = u32::try_from((request.until.0 - request.at.0) / 1_000_000).ok().filter(|secs| *secs > 0);
        Publication {
            correlation: Some(request.id.clone().into_bytes().into()),
            about: About { expiry_secs, ..About::default() },
            ..publication(self.topics.capture_request(&request.asset), request.to_json(), false)
        }
    }

    fn answer(&self, asset: Option<&str>, command: Option<&Command>, outcome: Result<&str, &str>) -> Vec<u8> {
        let (asset, at) = (asset.unwrap_or_default(), (self.now)());
        let reply = match (command, outcome) {
            (Some(command), outcome) => {
                let outcome = outcome.map(str::to_owned).map_err(str::to_owned);
                Reply::answer(&self.site, asset, at, command, &outcome)
            }
            (None, Ok(why) | Err(why)) => {
                let fault = CommandFault { reason: why.to_owned(), reply_to: None };
                Reply::unreadable(&self.site, asset, at, &fault)
            }
        };
        reply.to_json().into_bytes()
    }

    fn service(&self, presence: Presence, status: Option<&Status>) -> Publication {
        let version = env!("CARGO_PKG_VERSION");
        let statement = match status {
            // Fixed before the connection, said by the broker when we vanish.
            None => ServiceStatus::last_will(&self.site, version),
            Some(status) => {
                let now = (self.now)();
                let online = ServiceStatus::online(&self.site, version, now, self.since, status.counters());
                match presence {
                    Presence::Online => online,
                    Presence::Offline => online.offline(now, "stopped"),
                }
            }
        };
        publication(self.topics.service().to_owned(), statement.to_json(), true)
    }
}
