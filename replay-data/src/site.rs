//! The invented site: Quillhaven, a board mill that stands nowhere, with twelve machines in three areas.
//!
//! Levels are common practice for healthy machines of these kinds and sizes; each seed varies them by about a tenth.

use crate::machine::{Area, Drive, Duty, FlowNoise, Machine, Model, Mounting, Point, State};
use crate::noise::Chance;

/// Name of the site.
pub const NAME: &str = "quillhaven";

/// Velocity limits of most machines, mm/s: warning, alarm.
const VELOCITY: (f64, f64) = (4.5, 7.1);
/// The same for the screw compressor, whose healthy level is higher.
const VELOCITY_SCREW: (f64, f64) = (7.1, 11.2);
/// Bearing temperature limits, Cel.
const BEARING: (f64, f64) = (75.0, 85.0);

/// The areas.
pub fn areas() -> [Area; 3] {
    [
        Area { name: "boilerhouse", air_celsius: 29.0, weather_share: 0.5 },
        Area { name: "stockprep", air_celsius: 23.0, weather_share: 0.4 },
        Area { name: "effluent", air_celsius: 14.0, weather_share: 1.0 },
    ]
}

/// The machines, with the small differences `seed` gives them.
pub fn machines(seed: u64) -> Vec<Machine> {
    let mut machines = vec![
        feed_pump("feed-pump-a", true),
        feed_pump("feed-pump-b", false),
        induced_draught_fan(),
        forced_draught_fan(),
        steam_turbine(),
        pulper_gearbox(),
        stock_pump(),
        vacuum_pump(),
        blower("blower-1"),
        blower("blower-2"),
        lift_pump(),
        air_compressor(),
    ];
    machines.iter_mut().for_each(|machine| vary(machine, seed));
    machines
}

fn vary(machine: &mut Machine, seed: u64) {
    let mut chance = Chance::new(seed, &["plate", machine.name]);
    machine.air_offset_k = chance.between(0.0, 3.0);
    for point in &mut machine.points {
        match &mut point.model {
            Model::Velocity { one_x, flow, .. } => {
                *one_x *= chance.between(0.85, 1.12);
                *flow *= chance.between(0.85, 1.12);
            }
            Model::Acceleration { rated } => *rated *= chance.between(0.85, 1.15),
            Model::Temperature { rise_k, tau_secs, .. } => {
                *rise_k *= chance.between(0.93, 1.07);
                *tau_secs *= chance.between(0.85, 1.2);
            }
            _ => {}
        }
    }
}

fn feed_pump(name: &'static str, first: bool) -> Machine {
    Machine {
        name,
        class: "pump",
        area: "boilerhouse",
        rating_kw: 200.0,
        rated_speed_rpm: 2970.0,
        mounting: Mounting::Rigid,
        drive: Drive::Mains { slip: 0.01 },
        states: vec![
            stopped(0.03, (1.0, 3.0)),
            state("low-flow", 1.0, 0.68, 1.0, (2.0, 12.0)),
            state("high-flow", 1.0, 0.94, 1.4, (3.0, 16.0)),
        ],
        duty: Duty::Turns { first },
        resonance: (1.5, 0.05),
        flow_noise: FlowNoise::Hydraulic,
        load_wander: (0.02, 0.015),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (1.3, 1.0), VELOCITY),
            velocity("vib_de_v", (0.9, 0.8), VELOCITY),
            axial("vib_de_a", (0.5, 0.7), VELOCITY),
            bearing("bearing_de_temp", 27.0, 0.75, 50.0),
            air(),
            point("motor_current", "A", 1, Model::Current { rated: 352.0 }),
            point("flow", "m3/h", 1, Model::Flow { rated: 84.0, no_flow_load: Some(0.42) }),
            point("discharge_pressure", "bar", 2, Model::PumpPressure { rated: 62.0, no_flow_load: 0.42 }),
        ],
    }
}

