//! What the connections to the broker can be told, and the checks that keep the client crate from panicking.

use super::tls::Tls;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::time::Duration;

/// Which MQTT is spoken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Version {
    /// MQTT 5.
    #[default]
    V5,
    /// MQTT 3.1.1: no packet limit told to the broker, no reason codes, refused publishes cannot be seen.
    V3,
}

/// What moves event time when no message comes, and what the readings' times are held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Clock {
    /// The wall clock takes over while the stream is silent and the broker is connected, so silence is noticed. Readings' times are
    /// held against it.
    #[default]
    Wall,
    /// Only data move it, and readings' times are held against one another: for playing recordings through a broker.
    Stream,
}

/// User name and password. Never printed.
#[derive(Clone, PartialEq, Eq)]
pub struct Credentials {
    /// User name.
    pub user: String,
    /// Password.
    pub password: String,
}

impl fmt::Debug for Credentials {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Credentials").field("user", &self.user).field("password", &"***").finish()
    }
}

/// Settings of both connections.
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `keep_alive_secs` | 30 | s | 5 to 65535 |
/// | `connect_timeout_secs` | 10 | s | 1 to 600 |
/// | `session_expiry_secs` | 86400 | s | 0 and above; MQTT 5 only |
/// | `receive_maximum` | 1000 | messages | above 0; MQTT 5 only |
/// | `max_packet_bytes` | 262144 | bytes | 1024 to 268435455 |
/// | `max_unsafe_backlog` | 20000 | QoS 0 messages | above 0 |
/// | `quiet_after` | 600 s | | above 0 |
/// | `refused_again` | 60 s | | above 0 |
/// | `backoff_first`, `backoff_most` | 0.5 s, 60 s | | above 0, in this order |
#[derive(Debug, Clone, PartialEq)]
pub struct BrokerSettings {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Protocol version of both connections.
    pub version: Version,
    /// Client id of the reader; stable, since the broker keeps the session under it. The writer adds `-out`.
    pub client_id: String,
    /// Account.
    pub credentials: Option<Credentials>,
    /// TLS; none is MQTT in the open.
    pub tls: Option<Tls>,
    /// Topic filters of the readings (and of commands, when they are allowed). Subscribed at QoS 1.
    pub filters: Vec<String>,
    /// Readings may come on another connection alone: no filter is no fault.
    pub may_be_silent: bool,
    /// Keep alive.
    pub keep_alive_secs: u16,
    /// Limit for connecting, and for a flush in 3.1.1.
    pub connect_timeout_secs: u64,
    /// How long the broker keeps our session while we are away.
    pub session_expiry_secs: u32,
    /// How many messages the broker may have unacknowledged with us. Replaces Mosquitto's own window, so it is
    /// set high enough that one journal commit does not throttle the stream.
    pub receive_maximum: u16,
    /// Largest packet taken. MQTT 5 tells the broker, which then drops larger ones; in 3.1.1 larger payloads are
    /// cut off, counted and acknowledged, see [`BrokerSettings::hard_packet_bytes`].
    pub max_packet_bytes: u32,
    /// QoS 0 messages waiting for the journal beyond this are dropped and counted. QoS 1 messages never are: the
    /// broker's own window bounds them.
    pub max_unsafe_backlog: usize,
    /// A filter that brought nothing for this long is reported: brokers grant what they will never deliver.
    pub quiet_after: Duration,
    /// A topic filter that the broker refused is asked for again after this.
    pub refused_again: Duration,
    /// First wait after a failed connection.
    pub backoff_first: Duration,
    /// Longest wait.
    pub backoff_most: Duration,
    /// While the stream is silent, event time moves on in steps of this.
    pub idle_step: Duration,
    /// See [`Clock`].
    pub clock: Clock,
}

