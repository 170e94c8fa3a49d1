//! Columns of a Parquet row group: numbers, texts and times, whatever type they are stored as.

use super::{SeriesTable, shown, time};
use crate::acquire::Rejection;
use jiff::tz::TimeZone;
use parquet::basic::{ConvertedType, LogicalType, TimeUnit, Type};
use parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use parquet::data_type::{
    BoolType, ByteArray, ByteArrayType, DataType, DoubleType, FloatType, Int32Type, Int64Type, Int96Type,
};
use parquet::errors::ParquetError;
use parquet::file::reader::RowGroupReader;
use parquet::schema::types::ColumnDescriptor;
use std::collections::HashMap;
use std::io::Write;

/// Values of one column, by row.
pub(super) struct Chunk<T: DataType> {
    reader: ColumnReaderImpl<T>,
    optional: bool,
    values: Vec<T::T>,
    levels: Vec<i16>,
    /// Place of each row's value; empty when no row is null, so that the place is the row.
    places: Vec<u32>,
}

impl<T: DataType> Chunk<T> {
    fn new(reader: ColumnReaderImpl<T>, optional: bool) -> Self {
        Self { reader, optional, values: Vec::new(), levels: Vec::new(), places: Vec::new() }
    }

    fn read(&mut self, rows: usize) -> Result<(), ParquetError> {
        self.values.clear();
        self.levels.clear();
        self.places.clear();
        let levels = self.optional.then_some(&mut self.levels);
        let (read, _, _) = self.reader.read_records(rows, levels, None, &mut self.values)?;
        if read != rows || (!self.optional && self.values.len() != rows) || (self.optional && self.levels.len() != rows)
        {
            return Err(ParquetError::General("a column is shorter than its row group says".to_owned()));
        }
        if self.values.len() != rows {
            let mut next = 0;
            self.places.extend(self.levels.iter().map(|&level| {
                if level == 0 {
                    return u32::MAX;
                }
                next += 1;
                next - 1
            }));
        }
        Ok(())
    }

    #[inline]
    fn get(&self, row: usize) -> Option<&T::T> {
        if self.places.is_empty() {
            return self.values.get(row);
        }
        self.values.get(self.places.get(row).copied()? as usize)
    }

    /// All rows through `convert`, `none` for nulls.
    #[inline]
    fn all<V: Copy>(&self, rows: usize, none: V, out: &mut Vec<V>, convert: impl Fn(&T::T) -> V) {
        out.clear();
        if self.places.is_empty() {
            out.extend(self.values.iter().map(convert));
        } else {
            out.extend((0..rows).map(|row| self.get(row).map_or(none, &convert)));
        }
    }
}

fn open(group: &dyn RowGroupReader, leaf: usize) -> Result<(ColumnReader, &ColumnDescriptor), ParquetError> {
    let column = group
        .metadata()
        .columns()
        .get(leaf)
        .ok_or_else(|| ParquetError::General("a row group lacks a column of the schema".to_owned()))?;
    Ok((group.get_column_reader(leaf)?, column.column_descr()))
}

fn optional(column: &ColumnDescriptor) -> bool {
    column.max_def_level() > 0
}

/// A column of numbers.
pub(super) enum Numbers {
    F64(Chunk<DoubleType>),
    F32(Chunk<FloatType>),
    I64(Chunk<Int64Type>, f64),
    I32(Chunk<Int32Type>, f64),
    Bool(Chunk<BoolType>),
}

impl Numbers {
    pub(super) fn can_read(column: &ColumnDescriptor) -> bool {
        let number =
            matches!(column.physical_type(), Type::DOUBLE | Type::FLOAT | Type::INT64 | Type::INT32 | Type::BOOLEAN);
        let calendar = matches!(
            column.logical_type_ref(),
            Some(LogicalType::Timestamp(_) | LogicalType::Date | LogicalType::Time(_))
        ) || matches!(
            column.converted_type(),
            ConvertedType::TIMESTAMP_MILLIS
                | ConvertedType::TIMESTAMP_MICROS
                | ConvertedType::DATE
                | ConvertedType::TIME_MILLIS
                | ConvertedType::TIME_MICROS
        );
        number && !calendar
    }

