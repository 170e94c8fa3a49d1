//! Live through a real broker: what the daemon with everything on sustains beside a bare subscriber that only counts, and
//! the delay from a reading's publish to the alert it causes at half that rate.
//!
//! ```text
//! cargo bench -p roundsman --bench live -- [--days 8] [--rounds 3] [--pages 5]
//! ```
//!
//! `--pages N`: a third turn in each round, the same daemon with the page open N times: each holds the live list, and loads the
//! list and a trend of a year every three seconds.
//!
//! One process publishes the simulated site's recording at QoS 1, as fast as Mosquitto takes it; both subscribers are
//! processes of their own, on the same broker, in turns. The daemon counts as done when commands behind the last
//! reading are answered, so when journal, engine and outbox have all of it. Which reading causes which alert is worked
//! out beforehand by the same engine.

#[path = "../../tests/common/mod.rs"]
mod common;

#[path = "live/viewers.rs"]
mod viewers;

use common::load::{Load, be_the_publisher, now_us, write_messages};
use common::process::{Log, Process, arguments};
use common::stretch::{Sent, site, stretch};
use common::{Broker, wait_for};
use roundsman::acquire::mqtt::Message;
use roundsman::acquire::plant::Plant;
use roundsman::config::{self, Sources};
use roundsman::engine::{Engine, Output};
use roundsman::intake::{Edge, Routed};
use roundsman_models::EventTime;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{Client, Event, MqttOptions};
use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// What tells a process that it is the bare subscriber: port, messages.
const SUBSCRIBER: &str = "ROUNDSMAN_BENCH_SUBSCRIBER";
/// The daemon's own default window; the subscriber gets the same.
const WINDOW: u16 = 1000;
/// Every snapshot that crosses a limit raises, every one below clears, and limits amid the ordinary values: alerts
/// enough to take percentiles of.
const CHATTER: [&str; 5] = [
    "alarm.raise_snapshots=1",
    "alarm.clear_snapshots=1",
    "alarm.deadband=0",
    "assets.id-fan.points.vib_de_h.warning_high=2.2 mm/s",
    "assets.fd-fan.points.vib_de_h.warning_high=1.5 mm/s",
];

fn main() {
    if be_the_publisher() || be_the_subscriber() {
        return;
    }
    let bench = std::env::args().any(|arg| arg == "--bench");
    let (mut days, mut rounds, mut pages) = if bench { (8, 3, 0) } else { (1, 1, 0) };
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        let mut number = || args.next().and_then(|text| text.parse().ok()).expect("a number follows");
        match arg.as_str() {
            "--days" => days = number(),
            "--rounds" => rounds = number(),
            "--pages" => pages = number(),
            _ => {}
        }
    }
    let messages = stretch(&[], "2031-03-29T00:00:00Z", &format!("2031-04-{:02}T00:00:00Z", days - 2));
    let dir = tempfile::tempdir().expect("a temporary folder");
    let file = dir.path().join("messages");
    write_messages(&file, messages.iter().map(|sent| (sent.topic.as_str(), sent.payload.as_str())));
    let broker = Broker::start("max_queued_messages 0\n");
    println!("{} messages of {} days, {rounds} rounds in turns", messages.len(), days);

    let (mut rates, mut open) = (Vec::new(), Vec::new());
    for round in 1..=rounds {
        let bare = bare(&broker, &file, messages.len());
        let alone = daemon(&broker, &file, &messages, dir.path(), &format!("daemon-{round}"), 0);
        println!("round {round}: bare subscriber {bare:.0} messages/s, daemon {alone:.0}: {:.2}", alone / bare);
        rates.push((bare, alone));
        if pages > 0 {
            let watched = daemon(&broker, &file, &messages, dir.path(), &format!("watched-{round}"), pages);
            println!(
                "round {round}: with {pages} pages open {watched:.0} messages/s: {:.3} of the daemon alone",
                watched / alone
            );
            open.push(watched / alone);
        }
    }
    let middle = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    let bare = middle(rates.iter().map(|rate| rate.0).collect());
    let all = middle(rates.iter().map(|rate| rate.1).collect());
    println!("median: bare subscriber {bare:.0} messages/s, daemon {all:.0} messages/s, share {:.2}", all / bare);
    if pages > 0 {
        println!("median: with {pages} pages open {:.3} of the daemon alone", middle(open));
    }
    delay(&broker, &file, &messages, dir.path(), (all / 2.0) as u32);
}

