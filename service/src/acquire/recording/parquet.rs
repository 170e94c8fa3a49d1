//! Parquet, wide and long, read by columns, a row group at a time.
//!
//! Long: the columns `time`, `point`, `value` and perhaps `asset`, `unit`, `quality`, `area`. Wide: a time column and a
//! numeric column per point, named as in wide CSV, perhaps with an `asset` column. The time is a timestamp (ms, µs, ns,
//! or the old INT96), a date, an epoch as integer or float, or a text. A timestamp that is not adjusted to UTC is taken
//! in the zone asked for. Columns of lists, structs, and wide columns that hold no numbers, are left out with a note.

use super::columns::{NameColumns, Numbers, Texts, Times};
use super::long_csv::{Columns, is_long};
use super::{Faults, Names, Progress, Raw, ReadOptions, Recording, RecordingError, SeriesTable, cells, shown};
use crate::acquire::{Quality, Rejection};
use parquet::errors::ParquetError;
use parquet::file::reader::{ChunkReader, FileReader};
use parquet::file::serialized_reader::SerializedFileReader;
use roundsman_models::EventTime;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

/// Rows of a wide table read at once, at least: a call per column and handful of rows would cost more than the rows.
const LEAST_ROWS: usize = 64;

/// What is read of the file, as leaf columns.
enum Shape {
    Long {
        asset: Option<usize>,
        area: Option<usize>,
        point: usize,
        value: usize,
        unit: Option<usize>,
        quality: Option<usize>,
    },
    Wide {
        asset: Option<usize>,
        points: Vec<WideColumn>,
    },
}

struct WideColumn {
    leaf: usize,
    asset: String,
    point: String,
    unit: Option<String>,
}

/// The columns of the row group being read.
#[expect(clippy::large_enum_variant, reason = "one at a time, made once per row group")]
enum Group {
    Long { names: Box<NameColumns>, value: Numbers, quality: Option<Texts> },
    Wide { asset: Option<Texts>, points: Vec<Numbers> },
}

struct ParquetFile<C: ChunkReader> {
    path: PathBuf,
    reader: SerializedFileReader<C>,
    time: usize,
    shape: Shape,
    rows_at_once: usize,
    next_group: usize,
    group: Option<(Times, Group)>,
    rows_left: usize,
    /// Rows read so far.
    row: u64,
    rows_total: u64,
    asset_of_file: String,
    table: SeriesTable,
    /// Scratch of one batch.
    times: Vec<i64>,
    numbers: Vec<Vec<f64>>,
    options: ReadOptions,
    faults: Faults,
    progress: Progress,
    size: u64,
    shown_bytes: u64,
}

/// Runs what reads the file. The library asserts where a damaged file breaks its rules; one bad file is no reason to
/// die without saying which.
fn guarded<T>(read: impl FnOnce() -> Result<T, ParquetError>) -> Result<T, ParquetError> {
    // Nothing is looked at again after a panic: the error ends the recording.
    catch_unwind(AssertUnwindSafe(read)).unwrap_or_else(|panic| {
        let what = panic.downcast_ref::<&str>().map(|what| (*what).to_owned());
        let what = what.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_default();
        Err(ParquetError::General(format!("the file is damaged: {what}")))
    })
}

