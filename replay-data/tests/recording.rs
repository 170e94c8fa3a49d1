//! What every recording must be, judged from the outside by its rows and its truth file.

use std::collections::BTreeMap;

use roundsman_replay_data::about::About;
use roundsman_replay_data::{Options, PlanChoice, Recording, Refused, Row, START_SECS, messages, simulate, write};

const DAY: i64 = 86_400;

fn recording(seed: u64, days: u32, plan: PlanChoice) -> Recording {
    simulate(&Options { seed, days, cadence_secs: 300, plan }, |_| {}).expect("the options are in range")
}

fn secs(stamp: &str) -> i64 {
    stamp.parse::<jiff::Timestamp>().expect("truth times are RFC 3339").as_second() - START_SECS
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Rows by (asset, point), in order of time.
fn series(recording: &Recording) -> BTreeMap<(u16, u16), Vec<Row>> {
    let mut series: BTreeMap<_, Vec<Row>> = BTreeMap::new();
    for row in &recording.rows {
        series.entry((row.asset, row.point)).or_default().push(*row);
    }
    series
}

#[test]
fn same_arguments_give_the_same_bytes_and_another_seed_others() {
    let bytes = |recording: &Recording| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        write::folder(recording, folder.path()).expect("it can be written");
        [write::READINGS_FILE, write::ABOUT_FILE, write::LABELS_FILE, write::CONFIG_FILE]
            .map(|name| std::fs::read(folder.path().join(name)).expect("it was written"))
    };
    let first = bytes(&recording(5, 3, PlanChoice::None));
    assert!(first == bytes(&recording(5, 3, PlanChoice::None)), "two runs differ");
    assert!(first != bytes(&recording(6, 3, PlanChoice::None)), "the seed changes nothing");
}

#[test]
fn a_longer_recording_begins_like_a_shorter_one() {
    let short = recording(2, 4, PlanChoice::None);
    let long = recording(2, 8, PlanChoice::None);
    let shared: Vec<_> = long.rows.iter().take(short.rows.len() / 2).copied().collect();
    assert_eq!(shared, short.rows[..short.rows.len() / 2]);
}

#[test]
fn options_out_of_range_are_refused_by_name() {
    let options = Options { seed: 1, days: 0, cadence_secs: 300, plan: PlanChoice::Fixed };
    assert_eq!(simulate(&options, |_| {}), Err(Refused::Days(0)));
    assert_eq!(simulate(&Options { days: 2, cadence_secs: 5, ..options.clone() }, |_| {}), Err(Refused::Cadence(5)));
    let random = Options { days: 20, plan: PlanChoice::Random, ..options };
    assert_eq!(simulate(&random, |_| {}), Err(Refused::TooShortForPlan(20)));
}

#[test]
fn values_are_finite_and_on_the_sensors_grid_and_rows_are_in_order() {
    let recording = recording(1, 6, PlanChoice::None);
    for row in &recording.rows {
        let point = &recording.about.assets[usize::from(row.asset)].points[usize::from(row.point)];
        let steps = row.value / point.resolution;
        assert!((steps - steps.round()).abs() < 1e-6, "{}: {}", point.name, row.value);
    }
    let ordered = |w: &[Row]| (w[0].secs, w[0].asset, w[0].point) < (w[1].secs, w[1].asset, w[1].point);
    assert!(recording.rows.windows(2).all(ordered));
}

#[test]
fn about_two_readings_in_a_thousand_are_missing() {
    let recording = recording(1, 15, PlanChoice::None);
    let points: usize = recording.about.assets.iter().map(|asset| asset.points.len()).sum();
    let sent = points * 15 * 288;
    let missing = (sent - recording.rows.len()) as f64 / sent as f64;
    assert!((0.001..0.003).contains(&missing), "{missing}");
}

/// A condition point that stands still to the last digit is a stuck sensor; nothing but the planted one may look so.
/// Operating points do read exactly zero while a machine stands.
#[test]
fn no_condition_point_repeats_itself_for_two_hours_unless_planted() {
    for (seed, plan) in [(1, PlanChoice::Fixed), (2, PlanChoice::None)] {
        let recording = recording(seed, 45, plan);
        for ((asset, point), rows) in series(&recording) {
            let asset = &recording.about.assets[usize::from(asset)];
            let point = &asset.points[usize::from(point)];
            let planted =
                recording.about.faults.iter().any(|f| f.of_sensor && f.asset == asset.name && f.point == point.name);
            if planted || point.role == "operating" {
                continue;
            }
            let (mut run, mut longest) = (1, 1);
            for pair in rows.windows(2) {
                run = if pair[0].value == pair[1].value { run + 1 } else { 1 };
                longest = longest.max(run);
            }
            assert!(longest < 24, "seed {seed} {} {}: {longest} readings alike", asset.name, point.name);
        }
    }
}

