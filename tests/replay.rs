//! A recording gives the same files to the byte: played twice, on any number of threads, and cut by restarts.
//!
//! That proves only that we repeat ourselves. Whether what is found is right is judged elsewhere, against `about.toml`.

mod support;

use roundsman::acquire::AssetId;
use roundsman::acquire::recording::ReadOptions;
use roundsman::asset::{settings::Settings, spec::AssetSpec};
use roundsman::config::{self, Checked, Sources};
use roundsman::engine::{Action, Command, Engine, Event, LimitName, Output};
use roundsman::replay::{self, Pace, Step};
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// The files that must not differ at all.
const FILES: [&str; 3] = ["alerts.jsonl", "scores.csv", "remaining-life.csv"];
/// Restarts in the sixty days: one about every 1,700 readings.
const CUTS: usize = 1000;
const SEED: u64 = 20;
/// Readings and ticks of the sixty days, a little less than there are.
const EVENTS: u64 = 1_660_000;
/// Events between two commands of [`Cut`], when it gives any.
const COMMAND_EVERY: u64 = 30_000;

/// Fails with the first line that differs.
#[track_caller]
fn assert_same_file(one: &Path, other: &Path, file: &str, what: &str) {
    let read = |dir: &Path| std::fs::read_to_string(dir.join(file)).expect("a result");
    let (one, other) = (read(one), read(other));
    if one == other {
        return;
    }
    let place = one.lines().zip(other.lines()).position(|(a, b)| a != b);
    let place = place.unwrap_or_else(|| one.lines().count().min(other.lines().count()));
    let line = |text: &str| text.lines().nth(place).unwrap_or("(no more lines)").to_owned();
    panic!("{what}: {file} differs first in line {}:\n  {}\n  {}", place + 1, line(&one), line(&other));
}

fn summary(dir: &Path) -> serde_json::Value {
    let text = std::fs::read_to_string(dir.join("summary.json")).expect("summary.json");
    let mut summary: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let wall = summary.as_object_mut().expect("an object").remove("wall").expect("`wall`");
    assert!(wall["seconds"].as_f64().is_some_and(|seconds| seconds > 0.0), "{wall}");
    summary
}

#[test]
fn twice_and_on_any_number_of_threads_gives_the_same_files() {
    let runs = [("first", "1"), ("again", "1"), ("2 threads", "2"), ("3 threads", "3")];
    let dir = tempfile::tempdir().expect("a temporary directory");
    println!("\n| run | wall time |\n|---|---|");
    for (name, threads) in runs {
        let (config, recording) = (support::quillhaven("roundsman.toml"), support::quillhaven("readings.parquet"));
        let took = support::replay(
            &dir.path().join(name),
            ["--config".as_ref(), config.as_os_str(), "--threads".as_ref(), threads.as_ref(), recording.as_os_str()],
        );
        println!("| {name} | {:.1} s |", took.as_secs_f64());
    }
    let first = dir.path().join("first");
    let found = summary(&first);
    println!("{found:#}");
    // An empty file is equal to an empty file.
    assert!(found["alerts"].as_u64() >= Some(6) && found["scores"].as_u64() >= Some(100_000), "{found:#}");
    assert!(std::fs::read_to_string(first.join("remaining-life.csv")).expect("a result").lines().count() > 100);
    for (name, _) in &runs[1..] {
        let other = dir.path().join(name);
        FILES.iter().for_each(|file| assert_same_file(&first, &other, file, name));
        assert_eq!(found, summary(&other), "{name}: summary.json beside `wall`");
    }
}

/// One output, to the last bit.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Said {
    kind: &'static str,
    asset: AssetId,
    at: Option<EventTime>,
    hash: u64,
}

