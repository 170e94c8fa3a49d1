//! The first screen: all machines, most urgent first, and the same live.

use super::entrance::Visitor;
use super::frame::Frame;
use super::urgency::{Clock, GROUPS, List, Narrowed, Row, list};
use super::{Shown, reply, words};
use askama::Template;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use serde::Deserialize;
use std::sync::Arc;

/// Rows shown at once; more on request.
pub(super) const ROWS: usize = 100;
/// Rows of one page at most: all that may be registered by default.
const MOST_ROWS: usize = 5000;

/// What the address asks for.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct Asked {
    q: Option<String>,
    area: Option<String>,
    class: Option<String>,
    severity: Option<String>,
    show: Option<usize>,
    /// What the page has, for the live events.
    pub(super) known: Option<String>,
}

impl Asked {
    pub(super) fn narrowed(&self) -> Narrowed {
        let text = |given: &Option<String>| given.as_deref().unwrap_or_default().chars().take(200).collect::<String>();
        Narrowed {
            words: text(&self.q).to_lowercase(),
            area: text(&self.area),
            class: text(&self.class),
            severity: text(&self.severity),
        }
    }

    pub(super) fn show(&self) -> usize {
        self.show.unwrap_or(ROWS).clamp(1, MOST_ROWS)
    }

    /// The same with so many rows.
    fn address(&self, show: usize) -> String {
        let given = [("q", &self.q), ("area", &self.area), ("class", &self.class), ("severity", &self.severity)];
        let mut pairs: Vec<String> = given
            .into_iter()
            .filter_map(|(key, value)| {
                let value = value.as_deref().filter(|value| !value.is_empty())?;
                Some(format!("{key}={}", value.bytes().map(super::entrance::percent).collect::<String>()))
            })
            .collect();
        pairs.push(format!("show={show}"));
        format!("/?{}", pairs.join("&"))
    }
}

/// The counts over the list; also sent live.
#[derive(Template)]
#[template(path = "counts.html")]
pub(super) struct Counts {
    machines: usize,
    rows: usize,
    alarms: usize,
    warnings: usize,
    advisories: usize,
    sensors: usize,
    learning: usize,
    now: Option<words::When>,
}

impl Counts {
    pub(super) fn of(shown: &Shown, list: &List) -> Self {
        let now = shown.stream_now().map(|now| words::when(now, &shown.zone));
        let [alarms, warnings, advisories, sensors, learning] = list.counts;
        Self { machines: list.machines, rows: list.rows.len(), alarms, warnings, advisories, sensors, learning, now }
    }
}

/// One row; also sent live.
#[derive(Template)]
#[template(path = "row.html")]
pub(super) struct OneRow<'a> {
    pub(super) row: &'a Row,
}

#[derive(Template)]
#[template(path = "first.html")]
struct First<'a> {
    frame: Frame,
    counts: Counts,
    rows: Vec<OneRow<'a>>,
    list: &'a List,
    asked: Narrowed,
    groups: [(&'static str, &'static str); GROUPS.len()],
    more: Option<(usize, String)>,
    known: String,
    grows: bool,
}

/// What the list is at this moment.
pub(super) fn look(shown: &Shown, narrowed: &Narrowed) -> List {
    let clock = Clock { now: shown.stream_now(), audience: shown.audience() };
    list(&shown.status.board.all(), narrowed, clock)
}

/// `/`
pub(super) async fn first(State(shown): State<Arc<Shown>>, visitor: Visitor, Query(asked): Query<Asked>) -> Response {
    let narrowed = asked.narrowed();
    let version = shown.status.board.version();
    let list = look(&shown, &narrowed);
    let show = asked.show();
    let rows = list.rows.iter().take(show).map(|row| OneRow { row }).collect();
    let left = list.rows.len().saturating_sub(show);
    let page = First {
        frame: Frame::new(&shown, "Machines", Some(&visitor)),
        counts: Counts::of(&shown, &list),
        rows,
        list: &list,
        asked: narrowed,
        groups: GROUPS,
        more: (left > 0).then(|| (left.min(ROWS), asked.address(show + ROWS))),
        known: version.to_string(),
        grows: !shown.by_stream,
    };
    reply::page(StatusCode::OK, &page)
}
