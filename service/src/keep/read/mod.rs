//! `state.db`, opened to read only: what the page, the report and the export show. Beside a daemon that writes it (its
//! write-ahead log lets readers see a whole state without making anybody wait) or without one.
//!
//! Every query is bounded: a trend by the rows asked for, lists by a number or by how few there can be. What a file of a
//! later program put into a document and we cannot read counts as not there.

mod alerts;
mod assets;
mod documents;
mod periods;
mod report_mail;
mod trend;
mod waveforms;

#[cfg(test)]
mod tests;

pub use alerts::{AuditRow, Span};
pub use assets::{AssetRow, PointRow};
pub use documents::Kind;
pub use periods::Period;
pub use trend::{Expectation, TrendRow};
pub use waveforms::WaveformRow;

use super::KeepError;
use super::store::SCHEMA;
use rusqlite::{Connection, OpenFlags};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A connection to `state.db` that cannot write.
pub struct Reader {
    connection: Connection,
    path: PathBuf,
}

impl Reader {
    /// Opens `state.db` of a state directory. Cheap: a request can have its own.
    ///
    /// # Errors
    /// There is none, it cannot be read, or it is of another version.
    pub fn open(dir: &Path) -> Result<Self, KeepError> {
        let path = dir.join("state.db");
        let fault = |source| KeepError::of(&path, source);
        // Without `CREATE`: a mistyped folder must not become a state directory.
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(&path, flags).map_err(fault)?;
        connection.busy_timeout(Duration::from_secs(5)).map_err(fault)?;
        let found =
            connection.query_row("SELECT value FROM meta WHERE key = 'schema'", [], |row| row.get::<_, String>(0));
        let found = match found {
            Ok(found) => found,
            Err(error @ rusqlite::Error::SqliteFailure(..))
                if error.sqlite_error_code() != Some(rusqlite::ErrorCode::Unknown) =>
            {
                return Err(KeepError::of(&path, error));
            }
            // No such table, or nothing in it: a database, and not one of ours.
            Err(_) => "unknown".to_owned(),
        };
        if found != SCHEMA.to_string() {
            return Err(KeepError::Version { path, found, known: SCHEMA });
        }
        Ok(Self { connection, path })
    }

    fn fault(&self) -> impl Fn(rusqlite::Error) -> KeepError + '_ {
        |source| KeepError::of(&self.path, source)
    }

    /// All rows of a statement.
    fn all<T>(
        &self,
        sql: &str,
        parameters: impl rusqlite::Params,
        map: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, KeepError> {
        let read = || {
            let mut statement = self.connection.prepare_cached(sql)?;
            statement.query_map(parameters, map)?.collect::<rusqlite::Result<Vec<T>>>()
        };
        read().map_err(self.fault())
    }
}
