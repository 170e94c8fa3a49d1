//! What `replay` wrote, read again: alerts, forecasts, and the snapshots one by one.

use super::episodes::{Episode, episodes};
use crate::acquire::recording::time;
use crate::advise::document::{Alert, Document, Severity};
use crate::error::{Error, Fault};
use jiff::tz::TimeZone;
use roundsman_models::EventTime;
use roundsman_models::evaluate::Forecast;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};

/// The `zone` of a snapshot, as far as it is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Said {
    /// No baseline yet.
    Learning,
    /// Not running.
    Stopped,
    /// Just started, or changing its state.
    Settling,
    /// As learned.
    Normal,
    /// Above it.
    Raised(Severity),
}

impl Said {
    fn of(zone: &[u8]) -> Option<Self> {
        Some(match zone {
            b"learning" => Said::Learning,
            b"stopped" => Said::Stopped,
            b"settling" => Said::Settling,
            b"normal" => Said::Normal,
            b"advisory" => Said::Raised(Severity::Advisory),
            b"warning" => Said::Raised(Severity::Warning),
            b"alarm" => Said::Raised(Severity::Alarm),
            _ => return None,
        })
    }

    /// Whether it stands at `least` or worse.
    pub fn reaches(self, least: Severity) -> bool {
        matches!(self, Said::Raised(severity) if severity >= least)
    }

    /// Whether a judgement was made at all.
    pub fn is_judged(self) -> bool {
        matches!(self, Said::Normal | Said::Raised(_))
    }
}

/// Forecasts by asset, point and target, each by time.
pub type Forecasts = BTreeMap<(String, String, String), Vec<Forecast>>;

/// A folder of results.
#[derive(Debug)]
pub struct Found {
    dir: PathBuf,
    /// Alerts, by the time they were raised.
    pub episodes: Vec<Episode>,
    /// Forecasts.
    pub forecasts: Forecasts,
}

const UTC: TimeZone = TimeZone::UTC;

impl Found {
    /// Opens a folder that `replay` wrote.
    ///
    /// # Errors
    /// One of its files is missing, cannot be read, or is not what `replay` writes.
    pub fn open(dir: &Path) -> Result<Self, Error> {
        Ok(Self { dir: dir.to_owned(), episodes: read_alerts(dir)?, forecasts: read_forecasts(dir)? })
    }

    /// Goes through the snapshots of `scores.csv` by time.
    ///
    /// # Errors
    /// The file cannot be read or is not what `replay` writes.
    pub fn snapshots(&self, mut each: impl FnMut(EventTime, &str, Said)) -> Result<(), Error> {
        let path = self.dir.join("scores.csv");
        let mut reader = open_csv(&path, &["time", "asset", "zone"])?;
        let [at_place, asset_place, zone_place] = reader.places;
        let mut row = csv::ByteRecord::new();
        while reader.csv.read_byte_record(&mut row).map_err(|fault| unreadable(&path, fault))? {
            let cell = |place: usize| row.get(place).unwrap_or_default();
            let at = time::parse(cell(at_place), &UTC);
            let asset = std::str::from_utf8(cell(asset_place)).ok();
            let (Some(at), Some(asset), Some(said)) = (at, asset, Said::of(cell(zone_place))) else {
                return Err(bad_row(&path, &row, "is no snapshot: time, asset and zone are needed"));
            };
            each(at, asset, said);
        }
        Ok(())
    }
}

fn read_alerts(dir: &Path) -> Result<Vec<Episode>, Error> {
    let path = dir.join("alerts.jsonl");
    let file = File::open(&path).map_err(|source| not_there(&path, source))?;
    let mut alerts = Vec::new();
    for (number, line) in (1..).zip(BufReader::new(file).lines()) {
        let line = line.map_err(|source| Error::io("read", &path, source))?;
        if line.trim().is_empty() {
            continue;
        }
        let alert = Alert::from_json(&line)
            .map_err(|fault| Error::new(Fault::Data, format!("{}, line {number}: {fault}", path.display())))?;
        alerts.push(alert);
    }
    Ok(episodes(&alerts))
}

fn read_forecasts(dir: &Path) -> Result<Forecasts, Error> {
    let path = dir.join("remaining-life.csv");
    let columns = ["time", "asset", "point", "target", "p10_hours", "p50_hours", "p90_hours"];
    let mut reader = open_csv(&path, &columns)?;
    let [at, asset, point, target, p10, p50, p90] = reader.places;
    let mut forecasts = Forecasts::new();
    let mut row = csv::ByteRecord::new();
    while reader.csv.read_byte_record(&mut row).map_err(|fault| unreadable(&path, fault))? {
        let text = |place: usize| row.get(place).and_then(|cell| std::str::from_utf8(cell).ok());
        let hours = |place: usize| match text(place) {
            Some("") => Some(None),
            Some(text) => text.parse::<f64>().ok().map(Some),
            None => None,
        };
        let moment = row.get(at).and_then(|cell| time::parse(cell, &UTC));
        let read = (moment, text(asset), text(point), text(target), hours(p10), hours(p50), hours(p90));
        let (Some(at), Some(asset), Some(point), Some(target), Some(p10_hours), Some(p50_hours), Some(p90_hours)) =
            read
        else {
            return Err(bad_row(&path, &row, "is no forecast"));
        };
        let forecast = Forecast { at, p10_hours, p50_hours, p90_hours };
        forecasts.entry((asset.to_owned(), point.to_owned(), target.to_owned())).or_default().push(forecast);
    }
    Ok(forecasts)
}

struct Csv<const N: usize> {
    csv: csv::Reader<File>,
    places: [usize; N],
}

fn open_csv<const N: usize>(path: &Path, columns: &[&str; N]) -> Result<Csv<N>, Error> {
    let file = File::open(path).map_err(|source| not_there(path, source))?;
    let mut csv = csv::ReaderBuilder::new().buffer_capacity(1 << 18).from_reader(file);
    let header = csv.headers().map_err(|fault| unreadable(path, fault))?;
    let mut places = [0; N];
    for (place, name) in places.iter_mut().zip(columns) {
        *place = header
            .iter()
            .position(|column| column == *name)
            .ok_or_else(|| Error::new(Fault::Data, format!("{}: has no column {name}", path.display())))?;
    }
    Ok(Csv { csv, places })
}

fn not_there(path: &Path, source: std::io::Error) -> Error {
    Error::io("read", path, source).at("the folder must be one that `roundsman replay --out` wrote")
}

fn unreadable(path: &Path, fault: csv::Error) -> Error {
    Error::new(Fault::Data, format!("{}: cannot be read", path.display())).because(fault)
}

fn bad_row(path: &Path, row: &csv::ByteRecord, what: &str) -> Error {
    let line = row.position().map_or(0, csv::Position::line);
    Error::new(Fault::Data, format!("{}, line {line}: {what}", path.display()))
}
