//! `roundsman evaluate` and `replay --sweep` as a person calls them, on cases small enough to be worked out by hand.

mod support;

use indicatif::ProgressBar;
use roundsman::acquire::recording::ReadOptions;
use roundsman::advise::document::{Alert, Change, Document, Finding, LifeState, Severity};
use roundsman::config::{Sources, from_text, zone_names};
use roundsman::engine::{Action, Command, Engine, Event, Output, Verdict};
use roundsman::replay::{Pace, Step, play, write};
use roundsman_models::EventTime;
use serde_json::Value;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::{Arc, Mutex};

fn hour(hour: f64) -> EventTime {
    let day: jiff::Timestamp = "2031-03-01T00:00:00Z".parse().expect("a time");
    EventTime(day.as_microsecond()).plus_secs(hour * 3600.0)
}

/// One transition of an alert.
fn said(id: &str, finding: Finding, change: Change, severity: Severity, at: f64, raised: f64) -> String {
    let asset = id.split('/').nth(1).expect("site/asset/finding/ordinal").to_owned();
    let alert = Alert {
        likely_fault: None,
        held_back: None,
        neighbours: Vec::new(),
        set_up: None,
        id: id.to_owned(),
        revision: 1,
        site: "s".into(),
        asset,
        finding,
        change,
        state: LifeState::Unacknowledged,
        severity,
        worst: severity,
        sensor_status: None,
        at: hour(at),
        raised_at: hour(raised),
        onset: None,
        operating_state: None,
        deviation: None,
        confidence: None,
        contributions: Vec::new(),
        remaining_life: None,
        message: format!("what was said by {id}"),
        by: None,
        note: None,
    };
    alert.to_json() + "\n"
}

fn zones(asset: &str, zones: &[&str]) -> Vec<(usize, String)> {
    zones.iter().enumerate().map(|(hour, zone)| (hour, format!("{asset},1,0.5,{zone},0,0"))).collect()
}

/// Twelve hours of a pump and a fan, a snapshot an hour.
///
/// Pump: `LL.||` learning and stopped, then 05 normal, 06 advisory, 07 08 normal, 09 advisory, 10 warning, 11 advisory.
/// Fan: normal throughout.
fn folder() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a folder");
    let pump = [
        "learning", "learning", "normal", "stopped", "settling", "normal", "advisory", "normal", "normal", "advisory",
        "warning", "advisory",
    ];
    let mut rows = zones("pump", &pump);
    rows.extend(zones("fan", &["normal"; 12]));
    rows.sort();
    let mut scores = String::from("time,asset,operating_state,deviation,zone,step,drift\n");
    for (hour, row) in rows {
        writeln!(scores, "2031-03-01T{hour:02}:00:00Z,{row}").expect("text");
    }
    let alerts = [
        said("s/fan/machine/1", Finding::Machine, Change::Raised, Severity::Advisory, 5.5, 5.5),
        said("s/pump/machine/1", Finding::Machine, Change::Raised, Severity::Advisory, 6.0, 6.0),
        said("s/fan/sensor:temp/1", Finding::Sensor("temp".into()), Change::Raised, Severity::Warning, 6.0, 6.0),
        said("s/pump/machine/1", Finding::Machine, Change::Returned, Severity::Advisory, 7.0, 6.0),
        said("s/pump/machine/2", Finding::Machine, Change::Raised, Severity::Advisory, 9.0, 9.0),
        said("s/pump/machine/2", Finding::Machine, Change::Escalated, Severity::Warning, 10.0, 9.0),
    ];
    let life = "time,asset,point,target,p10_hours,p50_hours,p90_hours\n\
                2031-03-01T07:00:00Z,pump,vib,alarm,1,1,1\n\
                2031-03-01T08:00:00Z,pump,temp,alarm,4,5,30\n\
                2031-03-01T08:00:00Z,pump,vib,alarm,6,9,20\n\
                2031-03-01T08:00:00Z,pump,vib,warning,1,1,1\n\
                2031-03-01T14:00:00Z,pump,vib,alarm,7,8,9\n";
    let write = |name: &str, text: &str| std::fs::write(dir.path().join(name), text).expect("it is written");
    write("scores.csv", &scores);
    write("alerts.jsonl", &alerts.concat());
    write("remaining-life.csv", life);
    dir
}

