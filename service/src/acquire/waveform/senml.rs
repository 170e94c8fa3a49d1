//! A waveform as a SenML pack in CBOR (RFC 8428): one record per sample.
//!
//! ```text
//! [{-2: "pump-7/de_h", -3: 1930292100, -4: "m/s2"}, {6: 0, 2: 0.12}, {6: 0.0001, 2: 0.15}, … ,
//!  {0: "/rpm", 1: "1/min", 2: 1480}, {0: "/axis", 3: "horizontal"}, {0: "/request", 3: "q/p/capture/4"}]
//! ```
//!
//! The samples are the records with a number `v`, all of one name, whose last level is the point; their times must be even
//! and give the rate. Records whose name ends in `rpm`, `axis` or `request` say the rest. Version up to 10, base value and
//! the sum of base and own time as the RFC has them. In SenML `g` is a gram: the unit must be `m/s2`.

use super::message::Limits;
use super::{Capture, WaveformFault, checked_samples};
use ciborium::Value;
use roundsman_models::EventTime;
use roundsman_models::assess::likely_fault::Axis;

/// RFC 8428, section 4.7: labels.
const BVER: i64 = -1;
const BN: i64 = -2;
const BT: i64 = -3;
const BU: i64 = -4;
const BV: i64 = -5;
const N: i64 = 0;
const U: i64 = 1;
const V: i64 = 2;
const VS: i64 = 3;
const T: i64 = 6;
/// Below this a time counts from now (section 4.5.3): of such there is no start to be had.
const RELATIVE_BELOW: f64 = 268_435_456.0;
/// Uneven by more than this share of a step is a hole.
const EVEN: f64 = 0.2;

/// Whether bytes begin as a CBOR array does.
pub(super) fn is_cbor(payload: &[u8]) -> bool {
    payload.first().is_some_and(|byte| (0x80..=0x9f).contains(byte))
}

fn fault(part: &'static str, why: impl Into<String>) -> WaveformFault {
    WaveformFault::new(part, why)
}

/// Reads a pack.
pub(super) fn decode(payload: &[u8], limits: &Limits) -> Result<Capture, WaveformFault> {
    let value: Value =
        ciborium::from_reader(payload).map_err(|error| fault("message", format!("not CBOR: {error}")))?;
    let Value::Array(records) = value else { return Err(fault("message", "a SenML pack is an array")) };
    // A few records say what is known of it; the rest are samples.
    if records.len() > limits.samples.saturating_add(16) {
        let why = format!("{} records, and at most {} samples are taken", records.len(), limits.samples);
        return Err(fault("samples", why));
    }
    let (mut base_name, mut base_time, mut base_unit, mut base_value) = (String::new(), 0.0, None, 0.0);
    let (mut name, mut times, mut samples) = (None::<String>, Vec::new(), Vec::new());
    let (mut rpm, mut axis, mut request) = (None, None, None);
    for record in &records {
        let Value::Map(entries) = record else { return Err(fault("message", "a SenML record is a map")) };
        let find = |label: i64| entries.iter().find(|(key, _)| *key == Value::from(label)).map(|(_, value)| value);
        let text = |label: i64| find(label).and_then(Value::as_text);
        let number = |label: i64| find(label).and_then(number);
        if number(BVER).is_some_and(|version| version > 10.0) {
            return Err(fault("message", "a version of SenML that is not known"));
        }
        if let Some(fresh) = text(BN) {
            base_name = fresh.to_owned();
        }
        base_time = number(BT).unwrap_or(base_time);
        base_value = number(BV).unwrap_or(base_value);
        if let Some(fresh) = text(BU) {
            base_unit = Some(fresh.to_owned());
        }
        let full = format!("{base_name}{}", text(N).unwrap_or_default());
        let last = full.rsplit(['/', ':']).next().unwrap_or_default();
        match (last, number(V), text(VS)) {
            ("rpm", Some(value), _) => rpm = Some(value),
            ("axis", _, Some(word)) => {
                axis = Some(match word {
                    "horizontal" => Axis::Horizontal,
                    "vertical" => Axis::Vertical,
                    "axial" => Axis::Axial,
                    other => return Err(fault("axis", format!("{other:?} is no direction"))),
                });
            }
            ("request", _, Some(id)) => request = Some(id.to_owned()),
            (_, Some(value), _) => {
                if name.as_ref().is_some_and(|name| *name != full) {
                    return Err(fault("samples", format!("of two points, {} and {full}", name.unwrap_or_default())));
                }
                match text(U).or(base_unit.as_deref()) {
                    Some("m/s2") => {}
                    Some(unit) => return Err(fault("unit", format!("must be m/s2 in SenML, got {unit:?}"))),
                    None => return Err(fault("unit", "missing")),
                }
                name = Some(full);
                times.push(base_time + number(T).unwrap_or(0.0));
                samples.push((base_value + value) / super::STANDARD_GRAVITY);
            }
            _ => {}
        }
    }
    let (Some(first), Some(end)) = (times.first().copied(), times.last().copied()) else {
        return Err(fault("samples", "missing"));
    };
    let step = (end - first) / (times.len().max(2) - 1) as f64;
    if !(step.is_finite() && step > 0.0) {
        return Err(fault("rate_hz", "the records' times give none"));
    }
    // A double holds a time since 1970 to a quarter of a microsecond: that much unevenness is its own.
    let allowed = EVEN * step + 1e-6;
    if !times.windows(2).all(|w| matches!(w, [a, b] if (b - a - step).abs() <= allowed)) {
        return Err(fault("rate_hz", "the records are not evenly spaced"));
    }
    if rpm.is_some_and(|rpm| !(rpm.is_finite() && rpm > 0.0)) {
        return Err(fault("rpm", "must be finite and above 0"));
    }
    checked_samples(1.0 / step, &samples)?;
    let point = name.as_deref().and_then(|n| n.rsplit(['/', ':']).find(|part| !part.is_empty())).map(str::to_owned);
    Ok(Capture {
        asset: None,
        point,
        axis,
        start: (first >= RELATIVE_BELOW).then_some(EventTime((first * 1e6) as i64)),
        rate_hz: 1.0 / step,
        rpm,
        request,
        samples_g: samples,
    })
}

