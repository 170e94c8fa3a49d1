//! "What is going on with this one?": a machine's page, its pictures and the numbers behind them.
//!
//! | path | answers |
//! |---|---|
//! | `/machines/{asset}` | the page |
//! | `/machines/{asset}/trend.svg` | the trend of `point` from `from` to `to` (RFC 3339, or seconds since 1970), `width` wide |
//! | `/machines/{asset}/trend.json` | the same picture with where its data are, and its rows |
//! | `/machines/{asset}/spark.svg` | the small trend of its first point over the last day |
//! | `/machines/{asset}/waveform.svg`, `.json` | spectrum, envelope or waveform of a `sensor` |
//! | `/machines/{asset}/report.pdf` | the report, on `paper` a4 or letter |
//! | `/machines/{asset}/trends.csv`, `scores.csv`, `alerts.csv`, `waveforms.csv` | the tables of `export`, from `from` to `to` |
//! | `/machines/{asset}/waveform.wav` | the kept waveform of this `number`, as `export --samples` writes it |
//!
//! All of it is read from `state.db` by a connection of the request's own, on a thread that may wait for a disk.

mod downloads;
mod page;
mod trend;
mod waveform;

pub use downloads::DOWNLOADS;

use super::Shown;
use crate::error::Error;
use crate::keep::KeepError;
use crate::keep::read::{AssetRow, Reader};
use axum::Router;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use jiff::Timestamp;
use roundsman_models::EventTime;
use std::sync::Arc;

/// Its routes.
pub(super) fn routes() -> Router<Arc<Shown>> {
    Router::new()
        .route("/machines/{asset}", get(page::page))
        .route("/machines/{asset}/trend.svg", get(trend::svg))
        .route("/machines/{asset}/trend.json", get(trend::json))
        .route("/machines/{asset}/report.pdf", get(downloads::report))
        .route("/machines/{asset}/trends.csv", get(downloads::trends))
        .route("/machines/{asset}/scores.csv", get(downloads::scores))
        .route("/machines/{asset}/alerts.csv", get(downloads::alerts))
        .route("/machines/{asset}/waveforms.csv", get(downloads::waveforms))
        .route("/machines/{asset}/waveform.wav", get(downloads::samples))
        .route("/machines/{asset}/spark.svg", get(trend::spark))
        .route("/machines/{asset}/waveform.svg", get(waveform::svg))
        .route("/machines/{asset}/waveform.json", get(waveform::json))
}

/// Why a request has no answer.
enum Refusal {
    /// No such machine, point or waveform.
    Missing(String),
    /// Something in the address cannot be.
    Unreadable(String),
    /// The disk.
    Kept(KeepError),
    /// Too much of it, or too much at once.
    NotNow(StatusCode, String),
    /// It could not be made.
    Failed(Error),
}

impl From<KeepError> for Refusal {
    fn from(fault: KeepError) -> Self {
        Self::Kept(fault)
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        match self {
            Self::Missing(words) => (StatusCode::NOT_FOUND, words + "\n").into_response(),
            Self::Unreadable(words) => (StatusCode::BAD_REQUEST, words + "\n").into_response(),
            Self::NotNow(code, words) => (code, words + "\n").into_response(),
            Self::Failed(fault) => {
                tracing::warn!(%fault, "what a page was asked for cannot be made");
                (StatusCode::SERVICE_UNAVAILABLE, "this cannot be made just now; the log says why\n").into_response()
            }
            Self::Kept(fault) => {
                tracing::warn!(%fault, "a page cannot read the state");
                (StatusCode::SERVICE_UNAVAILABLE, "the state cannot be read just now; the log says why\n")
                    .into_response()
            }
        }
    }
}

/// Reads on a thread of its own.
async fn reading<T: Send + 'static>(
    shown: &Arc<Shown>,
    asset: String,
    read: impl FnOnce(&Shown, &Reader, &AssetRow) -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    let shown = shown.clone();
    let work = move || {
        let reader = Reader::open(&shown.state_dir)?;
        let found = reader.asset(&asset)?;
        let found = found.ok_or_else(|| Refusal::Missing("there is no such machine".to_owned()))?;
        read(&shown, &reader, &found)
    };
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        Err(error) => {
            tracing::error!(%error, "a page could not be made; this is a fault of roundsman");
            Err(Refusal::Missing("this could not be made; see the log".to_owned()))
        }
    }
}

/// A time in an address: RFC 3339 or seconds since 1970.
fn time(text: &str) -> Result<EventTime, Refusal> {
    let secs = text.parse::<f64>().ok().filter(|secs| secs.abs() < 1e11).map(|secs| EventTime((secs * 1e6) as i64));
    let stamp = || text.parse::<Timestamp>().ok().map(|stamp| EventTime(stamp.as_microsecond()));
    secs.or_else(stamp).ok_or_else(|| {
        Refusal::Unreadable("from and to are times as 2031-03-04T06:15:00Z, or seconds since 1970".to_owned())
    })
}

/// An SVG by itself. A picture changes with every reading: it is not kept.
fn picture(svg: String) -> Response {
    let headers = [(header::CONTENT_TYPE, "image/svg+xml"), (header::CACHE_CONTROL, "no-store")];
    (headers, svg).into_response()
}

fn as_json(value: &impl serde::Serialize) -> Response {
    let headers = [(header::CONTENT_TYPE, "application/json"), (header::CACHE_CONTROL, "no-store")];
    match serde_json::to_string(value) {
        Ok(text) => (headers, text).into_response(),
        Err(error) => (StatusCode::INTERNAL_SERVER_ERROR, error.to_string()).into_response(),
    }
}
