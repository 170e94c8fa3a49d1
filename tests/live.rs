//! The same recording played and lived through gives the same alerts to the byte: eight days of four machines of the
//! simulated site, once through `replay`, once reading by reading through a real broker into the daemon, which is
//! stopped and killed on the way.

mod common;
mod support;

use common::process::{Log, Process, arguments};
use common::stretch::{Sent, stretch};
use common::{Broker, wait_for};
use rumqttc::{Client, Event, MqttOptions, Packet, QoS};
use std::fmt::Write;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// What is planted in this stretch: an hour without the gateway of `effluent`, `blower-1` left loose after a stop,
/// imbalance of `id-fan`, a stuck sensor of `fd-fan`; nothing on `lift-pump`. The end lies in the quiet after all of
/// it, so that nothing is said only because the recording ends.
const ASSETS: [&str; 4] = ["id-fan", "fd-fan", "blower-1", "lift-pump"];
const FROM: &str = "2031-03-29T00:00:00Z";
const TO: &str = "2031-04-06T00:00:00Z";

/// The stretch as `mosquitto_sub -F '%j'` would have recorded it.
fn record(messages: &[Sent], path: &Path) {
    let mut text = String::new();
    for Sent { topic, payload, .. } in messages {
        let quoted = serde_json::to_string(payload).expect("text");
        let length = payload.len();
        writeln!(
            text,
            r#"{{"tst":"2031-04-06T00:00:00.000000Z+0000","topic":"{topic}","qos":1,"retain":0,"payloadlen":{length},"mid":1,"payload":{quoted}}}"#
        )
        .expect("memory");
    }
    std::fs::write(path, text).expect("the recording can be written");
}

/// `roundsman run`, once it is subscribed.
fn start(broker: &Broker, state: &Path, log: &Log) -> Process {
    let mut arguments = arguments(&support::quillhaven("roundsman.toml"), broker.port, "under-test", state);
    let commands = r#"commands=[{topic = "roundsman/quillhaven/+/command", actions = "all"}]"#;
    for set in ["broker.clock=stream", commands, "journal.keep_days=1"] {
        arguments.extend(["--set".to_owned(), set.to_owned()]);
    }
    let before = log.text().len();
    let daemon = Process::spawn(support::roundsman(), &arguments, log);
    daemon.wait_until_connected(before);
    daemon
}

/// Publishes everything at QoS 1, then a command to each asset that changes nothing: its answer says that all before it
/// has been worked on. `confirmed` counts what the broker has taken; none goes out whose place is not below `until`.
fn publish(port: u16, messages: &[Sent], confirmed: &AtomicUsize, until: &AtomicUsize) {
    let mut options = MqttOptions::new("plant", "127.0.0.1", port);
    options.set_inflight(100).set_keep_alive(Duration::from_secs(60));
    let (client, mut connection) = Client::new(options, 100);
    let all = messages.len() + ASSETS.len();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for event in connection.iter() {
                match event.expect("the broker stays there") {
                    Event::Incoming(Packet::PubAck(_)) if confirmed.fetch_add(1, Ordering::SeqCst) + 1 == all => return,
                    _ => {}
                }
            }
        });
        for (place, Sent { topic, payload, .. }) in messages.iter().enumerate() {
            if place >= until.load(Ordering::SeqCst) {
                wait_for("leave to go on", || place < until.load(Ordering::SeqCst));
            }
            client.publish(topic, QoS::AtLeastOnce, false, payload.as_bytes()).expect("the client takes it");
        }
        for asset in ASSETS {
            let command = r#"{"action":"set-limit","by":"tester","point":"vib_de_h","limit":"warning-high","value":4.5,"reply_to":"test/answers"}"#;
            let topic = format!("roundsman/quillhaven/{asset}/command");
            client.publish(topic, QoS::AtLeastOnce, false, command).expect("the client takes it");
        }
    });
}

/// As `replay` sorts its documents: time, asset, id, revision.
fn sorted(mut documents: Vec<String>) -> Vec<String> {
    documents.sort_by_cached_key(|text| {
        let document: serde_json::Value = serde_json::from_str(text).expect("an alert is JSON");
        let word = |key: &str| document[key].as_str().unwrap_or_default().to_owned();
        (support::time(&document["at"]), word("asset"), word("id"), document["revision"].as_u64())
    });
    documents
}

