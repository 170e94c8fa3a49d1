//! A point's trend between two times, joined over the tiers and brought to the number of rows asked for.
//!
//! The tier read is the finest whose rows are not far finer than a row of the answer. Where it no longer reaches back, a
//! coarser one goes on from the first boundary both have; where its newest row is still growing, finer ones go on. So no
//! sample is in two rows and none is left out.
//!
//! Rows read: what the finest tiers keep at most (30 days of 5 minutes, 13 months of hours) plus the weeks, whatever the
//! range; rows given: at most what was asked for.

use super::Reader;
use crate::keep::KeepError;
use crate::keep::trend::Tier;
use roundsman_models::EventTime;
use rusqlite::{Row, params};

/// One row of a trend as it is shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrendRow {
    /// Beginning, seconds since 1970.
    pub from: i64,
    /// End.
    pub to: i64,
    /// Samples.
    pub count: u64,
    /// Least observed.
    pub min: f64,
    /// Mean observed.
    pub mean: f64,
    /// Greatest observed.
    pub max: f64,
    /// What was expected; `None` while learning, stopped or settling.
    pub expected: Option<Expectation>,
}

/// What was expected during a row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expectation {
    /// Samples that had one.
    pub count: u64,
    /// Mean.
    pub mean: f64,
    /// Least that was normal in the row; `None` in rows of versions that did not keep it.
    pub low: Option<f64>,
    /// Greatest that was normal in the row.
    pub high: Option<f64>,
}

/// A row of the answer is made of at most about so many of the tier that is read.
const MERGED: i64 = 64;

impl Reader {
    /// The trend of an asset's point (by their numbers, see [`super::AssetRow`]) from `from` to before `to`, oldest first, in
    /// at most about `rows` rows.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn trend(
        &self,
        asset: i64,
        point: u16,
        from: EventTime,
        to: EventTime,
        rows: usize,
    ) -> Result<Vec<TrendRow>, KeepError> {
        let (from, to) = (from.0.div_euclid(1_000_000), to.0.saturating_add(999_999).div_euclid(1_000_000));
        if to <= from {
            return Ok(Vec::new());
        }
        let rows = i64::try_from(rows.clamp(2, 20_000)).unwrap_or(2);
        let bin = (to.saturating_sub(from) / rows).max(1);
        let fault = self.fault();
        self.joined(asset, point, from, to, bin).map_err(fault)
    }

    fn joined(&self, asset: i64, point: u16, from: i64, to: i64, bin: i64) -> rusqlite::Result<Vec<TrendRow>> {
        let first = Tier::ALL.iter().position(|tier| tier.secs() >= bin / MERGED).unwrap_or(Tier::ALL.len() - 1);
        let (finer, coarser) = Tier::ALL.split_at(first);
        // Coarsest and oldest first.
        let mut parts: Vec<(Tier, i64, i64)> = Vec::new();
        let mut until = i64::MAX;
        for (n, tier) in coarser.iter().enumerate() {
            let Some(oldest) = self.edge(*tier, asset, point, "min")? else { continue };
            // Where the coarser one takes over: the first of its boundaries from which on this one is complete.
            let begin = match coarser.get(n + 1) {
                Some(next) => match self.edge(*next, asset, point, "min")? {
                    Some(older) if older.saturating_add(next.secs()) <= oldest => next.row_after(oldest),
                    _ => oldest,
                },
                None => oldest,
            };
            // A row that reaches over that place holds what the finer rows hold: of a machine younger than a row, for one.
            parts.insert(0, (*tier, begin, until.saturating_sub(tier.secs() - 1)));
            until = begin;
            if begin <= from {
                break;
            }
        }
        // What the tier that is read has not closed yet.
        let mut since = match coarser.first() {
            Some(tier) => self.edge(*tier, asset, point, "max")?.map(|t| t + tier.secs()),
            None => None,
        };
        for tier in finer.iter().rev() {
            let begin = since.unwrap_or(i64::MIN);
            parts.push((*tier, begin, i64::MAX));
            since = self.edge(*tier, asset, point, "max")?.map(|t| t + tier.secs()).max(since);
        }
        let mut merged = Merged { rows: Vec::new(), from, bin };
        for (tier, begin, end) in parts {
            let begin = begin.max(from.saturating_sub(tier.secs() - 1));
            let mut statement = self.connection.prepare_cached(
                "SELECT t, count, min, mean, max, expected_count, expected, expected_low, expected_high FROM trend
                 WHERE tier = ?1 AND asset = ?2 AND point = ?3 AND t >= ?4 AND t < ?5 ORDER BY t",
            )?;
            let mut found = statement.query(params![tier.secs(), asset, point, begin, end.min(to)])?;
            while let Some(row) = found.next()? {
                merged.add(read(row, tier)?);
            }
        }
        // The growing row of the finest tier: as of the last snapshot, the newest there is.
        let finest = Tier::FiveMinutes;
        let mut statement = self.connection.prepare_cached(
            "SELECT t, count, min, mean, max, expected_count, expected, expected_low, expected_high FROM trend_open
             WHERE tier = ?1 AND asset = ?2 AND point = ?3 AND t >= ?4 AND t < ?5",
        )?;
        let newest = merged.rows.last().map_or(i64::MIN, |row| row.to).max(from.saturating_sub(finest.secs() - 1));
        let mut found = statement.query(params![finest.secs(), asset, point, newest, to])?;
        while let Some(row) = found.next()? {
            merged.add(read(row, finest)?);
        }
        Ok(merged.rows)
    }

    /// Beginning of a point's first or last closed row.
    fn edge(&self, tier: Tier, asset: i64, point: u16, which: &str) -> rusqlite::Result<Option<i64>> {
        let sql = format!("SELECT {which}(t) FROM trend WHERE tier = ?1 AND asset = ?2 AND point = ?3");
        self.connection.prepare_cached(&sql)?.query_row(params![tier.secs(), asset, point], |row| row.get(0))
    }
}

