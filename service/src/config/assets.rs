//! `[assets.NAME]`: plate data, points, limits and settings of one asset.

use super::check::NAME_RULE;
use super::checked::Limits;
use super::settings;
use super::table::{Spot, Table, listed, nearest};
use super::value::Amount;
use super::vibration::read_vibration;
use crate::acquire::guess;
use crate::acquire::registry::{AssetPlan, PointPlan, is_asset_name, is_point_name};
use crate::acquire::units::{Conversion, Unit, kept};
use crate::asset::settings::Settings;
use crate::asset::spec::{AssetSpec, Detection, Quantity, Role, StateRange};
use roundsman_models::detect::zones::Mounting;
use std::sync::Arc;

/// Names of quantities in the file.
pub(super) const QUANTITIES: [(&str, Quantity); 13] = [
    ("vibration-velocity", Quantity::VibrationVelocity),
    ("vibration-acceleration", Quantity::VibrationAcceleration),
    ("vibration-displacement", Quantity::VibrationDisplacement),
    ("temperature", Quantity::Temperature),
    ("speed", Quantity::Speed),
    ("current", Quantity::Current),
    ("voltage", Quantity::Voltage),
    ("power", Quantity::Power),
    ("pressure", Quantity::Pressure),
    ("flow", Quantity::Flow),
    ("load", Quantity::Load),
    ("state", Quantity::State),
    ("other", Quantity::Other),
];

const DETECTIONS: [(&str, Detection); 3] =
    [("rms", Detection::Rms), ("peak", Detection::Peak), ("peak-to-peak", Detection::PeakToPeak)];

const ROLES: [(&str, Role); 4] = [
    ("condition", Role::Condition),
    ("operating", Role::Operating),
    ("ambient", Role::Ambient),
    ("state", Role::State),
];

const MOUNTINGS: [(&str, Mounting); 2] = [("rigid", Mounting::Rigid), ("flexible", Mounting::Flexible)];

pub(super) fn read_assets(
    table: &Table<'_>,
    site: &Arc<Settings>,
    limits: &Limits,
    zones: Option<&[&str]>,
) -> Vec<AssetPlan> {
    let mut plans = Vec::new();
    for (name, spot) in table.entries() {
        if !is_asset_name(name) {
            spot.fault_without_value(NAME_RULE);
            continue;
        }
        if let Some(asset) = spot.table() {
            plans.push(read_asset(name, asset, site, limits, zones));
        }
        if plans.len() == limits.max_assets + 1 {
            spot.fault_without_value(format!("is one more than limits.max_assets {}", limits.max_assets));
        }
    }
    plans
}

fn read_asset(
    name: &str,
    table: Table<'_>,
    site: &Arc<Settings>,
    limits: &Limits,
    zones: Option<&[&str]>,
) -> AssetPlan {
    let word = |key| {
        let spot = table.get(key)?;
        let text = spot.text()?;
        if is_point_name(text) {
            return Some(text.to_owned());
        }
        spot.fault("must be a word of 1 to 128 bytes without control characters");
        None
    };
    let cadence = table.get("cadence").and_then(|spot| {
        let secs = spot.secs()?;
        if secs > 0.0 && secs <= 86_400.0 {
            return Some(secs);
        }
        spot.fault("must be above 0 s and at most 24 h");
        None
    });
    let mut settings = settings::read(&table, site);
    if cadence.is_some() {
        settings.align.cadence_secs = cadence;
    }
    let settings = if settings == **site { Arc::clone(site) } else { Arc::new(settings) };
    let mut points = Vec::new();
    let points_table = table.table("points");
    for (point, spot) in points_table.entries() {
        if !is_point_name(point) {
            spot.fault_without_value("must have a name of 1 to 128 bytes without control characters");
        } else if let Some(inner) = spot.table() {
            points.push(read_point(point, inner));
        }
        if points.len() == limits.max_points_per_asset + 1 {
            spot.fault_without_value(format!(
                "is one more than limits.max_points_per_asset {}",
                limits.max_points_per_asset
            ));
        }
    }
    let mounting = table.get("mounting").and_then(|spot| spot.one_of(&MOUNTINGS));
    let spec = AssetSpec {
        name: name.to_owned(),
        area: word("area"),
        class: word("class"),
        zones: table.get("zones").and_then(|spot| read_zones(&spot, zones)),
        rating_kw: table.get("rating").and_then(|spot| read_plate(&spot, Quantity::Power)),
        rated_speed_rpm: table.get("rated_speed").and_then(|spot| read_plate(&spot, Quantity::Speed)),
        configured: true,
        cadence_secs: cadence,
        states: table.get("states").map(|spot| read_states(&spot, &points)).unwrap_or_default(),
        points: Vec::new(),
        vibration: read_vibration(&table),
    };
    if let (Some(mounting), Some(zones), Some(spot)) = (mounting, &spec.zones, table.get("zones")) {
        let other = MOUNTINGS.iter().find(|(_, m)| *m != mounting).map_or("", |(name, _)| name);
        if zones.ends_with(&format!("-{other}")) {
            spot.fault(format!("must fit the mounting, which is not {other}"));
        }
    }
    table.done();
    AssetPlan { spec, points: points.into_iter().map(|p| p.plan).collect(), settings, mounting }
}

