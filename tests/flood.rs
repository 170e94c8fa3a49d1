//! Twenty times the normal rate, through a proxy that notes every acknowledgement the daemon gives: what was acknowledged
//! before a `kill -9` is found after it, memory stays within the broker's queue, and nobody who is slow to take alerts
//! slows the intake.

mod common;
mod support;

use common::load::{Load, be_the_publisher, write_messages};
use common::process::{Log, Process, arguments};
use common::tap::Tap;
use common::{Broker, Daemon, EVERY, expected_alerts, kept_alerts, settings, wait_for};
use roundsman::acquire::mqtt::Entry;
use roundsman::acquire::mqtt::acks::identity;
use roundsman::keep::Journal;
use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// A plant of a hundred machines with ten points each and a reading every two seconds.
const NORMAL: u32 = 500;
/// Twenty times that.
const FLOOD: u32 = 20 * NORMAL;
/// Eight seconds of it.
const MESSAGES: usize = 80_000;
/// What one message may cost the daemon while it waits for the journal: topic, payload, place in the queues and in the
/// ledger of acknowledgements, and what the allocator keeps.
const BYTES_PER_MESSAGE: u64 = 1024;

/// How often each message stands in the journal, by its identity.
fn journaled(state: &Path) -> HashMap<u64, u64> {
    let journal = Journal::open(state).expect("the journal opens");
    let head = journal.head().expect("a head");
    let (mut position, mut found) = (0, HashMap::new());
    while let Some((at, entries)) = journal.after(position, head).expect("every row can be read") {
        position = at;
        for entry in entries {
            if let Entry::Message(message) = entry {
                *found.entry(identity(&message.topic, &message.payload)).or_insert(0) += 1;
            }
        }
    }
    found
}

/// The publisher is this test started again.
const MYSELF: [&str; 3] = ["--exact", "what_was_acknowledged_before_a_kill_is_found_after_it", "--nocapture"];

