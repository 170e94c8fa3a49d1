//! What a simulated machine is: plate data, ways it is run, measuring points and the few numbers its physics needs.

use serde::{Deserialize, Serialize};

/// A part of the site whose machines share one gateway and one air.
#[derive(Debug, Clone)]
pub struct Area {
    /// Name as in the topic.
    pub name: &'static str,
    /// Mean air temperature, Cel.
    pub air_celsius: f64,
    /// Share of the weather outside that is felt here: 1 in the open, less in a building.
    pub weather_share: f64,
}

/// One machine of the site.
#[derive(Debug, Clone)]
pub struct Machine {
    /// Name as in the topic.
    pub name: &'static str,
    /// Kind of machine.
    pub class: &'static str,
    /// Name of its area.
    pub area: &'static str,
    /// Rated power, kW.
    pub rating_kw: f64,
    /// Rated shaft speed, /min.
    pub rated_speed_rpm: f64,
    /// How it stands.
    pub mounting: Mounting,
    /// What sets its speed.
    pub drive: Drive,
    /// Ways it is run; the first is always standing still.
    pub states: Vec<State>,
    /// What chooses between them.
    pub duty: Duty,
    /// First structural resonance as a multiple of rated speed, and its damping ratio.
    pub resonance: (f64, f64),
    /// What makes the part of the vibration that is not once per turn.
    pub flow_noise: FlowNoise,
    /// Standard deviation of the load round its state's value, as a share of it: within hours, and over days.
    pub load_wander: (f64, f64),
    /// Air at the machine is this much warmer than in its area, K.
    pub air_offset_k: f64,
    /// Measuring points in the order they are sent.
    pub points: Vec<Point>,
}

/// How a machine stands, which decides its vibration limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mounting {
    /// On a stiff foundation.
    Rigid,
    /// On springs or a light frame.
    Flexible,
}

/// What sets the speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drive {
    /// Induction motor on the mains; speed falls with load by the rated slip.
    Mains {
        /// Slip at rated load, share of synchronous speed.
        slip: f64,
    },
    /// Frequency converter.
    Converter,
    /// Turbine governor: slow to run up.
    Governor,
}

/// One way of running.
#[derive(Debug, Clone)]
pub struct State {
    /// Name in the truth file.
    pub name: &'static str,
    /// Share of rated speed.
    pub speed: f64,
    /// Share of rated power.
    pub load: f64,
    /// How likely it is to come next.
    pub weight: f64,
    /// Shortest and longest stay, hours.
    pub dwell_hours: (f64, f64),
}

/// What chooses the states.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Duty {
    /// The machine's own process.
    Own,
    /// One of a pair that takes weekly turns; the first starts.
    Turns {
        /// Which of the pair.
        first: bool,
    },
}

/// The part of the vibration that does not come once per turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FlowNoise {
    /// Pump: least near its best efficiency, more at part flow.
    Hydraulic,
    /// Fan or blower: with the square of the speed.
    Aerodynamic,
    /// Gears, screws, blades: with the load.
    Mechanical,
}

/// One measuring point.
#[derive(Debug, Clone)]
pub struct Point {
    /// Name as in the topic.
    pub name: &'static str,
    /// Unit as sent.
    pub unit: &'static str,
    /// Digits after the decimal point the sensor gives.
    pub decimals: i32,
    /// What it follows.
    pub model: Model,
    /// Limits the plant has set, in the unit as sent: warning, alarm.
    pub limits: Option<(f64, f64)>,
}

