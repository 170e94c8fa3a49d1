//! A bounded store of rows to learn from: all of the time learned over, thinned evenly.
//!
//! Keeps every stride-th row. When full, every second kept row goes and the stride doubles, so at any time the rows kept
//! are evenly spaced among those pushed, from the first to the last, between half and all of the capacity. No random
//! choice: time order stays and with it the lag structure, which a reservoir would lose.
//!
//! Memory: capacity·(8 + 4·columns) bytes; values are kept as `f32` (7 digits, more than a sensor has). A NaN cell is a
//! missing point. Not for rare events: a row that is thinned out is gone.
//!
//! Source: systematic sampling with a doubling interval, common practice.

use crate::EventTime;
use crate::param::{ParamFault, within};
use serde::{Deserialize, Serialize};

/// Rows that room is made for at a time.
const GROWS_BY: usize = 64;

/// Settings of [`ThinnedRows`].
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `capacity` | none | rows | 2 to 1,000,000 |
/// | `columns` (P) | none | points | 1 to 65,536 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ThinParams {
    /// Most rows kept.
    pub capacity: usize,
    /// Values per row.
    pub columns: usize,
}

/// Only [`ThinParams::check`] makes one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CheckedThin(ThinParams);

impl ThinParams {
    /// All faults at once.
    pub fn check(self) -> Result<CheckedThin, Vec<ParamFault>> {
        let faults: Vec<_> =
            [within("capacity", self.capacity as f64, 2.0, 1e6), within("columns", self.columns as f64, 1.0, 65_536.0)]
                .into_iter()
                .flatten()
                .collect();
        if faults.is_empty() { Ok(CheckedThin(self)) } else { Err(faults) }
    }
}

/// State of the store.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct ThinnedRows {
    params: CheckedThin,
    times: Vec<EventTime>,
    /// `times.len()` rows of `columns` values each, one after the other.
    #[serde(with = "cells")]
    values: Vec<f32>,
    stride: u64,
    pushed: u64,
    last: Option<EventTime>,
}

/// A missing cell equals a missing cell, as everywhere in this store; NaN would not.
impl PartialEq for ThinnedRows {
    fn eq(&self, other: &Self) -> bool {
        let same = |(a, b): (&f32, &f32)| a.to_bits() == b.to_bits();
        (self.params, self.stride, self.pushed, self.last) == (other.params, other.stride, other.pushed, other.last)
            && self.times == other.times
            && self.values.len() == other.values.len()
            && self.values.iter().zip(&other.values).all(same)
    }
}

impl ThinnedRows {
    /// Empty; room is taken as rows come.
    pub fn new(params: CheckedThin) -> Self {
        Self { params, times: Vec::new(), values: Vec::new(), stride: 1, pushed: 0, last: None }
    }

    /// Offers a row; gives whether it was kept. A shorter row is filled up with missing cells, values that are not
    /// finite become missing. A longer row, or one not later than the last, changes nothing.
    pub fn push(&mut self, at: EventTime, row: &[f32]) -> bool {
        let ThinParams { capacity, columns } = self.params.0;
        if row.len() > columns || self.last.is_some_and(|last| at <= last) {
            return false;
        }
        self.last = Some(at);
        let index = self.pushed;
        self.pushed += 1;
        if !index.is_multiple_of(self.stride) {
            return false;
        }
        if self.times.len() == capacity {
            self.halve();
            if !index.is_multiple_of(self.stride) {
                return false;
            }
        }
        // Doubling would leave half of the room of a thousand machines unused, all at the same time.
        if self.times.len() == self.times.capacity() {
            self.times.reserve_exact(GROWS_BY);
            self.values.reserve_exact(GROWS_BY * columns);
        }
        self.times.push(at);
        // One bit pattern for "missing", so that a stored state compares equal.
        self.values.extend(row.iter().map(|v| if v.is_finite() { *v } else { f32::NAN }));
        self.values.resize(self.times.len() * columns, f32::NAN);
        true
    }

    /// Kept rows sit at multiples of the stride; those at odd multiples go.
    fn halve(&mut self) {
        let columns = self.params.0.columns;
        let kept = self.times.len().div_ceil(2);
        for i in 1..kept {
            self.times.swap(i, 2 * i);
            self.values.copy_within(2 * i * columns..(2 * i + 1) * columns, i * columns);
        }
        self.times.truncate(kept);
        self.values.truncate(kept * columns);
        self.stride *= 2;
    }

