//! What the tests of whole recordings share: the binary, its results, and where the data are.

#![allow(dead_code, unreachable_pub, reason = "each test target uses its own part")]

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

/// The binary under test. Settings in the environment of whoever runs the tests do not reach it.
pub fn roundsman() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_roundsman"));
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("ROUNDSMAN__")) {
        command.env_remove(name);
    }
    command
}

/// Runs `roundsman replay --out OUT ARGS...` to its end; gives the time it took.
#[track_caller]
pub fn replay<A: AsRef<OsStr>>(out: &Path, args: impl IntoIterator<Item = A>) -> Duration {
    let began = Instant::now();
    let done = roundsman().arg("replay").arg("--out").arg(out).args(args).output().expect("the binary starts");
    assert!(done.status.success(), "replay failed: {}", String::from_utf8_lossy(&done.stderr));
    began.elapsed()
}

/// A file of the simulated site.
pub fn quillhaven(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../replay-data/quillhaven").join(name)
}

/// A folder of data from outside, which are not ours to ship: under `ROUNDSMAN_SHARED`, else beside the workspace in
/// `shared/data`. Without it the suite says loudly that it is skipped and where to get them.
pub fn shared(suite: &str, folder: &str, source: &str) -> Option<PathBuf> {
    let root = std::env::var_os("ROUNDSMAN_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data"), PathBuf::from);
    let path = root.join(folder);
    if path.is_dir() {
        return Some(path);
    }
    println!(
        "\n*** SKIPPED: {suite}: there is no folder {}. {source} Set ROUNDSMAN_SHARED to the folder that has {folder}/.\n",
        path.display()
    );
    None
}

/// A row of `scores.csv`.
#[derive(Debug, Clone, serde::Deserialize)]
pub struct ScoreRow {
    #[serde(deserialize_with = "timestamp")]
    pub time: jiff::Timestamp,
    pub asset: String,
    pub operating_state: u16,
    pub deviation: Option<f64>,
    pub zone: String,
    pub step: f64,
    pub drift: f64,
}

impl ScoreRow {
    /// Every zone above normal.
    pub fn is_anomalous(&self) -> bool {
        matches!(self.zone.as_str(), "advisory" | "warning" | "alarm")
    }
}

fn timestamp<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<jiff::Timestamp, D::Error> {
    let text: String = serde::Deserialize::deserialize(deserializer)?;
    text.parse().map_err(serde::de::Error::custom)
}

/// `scores.csv` of a replay.
pub fn scores(out: &Path) -> Vec<ScoreRow> {
    let mut reader = csv::Reader::from_path(out.join("scores.csv")).expect("scores.csv");
    reader.deserialize().map(|row| row.expect("a row of scores.csv as documented")).collect()
}

/// `alerts.jsonl` of a replay.
pub fn alerts(out: &Path) -> Vec<serde_json::Value> {
    let text = std::fs::read_to_string(out.join("alerts.jsonl")).expect("alerts.jsonl");
    text.lines().map(|line| serde_json::from_str(line).expect("a line of alerts.jsonl is JSON")).collect()
}

/// A time of a document.
#[track_caller]
pub fn time(value: &serde_json::Value) -> jiff::Timestamp {
    value.as_str().and_then(|text| text.parse().ok()).unwrap_or_else(|| panic!("{value} is no time"))
}
