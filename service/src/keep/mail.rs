//! What mail has to tell, and whom it has told: beside the alerts, in the same file, so that one transaction knows of an
//! alert and of the mail it makes due.

use super::Record;
use super::plate::Plate;
use super::report_mail::{ReportEnded, end_report};
use crate::advise::document::{Alert, Document};
use rusqlite::{Connection, OptionalExtension, Transaction, params};

/// Most addresses and episodes that are remembered as told.
const TOLD_LIMIT: i64 = 200_000;

/// Version 4 brought mail.
macro_rules! mail_tables {
    () => {
        "
-- Transitions of alerts that mail may have to tell of. A row goes when nobody is left to be told.
CREATE TABLE mail_waiting (
    number INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL, revision INTEGER NOT NULL, at INTEGER NOT NULL);
-- Who was told of which episode, and how severe it was then; raised: when the episode began.
CREATE TABLE mail_told (
    number INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL, raised INTEGER NOT NULL, address TEXT NOT NULL,
    severity INTEGER NOT NULL, at INTEGER NOT NULL, UNIQUE (id, raised, address));
-- The last day an address got its digest.
CREATE TABLE mail_digests (address TEXT PRIMARY KEY, day TEXT NOT NULL) WITHOUT ROWID;
"
    };
}
pub(super) use mail_tables;

/// An alert's transition that waits.
#[derive(Debug, Clone, PartialEq)]
pub struct WaitingMail {
    /// Its number; the newest of an episode has the greatest.
    pub number: i64,
    /// The document; `None` when it cannot be read any more.
    pub alert: Option<Alert>,
}

/// Somebody was told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// Alert id.
    pub id: String,
    /// When the episode was raised, microseconds.
    pub raised: i64,
    /// Whom.
    pub address: String,
    /// Rank of the severity, 0 for the lowest.
    pub severity: u8,
    /// When, microseconds.
    pub at: i64,
}

/// What the sender of mail has done.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct MailDone {
    /// Who was told.
    pub told: Vec<Told>,
    /// Waiting rows that nobody is left for.
    pub done: Vec<i64>,
    /// Addresses that got the digest of a day.
    pub digests: Vec<(String, String)>,
    /// Reports that are sent, or never will be.
    pub reports: Vec<ReportEnded>,
}

/// Lets a fresh transition wait for the sender when it could be worth a mail: active and not held back. True when it does.
pub(super) fn put_in_mail(transaction: &Transaction<'_>, record: &Record) -> rusqlite::Result<bool> {
    let Record::Alert { id, revision, at, state, .. } = record else { return Ok(false) };
    if !matches!(state.as_str(), "unacknowledged" | "acknowledged") {
        return Ok(false);
    }
    transaction
        .prepare_cached("INSERT INTO mail_waiting (id, revision, at) VALUES (?1, ?2, ?3)")?
        .execute(params![id, revision, at.0])?;
    Ok(true)
}

/// Drops the oldest beyond `limit`; how many.
pub(super) fn keep_mail_within(transaction: &Transaction<'_>, limit: u64) -> rusqlite::Result<usize> {
    let count = waiting_count(transaction)?;
    if count <= limit {
        return Ok(0);
    }
    transaction.execute(
        "DELETE FROM mail_waiting WHERE number IN (SELECT number FROM mail_waiting ORDER BY number LIMIT ?1)",
        [(count - limit).cast_signed()],
    )
}

/// How many transitions wait.
pub fn waiting_count(connection: &Connection) -> rusqlite::Result<u64> {
    let count = connection.query_row("SELECT count(*) FROM mail_waiting", [], |row| row.get::<_, i64>(0))?;
    Ok(count.cast_unsigned())
}

