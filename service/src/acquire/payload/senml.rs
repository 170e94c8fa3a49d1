//! SenML, RFC 8428, in JSON or in CBOR: packs of records with base fields and relative times.
//!
//! Units are SenML's: `g` is gram there, `/` is a ratio. String and data values are no readings; a record with a
//! sum only is passed over, because a sum is a counter and not a value.

use super::time::{self, TimeFormat, short};
use super::{Codec, Decoded, MAX_UNIT_BYTES, Quality, Refusal, Rejection, Sink, TopicNames, senml_cbor};
use crate::acquire::registry::MAX_NAME_BYTES;
use roundsman_models::EventTime;
use serde_json::{Map, Value};
use std::borrow::Cow;

/// How a record's resolved name (base name and name) becomes names of ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NameRule {
    /// It is the point; the topic names the asset.
    Point,
    /// What is behind the last `/` or `:` is the point, what is before it (from its own last `/` on) the asset.
    AssetAndPoint,
}

/// The highest SenML version we read; RFC 9100 makes higher ones sets of features we do not know.
const VERSION: u64 = 10;

/// Times below this are relative to now (RFC 8428, section 4.5.3).
const RELATIVE_BELOW_SECS: f64 = 268_435_456.0;

/// Longest resolved name: asset, point and what stands before them.
const LONGEST_NAME: usize = 4 * MAX_NAME_BYTES;

#[derive(Default)]
struct Base<'v> {
    name: &'v str,
    time: f64,
    unit: Option<&'v str>,
    value: Option<f64>,
}

pub(super) fn decode<'a>(
    rule: NameRule,
    codec: &'a Codec,
    names: &TopicNames<'a>,
    payload: &[u8],
    received: EventTime,
    out: &mut Vec<Decoded<'a>>,
) -> Result<(), Refusal> {
    let pack = if senml_cbor::is_pack(payload) {
        senml_cbor::read(payload)
    } else {
        serde_json::from_slice(payload).map_err(|error| format!("not JSON: {error}"))
    };
    let pack: Value = pack.map_err(|what| Refusal::new(Rejection::Unreadable, what, 1))?;
    let Value::Array(records) = &pack else {
        return Err(Refusal::unreadable("a SenML pack is an array"));
    };
    let mut base = Base::default();
    let mut sink = Sink::new(codec, out);
    for (i, record) in records.iter().enumerate() {
        let Value::Object(record) = record else {
            sink.refuse(Rejection::Unreadable, &format!("record {i} is no object"));
            continue;
        };
        if let Err(what) = base.take(record) {
            // What follows would resolve against a base we could not read.
            let lost = u32::try_from(records.len() - i).unwrap_or(u32::MAX);
            return Err(Refusal::new(Rejection::Unreadable, format!("record {i}: {what}"), lost));
        }
        match base.resolve(record, rule, codec, names, received) {
            Ok(Some(decoded)) if sink.has_room() => sink.push(decoded),
            Ok(_) => {}
            Err((reason, what)) => sink.refuse(reason, &format!("record {i}: {what}")),
        }
    }
    sink.done()
}

impl<'v> Base<'v> {
    fn take(&mut self, record: &'v Map<String, Value>) -> Result<(), String> {
        if let Some(label) = record.keys().find(|label| label.ends_with('_')) {
            return Err(format!("`{}` must be understood and is not", short(label)));
        }
        if let Some(version) = record.get("bver")
            && version.as_u64().is_none_or(|v| v > VERSION)
        {
            let version = version.to_string();
            return Err(format!("SenML version {} is not known, {VERSION} is the last that is", short(&version)));
        }
        if let Some(name) = record.get("bn") {
            self.name = name.as_str().ok_or("bn is no text")?;
        }
        if let Some(time) = record.get("bt") {
            self.time = time.as_f64().ok_or("bt is no number")?;
        }
        if let Some(unit) = record.get("bu") {
            self.unit = Some(unit.as_str().ok_or("bu is no text")?);
        }
        if let Some(value) = record.get("bv") {
            self.value = Some(value.as_f64().ok_or("bv is no number")?);
        }
        Ok(())
    }