pub(super) fn open_parquet<C: ChunkReader + 'static>(
    path: &Path,
    chunks: C,
    size: u64,
    options: &ReadOptions,
    progress: &Progress,
) -> Result<Box<dyn Recording>, RecordingError> {
    let failed = |source| RecordingError::Parquet { path: path.to_owned(), source };
    let reader = guarded(|| SerializedFileReader::new(chunks)).map_err(failed)?;
    let mut faults = Faults::default();
    // Flat columns by name; the place of a column is that of its leaf.
    let schema = reader.metadata().file_metadata().schema_descr();
    let names: Vec<String> = schema
        .columns()
        .iter()
        .map(|column| {
            let flat = column.path().parts().len() == 1 && column.max_rep_level() == 0 && column.max_def_level() <= 1;
            if !flat {
                faults.notes.push(format!("column `{}` is nested and has been left out", column.path().string()));
            }
            // An empty name matches nothing.
            if flat { column.name().trim().to_owned() } else { String::new() }
        })
        .collect();
    let asset_of_file = options.asset_for(path);
    let (time, shape, rows_at_once) = if is_long(&names) {
        let Columns { time, asset, area, point, value, unit, quality } = Columns::find(&names, options, path)?;
        let numeric = schema.columns().get(value).is_some_and(|column| Numbers::can_read(column));
        if !numeric {
            return Err(RecordingError::Unusable {
                path: path.to_owned(),
                line: None,
                what: "the column `value` holds no numbers".to_owned(),
                remedy: "write it as DOUBLE".to_owned(),
            });
        }
        (time, Shape::Long { asset, area, point, value, unit, quality }, options.batch.max(1))
    } else {
        let time = cells::time_column(&names, options, path)?;
        let asset = names.iter().position(|name| name.eq_ignore_ascii_case("asset") && !options.ignores(name));
        let mut points = Vec::new();
        for (leaf, (name, column)) in names.iter().zip(schema.columns()).enumerate() {
            if leaf == time || Some(leaf) == asset || name.is_empty() || options.ignores(name) {
                continue;
            }
            if !Numbers::can_read(column) {
                faults.notes.push(format!("column `{name}` holds no numbers and has been left out"));
                continue;
            }
            let (short, unit) = cells::name_and_unit(name);
            let (of, point) = if asset.is_some() { (None, short) } else { cells::asset_and_point(short) };
            points.push(WideColumn {
                leaf,
                asset: of.unwrap_or(&asset_of_file).to_owned(),
                point: point.to_owned(),
                unit: unit.map(str::to_owned),
            });
        }
        if points.is_empty() {
            return Err(RecordingError::Unusable {
                path: path.to_owned(),
                line: None,
                what: "there is no numeric column beside the time".to_owned(),
                remedy: "a long table has the columns time, asset, point, value".to_owned(),
            });
        }
        let rows = (options.batch / points.len()).max(LEAST_ROWS);
        (time, Shape::Wide { asset, points }, rows)
    };
    let rows_total = reader.metadata().file_metadata().num_rows().max(0) as u64;
    let mut file = ParquetFile {
        path: path.to_owned(),
        reader,
        time,
        shape,
        rows_at_once,
        next_group: 0,
        group: None,
        rows_left: 0,
        row: 0,
        rows_total,
        asset_of_file,
        table: SeriesTable::default(),
        times: Vec::new(),
        numbers: Vec::new(),
        options: options.clone(),
        faults,
        progress: progress.clone(),
        size,
        shown_bytes: 0,
    };
    // Finds a column of an unreadable type now, where it is still an error of the file as a whole.
    guarded(|| file.next_group()).map_err(failed)?;
    Ok(Box::new(file))
}

