//! "What do I do about it?": the open alerts of one machine, what may be done, and who did what when.
//!
//! A form becomes the JSON of a command, is read by the same code as one that came by MQTT, and goes by the
//! [`inlet`](crate::inlet) into the journal. The answer waits for the outcome.

use super::entrance::Visitor;
use super::frame::Frame;
use super::send;
use super::sessions::Said;
use super::urgency::{Clock, Row, encoded, is_held, row};
use super::words::{self, When};
use super::{Shown, reply};
use crate::advise::audience::of_spec;
use crate::advise::command;
use crate::advise::document::{Alert, Finding};
use crate::advise::readable::change_word;
use crate::advise::wording::{plain, severity_word};
use crate::asset::spec::AssetSpec;
use crate::config::people::{Role, is_name};
use crate::inlet::Outcome;
use crate::keep::KeepError;
use crate::keep::read::{AuditRow, Reader, Span};
use crate::keep::report_mail::ReportMail;
use crate::mail::due::address;
use askama::Template;
use axum::Form;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Commands of the history that are shown.
const HISTORY: u32 = 50;
/// Reports by mail that are shown.
const LETTERS: u32 = 10;
/// Transitions that are read to find the alerts that are over, and how many of those are shown: what was found is often
/// written down when they are.
const TRANSITIONS: u32 = 200;
const EARLIER: usize = 10;
/// Times to shelve for that are offered.
const SHELVE: [(&str, &str); 6] = [
    ("1 h", "1 hour"),
    ("8 h", "8 hours"),
    ("24 h", "1 day"),
    ("3 d", "3 days"),
    ("7 d", "7 days"),
    ("30 d", "30 days"),
];

struct Open {
    id: String,
    about: String,
    edge: &'static str,
    shape: &'static str,
    word: &'static str,
    state: &'static str,
    raised: When,
    last: &'static str,
    last_at: When,
    message: String,
}

impl Open {
    fn of(alert: &Alert, spec: Option<&AssetSpec>, shown: &Shown) -> Self {
        let gone = alert.state == crate::advise::document::LifeState::ReturnedUnacknowledged;
        Self {
            id: alert.id.clone(),
            about: match &alert.finding {
                Finding::Machine => "the machine".into(),
                Finding::Silence => "silence".into(),
                Finding::Sensor(point) => format!("sensor {}", plain(point, 128)),
            },
            edge: if gone || is_held(alert) { "" } else { words::key(alert.severity) },
            shape: words::shape(alert.severity, gone),
            word: severity_word(alert.severity),
            state: words::state(alert),
            raised: words::when(alert.raised_at, &shown.zone),
            last: change_word(alert.change),
            last_at: words::when(alert.at, &shown.zone),
            message: plain(&shown.audience().alert(alert, of_spec(spec)), 1000),
        }
    }
}

struct Deed {
    at: When,
    by: String,
    what: String,
    note: String,
    accepted: bool,
    answer: String,
    way: String,
}

impl Deed {
    fn of(done: &AuditRow, shown: &Shown) -> Self {
        // A command that could not be read stands there as it came.
        let asked: Option<Value> = serde_json::from_str(&done.action).ok();
        let word = |key: &str| asked.as_ref().and_then(|asked| asked.get(key)?.as_str()).unwrap_or_default().to_owned();
        let what = match asked {
            Some(_) => {
                [word("action"), word("verdict"), word("point"), word("limit"), word("alert"), word("to")].join(" ")
            }
            None => done.action.clone(),
        };
        let way = done.topic.as_deref().unwrap_or_default();
        Self {
            at: words::when(done.received, &shown.zone),
            by: plain(&done.by, 100),
            what: plain(what.split_whitespace().collect::<Vec<_>>().join(" ").as_str(), 300),
            note: plain(done.note.as_deref().unwrap_or_default(), 1000),
            accepted: done.accepted,
            answer: plain(&shown.audience().deed(done).0, 600),
            way: if crate::inlet::asset_of(way).is_some() { "this page".into() } else { plain(way, 200) },
        }
    }
}