    pub(super) fn open(group: &dyn RowGroupReader, leaf: usize) -> Result<Self, ParquetError> {
        let (reader, column) = open(group, leaf)?;
        let optional = optional(column);
        let decimal = matches!(column.logical_type_ref(), Some(LogicalType::Decimal(_)))
            || column.converted_type() == ConvertedType::DECIMAL;
        let divisor = if decimal { 10f64.powi(column.type_scale()) } else { 1.0 };
        Ok(match reader {
            ColumnReader::DoubleColumnReader(reader) => Self::F64(Chunk::new(reader, optional)),
            ColumnReader::FloatColumnReader(reader) => Self::F32(Chunk::new(reader, optional)),
            ColumnReader::Int64ColumnReader(reader) => Self::I64(Chunk::new(reader, optional), divisor),
            ColumnReader::Int32ColumnReader(reader) => Self::I32(Chunk::new(reader, optional), divisor),
            ColumnReader::BoolColumnReader(reader) => Self::Bool(Chunk::new(reader, optional)),
            _ => return Err(ParquetError::General(format!("column `{}` holds no numbers", column.name()))),
        })
    }

    /// Replaces `out` with the next `rows` values, NaN for nulls.
    pub(super) fn read(&mut self, rows: usize, out: &mut Vec<f64>) -> Result<(), ParquetError> {
        match self {
            Self::F64(chunk) => {
                chunk.read(rows)?;
                chunk.all(rows, f64::NAN, out, |&value| value);
            }
            Self::F32(chunk) => {
                chunk.read(rows)?;
                chunk.all(rows, f64::NAN, out, |&value| f64::from(value));
            }
            Self::I64(chunk, divisor) => {
                chunk.read(rows)?;
                chunk.all(rows, f64::NAN, out, |&value| value as f64 / *divisor);
            }
            Self::I32(chunk, divisor) => {
                chunk.read(rows)?;
                chunk.all(rows, f64::NAN, out, |&value| f64::from(value) / *divisor);
            }
            Self::Bool(chunk) => {
                chunk.read(rows)?;
                chunk.all(rows, f64::NAN, out, |&value| f64::from(u8::from(value)));
            }
        }
        Ok(())
    }
}

/// A column of names: texts, or integers as the texts they print as.
pub(super) struct Texts {
    column: TextColumn,
    printed: Vec<u8>,
    known: Known,
}

enum TextColumn {
    Bytes(Chunk<ByteArrayType>),
    I64(Chunk<Int64Type>),
    I32(Chunk<Int32Type>),
}

/// Names met in a row group, told by where they lie in memory.
///
/// Rows that share an entry of the column's dictionary share its address, so a name is looked at once per row group and
/// not once per row. An address stays taken as long as the name it belongs to is held here, so it cannot come to mean
/// another. In a column without a dictionary every row has an address of its own: past a bound this gives up.
#[derive(Default)]
struct Known {
    /// Address and length, or a number and no length.
    keys: Vec<(usize, usize)>,
    /// As in the series' table: what came after it last time.
    follower: Vec<u32>,
    last: u32,
    by_key: HashMap<(usize, usize), u32>,
    held: Vec<ByteArray>,
}

/// Names told by address in one row group.
const MOST_KNOWN: usize = 1 << 16;

impl Known {
    fn id(&mut self, key: (usize, usize), hold: Option<&ByteArray>) -> Option<u32> {
        let guess = self.follower.get(self.last as usize).copied().unwrap_or(0);
        if self.keys.get(guess as usize) == Some(&key) {
            self.last = guess;
            return Some(guess);
        }
        let id = match self.by_key.get(&key) {
            Some(&id) => id,
            None if self.keys.len() >= MOST_KNOWN => return None,
            None => {
                let id = self.keys.len() as u32;
                self.keys.push(key);
                self.follower.push(0);
                self.by_key.insert(key, id);
                self.held.extend(hold.cloned());
                id
            }
        };
        if let Some(follower) = self.follower.get_mut(self.last as usize) {
            *follower = id;
        }
        self.last = id;
        Some(id)
    }
}

