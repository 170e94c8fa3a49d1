//! The daemon against a real Mosquitto while nothing goes wrong with it: round trips, refusals, restarts of ours.

mod common;

use common::{Broker, Daemon, EVERY, expected_alerts, kept_alerts, logs, query, settings, signal, wait_for};
use roundsman::acquire::Rejection;
use roundsman::acquire::mqtt::{Clock, Credentials, Version};
use roundsman::app::{self, AppError};
use roundsman::status::LinkState;
use std::io::{Read, Write};
use std::path::PathBuf;
use std::time::Duration;

fn round_trip(version: Version) {
    logs();
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let heard = broker.listen(&["-t", "roundsman/#"]);
    let mut settings = settings(broker.port, dir.path());
    settings.broker.version = version;
    let daemon = Daemon::started(settings);
    broker.publish_readings("pump-1", 0..100);
    let expected = expected_alerts("pump-1", 100);
    wait_for("ten alerts", || heard.on("roundsman/site/pump-1/alert").len() == expected.len());
    assert_eq!(heard.on("roundsman/site/pump-1/alert"), expected);
    wait_for("every message to be acknowledged", || daemon.status.acknowledged.get() == 100);

    // Retained, so a later listener has it at once; the newest one.
    let late = broker.listen(&["-t", "roundsman/site/+/condition", "-t", "roundsman/site/service"]);
    wait_for("the retained condition", || {
        late.on("roundsman/site/pump-1/condition").last().is_some_and(|text| text.contains("100 readings"))
    });
    wait_for("the service's state", || late.on("roundsman/site/service") == ["\"online\""]);
    let ended = daemon.stop().expect("a clean stop");
    assert_eq!(ended.left, [] as [String; 0]);
    wait_for("offline", || late.on("roundsman/site/service").last().is_some_and(|text| text == "\"offline\""));
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected);
    assert_eq!(query(dir.path(), "state.db", "SELECT count(*) FROM outbox"), 0);
}

#[test]
fn readings_by_mosquitto_pub_become_alerts_for_mosquitto_sub() {
    round_trip(Version::V5);
}

#[test]
fn the_same_in_mqtt_3_1_1() {
    round_trip(Version::V3);
}

#[test]
fn a_python_client_publishes_readings_and_reads_the_alerts() {
    let python = common::python_client();
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let _daemon = Daemon::started(settings(broker.port, dir.path()));
    let script = r#"
import sys, threading
import paho.mqtt.client as mqtt
wanted, alerts, ready, done = int(sys.argv[2]), [], threading.Event(), threading.Event()
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.on_connect = lambda c, u, f, r, p: c.subscribe("roundsman/site/fan-2/alert", qos=1)
client.on_subscribe = lambda c, u, m, r, p: ready.set()
def on_message(c, u, m):
    alerts.append(m.payload.decode())
    if len(alerts) == wanted: done.set()
client.on_message = on_message
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_start()
assert ready.wait(30), "not subscribed"
for n in range(wanted * 10):
    client.publish("plant/hall/fan-2/p", str(n), qos=1).wait_for_publish(30)
assert done.wait(30), f"{len(alerts)} of {wanted} alerts came"
print("\n".join(alerts))
"#;
    let out = std::process::Command::new(python)
        .args(["-c", script, &broker.port.to_string(), "5"])
        .output()
        .expect("python runs");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let heard: Vec<_> = String::from_utf8_lossy(&out.stdout).lines().map(str::to_owned).collect();
    assert_eq!(heard, expected_alerts("fan-2", 5 * EVERY));
}

#[test]
fn a_retained_message_is_history_and_no_reading() {
    let broker = Broker::start("");
    broker.publish(&["-r", "-q", "1", "-t", "plant/hall/pump-1/p", "-m", "99"]);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    broker.publish_readings("pump-1", 0..EVERY);
    wait_for("the fresh ones", || daemon.status.alerts.get() == 1);
    assert_eq!(daemon.status.rejected(Rejection::Retained), 1);
    assert_eq!(daemon.status.observed.get(), EVERY);
    wait_for("acknowledged all the same", || daemon.status.acknowledged.get() == EVERY + 1);
    drop(daemon);
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", EVERY));
}

