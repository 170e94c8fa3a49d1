//! Rows of what the models made of an asset: per width one row for the whole machine, as the trend has one per point.
//!
//! Of a row's snapshots: how many there were, the operating state of the last, the worst zone, mean and greatest deviation,
//! and the step and the drift that were furthest from none. Rows grow, close, are saved and pruned as those of the
//! [trend](super::trend), in the same widths and for as long.
//! Memory: three rows of 56 bytes per asset; a row of `state.db` is some 60 bytes, and one is written per asset and five
//! minutes, where the trend writes one per point.

use super::prune;
use super::trend::Tier;
use crate::advise::document::Zone;
use crate::advise::forms;
use crate::engine::Score;
use rusqlite::{Connection, Transaction, params};
use std::collections::BTreeMap;

/// Version 4, said once for new files and for those of before.
macro_rules! score_tables {
    () => {
        "
-- As trend and trend_open, one row for the whole asset. operating_state: of the last snapshot, 0 stopped or unknown; zone: the
-- worst; deviation: mean, NULL while learning or stopped; step, drift: the furthest from 0, signed.
CREATE TABLE scores (
    tier INTEGER NOT NULL, asset INTEGER NOT NULL, t INTEGER NOT NULL, count INTEGER NOT NULL,
    operating_state INTEGER NOT NULL, zone TEXT NOT NULL, deviation_count INTEGER NOT NULL, deviation REAL,
    deviation_max REAL, step REAL NOT NULL, drift REAL NOT NULL, PRIMARY KEY (tier, asset, t)) WITHOUT ROWID;
CREATE TABLE scores_open (
    tier INTEGER NOT NULL, asset INTEGER NOT NULL, t INTEGER NOT NULL, count INTEGER NOT NULL,
    operating_state INTEGER NOT NULL, zone TEXT NOT NULL, deviation_count INTEGER NOT NULL, deviation REAL,
    deviation_max REAL, step REAL NOT NULL, drift REAL NOT NULL, PRIMARY KEY (tier, asset)) WITHOUT ROWID;
"
    };
}
pub(super) use score_tables;

/// One row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScoreRow {
    /// Beginning, seconds since 1970.
    pub t: i64,
    /// Snapshots.
    pub count: u32,
    /// Operating state of the last, 0 stopped or unknown.
    pub operating_state: u16,
    /// The worst zone.
    pub zone: Zone,
    /// Snapshots that had a deviation.
    pub deviation_count: u32,
    /// Its mean; meaningless when there was none.
    pub deviation: f64,
    /// The greatest; negative infinite when there was none.
    pub deviation_max: f64,
    /// Largest cumulative sum as a share of its limit, signed.
    pub step: f64,
    /// Largest significant drift, standard deviations, signed.
    pub drift: f64,
}

impl ScoreRow {
    /// Columns of a row, for [`ScoreRow::read`].
    pub const COLUMNS: &str = "t, count, operating_state, zone, deviation_count, deviation, deviation_max, step, drift";

    /// Reads [`ScoreRow::COLUMNS`] from a place on.
    ///
    /// # Errors
    /// SQLite's; a zone that nobody knows.
    pub fn read(row: &rusqlite::Row<'_>, first: usize) -> rusqlite::Result<Self> {
        let zone = serde_json::from_value(row.get::<_, String>(first + 3)?.into());
        let unknown = |error: serde_json::Error| {
            rusqlite::Error::FromSqlConversionFailure(first + 3, rusqlite::types::Type::Text, error.into())
        };
        Ok(Self {
            t: row.get(first)?,
            count: row.get(first + 1)?,
            operating_state: row.get(first + 2)?,
            zone: zone.map_err(unknown)?,
            deviation_count: row.get(first + 4)?,
            deviation: row.get::<_, Option<f64>>(first + 5)?.unwrap_or(0.0),
            deviation_max: row.get::<_, Option<f64>>(first + 6)?.unwrap_or(f64::NEG_INFINITY),
            step: row.get(first + 7)?,
            drift: row.get(first + 8)?,
        })
    }

    /// Mean and greatest deviation, where there was one.
    pub fn deviations(&self) -> Option<(f64, f64)> {
        (self.deviation_count > 0).then_some((self.deviation, self.deviation_max))
    }

