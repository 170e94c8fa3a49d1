//! A real pump and water loop, data nobody here made: SKAB v0.9, `valve1`, 16 experiments in which the valve before the
//! pump is closed for a while and opened again. Every file by itself, with the same arguments and nothing else said.
//!
//! Protocol: a baseline from the first 400 s of a file; the rows after them are judged, each by the score row of its
//! time (a row without one counts as normal); every zone above normal is anomalous; counts are pooled over the files.

mod support;

use std::collections::HashMap;
use std::path::Path;

const SOURCE: &str = "Get SKAB v0.9 (Katser & Kozitsin 2020, doi 10.34740/KAGGLE/DSV/1693952, GPL-3.0) from \
                      https://github.com/waico/SKAB, folder data, and turn `;` into `,`.";
const LEARNED_SECS: f64 = 400.0;

#[derive(Debug, Default, Clone, Copy)]
struct Counts {
    true_positive: u32,
    false_positive: u32,
    false_negative: u32,
    true_negative: u32,
    unscored: u32,
}

impl Counts {
    fn count(&mut self, said: Option<bool>, anomalous: bool) {
        self.unscored += u32::from(said.is_none());
        *match (said.unwrap_or(false), anomalous) {
            (true, true) => &mut self.true_positive,
            (true, false) => &mut self.false_positive,
            (false, true) => &mut self.false_negative,
            (false, false) => &mut self.true_negative,
        } += 1;
    }

    fn add(&mut self, other: Self) {
        self.true_positive += other.true_positive;
        self.false_positive += other.false_positive;
        self.false_negative += other.false_negative;
        self.true_negative += other.true_negative;
        self.unscored += other.unscored;
    }

    fn f1(&self) -> f64 {
        let hits = 2.0 * f64::from(self.true_positive);
        hits / (hits + f64::from(self.false_positive) + f64::from(self.false_negative))
    }

    fn false_alarm_rate(&self) -> f64 {
        f64::from(self.false_positive) / f64::from(self.false_positive + self.true_negative)
    }

    fn missed_rate(&self) -> f64 {
        f64::from(self.false_negative) / f64::from(self.false_negative + self.true_positive)
    }

    fn print(&self, name: &str) {
        println!(
            "| {name} | {} | {} | {} | {} | {} | {:.3} | {:.1} % | {:.1} % |",
            self.true_positive,
            self.false_positive,
            self.false_negative,
            self.true_negative,
            self.unscored,
            self.f1(),
            100.0 * self.false_alarm_rate(),
            100.0 * self.missed_rate()
        );
    }
}

/// Plays one file and counts its rows after the learning time. Without labels every row counts as normal.
fn judged(file: &Path) -> Counts {
    let out = tempfile::tempdir().expect("a temporary directory");
    let name = file.file_stem().expect("a file name").to_string_lossy().into_owned();
    let line = format!("--asset {name} --time-column datetime --ignore anomaly,changepoint --set learn.run_time=400s");
    support::replay(out.path(), line.split(' ').map(Into::into).chain([file.as_os_str().to_owned()]));
    let said: HashMap<_, _> =
        support::scores(out.path()).into_iter().map(|row| (row.time, row.is_anomalous())).collect();

    let mut reader = csv::Reader::from_path(file).expect("the recording opens");
    let label = reader.headers().expect("a header").iter().position(|column| column == "anomaly");
    let (mut counts, mut first) = (Counts::default(), None);
    for row in reader.records() {
        let row = row.expect("a row");
        // The files give no zone; without one a replay takes UTC.
        let at: jiff::Timestamp = format!("{}Z", row[0].replace(' ', "T")).parse().expect("a time");
        let first = *first.get_or_insert(at);
        if (at - first).total(jiff::Unit::Second).expect("seconds") >= LEARNED_SECS {
            counts.count(said.get(&at).copied(), label.is_some_and(|place| row[place].starts_with('1')));
        }
    }
    counts
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
    let mut total = Counts::default();
    for file in &files {
        let counts = judged(file);
        counts.print(&file.file_name().expect("a name").to_string_lossy());
        total.add(counts);
    }
    total.print("**all**");
    assert!(total.f1() >= 0.76, "F1 {:.4}, wanted at least 0.76", total.f1());
    let false_alarms = total.false_alarm_rate();
    assert!(false_alarms <= 0.27, "false-alarm rate {false_alarms:.4}, wanted at most 0.27");
}

/// Normal operation for 2.8 h, the loop warming up far beyond what 400 s can show. Reported, not judged: drifting out
/// of a baseline of seven minutes is no fault of the drift.
#[test]
fn the_run_free_of_anomalies_is_reported() {
    let Some(folder) = support::shared("SKAB anomaly-free", "skab/anomaly-free", SOURCE) else { return };
    let counts = judged(&folder.join("anomaly-free.csv"));
    let rows = counts.false_positive + counts.true_negative;
    println!(
        "\nanomaly-free: {} of {rows} rows after the first 400 s above normal ({:.1} %), {} without a score",
        counts.false_positive,
        100.0 * counts.false_alarm_rate(),
        counts.unscored
    );
    assert!(rows > 8000, "most of the 9405 rows are judged, got {rows}");
}
