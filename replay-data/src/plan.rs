//! Which faults are planted: the fixed plan of the demo, a random one, or none.

use clap::ValueEnum;

use crate::fault::{Fault, FaultKind, telling_point};
use crate::machine::{Duty, Machine};
use crate::noise::Chance;

/// Least length of a recording with a random plan: slow faults need room to grow after the baselines are learned.
pub const RANDOM_PLAN_LEAST_DAYS: u32 = 40;
/// No random fault starts before this day: by then a standby machine, too, has run 25 h.
const FIRST_START_DAY: f64 = 13.0;

/// Which faults are planted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PlanChoice {
    /// The plan of the demo: seven faults on seven of the twelve machines.
    Fixed,
    /// Machines, faults, starts and rates drawn from the seed.
    Random,
    /// Nothing planted: a healthy site.
    None,
}

impl PlanChoice {
    /// The word on the command line and in the truth file.
    pub fn word(self) -> &'static str {
        match self {
            PlanChoice::Fixed => "fixed",
            PlanChoice::Random => "random",
            PlanChoice::None => "none",
        }
    }
}

/// The faults of a recording of `days`, in the order of the machines. Those that would start after its end are left out.
pub(crate) fn faults(choice: PlanChoice, seed: u64, days: u32, machines: &[Machine]) -> Vec<Fault> {
    let mut faults = match choice {
        PlanChoice::Fixed => fixed(),
        PlanChoice::Random => random(seed, days, machines),
        PlanChoice::None => Vec::new(),
    };
    faults.retain(|fault| fault.start_day < f64::from(days));
    faults
}

fn fixed() -> Vec<Fault> {
    let fault = |asset, kind, point, start_day| Fault { asset, kind, point, start_day, reach_day: 0.0, size: 0.0 };
    vec![
        Fault { size: 1.8, ..fault("id-fan", FaultKind::Imbalance, "vib_de_h", 30.6) },
        fault("fd-fan", FaultKind::StuckSensor, "bearing_de_temp", 33.4),
        fault("steam-turbine", FaultKind::SilentSensor, "bearing_nde_temp", 40.2),
        Fault { reach_day: 54.5, ..fault("pulper-gearbox", FaultKind::PoorLubrication, "bearing_de_temp", 28.5) },
        Fault { reach_day: 55.2, ..fault("stock-pump", FaultKind::BearingWear, "vib_de_h", 24.3) },
        Fault { reach_day: 53.1, ..fault("vacuum-pump", FaultKind::Misalignment, "vib_de_a", 17.4) },
        Fault { size: 0.6, ..fault("blower-1", FaultKind::AfterMaintenance, "vib_de_h", 27.5) },
    ]
}

fn random(seed: u64, days: u32, machines: &[Machine]) -> Vec<Fault> {
    let mut chance = Chance::new(seed, &["plan"]);
    let days = f64::from(days);
    let mut order: Vec<usize> = (0..machines.len()).collect();
    chance.shuffle(&mut order);
    let wanted = 5 + chance.index(4);
    let mut kinds = FaultKind::ALL.to_vec();
    chance.shuffle(&mut kinds);
    let mut drawn: Vec<(usize, Fault)> = Vec::new();
    for kind in kinds.into_iter().take(wanted) {
        // The first machine left that can have it; a pair's stops would collide with its turns.
        let fits = |index: &usize| {
            let machine = &machines[*index];
            let maintained = kind == FaultKind::AfterMaintenance && machine.duty != Duty::Own;
            !maintained && telling_point(machine, kind).is_some()
        };
        let Some(place) = order.iter().position(fits) else { continue };
        let index = order.remove(place);
        let machine = &machines[index];
        let point = match kind {
            FaultKind::StuckSensor | FaultKind::SilentSensor => {
                let candidates: Vec<_> = machine.points.iter().filter(|p| p.model.role() == "condition").collect();
                candidates[chance.index(candidates.len())].name
            }
            _ => telling_point(machine, kind).unwrap_or("vib_de_h"),
        };
        let (start_day, reach_day) = if kind.is_slow() {
            let reach = days * chance.between(0.82, 0.97);
            (chance.between(FIRST_START_DAY, (reach - 20.0).max(FIRST_START_DAY + 1.0)), reach)
        } else {
            (chance.between(FIRST_START_DAY + 1.0, days * 0.8), 0.0)
        };
        let size = match kind {
            FaultKind::Imbalance => chance.between(1.7, 2.4),
            FaultKind::AfterMaintenance => chance.between(0.45, 0.9),
            _ => 0.0,
        };
        drawn.push((index, Fault { asset: machine.name, kind, point, start_day, reach_day, size }));
    }
    drawn.sort_by_key(|(index, _)| *index);
    drawn.into_iter().map(|(_, fault)| fault).collect()
}
