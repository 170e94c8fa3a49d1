//! From the journal to the engine and out again: one router, then the shards, each with the engine of its assets.
//!
//! Everything here runs on plain threads, since it computes and does not wait for the network. The chain is
//! journal → router → shards → keeper; each arrow is a bounded channel, a full one makes its sender wait, and so a
//! slow engine or disk is felt by the broker through acknowledgements that do not come.

mod shard;

pub use shard::{LOOKS_AHEAD, Shard, look_ahead};

use crate::acquire::mqtt::link::{About, Publication};
use crate::acquire::mqtt::{Entry, Message, ReplyTo, backoff::fnv1a};
use crate::acquire::sparkplug::NodeKey;
use crate::acquire::{AssetId, Rejection};
use crate::advise::publish::Documents;
use crate::engine::{Event, Output};
use crate::keep::{Changed, Order, Record};
use crate::status::Status;
use crate::vitals::{Census, Worker};
use bytes::Bytes;
use roundsman_models::EventTime;
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// What the edge made of one message.
#[derive(Debug, Default)]
pub struct Routed {
    /// Events in order: definitions before the first observation that needs them, ticks where time passes them.
    pub events: Vec<Event>,
    /// What of it could not be used, value by value; the first of each reason with a detail for the person who looks.
    pub rejected: Vec<(Rejection, String)>,
    /// The message was a command that cannot be carried out.
    pub refused: Option<RefusedCommand>,
    /// Readings of earlier messages that were held until now and are refused.
    pub held_back: Vec<(Rejection, String)>,
    /// Reasons of which `rejected` has a detail already, a bit each.
    told: u32,
    /// Sparkplug nodes that should say again what they have. Asked live only: what is applied again asks nobody.
    pub rebirths: Vec<NodeKey>,
    /// Reply topic named in a command's payload; the response topic of MQTT 5 goes before it.
    pub reply_to: Option<String>,
    /// The reply topic is one of ours: nothing is said there.
    pub reply_barred: bool,
}

impl Routed {
    /// Counts `values` that could not be used. `detail` is asked for once per reason: one payload can have thousands.
    pub fn reject(&mut self, reason: Rejection, values: u32, detail: impl Fn() -> String) {
        if self.rejected.is_empty() {
            self.told = 0;
        }
        let bit = 1 << reason as u32;
        for _ in 0..values {
            // An empty text allocates nothing.
            let fresh = self.told & bit == 0;
            self.rejected.push((reason, if fresh { detail() } else { String::new() }));
            self.told |= bit;
        }
    }
}

/// A command that did not reach the engine.
#[derive(Debug, Clone, PartialEq)]
pub struct RefusedCommand {
    /// Asset, when the topic names a known one.
    pub asset: Option<String>,
    /// Who, when the payload says.
    pub by: String,
    /// What was asked, as it came.
    pub action: String,
    /// Why not.
    pub why: String,
}

/// The edge: topics and payloads in, events out. Owns the registry and the stream's clock, and is as repeatable as
/// the engine: the same entries give the same events.
pub trait Edge: Send + 'static {
    /// Appends what `message` means to `out`. Never called for a retained or a cut message.
    fn message(&mut self, message: &Message, out: &mut Routed);
    /// Appends what somebody did on the page. Their right to it was settled there.
    fn asked(&mut self, _message: &Message, _out: &mut Routed) {}
    /// The stream was silent for `micros`: time passes.
    fn idle(&mut self, micros: i64, out: &mut Routed);
    /// Begins under a recorded configuration instead of the one it was made with. Before [`Edge::restore`].
    fn begin(&mut self, _recorded: &str) -> Result<(), String> {
        Ok(())
    }
    /// Another configuration from here on; appends the definitions that changed. `false` when it is the one in effect. On
    /// an error nothing changes.
    fn configure(&mut self, _recorded: &str, _events: &mut Vec<Event>) -> Result<bool, String> {
        Ok(false)
    }
    /// The stream's time.
    fn now(&self) -> Option<EventTime>;
    /// Everything [`Edge::restore`] needs.
    fn save(&self) -> Vec<u8>;
    /// Takes over what an earlier run saved and appends a definition of every registered asset.
    fn restore(&mut self, saved: Option<&[u8]>, defined: &mut Vec<Event>) -> Result<(), String>;
}

/// The engine of one shard.
pub trait Machine: Send + 'static {
    /// One step.
    fn step(&mut self, event: &Event, out: &mut Vec<Output>);
    /// The state of every asset it knows, by name.
    fn save(&self) -> Vec<(AssetId, String, Vec<u8>)>;
    /// Takes over an asset's saved state, after its definition. On an error the asset begins anew.
    fn restore(&mut self, asset: AssetId, name: &str, saved: &[u8]) -> Result<(), String>;
    /// Gives an asset's state away and forgets it: its group has a home in another shard from now on.
    fn release(&mut self, _asset: AssetId) -> Option<Vec<u8>> {
        None
    }
    /// How many assets are learning and how many are monitored.
    fn census(&self) -> Census {
        Census::default()
    }
}