/// Nothing about a healthy machine changes but load, speed and air: by state, the median level of its vibration in
/// the first and the last part of the recording agree, and so does temperature above the air.
#[test]
fn healthy_machines_stay_as_they_are() {
    let recording = recording(3, 60, PlanChoice::None);
    let by_point = series(&recording);
    for (asset_number, asset) in recording.about.assets.iter().enumerate() {
        let asset_number = asset_number as u16;
        let air_number = asset.points.iter().position(|p| p.role == "ambient").expect("every machine has air") as u16;
        let air: BTreeMap<i64, f64> = by_point[&(asset_number, air_number)].iter().map(|r| (r.secs, r.value)).collect();
        for (number, point) in asset.points.iter().enumerate().filter(|(_, p)| p.role == "condition") {
            let rows = &by_point[&(asset_number, number as u16)];
            for (state, name) in asset.states.iter().enumerate().skip(1) {
                let level = |from: i64, to: i64| {
                    let inside = |row: &&Row| row.state == state as u8 && (from * DAY..to * DAY).contains(&row.secs);
                    let above = |row: &Row| match point.quantity.as_str() {
                        "temperature" => row.value - air.get(&row.secs).copied().unwrap_or(f64::NAN),
                        _ => row.value,
                    };
                    median(rows.iter().filter(inside).map(above).filter(|v| v.is_finite()).collect())
                };
                let (early, late) = (level(3, 30), level(30, 60));
                // Load of a state wanders by some per cent over weeks, and air lags; both move a median a little.
                let allowed = if point.quantity == "temperature" { 1.5 } else { 0.03 * early + point.resolution };
                let label = format!("{} {} {}: {early} then {late}", asset.name, point.name, name.name);
                assert!((early - late).abs() <= allowed, "{label}");
            }
        }
    }
}

/// The plant's own limits must say nothing about a machine that is well, whatever the seed.
#[test]
fn no_healthy_machine_stands_above_its_warning_limit() {
    for seed in 0..6 {
        let recording = recording(seed, 40, PlanChoice::None);
        let config: toml::Table = write::config_text(&recording).parse().expect("the configuration is TOML");
        for ((asset, point), rows) in series(&recording) {
            let asset = &recording.about.assets[usize::from(asset)];
            let point = &asset.points[usize::from(point)];
            let keys = &config["assets"][&asset.name]["points"][&point.name];
            let Some(limit) = keys.get("warning_high").and_then(|v| v.as_str()) else { continue };
            let limit: f64 =
                limit.split(' ').next().and_then(|n| n.parse().ok()).expect("a limit is a number and a unit");
            // Three readings in a row; a knock or a start is one, at most two.
            let above = rows.windows(3).find(|w| w.iter().all(|row| row.value > limit));
            assert!(above.is_none(), "seed {seed} {} {}: {above:?}", asset.name, point.name);
        }
    }
}

/// The truth times come from the level, the readings from level, load, weather and noise: they must agree.
#[test]
fn slow_faults_cross_their_limits_when_the_truth_says() {
    for (seed, plan) in [(1, PlanChoice::Fixed), (11, PlanChoice::Random), (12, PlanChoice::Random)] {
        let recording = recording(seed, 60, plan);
        let by_point = series(&recording);
        for fault in &recording.about.faults {
            let Some(limit) = &fault.limit else { continue };
            let number = recording.about.assets.iter().position(|a| a.name == fault.asset).expect("a known asset");
            let asset = &recording.about.assets[number];
            let point = asset.points.iter().position(|p| p.name == fault.point).expect("a known point");
            let state = asset.states.iter().position(|s| s.name == limit.state).expect("a known state");
            let rows = &by_point[&(number as u16, point as u16)];
            let (start, warning, alarm) =
                (secs(&fault.start), secs(&limit.reaches_warning_at), secs(&limit.reaches_alarm_at));
            assert!(start < warning && warning < alarm, "seed {seed} {}", fault.asset);
            assert!(alarm - start >= 20 * DAY, "seed {seed} {}: {} days", fault.asset, (alarm - start) / DAY);
            let level = |from: i64, to: i64| {
                let inside = |row: &&Row| row.state == state as u8 && (from..to).contains(&row.secs);
                let values: Vec<f64> = rows.iter().filter(inside).map(|row| row.value).collect();
                (values.len() > 100).then(|| median(values))
            };
            // Three days before it is below, a machine that takes turns may not run then; in the days after, above.
            let label = format!("seed {seed} {} {:?}", fault.asset, fault.kind);
            let weather = if fault.point.ends_with("temp") { 6.0 } else { 0.0 };
            if let Some(before) = level(alarm - 6 * DAY, alarm - 3 * DAY) {
                assert!(before < limit.alarm_high + weather, "{label}: {before} before");
            }
            if let Some(after) = level(alarm + DAY, alarm + 5 * DAY) {
                assert!(after > limit.alarm_high - weather, "{label}: {after} after");
            }
        }
    }
}

