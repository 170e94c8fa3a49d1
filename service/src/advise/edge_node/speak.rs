//! The edge node's connection: births, data, deaths, as sections 5 and 6 of the Sparkplug specification 3.0.0 have them.
//!
//! The will is the NDEATH with the number of this connection (`bdSeq`), which goes up by one with each and is kept in the
//! state folder over a restart. After connecting: NBIRTH with `seq` 0, a DBIRTH for every asset known, then a DDATA with
//! what changed whenever the board has a new word. A command `Node Control/Rebirth` brings the births again. All at QoS 0
//! and not retained.
//!
//! A birth says what holds now, never history. What changed while there was no connection follows it as DDATA with
//! `is_historical` ([`super::backlog`]); so does, while the readings of an outage are being caught up with, what is said of
//! that time: a host must not take a state of three hours ago for the present one. When the readings are up to date again,
//! whatever the host does not have as its present is said once more without the flag.

use super::backlog::Backlog;
use super::catching_up::CatchingUp;
use super::metrics::{Word, birth_number, words};
use crate::acquire::mqtt::anew::Anew;
use crate::acquire::mqtt::link::{
    About, Content, LinkEvent, LinkFault, LinkOptions, Message, MqttLink, NotTaken, Publication, Requests,
};
use crate::acquire::mqtt::settings::{BrokerSettings, Clock};
use crate::acquire::sparkplug::payload::{Metric, Payload, Value};
use crate::acquire::sparkplug::{NAMESPACE, NodeKey, datatype};
use crate::board::Standing;
use crate::status::Status;
use prost::Message as _;
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::pin::pin;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// File in the state folder with the number of the last connection.
const BD_SEQ_FILE: &str = "sparkplug-bdseq";
const REBIRTH: &str = "Node Control/Rebirth";
/// What could not be sent, because the client's queue was full, is tried again after this.
const TRY_AGAIN: Duration = Duration::from_millis(500);
/// Messages of the past said at a time, so that the present is not kept waiting behind them.
const PAST_AT_ONCE: usize = 100;

/// Everything the edge node needs.
pub struct EdgeNode {
    /// The broker, as for the other connections.
    pub broker: BrokerSettings,
    /// Its name.
    pub key: NodeKey,
    /// With the board of what there is to say.
    pub status: Arc<Status>,
    /// State folder.
    pub state_dir: PathBuf,
    /// Turns true when the daemon stops.
    pub stop: watch::Receiver<bool>,
    /// Our clock.
    pub now: fn() -> EventTime,
}

/// One connection's memory.
#[derive(Default)]
struct Session {
    bd_seq: u8,
    connected: Option<Instant>,
    /// The NBIRTH is out.
    born: bool,
    seq: u8,
    /// What the host knows of each device.
    said: BTreeMap<Arc<str>, Said>,
    /// Something did not go out.
    again: bool,
}

/// What the host knows of a device.
struct Said {
    /// What these words are of; the same one has nothing new.
    standing: Arc<Standing>,
    /// The present, as the host has it.
    now: Vec<Word>,
    /// The newest words; others than `now` while they were said as history.
    last: Vec<Word>,
}

/// What outlives a connection.
#[derive(Default)]
struct Memory {
    /// A host may have heard us.
    spoken: bool,
    /// The words after which others are news, said or kept.
    noted: BTreeMap<Arc<str>, (Arc<Standing>, Vec<Word>)>,
    backlog: Backlog,
    catching_up: CatchingUp,
}

