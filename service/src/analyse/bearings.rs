//! Bearings from the command line: a file, a geometry, or multipliers.

use crate::error::{Error, Fault};
use roundsman_models::ParamFault;
use roundsman_models::assess::bearing::{Bearing, BearingGeometry, BearingOrders};
use serde_json::{Map, Value};
use std::path::Path;

/// Reads `text` as the help of `--bearing` says; `at` names the bearing the sensor sits on.
///
/// # Errors
/// What cannot be read, a bearing that no bearing can be, a name that is not there.
pub fn read_bearings(text: &str, at: Option<&str>) -> Result<Vec<Bearing>, Error> {
    let mut bearings = if Path::new(text).exists() {
        let bytes = std::fs::read_to_string(text).map_err(|error| Error::io("read", Path::new(text), error))?;
        from_json(&bytes).map_err(|why| Error::new(Fault::Data, format!("{text}: {why}")))?
    } else {
        let orders = inline(text).map_err(|why| Error::new(Fault::Usage, format!("--bearing {text:?}: {why}")))?;
        vec![Bearing { name: "bearing".to_owned(), here: true, orders }]
    };
    let here = match at {
        Some(name) => bearings.iter().position(|b| b.name == name).ok_or_else(|| {
            let names: Vec<&str> = bearings.iter().map(|b| b.name.as_str()).collect();
            Error::new(Fault::Usage, format!("--at {name:?}: the file has {}", names.join(", ")))
        })?,
        None => bearings.iter().position(|b| b.name == "drive_end").unwrap_or(0),
    };
    for (index, bearing) in bearings.iter_mut().enumerate() {
        bearing.here = index == here;
    }
    Ok(bearings)
}

fn faults(faults: Vec<ParamFault>) -> String {
    faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
}

/// `n,d,D[,angle]` or `bpfo=..,bpfi=..,ftf=..,bsf_x2=..`.
fn inline(text: &str) -> Result<BearingOrders, String> {
    if text.contains('=') {
        let mut map = Map::new();
        for part in text.split(',') {
            let (key, value) = part.split_once('=').ok_or("parts must look like bpfo=3.58")?;
            let value: f64 = value.trim().parse().map_err(|_| format!("{value:?} is no number"))?;
            map.insert(key.trim().to_owned(), Value::from(value));
        }
        return orders(&map);
    }
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|part| part.trim().parse::<f64>()).collect();
    match numbers.as_deref() {
        Ok([elements, element_diameter, pitch_diameter, rest @ ..]) if rest.len() <= 1 => BearingGeometry {
            elements: whole(*elements)?,
            element_diameter: *element_diameter,
            pitch_diameter: *pitch_diameter,
            contact_angle_deg: rest.first().copied().unwrap_or(0.0),
        }
        .orders()
        .map_err(faults),
        _ => Err("no such file, and neither n,d,D[,angle] nor bpfo=..,bpfi=..,ftf=..,bsf_x2=..".to_owned()),
    }
}

fn whole(number: f64) -> Result<u32, String> {
    if number.fract() == 0.0 && (0.0..1e6).contains(&number) {
        Ok(number as u32)
    } else {
        Err(format!("{number} elements"))
    }
}

/// One bearing, or several by name.
fn from_json(text: &str) -> Result<Vec<Bearing>, String> {
    let value: Value = serde_json::from_str(text).map_err(|error| format!("not JSON: {error}"))?;
    let Value::Object(map) = value else { return Err("must be an object".to_owned()) };
    let named: Vec<(&String, &Map<String, Value>)> =
        map.iter().filter_map(|(name, value)| Some((name, value.as_object()?))).collect();
    let is_one = ["balls", "elements", "bpfo", "multipliers_of_shaft_speed"].iter().any(|key| map.contains_key(*key));
    if is_one {
        return Ok(vec![Bearing { name: "bearing".to_owned(), here: true, orders: one(&map)? }]);
    }
    let bearings: Result<Vec<Bearing>, String> = named
        .into_iter()
        .map(|(name, map)| {
            let orders = one(map).map_err(|why| format!("{name}: {why}"))?;
            Ok(Bearing { name: name.clone(), here: false, orders })
        })
        .collect();
    match bearings {
        Ok(list) if list.is_empty() => Err("holds no bearing".to_owned()),
        other => other,
    }
}

/// Multipliers where there are, else from the geometry. Lengths may be in any one unit, as `_in`, `_mm` or bare.
fn one(map: &Map<String, Value>) -> Result<BearingOrders, String> {
    if let Some(Value::Object(multipliers)) = map.get("multipliers_of_shaft_speed") {
        return orders(multipliers);
    }
    if map.contains_key("bpfo") {
        return orders(map);
    }
    let number = |names: &[&str]| names.iter().find_map(|name| map.get(*name)?.as_f64());
    let length = |what: &str| {
        number(&[&format!("{what}_mm"), &format!("{what}_in"), what]).ok_or_else(|| format!("{what} is missing"))
    };
    BearingGeometry {
        elements: whole(number(&["balls", "elements", "rollers"]).ok_or("balls (or elements) is missing")?)?,
        element_diameter: length("ball_diameter").or_else(|_| length("element_diameter"))?,
        pitch_diameter: length("pitch_diameter")?,
        contact_angle_deg: number(&["contact_angle_deg"]).unwrap_or(0.0),
    }
    .orders()
    .map_err(faults)
}

fn orders(map: &Map<String, Value>) -> Result<BearingOrders, String> {
    let need = |name: &str| map.get(name).and_then(Value::as_f64).ok_or_else(|| format!("{name} is missing"));
    let strike = need("bsf_x2").or_else(|_| need("bsf").map(|bsf| 2.0 * bsf)).map_err(|_| "bsf_x2 is missing")?;
    BearingOrders { ftf: need("ftf")?, bpfo: need("bpfo")?, bpfi: need("bpfi")?, element_strike: strike }
        .check()
        .map_err(faults)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: table printed with the public CWRU records; the formula differs in the fifth digit.
    #[test]
    fn the_forms_agree() {
        let geometry = inline("9,0.3126,1.537").unwrap();
        let multipliers = inline("bpfo=3.5848, bpfi=5.4152, ftf=0.39828, bsf_x2=4.7135").unwrap();
        let half = inline("bpfo=3.5848,bpfi=5.4152,ftf=0.39828,bsf=2.35675").unwrap();
        for (a, b) in [
            (geometry.bpfo, multipliers.bpfo),
            (geometry.bpfi, multipliers.bpfi),
            (geometry.ftf, multipliers.ftf),
            (geometry.element_strike, multipliers.element_strike),
        ] {
            assert!((a / b - 1.0).abs() < 1e-4, "{a} {b}");
        }
        assert_eq!(half, multipliers);
        let file = r#"{"balls": 9, "ball_diameter_in": 0.3126, "pitch_diameter_in": 1.537}"#;
        assert_eq!(from_json(file).unwrap()[0].orders, geometry);
    }

    #[test]
    fn what_is_no_bearing_says_why() {
        for (text, why) in [
            ("9,8", "no such file"),
            ("2.5,8,40", "2.5 elements"),
            ("9,80,40", "element_diameter"),
            ("bpfo=3.5,bpfi=5.4", "bsf_x2"),
            ("bpfo=x", "no number"),
            ("bpfo=3.5,bpfi=5.4,ftf=1.4,bsf_x2=4", "ftf"),
        ] {
            let error = inline(text).expect_err(text);
            assert!(error.contains(why), "{text}: {error}");
        }
        assert!(from_json("{}").is_err() && from_json("[]").is_err() && from_json("{\"a\": {}}").is_err());
    }
}
