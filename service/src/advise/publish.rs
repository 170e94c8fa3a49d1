//! The writer connection: sends what waits in the outbox, one document at a time, until the broker confirms it.
//!
//! The client crate forgets publishes with a lost session and cannot say which arrived, so nothing is entrusted to
//! it: a document leaves the outbox on disk only on its PUBACK with a good reason code. What was in flight when the
//! connection broke is sent again; its id lets a consumer drop the repeat. A document the broker refuses is tried
//! again later and holds up no other.

use super::diagnosis::{CaptureRequest, Diagnosis};
use super::document::{Alert, Condition, RemainingLife};
use crate::acquire::mqtt::backoff::Backoff;
use crate::acquire::mqtt::link::{LinkEvent, LinkFault, LinkOptions, MqttLink, NotTaken, Publication, Requests};
use crate::acquire::mqtt::settings::BrokerSettings;
use crate::engine::Command;
use crate::keep::Order;
use crate::keep::store::read_outbox;
use crate::status::{LinkState, Status};
use roundsman_models::EventTime;
use rusqlite::Connection;
use std::collections::{HashMap, VecDeque};
use std::pin::pin;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{Notify, mpsc, oneshot, watch};

/// Whether the service is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Presence {
    /// Running.
    Online,
    /// Gone: said by the broker when we vanish, and by ourselves when we stop.
    Offline,
}

/// How documents become topics and payloads.
pub trait Documents: Send + Sync + 'static {
    /// An alert's transition.
    fn alert(&self, alert: &Alert) -> Publication;
    /// The document of an alert, where what is published of it is something else: that is what is kept.
    fn alert_document(&self, _alert: &Alert) -> Option<Vec<u8>> {
        None
    }
    /// An asset's condition, retained.
    fn condition(&self, condition: &Condition) -> Publication;
    /// An asset's remaining life, retained.
    fn remaining_life(&self, asset: &str, at: EventTime, life: &RemainingLife) -> Publication;
    /// An asset's diagnosis, retained.
    fn diagnosis(&self, diagnosis: &Diagnosis) -> Publication;
    /// A request for waveforms.
    fn capture_request(&self, request: &CaptureRequest) -> Publication;
    /// The answer to a command; the topic is the sender's.
    fn answer(&self, asset: Option<&str>, command: Option<&Command>, outcome: Result<&str, &str>) -> Vec<u8>;
    /// The service's own state, retained. `status` is `None` for the will, which is fixed beforehand.
    fn service(&self, presence: Presence, status: Option<&Status>) -> Publication;
}

/// A document in the outbox.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiting {
    /// Its number there.
    pub number: i64,
    /// What to send.
    pub publication: Publication,
}

/// How the writer ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WriterEnd {
    /// Documents still in the outbox; they go out at the next start.
    pub left: u64,
    /// `offline` was confirmed by the broker.
    pub said_offline: bool,
}

/// What tells the writer to end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finish {
    /// Go on.
    No,
    /// Nothing more will be put into the outbox: empty it, say `offline`, leave; give up at this time.
    By(Instant),
}

/// Documents read from the outbox at a time. They leave it together, so a crash repeats at most this many.
const FETCH: u32 = 32;
/// With more refused ones than this the account plainly may not write; wait before asking the disk again.
const MANY_REFUSED: usize = 256;
/// The same fault is logged again only after this time.
const REPEAT_FAULT_LOG: Duration = Duration::from_secs(600);

/// Everything the writer needs.
pub struct Writer {
    /// Settings of the connection.
    pub broker: BrokerSettings,
    /// Wording.
    pub documents: Arc<dyn Documents>,
    /// Reads the outbox. A page or two from the cache: short enough for the task that polls.
    pub outbox: Connection,
    /// Told when the outbox changed.
    pub outbox_changed: Arc<Notify>,
    /// To the keeper. Full: the writer waits, the link is polled meanwhile.
    pub orders: mpsc::Sender<Order>,
    /// Recovery is over and the outbox may be sent.
    pub recovered: watch::Receiver<bool>,
    /// See [`Finish`].
    pub finish: watch::Receiver<Finish>,
    /// The service's state is published again after this.
    pub presence_every: Duration,
    /// A refused document is tried again after this.
    pub refused_again: Duration,
    /// Counters and states.
    pub status: Arc<Status>,
    /// Our clock.
    pub now: fn() -> EventTime,
}

