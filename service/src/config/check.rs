//! The merged layers → [`Checked`], gathering every fault on the way.

use super::assets::read_assets;
use super::checked::{Broker, Checked, Limits, Protocol, Publish, Site, State};
use super::settings;
use super::table::{Faults, Table};
use super::topics::read_topics;
use super::{Fault, Sources};
use crate::acquire::payload::Format;
use crate::acquire::registry::{is_asset_name, is_point_name};
use crate::advise::topics::Topics;
use crate::asset::settings::Settings;
use config::{Map, Value};
use jiff::tz::TimeZone;
use std::path::PathBuf;
use std::sync::Arc;

/// Checks everything.
pub(super) fn check(map: &Map<String, Value>, sources: &Sources<'_>, found: Vec<Fault>) -> Result<Checked, Vec<Fault>> {
    let name = sources.file_name();
    let faults = Faults::new(name.as_deref(), found);
    let root = Table::root(map, &faults);
    let site = read_site(root.table("site"), sources.needs_broker);
    let limits = read_limits(root.table("limits"));
    let publish = read_publish(root.table("publish"));
    let state = read_state(root.table("state"));
    let mut broker = read_broker(root.table("broker"), &site, &limits, sources.needs_broker);
    let topics = read_topics(root.get("topics"), &site, &publish, &limits);
    let waveforms = topics.iter().any(|t| matches!(t.codec.format, Format::Waveform(_)));
    if let (true, Some(broker)) = (waveforms, &mut broker) {
        make_room_for_waveforms(&root.table("broker"), broker, &limits);
    }
    if sources.needs_broker && topics.is_empty() && root.get("topics").is_none() {
        root.fault(
            "topics",
            "is needed: at least one [[topics]] table with a pattern, for example \"plant/{area}/{asset}/{point}\"",
        );
    }
    let settings = Arc::new(settings::read(&root, &Settings::default()));
    let assets = read_assets(&root.table("assets"), &settings, &limits, sources.zones.as_deref());
    root.done();
    let list = faults.into_list();
    if list.is_empty() {
        Ok(Checked { site, broker, topics, settings, publish, state, limits, assets })
    } else {
        Err(list)
    }
}

fn read_site(table: Table<'_>, needed: bool) -> Site {
    let mut site = Checked::default().site;
    match table.get("name") {
        Some(spot) => {
            if let Some(name) = spot.text() {
                if is_asset_name(name) && !name.starts_with('$') {
                    site.name = name.to_owned();
                } else {
                    spot.fault(NAME_RULE);
                }
            }
        }
        None if needed => table.fault("name", "is needed: it is part of every topic that is published"),
        None => {}
    }
    site.zone = table.get("zone").and_then(|spot| read_zone(&spot));
    table.done();
    site
}

/// Rule for names that become one topic level.
pub(super) const NAME_RULE: &str =
    "must be a name of 1 to 128 bytes without /, +, # and control characters: it is one level of a topic";

/// A zone by its IANA name.
pub(super) fn read_zone(spot: &super::table::Spot<'_>) -> Option<TimeZone> {
    let name = spot.text()?;
    match TimeZone::get(name) {
        Ok(zone) => Some(zone),
        Err(_) => {
            spot.fault(
                "must be a zone of the IANA time zone database, for example \"Europe/Berlin\" (on a system without \
                 that database, install tzdata)",
            );
            None
        }
    }
}

fn read_limits(table: Table<'_>) -> Limits {
    let mut limits = Limits::default();
    let whole = |key, low, high| table.get(key).and_then(|spot| spot.whole(low, high)).map(|n| n as usize);
    if let Some(n) = whole("max_assets", 1, 1_000_000) {
        limits.max_assets = n;
    }
    if let Some(n) = whole("max_points_per_asset", 1, 1000) {
        limits.max_points_per_asset = n;
    }
    if let Some(n) = whole("max_payload", 16, 16 << 20) {
        limits.max_payload_bytes = n;
    }
    if let Some(n) = whole("max_waveform", 1024, 64 << 20) {
        limits.max_waveform_bytes = n;
    }
    table.done();
    limits
}