const LABELS: &str = "asset,start,end,kind,about,point,life_ends\n\
                      pump,2031-03-01T08:00:00Z,2031-03-01T10:00:00Z,wear,machine,vib,2031-03-01T20:00:00Z\n\
                      fan,2031-03-01T05:00:00Z,2031-03-01T06:00:00Z,stuck,sensor,temp,\n";

/// Runs `roundsman evaluate`; gives what it printed.
fn evaluate<A: AsRef<std::ffi::OsStr>>(args: impl IntoIterator<Item = A>) -> String {
    let done = support::roundsman().arg("evaluate").args(args).output().expect("it starts");
    assert!(done.status.success(), "evaluate failed: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).expect("text")
}

fn json(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).expect("it was written")).expect("JSON")
}

/// Documents are rounded to six digits.
#[track_caller]
fn close(value: &Value, want: f64) {
    let got = value.as_f64().unwrap_or_else(|| panic!("{value} is no number, want {want}"));
    assert!((got - want).abs() <= 1e-5 * want.abs().max(1e-6), "got {got}, want {want}");
}

/// While an asset is silent there are no snapshots of it: an alert about that is judged by its label all the same, and one of which
/// nobody knows whether it was right is not called false.
#[test]
fn an_alert_about_silence_needs_no_snapshots_to_be_judged() {
    let dir = folder();
    let silent = |asset: &str, from: f64| {
        said(&format!("s/{asset}/silence/1"), Finding::Silence, Change::Raised, Severity::Warning, from, from)
    };
    std::fs::write(dir.path().join("alerts.jsonl"), silent("fan", 13.0) + &silent("pump", 14.0)).expect("written");
    let labels = dir.path().join("labels.csv");
    let judged = |about: [&str; 2]| {
        let [fan, pump] = about;
        let rows = format!(
            "asset,start,end,kind,about\nfan,2031-03-01T13:00:00Z,2031-03-01T15:00:00Z,gateway,{fan}\n\
             pump,2031-03-01T13:00:00Z,2031-03-01T15:00:00Z,gateway,{pump}\n"
        );
        std::fs::write(&labels, rows).expect("written");
        let out = dir.path().join("judged.json");
        evaluate([Path::new("--labels"), &labels, Path::new("--out"), &out, dir.path()]);
        let judged = json(&out);
        let of = |key: &str| judged[key].as_array().expect("a list").len();
        (of("labels"), of("false_alerts"))
    };
    assert_eq!(judged(["silence", "unknown"]), (1, 0));
    assert_eq!(judged(["silence", "machine"]), (1, 1), "a label about the machine explains no silence");
}