    fn resolve<'a>(
        &self,
        record: &Map<String, Value>,
        rule: NameRule,
        codec: &'a Codec,
        names: &TopicNames<'a>,
        received: EventTime,
    ) -> Result<Option<Decoded<'a>>, (Rejection, String)> {
        let unreadable = |what: &str| (Rejection::Unreadable, what.to_owned());
        let value = match (record.get("v"), record.get("vb")) {
            (Some(Value::Number(number)), None) => {
                self.value.unwrap_or(0.0) + number.as_f64().ok_or_else(|| unreadable("v is no double"))?
            }
            (Some(Value::Null), None) => f64::NAN,
            (None, Some(Value::Bool(truth))) => f64::from(u8::from(*truth)),
            (None, None) if record.contains_key("vs") || record.contains_key("vd") => {
                return Err(unreadable("a string or data value is no reading"));
            }
            // Only base fields, or only a sum.
            (None, None) if record.contains_key("s") || !record.contains_key("n") => return Ok(None),
            (None, None) => return Err(unreadable("no value")),
            _ => return Err(unreadable("its value is not one number or one truth")),
        };
        // Before the parts are put together: a pack says its base name once, and each of its records would carry it.
        let own = record.get("n").and_then(Value::as_str).unwrap_or("");
        if self.name.len().saturating_add(own.len()) > LONGEST_NAME {
            return Err((Rejection::BadName, format!("its name is longer than {LONGEST_NAME} bytes")));
        }
        let name = match record.get("n") {
            None => self.name.to_owned(),
            Some(Value::String(name)) => [self.name, name].concat(),
            Some(_) => return Err(unreadable("n is no text")),
        };
        let (asset, point) = match rule {
            NameRule::Point => {
                let asset = names.asset.clone().ok_or_else(|| unreadable("the topic names no asset"))?;
                (asset, name)
            }
            NameRule::AssetAndPoint => {
                let cut = name
                    .rfind(['/', ':'])
                    .ok_or_else(|| unreadable(&format!("`{}` has no / or : between asset and point", short(&name))))?;
                let (before, point) = name.split_at(cut);
                let asset = before.rsplit('/').next().unwrap_or(before);
                (Cow::Owned(asset.to_owned()), point.get(1..).unwrap_or("").to_owned())
            }
        };
        let unit = match record.get("u") {
            Some(Value::String(unit)) => Some(unit.as_str()),
            Some(_) => return Err((Rejection::BadUnit, "u is no text".into())),
            None => self.unit,
        };
        let unit = match unit {
            Some(unit) if unit.len() > MAX_UNIT_BYTES => {
                let what = format!("the unit `{}` is longer than {MAX_UNIT_BYTES} bytes", short(unit));
                return Err((Rejection::BadUnit, what));
            }
            Some(unit) => Some(Cow::Owned(spelled(unit).to_owned())),
            None => codec.unit.as_deref().map(Cow::Borrowed),
        };
        let relative = match record.get("t") {
            None => 0.0,
            Some(time) => time.as_f64().ok_or_else(|| (Rejection::BadTime, "t is no number".to_owned()))?,
        };
        let secs = self.time + relative;
        let at = if secs < RELATIVE_BELOW_SECS {
            received.plus_secs(secs)
        } else {
            time::from_number(secs, TimeFormat::Seconds).map_err(|what| (Rejection::BadTime, what))?
        };
        let point = Cow::Owned(point);
        Ok(Some(Decoded { asset, area: names.area.clone(), point, unit, at, value, quality: Quality::Good }))
    }
}

/// SenML's spelling of a unit → one that means the same to [`crate::acquire::units`].
fn spelled(unit: &str) -> &str {
    match unit {
        "g" => "gram",
        other => other,
    }
}
