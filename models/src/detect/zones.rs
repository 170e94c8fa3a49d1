//! Vibration severity zones of ISO 20816-3, ISO 10816-3 and ISO 10816-7, as named presets that can be edited.
//!
//! Broad-band vibration velocity on bearing housings, mm/s r.m.s., 10 Hz to 1000 Hz (from 2 Hz below 600 r/min).
//! Zone A: newly commissioned machines; B: unrestricted long-term operation; C: not for long-term operation;
//! D: severe enough to cause damage.
//!
//! | preset names | edition | machine | A/B | B/C | C/D | read where |
//! |---|---|---|---|---|---|---|
//! | `iso-20816-3-group-1-rigid`, `iso-10816-3-group-1-rigid` | 2022, 2009 | above 300 kW, or motors with shaft height from 315 mm | 2.3 | 4.5 | 7.1 | from memory; agrees with a public machine manual |
//! | `…-group-1-flexible` | 2022, 2009 | the same | 3.5 | 7.1 | 11.0 | from memory |
//! | `…-group-2-rigid` | 2022, 2009 | 15 to 300 kW, or motors with shaft height 160 to 315 mm | 1.4 | 2.8 | 4.5 | from memory |
//! | `…-group-2-flexible` | 2022, 2009 | the same | 2.3 | 4.5 | 7.1 | from memory |
//! | `iso-10816-7-category-1-to-200-kw` | 2009 | rotodynamic pumps, high demands on reliability | 2.5 | 4.0 | 6.6 | from memory; its alarm and trip figures are 1.25 times B/C and C/D |
//! | `iso-10816-7-category-1-above-200-kw` | 2009 | the same | 3.5 | 5.0 | 7.6 | the same |
//! | `iso-10816-7-category-2-to-200-kw` | 2009 | rotodynamic pumps, general | 3.2 | 5.1 | 8.5 | the same |
//! | `iso-10816-7-category-2-above-200-kw` | 2009 | the same | 4.2 | 6.1 | 9.5 | the same |
//!
//! **Compare with your copy of the standard before relying on a preset**, and use [`Preset::custom`] where it
//! differs. A preset is never applied by itself: [`suggest`] only names one.
//!
//! # Our two limits and the standard's words
//! The standard's ALARM says "a defined value has been reached or a significant change has occurred; look for
//! the reason, the machine may run on": that is our **warning** ([`Preset::warning`]). Its TRIP belongs to a
//! protection system and lies in zone C or D; we are none, so our **alarm** ([`Preset::alarm`]) is the entry
//! into zone D, the C/D boundary: act before a trip would.
//!
//! - warning = baseline + 0.25 × B/C, at most 1.25 × B/C; without a baseline B/C itself, the entry into zone C;
//! - alarm = C/D. A custom preset whose rule would put the warning above it gets the warning at C/D too;
//! - a change *up or down* by more than 0.25 × B/C is significant whatever the zone: up it is the warning limit, down
//!   [`Preset::fallen`].
//!
//! Source: setting rule and criterion II of ISO 20816-1:2016 (ISO 10816-1:1995), from memory.

use crate::param::{ParamFault, positive};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// Share of the upper limit of zone B that counts as a significant change. ISO 20816-1, from memory.
const SIGNIFICANT_SHARE: f64 = 0.25;
/// Most an ALARM may lie at, as a multiple of the upper limit of zone B. ISO 20816-1, from memory.
const ALARM_CAP: f64 = 1.25;

/// Severity zone. Values on a boundary belong to the milder zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum SeverityZone {
    /// As newly commissioned machines.
    A,
    /// Unrestricted long-term operation.
    B,
    /// Not for long-term continuous operation.
    C,
    /// Severe enough to cause damage.
    D,
}

/// Upper limits of zones A, B and C, mm/s r.m.s.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Boundaries {
    /// A/B.
    pub ab: f64,
    /// B/C.
    pub bc: f64,
    /// C/D.
    pub cd: f64,
}