impl Said {
    fn of(output: &Output) -> Self {
        let mut hash = DefaultHasher::new();
        // postcard keeps every number to the last bit, where JSON rounds.
        let mut plain = |bytes: postcard::Result<Vec<u8>>| bytes.expect("plain data").hash(&mut hash);
        let (kind, asset, at) = match output {
            Output::Scored(asset, s) => {
                let bits = [s.deviation, s.step, s.drift].map(f64::to_bits);
                plain(postcard::to_stdvec(&(s.at, s.operating_state, s.zone, bits)));
                ("score", asset, Some(s.at))
            }
            Output::Trend(asset, t) => {
                let bits = [t.observed, t.expected, t.band].map(f64::to_bits);
                plain(postcard::to_stdvec(&(t.point, t.at, bits)));
                ("trend", asset, Some(t.at))
            }
            Output::OperatingState(asset, at, state) => {
                plain(postcard::to_stdvec(state));
                ("operating state", asset, Some(*at))
            }
            Output::Alert(asset, alert) => {
                plain(postcard::to_stdvec(alert));
                ("alert", asset, Some(alert.at))
            }
            Output::RemainingLife(asset, at, life) => {
                plain(postcard::to_stdvec(life));
                ("remaining life", asset, Some(*at))
            }
            Output::Condition(asset, condition) => {
                plain(postcard::to_stdvec(condition));
                ("condition", asset, Some(condition.at))
            }
            Output::Rejected(asset, reason) => {
                plain(postcard::to_stdvec(reason));
                ("rejection", asset, None)
            }
            Output::Ended(asset, history) => {
                plain(postcard::to_stdvec(history));
                ("history", asset, Some(history.ended_at))
            }
            Output::Diagnosis(asset, diagnosis) => {
                plain(postcard::to_stdvec(diagnosis));
                ("diagnosis", asset, Some(diagnosis.at))
            }
            Output::CaptureRequest(asset, request) => {
                plain(postcard::to_stdvec(request));
                ("capture request", asset, Some(request.at))
            }
            Output::Waveform(asset, stored) => {
                plain(postcard::to_stdvec(&stored.number));
                ("waveform", asset, Some(stored.at))
            }
            Output::CapturesKept(asset, kept) => {
                plain(postcard::to_stdvec(&(kept.upto, &kept.slots)));
                ("captures kept", asset, None)
            }
            Output::WaveformRefused(asset, unread) => {
                plain(postcard::to_stdvec(&**unread));
                ("waveform refused", asset, None)
            }
            Output::Answered(asset, at, command, answer) => {
                plain(postcard::to_stdvec(&(&command.by, answer)));
                ("answer", asset, Some(*at))
            }
        };
        Self { kind, asset: *asset, at, hash: hash.finish() }
    }
}

/// An engine that is saved, thrown away and restored into a fresh one before the events of these numbers.
struct Cut {
    engine: Engine,
    site: String,
    defined: BTreeMap<AssetId, (Arc<AssetSpec>, Arc<Settings>)>,
    events: u64,
    /// Latest first.
    cuts: Vec<u64>,
    restarts: bool,
    /// Whether people give commands too.
    commands: bool,
    commanded: u64,
    largest_state: usize,
    said: Arc<Mutex<Vec<Said>>>,
}

impl Cut {
    fn restart(&mut self) {
        let saved = self.engine.save().expect("plain data");
        self.largest_state = self.largest_state.max(saved.iter().map(|(.., bytes)| bytes.len()).max().unwrap_or(0));
        self.engine = Engine::new(&self.site, true);
        let mut out = Vec::new();
        for (&id, (spec, settings)) in &self.defined {
            self.engine.step(&Event::Define(id, Arc::clone(spec), Arc::clone(settings)), &mut out);
        }
        for (id, name, bytes) in &saved {
            self.engine.restore(*id, bytes).unwrap_or_else(|why| panic!("{name} before event {}: {why}", self.events));
        }
        assert!(out.is_empty(), "a restart says nothing by itself: {out:?}");
        assert!(saved == self.engine.save().expect("plain data"), "what is restored is what was saved");
    }
}

impl Cut {
    /// The next command in turn to every asset, each right behind a restart when there are restarts.
    fn command(&mut self, at: EventTime, out: &mut Vec<Output>) {
        let secs = 36.0 * 3600.0;
        let actions = [
            Action::Acknowledge { alert: None },
            Action::Shelve { alert: None, secs },
            Action::Unshelve { alert: None },
            Action::OutOfService,
            Action::ReturnToService,
            Action::SetLimit { point: "vib_de_h".into(), limit: LimitName::WarningHigh, value: Some(3.0) },
            Action::Acknowledge { alert: None },
            Action::SetLimit { point: "vib_de_h".into(), limit: LimitName::WarningHigh, value: None },
        ];
        for id in self.defined.keys().copied().collect::<Vec<_>>() {
            if self.restarts {
                self.restart();
            }
            // Once, in the middle: two assets learn again.
            let action = match self.commanded {
                25 if id.0 < 2 => Action::Relearn,
                turn => actions[turn as usize % actions.len()].clone(),
            };
            let command = Command { by: "tester".into(), note: None, reply_to: None, action };
            self.engine.step(&Event::Command(id, at, command), out);
        }
        self.commanded += 1;
    }
}

