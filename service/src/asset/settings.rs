//! Settings of the engine, checked and in seconds: what the configuration file's `[learn]`, `[align]`,
//! `[screen]`, `[detect]`, `[alarm]` and `[capture]` tables turn into. One set per asset (site defaults, then the asset's own).

use super::calendar::Window;
use super::groups::Groups;
use super::history::ClassHistory;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Everything the engine of one asset can be told.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Settings {
    /// How long and on how much a baseline is learned.
    pub learn: Learn,
    /// How readings become snapshots.
    pub align: Align,
    /// What falls off before the models.
    pub screen: Screen,
    /// How much is a deviation, a step, a drift.
    pub detect: Detect,
    /// Delays and deadbands of alarms.
    pub alarm: Alarm,
    /// What past cases of the asset's class taught; part of the configuration, made anew from its files at every start.
    #[serde(skip)]
    pub history: Option<Arc<ClassHistory>>,
    /// When waveforms are asked for.
    pub capture: Capture,
    /// Planned work on all assets of the site; an asset picks its own. As the configuration says at every start.
    #[serde(skip)]
    pub calendar: Arc<Vec<Arc<Window>>>,
    /// Machines that belong together, likewise.
    #[serde(skip)]
    pub groups: Arc<Groups>,
}

/// Learning of a baseline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Learn {
    /// Run time before a baseline is fitted, seconds. 25 h: common practice for automatic limits.
    pub run_time_secs: f64,
    /// Snapshots needed besides, so that a slow sensor is not learned from a handful.
    pub min_snapshots: u32,
}

/// Alignment of points into snapshots.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Align {
    /// Cadence, seconds; `None` infers it from the first readings.
    pub cadence_secs: Option<f64>,
    /// How long a point's last value stands in for a missing one, in cadences.
    pub hold_cadences: f64,
    /// How long a closed interval stays open for late readings, seconds.
    pub allowed_lateness_secs: f64,
}

/// Screening of readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Screen {
    /// Further ahead of the stream's clock than this is refused, seconds.
    pub max_future_secs: f64,
    /// Further behind the stream's clock than this is refused, seconds.
    pub max_past_secs: f64,
    /// A point bit-identical for more than this many cadences (and `stuck_secs`) is stuck.
    pub stuck_cadences: f64,
    /// Lower bound of the same, seconds.
    pub stuck_secs: f64,
    /// An asset or point silent for this many cadences is reported.
    pub silent_cadences: f64,
    /// Lower bound of the same, seconds.
    pub silent_secs: f64,
}

/// Thresholds of the detectors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Detect {
    /// False warnings a machine may give in a year of running; alarms a tenth of it. Thresholds follow from it.
    pub false_warnings_per_year: f64,
    /// Deviation, in equivalent standard scores, that is worth an advisory; `None`: from the budget.
    pub advisory_sigmas: Option<f64>,
    /// Baseline limit for a warning, standard scores.
    pub warning_sigmas: f64,
    /// Baseline limit for an alarm, standard scores.
    pub alarm_sigmas: f64,
    /// Share of its level by which a vibration must change to mean anything: 20 %, under 2 dB (common practice).
    /// Other quantities and baseline limits follow it, see `asset/layout.rs` and `asset/findings.rs`.
    pub least_change: f64,
    /// CUSUM slack (k), standard deviations.
    pub step_slack_sigmas: f64,
    /// CUSUM limit (h), standard deviations; `None`: from the budget.
    pub step_limit_sigmas: Option<f64>,
    /// Two-sided significance a drift must reach; `None`: from the budget.
    pub drift_significance: Option<f64>,
    /// Size a drift must have reached, standard deviations.
    pub drift_least_sigmas: f64,
}

/// Alarm delays.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alarm {
    /// Snapshots a condition must persist before it is raised.
    pub raise_snapshots: u32,
    /// Snapshots it must be gone before it is cleared.
    pub clear_snapshots: u32,
    /// Share of a limit a value must fall below it before it counts as gone.
    pub deadband: f64,
    /// Time after a start or a change of state in which nothing alarms, seconds; `None` takes three cadences.
    pub settle_secs: Option<f64>,
    /// An alert that has gone and that nobody acknowledged closes after this, seconds; 0 waits for a person.
    pub auto_close_secs: f64,
    /// The longest time a person may shelve an alert for, seconds.
    pub longest_shelf_secs: f64,
    /// An active alert that nobody acknowledges is said again after this, seconds; 0 says it once.
    pub remind_secs: f64,
}

/// Requests for waveforms.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Capture {
    /// Whether anybody is asked but by command.
    pub requests: bool,
    /// Whether at an advisory too; else from a warning on.
    pub advisories: bool,
    /// Between two requests for one asset, seconds.
    pub min_interval_secs: f64,
    /// How long an answer is waited for, seconds.
    pub timeout_secs: f64,
}

impl Default for Capture {
    fn default() -> Self {
        Self { requests: true, advisories: false, min_interval_secs: 600.0, timeout_secs: 300.0 }
    }
}

impl Default for Learn {
    fn default() -> Self {
        Self { run_time_secs: 25.0 * 3600.0, min_snapshots: 100 }
    }
}

impl Default for Align {
    fn default() -> Self {
        Self { cadence_secs: None, hold_cadences: 2.5, allowed_lateness_secs: 0.0 }
    }
}

impl Default for Screen {
    fn default() -> Self {
        Self {
            max_future_secs: 300.0,
            max_past_secs: 7.0 * 86_400.0,
            stuck_cadences: 24.0,
            stuck_secs: 1800.0,
            silent_cadences: 6.0,
            silent_secs: 900.0,
        }
    }
}

impl Default for Detect {
    fn default() -> Self {
        Self {
            false_warnings_per_year: 1.0,
            advisory_sigmas: None,
            warning_sigmas: 6.0,
            alarm_sigmas: 10.0,
            least_change: 0.2,
            step_slack_sigmas: 1.0,
            step_limit_sigmas: None,
            drift_significance: None,
            drift_least_sigmas: 2.0,
        }
    }
}

impl Default for Alarm {
    fn default() -> Self {
        Self {
            raise_snapshots: 3,
            clear_snapshots: 288,
            deadband: 0.1,
            settle_secs: None,
            auto_close_secs: 7.0 * 86_400.0,
            longest_shelf_secs: 30.0 * 86_400.0,
            remind_secs: 0.0,
        }
    }
}
