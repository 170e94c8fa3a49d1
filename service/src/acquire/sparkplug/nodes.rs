//! What is known of every edge node, and the step from one message to values. Pure: time is the message's arrival.
//!
//! - A birth replaces what was known of its node or device; an NBIRTH takes all devices back, since each is born again.
//! - Data are read by the last birth: name or alias → name, type, unit. Without one they are refused (`no-birth`).
//! - `seq` counts over a node and its devices. A message ahead of its turn is held; when those before it have come they are
//!   taken in order, and when they have not within `reorder_timeout` they are counted as missing (`sequence-gap`). A lost
//!   message may have been a birth, so where a rebirth may be asked for, nothing is read by an alias from before the gap.
//!   Where it may not, the last births stay in force: otherwise one lost message would end all data of that node.
//! - An NDEATH counts when its `bdSeq` is that of the last NBIRTH: the will of an old connection comes late.
//! - What a sender kept back (`is_historical`) is counted and not taken: it must raise no alarm now, and what is learned
//!   rests on the order of time.
//!
//! Memory: a name, a unit and an alias per metric, bounded by `max_nodes` and `max_metrics`; messages ahead of their turn,
//! [`MOST_HELD`] per node and [`MOST_HELD_BYTES`] in all.

use super::metric;
use super::payload::{Metric, Payload};
use super::{Address, Kind, NodeKey};
use crate::acquire::payload::time::short;
use crate::acquire::registry::MAX_NAME_BYTES;
use crate::acquire::{Quality, Rejection};
use crate::config::Sparkplug;
use prost::Message as _;
use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Messages of a node that may wait for those before them. A larger jump is a gap at once.
const MOST_HELD: usize = 16;
/// Bytes that may wait so, of all nodes.
const MOST_HELD_BYTES: usize = 4 << 20;
/// A node that does not answer is asked again after this, by the arrival of messages.
const ASK_AGAIN_US: i64 = 60_000_000;

/// What a message gives.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// A value.
    Value(NamedValue),
    /// Something of it could not be used: why, how much, and in words.
    Refused(Rejection, u32, String),
    /// This node should say again what it has.
    Rebirth(NodeKey),
}

/// A value with its names.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedValue {
    /// Asset.
    pub asset: String,
    /// Group and node.
    pub area: String,
    /// Metric name.
    pub point: String,
    /// Unit, when the birth says.
    pub unit: Option<String>,
    /// Lowest and highest value in that unit, in a birth that says so.
    pub range: Option<(f64, f64)>,
    /// When it was taken.
    pub at: EventTime,
    /// Value.
    pub value: f64,
    /// The sender's word on it.
    pub quality: Quality,
}

