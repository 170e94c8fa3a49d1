//! Waveform messages. See the module page for the forms.

use super::{Capture, Encoding, WaveformFault, checked_samples, to_g};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use roundsman_models::EventTime;
use roundsman_models::assess::likely_fault::Axis;
use serde::{Deserialize, Serialize};

/// First bytes of the binary form.
const MAGIC: &[u8; 4] = b"RWF1";
/// A header longer than this is none.
const LONGEST_HEADER: usize = 64 * 1024;

/// How large a message may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Bytes of the whole message.
    pub bytes: usize,
    /// Samples of one waveform.
    pub samples: usize,
}

impl Default for Limits {
    /// 8 MiB and a million samples: 20 s at 51.2 kHz.
    fn default() -> Self {
        Self { bytes: 8 << 20, samples: 1 << 20 }
    }
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Start {
    Millis(i64),
    Text(String),
}

#[derive(Deserialize)]
struct Fields {
    asset: Option<String>,
    point: Option<String>,
    axis: Option<Axis>,
    start: Option<Start>,
    rate_hz: Option<f64>,
    unit: Option<String>,
    rpm: Option<f64>,
    request: Option<String>,
    scale: Option<f64>,
    encoding: Option<Encoding>,
    samples: Option<Vec<f64>>,
    data: Option<String>,
}

/// Reads a message.
///
/// # Errors
/// The first part that is missing, contradictory or too large, by name.
pub fn decode(payload: &[u8], limits: &Limits) -> Result<Capture, WaveformFault> {
    if payload.len() > limits.bytes {
        let why = format!("{} bytes, and at most {} are taken", payload.len(), limits.bytes);
        return Err(WaveformFault::new("message", why));
    }
    if super::senml::is_cbor(payload) {
        return super::senml::decode(payload, limits);
    }
    let (head, body) = match payload.strip_prefix(MAGIC.as_slice()) {
        Some(rest) => split_binary(rest)?,
        None => (payload, None),
    };
    let fields: Fields = serde_json::from_slice(head)
        .map_err(|error| WaveformFault::new("message", format!("not readable: {error}")))?;
    let rate_hz = needed("rate_hz", fields.rate_hz)?;
    let unit = needed("unit", fields.unit.as_deref())?;
    let scale = fields.scale.unwrap_or(1.0);
    if !(scale.is_finite() && scale != 0.0) {
        return Err(WaveformFault::new("scale", format!("must be finite and not 0, got {scale}")));
    }
    let factor = scale * to_g(unit)?;
    let stored: Option<Vec<u8>> = match (&fields.data, body) {
        (Some(_), Some(_)) => return Err(WaveformFault::new("data", "stands in the header of a binary message")),
        (Some(text), None) => {
            let decoded = STANDARD.decode(text.trim_end());
            Some(decoded.map_err(|error| WaveformFault::new("data", format!("not base64: {error}")))?)
        }
        (None, body) => body.map(<[u8]>::to_vec),
    };
    let samples_g: Vec<f64> = match (fields.samples, stored) {
        (Some(_), Some(_)) => return Err(WaveformFault::new("samples", "given twice, as numbers and as data")),
        (None, None) => return Err(WaveformFault::new("samples", "missing; or `data` with `encoding`")),
        (Some(samples), None) => samples.into_iter().map(|x| factor * x).collect(),
        (None, Some(bytes)) => {
            let encoding = needed("encoding", fields.encoding)?;
            encoding.read(&bytes, factor)?
        }
    };
    if samples_g.len() > limits.samples {
        let why = format!("{} of them, and at most {} are taken", samples_g.len(), limits.samples);
        return Err(WaveformFault::new("samples", why));
    }
    checked_samples(rate_hz, &samples_g)?;
    if let Some(rpm) = fields.rpm
        && !(rpm.is_finite() && rpm > 0.0)
    {
        return Err(WaveformFault::new("rpm", format!("must be finite and above 0, got {rpm}")));
    }
    let start = fields.start.map(start_time).transpose()?;
    Ok(Capture {
        asset: fields.asset,
        point: fields.point,
        axis: fields.axis,
        start,
        rate_hz,
        rpm: fields.rpm,
        request: fields.request,
        samples_g,
    })
}

/// A capture as a binary message, its samples as 32-bit floats.
pub fn encode(capture: &Capture) -> Vec<u8> {
    #[derive(Serialize)]
    struct Head<'a> {
        #[serde(flatten)]
        capture: &'a Capture,
        unit: &'static str,
        encoding: Encoding,
    }
    // Plain data with text for keys: there is nothing to fail.
    let head = serde_json::to_vec(&Head { capture, unit: "g", encoding: Encoding::F32 }).unwrap_or_default();
    let mut message = Vec::with_capacity(8 + head.len() + 4 * capture.samples_g.len());
    message.extend_from_slice(MAGIC);
    message.extend_from_slice(&(head.len() as u32).to_le_bytes());
    message.extend_from_slice(&head);
    for sample in &capture.samples_g {
        message.extend_from_slice(&(*sample as f32).to_le_bytes());
    }
    message
}

fn needed<T>(part: &'static str, value: Option<T>) -> Result<T, WaveformFault> {
    value.ok_or_else(|| WaveformFault::new(part, "missing"))
}

fn split_binary(rest: &[u8]) -> Result<(&[u8], Option<&[u8]>), WaveformFault> {
    let cut = || WaveformFault::new("message", "cut off inside its header");
    let (length, rest) = rest.split_first_chunk::<4>().ok_or_else(cut)?;
    let length = u32::from_le_bytes(*length) as usize;
    if length > LONGEST_HEADER {
        return Err(WaveformFault::new("message", format!("a header of {length} bytes")));
    }
    let (head, body) = rest.split_at_checked(length).ok_or_else(cut)?;
    Ok((head, Some(body)))
}