#[test]
fn what_cannot_be_read_is_counted_sampled_and_acknowledged() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    broker.publish(&["-q", "1", "-t", "plant/hall/pump-1/p", "-m", "warm"]);
    broker.publish(&["-q", "1", "-t", "plant/odd", "-m", "1"]);
    broker.publish(&["-q", "1", "-t", "plant/hall/pump-1/p", "-n"]);
    wait_for("three verdicts", || daemon.status.acknowledged.get() == 3);
    wait_for("three samples", || daemon.status.dead_letters().len() == 3);
    let reasons: Vec<_> = daemon.status.dead_letters().into_iter().map(|letter| letter.reason).collect();
    assert_eq!(reasons, [Rejection::Unreadable, Rejection::UnmappedTopic, Rejection::Unreadable]);
    assert_eq!(daemon.status.rejected(Rejection::Unreadable), 2);
}

#[test]
fn a_filter_the_access_list_forbids_is_granted_and_then_named_as_silent() {
    let broker = Broker::start_with("acl_file $DIR/acl\n", &[("acl", "topic readwrite roundsman/#\n")]);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut settings = settings(broker.port, dir.path());
    settings.broker.quiet_after = Duration::from_millis(1500);
    let daemon = Daemon::started(settings);
    wait_for("the forbidden filter to be named", || {
        daemon.status.quiet_filters().iter().any(|filter| filter == "plant/#")
    });
    assert_eq!(daemon.status.refused_filters(), [], "this broker grants what it never delivers");
}

/// Source of the packets: MQTT 5.0 (OASIS, 2019), 3.2 CONNACK, 3.9 SUBACK; reason 0x87 not authorized.
#[test]
fn a_refused_filter_is_named_with_the_brokers_reason() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("its address").port();
    std::thread::spawn(move || {
        for mut stream in listener.incoming().map_while(Result::ok) {
            std::thread::spawn(move || {
                let mut packet = [0; 1024];
                while let Ok(n) = stream.read(&mut packet) {
                    let answer = match packet[0] >> 4 {
                        _ if n == 0 => return,
                        1 => vec![0x20, 3, 0, 0, 0],
                        8 => vec![0x90, 4, packet[2], packet[3], 0, 0x87],
                        _ => continue,
                    };
                    if stream.write_all(&answer).is_err() {
                        return;
                    }
                }
            });
        }
    });
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::start(settings(port, dir.path()));
    wait_for("both refusals", || daemon.status.refused_filters().len() == 2);
    assert_eq!(daemon.status.refused_filters()[0], ("plant/#".to_owned(), "NotAuthorized".to_owned()));
    assert_eq!(daemon.status.subscribed.get(), 0);
}

#[test]
fn wrong_credentials_are_one_clear_fault_and_no_busy_loop() {
    for version in [Version::V5, Version::V3] {
        let broker = Broker::start_with("allow_anonymous false\npassword_file $DIR/passwords\n", &[("passwords", "")]);
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut settings = settings(broker.port, dir.path());
        settings.broker.version = version;
        settings.broker.credentials = Some(Credentials { user: "roundsman".into(), password: "wrong".into() });
        let daemon = Daemon::start(settings);
        wait_for(
            "the refusal",
            || matches!(daemon.status.reader(), LinkState::Down(why) if why.contains("check user name and password")),
        );
        wait_for("the writer's too", || matches!(daemon.status.writer(), LinkState::Down(_)));
        drop(daemon);
        let log = std::fs::read_to_string(broker.path("log")).expect("mosquitto's log");
        let tries = log.lines().filter(|line| line.contains("New connection")).count();
        assert!(tries < 40, "{version:?}: {tries} connections: a busy loop");
    }
}

fn oversize(version: Version) {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut settings = settings(broker.port, dir.path());
    settings.broker.version = version;
    settings.broker.max_packet_bytes = 2048;
    // The session exists, and the oversize message waits in it.
    let daemon = Daemon::started(settings.clone());
    daemon.stop().expect("a clean stop");
    broker.publish(&["-q", "1", "-t", "plant/hall/pump-1/p", "-m", &"9".repeat(10_000)]);
    broker.publish_readings("pump-1", 0..EVERY);
    let daemon = Daemon::started(settings);
    wait_for("the readings behind it", || daemon.status.alerts.get() == 1);
    assert_eq!(daemon.status.reader_connects.get(), 1, "no reconnect loop");
    let expected = if version == Version::V5 { 0 } else { 1 };
    assert_eq!(daemon.status.oversize.get(), expected, "MQTT 5 tells the broker, which drops it");
    assert_eq!(daemon.status.rejected(Rejection::Unreadable), expected);
}

#[test]
fn an_oversize_message_waiting_in_the_session_is_no_loop() {
    oversize(Version::V5);
    oversize(Version::V3);
}