#[derive(Debug, Clone, PartialEq)]
enum Item {
    Presence(Presence),
    Document(Waiting),
}

struct State {
    queue: VecDeque<Item>,
    in_flight: Option<Item>,
    confirmed: Vec<i64>,
    /// The keeper's answer to the last confirmed ones.
    confirming: Option<oneshot::Receiver<()>>,
    refused: HashMap<i64, Instant>,
    refused_told: Option<Instant>,
    outbox_may_have_more: bool,
    connected_since: Option<Instant>,
    presence_due: Instant,
    wait: Option<Duration>,
    last_fault: Option<(LinkFault, Instant)>,
    said_offline: bool,
    seconds: tokio::time::Interval,
}

impl Writer {
    /// Runs until told to finish.
    pub async fn run<L: MqttLink>(mut self) -> WriterEnd {
        let mut state = State {
            queue: VecDeque::new(),
            in_flight: None,
            confirmed: Vec::new(),
            confirming: None,
            refused: HashMap::new(),
            refused_told: None,
            outbox_may_have_more: true,
            connected_since: None,
            presence_due: Instant::now(),
            wait: None,
            last_fault: None,
            said_offline: false,
            seconds: tokio::time::interval(Duration::from_millis(500)),
        };
        state.seconds.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let id = self.broker.writer_id();
        let mut backoff = Backoff::new(self.broker.backoff_first, self.broker.backoff_most, &id);
        loop {
            let will = self.documents.service(Presence::Offline, None);
            let (link, requests) = L::open(&LinkOptions::writer(&self.broker, will, self.now));
            if self.with_link(link, requests, &mut state, &mut backoff).await {
                break;
            }
        }
        self.status.set_writer(LinkState::Closed);
        // Confirmed ones that the keeper has not deleted yet would only be sent twice; tell it and go.
        if !state.confirmed.is_empty() {
            let (done, deleted) = oneshot::channel();
            let numbers = std::mem::take(&mut state.confirmed);
            if self.orders.try_send(Order::Delivered(numbers, done)).is_ok() {
                let _ = tokio::time::timeout(Duration::from_secs(1), deleted).await;
            }
        }
        let left = self.outbox.query_row("SELECT count(*) FROM outbox", [], |row| row.get::<_, i64>(0));
        WriterEnd { left: left.unwrap_or(-1).unsigned_abs(), said_offline: state.said_offline }
    }

    /// True when the writer is to end, false when the link must be built anew.
    async fn with_link<L: MqttLink>(
        &mut self,
        mut link: L,
        requests: L::Requests,
        state: &mut State,
        backoff: &mut Backoff,
    ) -> bool {
        let mut events = Vec::new();
        loop {
            if let Some(pause) = state.wait.take() {
                let mut over = pin!(tokio::time::sleep(pause));
                loop {
                    if self.may_leave(state) {
                        return true;
                    }
                    tokio::select! {
                        () = &mut over => break,
                        () = self.everything_else(state) => {}
                    }
                }
            }
            let polled = self.poll_once(&mut link, &requests, &mut events, state).await;
            for event in events.drain(..) {
                self.take(event, state);
            }
            let fault = match polled {
                None => return true,
                Some(Ok(())) => continue,
                Some(Err(_)) if state.said_offline => return true,
                Some(Err(fault)) => fault,
            };
            let lasted = state.connected_since.take().map(|since| since.elapsed());
            // Nobody can say whether it arrived: again.
            if let Some(item) = state.in_flight.take()
                && !matches!(item, Item::Presence(_))
            {
                state.queue.push_front(item);
            }
            state.queue.retain(|item| !matches!(item, Item::Presence(_)));
            let pause = backoff.failed(lasted);
            self.report(&fault, pause, state);
            state.wait = Some(pause);
            if matches!(fault, LinkFault::Hung(_)) {
                return false;
            }
        }
    }

