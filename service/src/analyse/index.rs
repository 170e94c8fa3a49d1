//! An index of records: a CSV beside raw files.

use super::parse_axis;
use crate::acquire::waveform::{Capture, Encoding, FileOptions, WaveformFault, read_file};
use crate::error::{Error, Fault};
use roundsman_models::assess::likely_fault::Axis;
use std::path::{Path, PathBuf};

/// One record of an index.
#[derive(Debug, Clone, PartialEq)]
pub struct IndexRow {
    /// Its name.
    pub record: String,
    /// Shaft speed as the index has it, r/min.
    pub rpm: Option<f64>,
    /// Samples a second.
    pub rate_hz: Option<f64>,
    /// The file, relative to the index.
    pub file: PathBuf,
    /// A sample is the stored number times this, in g.
    pub scale_g: f64,
    /// Asset.
    pub asset: Option<String>,
    /// Area.
    pub area: Option<String>,
    /// Point.
    pub point: Option<String>,
    /// Direction of the sensor.
    pub axis: Option<Axis>,
    /// When it was taken, as the index has it.
    pub time: Option<String>,
    /// The request it answers.
    pub request: Option<String>,
}

impl Default for IndexRow {
    fn default() -> Self {
        Self {
            record: String::new(),
            rpm: None,
            rate_hz: None,
            file: PathBuf::new(),
            scale_g: 1.0,
            asset: None,
            area: None,
            point: None,
            axis: None,
            time: None,
            request: None,
        }
    }
}

impl IndexRow {
    /// Reads the record's samples: 16-bit raw unless the file's name says otherwise.
    ///
    /// # Errors
    /// As [`read_file`].
    pub fn read(&self, index: &Path) -> Result<Capture, WaveformFault> {
        let path = index.parent().unwrap_or(Path::new(".")).join(&self.file);
        let options = FileOptions {
            rate_hz: self.rate_hz,
            scale: self.scale_g,
            encoding: Encoding::I16,
            ..FileOptions::default()
        };
        read_file(&path, &options).map_err(|fault| WaveformFault {
            part: fault.part,
            why: format!("{} ({})", fault.why, self.file.display()),
        })
    }
}

/// Reads an index. Needed: `record`, and `de_file` or `file`; used: `rpm`, `fs_hz` or `rate_hz`, `de_lsb_g` or `scale_g`,
/// and where they are there `asset`, `area`, `point`, `axis`, `time`, `request`.
/// Every other column is left alone: what is known of the fault is not looked at.
///
/// # Errors
/// A file that cannot be read, a column that is missing, a number that is none; with the line.
pub fn read_index(path: &Path) -> Result<Vec<IndexRow>, Error> {
    let text = std::fs::read(path).map_err(|error| Error::io("read", path, error))?;
    let bad = |why: String| Error::new(Fault::Data, format!("{}: {why}", path.display()));
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(text.as_slice());
    let head = reader.headers().map_err(|error| bad(error.to_string()))?.clone();
    let column = |names: &[&str]| names.iter().find_map(|name| head.iter().position(|h| h.trim() == *name));
    let need = |names: &[&str]| column(names).ok_or_else(|| bad(format!("no column {}", names.join(" or "))));
    let (record, file) = (need(&["record"])?, need(&["de_file", "file"])?);
    let (rpm, rate) = (column(&["rpm"]), column(&["fs_hz", "rate_hz"]));
    let scale = column(&["de_lsb_g", "scale_g"]);
    let [asset, area, point, axis, time, request] =
        ["asset", "area", "point", "axis", "time", "request"].map(|name| column(&[name]));
    let mut rows = Vec::new();
    for (line, cells) in (2..).zip(reader.records()) {
        let cells = cells.map_err(|error| bad(error.to_string()))?;
        let cell = |column: usize| cells.get(column).map(str::trim).filter(|c| !c.is_empty());
        let number = |column: Option<usize>| match column.and_then(cell) {
            None => Ok(None),
            Some(text) => match text.parse::<f64>() {
                Ok(value) if value.is_finite() && value > 0.0 => Ok(Some(value)),
                _ => Err(bad(format!("line {line}: {text:?} must be a number above 0"))),
            },
        };
        let text = |column: Option<usize>| column.and_then(cell).map(str::to_owned);
        let axis = match text(axis) {
            None => None,
            Some(text) => Some(parse_axis(&text).map_err(|why| bad(format!("line {line}: axis {text:?} {why}")))?),
        };
        let missing = |what: &str| bad(format!("line {line}: no {what}"));
        rows.push(IndexRow {
            record: cell(record).ok_or_else(|| missing("record"))?.to_owned(),
            rpm: number(rpm)?,
            rate_hz: number(rate)?,
            file: cell(file).ok_or_else(|| missing("file"))?.into(),
            scale_g: number(scale)?.unwrap_or(1.0),
            asset: text(asset),
            area: text(area),
            point: text(point),
            axis,
            time: text(time),
            request: text(request),
        });
    }
    Ok(rows)
}
