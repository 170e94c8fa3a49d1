//! `journal.db`: what came in, in order, durable before it is acknowledged.
//!
//! One row per batch of entries, one commit per row: while a commit waits for the disk the next batch gathers, so a
//! busy stream pays few syncs and a slow one is durable within one. After a crash the rows past the snapshots are
//! applied again; because the clock's ticks are entries too, the engine sees the very same events.

use super::store::{SCHEMA, give_back, open, used_bytes};
use super::{KeepError, iso, remedy};
use crate::acquire::mqtt::acks::identity;
use crate::acquire::mqtt::reader::Batch;
use crate::acquire::mqtt::{Entry, Message, ReplyTo};
use crate::status::{Hole, Status};
use crate::vitals::Which;
use bytes::Bytes;
use roundsman_models::EventTime;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::SyncSender;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};

/// The configuration that holds from a position on: also an entry of that row, and kept here when the row is pruned. JSON;
/// `SELECT recorded->>'file'` shows the TOML. New in version 2.
const CONFIGURATIONS: &str = "
CREATE TABLE IF NOT EXISTS configurations (position INTEGER PRIMARY KEY, recorded TEXT NOT NULL);
";

const TABLES: &str = "
CREATE TABLE configurations (position INTEGER PRIMARY KEY, recorded TEXT NOT NULL);
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
-- AUTOINCREMENT: a position is never given twice, not even after everything was pruned.
CREATE TABLE journal (
    position INTEGER PRIMARY KEY AUTOINCREMENT, received INTEGER NOT NULL, entries INTEGER NOT NULL,
    bytes BLOB NOT NULL);
";

/// A row holds no more entries than this, so that recovery goes in small steps.
const ROW_ENTRIES: usize = 4096;
/// Nor more payload.
const ROW_BYTES: usize = 4 * 1024 * 1024;
/// Rows pruned per commit, so that pruning never delays an acknowledgement by much.
const PRUNE_ROWS: u64 = 64;
/// So many of the last entries stay, covered or not: a starting reader recognises by them what the broker sends again
/// because the acknowledgement was lost. Far more than a broker has unacknowledged with one client.
const TAIL_ENTRIES: u64 = 16_384;

/// An entry as it is stored. Part of the file's schema: a change is a new schema version.
#[derive(Debug, Serialize, Deserialize)]
enum Stored<'a> {
    Message {
        topic: &'a str,
        payload: &'a [u8],
        cut: bool,
        retain: bool,
        packet_id: u16,
        received: i64,
        #[serde(borrow)]
        reply_to: Option<(&'a str, Option<&'a [u8]>)>,
    },
    Idle(i64),
    Hole(i64, i64),
    Configured(&'a str),
    /// Since version 4.
    Asked {
        topic: &'a str,
        payload: &'a [u8],
        received: i64,
        id: Option<&'a [u8]>,
    },
}

/// Packs entries into the bytes of a row.
pub fn encode(entries: &[Entry]) -> Result<Vec<u8>, postcard::Error> {
    let stored: Vec<Stored<'_>> = entries
        .iter()
        .map(|entry| match entry {
            Entry::Message(message) => Stored::Message {
                topic: &message.topic,
                payload: &message.payload,
                cut: message.cut,
                retain: message.retain,
                packet_id: message.packet_id,
                received: message.received.0,
                reply_to: message.reply_to.as_ref().map(|to| (to.topic.as_str(), to.correlation.as_deref())),
            },
            Entry::Idle(micros) => Stored::Idle(*micros),
            Entry::Hole(hole) => Stored::Hole(hole.from.0, hole.to.0),
            Entry::Configured(recorded) => Stored::Configured(recorded),
            Entry::Asked(message) => Stored::Asked {
                topic: &message.topic,
                payload: &message.payload,
                received: message.received.0,
                id: message.reply_to.as_ref().and_then(|to| to.correlation.as_deref()),
            },
        })
        .collect();
    postcard::to_stdvec(&stored)
}

