//! The diagnosis of an asset from its waveforms, and the request for one: documents as plain data.
//!
//! What a fault is called, what speaks for and against it and what is usually checked come from the models; here they get
//! the form in which they are published, stored and put into an alert.

use super::document::{Document, Measured};
use super::forms;
use roundsman_models::EventTime;
use roundsman_models::assess::likely_fault::{Advice, Answer, Axis, Evidence, Fault, Hypothesis};
use roundsman_models::assess::shaft_speed::{ShaftSpeed, SpeedSource};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One sign that was seen or missed; the numbers are there when it is about a line of a spectrum.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct EvidenceLine {
    /// In words.
    pub text: String,
    /// Direction of the sensor.
    pub axis: Option<Axis>,
    /// Multiple of shaft speed.
    #[serde(with = "forms::optional_number")]
    pub order: Option<f64>,
    /// Frequency, Hz.
    #[serde(with = "forms::optional_number")]
    pub hz: Option<f64>,
    /// Amplitude of the line: velocity in mm/s peak, or the modulation depth (unit `1`) in the spectrum of an envelope.
    pub amplitude: Option<Measured>,
    /// Noise at this place, same unit.
    pub floor: Option<Measured>,
    /// Height above it, dB.
    #[serde(with = "forms::optional_number")]
    pub db: Option<f64>,
}

impl EvidenceLine {
    /// A sign from a velocity spectrum or without numbers.
    pub fn of(evidence: &Evidence) -> Self {
        let mm_s = |value| Measured { value, unit: "mm/s".into() };
        Self {
            text: evidence.text.clone(),
            axis: evidence.axis,
            order: evidence.line.map(|l| l.order),
            hz: evidence.line.map(|l| l.hz),
            amplitude: evidence.line.map(|l| mm_s(l.amplitude_mm_s)),
            floor: evidence.line.map(|l| mm_s(l.floor_mm_s)),
            db: evidence.line.map(|l| l.db),
        }
    }
}

/// One explanation with what speaks for and against it.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Explanation {
    /// Which fault.
    pub fault: Fault,
    /// In words.
    pub name: String,
    /// 0 to 1: a score that orders explanations, no probability.
    #[serde(with = "forms::number")]
    pub confidence: f64,
    /// What speaks for it.
    pub support: Vec<EvidenceLine>,
    /// What speaks against it.
    pub against: Vec<EvidenceLine>,
}

impl Explanation {
    /// As the models have it.
    pub fn of(hypothesis: &Hypothesis) -> Self {
        Self {
            fault: hypothesis.fault,
            name: hypothesis.fault.words().to_owned(),
            confidence: hypothesis.confidence,
            support: hypothesis.support.iter().map(EvidenceLine::of).collect(),
            against: hypothesis.against.iter().map(EvidenceLine::of).collect(),
        }
    }
}

/// What an answer rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, JsonSchema, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Spectra of waveforms.
    Waveform,
    /// Which readings changed and which did not: a direction to look in, never a name.
    Readings,
}

/// The answer in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, JsonSchema, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Nothing that matters was found.
    Nothing,
    /// The first explanation is strong enough to be named.
    Likely,
    /// Something changed that no known pattern explains well enough.
    UnknownChange,
    /// No waveform has been looked at.
    NotLooked,
}

impl From<Answer> for Verdict {
    fn from(answer: Answer) -> Self {
        match answer {
            Answer::Nothing => Self::Nothing,
            Answer::Likely(_) => Self::Likely,
            Answer::UnknownChange => Self::UnknownChange,
        }
    }
}

/// The likely fault as an alert carries it.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct LikelyFault {
    /// The answer.
    pub answer: Verdict,
    /// What it rests on.
    pub basis: Basis,
    /// Event time of what it rests on.
    #[serde(with = "forms::time")]
    pub at: EventTime,
    /// Bearing or sensor it was seen at.
    pub place: Option<String>,
    /// Explanations, best first; at most three.
    pub explanations: Vec<Explanation>,
    /// The usual checks for the first of them.
    pub checks: Vec<String>,
    /// What to beware of.
    pub caution: Option<String>,
}

impl LikelyFault {
    /// The fault that is named; `None` unless the answer is [`Verdict::Likely`].
    pub fn named(&self) -> Option<&Explanation> {
        self.explanations.first().filter(|_| self.answer == Verdict::Likely)
    }
}

/// Checks and caution as text.
pub fn advice(fault: Option<Fault>) -> (Vec<String>, Option<String>) {
    match fault.map(Fault::advice) {
        Some(Advice { checks, caution }) => {
            (checks.iter().map(|c| (*c).to_owned()).collect(), Some(caution.to_owned()))
        }
        None => (Vec::new(), None),
    }
}

/// The speed a diagnosis went by, and how much is known of it.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Speed {
    /// r/min.
    #[serde(with = "forms::number")]
    pub rpm: f64,
    /// `message`, `point`, `rating` or `waveform` (estimated from it, near one of the others).
    pub source: SpeedSource,
    /// How far off it may be, as a share of it.
    #[serde(with = "forms::number")]
    pub uncertainty: f64,
    /// 0 to 1: how clearly the waveform shows it; 0 when it does not confirm it.
    #[serde(with = "forms::number")]
    pub confidence: f64,
}

impl From<ShaftSpeed> for Speed {
    fn from(speed: ShaftSpeed) -> Self {
        let ShaftSpeed { rpm, source, uncertainty, confidence } = speed;
        Self { rpm, source, uncertainty, confidence }
    }
}