/// All nodes.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Nodes {
    nodes: BTreeMap<NodeKey, Node>,
    /// Arrival of the newest message, µs, with the silence since.
    heard: i64,
    /// Nodes with messages that wait.
    open_gaps: usize,
    held_bytes: usize,
    /// Devices and metrics of all nodes.
    known: usize,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct Node {
    /// Number of the connection, from the last NBIRTH.
    bd_seq: Option<u64>,
    /// An NBIRTH was heard, and no death since.
    born: bool,
    /// `seq` of the next message.
    next: Option<u8>,
    /// Messages ahead of their turn, by how many are before them.
    held: BTreeMap<u8, Held>,
    /// Since when one is missing.
    gap_since: i64,
    /// When a rebirth was asked for.
    asked: Option<i64>,
    /// By name; the node itself under the empty one.
    devices: BTreeMap<String, Device>,
    /// Alias → device and metric.
    aliases: BTreeMap<u64, (String, String)>,
    /// Devices and metrics.
    known: usize,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct Device {
    /// Born, and no death since.
    alive: bool,
    metrics: BTreeMap<String, Known>,
}

impl Device {
    fn known(&self) -> usize {
        1 + self.metrics.len()
    }
}

/// What a birth said of a metric.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Known {
    datatype: u32,
    unit: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Held {
    kind: Kind,
    device: Option<String>,
    payload: Vec<u8>,
    received: i64,
}

impl Nodes {
    /// How many nodes are known.
    pub fn len(&self) -> usize {
        self.nodes.len()
    }

    /// Whether none is.
    pub fn is_empty(&self) -> bool {
        self.nodes.is_empty()
    }

    /// Takes a message. `max_bytes`: largest payload that is read.
    pub fn message(
        &mut self,
        rules: &Sparkplug,
        address: Address<'_>,
        payload: &[u8],
        received: EventTime,
        max_bytes: usize,
        told: &mut Vec<Told>,
    ) {
        self.time(rules, received.0, told);
        let key = NodeKey { group: address.group.to_owned(), node: address.node.to_owned() };
        let ours = rules.publish.as_ref().is_some_and(|own| *own == key);
        if address.kind == Kind::Command || ours {
            return;
        }
        if payload.len() > max_bytes {
            let what = format!("{} bytes, limits.max_payload allows {max_bytes}", payload.len());
            told.push(Told::Refused(Rejection::Unreadable, 1, what));
            return;
        }
        let read = match Payload::decode(payload) {
            Ok(read) => read,
            Err(error) => {
                told.push(Told::Refused(Rejection::Unreadable, 1, format!("no Sparkplug B payload: {error}")));
                return;
            }
        };
        if !self.nodes.contains_key(&key) {
            // A death of what nobody knows changes nothing.
            if address.kind == Kind::Death {
                return;
            }
            if self.nodes.len() >= rules.max_nodes {
                let what = format!(
                    "{} nodes are known and sparkplug.max_nodes allows no more; {key} is one more",
                    self.nodes.len()
                );
                told.push(Told::Refused(Rejection::TooMany, 1, what));
                return;
            }
        }
        let mut node = self.take_out(&key);
        let mut step = self.step(rules, &key, told);
        match (address.kind, address.device) {
            (Kind::Birth, None) => {
                self.forget_held(&mut node);
                node = Node { bd_seq: bd_seq(&read), born: true, next: read.seq.map(after), ..Node::default() };
                step.birth(&mut node, "", &read, received);
            }
            // It has no seq of its own: it is written before the connection is made.
            (Kind::Death, None) => {
                let said = bd_seq(&read);
                if said.is_none() || node.bd_seq.is_none() || said == node.bd_seq {
                    self.forget_held(&mut node);
                    step.died(&mut node);
                }
            }
            (kind, device) => {
                let held = || Held {
                    kind,
                    device: device.map(str::to_owned),
                    payload: payload.to_vec(),
                    received: received.0,
                };
                match node.turn(read.seq) {
                    Turn::Now => {
                        step.take(&mut node, kind, device.unwrap_or_default(), &read, received);
                        self.take_held(&mut node, &mut step);
                    }
                    Turn::Ahead(by)
                        if usize::from(by) <= MOST_HELD && self.held_bytes + payload.len() <= MOST_HELD_BYTES =>
                    {
                        self.held_bytes += payload.len();
                        if node.held.is_empty() {
                            node.gap_since = received.0;
                            self.open_gaps += 1;
                        }
                        // The same number again, with another content: the later one waits.
                        if let Some(other) = node.held.insert(by, held()) {
                            self.held_bytes = self.held_bytes.saturating_sub(other.payload.len());
                        }
                    }
                    Turn::Ahead(_) => {
                        self.give_up(&mut node, &mut step);
                        // Counted from where those that waited end.
                        if let Turn::Ahead(missing) = node.turn(read.seq) {
                            step.missing(&mut node, u32::from(missing));
                        }
                        node.next = read.seq.map(after);
                        step.take(&mut node, kind, device.unwrap_or_default(), &read, received);
                    }
                    Turn::Past => {
                        let what = format!("{key}: seq {} has been and gone", read.seq.unwrap_or_default());
                        step.refuse(Rejection::Duplicate, 1, || what);
                    }
                }
            }
        }
        self.put_back(key, node);
    }

    fn take_out(&mut self, key: &NodeKey) -> Node {
        let node = self.nodes.remove(key).unwrap_or_default();
        self.known = self.known.saturating_sub(node.known);
        node
    }

    fn put_back(&mut self, key: NodeKey, node: Node) {
        self.known += node.known;
        self.nodes.insert(key, node);
    }

    /// For the node that is out.
    fn step<'s>(&self, rules: &'s Sparkplug, key: &'s NodeKey, told: &'s mut Vec<Told>) -> Step<'s> {
        Step { rules, key, heard: self.heard, room: rules.max_metrics.saturating_sub(self.known), told }
    }

    /// The stream was silent for so long.
    pub fn idle(&mut self, rules: &Sparkplug, micros: i64, told: &mut Vec<Told>) {
        self.time(rules, self.heard.saturating_add(micros), told);
    }

    /// Gives up the gaps that have been open too long.
    fn time(&mut self, rules: &Sparkplug, now: i64, told: &mut Vec<Told>) {
        self.heard = self.heard.max(now);
        if self.open_gaps == 0 {
            return;
        }
        let patience = (rules.reorder_secs * 1e6) as i64;
        let late = |node: &Node| !node.held.is_empty() && self.heard.saturating_sub(node.gap_since) >= patience;
        let due: Vec<NodeKey> = self.nodes.iter().filter(|(_, node)| late(node)).map(|(key, _)| key.clone()).collect();
        for key in due {
            let mut node = self.take_out(&key);
            let mut step = self.step(rules, &key, told);
            self.give_up(&mut node, &mut step);
            self.put_back(key, node);
        }
    }

    /// Those that have been waiting for the message just taken.
    fn take_held(&mut self, node: &mut Node, step: &mut Step<'_>) {
        if node.held.is_empty() {
            return;
        }
        let mut taken = false;
        loop {
            // The one in front has been taken: each is nearer by one.
            node.held =
                std::mem::take(&mut node.held).into_iter().map(|(by, held)| (by.saturating_sub(1), held)).collect();
            let Some(held) = node.held.remove(&0) else { break };
            self.take_one(node, held, step);
            node.next = node.next.map(after);
            taken = true;
        }
        if node.held.is_empty() {
            self.open_gaps = self.open_gaps.saturating_sub(1);
        } else if taken {
            // What is missing now is another one.
            node.gap_since = step.heard;
        }
    }

    /// What is missing will not come: goes on with what waits.
    fn give_up(&mut self, node: &mut Node, step: &mut Step<'_>) {
        if node.held.is_empty() {
            return;
        }
        self.open_gaps = self.open_gaps.saturating_sub(1);
        let held = std::mem::take(&mut node.held);
        let last = held.last_key_value().map_or(0, |(by, _)| *by);
        let missing = u32::from(last) + 1 - held.len() as u32;
        step.missing(node, missing);
        let next = node.next;
        for (_, held) in held {
            self.take_one(node, held, step);
        }
        node.next = next.map(|next| next.wrapping_add(last).wrapping_add(1));
    }

    fn take_one(&mut self, node: &mut Node, held: Held, step: &mut Step<'_>) {
        self.held_bytes = self.held_bytes.saturating_sub(held.payload.len());
        // It was read before it was held.
        let Ok(read) = Payload::decode(held.payload.as_slice()) else { return };
        step.take(node, held.kind, held.device.as_deref().unwrap_or_default(), &read, EventTime(held.received));
    }

    fn forget_held(&mut self, node: &mut Node) {
        if !node.held.is_empty() {
            self.open_gaps = self.open_gaps.saturating_sub(1);
            let bytes: usize = node.held.values().map(|held| held.payload.len()).sum();
            self.held_bytes = self.held_bytes.saturating_sub(bytes);
            node.held.clear();
        }
    }
}

