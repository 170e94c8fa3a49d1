//! A change of set-up: when a machine, or its data, comes back from a pause, all its points stand at one factor of what is
//! expected of them. A fault seldom does that to points of several kinds, or to several machines at once; a moved sensor
//! rack, another gain, another product or tool does. Vibration alone, of one machine, is no such sign: one that was left
//! loose in a stop shakes more at all its points.
//!
//! It is said as what it looks like, and no limit that was learned makes it more than an advisory. Limits that a person or
//! a standard set stand, and from [`MOST_FACTOR`] on it is never taken for one. Temperatures are left out: they have no
//! factor, and a machine that comes back is cold.
//!
//! The thresholds are ours.

use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};

/// Snapshots after a pause from which it is looked for, and up to which it is found.
const LEAST_SNAPSHOTS: u32 = 3;
const MOST_SNAPSHOTS: u32 = 24;
/// Less is no change, and this much or more is worth a look whatever it is (common practice: twice the level is an alarm).
const LEAST_FACTOR: f64 = 1.15;
const MOST_FACTOR: f64 = 2.0;
/// Points are at one factor when their logarithms lie this close to the middle, plus a share of it.
const ALIKE: f64 = 0.06;
const ALIKE_SHARE: f64 = 0.2;
/// So far a point may wander from the factor later, logarithm.
const STAYS: f64 = 0.2;
/// Points that must agree, of a machine or of all machines of a group that came back.
pub const LEAST_POINTS: u32 = 3;

/// All points of a machine at one factor since a pause.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shift {
    /// Logarithm of observed over expected.
    pub log_factor: f64,
    /// Points compared.
    pub points: u32,
    /// When it came back.
    pub since: EventTime,
}

/// Follows a machine over its pauses.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SetUps {
    trial: Option<Trial>,
    shift: Option<Shift>,
    /// Running means of the logarithms, once the trial is over.
    means: Vec<f64>,
}

/// The first snapshots after a pause.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Trial {
    since: EventTime,
    count: u32,
    /// Sums of the logarithms per point; NaN once one could not be taken.
    sums: Vec<f64>,
}

impl Shift {
    /// Whether another machine's is of the same size, within what is asked of the points of one.
    pub fn is_like(&self, other: &Shift) -> bool {
        let middle = 0.5 * (self.log_factor + other.log_factor);
        (self.log_factor - other.log_factor).abs() <= 2.0 * within(middle)
    }
}

fn within(middle: f64) -> f64 {
    ALIKE + ALIKE_SHARE * middle.abs()
}

impl SetUps {
    /// The machine, or its data, came back. `sound`: nothing was found before; a machine that was odd before its pause and
    /// is afterwards has not been set up anew.
    pub fn resumed(&mut self, at: EventTime, sound: bool, points: usize) {
        if self.shift.is_none() {
            self.trial = sound.then(|| Trial { since: at, count: 0, sums: vec![0.0; points] });
        }
    }

    /// Takes a scored snapshot: per point the logarithm of its value over what was expected; NaN of a point without one.
    pub fn update(&mut self, logs: &[(usize, f64)]) {
        let Some(trial) = self.trial.as_mut() else {
            if let Some(shift) = self.shift {
                let mut stays = true;
                for (point, log) in logs.iter().filter(|(_, log)| log.is_finite()) {
                    let Some(mean) = self.means.get_mut(*point) else { continue };
                    *mean += (log - *mean) / f64::from(MOST_SNAPSHOTS);
                    stays &= (*mean - shift.log_factor).abs() <= STAYS;
                }
                self.shift = stays.then_some(shift);
            }
            return;
        };
        trial.count += 1;
        for (point, log) in logs {
            if let Some(sum) = trial.sums.get_mut(*point) {
                *sum += log;
            }
        }
        if trial.count >= LEAST_SNAPSHOTS {
            let count = f64::from(trial.count);
            let means: Vec<f64> = logs.iter().filter_map(|(point, _)| Some(trial.sums.get(*point)? / count)).collect();
            let since = trial.since;
            self.shift = factor(means).map(|(log_factor, points)| Shift { log_factor, points, since });
        }
        if trial.count >= MOST_SNAPSHOTS {
            let count = f64::from(trial.count);
            self.means = trial.sums.iter().map(|sum| sum / count).collect();
            self.trial = None;
        }
    }

