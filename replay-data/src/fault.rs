//! What can be planted, and how it grows.
//!
//! | kind | what grows | how |
//! |---|---|---|
//! | bearing wear | acceleration first, then velocity at the drive end, late the bearing's temperature | exponential up to the limit, then straight |
//! | misalignment | velocity along the shaft, half as much across | linear |
//! | fouling | once-per-turn part across the shaft | linear |
//! | poor lubrication | drive-end bearing temperature, vibration unchanged | 0.8 K/day at first, then faster |
//! | imbalance | once-per-turn part across the shaft | within an hour |
//! | after maintenance | velocity at top speed only, after a stop of six hours | at once |
//! | stuck sensor | one point repeats its last value to the last digit | at once |
//! | silent sensor | one point is no longer sent | at once |
//!
//! The slow four are sized so that the noise-free level, in the machine's reference state and with mean air, reaches
//! the point's alarm limit on a stated day. The reference state is the one most time is spent in; for a machine that is
//! run at several speeds it is the fastest one, where the limit is reached first.

use serde::{Deserialize, Serialize};

use crate::machine::{Machine, Model};
use crate::physics::{self, Effect};

pub(crate) const DAY: f64 = 86_400.0;
/// Length of the stop before a fault left behind by maintenance.
const MAINTENANCE_SECS: f64 = 6.0 * 3600.0;
const IMBALANCE_RAMP_SECS: f64 = 3600.0;
/// Share of a bearing's decline that only acceleration tells of.
const WEAR_HIDDEN_SHARE: f64 = 0.25;
/// e-foldings of bearing wear between its start and the limit.
const WEAR_FOLDS: f64 = 3.2;
/// Acceleration has grown by this many times its healthy level when velocity reaches its limit.
const WEAR_ACCELERATION: f64 = 4.0;
/// The worn bearing is this much warmer then, K.
const WEAR_HEAT_K: f64 = 5.0;
/// Rate of the drift of a bearing short of grease at its start, K per day.
const LUBRICATION_K_PER_DAY: f64 = 0.8;

/// What is planted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // The table above says it.
pub enum FaultKind {
    BearingWear,
    Misalignment,
    Fouling,
    PoorLubrication,
    Imbalance,
    AfterMaintenance,
    StuckSensor,
    SilentSensor,
}

impl FaultKind {
    /// All of them.
    pub const ALL: [FaultKind; 8] = [
        FaultKind::BearingWear,
        FaultKind::Misalignment,
        FaultKind::Fouling,
        FaultKind::PoorLubrication,
        FaultKind::Imbalance,
        FaultKind::AfterMaintenance,
        FaultKind::StuckSensor,
        FaultKind::SilentSensor,
    ];

    /// Grows over weeks towards a limit.
    pub fn is_slow(self) -> bool {
        use FaultKind::{BearingWear, Fouling, Misalignment, PoorLubrication};
        matches!(self, BearingWear | Misalignment | Fouling | PoorLubrication)
    }

    /// Concerns a sensor, not the machine.
    pub fn is_of_sensor(self) -> bool {
        matches!(self, FaultKind::StuckSensor | FaultKind::SilentSensor)
    }
}

/// One planted fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// Name of the machine.
    pub asset: &'static str,
    /// What it is.
    pub kind: FaultKind,
    /// The point that tells of it best; the truth times are about this one.
    pub point: &'static str,
    /// Start, days after the start of the recording.
    pub start_day: f64,
    /// Day on which a slow fault reaches the limit; not used by the others.
    pub reach_day: f64,
    /// Imbalance: factor on the once-per-turn part. After maintenance: added share. Not used by the others.
    pub size: f64,
}

/// The point that tells of `kind` best on `machine`; `None` when the machine cannot have it.
pub(crate) fn telling_point(machine: &Machine, kind: FaultKind) -> Option<&'static str> {
    let first = |wanted: fn(&Model) -> bool| machine.points.iter().find(|p| wanted(&p.model)).map(|p| p.name);
    let across = |model: &Model| matches!(model, Model::Velocity { axial: false, drive_end: true, .. });
    match kind {
        FaultKind::BearingWear => first(|m| matches!(m, Model::Acceleration { .. })).and(first(across)),
        FaultKind::Misalignment => first(|m| matches!(m, Model::Velocity { axial: true, .. })),
        FaultKind::Fouling if machine.class == "fan" => first(across),
        FaultKind::Fouling => None,
        // A machine that stops every hour never gets as warm as its level says, and no truth could be told about it.
        FaultKind::PoorLubrication if machine.stops_often() => None,
        FaultKind::PoorLubrication => first(|m| matches!(m, Model::Temperature { .. })),
        FaultKind::Imbalance => first(across),
        FaultKind::AfterMaintenance if machine.has_speed_steps() => first(across),
        FaultKind::AfterMaintenance => None,
        FaultKind::StuckSensor | FaultKind::SilentSensor => first(|m| matches!(m, Model::Temperature { .. })),
    }
}

