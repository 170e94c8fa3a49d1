//! A plant in small, with clients nobody here wrote: readings by `mosquitto_pub` and by Python's paho-mqtt, the service
//! run from `deploy/minimal.toml`, alerts read by `mosquitto_sub`, and the broker killed in the middle of it.

mod common;
mod support;

use common::{Broker, Listener, signal, wait_for};
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;

/// Ten readings a second of `fan-2`, with one connection that is made again when it is lost. `hot` on its standard
/// input and they rise past the limit; at its end the client leaves.
const PYTHON_CLIENT: &str = r#"
import sys, threading, time
import paho.mqtt.client as mqtt
level, going = [60.0], [True]
def told():
    for line in sys.stdin:
        if line.strip() == "hot": level[0] = 95.0
    going[0] = False
threading.Thread(target=told, daemon=True).start()
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="python-plc", protocol=mqtt.MQTTv5)
client.reconnect_delay_set(1, 1)
client.connect("127.0.0.1", int(sys.argv[1]), keepalive=5)
client.loop_start()
number = 0
while going[0]:
    number += 1
    client.publish("plant/north/fan-2/temp_de", f"{level[0] + 0.1 * (number % 7):.1f}", qos=1)
    time.sleep(0.1)
client.disconnect()
client.loop_stop()
"#;

/// A process that does not outlive its test.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn run_daemon(port: u16, state: &Path, log: &Path) -> Running {
    let mut command = support::roundsman();
    command.arg("run").arg("--config").arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/minimal.toml"));
    // The file stays as it is: what is of this test comes by the environment and by --set.
    command.env("ROUNDSMAN__BROKER__URL", format!("mqtt://127.0.0.1:{port}"));
    for set in [
        &format!("state.dir={}", state.display()),
        "align.cadence=200ms",
        "assets.pump-7.points.vib_de.unit=mm/s rms",
        "assets.pump-7.points.vib_de.alarm_high=7.1",
        "assets.fan-2.points.temp_de.unit=Cel",
        "assets.fan-2.points.temp_de.alarm_high=85",
    ] {
        command.arg("--set").arg(set);
    }
    let log = std::fs::File::create(log).expect("a log file");
    Running(command.stdout(Stdio::null()).stderr(log).spawn().expect("the binary starts"))
}

fn run_python(port: u16) -> (Running, ChildStdin) {
    let child = Command::new(common::python_client())
        .args(["-c", PYTHON_CLIENT, &port.to_string()])
        .stdin(Stdio::piped())
        .spawn();
    let mut child = child.expect("python starts");
    let stdin = child.stdin.take().expect("its standard input");
    (Running(child), stdin)
}

fn newest(heard: &Listener, topic: &str) -> Option<Value> {
    heard.on(topic).last().map(|text| serde_json::from_str(text).expect("a document is JSON"))
}

fn service_is(heard: &Listener, online: bool) -> bool {
    newest(heard, "roundsman/quillhaven/service").is_some_and(|service| service["online"] == online)
}

/// The alarm of an asset whose own limit was passed at one point.
#[track_caller]
fn alarm_of(heard: &Listener, asset: &str, point: &str, limit: f64) -> Value {
    let topic = format!("roundsman/quillhaven/{asset}/alert");
    let find = || {
        let alerts = heard.on(&topic).into_iter().map(|text| serde_json::from_str::<Value>(&text).expect("JSON"));
        alerts.into_iter().find(|alert| alert["severity"] == "alarm")
    };
    wait_for(&format!("the alarm of {asset}"), || find().is_some());
    let alarm = find().expect("just seen");
    println!("{asset}: {}", alarm["message"].as_str().unwrap_or_default());
    assert_eq!(alarm["schema"], "roundsman.alert/1");
    assert_eq!(alarm["asset"], asset);
    let lead = &alarm["contributions"][0];
    assert_eq!(lead["point"], point, "{alarm:#}");
    assert_eq!((&lead["evidence"], &lead["limit"]["source"]), (&"limit".into(), &"own".into()), "{alarm:#}");
    assert_eq!(lead["limit"]["limit"]["value"].as_f64(), Some(limit), "{alarm:#}");
    assert!(lead["observed"]["value"].as_f64() > Some(limit), "{alarm:#}");
    alarm
}