/// One set of zones with the name it is configured by and the edition it is quoted with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Preset {
    // Borrowed of a preset of the table: limits are composed at every snapshot, and must not allocate.
    name: Cow<'static, str>,
    edition: Cow<'static, str>,
    boundaries: Boundaries,
}

const fn mm_s(ab: f64, bc: f64, cd: f64) -> Boundaries {
    Boundaries { ab, bc, cd }
}

/// Name, how an alert quotes it, boundaries. See the module page for where each figure was read.
const PRESETS: [(&str, &str, Boundaries); 12] = [
    ("iso-20816-3-group-1-rigid", "ISO 20816-3:2022 group 1, rigid", mm_s(2.3, 4.5, 7.1)),
    ("iso-20816-3-group-1-flexible", "ISO 20816-3:2022 group 1, flexible", mm_s(3.5, 7.1, 11.0)),
    ("iso-20816-3-group-2-rigid", "ISO 20816-3:2022 group 2, rigid", mm_s(1.4, 2.8, 4.5)),
    ("iso-20816-3-group-2-flexible", "ISO 20816-3:2022 group 2, flexible", mm_s(2.3, 4.5, 7.1)),
    ("iso-10816-3-group-1-rigid", "ISO 10816-3:2009 group 1, rigid", mm_s(2.3, 4.5, 7.1)),
    ("iso-10816-3-group-1-flexible", "ISO 10816-3:2009 group 1, flexible", mm_s(3.5, 7.1, 11.0)),
    ("iso-10816-3-group-2-rigid", "ISO 10816-3:2009 group 2, rigid", mm_s(1.4, 2.8, 4.5)),
    ("iso-10816-3-group-2-flexible", "ISO 10816-3:2009 group 2, flexible", mm_s(2.3, 4.5, 7.1)),
    ("iso-10816-7-category-1-to-200-kw", "ISO 10816-7:2009 category I, up to 200 kW", mm_s(2.5, 4.0, 6.6)),
    ("iso-10816-7-category-1-above-200-kw", "ISO 10816-7:2009 category I, above 200 kW", mm_s(3.5, 5.0, 7.6)),
    ("iso-10816-7-category-2-to-200-kw", "ISO 10816-7:2009 category II, up to 200 kW", mm_s(3.2, 5.1, 8.5)),
    ("iso-10816-7-category-2-above-200-kw", "ISO 10816-7:2009 category II, above 200 kW", mm_s(4.2, 6.1, 9.5)),
];

impl Preset {
    /// The preset of this name, spelled exactly; `None` when there is none: show [`Preset::names`].
    pub fn by_name(name: &str) -> Option<Preset> {
        PRESETS.iter().find(|(known, ..)| *known == name).map(|&(name, edition, boundaries)| Preset {
            name: Cow::Borrowed(name),
            edition: Cow::Borrowed(edition),
            boundaries,
        })
    }

