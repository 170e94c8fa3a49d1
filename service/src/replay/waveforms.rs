//! Recorded waveforms in a replay: an index (CSV) beside raw files, WAV or stored messages, or a WAV by itself.
//!
//! Each becomes the message that would have brought it, at its time in the stream. Files are read when their time comes.
//! An index without a `time` column can be played by itself only: its records are taken a minute apart from 1970 on.

use crate::acquire::recording::time;
use crate::acquire::waveform::{Capture, Encoding, FileOptions, Limits, encode, read_file};
use crate::analyse::{IndexRow, read_index};
use crate::asset::capture::Waveform;
use crate::error::{Error, Fault};
use bytes::Bytes;
use roundsman_models::EventTime;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};

/// Records without a time are this far apart, µs.
const APART_US: i64 = 60_000_000;

/// One recorded waveform, not read yet.
#[derive(Debug)]
pub(super) struct Recorded {
    /// Its time.
    pub(super) at: EventTime,
    /// Asset.
    pub(super) asset: String,
    /// Area.
    pub(super) area: Option<String>,
    row: IndexRow,
    dir: PathBuf,
}

/// Whether a file holds or lists waveforms.
pub(super) fn is_waveforms(path: &Path) -> bool {
    let ending = path.extension().and_then(|e| e.to_str()).unwrap_or_default().to_ascii_lowercase();
    if ending == "wav" {
        return true;
    }
    // An index names a file per record; a recording of readings has no such column.
    let head = || {
        use std::io::{BufRead, Read};
        let mut line = String::new();
        let file = std::fs::File::open(path).ok()?;
        std::io::BufReader::new(file.take(64 * 1024)).read_line(&mut line).ok()?;
        Some(line)
    };
    ending == "csv"
        && head().is_some_and(|line| {
            let names: Vec<&str> = line.split(',').map(str::trim).collect();
            names.contains(&"record") && names.iter().any(|n| ["file", "de_file"].contains(n))
        })
}

/// Everything the files list, by time.
///
/// # Errors
/// An index that cannot be read, a time that is none, records without a time beside readings.
pub(super) fn open(
    paths: &[PathBuf],
    asset: Option<&str>,
    beside_readings: bool,
    zone: &jiff::tz::TimeZone,
) -> Result<VecDeque<Recorded>, Error> {
    let mut all = Vec::new();
    for path in paths {
        let stem = path.file_stem().and_then(|s| s.to_str()).unwrap_or("waveforms");
        let dir = path.parent().unwrap_or(Path::new(".")).to_owned();
        let rows = if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("wav")) {
            let file = PathBuf::from(path.file_name().unwrap_or_default());
            vec![IndexRow { record: stem.to_owned(), file, ..IndexRow::default() }]
        } else {
            read_index(path)?
        };
        for (place, row) in (0..).zip(rows) {
            let at = match &row.time {
                Some(text) => time::parse(text.as_bytes(), zone).ok_or_else(|| {
                    let what = format!("{}: record {}: {text:?} is no time", path.display(), row.record);
                    Error::new(Fault::Data, what)
                })?,
                None if beside_readings => {
                    let what = format!(
                        "{}: record {} has no time, and readings are played too: give the index a column `time`",
                        path.display(),
                        row.record
                    );
                    return Err(Error::new(Fault::Data, what));
                }
                None => EventTime(APART_US * place),
            };
            let asset = row.asset.clone().or_else(|| asset.map(str::to_owned)).unwrap_or_else(|| stem.to_owned());
            all.push(Recorded { at, asset, area: row.area.clone(), row, dir: dir.clone() });
        }
    }
    all.sort_by_key(|r| r.at);
    Ok(all.into())
}

impl Recorded {
    /// Reads it and gives the message that would have brought it.
    ///
    /// # Errors
    /// A file that cannot be read as what the index says it is.
    pub(super) fn read(&self) -> Result<Waveform, Error> {
        let path = self.dir.join(&self.row.file);
        let at = |why: String| Error::new(Fault::Data, why).at(&path.display().to_string());
        let ending = path.extension().and_then(|e| e.to_str()).unwrap_or_default().to_ascii_lowercase();
        let payload = if ["json", "rwf", "cbor"].contains(&ending.as_str()) {
            std::fs::read(&path).map_err(|error| Error::io("read", &path, error))?
        } else {
            let options = FileOptions {
                rate_hz: self.row.rate_hz,
                scale: self.row.scale_g,
                encoding: Encoding::I16,
                ..FileOptions::default()
            };
            let read = read_file(&path, &options).map_err(|fault| at(fault.to_string()))?;
            let capture = Capture {
                asset: Some(self.asset.clone()),
                point: Some(self.row.point.clone().unwrap_or_else(|| self.row.record.clone())),
                axis: self.row.axis,
                start: self.row.time.is_some().then_some(self.at),
                rpm: self.row.rpm,
                request: self.row.request.clone(),
                ..read
            };
            encode(&capture)
        };
        let limits = Limits { bytes: payload.len(), ..Limits::default() };
        Ok(Waveform { point: self.row.point.clone(), payload: Bytes::from(payload), limits })
    }
}
