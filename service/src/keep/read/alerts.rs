//! Alerts with all their revisions, who did what, and where data are missing.

use super::Reader;
use crate::advise::document::{Alert, Document};
use crate::keep::KeepError;
use crate::status::Hole;
use roundsman_models::EventTime;

/// What part of a list is asked for: of one asset or of all, between two times, the newest so many.
#[derive(Debug, Clone, Copy)]
pub struct Span<'a> {
    /// Asset; all when absent.
    pub asset: Option<&'a str>,
    /// From this time on.
    pub from: EventTime,
    /// Up to this one.
    pub to: EventTime,
    /// At most so many rows, the newest.
    pub most: u32,
}

impl<'a> Span<'a> {
    /// The newest rows of an asset, whenever they were.
    pub fn newest(asset: &'a str, most: u32) -> Self {
        Self { asset: Some(asset), from: EventTime(i64::MIN), to: EventTime(i64::MAX), most }
    }
}

/// One command as it was audited.
#[derive(Debug, Clone, PartialEq)]
pub struct AuditRow {
    /// Stream time it was carried out; `None` when it was not.
    pub at: Option<EventTime>,
    /// Arrival by our clock.
    pub received: EventTime,
    /// Asset, when known.
    pub asset: Option<String>,
    /// Who.
    pub by: String,
    /// What they said.
    pub note: Option<String>,
    /// What was asked, JSON.
    pub action: String,
    /// Whether it was carried out.
    pub accepted: bool,
    /// What became of it, in words.
    pub answer: String,
    /// Topic it came on.
    pub topic: Option<String>,
    /// What held before.
    pub old: Option<String>,
    /// What holds since.
    pub new: Option<String>,
}

impl AuditRow {
    /// Columns of the table `audit`, as [`read`](Self::read) takes them.
    pub(crate) const COLUMNS: &str = "at, received, asset, by, note, action, accepted, answer, topic, old, new";

    /// Of a row of [`COLUMNS`](Self::COLUMNS).
    pub(crate) fn read(row: &rusqlite::Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            at: row.get::<_, Option<i64>>(0)?.map(EventTime),
            received: EventTime(row.get(1)?),
            asset: row.get(2)?,
            by: row.get(3)?,
            note: row.get(4)?,
            action: row.get(5)?,
            accepted: row.get(6)?,
            answer: row.get(7)?,
            topic: row.get(8)?,
            old: row.get(9)?,
            new: row.get(10)?,
        })
    }
}

impl Reader {
    /// Transitions of alerts, oldest first.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn alerts(&self, span: Span<'_>) -> Result<Vec<Alert>, KeepError> {
        let of = if span.asset.is_some() { "asset = ?1" } else { "?1 IS NULL" };
        let sql = format!(
            "SELECT document FROM alerts WHERE {of} AND at BETWEEN ?2 AND ?3 ORDER BY at DESC, id DESC, revision DESC LIMIT ?4"
        );
        let parameters = rusqlite::params![span.asset, span.from.0, span.to.0, span.most];
        let mut found = self.all(&sql, parameters, |row| row.get::<_, Vec<u8>>(0))?;
        found.reverse();
        Ok(found.iter().filter_map(|bytes| alert(bytes)).collect())
    }

    /// Every transition of one alert, oldest first.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn alert(&self, id: &str) -> Result<Vec<Alert>, KeepError> {
        let sql = "SELECT document FROM alerts WHERE id = ?1 ORDER BY at, revision";
        let found = self.all(sql, [id], |row| row.get::<_, Vec<u8>>(0))?;
        Ok(found.iter().filter_map(|bytes| alert(bytes)).collect())
    }

    /// Commands in the order they came, oldest first; the span is of the stream's time, in which the trend they are marked on
    /// is, or of their arrival where they were not carried out.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn audit(&self, span: Span<'_>) -> Result<Vec<AuditRow>, KeepError> {
        let of = if span.asset.is_some() { "asset = ?1" } else { "?1 IS NULL" };
        let sql = format!(
            "SELECT {} FROM audit
             WHERE {of} AND coalesce(at, received) BETWEEN ?2 AND ?3 ORDER BY received DESC, position DESC, part DESC LIMIT ?4",
            AuditRow::COLUMNS
        );
        let parameters = rusqlite::params![span.asset, span.from.0, span.to.0, span.most];
        let mut found = self.all(&sql, parameters, AuditRow::read)?;
        found.reverse();
        Ok(found)
    }

    /// Times for which the broker lost data, oldest first.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn holes(&self, from: EventTime, to: EventTime, most: u32) -> Result<Vec<Hole>, KeepError> {
        let sql = "SELECT began, ended FROM holes WHERE ended >= ?1 AND began <= ?2 ORDER BY began DESC LIMIT ?3";
        let mut found = self.all(sql, rusqlite::params![from.0, to.0, most], |row| {
            Ok(Hole { from: EventTime(row.get(0)?), to: EventTime(row.get(1)?) })
        })?;
        found.reverse();
        Ok(found)
    }
}

fn alert(bytes: &[u8]) -> Option<Alert> {
    Alert::from_json(std::str::from_utf8(bytes).ok()?).ok()
}