impl Texts {
    pub(super) fn open(group: &dyn RowGroupReader, leaf: usize) -> Result<Self, ParquetError> {
        let (reader, column) = open(group, leaf)?;
        let optional = optional(column);
        let column = match reader {
            ColumnReader::ByteArrayColumnReader(reader) => TextColumn::Bytes(Chunk::new(reader, optional)),
            ColumnReader::Int64ColumnReader(reader) => TextColumn::I64(Chunk::new(reader, optional)),
            ColumnReader::Int32ColumnReader(reader) => TextColumn::I32(Chunk::new(reader, optional)),
            _ => return Err(ParquetError::General(format!("column `{}` holds no names", column.name()))),
        };
        Ok(Self { column, printed: Vec::new(), known: Known::default() })
    }

    pub(super) fn read(&mut self, rows: usize) -> Result<(), ParquetError> {
        match &mut self.column {
            TextColumn::Bytes(chunk) => chunk.read(rows),
            TextColumn::I64(chunk) => chunk.read(rows),
            TextColumn::I32(chunk) => chunk.read(rows),
        }
    }

    /// What tells a row's text from others as long as it is held: address and length, or the number.
    #[inline]
    fn key(&self, row: usize) -> (usize, usize) {
        let number = match &self.column {
            TextColumn::Bytes(chunk) => {
                return chunk.get(row).map_or((0, 0), |text| (text.data().as_ptr().addr(), text.data().len()));
            }
            TextColumn::I64(chunk) => chunk.get(row).copied(),
            TextColumn::I32(chunk) => chunk.get(row).map(|&number| i64::from(number)),
        };
        // Two keys that cannot be a text's: no text is as long as the address space.
        number.map_or((0, usize::MAX - 1), |number| (number as usize, usize::MAX))
    }

    /// A number that is the same for two rows of this row group only if their texts are. `None` when there are too many.
    pub(super) fn id(&mut self, row: usize) -> Option<u32> {
        let key = self.key(row);
        let text = match &self.column {
            TextColumn::Bytes(chunk) => chunk.get(row),
            TextColumn::I64(_) | TextColumn::I32(_) => None,
        };
        self.known.id(key, text)
    }

    /// The text of a row of the rows read last; empty for a null.
    pub(super) fn get(&mut self, row: usize) -> &[u8] {
        let number = match &self.column {
            TextColumn::Bytes(chunk) => return chunk.get(row).map_or(b"", |text| text.data().trim_ascii()),
            TextColumn::I64(chunk) => chunk.get(row).copied(),
            TextColumn::I32(chunk) => chunk.get(row).map(|&number| i64::from(number)),
        };
        self.printed.clear();
        if let Some(number) = number {
            // Writing to a vector cannot fail.
            let _ = write!(self.printed, "{number}");
        }
        &self.printed
    }
}

/// A series as its row names it.
#[derive(Clone, Copy)]
struct Combination {
    /// See [`Texts::key`].
    keys: [(usize, usize); 4],
    series: Result<u32, Rejection>,
}

/// The columns that name a series, and the series of the combinations met in a row group.
pub(super) struct NameColumns {
    pub(super) asset: Option<Texts>,
    pub(super) area: Option<Texts>,
    pub(super) point: Texts,
    pub(super) unit: Option<Texts>,
    combinations: Vec<Combination>,
    follower: Vec<u32>,
    last: u32,
    by_ids: HashMap<[u32; 4], u32>,
}

impl NameColumns {
    pub(super) fn new(asset: Option<Texts>, area: Option<Texts>, point: Texts, unit: Option<Texts>) -> Self {
        let (combinations, follower) = (Vec::new(), Vec::new());
        Self { asset, area, point, unit, combinations, follower, last: 0, by_ids: HashMap::new() }
    }

    pub(super) fn read(&mut self, rows: usize) -> Result<(), ParquetError> {
        self.point.read(rows)?;
        for texts in [&mut self.asset, &mut self.area, &mut self.unit].into_iter().flatten() {
            texts.read(rows)?;
        }
        Ok(())
    }

