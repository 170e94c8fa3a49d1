//! What can be taken along from a machine's page: the report for paper, and the numbers of a range for a spreadsheet.

use super::trend::range;
use super::{Refusal, reading};
use crate::config::mail::Paper;
use crate::config::people::Units;
use crate::export::{Table, Wanted, wav, write_csv};
use crate::keep::read::{AssetRow, Reader};
use crate::mail::file_name;
use crate::report::{self, Asked};
use crate::web::Shown;
use crate::web::entrance::Visitor;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use roundsman_models::EventTime;
use serde::Deserialize;
use std::io::{self, Write};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::OwnedSemaphorePermit;

/// Made at a time: each takes a processor and memory that the plant's readings need too.
pub const DOWNLOADS: usize = 2;
/// Whoever finds both places taken waits so long.
const PATIENCE: Duration = Duration::from_secs(10);
/// A table of a page has at most so many bytes. It is made in memory, so that no slow reader holds `state.db` open.
const LARGEST: usize = 32 << 20;

async fn place(shown: &Arc<Shown>) -> Result<OwnedSemaphorePermit, Refusal> {
    match tokio::time::timeout(PATIENCE, shown.downloads.clone().acquire_owned()).await {
        Ok(Ok(place)) => Ok(place),
        // The semaphore is never closed.
        _ => {
            let words = "others are having reports or tables made; try again in a moment";
            Err(Refusal::NotNow(StatusCode::SERVICE_UNAVAILABLE, words.to_owned()))
        }
    }
}

/// A file to be saved. Its name is of letters, digits, `-` and `.` only, whatever the machine is called.
fn file(kind: &'static str, name: &str, content: Vec<u8>) -> Response {
    let headers = [
        (header::CONTENT_TYPE, kind.to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
        (header::CACHE_CONTROL, "no-store".to_owned()),
    ];
    (headers, content).into_response()
}

/// Who stands at the foot of the report.
fn maker(visitor: &Visitor) -> String {
    match (visitor.name(), visitor.by_token) {
        (Some(name), _) => name.to_owned(),
        (None, true) => "a program with the page's token".to_owned(),
        (None, false) => "somebody at the page".to_owned(),
    }
}

#[derive(Debug, Deserialize)]
pub(super) struct OnPaper {
    paper: Option<String>,
}

/// `/machines/{asset}/report.pdf`
pub(super) async fn report(
    State(shown): State<Arc<Shown>>,
    visitor: Visitor,
    Path(asset): Path<String>,
    Query(on): Query<OnPaper>,
) -> Result<Response, Refusal> {
    let paper = match (on.paper.as_deref(), shown.units) {
        (Some("a4"), _) | (None, Units::Metric) => Paper::A4,
        (Some("letter"), _) | (None, Units::Inch) => Paper::Letter,
        (Some(_), _) => return Err(Refusal::Unreadable("paper is a4 or letter".to_owned())),
    };
    let name = format!("report-{}.pdf", file_name(&asset));
    let by = maker(&visitor);
    let place = place(&shown).await?;
    let pdf = reading(&shown, asset, move |shown, reader, asset| {
        // Held until it is made, also when whoever asked has gone.
        let _place = place;
        let asked =
            Asked { site: shown.site.clone(), by, now: (shown.now)(), zone: shown.zone.clone(), units: shown.units };
        report::make(reader, &asset.name, paper, &asked).map_err(Refusal::Failed)
    });
    Ok(file("application/pdf", &name, pdf.await?))
}

#[derive(Debug, Deserialize)]
pub(super) struct InRange {
    from: Option<String>,
    to: Option<String>,
}

/// `/machines/{asset}/trends.csv`
pub(super) async fn trends(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<InRange>,
) -> Result<Response, Refusal> {
    table(shown, asset, asked, Table::Trends).await
}

/// `/machines/{asset}/scores.csv`
pub(super) async fn scores(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<InRange>,
) -> Result<Response, Refusal> {
    table(shown, asset, asked, Table::Scores).await
}

/// `/machines/{asset}/alerts.csv`
pub(super) async fn alerts(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<InRange>,
) -> Result<Response, Refusal> {
    table(shown, asset, asked, Table::Alerts).await
}

/// `/machines/{asset}/waveforms.csv`
pub(super) async fn waveforms(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<InRange>,
) -> Result<Response, Refusal> {
    table(shown, asset, asked, Table::Waveforms).await
}

#[derive(Debug, Deserialize)]
pub(super) struct Numbered {
    number: u64,
}

/// `/machines/{asset}/waveform.wav`
pub(super) async fn samples(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<Numbered>,
) -> Result<Response, Refusal> {
    let place = place(&shown).await?;
    let wav = reading(&shown, asset, move |_, reader, asset| {
        let _place = place;
        let missing = || Refusal::Missing(format!("no waveform {} of this machine is kept", asked.number));
        let payload = reader.waveform(&asset.name, asked.number)?.ok_or_else(missing)?;
        wav(&asset.name, asked.number, &payload).map_err(Refusal::Missing)
    })
    .await?;
    Ok(file("audio/wav", &wav.name, wav.bytes))
}

async fn table(shown: Arc<Shown>, asset: String, asked: InRange, table: Table) -> Result<Response, Refusal> {
    let place = place(&shown).await?;
    let name = file_name(&asset);
    let (days, content) = reading(&shown, asset, move |shown, reader, asset| {
        let _place = place;
        made(shown, reader, asset, &asked, table)
    })
    .await?;
    Ok(file("text/csv; charset=utf-8", &format!("{}-{name}-{days}.csv", table.name()), content))
}

fn made(
    shown: &Shown,
    reader: &Reader,
    asset: &AssetRow,
    asked: &InRange,
    table: Table,
) -> Result<(String, Vec<u8>), Refusal> {
    let (from, to) = range(asked.from.as_deref(), asked.to.as_deref(), reader, asset)?;
    // The page's right edge is a whole second and belongs to what it shows.
    let end = to.plus_secs(1.0);
    let wanted = Wanted { asset: Some(asset.name.clone()), from: Some(from), to: Some(end) };
    let mut out = Bounded { bytes: Vec::new(), full: false };
    match write_csv(&shown.state_dir, table, &wanted, &shown.zone, &mut out) {
        Ok(()) => Ok((format!("{}-{}", day(from, shown), day(to, shown)), out.bytes)),
        Err(_) if out.full => Err(Refusal::NotNow(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!(
                "the table is larger than {} MiB: ask for a shorter range, or use `roundsman export`",
                LARGEST >> 20
            ),
        )),
        Err(error) => Err(Refusal::Failed(error)),
    }
}

/// `20310228`, in the site's zone.
fn day(at: EventTime, shown: &Shown) -> String {
    let stamp = jiff::Timestamp::from_microsecond(at.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    stamp.to_zoned(shown.zone.clone()).strftime("%Y%m%d").to_string()
}

/// Memory up to a size.
struct Bounded {
    bytes: Vec<u8>,
    full: bool,
}

impl Write for Bounded {
    fn write(&mut self, more: &[u8]) -> io::Result<usize> {
        if self.bytes.len() + more.len() > LARGEST {
            self.full = true;
            return Err(io::ErrorKind::StorageFull.into());
        }
        self.bytes.extend_from_slice(more);
        Ok(more.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_has_an_end_and_says_so() {
        let mut out = Bounded { bytes: Vec::new(), full: false };
        assert!(out.write_all(&vec![b'x'; LARGEST]).is_ok() && !out.full);
        assert!(out.write_all(b"x").is_err() && out.full);
    }
}
