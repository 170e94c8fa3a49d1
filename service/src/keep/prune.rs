//! What makes room in the trend and in the scores: rows past their keeping time go, by the time of the stream.

use super::trend::Tier;
use rusqlite::{Transaction, params};

/// One row in this many asks for the rows too old: each question costs about what writing the row does, and a few rows more
/// than promised harm nobody.
const PRUNED_EVERY: u64 = 8;

/// Whether this closed row, or the pause to the `next` one, asks. By a mixed number and not by a count: recovery comes to the
/// same answer, and a point that speaks in a rhythm of its own is not forgotten. Behind a pause a whole stretch may be too old.
pub(super) fn is_due(asset: i64, point: u16, tier: Tier, t: i64, next: i64) -> bool {
    if next - t > PRUNED_EVERY as i64 * tier.secs() {
        return true;
    }
    // Finaliser of the 64-bit mixer of Steele, Lea & Flood (2014); constants from memory, any that mix would do.
    let mut z = asset.cast_unsigned().rotate_left(40) ^ u64::from(point).rotate_left(20) ^ t.cast_unsigned();
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ (z >> 31)).is_multiple_of(PRUNED_EVERY)
}

/// Drops a point's rows that are past their keeping time now that it has a row which begins at `t`: by its own time, and
/// in the same transaction. So pruning costs a look into the index now and then ([`is_due`]), where a sweep over all
/// points would read the whole table. A point that falls silent keeps the last rows it had.
pub(super) fn trend(
    transaction: &Transaction<'_>,
    asset: i64,
    point: u16,
    tier: Tier,
    t: i64,
) -> rusqlite::Result<usize> {
    let Some(keep) = tier.keep_secs() else { return Ok(0) };
    transaction
        .prepare_cached("DELETE FROM trend WHERE tier = ?1 AND asset = ?2 AND point = ?3 AND t < ?4")?
        .execute(params![tier.secs(), asset, point, t - keep])
}

/// The same of an asset's scores. Asked with every row: there is one per asset where the trend has one per point.
pub(super) fn scores(transaction: &Transaction<'_>, asset: i64, tier: Tier, t: i64) -> rusqlite::Result<usize> {
    let Some(keep) = tier.keep_secs() else { return Ok(0) };
    transaction.prepare_cached("DELETE FROM scores WHERE tier = ?1 AND asset = ?2 AND t < ?3")?.execute(params![
        tier.secs(),
        asset,
        t - keep
    ])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keep::Store;
    use crate::keep::store::{TrendTable, write_trend};
    use crate::keep::trend::Bucket;

    /// Thirteen and a half months of a point, and one that fell silent after forty days.
    #[test]
    fn trend_rows_stay_as_long_as_is_said_and_no_longer() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let mut store = Store::open(dir.path()).expect("opens");
        let transaction = store.connection.transaction().expect("begins");
        let bucket = |t| Bucket { t, count: 1, min: 1.0, mean: 1.0, max: 1.0, ..Bucket::begin(t) };
        let day = 86_400;
        for tier in Tier::ALL {
            for (point, days) in [(0, 410), (1, 40)] {
                // A Monday.
                let begin = 1_930_089_600 / (7 * day) * (7 * day) + 4 * day;
                for t in (begin..begin + days * day).step_by(tier.secs() as usize) {
                    write_trend(&transaction, TrendTable::Closed, 1, point, tier, &bucket(t)).expect("writes");
                    trend(&transaction, 1, point, tier, t).expect("prunes");
                }
            }
        }
        transaction.commit().expect("commits");
        let rows = |tier: Tier, point: u16| {
            let sql = "SELECT count(*), max(t) - min(t) FROM trend WHERE tier = ?1 AND point = ?2";
            let row = store
                .connection
                .query_row(sql, params![tier.secs(), point], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)));
            row.expect("reads")
        };
        for point in [0, 1] {
            assert_eq!(rows(Tier::FiveMinutes, point), (30 * 288 + 1, 30 * day), "30 days and the row that ends them");
        }
        assert_eq!(rows(Tier::Hour, 0), (396 * 24 + 1, 396 * day));
        assert_eq!(rows(Tier::Hour, 1), (40 * 24, 40 * day - 3600), "all it ever had");
        assert_eq!(rows(Tier::Week, 0).0, 59, "for good");
    }

    /// Whatever rhythm a point speaks in.
    #[test]
    fn rows_that_are_too_old_go_within_a_few_rows() {
        for (asset, point, every) in [(1, 0, 1), (1, 5, 8), (7, 2, 64), (-3, u16::MAX, 12)] {
            let asks = |n: &i64| {
                let t = n * every * 300;
                is_due(asset, point, Tier::FiveMinutes, t, t + 300)
            };
            let asking: Vec<i64> = (0..10_000).filter(asks).collect();
            assert!((1000..1500).contains(&asking.len()), "one in eight: {}", asking.len());
            let longest = asking.windows(2).map(|pair| pair[1] - pair[0]).max();
            assert!(longest < Some(100), "{longest:?}");
        }
    }
}
