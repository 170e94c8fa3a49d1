//! SenML in CBOR (RFC 8428, section 6) → the same pack as it would stand in JSON.
//!
//! One meaning, one resolver: the labels are integers here and names there, data are bytes here and base64url there, and
//! nothing else differs. Numbers may be integers, floats of any length or decimal fractions (tag 4). What JSON cannot say,
//! NaN and infinity, becomes `null`, which a record's value may be.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ciborium::Value as Cbor;
use serde_json::{Map, Number, Value};

/// RFC 8428, table 4.
const LABELS: [(i128, &str); 14] = [
    (-1, "bver"),
    (-2, "bn"),
    (-3, "bt"),
    (-4, "bu"),
    (-5, "bv"),
    (-6, "bs"),
    (0, "n"),
    (1, "u"),
    (2, "v"),
    (3, "vs"),
    (4, "vb"),
    (5, "s"),
    (6, "t"),
    (7, "ut"),
];
/// The one label of table 4 whose value is written otherwise.
const DATA: i128 = 8;

/// Whether bytes begin as a CBOR array does. JSON cannot begin so: none of these is a character of its own in UTF-8.
pub(super) fn is_pack(payload: &[u8]) -> bool {
    payload.first().is_some_and(|byte| (0x80..=0x9f).contains(byte))
}

/// Reads a pack.
pub(super) fn read(payload: &[u8]) -> Result<Value, String> {
    let pack: Cbor = ciborium::from_reader(payload).map_err(|error| format!("not CBOR: {error}"))?;
    let Cbor::Array(records) = pack else { return Err("a SenML pack is an array".into()) };
    Ok(Value::Array(records.into_iter().map(record).collect()))
}

/// What is no map stays what the resolver refuses by its place.
fn record(record: Cbor) -> Value {
    let Cbor::Map(entries) = record else { return Value::Null };
    let mut fields = Map::new();
    for (label, value) in entries {
        match label {
            Cbor::Integer(number) => {
                let number = i128::from(number);
                match (LABELS.iter().find(|(label, _)| *label == number), value) {
                    (Some((_, name)), value) => drop(fields.insert((*name).to_owned(), plain(value))),
                    (None, Cbor::Bytes(bytes)) if number == DATA => {
                        fields.insert("vd".into(), URL_SAFE_NO_PAD.encode(bytes).into());
                    }
                    // Not understood, and no name that ends in `_`: section 4.4 has it passed over.
                    (None, _) => {}
                }
            }
            // Extensions have names, and one that ends in `_` must be understood.
            Cbor::Text(name) => drop(fields.insert(name, plain(value))),
            _ => {}
        }
    }
    Value::Object(fields)
}

fn plain(value: Cbor) -> Value {
    let number = |float: f64| Number::from_f64(float).map_or(Value::Null, Value::Number);
    match value {
        Cbor::Bool(truth) => Value::Bool(truth),
        Cbor::Text(text) => Value::String(text),
        Cbor::Float(float) => number(float),
        Cbor::Integer(integer) => {
            let integer = i128::from(integer);
            i64::try_from(integer).map_or_else(|_| number(integer as f64), Value::from)
        }
        Cbor::Tag(4, fraction) => decimal(&fraction).map_or(Value::Null, number),
        _ => Value::Null,
    }
}

/// A decimal fraction (RFC 8949, section 3.4.4): an array of the exponent of ten and the mantissa.
fn decimal(fraction: &Cbor) -> Option<f64> {
    let [Cbor::Integer(exponent), Cbor::Integer(mantissa)] = fraction.as_array()?.as_slice() else { return None };
    // By way of its text, so that 273.15 is the double that JSON's 273.15 is.
    format!("{}e{}", i128::from(*mantissa), i128::from(*exponent)).parse().ok()
}
