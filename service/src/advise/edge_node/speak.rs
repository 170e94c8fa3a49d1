//! The edge node's connection: births, data, deaths, as sections 5 and 6 of the Sparkplug specification 3.0.0 have them.
//!
//! The will is the NDEATH with the number of this connection (`bdSeq`), which goes up by one with each and is kept in the
//! state folder over a restart. After connecting: NBIRTH with `seq` 0, a DBIRTH for every asset known, then a DDATA with
//! what changed whenever the board has a new word. A command `Node Control/Rebirth` brings the births again. All at QoS 0
//! and not retained; what is said while nobody hears it stands in the next birth.

use super::metrics::{Word, birth_number, words};
use crate::acquire::mqtt::anew::Anew;
use crate::acquire::mqtt::link::{
    About, Content, LinkEvent, LinkFault, LinkOptions, Message, MqttLink, NotTaken, Publication, Requests,
};
use crate::acquire::mqtt::settings::BrokerSettings;
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
    said: BTreeMap<Arc<str>, Vec<Word>>,
    /// Something did not go out.
    again: bool,
}

impl EdgeNode {
    /// Runs until told to stop.
    pub async fn run<L: MqttLink>(mut self) {
        let id = format!("{}-edge", self.broker.client_id);
        let mut anew = Anew::new("Sparkplug edge node", "", &self.broker, &id);
        let mut bd_seq = self.next_bd_seq();
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
            let Some(fault) = self.converse(&mut link, &requests, &mut session).await else { return };
            // The broker has this will and says it; one that never heard of it does not.
            if session.connected.is_some() {
                bd_seq = self.next_bd_seq();
            }
            if !anew.wait(fault, session.connected, &mut self.stop).await {
                return;
            }
        }
    }

    /// Until the link fails (how) or the daemon stops (`None`).
    async fn converse<L: MqttLink>(
        &mut self,
        link: &mut L,
        requests: &L::Requests,
        session: &mut Session,
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
                        _ = changes.changed(), if !leaving => self.speak(requests, session),
                        () = tokio::time::sleep(TRY_AGAIN), if session.again && !leaving => self.speak(requests, session),
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
                self.take(event, requests, session);
            }
            match polled {
                Ok(()) => {}
                Err(_) if leaving => return None,
                Err(fault) => return Some(fault),
            }
        }
    }

    fn take<R: Requests>(&mut self, event: LinkEvent, requests: &R, session: &mut Session) {
        match event {
            LinkEvent::Connected { .. } => {
                session.connected = Some(Instant::now());
                tracing::info!(node = %self.key, bd_seq = session.bd_seq, "Sparkplug edge node connected");
                let filter = self.topic("NCMD", None);
                if requests.try_subscribe(&filter).is_err() {
                    tracing::error!(filter, "commands to this Sparkplug node cannot be asked for");
                }
                self.speak(requests, session);
            }
            LinkEvent::Message(message) if asks_rebirth(&message) => {
                tracing::info!(node = %self.key, "a Sparkplug host asks for a rebirth");
                (session.born, session.seq) = (false, 0);
                session.said.clear();
                self.speak(requests, session);
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
    fn speak<R: Requests>(&self, requests: &R, session: &mut Session) {
        if session.connected.is_none() {
            return;
        }
        session.again = match self.try_speak(requests, session) {
            Ok(()) => false,
            Err(NotTaken::Full) => true,
            Err(NotTaken::Invalid) => {
                tracing::error!(node = %self.key, "a topic of this Sparkplug node cannot be published on");
                false
            }
        };
    }

    fn try_speak<R: Requests>(&self, requests: &R, session: &mut Session) -> Result<(), NotTaken> {
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
        }
        // Before its first condition document there is nothing to say of a machine.
        let standings = self.status.board.all();
        for (asset, standing) in standings.into_iter().filter(|(_, standing)| standing.condition.is_some()) {
            let words = words(&standing);
            let at = millis_of(&standing).or(now);
            let (kind, metrics) = match session.said.get(&asset) {
                None => ("DBIRTH", words.iter().map(|word| word.metric(at, true)).collect()),
                Some(said) => {
                    let fresh = words.iter().zip(said).filter(|(word, said)| word != said);
                    ("DDATA", fresh.map(|(word, _)| word.metric(at, false)).collect::<Vec<_>>())
                }
            };
            if !metrics.is_empty() {
                self.send(requests, session, kind, Some(&asset), metrics)?;
                session.said.insert(asset, words);
            }
        }
        Ok(())
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

fn asks_rebirth(message: &Message) -> bool {
    // A retained command is an old one.
    let read = (!message.retain).then(|| Payload::decode(message.payload.clone()).ok()).flatten();
    read.is_some_and(|payload| {
        payload.metrics.iter().any(|m| m.name.as_deref() == Some(REBIRTH) && m.value == Some(Value::Boolean(true)))
    })
}