/// Where a command came from.
#[derive(Debug, Clone)]
pub struct Origin {
    topic: Arc<str>,
    position: u64,
    part: u32,
    received: EventTime,
    reply_to: Option<ReplyTo>,
    /// By this its giver waits for the outcome, when it was given on the page.
    given: Option<Bytes>,
}

/// What a shard is told.
pub enum ToShard {
    /// Step these; the commands among them by index.
    Events(Vec<Event>, Vec<(usize, Origin)>),
    /// Take over a saved state.
    Restore(AssetId, String, Vec<u8>),
    /// Give an asset's state away.
    Release(AssetId, SyncSender<Option<Vec<u8>>>),
    /// Save everything as of this journal position.
    Snapshot(u64),
    /// What the journal held at the start is applied.
    Recovered,
}

/// Events gathered for a shard, and the commands among them by index.
type ForShard = (Vec<Event>, Vec<(usize, Origin)>);

/// The router.
pub struct Router<E> {
    /// The edge.
    pub edge: E,
    /// The shards. Full: the router waits.
    pub shards: Vec<SyncSender<ToShard>>,
    /// The keeper. Full: the router waits; the keeper waits for nobody.
    pub orders: mpsc::Sender<Order>,
    /// Wording.
    pub documents: Arc<dyn Documents>,
    /// Counters.
    pub status: Arc<Status>,
    /// Snapshots are taken so often.
    pub snapshot_every: Duration,
    /// To the connection that asks Sparkplug nodes for a rebirth. Full or closed: not asked this time; the edge asks again.
    pub rebirths: Option<mpsc::Sender<NodeKey>>,
    /// The journal of before is applied: what comes now is new.
    live: bool,
    homes: HashMap<AssetId, usize>,
    batches: Vec<ForShard>,
    /// Saved states whose asset is not registered (any more, or not yet again), by name.
    unclaimed: HashMap<String, Vec<u8>>,
    applied: u64,
    saved: u64,
    last_snapshot: Instant,
    worker: Arc<Worker>,
}

/// A thread at the other end of a channel is gone: it failed, and the daemon is on its way down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gone;

impl<E: Edge> Router<E> {
    /// A router that has applied nothing yet.
    pub fn new(
        edge: E,
        shards: Vec<SyncSender<ToShard>>,
        orders: mpsc::Sender<Order>,
        documents: Arc<dyn Documents>,
        status: Arc<Status>,
        snapshot_every: Duration,
    ) -> Self {
        let batches = shards.iter().map(|_| Default::default()).collect();
        let homes = HashMap::new();
        let last_snapshot = Instant::now();
        let worker = status.vitals.worker("router");
        Self {
            edge,
            shards,
            orders,
            documents,
            status,
            snapshot_every,
            rebirths: None,
            live: false,
            homes,
            batches,
            unclaimed: HashMap::new(),
            applied: 0,
            saved: 0,
            last_snapshot,
            worker,
        }
    }

    /// Takes over what an earlier run saved at `position`. Gives the faults in words; none is fatal.
    pub fn restore(
        &mut self,
        position: u64,
        recorded: Option<&str>,
        intake: Option<&[u8]>,
        assets: Vec<(String, Vec<u8>)>,
    ) -> Result<Vec<String>, Gone> {
        (self.applied, self.saved) = (position, position);
        let mut faults = Vec::new();
        let mut defined = Vec::new();
        if let Some(recorded) = recorded
            && let Err(why) = self.edge.begin(recorded)
        {
            faults.push(format!("the configuration it ran under, so today's is taken for all of the journal: {why}"));
        }
        if let Err(why) = self.edge.restore(intake, &mut defined) {
            faults.push(format!("what the intake had registered: {why}"));
        }
        self.unclaimed = assets.into_iter().collect();
        for event in defined {
            self.send_home(event, None)?;
        }
        self.flush()?;
        // Claimed when the asset is registered again: a damaged registry does not cost what was learned.
        let unclaimed = self.unclaimed.keys().map(|name| format!("asset {name}: saved, but not registered (any more)"));
        faults.extend(unclaimed);
        Ok(faults)
    }

    /// Everything the journal held at the start has been applied.
    pub fn recovered(&mut self) -> Result<(), Gone> {
        self.live = true;
        for home in 0..self.shards.len() {
            self.tell(home, ToShard::Recovered)?;
        }
        self.worker.idle();
        self.order(Order::Recovered)
    }

