//! The documents we publish, as plain data, and their one way to JSON and back.
//!
//! A document names its form in `schema`, the name's number goes up when a field changes its meaning; new fields may
//! come without. Every key is always there, `null` says "nothing to say". Every value carries its unit (UCUM), every
//! time is RFC 3339 in UTC, milliseconds as a rule and microseconds where the data have them. Numbers are rounded to
//! six significant digits: more is noise, and documents stay comparable byte for byte. A number that is not finite is
//! `null`. Identity comes from site, asset, finding and the episode's ordinal only; values are attributes.
//!
//! The same structs stored in a binary format keep times and numbers to the last bit.

use super::diagnosis::LikelyFault;
use super::forms;
use crate::engine::LimitName;
use roundsman_models::EventTime;
use roundsman_models::detect::limits::{Limit, Source};
use roundsman_models::detect::zones::Preset;
use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

pub use roundsman_models::detect::alarm::{Change, LifeState, Severity};

/// Something with a schema name: all that is published goes through here.
pub trait Document: Serialize + DeserializeOwned {
    /// Name and version of the form.
    const SCHEMA: &'static str;

    /// One line of JSON, `schema` first, keys in the order of the struct.
    fn to_json(&self) -> String {
        #[derive(Serialize)]
        struct Named<'a, T> {
            schema: &'static str,
            #[serde(flatten)]
            body: &'a T,
        }
        // Plain data with string keys: serde_json has no way to fail on it, and a broken document must not be sent.
        serde_json::to_string(&Named { schema: Self::SCHEMA, body: self }).expect("documents are plain data")
    }

    /// The document, or why it is none: not JSON, another schema, a field that does not fit.
    fn from_json(text: &str) -> Result<Self, DocumentFault> {
        #[derive(Deserialize)]
        struct Named {
            schema: String,
        }
        let Named { schema } = serde_json::from_str(text)?;
        if schema != Self::SCHEMA {
            return Err(DocumentFault::Schema { want: Self::SCHEMA, got: schema });
        }
        Ok(serde_json::from_str(text)?)
    }
}

/// Why a text is not the document asked for.
#[derive(Debug, thiserror::Error)]
pub enum DocumentFault {
    /// Not JSON, or a field is missing or does not fit.
    #[error("not a readable document: {0}")]
    Unreadable(#[from] serde_json::Error),
    /// Another document, or another version of it.
    #[error("schema is {got:?}, wanted {want:?}")]
    Schema {
        /// The one asked for.
        want: &'static str,
        /// The one that came.
        got: String,
    },
}

/// What the row or the asset is in: the `zone` column of `scores.csv`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, JsonSchema, Serialize, Deserialize)]
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
    /// Worth planning for; nothing to do now.
    Advisory,
    /// A warning limit is passed, or what warns as much.
    Warning,
    /// An alarm limit is passed, or what alarms as much.
    Alarm,
}

/// What an episode is about: with the asset, its identity. In JSON always an object of the same two keys:
/// `{"about":"machine","point":null}`, `{"about":"sensor","point":"de-vib"}`, `{"about":"silence","point":null}`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, JsonSchema, Serialize, Deserialize)]
#[serde(try_from = "forms::FindingForm", into = "forms::FindingForm")]
pub enum Finding {
    /// The machine itself.
    Machine,
    /// One sensor (point name): stuck, out of range, silent.
    Sensor(String),
    /// The whole asset is silent.
    Silence,
}

impl Finding {
    /// As it stands in an alert id: `machine`, `sensor:NAME`, `silence`.
    pub fn key(&self) -> String {
        match self {
            Finding::Machine => "machine".to_owned(),
            Finding::Sensor(point) => format!("sensor:{point}"),
            Finding::Silence => "silence".to_owned(),
        }
    }
}

/// The id of an episode: `site/asset/finding/ordinal`. Stable over restarts, never used twice.
pub fn alert_id(site: &str, asset: &str, finding: &Finding, episode: u64) -> String {
    format!("{site}/{asset}/{}/{episode}", finding.key())
}

/// What was seen of a machine or a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, JsonSchema, Serialize, Deserialize)]
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
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Measured {
    /// The value.
    #[serde(with = "forms::number")]
    pub value: f64,
    /// UCUM code; empty when nobody said.
    pub unit: String,
}

