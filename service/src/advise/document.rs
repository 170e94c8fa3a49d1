//! The documents we publish, as plain data. `schema` is bumped when a field changes its meaning.
//!
//! Every value carries its unit, every time is ISO 8601 UTC, identity comes from asset and finding only.

use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};

/// How urgent, in rising order. Advisory: plan, nothing to do now (a drift, step or new state below the limits).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Worth planning for.
    Advisory,
    /// A warning limit is passed.
    Warning,
    /// An alarm limit is passed.
    Alarm,
}

/// What the row or the asset is in: the `zone` column of `scores.csv`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Zone {
    /// No baseline yet.
    Learning,
    /// Not running.
    Stopped,
    /// Just started or changed its operating state.
    Settling,
    /// As learned.
    Normal,
    /// See [`Severity::Advisory`].
    Advisory,
    /// See [`Severity::Warning`].
    Warning,
    /// See [`Severity::Alarm`].
    Alarm,
}

/// What an episode is about: with the asset, its identity.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// The machine itself.
    Machine,
    /// One sensor (point name): stuck, out of range, silent.
    Sensor(String),
    /// The whole asset is silent.
    Silence,
}

/// What was seen of a machine or a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Evidence {
    /// A point is past a limit.
    Limit,
    /// The points together no longer fit the learned pattern.
    Pattern,
    /// A sudden, lasting change.
    Step,
    /// A slow change.
    Drift,
    /// An operating state never seen before.
    NewState,
    /// Bit-identical too long.
    Stuck,
    /// Outside the physical range.
    OutOfRange,
    /// Was seen and stopped.
    Silent,
    /// Configured and never seen.
    NeverSeen,
}

/// A value with its UCUM unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// UCUM code; empty when nobody said.
    pub unit: String,
}

/// Where a limit came from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimitSource {
    /// The limit.
    pub limit: Measured,
    /// `baseline`, a zone preset's name with its edition, or `own`.
    pub source: String,
}

/// One point's part in an alert.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// Point name.
    pub point: String,
    /// Why this point counts.
    pub evidence: Evidence,
    /// What was observed.
    pub observed: Measured,
    /// What was expected at this operating state and load; `None` before a baseline.
    pub expected: Option<Measured>,
    /// Half width of the expected band, same unit.
    pub band: Option<f64>,
    /// Distance from expected in baseline standard deviations.
    pub sigmas: Option<f64>,
    /// Share in the asset's deviation, 0 to 1.
    pub share: f64,
    /// The limit that applied, if one did.
    pub limit: Option<LimitSource>,
    /// Estimated time the change began.
    pub onset: Option<EventTime>,
}

/// One forecast to one target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// Point name.
    pub point: String,
    /// `warning`, `alarm` or `zone-d`.
    pub target: String,
    /// The limit extrapolated to.
    pub limit: LimitSource,
    /// Hours until it is reached: 10 %, 50 % and 90 % of the forecast distribution. An interval end beyond the
    /// horizon is `None`.
    pub p10_hours: Option<f64>,
    /// Median.
    pub p50_hours: Option<f64>,
    /// 90 %.
    pub p90_hours: Option<f64>,
}

/// Remaining life, or the reason there is none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RemainingLife {
    /// Forecasts, nearest first; empty when there is none.
    pub forecasts: Vec<Forecast>,
    /// Degradation model chosen: `linear` or `exponential`.
    pub model: Option<String>,
    /// Why there is no forecast.
    pub none_because: Option<String>,
}

/// The life-cycle state of an alert, in the words of ISA-18.2 / IEC 62682.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LifeState {
    /// Nothing open.
    Normal,
    /// Active, nobody has said they know.
    Unacknowledged,
    /// Active and known.
    Acknowledged,
    /// Gone before anybody said they know.
    ReturnedUnacknowledged,
    /// Held back by a person until a time.
    Shelved,
    /// Held back by logic: the machine is stopped or settling.
    SuppressedByDesign,
    /// Held back by maintenance.
    OutOfService,
}

/// What made an alert document be published.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// The episode began.
    Raised,
    /// Severity went up.
    Escalated,
    /// Severity went down and the episode goes on.
    Eased,
    /// The condition has gone.
    Returned,
    /// A person acknowledged.
    Acknowledged,
    /// A person shelved it.
    Shelved,
    /// Shelving ended.
    Unshelved,
    /// Taken out of service.
    TakenOutOfService,
    /// Back in service.
    ReturnedToService,
    /// Data stopped; the alert stands as it was.
    Frozen,
    /// Data came back.
    Thawed,
    /// The episode is over.
    Closed,
}

/// One transition of one alert: what goes to `…/{asset}/alert` and into `alerts.jsonl`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alert {
    /// Stable: site, asset, finding and the episode's ordinal.
    pub id: String,
    /// Counts the transitions of the episode from 1; id + revision is a consumer's duplicate key.
    pub revision: u32,
    /// Site name.
    pub site: String,
    /// Asset name.
    pub asset: String,
    /// What it is about.
    pub finding: Finding,
    /// What happened now.
    pub change: Change,
    /// Life-cycle state after it.
    pub state: LifeState,
    /// Severity now.
    pub severity: Severity,
    /// Highest severity of the episode.
    pub worst: Severity,
    /// Sensor status by NAMUR NE 107, for findings about a sensor.
    pub sensor_status: Option<String>,
    /// Event time of this transition.
    pub at: EventTime,
    /// When the episode was raised.
    pub raised_at: EventTime,
    /// Estimated time the change began.
    pub onset: Option<EventTime>,
    /// Operating state's name.
    pub operating_state: Option<String>,
    /// The asset's deviation, equivalent standard score.
    pub deviation: Option<f64>,
    /// 0 to 1: one minus the tail probability, capped by how much was learned.
    pub confidence: Option<f64>,
    /// Points that take part, largest share first.
    pub contributions: Vec<Contribution>,
    /// Remaining life as of now.
    pub remaining_life: Option<RemainingLife>,
    /// One plain sentence: what was seen, and what to check.
    pub message: String,
    /// Who acted, for a transition by command.
    pub by: Option<String>,
    /// What they said.
    pub note: Option<String>,
}

/// The state of an asset as a whole: what goes, retained, to `…/{asset}/condition`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Condition {
    /// Site name.
    pub site: String,
    /// Asset name.
    pub asset: String,
    /// Event time of the statement.
    pub at: EventTime,
    /// Zone now.
    pub zone: Zone,
    /// Operating state's name.
    pub operating_state: Option<String>,
    /// Hours run since the asset was registered.
    pub run_hours: f64,
    /// Share of the learning done, 0 to 1.
    pub learned: f64,
    /// The asset's deviation, equivalent standard score.
    pub deviation: Option<f64>,
    /// Ids of the alerts that are open.
    pub open_alerts: Vec<String>,
    /// Points whose sensor is at fault, with their NAMUR NE 107 status.
    pub sensor_faults: Vec<(String, String)>,
    /// One plain sentence.
    pub message: String,
}
