//! The configuration after every check: what the rest of the service works with.

use super::Clock;
use super::historian::Historian;
use super::http::Http;
use super::mail::Mail;
use super::people::{Page, Units};
use super::secret::Secret;
use super::sparkplug::Sparkplug;
use crate::acquire::mqtt::tls::Tls;
use crate::acquire::registry::AssetPlan;
use crate::acquire::topics::Mapping;
use crate::advise::document::History;
use crate::advise::permission::Permission;
use crate::asset::settings::Settings;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

/// A configuration without faults. Only [`super::load`] and the tests make one.
#[derive(Debug, Clone)]
pub struct Checked {
    /// The site.
    pub site: Site,
    /// The broker; `None` when the file has no `[broker]`, which only a replay can do without.
    pub broker: Option<Broker>,
    /// Topic patterns with their codecs, in the order they are tried: the first that fits wins.
    pub topics: Vec<Mapping>,
    /// Sparkplug B, in and out.
    pub sparkplug: Sparkplug,
    /// Settings of every asset that has none of its own.
    pub settings: Arc<Settings>,
    /// What is published.
    pub publish: Publish,
    /// On which topics which commands are taken; none without.
    pub commands: Vec<Permission>,
    /// Where the state is kept.
    pub state: State,
    /// Where the service can be looked at.
    pub http: Http,
    /// Mail; `None` without.
    pub mail: Option<Mail>,
    /// Who may sign in at the page.
    pub page: Page,
    /// A database that gets a copy of what is kept.
    pub historian: Option<Historian>,
    /// Past cases, in the order of their files' names; their classes' assets have them in their settings.
    pub histories: Vec<History>,
    /// Their texts, as the journal records them; `None` without a folder.
    pub history_texts: Option<Vec<String>>,
    /// Folder that a life is kept in when somebody confirms what its alert said; `None`: it is not kept.
    pub keep_histories_in: Option<PathBuf>,
    /// Caps.
    pub limits: Limits,
    /// Configured assets, in the order of the file.
    pub assets: Vec<AssetPlan>,
    /// How long the journal stays.
    pub journal: Journal,
    /// How long the audit stays.
    pub audit: Audit,
    /// The process.
    pub service: Service,
    /// What the journal records of it: everything that decides what becomes of a message.
    pub recorded: Option<Arc<str>>,
    /// The clock it was recorded under, when it was read from a journal.
    pub recorded_clock: Option<Clock>,
    /// Every setting that is set by its path, with a hash of its value: for saying which changed.
    pub fingerprints: Arc<BTreeMap<String, u64>>,
}

impl Checked {
    /// What the readings' times are held against; `None` where neither a `[broker]` nor a journal says.
    pub fn clock(&self) -> Option<Clock> {
        let of_broker = |broker: &Broker| if broker.stream_clock { Clock::Stream } else { Clock::Wall };
        self.broker.as_ref().map(of_broker).or(self.recorded_clock)
    }
}

/// `[site]`
#[derive(Debug, Clone)]
pub struct Site {
    /// Name, one topic level.
    pub name: String,
    /// Zone of times without an offset; `None` refuses such times.
    pub zone: Option<jiff::tz::TimeZone>,
    /// Units values are shown in to people.
    pub units: Units,
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
#[derive(Debug, Clone)]
pub struct Broker {
    /// Host name or address.
    pub host: String,
    /// Port; 1883 unless the URL says another, 8883 with TLS.
    pub port: u16,
    /// Protocol.
    pub protocol: Protocol,
    /// Client id of the reader; the writer appends `-out`.
    pub client_id: String,
    /// User name.
    pub username: Option<String>,
    /// Password, from the file it was to be read from or the environment.
    pub password: Option<Secret>,
    /// TLS, when the URL says `mqtts`.
    pub tls: Option<Tls>,
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

/// `[publish]`
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Publish {
    /// First levels of every topic we publish on and take commands on.
    pub prefix: String,
    /// Where requests for waveforms go, with `{site}` and `{asset}`; `…/{asset}/capture-request` when absent.
    pub capture_topic: Option<String>,
    /// Alerts go out in the envelope of CloudEvents.
    pub cloud_events: bool,
}

/// `[state]`
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct State {
    /// Folder of the state files.
    pub dir: PathBuf,
    /// Time between snapshots.
    pub snapshot_every: Duration,
}

/// `[journal]`
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Journal {
    /// How long rows stay after the snapshots cover them, days.
    pub keep_days: f64,
    /// Covered rows beyond this size go before their time, MiB.
    pub max_size_mib: u64,
}

impl Default for Journal {
    fn default() -> Self {
        Self { keep_days: 0.0, max_size_mib: 4096 }
    }
}

/// `[audit]`
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Audit {
    /// How long commands and their answers stay, days.
    pub keep_days: f64,
    /// Above this number the oldest go before their time.
    pub max_rows: u64,
}

impl Default for Audit {
    fn default() -> Self {
        // Five years; some tens of megabytes.
        Self { keep_days: 1827.0, max_rows: 100_000 }
    }
}

/// `[service]`
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Service {
    /// A stop takes no longer than this, seconds.
    pub stop_within_secs: f64,
}

impl Default for Service {
    fn default() -> Self {
        Self { stop_within_secs: 10.0 }
    }
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
    /// Most values taken from one payload.
    pub max_values: usize,
}

impl Publish {
    /// Where an asset's documents go, for [`crate::advise::topics::Topics::new`].
    pub fn template(&self) -> String {
        format!("{}/{{site}}/{{asset}}", self.prefix)
    }
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            max_assets: 5000,
            max_points_per_asset: 64,
            max_payload_bytes: 128 * 1024,
            max_waveform_bytes: 1 << 20,
            max_values: 4096,
        }
    }
}

impl Default for Publish {
    fn default() -> Self {
        Self { prefix: "roundsman".into(), capture_topic: None, cloud_events: false }
    }
}

impl Default for State {
    fn default() -> Self {
        Self { dir: PathBuf::from("state"), snapshot_every: Duration::from_secs(300) }
    }
}

impl Default for Checked {
    /// What a replay without a file works with: no broker, no topics, every asset found and learned with defaults.
    fn default() -> Self {
        Self {
            site: Site { name: "site".into(), zone: None, units: Units::default() },
            broker: None,
            topics: Vec::new(),
            sparkplug: Sparkplug::default(),
            settings: Arc::default(),
            publish: Publish::default(),
            commands: Vec::new(),
            state: State::default(),
            http: Http::default(),
            mail: None,
            page: Page::default(),
            historian: None,
            histories: Vec::new(),
            history_texts: None,
            keep_histories_in: None,
            limits: Limits::default(),
            assets: Vec::new(),
            journal: Journal::default(),
            audit: Audit::default(),
            service: Service::default(),
            recorded: None,
            recorded_clock: None,
            fingerprints: Arc::default(),
        }
    }
}
