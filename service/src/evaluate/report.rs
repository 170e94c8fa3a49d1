//! What an evaluation comes to, as plain data: `evaluation.json` and the tables are made of it.
//!
//! Every key is always there; `null` means there is nothing to make a figure of. Numbers are rounded to six digits.

use crate::advise::document::{Finding, Severity};
use crate::advise::forms;
use roundsman_models::EventTime;
use roundsman_models::evaluate::{Confusion, LifeScore, Spread};
use serde::Serialize;

/// Name and version of the form.
pub(super) const SCHEMA: &str = "roundsman.evaluation/1";
/// Hours of a machine-month: a twelfth of 365.25 days.
pub(super) const MONTH_HOURS: f64 = 730.5;

/// The whole of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Evaluation {
    /// [`SCHEMA`].
    pub schema: &'static str,
    /// The folder that was judged.
    pub results: String,
    /// Where the labels came from.
    pub labels_from: Vec<String>,
    /// Assets with snapshots.
    pub assets: usize,
    /// Snapshots, and why some were not judged.
    pub snapshots: Snapshots,
    /// Time judged outside all labels.
    #[serde(with = "forms::number")]
    pub healthy_machine_months: f64,
    /// By severity: `advisory`, `warning`, `alarm`, each with all that is worse.
    pub at_least: Vec<Level>,
    /// Forecasts over all labels that say when the life ended; `null` without such a label.
    pub remaining_life: Option<Life>,
    /// What became of every label that could be judged.
    pub labels: Vec<LabelResult>,
    /// Alerts no label explains.
    pub false_alerts: Vec<AlertLine>,
    /// Snapshots of each asset, called abnormal from advisory on.
    pub by_asset: Vec<AssetResult>,
    /// What is worth knowing.
    pub notes: Vec<String>,
}

/// Counts of snapshots; in a labelled recording, of its rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Snapshots {
    /// All.
    pub all: u64,
    /// Judged.
    pub judged: u64,
    /// Before there was a baseline.
    pub learning: u64,
    /// While the machine stood.
    pub stopped: u64,
    /// Just after a start or a change.
    pub settling: u64,
    /// Rows of a labelled recording without a snapshot; judged all the same, as normal, where that was asked for.
    pub unscored: u64,
    /// While a sensor or the connection was at fault, of which the machine's zone says nothing.
    pub sensor_at_fault: u64,
    /// While nobody knows whether anything was wrong.
    pub unknown: u64,
}

impl Snapshots {
    /// Adds another asset's.
    pub fn add(&mut self, other: Snapshots) {
        self.all += other.all;
        self.judged += other.judged;
        self.learning += other.learning;
        self.stopped += other.stopped;
        self.settling += other.settling;
        self.unscored += other.unscored;
        self.sensor_at_fault += other.sensor_at_fault;
        self.unknown += other.unknown;
    }
}

/// One severity and all that is worse.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Level {
    /// The severity.
    pub severity: Severity,
    /// By snapshot.
    pub snapshots: Shares,
    /// By episode.
    pub episodes: Episodes,
}

/// Counts and shares of snapshots.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Shares {
    /// Counts.
    #[serde(flatten)]
    pub counts: Confusion,
    /// See [`Confusion::precision`].
    #[serde(with = "forms::optional_number")]
    pub precision: Option<f64>,
    /// See [`Confusion::recall`].
    #[serde(with = "forms::optional_number")]
    pub recall: Option<f64>,
    /// See [`Confusion::f1`].
    #[serde(with = "forms::optional_number")]
    pub f1: Option<f64>,
    /// See [`Confusion::false_alarm_rate`].
    #[serde(with = "forms::optional_number")]
    pub false_alarm_rate: Option<f64>,
    /// See [`Confusion::missed_rate`].
    #[serde(with = "forms::optional_number")]
    pub missed_rate: Option<f64>,
}

impl Shares {
    /// Of counts.
    pub fn of(counts: Confusion) -> Self {
        Self {
            counts,
            precision: counts.precision(),
            recall: counts.recall(),
            f1: counts.f1(),
            false_alarm_rate: counts.false_alarm_rate(),
            missed_rate: counts.missed_rate(),
        }
    }
}

/// Labels and alerts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Episodes {
    /// Labels that could be judged.
    pub labels: usize,
    /// Of them, those an alert rose in.
    pub found: usize,
    /// And the others.
    pub missed: usize,
    /// Alerts that came to this severity.
    pub alerts: usize,
    /// Of them, those that first came to it in no label they fit.
    pub false_alerts: usize,
    /// The same per machine-month of healthy running.
    #[serde(with = "forms::optional_number")]
    pub false_per_machine_month: Option<f64>,
    /// From the beginning of a label to when it was found.
    pub delay_hours: Option<Hours>,
    /// From when it was found to the end of the life; negative: too late.
    pub lead_hours: Option<Hours>,
}

