//! `roundsman replay --sweep`: the same recordings under a grid of settings, and what each trades for what.
//!
//! Every combination is a replay of its own into a folder of its own, so that any two can be compared afterwards
//! (`roundsman evaluate --against`). Combinations are played side by side; each is the same to the byte as if it were
//! played alone.

use super::{Pace, Summary, bar, play, read_options, threads, tradeoff, write};
use crate::cli::ReplayArgs;
use crate::config::Checked;
use crate::engine::Engine;
use crate::error::{Error, Fault};
use crate::evaluate::show::{counted, percent, span, three, two};
use crate::evaluate::{Evaluation, Found, Level, Truths, judge};
use indicatif::ProgressBar;
use std::fmt::Write as _;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// More is a mistyped list, not a choice a person can weigh.
const MOST: usize = 1000;

/// A setting and the values to try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Axis {
    /// Its path.
    pub key: String,
    /// As they are written.
    pub values: Vec<String>,
}

impl Axis {
    /// Reads `detect.advisory_sigmas=4,5,6`. Commas within quotes, brackets or braces belong to a value.
    ///
    /// # Errors
    /// What is wrong.
    pub fn parse(text: &str) -> Result<Self, Error> {
        let fault = |what: &str| Error::new(Fault::Usage, format!("--sweep {text}: {what}"));
        let (key, list) = cut_key(text).ok_or_else(|| fault("must be KEY=A,B,C"))?;
        let (mut values, mut value) = (Vec::new(), String::new());
        let (mut depth, mut quoted) = (0i32, false);
        for c in list.chars() {
            match c {
                '"' => quoted = !quoted,
                '[' | '{' if !quoted => depth += 1,
                ']' | '}' if !quoted => depth -= 1,
                ',' if !quoted && depth == 0 => {
                    values.push(std::mem::take(&mut value));
                    continue;
                }
                _ => {}
            }
            value.push(c);
        }
        values.push(value);
        let values: Vec<String> = values.iter().map(|value| value.trim().to_owned()).collect();
        if values.iter().any(String::is_empty) {
            return Err(fault("one of the values is empty"));
        }
        if let Some(twice) = values.iter().enumerate().find(|(at, value)| values.iter().take(*at).any(|v| v == *value))
        {
            return Err(fault(&format!("the value {} is there twice", twice.1)));
        }
        Ok(Self { key: key.trim().to_owned(), values })
    }
}

/// At the first equals sign outside quotes, as `--set` cuts.
fn cut_key(text: &str) -> Option<(&str, &str)> {
    let mut quoted = false;
    let at = text.char_indices().find_map(|(at, c)| {
        quoted ^= c == '"';
        (c == '=' && !quoted).then_some(at)
    })?;
    let (key, rest) = (text.get(..at)?, text.get(at + 1..)?);
    (!key.trim().is_empty()).then_some((key, rest))
}

/// All combinations, the last axis the quickest: keys with values.
///
/// # Errors
/// A key is there twice, or there are too many.
pub fn combinations(axes: &[Axis]) -> Result<Vec<Vec<(String, String)>>, Error> {
    if let Some((_, twice)) =
        axes.iter().enumerate().find(|(at, axis)| axes.iter().take(*at).any(|before| before.key == axis.key))
    {
        return Err(Error::new(
            Fault::Usage,
            format!("--sweep {}: is there twice; list all its values once", twice.key),
        ));
    }
    let count = axes.iter().try_fold(1usize, |count, axis| count.checked_mul(axis.values.len()));
    match count.filter(|count| *count <= MOST) {
        Some(_) => {}
        None => return Err(Error::new(Fault::Usage, format!("--sweep: more than {MOST} combinations"))),
    }
    let mut all: Vec<Vec<(String, String)>> = vec![Vec::new()];
    for axis in axes {
        all = all
            .iter()
            .flat_map(|before| {
                axis.values.iter().map(|value| {
                    let mut next = before.clone();
                    next.push((axis.key.clone(), value.clone()));
                    next
                })
            })
            .collect();
    }
    Ok(all)
}

/// One combination and what came of it.
#[derive(Debug, Clone)]
pub struct Trial {
    /// From 1.
    pub number: usize,
    /// Its settings.
    pub settings: Vec<(String, String)>,
    /// Its folder.
    pub dir: PathBuf,
    /// Its figures; without labels every alert in them is "false".
    pub evaluation: Evaluation,
}

