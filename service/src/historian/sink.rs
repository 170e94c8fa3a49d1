//! Writes rows, and in the same transaction how far they have come.

use super::explain::Trouble;
use super::source::{AlertKey, AlertRow, AuditEntry, AuditKey, Series, micros, system_time};
use crate::advise::forms;
use crate::keep::read::AuditRow;
use crate::keep::score::ScoreRow;
use crate::keep::trend::{Bucket, Tier};
use std::collections::{HashMap, HashSet};
use std::time::{Duration, SystemTime};
use tokio_postgres::{Client, Transaction};

/// A transaction that takes longer hangs, as far as we are concerned: the connection is given up.
const LONGEST: Duration = Duration::from_secs(60);

/// What is known of a point in the database.
#[derive(Debug, Clone, Copy, Default)]
pub struct Known {
    /// Its number there.
    pub id: i32,
    /// The last row of each width that is there, by [`Tier::ALL`]; seconds.
    pub sent: [Option<i64>; 3],
}

/// Rows of several series, for one transaction.
#[derive(Debug, Default)]
pub struct TrendBatch {
    /// Number of the point, width, row; those of a series in the order of their time.
    pub rows: Vec<(i32, Tier, Bucket)>,
    /// Number of the point, width, first second and end of what may be missing.
    pub missed: Vec<(i32, Tier, i64, i64)>,
}

/// A connection whose tables are prepared.
pub struct Sink {
    client: Client,
    schema: String,
    site: String,
}

impl Sink {
    /// Over a connection.
    pub fn new(client: Client, schema: &str, site: &str) -> Self {
        Self { client, schema: schema.to_owned(), site: site.to_owned() }
    }

    fn sql(&self, text: &str) -> String {
        text.replace("SCHEMA", &format!("\"{}\"", self.schema))
    }

    /// Every point of this site with the last rows that are there.
    ///
    /// # Errors
    /// The connection's or the server's.
    pub async fn points(&self) -> Result<HashMap<(String, String), Known>, Trouble> {
        let mut all = HashMap::new();
        let mut names = HashMap::new();
        let sql = self.sql("SELECT point_id, asset, point FROM SCHEMA.points WHERE site = $1");
        for row in within(self.client.query(&sql, &[&self.site])).await? {
            let (id, name) = (row.get::<_, i32>(0), (row.get::<_, String>(1), row.get::<_, String>(2)));
            names.insert(id, name.clone());
            all.insert(name, Known { id, ..Known::default() });
        }
        let sql = self.sql(
            "SELECT s.point_id, s.width, s.at FROM SCHEMA.trend_sent s JOIN SCHEMA.points p USING (point_id)
             WHERE p.site = $1",
        );
        for row in within(self.client.query(&sql, &[&self.site])).await? {
            let (id, width, at) = (row.get::<_, i32>(0), row.get::<_, i32>(1), row.get::<_, SystemTime>(2));
            let slot = Tier::of_secs(width.into()).map(slot);
            if let (Some(name), Some(slot)) = (names.get(&id), slot)
                && let Some(known) = all.get_mut(name)
                && let Some(sent) = known.sent.get_mut(slot)
            {
                *sent = Some(micros(at).div_euclid(1_000_000));
            }
        }
        Ok(all)
    }

    /// Numbers for these points, new ones where there are none.
    ///
    /// # Errors
    /// The connection's or the server's.
    pub async fn number(&mut self, new: &[&Series]) -> Result<Vec<((String, String), i32)>, Trouble> {
        let column = |of: fn(&Series) -> &str| new.iter().map(|series| of(series)).collect::<Vec<_>>();
        let (assets, points, units) = (column(|s| &s.asset), column(|s| &s.point), column(|s| &s.unit));
        let sql = self.sql(
            "INSERT INTO SCHEMA.points (site, asset, point, unit)
             SELECT $1, r.* FROM unnest($2::text[], $3::text[], $4::text[]) AS r
             ON CONFLICT (site, asset, point) DO UPDATE SET unit = excluded.unit RETURNING point_id, asset, point",
        );
        let rows = within(self.client.query(&sql, &[&self.site, &assets, &points, &units])).await?;
        Ok(rows.iter().map(|row| ((row.get(1), row.get(2)), row.get(0))).collect())
    }

