//! The daemon against a real Mosquitto that dies, forgets, stalls, refuses and floods.

mod common;

use common::{Broker, Daemon, EVERY, Gate, expected_alerts, kept_alerts, logs, query, settings, wait_for};
use roundsman::acquire::mqtt::link::{LinkEvent, LinkFault, LinkOptions, MqttLink, NotTaken, Publication, Requests};
use roundsman::acquire::mqtt::{BrokerSettings, Clock, Credentials, Reader, Version};
use roundsman::app::wall_clock;
use roundsman::status::{LinkState, Status};
use std::collections::HashSet;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, watch};

/// Injected: `kill -9` of the broker while the engine still works on what is journaled.
/// Lost: what only the broker had, and that is on record; every alert made during the outage arrives after it.
fn killed(version: Version) {
    logs();
    let mut broker = Broker::start("");
    let gate = Gate::new(broker.port);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut settings = settings(gate.port, dir.path());
    settings.broker.version = version;
    // Nine journal rows at least fit between the journal and an engine that is held, so reading 504 gets there.
    let hold = Arc::new(AtomicU64::new(495));
    let daemon = Daemon::start_held(settings, hold.clone());
    daemon.wait_until_connected();
    let before = broker.listen(&["-t", "roundsman/site/pump-1/alert"]);
    broker.publish_readings("pump-1", 0..490);
    wait_for("the alerts so far", || before.on("roundsman/site/pump-1/alert").len() == 49);
    broker.publish_readings("pump-1", 490..1000);
    wait_for("the journal to run ahead of the engine", || daemon.status.journaled.get() >= 504);

    // The gate first, so that no alert can slip to a broker nobody listens at.
    gate.shut();
    wait_for("both to notice", || {
        matches!(daemon.status.reader(), LinkState::Down(_)) && matches!(daemon.status.writer(), LinkState::Down(_))
    });
    broker.kill();
    hold.store(u64::MAX, Ordering::SeqCst);
    let status = daemon.status.clone();
    let kept = || status.journaled.get();
    wait_for("the engine to finish during the outage", || {
        status.received.get() == kept() && status.alerts.get() == kept() / EVERY
    });
    let (kept, waiting) = (kept(), status.alerts.get() - 49);
    assert!(waiting >= 1, "{kept} readings were journaled");
    wait_for("the alerts to wait on the disk", || status.outbox.get() >= waiting);
    broker.restart();
    let after = broker.listen(&["-t", "roundsman/site/pump-1/alert"]);
    gate.open();
    daemon.wait_until_connected();
    let expected = expected_alerts("pump-1", kept);
    wait_for("the rest of the alerts", || after.on("roundsman/site/pump-1/alert").last() == expected.last());
    let mut arrived = before.on("roundsman/site/pump-1/alert")[..49].to_vec();
    for alert in after.on("roundsman/site/pump-1/alert") {
        if !arrived.contains(&alert) {
            arrived.push(alert);
        }
    }
    assert_eq!(arrived, expected, "each alert, in order");

    // The broker forgot our session: subscribed again, and the hole is on record.
    assert_eq!(daemon.status.holes().len(), 1);
    broker.publish_readings("pump-1", kept..kept + EVERY);
    wait_for("the stream to go on", || daemon.status.alerts.get() == kept / EVERY + 1);
    daemon.stop().expect("a clean stop");
    assert_eq!(query(dir.path(), "state.db", "SELECT count(*) FROM holes"), 1);
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", kept + EVERY));
}

#[test]
fn alerts_made_while_the_broker_is_dead_all_arrive() {
    killed(Version::V5);
}

#[test]
fn the_same_in_mqtt_3_1_1() {
    killed(Version::V3);
}

/// Injected: the broker restarts with its persistence file, readings waiting in our session.
/// Lost: nothing, and nothing is counted twice.
#[test]
fn what_waits_in_a_session_that_survives_is_counted_once() {
    for version in [Version::V5, Version::V3] {
        let mut broker = Broker::start("persistence true\npersistence_location $DIR/\n");
        let gate = Gate::new(broker.port);
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut settings = settings(gate.port, dir.path());
        settings.broker.version = version;
        settings.broker.receive_maximum = 20;
        let daemon = Daemon::start_slow(settings, Duration::from_millis(1));
        daemon.wait_until_connected();
        for round in 0..3 {
            let published = round * 500;
            std::thread::scope(|scope| {
                scope.spawn(|| broker.publish_readings("pump-1", published..published + 500));
                // Cut in the middle: some are unacknowledged, some only in the broker's queue.
                let some = published + 100;
                wait_for("some of them", || daemon.status.acknowledged.get() + daemon.status.repeated.get() >= some);
                gate.shut();
            });
            wait_for("the reader to notice", || matches!(daemon.status.reader(), LinkState::Down(_)));
            broker.stop();
            broker.restart();
            gate.open();
            wait_for("all of them", || daemon.status.observed.get() >= published + 500);
        }
        wait_for("all alerts", || daemon.status.alerts.get() == 1500 / EVERY);
        assert_eq!(daemon.status.holes(), []);
        assert_eq!(daemon.status.observed.get(), 1500, "{version:?}");
        daemon.stop().expect("a clean stop");
        assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", 1500), "{version:?}");
    }
}

