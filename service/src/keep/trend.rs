//! Trend rows of three widths per point: count, least, mean, greatest, mean of what was expected.
//!
//! A row grows in memory and is written when the next one begins; the growing rows go to disk with every snapshot, so
//! that after a restart a row continues where it stood at that journal position and recovery comes to the same row.
//! Memory: three rows of 56 bytes per point.

use std::collections::BTreeMap;

/// Width of a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Tier {
    /// 5 minutes, kept 30 days.
    FiveMinutes,
    /// 1 hour, kept 13 months.
    Hour,
    /// 1 week from Monday 00:00 UTC, kept for good.
    Week,
}

impl Tier {
    /// All, finest first.
    pub const ALL: [Tier; 3] = [Tier::FiveMinutes, Tier::Hour, Tier::Week];

    /// Width in seconds; also its name in the database.
    pub const fn secs(self) -> i64 {
        match self {
            Self::FiveMinutes => 300,
            Self::Hour => 3600,
            Self::Week => 7 * 86_400,
        }
    }

    /// The tier of this width.
    pub fn of_secs(secs: i64) -> Option<Tier> {
        Self::ALL.into_iter().find(|tier| tier.secs() == secs)
    }

    /// How long rows are kept, seconds of stream time; `None`: for good.
    pub const fn keep_secs(self) -> Option<i64> {
        match self {
            Self::FiveMinutes => Some(30 * 86_400),
            Self::Hour => Some(396 * 86_400),
            Self::Week => None,
        }
    }

    /// Beginning of the row a time (microseconds) falls into, seconds since 1970.
    pub const fn row_of(self, micros: i64) -> i64 {
        // 1970-01-01 was a Thursday; weeks begin on the Monday after, 1970-01-05.
        let offset = if matches!(self, Self::Week) { 4 * 86_400 } else { 0 };
        let secs = micros.div_euclid(1_000_000) - offset;
        secs.div_euclid(self.secs()) * self.secs() + offset
    }
}

/// One row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bucket {
    /// Beginning, seconds since 1970.
    pub t: i64,
    /// Samples.
    pub count: u32,
    /// Least observed.
    pub min: f64,
    /// Mean observed.
    pub mean: f64,
    /// Greatest observed.
    pub max: f64,
    /// Samples that had an expected value.
    pub expected_count: u32,
    /// Mean of the expected values; meaningless when there were none.
    pub expected: f64,
}

impl Bucket {
    fn begin(t: i64) -> Self {
        Self { t, count: 0, min: f64::INFINITY, mean: 0.0, max: f64::NEG_INFINITY, expected_count: 0, expected: 0.0 }
    }

    fn add(&mut self, observed: f64, expected: f64) {
        self.count += 1;
        self.min = self.min.min(observed);
        self.max = self.max.max(observed);
        // The running mean of Welford (1962): no sum that grows.
        self.mean += (observed - self.mean) / f64::from(self.count);
        if expected.is_finite() {
            self.expected_count += 1;
            self.expected += (expected - self.expected) / f64::from(self.expected_count);
        }
    }
}

/// The growing rows of all points, by row of `assets` and point index.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Trends {
    open: BTreeMap<(i64, u16), [Option<Bucket>; 3]>,
    /// Samples older than the row that is open: their row is written already.
    pub late: u64,
}

impl Trends {
    /// Adds a sample; rows it closes go to `closed`. A value that is not finite changes nothing.
    pub fn add(
        &mut self,
        asset: i64,
        point: u16,
        at_micros: i64,
        observed: f64,
        expected: f64,
        closed: &mut Vec<(Tier, Bucket)>,
    ) {
        if !observed.is_finite() {
            return;
        }
        let rows = self.open.entry((asset, point)).or_default();
        let mut late = false;
        for (tier, row) in Tier::ALL.into_iter().zip(rows) {
            let t = tier.row_of(at_micros);
            match row {
                Some(open) if open.t > t => late = true,
                Some(open) if open.t == t => open.add(observed, expected),
                _ => {
                    let mut fresh = Bucket::begin(t);
                    fresh.add(observed, expected);
                    if let Some(done) = row.replace(fresh) {
                        closed.push((tier, done));
                    }
                }
            }
        }
        self.late += u64::from(late);
    }

