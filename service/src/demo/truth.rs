//! `about.toml`: what was planted in the simulated data, and when.

use crate::advise::forms::parse_rfc3339;
use crate::error::{Error, Fault};
use roundsman_models::EventTime;
use serde::{Deserialize, Deserializer, de::Error as _};
use std::path::Path;

/// What the demo needs of the file; its `README.md` explains all of it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct About {
    /// Site name.
    pub site: String,
    /// First time.
    #[serde(deserialize_with = "time")]
    pub start: EventTime,
    /// End.
    #[serde(deserialize_with = "time")]
    pub end: EventTime,
    /// Readings in the recording.
    pub readings: u64,
    /// What was planted.
    #[serde(default)]
    pub faults: Vec<Planted>,
    /// When no area's reading came.
    #[serde(default)]
    pub outages: Vec<Outage>,
    /// The machines.
    pub assets: Vec<Machine>,
}

/// One planted fault.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Planted {
    /// Asset.
    pub asset: String,
    /// Kind, in a word.
    pub kind: String,
    /// Whether it is the sensor's and not the machine's.
    pub of_sensor: bool,
    /// The point that shows it first.
    pub point: String,
    /// When it begins.
    #[serde(deserialize_with = "time")]
    pub start: EventTime,
    /// For a slow fault: the limit it reaches.
    pub limit: Option<Reaches>,
}

/// When a slow fault reaches the alarm limit.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Reaches {
    /// In the hardest operating state, noise left out.
    #[serde(deserialize_with = "time")]
    pub reaches_alarm_at: EventTime,
}

/// A gateway that was silent.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Outage {
    /// Area without readings.
    pub area: String,
    /// From.
    #[serde(deserialize_with = "time")]
    pub start: EventTime,
    /// To.
    #[serde(deserialize_with = "time")]
    pub end: EventTime,
}

/// One machine.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Machine {
    /// Name.
    pub name: String,
    /// Area.
    pub area: String,
    /// Nothing was planted in it.
    pub healthy: bool,
}

impl About {
    /// Reads the file.
    ///
    /// # Errors
    /// It cannot be read, or is not what it should be.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let text = std::fs::read_to_string(path).map_err(|error| Error::io("read", path, error))?;
        Self::parse(&text).map_err(|error| error.at(&path.display().to_string()))
    }

    /// The same from its text.
    ///
    /// # Errors
    /// It is not what it should be.
    pub fn parse(text: &str) -> Result<Self, Error> {
        ::config::Config::builder()
            .add_source(::config::File::from_str(text, ::config::FileFormat::Toml))
            .build()
            .and_then(::config::Config::try_deserialize)
            .map_err(|error| Error::new(Fault::Data, "does not say what was planted").because(error))
    }
}

fn time<'de, D: Deserializer<'de>>(from: D) -> Result<EventTime, D::Error> {
    parse_rfc3339(&String::deserialize(from)?).map_err(D::Error::custom)
}
