//! The connection of a host application: hears the nodes, says that it is there, asks for rebirths.
//!
//! Its own connection, because the standard wants a clean start on every connect, and the reader's session is kept. So
//! data come at QoS 0 and what is published while we are away is lost; the sequence numbers show it. Messages go to the
//! reader, which puts them among its own: one stream, one order, journalled before anything is made of them.
//!
//! With a `host_id` we are a host application in the standard's sense: a will and a birth on `spBv1.0/STATE/{host_id}`, both
//! with one time, retained, at QoS 1 (section 5.14 of the specification 3.0.0); when somebody says there that we are
//! offline, we say again that we are not. Without one we only read.

use super::payload::{Metric, Payload, Value};
use super::{NAMESPACE, NodeKey, datatype};
use crate::acquire::mqtt::anew::Anew;
use crate::acquire::mqtt::link::{
    About, Content, LinkEvent, LinkFault, LinkOptions, Message, MqttLink, Publication, Requests,
};
use crate::acquire::mqtt::settings::BrokerSettings;
use crate::status::Status;
use prost::Message as _;
use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};
use std::pin::pin;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};

/// What the host is told.
#[derive(Debug, Clone, PartialEq)]
pub struct HostSettings {
    /// Topic filters of the groups.
    pub filters: Vec<String>,
    /// See [`crate::config::Sparkplug::host_id`].
    pub host_id: Option<String>,
}

/// Everything the host needs.
pub struct Host {
    /// The broker, as for the other connections.
    pub broker: BrokerSettings,
    /// See there.
    pub settings: HostSettings,
    /// To the reader. Full: the message is dropped and counted, as others at QoS 0 are.
    pub messages: mpsc::Sender<Message>,
    /// Nodes to be asked for a rebirth.
    pub rebirths: mpsc::Receiver<NodeKey>,
    /// Turns true when the daemon stops.
    pub stop: watch::Receiver<bool>,
    /// Counters.
    pub status: Arc<Status>,
    /// Our clock.
    pub now: fn() -> EventTime,
}

/// The state of a host, as it stands in its topic.
#[derive(Debug, Serialize, Deserialize)]
struct Online {
    online: bool,
    timestamp: i64,
}

impl Host {
    /// Runs until told to stop.
    pub async fn run<L: MqttLink>(mut self) {
        let id = format!("{}-host", self.broker.client_id);
        let mut anew = Anew::new("Sparkplug host", ". What is published until then is lost", &self.broker, &id);
        while !*self.stop.borrow() {
            // A link for each connection: the will carries the time of its own.
            let timestamp = (self.now)().0 / 1000;
            let options = LinkOptions {
                client_id: id.clone(),
                session_expiry_secs: 0,
                manual_acks: false,
                will: self.state(false, timestamp),
                ..LinkOptions::reader(&self.broker, true, self.now)
            };
            let (mut link, requests) = L::open(&options);
            let mut connected = None;
            let Some(fault) = self.converse(&mut link, &requests, timestamp, &mut connected).await else { return };
            if !anew.wait(fault, connected, &mut self.stop).await {
                return;
            }
        }
    }

    /// Until the link fails (how) or the daemon stops (`None`).
    async fn converse<L: MqttLink>(
        &mut self,
        link: &mut L,
        requests: &L::Requests,
        timestamp: i64,
        connected: &mut Option<Instant>,
    ) -> Option<LinkFault> {
        let mut events = Vec::new();
        let mut leaving = false;
        let mut stop = self.stop.clone();
        loop {
            let polled = {
                let mut poll = pin!(link.poll(&mut events));
                let mut watchdog = pin!(tokio::time::sleep(self.broker.watchdog()));
                loop {
                    tokio::select! {
                        polled = &mut poll => break polled,
                        () = &mut watchdog => {
                            return (!leaving).then(|| LinkFault::Hung(self.broker.watchdog()));
                        }
                        Some(node) = self.rebirths.recv() => {
                            if connected.is_some() && !leaving {
                                self.ask(&node, requests);
                            }
                        }
                        _ = stop.wait_for(|stop| *stop), if !leaving => {
                            leaving = true;
                            if connected.is_none() {
                                return None;
                            }
                            // A clean end suppresses the will, so it is said by hand.
                            if let Some(offline) = self.state(false, (self.now)().0 / 1000) {
                                let _ = requests.try_publish(&offline);
                            }
                            if requests.try_disconnect().is_err() {
                                return None;
                            }
                            watchdog.as_mut().reset(tokio::time::Instant::now() + Duration::from_secs(2));
                        }
                    }
                }
            };
            for event in events.drain(..) {
                self.take(event, requests, timestamp, connected);
            }
            match polled {
                Ok(()) => {}
                Err(_) if leaving => return None,
                Err(fault) => return Some(fault),
            }
        }
    }

