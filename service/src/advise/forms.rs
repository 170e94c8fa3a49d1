//! How times and numbers look in a document: for people in JSON, to the last bit in a binary format.
//!
//! Each form is a type, so that one name in `#[serde(with)]` gives the writing, the reading and the schema.
#![allow(non_camel_case_types, reason = "written in `#[serde(with)]`, where a module's name is expected")]

use super::document::Finding;
use jiff::Timestamp;
use roundsman_models::EventTime;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;

/// RFC 3339 in UTC: milliseconds, or microseconds when there are any. A time jiff cannot hold (beyond the years
/// −9999 and 9999) shows as the nearest it can.
pub fn rfc3339(at: EventTime) -> String {
    let nearest = if at.0 < 0 { Timestamp::MIN } else { Timestamp::MAX };
    let stamp = Timestamp::from_microsecond(at.0).unwrap_or(nearest);
    if at.0 % 1000 == 0 { format!("{stamp:.3}") } else { format!("{stamp:.6}") }
}

/// The other way. Finer than a microsecond is cut off.
pub fn parse_rfc3339(text: &str) -> Result<EventTime, jiff::Error> {
    Ok(EventTime(text.parse::<Timestamp>()?.as_microsecond()))
}

/// Six significant digits. What is not finite stays so.
pub fn rounded(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    // Through text: decimal rounding by multiplication leaves digits of its own behind.
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// The JSON of a [`Finding`].
#[derive(Serialize, Deserialize)]
pub(crate) struct FindingForm {
    about: About,
    point: Option<String>,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum About {
    Machine,
    Sensor,
    Silence,
}

impl From<Finding> for FindingForm {
    fn from(finding: Finding) -> Self {
        match finding {
            Finding::Machine => Self { about: About::Machine, point: None },
            Finding::Sensor(point) => Self { about: About::Sensor, point: Some(point) },
            Finding::Silence => Self { about: About::Silence, point: None },
        }
    }
}

impl TryFrom<FindingForm> for Finding {
    type Error = &'static str;

    fn try_from(form: FindingForm) -> Result<Self, Self::Error> {
        match (form.about, form.point) {
            (About::Machine, None) => Ok(Finding::Machine),
            (About::Silence, None) => Ok(Finding::Silence),
            (About::Sensor, Some(point)) => Ok(Finding::Sensor(point)),
            (About::Sensor, None) => Err("a finding about a sensor names its point"),
            (_, Some(_)) => Err("only a finding about a sensor names a point"),
        }
    }
}

/// The schema of a type that stands for a form: one JSON Schema object, inlined where it is used.
macro_rules! form_schema {
    ($form:ident, $schema:tt) => {
        impl JsonSchema for $form {
            fn inline_schema() -> bool {
                true
            }
            fn schema_name() -> Cow<'static, str> {
                stringify!($form).into()
            }
            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!($schema)
            }
        }
    };
}

/// `#[serde(with)]` of an [`EventTime`].
pub(crate) enum time {}

impl time {
    pub(crate) fn serialize<S: Serializer>(at: &EventTime, to: S) -> Result<S::Ok, S::Error> {
        if to.is_human_readable() { to.serialize_str(&rfc3339(*at)) } else { at.serialize(to) }
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<EventTime, D::Error> {
        if from.is_human_readable() {
            parse_rfc3339(&String::deserialize(from)?).map_err(D::Error::custom)
        } else {
            EventTime::deserialize(from)
        }
    }
}

form_schema!(time, { "type": "string", "format": "date-time" });

/// `#[serde(with)]` of an `Option<EventTime>`.
pub(crate) enum optional_time {}

#[derive(Serialize, Deserialize)]
struct Time(#[serde(with = "time")] EventTime);

impl optional_time {
    pub(crate) fn serialize<S: Serializer>(at: &Option<EventTime>, to: S) -> Result<S::Ok, S::Error> {
        at.map(Time).serialize(to)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<EventTime>, D::Error> {
        Ok(Option::<Time>::deserialize(from)?.map(|time| time.0))
    }
}

form_schema!(optional_time, { "type": ["string", "null"], "format": "date-time" });

/// `#[serde(with)]` of an `f64`; not finite is `null`, and `null` is NaN.
pub(crate) enum number {}

impl number {
    pub(crate) fn serialize<S: Serializer>(value: &f64, to: S) -> Result<S::Ok, S::Error> {
        if !to.is_human_readable() {
            to.serialize_f64(*value)
        } else if value.is_finite() {
            to.serialize_f64(rounded(*value))
        } else {
            to.serialize_none()
        }
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
        if from.is_human_readable() {
            Ok(Option::<f64>::deserialize(from)?.unwrap_or(f64::NAN))
        } else {
            f64::deserialize(from)
        }
    }
}

form_schema!(number, { "type": ["number", "null"] });

/// `#[serde(with)]` of an `Option<f64>`; not finite is `null`.
pub(crate) enum optional_number {}

impl optional_number {
    pub(crate) fn serialize<S: Serializer>(value: &Option<f64>, to: S) -> Result<S::Ok, S::Error> {
        if to.is_human_readable() {
            value.filter(|v| v.is_finite()).map(rounded).serialize(to)
        } else {
            value.serialize(to)
        }
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
        Option::deserialize(from)
    }
}

form_schema!(optional_number, { "type": ["number", "null"] });

/// `#[serde(with)]` of pairs (point, status): a list of objects with those keys.
pub(crate) enum sensor_faults {}

#[derive(Serialize, Deserialize)]
struct SensorFault {
    point: String,
    status: String,
}

impl sensor_faults {
    pub(crate) fn serialize<S: Serializer>(pairs: &[(String, String)], to: S) -> Result<S::Ok, S::Error> {
        to.collect_seq(pairs.iter().map(|(point, status)| SensorFault { point: point.clone(), status: status.clone() }))
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<(String, String)>, D::Error> {
        Ok(Vec::<SensorFault>::deserialize(from)?.into_iter().map(|fault| (fault.point, fault.status)).collect())
    }
}

form_schema!(sensor_faults, {
    "type": "array",
    "items": {
        "type": "object",
        "properties": { "point": { "type": "string" }, "status": { "type": "string" } },
        "required": ["point", "status"],
    },
});

form_schema!(FindingForm, {
    "type": "object",
    "oneOf": [
        { "properties": { "about": { "enum": ["machine", "silence"] }, "point": { "type": "null" } } },
        { "properties": { "about": { "const": "sensor" }, "point": { "type": "string" } } },
    ],
    "required": ["about", "point"],
});
/// A unit variant in the spelling of the documents.
pub fn word(value: &impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        Ok(other) => other.to_string(),
        Err(error) => error.to_string(),
    }
}
