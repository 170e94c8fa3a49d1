//! `state.db`: schema, opening, recovery, and the statements the keeper's thread uses.

use super::lock::Lock;
use super::mail::mail_tables;
use super::plate::Plate;
use super::report_mail::{FIRST_PART, report_mail_tables};
use super::score::{self, Scores, score_tables};
use super::trend::{Bucket, Tier, Trends};
use super::{KeepError, Record};
use crate::acquire::mqtt::backoff::fnv1a;
use crate::acquire::mqtt::link::{About, Content, Publication};
use crate::advise::publish::Waiting;
use crate::asset::capture::Kept;
use crate::status::Hole;
use bytes::Bytes;
use roundsman_models::EventTime;
use rusqlite::{CachedStatement, Connection, OptionalExtension, Transaction, params};
use std::collections::HashMap;
use std::fs::{OpenOptions, Permissions};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// Version of the tables of both files. A change of a table is a new version and a migration.
pub const SCHEMA: u32 = 4;

/// Version of what the engine and the intake put into their snapshots. Any change of a struct in them is a new form and a
/// new version; `tests/versions.rs` notices.
///
/// 2: alarm lives under settings, a condition document that is due, our own clock as a witness of the stream's; the hash
/// covers all of the row. 3: waveforms, their references and judgements; plate data of bearings and sensors. 4: planned
/// work, groups, changes of set-up, reminders; births of Sparkplug nodes.
pub const SNAPSHOT: u32 = 4;

/// Over all of a snapshot's row: a flipped bit in the position would skip or repeat journal, one in the name would
/// give an asset's learning to nobody, one in the version would stop the start.
fn snapshot_hash(asset: &str, version: u32, position: u64, bytes: &[u8]) -> i64 {
    let parts = [fnv1a(asset.as_bytes()), u64::from(version), position, fnv1a(bytes)];
    fnv1a(&parts.map(u64::to_le_bytes).concat()).cast_signed()
}

/// Version 3 brought waveforms; said once for new files and for those of before.
macro_rules! waveform_tables {
    () => {
        "
-- Waveforms as they came (a payload is what `roundsman analyse` reads from a file), and what each is kept as.
CREATE TABLE waveforms (
    asset TEXT NOT NULL, number INTEGER NOT NULL, at INTEGER NOT NULL, point TEXT, payload BLOB NOT NULL,
    PRIMARY KEY (asset, number));
CREATE TABLE waveform_slots (
    asset TEXT NOT NULL, slot TEXT NOT NULL, number INTEGER NOT NULL, PRIMARY KEY (asset, slot)) WITHOUT ROWID;
-- Event time of the last request for waveforms: what recovery makes again is not published again.
CREATE TABLE requests (asset TEXT PRIMARY KEY, at INTEGER NOT NULL) WITHOUT ROWID;
"
    };
}

/// Version 4, what the page and the report read: what was normal in a trend row at the least and at the greatest; the newest
/// of each retained document; what an asset is; how it was run.
macro_rules! page_tables {
    () => {
        "
-- NULL without any expectation in the row.
ALTER TABLE trend ADD COLUMN expected_low REAL; ALTER TABLE trend ADD COLUMN expected_high REAL;
ALTER TABLE trend_open ADD COLUMN expected_low REAL; ALTER TABLE trend_open ADD COLUMN expected_high REAL;
-- kind: condition, remaining-life, diagnosis; at: event time it was said.
CREATE TABLE documents (
    asset TEXT NOT NULL, kind TEXT NOT NULL, at INTEGER NOT NULL, document BLOB NOT NULL, PRIMARY KEY (asset, kind));
-- plate: JSON.
CREATE TABLE plates (asset TEXT PRIMARY KEY, plate TEXT NOT NULL);
-- From then on it was in that operating state; empty: in none that is known.
CREATE TABLE periods (
    asset TEXT NOT NULL, began INTEGER NOT NULL, state TEXT NOT NULL, PRIMARY KEY (asset, began)) WITHOUT ROWID;
CREATE INDEX alerts_by_asset ON alerts (asset, at);
CREATE INDEX audit_by_asset ON audit (asset, received);
"
    };
}

