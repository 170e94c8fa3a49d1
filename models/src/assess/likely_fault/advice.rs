//! The faults by name, with the usual checks and the cautions.

use crate::assess::bearing::BearingPart;
use serde::{Deserialize, Serialize};

/// What may be wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// Mass off the axis.
    Imbalance,
    /// Shafts side by side.
    ParallelMisalignment,
    /// Shafts at an angle.
    AngularMisalignment,
    /// Something that should be tight is not.
    Looseness,
    /// Bow in the shaft.
    BentShaft,
    /// Bearing, outer race.
    BearingOuter,
    /// Bearing, inner race.
    BearingInner,
    /// Bearing, rolling element.
    BearingElement,
    /// Bearing, cage.
    BearingCage,
    /// Impacts without a regular rate.
    IrregularImpacts,
    /// Blades or vanes passing.
    BladePass,
    /// Vapour bubbles or rough flow.
    CavitationOrTurbulence,
    /// Tooth contact.
    GearMesh,
    /// Drive belt.
    Belt,
    /// Magnetic pull at twice the mains frequency.
    Electrical,
    /// Oil film of a sleeve bearing.
    OilWhirl,
    /// Running near a natural frequency.
    Resonance,
    /// Grease or oil: too little, too much, wrong.
    Lubrication,
    /// Heat without vibration: load, cooling, surroundings.
    CoolingOrLoad,
}

impl From<BearingPart> for Fault {
    fn from(part: BearingPart) -> Self {
        match part {
            BearingPart::Outer => Fault::BearingOuter,
            BearingPart::Inner => Fault::BearingInner,
            BearingPart::Element => Fault::BearingElement,
            BearingPart::Cage => Fault::BearingCage,
        }
    }
}

/// What usually comes next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Advice {
    /// Checks that confirm it or tell it from its neighbours.
    pub checks: &'static [&'static str],
    /// What to beware of.
    pub caution: &'static str,
}

const SITE_FIRST: &str = "Site procedures come first: isolate and lock out before touching anything.";
const SOON: &str = "Damage of a bearing grows unevenly: plan the change, shorten the interval between looks, and stop by the \
site's own limits. Site procedures come first.";

impl Fault {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Fault::Imbalance => "imbalance",
            Fault::ParallelMisalignment => "misalignment, parallel",
            Fault::AngularMisalignment => "misalignment, angular",
            Fault::Looseness => "mechanical looseness",
            Fault::BentShaft => "bent shaft",
            Fault::BearingOuter => "bearing defect, outer race",
            Fault::BearingInner => "bearing defect, inner race",
            Fault::BearingElement => "bearing defect, rolling element",
            Fault::BearingCage => "bearing defect, cage",
            Fault::IrregularImpacts => "irregular impacts: rolling element, lubrication or dirt in a bearing",
            Fault::BladePass => "blade or vane pass",
            Fault::CavitationOrTurbulence => "cavitation or turbulence",
            Fault::GearMesh => "gear mesh",
            Fault::Belt => "drive belt",
            Fault::Electrical => "electrical, twice the mains frequency",
            Fault::OilWhirl => "oil whirl",
            Fault::Resonance => "resonance suspected",
            Fault::Lubrication => "lubrication",
            Fault::CoolingOrLoad => "cooling, load or surroundings",
        }
    }

    /// The usual checks and cautions. Common practice.
    pub fn advice(self) -> Advice {
        let (checks, caution): (&'static [&'static str], &'static str) = match self {
            Fault::Imbalance => (
                &[
                    "Look for build-up, wear or a lost weight on the rotor",
                    "Compare phase horizontal to vertical: about 90° apart supports it",
                    "Check looseness and alignment before balancing",
                ],
                SITE_FIRST,
            ),
            Fault::ParallelMisalignment | Fault::AngularMisalignment => (
                &[
                    "Compare phase across the coupling: about 180° apart supports it",
                    "Measure alignment cold and at running temperature; look for pipe strain and soft foot",
                    "Look at the coupling element",
                ],
                SITE_FIRST,
            ),
            Fault::Looseness => (
                &[
                    "Check torque of foundation bolts, soft foot, cracks of the base and grouting",
                    "Check bearing fit and clearance; compare phase from foot to base",
                ],
                SITE_FIRST,
            ),
            Fault::BentShaft => (
                &[
                    "Compare axial phase of both bearings: about 180° apart supports it",
                    "Measure run-out turned by hand; let a hot rotor cool evenly and look again",
                ],
                SITE_FIRST,
            ),
            Fault::BearingOuter | Fault::BearingInner | Fault::BearingElement | Fault::BearingCage => (
                &[
                    "Repeat the measurement at the same load and compare the family's level",
                    "Check lubrication and temperature; listen at the housing",
                    "Have the bearing of the same designation at hand; look at race and elements when it is out",
                ],
                SOON,
            ),
            Fault::IrregularImpacts => (
                &[
                    "Grease as the plan says and listen whether it quietens",
                    "Repeat within days: damage comes back, dirt passes",
                    "Measure at the neighbouring bearing: the louder one is the source",
                ],
                SOON,
            ),
            Fault::BladePass => (
                &[
                    "Compare the operating point with the pump's or fan's curve; check dampers and valves",
                    "Check clearance between impeller and casing, and for a damaged blade",
                ],
                SITE_FIRST,
            ),
            Fault::CavitationOrTurbulence => (
                &[
                    "Check suction pressure, level, strainer and temperature of the liquid",
                    "Move the operating point a little and listen whether the noise follows",
                ],
                SITE_FIRST,
            ),
            Fault::GearMesh => (
                &[
                    "Compare the distance of the sidebands with the speed of each shaft: it names the wheel",
                    "Take an oil sample; look at the contact pattern at the next opening; compare at the same load",
                ],
                SITE_FIRST,
            ),
            Fault::Belt => (
                &["Check tension, wear and alignment of the pulleys", "Look at the belt with a strobe"],
                "Guards stay on while it runs. Site procedures come first.",
            ),
            Fault::Electrical => (
                &[
                    "Where the site allows it, see whether the line vanishes the instant power is cut",
                    "Check phase currents, soft foot and air gap; for rotor bars look for sidebands at pole-pass frequency",
                ],
                "Electrical work is for electricians of the site.",
            ),
            Fault::OilWhirl => (
                &[
                    "Check oil temperature, pressure and viscosity, bearing clearance and load",
                    "Watch whether the line locks on to a critical speed: then stop by the site's limits",
                ],
                "Oil whip can destroy a bearing within minutes. Site procedures come first.",
            ),
            Fault::Resonance => (
                &[
                    "Change speed a little and see whether 1× falls fast",
                    "Bump test at standstill; compare phase through the speed range",
                    "Do not balance a resonance away before it is known",
                ],
                SITE_FIRST,
            ),
            Fault::Lubrication => (
                &["Check grease quantity, interval and type", "Take a waveform: it tells lubrication from a defect"],
                SITE_FIRST,
            ),
            Fault::CoolingOrLoad => (
                &[
                    "Compare load, ambient temperature and cooling flow with the time before",
                    "Check the temperature sensor and its contact",
                ],
                SITE_FIRST,
            ),
        };
        Advice { checks, caution }
    }
}
