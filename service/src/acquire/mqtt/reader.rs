//! The reader connection: one task that polls, subscribes, hands messages on and acknowledges what became durable.
//!
//! Nothing in here waits for anything but the next thing to happen: requests are tried and kept when the client's
//! queue is full, messages wait in a backlog when the journal is busy. The backlog needs no limit for QoS 1, since
//! the broker stops at its window of unacknowledged messages (Debian 12's Mosquitto overruns the window, up to its
//! queue; so does the memory here, and not further). QoS 0 has no such bound and is dropped and counted beyond a limit.

use super::acks::{AckLedger, Arrival};
use super::backoff::Backoff;
use super::link::{LinkEvent, LinkFault, LinkOptions, Message, MqttLink, NotTaken, Requests};
use super::settings::{BrokerSettings, Clock};
use super::wanted::{Ask, Wanted};
use crate::keep::Order;
use crate::status::{Hole, LinkState, Status};
use crate::vitals::Worker;
use roundsman_models::EventTime;
use std::collections::VecDeque;
use std::pin::pin;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};

/// What the reader hands on, in order; the journal keeps it as it is.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    /// A message.
    Message(Message),
    /// What somebody did on the page, who may: see [`crate::inlet`].
    Asked(Message),
    /// The stream was silent for so many microseconds while the broker was connected.
    Idle(i64),
    /// The broker came back without our session: what it held for us is lost.
    Hole(Hole),
    /// From here on this configuration holds, as [`crate::config::from_recorded`] reads it.
    Configured(Arc<str>),
}

/// A change of the configuration: an entry among the others, so that every reading meets the one it came under, in a
/// recovery and a replay as well.
#[derive(Debug, Clone, PartialEq)]
pub struct Reconfigured {
    /// The configuration, as the journal records it.
    pub recorded: Arc<str>,
    /// Topic filters wanted from now on, when they changed.
    pub filters: Option<Vec<String>>,
}

/// Entries with the running number of the last of them.
#[derive(Debug)]
pub struct Batch {
    /// In arrival order.
    pub entries: Vec<Entry>,
    /// "Durable up to here" is answered with this number.
    pub last_number: u64,
}

/// How the reader ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReaderEnd {
    /// Messages the broker keeps for us because they were not taken or not acknowledged; they come again.
    pub left_with_broker: usize,
}

/// Entries per batch: enough to make one journal row worth its sync, small enough to stay below a megabyte.
const BATCH: usize = 512;

/// The same fault is logged again only after this time.
const REPEAT_FAULT_LOG: Duration = Duration::from_secs(600);

/// Everything the reader needs.
pub struct Reader {
    /// Settings of the connection.
    pub broker: BrokerSettings,
    /// Filters an earlier run may have left in the session.
    pub held_filters: Vec<String>,
    /// The broker had a session of ours before this process started.
    pub had_session: bool,
    /// Arrival of the last message before this process started.
    pub last_received: Option<EventTime>,
    /// Acknowledgements owed, knowing the end of the journal.
    pub ledger: AckLedger,
    /// To the journal. Full: the backlog grows, acknowledgements stop, the broker stops.
    pub batches: mpsc::Sender<Batch>,
    /// From the journal: everything up to this number is durable.
    pub durable: watch::Receiver<u64>,
    /// To the keeper: the filters the session may hold from now on. Full: not said, and at the next start one filter
    /// more than needed is given back.
    pub orders: mpsc::Sender<Order>,
    /// Changes of the configuration.
    pub reconfigured: mpsc::Receiver<Reconfigured>,
    /// Commands given on the page.
    pub asked: mpsc::Receiver<Message>,
    /// Messages of another connection, which has no session: they take their place among ours as those at QoS 0 do.
    pub beside: mpsc::Receiver<Message>,
    /// Turns true when the daemon stops.
    pub stop: watch::Receiver<bool>,
    /// Counters and states.
    pub status: Arc<Status>,
    /// Our clock.
    pub now: fn() -> EventTime,
}