fn read_publish(table: Table<'_>) -> Publish {
    let mut publish = Publish::default();
    if let Some(spot) = table.get("prefix")
        && let Some(prefix) = spot.text()
    {
        if prefix.split('/').all(is_asset_name) && !prefix.starts_with('$') {
            publish.prefix = prefix.to_owned();
        } else {
            spot.fault(
                "must be one or more topic levels with / between them, without + and # and not beginning with $",
            );
        }
    }
    if let Some(allowed) = table.get("commands").and_then(|s| s.truth()) {
        publish.commands = allowed;
    }
    if let Some(spot) = table.get("capture_topic")
        && let Some(template) = spot.text()
    {
        let checked = Topics::new("a/{asset}", "s").and_then(|topics| topics.with_captures_to(template, "s"));
        match checked {
            Ok(_) => publish.capture_topic = Some(template.to_owned()),
            Err(fault) => spot.fault(format!("must be a topic: it {}", fault.rule)),
        }
    }
    table.done();
    publish
}

fn read_state(table: Table<'_>) -> State {
    let mut state = State::default();
    if let Some(spot) = table.get("dir")
        && let Some(dir) = spot.text()
    {
        if dir.trim().is_empty() {
            spot.fault("must be a folder");
        } else {
            state.dir = PathBuf::from(dir);
        }
    }
    table.done();
    state
}

fn read_broker(table: Table<'_>, site: &Site, limits: &Limits, needed: bool) -> Option<Broker> {
    if !table.is_there() {
        if needed {
            table.fault("url", "is needed, for example \"mqtt://localhost:1883\"");
        }
        return None;
    }
    let mut broker = Broker {
        host: String::new(),
        port: 1883,
        protocol: Protocol::V5,
        client_id: format!("roundsman-{}", site.name),
        username: None,
        password: None,
        keep_alive_secs: 30,
        session_expiry_secs: 24 * 3600,
        receive_maximum: 1000,
        max_packet_bytes: 256 * 1024,
        stream_clock: false,
    };
    match table.get("url") {
        Some(spot) => {
            if let Some(url) = spot.text() {
                match read_url(url) {
                    Ok((host, port)) => (broker.host, broker.port) = (host, port),
                    // An URL with a password in it must not be printed.
                    Err(rule) if url.contains('@') => spot.fault_without_value(rule),
                    Err(rule) => spot.fault(rule),
                }
            }
        }
        None => table.fault("url", "is needed, for example \"mqtt://localhost:1883\""),
    }
    if let Some(protocol) = table.get("protocol").and_then(|s| s.one_of(&[("5", Protocol::V5), ("3", Protocol::V3)])) {
        broker.protocol = protocol;
    }
    if let Some(spot) = table.get("client_id")
        && let Some(id) = spot.text()
    {
        if is_point_name(id) {
            broker.client_id = id.to_owned();
        } else {
            spot.fault("must be 1 to 128 bytes without control characters and spaces at its ends");
        }
    }
    read_login(&table, &mut broker);
    let secs = |key, low: f64, high: f64, broker_rule: &str| {
        let spot = table.get(key)?;
        let secs = spot.secs()?;
        if secs >= low && secs <= high {
            return Some(secs.round());
        }
        spot.fault(broker_rule);
        None
    };
    if let Some(n) = secs("keep_alive", 5.0, 65_535.0, "must be at least 5 s and at most 18 h") {
        broker.keep_alive_secs = n as u16;
    }
    if let Some(n) = secs("session_expiry", 0.0, f64::from(u32::MAX), "must be at least 0 s and at most 136 years") {
        broker.session_expiry_secs = n as u32;
    }
    if let Some(n) = table.get("receive_maximum").and_then(|s| s.whole(1, 65_535)) {
        broker.receive_maximum = n as u16;
    }
    let spot = table.get("max_packet");
    if let Some(n) = spot.as_ref().and_then(|s| s.whole(1024, 256 << 20)) {
        broker.max_packet_bytes = n as u32;
    }
    if (broker.max_packet_bytes as usize) < limits.max_payload_bytes {
        let rule = format!("must be at least limits.max_payload {}", limits.max_payload_bytes);
        match spot {
            Some(spot) => spot.fault(rule),
            None => table.fault("max_packet", rule),
        }
    }
    if let Some(stream) = table.get("clock").and_then(|s| s.one_of(&[("wall", false), ("stream", true)])) {
        broker.stream_clock = stream;
    }
    table.done();
    Some(broker)
}