fn start_time(start: Start) -> Result<EventTime, WaveformFault> {
    match start {
        Start::Millis(millis) => Ok(EventTime(millis.saturating_mul(1000))),
        Start::Text(text) => text
            .parse::<jiff::Timestamp>()
            .map(|t| EventTime(t.as_microsecond()))
            .map_err(|error| WaveformFault::new("start", format!("{text:?} is no RFC 3339 time: {error}"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decode_text(text: &str) -> Result<Capture, WaveformFault> {
        decode(text.as_bytes(), &Limits::default())
    }

    fn part(result: Result<Capture, WaveformFault>) -> &'static str {
        match result {
            Err(fault) => fault.part,
            Ok(capture) => panic!("taken: {capture:?}"),
        }
    }

    fn ramp() -> Vec<i16> {
        (0..100).map(|n| n * 10).collect()
    }

    fn bytes() -> Vec<u8> {
        ramp().iter().flat_map(|x| x.to_le_bytes()).collect()
    }

    #[test]
    fn the_three_forms_carry_the_same_waveform() {
        let numbers: Vec<String> = ramp().iter().map(i16::to_string).collect();
        let head = r#""asset":"pump-7","point":"de","axis":"vertical","start":"2026-03-01T00:00:00Z","rate_hz":5120,
                      "unit":"m/s2","scale":0.980665,"rpm":1480,"request":"41""#;
        let plain = decode_text(&format!("{{{head},\"samples\":[{}]}}", numbers.join(","))).unwrap();
        let packed = STANDARD.encode(bytes());
        let base64 = decode_text(&format!("{{{head},\"encoding\":\"i16\",\"data\":\"{packed}\"}}")).unwrap();
        let header = format!("{{{head},\"encoding\":\"i16\"}}");
        let mut binary = MAGIC.to_vec();
        binary.extend((header.len() as u32).to_le_bytes());
        binary.extend(header.as_bytes());
        binary.extend(bytes());
        let binary = decode(&binary, &Limits::default()).unwrap();
        assert_eq!(plain, base64);
        assert_eq!(plain, binary);
        assert_eq!(plain.samples_g.len(), 100);
        // 990 × 0.980665 m/s² is 99 g.
        assert!((plain.samples_g[99] - 99.0).abs() < 1e-9);
        assert_eq!(plain.start, Some(EventTime(1_772_323_200_000_000)));
        assert_eq!((plain.rpm, plain.request.as_deref()), (Some(1480.0), Some("41")));
    }

    #[test]
    fn what_is_encoded_is_decoded() {
        let capture = Capture {
            asset: Some("a".into()),
            point: None,
            axis: Some(Axis::Axial),
            start: Some(EventTime(1_772_323_200_000_001)),
            rate_hz: 1000.0,
            rpm: Some(1480.0),
            request: Some("r/1".into()),
            samples_g: (0..100).map(|n| f64::from(n) * 0.25).collect(),
        };
        assert_eq!(decode(&encode(&capture), &Limits::default()), Ok(capture));
    }

    #[test]
    fn a_missing_or_wrong_part_is_named() {
        let samples = vec!["1"; 100].join(",");
        let with = |fields: &str| decode_text(&format!("{{\"samples\":[{samples}]{fields}}}"));
        assert_eq!(part(with(r#","unit":"g""#)), "rate_hz");
        assert_eq!(part(with(r#","rate_hz":1000"#)), "unit");
        assert_eq!(part(with(r#","rate_hz":1000,"unit":"bar""#)), "unit");
        assert_eq!(part(with(r#","rate_hz":-1,"unit":"g""#)), "rate_hz");
        assert_eq!(part(with(r#","rate_hz":1000,"unit":"g","rpm":0"#)), "rpm");
        assert_eq!(part(with(r#","rate_hz":1000,"unit":"g","start":"yesterday""#)), "start");
        assert_eq!(part(with(r#","rate_hz":1000,"unit":"g","data":"AAAA""#)), "samples");
        assert_eq!(part(with(r#","rate_hz":1000,"unit":"g","axis":"sideways""#)), "message");
        assert_eq!(part(decode_text(r#"{"rate_hz":1000,"unit":"g"}"#)), "samples");
        assert_eq!(part(decode_text(r#"{"rate_hz":1000,"unit":"g","data":"AAAA"}"#)), "encoding");
        assert_eq!(part(decode_text(r#"{"rate_hz":1000,"unit":"g","encoding":"i16","data":"AAAAAA=="}"#)), "samples");
        assert_eq!(part(decode_text(r#"{"rate_hz":1000,"unit":"g","encoding":"i16","data":"?"}"#)), "data");
        assert_eq!(part(decode_text("RWF1")), "message");
        assert_eq!(part(decode(&[b'R', b'W', b'F', b'1', 255, 255, 255, 255], &Limits::default())), "message");
        let small = Limits { bytes: 10, samples: 10 };
        assert_eq!(part(decode(b"{\"samples\":[]}", &small)), "message");
        let few = Limits { bytes: 1 << 20, samples: 99 };
        let text = format!("{{\"samples\":[{samples}],\"rate_hz\":1000,\"unit\":\"g\"}}");
        assert_eq!(part(decode(text.as_bytes(), &few)), "samples");
    }

    #[test]
    fn a_truncated_body_is_no_whole_sample() {
        let header = br#"{"rate_hz":1000,"unit":"g","encoding":"i32"}"#;
        let mut binary = MAGIC.to_vec();
        binary.extend((header.len() as u32).to_le_bytes());
        binary.extend(header);
        binary.extend([0_u8; 403]);
        assert_eq!(part(decode(&binary, &Limits::default())), "data");
    }
}
