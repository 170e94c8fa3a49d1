//! A person's command: JSON on `…/{asset}/command` (see [`permission`](super::permission) for who may) → [`engine::Command`](crate::engine::Command), and the reply.
//!
//! ```json
//! {"action":"shelve","by":"M. Okoro","note":"new bearing on order","alert":"north/pump-7/machine/3","for":"8 h",
//!  "reply_to":"panel-3/answers"}
//! ```
//!
//! | action | needs | may have |
//! |---|---|---|
//! | `acknowledge` | | `alert`: one episode's id; all open ones of the asset without it |
//! | `shelve` | `for`: a time such as `"8 h"`, `"30 min"`, `"2 d"` | `alert` |
//! | `unshelve` | | `alert` |
//! | `out-of-service`, `return-to-service`, `relearn` | | |
//! | `set-limit` | `point`, `limit` (`warning-high`, `alarm-high`, `warning-low`, `alarm-low`), `value` (a number, or `null` to remove the limit) | `unit`; the point's kept unit without it |
//! | `finding` | `alert`, `verdict` (`confirmed`, `not-confirmed`, `other`) | `kind`: what it was, in a word |
//!
//! All need `by`, a person's name, and may have `note` and `reply_to`, the topic the reply is published to. A key
//! nobody knows, or one that does not belong to the action, refuses the whole command: a misspelt `for` must not
//! shelve for ever.

use super::document::Document;
use super::forms;
use super::topics::publishable;
use crate::engine::{Action, Command, LimitName, Verdict};
use jiff::{Span, SpanRelativeTo, Unit};
use roundsman_models::EventTime;
use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::{Map, Value, json};

/// A command is a few lines; more is a mistake.
const LARGEST_BYTES: usize = 8 * 1024;
/// Longest name of a person.
const LONGEST_NAME: usize = 100;
/// Longest note.
const LONGEST_NOTE: usize = 1000;

/// A command that was understood.
#[derive(Debug, Clone, PartialEq)]
pub struct Incoming {
    /// For the engine. The value of a `set-limit` is still in [`Incoming::unit`].
    pub command: Command,
    /// Unit of a `set-limit`'s value as it was written; `None` means the point's kept unit.
    pub unit: Option<String>,
    /// Where the reply goes.
    pub reply_to: Option<String>,
}

/// Why a payload is no command, and where to say so.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{reason}")]
pub struct CommandFault {
    /// All that is wrong, one sentence.
    pub reason: String,
    /// The reply topic, when that much could be read.
    pub reply_to: Option<String>,
}

/// The actions by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ActionName {
    /// [`Action::Acknowledge`]
    Acknowledge,
    /// [`Action::Shelve`]
    Shelve,
    /// [`Action::Unshelve`]
    Unshelve,
    /// [`Action::OutOfService`]
    OutOfService,
    /// [`Action::ReturnToService`]
    ReturnToService,
    /// [`Action::Relearn`]
    Relearn,
    /// [`Action::Capture`]
    Capture,
    /// [`Action::SetLimit`]
    SetLimit,
    /// [`Action::Finding`]
    Finding,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Form {
    action: ActionName,
    by: String,
    note: Option<String>,
    alert: Option<String>,
    #[serde(rename = "for")]
    time: Option<String>,
    point: Option<String>,
    limit: Option<LimitName>,
    /// Outer `None`: the key is not there; inner `None`: it is `null`, which removes a limit.
    #[serde(default, deserialize_with = "present")]
    value: Option<Option<f64>>,
    unit: Option<String>,
    verdict: Option<Verdict>,
    kind: Option<String>,
    reply_to: Option<String>,
}

fn present<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Option<f64>>, D::Error> {
    Option::deserialize(from).map(Some)
}

/// Reads one payload.
pub fn parse(payload: &[u8]) -> Result<Incoming, CommandFault> {
    if payload.len() > LARGEST_BYTES {
        let reason = format!("{} bytes is too long for a command, at most {LARGEST_BYTES}", payload.len());
        return Err(CommandFault { reason, reply_to: None });
    }
    let form: Form = serde_json::from_slice(payload)
        .map_err(|fault| CommandFault { reason: fault.to_string(), reply_to: reply_topic(payload) })?;
    let reply_to = form.reply_to.clone().filter(|topic| publishable(topic).is_ok());
    read(form).map_err(|faults| CommandFault { reason: faults.join("; "), reply_to })
}

