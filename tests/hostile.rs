//! A storm of everything a publisher can do wrong, through a real broker into the real daemon: it stays up, takes and
//! acknowledges all of it, counts each reason with an example, keeps its memory, and the sound assets' alerts are those of
//! a run without the storm, to the byte.

mod common;

use common::{Broker, kept_alerts, query, signal, wait_for};
use roundsman::acquire::Rejection;
use roundsman::acquire::mqtt::Message;
use roundsman::acquire::plant::Plant;
use roundsman::acquire::recording::{ReadOptions, RecordingError, open_bytes};
use roundsman::config::{Sources, from_text};
use roundsman::engine::Event;
use roundsman::intake::{Edge, Routed};
use roundsman_models::EventTime;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Rows of the sound assets, one per five minutes: three days.
const ROWS: i64 = 864;
/// Names made up by the storm, and how many may be registered.
const NAMES: usize = 5000;
const MAX_ASSETS: usize = 400;

/// A publisher that sends what no client library would.
struct Raw {
    stream: TcpStream,
    sent: u16,
}

impl Raw {
    fn connect(port: u16, id: &str) -> Self {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the broker listens");
        stream.set_read_timeout(Some(Duration::from_secs(30))).expect("a timeout");
        let mut body = b"\x00\x04MQTT\x04\x02\x00\x00".to_vec();
        body.extend((id.len() as u16).to_be_bytes());
        body.extend(id.as_bytes());
        stream.write_all(&packet(0x10, &body)).expect("CONNECT");
        let mut answer = [0; 4];
        stream.read_exact(&mut answer).expect("CONNACK");
        assert_eq!(answer, [0x20, 2, 0, 0], "the broker takes us");
        Self { stream, sent: 0 }
    }

    /// QoS 1; answered one by one, so that the order is that of the calls.
    fn publish(&mut self, topic: &[u8], payload: &[u8], retain: bool) {
        self.send(topic, payload, retain).expect("the broker reads");
        let mut answer = [0; 4];
        self.stream.read_exact(&mut answer).expect("PUBACK");
        assert_eq!(answer[0], 0x40, "PUBACK");
    }

    fn send(&mut self, topic: &[u8], payload: &[u8], retain: bool) -> std::io::Result<()> {
        self.sent = self.sent.checked_add(1).unwrap_or(1);
        let mut body = (topic.len() as u16).to_be_bytes().to_vec();
        body.extend(topic);
        body.extend(self.sent.to_be_bytes());
        body.extend(payload);
        self.stream.write_all(&packet(0x32 | u8::from(retain), &body))
    }
}

fn packet(kind: u8, body: &[u8]) -> Vec<u8> {
    let mut packet = vec![kind];
    let mut left = body.len();
    loop {
        let byte = (left % 128) as u8;
        left /= 128;
        packet.push(if left > 0 { byte | 0x80 } else { byte });
        if left == 0 {
            break;
        }
    }
    packet.extend(body);
    packet
}

/// The sound assets' messages: two pumps, of which one leaves its level and passes its limits at the end.
fn sound(row: i64, start: i64) -> Vec<(String, String)> {
    let noise = |n: i64| ((n * 7919 + 13) % 101) as f64 / 101.0 - 0.5;
    let at = start + row * 300;
    let fault = ((row - 700).max(0) as f64) * 0.05;
    let message = |asset: &str, vib: f64| {
        let (vib, temp) = (vib + 0.3 * noise(row), 60.0 + noise(row + 5));
        (format!("plant/hall/{asset}/telemetry"), format!("{{\"t\":{at},\"vib\":{vib:.3},\"temp\":{temp:.2}}}"))
    };
    vec![message("pump-1", 2.0 + fault), message("pump-2", 3.0)]
}

