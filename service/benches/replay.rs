//! A recording from end to end, readings per second: decoding alone, all but the engine, and the whole.
//!
//! ```text
//! cargo bench -p roundsman --bench replay -- [--assets 1000] [--snapshots 1000] [--threads 1] [--file FILE]
//! ```
//!
//! The file is made with a fixed seed, or taken if it is there: `tests/compare_duckdb.py FILE` times a database on the
//! same one. Not divan: a run takes seconds, wants its size from the command line and is told by readings, not by calls.

use indicatif::ProgressBar;
use parquet::basic::Compression;
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use roundsman::acquire::recording::{Merge, Progress, ReadOptions, open};
use roundsman::config::{self, Checked, Sources};
use roundsman::engine::{Engine, Event, Output};
use roundsman::replay::{Pace, Step, play, write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

/// A thousand machines, as in the target the project has set itself.
const ASSETS: usize = 1000;
/// Of five minutes: three days and a half, so that most of it is after the 25 h a baseline is learned on.
const SNAPSHOTS: usize = 1000;
/// As a motor-driven pump has them, with units as they are typed.
const POINTS: [(&str, &str); 6] = [
    ("speed", "rpm"),
    ("current", "A"),
    ("vib-de", "mm/s"),
    ("vib-nde", "mm/s"),
    ("temp-de", "°C"),
    ("temp-nde", "°C"),
];
/// 2026-03-01T00:00:00Z.
const START_US: i64 = 1_772_323_200_000_000;
const CADENCE_US: i64 = 300_000_000;

fn main() {
    // `cargo test` runs the benches too, without this argument, so that they keep working: small, and nothing is claimed.
    let (mut assets, mut snapshots) =
        if std::env::args().any(|arg| arg == "--bench") { (ASSETS, SNAPSHOTS) } else { (4, 30) };
    let mut threads = 1;
    let mut file = None;
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        let mut number = || args.next().and_then(|text| text.parse().ok()).expect("a number follows");
        match arg.as_str() {
            "--assets" => assets = number(),
            "--snapshots" => snapshots = number(),
            "--threads" => threads = number(),
            "--file" => file = Some(PathBuf::from(args.next().expect("a path follows"))),
            _ => {}
        }
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = file.unwrap_or_else(|| folder.path().join("plant.parquet"));
    if !path.exists() {
        make(&path, assets, snapshots);
    }
    let size = std::fs::metadata(&path).expect("the file is there").len();
    println!("{}: {:.1} MB", path.display(), size as f64 / 1e6);

    for _ in 0..3 {
        let began = Spent::now();
        began.say("decode", decode(&path));
    }
    let config = settings();
    let out = folder.path().join("out");
    std::fs::create_dir_all(&out).expect("a folder for the results");
    let options = ReadOptions { spill_dir: out.clone(), ..ReadOptions::default() };
    let pace = Pace { secs_per_sec: None, threads };
    let recordings = [path];

    let began = Spent::now();
    let (_, summary) =
        play(&recordings, &options, &config, &pace, &ProgressBar::hidden(), || Nobody).expect("it plays");
    began.say("all but the engine", summary.readings);

    let began = Spent::now();
    let (results, summary) =
        play(&recordings, &options, &config, &pace, &ProgressBar::hidden(), || Engine::new("bench", false))
            .expect("it plays");
    began.say(&format!("with the engine, {threads} thread(s)"), summary.readings);
    let written = Instant::now();
    let summary = write(&out, results, summary).expect("the results are written");
    println!(
        "{} score rows, {} alert documents sorted and written in {:.2} s; refused {:?}",
        summary.scores,
        summary.alert_documents,
        written.elapsed().as_secs_f64(),
        summary.rejections
    );
    began.say("to the last byte written", summary.readings);
    if let Some(peak) = peak_memory() {
        println!("peak memory {peak}");
    }
}

/// An engine that says nothing: what is left is reading, naming, converting and the clock.
struct Nobody;

impl Step for Nobody {
    fn step(&mut self, event: &Event, _: &mut Vec<Output>) {
        std::hint::black_box(event);
    }
}

/// Time by the clock and of the processor. On a machine that has other things to do only the second says what one core
/// would manage.
struct Spent(Instant, Option<f64>);

impl Spent {
    fn now() -> Self {
        Self(Instant::now(), processor_secs())
    }

    fn say(&self, what: &str, readings: u64) {
        let rate = |secs: f64| readings as f64 / secs.max(1e-9) / 1e6;
        let wall = self.0.elapsed().as_secs_f64();
        print!("{what:<28} {readings:>10} readings {wall:>7.2} s {:>6.2} M/s", rate(wall));
        let processor = self.1.zip(processor_secs()).map(|(before, now)| now - before);
        match processor {
            // Less is only the grain of the count.
            Some(secs) if secs > 0.1 => println!("  processor {secs:>6.2} s {:>6.2} M/s", rate(secs)),
            _ => println!(),
        }
    }
}

/// Processor time of all threads so far, as Linux counts it, in hundredths of a second; nothing elsewhere.
fn processor_secs() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    // The name in parentheses may hold anything; user and system time are the 12th and 13th field after it.
    let mut fields = stat.rsplit_once(')')?.1.split_ascii_whitespace().skip(11);
    let mut ticks = || fields.next()?.parse::<f64>().ok();
    Some((ticks()? + ticks()?) / 100.0)
}

