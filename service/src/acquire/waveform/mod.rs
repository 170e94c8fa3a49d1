//! Waveforms from messages and files → [`Capture`]: samples in g with all that is known of them. Pure but for reading
//! files; bytes in, a capture or the reason out.
//!
//! # Messages
//! Three forms, told apart by their first byte; the same fields in each:
//!
//! | field | | |
//! |---|---|---|
//! | `rate_hz` | needed | samples a second |
//! | `unit` | needed | of a sample after scaling: `g`, `m/s2`, `mm/s2` (see [`super::units`]) |
//! | `samples` | needed, or `data` | numbers |
//! | `data` | | base64 of little-endian samples, with `encoding` `i16`, `i32` or `f32` |
//! | `scale` | 1 | a sample is the stored number times this |
//! | `asset`, `point`, `axis` | from the topic | `axis` is `horizontal`, `vertical` or `axial` |
//! | `start` | time received | RFC 3339, or milliseconds since 1970 |
//! | `rpm` | unknown | shaft speed during the record |
//! | `request` | none | the number of the capture request it answers |
//!
//! - **JSON**: one object (`{`).
//! - **Binary**: the four bytes `RWF1`, the length of a JSON header as u32 little-endian, the header with the fields above
//!   without `samples` and `data`, then the samples little-endian as `encoding` says.
//!
//! Anything missing or contradictory is refused by the field's name; sizes are bounded before anything is decoded.

mod file;
mod message;

pub use file::{FileOptions, read_bytes, read_file};
pub use message::{Limits, decode};

use roundsman_models::EventTime;
use roundsman_models::assess::likely_fault::Axis;
use serde::Serialize;
use std::fmt;

/// A waveform as it was measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Capture {
    /// Asset, when the message says.
    pub asset: Option<String>,
    /// Point, when the message says.
    pub point: Option<String>,
    /// Direction of the sensor.
    pub axis: Option<Axis>,
    /// First sample.
    pub start: Option<EventTime>,
    /// Samples a second.
    pub rate_hz: f64,
    /// Shaft speed, when the message says, r/min.
    pub rpm: Option<f64>,
    /// The capture request it answers.
    pub request: Option<String>,
    /// Acceleration, g; all finite.
    #[serde(skip)]
    pub samples_g: Vec<f64>,
}

/// Why bytes are no waveform.
#[derive(Debug, Clone, PartialEq)]
pub struct WaveformFault {
    /// The field or part it is about.
    pub part: &'static str,
    /// What is wrong with it.
    pub why: String,
}

impl WaveformFault {
    fn new(part: &'static str, why: impl Into<String>) -> Self {
        Self { part, why: why.into() }
    }
}

impl fmt::Display for WaveformFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.part, self.why)
    }
}

impl std::error::Error for WaveformFault {}

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize, Serialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum Encoding {
    /// 16-bit signed integers, little-endian.
    I16,
    /// 32-bit signed integers, little-endian.
    I32,
    /// 32-bit floats, little-endian.
    F32,
}

impl Encoding {
    fn width(self) -> usize {
        match self {
            Encoding::I16 => 2,
            Encoding::I32 | Encoding::F32 => 4,
        }
    }

    /// Samples times `scale`.
    fn read(self, bytes: &[u8], scale: f64) -> Result<Vec<f64>, WaveformFault> {
        if !bytes.len().is_multiple_of(self.width()) {
            return Err(WaveformFault::new(
                "data",
                format!("{} bytes are no whole number of samples of {} bytes: cut off", bytes.len(), self.width()),
            ));
        }
        let samples = bytes.chunks_exact(self.width()).map(|b| {
            scale
                * match (self, b) {
                    (Encoding::I16, &[a, b]) => f64::from(i16::from_le_bytes([a, b])),
                    (Encoding::I32, &[a, b, c, d]) => f64::from(i32::from_le_bytes([a, b, c, d])),
                    (Encoding::F32, &[a, b, c, d]) => f64::from(f32::from_le_bytes([a, b, c, d])),
                    _ => f64::NAN,
                }
        });
        Ok(samples.collect())
    }
}

/// Factor from a unit to g.
fn to_g(unit: &str) -> Result<f64, WaveformFault> {
    use super::units::Unit;
    let gravity = Unit::parse("[g]");
    let conversion = Unit::parse(unit).zip(gravity).and_then(|(unit, g)| unit.to_unit(&g));
    conversion.map(|c| c.scale).ok_or_else(|| {
        WaveformFault::new("unit", format!("{unit:?} is no unit of acceleration; g, m/s2 and mm/s2 are"))
    })
}

/// Checks rate and samples once more, whatever they came from.
fn checked_samples(rate_hz: f64, samples: &[f64]) -> Result<(), WaveformFault> {
    use roundsman_models::manipulate::waveform::Signal;
    use roundsman_models::manipulate::waveform::signal::SignalFault;
    Signal::new(samples, rate_hz).map(|_| ()).map_err(|fault| {
        let part = if matches!(fault, SignalFault::Rate(_)) { "rate_hz" } else { "samples" };
        WaveformFault::new(part, fault.to_string())
    })
}
