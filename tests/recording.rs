//! Recordings of every kind, read and played.

use flate2::write::GzEncoder;
use proptest::prelude::*;
use roundsman::acquire::recording::time::parse;
use roundsman::acquire::recording::{
    Decode, Decoded, Faults, Merge, Message, Names, Progress, Raw, ReadOptions, Recording, RecordingError, Sorted,
    open, open_bytes,
};
use roundsman::acquire::{Quality, Rejection};
use roundsman::cli::ReplayArgs;
use roundsman::config::{self, Checked, Sources};
use roundsman_models::EventTime;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/recordings").join(name)
}

fn at(text: &str) -> EventTime {
    parse(text.as_bytes(), &jiff::tz::TimeZone::UTC).unwrap_or_else(|| panic!("{text}"))
}

/// A reading as text: `time asset/point[unit] value`, with `!` for bad quality.
fn shown(series: &[Names], raw: &Raw) -> String {
    let names = &series[raw.series as usize];
    let area = names.area.as_ref().map(|area| format!("{area}/")).unwrap_or_default();
    let unit = names.unit.as_ref().map(|unit| format!("[{unit}]")).unwrap_or_default();
    let bad = if raw.quality == Quality::Bad { "!" } else { "" };
    let seconds = raw.at.secs_since(at("2026-03-01T00:00:00Z"));
    format!("{seconds} {area}{}/{}{unit} {}{bad}", names.asset, names.point, raw.value)
}

fn all(mut recording: Box<dyn Recording>) -> Result<(Vec<String>, Faults), RecordingError> {
    let (mut batch, mut readings, mut more) = (Vec::new(), Vec::new(), true);
    while more {
        more = recording.next_batch(&mut batch)?;
        readings.extend(batch.iter().map(|raw| shown(recording.series(), raw)));
    }
    Ok((readings, recording.faults().clone()))
}

fn text(name: &str, text: impl Into<Vec<u8>>, options: &ReadOptions) -> Result<(Vec<String>, Faults), RecordingError> {
    all(open_bytes(Path::new(name), text.into(), options, &|| None)?)
}

fn read(name: &str, content: impl Into<Vec<u8>>) -> (Vec<String>, Faults) {
    text(name, content, &ReadOptions::default()).unwrap_or_else(|error| panic!("{name}: {error}"))
}

fn counts(faults: &Faults) -> Vec<(Rejection, u64, Vec<u64>)> {
    let lines = |first: &[(u64, String)]| first.iter().map(|&(line, _)| line).collect();
    faults.by_reason.iter().map(|(&reason, fault)| (reason, fault.count, lines(&fault.first))).collect()
}

#[test]
fn wide_csv_with_everything_that_goes_wrong_in_one() {
    let (readings, faults) = read(
        "shed/pump-7.csv",
        "\u{feff}Time,Speed [rpm],vib (mm/s),fan-2/vib,note\r\n\
         2026-03-01 00:00:00,1480,2.5,0.7,\r\n\
         2026-03-01 00:05:00,NaN,,null,\r\n\
         \r\n\
         2026-03-01T00:10:00Z,1481,bad,\"0.8\",\r\n\
         not a time,1481,2.6,,\r\n\
         2026-03-01 00:15:00,1482\r\n\
         2026-03-01T01:20:00+01:00, 1483 ,2.7,inf,",
    );
    assert_eq!(
        readings,
        [
            "0 pump-7/Speed[rpm] 1480",
            "0 pump-7/vib[mm/s] 2.5",
            "0 fan-2/vib 0.7",
            "600 pump-7/Speed[rpm] 1481",
            "600 fan-2/vib 0.8",
            "1200 pump-7/Speed[rpm] 1483",
            "1200 pump-7/vib[mm/s] 2.7",
            "1200 fan-2/vib inf",
        ]
    );
    // One cell that is no number; four columns of a line with too few cells.
    assert_eq!(
        counts(&faults),
        [(Rejection::Unreadable, 5, vec![5, 7]), (Rejection::BadTime, 2, vec![6])],
        "{faults:?}"
    );
    assert_eq!(faults.missing, 4 + 3, "all of the second line, the empty notes of three others");
}