/// Injected: a connection that stays open and passes nothing, in both directions or in one. Lost: nothing; noticed by the
/// missing ping answer.
fn half_open(version: Version, stall: fn(&Gate)) {
    let broker = Broker::start("");
    let gate = Gate::new(broker.port);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut settings = settings(gate.port, dir.path());
    settings.broker.version = version;
    let daemon = Daemon::started(settings);
    stall(&gate);
    // More than one window, so that acknowledgements matter where only they are stuck.
    let total = 3000;
    broker.publish_readings("pump-1", 0..total);
    wait_for("the stall to be noticed", || matches!(daemon.status.reader(), LinkState::Down(_)));
    gate.open();
    wait_for("the readings", || daemon.status.alerts.get() == total / EVERY);
    wait_for("the alerts", || daemon.status.outbox.get() == 0);
    assert_eq!(daemon.status.holes(), []);
    daemon.stop().expect("a clean stop");
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", total), "{version:?}");
}

#[test]
fn a_half_open_connection_is_noticed_and_replaced() {
    half_open(Version::V5, Gate::stall);
    half_open(Version::V3, Gate::stall);
}

#[test]
fn so_is_one_that_only_the_broker_can_speak_on() {
    half_open(Version::V5, Gate::stall_out);
}

#[test]
fn so_is_one_that_only_we_can_speak_on() {
    half_open(Version::V5, Gate::stall_in);
}

/// Injected: the broker cannot be reached for half an hour of stream time, while the plant goes on publishing.
/// Lost: nothing, and nothing is bridged: the readings come late, in order, and no hole is claimed.
#[test]
fn half_an_hour_of_stream_without_a_way_to_the_broker_is_caught_up_with() {
    let broker = Broker::start("");
    let gate = Gate::new(broker.port);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut settings = settings(gate.port, dir.path());
    settings.broker.clock = Clock::Stream;
    let daemon = Daemon::started(settings);
    let assets = ["pump-1", "pump-2", "fan-1"];
    // One reading a second each: the number is the second.
    let publish = |seconds: std::ops::Range<u64>| assets.map(|asset| broker.publish_readings(asset, seconds.clone()));
    publish(0..300);
    wait_for("the time before", || daemon.status.acknowledged.get() == 900);
    gate.shut();
    wait_for("both to notice", || {
        matches!(daemon.status.reader(), LinkState::Down(_)) && matches!(daemon.status.writer(), LinkState::Down(_))
    });
    let connects = new_connections(&broker);
    publish(300..300 + 1800);
    // Shut out for a while longer: the tries must thin out, and none of them reaches the broker.
    let until = Instant::now() + Duration::from_secs(2);
    wait_for("some tries", || Instant::now() > until);
    assert_eq!(daemon.status.observed.get(), 900);
    gate.open();
    wait_for("all of it", || daemon.status.acknowledged.get() == 3 * 2100);
    publish(2100..2200);
    wait_for("the time after", || daemon.status.acknowledged.get() == 3 * 2200);
    wait_for("every alert to be out", || daemon.status.alerts.get() == 3 * 220 && daemon.status.outbox.get() == 0);
    // mosquitto_pub connects too: three times, three and three; the daemon twice.
    assert!(new_connections(&broker) - connects < 20, "a busy loop");
    assert_eq!(daemon.status.holes(), []);
    daemon.stop().expect("a clean stop");
    assert_eq!(query(dir.path(), "state.db", "SELECT count(*) FROM holes"), 0);
    for asset in assets {
        assert_eq!(kept_alerts(dir.path(), asset), expected_alerts(asset, 2200));
    }
}

fn new_connections(broker: &Broker) -> usize {
    let log = std::fs::read_to_string(broker.path("log")).expect("mosquitto's log");
    log.lines().filter(|line| line.contains("New connection")).count()
}