    /// A growing row as it was saved.
    pub fn put_back(&mut self, asset: i64, point: u16, tier: Tier, bucket: Bucket) {
        let rows = self.open.entry((asset, point)).or_default();
        if let Some((_, row)) = Tier::ALL.into_iter().zip(rows).find(|(known, _)| *known == tier) {
            *row = Some(bucket);
        }
    }

    /// The growing rows of one asset.
    pub fn open_of(&self, asset: i64) -> impl Iterator<Item = (u16, Tier, &Bucket)> {
        self.open.range((asset, 0)..=(asset, u16::MAX)).flat_map(|((_, point), rows)| {
            Tier::ALL.into_iter().zip(rows).filter_map(|(tier, row)| Some((*point, tier, row.as_ref()?)))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MICROS: i64 = 1_000_000;

    /// Source: the Gregorian calendar: 2026-11-23 (1795392000) was a Monday; `date -u -d 2026-11-23 +%s`.
    #[test]
    fn a_week_begins_on_monday() {
        let monday = 1_795_392_000;
        assert_eq!(Tier::Week.row_of(monday * MICROS), monday);
        assert_eq!(Tier::Week.row_of((monday + 6 * 86_400) * MICROS), monday);
        assert_eq!(Tier::Week.row_of((monday - 1) * MICROS), monday - 7 * 86_400);
        assert_eq!(Tier::Hour.row_of(-1), -3600, "before 1970 too");
    }

    #[test]
    fn a_row_holds_what_was_put_in_and_closes_when_the_next_begins() {
        let mut trends = Trends::default();
        let mut closed = Vec::new();
        for (at, observed, expected) in [(0, 1.0, f64::NAN), (100, 4.0, 2.0), (299, 1.0, 4.0), (300, 9.0, 1.0)] {
            trends.add(1, 0, at * MICROS, observed, expected, &mut closed);
        }
        let row = Bucket { t: 0, count: 3, min: 1.0, mean: 2.0, max: 4.0, expected_count: 2, expected: 3.0 };
        assert_eq!(closed, [(Tier::FiveMinutes, row)]);
        assert_eq!(trends.open_of(1).count(), 3);
    }

    #[test]
    fn saved_and_put_back_in_the_middle_of_a_row_it_goes_on_to_the_same_row() {
        let samples: Vec<_> = (0..500).map(|n| (n * 7 * MICROS, f64::from(n as i32).sin())).collect();
        let (mut straight, mut cut) = (Trends::default(), Trends::default());
        let (mut one, mut two) = (Vec::new(), Vec::new());
        for (n, (at, value)) in samples.iter().enumerate() {
            straight.add(3, 1, *at, *value, 0.5, &mut one);
            cut.add(3, 1, *at, *value, 0.5, &mut two);
            if n % 13 == 0 {
                let mut again = Trends::default();
                for (point, tier, bucket) in cut.open_of(3) {
                    again.put_back(3, point, tier, *bucket);
                }
                cut = again;
            }
        }
        assert_eq!(one, two);
        assert_eq!(straight, cut);
    }

    #[test]
    fn what_is_not_finite_or_late_changes_no_row() {
        let mut trends = Trends::default();
        let mut closed = Vec::new();
        trends.add(1, 0, 1000 * MICROS, 1.0, 1.0, &mut closed);
        let before = trends.clone();
        for value in [f64::NAN, f64::INFINITY] {
            trends.add(1, 0, 1000 * MICROS, value, 1.0, &mut closed);
        }
        assert_eq!(trends, before);
        trends.add(1, 0, 0, 5.0, 1.0, &mut closed);
        assert_eq!(trends.late, 1);
        assert!(closed.is_empty());
    }
}