#[test]
fn the_options_choose_columns_and_asset() {
    let options = ReadOptions {
        asset: Some("P-1".to_owned()),
        time_column: Some("date".to_owned()),
        ignore: vec!["note".to_owned(), "TIME".to_owned()],
        ..ReadOptions::default()
    };
    let (readings, _) = text("x.csv", "time,date,v,note\n1,2026-03-01,2,3\n", &options).unwrap();
    assert_eq!(readings, ["0 P-1/v 2"]);
    let (_, faults) = text("x.csv", "date,v\n2026-03-01,2\n", &options).unwrap();
    assert_eq!(faults.notes.len(), 2, "{:?}", faults.notes);
}

#[test]
fn an_asset_column_names_the_asset_of_its_line() {
    let (readings, faults) = read(
        "x.csv",
        "asset,time,speed [rpm],flow m3/h\nP-1,1772323200,1,2\nP-2,1772323200,,3\n,1772323200,4,5\nP-1,1772323201,6,",
    );
    assert_eq!(readings, ["0 P-1/speed[rpm] 1", "0 P-1/flow m3/h 2", "0 P-2/flow m3/h 3", "1 P-1/speed[rpm] 6"]);
    assert_eq!(counts(&faults), [(Rejection::Unreadable, 2, vec![4])]);
}

#[test]
fn semicolons_bring_decimal_commas_and_a_single_byte_code_page() {
    let (readings, faults) = read(
        "P-1.CSV",
        *b"time;Lager [\xb0C];Drehzahl\r\n01.03.2026 00:00:00;55,25;1480\r\n01.03.2026 00:05:00;1.055,25;1.5\r\n",
    );
    assert_eq!(readings, ["0 P-1/Lager[\u{b0}C] 55.25", "0 P-1/Drehzahl 1480", "300 P-1/Drehzahl 1.5"]);
    assert_eq!(counts(&faults), [(Rejection::Unreadable, 1, vec![3])], "1.055,25 is not guessed at");
}

#[test]
fn long_csv_with_all_columns_in_another_order() {
    let (readings, faults) = read(
        "x.csv",
        "value,Point,asset,quality,unit,area,timestamp\n\
         1480,speed,P-1,good,rpm,north,2026-03-01T00:00:00Z\n\
         2.5,vib,P-1,bad,mm/s,north,2026-03-01T00:00:00Z\n\
         2.5,vib,P-2,192,,,2026-03-01T00:00:00Z\n\
         ,vib,P-2,,,,2026-03-01T00:00:00Z\n\
         x,vib,P-2,,,,2026-03-01T00:00:00Z\n\
         1,vib,,,,,2026-03-01T00:00:00Z\n\
         1,vib,P-2,,,,03/01/2026\n\
         2.6,vib,P-2,,,,1772323260000\n",
    );
    assert_eq!(
        readings,
        ["0 north/P-1/speed[rpm] 1480", "0 north/P-1/vib[mm/s] 2.5!", "0 P-2/vib 2.5", "60 P-2/vib 2.6"]
    );
    assert_eq!(
        counts(&faults),
        [(Rejection::Unreadable, 2, vec![6, 7]), (Rejection::BadTime, 1, vec![8])],
        "{faults:?}"
    );
    assert_eq!(faults.missing, 1);
    let (readings, _) = read("P-3.csv.gz", "time\tpoint\tvalue\n1772323200\tvib\t1\n");
    assert_eq!(readings, ["0 P-3/vib 1"]);
}

#[test]
fn a_zone_is_taken_for_times_without_one() {
    let zone = jiff::tz::TimeZone::get("Europe/Berlin").unwrap();
    let options = ReadOptions { zone, ..ReadOptions::default() };
    let (readings, _) = text("x.csv", "time,v\n2026-03-01 01:00:00,1\n2026-03-01T00:00:05Z,2\n", &options).unwrap();
    assert_eq!(readings, ["0 x/v 1", "5 x/v 2"]);
    let local = std::fs::read(fixture("long-local.parquet")).unwrap();
    let (readings, _) = text("x.parquet", local, &options).unwrap();
    assert_eq!(readings.first().unwrap(), "-3599.75 P-1/speed 0");
}