    /// The series of a row, `of_file` its asset when no column names one.
    #[inline]
    pub(super) fn series(&mut self, row: usize, of_file: &[u8], table: &mut SeriesTable) -> Result<u32, Rejection> {
        let key = |texts: &Option<Texts>| texts.as_ref().map_or((0, 0), |texts| texts.key(row));
        let keys = [key(&self.asset), self.point.key(row), key(&self.area), key(&self.unit)];
        let guess = self.follower.get(self.last as usize).copied().unwrap_or(0);
        // Names of a combination that is remembered are held, so what has their addresses is they.
        if let Some(known) = self.combinations.get(guess as usize)
            && known.keys == keys
        {
            self.last = guess;
            return known.series;
        }
        self.surprise(keys, row, of_file, table)
    }

    #[inline(never)]
    fn surprise(
        &mut self,
        keys: [(usize, usize); 4],
        row: usize,
        of_file: &[u8],
        table: &mut SeriesTable,
    ) -> Result<u32, Rejection> {
        let id = |texts: &mut Option<Texts>| texts.as_mut().map_or(Some(u32::MAX), |texts| texts.id(row));
        let ids = (id(&mut self.asset), self.point.id(row), id(&mut self.area), id(&mut self.unit));
        let (Some(asset), Some(point), Some(area), Some(unit)) = ids else { return self.look_up(row, of_file, table) };
        let ids = [asset, point, area, unit];
        let place = match self.by_ids.get(&ids) {
            Some(&place) => place,
            None => {
                let series = self.look_up(row, of_file, table);
                let place = self.combinations.len() as u32;
                if place as usize >= MOST_COMBINATIONS {
                    return series;
                }
                self.combinations.push(Combination { keys, series });
                self.follower.push(0);
                self.by_ids.insert(ids, place);
                place
            }
        };
        if let Some(follower) = self.follower.get_mut(self.last as usize) {
            *follower = place;
        }
        self.last = place;
        self.combinations.get(place as usize).map_or(Err(Rejection::TooMany), |known| known.series)
    }

    fn look_up(&mut self, row: usize, of_file: &[u8], table: &mut SeriesTable) -> Result<u32, Rejection> {
        let asset = self.asset.as_mut().map_or(of_file, |texts| texts.get(row));
        let point = self.point.get(row);
        if asset.is_empty() || point.is_empty() {
            return Err(Rejection::Unreadable);
        }
        let area = self.area.as_mut().map_or(&b""[..], |texts| texts.get(row));
        let unit = self.unit.as_mut().map_or(&b""[..], |texts| texts.get(row));
        table.id(asset, area, point, unit).ok_or(Rejection::TooMany)
    }
}

/// Combinations remembered in one row group; the rest are looked up by their texts.
const MOST_COMBINATIONS: usize = 1 << 20;

/// A column of times.
pub(super) struct Times {
    column: TimeColumn,
    local: bool,
}

enum TimeColumn {
    I64(Chunk<Int64Type>, Scale),
    Days(Chunk<Int32Type>),
    Epoch32(Chunk<Int32Type>),
    I96(Chunk<Int96Type>),
    Float(Chunk<DoubleType>),
    Text(Chunk<ByteArrayType>),
}

#[derive(Clone, Copy)]
enum Scale {
    Millis,
    Micros,
    Nanos,
    Epoch,
}

impl Times {
    /// Stands for a time that is null or cannot be read.
    pub(super) const NONE: i64 = i64::MIN;

