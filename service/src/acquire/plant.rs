//! The plant's side of the intake: messages → observations and commands, with the registry and the stream's clock.
//! Repeatable: the same messages in the same order give the same events.

use super::payload::{Codec, Decoded, Format, decode};
use super::registry::Registry;
use super::stream_clock::{Passed, StreamGate};
use super::topics::{Mapping, TopicNames, find};
use super::units::Unit;
use super::{Observation, Rejection};
use crate::acquire::mqtt::Message;
use crate::advise::command::{self, action_name};
use crate::advise::forms;
use crate::advise::topics::{Topics, topic_safe};
use crate::asset::capture::Waveform;
use crate::asset::spec::AssetSpec;
use crate::config::Checked;
use crate::engine::{Action, Event};
use crate::intake::{Edge, RefusedCommand, Routed};
use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::sync::Arc;

/// Names, codecs and time of the plant.
pub struct Plant {
    mappings: Vec<Mapping>,
    registry: Registry,
    gate: StreamGate<Observation>,
    topics: Topics,
    /// Command topics by the topic-safe form of the asset's name.
    by_topic: HashMap<String, super::AssetId>,
}

/// What a restart needs.
#[derive(Serialize, Deserialize)]
struct Saved {
    assets: Vec<AssetSpec>,
    gate: StreamGate<Observation>,
}

impl Plant {
    /// As configured, nothing heard yet.
    pub fn new(config: &Checked, topics: Topics) -> Self {
        Self {
            mappings: config.topics.clone(),
            registry: Registry::new(config),
            gate: StreamGate::new(config.settings.screen.max_future_secs),
            topics,
            by_topic: HashMap::new(),
        }
    }

    fn define(&mut self, events: &mut Vec<Event>) {
        for id in self.registry.take_defined() {
            if let (Some(spec), Some(settings)) = (self.registry.spec(id), self.registry.settings(id)) {
                self.by_topic.insert(topic_safe(&spec.name), id);
                events.push(Event::Define(id, spec.clone(), settings.clone()));
            }
        }
    }

    fn value(&mut self, value: &Decoded<'_>, out: &mut Routed) {
        let unit = value.unit.as_deref();
        let series = match self.registry.resolve(&value.asset, value.area.as_deref(), &value.point, unit) {
            Ok(series) => series,
            Err(why) => {
                let unit = unit.unwrap_or("none");
                out.rejected.push((why, format!("asset {:?}, point {:?}, unit {unit}", value.asset, value.point)));
                return;
            }
        };
        if series.fresh {
            self.define(&mut out.events);
        }
        let observation = Observation {
            asset: series.asset,
            point: series.point,
            at: value.at,
            value: series.convert(value.value),
            quality: value.quality,
        };
        self.gate.on_reading(series.asset, value.at, observation, &mut |passed| pass(passed, out));
    }

    /// Hands a waveform on as it is: what is in it is read away from here, since that takes as long as a thousand readings.
    fn waveform(
        &mut self,
        codec: &Codec,
        names: &TopicNames<'_>,
        message: &Message,
        out: &mut Routed,
    ) -> Result<(), (Rejection, String)> {
        let Format::Waveform(limits) = codec.format else { return Ok(()) };
        if message.payload.len() > limits.bytes {
            let detail = format!("{} bytes, {} are allowed", message.payload.len(), limits.bytes);
            return Err((Rejection::BadWaveform, detail));
        }
        let asset = names.asset.as_deref().unwrap_or_default();
        let (id, fresh) = self
            .registry
            .resolve_asset(asset, names.area.as_deref())
            .map_err(|why| (why, format!("asset {asset:?}")))?;
        if fresh {
            self.define(&mut out.events);
        }
        let waveform =
            Waveform { point: names.point.as_deref().map(str::to_owned), payload: message.payload.clone(), limits };
        // Waveforms do not move the stream's time; before the first reading there is only that of arrival.
        let at = self.gate.now().unwrap_or(message.received);
        out.events.push(Event::Waveform(id, at, Arc::new(waveform)));
        Ok(())
    }

