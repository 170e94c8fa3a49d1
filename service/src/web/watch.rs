//! "Is the watch itself all right?": what it hears, what it refuses, what it has learned, how much it says.

use super::entrance::Visitor;
use super::frame::Frame;
use super::health::{Level, Reason};
use super::urgency::encoded;
use super::words::{self, When};
use super::{Shown, probes, reply};
use crate::acquire::Rejection;
use crate::advise::document::{Change, Zone};
use crate::advise::wording::plain;
use crate::keep::read::{Reader, Span};
use crate::status::LinkState;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Days of alerts that are counted, and transitions that are read for it at most.
const DAYS: u32 = 14;
const TRANSITIONS: u32 = 5000;
/// Machines shown of those that are learning.
const LEARNING: usize = 50;
/// A day, seconds.
const DAY_SECS: f64 = 86_400.0;

struct Refused {
    reason: String,
    count: String,
    topic: String,
    detail: String,
    payload: String,
    at: Option<When>,
}

struct Learning {
    name: String,
    href: String,
    percent: u32,
}

struct Day {
    day: String,
    alarms: usize,
    warnings: usize,
    advisories: usize,
    sensors: usize,
}

#[derive(Template)]
#[template(path = "watch.html")]
struct Watch {
    frame: Frame,
    level: &'static str,
    reasons: Vec<Reason>,
    facts: Vec<(&'static str, String)>,
    intake: Vec<(&'static str, String)>,
    disk: Vec<(String, String)>,
    refused: Vec<Refused>,
    learning: Vec<Learning>,
    learning_more: usize,
    learned: usize,
    days: Vec<Day>,
    days_cut: bool,
    days_fault: String,
    budget: String,
    version: &'static str,
}

/// `/watch`
pub(super) async fn watch(State(shown): State<Arc<Shown>>, visitor: Visitor) -> Response {
    let (host, health) = probes::look(&shown).await;
    let status = &shown.status;
    let (learning, learning_more, learned) = learning(&shown);
    let (days, days_cut, days_fault) = match days(&shown).await {
        Ok((days, cut)) => (days, cut, String::new()),
        Err(why) => (Vec::new(), false, why),
    };
    let counters = status.counters();
    let since = words::when(shown.since, &shown.zone).words;
    let stream = health.stream_time.map_or("none yet".into(), |at| words::when(at, &shown.zone).words);
    let page = Watch {
        frame: Frame::new(&shown, "The watch itself", Some(&visitor)),
        level: match health.status {
            Level::Ok => "ok",
            Level::Degraded => "degraded",
            Level::Failing => "failing",
        },
        reasons: health.reasons,
        facts: vec![
            ("Hears the broker", link(status.reader())),
            ("Tells the broker", link(status.writer())),
            ("Topic filters granted", status.subscribed.get().to_string()),
            ("Runs since", since),
            ("Newest reading's time", stream),
            ("Behind what has arrived", words::age(status.vitals.lag_secs())),
        ],
        intake: vec![
            ("Messages", words::thousands(counters.messages)),
            ("Readings", words::thousands(counters.readings)),
            ("Waveforms", words::thousands(counters.waveforms)),
            ("Refused", words::thousands(counters.rejected.values().sum())),
            ("Dropped for want of a faster disk", words::thousands(status.dropped_unsafe.get())),
            ("Transitions of alerts", words::thousands(counters.alerts)),
            ("Commands", words::thousands(counters.commands)),
            ("Documents published", words::thousands(counters.delivered)),
            ("Documents waiting", words::thousands(counters.waiting)),
        ],
        disk: disk(&host),
        refused: refused(&shown, &counters),
        learning,
        learning_more,
        learned,
        days,
        days_cut,
        days_fault,
        budget: budget(&shown),
        version: health.version,
    };
    reply::page(StatusCode::OK, &page)
}

fn link(state: LinkState) -> String {
    match state {
        LinkState::Connected => "yes".into(),
        LinkState::Connecting => "not yet; it has not answered".into(),
        LinkState::Closed => "no; closed on purpose".into(),
        LinkState::Down(why) => format!("no; {}", plain(&why, 300)),
    }
}

fn disk(host: &super::host::Host) -> Vec<(String, String)> {
    let size = |bytes: Option<u64>| bytes.map_or("unknown".into(), words::bytes);
    let mut lines = vec![
        ("Memory in use".to_owned(), size(host.resident_bytes)),
        ("Free on the disk".to_owned(), format!("{} of {}", size(host.disk_free_bytes), size(host.disk_size_bytes))),
    ];
    lines.extend(host.files.iter().map(|(name, bytes)| ((*name).to_owned(), words::bytes(*bytes))));
    lines
}

fn refused(shown: &Shown, counters: &crate::advise::service_status::Counters) -> Vec<Refused> {
    let mut rows: Vec<(&Rejection, &u64)> = counters.rejected.iter().collect();
    rows.sort_by_key(|(_, count)| std::cmp::Reverse(**count));
    let row = |(reason, count): (&Rejection, &u64)| {
        let example = counters.examples.get(reason);
        let text = |found: Option<&String>| found.map(|text| plain(text, 200)).unwrap_or_default();
        Refused {
            reason: reason.word().to_owned(),
            count: words::thousands(*count),
            topic: text(example.and_then(|example| example.topic.as_ref())),
            detail: text(example.map(|example| &example.detail)),
            payload: text(example.and_then(|example| example.payload.as_ref())),
            at: example.and_then(|example| example.at).map(|at| words::when(at, &shown.zone)),
        }
    };
    rows.into_iter().map(row).collect()
}

/// Machines that learn, those that need longest first; how many more there are; how many have learned.
fn learning(shown: &Shown) -> (Vec<Learning>, usize, usize) {
    let all = shown.status.board.all();
    let mut learning: Vec<Learning> = all
        .iter()
        .filter_map(|(name, standing)| {
            let condition = standing.condition.as_ref().filter(|condition| condition.zone == Zone::Learning)?;
            let percent = (condition.learned * 100.0).clamp(0.0, 100.0) as u32;
            Some(Learning { name: plain(name, 128), href: format!("/machines/{}", encoded(name)), percent })
        })
        .collect();
    learning.sort_by_key(|learning| learning.percent);
    let learned =
        all.iter().filter(|(_, standing)| standing.condition.as_ref().is_some_and(|c| c.thresholds.is_some()));
    let more = learning.len().saturating_sub(LEARNING);
    let learned = learned.count();
    learning.truncate(LEARNING);
    (learning, more, learned)
}

/// False warnings a day that the thresholds in effect allow.
fn budget(shown: &Shown) -> String {
    let all = shown.status.board.all();
    let thresholds = all.iter().filter_map(|(_, standing)| standing.condition.as_ref()?.thresholds.as_ref());
    let (machines, a_year) =
        thresholds.fold((0, 0.0), |(n, sum), thresholds| (n + 1, sum + thresholds.false_warnings_per_year));
    if machines == 0 {
        return "No machine has learned yet, so nothing is budgeted.".into();
    }
    format!(
        "The thresholds of the {machines} machines that have learned allow {} false warnings a day in all, {} a week, while \
         they run.",
        crate::advise::wording::number(a_year / 365.25),
        crate::advise::wording::number(a_year / 365.25 * 7.0)
    )
}

/// Alerts raised by day of the site, newest first, and whether there were more than were read.
async fn days(shown: &Arc<Shown>) -> Result<(Vec<Day>, bool), String> {
    let Some(now) = shown.stream_now() else { return Ok((Vec::new(), false)) };
    let dir = shown.state_dir.clone();
    let from = now.plus_secs(-f64::from(DAYS) * DAY_SECS);
    let span = Span { asset: None, from, to: EventTime(i64::MAX), most: TRANSITIONS };
    let read = tokio::task::spawn_blocking(move || Reader::open(&dir)?.alerts(span)).await;
    let alerts = read.map_err(|error| error.to_string())?.map_err(|error| error.to_string())?;
    let mut days: BTreeMap<String, Day> = BTreeMap::new();
    for alert in alerts.iter().filter(|alert| alert.change == Change::Raised) {
        let day = words::when(alert.at, &shown.zone).words.chars().take(10).collect::<String>();
        let empty = || Day { day: day.clone(), alarms: 0, warnings: 0, advisories: 0, sensors: 0 };
        let of = days.entry(day.clone()).or_insert_with(empty);
        use crate::advise::document::{Finding, Severity};
        match (&alert.finding, alert.severity) {
            (Finding::Sensor(_), _) => of.sensors += 1,
            (_, Severity::Alarm) => of.alarms += 1,
            (_, Severity::Warning) => of.warnings += 1,
            (_, Severity::Advisory) => of.advisories += 1,
        }
    }
    Ok((days.into_values().rev().collect(), alerts.len() >= TRANSITIONS as usize))
}
