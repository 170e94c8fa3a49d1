//! Block means of every point of an asset, in two tiers: what drift tests and forecasts look at.
//!
//! A fine block covers a stretch of running time (an hour by default), a coarse block [`FINE_PER_COARSE`] fine ones.
//! Values are means of residuals in the point's unit, so a change of load is no drift; times are event times, so a
//! forecast speaks in calendar hours. Memory: ([`FINE`] + [`COARSE`]) × (4 bytes per point + 8).

use crate::EventTime;
use serde::{Deserialize, Serialize};

/// Fine blocks kept.
pub const FINE: usize = 96;
/// Coarse blocks kept.
pub const COARSE: usize = 120;
/// Fine blocks in a coarse one.
pub const FINE_PER_COARSE: u32 = 6;

/// Rows a tier makes room for at a time.
const GROWS_BY: usize = 12;

/// Rows of block means, oldest first, the oldest dropped when full.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Tier {
    capacity: usize,
    times: Vec<EventTime>,
    /// Row-major, `points` wide; NaN where a point had no value.
    means: Vec<f32>,
}

impl Tier {
    fn push(&mut self, at: EventTime, row: impl Iterator<Item = f32>, points: usize) {
        if self.times.len() == self.capacity {
            self.times.remove(0);
            self.means.drain(..points);
        }
        // Doubling would leave up to half of it unused for months.
        if self.times.len() == self.times.capacity() {
            let rows = GROWS_BY.min(self.capacity.saturating_sub(self.times.len())).max(1);
            self.times.reserve_exact(rows);
            self.means.reserve_exact(rows * points);
        }
        self.times.push(at);
        self.means.extend(row);
    }
}

/// A block being filled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Open {
    secs: f64,
    /// Sum of times from `first`, microseconds, to give the mean time.
    first: EventTime,
    offset_sum: f64,
    rows: u32,
    sums: Vec<f64>,
    counts: Vec<u32>,
}

impl Open {
    fn new(points: usize) -> Self {
        Self {
            secs: 0.0,
            first: EventTime(0),
            offset_sum: 0.0,
            rows: 0,
            sums: vec![0.0; points],
            counts: vec![0; points],
        }
    }

    fn clear(&mut self) {
        self.secs = 0.0;
        self.offset_sum = 0.0;
        self.rows = 0;
        self.sums.fill(0.0);
        self.counts.fill(0);
    }

    fn at(&self) -> EventTime {
        self.first.plus_secs(self.offset_sum / f64::from(self.rows.max(1)))
    }

    fn means(&self) -> impl Iterator<Item = f32> + '_ {
        self.sums.iter().zip(&self.counts).map(|(s, n)| if *n == 0 { f32::NAN } else { (s / f64::from(*n)) as f32 })
    }
}

/// What a row completed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Closed {
    /// No block.
    Nothing,
    /// A fine block.
    Fine,
    /// A fine block and with it a coarse one.
    Coarse,
}

/// Block means of one asset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Blocks {
    points: usize,
    block_secs: f64,
    fine: Tier,
    coarse: Tier,
    open_fine: Open,
    open_coarse: Open,
    fine_in_coarse: u32,
}

impl Blocks {
    /// For `points` points and fine blocks of `block_secs` of running.
    pub fn new(points: usize, block_secs: f64) -> Self {
        let tier = |capacity| Tier { capacity, times: Vec::new(), means: Vec::new() };
        Self {
            points,
            block_secs,
            fine: tier(FINE),
            coarse: tier(COARSE),
            open_fine: Open::new(points),
            open_coarse: Open::new(points),
            fine_in_coarse: 0,
        }
    }

    /// Length of a fine block in hours of running.
    pub fn block_hours(&self) -> f64 {
        self.block_secs / 3600.0
    }

    /// Adds one row that stands for `secs` of running; NaN cells are left out. Says which block it completed.
    pub fn push(&mut self, at: EventTime, secs: f64, row: &[f64]) -> Closed {
        let mut done = Closed::Nothing;
        if self.open_fine.rows > 0 && self.open_fine.secs + 0.5 * secs >= self.block_secs {
            self.close_fine();
            done = if self.fine_in_coarse == 0 { Closed::Coarse } else { Closed::Fine };
        }
        let open = &mut self.open_fine;
        if open.rows == 0 {
            open.first = at;
        }
        open.rows += 1;
        open.secs += secs;
        open.offset_sum += at.secs_since(open.first);
        for ((sum, count), value) in open.sums.iter_mut().zip(&mut open.counts).zip(row) {
            if value.is_finite() {
                *sum += value;
                *count += 1;
            }
        }
        done
    }

