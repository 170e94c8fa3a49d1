//! What the broker tests share: a real Mosquitto on a free port, a gate in front of it, a daemon with a counting engine.
//!
//! The engine here knows nothing of machines: it gives one alert per [`EVERY`] readings of an asset, and the alert
//! carries a hash over all values in their order. So a lost, doubled or swapped reading changes every later alert.

#![allow(dead_code, unreachable_pub, reason = "each test target uses its own part")]

pub mod load;
pub mod postgres;
pub mod process;
pub mod program;
pub mod stretch;
pub mod tap;

use roundsman::acquire::mqtt::link::{About, Publication};
use roundsman::acquire::mqtt::{BrokerSettings, Message, backoff::fnv1a};
use roundsman::acquire::{AssetId, Observation, Quality, Rejection};
use roundsman::advise::diagnosis::{CaptureRequest, Diagnosis};
use roundsman::advise::document::{Alert, Change, Condition, Finding, LifeState, RemainingLife, Severity, Zone};
use roundsman::advise::publish::{Documents, Presence};
use roundsman::app::{self, AppError, Ended, Parts, RunSettings};
use roundsman::asset::settings::Settings;
use roundsman::asset::spec::{AssetSpec, Detection, OwnLimits, PointSpec, Quantity, Role, VibrationSpec};
use roundsman::engine::{Action, Command, Done, Event, Output, Score, TrendSample};
use roundsman::intake::{Edge, Machine, RefusedCommand, Routed};
use roundsman::status::Status;
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::atomic::{AtomicU8, AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::oneshot;

/// Readings per alert.
pub const EVERY: u64 = 10;
/// Nothing in these tests takes longer unless it is broken; the machine may be busy with other suites.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Waits for a condition, and says which one when it does not come.
#[track_caller]
pub fn wait_for(what: &str, mut condition: impl FnMut() -> bool) {
    let began = Instant::now();
    while !condition() {
        assert!(began.elapsed() < PATIENCE, "waited {PATIENCE:?} in vain for: {what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// A port nobody listens on just now.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    listener.local_addr().expect("its address").port()
}

/// A Python that has paho-mqtt.
pub fn python_client() -> PathBuf {
    python_with("paho.mqtt.client")
}

/// A Python that has this module, one of those `tests/run` installs.
pub fn python_with(module: &str) -> PathBuf {
    let wanted = "this test needs a Python with other people's clients: `python3 -m venv client && client/bin/pip install \
                  'paho-mqtt>=2,<3' aiosmtpd duckdb`, then ROUNDSMAN_PYTHON=$PWD/client/bin/python; tests/run does that";
    let python = PathBuf::from(std::env::var_os("ROUNDSMAN_PYTHON").expect(wanted));
    let import = format!("import {module}");
    let has = std::process::Command::new(&python).args(["-c", &import]).stderr(Stdio::null()).status();
    assert!(has.is_ok_and(|status| status.success()), "{} cannot {import}: {wanted}", python.display());
    python
}

/// A Python that speaks the open standards by libraries nobody here wrote.
pub fn standards_python() -> PathBuf {
    let wanted = "this test needs a Python with cloudevents, kpn_senml and pysparkplug: `python3 -m venv standards && \
                  standards/bin/pip install 'paho-mqtt<2' pysparkplug cloudevents kpn_senml`, then \
                  ROUNDSMAN_STANDARDS_PYTHON=$PWD/standards/bin/python; tests/run does that";
    let python = PathBuf::from(std::env::var_os("ROUNDSMAN_STANDARDS_PYTHON").expect(wanted));
    let modules = "import paho.mqtt.client, pysparkplug, cloudevents.core, kpn_senml";
    let has = std::process::Command::new(&python).args(["-c", modules]).stderr(Stdio::null()).status();
    assert!(has.is_ok_and(|status| status.success()), "{} cannot do `{modules}`: {wanted}", python.display());
    python
}

fn tool(name: &str) -> PathBuf {
    let found = std::env::var_os("PATH").iter().flat_map(std::env::split_paths).collect::<Vec<_>>();
    // Debian keeps the broker where an ordinary user's PATH does not look.
    let dirs = found.into_iter().chain(["/usr/sbin".into(), "/usr/local/sbin".into()]);
    dirs.map(|dir: PathBuf| dir.join(name)).find(|path| path.is_file()).unwrap_or_else(|| {
        panic!("this test needs `{name}`: install Debian's packages mosquitto and mosquitto-clients, as tests/run does")
    })
}

/// A Mosquitto of our own, killed at the end.
pub struct Broker {
    child: Option<Child>,
    dir: tempfile::TempDir,
    pub port: u16,
}

impl Broker {
    /// Starts one on a free port; `config` is added to its configuration file.
    pub fn start(config: &str) -> Self {
        Self::start_with(config, &[])
    }

    /// The same with files of its own beside the configuration.
    pub fn start_with(config: &str, files: &[(&str, &str)]) -> Self {
        let mut broker = Self::prepare(config, files);
        broker.restart();
        broker
    }

    /// The same; `*.passwords` files are in clear and are hashed before the start.
    pub fn start_hashed(config: &str, files: &[(&str, &str)]) -> Self {
        let mut broker = Self::prepare(config, files);
        for (name, _) in files.iter().filter(|(name, _)| name.ends_with(".passwords")) {
            let hashed = std::process::Command::new(tool("mosquitto_passwd")).arg("-U").arg(broker.path(name)).status();
            assert!(hashed.expect("mosquitto_passwd runs").success());
        }
        broker.restart();
        broker
    }

    fn prepare(config: &str, files: &[(&str, &str)]) -> Self {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let port = free_port();
        let broker = Self { child: None, dir, port };
        let anonymous = if config.contains("allow_anonymous") { "" } else { "allow_anonymous true\n" };
        // user root: Mosquitto started by root otherwise changes to an account that cannot read our files.
        let text = format!(
            "listener {port} 127.0.0.1\n{anonymous}user root\nlog_dest stderr\nlog_type error\nlog_type warning\n\
             log_type notice\nlog_type information\nlog_type subscribe\nmax_queued_messages 100000\n{config}\n"
        );
        broker.write("mosquitto.conf", &text.replace("$DIR", &broker.path("").display().to_string()));
        for (name, text) in files {
            broker.write(name, text);
        }
        broker
    }

    /// A file in the broker's directory; `$DIR` in the configuration stands for the directory.
    pub fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).expect("the broker's directory is writable");
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Its process.
    pub fn pid(&self) -> u32 {
        self.child.as_ref().expect("running").id()
    }

    /// Starts it again on the same port with the same files.
    pub fn restart(&mut self) {
        assert!(self.child.is_none(), "stop it first");
        let log = std::fs::OpenOptions::new().create(true).append(true).open(self.path("log")).expect("a log file");
        let child = std::process::Command::new(tool("mosquitto"))
            .arg("-c")
            .arg(self.path("mosquitto.conf"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("mosquitto starts");
        self.child = Some(child);
        let port = self.port;
        wait_for("mosquitto to listen", || TcpStream::connect(("127.0.0.1", port)).is_ok());
    }

    /// `kill -9`: nothing is saved.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().expect("it can be killed");
            child.wait().expect("it ends");
        }
    }

    /// A clean stop, which writes the persistence file when there is one.
    pub fn stop(&mut self) {
        if let Some(mut child) = self.child.take() {
            signal(child.id(), "TERM");
            child.wait().expect("it ends");
        }
    }

    /// Makes it read its access lists again.
    pub fn reload(&self) {
        signal(self.child.as_ref().expect("running").id(), "HUP");
    }

    /// Publishes with `mosquitto_pub`; the arguments beside host and port.
    pub fn publish(&self, args: &[&str]) {
        let done = self.try_publish(args);
        assert!(done.status.success(), "mosquitto_pub {args:?}: {}", String::from_utf8_lossy(&done.stderr));
    }

    /// The same where a refusal is an answer too.
    pub fn try_publish(&self, args: &[&str]) -> std::process::Output {
        std::process::Command::new(tool("mosquitto_pub"))
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string()])
            .args(args)
            .output()
            .expect("mosquitto_pub runs")
    }

    /// Publishes one message per line at QoS 1 through one connection.
    pub fn publish_lines(&self, topic: &str, lines: impl Iterator<Item = String>) {
        let mut child = std::process::Command::new(tool("mosquitto_pub"))
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-q", "1", "-t", topic, "-l"])
            .stdin(Stdio::piped())
            .spawn()
            .expect("mosquitto_pub runs");
        let mut stdin = child.stdin.take().expect("its standard input");
        for line in lines {
            writeln!(stdin, "{line}").expect("mosquitto_pub reads");
        }
        drop(stdin);
        assert!(child.wait().expect("it ends").success(), "mosquitto_pub failed");
    }

    /// Readings `from..to` of an asset, each with its number as value and as second of its time.
    pub fn publish_readings(&self, asset: &str, numbers: std::ops::Range<u64>) {
        self.publish_lines(&format!("plant/hall/{asset}/p"), numbers.map(|n| n.to_string()));
    }

    /// Listens with `mosquitto_sub` on the broker's own port.
    pub fn listen(&self, args: &[&str]) -> Listener {
        Listener::start(self, args)
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.kill();
        if std::thread::panicking()
            && let Ok(log) = std::fs::read_to_string(self.path("log"))
        {
            let tail = log.lines().rev().take(30).collect::<Vec<_>>();
            eprintln!("--- mosquitto's last lines, newest first ---\n{}", tail.join("\n"));
        }
    }
}