/// The reverse of [`encode`].
pub fn decode(bytes: &[u8]) -> Result<Vec<Entry>, postcard::Error> {
    let stored: Vec<Stored<'_>> = crate::engine::whole(bytes)?;
    Ok(stored
        .into_iter()
        .map(|stored| match stored {
            Stored::Message { topic, payload, cut, retain, packet_id, received, reply_to } => Entry::Message(Message {
                topic: topic.to_owned(),
                payload: Bytes::copy_from_slice(payload),
                cut,
                retain,
                dup: false,
                packet_id,
                received: EventTime(received),
                reply_to: reply_to.map(|(topic, correlation)| ReplyTo {
                    topic: topic.to_owned(),
                    correlation: correlation.map(Bytes::copy_from_slice),
                }),
            }),
            Stored::Idle(micros) => Entry::Idle(micros),
            Stored::Hole(from, to) => Entry::Hole(Hole { from: EventTime(from), to: EventTime(to) }),
            Stored::Configured(recorded) => Entry::Configured(recorded.into()),
            Stored::Asked { topic, payload, received, id } => Entry::Asked(Message {
                topic: topic.to_owned(),
                payload: Bytes::copy_from_slice(payload),
                cut: false,
                retain: false,
                dup: false,
                packet_id: 0,
                received: EventTime(received),
                reply_to: id.map(|id| ReplyTo { topic: String::new(), correlation: Some(Bytes::copy_from_slice(id)) }),
            }),
        })
        .collect())
}

/// The journal, open for writing.
pub struct Journal {
    connection: Connection,
    path: PathBuf,
    /// Position and entries of the rows of the tail, oldest first.
    tail: VecDeque<(u64, u64)>,
    tail_entries: u64,
}

/// What the journal's end tells a starting reader.
#[derive(Debug, Default)]
pub struct Tail {
    /// Packet id and identity of the last messages, oldest first.
    pub messages: Vec<(u16, u64)>,
    /// Arrival of the last message.
    pub last_received: Option<EventTime>,
}

/// What the journal's thread is told and tells.
pub struct Threads {
    /// From the reader. Closed: no more will come.
    pub batches: mpsc::Receiver<Batch>,
    /// To the reader: durable up to this number. Dropped at the end, which is how the reader learns of it.
    pub durable: watch::Sender<u64>,
    /// To the router. Full: this thread waits, nothing more becomes durable, the broker stops sending.
    pub applied: SyncSender<(u64, Vec<Entry>)>,
    /// From the keeper: the snapshots cover everything up to here.
    pub covered: Arc<AtomicU64>,
    /// Give up on a disk that takes nothing.
    pub give_up: Arc<AtomicBool>,
    /// How long rows stay after the snapshots cover them.
    pub keep: Duration,
    /// Covered rows beyond this size go before their time.
    pub max_bytes: u64,
    /// Counters.
    pub status: Arc<Status>,
    /// Our clock.
    pub now: fn() -> EventTime,
}

impl Journal {
    /// Opens or creates `journal.db` in a state directory that is locked already.
    pub fn open(dir: &Path) -> Result<Self, KeepError> {
        let path = dir.join("journal.db");
        let mut journal = Self {
            connection: open(&path, TABLES, &[CONFIGURATIONS, "", ""])?,
            path,
            tail: VecDeque::new(),
            tail_entries: 0,
        };
        journal.read_tail_rows().map_err(journal.fault())?;
        Ok(journal)
    }

