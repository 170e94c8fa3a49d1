//! Which state a machine is run in, and when: commissioning first, then whatever its process asks for.
//!
//! In the first day and a half every running state comes up several times, as a plant has its machines run in; so a
//! baseline of 25 h of run time has seen them all. A pair that takes turns does so every eight hours for three days,
//! so that both are run in, then weekly.

use crate::machine::{Duty, Machine};
use crate::noise::Chance;

const HOUR: f64 = 3600.0;
const WEEK: f64 = 7.0 * 24.0 * HOUR;
/// Running in of a machine on its own, and of a pair.
const COMMISSIONING_SECS: f64 = 36.0 * HOUR;
const COMMISSIONING_PAIR_SECS: f64 = 72.0 * HOUR;
/// Turns of a pair while it is run in.
const SHORT_TURN_SECS: f64 = 8.0 * HOUR;
/// The pump that comes on runs beside the other for this long before that one goes off.
const OVERLAP_SECS: f64 = 20.0 * 60.0;

/// From `from_secs` on the machine is in `state`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Segment {
    pub(crate) from_secs: f64,
    pub(crate) state: usize,
}

/// The states of one machine over the recording, in order of time.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Schedule(Vec<Segment>);

impl Schedule {
    /// Draws a schedule of `days`; `stops` are (start, length) in seconds of maintenance, when it stands still.
    pub(crate) fn new(seed: u64, machine: &Machine, days: u32, stops: &[(f64, f64)]) -> Self {
        let end = f64::from(days) * 24.0 * HOUR;
        let mut chance = Chance::new(seed, &["duty", machine.name]);
        let mut segments = commissioning(machine, &mut chance);
        let mut at = commissioning_secs(machine);
        segments.retain(|segment| segment.from_secs < at);
        let mut state = segments.last().map_or(0, |segment| segment.state);
        while at < end {
            state = next_state(machine, state, &mut chance);
            segments.push(Segment { from_secs: at, state });
            at += dwell(machine, state, &mut chance);
        }
        let mut schedule = Self(segments);
        if let Duty::Turns { first } = machine.duty {
            for (from, to) in off_duty(first, end) {
                schedule.stand_still(from, to);
            }
        }
        for (start, length) in stops {
            schedule.stand_still(*start, start + length);
        }
        schedule
    }

    /// The state at `secs`.
    pub(crate) fn state_at(&self, secs: f64) -> usize {
        let after = self.0.partition_point(|segment| segment.from_secs <= secs);
        self.0[..after].last().map_or(0, |segment| segment.state)
    }

    /// Cuts a standstill into the schedule; afterwards it goes on with what would have been.
    fn stand_still(&mut self, from: f64, to: f64) {
        let resumed = self.state_at(to);
        self.0.retain(|segment| segment.from_secs < from || segment.from_secs > to);
        self.0.push(Segment { from_secs: from, state: 0 });
        self.0.push(Segment { from_secs: to, state: resumed });
        self.0.sort_by(|a, b| a.from_secs.total_cmp(&b.from_secs));
    }
}

fn commissioning_secs(machine: &Machine) -> f64 {
    match machine.duty {
        Duty::Own => COMMISSIONING_SECS,
        Duty::Turns { .. } => COMMISSIONING_PAIR_SECS,
    }
}

/// Rounds through all running states in random order, with one stop after the second round.
fn commissioning(machine: &Machine, chance: &mut Chance) -> Vec<Segment> {
    let end = commissioning_secs(machine);
    let mut segments = Vec::new();
    let mut order: Vec<usize> = (1..machine.states.len()).collect();
    let (mut at, mut round) = (0.0, 0);
    while at < end && !order.is_empty() {
        let last = segments.last().map(|segment: &Segment| segment.state);
        chance.shuffle(&mut order);
        if order.len() > 1 && order.first().copied() == last {
            order.rotate_left(1);
        }
        for state in &order {
            segments.push(Segment { from_secs: at, state: *state });
            // A state of short stays keeps them, a state of long ones is cut to a few hours.
            at += chance.between(1.6, 2.8).min(dwell(machine, *state, chance) / HOUR) * HOUR;
        }
        round += 1;
        // A machine that stops all the time by itself does so while it is run in, too.
        let stops_often = machine.stops_often();
        if round == 2 || stops_often {
            segments.push(Segment { from_secs: at, state: 0 });
            at += if stops_often { dwell(machine, 0, chance) } else { 2.0 * HOUR };
        }
    }
    segments
}

