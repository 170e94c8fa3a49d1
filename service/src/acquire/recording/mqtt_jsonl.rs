//! What `mosquitto_sub -F '%j'` (or `%J`) prints, one message per line:
//!
//! ```text
//! {"tst":"2026-11-25T09:44:56.338269Z+0000","topic":"plant/a/p1/vib","qos":1,"retain":0,"payloadlen":36,"mid":1,
//!  "properties":{"user-properties":{"unit":"mm/s"}},"payload":"{\"v\":2.5}"}        (one line in the file)
//! ```
//!
//! `tst` is when the client got it. `mid` is there from QoS 1, `properties` under MQTT 5 (not read). `%j` prints the
//! payload as a string, `%J` as the JSON it is, and leaves an empty line for a payload that is none; `payloadlen` tells
//! the two apart for a payload that is a JSON string, and shows that a payload with a NUL byte was cut there.
//! Seen with Debian's mosquitto-clients 2.0.11.

use super::open::Lines;
use super::{Faults, Names, Raw, ReadOptions, Recording, RecordingError, SeriesTable, shown, time};
use crate::acquire::{Quality, Rejection};
use roundsman_models::EventTime;
use serde::Deserialize;
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::io::BufRead;
use std::path::{Path, PathBuf};

/// A message as the client got it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Message<'a> {
    /// When it was received.
    pub at: EventTime,
    /// Topic.
    pub topic: &'a str,
    /// Payload.
    pub payload: &'a [u8],
    /// Was kept by the broker: history, not a fresh reading.
    pub retained: bool,
}

/// One reading of a message.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decoded<'a> {
    /// Asset.
    pub asset: &'a str,
    /// Area, when the topic has it.
    pub area: Option<&'a str>,
    /// Point.
    pub point: &'a str,
    /// Unit, when the payload has it.
    pub unit: Option<&'a str>,
    /// Event time: the payload's, else the message's.
    pub at: EventTime,
    /// Value.
    pub value: f64,
    /// The sender's word on it.
    pub quality: Quality,
}

/// Topic patterns and payload codecs, as this reader needs them.
pub trait Decode: Send {
    /// Hands every reading of `message`, or why it was none, to `emit`, in the order of the payload.
    fn decode(&mut self, message: &Message<'_>, emit: &mut dyn FnMut(Result<Decoded<'_>, Rejection>));
}

#[derive(Deserialize)]
struct Line<'a> {
    #[serde(borrow)]
    tst: Cow<'a, str>,
    #[serde(borrow)]
    topic: Cow<'a, str>,
    #[serde(default)]
    retain: u8,
    payloadlen: Option<usize>,
    #[serde(borrow)]
    payload: Option<&'a RawValue>,
}

/// A recording made by `mosquitto_sub`.
pub struct MqttJsonl<R> {
    path: PathBuf,
    lines: Lines<R>,
    decode: Box<dyn Decode>,
    table: SeriesTable,
    options: ReadOptions,
    faults: Faults,
}

impl<R: BufRead + Send> MqttJsonl<R> {
    /// Reads messages from `reader` and their readings through `decode`.
    pub fn new(path: &Path, reader: R, decode: Box<dyn Decode>, options: ReadOptions) -> Self {
        Self {
            path: path.to_owned(),
            lines: Lines::new(reader),
            decode,
            table: SeriesTable::default(),
            options,
            faults: Faults::default(),
        }
    }
}

