//! The plant's side of the intake: messages → observations and commands, with the registry and the stream's clock.
//! Repeatable: the same messages in the same order give the same events.

use super::payload::time::short;
use super::payload::{Codec, Decoded, Format, decode};
use super::registry::Registry;
use super::sparkplug::nodes::{NamedValue, Nodes, Told};
use super::sparkplug::{address, is_sparkplug};
use super::stream_clock::{Passed, StreamGate};
use super::topics::{Mapping, TopicNames, find};
use super::units::Unit;
use super::{AssetId, Observation, Rejection};
use crate::acquire::mqtt::Message;
use crate::advise::command::{self, ActionName};
use crate::advise::forms;
use crate::advise::permission::{Permission, permitted};
use crate::advise::topics::{CommandTopic, Topics, topic_safe};
use crate::asset::capture::Waveform;
use crate::asset::spec::AssetSpec;
use crate::config::{Checked, Clock, Sparkplug, from_recorded};
use crate::engine::{Action, Event, whole};
use crate::inlet::asset_of;
use crate::intake::{Edge, RefusedCommand, Routed};
use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::Arc;

/// Names, codecs and time of the plant.
pub struct Plant {
    mappings: Vec<Mapping>,
    registry: Registry,
    gate: StreamGate<Observation>,
    /// Our own clock says something of the readings' times.
    has_clock: bool,
    topics: Topics,
    /// The configuration in effect, as the journal records it.
    recorded: Option<Arc<str>>,
    permissions: Vec<Permission>,
    /// Command topics by the topic-safe form of the asset's name.
    by_topic: HashMap<String, super::AssetId>,
    sparkplug: Sparkplug,
    nodes: Nodes,
    max_payload_bytes: usize,
}

/// What a restart needs.
#[derive(Serialize, Deserialize)]
struct Saved {
    assets: Vec<AssetSpec>,
    gate: StreamGate<Observation>,
    nodes: Nodes,
}

impl Plant {
    /// As configured, nothing heard yet.
    pub fn new(config: &Checked, topics: Topics) -> Self {
        Self {
            mappings: config.topics.clone(),
            registry: Registry::new(config),
            gate: StreamGate::new(config.settings.screen.max_future_secs, config.settings.screen.max_past_secs),
            has_clock: config.clock() == Some(Clock::Wall),
            topics,
            recorded: config.recorded.clone(),
            permissions: config.commands.clone(),
            by_topic: HashMap::new(),
            sparkplug: config.sparkplug.clone(),
            nodes: Nodes::default(),
            max_payload_bytes: config.limits.max_payload_bytes,
        }
    }

    /// Names of the assets, by id.
    pub fn names(&self) -> Vec<String> {
        self.registry.specs().map(|spec| spec.name.clone()).collect()
    }

    fn define(&mut self, events: &mut Vec<Event>) {
        for id in self.registry.take_defined() {
            if let (Some(spec), Some(settings)) = (self.registry.spec(id), self.registry.settings(id)) {
                // The first keeps it: a name made up later must not draw another asset's commands to itself.
                self.by_topic.entry(topic_safe(&spec.name)).or_insert(id);
                events.push(Event::Define(id, spec.clone(), settings.clone()));
            }
        }
    }

    /// A configuration recorded before the clock was leaves it as it is: today's.
    fn under(&mut self, config: &Checked) {
        if let Some(clock) = config.clock() {
            self.has_clock = clock == Clock::Wall;
            if !self.has_clock {
                self.gate.without_clock();
            }
        }
    }

    fn value(&mut self, value: &Decoded<'_>, out: &mut Routed) {
        let unit = value.unit.as_deref();
        let series = match self.registry.resolve(&value.asset, value.area.as_deref(), &value.point, unit) {
            Ok(series) => series,
            Err(why) => {
                out.reject(why, 1, || self.refused(why, value));
                return;
            }
        };
        if series.fresh {
            self.define(&mut out.events);
        }
        let converted = series.convert(value.value);
        if !converted.is_finite() {
            // Nor does its time say anything.
            out.reject(Rejection::NotFinite, 1, || format!("{} of {}", short(&value.point), short(&value.asset)));
            return;
        }
        let observation = Observation {
            asset: series.asset,
            point: series.point,
            at: value.at,
            value: converted,
            quality: value.quality,
        };
        let Self { gate, registry, .. } = self;
        gate.on_reading(series.asset, value.at, observation, &mut |passed| pass(passed, registry, out));
    }

