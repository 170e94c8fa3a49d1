//! What goes, retained, to the service topic: whether we are alive, and how we are doing.
//!
//! Published online after every connect and once a minute or so, offline before leaving, and given to the broker as
//! last will: then nobody knows when we went, so the will has no time and no counters.

use super::document::Document;
use super::forms;
use crate::acquire::Rejection;
use roundsman_models::EventTime;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The document.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct ServiceStatus {
    /// Site name.
    pub site: String,
    /// `true` while we run and are connected.
    pub online: bool,
    /// Wall-clock time of the statement; `null` in the last will.
    #[serde(with = "forms::optional_time")]
    pub at: Option<EventTime>,
    /// Wall-clock time we were started; `null` in the last will.
    #[serde(with = "forms::optional_time")]
    pub since: Option<EventTime>,
    /// Our version.
    pub version: String,
    /// Why we are offline.
    pub reason: Option<String>,
    /// How we are doing; `null` in the last will.
    pub counters: Option<Counters>,
}

/// Counts since the start unless said otherwise.
#[derive(Debug, Clone, PartialEq, Eq, Default, JsonSchema, Serialize, Deserialize)]
pub struct Counters {
    /// Messages that arrived.
    pub messages: u64,
    /// Values taken from them.
    pub readings: u64,
    /// Assets known now, configured and found.
    pub assets: u64,
    /// Values and messages not used, by reason; a reason that never came is not there.
    pub rejected: BTreeMap<Rejection, u64>,
    /// The last of each reason, for the person who looks for its sender.
    pub examples: BTreeMap<Rejection, Example>,
    /// Waveforms taken in.
    #[serde(default)]
    pub waveforms: u64,
    /// Of those, waveforms that nobody had time to look at before their outcome was asked for: too many for this machine.
    #[serde(default)]
    pub waveforms_not_ahead: u64,
    /// Snapshots scored.
    pub snapshots: u64,
    /// Alert transitions.
    pub alerts: u64,
    /// Commands carried out or refused.
    pub commands: u64,
    /// Documents the broker has confirmed.
    pub delivered: u64,
    /// Documents waiting to be sent now.
    pub waiting: u64,
    /// Documents given up.
    pub dropped: u64,
    /// Times the connection to the broker was made.
    pub connects: u64,
    /// Times this machine's clock was set by more than two seconds.
    pub clock_steps: u64,
    /// What of the stored state could not be used at the start, in words: an asset named here learns anew.
    pub state_faults: Vec<String>,
}

/// Something that was not used.
#[derive(Debug, Clone, PartialEq, Eq, Default, JsonSchema, Serialize, Deserialize)]
pub struct Example {
    /// Topic it came on, its beginning; `null` for a reading the asset itself did not take.
    pub topic: Option<String>,
    /// What was wrong with it.
    pub detail: String,
    /// Beginning of its payload as text; `null` with the topic.
    pub payload: Option<String>,
    /// Arrival by our clock; `null` with the topic.
    #[serde(with = "forms::optional_time")]
    pub at: Option<EventTime>,
}

impl Document for ServiceStatus {
    const SCHEMA: &'static str = "roundsman.service/1";
}

impl ServiceStatus {
    /// We run.
    pub fn online(site: &str, version: &str, at: EventTime, since: EventTime, counters: Counters) -> Self {
        Self {
            site: site.to_owned(),
            online: true,
            at: Some(at),
            since: Some(since),
            version: version.to_owned(),
            reason: None,
            counters: Some(counters),
        }
    }

    /// We leave, on purpose and for this reason.
    pub fn offline(self, at: EventTime, reason: &str) -> Self {
        Self { online: false, at: Some(at), reason: Some(reason.to_owned()), ..self }
    }

    /// For the broker to publish when we are gone without a word.
    pub fn last_will(site: &str, version: &str) -> Self {
        Self {
            site: site.to_owned(),
            online: false,
            at: None,
            since: None,
            version: version.to_owned(),
            reason: Some("connection lost".to_owned()),
            counters: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn online_offline_and_will_read_back() {
        let rejected = BTreeMap::from([(Rejection::Late, 3), (Rejection::OutOfRange, 1)]);
        let counters = Counters { readings: 7, rejected, ..Counters::default() };
        let online = ServiceStatus::online("n", "0.1.0", EventTime(2_000_000), EventTime(1_000_000), counters);
        let text = online.to_json();
        assert!(text.contains(r#""rejected":{"out-of-range":1,"late":3}"#), "{text}");
        let offline = online.clone().offline(EventTime(3_000_000), "stopped by SIGTERM");
        let will = ServiceStatus::last_will("n", "0.1.0");
        assert!(will.to_json().contains(r#""online":false,"at":null"#));
        for status in [online, offline, will] {
            assert_eq!(ServiceStatus::from_json(&status.to_json()).expect("our own"), status);
        }
    }
}
