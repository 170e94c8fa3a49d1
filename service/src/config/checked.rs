//! The configuration after every check: what the rest of the service works with.

use crate::acquire::registry::AssetPlan;
use crate::acquire::topics::Mapping;
use crate::asset::settings::Settings;
use std::path::PathBuf;
use std::sync::Arc;

/// A configuration without faults. Only [`super::load`] and the tests make one.
#[derive(Debug, Clone)]
pub struct Checked {
    /// The site.
    pub site: Site,
    /// The broker; `None` when the file has no `[broker]`, which only a replay can do without.
    pub broker: Option<Broker>,
    /// Topic patterns with their codecs, in the order they are tried: the first that fits wins.
    pub topics: Vec<Mapping>,
    /// Settings of every asset that has none of its own.
    pub settings: Arc<Settings>,
    /// What is published.
    pub publish: Publish,
    /// Where the state is kept.
    pub state: State,
    /// Caps.
    pub limits: Limits,
    /// Configured assets, in the order of the file.
    pub assets: Vec<AssetPlan>,
}

/// `[site]`
#[derive(Debug, Clone)]
pub struct Site {
    /// Name, one topic level.
    pub name: String,
    /// Zone of times without an offset; `None` refuses such times.
    pub zone: Option<jiff::tz::TimeZone>,
}

/// Which protocol is spoken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Protocol {
    /// MQTT 3.1.1.
    V3,
    /// MQTT 5.
    V5,
}

/// `[broker]`
#[derive(Clone)]
pub struct Broker {
    /// Host name or address.
    pub host: String,
    /// Port, 1883 unless the URL says another.
    pub port: u16,
    /// Protocol.
    pub protocol: Protocol,
    /// Client id of the reader; the writer appends `-out`.
    pub client_id: String,
    /// User name.
    pub username: Option<String>,
    /// Password, from the file it was to be read from or the environment.
    pub password: Option<String>,
    /// Keep-alive, seconds; at least 5 (the client panics below).
    pub keep_alive_secs: u16,
    /// How long the broker keeps the session after a lost connection, seconds (MQTT 5).
    pub session_expiry_secs: u32,
    /// Most unacknowledged messages the broker may have under way to us (MQTT 5).
    pub receive_maximum: u16,
    /// Largest packet taken, bytes.
    pub max_packet_bytes: u32,
    /// Only readings move time; with `false` the wall clock does too while they are silent.
    pub stream_clock: bool,
}

impl std::fmt::Debug for Broker {
    // By hand, so that no log line ever shows the password.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Broker")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("protocol", &self.protocol)
            .field("client_id", &self.client_id)
            .field("username", &self.username)
            .field("password", &self.password.as_ref().map(|_| "***"))
            .field("keep_alive_secs", &self.keep_alive_secs)
            .field("session_expiry_secs", &self.session_expiry_secs)
            .field("receive_maximum", &self.receive_maximum)
            .field("max_packet_bytes", &self.max_packet_bytes)
            .field("stream_clock", &self.stream_clock)
            .finish()
    }
}

/// `[publish]`
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Publish {
    /// First levels of every topic we publish on and take commands on.
    pub prefix: String,
    /// Whether commands are taken from `…/{asset}/command`.
    pub commands: bool,
    /// Where requests for waveforms go, with `{site}` and `{asset}`; `…/{asset}/capture-request` when absent.
    pub capture_topic: Option<String>,
}

/// `[state]`
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct State {
    /// Folder of the state file.
    pub dir: PathBuf,
}

/// `[limits]`
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limits {
    /// Most assets registered; more are refused and counted.
    pub max_assets: usize,
    /// Most points of one asset.
    pub max_points_per_asset: usize,
    /// Largest payload decoded, bytes.
    pub max_payload_bytes: usize,
    /// Largest waveform message decoded, bytes.
    pub max_waveform_bytes: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self { max_assets: 5000, max_points_per_asset: 64, max_payload_bytes: 128 * 1024, max_waveform_bytes: 1 << 20 }
    }
}

impl Default for Publish {
    fn default() -> Self {
        Self { prefix: "roundsman".into(), commands: false, capture_topic: None }
    }
}

impl Default for State {
    fn default() -> Self {
        Self { dir: PathBuf::from("state") }
    }
}

impl Default for Checked {
    /// What a replay without a file works with: no broker, no topics, every asset found and learned with defaults.
    fn default() -> Self {
        Self {
            site: Site { name: "site".into(), zone: None },
            broker: None,
            topics: Vec::new(),
            settings: Arc::default(),
            publish: Publish::default(),
            state: State::default(),
            limits: Limits::default(),
            assets: Vec::new(),
        }
    }
}