#[test]
fn other_peoples_clients_publish_and_read_while_the_broker_dies() {
    let mut broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let log = dir.path().join("log");
    let heard = broker.listen(&["-t", "roundsman/#"]);
    let daemon = run_daemon(broker.port, &dir.path().join("state"), &log);
    wait_for("the service to say it is online", || service_is(&heard, true));

    let (_python, mut python_in) = run_python(broker.port);
    let (going, high) = (AtomicBool::new(true), AtomicBool::new(false));
    let (taken, refused) = (AtomicU32::new(0), AtomicU32::new(0));
    let port = broker.port;
    std::thread::scope(|scope| {
        // One `mosquitto_pub` per reading, as a shell script would.
        scope.spawn(|| {
            for number in 0.. {
                if !going.load(Ordering::SeqCst) {
                    break;
                }
                let level = if high.load(Ordering::SeqCst) { 8.0 } else { 2.0 };
                let value = format!("{:.2}", level + 0.05 * f64::from(number % 5));
                let done = Command::new("mosquitto_pub")
                    .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1"])
                    .args(["-t", "plant/north/pump-7/vib_de", "-m", &value])
                    .output()
                    .expect("mosquitto_pub runs: install Debian's package mosquitto-clients, as tests/run does");
                let counter = if done.status.success() { &taken } else { &refused };
                counter.fetch_add(1, Ordering::SeqCst);
                std::thread::sleep(Duration::from_millis(100));
            }
        });
        // Whatever fails here, the thread above must end.
        let told = Told(&going);
        wait_for("readings", || taken.load(Ordering::SeqCst) >= 15);
        assert!(heard.lines().iter().all(|(topic, _)| !topic.ends_with("/alert")), "nothing to say of normal levels");

        broker.kill();
        wait_for("readings to be refused", || refused.load(Ordering::SeqCst) >= 5);
        broker.restart();
        let heard = broker.listen(&["-t", "roundsman/#"]);
        wait_for("the service to say again that it is online", || service_is(&heard, true));
        let before = taken.load(Ordering::SeqCst);
        wait_for("readings again", || taken.load(Ordering::SeqCst) >= before + 5);

        high.store(true, Ordering::SeqCst);
        writeln!(python_in, "hot").expect("python reads");
        alarm_of(&heard, "pump-7", "vib_de", 7.1);
        alarm_of(&heard, "fan-2", "temp_de", 85.0);

        // Who comes later has the retained documents at once.
        let late = broker.listen(&["-t", "roundsman/quillhaven/+/condition", "-t", "roundsman/quillhaven/service"]);
        for asset in ["pump-7", "fan-2"] {
            let topic = format!("roundsman/quillhaven/{asset}/condition");
            wait_for("the retained condition", || newest(&late, &topic).is_some_and(|c| c["zone"] == "alarm"));
        }
        let condition = newest(&late, "roundsman/quillhaven/pump-7/condition").expect("just seen");
        let point = condition["points"].as_array().and_then(|p| p.iter().find(|p| p["point"] == "vib_de"));
        let point = point.unwrap_or_else(|| panic!("vib_de among the points of {condition:#}"));
        assert!(point["observed"].as_f64() > Some(7.1) && point["unit"] == "mm/s", "{point:#}");
        // What was sent lies in 2.00 to 2.20 and 8.00 to 8.20, so every statistic of it lies between.
        for number in ["/lately/middle", "/all/middle", "/all/p95"] {
            let value = point.pointer(number).and_then(serde_json::Value::as_f64);
            assert!(value.is_some_and(|v| (2.0..=8.2).contains(&v)), "{number} of {point:#}");
        }
        wait_for("the retained service document", || service_is(&late, true));
        drop(told);
        drop(python_in);

        signal(daemon.0.id(), "TERM");
        let mut daemon = daemon;
        assert!(daemon.0.wait().expect("it ends").success(), "a clean stop: {}", log_of(&log));
        wait_for("the service to say it is offline", || service_is(&heard, false) && service_is(&late, false));
    });
    println!(
        "mosquitto_pub: {} readings taken, {} refused while the broker was dead",
        taken.into_inner(),
        refused.into_inner()
    );
}

/// Ends the publishing when it goes.
struct Told<'a>(&'a AtomicBool);

impl Drop for Told<'_> {
    fn drop(&mut self) {
        self.0.store(false, Ordering::SeqCst);
    }
}

fn log_of(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_default()
}
