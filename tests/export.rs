//! `roundsman export` beside a running daemon, read back by programs nobody here wrote: Python's csv module and DuckDB.

mod common;
mod support;

use common::process::{Log, Process, arguments};
use common::{Broker, python_with, query, wait_for};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Output};

const CONFIG: &str = r#"
site = { name = "quillhaven", zone = "Europe/Berlin" }
broker = { url = "mqtt://127.0.0.1", clock = "stream" }
journal.keep_days = 1
align.cadence = "10 s"
alarm.clear_snapshots = 3
http.listen = "off"
[state]
snapshot_every = "1 s"
[[topics]]
pattern = "plant/{asset}/{point}"
payload = { format = "json", value = "/v", time = "/t", time_format = "s" }
[assets.pump-7.points.pressure]
unit = "bar"
alarm_high = 4
[assets."=HYPERLINK(A1)".points.temperature]
unit = "degC"
"#;

/// 2031: simulated.
const BEGIN: i64 = 1_930_000_000;

fn export(state: &Path, out: &Path, args: &[&str]) -> Output {
    support::roundsman()
        .args(["export", "--state"])
        .arg(state)
        .arg("--out")
        .arg(out)
        .args(args)
        .output()
        .expect("the binary starts")
}

#[track_caller]
fn exported(state: &Path, out: &Path, args: &[&str]) -> String {
    let done = export(state, out, args);
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).expect("text")
}

/// Rows of a table as the other program reads it: all cells as text, a null as null.
#[track_caller]
fn read_back(path: &Path) -> Vec<Value> {
    let script = r#"
import csv, json, sys
path = sys.argv[1]
if path.endswith(".csv"):
    raw = open(path, "rb").read()
    assert raw.startswith(b"\xef\xbb\xbf"), "a byte order mark"
    with open(path, newline="", encoding="utf-8-sig") as file:
        rows = [{k: (v if v != "" else None) for k, v in row.items()} for row in csv.DictReader(file, strict=True)]
else:
    import duckdb
    duckdb.sql("SET TimeZone = 'UTC'")
    table = duckdb.sql(f"SELECT * FROM read_parquet('{path}')")
    rows = [dict(zip(table.columns, (None if v is None else v.isoformat() if hasattr(v, "isoformat") else
            ("true" if v else "false") if isinstance(v, bool) else repr(v) if isinstance(v, float) else str(v)
            for v in row))) for row in table.fetchall()]
print(json.dumps(rows))
"#;
    let done = Command::new(python_with("duckdb")).args(["-c", script]).arg(path).output().expect("Python starts");
    assert!(done.status.success(), "{}: {}", path.display(), String::from_utf8_lossy(&done.stderr));
    serde_json::from_slice(&done.stdout).expect("JSON")
}

fn text<'v>(row: &'v Value, column: &str) -> &'v str {
    row[column].as_str().unwrap_or_else(|| panic!("no {column} in {row}"))
}

fn micros(row: &Value, column: &str) -> i64 {
    text(row, column).parse::<jiff::Timestamp>().expect("ISO 8601 with an offset").as_microsecond()
}

fn number(row: &Value, column: &str) -> f64 {
    text(row, column).parse().expect("a number")
}