impl<C: ChunkReader + 'static> ParquetFile<C> {
    /// Opens the next row group that has rows; `false` when there is none.
    fn next_group(&mut self) -> Result<bool, ParquetError> {
        self.group = None;
        while self.next_group < self.reader.num_row_groups() {
            let group = self.reader.get_row_group(self.next_group)?;
            self.next_group += 1;
            self.rows_left = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
            if self.rows_left == 0 {
                continue;
            }
            let texts = |leaf: usize| Texts::open(group.as_ref(), leaf);
            let some_texts = |leaf: Option<usize>| leaf.map(texts).transpose();
            let columns = match &self.shape {
                &Shape::Long { asset, area, point, value, unit, quality } => {
                    let names =
                        NameColumns::new(some_texts(asset)?, some_texts(area)?, texts(point)?, some_texts(unit)?);
                    let value = Numbers::open(group.as_ref(), value)?;
                    Group::Long { names: Box::new(names), value, quality: some_texts(quality)? }
                }
                Shape::Wide { asset, points } => Group::Wide {
                    asset: some_texts(*asset)?,
                    points: points
                        .iter()
                        .map(|column| Numbers::open(group.as_ref(), column.leaf))
                        .collect::<Result<_, _>>()?,
                },
            };
            self.group = Some((Times::open(group.as_ref(), self.time)?, columns));
            return Ok(true);
        }
        Ok(false)
    }

    fn rows(&mut self, batch: &mut Vec<Raw>) -> Result<bool, ParquetError> {
        if self.rows_left == 0 && !self.next_group()? {
            return Ok(false);
        }
        let rows = self.rows_left.min(self.rows_at_once);
        let Some((times, group)) = &mut self.group else { return Ok(false) };
        times.read(rows, &self.options.zone, &mut self.times)?;
        match (group, &self.shape) {
            (Group::Long { names, value, quality }, _) => {
                names.read(rows)?;
                if let Some(quality) = quality {
                    quality.read(rows)?;
                }
                self.numbers.resize_with(1, Vec::new);
                for numbers in &mut self.numbers {
                    value.read(rows, numbers)?;
                }
                let values = self.numbers.first().map(Vec::as_slice).unwrap_or_default();
                let of_file = self.asset_of_file.as_bytes();
                for (place, (&at, &value)) in self.times.iter().zip(values).enumerate() {
                    if value.is_nan() {
                        self.faults.missing += 1;
                        continue;
                    }
                    let row = self.row + place as u64 + 1;
                    if at == Times::NONE {
                        self.faults.add(Rejection::BadTime, 1, row, || times.shown(place));
                        continue;
                    }
                    let quality = quality.as_mut().map_or(Quality::Good, |texts| cells::quality(texts.get(place)));
                    match names.series(place, of_file, &mut self.table) {
                        Ok(series) => batch.push(Raw { series, quality, at: EventTime(at), value }),
                        Err(reason) => self.faults.add(reason, 1, row, || match reason {
                            Rejection::Unreadable => "the name of the asset or point is empty".to_owned(),
                            _ => "more series than can be told apart".to_owned(),
                        }),
                    }
                }
            }
            (Group::Wide { asset, points }, Shape::Wide { points: columns, .. }) => {
                if let Some(asset) = asset {
                    asset.read(rows)?;
                }
                self.numbers.resize_with(points.len(), Vec::new);
                for (point, numbers) in points.iter_mut().zip(&mut self.numbers) {
                    point.read(rows, numbers)?;
                }
                for (place, &at) in self.times.iter().enumerate() {
                    let row = self.row + place as u64 + 1;
                    let values = self.numbers.iter().map(|column| column.get(place).copied().unwrap_or(f64::NAN));
                    if at == Times::NONE {
                        let lost = values.filter(|value| !value.is_nan()).count() as u64;
                        self.faults.add(Rejection::BadTime, lost, row, || times.shown(place));
                        continue;
                    }
                    let of_row = asset.as_mut().map(|texts| texts.get(place));
                    if of_row.is_some_and(<[u8]>::is_empty) {
                        let what = || "the asset's name is empty".to_owned();
                        self.faults.add(Rejection::Unreadable, points.len() as u64, row, what);
                        continue;
                    }
                    for (value, column) in values.zip(columns) {
                        if value.is_nan() {
                            self.faults.missing += 1;
                            continue;
                        }
                        let asset = of_row.unwrap_or(column.asset.as_bytes());
                        let unit = column.unit.as_deref().unwrap_or_default().as_bytes();
                        match self.table.id(asset, b"", column.point.as_bytes(), unit) {
                            Some(series) => {
                                batch.push(Raw { series, quality: Quality::Good, at: EventTime(at), value });
                            }
                            None => self.faults.add(Rejection::TooMany, 1, row, || shown(asset)),
                        }
                    }
                }
            }
            (Group::Wide { .. }, Shape::Long { .. }) => {}
        }
        self.rows_left -= rows;
        self.row += rows as u64;
        // Which bytes a row lies in is not known from outside; their share is.
        let done = (self.row as f64 / self.rows_total.max(1) as f64 * self.size as f64) as u64;
        self.progress.add(done.saturating_sub(self.shown_bytes));
        self.shown_bytes = self.shown_bytes.max(done);
        Ok(true)
    }
}

impl<C: ChunkReader + 'static> Recording for ParquetFile<C> {
    fn series(&self) -> &[Names] {
        self.table.names()
    }

    fn next_batch(&mut self, batch: &mut Vec<Raw>) -> Result<bool, RecordingError> {
        batch.clear();
        guarded(|| self.rows(batch)).map_err(|source| RecordingError::Parquet { path: self.path.clone(), source })
    }

    fn faults(&self) -> &Faults {
        &self.faults
    }
}
