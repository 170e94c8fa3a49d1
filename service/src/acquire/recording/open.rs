//! From a path to a recording: decompression by magic bytes, the kind by what is inside.

use super::long_csv::{LongCsv, is_long};
use super::parquet::open_parquet;
use super::wide_csv::{WideCsv, read_error};
use super::{Decode, MqttJsonl, ReadOptions, Recording, RecordingError, Sorted, cells};
use std::fs::File;
use std::io::{self, BufRead, BufReader, Cursor, Read};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Input buffer: large enough that a read is no cost, small enough for a thousand files at once.
const BUFFER: usize = 1 << 16;
/// A header longer than this is no header.
const LONGEST_HEADER: u64 = 1 << 20;
/// A message longer than this is no reading.
const LONGEST_LINE: u64 = 16 << 20;
/// Readings looked at before the first is handed on, over all files.
const LOOK: usize = 1 << 20;

/// Bytes of the files taken so far, as they lie on disk: for a progress bar.
#[derive(Debug, Clone, Default)]
pub struct Progress(Arc<AtomicU64>);

impl Progress {
    /// Bytes so far.
    pub fn bytes(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }

    pub(super) fn add(&self, bytes: u64) {
        self.0.fetch_add(bytes, Ordering::Relaxed);
    }
}

struct Counted<R>(R, Progress);

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let length = self.0.read(buffer)?;
        self.1.add(length as u64);
        Ok(length)
    }
}

/// Opens a recording. `files` is how many are opened together: what is held in memory is shared between them.
/// `decoder` makes the codec for recorded MQTT messages; without one such a file is refused.
///
/// # Errors
/// The file cannot be opened, or not be understood as a whole.
pub fn open(
    path: &Path,
    options: &ReadOptions,
    files: usize,
    decoder: &dyn Fn() -> Option<Box<dyn Decode>>,
    progress: &Progress,
) -> Result<Box<dyn Recording>, RecordingError> {
    let failed = |source| RecordingError::Read { path: path.to_owned(), line: None, source };
    let mut file = File::open(path).map_err(failed)?;
    let meta = file.metadata().map_err(failed)?;
    if meta.is_dir() {
        return Err(unusable(path, "is a folder", "name the files in it"));
    }
    let mut magic = Vec::new();
    (&mut file).take(4).read_to_end(&mut magic).map_err(failed)?;
    let recording = if magic == *b"PAR1" {
        open_parquet(path, file, meta.len(), options, progress)?
    } else {
        // Not `seek`: a pipe cannot.
        let whole = Cursor::new(magic.clone()).chain(file);
        open_stream(path, &magic, Counted(whole, progress.clone()), options, decoder)?
    };
    Ok(in_order(recording, path, options, files))
}

/// As [`open`], from memory; `name` stands for the path.
///
/// # Errors
/// As [`open`].
pub fn open_bytes(
    name: &Path,
    bytes: Vec<u8>,
    options: &ReadOptions,
    decoder: &dyn Fn() -> Option<Box<dyn Decode>>,
) -> Result<Box<dyn Recording>, RecordingError> {
    let magic = bytes.get(..4.min(bytes.len())).unwrap_or_default().to_vec();
    let recording = if magic == *b"PAR1" {
        let size = bytes.len() as u64;
        open_parquet(name, bytes::Bytes::from(bytes), size, options, &Progress::default())?
    } else {
        open_stream(name, &magic, Cursor::new(bytes), options, decoder)?
    };
    Ok(in_order(recording, name, options, 1))
}

fn in_order(recording: Box<dyn Recording>, path: &Path, options: &ReadOptions, files: usize) -> Box<dyn Recording> {
    if recording.order_is_arrival() {
        return recording;
    }
    let look = (LOOK / files.max(1)).max(options.batch);
    Box::new(Sorted::new(recording, path, options.clone(), look))
}

fn unusable(path: &Path, what: &str, remedy: &str) -> RecordingError {
    RecordingError::Unusable { path: path.to_owned(), line: None, what: what.to_owned(), remedy: remedy.to_owned() }
}

fn open_stream(
    path: &Path,
    magic: &[u8],
    reader: impl Read + Send + 'static,
    options: &ReadOptions,
    decoder: &dyn Fn() -> Option<Box<dyn Decode>>,
) -> Result<Box<dyn Recording>, RecordingError> {
    let failed = |source| RecordingError::Read { path: path.to_owned(), line: None, source };
    match magic {
        [0x1f, 0x8b, ..] => open_text(path, flate2::read::MultiGzDecoder::new(buffered(reader)), options, decoder),
        [0x28, 0xb5, 0x2f, 0xfd] => {
            open_text(path, zstd::stream::read::Decoder::new(reader).map_err(failed)?, options, decoder)
        }
        _ => open_text(path, reader, options, decoder),
    }
}

