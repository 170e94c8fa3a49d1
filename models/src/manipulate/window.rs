//! Rolling median and MAD over the last N values, N up to 64.
//!
//! A new value takes the oldest one's place and costs no more than that: answers are asked for far less often than
//! values come. For an answer the values are sorted on the stack, the median is their middle, and the MAD is found by
//! walking outwards from there. Nothing is allocated after the first N values.
//!
//! Memory: 8·N bytes. Order matters, spacing does not: N counts readings, whatever time they cover. Fewer than half of
//! the N values may be wild before median and MAD follow them.
//!
//! Source: Hampel (1974), JASA 69, for the MAD as the natural scale beside the median.

use super::robust::{MAD_TO_SIGMA, quantile_of_sorted};
use super::usable;
use crate::param::{ParamFault, within};
use serde::{Deserialize, Serialize};

/// Longest window.
pub const LONGEST: usize = 64;

/// Settings of [`RollingMedian`].
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `length` (N) | none | readings | 1 to 64 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WindowParams {
    /// Readings in the window.
    pub length: usize,
}

/// Only [`WindowParams::check`] makes one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CheckedWindow(WindowParams);

impl WindowParams {
    /// All faults at once.
    pub fn check(self) -> Result<CheckedWindow, Vec<ParamFault>> {
        match within("length", self.length as f64, 1.0, LONGEST as f64) {
            None => Ok(CheckedWindow(self)),
            Some(fault) => Err(vec![fault]),
        }
    }
}

/// Robust location and scale of the window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Centre {
    /// Median, the unit of the readings.
    pub median: f64,
    /// Median absolute deviation from it, not scaled.
    pub raw_mad: f64,
}

impl Centre {
    /// The MAD as an estimate of the standard deviation of normal data.
    pub fn sigma(&self) -> f64 {
        MAD_TO_SIGMA * self.raw_mad
    }
}

/// State of one rolling window.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(from = "Stored", into = "Stored")]
pub struct RollingMedian {
    params: CheckedWindow,
    /// In the order they came; once full, `oldest` is where the next one goes.
    ring: Vec<f64>,
    oldest: usize,
}

/// How it is stored.
#[derive(Serialize, Deserialize)]
struct Stored {
    params: CheckedWindow,
    ring: Vec<f64>,
    oldest: usize,
    /// The same values in order: of no use any more, and part of the stored form.
    sorted: Vec<f64>,
}

impl From<Stored> for RollingMedian {
    fn from(stored: Stored) -> Self {
        let Stored { params, ring, oldest, .. } = stored;
        Self { params, ring, oldest }
    }
}

impl From<RollingMedian> for Stored {
    fn from(window: RollingMedian) -> Self {
        let sorted = window.sorted(&mut [0.0; LONGEST]).to_vec();
        let RollingMedian { params, ring, oldest } = window;
        Self { params, ring, oldest, sorted }
    }
}

impl RollingMedian {
    /// Empty, with room for the whole window.
    pub fn new(params: CheckedWindow) -> Self {
        Self { params, ring: Vec::with_capacity(params.0.length), oldest: 0 }
    }

    /// Takes one value. One that is not [`usable()`] changes nothing and gives `false`.
    #[inline]
    pub fn update(&mut self, value: f64) -> bool {
        if !usable(value) {
            return false;
        }
        if self.ring.len() < self.params.0.length {
            self.ring.push(value);
        } else if let Some(slot) = self.ring.get_mut(self.oldest) {
            *slot = value;
            self.oldest += 1;
            if self.oldest >= self.params.0.length {
                self.oldest = 0;
            }
        }
        true
    }

    /// Values in the window.
    pub fn len(&self) -> usize {
        self.ring.len()
    }

    /// No value yet.
    pub fn is_empty(&self) -> bool {
        self.ring.is_empty()
    }

    /// The window holds its full number of values.
    pub fn is_full(&self) -> bool {
        self.ring.len() == self.params.0.length
    }

    /// The values in their order.
    fn sorted<'r>(&self, room: &'r mut [f64; LONGEST]) -> &'r [f64] {
        let n = self.ring.len().min(LONGEST);
        room.iter_mut().zip(&self.ring).for_each(|(to, from)| *to = *from);
        let sorted = room.get_mut(..n).unwrap_or(&mut []);
        sorted.sort_unstable_by(f64::total_cmp);
        sorted
    }

    /// Median of the window; `None` while empty.
    pub fn median(&self) -> Option<f64> {
        quantile_of_sorted(self.sorted(&mut [0.0; LONGEST]), 0.5)
    }

    /// Median and MAD of the window; `None` while empty.
    pub fn centre(&self) -> Option<Centre> {
        let mut room = [0.0; LONGEST];
        let sorted = self.sorted(&mut room);
        let median = quantile_of_sorted(sorted, 0.5)?;
        // Distances grow both ways from the median: take the nearer end of the two until half are taken.
        let n = sorted.len();
        let mut right = sorted.partition_point(|&v| v < median);
        let mut left = right;
        let (mut last, mut before_last) = (0.0, 0.0);
        for _ in 0..=n / 2 {
            let below = left.checked_sub(1).and_then(|i| sorted.get(i)).map(|v| median - v);
            let above = sorted.get(right).map(|v| v - median);
            before_last = last;
            last = match (below, above) {
                (Some(b), Some(a)) if b <= a => {
                    left -= 1;
                    b
                }
                (_, Some(a)) => {
                    right += 1;
                    a
                }
                (Some(b), None) => {
                    left -= 1;
                    b
                }
                (None, None) => break,
            };
        }
        let raw_mad = if n % 2 == 1 { last } else { 0.5 * before_last + 0.5 * last };
        Some(Centre { median, raw_mad })
    }
}

#[cfg(test)]
mod tests {
    use super::super::robust;
    use super::*;

    #[test]
    fn lengths_outside_1_to_64_are_refused() {
        assert!(WindowParams { length: 0 }.check().is_err());
        assert!(WindowParams { length: 65 }.check().is_err());
        assert!(WindowParams { length: 64 }.check().is_ok());
    }

    /// Source: median and MAD of the same last N values by selection (`robust`, itself held against scipy).
    #[test]
    fn every_update_equals_the_batch_over_the_last_n() {
        let values: Vec<f64> = (0..500u32).map(|i| f64::from((i * 7919) % 61) * 0.1 - 3.0).collect();
        let mut scratch = Vec::new();
        for length in [1, 2, 3, 4, 5, 16, 63, 64] {
            let mut window = RollingMedian::new(WindowParams { length }.check().expect("in range"));
            for (i, &v) in values.iter().enumerate() {
                window.update(v);
                let batch = &values[(i + 1).saturating_sub(length)..=i];
                let got = window.centre().expect("not empty");
                assert_eq!(Some(got.median), robust::median(batch, &mut scratch), "N {length}, value {i}");
                let mad = robust::raw_mad(batch, &mut scratch).expect("not empty");
                // The two round their subtractions in another order.
                assert!((got.raw_mad - mad).abs() <= 1e-15 * 10.0, "N {length}, value {i}: {} {mad}", got.raw_mad);
            }
            assert!(window.is_full());
        }
    }

    #[test]
    fn nothing_is_allocated_per_update() {
        let mut window = RollingMedian::new(WindowParams { length: 9 }.check().expect("in range"));
        let before = window.ring.as_ptr();
        (0..100).for_each(|i| {
            window.update(f64::from(i % 13));
        });
        assert_eq!(before, window.ring.as_ptr());
    }
}
