//! Files that are not in time order: a table sorted by asset and then time, or newest first.
//!
//! The engine takes a stream, so such a file must be sorted before it is played. A look at the first million readings
//! tells: when one of them is more than an hour older than one before it, the file is sorted, stably, through runs on
//! disk when it is larger than memory should hold. Smaller steps back are what late readings look like and stay where
//! they are. A file of arrivals (`mosquitto_sub`) is never sorted: its order is a fact.
//!
//! A file whose first step back comes after the first million is played as it is; the steps are counted and the option
//! that sorts it is named.

use super::{Faults, Names, Raw, ReadOptions, Recording, RecordingError};
use crate::acquire::Quality;
use crate::spill::{Merged, Record, Spill};
use roundsman_models::EventTime;
use std::path::{Path, PathBuf};

/// Further back than this is another order, not a late reading. An hour, not less: local times of a zone with summer
/// time repeat one.
const BACK_US: i64 = 3_600_000_000;

/// Readings per sorted run: 96 MB.
const RUN_READINGS: usize = 4 << 20;

impl Record for Raw {
    type Key = EventTime;
    const BYTES: usize = 21;

    fn key(&self) -> EventTime {
        self.at
    }

    fn encode(&self, out: &mut [u8]) {
        out[..8].copy_from_slice(&self.at.0.to_le_bytes());
        out[8..16].copy_from_slice(&self.value.to_le_bytes());
        out[16..20].copy_from_slice(&self.series.to_le_bytes());
        out[20] = u8::from(self.quality == Quality::Bad);
    }

    fn decode(bytes: &[u8]) -> Self {
        let eight =
            |from: usize| bytes.get(from..).and_then(|rest| rest.first_chunk::<8>()).copied().unwrap_or_default();
        let four = bytes.get(16..).and_then(|rest| rest.first_chunk::<4>()).copied().unwrap_or_default();
        Self {
            at: EventTime(i64::from_le_bytes(eight(0))),
            value: f64::from_le_bytes(eight(8)),
            series: u32::from_le_bytes(four),
            quality: if bytes.get(20) == Some(&1) { Quality::Bad } else { Quality::Good },
        }
    }
}

enum State {
    /// Nothing read yet.
    Fresh,
    /// The readings looked at, and how many of them are handed on; then the rest of the file if it has one.
    Held { held: Vec<Raw>, next: usize, more: bool },
    /// Through runs on disk.
    Disk(Merged<Raw>),
}

/// A recording in time order as far as the module's page says.
pub struct Sorted {
    inner: Box<dyn Recording>,
    path: PathBuf,
    options: ReadOptions,
    /// How many readings are looked at before the first is handed on.
    look: usize,
    state: State,
    newest: EventTime,
    backwards: u64,
    faults: Faults,
}

impl Sorted {
    /// Wraps the recording of `path`, holding `look` readings to tell its order.
    pub fn new(inner: Box<dyn Recording>, path: &Path, options: ReadOptions, look: usize) -> Self {
        Self {
            inner,
            path: path.to_owned(),
            options,
            look,
            state: State::Fresh,
            newest: EventTime(i64::MIN),
            backwards: 0,
            faults: Faults::default(),
        }
    }

    fn watch(&mut self, batch: &[Raw]) {
        for raw in batch {
            if raw.at >= self.newest {
                self.newest = raw.at;
            } else if self.newest.0.saturating_sub(raw.at.0) > BACK_US {
                self.backwards += 1;
            }
        }
    }

    fn look(&mut self, batch: &mut Vec<Raw>) -> Result<(), RecordingError> {
        let mut held = Vec::new();
        let mut more = true;
        while more && held.len() < self.look {
            more = self.inner.next_batch(batch)?;
            self.watch(batch);
            held.extend_from_slice(batch);
        }
        if self.backwards > 0 || self.options.sort {
            if more {
                return self.sort_on_disk(held, batch);
            }
            held.sort_by_key(Raw::key);
            self.sorted();
        }
        self.state = State::Held { held, next: 0, more };
        Ok(())
    }

    fn sorted(&mut self) {
        if self.backwards > 0 {
            self.faults.notes.push("was not in time order; it has been sorted".to_owned());
        }
        self.backwards = 0;
    }

    fn sort_on_disk(&mut self, held: Vec<Raw>, batch: &mut Vec<Raw>) -> Result<(), RecordingError> {
        let path = self.path.clone();
        let failed = |source| RecordingError::Read { path: path.clone(), line: None, source };
        let mut spill = Spill::new(self.options.spill_dir.clone(), RUN_READINGS);
        for raw in held {
            spill.push(raw).map_err(failed)?;
        }
        let mut more = true;
        while more {
            more = self.inner.next_batch(batch)?;
            self.watch(batch);
            for &raw in batch.iter() {
                spill.push(raw).map_err(failed)?;
            }
        }
        self.sorted();
        self.state = State::Disk(Spill::merge(vec![spill]).map_err(failed)?);
        Ok(())
    }

    fn gather_faults(&mut self) {
        let notes = std::mem::take(&mut self.faults.notes);
        self.faults = self.inner.faults().clone();
        self.faults.notes.extend(notes);
        self.faults.backwards = self.backwards;
    }
}

impl Recording for Sorted {
    fn series(&self) -> &[Names] {
        self.inner.series()
    }

    fn next_batch(&mut self, batch: &mut Vec<Raw>) -> Result<bool, RecordingError> {
        if matches!(self.state, State::Fresh) {
            self.look(batch)?;
        }
        batch.clear();
        let go_on = match &mut self.state {
            State::Fresh => false,
            State::Held { held, next, more } => {
                if *next < held.len() {
                    let end = (*next + self.options.batch).min(held.len());
                    batch.extend_from_slice(held.get(*next..end).unwrap_or_default());
                    *next = end;
                    if end == held.len() {
                        // The rest of a long file must not carry the first million along.
                        *held = Vec::new();
                        *next = 0;
                    }
                    *more || !held.is_empty()
                } else if *more {
                    *more = self.inner.next_batch(batch)?;
                    let go_on = *more;
                    self.watch(batch);
                    go_on
                } else {
                    false
                }
            }
            State::Disk(merged) => {
                let failed = |source| RecordingError::Read { path: self.path.clone(), line: None, source };
                let mut go_on = true;
                while go_on && batch.len() < self.options.batch {
                    match merged.next_record().map_err(failed)? {
                        Some(raw) => batch.push(raw),
                        None => go_on = false,
                    }
                }
                go_on
            }
        };
        if !go_on {
            self.gather_faults();
        }
        Ok(go_on)
    }

    fn faults(&self) -> &Faults {
        &self.faults
    }
}
