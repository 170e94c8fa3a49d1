//! CSV that a spreadsheet opens as it is (RFC 4180): UTF-8 with a byte order mark, which Excel and LibreOffice need to know it
//! by; comma; decimal point; times with their offset.

use super::cells::{Cell, Column, Sheet};
use crate::error::{Error, Fault};
use jiff::tz::TimeZone;
use std::borrow::Cow;
use std::io::Write;

const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

/// CSV into a file or anywhere else.
pub(super) struct CsvSheet<W: Write> {
    writer: csv::Writer<W>,
    zone: TimeZone,
}

impl<W: Write> CsvSheet<W> {
    pub(super) fn new(mut out: W, columns: &[Column], zone: TimeZone) -> Result<Self, Error> {
        out.write_all(BYTE_ORDER_MARK).map_err(failed)?;
        // Excel reads no other line end inside a quoted cell, and every program reads this one.
        let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
        writer.write_record(columns.iter().map(|column| column.name)).map_err(failed)?;
        Ok(Self { writer, zone })
    }
}

fn failed(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Error {
    Error::new(Fault::Io, "cannot write").because(error)
}

impl<W: Write> Sheet for CsvSheet<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> Result<(), Error> {
        for cell in cells {
            let written = match cell {
                Cell::Nothing => self.writer.write_field(""),
                Cell::Time(micros) => self.writer.write_field(time(*micros, &self.zone)),
                Cell::Text(text) => self.writer.write_field(harmless(text).as_bytes()),
                Cell::Whole(number) => self.writer.write_field(number.to_string()),
                Cell::Real(value) if value.is_finite() => self.writer.write_field(number(*value)),
                Cell::Real(_) => self.writer.write_field(""),
                Cell::Truth(truth) => self.writer.write_field(if *truth { "true" } else { "false" }),
            };
            written.map_err(failed)?;
        }
        self.writer.write_record(None::<&[u8]>).map_err(failed)
    }

    fn finish(mut self: Box<Self>) -> Result<(), Error> {
        self.writer.flush().map_err(failed)
    }
}

/// ISO 8601 with the zone's offset, `Z` in UTC; seconds, with as many digits behind them as there are.
fn time(micros: i64, zone: &TimeZone) -> String {
    let Ok(stamp) = jiff::Timestamp::from_microsecond(micros) else { return format!("{micros} us") };
    if *zone == TimeZone::UTC {
        stamp.to_string()
    } else {
        stamp.display_with_offset(zone.to_offset(stamp)).to_string()
    }
}

/// The shortest digits that give the same bits again; very large and small ones with an exponent.
fn number(value: f64) -> String {
    if value != 0.0 && !(1e-6..1e15).contains(&value.abs()) { format!("{value:e}") } else { value.to_string() }
}

/// Text that a spreadsheet would take for a formula gets an apostrophe before it: names come from topics, and whoever may
/// publish could have a formula run on the desk of whoever opens the file. Numbers stay as they are.
/// Source: OWASP, "CSV Injection" (from memory): cells that begin with = + - @, tab or carriage return.
fn harmless(text: &str) -> Cow<'_, str> {
    let begins = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠']);
    if begins && text.parse::<f64>().is_err() { Cow::Owned(format!("'{text}")) } else { Cow::Borrowed(text) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_spreadsheet_would_run_is_text() {
        for (text, want) in [
            ("=1+1", "'=1+1"),
            ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"),
            ("-2+3", "'-2+3"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("\t=1", "'\t=1"),
            ("-2.5", "-2.5"),
            ("+7", "+7"),
            ("pump-7", "pump-7"),
            ("", ""),
        ] {
            assert_eq!(harmless(text), want, "{text:?}");
        }
    }

    #[test]
    fn numbers_come_back_to_the_bit_and_times_say_their_offset() {
        for value in [0.1, 1.0 / 3.0, 6.02e23, -1e-9, 123_456_789.125, 5e-324] {
            assert_eq!(number(value).parse::<f64>().map(f64::to_bits), Ok(value.to_bits()), "{value}");
        }
        let berlin = TimeZone::get("Europe/Berlin").expect("tzdata");
        // `TZ=Europe/Berlin date -d @1793491200 -Is`
        assert_eq!(time(1_793_491_200_000_000, &berlin), "2026-11-01T01:00:00+01:00");
        assert_eq!(time(1_793_491_200_500_000, &TimeZone::UTC), "2026-11-01T00:00:00.5Z");
    }
}