#[test]
fn compressed_files_read_as_what_is_inside() {
    let lines: Vec<String> = (0..20_000).map(|n| format!("{},{}\n", 1_772_323_200 + n, f64::from(n) / 8.0)).collect();
    let (head, tail) = lines.split_at(7_000);
    let (first, second) = (format!("time,v\n{}", head.concat()), tail.concat());
    let plain = read("x.csv", format!("{first}{second}"));
    assert_eq!(plain.0.len(), lines.len());
    // Two members and two frames, as `cat` of compressed parts makes them.
    let gzip = |part: &str| {
        let mut encoder = GzEncoder::new(Vec::new(), flate2::Compression::fast());
        encoder.write_all(part.as_bytes()).unwrap();
        encoder.finish().unwrap()
    };
    assert_eq!(read("x.csv.gz", [gzip(&first), gzip(&second)].concat()), plain);
    let zstd = |part: &str| zstd::encode_all(part.as_bytes(), 1).unwrap();
    assert_eq!(read("x.csv.zst", [zstd(&first), zstd(&second)].concat()), plain);
    // Damage is an error that names the file, not a quiet end.
    let mut cut = gzip(&first);
    cut.truncate(cut.len() / 2);
    let error = text("cut.csv.gz", cut, &ReadOptions::default()).unwrap_err().to_string();
    assert!(error.starts_with("cut.csv.gz: cannot be read"), "{error}");
}

/// The twelve readings of `tests/recordings/make_parquet.py`, without the one that is null.
fn twelve() -> Vec<String> {
    let mut readings = Vec::new();
    for i in 0..3 {
        for (k, series) in ["P-1/speed", "P-1/vib", "P-2/speed", "P-2/vib"].iter().enumerate() {
            if (i, k) != (1, 3) {
                readings.push(format!("{} {series} {}", f64::from(i) * 300.0 + 0.25, i as usize * 10 + k));
            }
        }
    }
    readings
}

/// Source: files written by pyarrow 26.0.1 and DuckDB 2.0.1, see `tests/recordings/make_parquet.py`.
#[test]
fn parquet_as_others_write_it() {
    for name in [
        "long-ms",
        "long-us",
        "long-ns",
        "long-local",
        "long-epoch",
        "long-float",
        "long-text",
        "long-int96",
        "long-groups",
        "duckdb-long",
    ] {
        let content = std::fs::read(fixture(&format!("{name}.parquet"))).unwrap();
        let (readings, faults) = read(name, content);
        assert_eq!(readings, twelve(), "{name}");
        assert_eq!((faults.missing, faults.by_reason.len()), (1, 0), "{name}: {faults:?}");
    }
    let (readings, _) = read("x", std::fs::read(fixture("long-ids.parquet")).unwrap());
    assert_eq!(readings, twelve().iter().map(|r| r.replace("P-", "")).collect::<Vec<_>>());
    let (readings, faults) = read("x", std::fs::read(fixture("wide.parquet")).unwrap());
    let with_units = |r: &String| r.replace("speed", "speed[/min]").replace("vib", "vib[mm/s]");
    assert_eq!(readings, twelve().iter().map(with_units).collect::<Vec<_>>());
    assert_eq!(faults.notes, ["column `remark` holds no numbers and has been left out"]);
    let (readings, _) = read("x", std::fs::read(fixture("duckdb-half-wide.parquet")).unwrap());
    assert_eq!(readings, twelve());
}

/// Keeps the messages it is given; gives the payload's length back as a reading.
#[derive(Clone, Default)]
struct Listener(Arc<Mutex<Vec<String>>>);

impl Decode for Listener {
    fn decode(&mut self, message: &Message<'_>, emit: &mut dyn FnMut(Result<Decoded<'_>, Rejection>)) {
        let Message { at, topic, payload, .. } = *message;
        let us = at.0 - self::at("2026-11-25T09:44:56Z").0;
        self.0.lock().unwrap().push(format!("{us} {topic} {}", String::from_utf8_lossy(payload)));
        let Some((asset, point)) = topic.rsplit_once('/') else { return emit(Err(Rejection::UnmappedTopic)) };
        let (value, quality) = (payload.len() as f64, Quality::Good);
        emit(Ok(Decoded { asset, area: None, point, unit: None, at, value, quality }));
    }
}