struct Point {
    name: String,
    unit: String,
    /// What the value is sent with, so that a limit in inch units arrives as one; nothing for the kept unit.
    sent_unit: String,
}

/// A report that was mailed, or waits to be.
pub(super) struct Letter {
    pub(super) at: When,
    pub(super) by: String,
    pub(super) to: String,
    pub(super) outcome: String,
}

/// Somebody a report can be mailed to.
struct Person {
    address: String,
    words: String,
}

#[derive(Template)]
#[template(path = "act.html")]
struct Act {
    frame: Frame,
    row: Row,
    said: Option<Said>,
    open: Vec<Open>,
    earlier: Vec<Open>,
    points: Vec<Point>,
    shelve: [(&'static str, &'static str); SHELVE.len()],
    history: Vec<Deed>,
    history_fault: String,
    people: Vec<Person>,
    letters: Vec<Letter>,
    action: String,
}

/// `/machines/{asset}/act`
pub(super) async fn page(State(shown): State<Arc<Shown>>, visitor: Visitor, Path(asset): Path<String>) -> Response {
    let Some(standing) = shown.status.board.find(&asset) else {
        return reply::refused(&shown, StatusCode::NOT_FOUND, "No such machine is known.");
    };
    let (History { done, transitions, mailed }, history_fault) = match history(&shown, &asset).await {
        Ok(history) => (history, String::new()),
        Err(why) => (History::default(), why),
    };
    let mut last: BTreeMap<&str, &Alert> = transitions.iter().map(|alert| (alert.id.as_str(), alert)).collect();
    last.retain(|id, _| !standing.alerts.contains_key(*id));
    let mut earlier: Vec<&Alert> = last.into_values().collect();
    earlier.sort_by_key(|alert| std::cmp::Reverse(alert.at));
    let mut alerts: Vec<&Arc<Alert>> = standing.alerts.values().collect();
    alerts.sort_by_key(|alert| (std::cmp::Reverse(alert.severity), alert.raised_at));
    let clock = Clock { now: shown.stream_now(), audience: shown.audience() };
    let spec = standing.spec.as_deref();
    let points = spec.iter().flat_map(|spec| &spec.points);
    let act = Act {
        frame: Frame::new(&shown, &format!("{}: what to do", plain(&asset, 128)), Some(&visitor)),
        row: row(&asset, &standing, clock),
        said: visitor.session.as_ref().and_then(|(key, _)| shown.sessions.take_said(key)),
        open: alerts.into_iter().map(|alert| Open::of(alert, spec, &shown)).collect(),
        earlier: earlier.into_iter().take(EARLIER).map(|alert| Open::of(alert, spec, &shown)).collect(),
        points: points
            .map(|point| {
                let unit = shown.units.shown(&point.unit);
                let sent_unit = if unit.is_kept() { String::new() } else { unit.sign.clone() };
                Point { name: point.name.clone(), unit: unit.sign, sent_unit }
            })
            .collect(),
        shelve: SHELVE,
        history: done.iter().rev().map(|done| Deed::of(done, &shown)).collect(),
        history_fault,
        people: shown
            .mail_to
            .iter()
            .map(|person| Person { address: address(person), words: plain(&person.to_string(), 200) })
            .collect(),
        letters: mailed.iter().map(|mail| send::letter(mail, &shown)).collect(),
        action: format!("/machines/{}/act", encoded(&asset)),
    };
    reply::page(StatusCode::OK, &act)
}

/// What happened to a machine.
#[derive(Default)]
struct History {
    /// Commands, oldest first.
    done: Vec<AuditRow>,
    /// Of alerts, oldest first.
    transitions: Vec<Alert>,
    /// Newest first.
    mailed: Vec<ReportMail>,
}