    /// Opens a journal to read it: a daemon's own while it runs, or a copy.
    ///
    /// # Errors
    /// It is no journal, of another version, or cannot be read.
    pub fn open_recording(path: &Path) -> Result<Self, KeepError> {
        let fault = |source| KeepError::Database { path: path.to_owned(), source };
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags).map_err(fault)?;
        connection.busy_timeout(Duration::from_secs(5)).map_err(fault)?;
        let tables = "SELECT count(*) FROM sqlite_master WHERE name IN ('journal', 'configurations')";
        let found = connection.query_row(tables, [], |row| row.get::<_, i64>(0)).map_err(fault)?;
        let schema = connection.query_row("SELECT value FROM meta WHERE key = 'schema'", [], |row| row.get(0));
        let schema = schema.unwrap_or_else(|_| "unknown".to_owned());
        if found < 2 || schema != SCHEMA.to_string() {
            let found = if found < 2 { "no journal's".to_owned() } else { schema };
            return Err(KeepError::Version { path: path.to_owned(), found, known: SCHEMA });
        }
        Ok(Self { connection, path: path.to_owned(), tail: VecDeque::new(), tail_entries: 0 })
    }

    /// Position of the oldest row that is kept; `None` in an empty journal.
    pub fn first(&self) -> Result<Option<u64>, KeepError> {
        let first =
            self.connection.query_row("SELECT min(position) FROM journal", [], |row| row.get::<_, Option<i64>>(0));
        Ok(first.map_err(self.fault())?.map(i64::cast_unsigned))
    }

    fn read_tail_rows(&mut self) -> rusqlite::Result<()> {
        let mut newest = self.connection.prepare("SELECT position, entries FROM journal ORDER BY position DESC")?;
        let mut rows = newest.query([])?;
        while self.tail_entries < TAIL_ENTRIES
            && let Some(row) = rows.next()?
        {
            let row = (row.get::<_, i64>(0)?.cast_unsigned(), row.get::<_, i64>(1)?.cast_unsigned());
            self.tail_entries += row.1;
            self.tail.push_front(row);
        }
        Ok(())
    }

    fn fault(&self) -> impl Fn(rusqlite::Error) -> KeepError + 'static {
        let path = self.path.clone();
        move |source| KeepError::of(&path, source)
    }

    /// Appends one row and returns its position once it is on the disk.
    pub fn append(&mut self, entries: &[Entry], bytes: &[u8], received: EventTime) -> rusqlite::Result<u64> {
        let transaction = self.connection.transaction()?;
        transaction
            .prepare_cached("INSERT INTO journal (received, entries, bytes) VALUES (?1, ?2, ?3)")?
            .execute(params![received.0, entries.len() as i64, bytes])?;
        let position = transaction.last_insert_rowid().cast_unsigned();
        if let Some(recorded) = entries.iter().rev().find_map(configured) {
            transaction
                .prepare_cached("INSERT OR REPLACE INTO configurations VALUES (?1, ?2)")?
                .execute(params![position.cast_signed(), recorded])?;
        }
        transaction.commit()?;
        self.tail.push_back((position, entries.len() as u64));
        self.tail_entries += entries.len() as u64;
        while let Some((_, oldest)) = self.tail.front()
            && self.tail_entries - oldest >= TAIL_ENTRIES
        {
            self.tail_entries -= oldest;
            self.tail.pop_front();
        }
        Ok(position)
    }

    /// Positions given from now on are greater than `position`. When the file is not the one the snapshots were made
    /// with (lost, or an older copy), its positions would begin below theirs, be taken for applied at the next start,
    /// and name other commands' rows of the audit.
    pub fn continue_after(&mut self, position: u64) -> Result<(), KeepError> {
        if self.head()? >= position {
            return Ok(());
        }
        let moved = self.connection.transaction().and_then(|transaction| {
            transaction.execute("DELETE FROM sqlite_sequence WHERE name = 'journal'", [])?;
            transaction.execute("INSERT INTO sqlite_sequence VALUES ('journal', ?1)", [position.cast_signed()])?;
            transaction.commit()
        });
        moved.map_err(self.fault())
    }

    /// Position of the last row ever written.
    pub fn head(&self) -> Result<u64, KeepError> {
        let head = self
            .connection
            .query_row("SELECT seq FROM sqlite_sequence WHERE name = 'journal'", [], |row| row.get::<_, i64>(0))
            .optional()
            .map_err(self.fault())?;
        Ok(head.unwrap_or(0).cast_unsigned())
    }

    /// The configuration in effect after the row at `position`; for a position before the first one, the first.
    pub fn configuration_at(&self, position: u64) -> Result<Option<String>, KeepError> {
        self.connection
            .query_row(
                "SELECT recorded FROM configurations ORDER BY position <= ?1 DESC, CASE WHEN position <= ?1 THEN -position
                 ELSE position END LIMIT 1",
                [position.cast_signed()],
                |row| row.get(0),
            )
            .optional()
            .map_err(self.fault())
    }

    /// The configuration in effect at the end; `None` when none was recorded or it cannot be read.
    pub fn newest_configuration(&self) -> Option<String> {
        self.configuration_at(i64::MAX.cast_unsigned()).ok().flatten()
    }

    /// Position of the oldest row there is.
    pub fn begin(&self) -> Result<Option<u64>, KeepError> {
        let begin: Option<i64> = self
            .connection
            .query_row("SELECT min(position) FROM journal", [], |row| row.get(0))
            .map_err(self.fault())?;
        Ok(begin.map(i64::cast_unsigned))
    }

    /// The next row after `position` and up to `head`.
    pub fn after(&self, position: u64, head: u64) -> Result<Option<(u64, Vec<Entry>)>, KeepError> {
        let row = self
            .connection
            .prepare_cached(
                "SELECT position, bytes FROM journal WHERE position > ?1 AND position <= ?2 ORDER BY position LIMIT 1",
            )
            .and_then(|mut statement| {
                statement
                    .query_row([position.cast_signed(), head.cast_signed()], |row| {
                        Ok((row.get::<_, i64>(0)?.cast_unsigned(), row.get::<_, Vec<u8>>(1)?))
                    })
                    .optional()
            })
            .map_err(self.fault())?;
        let Some((position, bytes)) = row else { return Ok(None) };
        let entries =
            decode(&bytes).map_err(|why| KeepError::Row { path: self.path.clone(), position, why: why.to_string() })?;
        Ok(Some((position, entries)))
    }

    /// A second connection, for reading while the first writes.
    pub fn reader(&self) -> Result<Self, KeepError> {
        let connection = Connection::open(&self.path).map_err(self.fault())?;
        connection.pragma_update(None, "query_only", true).map_err(self.fault())?;
        connection.busy_timeout(Duration::from_secs(5)).map_err(self.fault())?;
        Ok(Self { connection, path: self.path.clone(), tail: VecDeque::new(), tail_entries: 0 })
    }

    /// What the end of the journal holds.
    pub fn tail(&self) -> Result<Tail, KeepError> {
        let head = self.head()?;
        let mut tail = Tail::default();
        let mut position = self.tail.front().map_or(head, |(oldest, _)| oldest - 1);
        loop {
            let entries = match self.after(position, head) {
                Ok(Some((at, entries))) => {
                    position = at;
                    entries
                }
                Ok(None) => break,
                // Named again when it is to be applied.
                Err(KeepError::Row { position: damaged, .. }) => {
                    position = damaged;
                    continue;
                }
                Err(error) => return Err(error),
            };
            for entry in entries {
                if matches!(entry, Entry::Hole(_)) {
                    // The session was lost: packet ids began anew, those before it mean nothing any more.
                    tail.messages.clear();
                }
                let Entry::Message(message) = entry else { continue };
                tail.last_received = Some(message.received);
                if message.packet_id != 0 {
                    tail.messages.push((message.packet_id, identity(&message.topic, &message.payload)));
                }
            }
        }
        Ok(tail)
    }

    /// Drops a few of the oldest rows that are covered and older than `before`, or any covered while the file is larger
    /// than `max_bytes`.
    fn prune(&mut self, covered: u64, before: EventTime, max_bytes: u64) -> rusqlite::Result<usize> {
        let excess = used_bytes(&self.connection)?.saturating_sub(max_bytes);
        // Beyond the size no more goes than is too much; a few rows at least, so that it shrinks while others come.
        let (before, rows) = match excess {
            0 => (before, PRUNE_ROWS),
            excess => (EventTime(i64::MAX), (excess / ROW_BYTES as u64).clamp(2, PRUNE_ROWS)),
        };
        let oldest: Option<i64> =
            self.connection.query_row("SELECT min(position) FROM journal", [], |row| row.get(0))?;
        let Some(oldest) = oldest else { return Ok(0) };
        let tail = self.tail.front().map_or(0, |(position, _)| position - 1);
        let last = covered.min(tail).min(oldest.cast_unsigned().saturating_add(rows - 1));
        let transaction = self.connection.transaction()?;
        let dropped = transaction
            .prepare_cached("DELETE FROM journal WHERE position <= ?1 AND received < ?2")?
            .execute([last.cast_signed(), before.0])?;
        if dropped > 0 {
            // The one that held where the oldest row begins stays.
            transaction.execute(
                "DELETE FROM configurations WHERE position < (SELECT max(position) FROM configurations
                 WHERE position < (SELECT min(position) FROM journal))",
                [],
            )?;
        }
        transaction.commit()?;
        give_back(&self.connection)?;
        Ok(dropped)
    }

    /// Works until the reader's side closes: gathers what waits, commits it, says so, hands it on.
    pub fn run(mut self, mut threads: Threads) {
        let mut pruned_for = 0;
        let worker = threads.status.vitals.worker("journal");
        loop {
            worker.idle();
            let Some(first) = threads.batches.blocking_recv() else { break };
            worker.busy();
            let mut entries = first.entries;
            let mut last_number = first.last_number;
            let mut size = payload_bytes(&entries);
            while entries.len() < ROW_ENTRIES && size < ROW_BYTES {
                let Ok(more) = threads.batches.try_recv() else { break };
                size += payload_bytes(&more.entries);
                entries.extend(more.entries);
                last_number = more.last_number;
            }
            let Some(position) = self.append_until_done(&entries, &threads) else { break };
            let messages = entries.iter().filter(|entry| matches!(entry, Entry::Message(_))).count();
            threads.status.journaled.add(messages as u64);
            threads.durable.send_replace(last_number);
            threads.status.vitals.before_router.up();
            if threads.applied.send((position, entries)).is_err() {
                break;
            }
            worker.step();
            // After new snapshots, and then row by row until the covered ones are gone.
            let covered = threads.covered.load(Ordering::Acquire);
            if covered > pruned_for {
                let before = (threads.now)().plus_secs(-threads.keep.as_secs_f64());
                match self.prune(covered, before, threads.max_bytes) {
                    Ok(0) => pruned_for = covered,
                    Ok(_) => {}
                    Err(error) => tracing::warn!(%error, "the journal could not be shortened; trying again"),
                }
            }
        }
    }

    /// A full or failing disk is waited for: without it nothing may be acknowledged, and the broker keeps the rest.
    fn append_until_done(&mut self, entries: &[Entry], threads: &Threads) -> Option<u64> {
        let bytes = match encode(entries) {
            Ok(bytes) => bytes,
            Err(error) => {
                tracing::error!(%error, "a batch cannot be encoded; this is a fault of roundsman");
                return None;
            }
        };
        let mut told = false;
        loop {
            let began = Instant::now();
            match self.append(entries, &bytes, (threads.now)()) {
                Ok(position) => {
                    threads.status.vitals.journal_commit.add(began.elapsed());
                    if told {
                        threads.status.vitals.disk.writes(Which::Journal);
                        tracing::warn!(
                            path = %self.path.display(),
                            "the journal can be written again; going on at {}", iso((threads.now)())
                        );
                    }
                    return Some(position);
                }
                Err(error) => {
                    threads.status.disk_faults.up();
                    threads.status.vitals.disk.failing(Which::Journal, error.to_string());
                    if !std::mem::replace(&mut told, true) {
                        tracing::error!(
                            path = %self.path.display(), %error, remedy = remedy(&error),
                            "the journal cannot be written: nothing is acknowledged until it can"
                        );
                    }
                }
            }
            if threads.give_up.load(Ordering::Relaxed) {
                return None;
            }
            std::thread::sleep(Duration::from_millis(500));
        }
    }
}