/// Where a limit came from.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct LimitSource {
    /// The limit.
    pub limit: Measured,
    /// `baseline`, a zone preset's name with its edition, `own`, `assumed` (where such machines fail) or `history`.
    pub source: String,
}

impl LimitSource {
    /// A limit as a document quotes it: `unit` is the point's kept unit, `zones` the preset the asset is set to.
    pub fn of(limit: &Limit, unit: &str, zones: Option<&Preset>) -> LimitSource {
        let source = match limit.source {
            Source::Baseline => "baseline",
            Source::Own => "own",
            // A limit from zones cannot be without them, unless the setting was taken away under it.
            Source::Zones => zones.map_or("zones", Preset::edition),
        };
        let limit = Measured { value: limit.value, unit: unit.to_owned() };
        LimitSource { limit, source: source.to_owned() }
    }
}

/// One point's part in an alert.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
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
    #[serde(with = "forms::optional_number")]
    pub band: Option<f64>,
    /// Distance from expected in baseline standard deviations.
    #[serde(with = "forms::optional_number")]
    pub sigmas: Option<f64>,
    /// Share in the asset's deviation, 0 to 1.
    #[serde(with = "forms::number")]
    pub share: f64,
    /// The limit that applied, if one did.
    pub limit: Option<LimitSource>,
    /// Estimated time the change began.
    #[serde(with = "forms::optional_time")]
    pub onset: Option<EventTime>,
}

/// One forecast to one target.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Forecast {
    /// Point name.
    pub point: String,
    /// `warning`, `alarm`, `zone-d` or `failure`.
    pub target: String,
    /// The limit extrapolated to.
    pub limit: LimitSource,
    /// Hours until it is reached: 10 %, 50 % and 90 % of the forecast distribution. An interval end beyond the
    /// horizon is `None`.
    #[serde(with = "forms::optional_number")]
    pub p10_hours: Option<f64>,
    /// Median.
    #[serde(with = "forms::optional_number")]
    pub p50_hours: Option<f64>,
    /// 90 %.
    #[serde(with = "forms::optional_number")]
    pub p90_hours: Option<f64>,
}

/// Remaining life, or the reason there is none.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct RemainingLife {
    /// Forecasts, nearest first; empty when there is none.
    pub forecasts: Vec<Forecast>,
    /// Degradation model chosen: `linear`, `exponential`, `slowing` or `power`; `past-cases` when the nearest rests on them.
    pub model: Option<String>,
    /// Why there is no forecast.
    pub none_because: Option<String>,
    /// Intervals this asset was given before that could be judged since, each at a level on the way.
    pub past_intervals: u32,
    /// How many of them held what came; 0.8 of them should.
    pub past_intervals_held: u32,
    /// What past cases of its class say, or why they say nothing; `None` when there are none.
    pub history: Option<String>,
}

/// One transition of one alert: what goes to `…/{asset}/alert` and into `alerts.jsonl`.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
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
    #[serde(with = "forms::time")]
    pub at: EventTime,
    /// When the episode was raised.
    #[serde(with = "forms::time")]
    pub raised_at: EventTime,
    /// Estimated time the change began.
    #[serde(with = "forms::optional_time")]
    pub onset: Option<EventTime>,
    /// Operating state's name.
    pub operating_state: Option<String>,
    /// The asset's deviation, equivalent standard score.
    #[serde(with = "forms::optional_number")]
    pub deviation: Option<f64>,
    /// 0 to 1: one minus the tail probability, capped by how much was learned.
    #[serde(with = "forms::optional_number")]
    pub confidence: Option<f64>,
    /// Points that take part, largest share first.
    pub contributions: Vec<Contribution>,
    /// Remaining life as of now.
    pub remaining_life: Option<RemainingLife>,
    /// What it may be: from waveforms where there are any, else a direction from the readings.
    pub likely_fault: Option<LikelyFault>,
    /// What was planned while it was held back, when it was.
    pub held_back: Option<HeldBack>,
    /// Machines of its groups whose findings are of the same time; empty when there are none.
    #[serde(default)]
    pub neighbours: Vec<Neighbour>,
    /// Set when all points moved together as after a change of set-up.
    pub set_up: Option<SetUp>,
    /// One plain sentence: what was seen, and what to check.
    pub message: String,
    /// Who acted, for a transition by command.
    pub by: Option<String>,
    /// What they said.
    pub note: Option<String>,
}

