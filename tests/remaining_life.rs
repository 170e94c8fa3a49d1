//! Remaining life as a person gets it from `roundsman replay`, on recordings nobody here made: a bearing run to failure
//! with nothing said but a name, and turbofans with and without past cases of their class. The numerics behind it have
//! tables of their own in `models/tests/remaining_ims.rs` and `remaining_cmapss.rs`.

mod support;

use jiff::{Timestamp, Unit};
use std::fmt::Write as _;
use std::io::Read as _;
use std::path::Path;

const IMS: &str = "Get `IMS Bearings`, set 2, from the NASA Prognostics Data Repository, take the mean of |x| of each \
                   snapshot and write time,bearing_1..bearing_4 to ims_test2_mean_abs.csv.";
const CMAPSS: &str = "Get the turbofan set C-MAPSS FD001 from the NASA Prognostics Data Repository and write \
                      train_FD001.txt as engine,cycle,set1..set3,s1..s21 to train_FD001.csv.gz.";
const FAILED_AT: &str = "2004-02-19T11:02:39Z";

/// A row of `remaining-life.csv`.
/// What stands in one judged forecast: see where they are made.
type Judged = (f64, f64, f64, f64);

#[derive(Debug, Clone, serde::Deserialize)]
struct Life {
    #[serde(deserialize_with = "timestamp")]
    time: Timestamp,
    asset: String,
    point: String,
    target: String,
    p10_hours: f64,
    p50_hours: f64,
    p90_hours: Option<f64>,
}

fn timestamp<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<Timestamp, D::Error> {
    let text: String = serde::Deserialize::deserialize(deserializer)?;
    text.parse().map_err(serde::de::Error::custom)
}

fn lives(out: &Path) -> Vec<Life> {
    let mut reader = csv::Reader::from_path(out.join("remaining-life.csv")).expect("remaining-life.csv");
    reader.deserialize().map(|row| row.expect("a row of remaining-life.csv as documented")).collect()
}

fn hours(from: Timestamp, to: Timestamp) -> f64 {
    (to - from).total(Unit::Hour).expect("hours")
}

/// Held, mean width over mean life, P50 within a factor of 2.
fn judge(name: &str, rows: &[(f64, f64, f64, f64)]) -> (f64, f64, f64) {
    let n = rows.len() as f64;
    let share = |f: &dyn Fn(&Judged) -> bool| rows.iter().filter(|r| f(r)).count() as f64 / n;
    let held = share(&|r| r.0 <= r.3 && r.3 <= r.2);
    let width = rows.iter().map(|r| r.2 - r.0).sum::<f64>() / rows.iter().map(|r| r.3).sum::<f64>();
    let near = share(&|r| r.1 >= 0.5 * r.3 && r.1 <= 2.0 * r.3);
    println!("| {name} | {} | {held:.2} | {width:.2} | {near:.2} |", rows.len());
    (held, width, near)
}

/// Source: the IMS data set's own readme: at the end of test 2 an outer-race failure in bearing 1.
#[test]
fn a_bearing_with_no_limit_set_is_forecast_to_its_failure() {
    let Some(folder) = support::shared("IMS test 2, remaining life", "ims", IMS) else { return };
    let out = tempfile::tempdir().expect("a temporary directory");
    let recording = folder.join("ims_test2_mean_abs.csv");
    support::replay(out.path(), ["--asset".as_ref(), "rig".as_ref(), recording.as_os_str()]);
    let failed: Timestamp = FAILED_AT.parse().expect("a time");
    let of_bearing: Vec<Life> = lives(out.path())
        .into_iter()
        .filter(|l| l.point == "bearing_1" && l.target == "failure" && l.time < failed)
        .collect();
    let began = support::scores(out.path()).first().expect("scores").time;
    let half = hours(began, failed) / 2.0;
    assert!(of_bearing.iter().all(|l| hours(began, l.time) > half), "a forecast in the first half of life");
    let first = of_bearing.first().expect("a forecast before the failure").time;
    let row = |l: &Life| (l.p10_hours, l.p50_hours, l.p90_hours.unwrap_or(8760.0), hours(l.time, failed));
    let said: Vec<_> = of_bearing.iter().map(row).collect();
    for (life, row) in of_bearing.iter().zip(&said) {
        println!("{}: left {:.1}, P10 {:.1}, P50 {:.1}, P90 {:.1}", life.time, row.3, row.0, row.1, row.2);
    }
    let guess = |l: &Life| {
        let since = hours(first, l.time) + 1.0;
        (since / 9.0, since, 9.0 * since, hours(l.time, failed))
    };
    let guessed: Vec<_> = of_bearing.iter().map(guess).collect();
    println!("\nfirst forecast {:.1} h before the failure", hours(first, failed));
    println!("| IMS test 2, bearing 1 | forecasts | P10-P90 held | mean width / mean life | P50 within 2 |");
    println!("|---|---|---|---|---|");
    let (held, width, near) = judge("roundsman replay", &said);
    judge("s/9, s, 9s from the first forecast", &guessed);
    assert!((0.70..=0.95).contains(&held) && width <= 8.0 && near >= 0.45);
}