    fn command(&mut self, message: &Message, out: &mut Routed) {
        let asset = self.topics.asset_of_command(&message.topic).and_then(|level| self.by_topic.get(level)).copied();
        let name = asset.and_then(|id| self.registry.spec(id)).map(|spec| spec.name.clone());
        let refuse = |by: &str, action: &str, why: String| {
            Some(RefusedCommand { asset: name.clone(), by: by.to_owned(), action: action.to_owned(), why })
        };
        let incoming = match command::parse(&message.payload) {
            Ok(incoming) => incoming,
            Err(fault) => {
                out.reply_to = fault.reply_to;
                let text = String::from_utf8_lossy(&message.payload);
                out.refused = refuse("unknown", text.chars().take(200).collect::<String>().as_str(), fault.reason);
                return;
            }
        };
        out.reply_to = incoming.reply_to.clone();
        let mut command = incoming.command;
        let Some(id) = asset else {
            out.refused = refuse(&command.by, action_name(&command.action), "no such asset is known".into());
            return;
        };
        if let Action::SetLimit { point, value: Some(value), .. } = &mut command.action {
            match self.in_kept_unit(id, point, *value, incoming.unit.as_deref()) {
                Ok(kept) => *value = kept,
                Err(why) => {
                    out.refused = refuse(&command.by, "set-limit", why);
                    return;
                }
            }
        }
        // The stream's time: a replay of the same journal gives it at the same place.
        let at = self.gate.now().unwrap_or(message.received);
        out.events.push(Event::Command(id, at, command));
    }

    /// A limit's value in the unit the point is kept in.
    fn in_kept_unit(&self, id: super::AssetId, point: &str, value: f64, unit: Option<&str>) -> Result<f64, String> {
        let spec = self.registry.spec(id).ok_or("no such asset is known")?;
        let spec = spec
            .points
            .iter()
            .find(|p| p.name == point)
            .ok_or_else(|| format!("{} has no point {point:?}", spec.name))?;
        let Some(text) = unit else { return Ok(value) };
        let came = Unit::parse(text).ok_or_else(|| format!("unit {text:?} is not known"))?;
        let kept = Unit::parse(&spec.unit).ok_or_else(|| format!("{point} is kept without a unit; leave it out"))?;
        let conversion = came
            .to_unit(&kept)
            .ok_or_else(|| format!("{text:?} cannot be turned into {:?}, the unit of {point}", spec.unit))?;
        Ok(conversion.apply(value))
    }
}

fn pass(passed: Passed<Observation>, out: &mut Routed) {
    match passed {
        Passed::Tick(at) => out.events.push(Event::Tick(at)),
        Passed::Reading(observation) => out.events.push(Event::Observed(observation)),
        Passed::Future(o) => {
            out.rejected.push((Rejection::Future, format!("its time {} is ahead of the stream", forms::rfc3339(o.at))));
        }
    }
}

impl Edge for Plant {
    fn message(&mut self, message: &Message, out: &mut Routed) {
        if self.topics.asset_of_command(&message.topic).is_some() {
            self.command(message, out);
            return;
        }
        let mut values = Vec::new();
        // Apart, so that the names may be borrowed from the topic while the registry is changed.
        let mappings = std::mem::take(&mut self.mappings);
        match find(&mappings, &message.topic) {
            None => out.rejected.push((Rejection::UnmappedTopic, "fits no pattern".into())),
            Some((mapping, names)) if matches!(mapping.codec.format, Format::Waveform(_)) => {
                if let Err((reason, detail)) = self.waveform(&mapping.codec, &names, message, out) {
                    out.rejected.push((reason, detail));
                }
            }
            Some((mapping, names)) => {
                if let Err(refusal) = decode(&mapping.codec, &names, &message.payload, message.received, &mut values) {
                    out.rejected.push((refusal.reason, refusal.detail));
                }
                for value in &values {
                    self.value(value, out);
                }
            }
        }
        drop(values);
        self.mappings = mappings;
    }

    fn idle(&mut self, micros: i64, out: &mut Routed) {
        let Some(now) = self.gate.now() else { return };
        self.gate.on_clock(EventTime(now.0.saturating_add(micros)), &mut |passed| pass(passed, out));
    }

    fn now(&self) -> Option<EventTime> {
        self.gate.now()
    }

    fn save(&self) -> Vec<u8> {
        let assets = self.registry.ids().filter_map(|id| self.registry.spec(id)).map(|s| (**s).clone()).collect();
        // Plain data into memory: there is nothing to fail.
        postcard::to_stdvec(&Saved { assets, gate: self.gate.clone() }).unwrap_or_default()
    }

    fn restore(&mut self, saved: Option<&[u8]>, defined: &mut Vec<Event>) -> Result<(), String> {
        let mut faults = Vec::new();
        if let Some(bytes) = saved {
            match postcard::from_bytes::<Saved>(bytes) {
                Ok(saved) => {
                    self.gate = saved.gate;
                    for spec in &saved.assets {
                        if let Err(why) = self.registry.adopt(spec) {
                            faults.push(format!("{}: {why:?}", spec.name));
                        }
                    }
                }
                Err(why) => faults.push(why.to_string()),
            }
        }
        self.define(defined);
        if faults.is_empty() { Ok(()) } else { Err(faults.join("; ")) }
    }
}
