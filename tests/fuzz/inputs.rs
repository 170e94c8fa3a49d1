//! Bytes from outside, one function per way in. A function must come back without a panic for any bytes, and asserts what
//! must hold beside that. The fuzz targets call them with inputs they make up, `tests/corpus.rs` with the kept ones.

#![allow(dead_code, unreachable_pub, reason = "each target uses one of them")]

use jiff::tz::TimeZone;
use roundsman::acquire::mqtt::Message;
use roundsman::acquire::payload::{self, Decoded, Format, time};
use roundsman::acquire::plant::Plant;
use roundsman::acquire::recording::{self, Decode, ReadOptions};
use roundsman::acquire::registry::{MAX_NAME_BYTES, Registry};
use roundsman::acquire::topics::{Mapping, Pattern, Template, TopicNames, find};
use roundsman::acquire::units::Unit;
use roundsman::acquire::{Rejection, waveform};
use roundsman::advise::document::{Alert, Condition, Document, RemainingLifeStatement};
use roundsman::advise::service_status::ServiceStatus;
use roundsman::advise::{command as commands, readable};
use roundsman::config::{self, Checked, Sources};
use roundsman::engine::{Engine, Event, Output};
use roundsman::intake::{Edge, Routed};
use roundsman::keep::journal as rows;
use roundsman_models::EventTime;
use std::path::Path;
use std::sync::OnceLock;

const NOW: EventTime = EventTime(1_900_000_000_000_000);

/// A configuration that leads to every codec and every way of naming.
const PLANT: &str = r#"
[site]
name = "quillhaven"
zone = "Europe/Berlin"
[broker]
url = "mqtt://localhost"
[[commands]]
topic = "roundsman/quillhaven/+/command"
actions = "all"
[limits]
max_assets = 40
max_points_per_asset = 12
[learn]
run_time = "20 s"
min_snapshots = 10
[[topics]]
pattern = "n/{area}/{asset}/{point}"
[[topics]]
pattern = "j/{asset}/{point}"
payload = { format = "json", value = "/v", time = "/t", unit = "/u", quality = "/q", numbers_in_strings = true }
[[topics]]
pattern = "a/{line}/{unit}"
asset = "{line}-{unit}"
payload = { format = "json", points = "*", time = "/t", unit = "/u" }
[[topics]]
pattern = "k/{asset}"
[topics.payload]
format = "json"
points = { vib_de = { value = "/vib/de", unit = "mm/s rms" }, temp = "/temp", speed = "/0" }
time = "/time"
time_format = "ms"
[[topics]]
pattern = "s/{...}"
payload = { format = "senml", names = "asset/point" }
[[topics]]
pattern = "p/{asset}/{rest...}"
payload = { format = "senml", names = "point" }
[assets.pump-7]
area = "north"
class = "pump"
[assets.pump-7.points.vib]
unit = "mm/s rms"
alarm_high = 7.1
[assets.pump-7.points.speed]
unit = "rpm"
"#;

fn checked() -> &'static Checked {
    static CHECKED: OnceLock<Checked> = OnceLock::new();
    CHECKED.get_or_init(|| {
        let sources = Sources { needs_broker: true, zones: config::zone_names(), ..Sources::default() };
        config::from_text(Some(PLANT), &sources).unwrap_or_else(|faults| panic!("{faults:?}"))
    })
}

fn decode(mapping: &Mapping, payload: &[u8]) {
    let names = TopicNames { area: Some("north".into()), asset: Some("pump-7".into()), point: Some("vib".into()) };
    let mut out: Vec<Decoded<'_>> = Vec::new();
    let result = payload::decode(&mapping.codec, &names, payload, NOW, &mut out);
    if let Err(refusal) = &result {
        assert!(refusal.values > 0, "a refusal of nothing: {refusal}");
        assert!(refusal.detail.len() < 1000, "{} bytes of explanation", refusal.detail.len());
    }
    // A value takes at least a digit and what parts it from the next.
    assert!(out.len() <= payload.len(), "{} values of {} bytes", out.len(), payload.len());
    let held: usize = out.iter().map(|v| v.asset.len() + v.point.len() + v.unit.as_ref().map_or(0, |u| u.len())).sum();
    assert!(held <= out.len() * 6 * MAX_NAME_BYTES, "{held} bytes of names for {} values", out.len());
    let mut registry = Registry::new(checked());
    for value in &out {
        let resolved = registry.resolve(&value.asset, value.area.as_deref(), &value.point, value.unit.as_deref());
        assert!(resolved.is_ok() || registry.len() <= 41);
    }
}