    /// Whether there is nothing to follow.
    pub fn is_idle(&self) -> bool {
        self.trial.is_none() && self.shift.is_none()
    }

    /// When it came back, while it is too early to tell.
    pub fn undecided(&self) -> Option<EventTime> {
        self.trial.as_ref().filter(|trial| trial.count < LEAST_SNAPSHOTS).map(|trial| trial.since)
    }

    /// What it looks like now, whether or not it is enough of them to say so.
    pub fn shift(&self) -> Option<&Shift> {
        self.shift.as_ref()
    }

    /// What is normal is learned anew: also what was set up is.
    pub fn forget(&mut self) {
        *self = Self::default();
    }
}

/// The middle of logarithms that all lie close to it, and how many there are.
fn factor(mut logs: Vec<f64>) -> Option<(f64, u32)> {
    if logs.iter().any(|log| !log.is_finite()) {
        return None;
    }
    logs.sort_by(f64::total_cmp);
    let middle = *logs.get(logs.len() / 2)?;
    let size = middle.abs();
    let alike = logs.iter().all(|log| (log - middle).abs() <= within(middle));
    (alike && size >= LEAST_FACTOR.ln() && size < MOST_FACTOR.ln()).then_some((middle, logs.len() as u32))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(factors: &[f64]) -> Option<Shift> {
        let mut set_ups = SetUps::default();
        set_ups.resumed(EventTime(5), true, factors.len());
        for _ in 0..LEAST_SNAPSHOTS {
            set_ups.update(&factors.iter().map(|f| f.ln()).enumerate().collect::<Vec<_>>());
        }
        set_ups.shift().copied()
    }

    #[test]
    fn one_factor_of_all_points_is_a_shift_and_nothing_else_is() {
        let found = after(&[1.4, 1.35, 1.45, 1.42]).expect("alike");
        assert!((found.log_factor.exp() - 1.42).abs() < 0.02 && found.points == 4, "{found:?}");
        assert!(after(&[0.7, 0.72, 0.69]).is_some(), "downwards too");
        assert_eq!(after(&[1.4, 1.4, 1.0]), None, "one point has not moved");
        assert_eq!(after(&[1.4, 1.4, 1.9]), None, "one has moved further");
        assert_eq!(after(&[1.05, 1.06, 1.05]), None, "too little to mean anything");
        assert_eq!(after(&[2.2, 2.2, 2.2]), None, "twice the level is worth a look whatever it is");
        assert_eq!(after(&[1.4, f64::NAN, 1.4]), None, "a point without a value agrees with nobody");
    }

    #[test]
    fn it_is_found_behind_a_pause_only_and_ends_when_one_point_goes_its_own_way() {
        let logs = |last: f64| [(0, 0.3), (1, 0.31), (2, last)];
        let mut never = SetUps::default();
        let mut unsound = SetUps::default();
        unsound.resumed(EventTime(5), false, 3);
        let mut sound = SetUps::default();
        sound.resumed(EventTime(5), true, 3);
        for _ in 0..MOST_SNAPSHOTS {
            [&mut never, &mut unsound, &mut sound].into_iter().for_each(|s| s.update(&logs(0.3)));
        }
        assert!(never.shift().is_none() && unsound.shift().is_none());
        sound.resumed(EventTime(9), false, 3);
        sound.update(&logs(f64::NAN));
        assert_eq!(sound.shift().map(|s| s.since), Some(EventTime(5)), "another pause changes nothing");
        for _ in 0..2 * MOST_SNAPSHOTS {
            sound.update(&logs(0.6));
        }
        assert!(sound.shift().is_none());
    }
}
