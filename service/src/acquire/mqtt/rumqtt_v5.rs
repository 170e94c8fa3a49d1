//! MQTT 5 by rumqttc.

use super::link::{
    LinkEvent, LinkFault, LinkOptions, Message, MqttLink, NotTaken, Publication, ReplyTo, Requests, closed_unanswered,
    what_to_check, within_limit,
};
use super::tls::{cut_off, explain};
use bytes::Bytes;
use roundsman_models::EventTime;
use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    Filter, LastWill, LastWillProperties, Packet, PubAckReason, Publish, PublishProperties, RetainForwardRule,
    SubscribeReasonCode,
};
use rumqttc::v5::{AsyncClient, ClientError, ConnectionError, Event, EventLoop, MqttOptions, StateError};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Requests waiting in the client. Acknowledgements are the bulk; the rest wait in the task's own queue.
const QUEUE: usize = 1024;

/// An MQTT 5 connection.
pub struct LinkV5 {
    eventloop: EventLoop,
    /// Acknowledgements taken and not yet written.
    acks: Arc<AtomicUsize>,
    max_payload: u32,
    now: fn() -> EventTime,
    tls: bool,
    /// The broker has answered on this connection.
    answered: bool,
}

/// Its request half.
pub struct RequestsV5 {
    client: AsyncClient,
    acks: Arc<AtomicUsize>,
}

impl MqttLink for LinkV5 {
    type Requests = RequestsV5;

    fn open(options: &LinkOptions) -> (Self, RequestsV5) {
        let mut mqtt = MqttOptions::new(options.client_id.clone(), options.host.clone(), options.port);
        mqtt.set_keep_alive(options.keep_alive)
            .set_connection_timeout(options.connect_timeout_secs)
            .set_clean_start(options.clean_start)
            .set_session_expiry_interval(Some(options.session_expiry_secs))
            .set_receive_maximum(Some(options.receive_maximum))
            .set_max_packet_size(Some(options.max_packet_bytes))
            .set_outgoing_inflight_upper_limit(options.out_window)
            .set_manual_acks(options.manual_acks);
        let mut network = mqtt.network_options();
        network.set_tcp_nodelay(true);
        mqtt.set_network_options(network);
        if let Some(tls) = &options.tls {
            mqtt.set_transport(tls.transport());
        }
        if let Some(login) = &options.credentials {
            mqtt.set_credentials(login.user.clone(), login.password.clone());
        }
        if let Some(will) = &options.will {
            let properties = LastWillProperties {
                delay_interval: None,
                payload_format_indicator: Some(u8::from(will.about.content.is_text())),
                message_expiry_interval: None,
                content_type: will.about.content.media_type().map(Into::into),
                response_topic: None,
                correlation_data: None,
                user_properties: Vec::new(),
            };
            let payload = will.payload.clone();
            mqtt.set_last_will(LastWill::new(&will.topic, payload, QoS::AtLeastOnce, will.retain, Some(properties)));
        }
        let (client, eventloop) = AsyncClient::new(mqtt, QUEUE);
        let acks = Arc::<AtomicUsize>::default();
        let requests = RequestsV5 { client, acks: acks.clone() };
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
            // Up to ten packets were read in that turn; and after a fault what was read before it is still there and
            // must not be taken for the next connection's.
            while let Some(event) = self.eventloop.state.events.pop_front() {
                self.translate(event, events);
            }
            // The crate writes one request a turn. Acknowledgements come in hundreds, so they go out in one call: no
            // new ones are taken meanwhile, and none of these waits for anything but the socket.
            if outcome.is_err() || self.acks.load(Ordering::Relaxed) == 0 {
                break outcome;
            }
        };
        if outcome.is_err() {
            self.answered = false;
            self.acks.store(0, Ordering::Relaxed);
            // Publishes in flight and requests not yet sent: the outbox and the wanted set ask again.
            self.eventloop.pending.clear();
            self.eventloop.state.collision = None;
        }
        outcome
    }
}