    /// Widens every row to `columns` values, the new ones missing: a point was added. Narrower changes nothing; wider
    /// than a row may be is refused.
    pub fn widen(&mut self, columns: usize) -> Result<(), Vec<ParamFault>> {
        let before = self.params.0.columns;
        if columns <= before {
            return Ok(());
        }
        self.params = ThinParams { columns, ..self.params.0 }.check()?;
        let mut values = Vec::with_capacity(self.times.len() * columns);
        for row in self.values.chunks_exact(before) {
            values.extend_from_slice(row);
            values.resize(values.len() + columns - before, f32::NAN);
        }
        self.values = values;
        Ok(())
    }

    /// The rows kept, oldest first: time and one value per column, NaN where missing.
    pub fn rows(&self) -> impl ExactSizeIterator<Item = (EventTime, &[f32])> {
        self.times.iter().copied().zip(self.values.chunks_exact(self.params.0.columns))
    }

    /// Rows kept.
    pub fn len(&self) -> usize {
        self.times.len()
    }

    /// No row kept.
    pub fn is_empty(&self) -> bool {
        self.times.is_empty()
    }

    /// Every how many rows one is kept.
    pub fn stride(&self) -> u64 {
        self.stride
    }

    /// Rows offered and in order, kept or not.
    pub fn pushed(&self) -> u64 {
        self.pushed
    }

    /// Values per row.
    pub fn columns(&self) -> usize {
        self.params.0.columns
    }

    /// Forgets all rows and gives their memory back.
    pub fn clear(&mut self) {
        *self = Self::new(self.params);
    }
}

/// Formats for people have no NaN: a missing cell is written as `null` there, as itself elsewhere.
mod cells {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(values: &[f32], to: S) -> Result<S::Ok, S::Error> {
        if to.is_human_readable() {
            to.collect_seq(values.iter().map(|v| (!v.is_nan()).then_some(*v)))
        } else {
            values.serialize(to)
        }
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<f32>, D::Error> {
        if from.is_human_readable() {
            let cells = Vec::<Option<f32>>::deserialize(from)?;
            Ok(cells.into_iter().map(|v| v.unwrap_or(f32::NAN)).collect())
        } else {
            Vec::deserialize(from)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn store(capacity: usize, columns: usize) -> ThinnedRows {
        ThinnedRows::new(ThinParams { capacity, columns }.check().expect("in range"))
    }

    #[test]
    fn faults_name_both_settings() {
        let faults = ThinParams { capacity: 1, columns: 0 }.check().expect_err("both out of range");
        assert_eq!(faults.iter().map(|f| f.name).collect::<Vec<_>>(), ["capacity", "columns"]);
    }

    #[test]
    fn rows_stay_evenly_spaced_from_the_first_to_the_last_at_every_moment() {
        for capacity in [2, 3, 7, 8, 100] {
            let mut store = store(capacity, 2);
            for i in 0..5000i64 {
                store.push(EventTime(i), &[i as f32, -(i as f32)]);
                let stride = store.stride() as i64;
                let want: Vec<i64> = (0..=i).step_by(stride as usize).collect();
                let got: Vec<i64> = store.rows().map(|(at, _)| at.0).collect();
                assert_eq!(got, want, "capacity {capacity} after row {i}");
                assert!(store.rows().all(|(at, row)| row == [at.0 as f32, -(at.0 as f32)]));
                assert!(store.len() <= capacity && (stride == 1 || 2 * (store.len() + 1) >= capacity));
            }
        }
    }

    #[test]
    fn short_rows_are_filled_long_and_unordered_ones_refused() {
        let mut store = store(4, 2);
        assert!(store.push(EventTime(5), &[1.0]));
        assert!(!store.push(EventTime(6), &[1.0, 2.0, 3.0]));
        assert!(!store.push(EventTime(5), &[1.0, 2.0]));
        assert_eq!((store.len(), store.pushed()), (1, 1));
        assert!(store.rows().all(|(_, row)| row[0] == 1.0 && row[1].is_nan()));
    }

    #[test]
    fn widening_keeps_what_was_there() {
        let mut store = store(4, 1);
        store.push(EventTime(1), &[1.0]);
        store.push(EventTime(2), &[2.0]);
        assert!(store.widen(3).is_ok() && store.widen(2).is_ok() && store.widen(100_000).is_err());
        store.push(EventTime(3), &[3.0, 4.0, 5.0]);
        let first: Vec<f32> = store.rows().map(|(_, row)| row[0]).collect();
        assert_eq!(first, [1.0, 2.0, 3.0]);
        let missing = store.rows().flat_map(|(_, row)| row).filter(|v| v.is_nan()).count();
        assert_eq!(missing, 4);
    }

    #[test]
    fn a_cleared_store_is_a_new_one() {
        let mut used = store(4, 1);
        (0..50).for_each(|i| {
            used.push(EventTime(i), &[0.0]);
        });
        used.clear();
        assert_eq!(used, store(4, 1));
    }
}
