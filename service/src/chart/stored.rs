//! From what is kept to a picture: the one way for the page and the report.

use super::{Fan, Mark, MarkKind, Palette, Picture, Shown, Size, TrendChart, Units};
use crate::acquire::guess::is_amplitude;
use crate::advise::audience::{Audience, of_plate};
use crate::advise::document::{Alert, Change, Condition, RemainingLifeStatement, Severity};
use crate::advise::wording::severity_word;
use crate::keep::KeepError;
use crate::keep::read::{AssetRow, AuditRow, PointRow, Reader, Span, TrendRow};
use jiff::tz::TimeZone;
use roundsman_models::EventTime;

/// How a picture is wanted.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// Units of the reader.
    pub units: Units,
    /// Zone of the times.
    pub zone: &'a TimeZone,
    /// Size.
    pub size: Size,
    /// Colours.
    pub palette: &'a Palette,
}

/// A trend with what it was drawn from.
#[derive(Debug, Clone)]
pub struct StoredTrend {
    /// The picture.
    pub picture: Picture,
    /// Its rows, kept unit.
    pub rows: Vec<TrendRow>,
    /// How they are shown.
    pub shown: Shown,
}

/// Marks on one trend at most; the newest are shown.
const MOST_MARKS: u32 = 200;

/// Draws the trend of a point between two times, in at most one row per unit of width.
///
/// # Errors
/// `state.db` cannot be read.
pub fn trend(
    reader: &Reader,
    asset: &AssetRow,
    point: &PointRow,
    (from, to): (EventTime, EventTime),
    view: View<'_>,
) -> Result<StoredTrend, KeepError> {
    let columns = view.size.width.clamp(50.0, 4000.0) as usize;
    let mut rows = reader.trend(asset.id, point.index, from, to, columns)?;
    let plate = asset.plate.points.iter().find(|p| p.name == point.name);
    if plate.is_some_and(|p| is_amplitude(p.quantity, p.detection)) {
        // The band below what is expected may reach to where no vibration can be.
        for low in rows.iter_mut().filter_map(|row| row.expected.as_mut()?.low.as_mut()) {
            *low = low.max(0.0);
        }
    }
    // Stripes narrower than this say nothing.
    let periods = reader.periods(&asset.name, from, to, columns / 12)?;
    let condition = reader.condition(&asset.name)?;
    let life = reader.remaining_life(&asset.name)?;
    let audience = Audience { units: view.units, zone: view.zone };
    let span = Span { asset: Some(&asset.name), from, to, most: MOST_MARKS };
    let mut marks: Vec<Mark> =
        reader.alerts(span)?.iter().filter_map(|alert| alert_mark(alert, asset, audience)).collect();
    marks.extend(reader.audit(span)?.iter().filter_map(|row| command_mark(row, audience)));
    let limits = condition.as_ref().and_then(|c| c.points.iter().find(|p| p.point == point.name));
    let limits = limits.map(|p| p.limits.clone()).unwrap_or_default();
    let fans = fans(&point.name, life.as_ref(), condition.as_ref(), &rows);
    let shown = view.units.shown(&point.unit);
    let chart = TrendChart {
        title: &point.name,
        rows: &rows,
        shown: &shown,
        from,
        to,
        periods: &periods,
        limits: &limits,
        marks: &marks,
        fans: &fans,
        zone: view.zone,
    };
    let picture = chart.draw(view.size, view.palette);
    Ok(StoredTrend { picture, rows, shown })
}

/// An alert's mark: when it was raised, rose or went.
fn alert_mark(alert: &Alert, asset: &AssetRow, audience: Audience<'_>) -> Option<Mark> {
    let kind = match (alert.change, alert.severity) {
        (Change::Returned | Change::Closed, _) => MarkKind::Returned,
        (Change::Raised | Change::Escalated | Change::Recurred, Severity::Alarm) => MarkKind::Alarm,
        (Change::Raised | Change::Escalated | Change::Recurred, Severity::Warning) => MarkKind::Warning,
        (Change::Raised | Change::Escalated | Change::Recurred, Severity::Advisory) => MarkKind::Advisory,
        _ => return None,
    };
    let said = audience.alert(alert, of_plate(&asset.plate));
    let text = match kind {
        MarkKind::Returned => format!("returned to normal: {said}"),
        _ => format!("{}: {said}", severity_word(alert.severity)),
    };
    Some(Mark { at: alert.at, kind, text })
}

fn command_mark(row: &AuditRow, audience: Audience<'_>) -> Option<Mark> {
    let at = row.at.filter(|_| row.accepted)?;
    Some(Mark { at, kind: MarkKind::Command, text: format!("{}: {}", row.by, audience.deed(row).0) })
}

/// The forecasts of a point: each starts where the point stood when the statement was made.
fn fans(
    point: &str,
    life: Option<&RemainingLifeStatement>,
    condition: Option<&Condition>,
    rows: &[TrendRow],
) -> Vec<Fan> {
    let Some(life) = life else { return Vec::new() };
    let then = rows.iter().rfind(|row| row.from.saturating_mul(1_000_000) <= life.at.0).map(|row| row.mean);
    let now = condition.and_then(|c| c.points.iter().find(|p| p.point == point)).and_then(|p| p.observed);
    let Some(value) = then.or(now) else { return Vec::new() };
    let after = |hours: Option<f64>| hours.filter(|h| h.is_finite()).map(|hours| life.at.plus_secs(3600.0 * hours));
    let forecasts = life.remaining_life.forecasts.iter().filter(|forecast| forecast.point == point);
    // The level of an assumed failure lies above what was held so far; a single value may stand above it all the same, and
    // then there is no way to it that could be drawn. The words say the hours.
    forecasts
        .filter(|forecast| forecast.target != "failure" || forecast.limit.limit.value > value)
        .map(|forecast| Fan {
            at: life.at,
            value,
            target: forecast.target.clone(),
            limit: forecast.limit.limit.value,
            p10: after(forecast.p10_hours),
            p50: after(forecast.p50_hours),
            p90: after(forecast.p90_hours),
        })
        .collect()
}

/// The newest time anything is known of an asset: what "now" is on its page, live or replayed.
pub fn newest(condition: Option<&Condition>, rows: &[TrendRow]) -> Option<EventTime> {
    let row = rows.last().map(|row| EventTime(row.to.saturating_mul(1_000_000)));
    row.max(condition.map(|condition| condition.at))
}
