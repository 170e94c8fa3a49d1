//! The daemon's own `journal.db` as a recording: every message it acknowledged and still keeps, in the order it came.
//!
//! Read beside a daemon that runs, or from a copy (with its `-wal` file, or after a clean stop). Commands and the ticks of
//! a silent stream stand in the journal too and are no readings: a replay counts commands as `unmapped-topic`, and in it
//! only readings move time.

use super::mqtt_jsonl::{Message, take};
use super::open::{Progress, unusable};
use super::{Decode, Faults, Names, Raw, Recording, RecordingError, SeriesTable};
use crate::acquire::Rejection;
use crate::acquire::mqtt::Entry;
use crate::keep::{Journal, KeepError};
use std::io;
use std::path::{Path, PathBuf};

/// A journal that was kept.
pub struct KeptJournal {
    path: PathBuf,
    journal: Journal,
    decode: Box<dyn Decode>,
    table: SeriesTable,
    faults: Faults,
    /// The last row there was when it was opened: a daemon may be adding more.
    head: u64,
    position: u64,
    progress: Progress,
}

impl KeptJournal {
    /// Opens it for reading. What the daemon adds from now on is not read.
    ///
    /// # Errors
    /// It is another database, or of another version.
    pub fn open(path: &Path, decode: Box<dyn Decode>, progress: &Progress) -> Result<Self, RecordingError> {
        let not_ours =
            |error: KeepError| unusable(path, &format!("is no journal of roundsman ({error})"), "leave it out");
        let journal = Journal::open_to_read(path).map_err(not_ours)?;
        let head = journal.head().map_err(not_ours)?;
        Ok(Self {
            path: path.to_owned(),
            journal,
            decode,
            table: SeriesTable::default(),
            faults: Faults::default(),
            head,
            position: 0,
            progress: progress.clone(),
        })
    }
}

impl Recording for KeptJournal {
    fn series(&self) -> &[Names] {
        self.table.names()
    }

    fn next_batch(&mut self, batch: &mut Vec<Raw>) -> Result<bool, RecordingError> {
        batch.clear();
        let entries = match self.journal.after(self.position, self.head) {
            Ok(Some((position, entries))) => {
                self.position = position;
                entries
            }
            Ok(None) => return Ok(false),
            Err(KeepError::Row { position, why, .. }) => {
                self.position = position;
                self.faults.add(Rejection::Unreadable, 1, position, || why);
                return Ok(true);
            }
            Err(error) => {
                let source = io::Error::other(error.to_string());
                return Err(RecordingError::Read { path: self.path.clone(), line: Some(self.position), source });
            }
        };
        for entry in &entries {
            let Entry::Message(message) = entry else { continue };
            let number = self.position;
            self.progress.add(message.payload.len() as u64);
            if message.retain || message.cut {
                let reason = if message.retain { Rejection::Retained } else { Rejection::Unreadable };
                self.faults.add(reason, 1, number, || message.topic.clone());
                continue;
            }
            let message =
                Message { at: message.received, topic: &message.topic, payload: &message.payload, retained: false };
            take(&message, &mut *self.decode, number, &mut self.table, &mut self.faults, batch);
        }
        Ok(true)
    }

    fn faults(&self) -> &Faults {
        &self.faults
    }

    fn order_is_arrival(&self) -> bool {
        true
    }
}