/// By hand. Judged: pump 02 05 06 07 08 09 10 11 (abnormal: 08 09 10), fan all but 05 and 06, where its sensor was at fault.
/// From advisory on: TP 09 10; FP 06 11; FN 08; TN pump 02 05 07 and ten of the fan. From warning on: TP 10; FN 08 09.
/// Healthy: 15 snapshots an hour apart, 15 h.
///
/// Alerts: pump/1 (06:00) false; pump/2 finds the wear at 09:00 as an advisory, 1 h late, 11 h before the end, and at 10:00
/// as a warning; the fan's sensor is found at 06:00; the fan's machine alert at 05:30 is not about its sensor: false.
///
/// Remaining life at vib to the alarm limit, true end 20:00: at 08:00 12 h left, 6..9..20 holds, width 14/12, RA 1 − 3/12;
/// at 14:00 6 h left, 7..8..9 does not hold, width 2/6, RA 1 − 2/6. Half of the way from 08:00 is 14:00: not within 20 %.
#[test]
fn a_day_of_two_machines_by_hand() {
    let dir = folder();
    let labels = dir.path().join("labels.csv");
    std::fs::write(&labels, LABELS).expect("it is written");
    let text = evaluate(["--labels".as_ref(), labels.as_os_str(), dir.path().as_os_str()]);
    let got = json(&dir.path().join("evaluation.json"));
    assert_eq!(got["schema"], "roundsman.evaluation/1");
    let snapshots = &got["snapshots"];
    let counts = ["all", "judged", "learning", "stopped", "settling", "unscored", "sensor_at_fault"];
    assert_eq!(counts.map(|key| snapshots[key].as_u64().expect(key)), [24, 18, 2, 1, 1, 0, 2]);
    close(&got["healthy_machine_months"], 15.0 / 730.5);

    let advisory = &got["at_least"][0];
    let of = |level: &Value, keys: [&str; 4]| keys.map(|key| level["snapshots"][key].as_u64().expect(key));
    let cells = ["true_positive", "false_positive", "false_negative", "true_negative"];
    assert_eq!(of(advisory, cells), [2, 2, 1, 13]);
    close(&advisory["snapshots"]["precision"], 0.5);
    close(&advisory["snapshots"]["recall"], 2.0 / 3.0);
    close(&advisory["snapshots"]["f1"], 4.0 / 7.0);
    close(&advisory["snapshots"]["false_alarm_rate"], 2.0 / 15.0);
    close(&advisory["snapshots"]["missed_rate"], 1.0 / 3.0);
    let warning = &got["at_least"][1];
    assert_eq!(of(warning, cells), [1, 0, 2, 15]);
    assert_eq!(got["at_least"][2]["snapshots"]["precision"], Value::Null, "nothing was called alarm");

    let keys = ["labels", "found", "missed", "alerts", "false_alerts"];
    let episodes = |level: &Value| keys.map(|key| level["episodes"][key].as_u64().expect(key));
    assert_eq!(episodes(advisory), [2, 2, 0, 4, 2]);
    close(&advisory["episodes"]["false_per_machine_month"], 2.0 * 730.5 / 15.0);
    close(&advisory["episodes"]["delay_hours"]["worst"], 1.0);
    close(&advisory["episodes"]["lead_hours"]["median"], 11.0);
    assert_eq!(episodes(warning), [2, 2, 0, 2, 0]);
    close(&warning["episodes"]["delay_hours"]["median"], 1.5);
    close(&warning["episodes"]["lead_hours"]["worst"], 10.0);
    assert_eq!(episodes(&got["at_least"][2]), [2, 0, 2, 0, 0]);
    let false_ids: Vec<_> = got["false_alerts"].as_array().expect("a list").iter().map(|a| a["id"].clone()).collect();
    assert_eq!(false_ids, ["s/fan/machine/1", "s/pump/machine/1"]);

    let life = &got["labels"][0]["remaining_life"];
    assert_eq!(life["forecasts"], 2);
    close(&life["coverage"], 0.5);
    close(&life["mean_width"], (14.0 / 12.0 + 2.0 / 6.0) / 2.0);
    close(&life["within_factor_two"], 1.0);
    close(&life["within_alpha"], 0.0);
    close(&life["alpha_lambda"], 0.0);
    close(&life["relative_accuracy"], 2.0 / 3.0);
    close(&life["cumulative_relative_accuracy"], (0.75 + 2.0 / 3.0) / 2.0);
    close(&life["earliest_useful_hours"], 12.0);
    assert_eq!(got["labels"][1]["remaining_life"], Value::Null);
    close(&got["remaining_life"]["coverage"], 0.5);

    for part in ["2 learning, 1 stopped, 1 settling, 2 with a sensor", "2 of 2", "0.571", "13.3 %", "s/fan/machine/1"] {
        assert!(text.contains(part), "{part} in\n{text}");
    }
    // The heading has the paths.
    let longest = text.lines().skip(3).max_by_key(|line| line.chars().count()).unwrap_or_default();
    assert!(longest.chars().count() <= 100, "{longest}");
}