const PAST: usize = 20;
const ASKED: usize = 6;
/// Share of its life after which an engine is asked about.
const CUT: f64 = 0.85;
/// An hour stands for a cycle.
const START: i64 = 1_900_000_000;

/// Rows of the set by engine, the sensors' texts as they stand in the file.
fn engines(folder: &Path) -> Vec<Vec<Vec<String>>> {
    let file = std::fs::File::open(folder.join("train_FD001.csv.gz")).expect("train_FD001.csv.gz");
    let mut text = String::new();
    flate2::read::GzDecoder::new(file).read_to_string(&mut text).expect("a gzip file of text");
    let mut engines: Vec<Vec<Vec<String>>> = Vec::new();
    for line in text.lines().skip(1) {
        let cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        let engine: usize = cells[0].parse().expect("a number");
        if engines.len() < engine {
            engines.push(Vec::new());
        }
        engines[engine - 1].push(cells[5..].to_vec());
    }
    engines
}

fn write_recording(path: &Path, engines: &[Vec<Vec<String>>], names: std::ops::Range<usize>, share: f64) {
    let mut text = String::from("time,asset,point,value\n");
    let longest = engines.iter().map(Vec::len).max().unwrap_or(0);
    for cycle in 0..longest {
        let at = Timestamp::from_second(START + 3600 * cycle as i64).expect("a time");
        for engine in names.clone() {
            let until = (share * engines[engine].len() as f64) as usize;
            for (sensor, value) in engines[engine][..until].get(cycle).into_iter().flatten().enumerate() {
                writeln!(text, "{at},engine-{},s{},{value}", engine + 1, sensor + 1).expect("to a string");
            }
        }
    }
    std::fs::write(path, text).expect("written");
}

/// Source: C-MAPSS FD001; the truth is the cycle each engine failed in.
#[test]
fn past_cases_written_by_a_replay_forecast_other_engines_of_the_class() {
    let Some(folder) = support::shared("C-MAPSS FD001, past cases", "cmapss", CMAPSS) else { return };
    let engines = engines(&folder);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let path = |name: &str| dir.path().join(name);
    let mut config = String::from("[learn]\nrun_time = \"25h\"\nmin_snapshots = 25\n");
    for engine in 1..=PAST + ASKED {
        writeln!(config, "[assets.engine-{engine}]\nclass = \"turbofan\"").expect("to a string");
    }
    std::fs::write(path("plant.toml"), &config).expect("written");
    write_recording(&path("past.csv"), &engines, 0..PAST, 1.0);
    write_recording(&path("now.csv"), &engines, PAST..PAST + ASKED, CUT);
    let text = |name: &str| path(name).display().to_string();
    support::replay(
        &path("learned"),
        ["--config", &text("plant.toml"), "--as-history", &text("histories"), &text("past.csv")],
    );
    let count = std::fs::read_dir(path("histories")).expect("the folder").count();
    assert_eq!(count, PAST, "one past case per engine");

    let with = format!("history.dir={}", text("histories"));
    support::replay(&path("with"), ["--config", &text("plant.toml"), "--set", &with, &text("now.csv")]);
    let lives = lives(&path("with"));
    let mut rows = Vec::new();
    for (engine, life) in engines.iter().enumerate().skip(PAST).take(ASKED) {
        let name = format!("engine-{}", engine + 1);
        let failed = Timestamp::from_second(START + 3600 * (life.len() as i64 - 1)).expect("a time");
        let last = lives.iter().rev().find(|l| l.asset == name && l.target == "failure");
        let Some(last) = last else {
            println!("{name}: nothing said");
            continue;
        };
        let left = hours(last.time, failed);
        let p90 = last.p90_hours.expect("likeness has an end");
        println!("{name}: left {left:.0}, P10 {:.0}, P50 {:.0}, P90 {p90:.0}", last.p10_hours, last.p50_hours);
        rows.push((last.p10_hours, last.p50_hours, p90, left));
    }
    println!(
        "| {PAST} past engines, others at {CUT} of their life | forecasts | P10-P90 held | mean width / mean life | P50 within 2 |"
    );
    println!("|---|---|---|---|---|");
    let (held, width, _) = judge("roundsman replay with history.dir", &rows);
    assert!(rows.len() >= ASKED - 1, "{} of {ASKED} engines near their end got a forecast", rows.len());
    assert!(held >= 0.5 && width < 4.0, "held {held}, width {width}");
}
