//! What outlives the process: two SQLite files in the state directory.
//!
//! `journal.db` holds what came in, durable before it is acknowledged; `state.db` holds what became of it: snapshots
//! with the journal position they cover, trends, alerts, audit, outbox. Two files, so that the two threads that write
//! never wait for one another. Both can be opened with the `sqlite3` tool while the daemon runs.

pub mod journal;
pub mod keeper;
pub mod store;
pub mod trend;

pub use journal::Journal;
pub use keeper::{Keeper, Order, Record};
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
    /// SQLite's word.
    #[error("{path}: {source}")]
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

/// ISO 8601 UTC with microseconds when they are not zero.
pub fn iso(at: EventTime) -> String {
    jiff::Timestamp::from_microsecond(at.0).map_or_else(|_| format!("{} us", at.0), |time| time.to_string())
}
