//! Reports that people at the page had mailed: who, of what, to whom, when, and what became of it. A row is there before
//! the page says so, and stays until the server has the mail, over restarts too; then it is the record of it.

use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

/// More do not wait; whoever asks for another is told.
pub const REPORTS_WAITING: u64 = 100;
/// Rows that stay after they are sent.
const KEPT: i64 = 1000;

/// Version 4 brought them.
macro_rules! report_mail_tables {
    () => {
        "
-- Reports that somebody had mailed. ended: when the server took it or it became clear that it never will, NULL while it
-- waits; fault: why it was not sent.
CREATE TABLE mail_reports (
    number INTEGER PRIMARY KEY AUTOINCREMENT, asset TEXT NOT NULL, address TEXT NOT NULL, by TEXT NOT NULL,
    asked INTEGER NOT NULL, ended INTEGER, fault TEXT);
CREATE INDEX mail_reports_that_wait ON mail_reports (number) WHERE ended IS NULL;
"
    };
}
pub(super) use report_mail_tables;

/// Somebody wants a report mailed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportAsked {
    /// Of which asset.
    pub asset: String,
    /// To which address.
    pub address: String,
    /// Who asks.
    pub by: String,
    /// When, microseconds.
    pub asked: i64,
}

/// What became of one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportEnded {
    /// Its number.
    pub number: i64,
    /// When, microseconds.
    pub at: i64,
    /// Why it was not sent; `None`: the server has it.
    pub fault: Option<String>,
}

/// A row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportMail {
    /// Its number; never given again.
    pub number: i64,
    /// What was asked.
    pub asked: ReportAsked,
    /// What became of it; `None` while it waits.
    pub ended: Option<ReportEnded>,
}

impl ReportMail {
    /// Columns of [`ReportMail::read`].
    pub(super) const COLUMNS: &str = "number, asset, address, by, asked, ended, fault";

    pub(super) fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        let number = row.get(0)?;
        let asked = ReportAsked { asset: row.get(1)?, address: row.get(2)?, by: row.get(3)?, asked: row.get(4)? };
        let (at, fault): (Option<i64>, _) = (row.get(5)?, row.get(6)?);
        Ok(Self { number, asked, ended: at.map(|at| ReportEnded { number, at, fault }) })
    }
}

/// Lets one wait.
pub(super) fn put_report(transaction: &Transaction<'_>, asked: &ReportAsked) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("INSERT INTO mail_reports (asset, address, by, asked) VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![asked.asset, asked.address, asked.by, asked.asked])?;
    transaction
        .prepare_cached(
            "DELETE FROM mail_reports WHERE ended IS NOT NULL AND number <= (SELECT max(number) FROM mail_reports) - ?1",
        )?
        .execute([KEPT])?;
    Ok(())
}

/// Writes down what became of one.
pub(super) fn end_report(transaction: &Transaction<'_>, ended: &ReportEnded) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("UPDATE mail_reports SET ended = ?2, fault = ?3 WHERE number = ?1")?
        .execute(params![ended.number, ended.at, ended.fault])?;
    Ok(())
}

/// The first that waits with a number above `after`.
pub fn read_waiting_report(connection: &Connection, after: i64) -> rusqlite::Result<Option<ReportMail>> {
    let sql = format!(
        "SELECT {} FROM mail_reports WHERE ended IS NULL AND number > ?1 ORDER BY number LIMIT 1",
        ReportMail::COLUMNS
    );
    connection.prepare_cached(&sql)?.query_row([after], ReportMail::read).optional()
}