/// Whatever else is wrong with a payload, whoever sent it may have said where to answer.
fn reply_topic(payload: &[u8]) -> Option<String> {
    let value: serde_json::Value = serde_json::from_slice(payload).ok()?;
    let topic = value.get("reply_to")?.as_str()?;
    publishable(topic).is_ok().then(|| topic.to_owned())
}

fn read(form: Form) -> Result<Incoming, Vec<String>> {
    let mut faults = Vec::new();
    let name = form.action.name();
    let takes = form.action.takes();
    let given = [
        ("alert", form.alert.is_some()),
        ("for", form.time.is_some()),
        ("point", form.point.is_some()),
        ("limit", form.limit.is_some()),
        ("value", form.value.is_some()),
        ("unit", form.unit.is_some()),
        ("verdict", form.verdict.is_some()),
        ("kind", form.kind.is_some()),
    ];
    for (key, _) in given.iter().filter(|(key, given)| *given && !takes.contains(key)) {
        faults.push(format!("`{key}` does not belong to `{name}`"));
    }
    let by = form.by.trim();
    if by.is_empty() || by.chars().count() > LONGEST_NAME {
        faults.push(format!("`by` must be a person's name of at most {LONGEST_NAME} characters"));
    }
    if form.note.as_ref().is_some_and(|note| note.chars().count() > LONGEST_NOTE) {
        faults.push(format!("`note` must be at most {LONGEST_NOTE} characters"));
    }
    if form.kind.as_ref().is_some_and(|kind| kind.chars().count() > LONGEST_NAME) {
        faults.push(format!("`kind` must be at most {LONGEST_NAME} characters"));
    }
    if let Some(Err(fault)) = form.reply_to.as_deref().map(publishable) {
        faults.push(format!("`reply_to` {fault}"));
    }
    let action = match form.action {
        ActionName::Acknowledge => Some(Action::Acknowledge { alert: form.alert }),
        ActionName::Unshelve => Some(Action::Unshelve { alert: form.alert }),
        ActionName::OutOfService => Some(Action::OutOfService),
        ActionName::ReturnToService => Some(Action::ReturnToService),
        ActionName::Relearn => Some(Action::Relearn),
        ActionName::Capture => Some(Action::Capture),
        ActionName::Shelve => match form.time.as_deref().map(duration_secs) {
            Some(Ok(secs)) => Some(Action::Shelve { alert: form.alert, secs }),
            Some(Err(fault)) => {
                faults.push(format!("`for` {fault}"));
                None
            }
            None => {
                faults.push("`shelve` needs `for`, such as \"8 h\"".to_owned());
                None
            }
        },
        ActionName::SetLimit => {
            let missing =
                [("point", form.point.is_none()), ("limit", form.limit.is_none()), ("value", form.value.is_none())];
            for (key, _) in missing.iter().filter(|(_, missing)| *missing) {
                let hint = if *key == "value" { " (null removes the limit)" } else { "" };
                faults.push(format!("`set-limit` needs `{key}`{hint}"));
            }
            match (form.point, form.limit, form.value) {
                (Some(point), Some(limit), Some(value)) => Some(Action::SetLimit { point, limit, value }),
                _ => None,
            }
        }
        ActionName::Finding => {
            for (key, _) in
                [("alert", form.alert.is_none()), ("verdict", form.verdict.is_none())].iter().filter(|m| m.1)
            {
                faults.push(format!("`finding` needs `{key}`"));
            }
            match (form.alert, form.verdict) {
                (Some(alert), Some(verdict)) => Some(Action::Finding { alert, verdict, kind: form.kind }),
                _ => None,
            }
        }
    };
    match action {
        Some(action) if faults.is_empty() => Ok(Incoming {
            command: Command { by: by.to_owned(), note: form.note, reply_to: form.reply_to.clone(), action },
            unit: form.unit,
            reply_to: form.reply_to,
        }),
        _ => Err(faults),
    }
}

impl ActionName {
    /// All of them.
    pub const ALL: [ActionName; 9] = [
        ActionName::Acknowledge,
        ActionName::Shelve,
        ActionName::Unshelve,
        ActionName::OutOfService,
        ActionName::ReturnToService,
        ActionName::Relearn,
        ActionName::Capture,
        ActionName::SetLimit,
        ActionName::Finding,
    ];

