//! The thin trait between us and an MQTT client crate, so that the crate can be changed.
//!
//! A link is two halves: the link itself is polled, [`Requests`] takes requests without waiting. Both are used by
//! one task, so a request can never land between a lost connection and the clean-up after it.

use super::settings::{BrokerSettings, Credentials};
use super::tls::Tls;
use bytes::Bytes;
use roundsman_models::EventTime;
use std::future::Future;
use std::time::Duration;

/// Where the sender of a command wants its answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReplyTo {
    /// Topic.
    pub topic: String,
    /// Correlation data, given back as it came.
    pub correlation: Option<Bytes>,
}

/// A publish as it came in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Topic.
    pub topic: String,
    /// Payload, at most the packet limit long.
    pub payload: Bytes,
    /// The payload was longer than the limit and only its beginning is here.
    pub cut: bool,
    /// Sent from the broker's store after subscribing: history, not a fresh reading.
    pub retain: bool,
    /// The broker thinks it sent this one before.
    pub dup: bool,
    /// Packet id; 0 for QoS 0, which is not acknowledged.
    pub packet_id: u16,
    /// Arrival by our clock.
    pub received: EventTime,
    /// Response topic of MQTT 5.
    pub reply_to: Option<ReplyTo>,
}

/// A publish to be sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Publication {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Vec<u8>,
    /// Kept by the broker for later subscribers.
    pub retain: bool,
    /// Correlation data, MQTT 5 only: of the command it answers, or what whoever answers this gives back.
    pub correlation: Option<Bytes>,
    /// What MQTT says of it beside that.
    pub about: About,
}

/// How a publish is sent, and what MQTT 5 says of its payload.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct About {
    /// What the payload is.
    pub content: Content,
    /// The broker drops it when nobody has taken it for so many seconds; MQTT 5 only, `None` never.
    pub expiry_secs: Option<u32>,
    /// QoS 0 where a standard asks for it: never confirmed. Everything else is sent at QoS 1.
    pub unconfirmed: bool,
}

/// What a payload is: the content type of MQTT 5.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Content {
    /// A document of ours.
    #[default]
    Json,
    /// A document of ours in a CloudEvents envelope.
    CloudEvent,
    /// Bytes of another standard, which has no name for them here.
    Binary,
}

impl Content {
    /// The media type; `None` where there is none.
    pub fn media_type(self) -> Option<&'static str> {
        match self {
            Self::Json => Some("application/json"),
            // The MQTT binding of CloudEvents 1.0, section 3.2: it must begin so.
            Self::CloudEvent => Some("application/cloudevents+json; charset=utf-8"),
            Self::Binary => None,
        }
    }

    /// Whether it is UTF-8 text: the payload format indicator.
    pub fn is_text(self) -> bool {
        self != Self::Binary
    }
}

/// What a poll brought.
#[derive(Debug, Clone, PartialEq)]
pub enum LinkEvent {
    /// CONNACK, good.
    Connected {
        /// The broker still had our session.
        session_present: bool,
    },
    /// PUBLISH.
    Message(Message),
    /// SUBACK for the one filter that was asked for: granted QoS or the reason it was not.
    Subscribed(Result<u8, String>),
    /// UNSUBACK.
    Unsubscribed,
    /// PUBACK of our publish: taken, or the reason it was not (MQTT 5 only). An unconfirmed one brings none.
    Delivered(Result<(), String>),
}

/// Why a connection ended or never came up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkFault {
    /// The broker said no: its word, and what to check.
    Refused {
        /// The broker's reason.
        reason: String,
        /// What a person should look at.
        check: &'static str,
    },
    /// The two could not agree on a safe connection: what is wrong, and what to mend.
    Tls {
        /// What is wrong.
        what: String,
        /// What a person should do.
        mend: &'static str,
    },
    /// A packet larger than the client takes; in a persistent session it will come again.
    TooLarge(String),
    /// The network or the protocol failed.
    Lost(String),
    /// Nothing came or went for this long, not even a ping: the socket is half open.
    Hung(Duration),
}

impl std::fmt::Display for LinkFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Refused { reason, check } => write!(f, "the broker refused us: {reason}; check {check}"),
            Self::Tls { what, mend } => write!(f, "{what}; {mend}"),
            Self::TooLarge(text) => write!(f, "a packet is larger than the client's limit: {text}"),
            Self::Lost(text) => f.write_str(text),
            Self::Hung(time) => write!(f, "the connection hung, nothing came or went for {time:?}"),
        }
    }
}

/// What one connection is opened with.
#[derive(Debug, Clone)]
pub struct LinkOptions {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Client id.
    pub client_id: String,
    /// Account.
    pub credentials: Option<Credentials>,
    /// TLS; none is MQTT in the open.
    pub tls: Option<Tls>,
    /// Keep alive; at least 5 s, or the client panics.
    pub keep_alive: Duration,
    /// Limit for connecting.
    pub connect_timeout_secs: u64,
    /// Ask the broker to forget an earlier session.
    pub clean_start: bool,
    /// How long the broker keeps the session; MQTT 5.
    pub session_expiry_secs: u32,
    /// Receive maximum; MQTT 5.
    pub receive_maximum: u16,
    /// Largest payload handed on; packet limit told to the broker in MQTT 5.
    pub max_packet_bytes: u32,
    /// Packet limit of the 3.1.1 client.
    pub hard_packet_bytes: usize,
    /// Publishes of ours that may be unacknowledged.
    pub out_window: u16,
    /// Acknowledge by hand.
    pub manual_acks: bool,
    /// Will, always at QoS 1.
    pub will: Option<Publication>,
    /// Our clock, for arrival times.
    pub now: fn() -> EventTime,
}