/// Injected: the broker refuses our password in the middle of the stream (it was changed), and takes it again later.
/// Lost: nothing that the session kept; the reason stands in the status, and no restart is needed.
#[test]
fn credentials_that_are_refused_for_a_while_lose_nothing() {
    for version in [Version::V5, Version::V3] {
        let mut broker = Broker::start_hashed(
            "allow_anonymous false\npassword_file $DIR/site.passwords\npersistence true\npersistence_location $DIR/\n",
            &[("site.passwords", "roundsman:old\ngateway:secret\n")],
        );
        let good = std::fs::read_to_string(broker.path("site.passwords")).expect("the hashed passwords");
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut settings = settings(broker.port, dir.path());
        settings.broker.version = version;
        settings.broker.credentials = Some(Credentials { user: "roundsman".into(), password: "old".into() });
        let daemon = Daemon::started(settings);
        let publish = |broker: &Broker, from: u64, to: u64| {
            for n in from..to {
                let value = n.to_string();
                let login = ["-u", "gateway", "-P", "secret"];
                broker.publish(&[&login[..], &["-q", "1", "-t", "plant/hall/pump-1/p", "-m", &value]].concat());
            }
        };
        publish(&broker, 0, EVERY);
        wait_for("the first alert", || daemon.status.delivered.get() >= 1 && daemon.status.acknowledged.get() == EVERY);
        // The gateway's line stays, ours goes.
        let others: String = good.lines().filter(|line| !line.starts_with("roundsman:")).collect::<Vec<_>>().join("\n");
        broker.stop();
        broker.write("site.passwords", &(others + "\n"));
        broker.restart();
        let refused =
            |state: LinkState| matches!(state, LinkState::Down(why) if why.contains("check user name and password"));
        wait_for("the refusal", || refused(daemon.status.reader()) && refused(daemon.status.writer()));
        publish(&broker, EVERY, 2 * EVERY);
        assert!(new_connections(&broker) < 200, "{version:?}: a busy loop");
        broker.write("site.passwords", &good);
        broker.reload();
        wait_for("the rest", || daemon.status.alerts.get() == 2 && daemon.status.outbox.get() == 0);
        assert_eq!(daemon.status.holes(), [], "{version:?}");
        daemon.stop().expect("a clean stop");
        assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", 2 * EVERY), "{version:?}");
    }
}

/// A broker of our own that speaks just enough: it refuses every filter the first time it is asked for and grants it the
/// second time. Gives the port and the moments of the SUBSCRIBEs.
///
/// Source of the packets: MQTT 3.1.1 and 5.0 (OASIS), 3.2 CONNACK, 3.9 SUBACK: 0x80 failure, 0x87 not authorized.
fn refusing_once(version: Version) -> (u16, Arc<Mutex<Vec<Instant>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("its address").port();
    let asked = Arc::new(Mutex::new(Vec::new()));
    let shared = asked.clone();
    let seen: Arc<Mutex<HashSet<Vec<u8>>>> = Arc::default();
    std::thread::spawn(move || {
        for mut stream in listener.incoming().map_while(Result::ok) {
            let (asked, seen) = (shared.clone(), seen.clone());
            std::thread::spawn(move || {
                let mut packet = [0; 1024];
                while let Ok(n @ 1..) = stream.read(&mut packet) {
                    let answer = match (packet[0] >> 4, version) {
                        (1, Version::V5) => vec![0x20, 3, 0, 0, 0],
                        (1, Version::V3) => vec![0x20, 2, 0, 0],
                        (8, _) => {
                            asked.lock().expect("no panic").push(Instant::now());
                            let first = seen.lock().expect("no panic").insert(packet[4..n].to_vec());
                            match (version, first) {
                                (Version::V5, true) => vec![0x90, 4, packet[2], packet[3], 0, 0x87],
                                (Version::V5, false) => vec![0x90, 4, packet[2], packet[3], 0, 1],
                                (Version::V3, true) => vec![0x90, 3, packet[2], packet[3], 0x80],
                                (Version::V3, false) => vec![0x90, 3, packet[2], packet[3], 1],
                            }
                        }
                        (12, _) => vec![0xd0, 0],
                        _ => continue,
                    };
                    if stream.write_all(&answer).is_err() {
                        return;
                    }
                }
            });
        }
    });
    (port, asked)
}