fn codecs(wanted: fn(&Format) -> bool) -> impl Iterator<Item = &'static Mapping> {
    checked().topics.iter().filter(move |mapping| wanted(&mapping.codec.format))
}

/// A plain number.
pub fn number(data: &[u8]) {
    codecs(|format| matches!(format, Format::Number)).for_each(|mapping| decode(mapping, data));
    if let Ok(text) = std::str::from_utf8(data) {
        let _ = config::value::parse_amount(text);
        let _ = config::value::parse_secs(text).map(config::value::show_secs);
        let _ = commands::duration_secs(text);
    }
}

/// JSON by pointers, in all three shapes.
pub fn json(data: &[u8]) {
    codecs(|format| matches!(format, Format::Json(_))).for_each(|mapping| decode(mapping, data));
}

/// SenML with both rules of naming.
pub fn senml(data: &[u8]) {
    codecs(|format| matches!(format, Format::Senml(_))).for_each(|mapping| decode(mapping, data));
}

/// Times as text and as numbers, in every format and with and without a zone.
pub fn time(data: &[u8]) {
    static BERLIN: OnceLock<TimeZone> = OnceLock::new();
    let berlin = BERLIN.get_or_init(|| TimeZone::get("Europe/Berlin").unwrap_or(TimeZone::UTC));
    if let Ok(text) = std::str::from_utf8(data) {
        for (_, format) in payload::TimeFormat::NAMES {
            for zone in [None, Some(berlin)] {
                let _ = time::from_text(text, format, zone);
            }
        }
    }
    for zone in [berlin, &TimeZone::UTC] {
        if let Some(at) = recording::time::parse(data, zone) {
            let mut text = Vec::new();
            recording::time::write_rfc3339(&mut text, at);
        }
    }
    if let Some(bits) = data.first_chunk::<8>() {
        for (_, format) in payload::TimeFormat::NAMES {
            let _ = time::from_whole(i64::from_le_bytes(*bits), format);
            let _ = time::from_number(f64::from_le_bytes(*bits), format);
        }
        let _ = recording::time::epoch_integer(i64::from_le_bytes(*bits));
        let _ = recording::time::epoch_float(f64::from_le_bytes(*bits));
    }
}

/// A pattern, a template over it, and a topic: a line each.
pub fn topics(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let mut lines = text.splitn(3, '\n');
    let (pattern, template, topic) =
        (lines.next().unwrap_or(""), lines.next().unwrap_or(""), lines.next().unwrap_or(""));
    let _ = find(&checked().topics, topic);
    let _ = Unit::parse(topic);
    let Ok(pattern) = Pattern::parse(pattern) else { return };
    let names = pattern.matches(topic);
    if let (Ok(template), Some(names)) = (Template::parse(template, &pattern), names) {
        let _ = template.name(&names);
    }
    // What we publish to must be a topic, whatever the names are.
    let safe = roundsman::advise::topics::topic_safe(topic);
    assert!(!safe.is_empty() && !safe.contains(['+', '#', '/']));
}

/// Everything an engine says must be writable.
fn said(outputs: &mut Vec<Output>) {
    for output in outputs.drain(..) {
        match output {
            Output::Alert(_, alert) => {
                let text = alert.to_json();
                assert!(!readable::line(&alert, &mut 0, true).is_empty());
                // `null` stands for what is not finite; everything else reads back.
                let _ = Alert::from_json(&text);
            }
            Output::Condition(_, condition) => {
                let _ = condition.to_json();
            }
            _ => {}
        }
    }
}

