//! A configuration as it is recorded in the journal: everything that decides what the engine makes of a message.
//!
//! What connects us and where we keep things is left out: it changes no document, and it is where passwords are. One setting
//! of `[broker]` is no such thing: `clock` decides which readings' times are believed, and is recorded apart.
//! The order of the file is kept, because the order of points is part of what is learned.

use super::layers::ENV_PREFIX;
use super::{Beside, Checked, Fault, Sources, from_layers, zone_names};
use crate::acquire::mqtt::backoff::fnv1a;
use crate::acquire::mqtt::settings::Clock;
use config::{Map, Value, ValueKind};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

/// Tables that decide nothing about a reading.
const LEFT_OUT: [&str; 10] =
    ["broker", "state", "http", "mail", "historian", "journal", "audit", "service", "page", "users"];

/// The layers, weakest first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Recorded {
    /// TOML.
    file: String,
    env: Vec<(String, String)>,
    set: Vec<String>,
    /// Texts of the past cases that forecasts rested on; absent without a folder of them, and before they were recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    histories: Option<Vec<String>>,
    /// `broker.clock`; absent without a `[broker]`, and in what was recorded before it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    clock: Option<Clock>,
}

/// Puts the layers into one line of JSON. `file`: the file's values in its order.
pub(super) fn record(
    file: &Map<String, Value>,
    sources: &Sources<'_>,
    histories: Option<&[String]>,
    clock: Option<Clock>,
) -> String {
    let stays = |table: &str| !LEFT_OUT.contains(&table.trim().trim_matches('"').to_lowercase().as_str());
    let mut text = String::new();
    for (key, value) in file.iter().filter(|(key, _)| stays(key)) {
        quote(key, &mut text);
        text.push_str(" = ");
        emit(value, &mut text);
        text.push('\n');
    }
    let table_of = |name: &str| name.get(ENV_PREFIX.len()..).and_then(|rest| rest.split("__").next()).map(stays);
    let mut env: Vec<_> = (sources.env.iter())
        .filter(|(name, _)| name.starts_with(ENV_PREFIX) && table_of(name) == Some(true))
        .cloned()
        .collect();
    env.sort();
    let set = sources.set.iter().filter(|set| set.split(['.', '=']).next().is_some_and(stays)).cloned().collect();
    serde_json::to_string(&Recorded { file: text, env, set, histories: histories.map(<[String]>::to_vec), clock })
        .unwrap_or_default()
}

/// Reads a recorded configuration again. `set` stands over it.
///
/// # Errors
/// It is of another version and has faults today.
pub fn from_recorded(recorded: &str, set: &[String]) -> Result<Checked, Vec<Fault>> {
    let layers: Recorded = serde_json::from_str(recorded).map_err(|error| {
        vec![Fault { path: NAME.into(), rule: format!("must be JSON: {error}"), got: None, origin: None }]
    })?;
    let set: Vec<String> = layers.set.into_iter().chain(set.iter().cloned()).collect();
    let sources =
        Sources { file: Some(Path::new(NAME)), env: layers.env, set: &set, zones: zone_names(), ..Sources::default() };
    from_layers(Some(&layers.file), &sources, Beside { histories: layers.histories.as_deref(), clock: layers.clock })
}

/// The same configuration under another clock, for a change of it that waits for a restart.
pub(crate) fn under_clock(recorded: &str, clock: Option<Clock>) -> Option<String> {
    let layers: Recorded = serde_json::from_str(recorded).ok()?;
    serde_json::to_string(&Recorded { clock, ..layers }).ok()
}

/// Stands for the file where a recorded configuration is read.
pub(super) const NAME: &str = "the recorded configuration";

/// Every setting by its path with a hash of its value: enough to say which changed, and no place for a password to be
/// seen.
pub(super) fn fingerprints(map: &Map<String, Value>) -> BTreeMap<String, u64> {
    let mut found = BTreeMap::new();
    for (key, value) in map {
        gather(key.clone(), value, &mut found);
    }
    found
}

fn gather(path: String, value: &Value, found: &mut BTreeMap<String, u64>) {
    match &value.kind {
        ValueKind::Table(map) => {
            for (key, value) in map {
                gather(format!("{path}.{key}"), value, found);
            }
        }
        _ => {
            let mut text = String::new();
            emit(value, &mut text);
            found.insert(path, fnv1a(text.as_bytes()));
        }
    }
}