/// By hand: without a point the nearest forecast of all points counts, at 08:00 that of temp (5 h of 12: not within a factor
/// of two). An hour of grace makes the pump's false alert at 06:00 belong to a label that ended at 05:30.
#[test]
fn what_a_label_leaves_open_is_taken_widely() {
    let dir = folder();
    let labels = dir.path().join("labels.csv");
    let text = "asset,start,end,kind,life_ends\npump,2031-03-01 05:00,2031-03-01 05:30,short,2031-03-01 20:00\n\
                nobody,2031-03-01,,x,\n";
    std::fs::write(&labels, text).expect("it is written");
    let run = |grace: &str| {
        let out = dir.path().join("grace.json");
        let args = ["--labels".as_ref(), labels.as_os_str(), "--grace".as_ref(), grace.as_ref(), "--out".as_ref()];
        let printed = evaluate(args.into_iter().chain([out.as_os_str(), dir.path().as_os_str()]));
        assert!(printed.contains("1 of the labels (nobody)"), "{printed}");
        json(&out)
    };
    let got = run("0 s");
    assert_eq!(got["at_least"][0]["episodes"]["found"], 0);
    // At 07:00 13 h are left and vib says 1; at 08:00 temp says 5 of 12; at 14:00 vib says 8 of 6.
    close(&got["labels"][0]["remaining_life"]["within_factor_two"], 1.0 / 3.0);
    let got = run("1 h");
    assert_eq!(got["at_least"][0]["episodes"]["found"], 1);
}

/// By hand: of the pump from 06:00 to 07:00 nobody knows. Its two snapshots are not judged (one was a false advisory), its
/// alert is not false any more, and there is nothing in it to be found.
#[test]
fn what_nobody_knows_is_not_judged() {
    let dir = folder();
    let labels = dir.path().join("labels.csv");
    let unknown = "pump,2031-03-01T06:00:00Z,2031-03-01T07:00:00Z,nobody looked,unknown,,\n";
    std::fs::write(&labels, format!("{LABELS}{unknown}")).expect("it is written");
    evaluate(["--labels".as_ref(), labels.as_os_str(), dir.path().as_os_str()]);
    let got = json(&dir.path().join("evaluation.json"));
    assert_eq!((&got["snapshots"]["unknown"], &got["snapshots"]["judged"]), (&2.into(), &16.into()));
    let advisory = &got["at_least"][0];
    assert_eq!(advisory["snapshots"]["false_positive"], 1);
    assert_eq!((&advisory["episodes"]["labels"], &advisory["episodes"]["false_alerts"]), (&2.into(), &1.into()));
    close(&got["healthy_machine_months"], 13.0 / 730.5);
}