impl EdgeNode {
    /// Runs until told to stop.
    pub async fn run<L: MqttLink>(mut self) {
        let id = format!("{}-edge", self.broker.client_id);
        let mut anew = Anew::new("Sparkplug edge node", "", &self.broker, &id);
        let mut bd_seq = self.next_bd_seq();
        let mut memory = Memory::default();
        while !*self.stop.borrow() {
            let mut session = Session { bd_seq, ..Session::default() };
            let options = LinkOptions {
                client_id: id.clone(),
                session_expiry_secs: 0,
                manual_acks: false,
                will: Some(Publication {
                    about: About { content: Content::Binary, ..About::default() },
                    ..self.death(&session)
                }),
                ..LinkOptions::reader(&self.broker, true, self.now)
            };
            let (mut link, requests) = L::open(&options);
            let Some(fault) = self.converse(&mut link, &requests, &mut session, &mut memory).await else { return };
            if session.connected.is_some() {
                memory.backlog.lost(Instant::now(), self.broker.watchdog());
            }
            // The broker has this will and says it; one that never heard of it does not.
            if session.connected.is_some() {
                bd_seq = self.next_bd_seq();
            }
            let mut changes = self.status.board.changes();
            let mut stop = self.stop.clone();
            let mut wait = pin!(anew.wait(fault, session.connected, &mut stop));
            loop {
                tokio::select! {
                    go_on = &mut wait => match go_on {
                        true => break,
                        false => return,
                    },
                    _ = changes.changed() => self.note(&mut memory),
                }
            }
        }
    }

    /// Until the link fails (how) or the daemon stops (`None`).
    async fn converse<L: MqttLink>(
        &mut self,
        link: &mut L,
        requests: &L::Requests,
        session: &mut Session,
        memory: &mut Memory,
    ) -> Option<LinkFault> {
        let mut events = Vec::new();
        let mut leaving = false;
        let mut stop = self.stop.clone();
        let mut changes = self.status.board.changes();
        loop {
            let polled = {
                let mut poll = pin!(link.poll(&mut events));
                let mut watchdog = pin!(tokio::time::sleep(self.broker.watchdog()));
                loop {
                    tokio::select! {
                        polled = &mut poll => break polled,
                        () = &mut watchdog => return (!leaving).then(|| LinkFault::Hung(self.broker.watchdog())),
                        _ = changes.changed(), if !leaving => self.speak(requests, session, memory),
                        () = tokio::time::sleep(TRY_AGAIN), if session.again && !leaving => self.speak(requests, session, memory),
                        _ = stop.wait_for(|stop| *stop), if !leaving => {
                            leaving = true;
                            session.connected?;
                            // A clean end suppresses the will, so it is said by hand.
                            let _ = requests.try_publish(&self.death(session));
                            if requests.try_disconnect().is_err() {
                                return None;
                            }
                            watchdog.as_mut().reset(tokio::time::Instant::now() + Duration::from_secs(2));
                        }
                    }
                }
            };
            for event in events.drain(..) {
                self.take(event, requests, session, memory);
            }
            match polled {
                Ok(()) => {}
                Err(_) if leaving => return None,
                Err(fault) => return Some(fault),
            }
        }
    }

    fn take<R: Requests>(&mut self, event: LinkEvent, requests: &R, session: &mut Session, memory: &mut Memory) {
        match event {
            LinkEvent::Connected { .. } => {
                session.connected = Some(Instant::now());
                tracing::info!(node = %self.key, bd_seq = session.bd_seq, "Sparkplug edge node connected");
                let filter = self.topic("NCMD", None);
                if requests.try_subscribe(&filter).is_err() {
                    tracing::error!(filter, "commands to this Sparkplug node cannot be asked for");
                }
                self.speak(requests, session, memory);
            }
            LinkEvent::Message(message) if asks_rebirth(&message) => {
                tracing::info!(node = %self.key, "a Sparkplug host asks for a rebirth");
                (session.born, session.seq) = (false, 0);
                session.said.clear();
                self.speak(requests, session, memory);
            }
            LinkEvent::Subscribed(Err(reason)) => {
                tracing::error!(
                    reason,
                    "the broker refused the commands to this Sparkplug node; check its access rules"
                );
            }
            _ => {}
        }
    }

    /// Says what the host does not know yet. What does not go into the client's queue is said the next time: a number of the
    /// sequence is used up by what went out alone.
    fn speak<R: Requests>(&self, requests: &R, session: &mut Session, memory: &mut Memory) {
        if session.connected.is_none() {
            return self.note(memory);
        }
        memory.backlog.settle(Instant::now(), self.broker.watchdog());
        session.again = match self.try_speak(requests, session, memory) {
            // What was said as history is to be said as the present when the readings have caught up.
            Ok(()) => memory.backlog.len() > 0 || session.said.values().any(|said| said.now != said.last),
            Err(NotTaken::Full) => {
                self.note(memory);
                true
            }
            Err(NotTaken::Invalid) => {
                tracing::error!(node = %self.key, "a topic of this Sparkplug node cannot be published on");
                false
            }
        };
    }

