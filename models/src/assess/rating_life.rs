//! Basic rating life of a rolling bearing, L10: what nine in ten of a large group of such bearings reach.
//!
//! L10 = (C/P)^p million revolutions, p = 3 for ball and 10/3 for roller bearings; L10h = 10⁶ / (60 n) · L10 hours.
//! A figure of a population under a catalogue load, never the remaining life of one machine: context, not prediction.
//! Source: ISO 281 , from memory; two lives computed outside are in the tests.

use crate::param::{ParamFault, positive};
use serde::{Deserialize, Serialize};

/// What rolls; decides the exponent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RollingElement {
    /// p = 3.
    Ball,
    /// p = 10/3.
    Roller,
}

/// Load and rating of one bearing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RatingLife {
    /// What rolls.
    pub element: RollingElement,
    /// Basic dynamic load rating C, kN, from the catalogue.
    pub rating_kn: f64,
    /// Equivalent dynamic load P, kN.
    pub load_kn: f64,
}

impl RatingLife {
    /// L10 in million revolutions.
    ///
    /// # Errors
    /// A [`ParamFault`] for each of rating and load that is not finite and above 0.
    pub fn million_revolutions(&self) -> Result<f64, Vec<ParamFault>> {
        let faults: Vec<_> =
            [positive("rating_kn", self.rating_kn), positive("load_kn", self.load_kn)].into_iter().flatten().collect();
        if !faults.is_empty() {
            return Err(faults);
        }
        let exponent = match self.element {
            RollingElement::Ball => 3.0,
            RollingElement::Roller => 10.0 / 3.0,
        };
        Ok((self.rating_kn / self.load_kn).powf(exponent))
    }

    /// L10h in hours at a steady speed.
    ///
    /// # Errors
    /// As [`RatingLife::million_revolutions`], and for a speed that is not finite and above 0.
    pub fn hours(&self, rpm: f64) -> Result<f64, Vec<ParamFault>> {
        let life = self.million_revolutions()?;
        match positive("rpm", rpm) {
            Some(fault) => Err(vec![fault]),
            None => Ok(life * 1e6 / (60.0 * rpm)),
        }
    }
}

/// Factor a1 for a reliability other than 90 %: 0.64 at 95 %, 0.25 at 99 %. `None` for one the table does not list.
/// Source: ISO 281:2007, table of a1, from memory.
pub fn reliability_factor(percent: u32) -> Option<f64> {
    Some(match percent {
        90 => 1.0,
        95 => 0.64,
        96 => 0.55,
        97 => 0.47,
        98 => 0.37,
        99 => 0.25,
        _ => return None,
    })
}