fn induced_draught_fan() -> Machine {
    Machine {
        name: "id-fan",
        class: "fan",
        area: "boilerhouse",
        rating_kw: 160.0,
        rated_speed_rpm: 990.0,
        mounting: Mounting::Flexible,
        drive: Drive::Converter,
        states: vec![
            stopped(0.03, (2.0, 5.0)),
            state("low", 0.66, 0.27, 0.8, (2.0, 9.0)),
            state("mid", 0.82, 0.52, 1.3, (3.0, 14.0)),
            state("high", 0.97, 0.88, 1.0, (2.0, 10.0)),
        ],
        duty: Duty::Own,
        resonance: (1.45, 0.06),
        flow_noise: FlowNoise::Aerodynamic,
        load_wander: (0.025, 0.015),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (2.2, 0.9), VELOCITY),
            velocity("vib_de_v", (1.6, 0.8), VELOCITY),
            axial("vib_de_a", (0.8, 0.7), VELOCITY),
            other_end("vib_nde_h", (1.7, 0.9), VELOCITY),
            bearing("bearing_de_temp", 27.0, 0.8, 60.0),
            air(),
            point("speed", "rpm", 0, Model::Speed),
            point("motor_power", "kW", 1, Model::Power),
        ],
    }
}

fn forced_draught_fan() -> Machine {
    Machine {
        name: "fd-fan",
        class: "fan",
        area: "boilerhouse",
        rating_kw: 110.0,
        rated_speed_rpm: 1485.0,
        mounting: Mounting::Flexible,
        drive: Drive::Converter,
        states: vec![
            stopped(0.03, (2.0, 5.0)),
            state("low", 0.7, 0.31, 1.0, (2.0, 10.0)),
            state("high", 0.94, 0.79, 1.2, (3.0, 14.0)),
        ],
        duty: Duty::Own,
        resonance: (1.6, 0.05),
        flow_noise: FlowNoise::Aerodynamic,
        load_wander: (0.025, 0.015),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (1.8, 0.8), VELOCITY),
            velocity("vib_de_v", (1.4, 0.8), VELOCITY),
            axial("vib_de_a", (0.7, 0.6), VELOCITY),
            bearing("bearing_de_temp", 25.0, 0.8, 45.0),
            air(),
            point("speed", "rpm", 0, Model::Speed),
            point("motor_current", "A", 1, Model::Current { rated: 196.0 }),
        ],
    }
}

fn steam_turbine() -> Machine {
    Machine {
        name: "steam-turbine",
        class: "turbine",
        area: "boilerhouse",
        rating_kw: 2400.0,
        rated_speed_rpm: 6000.0,
        mounting: Mounting::Rigid,
        drive: Drive::Governor,
        states: vec![
            stopped(0.02, (6.0, 14.0)),
            state("night", 1.0, 0.38, 1.0, (3.0, 9.0)),
            state("day", 1.0, 0.66, 1.4, (4.0, 12.0)),
            state("full", 1.0, 0.95, 1.0, (3.0, 10.0)),
        ],
        duty: Duty::Own,
        resonance: (0.62, 0.08),
        flow_noise: FlowNoise::Mechanical,
        load_wander: (0.02, 0.015),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (1.0, 0.8), VELOCITY),
            velocity("vib_de_v", (0.8, 0.7), VELOCITY),
            axial("vib_de_a", (0.4, 0.6), VELOCITY),
            bearing("bearing_de_temp", 30.0, 0.8, 40.0),
            temperature("bearing_nde_temp", (27.0, 0.85), 40.0, 0.1, Some(BEARING)),
            air(),
            point("power", "kW", 0, Model::Power),
            point("speed", "rpm", 0, Model::Speed),
        ],
    }
}

fn pulper_gearbox() -> Machine {
    Machine {
        name: "pulper-gearbox",
        class: "gearbox",
        area: "stockprep",
        rating_kw: 315.0,
        rated_speed_rpm: 1486.0,
        mounting: Mounting::Rigid,
        drive: Drive::Mains { slip: 0.009 },
        states: vec![
            stopped(0.02, (2.0, 6.0)),
            state("idle", 1.0, 0.3, 0.5, (1.5, 4.0)),
            state("thin-stock", 1.0, 0.62, 1.0, (2.0, 8.0)),
            state("thick-stock", 1.0, 0.93, 1.6, (4.0, 12.0)),
        ],
        duty: Duty::Own,
        resonance: (1.8, 0.06),
        flow_noise: FlowNoise::Mechanical,
        load_wander: (0.03, 0.015),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (0.8, 1.6), VELOCITY),
            velocity("vib_de_v", (0.7, 1.3), VELOCITY),
            axial("vib_de_a", (0.5, 1.0), VELOCITY),
            point("acc_de_h", "g", 2, Model::Acceleration { rated: 1.4 }),
            bearing("bearing_de_temp", 33.0, 0.75, 50.0),
            temperature("oil_temp", (28.0, 0.7), 110.0, 0.3, Some(BEARING)),
            air(),
            point("motor_current", "A", 1, Model::Current { rated: 545.0 }),
        ],
    }
}

