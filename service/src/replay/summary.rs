//! `summary.json`.

use crate::acquire::Rejection;
use crate::acquire::recording::Faults;
use crate::acquire::recording::time::write_rfc3339;
use crate::error::Error;
use roundsman_models::EventTime;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::time::Duration;

/// What a replay comes to. Only `wall` depends on a clock.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    /// Readings met, those not used included.
    pub readings: u64,
    /// Waveforms met.
    pub waveforms: u64,
    /// Readings not used, by reason.
    pub rejections: BTreeMap<Rejection, u64>,
    /// Empty cells, which are no readings.
    pub missing: u64,
    /// Assets met or configured.
    pub assets: u64,
    /// Episodes.
    pub alerts: u64,
    /// Lines of `alerts.jsonl`.
    pub alert_documents: u64,
    /// Rows of `scores.csv`.
    pub scores: u64,
    /// First and last stream time.
    #[serde(flatten)]
    pub span: Option<Span>,
    /// What is worth knowing of the recordings.
    pub notes: Vec<String>,
    /// How long it took.
    pub wall: Wall,
    /// Names of the assets by id.
    #[serde(skip)]
    pub names: Vec<String>,
}

/// Stream time from and to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Span {
    /// First reading.
    #[serde(serialize_with = "time")]
    pub from: EventTime,
    /// Where the stream's clock stood at the end.
    #[serde(serialize_with = "time")]
    pub to: EventTime,
}

/// Time it took.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Wall {
    /// From opening the recordings to the last event, seconds.
    pub seconds: f64,
    /// Readings per second.
    pub readings_per_second: f64,
}

impl Wall {
    /// `readings` in `elapsed`.
    pub fn of(readings: u64, elapsed: Duration) -> Self {
        let seconds = elapsed.as_secs_f64();
        Self {
            seconds: (seconds * 1e3).round() / 1e3,
            readings_per_second: (readings as f64 / seconds.max(1e-6)).round(),
        }
    }
}

fn time<S: Serializer>(at: &EventTime, serializer: S) -> Result<S::Ok, S::Error> {
    let mut text = Vec::new();
    write_rfc3339(&mut text, *at);
    serializer.serialize_str(&String::from_utf8_lossy(&text))
}

/// A reason as it stands in files.
pub(super) fn word(reason: Rejection) -> String {
    serde_json::to_value(reason).ok().and_then(|word| word.as_str().map(str::to_owned)).unwrap_or_default()
}

impl Summary {
    /// Nothing but the names of the assets, by id.
    pub fn new(names: Vec<String>) -> Self {
        Self {
            readings: 0,
            waveforms: 0,
            rejections: BTreeMap::new(),
            missing: 0,
            assets: names.len() as u64,
            alerts: 0,
            alert_documents: 0,
            scores: 0,
            span: None,
            notes: Vec::new(),
            wall: Wall::default(),
            names,
        }
    }

    /// Adds what a recording did not yield.
    pub(super) fn add_faults(&mut self, path: &Path, faults: &Faults) {
        let path = path.display();
        self.missing += faults.missing;
        for (&reason, fault) in &faults.by_reason {
            self.readings += fault.count;
            *self.rejections.entry(reason).or_default() += fault.count;
            let places: Vec<String> =
                fault.first.iter().take(3).map(|(line, what)| format!("line {line}, {what}")).collect();
            let more = if fault.count > places.len() as u64 { "; ..." } else { "" };
            let (count, reason) = (fault.count, word(reason));
            self.notes.push(format!("{path}: {count} readings {reason}: {}{more}", places.join("; ")));
        }
        if faults.backwards > 0 {
            let count = faults.backwards;
            self.notes.push(format!("{path}: {count} readings go back in time by more than an hour; try --sort"));
        }
        self.notes.extend(faults.notes.iter().map(|note| format!("{path}: {note}")));
    }
}

/// Writes one file of the results.
pub(super) fn create(
    out: &Path,
    name: &str,
    write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<(), Error> {
    let path = out.join(name);
    let written = File::create(&path).and_then(|file| {
        let mut file = BufWriter::with_capacity(1 << 18, file);
        write(&mut file)?;
        file.flush()
    });
    written.map_err(|source| Error::io("write", &path, source))
}