/// Why the inner loop gave up on a link.
enum Over {
    Stopped,
    /// Build a new link; the broker is asked to forget our session when true.
    Rebuild {
        clean: bool,
    },
}

struct State {
    wanted: Wanted,
    ledger: AckLedger,
    backlog: VecDeque<(u64, Entry)>,
    unsafe_in_backlog: usize,
    connected_since: Option<Instant>,
    connected_before: bool,
    last_received: Option<EventTime>,
    last_spoke: Instant,
    last_quiet_check: Instant,
    too_large_in_a_row: u32,
    last_fault: Option<(LinkFault, Instant)>,
    closing: bool,
    wait: Option<Duration>,
    seconds: tokio::time::Interval,
    second_passed: bool,
    worker: Arc<Worker>,
}

impl State {
    fn next_batch(&mut self) -> Batch {
        let take = self.backlog.len().min(BATCH);
        let mut batch = Batch { entries: Vec::with_capacity(take), last_number: 0 };
        for (number, entry) in self.backlog.drain(..take) {
            self.unsafe_in_backlog -= usize::from(is_unsafe(&entry));
            batch.entries.push(entry);
            batch.last_number = number;
        }
        batch
    }
}

impl Reader {
    /// Runs until told to stop. On the way out it takes no further message, waits for the journal to finish what it
    /// has, sends the acknowledgements and leaves with a DISCONNECT that keeps the session.
    pub async fn run<L: MqttLink>(mut self) -> ReaderEnd {
        let worker = self.status.vitals.worker("reader");
        worker.busy();
        let now = Instant::now();
        let mut state = State {
            wanted: Wanted::new(&self.broker.filters, &self.held_filters),
            ledger: std::mem::take(&mut self.ledger),
            backlog: VecDeque::new(),
            unsafe_in_backlog: 0,
            connected_since: None,
            connected_before: self.had_session,
            last_received: self.last_received,
            last_spoke: now,
            last_quiet_check: now,
            too_large_in_a_row: 0,
            last_fault: None,
            closing: false,
            wait: None,
            seconds: tokio::time::interval(Duration::from_secs(1).min(self.broker.idle_step)),
            second_passed: false,
            worker,
        };
        state.seconds.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        // Before the first message of this run.
        while let Ok(change) = self.reconfigured.try_recv() {
            self.reconfigure(change, &mut state);
        }
        let mut backoff = Backoff::new(self.broker.backoff_first, self.broker.backoff_most, &self.broker.client_id);
        let mut clean = false;
        loop {
            let (link, requests) = L::open(&LinkOptions::reader(&self.broker, clean, self.now));
            match self.with_link(link, requests, clean, &mut state, &mut backoff).await {
                Over::Stopped => break,
                Over::Rebuild { clean: forget } => clean = forget,
            }
        }
        self.status.set_reader(LinkState::Closed);
        state.worker.idle();
        ReaderEnd { left_with_broker: state.ledger.owed() }
    }

    async fn with_link<L: MqttLink>(
        &mut self,
        mut link: L,
        requests: L::Requests,
        clean: bool,
        state: &mut State,
        backoff: &mut Backoff,
    ) -> Over {
        let mut events = Vec::new();
        loop {
            // The next poll connects, and a failed one returns at once.
            if let Some(pause) = state.wait.take()
                && self.rest(pause, state).await
            {
                return Over::Stopped;
            }
            let happened = self.poll_once(&mut link, &requests, &mut events, state).await;
            let now = Instant::now();
            for event in events.drain(..) {
                self.take(event, now, state);
            }
            let fault = match happened {
                None => return Over::Stopped,
                Some(Ok(())) => continue,
                Some(Err(_)) if state.closing => return Over::Stopped,
                Some(Err(fault)) => fault,
            };
            let lasted = state.connected_since.take().map(|since| since.elapsed());
            state.ledger.disconnected();
            let pause = backoff.failed(lasted);
            self.report(&fault, pause, state);
            state.wait = Some(pause);
            match fault {
                LinkFault::TooLarge(_) => state.too_large_in_a_row += 1,
                // Its state is unknown, so it is not polled again.
                LinkFault::Hung(_) => return Over::Rebuild { clean: false },
                LinkFault::Refused { .. } | LinkFault::Tls { .. } | LinkFault::Lost(_) => {}
            }
            if state.too_large_in_a_row >= 3 {
                tracing::error!(
                    "the broker keeps sending a packet larger than any we take; giving up the session with everything \
                     it holds for us. Find the publisher, or exclude its topic"
                );
                state.too_large_in_a_row = 0;
                return Over::Rebuild { clean: true };
            }
            if clean && lasted.is_some() {
                // Forgetting was for once.
                return Over::Rebuild { clean: false };
            }
        }
    }