fn configured(entry: &Entry) -> Option<&str> {
    if let Entry::Configured(recorded) = entry { Some(recorded) } else { None }
}

fn payload_bytes(entries: &[Entry]) -> usize {
    let payload = |entry: &Entry| match entry {
        Entry::Message(message) | Entry::Asked(message) => message.payload.len(),
        _ => 8,
    };
    entries.iter().map(payload).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(n: u16) -> Entry {
        Entry::Message(Message {
            topic: format!("plant/{n}"),
            payload: Bytes::from(vec![n as u8; usize::from(n)]),
            cut: n.is_multiple_of(2),
            retain: n.is_multiple_of(3),
            dup: false,
            packet_id: n,
            received: EventTime(i64::from(n) - 5),
            reply_to: n.is_multiple_of(5).then(|| ReplyTo {
                topic: "answer".into(),
                correlation: n.is_multiple_of(2).then(|| Bytes::from_static(b"\xff\x00")),
            }),
        })
    }

    #[test]
    fn what_goes_in_comes_out_in_order() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut journal = Journal::open(dir.path()).expect("opens");
        let mut rows = Vec::new();
        for row in 0..3 {
            let mut entries: Vec<_> = (0..40).map(|n| message(row * 40 + n)).collect();
            entries.push(Entry::Idle(1_000_000));
            entries.push(Entry::Hole(Hole { from: EventTime(1), to: EventTime(2) }));
            entries.push(Entry::Configured(format!("configuration {row}").into()));
            let bytes = encode(&entries).expect("encodes");
            rows.push((journal.append(&entries, &bytes, EventTime(0)).expect("appends"), entries));
        }
        let entries: Vec<_> = (0..40).map(message).collect();
        let bytes = encode(&entries).expect("encodes");
        rows.push((journal.append(&entries, &bytes, EventTime(0)).expect("appends"), entries));
        drop(journal);
        let journal = Journal::open(dir.path()).expect("opens again");
        let head = journal.head().expect("head");
        assert_eq!(head, rows.last().map_or(0, |row| row.0));
        let mut position = 0;
        for row in rows {
            let found = journal.after(position, head).expect("reads").expect("a row");
            assert_eq!(found, row);
            position = found.0;
        }
        assert_eq!(journal.after(position, head).expect("reads"), None);
        let known = journal.tail().expect("tail").messages.len();
        assert_eq!(known, 39, "behind the last hole, which ends a session and its packet ids: all but packet id 0");
    }

    #[test]
    fn pruning_leaves_what_is_not_covered_the_tail_and_positions_are_never_reused() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut journal = Journal::open(dir.path()).expect("opens");
        let entries = vec![message(1); ROW_ENTRIES];
        let bytes = encode(&entries).expect("encodes");
        for n in 1..=10 {
            assert_eq!(journal.append(&entries, &bytes, EventTime(n)).expect("appends"), n as u64);
        }
        assert_eq!(journal.prune(5, EventTime(4), u64::MAX).expect("prunes"), 3, "received 1, 2, 3");
        assert_eq!(journal.prune(5, EventTime(100), u64::MAX).expect("prunes"), 2, "positions 4 and 5");
        drop(journal);
        let mut journal = Journal::open(dir.path()).expect("opens again");
        assert_eq!(journal.prune(100, EventTime(100), u64::MAX).expect("prunes"), 1, "the last four rows are the tail");
        assert_eq!(journal.tail().expect("tail").messages.len() as u64, TAIL_ENTRIES);
        journal.connection.execute("DELETE FROM journal", []).expect("deletes");
        assert_eq!(journal.append(&entries, &bytes, EventTime(0)).expect("appends"), 11);
    }

    #[test]
    fn a_journal_beyond_its_size_gives_up_covered_rows_before_their_time_and_shrinks() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut journal = Journal::open(dir.path()).expect("opens");
        // Few entries and many bytes: the tail of recognisable messages needs the entries only.
        let bulky = vec![message(1); 1024];
        let bytes = vec![7; 1 << 20];
        for n in 1..=64 {
            journal.append(&bulky, &bytes, EventTime(n)).expect("appends");
        }
        let size = |journal: &Journal| {
            journal.connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").expect("checkpoints");
            std::fs::metadata(dir.path().join("journal.db")).expect("the file").len()
        };
        let before = size(&journal);
        assert!(before > 64 << 20, "{before}");
        let all_time = EventTime(0);
        assert_eq!(journal.prune(64, all_time, u64::MAX).expect("prunes"), 0, "none is old enough");
        while journal.prune(10, all_time, 32 << 20).expect("prunes") > 0 {}
        assert_eq!(journal.first().expect("reads"), Some(11), "what no snapshot covers stays");
        while journal.prune(64, all_time, 32 << 20).expect("prunes") > 0 {}
        assert!(used_bytes(&journal.connection).expect("a size") <= 32 << 20);
        let kept = journal.first().expect("reads").expect("a row");
        assert!((33..=48).contains(&kept), "from {kept}: the last 16 rows are the tail, and what fits goes no further");
        // Space goes back bit by bit, with the pruning that follows.
        for _ in 0..20 {
            give_back(&journal.connection).expect("gives back");
        }
        let after = size(&journal);
        assert!(after < before / 4 * 3, "{before} bytes and then {after}");
    }

    #[test]
    fn the_configuration_of_every_kept_place_can_be_told() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut journal = Journal::open(dir.path()).expect("opens");
        let append = |journal: &mut Journal, configured: Option<&str>| {
            let mut entries = vec![message(1); ROW_ENTRIES];
            entries.extend(configured.map(|text| Entry::Configured(text.into())));
            let bytes = encode(&entries).expect("encodes");
            journal.append(&entries, &bytes, EventTime(1)).expect("appends")
        };
        for configured in [Some("a"), None, None, Some("b"), None, None, Some("c"), None, None, None] {
            append(&mut journal, configured);
        }
        let at = |journal: &Journal, position| journal.configuration_at(position).expect("reads");
        let told: String = (0..=10).map(|position| at(&journal, position).expect("one")).collect();
        assert_eq!(told, "aaaabbbcccc", "before the first one the first");
        assert_eq!(journal.newest_configuration().as_deref(), Some("c"));
        // Rows 1 to 5 go: the one that held where row 6 begins stays, the one before it need not.
        assert_eq!(journal.prune(5, EventTime(100), u64::MAX).expect("prunes"), 5);
        assert_eq!(journal.first().expect("reads"), Some(6));
        assert_eq!(at(&journal, 5).as_deref(), Some("b"));
        assert_eq!(at(&journal, 0).as_deref(), Some("b"), "a is gone");
    }

    #[test]
    fn a_journal_that_was_lost_does_not_give_positions_again() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut journal = Journal::open(dir.path()).expect("opens");
        let entries = [message(1)];
        let bytes = encode(&entries).expect("encodes");
        journal.continue_after(41).expect("moves on");
        assert_eq!(journal.append(&entries, &bytes, EventTime(0)).expect("appends"), 42);
        journal.continue_after(7).expect("nothing to do");
        assert_eq!(journal.append(&entries, &bytes, EventTime(0)).expect("appends"), 43);
        assert_eq!(journal.head().expect("head"), 43);
    }

    #[test]
    fn packet_ids_of_a_lost_session_are_not_recognised() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut journal = Journal::open(dir.path()).expect("opens");
        let entries = [message(1), message(2), Entry::Hole(Hole { from: EventTime(1), to: EventTime(2) }), message(3)];
        let bytes = encode(&entries).expect("encodes");
        journal.append(&entries, &bytes, EventTime(0)).expect("appends");
        let ids: Vec<_> = journal.tail().expect("tail").messages.into_iter().map(|(id, _)| id).collect();
        assert_eq!(ids, [3]);
    }

    #[test]
    fn damaged_bytes_are_an_error_and_no_panic() {
        let entries: Vec<_> = (0..20).map(message).collect();
        let bytes = encode(&entries).expect("encodes");
        for cut in 0..bytes.len() {
            assert!(decode(&bytes[..cut]).is_err(), "cut at {cut}");
        }
    }
}