    fn try_speak<R: Requests>(&self, requests: &R, session: &mut Session, memory: &mut Memory) -> Result<(), NotTaken> {
        let now = self.millis();
        if !session.born {
            let rebirth = Metric {
                name: Some(REBIRTH.into()),
                timestamp: now,
                datatype: Some(datatype::BOOLEAN),
                value: Some(Value::Boolean(false)),
                ..Metric::default()
            };
            self.send(requests, session, "NBIRTH", None, vec![birth_number(session.bd_seq, now), rebirth])?;
            session.born = true;
            memory.spoken = true;
        }
        let past = self.is_past(memory);
        for (asset, standing) in self.standings() {
            let at = millis_of(&standing).or(now).unwrap_or_default();
            match session.said.get_mut(&asset) {
                // The readings may have caught up since, and then it is still to be said as the present.
                Some(said) if Arc::ptr_eq(&said.standing, &standing) && (past || said.now == said.last) => continue,
                Some(said) => {
                    let words = words(&standing);
                    let fresh = news(&words, if past { &said.last } else { &said.now });
                    if !fresh.is_empty() {
                        let metrics = fresh
                            .iter()
                            .map(|word| Metric { is_historical: past.then_some(true), ..word.metric(Some(at), false) });
                        let metrics = metrics.collect();
                        self.send(requests, session, "DDATA", Some(&asset), metrics)?;
                        memory.backlog.sent(&asset, at, fresh, Instant::now());
                    }
                    memory.noted.insert(asset.clone(), (standing.clone(), words.clone()));
                    if let Some(said) = session.said.get_mut(&asset) {
                        said.standing = standing;
                        if !past {
                            said.now.clone_from(&words);
                        }
                        said.last = words;
                    }
                }
                None => {
                    let words = words(&standing);
                    let metrics = words.iter().map(|word| word.metric(Some(at), true)).collect();
                    self.send(requests, session, "DBIRTH", Some(&asset), metrics)?;
                    // A birth is said again with every connection, so only what was kept of its time is settled by it.
                    memory.backlog.sent(&asset, at, Vec::new(), Instant::now());
                    memory.noted.insert(asset.clone(), (standing.clone(), words.clone()));
                    session.said.insert(asset, Said { standing, now: words.clone(), last: words });
                }
            }
        }
        self.say_the_past(requests, session, memory)
    }

    /// What was kept, as history, of devices that are born.
    fn say_the_past<R: Requests>(
        &self,
        requests: &R,
        session: &mut Session,
        memory: &mut Memory,
    ) -> Result<(), NotTaken> {
        for _ in 0..PAST_AT_ONCE {
            let Some((asset, at, words)) = memory.backlog.first() else { break };
            if session.said.contains_key(asset) {
                let metrics =
                    words.iter().map(|word| Metric { is_historical: Some(true), ..word.metric(Some(at), false) });
                let (asset, metrics) = (asset.clone(), metrics.collect());
                self.send(requests, session, "DDATA", Some(&asset), metrics)?;
            }
            memory.backlog.first_sent(Instant::now());
        }
        if memory.backlog.len() == 0 && memory.backlog.dropped > 0 {
            tracing::warn!(
                node = %self.key,
                dropped = std::mem::take(&mut memory.backlog.dropped),
                "the Sparkplug host was away for longer than its history has room for: the oldest values are left out of it"
            );
        }
        Ok(())
    }

    /// Keeps what nobody hears. Before the first birth there is nobody who misses it.
    fn note(&self, memory: &mut Memory) {
        if !memory.spoken {
            return;
        }
        let now = self.millis();
        for (asset, standing) in self.standings() {
            let before = memory.noted.get(&asset);
            if before.is_some_and(|(noted, _)| Arc::ptr_eq(noted, &standing)) {
                continue;
            }
            let words = words(&standing);
            let fresh = before.map_or_else(|| words.clone(), |(_, before)| news(&words, before));
            memory.backlog.hold(&asset, millis_of(&standing).or(now).unwrap_or_default(), fresh);
            memory.noted.insert(asset, (standing, words));
        }
    }

