//! Plays one machine through its schedule and reads its sensors.
//!
//! Everything between two messages moves in steps of half a minute: speed and load run up and down, temperatures lag,
//! noise wanders. At each message the sensors are read: level × slow noise + measurement noise, rounded to what the
//! sensor resolves.

use crate::Row;
use crate::duty::Schedule;
use crate::fault::{DAY, FaultKind, Planted};
use crate::machine::{Drive, Machine, Model};
use crate::noise::{Chance, Wander};
use crate::physics::{self, Effect, Operating};
use crate::weather::Air;

const STEP_SECS: f64 = 30.0;
/// A vehicle or a dropped part: one reading of all vibration points of a machine, this often.
const KNOCK_SHARE: f64 = 0.0004;
/// Whole messages and single points lost on the way.
const LOST_MESSAGES: f64 = 0.0015;
const LOST_POINTS: f64 = 0.0005;
/// Vibration just after a start is up by this share, and settles with this time constant.
const START_EXCESS: f64 = 0.5;
const START_TAU_SECS: f64 = 240.0;
/// A slow fault does not grow like a ruler: its size wanders by this share over half a day.
const GROWTH_WANDER: (f64, f64) = (0.04, 12.0 * 3600.0);

/// What a whole recording shares.
pub(crate) struct Frame<'a> {
    pub(crate) seed: u64,
    pub(crate) days: u32,
    pub(crate) cadence_secs: u32,
    pub(crate) air: &'a Air,
    /// (start, end) of the area's gateway outages, seconds.
    pub(crate) outages: &'a [(f64, f64)],
}

/// Slow noise of a point: standard deviation, correlation time; and measurement noise. Shares of the level or units.
struct Noise {
    relative: bool,
    slow: (f64, f64),
    white: f64,
}

fn noise(model: Model) -> Noise {
    match model {
        Model::Velocity { .. } => Noise { relative: true, slow: (0.03, 900.0), white: 0.025 },
        Model::Acceleration { .. } => Noise { relative: true, slow: (0.05, 500.0), white: 0.03 },
        Model::Temperature { .. } => Noise { relative: false, slow: (0.15, 2400.0), white: 0.08 },
        Model::Air => Noise { relative: false, slow: (0.2, 1800.0), white: 0.1 },
        Model::Speed => Noise { relative: false, slow: (0.3, 300.0), white: 0.6 },
        Model::Current { .. } | Model::Power => Noise { relative: true, slow: (0.006, 600.0), white: 0.004 },
        Model::Load => Noise { relative: true, slow: (0.006, 600.0), white: 0.004 },
        Model::Flow { .. } => Noise { relative: true, slow: (0.01, 400.0), white: 0.006 },
        Model::PumpPressure { .. } | Model::LoadPressure { .. } => {
            Noise { relative: true, slow: (0.006, 900.0), white: 0.004 }
        }
    }
}

/// Seconds in which speed closes e⁻¹ of its distance to the target: up, down.
fn speed_taus(drive: Drive) -> (f64, f64) {
    match drive {
        Drive::Mains { .. } => (6.0, 25.0),
        Drive::Converter => (40.0, 60.0),
        Drive::Governor => (240.0, 300.0),
    }
}

/// The running machine.
struct Running<'a> {
    machine: &'a Machine,
    frame: &'a Frame<'a>,
    schedule: Schedule,
    planted: Option<&'a Planted<'a>>,
    chance: Chance,
    speed: f64,
    load_target: f64,
    on_secs: f64,
    temperatures: Vec<f64>,
    local_air: Wander,
    load_hours: Wander,
    load_days: Wander,
    hunting: Wander,
    trim: Wander,
    growth: Wander,
}