    fn begin(t: i64, score: &Score) -> Self {
        Self {
            t,
            count: 0,
            operating_state: score.operating_state,
            zone: score.zone,
            deviation_count: 0,
            deviation: 0.0,
            deviation_max: f64::NEG_INFINITY,
            step: 0.0,
            drift: 0.0,
        }
    }

    fn add(&mut self, score: &Score) {
        self.count += 1;
        self.operating_state = score.operating_state;
        self.zone = self.zone.max(score.zone);
        if score.deviation.is_finite() {
            self.deviation_count += 1;
            // The running mean of Welford (1962): no sum that grows.
            self.deviation += (score.deviation - self.deviation) / f64::from(self.deviation_count);
            self.deviation_max = self.deviation_max.max(score.deviation);
        }
        for (known, new) in [(&mut self.step, score.step), (&mut self.drift, score.drift)] {
            if new.abs() > known.abs() && new.is_finite() {
                *known = new;
            }
        }
    }
}

/// The growing rows of all assets, by row of `assets`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Scores {
    open: BTreeMap<i64, [Option<ScoreRow>; 3]>,
}

impl Scores {
    /// Adds a snapshot's; rows it closes go to `closed`. One older than the row that is open changes nothing.
    pub fn add(&mut self, asset: i64, score: &Score, closed: &mut Vec<(Tier, ScoreRow)>) {
        let rows = self.open.entry(asset).or_default();
        for (tier, row) in Tier::ALL.into_iter().zip(rows) {
            let t = tier.row_of(score.at.0);
            match row {
                Some(open) if open.t > t => {}
                Some(open) if open.t == t => open.add(score),
                _ => {
                    let mut fresh = ScoreRow::begin(t, score);
                    fresh.add(score);
                    if let Some(done) = row.replace(fresh) {
                        closed.push((tier, done));
                    }
                }
            }
        }
    }

    /// A growing row as it was saved.
    pub fn put_back(&mut self, asset: i64, tier: Tier, saved: ScoreRow) {
        let rows = self.open.entry(asset).or_default();
        if let Some((_, row)) = Tier::ALL.into_iter().zip(rows).find(|(known, _)| *known == tier) {
            *row = Some(saved);
        }
    }

    /// The growing rows of one asset.
    pub fn open_of(&self, asset: i64) -> impl Iterator<Item = (Tier, &ScoreRow)> {
        let rows = self.open.get(&asset).into_iter().flatten();
        Tier::ALL.into_iter().zip(rows).filter_map(|(tier, row)| Some((tier, row.as_ref()?)))
    }
}

/// Writes a closed row and drops those it outlives.
pub(super) fn write_closed(
    transaction: &Transaction<'_>,
    asset: i64,
    tier: Tier,
    row: &ScoreRow,
) -> rusqlite::Result<()> {
    // Recovery writes the same row again; one that began anew in the middle must not take a fuller one's place.
    const SQL: &str = "INSERT INTO scores VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
        ON CONFLICT DO UPDATE SET count = excluded.count, operating_state = excluded.operating_state, zone = excluded.zone,
        deviation_count = excluded.deviation_count, deviation = excluded.deviation,
        deviation_max = excluded.deviation_max, step = excluded.step, drift = excluded.drift
        WHERE excluded.count >= scores.count";
    write(transaction, SQL, asset, tier, row)?;
    prune::scores(transaction, asset, tier, row.t)?;
    Ok(())
}

/// Saves a growing row with the snapshots.
pub(super) fn write_open(
    transaction: &Transaction<'_>,
    asset: i64,
    tier: Tier,
    row: &ScoreRow,
) -> rusqlite::Result<()> {
    const SQL: &str = "INSERT OR REPLACE INTO scores_open VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)";
    write(transaction, SQL, asset, tier, row)
}

fn write(transaction: &Transaction<'_>, sql: &str, asset: i64, tier: Tier, row: &ScoreRow) -> rusqlite::Result<()> {
    transaction.prepare_cached(sql)?.execute(params![
        tier.secs(),
        asset,
        row.t,
        row.count,
        row.operating_state,
        forms::word(&row.zone),
        row.deviation_count,
        row.deviations().map(|(mean, _)| mean),
        row.deviations().map(|(_, greatest)| greatest),
        row.step,
        row.drift
    ])?;
    Ok(())
}

