//! What hangs on more than one machine, in the daemon behind a real broker: machines that belong together, and the past
//! cases of a class. Readings are SenML packs that `mosquitto_pub` sends, one pack a line with every machine in it.

mod common;
mod support;

use common::process::{Log, Process, arguments};
use common::{Broker, Listener, signal, wait_for};
use serde_json::Value;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// 2031-04-02T00:00:00Z. Simulated.
const MIDNIGHT: i64 = 1_932_854_400;

const FRAME: &str = r#"
[site]
name = "quillhaven"
zone = "UTC"
[[topics]]
pattern = "s/{...}"
payload = { format = "senml", names = "asset/point" }
[[commands]]
topic = "roundsman/quillhaven/+/command"
actions = "all"
[broker]
url = "mqtt://localhost"
clock = "stream"
"#;

/// A plant in small: its broker, its configuration, its daemon's state, and what was published.
struct Plant {
    broker: Broker,
    dir: tempfile::TempDir,
    log: Log,
    heard: Listener,
    asked: usize,
}

impl Plant {
    fn new(config: &str) -> Self {
        let broker = Broker::start("persistence true\npersistence_location $DIR/\n");
        let dir = tempfile::tempdir().expect("a temporary directory");
        std::fs::write(dir.path().join("plant.toml"), format!("{FRAME}{config}")).expect("writes");
        let heard = broker.listen(&["-t", "roundsman/quillhaven/#", "-t", "test/answers"]);
        Self { broker, dir, log: Log::default(), heard, asked: 0 }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn start(&self) -> Process {
        let mut arguments = arguments(&self.path("plant.toml"), self.broker.port, "under-test", &self.path("state"));
        arguments.extend(["--set".to_owned(), "journal.keep_days=1".to_owned()]);
        let before = self.log.text().len();
        let daemon = Process::spawn(support::roundsman(), &arguments, &self.log);
        daemon.wait_until_connected(before);
        daemon
    }

    /// Packs of every machine's value at a time, in seconds since midnight; a machine without a value is left out.
    fn publish(&self, rows: impl Iterator<Item = (i64, Vec<(String, f64)>)>) {
        let pack = |(secs, values): (i64, Vec<(String, f64)>)| {
            let mut text = String::from("[");
            for (place, (name, value)) in values.iter().enumerate() {
                let comma = if place > 0 { "," } else { "" };
                write!(text, r#"{comma}{{"n":"{name}","v":{value},"t":{}}}"#, MIDNIGHT + secs).expect("memory");
            }
            text + "]"
        };
        self.broker.publish_lines("s/gateway", rows.map(pack));
    }

    /// Sends a command and gives its answer; everything published before it has been worked on by then.
    fn command(&mut self, asset: &str, command: &str) -> Value {
        let topic = format!("roundsman/quillhaven/{asset}/command");
        let command = format!(r#"{{"by":"A. Tester","reply_to":"test/answers",{command}}}"#);
        self.broker.publish(&["-q", "1", "-t", &topic, "-m", &command]);
        self.asked += 1;
        wait_for("the answer to a command", || self.heard.on("test/answers").len() >= self.asked);
        let answer = self.heard.on("test/answers").pop().expect("just seen");
        serde_json::from_str(&answer).expect("an answer is JSON")
    }

    /// Alerts of all machines as heard, repeats taken out.
    fn alerts(&self) -> Vec<Value> {
        let mut alerts: Vec<Value> = Vec::new();
        for (topic, text) in self.heard.lines() {
            let alert: Value = serde_json::from_str(&text).expect("a document is JSON");
            if topic.ends_with("/alert") && !alerts.contains(&alert) {
                alerts.push(alert);
            }
        }
        alerts
    }
}

fn word<'a>(document: &'a Value, key: &str) -> &'a str {
    document[key].as_str().unwrap_or_default()
}

/// A coupling of the drive shakes two of its three rolls: one alert, of the drive, which names both; and that it is one
/// survives a kill between the drive's finding and the second roll's.
#[test]
fn one_cause_is_one_alert_across_a_kill_and_its_replay() {
    const MACHINES: [&str; 4] = ["drive", "roll-1", "roll-2", "roll-3"];
    let mut config = String::from(
        "[align]\ncadence = '1 min'\n[alarm]\nraise_snapshots = 3\nclear_snapshots = 5\n\
         [[groups]]\nname = 'press'\nkind = 'drive train'\nparent = 'drive'\nmembers = ['roll-1', 'roll-2', 'roll-3']\n",
    );
    for machine in MACHINES {
        write!(config, "[assets.{machine}.points.vib]\nunit = 'mm/s rms'\nwarning_high = 5\nalarm_high = 9\n")
            .expect("memory");
    }
    let mut plant = Plant::new(&config);
    let minute = |minute: i64, values: [f64; 4]| {
        // Never the same twice, which would be a stuck sensor.
        let wobble = 0.01 * (minute % 7) as f64;
        (60 * minute, MACHINES.iter().zip(values).map(|(name, v)| (format!("{name}/vib"), v + wobble)).collect())
    };
    let daemon = plant.start();
    plant.publish((0..20).map(|m| minute(m, [2.0; 4])));
    plant.publish((20..24).map(|m| minute(m, [6.0, 2.0, 2.0, 2.0])));
    wait_for("the drive's alert", || !plant.alerts().is_empty());
    daemon.kill();
    plant.publish((24..60).map(|m| minute(m, [6.0, 6.0, 6.0, 2.0])));
    let daemon = plant.start();
    let answer = plant.command("drive", r#""action":"acknowledge""#);
    assert_eq!(answer["accepted"], true, "{answer:#}");
    wait_for("the acknowledgement", || plant.alerts().iter().any(|alert| word(alert, "change") == "acknowledged"));

    let alerts = plant.alerts();
    let said: Vec<_> = alerts.iter().map(|a| format!("{} {}", word(a, "asset"), word(a, "change"))).collect();
    println!("{said:?}");
    assert!(alerts.iter().all(|alert| word(alert, "asset") == "drive"), "one machine speaks for all: {said:?}");
    assert_eq!(said.first().map(String::as_str), Some("drive raised"));
    let joined = alerts.iter().rev().find(|alert| word(alert, "change") == "joined").expect("the others joined it");
    println!("{}", word(joined, "message"));
    assert!(alerts.iter().all(|a| a["contributions"][0]["observed"]["value"].as_f64().is_some_and(|v| v > 5.0)));
    let named: Vec<_> = joined["neighbours"].as_array().into_iter().flatten().map(|n| word(n, "asset")).collect();
    assert_eq!(named, ["roll-1", "roll-2"]);
    for (roll, told_by) in [("roll-1", joined["id"].clone()), ("roll-2", joined["id"].clone()), ("roll-3", Value::Null)]
    {
        let condition = plant.heard.on(&format!("roundsman/quillhaven/{roll}/condition"));
        let condition: Value = serde_json::from_str(condition.last().expect("a condition")).expect("JSON");
        assert_eq!(condition["told_by"], told_by, "{condition:#}");
    }
    daemon.stop();

    let out = plant.path("replayed");
    support::replay(&out, [plant.path("state").join("journal.db").as_os_str()]);
    assert_eq!(support::alerts(&out), alerts, "a replay of the journal says the same");
}

/// Hours of a pump's life, and how long it is healthy: it wears by a tenth of its level every so many hours then.
const HEALTHY: i64 = 60;
const LIMIT: f64 = 7.1;

/// Velocity of a pump's bearing at an hour of its life.
fn velocity(hour: i64, hours_per_tenth: f64, number: i64) -> f64 {
    let worn = (hour - HEALTHY).max(0) as f64 / hours_per_tenth;
    // A wobble of one per cent that has no period of its own with the hours of the day.
    let wobble = 1.0 + 0.01 * ((hour * 7 + number * 3) % 11 - 5) as f64 / 5.0;
    2.0 * 1.1f64.powf(worn) * wobble
}

/// Three pumps wear to their alarm, and each time somebody writes down that it was so. What is kept of them sharpens the
/// forecast of a fourth of their class, from the next SIGHUP on, with nothing else done.
#[test]
fn confirmed_findings_become_the_past_cases_of_the_next_machine() {
    let mut config = format!(
        "[align]\ncadence = '1 h'\n[learn]\nrun_time = '25 h'\nmin_snapshots = 25\n[screen]\nsilent = '60 d'\n\
         [history]\ndir = '{}'\n",
        "PAST"
    );
    for number in 1..=4 {
        write!(
            config,
            "[assets.pump-{number}]\nclass = 'pump'\n[assets.pump-{number}.points.vib]\nunit = 'mm/s rms'\n"
        )
        .expect("memory");
        if number < 4 {
            writeln!(config, "alarm_high = {LIMIT}").expect("memory");
        }
    }
    let mut plant = Plant::new("");
    let past = plant.path("past");
    std::fs::create_dir(&past).expect("a folder");
    let config = format!("{FRAME}{}", config.replace("PAST", &past.display().to_string()));
    std::fs::write(plant.path("plant.toml"), config).expect("writes");
    let daemon = plant.start();

    let tenths = [6.0, 8.0, 10.0];
    let ends = |per_tenth: f64| (HEALTHY..).find(|hour| velocity(*hour, per_tenth, 0) > 1.1 * LIMIT).expect("it wears");
    let longest = ends(10.0);
    let life = |hour: i64| {
        let running = (1..).zip(tenths).filter(|(_, per_tenth)| hour <= ends(*per_tenth));
        let values = running.map(|(n, per_tenth)| (format!("pump-{n}/vib"), velocity(hour, per_tenth, n))).collect();
        (3600 * hour, values)
    };
    plant.publish((0..=longest).map(life));
    for (number, per_tenth) in (1..).zip(tenths) {
        let asset = format!("pump-{number}");
        let latest = |plant: &Plant| {
            let alerts = plant.alerts();
            let of = alerts.iter().rev().find(|a| word(a, "asset") == asset && a["finding"]["about"] == "machine");
            of.filter(|alert| word(alert, "severity") == "alarm").cloned()
        };
        wait_for(&format!("the alarm of {asset}"), || latest(&plant).is_some());
        let id = latest(&plant).map(|alert| word(&alert, "id").to_owned()).expect("just seen");
        let answer = plant.command(
            &asset,
            &format!(r#""action":"finding","alert":"{id}","verdict":"confirmed","kind":"bearing wear""#),
        );
        assert_eq!(answer["accepted"], true, "{answer:#}");
        println!("{asset}: {} h to its end, {}", ends(per_tenth), word(&answer, "message"));
    }
    let files = |dir: &Path| std::fs::read_dir(dir).expect("the folder").count();
    wait_for("three past cases", || files(&past) == 3);

    signal(daemon.pid(), "HUP");
    wait_for("the cases to be read", || daemon.lines("SIGHUP: in effect") > 0);
    println!("{}", daemon.log().lines().filter(|line| line.contains("SIGHUP")).collect::<Vec<_>>().join("\n"));
    let (per_tenth, number) = (7.0, 4);
    let cut = HEALTHY + (0.7 * (ends(per_tenth) - HEALTHY) as f64) as i64;
    let later = longest + 24;
    plant.publish(
        (0..=cut)
            .map(|hour| (3600 * (later + hour), vec![("pump-4/vib".to_owned(), velocity(hour, per_tenth, number))])),
    );
    plant.command("pump-4", r#""action":"acknowledge""#);
    let said = plant.heard.on("roundsman/quillhaven/pump-4/remaining-life");
    let said: Vec<Value> = said.iter().map(|text| serde_json::from_str(text).expect("JSON")).collect();
    let last = said.last().expect("remaining life of pump-4");
    println!("{last:#}");
    let forecasts = last["remaining_life"]["forecasts"].as_array().or(last["forecasts"].as_array());
    let failure = forecasts.into_iter().flatten().find(|f| f["target"] == "failure").expect("a forecast to failure");
    assert_eq!(failure["limit"]["source"], "history", "{last:#}");
    let level = failure["limit"]["limit"]["value"].as_f64().expect("the level the others ended at");
    assert!((LIMIT..1.25 * LIMIT).contains(&level), "they ended a little above {LIMIT}: {level}");
    let left = (ends(per_tenth) - cut) as f64;
    let hours = |key: &str| failure[key].as_f64();
    println!("truth {left} h, {:?} {:?} {:?}", hours("p10_hours"), hours("p50_hours"), hours("p90_hours"));
    assert!(hours("p10_hours").is_some_and(|p10| p10 <= left), "{failure:#}");
    assert!(hours("p90_hours").is_none_or(|p90| p90 >= left), "{failure:#}");
    daemon.stop();
}