/// Source: the lines mosquitto-clients 2.0.11 printed for `-F '%j'` and `%J`, under MQTT 3.1.1 and 5 and in several
/// zones, topics changed; the fourth has the time as later versions print it.
#[test]
fn messages_as_mosquitto_sub_prints_them() {
    let listener = Listener::default();
    let content = std::fs::read(fixture("mosquitto_sub.jsonl")).unwrap();
    let decoder = || -> Option<Box<dyn Decode>> { Some(Box::new(listener.clone())) };
    let recording = open_bytes(Path::new("x"), content, &ReadOptions::default(), &decoder).unwrap();
    assert!(recording.order_is_arrival());
    let (readings, faults) = all(recording).unwrap();
    let heard = listener.0.lock().unwrap();
    assert_eq!(
        heard[..],
        [
            "336575 plant/north/P-1/speed 1480.5",
            "338269 plant/north/P-1/vib {\"v\":2.5,\"t\":\"2026-01-01T00:00:00Z\"}",
            "338254 plant/north/P-1/vib {\"v\":2.5,\"t\":\"2026-01-01T00:00:00Z\"}",
            "343149 plant/q \"quo\\\"te",
            "344995 plant/empty ",
            "346979 plant/jstr \"hi\"",
            "346954 plant/jstr \"hi\"",
            "348933 plant/utf8 caf\u{e9}",
            "348933 plant/ctl new\nline\ttab\u{1}",
        ]
    );
    assert_eq!(readings.len(), heard.len());
    assert_eq!(
        counts(&faults),
        [
            // The payload that was cut at a NUL, and the last line, cut where recording was stopped.
            (Rejection::Unreadable, 2, vec![5, 15]),
            (Rejection::BadTime, 1, vec![14]),
            (Rejection::Retained, 1, vec![1]),
        ],
        "{faults:?}"
    );
}

fn shared(name: &str) -> Option<PathBuf> {
    let root = std::env::var_os("ROUNDSMAN_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data"), PathBuf::from);
    let path = root.join(name);
    if path.exists() {
        return Some(path);
    }
    eprintln!(
        "SKIPPED: {} is not there. It is of SKAB, the Skoltech Anomaly Benchmark (github.com/waico/SKAB, data/valve1); \
         set ROUNDSMAN_SHARED to the folder that holds skab/.",
        path.display()
    );
    None
}

#[test]
fn a_real_file_is_read_whole() {
    let Some(path) = shared("skab/valve1/0.csv") else { return };
    let options = ReadOptions {
        asset: Some("loop".to_owned()),
        ignore: vec!["anomaly".to_owned(), "changepoint".to_owned()],
        ..ReadOptions::default()
    };
    let progress = Progress::default();
    let (readings, faults) = all(open(&path, &options, 1, &|| None, &progress).unwrap()).unwrap();
    let content = std::fs::read_to_string(&path).unwrap();
    let rows: Vec<Vec<&str>> = content.lines().map(|line| line.split(',').collect()).collect();
    assert_eq!(rows[0].len(), 11);
    let mut want = Vec::new();
    for row in &rows[1..] {
        let secs = at(row[0]).secs_since(at("2026-03-01T00:00:00Z"));
        for (name, cell) in rows[0].iter().zip(row).take(9).skip(1) {
            want.push(format!("{secs} loop/{name} {}", cell.parse::<f64>().unwrap()));
        }
    }
    assert_eq!(readings, want);
    assert_eq!(faults, Faults::default());
    assert_eq!(progress.bytes(), content.len() as u64);
}

#[test]
fn files_that_are_no_recordings_say_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let message = |name: &str, content: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, content).unwrap();
        match open(&path, &ReadOptions::default(), 1, &|| None, &Progress::default()) {
            Ok(_) => panic!("{name} was opened"),
            Err(error) => error.to_string(),
        }
    };
    for (name, content, part) in [
        ("empty.csv", &b""[..], "is empty"),
        ("blank.csv", b"\n\r\n \n", "is empty"),
        ("a.csv", b"when,v\n1,2\n", "name it with --time-column"),
        ("b.csv", b"time\n1\n", "no column is left"),
        ("c.csv", b"\xff\xfet\0", "save it as UTF-8"),
        ("d.jsonl", b"{\"tst\":", "--config"),
        ("e.parquet", b"PAR1 and then nothing of the kind", "Parquet"),
        ("f.csv", b"asset,point,value\n", "--time-column"),
    ] {
        let message = message(name, content);
        assert!(message.contains(part) && message.contains(name), "{message}");
    }
    let error = |path: &Path| match open(path, &ReadOptions::default(), 1, &|| None, &Progress::default()) {
        Ok(_) => panic!("{} was opened", path.display()),
        Err(error) => error.to_string(),
    };
    assert!(error(folder.path()).contains("is a folder"));
    assert!(error(&folder.path().join("none.csv")).contains("none.csv: cannot be read"));
}