    /// Writes trend rows, how far each series has come, and what may be missing: all of it or nothing.
    ///
    /// # Errors
    /// The connection's or the server's; nothing was written, or all of it was and the answer got lost.
    pub async fn write_trend(&mut self, batch: &TrendBatch) -> Result<(), Trouble> {
        let (rows, missed, sent) = (
            self.sql(TREND),
            self.sql(
                "INSERT INTO SCHEMA.missed SELECT * FROM unnest($1::int[], $2::int[], \
             $3::timestamptz[], $4::timestamptz[]) ON CONFLICT DO NOTHING",
            ),
            self.sql(TREND_SENT),
        );
        within(async {
            let transaction = self.client.transaction().await?;
            write_rows(&transaction, &rows, batch).await?;
            let last: HashMap<(i32, i64), i64> =
                batch.rows.iter().map(|(id, tier, row)| ((*id, tier.secs()), row.t)).collect();
            let ids: Vec<i32> = last.keys().map(|(id, _)| *id).collect();
            let widths: Vec<i32> = last.keys().map(|(_, width)| *width as i32).collect();
            let until: Vec<SystemTime> = last.values().map(|t| at_secs(*t)).collect();
            transaction.execute(&sent, &[&ids, &widths, &until]).await?;
            if !batch.missed.is_empty() {
                let ids: Vec<i32> = batch.missed.iter().map(|gap| gap.0).collect();
                let widths: Vec<i32> = batch.missed.iter().map(|gap| gap.1.secs() as i32).collect();
                let since: Vec<SystemTime> = batch.missed.iter().map(|gap| at_secs(gap.2)).collect();
                let until: Vec<SystemTime> = batch.missed.iter().map(|gap| at_secs(gap.3)).collect();
                transaction.execute(&missed, &[&ids, &widths, &since, &until]).await?;
            }
            transaction.commit().await
        })
        .await
    }

    /// The last row of each width that is there of an asset's scores, by [`Tier::ALL`]; seconds.
    ///
    /// # Errors
    /// The connection's or the server's.
    pub async fn scored(&self) -> Result<HashMap<String, [Option<i64>; 3]>, Trouble> {
        let mut all: HashMap<String, [Option<i64>; 3]> = HashMap::new();
        let sql = self.sql("SELECT asset, width, at FROM SCHEMA.scores_sent WHERE site = $1");
        for row in within(self.client.query(&sql, &[&self.site])).await? {
            let place = Tier::of_secs(row.get::<_, i32>(1).into()).map(slot);
            if let Some(sent) = place.and_then(|place| all.entry(row.get(0)).or_default().get_mut(place)) {
                *sent = Some(micros(row.get(2)).div_euclid(1_000_000));
            }
        }
        Ok(all)
    }

