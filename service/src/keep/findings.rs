//! What people found who looked at alerts, read from the state directory: for `evaluate`, beside a daemon that may be running.

use super::KeepError;
use super::store::FINDINGS;
use crate::advise::document::{Alert, Document};
use crate::engine::Verdict;
use roundsman_models::EventTime;
use rusqlite::{Connection, OpenFlags};
use std::path::Path;

/// One finding.
#[derive(Debug, Clone, PartialEq)]
pub struct Looked {
    /// When it was said, stream time.
    pub at: EventTime,
    /// Alert id.
    pub alert: String,
    /// Whether the alert was right.
    pub verdict: Verdict,
    /// What it was, in a word.
    pub kind: Option<String>,
}

/// Every alert of a state directory, and what people found, both by time.
///
/// # Errors
/// There is no `state.db`, or it cannot be read.
pub fn read_findings(dir: &Path) -> Result<(Vec<Alert>, Vec<Looked>), KeepError> {
    let path = dir.join("state.db");
    let fault = |source| KeepError::Database { path: path.clone(), source };
    // Without `CREATE`: a mistyped folder must not become a state directory.
    let connection = Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(fault)?;
    connection.busy_timeout(std::time::Duration::from_secs(5)).map_err(fault)?;
    read(&connection).map_err(fault)
}

fn read(connection: &Connection) -> rusqlite::Result<(Vec<Alert>, Vec<Looked>)> {
    let mut statement = connection.prepare("SELECT document FROM alerts ORDER BY at, id, revision")?;
    let documents = statement.query_map([], |row| row.get::<_, Vec<u8>>(0))?.collect::<Result<Vec<_>, _>>()?;
    let alert = |bytes: &Vec<u8>| Alert::from_json(std::str::from_utf8(bytes).ok()?).ok();
    let alerts = documents.iter().filter_map(alert).collect();
    let mut statement = connection.prepare(&format!("{FINDINGS} ORDER BY position, part"))?;
    let looked = statement.query_map([], |row| {
        Ok((
            row.get::<_, Option<i64>>("at")?,
            row.get::<_, Option<String>>("alert")?,
            row.get::<_, Option<String>>("verdict")?,
            row.get::<_, Option<String>>("kind")?,
        ))
    })?;
    let mut all = Vec::new();
    for row in looked {
        let (at, alert, verdict, kind) = row?;
        let verdict = match verdict.as_deref() {
            Some("confirmed") => Verdict::Confirmed,
            Some("not-confirmed") => Verdict::NotConfirmed,
            Some("other") => Verdict::Other,
            // Accepted commands are ours; one of a later version is not for us to guess.
            _ => continue,
        };
        if let (Some(at), Some(alert)) = (at, alert) {
            all.push(Looked { at: EventTime(at), alert, verdict, kind });
        }
    }
    Ok((alerts, all))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keep::Store;

    #[test]
    fn findings_are_the_accepted_commands_of_the_audit() {
        let dir = tempfile::tempdir().expect("a folder");
        let state = dir.path().join("state");
        assert!(read_findings(&state).is_err(), "there is none");
        assert!(!state.exists(), "and none was made");
        let store = Store::open(&state).expect("it opens");
        let rows = [
            (1, r#"{"action":"finding","alert":"s/p/machine/1","verdict":"confirmed","kind":"wear"}"#, 1),
            (2, r#"{"action":"finding","alert":"s/p/machine/9","verdict":"confirmed","kind":null}"#, 0),
            (3, r#"{"action":"relearn"}"#, 1),
            (4, "not JSON", 0),
            (5, r#"{"action":"finding","alert":"s/p/machine/2","verdict":"not-confirmed","kind":null}"#, 1),
        ];
        for (position, action, accepted) in rows {
            store
                .connection
                .execute(
                    "INSERT INTO audit (position, part, at, received, asset, by, action, accepted, answer)
                     VALUES (?1, 0, ?1, ?1, 'p', 'A', ?2, ?3, '')",
                    rusqlite::params![position, action, accepted],
                )
                .expect("a row");
        }
        // While the store is open, as beside a running daemon.
        let (alerts, looked) = read_findings(&state).expect("it is read");
        assert_eq!(alerts, []);
        let want = |at, alert: &str, verdict, kind: Option<&str>| Looked {
            at: EventTime(at),
            alert: alert.into(),
            verdict,
            kind: kind.map(str::to_owned),
        };
        let first = want(1, "s/p/machine/1", Verdict::Confirmed, Some("wear"));
        assert_eq!(looked, [first, want(5, "s/p/machine/2", Verdict::NotConfirmed, None)]);
        let view: i64 =
            store.connection.query_row("SELECT count(*) FROM findings", [], |row| row.get(0)).expect("a view");
        assert_eq!(view, 2);
    }
}
