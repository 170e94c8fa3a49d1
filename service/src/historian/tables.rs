//! The tables in PostgreSQL. Plain ones; partitioned by time where the TimescaleDB extension is in the database.
//!
//! Every table that grows has its time in its key, which TimescaleDB asks for ("Primary keys on hypertables must include
//! the time column", its documentation on constraints), and the call is the form it knows since 1.0.

use super::explain::Trouble;
use tokio_postgres::{Client, Transaction};

/// Version of the tables. A change is a new version and a way to it from those before.
pub const VERSION: &str = "1";

/// Makes them where they are absent; `schema` is a plain name, which the configuration checks.
///
/// # Errors
/// The server refuses, or the tables are of a version we do not know.
pub async fn prepare(client: &mut Client, schema: &str) -> Result<(), Trouble> {
    let encoding: String = client.query_one("SELECT current_setting('server_encoding')", &[]).await?.get(0);
    if encoding != "UTF8" {
        return Err(Trouble::Again(format!(
            "the database's encoding is {encoding}, and names of machines may have any letter: take one that was made \
             with ENCODING 'UTF8'"
        )));
    }
    let mut transaction = client.transaction().await?;
    // Two services that come at the same time make them one after the other.
    transaction.execute("SELECT pg_advisory_xact_lock(hashtext('tables of ' || $1))", &[&schema]).await?;
    let there = transaction.query_opt("SELECT 1 FROM pg_namespace WHERE nspname = $1", &[&schema]).await?.is_some();
    if !there {
        transaction.batch_execute(&format!("CREATE SCHEMA \"{schema}\"")).await?;
    }
    let meta = format!("{schema}.meta");
    let has_tables: bool = transaction.query_one("SELECT to_regclass($1) IS NOT NULL", &[&meta]).await?.get(0);
    if has_tables {
        let found = transaction
            .query_opt(&format!("SELECT value FROM \"{schema}\".meta WHERE key = 'version'"), &[])
            .await?
            .map_or_else(|| "unknown".to_owned(), |row| row.get::<_, String>(0));
        if found != VERSION {
            return Err(Trouble::Again(format!(
                "the tables in the schema {schema} are of version {found}, this roundsman writes version {VERSION}: name \
                 another schema in historian.schema, or run the version that made them"
            )));
        }
        // They came later, beside those of this version.
        let scores = format!("{schema}.scores");
        if !transaction.query_one("SELECT to_regclass($1) IS NOT NULL", &[&scores]).await?.get::<_, bool>(0) {
            transaction.batch_execute(&MAKE_SCORES.replace("SCHEMA", &format!("\"{schema}\""))).await?;
            partition(&mut transaction, schema, &[SCORES]).await?;
            transaction.commit().await?;
            tracing::info!(schema, "made the tables of the scores");
        }
        return Ok(());
    }
    transaction.batch_execute(&MAKE.replace("SCHEMA", &format!("\"{schema}\""))).await?;
    transaction.execute(&format!("INSERT INTO \"{schema}\".meta VALUES ('version', $1)"), &[&VERSION]).await?;
    transaction.batch_execute(&MAKE_SCORES.replace("SCHEMA", &format!("\"{schema}\""))).await?;
    partition(&mut transaction, schema, &GROWING).await?;
    transaction.commit().await?;
    tracing::info!(schema, "made the tables of the historian");
    Ok(())
}

const MAKE: &str = "
CREATE TABLE SCHEMA.meta (key text PRIMARY KEY, value text NOT NULL);
CREATE TABLE SCHEMA.points (
    point_id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    site text NOT NULL, asset text NOT NULL, point text NOT NULL, unit text NOT NULL, UNIQUE (site, asset, point));
-- width: seconds of a row (300, 3600, 604800); at: its beginning; expected: what the model expected, NULL without any.
CREATE TABLE SCHEMA.trend (
    point_id integer NOT NULL REFERENCES SCHEMA.points, width integer NOT NULL, at timestamptz NOT NULL,
    count bigint NOT NULL, min double precision NOT NULL, mean double precision NOT NULL,
    max double precision NOT NULL, expected_count bigint NOT NULL, expected double precision,
    PRIMARY KEY (point_id, width, at));
