//! Waveforms from one end to the other: through a replay, through a real broker into the daemon, and back as diagnosis,
//! alert and request. All signals are simulated (`support/waves.rs`).

mod common;
mod support;
#[path = "support/waves.rs"]
mod waves;

use common::process::{Log, Process, arguments};
use common::{Broker, Listener, wait_for};
use roundsman_models::assess::likely_fault::Axis;
use rumqttc::{Client, Event, MqttOptions, Packet, QoS};
use serde_json::Value;
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Sender, channel};
use std::time::Duration;
use waves::{AXES, Kind, Noise};

const SITE: &str = r#"
[site]
name = "quillhaven"
[broker]
url = "mqtt://127.0.0.1:1"
clock = "stream"
[[commands]]
topic = "roundsman/quillhaven/+/command"
actions = "all"
[learn]
run_time = "3 h"
min_snapshots = 100
[[topics]]
pattern = "plant/{area}/{asset}/{point}"
payload = { format = "json", value = "/v", time = "/t" }
[[topics]]
pattern = "waves/{area}/{asset}/{point}"
payload = "waveform"
[assets.fan-1]
area = "hall"
class = "fan"
rated_speed = "1480 rpm"
[assets.fan-1.points.speed]
quantity = "speed"
unit = "/min"
[assets.fan-1.points.vib]
quantity = "vibration-velocity"
unit = "mm/s"
detection = "rms"
alarm_high = 7.1
[assets.fan-1.points.temp]
quantity = "temperature"
unit = "Cel"
[assets.fan-1.bearings.drive-end]
elements = 9
element_diameter = 7.94
pitch_diameter = 39.04
rating_kn = 20.3
load_kn = 2.0
[assets.fan-1.sensors.de-h]
axis = "horizontal"
bearing = "drive-end"
[assets.fan-1.sensors.de-v]
axis = "vertical"
bearing = "drive-end"
[assets.fan-1.sensors.de-a]
axis = "axial"
bearing = "drive-end"
"#;

/// Minutes of the stream; the fault begins at `FAULT`.
const MINUTES: u64 = 480;
const FAULT: u64 = 360;

/// Microseconds since 1970 of a minute of the stream.
fn stamp(minute: u64) -> String {
    let start: jiff::Timestamp = "2031-03-03T00:00:00Z".parse().expect("a time");
    (start + jiff::SignedDuration::from_mins(minute as i64)).to_string()
}

/// The readings of one minute: point and value.
fn readings(minute: u64) -> [(&'static str, f64); 3] {
    let mut noise = Noise(minute.wrapping_mul(7919) + 13);
    let vib = if minute >= FAULT { 8.6 } else { 1.3 };
    [
        ("speed", 1480.0 + 0.5 * noise.normal()),
        ("vib", vib + 0.05 * noise.normal()),
        ("temp", 51.0 + 0.3 * noise.normal()),
    ]
}

fn write_site(dir: &Path) -> PathBuf {
    let file = dir.join("site.toml");
    std::fs::write(&file, SITE).expect("a file");
    file
}

/// `roundsman run`, once it is subscribed.
fn start(broker: &Broker, dir: &Path, log: &Log) -> Process {
    let before = log.text().len();
    let arguments = arguments(&dir.join("site.toml"), broker.port, "under-test", &dir.join("state"));
    let daemon = Process::spawn(support::roundsman(), &arguments, log);
    daemon.wait_until_connected(before);
    daemon
}

/// A publisher at QoS 1 that says when everything it was given is with the broker.
struct Plant {
    client: Client,
    confirmed: std::sync::Arc<std::sync::atomic::AtomicUsize>,
    sent: usize,
    ended: Sender<()>,
}

impl Plant {
    fn new(port: u16) -> Self {
        let mut options = MqttOptions::new("plant", "127.0.0.1", port);
        options.set_inflight(50).set_keep_alive(Duration::from_secs(60)).set_max_packet_size(8 << 20, 8 << 20);
        let (client, mut connection) = Client::new(options, 50);
        let confirmed = std::sync::Arc::new(std::sync::atomic::AtomicUsize::new(0));
        let counted = confirmed.clone();
        let (ended, is_ended) = channel::<()>();
        std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::PubAck(_))) => {
                        counted.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
                    }
                    Ok(_) => {}
                    Err(_) => return,
                }
                if matches!(is_ended.try_recv(), Err(std::sync::mpsc::TryRecvError::Disconnected)) {
                    return;
                }
            }
        });
        Self { client, confirmed, sent: 0, ended }
    }

    fn publish(&mut self, topic: &str, payload: Vec<u8>) {
        self.client.publish(topic, QoS::AtLeastOnce, false, payload).expect("the client takes it");
        self.sent += 1;
    }

    fn minute(&mut self, minute: u64) {
        for (point, value) in readings(minute) {
            let payload = format!(r#"{{"v":{value},"t":"{}"}}"#, stamp(minute));
            self.publish(&format!("plant/hall/fan-1/{point}"), payload.into_bytes());
        }
    }

    fn waveforms(&mut self, kind: Kind, seed: u64, request: Option<&str>) {
        for axis in AXES {
            let topic = format!("waves/hall/fan-1/{}", waves::point(axis));
            self.publish(&topic, waves::message(kind, axis, seed, request));
        }
    }

    fn settle(&self) {
        wait_for("the broker to have everything", || {
            self.confirmed.load(std::sync::atomic::Ordering::SeqCst) >= self.sent
        });
    }
}

