//! Simulated healthy machines of many kinds, played through the engine: how often it cries wolf, and how fast it answers
//! when something is added. Simulated numbers, no machine's.

#![allow(dead_code, unreachable_pub, reason = "the test and the benchmark each use their own part")]

use roundsman::acquire::{AssetId, Observation, Quality};
use roundsman::advise::document::{Alert, Change, Finding, Severity};
use roundsman::asset::settings::Settings;
use roundsman::asset::spec::{AssetSpec, Detection, OwnLimits, PointSpec, Quantity, Role};
use roundsman::engine::{Engine, Event, Output};
use roundsman_models::EventTime;
use std::sync::Arc;

/// Snapshots of five minutes, as a plant's vibration transmitters are usually read.
pub const CADENCE_SECS: i64 = 300;
pub const PER_DAY: u64 = 288;
const YEAR: f64 = 365.25 * PER_DAY as f64;
/// Condition points of a machine.
const POINTS: usize = 4;
/// Level and standard deviation of a point: a fifth, so that the least change that means anything (a tenth) is no help.
const LEVEL: f64 = 10.0;
pub const SIGMA: f64 = 2.0;

/// How the residuals of a machine behave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// Independent normal.
    Normal,
    /// Independent Student t with three degrees of freedom, scaled to the same standard deviation.
    HeavyTails,
    /// First-order autoregressive with this correlation from one snapshot to the next.
    Correlated(f64),
    /// A sine over the day of two standard deviations under independent normal noise.
    DayCycle,
    /// Three loads that set level and spread, under noise of correlation 0.5.
    Loads,
}

impl Kind {
    pub const ALL: [Kind; 6] =
        [Kind::Normal, Kind::HeavyTails, Kind::Correlated(0.5), Kind::Correlated(0.95), Kind::DayCycle, Kind::Loads];

    pub fn name(self) -> String {
        match self {
            Kind::Normal => "normal".into(),
            Kind::HeavyTails => "heavy tails (t, 3)".into(),
            Kind::Correlated(r) => format!("AR(1), {r}"),
            Kind::DayCycle => "day cycle".into(),
            Kind::Loads => "three loads".into(),
        }
    }
}

/// What is added to the first point once the machine is learned and has run on for a while, standard deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Added {
    Nothing,
    Step(f64),
    /// Per day.
    Drift(f64),
}

/// What came of a machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct Came {
    /// Years it ran after its baseline was learned.
    pub years: f64,
    /// Alerts on the machine.
    pub warnings: u32,
    /// Those that reached severity alarm.
    pub alarms: u32,
    /// Snapshots from what was added to the first alert after it.
    pub delay: Option<u64>,
}

/// Snapshots before anything is added: the learning and three times as many.
const BEFORE: u64 = 4 * 301;

/// Plays one machine for so many snapshots.
pub fn play(kind: Kind, added: Added, seed: u64, snapshots: u64, settings: &Arc<Settings>) -> Came {
    let mut chance = Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
    let id = AssetId(0);
    let mut engine = Engine::new("simulated", false);
    let mut out = Vec::new();
    engine.step(&Event::Define(id, Arc::new(spec(kind)), settings.clone()), &mut out);
    let mut came = Came::default();
    let mut noise = [0.0; POINTS];
    let (mut load, mut until) = (1.0, 0);
    for n in 0..snapshots {
        let at = EventTime((1_930_262_400 + n as i64 * CADENCE_SECS) * 1_000_000);
        if kind == Kind::Loads && n >= until {
            load = [0.5, 0.75, 1.0][(chance.unit() * 3.0) as usize % 3];
            until = n + 24 + (chance.unit() * 72.0) as u64;
        }
        let day = (std::f64::consts::TAU * n as f64 / PER_DAY as f64).sin();
        for (point, noise) in noise.iter_mut().enumerate() {
            *noise = match kind {
                Kind::Normal | Kind::DayCycle => chance.normal(),
                Kind::HeavyTails => {
                    let square: f64 = (0..3).map(|_| chance.normal().powi(2)).sum();
                    // A t of three degrees of freedom has variance 3.
                    chance.normal() / (square / 3.0).sqrt() / 3f64.sqrt()
                }
                Kind::Correlated(r) => r * *noise + (1.0 - r * r).sqrt() * chance.normal(),
                Kind::Loads => 0.5 * *noise + 0.75f64.sqrt() * chance.normal(),
            };
            let cycle = if kind == Kind::DayCycle { 2.0 * day } else { 0.0 };
            let since = n.saturating_sub(BEFORE);
            let extra = match added {
                Added::Step(size) if point == 0 && n >= BEFORE => size,
                Added::Drift(per_day) if point == 0 => per_day * since as f64 / PER_DAY as f64,
                _ => 0.0,
            };
            let value = load * (LEVEL + SIGMA * (*noise + cycle + extra));
            observe(&mut engine, &mut out, point as u16, at, value);
        }
        if kind == Kind::Loads {
            let value = 100.0 * load * (1.0 + 0.002 * chance.normal());
            observe(&mut engine, &mut out, POINTS as u16, at, value);
        }
        for said in out.drain(..) {
            let Output::Alert(_, alert) = said else { continue };
            let Alert { finding: Finding::Machine, change, severity, .. } = *alert else { continue };
            let grown = matches!(change, Change::Raised | Change::Escalated);
            if change == Change::Raised {
                came.warnings += 1;
            }
            if grown && severity == Severity::Alarm {
                came.alarms += 1;
            }
            if grown && n >= BEFORE && came.delay.is_none() {
                came.delay = Some(n - BEFORE);
            }
        }
        if added != Added::Nothing && came.delay.is_some() {
            break;
        }
    }
    came.years = snapshots.saturating_sub(301) as f64 / YEAR;
    came
}

/// Snapshots of a year after the learning.
pub fn a_year() -> u64 {
    301 + YEAR as u64
}

fn observe(engine: &mut Engine, out: &mut Vec<Output>, point: u16, at: EventTime, value: f64) {
    let observation = Observation { asset: AssetId(0), point, at, value, quality: Quality::Good };
    engine.step(&Event::Observed(observation), out);
    out.retain(|o| matches!(o, Output::Alert(..)));
}

fn spec(kind: Kind) -> AssetSpec {
    let point = |name: String, quantity, role| PointSpec {
        name,
        quantity,
        detection: Detection::Unstated,
        unit: String::new(),
        role,
        range: (f64::NEG_INFINITY, f64::INFINITY),
        stuck_after_secs: None,
        limits: OwnLimits::default(),
    };
    let mut points: Vec<PointSpec> =
        (0..POINTS).map(|i| point(format!("p{i}"), Quantity::Other, Role::Condition)).collect();
    if kind == Kind::Loads {
        points.push(point("load".into(), Quantity::Load, Role::Operating));
    }
    AssetSpec {
        name: "simulated".into(),
        area: None,
        class: None,
        zones: None,
        rating_kw: None,
        rated_speed_rpm: None,
        configured: true,
        cadence_secs: Some(CADENCE_SECS as f64),
        states: Vec::new(),
        points,
    }
}

/// xorshift64*, and normals by Box and Muller.
struct Chance(u64);

impl Chance {
    fn unit(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}
