//! `state.db`: schema, opening, recovery, and the statements the keeper's thread uses.

use super::trend::{Bucket, Tier, Trends};
use super::{KeepError, Record};
use crate::acquire::mqtt::backoff::fnv1a;
use crate::advise::publish::Waiting;
use crate::asset::capture::Kept;
use crate::status::Hole;
use bytes::Bytes;
use roundsman_models::EventTime;
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use std::collections::HashMap;
use std::fs::{File, TryLockError};
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

/// Version of the tables of both files. A change of a table is a new version and a migration.
pub const SCHEMA: u32 = 2;

/// Version of what the engine and the intake put into their blobs is theirs; this one is of the envelope.
const SNAPSHOT: u32 = 2;

const TABLES: &str = "
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE filters (filter TEXT PRIMARY KEY) WITHOUT ROWID;
-- One row per asset, and one with an empty name for what the intake knows (registry, stream clock).
CREATE TABLE snapshots (
    asset TEXT PRIMARY KEY, version INTEGER NOT NULL, position INTEGER NOT NULL, hash INTEGER NOT NULL,
    bytes BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE assets (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE points (
    asset INTEGER NOT NULL, point INTEGER NOT NULL, name TEXT NOT NULL, unit TEXT NOT NULL,
    PRIMARY KEY (asset, point)) WITHOUT ROWID;
-- tier: seconds of a row (300, 3600, 604800); t: its beginning, s since 1970; expected: mean, NULL without any.
CREATE TABLE trend (
    tier INTEGER NOT NULL, asset INTEGER NOT NULL, point INTEGER NOT NULL, t INTEGER NOT NULL,
    count INTEGER NOT NULL, min REAL NOT NULL, mean REAL NOT NULL, max REAL NOT NULL,
    expected_count INTEGER NOT NULL, expected REAL, PRIMARY KEY (tier, asset, point, t)) WITHOUT ROWID;
-- The rows that are still growing, as of the snapshots.
CREATE TABLE trend_open (
    tier INTEGER NOT NULL, asset INTEGER NOT NULL, point INTEGER NOT NULL, t INTEGER NOT NULL,
    count INTEGER NOT NULL, min REAL NOT NULL, mean REAL NOT NULL, max REAL NOT NULL,
    expected_count INTEGER NOT NULL, expected REAL, PRIMARY KEY (tier, asset, point)) WITHOUT ROWID;
-- at is part of the key: an engine that lost its state may give an id again, and that is another alert.
CREATE TABLE alerts (
    id TEXT NOT NULL, revision INTEGER NOT NULL, at INTEGER NOT NULL, asset TEXT NOT NULL, change TEXT NOT NULL,
    state TEXT NOT NULL, severity TEXT NOT NULL, document BLOB NOT NULL,
    PRIMARY KEY (id, revision, at)) WITHOUT ROWID;
CREATE INDEX alerts_by_time ON alerts (at);
-- position and part: which journal row and which entry of it; recovery cannot write it twice.
CREATE TABLE audit (
    position INTEGER NOT NULL, part INTEGER NOT NULL, at INTEGER, received INTEGER NOT NULL, asset TEXT,
    by TEXT NOT NULL, note TEXT, action TEXT NOT NULL, accepted INTEGER NOT NULL, answer TEXT NOT NULL,
    PRIMARY KEY (position, part)) WITHOUT ROWID;
CREATE TABLE outbox (
    number INTEGER PRIMARY KEY AUTOINCREMENT, urgency INTEGER NOT NULL, topic TEXT NOT NULL, payload BLOB NOT NULL,
    retain INTEGER NOT NULL, correlation BLOB, replaces TEXT UNIQUE);
CREATE INDEX outbox_in_turn ON outbox (urgency, number);
-- Waveforms as they came (a payload is what `roundsman analyse` reads from a file), and what each is kept as.
CREATE TABLE waveforms (
    asset TEXT NOT NULL, number INTEGER NOT NULL, at INTEGER NOT NULL, point TEXT, payload BLOB NOT NULL,
    PRIMARY KEY (asset, number));
CREATE TABLE waveform_slots (
    asset TEXT NOT NULL, slot TEXT NOT NULL, number INTEGER NOT NULL, PRIMARY KEY (asset, slot)) WITHOUT ROWID;
-- Event time of the last request for waveforms: what recovery makes again is not published again.
CREATE TABLE requests (asset TEXT PRIMARY KEY, at INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE holes (began INTEGER NOT NULL, ended INTEGER NOT NULL, PRIMARY KEY (began, ended)) WITHOUT ROWID;
";

/// Opens or creates one of the two files and checks its version. `tables` creates version [`SCHEMA`].
pub(super) fn open(path: &Path, tables: &str) -> Result<Connection, KeepError> {
    let fault = |source| KeepError::Database { path: path.to_owned(), source };
    let mut connection = Connection::open(path).map_err(fault)?;
    // WAL with FULL: a commit returns when it is on the disk, and readers never wait.
    connection.pragma_update(None, "journal_mode", "WAL").map_err(fault)?;
    connection.pragma_update(None, "synchronous", "FULL").map_err(fault)?;
    connection.busy_timeout(std::time::Duration::from_secs(5)).map_err(fault)?;
    let empty =
        connection.query_row("SELECT count(*) FROM sqlite_master", [], |row| row.get::<_, i64>(0)).map_err(fault)? == 0;
    if empty {
        let made = connection.transaction().and_then(|transaction| {
            transaction.execute_batch(tables)?;
            transaction.execute("INSERT INTO meta VALUES ('schema', ?1)", [SCHEMA.to_string()])?;
            transaction.commit()
        });
        made.map_err(fault)?;
    }
    let found = connection
        .query_row("SELECT value FROM meta WHERE key = 'schema'", [], |row| row.get::<_, String>(0))
        .optional()
        .unwrap_or(None)
        .unwrap_or_else(|| "unknown".into());
    if found != SCHEMA.to_string() {
        return Err(KeepError::Version { path: path.to_owned(), found, known: SCHEMA });
    }
    Ok(connection)
}

/// The state directory, locked for this process, with `state.db` open for writing.
pub struct Store {
    pub(super) connection: Connection,
    /// Engine's asset name → row of `assets`.
    pub(super) rows: HashMap<String, i64>,
    path: PathBuf,
    dir: PathBuf,
    _lock: File,
}

/// What an earlier run left.
#[derive(Debug, Default)]
pub struct Recovered {
    /// The journal is applied up to here.
    pub position: u64,
    /// What the intake saved; `None` on a first start.
    pub intake: Option<Vec<u8>>,
    /// What the engine saved, by asset name.
    pub assets: Vec<(String, Vec<u8>)>,
    /// Snapshots that could not be read, in words.
    pub faults: Vec<String>,
    /// Topic filters that may be in our session.
    pub filters: Vec<String>,
    /// Growing trend rows.
    pub trends: Trends,
}

impl Store {
    /// Opens `dir`, creating it when missing.
    ///
    /// # Errors
    /// The directory cannot be written, is in use by another process, or holds a file of another version.
    pub fn open(dir: &Path) -> Result<Self, KeepError> {
        let at = |path: &Path| {
            let path = path.to_owned();
            move |source| KeepError::Path { path, source }
        };
        // Learned states and the audit are nobody else's business.
        std::fs::DirBuilder::new().recursive(true).mode(0o700).create(dir).map_err(at(dir))?;
        let lock_path = dir.join("lock");
        let lock = File::create(&lock_path).map_err(at(&lock_path))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(KeepError::Locked { path: lock_path }),
            Err(TryLockError::Error(source)) => return Err(KeepError::Path { path: lock_path, source }),
        }
        let path = dir.join("state.db");
        let connection = open(&path, TABLES)?;
        let mut store = Self { connection, rows: HashMap::new(), path, dir: dir.to_owned(), _lock: lock };
        store.rows =
            store.all("SELECT name, id FROM assets", |row| Ok((row.get(0)?, row.get(1)?)))?.into_iter().collect();
        Ok(store)
    }

    /// The state directory.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// A second connection, for reading.
    pub fn reader(&self) -> Result<Connection, KeepError> {
        let connection = Connection::open(&self.path).map_err(self.fault())?;
        connection.pragma_update(None, "query_only", true).map_err(self.fault())?;
        connection.busy_timeout(std::time::Duration::from_secs(5)).map_err(self.fault())?;
        Ok(connection)
    }

    fn fault(&self) -> impl Fn(rusqlite::Error) -> KeepError + 'static {
        let path = self.path.clone();
        move |source| KeepError::Database { path: path.clone(), source }
    }

    fn all<T>(
        &self,
        sql: &str,
        map: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, KeepError> {
        let mut statement = self.connection.prepare(sql).map_err(self.fault())?;
        let rows = statement.query_map([], map).map_err(self.fault())?;
        rows.collect::<Result<_, _>>().map_err(self.fault())
    }

    /// Reads what an earlier run left. A snapshot that is damaged or of another version is named in `faults` and
    /// costs its asset what it learned; the others are not touched.
    pub fn recover(&self) -> Result<Recovered, KeepError> {
        let mut recovered = Recovered {
            filters: self.all("SELECT filter FROM filters ORDER BY filter", |row| row.get(0))?,
            ..Default::default()
        };
        type Row = (String, u32, u64, i64, Vec<u8>);
        let rows: Vec<Row> = self
            .all("SELECT asset, version, position, hash, bytes FROM snapshots ORDER BY asset", |row| {
                Ok((row.get(0)?, row.get(1)?, row.get::<_, i64>(2)? as u64, row.get(3)?, row.get(4)?))
            })?;
        for (asset, version, position, hash, bytes) in rows {
            recovered.position = recovered.position.max(position);
            let name = if asset.is_empty() { "the intake" } else { &asset };
            if version != SNAPSHOT {
                recovered.faults.push(format!("the snapshot of {name} has version {version}, known is {SNAPSHOT}"));
            } else if fnv1a(&bytes).cast_signed() != hash {
                recovered.faults.push(format!("the snapshot of {name} is damaged: its hash does not fit"));
            } else if asset.is_empty() {
                recovered.intake = Some(bytes);
            } else {
                recovered.assets.push((asset, bytes));
            }
        }
        let open = self.all(
            "SELECT asset, point, tier, t, count, min, mean, max, expected_count, expected FROM trend_open",
            |row| {
                let bucket = Bucket {
                    t: row.get(3)?,
                    count: row.get(4)?,
                    min: row.get(5)?,
                    mean: row.get(6)?,
                    max: row.get(7)?,
                    expected_count: row.get(8)?,
                    expected: row.get::<_, Option<f64>>(9)?.unwrap_or(0.0),
                };
                Ok((row.get::<_, i64>(0)?, row.get::<_, u16>(1)?, row.get::<_, i64>(2)?, bucket))
            },
        )?;
        for (asset, point, secs, bucket) in open {
            if let Some(tier) = Tier::of_secs(secs) {
                recovered.trends.put_back(asset, point, tier, bucket);
            }
        }
        Ok(recovered)
    }

    /// Replaces the list of filters our session may hold. Before the connection is made, so that no filter can be in
    /// the session and not in the list.
    pub fn set_filters(&mut self, filters: &[String]) -> Result<(), KeepError> {
        let done = self.connection.transaction().and_then(|transaction| {
            write_filters(&transaction, filters)?;
            transaction.commit()
        });
        done.map_err(self.fault())
    }
}

pub(super) fn write_filters(transaction: &Transaction<'_>, filters: &[String]) -> rusqlite::Result<()> {
    transaction.execute("DELETE FROM filters", [])?;
    for filter in filters {
        transaction.execute("INSERT OR IGNORE INTO filters VALUES (?1)", [filter])?;
    }
    Ok(())
}

pub(super) fn write_snapshot(
    transaction: &Transaction<'_>,
    asset: &str,
    position: u64,
    bytes: &[u8],
) -> rusqlite::Result<()> {
    transaction.prepare_cached("INSERT OR REPLACE INTO snapshots VALUES (?1, ?2, ?3, ?4, ?5)")?.execute(params![
        asset,
        SNAPSHOT,
        position.cast_signed(),
        fnv1a(bytes).cast_signed(),
        bytes
    ])?;
    Ok(())
}

pub(super) fn write_asset(
    transaction: &Transaction<'_>,
    id: i64,
    name: &str,
    points: &[(String, String)],
) -> rusqlite::Result<()> {
    transaction.prepare_cached("INSERT OR IGNORE INTO assets VALUES (?1, ?2)")?.execute(params![id, name])?;
    for (point, (name, unit)) in (0u16..).zip(points) {
        transaction
            .prepare_cached("INSERT OR REPLACE INTO points VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![id, point, name, unit])?;
    }
    Ok(())
}

/// Which of the two trend tables.
#[derive(Clone, Copy)]
pub(super) enum TrendTable {
    Closed,
    Open,
}

pub(super) fn write_trend(
    transaction: &Transaction<'_>,
    table: TrendTable,
    asset: i64,
    point: u16,
    tier: Tier,
    bucket: &Bucket,
) -> rusqlite::Result<()> {
    let sql = match table {
        // Recovery writes the same row again; one that began anew in the middle must not take a fuller one's place.
        TrendTable::Closed => {
            "INSERT INTO trend VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)
             ON CONFLICT DO UPDATE SET count = excluded.count, min = excluded.min, mean = excluded.mean,
             max = excluded.max, expected_count = excluded.expected_count, expected = excluded.expected
             WHERE excluded.count >= trend.count"
        }
        TrendTable::Open => "INSERT OR REPLACE INTO trend_open VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    };
    let expected = (bucket.expected_count > 0).then_some(bucket.expected);
    transaction.prepare_cached(sql)?.execute(params![
        tier.secs(),
        asset,
        point,
        bucket.t,
        bucket.count,
        bucket.min,
        bucket.mean,
        bucket.max,
        bucket.expected_count,
        expected
    ])?;
    Ok(())
}

/// Drops trend rows past their keeping time, by the stream's clock.
pub(super) fn prune_trends(transaction: &Transaction<'_>, now: EventTime) -> rusqlite::Result<usize> {
    let mut dropped = 0;
    for tier in Tier::ALL {
        if let Some(keep) = tier.keep_secs() {
            let oldest = now.0.div_euclid(1_000_000) - keep;
            dropped +=
                transaction.execute("DELETE FROM trend WHERE tier = ?1 AND t < ?2", params![tier.secs(), oldest])?;
        }
    }
    Ok(dropped)
}

/// True when the alert was not known yet.
pub(super) fn write_alert(transaction: &Transaction<'_>, record: &Record) -> rusqlite::Result<bool> {
    let Record::Alert { id, revision, at, asset, change, state, severity, publication } = record else {
        return Ok(false);
    };
    let fresh = transaction
        .prepare_cached("INSERT OR IGNORE INTO alerts VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?
        .execute(params![id, revision, at.0, asset, change, state, severity, publication.payload])?;
    Ok(fresh > 0)
}

/// True when the audit row was not known yet.
pub(super) fn write_audit(transaction: &Transaction<'_>, record: &Record) -> rusqlite::Result<bool> {
    let Record::Answer { position, part, at, received, asset, by, note, action, accepted, answer, .. } = record else {
        return Ok(false);
    };
    let fresh = transaction
        .prepare_cached("INSERT OR IGNORE INTO audit VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)")?
        .execute(params![
            position.cast_signed(),
            part,
            at.map(|at| at.0),
            received.0,
            asset,
            by,
            note,
            action,
            accepted,
            answer
        ])?;
    Ok(fresh > 0)
}

pub(super) fn write_hole(transaction: &Transaction<'_>, hole: Hole) -> rusqlite::Result<()> {
    transaction.execute("INSERT OR IGNORE INTO holes VALUES (?1, ?2)", [hole.from.0, hole.to.0])?;
    Ok(())
}

/// True when the request was not known yet.
pub(super) fn write_request(transaction: &Transaction<'_>, asset: &str, at: EventTime) -> rusqlite::Result<bool> {
    let fresh = transaction
        .prepare_cached(
            "INSERT INTO requests VALUES (?1, ?2)
             ON CONFLICT DO UPDATE SET at = excluded.at WHERE excluded.at > requests.at",
        )?
        .execute(params![asset, at.0])?;
    Ok(fresh > 0)
}

pub(super) fn write_waveform(transaction: &Transaction<'_>, record: &Record) -> rusqlite::Result<()> {
    let Record::Waveform { asset, number, at, point, payload } = record else { return Ok(()) };
    transaction.prepare_cached("INSERT OR REPLACE INTO waveforms VALUES (?1, ?2, ?3, ?4, ?5)")?.execute(params![
        asset,
        number.cast_signed(),
        at.0,
        point,
        payload.as_ref()
    ])?;
    Ok(())
}

/// Writes down what is kept as what, and drops every other waveform of the asset up to the number.
pub(super) fn keep_waveforms(transaction: &Transaction<'_>, asset: &str, kept: &Kept) -> rusqlite::Result<()> {
    transaction.prepare_cached("DELETE FROM waveform_slots WHERE asset = ?1")?.execute([asset])?;
    for (slot, number) in &kept.slots {
        transaction.prepare_cached("INSERT OR REPLACE INTO waveform_slots VALUES (?1, ?2, ?3)")?.execute(params![
            asset,
            slot,
            number.cast_signed()
        ])?;
    }
    transaction
        .prepare_cached(
            "DELETE FROM waveforms WHERE asset = ?1 AND number <= ?2
             AND number NOT IN (SELECT number FROM waveform_slots WHERE asset = ?1)",
        )?
        .execute(params![asset, kept.upto.cast_signed()])?;
    Ok(())
}

/// Reads the documents to send next, most urgent first.
pub fn read_outbox(connection: &Connection, limit: u32) -> rusqlite::Result<Vec<Waiting>> {
    let mut statement = connection.prepare_cached(
        "SELECT number, topic, payload, retain, correlation FROM outbox ORDER BY urgency, number LIMIT ?1",
    )?;
    let rows = statement.query_map([limit], |row| {
        Ok(Waiting {
            number: row.get(0)?,
            publication: crate::acquire::mqtt::link::Publication {
                topic: row.get(1)?,
                payload: row.get(2)?,
                retain: row.get(3)?,
                correlation: row.get::<_, Option<Vec<u8>>>(4)?.map(Bytes::from),
            },
        })
    })?;
    rows.collect()
}
