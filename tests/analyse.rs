//! `roundsman analyse` from files to files: single waveforms of every kind, and a whole folder.

use clap::Parser;
use roundsman::analyse;
use roundsman::cli::{Cli, Command};
use roundsman::error::Error;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::path::{Path, PathBuf};

const RATE: usize = 12_000;
const SHAFT_HZ: f64 = 24.7;

fn args(line: &[&str]) -> analyse::AnalyseArgs {
    let line: Vec<&str> = ["roundsman", "analyse"].into_iter().chain(line.iter().copied()).collect();
    match Cli::try_parse_from(line).unwrap_or_else(|error| panic!("{error}")).command {
        Command::Analyse(args) => args,
        other => panic!("{other:?}"),
    }
}

fn run(line: &[&str]) -> Result<String, Error> {
    let mut out = Vec::new();
    analyse::run(&args(line), &mut out)?;
    Ok(String::from_utf8(out).expect("text"))
}

/// Impacts at `order` × shaft speed, each a little early or late, ringing at 3.1 kHz, in noise (g). Simulated.
fn impacts(order: f64) -> Vec<f64> {
    let mut state = 7_u64;
    let mut noise = move || {
        // Twelve uniform numbers less six are normal enough.
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        (0..12).map(|_| uniform()).sum::<f64>() - 6.0
    };
    let mut samples: Vec<f64> = (0..4 * RATE).map(|_| 0.2 * noise()).collect();
    let mut at = 0.01;
    while at < 4.0 {
        let start = (at * RATE as f64).ceil() as usize;
        for (n, x) in samples.iter_mut().enumerate().skip(start).take(120) {
            let since = n as f64 / RATE as f64 - at;
            *x += 2.0 * (-since / 0.0008).exp() * (TAU * 3100.0 * since).sin();
        }
        at += (1.0 + 0.005 * noise()) / (order * SHAFT_HZ);
    }
    samples
}

fn raw(samples: &[f64], scale: f64) -> Vec<u8> {
    samples.iter().flat_map(|x| ((x / scale).round() as i16).to_le_bytes()).collect()
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a path in UTF-8")
}

/// 11 elements of 12 on 70: BPFO 4.557, BPFI 6.443.
const BEARING: &str = "11,12,70";
const BPFO: f64 = 11.0 * 0.5 * (1.0 - 12.0 / 70.0);
const BPFI: f64 = 11.0 * 0.5 * (1.0 + 12.0 / 70.0);

#[test]
fn one_raw_file_with_its_report_and_plot() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("pump 7.i16");
    std::fs::write(&file, raw(&impacts(BPFI), 0.001)).unwrap();
    let out = dir.path().join("found");
    let said = run(&[
        text(&file),
        "--rate",
        "12000",
        "--scale",
        "0.001",
        "--speed",
        "1480",
        "--bearing",
        BEARING,
        "--out",
        text(&out),
    ])
    .unwrap_or_else(|error| panic!("{error}"));
    for wanted in ["pump 7: inner", "likely: bearing defect, inner race", "usual checks", "given", "mm/s"] {
        assert!(said.contains(wanted), "{wanted:?} is missing in\n{said}");
    }
    let json: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(out.join("pump_7.json")).unwrap()).unwrap();
    assert_eq!(json["word"], "inner");
    assert_eq!(json["likely"]["answer"]["likely"], "bearing_inner");
    let line = &json["bearing"]["families"][0]["lines"][0];
    for field in ["order", "hz", "amplitude", "floor", "db"] {
        assert!(line[field].is_number(), "{field} in {line}");
    }
    let svg = std::fs::read_to_string(out.join("pump_7.svg")).unwrap();
    assert!(svg.starts_with("<svg") && svg.contains("BPFI") && svg.trim_end().ends_with("</svg>"));
    assert!(!svg.contains("NaN") && !svg.contains("inf"), "a number that is none");
}

#[test]
fn a_message_in_a_file_carries_its_own_speed() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("capture.json");
    let samples = impacts(BPFO);
    let rpm = 60.0 * SHAFT_HZ;
    let message =
        serde_json::json!({"rate_hz": 12000, "unit": "g", "rpm": rpm, "axis": "vertical", "samples": samples});
    std::fs::write(&file, message.to_string()).unwrap();
    let said = run(&[text(&file), "--bearing", BEARING, "--json"]).unwrap_or_else(|error| panic!("{error}"));
    let json: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!(json[0]["word"], "outer");
    assert_eq!(json[0]["speed"]["source"], "message");
}

