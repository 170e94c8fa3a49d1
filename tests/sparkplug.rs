//! Sparkplug B in and out over a real broker, with a library nobody here wrote: Python's `pysparkplug` publishes births and
//! data that become assets, and reads ours.

mod common;

use common::program::Program;
use common::{Broker, Gate, Listener, wait_for};
use roundsman::acquire::Rejection;
use roundsman::app::RunSettings;
use roundsman::config::{Checked, Sources, from_text, zone_names};
use roundsman::run;
use roundsman::status::{LinkState, Status};
use serde_json::Value;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::oneshot;

/// The daemon in this process, so that its counters can be read.
struct Daemon {
    status: Arc<Status>,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

fn config(text: &str, port: u16, state: &Path) -> Checked {
    let text = format!(
        "site.name = \"quillhaven\"\nbroker.url = \"mqtt://127.0.0.1:{port}\"\nstate.dir = {:?}\n{text}",
        state.display().to_string()
    );
    let sources = Sources { zones: zone_names(), needs_broker: true, ..Sources::default() };
    from_text(Some(&text), &sources).unwrap_or_else(|faults| panic!("{faults:#?}"))
}

impl Daemon {
    fn start(text: &str, port: u16, state: &Path) -> Self {
        let config = config(text, port, state);
        let status = Arc::new(Status::default());
        let (stop, stopped) = oneshot::channel();
        let shared = status.clone();
        let thread = std::thread::spawn(move || {
            let topics = run::topics(&config).expect("topics");
            let mut settings: RunSettings = run::settings(&config, &topics).expect("settings");
            settings.broker.backoff_first = Duration::from_millis(50);
            settings.broker.backoff_most = Duration::from_millis(500);
            settings.snapshot_every = Duration::from_millis(300);
            let runtime =
                tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().expect("a runtime");
            let ended = runtime.block_on(run::daemon(&config, settings, shared, async move { drop(stopped.await) }));
            assert_eq!(ended.expect("it runs").left, Vec::<String>::new());
        });
        let daemon = Self { status, stop: Some(stop), thread: Some(thread) };
        wait_for("the daemon to connect", || {
            daemon.status.reader() == LinkState::Connected && daemon.status.writer() == LinkState::Connected
        });
        daemon
    }

    fn rejected(&self, reason: Rejection) -> u64 {
        self.status.rejected(reason)
    }

