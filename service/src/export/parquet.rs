//! Parquet: a group of rows at a time, columns that may be null, times as timestamps in UTC.

use super::cells::{Cell, Column, Kind, Sheet};
use crate::error::{Error, Fault};
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use parquet::schema::types::ColumnPath;
use std::fmt::Write;
use std::fs::File;
use std::sync::Arc;

/// Rows of a group: tens of megabytes of memory for the widest table.
const GROUP_ROWS: usize = 100_000;

/// A Parquet file.
pub(super) struct ParquetSheet<'f> {
    writer: SerializedFileWriter<&'f mut File>,
    columns: Vec<Gathered>,
    rows: usize,
}

/// A column's cells of the group being gathered: levels say which rows have a value.
struct Gathered {
    levels: Vec<i16>,
    values: Values,
}

enum Values {
    Whole(Vec<i64>),
    Real(Vec<f64>),
    Truth(Vec<bool>),
    Text(Vec<ByteArray>),
}

impl<'f> ParquetSheet<'f> {
    pub(super) fn new(file: &'f mut File, columns: &[Column]) -> Result<Self, Error> {
        Self::start(file, columns).map_err(failed)
    }

    fn start(file: &'f mut File, columns: &[Column]) -> Result<Self, ParquetError> {
        let mut message = "message row {".to_owned();
        let mut properties = WriterProperties::builder()
            .set_created_by(concat!("roundsman ", env!("CARGO_PKG_VERSION")).to_owned())
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
            .set_statistics_enabled(EnabledStatistics::Chunk)
            .set_offset_index_disabled(true);
        let mut gathered = Vec::new();
        for Column { name, kind } in columns {
            let (stored, values) = match kind {
                Kind::Time => ("int64 {name} (TIMESTAMP(MICROS, true))", Values::Whole(Vec::new())),
                Kind::Whole => ("int64 {name}", Values::Whole(Vec::new())),
                Kind::Real => ("double {name}", Values::Real(Vec::new())),
                Kind::Truth => ("boolean {name}", Values::Truth(Vec::new())),
                Kind::Text => ("binary {name} (UTF8)", Values::Text(Vec::new())),
            };
            let _ = write!(message, " optional {};", stored.replace("{name}", name));
            if *kind == Kind::Time {
                let path = ColumnPath::from(*name);
                properties = properties
                    .set_column_dictionary_enabled(path.clone(), false)
                    .set_column_encoding(path, Encoding::DELTA_BINARY_PACKED);
            }
            gathered.push(Gathered { levels: Vec::new(), values });
        }
        message.push_str(" }");
        let schema = Arc::new(parse_message_type(&message)?);
        let writer = SerializedFileWriter::new(file, schema, Arc::new(properties.build()))?;
        Ok(Self { writer, columns: gathered, rows: 0 })
    }

    fn write_group(&mut self) -> Result<(), ParquetError> {
        if std::mem::take(&mut self.rows) == 0 {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        for Gathered { levels, values } in &mut self.columns {
            let Some(mut column) = group.next_column()? else { break };
            let written = match (column.untyped(), &*values) {
                (ColumnWriter::Int64ColumnWriter(to), Values::Whole(all)) => to.write_batch(all, Some(levels), None),
                (ColumnWriter::DoubleColumnWriter(to), Values::Real(all)) => to.write_batch(all, Some(levels), None),
                (ColumnWriter::BoolColumnWriter(to), Values::Truth(all)) => to.write_batch(all, Some(levels), None),
                (ColumnWriter::ByteArrayColumnWriter(to), Values::Text(all)) => to.write_batch(all, Some(levels), None),
                _ => Err(ParquetError::General("a column is not as the schema says".to_owned())),
            };
            written?;
            column.close()?;
            levels.clear();
            match values {
                Values::Whole(all) => all.clear(),
                Values::Real(all) => all.clear(),
                Values::Truth(all) => all.clear(),
                Values::Text(all) => all.clear(),
            }
        }
        group.close()?;
        Ok(())
    }
}

fn failed(error: ParquetError) -> Error {
    Error::new(Fault::Io, "cannot write").because(error)
}

impl Gathered {
    /// False when the cell does not fit.
    fn take(&mut self, cell: &Cell<'_>) -> bool {
        match (cell, &mut self.values) {
            (Cell::Nothing, _) => {
                self.levels.push(0);
                return true;
            }
            (Cell::Real(value), Values::Real(_)) if !value.is_finite() => {
                self.levels.push(0);
                return true;
            }
            (Cell::Time(value) | Cell::Whole(value), Values::Whole(all)) => all.push(*value),
            (Cell::Real(value), Values::Real(all)) => all.push(*value),
            (Cell::Truth(value), Values::Truth(all)) => all.push(*value),
            (Cell::Text(text), Values::Text(all)) => all.push(ByteArray::from(text.as_bytes().to_vec())),
            _ => return false,
        }
        self.levels.push(1);
        true
    }
}

impl Sheet for ParquetSheet<'_> {
    fn row(&mut self, cells: &[Cell<'_>]) -> Result<(), Error> {
        let fits = cells.len() == self.columns.len()
            && self.columns.iter_mut().zip(cells).all(|(column, cell)| column.take(cell));
        if !fits {
            return Err(Error::new(Fault::Internal, "a row does not fit the columns of its table"));
        }
        self.rows += 1;
        if self.rows >= GROUP_ROWS { self.write_group().map_err(failed) } else { Ok(()) }
    }

    fn finish(mut self: Box<Self>) -> Result<(), Error> {
        self.write_group().map_err(failed)?;
        self.writer.finish().map_err(failed)?;
        Ok(())
    }
}
