//! Clocks that are wrong: the machine's own is set while the daemon runs, a device's is hours or years off, and local
//! times twice a year.

mod common;

use common::{Broker, signal, wait_for};
use roundsman::acquire::mqtt::Message;
use roundsman::acquire::plant::Plant;
use roundsman::acquire::{Quality, Rejection};
use roundsman::config::{Checked, Sources, from_text};
use roundsman::engine::Event;
use roundsman::intake::{Edge, Routed};
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

const SEC: i64 = 1_000_000;
const HOUR: i64 = 3600 * SEC;
const NOW: i64 = 1_900_000_000 * SEC;

fn config(more: &str) -> Checked {
    let text = format!(
        "[site]\nname = 'quillhaven'\nzone = 'Europe/Berlin'\n[broker]\nurl = 'mqtt://localhost'\n[[topics]]\n\
         pattern = 'plant/{{asset}}/{{point}}'\npayload = {{ format = 'json', value = '/v', time = '/t' }}\n{more}"
    );
    let sources = Sources { needs_broker: true, ..Sources::default() };
    from_text(Some(&text), &sources).unwrap_or_else(|faults| panic!("{faults:?}"))
}

struct Intake {
    plant: Plant,
    taken: BTreeMap<u32, Vec<EventTime>>,
    refused: Vec<(Rejection, String)>,
}

impl Intake {
    fn new(config: &Checked) -> Self {
        let plant = Plant::new(config, roundsman::run::topics(config).expect("topics"));
        Self { plant, taken: BTreeMap::new(), refused: Vec::new() }
    }

    /// `clock`: ours at the arrival; `time`: as the device writes it, JSON.
    fn take(&mut self, clock: i64, asset: &str, time: &str) {
        let payload = format!("{{\"v\":1,\"t\":{time}}}").into_bytes().into();
        let topic = format!("plant/{asset}/vib");
        let (cut, retain, dup, packet_id, reply_to) = (false, false, false, 0, None);
        let message = Message { topic, payload, cut, retain, dup, packet_id, received: EventTime(clock), reply_to };
        let mut routed = Routed::default();
        self.plant.message(&message, &mut routed);
        for event in routed.events {
            if let Event::Observed(o) = event {
                assert_eq!(o.quality, Quality::Good);
                self.taken.entry(o.asset.0).or_default().push(o.at);
            }
        }
        self.refused.extend(routed.rejected);
        self.refused.extend(routed.held_back);
    }

    fn count(&self, reason: Rejection) -> usize {
        self.refused.iter().filter(|(other, _)| *other == reason).count()
    }

    /// Readings of the n-th asset that was heard.
    fn taken(&self, asset: u32) -> usize {
        self.taken.get(&asset).map_or(0, Vec::len)
    }
}

#[test]
fn a_device_hours_or_years_off_is_refused_counted_and_named_and_the_others_are_not_touched() {
    let year = 365 * 24 * HOUR;
    for (off, reason) in [
        (3 * HOUR, Rejection::Future),
        (year, Rejection::Future),
        (70 * year, Rejection::Future),
        (-year, Rejection::Past),
        // Woken up in 1970.
        (-NOW, Rejection::Past),
    ] {
        let mut intake = Intake::new(&config(""));
        for minute in 0..120 {
            let at = NOW + minute * 60 * SEC;
            for asset in ["a", "b"] {
                intake.take(at, asset, &(at / SEC).to_string());
            }
            intake.take(at, "wrong", &((at + off) / SEC).to_string());
        }
        assert_eq!((intake.taken(0), intake.taken(1)), (120, 120), "{off}");
        assert_eq!(intake.taken(2), 0, "{off}");
        // The last one ahead is still held back.
        assert!(intake.count(reason) >= 119, "{off}: {}", intake.count(reason));
        let (_, detail) = intake.refused.iter().find(|(other, _)| *other == reason).expect("a detail");
        assert!(detail.contains("vib of wrong") && detail.contains("look at that clock"), "{detail}");
    }
}

#[test]
fn a_device_whose_clock_is_put_right_is_taken_from_then_on() {
    for off in [-NOW, -3 * HOUR, 3 * HOUR, 80 * 365 * 24 * HOUR] {
        let mut intake = Intake::new(&config(""));
        for minute in 0..60 {
            let at = NOW + minute * 60 * SEC;
            // It is the first that is ever heard.
            let off = if minute < 30 { off } else { 0 };
            intake.take(at, "wrong", &((at + off) / SEC).to_string());
            for asset in ["a", "b"] {
                intake.take(at, asset, &(at / SEC).to_string());
            }
        }
        let now = intake.plant.now().expect("a stream");
        assert_eq!(now, EventTime(NOW + 59 * 60 * SEC), "{off}: the stream's clock is that of the others");
        for asset in 0..3 {
            let times = &intake.taken[&asset];
            let last = times.iter().filter(|at| at.0 >= NOW + 30 * 60 * SEC && at.0 <= now.0).count();
            assert!(last >= 30, "{off}: {last} of asset {asset}");
        }
    }
}

#[test]
fn this_machines_clock_may_be_hours_or_years_wrong_or_set_meanwhile() {
    let clocks: [fn(i64) -> i64; 5] = [
        |minute| if minute < 60 { 0 } else { -5 * HOUR },
        |minute| if minute < 60 { 0 } else { 5 * HOUR },
        |_| -5 * HOUR,
        |_| 5 * HOUR,
        |_| -NOW,
    ];
    for (number, off) in clocks.into_iter().enumerate() {
        let mut intake = Intake::new(&config(""));
        for minute in 0..120 {
            let at = NOW + minute * 60 * SEC;
            for asset in ["a", "b", "c"] {
                intake.take(at + off(minute), asset, &(at / SEC).to_string());
            }
        }
        assert_eq!([0, 1, 2].map(|asset| intake.taken(asset)), [120; 3], "clock {number}");
        assert!(intake.refused.is_empty(), "clock {number}: {:?}", intake.refused.first());
    }
}

