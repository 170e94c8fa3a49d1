//! Wide CSV: a time column, one column per point.
//!
//! A header `point [unit]` or `point (unit)` gives the unit, `asset/point` the asset. Where a column is called `asset`
//! it names the asset of its line. Otherwise the asset is the one asked for, else the file's name.

use super::cells::{self, Cell};
use super::open::Capped;
use super::series::{Names, text};
use super::{Faults, Raw, ReadOptions, Recording, RecordingError, SeriesTable, shown, time};
use crate::acquire::{Quality, Rejection};
use std::collections::HashMap;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Assets of one file in a column of their own; more are a mistaken column.
const MOST_ASSETS: usize = 1 << 16;

struct Column {
    cell: usize,
    asset: Option<String>,
    point: String,
    unit: Option<String>,
}

pub(super) struct WideCsv<R> {
    path: PathBuf,
    csv: csv::Reader<Capped<R>>,
    record: csv::ByteRecord,
    cells: usize,
    time: usize,
    asset: Option<usize>,
    columns: Vec<Column>,
    table: SeriesTable,
    /// First series of each asset met in the asset column; its columns follow in order.
    first_series: HashMap<Vec<u8>, u32>,
    last_asset: (Vec<u8>, u32),
    decimal_comma: bool,
    options: ReadOptions,
    faults: Faults,
}

impl<R: Read + Send> WideCsv<R> {
    pub(super) fn new(
        path: &Path,
        csv: csv::Reader<Capped<R>>,
        columns: &[String],
        delimiter: u8,
        options: ReadOptions,
    ) -> Result<Self, RecordingError> {
        let time = cells::time_column(columns, &options, path)?;
        let asset = columns
            .iter()
            .position(|name| name.eq_ignore_ascii_case("asset") && !options.ignores(name))
            .filter(|&at| at != time);
        let points: Vec<Column> = columns
            .iter()
            .enumerate()
            .filter(|&(cell, name)| cell != time && Some(cell) != asset && !name.is_empty() && !options.ignores(name))
            .map(|(cell, column)| {
                let (name, unit) = cells::name_and_unit(column);
                let (of, point) = if asset.is_some() { (None, name) } else { cells::asset_and_point(name) };
                Column { cell, asset: of.map(str::to_owned), point: point.to_owned(), unit: unit.map(str::to_owned) }
            })
            .collect();
        if points.is_empty() {
            return Err(RecordingError::Unusable {
                path: path.to_owned(),
                line: Some(1),
                what: "no column is left beside the time".to_owned(),
                remedy: "a wide file has a time column and one column per point; a long one has the columns time, \
                         asset, point, value"
                    .to_owned(),
            });
        }
        let mut faults = Faults::default();
        for name in options.ignore.iter().filter(|name| !columns.iter().any(|c| c.eq_ignore_ascii_case(name))) {
            faults.notes.push(format!("there is no column `{name}` to ignore"));
        }
        let mut table = SeriesTable::default();
        if asset.is_none() {
            let of_file = options.asset_for(path);
            for column in &points {
                table.push(Names {
                    asset: column.asset.clone().unwrap_or_else(|| of_file.clone()),
                    area: None,
                    point: column.point.clone(),
                    unit: column.unit.clone(),
                });
            }
        }
        Ok(Self {
            path: path.to_owned(),
            csv,
            record: csv::ByteRecord::new(),
            cells: columns.len(),
            time,
            asset,
            columns: points,
            table,
            first_series: HashMap::new(),
            last_asset: (Vec::new(), 0),
            decimal_comma: delimiter == b';',
            options,
            faults,
        })
    }

    /// First series of this line; `None` when its asset is unusable.
    fn first_of_line(&mut self) -> Option<u32> {
        let Some(asset) = self.asset else { return Some(0) };
        let name = self.record.get(asset).unwrap_or_default().trim_ascii();
        if name.is_empty() {
            return None;
        }
        if self.last_asset.0 == name {
            return Some(self.last_asset.1);
        }
        let first = match self.first_series.get(name) {
            Some(&first) => first,
            None if self.is_full() => return None,
            None => {
                let first = self.table.names().len() as u32;
                for column in &self.columns {
                    self.table.push(Names {
                        asset: text(name),
                        area: None,
                        point: column.point.clone(),
                        unit: column.unit.clone(),
                    });
                }
                self.first_series.insert(name.to_owned(), first);
                first
            }
        };
        self.last_asset = (name.to_owned(), first);
        Some(first)
    }

    /// Whether another asset finds no room: each takes a series per column.
    fn is_full(&self) -> bool {
        self.first_series.len() >= MOST_ASSETS || self.table.is_full(self.columns.len())
    }

    fn line(&mut self, batch: &mut Vec<Raw>) {
        let line = cells::line_of(&self.record, &self.csv);
        let cells = self.record.len();
        if cells == 1 && self.record.get(0).is_some_and(|cell| cell.trim_ascii().is_empty()) {
            return;
        }
        if cells != self.cells {
            let want = self.cells;
            self.faults.add(Rejection::Unreadable, self.columns.len() as u64, line, || {
                format!("the line has {cells} cells, the header {want}")
            });
            return;
        }
        let cell = self.record.get(self.time).unwrap_or_default();
        let Some(at) = time::parse(cell, &self.options.zone) else {
            let lost = self.columns.iter().filter(|c| {
                let cell = self.record.get(c.cell).unwrap_or_default();
                !matches!(cells::value(cell, self.decimal_comma), Cell::Missing)
            });
            self.faults.add(Rejection::BadTime, lost.count() as u64, line, || shown(cell));
            return;
        };
        let Some(first) = self.first_of_line() else {
            let reason = if self.is_full() { Rejection::TooMany } else { Rejection::Unreadable };
            self.faults.add(reason, self.columns.len() as u64, line, || "the asset's name".to_owned());
            return;
        };
        for (series, column) in (first..).zip(&self.columns) {
            let cell = self.record.get(column.cell).unwrap_or_default();
            match cells::value(cell, self.decimal_comma) {
                Cell::Value(value) => batch.push(Raw { series, quality: Quality::Good, at, value }),
                Cell::Missing => self.faults.missing += 1,
                Cell::Unreadable => self
                    .faults
                    .add(Rejection::Unreadable, 1, line, || format!("{} in column `{}`", shown(cell), column.point)),
            }
        }
    }
}

impl<R: Read + Send> Recording for WideCsv<R> {
    fn series(&self) -> &[Names] {
        self.table.names()
    }

    fn next_batch(&mut self, batch: &mut Vec<Raw>) -> Result<bool, RecordingError> {
        batch.clear();
        // Lines are counted too: a long stretch of empty ones must not keep the caller from showing progress.
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

pub(super) fn read_error(path: &Path, error: csv::Error) -> RecordingError {
    let line = error.position().map(csv::Position::line);
    let source = match error.into_kind() {
        csv::ErrorKind::Io(source) => source,
        other => std::io::Error::other(format!("{other:?}")),
    };
    RecordingError::Read { path: path.to_owned(), line, source }
}