fn stock_pump() -> Machine {
    Machine {
        name: "stock-pump",
        class: "pump",
        area: "stockprep",
        rating_kw: 90.0,
        rated_speed_rpm: 1482.0,
        mounting: Mounting::Rigid,
        drive: Drive::Mains { slip: 0.012 },
        states: vec![
            stopped(0.03, (1.0, 4.0)),
            state("low-flow", 1.0, 0.66, 1.0, (2.0, 8.0)),
            state("high-flow", 1.0, 0.93, 1.5, (3.0, 14.0)),
        ],
        duty: Duty::Own,
        resonance: (1.7, 0.05),
        flow_noise: FlowNoise::Hydraulic,
        load_wander: (0.025, 0.015),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (1.2, 1.2), VELOCITY),
            velocity("vib_de_v", (0.9, 1.0), VELOCITY),
            axial("vib_de_a", (0.5, 0.8), VELOCITY),
            point("acc_de_h", "m/s2", 1, Model::Acceleration { rated: 6.5 }),
            bearing("bearing_de_temp", 28.0, 0.75, 45.0),
            air(),
            point("motor_current", "A", 1, Model::Current { rated: 160.0 }),
            point("flow", "m3/h", 0, Model::Flow { rated: 620.0, no_flow_load: Some(0.4) }),
        ],
    }
}

fn vacuum_pump() -> Machine {
    Machine {
        name: "vacuum-pump",
        class: "vacuum-pump",
        area: "stockprep",
        rating_kw: 132.0,
        rated_speed_rpm: 742.0,
        mounting: Mounting::Rigid,
        drive: Drive::Mains { slip: 0.012 },
        states: vec![
            stopped(0.03, (2.0, 5.0)),
            state("light-vacuum", 1.0, 0.6, 1.0, (2.0, 9.0)),
            state("deep-vacuum", 1.0, 0.92, 1.4, (3.0, 14.0)),
        ],
        duty: Duty::Own,
        resonance: (2.2, 0.06),
        flow_noise: FlowNoise::Mechanical,
        load_wander: (0.025, 0.015),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (1.2, 1.1), VELOCITY),
            velocity("vib_de_v", (1.0, 0.9), VELOCITY),
            axial("vib_de_a", (0.9, 0.7), VELOCITY),
            bearing("bearing_de_temp", 24.0, 0.75, 55.0),
            air(),
            point("motor_power", "kW", 1, Model::Power),
            point("suction_pressure", "kPa", 1, Model::LoadPressure { standing: 101.3, unloaded: 68.0, loaded: 32.0 }),
        ],
    }
}

fn blower(name: &'static str) -> Machine {
    Machine {
        name,
        class: "blower",
        area: "effluent",
        rating_kw: 75.0,
        rated_speed_rpm: 2960.0,
        mounting: Mounting::Rigid,
        drive: Drive::Converter,
        states: vec![
            stopped(0.03, (1.0, 4.0)),
            state("low", 0.62, 0.36, 1.0, (1.5, 7.0)),
            state("mid", 0.8, 0.58, 1.3, (2.0, 9.0)),
            state("high", 0.98, 0.9, 1.0, (1.5, 7.0)),
        ],
        duty: Duty::Own,
        resonance: (1.55, 0.06),
        flow_noise: FlowNoise::Aerodynamic,
        load_wander: (0.025, 0.015),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (1.8, 1.2), VELOCITY),
            velocity("vib_de_v", (1.4, 1.1), VELOCITY),
            axial("vib_de_a", (0.7, 0.8), VELOCITY),
            other_end("vib_nde_h", (1.4, 1.2), VELOCITY),
            bearing("bearing_de_temp", 34.0, 0.7, 35.0),
            air(),
            point("speed", "rpm", 0, Model::Speed),
            point("air_flow", "m3/h", 0, Model::Flow { rated: 2400.0, no_flow_load: None }),
        ],
    }
}