/// Messages a second of a subscriber that only counts.
fn bare(broker: &Broker, file: &Path, count: usize) -> f64 {
    let mut child = Command::new(std::env::current_exe().expect("this program"))
        .env(SUBSCRIBER, format!("{} {count}", broker.port))
        .stdout(Stdio::piped())
        .spawn()
        .expect("the subscriber starts");
    let mut said = std::io::BufRead::lines(std::io::BufReader::new(child.stdout.take().expect("its output")));
    assert_eq!(said.next().expect("a line").expect("text"), "subscribed");
    let broker_before = cpu_secs(broker.pid());
    let began = now_us();
    let mut load = Load { port: broker.port, messages: file.to_owned(), rate: 0, moments: None }.start(&[]);
    let ended: i64 = said.next().expect("a line").expect("text").parse().expect("a time");
    let own: f64 = said.next().expect("a line").expect("text").parse().expect("a time");
    say_cost("bare subscriber", own, broker, broker_before, count);
    assert!(load.wait().expect("it ends").success() && child.wait().expect("it ends").success());
    count as f64 / ((ended - began) as f64 * 1e-6)
}

fn be_the_subscriber() -> bool {
    let Ok(told) = std::env::var(SUBSCRIBER) else { return false };
    let (port, count) = told.split_once(' ').expect("port and count");
    let mut options = MqttOptions::new("bare", "127.0.0.1", port.parse().expect("a port"));
    options.set_receive_maximum(Some(WINDOW)).set_keep_alive(Duration::from_secs(60));
    let (client, mut connection) = Client::new(options, 100);
    client.subscribe("plant/#", QoS::AtLeastOnce).expect("the client takes it");
    let mut left: usize = count.parse().expect("a count");
    for event in connection.iter() {
        match event.expect("the broker stays there") {
            Event::Incoming(Packet::SubAck(_)) => println!("subscribed"),
            Event::Incoming(Packet::Publish(_)) => {
                left -= 1;
                if left == 0 {
                    break;
                }
            }
            _ => {}
        }
    }
    println!("{}", now_us());
    println!("{}", cpu_secs(std::process::id()));
    true
}

fn start(broker: &Broker, dir: &Path, name: &str, sets: &[&str]) -> Process {
    let state = dir.join(format!("state-{name}"));
    let mut all = arguments(&site("roundsman.toml"), broker.port, name, &state);
    let commands = r#"commands=[{topic = "roundsman/quillhaven/+/command", actions = "all"}]"#;
    let ours = ["broker.clock=stream", commands, "broker.session_expiry=1 s"];
    for set in ours.iter().chain(sets) {
        all.extend(["--set".to_owned(), (*set).to_owned()]);
    }
    let daemon = Process::spawn(Command::new(env!("CARGO_BIN_EXE_roundsman")), &all, &Log::default());
    daemon.wait_until_connected(0);
    daemon
}

/// Messages a second of the daemon, until commands behind the last reading of every asset are answered; looked at on so many
/// pages.
fn daemon(broker: &Broker, file: &Path, messages: &[Sent], dir: &Path, name: &str, pages: usize) -> f64 {
    let http = common::free_port();
    let daemon = start(broker, dir, name, &[&format!("http.listen=127.0.0.1:{http}")]);
    let watched = viewers::Viewers::open(http, pages);
    let answers = broker.listen(&["-t", "test/answers"]);
    let assets: HashSet<&str> = messages.iter().filter_map(|sent| sent.topic.split('/').nth(2)).collect();
    let before = (cpu_secs(daemon.pid()), cpu_secs(broker.pid()));
    let began = Instant::now();
    let mut load = Load { port: broker.port, messages: file.to_owned(), rate: 0, moments: None }.start(&[]);
    assert!(load.wait().expect("it ends").success());
    for asset in &assets {
        let command = r#"{"action":"unshelve","by":"bench","reply_to":"test/answers"}"#;
        broker.publish(&["-q", "1", "-t", &format!("roundsman/quillhaven/{asset}/command"), "-m", command]);
    }
    wait_for("the last answer", || answers.on("test/answers").len() >= assets.len());
    let took = began.elapsed();
    watched.close(took);
    say_cost("daemon", cpu_secs(daemon.pid()) - before.0, broker, before.1, messages.len());
    daemon.stop();
    messages.len() as f64 / took.as_secs_f64()
}

/// Processor time of a process so far, seconds; `/proc/PID/stat` counts in hundredths.
fn cpu_secs(pid: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).expect("it runs");
    let fields: Vec<_> = stat.rsplit(')').next().expect("a name in brackets").split_whitespace().collect();
    let ticks: f64 = [11, 12].iter().filter_map(|field| fields.get(*field)?.parse::<f64>().ok()).sum();
    ticks / 100.0
}

