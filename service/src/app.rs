//! The daemon: starts the threads and tasks, waits for the stop signal, drains against a deadline.
//!
//! Order of the stop: the reader takes no more; the journal finishes what it has and with that the last
//! acknowledgements go out; the router and the shards finish and save; the keeper writes; the writer empties the
//! outbox, says `offline` and leaves. What the deadline cuts off is named.

use crate::acquire::mqtt::acks::AckLedger;
use crate::acquire::mqtt::reader::Reconfigured;
use crate::acquire::mqtt::{BrokerSettings, LinkV3, LinkV5, Reader, ReaderEnd, Version};
use crate::acquire::sparkplug::NodeKey;
use crate::acquire::sparkplug::host::{Host, HostSettings};
use crate::advise::edge_node::EdgeNode;
use crate::advise::publish::{Documents, Finish, Writer, WriterEnd};
use crate::config::mail::Mail;
use crate::config::people::Units;
use crate::historian::{self, Copier};
use crate::intake::{Edge, Gone, LOOKS_AHEAD, Machine, Router, Shard, look_ahead};
use crate::keep::journal::Threads;
use crate::keep::read;
use crate::keep::{AuditLimits, Journal, KeepError, Keeper, Order, Store};
use crate::mail::{Attach, Sender};
use crate::status::Status;
use jiff::tz::TimeZone;
use roundsman_models::EventTime;
use std::future::Future;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::{Notify, mpsc, oneshot, watch};

/// Settings of the daemon beside the engine's.
#[derive(Debug, Clone)]
pub struct RunSettings {
    /// The broker.
    pub broker: BrokerSettings,
    /// Where the two databases lie.
    pub state_dir: PathBuf,
    /// Worker threads; the assets are spread over them by name.
    pub shards: usize,
    /// Threads that look at waveforms ahead of the engine.
    pub look_threads: usize,
    /// Time between snapshots: how much journal a start after a crash applies again at most.
    pub snapshot_every: Duration,
    /// How long journal rows stay after the snapshots cover them.
    pub journal_keep: Duration,
    /// Covered rows beyond this size of the journal go before their time, bytes.
    pub journal_max_bytes: u64,
    /// The configuration as the journal records it; `None` records none.
    pub recorded: Option<Arc<str>>,
    /// Folder for the lives whose alert somebody confirmed; `None`: they are not kept.
    pub past_cases: Option<PathBuf>,
    /// A database that gets a copy of what is kept.
    pub historian: Option<historian::Settings>,
    /// Documents the outbox holds at most.
    pub outbox_limit: u64,
    /// Mail; `None` sends none.
    pub mail: Option<Arc<MailSettings>>,
    /// How long the audit of commands stays.
    pub audit_limits: AuditLimits,
    /// The service's state is published again after this.
    pub presence_every: Duration,
    /// A document that the broker refused is tried again after this.
    pub refused_again: Duration,
    /// A stop takes no longer than this.
    pub stop_within: Duration,
    /// Listening to Sparkplug nodes.
    pub sparkplug: Option<HostSettings>,
    /// Speaking as a Sparkplug edge node.
    pub edge_node: Option<NodeKey>,
    /// Our clock.
    pub now: fn() -> EventTime,
}

/// What mail needs beside what the daemon has.
pub struct MailSettings {
    /// Settings of `[mail]`.
    pub mail: Mail,
    /// Site name.
    pub site: String,
    /// The site's zone.
    pub zone: TimeZone,
    /// Units of the values people read.
    pub units: Units,
    /// Makes the report that is attached.
    pub attach: Option<Attach>,
}

impl std::fmt::Debug for MailSettings {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.mail.fmt(f)
    }
}

impl Default for RunSettings {
    fn default() -> Self {
        Self {
            broker: BrokerSettings::default(),
            state_dir: PathBuf::from("state"),
            shards: std::thread::available_parallelism().map_or(1, usize::from).min(16),
            look_threads: std::thread::available_parallelism().map_or(1, |n| (n.get() / 2).clamp(1, 4)),
            snapshot_every: Duration::from_secs(300),
            journal_keep: Duration::ZERO,
            journal_max_bytes: 4 << 30,
            recorded: None,
            past_cases: None,
            historian: None,
            outbox_limit: 100_000,
            mail: None,
            audit_limits: AuditLimits::default(),
            presence_every: Duration::from_secs(60),
            refused_again: Duration::from_secs(60),
            stop_within: Duration::from_secs(10),
            sparkplug: None,
            edge_node: None,
            now: crate::acquire::steady_clock::now,
        }
    }
}