fn lift_pump() -> Machine {
    Machine {
        name: "lift-pump",
        class: "pump",
        area: "effluent",
        rating_kw: 45.0,
        rated_speed_rpm: 988.0,
        mounting: Mounting::Rigid,
        drive: Drive::Mains { slip: 0.014 },
        states: vec![
            stopped(1.2, (0.4, 1.5)),
            state("one-line", 1.0, 0.78, 1.0, (0.8, 2.6)),
            state("two-lines", 1.0, 0.97, 0.5, (0.8, 2.2)),
        ],
        duty: Duty::Own,
        resonance: (1.8, 0.06),
        flow_noise: FlowNoise::Hydraulic,
        load_wander: (0.03, 0.015),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (1.1, 1.4), VELOCITY),
            velocity("vib_de_v", (0.8, 1.1), VELOCITY),
            axial("vib_de_a", (0.4, 0.8), VELOCITY),
            bearing("bearing_de_temp", 24.0, 0.75, 40.0),
            air(),
            point("motor_current", "A", 1, Model::Current { rated: 86.0 }),
        ],
    }
}

fn air_compressor() -> Machine {
    Machine {
        name: "air-compressor",
        class: "compressor",
        area: "effluent",
        rating_kw: 160.0,
        rated_speed_rpm: 2975.0,
        mounting: Mounting::Rigid,
        drive: Drive::Mains { slip: 0.009 },
        states: vec![
            stopped(0.08, (1.0, 8.0)),
            state("unloaded", 1.0, 0.32, 1.0, (0.5, 2.0)),
            state("loaded", 1.0, 0.95, 1.4, (0.7, 5.0)),
        ],
        duty: Duty::Own,
        resonance: (1.7, 0.06),
        flow_noise: FlowNoise::Mechanical,
        load_wander: (0.015, 0.01),
        air_offset_k: 0.0,
        points: vec![
            velocity("vib_de_h", (1.6, 2.9), VELOCITY_SCREW),
            velocity("vib_de_v", (1.3, 2.4), VELOCITY_SCREW),
            point("acc_de_h", "g", 2, Model::Acceleration { rated: 2.6 }),
            bearing("bearing_de_temp", 34.0, 0.7, 35.0),
            temperature("discharge_temp", (58.0, 0.55), 12.0, 0.0, Some((100.0, 110.0))),
            air(),
            point("motor_power", "kW", 1, Model::Power),
            point("sump_pressure", "bar", 2, Model::LoadPressure { standing: 0.0, unloaded: 2.1, loaded: 7.3 }),
        ],
    }
}

fn stopped(weight: f64, dwell_hours: (f64, f64)) -> State {
    state("stopped", 0.0, 0.0, weight, dwell_hours)
}

fn state(name: &'static str, speed: f64, load: f64, weight: f64, dwell_hours: (f64, f64)) -> State {
    State { name, speed, load, weight, dwell_hours }
}

fn point(name: &'static str, unit: &'static str, decimals: i32, model: Model) -> Point {
    Point { name, unit, decimals, model, limits: None }
}

/// Across the shaft at the drive end: (once per turn, other), limits.
fn velocity(name: &'static str, (one_x, flow): (f64, f64), limits: (f64, f64)) -> Point {
    let model = Model::Velocity { one_x, flow, axial: false, drive_end: true };
    Point { limits: Some(limits), ..point(name, "mm/s", 2, model) }
}

fn axial(name: &'static str, (one_x, flow): (f64, f64), limits: (f64, f64)) -> Point {
    let model = Model::Velocity { one_x, flow, axial: true, drive_end: true };
    Point { limits: Some(limits), ..point(name, "mm/s", 2, model) }
}

fn other_end(name: &'static str, (one_x, flow): (f64, f64), limits: (f64, f64)) -> Point {
    let model = Model::Velocity { one_x, flow, axial: false, drive_end: false };
    Point { limits: Some(limits), ..point(name, "mm/s", 2, model) }
}

/// Drive-end bearing: rise above air, share of it with speed, time constant in minutes.
fn bearing(name: &'static str, rise_k: f64, speed_share: f64, tau_minutes: f64) -> Point {
    temperature(name, (rise_k, speed_share), tau_minutes, 1.0, Some(BEARING))
}

fn temperature(
    name: &'static str,
    (rise_k, speed_share): (f64, f64),
    tau_minutes: f64,
    friction_share: f64,
    limits: Option<(f64, f64)>,
) -> Point {
    let model = Model::Temperature { rise_k, speed_share, tau_secs: tau_minutes * 60.0, friction_share };
    Point { limits, ..point(name, "Cel", 1, model) }
}

fn air() -> Point {
    point("air_temp", "Cel", 1, Model::Air)
}