/// Version 4: what MQTT says of a document beside its topic, so that it goes out after a restart as it would have before.
macro_rules! outbox_properties {
    () => {
        "
ALTER TABLE outbox ADD COLUMN content TEXT NOT NULL DEFAULT 'json';
ALTER TABLE outbox ADD COLUMN expiry INTEGER;
"
    };
}

const TABLES: &str = concat!(
    "
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
    topic TEXT, old TEXT, new TEXT,
    PRIMARY KEY (position, part)) WITHOUT ROWID;
CREATE TABLE outbox (
    number INTEGER PRIMARY KEY AUTOINCREMENT, urgency INTEGER NOT NULL, topic TEXT NOT NULL, payload BLOB NOT NULL,
    retain INTEGER NOT NULL, correlation BLOB, replaces TEXT UNIQUE);
CREATE INDEX outbox_in_turn ON outbox (urgency, number);
CREATE TABLE holes (began INTEGER NOT NULL, ended INTEGER NOT NULL, PRIMARY KEY (began, ended)) WITHOUT ROWID;
",
    waveform_tables!(),
    page_tables!(),
    mail_tables!(),
    report_mail_tables!(),
    outbox_properties!(),
    score_tables!()
);

/// From each version of `state.db` to the next. A row of before has no topic and no values beside its answer.
const CHANGES: [&str; SCHEMA as usize - 1] = [
    // 1 → 2
    "ALTER TABLE audit ADD COLUMN topic TEXT; ALTER TABLE audit ADD COLUMN old TEXT;
     ALTER TABLE audit ADD COLUMN new TEXT;",
    // 2 → 3
    waveform_tables!(),
    // 3 → 4
    concat!(page_tables!(), mail_tables!(), report_mail_tables!(), outbox_properties!(), score_tables!()),
];

/// What people found who looked at alerts: accepted commands of the audit, so that there is one truth of who said what.
/// `CASE`, because a refused command's action need not be JSON.
pub(super) const FINDINGS: &str = "
SELECT at, asset, action ->> '$.alert' AS alert, action ->> '$.verdict' AS verdict, action ->> '$.kind' AS kind, by, note,
    position, part FROM audit
WHERE accepted = 1 AND CASE WHEN json_valid(action) THEN action ->> '$.action' END = 'finding'";

/// Opens or creates one of the two files, private to us, and checks its version. `tables` creates version [`SCHEMA`],
/// `changes` lead there from each earlier one.
pub(super) fn open(path: &Path, tables: &str, changes: &[&str; SCHEMA as usize - 1]) -> Result<Connection, KeepError> {
    make_private(path)?;
    let fault = |source| KeepError::of(path, source);
    let mut connection = Connection::open(path).map_err(fault)?;
    connection.busy_timeout(std::time::Duration::from_secs(5)).map_err(fault)?;
    let empty =
        connection.query_row("SELECT count(*) FROM sqlite_master", [], |row| row.get::<_, i64>(0)).map_err(fault)? == 0;
    // Before anything is written: what is refused stays as it is.
    let known = if empty { SCHEMA } else { known_version(path, &connection)? };
    // So that a file that grew in a backlog can shrink again; takes effect in an empty file only, before anything else.
    connection.pragma_update(None, "auto_vacuum", "INCREMENTAL").map_err(fault)?;
    // WAL with FULL: a commit returns when it is on the disk, and readers never wait.
    connection.pragma_update(None, "journal_mode", "WAL").map_err(fault)?;
    connection.pragma_update(None, "synchronous", "FULL").map_err(fault)?;
    // A WAL that grew while a long reader held it up is cut back to this.
    connection.pragma_update(None, "journal_size_limit", 16 << 20).map_err(fault)?;
    if empty {
        let made = connection.transaction().and_then(|transaction| {
            transaction.execute_batch(tables)?;
            transaction.execute("INSERT INTO meta VALUES ('schema', ?1)", [SCHEMA.to_string()])?;
            transaction.commit()
        });
        made.map_err(fault)?;
    }
    for (from, change) in (1..SCHEMA).zip(changes).skip_while(|(from, _)| *from < known) {
        let changed = connection.transaction().and_then(|transaction| {
            transaction.execute_batch(change)?;
            transaction.execute("UPDATE meta SET value = ?1 WHERE key = 'schema'", [(from + 1).to_string()])?;
            transaction.commit()
        });
        changed.map_err(fault)?;
        tracing::info!(file = %path.display(), from, to = from + 1, "brought to this version's tables");
    }
    Ok(connection)
}