fn next_state(machine: &Machine, current: usize, chance: &mut Chance) -> usize {
    let weight = |(index, state): (usize, &crate::machine::State)| if index == current { 0.0 } else { state.weight };
    let weights: Vec<f64> = machine.states.iter().enumerate().map(weight).collect();
    chance.weighted(&weights)
}

fn dwell(machine: &Machine, state: usize, chance: &mut Chance) -> f64 {
    let (shortest, longest) = machine.states[state].dwell_hours;
    // Stays are spread evenly in their logarithm: many short ones, a few long ones.
    (chance.between(shortest.ln(), longest.ln())).exp() * HOUR
}

/// Times at which one of a pair stands by.
fn off_duty(first: bool, end: f64) -> Vec<(f64, f64)> {
    let mut changes: Vec<f64> = Vec::new();
    let mut at = 0.0;
    while at < end + WEEK {
        changes.push(at);
        at += if at < COMMISSIONING_PAIR_SECS { SHORT_TURN_SECS } else { WEEK };
    }
    let stands_by = |turn: usize| turn.is_multiple_of(2) != first;
    let spells = changes.windows(2).enumerate().filter(|(turn, _)| stands_by(*turn));
    spells.map(|(_, w)| (if w[0] > 0.0 { w[0] + OVERLAP_SECS } else { 0.0 }, w[1])).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site;

    #[test]
    fn every_running_state_comes_up_twice_before_its_baseline_is_learned() {
        for seed in 0..30 {
            for machine in site::machines(seed) {
                let schedule = Schedule::new(seed, &machine, 10, &[]);
                // 25 h of run time, counted in minutes.
                let (mut run, mut minute) = (0, 0);
                let mut minutes_in = vec![0; machine.states.len()];
                let mut visits = vec![0; machine.states.len()];
                let mut last = 0;
                while run < 25 * 60 {
                    assert!(minute < 9 * 24 * 60, "{} does not run 25 h in nine days", machine.name);
                    let state = schedule.state_at(f64::from(minute) * 60.0);
                    minute += 1;
                    if state != last {
                        visits[state] += 1;
                        last = state;
                    }
                    minutes_in[state] += 1;
                    run += i32::from(state > 0);
                }
                for state in 1..machine.states.len() {
                    let name = machine.states[state].name;
                    assert!(visits[state] >= 2, "seed {seed} {} {name}: {visits:?}", machine.name);
                    // At five minutes' cadence 40 readings.
                    assert!(minutes_in[state] >= 200, "seed {seed} {} {name}: {minutes_in:?}", machine.name);
                }
            }
        }
    }

    #[test]
    fn a_pair_takes_turns_and_one_always_runs() {
        let machines = site::machines(3);
        let pair: Vec<_> = machines.iter().filter(|m| m.duty != Duty::Own).collect();
        assert_eq!(pair.len(), 2);
        let schedules: Vec<_> = pair.iter().map(|m| Schedule::new(3, m, 30, &[])).collect();
        let both = |hour: f64| schedules.iter().filter(|s| s.state_at(hour * HOUR) > 0).count();
        let mut one = 0;
        for hour in 73..(30 * 24) {
            let running = both(f64::from(hour) + 0.5);
            // Planned stops of the pump on duty are part of the plan; never do both run for long.
            assert!(running <= 1, "hour {hour}");
            one += running;
        }
        assert!(one > 600, "{one}");
    }
}