/// Everything wrong at once. Times that are good are before the sound assets' first, so that they move nothing.
fn storm(start: i64) -> Vec<(Vec<u8>, Vec<u8>)> {
    let before = start - 4 * 3600;
    let mut storm: Vec<(Vec<u8>, Vec<u8>)> = Vec::new();
    let mut add = |topic: &str, payload: &[u8]| storm.push((topic.as_bytes().to_vec(), payload.to_vec()));
    let telemetry = "plant/hall/victim/telemetry";
    // Sizes and depths.
    add(telemetry, &vec![b'x'; 200_000]);
    add(telemetry, &vec![b'['; 100_000]);
    add(telemetry, "{\"a\":".repeat(20_000).as_bytes());
    add(telemetry, b"");
    add(telemetry, &[0; 64]);
    add(telemetry, b"\xff\xfe\x00not utf-8");
    let many: Vec<String> = (0..9000).map(|n| format!("\"p{n}\":{n}")).collect();
    add(telemetry, format!("{{\"t\":{before},{}}}", many.join(",")).as_bytes());
    let carried: Vec<String> = (0..6000).map(|n| format!("\"p{n}\":1")).collect();
    add(telemetry, format!("{{\"t\":{before},\"u\":\"{}\",{}}}", "x".repeat(50_000), carried.join(",")).as_bytes());
    add(
        "senml/x",
        format!("[{{\"bn\":\"a/{}\",\"v\":1}}{}]", "x".repeat(60_000), ",{\"v\":1}".repeat(8000)).as_bytes(),
    );
    add("senml/x", b"[{\"bver\":99,\"n\":\"a/b\",\"v\":1}]");
    // Numbers.
    for number in
        ["1e400", "1e308", "-1e308", "123456789012345678901234567890", "1e-999999999", "NaN", "Infinity", "null"]
    {
        add(telemetry, format!("{{\"t\":{before},\"vib\":{number}}}").as_bytes());
    }
    for number in
        ["NaN", "nan", "inf", "-Infinity", "+inf", "1e999", "0x10", "7,1", "\u{661}\u{662}", "1e9999999999999999999"]
    {
        add("number/hall/victim/vib", number.as_bytes());
    }
    // Times.
    for time in [
        "0",
        "4102444800",
        "9223372036854775807",
        "-9223372036854775808",
        "1e300",
        "\"yesterday\"",
        "true",
        "-1",
        "\"2026-03-29T02:30:00\"",
        "\"9999-12-31T23:59:59Z\"",
        "\"+275760-09-13T00:00:00Z\"",
        "253402300799",
    ] {
        for asset in ["victim", "victim-2"] {
            add(&format!("plant/hall/{asset}/telemetry"), format!("{{\"t\":{time},\"vib\":1}}").as_bytes());
        }
    }
    // The same time twice, and older than what is closed.
    for time in [before, before, before + 3000, before - 7200] {
        add("plant/hall/late/telemetry", format!("{{\"t\":{time},\"vib\":1.5}}").as_bytes());
    }
    // Names and units.
    for name in ["", " ", "$x", "..", "\u{202e}evil", &"n".repeat(200), &"n".repeat(30_000)] {
        add(&format!("plant/hall/{name}/telemetry"), format!("{{\"t\":{before},\"vib\":1}}").as_bytes());
    }
    add("plant/other-hall/pump-1/telemetry", format!("{{\"t\":{before},\"vib\":900}}").as_bytes());
    add("plant/hall/victim/telemetry", format!("{{\"t\":{before},\"u\":\"furlong\",\"q\":1}}").as_bytes());
    // What is no command.
    for payload in ["", "{", "{\"action\":\"relearn\"}", "{\"action\":\"shelve\",\"by\":\"x\",\"for\":\"9e99 h\"}"] {
        add("roundsman/quillhaven/pump-1/command", payload.as_bytes());
    }
    add("roundsman/quillhaven/nobody/command", &vec![b'{'; 50_000]);
    // One asset with hundreds of points, and thousands of names.
    let points: Vec<String> = (0..300).map(|n| format!("\"q{n}\":{n}")).collect();
    add("plant/hall/many-points/telemetry", format!("{{\"t\":{before},{}}}", points.join(",")).as_bytes());
    for n in 0..NAMES {
        add(&format!("plant/hall/made-up-{n}/telemetry"), format!("{{\"t\":{before},\"vib\":{n}}}").as_bytes());
    }
    storm
}

struct Daemon {
    child: Child,
    state: PathBuf,
    log: PathBuf,
}

