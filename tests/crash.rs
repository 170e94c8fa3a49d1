//! The daemon's own binary, killed without a word at fifty random moments of one recording and started again at once.
//!
//! Injected: `kill -9` at moments drawn from a seed that is printed (set `ROUNDSMAN_SEED` to repeat a run), from the
//! first instruction of a start to the middle of a snapshot. Lost: nothing. What an outside subscriber hears, the kept
//! alerts, the trends and the audit equal those of a run that nobody disturbed, to the byte.

mod common;
mod support;

use common::process::{Log, Process, arguments};
use common::stretch::{Sent, site, stretch};
use common::{Broker, Listener, query, wait_for};
use rumqttc::{Client, Event, MqttOptions, Packet, QoS};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// As in `live.rs`: an outage of a gateway, a machine left loose, imbalance, a stuck sensor, and a healthy machine.
const ASSETS: [&str; 4] = ["id-fan", "fd-fan", "blower-1", "lift-pump"];
const FROM: &str = "2031-03-29T00:00:00Z";
const TO: &str = "2031-04-06T00:00:00Z";
const KILLS: usize = 50;
/// A life is at most this long: with a snapshot every second some lives end before their first and some after it.
const LONGEST_LIFE: Duration = Duration::from_millis(1500);
/// Commands spread over the recording.
const COMMANDS: usize = 60;

/// Deterministic numbers from a seed: splitmix64, Steele et al. (2014), from memory.
struct Seeded(u64);

impl Seeded {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % limit
    }
}

/// The recording with commands in between, each with a note of its own so that it can be told apart.
fn with_commands(messages: Vec<Sent>) -> Vec<Sent> {
    let every = messages.len() / COMMANDS;
    let mut all = Vec::new();
    for (place, message) in messages.into_iter().enumerate() {
        let at = message.at;
        all.push(message);
        if place % every == every - 1 {
            let number = place / every;
            let action = match number % 6 {
                0 => r#""action":"acknowledge""#,
                1 => r#""action":"shelve","for":"6 h""#,
                2 => r#""action":"unshelve""#,
                3 => r#""action":"set-limit","point":"vib_de_h","limit":"warning-high","value":4.25"#,
                4 => r#""action":"set-limit","point":"no-such-point","limit":"warning-high","value":4.25"#,
                _ => r#""action":"out-of-order""#,
            };
            let asset = ASSETS[number % ASSETS.len()];
            let payload = format!(r#"{{{action},"by":"tester","note":"number {number}","reply_to":"test/answers"}}"#);
            all.push(Sent { topic: format!("roundsman/quillhaven/{asset}/command"), payload, at });
        }
    }
    let last = r#"{"action":"unshelve","by":"tester","note":"the end","reply_to":"test/end"}"#;
    all.extend(ASSETS.map(|asset| Sent {
        topic: format!("roundsman/quillhaven/{asset}/command"),
        payload: last.to_owned(),
        at: i64::MAX,
    }));
    all
}

/// Publishes everything at QoS 1, none whose place is not below `until`.
fn publish(port: u16, messages: &[Sent], published: &AtomicUsize, until: &AtomicUsize) {
    let mut options = MqttOptions::new("plant", "127.0.0.1", port);
    options.set_inflight(100).set_keep_alive(Duration::from_secs(60));
    let (client, mut connection) = Client::new(options, 100);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for event in connection.iter() {
                if matches!(event.expect("the broker stays there"), Event::Incoming(Packet::PubAck(_)))
                    && published.fetch_add(1, Ordering::SeqCst) + 1 == messages.len()
                {
                    return;
                }
            }
        });
        for (place, Sent { topic, payload, .. }) in messages.iter().enumerate() {
            while place >= until.load(Ordering::SeqCst) {
                std::thread::sleep(Duration::from_millis(1));
            }
            client.publish(topic, QoS::AtLeastOnce, false, payload.as_bytes()).expect("the client takes it");
        }
    });
}

/// What a run left: compared whole.
#[derive(Debug, PartialEq)]
struct Left {
    /// Alert documents an outside subscriber heard, by id and transition.
    heard: BTreeMap<(String, u64), String>,
    /// The last retained condition and remaining life of every asset.
    retained: BTreeMap<String, String>,
    /// Answers to commands, each once.
    answers: Vec<String>,
    /// Rows of the tables.
    alerts: Vec<String>,
    audit: Vec<String>,
    trend: Vec<String>,
    trend_open: Vec<String>,
    documents: Vec<String>,
    periods: Vec<String>,
}