/// The growing rows as they were saved. A zone that nobody knows any more costs its row.
pub(super) fn read_open(connection: &Connection) -> rusqlite::Result<Scores> {
    let mut scores = Scores::default();
    let mut statement = connection.prepare(&format!("SELECT asset, tier, {} FROM scores_open", ScoreRow::COLUMNS))?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        if let (Some(tier), Ok(saved)) = (Tier::of_secs(row.get(1)?), ScoreRow::read(row, 2)) {
            scores.put_back(row.get(0)?, tier, saved);
        }
    }
    Ok(scores)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keep::Store;
    use roundsman_models::EventTime;

    fn score(secs: i64, deviation: f64, zone: Zone, step: f64) -> Score {
        Score { at: EventTime(secs * 1_000_000), operating_state: 2, deviation, zone, step, drift: -0.5 * step }
    }

    #[test]
    fn a_row_has_the_mean_the_worst_and_the_last() {
        let (mut scores, mut closed) = (Scores::default(), Vec::new());
        let first = Score { operating_state: 1, ..score(0, 1.0, Zone::Normal, -0.75) };
        for score in [first, score(100, 4.0, Zone::Alarm, 0.5), score(299, f64::NAN, Zone::Stopped, 0.0)] {
            scores.add(1, &score, &mut closed);
        }
        scores.add(1, &score(300, f64::NAN, Zone::Learning, f64::NAN), &mut closed);
        // Late: it is written already.
        scores.add(1, &score(299, 9.0, Zone::Alarm, 9.0), &mut closed);
        let row = ScoreRow {
            t: 0,
            count: 3,
            operating_state: 2,
            zone: Zone::Alarm,
            deviation_count: 2,
            deviation: 2.5,
            deviation_max: 4.0,
            step: -0.75,
            drift: 0.375,
        };
        assert_eq!(closed, [(Tier::FiveMinutes, row)]);
        let hour = scores.open_of(1).find(|(tier, _)| *tier == Tier::Hour).expect("it grows");
        assert_eq!((hour.1.count, hour.1.deviation_count, hour.1.step), (5, 3, 9.0), "the hour is still open");
        assert_eq!(scores.open_of(1).count(), 3);
        assert_eq!(scores.open_of(2).count(), 0);
    }

    #[test]
    fn saved_and_put_back_in_the_middle_of_a_row_it_goes_on_to_the_same_row() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut store = Store::open(dir.path()).expect("opens");
        let zones = [Zone::Normal, Zone::Learning, Zone::Warning, Zone::Stopped];
        let (mut straight, mut cut) = (Scores::default(), Scores::default());
        let (mut one, mut two) = (Vec::new(), Vec::new());
        for n in 0..500_i32 {
            let deviation = if n % 5 == 0 { f64::NAN } else { f64::from(n).sin() };
            let score = score(i64::from(n) * 7, deviation, zones[(n % 4) as usize], f64::from(n).cos());
            straight.add(3, &score, &mut one);
            cut.add(3, &score, &mut two);
            if n % 13 == 0 {
                let transaction = store.connection.transaction().expect("begins");
                for (tier, row) in cut.open_of(3) {
                    write_open(&transaction, 3, tier, row).expect("writes");
                }
                transaction.commit().expect("commits");
                cut = read_open(&store.connection).expect("reads");
            }
        }
        assert_eq!(one, two);
        assert_eq!(straight, cut);
    }

    /// Six weeks of an asset, and one that fell silent after a week.
    #[test]
    fn rows_stay_as_long_as_the_trends_and_no_longer() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut store = Store::open(dir.path()).expect("opens");
        let transaction = store.connection.transaction().expect("begins");
        let day = 86_400;
        for (asset, days) in [(1, 42), (2, 7)] {
            for t in (0..days * day).step_by(300) {
                let row = ScoreRow::begin(t, &score(t, 1.0, Zone::Normal, 0.0));
                write_closed(&transaction, asset, Tier::FiveMinutes, &row).expect("writes");
            }
        }
        transaction.commit().expect("commits");
        let rows = |asset: i64| {
            let sql = "SELECT count(*), max(t) - min(t) FROM scores WHERE asset = ?1";
            let pair = |row: &rusqlite::Row<'_>| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?));
            store.connection.query_row(sql, [asset], pair).expect("reads")
        };
        assert_eq!(rows(1), (30 * 288 + 1, 30 * day));
        assert_eq!(rows(2), (7 * 288, 7 * day - 300), "all it ever had");
    }
}
