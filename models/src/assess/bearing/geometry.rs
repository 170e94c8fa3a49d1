//! Defect frequencies of a rolling bearing as multiples of shaft speed.
//!
//! With r = d/D · cos φ and the inner ring turning: FTF = (1 − r)/2, BPFO = n · FTF, BPFI = n (1 + r)/2,
//! BSF = D/(2d) · (1 − r²). A defect on a rolling element strikes both races, so it is heard at 2 × BSF.
//! Source: Randall & Antoni (2011), MSSP 25(2); pure rolling. Slip moves real lines by up to 1–2 %.

use crate::param::{ParamFault, positive, within};
use serde::{Deserialize, Serialize};

/// Inner geometry of a bearing; lengths in any one unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BearingGeometry {
    /// Rolling elements, n, of one row.
    pub elements: u32,
    /// Diameter of a rolling element, d.
    pub element_diameter: f64,
    /// Pitch diameter, D.
    pub pitch_diameter: f64,
    /// Contact angle φ, degrees.
    #[serde(default)]
    pub contact_angle_deg: f64,
}

impl BearingGeometry {
    /// The defect frequencies.
    ///
    /// # Errors
    /// Every value that no bearing has: fewer than 3 or more than 200 elements, elements that do not fit.
    pub fn orders(&self) -> Result<BearingOrders, Vec<ParamFault>> {
        let n = f64::from(self.elements);
        let fits = self.pitch_diameter * 0.999;
        let faults: Vec<_> = [
            within("elements", n, 3.0, 200.0),
            positive("pitch_diameter", self.pitch_diameter),
            positive("element_diameter", self.element_diameter),
            within("element_diameter", self.element_diameter, 0.0, if fits.is_finite() { fits } else { 0.0 }),
            within("contact_angle_deg", self.contact_angle_deg, 0.0, 80.0),
        ]
        .into_iter()
        .flatten()
        .collect();
        if !faults.is_empty() {
            return Err(faults);
        }
        let r = self.element_diameter * self.contact_angle_deg.to_radians().cos() / self.pitch_diameter;
        Ok(BearingOrders {
            ftf: 0.5 * (1.0 - r),
            bpfo: 0.5 * n * (1.0 - r),
            bpfi: 0.5 * n * (1.0 + r),
            element_strike: self.pitch_diameter / self.element_diameter * (1.0 - r * r),
        })
    }
}

/// Defect frequencies as multiples of shaft speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BearingOrders {
    /// Cage, FTF.
    pub ftf: f64,
    /// Outer race, BPFO.
    pub bpfo: f64,
    /// Inner race, BPFI.
    pub bpfi: f64,
    /// Rolling element striking both races, 2 × BSF.
    #[serde(rename = "bsf_x2")]
    pub element_strike: f64,
}

impl BearingOrders {
    /// Every value that cannot be: not above 0, or a cage that does not run slower than the shaft.
    ///
    /// # Errors
    /// One [`ParamFault`] each.
    pub fn check(self) -> Result<Self, Vec<ParamFault>> {
        let faults: Vec<_> = [
            within("ftf", self.ftf, 0.05, 0.95),
            within("bpfo", self.bpfo, 0.5, 200.0),
            within("bpfi", self.bpfi, 0.5, 200.0),
            within("bsf_x2", self.element_strike, 0.2, 200.0),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(self) } else { Err(faults) }
    }

    /// The order of a part's defect.
    pub fn of(&self, part: BearingPart) -> f64 {
        match part {
            BearingPart::Outer => self.bpfo,
            BearingPart::Inner => self.bpfi,
            BearingPart::Element => self.element_strike,
            BearingPart::Cage => self.ftf,
        }
    }
}

/// What can be damaged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BearingPart {
    /// Outer race: a fixed place in the load zone is struck evenly.
    Outer,
    /// Inner race: turns through the load zone, so its strikes come and go once a turn.
    Inner,
    /// Rolling element: strikes both races and passes the load zone with the cage.
    Element,
    /// Cage.
    Cage,
}

impl BearingPart {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Outer, Self::Inner, Self::Element, Self::Cage];

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            BearingPart::Outer => "outer race",
            BearingPart::Inner => "inner race",
            BearingPart::Element => "rolling element",
            BearingPart::Cage => "cage",
        }
    }

    /// Distance of the sidebands that belong to the part, in orders: shaft for the inner race, cage for the rolling
    /// element, none for what does not move through the load zone.
    pub fn sideband_orders(self, orders: &BearingOrders) -> Option<f64> {
        match self {
            BearingPart::Inner => Some(1.0),
            BearingPart::Element => Some(orders.ftf),
            BearingPart::Outer | BearingPart::Cage => None,
        }
    }
}

/// A bearing of the machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bearing {
    /// Its name for the reader.
    pub name: String,
    /// Whether the sensor sits on it. Findings at other bearings are told as such.
    pub here: bool,
    /// Its defect frequencies.
    pub orders: BearingOrders,
}
