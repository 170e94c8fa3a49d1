//! Memory of the engine per learned point, as the process grows by it: `cargo bench -p roundsman --bench memory`.
//!
//! A thousand assets of six points, so that what one asset takes stands out against the process; run once with a load that
//! keeps to one operating state and once with one that keeps to four, in processes of their own.

use roundsman::acquire::registry::Registry;
use roundsman::acquire::{Observation, Quality};
use roundsman::config::Checked;
use roundsman::engine::{Engine, Event};
use roundsman_models::EventTime;

const ASSETS: usize = 1000;
const POINTS: [(&str, &str, f64); 6] = [
    ("vib_h", "mm/s", 2.0),
    ("vib_v", "mm/s", 1.5),
    ("vib_a", "mm/s", 1.1),
    ("temp", "Cel", 55.0),
    ("speed", "rpm", 1480.0),
    ("current", "A", 40.0),
];
/// Past 25 h of learning at five minutes, and on for a while. `ROUNDS=9000` (a month) is past the filling of every store.
const ROUNDS: i64 = 1000;
/// Each operating state lasts an hour.
const ROUNDS_PER_STATE: i64 = 12;

fn main() {
    // The test runner asks benches what they have; there is nothing to list, and nothing to time.
    if std::env::args().any(|a| a == "--test" || a == "--list") {
        return;
    }
    if let Some(states) = std::env::var("STATES").ok().and_then(|s| s.parse().ok()) {
        return measure(states);
    }
    for states in ["1", "4"] {
        let here = std::env::current_exe().expect("this program");
        let done = std::process::Command::new(here).env("STATES", states).status().expect("it starts");
        assert!(done.success());
    }
}

fn measure(states: i64) {
    let mut registry = Registry::new(&Checked::default());
    let mut engine = Engine::new("bench", false);
    let mut out = Vec::new();
    let mut series = Vec::new();
    for asset in 0..ASSETS {
        for (name, unit, _) in POINTS {
            series.push(registry.resolve(&format!("a{asset}"), None, name, Some(unit)).expect("a known unit"));
        }
    }
    let before = resident_kib();
    for id in registry.take_defined() {
        let (spec, settings) = (registry.spec(id).expect("defined"), registry.settings(id).expect("defined"));
        engine.step(&Event::Define(id, spec.clone(), settings.clone()), &mut out);
    }
    let mut seed = 1_u64;
    let rounds = std::env::var("ROUNDS").ok().and_then(|s| s.parse().ok()).unwrap_or(ROUNDS);
    for round in 0..rounds {
        let at = EventTime(1_930_262_400_000_000 + round * 300_000_000);
        let load = 1.0 - 0.2 * ((round / ROUNDS_PER_STATE) % states) as f64;
        for (place, to) in series.iter().enumerate() {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise = (seed >> 33) as f64 / 2_f64.powi(31) - 0.5;
            let value = POINTS[place % POINTS.len()].2 * load * (1.0 + 0.02 * noise);
            let (asset, point) = (to.asset, to.point);
            engine.step(&Event::Observed(Observation { asset, point, at, value, quality: Quality::Good }), &mut out);
            out.clear();
        }
    }
    let points = (ASSETS * POINTS.len()) as f64;
    let grown = resident_kib().saturating_sub(before) as f64 / points;
    let saved: usize = engine.save().expect("plain data").iter().map(|(_, _, bytes)| bytes.len()).sum();
    println!(
        "{states} operating state(s): {grown:.2} KiB of memory and {:.2} KiB on disk per learned point",
        saved as f64 / 1024.0 / points
    );
}

/// What the process holds of memory now, KiB (Linux).
fn resident_kib() -> usize {
    let status = std::fs::read_to_string("/proc/self/status").expect("Linux's /proc");
    let line = status.lines().find(|l| l.starts_with("VmRSS")).expect("VmRSS");
    line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).expect("a number")
}