#[test]
fn another_order_than_time_is_put_right() {
    let line = |asset: &str, n: i64| format!("{},{asset},v,{n}\n", 1_772_323_200 + 3600 * n);
    let by_time: String =
        "time,asset,point,value\n".to_owned() + &(0..50).map(|n| line("a", n) + &line("b", n)).collect::<String>();
    let want = read("x.csv", by_time).0;
    let of = |asset: &str, up: bool| -> String { (0..50).map(|n| line(asset, if up { n } else { 49 - n })).collect() };
    let head = "time,asset,point,value\n";
    for (what, content) in [
        ("by asset", format!("{head}{}{}", of("a", true), of("b", true))),
        ("newest first", format!("{head}{}{}", of("a", false), of("b", false))),
    ] {
        let (readings, faults) = read("x.csv", content.clone());
        assert_eq!(readings, want, "{what}");
        assert!(faults.notes[0].contains("has been sorted"), "{what}");
        // The same through runs on disk, as for a file that is larger than what is looked at.
        let options = ReadOptions { batch: 8, ..ReadOptions::default() };
        let plain = open_bytes(Path::new("x.csv"), content.into_bytes(), &options, &|| None).unwrap();
        let look = if what == "by asset" { 60 } else { 10 };
        let again = Sorted::new(plain, Path::new("x.csv"), ReadOptions { sort: true, ..options }, look);
        assert_eq!(all(Box::new(again)).unwrap().0, want, "{what}");
    }
    // Late readings are no other order.
    let late = format!("{head}{}{}{}", line("a", 0), line("a", 1), line("b", 0));
    assert_eq!(read("x.csv", late).0, ["0 a/v 0", "3600 a/v 1", "0 b/v 0"]);
}

/// All of a merge, as text.
fn merged(files: Vec<Box<dyn Recording>>) -> Vec<String> {
    let mut merge = Merge::new(files);
    let mut readings = Vec::new();
    while let Some(run) = merge.next_run().unwrap() {
        assert!(!run.readings.is_empty());
        readings.extend(run.readings.iter().map(|raw| shown(run.series, raw)));
    }
    readings
}

fn csv(name: &str, rows: &[(i64, u32)], batch: usize) -> Box<dyn Recording> {
    let rows: String = rows.iter().map(|(secs, v)| format!("{},{v}\n", 1_772_323_200 + secs)).collect();
    let options = ReadOptions { batch, ..ReadOptions::default() };
    open_bytes(Path::new(name), format!("time,v\n{rows}").into_bytes(), &options, &|| None).unwrap()
}

#[test]
fn files_are_merged_by_time_then_by_their_order_each_in_its_own() {
    let a = [(0, 1), (10, 2), (5, 3), (20, 4)];
    let b = [(0, 5), (5, 6), (10, 7), (30, 8)];
    for batch in [1, 2, 100] {
        assert_eq!(
            merged(vec![csv("a", &a, batch), csv("b", &b, batch), csv("c", &[], batch)]),
            ["0 a/v 1", "0 b/v 5", "5 b/v 6", "10 a/v 2", "5 a/v 3", "10 b/v 7", "20 a/v 4", "30 b/v 8"],
            "{batch}"
        );
    }
}

fn args(out: &Path, recordings: Vec<PathBuf>, threads: usize) -> ReplayArgs {
    ReplayArgs {
        config: None,
        out: out.to_owned(),
        pace: None,
        asset: None,
        time_column: None,
        ignore: Vec::new(),
        set: Vec::new(),
        zone: None,
        as_history: None,
        threads: Some(threads),
        sweep: Vec::new(),
        truth: Default::default(),
        sort: false,
        recordings,
    }
}

