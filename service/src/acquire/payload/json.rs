//! JSON by pointers: one value, several named points, or every number of an object.

use super::pointer::Pointer;
use super::time::{self, short};
use super::{Codec, Decoded, MAX_UNIT_BYTES, Quality, Refusal, Rejection, Sink, TopicNames};
use crate::acquire::guess;
use crate::acquire::registry::MAX_NAME_BYTES;
use crate::asset::spec::Quantity;
use roundsman_models::EventTime;
use serde_json::Value;
use std::borrow::Cow;

/// Where things are in a JSON payload.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Json {
    /// Where the values are.
    pub points: Points,
    /// Where the time is; absent: the time of arrival.
    pub time: Option<Pointer>,
    /// Where the quality is; absent: nothing bad is said.
    pub quality: Option<Pointer>,
    /// Words and numbers that mean good quality; anything else is bad.
    pub good: Vec<String>,
    /// Where the unit is.
    pub unit: Option<Pointer>,
    /// Whether `"7.1"` counts as 7.1.
    pub numbers_in_strings: bool,
}

/// Where the values are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Points {
    /// One value; the topic names its point.
    One(Pointer),
    /// Several, each with its name, its place and perhaps its unit.
    Named(Vec<NamedPoint>),
    /// Every member of this object that is a number, under its own name.
    All(Pointer),
}

/// One of several points in a payload.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedPoint {
    /// Its name.
    pub name: String,
    /// Where its value is.
    pub value: Pointer,
    /// Its unit, when the file says.
    pub unit: Option<String>,
}

/// Words for good quality that need no setting. Numbers are left out but for OPC's 192: 0 is bad in one OPC
/// standard and good in the other, so whoever sends it has to set `good`.
pub const GOOD: [&str; 5] = ["good", "ok", "valid", "true", "192"];

pub(super) fn decode<'a>(
    json: &'a Json,
    codec: &'a Codec,
    names: &TopicNames<'a>,
    payload: &[u8],
    received: EventTime,
    out: &mut Vec<Decoded<'a>>,
) -> Result<(), Refusal> {
    let document: Value = serde_json::from_slice(payload)
        .map_err(|error| Refusal::new(Rejection::Unreadable, format!("not JSON: {error}"), 1))?;
    let asset = names.asset.as_ref().ok_or_else(|| Refusal::unreadable("the topic names no asset"))?;
    let at = json.time(codec, &document, received)?;
    let quality = json.quality(&document);
    let unit = match json.unit.as_ref().map(|pointer| pointer.get(&document)) {
        Some(Some(Value::String(text))) if text.len() > MAX_UNIT_BYTES => {
            let detail = format!("the unit `{}` is longer than {MAX_UNIT_BYTES} bytes", short(text));
            return Err(Refusal::new(Rejection::BadUnit, detail, 1));
        }
        Some(Some(Value::String(text))) => Some(Cow::Owned(text.clone())),
        Some(Some(Value::Null) | None) | None => codec.unit.as_deref().map(Cow::Borrowed),
        Some(Some(_)) => return Err(Refusal::new(Rejection::BadUnit, "the unit is no text".into(), 1)),
    };
    let decoded = |point: Cow<'a, str>, unit: Option<Cow<'a, str>>, value: f64| Decoded {
        asset: asset.clone(),
        area: names.area.clone(),
        point,
        unit,
        at,
        value,
        quality,
    };
    let mut sink = Sink::new(codec, out);
    match &json.points {
        Points::One(pointer) => {
            let point = names.point.as_ref().ok_or_else(|| Refusal::unreadable("the topic names no point"))?;
            let found = pointer
                .get(&document)
                .ok_or_else(|| Refusal::unreadable(&format!("nothing at `{}`", pointer.as_str())))?;
            let value = json.number(found).map_err(|what| Refusal::unreadable(&what))?;
            sink.push(decoded(point.clone(), unit, value));
        }
        Points::Named(points) => {
            let mut found_any = false;
            for point in points {
                // A point that is not there was not sent this time: devices report by exception.
                let Some(found) = point.value.get(&document) else { continue };
                found_any = true;
                if !sink.has_room() {
                    continue;
                }
                match json.number(found) {
                    Ok(value) => {
                        let own = point.unit.as_deref().map(Cow::Borrowed).or_else(|| unit.clone());
                        sink.push(decoded(Cow::Borrowed(&point.name), own, value));
                    }
                    Err(what) => sink.refuse(Rejection::Unreadable, &format!("{}: {what}", point.name)),
                }
            }
            if !found_any {
                return Err(Refusal::unreadable("none of the points is in it"));
            }
        }
        Points::All(pointer) => {
            let Some(Value::Object(members)) = pointer.get(&document) else {
                return Err(Refusal::unreadable(&format!("no object at `{}`", pointer.as_str())));
            };
            for (name, member) in members {
                if json.is_taken(pointer, name) {
                    continue;
                }
                let value = match member {
                    Value::Number(_) => json.number(member).ok(),
                    Value::String(text) if json.numbers_in_strings => super::number::number(text.trim()),
                    // A truth is a state or nothing: an acknowledgement flag is no measurement.
                    Value::Bool(truth) if guess::guess(name, None).quantity == Quantity::State => {
                        Some(f64::from(u8::from(*truth)))
                    }
                    _ => None,
                };
                let Some(value) = value else { continue };
                if name.len() > MAX_NAME_BYTES {
                    sink.refuse(Rejection::BadName, &format!("the name `{}` is too long", short(name)));
                } else if sink.has_room() {
                    sink.push(decoded(Cow::Owned(name.clone()), unit.clone(), value));
                }
            }
        }
    }
    sink.done()
}