/// Median and worst of some times.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Hours {
    /// Median.
    #[serde(with = "forms::number")]
    pub median: f64,
    /// The longest delay, the shortest lead.
    #[serde(with = "forms::number")]
    pub worst: f64,
}

impl Hours {
    /// Where long is bad.
    pub fn of_delays(spread: Spread) -> Self {
        Self { median: spread.median, worst: spread.most }
    }

    /// Where short is bad.
    pub fn of_leads(spread: Spread) -> Self {
        Self { median: spread.median, worst: spread.least }
    }
}

/// Forecasts of remaining life. What is of one end only is `null` in a sum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Life {
    /// Forecasts made while the label lasted, before the life ended.
    pub forecasts: u64,
    /// Share of intervals from P10 to P90 that held the true life; 0.8 would be right.
    #[serde(with = "forms::optional_number")]
    pub coverage: Option<f64>,
    /// Mean of interval width over true life, where both ends were in sight.
    #[serde(with = "forms::optional_number")]
    pub mean_width: Option<f64>,
    /// Share of intervals with an end out of sight.
    #[serde(with = "forms::optional_number")]
    pub open: Option<f64>,
    /// Share of P50 within a factor of two.
    #[serde(with = "forms::optional_number")]
    pub within_factor_two: Option<f64>,
    /// Share of P50 within α.
    #[serde(with = "forms::optional_number")]
    pub within_alpha: Option<f64>,
    /// α-λ accuracy: of the ends, the share whose forecast at λ was within α.
    #[serde(with = "forms::optional_number")]
    pub alpha_lambda: Option<f64>,
    /// Relative accuracy at λ.
    #[serde(with = "forms::optional_number")]
    pub relative_accuracy: Option<f64>,
    /// Cumulative relative accuracy.
    #[serde(with = "forms::optional_number")]
    pub cumulative_relative_accuracy: Option<f64>,
    /// Prognostic horizon, hours before the end.
    #[serde(with = "forms::optional_number")]
    pub horizon_hours: Option<f64>,
    /// Earliest useful forecast, hours before the end.
    #[serde(with = "forms::optional_number")]
    pub earliest_useful_hours: Option<f64>,
}

impl Life {
    /// Of a score.
    pub fn of(score: &LifeScore) -> Self {
        Self {
            forecasts: score.forecasts,
            coverage: score.coverage(),
            mean_width: score.mean_width(),
            open: score.open_share(),
            within_factor_two: score.factor_two_share(),
            within_alpha: score.alpha_share(),
            alpha_lambda: score.alpha_lambda_share(),
            relative_accuracy: score.relative_at_lambda,
            cumulative_relative_accuracy: score.cumulative_relative_accuracy(),
            horizon_hours: score.horizon_hours,
            earliest_useful_hours: score.useful_hours,
        }
    }
}

/// A label and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LabelResult {
    /// Asset.
    pub asset: String,
    /// What it was.
    pub kind: String,
    /// First moment.
    #[serde(with = "forms::time")]
    pub start: EventTime,
    /// Last moment; `null`: the end of the recording.
    #[serde(with = "forms::optional_time")]
    pub end: Option<EventTime>,
    /// True end of the life.
    #[serde(with = "forms::optional_time")]
    pub life_ends: Option<EventTime>,
    /// The limit its forecasts are to; `null` where there is no end to judge them by.
    pub target: Option<String>,
    /// When it was found: by an alert of severity advisory, warning, alarm or worse.
    pub found: Vec<FoundAt>,
    /// Forecasts against the true end.
    pub remaining_life: Option<Life>,
}

/// When a severity was first reached within a label.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FoundAt {
    /// At least this.
    pub severity: Severity,
    /// Since when; `null`: never.
    #[serde(with = "forms::optional_time")]
    pub at: Option<EventTime>,
    /// Hours from the beginning of the label.
    #[serde(with = "forms::optional_number")]
    pub delay_hours: Option<f64>,
    /// Hours to the end of the life.
    #[serde(with = "forms::optional_number")]
    pub lead_hours: Option<f64>,
}

/// One alert.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AlertLine {
    /// Its id.
    pub id: String,
    /// Asset.
    pub asset: String,
    /// What it is about.
    pub finding: Finding,
    /// When it was raised.
    #[serde(with = "forms::time")]
    pub raised_at: EventTime,
    /// Estimated beginning of the change.
    #[serde(with = "forms::optional_time")]
    pub onset: Option<EventTime>,
    /// Its highest severity; of a false alert, the highest it came to while no label explained it.
    pub worst: Severity,
    /// The sentence it was raised with.
    pub message: String,
}

/// One asset.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AssetResult {
    /// Name.
    pub asset: String,
    /// Its snapshots.
    pub snapshots: Snapshots,
    /// How they were judged.
    pub shares: Shares,
    /// Labels, and of them found.
    pub labels: usize,
    /// See `labels`.
    pub found: usize,
    /// Alerts no label explains.
    pub false_alerts: usize,
    /// Months judged outside all labels.
    #[serde(with = "forms::number")]
    pub healthy_machine_months: f64,
}