/// Source: tz database, Europe/Berlin: 2026-03-29 has no 02:30, 2026-10-25 has it twice, first at +02:00.
#[test]
fn local_times_of_the_two_nights() {
    let stamp = |text: &str| text.parse::<jiff::Timestamp>().expect("a time").as_microsecond();
    let mut intake = Intake::new(&config(""));
    let clock = stamp("2026-03-29T12:00:00Z");
    intake.take(clock, "a", "\"2026-03-29T01:59:00\"");
    intake.take(clock, "a", "\"2026-03-29T02:30:00\"");
    intake.take(clock, "a", "\"2026-03-29T03:01:00\"");
    assert_eq!(
        intake.taken[&0],
        ["2026-03-29T00:59:00Z", "2026-03-29T01:01:00Z"].map(|text| EventTime(stamp(text))),
        "two minutes apart"
    );
    let mut intake = Intake::new(&config(""));
    let clock = stamp("2026-10-25T12:00:00Z");
    for time in ["01:59:00", "02:30:00", "02:30:00+02:00", "02:30:00+01:00", "03:01:00"] {
        intake.take(clock, "a", &format!("\"2026-10-25T{time}\""));
    }
    let want = ["2026-10-24T23:59:00Z", "2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z", "2026-10-25T02:01:00Z"];
    assert_eq!(intake.taken[&0], want.map(|text| EventTime(stamp(text))), "both of them, an hour apart");
    assert_eq!(intake.count(Rejection::BadTime), 1);
    assert!(intake.refused[0].1.contains("the clock was changed in that hour"), "{:?}", intake.refused);
    // A pattern's own zone goes before the site's.
    let text = "[[topics]]\npattern = 'utc/{asset}/{point}'\npayload = { format = 'json', zone = 'UTC' }\n";
    assert_eq!(config(text).topics.len(), 2);
}

fn libfaketime() -> PathBuf {
    let found = ["x86_64-linux-gnu", "aarch64-linux-gnu", "arm-linux-gnueabihf"]
        .map(|folder| Path::new("/usr/lib").join(folder).join("faketime/libfaketime.so.1"));
    found
        .into_iter()
        .find(|path| path.exists())
        .unwrap_or_else(|| panic!("this test needs libfaketime: install Debian's package faketime, as tests/run does"))
}

struct Killed(Child);

impl Drop for Killed {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Readings without a time of their own get the time they arrive at, so this is where a clock that is set would hurt.
#[test]
fn the_clock_is_set_by_hours_under_the_running_daemon() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let (clock, log) = (dir.path().join("clock"), dir.path().join("log"));
    std::fs::write(&clock, "+0").expect("writes");
    let file = dir.path().join("config.toml");
    let text = format!(
        "[site]\nname = 'quillhaven'\n[broker]\nurl = 'mqtt://127.0.0.1:{}'\nclient_id = 'under-test'\n[state]\n\
         dir = '{}'\n[align]\ncadence = '1 s'\n[[topics]]\npattern = 'plant/{{asset}}/{{point}}'\n",
        broker.port,
        dir.path().join("state").display()
    );
    std::fs::write(&file, text).expect("writes");
    let heard = broker.listen(&["-t", "roundsman/quillhaven/service"]);
    let mut daemon = Killed(
        Command::new(env!("CARGO_BIN_EXE_roundsman"))
            .args([Path::new("run"), Path::new("--config"), &file])
            .env("LD_PRELOAD", libfaketime())
            .env("FAKETIME_TIMESTAMP_FILE", &clock)
            .env("FAKETIME_NO_CACHE", "1")
            .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
            .stdout(Stdio::null())
            .stderr(std::fs::File::create(&log).expect("a log file"))
            .spawn()
            .expect("the binary starts"),
    );
    wait_for("its subscription", || {
        let log = std::fs::read_to_string(broker.path("log")).unwrap_or_default();
        log.lines().any(|line| line.contains(": under-test 1 plant/"))
    });
    let journal = dir.path().join("state");
    let mut number = 0;
    for set in ["+0", "-5h", "+0", "+5h", "-1h"] {
        std::fs::write(&clock, set).expect("writes");
        for _ in 0..8 {
            number += 1;
            broker.publish(&["-q", "1", "-t", "plant/a/vib", "-m", &format!("{number} mm/s")]);
        }
        // Under this clock, all of them.
        wait_for("them in the journal", || {
            common::query(&journal, "journal.db", "SELECT sum(entries) FROM journal") >= number
        });
    }
    signal(daemon.0.id(), "TERM");
    assert!(daemon.0.wait().expect("it ends").success());
    wait_for("its last word", || heard.on("roundsman/quillhaven/service").iter().any(|text| text.contains("stopped")));
    let last = heard.on("roundsman/quillhaven/service").pop().expect("its last word");
    let counters = &serde_json::from_str::<serde_json::Value>(&last).expect("JSON")["counters"];
    assert_eq!(counters["readings"], 40, "{last}");
    assert_eq!(counters["rejected"].as_object().map(serde_json::Map::len), Some(0), "nothing is late or ahead: {last}");
    assert_eq!(counters["clock_steps"], 4, "{last}");
    let log = std::fs::read_to_string(&log).expect("a log");
    assert!(log.contains("was set back") && log.contains("was set forward"), "{log}");
}