    /// As it is written in a command and in the configuration.
    pub fn name(self) -> &'static str {
        match self {
            ActionName::Acknowledge => "acknowledge",
            ActionName::Shelve => "shelve",
            ActionName::Unshelve => "unshelve",
            ActionName::OutOfService => "out-of-service",
            ActionName::ReturnToService => "return-to-service",
            ActionName::Relearn => "relearn",
            ActionName::Capture => "capture",
            ActionName::SetLimit => "set-limit",
            ActionName::Finding => "finding",
        }
    }

    /// Keys it cannot do without.
    fn needs(self) -> &'static [&'static str] {
        match self {
            ActionName::Shelve => &["for"],
            ActionName::SetLimit => &["point", "limit", "value"],
            ActionName::Finding => &["alert", "verdict"],
            _ => &[],
        }
    }

    /// Keys besides those every action may have.
    fn takes(self) -> &'static [&'static str] {
        match self {
            ActionName::Acknowledge | ActionName::Unshelve => &["alert"],
            ActionName::Shelve => &["alert", "for"],
            ActionName::SetLimit => &["point", "limit", "value", "unit"],
            ActionName::Finding => &["alert", "verdict", "kind"],
            ActionName::OutOfService | ActionName::ReturnToService | ActionName::Relearn | ActionName::Capture => &[],
        }
    }
}

/// The action's name as it is written in a command.
pub fn action_name(action: &Action) -> &'static str {
    ActionName::of(action).name()
}

impl ActionName {
    /// The name of an action.
    pub fn of(action: &Action) -> Self {
        match action {
            Action::Acknowledge { .. } => ActionName::Acknowledge,
            Action::Shelve { .. } => ActionName::Shelve,
            Action::Unshelve { .. } => ActionName::Unshelve,
            Action::OutOfService => ActionName::OutOfService,
            Action::ReturnToService => ActionName::ReturnToService,
            Action::Relearn => ActionName::Relearn,
            Action::Capture => ActionName::Capture,
            Action::SetLimit { .. } => ActionName::SetLimit,
            Action::Finding { .. } => ActionName::Finding,
        }
    }
}

/// Seconds of a time as people write it: `8 h`, `30 min`, `1 h 30 min`, `2 d` (a day is 24 h), `PT8H`; above 0. The
/// fault is readable after the key's name.
pub fn duration_secs(text: &str) -> Result<f64, String> {
    let fault = || format!("must be a time above 0 such as \"8 h\", \"30 min\" or \"2 d\", got {text:?}");
    let span: Span = text.trim().parse().map_err(|_| fault())?;
    let secs = span.total((Unit::Second, SpanRelativeTo::days_are_24_hours())).map_err(|_| fault())?;
    if secs.is_finite() && secs > 0.0 { Ok(secs) } else { Err(fault()) }
}

/// JSON Schema of a command: one form per action. A test holds it against [`parse`]. `null` for a key that may be left
/// out reads as left out; for `value` it means "remove".
pub fn schema() -> Value {
    let text = |longest: Option<usize>, needed: bool| {
        let kind = if needed { json!("string") } else { json!(["string", "null"]) };
        match longest {
            Some(longest) => json!({ "type": kind, "maxLength": longest }),
            None => json!({ "type": kind }),
        }
    };
    let key = |name: &str, needed: bool| match name {
        "value" => json!({ "type": ["number", "null"], "description": "In `unit`; null removes the limit." }),
        "limit" => json!({ "enum": ["warning-high", "alarm-high", "warning-low", "alarm-low"] }),
        "verdict" => json!({ "enum": ["confirmed", "not-confirmed", "other"] }),
        "kind" => text(Some(LONGEST_NAME), needed),
        "for" => json!({ "type": "string", "examples": ["8 h", "30 min", "2 d"] }),
        _ => text(None, needed),
    };
    let form = |action: ActionName| {
        let mut properties = Map::new();
        properties.insert("action".into(), json!({ "const": action.name() }));
        let by =
            json!({ "type": "string", "maxLength": LONGEST_NAME, "pattern": "\\S", "description": "A person's name." });
        properties.insert("by".into(), by);
        properties.insert("note".into(), text(Some(LONGEST_NOTE), false));
        let mut reply_to = text(Some(usize::from(u16::MAX)), false);
        reply_to["pattern"] = "^[^$+#\\u0000-\\u001f\\u007f-\\u009f][^+#\\u0000-\\u001f\\u007f-\\u009f]*$".into();
        reply_to["description"] = "Topic the reply goes to; with MQTT 5 the response topic serves as well.".into();
        properties.insert("reply_to".into(), reply_to);
        for name in action.takes() {
            properties.insert((*name).into(), key(name, action.needs().contains(name)));
        }
        let required: Vec<&str> = ["action", "by"].into_iter().chain(action.needs().iter().copied()).collect();
        json!({ "type": "object", "properties": properties, "required": required, "additionalProperties": false })
    };
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "roundsman.command",
        "description": "What a person asks of us about an asset. A key nobody knows, or one that does not belong to the \
                        action, refuses the whole command.",
        "oneOf": ActionName::ALL.map(form),
    })
}