/// One waveform that was looked at.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Capture {
    /// Its number on this asset: the key of the stored waveform.
    pub number: u64,
    /// Sensor.
    pub point: String,
    /// Direction.
    pub axis: Option<Axis>,
    /// First sample, else when it came.
    #[serde(with = "forms::time")]
    pub at: EventTime,
    /// The request it answers.
    pub request: Option<String>,
    /// Operating state it was taken in.
    pub operating_state: Option<String>,
    /// Length, s.
    #[serde(with = "forms::number")]
    pub secs: f64,
    /// Samples a second.
    #[serde(with = "forms::number")]
    pub rate_hz: f64,
    /// Velocity in the band of ISO 20816, mm/s RMS.
    #[serde(with = "forms::optional_number")]
    pub velocity_rms: Option<f64>,
    /// Acceleration, m/s² RMS.
    #[serde(with = "forms::optional_number")]
    pub acceleration_rms: Option<f64>,
    /// Acceleration, m/s² zero to peak.
    #[serde(with = "forms::optional_number")]
    pub acceleration_peak: Option<f64>,
    /// Kurtosis of the acceleration; 3 for noise.
    #[serde(with = "forms::optional_number")]
    pub kurtosis: Option<f64>,
    /// Why it could not be diagnosed, or only in part.
    pub not_diagnosed: Option<String>,
}

/// What a capture was compared with.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Comparison {
    /// Direction.
    pub axis: Axis,
    /// When the reference was taken.
    #[serde(with = "forms::time")]
    pub reference_at: EventTime,
    /// Velocity of the reference, mm/s RMS.
    #[serde(with = "forms::number")]
    pub velocity_before: f64,
    /// Velocity now, mm/s RMS.
    #[serde(with = "forms::number")]
    pub velocity_now: f64,
    /// Noise between the lines above ten times shaft speed, now over then.
    #[serde(with = "forms::optional_number")]
    pub noise_ratio: Option<f64>,
}

/// Basic rating life of one bearing: what nine in ten of a large group reach. Context, never this machine's remaining life.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Rating {
    /// Bearing.
    pub bearing: String,
    /// L10h at the speed of the diagnosis, hours (ISO 281).
    #[serde(with = "forms::number")]
    pub l10_hours: f64,
}

/// The last request for waveforms and what became of it.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct RequestState {
    /// Its id.
    pub id: String,
    /// When it was made.
    #[serde(with = "forms::time")]
    pub at: EventTime,
    /// Why.
    pub reason: Reason,
    /// How it stands.
    pub state: Standing,
}

/// How a request stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, JsonSchema, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Nothing came yet.
    Waiting,
    /// Something came.
    Answered,
    /// Nothing came in time.
    TimedOut,
}

/// Diagnosis of an asset from its newest waveforms: what goes, retained, to `…/{asset}/diagnosis`.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct Diagnosis {
    /// Site name.
    pub site: String,
    /// Asset name.
    pub asset: String,
    /// Event time of the statement.
    #[serde(with = "forms::time")]
    pub at: EventTime,
    /// The answer.
    pub answer: Verdict,
    /// Bearing or sensor it is about.
    pub place: Option<String>,
    /// Operating state of the waveforms.
    pub operating_state: Option<String>,
    /// Explanations, best first; at most four.
    pub explanations: Vec<Explanation>,
    /// The speed gone by.
    pub speed: Option<Speed>,
    /// The waveforms it rests on.
    pub captures: Vec<Capture>,
    /// What they were compared with; empty without a reference in this operating state.
    pub compared: Vec<Comparison>,
    /// Rating life of the bearings for which load and rating are configured.
    pub rating_life: Vec<Rating>,
    /// The last request.
    pub request: Option<RequestState>,
    /// The open alert of the machine.
    pub alert: Option<String>,
    /// The usual checks for the first explanation.
    pub checks: Vec<String>,
    /// What to beware of.
    pub caution: Option<String>,
    /// One plain sentence.
    pub message: String,
}

/// Why waveforms are asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, JsonSchema, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// The asset entered warning or alarm.
    Alert,
    /// There is no reference yet, or an old one.
    Reference,
    /// A person asked.
    Command,
}

/// A request for waveforms of an asset, to whoever takes them: not retained, sent once.
#[derive(Debug, Clone, PartialEq, JsonSchema, Serialize, Deserialize)]
pub struct CaptureRequest {
    /// Site name.
    pub site: String,
    /// Asset name.
    pub asset: String,
    /// Id, to be sent back in the waveform's `request`.
    pub id: String,
    /// Event time it was made.
    #[serde(with = "forms::time")]
    pub at: EventTime,
    /// What comes later counts as unasked.
    #[serde(with = "forms::time")]
    pub until: EventTime,
    /// Why.
    pub reason: Reason,
    /// The alert it is for.
    pub alert: Option<String>,
    /// Who asked, for one by command.
    pub by: Option<String>,
    /// Directions wanted.
    pub axes: Vec<Axis>,
    /// Sensors that are known; empty: whichever there are.
    pub points: Vec<String>,
}

impl Document for Diagnosis {
    const SCHEMA: &'static str = "roundsman.diagnosis/1";
}

impl Document for CaptureRequest {
    const SCHEMA: &'static str = "roundsman.capture-request/1";
}