    /// Writes rows of scores, those of an asset in the order of their time, and how far each has come: all of it or nothing.
    ///
    /// # Errors
    /// The connection's or the server's; nothing was written, or all of it was and the answer got lost.
    pub async fn write_scores(&mut self, rows: &[(String, Tier, ScoreRow)]) -> Result<(), Trouble> {
        let (scores, sent) = (self.sql(SCORES), self.sql(SCORES_SENT));
        let assets: Vec<String> = rows.iter().map(|(asset, ..)| clean(asset)).collect();
        let widths: Vec<i32> = rows.iter().map(|(_, tier, _)| tier.secs() as i32).collect();
        let times: Vec<SystemTime> = rows.iter().map(|(.., row)| at_secs(row.t)).collect();
        let counts: Vec<i64> = rows.iter().map(|(.., row)| row.count.into()).collect();
        let states: Vec<i32> = rows.iter().map(|(.., row)| row.operating_state.into()).collect();
        let zones: Vec<String> = rows.iter().map(|(.., row)| forms::word(&row.zone)).collect();
        let judged: Vec<i64> = rows.iter().map(|(.., row)| row.deviation_count.into()).collect();
        let mean: Vec<Option<f64>> = rows.iter().map(|(.., row)| row.deviations().map(|both| both.0)).collect();
        let greatest: Vec<Option<f64>> = rows.iter().map(|(.., row)| row.deviations().map(|both| both.1)).collect();
        let steps: Vec<f64> = rows.iter().map(|(.., row)| row.step).collect();
        let drifts: Vec<f64> = rows.iter().map(|(.., row)| row.drift).collect();
        let last: HashMap<(&str, i32), SystemTime> = assets
            .iter()
            .zip(&widths)
            .zip(&times)
            .map(|((asset, width), at)| ((asset.as_str(), *width), *at))
            .collect();
        let (last_assets, last_widths): (Vec<&str>, Vec<i32>) = last.keys().copied().unzip();
        let last_times: Vec<SystemTime> = last.values().copied().collect();
        within(async {
            let transaction = self.client.transaction().await?;
            let site = &self.site;
            transaction
                .execute(
                    &scores,
                    &[
                        site, &assets, &widths, &times, &counts, &states, &zones, &judged, &mean, &greatest, &steps,
                        &drifts,
                    ],
                )
                .await?;
            transaction.execute(&sent, &[site, &last_assets, &last_widths, &last_times]).await?;
            transaction.commit().await
        })
        .await
    }

    /// Keys of the alerts that are there.
    ///
    /// # Errors
    /// The connection's or the server's.
    pub async fn alert_keys(&self) -> Result<HashSet<AlertKey>, Trouble> {
        let sql = self.sql("SELECT at, id, revision FROM SCHEMA.alerts WHERE site = $1");
        let rows = within(self.client.query(&sql, &[&self.site])).await?;
        let key = |row: &tokio_postgres::Row| AlertKey { at: micros(row.get(0)), id: row.get(1), revision: row.get(2) };
        Ok(rows.iter().map(key).collect())
    }

    /// Keys of the audit rows that are there and stand for a journal row of `position` or later.
    ///
    /// # Errors
    /// The connection's or the server's.
    pub async fn audit_keys(&self, position: i64) -> Result<HashSet<AuditKey>, Trouble> {
        let sql = self.sql("SELECT position, part, received FROM SCHEMA.audit WHERE site = $1 AND position >= $2");
        let rows = within(self.client.query(&sql, &[&self.site, &position])).await?;
        let key = |row: &tokio_postgres::Row| AuditKey {
            position: row.get(0),
            part: row.get(1),
            received: micros(row.get(2)),
        };
        Ok(rows.iter().map(key).collect())
    }

    /// Writes alerts; one that is there already stays as it is.
    ///
    /// # Errors
    /// The connection's or the server's.
    pub async fn write_alerts(&self, rows: &[AlertRow]) -> Result<(), Trouble> {
        let text = |of: fn(&AlertRow) -> &str| rows.iter().map(|row| clean(of(row))).collect::<Vec<_>>();
        let revisions: Vec<i64> = rows.iter().map(|row| row.key.revision).collect();
        let times: Vec<SystemTime> = rows.iter().map(|row| system_time(row.key.at)).collect();
        let documents: Vec<String> = rows.iter().map(|row| clean_json(&row.document)).collect();
        let sql = self.sql(ALERTS);
        let (ids, assets, changes) = (text(|r| &r.key.id), text(|r| &r.asset), text(|r| &r.change));
        let (states, severities) = (text(|r| &r.state), text(|r| &r.severity));
        within(self.client.execute(
            &sql,
            &[&self.site, &ids, &revisions, &times, &assets, &changes, &states, &severities, &documents],
        ))
        .await?;
        Ok(())
    }