impl Daemon {
    fn start(broker: &Broker, dir: &Path) -> Self {
        let (file, state, log) = (dir.join("config.toml"), dir.join("state"), dir.join("log"));
        let text = format!(
            "[site]\nname = 'quillhaven'\nzone = 'Europe/Berlin'\n[broker]\nurl = 'mqtt://127.0.0.1:{}'\n\
             client_id = 'under-test'\n[state]\ndir = '{}'\n[[commands]]\n\
             topic = 'roundsman/quillhaven/+/command'\nactions = 'all'\n[limits]\n\
             max_assets = {MAX_ASSETS}\n[learn]\nrun_time = '12 h'\nmin_snapshots = 100\n[align]\ncadence = '5 min'\n\
             [[topics]]\npattern = 'plant/{{area}}/{{asset}}/telemetry'\n\
             payload = {{ format = 'json', points = '*', value = '', time = '/t', unit = '/u' }}\n\
             [[topics]]\npattern = 'number/{{area}}/{{asset}}/{{point}}'\n\
             [[topics]]\npattern = 'senml/{{...}}'\npayload = {{ format = 'senml', names = 'asset/point' }}\n\
             [assets.pump-1]\narea = 'hall'\n[assets.pump-1.points.vib]\nunit = 'mm/s rms'\nwarning_high = 7\nalarm_high = 9\n\
             [assets.pump-2]\narea = 'hall'\n[assets.victim.points.vib]\nunit = 'mm/s rms'\n",
            broker.port,
            state.display()
        );
        std::fs::write(&file, text).expect("writes");
        let child = Command::new(env!("CARGO_BIN_EXE_roundsman"))
            .args([Path::new("run"), Path::new("--config"), &file])
            .stdout(Stdio::null())
            .stderr(std::fs::File::create(&log).expect("a log file"))
            .spawn()
            .expect("the binary starts");
        wait_for("its subscriptions", || {
            let log = std::fs::read_to_string(broker.path("log")).unwrap_or_default();
            log.lines().filter(|line| line.contains(": under-test 1 ")).count() >= 4
        });
        Self { child, state, log }
    }

    /// Waits until this many messages are in the journal.
    fn wait_for_messages(&self, count: usize) {
        wait_for("the messages in the journal", || {
            query(&self.state, "journal.db", "SELECT sum(entries) FROM journal") >= count as i64
        });
        // Ticks of the clock are entries too, so the last message or two may be on their way yet.
        std::thread::sleep(Duration::from_millis(500));
    }

    /// Highest memory so far, kB.
    fn peak_kb(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("it runs");
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a peak");
        line.trim().trim_end_matches(" kB").parse().expect("a number")
    }

    /// SIGTERM; gives its log.
    fn stop(mut self) -> String {
        assert!(self.child.try_wait().expect("it can be asked").is_none(), "it is still up");
        signal(self.child.id(), "TERM");
        assert!(self.child.wait().expect("it ends").success(), "a clean stop");
        std::fs::read_to_string(&self.log).expect("a log")
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Alerts of the sound assets, and with a storm the last words of the service.
fn run(storm: &[(Vec<u8>, Vec<u8>)], start: i64) -> (Vec<String>, u64, serde_json::Value) {
    let broker = Broker::start("max_packet_size 400000");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut sender = Raw::connect(broker.port, "plant");
    let mut sent = 0;
    if !storm.is_empty() {
        sender.publish(b"plant/hall/pump-1/telemetry", b"{\"t\":1,\"vib\":900}", true);
    }
    let heard = broker.listen(&["-t", "roundsman/quillhaven/service"]);
    let daemon = Daemon::start(&broker, dir.path());
    sent += usize::from(!storm.is_empty());
    let mut evil = Raw::connect(broker.port, "evil");
    let mut left = storm.iter();
    let per_row = storm.len() / (ROWS as usize - 20) + 1;
    for row in 0..ROWS {
        for (topic, payload) in sound(row, start) {
            sender.publish(topic.as_bytes(), payload.as_bytes(), false);
            sent += 1;
        }
        if row == 1 {
            // Both are in the present before anything else comes.
            daemon.wait_for_messages(sent);
        }
        for (topic, payload) in left.by_ref().take(if row > 1 { per_row } else { 0 }) {
            evil.publish(topic, payload, false);
            sent += 1;
        }
    }
    assert!(left.next().is_none(), "all of the storm is out");
    if !storm.is_empty() {
        // The broker drops these before us: a packet above our limit, and topics that are none.
        evil.publish(b"plant/hall/victim/telemetry", &vec![b'y'; 300_000], false);
        for topic in [
            &b"plant/\xff\xfe/x/telemetry"[..],
            b"plant/+/x/telemetry",
            b"plant/a\0b/x/telemetry",
            b"plant/a\x01b/x/telemetry",
            b"",
        ] {
            let mut client = Raw::connect(broker.port, "worse");
            let _ = client.send(topic, b"{}", false);
            let mut byte = [0];
            assert!(matches!(client.stream.read(&mut byte), Ok(0) | Err(_)), "the broker hangs up");
        }
    }
    daemon.wait_for_messages(sent);
    let state = daemon.state.clone();
    let peak = daemon.peak_kb();
    let log = daemon.stop();
    assert!(!log.contains("panicked"), "{log}");
    assert!(log.contains("nothing was left behind"), "{log}");
    assert!(log.lines().count() < 200, "{} lines of log: a storm must not fill the disk", log.lines().count());
    wait_for("its last word", || heard.on("roundsman/quillhaven/service").iter().any(|text| text.contains("stopped")));
    // Whatever were not acknowledged would come to the next client of this name.
    let again = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &broker.port.to_string(), "-V", "5", "-i", "under-test", "-c", "-q", "1"])
        .args(["-t", "nothing/at/all", "-W", "2"])
        .output()
        .expect("mosquitto_sub runs");
    assert!(again.stdout.is_empty(), "left with the broker: {}", String::from_utf8_lossy(&again.stdout));
    let last = heard.on("roundsman/quillhaven/service").pop().expect("its last word");
    let counters = serde_json::from_str::<serde_json::Value>(&last).expect("JSON")["counters"].clone();
    assert_eq!(counters["messages"], sent, "{counters}");
    let alerts = [kept_alerts(&state, "pump-1"), kept_alerts(&state, "pump-2")].concat();
    (alerts, peak, counters)
}

