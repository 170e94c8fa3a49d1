//! An alert in the envelope of CloudEvents 1.0, structured mode in JSON.
//!
//! Structured and not binary, because MQTT 3.1.1 has no place for attributes beside the payload (the MQTT binding, section
//! 3.1, knows the structured mode only there), and one form for both versions is one form less to go wrong. The alert's
//! document is `data`, unchanged, so who unpacks it reads what the README describes.
//!
//! | attribute | from |
//! |---|---|
//! | `id` | the alert's id, revision and time: what is sent again has the same one |
//! | `source` | the folder our documents are published in, as a path |
//! | `type` | `roundsman.alert.` and what happened: `raised`, `acknowledged`, … |
//! | `subject` | the asset |
//! | `time` | event time of the transition |
//! | `dataschema` | name and version of the document's form |
//! | `severity` | an extension, so that a router need not look into `data` |
//!
//! Source: CloudEvents specification 1.0.2, sections 2 and 3; JSON event format 1.0.2, section 3.

use super::document::{Alert, Document};
use super::forms;
use serde::Serialize;
use serde_json::value::RawValue;
use std::fmt::Write;

#[derive(Serialize)]
struct Envelope<'a> {
    specversion: &'static str,
    id: String,
    source: String,
    r#type: String,
    subject: &'a str,
    time: String,
    datacontenttype: &'static str,
    dataschema: String,
    severity: serde_json::Value,
    data: &'a RawValue,
}

/// One line of JSON. `folder`: where our documents are published, without a `/` at its end.
pub fn wrap(alert: &Alert, folder: &str) -> String {
    let document = alert.to_json();
    let time = forms::rfc3339(alert.at);
    // Plain data with string keys, as for the document itself: there is nothing to fail, and then the document is said bare.
    let Ok(data) = RawValue::from_string(document.clone()) else { return document };
    let word = |value: serde_json::Result<serde_json::Value>| value.unwrap_or_default();
    let change = word(serde_json::to_value(alert.change));
    let envelope = Envelope {
        specversion: "1.0",
        id: format!("{}/{}/{time}", alert.id, alert.revision),
        source: path(folder),
        r#type: format!("roundsman.alert.{}", change.as_str().unwrap_or("changed")),
        subject: &alert.asset,
        datacontenttype: "application/json",
        dataschema: schema_uri(Alert::SCHEMA),
        severity: word(serde_json::to_value(alert.severity)),
        time,
        data: &data,
    };
    serde_json::to_string(&envelope).unwrap_or(document)
}

/// `roundsman.alert/1` as a URI.
fn schema_uri(schema: &str) -> String {
    format!("urn:roundsman:schema:{}", schema.replace('/', ":"))
}

/// A folder of topics as the path of a URI reference (RFC 3986, section 3.3): what is no letter, digit or one of `-._~`
/// is escaped, `/` stays.
fn path(folder: &str) -> String {
    let mut path = String::from("/");
    for byte in folder.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => path.push(byte.into()),
            // Writing to a String cannot fail.
            other => drop(write!(path, "%{other:02X}")),
        }
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::document::tests::alert;

    #[test]
    fn the_document_is_inside_unchanged_and_the_attributes_are_strings() {
        let alert = alert();
        let event: serde_json::Value = serde_json::from_str(&wrap(&alert, "plant/site 1/ä")).expect("JSON");
        for required in ["specversion", "id", "source", "type", "subject", "time", "datacontenttype", "dataschema"] {
            assert!(event[required].as_str().is_some_and(|text| !text.is_empty()), "{required}: {event:#}");
        }
        assert_eq!(event["source"], "/plant/site%201/%C3%A4");
        assert_eq!(
            event["data"].to_string(),
            serde_json::from_str::<serde_json::Value>(&alert.to_json()).expect("JSON").to_string()
        );
        // CloudEvents 1.0.2, section 3.1: lower-case letters and digits.
        let names = event.as_object().expect("an object").keys();
        for name in names {
            assert!(name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit()), "{name}");
        }
    }

    #[test]
    fn two_transitions_have_two_ids_and_one_said_again_has_the_same() {
        let first = alert();
        let mut second = first.clone();
        second.revision += 1;
        let id = |alert: &Alert| {
            let event: serde_json::Value = serde_json::from_str(&wrap(alert, "r/s")).expect("JSON");
            event["id"].as_str().expect("text").to_owned()
        };
        assert_ne!(id(&first), id(&second));
        assert_eq!(id(&first), id(&first.clone()));
    }
}