/// A packet must hold the largest waveform, with its topic and the packet's own header around it.
fn make_room_for_waveforms(table: &Table<'_>, broker: &mut Broker, limits: &Limits) {
    let needed = limits.max_waveform_bytes;
    match table.get("max_packet") {
        Some(spot) if (broker.max_packet_bytes as usize) < needed => {
            spot.fault(format!("must be at least limits.max_waveform {needed}, since a topic brings waveforms"));
        }
        Some(_) => {}
        None => {
            let room = needed.saturating_add(70_000).min(256 << 20) as u32;
            broker.max_packet_bytes = broker.max_packet_bytes.max(room);
        }
    }
}

fn read_login(table: &Table<'_>, broker: &mut Broker) {
    broker.username = table.get("username").and_then(|s| s.text()).map(str::to_owned);
    let password = table.get("password");
    let file = table.get("password_file");
    if let Some(spot) = &password {
        if !spot.value.origin().is_some_and(|origin| origin.starts_with("environment")) {
            spot.fault_without_value(
                "must not be in a file or on the command line, where others can read it: set the environment variable \
                 ROUNDSMAN__BROKER__PASSWORD, or name a file in password_file",
            );
        } else if let config::ValueKind::String(text) = &spot.value.kind {
            broker.password = Some(text.clone());
        }
    }
    if let Some(spot) = &file
        && let Some(path) = spot.text()
    {
        if password.is_some() {
            spot.fault("must not be set beside broker.password");
        } else {
            match std::fs::read_to_string(path) {
                Ok(text) => broker.password = Some(text.trim_end_matches(['\r', '\n']).to_owned()),
                Err(error) => spot.fault(format!("must be a file that can be read: {error}")),
            }
        }
    }
    if (password.is_some() || file.is_some()) && broker.username.is_none() {
        table.fault("username", "is needed where there is a password");
    }
}

fn read_url(url: &str) -> Result<(String, u16), String> {
    const WANT: &str = "must be mqtt://HOST or mqtt://HOST:PORT";
    let rest = match url.split_once("://") {
        Some(("mqtt" | "tcp", rest)) => rest,
        Some(("mqtts" | "ssl" | "ws" | "wss", _)) => {
            return Err(format!("{WANT}; TLS and websockets are not in this version"));
        }
        _ => return Err(WANT.into()),
    };
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    if rest.contains('@') {
        return Err(format!("{WANT}; set username and password_file beside it instead of writing them into it"));
    }
    let (host, port) = match rest.strip_prefix('[').and_then(|r| r.split_once(']')) {
        Some((host, "")) => (host, None),
        Some((host, port)) => (host, Some(port.strip_prefix(':').ok_or(WANT)?)),
        None => match rest.split_once(':') {
            Some((host, port)) => (host, Some(port)),
            None => (rest, None),
        },
    };
    let port = match port {
        None => 1883,
        Some(port) => port.parse().ok().filter(|p| *p > 0).ok_or(WANT)?,
    };
    if host.is_empty() || host.contains(['/', ' ', '?', '#']) {
        return Err(WANT.into());
    }
    Ok((host.to_owned(), port))
}

#[cfg(test)]
mod tests {
    use super::read_url;

    #[test]
    fn broker_addresses() {
        let ok = |url: &str| read_url(url).ok();
        assert_eq!(ok("mqtt://broker"), Some(("broker".into(), 1883)));
        assert_eq!(ok("mqtt://10.0.0.7:1884/"), Some(("10.0.0.7".into(), 1884)));
        assert_eq!(ok("tcp://[::1]:1883"), Some(("::1".into(), 1883)));
        for bad in [
            "broker",
            "mqtts://b",
            "mqtt://",
            "mqtt://b:0",
            "mqtt://b:99999",
            "mqtt://u:p@b",
            "mqtt://b/x",
            "http://b",
            "mqtt://[::1]x",
        ] {
            assert_eq!(ok(bad), None, "{bad}");
        }
    }
}