/// An answered command says that all before it has been worked on.
fn worked_on(plant: &mut Plant, heard: &Listener) {
    let before = heard.on("test/answers").len();
    let command = r#"{"action":"set-limit","by":"tester","point":"vib","limit":"alarm-high","value":7.1,"reply_to":"test/answers"}"#;
    plant.publish("roundsman/quillhaven/fan-1/command", command.as_bytes().to_vec());
    plant.settle();
    wait_for("everything to be worked on", || heard.on("test/answers").len() > before);
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).expect("JSON")
}

/// When unasked waveforms come in the first test: minute, what they show.
const UNASKED: [(u64, Kind); 3] = [(250, Kind::Healthy), (300, Kind::Healthy), (400, Kind::Imbalance)];

/// The same recording with waveforms, played and lived through with a kill on the way, gives the same alerts to the byte,
/// and the last diagnosis is the same.
#[test]
fn waveforms_lived_through_give_what_their_replay_gives() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let config = write_site(dir.path());
    let mut csv = String::from("time,asset,point,value\n");
    for minute in 0..MINUTES {
        for (point, value) in readings(minute) {
            writeln!(csv, "{},fan-1,{point},{value}", stamp(minute)).expect("memory");
        }
    }
    std::fs::write(dir.path().join("readings.csv"), csv).expect("a file");
    let mut index = String::from("record,asset,area,point,axis,time,file\n");
    for (minute, kind) in UNASKED {
        for axis in AXES {
            let name = format!("{minute}-{}.rwf", waves::point(axis));
            std::fs::write(dir.path().join(&name), waves::message(kind, axis, minute, None)).expect("a file");
            writeln!(index, "{minute},fan-1,hall,{},,{},{name}", waves::point(axis), stamp(minute)).expect("memory");
        }
    }
    std::fs::write(dir.path().join("index.csv"), index).expect("a file");

    let play = |out: &Path, threads: &str| {
        let (readings, index) = (dir.path().join("readings.csv"), dir.path().join("index.csv"));
        let args = ["--config", config.to_str().expect("UTF-8"), "--threads", threads];
        let files = [readings.to_str().expect("UTF-8"), index.to_str().expect("UTF-8")];
        support::replay(out, args.into_iter().chain(files));
        let read = |name: &str| std::fs::read_to_string(out.join(name)).expect("a result");
        (read("alerts.jsonl"), read("diagnoses.jsonl"))
    };
    let (alerts, diagnoses) = play(&dir.path().join("one"), "1");
    assert_eq!(play(&dir.path().join("two"), "3"), (alerts.clone(), diagnoses.clone()), "on three threads");
    for line in alerts.lines().chain(diagnoses.lines()) {
        let it = json(line);
        println!("{} {} {}", it["at"], it["change"], it["message"]);
    }
    let named = alerts.lines().map(json).find(|a| a["change"] == "diagnosed").expect("the alert tells the diagnosis");
    assert_eq!(named["likely_fault"]["answer"], "likely");
    assert_eq!(named["likely_fault"]["explanations"][0]["fault"], "imbalance");
    assert!(named["message"].as_str().expect("text").contains("likely imbalance"), "{}", named["message"]);
    let first = alerts.lines().map(json).next().expect("an alert");
    assert_eq!(first["likely_fault"]["basis"], "readings", "before a waveform came");

    let broker = Broker::start("");
    let heard = broker.listen(&["-t", "roundsman/quillhaven/#", "-t", "test/answers"]);
    let log = Log::default();
    let mut daemon = start(&broker, dir.path(), &log);
    let mut plant = Plant::new(broker.port);
    for minute in 0..MINUTES {
        // As in the replay: before the readings of their time.
        if let Some((_, kind)) = UNASKED.iter().find(|(at, _)| *at == minute) {
            for axis in AXES {
                let topic = format!("waves/hall/fan-1/{}", waves::point(axis));
                plant.publish(&topic, waves::message(*kind, axis, minute, None));
            }
        }
        plant.minute(minute);
        // While waveforms of that minute are on their way and after, so that recovery meets them.
        if minute == 250 || minute == 400 {
            plant.settle();
            wait_for("them to be journalled", || !heard.lines().is_empty());
            daemon.kill();
            daemon = start(&broker, dir.path(), &log);
        }
    }
    worked_on(&mut plant, &heard);
    daemon.stop();
    wait_for("the last word", || {
        heard.on("roundsman/quillhaven/service").last().is_some_and(|s| s.contains(r#""online":false"#))
    });
    let key = |text: &str| (json(text)["id"].to_string(), json(text)["revision"].as_u64());
    let mut lived = heard.on("roundsman/quillhaven/fan-1/alert");
    lived.sort_by_key(|text| key(text));
    lived.dedup();
    let mut replayed: Vec<&str> = alerts.lines().collect();
    replayed.sort_by_key(|text| key(text));
    assert_eq!(lived, replayed);
    let last = heard.on("roundsman/quillhaven/fan-1/diagnosis").pop().expect("a diagnosis");
    assert_eq!(Some(last.as_str()), diagnoses.lines().last());
    drop(plant.ended);
}

/// A plant that answers: the reference is asked for once something is learned, three directions are asked for when the
/// alarm is entered, what comes is tied to the alert and names the fault, a person may ask at any time, and what is kept
/// lies in the state.
#[test]
fn a_plant_that_answers_gets_its_fault_named() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    write_site(dir.path());
    let broker = Broker::start("");
    let heard = broker.listen(&["-t", "roundsman/quillhaven/#", "-t", "test/answers"]);
    let log = Log::default();
    let daemon = start(&broker, dir.path(), &log);
    let mut plant = Plant::new(broker.port);
    let requests = || heard.on("roundsman/quillhaven/fan-1/capture-request");
    let mut answered = 0;
    let mut reasons = Vec::new();
    for minute in 0..MINUTES {
        plant.minute(minute);
        if minute % 10 == 9 || (FAULT..FAULT + 20).contains(&minute) {
            worked_on(&mut plant, &heard);
            // What a request's document asks for is in the broker before the command's answer.
            while let Some(request) = requests().get(answered) {
                answered += 1;
                let request = json(request);
                assert_eq!(request["axes"], serde_json::json!(["horizontal", "vertical", "axial"]));
                assert_eq!(request["points"], serde_json::json!(["de-h", "de-v", "de-a"]));
                let reason = request["reason"].as_str().expect("a reason").to_owned();
                let kind = if minute >= FAULT { Kind::OuterRace } else { Kind::Healthy };
                plant.waveforms(kind, minute, request["id"].as_str());
                reasons.push((reason, minute, request["alert"].clone(), request["id"].clone()));
            }
        }
        if minute == 470 {
            let command = br#"{"action":"capture","by":"N. Idris","reply_to":"test/captures"}"#;
            plant.publish("roundsman/quillhaven/fan-1/command", command.to_vec());
        }
    }
    worked_on(&mut plant, &heard);
    println!("{reasons:?}");
    assert_eq!(reasons[0].0, "reference");
    let of_alert = reasons.iter().find(|r| r.0 == "alert").expect("the alert is asked for");
    assert_eq!(of_alert.2, "quillhaven/fan-1/machine/1");
    assert!((FAULT..FAULT + 12).contains(&of_alert.1), "at minute {}", of_alert.1);
    assert!(reasons.iter().any(|r| r.0 == "command"), "a person asked");
    assert!(reasons.iter().filter(|r| r.0 == "alert").count() <= 2, "an answered alert is not asked for again");

    let alerts: Vec<Value> = heard.on("roundsman/quillhaven/fan-1/alert").iter().map(|a| json(a)).collect();
    for alert in &alerts {
        println!("{} {} {} {}", alert["at"], alert["change"], alert["severity"], alert["message"]);
    }
    let named = alerts.iter().find(|a| a["change"] == "diagnosed").expect("the alert tells the diagnosis");
    let likely = &named["likely_fault"];
    assert_eq!((&likely["basis"], &likely["answer"]), (&"waveform".into(), &"likely".into()));
    assert_eq!(likely["explanations"][0]["fault"], "bearing_outer");
    assert_eq!(likely["place"], "drive-end");
    let diagnosis = heard.on("roundsman/quillhaven/fan-1/diagnosis").pop().expect("a diagnosis");
    println!("{diagnosis}");
    let diagnosis = json(&diagnosis);
    assert_eq!(diagnosis["answer"], "likely");
    assert_eq!(diagnosis["captures"].as_array().map(Vec::len), Some(3));
    assert_eq!(diagnosis["compared"].as_array().map(Vec::len), Some(3), "against the reference of this state");
    // (20.3/2)^3 million turns at 1480 r/min: ISO 281, worked out by hand.
    let hours = diagnosis["rating_life"][0]["l10_hours"].as_f64().expect("hours");
    assert!((hours - 1e6 / (60.0 * 1480.0) * 10.15_f64.powi(3)).abs() < 30.0, "{hours}");
    let support = diagnosis["explanations"][0]["support"].as_array().expect("lines");
    let harmonic = support.iter().find(|line| line["order"].is_number()).expect("a line with its numbers");
    // Slip of the simulated impacts is below a per cent.
    assert!((harmonic["order"].as_f64().expect("a number") / waves::BPFO - 1.0).abs() < 0.02, "{harmonic}");
    assert!(diagnosis["caution"].as_str().expect("text").contains("Site procedures"));

    daemon.stop();
    let state = rusqlite::Connection::open(dir.path().join("state/state.db")).expect("state.db");
    let mut slots: Vec<String> = Vec::new();
    let mut select = state.prepare("SELECT slot FROM waveform_slots ORDER BY slot").expect("SQL");
    for slot in select.query_map([], |row| row.get(0)).expect("rows") {
        slots.push(slot.expect("text"));
    }
    println!("{slots:?}");
    for kept in ["newest/de-h/horizontal", "alert/1/de-a/axial"] {
        assert!(slots.iter().any(|slot| slot == kept), "{kept}");
    }
    assert_eq!(slots.iter().filter(|slot| slot.starts_with("reference/")).count(), 3);
    let orphans: i64 = state
        .query_row(
            "SELECT count(*) FROM waveform_slots s WHERE NOT EXISTS
             (SELECT 1 FROM waveforms w WHERE w.asset = s.asset AND w.number = s.number)",
            [],
            |row| row.get(0),
        )
        .expect("SQL");
    assert_eq!(orphans, 0, "every slot has its waveform");
    // What is kept is a message that `analyse` reads from a file.
    let payload: Vec<u8> = state
        .query_row(
            "SELECT payload FROM waveforms JOIN waveform_slots USING (asset, number) WHERE slot = 'alert/1/de-v/vertical'",
            [],
            |row| row.get(0),
        )
        .expect("the waveform");
    let file = dir.path().join("kept.rwf");
    std::fs::write(&file, payload).expect("a file");
    let done = support::roundsman()
        .args(["analyse", "--speed", "1480", "--bearing", "9,7.94,39.04"])
        .arg(&file)
        .output()
        .expect("it starts");
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(said.contains("outer"), "{said}");
    drop(plant.ended);
}

