//! How long the audit of commands stays: by time and by number. What people found who looked at alerts stays for good:
//! it is what detection is judged by ([`super::findings`]).
//!
//! Rows go only when a snapshot covers them. Recovery then never writes one again that had gone, which would be taken for a
//! new one and answered a second time. So between two snapshots there may be more rows than the limit says.

use rusqlite::{Transaction, params};

/// Most rows that go at a time: a clock that is years ahead for a moment must not cost the whole audit.
const AT_A_TIME: i64 = 1000;

/// What stays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AuditLimits {
    /// Rows that arrived longer than this before the newest go, microseconds.
    pub keep_micros: i64,
    /// Above this number the oldest go.
    pub max_rows: u64,
}

impl AuditLimits {
    /// From the configuration's.
    pub fn new(keep_days: f64, max_rows: u64) -> Self {
        // A number of days out of the configuration's range: far more than a life.
        Self { keep_micros: (keep_days * 86_400e6) as i64, max_rows }
    }
}

impl Default for AuditLimits {
    fn default() -> Self {
        let audit = crate::config::Audit::default();
        Self::new(audit.keep_days, audit.max_rows)
    }
}

/// An accepted finding; `CASE`, because a refused command's action need not be JSON.
const FINDING: &str = "accepted = 1 AND CASE WHEN json_valid(action) THEN action ->> '$.action' END = 'finding'";

/// Drops what is past its time or above the number, up to this journal position. Gives how many rows went.
pub(super) fn prune(transaction: &Transaction<'_>, limits: &AuditLimits, covered: u64) -> rusqlite::Result<usize> {
    let (rows, newest) = transaction
        .prepare_cached(&format!(
            "SELECT count(*) FILTER (WHERE NOT coalesce({FINDING}, 0)), max(received) FROM audit"
        ))?
        .query_row([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Option<i64>>(1)?)))?;
    let Some(newest) = newest else { return Ok(0) };
    let too_many = rows.saturating_sub(i64::try_from(limits.max_rows).unwrap_or(i64::MAX));
    let mut gone = 0;
    if too_many > 0 {
        gone += transaction
            .prepare_cached(&format!(
                "DELETE FROM audit WHERE (position, part) IN (SELECT position, part FROM audit
                 WHERE position <= ?1 AND NOT coalesce({FINDING}, 0) ORDER BY position, part LIMIT ?2)"
            ))?
            .execute(params![covered.cast_signed(), too_many.min(AT_A_TIME)])?;
    }
    gone += transaction
        .prepare_cached(&format!(
            "DELETE FROM audit WHERE (position, part) IN (SELECT position, part FROM audit
             WHERE position <= ?1 AND received < ?2 AND NOT coalesce({FINDING}, 0) ORDER BY position, part LIMIT ?3)"
        ))?
        .execute(params![covered.cast_signed(), newest.saturating_sub(limits.keep_micros), AT_A_TIME])?;
    Ok(gone)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keep::Store;

    const DAY: i64 = 86_400_000_000;
    const FOUND: &str = r#"{"action":"finding","alert":"s/p/machine/1","verdict":"confirmed","kind":null}"#;

    /// A store with a command a day, every tenth of them a finding, and a refused one that looks like it.
    fn filled(days: i64) -> (tempfile::TempDir, Store) {
        let dir = tempfile::tempdir().expect("a folder");
        let store = Store::open(dir.path()).expect("it opens");
        for day in 1..=days {
            let (action, accepted) = match day % 10 {
                0 => (FOUND, 1),
                5 => (FOUND, 0),
                7 => ("not JSON", 0),
                _ => (r#"{"action":"relearn"}"#, 1),
            };
            store
                .connection
                .execute(
                    "INSERT INTO audit (position, part, received, by, action, accepted, answer)
                     VALUES (?1, 0, ?2, 'A', ?3, ?4, '')",
                    params![day, day * DAY, action, accepted],
                )
                .expect("a row");
        }
        (dir, store)
    }

    fn prune_to(store: &mut Store, keep_days: f64, max_rows: u64, covered: u64) -> usize {
        let transaction = store.connection.transaction().expect("begins");
        let gone = prune(&transaction, &AuditLimits::new(keep_days, max_rows), covered).expect("prunes");
        transaction.commit().expect("commits");
        gone
    }

    fn left(store: &Store, condition: &str) -> i64 {
        let sql = format!("SELECT count(*) FROM audit WHERE {condition}");
        store.connection.query_row(&sql, [], |row| row.get(0)).expect("a count")
    }

    #[test]
    fn old_rows_go_and_accepted_findings_stay() {
        let (_dir, mut store) = filled(100);
        assert_eq!(prune_to(&mut store, 30.0, 1_000_000, 100), 69 - 6, "before day 70, less the findings");
        assert_eq!(left(&store, "position < 70 AND accepted = 0"), 0, "a refused one is none");
        assert_eq!(left(&store, "position >= 70"), 31);
        assert_eq!(left(&store, "position < 70 AND action LIKE '%finding%'"), 6);
        assert_eq!(prune_to(&mut store, 30.0, 1_000_000, 100), 0, "nothing more");
    }

    #[test]
    fn too_many_rows_go_oldest_first_and_findings_do_not_count() {
        let (_dir, mut store) = filled(100);
        assert_eq!(prune_to(&mut store, 3660.0, 50, 100), 40);
        assert_eq!(left(&store, "1"), 60, "fifty, and ten findings");
        assert_eq!(left(&store, "position < 45 AND NOT (accepted AND action LIKE '%finding%')"), 0);
    }

    #[test]
    fn nothing_goes_that_recovery_could_write_again() {
        let (_dir, mut store) = filled(100);
        assert_eq!(prune_to(&mut store, 1.0, 1, 20), 18, "up to what is covered, less two findings");
        assert_eq!(left(&store, "position > 20"), 80);
    }

    #[test]
    fn a_clock_that_is_years_ahead_for_a_moment_costs_a_bounded_part() {
        let (_dir, mut store) = filled(3000);
        store.connection.execute("UPDATE audit SET received = 999999 * ?1 WHERE position = 3000", [DAY]).expect("set");
        assert_eq!(prune_to(&mut store, 30.0, 1_000_000, 3000), AT_A_TIME as usize);
    }
}
