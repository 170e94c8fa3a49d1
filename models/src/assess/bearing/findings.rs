//! What envelope analysis says of the bearings of a machine, with the lines it says it by.

use super::geometry::BearingPart;
use crate::assess::shaft_speed::ShaftSpeed;
use serde::{Deserialize, Serialize};

/// What a line is to its family.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LineKind {
    /// Harmonic number, from 1.
    Harmonic(u32),
    /// Sideband of a harmonic: below (−1) or above (+1).
    Sideband(u32, i32),
}

/// One line of the squared envelope's spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EvidenceLine {
    /// What it is.
    pub kind: LineKind,
    /// Multiple of shaft speed.
    pub order: f64,
    /// Frequency, Hz.
    pub hz: f64,
    /// Modulation depth: 1 swings by the mean of the squared envelope.
    pub amplitude: f64,
    /// Depth that noise alone shows here.
    pub floor: f64,
    /// How far the line stands above it, dB.
    pub db: f64,
}

/// A family of lines near one fundamental.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Family {
    /// Which of the bearings asked about, by its place; `None` for a family that belongs to none.
    pub bearing: Option<usize>,
    /// The part whose frequency it is.
    pub part: Option<BearingPart>,
    /// Fundamental, Hz.
    pub hz: f64,
    /// Fundamental as a multiple of shaft speed.
    pub order: f64,
    /// Distance from the computed frequency, as a part of it; 0 for a family that belongs to none.
    pub slip: f64,
    /// log10 of the probability that noise alone gives such a family anywhere in this search.
    pub log10_p: f64,
    /// Depth of the whole family: root of the summed squares of its lines, less the floor.
    pub depth: f64,
    /// log10 of the probability that noise alone gives its sidebands; 0 where the part has none.
    pub sidebands_log10_p: f64,
    /// Lower edge of the band it was found in, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
    /// Its lines.
    pub lines: Vec<EvidenceLine>,
}

/// Impacts that keep no regular rate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Irregular {
    /// Spectral kurtosis that at least three eighths of the record reach.
    pub kurtosis: f64,
    /// Lower edge of the band, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
}

/// What the envelopes amount to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BearingVerdict {
    /// No family that stands out and no impacts.
    Nothing,
    /// A defect's family, strong enough to be named.
    Defect {
        /// Which bearing.
        bearing: usize,
        /// Which part.
        part: BearingPart,
    },
    /// Impacts without a regular rate: a rolling element is the usual cause in a bearing; poor lubrication, dirt or
    /// another bearing look the same.
    IrregularImpacts,
    /// Regular impacts at a rate that belongs to no part asked about.
    UnknownRate,
}

/// The answer with its evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BearingFindings {
    /// The speed that orders refer to, and where it came from.
    pub speed: ShaftSpeed,
    /// What it amounts to.
    pub verdict: BearingVerdict,
    /// 0 to 1. A score that orders findings, not a probability.
    pub confidence: f64,
    /// The best family of each part of each bearing, most surprising first, whether or not it is enough.
    pub families: Vec<Family>,
    /// The strongest family that belongs to nothing asked about, when one stands out.
    pub unknown: Option<Family>,
    /// Irregular impacts, when there are.
    pub irregular: Option<Irregular>,
    /// Spectrum of the squared envelope the verdict rests on, for plotting.
    pub envelope: EnvelopeSpectrum,
}

impl BearingFindings {
    /// The family the verdict rests on, when it rests on one.
    pub fn named(&self) -> Option<&Family> {
        match self.verdict {
            BearingVerdict::Defect { bearing, part } => {
                self.families.iter().find(|f| f.bearing == Some(bearing) && f.part == Some(part))
            }
            BearingVerdict::UnknownRate => self.unknown.as_ref(),
            BearingVerdict::Nothing | BearingVerdict::IrregularImpacts => None,
        }
    }
}

/// Modulation depth per line.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct EnvelopeSpectrum {
    /// Lower edge of the band, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
    /// Distance of the lines, Hz.
    pub step_hz: f64,
    /// Depth from 0 Hz up.
    pub depth: Vec<f64>,
    /// Depth that noise alone shows.
    pub floor: Vec<f64>,
}