impl Step for Cut {
    fn step(&mut self, event: &Event, out: &mut Vec<Output>) {
        if self.cuts.last() == Some(&self.events) {
            self.cuts.pop();
            self.restart();
        }
        self.events += 1;
        if let Event::Define(id, spec, settings) = event {
            self.defined.insert(*id, (Arc::clone(spec), Arc::clone(settings)));
        }
        let before = out.len();
        self.engine.step(event, out);
        if let (true, Event::Tick(at)) = (self.commands && self.events / COMMAND_EVERY > self.commanded, event) {
            self.command(*at, out);
        }
        self.said.lock().expect("no panic").extend(out[before..].iter().map(Said::of));
    }
}

impl Drop for Cut {
    fn drop(&mut self) {
        println!(
            "{} events, {} cuts left, largest state of an asset {} bytes",
            self.events,
            self.cuts.len(),
            self.largest_state
        );
    }
}

/// Plays the sixty days through an engine with these cuts; results to `out`.
fn play(config: &Checked, cuts: &[u64], commands: bool, out: &Path) -> Vec<Said> {
    std::fs::create_dir(out).expect("a folder for the results");
    let said = Arc::default();
    let options = ReadOptions { spill_dir: out.to_owned(), ..ReadOptions::default() };
    let make = || Cut {
        engine: Engine::new(&config.site.name, true),
        site: config.site.name.clone(),
        defined: BTreeMap::new(),
        events: 0,
        cuts: cuts.iter().rev().copied().collect(),
        restarts: !cuts.is_empty(),
        commands,
        commanded: 0,
        largest_state: 0,
        said: Arc::clone(&said),
    };
    let pace = Pace { secs_per_sec: None, threads: 1 };
    let bar = indicatif::ProgressBar::hidden();
    let recording = [support::quillhaven("readings.parquet")];
    let (results, summary) = replay::play(&recording, &options, config, &pace, &bar, make).expect("it plays");
    replay::write(out, results, summary).expect("results are written");
    std::mem::take(&mut said.lock().expect("no panic"))
}

/// The events at which to cut: seeded, in order, spread over all of them. SplitMix64.
fn cuts(seed: u64, count: usize, events: u64) -> Vec<u64> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    };
    let mut cuts: Vec<u64> = (0..count).map(|_| next() % events).collect();
    cuts.sort_unstable();
    cuts.dedup();
    cuts
}

fn straight_and_cut(commands: bool) {
    let file = support::quillhaven("roundsman.toml");
    let sources = Sources { file: Some(&file), zones: config::zone_names(), ..Sources::default() };
    let config = config::load(&sources).expect("the site's configuration has no faults");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let (straight, cut) = (dir.path().join("straight"), dir.path().join("cut"));
    let began = Instant::now();
    let expected = play(&config, &[], commands, &straight);
    let straight_secs = began.elapsed().as_secs_f64();
    let began = Instant::now();
    let cuts = cuts(SEED, CUTS, EVENTS);
    let got = play(&config, &cuts, commands, &cut);
    let of = |kind| expected.iter().filter(|said| said.kind == kind).count();
    println!(
        "straight {straight_secs:.1} s, with {} restarts {:.1} s; {} outputs, {} alert documents, {} commands",
        cuts.len(),
        began.elapsed().as_secs_f64(),
        expected.len(),
        of("alert"),
        of("answer")
    );
    assert!(of("alert") > 20 && commands == (of("answer") > 100));
    if let Some(place) = expected.iter().zip(&got).position(|(one, other)| one != other) {
        panic!(
            "cut by restarts (seed {SEED}) differs first in output {place}:\n  straight {:?}\n  cut      {:?}",
            expected[place], got[place]
        );
    }
    assert_eq!(expected.len(), got.len(), "as many outputs");
    FILES.iter().for_each(|file| assert_same_file(&straight, &cut, file, "cut by restarts"));
}

#[test]
fn cut_by_restarts_is_straight_through_to_the_last_bit() {
    straight_and_cut(false);
}

#[test]
fn so_it_is_when_every_command_comes_right_behind_a_restart() {
    straight_and_cut(true);
}
