//! Two-sided tabular cumulative sum: a sudden, lasting change of the mean, up or down, and when it began.
//!
//! high ← max(0, high + z - k), low ← max(0, low - z - k); a side has crossed when its sum exceeds h. z: a reading in
//! standard deviations of its baseline. The order of readings matters, their spacing does not, so irregular input and
//! gaps are fine. One per point and operating state, 88 bytes; no allocation.
//!
//! The onset is the last reading at which the crossing sum stood at zero: the maximum-likelihood place of the change is
//! just after it. k plus the sum over the number of readings since then estimates the size of the change.
//!
//! When *not* to use it: on readings that are strongly autocorrelated (false signals come much more often than
//! [`super::arl`] says: average or thin them first), or for a slow drift, which [`super::trend_test`] finds earlier.
//! Source: Page (1954), Biometrika 41; head start and notation of Lucas and Crosier (1982), Technometrics 24(3);
//! estimates of onset and size as in NIST/SEMATECH e-Handbook 6.3.2.3 and the textbooks, from memory.

use crate::param::{ParamFault, positive, within};
use crate::{EventTime, Reading};
use serde::{Deserialize, Serialize};

/// Settings of the cumulative sum.
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `slack_sigmas` (k) | 0.5 | baseline standard deviations; half the change to be found | above 0 |
/// | `limit_sigmas` (h) | 5 | baseline standard deviations; a false signal every 465 independent readings | above 0 |
/// | `head_start_share` | 0 | of the limit, at the start and after [`Cusum::reset`]; 0.5 answers faster | 0 to 0.95 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CusumParams {
    /// k.
    pub slack_sigmas: f64,
    /// h.
    pub limit_sigmas: f64,
    /// Where both sums start, as share of h.
    pub head_start_share: f64,
}

impl Default for CusumParams {
    fn default() -> Self {
        Self { slack_sigmas: 0.5, limit_sigmas: 5.0, head_start_share: 0.0 }
    }
}

impl CusumParams {
    /// All faults at once, or settings that can be used.
    ///
    /// # Errors
    /// Every setting out of its range.
    pub fn check(self) -> Result<CheckedCusum, Vec<ParamFault>> {
        let faults: Vec<_> = [
            positive("slack_sigmas", self.slack_sigmas),
            positive("limit_sigmas", self.limit_sigmas),
            within("head_start_share", self.head_start_share, 0.0, 0.95),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(CheckedCusum(self)) } else { Err(faults) }
    }
}

/// Settings that passed [`CusumParams::check`], which is the only way to one, also for a stored state.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "CusumParams", into = "CusumParams")]
pub struct CheckedCusum(CusumParams);

impl CheckedCusum {
    /// The settings.
    pub fn get(&self) -> CusumParams {
        self.0
    }
}

impl TryFrom<CusumParams> for CheckedCusum {
    type Error = ParamFault;
    fn try_from(params: CusumParams) -> Result<Self, ParamFault> {
        params.check().map_err(|mut faults| faults.swap_remove(0))
    }
}

impl From<CheckedCusum> for CusumParams {
    fn from(checked: CheckedCusum) -> Self {
        checked.0
    }
}

/// Keeps a sum that nobody resets from running into infinity; far above any limit.
const SUM_CEILING: f64 = 1e12;

/// Stands for no time in half the room of an `Option`: two of these are kept per point and state.
const NEVER: EventTime = EventTime(i64::MIN);

/// Stored as an `Option`.
mod since {
    use super::{EventTime, NEVER};
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(at: &EventTime, to: S) -> Result<S::Ok, S::Error> {
        Some(*at).filter(|at| *at != NEVER).serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<EventTime, D::Error> {
        Ok(Option::deserialize(from)?.unwrap_or(NEVER))
    }
}

/// One side's memory.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Sum {
    sigmas: f64,
    /// When the sum last stood at zero (or, before that ever happened, the first reading); [`NEVER`] before any reading.
    #[serde(with = "since")]
    zero_at: EventTime,
    /// Readings since then.
    run: u32,
}

