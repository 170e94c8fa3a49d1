//! `roundsman evaluate`: what a replay found against what was true, and two settings against each other.
//!
//! ```text
//! DIR of a replay ─ episodes, forecasts, snapshots ┐
//! labels: a CSV, a column of the recording         ┴─ judge ─ report ─┬─ tables
//!                                                                     └─ evaluation.json
//! ```
//!
//! The metrics are in `roundsman_models::evaluate`; here is only what they are fed with.

mod against;
mod episodes;
mod found;
mod judge;
pub mod labels;
mod marked;
mod operators;
mod report;
pub(crate) mod show;
mod table;

pub use against::{Comparison, Differences, differences};
pub use episodes::{Episode, episodes};
pub use found::{Forecasts, Found, Said};
pub use judge::{LEVELS, Options, Truths, judge};
pub use labels::Label;
pub use marked::Marked;
pub use operators::labels_of;
pub use report::{Evaluation, Level, Life};

use crate::acquire::recording::ReadOptions;
use crate::config::value::parse_secs;
use crate::error::{Error, Fault};
use clap::Args;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Arguments of `evaluate`.
#[derive(Debug, Clone, Args)]
#[command(
    about = "Judge the results of a replay against what was true",
    long_about = "Reads what `roundsman replay --out DIR` wrote and labels, prints how right it was, and writes the same \
as DIR/evaluation.json: by snapshot (precision, recall, F1, false alarms), by episode (found, missed, false, delay and lead \
time, false alerts per machine-month of healthy running), and for remaining life (coverage of P10 to P90, width, accuracy).\n\n\
Labels are a CSV with the columns asset,start,end,kind (an empty end: to the end of the recording) and, where it helps, \
about (machine, sensor, silence, any, unknown), point, life_ends and target; or a column of the recording that is 1 while \
something is wrong; or what people found on the alerts of a running service. Snapshots while the engine learned, while the machine stood or settled are not judged, and counted.\n\n\
With --against, two results are shown side by side, with the alerts that differ.",
    after_long_help = "Examples:\n  roundsman evaluate --labels labels.csv found\n  \
roundsman evaluate --label-column anomaly found rig-1.csv rig-2.csv\n  \
roundsman evaluate --labels labels.csv found --against found-stricter"
)]
pub struct EvaluateArgs {
    /// Folder that `replay` wrote.
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// The recordings that were played, for --label-column.
    #[arg(value_name = "RECORDING", requires = "label_column")]
    pub recordings: Vec<PathBuf>,
    /// What was true.
    #[command(flatten)]
    pub truth: TruthArgs,
    /// A second folder, to be shown beside the first.
    #[arg(long, value_name = "DIR2")]
    pub against: Option<PathBuf>,
    /// Where the JSON goes; default: evaluation.json (with --against: comparison.json) in DIR.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Name of the asset a wide recording belongs to, as it was given to `replay`.
    #[arg(long, value_name = "NAME", requires = "label_column")]
    pub asset: Option<String>,
    /// Column that holds the time; found by its usual names when left out.
    #[arg(long, value_name = "COLUMN", requires = "label_column")]
    pub time_column: Option<String>,
    /// Zone of times written without an offset (IANA name); default: UTC.
    #[arg(long, value_name = "ZONE")]
    pub zone: Option<String>,
}

/// What was true, for `evaluate` and for `replay --sweep`.
#[derive(Debug, Clone, Default, Args)]
pub struct TruthArgs {
    /// Labels: a CSV with asset,start,end,kind and perhaps about,point,life_ends,target; may be given several times.
    #[arg(long, value_name = "LABELS.csv")]
    pub labels: Vec<PathBuf>,
    /// Column of the recordings that is 1 while something is wrong and 0 else; a replay leaves it out.
    #[arg(long, value_name = "COLUMN")]
    pub label_column: Option<String>,
    /// State directory of `run`: what people found on its alerts (the command `finding`) are the labels.
    #[arg(long, value_name = "STATE_DIR")]
    pub findings: Option<PathBuf>,
    /// An alert this long after the end of a label still belongs to it.
    #[arg(long, value_name = "TIME", value_parser = parse_time, default_value = "0 s")]
    pub grace: f64,
    /// Judge every row from this long after an asset's first one; what the engine did not judge then counts as normal.
    #[arg(long, value_name = "TIME", value_parser = parse_time)]
    pub judge_from: Option<f64>,
}