    fn close_fine(&mut self) {
        let at = self.open_fine.at();
        let coarse = &mut self.open_coarse;
        if coarse.rows == 0 {
            coarse.first = at;
        }
        coarse.rows += 1;
        coarse.offset_sum += at.secs_since(coarse.first);
        for ((sum, count), value) in coarse.sums.iter_mut().zip(&mut coarse.counts).zip(self.open_fine.means()) {
            if value.is_finite() {
                *sum += f64::from(value);
                *count += 1;
            }
        }
        self.fine_in_coarse += 1;
        if self.fine_in_coarse == FINE_PER_COARSE {
            self.coarse.push(coarse.at(), coarse.means(), self.points);
            coarse.clear();
            self.fine_in_coarse = 0;
        }
        self.fine.push(at, self.open_fine.means(), self.points);
        self.open_fine.clear();
    }

    /// Mean of the last `n` fine blocks of a point that have a value; `None` without any.
    pub fn recent_mean(&self, point: usize, n: usize) -> Option<f64> {
        let (mut sum, mut count) = (0.0, 0u32);
        for row in self.fine.means.chunks_exact(self.points.max(1)).rev().take(n) {
            if let Some(v) = row.get(point).filter(|v| v.is_finite()) {
                sum += f64::from(*v);
                count += 1;
            }
        }
        (count > 0).then(|| sum / f64::from(count))
    }

    /// Coarse means of a point not older than `since`, oldest first; NaN left out. Clears `out` first.
    pub fn coarse(&self, point: usize, since: EventTime, out: &mut Vec<(EventTime, f64)>) {
        out.clear();
        Self::copy(&self.coarse, self.points, point, since, None, out);
    }

    /// The longest series of a point: coarse blocks before the first fine one, then the fine
    /// ones. Clears `out` first.
    pub fn longest(&self, point: usize, out: &mut Vec<(EventTime, f64)>) {
        let since = EventTime(i64::MIN);
        out.clear();
        let fine_from = self.fine.times.first().copied();
        Self::copy(&self.coarse, self.points, point, since, fine_from, out);
        Self::copy(&self.fine, self.points, point, since, None, out);
    }

    fn copy(
        tier: &Tier,
        points: usize,
        point: usize,
        since: EventTime,
        until: Option<EventTime>,
        out: &mut Vec<(EventTime, f64)>,
    ) {
        for (at, row) in tier.times.iter().zip(tier.means.chunks_exact(points.max(1))) {
            if *at < since || until.is_some_and(|u| *at >= u) {
                continue;
            }
            if let Some(v) = row.get(point).filter(|v| v.is_finite()) {
                out.push((*at, f64::from(*v)));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> EventTime {
        EventTime(minutes * 60_000_000)
    }

    #[test]
    fn an_hour_of_five_minute_rows_is_one_block_with_its_mean_and_mean_time() {
        let mut b = Blocks::new(2, 3600.0);
        let mut closed = 0;
        for i in 0..13 {
            closed += usize::from(b.push(at(5 * i), 300.0, &[i as f64, f64::NAN]) == Closed::Fine);
        }
        assert_eq!(closed, 1);
        let mut out = Vec::new();
        b.longest(0, &mut out);
        // Mean of 0..=11 is 5.5; mean time 27.5 min.
        assert_eq!(out, vec![(EventTime(27 * 60_000_000 + 30_000_000), 5.5)]);
        b.longest(1, &mut out);
        assert!(out.is_empty());
    }

    #[test]
    fn memory_is_bounded_and_the_longest_series_is_in_time_order() {
        let mut b = Blocks::new(1, 3600.0);
        for i in 0..20_000 {
            b.push(at(5 * i), 300.0, &[1.0]);
        }
        let mut out = Vec::new();
        b.longest(0, &mut out);
        assert!(out.len() <= FINE + COARSE);
        assert!(out.windows(2).all(|w| w[0].0 < w[1].0));
        assert!(out.len() > COARSE);
    }
}