/// The version of the tables, when there is a way from it to ours.
fn known_version(path: &Path, connection: &Connection) -> Result<u32, KeepError> {
    let found = connection
        .query_row("SELECT value FROM meta WHERE key = 'schema'", [], |row| row.get::<_, String>(0))
        .optional()
        .unwrap_or(None)
        .unwrap_or_else(|| "unknown".into());
    let known = found.parse().ok().filter(|version| (1..=SCHEMA).contains(version));
    known.ok_or_else(|| KeepError::Version { path: path.to_owned(), found, known: SCHEMA })
}

/// Pages given back at a time: 4 MiB, some milliseconds.
const GIVE_BACK_PAGES: i64 = 1024;

/// Bytes of a database that hold something.
pub(super) fn used_bytes(connection: &Connection) -> rusqlite::Result<u64> {
    let number = |name: &str| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let pages = number("page_count")? - number("freelist_count")?;
    Ok(pages.saturating_mul(number("page_size")?).max(0).cast_unsigned())
}

/// Gives a few free pages back to the file system when many are free. Not all: the next minutes need them again.
pub(super) fn give_back(connection: &Connection) -> rusqlite::Result<()> {
    let number = |name: &str| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let (pages, free) = (number("page_count")?, number("freelist_count")?);
    if free > 4 * GIVE_BACK_PAGES && free > pages / 4 {
        // Each step of the statement gives one page back, so it has to be stepped to its end.
        let mut statement = connection.prepare(&format!("PRAGMA incremental_vacuum({GIVE_BACK_PAGES})"))?;
        let mut steps = statement.query([])?;
        while steps.next()?.is_some() {}
    }
    Ok(())
}

/// Makes the file with the rights of its owner only, before SQLite makes it with those of the umask, and takes back
/// what everybody may on one that is there. SQLite gives its side files the rights of the database.
fn make_private(path: &Path) -> Result<(), KeepError> {
    let at = |source| KeepError::Path { path: path.to_owned(), source };
    // What stands in the way of making it, SQLite says better.
    let _ = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path);
    for suffix in ["", "-wal", "-shm"] {
        let mut name = path.as_os_str().to_owned();
        name.push(suffix);
        let path = Path::new(&name);
        let Ok(about) = std::fs::metadata(path) else { continue };
        let mode = about.permissions().mode();
        if mode & OTHERS != 0 {
            std::fs::set_permissions(path, Permissions::from_mode(mode & 0o7777 & !OTHERS)).map_err(at)?;
            tracing::warn!(file = %path.display(), "was readable by everybody (mode {:04o}); not any more", mode & 0o7777);
        }
    }
    Ok(())
}

/// What others can do in a directory that was there before. Its rights may be meant, so they are not changed: one in
/// which others could put files in place of ours is refused, one they can only look into is told, since the files in it
/// are private all the same.
fn check_rights(dir: &Path) -> Result<(), KeepError> {
    let at = |source| KeepError::Path { path: dir.to_owned(), source };
    let mode = std::fs::metadata(dir).map_err(at)?.permissions().mode() & 0o7777;
    if mode & 0o022 != 0 {
        return Err(KeepError::NotPrivate { path: dir.to_owned(), mode });
    }
    if mode & OTHERS != 0 {
        tracing::warn!(dir = %dir.display(), "everybody can look into the state directory (mode {mode:04o}): run chmod 0700 on it");
    }
    Ok(())
}

