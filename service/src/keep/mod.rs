//! What outlives the process: two SQLite files in the state directory.
//!
//! `journal.db` holds what came in, durable before it is acknowledged; `state.db` holds what became of it: snapshots
//! with the journal position they cover, trends, alerts, audit, outbox. Two files, so that the two threads that write
//! never wait for one another. Both can be opened with the `sqlite3` tool while the daemon runs.

pub mod audit;
pub mod findings;
pub mod histories;
pub mod journal;
pub mod keeper;
mod lock;
pub mod mail;
pub mod plate;
mod prune;
pub mod read;
pub mod report_mail;
pub mod score;
pub mod store;
pub mod trend;

pub use audit::AuditLimits;
pub use journal::Journal;
pub use keeper::{Changed, Keeper, Order, Record};
pub use store::{Recovered, Store};

use roundsman_models::EventTime;
use std::path::PathBuf;

/// Why the state directory cannot be used, or a write failed.
#[derive(Debug, thiserror::Error)]
pub enum KeepError {
    /// The file or directory.
    #[error("{path}: {source}")]
    Path {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Others can put files into the state directory.
    #[error(
        "{path} is open to others (mode {mode:04o}): they could put other baselines, alerts and audit in the place of ours. \
         Run chmod 0700 on it, or 0750 where a group makes the backups"
    )]
    NotPrivate {
        /// The directory.
        path: PathBuf,
        /// Its mode.
        mode: u32,
    },
    /// A second daemon.
    #[error("{path} is locked: another roundsman uses this state directory; give each its own `state_dir`")]
    Locked {
        /// The lock file.
        path: PathBuf,
    },
    /// A file of another version.
    #[error(
        "{path} has schema version {found}, this roundsman reads and writes version {known}: install the version that \
         wrote it, or move the file away to begin anew (what was learned goes with it)"
    )]
    Version {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: String,
        /// Ours.
        known: u32,
    },
    /// Snapshots of another version: going on would write over them.
    #[error(
        "{path} holds {count} snapshots of version {found} ({first} ...), this roundsman reads and writes version {known}: \
         install the version that wrote them, or have every asset learn anew with: sqlite3 {path} \"DELETE FROM snapshots\" \
         (trends, alerts and audit stay)"
    )]
    SnapshotVersion {
        /// The file.
        path: PathBuf,
        /// How many.
        count: usize,
        /// Their version.
        found: String,
        /// One of their assets.
        first: String,
        /// Ours.
        known: u32,
    },
    /// The file as a whole is no database any more.
    #[error(
        "{path} is damaged: {source}. Put a copy back, or move it away with the other files of its folder to begin anew \
         (what was learned goes with it)"
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// SQLite's word.
        source: rusqlite::Error,
    },
    /// SQLite's word.
    #[error("{path}: {source}: {}", remedy(source))]
    Database {
        /// The file.
        path: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
    /// A journal row that cannot be read.
    #[error("{path}: row {position} cannot be read: {why}")]
    Row {
        /// The file.
        path: PathBuf,
        /// Its position.
        position: u64,
        /// Why.
        why: String,
    },
}

/// What a person can do about a write that fails, by SQLite's reason.
pub(crate) fn remedy(error: &rusqlite::Error) -> &'static str {
    use rusqlite::ErrorCode;
    match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => "free some space; it goes on by itself",
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            "another program holds a lock on it: end that program's transaction"
        }
        Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => {
            "let the account of this service write the folder and the files in it"
        }
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
            "the file is damaged: stop, look at the disk, put back a backup or move the file away"
        }
        _ => "look at the space and the health of the disk; it goes on by itself once it can be written",
    }
}

impl KeepError {
    /// SQLite's word on a file, told by what a person has to do about it.
    pub(crate) fn of(path: &std::path::Path, source: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
        let path = path.to_owned();
        match source.sqlite_error_code() {
            Some(DatabaseCorrupt | NotADatabase) => Self::Damaged { path, source },
            _ => Self::Database { path, source },
        }
    }
}

/// ISO 8601 UTC with microseconds when they are not zero.
pub fn iso(at: EventTime) -> String {
    jiff::Timestamp::from_microsecond(at.0).map_or_else(|_| format!("{} us", at.0), |time| time.to_string())
}