enum Turn {
    Now,
    /// So many are before it.
    Ahead(u8),
    Past,
}

impl Node {
    /// Where a message stands in its node's count. One without a number is taken as it comes.
    fn turn(&mut self, seq: Option<u64>) -> Turn {
        let Some(seq) = seq else { return Turn::Now };
        let seq = seq as u8;
        let Some(next) = self.next else {
            self.next = Some(after(u64::from(seq)));
            return Turn::Now;
        };
        match seq.wrapping_sub(next) {
            0 => {
                self.next = Some(next.wrapping_add(1));
                Turn::Now
            }
            // What is a little behind came late, twice, or both.
            by if usize::from(by) >= 256 - MOST_HELD => Turn::Past,
            by => Turn::Ahead(by),
        }
    }
}

fn after(seq: impl Into<u64>) -> u8 {
    (seq.into() as u8).wrapping_add(1)
}

fn bd_seq(payload: &Payload) -> Option<u64> {
    let metric = payload.metrics.iter().find(|metric| metric.name.as_deref() == Some("bdSeq"))?;
    metric.value.as_ref().and_then(|value| metric::number(metric::datatype::UINT64, value)).map(|number| number as u64)
}

/// One message at work.
struct Step<'s> {
    rules: &'s Sparkplug,
    key: &'s NodeKey,
    heard: i64,
    /// Devices and metrics this node may have.
    room: usize,
    told: &'s mut Vec<Told>,
}

