//! Payloads → values with names and times. Pure: bytes in, values or the reason out; never panics.

mod json;
mod number;
mod pointer;
mod senml;
mod senml_cbor;
#[cfg(test)]
mod tests;
pub mod time;

pub use json::{GOOD, Json, NamedPoint, Points};
pub use pointer::Pointer;
pub use senml::NameRule;
pub use time::TimeFormat;

use super::registry::MAX_NAME_BYTES;
use super::topics::TopicNames;
use super::waveform::Limits;
use super::{Quality, Rejection};
use jiff::tz::TimeZone;
use roundsman_models::EventTime;
use std::borrow::Cow;

/// One value as the payload tells it; names not yet resolved, unit not yet converted.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoded<'a> {
    /// Asset.
    pub asset: Cow<'a, str>,
    /// Area, when the topic says.
    pub area: Option<Cow<'a, str>>,
    /// Point.
    pub point: Cow<'a, str>,
    /// Unit, when the payload or the file says.
    pub unit: Option<Cow<'a, str>>,
    /// Time in the payload, else the time it was received.
    pub at: EventTime,
    /// The value in that unit; may be not finite.
    pub value: f64,
    /// What the sender said of it.
    pub quality: Quality,
}

/// Why a payload, or a part of it, could not be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// Counted under this.
    pub reason: Rejection,
    /// For the engineer: what was wrong where.
    pub detail: String,
    /// How many values were lost by it.
    pub values: u32,
}

impl Refusal {
    fn new(reason: Rejection, detail: String, values: u32) -> Self {
        Self { reason, detail, values }
    }

    fn unreadable(detail: &str) -> Self {
        Self::new(Rejection::Unreadable, detail.to_owned(), 1)
    }

    /// Keeps the first reason and counts the rest.
    fn add_as(refused: &mut Option<Refusal>, reason: Rejection, detail: &str) {
        match refused {
            Some(first) => first.values = first.values.saturating_add(1),
            None => *refused = Some(Self::new(reason, detail.to_owned(), 1)),
        }
    }
}

impl std::fmt::Display for Refusal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.detail)
    }
}

/// How payloads of one pattern are read.
#[derive(Debug, Clone)]
pub struct Codec {
    /// The format.
    pub format: Format,
    /// Unit of values that bring none.
    pub unit: Option<String>,
    /// How times are written.
    pub time: TimeFormat,
    /// Zone of times without an offset; `None` refuses them.
    pub zone: Option<TimeZone>,
    /// Largest payload, bytes.
    pub max_bytes: usize,
    /// Most values taken from one payload.
    pub max_values: usize,
}

/// Longest unit. A payload says its unit once and may have thousands of values, each of which carries it.
const MAX_UNIT_BYTES: usize = 64;

/// Formats.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Format {
    /// A number, with its unit behind it or without; the time is that of arrival.
    Number,
    /// JSON by pointers.
    Json(Json),
    /// SenML, RFC 8428, in JSON or CBOR: the first byte says which.
    Senml(NameRule),
    /// Waveforms, see [`crate::acquire::waveform`]: no values, and not read here.
    Waveform(Limits),
}

/// Room for values up to the codec's cap; what is beyond it is refused and counted.
struct Sink<'o, 'a> {
    out: &'o mut Vec<Decoded<'a>>,
    left: usize,
    refused: Option<Refusal>,
}

impl<'o, 'a> Sink<'o, 'a> {
    fn new(codec: &Codec, out: &'o mut Vec<Decoded<'a>>) -> Self {
        Self { out, left: codec.max_values, refused: None }
    }

    /// Whether there is room for another value; counts the one that is lost when not.
    fn has_room(&mut self) -> bool {
        if self.left == 0 {
            self.refuse(Rejection::TooMany, "more values than limits.max_values allows in one payload");
        }
        self.left > 0
    }

    fn push(&mut self, value: Decoded<'a>) {
        self.left = self.left.saturating_sub(1);
        self.out.push(value);
    }

    fn refuse(&mut self, reason: Rejection, detail: &str) {
        Refusal::add_as(&mut self.refused, reason, detail);
    }

    fn done(self) -> Result<(), Refusal> {
        self.refused.map_or(Ok(()), Err)
    }
}

/// Reads one payload. Good values of a payload that is bad in parts are in `out` all the same.
///
/// # Errors
/// The first reason, with how many values were lost.
pub fn decode<'a>(
    codec: &'a Codec,
    names: &TopicNames<'a>,
    payload: &'a [u8],
    received: EventTime,
    out: &mut Vec<Decoded<'a>>,
) -> Result<(), Refusal> {
    if payload.len() > codec.max_bytes {
        let detail = format!("{} bytes, {} are allowed", payload.len(), codec.max_bytes);
        return Err(Refusal::new(Rejection::Unreadable, detail, 1));
    }
    // For the same reason: a topic may be 64 KiB long.
    let long = |name: &Option<Cow<'_, str>>| name.as_ref().is_some_and(|name| name.len() > MAX_NAME_BYTES);
    if long(&names.asset) || long(&names.area) || long(&names.point) {
        let detail = format!("a name in the topic is longer than {MAX_NAME_BYTES} bytes");
        return Err(Refusal::new(Rejection::BadName, detail, 1));
    }
    match &codec.format {
        Format::Number => {
            let (value, unit) = number::read(payload).map_err(|what| Refusal::unreadable(&what))?;
            if unit.is_some_and(|unit| unit.len() > MAX_UNIT_BYTES) {
                let detail = format!("the unit is longer than {MAX_UNIT_BYTES} bytes");
                return Err(Refusal::new(Rejection::BadUnit, detail, 1));
            }
            let (Some(asset), Some(point)) = (&names.asset, &names.point) else {
                return Err(Refusal::unreadable("the topic names no asset or no point"));
            };
            out.push(Decoded {
                asset: asset.clone(),
                area: names.area.clone(),
                point: point.clone(),
                unit: unit.or(codec.unit.as_deref()).map(Cow::Borrowed),
                at: received,
                value,
                quality: Quality::Good,
            });
            Ok(())
        }
        Format::Json(json) => json::decode(json, codec, names, payload, received, out),
        Format::Senml(rule) => senml::decode(*rule, codec, names, payload, received, out),
        Format::Waveform(_) => Ok(()),
    }
}
