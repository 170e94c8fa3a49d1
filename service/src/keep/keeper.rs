//! The thread that writes `state.db`: takes orders, applies as many as wait in one transaction, never waits for anyone.
//!
//! That it waits for nobody is what keeps the chain reader → journal → router → shards → keeper free of circles.

use super::mail::{MailDone, keep_mail_within, put_in_mail, write_mail_done};
use super::plate::Plate;
use super::prune;
use super::report_mail::{ReportAsked, put_report};
use super::score::{self, ScoreRow, Scores};
use super::store::{
    Recovered, Store, TrendTable, content_name, give_back, keep_waveforms, trend_statement, write_alert, write_asset,
    write_audit, write_document, write_filters, write_hole, write_period, write_plate, write_position, write_request,
    write_snapshot, write_trend, write_waveform,
};
use super::trend::{Bucket, Sample, Tier, Trends};
use crate::acquire::mqtt::link::Publication;
use crate::asset::capture::Kept;
use crate::engine::Score;
use crate::status::{Hole, Status};
use crate::vitals::Which;
use bytes::Bytes;
use roundsman_models::EventTime;
use rusqlite::{Transaction, params};
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::error::TryRecvError;
use tokio::sync::{Notify, mpsc, oneshot, watch};

/// One thing to keep.
#[derive(Debug, Clone, PartialEq)]
pub enum Record {
    /// An asset with its points (name, unit), when it is registered or grows.
    Asset {
        /// Name.
        name: Arc<str>,
        /// Points in their order.
        points: Vec<(String, String)>,
        /// What it is.
        plate: Box<Plate>,
    },
    /// A sample for the trend rows.
    Trend {
        /// Asset.
        asset: Arc<str>,
        /// Point.
        point: u16,
        /// Time.
        at: EventTime,
        /// Observed.
        observed: f64,
        /// Expected; NaN without.
        expected: f64,
        /// Half width of the expected band; NaN without.
        band: f64,
    },
    /// What the models made of a snapshot, for the rows of scores.
    Score {
        /// Asset.
        asset: Arc<str>,
        /// What.
        score: Score,
    },
    /// From this time on an asset is in another operating state.
    Period {
        /// Asset.
        asset: Arc<str>,
        /// Time.
        at: EventTime,
        /// Name of the state; empty when it is none that is known.
        state: String,
    },
    /// An alert's transition: kept for good and published.
    Alert {
        /// Alert id.
        id: String,
        /// Transition.
        revision: u32,
        /// Time.
        at: EventTime,
        /// Asset.
        asset: Arc<str>,
        /// What happened.
        change: String,
        /// Life-cycle state.
        state: String,
        /// Severity.
        severity: String,
        /// What is published.
        publication: Publication,
        /// What is kept of it, when it is not what is published.
        document: Option<Vec<u8>>,
    },
    /// A retained document: the newest of an asset and kind is kept, and only the newest of a topic waits in the outbox.
    State {
        /// Asset.
        asset: Arc<str>,
        /// `condition`, `remaining-life` or `diagnosis`.
        kind: &'static str,
        /// Event time it was said.
        at: EventTime,
        /// What is published.
        publication: Publication,
    },
    /// A command's fate: audited, and answered when the sender asked for it.
    Answer {
        /// Journal row of the command.
        position: u64,
        /// Entry in that row.
        part: u32,
        /// Stream time it was carried out.
        at: Option<EventTime>,
        /// Arrival by our clock.
        received: EventTime,
        /// Asset, when known.
        asset: Option<Arc<str>>,
        /// Who.
        by: String,
        /// What they said.
        note: Option<String>,
        /// What was asked, JSON.
        action: String,
        /// Carried out.
        accepted: bool,
        /// What became of it, in words.
        answer: String,
        /// Where it came on, and what it changed.
        changed: Box<Changed>,
        /// Reply.
        reply: Option<Publication>,
    },
    /// Data the broker lost.
    Hole(Hole),
    /// A request for waveforms: published once, whatever is recovered.
    Request {
        /// Asset.
        asset: Arc<str>,
        /// Event time; those of one asset have different ones.
        at: EventTime,
        /// What is published.
        publication: Publication,
    },
    /// A waveform as it came.
    Waveform {
        /// Asset.
        asset: Arc<str>,
        /// Its number there.
        number: u64,
        /// Stream time it came.
        at: EventTime,
        /// Point, when the topic says.
        point: Option<String>,
        /// The message.
        payload: Bytes,
    },
    /// Which waveforms of an asset stay.
    WaveformsKept {
        /// Asset.
        asset: Arc<str>,
        /// Which.
        kept: Kept,
    },
}

