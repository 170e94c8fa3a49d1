//! Long CSV: one reading per line, `time,asset,point,value[,unit][,quality][,area]` in any order of the columns.

use super::cells::{self, Cell};
use super::open::Capped;
use super::wide_csv::read_error;
use super::{Faults, Names, Raw, ReadOptions, Recording, RecordingError, SeriesTable, shown, time};
use crate::acquire::{Quality, Rejection};
use std::io::Read;
use std::path::{Path, PathBuf};

/// Whether a header is that of a long table.
pub(super) fn is_long(columns: &[String]) -> bool {
    let has = |name: &str| columns.iter().any(|column| column.eq_ignore_ascii_case(name));
    has("point") && has("value")
}

/// Places of the columns of a long table.
pub(super) struct Columns {
    pub(super) time: usize,
    pub(super) asset: Option<usize>,
    pub(super) area: Option<usize>,
    pub(super) point: usize,
    pub(super) value: usize,
    pub(super) unit: Option<usize>,
    pub(super) quality: Option<usize>,
}

impl Columns {
    pub(super) fn find(columns: &[String], options: &ReadOptions, path: &Path) -> Result<Self, RecordingError> {
        let find = |name: &str| columns.iter().position(|c| c.eq_ignore_ascii_case(name) && !options.ignores(c));
        let need = |name: &str| {
            find(name).ok_or_else(|| RecordingError::Unusable {
                path: path.to_owned(),
                line: Some(1),
                what: format!("no column `{name}`"),
                remedy: "a long table has the columns time, asset, point, value".to_owned(),
            })
        };
        Ok(Self {
            time: cells::time_column(columns, options, path)?,
            asset: find("asset"),
            area: find("area"),
            point: need("point")?,
            value: need("value")?,
            unit: find("unit"),
            quality: find("quality"),
        })
    }
}

pub(super) struct LongCsv<R> {
    path: PathBuf,
    csv: csv::Reader<Capped<R>>,
    record: csv::ByteRecord,
    cells: usize,
    columns: Columns,
    asset_of_file: String,
    table: SeriesTable,
    decimal_comma: bool,
    options: ReadOptions,
    faults: Faults,
}

impl<R: Read + Send> LongCsv<R> {
    pub(super) fn new(
        path: &Path,
        csv: csv::Reader<Capped<R>>,
        columns: &[String],
        delimiter: u8,
        options: ReadOptions,
    ) -> Result<Self, RecordingError> {
        Ok(Self {
            path: path.to_owned(),
            csv,
            record: csv::ByteRecord::new(),
            cells: columns.len(),
            columns: Columns::find(columns, &options, path)?,
            asset_of_file: options.asset_for(path),
            table: SeriesTable::default(),
            decimal_comma: delimiter == b';',
            options,
            faults: Faults::default(),
        })
    }

    fn line(&mut self, batch: &mut Vec<Raw>) {
        let line = cells::line_of(&self.record, &self.csv);
        let cells = self.record.len();
        if cells == 1 && self.record.get(0).is_some_and(|cell| cell.trim_ascii().is_empty()) {
            return;
        }
        if cells != self.cells {
            let want = self.cells;
            self.faults
                .add(Rejection::Unreadable, 1, line, || format!("the line has {cells} cells, the header {want}"));
            return;
        }
        let cell = |at: usize| self.record.get(at).unwrap_or_default().trim_ascii();
        let optional = |at: Option<usize>| at.map_or(&b""[..], cell);
        let value = match cells::value(cell(self.columns.value), self.decimal_comma) {
            Cell::Value(value) => value,
            Cell::Missing => {
                self.faults.missing += 1;
                return;
            }
            Cell::Unreadable => {
                let what = shown(cell(self.columns.value));
                self.faults.add(Rejection::Unreadable, 1, line, || format!("the value is {what}"));
                return;
            }
        };
        let Some(at) = time::parse(cell(self.columns.time), &self.options.zone) else {
            let what = shown(cell(self.columns.time));
            self.faults.add(Rejection::BadTime, 1, line, || what);
            return;
        };
        let asset = self.columns.asset.map_or(self.asset_of_file.as_bytes(), cell);
        let point = cell(self.columns.point);
        if asset.is_empty() || point.is_empty() {
            self.faults.add(Rejection::Unreadable, 1, line, || "the name of the asset or point is empty".to_owned());
            return;
        }
        let quality = self.columns.quality.map_or(Quality::Good, |at| cells::quality(cell(at)));
        match self.table.id(asset, optional(self.columns.area), point, optional(self.columns.unit)) {
            Some(series) => batch.push(Raw { series, quality, at, value }),
            None => self.faults.add(Rejection::TooMany, 1, line, || shown(point)),
        }
    }
}

impl<R: Read + Send> Recording for LongCsv<R> {
    fn series(&self) -> &[Names] {
        self.table.names()
    }

    fn next_batch(&mut self, batch: &mut Vec<Raw>) -> Result<bool, RecordingError> {
        batch.clear();
        let mut lines = 0;
        while batch.len() < self.options.batch && lines < self.options.batch {
            self.csv.get_mut().next_record();
            match self.csv.read_byte_record(&mut self.record) {
                Ok(true) => self.line(batch),
                Ok(false) => return Ok(lines > 0),
                Err(error) => return Err(read_error(&self.path, error)),
            }
            lines += 1;
        }
        Ok(true)
    }

    fn faults(&self) -> &Faults {
        &self.faults
    }
}