    pub(super) fn open(group: &dyn RowGroupReader, leaf: usize) -> Result<Self, ParquetError> {
        let (reader, column) = open(group, leaf)?;
        let optional = optional(column);
        let mut local = false;
        let column = match reader {
            ColumnReader::Int64ColumnReader(reader) => {
                let scale = match (column.logical_type_ref(), column.converted_type()) {
                    (Some(LogicalType::Timestamp(stamp)), _) => {
                        local = !stamp.is_adjusted_to_u_t_c;
                        match stamp.unit {
                            TimeUnit::MILLIS => Scale::Millis,
                            TimeUnit::MICROS => Scale::Micros,
                            TimeUnit::NANOS => Scale::Nanos,
                        }
                    }
                    (_, ConvertedType::TIMESTAMP_MILLIS) => Scale::Millis,
                    (_, ConvertedType::TIMESTAMP_MICROS) => Scale::Micros,
                    _ => Scale::Epoch,
                };
                TimeColumn::I64(Chunk::new(reader, optional), scale)
            }
            ColumnReader::Int32ColumnReader(reader) => {
                let chunk = Chunk::new(reader, optional);
                let date = matches!(column.logical_type_ref(), Some(LogicalType::Date))
                    || column.converted_type() == ConvertedType::DATE;
                local = date;
                if date { TimeColumn::Days(chunk) } else { TimeColumn::Epoch32(chunk) }
            }
            ColumnReader::Int96ColumnReader(reader) => TimeColumn::I96(Chunk::new(reader, optional)),
            ColumnReader::DoubleColumnReader(reader) => TimeColumn::Float(Chunk::new(reader, optional)),
            ColumnReader::ByteArrayColumnReader(reader) => TimeColumn::Text(Chunk::new(reader, optional)),
            _ => return Err(ParquetError::General(format!("column `{}` holds no times", column.name()))),
        };
        Ok(Self { column, local })
    }

    /// Replaces `out` with the next `rows` times in microseconds, [`Times::NONE`] where there is none.
    pub(super) fn read(&mut self, rows: usize, zone: &TimeZone, out: &mut Vec<i64>) -> Result<(), ParquetError> {
        const NONE: i64 = Times::NONE;
        match &mut self.column {
            TimeColumn::I64(chunk, scale) => {
                chunk.read(rows)?;
                match scale {
                    Scale::Millis => chunk.all(rows, NONE, out, |&ms| ms.checked_mul(1000).unwrap_or(NONE)),
                    Scale::Micros => chunk.all(rows, NONE, out, |&us| us),
                    Scale::Nanos => chunk.all(rows, NONE, out, |&ns| ns.div_euclid(1000)),
                    Scale::Epoch => chunk.all(rows, NONE, out, |&number| time::epoch_integer(number).0),
                }
            }
            TimeColumn::Days(chunk) => {
                chunk.read(rows)?;
                chunk.all(rows, NONE, out, |&days| i64::from(days) * 86_400_000_000);
            }
            TimeColumn::Epoch32(chunk) => {
                chunk.read(rows)?;
                chunk.all(rows, NONE, out, |&secs| i64::from(secs) * 1_000_000);
            }
            TimeColumn::I96(chunk) => {
                chunk.read(rows)?;
                // A Julian day and nanoseconds of the day. Not the crate's own conversion: it overflows for wild days.
                chunk.all(rows, NONE, out, |stamp| match *stamp.data() {
                    [low, high, day] => {
                        let ns = (u64::from(high) << 32 | u64::from(low)) as i64;
                        (i64::from(day) - 2_440_588) * 86_400_000_000 + ns.div_euclid(1000)
                    }
                    _ => NONE,
                });
            }
            TimeColumn::Float(chunk) => {
                chunk.read(rows)?;
                chunk.all(rows, NONE, out, |&number| time::epoch_float(number).map_or(NONE, |at| at.0));
            }
            TimeColumn::Text(chunk) => {
                chunk.read(rows)?;
                chunk.all(rows, NONE, out, |text| time::parse(text.data(), zone).map_or(NONE, |at| at.0));
            }
        }
        if self.local && *zone != TimeZone::UTC {
            for at in out.iter_mut().filter(|at| **at != NONE) {
                *at = time::in_zone(*at, zone).map_or(NONE, |at| at.0);
            }
        }
        Ok(())
    }

    /// The time of a row for a message.
    pub(super) fn shown(&self, row: usize) -> String {
        match &self.column {
            TimeColumn::Text(chunk) => chunk.get(row).map_or("null".to_owned(), |text| shown(text.data())),
            _ => "null or out of range".to_owned(),
        }
    }
}