fn settings(set: &[&str], text: Option<&str>) -> Checked {
    let set: Vec<String> = set.iter().map(|&one| one.to_owned()).collect();
    let sources = Sources { file: None, env: Vec::new(), set: &set, zones: config::zone_names(), needs_broker: false };
    config::from_text(text, &sources).unwrap_or_else(|faults| panic!("{faults:?}"))
}

/// Everything written, but for what depends on the clock.
fn written(out: &Path) -> Vec<(String, String)> {
    ["alerts.jsonl", "remaining-life.csv", "scores.csv", "summary.json"]
        .map(|name| {
            let text = std::fs::read_to_string(out.join(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
            let text = if name == "summary.json" {
                let mut summary: serde_json::Value = serde_json::from_str(&text).unwrap();
                assert!(summary.as_object_mut().unwrap().remove("wall").is_some());
                summary.to_string()
            } else {
                text
            };
            (name.to_owned(), text)
        })
        .into()
}

/// Five machines for a day and a half, one of which goes wrong; enough for alerts with little to learn from.
fn plant() -> String {
    let mut text = "time,asset,point,value,unit\n".to_owned();
    let mut noise = 1u32;
    for n in 0..1800 {
        for asset in ["fan \"A\"", "P-1", "P-2", "P-3", "x,y"] {
            for (point, base) in [("vib", 2.0), ("temp", 55.0)] {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let mut value = base * (1.0 + f64::from(noise >> 16) / 65_536.0 * 0.05);
                if asset == "P-2" && n > 1400 {
                    value *= 2.0;
                }
                let unit = if point == "vib" { "mm/s" } else { "Cel" };
                let asset = format!("\"{}\"", asset.replace('"', "\"\""));
                text += &format!("{},{asset},{point},{value},{unit}\n", 1_772_323_200 + n * 75);
            }
        }
    }
    text
}

#[test]
fn a_replay_is_the_same_whatever_the_threads_and_files() {
    let folder = tempfile::tempdir().unwrap();
    let text = plant();
    let whole = folder.path().join("whole.csv");
    std::fs::write(&whole, &text).unwrap();
    // The same readings in one file per asset; at the same time the files' order is that of the names in the whole.
    let head = text.lines().next().unwrap();
    let mut parts = Vec::new();
    for (place, asset) in ["\"fan \"\"A\"\"\"", "\"P-1\"", "\"P-2\"", "\"P-3\"", "\"x,y\""].iter().enumerate() {
        let of_asset = text.lines().filter(|line| line.contains(&format!(",{asset},")));
        let path = folder.path().join(format!("{place}.csv"));
        std::fs::write(&path, std::iter::once(head).chain(of_asset).map(|l| format!("{l}\n")).collect::<String>())
            .unwrap();
        parts.push(path);
    }
    let play = |name: &str, recordings: Vec<PathBuf>, threads: usize| {
        let out = folder.path().join(name);
        let config = settings(&["learn.run_time=12h"], None);
        roundsman::replay::run(&args(&out, recordings, threads), config).unwrap_or_else(|error| panic!("{error}"));
        written(&out)
    };
    let once = play("one", vec![whole.clone()], 1);
    assert_eq!(play("again", vec![whole.clone()], 1), once);
    assert_eq!(play("threads", vec![whole], 3), once);
    assert_eq!(play("parts", parts, 2), once);

    let scores = &once[2].1;
    let mut keys: Vec<(&str, &str)> = Vec::new();
    let mut reader = csv::Reader::from_reader(scores.as_bytes());
    assert_eq!(
        reader.headers().unwrap(),
        "time,asset,operating_state,deviation,zone,step,drift".split(',').collect::<Vec<_>>()
    );
    let records: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    keys.extend(records.iter().map(|record| (&record[0], &record[1])));
    assert!(keys.len() > 5 * 1700 && keys.is_sorted(), "{}", keys.len());
    assert!(records.iter().any(|record| &record[1] == "fan \"A\"") && records.iter().any(|r| &r[1] == "x,y"));
    let summary: serde_json::Value = serde_json::from_str(&once[3].1).unwrap();
    assert_eq!(summary["readings"], 18_000);
    assert_eq!(summary["assets"], 5);
    assert_eq!(summary["from"], "2026-03-01T00:00:00Z");
    assert_eq!(summary["scores"], keys.len());
    let alerts = &once[0].1;
    assert_eq!(summary["alert_documents"], alerts.lines().count());
    assert!(alerts.lines().any(|line| line.contains("\"asset\":\"P-2\"")), "{alerts}");
}

#[test]
fn recorded_messages_play_through_the_configured_topics() {
    let folder = tempfile::tempdir().unwrap();
    let config = settings(&[], Some("[[topics]]\npattern = \"plant/{area}/{asset}/{point}\"\npayload = \"number\"\n"));
    let out = folder.path().join("out");
    roundsman::replay::run(&args(&out, vec![fixture("mosquitto_sub.jsonl")], 1), config)
        .unwrap_or_else(|error| panic!("{error}"));
    let summary: serde_json::Value = serde_json::from_str(&written(&out)[3].1).unwrap();
    assert_eq!(summary["assets"], 1);
    // Every line counts once: 1 taken, and what is refused by its reason.
    assert_eq!(summary["readings"], 13);
    assert_eq!(summary["rejections"]["unmapped-topic"], 6);
    assert_eq!(summary["rejections"]["retained"], 1);
}

#[test]
fn a_unit_nobody_knows_is_refused_and_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("P-1.csv");
    std::fs::write(&path, "time,vib [mm/s],temp (housing)\n1772323200,1,50\n1772323260,1.1,51\n").unwrap();
    let out = folder.path().join("out");
    roundsman::replay::run(&args(&out, vec![path], 1), settings(&[], None)).unwrap();
    let summary: serde_json::Value = serde_json::from_str(&written(&out)[3].1).unwrap();
    assert_eq!(summary["rejections"]["bad-unit"], 2);
    assert_eq!(summary["notes"][0], "P-1: the point temp in `housing` is refused (bad-unit)");
}

#[test]
fn nothing_usable_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("P-1.csv");
    std::fs::write(&path, "time,vib\nnever,1\n").unwrap();
    let error = roundsman::replay::run(&args(&folder.path().join("out"), vec![path], 1), settings(&[], None))
        .expect_err("there is nothing to play");
    assert_eq!(error.fault(), roundsman::error::Fault::Data);
    assert!(error.to_string().contains("line 2, `never`"), "{error}");
}