#[test]
fn the_fixed_plan_has_every_fault_asked_for_and_leaves_five_machines_well() {
    let about = recording(1, 60, PlanChoice::Fixed).about;
    let count = |kind: &str| about.faults.iter().filter(|f| format!("{:?}", f.kind) == kind).count();
    for kind in [
        "BearingWear",
        "Imbalance",
        "AfterMaintenance",
        "PoorLubrication",
        "Misalignment",
        "StuckSensor",
        "SilentSensor",
    ] {
        assert_eq!(count(kind), 1, "{kind}");
    }
    assert_eq!(about.assets.iter().filter(|asset| asset.healthy).count(), 5);
    assert!(about.faults.iter().all(|fault| secs(&fault.start) >= 12 * DAY));
    let classes: std::collections::BTreeSet<_> = about.assets.iter().map(|asset| &asset.class).collect();
    assert!(about.assets.len() >= 10 && classes.len() >= 5, "{classes:?}");
    let after = about.faults.iter().find(|f| f.stopped_from.is_some()).expect("a fault after a stop");
    assert_eq!(after.states, ["high"]);
}

#[test]
fn random_plans_differ_and_are_sound() {
    let mut seen = std::collections::BTreeSet::new();
    for seed in 100..112 {
        let about = recording(seed, 40, PlanChoice::Random).about;
        assert!((4..=8).contains(&about.faults.len()), "seed {seed}: {}", about.faults.len());
        let assets: std::collections::BTreeSet<_> = about.faults.iter().map(|f| &f.asset).collect();
        assert_eq!(assets.len(), about.faults.len(), "seed {seed}: one fault a machine");
        for fault in &about.faults {
            assert!(secs(&fault.start) >= 13 * DAY, "seed {seed} {}", fault.asset);
            assert!(!fault.points.is_empty() && !fault.states.is_empty(), "seed {seed} {}", fault.asset);
            seen.insert(format!("{:?}", fault.kind));
        }
    }
    assert_eq!(seen.len(), 8, "{seen:?}");
}

#[test]
fn the_truth_file_reads_back() {
    let recording = recording(1, 30, PlanChoice::Fixed);
    let text = write::about_text(&recording).expect("it can be spelled");
    let back: About = toml::from_str(&text).expect("it can be read");
    assert_eq!(back, recording.about);
    assert!(back.simulated && text.starts_with("# Simulated"));
}

#[test]
fn messages_carry_every_reading_some_twice_some_late() {
    let recording = recording(1, 2, PlanChoice::None);
    let (mut count, mut disordered, mut last_tst, mut last_time) = (0, 0, String::new(), String::new());
    messages::each(&recording, 1, |line| {
        let line: serde_json::Value = serde_json::from_str(line).expect("a line is JSON");
        let payload = line["payload"].as_str().expect("the payload is text");
        assert_eq!(line["payloadlen"], payload.len());
        let payload: serde_json::Value = serde_json::from_str(payload).expect("the payload is JSON");
        let (tst, time) = (line["tst"].as_str().expect("tst").to_owned(), payload["t"].as_str().expect("t").to_owned());
        assert!(tst >= last_tst, "arrival goes backwards");
        disordered += i32::from(time < last_time);
        (count, last_tst, last_time) = (count + 1, tst, time);
        Ok::<(), ()>(())
    })
    .expect("the closure does not fail");
    let twice = count - recording.rows.len();
    assert!(twice > 10 && twice < recording.rows.len() / 300, "{twice}");
    assert!(disordered > 10, "{disordered}");
}