    /// Writes audit rows; one that is there already stays as it is.
    ///
    /// # Errors
    /// The connection's or the server's.
    pub async fn write_audit(&self, entries: &[AuditEntry]) -> Result<(), Trouble> {
        type Column = Vec<Option<String>>;
        let text = |of: fn(&AuditRow) -> Option<&String>| -> Column {
            entries.iter().map(|entry| of(&entry.row).map(|text| clean(text))).collect()
        };
        let positions: Vec<i64> = entries.iter().map(|entry| entry.key.position).collect();
        let parts: Vec<i64> = entries.iter().map(|entry| entry.key.part).collect();
        let received: Vec<SystemTime> = entries.iter().map(|entry| system_time(entry.key.received)).collect();
        let times: Vec<Option<SystemTime>> =
            entries.iter().map(|entry| entry.row.at.map(|at| system_time(at.0))).collect();
        let accepted: Vec<bool> = entries.iter().map(|entry| entry.row.accepted).collect();
        let (assets, by, notes) = (text(|r| r.asset.as_ref()), text(|r| Some(&r.by)), text(|r| r.note.as_ref()));
        let (actions, answers) = (text(|r| Some(&r.action)), text(|r| Some(&r.answer)));
        let (topics, old, new) = (text(|r| r.topic.as_ref()), text(|r| r.old.as_ref()), text(|r| r.new.as_ref()));
        let sql = self.sql(AUDIT);
        within(self.client.execute(
            &sql,
            &[
                &self.site, &positions, &parts, &received, &times, &assets, &by, &notes, &actions, &accepted, &answers,
                &topics, &old, &new,
            ],
        ))
        .await?;
        Ok(())
    }
}

// A row that was begun anew in its middle must not take a fuller one's place: the rule of state.db.
const TREND: &str = "
INSERT INTO SCHEMA.trend AS t
SELECT * FROM unnest($1::int[], $2::int[], $3::timestamptz[], $4::bigint[], $5::float8[], $6::float8[], $7::float8[],
    $8::bigint[], $9::float8[])
ON CONFLICT (point_id, width, at) DO UPDATE SET count = excluded.count, min = excluded.min, mean = excluded.mean,
    max = excluded.max, expected_count = excluded.expected_count, expected = excluded.expected
    WHERE excluded.count > t.count";

const TREND_SENT: &str = "
INSERT INTO SCHEMA.trend_sent AS s SELECT * FROM unnest($1::int[], $2::int[], $3::timestamptz[])
ON CONFLICT (point_id, width) DO UPDATE SET at = greatest(s.at, excluded.at)";

const SCORES: &str = "
INSERT INTO SCHEMA.scores AS s
SELECT $1, r.* FROM unnest($2::text[], $3::int[], $4::timestamptz[], $5::bigint[], $6::int[], $7::text[], $8::bigint[],
    $9::float8[], $10::float8[], $11::float8[], $12::float8[]) AS r
ON CONFLICT (site, asset, width, at) DO UPDATE SET count = excluded.count, operating_state = excluded.operating_state,
    zone = excluded.zone, deviation_count = excluded.deviation_count, deviation = excluded.deviation,
    deviation_max = excluded.deviation_max, step = excluded.step, drift = excluded.drift
    WHERE excluded.count > s.count";

const SCORES_SENT: &str = "
INSERT INTO SCHEMA.scores_sent AS s SELECT $1, r.* FROM unnest($2::text[], $3::int[], $4::timestamptz[]) AS r
ON CONFLICT (site, asset, width) DO UPDATE SET at = greatest(s.at, excluded.at)";

const ALERTS: &str = "
INSERT INTO SCHEMA.alerts (site, id, revision, at, asset, change, state, severity, document)
SELECT $1, id, revision, at, asset, change, state, severity, document::jsonb
FROM unnest($2::text[], $3::bigint[], $4::timestamptz[], $5::text[], $6::text[], $7::text[], $8::text[], $9::text[])
    AS r (id, revision, at, asset, change, state, severity, document)
ON CONFLICT DO NOTHING";