impl Trial {
    fn level(&self, place: usize) -> Option<&Level> {
        self.evaluation.at_least.get(place)
    }
}

/// Plays every combination, writes the results and prints the trade-off.
///
/// # Errors
/// A combination the configuration refuses, labels or recordings that cannot be read, results that cannot be written.
pub fn sweep(
    args: &ReplayArgs,
    load: &dyn Fn(&[String]) -> Result<Checked, Error>,
    out: &mut dyn Write,
) -> Result<(), Error> {
    let axes = args.sweep.iter().map(|text| Axis::parse(text)).collect::<Result<Vec<_>, _>>()?;
    let all = combinations(&axes)?;
    // All of them are checked before the first is played: an hour later is too late for a typing error.
    let mut configs = Vec::with_capacity(all.len());
    for settings in &all {
        let mut set = args.set.clone();
        set.extend(settings.iter().map(|(key, value)| format!("{key}={value}")));
        configs.push(load(&set)?);
    }
    std::fs::create_dir_all(&args.out).map_err(|source| Error::io("make", &args.out, source))?;
    let truths = match configs.first() {
        Some(first) => {
            let mut options = read_options(args, first, args.out.clone(), args.recordings.len())?;
            options.ignore.clear();
            args.truth.read(&args.recordings, &options)?
        }
        None => Truths::default(),
    };
    let trials = play_all(args, &all, &configs, &truths)?;
    write_csv(&args.out.join("sweep.csv"), &trials)?;
    if args.truth.is_given() {
        let path = args.out.join("sweep.svg");
        std::fs::write(&path, tradeoff::plot(&trials)).map_err(|source| Error::io("write", &path, source))?;
    }
    let text = table(&trials, args.truth.is_given());
    match out.write_all(text.as_bytes()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Error::new(Fault::Io, "cannot write to the standard output").because(error))
        }
        _ => Ok(()),
    }
}

fn play_all(
    args: &ReplayArgs,
    all: &[Vec<(String, String)>],
    configs: &[Checked],
    truths: &Truths,
) -> Result<Vec<Trial>, Error> {
    let threads = threads(args);
    let workers = threads.min(all.len()).max(1);
    let width = all.len().to_string().len().max(2);
    let whole = bar(&args.recordings, all.len());
    // Hidden ones count for the one that is shown.
    let bars: Vec<ProgressBar> = all.iter().map(|_| ProgressBar::hidden()).collect();
    let next = AtomicUsize::new(0);
    let (done, failed) = (Mutex::new(Vec::with_capacity(all.len())), Mutex::new(None::<Error>));
    let is_broken = || failed.lock().map_or(true, |failed| failed.is_some());
    let work = || {
        while !is_broken() {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let (Some(settings), Some(config), Some(bar)) = (all.get(place), configs.get(place), bars.get(place))
            else {
                return;
            };
            let number = place + 1;
            let dir = args.out.join(format!("{number:0width$}"));
            let inner = Inner { threads: (threads / workers).max(1), open: args.recordings.len() * workers };
            match one(args, config, &dir, truths, bar, &inner) {
                Ok((evaluation, summary)) => {
                    // What is to be said of the recordings is the same for all.
                    for note in summary.notes.iter().filter(|_| place == 0) {
                        tracing::warn!("{note}");
                    }
                    if let Ok(mut done) = done.lock() {
                        done.push(Trial { number, settings: settings.clone(), dir, evaluation });
                    }
                }
                Err(error) => {
                    if let Ok(mut failed) = failed.lock() {
                        let said: Vec<String> = settings.iter().map(|(key, value)| format!("{key}={value}")).collect();
                        failed.get_or_insert(error.at(&said.join(" ")));
                    }
                }
            }
        }
    };
    std::thread::scope(|scope| {
        let handles: Vec<_> = (0..workers).map(|_| scope.spawn(work)).collect();
        while handles.iter().any(|handle| !handle.is_finished()) {
            whole.set_position(bars.iter().map(ProgressBar::position).sum());
            whole.set_message(format!("{} settings", all.len()));
            std::thread::sleep(Duration::from_millis(100));
        }
    });
    whole.finish_and_clear();
    if let Ok(Some(error)) = failed.into_inner() {
        return Err(error);
    }
    let mut trials: Vec<Trial> =
        done.into_inner().map_err(|_| Error::new(Fault::Internal, "a replay of the sweep broke off"))?;
    trials.sort_by_key(|trial| trial.number);
    Ok(trials)
}

/// What one combination may use.
struct Inner {
    threads: usize,
    open: usize,
}