/// What must not be in a mode: anything for everybody, and writing for the group, which a backup does not need.
const OTHERS: u32 = 0o027;

/// The state directory, locked for this process, with `state.db` open for writing.
pub struct Store {
    pub(super) connection: Connection,
    /// Engine's asset name → row of `assets`.
    pub(super) rows: HashMap<String, i64>,
    path: PathBuf,
    dir: PathBuf,
    _lock: Lock,
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
    /// Growing rows of scores.
    pub scores: Scores,
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
        check_rights(dir)?;
        let lock = Lock::take(dir)?;
        let path = dir.join("state.db");
        let connection = open(&path, TABLES, &CHANGES)?;
        // For people with a database tool; a view is no change of the tables.
        connection
            .execute_batch(&format!("CREATE VIEW IF NOT EXISTS findings AS {FINDINGS}"))
            .map_err(|source| KeepError::of(&path, source))?;
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
        move |source| KeepError::of(&path, source)
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

    /// Reads what an earlier run left. A snapshot that is damaged is named in `faults` and costs its asset what it
    /// learned; the others are not touched.
    ///
    /// # Errors
    /// Snapshots of another version, which going on would write over; a file that cannot be read.
    pub fn recover(&self) -> Result<Recovered, KeepError> {
        let mut recovered = Recovered {
            filters: self.all("SELECT filter FROM filters ORDER BY filter", |row| row.get(0))?,
            scores: score::read_open(&self.connection).map_err(self.fault())?,
            ..Default::default()
        };
        self.read_snapshots(&mut recovered)?;
        let open = self.all(
            "SELECT asset, point, tier, t, count, min, mean, max, expected_count, expected, expected_low, expected_high
             FROM trend_open",
            |row| {
                let bucket = Bucket {
                    t: row.get(3)?,
                    count: row.get(4)?,
                    min: row.get(5)?,
                    mean: row.get(6)?,
                    max: row.get(7)?,
                    expected_count: row.get(8)?,
                    expected: row.get::<_, Option<f64>>(9)?.unwrap_or(0.0),
                    // Of a row of before, what came since.
                    expected_low: row.get::<_, Option<f64>>(10)?.unwrap_or(f64::INFINITY),
                    expected_high: row.get::<_, Option<f64>>(11)?.unwrap_or(f64::NEG_INFINITY),
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

    /// Row by row and value by value: what SQLite cannot read of one costs only that one.
    fn read_snapshots(&self, recovered: &mut Recovered) -> Result<(), KeepError> {
        let mut statement = self
            .connection
            .prepare("SELECT asset, version, position, hash, bytes FROM snapshots ORDER BY asset")
            .map_err(self.fault())?;
        let mut rows = statement.query([]).map_err(self.fault())?;
        let mut others = Vec::new();
        loop {
            let row = match rows.next() {
                Ok(Some(row)) => row,
                Ok(None) => break,
                Err(error) => {
                    recovered.faults.push(format!("snapshots: {error}; those that come after it cannot be read"));
                    break;
                }
            };
            let name = match row.get_ref(0).ok().and_then(|name| name.as_str().ok()) {
                Some("") => "the intake".to_owned(),
                Some(name) => name.to_owned(),
                None => "an asset whose name cannot be read".to_owned(),
            };
            let read = || -> rusqlite::Result<(String, u32, i64, i64, Vec<u8>)> {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))
            };
            match read() {
                Ok((asset, version, position, hash, bytes)) => {
                    let position = position.cast_unsigned();
                    // The first form's hash was over the bytes alone.
                    let whole = snapshot_hash(&asset, version, position, &bytes) == hash
                        || version == 1 && fnv1a(&bytes).cast_signed() == hash;
                    if !whole {
                        recovered.faults.push(format!("the snapshot of {name} is damaged: its hash does not fit"));
                    } else if version != SNAPSHOT {
                        others.push((version, name));
                    } else {
                        recovered.position = recovered.position.max(position);
                        if asset.is_empty() {
                            recovered.intake = Some(bytes);
                        } else {
                            recovered.assets.push((asset, bytes));
                        }
                    }
                }
                Err(error) => recovered.faults.push(format!("the snapshot of {name} is damaged: {error}")),
            }
        }
        if let Some((version, first)) = others.first() {
            return Err(KeepError::SnapshotVersion {
                path: self.path.clone(),
                count: others.len(),
                found: version.to_string(),
                first: first.clone(),
                known: SNAPSHOT,
            });
        }
        if recovered.intake.is_none() && recovered.assets.is_empty() {
            // Noted apart with every snapshot, for when none can be read: what it covers is not applied twice.
            let noted = self
                .connection
                .query_row("SELECT value FROM meta WHERE key = 'position'", [], |row| row.get::<_, String>(0));
            recovered.position = noted.ok().and_then(|text| text.parse().ok()).unwrap_or(0);
        }
        Ok(())
    }

    /// The last journal row that anything in here came from.
    pub fn last_position(&self, recovered: &Recovered) -> Result<u64, KeepError> {
        let audited = self
            .connection
            .query_row("SELECT max(position) FROM audit WHERE part < ?1", [FIRST_PART], |row| {
                row.get::<_, Option<i64>>(0)
            })
            .map_err(self.fault())?;
        Ok(recovered.position.max(audited.map_or(0, |position| u64::try_from(position).unwrap_or(0))))
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
        snapshot_hash(asset, SNAPSHOT, position, bytes),
        bytes
    ])?;
    Ok(())
}

/// Notes the journal position the snapshots of this transaction cover.
pub(super) fn write_position(transaction: &Transaction<'_>, position: u64) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("INSERT OR REPLACE INTO meta VALUES ('position', ?1)")?
        .execute([position.to_string()])?;
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

/// The statement [`write_trend`] runs: once for many rows, since looking for it costs about as much as a row.
pub(super) fn trend_statement<'a>(
    transaction: &'a Transaction<'_>,
    table: TrendTable,
) -> rusqlite::Result<CachedStatement<'a>> {
    transaction.prepare_cached(match table {
        // Recovery writes the same row again; one that began anew in the middle must not take a fuller one's place.
        TrendTable::Closed => {
            "INSERT INTO trend VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)
             ON CONFLICT DO UPDATE SET count = excluded.count, min = excluded.min, mean = excluded.mean,
             max = excluded.max, expected_count = excluded.expected_count, expected = excluded.expected,
             expected_low = excluded.expected_low, expected_high = excluded.expected_high
             WHERE excluded.count >= trend.count"
        }
        TrendTable::Open => {
            "INSERT OR REPLACE INTO trend_open VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)"
        }
    })
}