#[test]
fn what_cannot_be_diagnosed_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, samples: &[f64]| {
        let path = dir.path().join(name);
        std::fs::write(&path, raw(samples, 0.001)).unwrap();
        path
    };
    let good = impacts(BPFO);
    let flat = write("flat.i16", &vec![0.0; 24_000]);
    let clipped: Vec<f64> = good.iter().map(|x| x.clamp(-0.25, 0.25)).collect();
    let clipped = write("clipped.i16", &clipped);
    let mut cut = good.clone();
    cut[20_000..].fill(0.0);
    let cut = write("cut.i16", &cut);
    for (file, why) in [(&flat, "flat"), (&clipped, "clipped"), (&cut, "truncated")] {
        let line = [text(file), "--rate", "12000", "--scale", "0.001", "--speed", "1482", "--bearing", BEARING];
        let said = run(&line).unwrap_or_else(|error| panic!("{error}"));
        assert!(said.contains("unusable") && said.contains(why) && !said.contains("likely"), "{why}:\n{said}");
    }
    let sound = write("sound.i16", &good);
    let said = run(&[text(&sound), "--rate", "12000", "--scale", "0.001"]).unwrap_or_else(|error| panic!("{error}"));
    assert!(said.contains("no shaft speed"), "{said}");
}

#[test]
fn wrong_arguments_and_files_say_whose_fault_it_is() {
    let code = |line: &[&str]| run(line).expect_err("refused").fault().code();
    assert_eq!(code(&["no-such-file.wav"]), 65);
    assert_eq!(code(&["x.i16", "--bearing", "9,80,40"]), 64);
    let dir = tempfile::tempdir().unwrap();
    let index = dir.path().join("index.csv");
    std::fs::write(&index, "record,rpm\n1,1480\n").unwrap();
    let out = dir.path().join("out");
    assert_eq!(code(&["--index", text(&index), "--out", text(&out)]), 65);
    std::fs::write(&index, "record,rpm,file\n1,fast,a.i16\n").unwrap();
    assert_eq!(code(&["--index", text(&index), "--out", text(&out)]), 65);
    let parse = |line: &[&str]| Cli::try_parse_from([&["roundsman", "analyse"], line].concat()).is_err();
    assert!(parse(&[]) && parse(&["a.wav", "--speed", "NaN"]) && parse(&["--index", "i.csv"]));
}

#[test]
fn a_folder_by_its_index() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("a.i16"), raw(&impacts(BPFO), 0.001)).unwrap();
    std::fs::write(dir.path().join("b.i16"), raw(&impacts(BPFI), 0.001)).unwrap();
    let index = dir.path().join("index.csv");
    // What the index says of the fault is wrong on purpose: it must not be looked at.
    std::fs::write(
        &index,
        "record,fault,rpm,fs_hz,file,scale_g\n1,normal,1480,12000,a.i16,0.001\n2,normal,1480,12000,b.i16,0.001\n",
    )
    .unwrap();
    let out = dir.path().join("found");
    run(&["--index", text(&index), "--bearing", BEARING, "--out", text(&out)])
        .unwrap_or_else(|error| panic!("{error}"));
    let csv = std::fs::read_to_string(out.join("diagnosis.csv")).unwrap();
    let lines: Vec<&str> = csv.lines().collect();
    assert_eq!(lines.first(), Some(&"record,diagnosis,confidence"));
    assert!(lines[1].starts_with("1,outer,0.") && lines[2].starts_with("2,inner,0."), "{csv}");
    assert!(out.join("1.svg").exists() && out.join("2.json").exists());
}