    /// Polls until the link says something, and meanwhile does everything else. `None`: everything is closed.
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
            // May fill the client's queue only so far: the rest goes after the next poll, which empties it.
            if state.connected_since.is_some() {
                self.send_requests(requests, state);
            }
            if state.closing && self.journal_ended() && !disconnecting {
                state.connected_since?;
                let all_acked = state.ledger.next(*self.durable.borrow()).is_none();
                // The poll ends with an error once the broker has closed its side.
                if all_acked && requests.try_disconnect().is_ok() {
                    disconnecting = true;
                    watchdog.as_mut().reset(tokio::time::Instant::now() + Duration::from_secs(2));
                }
            }
            tokio::select! {
                polled = &mut poll => return Some(polled),
                () = &mut watchdog => return Some(Err(LinkFault::Hung(self.broker.watchdog()))),
                () = self.everything_else(state) => {}
            }
        }
    }

    fn journal_ended(&self) -> bool {
        self.durable.has_changed().is_err()
    }

    fn close(&mut self, state: &mut State) {
        state.closing = true;
        // Whoever gives a command on the page from now on is told that it is not taken.
        self.asked.close();
        while let Ok(command) = self.asked.try_recv() {
            self.status.inlet.not_taken(&command);
        }
        // What waits here was not acknowledged: the broker keeps it for the next start.
        for (_, entry) in state.backlog.drain(..) {
            if let Entry::Asked(command) = entry {
                self.status.inlet.not_taken(&command);
            }
        }
        state.unsafe_in_backlog = 0;
        // Dropping our sender is what tells the journal that no more will come.
        let (nobody_listens, _) = mpsc::channel(1);
        self.batches = nobody_listens;
    }

    /// One of: something became durable, a batch was handed on, the daemon is to stop, a second passed.
    async fn everything_else(&mut self, state: &mut State) {
        let journal_ended = self.journal_ended();
        let (mut changed, mut asked, mut came) = (None, None, None);
        let over = tokio::select! {
            durable = self.durable.changed(), if !journal_ended => durable.is_err(),
            room = self.batches.reserve(), if !state.backlog.is_empty() => match room {
                Ok(room) => {
                    room.send(state.next_batch());
                    false
                }
                Err(_) => true,
            },
            Some(change) = self.reconfigured.recv(), if !state.closing => {
                changed = Some(change);
                false
            }
            Some(command) = self.asked.recv(), if !state.closing => {
                asked = Some(command);
                false
            }
            Some(message) = self.beside.recv(), if !state.closing => {
                came = Some(message);
                false
            }
            // A stop signal that nobody can give any more counts as given.
            _ = self.stop.wait_for(|stop| *stop), if !state.closing => true,
            _ = state.seconds.tick() => {
                state.second_passed = true;
                false
            }
        };
        if let Some(change) = changed {
            self.reconfigure(change, state);
        }
        if let Some(command) = asked {
            let number = state.ledger.unowed();
            state.backlog.push_back((number, Entry::Asked(command)));
        }
        if let Some(message) = came {
            self.message(message, Instant::now(), state);
        }
        if over && !state.closing {
            self.close(state);
        }
        if std::mem::take(&mut state.second_passed) {
            self.each_second(state);
        }
    }

    /// The entry goes before every message of a new filter, since that is asked for only now.
    fn reconfigure(&mut self, change: Reconfigured, state: &mut State) {
        let number = state.ledger.unowed();
        state.backlog.push_back((number, Entry::Configured(change.recorded)));
        if let Some(filters) = change.filters {
            state.wanted.change(&filters);
            self.broker.filters = filters;
        }
    }

    /// Waits between two tries to connect. True when the daemon is to stop.
    async fn rest(&mut self, pause: Duration, state: &mut State) -> bool {
        let mut over = pin!(tokio::time::sleep(pause));
        while !state.closing {
            tokio::select! {
                () = &mut over => return false,
                () = self.everything_else(state) => {}
            }
        }
        true
    }

    fn send_requests<R: Requests>(&mut self, requests: &R, state: &mut State) {
        let durable = *self.durable.borrow_and_update();
        while let Some(packet_id) = state.ledger.next(durable) {
            if requests.try_ack(packet_id).is_err() {
                break;
            }
            state.ledger.acked();
            self.status.acknowledged.up();
        }
        self.status.unacknowledged.set(state.ledger.owed() as u64);
        if let Some(ask) = state.wanted.next()
            && !state.closing
        {
            let sent = match ask {
                Ask::Subscribe(filter) => requests.try_subscribe(filter),
                Ask::Unsubscribe(filter) => requests.try_unsubscribe(filter),
            };
            match sent {
                Ok(()) => state.wanted.sent(),
                Err(NotTaken::Full) => {}
                Err(NotTaken::Invalid) => {
                    tracing::error!(?ask, "this topic filter is not valid MQTT and is left out");
                    state.wanted.sent();
                    state.wanted.subscribed(Err("not a valid filter".into()), Instant::now());
                }
            }
        }
    }

    fn take(&mut self, event: LinkEvent, now: Instant, state: &mut State) {
        match event {
            LinkEvent::Connected { session_present } => self.connected(session_present, state),
            LinkEvent::Message(message) => self.message(message, now, state),
            LinkEvent::Subscribed(outcome) => {
                match state.wanted.subscribed(outcome, Instant::now()) {
                    Some((filter, None)) => tracing::info!(filter, "subscribed"),
                    Some((filter, Some(reason))) => {
                        tracing::error!(filter, reason, "the broker refused this topic filter; check its access rules")
                    }
                    None => {}
                }
                let refused = state.wanted.refused().map(|(filter, why)| (filter.to_owned(), why.to_owned()));
                self.status.set_refused_filters(refused.collect());
                self.status.subscribed.set(state.wanted.granted() as u64);
                self.save_filters(state);
            }
            LinkEvent::Unsubscribed => {
                if let Some(filter) = state.wanted.unsubscribed() {
                    tracing::info!(filter, "gave back a topic filter of an earlier configuration");
                }
                self.save_filters(state);
            }
            LinkEvent::Delivered(_) => {}
        }
    }

    fn save_filters(&self, state: &State) {
        if state.wanted.settled() {
            let _ = self.orders.try_send(Order::Filters(state.wanted.held()));
        }
    }

    fn connected(&mut self, session_present: bool, state: &mut State) {
        let host = &self.broker.host;
        tracing::info!(host, port = self.broker.port, session_present, "connected to the broker");
        self.status.reader_connects.up();
        self.status.set_reader(LinkState::Connected);
        let now = Instant::now();
        state.connected_since = Some(now);
        state.last_spoke = now;
        state.last_fault = None;
        if !session_present {
            state.ledger.session_lost();
            if state.connected_before {
                let to = (self.now)();
                let hole = Hole { from: state.last_received.unwrap_or(to), to };
                tracing::error!(
                    from = %crate::keep::iso(hole.from), to = %crate::keep::iso(hole.to),
                    "the broker came back without our session: what was published in between is lost to us. \
                     Broker settings persistence and autosave_interval decide this"
                );
                self.status.add_hole(hole);
                let number = state.ledger.unowed();
                state.backlog.push_back((number, Entry::Hole(hole)));
            }
        }
        state.connected_before = true;
        state.wanted.connected(session_present);
        self.status.subscribed.set(state.wanted.granted() as u64);
    }

    fn message(&mut self, message: Message, now: Instant, state: &mut State) {
        self.status.received.up();
        state.too_large_in_a_row = 0;
        state.wanted.message(&message.topic, now);
        if state.closing {
            // Not taken, not acknowledged: it stays with the broker.
            return;
        }
        state.last_spoke = now;
        state.last_received = Some(message.received);
        self.status.vitals.received_until.set(message.received);
        if message.cut {
            self.status.oversize.up();
        }
        let qos_0 = message.packet_id == 0;
        if qos_0 && state.unsafe_in_backlog >= self.broker.max_unsafe_backlog {
            self.status.dropped_unsafe.up();
            return;
        }
        match state.ledger.arrived(&message) {
            Arrival::New(number) => {
                state.unsafe_in_backlog += usize::from(qos_0);
                state.backlog.push_back((number, Entry::Message(message)));
            }
            Arrival::Again => self.status.repeated.up(),
        }
    }

    fn each_second(&mut self, state: &mut State) {
        state.worker.step();
        self.status.vitals.before_journal.set(state.backlog.len() as u64);
        let now = Instant::now();
        if state.connected_since.is_some() && self.broker.clock == Clock::Wall && !state.closing {
            let silent = now.duration_since(state.last_spoke);
            if silent >= self.broker.idle_step {
                // The measured time and not the wall clock's reading: a clock that is set does not move the stream.
                let micros = i64::try_from(silent.as_micros()).unwrap_or(i64::MAX);
                let number = state.ledger.unowed();
                state.backlog.push_back((number, Entry::Idle(micros)));
                state.last_spoke = now;
            }
        }
        if state.connected_since.is_some() {
            state.wanted.ask_refused_again(self.broker.refused_again, now);
        }
        let quiet_after = self.broker.quiet_after;
        if now.duration_since(state.last_quiet_check) >= quiet_after && state.connected_since.is_some() {
            state.last_quiet_check = now;
            let (fresh, quiet) = state.wanted.check_quiet(quiet_after, now);
            for filter in fresh {
                tracing::warn!(
                    filter,
                    "subscribed, but nothing has come on this topic filter for {quiet_after:?}: the publisher may be \
                     silent, the filter misspelt, or reading it forbidden (some brokers grant what they never deliver)"
                );
            }
            self.status.set_quiet_filters(quiet);
        }
    }

    fn report(&self, fault: &LinkFault, pause: Duration, state: &mut State) {
        self.status.set_reader(LinkState::Down(fault.to_string()));
        self.status.unacknowledged.set(0);
        if state.last_fault.as_ref().is_some_and(|(last, at)| last == fault && at.elapsed() < REPEAT_FAULT_LOG) {
            return;
        }
        let (host, port) = (&self.broker.host, self.broker.port);
        match fault {
            LinkFault::Refused { .. } | LinkFault::Tls { .. } | LinkFault::TooLarge(_) => {
                tracing::error!(host, port, "reader: {fault}; trying again in {pause:.1?} and later, in silence");
            }
            LinkFault::Lost(_) | LinkFault::Hung(_) => {
                tracing::warn!(host, port, "reader: broker lost: {fault}; next try in {pause:.1?}")
            }
        }
        state.last_fault = Some((fault.clone(), Instant::now()));
    }
}

fn is_unsafe(entry: &Entry) -> bool {
    matches!(entry, Entry::Message(message) if message.packet_id == 0)
}