/// All readings of one machine, in order of time; `state_of` gets the state at each message.
pub(crate) fn machine(
    machine: &Machine,
    number: u16,
    planted: Option<&Planted<'_>>,
    frame: &Frame<'_>,
    mut each_day: impl FnMut(),
) -> Vec<Row> {
    let mut messages = Chance::new(frame.seed, &["messages", machine.name]);
    let mut sensors = Chance::new(frame.seed, &["sensors", machine.name]);
    let mut running = Running::new(machine, planted, frame);
    let mut shared = Wander::new(0.025, 1500.0, &mut sensors);
    let mut slow: Vec<Wander> = machine
        .points
        .iter()
        .map(|point| noise(point.model).slow)
        .map(|(sigma, tau)| Wander::new(sigma, tau, &mut sensors))
        .collect();
    let cadence = f64::from(frame.cadence_secs);
    let phase = (messages.between(5.0, cadence - 5.0)).round();
    let count = (f64::from(frame.days) * DAY / cadence) as u64;
    let per_day = (DAY / cadence) as u64;
    let mut rows = Vec::with_capacity(count as usize * machine.points.len());
    let mut stuck: Option<f64> = None;
    let mut now = 0.0;
    for message in 0..count {
        let at = message as f64 * cadence + phase + messages.between(-3.0, 3.0).round();
        running.advance(now, at);
        let since_last = at - now;
        now = at;
        let in_all = shared.step(since_last, &mut sensors);
        let knock = if sensors.happens(KNOCK_SHARE) { sensors.between(1.3, 1.9) } else { 1.0 };
        let lost = messages.happens(LOST_MESSAGES) || frame.outages.iter().any(|(from, to)| at >= *from && at < *to);
        let operating = running.operating(at);
        let effect = running.effect(at);
        for (index, point) in machine.points.iter().enumerate() {
            let kind = noise(point.model);
            let wander = slow[index].step(since_last, &mut sensors);
            let white = sensors.normal() * kind.white;
            let level = match point.model {
                Model::Temperature { .. } => running.temperatures[index],
                _ => physics::level(machine, index, &operating, &effect),
            };
            let value = match point.model {
                Model::Velocity { .. } | Model::Acceleration { .. } => {
                    // The last digit flickers even when nothing turns.
                    let flicker = 0.8 * sensors.normal() * 10_f64.powi(-point.decimals);
                    (level * (in_all + wander + white).exp() * knock * running.start_factor() + flicker).abs()
                }
                Model::PumpPressure { .. } | Model::LoadPressure { .. } => {
                    level * (1.0 + wander + white) + 0.8 * sensors.normal() * 10_f64.powi(-point.decimals)
                }
                _ if kind.relative => level * (1.0 + wander + white),
                // A tachometer of a standing shaft gives nothing to be noisy about.
                Model::Speed if level < 1.0 => 0.0,
                _ => level + wander + white,
            };
            let mut value = round_to(value, point.decimals);
            if let Some(fault) = running.planted.map(|planted| planted.fault)
                && fault.point == point.name
                && at >= fault.start_day * DAY
            {
                match fault.kind {
                    FaultKind::StuckSensor => value = *stuck.get_or_insert(value),
                    FaultKind::SilentSensor => continue,
                    _ => {}
                }
            }
            if !lost && !messages.happens(LOST_POINTS) {
                let state = running.schedule.state_at(at) as u8;
                rows.push(Row { secs: at as i64, asset: number, point: index as u16, value, state });
            }
        }
        if (message + 1) % per_day == 0 {
            each_day();
        }
    }
    rows
}

impl<'a> Running<'a> {
    fn new(machine: &'a Machine, planted: Option<&'a Planted<'a>>, frame: &'a Frame<'a>) -> Self {
        let stops: Vec<_> = planted.and_then(Planted::stop).into_iter().collect();
        let mut chance = Chance::new(frame.seed, &["process", machine.name]);
        let (hours, days) = machine.load_wander;
        let hunts = if machine.drive == Drive::Converter { 1.0 } else { 0.0 };
        let governs = if machine.drive == Drive::Governor { 0.0005 } else { 0.0 };
        Self {
            schedule: Schedule::new(frame.seed, machine, frame.days, &stops),
            planted,
            speed: 0.0,
            load_target: 0.0,
            on_secs: 0.0,
            temperatures: vec![frame.air.celsius(0.0) + machine.air_offset_k; machine.points.len()],
            local_air: Wander::new(0.3, 2.0 * 3600.0, &mut chance),
            load_hours: Wander::new(hours, 3600.0, &mut chance),
            load_days: Wander::new(days, 4.0 * DAY, &mut chance),
            hunting: Wander::new(0.002 * hunts + governs, 400.0, &mut chance),
            trim: Wander::new(0.006 * hunts, 6.0 * 3600.0, &mut chance),
            growth: Wander::new(GROWTH_WANDER.0, GROWTH_WANDER.1, &mut chance),
            machine,
            frame,
            chance,
        }
    }