/// By hand. Rows 0..5 with a column that is 0 0 0 1 1 0; snapshots: learning, normal, settling, advisory, none, normal.
/// Judged by themselves: 1 3 5, all right. Judged from 1 h on: 1 to 5, where settling and no snapshot count as normal.
#[test]
fn a_column_of_the_recording_labels_its_rows() {
    let dir = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| std::fs::write(dir.path().join(name), text).expect("it is written");
    let mut recording = String::from("time,flow,bad\n");
    for (hour, bad) in [0, 0, 0, 1, 1, 0].iter().enumerate() {
        writeln!(recording, "2031-03-01T{hour:02}:00:00Z,{hour}.5,{bad}").expect("text");
    }
    write("rig.csv", &recording);
    let mut scores = String::from("time,asset,operating_state,deviation,zone,step,drift\n");
    for (hour, zone) in [(0, "learning"), (1, "normal"), (2, "settling"), (3, "advisory"), (5, "normal")] {
        writeln!(scores, "2031-03-01T{hour:02}:00:00Z,rig,1,0,{zone},0,0").expect("text");
    }
    write("scores.csv", &scores);
    write("alerts.jsonl", &said("s/rig/machine/1", Finding::Machine, Change::Raised, Severity::Advisory, 3.0, 3.0));
    write("remaining-life.csv", "time,asset,point,target,p10_hours,p50_hours,p90_hours\n");
    let recording = dir.path().join("rig.csv");
    let run = |more: &[&str]| {
        let paths = [dir.path().as_os_str(), recording.as_os_str()];
        evaluate(["--label-column", "bad"].iter().chain(more).map(AsRef::as_ref).chain(paths));
        let got = json(&dir.path().join("evaluation.json"));
        let counts = ["true_positive", "false_positive", "false_negative", "true_negative"]
            .map(|key| got["at_least"][0]["snapshots"][key].as_u64().expect(key));
        (counts, got)
    };
    let (counts, got) = run(&[]);
    assert_eq!(counts, [1, 0, 0, 2]);
    assert_eq!((&got["snapshots"]["unscored"], &got["snapshots"]["settling"]), (&1.into(), &1.into()));
    assert_eq!(got["at_least"][0]["episodes"]["found"], 1);
    let (counts, _) = run(&["--judge-from", "1 h"]);
    assert_eq!(counts, [1, 0, 1, 3]);
}

#[test]
fn two_results_are_shown_side_by_side() {
    let (one, two) = (folder(), folder());
    let alerts = [
        said("s/pump/machine/1", Finding::Machine, Change::Raised, Severity::Advisory, 8.5, 8.5),
        said("s/pump/machine/1", Finding::Machine, Change::Escalated, Severity::Alarm, 11.0, 8.5),
    ];
    std::fs::write(two.path().join("alerts.jsonl"), alerts.concat()).expect("it is written");
    let labels = one.path().join("labels.csv");
    std::fs::write(&labels, LABELS).expect("it is written");
    let args = ["--labels".as_ref(), labels.as_os_str(), one.path().as_os_str(), "--against".as_ref()];
    let text = evaluate(args.into_iter().chain([two.path().as_os_str()]));
    let got = json(&one.path().join("comparison.json"));
    let found = |which: &str| got[which]["at_least"][0]["episodes"]["found"].as_u64();
    assert_eq!((found("first"), found("second")), (Some(2), Some(1)));
    let alerts = &got["alerts"];
    assert_eq!(alerts["same"], 0);
    // The pump's second alert is the other run's first: half an hour sooner, and worse.
    assert_eq!(alerts["changed"][0]["first"]["id"], "s/pump/machine/2");
    assert_eq!(alerts["changed"][0]["second"]["id"], "s/pump/machine/1");
    let only: Vec<_> = alerts["only_first"].as_array().expect("a list").iter().map(|a| a["id"].clone()).collect();
    assert_eq!(only, ["s/fan/machine/1", "s/fan/sensor:temp/1", "s/pump/machine/1"]);
    assert_eq!(alerts["only_second"], Value::Array(Vec::new()));
    assert!(text.contains("30 min sooner, warning → alarm"), "{text}");
    // Without labels the alerts are compared all the same.
    let args = [one.path().as_os_str(), "--against".as_ref(), two.path().as_os_str()];
    assert!(evaluate(args).contains("0 the same, 1 changed, 3 only in 1, 0 only in 2"));
}

