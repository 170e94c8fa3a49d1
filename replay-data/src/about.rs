//! The truth file `about.toml`: what the site is, what was planted, where and when. Meant to be read by programs; the
//! demo's summary and the evaluation are judged against it.

use serde::{Deserialize, Serialize};

use crate::fault::FaultKind;
use crate::machine::Mounting;

/// Said in every truth file.
pub const NOTE: &str = "Simulated by roundsman-replay-data. The site, its machines and every value are invented; \
                        nothing here was measured on a real machine.";

/// The truth about one recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct About {
    /// Raised when a key changes its meaning.
    pub schema: u32,
    /// Always `true`.
    pub simulated: bool,
    /// [`NOTE`].
    pub note: String,
    /// Name of the site.
    pub site: String,
    /// What the recording was drawn from.
    pub seed: u64,
    /// `fixed`, `random` or `none`.
    pub plan: String,
    /// Length, days.
    pub days: u32,
    /// Start, RFC 3339, UTC.
    pub start: String,
    /// End, RFC 3339, UTC.
    pub end: String,
    /// Nominal time between two messages of a machine, seconds.
    pub cadence_secs: u32,
    /// Readings in the recording.
    pub readings: u64,
    /// What was planted, in the order of the machines.
    #[serde(default)]
    pub faults: Vec<AboutFault>,
    /// When an area's gateway was down.
    #[serde(default)]
    pub outages: Vec<AboutOutage>,
    /// The machines.
    pub assets: Vec<AboutAsset>,
}

/// One planted fault.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AboutFault {
    /// Machine.
    pub asset: String,
    /// What it is.
    pub kind: FaultKind,
    /// In words.
    pub description: String,
    /// `true` when only a sensor is at fault and the machine is well.
    pub of_sensor: bool,
    /// The point the times below are about.
    pub point: String,
    /// All points that show it.
    pub points: Vec<String>,
    /// Operating states it shows in.
    pub states: Vec<String>,
    /// First moment of the fault, RFC 3339, UTC. It lasts to the end of the recording.
    pub start: String,
    /// Stop that came before it: its start; the fault starts when it ends.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stopped_from: Option<String>,
    /// Growth towards a limit, for slow faults.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<AboutLimit>,
}

/// When a slow fault reaches its limits. "Level" is free of noise, at the state's nominal load and speed, with the
/// mean air temperature of the recording; times may lie after the end of the recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AboutLimit {
    /// Warning limit.
    pub warning_high: f64,
    /// Alarm limit.
    pub alarm_high: f64,
    /// Unit of both.
    pub unit: String,
    /// The state the next times are about: the one most time is spent in or, for a machine run at several speeds, the
    /// fastest.
    pub state: String,
    /// The level reaches the warning limit.
    pub reaches_warning_at: String,
    /// The level reaches the alarm limit.
    pub reaches_alarm_at: String,
    /// First day (UTC) whose median reading in that state is above the alarm limit: what noise, load and weather
    /// made of it. Missing when no day is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub first_day_above_alarm: Option<String>,
    /// The level reaches the alarm limit, by running state.
    pub reaches_alarm_by_state: Vec<AboutCrossing>,
}

/// One state's time of reaching the alarm limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AboutCrossing {
    /// Operating state.
    pub state: String,
    /// RFC 3339, UTC.
    pub at: String,
}

/// A time in which nothing came from an area.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AboutOutage {
    /// Area.
    pub area: String,
    /// RFC 3339, UTC.
    pub start: String,
    /// RFC 3339, UTC.
    pub end: String,
}

/// One machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AboutAsset {
    /// Name.
    pub name: String,
    /// Kind of machine.
    pub class: String,
    /// Area.
    pub area: String,
    /// Rated power, kW.
    pub rating_kw: f64,
    /// Rated speed, /min.
    pub rated_speed_rpm: f64,
    /// How it stands.
    pub mounting: Mounting,
    /// Nothing is planted on it, neither on the machine nor on a sensor.
    pub healthy: bool,
    /// Ways it is run; the first is standing still.
    pub states: Vec<AboutState>,
    /// Its points.
    pub points: Vec<AboutPoint>,
}

/// One way of running.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AboutState {
    /// Name.
    pub name: String,
    /// Nominal speed, /min.
    pub speed_rpm: f64,
    /// Nominal load, % of rated power.
    pub load_percent: f64,
}

/// One point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AboutPoint {
    /// Name.
    pub name: String,
    /// Unit as sent.
    pub unit: String,
    /// What it measures.
    pub quantity: String,
    /// How a vibration value was formed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detection: Option<String>,
    /// `condition`, `operating` or `ambient`.
    pub role: String,
    /// Smallest step of the sensor, in the unit as sent.
    pub resolution: f64,
}
