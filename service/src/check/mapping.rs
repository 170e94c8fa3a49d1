//! Topics and payloads that were heard → which asset, point and unit they map to, and which map to nothing and why.

use super::summary::{show_quantity, show_role, show_unit};
use crate::acquire::payload::{Decoded, Format, decode};
use crate::acquire::registry::Registry;
use crate::acquire::topics::{TopicNames, filters, find};
use crate::acquire::waveform::Limits;
use crate::acquire::{AssetId, Rejection};
use crate::config::Checked;
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::fmt;

/// A message that was heard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    /// Its topic.
    pub topic: String,
    /// Its payload.
    pub payload: Vec<u8>,
    /// When it came.
    pub received: EventTime,
    /// Whether the broker had kept it: history, which `run` does not take for a fresh reading.
    pub retained: bool,
}

/// What was heard, sorted; prints itself.
#[derive(Debug, Clone, PartialEq)]
pub struct MappingTable {
    /// By topic and point: what it maps to.
    pub mapped: BTreeMap<(String, String), Mapped>,
    /// By topic and reason: why it maps to nothing.
    pub unmapped: BTreeMap<(String, Rejection), Unmapped>,
    /// Filters on which nothing came. The broker grants what it will never deliver, so this may be an access rule.
    pub silent_filters: Vec<String>,
}

/// One series.
#[derive(Debug, Clone, PartialEq)]
pub struct Mapped {
    /// Asset name.
    pub asset: String,
    /// Point name.
    pub point: String,
    /// Quantity, unit and role, for a person.
    pub what: String,
    /// Last value, in the kept unit.
    pub last: f64,
    /// Values seen.
    pub values: u64,
    /// Whether all of them were retained messages.
    pub only_retained: bool,
}

/// Messages or values that map to nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct Unmapped {
    /// What was wrong with the first.
    pub detail: String,
    /// How many.
    pub values: u64,
}

/// Runs the intake over what was heard, as `run` would, and keeps account.
pub fn mapping_table(config: &Checked, seen: &[Seen]) -> MappingTable {
    let mut registry = Registry::new(config);
    let mut table = MappingTable { mapped: BTreeMap::new(), unmapped: BTreeMap::new(), silent_filters: Vec::new() };
    let mut heard: Vec<String> = Vec::new();
    let mut places: BTreeMap<(String, String), (AssetId, u16)> = BTreeMap::new();
    for message in seen {
        let Some((mapping, names)) = find(&config.topics, &message.topic) else {
            table.refuse(&message.topic, Rejection::UnmappedTopic, "fits no pattern", 1);
            continue;
        };
        let filter = mapping.pattern.filter();
        if !heard.contains(&filter) {
            heard.push(filter);
        }
        if let Format::Waveform(limits) = &mapping.codec.format {
            table.waveform(message, &names, limits);
            continue;
        }
        let mut values: Vec<Decoded<'_>> = Vec::new();
        if let Err(refusal) = decode(&mapping.codec, &names, &message.payload, message.received, &mut values) {
            table.refuse(&message.topic, refusal.reason, &refusal.detail, u64::from(refusal.values));
        }
        for value in values {
            match registry.resolve(&value.asset, value.area.as_deref(), &value.point, value.unit.as_deref()) {
                Ok(series) => {
                    let key = (message.topic.clone(), value.point.clone().into_owned());
                    places.insert(key.clone(), (series.asset, series.point));
                    let row = table.mapped.entry(key).or_insert_with(|| Mapped {
                        asset: value.asset.trim().to_owned(),
                        point: value.point.trim().to_owned(),
                        what: String::new(),
                        last: f64::NAN,
                        values: 0,
                        only_retained: true,
                    });
                    row.last = series.convert(value.value);
                    row.values += 1;
                    row.only_retained &= message.retained;
                }
                Err(reason) => {
                    let unit = value.unit.as_deref().unwrap_or("none");
                    let detail = format!("asset `{}`, point `{}`, unit {unit}", value.asset, value.point);
                    table.refuse(&message.topic, reason, &detail, 1);
                }
            }
        }
    }
    // At the end, because a later reading may complete what an earlier one began.
    for (key, row) in &mut table.mapped {
        let point = places
            .get(key)
            .and_then(|&(asset, point)| registry.spec(asset).and_then(|spec| spec.points.get(point as usize)));
        if let Some(point) = point {
            row.what = format!("{}, {}, {}", show_quantity(point), show_unit(point), show_role(point.role));
        }
    }
    table.silent_filters = filters(&config.topics).into_iter().filter(|f| !heard.contains(f)).collect();
    table
}

impl MappingTable {
    /// A waveform is read in full here: nobody waits for anything else.
    fn waveform(&mut self, message: &Seen, names: &TopicNames<'_>, limits: &Limits) {
        let capture = match crate::acquire::waveform::decode(&message.payload, limits) {
            Ok(capture) => capture,
            Err(fault) => return self.refuse(&message.topic, Rejection::BadWaveform, &fault.to_string(), 1),
        };
        let Some(point) = capture.point.or_else(|| names.point.as_deref().map(str::to_owned)) else {
            return self.refuse(&message.topic, Rejection::BadWaveform, "point: missing", 1);
        };
        let secs = capture.samples_g.len() as f64 / capture.rate_hz;
        let axis = capture.axis.map_or("direction not said", |axis| axis.words());
        let rpm = capture.rpm.map_or("speed not said".to_owned(), |rpm| format!("{rpm:.0} r/min"));
        let peak = capture.samples_g.iter().fold(0.0, |m: f64, x| m.max(x.abs()));
        let row = self.mapped.entry((message.topic.clone(), point.clone())).or_insert_with(|| Mapped {
            asset: names.asset.as_deref().unwrap_or_default().trim().to_owned(),
            point,
            what: String::new(),
            last: f64::NAN,
            values: 0,
            only_retained: true,
        });
        row.what = format!("waveform, {secs:.2} s at {:.0} Hz, {axis}, {rpm}, peak in g", capture.rate_hz);
        row.last = peak;
        row.values += 1;
        row.only_retained &= message.retained;
    }

    fn refuse(&mut self, topic: &str, reason: Rejection, detail: &str, values: u64) {
        let row = self
            .unmapped
            .entry((topic.to_owned(), reason))
            .or_insert_with(|| Unmapped { detail: detail.to_owned(), values: 0 });
        row.values += values;
    }
}

impl fmt::Display for MappingTable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "maps to an asset and a point: {}", self.mapped.len())?;
        let width = self.mapped.keys().map(|(topic, _)| topic.chars().count()).max().unwrap_or(0).min(60);
        for ((topic, _), row) in &self.mapped {
            let retained = if row.only_retained { ", retained only: not taken as readings" } else { "" };
            writeln!(
                f,
                "  {topic:<width$}  {} . {}  ({}; {} seen, last {}{retained})",
                row.asset, row.point, row.what, row.values, row.last
            )?;
        }
        if !self.unmapped.is_empty() {
            writeln!(f, "maps to nothing: {}", self.unmapped.len())?;
        }
        for ((topic, reason), row) in &self.unmapped {
            let reason = serde_json::to_value(reason).ok();
            let reason = reason.as_ref().and_then(|v| v.as_str()).unwrap_or("refused");
            writeln!(f, "  {topic}  {reason}: {} ({} times)", row.detail, row.values)?;
        }
        for filter in &self.silent_filters {
            writeln!(f, "nothing came on {filter}: no sender, or the broker's access rules hold it back")?;
        }
        Ok(())
    }
}