/// The state of both sums without their settings, for those who keep many under the same ones.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sums {
    high: Sum,
    low: Sum,
}

impl Sums {
    /// Both sums at their start.
    pub fn new(params: &CheckedCusum) -> Self {
        let start = Sum { sigmas: params.0.head_start_share * params.0.limit_sigmas, zero_at: NEVER, run: 0 };
        Self { high: start, low: start }
    }

    /// As [`Cusum::update`], under these settings.
    pub fn update(&mut self, params: &CheckedCusum, reading: Reading) -> Option<CusumStep> {
        if !reading.value.is_finite() {
            return None;
        }
        Some(CusumStep {
            at: reading.at,
            high: self.high.add(reading.value, reading.at, params.0, 1.0),
            low: self.low.add(-reading.value, reading.at, params.0, -1.0),
        })
    }
}

/// Both sums with their settings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cusum {
    params: CheckedCusum,
    sums: Sums,
}

/// One side after a reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CusumSide {
    /// The sum, in baseline standard deviations.
    pub sum_sigmas: f64,
    /// The sum over the limit: 1 is the limit, it can be more.
    pub share_of_limit: f64,
    /// The sum exceeds the limit.
    pub crossed: bool,
    /// The last reading at which the sum was zero; `None` while it is zero. Before it was ever zero (after a head
    /// start), the first reading.
    pub onset: Option<EventTime>,
    /// Estimated size of the change since the onset, baseline standard deviations, signed; 0 while the sum is zero.
    pub shift_sigmas: f64,
}

/// Both sides after a reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CusumStep {
    /// The reading's time.
    pub at: EventTime,
    /// The rise.
    pub high: CusumSide,
    /// The fall.
    pub low: CusumSide,
}

impl CusumStep {
    /// The side that stands higher; the rise when they are equal.
    pub fn leading(&self) -> &CusumSide {
        if self.low.sum_sigmas > self.high.sum_sigmas { &self.low } else { &self.high }
    }

    /// Either side exceeds the limit.
    pub fn crossed(&self) -> bool {
        self.high.crossed || self.low.crossed
    }
}

impl Cusum {
    /// Both sums at their start.
    pub fn new(params: CheckedCusum) -> Self {
        Self { params, sums: Sums::new(&params) }
    }

    /// Back to the start, as after a signal that was dealt with. The caller decides; until then the sums go on.
    pub fn reset(&mut self) {
        *self = Self::new(self.params);
    }

    /// The settings it runs under.
    pub fn params(&self) -> CusumParams {
        self.params.0
    }

    /// `reading.value` in standard deviations of its baseline. One that is not finite leaves the state as it was and
    /// gives `None`.
    pub fn update(&mut self, reading: Reading) -> Option<CusumStep> {
        self.sums.update(&self.params, reading)
    }
}

