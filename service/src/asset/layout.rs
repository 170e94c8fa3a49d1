//! Which of an asset's points are watched, which explain them, and which one says whether it runs.

use super::spec::{AssetSpec, PointSpec, Quantity, Role};
use roundsman_models::detect::baseline::{Follows, MAX_POINTS, PointTraits};
use roundsman_models::detect::operating_state::MAX_VARIABLES;
use roundsman_models::detect::running::RunSignal;
use serde::{Deserialize, Serialize};

/// Time constants of the lags offered to temperatures, seconds: oil and housings take about an hour, heavy machines
/// several (common practice). The first, unlagged one is implied.
pub const LAG_SECS: [f64; 2] = [3600.0, 4.0 * 3600.0];
/// Lags kept of each driver, the unlagged one included.
pub const LAGS: usize = 1 + LAG_SECS.len();
/// Drivers used at most: the operating variables first, then the surroundings.
pub const MAX_DRIVERS: usize = MAX_VARIABLES + 2;

/// Roles of an asset's points, as indices into its points.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Layout {
    /// Points whose condition is watched.
    pub conditions: Vec<u16>,
    /// Which of them are thermal: they follow with a lag, and a cold machine's say nothing.
    pub thermal: Vec<bool>,
    /// Points that explain them: operating ones first, then the surroundings.
    pub drivers: Vec<u16>,
    /// How many of the drivers are operating ones.
    pub operating: usize,
    /// The point that says whether the machine runs.
    pub run: Option<(u16, RunSignal)>,
    /// The point that says which operating state it is in.
    pub state: Option<u16>,
}

impl Layout {
    /// Layout of an asset as it is defined now.
    pub fn of(spec: &AssetSpec) -> Self {
        let with =
            |want: Role| spec.points.iter().enumerate().filter(move |(_, p)| p.role == want).map(|(i, _)| i as u16);
        let mut drivers: Vec<u16> = with(Role::Operating).take(MAX_VARIABLES).collect();
        let operating = drivers.len();
        drivers.extend(with(Role::Ambient).take(MAX_DRIVERS - operating));
        let conditions: Vec<u16> = with(Role::Condition)
            .filter(|i| spec.points[usize::from(*i)].quantity != Quantity::State)
            .take(MAX_POINTS)
            .collect();
        Self {
            thermal: conditions
                .iter()
                .map(|i| spec.points[usize::from(*i)].quantity == Quantity::Temperature)
                .collect(),
            conditions,
            drivers,
            operating,
            run: run_signal(spec),
            state: with(Role::State).next(),
        }
    }

    /// What the learner is told of each condition point.
    pub fn traits(&self, spec: &AssetSpec, least_change: f64) -> Vec<PointTraits> {
        // A bearing temperature rides on the ambient one: what is learned is the rise above it (the way IEC 60034-1
        // states winding temperatures), so that a heat wave is no fault.
        let ambient = self.drivers.iter().position(|i| {
            spec.points
                .get(usize::from(*i))
                .is_some_and(|p| p.role == Role::Ambient && p.quantity == Quantity::Temperature)
        });
        self.conditions
            .iter()
            .map(|i| spec.points.get(usize::from(*i)).map_or_else(plain, |p| traits_of(p, least_change, ambient)))
            .collect()
    }

    /// Width of a learned row.
    pub fn row_width(&self) -> usize {
        self.conditions.len() + LAGS * self.drivers.len()
    }
}

fn plain() -> PointTraits {
    PointTraits {
        follows: Follows::AtOnce,
        least_share: 0.0,
        least_change: 0.0,
        least_drift_share: 0.0,
        least_drift: 0.0,
        rides_on: None,
    }
}

/// Changes that mean nothing to anybody, by quantity: ours, from what vibration and temperature sensors repeat to.
fn traits_of(point: &PointSpec, least_change: f64, ambient: Option<usize>) -> PointTraits {
    match point.quantity {
        Quantity::VibrationVelocity | Quantity::VibrationAcceleration | Quantity::VibrationDisplacement => {
            PointTraits { least_share: least_change, least_drift_share: 1.5 * least_change, ..plain() }
        }
        Quantity::Temperature => {
            PointTraits { follows: Follows::WithLag, least_change: 2.0, least_drift: 3.0, rides_on: ambient, ..plain() }
        }
        Quantity::Other => {
            PointTraits { least_share: 0.5 * least_change, least_drift_share: 0.75 * least_change, ..plain() }
        }
        // Process values are measured to a per cent or so, and a sudden change of that size is one. Slowly they go by some
        // per cent with temperature, season and what the process asks for; a pump that has lost 5 % of its head or flow
        // is worn (common practice).
        _ => PointTraits { least_share: 0.05 * least_change, least_drift_share: 0.25 * least_change, ..plain() },
    }
}

/// The best signal there is for "it runs": speed, then what it draws, then how it shakes.
fn run_signal(spec: &AssetSpec) -> Option<(u16, RunSignal)> {
    let first = |want: &dyn Fn(&PointSpec) -> bool| spec.points.iter().position(want).map(|i| i as u16);
    let driven = |q: Quantity| first(&move |p: &PointSpec| p.quantity == q && p.role == Role::Operating);
    let vibration = first(&|p: &PointSpec| p.quantity == Quantity::VibrationVelocity)
        .or_else(|| first(&|p: &PointSpec| p.quantity == Quantity::VibrationAcceleration));
    driven(Quantity::Speed)
        .map(|i| (i, RunSignal::Speed))
        .or_else(|| driven(Quantity::Power).map(|i| (i, RunSignal::Drive)))
        .or_else(|| driven(Quantity::Current).map(|i| (i, RunSignal::Drive)))
        .or_else(|| driven(Quantity::Load).map(|i| (i, RunSignal::Drive)))
        .or_else(|| vibration.map(|i| (i, RunSignal::Vibration)))
}
