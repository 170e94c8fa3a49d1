//! The list live, by server-sent events: what of it changed, no more often than every two seconds.
//!
//! Each stream holds a connection, of which there are few; so streams are fewer still, and pages that come later are told
//! to try again. A stream says something at least every ten seconds: the listener closes connections on which nothing
//! happens, and a page that hears nothing for long knows that it is not live any more.

use super::entrance::Visitor;
use super::first::{Asked, Counts, OneRow, look};
use super::urgency::{Narrowed, Row};
use super::{Shown, entrance};
use crate::acquire::mqtt::backoff::fnv1a;
use askama::Template;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use serde::Serialize;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::OwnedSemaphorePermit;
use tokio::time::{Instant, Interval, MissedTickBehavior};

/// Streams at a time.
pub const STREAMS: usize = 24;
/// A stream looks so often whether something changed.
const EVERY: Duration = Duration::from_secs(2);
/// It says so often that it is still there, at least.
const BEAT: Duration = Duration::from_secs(10);
/// After this a stream ends and the page opens another: so that a right that was taken away ends as well.
const LONGEST: Duration = Duration::from_secs(1800);

/// What changed.
#[derive(Serialize)]
struct Changed {
    /// Names of the rows shown, in order.
    order: Vec<String>,
    /// Rows that are new or other than before.
    rows: BTreeMap<String, String>,
    /// Ages of the last readings, seconds.
    ages: BTreeMap<String, u64>,
    /// The counts above the list.
    counts: String,
}

struct Stream {
    shown: Arc<Shown>,
    visitor: Visitor,
    narrowed: Narrowed,
    show: usize,
    ticks: Interval,
    ends: Instant,
    version: Option<u64>,
    seen: BTreeMap<String, u64>,
    said: u64,
    spoke: Instant,
    _place: OwnedSemaphorePermit,
}

/// `/live`
pub(super) async fn live(State(shown): State<Arc<Shown>>, visitor: Visitor, Query(asked): Query<Asked>) -> Response {
    let Ok(place) = shown.streams.clone().try_acquire_owned() else {
        let again = [(header::RETRY_AFTER, "10")];
        return (StatusCode::SERVICE_UNAVAILABLE, again, "too many pages are live; this one can be loaded again\n")
            .into_response();
    };
    let mut ticks = tokio::time::interval(EVERY);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let now = Instant::now();
    let narrowed = asked.narrowed();
    let show = asked.show();
    // Before the look: what changes during it is looked at again.
    let version = shown.status.board.version();
    // A page that was written just now has all rows already.
    let same = asked.known.is_some_and(|known| known == version.to_string());
    let (version, seen) = if same {
        let list = look(&shown, &narrowed);
        let seen = list.rows.iter().take(show).map(|row| (row.name.clone(), hash(row))).collect();
        (Some(version), seen)
    } else {
        (None, BTreeMap::new())
    };
    let stream = Stream {
        shown,
        visitor,
        narrowed,
        show,
        ticks,
        ends: now + LONGEST,
        version,
        seen,
        said: 0,
        spoke: now,
        _place: place,
    };
    Sse::new(stream::unfold(stream, next)).into_response()
}

/// Of a row without its age, which always changes.
fn hash(row: &Row) -> u64 {
    let mut still = row.clone();
    still.age_secs = row.age_secs.map(|_| 0.0);
    fnv1a(OneRow { row: &still }.render().unwrap_or_default().as_bytes())
}

async fn next(mut stream: Stream) -> Option<(Result<Event, Infallible>, Stream)> {
    loop {
        stream.ticks.tick().await;
        // The right to look may have ended meanwhile.
        if Instant::now() >= stream.ends || !entrance::still_holds(&stream.shown, &stream.visitor) {
            return None;
        }
        if let Some(changed) = stream.changed() {
            stream.spoke = Instant::now();
            let data = serde_json::to_string(&changed).unwrap_or_default();
            return Some((Ok(Event::default().event("rows").data(data)), stream));
        }
        if stream.spoke.elapsed() >= BEAT {
            stream.spoke = Instant::now();
            return Some((Ok(Event::default().event("beat").data("")), stream));
        }
    }
}

impl Stream {
    fn changed(&mut self) -> Option<Changed> {
        let version = self.shown.status.board.version();
        let list = look(&self.shown, &self.narrowed);
        let rows = || list.rows.iter().take(self.show);
        let order: Vec<String> = rows().map(|row| row.name.clone()).collect();
        let ages: BTreeMap<String, u64> =
            rows().filter_map(|row| Some((row.name.clone(), row.age_secs? as u64))).collect();
        let counts = Counts::of(&self.shown, &list).render().unwrap_or_default();
        let mut fresh = BTreeMap::new();
        if self.version != Some(version) {
            let hashes: BTreeMap<String, u64> = rows().map(|row| (row.name.clone(), hash(row))).collect();
            for row in rows().filter(|row| self.seen.get(&row.name) != hashes.get(&row.name)) {
                fresh.insert(row.name.clone(), OneRow { row }.render().unwrap_or_default());
            }
            self.seen = hashes;
        }
        self.version = Some(version);
        let changed = Changed { order, rows: fresh, ages, counts };
        let text = serde_json::to_string(&changed).unwrap_or_default();
        let said = fnv1a(text.as_bytes());
        (said != std::mem::replace(&mut self.said, said)).then_some(changed)
    }
}