fn read_zones(spot: &Spot<'_>, known: Option<&[&str]>) -> Option<String> {
    let name = spot.text()?;
    let Some(known) = known else { return Some(name.to_owned()) };
    if known.contains(&name) {
        return Some(name.to_owned());
    }
    let hint = nearest(name, known.iter().copied()).map(|near| format!("; did you mean `{near}`?")).unwrap_or_default();
    spot.fault(format!("must be one of the presets {}{hint}", listed(known.iter().copied())));
    None
}

/// A figure of the rating plate, in the kept unit of its quantity, which a plain number is taken to be in.
fn read_plate(spot: &Spot<'_>, quantity: Quantity) -> Option<f64> {
    let amount = spot.amount()?;
    let conversion = match amount.unit {
        None => Some(Conversion::NONE),
        Some(unit) => unit.to_quantity(quantity),
    };
    match conversion.map(|c| c.apply(amount.value)) {
        Some(value) if value.is_finite() && value > 0.0 => Some(value),
        Some(_) => {
            spot.fault("must be above 0");
            None
        }
        None => {
            spot.fault(format!("must be in a unit of {}, such as {}", quantity_name(quantity), kept_code(quantity)));
            None
        }
    }
}

/// A point with what is needed to read amounts of it.
struct ReadPoint {
    plan: PointPlan,
}

impl ReadPoint {
    /// An amount in the point's kept unit.
    fn convert(&self, spot: &Spot<'_>, amount: Amount) -> Option<f64> {
        let Some(unit) = amount.unit else {
            // A plain number is in the unit the file gives the point.
            return Some(self.plan.bare.unwrap_or(Conversion::NONE).apply(amount.value));
        };
        let spec = &self.plan.spec;
        if self.plan.open {
            spot.fault("has a unit, so the point must have one too: set `unit` beside it");
            return None;
        }
        if unit.detection != Detection::Unstated && unit.detection != spec.detection {
            spot.fault(format!("must be {} as the point is: the two do not convert", detection_name(spec.detection)));
            return None;
        }
        let conversion = match kept(spec.quantity) {
            Some(_) => unit.to_quantity(spec.quantity),
            None => Unit::parse(&spec.unit).and_then(|own| unit.to_unit(&own)),
        };
        if conversion.is_none() {
            spot.fault(format!("must be in a unit that fits the point's, {}", show_unit(&spec.unit)));
        }
        conversion.map(|c| c.apply(amount.value))
    }
}

fn read_point(name: &str, table: Table<'_>) -> ReadPoint {
    let quantity_spot = table.get("quantity");
    let unit_spot = table.get("unit");
    let detection_spot = table.get("detection");
    let role_spot = table.get("role");
    let role = role_spot.as_ref().and_then(|spot| spot.one_of(&ROLES));
    let mut quantity = quantity_spot.as_ref().and_then(|spot| spot.one_of(&QUANTITIES));
    if quantity.is_none() && role == Some(Role::State) {
        quantity = Some(Quantity::State);
    }
    let unit = unit_spot.as_ref().and_then(|spot| {
        let text = spot.text()?;
        let unit = Unit::parse(text);
        if unit.is_none() {
            spot.fault("must be a unit that is known (UCUM or as people write it, for example \"mm/s rms\")");
        }
        unit
    });
    let detection = detection_spot.as_ref().and_then(|spot| spot.one_of(&DETECTIONS));
    if let (Some(quantity), Some(unit), Some(spot)) = (quantity, unit, &unit_spot)
        && kept(quantity).is_some()
        && unit.to_quantity(quantity).is_none()
    {
        spot.fault(format!("must be a unit of {}, such as {}", quantity_name(quantity), kept_code(quantity)));
    }
    if let (Some(detection), Some(unit), Some(spot)) = (detection, unit, &detection_spot)
        && unit.detection != Detection::Unstated
        && unit.detection != detection
    {
        spot.fault(format!("must be {}, as the unit says", detection_name(unit.detection)));
    }
    let plan = plan(name, quantity, unit, detection, role);
    let mut point = ReadPoint { plan };
    read_range(&table, &mut point);
    read_own_limits(&table, &mut point);
    point.plan.spec.stuck_after_secs = table.get("stuck_after").and_then(|spot| {
        let secs = spot.secs()?;
        if secs > 0.0 {
            return Some(secs);
        }
        spot.fault("must be above 0 s");
        None
    });
    table.done();
    point
}

