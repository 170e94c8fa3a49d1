//! MQTT 3.1.1 by rumqttc. The crate's 3.1.1 module has its own types, so this file mirrors `rumqtt_v5.rs`.

use super::link::{
    LinkEvent, LinkFault, LinkOptions, Message, MqttLink, NotTaken, Publication, Requests, closed_unanswered,
    what_to_check, within_limit,
};
use super::tls::{cut_off, explain};
use roundsman_models::EventTime;
use rumqttc::{
    AsyncClient, ClientError, ConnectionError, Event, EventLoop, LastWill, MqttOptions, Outgoing, Packet, Publish, QoS,
    StateError, SubscribeReasonCode,
};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// As in `rumqtt_v5.rs`.
const QUEUE: usize = 1024;

/// An MQTT 3.1.1 connection.
pub struct LinkV3 {
    eventloop: EventLoop,
    acks: Arc<AtomicUsize>,
    max_payload: u32,
    now: fn() -> EventTime,
    tls: bool,
    /// The broker has answered on this connection.
    answered: bool,
}

/// Its request half.
pub struct RequestsV3 {
    client: AsyncClient,
    acks: Arc<AtomicUsize>,
}

impl MqttLink for LinkV3 {
    type Requests = RequestsV3;

    fn open(options: &LinkOptions) -> (Self, RequestsV3) {
        let mut mqtt = MqttOptions::new(options.client_id.clone(), options.host.clone(), options.port);
        mqtt.set_keep_alive(options.keep_alive)
            // An empty client id would panic here; the settings check refuses it.
            .set_clean_session(options.clean_start)
            .set_max_packet_size(options.hard_packet_bytes, options.hard_packet_bytes)
            .set_inflight(options.out_window)
            .set_manual_acks(options.manual_acks);
        if let Some(tls) = &options.tls {
            mqtt.set_transport(tls.transport());
        }
        if let Some(login) = &options.credentials {
            mqtt.set_credentials(login.user.clone(), login.password.clone());
        }
        if let Some(will) = &options.will {
            mqtt.set_last_will(LastWill::new(&will.topic, will.payload.clone(), QoS::AtLeastOnce, will.retain));
        }
        let (client, mut eventloop) = AsyncClient::new(mqtt, QUEUE);
        eventloop.network_options.set_connection_timeout(options.connect_timeout_secs);
        eventloop.network_options.set_tcp_nodelay(true);
        let acks = Arc::<AtomicUsize>::default();
        let requests = RequestsV3 { client, acks: acks.clone() };
        let link = Self {
            eventloop,
            acks,
            max_payload: options.max_packet_bytes,
            now: options.now,
            tls: options.tls.is_some(),
            answered: false,
        };
        (link, requests)
    }

    async fn poll(&mut self, events: &mut Vec<LinkEvent>) -> Result<(), LinkFault> {
        let outcome = loop {
            let first = self.eventloop.poll().await;
            let outcome = first.map(|event| self.translate(event, events)).map_err(|error| self.fault(error));
            // In this module CONNACK overtakes what is still buffered from before a fault, so the buffer is emptied in
            // the very turn that failed.
            while let Some(event) = self.eventloop.state.events.pop_front() {
                self.translate(event, events);
            }
            if outcome.is_err() || self.acks.load(Ordering::Relaxed) == 0 {
                break outcome;
            }
        };
        if outcome.is_err() {
            self.answered = false;
            self.acks.store(0, Ordering::Relaxed);
            self.eventloop.pending.clear();
            self.eventloop.state.collision = None;
        }
        outcome
    }
}

