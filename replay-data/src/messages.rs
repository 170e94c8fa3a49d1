//! A recording in the form of MQTT messages, as `mosquitto_sub -F '%j'` prints them: one JSON object per line with
//! time of arrival, topic and payload, the payload itself JSON with the time of measurement and the value.
//!
//! A transport adds faults of its own, which the table does not have: now and then a message comes twice, or minutes
//! late.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::json;

use crate::noise::Chance;
use crate::{Recording, START_SECS};

/// Shares of messages that come twice, and late.
const TWICE: f64 = 0.001;
const LATE: f64 = 0.001;
/// A late message is on its way for up to this long.
const LATE_SECS: f64 = 240.0;

/// Topic of a point.
pub fn topic(area: &str, asset: &str, point: &str) -> String {
    format!("plant/{area}/{asset}/{point}")
}

/// One line, its keys in the order `mosquitto_sub` has them.
#[derive(Serialize)]
struct Line {
    tst: String,
    topic: String,
    qos: u8,
    retain: u8,
    payloadlen: usize,
    payload: String,
}

/// Calls `line` with each message in order of arrival.
pub fn each<E>(recording: &Recording, seed: u64, mut line: impl FnMut(&str) -> Result<(), E>) -> Result<(), E> {
    let mut chance = Chance::new(seed, &["transport"]);
    // What is still on its way: (arrival in µs, number of the row, copy) → row.
    let mut on_the_way: BTreeMap<(i64, usize, u8), usize> = BTreeMap::new();
    for (number, row) in recording.rows.iter().enumerate() {
        let delay = if chance.happens(LATE) { chance.between(5.0, LATE_SECS) } else { chance.between(0.02, 0.4) };
        let arrival = row.secs * 1_000_000 + (delay * 1e6) as i64;
        on_the_way.insert((arrival, number, 0), number);
        if chance.happens(TWICE) {
            on_the_way.insert((arrival + 1_000_000, number, 1), number);
        }
        // Nothing that is measured later can arrive before this row was measured.
        while let Some(entry) = on_the_way.first_entry().filter(|entry| entry.key().0 < row.secs * 1_000_000) {
            let ((arrival, ..), number) = entry.remove_entry();
            line(&text(recording, number, arrival))?;
        }
    }
    on_the_way.into_iter().try_for_each(|((arrival, ..), number)| line(&text(recording, number, arrival)))
}

fn text(recording: &Recording, number: usize, arrival_micros: i64) -> String {
    let row = recording.rows[number];
    let asset = &recording.about.assets[usize::from(row.asset)];
    let point = &asset.points[usize::from(row.point)];
    let time = |micros| jiff::Timestamp::from_microsecond(START_SECS * 1_000_000 + micros).unwrap_or_default();
    let payload = json!({ "t": time(row.secs * 1_000_000).to_string(), "v": row.value }).to_string();
    let line = Line {
        // The broker's tools write the offset without a colon.
        tst: time(arrival_micros).strftime("%Y-%m-%dT%H:%M:%S.%6f+0000").to_string(),
        topic: topic(&asset.area, &asset.name, &point.name),
        qos: 1,
        retain: 0,
        payloadlen: payload.len(),
        payload,
    };
    // Strings and numbers always serialise.
    serde_json::to_string(&line).unwrap_or_default()
}