    /// Works until the journal's side closes, then takes the last snapshots.
    pub fn run(mut self, journaled: &Receiver<(u64, Vec<Entry>)>) -> Result<(), Gone> {
        loop {
            self.worker.idle();
            let next = journaled.recv_timeout(self.snapshot_every);
            self.worker.busy();
            match next {
                Ok((position, entries)) => {
                    self.status.vitals.before_router.down();
                    self.apply(position, &entries)?;
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    let done = self.snapshot();
                    self.worker.idle();
                    return done;
                }
            }
            if self.last_snapshot.elapsed() >= self.snapshot_every {
                self.snapshot()?;
            }
        }
    }

    /// Applies one journal row.
    pub fn apply(&mut self, position: u64, entries: &[Entry]) -> Result<(), Gone> {
        let mut routed = Routed::default();
        for (part, entry) in (0..).zip(entries) {
            match entry {
                Entry::Message(message) => self.message(position, part, message, &mut routed)?,
                Entry::Asked(message) => self.asked(position, part, message, &mut routed)?,
                Entry::Idle(micros) => {
                    self.edge.idle(*micros, &mut routed);
                    self.route(None, &mut routed)?;
                }
                Entry::Configured(recorded) => {
                    match self.edge.configure(recorded, &mut routed.events) {
                        Ok(false) => {}
                        Ok(true) => {
                            tracing::info!(position, "the configuration of this place in the stream is in effect")
                        }
                        Err(why) => {
                            tracing::error!(
                                position,
                                why,
                                "a recorded configuration cannot be used any more; the one before goes on"
                            );
                        }
                    }
                    self.route(None, &mut routed)?;
                }
                Entry::Hole(hole) => self.order(Order::Records(vec![Record::Hole(*hole)]))?,
            }
        }
        self.applied = position;
        self.flush()?;
        self.worker.step();
        let messages = entries.iter().filter_map(|entry| match entry {
            Entry::Message(message) => Some(message.received),
            _ => None,
        });
        let vitals = &self.status.vitals;
        vitals.applied.add(messages.clone().count() as u64);
        if let Some(until) = messages.last() {
            vitals.applied_until.set(until);
        }
        if let Some(now) = self.edge.now() {
            vitals.stream_time.set(now);
        }
        Ok(())
    }

    fn message(&mut self, position: u64, part: u32, message: &Message, routed: &mut Routed) -> Result<(), Gone> {
        if message.retain {
            // The broker's memory from before we subscribed: neither fresh nor a fault.
            self.status.pass_over(message, Rejection::Retained, "kept by the broker: history, not a reading");
            return Ok(());
        }
        if message.cut {
            let detail = "larger than max_packet_bytes";
            self.status.dead_letter(message, Rejection::Unreadable, detail);
            return Ok(());
        }
        self.edge.message(message, routed);
        for (reason, detail) in routed.rejected.drain(..) {
            if detail.is_empty() {
                self.status.reject(reason);
            } else {
                self.status.dead_letter(message, reason, &detail);
            }
        }
        let in_payload = routed.reply_to.take().map(|topic| ReplyTo { topic, correlation: None });
        let barred = std::mem::take(&mut routed.reply_barred);
        let a_command = |event: &Event| matches!(event, Event::Command(..));
        if routed.refused.is_none() && !routed.events.iter().any(a_command) {
            return self.route(None, routed);
        }
        if barred {
            tracing::warn!(
                topic = message.topic,
                "a command asks for its answer on one of our own topics; none is given"
            );
        }
        let reply_to = message.reply_to.clone().or(in_payload).filter(|_| !barred);
        let topic = Arc::from(message.topic.as_str());
        let origin = Origin { topic, position, part, received: message.received, reply_to, given: None };
        self.command(&origin, routed)
    }

    fn asked(&mut self, position: u64, part: u32, message: &Message, routed: &mut Routed) -> Result<(), Gone> {
        self.edge.asked(message, routed);
        // What the command itself says of an answer is not followed: the answer is on the page.
        (routed.reply_to, routed.reply_barred) = (None, false);
        let topic = Arc::from(message.topic.as_str());
        let given = message.reply_to.as_ref().and_then(|to| to.correlation.clone());
        let origin = Origin { topic, position, part, received: message.received, reply_to: None, given };
        self.command(&origin, routed)
    }

    fn command(&mut self, origin: &Origin, routed: &mut Routed) -> Result<(), Gone> {
        if let Some(refused) = routed.refused.take() {
            self.status.commands.up();
            tracing::warn!(topic = &*origin.topic, by = refused.by, why = refused.why, "a command was refused");
            let payload = self.documents.answer(refused.asset.as_deref(), None, Err(&refused.why));
            let record = Record::Answer {
                position: origin.position,
                part: origin.part,
                at: self.edge.now(),
                received: origin.received,
                asset: refused.asset.map(Into::into),
                by: refused.by,
                note: None,
                action: refused.action,
                accepted: false,
                answer: refused.why,
                changed: Box::new(Changed {
                    topic: origin.topic.clone(),
                    old: None,
                    new: None,
                    given: origin.given.clone(),
                }),
                reply: origin.reply_to.as_ref().map(|to| reply(to, payload)),
            };
            self.order(Order::Records(vec![record]))?;
        }
        self.route(Some(origin), routed)
    }

