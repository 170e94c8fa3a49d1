//! Noise-free level of a point under given operating conditions and a given fault: the one place both the readings
//! and the truth about them come from.
//!
//! Vibration velocity: root sum of squares of the once-per-turn part (unbalance force with speed², through one
//! resonance), the part from flow or gears, and what the floor brings; a damaged bearing or a misaligned coupling adds
//! its share. Temperature: steady value above the air, from losses with speed and with load; the recording lets it lag.

use crate::machine::{Drive, FlowNoise, Machine, Model};

/// What the neighbours shake into a machine, mm/s.
const FLOOR_MM_S: f64 = 0.08;
/// Magnetising current of a motor, share of rated.
const IDLE_CURRENT: f64 = 0.3;

/// How the machine is run at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Operating {
    /// Switched on; a machine that runs down takes no current.
    pub(crate) powered: bool,
    /// Share of rated speed.
    pub(crate) speed: f64,
    /// Share of rated power.
    pub(crate) load: f64,
    /// Air at the machine, Cel.
    pub(crate) air_celsius: f64,
}

/// What a fault does to the machine at one moment, sized for its reference state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Effect {
    /// Factor on the once-per-turn part across the shaft.
    pub(crate) unbalance: f64,
    /// Added along the shaft, and half of it across, mm/s.
    pub(crate) misalignment_mm_s: f64,
    /// Added at the drive end across the shaft, less elsewhere, mm/s.
    pub(crate) wear_mm_s: f64,
    /// Added to acceleration at the drive end, share of the healthy level.
    pub(crate) wear_acceleration: f64,
    /// Added to velocity at top speed only, share of the healthy level.
    pub(crate) looseness: f64,
    /// Added to the drive-end bearing's temperature, K.
    pub(crate) friction_k: f64,
}

impl Effect {
    /// Nothing wrong.
    pub(crate) const NONE: Effect = Effect {
        unbalance: 1.0,
        misalignment_mm_s: 0.0,
        wear_mm_s: 0.0,
        wear_acceleration: 0.0,
        looseness: 0.0,
        friction_k: 0.0,
    };
}

/// Nominal operation in one state with the given air.
pub(crate) fn nominal(machine: &Machine, state: usize, air_celsius: f64) -> Operating {
    let state = &machine.states[state];
    let speed = target_speed(machine, state.speed, state.load);
    Operating { powered: state.speed > 0.0, speed, load: state.load, air_celsius }
}

/// Speed the drive settles at.
pub(crate) fn target_speed(machine: &Machine, speed: f64, load: f64) -> f64 {
    match machine.drive {
        Drive::Mains { slip } if speed > 0.0 => speed * (1.0 + slip * (1.0 - load)),
        _ => speed,
    }
}

/// Noise-free level of point number `point`, in its unit; for a temperature the value it tends to.
pub(crate) fn level(machine: &Machine, point: usize, now: &Operating, effect: &Effect) -> f64 {
    let Operating { powered, speed, load, air_celsius } = *now;
    match machine.points[point].model {
        Model::Velocity { one_x, flow, axial, drive_end } => {
            velocity(machine, now, effect, (one_x, flow), axial, drive_end)
        }
        Model::Acceleration { rated } => {
            let healthy = rated * (0.02 + 0.98 * speed * speed * (0.6 + 0.4 * load));
            healthy * (1.0 + effect.wear_acceleration * speed.min(1.0))
        }
        Model::Temperature { rise_k, speed_share, friction_share, .. } => {
            let rise = rise_k * (speed_share * speed.powf(1.5) + (1.0 - speed_share) * load);
            let reference = &machine.states[machine.reference_state()];
            let heat = speed / reference.speed * (0.8 + 0.2 * load / reference.load);
            air_celsius + rise + friction_share * effect.friction_k * heat
        }
        Model::Air => air_celsius,
        Model::Speed => machine.rated_speed_rpm * speed,
        Model::Current { rated } if powered => {
            rated * (IDLE_CURRENT.powi(2) + (1.0 - IDLE_CURRENT.powi(2)) * load * load).sqrt()
        }
        Model::Power if powered => machine.rating_kw * (0.04 * speed + 0.96 * load),
        Model::Load if powered => 100.0 * load,
        Model::Current { .. } | Model::Power | Model::Load => 0.0,
        Model::Flow { rated, no_flow_load } => rated * flow_share(speed, load, no_flow_load),
        Model::PumpPressure { rated, no_flow_load } => {
            let flow = flow_share(speed, load, Some(no_flow_load));
            rated * (1.22 * speed * speed - 0.22 * flow * flow)
        }
        Model::LoadPressure { standing, unloaded, loaded } => {
            let speed = speed.min(1.0);
            standing * (1.0 - speed) + speed * (unloaded + (loaded - unloaded) * load)
        }
    }
}