    fn sparkplug(&mut self, message: &Message, out: &mut Routed) {
        let address = match address(&message.topic) {
            Ok(Some(address)) => address,
            // Another host's state is no business of ours.
            Ok(None) => return,
            Err(why) => return out.reject(Rejection::UnmappedTopic, 1, || why.clone()),
        };
        let mut told = Vec::new();
        let limit = self.max_payload_bytes;
        self.nodes.message(&self.sparkplug, address, &message.payload, message.received, limit, &mut told);
        self.told(told, out);
    }

    fn told(&mut self, told: Vec<Told>, out: &mut Routed) {
        for told in told {
            match told {
                Told::Value(named) => self.named(&named, out),
                Told::Refused(why, count, detail) => out.reject(why, count, || detail.clone()),
                Told::Rebirth(node) => out.rebirths.push(node),
            }
        }
    }

    fn named(&mut self, named: &NamedValue, out: &mut Routed) {
        if let Some((low, high)) = named.range {
            let unit = named.unit.as_deref();
            // What cannot be registered is refused below, with its reason.
            if let Ok(series) = self.registry.resolve(&named.asset, Some(&named.area), &named.point, unit) {
                self.registry.set_range(&series, low, high);
            }
        }
        let value = Decoded {
            asset: Cow::Borrowed(&named.asset),
            area: Some(Cow::Borrowed(&named.area)),
            point: Cow::Borrowed(&named.point),
            unit: named.unit.as_deref().map(Cow::Borrowed),
            at: named.at,
            value: named.value,
            quality: named.quality,
        };
        self.value(&value, out);
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

    /// Why a value found no place, for the person who looks.
    fn refused(&self, why: Rejection, value: &Decoded<'_>) -> String {
        let (asset, point) = (short(&value.asset), short(&value.point));
        match why {
            Rejection::TooMany if self.registry.find(&value.asset).is_some() => {
                format!(
                    "asset {asset:?} has as many points as limits.max_points_per_asset allows; {point:?} is one more"
                )
            }
            Rejection::TooMany => format!(
                "{} assets are known and limits.max_assets allows no more; {asset:?} is one more. Is somebody making \
                 names up? Assets in the configuration always have their place",
                self.registry.len()
            ),
            _ => format!("asset {asset:?}, point {point:?}, unit {}", short(value.unit.as_deref().unwrap_or("none"))),
        }
    }

    /// `topic`: what the right to it hangs on; `None` when it was settled elsewhere.
    fn command(
        &mut self,
        message: &Message,
        asset: Option<super::AssetId>,
        topic: Option<CommandTopic<'_>>,
        out: &mut Routed,
    ) {
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
        let action = ActionName::of(&command.action);
        if let Some(topic) = topic
            && let Err(why) = permitted(&self.permissions, topic, action)
        {
            out.refused = refuse(&command.by, action.name(), why);
            return;
        }
        let Some(id) = asset else {
            out.refused = refuse(&command.by, action.name(), "no such asset is known".into());
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

    /// Whoever may command could else have us speak, with our account, where theirs may not: on an alert's topic, or on
    /// the channel of somebody who may do more.
    fn keep_replies_off_our_topics(&self, message: &Message, out: &mut Routed) {
        let asked = message.reply_to.as_ref().map(|to| &to.topic).or(out.reply_to.as_ref());
        out.reply_barred = asked.is_some_and(|topic| self.topics.is_ours(topic));
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

fn read(recorded: &str) -> Result<Checked, String> {
    from_recorded(recorded, &[]).map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
}

fn pass(passed: Passed<Observation>, registry: &Registry, out: &mut Routed) {
    let which = |o: &Observation| {
        let spec = registry.spec(o.asset);
        let point = spec.and_then(|spec| spec.points.get(usize::from(o.point)));
        let (asset, point) = (spec.map_or("", |spec| &spec.name), point.map_or("", |point| &point.name));
        format!("{point} of {asset}")
    };
    match passed {
        Passed::Tick(at) => out.events.push(Event::Tick(at)),
        Passed::Reading(observation) => out.events.push(Event::Observed(observation)),
        Passed::Future(o) => {
            let detail = format!("{} at {}, ahead of the stream: look at that clock", which(&o), forms::rfc3339(o.at));
            out.held_back.push((Rejection::Future, detail));
        }
        Passed::Past(o) => out.reject(Rejection::Past, 1, || {
            format!("{} at {}, behind the stream: look at that clock", which(&o), forms::rfc3339(o.at))
        }),
    }
}

impl Edge for Plant {
    fn message(&mut self, message: &Message, out: &mut Routed) {
        if let Some(topic) = self.topics.command_topic(&message.topic) {
            self.command(message, self.by_topic.get(topic.asset).copied(), Some(topic), out);
            self.keep_replies_off_our_topics(message, out);
            return;
        }
        if self.has_clock {
            self.gate.seen_at(message.received);
        }
        if self.sparkplug.listens() && is_sparkplug(&message.topic) {
            return self.sparkplug(message, out);
        }
        let mut values = Vec::new();
        // Apart, so that the names may be borrowed from the topic while the registry is changed.
        let mappings = std::mem::take(&mut self.mappings);
        match find(&mappings, &message.topic) {
            None => out.reject(Rejection::UnmappedTopic, 1, || "fits no pattern".into()),
            Some((mapping, names)) if matches!(mapping.codec.format, Format::Waveform(_)) => {
                if let Err((reason, detail)) = self.waveform(&mapping.codec, &names, message, out) {
                    out.reject(reason, 1, || detail.clone());
                }
            }
            Some((mapping, names)) => {
                if let Err(refusal) = decode(&mapping.codec, &names, &message.payload, message.received, &mut values) {
                    out.reject(refusal.reason, refusal.values, || refusal.detail.clone());
                }
                for value in &values {
                    self.value(value, out);
                }
            }
        }
        drop(values);
        self.mappings = mappings;
    }

    fn asked(&mut self, message: &Message, out: &mut Routed) {
        let asset = asset_of(&message.topic).and_then(|name| self.registry.find(name));
        self.command(message, asset, None, out);
    }

    fn idle(&mut self, micros: i64, out: &mut Routed) {
        let mut told = Vec::new();
        self.nodes.idle(&self.sparkplug, micros, &mut told);
        self.told(told, out);
        let Some(now) = self.gate.now() else { return };
        let Self { gate, registry, .. } = self;
        gate.on_clock(EventTime(now.0.saturating_add(micros)), &mut |passed| pass(passed, registry, out));
    }

    fn begin(&mut self, recorded: &str) -> Result<(), String> {
        if self.recorded.as_deref() != Some(recorded) {
            let config = read(recorded)?;
            self.mappings.clone_from(&config.topics);
            self.permissions.clone_from(&config.commands);
            self.sparkplug.clone_from(&config.sparkplug);
            self.max_payload_bytes = config.limits.max_payload_bytes;
            self.registry = Registry::new(&config);
            let screen = &config.settings.screen;
            self.gate = StreamGate::new(screen.max_future_secs, screen.max_past_secs);
            self.under(&config);
            self.recorded = Some(recorded.into());
        }
        Ok(())
    }

    fn configure(&mut self, recorded: &str, events: &mut Vec<Event>) -> Result<bool, String> {
        if self.recorded.as_deref() == Some(recorded) {
            return Ok(false);
        }
        let config = read(recorded)?;
        self.registry = self.registry.reconfigured(&config);
        let screen = &config.settings.screen;
        self.gate.set_tolerances(screen.max_future_secs, screen.max_past_secs);
        self.under(&config);
        self.mappings = config.topics;
        self.permissions = config.commands;
        self.sparkplug = config.sparkplug;
        self.max_payload_bytes = config.limits.max_payload_bytes;
        self.recorded = Some(recorded.into());
        self.define(events);
        Ok(true)
    }

    fn now(&self) -> Option<EventTime> {
        self.gate.now()
    }

    fn save(&self) -> Vec<u8> {
        let assets = self.registry.ids().filter_map(|id| self.registry.spec(id)).map(|s| (**s).clone()).collect();
        // Plain data into memory: there is nothing to fail.
        postcard::to_stdvec(&Saved { assets, gate: self.gate.clone(), nodes: self.nodes.clone() }).unwrap_or_default()
    }

    fn restore(&mut self, saved: Option<&[u8]>, defined: &mut Vec<Event>) -> Result<(), String> {
        let mut faults = Vec::new();
        if let Some(bytes) = saved {
            match whole::<Saved>(bytes) {
                Ok(saved) => {
                    self.gate = saved.gate;
                    self.nodes = saved.nodes;
                    // An asset that was added to the configuration may have taken a place before it.
                    let mut ids = Vec::with_capacity(saved.assets.len());
                    for spec in &saved.assets {
                        let adopted = self.registry.adopt(spec);
                        ids.push(adopted.ok());
                        if let Err(why) = adopted {
                            faults.push(format!("{}: {}", spec.name, why.word()));
                        }
                    }
                    let to = |old: AssetId| ids.get(old.0 as usize).copied().flatten();
                    self.gate.rename(to, |observation, asset| observation.asset = asset);
                }
                Err(why) => faults.push(why.to_string()),
            }
        }
        self.define(defined);
        if faults.is_empty() { Ok(()) } else { Err(faults.join("; ")) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Sources, from_text, zone_names};
    use bytes::Bytes;

    fn config(assets: &str) -> Checked {
        let text = format!(
            "site.name = \"s\"\nbroker.url = \"mqtt://localhost\"\n[[topics]]\npattern = \"plant/{{asset}}/{{point}}\"\n\
             payload = {{ format = \"json\", value = \"/v\", time = \"/t\", time_format = \"s\" }}\n{assets}"
        );
        from_text(Some(&text), &Sources { zones: zone_names(), needs_broker: true, ..Sources::default() })
            .expect("no faults")
    }

    fn plant(config: &Checked) -> Plant {
        Plant::new(config, crate::run::topics(config).expect("topics"))
    }

    fn message(topic: &str, payload: &str) -> Message {
        Message {
            topic: topic.into(),
            payload: Bytes::copy_from_slice(payload.as_bytes()),
            cut: false,
            retain: false,
            dup: false,
            packet_id: 1,
            // Our own clock agrees with whatever comes.
            received: EventTime(2_000_000_000_000_000),
            reply_to: None,
        }
    }

    /// Asset and time of what comes out.
    fn say(plant: &mut Plant, topic: &str, at: i64) -> Vec<(String, i64)> {
        let mut out = Routed::default();
        plant.message(&message(topic, &format!(r#"{{"v":1.5,"t":{at}}}"#)), &mut out);
        assert!(out.rejected.is_empty(), "{:?}", out.rejected);
        let observed = |event: &Event| match event {
            Event::Observed(o) => {
                Some((plant.registry.spec(o.asset).expect("registered").name.clone(), o.at.0 / 1_000_000))
            }
            _ => None,
        };
        out.events.iter().filter_map(observed).collect()
    }

    fn described(plant: &Plant) -> Vec<String> {
        let mut all: Vec<String> = plant.registry.specs().map(|spec| format!("{spec:?}")).collect();
        all.sort();
        all
    }

    const BEFORE: &str = "[assets.pump.points]\nzeta = { unit = \"bar\" }\nalpha = { unit = \"degC\" }\n";
    const AFTER: &str = "[assets.first.points]\nx = { unit = \"bar\" }\n[assets.pump.points]\nalpha = { unit = \"degC\", \
                         alarm_high = 80 }\nnew = { unit = \"A\" }\n[assets.fan]\nclass = \"fan\"\n";

    /// The rule behind SIGHUP: a change on the way and the same change over a restart define the same assets, with every
    /// point in its place, and ids never move while it runs.
    #[test]
    fn a_change_while_it_runs_is_the_same_as_one_over_a_restart() {
        let (before, after) = (config(BEFORE), config(AFTER));
        let recorded = |config: &Checked| config.recorded.clone().expect("recorded");
        let mut lives = plant(&before);
        for topic in ["plant/pump/zeta", "plant/fan/speed", "plant/pump/found"] {
            say(&mut lives, topic, 1_930_000_000);
        }
        let saved = lives.save();
        let ids: Vec<String> = lives.names();
        let mut events = Vec::new();
        assert_eq!(lives.configure(&recorded(&after), &mut events), Ok(true));
        assert_eq!(lives.configure(&recorded(&after), &mut events), Ok(false), "it is in effect already");
        assert_eq!(lives.names()[..ids.len()], ids, "ids stay");
        let defined = events.iter().filter(|event| matches!(event, Event::Define(..))).count();
        assert_eq!(defined, 3, "each asset once");
        let pump = lives.registry.find("pump").and_then(|id| lives.registry.spec(id)).expect("a pump").clone();
        let points: Vec<&str> = pump.points.iter().map(|point| point.name.as_str()).collect();
        assert_eq!(points, ["zeta", "alpha", "found", "new"], "places stay");
        assert_eq!(pump.points[1].limits.alarm_high, Some(80.0));

        let mut restarted = plant(&after);
        restarted.begin(&recorded(&before)).expect("reads");
        restarted.restore(Some(&saved), &mut Vec::new()).expect("restores");
        assert_eq!(restarted.configure(&recorded(&after), &mut Vec::new()), Ok(true));
        assert_eq!(described(&restarted), described(&lives));
        assert!(restarted.configure("{", &mut Vec::new()).is_err());
        assert_eq!(described(&restarted), described(&lives), "an error changes nothing");
    }

    /// Readings a month ahead of our clock: whether they are believed is `broker.clock`'s to say, and a recovery under
    /// another one today goes by what was recorded.
    #[test]
    fn a_recovery_after_a_change_of_the_clock_believes_what_was_believed() {
        let under = |clock: &str| {
            let text = format!(
                "site.name = \"s\"\nbroker = {{ url = \"mqtt://localhost\", clock = \"{clock}\" }}\n[[topics]]\n\
                 pattern = \"plant/{{asset}}/{{point}}\"\n\
                 payload = {{ format = \"json\", value = \"/v\", time = \"/t\", time_format = \"s\" }}\n"
            );
            from_text(Some(&text), &Sources { needs_broker: true, ..Sources::default() }).expect("no faults")
        };
        // Two assets, so that the second confirms the first; a month ahead of what `message` says of our own clock.
        let far = 2_000_000_000 + 30 * 86_400;
        let stream = |plant: &mut Plant| {
            let mut taken = Vec::new();
            for at in 0..3 {
                for asset in ["pump", "fan"] {
                    taken.extend(say(plant, &format!("plant/{asset}/p"), far + at * 60));
                }
            }
            taken
        };
        let (by_wall, by_stream) = (stream(&mut plant(&under("wall"))), stream(&mut plant(&under("stream"))));
        assert_ne!(by_wall, by_stream, "else this test shows nothing");
        for (then, now, want) in [("wall", "stream", &by_wall), ("stream", "wall", &by_stream)] {
            let recorded = under(then).recorded.expect("recorded");
            let mut recovering = plant(&under(now));
            recovering.begin(&recorded).expect("reads");
            recovering.restore(None, &mut Vec::new()).expect("nothing to restore");
            assert_eq!(&stream(&mut recovering), want, "recorded under {then}, today {now}");
            // And a replay of the journal, which knows no broker at all.
            let replayed = from_recorded(&recorded, &[]).expect("no faults");
            assert_eq!(&stream(&mut plant(&replayed)), want, "replayed");
            // From the entry on, today's.
            let mut lives = plant(&under(then));
            let today = under(now).recorded.expect("recorded");
            assert_eq!(lives.configure(&today, &mut Vec::new()), Ok(true));
            let anew = stream(&mut lives);
            assert_eq!(anew, if now == "wall" { by_wall.clone() } else { by_stream.clone() }, "from then on");
        }
    }

    /// A reading held in doubt belongs to its asset also when another one takes its number at a restart.
    #[test]
    fn what_is_held_back_in_doubt_stays_with_its_asset_over_a_restart() {
        let before = config("");
        let mut lives = plant(&before);
        for asset in ["pump", "fan"] {
            for at in [0, 60] {
                say(&mut lives, &format!("plant/{asset}/p"), 1_930_000_000 + at);
            }
        }
        let far = 1_930_000_000 + 30 * 86_400;
        assert!(say(&mut lives, "plant/pump/p", far).is_empty(), "too far ahead to be believed of one");
        let saved = lives.save();
        // Without a recorded configuration, as files of before have none: the configured asset comes first now.
        let mut restarted = plant(&config("[assets.first.points]\nx = { unit = \"bar\" }\n"));
        restarted.restore(Some(&saved), &mut Vec::new()).expect("restores");
        assert_eq!(restarted.names(), ["first", "pump", "fan"]);
        let believed = say(&mut restarted, "plant/fan/p", far + 1);
        assert_eq!(believed, [("pump".to_owned(), far), ("fan".to_owned(), far + 1)]);
    }
}