#[test]
fn a_command_is_carried_out_answered_and_audited() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    broker.publish_readings("pump-1", 0..1);
    let answers = broker.listen(&["-t", "office/answers"]);
    let command = ["-V", "5", "-q", "1", "-D", "publish", "response-topic", "office/answers"];
    let correlation = ["-D", "publish", "correlation-data", "ticket-7"];
    for (topic, action) in [("pump-1", "relearn"), ("pump-1", "explode"), ("nobody", "relearn")] {
        let topic = format!("roundsman/site/{topic}/command");
        broker.publish(&[&command[..], &correlation[..], &["-t", &topic, "-m", action]].concat());
    }
    wait_for("three answers", || answers.on("office/answers").len() == 3);
    // Those of different machines, and of none, come in no promised order.
    let mut accepted: Vec<_> =
        answers.on("office/answers").iter().map(|answer| answer.contains("\"accepted\":true")).collect();
    accepted.sort_unstable();
    assert_eq!(accepted, [false, false, true]);
    daemon.stop().expect("a clean stop");
    assert_eq!(query(dir.path(), "state.db", "SELECT count(*) FROM audit"), 3);
    assert_eq!(query(dir.path(), "state.db", "SELECT count(*) FROM audit WHERE accepted AND by = 'test'"), 1);
}

#[test]
fn what_came_while_we_were_away_is_taken_up_and_counting_goes_on() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut heard = Vec::new();
    for round in 0..4 {
        // The session of the first start keeps what is published between the runs.
        broker.publish_readings("pump-1", round * 25..(round + 1) * 25);
        let daemon = Daemon::started(settings(broker.port, dir.path()));
        if round == 0 {
            broker.publish_readings("pump-1", 0..25);
        }
        wait_for("this round's readings", || daemon.status.acknowledged.get() == 25);
        let ended = daemon.stop().expect("a clean stop");
        assert_eq!(ended.left, [] as [String; 0]);
        heard = kept_alerts(dir.path(), "pump-1");
    }
    assert_eq!(heard, expected_alerts("pump-1", 100));
    assert_eq!(query(dir.path(), "state.db", "SELECT count(*) FROM holes"), 0);
    assert_eq!(query(dir.path(), "state.db", "SELECT count FROM trend_open WHERE tier = 604800"), 100);
}

#[test]
fn a_damaged_snapshot_costs_one_asset_what_it_learned_and_nobody_else() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    for asset in ["pump-1", "pump-2", "pump-3"] {
        broker.publish_readings(asset, 0..25);
    }
    wait_for("all of them", || daemon.status.acknowledged.get() == 75);
    daemon.stop().expect("a clean stop");
    let damage = |asset: &str| {
        let connection = rusqlite::Connection::open(dir.path().join("state.db")).expect("opens");
        let sql = "UPDATE snapshots SET bytes = zeroblob(length(bytes)) WHERE asset = ?1";
        assert_eq!(connection.execute(sql, [asset]).expect("writes"), 1);
    };
    damage("pump-1");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    for asset in ["pump-1", "pump-2", "pump-3"] {
        broker.publish_readings(asset, 25..35);
    }
    wait_for("all of them", || daemon.status.acknowledged.get() == 30);
    daemon.stop().expect("a clean stop");
    assert_eq!(kept_alerts(dir.path(), "pump-2"), expected_alerts("pump-2", 35));
    assert_eq!(kept_alerts(dir.path(), "pump-1").len(), 3, "two from before, one of ten readings since");
    assert_ne!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", 35));

    // The registry's own: assets come back to what they learned when they speak again.
    damage("");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    broker.publish_readings("pump-3", 35..65);
    broker.publish_readings("pump-2", 35..65);
    wait_for("all of them", || daemon.status.acknowledged.get() == 60);
    daemon.stop().expect("a clean stop");
    for asset in ["pump-2", "pump-3"] {
        assert_eq!(kept_alerts(dir.path(), asset), expected_alerts(asset, 65));
    }
}

