//! Data acquisition (ISO 13374 block 1): bytes and files → observations of registered points.

pub mod guess;
pub mod mqtt;
pub mod payload;
pub mod plant;
pub mod recording;
pub mod registry;
pub mod sparkplug;
pub mod steady_clock;
pub mod stream_clock;
pub mod topics;
pub mod units;
pub mod waveform;

use roundsman_models::EventTime;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A registered asset: its place in the registry. Never reused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct AssetId(pub u32);

/// What the sender said of a value's quality.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Quality {
    /// Nothing bad was said.
    Good,
    /// Bad, uncertain or a substitute: shown, never learned, never alarmed.
    Bad,
}

/// One value with its names resolved and its unit converted; the asset has not judged it yet.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// The asset it belongs to.
    pub asset: AssetId,
    /// Index into the asset's points.
    pub point: u16,
    /// Event time.
    pub at: EventTime,
    /// Value in the point's kept unit; may be not finite.
    pub value: f64,
    /// Sender's word on it.
    pub quality: Quality,
}

/// Why something that arrived was not used. Each has a counter; none is fatal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, JsonSchema, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rejection {
    /// The topic fits no pattern of the configuration.
    UnmappedTopic,
    /// The payload could not be read.
    Unreadable,
    /// The time in the payload could not be read.
    BadTime,
    /// A unit nobody knows, or one that does not fit the point.
    BadUnit,
    /// The cap on assets or on points of an asset is reached.
    TooMany,
    /// A retained message: history, not a fresh reading.
    Retained,
    /// NaN or infinite.
    NotFinite,
    /// Outside the physical range of the point.
    OutOfRange,
    /// Bit-identical too long.
    Stuck,
    /// Same point, same time as one already taken.
    Duplicate,
    /// Older than what is still open.
    Late,
    /// Further in the future than a clock may be wrong.
    Future,
    /// Further in the past than anything is kept back.
    Past,
    /// The sender calls it bad.
    BadQuality,
    /// A waveform with a part missing, wrong or too large.
    BadWaveform,
    /// A name that is empty, too long or no topic level, or an asset's name that another area has already.
    BadName,
    /// Sparkplug data without the birth that says what they are.
    NoBirth,
    /// Messages missing in the sequence of a Sparkplug node: they never came.
    SequenceGap,
    /// Kept back by the sender and sent later: history, not a fresh reading.
    Historical,
}

impl Rejection {
    /// In words, as documents, metrics and log lines give it.
    pub fn word(self) -> &'static str {
        match self {
            Self::UnmappedTopic => "unmapped-topic",
            Self::Unreadable => "unreadable",
            Self::BadTime => "bad-time",
            Self::BadUnit => "bad-unit",
            Self::TooMany => "too-many",
            Self::Retained => "retained",
            Self::NotFinite => "not-finite",
            Self::OutOfRange => "out-of-range",
            Self::Stuck => "stuck",
            Self::Duplicate => "duplicate",
            Self::Late => "late",
            Self::Future => "future",
            Self::Past => "past",
            Self::BadQuality => "bad-quality",
            Self::BadName => "bad-name",
            Self::BadWaveform => "bad-waveform",
            Self::NoBirth => "no-birth",
            Self::SequenceGap => "sequence-gap",
            Self::Historical => "historical",
        }
    }
}
