//! The plant's broker: two connections, so that an acknowledgement never waits behind an alert.
//!
//! The *reader* keeps a persistent session and acknowledges by hand, in arrival order, once a message is durable.
//! The *writer* (see [`crate::advise::publish`]) owns the will and sends one alert at a time until its PUBACK.
//! What the client crate does under stress, and why this folder looks the way it does:
//! an acknowledgement is an ordinary request in the client's bounded queue, so nothing here awaits a request in
//! the task that polls; publishes are lost with a session, so the outbox is ours; nothing is resubscribed by itself;
//! a failed poll returns at once, so we wait; a poll can hang on a dead socket, so a watchdog rebuilds it.

pub mod acks;
pub mod anew;
pub mod backoff;
pub mod link;
pub mod reader;
mod rumqtt_v3;
mod rumqtt_v5;
pub mod settings;
pub mod tls;
pub mod wanted;

pub use link::{Message, MqttLink, ReplyTo};
pub use reader::{Entry, Reader, ReaderEnd};
pub use rumqtt_v3::LinkV3;
pub use rumqtt_v5::LinkV5;
pub use settings::{BrokerSettings, Clock, Credentials, Version};
pub use tls::Tls;