/// The samples in `deploy/`, as far as a test can go: the lines are what a real broker runs with here.
#[test]
fn the_broker_samples_let_everyone_do_their_part_and_no_more() {
    let deploy = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy"));
    let sample = |name: &str| std::fs::read_to_string(deploy.join(name)).expect("a sample");
    let config: String = sample("mosquitto.conf")
        .lines()
        .filter(|line| !line.starts_with("listener") && !line.starts_with("max_queued_messages"))
        .map(|line| {
            let line = line.replace("/etc/mosquitto/", "$DIR/").replace("/var/lib/mosquitto/", "$DIR/");
            line + "\n"
        })
        .collect();
    let users = ["roundsman", "gateway", "display", "operator", "engineer"];
    let passwords: String = users.iter().map(|user| format!("{user}:secret\n")).collect();
    let files = [("roundsman.acl", sample("mosquitto.acl")), ("roundsman.passwords", passwords)];
    let broker = Broker::start_hashed(&config, &files.each_ref().map(|(name, text)| (*name, text.as_str())));
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut settings = settings(broker.port, dir.path());
    settings.broker.credentials = Some(Credentials { user: "roundsman".into(), password: "secret".into() });
    let daemon = Daemon::started(settings);
    let heard = broker.listen(&["-u", "display", "-P", "secret", "-t", "roundsman/#"]);
    let answers = broker.listen(&["-u", "operator", "-P", "secret", "-t", "office/answers/#"]);
    let as_user = |user: &str, topic: &str, payload: &str| {
        let response = ["-D", "publish", "response-topic", "office/answers/desk"];
        let rest = ["-V", "5", "-q", "1", "-u", user, "-P", "secret", "-t", topic, "-m", payload];
        broker.try_publish(&[&rest[..], &response[..]].concat());
    };
    for n in 0..EVERY {
        as_user("gateway", "plant/hall/pump-1/p", &n.to_string());
    }
    wait_for("the alert", || heard.on("roundsman/site/pump-1/alert") == expected_alerts("pump-1", EVERY));
    as_user("gateway", "roundsman/site/pump-1/command", "relearn");
    as_user("display", "roundsman/site/pump-1/command", "relearn");
    as_user("operator", "roundsman/site/pump-1/command", "relearn");
    wait_for("the operator's answer", || answers.on("office/answers/desk").len() == 1);
    daemon.stop().expect("a clean stop");
    assert_eq!(query(dir.path(), "state.db", "SELECT count(*) FROM audit"), 1, "the operator's and nobody else's");
    assert_eq!(heard.on("roundsman/site/service").last().map(String::as_str), Some("\"offline\""));
}

#[test]
fn a_filter_taken_out_of_the_configuration_is_given_back() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    Daemon::started(settings(broker.port, dir.path())).stop().expect("a clean stop");
    let mut less = settings(broker.port, dir.path());
    less.broker.filters = vec!["other/#".into(), "roundsman/site/+/command".into()];
    let daemon = Daemon::started(less);
    wait_for("the list to be short again", || {
        query(dir.path(), "state.db", "SELECT count(*) FROM filters WHERE filter = 'plant/#'") == 0
    });
    broker.publish_readings("pump-1", 0..5);
    broker.publish(&["-q", "1", "-t", "other/x", "-m", "1"]);
    wait_for("what is still wanted", || daemon.status.received.get() >= 1);
    assert_eq!(daemon.status.received.get(), 1, "the old filter brings nothing any more");
}

#[test]
fn a_second_daemon_and_an_unknown_version_are_refused_by_name() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    let second = Daemon::start(settings(broker.port, dir.path())).stop();
    let text = second.expect_err("refused").to_string();
    assert!(text.contains("another roundsman uses this state directory"), "{text}");
    daemon.stop().expect("a clean stop");
    let connection = rusqlite::Connection::open(dir.path().join("state.db")).expect("opens");
    connection.execute("UPDATE meta SET value = '99' WHERE key = 'schema'", []).expect("writes");
    drop(connection);
    let later = Daemon::start(settings(broker.port, dir.path())).stop();
    let text = later.expect_err("refused").to_string();
    let ours = format!("writes version {}", roundsman::keep::store::SCHEMA);
    assert!(text.contains("schema version 99") && text.contains(&ours), "{text}");
}

#[test]
fn faulty_settings_are_all_named_before_anything_is_touched() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut faulty = settings(0, &dir.path().join("new"));
    faulty.broker.keep_alive_secs = 1;
    let Err(AppError::Settings(faults)) = Daemon::start(faulty).stop() else { panic!("not refused") };
    assert_eq!(faults.len(), 2, "{faults:?}");
    assert!(!dir.path().join("new").exists());
}

