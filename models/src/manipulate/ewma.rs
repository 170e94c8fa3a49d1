//! Exponentially weighted mean and variance over event time, for readings at any spacing.
//!
//! A reading Δ seconds after the last one gets the weight w = 1 − exp(−Δ/τ):
//! mean ← mean + w·d with d = x − mean, variance ← (1 − w)·(variance + w·d²).
//! At equal spacing this is the textbook chart with λ = w. The variance is that of the weights as they stand (divisor
//! 1, no small-sample correction); [`Ewma::settled`] says how much of the weight has come in since the first reading.
//!
//! Memory: 48 bytes. Both order and spacing matter. Not for a level that jumps between operating states (keep one per
//! state), and not where single wild values occur (see `window`).
//!
//! Source: Roberts (1959), Technometrics 1(3), for the mean; Finch (2009), "Incremental calculation of weighted mean
//! and variance", for the variance (from memory); the weight for uneven spacing is the exact solution of a first-order
//! lag with time constant τ and held input.

use super::remembered::Remembered;
use super::usable;
use crate::param::{ParamFault, within};
use crate::{EventTime, Reading};
use serde::{Deserialize, Serialize};

/// Settings of [`Ewma`].
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `time_constant_secs` (τ) | none | s | 1e-6 to 1e10 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EwmaParams {
    /// After this long a step of the input has come through to 63 %.
    pub time_constant_secs: f64,
}

/// Only [`EwmaParams::check`] makes one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CheckedEwma(EwmaParams);

impl EwmaParams {
    /// All faults at once.
    pub fn check(self) -> Result<CheckedEwma, Vec<ParamFault>> {
        match within("time_constant_secs", self.time_constant_secs, 1e-6, 1e10) {
            None => Ok(CheckedEwma(self)),
            Some(fault) => Err(vec![fault]),
        }
    }
}

/// Mean and variance after a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighted {
    /// Exponentially weighted mean, the unit of the readings.
    pub mean: f64,
    /// Exponentially weighted variance, that unit squared.
    pub variance: f64,
}

/// State of one exponentially weighted mean.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ewma {
    params: CheckedEwma,
    span: Option<Span>,
    mean: f64,
    variance: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Span {
    first: EventTime,
    last: EventTime,
}

impl Ewma {
    /// Starts with the first reading, which then is the mean.
    pub fn new(params: CheckedEwma) -> Self {
        Self { params, span: None, mean: 0.0, variance: 0.0 }
    }

    /// Starts from a known level, as a control chart does. A level that is not [`usable()`] is as none.
    pub fn starting_at(params: CheckedEwma, at: EventTime, level: f64) -> Self {
        let mut ewma = Self::new(params);
        ewma.update(Reading { at, value: level });
        ewma
    }

    /// Takes a reading. One that is not [`usable()`], or not later than the last one taken, leaves the state as it was
    /// and gives `None`.
    #[inline]
    pub fn update(&mut self, reading: Reading) -> Option<Weighted> {
        self.update_with(reading, &mut Remembered::default())
    }

    /// [`Ewma::update`] for one of many that mostly get their readings at the same spacing.
    #[inline]
    pub fn update_with(&mut self, reading: Reading, weight: &mut Remembered) -> Option<Weighted> {
        if !usable(reading.value) {
            return None;
        }
        match &mut self.span {
            None => {
                self.span = Some(Span { first: reading.at, last: reading.at });
                self.mean = reading.value;
            }
            Some(span) => {
                if reading.at <= span.last {
                    return None;
                }
                let gap = reading.at.secs_since(span.last) / self.params.0.time_constant_secs;
                // exp_m1 keeps the digits of a weight far below one.
                let weight = weight.of(gap, |gap| -(-gap).exp_m1());
                span.last = reading.at;
                let delta = reading.value - self.mean;
                self.mean += weight * delta;
                self.variance = (1.0 - weight) * (self.variance + weight * delta * delta);
            }
        }
        self.current()
    }

    /// Mean and variance as they stand; `None` before the first reading.
    pub fn current(&self) -> Option<Weighted> {
        self.span.map(|_| Weighted { mean: self.mean, variance: self.variance })
    }

    /// Share of the weight that came in after the first reading, 0 to 1: 0.95 after three time constants. Below
    /// about that the mean leans on the first reading and the variance is too small.
    pub fn settled(&self) -> f64 {
        self.span.map_or(0.0, |s| -(-s.last.secs_since(s.first) / self.params.0.time_constant_secs).exp_m1())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ewma(tau: f64) -> Ewma {
        Ewma::new(EwmaParams { time_constant_secs: tau }.check().expect("in range"))
    }

    fn at(secs: f64, value: f64) -> Reading {
        Reading { at: EventTime(0).plus_secs(secs), value }
    }

    #[test]
    fn parameters_that_are_no_time_are_refused_by_name() {
        for tau in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            let faults = EwmaParams { time_constant_secs: tau }.check().expect_err("out of range");
            assert_eq!(faults[0].name, "time_constant_secs");
        }
    }

    /// Source: the definition, summed directly: the first reading has the weight exp(−(t_n − t_1)/τ), reading i the
    /// weight (1 − exp(−Δ_i/τ))·exp(−(t_n − t_i)/τ); mean and variance are those of the weighted values.
    #[test]
    fn uneven_spacing_gives_the_weighted_mean_and_variance_of_the_definition() {
        let tau = 40.0;
        let readings = [(0.0, 3.0), (7.0, -1.0), (8.5, 2.0), (60.0, 5.5), (61.0, 4.0), (200.0, 4.5), (203.0, 9.0)];
        let mut state = ewma(tau);
        let mut got = None;
        for (t, x) in readings {
            got = state.update(at(t, x));
        }
        let end = readings[readings.len() - 1].0;
        let weights: Vec<f64> = (0..readings.len())
            .map(|i| {
                let own = if i == 0 { 1.0 } else { 1.0 - f64::exp(-(readings[i].0 - readings[i - 1].0) / tau) };
                own * f64::exp(-(end - readings[i].0) / tau)
            })
            .collect();
        let mean: f64 = weights.iter().zip(readings).map(|(w, (_, x))| w * x).sum();
        let variance: f64 = weights.iter().zip(readings).map(|(w, (_, x))| w * (x - mean) * (x - mean)).sum();
        let got = got.expect("a later, finite reading");
        // Rounding of seven steps.
        assert!(
            (got.mean - mean).abs() < 1e-13 && (got.variance - variance).abs() < 1e-12,
            "{got:?} {mean} {variance}"
        );
    }

    #[test]
    fn memory_is_as_the_page_says() {
        assert_eq!(size_of::<Ewma>(), 48);
    }

    #[test]
    fn a_step_has_come_through_to_63_percent_after_one_time_constant() {
        let mut state = ewma(100.0);
        state.update(at(0.0, 0.0));
        // Cut the way there as you like: held input makes it the same.
        for t in [1.0, 30.0, 31.0, 99.0, 100.0] {
            state.update(at(t, 1.0));
        }
        let share = 1.0 - f64::exp(-1.0);
        assert!((state.current().expect("started").mean - share).abs() < 1e-12);
        assert!((state.settled() - share).abs() < 1e-12);
    }

    #[test]
    fn a_reading_that_is_not_later_changes_nothing() {
        let mut state = ewma(10.0);
        state.update(at(5.0, 1.0));
        let before = state.clone();
        assert_eq!(state.update(at(5.0, 9.0)), None);
        assert_eq!(state.update(at(4.0, 9.0)), None);
        assert_eq!(state, before);
    }
}