fn seeds() -> Vec<Vec<u8>> {
    let mut seeds: Vec<Vec<u8>> = ["long-groups", "long-float", "long-epoch", "wide", "duckdb-long", "long-int96"]
        .iter()
        .map(|name| std::fs::read(fixture(&format!("{name}.parquet"))).unwrap())
        .collect();
    seeds.push(std::fs::read(fixture("mosquitto_sub.jsonl")).unwrap());
    seeds.push(b"time;a [rpm];b/c\n2026-03-01 00:00:00,5;1,5;\"x\"\n1772323200;2;3\n".to_vec());
    seeds.push(b"time,asset,point,value,unit,quality\n1772323200,a,b,1,mm/s,good\n".to_vec());
    seeds.push(zstd::encode_all(&b"time,a\n1,2\n"[..], 1).unwrap());
    seeds
}

fn swallow(bytes: Vec<u8>) {
    let decoder = || -> Option<Box<dyn Decode>> { Some(Box::new(Listener::default())) };
    let options = ReadOptions { batch: 16, ..ReadOptions::default() };
    if let Ok(recording) = open_bytes(Path::new("x"), bytes, &options, &decoder) {
        let _ = all(recording);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(2000) })]

    #[test]
    fn no_bytes_panic(start in 0usize..6, mut bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let magic: [&[u8]; 6] = [b"", b"time,a\n", b"{\"tst\":\"2026-01-01\",", b"PAR1", b"\x1f\x8b", b"\x28\xb5\x2f\xfd"];
        bytes.splice(0..0, magic[start].iter().copied());
        swallow(bytes);
    }

    #[test]
    fn no_damage_panics(seed in 0usize..10, damage in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6), cut in any::<prop::sample::Index>(), whole in any::<bool>()) {
        let mut bytes = seeds()[seed].clone();
        for (place, byte) in damage {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        if !whole {
            bytes.truncate(cut.index(bytes.len()));
        }
        swallow(bytes);
    }
}