fn velocity(
    machine: &Machine,
    now: &Operating,
    effect: &Effect,
    (one_x, flow): (f64, f64),
    axial: bool,
    drive_end: bool,
) -> f64 {
    let Operating { speed, load, .. } = *now;
    let reference = &machine.states[machine.reference_state()];
    // Across the shaft an unbalance is felt in full, along it hardly.
    let unbalance = if axial { 1.0 + 0.2 * (effect.unbalance - 1.0) } else { effect.unbalance };
    let turn = one_x * unbalance * response(speed, machine.resonance) * (0.9 + 0.1 * load);
    let other = flow
        * match machine.flow_noise {
            // Least near nine tenths of rated load.
            FlowNoise::Hydraulic => speed * speed * (0.7 + 0.3 * load * load + 6.0 * (load - 0.9).powi(2)),
            FlowNoise::Aerodynamic => speed * speed * (0.5 + 0.5 * load),
            FlowNoise::Mechanical => speed * speed * (0.35 + 0.65 * load),
        };
    let healthy = (turn * turn + other * other + FLOOR_MM_S * FLOOR_MM_S).sqrt();
    let relative_speed = speed / reference.speed;
    let misalignment = effect.misalignment_mm_s * relative_speed.powi(2) * if axial { 1.0 } else { 0.5 };
    let wear_share = if drive_end { if axial { 0.5 } else { 1.0 } } else { 0.25 };
    let wear = effect.wear_mm_s * relative_speed * (0.85 + 0.15 * load / reference.load) * wear_share;
    let loose = 1.0 + effect.looseness * top_speed_share(machine, speed);
    healthy * loose + misalignment + wear
}

/// How near `speed` is to the top: 1 there, 0 at the next lower speed step and below.
fn top_speed_share(machine: &Machine, speed: f64) -> f64 {
    let top = machine.states[machine.fastest_state()].speed;
    let next = machine.states.iter().map(|state| state.speed).filter(|s| *s < 0.95 * top).fold(0.0, f64::max);
    // Full from 97 % on, so that the converter's hunting does not show.
    ((speed - next) / (0.97 * top - next)).clamp(0.0, 1.0).powi(2)
}

/// Response to an unbalance at `speed`, as a share of that at rated speed: a force with speed² through a single
/// degree of freedom with viscous damping, its velocity amplitude.
fn response(speed: f64, (resonance, damping): (f64, f64)) -> f64 {
    let amplitude = |s: f64| {
        let r = s / resonance;
        s.powi(3) / ((1.0 - r * r).powi(2) + (2.0 * damping * r).powi(2)).sqrt()
    };
    amplitude(speed) / amplitude(1.0)
}

fn flow_share(speed: f64, load: f64, no_flow_load: Option<f64>) -> f64 {
    match no_flow_load {
        Some(least) if speed > 0.3 => ((load / speed.powi(3) - least) / (1.0 - least)).max(0.0) * speed,
        Some(_) => 0.0,
        None => speed,
    }
}