pub(super) fn write_trend(
    statement: &mut CachedStatement<'_>,
    asset: i64,
    point: u16,
    tier: Tier,
    bucket: &Bucket,
) -> rusqlite::Result<()> {
    let expected = (bucket.expected_count > 0).then_some(bucket.expected);
    statement.execute(params![
        tier.secs(),
        asset,
        point,
        bucket.t,
        bucket.count,
        bucket.min,
        bucket.mean,
        bucket.max,
        bucket.expected_count,
        expected,
        Some(bucket.expected_low).filter(|low| low.is_finite()),
        Some(bucket.expected_high).filter(|high| high.is_finite())
    ])?;
    Ok(())
}

/// The newest of its kind takes the place of the one before.
pub(super) fn write_document(
    transaction: &Transaction<'_>,
    asset: &str,
    kind: &str,
    at: EventTime,
    document: &[u8],
) -> rusqlite::Result<()> {
    transaction
        .prepare_cached(
            "INSERT INTO documents VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT DO UPDATE SET at = excluded.at, document = excluded.document",
        )?
        .execute(params![asset, kind, at.0, document])?;
    Ok(())
}

pub(super) fn write_plate(transaction: &Transaction<'_>, asset: &str, plate: &Plate) -> rusqlite::Result<()> {
    let text = serde_json::to_string(plate).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
    transaction.prepare_cached("INSERT OR REPLACE INTO plates VALUES (?1, ?2)")?.execute(params![asset, text])?;
    Ok(())
}