    /// Moves from `from` to `to` seconds in short steps.
    fn advance(&mut self, from: f64, to: f64) {
        let steps = ((to - from) / STEP_SECS).ceil().max(1.0);
        let step = (to - from) / steps;
        for k in 1..=steps as u32 {
            self.step(from + step * f64::from(k), step);
        }
    }

    fn step(&mut self, at: f64, secs: f64) {
        let chance = &mut self.chance;
        for wander in [
            &mut self.local_air,
            &mut self.load_hours,
            &mut self.load_days,
            &mut self.hunting,
            &mut self.trim,
            &mut self.growth,
        ] {
            wander.step(secs, chance);
        }
        let state = &self.machine.states[self.schedule.state_at(at)];
        let on = state.speed > 0.0;
        self.on_secs = if on { self.on_secs + secs } else { 0.0 };
        // A running machine goes from one load to the next within minutes; one that starts or stops does not wait.
        let keep = if on && self.load_target > 0.0 { (-secs / 90.0).exp() } else { 0.0 };
        self.load_target = state.load * (1.0 - keep) + self.load_target * keep;
        let set = state.speed * (1.0 + self.trim.value());
        let target = physics::target_speed(self.machine, set, self.load_target);
        let (up, down) = speed_taus(self.machine.drive);
        self.speed += (target - self.speed) * (1.0 - (-secs / if target > self.speed { up } else { down }).exp());
        let operating = self.operating(at);
        let effect = self.effect(at);
        for (index, point) in self.machine.points.iter().enumerate() {
            if let Model::Temperature { tau_secs, .. } = point.model {
                let target = physics::level(self.machine, index, &operating, &effect);
                // Without its own windage a standing machine cools more slowly.
                let tau = if on { tau_secs } else { 1.7 * tau_secs };
                let temperature = &mut self.temperatures[index];
                *temperature += (target - *temperature) * (1.0 - (-secs / tau).exp());
            }
        }
    }

    fn operating(&self, at: f64) -> Operating {
        let hunting = if self.speed > 0.02 { self.hunting.value() } else { 0.0 };
        let speed = if self.speed > 0.002 { self.speed * (1.0 + hunting) } else { 0.0 };
        let state = &self.machine.states[self.schedule.state_at(at)];
        let set = physics::target_speed(self.machine, state.speed, self.load_target);
        // Torque of pumps, fans and blowers goes with speed squared, so load with its cube.
        // Slowing down a converter only takes torque away: nothing like the cube of the speed it still has.
        let ratio = if set > 0.0 { (speed / set).powi(3).min(1.1) } else { 0.0 };
        let load = self.load_target * ratio * (1.0 + self.load_hours.value() + self.load_days.value());
        let air = self.frame.air.celsius(at) + self.machine.air_offset_k + self.local_air.value();
        Operating { powered: state.speed > 0.0, speed, load: load.max(0.0), air_celsius: air }
    }

    fn effect(&self, at: f64) -> Effect {
        let Some(planted) = self.planted else { return Effect::NONE };
        let mut effect = planted.effect(at);
        if planted.fault.kind.is_slow() {
            let grows = 1.0 + self.growth.value();
            effect.unbalance = 1.0 + (effect.unbalance - 1.0) * grows;
            effect.misalignment_mm_s *= grows;
            effect.wear_mm_s *= grows;
            effect.wear_acceleration *= grows;
            effect.friction_k *= grows;
        }
        effect
    }

    fn start_factor(&self) -> f64 {
        if self.on_secs > 0.0 { 1.0 + START_EXCESS * (-self.on_secs / START_TAU_SECS).exp() } else { 1.0 }
    }
}

/// Rounds to what the sensor resolves; the division gives the double nearest to the decimal number.
fn round_to(value: f64, decimals: i32) -> f64 {
    let per_unit = 10_f64.powi(decimals);
    let rounded = (value * per_unit).round() / per_unit;
    if rounded == 0.0 { 0.0 } else { rounded }
}
