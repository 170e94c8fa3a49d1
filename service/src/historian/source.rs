//! What there is to send, read from `state.db`.

use crate::keep::read::AuditRow;
use crate::keep::score::ScoreRow;
use crate::keep::trend::{Bucket, Tier};
use roundsman_models::EventTime;
use rusqlite::{Connection, OptionalExtension, Result, params};

/// The trend of one point.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Series {
    asset_row: i64,
    point_row: u16,
    /// Asset.
    pub asset: String,
    /// Point.
    pub point: String,
    /// Unit its values are kept in.
    pub unit: String,
}

/// What an alert row is known by.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct AlertKey {
    /// Event time, microseconds.
    pub at: i64,
    /// Alert id.
    pub id: String,
    /// Transition.
    pub revision: i64,
}

/// One alert document.
#[derive(Debug, Clone, PartialEq)]
pub struct AlertRow {
    /// Its key.
    pub key: AlertKey,
    /// Asset.
    pub asset: String,
    /// What happened.
    pub change: String,
    /// State of its life.
    pub state: String,
    /// Severity.
    pub severity: String,
    /// As published.
    pub document: String,
}

/// What an audit row is known by: `received` too, since another `state.db` may count its positions from the start again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct AuditKey {
    /// Journal row.
    pub position: i64,
    /// Entry in it.
    pub part: i64,
    /// Arrival, microseconds.
    pub received: i64,
}

/// One command's fate, under its key.
#[derive(Debug, Clone, PartialEq)]
pub struct AuditEntry {
    /// Its key.
    pub key: AuditKey,
    /// What was audited.
    pub row: AuditRow,
}

/// `state.db`, read beside the keeper that writes it. Every call is a short transaction of its own, since one that stays
/// open keeps the write-ahead log from being cut back.
pub struct Source {
    connection: Connection,
}

impl Source {
    /// Over a reading connection.
    pub fn new(connection: Connection) -> Self {
        Self { connection }
    }

    /// Every point that has a name.
    ///
    /// # Errors
    /// SQLite's.
    pub fn series(&self) -> Result<Vec<Series>> {
        let mut statement = self.connection.prepare_cached(
            "SELECT a.id, p.point, a.name, p.name, p.unit FROM assets a JOIN points p ON p.asset = a.id
             ORDER BY a.id, p.point",
        )?;
        let rows = statement.query_map([], |row| {
            Ok(Series {
                asset_row: row.get(0)?,
                point_row: row.get(1)?,
                asset: row.get(2)?,
                point: row.get(3)?,
                unit: row.get(4)?,
            })
        })?;
        rows.collect()
    }

    /// At most so many closed rows that begin after `after` (all there are without).
    ///
    /// # Errors
    /// SQLite's.
    pub fn rows(&self, series: &Series, tier: Tier, after: Option<i64>, limit: usize) -> Result<Vec<Bucket>> {
        let mut statement = self.connection.prepare_cached(
            "SELECT t, count, min, mean, max, expected_count, expected, expected_low, expected_high FROM trend
             WHERE tier = ?1 AND asset = ?2 AND point = ?3 AND t > ?4 ORDER BY t LIMIT ?5",
        )?;
        let after = after.unwrap_or(i64::MIN);
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let rows =
            statement.query_map(params![tier.secs(), series.asset_row, series.point_row, after, limit], |row| {
                let expected_count = row.get(5)?;
                Ok(Bucket {
                    t: row.get(0)?,
                    count: row.get(1)?,
                    min: row.get(2)?,
                    mean: row.get(3)?,
                    max: row.get(4)?,
                    expected_count,
                    expected: row.get::<_, Option<f64>>(6)?.unwrap_or(0.0),
                    expected_low: row.get::<_, Option<f64>>(7)?.unwrap_or(f64::NAN),
                    expected_high: row.get::<_, Option<f64>>(8)?.unwrap_or(f64::NAN),
                })
            })?;
        rows.collect()
    }

    /// Every asset: its row and its name.
    ///
    /// # Errors
    /// SQLite's.
    pub fn assets(&self) -> Result<Vec<(i64, String)>> {
        let mut statement = self.connection.prepare_cached("SELECT id, name FROM assets ORDER BY id")?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
        rows.collect()
    }

    /// At most so many closed rows of an asset's scores that begin after `after` (all there are without).
    ///
    /// # Errors
    /// SQLite's.
    pub fn scores(&self, asset_row: i64, tier: Tier, after: Option<i64>, limit: usize) -> Result<Vec<ScoreRow>> {
        let sql = format!(
            "SELECT {} FROM scores WHERE tier = ?1 AND asset = ?2 AND t > ?3 ORDER BY t LIMIT ?4",
            ScoreRow::COLUMNS
        );
        let mut statement = self.connection.prepare_cached(&sql)?;
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let rows = statement.query_map(params![tier.secs(), asset_row, after.unwrap_or(i64::MIN), limit], |row| {
            ScoreRow::read(row, 0)
        })?;
        rows.collect()
    }