/// Periods are kept as long as the hourly rows they are shown behind, and the one that reaches into them.
pub(super) fn write_period(
    transaction: &Transaction<'_>,
    asset: &str,
    began: EventTime,
    state: &str,
) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("INSERT OR REPLACE INTO periods VALUES (?1, ?2, ?3)")?
        .execute(params![asset, began.0, state])?;
    let Some(keep) = Tier::Hour.keep_secs() else { return Ok(()) };
    transaction
        .prepare_cached(
            "DELETE FROM periods WHERE asset = ?1 AND began <
             (SELECT max(began) FROM periods WHERE asset = ?1 AND began <= ?2)",
        )?
        .execute(params![asset, began.0.saturating_sub(keep.saturating_mul(1_000_000))])?;
    Ok(())
}

/// True when the alert was not known yet.
pub(super) fn write_alert(transaction: &Transaction<'_>, record: &Record) -> rusqlite::Result<bool> {
    let Record::Alert { id, revision, at, asset, change, state, severity, publication, document } = record else {
        return Ok(false);
    };
    let fresh = transaction
        .prepare_cached("INSERT OR IGNORE INTO alerts VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?
        .execute(params![
            id,
            revision,
            at.0,
            asset,
            change,
            state,
            severity,
            document.as_ref().unwrap_or(&publication.payload)
        ])?;
    Ok(fresh > 0)
}

/// True when the audit row was not known yet.
pub(super) fn write_audit(transaction: &Transaction<'_>, record: &Record) -> rusqlite::Result<bool> {
    let Record::Answer { position, part, at, received, asset, by, note, action, accepted, answer, changed, .. } =
        record
    else {
        return Ok(false);
    };
    let fresh = transaction
        .prepare_cached("INSERT OR IGNORE INTO audit VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)")?
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
            answer,
            changed.topic,
            changed.old,
            changed.new
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

/// A content's name in the outbox.
pub(super) fn content_name(content: Content) -> &'static str {
    match content {
        Content::Json => "json",
        Content::CloudEvent => "cloudevent",
        Content::Binary => "binary",
    }
}

fn content_of(name: &str) -> Content {
    match name {
        "cloudevent" => Content::CloudEvent,
        "binary" => Content::Binary,
        _ => Content::Json,
    }
}

/// Reads the documents to send next, most urgent first.
pub fn read_outbox(connection: &Connection, limit: u32) -> rusqlite::Result<Vec<Waiting>> {
    let mut statement = connection.prepare_cached(
        "SELECT number, topic, payload, retain, correlation, content, expiry FROM outbox ORDER BY urgency, number LIMIT ?1",
    )?;
    let rows = statement.query_map([limit], |row| {
        Ok(Waiting {
            number: row.get(0)?,
            publication: Publication {
                topic: row.get(1)?,
                payload: row.get(2)?,
                retain: row.get(3)?,
                correlation: row.get::<_, Option<Vec<u8>>>(4)?.map(Bytes::from),
                about: About {
                    content: content_of(row.get_ref(5)?.as_str()?),
                    expiry_secs: row.get(6)?,
                    unconfirmed: false,
                },
            },
        })
    })?;
    rows.collect()
}