    async fn poll_once<L: MqttLink>(
        &mut self,
        link: &mut L,
        requests: &L::Requests,
        events: &mut Vec<LinkEvent>,
        state: &mut State,
    ) -> Option<Result<(), LinkFault>> {
        let mut poll = pin!(link.poll(events));
        let mut watchdog = pin!(tokio::time::sleep(self.broker.watchdog()));
        let mut disconnecting = false;
        loop {
            if self.may_leave(state) {
                return None;
            }
            if state.connected_since.is_some() {
                if state.said_offline && !disconnecting {
                    disconnecting = requests.try_disconnect().is_ok();
                    watchdog.as_mut().reset(tokio::time::Instant::now() + Duration::from_secs(2));
                } else if !state.said_offline {
                    self.fill_queue(state);
                    self.send_next(requests, state);
                }
            }
            tokio::select! {
                polled = &mut poll => return Some(polled),
                () = &mut watchdog => {
                    return if disconnecting { None } else { Some(Err(LinkFault::Hung(self.broker.watchdog()))) };
                }
                () = self.everything_else(state) => {}
            }
        }
    }

    /// Told to finish, and either out of time or without anything to say: what we would say about ourselves the will
    /// has said already when there is no connection.
    fn may_leave(&self, state: &State) -> bool {
        let Finish::By(deadline) = *self.finish.borrow() else { return false };
        Instant::now() >= deadline || (state.connected_since.is_none() && self.status.outbox.get() == 0)
    }

