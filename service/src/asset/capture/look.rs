//! One waveform looked at: bytes → levels, spectrum, envelope. The long part of a diagnosis, and a pure function of what
//! came in, so that it may be worked out whenever there is time for it, on whichever thread: the outcome is the same.
//!
//! The engine asks for it at the next minute of the stream. In the daemon threads of their own have worked it out ahead
//! by then; in a replay, and where they have not come to it, the engine does it itself.

use crate::acquire::waveform::{self, Limits};
use crate::analyse::Analyst;
use crate::asset::spec::AssetSpec;
use bytes::Bytes;
use roundsman_models::EventTime;
use roundsman_models::assess::bearing::{Bearing, BearingFindings};
use roundsman_models::assess::likely_fault::{Axis, AxisSpectrum};
use roundsman_models::assess::shaft_speed::{ShaftSpeed, SpeedSource};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::cell::RefCell;
use std::sync::{Arc, OnceLock};

/// Most lines of a spectrum that is kept: 1 s up to 1000 Hz has as many.
const KEPT_LINES: usize = 1024;

/// A waveform message on its way: what its topic says, and its bytes.
#[derive(Debug, Clone, PartialEq)]
pub struct Waveform {
    /// Point, when the topic says.
    pub point: Option<String>,
    /// The message.
    pub payload: Bytes,
    /// How large it may be.
    pub limits: Limits,
}

/// What one waveform showed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Looked {
    /// Sensor.
    pub point: String,
    /// Direction, when anybody says.
    pub axis: Option<Axis>,
    /// First sample, when the message says.
    pub start: Option<EventTime>,
    /// The request it answers.
    pub request: Option<String>,
    /// Length, s.
    pub secs: f64,
    /// Samples a second.
    pub rate_hz: f64,
    /// Velocity in the band of ISO 20816, mm/s RMS.
    pub velocity_rms: f64,
    /// Acceleration, m/s² RMS.
    pub acceleration_rms: f64,
    /// Acceleration, m/s² zero to peak.
    pub acceleration_peak: f64,
    /// Kurtosis of the acceleration.
    pub kurtosis: f64,
    /// The speed gone by.
    pub speed: Option<ShaftSpeed>,
    /// The bearings its findings speak of.
    pub bearings: Vec<Bearing>,
    /// Why it cannot be diagnosed, or only in part.
    pub not_diagnosed: Option<String>,
    /// Velocity spectrum; `None` when it cannot be diagnosed.
    pub spectrum: Option<AxisSpectrum>,
    /// Findings of envelope analysis, without the spectrum of the envelope.
    pub findings: Option<BearingFindings>,
}

/// Why bytes were no waveform: the part, and what is wrong with it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Unread {
    /// The field or part.
    pub part: String,
    /// In words.
    pub why: String,
}

/// What it takes to look.
#[derive(Debug)]
struct Input {
    waveform: Arc<Waveform>,
    told: Option<ShaftSpeed>,
    spec: Arc<AssetSpec>,
}

#[derive(Debug)]
struct Cell {
    input: Option<Input>,
    done: OnceLock<Result<Looked, Unread>>,
}

/// A look that is taken once, by whoever asks first. Two are equal, and are stored, by their outcome.
#[derive(Debug, Clone)]
pub struct Look(Arc<Cell>);

impl Look {
    /// `told`: the speed known from elsewhere; a message that brings its own goes before it.
    pub fn new(waveform: Arc<Waveform>, told: Option<ShaftSpeed>, spec: Arc<AssetSpec>) -> Self {
        Self(Arc::new(Cell { input: Some(Input { waveform, told, spec }), done: OnceLock::new() }))
    }

    /// The outcome; waits for whoever is at it, or works it out.
    pub fn get(&self) -> &Result<Looked, Unread> {
        self.0.done.get_or_init(|| match &self.0.input {
            Some(input) => input.look(),
            // Only a stored look has no input, and it has its outcome.
            None => Err(Unread { part: "message".into(), why: "is gone".into() }),
        })
    }

    /// Whether it has been worked out.
    pub fn is_done(&self) -> bool {
        self.0.done.get().is_some()
    }
}

impl PartialEq for Look {
    fn eq(&self, other: &Self) -> bool {
        self.get() == other.get()
    }
}

impl Serialize for Look {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        self.get().serialize(to)
    }
}

impl<'de> Deserialize<'de> for Look {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let done = OnceLock::from(Result::<Looked, Unread>::deserialize(from)?);
        Ok(Self(Arc::new(Cell { input: None, done })))
    }
}

thread_local! {
    /// Plans of the last length, made anew when another comes: scratch that changes no outcome.
    static ANALYST: RefCell<Analyst> = RefCell::default();
}

impl Input {
    fn look(&self) -> Result<Looked, Unread> {
        let Waveform { point, payload, limits } = &*self.waveform;
        let unread = |fault: waveform::WaveformFault| Unread { part: fault.part.to_owned(), why: fault.why };
        let capture = waveform::decode(payload, limits).map_err(unread)?;
        let Some(point) = capture.point.clone().or_else(|| point.clone()) else {
            let why = "missing in the message, and its topic does not say it either".to_owned();
            return Err(Unread { part: "point".into(), why });
        };
        if !crate::acquire::registry::is_point_name(&point) {
            let why = "must be 1 to 128 bytes without control characters".to_owned();
            return Err(Unread { part: "point".into(), why });
        }
        let speed = capture.rpm.map(|rpm| ShaftSpeed::new(rpm, SpeedSource::Message)).or(self.told);
        let bearings = self.spec.vibration.bearings_for(&point);
        let axis = capture.axis.or_else(|| self.spec.vibration.sensor(&point).and_then(|s| s.axis));
        let report = ANALYST.with(|analyst| analyst.borrow_mut().look(&point, &capture, speed, &bearings));
        let usable =
            report.quality.unusable.is_none() && report.speed.is_some() && !report.spectrum.amplitudes.is_empty();
        // A sensor whose direction nobody tells is taken as radial, as most are.
        let as_if = axis.unwrap_or(Axis::Vertical);
        let spectrum = usable.then(|| report.axis_spectrum(as_if)).flatten().map(|s| s.thinned(KEPT_LINES));
        let findings = report.bearing.map(|mut found| {
            found.envelope = Default::default();
            // The best few tell enough.
            found.families.truncate(4);
            found
        });
        Ok(Looked {
            point,
            axis,
            start: capture.start,
            request: capture.request,
            secs: report.secs,
            rate_hz: report.rate_hz,
            velocity_rms: report.overalls.velocity_mm_s.rms,
            acceleration_rms: report.overalls.acceleration_m_s2.rms,
            acceleration_peak: report.overalls.acceleration_m_s2.peak,
            kurtosis: report.shape_g.kurtosis,
            speed: report.speed,
            bearings,
            not_diagnosed: report.unusable,
            spectrum,
            findings: findings.filter(|_| usable),
        })
    }
}