/// What the audit says of a command beside its answer. Apart, so that the many other records stay small.
#[derive(Debug, Clone, PartialEq)]
pub struct Changed {
    /// The topic it came on: what the broker's access rules vouch for.
    pub topic: Arc<str>,
    /// What held before.
    pub old: Option<String>,
    /// What holds since.
    pub new: Option<String>,
    /// By this its giver waits for the outcome, when it was given on the page.
    pub given: Option<Bytes>,
}

/// An order to the keeper.
#[derive(Debug)]
pub enum Order {
    /// Records in order. Those of one asset always come from one sender.
    Records(Vec<Record>),
    /// One sender's part of the snapshots at a journal position.
    Snapshot {
        /// Everything up to here is in it.
        position: u64,
        /// Asset name (empty for the intake) and its bytes.
        states: Vec<(Arc<str>, Vec<u8>)>,
    },
    /// One sender has applied what the journal held at the start.
    Recovered,
    /// These documents were confirmed by the broker; answered when they are out of the outbox.
    Delivered(Vec<i64>, oneshot::Sender<()>),
    /// What the sender of mail has done; answered when it is written down.
    Mailed(MailDone, oneshot::Sender<()>),
    /// Somebody wants a report mailed; answered when that is written down.
    MailReport(ReportAsked, oneshot::Sender<()>),
    /// The filters our session may hold.
    Filters(Vec<String>),
    /// Answered when everything ordered before is on the disk.
    Flush(oneshot::Sender<()>),
}

/// Orders per transaction: bounds the memory of one and the time of its sync.
const ORDERS: usize = 64;
/// How long rows of the trend may wait for others: each transaction writes every page it touches, and those of one minute
/// touch the same pages over and over.
const GATHERED_FOR: Duration = Duration::from_millis(100);
/// How soon something urgent that comes meanwhile is seen.
const LOOKS_EVERY: Duration = Duration::from_millis(2);

/// The keeper.
pub struct Keeper {
    /// The database.
    pub store: Store,
    /// Orders. Bounded: a sender that finds it full waits, and with it the broker.
    pub orders: mpsc::Receiver<Order>,
    /// Senders of snapshots: the shards and the intake.
    pub senders: usize,
    /// Most documents in the outbox.
    pub outbox_limit: u64,
    /// How long the audit stays.
    pub audit_limits: super::AuditLimits,
    /// Told when the outbox changed.
    pub outbox_changed: Arc<Notify>,
    /// Most transitions that wait for mail; `None`: nobody sends mail.
    pub mail_limit: Option<u64>,
    /// Told when a transition waits for mail.
    pub mail_changed: Arc<Notify>,
    /// Position the snapshots on disk cover.
    pub covered: Arc<AtomicU64>,
    /// Turns true once every sender has recovered and what that gave is on the disk.
    pub recovered: watch::Sender<bool>,
    /// Give up on a disk that takes nothing.
    pub give_up: Arc<AtomicBool>,
    /// Counters.
    pub status: Arc<Status>,
}

/// Snapshots at one position, gathered from their senders.
#[derive(Default)]
struct Gathered {
    position: u64,
    parts: usize,
    states: Vec<(Arc<str>, Vec<u8>)>,
    trends: Vec<(i64, u16, Tier, Bucket)>,
    scores: Vec<(i64, Tier, ScoreRow)>,
}

/// A change of the database, decided in memory before, so that a failed transaction can be run again as it is.
enum Write {
    Record(Record),
    Asset(i64, Arc<str>, Vec<(String, String)>, Option<Box<Plate>>),
    /// With the beginning of the row that follows it.
    Trend(i64, u16, Tier, Bucket, i64),
    Score(i64, Tier, ScoreRow),
    Snapshots(Gathered),
    Delivered(Vec<i64>),
    Mailed(MailDone),
    MailReport(ReportAsked),
    Filters(Vec<String>),
}

