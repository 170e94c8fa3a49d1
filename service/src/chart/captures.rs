//! Which waveforms can be looked at of an asset: for each sensor and direction the newest, the reference of the operating
//! state it was taken in, and the one taken for the last alert.

use super::vibration::Vibration;
use crate::advise::diagnosis::Diagnosis;
use crate::asset::spec::{BearingSpec, SensorSpec, VibrationSpec};
use crate::keep::KeepError;
use crate::keep::plate::Plate;
use crate::keep::read::{AssetRow, Reader, WaveformRow};
use roundsman_models::EventTime;
use roundsman_models::assess::bearing::Bearing;
use roundsman_models::assess::shaft_speed::ShaftSpeed;

/// A sensor in one direction, with the numbers of its waveforms.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// Point.
    pub point: String,
    /// Direction in a word; empty when nobody says.
    pub axis: String,
    /// Newest waveform.
    pub newest: Held,
    /// The last good one in the same operating state, as far as known.
    pub reference: Option<Held>,
    /// The one of the last alert that has one.
    pub alert: Option<Held>,
}

/// One kept waveform.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held {
    /// Its number on the asset.
    pub number: u64,
    /// When it came.
    pub at: EventTime,
}

/// The sensors of an asset that have waveforms, by point and direction.
///
/// # Errors
/// `state.db` cannot be read.
pub fn sensors(reader: &Reader, asset: &AssetRow, diagnosis: Option<&Diagnosis>) -> Result<Vec<Sensor>, KeepError> {
    let rows = reader.waveforms(&asset.name)?;
    Ok(sensors_of(&rows, &asset.plate, diagnosis))
}

fn sensors_of(rows: &[WaveformRow], plate: &Plate, diagnosis: Option<&Diagnosis>) -> Vec<Sensor> {
    let slots = || rows.iter().flat_map(|row| row.slots.iter().map(move |slot| (slot.as_str(), row)));
    let held = |row: &WaveformRow| Held { number: row.number, at: row.at };
    let mut found: Vec<Sensor> = Vec::new();
    for (slot, row) in slots() {
        let Some((point, axis)) = slot.strip_prefix("newest/").and_then(|rest| rest.rsplit_once('/')) else { continue };
        let place = plate.points.iter().find(|p| p.name == point).and_then(|p| p.bearing.as_deref()).unwrap_or(point);
        let state = diagnosis
            .and_then(|d| d.captures.iter().find(|c| c.number == row.number))
            .and_then(|capture| capture.operating_state.as_deref());
        let end = format!("/{place}/{axis}");
        let references = slots().filter_map(|(slot, row)| {
            let of = slot.strip_prefix("reference/")?.strip_suffix(&end)?;
            Some((state == Some(of), row))
        });
        // One of the same operating state before any other; one of another state is better than none only where nobody
        // knows the state.
        let reference =
            references.filter(|(same, _)| *same || state.is_none()).max_by_key(|(same, row)| (*same, row.number));
        let sensor = if axis.is_empty() { point.to_owned() } else { format!("{point}/{axis}") };
        let alerts = slots().filter_map(|(slot, row)| {
            let (episode, of) = slot.strip_prefix("alert/")?.split_once('/')?;
            (of == sensor).then_some((episode.parse::<u64>().ok()?, row))
        });
        let alert = alerts.max_by_key(|(episode, _)| *episode);
        found.push(Sensor {
            point: point.to_owned(),
            axis: axis.to_owned(),
            newest: held(row),
            reference: reference.map(|(_, row)| held(row)),
            alert: alert.map(|(_, row)| held(row)),
        });
    }
    found.sort_by(|a, b| (&a.point, &a.axis).cmp(&(&b.point, &b.axis)));
    found
}

/// Looks into one kept waveform, by the speed of the diagnosis where the message says none.
///
/// # Errors
/// `state.db` cannot be read. `Ok(Err(..))`: it is gone, or is no waveform, and why.
pub fn look(
    reader: &Reader,
    asset: &AssetRow,
    sensor: &Sensor,
    number: u64,
    diagnosis: Option<&Diagnosis>,
) -> Result<Result<Vibration, String>, KeepError> {
    let Some(payload) = reader.waveform(&asset.name, number)? else {
        return Ok(Err("this waveform is not kept any more".to_owned()));
    };
    let told = diagnosis.and_then(|d| d.speed.as_ref()).map(|speed| ShaftSpeed {
        rpm: speed.rpm,
        source: speed.source,
        uncertainty: speed.uncertainty,
        confidence: speed.confidence,
    });
    Ok(Vibration::of(&payload, told, &bearings(&asset.plate, &sensor.point)))
}

/// The bearings as a sensor hears them.
pub fn bearings(plate: &Plate, point: &str) -> Vec<Bearing> {
    let spec = VibrationSpec {
        bearings: plate
            .bearings
            .iter()
            .map(|b| BearingSpec { name: b.name.clone(), orders: b.orders, rating: None })
            .collect(),
        sensors: plate
            .points
            .iter()
            .filter(|p| p.axis.is_some() || p.bearing.is_some())
            .map(|p| SensorSpec { point: p.name.clone(), axis: p.axis, bearing: p.bearing.clone() })
            .collect(),
        ..VibrationSpec::default()
    };
    spec.bearings_for(point)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_sensor_has_its_newest_its_reference_and_that_of_the_last_alert() {
        let row = |number, slots: &[&str]| WaveformRow {
            number,
            at: EventTime(number as i64),
            point: None,
            slots: slots.iter().map(|s| (*s).to_owned()).collect(),
            bytes: 1,
        };
        let rows = [
            row(1, &["reference/1/de/vertical", "alert/2/acc/vertical"]),
            row(2, &["reference/2/de/vertical"]),
            row(5, &["alert/10/acc/vertical"]),
            row(6, &["alert/11/acc/axial"]),
            row(9, &["newest/acc/vertical"]),
            row(8, &["newest/acc2/"]),
            row(7, &["something else"]),
        ];
        let mut plate = Plate::default();
        plate.points.push(crate::keep::plate::PlatePoint {
            name: "acc".into(),
            quantity: crate::asset::spec::Quantity::VibrationAcceleration,
            detection: crate::asset::spec::Detection::Rms,
            unit: "m/s2".into(),
            role: crate::asset::spec::Role::Condition,
            axis: None,
            bearing: Some("de".into()),
            own_limits: Default::default(),
        });
        let found = sensors_of(&rows, &plate, None);
        let held = |n: u64| Held { number: n, at: EventTime(n as i64) };
        assert_eq!(
            found,
            [
                Sensor {
                    point: "acc".into(),
                    axis: "vertical".into(),
                    newest: held(9),
                    reference: Some(held(2)),
                    alert: Some(held(5)),
                },
                Sensor { point: "acc2".into(), axis: String::new(), newest: held(8), reference: None, alert: None },
            ]
        );
    }
}
