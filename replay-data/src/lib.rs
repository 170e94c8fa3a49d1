//! Makes simulated recordings of an invented site, with the truth about what was planted in them.
//!
//! The same arguments give the same bytes. Nothing here was measured on a real machine.
//!
//! ```
//! use roundsman_replay_data::{Options, PlanChoice, simulate};
//!
//! let options = Options { seed: 1, days: 2, cadence_secs: 300, plan: PlanChoice::None };
//! let recording = simulate(&options, |_| {})?;
//! assert_eq!(recording.about.assets.len(), 12);
//! assert!(recording.about.faults.is_empty());
//! # Ok::<(), roundsman_replay_data::Refused>(())
//! ```
//!
//! In the order data pass them: [`site`] (the machines), `weather`, `duty` (how they are run), [`plan`] and [`fault`]
//! (what is planted), `physics` (the noise-free level), `simulate` (readings), `truth` ([`about`]), then what is
//! written: [`mod@write`], [`messages`].

pub mod about;
mod duty;
pub mod fault;
mod labels;
pub mod machine;
pub mod messages;
mod noise;
mod physics;
pub mod plan;
mod simulate;
pub mod site;
mod site_config;
mod truth;
mod weather;
pub mod write;

use about::About;
use fault::{DAY, Planted};
use noise::Chance;
pub use plan::PlanChoice;
use plan::RANDOM_PLAN_LEAST_DAYS;
use weather::Air;

/// Start of every recording: 2031-03-03T00:00:00Z, a Monday in a year of its own.
pub const START_SECS: i64 = 1_930_262_400;

/// What a recording is drawn from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// Everything random follows from it.
    pub seed: u64,
    /// Length, days.
    pub days: u32,
    /// Nominal time between two messages of a machine, seconds.
    pub cadence_secs: u32,
    /// What is planted.
    pub plan: PlanChoice,
}

/// Options no recording can be made of.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// Length.
    #[error("days: must be 1 to 3660, got {0}")]
    Days(u32),
    /// Cadence.
    #[error("cadence: must be 10 to 3600 s, got {0}")]
    Cadence(u32),
    /// Too short for slow faults.
    #[error("days: a random plan needs at least {RANDOM_PLAN_LEAST_DAYS}, got {0}")]
    TooShortForPlan(u32),
}

/// One reading. Names are those of [`About::assets`] by index.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Seconds after [`START_SECS`].
    pub secs: i64,
    /// Index of the machine.
    pub asset: u16,
    /// Index of its point.
    pub point: u16,
    /// In the unit as sent.
    pub value: f64,
    /// Index of the operating state the machine was in: truth for tests, not part of what is written.
    pub state: u8,
}

/// A recording and the truth about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// In order of time, then asset, then point.
    pub rows: Vec<Row>,
    /// What it is and what was planted.
    pub about: About,
}

/// How many times `simulate` calls its progress function.
pub fn steps(options: &Options) -> u64 {
    site::machines(options.seed).len() as u64 * u64::from(options.days)
}

/// Makes a recording; `progress` is called after each machine and day with the count so far.
pub fn simulate(options: &Options, mut progress: impl FnMut(u64)) -> Result<Recording, Refused> {
    let Options { seed, days, cadence_secs, plan } = *options;
    if !(1..=3660).contains(&days) {
        return Err(Refused::Days(days));
    }
    if !(10..=3600).contains(&cadence_secs) {
        return Err(Refused::Cadence(cadence_secs));
    }
    if plan == PlanChoice::Random && days < RANDOM_PLAN_LEAST_DAYS {
        return Err(Refused::TooShortForPlan(days));
    }
    let machines = site::machines(seed);
    let faults = plan::faults(plan, seed, days, &machines);
    let air: Vec<(&str, Air)> = site::areas().iter().map(|area| (area.name, Air::new(seed, area, days))).collect();
    let outages = outages(seed, days);
    let mut rows = Vec::new();
    let mut planted_on = Vec::new();
    let mut done = 0;
    for (number, machine) in machines.iter().enumerate() {
        let Some((_, air)) = air.iter().find(|(area, _)| *area == machine.area) else { continue };
        let fault = faults.iter().find(|fault| fault.asset == machine.name);
        let mean_air = air.mean_celsius() + machine.air_offset_k;
        let planted = fault.map(|fault| Planted::new(fault, machine, mean_air));
        let down: Vec<(f64, f64)> =
            outages.iter().filter(|(area, ..)| *area == machine.area).map(|(_, from, to)| (*from, *to)).collect();
        let frame = simulate::Frame { seed, days, cadence_secs, air, outages: &down };
        rows.extend(simulate::machine(machine, number as u16, planted.as_ref(), &frame, || {
            done += 1;
            progress(done);
        }));
        planted_on.extend(planted.map(|planted| (number, planted, mean_air)));
    }
    rows.sort_by_key(|row| (row.secs, row.asset, row.point));
    let about = truth::about(options, &machines, &planted_on, &outages, &rows);
    Ok(Recording { rows, about })
}

/// An hour without one area's gateway, once in recordings of more than three weeks: (area, start, end) in seconds.
fn outages(seed: u64, days: u32) -> Vec<(&'static str, f64, f64)> {
    if days <= 21 {
        return Vec::new();
    }
    let mut chance = Chance::new(seed, &["outage"]);
    let areas = site::areas();
    let area = areas[chance.index(areas.len())].name;
    let start = (chance.between(14.0, f64::from(days) - 3.0) * DAY / 60.0).round() * 60.0;
    vec![(area, start, start + 3600.0)]
}