fn plan(
    name: &str,
    quantity: Option<Quantity>,
    unit: Option<Unit>,
    detection: Option<Detection>,
    role: Option<Role>,
) -> PointPlan {
    let mut spec = guess::point(name, unit.as_ref(), false);
    let mut bare = Conversion::NONE;
    if let Some(quantity) = quantity {
        spec.quantity = quantity;
        // Where only the quantity is given, the values are taken to be in its kept unit; `check` shows it.
        spec.unit = match (kept(quantity), unit) {
            (Some((code, _)), _) => code.to_owned(),
            (None, Some(unit)) => unit.code.to_owned(),
            (None, None) => String::new(),
        };
    }
    if let Some(unit) = unit {
        bare = unit.to_quantity(spec.quantity).unwrap_or(Conversion::NONE);
        if unit.detection != Detection::Unstated {
            spec.detection = unit.detection;
        }
    }
    if let Some(detection) = detection {
        spec.detection = detection;
    }
    spec.range = guess::physical_range(spec.quantity, spec.detection, &spec.unit);
    let surroundings = guess::guess(name, None).surroundings;
    spec.role = role.unwrap_or_else(|| guess::role(spec.quantity, surroundings, guess::is_vibration(spec.quantity)));
    PointPlan {
        spec,
        bare: Some(bare),
        open: quantity.is_none() && unit.is_none(),
        role_given: role.is_some(),
        range_given: false,
    }
}

/// `[low, high]`, in the point's kept unit.
fn read_span(spot: &Spot<'_>, point: &ReadPoint) -> Option<(f64, f64)> {
    let items = spot.items()?;
    let [low, high] = items.as_slice() else {
        spot.fault("must be [lowest, highest]");
        return None;
    };
    let low = point.convert(low, low.amount()?)?;
    let high = point.convert(high, high.amount()?)?;
    if low < high {
        return Some((low, high));
    }
    spot.fault("must have its lowest before its highest value");
    None
}

fn read_range(table: &Table<'_>, point: &mut ReadPoint) {
    if let Some(spot) = table.get("range")
        && let Some(range) = read_span(&spot, point)
    {
        point.plan.spec.range = range;
        point.plan.range_given = true;
    }
}

fn read_own_limits(table: &Table<'_>, point: &mut ReadPoint) {
    // From the lowest to the highest; each present one must be above the one before it.
    const KEYS: [&str; 4] = ["alarm_low", "warning_low", "warning_high", "alarm_high"];
    let mut before: Option<(&str, f64, f64)> = None;
    let (low, high) = point.plan.spec.range;
    for key in KEYS {
        let Some(spot) = table.get(key) else { continue };
        let Some(amount) = spot.amount() else { continue };
        let Some(value) = point.convert(&spot, amount) else { continue };
        if let Some((name, limit, written)) = before
            && value <= limit
        {
            spot.fault(format!("must be above {name} {written}"));
        }
        if value < low || value > high {
            spot.fault(format!(
                "must be within the point's range {low} to {high} {}, outside which a value is a sensor fault",
                show_unit(&point.plan.spec.unit)
            ));
        }
        before = Some((key, value, amount.value));
        let limits = &mut point.plan.spec.limits;
        match key {
            "alarm_low" => limits.alarm_low = Some(value),
            "warning_low" => limits.warning_low = Some(value),
            "warning_high" => limits.warning_high = Some(value),
            _ => limits.alarm_high = Some(value),
        }
    }
}

fn read_states(spot: &Spot<'_>, points: &[ReadPoint]) -> Vec<StateRange> {
    let mut states: Vec<StateRange> = Vec::new();
    for item in spot.items().unwrap_or_default() {
        let Some(table) = item.table() else { continue };
        let name = match table.get("name") {
            Some(spot) => spot.text().map(|text| (spot, text)),
            None => {
                table.fault("name", "is needed");
                None
            }
        };
        if let Some((spot, text)) = &name {
            if !is_point_name(text) {
                spot.fault("must be a word of 1 to 128 bytes without control characters");
            }
            if states.iter().any(|state| state.name == *text) {
                spot.fault("must not be the name of another state of this asset");
            }
        }
        let mut within = Vec::new();
        for (key, entry) in table.entries() {
            if key == "name" {
                continue;
            }
            let Some(point) = points.iter().find(|p| p.plan.spec.name == key) else {
                let names = || points.iter().map(|p| p.plan.spec.name.as_str());
                let hint = nearest(key, names()).map(|n| format!("; did you mean `{n}`?")).unwrap_or_default();
                entry.fault_without_value(format!("must be the name of a point under `points`{hint}"));
                continue;
            };
            if let Some((low, high)) = read_span(&entry, point) {
                within.push((key.to_owned(), low, high));
            }
        }
        if within.is_empty() {
            item.fault_without_value("must give the range of at least one point, for example speed = [1400, 1600]");
        }
        let name = name.map(|(_, text)| text.to_owned()).unwrap_or_default();
        states.push(StateRange { name, within });
    }
    states
}

fn quantity_name(quantity: Quantity) -> &'static str {
    QUANTITIES.iter().find(|(_, q)| *q == quantity).map_or("other", |(name, _)| name)
}

fn detection_name(detection: Detection) -> &'static str {
    DETECTIONS.iter().find(|(_, d)| *d == detection).map_or("unstated", |(name, _)| name)
}

fn kept_code(quantity: Quantity) -> &'static str {
    kept(quantity).map_or("", |(code, _)| code)
}

fn show_unit(unit: &str) -> &str {
    if unit.is_empty() { "(without unit)" } else { unit }
}