fn one(
    args: &ReplayArgs,
    config: &Checked,
    dir: &Path,
    truths: &Truths,
    bar: &ProgressBar,
    inner: &Inner,
) -> Result<(Evaluation, Summary), Error> {
    std::fs::create_dir_all(dir).map_err(|source| Error::io("make", dir, source))?;
    let options = read_options(args, config, dir.to_owned(), inner.open)?;
    let pace = Pace { secs_per_sec: None, threads: inner.threads };
    let site = config.site.name.clone();
    let (results, summary) = play(&args.recordings, &options, config, &pace, bar, || Engine::new(&site, false))?;
    let summary = write(dir, results, summary)?;
    let found = Found::open(dir)?;
    let evaluation = judge(&found, dir.display().to_string(), truths, &args.truth.options())?;
    Ok((evaluation, summary))
}

/// A name and the figure.
type Column = (&'static str, fn(&Level) -> Option<f64>);

/// Columns of `sweep.csv` behind the settings, by severity.
const BY_LEVEL: [Column; 6] = [
    ("found", |level| Some(level.episodes.found as f64)),
    ("alerts", |level| Some(level.episodes.alerts as f64)),
    ("false", |level| Some(level.episodes.false_alerts as f64)),
    ("false_per_machine_month", |level| level.episodes.false_per_machine_month),
    ("delay_median_hours", |level| Some(level.episodes.delay_hours?.median)),
    ("lead_median_hours", |level| Some(level.episodes.lead_hours?.median)),
];

fn write_csv(path: &Path, trials: &[Trial]) -> Result<(), Error> {
    let failed = |error: csv::Error| Error::new(Fault::Io, format!("cannot write {}", path.display())).because(error);
    let mut writer = csv::Writer::from_path(path).map_err(failed)?;
    let Some(first) = trials.first() else { return Ok(()) };
    let mut header = vec!["folder".to_owned()];
    header.extend(first.settings.iter().map(|(key, _)| key.clone()));
    header.push("labels".to_owned());
    for level in &first.evaluation.at_least {
        let severity = crate::advise::wording::severity_word(level.severity);
        header.extend(BY_LEVEL.iter().map(|(name, _)| format!("{severity}_{name}")));
    }
    header.extend(["precision", "recall", "f1", "false_alarm_rate", "missed_rate"].map(str::to_owned));
    header.extend(["life_forecasts", "life_coverage", "life_within_factor_two"].map(str::to_owned));
    writer.write_record(&header).map_err(failed)?;
    let cell = |value: Option<f64>| value.map(|v| crate::advise::forms::rounded(v).to_string()).unwrap_or_default();
    for trial in trials {
        let folder = trial.dir.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let mut row = vec![folder];
        row.extend(trial.settings.iter().map(|(_, value)| value.clone()));
        row.push(trial.evaluation.labels.len().to_string());
        for level in &trial.evaluation.at_least {
            row.extend(BY_LEVEL.iter().map(|(_, figure)| cell(figure(level))));
        }
        let shares = trial.level(0).map(|level| level.snapshots);
        for figure in [
            shares.and_then(|s| s.precision),
            shares.and_then(|s| s.recall),
            shares.and_then(|s| s.f1),
            shares.and_then(|s| s.false_alarm_rate),
            shares.and_then(|s| s.missed_rate),
        ] {
            row.push(cell(figure));
        }
        let life = trial.evaluation.remaining_life.as_ref();
        row.push(life.map(|life| life.forecasts.to_string()).unwrap_or_default());
        row.push(cell(life.and_then(|life| life.coverage)));
        row.push(cell(life.and_then(|life| life.within_factor_two)));
        writer.write_record(&row).map_err(failed)?;
    }
    writer.flush().map_err(|source| Error::io("write", path, source))
}

/// The last part of a key, unless two share it.
pub(super) fn short_keys(settings: &[(String, String)]) -> Vec<String> {
    let last = |key: &str| key.rsplit('.').next().unwrap_or(key).to_owned();
    let names: Vec<String> = settings.iter().map(|(key, _)| last(key)).collect();
    settings
        .iter()
        .zip(&names)
        .map(
            |((key, _), name)| {
                if names.iter().filter(|other| *other == name).count() > 1 { key.clone() } else { name.clone() }
            },
        )
        .collect()
}

/// The trade-off as a table.
fn table(trials: &[Trial], has_labels: bool) -> String {
    let Some(first) = trials.first() else { return String::new() };
    let mut text = String::new();
    let names = short_keys(&first.settings);
    let widths: Vec<usize> = (0..names.len())
        .map(|at| {
            let values =
                trials.iter().filter_map(|trial| trial.settings.get(at)).map(|(_, value)| value.chars().count());
            values.chain(names.get(at).map(|name| name.chars().count())).max().unwrap_or(0)
        })
        .collect();
    let settings = |cells: &mut dyn Iterator<Item = &str>| -> String {
        cells.zip(&widths).map(|(cell, &width)| format!("  {cell:>width$}")).collect()
    };
    let labels = match has_labels {
        true => counted(first.evaluation.labels.len() as u64, "label"),
        false => "no labels: every alert counts as one too many".to_owned(),
    };
    // Writing to a String cannot fail.
    let _ = writeln!(
        text,
        "\n{} settings, {labels}, {:.2} machine-months of healthy running (a month is of one machine)\n",
        trials.len(),
        first.evaluation.healthy_machine_months
    );
    let head = settings(&mut names.iter().map(String::as_str));
    let blank = " ".repeat(head.chars().count());
    let _ = writeln!(text, "    {blank} | {:<29} | {:<29} | rows", "advisory or worse", "warning or worse");
    let columns = |last: &str| format!("{:>8} {:>11} {last:>8}", "found", "false/month");
    let (first_of, second_of) = (columns("delay"), columns("lead"));
    let _ = writeln!(text, "   #{head} | {first_of} | {second_of} | {:>5} {:>7}", "F1", "false");
    for trial in trials {
        let _ = write!(text, "{:>4}{}", trial.number, settings(&mut trial.settings.iter().map(|(_, v)| v.as_str())));
        for place in 0..2 {
            let Some(level) = trial.level(place) else { continue };
            let e = &level.episodes;
            // An advisory is there to come soon, a warning to leave time.
            let time = if place == 0 { e.delay_hours } else { e.lead_hours };
            let found = format!("{} of {}", e.found, e.labels);
            let (rate, time) = (two(e.false_per_machine_month), span(time.map(|hours| hours.median)));
            let _ = write!(text, " | {found:>8} {rate:>11} {time:>8}");
        }
        let shares = trial.level(0).map(|level| level.snapshots);
        let f1 = three(shares.and_then(|shares| shares.f1));
        let _ = writeln!(text, " | {f1:>5} {:>7}", percent(shares.and_then(|shares| shares.false_alarm_rate)));
    }
    let _ = writeln!(
        text,
        "\nfound: of the labels; delay, lead: medians, from a label's start and to the end of the life; rows: snapshots at\n\
         advisory or worse, F1 and the share of the normal ones that were called abnormal"
    );
    if let Some(parent) = first.dir.parent() {
        let plot = if has_labels { ", sweep.svg" } else { "" };
        let _ = writeln!(text, "\nFolders 01, 02, ..., sweep.csv{plot} in {}", parent.display());
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_is_a_key_and_its_values() {
        let axis = Axis::parse("assets.\"a=b\".zones=[1, 2],\"x,y\", {a=1,b=2}").expect("an axis");
        assert_eq!(axis.key, "assets.\"a=b\".zones");
        assert_eq!(axis.values, ["[1, 2]", "\"x,y\"", "{a=1,b=2}"]);
        for bad in ["", "=1", "a", "a=", "a=1,", "a=1,,2", "a=1,1"] {
            assert!(Axis::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn combinations_are_all_of_them_the_last_key_the_quickest() {
        let axis = |key: &str, values: &[&str]| Axis {
            key: key.into(),
            values: values.iter().map(|value| (*value).to_owned()).collect(),
        };
        let all = combinations(&[axis("a.x", &["1", "2"]), axis("b.x", &["7", "8", "9"])]).expect("six");
        let shown: Vec<String> =
            all.iter().map(|one| one.iter().map(|(_, value)| value.as_str()).collect::<String>()).collect();
        assert_eq!(shown, ["17", "18", "19", "27", "28", "29"]);
        assert_eq!(short_keys(&all[0]), ["a.x", "b.x"]);
        assert!(combinations(&[axis("a", &["1"]), axis("a", &["2"])]).is_err());
        let many: Vec<String> = (0..40).map(|n| n.to_string()).collect();
        let many = Axis { key: "a".into(), values: many };
        assert!(combinations(&[many.clone(), Axis { key: "b".into(), ..many }]).is_err());
    }
}