fn parse_time(text: &str) -> Result<f64, String> {
    let secs = parse_secs(text)?;
    if secs.is_finite() && secs >= 0.0 { Ok(secs) } else { Err("must not be negative".into()) }
}

impl TruthArgs {
    /// Whether any labels were named.
    pub fn is_given(&self) -> bool {
        !self.labels.is_empty() || self.label_column.is_some() || self.findings.is_some()
    }

    /// Reads the labels. `options` are for the recordings; their zone is the labels' too.
    ///
    /// # Errors
    /// A file cannot be read as what it is said to be.
    pub fn read(&self, recordings: &[PathBuf], options: &ReadOptions) -> Result<Truths, Error> {
        let mut truths = Truths::default();
        for path in &self.labels {
            truths.labels.extend(labels::read(path, &options.zone)?);
            truths.from.push(path.display().to_string());
        }
        if let Some(column) = &self.label_column {
            let marked = Marked::read(recordings, column, options)?;
            truths.labels.extend(marked.labels(column));
            truths.marked = Some(marked);
            truths.from.push(format!("the column {column}"));
        }
        if let Some(dir) = &self.findings {
            let (alerts, looked) = crate::keep::findings::read_findings(dir)
                .map_err(|fault| Error::new(Fault::Io, format!("--findings {}", dir.display())).because(fault))?;
            truths.labels.extend(labels_of(&episodes(&alerts), &looked));
            truths.from.push(format!("{} findings in {}", looked.len(), dir.display()));
        }
        Ok(truths)
    }

    /// How it is judged.
    pub fn options(&self) -> Options {
        Options { grace_secs: self.grace, judge_from_secs: self.judge_from, ..Options::default() }
    }
}

/// Judges, prints to `out` and writes the JSON.
///
/// # Errors
/// Neither labels nor a second folder, a file that cannot be read as what it is said to be, a result that cannot be written.
pub fn run(args: &EvaluateArgs, out: &mut dyn Write) -> Result<(), Error> {
    let truth = &args.truth;
    if !truth.is_given() && args.against.is_none() {
        let want = "needs labels (--labels, --label-column or --findings) or a second folder (--against)";
        return Err(Error::new(Fault::Usage, want));
    }
    if truth.label_column.is_some() && args.recordings.is_empty() {
        return Err(Error::new(Fault::Usage, "--label-column needs the recordings that have the column"));
    }
    let zone = match &args.zone {
        None => jiff::tz::TimeZone::UTC,
        Some(name) => jiff::tz::TimeZone::get(name).map_err(|error| {
            Error::new(Fault::Usage, format!("--zone {name}: not a zone's IANA name")).because(error)
        })?,
    };
    let options = ReadOptions {
        asset: args.asset.clone(),
        time_column: args.time_column.clone(),
        zone,
        ..ReadOptions::default()
    };
    let truths = truth.read(&args.recordings, &options)?;
    let judge_folder = |dir: &Path| -> Result<(Found, Evaluation), Error> {
        let found = Found::open(dir)?;
        let evaluation = judge(&found, dir.display().to_string(), &truths, &truth.options())?;
        Ok((found, evaluation))
    };
    let (found, evaluation) = judge_folder(&args.dir)?;
    let Some(other) = &args.against else {
        print(out, &evaluation)?;
        return write_json(&args.out.clone().unwrap_or_else(|| args.dir.join("evaluation.json")), &evaluation);
    };
    let (other_found, second) = judge_folder(other)?;
    let alerts = differences(&found.episodes, &other_found.episodes);
    let comparison = Comparison { schema: against::SCHEMA, first: evaluation, second, alerts };
    print(out, &comparison)?;
    write_json(&args.out.clone().unwrap_or_else(|| args.dir.join("comparison.json")), &comparison)
}

/// A reader that has gone is no fault of anybody's.
fn print(out: &mut dyn Write, text: &dyn std::fmt::Display) -> Result<(), Error> {
    match write!(out, "{text}") {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Error::new(Fault::Io, "cannot write to the standard output").because(error))
        }
        _ => Ok(()),
    }
}

/// Writes a document as JSON that a person can read, too.
fn write_json(path: &Path, document: &impl serde::Serialize) -> Result<(), Error> {
    let mut text = serde_json::to_string_pretty(document)
        .map_err(|error| Error::new(Fault::Internal, "the evaluation cannot be written as JSON").because(error))?;
    text.push('\n');
    std::fs::write(path, text).map_err(|source| Error::io("write", path, source))
}