#[test]
fn a_storm_is_taken_counted_and_changes_nothing_for_the_others() {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_secs() as i64;
    // Three days that end now, by whole rows, so that both runs have the same times.
    let start = (now / 300 - ROWS - 1) * 300;
    let (calm, calm_peak, counters) = run(&[], start);
    assert!(calm.len() >= 2, "pump-1 passes its limits: {calm:?}");
    assert_eq!(counters["rejected"], serde_json::json!({}));
    let storm = storm(start);
    let (stormy, peak, counters) = run(&storm, start);
    println!("memory at most: {calm_peak} kB without, {peak} kB with a storm of {} messages", storm.len());
    println!("rejected: {}", counters["rejected"]);
    assert_eq!(stormy, calm, "the sound assets' alerts");
    for reason in [
        "unmapped-topic",
        "unreadable",
        "bad-time",
        "bad-unit",
        "bad-name",
        "too-many",
        "retained",
        "not-finite",
        "out-of-range",
        "duplicate",
        "late",
        "future",
        "past",
    ] {
        assert!(counters["rejected"][reason].as_u64().is_some_and(|count| count > 0), "{reason}: {counters}");
        assert!(
            counters["examples"][reason]["detail"].as_str().is_some_and(|text| !text.is_empty()),
            "{reason}: {counters}"
        );
    }
    let told = counters["examples"]["too-many"]["detail"].as_str().unwrap_or_default();
    assert!(told.contains("limits."), "which cap it was: {told}");
    assert_eq!(counters["assets"], MAX_ASSETS, "the cap holds");
    assert!(counters["rejected"]["too-many"].as_u64() >= Some((NAMES - MAX_ASSETS) as u64));
    // The state of a registered asset that has learned nothing, and the journal's and the messages' own room.
    let per_asset_kb = 60;
    let allowed = calm_peak + MAX_ASSETS as u64 * per_asset_kb + 64 * 1024;
    assert!(peak < allowed, "{peak} kB with the storm, {calm_peak} kB without: {allowed} kB are allowed");
}

/// Messages through the intake alone: what came of each.
fn take(config: &str, messages: &[(&str, String)]) -> Vec<Routed> {
    let text = format!("[site]\nname = 'q'\n[broker]\nurl = 'mqtt://localhost'\n{config}");
    let sources = Sources { needs_broker: true, ..Sources::default() };
    let checked = from_text(Some(&text), &sources).unwrap_or_else(|faults| panic!("{faults:?}"));
    let mut plant = Plant::new(&checked, roundsman::run::topics(&checked).expect("topics"));
    let one = |(topic, payload): &(&str, String)| {
        let (cut, retain, dup, packet_id, reply_to) = (false, false, false, 0, None);
        let (topic, payload) = ((*topic).to_owned(), payload.clone().into_bytes().into());
        let received = EventTime(1_900_000_000_000_000);
        let mut routed = Routed::default();
        plant.message(&Message { topic, payload, cut, retain, dup, packet_id, received, reply_to }, &mut routed);
        routed
    };
    messages.iter().map(one).collect()
}

