//! What CSV files of both shapes share: delimiter, header, cells.

use super::series::text;
use super::{ReadOptions, RecordingError};
use crate::acquire::Quality;
use std::path::Path;

/// Names a time column usually has, best first.
const TIME_NAMES: [&str; 4] = ["timestamp", "datetime", "time", "date"];

/// One cell of a value column.
pub(super) enum Cell {
    /// Nothing was measured.
    Missing,
    /// A value.
    Value(f64),
    /// Something else.
    Unreadable,
}

/// The delimiter: the commonest of `;`, tab and `,` outside quotes in the header, in this order when equal.
pub(super) fn delimiter(header: &[u8]) -> u8 {
    let mut counts = [(b';', 0u32), (b'\t', 0), (b',', 0)];
    let mut quoted = false;
    for &byte in header {
        if byte == b'"' {
            quoted = !quoted;
        } else if !quoted {
            for (delimiter, count) in &mut counts {
                *count += u32::from(byte == *delimiter);
            }
        }
    }
    let most = counts.iter().map(|&(_, count)| count).max().unwrap_or(0);
    counts.iter().find(|&&(_, count)| count == most).map_or(b',', |&(delimiter, _)| delimiter)
}

/// The line `record`, just read, is on. The place where the record was looked for is before blank lines, the place where
/// the reader is now is on the next line, unless the file ends without one.
pub(super) fn line_of<R: std::io::Read>(record: &csv::ByteRecord, reader: &csv::Reader<R>) -> u64 {
    record.position().map_or(0, csv::Position::line).max(reader.position().line().saturating_sub(1))
}

/// The names of a header row, trimmed.
pub(super) fn header(record: &csv::ByteRecord) -> Vec<String> {
    record.iter().map(|cell| text(cell.trim_ascii())).collect()
}

/// The time column's place.
pub(super) fn time_column(columns: &[String], options: &ReadOptions, path: &Path) -> Result<usize, RecordingError> {
    let find = |name: &str| columns.iter().position(|column| column.eq_ignore_ascii_case(name));
    let found = match &options.time_column {
        Some(name) => find(name),
        None => TIME_NAMES.iter().find_map(|name| find(name)),
    };
    found.ok_or_else(|| {
        let wanted = options.time_column.as_deref().map_or("no time column".to_owned(), |n| format!("no column `{n}`"));
        let shown: Vec<&str> = columns.iter().take(12).map(String::as_str).collect();
        RecordingError::Unusable {
            path: path.to_owned(),
            line: Some(1),
            what: format!("{wanted} among `{}`", shown.join("`, `").escape_debug()),
            remedy: "name it with --time-column; the first line must be the header".to_owned(),
        }
    })
}

/// Reads a value. With `decimal_comma` a comma is the decimal sign; a cell with both signs is not guessed at.
#[inline]
pub(super) fn value(cell: &[u8], decimal_comma: bool) -> Cell {
    let cell = cell.trim_ascii();
    let Ok(text) = std::str::from_utf8(cell) else { return Cell::Unreadable };
    match text.parse::<f64>() {
        Ok(value) if value.is_nan() => Cell::Missing,
        Ok(value) => Cell::Value(value),
        Err(_) => unusual(text, decimal_comma),
    }
}

fn unusual(text: &str, decimal_comma: bool) -> Cell {
    if decimal_comma
        && text.len() <= 40
        && !text.contains('.')
        && text.matches(',').count() == 1
        && let Ok(value) = text.replacen(',', ".", 1).parse::<f64>()
    {
        return Cell::Value(value);
    }
    let is = |word: &str| text.eq_ignore_ascii_case(word);
    if text.is_empty() || ["null", "none", "na", "n/a", "-", "#n/a", "\\N"].into_iter().any(is) {
        Cell::Missing
    } else if is("true") {
        Cell::Value(1.0)
    } else if is("false") {
        Cell::Value(0.0)
    } else {
        Cell::Unreadable
    }
}