/// A value as TOML on one line.
fn emit(value: &Value, text: &mut String) {
    match &value.kind {
        // Writing to a String cannot fail.
        ValueKind::Boolean(truth) => drop(write!(text, "{truth}")),
        ValueKind::I64(n) => drop(write!(text, "{n}")),
        ValueKind::I128(n) => drop(write!(text, "{n}")),
        ValueKind::U64(n) => drop(write!(text, "{n}")),
        ValueKind::U128(n) => drop(write!(text, "{n}")),
        // The shortest digits that give the same bits again, and always with a point or an exponent.
        ValueKind::Float(number) => drop(write!(text, "{number:?}")),
        ValueKind::String(content) => quote(content, text),
        ValueKind::Nil => text.push_str("\"\""),
        ValueKind::Array(items) => {
            text.push('[');
            for (place, item) in items.iter().enumerate() {
                text.push_str(if place == 0 { "" } else { ", " });
                emit(item, text);
            }
            text.push(']');
        }
        ValueKind::Table(map) => {
            text.push_str("{ ");
            for (place, (key, value)) in map.iter().enumerate() {
                text.push_str(if place == 0 { "" } else { ", " });
                quote(key, text);
                text.push_str(" = ");
                emit(value, text);
            }
            text.push_str(" }");
        }
    }
}

/// A basic string of TOML 1.0.
fn quote(content: &str, text: &mut String) {
    text.push('"');
    for c in content.chars() {
        match c {
            '"' => text.push_str("\\\""),
            '\\' => text.push_str("\\\\"),
            c if c.is_control() => drop(write!(text, "\\u{:04X}", u32::from(c))),
            c => text.push(c),
        }
    }
    text.push('"');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::from_text;

    const FILE: &str = r#"
        [site]
        name = "s"
        [broker]
        url = "mqtt://secret-host"
        [[topics]]
        pattern = "plant/{asset}/{point}"
        payload = { format = "json", value = "/v", good = ["ok", 192] }
        [assets."pump 7".points]
        zeta = { unit = "mm/s rms", alarm_high = 7.25 }
        alpha = { range = [-20, 150], unit = "degC" }
        [assets.odd.points]
        "quote\" and back\\slash" = { unit = "bar" }
    "#;

    #[test]
    fn it_reads_back_as_it_was_in_its_order_and_without_what_is_nobodys_business() {
        let set = ["learn.run_time=400s".to_owned(), "broker.url=mqtt://other".to_owned()];
        let env = vec![
            ("ROUNDSMAN__DETECT__ADVISORY_SIGMAS".to_owned(), "4.5".to_owned()),
            ("ROUNDSMAN__BROKER__USERNAME".to_owned(), "mallory".to_owned()),
            ("PATH".to_owned(), "/bin".to_owned()),
        ];
        let sources = Sources { env, set: &set, zones: zone_names(), needs_broker: true, ..Sources::default() };
        let first = from_text(Some(FILE), &sources).expect("no faults");
        let recorded = first.recorded.clone().expect("recorded");
        for gone in ["secret-host", "mallory", "other", "/bin"] {
            assert!(!recorded.contains(gone), "{gone} in {recorded}");
        }
        let again = from_recorded(&recorded, &[]).expect("no faults");
        assert_eq!(again.recorded.as_ref(), Some(&recorded), "a fixed point");
        assert_eq!(again.settings, first.settings);
        assert_eq!(again.settings.learn.run_time_secs, 400.0);
        assert_eq!(again.settings.detect.advisory_sigmas, Some(4.5));
        let points = |config: &Checked| -> Vec<String> {
            config.assets.iter().flat_map(|asset| asset.points.iter().map(|p| format!("{:?}", p.spec))).collect()
        };
        assert_eq!(points(&again), points(&first));
        assert!(points(&again)[0].contains("zeta"), "the order of the file: {:?}", points(&again));
        let over = from_recorded(&recorded, &["learn.run_time=500s".to_owned()]).expect("no faults");
        assert_eq!(over.settings.learn.run_time_secs, 500.0);
        assert!(from_recorded("{", &[]).is_err());
    }

    /// Whether a time far ahead is believed hangs on it: a recovery and a replay must know.
    #[test]
    fn the_clock_is_recorded_though_the_broker_is_not() {
        for (line, want) in [("", Clock::Wall), ("clock = \"stream\"", Clock::Stream)] {
            let text = FILE.replace("[broker]", &format!("[broker]\n{line}"));
            let first =
                from_text(Some(&text), &Sources { zones: zone_names(), ..Sources::default() }).expect("no faults");
            assert_eq!(first.clock(), Some(want));
            let recorded = first.recorded.expect("recorded");
            let again = from_recorded(&recorded, &[]).expect("no faults");
            assert_eq!((again.clock(), again.broker.is_none()), (Some(want), true));
            assert_eq!(again.recorded.as_ref(), Some(&recorded), "a fixed point");
            let other = under_clock(&recorded, Some(Clock::Wall)).expect("ours");
            assert_eq!(from_recorded(&other, &[]).expect("no faults").clock(), Some(Clock::Wall));
        }
        let of_before = r#"{"file":"\"site\" = { \"name\" = \"s\" }\n","env":[],"set":[]}"#;
        assert_eq!(from_recorded(of_before, &[]).expect("no faults").clock(), None, "not known");
    }
}
