//! Recorded streams: files → batches of raw readings, in file order and in bounded memory.
//!
//! Every format ends as the same thing: a table of the file's own *series* (asset, point, unit) that grows while it
//! is read, and batches of [`Raw`] readings that name a series by its place in that table. Names are so looked up
//! once per series and never once per reading.
//!
//! | file | told by |
//! |---|---|
//! | gzip (several members too), zstd | magic bytes; what is inside is told as below |
//! | Parquet, wide or long | magic bytes `PAR1`; long when it has the columns `point` and `value` |
//! | the daemon's `journal.db` | magic bytes `SQLi` |
//! | `mosquitto_sub -F '%j'` | the first character is `{` |
//! | CSV, wide or long | anything else; long when its header has `point` and `value` |
//!
//! A cell or line that cannot be read is counted by reason with the first places it happened at; it never ends a
//! replay. A file that cannot be understood as a whole does, with a remedy.

mod cells;
mod columns;
mod kept_journal;
mod long_csv;
mod merge;
mod mqtt_jsonl;
mod open;
mod parquet;
mod series;
mod sorted;
pub mod time;
mod wide_csv;

pub use kept_journal::KeptJournal;
pub use merge::{Merge, Run};
pub use mqtt_jsonl::{Decode, Decoded, Message, MqttJsonl};
pub use open::{Progress, open, open_bytes};
pub use series::{Names, SeriesTable};
pub use sorted::Sorted;

use crate::acquire::{Quality, Rejection};
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// One reading as the file has it: unit not converted, names not resolved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Raw {
    /// Place in [`Recording::series`].
    pub series: u32,
    /// What the file says of its quality.
    pub quality: Quality,
    /// Event time.
    pub at: EventTime,
    /// Value in the file's unit; may be infinite, never missing.
    pub value: f64,
}

/// A file being read.
pub trait Recording: Send {
    /// The series met so far; only ever appended to.
    fn series(&self) -> &[Names];

    /// Replaces what is in `batch` with the next readings; `false` at the end of the file. A batch may be empty
    /// before the end (a stretch of empty cells).
    ///
    /// # Errors
    /// The file cannot be read on: input error, damaged compression, damaged Parquet.
    fn next_batch(&mut self, batch: &mut Vec<Raw>) -> Result<bool, RecordingError>;

    /// What was not used so far, and why.
    fn faults(&self) -> &Faults;

    /// Whether the order of the lines is itself a fact (arrival), so that the file must not be sorted by time.
    fn order_is_arrival(&self) -> bool {
        false
    }
}

/// How files are to be understood.
#[derive(Debug, Clone)]
pub struct ReadOptions {
    /// Asset of files that name none; the file's name without extensions when absent.
    pub asset: Option<String>,
    /// Name of the time column; the usual names are tried when absent.
    pub time_column: Option<String>,
    /// Columns that are no points.
    pub ignore: Vec<String>,
    /// Zone of times that carry none.
    pub zone: jiff::tz::TimeZone,
    /// Readings per batch, about. 4096 of 24 bytes stay in the second-level cache.
    pub batch: usize,
    /// Sort a file that goes back in time by more than an hour (see [`Sorted`]) also beyond the first million.
    pub sort: bool,
    /// Where sorted runs of files larger than memory should hold go.
    pub spill_dir: PathBuf,
}

impl Default for ReadOptions {
    fn default() -> Self {
        Self {
            asset: None,
            time_column: None,
            ignore: Vec::new(),
            zone: jiff::tz::TimeZone::UTC,
            batch: 4096,
            sort: false,
            spill_dir: std::env::temp_dir(),
        }
    }
}

impl ReadOptions {
    fn asset_for(&self, path: &Path) -> String {
        if let Some(asset) = &self.asset {
            return asset.clone();
        }
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let mut stem = name.as_str();
        for extension in [".gz", ".zst", ".csv", ".tsv", ".txt", ".parquet", ".jsonl", ".json"] {
            if stem.len() > extension.len()
                && stem.is_char_boundary(stem.len() - extension.len())
                && stem[stem.len() - extension.len()..].eq_ignore_ascii_case(extension)
            {
                stem = &stem[..stem.len() - extension.len()];
            }
        }
        if stem.is_empty() { "recording".to_owned() } else { stem.to_owned() }
    }

    fn ignores(&self, column: &str) -> bool {
        self.ignore.iter().any(|name| name.eq_ignore_ascii_case(column))
    }
}

/// What of one kind was not used.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fault {
    /// How many readings.
    pub count: u64,
    /// The first few: line (row in Parquet; counted from 1, the header is a line) and what was there.
    pub first: Vec<(u64, String)>,
}

/// Everything of a file that was not used, by reason.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Faults {
    /// By reason.
    pub by_reason: BTreeMap<Rejection, Fault>,
    /// Empty, NaN or null cells: no readings at all, so nothing is wrong with them.
    pub missing: u64,
    /// Readings more than an hour older than one before them, left where they were.
    pub backwards: u64,
    /// Columns that were left out, and why.
    pub notes: Vec<String>,
}

/// Places kept per reason: enough to find the cause, few enough to read.
const FIRST_PLACES: usize = 5;

impl Faults {
    /// Counts `count` readings; `what` is only asked for the first few.
    #[cold]
    pub fn add(&mut self, reason: Rejection, count: u64, line: u64, what: impl FnOnce() -> String) {
        let fault = self.by_reason.entry(reason).or_default();
        fault.count += count;
        if fault.first.len() < FIRST_PLACES {
            fault.first.push((line, what()));
        }
    }
}

/// Shows a cell in a message: short, and safe to print.
fn shown(cell: &[u8]) -> String {
    let text: String = String::from_utf8_lossy(cell).chars().take(40).collect();
    format!("`{}`", text.escape_debug())
}

/// A file that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// Reading or decompressing failed.
    #[error("{}: cannot be read{}", path.display(), at_line(*line))]
    Read {
        /// The file.
        path: PathBuf,
        /// How far it was read, when known.
        line: Option<u64>,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The Parquet is damaged or of a kind not read here.
    #[error("{}: cannot be read as Parquet", path.display())]
    Parquet {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: ::parquet::errors::ParquetError,
    },
    /// It is readable and not what is needed.
    #[error("{}{}: {what}; {remedy}", path.display(), at_line(*line))]
    Unusable {
        /// The file.
        path: PathBuf,
        /// Where, when it is one place.
        line: Option<u64>,
        /// What is wrong.
        what: String,
        /// What to do about it.
        remedy: String,
    },
}

fn at_line(line: Option<u64>) -> String {
    line.map(|line| format!(", line {line}")).unwrap_or_default()
}