#[test]
fn silence_moves_the_streams_time_by_the_wall_clock_unless_told_not_to() {
    for (clock, ticks) in [(Clock::Wall, true), (Clock::Stream, false)] {
        let broker = Broker::start("");
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut settings = settings(broker.port, dir.path());
        settings.broker.clock = clock;
        settings.broker.idle_step = Duration::from_millis(100);
        let daemon = Daemon::started(settings);
        broker.publish_readings("pump-1", 0..1);
        wait_for("the reading", || daemon.status.observed.get() == 1);
        let rows = || query(dir.path(), "journal.db", "SELECT seq FROM sqlite_sequence");
        if ticks {
            wait_for("ticks in the journal", || rows() >= 5);
        } else {
            // Long enough for five steps of the other clock.
            let until = std::time::Instant::now() + Duration::from_millis(700);
            wait_for("time to pass", || std::time::Instant::now() > until);
            assert_eq!(rows(), 1);
        }
    }
}

const CHILD: &str = "ROUNDSMAN_TEST_CHILD";

/// Runs this very test binary again as a daemon of its own, so that it can be given real signals.
fn child(port: u16, dir: &std::path::Path) -> std::process::Child {
    std::process::Command::new(std::env::current_exe().expect("this binary"))
        .args(["--exact", "sigterm_saves_and_exits_with_0_and_kill_9_loses_nothing", "--nocapture"])
        .env(CHILD, format!("{port} {}", dir.display()))
        .stdout(std::process::Stdio::null())
        .spawn()
        .expect("starts")
}

fn be_the_child(told: &str) {
    logs();
    let (port, dir) = told.split_once(' ').expect("port and directory");
    let settings = settings(port.parse().expect("a port"), dir.as_ref());
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    let ended = runtime.block_on(async {
        let stop = app::stop_signal().expect("signals");
        let parts = app::Parts {
            edge: common::CountingEdge::default(),
            machine: |_| common::CountingMachine::default(),
            documents: std::sync::Arc::new(common::Plain),
            status: Default::default(),
        };
        app::run(settings, parts, stop).await
    });
    assert_eq!(ended.expect("a clean stop").left, [] as [String; 0]);
}

#[test]
fn sigterm_saves_and_exits_with_0_and_kill_9_loses_nothing() {
    if let Ok(told) = std::env::var(CHILD) {
        return be_the_child(&told);
    }
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let heard = broker.listen(&["-t", "roundsman/site/service", "-t", "roundsman/site/pump-1/alert"]);
    let online = |times: usize| {
        wait_for("online", || {
            heard.on("roundsman/site/service").iter().filter(|s| *s == "\"online\"").count() == times
        });
    };
    // First the session, so that nothing published later can be missed.
    let mut daemon = child(broker.port, dir.path());
    online(1);
    broker.publish_readings("pump-1", 0..55);
    wait_for("five alerts", || heard.on("roundsman/site/pump-1/alert").len() == 5);
    signal(daemon.id(), "TERM");
    assert!(daemon.wait().expect("it ends").success(), "exit status 0");
    wait_for("offline", || heard.on("roundsman/site/service").last().is_some_and(|s| s == "\"offline\""));

    // Then killed at moments that differ, in the middle of a stream.
    let mut published = 55;
    for round in 0..6u64 {
        let mut daemon = child(broker.port, dir.path());
        online(round as usize + 2);
        std::thread::scope(|scope| {
            let next = published + 400;
            let range = published..next;
            let broker = &broker;
            let publishing = scope.spawn(move || broker.publish_readings("pump-1", range));
            let alerts = heard.on("roundsman/site/pump-1/alert").len();
            let after = alerts + 3 + 7 * round as usize % 29;
            wait_for("some alerts", || heard.on("roundsman/site/pump-1/alert").len() >= after);
            daemon.kill().expect("kill -9");
            daemon.wait().expect("it ends");
            publishing.join().expect("published");
            published = next;
        });
    }
    let mut daemon = child(broker.port, dir.path());
    online(8);
    let expected = expected_alerts("pump-1", published);
    wait_for("every alert in the end", || {
        let mut distinct = heard.on("roundsman/site/pump-1/alert");
        distinct.sort();
        distinct.dedup();
        distinct.len() >= expected.len()
    });
    signal(daemon.id(), "TERM");
    assert!(daemon.wait().expect("it ends").success(), "exit status 0");
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected, "as in an undisturbed run, to the byte");
    let mut distinct = heard.on("roundsman/site/pump-1/alert");
    let all = distinct.len();
    distinct.sort();
    distinct.dedup();
    let mut sorted = expected.clone();
    sorted.sort();
    assert_eq!(distinct, sorted, "nothing else was published ({} repeats)", all - distinct.len());
    let weeks = query(dir.path(), "state.db", "SELECT sum(count) FROM trend_open WHERE tier = 604800");
    assert_eq!(weeks as u64, published, "each reading is in the trend once");
}
