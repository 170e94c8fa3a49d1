//! The merged layers → [`Checked`], gathering every fault on the way.

use super::assets::read_assets;
use super::checked::{Audit, Broker, Checked, Journal, Limits, Protocol, Publish, Service, Site, State};
use super::commands::read_commands;
use super::exposure::{PLAINTEXT_STATEMENT, is_loopback_host, read_statement};
use super::groups::read_groups;
use super::historian::read_historian;
use super::http::read_http;
use super::mail::read_mail;
use super::maintenance::read_maintenance;
use super::people::{Units, read_page};
use super::secret::read_secret;
use super::settings;
use super::sparkplug::read_sparkplug;
use super::table::{Faults, Table};
use super::tls::read_tls;
use super::topics::read_topics;
use super::{Fault, Sources};
use crate::acquire::payload::Format;
use crate::acquire::registry::{AssetPlan, is_asset_name, is_point_name};
use crate::advise::document::History;
use crate::advise::topics::Topics;
use crate::asset::history;
use crate::asset::settings::Settings;
use config::{Map, Value};
use jiff::tz::TimeZone;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Checks everything.
pub(super) fn check(
    map: &Map<String, Value>,
    sources: &Sources<'_>,
    histories: Option<&[String]>,
    found: Vec<Fault>,
) -> Result<Checked, Vec<Fault>> {
    let name = sources.file_name();
    let faults = Faults::new(name.as_deref(), found);
    let root = Table::root(map, &faults);
    let site = read_site(root.table("site"), sources.needs_broker);
    let limits = read_limits(root.table("limits"));
    let publish = read_publish(root.table("publish"));
    let state = read_state(root.table("state"));
    let http = read_http(root.table("http"));
    let mail = read_mail(root.table("mail"), site.zone.is_some());
    let page = read_page(root.table("page"), root.get("users"));
    let historian = read_historian(root.table("historian"));
    let journal = read_journal(root.table("journal"));
    let audit = read_audit(root.table("audit"));
    let service = read_service(root.table("service"));
    let mut broker = read_broker(root.table("broker"), &site, &limits, sources.needs_broker);
    let command_topics = Topics::new(&publish.template(), &site.name).ok();
    let commands = read_commands(root.get("commands"), command_topics.as_ref());
    let topics = read_topics(root.get("topics"), &site, &publish, &limits);
    let waveforms = topics.iter().any(|t| matches!(t.codec.format, Format::Waveform(_)));
    if let (true, Some(broker)) = (waveforms, &mut broker) {
        make_room_for_waveforms(&root.table("broker"), broker, &limits);
    }
    let sparkplug = read_sparkplug(root.table("sparkplug"));
    if sources.needs_broker && topics.is_empty() && root.get("topics").is_none() && !sparkplug.listens() {
        root.fault(
            "topics",
            "is needed: at least one [[topics]] table with a pattern, for example \"plant/{area}/{asset}/{point}\"",
        );
    }
    let groups = read_groups(root.get("groups"));
    let calendar = read_maintenance(root.get("maintenance"), &site, &groups);
    let base = Settings { calendar: Arc::new(calendar), groups: Arc::new(groups), ..Settings::default() };
    let settings = Arc::new(settings::read(&root, &base));
    let PastCases { histories, texts, keep_in } = read_histories(root.table("history"), histories);
    let mut assets = read_assets(&root.table("assets"), &settings, &limits, sources.zones.as_deref());
    remember(&mut assets, &histories);
    root.done();
    let list = faults.into_list();
    if list.is_empty() {
        // What is told about the file as a whole is added by the caller.
        let rest = Checked::default();
        Ok(Checked {
            site,
            broker,
            topics,
            sparkplug,
            settings,
            publish,
            commands,
            state,
            http,
            mail,
            page,
            historian,
            histories,
            history_texts: texts,
            keep_histories_in: keep_in,
            limits,
            assets,
            journal,
            audit,
            service,
            ..rest
        })
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
    if let Some(units) =
        table.get("units").and_then(|spot| spot.one_of(&[("metric", Units::Metric), ("inch", Units::Inch)]))
    {
        site.units = units;
    }
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
    if let Some(n) = whole("max_values", 1, 1_000_000) {
        limits.max_values = n;
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
    if let Some(spot) = table.get("commands") {
        spot.fault("is not a setting any more: [[commands]] says on which topics which actions are taken");
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
    publish.cloud_events = table.get("cloudevents").and_then(|spot| spot.truth()).unwrap_or(false);
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
    let time = |key, low: f64, high: f64, rule: &str| {
        let spot = table.get(key)?;
        let secs = spot.secs()?;
        if secs >= low && secs <= high {
            return Some(Duration::from_secs_f64(secs));
        }
        spot.fault(rule);
        None
    };
    if let Some(every) = time("snapshot_every", 1.0, 3600.0, "must be at least 1 s and at most 1 h") {
        state.snapshot_every = every;
    }
    table.done();
    state
}

fn read_journal(table: Table<'_>) -> Journal {
    let mut journal = Journal::default();
    if let Some(spot) = table.get("keep_days")
        && let Some(days) = spot.number()
    {
        if (0.0..=3660.0).contains(&days) {
            journal.keep_days = days;
        } else {
            spot.fault("must be at least 0 and at most 3660 days");
        }
    }
    if let Some(mib) = table.get("max_size_mib").and_then(|spot| spot.whole(16, 1 << 30)) {
        journal.max_size_mib = mib;
    }
    table.done();
    journal
}

fn read_audit(table: Table<'_>) -> Audit {
    let mut audit = Audit::default();
    if let Some(spot) = table.get("keep_days")
        && let Some(days) = spot.number()
    {
        if (1.0..=36_600.0).contains(&days) {
            audit.keep_days = days;
        } else {
            spot.fault("must be at least 1 and at most 36600 days");
        }
    }
    if let Some(rows) = table.get("max_rows").and_then(|spot| spot.whole(100, 10_000_000)) {
        audit.max_rows = rows;
    }
    table.done();
    audit
}

fn read_service(table: Table<'_>) -> Service {
    let mut service = Service::default();
    if let Some(spot) = table.get("stop_within")
        && let Some(secs) = spot.secs()
    {
        if (1.0..=3600.0).contains(&secs) {
            service.stop_within_secs = secs;
        } else {
            spot.fault("must be at least 1 s and at most 1 h");
        }
    }
    table.done();
    service
}

#[derive(Default)]
struct PastCases {
    histories: Vec<History>,
    texts: Option<Vec<String>>,
    keep_in: Option<PathBuf>,
}

/// `recorded`: the texts as a journal has them, which stand for the folder's; what is in it today was not known then.
fn read_histories(table: Table<'_>, recorded: Option<&[String]>) -> PastCases {
    let mut found = PastCases::default();
    let keep = table.get("keep").and_then(|spot| spot.truth());
    if let Some(spot) = table.get("dir")
        && let Some(dir) = spot.text()
    {
        let dir = Path::new(dir);
        let texts = match recorded {
            Some(texts) => Ok(texts.iter().map(|text| (PathBuf::from("a recorded past case"), text.clone())).collect()),
            // It is made when the first case is kept.
            None if keep != Some(false) && !dir.exists() => Ok(Vec::new()),
            None => crate::keep::histories::read_texts(dir),
        };
        let parsed = texts.and_then(|texts: Vec<(PathBuf, String)>| {
            let parse = |(path, text): &(PathBuf, String)| {
                crate::keep::histories::parse(text).map_err(|why| format!("{}: {why}", path.display()))
            };
            found.histories = texts.iter().map(parse).collect::<Result<_, _>>()?;
            found.texts = Some(texts.into_iter().map(|(_, text)| text).collect());
            Ok(())
        });
        match parsed {
            Ok(()) => found.keep_in = keep.unwrap_or(true).then(|| dir.to_owned()),
            Err(why) => spot.fault(format!("must be a folder of past cases: {why}")),
        }
    } else if keep.is_some() {
        table.fault("dir", "is needed where there is `keep`: the folder that past cases are kept in");
    }
    table.done();
    found
}

/// Gives every asset what the past cases of its class taught.
fn remember(assets: &mut [AssetPlan], histories: &[History]) {
    let classes = history::learn(histories);
    for plan in assets {
        if let Some(class) = plan.spec.class.as_ref().and_then(|class| classes.get(class)) {
            Arc::make_mut(&mut plan.settings).history = Some(Arc::clone(class));
        }
    }
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
        tls: None,
        keep_alive_secs: 30,
        session_expiry_secs: 24 * 3600,
        receive_maximum: 1000,
        max_packet_bytes: 256 * 1024,
        stream_clock: false,
    };
    let mut address = None;
    match table.get("url") {
        Some(spot) => {
            if let Some(url) = spot.text() {
                match read_url(url) {
                    Ok(read) => address = Some(read),
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
    if let Some(Address { host, port, tls }) = address {
        broker.tls = read_tls(&table, tls, "is for mqtts:// only, and broker.url begins with mqtt://");
        (broker.host, broker.port) = (host, port);
        check_plaintext(&table, &broker, tls);
    }
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
    broker.password = read_secret(table, "password");
    if broker.password.is_some() && broker.username.is_none() {
        table.fault("username", "is needed where there is a password");
    }
}

/// A password goes over a network encrypted, or because the file says in words that it need not.
fn check_plaintext(table: &Table<'_>, broker: &Broker, tls: bool) {
    let mut accepted = false;
    if let Some(spot) = table.get("plaintext_password")
        && let Some(text) = spot.text()
    {
        match read_statement(text) {
            Ok(()) => accepted = true,
            Err(rule) => return spot.fault(rule),
        }
    }
    if broker.password.is_some() && !tls && !accepted && !is_loopback_host(&broker.host) {
        table.fault(
            "plaintext_password",
            format!(
                "is needed, since the password would go to {} unencrypted: use mqtts://, or say plaintext_password = \
                 {PLAINTEXT_STATEMENT:?}",
                broker.host
            ),
        );
    }
}

/// What a URL says.
#[derive(Debug, PartialEq, Eq)]
struct Address {
    host: String,
    port: u16,
    tls: bool,
}

fn read_url(url: &str) -> Result<Address, String> {
    const WANT: &str = "must be mqtt://HOST or mqtts://HOST, with :PORT where it is not 1883 or 8883";
    let (tls, rest) = match url.split_once("://") {
        Some(("mqtt" | "tcp", rest)) => (false, rest),
        Some(("mqtts" | "ssl", rest)) => (true, rest),
        Some(("ws" | "wss", _)) => return Err(format!("{WANT}; websockets are not in this version")),
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
        None if tls => 8883,
        None => 1883,
        Some(port) => port.parse().ok().filter(|p| *p > 0).ok_or(WANT)?,
    };
    if host.is_empty() || host.contains(['/', ' ', '?', '#']) {
        return Err(WANT.into());
    }
    Ok(Address { host: host.to_owned(), port, tls })
}

#[cfg(test)]
mod tests {
    use super::read_url;

    #[test]
    fn broker_addresses() {
        let ok = |url: &str| read_url(url).ok().map(|address| (address.host, address.port, address.tls));
        assert_eq!(ok("mqtt://broker"), Some(("broker".into(), 1883, false)));
        assert_eq!(ok("mqtt://10.0.0.7:1884/"), Some(("10.0.0.7".into(), 1884, false)));
        assert_eq!(ok("tcp://[::1]:1883"), Some(("::1".into(), 1883, false)));
        assert_eq!(ok("mqtts://broker"), Some(("broker".into(), 8883, true)));
        assert_eq!(ok("ssl://broker:8884"), Some(("broker".into(), 8884, true)));
        for bad in [
            "broker",
            "wss://b",
            "mqtt://",
            "mqtts://",
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
