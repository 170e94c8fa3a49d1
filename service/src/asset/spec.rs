//! What an asset is, as configured or as registered from its topics: plate data and points.

use roundsman_models::assess::bearing::{Bearing, BearingOrders};
use roundsman_models::assess::likely_fault::{Axis, MachineFacts};
use roundsman_models::assess::rating_life::RatingLife;
use serde::{Deserialize, Serialize};

/// What a point measures. Decides its physical range, its kept unit and which models look at it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Vibration velocity, kept in mm/s.
    VibrationVelocity,
    /// Vibration acceleration, kept in m/s2.
    VibrationAcceleration,
    /// Vibration displacement, kept in um.
    VibrationDisplacement,
    /// Temperature of a machine part or medium, kept in Cel.
    Temperature,
    /// Shaft speed, kept in /min.
    Speed,
    /// Electric current, kept in A.
    Current,
    /// Electric voltage, kept in V.
    Voltage,
    /// Power, kept in kW.
    Power,
    /// Pressure, kept in bar.
    Pressure,
    /// Volume flow, kept in m3/h.
    Flow,
    /// Load as a share of the rating, kept in %.
    Load,
    /// A state number given by a controller; never averaged, never learned.
    State,
    /// Anything else; kept as it comes, without a physical range.
    Other,
}

/// How a vibration value was formed. The three are different quantities and never converted into one another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Detection {
    /// Root mean square.
    Rms,
    /// Zero to peak.
    Peak,
    /// Peak to peak.
    PeakToPeak,
    /// Not a vibration value, or nobody said.
    Unstated,
}

/// What the models do with a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Tells the machine's condition: has a baseline, is scored, drifts, has limits.
    Condition,
    /// Says how the machine is run (speed, load, current, power ...): forms operating states and explains
    /// condition points by regression.
    Operating,
    /// Surroundings (ambient temperature ...): explains condition points, forms no states.
    Ambient,
    /// Is the operating state, as a controller publishes it.
    State,
}

pub use roundsman_models::detect::limits::Own as OwnLimits;

/// One point of an asset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointSpec {
    /// Name as in the topic or column.
    pub name: String,
    /// What is measured.
    pub quantity: Quantity,
    /// How the value was formed.
    pub detection: Detection,
    /// UCUM code of the unit the value is kept in; empty when nobody said.
    pub unit: String,
    /// What the models do with it.
    pub role: Role,
    /// Values outside are a sensor fault, in the kept unit.
    pub range: (f64, f64),
    /// Bit-identical for longer than this is a stuck sensor; `None` takes the engine's rule.
    pub stuck_after_secs: Option<f64>,
    /// The operator's own limits.
    pub limits: OwnLimits,
}

/// One asset: plate data and points. Points are only ever added, so that an index stays valid.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AssetSpec {
    /// Name, unique on the site.
    pub name: String,
    /// Area, line or building, when the topic or the file says.
    pub area: Option<String>,
    /// Kind of machine in the site's words: pump, fan, blower, compressor, turbine ...
    pub class: Option<String>,
    /// Named severity-zone preset (see `roundsman_models::detect::zones`), when configured.
    pub zones: Option<String>,
    /// Rated power, kW.
    pub rating_kw: Option<f64>,
    /// Rated speed, /min.
    pub rated_speed_rpm: Option<f64>,
    /// `true` when the config file names it; `false` when it was registered from its topic.
    pub configured: bool,
    /// Cadence of its readings, seconds, when configured; otherwise inferred.
    pub cadence_secs: Option<f64>,
    /// Operating states given by ranges, in the order they are tried; empty means learned.
    pub states: Vec<StateRange>,
    /// The points, in the order they were first seen or configured.
    pub points: Vec<PointSpec>,
    /// What a diagnosis from waveforms needs to know.
    pub vibration: VibrationSpec,
}

/// What a diagnosis from waveforms needs to know of a machine; everything may be unknown.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct VibrationSpec {
    /// Blades, teeth, belt, mains and the like.
    pub facts: MachineFacts,
    /// Rolling bearings.
    pub bearings: Vec<BearingSpec>,
    /// Sensors that can take a waveform.
    pub sensors: Vec<SensorSpec>,
    /// Velocity, mm/s RMS, from which vibration matters without a change; from the zones when absent.
    pub matters_from_mm_s: Option<f64>,
}

/// One rolling bearing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BearingSpec {
    /// Its name.
    pub name: String,
    /// Defect frequencies, from multipliers or geometry.
    pub orders: BearingOrders,
    /// Load and rating, when both are given.
    pub rating: Option<RatingLife>,
}

/// One sensor that can take a waveform.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorSpec {
    /// Its point.
    pub point: String,
    /// Its direction.
    pub axis: Option<Axis>,
    /// The bearing it sits on.
    pub bearing: Option<String>,
}

/// Upper limit of zone B for machines of 15 to 300 kW on a rigid support, mm/s RMS (ISO 20816-3, from memory).
pub const MATTERS_FROM_MM_S: f64 = 2.8;

impl VibrationSpec {
    /// What is known of a sensor.
    pub fn sensor(&self, point: &str) -> Option<&SensorSpec> {
        self.sensors.iter().find(|s| s.point == point)
    }

    /// Where a sensor sits: at its bearing, else it is a place of its own.
    pub fn place<'a>(&'a self, point: &'a str) -> &'a str {
        self.sensor(point).and_then(|s| s.bearing.as_deref()).unwrap_or(point)
    }

    /// The bearings as a sensor hears them: the one it sits on is `here`. Where nobody says which, it is the only one.
    pub fn bearings_for(&self, point: &str) -> Vec<Bearing> {
        let own = self.sensor(point).and_then(|s| s.bearing.as_deref());
        let here = |bearing: &BearingSpec| match own {
            Some(own) => bearing.name == own,
            None => self.bearings.len() == 1,
        };
        let bearing = |b: &BearingSpec| Bearing { name: b.name.clone(), here: here(b), orders: b.orders };
        self.bearings.iter().map(bearing).collect()
    }
}

/// An operating state given by ranges of operating points: all must hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StateRange {
    /// Name of the state.
    pub name: String,
    /// Point name, lowest value, highest value, in the point's kept unit.
    pub within: Vec<(String, f64, f64)>,
}