#[test]
fn what_cannot_be_used_is_named() {
    let dir = folder();
    let refused = |args: &[&std::ffi::OsStr], code: i32, parts: &[&str]| {
        let done = support::roundsman().arg("evaluate").args(args).output().expect("it starts");
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        assert_eq!(done.status.code(), Some(code), "{said}");
        for part in parts {
            assert!(said.contains(part), "{part} in {said}");
        }
    };
    let dir_name = dir.path().as_os_str();
    refused(&[dir_name], 64, &["--labels", "--against"]);
    refused(&["--label-column".as_ref(), "bad".as_ref(), dir_name], 64, &["recordings"]);
    let labels = dir.path().join("labels.csv");
    std::fs::write(&labels, "asset,start,end,kind\npump,yesterday,,x\n").expect("it is written");
    let with_labels = ["--labels".as_ref(), labels.as_os_str(), dir_name];
    refused(&with_labels, 65, &["line 2", "`start` must be a time", "yesterday"]);
    std::fs::write(&labels, LABELS).expect("it is written");
    std::fs::write(dir.path().join("alerts.jsonl"), "{}\n").expect("it is written");
    refused(&with_labels, 65, &["alerts.jsonl, line 1"]);
    std::fs::remove_file(dir.path().join("alerts.jsonl")).expect("it is there");
    refused(&with_labels, 74, &["alerts.jsonl", "roundsman replay --out"]);
}

/// Every combination is what a replay of its own gives, to the byte; the table, the CSV and the plot have all of them.
#[test]
fn a_sweep_is_its_replays() {
    let out = tempfile::tempdir().expect("a folder");
    let (config, recording, labels) = (
        support::quillhaven("roundsman.toml"),
        support::quillhaven("readings.parquet"),
        support::quillhaven("labels.csv"),
    );
    let swept = support::roundsman()
        .args(["replay", "--threads", "2", "--sweep", "detect.advisory_sigmas=4.5,5.5", "--labels"])
        .args([labels.as_os_str(), "--config".as_ref(), config.as_os_str(), "--out".as_ref(), out.path().as_os_str()])
        .arg(&recording)
        .output()
        .expect("it starts");
    assert!(swept.status.success(), "{}", String::from_utf8_lossy(&swept.stderr));
    let alone = tempfile::tempdir().expect("a folder");
    let set = ["--set".as_ref(), "detect.advisory_sigmas=5.5".as_ref(), "--config".as_ref()];
    support::replay(alone.path(), set.into_iter().chain([config.as_os_str(), recording.as_os_str()]));
    for name in ["alerts.jsonl", "scores.csv", "remaining-life.csv"] {
        let read = |dir: &Path| std::fs::read(dir.join(name)).expect("it was written");
        assert!(read(alone.path()) == read(&out.path().join("02")), "{name} differs");
    }
    let mut csv = csv::Reader::from_path(out.path().join("sweep.csv")).expect("sweep.csv");
    let header = csv.headers().expect("a header").clone();
    let rows: Vec<_> = csv.records().map(|row| row.expect("a row")).collect();
    assert_eq!(rows.len(), 2);
    let place = |name: &str| header.iter().position(|column| column == name).expect(name);
    assert_eq!([0, 1].map(|row: usize| rows[row][place("detect.advisory_sigmas")].to_owned()), ["4.5", "5.5"]);
    // The same labels and results through `evaluate`.
    evaluate(["--labels".as_ref(), labels.as_os_str(), alone.path().as_os_str()]);
    let got = json(&alone.path().join("evaluation.json"));
    let found = got["at_least"][0]["episodes"]["found"].as_u64().expect("a count");
    assert_eq!(rows[1][place("advisory_found")], found.to_string());
    assert_eq!(rows[1][place("labels")], got["labels"].as_array().expect("a list").len().to_string());
    close(&got["at_least"][0]["snapshots"]["f1"], rows[1][place("f1")].parse().expect("a number"));
    let table = String::from_utf8(swept.stdout).expect("text");
    assert!(table.contains("advisory_sigmas") && table.contains(&format!("{found} of")), "{table}");
    let svg = std::fs::read_to_string(out.path().join("sweep.svg")).expect("a plot");
    assert!(svg.contains("advisory_sigmas 4.5") && svg.ends_with("</svg>\n"));
}