/// Source: public records of the CWRU Bearing Data Center at `../shared/data/cwru`; see `models/tests/cwru.rs`.
#[test]
fn the_rig_of_the_public_records() {
    let shared = std::env::var_os("ROUNDSMAN_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data"), PathBuf::from);
    let dir = shared.join("cwru");
    let (index, bearing) = (dir.join("index.csv"), dir.join("bearing.json"));
    if !index.exists() {
        eprintln!(
            "\n*** SKIPPED: {} is not there. The records are public: CWRU Bearing Data Center, 12k drive-end and fan-end \
             sets, 0 and 1 hp; or set ROUNDSMAN_SHARED. ***\n",
            index.display()
        );
        return;
    }
    let temp = tempfile::tempdir().unwrap();
    for extra in [&[][..], &["--speed", "1750"]] {
        let line =
            [&["--index", text(&index), "--bearing", text(&bearing), "--out", text(temp.path())], extra].concat();
        let table = run(&line).unwrap_or_else(|error| panic!("{error}"));
        println!("{table}");
        let read = |path: &Path, column: usize| -> BTreeMap<String, String> {
            let text = std::fs::read_to_string(path).unwrap();
            let cells = text.lines().skip(1).map(|l| l.split(',').map(str::to_owned).collect::<Vec<_>>());
            cells.map(|c| (c[0].clone(), c[column].clone())).collect()
        };
        let (truth, said) = (read(&index, 3), read(&temp.path().join("diagnosis.csv"), 1));
        assert_eq!(truth.len(), said.len());
        let right =
            |faults: &[&str]| truth.iter().filter(|(k, v)| faults.contains(&v.as_str()) && said[*k] == **v).count();
        let race_on_sound =
            truth.iter().filter(|(k, v)| *v == "other" && ["outer", "inner"].contains(&said[*k].as_str())).count();
        let (three, four) = (right(&["normal", "outer", "inner"]), right(&["normal", "outer", "inner", "ball"]));
        println!(
            "normal/outer/inner {three}/24, with ball {four}/32, race named on a sound bearing {race_on_sound}/23\n"
        );
        assert!(three >= 20 && four >= 26 && race_on_sound == 0 && right(&["normal"]) == 2);
    }
}

/// Three directions of one place with a reference: what only axial shows is heard, and the rating life is there.
/// L10h for C/P = 4 at 1482 r/min: 64 million turns, 10⁶ · 64 / (60 · 1482) h, worked out by hand (ISO 281).
#[test]
fn three_directions_together_against_their_reference() {
    let dir = tempfile::tempdir().unwrap();
    let sine = |parts: &[(f64, f64)], seed: u64| {
        let mut state = seed;
        let mut noise = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5) * 0.02
        };
        (0..4 * RATE)
            .map(|n| {
                let lines = parts.iter().map(|(order, mm_s)| {
                    let hz = order * SHAFT_HZ;
                    TAU * hz * mm_s / 9806.65 * (TAU * hz * n as f64 / RATE as f64).sin()
                });
                lines.sum::<f64>() + noise()
            })
            .collect::<Vec<f64>>()
    };
    let quiet = [(1.0, 0.8), (2.0, 0.2)];
    let radial = [(1.0, 2.0), (2.0, 1.0)];
    let axial = [(1.0, 6.0), (2.0, 5.0), (3.0, 2.0)];
    for (name, parts) in
        [("h0", &quiet[..]), ("v0", &quiet), ("a0", &quiet), ("h", &radial), ("v", &radial), ("a", &axial)]
    {
        std::fs::write(dir.path().join(format!("{name}.i16")), raw(&sine(parts, name.len() as u64 + 5), 0.001))
            .unwrap();
    }
    let path = |name: &str| dir.path().join(format!("{name}.i16")).to_str().unwrap().to_owned();
    let out = dir.path().join("found");
    let [h, v, a, h0, v0, a0] = ["h", "v", "a", "h0", "v0", "a0"].map(path);
    let said = run(&[
        &h,
        &v,
        &a,
        "--axis",
        "h,v,a",
        "--together",
        "--reference",
        &h0,
        &v0,
        &a0,
        "--rate",
        "12000",
        "--scale",
        "0.001",
        "--speed",
        "1482",
        "--bearing",
        BEARING,
        "--rating",
        "40,10",
        "--out",
        text(&out),
        "--png",
    ])
    .unwrap();
    println!("{said}");
    assert!(said.contains("likely: misalignment, angular"), "{said}");
    assert!(said.contains(&format!("L10h {:.0} h", 64e6 / (60.0 * 1482.0))), "{said}");
    let png = std::fs::read(out.join("h.png")).unwrap();
    assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n");
    let alone = run(&[&h, "--rate", "12000", "--scale", "0.001", "--speed", "1482"]).unwrap();
    assert!(!alone.contains("misalignment, angular"), "one direction cannot show it: {alone}");
}
