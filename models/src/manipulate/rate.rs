//! Rate of change per hour over a short window of event time.
//!
//! The window is cut into eight parts. Readings of one part are averaged (value and time), and a straight line is
//! fitted to those averages by least squares, each weighted by its number of readings. So memory does not depend on how
//! often a point reports, uneven spacing does no harm (the averages carry their own times), and a straight line is
//! followed exactly. No answer before the readings span half the window and three parts: over a shorter stretch noise
//! would pass for a rate.
//!
//! Memory: 8·40 bytes. Both order and spacing matter. Not for slow drift over days (see `detect`'s trend test) and not
//! robust against a single wild value: screen first.
//!
//! Source: weighted least squares of a line, any textbook.

use super::usable;
use crate::param::{ParamFault, within};
use crate::{EventTime, Reading};
use serde::{Deserialize, Serialize};

/// Parts the window is cut into.
const PARTS: usize = 8;
/// Parts that must hold readings before a line is fitted.
const LEAST_PARTS: usize = 3;

/// Settings of [`RateOfChange`].
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `window_secs` | none | s | 1e-3 to 1e9 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RateParams {
    /// Length of the window.
    pub window_secs: f64,
}

/// Only [`RateParams::check`] makes one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CheckedRate(RateParams);

impl RateParams {
    /// All faults at once.
    pub fn check(self) -> Result<CheckedRate, Vec<ParamFault>> {
        match within("window_secs", self.window_secs, 1e-3, 1e9) {
            None => Ok(CheckedRate(self)),
            Some(fault) => Err(vec![fault]),
        }
    }
}

/// The readings of one part of the window.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Part {
    first: EventTime,
    last: EventTime,
    /// Mean time after `first`, seconds.
    mean_secs: f64,
    mean_value: f64,
    count: u32,
}

/// State of one rate of change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RateOfChange {
    params: CheckedRate,
    /// Oldest first, [`PARTS`] at most.
    parts: Vec<Part>,
}

impl RateOfChange {
    /// Empty.
    pub fn new(params: CheckedRate) -> Self {
        Self { params, parts: Vec::with_capacity(PARTS) }
    }

    /// Takes a reading and gives the rate, in units of the readings per hour. A reading that is not [`usable()`], or not
    /// later than the last one, leaves the state as it was and gives `None`; so does one after which the window is
    /// still too short.
    pub fn update(&mut self, reading: Reading) -> Option<f64> {
        if self.take(reading) { self.per_hour() } else { None }
    }

    /// Takes a reading without working the rate out, for those who ask for it seldom; `false` when it is none to take.
    pub fn take(&mut self, reading: Reading) -> bool {
        if !usable(reading.value) || self.parts.last().is_some_and(|p| reading.at <= p.last) {
            return false;
        }
        let window_secs = self.params.0.window_secs;
        // A part leaves when its last reading has left the window; the oldest is the first to.
        let gone = |p: &Part| reading.at.secs_since(p.last) > window_secs;
        if self.parts.first().is_some_and(&gone) {
            self.parts.retain(|p| !gone(p));
        }
        let part_secs = window_secs / PARTS as f64;
        match self.parts.last_mut() {
            Some(part) if reading.at.secs_since(part.first) < part_secs => {
                part.count = part.count.saturating_add(1);
                let share = 1.0 / f64::from(part.count);
                part.mean_secs += (reading.at.secs_since(part.first) - part.mean_secs) * share;
                part.mean_value += (reading.value - part.mean_value) * share;
                part.last = reading.at;
            }
            _ => {
                if self.parts.len() == PARTS {
                    self.parts.remove(0);
                }
                let (first, last) = (reading.at, reading.at);
                self.parts.push(Part { first, last, mean_secs: 0.0, mean_value: reading.value, count: 1 });
            }
        }
        true
    }

    /// The rate as it stands, per hour; `None` while the readings span less than half the window.
    pub fn per_hour(&self) -> Option<f64> {
        let (first, last) = (self.parts.first()?, self.parts.last()?);
        let spans_enough = last.last.secs_since(first.first) >= 0.5 * self.params.0.window_secs;
        if self.parts.len() < LEAST_PARTS || !spans_enough {
            return None;
        }
        // Relative to the first part, whose size is the unit: an absolute time would cost the slope its digits.
        let (origin, level) = (first.first, first.mean_value);
        let place = |p: &Part| (p.first.secs_since(origin) + p.mean_secs, p.mean_value - level, f64::from(p.count));
        let (mut sw, mut st, mut sx) = (0.0, 0.0, 0.0);
        for (t, x, w) in self.parts.iter().map(place) {
            sw += w;
            st += w * t;
            sx += w * x;
        }
        let (mean_t, mean_x) = (st / sw, sx / sw);
        let (mut stt, mut stx) = (0.0, 0.0);
        for (t, x, w) in self.parts.iter().map(place) {
            stt += w * (t - mean_t) * (t - mean_t);
            stx += w * (t - mean_t) * (x - mean_x);
        }
        (stt > 0.0).then(|| stx / stt * 3600.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate(window_secs: f64) -> RateOfChange {
        RateOfChange::new(RateParams { window_secs }.check().expect("in range"))
    }

    fn at(secs: f64, value: f64) -> Reading {
        Reading { at: EventTime(1_700_000_000_000_000).plus_secs(secs), value }
    }

    /// Source: closed form, x = 4 + 7.2 t with t in hours.
    #[test]
    fn a_straight_line_at_uneven_times_gives_its_slope() {
        for gaps in [[1.0, 1.0, 1.0], [0.5, 40.0, 3.0], [100.0, 2.0, 77.0]] {
            let mut state = rate(600.0);
            let mut t = 0.0;
            let mut last = None;
            for i in 0..3000 {
                t += gaps[i % 3];
                last = state.update(at(t, 4.0 + 7.2 * t / 3600.0));
                assert!(state.parts.len() <= PARTS);
            }
            let got = last.expect("the window is full");
            assert!((got - 7.2).abs() < 1e-8, "{got} with gaps {gaps:?}");
        }
    }

    /// Source: least squares by hand. Values 0, 0, 3, 1 at 0, 1, 2, 3 h: means 1.5 and 1, Σ(t−t̄)(x−x̄) = 3, Σ(t−t̄)² = 5.
    #[test]
    fn four_points_worked_by_hand() {
        let mut state = rate(4.0 * 3600.0);
        let mut last = None;
        for (hours, value) in [(0.0, 0.0), (1.0, 0.0), (2.0, 3.0), (3.0, 1.0)] {
            last = state.update(at(hours * 3600.0, value));
        }
        assert!((last.expect("spans three quarters") - 0.6).abs() < 1e-12);
    }

    #[test]
    fn memory_is_as_the_page_says() {
        assert_eq!(size_of::<Part>(), 40);
    }

    #[test]
    fn too_short_a_stretch_says_nothing() {
        let mut state = rate(600.0);
        for i in 0..299 {
            assert_eq!(state.update(at(f64::from(i), f64::from(i))), None, "second {i}");
        }
    }

    #[test]
    fn a_gap_longer_than_the_window_starts_afresh() {
        let mut state = rate(600.0);
        (0..600).for_each(|i| {
            state.update(at(f64::from(i), 0.0));
        });
        assert_eq!(state.per_hour(), Some(0.0));
        assert_eq!(state.update(at(5000.0, 50.0)), None);
        assert_eq!(state.parts.len(), 1);
    }
}
