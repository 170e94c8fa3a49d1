//! What a diagnosis from waveforms needs to know of an asset: `machine`, `bearings`, `sensors` and `matters_from` under
//! `[assets.NAME]`.

use super::table::{Spot, Table};
use crate::acquire::registry::is_point_name;
use crate::acquire::units::Unit;
use crate::asset::spec::{BearingSpec, SensorSpec, VibrationSpec};
use roundsman_models::ParamFault;
use roundsman_models::assess::bearing::{BearingGeometry, BearingOrders};
use roundsman_models::assess::likely_fault::{Axis, MachineFacts};
use roundsman_models::assess::rating_life::{RatingLife, RollingElement};

const AXES: [(&str, Axis); 3] =
    [("horizontal", Axis::Horizontal), ("vertical", Axis::Vertical), ("axial", Axis::Axial)];
const ELEMENTS: [(&str, RollingElement); 2] = [("ball", RollingElement::Ball), ("roller", RollingElement::Roller)];
/// Bearings and sensors of one asset at most: each is looked for in every waveform.
const MOST: usize = 16;

pub(super) fn read_vibration(table: &Table<'_>) -> VibrationSpec {
    let facts = read_facts(table.table("machine"));
    let mut bearings: Vec<BearingSpec> = Vec::new();
    for (name, spot) in named(&table.table("bearings")) {
        if let Some(bearing) = spot.table().and_then(|inner| read_bearing(name, inner)) {
            bearings.push(bearing);
        }
    }
    let mut sensors = Vec::new();
    for (name, spot) in named(&table.table("sensors")) {
        if let Some(inner) = spot.table() {
            sensors.push(read_sensor(name, inner, &bearings));
        }
    }
    let matters_from_mm_s = table.get("matters_from").and_then(|spot| read_unit(&spot, "mm/s"));
    VibrationSpec { facts, bearings, sensors, matters_from_mm_s }
}

fn named<'v>(table: &Table<'v>) -> Vec<(&'v str, Spot<'v>)> {
    let mut entries = table.entries();
    if let Some((_, spot)) = entries.get(MOST) {
        spot.fault_without_value(format!("is one more than {MOST}"));
        entries.truncate(MOST);
    }
    entries.retain(|(name, spot)| {
        let fits = is_point_name(name) && !name.contains('/');
        if !fits {
            spot.fault_without_value("must have a name of 1 to 128 bytes without / and control characters");
        }
        fits
    });
    entries
}

/// An amount above 0 in a unit; a plain number is taken to be in it.
fn read_unit(spot: &Spot<'_>, unit: &str) -> Option<f64> {
    let amount = spot.amount()?;
    let value = match amount.unit {
        None => Some(amount.value),
        Some(came) => Unit::parse(unit).and_then(|own| came.to_unit(&own)).map(|c| c.apply(amount.value)),
    };
    let value = value.filter(|v| v.is_finite() && *v > 0.0);
    if value.is_none() {
        spot.fault(format!("must be above 0, in a unit such as {unit}"));
    }
    value
}

fn positive(table: &Table<'_>, key: &str) -> Option<f64> {
    let spot = table.get(key)?;
    let value = spot.number()?;
    if value.is_finite() && value > 0.0 {
        return Some(value);
    }
    spot.fault("must be finite and above 0");
    None
}

fn read_facts(table: Table<'_>) -> MachineFacts {
    let count = |key: &str| table.get(key).and_then(|spot| spot.whole(1, 1000)).map(|n| n as u32);
    let truth = |key: &str| table.get(key).and_then(|spot| spot.truth());
    let facts = MachineFacts {
        blades: count("blades"),
        gear_teeth: count("gear_teeth"),
        belt_hz: table.get("belt").and_then(|spot| read_unit(&spot, "Hz")),
        mains_hz: table.get("mains").and_then(|spot| read_unit(&spot, "Hz")),
        sleeve_bearings: truth("sleeve_bearings"),
        moves_fluid: truth("moves_fluid"),
    };
    table.done();
    facts
}

fn read_bearing(name: &str, table: Table<'_>) -> Option<BearingSpec> {
    let geometry = ["elements", "element_diameter", "pitch_diameter", "contact_angle"];
    let multiples = ["bpfo", "bpfi", "ftf", "bsf_x2"];
    let by_geometry = geometry.iter().any(|key| table.get(key).is_some());
    let by_multiples = multiples.iter().any(|key| table.get(key).is_some());
    let told = |faults: Vec<ParamFault>| {
        for fault in faults {
            table.fault(fault.name, format!("must be {}", fault.want));
        }
    };
    let need = |key: &str| {
        let value = positive(&table, key);
        if table.get(key).is_none() {
            table.fault(key, "is needed beside the others");
        }
        value
    };
    let orders = match (by_geometry, by_multiples) {
        (true, true) => {
            table.fault("bpfo", "must not be set beside the geometry: give one of the two");
            None
        }
        (true, false) => {
            let elements = table.get("elements").and_then(|spot| spot.whole(3, 200));
            if table.get("elements").is_none() {
                table.fault("elements", "is needed beside the others");
            }
            let angle = table.get("contact_angle").and_then(|spot| spot.number()).unwrap_or(0.0);
            let (diameter, pitch) = (need("element_diameter"), need("pitch_diameter"));
            elements.zip(diameter.zip(pitch)).and_then(|(elements, (element_diameter, pitch_diameter))| {
                BearingGeometry {
                    elements: elements as u32,
                    element_diameter,
                    pitch_diameter,
                    contact_angle_deg: angle,
                }
                .orders()
                .map_err(told)
                .ok()
            })
        }
        (false, true) => {
            let [bpfo, bpfi, ftf, strike] = multiples.map(need);
            match (bpfo, bpfi, ftf, strike) {
                (Some(bpfo), Some(bpfi), Some(ftf), Some(element_strike)) => {
                    BearingOrders { ftf, bpfo, bpfi, element_strike }.check().map_err(told).ok()
                }
                _ => None,
            }
        }
        (false, false) => {
            table
                .fault("elements", "is needed with element_diameter and pitch_diameter, or bpfo, bpfi, ftf and bsf_x2");
            None
        }
    };
    let element = table.get("rolling").and_then(|spot| spot.one_of(&ELEMENTS)).unwrap_or(RollingElement::Ball);
    let (rating_kn, load_kn) = (positive(&table, "rating_kn"), positive(&table, "load_kn"));
    if rating_kn.is_some() != load_kn.is_some() {
        let missing = if rating_kn.is_some() { "load_kn" } else { "rating_kn" };
        if table.get(missing).is_none() {
            table.fault(missing, "is needed beside the other: a rating life takes both");
        }
    }
    let rating = rating_kn.zip(load_kn).map(|(rating_kn, load_kn)| RatingLife { element, rating_kn, load_kn });
    table.done();
    Some(BearingSpec { name: name.to_owned(), orders: orders?, rating })
}

fn read_sensor(name: &str, table: Table<'_>, bearings: &[BearingSpec]) -> SensorSpec {
    let axis = table.get("axis").and_then(|spot| spot.one_of(&AXES));
    let bearing = table.get("bearing").and_then(|spot| {
        let text = spot.text()?;
        if bearings.iter().any(|b| b.name == text) {
            return Some(text.to_owned());
        }
        spot.fault("must be the name of a bearing under `bearings`");
        None
    });
    table.done();
    SensorSpec { point: name.to_owned(), axis, bearing }
}