#[test]
fn a_sweep_that_cannot_be_is_refused_before_anything_is_played() {
    for (sweep, code, part) in [
        ("detect.advisory_sigmas", 64, "KEY=A,B,C"),
        ("detect.advisory_sigmas=5,5", 64, "twice"),
        ("detect.advisory_sigmas=5,nonsense", 78, "detect.advisory_sigmas"),
    ] {
        let out = tempfile::tempdir().expect("a folder");
        let done = support::roundsman()
            .args(["replay", "--sweep", sweep, "--out"])
            .arg(out.path().join("found"))
            .arg(support::quillhaven("readings.parquet"))
            .output()
            .expect("it starts");
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        assert_eq!(done.status.code(), Some(code), "{said}");
        assert!(said.contains(part), "{part} in {said}");
        assert!(!out.path().join("found").exists(), "{sweep}");
    }
}

/// An engine beside which somebody looks at every new alert at once and says what was found; then at one never given.
struct Looking {
    engine: Engine,
    answers: Arc<Mutex<Vec<(String, bool)>>>,
}

impl Step for Looking {
    fn step(&mut self, event: &Event, out: &mut Vec<Output>) {
        let before = out.len();
        self.engine.step(event, out);
        let raised: Vec<_> = out[before..]
            .iter()
            .filter_map(|output| match output {
                Output::Alert(asset, alert) if alert.revision == 1 => Some((*asset, alert.at, alert.id.clone())),
                _ => None,
            })
            .collect();
        for (asset, at, alert) in raised {
            for alert in [alert.clone(), format!("{alert}0"), alert.replace("quillhaven/", "elsewhere/")] {
                let action = Action::Finding { alert: alert.clone(), verdict: Verdict::Confirmed, kind: None };
                let command = Command { by: "tester".into(), note: None, reply_to: None, action };
                let mut said = Vec::new();
                self.engine.step(&Event::Command(asset, at, command), &mut said);
                // A confirmed finding also keeps the life as a past case.
                let kept = said.extract_if(.., |output| matches!(output, Output::Ended(..))).count();
                let [Output::Answered(.., outcome)] = said.as_slice() else {
                    panic!("one answer and no more: {said:?}")
                };
                assert!(outcome.is_ok() || kept == 0, "nothing is kept of what was refused");
                self.answers.lock().expect("no panic").push((alert, outcome.is_ok()));
            }
        }
    }
}

/// A finding is taken for alerts that were given, and for no others; it changes nothing of what is said afterwards.
#[test]
fn a_finding_is_taken_and_changes_nothing() {
    let sources = Sources { zones: zone_names(), ..Sources::default() };
    let text = std::fs::read_to_string(support::quillhaven("roundsman.toml")).expect("the configuration");
    let config = from_text(Some(&text), &sources).expect("no faults");
    let recording = [support::quillhaven("readings.parquet")];
    let played = |look: bool| {
        let out = tempfile::tempdir().expect("a folder");
        let options = ReadOptions { spill_dir: out.path().to_owned(), ..ReadOptions::default() };
        let (pace, bar) = (Pace { secs_per_sec: None, threads: 1 }, ProgressBar::hidden());
        let answers = Arc::default();
        let engine = || Engine::new(&config.site.name, false);
        let (results, summary) = match look {
            true => play(&recording, &options, &config, &pace, &bar, || Looking {
                engine: engine(),
                answers: Arc::clone(&answers),
            }),
            false => play(&recording, &options, &config, &pace, &bar, engine),
        }
        .expect("it plays");
        write(out.path(), results, summary).expect("it is written");
        let alerts = std::fs::read_to_string(out.path().join("alerts.jsonl")).expect("alerts");
        let answers = answers.lock().expect("no panic").clone();
        (alerts, answers)
    };
    let (with, answers) = played(true);
    let (without, _) = played(false);
    assert!(with == without, "the alerts differ");
    assert!(answers.len() >= 15, "{answers:?}");
    for three in answers.chunks(3) {
        let taken: Vec<bool> = three.iter().map(|(_, taken)| *taken).collect();
        assert_eq!(taken, [true, false, false], "{three:?}");
    }
}