impl Step<'_> {
    fn refuse(&mut self, why: Rejection, values: u32, what: impl FnOnce() -> String) {
        // One message can have thousands, and each reason is told once.
        if let Some(Told::Refused(last, count, _)) = self.told.last_mut()
            && *last == why
        {
            *count = count.saturating_add(values);
            return;
        }
        self.told.push(Told::Refused(why, values, what()));
    }

    fn take(&mut self, node: &mut Node, kind: Kind, device: &str, payload: &Payload, received: EventTime) {
        match kind {
            Kind::Birth => {
                self.birth(node, device, payload, received);
                if !node.born {
                    self.ask(node);
                }
            }
            Kind::Data => self.data(node, device, payload, received),
            Kind::Death => {
                if let Some(dead) = node.devices.get_mut(device) {
                    dead.alive = false;
                    node.aliases.retain(|_, (of, _)| of != device);
                    tracing::info!(node = %self.key, device, "Sparkplug device says it is gone");
                }
            }
            Kind::Command => {}
        }
    }

    fn died(&mut self, node: &mut Node) {
        node.born = false;
        node.next = None;
        node.asked = None;
        node.aliases.clear();
        for device in node.devices.values_mut() {
            device.alive = false;
        }
        tracing::info!(node = %self.key, "Sparkplug node is gone, and with it its devices");
    }

    fn birth(&mut self, node: &mut Node, device: &str, payload: &Payload, received: EventTime) {
        node.aliases.retain(|_, (of, _)| of != device);
        let before = node.devices.get(device).map_or(0, Device::known);
        let others = node.known.saturating_sub(before);
        let most = self.rules.max_metrics;
        // The device is one itself: names without metrics take room as well.
        let Some(mut room) = self.room.checked_sub(others + 1) else {
            let what = format!(
                "sparkplug.max_metrics allows no more than {most}, and device {:?} of {} is one more",
                short(device),
                self.key
            );
            return self.refuse(Rejection::TooMany, 1, || what);
        };
        let mut born = Device { alive: true, metrics: BTreeMap::new() };
        let mut first = Vec::new();
        for metric in &payload.metrics {
            let Some(name) = metric.name.as_deref().filter(|name| !name.is_empty() && name.len() <= MAX_NAME_BYTES)
            else {
                self.refuse(Rejection::BadName, 1, || {
                    format!("a metric in a birth has no name, or one of more than {MAX_NAME_BYTES} bytes")
                });
                continue;
            };
            if is_control(name) {
                continue;
            }
            if room == 0 {
                let what = format!(
                    "sparkplug.max_metrics allows no more than {most} in all; {:?} of {} is one more",
                    short(name),
                    self.key
                );
                self.refuse(Rejection::TooMany, 1, || what);
                continue;
            }
            room -= 1;
            if let Some(alias) = metric.alias {
                match node.aliases.get(&alias) {
                    // Whichever it meant, a value would go to the wrong machine.
                    Some((of, other)) if (of.as_str(), other.as_str()) != (device, name) => {
                        let what =
                            format!("alias {alias} is that of {:?} of device {:?} already", short(other), short(of));
                        self.refuse(Rejection::Unreadable, 1, || what);
                    }
                    _ => drop(node.aliases.insert(alias, (device.to_owned(), name.to_owned()))),
                }
            }
            let properties = metric.properties.as_ref();
            let unit = properties.and_then(metric::unit).map(|unit| unit.chars().take(64).collect());
            let datatype = metric.datatype.unwrap_or_else(|| metric::assumed(metric.value.as_ref()));
            born.metrics.insert(name.to_owned(), Known { datatype, unit });
            // A value that is not there yet is no fault in a birth.
            if metric.value.is_some() && metric.is_null != Some(true) {
                first.push((name, metric, properties.and_then(metric::range)));
            }
        }
        for (name, metric, range) in first {
            if let Some(known) = born.metrics.get(name) {
                self.value(device, name, known, metric, range, payload.timestamp, received);
            }
        }
        node.known = others + born.known();
        node.devices.insert(device.to_owned(), born);
    }

    fn data(&mut self, node: &mut Node, device: &str, payload: &Payload, received: EventTime) {
        let values = u32::try_from(payload.metrics.len()).unwrap_or(u32::MAX).max(1);
        let known = node.devices.get(device).filter(|device| device.alive);
        let Some(known) = known else {
            let what = format!("{} {device}: data without a birth that says what they are", self.key);
            self.refuse(Rejection::NoBirth, values, || what);
            self.ask(node);
            return;
        };
        let mut unknown = 0;
        for metric in &payload.metrics {
            let name = match (metric.alias.and_then(|alias| node.aliases.get(&alias)), metric.name.as_deref()) {
                (Some((of, name)), _) if of == device => name.as_str(),
                (Some((of, name)), _) => {
                    let what =
                        format!("an alias in data of {device:?} is that of {:?} of {:?}", short(name), short(of));
                    self.refuse(Rejection::Unreadable, 1, || what);
                    continue;
                }
                (None, Some(name)) if is_control(name) => continue,
                (None, Some(name)) => name,
                (None, None) => {
                    unknown += 1;
                    continue;
                }
            };
            match known.metrics.get(name) {
                Some(of_birth) => self.value(device, name, of_birth, metric, None, payload.timestamp, received),
                None => unknown += 1,
            }
        }
        if unknown > 0 {
            let what = format!("{} {device}: metrics that no birth has named", self.key);
            self.refuse(Rejection::NoBirth, unknown, || what);
            self.ask(node);
        }
    }

    #[expect(clippy::too_many_arguments, reason = "a value, and everything that says what it is")]
    fn value(
        &mut self,
        device: &str,
        name: &str,
        known: &Known,
        metric: &Metric,
        range: Option<(f64, f64)>,
        sent: Option<u64>,
        received: EventTime,
    ) {
        if !metric::is_number(known.datatype) || (device.is_empty() && !self.rules.node_metrics) {
            return;
        }
        if metric.is_historical == Some(true) {
            return self
                .refuse(Rejection::Historical, 1, || format!("{name} was kept back by the sender and is history"));
        }
        let value = match &metric.value {
            Some(value) if metric.is_null != Some(true) => metric::number(known.datatype, value),
            _ => return self.refuse(Rejection::BadQuality, 1, || format!("{name} has no value (null)")),
        };
        let Some(value) = value else {
            return self
                .refuse(Rejection::Unreadable, 1, || format!("{name} is no number, and its birth says it is one"));
        };
        let at = match metric.timestamp.or(sent) {
            None => Some(received),
            Some(ms) => metric::time(ms),
        };
        let Some(at) = at else {
            return self.refuse(Rejection::BadTime, 1, || format!("the time of {name} is none"));
        };
        self.told.push(Told::Value(NamedValue {
            asset: self.rules.asset_name(self.key, device),
            area: self.key.to_string(),
            point: name.to_owned(),
            unit: known.unit.clone(),
            range,
            at,
            value,
            quality: metric::quality(metric),
        }));
    }

    /// So many messages of the node never came.
    fn missing(&mut self, node: &mut Node, count: u32) {
        let what = format!("{}: {count} messages are missing in its sequence", self.key);
        self.refuse(Rejection::SequenceGap, count.max(1), || what);
        if self.rules.rebirth {
            // One of them may have been a birth.
            node.aliases.clear();
            for device in node.devices.values_mut() {
                device.alive = false;
            }
            self.ask(node);
        }
    }

    fn ask(&mut self, node: &mut Node) {
        let again = node.asked.is_none_or(|asked| self.heard.saturating_sub(asked) >= ASK_AGAIN_US);
        if self.rules.rebirth && again {
            node.asked = Some(self.heard);
            self.told.push(Told::Rebirth(self.key.clone()));
        }
    }
}

/// Metrics by which a node is steered, and the number of its connection.
fn is_control(name: &str) -> bool {
    name == "bdSeq" || name.starts_with("Node Control/") || name.starts_with("Device Control/")
}