struct Memory {
    rows: HashMap<String, i64>,
    trends: Trends,
    scores: Scores,
    gathered: Vec<Gathered>,
    recovered_senders: usize,
}

impl Keeper {
    /// Works until every sender of orders is gone.
    pub fn run(mut self, recovered: &mut Recovered) {
        let mut memory = Memory {
            rows: std::mem::take(&mut self.store.rows),
            trends: std::mem::take(&mut recovered.trends),
            scores: std::mem::take(&mut recovered.scores),
            gathered: Vec::new(),
            recovered_senders: 0,
        };
        let mut closed = Vec::new();
        self.count_outbox();
        let worker = self.status.vitals.worker("keeper");
        loop {
            worker.idle();
            self.status.vitals.before_keeper.set(self.orders.len() as u64);
            let Some(first) = self.orders.blocking_recv() else { break };
            worker.busy();
            let orders = self.gathered(first);
            let mut writes = Vec::new();
            let mut answers = Vec::new();
            for order in orders {
                match order {
                    Order::Records(records) => {
                        for record in records {
                            memory.take(record, &mut writes, &mut closed);
                        }
                    }
                    Order::Snapshot { position, states } => memory.gather(position, states, self.senders, &mut writes),
                    Order::Recovered => memory.recovered_senders += 1,
                    Order::Delivered(numbers, done) => {
                        writes.push(Write::Delivered(numbers));
                        answers.push(done);
                    }
                    Order::Mailed(done, written) => {
                        writes.push(Write::Mailed(done));
                        answers.push(written);
                    }
                    Order::MailReport(asked, written) => {
                        writes.push(Write::MailReport(asked));
                        answers.push(written);
                    }
                    Order::Filters(filters) => writes.push(Write::Filters(filters)),
                    Order::Flush(done) => answers.push(done),
                }
            }
            if !writes.is_empty() && !self.write_until_done(&writes) {
                return;
            }
            for write in &writes {
                if let Write::Snapshots(gathered) = write {
                    self.covered.store(gathered.position, Ordering::Release);
                }
            }
            for write in &writes {
                // Now and not before: whoever looks next finds it in the audit.
                if let Write::Record(Record::Answer { accepted, answer, changed, .. }) = write {
                    self.status.inlet.became(changed.given.as_ref(), *accepted, answer);
                }
            }
            for answer in answers {
                // Nobody waits any more: nothing to tell.
                let _ = answer.send(());
            }
            if memory.recovered_senders == self.senders && !*self.recovered.borrow() {
                self.recovered.send_replace(true);
            }
            if writes.iter().any(touches_outbox) {
                self.count_outbox();
                self.outbox_changed.notify_one();
            }
        }
    }

    /// The first order and those behind it. What somebody waits for goes at once, with all that came before; the rest may
    /// wait a little, since the journal has it.
    fn gathered(&mut self, first: Order) -> Vec<Order> {
        let until = Instant::now() + GATHERED_FOR;
        let mut urgent = is_urgent(&first);
        let mut orders = vec![first];
        while orders.len() < ORDERS {
            match self.orders.try_recv() {
                Ok(more) => {
                    urgent |= is_urgent(&more);
                    orders.push(more);
                }
                Err(TryRecvError::Empty) if !urgent && Instant::now() < until => std::thread::sleep(LOOKS_EVERY),
                Err(_) => break,
            }
        }
        orders
    }

    fn count_outbox(&mut self) {
        let count = self.store.connection.query_row("SELECT count(*) FROM outbox", [], |row| row.get::<_, i64>(0));
        match count {
            Ok(count) => self.status.outbox.set(count.cast_unsigned()),
            Err(error) => tracing::warn!(%error, "the outbox cannot be counted"),
        }
    }