const SEVERAL: &str = "[[topics]]\npattern = 'a/{asset}'\n\
                       payload = { format = 'json', points = '*', value = '', unit = '/u' }\n\
                       [[topics]]\npattern = 'n/{asset}/{point}'\n";

#[test]
fn values_past_the_cap_of_a_payload_are_refused_with_one_detail() {
    let members: Vec<String> = (0..50).map(|n| format!("\"p{n}\":1")).collect();
    let payload = format!("{{{}}}", members.join(","));
    let routed = take(&format!("[limits]\nmax_values = 20\n{SEVERAL}"), &[("a/x", payload)]);
    let observed = routed[0].events.iter().filter(|event| matches!(event, Event::Observed(_))).count();
    assert_eq!(observed, 20);
    assert!(routed[0].rejected.iter().all(|(reason, _)| *reason == Rejection::TooMany));
    assert_eq!(routed[0].rejected.len(), 30);
    let details: Vec<_> = routed[0].rejected.iter().filter(|(_, detail)| !detail.is_empty()).collect();
    assert_eq!(details.len(), 1);
    assert!(details[0].1.contains("limits.max_values"), "{}", details[0].1);
}

#[test]
fn a_long_unit_is_not_carried_by_every_value() {
    let members: Vec<String> = (0..50).map(|n| format!("\"p{n}\":1")).collect();
    let payload = format!("{{\"u\":\"{}\",{}}}", "x".repeat(10_000), members.join(","));
    let routed = take(SEVERAL, &[("a/x", payload)]);
    assert_eq!(routed[0].rejected.iter().map(|(reason, _)| *reason).collect::<Vec<_>>(), [Rejection::BadUnit]);
    assert!(routed[0].rejected[0].1.len() < 200, "{}", routed[0].rejected[0].1);
}

#[test]
fn a_name_made_up_later_does_not_draw_commands_to_itself() {
    let command = |text: &str| (text.to_owned(), r#"{"action":"relearn","by":"A"}"#.to_owned());
    let (topic, payload) = command("roundsman/q/_pump/command");
    let config = format!("[[commands]]\ntopic = 'roundsman/q/+/command'\nactions = 'all'\n{SEVERAL}");
    let messages = [("n/_pump/p", "1".to_owned()), ("n/$pump/p", "1".to_owned()), (topic.as_str(), payload)];
    let routed = take(&config, &messages);
    let of = |routed: &Routed| {
        routed.events.iter().find_map(|event| match event {
            Event::Define(id, ..) | Event::Command(id, ..) => Some(*id),
            _ => None,
        })
    };
    assert!(of(&routed[0]).is_some() && of(&routed[1]).is_some());
    assert_eq!(of(&routed[2]), of(&routed[0]), "to the first of them");
}

/// A few kilobytes that become a line of 64 MB, and a quote that is never closed.
#[test]
fn a_record_of_a_recording_has_an_end() {
    let mut bomb = b"time,a\n".to_vec();
    bomb.resize(64 << 20, b'7');
    let mut quote = b"time,a\n1772323200,1\n\"".to_vec();
    quote.resize(40 << 20, b'\n');
    for bytes in [bomb, quote] {
        let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        packed.write_all(&bytes).expect("memory");
        let packed = packed.finish().expect("memory");
        let opened = open_bytes(Path::new("bomb.csv.gz"), packed, &ReadOptions::default(), &|| None);
        let mut batch = Vec::new();
        let fault = match opened {
            Err(fault) => fault,
            Ok(mut recording) => loop {
                match recording.next_batch(&mut batch) {
                    Ok(true) => {}
                    Ok(false) => panic!("the end of the file was reached"),
                    Err(fault) => break fault,
                }
            },
        };
        let RecordingError::Read { source, .. } = fault else { panic!("{fault}") };
        assert!(source.to_string().contains("16 MiB"), "{source}");
    }
}