    fn take<R: Requests>(&mut self, event: LinkEvent, requests: &R, timestamp: i64, connected: &mut Option<Instant>) {
        match event {
            LinkEvent::Connected { .. } => {
                *connected = Some(Instant::now());
                tracing::info!(groups = ?self.settings.filters, host_id = self.settings.host_id, "Sparkplug host connected");
                // Its own state first, then the nodes, then its birth: the order the standard asks for.
                let own = self.settings.host_id.as_ref().map(|id| format!("{NAMESPACE}/STATE/{id}"));
                for filter in own.iter().chain(&self.settings.filters) {
                    if requests.try_subscribe(filter).is_err() {
                        tracing::error!(filter, "this Sparkplug filter cannot be asked for");
                    }
                }
                if let Some(online) = self.state(true, timestamp) {
                    let _ = requests.try_publish(&online);
                }
            }
            LinkEvent::Subscribed(Err(reason)) => {
                tracing::error!(reason, "the broker refused a Sparkplug topic filter; check its access rules");
            }
            LinkEvent::Message(message) if self.is_own_state(&message.topic) => {
                let said = serde_json::from_slice::<Online>(&message.payload);
                if said.is_ok_and(|state| !state.online)
                    && let Some(online) = self.state(true, timestamp)
                {
                    let _ = requests.try_publish(&online);
                }
            }
            // Acknowledged by the client: there is nothing here that could come again.
            LinkEvent::Message(message) => {
                let taken = self.messages.try_send(Message { packet_id: 0, ..message });
                self.status.dropped_unsafe.add(u64::from(taken.is_err()));
            }
            LinkEvent::Delivered(Err(reason)) => {
                tracing::error!(reason, "the broker refused the state of this Sparkplug host; check its access rules");
            }
            _ => {}
        }
    }

    fn is_own_state(&self, topic: &str) -> bool {
        let own = self.settings.host_id.as_deref();
        own.is_some_and(|id| topic.strip_prefix(NAMESPACE).and_then(|rest| rest.strip_prefix("/STATE/")) == Some(id))
    }

    fn state(&self, online: bool, timestamp: i64) -> Option<Publication> {
        let id = self.settings.host_id.as_ref()?;
        Some(Publication {
            topic: format!("{NAMESPACE}/STATE/{id}"),
            payload: serde_json::to_vec(&Online { online, timestamp }).unwrap_or_default(),
            retain: true,
            correlation: None,
            about: About::default(),
        })
    }

    fn ask<R: Requests>(&self, node: &NodeKey, requests: &R) {
        tracing::info!(%node, "asking this Sparkplug node for a rebirth");
        let timestamp = u64::try_from((self.now)().0 / 1000).ok();
        let metric = Metric {
            name: Some("Node Control/Rebirth".into()),
            timestamp,
            datatype: Some(datatype::BOOLEAN),
            value: Some(Value::Boolean(true)),
            ..Metric::default()
        };
        let payload = Payload { timestamp, metrics: vec![metric], seq: None };
        let request = Publication {
            topic: format!("{NAMESPACE}/{}/NCMD/{}", node.group, node.node),
            payload: payload.encode_to_vec(),
            retain: false,
            correlation: None,
            about: About { content: Content::Binary, unconfirmed: true, ..About::default() },
        };
        if requests.try_publish(&request).is_err() {
            tracing::warn!(%node, "it could not be asked; it will be with its next message");
        }
    }
}