/// Messages one after the other through the whole intake and the engine: topic, tab, payload, each ended by a line end. A
/// line that begins with `+` is so many seconds of silence, one with `!` is an empty line in the payload.
pub fn plant(data: &[u8]) {
    let topics = roundsman::run::topics(checked()).unwrap_or_else(|fault| panic!("{fault}"));
    let mut plant = Plant::new(checked(), topics.clone());
    let mut engine = Engine::new("quillhaven", true);
    let (mut outputs, mut defined) = (Vec::new(), Vec::new());
    let _ = plant.restore(None, &mut defined);
    defined.iter().for_each(|event| engine.step(event, &mut outputs));
    for (number, line) in (0..).zip(data.split(|byte| *byte == b'\n').take(400)) {
        let mut routed = Routed::default();
        if let Some(secs) = line.strip_prefix(b"+") {
            let secs = std::str::from_utf8(secs).ok().and_then(|text| text.parse::<i64>().ok()).unwrap_or(1);
            plant.idle(secs.saturating_mul(1_000_000), &mut routed);
        } else {
            let mut parts = line.splitn(2, |byte| *byte == b'\t');
            let topic = String::from_utf8_lossy(parts.next().unwrap_or_default()).into_owned();
            let payload = parts.next().unwrap_or_default().to_vec().into();
            let message = Message {
                topic,
                payload,
                cut: false,
                retain: false,
                dup: false,
                packet_id: 0,
                received: EventTime(NOW.0 + number * 1_000_000),
                reply_to: None,
            };
            plant.message(&message, &mut routed);
        }
        for event in &routed.events {
            engine.step(event, &mut outputs);
        }
        said(&mut outputs);
    }
    // Stored and taken back it is the same.
    let saved = plant.save();
    let mut again = Plant::new(checked(), topics);
    let mut defined = Vec::new();
    assert_eq!(again.restore(Some(&saved), &mut defined), Ok(()));
    assert_eq!(again.save(), saved);
    let mut other = Engine::new("quillhaven", true);
    defined.iter().for_each(|event| other.step(event, &mut outputs));
    let states = engine.save().unwrap_or_else(|fault| panic!("{fault}"));
    for (id, name, bytes) in &states {
        other.restore(*id, bytes).unwrap_or_else(|fault| panic!("{name}: {fault}"));
    }
    assert_eq!(other.save().unwrap_or_default(), states);
    engine.step(&Event::End(plant.now().unwrap_or(NOW)), &mut outputs);
    said(&mut outputs);
}

/// Sparkplug messages, each a byte for its kind, a byte for its length and so many of payload. Stored and taken back in the
/// middle it goes on the same.
pub fn sparkplug(data: &[u8]) {
    static CONFIG: OnceLock<Checked> = OnceLock::new();
    let config = CONFIG.get_or_init(|| {
        let text = format!("{PLANT}\n[sparkplug]\ngroups = [\"+\"]\nrebirth = true\nmax_nodes = 3\nmax_metrics = 40\n");
        let sources = Sources { needs_broker: true, zones: config::zone_names(), ..Sources::default() };
        config::from_text(Some(&text), &sources).unwrap_or_else(|faults| panic!("{faults:?}"))
    });
    let topics = roundsman::run::topics(config).unwrap_or_else(|fault| panic!("{fault}"));
    let mut plant = Plant::new(config, topics.clone());
    const KINDS: [&str; 8] = [
        "g/NBIRTH/n",
        "g/DBIRTH/n/pump",
        "g/DDATA/n/pump",
        "g/NDATA/n",
        "g/DDEATH/n/pump",
        "g/NDEATH/n",
        "g/DBIRTH/n/fan",
        "h/NBIRTH/m",
    ];
    let mut rest = data;
    for number in 0..400 {
        let [kind, length, after @ ..] = rest else { break };
        let (payload, after) = after.split_at(usize::from(*length).min(after.len()));
        rest = after;
        let message = Message {
            topic: format!("spBv1.0/{}", KINDS[usize::from(*kind) % KINDS.len()]),
            payload: payload.to_vec().into(),
            cut: false,
            retain: false,
            dup: false,
            packet_id: 0,
            received: EventTime(NOW.0 + number * 700_000),
            reply_to: None,
        };
        let mut routed = Routed::default();
        plant.message(&message, &mut routed);
        assert!(routed.events.len() <= 20_000, "{} events", routed.events.len());
        if number % 8 == 7 {
            let saved = plant.save();
            let mut again = Plant::new(config, topics.clone());
            assert_eq!(again.restore(Some(&saved), &mut Vec::new()), Ok(()));
            assert_eq!(again.save(), saved);
            plant = again;
        }
    }
    assert!(plant.names().len() <= 40, "{} assets", plant.names().len());
}