struct Run {
    broker: Broker,
    heard: Listener,
    dir: tempfile::TempDir,
    log: Log,
}

impl Run {
    fn new() -> Self {
        let broker = Broker::start("");
        // A session that the broker keeps (-c): nothing published can pass it by.
        let topics =
            ["+/alert", "+/condition", "+/remaining-life"].map(|topic| format!("roundsman/quillhaven/{topic}"));
        let mut args = vec!["-c"];
        for topic in topics.iter().map(String::as_str).chain(["test/answers", "test/end"]) {
            args.extend(["-t", topic]);
        }
        let heard = broker.listen(&args);
        Self { broker, heard, dir: tempfile::tempdir().expect("a temporary directory"), log: Log::default() }
    }

    fn state(&self) -> PathBuf {
        self.dir.path().join("state")
    }

    fn start(&self) -> Process {
        let mut all = arguments(&site("roundsman.toml"), self.broker.port, "under-test", &self.state());
        for set in [
            "broker.clock=stream",
            r#"commands=[{topic = "roundsman/quillhaven/+/command", actions = "all"}]"#,
            "state.snapshot_every=1 s",
        ] {
            all.extend(["--set".to_owned(), set.to_owned()]);
        }
        Process::spawn(support::roundsman(), &all, &self.log)
    }

    /// Waits until all is worked on and delivered, stops, and gathers what is left.
    fn end(self, daemon: Process) -> Left {
        wait_for("the last answers", || {
            let mut ends = self.heard.on("test/end");
            ends.sort();
            ends.dedup();
            ends.len() == ASSETS.len()
        });
        let state = self.state();
        daemon.stop();
        assert_eq!(query(&state, "state.db", "SELECT count(*) FROM outbox"), 0, "everything was delivered");
        assert_eq!(query(&state, "state.db", "SELECT count(*) FROM holes"), 0);
        let mut heard = BTreeMap::new();
        let mut retained = BTreeMap::new();
        for (topic, payload) in self.heard.lines() {
            if topic.ends_with("/alert") {
                let alert: serde_json::Value = serde_json::from_str(&payload).expect("an alert is JSON");
                let id = alert["id"].as_str().expect("an id").to_owned();
                let key = (id, alert["revision"].as_u64().expect("a revision"));
                let before = heard.insert(key.clone(), payload.clone());
                assert!(before.is_none_or(|before| before == payload), "{key:?} was said twice in different words");
            } else if topic.starts_with("roundsman/") {
                retained.insert(topic, payload);
            }
        }
        // Their time is the wall clock's: everything else is compared.
        let answer = |text: String| {
            let mut answer: serde_json::Value = serde_json::from_str(&text).expect("an answer is JSON");
            answer["at"] = serde_json::Value::Null;
            answer.to_string()
        };
        let mut answers: Vec<_> = self.heard.on("test/answers").into_iter().map(answer).collect();
        answers.sort();
        answers.dedup();
        Left {
            heard,
            retained,
            answers,
            alerts: rows(
                &state,
                "SELECT id, revision, at, asset, change, state, severity, CAST(document AS TEXT) FROM alerts ORDER BY id, revision, at",
            ),
            // Journal position and arrival are those of the run; all else is the command's.
            audit: rows(
                &state,
                "SELECT at, asset, by, note, action, accepted, answer FROM audit ORDER BY position, part",
            ),
            trend: rows(&state, &trend("trend")),
            trend_open: rows(&state, &trend("trend_open")),
            documents: rows(
                &state,
                "SELECT asset, kind, at, CAST(document AS TEXT) FROM documents ORDER BY asset, kind",
            ),
            periods: rows(&state, "SELECT asset, began, state FROM periods ORDER BY asset, began"),
        }
    }
}

fn trend(table: &str) -> String {
    // Numbers of assets are given in the order they come, so names are compared.
    format!(
        "SELECT tier, assets.name, point, t, count, min, mean, max, expected_count, expected, expected_low, \
         expected_high FROM {table} \
         JOIN assets ON assets.id = {table}.asset ORDER BY tier, assets.name, point, t"
    )
}