fn decode(path: &Path) -> u64 {
    let recording =
        open(path, &ReadOptions::default(), 1, &|| None, &Progress::default()).expect("the file is a recording");
    let mut merge = Merge::new(vec![recording]);
    let (mut readings, mut sum) = (0, 0.0);
    while let Some(run) = merge.next_run().expect("the file is whole") {
        readings += run.readings.len() as u64;
        sum += run.readings.iter().map(|raw| raw.value).sum::<f64>();
    }
    std::hint::black_box(sum);
    readings
}

fn settings() -> Checked {
    let sources = Sources { file: None, env: Vec::new(), set: &[], zones: config::zone_names(), needs_broker: false };
    config::from_text(None, &sources).expect("the defaults are sound")
}

/// Sequence of the 64-bit mixer used to seed xoshiro (Steele, Lea & Flood 2014; constants from memory): enough for noise.
struct Noise(u64);

impl Noise {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Nearly normal, standard deviation 1: the sum of twelve.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// The values of one machine at one time: two loads, vibration and temperature following it, a fifth of the machines
/// with a slow rise of vibration.
fn machine(asset: usize, snapshot: usize, noise: &mut Noise) -> [f64; POINTS.len()] {
    let load = if (snapshot / 40 + asset).is_multiple_of(3) { 0.6 } else { 1.0 };
    let wear = if asset.is_multiple_of(5) { snapshot as f64 * 1e-3 } else { 0.0 };
    let speed = 1480.0 - 20.0 * load + noise.normal();
    let current = 40.0 + 60.0 * load + noise.normal();
    let day = (snapshot as f64 / 288.0 * std::f64::consts::TAU).sin();
    [
        speed,
        current,
        1.2 + 0.8 * load + wear + 0.05 * noise.normal(),
        1.0 + 0.6 * load + 0.5 * wear + 0.05 * noise.normal(),
        45.0 + 12.0 * load + 3.0 * day + 0.4 * noise.normal(),
        42.0 + 10.0 * load + 3.0 * day + 0.4 * noise.normal(),
    ]
}

/// Long, sorted by time, asset and point, a row group of about a million rows, Snappy: what a data frame saves.
fn make(path: &Path, assets: usize, snapshots: usize) {
    let schema = "message recording {
        required int64 time (timestamp(micros,true));
        required binary asset (string);
        required binary point (string);
        required binary unit (string);
        required double value;
    }";
    let schema = Arc::new(parse_message_type(schema).expect("the schema is sound"));
    let properties = Arc::new(WriterProperties::builder().set_compression(Compression::SNAPPY).build());
    let file = std::fs::File::create(path).expect("the file can be made");
    let mut writer = SerializedFileWriter::new(file, schema, properties).expect("the file can be written");
    let names: Vec<ByteArray> = (0..assets).map(|n| ByteArray::from(format!("P-{n:04}").into_bytes())).collect();
    let point = |place: usize, unit: bool| {
        let (point, of) = POINTS[place];
        ByteArray::from(if unit { of } else { point })
    };
    let mut noise = Noise(2026);
    let at_once = (1_000_000 / (assets * POINTS.len()).max(1)).clamp(1, snapshots);
    for first in (0..snapshots).step_by(at_once) {
        let rows = (first..(first + at_once).min(snapshots))
            .flat_map(|s| (0..assets).flat_map(move |a| (0..POINTS.len()).map(move |p| (s, a, p))));
        let values: Vec<f64> = (first..(first + at_once).min(snapshots))
            .flat_map(|s| (0..assets).map(move |a| (s, a)))
            .flat_map(|(s, a)| machine(a, s, &mut noise))
            .collect();
        let mut group = writer.next_row_group().expect("a row group");
        let mut place = 0;
        while let Some(mut column) = group.next_column().expect("a column") {
            match column.untyped() {
                ColumnWriter::Int64ColumnWriter(column) => {
                    let times: Vec<i64> = rows.clone().map(|(s, _, _)| START_US + s as i64 * CADENCE_US).collect();
                    column.write_batch(&times, None, None).expect("written");
                }
                ColumnWriter::DoubleColumnWriter(column) => {
                    column.write_batch(&values, None, None).expect("written");
                }
                ColumnWriter::ByteArrayColumnWriter(column) => {
                    let texts: Vec<ByteArray> = rows
                        .clone()
                        .map(|(_, a, p)| if place == 1 { names[a].clone() } else { point(p, place == 3) })
                        .collect();
                    column.write_batch(&texts, None, None).expect("written");
                }
                _ => unreachable!("the schema has no other type"),
            }
            column.close().expect("written");
            place += 1;
        }
        group.close().expect("written");
    }
    writer.close().expect("written");
}

/// As Linux counts it for this process; nothing elsewhere.
fn peak_memory() -> Option<String> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    Some(status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?.trim().to_owned())
}