async fn history(shown: &Arc<Shown>, asset: &str) -> Result<History, String> {
    let (dir, asset) = (shown.state_dir.clone(), asset.to_owned());
    let read = move || {
        let reader = Reader::open(&dir)?;
        let done = reader.audit(Span::newest(&asset, HISTORY))?;
        let transitions = reader.alerts(Span::newest(&asset, TRANSITIONS))?;
        Ok::<_, KeepError>(History { done, transitions, mailed: reader.report_mail(&asset, LETTERS)? })
    };
    match tokio::task::spawn_blocking(read).await {
        Ok(read) => read.map_err(|error| error.to_string()),
        Err(error) => Err(error.to_string()),
    }
}

/// A form. What a form does not have stays away from the command; an empty field counts as none.
#[derive(Deserialize)]
pub(super) struct Given {
    #[serde(default)]
    form_token: String,
    action: String,
    by: Option<String>,
    note: Option<String>,
    alert: Option<String>,
    #[serde(rename = "for")]
    time: Option<String>,
    point: Option<String>,
    limit: Option<String>,
    value: Option<String>,
    unit: Option<String>,
    verdict: Option<String>,
    kind: Option<String>,
}

impl Given {
    /// The command's JSON.
    fn command(self, by: &str) -> Result<String, String> {
        let mut command = Map::new();
        let given = [
            ("note", self.note),
            ("alert", self.alert),
            ("for", self.time),
            ("limit", self.limit),
            ("verdict", self.verdict),
            ("kind", self.kind),
        ];
        for (key, value) in given {
            if let Some(value) = value.filter(|value| !value.trim().is_empty()) {
                command.insert(key.into(), value.trim().into());
            }
        }
        // A point's name may end in anything.
        if let Some(point) = self.point.filter(|point| !point.is_empty()) {
            command.insert("point".into(), point.into());
        }
        if let Some(value) = self.value {
            let value = value.trim().replace(',', ".");
            let number = match value.as_str() {
                // An empty field removes the limit.
                "" => Value::Null,
                text => text
                    .parse::<f64>()
                    .ok()
                    .and_then(serde_json::Number::from_f64)
                    .map(Value::Number)
                    .ok_or_else(|| format!("{value:?} is no number"))?,
            };
            let unit = self.unit.filter(|unit| !unit.is_empty() && !number.is_null());
            command.insert("value".into(), number);
            if let Some(unit) = unit {
                command.insert("unit".into(), unit.into());
            }
        }
        command.insert("action".into(), self.action.into());
        command.insert("by".into(), by.into());
        let text = Value::Object(command).to_string();
        // The same reading that the journal's other end does; here its words reach whoever filled in the form.
        command::parse(text.as_bytes()).map_err(|fault| fault.reason)?;
        Ok(text)
    }
}

/// Why this visitor's form about this machine is not looked at any further.
pub(super) fn gate(shown: &Shown, visitor: &Visitor, form_token: &str, asset: &str) -> Option<Response> {
    let (code, words) = if visitor.role != Role::Act {
        (StatusCode::FORBIDDEN, "You may look here and not act. Sign in with a name that may.")
    } else if !visitor.sent(form_token) {
        let words = "This form is not of your session any more, so nothing was done. Load the page again.";
        (StatusCode::FORBIDDEN, words)
    } else if shown.status.board.find(asset).is_none() {
        (StatusCode::NOT_FOUND, "No such machine is known, so nothing was done.")
    } else {
        return None;
    };
    Some(reply::refused(shown, code, words))
}

/// Who acts: whoever is signed in, else whom the form names.
pub(super) fn says_who(visitor: &Visitor, by: Option<&str>) -> Result<String, &'static str> {
    match (visitor.name(), by.map(str::trim)) {
        (Some(name), _) => Ok(name.to_owned()),
        (None, Some(name)) if is_name(name) => Ok(name.to_owned()),
        (None, _) => Err("Say who acts: the field `by`, a person's name."),
    }
}