/// Why an alert was not given when it was due.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct HeldBack {
    /// When it would have been raised.
    #[serde(with = "forms::time")]
    pub since: EventTime,
    /// Begin of the maintenance window.
    #[serde(with = "forms::time")]
    pub from: EventTime,
    /// Its end.
    #[serde(with = "forms::time")]
    pub to: EventTime,
    /// What was done.
    pub reason: String,
    /// Who answers for it.
    pub by: String,
}

/// What a neighbour is to the asset of an alert.
#[derive(Debug, Clone, Copy, PartialEq, Eq, JsonSchema, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Relation {
    /// It drives or feeds the asset.
    Parent,
    /// The asset drives or feeds it.
    Child,
    /// Both are members.
    Member,
}

/// A machine of the same group that departed at the same time.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Neighbour {
    /// The machine.
    pub asset: String,
    /// The group both are in.
    pub group: String,
    /// What ties the group together.
    pub kind: String,
    /// What it is to this asset.
    pub relation: Relation,
    /// Since when its finding stands.
    #[serde(with = "forms::time")]
    pub since: EventTime,
    /// How severe that is.
    pub severity: Severity,
    /// Its own alert; `None` when this alert speaks for it.
    pub alert: Option<String>,
}

/// All points of a machine moved together.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct SetUp {
    /// Observed over expected, the middle of all points.
    #[serde(with = "forms::number")]
    pub factor: f64,
    /// How many points were compared.
    pub points: u32,
    /// When the machine, or its data, came back from the pause before.
    #[serde(with = "forms::time")]
    pub since: EventTime,
    /// Machines of its groups that moved by a like factor after a pause of the same time.
    pub machines: Vec<String>,
}

/// A maintenance window of an asset, and what it held back.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Maintenance {
    /// Begin.
    #[serde(with = "forms::time")]
    pub from: EventTime,
    /// End.
    #[serde(with = "forms::time")]
    pub to: EventTime,
    /// What is done.
    pub reason: String,
    /// Who answers for it.
    pub by: String,
    /// Whether it is open now; else it is the last one.
    pub open: bool,
    /// What would have been raised in it, in the order of time.
    pub held_back: Vec<Withheld>,
}

/// A finding that would have been raised.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Withheld {
    /// What it is about.
    pub finding: Finding,
    /// Highest severity it had.
    pub severity: Severity,
    /// When it would have been raised.
    #[serde(with = "forms::time")]
    pub since: EventTime,
    /// When it had gone again, if it has.
    #[serde(with = "forms::optional_time")]
    pub gone: Option<EventTime>,
    /// The alert that was raised of it at the end of the window.
    pub alert: Option<String>,
}

/// A centre and a spread of a point's values while the machine runs, in the point's unit.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Statistic {
    /// Median of the last values, mean of all.
    #[serde(with = "forms::optional_number")]
    pub middle: Option<f64>,
    /// Standard deviation; of the last values a robust one, 1.4826 × the median absolute deviation.
    #[serde(with = "forms::optional_number")]
    pub spread: Option<f64>,
    /// What 95 % stay below; not kept of the last values.
    #[serde(with = "forms::optional_number")]
    pub p95: Option<f64>,
}

/// Where one point stands.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct PointNow {
    /// Point name.
    pub point: String,
    /// UCUM code all its values are in.
    pub unit: String,
    /// Newest value.
    #[serde(with = "forms::optional_number")]
    pub observed: Option<f64>,
    /// What was expected at this operating state and load; `None` before a baseline.
    #[serde(with = "forms::optional_number")]
    pub expected: Option<f64>,
    /// Half width of the expected band.
    #[serde(with = "forms::optional_number")]
    pub band: Option<f64>,
    /// Distance from expected in baseline standard deviations.
    #[serde(with = "forms::optional_number")]
    pub sigmas: Option<f64>,
    /// Of the last values: an hour at five minutes.
    pub lately: Statistic,
    /// Since the asset was registered or relearned.
    pub all: Statistic,
    /// Change per hour over the last hours of running.
    #[serde(with = "forms::optional_number")]
    pub per_hour: Option<f64>,
    /// The limits in force, as of this statement.
    #[serde(default)]
    pub limits: Vec<NamedLimit>,
}