impl LinkOptions {
    /// For the reader.
    pub fn reader(broker: &BrokerSettings, clean_start: bool, now: fn() -> EventTime) -> Self {
        Self {
            host: broker.host.clone(),
            port: broker.port,
            client_id: broker.client_id.clone(),
            credentials: broker.credentials.clone(),
            tls: broker.tls.clone(),
            keep_alive: Duration::from_secs(u64::from(broker.keep_alive_secs.max(5))),
            connect_timeout_secs: broker.connect_timeout_secs,
            clean_start,
            session_expiry_secs: broker.session_expiry_secs,
            receive_maximum: broker.receive_maximum,
            max_packet_bytes: broker.max_packet_bytes,
            hard_packet_bytes: broker.hard_packet_bytes(),
            // The reader publishes nothing; unset would be 65 535 slots, 13 MiB.
            out_window: 16,
            manual_acks: true,
            will: None,
            now,
        }
    }

    /// For the writer: no session, since the outbox is ours.
    pub fn writer(broker: &BrokerSettings, will: Publication, now: fn() -> EventTime) -> Self {
        Self {
            client_id: broker.writer_id(),
            session_expiry_secs: 0,
            manual_acks: false,
            will: Some(will),
            ..Self::reader(broker, true, now)
        }
    }
}

/// A request that could not be taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotTaken {
    /// The queue to the link is full: poll, then try again.
    Full,
    /// The request itself is bad (a wildcard in a topic): trying again is of no use.
    Invalid,
}

/// Takes requests without waiting: waiting for room in the task that polls would wait for ever.
pub trait Requests: Send + Sync {
    /// Asks for one filter at QoS 1.
    fn try_subscribe(&self, filter: &str) -> Result<(), NotTaken>;
    /// Gives one filter back.
    fn try_unsubscribe(&self, filter: &str) -> Result<(), NotTaken>;
    /// PUBACK.
    fn try_ack(&self, packet_id: u16) -> Result<(), NotTaken>;
    /// PUBLISH.
    fn try_publish(&self, publication: &Publication) -> Result<(), NotTaken>;
    /// DISCONNECT, which keeps a persistent session and suppresses the will.
    fn try_disconnect(&self) -> Result<(), NotTaken>;
}

/// One connection to a broker that connects again at the next poll after a fault.
pub trait MqttLink: Send + Sized + 'static {
    /// The request half.
    type Requests: Requests + 'static;

    /// Prepares a link; nothing is sent before the first poll.
    fn open(options: &LinkOptions) -> (Self, Self::Requests);

    /// Waits for the next packets and appends what they mean to `events` (possibly nothing). After a fault
    /// everything that had been received before it has been appended, and requests not yet sent are forgotten.
    /// The future must not be dropped unless the link is dropped too.
    fn poll(&mut self, events: &mut Vec<LinkEvent>) -> impl Future<Output = Result<(), LinkFault>> + Send;
}

/// Longest beginning of an oversized payload that is kept for the log.
pub(super) const CUT_BYTES: usize = 256;

/// Applies the payload limit. Gives the payload and whether it was cut.
pub(super) fn within_limit(payload: Bytes, max: u32) -> (Bytes, bool) {
    if payload.len() <= max as usize {
        return (payload, false);
    }
    // Copied, so that the large buffer behind the slice goes.
    (Bytes::copy_from_slice(payload.get(..CUT_BYTES).unwrap_or_default()), true)
}

/// A broker that took the connection and closed it, or said something else than MQTT, before its first answer.
pub(super) fn closed_unanswered(error: &dyn std::fmt::Display, tls: bool) -> String {
    let check = if tls {
        "its log says why; it may want a certificate of ours (broker.certificate_file)"
    } else {
        "this may be its TLS port (mqtts://, 8883 as a rule), or it does not speak this version (broker.protocol)"
    };
    format!("the broker closed the connection before it answered ({error}); {check}")
}

/// What to look at when the broker says why it refuses; by the words of the reason, the same for both versions.
pub(super) fn what_to_check(reason: &str) -> &'static str {
    match reason {
        "BadUserNamePassword" => {
            "user name and password (broker.username, broker.password_file) against the broker's own"
        }
        "NotAuthorized" => {
            "user name and password (broker.username, broker.password_file), and that this account may connect"
        }
        "Banned" => "the broker's ban list",
        "BadClientId" | "ClientIdentifierNotValid" => "the client id",
        "RefusedProtocolVersion" | "UnsupportedProtocolVersion" => "the protocol version setting (5 or 3.1.1)",
        "SessionTakenOver" => "that no second instance runs with the same client id",
        "QuotaExceeded" | "ConnectionRateExceeded" => "the broker's connection limits",
        _ => "the broker's log",
    }
}