/// Every row as text; floats by their bits.
fn rows(state: &Path, sql: &str) -> Vec<String> {
    let connection = rusqlite::Connection::open(state.join("state.db")).expect("opens");
    let mut statement = connection.prepare(sql).expect(sql);
    let columns = statement.column_count();
    let rows = statement.query_map([], |row| {
        let cells = (0..columns).map(|column| {
            Ok(match row.get_ref(column)? {
                rusqlite::types::ValueRef::Real(value) => format!("{value} ({:016x})", value.to_bits()),
                rusqlite::types::ValueRef::Text(text) => String::from_utf8_lossy(text).into_owned(),
                other => format!("{other:?}"),
            })
        });
        Ok(cells.collect::<rusqlite::Result<Vec<_>>>()?.join(" | "))
    });
    rows.expect(sql).map(|row| row.expect("a row")).collect()
}

fn compare(what: &str, killed: &[String], undisturbed: &[String]) {
    if let Some(place) = killed.iter().zip(undisturbed).position(|(one, other)| one != other) {
        panic!("{what} {place} differs:\n  killed      {}\n  undisturbed {}", killed[place], undisturbed[place]);
    }
    assert_eq!(killed.len(), undisturbed.len(), "as many rows of {what}");
}

#[test]
fn fifty_kills_leave_what_an_undisturbed_run_leaves() {
    let seed = std::env::var("ROUNDSMAN_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(20_311);
    println!("seed {seed} (ROUNDSMAN_SEED)");
    let messages = with_commands(stretch(&ASSETS, FROM, TO));

    let run = Run::new();
    let daemon = run.start();
    daemon.wait_until_connected(0);
    let began = Instant::now();
    publish(run.broker.port, &messages, &AtomicUsize::new(0), &AtomicUsize::new(usize::MAX));
    let undisturbed = run.end(daemon);
    println!("undisturbed: {} messages in {:.1} s", messages.len(), began.elapsed().as_secs_f64());
    assert!(undisturbed.heard.len() >= 8 && undisturbed.audit.len() >= COMMANDS && !undisturbed.trend.is_empty());

    let run = Run::new();
    // The session first: what is published before it exists is nobody's.
    let mut daemon = run.start();
    daemon.wait_until_connected(0);
    let (published, until) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let mut random = Seeded(seed);
    let began = Instant::now();
    let (mut idle, mut recoveries) = (0, 0);
    let daemon = std::thread::scope(|scope| {
        scope.spawn(|| publish(run.broker.port, &messages, &published, &until));
        for kill in 0..KILLS {
            // A share of the recording for each life, so that the stream flows at every kill and lasts for all of them.
            let share = (messages.len() * (kill + 1)) / (KILLS + 1);
            let life = Duration::from_micros(random.below(LONGEST_LIFE.as_micros() as u64));
            let begins = Instant::now();
            let from = until.load(Ordering::SeqCst);
            while begins.elapsed() < life {
                let part = begins.elapsed().as_secs_f64() / life.as_secs_f64();
                until.store(from + ((share - from) as f64 * part) as usize, Ordering::SeqCst);
                std::thread::sleep(Duration::from_millis(1));
            }
            until.store(share, Ordering::SeqCst);
            idle += usize::from(published.load(Ordering::SeqCst) == share);
            daemon.kill();
            daemon = run.start();
        }
        recoveries += daemon.lines("applied the journal past the snapshots");
        until.store(usize::MAX, Ordering::SeqCst);
        daemon
    });
    let restarts = daemon.lines("connected to the broker host");
    let log = daemon.log();
    let killed = run.end(daemon);
    println!(
        "{KILLS} kills in {:.1} s: {restarts} connections, {recoveries} recoveries that applied journal, {idle} kills \
         with nothing under way; {} alert documents, {} commands, {} trend rows",
        began.elapsed().as_secs_f64(),
        killed.heard.len(),
        killed.audit.len(),
        killed.trend.len()
    );
    assert!(!log.contains("ERROR"), "no start found anything damaged or lost:\n{log}");
    assert!(recoveries >= KILLS / 4, "{recoveries} recoveries: the kills did not hit the stream");
    assert_eq!(killed.heard, undisturbed.heard, "each alert once, under one id, in the same words");
    compare("alerts", &killed.alerts, &undisturbed.alerts);
    compare("audit", &killed.audit, &undisturbed.audit);
    compare("trend", &killed.trend, &undisturbed.trend);
    compare("trend_open", &killed.trend_open, &undisturbed.trend_open);
    compare("documents", &killed.documents, &undisturbed.documents);
    compare("periods", &killed.periods, &undisturbed.periods);
    assert!(!killed.periods.is_empty() && !killed.documents.is_empty(), "there was something to compare");
    compare("answers", &killed.answers, &undisturbed.answers);
    assert_eq!(killed.retained, undisturbed.retained, "the last condition and remaining life of each asset");
}