/// The payload's bytes; `None` when the line does not hold all of them.
fn payload<'a>(raw: Option<&'a RawValue>, length: Option<usize>) -> Option<Cow<'a, [u8]>> {
    let Some(raw) = raw.map(RawValue::get) else {
        // `null`: nothing with `%j`, perhaps the JSON null with `%J`.
        return (length != Some(0)).then(|| Cow::Borrowed(&b"null"[..])).or(Some(Cow::Borrowed(b"")));
    };
    if !raw.starts_with('"') || length == Some(raw.len()) {
        return Some(Cow::Borrowed(raw.as_bytes()));
    }
    let text: Cow<'a, str> = match serde_json::from_str::<&str>(raw) {
        Ok(text) => Cow::Borrowed(text),
        Err(_) => Cow::Owned(serde_json::from_str::<String>(raw).ok()?),
    };
    match length {
        Some(length) if length == text.len() + 2 => return Some(Cow::Borrowed(raw.as_bytes())),
        Some(length) if length > text.len() => return None,
        _ => {}
    }
    Some(match text {
        Cow::Borrowed(text) => Cow::Borrowed(text.as_bytes()),
        Cow::Owned(text) => Cow::Owned(text.into_bytes()),
    })
}

/// The readings of a message into `batch`, under the names of `table`. `number`: where the message stands, for faults.
pub(super) fn take(
    message: &Message<'_>,
    decode: &mut dyn Decode,
    number: u64,
    table: &mut SeriesTable,
    faults: &mut Faults,
    batch: &mut Vec<Raw>,
) {
    decode.decode(message, &mut |reading| {
        let reading = match reading {
            Ok(reading) => reading,
            Err(reason) => {
                faults.add(reason, 1, number, || format!("topic {}: {}", message.topic, shown(message.payload)));
                return;
            }
        };
        let Decoded { asset, area, point, unit, at, value, quality } = reading;
        let (area, unit) = (area.unwrap_or_default().as_bytes(), unit.unwrap_or_default().as_bytes());
        match table.id(asset.as_bytes(), area, point.as_bytes(), unit) {
            Some(series) => batch.push(Raw { series, quality, at, value }),
            None => faults.add(Rejection::TooMany, 1, number, || message.topic.to_owned()),
        }
    });
}

impl<R: BufRead + Send> Recording for MqttJsonl<R> {
    fn series(&self) -> &[Names] {
        self.table.names()
    }

    fn next_batch(&mut self, batch: &mut Vec<Raw>) -> Result<bool, RecordingError> {
        batch.clear();
        let Self { path, lines, decode, table, options, faults } = self;
        let mut taken = 0;
        while batch.len() < options.batch && taken < options.batch {
            taken += 1;
            let number = lines.number() + 1;
            let line = match lines.next_line() {
                Ok(Some(line)) => line,
                Ok(None) => return Ok(false),
                Err(source) => {
                    return Err(RecordingError::Read { path: path.clone(), line: Some(number), source });
                }
            };
            let Some(line) = line else {
                faults.add(Rejection::Unreadable, 1, number, || "the line is longer than 16 MiB".to_owned());
                continue;
            };
            if line.trim_ascii().is_empty() {
                continue;
            }
            let parsed = match serde_json::from_slice::<Line<'_>>(line) {
                Ok(parsed) => parsed,
                Err(error) => {
                    faults.add(Rejection::Unreadable, 1, number, || format!("{}: {error}", shown(line)));
                    continue;
                }
            };
            if parsed.retain != 0 {
                faults.add(Rejection::Retained, 1, number, || parsed.topic.clone().into_owned());
                continue;
            }
            let Some(at) = time::parse(parsed.tst.as_bytes(), &options.zone) else {
                faults.add(Rejection::BadTime, 1, number, || shown(parsed.tst.as_bytes()));
                continue;
            };
            let Some(payload) = payload(parsed.payload, parsed.payloadlen) else {
                faults.add(Rejection::Unreadable, 1, number, || "the payload was cut at a NUL byte".to_owned());
                continue;
            };
            let message = Message { at, topic: &parsed.topic, payload: &payload, retained: false };
            take(&message, &mut **decode, number, table, faults, batch);
        }
        Ok(true)
    }

    fn faults(&self) -> &Faults {
        &self.faults
    }

    fn order_is_arrival(&self) -> bool {
        true
    }
}