    /// False when told to give up.
    fn write_until_done(&mut self, writes: &[Write]) -> bool {
        let mut told = false;
        loop {
            let began = Instant::now();
            match self.write(writes) {
                Ok(()) => {
                    self.status.vitals.state_commit.add(began.elapsed());
                    if told {
                        self.status.vitals.disk.writes(Which::State);
                        tracing::warn!(dir = %self.store.dir().display(), "state can be written again");
                    }
                    return true;
                }
                Err(error) => {
                    self.status.disk_faults.up();
                    self.status.vitals.disk.failing(Which::State, error.to_string());
                    if !std::mem::replace(&mut told, true) {
                        tracing::error!(
                            dir = %self.store.dir().display(), %error, remedy = super::remedy(&error),
                            "state cannot be written: alerts wait until it can"
                        );
                    }
                }
            }
            if self.give_up.load(Ordering::Relaxed) {
                return false;
            }
            std::thread::sleep(Duration::from_millis(500));
        }
    }

    fn write(&mut self, writes: &[Write]) -> rusqlite::Result<()> {
        let (limit, mail, audit_limits) = (self.outbox_limit, self.mail_limit, self.audit_limits);
        let (mut dropped, mut mail_dropped, mut mail_put) = (0, 0, false);
        let transaction = self.store.connection.transaction()?;
        write_closed_trends(&transaction, writes)?;
        for write in writes {
            match write {
                Write::Record(record) => mail_put |= write_record(&transaction, record, mail.is_some())?,
                Write::Asset(id, name, points, plate) => {
                    write_asset(&transaction, *id, name, points)?;
                    if let Some(plate) = plate {
                        write_plate(&transaction, name, plate)?;
                    }
                }
                // Written above.
                Write::Trend(..) => {}
                Write::Score(asset, tier, row) => score::write_closed(&transaction, *asset, *tier, row)?,
                Write::Snapshots(gathered) => {
                    for (asset, bytes) in &gathered.states {
                        write_snapshot(&transaction, asset, gathered.position, bytes)?;
                    }
                    write_position(&transaction, gathered.position)?;
                    super::audit::prune(&transaction, &audit_limits, gathered.position)?;
                    let mut statement = trend_statement(&transaction, TrendTable::Open)?;
                    for (asset, point, tier, bucket) in &gathered.trends {
                        write_trend(&mut statement, *asset, *point, *tier, bucket)?;
                    }
                    for (asset, tier, row) in &gathered.scores {
                        score::write_open(&transaction, *asset, *tier, row)?;
                    }
                }
                Write::Delivered(numbers) => {
                    let mut delete = transaction.prepare_cached("DELETE FROM outbox WHERE number = ?1")?;
                    for number in numbers {
                        delete.execute([number])?;
                    }
                }
                Write::Mailed(done) => write_mail_done(&transaction, done)?,
                Write::MailReport(asked) => put_report(&transaction, asked)?,
                Write::Filters(filters) => write_filters(&transaction, filters)?,
            }
        }
        if let (true, Some(limit)) = (mail_put, mail) {
            mail_dropped = keep_mail_within(&transaction, limit)?;
        }
        if writes.iter().any(touches_outbox) {
            dropped = keep_outbox_within(&transaction, limit)?;
        }
        transaction.commit()?;
        if writes.iter().any(|write| matches!(write, Write::Snapshots(_))) {
            give_back(&self.store.connection)?;
        }
        if mail_put || writes.iter().any(|write| matches!(write, Write::MailReport(_))) {
            self.mail_changed.notify_one();
        }
        if mail_dropped > 0 {
            self.status.mail_dropped.add(mail_dropped as u64);
            tracing::error!(
                dropped = mail_dropped,
                limit = mail.unwrap_or_default(),
                "more alerts wait for mail than mail.waiting_limit allows: nobody is told of the oldest. They stay in the alerts table"
            );
        }
        if dropped > 0 {
            self.status.outbox_dropped.add(dropped as u64);
            self.status.vitals.outbox_overflowed.set(crate::app::wall_clock());
            tracing::error!(
                dropped,
                limit,
                "the outbox is full: the least urgent, oldest documents were dropped. Alerts stay in the alerts table"
            );
        }
        Ok(())
    }
}