CREATE TABLE SCHEMA.alerts (
    site text NOT NULL, id text NOT NULL, revision bigint NOT NULL, at timestamptz NOT NULL, asset text NOT NULL,
    change text NOT NULL, state text NOT NULL, severity text NOT NULL, document jsonb NOT NULL,
    PRIMARY KEY (site, id, revision, at));
CREATE INDEX alerts_by_time ON SCHEMA.alerts (at);
CREATE TABLE SCHEMA.audit (
    site text NOT NULL, position bigint NOT NULL, part bigint NOT NULL, received timestamptz NOT NULL, at timestamptz,
    asset text, said_by text NOT NULL, note text, action text NOT NULL, accepted boolean NOT NULL, answer text NOT NULL,
    topic text, old text, new text,
    PRIMARY KEY (site, position, part, received));
-- How far the copy has come: the last row of each series. Alerts and audit are compared by their keys.
CREATE TABLE SCHEMA.trend_sent (
    point_id integer NOT NULL REFERENCES SCHEMA.points, width integer NOT NULL, at timestamptz NOT NULL,
    PRIMARY KEY (point_id, width));
-- Rows may be missing here: they were dropped by their age before they could be sent.
CREATE TABLE SCHEMA.missed (
    point_id integer NOT NULL REFERENCES SCHEMA.points, width integer NOT NULL, since timestamptz NOT NULL,
    until timestamptz NOT NULL, PRIMARY KEY (point_id, width, since));
CREATE VIEW SCHEMA.readings AS
    SELECT site, asset, point, unit, width, at, count, min, mean, max, expected_count, expected
    FROM SCHEMA.trend JOIN SCHEMA.points USING (point_id);
";

const MAKE_SCORES: &str = "
-- One row per asset and width: operating_state: of its last snapshot, 0 stopped or unknown; zone: the worst; deviation: mean, NULL
-- while learning or stopped; step, drift: the furthest from 0.
CREATE TABLE SCHEMA.scores (
    site text NOT NULL, asset text NOT NULL, width integer NOT NULL, at timestamptz NOT NULL, count bigint NOT NULL,
    operating_state integer NOT NULL, zone text NOT NULL, deviation_count bigint NOT NULL, deviation double precision,
    deviation_max double precision, step double precision NOT NULL, drift double precision NOT NULL,
    PRIMARY KEY (site, asset, width, at));
CREATE TABLE SCHEMA.scores_sent (
    site text NOT NULL, asset text NOT NULL, width integer NOT NULL, at timestamptz NOT NULL,
    PRIMARY KEY (site, asset, width));
";

/// A table, its time column, and the span of a partition.
type Growing = (&'static str, &'static str, &'static str);
const SCORES: Growing = ("scores", "at", "30 days");
const GROWING: [Growing; 4] =
    [("trend", "at", "7 days"), SCORES, ("alerts", "at", "90 days"), ("audit", "received", "90 days")];

/// What the extension refuses costs the partitions, not the copy.
async fn partition(all: &mut Transaction<'_>, schema: &str, growing: &[Growing]) -> Result<(), Trouble> {
    if all.query_opt("SELECT 1 FROM pg_extension WHERE extname = 'timescaledb'", &[]).await?.is_none() {
        return Ok(());
    }
    for (table, column, span) in growing {
        let call = format!(
            "SELECT create_hypertable('\"{schema}\".{table}', '{column}', chunk_time_interval => INTERVAL '{span}')"
        );
        let attempt = all.savepoint("partition").await?;
        match attempt.batch_execute(&call).await {
            Ok(()) => {
                attempt.commit().await?;
                tracing::info!(table, "is a hypertable");
            }
            Err(error) => {
                attempt.rollback().await?;
                tracing::warn!(table, "stays a plain table, TimescaleDB refused: {}", super::explain::sentence(&error));
            }
        }
    }
    Ok(())
}