/// Writes down what the sender has done.
pub(super) fn write_mail_done(transaction: &Transaction<'_>, done: &MailDone) -> rusqlite::Result<()> {
    for told in &done.told {
        transaction
            .prepare_cached(
                "INSERT INTO mail_told (id, raised, address, severity, at) VALUES (?1, ?2, ?3, ?4, ?5)
                 ON CONFLICT (id, raised, address) DO UPDATE SET severity = max(severity, excluded.severity), at = excluded.at",
            )?
            .execute(params![told.id, told.raised, told.address, told.severity, told.at])?;
    }
    if !done.told.is_empty() {
        transaction
            .prepare_cached("DELETE FROM mail_told WHERE number <= (SELECT max(number) FROM mail_told) - ?1")?
            .execute([TOLD_LIMIT])?;
    }
    for number in &done.done {
        transaction.prepare_cached("DELETE FROM mail_waiting WHERE number = ?1")?.execute([number])?;
    }
    for ended in &done.reports {
        end_report(transaction, ended)?;
    }
    for (address, day) in &done.digests {
        transaction
            .prepare_cached("INSERT OR REPLACE INTO mail_digests VALUES (?1, ?2)")?
            .execute(params![address, day])?;
    }
    Ok(())
}

fn document(bytes: Option<Vec<u8>>) -> Option<Alert> {
    Alert::from_json(std::str::from_utf8(&bytes?).ok()?).ok()
}

/// The waiting transitions with a number above `after`, oldest first.
pub fn read_waiting(connection: &Connection, after: i64, limit: u32) -> rusqlite::Result<Vec<WaitingMail>> {
    let mut statement = connection.prepare_cached(
        "SELECT number, document FROM mail_waiting AS waiting LEFT JOIN alerts
             ON alerts.id = waiting.id AND alerts.revision = waiting.revision AND alerts.at = waiting.at
         WHERE number > ?1 ORDER BY number LIMIT ?2",
    )?;
    let rows = statement.query_map(params![after, limit], |row| {
        Ok(WaitingMail { number: row.get(0)?, alert: document(row.get(1)?) })
    })?;
    rows.collect()
}

/// The newest document of an episode that was raised at `raised`.
pub fn read_newest(connection: &Connection, id: &str, raised: i64) -> rusqlite::Result<Option<Alert>> {
    let bytes = connection
        .prepare_cached(
            "SELECT document FROM alerts WHERE id = ?1 AND at >= ?2 ORDER BY at DESC, revision DESC LIMIT 1",
        )?
        .query_row(params![id, raised], |row| row.get(0))
        .optional()?;
    Ok(document(bytes))
}

/// Rank of the severity an address was told of an episode; `None`: not told.
pub fn read_told(connection: &Connection, id: &str, raised: i64, address: &str) -> rusqlite::Result<Option<u8>> {
    connection
        .prepare_cached("SELECT severity FROM mail_told WHERE id = ?1 AND raised = ?2 AND address = ?3")?
        .query_row(params![id, raised, address], |row| row.get(0))
        .optional()
}

/// The plate of an asset, as it was last defined; empty when it never was, or cannot be read.
pub fn read_plate(connection: &Connection, asset: &str) -> rusqlite::Result<Plate> {
    let text = connection
        .prepare_cached("SELECT plate FROM plates WHERE asset = ?1")?
        .query_row([asset], |row| row.get::<_, String>(0))
        .optional()?;
    Ok(text.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default())
}

/// The last day an address got its digest.
pub fn read_digest_day(connection: &Connection, address: &str) -> rusqlite::Result<Option<String>> {
    connection
        .prepare_cached("SELECT day FROM mail_digests WHERE address = ?1")?
        .query_row([address], |row| row.get(0))
        .optional()
}

/// The newest document of every episode that is open, or that had a transition since `since`; at most `limit`, newest first.
pub fn read_episodes(connection: &Connection, since: i64, limit: u32) -> rusqlite::Result<Vec<Alert>> {
    let mut statement = connection.prepare_cached(
        "SELECT document FROM (SELECT id, at, state, document, row_number() OVER (PARTITION BY id ORDER BY at DESC, revision DESC)
             AS place FROM alerts) WHERE place = 1 AND (state <> 'normal' OR at >= ?1) ORDER BY at DESC LIMIT ?2",
    )?;
    let rows = statement.query_map(params![since, limit], |row| row.get::<_, Option<Vec<u8>>>(0))?;
    rows.filter_map(|row| row.map(document).transpose()).collect()
}
