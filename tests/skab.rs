//! A real pump and water loop, data nobody here made: SKAB v0.9, `valve1`, 16 experiments in which the valve before the
//! pump is closed for a while and opened again. Every file by itself, with the same arguments and nothing else said.
//!
//! Protocol: a baseline from the first 400 s of a file; the rows after them are judged, each by the score row of its
//! time (a row without one counts as normal); every zone above normal is anomalous; counts are pooled over the files.

mod support;

use roundsman_models::evaluate::Confusion;
use std::path::Path;

const SOURCE: &str = "Get SKAB v0.9 (Katser & Kozitsin 2020, doi 10.34740/KAGGLE/DSV/1693952, GPL-3.0) from \
                      https://github.com/waico/SKAB, folder data, and turn `;` into `,`.";

fn row(name: &str, counts: &Confusion, unscored: u64) {
    println!(
        "| {name} | {} | {} | {} | {} | {unscored} | {:.3} | {:.1} % | {:.1} % |",
        counts.true_positive,
        counts.false_positive,
        counts.false_negative,
        counts.true_negative,
        counts.f1().unwrap_or(f64::NAN),
        100.0 * counts.false_alarm_rate().unwrap_or(f64::NAN),
        100.0 * counts.missed_rate().unwrap_or(f64::NAN)
    );
}

/// Plays one file and judges its rows after the learning time, by its column `anomaly` where it has one. Without, every
/// snapshot counts as normal. Gives the counts and how many of the rows had no score.
fn judged(file: &Path) -> (Confusion, u64) {
    let out = tempfile::tempdir().expect("a temporary directory");
    let name = file.file_stem().expect("a file name").to_string_lossy().into_owned();
    let line = format!("--asset {name} --time-column datetime --ignore anomaly,changepoint --set learn.run_time=400s");
    support::replay(out.path(), line.split(' ').map(Into::into).chain([file.as_os_str().to_owned()]));
    let header = std::fs::read_to_string(file).expect("the recording opens");
    let is_labelled = header.lines().next().is_some_and(|line| line.contains("anomaly"));
    let labels = out.path().join("labels.csv");
    std::fs::write(&labels, "asset,start,end,kind\n").expect("it is written");
    let mut evaluate = support::roundsman();
    evaluate.args(["evaluate", "--judge-from", "400s"]);
    match is_labelled {
        true => evaluate.args(["--label-column", "anomaly", "--time-column", "datetime"]).arg(out.path()).arg(file),
        false => evaluate.arg("--labels").arg(labels).arg(out.path()),
    };
    let done = evaluate.output().expect("the binary starts");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let text = std::fs::read_to_string(out.path().join("evaluation.json")).expect("it was written");
    let got: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let counts = serde_json::from_value(got["at_least"][0]["snapshots"].clone()).expect("counts");
    (counts, got["snapshots"]["unscored"].as_u64().expect("a count"))
}

/// Source: SKAB v0.9. The best published causal row over all 34 files has F1 0.76 and 27 % false alarms
/// (the benchmark's own leaderboard); the bar is to be no worse on these 16.
#[test]
fn valve1_is_no_worse_than_the_best_published_causal_row() {
    let source = support::shared("SKAB valve1", "skab/valve1", SOURCE);
    let Some(folder) = source else { return };
    let mut files: Vec<_> = std::fs::read_dir(&folder)
        .expect("the folder can be read")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "csv"))
        .collect();
    files.sort_by_key(|path| path.file_stem().and_then(|stem| stem.to_str()?.parse::<u32>().ok()));
    assert_eq!(files.len(), 16, "the sixteen experiments of {}", folder.display());
    println!("\n| file | TP | FP | FN | TN | no score | F1 | false alarms | missed |");
    println!("|---|---|---|---|---|---|---|---|---|");
    let (mut total, mut no_score) = (Confusion::default(), 0);
    for file in &files {
        let (counts, unscored) = judged(file);
        row(&file.file_name().expect("a name").to_string_lossy(), &counts, unscored);
        total.add(counts);
        no_score += unscored;
    }
    row("**all**", &total, no_score);
    let f1 = total.f1().expect("there are anomalies");
    assert!(f1 >= 0.76, "F1 {f1:.4}, wanted at least 0.76");
    let false_alarms = total.false_alarm_rate().expect("there are normal rows");
    assert!(false_alarms <= 0.27, "false-alarm rate {false_alarms:.4}, wanted at most 0.27");
}

/// Normal operation for 2.8 h, the loop warming up far beyond what 400 s can show. Reported, not judged: drifting out
/// of a baseline of seven minutes is no fault of the drift.
#[test]
fn the_run_free_of_anomalies_is_reported() {
    let Some(folder) = support::shared("SKAB anomaly-free", "skab/anomaly-free", SOURCE) else { return };
    let (counts, _) = judged(&folder.join("anomaly-free.csv"));
    let rows = counts.rows();
    println!(
        "\nanomaly-free: {} of {rows} snapshots after the first 400 s above normal ({:.1} %)",
        counts.false_positive,
        100.0 * counts.false_alarm_rate().expect("there are rows")
    );
    assert!(rows > 8000, "most of the 9405 rows are judged, got {rows}");
}