/// What a form asks for.
pub(super) async fn act(
    State(shown): State<Arc<Shown>>,
    visitor: Visitor,
    Path(asset): Path<String>,
    headers: HeaderMap,
    Form(given): Form<Given>,
) -> Response {
    if let Some(refused) = gate(&shown, &visitor, &given.form_token, &asset) {
        return refused;
    }
    let by = match says_who(&visitor, given.by.as_deref()) {
        Ok(by) => by,
        Err(why) => return answer(&shown, &visitor, &headers, &asset, StatusCode::UNPROCESSABLE_ENTITY, false, why),
    };
    let command = match given.command(&by) {
        Ok(command) => command,
        Err(why) => return answer(&shown, &visitor, &headers, &asset, StatusCode::UNPROCESSABLE_ENTITY, false, &why),
    };
    let outcome = shown.status.inlet.give(&asset, command, (shown.now)()).await;
    let (code, accepted, words) = match outcome {
        Outcome::Done(words) => (StatusCode::OK, true, words),
        Outcome::Refused(words) => (StatusCode::CONFLICT, false, words),
        Outcome::UnderWay => {
            let words = "It is under way and not carried out yet. The history below shows it once it is.".to_owned();
            (StatusCode::ACCEPTED, true, words)
        }
        Outcome::NotTaken(why) => {
            (StatusCode::SERVICE_UNAVAILABLE, false, format!("Nothing was done: {why}. Try again."))
        }
    };
    answer(&shown, &visitor, &headers, &asset, code, accepted, &words)
}

/// To a person the page again, with what became of it; to a program the words.
pub(super) fn answer(
    shown: &Shown,
    visitor: &Visitor,
    headers: &HeaderMap,
    asset: &str,
    code: StatusCode,
    accepted: bool,
    words: &str,
) -> Response {
    let wants_page =
        headers.get(header::ACCEPT).and_then(|value| value.to_str().ok()).is_some_and(|a| a.contains("text/html"));
    match &visitor.session {
        Some((key, _)) if wants_page => {
            shown.sessions.say(key, Said { accepted, words: words.to_owned() });
            Redirect::to(&format!("/machines/{}/act", encoded(asset))).into_response()
        }
        _ => (code, format!("{words}\n")).into_response(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn given(pairs: &[(&str, &str)]) -> Result<String, String> {
        let map: Map<String, Value> = pairs.iter().map(|(key, value)| ((*key).into(), (*value).into())).collect();
        serde_json::from_value::<Given>(Value::Object(map)).expect("a form").command("A. Berg")
    }

    #[test]
    fn a_form_becomes_the_command_a_topic_would_bring() {
        for (form, want) in [
            (
                vec![("action", "acknowledge"), ("alert", "s/p/machine/1"), ("note", "  "), ("form_token", "x")],
                r#"{"action":"acknowledge","alert":"s/p/machine/1","by":"A. Berg"}"#,
            ),
            (
                vec![
                    ("action", "set-limit"),
                    ("point", "de"),
                    ("limit", "alarm-high"),
                    ("value", " 0,3 "),
                    ("unit", "in/s"),
                ],
                r#"{"action":"set-limit","by":"A. Berg","limit":"alarm-high","point":"de","unit":"in/s","value":0.3}"#,
            ),
            (
                vec![
                    ("action", "set-limit"),
                    ("point", "de"),
                    ("limit", "alarm-high"),
                    ("value", ""),
                    ("unit", "in/s"),
                ],
                r#"{"action":"set-limit","by":"A. Berg","limit":"alarm-high","point":"de","value":null}"#,
            ),
            // Whose name a form brings does not matter to somebody signed in.
            (vec![("action", "relearn"), ("by", "B")], r#"{"action":"relearn","by":"A. Berg"}"#),
        ] {
            let got: Value = serde_json::from_str(&given(&form).expect("a command")).expect("JSON");
            assert_eq!(got, serde_json::from_str::<Value>(want).expect("JSON"));
        }
        for (form, part) in [
            (vec![("action", "shelve")], "needs `for`"),
            (vec![("action", "explode")], "unknown variant"),
            (vec![("action", "set-limit"), ("point", "p"), ("limit", "alarm-high"), ("value", "much")], "no number"),
            (vec![("action", "relearn"), ("alert", "x")], "does not belong"),
        ] {
            let why = given(&form).expect_err(part);
            assert!(why.contains(part), "{why}");
        }
    }
}