/// Names and units: asset, area, point and unit, a line each, again and again.
pub fn registry(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let mut registry = Registry::new(checked());
    let mut lines = text.split('\n');
    while let (Some(asset), Some(area), Some(point), Some(unit)) =
        (lines.next(), lines.next(), lines.next(), lines.next())
    {
        let before = registry.len();
        if registry.resolve(asset, Some(area), point, Some(unit)).is_err() {
            assert_eq!(registry.len(), before, "what was refused is registered");
        }
    }
    assert!(registry.len() <= 40);
    assert!(registry.specs().all(|spec| spec.points.len() <= 12));
}

/// A person's command.
pub fn command(data: &[u8]) {
    if let Ok(incoming) = commands::parse(data) {
        assert!(!incoming.command.by.trim().is_empty());
        let _ = commands::action_name(&incoming.command.action);
    }
}

/// A configuration file, and behind a zero byte assignments of `--set`, one a line.
pub fn config(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let (file, rest) = text.split_once('\0').unwrap_or((&text, ""));
    // The one setting that names a file to be read.
    if text.contains("password_file") {
        return;
    }
    let set: Vec<String> = rest.lines().map(str::to_owned).collect();
    let env = set.iter().filter_map(|line| line.split_once('=')).map(|(key, value)| {
        (format!("{}{}", config::ENV_PREFIX, key.replace('.', "__").to_uppercase()), value.to_owned())
    });
    let sources =
        Sources { env: env.collect(), set: &set, zones: config::zone_names(), needs_broker: true, file: None };
    match config::from_text(Some(file), &sources) {
        Err(faults) => assert!(!faults.is_empty() && faults.iter().all(|fault| !fault.to_string().is_empty())),
        Ok(checked) => {
            let settings = checked.settings;
            assert!(settings.learn.run_time_secs > 0.0 && settings.detect.alarm_sigmas.is_finite());
            assert!(checked.assets.iter().all(|asset| !asset.spec.name.is_empty()));
        }
    }
}

/// A waveform message.
pub fn waveform(data: &[u8]) {
    let limits = waveform::Limits::default();
    if let Ok(capture) = waveform::decode(data, &limits) {
        // A sample takes two bytes at least, in text or packed.
        assert!(capture.samples_g.len() <= data.len().min(limits.samples));
        assert!(capture.samples_g.iter().all(|x| x.is_finite()) && capture.rate_hz > 0.0);
    }
}

/// A waveform file; its first byte says which kind.
pub fn waveform_file(data: &[u8]) {
    let Some((kind, data)) = data.split_first() else { return };
    let ending = ["wav", "csv", "json", "raw"][usize::from(kind % 4)];
    let options = waveform::FileOptions {
        rate_hz: (kind & 4 > 0).then_some(1000.0),
        channel: usize::from(kind >> 6),
        ..Default::default()
    };
    if let Ok(capture) = waveform::read_bytes(data, ending, &options) {
        assert!(capture.samples_g.iter().all(|x| x.is_finite()) && capture.rate_hz > 0.0);
    }
}

