//! Running or stopped, from one signal of the machine, with the level learned as it goes.
//!
//! A machine runs when its signal is above a share of the highest level it has held. The highest level is the
//! largest value that two successive readings reached, so that one spike does not set it. On and off shares differ,
//! so that a reading near the edge does not flap.
//!
//! One per asset, 48 bytes; the order of readings matters, their spacing does not.
//! Shares are ours: speed, current and power of a stopped machine are near zero; vibration is not, because
//! neighbours shake it (common practice). Not for machines whose normal running spans more than a decade of the signal.

use serde::{Deserialize, Serialize};

/// What kind of signal tells running from stopped: decides the shares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum RunSignal {
    /// Shaft speed, /min.
    Speed,
    /// Current, power or load.
    Drive,
    /// A vibration level.
    Vibration,
}

impl RunSignal {
    /// (on, off) as shares of the highest level held.
    fn shares(self) -> (f64, f64) {
        match self {
            RunSignal::Speed => (0.10, 0.07),
            RunSignal::Drive => (0.15, 0.10),
            RunSignal::Vibration => (0.25, 0.20),
        }
    }

    /// Below this nothing runs, whatever was seen before: shaft speeds under a barring gear's, /min.
    fn least(self) -> f64 {
        match self {
            RunSignal::Speed => 20.0,
            RunSignal::Drive | RunSignal::Vibration => 0.0,
        }
    }
}

/// Running or stopped.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Running {
    signal: RunSignal,
    top: f64,
    before: f64,
    on: bool,
}

impl Running {
    /// `rated`: the signal's rated value where the plate gives one, so that a machine first seen stopped or
    /// turning slowly is not taken for running.
    pub fn new(signal: RunSignal, rated: Option<f64>) -> Self {
        // Half the rating: many machines are run well below it.
        let top = rated.filter(|r| r.is_finite() && *r > 0.0).map_or(0.0, |r| 0.5 * r);
        Self { signal, top, before: 0.0, on: false }
    }

    /// Takes the signal's next value. A value that is not finite changes nothing.
    /// Returns whether the machine runs.
    pub fn update(&mut self, value: f64) -> bool {
        if !value.is_finite() {
            return self.on;
        }
        let level = value.abs();
        self.top = self.top.max(level.min(self.before));
        self.before = level;
        let (on, off) = self.signal.shares();
        let share = if self.on { off } else { on };
        self.on = level > (share * self.top).max(self.signal.least()) && level > 0.0;
        self.on
    }

    /// Whether the machine ran at the last reading.
    pub fn is_on(&self) -> bool {
        self.on
    }

    /// The level below which a reading counts as stopped, in the signal's unit: rows learned before the machine was
    /// ever seen at speed are dropped by it.
    pub fn stopped_below(&self) -> f64 {
        (self.signal.shares().1 * self.top).max(self.signal.least())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_spike_does_not_set_the_level() {
        let mut r = Running::new(RunSignal::Drive, None);
        for _ in 0..5 {
            r.update(10.0);
        }
        r.update(1000.0);
        assert!(r.update(10.0));
        assert_eq!(r.stopped_below(), 1.0);
    }

    #[test]
    fn stops_below_the_off_share_and_starts_above_the_on_share() {
        let mut r = Running::new(RunSignal::Drive, None);
        r.update(10.0);
        r.update(10.0);
        assert!(r.update(1.2), "between off and on it stays on");
        assert!(!r.update(0.9));
        assert!(!r.update(1.2), "between off and on it stays off");
        assert!(r.update(1.6));
    }

    #[test]
    fn a_barring_gear_is_not_running() {
        let mut r = Running::new(RunSignal::Speed, Some(1500.0));
        assert!(!r.update(8.0));
        assert!(!r.update(8.0));
        assert!(r.update(1480.0));
    }

    #[test]
    fn not_finite_changes_nothing() {
        let mut r = Running::new(RunSignal::Drive, None);
        r.update(10.0);
        r.update(10.0);
        let before = r.clone();
        assert!(r.update(f64::NAN));
        assert_eq!(r, before);
    }
}
