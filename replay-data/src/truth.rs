//! Works out the truth about a recording from the same noise-free levels the readings came from.

use crate::about::{
    About, AboutAsset, AboutCrossing, AboutFault, AboutLimit, AboutOutage, AboutPoint, AboutState, NOTE,
};
use crate::fault::{DAY, FaultKind, Planted, bisect};
use crate::machine::Machine;
use crate::physics::{self, Effect};
use crate::{Options, Row, START_SECS, site};

/// A point shows a fault when its level, in some state, moves by this share (or by this many kelvin).
const SHOWS_SHARE: f64 = 0.05;
const SHOWS_KELVIN: f64 = 2.0;
/// A fault's full size, when it has no limit to reach: long after its start.
const FULL_DAYS: f64 = 1.0;
/// Where the search for a crossing ends.
const SEARCH_DAYS: f64 = 3650.0;

/// (number of the machine, what is planted, mean air at the machine).
type PlantedOn<'a> = (usize, Planted<'a>, f64);

pub(crate) fn about(
    options: &Options,
    machines: &[Machine],
    planted: &[PlantedOn<'_>],
    outages: &[(&str, f64, f64)],
    rows: &[Row],
) -> About {
    About {
        schema: 1,
        simulated: true,
        note: NOTE.to_owned(),
        site: site::NAME.to_owned(),
        seed: options.seed,
        plan: options.plan.word().to_owned(),
        days: options.days,
        start: stamp(0.0),
        end: stamp(f64::from(options.days) * DAY),
        cadence_secs: options.cadence_secs,
        readings: rows.len() as u64,
        faults: planted.iter().map(|on| fault(&machines[on.0], on, rows)).collect(),
        outages: outages
            .iter()
            .map(|(area, from, to)| AboutOutage { area: (*area).to_owned(), start: stamp(*from), end: stamp(*to) })
            .collect(),
        assets: machines
            .iter()
            .enumerate()
            .map(|(number, machine)| asset(machine, !planted.iter().any(|on| on.0 == number)))
            .collect(),
    }
}

/// RFC 3339 of a time in seconds after the start, to the second.
pub(crate) fn stamp(secs: f64) -> String {
    // Far inside what a timestamp holds; the epoch would be a visible mistake, not a silent one.
    jiff::Timestamp::from_second(START_SECS + secs.round() as i64).unwrap_or_default().to_string()
}

fn fault(machine: &Machine, (number, planted, air): &PlantedOn<'_>, rows: &[Row]) -> AboutFault {
    let fault = planted.fault;
    let (points, states) = if fault.kind.is_of_sensor() {
        (vec![fault.point.to_owned()], machine.states.iter().map(|state| state.name.to_owned()).collect())
    } else {
        shows_in(machine, planted, *air)
    };
    AboutFault {
        asset: machine.name.to_owned(),
        kind: fault.kind,
        description: describe(planted),
        of_sensor: fault.kind.is_of_sensor(),
        point: fault.point.to_owned(),
        points,
        states,
        start: stamp(fault.start_day * DAY),
        stopped_from: planted.stop().map(|(from, _)| stamp(from)),
        limit: fault.kind.is_slow().then(|| limit(machine, *number, planted, *air, rows)).flatten(),
    }
}

fn describe(planted: &Planted<'_>) -> String {
    let fault = planted.fault;
    match fault.kind {
        FaultKind::BearingWear => "drive-end bearing wears out: acceleration grows first, then velocity".to_owned(),
        FaultKind::Misalignment => {
            "coupling goes out of line: velocity grows steadily, most along the shaft".to_owned()
        }
        FaultKind::Fouling => "impeller fouls: once-per-turn vibration across the shaft grows steadily".to_owned(),
        FaultKind::PoorLubrication => "drive-end bearing runs short of grease: it warms, vibration stays".to_owned(),
        FaultKind::Imbalance => {
            format!("sudden imbalance: once-per-turn vibration across the shaft times {:.2} within an hour", fault.size)
        }
        FaultKind::AfterMaintenance => {
            format!("left loose after a six-hour stop: velocity up by {:.0} % at top speed only", 100.0 * fault.size)
        }
        FaultKind::StuckSensor => "sensor repeats its last value".to_owned(),
        FaultKind::SilentSensor => "sensor is no longer sent".to_owned(),
    }
}

/// Points and running states whose level moves.
fn shows_in(machine: &Machine, planted: &Planted<'_>, air: f64) -> (Vec<String>, Vec<String>) {
    let fault = planted.fault;
    let full_day = if fault.kind.is_slow() { fault.reach_day } else { fault.start_day + FULL_DAYS };
    let effect = planted.effect(full_day * DAY);
    let moves = |point: usize, state: usize| {
        let now = physics::nominal(machine, state, air);
        let healthy = physics::level(machine, point, &now, &Effect::NONE);
        let faulty = physics::level(machine, point, &now, &effect);
        let least = if machine.points[point].model.quantity() == "temperature" {
            SHOWS_KELVIN
        } else {
            SHOWS_SHARE * healthy.abs()
        };
        (faulty - healthy).abs() > least
    };
    let running = 1..machine.states.len();
    let points = (0..machine.points.len()).filter(|p| running.clone().any(|s| moves(*p, s)));
    let states = running.clone().filter(|s| (0..machine.points.len()).any(|p| moves(p, *s)));
    (
        points.map(|point| machine.points[point].name.to_owned()).collect(),
        states.map(|state| machine.states[state].name.to_owned()).collect(),
    )
}

fn limit(machine: &Machine, number: usize, planted: &Planted<'_>, air: f64, rows: &[Row]) -> Option<AboutLimit> {
    let point = machine.point(planted.fault.point)?;
    let (warning_high, alarm_high) = machine.points[point].limits?;
    let reference = machine.reference_state();
    let reaches = |state: usize, limit: f64| reaches(machine, planted, point, state, air, limit);
    Some(AboutLimit {
        warning_high,
        alarm_high,
        unit: machine.points[point].unit.to_owned(),
        state: machine.states[reference].name.to_owned(),
        reaches_warning_at: stamp(reaches(reference, warning_high)),
        reaches_alarm_at: stamp(reaches(reference, alarm_high)),
        first_day_above_alarm: first_day_above(rows, (number as u16, point as u16, reference as u8), alarm_high),
        reaches_alarm_by_state: (1..machine.states.len())
            .map(|state| AboutCrossing {
                state: machine.states[state].name.to_owned(),
                at: stamp(reaches(state, alarm_high)),
            })
            .collect(),
    })
}

/// Seconds after the start at which the noise-free level reaches `limit`.
pub(crate) fn reaches(
    machine: &Machine,
    planted: &Planted<'_>,
    point: usize,
    state: usize,
    air: f64,
    limit: f64,
) -> f64 {
    let now = physics::nominal(machine, state, air);
    let start = planted.fault.start_day * DAY;
    bisect(start, start + SEARCH_DAYS * DAY, |at| physics::level(machine, point, &now, &planted.effect(at)) >= limit)
}

/// The first day whose median in the given state is above `limit`; days with fewer than 12 readings don't count.
fn first_day_above(rows: &[Row], (asset, point, state): (u16, u16, u8), limit: f64) -> Option<String> {
    let mut by_day: std::collections::BTreeMap<i64, Vec<f64>> = std::collections::BTreeMap::new();
    for row in rows.iter().filter(|row| row.asset == asset && row.point == point && row.state == state) {
        by_day.entry(row.secs / DAY as i64).or_default().push(row.value);
    }
    by_day.into_iter().find_map(|(day, mut values)| {
        values.sort_by(f64::total_cmp);
        let median = values.get(values.len() / 2)?;
        let stamp = stamp(day as f64 * DAY);
        (values.len() >= 12 && *median > limit).then(|| stamp.split('T').next().unwrap_or_default().to_owned())
    })
}

fn asset(machine: &Machine, healthy: bool) -> AboutAsset {
    AboutAsset {
        name: machine.name.to_owned(),
        class: machine.class.to_owned(),
        area: machine.area.to_owned(),
        rating_kw: machine.rating_kw,
        rated_speed_rpm: machine.rated_speed_rpm,
        mounting: machine.mounting,
        healthy,
        states: machine
            .states
            .iter()
            .map(|state| AboutState {
                name: state.name.to_owned(),
                speed_rpm: (physics::target_speed(machine, state.speed, state.load) * machine.rated_speed_rpm).round(),
                load_percent: (100.0 * state.load).round(),
            })
            .collect(),
        points: machine
            .points
            .iter()
            .map(|point| AboutPoint {
                name: point.name.to_owned(),
                unit: point.unit.to_owned(),
                quantity: point.model.quantity().to_owned(),
                detection: point.model.detection().map(str::to_owned),
                role: point.model.role().to_owned(),
                resolution: 1.0 / 10_f64.powi(point.decimals),
            })
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::{Fault, telling_point};

    /// Faults are sized by closed form so that the limit is reached on a chosen day; the search over the level knows
    /// nothing of that day and must come out there.
    #[test]
    fn every_slow_fault_reaches_its_limit_on_the_day_it_was_sized_for() {
        let mut checked = 0;
        for seed in 0..5 {
            for machine in site::machines(seed) {
                for kind in FaultKind::ALL.into_iter().filter(|kind| kind.is_slow()) {
                    let Some(point) = telling_point(&machine, kind) else { continue };
                    let fault = Fault { asset: machine.name, kind, point, start_day: 20.0, reach_day: 52.0, size: 0.0 };
                    let planted = Planted::new(&fault, &machine, 22.0);
                    let index = machine.point(point).expect("the telling point exists");
                    let (warning, alarm) = machine.points[index].limits.expect("the telling point has limits");
                    let reference = machine.reference_state();
                    let day = |limit| reaches(&machine, &planted, index, reference, 22.0, limit) / DAY;
                    // Slip lets a motor's speed differ from nominal by a fraction of a per cent.
                    let label = format!("{} {kind:?}: day {}", machine.name, day(alarm));
                    assert!((day(alarm) - 52.0).abs() < 0.3, "{label}");
                    assert!(day(warning) > 20.0 && day(warning) < 52.0, "{label}");
                    checked += 1;
                }
            }
        }
        assert!(checked > 100, "{checked}");
    }

    #[test]
    fn the_healthy_level_is_the_same_on_every_day_before_the_start() {
        let machines = site::machines(1);
        let machine = &machines[6];
        let fault = Fault {
            asset: machine.name,
            kind: FaultKind::BearingWear,
            point: "vib_de_h",
            start_day: 24.0,
            reach_day: 55.0,
            size: 0.0,
        };
        let planted = Planted::new(&fault, machine, 22.0);
        assert!((0..24).all(|day| planted.effect(f64::from(day) * DAY) == Effect::NONE));
        assert_ne!(planted.effect(25.0 * DAY), Effect::NONE);
    }
}