/// Sends readings every ten seconds; gives what the export must say: time in s, asset, value.
fn send(broker: &Broker) -> Vec<(i64, String, f64)> {
    let mut sent = Vec::new();
    for (asset, point, offset) in [("pump-7", "pressure", 4.5), ("=HYPERLINK(A1)", "temperature", 60.0)] {
        let values: Vec<_> = (0..90).map(|n| (BEGIN + 10 * n, offset + 0.1 * f64::from(n as u8 % 7))).collect();
        let lines = values.iter().map(|(t, v)| format!(r#"{{"v":{v},"t":{t}}}"#));
        broker.publish_lines(&format!("plant/{asset}/{point}"), lines);
        sent.extend(values.iter().map(|(t, v)| (*t, asset.to_owned(), *v)));
    }
    sent.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
    sent
}

#[test]
fn what_was_sent_comes_back_from_both_forms_beside_the_daemon_and_after_it() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a folder");
    let (config, state) = (dir.path().join("site.toml"), dir.path().join("state"));
    std::fs::write(&config, CONFIG).expect("written");
    let daemon =
        Process::spawn(support::roundsman(), &arguments(&config, broker.port, "under-test", &state), &Log::default());
    daemon.wait_until_connected(0);
    let sent = send(&broker);
    wait_for("an alert, and trends of both assets", || {
        query(&state, "state.db", "SELECT count(*) FROM alerts") > 0
            && query(&state, "state.db", "SELECT count(DISTINCT asset) FROM trend") == 2
            && query(&state, "journal.db", "SELECT sum(entries) FROM journal") >= sent.len() as i64
    });

    // While it runs.
    let out = dir.path().join("out");
    for format in ["csv", "parquet"] {
        let said = exported(&state, &out, &["--all", "--format", format, "--zone", "Europe/Berlin"]);
        assert!(said.contains(&format!("readings.{format}: {} rows", sent.len())), "{said}");
        let file = |table: &str| out.join(format!("{table}.{format}"));
        let rows = read_back(&file("readings"));
        let mut got: Vec<_> = rows
            .iter()
            .map(|row| {
                assert_eq!(text(row, "quality"), "good");
                // In CSV an apostrophe keeps the name from being run.
                let asset = text(row, "asset").trim_start_matches('\'').to_owned();
                assert_eq!(text(row, "unit"), if asset == "pump-7" { "bar" } else { "Cel" });
                (micros(row, "time") / 1_000_000, asset, number(row, "value"))
            })
            .collect();
        got.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
        assert_eq!(got, sent, "{format}: each value to the bit");
        let alerts = read_back(&file("alerts"));
        let raised = alerts.first().expect("an alert");
        assert_eq!((text(raised, "asset"), text(raised, "severity")), ("pump-7", "alarm"));
        let document: Value = serde_json::from_str(text(raised, "document")).expect("the document");
        assert_eq!(document["message"], raised["message"]);
        assert_eq!(support::time(&document["at"]).as_microsecond(), micros(raised, "time"));
        let trends = read_back(&file("trends"));
        let counted: f64 = trends
            .iter()
            .filter(|row| text(row, "seconds") == "300" && text(row, "asset") == "pump-7")
            .map(|row| number(row, "count"))
            .sum();
        assert!(counted > 0.0, "{trends:?}");
        for empty in ["waveforms", "audit"] {
            assert!(read_back(&file(empty)).is_empty(), "{empty}");
        }
    }
    let csv = std::fs::read_to_string(out.join("readings.csv")).expect("a file");
    // `TZ=Europe/Berlin date -d @1930000000 -Is`
    assert!(csv.contains("\r\n2031-02-28T00:06:40+01:00,pump-7,pressure,4.5,bar,good\r\n"), "{csv:.300}");
    assert!(csv.contains(",'=HYPERLINK(A1),temperature,"), "{csv:.300}");

    // The exported table is a recording that `replay` takes.
    let replayed = dir.path().join("replayed");
    support::replay(&replayed, [out.join("readings.csv")]);
    let summary = std::fs::read_to_string(replayed.join("summary.json")).expect("a summary");
    let summary: Value = serde_json::from_str(&summary).expect("JSON");
    assert_eq!(summary["readings"], sent.len());
    daemon.stop();

    // And after it: a part, and nothing is changed by it.
    let bytes = || ["state.db", "journal.db"].map(|name| std::fs::read(state.join(name)).expect("a file"));
    let before = bytes();
    let part = dir.path().join("part");
    let (from, to) = ("2031-02-27T23:08:20Z", "2031-02-28T00:10:00");
    let args = ["pump-7", "--from", from, "--to", to, "--zone", "Europe/Berlin", "--only", "readings"];
    exported(&state, &part, &args);
    let times: Vec<_> = read_back(&part.join("readings.csv")).iter().map(|row| micros(row, "time")).collect();
    let want: Vec<_> = (100..200).step_by(10).map(|s| (BEGIN + s) * 1_000_000).collect();
    assert_eq!(times, want, "from is in it, to is not");
    assert_eq!(
        std::fs::read_dir(&part).expect("a folder").count(),
        1,
        "only what was asked for, and no part of a file"
    );
    assert!(bytes() == before, "the state directory is as it was");

    // The stop made a snapshot: every reading is in one five-minute row, full or growing, but for the last of each machine,
    // which the engine holds until the next says that its snapshot is complete.
    exported(&state, &part, &["--all", "--only", "trends", "--format", "parquet"]);
    let trends = read_back(&part.join("trends.parquet"));
    let five = trends.iter().filter(|row| text(row, "seconds") == "300");
    let counted: f64 = five.map(|row| number(row, "count")).sum();
    assert!(trends.iter().any(|row| text(row, "growing") == "true"), "{trends:?}");
    assert_eq!(counted, sent.len() as f64 - 2.0);

    // The scores of every snapshot, as `replay` makes them again from the journal, gathered here by hand.
    let again = dir.path().join("again");
    let made = support::roundsman().arg("replay").arg("--out").arg(&again).arg(state.join("journal.db")).output();
    let made = made.expect("the binary starts");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let mut want: BTreeMap<(String, i64), Gathered> = BTreeMap::new();
    for row in csv::Reader::from_path(again.join("scores.csv")).expect("a file").deserialize() {
        let row: BTreeMap<String, String> = row.expect("a row");
        let row = Value::from_iter(row.into_iter().map(|(column, cell)| {
            (column, Some(cell).filter(|cell| !cell.is_empty()).map_or(Value::Null, Value::from))
        }));
        let t = micros(&row, "time").div_euclid(300_000_000) * 300;
        want.entry((text(&row, "asset").to_owned(), t)).or_default().add(&row);
    }
    for format in ["csv", "parquet"] {
        exported(&state, &part, &["--all", "--only", "scores", "--format", format]);
        let rows = read_back(&part.join(format!("scores.{format}")));
        let full: Vec<_> =
            rows.iter().filter(|row| text(row, "seconds") == "300" && text(row, "growing") == "false").collect();
        assert!(full.len() >= 6, "15 minutes of two assets: {rows:?}");
        for row in full {
            let key = (text(row, "asset").trim_start_matches('\'').to_owned(), micros(row, "time") / 1_000_000);
            let want = &want[&key];
            let same = (number(row, "count"), text(row, "operating_state"), text(row, "zone"))
                == (want.count, want.operating_state.as_str(), want.zone);
            assert!(
                same && (number(row, "step"), number(row, "drift")) == (want.step, want.drift),
                "{row}, not {want:?}"
            );
            // Nothing is learned in a quarter of an hour.
            assert!(row["deviation"].is_null() && row["deviation_max"].is_null(), "{row}");
        }
        let worst = rows.iter().filter(|row| text(row, "asset") == "pump-7").map(|row| text(row, "zone"));
        assert!(worst.clone().any(|zone| zone == "alarm"), "it is past its limit: {rows:?}");
        assert!(rows.iter().any(|row| text(row, "seconds") == "3600" && text(row, "growing") == "true"), "{rows:?}");
    }
}

/// What five minutes of `scores.csv` come to.
#[derive(Debug, Default)]
struct Gathered {
    count: f64,
    operating_state: String,
    zone: &'static str,
    step: f64,
    drift: f64,
}

impl Gathered {
    fn add(&mut self, row: &Value) {
        const FROM_BEST: [&str; 8] = ["", "learning", "stopped", "settling", "normal", "advisory", "warning", "alarm"];
        let rank = |zone: &str| FROM_BEST.iter().position(|known| *known == zone).expect("a zone");
        self.count += 1.0;
        self.operating_state = text(row, "operating_state").to_owned();
        self.zone = FROM_BEST[rank(self.zone).max(rank(text(row, "zone")))];
        for (known, column) in [(&mut self.step, "step"), (&mut self.drift, "drift")] {
            let new = row[column].as_str().map_or(0.0, |text| text.parse().expect("a number"));
            if f64::abs(new) > f64::abs(*known) {
                *known = new;
            }
        }
    }
}

#[test]
fn what_cannot_be_exported_is_said_with_what_to_do() {
    let dir = tempfile::tempdir().expect("a folder");
    let (state, out) = (dir.path().join("state"), dir.path().join("out"));
    let refused = |args: &[&str], code: i32, words: &[&str]| {
        let done = export(&state, &out, args);
        let said = String::from_utf8_lossy(&done.stderr);
        assert_eq!(done.status.code(), Some(code), "{args:?}: {said}");
        for word in words {
            assert!(said.contains(word), "{args:?}: no {word:?} in {said}");
        }
    };
    refused(&["--all"], 74, &["no state.db", "[state] dir"]);
    assert!(!state.exists(), "a mistyped folder does not become a state directory");
    drop(roundsman::keep::Store::open(&state).expect("opens"));
    let connection = rusqlite::Connection::open(state.join("state.db")).expect("opens");
    connection.execute("INSERT INTO assets VALUES (1, 'pump-7')", []).expect("a row");
    refused(&["pump-8"], 64, &["no asset \"pump-8\"", "did you mean \"pump-7\"?"]);
    refused(&["--all", "--from", "monday"], 64, &["--from monday", "2026-11-01"]);
    refused(&["--all", "--from", "2026-11-02", "--to", "2026-11-01"], 64, &["before --to"]);
    refused(&["--all", "--zone", "Berlin"], 64, &["Europe/Berlin"]);
    refused(&["pump-7", "--all"], 64, &["--all"]);
    refused(&[], 64, &["ASSET"]);
    // No journal: the tables before it are written all the same.
    refused(&["--all"], 65, &["journal.db"]);
    assert!(out.join("alerts.csv").is_file() && !out.join("readings.csv").exists());
}

/// 1 g = 9.80665 m/s² by definition; the file is read by hound, the list by Python and DuckDB.
#[test]
fn waveforms_go_along_as_wav_and_the_list_names_them() {
    let dir = tempfile::tempdir().expect("a folder");
    let (state, out) = (dir.path().join("state"), dir.path().join("out"));
    drop(roundsman::keep::Store::open(&state).expect("opens"));
    let connection = rusqlite::Connection::open(state.join("state.db")).expect("opens");
    for (id, asset) in [(1, "pump-7"), (2, "fan 2")] {
        connection.execute("INSERT INTO assets VALUES (?1, ?2)", rusqlite::params![id, asset]).expect("a row");
    }
    // A waveform has 64 samples at least.
    let sent = [1.5, -2.25, 0.75, 0.0].repeat(16);
    let whole = format!(
        r#"{{"rate_hz":2560.5,"unit":"m/s2","axis":"axial","rpm":1480,"start":"2031-02-27T23:06:40.5Z","samples":{sent:?}}}"#
    );
    let other = format!(r#"{{"rate_hz":800,"unit":"g","samples":{sent:?}}}"#);
    let broken = r#"{"unit":"g"}"#;
    for (asset, number, payload) in [("pump-7", 3, whole.as_str()), ("pump-7", 4, broken), ("fan 2", 3, &other)] {
        let row = rusqlite::params![asset, number, (BEGIN + number) * 1_000_000, payload.as_bytes()];
        connection.execute("INSERT INTO waveforms VALUES (?1, ?2, ?3, 'acc', ?4)", row).expect("a row");
    }
    drop(connection);
    // Without being asked no waveform is read.
    exported(&state, &out, &["--all", "--only", "waveforms"]);
    let rows = read_back(&out.join("waveforms.csv"));
    assert!(rows.len() == 3 && rows.iter().all(|row| row["file"].is_null() && row["rate_hz"].is_null()), "{rows:?}");
    assert!(!out.join("waveforms").exists());

    for format in ["csv", "parquet"] {
        let said = exported(&state, &out, &["--all", "--only", "waveforms", "--samples", "--format", format]);
        assert!(said.contains("3 rows") && said.contains("2 of them as WAV"), "{said}");
        let rows = read_back(&out.join(format!("waveforms.{format}")));
        let of = |asset: &str, number: &str| {
            let row = rows.iter().find(|row| text(row, "asset") == asset && text(row, "number") == number);
            row.unwrap_or_else(|| panic!("{asset} {number} in {rows:?}"))
        };
        let row = of("pump-7", "3");
        assert_eq!((text(row, "axis"), text(row, "unit"), text(row, "samples")), ("axial", "m/s2", "64"));
        assert_eq!((number(row, "rate_hz"), number(row, "rpm")), (2560.5, 1480.0), "the exact rate stands in the list");
        assert_eq!(micros(row, "began"), BEGIN * 1_000_000 + 500_000);
        let mut wav = hound::WavReader::open(out.join("waveforms").join(text(row, "file"))).expect("a WAV");
        assert_eq!((wav.spec().sample_rate, wav.spec().sample_format), (2561, hound::SampleFormat::Float));
        let samples: Vec<f32> = wav.samples().collect::<Result<_, _>>().expect("samples");
        assert!(
            samples.len() == 64 && samples.iter().zip(&sent).all(|(got, want)| (f64::from(*got) - want).abs() < 1e-6),
            "{samples:?}"
        );
        let broken = of("pump-7", "4");
        assert!(broken["file"].is_null() && text(broken, "fault").contains("rate_hz"), "{broken}");
        assert!(out.join("waveforms").join(text(of("fan 2", "3"), "file")).is_file());
        assert_eq!(std::fs::read_dir(out.join("waveforms")).expect("a folder").count(), 2);
    }
    let done = export(&state, &out, &["--all", "--only", "alerts", "--samples"]);
    assert_eq!(done.status.code(), Some(64));
    assert!(String::from_utf8_lossy(&done.stderr).contains("--samples needs the table waveforms"));
}