    fn stop(mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            thread.join().expect("a clean stop");
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// An edge node with two devices. `pump-7` is born by the library's own `EdgeNode`, with aliases; `fan-2` has unit and range
/// in properties, for which the library has no words but its Protocol Buffers do.
const EDGE: &str = r#"
import os, sys, time, pysparkplug as sp
from pysparkplug._protobuf import Payload
now = sp.get_current_timestamp
def M(timestamp, name, datatype, value, **more):
    return sp.Metric(timestamp=timestamp, name=name, datatype=datatype, value=value, **more)
def commanded(edge, message):
    for metric in message.payload.metrics:
        if metric.name == "Node Control/Rebirth" and metric.value:
            print('"rebirth asked"', flush=True)
            births()
pump = sp.Device("pump-7", [M(now(), "vib_de", sp.DataType.DOUBLE, 2.0, alias=1),
    M(now(), "shift", sp.DataType.INT32, -20, alias=2), M(now(), "maker", sp.DataType.STRING, "x", alias=3)])
client = sp.Client(client_id="gateway")
edge = sp.EdgeNode("quillhaven", "gw-1", [M(now(), "cabinet_temp", sp.DataType.FLOAT, 31.0, alias=20)], client=client, cmd_callback=commanded)
edge.register(pump)
count = [0]
def seq():
    value = count[0] % 256
    count[0] += 1
    return value
def topic(kind, device=None):
    return sp.Topic(message_type=kind, group_id="quillhaven", edge_node_id="gw-1", device_id=device)
def send(kind, device, payload):
    client.publish(sp.Message(topic=topic(kind, device), payload=payload, qos=sp.QoS.AT_MOST_ONCE, retain=False))
def fan_birth():
    raw = sp.DBirth(timestamp=now(), seq=seq(), metrics=[M(now(), "temp_de", sp.DataType.FLOAT, 140.0, alias=11)]).encode()
    payload = Payload.FromString(raw)
    properties = payload.metrics[0].properties
    for key, code, field, value in (("engUnit", 12, "string_value", "degF"), ("engLow", 10, "double_value", -40.0), ("engHigh", 10, "double_value", 302.0)):
        properties.keys.append(key)
        entry = properties.values.add()
        entry.type = code
        setattr(entry, field, value)
    client._client.publish(str(topic(sp.MessageType.DBIRTH, "fan-2")), payload.SerializeToString(), qos=0)
def births():
    count[0] = 0
    node = list(edge.metrics.values()) + [bd_seq]
    send(sp.MessageType.NBIRTH, None, sp.NBirth(timestamp=now(), seq=seq(), metrics=node))
    send(sp.MessageType.DBIRTH, "pump-7", sp.DBirth(timestamp=now(), seq=seq(), metrics=pump.metrics.values()))
    fan_birth()
def data(device, alias, value, number=None, kind=sp.DataType.DOUBLE):
    metric = M(now(), None, kind, value, alias=alias)
    send(sp.MessageType.DDATA, device, sp.DData(timestamp=now(), seq=seq() if number is None else number, metrics=[metric]))
edge.connect("127.0.0.1", port=int(sys.argv[1]), blocking=False)
# The library's births of NBIRTH and pump-7 took the first two numbers.
while not edge._connected: time.sleep(0.05)
time.sleep(0.7)
bd_seq = edge._bd_seq_metric
count[0] = 2
fan_birth()
print('"born"', flush=True)
for line in sys.stdin:
    word, *rest = line.split()
    if word == "data": data(rest[0], int(rest[1]), float(rest[2]))
    elif word == "whole": data(rest[0], int(rest[1]), int(rest[2]), kind=sp.DataType.INT32)
    elif word == "lose":
        for _ in range(int(rest[0])): seq()
    elif word == "swap":
        first, second = seq(), seq()
        data("pump-7", 1, float(rest[1]), number=second)
        data("pump-7", 1, float(rest[0]), number=first)
    elif word == "history":
        send(sp.MessageType.DDATA, "pump-7", sp.DData(timestamp=now(), seq=seq(), metrics=[M(now() - 3600000, None, sp.DataType.DOUBLE, 9.9, alias=1, is_historical=True)]))
    elif word == "null":
        send(sp.MessageType.DDATA, "pump-7", sp.DData(timestamp=now(), seq=seq(), metrics=[M(now(), None, sp.DataType.DOUBLE, None, alias=1, is_null=True)]))
    elif word == "ddeath":
        send(sp.MessageType.DDEATH, rest[0], sp.DDeath(timestamp=now(), seq=seq()))
    elif word == "dbirth":
        send(sp.MessageType.DBIRTH, "pump-7", sp.DBirth(timestamp=now(), seq=seq(), metrics=pump.metrics.values()))
    elif word == "stale":
        old = M(now(), "bdSeq", sp.DataType.INT64, bd_seq.value + 100)
        send(sp.MessageType.NDEATH, None, sp.NDeath(timestamp=now(), bd_seq_metric=old))
    elif word == "vanish":
        client._client._sock_close()
        print('"done"', flush=True)
        os._exit(0)
    time.sleep(0.05)
    print('"done"', flush=True)
"#;

const HOST: &str = r#"
align.cadence = "200ms"
http.listen = "off"
[sparkplug]
groups = ["quillhaven"]
host_id = "watch-room"
rebirth = true
reorder_timeout = "500ms"
asset = "{device}"
[assets.pump-7.points.vib_de]
unit = "mm/s rms"
alarm_high = 7.1
"#;

fn newest(heard: &Listener, topic: &str) -> Option<Value> {
    heard.on(topic).last().map(|text| serde_json::from_str(text).expect("JSON"))
}

fn point(heard: &Listener, asset: &str, name: &str) -> Option<Value> {
    let condition = newest(heard, &format!("roundsman/quillhaven/{asset}/condition"))?;
    condition["points"].as_array()?.iter().find(|point| point["point"] == name).cloned()
}

#[test]
fn births_become_assets_and_what_goes_wrong_on_the_way_is_put_right() {
    common::logs();
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let heard = broker.listen(&["-t", "roundsman/#", "-t", "spBv1.0/STATE/#"]);
    let daemon = Daemon::start(HOST, broker.port, dir.path());
    let state = || newest(&heard, "spBv1.0/STATE/watch-room");
    wait_for("the host to say that it is online", || state().is_some_and(|state| state["online"] == true));
    assert!(state().is_some_and(|state| state["timestamp"].as_i64().is_some_and(|ms| ms > 1_700_000_000_000)));

    // Births: three assets, with nothing configured for two of them.
    let mut edge = Program::start(EDGE, broker.port);
    wait_for("the births", || edge.count("born") == 1);
    wait_for("three assets", || daemon.status.assets.get() == 3);
    for number in 0..30 {
        edge.tell(&format!("data pump-7 1 {}", 2.0 + 0.01 * f64::from(number % 5)));
        edge.tell(&format!("data fan-2 11 {}", 140.0 + 0.1 * f64::from(number % 5)));
        edge.tell(&format!("whole pump-7 2 {}", -20 - number % 3));
    }
    wait_for("conditions", || {
        point(&heard, "pump-7", "vib_de").is_some() && point(&heard, "fan-2", "temp_de").is_some()
    });
    let fan = point(&heard, "fan-2", "temp_de").expect("just seen");
    let celsius = fan["observed"].as_f64().expect("a value");
    assert!(fan["unit"] == "Cel" && (celsius - 60.0).abs() < 0.5, "140 °F are 60 °C: {fan:#}");
    let rejected: u64 = roundsman::status::REJECTIONS.iter().map(|reason| daemon.rejected(*reason)).sum();
    assert_eq!(rejected, 0, "{:?}", daemon.status.counters().examples);

    // The range of its birth: 310 °F are 154 °C, and 302 °F are the most it measures.
    edge.tell("data fan-2 11 310");
    wait_for("a value outside its range", || daemon.rejected(Rejection::OutOfRange) == 1);

    // Out of order: put in order, nothing lost, nobody asked.
    let before = daemon.status.observed.get();
    edge.tell("swap 2.1 2.2");
    wait_for("both", || daemon.status.observed.get() >= before + 2);
    assert_eq!((daemon.rejected(Rejection::SequenceGap), edge.count("rebirth asked")), (0, 0));

    // History and null are counted, not taken.
    edge.tell("history");
    edge.tell("null");
    wait_for("both to be counted", || {
        daemon.rejected(Rejection::Historical) == 1 && daemon.rejected(Rejection::BadQuality) == 1
    });

    // An alias nobody was born with asks for a rebirth, which comes; the value is refused.
    edge.tell("data pump-7 99 1.0");
    wait_for("the first rebirth", || edge.count("rebirth asked") == 1);
    assert_eq!(daemon.rejected(Rejection::NoBirth), 1);

    // A gap: three messages are missing, and after the time-out a rebirth is asked for.
    wait_for("data after the rebirth", || {
        let before = daemon.status.observed.get();
        edge.tell("data pump-7 1 2.0");
        daemon.status.observed.get() > before
    });
    edge.tell("lose 3");
    edge.tell("data pump-7 1 2.5");
    std::thread::sleep(Duration::from_millis(700));
    edge.tell("data pump-7 1 2.6");
    wait_for("the second rebirth", || edge.count("rebirth asked") == 2);
    assert_eq!(daemon.rejected(Rejection::SequenceGap), 3);

    // Deaths: of a device until its birth, of an earlier connection not at all.
    wait_for("data after the rebirth", || {
        let before = daemon.status.observed.get();
        edge.tell("data pump-7 1 2.0");
        daemon.status.observed.get() > before
    });
    edge.tell("stale");
    let before = daemon.status.observed.get();
    edge.tell("data pump-7 1 2.0");
    wait_for("data after a stale death", || daemon.status.observed.get() > before);
    let refused = daemon.rejected(Rejection::NoBirth);
    edge.tell("ddeath pump-7");
    edge.tell("data pump-7 1 2.0");
    wait_for("data of a dead device to be refused", || daemon.rejected(Rejection::NoBirth) == refused + 1);
    edge.tell("dbirth");
    let before = daemon.status.observed.get();
    edge.tell("data pump-7 1 2.0");
    wait_for("data of a device born again", || daemon.status.observed.get() > before);

    // The node vanishes, the broker says its will, and it comes back by a new connection.
    edge.tell("vanish");
    drop(edge);
    let mut edge = Program::start(EDGE, broker.port);
    wait_for("the births", || edge.count("born") == 1);
    for number in 0..40 {
        edge.tell(&format!("data pump-7 1 {}", 9.0 + 0.01 * f64::from(number % 5)));
    }
    let alarm = || {
        let alerts = heard.on("roundsman/quillhaven/pump-7/alert");
        alerts.iter().map(|text| serde_json::from_str::<Value>(text).expect("JSON")).find(|a| a["severity"] == "alarm")
    };
    wait_for("the alarm", || alarm().is_some());
    println!("{}", alarm().expect("just seen")["message"]);
    daemon.stop();
    wait_for("the host to say that it is offline", || state().is_some_and(|state| state["online"] == false));
}

#[test]
fn the_state_of_the_host_follows_its_connection_and_its_births_survive_a_restart() {
    common::logs();
    let broker = Broker::start("");
    let gate = Gate::new(broker.port);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let heard = broker.listen(&["-t", "spBv1.0/STATE/#"]);
    let states = || -> Vec<Value> {
        heard.on("spBv1.0/STATE/watch-room").iter().map(|text| serde_json::from_str(text).expect("JSON")).collect()
    };
    let online = || states().last().is_some_and(|state| state["online"] == true);
    let daemon = Daemon::start(HOST, gate.port, dir.path());
    wait_for("online", online);
    gate.shut();
    wait_for("the will", || states().last().is_some_and(|state| state["online"] == false));
    let will = states().last().cloned().expect("just seen");
    let birth = states().iter().rev().find(|state| state["online"] == true).cloned().expect("it was online");
    assert_eq!(will["timestamp"], birth["timestamp"], "the will and the birth of one connection have one time");
    gate.open();
    wait_for("online again", online);
    assert!(states().last().expect("just seen")["timestamp"].as_i64() > will["timestamp"].as_i64());
    // Somebody else says that we are gone.
    broker.publish(&["-q", "1", "-r", "-t", "spBv1.0/STATE/watch-room", "-m", r#"{"online":false,"timestamp":1}"#]);
    wait_for("the host to contradict", || states().iter().any(|state| state["timestamp"] == 1) && online());

    let mut edge = Program::start(EDGE, broker.port);
    wait_for("the births", || edge.count("born") == 1);
    wait_for("three assets", || daemon.status.assets.get() == 3);
    edge.tell("data pump-7 1 2.0");
    daemon.stop();
    let daemon = Daemon::start(HOST, gate.port, dir.path());
    wait_for("online", online);
    let before = daemon.status.observed.get();
    edge.tell("data pump-7 1 2.1");
    wait_for("data read by the births of before the restart", || daemon.status.observed.get() > before);
    assert_eq!((edge.count("rebirth asked"), daemon.rejected(Rejection::NoBirth)), (0, 0));
    daemon.stop();
}

/// Reads our births, data and deaths by the library, which has each decoded against the birth it heard; asks for a rebirth
/// when told to.
const READER: &str = r#"
import json, sys, time, pysparkplug as sp
client = sp.Client(client_id="scada")
def heard(client, message):
    payload = message.payload
    metrics, times, historical = {}, {}, []
    for metric in getattr(payload, "metrics", None) or [payload.bd_seq_metric]:
        metrics[metric.name] = None if metric.is_null else metric.value
        times[metric.name] = metric.timestamp
        if metric.is_historical: historical.append(metric.name)
    print(json.dumps({"kind": str(message.topic.message_type.value), "device": message.topic.device_id, "seq": getattr(payload, "seq", None),
        "metrics": metrics, "times": times, "historical": historical, "qos": int(message.qos), "retain": bool(message.retain)}), flush=True)
for kind in (sp.MessageType.NBIRTH, sp.MessageType.NDEATH):
    client.subscribe(sp.Topic(group_id="condition", message_type=kind, edge_node_id="roundsman"), sp.QoS.AT_MOST_ONCE, heard)
for kind in (sp.MessageType.DBIRTH, sp.MessageType.DDATA):
    client.subscribe(sp.Topic(group_id="condition", message_type=kind, edge_node_id="roundsman", device_id="+"), sp.QoS.AT_MOST_ONCE, heard)
client.connect("127.0.0.1", port=int(sys.argv[1]), blocking=False)
time.sleep(0.5)
print('"listening"', flush=True)
for line in sys.stdin:
    metric = sp.Metric(timestamp=sp.get_current_timestamp(), name="Node Control/Rebirth", datatype=sp.DataType.BOOLEAN, value=True)
    topic = sp.Topic(group_id="condition", message_type=sp.MessageType.NCMD, edge_node_id="roundsman")
    client.publish(sp.Message(topic=topic, payload=sp.NCmd(timestamp=sp.get_current_timestamp(), metrics=[metric]), qos=sp.QoS.AT_MOST_ONCE, retain=False), include_dtypes=True)
    print('"done"', flush=True)
"#;

const OUT: &str = r#"
align.cadence = "200ms"
http.listen = "off"
topics = [{ pattern = "plant/{asset}/{point}" }]
[sparkplug.publish]
group = "condition"
node = "roundsman"
[assets.pump-7.points.vib_de]
unit = "mm/s rms"
alarm_high = 7.1
"#;

#[test]
fn another_library_reads_our_births_data_and_deaths() {
    common::logs();
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut reader = Program::start(READER, broker.port);
    wait_for("the reader", || reader.count("listening") == 1);
    let daemon = Daemon::start(OUT, broker.port, dir.path());
    wait_for("our NBIRTH", || !of(&reader, "NBIRTH").is_empty());
    let first = of(&reader, "NBIRTH").remove(0);
    assert_eq!((&first["seq"], &first["metrics"]["bdSeq"]), (&0.into(), &0.into()), "{first:#}");
    assert_eq!(first["metrics"]["Node Control/Rebirth"], false);
    let publish = |value: f64, count: u32| {
        for number in 0..count {
            broker.publish(&[
                "-q",
                "1",
                "-t",
                "plant/pump-7/vib_de",
                "-m",
                &format!("{:.2}", value + 0.01 * f64::from(number % 5)),
            ]);
            std::thread::sleep(Duration::from_millis(100));
        }
    };
    publish(2.0, 12);
    wait_for("a DBIRTH of the pump", || of(&reader, "DBIRTH").iter().any(|line| line["device"] == "pump-7"));
    publish(9.0, 25);
    let severity = |line: &Value| line["metrics"]["Severity"].as_i64();
    wait_for("its alarm", || of(&reader, "DDATA").iter().any(|line| severity(line) == Some(3)));
    wait_for("its alert", || of(&reader, "DDATA").iter().any(|line| line["metrics"]["Alert/Message"].is_string()));
    let birth = of(&reader, "DBIRTH").remove(0);
    println!("{birth}");
    for name in [
        "Condition",
        "Severity",
        "Deviation",
        "Operating State",
        "Run Hours",
        "Learned",
        "Remaining Life/P10",
        "Remaining Life/P50",
        "Remaining Life/P90",
        "Remaining Life/To",
        "Alert/Id",
        "Alert/State",
        "Alert/Message",
    ] {
        assert!(birth["metrics"].as_object().expect("an object").contains_key(name), "{name} in {birth:#}");
    }

    // Every message is the next of its node's count, at QoS 0 and not retained.
    let in_order = |lines: &[Value], from: usize| {
        for (place, line) in lines.iter().enumerate() {
            assert_eq!(line["seq"].as_u64(), Some(((from + place) % 256) as u64), "{line:#}");
            assert_eq!((&line["qos"], &line["retain"]), (&0.into(), &false.into()));
        }
    };
    let counted =
        |reader: &Program| -> Vec<Value> { reader.lines().into_iter().filter(|line| line["seq"].is_u64()).collect() };
    let before = counted(&reader);
    in_order(&before, 0);

    // A rebirth begins the count again and says everything there is.
    reader.tell("rebirth");
    wait_for("the second NBIRTH", || of(&reader, "NBIRTH").len() == 2);
    let again = of(&reader, "NBIRTH").remove(1);
    assert_eq!((&again["seq"], &again["metrics"]["bdSeq"]), (&0.into(), &0.into()), "the same connection");
    wait_for("the second DBIRTH", || of(&reader, "DBIRTH").len() == 2);
    let birth = of(&reader, "DBIRTH").remove(1);
    assert_eq!((severity(&birth), &birth["metrics"]["Condition"]), (Some(3), &"alarm".into()), "{birth:#}");
    let all = counted(&reader);
    let second = all.iter().rposition(|line| line["kind"] == "NBIRTH").expect("just seen");
    in_order(&all[second..], 0);

    // A clean end says the death of this connection; the next one has the next number.
    daemon.stop();
    wait_for("our NDEATH", || !of(&reader, "NDEATH").is_empty());
    assert_eq!(of(&reader, "NDEATH")[0]["metrics"]["bdSeq"], 0);
    let gate = Gate::new(broker.port);
    let daemon = Daemon::start(OUT, gate.port, dir.path());
    wait_for("the NBIRTH after a restart", || of(&reader, "NBIRTH").len() == 3);
    assert_eq!(of(&reader, "NBIRTH")[2]["metrics"]["bdSeq"], 1);
    // And one that breaks leaves its will behind.
    gate.shut();
    wait_for("the will", || of(&reader, "NDEATH").len() == 2);
    assert_eq!(of(&reader, "NDEATH")[1]["metrics"]["bdSeq"], 1);
    gate.open();
    wait_for("the NBIRTH after that", || of(&reader, "NBIRTH").len() == 4);
    assert_eq!(of(&reader, "NBIRTH")[3]["metrics"]["bdSeq"], 2);
    daemon.stop();
}

/// Lines of one kind.
fn of(reader: &Program, kind: &str) -> Vec<Value> {
    reader.lines().into_iter().filter(|line| line["kind"] == kind).collect()
}

/// Time and value of a metric in the messages that have it, as the present or as history.
fn said(reader: &Program, name: &str, historical: bool) -> Vec<(u64, f64)> {
    let mut all = Vec::new();
    for line in of(reader, "DDATA") {
        let flagged = line["historical"].as_array().expect("a list").contains(&name.into());
        if let (Some(value), Some(time), true) =
            (line["metrics"][name].as_f64(), line["times"][name].as_u64(), flagged == historical)
        {
            all.push((time, value));
        }
    }
    all
}

/// Alarms that come and go with every snapshot, so that there is something to say.
const LIVELY: &str = r#"
http.listen = "off"
[alarm]
raise_snapshots = 1
clear_snapshots = 1
[sparkplug.publish]
group = "condition"
node = "roundsman"
[assets.pump-7.points.vib_de]
unit = "mm/s rms"
alarm_high = 7.1
"#;

/// Specification 3.0.0, section 6.4.5 (`is_historical`: not a current value), and section 5.10: a birth has current values.
#[test]
fn what_a_broken_connection_swallowed_is_said_again_as_history() {
    common::logs();
    let broker = Broker::start("");
    let gate = Gate::new(broker.port);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let reader = Program::start(READER, broker.port);
    wait_for("the reader", || reader.count("listening") == 1);
    let config =
        format!("align.cadence = \"200ms\"\ntopics = [{{ pattern = \"plant/{{asset}}/{{point}}\" }}]\n{LIVELY}");
    let daemon = Daemon::start(&config, gate.port, dir.path());
    let publish = |value: f64| {
        for number in 0..8 {
            let value = format!("{:.2}", value + 0.01 * f64::from(number % 5));
            broker.publish(&["-q", "1", "-t", "plant/pump-7/vib_de", "-m", &value]);
            std::thread::sleep(Duration::from_millis(100));
        }
    };
    let severities = |historical| said(&reader, "Severity", historical);
    for value in [2.0, 9.0, 2.0, 2.0] {
        publish(value);
    }
    wait_for("an alarm that came and went", || severities(false).len() == 2);
    assert_eq!(severities(true), []);

    // Readings still come in, and nothing that is said of them gets out.
    gate.stall_out();
    std::thread::sleep(Duration::from_millis(200));
    let alerts = daemon.status.alerts.get();
    for value in [9.0, 2.0, 9.0, 2.0, 2.0] {
        publish(value);
    }
    wait_for("alarms that come and go", || daemon.status.alerts.get() >= alerts + 4);
    let before = severities(false);
    assert_eq!(before.len(), 2, "the gate is shut for it");
    gate.shut();
    std::thread::sleep(Duration::from_millis(300));
    gate.open();
    wait_for("the second birth", || of(&reader, "DBIRTH").len() == 2);
    let birth = of(&reader, "DBIRTH").remove(1);
    assert_eq!(birth["historical"], Value::Array(Vec::new()), "a birth has what holds now");
    let (born, last) = (birth["times"]["Severity"].as_u64().expect("a time"), before[1].0);
    let swallowed = || severities(true).into_iter().filter(|(time, _)| *time > last).collect::<Vec<_>>();
    wait_for("its history", || swallowed().iter().filter(|(_, value)| *value == 3.0).count() == 2);
    publish(9.0);
    wait_for("the present after it", || severities(false).len() == 3);

    println!("before {before:?}, swallowed {:?}, born {born}, after {:?}", swallowed(), severities(false)[2]);
    let values: Vec<f64> = swallowed().iter().map(|(_, value)| *value).collect();
    // The last return to normal is the birth's.
    assert!(values == [3.0, 0.0, 3.0] && birth["metrics"]["Severity"] == 0, "{values:?} {birth:#}");
    assert!(swallowed().iter().all(|(time, _)| *time < born) && severities(false)[2].0 > born);
    // What had arrived before may come again, and then with its own time and value.
    for (time, value) in severities(true).iter().filter(|(time, _)| *time <= last) {
        assert!(before.contains(&(*time, *value)), "{value} at {time}, and {before:?}");
    }
    // After the births, in the count of the node.
    let lines = reader.lines();
    let second = lines.iter().rposition(|line| line["kind"] == "NBIRTH").expect("just seen");
    let numbers: Vec<u64> = lines[second..].iter().filter_map(|line| line["seq"].as_u64()).collect();
    assert!(numbers.iter().zip(0..).all(|(seq, place)| *seq == place % 256), "{numbers:?}");
    daemon.stop();
}

#[test]
fn what_is_said_of_readings_that_come_hours_late_is_history_until_they_have_caught_up() {
    common::logs();
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let reader = Program::start(READER, broker.port);
    wait_for("the reader", || reader.count("listening") == 1);
    let config = format!(
        "align.cadence = \"5 min\"\ntopics = [{{ pattern = \"plant/{{asset}}/{{point}}\", payload = {{ format = \"json\", \
         value = \"/v\", time = \"/t\", time_format = \"ms\" }} }}]\n{LIVELY}"
    );
    let daemon = Daemon::start(&config, broker.port, dir.path());
    let began = std::time::UNIX_EPOCH.elapsed().expect("after 1970").as_millis() as u64;
    // Six hours of readings at once; every half hour an alarm comes or goes, the last one comes 25 minutes ago.
    for step in (0..72).rev() {
        let value = if (step / 6) % 2 == 0 { 9.0 } else { 2.0 };
        let payload = format!("{{\"v\": {value}, \"t\": {}}}", began - step * 300_000);
        broker.publish(&["-q", "1", "-t", "plant/pump-7/vib_de", "-m", &payload]);
        // So that the documents between are not skipped: only the newest on the board is said.
        std::thread::sleep(Duration::from_millis(60));
    }
    wait_for("history", || said(&reader, "Severity", true).len() >= 5);
    wait_for("the present", || said(&reader, "Severity", false).last().is_some_and(|(_, value)| *value == 3.0));
    let (past, present) = (said(&reader, "Severity", true), said(&reader, "Severity", false));
    println!("as history {past:?}, as the present {present:?}");
    assert!(past.windows(2).all(|pair| pair[0].0 < pair[1].0 && pair[0].1 != pair[1].1), "{past:?}");
    // What was said last as history is the present, as of the newest document: the alert's, or the condition's of the full
    // hour when the last 25 minutes hold one. Nothing before it ever was.
    let last = past[past.len() - 1];
    assert_eq!(present.len(), 1, "once, when the readings had caught up");
    assert!(present[0].1 == last.1 && (last.0..=began).contains(&present[0].0), "{present:?} after {last:?}");
    assert_eq!(of(&reader, "DBIRTH")[0]["historical"], Value::Array(Vec::new()), "a birth never is");
    daemon.stop();
}