fn number(value: &Value) -> Option<f64> {
    match value {
        Value::Float(float) => Some(*float),
        Value::Integer(integer) => Some(i128::from(*integer) as f64),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pack(records: Vec<Vec<(i64, Value)>>) -> Vec<u8> {
        let record = |r: Vec<(i64, Value)>| Value::Map(r.into_iter().map(|(k, v)| (Value::from(k), v)).collect());
        let mut bytes = Vec::new();
        ciborium::into_writer(&Value::Array(records.into_iter().map(record).collect()), &mut bytes).unwrap();
        bytes
    }

    fn samples(count: usize) -> Vec<Vec<(i64, Value)>> {
        (0..count).map(|n| vec![(T, Value::from(n as f64 / 1000.0)), (V, Value::from(9.806_65 * n as f64))]).collect()
    }

    fn base() -> Vec<(i64, Value)> {
        vec![(BN, "pump-7/de_h".into()), (BT, 1_930_292_100.into()), (BU, "m/s2".into())]
    }

    #[test]
    fn a_pack_is_a_waveform() {
        let mut records = vec![base()];
        records.extend(samples(200));
        records.push(vec![(N, "/rpm".into()), (V, 1480.into())]);
        records.push(vec![(N, "/axis".into()), (VS, "axial".into())]);
        records.push(vec![(N, "/request".into()), (VS, "s/p/capture/4".into())]);
        let capture = super::super::decode(&pack(records), &Limits::default()).unwrap();
        assert_eq!((capture.point.as_deref(), capture.axis), (Some("de_h"), Some(Axis::Axial)));
        assert_eq!((capture.rpm, capture.request.as_deref()), (Some(1480.0), Some("s/p/capture/4")));
        assert!((capture.rate_hz - 1000.0).abs() < 0.01, "{}", capture.rate_hz);
        assert_eq!(capture.start, Some(EventTime(1_930_292_100_000_000)));
        assert_eq!(capture.samples_g.len(), 200);
        assert!((capture.samples_g[5] - 5.0).abs() < 1e-9);
    }

    /// Source: RFC 8428, section 6, the first record of its CBOR example in hexadecimal: an array of one map of base name,
    /// base time, base unit, version, name and value; from memory. It is a reading in volts and so no waveform.
    #[test]
    fn labels_are_those_of_the_rfc() {
        let hex = "81a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120\
                   050067766f6c7461676501615602fb405e066666666666";
        let bytes: Vec<u8> =
            (0..hex.len() / 2).map(|n| u8::from_str_radix(&hex[2 * n..2 * n + 2], 16).unwrap()).collect();
        let fault = decode(&bytes, &Limits::default()).unwrap_err();
        assert!(fault.part == "unit" || fault.part == "message", "{fault}");
    }

    #[test]
    fn what_is_missing_is_named() {
        let part = |records| decode(&pack(records), &Limits::default()).unwrap_err().part;
        assert_eq!(part(vec![base()]), "samples");
        assert_eq!(part(samples(100)), "unit");
        let with = |first: Vec<(i64, Value)>| std::iter::once(first).chain(samples(100)).collect::<Vec<_>>();
        assert_eq!(part(with(vec![(BN, "a".into()), (BU, "g".into())])), "unit");
        let mut uneven = with(base());
        uneven.remove(50);
        uneven.remove(50);
        assert_eq!(part(uneven), "rate_hz");
        assert!(decode(&[0x9f, 0xff], &Limits::default()).is_err() && decode(&[0x9f], &Limits::default()).is_err());
    }
}