impl Sum {
    fn add(&mut self, z: f64, at: EventTime, params: CusumParams, sign: f64) -> CusumSide {
        let CusumParams { slack_sigmas: k, limit_sigmas: h, .. } = params;
        self.sigmas = (self.sigmas + z - k).clamp(0.0, SUM_CEILING);
        if self.sigmas == 0.0 {
            self.zero_at = at;
            self.run = 0;
            return CusumSide { sum_sigmas: 0.0, share_of_limit: 0.0, crossed: false, onset: None, shift_sigmas: 0.0 };
        }
        if self.zero_at == NEVER {
            self.zero_at = at;
        }
        self.run = self.run.saturating_add(1);
        CusumSide {
            sum_sigmas: self.sigmas,
            share_of_limit: self.sigmas / h,
            crossed: self.sigmas > h,
            onset: Some(self.zero_at),
            shift_sigmas: sign * (k + self.sigmas / f64::from(self.run)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(second: i64, value: f64) -> Reading {
        Reading { at: EventTime(second * 1_000_000), value }
    }

    fn new(head_start_share: f64) -> Cusum {
        Cusum::new(CusumParams { head_start_share, ..CusumParams::default() }.check().unwrap())
    }

    #[test]
    fn every_setting_out_of_range_is_named() {
        let faults =
            CusumParams { slack_sigmas: f64::NAN, limit_sigmas: 0.0, head_start_share: 1.0 }.check().unwrap_err();
        let names: Vec<_> = faults.iter().map(|f| f.name).collect();
        assert_eq!(names, ["slack_sigmas", "limit_sigmas", "head_start_share"]);
        assert!(
            serde_json::from_str::<CheckedCusum>(r#"{"slack_sigmas":0.5,"limit_sigmas":-5,"head_start_share":0}"#)
                .is_err()
        );
    }

    #[test]
    fn onset_is_the_last_reading_at_zero_and_the_size_is_near_the_step() {
        // Exact steps: 20 readings on the mean, then 2 standard deviations below it, at uneven times.
        let mut cusum = new(0.0);
        let times: Vec<i64> = (0..40).map(|i| i * i).collect();
        let steps: Vec<_> = times
            .iter()
            .enumerate()
            .map(|(i, &t)| cusum.update(at(t, if i < 20 { 0.0 } else { -2.0 })).unwrap())
            .collect();
        // 1.5 a reading: 1.5, 3, 4.5, 6: crosses at the fourth.
        let first = steps.iter().position(CusumStep::crossed).unwrap();
        assert_eq!(first, 23);
        let low = steps[first].leading();
        assert_eq!(low.onset, Some(EventTime(19 * 19 * 1_000_000)));
        assert_eq!(low.shift_sigmas, -2.0);
        assert_eq!(low.share_of_limit, 1.2);
    }

    #[test]
    fn extreme_values_stay_finite() {
        let mut cusum = new(0.5);
        for _ in 0..5 {
            let step = cusum.update(at(0, f64::MAX)).unwrap();
            assert!(step.high.sum_sigmas.is_finite() && step.high.crossed && !step.low.crossed);
        }
    }

    proptest! {
        #[test]
        fn resume_equals_straight_through(values in prop::collection::vec(-6.0..6.0f64, 1..80), cut in 0usize..80) {
            let (mut straight, mut cut_up) = (new(0.25), new(0.25));
            for (i, &value) in values.iter().enumerate() {
                if i == cut {
                    cut_up = postcard::from_bytes(&postcard::to_stdvec(&cut_up).unwrap()).unwrap();
                }
                prop_assert_eq!(straight.update(at(i as i64, value)), cut_up.update(at(i as i64, value)));
            }
            prop_assert_eq!(straight, cut_up);
        }

        #[test]
        fn a_value_that_is_not_finite_changes_nothing(values in prop::collection::vec(-6.0..6.0f64, 1..40)) {
            let mut cusum = new(0.0);
            for (i, &value) in values.iter().enumerate() {
                cusum.update(at(i as i64, value));
                let before = cusum.clone();
                for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
                    prop_assert_eq!(cusum.update(at(i as i64, bad)), None);
                }
                prop_assert_eq!(&before, &cusum);
            }
        }

        #[test]
        fn turning_the_readings_round_swaps_the_sides(values in prop::collection::vec(-6.0..6.0f64, 1..80)) {
            let (mut up, mut down) = (new(0.0), new(0.0));
            for (i, &value) in values.iter().enumerate() {
                let a = up.update(at(i as i64, value)).unwrap();
                let b = down.update(at(i as i64, -value)).unwrap();
                prop_assert_eq!(a.high.sum_sigmas, b.low.sum_sigmas);
                prop_assert_eq!(a.low.onset, b.high.onset);
            }
        }
    }
}