#[test]
fn a_recording_lived_through_gives_what_its_replay_gives() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let messages = stretch(&ASSETS, FROM, TO);
    let recorded = dir.path().join("recorded.jsonl");
    record(&messages, &recorded);
    let config = support::quillhaven("roundsman.toml");
    let out = dir.path().join("replayed");
    support::replay(&out, ["--config".as_ref(), config.as_os_str(), recorded.as_os_str()]);
    let replayed = std::fs::read_to_string(out.join("alerts.jsonl")).expect("alerts.jsonl");
    for alert in support::alerts(&out) {
        let word = |key: &str| alert[key].as_str().unwrap_or_default().to_owned();
        println!(
            "{} {} {} {} {}",
            word("at"),
            word("asset"),
            alert["finding"]["about"],
            word("change"),
            word("severity")
        );
    }
    let raised = |asset: &str, about: &str| {
        let fits =
            |a: &serde_json::Value| a["asset"] == asset && a["finding"]["about"] == about && a["change"] == "raised";
        support::alerts(&out).iter().any(fits)
    };
    assert!(raised("id-fan", "machine") && raised("fd-fan", "sensor") && raised("blower-1", "silence"));

    let broker = Broker::start("");
    let heard = broker.listen(&[
        "-t",
        "roundsman/quillhaven/+/alert",
        "-t",
        "roundsman/quillhaven/service",
        "-t",
        "test/answers",
    ]);
    let (state, log) = (dir.path().join("state"), Log::default());
    let start = || start(&broker, &state, &log);
    let first = start();
    let confirmed = AtomicUsize::new(0);
    let share = |share: f64| (share * messages.len() as f64) as usize;
    let until = AtomicUsize::new(share(0.6));
    let so_far = || heard.lines().iter().filter(|(topic, _)| topic.ends_with("/alert")).count();
    let began = Instant::now();
    let last = std::thread::scope(|scope| {
        let publishing = scope.spawn(|| publish(broker.port, &messages, &confirmed, &until));
        let passed = |places: usize| wait_for("the stream to go on", || confirmed.load(Ordering::SeqCst) >= places);
        // In the middle of the stream, which goes on meanwhile: the broker keeps it for us. What is still to come waits for
        // each of the two ends, so that neither can come too late.
        passed(share(0.4));
        first.stop();
        println!("stopped after {} alert documents", so_far());
        until.store(share(0.9), Ordering::SeqCst);
        let second = start();
        passed(share(0.8));
        second.kill();
        println!("killed after {} alert documents", so_far());
        until.store(usize::MAX, Ordering::SeqCst);
        let third = start();
        publishing.join().expect("published");
        third
    });
    wait_for("everything to be worked on", || heard.on("test/answers").len() >= ASSETS.len());
    let took = began.elapsed();
    last.stop();
    wait_for("the last word", || {
        heard.on("roundsman/quillhaven/service").last().is_some_and(|s| s.contains(r#""online":false"#))
    });

    let lived: Vec<String> =
        heard.lines().into_iter().filter(|(topic, _)| topic.ends_with("/alert")).map(|(_, payload)| payload).collect();
    let count = lived.len();
    let mut lived = sorted(lived);
    // At least once: a repeat is the same to the byte, or it stays and the comparison fails.
    lived.dedup();
    println!(
        "{} messages in {:.1} s ({:.0} a second) with a SIGTERM and a SIGKILL of the daemon: {} documents, {} repeats",
        messages.len(),
        took.as_secs_f64(),
        messages.len() as f64 / took.as_secs_f64(),
        lived.len(),
        count - lived.len()
    );
    let replayed: Vec<&str> = replayed.lines().collect();
    if let Some(place) = lived.iter().zip(&replayed).position(|(one, other)| one != other) {
        panic!("document {} differs:\n  lived    {}\n  replayed {}", place + 1, lived[place], replayed[place]);
    }
    assert_eq!(lived.len(), replayed.len(), "as many documents");
    // The journal it kept is a recording too.
    let out = dir.path().join("journal-replayed");
    let journal = state.join("journal.db");
    // The daemon ran by the stream's clock, and what it believed hangs on that.
    let clock = ["--set".as_ref(), "broker.clock=stream".as_ref()];
    support::replay(&out, ["--config".as_ref(), config.as_os_str(), clock[0], clock[1], journal.as_os_str()]);
    let again = std::fs::read_to_string(out.join("alerts.jsonl")).expect("alerts.jsonl");
    assert!(again.lines().eq(replayed), "a replay of journal.db gives other alerts than one of the recording");
}