/// The codecs behind a recording of messages.
struct Topics;

impl Decode for Topics {
    fn decode(
        &mut self,
        message: &recording::Message<'_>,
        emit: &mut dyn FnMut(Result<recording::Decoded<'_>, Rejection>),
    ) {
        let Some((mapping, names)) = find(&checked().topics, message.topic) else {
            return emit(Err(Rejection::UnmappedTopic));
        };
        let mut values = Vec::new();
        let _ = payload::decode(&mapping.codec, &names, message.payload, message.at, &mut values);
        for value in &values {
            emit(Ok(recording::Decoded {
                asset: &value.asset,
                area: value.area.as_deref(),
                point: &value.point,
                unit: value.unit.as_deref(),
                at: value.at,
                value: value.value,
                quality: value.quality,
            }));
        }
    }
}

fn play(data: &[u8], most: usize) {
    let options = ReadOptions { batch: 64, ..ReadOptions::default() };
    let decoder = || Some(Box::new(Topics) as Box<dyn Decode>);
    let Ok(mut recording) = recording::open_bytes(Path::new("fuzzed"), data.to_vec(), &options, &decoder) else {
        return;
    };
    let (mut batch, mut readings) = (Vec::new(), 0);
    while readings < most {
        match recording.next_batch(&mut batch) {
            Ok(true) => {}
            Ok(false) | Err(_) => break,
        }
        readings += batch.len();
        let series = recording.series().len();
        assert!(batch.iter().all(|raw| (raw.series as usize) < series && !raw.value.is_nan()));
    }
}

/// A recording of any kind: CSV, messages, gzip, zstd.
pub fn recording(data: &[u8]) {
    if data.starts_with(b"PAR1") {
        return;
    }
    play(data, 100_000);
}

/// A Parquet recording.
pub fn parquet(data: &[u8]) {
    if data.starts_with(b"PAR1") {
        play(data, 100_000);
    }
}

/// A row of the journal.
pub fn journal(data: &[u8]) {
    if let Ok(entries) = rows::decode(data) {
        let again = rows::encode(&entries).unwrap_or_default();
        assert_eq!(rows::decode(&again).as_ref(), Ok(&entries));
    }
}

/// A stored state of an asset, or of the intake: what cannot be read is refused, what can be read can be gone on with.
pub fn snapshot(data: &[u8]) {
    let Some((kind, data)) = data.split_first() else { return };
    let topics = roundsman::run::topics(checked()).unwrap_or_else(|fault| panic!("{fault}"));
    let mut plant = Plant::new(checked(), topics);
    let mut engine = Engine::new("quillhaven", true);
    let (mut outputs, mut defined) = (Vec::new(), Vec::new());
    let _ = plant.restore((kind % 2 == 1).then_some(data), &mut defined);
    defined.iter().for_each(|event| engine.step(event, &mut outputs));
    if kind % 2 == 0
        && let Some(Event::Define(id, ..)) = defined.first()
    {
        let _ = engine.restore(*id, data);
    }
    // Ten days on, so that a state that was learned has something to say to it.
    for n in 2880..2900 {
        let mut routed = Routed::default();
        let message = Message {
            topic: "n/north/pump-7/vib".into(),
            payload: format!("{n} mm/s").into_bytes().into(),
            cut: false,
            retain: false,
            dup: false,
            packet_id: 0,
            received: EventTime(NOW.0 + n * 300_000_000),
            reply_to: None,
        };
        plant.message(&message, &mut routed);
        routed.events.iter().for_each(|event| engine.step(event, &mut outputs));
        said(&mut outputs);
    }
    let _ = engine.save();
}

/// Documents read back.
pub fn documents(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(alert) = Alert::from_json(text) {
        assert!(!readable::line(&alert, &mut 0, false).contains(char::is_control));
        let _ = alert.to_json();
    }
    let _ = Condition::from_json(text);
    let _ = RemainingLifeStatement::from_json(text);
    let _ = ServiceStatus::from_json(text);
}