fn buffered<R: Read>(reader: R) -> BufReader<R> {
    BufReader::with_capacity(BUFFER, reader)
}

fn open_text(
    path: &Path,
    reader: impl Read + Send + 'static,
    options: &ReadOptions,
    decoder: &dyn Fn() -> Option<Box<dyn Decode>>,
) -> Result<Box<dyn Recording>, RecordingError> {
    let failed = |source| RecordingError::Read { path: path.to_owned(), line: Some(1), source };
    let mut reader = buffered(reader);
    let mut head = Vec::new();
    // Blank lines before the header are skipped, by the CSV reader as well.
    while head.trim_ascii().is_empty() {
        let before = head.len();
        (&mut reader).take(LONGEST_HEADER).read_until(b'\n', &mut head).map_err(failed)?;
        if head.len() == before || head.len() as u64 > LONGEST_HEADER {
            break;
        }
    }
    if let [0xff, 0xfe, ..] | [0xfe, 0xff, ..] = head.as_slice() {
        return Err(unusable(path, "is UTF-16", "save it as UTF-8"));
    }
    if head.starts_with(&[0xef, 0xbb, 0xbf]) {
        head.drain(..3);
    }
    if head.starts_with(b"PAR1") {
        return Err(unusable(path, "is compressed Parquet", "decompress it: Parquet is compressed inside already"));
    }
    if head.trim_ascii().is_empty() {
        return Err(unusable(path, "is empty", "leave it out"));
    }
    let json = head.trim_ascii_start().starts_with(b"{");
    let delimiter = cells::delimiter(&head);
    let whole = Cursor::new(head).chain(reader);
    if json {
        let decode = decoder().ok_or_else(|| {
            unusable(path, "holds MQTT messages and no topics are configured", "name them in a file given by --config")
        })?;
        return Ok(Box::new(MqttJsonl::new(path, whole, decode, options.clone())));
    }
    let mut csv = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        // Not the default: with CRLF it ends a record at the CR, and line numbers are one short. Cells are trimmed.
        .terminator(csv::Terminator::Any(b'\n'))
        .buffer_capacity(BUFFER)
        .from_reader(Capped { reader: whole, left: LONGEST_LINE });
    let mut record = csv::ByteRecord::new();
    csv.read_byte_record(&mut record).map_err(|error| read_error(path, error))?;
    let columns = cells::header(&record);
    if is_long(&columns) {
        return Ok(Box::new(LongCsv::new(path, csv, &columns, delimiter, options.clone())?));
    }
    Ok(Box::new(WideCsv::new(path, csv, &columns, delimiter, options.clone())?))
}

/// Bytes for a CSV reader, so many per record and no more: an opening quote without its end, or a gigabyte without a line
/// end out of a small compressed file, would be one record.
pub(super) struct Capped<R> {
    reader: R,
    left: u64,
}

impl<R> Capped<R> {
    /// A record is over; what the reader has read ahead of it is little beside the cap.
    pub(super) fn next_record(&mut self) {
        self.left = LONGEST_LINE;
    }
}

impl<R: Read> Read for Capped<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.left == 0 {
            let why = "a line is longer than 16 MiB, or a quote was opened and never closed";
            return Err(io::Error::new(io::ErrorKind::InvalidData, why));
        }
        let length = self.reader.read(buffer)?;
        self.left = self.left.saturating_sub(length as u64);
        Ok(length)
    }
}

/// Lines with their numbers, in one buffer that does not outgrow [`LONGEST_LINE`].
pub(super) struct Lines<R> {
    reader: R,
    line: Vec<u8>,
    number: u64,
}

impl<R: BufRead> Lines<R> {
    pub(super) fn new(reader: R) -> Self {
        Self { reader, line: Vec::new(), number: 0 }
    }

    /// Number of the last line, from 1.
    pub(super) fn number(&self) -> u64 {
        self.number
    }

    /// The next line; `Some(None)` for one that is too long, `None` at the end.
    pub(super) fn next_line(&mut self) -> io::Result<Option<Option<&[u8]>>> {
        self.line.clear();
        (&mut self.reader).take(LONGEST_LINE).read_until(b'\n', &mut self.line)?;
        if self.line.is_empty() {
            return Ok(None);
        }
        self.number += 1;
        if self.line.len() as u64 == LONGEST_LINE && self.line.last() != Some(&b'\n') {
            self.line = Vec::new();
            self.reader.skip_until(b'\n')?;
            return Ok(Some(None));
        }
        Ok(Some(Some(&self.line)))
    }
}
