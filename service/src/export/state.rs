//! The tables of `state.db`.

use super::cells::{Cell, Column, Kind, column};
use super::{Table, Wanted};
use crate::advise::document::{Alert, Document};
use crate::error::{Error, Fault};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row, params};

const TRENDS: &[Column] = &[
    column("time", Kind::Time),
    column("seconds", Kind::Whole),
    column("asset", Kind::Text),
    column("point", Kind::Text),
    column("unit", Kind::Text),
    column("count", Kind::Whole),
    column("min", Kind::Real),
    column("mean", Kind::Real),
    column("max", Kind::Real),
    column("expected", Kind::Real),
    column("expected_low", Kind::Real),
    column("expected_high", Kind::Real),
    column("growing", Kind::Truth),
];

const SCORES: &[Column] = &[
    column("time", Kind::Time),
    column("seconds", Kind::Whole),
    column("asset", Kind::Text),
    column("count", Kind::Whole),
    column("operating_state", Kind::Whole),
    column("zone", Kind::Text),
    column("deviation", Kind::Real),
    column("deviation_max", Kind::Real),
    column("step", Kind::Real),
    column("drift", Kind::Real),
    column("growing", Kind::Truth),
];

const ALERTS: &[Column] = &[
    column("time", Kind::Time),
    column("asset", Kind::Text),
    column("id", Kind::Text),
    column("revision", Kind::Whole),
    column("change", Kind::Text),
    column("state", Kind::Text),
    column("severity", Kind::Text),
    column("worst", Kind::Text),
    column("about", Kind::Text),
    column("message", Kind::Text),
    column("raised_at", Kind::Time),
    column("onset", Kind::Time),
    column("operating_state", Kind::Text),
    column("deviation", Kind::Real),
    column("confidence", Kind::Real),
    column("points", Kind::Text),
    column("likely_fault", Kind::Text),
    column("remaining_to", Kind::Text),
    column("p10_hours", Kind::Real),
    column("p50_hours", Kind::Real),
    column("p90_hours", Kind::Real),
    column("by", Kind::Text),
    column("note", Kind::Text),
    column("document", Kind::Text),
];

const AUDIT: &[Column] = &[
    column("time", Kind::Time),
    column("received", Kind::Time),
    column("asset", Kind::Text),
    column("by", Kind::Text),
    column("action", Kind::Text),
    column("note", Kind::Text),
    column("accepted", Kind::Truth),
    column("answer", Kind::Text),
    column("topic", Kind::Text),
    column("old", Kind::Text),
    column("new", Kind::Text),
    column("asked", Kind::Text),
];

/// Columns of a table; none for the readings, which are not in this file.
pub(super) fn columns(table: Table) -> &'static [Column] {
    match table {
        Table::Readings => &[],
        Table::Trends => TRENDS,
        Table::Scores => SCORES,
        Table::Alerts => ALERTS,
        Table::Waveforms => super::waveforms::COLUMNS,
        Table::Audit => AUDIT,
    }
}

pub(super) type Put<'p> = &'p mut dyn FnMut(&[Cell<'_>]) -> Result<(), Error>;

/// Puts one row of SQLite.
type PutRow = fn(&Row<'_>, Put<'_>) -> Result<(), Error>;

/// Puts the rows of a table that are wanted, in the order of asset and time.
pub(super) fn write(state: &Connection, table: Table, wanted: &Wanted, put: Put<'_>) -> Result<(), Error> {
    let (sql, row): (&str, PutRow) = match table {
        Table::Readings => return Ok(()),
        Table::Waveforms => return super::waveforms::write(state, wanted, None, put),
        Table::Trends => (
            "SELECT t * 1000000, tier, assets.name, points.name, points.unit, count, min, mean, max, expected, expected_low, expected_high, growing FROM (
                 SELECT *, 0 AS growing FROM trend UNION ALL SELECT *, 1 AS growing FROM trend_open) AS rows
             JOIN assets ON assets.id = rows.asset
             LEFT JOIN points ON points.asset = rows.asset AND points.point = rows.point
             WHERE (?1 IS NULL OR assets.name = ?1) AND t * 1000000 >= ?2 AND t * 1000000 < ?3
             ORDER BY assets.name, rows.point, tier, t, growing",
            plain,
        ),
        Table::Scores => (
            "SELECT t * 1000000, tier, assets.name, count, operating_state, zone, deviation, deviation_max, step, drift, growing FROM (
                 SELECT *, 0 AS growing FROM scores UNION ALL SELECT *, 1 AS growing FROM scores_open) AS rows
             JOIN assets ON assets.id = rows.asset
             WHERE (?1 IS NULL OR assets.name = ?1) AND t * 1000000 >= ?2 AND t * 1000000 < ?3
             ORDER BY assets.name, tier, t, growing",
            plain,
        ),
        Table::Alerts => (
            "SELECT at, asset, id, revision, change, state, severity, document FROM alerts
             WHERE (?1 IS NULL OR asset = ?1) AND at >= ?2 AND at < ?3 ORDER BY asset, at, id, revision",
            alert,
        ),
        Table::Audit => (
            "SELECT at, received, asset, by,
                 CASE WHEN json_valid(action) THEN action ->> '$.action' ELSE action END, note, accepted, answer, topic,
                 old, new, action
             FROM audit WHERE (?1 IS NULL OR asset = ?1) AND coalesce(at, received) >= ?2 AND coalesce(at, received) < ?3
             ORDER BY position, part",
            plain,
        ),
    };
    let from = wanted.from.map_or(i64::MIN, |at| at.0);
    let to = wanted.to.map_or(i64::MAX, |at| at.0);
    let mut statement = state.prepare(sql).map_err(unreadable)?;
    let mut rows = statement.query(params![wanted.asset, from, to]).map_err(unreadable)?;
    let mut typed = |cells: &[Cell<'_>]| {
        // SQLite knows whole numbers only; the columns know which of them are times or truths.
        let fit = |(column, cell): (&Column, &Cell<'_>)| match (column.kind, *cell) {
            (Kind::Time, Cell::Whole(n)) => Cell::Time(n),
            (Kind::Truth, Cell::Whole(n)) => Cell::Truth(n != 0),
            (Kind::Real, Cell::Whole(n)) => Cell::Real(n as f64),
            (Kind::Text, Cell::Whole(_) | Cell::Real(_)) => Cell::Nothing,
            _ => Cell::Nothing,
        };
        let cells: Vec<Cell<'_>> = (columns(table).iter().zip(cells))
            .map(|(column, cell)| if fits(column.kind, cell) { *cell } else { fit((column, cell)) })
            .collect();
        put(&cells)
    };
    while let Some(next) = rows.next().map_err(unreadable)? {
        row(next, &mut typed)?;
    }
    Ok(())
}