/// A fault together with the machine that has it: the effect at any time.
#[derive(Debug, Clone)]
pub(crate) struct Planted<'a> {
    pub(crate) fault: &'a Fault,
    /// What there is to grow from the healthy level to the limit, in the telling point's unit (slow faults).
    gap: f64,
    /// Factor on the once-per-turn part at which the limit is reached (fouling).
    limit_unbalance: f64,
}

impl<'a> Planted<'a> {
    /// `air_celsius` is the mean air at the machine.
    pub(crate) fn new(fault: &'a Fault, machine: &Machine, air_celsius: f64) -> Self {
        let point = machine.point(fault.point);
        let alarm = point.and_then(|index| machine.points[index].limits).map(|(_, alarm)| alarm);
        let reference = physics::nominal(machine, machine.reference_state(), air_celsius);
        let (mut gap, mut limit_unbalance) = (0.0, 1.0);
        if let (Some(point), Some(alarm)) = (point, alarm) {
            gap = alarm - physics::level(machine, point, &reference, &Effect::NONE);
            let level = |unbalance| physics::level(machine, point, &reference, &Effect { unbalance, ..Effect::NONE });
            limit_unbalance = bisect(1.0, 100.0, |unbalance| level(unbalance) >= alarm);
        }
        Self { fault, gap, limit_unbalance }
    }

    /// What it does to the machine `secs` after the start of the recording.
    pub(crate) fn effect(&self, secs: f64) -> Effect {
        let fault = self.fault;
        let since = secs - fault.start_day * DAY;
        if since <= 0.0 {
            return Effect::NONE;
        }
        let span = ((fault.reach_day - fault.start_day) * DAY).max(DAY);
        let part = since / span;
        match fault.kind {
            FaultKind::BearingWear => {
                let hidden = WEAR_HIDDEN_SHARE;
                let seen = grown(WEAR_FOLDS * (part - hidden).max(0.0), WEAR_FOLDS * (1.0 - hidden));
                Effect {
                    wear_acceleration: WEAR_ACCELERATION * grown(WEAR_FOLDS * part, WEAR_FOLDS),
                    wear_mm_s: self.gap * seen,
                    friction_k: WEAR_HEAT_K * seen,
                    ..Effect::NONE
                }
            }
            FaultKind::Misalignment => Effect { misalignment_mm_s: self.gap * part, ..Effect::NONE },
            FaultKind::Fouling => Effect { unbalance: 1.0 + (self.limit_unbalance - 1.0) * part, ..Effect::NONE },
            FaultKind::PoorLubrication => {
                // First at the stated rate, or slower where the limit is too near for that; the rest is quadratic.
                let first = (LUBRICATION_K_PER_DAY * span / DAY).min(0.8 * self.gap);
                Effect { friction_k: first * part + (self.gap - first) * part * part, ..Effect::NONE }
            }
            FaultKind::Imbalance => {
                let ramp = (since / IMBALANCE_RAMP_SECS).min(1.0);
                Effect { unbalance: 1.0 + (fault.size - 1.0) * ramp, ..Effect::NONE }
            }
            FaultKind::AfterMaintenance => Effect { looseness: fault.size, ..Effect::NONE },
            FaultKind::StuckSensor | FaultKind::SilentSensor => Effect::NONE,
        }
    }

    /// The stop that goes with it: (start, length) in seconds.
    pub(crate) fn stop(&self) -> Option<(f64, f64)> {
        let stops = self.fault.kind == FaultKind::AfterMaintenance;
        stops.then_some((self.fault.start_day * DAY - MAINTENANCE_SECS, MAINTENANCE_SECS))
    }
}

/// Exponential growth from 0 to 1 at `folds` = `at_one`, from there on straight: what is left of a bearing does not
/// shake its house to pieces within days.
fn grown(folds: f64, at_one: f64) -> f64 {
    let full = at_one.exp() - 1.0;
    if folds <= at_one { (folds.exp() - 1.0) / full } else { 1.0 + (folds - at_one) * at_one.exp() / full }
}

/// The lowest argument in `low..high` at which a rising condition holds; `high` when it never does.
pub(crate) fn bisect(mut low: f64, mut high: f64, holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if holds(middle) { high = middle } else { low = middle }
    }
    high
}
