//! What is written on an asset's plate, for whoever looks at it: kind, ratings, bearings, points.

use crate::asset::spec::{AssetSpec, Detection, OwnLimits, Quantity, Role};
use roundsman_models::assess::bearing::BearingOrders;
use roundsman_models::assess::likely_fault::{Axis, MachineFacts};
use roundsman_models::detect::zones::Preset;
use serde::{Deserialize, Serialize};

/// Plate data of one asset as it is defined now. Read back from files of before: what is new has to have a default.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Plate {
    /// Area, line or building.
    pub area: Option<String>,
    /// Kind of machine in the site's words.
    pub class: Option<String>,
    /// Severity zones: the preset's name.
    pub zones: Option<String>,
    /// Their standard with its edition, which says how the machine is mounted.
    pub zones_edition: Option<String>,
    /// Rated power, kW.
    pub rating_kw: Option<f64>,
    /// Rated speed, /min.
    pub rated_speed_rpm: Option<f64>,
    /// Whether the config file names it.
    pub configured: bool,
    /// Blades, teeth, belt, mains and the like.
    pub facts: MachineFacts,
    /// Rolling bearings.
    pub bearings: Vec<PlateBearing>,
    /// Points, in the order of their indices.
    pub points: Vec<PlatePoint>,
}

/// One rolling bearing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlateBearing {
    /// Its name.
    pub name: String,
    /// Defect frequencies as multiples of shaft speed.
    pub orders: BearingOrders,
}

/// One point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlatePoint {
    /// Name.
    pub name: String,
    /// What is measured.
    pub quantity: Quantity,
    /// How a vibration value was formed.
    pub detection: Detection,
    /// UCUM code of the unit it is kept in; empty when nobody said.
    pub unit: String,
    /// What the models do with it.
    pub role: Role,
    /// Direction of the sensor, where it takes waveforms.
    #[serde(default)]
    pub axis: Option<Axis>,
    /// Bearing it sits on.
    #[serde(default)]
    pub bearing: Option<String>,
    /// The operator's own limits as configured.
    #[serde(default)]
    pub own_limits: OwnLimits,
}

impl Plate {
    /// Of an asset as it is defined.
    pub fn of(spec: &AssetSpec) -> Self {
        let points = spec.points.iter().map(|point| {
            let sensor = spec.vibration.sensor(&point.name);
            PlatePoint {
                name: point.name.clone(),
                quantity: point.quantity,
                detection: point.detection,
                unit: point.unit.clone(),
                role: point.role,
                axis: sensor.and_then(|s| s.axis),
                bearing: sensor.and_then(|s| s.bearing.clone()),
                own_limits: point.limits,
            }
        });
        let bearings = spec.vibration.bearings.iter();
        Self {
            area: spec.area.clone(),
            class: spec.class.clone(),
            zones: spec.zones.clone(),
            zones_edition: spec.zones.as_deref().and_then(Preset::by_name).map(|zones| zones.edition().to_owned()),
            rating_kw: spec.rating_kw,
            rated_speed_rpm: spec.rated_speed_rpm,
            configured: spec.configured,
            facts: spec.vibration.facts,
            bearings: bearings.map(|b| PlateBearing { name: b.name.clone(), orders: b.orders }).collect(),
            points: points.collect(),
        }
    }
}
