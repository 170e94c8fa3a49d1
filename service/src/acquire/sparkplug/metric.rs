//! One metric: its number by its data type, its unit, range and quality by its properties.

use super::payload::{Metric, Property, PropertySet, Value};
use crate::acquire::Quality;
use roundsman_models::EventTime;

/// Data types (specification 3.0.0, section 6.4.16).
pub mod datatype {
    /// Signed, 8 to 64 bits.
    pub const INT8: u32 = 1;
    /// Signed.
    pub const INT16: u32 = 2;
    /// Signed.
    pub const INT32: u32 = 3;
    /// Signed.
    pub const INT64: u32 = 4;
    /// Unsigned.
    pub const UINT8: u32 = 5;
    /// Unsigned.
    pub const UINT64: u32 = 8;
    /// Float.
    pub const FLOAT: u32 = 9;
    /// Double.
    pub const DOUBLE: u32 = 10;
    /// Boolean.
    pub const BOOLEAN: u32 = 11;
    /// Text.
    pub const STRING: u32 = 12;
}

/// Whether values of a type can be readings.
pub(super) fn is_number(datatype: u32) -> bool {
    (datatype::INT8..=datatype::BOOLEAN).contains(&datatype)
}

/// The number a value is under its type; `None` for what is none.
pub(super) fn number(datatype: u32, value: &Value) -> Option<f64> {
    let whole = match value {
        // Libraries differ in which of the two fields an integer travels, and in whether it is sign-extended: the low bits
        // are the same.
        Value::Int(int) => u64::from(*int),
        Value::Long(long) => *long,
        Value::Float(float) => return Some(f64::from(*float)),
        Value::Double(double) => return Some(*double),
        Value::Boolean(truth) => return Some(f64::from(u8::from(*truth))),
        Value::Text(_) | Value::Bytes(_) => return None,
    };
    Some(match datatype {
        datatype::INT8 => f64::from(whole as u8 as i8),
        datatype::INT16 => f64::from(whole as u16 as i16),
        datatype::INT32 => f64::from(whole as u32 as i32),
        datatype::INT64 => whole.cast_signed() as f64,
        datatype if is_number(datatype) => whole as f64,
        _ => return None,
    })
}

/// The type a value has when nobody said it: births should, some leave it out.
pub(super) fn assumed(value: Option<&Value>) -> u32 {
    match value {
        Some(Value::Int(_) | Value::Long(_)) => datatype::UINT64,
        Some(Value::Float(_)) => datatype::FLOAT,
        Some(Value::Double(_)) => datatype::DOUBLE,
        Some(Value::Boolean(_)) => datatype::BOOLEAN,
        Some(Value::Text(_) | Value::Bytes(_)) | None => datatype::STRING,
    }
}

/// Milliseconds since 1970 as event time.
pub(super) fn time(ms: u64) -> Option<EventTime> {
    i64::try_from(ms).ok()?.checked_mul(1000).map(EventTime)
}

/// What the properties of a birth say of a metric. The standard leaves their names to the sender; these are read by their
/// letters alone, so that `engUnit`, `Engineering Units` and `engineering_unit` are one.
pub(super) fn unit(properties: &PropertySet) -> Option<&str> {
    const NAMES: [&str; 7] =
        ["engunit", "engunits", "engineeringunit", "engineeringunits", "unit", "units", "unitofmeasure"];
    entries(properties).find_map(|(key, value)| match value {
        Property::Text(unit) if NAMES.contains(&letters(key).as_str()) && !unit.trim().is_empty() => Some(unit.trim()),
        _ => None,
    })
}

/// Lowest and highest value, when both are there and in this order.
pub(super) fn range(properties: &PropertySet) -> Option<(f64, f64)> {
    let find = |names: &[&str]| {
        let found = |(key, value): (&str, &Property)| names.contains(&letters(key).as_str()).then(|| amount(value))?;
        entries(properties).find_map(found)
    };
    let low = find(&["englow", "engineeringlow", "lowrange", "rangelow", "min", "minimum"])?;
    let high = find(&["enghigh", "engineeringhigh", "highrange", "rangehigh", "max", "maximum"])?;
    (low.is_finite() && high.is_finite() && low < high).then_some((low, high))
}

/// The `Quality` property: 192 is good, 0 bad, 500 stale (section 6.4.10); without one it is good.
pub(super) fn quality(metric: &Metric) -> Quality {
    let said = metric.properties.as_ref().and_then(|set| entries(set).find(|(key, _)| *key == "Quality"));
    match said.and_then(|(_, value)| amount(value)) {
        Some(code) if code != 192.0 => Quality::Bad,
        _ => Quality::Good,
    }
}

fn entries(set: &PropertySet) -> impl Iterator<Item = (&str, &Property)> {
    set.keys.iter().zip(&set.values).filter_map(|(key, value)| Some((key.as_str(), value.value.as_ref()?)))
}

fn amount(value: &Property) -> Option<f64> {
    match value {
        // A bound below zero in 32 bits comes as its two's complement.
        Property::Int(int) => Some(f64::from(*int as i32)),
        Property::Long(long) => Some(long.cast_signed() as f64),
        Property::Float(float) => Some(f64::from(*float)),
        Property::Double(double) => Some(*double),
        Property::Boolean(_) | Property::Text(_) => None,
    }
}

fn letters(key: &str) -> String {
    key.chars().filter(char::is_ascii_alphanumeric).take(32).map(|c| c.to_ascii_lowercase()).collect()
}