const AUDIT: &str = "
INSERT INTO SCHEMA.audit (site, position, part, received, at, asset, said_by, note, action, accepted, answer, topic, old, new)
SELECT $1, r.* FROM unnest($2::bigint[], $3::bigint[], $4::timestamptz[], $5::timestamptz[], $6::text[], $7::text[],
    $8::text[], $9::text[], $10::boolean[], $11::text[], $12::text[], $13::text[], $14::text[]) AS r
ON CONFLICT DO NOTHING";

async fn write_rows(transaction: &Transaction<'_>, sql: &str, batch: &TrendBatch) -> Result<(), tokio_postgres::Error> {
    let rows = &batch.rows;
    let number = |of: fn(&Bucket) -> f64| rows.iter().map(|(.., row)| of(row)).collect::<Vec<f64>>();
    let ids: Vec<i32> = rows.iter().map(|(id, ..)| *id).collect();
    // The widest is a week: it fits.
    let widths: Vec<i32> = rows.iter().map(|(_, tier, _)| tier.secs() as i32).collect();
    let times: Vec<SystemTime> = rows.iter().map(|(.., row)| at_secs(row.t)).collect();
    let counts: Vec<i64> = rows.iter().map(|(.., row)| row.count.into()).collect();
    let expected_counts: Vec<i64> = rows.iter().map(|(.., row)| row.expected_count.into()).collect();
    let expected: Vec<Option<f64>> =
        rows.iter().map(|(.., row)| (row.expected_count > 0).then_some(row.expected)).collect();
    let (min, mean, max) = (number(|r| r.min), number(|r| r.mean), number(|r| r.max));
    transaction.execute(sql, &[&ids, &widths, &times, &counts, &min, &mean, &max, &expected_counts, &expected]).await?;
    Ok(())
}

/// Place of a width in [`Known::sent`].
pub(super) fn slot(tier: Tier) -> usize {
    Tier::ALL.iter().position(|known| *known == tier).unwrap_or(0)
}

fn at_secs(secs: i64) -> SystemTime {
    system_time(secs.saturating_mul(1_000_000))
}

/// A step against the deadline. Where it passes, what became of the step is not known: it is looked up anew.
async fn within<T>(step: impl Future<Output = Result<T, tokio_postgres::Error>>) -> Result<T, Trouble> {
    match tokio::time::timeout(LONGEST, step).await {
        Ok(done) => Ok(done?),
        Err(_) => Err(Trouble::Again(format!("the server did not answer within {} s", LONGEST.as_secs()))),
    }
}

/// PostgreSQL's text holds every character but one.
fn clean(text: &str) -> String {
    text.replace('\0', "\u{fffd}")
}

/// The same for JSON, where that character is written `\u0000`.
fn clean_json(text: &str) -> String {
    fn mend(value: &mut serde_json::Value) {
        match value {
            serde_json::Value::String(text) => *text = clean(text),
            serde_json::Value::Array(items) => items.iter_mut().for_each(mend),
            serde_json::Value::Object(map) => map.values_mut().for_each(mend),
            _ => {}
        }
    }
    if !text.contains("\\u0000") {
        return text.to_owned();
    }
    match serde_json::from_str::<serde_json::Value>(text) {
        Ok(mut value) => {
            mend(&mut value);
            value.to_string()
        }
        Err(_) => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_one_character_postgresql_does_not_take_is_replaced_and_nothing_else() {
        assert_eq!(clean("a\0b\u{1}"), "a\u{fffd}b\u{1}");
        let document = r#"{"note":"a\u0000b","by":["\\u0000"],"n":1.50}"#;
        let mended: serde_json::Value = serde_json::from_str(&clean_json(document)).expect("JSON");
        assert_eq!(mended, serde_json::json!({"note": "a\u{fffd}b", "by": ["\\u0000"], "n": 1.5}));
        let untouched = r#"{"n":1.50}"#;
        assert_eq!(clean_json(untouched), untouched);
    }

    #[test]
    fn times_survive_the_way_through_the_drivers_type() {
        for at in [0, 1, -1, 1_795_392_000_123_456, -62_135_596_800_000_000] {
            assert_eq!(micros(system_time(at)), at);
        }
    }
}