/// Sends a signal to a process we started.
pub fn signal(pid: u32, name: &str) {
    let sent = std::process::Command::new("kill").args([&format!("-{name}"), &pid.to_string()]).status();
    assert!(sent.expect("kill runs").success(), "signal {name} to {pid}");
}

/// A `mosquitto_sub` whose lines are gathered: topic, a space, payload.
pub struct Listener {
    child: Child,
    lines: Arc<Mutex<Vec<(String, String)>>>,
}

impl Listener {
    /// Returns once the broker has taken the subscriptions; its log says so.
    fn start(broker: &Broker, args: &[&str]) -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let id = format!("listener-{}", NUMBER.fetch_add(1, Ordering::SeqCst));
        let mut child = std::process::Command::new(tool("mosquitto_sub"))
            .args(["-h", "127.0.0.1", "-p", &broker.port.to_string(), "-i", &id, "-q", "1", "-F", "%t\t%p"])
            .args(args)
            .stdout(Stdio::piped())
            .spawn()
            .expect("mosquitto_sub starts");
        let out = child.stdout.take().expect("its standard output");
        let lines = Arc::new(Mutex::new(Vec::new()));
        let gather = lines.clone();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                if let Some((topic, payload)) = line.split_once('\t') {
                    gather.lock().expect("no panic").push((topic.to_owned(), payload.to_owned()));
                }
            }
        });
        let topics = args.iter().filter(|arg| **arg == "-t").count();
        wait_for("mosquitto_sub to be subscribed", || {
            let log = std::fs::read_to_string(broker.path("log")).unwrap_or_default();
            log.lines().filter(|line| line.contains(&format!(": {id} 1 "))).count() >= topics
        });
        Self { child, lines }
    }

    /// Stops reading, as a consumer that hangs; the connection stays.
    pub fn pause(&self) {
        signal(self.child.id(), "STOP");
    }

    /// Reads again.
    pub fn resume(&self) {
        signal(self.child.id(), "CONT");
    }

    pub fn lines(&self) -> Vec<(String, String)> {
        self.lines.lock().expect("no panic").clone()
    }

    /// Payloads of one topic.
    pub fn on(&self, topic: &str) -> Vec<String> {
        self.lines().into_iter().filter(|(on, _)| on == topic).map(|(_, payload)| payload).collect()
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A gate between the daemon and the broker: open, shut (connections end, new ones are closed at once), or stalled
/// (connections stay, nothing passes in one direction or in both).
pub struct Gate {
    pub port: u16,
    state: Arc<AtomicU8>,
}

const OPEN: u8 = 0;
const SHUT: u8 = 1;
const STALLED: u8 = 2;
const STALLED_OUT: u8 = 3;
const STALLED_IN: u8 = 4;

impl Gate {
    pub fn new(to: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("its address").port();
        let state = Arc::new(AtomicU8::new(OPEN));
        let gate = state.clone();
        std::thread::spawn(move || {
            for inside in listener.incoming().map_while(Result::ok) {
                if gate.load(Ordering::SeqCst) == SHUT {
                    continue;
                }
                let Ok(outside) = TcpStream::connect(("127.0.0.1", to)) else { continue };
                for (from, into, stalled) in [(&inside, &outside, STALLED_OUT), (&outside, &inside, STALLED_IN)] {
                    let (Ok(from), Ok(into)) = (from.try_clone(), into.try_clone()) else { continue };
                    let gate = gate.clone();
                    std::thread::spawn(move || pass(from, into, &gate, stalled));
                }
            }
        });
        Self { port, state }
    }

    pub fn open(&self) {
        self.state.store(OPEN, Ordering::SeqCst);
    }

    pub fn shut(&self) {
        self.state.store(SHUT, Ordering::SeqCst);
    }

    pub fn stall(&self) {
        self.state.store(STALLED, Ordering::SeqCst);
    }

    /// Nothing of the daemon's reaches the broker any more, and all of the broker's the daemon.
    pub fn stall_out(&self) {
        self.state.store(STALLED_OUT, Ordering::SeqCst);
    }

    /// Nothing of the broker's reaches the daemon any more, and all of the daemon's the broker.
    pub fn stall_in(&self) {
        self.state.store(STALLED_IN, Ordering::SeqCst);
    }
}

fn pass(mut from: TcpStream, mut into: TcpStream, gate: &AtomicU8, stalled: u8) {
    from.set_read_timeout(Some(Duration::from_millis(20))).expect("a timeout");
    let mut buffer = [0; 4096];
    loop {
        match gate.load(Ordering::SeqCst) {
            SHUT => break,
            state if state == STALLED || state == stalled => {
                std::thread::sleep(Duration::from_millis(20));
                continue;
            }
            _ => {}
        }
        match from.read(&mut buffer) {
            Ok(0) => break,
            Ok(n) if into.write_all(&buffer[..n]).is_ok() => {}
            Ok(_) => break,
            Err(error) if matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => {}
            Err(_) => break,
        }
    }
    let _ = from.shutdown(std::net::Shutdown::Both);
    let _ = into.shutdown(std::net::Shutdown::Both);
}

/// The edge of the tests: `plant/{area}/{asset}/{point}` with a number that is value and second at once, and
/// `roundsman/site/{asset}/command`.
#[derive(Default)]
pub struct CountingEdge {
    assets: BTreeMap<String, u32>,
    now: Option<i64>,
}

fn spec(name: &str) -> Arc<AssetSpec> {
    Arc::new(AssetSpec {
        name: name.into(),
        area: None,
        class: None,
        zones: None,
        rating_kw: None,
        rated_speed_rpm: None,
        configured: false,
        cadence_secs: None,
        states: Vec::new(),
        vibration: VibrationSpec::default(),
        points: vec![PointSpec {
            name: "p".into(),
            quantity: Quantity::Other,
            detection: Detection::Unstated,
            unit: "1".into(),
            role: Role::Condition,
            range: (f64::NEG_INFINITY, f64::INFINITY),
            stuck_after_secs: None,
            limits: OwnLimits::default(),
        }],
    })
}

impl CountingEdge {
    fn define(name: &str, id: u32) -> Event {
        Event::Define(AssetId(id), spec(name), Arc::new(Settings::default()))
    }
}

impl Edge for CountingEdge {
    fn message(&mut self, message: &Message, out: &mut Routed) {
        let levels: Vec<_> = message.topic.split('/').collect();
        let text = String::from_utf8_lossy(&message.payload);
        match levels[..] {
            ["plant", _, asset, "p"] => {
                let Ok(value) = text.trim().parse::<f64>() else {
                    return out.rejected.push((Rejection::Unreadable, format!("not a number: {text}")));
                };
                let next = self.assets.len() as u32;
                let id = *self.assets.entry(asset.into()).or_insert_with(|| {
                    out.events.push(Self::define(asset, next));
                    next
                });
                let at = EventTime((value as i64) * 1_000_000);
                self.now = self.now.max(Some(at.0));
                out.events.push(Event::Observed(Observation {
                    asset: AssetId(id),
                    point: 0,
                    at,
                    value,
                    quality: Quality::Good,
                }));
            }
            ["roundsman", "site", asset, "command"] => {
                let refuse = |why: &str| {
                    Some(RefusedCommand {
                        asset: None,
                        by: "unknown".into(),
                        action: text.to_string(),
                        why: why.into(),
                    })
                };
                match self.assets.get(asset) {
                    Some(_) if text != "relearn" => out.refused = refuse("no such action"),
                    Some(id) => out.events.push(Event::Command(
                        AssetId(*id),
                        EventTime(self.now.unwrap_or(0)),
                        Command { reply_to: None, by: "test".into(), note: None, action: Action::Relearn },
                    )),
                    None => out.refused = refuse("no such asset"),
                }
            }
            _ => out.rejected.push((Rejection::UnmappedTopic, "fits no pattern".into())),
        }
    }

    fn idle(&mut self, micros: i64, out: &mut Routed) {
        if let Some(now) = &mut self.now {
            *now += micros;
            out.events.push(Event::Tick(EventTime(*now)));
        }
    }

    fn now(&self) -> Option<EventTime> {
        self.now.map(EventTime)
    }

    fn save(&self) -> Vec<u8> {
        postcard::to_stdvec(&(&self.assets, self.now)).expect("encodes")
    }

    fn restore(&mut self, saved: Option<&[u8]>, defined: &mut Vec<Event>) -> Result<(), String> {
        if let Some(saved) = saved {
            (self.assets, self.now) = postcard::from_bytes(saved).map_err(|error| error.to_string())?;
        }
        defined.extend(self.assets.iter().map(|(name, id)| Self::define(name, *id)));
        Ok(())
    }
}

/// The engine of the tests.
#[derive(Default)]
pub struct CountingMachine {
    assets: BTreeMap<AssetId, Counted>,
    /// Time one reading takes.
    pub slow: Duration,
    /// It waits before an asset's reading of this number (from 0) until the number is raised.
    pub hold: Option<Arc<AtomicU64>>,
}

#[derive(Default, Clone, serde::Serialize, serde::Deserialize)]
struct Counted {
    name: String,
    count: u64,
    hash: u64,
    ticks: u64,
}

impl Machine for CountingMachine {
    fn step(&mut self, event: &Event, out: &mut Vec<Output>) {
        match event {
            Event::Define(asset, spec, _) => {
                self.assets.entry(*asset).or_insert_with(|| Counted { name: spec.name.clone(), ..Default::default() });
            }
            Event::Observed(observation) => {
                std::thread::sleep(self.slow);
                let asset = self.assets.get_mut(&observation.asset).expect("defined before it is observed");
                while self.hold.as_ref().is_some_and(|hold| asset.count >= hold.load(Ordering::SeqCst)) {
                    std::thread::sleep(Duration::from_millis(1));
                }
                asset.count += 1;
                asset.hash = fnv1a(&[asset.hash.to_le_bytes(), observation.value.to_bits().to_le_bytes()].concat());
                out.push(Output::Trend(
                    observation.asset,
                    TrendSample {
                        point: 0,
                        at: observation.at,
                        observed: observation.value,
                        expected: f64::NAN,
                        band: f64::NAN,
                    },
                ));
                out.push(Output::Scored(observation.asset, score(asset.count, observation.at)));
                if asset.count.is_multiple_of(EVERY) {
                    out.push(Output::Alert(observation.asset, Box::new(alert(asset, observation.at))));
                    out.push(Output::Condition(observation.asset, Box::new(condition(asset, observation.at))));
                }
            }
            Event::Tick(_) => self.assets.values_mut().for_each(|asset| asset.ticks += 1),
            Event::Command(asset, at, command) => {
                let done = Done { said: "learning again".into(), old: None, new: None };
                out.push(Output::Answered(*asset, *at, command.clone(), Ok(done)));
            }
            Event::Waveform(..) | Event::End(_) => {}
        }
    }

    fn save(&self) -> Vec<(AssetId, String, Vec<u8>)> {
        let saved = self.assets.iter();
        saved.map(|(id, asset)| (*id, asset.name.clone(), postcard::to_stdvec(asset).expect("encodes"))).collect()
    }

    fn restore(&mut self, asset: AssetId, _: &str, saved: &[u8]) -> Result<(), String> {
        let state = postcard::from_bytes(saved).map_err(|error| error.to_string())?;
        self.assets.insert(asset, state);
        Ok(())
    }
}

/// A score that follows from the count alone, with every third one not judged.
fn score(count: u64, at: EventTime) -> Score {
    let wave = (count % 7) as f64 - 3.0;
    Score {
        at,
        operating_state: (count % 3) as u16,
        deviation: if count.is_multiple_of(3) { f64::NAN } else { wave.abs() },
        zone: if count.is_multiple_of(5) { Zone::Warning } else { Zone::Normal },
        step: wave / 3.0,
        drift: -wave / 10.0,
    }
}

fn alert(asset: &Counted, at: EventTime) -> Alert {
    Alert {
        id: format!("site-{}-machine-{}", asset.name, asset.count / EVERY),
        revision: 1,
        site: "site".into(),
        asset: asset.name.clone(),
        finding: Finding::Machine,
        change: Change::Raised,
        state: LifeState::Unacknowledged,
        severity: Severity::Advisory,
        worst: Severity::Advisory,
        sensor_status: None,
        at,
        raised_at: at,
        onset: None,
        operating_state: None,
        deviation: None,
        confidence: None,
        contributions: Vec::new(),
        remaining_life: None,
        likely_fault: None,
        held_back: None,
        neighbours: Vec::new(),
        set_up: None,
        message: format!("{} readings, hash {:016x}", asset.count, asset.hash),
        by: None,
        note: None,
    }
}

fn condition(asset: &Counted, at: EventTime) -> Condition {
    Condition {
        site: "site".into(),
        asset: asset.name.clone(),
        at,
        zone: Zone::Normal,
        operating_state: None,
        run_hours: 0.0,
        learned: 1.0,
        deviation: None,
        open_alerts: Vec::new(),
        sensor_faults: Vec::new(),
        points: Vec::new(),
        thresholds: None,
        maintenance: None,
        told_by: None,
        message: format!("{} readings", asset.count),
    }
}

/// The alerts an undisturbed run gives for readings `0..count` of `asset`, as published.
pub fn expected_alerts(asset: &str, count: u64) -> Vec<String> {
    let mut machine = CountingMachine::default();
    let mut outputs = Vec::new();
    machine.step(&CountingEdge::define(asset, 0), &mut outputs);
    for n in 0..count {
        let observation = Observation {
            asset: AssetId(0),
            point: 0,
            at: EventTime(n as i64 * 1_000_000),
            value: n as f64,
            quality: Quality::Good,
        };
        machine.step(&Event::Observed(observation), &mut outputs);
    }
    let alerts = outputs.into_iter().filter_map(|output| match output {
        Output::Alert(_, alert) => Some(String::from_utf8(Plain.alert(&alert).payload).expect("JSON")),
        _ => None,
    });
    alerts.collect()
}

/// Documents as serde makes them.
pub struct Plain;

impl Plain {
    fn document(topic: String, value: &impl serde::Serialize, retain: bool) -> Publication {
        Publication {
            topic,
            payload: serde_json::to_vec(value).expect("encodes"),
            retain,
            correlation: None,
            about: About::default(),
        }
    }
}

impl Documents for Plain {
    fn alert(&self, alert: &Alert) -> Publication {
        Self::document(format!("roundsman/site/{}/alert", alert.asset), alert, false)
    }

    fn condition(&self, condition: &Condition) -> Publication {
        Self::document(format!("roundsman/site/{}/condition", condition.asset), condition, true)
    }

    fn remaining_life(&self, asset: &str, _: EventTime, life: &RemainingLife) -> Publication {
        Self::document(format!("roundsman/site/{asset}/remaining-life"), life, true)
    }

    fn diagnosis(&self, _: &Diagnosis) -> Publication {
        unreachable!("this engine looks at no waveform")
    }

    fn capture_request(&self, _: &CaptureRequest) -> Publication {
        unreachable!("this engine asks for no waveform")
    }

    fn answer(&self, asset: Option<&str>, _: Option<&Command>, outcome: Result<&str, &str>) -> Vec<u8> {
        let (accepted, answer) = match outcome {
            Ok(answer) => (true, answer),
            Err(why) => (false, why),
        };
        serde_json::to_vec(&serde_json::json!({"asset": asset, "accepted": accepted, "answer": answer}))
            .expect("encodes")
    }

    fn service(&self, presence: Presence, _: Option<&Status>) -> Publication {
        let state = if presence == Presence::Online { "online" } else { "offline" };
        Self::document("roundsman/site/service".into(), &state, true)
    }
}

/// Settings that suit the tests: everything quick.
pub fn settings(port: u16, dir: &Path) -> RunSettings {
    RunSettings {
        broker: BrokerSettings {
            host: "127.0.0.1".into(),
            port,
            client_id: "under-test".into(),
            filters: vec!["plant/#".into(), "roundsman/site/+/command".into()],
            keep_alive_secs: 5,
            connect_timeout_secs: 2,
            backoff_first: Duration::from_millis(50),
            backoff_most: Duration::from_millis(500),
            ..Default::default()
        },
        state_dir: dir.to_owned(),
        shards: 2,
        snapshot_every: Duration::from_millis(200),
        ..Default::default()
    }
}

/// A daemon in this process, on its own runtime.
pub struct Daemon {
    pub status: Arc<Status>,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<Result<Ended, AppError>>>,
}

impl Daemon {
    /// Starts it; `slow` is the time one reading takes its engine.
    pub fn start_slow(settings: RunSettings, slow: Duration) -> Self {
        Self::start_with(settings, slow, None)
    }

    /// Starts it with an engine that can be held, see [`CountingMachine::hold`].
    pub fn start_held(settings: RunSettings, hold: Arc<AtomicU64>) -> Self {
        Self::start_with(settings, Duration::ZERO, Some(hold))
    }

    fn start_with(settings: RunSettings, slow: Duration, hold: Option<Arc<AtomicU64>>) -> Self {
        let status = Arc::new(Status::default());
        let (stop, stopped) = oneshot::channel();
        let shared = status.clone();
        let thread = std::thread::spawn(move || {
            let parts = Parts {
                edge: CountingEdge::default(),
                machine: move |_| CountingMachine { slow, hold: hold.clone(), ..Default::default() },
                documents: Arc::new(Plain),
                status: shared,
            };
            let runtime =
                tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().expect("a runtime");
            runtime.block_on(app::run(settings, parts, async move { drop(stopped.await) }))
        });
        Self { status, stop: Some(stop), thread: Some(thread) }
    }

    pub fn start(settings: RunSettings) -> Self {
        Self::start_slow(settings, Duration::ZERO)
    }

    /// Starts it and waits until it is subscribed and has said `online`.
    pub fn started(settings: RunSettings) -> Self {
        let daemon = Self::start(settings);
        daemon.wait_until_connected();
        daemon
    }

    #[track_caller]
    pub fn wait_until_connected(&self) {
        use roundsman::status::LinkState::Connected;
        wait_for("the daemon to connect", || {
            self.status.reader() == Connected && self.status.writer() == Connected && self.status.subscribed.get() >= 2
        });
    }

    /// Stops it and gives what it left.
    pub fn stop(mut self) -> Result<Ended, AppError> {
        drop(self.stop.take());
        self.thread.take().expect("running").join().expect("no panic")
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// Log lines of the daemon on standard error when RUST_LOG is set, for a person who looks for a fault.
pub fn logs() {
    let _ = tracing_subscriber::fmt()
        .with_env_filter(tracing_subscriber::EnvFilter::from_default_env())
        .with_writer(std::io::stderr)
        .try_init();
}

/// Runs a query that gives one number on one of the daemon's databases.
pub fn query(dir: &Path, file: &str, sql: &str) -> i64 {
    let connection = rusqlite::Connection::open(dir.join(file)).expect("opens");
    connection.busy_timeout(Duration::from_secs(5)).expect("a timeout");
    connection.query_row(sql, [], |row| row.get::<_, Option<i64>>(0)).expect(sql).unwrap_or(0)
}

/// The alerts table in order, as published.
pub fn kept_alerts(dir: &Path, asset: &str) -> Vec<String> {
    let connection = rusqlite::Connection::open(dir.join("state.db")).expect("opens");
    let mut statement =
        connection.prepare("SELECT document FROM alerts WHERE asset = ?1 ORDER BY at").expect("prepares");
    let rows = statement.query_map([asset], |row| row.get::<_, Vec<u8>>(0)).expect("runs");
    rows.map(|row| String::from_utf8(row.expect("a row")).expect("JSON")).collect()
}