/// What is published to a command's reply topic.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Reply {
    /// Site name.
    pub site: String,
    /// Asset name, as the command's topic or the registry has it.
    pub asset: String,
    /// Stream time the command was taken in.
    #[serde(with = "forms::time")]
    pub at: EventTime,
    /// What was asked for; `null` when the command could not be read.
    pub action: Option<String>,
    /// Who asked; `null` when the command could not be read.
    pub by: Option<String>,
    /// `true` when it was carried out.
    pub accepted: bool,
    /// What was done, or why not.
    pub message: String,
}

impl Document for Reply {
    const SCHEMA: &'static str = "roundsman.command-reply/1";
}

impl Reply {
    /// To a command the engine carried out or refused.
    pub fn answer(
        site: &str,
        asset: &str,
        at: EventTime,
        command: &Command,
        outcome: &Result<String, String>,
    ) -> Reply {
        let (Ok(message) | Err(message)) = outcome;
        Reply {
            site: site.to_owned(),
            asset: asset.to_owned(),
            at,
            action: Some(action_name(&command.action).to_owned()),
            by: Some(command.by.clone()),
            accepted: outcome.is_ok(),
            message: message.clone(),
        }
    }

    /// To a payload that is no command.
    pub fn unreadable(site: &str, asset: &str, at: EventTime, fault: &CommandFault) -> Reply {
        Reply {
            site: site.to_owned(),
            asset: asset.to_owned(),
            at,
            action: None,
            by: None,
            accepted: false,
            message: fault.reason.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reason(payload: &str) -> String {
        parse(payload.as_bytes()).expect_err(payload).reason
    }

    #[test]
    fn every_action_is_read() {
        let alert = Some("n/p/machine/3".to_owned());
        for (payload, action) in [
            (r#"{"action":"acknowledge","by":"A"}"#, Action::Acknowledge { alert: None }),
            (
                r#"{"action":"acknowledge","by":"A","alert":"n/p/machine/3"}"#,
                Action::Acknowledge { alert: alert.clone() },
            ),
            (r#"{"action":"shelve","by":"A","for":"8 h"}"#, Action::Shelve { alert: None, secs: 28_800.0 }),
            (r#"{"action":"unshelve","by":"A","alert":"n/p/machine/3"}"#, Action::Unshelve { alert }),
            (r#"{"action":"out-of-service","by":"A"}"#, Action::OutOfService),
            (r#"{"action":"return-to-service","by":"A"}"#, Action::ReturnToService),
            (r#"{"action":"relearn","by":"A"}"#, Action::Relearn),
            (r#"{"action":"capture","by":"A"}"#, Action::Capture),
            (
                r#"{"action":"set-limit","by":"A","point":"de","limit":"alarm-low","value":null}"#,
                Action::SetLimit { point: "de".into(), limit: LimitName::AlarmLow, value: None },
            ),
            (
                r#"{"action":"finding","by":"A","alert":"n/p/machine/3","verdict":"not-confirmed","kind":"new product"}"#,
                Action::Finding {
                    alert: "n/p/machine/3".into(),
                    verdict: Verdict::NotConfirmed,
                    kind: Some("new product".into()),
                },
            ),
        ] {
            let incoming = parse(payload.as_bytes()).expect(payload);
            assert_eq!(incoming.command, Command { by: "A".into(), note: None, reply_to: None, action });
            assert!(payload.contains(&format!("\"{}\"", action_name(&incoming.command.action))));
        }
    }

    #[test]
    fn note_unit_and_reply_topic_come_along_and_the_name_is_trimmed() {
        let incoming = parse(
            br#"{"action":"set-limit","by":" A. B. ","note":"n","reply_to":"x/y","point":"de","limit":"warning-high",
                "value":0.28,"unit":"in/s"}"#,
        )
        .expect("complete");
        assert_eq!((incoming.command.by.as_str(), incoming.command.note.as_deref()), ("A. B.", Some("n")));
        assert_eq!((incoming.unit.as_deref(), incoming.reply_to.as_deref()), (Some("in/s"), Some("x/y")));
    }

    #[test]
    fn a_refusal_names_every_fault_at_once() {
        let got = reason(r#"{"action":"acknowledge","by":" ","for":"8 h","value":null,"reply_to":"a/#"}"#);
        for part in ["`for` does not belong", "`value` does not belong", "`by` must be", "`reply_to` \"a/#\""] {
            assert!(got.contains(part), "{part} in {got}");
        }
        let got = reason(r#"{"action":"finding","by":"A","for":"8 h"}"#);
        for part in ["needs `alert`", "needs `verdict`", "`for` does not belong"] {
            assert!(got.contains(part), "{part} in {got}");
        }
        let got = reason(r#"{"action":"set-limit","by":"A"}"#);
        for part in ["`point`", "`limit`", "`value` (null removes"] {
            assert!(got.contains(part), "{part} in {got}");
        }
    }

    #[test]
    fn what_nobody_knows_is_refused_by_name() {
        assert!(reason(r#"{"action":"shelve","by":"A","fro":"8 h"}"#).contains("unknown field `fro`"));
        let got = reason(r#"{"action":"ack","by":"A"}"#);
        assert!(got.contains("unknown variant `ack`") && got.contains("`acknowledge`"), "{got}");
        assert!(reason(r#"{"action":"relearn"}"#).contains("missing field `by`"));
        assert!(reason(r#"{"action":"shelve","by":"A"}"#).contains("needs `for`"));
        assert!(
            reason(r#"{"action":"set-limit","by":"A","point":"d","limit":"alarm-high","value":"7"}"#).contains("f64")
        );
        for payload in ["", "null", "[]", "acknowledge", "\u{0}"] {
            reason(payload);
        }
        assert!(parse(&[0xff, 0xfe]).is_err());
        assert!(parse(&vec![b' '; 9000]).expect_err("too long").reason.contains("9000 bytes"));
    }

    #[test]
    fn a_refusal_can_be_answered_when_the_reply_topic_was_readable() {
        let fault = parse(br#"{"action":"ack","reply_to":"panel/3"}"#).expect_err("no such action");
        assert_eq!(fault.reply_to.as_deref(), Some("panel/3"));
        let fault = parse(br#"{"action":"ack","reply_to":"panel/#"}"#).expect_err("no such action");
        assert_eq!(fault.reply_to, None);
        let reply = Reply::unreadable("n", "p", EventTime(0), &fault);
        assert!(!reply.accepted && reply.message.contains("`ack`"));
    }

    #[test]
    fn times_are_read_as_people_write_them() {
        for (text, secs) in [
            ("8 h", 28_800.0),
            ("30 min", 1800.0),
            ("2 d", 172_800.0),
            ("90s", 90.0),
            ("1 h 30 min", 5400.0),
            ("1.5 h", 5400.0),
            ("1 week", 604_800.0),
            ("PT8H", 28_800.0),
        ] {
            assert_eq!(duration_secs(text), Ok(secs), "{text}");
        }
        for text in ["", "8", "h", "0 h", "-8 h", "8 h ago", "1 month", "NaN h", "for ever"] {
            let fault = duration_secs(text).expect_err(text);
            assert!(fault.contains("such as \"8 h\""), "{fault}");
        }
    }

    #[test]
    fn a_reply_says_who_asked_for_what_and_reads_back() {
        let command = Command { by: "A".into(), note: None, reply_to: None, action: Action::Relearn };
        let reply = Reply::answer("n", "p", EventTime(1_000), &command, &Err("still learning".into()));
        let text = reply.to_json();
        assert!(text.starts_with(r#"{"schema":"roundsman.command-reply/1","site":"n","asset":"p","at":"1970-01-01T00:00:00.001Z","action":"relearn","by":"A","accepted":false"#), "{text}");
        assert_eq!(Reply::from_json(&text).expect("our own"), reply);
    }
}