/// All closed trend rows of a transaction, by key: so rows that are neighbours in the table go in one after the other,
/// while the plant's readings come in any order. Nothing else in the transaction asks for them.
fn write_closed_trends(transaction: &Transaction<'_>, writes: &[Write]) -> rusqlite::Result<()> {
    let rows = writes.iter().filter_map(|write| match write {
        Write::Trend(asset, point, tier, bucket, next) => Some((*tier, *asset, *point, bucket, *next)),
        _ => None,
    });
    let mut rows: Vec<_> = rows.collect();
    rows.sort_by_key(|(tier, asset, point, bucket, _)| (*tier, *asset, *point, bucket.t));
    let mut statement = trend_statement(transaction, TrendTable::Closed)?;
    for (tier, asset, point, bucket, next) in rows {
        write_trend(&mut statement, asset, point, tier, bucket)?;
        if prune::is_due(asset, point, tier, bucket.t, next) {
            prune::trend(transaction, asset, point, tier, next)?;
        }
    }
    Ok(())
}

/// Whether somebody waits for it: all but what is only looked up later.
fn is_urgent(order: &Order) -> bool {
    let later = |record: &Record| {
        matches!(
            record,
            Record::Trend { .. }
                | Record::Score { .. }
                | Record::Asset { .. }
                | Record::Period { .. }
                | Record::State { .. }
        )
    };
    !matches!(order, Order::Records(records) if records.iter().all(later))
}

fn touches_outbox(write: &Write) -> bool {
    matches!(
        write,
        Write::Delivered(_)
            | Write::Record(
                Record::Alert { .. } | Record::State { .. } | Record::Answer { .. } | Record::Request { .. }
            )
    )
}

/// True when mail waits because of it.
fn write_record(transaction: &Transaction<'_>, record: &Record, mail: bool) -> rusqlite::Result<bool> {
    let mut waits = false;
    match record {
        Record::Alert { publication, .. } => {
            // In one transaction: an alert is known and waiting, or neither.
            if write_alert(transaction, record)? {
                put_in_outbox(transaction, Urgency::Alert, publication, None)?;
                waits = mail && put_in_mail(transaction, record)?;
            }
        }
        Record::State { asset, kind, at, publication } => {
            write_document(transaction, asset, kind, *at, &publication.payload)?;
            put_in_outbox(transaction, Urgency::State, publication, Some(&publication.topic))?;
        }
        Record::Answer { reply, .. } => {
            if write_audit(transaction, record)?
                && let Some(reply) = reply
            {
                put_in_outbox(transaction, Urgency::Answer, reply, None)?;
            }
        }
        Record::Period { asset, at, state } => write_period(transaction, asset, *at, state)?,
        Record::Hole(hole) => write_hole(transaction, *hole)?,
        Record::Request { asset, at, publication } => {
            if write_request(transaction, asset, *at)? {
                put_in_outbox(transaction, Urgency::Answer, publication, None)?;
            }
        }
        Record::Waveform { .. } => write_waveform(transaction, record)?,
        Record::WaveformsKept { asset, kept } => keep_waveforms(transaction, asset, kept)?,
        Record::Asset { .. } | Record::Trend { .. } | Record::Score { .. } => {}
    }
    Ok(waits)
}

/// Order in the outbox.
#[derive(Clone, Copy)]
enum Urgency {
    Alert = 0,
    Answer = 1,
    State = 2,
}

