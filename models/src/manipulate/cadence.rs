//! At what pace an asset is sampled, inferred from its first readings.
//!
//! A point's pace is the median of its intervals; the asset's cadence is the upper median over its points, so that one
//! fast point among slow ones does not cut the snapshots so short that the others are missing from most. Points with
//! fewer than two intervals have no say. Readings are looked at in event order up to the first moment by which half of
//! the points seen have [`INTERVALS_WANTED`] intervals, so the result does not depend on the order they arrived in.
//!
//! Not for an asset whose points report on change only, or at rates far apart: set its cadence.

/// Intervals a point must show before its pace counts as known.
pub const INTERVALS_WANTED: usize = 8;
/// Intervals below which a point has no say.
const INTERVALS_LEAST: usize = 2;

/// What is known of the points' intervals so far.
#[derive(Default)]
struct Paces {
    /// Per point: time of its last reading and its intervals, microseconds. Only while inferring, so a growing vector
    /// is bounded by the buffer it is made from.
    points: Vec<(Option<i64>, Vec<i64>)>,
}

impl Paces {
    fn add(&mut self, point: u16, at: i64) {
        let index = usize::from(point);
        if self.points.len() <= index {
            self.points.resize(index + 1, (None, Vec::new()));
        }
        let Some((last, intervals)) = self.points.get_mut(index) else { return };
        if let Some(interval) = last.map(|last| at.saturating_sub(last)).filter(|&i| i > 0) {
            intervals.push(interval);
        }
        *last = Some(at);
    }

    fn known(&self) -> bool {
        let seen = self.points.iter().filter(|(last, _)| last.is_some()).count();
        let ready = self.points.iter().filter(|(_, intervals)| intervals.len() >= INTERVALS_WANTED).count();
        seen > 0 && 2 * ready >= seen
    }

    fn cadence(&self) -> Option<i64> {
        let mut paces: Vec<i64> = self
            .points
            .iter()
            .filter(|(_, intervals)| intervals.len() >= INTERVALS_LEAST)
            .filter_map(|(_, intervals)| median(intervals.clone()))
            .collect();
        paces.sort_unstable();
        paces.get(paces.len() / 2).copied()
    }
}

fn median(mut intervals: Vec<i64>) -> Option<i64> {
    intervals.sort_unstable();
    let upper = *intervals.get(intervals.len() / 2)?;
    if intervals.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *intervals.get(intervals.len() / 2 - 1)?;
    Some(lower + (upper - lower) / 2)
}

/// Cadence in microseconds once it is known, from complete readings `(point, time)` in ascending time; `None` until
/// half of the points seen have shown [`INTERVALS_WANTED`] intervals. Later readings do not change the answer.
pub fn infer(readings: impl Iterator<Item = (u16, i64)>) -> Option<i64> {
    let mut paces = Paces::default();
    let mut now = None;
    for (point, at) in readings {
        // Readings of one instant belong together whatever their order: look only between instants.
        if now.is_some_and(|now| at > now) && paces.known() {
            return paces.cadence();
        }
        now = Some(at);
        paces.add(point, at);
    }
    paces.known().then(|| paces.cadence()).flatten()
}

/// Cadence in microseconds from whatever there is; `None` when no point has two intervals.
pub fn infer_anyway(readings: impl Iterator<Item = (u16, i64)>) -> Option<i64> {
    let mut paces = Paces::default();
    readings.for_each(|(point, at)| paces.add(point, at));
    paces.cadence()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn every(point: u16, step: i64, count: i64) -> impl Iterator<Item = (u16, i64)> {
        (0..count).map(move |i| (point, i * step))
    }

    fn sorted(readings: impl Iterator<Item = (u16, i64)>) -> Vec<(u16, i64)> {
        let mut all: Vec<_> = readings.collect();
        all.sort_by_key(|&(_, at)| at);
        all
    }

    #[test]
    fn eight_intervals_of_one_point_are_enough_and_seven_are_not() {
        assert_eq!(infer(every(0, 60, 9)), Some(60));
        assert_eq!(infer(every(0, 60, 8)), None);
        assert_eq!(infer_anyway(every(0, 60, 3)), Some(60));
        assert_eq!(infer_anyway(every(0, 60, 2)), None);
    }

    #[test]
    fn a_gap_or_jitter_does_not_move_the_median() {
        let times = [0, 61, 119, 180, 241, 900, 959, 1020, 1081];
        assert_eq!(infer(times.iter().map(|&t| (3, t))), Some(61));
    }

    #[test]
    fn one_fast_point_does_not_set_the_pace_of_three_slow_ones() {
        let all = sorted(every(0, 1, 1000).chain(every(1, 10, 100)).chain(every(2, 10, 100)).chain(every(3, 10, 100)));
        assert_eq!(infer(all.into_iter()), Some(10));
    }

    #[test]
    fn points_that_spoke_once_have_no_say() {
        let all = sorted(every(0, 5, 20).chain([(1, 7)]));
        assert_eq!(infer(all.into_iter()), Some(5));
    }

    #[test]
    fn intervals_of_zero_are_ignored() {
        assert_eq!(infer(every(0, 60, 9).flat_map(|r| [r, r])), Some(60));
    }
}
