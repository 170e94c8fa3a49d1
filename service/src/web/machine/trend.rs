//! Trends of a machine's points, as large as asked for.

use super::{Refusal, as_json, picture, reading, time};
use crate::advise::forms::rounded;
use crate::chart::stored::{self, StoredTrend, View, newest};
use crate::chart::{Palette, Plot, Size};
use crate::keep::read::{AssetRow, PointRow, Reader, TrendRow};
use crate::web::Shown;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// What a picture's address asks for.
#[derive(Debug, Clone, Deserialize)]
pub(super) struct Asked {
    point: Option<String>,
    from: Option<String>,
    to: Option<String>,
    width: Option<f64>,
    height: Option<f64>,
}

/// Shown when the address says no range.
pub(super) const DAY_SECS: f64 = 86_400.0;
const HEIGHT: f64 = 250.0;

/// What is asked for, as far as a picture can be so large.
fn within(asked: Option<f64>, usual: f64, least: f64, most: f64) -> f64 {
    asked.filter(|asked| asked.is_finite()).unwrap_or(usual).clamp(least, most)
}

fn size(asked: &Asked) -> Size {
    Size { width: within(asked.width, 720.0, 200.0, 4000.0), height: within(asked.height, HEIGHT, 80.0, 1200.0) }
}

/// The range asked for; the day up to the newest reading when none is.
pub(super) fn range(
    from: Option<&str>,
    to: Option<&str>,
    reader: &Reader,
    asset: &AssetRow,
) -> Result<(EventTime, EventTime), Refusal> {
    let to = match to {
        Some(text) => time(text)?,
        None => newest(reader.condition(&asset.name)?.as_ref(), &[]).unwrap_or_default(),
    };
    let from = match from {
        Some(text) => time(text)?,
        None => to.plus_secs(-DAY_SECS),
    };
    if from >= to {
        return Err(Refusal::Unreadable("from must be before to".to_owned()));
    }
    Ok((from, to))
}

fn point<'a>(asked: &Asked, asset: &'a AssetRow) -> Result<&'a PointRow, Refusal> {
    let found = match &asked.point {
        Some(name) => asset.point(name),
        None => first_condition(asset),
    };
    found.ok_or_else(|| Refusal::Missing("this machine has no such point".to_owned()))
}

/// The point a list shows: the first that tells the machine's condition.
fn first_condition(asset: &AssetRow) -> Option<&PointRow> {
    use crate::asset::spec::Role;
    let condition = asset.plate.points.iter().find(|p| p.role == Role::Condition);
    condition.and_then(|p| asset.point(&p.name)).or(asset.points.first())
}

fn drawn(
    shown: &Shown,
    reader: &Reader,
    asset: &AssetRow,
    asked: &Asked,
) -> Result<(StoredTrend, Size, String), Refusal> {
    let range = range(asked.from.as_deref(), asked.to.as_deref(), reader, asset)?;
    let (point, size) = (point(asked, asset)?, size(asked));
    let view = View { units: shown.units, zone: &shown.zone, size, palette: &Palette::LIGHT };
    Ok((stored::trend(reader, asset, point, range, view)?, size, point.name.clone()))
}

/// `/machines/{asset}/trend.svg`
pub(super) async fn svg(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Refusal> {
    let trend = reading(&shown, asset, move |shown, reader, asset| drawn(shown, reader, asset, &asked)).await?;
    Ok(picture(trend.0.picture.svg))
}

/// A trend with its numbers, in the unit shown.
#[derive(Serialize)]
struct Numbers {
    point: String,
    sign: String,
    svg: String,
    plot: Plot,
    width: f64,
    height: f64,
    /// From, to (seconds since 1970), mean, least, greatest, expected, least and greatest that was normal.
    rows: Vec<(i64, i64, [Option<f64>; 6])>,
}

impl Numbers {
    fn of((trend, size, point): (StoredTrend, Size, String)) -> Self {
        let StoredTrend { picture, rows, shown } = trend;
        let value = |v: f64| Some(rounded(shown.value(v))).filter(|v| v.is_finite());
        let row = |row: &TrendRow| {
            let e = row.expected;
            let values = [
                value(row.mean),
                value(row.min),
                value(row.max),
                e.and_then(|e| value(e.mean)),
                e.and_then(|e| value(e.low?)),
                e.and_then(|e| value(e.high?)),
            ];
            (row.from, row.to, values)
        };
        let rows = rows.iter().map(row).collect();
        Self {
            point,
            sign: shown.sign,
            svg: picture.svg,
            plot: picture.plot,
            width: size.width,
            height: size.height,
            rows,
        }
    }
}

/// `/machines/{asset}/trend.json`
pub(super) async fn json(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Refusal> {
    let numbers =
        move |shown: &Shown, reader: &Reader, asset: &AssetRow| Ok(Numbers::of(drawn(shown, reader, asset, &asked)?));
    Ok(as_json(&reading(&shown, asset, numbers).await?))
}

/// `/machines/{asset}/spark.svg`
pub(super) async fn spark(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Refusal> {
    let small = move |_: &Shown, reader: &Reader, asset: &AssetRow| {
        let (from, to) = range(asked.from.as_deref(), asked.to.as_deref(), reader, asset)?;
        let point = point(&asked, asset)?;
        let size =
            Size { width: within(asked.width, 140.0, 40.0, 800.0), height: within(asked.height, 40.0, 16.0, 300.0) };
        let rows = reader.trend(asset.id, point.index, from, to, size.width as usize)?;
        let words = format!("{} of {}", point.name, asset.name);
        Ok(crate::chart::spark(&rows, from, to, size, &Palette::LIGHT, &words))
    };
    Ok(picture(reading(&shown, asset, small).await?))
}