    /// Beginning of the newest closed row.
    ///
    /// # Errors
    /// SQLite's.
    pub fn newest(&self, series: &Series, tier: Tier) -> Result<Option<i64>> {
        self.connection
            .prepare_cached("SELECT max(t) FROM trend WHERE tier = ?1 AND asset = ?2 AND point = ?3")?
            .query_row(params![tier.secs(), series.asset_row, series.point_row], |row| row.get(0))
    }

    /// Keys of the alerts since a time, by time. Only the index is read.
    ///
    /// # Errors
    /// SQLite's.
    pub fn alert_keys(&self, since: i64) -> Result<Vec<AlertKey>> {
        let mut statement = self.connection.prepare_cached(
            "SELECT at, id, revision FROM alerts INDEXED BY alerts_by_time WHERE at >= ?1 ORDER BY at",
        )?;
        let rows = statement
            .query_map([since], |row| Ok(AlertKey { at: row.get(0)?, id: row.get(1)?, revision: row.get(2)? }))?;
        rows.collect()
    }

    /// One of them; `None` when it went meanwhile.
    ///
    /// # Errors
    /// SQLite's.
    pub fn alert(&self, key: &AlertKey) -> Result<Option<AlertRow>> {
        self.connection
            .prepare_cached(
                "SELECT asset, change, state, severity, CAST(document AS TEXT) FROM alerts
                 WHERE id = ?1 AND revision = ?2 AND at = ?3",
            )?
            .query_row(params![key.id, key.revision, key.at], |row| {
                Ok(AlertRow {
                    key: key.clone(),
                    asset: row.get(0)?,
                    change: row.get(1)?,
                    state: row.get(2)?,
                    severity: row.get(3)?,
                    document: row.get(4)?,
                })
            })
            .optional()
    }

    /// The journal position up to which no audit row can come any more: whatever comes later is behind it, because a
    /// snapshot of everybody who writes rows stands there.
    ///
    /// # Errors
    /// SQLite's.
    pub fn settled_position(&self) -> Result<i64> {
        let noted = self
            .connection
            .query_row("SELECT value FROM meta WHERE key = 'position'", [], |row| row.get::<_, String>(0))
            .optional()?;
        Ok(noted.and_then(|text| text.parse::<u64>().ok()).map_or(0, u64::cast_signed))
    }

    /// The first journal position an audit row stands for.
    ///
    /// # Errors
    /// SQLite's.
    pub fn first_audit(&self) -> Result<Option<i64>> {
        self.connection.query_row("SELECT min(position) FROM audit", [], |row| row.get(0))
    }

    /// Keys of the audit rows behind a position.
    ///
    /// # Errors
    /// SQLite's.
    pub fn audit_keys(&self, after: i64) -> Result<Vec<AuditKey>> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT position, part, received FROM audit WHERE position > ?1 ORDER BY position, part")?;
        let rows = statement.query_map([after], |row| {
            Ok(AuditKey { position: row.get(0)?, part: row.get(1)?, received: row.get(2)? })
        })?;
        rows.collect()
    }

    /// One of them; `None` when it went meanwhile.
    ///
    /// # Errors
    /// SQLite's.
    pub fn audit(&self, key: &AuditKey) -> Result<Option<AuditEntry>> {
        let sql = format!("SELECT {} FROM audit WHERE position = ?1 AND part = ?2", AuditRow::COLUMNS);
        self.connection
            .prepare_cached(&sql)?
            .query_row(params![key.position, key.part], |row| Ok(AuditEntry { key: *key, row: AuditRow::read(row)? }))
            .optional()
    }
}

/// Time as PostgreSQL's driver takes it.
pub(super) fn system_time(micros: i64) -> std::time::SystemTime {
    let whole = std::time::Duration::from_micros(micros.unsigned_abs());
    let epoch = std::time::SystemTime::UNIX_EPOCH;
    let time = if micros < 0 { epoch.checked_sub(whole) } else { epoch.checked_add(whole) };
    time.unwrap_or(epoch)
}

/// And back.
pub(super) fn micros(time: std::time::SystemTime) -> i64 {
    let of = |whole: std::time::Duration| i64::try_from(whole.as_micros()).unwrap_or(i64::MAX);
    match time.duration_since(std::time::SystemTime::UNIX_EPOCH) {
        Ok(after) => of(after),
        Err(before) => -of(before.duration()),
    }
}

/// Seconds as microseconds of event time.
pub(super) fn of_secs(secs: i64) -> EventTime {
    EventTime(secs.saturating_mul(1_000_000))
}