impl Default for BrokerSettings {
    fn default() -> Self {
        Self {
            host: "localhost".into(),
            port: 1883,
            version: Version::V5,
            client_id: "roundsman".into(),
            credentials: None,
            tls: None,
            filters: Vec::new(),
            may_be_silent: false,
            keep_alive_secs: 30,
            connect_timeout_secs: 10,
            session_expiry_secs: 86_400,
            receive_maximum: 1000,
            max_packet_bytes: 256 * 1024,
            max_unsafe_backlog: 20_000,
            quiet_after: Duration::from_secs(600),
            refused_again: Duration::from_secs(60),
            backoff_first: Duration::from_millis(500),
            backoff_most: Duration::from_secs(60),
            idle_step: Duration::from_secs(10),
            clock: Clock::Wall,
        }
    }
}

impl BrokerSettings {
    /// Every fault of the settings: field, rule, value. Several of these would make the client crate panic.
    pub fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        let mut want = |good: bool, name: &str, rule: &str, got: String| {
            if !good {
                faults.push(format!("{name}: must be {rule}, got {got}"));
            }
        };
        want(!self.host.is_empty(), "host", "a name or an address", "nothing".into());
        want(self.port != 0, "port", "1 to 65535", "0".into());
        let id = &self.client_id;
        want(!id.is_empty() && id.len() <= 60, "client_id", "1 to 60 bytes long", format!("{id:?}"));
        want(self.may_be_silent || !self.filters.is_empty(), "filters", "at least one topic filter", "none".into());
        for filter in &self.filters {
            want(rumqttc::valid_filter(filter), "filters", "a valid topic filter", format!("{filter:?}"));
        }
        want(self.keep_alive_secs >= 5, "keep_alive_secs", "5 to 65535", self.keep_alive_secs.to_string());
        let timeout = self.connect_timeout_secs;
        want((1..=600).contains(&timeout), "connect_timeout_secs", "1 to 600", timeout.to_string());
        want(self.receive_maximum > 0, "receive_maximum", "1 to 65535", "0".into());
        let packet = self.max_packet_bytes;
        want((1024..=268_435_455).contains(&packet), "max_packet_bytes", "1024 to 268435455", packet.to_string());
        want(self.max_unsafe_backlog > 0, "max_unsafe_backlog", "above 0", "0".into());
        for (name, value) in [
            ("quiet_after", self.quiet_after),
            ("refused_again", self.refused_again),
            ("backoff_first", self.backoff_first),
            ("backoff_most", self.backoff_most),
            ("idle_step", self.idle_step),
        ] {
            want(!value.is_zero(), name, "above 0", format!("{value:?}"));
        }
        want(
            self.backoff_first <= self.backoff_most,
            "backoff_most",
            "at least backoff_first",
            format!("{:?}", self.backoff_most),
        );
        faults
    }

    /// Client id of the writer connection.
    pub fn writer_id(&self) -> String {
        format!("{}-out", self.client_id)
    }

    /// 3.1.1 cannot tell the broker a limit: a message above the client's own limit ends the connection and, in a
    /// persistent session, comes again for ever. So the client's limit is set far higher than ours and what lies
    /// between is taken, cut off, counted and acknowledged.
    pub fn hard_packet_bytes(&self) -> usize {
        (self.max_packet_bytes as usize).saturating_mul(16).clamp(16 * 1024 * 1024, 268_435_455)
    }

    /// A poll that says nothing for this long hangs: pings go out once per keep-alive, so a live one speaks.
    pub fn watchdog(&self) -> Duration {
        Duration::from_secs(2 * u64::from(self.keep_alive_secs) + self.connect_timeout_secs + 5)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_named_at_once() {
        let broker = BrokerSettings {
            keep_alive_secs: 4,
            client_id: String::new(),
            filters: vec!["plant/#/x".into()],
            receive_maximum: 0,
            ..Default::default()
        };
        let faults = broker.faults().join("\n");
        for name in ["keep_alive_secs: must be 5 to 65535, got 4", "client_id", "plant/#/x", "receive_maximum"] {
            assert!(faults.contains(name), "{name} is missing from:\n{faults}");
        }
    }

    #[test]
    fn a_password_is_not_printed() {
        let credentials = Credentials { user: "reader".into(), password: "hunter2".into() };
        assert!(!format!("{credentials:?}").contains("hunter2"));
    }
}