    /// One of: the outbox changed, the keeper has deleted, recovery is over, the daemon is to stop, time passed.
    async fn everything_else(&mut self, state: &mut State) {
        let recovered = *self.recovered.borrow();
        let finish = *self.finish.borrow();
        let out_of_time = async {
            match finish {
                Finish::By(deadline) => tokio::time::sleep_until(deadline.into()).await,
                Finish::No => std::future::pending().await,
            }
        };
        let confirming = async {
            match state.confirming.as_mut() {
                Some(deleted) => drop(deleted.await),
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            () = self.outbox_changed.notified() => state.outbox_may_have_more = true,
            () = confirming => {
                state.confirming = None;
                state.outbox_may_have_more = true;
            }
            _ = self.recovered.changed(), if !recovered => {}
            _ = self.finish.changed(), if finish == Finish::No => {}
            () = out_of_time => {}
            _ = state.seconds.tick() => {
                let now = Instant::now();
                if now >= state.presence_due && finish == Finish::No {
                    state.presence_due = now + self.presence_every;
                    if state.connected_since.is_some() {
                        state.queue.push_back(Item::Presence(Presence::Online));
                    }
                }
                let waiting = state.refused.len();
                state.refused.retain(|_, again| *again > now);
                state.outbox_may_have_more |= state.refused.len() < waiting;
            }
        }
    }

    /// Reads the next documents once the last ones are out of the outbox.
    fn fill_queue(&mut self, state: &mut State) {
        if !state.queue.is_empty() || state.in_flight.is_some() || state.confirming.is_some() {
            return;
        }
        if !state.confirmed.is_empty() {
            let (done, deleted) = oneshot::channel();
            let numbers = std::mem::take(&mut state.confirmed);
            match self.orders.try_send(Order::Delivered(numbers, done)) {
                Ok(()) => state.confirming = Some(deleted),
                // Busy with readings; at the next turn.
                Err(mpsc::error::TrySendError::Full(Order::Delivered(numbers, _))) => state.confirmed = numbers,
                Err(_) => {}
            }
            return;
        }
        if !*self.recovered.borrow() {
            return;
        }
        if state.outbox_may_have_more && state.refused.len() < MANY_REFUSED {
            state.outbox_may_have_more = false;
            match read_outbox(&self.outbox, FETCH + state.refused.len() as u32) {
                Ok(rows) => {
                    let fresh = rows.into_iter().filter(|row| !state.refused.contains_key(&row.number));
                    state.queue.extend(fresh.map(Item::Document));
                }
                Err(error) => {
                    tracing::error!(%error, "the outbox cannot be read; trying again");
                    state.outbox_may_have_more = true;
                    return;
                }
            }
        }
        if matches!(*self.finish.borrow(), Finish::By(_)) && state.queue.is_empty() {
            state.queue.push_back(Item::Presence(Presence::Offline));
        }
    }

    fn send_next<R: Requests>(&mut self, requests: &R, state: &mut State) {
        if state.in_flight.is_some() {
            return;
        }
        let Some(item) = state.queue.pop_front() else { return };
        let sent = match &item {
            Item::Presence(presence) => requests.try_publish(&self.documents.service(*presence, Some(&self.status))),
            Item::Document(waiting) => requests.try_publish(&waiting.publication),
        };
        match (sent, item) {
            (Ok(()), item) => state.in_flight = Some(item),
            (Err(NotTaken::Full), item) => state.queue.push_front(item),
            (Err(NotTaken::Invalid), Item::Document(waiting)) => {
                tracing::error!(topic = waiting.publication.topic, "not a topic one can publish on; document dropped");
                state.confirmed.push(waiting.number);
            }
            (Err(NotTaken::Invalid), Item::Presence(_)) => {
                tracing::error!("the service topic is not valid; nothing is said about the service");
                state.said_offline = matches!(*self.finish.borrow(), Finish::By(_));
            }
        }
    }

    fn take(&mut self, event: LinkEvent, state: &mut State) {
        match event {
            LinkEvent::Connected { .. } => {
                let (host, port) = (&self.broker.host, self.broker.port);
                tracing::info!(host, port, waiting = self.status.outbox.get(), "writer connected to the broker");
                self.status.writer_connects.up();
                self.status.set_writer(LinkState::Connected);
                state.connected_since = Some(Instant::now());
                state.last_fault = None;
                state.outbox_may_have_more = true;
                state.presence_due = Instant::now() + self.presence_every;
                if *self.finish.borrow() == Finish::No {
                    state.queue.push_front(Item::Presence(Presence::Online));
                }
            }
            LinkEvent::Delivered(outcome) => self.delivered(outcome, state),
            LinkEvent::Message(_) | LinkEvent::Subscribed(_) | LinkEvent::Unsubscribed => {}
        }
    }

    fn delivered(&mut self, outcome: Result<(), String>, state: &mut State) {
        // One at a time: whatever is confirmed is the one in flight.
        let Some(item) = state.in_flight.take() else { return };
        match (item, outcome) {
            (Item::Document(waiting), Ok(())) => {
                self.status.delivered.up();
                state.confirmed.push(waiting.number);
            }
            (Item::Presence(Presence::Offline), _) => state.said_offline = true,
            (Item::Presence(Presence::Online), Ok(())) => {}
            (item, Err(reason)) => {
                self.status.refused.up();
                let topic = match &item {
                    Item::Document(waiting) => waiting.publication.topic.clone(),
                    Item::Presence(presence) => self.documents.service(*presence, None).topic,
                };
                if let Item::Document(waiting) = item {
                    state.refused.insert(waiting.number, Instant::now() + self.refused_again);
                }
                if state.refused_told.is_none_or(|told| told.elapsed() >= REPEAT_FAULT_LOG) {
                    state.refused_told = Some(Instant::now());
                    tracing::error!(
                        topic,
                        reason,
                        "the broker refused a document of ours; it stays in the outbox. Allow this account to write \
                         under its prefix"
                    );
                }
            }
        }
    }

    fn report(&self, fault: &LinkFault, pause: Duration, state: &mut State) {
        self.status.set_writer(LinkState::Down(fault.to_string()));
        if state.last_fault.as_ref().is_some_and(|(last, at)| last == fault && at.elapsed() < REPEAT_FAULT_LOG) {
            return;
        }
        let (host, port) = (&self.broker.host, self.broker.port);
        match fault {
            LinkFault::Refused { .. } | LinkFault::Tls { .. } | LinkFault::TooLarge(_) => {
                tracing::error!(host, port, "writer: {fault}; trying again in {pause:.1?} and later, in silence");
            }
            LinkFault::Lost(_) | LinkFault::Hung(_) => {
                tracing::warn!(
                    host,
                    port,
                    "writer: broker lost: {fault}; alerts wait on disk, next try in {pause:.1?}"
                );
            }
        }
        state.last_fault = Some((fault.clone(), Instant::now()));
    }
}