/// Injected: a flood of 20 times the normal rate by another process at QoS 1, two `kill -9` in it. Lost: nothing that was
/// acknowledged, and in the end nothing at all; nothing is taken twice.
#[test]
fn what_was_acknowledged_before_a_kill_is_found_after_it() {
    if be_the_publisher() {
        return;
    }
    let broker = Broker::start("");
    let tap = Tap::new(broker.port);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let state = dir.path().join("state");
    let config = dir.path().join("flood.toml");
    std::fs::write(
        &config,
        "site.name = \"mill\"\nbroker.url = \"mqtt://localhost\"\ntopics = [{ pattern = \"plant/{asset}/{point}\" }]\n",
    )
    .expect("a configuration");
    let lines: Vec<_> =
        (0..MESSAGES).map(|n| (format!("plant/machine-{}/p{}", n % 100, n / 100 % 10), n.to_string())).collect();
    let file = dir.path().join("messages");
    write_messages(&file, lines.iter().map(|(topic, payload)| (topic.as_str(), payload.as_str())));

    let log = Log::default();
    let start = || {
        let mut all = arguments(&config, tap.port, "under-flood", &state);
        // The journal is what is looked into, so nothing of it may be dropped meanwhile.
        for set in ["journal.keep_days=1", "state.snapshot_every=1 s"] {
            all.extend(["--set".to_owned(), set.to_owned()]);
        }
        Process::spawn(support::roundsman(), &all, &log)
    };
    let mut daemon = start();
    daemon.wait_until_connected(0);
    let before = daemon.rss_kib().expect("it runs");
    let load = Load { port: broker.port, messages: file, rate: FLOOD, moments: None };
    let began = Instant::now();
    let mut publisher = load.start(&MYSELF);
    let peak = AtomicU64::new(before);
    let watch = |daemon: &Process, until: &mut dyn FnMut() -> bool| {
        wait_for("the flood to go on", || {
            peak.fetch_max(daemon.rss_kib().unwrap_or(0), Ordering::Relaxed);
            until()
        });
    };
    for share in [0.3, 0.6] {
        let enough = (share * MESSAGES as f64) as usize;
        watch(&daemon, &mut || tap.acknowledgements() >= enough);
        daemon.kill();
        // Acknowledgements that had left the daemon are still on their way through the proxy.
        let mut given = tap.acknowledgements();
        wait_for("the last of them", || {
            std::thread::sleep(Duration::from_millis(100));
            std::mem::replace(&mut given, tap.acknowledgements()) == given
        });
        let acknowledged: HashSet<u64> = tap.acknowledged().into_iter().collect();
        let found = journaled(&state);
        let kept = acknowledged.iter().filter(|hash| found.contains_key(hash)).count();
        println!(
            "killed: {} readings acknowledged, {kept} of them on the disk, which has {} in all",
            acknowledged.len(),
            found.len()
        );
        assert_eq!(kept, acknowledged.len(), "every acknowledged reading is on the disk");
        daemon = start();
    }
    let published = publisher.wait().expect("it ends");
    assert!(published.success(), "the publisher failed");
    let took = began.elapsed();
    let all: HashMap<u64, u64> =
        lines.iter().map(|(topic, payload)| (identity(topic, payload.as_bytes()), 1)).collect();
    assert_eq!(all.len(), MESSAGES, "the messages differ");
    let mut distinct = HashMap::new();
    watch(&daemon, &mut || {
        if tap.acknowledgements() < MESSAGES {
            return false;
        }
        distinct = tap.acknowledged().into_iter().map(|hash| (hash, 1)).collect();
        distinct.len() == MESSAGES
    });
    daemon.stop();
    assert_eq!(tap.stray(), 0, "nothing was acknowledged that was not sent on that connection");
    assert_eq!(distinct, all);
    assert_eq!(journaled(&state), all, "each message is on the disk, and once");
    let peak = peak.into_inner();
    println!(
        "{MESSAGES} messages published in {:.1} s ({:.0} a second), {} passed on to the daemon in all; resident memory \
         {:.1} MiB before, {:.1} MiB at most",
        took.as_secs_f64(),
        MESSAGES as f64 / took.as_secs_f64(),
        tap.passed(),
        before as f64 / 1024.0,
        peak as f64 / 1024.0
    );
    // Mosquitto 2.0.11 passes on its whole queue whatever window was asked for, so that queue is the bound.
    assert!(
        peak * 1024 <= before * 1024 + MESSAGES as u64 * BYTES_PER_MESSAGE,
        "memory is bounded by the broker's queue"
    );
}

/// Injected: a consumer that stops reading, and a broker that answers none of our publishes for as long as the flood
/// lasts. Lost: nothing; the intake does not wait, the alerts do.
#[test]
fn a_slow_consumer_of_alerts_does_not_stop_the_intake() {
    let broker = Broker::start("");
    let tap = Tap::new(broker.port);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(tap.port, dir.path()));
    let hung = broker.listen(&["-t", "roundsman/site/+/alert"]);
    let heard = broker.listen(&["-t", "roundsman/site/+/alert"]);
    wait_for("its first words to be confirmed", || tap.passed() == 0 && daemon.status.outbox.get() == 0);
    hung.pause();
    tap.hold_writer(true);
    let total = 20_000;
    broker.publish_readings("pump-1", 0..total);
    wait_for("every reading to be acknowledged", || daemon.status.acknowledged.get() == total);
    wait_for("the alerts to wait on the disk", || daemon.status.outbox.get() >= total / EVERY);
    assert_eq!(daemon.status.delivered.get(), 0, "nothing can have been confirmed");
    tap.hold_writer(false);
    let expected = expected_alerts("pump-1", total);
    let distinct = |listener: &common::Listener| {
        let mut alerts: Vec<String> = Vec::new();
        for alert in listener.on("roundsman/site/pump-1/alert") {
            if alerts.last() != Some(&alert) {
                alerts.push(alert);
            }
        }
        alerts
    };
    wait_for("every alert", || distinct(&heard).last() == expected.last());
    // In order, and a repeat (of what was under way while nothing was confirmed) follows its first at once or not at all.
    let all = distinct(&heard);
    assert!(expected.iter().all(|alert| all.contains(alert)), "{} of {} alerts", all.len(), expected.len());
    hung.resume();
    wait_for("the one that hung to have them too", || distinct(&hung).last() == expected.last());
    daemon.stop().expect("a clean stop");
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected);
}