fn read(row: &Row<'_>, tier: Tier) -> rusqlite::Result<TrendRow> {
    let from = row.get::<_, i64>(0)?;
    let expected = match (row.get::<_, i64>(5)?, row.get::<_, Option<f64>>(6)?) {
        (count @ 1.., Some(mean)) => {
            Some(Expectation { count: count.cast_unsigned(), mean, low: row.get(7)?, high: row.get(8)? })
        }
        _ => None,
    };
    let (min, mean, max) = (row.get(2)?, row.get(3)?, row.get(4)?);
    let count = row.get::<_, i64>(1)?.max(0).cast_unsigned();
    Ok(TrendRow { from, to: from.saturating_add(tier.secs()), count, min, mean, max, expected })
}

struct Merged {
    rows: Vec<TrendRow>,
    from: i64,
    bin: i64,
}

impl Merged {
    fn add(&mut self, row: TrendRow) {
        let bin = |row: &TrendRow| (row.from - self.from).div_euclid(self.bin);
        match self.rows.last_mut() {
            Some(last) if bin(last) == bin(&row) => *last = joined(last, &row),
            _ => self.rows.push(row),
        }
    }
}

fn joined(a: &TrendRow, b: &TrendRow) -> TrendRow {
    let expected = match (a.expected, b.expected) {
        (Some(x), Some(y)) => Some(Expectation {
            count: x.count + y.count,
            mean: weighted(x.mean, x.count, y.mean, y.count),
            low: x.low.zip(y.low).map_or(x.low.or(y.low), |(x, y)| Some(x.min(y))),
            high: x.high.zip(y.high).map_or(x.high.or(y.high), |(x, y)| Some(x.max(y))),
        }),
        (one, other) => one.or(other),
    };
    TrendRow {
        from: a.from,
        to: a.to.max(b.to),
        count: a.count + b.count,
        min: a.min.min(b.min),
        mean: weighted(a.mean, a.count, b.mean, b.count),
        max: a.max.max(b.max),
        expected,
    }
}

fn weighted(a: f64, of_a: u64, b: f64, of_b: u64) -> f64 {
    a + (b - a) * (of_b as f64 / ((of_a + of_b) as f64).max(1.0))
}
