//! What a payload looks like: which of the formats reads it, and where in it things are.

use crate::acquire::payload::time;
use crate::acquire::payload::{Codec, Format, TimeFormat, decode};
use crate::acquire::topics::TopicNames;
use crate::acquire::waveform::{self, Limits};
use roundsman_models::EventTime;
use serde_json::Value;

/// Keys that hold a time, as devices write them.
const TIMES: [&str; 8] = ["t", "ts", "time", "timestamp", "datetime", "at", "date", "utc"];
/// Keys that hold the one value of a payload.
const VALUES: [&str; 5] = ["v", "value", "val", "reading", "measurement"];
/// Keys that hold its unit.
const UNITS: [&str; 5] = ["u", "unit", "units", "uom", "eu"];
/// Keys that hold its quality.
const QUALITIES: [&str; 3] = ["q", "quality", "qual"];
/// A number below this is no time since 1970: 1989 in seconds.
const EARLIEST_SECS: f64 = 6e8;

/// A form of payload.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Shape {
    /// A number, perhaps with its unit behind it.
    Number,
    /// JSON.
    Json(JsonShape),
    /// SenML; whether its names hold the asset too.
    Senml { names_hold_asset: bool },
    /// A waveform.
    Waveform,
}

/// Where things are in a JSON object.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct JsonShape {
    pub(super) points: JsonPoints,
    pub(super) time: Option<String>,
    pub(super) unit: Option<String>,
    pub(super) quality: Option<String>,
}

/// Which values there are.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum JsonPoints {
    /// One, at this pointer.
    One(String),
    /// Every number of the object at this pointer.
    All(String),
}

impl Shape {
    /// Whether one payload holds several points, so that the topic need not name any.
    pub(super) fn is_several(&self) -> bool {
        match self {
            Self::Senml { .. } => true,
            Self::Json(json) => matches!(json.points, JsonPoints::All(_)),
            Self::Number | Self::Waveform => false,
        }
    }
}

/// Whether it is a document of this program, under whatever topic.
pub(super) fn is_ours(payload: &[u8]) -> bool {
    let document = serde_json::from_slice::<Value>(payload).ok();
    document.is_some_and(|d| d["schema"].as_str().is_some_and(|name| name.starts_with("roundsman.")))
}

/// The shape of a payload, or why it has none we read.
pub(super) fn of(payload: &[u8]) -> Result<Shape, &'static str> {
    if payload.is_empty() {
        return Err("an empty payload");
    }
    if is_number(payload) {
        return Ok(Shape::Number);
    }
    if waveform::decode(payload, &Limits::default()).is_ok() {
        return Ok(Shape::Waveform);
    }
    match serde_json::from_slice::<Value>(payload) {
        Ok(Value::Array(records)) => senml(&records),
        Ok(Value::Object(_)) => object(payload),
        Ok(_) => Err("JSON that is no object and no number"),
        Err(_) => Err("no number, no JSON and no waveform"),
    }
}

fn is_number(payload: &[u8]) -> bool {
    let codec = Codec {
        format: Format::Number,
        unit: None,
        time: TimeFormat::default(),
        zone: None,
        max_bytes: 256,
        max_values: 1,
    };
    let names = TopicNames { area: None, asset: Some("a".into()), point: Some("p".into()) };
    decode(&codec, &names, payload, EventTime(0), &mut Vec::new()).is_ok()
}

/// An array of records with at least one name and one value.
fn senml(records: &[Value]) -> Result<Shape, &'static str> {
    let has = |keys: &[&str]| records.iter().any(|r| keys.iter().any(|key| r.get(key).is_some()));
    if !(has(&["n", "bn"]) && has(&["v", "bv", "vb", "s"])) {
        return Err("a JSON array that is no SenML");
    }
    let base = records.iter().find_map(|r| r.get("bn")?.as_str()).unwrap_or_default();
    let name = records.iter().find_map(|r| r.get("n")?.as_str()).unwrap_or_default();
    Ok(Shape::Senml { names_hold_asset: format!("{base}{name}").contains('/') })
}

fn object(payload: &[u8]) -> Result<Shape, &'static str> {
    let Ok(Value::Object(whole)) = serde_json::from_slice(payload) else { return Err("no JSON object") };
    let one_of = |keys: &[&str], fits: &dyn Fn(&Value) -> bool| {
        let mut fitting =
            whole.iter().filter(|(key, value)| keys.contains(&key.to_lowercase().as_str()) && fits(value));
        fitting.next().map(|(key, _)| pointer("", key))
    };
    let time = one_of(&TIMES, &is_time);
    let unit = one_of(&UNITS, &Value::is_string);
    let quality = one_of(&QUALITIES, &|q| q.is_string() || q.is_number() || q.is_boolean());
    let taken = |path: &String| [&time, &quality].into_iter().flatten().any(|other| other == path);
    if let Some(value) = one_of(&VALUES, &Value::is_number) {
        return Ok(Shape::Json(JsonShape { points: JsonPoints::One(value), time, unit, quality }));
    }
    let numbers = |map: &serde_json::Map<String, Value>, under: &str| {
        map.iter().filter(|(key, v)| v.is_number() && !taken(&pointer(under, key))).count()
    };
    // The numbers of the object itself, else those of the member that has most of them.
    let top = numbers(&whole, "");
    if top > 0 {
        return Ok(Shape::Json(JsonShape { points: JsonPoints::All(String::new()), time, unit, quality }));
    }
    let inner = whole.iter().filter_map(|(key, value)| Some((key, numbers(value.as_object()?, &pointer("", key)))));
    match inner.max_by_key(|(_, count)| *count).filter(|(_, count)| *count > 0) {
        Some((key, _)) => {
            let points = JsonPoints::All(pointer("", key));
            Ok(Shape::Json(JsonShape { points, time, unit, quality }))
        }
        None => Err("a JSON object without a number to be found"),
    }
}

fn is_time(value: &Value) -> bool {
    match value {
        // Local times without an offset are times too; the zone is for a person to set.
        Value::String(text) => time::from_text(text, TimeFormat::Auto, Some(&jiff::tz::TimeZone::UTC))
            .is_ok_and(|at| at.0 as f64 >= 1e6 * EARLIEST_SECS),
        Value::Number(number) => number.as_f64().is_some_and(|number| number >= EARLIEST_SECS),
        _ => false,
    }
}

/// A JSON Pointer to a member (RFC 6901).
fn pointer(under: &str, key: &str) -> String {
    format!("{under}/{}", key.replace('~', "~0").replace('/', "~1"))
}