impl Json {
    fn time(&self, codec: &Codec, document: &Value, received: EventTime) -> Result<EventTime, Refusal> {
        let Some(pointer) = &self.time else { return Ok(received) };
        // A missing time is not replaced by the time of arrival: two clocks in one series would put it out of order.
        let read = match pointer.get(document) {
            Some(Value::String(text)) => time::from_text(text, codec.time, codec.zone.as_ref()),
            Some(Value::Number(number)) => match (number.as_i64(), number.as_f64()) {
                (Some(whole), _) => time::from_whole(whole, codec.time),
                (None, Some(number)) => time::from_number(number, codec.time),
                (None, None) => Err("no time".into()),
            },
            Some(_) => Err("neither text nor number".into()),
            None => Err("missing".into()),
        };
        read.map_err(|what| Refusal::new(Rejection::BadTime, format!("time at `{}`: {what}", pointer.as_str()), 1))
    }

    fn quality(&self, document: &Value) -> Quality {
        let Some(pointer) = &self.quality else { return Quality::Good };
        let good = |text: &str| self.good.iter().any(|word| word.eq_ignore_ascii_case(text.trim()));
        let is_good = match pointer.get(document) {
            None | Some(Value::Null) => true,
            Some(Value::String(text)) => good(text),
            Some(Value::Bool(truth)) => good(if *truth { "true" } else { "false" }),
            Some(Value::Number(number)) => good(&number.to_string()),
            Some(Value::Array(_) | Value::Object(_)) => false,
        };
        if is_good { Quality::Good } else { Quality::Bad }
    }

    /// `null` is how JSON writes a number that is none.
    fn number(&self, value: &Value) -> Result<f64, String> {
        match value {
            Value::Number(number) => number.as_f64().ok_or_else(|| "a number no double holds".into()),
            Value::Bool(truth) => Ok(f64::from(u8::from(*truth))),
            Value::Null => Ok(f64::NAN),
            Value::String(text) if self.numbers_in_strings => {
                super::number::number(text.trim()).ok_or_else(|| format!("`{}` is no number", short(text)))
            }
            Value::String(text) => {
                Err(format!("\"{}\" is text; `numbers_in_strings = true` reads numbers written so", short(text)))
            }
            Value::Array(_) => Err("an array is no value".into()),
            Value::Object(_) => Err("an object is no value".into()),
        }
    }

    /// Whether a member of the object is the time, the quality or the unit.
    fn is_taken(&self, object: &Pointer, member: &str) -> bool {
        [&self.time, &self.quality, &self.unit].into_iter().flatten().any(|pointer| {
            pointer.as_str().strip_prefix(object.as_str()).and_then(|rest| rest.strip_prefix('/')).is_some_and(|rest| {
                if rest.contains('~') { rest.replace("~1", "/").replace("~0", "~") == member } else { rest == member }
            })
        })
    }
}