fn fits(kind: Kind, cell: &Cell<'_>) -> bool {
    matches!(
        (kind, cell),
        (_, Cell::Nothing)
            | (Kind::Time, Cell::Time(_))
            | (Kind::Text, Cell::Text(_))
            | (Kind::Whole, Cell::Whole(_))
            | (Kind::Real, Cell::Real(_))
            | (Kind::Truth, Cell::Truth(_))
    )
}

pub(super) fn unreadable(source: rusqlite::Error) -> Error {
    Error::new(Fault::Io, "cannot be read").because(source)
}

/// Cells as SQLite has them.
fn plain(row: &Row<'_>, put: Put<'_>) -> Result<(), Error> {
    let count = row.as_ref().column_count();
    let cells = (0..count).map(|at| cell(row, at)).collect::<Result<Vec<_>, _>>()?;
    put(&cells)
}

pub(super) fn cell<'r>(row: &'r Row<'_>, at: usize) -> Result<Cell<'r>, Error> {
    Ok(match row.get_ref(at).map_err(unreadable)? {
        ValueRef::Integer(number) => Cell::Whole(number),
        ValueRef::Real(number) => Cell::Real(number),
        ValueRef::Text(text) => Cell::text(std::str::from_utf8(text).ok()),
        ValueRef::Null | ValueRef::Blob(_) => Cell::Nothing,
    })
}

/// The columns of the table, then what the document says in a line.
fn alert(row: &Row<'_>, put: Put<'_>) -> Result<(), Error> {
    let kept = (0..7).map(|at| cell(row, at)).collect::<Result<Vec<_>, _>>()?;
    let bytes = row.get_ref(7).map_err(unreadable)?;
    let text = bytes.as_bytes().ok().and_then(|bytes| std::str::from_utf8(bytes).ok());
    // One of a later form is passed on as it is.
    let document = text.and_then(|text| Alert::from_json(text).ok());
    let about = document.as_ref().map(|alert| alert.finding.key());
    let points = document
        .as_ref()
        .map(|alert| alert.contributions.iter().map(|part| part.point.as_str()).collect::<Vec<_>>().join("; "));
    let worst = document.as_ref().map(|alert| serde_json::to_value(alert.worst).unwrap_or_default());
    let fault = document.as_ref().and_then(|alert| alert.likely_fault.as_ref()?.named());
    let nearest = document.as_ref().and_then(|alert| alert.remaining_life.as_ref()?.forecasts.first());
    let of = document.as_ref();
    let mut cells = kept;
    cells.extend([
        Cell::text(worst.as_ref().and_then(serde_json::Value::as_str)),
        Cell::text(about.as_deref()),
        Cell::text(of.map(|alert| alert.message.as_str())),
        Cell::time(of.map(|alert| alert.raised_at.0)),
        Cell::time(of.and_then(|alert| alert.onset).map(|at| at.0)),
        Cell::text(of.and_then(|alert| alert.operating_state.as_deref())),
        Cell::real(of.and_then(|alert| alert.deviation)),
        Cell::real(of.and_then(|alert| alert.confidence)),
        Cell::text(points.as_deref().filter(|points| !points.is_empty())),
        Cell::text(fault.map(|fault| fault.name.as_str())),
        Cell::text(nearest.map(|to| to.target.as_str())),
        Cell::real(nearest.and_then(|to| to.p10_hours)),
        Cell::real(nearest.and_then(|to| to.p50_hours)),
        Cell::real(nearest.and_then(|to| to.p90_hours)),
        Cell::text(of.and_then(|alert| alert.by.as_deref())),
        Cell::text(of.and_then(|alert| alert.note.as_deref())),
        Cell::text(text),
    ]);
    put(&cells)
}