    /// Before its first condition document there is nothing to say of a machine.
    fn standings(&self) -> impl Iterator<Item = (Arc<str>, Arc<Standing>)> {
        self.status.board.all().into_iter().filter(|(_, standing)| standing.condition.is_some())
    }

    /// Whether the readings that are worked on are of an outage. A recording that is played through a broker is of its own
    /// time, and nothing in it is late.
    fn is_past(&self, memory: &mut Memory) -> bool {
        match self.status.vitals.stream_time.get() {
            Some(by) if self.broker.clock == Clock::Wall => {
                memory.catching_up.look((self.now)().secs_since(by), Instant::now())
            }
            _ => false,
        }
    }

    fn send<R: Requests>(
        &self,
        requests: &R,
        session: &mut Session,
        kind: &str,
        device: Option<&str>,
        metrics: Vec<Metric>,
    ) -> Result<(), NotTaken> {
        let payload = Payload { timestamp: self.millis(), metrics, seq: Some(session.seq.into()) };
        requests.try_publish(&self.publication(kind, device, &payload))?;
        session.seq = session.seq.wrapping_add(1);
        Ok(())
    }

    fn publication(&self, kind: &str, device: Option<&str>, payload: &Payload) -> Publication {
        Publication {
            topic: self.topic(kind, device),
            payload: payload.encode_to_vec(),
            retain: false,
            correlation: None,
            about: About { content: Content::Binary, unconfirmed: true, ..About::default() },
        }
    }

    /// It has no `seq`: as a will it is written before anything is counted.
    fn death(&self, session: &Session) -> Publication {
        let now = self.millis();
        self.publication(
            "NDEATH",
            None,
            &Payload { timestamp: now, metrics: vec![birth_number(session.bd_seq, now)], seq: None },
        )
    }

    fn topic(&self, kind: &str, device: Option<&str>) -> String {
        let device = device.map(|device| format!("/{}", crate::advise::topics::topic_safe(device))).unwrap_or_default();
        format!("{NAMESPACE}/{}/{kind}/{}{device}", self.key.group, self.key.node)
    }

    fn millis(&self) -> Option<u64> {
        u64::try_from((self.now)().0 / 1000).ok()
    }

    /// The number after the last connection's. A file that cannot be written is told and costs no more than that a host may
    /// take an old death for this one's.
    fn next_bd_seq(&self) -> u8 {
        let path = self.state_dir.join(BD_SEQ_FILE);
        let last = std::fs::read_to_string(&path).ok().and_then(|text| text.trim().parse::<u8>().ok());
        let next = last.map_or(0, |last| last.wrapping_add(1));
        if let Err(error) = std::fs::write(&path, format!("{next}\n")) {
            tracing::warn!(file = %path.display(), %error, "the number of this Sparkplug connection cannot be kept");
        }
        next
    }
}

fn millis_of(standing: &Standing) -> Option<u64> {
    let condition = standing.condition.as_ref().map(|condition| condition.at);
    let life = standing.life.as_ref().map(|(at, _)| *at);
    let newest = condition.into_iter().chain(life).chain(standing.alerts.values().map(|alert| alert.at)).max()?;
    u64::try_from(newest.0 / 1000).ok().filter(|ms| *ms > 0)
}

/// Those of `words` that are others than `before`.
fn news(words: &[Word], before: &[Word]) -> Vec<Word> {
    words.iter().zip(before).filter(|(word, before)| word != before).map(|(word, _)| word.clone()).collect()
}

fn asks_rebirth(message: &Message) -> bool {
    // A retained command is an old one.
    let read = (!message.retain).then(|| Payload::decode(message.payload.clone()).ok()).flatten();
    read.is_some_and(|payload| {
        payload.metrics.iter().any(|m| m.name.as_deref() == Some(REBIRTH) && m.value == Some(Value::Boolean(true)))
    })
}