/// The wall clock as event time.
pub fn wall_clock() -> EventTime {
    EventTime(jiff::Timestamp::now().as_microsecond())
}

/// Why the daemon could not start or had to end.
#[derive(Debug, thiserror::Error)]
pub enum AppError {
    /// The settings cannot work; all faults at once.
    #[error("{}", .0.join("\n"))]
    Settings(Vec<String>),
    /// The state directory.
    #[error(transparent)]
    Keep(#[from] KeepError),
    /// A thread could not be started.
    #[error("a thread could not be started: {0}")]
    Thread(#[from] std::io::Error),
    /// A part failed: a fault of ours.
    #[error("{0} failed; its last words are in the log above")]
    Part(&'static str),
}

/// How the daemon ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ended {
    /// What was left undone, in words; empty after a clean stop.
    pub left: Vec<String>,
}

/// The parts the daemon is put together from.
pub struct Parts<E, F> {
    /// Topics and payloads → events.
    pub edge: E,
    /// Makes the engine of a shard.
    pub machine: F,
    /// Wording of what is published.
    pub documents: Arc<dyn Documents>,
    /// Counters and states, shared with whoever wants to look.
    pub status: Arc<Status>,
}

/// Runs the daemon until `stop` is ready.
///
/// # Errors
/// Faulty settings, a state directory that cannot be used, or a part that failed.
pub async fn run<E, M, F>(
    settings: RunSettings,
    parts: Parts<E, F>,
    stop: impl Future<Output = ()>,
) -> Result<Ended, AppError>
where
    E: Edge,
    M: Machine,
    F: Fn(usize) -> M,
{
    let (_never, changes) = mpsc::channel(1);
    run_with_changes(settings, parts, changes, stop).await
}

/// The same, with changes of the configuration on the way.
///
/// # Errors
/// As [`run`].
pub async fn run_with_changes<E, M, F>(
    settings: RunSettings,
    parts: Parts<E, F>,
    changes: mpsc::Receiver<Reconfigured>,
    stop: impl Future<Output = ()>,
) -> Result<Ended, AppError>
where
    E: Edge,
    M: Machine,
    F: Fn(usize) -> M,
{
    match settings.broker.version {
        Version::V5 => Daemon::start::<E, M, F, LinkV5>(settings, parts)?.until(changes, stop).await,
        Version::V3 => Daemon::start::<E, M, F, LinkV3>(settings, parts)?.until(changes, stop).await,
    }
}

/// The signal a service manager or a terminal sends: SIGTERM or SIGINT.
///
/// # Errors
/// The handler cannot be installed.
pub fn stop_signal() -> std::io::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    Ok(async move {
        let name = tokio::select! {
            _ = terminate.recv() => "SIGTERM",
            _ = interrupt.recv() => "SIGINT",
        };
        tracing::info!("{name}: stopping");
    })
}

struct Daemon {
    settings: RunSettings,
    threads: Vec<(&'static str, JoinHandle<Result<(), Gone>>)>,
    reader: tokio::task::JoinHandle<ReaderEnd>,
    writer: tokio::task::JoinHandle<WriterEnd>,
    /// Nobody waits for it: what it has not sent waits on the disk.
    mail: Option<tokio::task::JoinHandle<()>>,
    /// Connections beside the two; they end when told to stop, and nothing waits on them but the end.
    beside: Vec<(&'static str, tokio::task::JoinHandle<()>)>,
    orders: mpsc::Sender<Order>,
    reconfigure: mpsc::Sender<Reconfigured>,
    stop: watch::Sender<bool>,
    finish: watch::Sender<Finish>,
    copier: Option<(watch::Sender<Option<Instant>>, JoinHandle<()>)>,
    give_up: Arc<AtomicBool>,
}

fn thread(
    name: &'static str,
    body: impl FnOnce() -> Result<(), Gone> + Send + 'static,
) -> std::io::Result<(&'static str, JoinHandle<Result<(), Gone>>)> {
    Ok((name, std::thread::Builder::new().name(name.into()).spawn(body)?))
}

impl Daemon {
    fn start<E, M, F, L>(settings: RunSettings, parts: Parts<E, F>) -> Result<Self, AppError>
    where
        E: Edge,
        M: Machine,
        F: Fn(usize) -> M,
        L: crate::acquire::mqtt::MqttLink,
    {
        let mut faults = settings.broker.faults();
        if settings.shards == 0 {
            faults.push("shards: must be at least 1, got 0".into());
        }
        if !faults.is_empty() {
            return Err(AppError::Settings(faults));
        }
        let Parts { edge, machine, documents, status } = parts;

        // What an earlier run left.
        let mut store = Store::open(&settings.state_dir)?;
        let mut journal = Journal::open(&settings.state_dir)?;
        let mut recovered = store.recover()?;
        if let Err(error) = read::Reader::open(&settings.state_dir).and_then(|reader| status.board.fill(&reader)) {
            tracing::warn!(%error, "the page begins empty: what the last run said cannot be read");
        }
        let held_filters = recovered.filters.clone();
        // Written before the first connection: no filter can be in the session and not in the list.
        let mut may_be_held = held_filters.clone();
        may_be_held.extend(settings.broker.filters.iter().filter(|filter| !held_filters.contains(filter)).cloned());
        store.set_filters(&may_be_held)?;
        let tail = journal.tail()?;
        let head = journal.head()?;
        let from = recovered.position;
        // What was in effect at `from`. The configuration of today takes effect where the journal goes on.
        let recorded = journal.configuration_at(from)?;
        let changed = settings.recorded.clone().filter(|now| journal.newest_configuration().as_deref() != Some(now));
        let (reconfigure, reconfigured) = mpsc::channel(8);
        if let Some(recorded) = changed {
            // The channel is new and has room.
            let _ = reconfigure.try_send(Reconfigured { recorded, filters: None });
        }
        journal.continue_after(store.last_position(&recovered)?)?;
        // A state.db that was emptied or exchanged must not pass for a first start.
        if from == 0 && recovered.intake.is_none() && journal.begin()?.is_some_and(|begin| begin > 1) {
            recovered.faults.push(format!(
                "{} has no snapshots, and journal.db is older: it is not the file they were made with. What was learned \
                 before is not in it; if that is not meant, stop, and put the right file back",
                settings.state_dir.join("state.db").display()
            ));
        }
        if from > head {
            tracing::error!(
                from,
                head,
                "journal.db ends before the snapshots in state.db: it is not the file they were made with. Going on \
                 from the snapshots"
            );
        }
        let outbox = store.reader()?;
        let copied_from = settings.historian.is_some().then(|| store.reader()).transpose()?;
        let old_rows = journal.reader()?;

        // Channels. Each is bounded; a full one makes its sender wait, except where the sender's comment says else.
        let (batches, batches_out) = mpsc::channel(4);
        let (durable, durable_out) = watch::channel(0);
        let (applied, applied_out) = std::sync::mpsc::sync_channel(2);
        let (orders, orders_out) = mpsc::channel(256);
        let (recovered_in, recovered_out) = watch::channel(false);
        let (stop, stop_out) = watch::channel(false);
        let (finish, finish_out) = watch::channel(Finish::No);
        let outbox_changed = Arc::new(Notify::new());
        let mail_changed = Arc::new(Notify::new());
        let mail_store = settings.mail.as_ref().map(|_| store.reader()).transpose()?;
        let covered = Arc::new(AtomicU64::new(from));
        let give_up = Arc::new(AtomicBool::new(false));

        let copier = match (settings.historian.clone(), copied_from) {
            (Some(to), Some(from)) => Some(copy(to, from, &status, settings.now)?),
            _ => None,
        };
        let mut threads = Vec::new();
        let assets = std::mem::take(&mut recovered.assets);
        let intake = recovered.intake.take();
        let mut faults = std::mem::take(&mut recovered.faults);
        let keeper = Keeper {
            store,
            orders: orders_out,
            senders: settings.shards + 1,
            outbox_limit: settings.outbox_limit,
            audit_limits: settings.audit_limits,
            outbox_changed: outbox_changed.clone(),
            mail_limit: settings.mail.as_ref().map(|mail| mail.mail.waiting_limit),
            mail_changed: mail_changed.clone(),
            covered: covered.clone(),
            recovered: recovered_in,
            give_up: give_up.clone(),
            status: status.clone(),
        };
        threads.push(thread("keeper", move || {
            keeper.run(&mut recovered);
            Ok(())
        })?);

        let (looks, looks_out) = std::sync::mpsc::sync_channel(LOOKS_AHEAD);
        let looks_out = Arc::new(Mutex::new(looks_out));
        for _ in 0..settings.look_threads.max(1) {
            let looks = looks_out.clone();
            threads.push(thread("looks", move || {
                look_ahead(&looks);
                Ok(())
            })?);
        }
        let mut shards = Vec::new();
        for number in 0..settings.shards {
            let (told, told_out) = std::sync::mpsc::sync_channel(4);
            shards.push(told);
            let shard = Shard {
                machine: machine(number),
                documents: documents.clone(),
                orders: orders.clone(),
                status: status.clone(),
                looks: looks.clone(),
                past_cases: settings.past_cases.clone(),
            };
            threads.push(thread("shard", move || shard.run(&told_out))?);
        }
        drop(looks);

        let mut router =
            Router::new(edge, shards, orders.clone(), documents.clone(), status.clone(), settings.snapshot_every);
        let (rebirths, rebirths_out) = mpsc::channel(64);
        router.rebirths = Some(rebirths);
        let of_router = status.clone();
        threads.push(thread("router", move || {
            faults.extend(router.restore(from, recorded.as_deref(), intake.as_deref(), assets)?);
            for fault in faults {
                of_router.vitals.lost_state(fault.clone());
                tracing::error!("from the last run: {fault}; the rest is not touched");
                of_router.add_state_fault(fault);
            }
            apply_again(&mut router, &old_rows, from, head)?;
            drop(old_rows);
            of_router.vitals.recovered.store(true, Ordering::Relaxed);
            router.run(&applied_out)
        })?);

        let journal_threads = Threads {
            batches: batches_out,
            durable,
            applied,
            covered,
            give_up: give_up.clone(),
            keep: settings.journal_keep,
            max_bytes: settings.journal_max_bytes,
            status: status.clone(),
            now: settings.now,
        };
        threads.push(thread("journal", move || {
            journal.run(journal_threads);
            Ok(())
        })?);

        // Full: the other connection drops and counts, since it has no session to keep what is not taken.
        let (messages, messages_out) = mpsc::channel(4096);
        let mut beside = Vec::new();
        if let Some(sparkplug) = &settings.sparkplug {
            let host = Host {
                broker: settings.broker.clone(),
                settings: sparkplug.clone(),
                messages,
                rebirths: rebirths_out,
                stop: stop_out.clone(),
                status: status.clone(),
                now: settings.now,
            };
            beside.push(("Sparkplug host", tokio::spawn(host.run::<L>())));
        }
        if let Some(key) = &settings.edge_node {
            let node = EdgeNode {
                broker: settings.broker.clone(),
                key: key.clone(),
                status: status.clone(),
                state_dir: settings.state_dir.clone(),
                stop: stop_out.clone(),
                now: settings.now,
            };
            beside.push(("Sparkplug edge node", tokio::spawn(node.run::<L>())));
        }
        let reader = Reader {
            broker: settings.broker.clone(),
            had_session: !held_filters.is_empty(),
            held_filters,
            last_received: tail.last_received,
            ledger: AckLedger::new(tail.messages),
            batches,
            durable: durable_out,
            orders: orders.clone(),
            reconfigured,
            asked: status.inlet.take_end().unwrap_or_else(|| mpsc::channel(1).1),
            beside: messages_out,
            stop: stop_out,
            status: status.clone(),
            now: settings.now,
        };
        let mail = settings.mail.as_ref().zip(mail_store).map(|(mail, store)| Sender {
            mail: mail.mail.clone(),
            site: mail.site.clone(),
            zone: mail.zone.clone(),
            units: mail.units,
            store: Arc::new(Mutex::new(store)),
            changed: mail_changed,
            orders: orders.clone(),
            recovered: recovered_out.clone(),
            attach: mail.attach.clone(),
            status: status.clone(),
            now: settings.now,
        });
        let desk = status.desk.behind();
        let writer = Writer {
            broker: settings.broker.clone(),
            documents,
            outbox,
            outbox_changed,
            orders: orders.clone(),
            recovered: recovered_out,
            finish: finish_out,
            presence_every: settings.presence_every,
            refused_again: settings.refused_again,
            status,
            now: settings.now,
        };
        let reader = tokio::spawn(reader.run::<L>());
        let writer = tokio::spawn(writer.run::<L>());
        let mail = mail.map(|sender| {
            let handed_in = desk.pass_on(orders.clone());
            tokio::spawn(async move {
                tokio::join!(sender.run(), handed_in);
            })
        });
        Ok(Self { settings, threads, reader, writer, mail, beside, orders, reconfigure, stop, finish, copier, give_up })
    }

    async fn until(
        mut self,
        mut changes: mpsc::Receiver<Reconfigured>,
        stop: impl Future<Output = ()>,
    ) -> Result<Ended, AppError> {
        let mut stop = std::pin::pin!(stop);
        let mut look = tokio::time::interval(Duration::from_millis(250));
        let failed = loop {
            tokio::select! {
                () = &mut stop => break None,
                Some(change) = changes.recv() => {
                    tokio::select! {
                        () = &mut stop => break None,
                        () = self.change(change) => {}
                    }
                }
                _ = look.tick() => {
                    // No part ends before it is told to.
                    if let Some((name, _)) = self.threads.iter().find(|(_, thread)| thread.is_finished()) {
                        break Some(*name);
                    }
                    if self.reader.is_finished() {
                        break Some("reader");
                    }
                    if self.writer.is_finished() {
                        break Some("writer");
                    }
                }
            }
        };
        let ended = self.end().await;
        match failed {
            Some(part) => Err(AppError::Part(part)),
            None => Ok(ended),
        }
    }

    /// Hands a change on. The filters it brings are in the list of those our session may hold before they are asked for.
    async fn change(&mut self, change: Reconfigured) {
        if let Some(filters) = &change.filters {
            let may_be_held = &mut self.settings.broker.filters;
            for filter in filters {
                if !may_be_held.contains(filter) {
                    may_be_held.push(filter.clone());
                }
            }
            let listed = Order::Filters(may_be_held.clone());
            let (done, written) = oneshot::channel();
            if self.orders.send(listed).await.is_ok() && self.orders.send(Order::Flush(done)).await.is_ok() {
                // Gone: the keeper ended, and with it all of this.
                let _ = written.await;
            }
        }
        if self.reconfigure.send(change).await.is_err() {
            tracing::error!("the change of the configuration came while the reader was ending; it is lost");
        }
    }

    async fn end(mut self) -> Ended {
        let deadline = Instant::now() + self.settings.stop_within;
        // A little is kept back for what has to be said last.
        let drained_by = deadline - self.settings.stop_within / 4;
        let mut left = Vec::new();
        self.stop.send_replace(true);
        match tokio::time::timeout_at(drained_by.into(), &mut self.reader).await {
            Ok(Ok(end)) if end.left_with_broker > 0 => left
                .push(format!("{} messages were not acknowledged; the broker sends them again", end.left_with_broker)),
            Ok(Ok(_)) => {}
            Ok(Err(_)) => left.push("the reader failed".into()),
            Err(_) => {
                self.reader.abort();
                left.push(
                    "the reader did not finish; the broker sends again what it has no acknowledgement for".into(),
                );
            }
        }
        for name in ["journal", "router", "shard"] {
            for (_, thread) in self.threads.iter().filter(|(known, _)| *known == name) {
                while !thread.is_finished() && Instant::now() < drained_by {
                    tokio::time::sleep(Duration::from_millis(5)).await;
                }
                if !thread.is_finished() {
                    left.push(format!("the {name} did not finish; the next start applies the journal again"));
                }
            }
        }
        let (done, flushed) = oneshot::channel();
        let ordered = tokio::time::timeout_at(drained_by.into(), async {
            self.orders.send(Order::Flush(done)).await.is_ok() && flushed.await.is_ok()
        });
        if !ordered.await.unwrap_or(false) {
            left.push("not everything could be written to the disk; the next start applies the journal again".into());
        }
        // Beside the writer, and by the same moment: both send what was written last.
        if let Some((stop, _)) = &self.copier {
            stop.send_replace(Some(deadline - self.settings.stop_within / 20));
        }
        self.finish.send_replace(Finish::By(deadline - self.settings.stop_within / 20));
        match tokio::time::timeout_at(deadline.into(), &mut self.writer).await {
            Ok(Ok(end)) => {
                if end.left > 0 {
                    left.push(format!("{} documents wait in the outbox for the next start", end.left));
                }
                if !end.said_offline {
                    left.push("`offline` could not be said; the broker's will says it".into());
                }
            }
            Ok(Err(_)) => left.push("the writer failed".into()),
            Err(_) => {
                self.writer.abort();
                left.push("the writer did not finish; the outbox waits for the next start".into());
            }
        }
        for (name, task) in &mut self.beside {
            match tokio::time::timeout_at(deadline.into(), &mut *task).await {
                Ok(Ok(())) => {}
                Ok(Err(_)) => left.push(format!("the {name} failed")),
                Err(_) => {
                    task.abort();
                    left.push(format!("the {name} did not finish; the broker's will says that it is gone"));
                }
            }
        }
        if let Some((_, thread)) = self.copier {
            while !thread.is_finished() && Instant::now() < deadline {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
            // What it had no time for it finds in state.db after the next start.
            if thread.is_finished() && thread.join().is_err() {
                left.push("the historian thread failed".into());
            }
        }
        self.give_up.store(true, Ordering::Relaxed);
        if let Some(mail) = &self.mail {
            // It holds a sender of orders, and the keeper ends when there is none left.
            mail.abort();
        }
        drop(self.orders);
        for (name, thread) in self.threads {
            while !thread.is_finished() && Instant::now() < deadline {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
            if !thread.is_finished() {
                tracing::error!("the {name} thread did not end in time and is left behind");
            } else if thread.join().is_err() {
                left.push(format!("the {name} thread failed"));
            }
        }
        for line in &left {
            tracing::warn!("left behind: {line}");
        }
        if left.is_empty() {
            tracing::info!("stopped; nothing was left behind");
        }
        Ended { left }
    }
}

/// The thread that copies. It is not one of those that may not end: a database nobody can reach stops no stream.
fn copy(
    settings: historian::Settings,
    from: rusqlite::Connection,
    status: &Arc<Status>,
    now: fn() -> EventTime,
) -> std::io::Result<(watch::Sender<Option<Instant>>, JoinHandle<()>)> {
    let (stop, stop_out) = watch::channel(None);
    status.historian.want();
    let source = historian::source::Source::new(from);
    let copier = Copier { settings, source, stop: stop_out, status: status.clone(), now };
    let thread = std::thread::Builder::new().name("historian".into()).spawn(move || copier.run())?;
    Ok((stop, thread))
}

/// Applies what the journal holds past the snapshots.
fn apply_again<E: Edge>(router: &mut Router<E>, journal: &Journal, from: u64, head: u64) -> Result<(), Gone> {
    let began = Instant::now();
    let mut position = from;
    let mut rows = 0u64;
    while position < head {
        match journal.after(position, head) {
            Ok(Some((at, entries))) => {
                router.apply(at, &entries)?;
                (position, rows) = (at, rows + 1);
            }
            Ok(None) => break,
            Err(KeepError::Row { position: damaged, why, .. }) => {
                tracing::error!(damaged, why, "a row of the journal is damaged and lost; the next ones are applied");
                position = damaged;
            }
            Err(error) => {
                tracing::error!("{error}; the rest of the journal cannot be applied");
                break;
            }
        }
    }
    if rows > 0 {
        tracing::info!(rows, from, to = position, took = ?began.elapsed(), "applied the journal past the snapshots");
    }
    router.recovered()
}