/// Injected: SUBACK with a failure for each filter. Named with the broker's reason, asked for again in peace, and taken
/// up once the broker grants it, all on the same connection.
#[test]
fn a_filter_that_is_refused_at_first_is_taken_up_when_it_is_granted() {
    for (version, reason) in [(Version::V5, "NotAuthorized"), (Version::V3, "Failure")] {
        let (port, asked) = refusing_once(version);
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut settings = settings(port, dir.path());
        settings.broker.version = version;
        settings.broker.refused_again = Duration::from_secs(2);
        let daemon = Daemon::start(settings);
        wait_for("both refusals", || daemon.status.refused_filters().len() == 2);
        assert!(daemon.status.refused_filters().iter().all(|(_, why)| why == reason), "{version:?}");
        assert_eq!(daemon.status.subscribed.get(), 0);
        wait_for("both to be granted", || daemon.status.subscribed.get() == 2);
        assert_eq!(daemon.status.refused_filters(), []);
        assert_eq!(daemon.status.reader_connects.get(), 1, "without a new connection");
        let asked = asked.lock().expect("no panic");
        assert_eq!(asked.len(), 4, "{version:?}: twice for each of the two filters");
        assert!(asked[2].duration_since(asked[1]) >= Duration::from_secs(1), "not in a busy loop");
    }
}

/// Injected: an oversize message waits in the session together with readings while the broker and its store go through a
/// restart. Lost: the oversize message, which is counted where we can see it; no loop.
#[test]
fn an_oversize_message_in_a_session_that_survives_a_restart_is_no_loop() {
    for version in [Version::V5, Version::V3] {
        let mut broker = Broker::start("persistence true\npersistence_location $DIR/\n");
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut settings = settings(broker.port, dir.path());
        settings.broker.version = version;
        settings.broker.max_packet_bytes = 2048;
        Daemon::started(settings.clone()).stop().expect("a clean stop");
        broker.publish_readings("pump-1", 0..EVERY);
        let large = "9".repeat(10_000);
        broker.publish(&["-q", "1", "-t", "plant/hall/pump-1/p", "-m", &large]);
        broker.publish_readings("pump-1", EVERY..2 * EVERY);
        broker.stop();
        broker.restart();
        let daemon = Daemon::started(settings);
        wait_for("the readings on both sides of it", || daemon.status.alerts.get() == 2);
        assert_eq!(daemon.status.reader_connects.get(), 1, "{version:?}: no reconnect loop");
        assert_eq!(
            daemon.status.oversize.get(),
            u64::from(version == Version::V3),
            "MQTT 5 tells the broker, which drops it"
        );
        wait_for("every message to be acknowledged", || daemon.status.unacknowledged.get() == 0);
        daemon.stop().expect("a clean stop");
        assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", 2 * EVERY), "{version:?}");
    }
}

/// Injected: the access list forbids our alerts, and later allows them. Lost: nothing, and other documents pass.
#[test]
fn a_refused_alert_waits_and_holds_up_nothing_else() {
    let forbidding = "topic readwrite plant/#\ntopic readwrite roundsman/site/+/condition\ntopic read #\n";
    let broker = Broker::start_with("acl_file $DIR/acl\n", &[("acl", forbidding)]);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut settings = settings(broker.port, dir.path());
    settings.refused_again = Duration::from_millis(500);
    let daemon = Daemon::started(settings);
    let heard = broker.listen(&["-t", "roundsman/#"]);
    broker.publish_readings("pump-1", 0..EVERY);
    wait_for("the refusal", || daemon.status.refused.get() >= 1);
    wait_for("the condition, which is allowed", || heard.on("roundsman/site/pump-1/condition").len() == 1);
    assert_eq!(heard.on("roundsman/site/pump-1/alert"), [] as [String; 0]);
    assert_eq!(query(dir.path(), "state.db", "SELECT count(*) FROM outbox"), 1);
    broker.write("acl", "topic readwrite #\n");
    broker.reload();
    wait_for("the alert after all", || heard.on("roundsman/site/pump-1/alert") == expected_alerts("pump-1", EVERY));
}

/// Injected: a flood at a slow engine, with a window that Mosquitto 2.0.11 overruns. Lost: nothing.
#[test]
fn a_flood_is_slowed_down_at_the_broker_and_loses_nothing() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::start_slow(settings(broker.port, dir.path()), Duration::from_micros(50));
    daemon.wait_until_connected();
    let total = 20_000;
    broker.publish_readings("pump-1", 0..total);
    wait_for("all of them", || daemon.status.acknowledged.get() == total);
    wait_for("all alerts", || daemon.status.alerts.get() == total / EVERY);
    assert_eq!(daemon.status.dropped_unsafe.get(), 0);
    daemon.stop().expect("a clean stop");
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", total));
}