impl LinkV5 {
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
            Packet::Publish(publish) => events.push(LinkEvent::Message(self.message(publish))),
            Packet::SubAck(ack) => events.extend(ack.return_codes.into_iter().map(|code| {
                LinkEvent::Subscribed(match code {
                    SubscribeReasonCode::Success(qos) => Ok(qos as u8),
                    refused => Err(format!("{refused:?}")),
                })
            })),
            Packet::UnsubAck(_) => events.push(LinkEvent::Unsubscribed),
            Packet::PubAck(ack) => events.push(LinkEvent::Delivered(match ack.reason {
                // The crate counts a refused publish as done and only logs it.
                PubAckReason::Success | PubAckReason::NoMatchingSubscribers => Ok(()),
                refused => Err(format!("{refused:?}")),
            })),
            _ => {}
        }
    }

    fn message(&self, publish: Publish) -> Message {
        let reply_to = publish.properties.and_then(|properties| {
            Some(ReplyTo { topic: properties.response_topic?, correlation: properties.correlation_data })
        });
        let (payload, cut) = within_limit(publish.payload, self.max_payload);
        Message {
            topic: String::from_utf8_lossy(&publish.topic).into_owned(),
            payload,
            cut,
            retain: publish.retain,
            dup: publish.dup,
            packet_id: if publish.qos == QoS::AtMostOnce { 0 } else { publish.pkid },
            received: (self.now)(),
            reply_to,
        }
    }
}

impl LinkV5 {
    fn fault(&self, error: ConnectionError) -> LinkFault {
        let unanswered =
            !self.answered && matches!(error, ConnectionError::MqttState(_) | ConnectionError::NotConnAck(_));
        match error {
            ConnectionError::ConnectionRefused(code) => {
                let reason = format!("{code:?}");
                LinkFault::Refused { check: what_to_check(&reason), reason }
            }
            ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, reason_string }) => {
                let reason = format!("{reason_code:?}");
                let check = what_to_check(&reason);
                let text = reason_string.map(|text| format!(" ({text})")).unwrap_or_default();
                LinkFault::Refused { check, reason: reason + &text }
            }
            ConnectionError::MqttState(StateError::Deserialization(
                error @ rumqttc::v5::mqttbytes::Error::PayloadSizeLimitExceeded { .. },
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

impl Requests for RequestsV5 {
    fn try_subscribe(&self, filter: &str) -> Result<(), NotTaken> {
        if !rumqttc::valid_filter(filter) {
            return Err(NotTaken::Invalid);
        }
        let mut wanted = Filter::new(filter, QoS::AtLeastOnce);
        // Asking again for what the session already has must not bring the retained history again.
        wanted.retain_forward_rule = RetainForwardRule::OnNewSubscribe;
        taken(self.client.try_subscribe_many([wanted]))
    }

    fn try_unsubscribe(&self, filter: &str) -> Result<(), NotTaken> {
        taken(self.client.try_unsubscribe(filter))
    }

    fn try_ack(&self, packet_id: u16) -> Result<(), NotTaken> {
        let mut publish = Publish::new("", QoS::AtLeastOnce, Bytes::new(), None);
        publish.pkid = packet_id;
        taken(self.client.try_ack(&publish))?;
        self.acks.fetch_add(1, Ordering::Relaxed);
        Ok(())
    }

    fn try_publish(&self, publication: &Publication) -> Result<(), NotTaken> {
        if publication.topic.is_empty() || !rumqttc::valid_topic(&publication.topic) {
            return Err(NotTaken::Invalid);
        }
        let properties = PublishProperties {
            payload_format_indicator: Some(u8::from(publication.about.content.is_text())),
            content_type: publication.about.content.media_type().map(Into::into),
            message_expiry_interval: publication.about.expiry_secs,
            correlation_data: publication.correlation.clone(),
            ..Default::default()
        };
        taken(self.client.try_publish_with_properties(
            publication.topic.clone(),
            if publication.about.unconfirmed { QoS::AtMostOnce } else { QoS::AtLeastOnce },
            publication.retain,
            publication.payload.clone(),
            properties,
        ))
    }

    fn try_disconnect(&self) -> Result<(), NotTaken> {
        taken(self.client.try_disconnect())
    }
}