impl LinkV3 {
    fn translate(&mut self, event: Event, events: &mut Vec<LinkEvent>) {
        let packet = match event {
            Event::Incoming(packet) => packet,
            Event::Outgoing(Outgoing::PubAck(_)) => {
                let left = self.acks.load(Ordering::Relaxed).saturating_sub(1);
                self.acks.store(left, Ordering::Relaxed);
                return;
            }
            Event::Outgoing(_) => return,
        };
        match packet {
            Packet::ConnAck(ack) => {
                self.answered = true;
                events.push(LinkEvent::Connected { session_present: ack.session_present });
            }
            Packet::Publish(publish) => {
                let (payload, cut) = within_limit(publish.payload, self.max_payload);
                events.push(LinkEvent::Message(Message {
                    topic: publish.topic,
                    payload,
                    cut,
                    retain: publish.retain,
                    dup: publish.dup,
                    packet_id: if publish.qos == QoS::AtMostOnce { 0 } else { publish.pkid },
                    received: (self.now)(),
                    reply_to: None,
                }));
            }
            Packet::SubAck(ack) => events.extend(ack.return_codes.into_iter().map(|code| {
                LinkEvent::Subscribed(match code {
                    SubscribeReasonCode::Success(qos) => Ok(qos as u8),
                    SubscribeReasonCode::Failure => Err("Failure".into()),
                })
            })),
            Packet::UnsubAck(_) => events.push(LinkEvent::Unsubscribed),
            // A refusal cannot be told from a delivery in 3.1.1.
            Packet::PubAck(_) => events.push(LinkEvent::Delivered(Ok(()))),
            _ => {}
        }
    }
}

impl LinkV3 {
    fn fault(&self, error: ConnectionError) -> LinkFault {
        let unanswered =
            !self.answered && matches!(error, ConnectionError::MqttState(_) | ConnectionError::NotConnAck(_));
        match error {
            ConnectionError::ConnectionRefused(code) => {
                let reason = format!("{code:?}");
                LinkFault::Refused { check: what_to_check(&reason), reason }
            }
            ConnectionError::MqttState(StateError::Deserialization(
                error @ rumqttc::mqttbytes::Error::PayloadSizeLimitExceeded(_),
            )) => LinkFault::TooLarge(error.to_string()),
            other => match explained(&other) {
                Some((what, mend)) => LinkFault::Tls { what, mend },
                None if unanswered => LinkFault::Lost(closed_unanswered(&other, self.tls)),
                None => LinkFault::Lost(other.to_string()),
            },
        }
    }
}

/// What TLS has to do with it, if anything.
fn explained(error: &ConnectionError) -> Option<(String, &'static str)> {
    match error {
        ConnectionError::Tls(error) => Some(explain(error).unwrap_or_else(|| cut_off(error))),
        // The crate's error does not name what it came of.
        ConnectionError::MqttState(StateError::Deserialization(error)) => explain(error),
        other => explain(other),
    }
}

fn taken(outcome: Result<(), ClientError>) -> Result<(), NotTaken> {
    outcome.map_err(|_| NotTaken::Full)
}

impl Requests for RequestsV3 {
    fn try_subscribe(&self, filter: &str) -> Result<(), NotTaken> {
        if !rumqttc::valid_filter(filter) {
            return Err(NotTaken::Invalid);
        }
        taken(self.client.try_subscribe(filter, QoS::AtLeastOnce))
    }

    fn try_unsubscribe(&self, filter: &str) -> Result<(), NotTaken> {
        taken(self.client.try_unsubscribe(filter))
    }

    fn try_ack(&self, packet_id: u16) -> Result<(), NotTaken> {
        let mut publish = Publish::new("", QoS::AtLeastOnce, Vec::new());
        publish.pkid = packet_id;
        taken(self.client.try_ack(&publish))?;
        self.acks.fetch_add(1, Ordering::Relaxed);
        Ok(())
    }

    fn try_publish(&self, publication: &Publication) -> Result<(), NotTaken> {
        if publication.topic.is_empty() || !rumqttc::valid_topic(&publication.topic) {
            return Err(NotTaken::Invalid);
        }
        let payload = publication.payload.clone();
        let qos = if publication.about.unconfirmed { QoS::AtMostOnce } else { QoS::AtLeastOnce };
        taken(self.client.try_publish(publication.topic.clone(), qos, publication.retain, payload))
    }

    fn try_disconnect(&self) -> Result<(), NotTaken> {
        taken(self.client.try_disconnect())
    }
}