    fn route(&mut self, origin: Option<&Origin>, routed: &mut Routed) -> Result<(), Gone> {
        for event in routed.events.drain(..) {
            self.send_home(event, origin)?;
        }
        for (reason, _) in routed.rejected.drain(..) {
            self.status.reject(reason);
        }
        for (reason, detail) in routed.held_back.drain(..) {
            self.status.refuse_held(reason, &detail);
        }
        for node in routed.rebirths.drain(..).filter(|_| self.live) {
            if let Some(rebirths) = &self.rebirths {
                let _ = rebirths.try_send(node);
            }
        }
        Ok(())
    }

    fn send_home(&mut self, event: Event, origin: Option<&Origin>) -> Result<(), Gone> {
        let mut claimed = None;
        let asset = match &event {
            Event::Tick(_) | Event::End(_) => {
                for (events, _) in &mut self.batches {
                    events.push(event.clone());
                }
                return Ok(());
            }
            Event::Define(asset, spec, settings) => {
                // By name, so that the same asset has the same shard whatever order the assets came in; by that of its
                // group, so that all of it has one.
                let name = settings.groups.home(&spec.name);
                let home = (fnv1a(name.as_bytes()) % self.shards.len().max(1) as u64) as usize;
                let moved = self.homes.insert(*asset, home).filter(|before| *before != home);
                let given = match moved {
                    Some(before) => self.release(before, *asset)?,
                    None => None,
                };
                self.status.assets.set(self.homes.len() as u64);
                claimed =
                    given.map(|saved| (spec.name.clone(), saved)).or_else(|| self.unclaimed.remove_entry(&spec.name));
                *asset
            }
            Event::Observed(observation) => {
                self.status.observed.up();
                observation.asset
            }
            Event::Command(asset, ..) => *asset,
            Event::Waveform(asset, ..) => {
                self.status.waveforms.up();
                *asset
            }
        };
        let home = self.homes.get(&asset).copied().unwrap_or(0);
        if let Some((events, commands)) = self.batches.get_mut(home) {
            if let (Event::Command(..), Some(origin)) = (&event, origin) {
                commands.push((events.len(), origin.clone()));
            }
            events.push(event);
        }
        if let Some((name, saved)) = claimed {
            // After its definition and before its first reading.
            self.flush()?;
            self.tell(home, ToShard::Restore(asset, name, saved))?;
        }
        Ok(())
    }

    /// Takes an asset's state from its shard. Waits until the shard has done what it was told before: it happens when the
    /// groups of a running plant are changed, and never else.
    fn release(&mut self, home: usize, asset: AssetId) -> Result<Option<Vec<u8>>, Gone> {
        self.flush()?;
        let (given, state) = std::sync::mpsc::sync_channel(1);
        self.tell(home, ToShard::Release(asset, given))?;
        state.recv().map_err(|_| Gone)
    }

    fn flush(&mut self) -> Result<(), Gone> {
        for home in 0..self.shards.len() {
            let Some((events, commands)) = self.batches.get_mut(home) else { continue };
            if !events.is_empty() {
                let told = ToShard::Events(std::mem::take(events), std::mem::take(commands));
                self.tell(home, told)?;
            }
        }
        Ok(())
    }

    fn snapshot(&mut self) -> Result<(), Gone> {
        self.last_snapshot = Instant::now();
        if self.applied == self.saved {
            return Ok(());
        }
        self.saved = self.applied;
        for home in 0..self.shards.len() {
            self.tell(home, ToShard::Snapshot(self.applied))?;
        }
        self.order(Order::Snapshot { position: self.applied, states: vec![("".into(), self.edge.save())] })
    }

    fn tell(&self, home: usize, told: ToShard) -> Result<(), Gone> {
        let shard = self.shards.get(home).ok_or(Gone)?;
        self.status.vitals.before_shards.up();
        let sent = shard.send(told).map_err(|_| Gone);
        self.worker.step();
        sent
    }

    fn order(&self, order: Order) -> Result<(), Gone> {
        self.orders.blocking_send(order).map_err(|_| Gone)
    }
}

fn reply(to: &ReplyTo, payload: Vec<u8>) -> Publication {
    Publication {
        topic: to.topic.clone(),
        payload,
        retain: false,
        correlation: to.correlation.clone(),
        about: About::default(),
    }
}