    /// Every name [`Preset::by_name`] knows, in the order of the table.
    pub fn names() -> impl Iterator<Item = &'static str> {
        PRESETS.iter().map(|(name, ..)| *name)
    }

    /// Own boundaries, mm/s r.m.s., under an own name. Wants 0 < A/B ≤ B/C ≤ C/D, all finite.
    pub fn custom(name: &str, boundaries: Boundaries) -> Result<Preset, Vec<ParamFault>> {
        let Boundaries { ab, bc, cd } = boundaries;
        let at_least = |name, got: f64, least: f64, of: &str| {
            let fits = got.is_finite() && got >= least;
            (!fits).then(|| ParamFault { name, want: format!("finite and at least {of} ({least})"), got })
        };
        let faults: Vec<_> = [positive("ab", ab), at_least("bc", bc, ab, "ab"), at_least("cd", cd, bc, "bc")]
            .into_iter()
            .flatten()
            .collect();
        if !faults.is_empty() {
            return Err(faults);
        }
        Ok(Preset { name: Cow::Owned(name.to_owned()), edition: Cow::Owned(format!("own zones {name}")), boundaries })
    }

    /// The name it is configured by.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// How an alert quotes it: standard with edition and group, or "own zones …".
    pub fn edition(&self) -> &str {
        &self.edition
    }

    /// Boundaries, mm/s r.m.s.
    pub fn boundaries(&self) -> Boundaries {
        self.boundaries
    }

    /// Zone of a value, mm/s r.m.s.; `None` when it is not finite or below 0.
    pub fn zone_of(&self, value: f64) -> Option<SeverityZone> {
        if !(value.is_finite() && value >= 0.0) {
            return None;
        }
        let Boundaries { ab, bc, cd } = self.boundaries;
        Some(match value {
            v if v <= ab => SeverityZone::A,
            v if v <= bc => SeverityZone::B,
            v if v <= cd => SeverityZone::C,
            _ => SeverityZone::D,
        })
    }

    /// Our warning limit, mm/s r.m.s.: the standard's ALARM. `baseline` in the same unit, when there is one; one
    /// that is not finite counts as none.
    pub fn warning(&self, baseline: Option<f64>) -> f64 {
        let Boundaries { bc, cd, .. } = self.boundaries;
        let rule = match baseline.filter(|b| b.is_finite()) {
            Some(baseline) => (baseline + self.significant_change()).min(ALARM_CAP * bc),
            None => bc,
        };
        rule.min(cd)
    }

    /// Below this a fall is significant in any zone, mm/s r.m.s.: criterion II looks both ways. `None` without a
    /// baseline, or where the baseline is too low for such a fall.
    pub fn fallen(&self, baseline: Option<f64>) -> Option<f64> {
        let low = baseline? - self.significant_change();
        (low.is_finite() && low > 0.0).then_some(low)
    }

    /// Our alarm limit, mm/s r.m.s.: the entry into zone D.
    pub fn alarm(&self) -> f64 {
        self.boundaries.cd
    }

    /// A change of more than this, mm/s r.m.s., up or down, is significant in any zone.
    pub fn significant_change(&self) -> f64 {
        SIGNIFICANT_SHARE * self.boundaries.bc
    }
}

/// How a machine stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mounting {
    /// Lowest natural frequency of machine and support well above the running speed.
    Rigid,
    /// Anything else.
    Flexible,
}

/// What kind of machine, as far as the tables care.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MachineKind {
    /// A rotodynamic pump with high demands on reliability, availability or safety.
    PumpCategory1,
    /// A rotodynamic pump for general or less critical use.
    PumpCategory2,
    /// Any other coupled industrial machine.
    Other,
}

/// The name of the preset that fits plate data, to be offered to a person; never to be applied unasked. `None`
/// below the tables' scope (15 kW; 1 kW for pumps) or when the rating is not finite.
///
/// | setting | unit | range |
/// |---|---|---|
/// | `rating_kw` | kW | above 15 (pumps: above 1) |
pub fn suggest(kind: MachineKind, rating_kw: f64, mounting: Mounting) -> Option<&'static str> {
    let least_kw = if kind == MachineKind::Other { 15.0 } else { 1.0 };
    if !(rating_kw.is_finite() && rating_kw > least_kw) {
        return None;
    }
    Some(match (kind, mounting) {
        (MachineKind::PumpCategory1, _) if rating_kw > 200.0 => "iso-10816-7-category-1-above-200-kw",
        (MachineKind::PumpCategory1, _) => "iso-10816-7-category-1-to-200-kw",
        (MachineKind::PumpCategory2, _) if rating_kw > 200.0 => "iso-10816-7-category-2-above-200-kw",
        (MachineKind::PumpCategory2, _) => "iso-10816-7-category-2-to-200-kw",
        (MachineKind::Other, Mounting::Rigid) if rating_kw > 300.0 => "iso-20816-3-group-1-rigid",
        (MachineKind::Other, Mounting::Flexible) if rating_kw > 300.0 => "iso-20816-3-group-1-flexible",
        (MachineKind::Other, Mounting::Rigid) => "iso-20816-3-group-2-rigid",
        (MachineKind::Other, Mounting::Flexible) => "iso-20816-3-group-2-flexible",
    })
}