/// One limit of a point, by its name.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct NamedLimit {
    /// `warning-high`, `alarm-high`, `warning-low` or `alarm-low`.
    pub name: LimitName,
    /// Value and source.
    pub limit: LimitSource,
}

/// The state of an asset as a whole: what goes, retained, to `…/{asset}/condition`.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Condition {
    /// Site name.
    pub site: String,
    /// Asset name.
    pub asset: String,
    /// Event time of the statement.
    #[serde(with = "forms::time")]
    pub at: EventTime,
    /// Zone now.
    pub zone: Zone,
    /// Operating state's name.
    pub operating_state: Option<String>,
    /// Hours run since the asset was registered.
    #[serde(with = "forms::number")]
    pub run_hours: f64,
    /// Share of the learning done, 0 to 1.
    #[serde(with = "forms::number")]
    pub learned: f64,
    /// The asset's deviation, equivalent standard score.
    #[serde(with = "forms::optional_number")]
    pub deviation: Option<f64>,
    /// What the thresholds are and rest on; `None` while learning.
    pub thresholds: Option<Thresholds>,
    /// Ids of the alerts that are open.
    pub open_alerts: Vec<String>,
    /// Points whose sensor is at fault, with their NAMUR NE 107 status.
    #[serde(with = "forms::sensor_faults")]
    pub sensor_faults: Vec<(String, String)>,
    /// Where each condition point stands, in the order of the configuration.
    pub points: Vec<PointNow>,
    /// The maintenance window that is open, or the last one.
    pub maintenance: Option<Maintenance>,
    /// The alert of another machine of its group that speaks for what stands here.
    pub told_by: Option<String>,
    /// One plain sentence.
    pub message: String,
}

/// Thresholds of one machine, and what they rest on.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Thresholds {
    /// The budget: false warnings per machine and year of running.
    #[serde(with = "forms::number")]
    pub false_warnings_per_year: f64,
    /// Deviation that is worth an advisory, equivalent standard score.
    #[serde(with = "forms::number")]
    pub deviation: f64,
    /// Limit of the cumulative sums, standard deviations.
    #[serde(with = "forms::number")]
    pub step_limit: f64,
    /// Two-sided significance a drift must reach.
    #[serde(with = "forms::number")]
    pub drift_significance: f64,
    /// Rows learned from.
    pub rows: u32,
    /// The fewest independent rows any point's spread rests on.
    #[serde(with = "forms::number")]
    pub independent_rows: f64,
    /// The most any point's threshold was widened for want of independent rows, a factor.
    #[serde(with = "forms::number")]
    pub widened: f64,
    /// The same in a sentence.
    pub message: String,
}

/// A remaining-life statement with its address: what goes, retained, to `…/{asset}/remaining-life`.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct RemainingLifeStatement {
    /// Site name.
    pub site: String,
    /// Asset name.
    pub asset: String,
    /// Event time of the statement: hours are counted from here.
    #[serde(with = "forms::time")]
    pub at: EventTime,
    /// The statement, under the key it has in an alert.
    pub remaining_life: RemainingLife,
}

/// An asset's life up to its end, as a past case for others of its class: a file of the folder `history.dir`.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct History {
    /// Site name.
    pub site: String,
    /// Asset name.
    pub asset: String,
    /// Its class; a history without one helps nobody.
    pub class: Option<String>,
    /// When it ended.
    #[serde(with = "forms::time")]
    pub ended_at: EventTime,
    /// Names of the points, in the order of the case's columns.
    pub points: Vec<String>,
    /// Their units.
    pub units: Vec<String>,
    /// The levels.
    pub case: roundsman_models::prognose::fleet::Case,
}

impl Document for History {
    const SCHEMA: &'static str = "roundsman.history/1";
}

impl Document for Alert {
    const SCHEMA: &'static str = "roundsman.alert/1";
}

impl Document for Condition {
    const SCHEMA: &'static str = "roundsman.condition/1";
}

impl Document for RemainingLifeStatement {
    const SCHEMA: &'static str = "roundsman.remaining-life/1";
}

#[cfg(test)]
#[path = "document_tests.rs"]
pub(crate) mod tests;
