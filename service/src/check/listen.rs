//! `check --listen`: what comes on the topic filters, without touching the daemon's own session.

use super::{MappingTable, Seen, mapping_table};
use crate::acquire::mqtt::link::{LinkEvent, LinkFault, LinkOptions, MqttLink, Requests};
use crate::acquire::mqtt::{BrokerSettings, LinkV3, LinkV5, Version};
use crate::acquire::topics::filters;
use crate::app::wall_clock;
use crate::config::Checked;
use crate::error::{Error, Fault};
use crate::run;
use std::fmt;
use std::pin::pin;
use std::time::Duration;

/// Messages kept at most: enough for a plant's every topic, and not the memory of a busy hour.
const MOST_MESSAGES: usize = 50_000;
/// Bytes of payload kept at most.
const MOST_BYTES: usize = 64 << 20;

/// What was heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// How long it was listened.
    pub time: Duration,
    /// Messages.
    pub messages: usize,
    /// It ended early because this was enough.
    pub enough: bool,
    /// Filters the broker refused, with its reason.
    pub refused: Vec<(String, String)>,
    /// What they map to.
    pub table: MappingTable,
}

impl fmt::Display for Heard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let secs = self.time.as_secs_f64();
        let enough = if self.enough { ", which was enough" } else { "" };
        writeln!(f, "heard {} messages in {secs:.0} s{enough}", self.messages)?;
        for (filter, why) in &self.refused {
            writeln!(f, "the broker refuses {filter}: {why}; look at its access rules")?;
        }
        write!(f, "{}", self.table)
    }
}

/// What came, as it came.
#[derive(Debug, Clone, PartialEq)]
pub struct Listened {
    /// Messages.
    pub seen: Vec<Seen>,
    /// Filters the broker refused, with its reason.
    pub refused: Vec<(String, String)>,
    /// How long it was listened.
    pub time: Duration,
    /// It ended early because this was enough.
    pub enough: bool,
}

/// Listens on the filters of a configuration and shows what they map to.
///
/// # Errors
/// The broker cannot be reached, refuses us, or is lost while listening.
pub fn listen(config: &Checked, time: Duration) -> Result<Heard, Error> {
    let Listened { seen, refused, time, enough } = hear(config, &filters(&config.topics), time)?;
    Ok(Heard { time, messages: seen.len(), enough, refused, table: mapping_table(config, &seen) })
}

/// Connects under a client id of its own with a session that is forgotten at the end, and listens for `time`. It
/// publishes nothing. Ctrl-C ends it early and keeps what came until then.
///
/// # Errors
/// The broker cannot be reached, refuses us, or is lost while listening.
pub fn hear(config: &Checked, filters: &[String], time: Duration) -> Result<Listened, Error> {
    let broker = run::settings(config, &run::topics(config)?)?.broker;
    let faults = broker.faults();
    if !faults.is_empty() {
        return Err(Error::new(Fault::Config, faults.join("\n")));
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Error::new(Fault::Internal, "cannot start the runtime").because(error))?;
    match broker.version {
        Version::V5 => runtime.block_on(gather::<LinkV5>(filters, &broker, time)),
        Version::V3 => runtime.block_on(gather::<LinkV3>(filters, &broker, time)),
    }
    .map_err(|fault| {
        let to = format!("the broker {}:{}", broker.host, broker.port);
        match fault {
            LinkFault::Refused { .. } | LinkFault::Tls { .. } => Error::new(Fault::Broker, format!("{to}: {fault}")),
            fault => Error::new(Fault::Broker, format!("cannot reach {to}: {fault}")),
        }
    })
}

async fn gather<L: MqttLink>(
    filters: &[String],
    broker: &BrokerSettings,
    time: Duration,
) -> Result<Listened, LinkFault> {
    let client_id = format!("{}-check", broker.client_id);
    let options = LinkOptions {
        client_id,
        // No session is left behind, and nothing is held back from the daemon, whose id is another.
        session_expiry_secs: 0,
        manual_acks: false,
        ..LinkOptions::reader(broker, true, wall_clock)
    };
    let (mut link, requests) = L::open(&options);
    let mut to_ask = filters.iter();
    let mut asked = None;
    let (mut seen, mut refused, mut bytes) = (Vec::new(), Vec::new(), 0);
    let mut events = Vec::new();
    let connected_by = Duration::from_secs(broker.connect_timeout_secs);
    let mut connected = None;
    let mut end = pin!(tokio::time::sleep(connected_by));
    let mut interrupted = pin!(tokio::signal::ctrl_c());
    loop {
        // The poll is dropped only together with the link.
        let polled = tokio::select! {
            polled = link.poll(&mut events) => polled,
            () = &mut end => break,
            _ = &mut interrupted => break,
        };
        for event in events.drain(..) {
            match event {
                LinkEvent::Connected { .. } => {
                    connected = Some(std::time::Instant::now());
                    end.as_mut().reset(tokio::time::Instant::now() + time);
                    asked = ask(&requests, &mut to_ask);
                }
                LinkEvent::Subscribed(outcome) => {
                    if let (Some(filter), Err(why)) = (asked.take(), outcome) {
                        refused.push((filter, why));
                    }
                    // One at a time, so that an answer belongs to its filter.
                    asked = ask(&requests, &mut to_ask);
                }
                LinkEvent::Message(message) => {
                    bytes += message.payload.len();
                    seen.push(Seen {
                        topic: message.topic,
                        payload: message.payload.to_vec(),
                        received: message.received,
                        retained: message.retain,
                    });
                }
                LinkEvent::Unsubscribed | LinkEvent::Delivered(_) => {}
            }
        }
        polled?;
        if seen.len() >= MOST_MESSAGES || bytes >= MOST_BYTES {
            let time = connected.map_or(Duration::ZERO, |since| since.elapsed());
            return Ok(Listened { seen, refused, time, enough: true });
        }
    }
    match connected {
        Some(since) => Ok(Listened { seen, refused, time: since.elapsed(), enough: false }),
        None => Err(LinkFault::Lost(format!("no answer within {} s", connected_by.as_secs()))),
    }
}

fn ask<'a>(requests: &impl Requests, to_ask: &mut impl Iterator<Item = &'a String>) -> Option<String> {
    let filter = to_ask.next()?;
    // One request at a time in a queue of many: there is room, and filters were checked.
    let _ = requests.try_subscribe(filter);
    Some(filter.clone())
}
