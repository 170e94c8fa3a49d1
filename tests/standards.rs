//! CloudEvents and SenML with libraries nobody here wrote, over a real broker: Python's `cloudevents` and `kpn_senml`.

mod common;
mod support;

use common::process::{Log, Process};
use common::program::Program;
use common::{Broker, wait_for};
use serde_json::Value;
use std::path::Path;

fn daemon(broker: &Broker, dir: &Path, config: &str) -> Process {
    let file = dir.join("roundsman.toml");
    let text = format!(
        "site.name = \"quillhaven\"\nbroker.url = \"mqtt://127.0.0.1:{}\"\nstate.dir = {:?}\nhttp.listen = \"off\"\n{config}",
        broker.port,
        dir.join("state").display().to_string()
    );
    std::fs::write(&file, text).expect("the configuration can be written");
    let log = Log::default();
    let daemon =
        Process::spawn(support::roundsman(), &["run".into(), "--config".into(), file.display().to_string()], &log);
    daemon.wait_until_connected(0);
    daemon
}

/// Readings of `pump-7`, each a CloudEvent as the library writes it; alerts through the library's reader, which refuses
/// what is none.
const EVENTS: &str = r#"
import json, sys, threading, time
from datetime import datetime, timezone
import paho.mqtt.client as mqtt
from cloudevents.core.v1.event import CloudEvent
from cloudevents.core.formats.json import JSONFormat
form = JSONFormat()
def heard(client, userdata, message):
    event = form.read(CloudEvent, message.payload)
    print(json.dumps({"id": event.get_id(), "source": event.get_source(), "type": event.get_type(), "subject": event.get_subject(),
        "time": event.get_time().timestamp(), "content": event.get_datacontenttype(), "schema": event.get_dataschema(),
        "severity": event.get_extension("severity"), "data": event.get_data(),
        "media": getattr(message.properties, "ContentType", None)}), flush=True)
client = mqtt.Client(client_id="events", protocol=mqtt.MQTTv5)
client.on_message = heard
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_start()
client.subscribe("roundsman/+/+/alert", qos=1)
time.sleep(0.5)
for number in range(400):
    level = 2.0 if number < 20 else 9.0
    event = CloudEvent({"id": str(number), "source": "/gateways/3", "type": "example.reading", "specversion": "1.0",
        "time": datetime.now(timezone.utc)}, {"value": level + 0.01 * (number % 7), "unit": "mm/s"})
    client.publish("events/pump-7/vib_de", form.write(event), qos=1)
    time.sleep(0.1)
"#;

#[test]
fn a_cloudevents_library_reads_our_alerts_and_we_read_its_events() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let config = r#"
publish.cloudevents = true
align.cadence = "200ms"
[[topics]]
pattern = "events/{asset}/{point}"
payload = { format = "json", value = "/data/value", unit = "/data/unit", time = "/time" }
[assets.pump-7.points.vib_de]
unit = "mm/s rms"
alarm_high = 7.1
"#;
    let daemon = daemon(&broker, dir.path(), config);
    let python = Program::start(EVENTS, broker.port);
    let raised = || python.lines().into_iter().find(|event| event["severity"] == "alarm");
    wait_for("the alarm as a CloudEvent", || raised().is_some());
    let event = raised().expect("just seen");
    println!("{event:#}");
    let data = &event["data"];
    assert_eq!(event["media"], "application/cloudevents+json; charset=utf-8");
    assert_eq!((&event["source"], &event["subject"]), (&"/roundsman/quillhaven".into(), &"pump-7".into()));
    assert_eq!(
        (&event["content"], &event["schema"]),
        (&"application/json".into(), &"urn:roundsman:schema:roundsman.alert:1".into())
    );
    assert_eq!(event["type"], format!("roundsman.alert.{}", data["change"].as_str().expect("text")));
    assert_eq!((&data["schema"], &data["severity"]), (&"roundsman.alert/1".into(), &"alarm".into()));
    let id = event["id"].as_str().expect("text");
    let (alert, revision) = (data["id"].as_str().expect("text"), data["revision"].as_u64().expect("a number"));
    assert!(id.starts_with(&format!("{alert}/{revision}/")), "{id}");
    let mut ids: Vec<String> = python.lines().iter().map(|event| event["id"].to_string()).collect();
    let count = ids.len();
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), count, "each transition has an id of its own");
    drop(daemon);
    // What is kept is the document itself, which the tools that read the table expect.
    let kept = common::kept_alerts(&dir.path().join("state"), "pump-7");
    assert!(!kept.is_empty());
    for document in kept {
        let document: Value = serde_json::from_str(&document).expect("JSON");
        assert_eq!(document["schema"], "roundsman.alert/1", "{document:#}");
    }
}

/// Packs of `fan-2` in JSON and in CBOR, as the library writes them: base name, base time, relative times.
const PACKS: &str = r#"
import sys, time
import paho.mqtt.client as mqtt
from kpn_senml import SenmlPack, SenmlRecord
client = mqtt.Client(client_id="packs")
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_start()
for number in range(100):
    for form, base in (("cbor", "plant/fan-2/"), ("json", "plant/fan-3/")):
        now = time.time()
        pack = SenmlPack(base)
        pack.base_time = now
        pack.add(SenmlRecord("speed", unit="1/min", value=980 + number % 3, time=now - 1))
        pack.add(SenmlRecord("temp_de", unit="K", value=300.15 + 0.01 * (number % 5), time=now - 1))
        client.publish("senml/" + form, pack.to_cbor() if form == "cbor" else pack.to_json(), qos=1)
    time.sleep(0.1)
print('"done"', flush=True)
time.sleep(60)
"#;

#[test]
fn packs_of_a_senml_library_in_both_forms_become_readings() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let config = r#"
align.cadence = "200ms"
[[topics]]
pattern = "senml/{...}"
payload = { format = "senml", names = "asset/point" }
"#;
    let _daemon = daemon(&broker, dir.path(), config);
    let heard = broker.listen(&["-t", "roundsman/quillhaven/+/condition"]);
    let _python = Program::start(PACKS, broker.port);
    for asset in ["fan-2", "fan-3"] {
        let topic = format!("roundsman/quillhaven/{asset}/condition");
        let point = |name: &str| {
            let newest: Value = serde_json::from_str(heard.on(&topic).last()?).ok()?;
            newest["points"].as_array()?.iter().find(|point| point["point"] == name).cloned()
        };
        wait_for("a temperature in degrees Celsius", || {
            point("temp_de").is_some_and(|point| point["observed"].as_f64().is_some())
        });
        let temperature = point("temp_de").expect("just seen");
        println!("{asset}: {temperature}");
        let celsius = temperature["observed"].as_f64().expect("just seen");
        assert!((celsius - 27.0).abs() < 0.1, "300.15 K are 27 °C: {celsius}");
        assert_eq!(temperature["unit"], "Cel");
    }
}