/// A part that is missing is counted by its reason and named in the log; the stream goes on.
#[test]
fn bad_waveforms_are_counted_and_named() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    write_site(dir.path());
    let broker = Broker::start("");
    let heard = broker.listen(&["-t", "roundsman/quillhaven/#", "-t", "test/answers"]);
    let log = Log::default();
    let daemon = start(&broker, dir.path(), &log);
    let mut plant = Plant::new(broker.port);
    plant.minute(0);
    let whole = waves::message(Kind::Healthy, Axis::Axial, 1, None);
    let bad: [&[u8]; 6] = [
        b"",
        b"{}",
        br#"{"samples":[1,2,3],"rate_hz":1000,"unit":"g"}"#,
        br#"{"samples":[1,2,3],"unit":"g"}"#,
        whole.get(..whole.len() - 1).expect("shorter"),
        b"RWF1\xff\xff\xff\xff",
    ];
    for payload in bad {
        plant.publish("waves/hall/fan-1/de-a", payload.to_vec());
    }
    plant.publish("waves/hall/fan-1/de-a", whole);
    for minute in 1..4 {
        plant.minute(minute);
    }
    worked_on(&mut plant, &heard);
    // Refused before it reaches the engine; the log says one of a reason in a minute.
    plant.publish("waves/hall/fan-1/de-a", vec![b' '; (1 << 20) + 1]);
    worked_on(&mut plant, &heard);
    daemon.stop();
    wait_for("the last word", || {
        heard.on("roundsman/quillhaven/service").last().is_some_and(|s| s.contains(r#""online":false"#))
    });
    let service = json(&heard.on("roundsman/quillhaven/service").pop().expect("the service's word"));
    assert_eq!(service["counters"]["rejected"]["bad-waveform"], 7, "{service}");
    let log = log.text();
    assert!(log.contains("waveforms that cannot be read") && log.contains("part="), "{log}");
    let diagnosis = json(&heard.on("roundsman/quillhaven/fan-1/diagnosis").pop().expect("of the good one"));
    assert_eq!(diagnosis["captures"][0]["point"], "de-a");
    drop(plant.ended);
}

/// Round trips of a command, which goes the way of a reading and comes back: broker, journal, router, engine, disk, broker.
struct RoundTrips(Vec<f64>);

impl RoundTrips {
    /// One command at a time for this long.
    fn measure(port: u16, lasts: Duration) -> Self {
        let mut options = MqttOptions::new("asks", "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(60));
        let (client, mut connection) = Client::new(options, 10);
        let mut network = rumqttc::NetworkOptions::new();
        network.set_tcp_nodelay(true);
        connection.eventloop.set_network_options(network);
        client.subscribe("test/timed", QoS::AtLeastOnce).expect("the client takes it");
        let command = r#"{"action":"set-limit","by":"tester","point":"vib","limit":"alarm-high","value":7.1,"reply_to":"test/timed"}"#;
        let ask = |client: &Client| {
            client
                .try_publish("roundsman/quillhaven/fan-1/command", QoS::AtLeastOnce, false, command)
                .expect("the client takes it");
            std::time::Instant::now()
        };
        let began = std::time::Instant::now();
        let mut asked = None;
        let mut millis = Vec::new();
        for event in connection.iter() {
            match event.expect("the broker stays there") {
                Event::Incoming(Packet::SubAck(_)) => asked = Some(ask(&client)),
                Event::Incoming(Packet::Publish(_)) => {
                    millis.extend(asked.map(|at: std::time::Instant| at.elapsed().as_secs_f64() * 1e3));
                    if began.elapsed() > lasts {
                        break;
                    }
                    std::thread::sleep(Duration::from_millis(10));
                    asked = Some(ask(&client));
                }
                _ => {}
            }
        }
        millis.sort_by(f64::total_cmp);
        Self(millis)
    }

    fn quantile(&self, share: f64) -> f64 {
        let last = self.0.len().saturating_sub(1) as f64;
        self.0.get((share * last).round() as usize).copied().unwrap_or(f64::NAN)
    }
}

/// 48,000-sample waveforms stream in while readings flow: every reading and every waveform is worked on, and what they cost
/// the readings is printed. The times are for people; a busy machine must not fail a test.
#[test]
fn readings_flow_while_waveforms_stream_in() {
    const FOR: Duration = Duration::from_secs(5);
    let dir = tempfile::tempdir().expect("a temporary directory");
    write_site(dir.path());
    // Without waiting to fill packets, which would hide what is measured behind 40 ms of the network's own.
    let broker = Broker::start("set_tcp_nodelay true\n");
    let heard = broker.listen(&["-t", "roundsman/quillhaven/service", "-t", "roundsman/quillhaven/+/diagnosis"]);
    let log = Log::default();
    let daemon = start(&broker, dir.path(), &log);
    let signal: Vec<f64> = {
        let mut noise = Noise(3);
        (0..48_000).map(|n| 0.1 * noise.normal() + 0.05 * (n as f64 * 0.0155).sin()).collect()
    };
    let message = roundsman::acquire::waveform::encode(&roundsman::acquire::waveform::Capture {
        asset: None,
        point: None,
        axis: Some(Axis::Vertical),
        start: None,
        rate_hz: 12_000.0,
        rpm: Some(1480.0),
        request: None,
        samples_g: signal,
    });
    let port = broker.port;
    // Stream time runs thirty times as fast as ours, so that outcomes are asked for during the test.
    let flow = |waves_per_sec: usize, from: u64| {
        let message = &message;
        std::thread::scope(|scope| {
            let flowing = scope.spawn(move || {
                let mut plant = Plant::new(port);
                let (mut readings_sent, mut waves_sent) = (0_u64, 0_usize);
                let began = std::time::Instant::now();
                while began.elapsed() < FOR + Duration::from_millis(500) {
                    let elapsed = began.elapsed().as_secs_f64();
                    while (readings_sent as f64) < 100.0 * elapsed {
                        // A hundred a second of ten assets, each a third of a second of the stream after the one before.
                        let at = from * 1000 + readings_sent * 300;
                        let time = jiff::Timestamp::from_millisecond(1_930_262_400_000 + at as i64).expect("a time");
                        let payload = format!(r#"{{"v":{},"t":"{time}"}}"#, 1.3 + (readings_sent % 17) as f64 * 0.01);
                        plant.publish(&format!("plant/hall/fan-{}/vib", 1 + readings_sent % 10), payload.into_bytes());
                        readings_sent += 1;
                    }
                    while (waves_sent as f64) < waves_per_sec as f64 * elapsed {
                        plant.publish(&format!("waves/hall/fan-{}/de-v", 1 + waves_sent % 10), message.clone());
                        waves_sent += 1;
                    }
                    std::thread::sleep(Duration::from_millis(2));
                }
                plant.settle();
                (readings_sent, waves_sent)
            });
            std::thread::sleep(Duration::from_millis(300));
            let trips = RoundTrips::measure(port, FOR - Duration::from_millis(500));
            (flowing.join().expect("it flowed"), trips)
        })
    };
    let ((quiet_readings, _), quiet) = flow(0, 0);
    let ((busy_readings, waveforms), busy) = flow(6, 400);
    daemon.stop();
    wait_for("the last word", || {
        heard.on("roundsman/quillhaven/service").last().is_some_and(|s| s.contains(r#""online":false"#))
    });
    let service = json(&heard.on("roundsman/quillhaven/service").pop().expect("the service's word"));
    println!("{service}");
    for (what, trips) in [("readings alone", &quiet), ("with waveforms", &busy)] {
        println!(
            "{what}: {} round trips, median {:.1} ms, 95 % within {:.1} ms",
            trips.0.len(),
            trips.quantile(0.5),
            trips.quantile(0.95)
        );
    }
    println!(
        "ratio with {waveforms} waveforms of 48,000 samples beside {busy_readings} readings: median {:.2}, 95 % {:.2}",
        busy.quantile(0.5) / quiet.quantile(0.5),
        busy.quantile(0.95) / quiet.quantile(0.95)
    );
    let commands = (quiet.0.len() + busy.0.len()) as u64;
    assert_eq!(service["counters"]["readings"], quiet_readings + busy_readings, "every reading");
    assert_eq!(service["counters"]["commands"], commands, "every command");
    assert!(waveforms >= 20 && service["counters"]["rejected"].get("bad-waveform").is_none());
    assert!(heard.lines().iter().any(|(topic, _)| topic.ends_with("/diagnosis")), "waveforms were looked at");
}