/// Injected: the broker is dead when we are told to stop. Lost: nothing; what waits is named and goes out later.
#[test]
fn the_broker_being_away_does_not_stop_a_stop() {
    let mut broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut settings = settings(broker.port, dir.path());
    settings.stop_within = Duration::from_secs(3);
    let daemon = Daemon::start_slow(settings.clone(), Duration::from_millis(5));
    daemon.wait_until_connected();
    broker.publish_readings("pump-1", 0..100);
    wait_for("all to be journaled", || daemon.status.journaled.get() == 100);
    broker.kill();
    wait_for("both to notice", || {
        matches!(daemon.status.reader(), LinkState::Down(_)) && matches!(daemon.status.writer(), LinkState::Down(_))
    });
    let ended = daemon.stop().expect("an orderly end");
    let left = ended.left.join("\n");
    assert!(left.contains("documents wait in the outbox") && left.contains("`offline` could not be said"), "{left}");
    broker.restart();
    let heard = broker.listen(&["-t", "roundsman/site/pump-1/alert"]);
    let _daemon = Daemon::started(settings);
    let expected = expected_alerts("pump-1", 100);
    wait_for("the alerts at the next start", || {
        heard.on("roundsman/site/pump-1/alert").last().is_some_and(|last| Some(last) == expected.last())
    });
}

static OPENED: AtomicU32 = AtomicU32::new(0);

/// A link that connects and then hangs in its poll for ever, as rumqttc's MQTT 5 loop does in a flush on a full socket.
struct Hanging {
    connected: bool,
}

struct TakesAll;

impl Requests for TakesAll {
    fn try_subscribe(&self, _: &str) -> Result<(), NotTaken> {
        Ok(())
    }
    fn try_unsubscribe(&self, _: &str) -> Result<(), NotTaken> {
        Ok(())
    }
    fn try_ack(&self, _: u16) -> Result<(), NotTaken> {
        Ok(())
    }
    fn try_publish(&self, _: &Publication) -> Result<(), NotTaken> {
        Ok(())
    }
    fn try_disconnect(&self) -> Result<(), NotTaken> {
        Ok(())
    }
}

impl MqttLink for Hanging {
    type Requests = TakesAll;

    fn open(options: &LinkOptions) -> (Self, TakesAll) {
        assert!(!options.clean_start, "the session must survive");
        OPENED.fetch_add(1, Ordering::SeqCst);
        (Self { connected: false }, TakesAll)
    }

    async fn poll(&mut self, events: &mut Vec<LinkEvent>) -> Result<(), LinkFault> {
        if std::mem::replace(&mut self.connected, true) {
            std::future::pending::<()>().await;
        }
        events.push(LinkEvent::Connected { session_present: true });
        Ok(())
    }
}

/// Injected: a client whose poll never returns. The watchdog builds a new one.
#[test]
fn a_poll_that_hangs_is_given_up_and_built_anew() {
    let broker = BrokerSettings {
        filters: vec!["plant/#".into()],
        keep_alive_secs: 5,
        connect_timeout_secs: 1,
        ..Default::default()
    };
    let watchdog = broker.watchdog();
    let status = Arc::new(Status::default());
    let (batches, _batches) = mpsc::channel(1);
    let (journal, durable) = watch::channel(0);
    let (orders, _orders) = mpsc::channel(1);
    let (stop, stopped) = watch::channel(false);
    let (_reconfigure, reconfigured) = mpsc::channel(1);
    let (_page, asked) = mpsc::channel(1);
    let (_nodes, beside) = mpsc::channel(1);
    let reader = Reader {
        reconfigured,
        asked,
        beside,
        broker,
        held_filters: Vec::new(),
        had_session: false,
        last_received: None,
        ledger: Default::default(),
        batches,
        durable,
        orders,
        stop: stopped,
        status: status.clone(),
        now: wall_clock,
    };
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime");
    let began = Instant::now();
    let task = runtime.spawn(reader.run::<Hanging>());
    wait_for("a second link", || OPENED.load(Ordering::SeqCst) == 2);
    assert!(began.elapsed() >= watchdog, "not before a live connection would have spoken");
    wait_for("it to be connected again", || status.reader_connects.get() == 2);
    stop.send_replace(true);
    drop(journal);
    wait_for("the reader to end", || task.is_finished());
}
