//! Writes a recording into a folder.
//!
//! `readings.parquet`: `time` (timestamp in µs, UTC), `asset`, `point` (strings), `value` (double, in the unit as
//! sent), sorted by time.

use std::fs;
use std::fs::File;
use std::io::{self, BufWriter, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use parquet::schema::types::ColumnPath;

use crate::about::NOTE;
use crate::{Recording, START_SECS, labels, messages, site_config};

/// The table of readings.
pub const READINGS_FILE: &str = "readings.parquet";
/// The truth.
pub const ABOUT_FILE: &str = "about.toml";
/// The truth as labels for `roundsman evaluate`.
pub const LABELS_FILE: &str = "labels.csv";
/// The service's configuration for the site.
pub const CONFIG_FILE: &str = "roundsman.toml";

const SCHEMA: &str = "message reading {
    required int64 time (TIMESTAMP(MICROS, true));
    required binary asset (UTF8);
    required binary point (UTF8);
    required double value;
}";
/// Rows in a group: about a week of the demo site, small enough to be read piece by piece.
const GROUP_ROWS: usize = 200_000;

/// A file that could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The file system refused.
    #[error("{path}: {source}", path = path.display())]
    File {
        /// Where.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The table could not be made.
    #[error("{READINGS_FILE}: {0}")]
    Parquet(#[from] ParquetError),
    /// The truth could not be spelled.
    #[error("{ABOUT_FILE}: {0}")]
    About(#[from] toml::ser::Error),
}

/// Writes the table, the truth, its labels and the service's configuration into `folder`, which is made when missing.
pub fn folder(recording: &Recording, folder: &Path) -> Result<(), WriteError> {
    let named = |path: &Path| {
        let path = path.to_owned();
        move |source| WriteError::File { path, source }
    };
    fs::create_dir_all(folder).map_err(named(folder))?;
    let path = folder.join(ABOUT_FILE);
    fs::write(&path, about_text(recording)?).map_err(named(&path))?;
    let path = folder.join(LABELS_FILE);
    fs::write(&path, labels_text(recording)).map_err(named(&path))?;
    let path = folder.join(CONFIG_FILE);
    fs::write(&path, config_text(recording)).map_err(named(&path))?;
    let path = folder.join(READINGS_FILE);
    let file = File::create(&path).map_err(named(&path))?;
    parquet(recording, file)
}

/// The truth file as text.
pub fn about_text(recording: &Recording) -> Result<String, WriteError> {
    Ok(format!("# {NOTE}\n# Keys are explained in replay-data/README.md.\n\n{}", toml::to_string(&recording.about)?))
}

/// The truth's labels as text.
pub fn labels_text(recording: &Recording) -> String {
    labels::text(&recording.about)
}

/// The service's configuration as text.
pub fn config_text(recording: &Recording) -> String {
    site_config::text(recording)
}

/// Writes the table.
pub fn parquet(recording: &Recording, file: File) -> Result<(), WriteError> {
    let schema = Arc::new(parse_message_type(SCHEMA)?);
    let properties = WriterProperties::builder()
        // A fixed name, so that the bytes do not follow the library's version line.
        .set_created_by("roundsman-replay-data".to_owned())
        .set_key_value_metadata(Some(vec![KeyValue::new("simulated".to_owned(), NOTE.to_owned())]))
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(15)?))
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_offset_index_disabled(true)
        .set_column_dictionary_enabled(ColumnPath::from("time"), false)
        .set_column_encoding(ColumnPath::from("time"), Encoding::DELTA_BINARY_PACKED)
        .build();
    let mut writer = SerializedFileWriter::new(file, schema, Arc::new(properties))?;
    let assets = &recording.about.assets;
    let name = |text: &str| ByteArray::from(text.as_bytes().to_vec());
    let asset_names: Vec<ByteArray> = assets.iter().map(|asset| name(&asset.name)).collect();
    let point_names: Vec<Vec<ByteArray>> =
        assets.iter().map(|asset| asset.points.iter().map(|point| name(&point.name)).collect()).collect();
    for rows in recording.rows.chunks(GROUP_ROWS) {
        let mut group = writer.next_row_group()?;
        let mut number = 0;
        while let Some(mut column) = group.next_column()? {
            match (number, column.untyped()) {
                (0, ColumnWriter::Int64ColumnWriter(times)) => {
                    let values: Vec<i64> = rows.iter().map(|row| (START_SECS + row.secs) * 1_000_000).collect();
                    times.write_batch(&values, None, None)?;
                }
                (1, ColumnWriter::ByteArrayColumnWriter(names)) => {
                    let values: Vec<_> = rows.iter().map(|row| asset_names[usize::from(row.asset)].clone()).collect();
                    names.write_batch(&values, None, None)?;
                }
                (2, ColumnWriter::ByteArrayColumnWriter(names)) => {
                    let of = |row: &crate::Row| point_names[usize::from(row.asset)][usize::from(row.point)].clone();
                    let values: Vec<_> = rows.iter().map(of).collect();
                    names.write_batch(&values, None, None)?;
                }
                (_, ColumnWriter::DoubleColumnWriter(doubles)) => {
                    let values: Vec<f64> = rows.iter().map(|row| row.value).collect();
                    doubles.write_batch(&values, None, None)?;
                }
                _ => return Err(ParquetError::General(format!("column {number} is not as the schema says")).into()),
            }
            column.close()?;
            number += 1;
        }
        group.close()?;
    }
    writer.close()?;
    Ok(())
}

/// Writes the recording as `mosquitto_sub -F '%j'` would have printed it, see [`messages`].
pub fn json_lines(recording: &Recording, seed: u64, path: &Path) -> Result<(), WriteError> {
    let named = |source| WriteError::File { path: path.to_owned(), source };
    let mut file = BufWriter::new(File::create(path).map_err(named)?);
    messages::each(recording, seed, |line| writeln!(file, "{line}")).map_err(named)?;
    file.flush().map_err(named)
}
