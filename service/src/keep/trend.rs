//! Trend rows of three widths per point: count, least, mean, greatest; mean of what was expected, and what was normal at
//! the least and at the greatest, so that a wide row's range is held against the range that was normal in it.
//!
//! A row grows in memory and is written when the next one begins; the growing rows go to disk with every snapshot, so
//! that after a restart a row continues where it stood at that journal position and recovery comes to the same row.
//! Memory: three rows of 72 bytes per point.

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

    /// The first beginning of a row at or after a time in seconds.
    pub const fn row_after(self, secs: i64) -> i64 {
        let row = self.row_of(secs.saturating_mul(1_000_000));
        if row < secs { row + self.secs() } else { row }
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
    /// Least lower end of the expected band; infinite when there was none.
    pub expected_low: f64,
    /// Greatest upper end of it; negative infinite when there was none.
    pub expected_high: f64,
}

/// What was seen of a point at one time, and what was expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Time.
    pub at_micros: i64,
    /// Observed.
    pub observed: f64,
    /// Expected; NaN without.
    pub expected: f64,
    /// Half width of the expected band; NaN without.
    pub band: f64,
}

impl Bucket {
    /// An empty row.
    pub fn begin(t: i64) -> Self {
        let (least, greatest) = (f64::INFINITY, f64::NEG_INFINITY);
        Self {
            t,
            count: 0,
            min: least,
            mean: 0.0,
            max: greatest,
            expected_count: 0,
            expected: 0.0,
            expected_low: least,
            expected_high: greatest,
        }
    }

    fn add(&mut self, sample: &Sample) {
        let Sample { observed, expected, band, .. } = *sample;
        self.count += 1;
        self.min = self.min.min(observed);
        self.max = self.max.max(observed);
        // The running mean of Welford (1962): no sum that grows.
        self.mean += (observed - self.mean) / f64::from(self.count);
        if expected.is_finite() {
            self.expected_count += 1;
            self.expected += (expected - self.expected) / f64::from(self.expected_count);
            if band.is_finite() {
                self.expected_low = self.expected_low.min(expected - band);
                self.expected_high = self.expected_high.max(expected + band);
            }
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
    pub fn add(&mut self, asset: i64, point: u16, sample: &Sample, closed: &mut Vec<(Tier, Bucket)>) {
        if !sample.observed.is_finite() {
            return;
        }
        let rows = self.open.entry((asset, point)).or_default();
        let mut late = false;
        for (tier, row) in Tier::ALL.into_iter().zip(rows) {
            let t = tier.row_of(sample.at_micros);
            match row {
                Some(open) if open.t > t => late = true,
                Some(open) if open.t == t => open.add(sample),
                _ => {
                    let mut fresh = Bucket::begin(t);
                    fresh.add(sample);
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

    fn sample(secs: i64, observed: f64, expected: f64) -> Sample {
        Sample { at_micros: secs * MICROS, observed, expected, band: 0.5 }
    }

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
            trends.add(1, 0, &sample(at, observed, expected), &mut closed);
        }
        let row = Bucket {
            t: 0,
            count: 3,
            min: 1.0,
            mean: 2.0,
            max: 4.0,
            expected_count: 2,
            expected: 3.0,
            expected_low: 1.5,
            expected_high: 4.5,
        };
        assert_eq!(closed, [(Tier::FiveMinutes, row)]);
        assert_eq!(trends.open_of(1).count(), 3);
    }

    #[test]
    fn saved_and_put_back_in_the_middle_of_a_row_it_goes_on_to_the_same_row() {
        let samples: Vec<_> = (0..500).map(|n| (n * 7, f64::from(n as i32).sin())).collect();
        let (mut straight, mut cut) = (Trends::default(), Trends::default());
        let (mut one, mut two) = (Vec::new(), Vec::new());
        for (n, (at, value)) in samples.iter().enumerate() {
            straight.add(3, 1, &sample(*at, *value, *value), &mut one);
            cut.add(3, 1, &sample(*at, *value, *value), &mut two);
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
        trends.add(1, 0, &sample(1000, 1.0, 1.0), &mut closed);
        let before = trends.clone();
        for value in [f64::NAN, f64::INFINITY] {
            trends.add(1, 0, &sample(1000, value, 1.0), &mut closed);
        }
        assert_eq!(trends, before);
        trends.add(1, 0, &sample(0, 5.0, 1.0), &mut closed);
        assert_eq!(trends.late, 1);
        assert!(closed.is_empty());
    }
}