/// What a point follows, with its values at rated speed and load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Model {
    /// Vibration velocity, mm/s r.m.s.
    Velocity {
        /// Once-per-turn part.
        one_x: f64,
        /// Part from flow, gears and the like.
        flow: f64,
        /// Along the shaft, not across it.
        axial: bool,
        /// At the drive end.
        drive_end: bool,
    },
    /// Vibration acceleration at the drive end, r.m.s., in the unit as sent.
    Acceleration {
        /// At rated speed and load.
        rated: f64,
    },
    /// Bearing, oil or discharge temperature, Cel.
    Temperature {
        /// Above the air at rated speed and load, K.
        rise_k: f64,
        /// Share of the rise that comes with speed; the rest comes with load.
        speed_share: f64,
        /// Thermal time constant, s.
        tau_secs: f64,
        /// Share of a failing drive-end bearing's heat that is felt here.
        friction_share: f64,
    },
    /// Air at the machine, Cel.
    Air,
    /// Shaft speed, /min.
    Speed,
    /// Motor current, A.
    Current {
        /// At rated load.
        rated: f64,
    },
    /// Power, kW.
    Power,
    /// Load, % of rated.
    Load,
    /// Flow.
    Flow {
        /// At rated speed and load.
        rated: f64,
        /// Share of rated load a pump takes at no flow; `None` for a machine whose flow goes with speed alone.
        no_flow_load: Option<f64>,
    },
    /// Discharge pressure of a pump, which falls with the square of the flow.
    PumpPressure {
        /// At rated speed and load.
        rated: f64,
        /// Share of rated load taken at no flow.
        no_flow_load: f64,
    },
    /// A pressure that moves from one value at no load to another at rated load while running.
    LoadPressure {
        /// At standstill.
        standing: f64,
        /// Running without load.
        unloaded: f64,
        /// Running at rated load.
        loaded: f64,
    },
}

impl Model {
    /// Quantity in the words of the configuration file.
    pub fn quantity(self) -> &'static str {
        match self {
            Model::Velocity { .. } => "vibration-velocity",
            Model::Acceleration { .. } => "vibration-acceleration",
            Model::Temperature { .. } | Model::Air => "temperature",
            Model::Speed => "speed",
            Model::Current { .. } => "current",
            Model::Power => "power",
            Model::Load => "load",
            Model::Flow { .. } => "flow",
            Model::PumpPressure { .. } | Model::LoadPressure { .. } => "pressure",
        }
    }

    /// Role in the words of the configuration file.
    pub fn role(self) -> &'static str {
        match self {
            Model::Velocity { .. }
            | Model::Acceleration { .. }
            | Model::Temperature { .. }
            | Model::PumpPressure { .. }
            | Model::LoadPressure { .. } => "condition",
            Model::Air => "ambient",
            Model::Speed | Model::Current { .. } | Model::Power | Model::Load | Model::Flow { .. } => "operating",
        }
    }

    /// How a vibration value was formed, in the words of the configuration file.
    pub fn detection(self) -> Option<&'static str> {
        matches!(self, Model::Velocity { .. } | Model::Acceleration { .. }).then_some("rms")
    }
}

impl Machine {
    /// The running state it spends most time in.
    pub fn usual_state(&self) -> usize {
        let share = |state: &State| state.weight * (state.dwell_hours.0 + state.dwell_hours.1);
        (1..self.states.len()).max_by(|a, b| share(&self.states[*a]).total_cmp(&share(&self.states[*b]))).unwrap_or(0)
    }

    /// The fastest state; the one of highest load among equals.
    pub fn fastest_state(&self) -> usize {
        let key = |state: &State| state.speed * 1000.0 + state.load;
        (1..self.states.len()).max_by(|a, b| key(&self.states[*a]).total_cmp(&key(&self.states[*b]))).unwrap_or(0)
    }

    /// The state slow faults are sized for: the usual one, or the fastest of a machine whose level goes with speed,
    /// where it reaches its limits first.
    pub fn reference_state(&self) -> usize {
        if self.has_speed_steps() { self.fastest_state() } else { self.usual_state() }
    }

    /// `true` when its speed is one of its ways of being run.
    pub fn has_speed_steps(&self) -> bool {
        let fastest = self.states[self.fastest_state()].speed;
        self.states.iter().skip(1).any(|state| state.speed < 0.9 * fastest)
    }

    /// `true` when standing still is part of its ordinary cycle.
    pub fn stops_often(&self) -> bool {
        self.states.first().is_some_and(|stopped| stopped.weight > 0.5)
    }

    /// Index of a point.
    pub fn point(&self, name: &str) -> Option<usize> {
        self.points.iter().position(|point| point.name == name)
    }
}
