//! Reports that people at the page had mailed: who, of what, to whom, when, and what became of it. A row is there before
//! the page says so, and stays until the server has the mail, over restarts too; then it is the record of it.

use crate::inlet;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

/// More do not wait; whoever asks for another is told.
pub const REPORTS_WAITING: u64 = 100;
/// Rows that stay after they are sent.
const KEPT: i64 = 1000;
/// `part` of their rows in the audit begins here. They stand for no row of the journal, and no journal row has so many entries.
pub(super) const FIRST_PART: i64 = 1 << 30;

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

/// Who sent what to whom belongs to what people did: into the audit. Its position is the first that no snapshot covers, since
/// whoever copies the audit looks no further back.
fn put_in_audit(transaction: &Transaction<'_>, asked: &ReportAsked) -> rusqlite::Result<()> {
    let position = transaction
        .prepare_cached("SELECT 1 + coalesce(max(CAST(value AS INTEGER)), 0) FROM meta WHERE key = 'position'")?
        .query_row([], |row| row.get::<_, i64>(0))?;
    let action = serde_json::json!({ "action": "mail-report", "to": asked.address }).to_string();
    transaction
        .prepare_cached(
            "INSERT INTO audit (position, part, received, asset, by, action, accepted, answer, topic)
             SELECT ?1, coalesce(max(part) + 1, ?2), ?3, ?4, ?5, ?6, 1, ?7, ?8 FROM audit WHERE position = ?1 AND part >= ?2",
        )?
        .execute(params![
            position,
            FIRST_PART,
            asked.asked,
            asked.asset,
            asked.by,
            action,
            format!("the report goes to {} by mail", asked.address),
            inlet::topic_of(&asked.asset)
        ])?;
    Ok(())
}

/// Lets one wait, and writes down who asked.
pub(super) fn put_report(transaction: &Transaction<'_>, asked: &ReportAsked) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("INSERT INTO mail_reports (asset, address, by, asked) VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![asked.asset, asked.address, asked.by, asked.asked])?;
    transaction
        .prepare_cached(
            "DELETE FROM mail_reports WHERE ended IS NOT NULL AND number <= (SELECT max(number) FROM mail_reports) - ?1",
        )?
        .execute([KEPT])?;
    put_in_audit(transaction, asked)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keep::Store;

    #[test]
    fn who_sent_what_to_whom_is_audited_beside_what_the_journal_holds() {
        let dir = tempfile::tempdir().expect("a folder");
        let mut store = Store::open(dir.path()).expect("opens");
        let mut put = |address: &str, at| {
            let transaction = store.connection.transaction().expect("begins");
            let asked =
                ReportAsked { asset: "pump-7".into(), address: address.into(), by: "A. Berg".into(), asked: at };
            put_report(&transaction, &asked).expect("put");
            transaction.commit().expect("commits");
        };
        put("ada@quillhaven.example", 5);
        put("grace@quillhaven.example", 6);
        let recovered = crate::keep::store::Recovered { position: 40, ..Default::default() };
        assert_eq!(store.last_position(&recovered).expect("read"), 40);
        store.connection.execute("INSERT OR REPLACE INTO meta VALUES ('position', '40')", []).expect("noted");
        let transaction = store.connection.transaction().expect("begins");
        let asked = ReportAsked { asset: "pump-7".into(), address: "x@y.example".into(), by: "B".into(), asked: 7 };
        put_report(&transaction, &asked).expect("put");
        transaction.commit().expect("commits");
        // The journal's numbers go on where they were: no row of it stands behind these.
        assert_eq!(store.last_position(&recovered).expect("read"), 40);

        let reader = crate::keep::read::Reader::open(dir.path()).expect("opens");
        let rows = reader.audit(crate::keep::read::Span::newest("pump-7", 10)).expect("read");
        let said: Vec<_> = rows.iter().map(|row| (row.received.0, row.by.as_str(), row.answer.as_str())).collect();
        assert_eq!(
            said,
            [
                (5, "A. Berg", "the report goes to ada@quillhaven.example by mail"),
                (6, "A. Berg", "the report goes to grace@quillhaven.example by mail"),
                (7, "B", "the report goes to x@y.example by mail"),
            ]
        );
        assert!(rows.iter().all(|row| row.accepted && row.at.is_none() && row.topic.as_deref() == Some("page/pump-7")));
        let places: Vec<i64> = {
            let mut statement = store.connection.prepare("SELECT position FROM audit ORDER BY received").expect("sql");
            let rows = statement.query_map([], |row| row.get(0)).expect("rows");
            rows.collect::<rusqlite::Result<_>>().expect("numbers")
        };
        assert_eq!(places, [1, 1, 41], "behind what a snapshot covers");
    }
}