/// Processor time does not depend on who else is at work on this machine, so it says what a rate cannot.
fn say_cost(who: &str, own_secs: f64, broker: &Broker, broker_before: f64, count: usize) {
    let per_message = |secs: f64| secs * 1e6 / count as f64;
    println!(
        "  {who}: {:.1} us of processor a message, the broker meanwhile {:.1} us",
        per_message(own_secs),
        per_message(cpu_secs(broker.pid()) - broker_before)
    );
}

/// Which message causes which alert document (id and transition), by the same edge and engine.
fn causes(messages: &[Sent], sets: &[String]) -> HashMap<(String, u32), usize> {
    let file = site("roundsman.toml");
    let sources = Sources { file: Some(&file), set: sets, zones: config::zone_names(), ..Sources::default() };
    let checked = config::load(&sources).expect("no faults");
    let mut edge = Plant::new(&checked, roundsman::run::topics(&checked).expect("topics"));
    let mut engine = Engine::new(&checked.site.name, true);
    let mut causes = HashMap::new();
    let (mut routed, mut outputs, mut defined) = (Routed::default(), Vec::new(), Vec::new());
    edge.restore(None, &mut defined).expect("nothing to restore");
    for event in &defined {
        engine.step(event, &mut outputs);
    }
    for (place, sent) in messages.iter().enumerate() {
        let message = Message {
            topic: sent.topic.clone(),
            payload: sent.payload.clone().into(),
            cut: false,
            retain: false,
            dup: false,
            packet_id: 1,
            received: EventTime(0),
            reply_to: None,
        };
        edge.message(&message, &mut routed);
        for event in routed.events.drain(..) {
            engine.step(&event, &mut outputs);
        }
        for output in outputs.drain(..) {
            if let Output::Alert(_, alert) = output {
                causes.insert((alert.id.clone(), alert.revision), place);
            }
        }
    }
    causes
}

fn delay(broker: &Broker, file: &Path, messages: &[Sent], dir: &Path, rate: u32) {
    // By the same clock as the daemon's: by ours, a recording of another year is not believed.
    let sets: Vec<String> = CHATTER.iter().chain(&["broker.clock=stream"]).map(|set| (*set).to_owned()).collect();
    let causes = causes(messages, &sets);
    let daemon = start(broker, dir, "delay", &CHATTER);
    let mut options = MqttOptions::new("alerts", "127.0.0.1", broker.port);
    options.set_keep_alive(Duration::from_secs(60));
    let (client, mut connection) = Client::new(options, 100);
    client.subscribe("roundsman/quillhaven/+/alert", QoS::AtLeastOnce).expect("the client takes it");
    let (heard, alerts) = std::sync::mpsc::channel();
    let (subscribed, ready) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        for event in connection.iter().map_while(Result::ok) {
            match event {
                Event::Incoming(Packet::SubAck(_)) => drop(subscribed.send(())),
                Event::Incoming(Packet::Publish(publish)) => drop(heard.send((now_us(), publish.payload))),
                _ => {}
            }
        }
    });
    ready.recv().expect("subscribed");
    let moments: PathBuf = dir.join("moments");
    let load = Load { port: broker.port, messages: file.to_owned(), rate, moments: Some(moments.clone()) };
    let began = Instant::now();
    assert!(load.start(&[]).wait().expect("it ends").success());
    let took = began.elapsed();
    let mut delays = Vec::new();
    let written: Vec<i64> = {
        let text = std::fs::read_to_string(&moments).expect("the moments");
        text.lines().map(|line| line.parse().expect("a moment")).collect()
    };
    while delays.len() < causes.len() {
        let (at, payload) = alerts.recv_timeout(Duration::from_secs(30)).expect("every alert comes");
        let alert: serde_json::Value = serde_json::from_slice(&payload).expect("an alert is JSON");
        let key =
            (alert["id"].as_str().expect("an id").to_owned(), alert["revision"].as_u64().expect("a revision") as u32);
        let place = *causes.get(&key).unwrap_or_else(|| panic!("{key:?} is not among those worked out"));
        delays.push((at - written[place]) as f64 * 1e-3);
    }
    daemon.stop();
    delays.sort_by(f64::total_cmp);
    let at = |share: f64| delays[((delays.len() - 1) as f64 * share).round() as usize];
    println!(
        "delay from publish to alert at {:.0} messages/s, {} alert documents: median {:.1} ms, 99th percentile {:.1} ms, \
         longest {:.1} ms",
        messages.len() as f64 / took.as_secs_f64(),
        delays.len(),
        at(0.5),
        at(0.99),
        at(1.0)
    );
}