/// Reads a quality. Good: nothing, `good`, `ok`, `valid`, `true`, `1`, and 192 to 255, the numbers whose two highest
/// bits say good in OPC's classic quality byte. Everything else is bad: better a gap than a wrong baseline.
pub(super) fn quality(cell: &[u8]) -> Quality {
    let cell = cell.trim_ascii();
    let good = cell.is_empty()
        || [&b"good"[..], b"ok", b"valid", b"true", b"1"].iter().any(|word| cell.eq_ignore_ascii_case(word))
        || (cell.len() == 3 && (*b"192"..=*b"255").contains(&[cell[0], cell[1], cell[2]]));
    if good { Quality::Good } else { Quality::Bad }
}

/// `name [unit]` or `name (unit)` → name and unit.
pub(super) fn name_and_unit(column: &str) -> (&str, Option<&str>) {
    let column = column.trim();
    for (open, close) in [('[', ']'), ('(', ')')] {
        if let Some((name, unit)) = column.strip_suffix(close).and_then(|rest| rest.rsplit_once(open))
            && !name.trim().is_empty()
            && !unit.trim().is_empty()
        {
            return (name.trim(), Some(unit.trim()));
        }
    }
    (column, None)
}

/// `asset/point` → asset and point; the unit is off already, so that `Flow [m3/h]` is safe.
pub(super) fn asset_and_point(name: &str) -> (Option<&str>, &str) {
    match name.split_once('/') {
        Some((asset, point)) if !asset.trim().is_empty() && !point.trim().is_empty() => {
            (Some(asset.trim()), point.trim())
        }
        _ => (None, name),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(cell: &str, comma: bool) -> Option<f64> {
        match value(cell.as_bytes(), comma) {
            Cell::Value(value) => Some(value),
            Cell::Missing | Cell::Unreadable => None,
        }
    }

    #[test]
    fn values_as_they_are_written() {
        assert_eq!(number("1.5", false), Some(1.5));
        assert_eq!(number(" 1,5 ", true), Some(1.5));
        assert_eq!(number("1,5", false), None);
        assert_eq!(number("1.234,5", true), None);
        assert_eq!(number("1e3", false), Some(1000.0));
        assert_eq!(number("True", false), Some(1.0));
        for missing in ["", "NaN", "null", "NULL", " ", "n/a", "None"] {
            assert!(matches!(value(missing.as_bytes(), false), Cell::Missing), "{missing}");
        }
        for bad in ["x", "1 2", "Bad Input", "1..2", "12:00"] {
            assert!(matches!(value(bad.as_bytes(), true), Cell::Unreadable), "{bad}");
        }
    }

    #[test]
    fn headers_as_they_are_written() {
        assert_eq!(name_and_unit("Speed [rpm]"), ("Speed", Some("rpm")));
        assert_eq!(name_and_unit("Flow (m3/h)"), ("Flow", Some("m3/h")));
        assert_eq!(name_and_unit("Speed"), ("Speed", None));
        assert_eq!(name_and_unit("[rpm]"), ("[rpm]", None));
        assert_eq!(asset_and_point("P-1/speed"), (Some("P-1"), "speed"));
        assert_eq!(asset_and_point("/speed"), (None, "/speed"));
        assert_eq!(delimiter(b"time;\"a,b,c\";x"), b';');
        assert_eq!(delimiter(b"time,a,b"), b',');
        assert_eq!(delimiter(b"time\ta"), b'\t');
    }

    #[test]
    fn qualities() {
        for good in ["", "good", "GOOD", "192", "216", "1", "true"] {
            assert_eq!(quality(good.as_bytes()), Quality::Good, "{good}");
        }
        for bad in ["bad", "uncertain", "0", "64", "256", "191", "??", "2000"] {
            assert_eq!(quality(bad.as_bytes()), Quality::Bad, "{bad}");
        }
    }
}