fn put_in_outbox(
    transaction: &Transaction<'_>,
    urgency: Urgency,
    publication: &Publication,
    replaces: Option<&str>,
) -> rusqlite::Result<()> {
    // A replaced row gets a new number: a confirmation of the old one cannot delete the new.
    transaction
        .prepare_cached(
            "INSERT OR REPLACE INTO outbox (urgency, topic, payload, retain, correlation, replaces, content, expiry)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        )?
        .execute(params![
            urgency as u8,
            publication.topic,
            publication.payload,
            publication.retain,
            publication.correlation.as_deref(),
            replaces,
            content_name(publication.about.content),
            publication.about.expiry_secs
        ])?;
    Ok(())
}

fn keep_outbox_within(transaction: &Transaction<'_>, limit: u64) -> rusqlite::Result<usize> {
    let count = transaction.query_row("SELECT count(*) FROM outbox", [], |row| row.get::<_, i64>(0))?.cast_unsigned();
    if count <= limit {
        return Ok(0);
    }
    transaction.execute(
        "DELETE FROM outbox WHERE number IN (SELECT number FROM outbox ORDER BY urgency DESC, number LIMIT ?1)",
        [(count - limit).cast_signed()],
    )
}

impl Memory {
    fn row(&mut self, asset: &str) -> i64 {
        if let Some(row) = self.rows.get(asset) {
            return *row;
        }
        let next = self.rows.values().max().map_or(1, |last| last + 1);
        self.rows.insert(asset.to_owned(), next);
        next
    }

    fn take(&mut self, record: Record, writes: &mut Vec<Write>, closed: &mut Vec<(Tier, Bucket)>) {
        match record {
            Record::Asset { name, points, plate } => {
                let row = self.row(&name);
                writes.push(Write::Asset(row, name, points, Some(plate)));
            }
            Record::Trend { asset, point, at, observed, expected, band } => {
                let known = self.rows.contains_key(&*asset);
                let row = self.row(&asset);
                if !known {
                    writes.push(Write::Asset(row, asset, Vec::new(), None));
                }
                let sample = Sample { at_micros: at.0, observed, expected, band };
                self.trends.add(row, point, &sample, closed);
                let next = |tier: Tier| tier.row_of(sample.at_micros);
                let rows = closed.drain(..);
                writes.extend(rows.map(|(tier, bucket)| Write::Trend(row, point, tier, bucket, next(tier))));
            }
            Record::Score { asset, score } => {
                let known = self.rows.contains_key(&*asset);
                let row = self.row(&asset);
                if !known {
                    writes.push(Write::Asset(row, asset, Vec::new(), None));
                }
                let mut closed = Vec::new();
                self.scores.add(row, &score, &mut closed);
                writes.extend(closed.into_iter().map(|(tier, closed)| Write::Score(row, tier, closed)));
            }
            other => writes.push(Write::Record(other)),
        }
    }

    /// The trends of a sender's assets are taken now, at exactly this position: its later samples come behind.
    fn gather(&mut self, position: u64, states: Vec<(Arc<str>, Vec<u8>)>, senders: usize, writes: &mut Vec<Write>) {
        let index = match self.gathered.iter().position(|gathered| gathered.position == position) {
            Some(index) => index,
            None => {
                self.gathered.push(Gathered { position, ..Default::default() });
                self.gathered.len() - 1
            }
        };
        let Some(gathered) = self.gathered.get_mut(index) else { return };
        for (asset, _) in &states {
            if let Some(row) = self.rows.get(&**asset) {
                let open = self.trends.open_of(*row);
                gathered.trends.extend(open.map(|(point, tier, bucket)| (*row, point, tier, *bucket)));
                gathered.scores.extend(self.scores.open_of(*row).map(|(tier, open)| (*row, tier, *open)));
            }
        }
        gathered.states.extend(states);
        gathered.parts += 1;
        if gathered.parts == senders {
            let whole = self.gathered.remove(index);
            writes.push(Write::Snapshots(whole));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::mqtt::link::{About, Content};
    use crate::keep::store::read_outbox;

    /// What goes out after a restart is what would have gone out before it.
    #[test]
    fn what_mqtt_says_of_a_document_comes_out_of_the_outbox_again() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut store = Store::open(dir.path()).expect("opens");
        let transaction = store.connection.transaction().expect("begins");
        let abouts = [
            About::default(),
            About { content: Content::CloudEvent, ..About::default() },
            About { expiry_secs: Some(300), ..About::default() },
        ];
        for about in abouts {
            let correlation = Some(Bytes::from_static(b"id"));
            let publication = Publication { topic: "t".into(), payload: vec![1], retain: false, correlation, about };
            put_in_outbox(&transaction, Urgency::Alert, &publication, None).expect("writes");
        }
        transaction.commit().expect("commits");
        drop(store);
        let store = Store::open(dir.path()).expect("opens again");
        let waiting = read_outbox(&store.connection, 10).expect("reads");
        assert!(waiting.iter().map(|row| row.publication.about).eq(abouts), "{waiting:?}");
    }
}
