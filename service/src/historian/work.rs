//! The loop: connect, catch up, wait, again; and after trouble a longer wait.

use super::explain::{Trouble, sentence};
use super::sink::{Known, Sink, TrendBatch, slot};
use super::source::{AlertKey, AuditKey, Series, Source, of_secs};
use super::tables;
use super::tls::MakeTls;
use crate::acquire::mqtt::backoff::Backoff;
use crate::config::historian::{Historian, Place};
use crate::keep::score::ScoreRow;
use crate::keep::trend::{Bucket, Tier};
use crate::status::{LinkState, Status};
use roundsman_models::EventTime;
use std::collections::{HashMap, HashSet};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tokio_postgres::{Client, NoTls};

/// Trend rows of one transaction: some hundred kilobytes.
const ROWS: usize = 5000;
/// Documents and audit rows of one.
const DOCUMENTS: usize = 200;
/// Between two comparisons of all alerts only those are looked at that are not older than so long before the newest,
/// microseconds: 40 days. An alert comes with the readings it is about, and those are at most `screen.max_past` late.
const LOOKED_AT: i64 = 40 * 86_400 * 1_000_000;
/// After so long the connection is made anew, and everything compared.
const RENEWED: Duration = Duration::from_secs(86_400);
/// A look at what is new takes at most this share of the time, 1 in 20, where that leaves no longer a wait than the next.
const SHARE: u32 = 20;
/// Nothing new waits longer than this to be looked at.
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// A connection that is not made by then, or whose tables are not ready, is tried anew.
const CONNECT: Duration = Duration::from_secs(30);

/// What the copier works with.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The database.
    pub to: Historian,
    /// Part of every key, so that several sites can share one database.
    pub site: String,
    /// Time between looks at what is new.
    pub every: Duration,
    /// Wait after a first failure.
    pub backoff_first: Duration,
    /// Wait after many.
    pub backoff_most: Duration,
}

impl Settings {
    /// With the usual times.
    pub fn new(to: Historian, site: &str) -> Self {
        Self {
            to,
            site: site.to_owned(),
            every: Duration::from_secs(10),
            backoff_first: Duration::from_secs(1),
            backoff_most: Duration::from_secs(60),
        }
    }
}

/// The thread's work.
pub struct Copier {
    /// Settings.
    pub settings: Settings,
    /// What there is to send.
    pub source: Source,
    /// Set once, to the moment by which to be gone.
    pub stop: watch::Receiver<Option<Instant>>,
    /// Counters.
    pub status: Arc<Status>,
    /// Our clock.
    pub now: fn() -> EventTime,
}

/// What is known to be in the database, as of this connection.
struct Copied {
    points: HashMap<(String, String), Known>,
    /// The last row of each width of an asset's scores.
    scores: HashMap<String, [Option<i64>; 3]>,
    /// Alerts not older than `alerts_since`.
    alerts: HashSet<AlertKey>,
    alerts_since: i64,
    /// Audit rows behind `audit_position`; all before it are there.
    audit: HashSet<AuditKey>,
    audit_position: i64,
    /// Nothing was looked at yet: what went while we were away shows now.
    first_look: bool,
}

impl Copier {
    /// Works until it is told to stop.
    pub fn run(mut self) {
        let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
            Ok(runtime) => runtime,
            Err(error) => {
                let why = format!("its runtime cannot be started: {error}");
                tracing::error!("the historian gets nothing until the next start: {why}");
                return self.status.historian.set_link(LinkState::Down(why));
            }
        };
        runtime.block_on(self.serve());
        self.status.historian.set_link(LinkState::Closed);
    }

    async fn serve(&mut self) {
        let mut backoff = Backoff::new(self.settings.backoff_first, self.settings.backoff_most, &self.settings.site);
        let mut told = String::new();
        let gone_by = deadline(self.stop.clone());
        let mut gone_by = std::pin::pin!(gone_by);
        loop {
            let mut up_since = None;
            let ended = tokio::select! {
                ended = self.session(&mut up_since, &mut told) => ended,
                () = &mut gone_by => return,
            };
            let trouble = match ended {
                Ok(()) if self.stop.borrow().is_some() => return,
                Ok(()) => continue,
                Err(trouble) => trouble,
            };
            let words = trouble.words().to_owned();
            self.status.historian.faults.up();
            self.status.historian.set_link(LinkState::Down(words.clone()));
            if told != words {
                tracing::warn!(
                    to = self.settings.to.address(),
                    "the historian gets nothing: {words}. Rows wait in state.db and are sent when it can be"
                );
                told = words;
            }
            let wait = backoff.failed(up_since.map(|since: Instant| since.elapsed()));
            tokio::select! {
                () = tokio::time::sleep(wait) => {}
                // Down when the stop comes: what waits is sent after the next start.
                _ = self.stop.wait_for(Option::is_some) => return,
            }
        }
    }

    /// One connection. Ends well when it was told to stop, and when it is time to compare everything again.
    async fn session(&mut self, up_since: &mut Option<Instant>, told: &mut String) -> Result<(), Trouble> {
        let ready = tokio::time::timeout(CONNECT, async {
            let mut client = self.connect().await?;
            tables::prepare(&mut client, &self.settings.to.schema).await?;
            Ok::<_, Trouble>(client)
        });
        let Ok(client) = ready.await else {
            return Err(Trouble::Again(format!("it is not ready within {} s", CONNECT.as_secs())));
        };
        let client = client?;
        let mut sink = Sink::new(client, &self.settings.to.schema, &self.settings.site);
        let mut copied = Copied::read(&sink, &self.source).await?;
        let opened = Instant::now();
        let mut stop = self.stop.clone();
        loop {
            // Told to stop, it looks once more, since what was written last is written now.
            let last = stop.borrow().is_some();
            let began = Instant::now();
            self.look(&mut sink, &mut copied).await?;
            // The first works off what has gathered, however long; that says nothing of the next.
            let took = if copied.first_look { Duration::ZERO } else { began.elapsed() };
            copied.first_look = false;
            let progress = &self.status.historian;
            progress.complete_at.set((self.now)());
            if up_since.is_none() {
                *up_since = Some(Instant::now());
                progress.connects.up();
                progress.set_link(LinkState::Connected);
                tracing::info!(to = self.settings.to.address(), "the historian has all there is");
                told.clear();
            }
            if last || opened.elapsed() > RENEWED {
                return Ok(());
            }
            tokio::select! {
                () = tokio::time::sleep(self.settings.every.max((took * SHARE).min(LONGEST_WAIT))) => {}
                _ = stop.wait_for(Option::is_some) => {}
            }
        }
    }

    async fn connect(&self) -> Result<Client, Trouble> {
        let to = &self.settings.to;
        let mut config = tokio_postgres::Config::new();
        config.port(to.port).dbname(&to.database).user(&to.username).application_name("roundsman");
        // A connection that was cut on the way is noticed after a minute and not after hours.
        config.keepalives_idle(Duration::from_secs(30)).keepalives_interval(Duration::from_secs(10));
        config.tcp_user_timeout(Duration::from_secs(60));
        if let Some(password) = &to.password {
            config.password(password.reveal());
        }
        match &to.place {
            Place::Socket(folder) => {
                config.host_path(folder).ssl_mode(tokio_postgres::config::SslMode::Disable);
                open(config.connect(NoTls)).await
            }
            Place::Network { host, tls: None } => {
                config.host(host).ssl_mode(tokio_postgres::config::SslMode::Disable);
                open(config.connect(NoTls)).await
            }
            Place::Network { host, tls: Some(tls) } => {
                // Require: one who sits between us could otherwise say that the server speaks none.
                config.host(host).ssl_mode(tokio_postgres::config::SslMode::Require);
                open(config.connect(MakeTls::new(tls.client_config()))).await
            }
        }
    }

    /// Sends all there is.
    async fn look(&self, sink: &mut Sink, copied: &mut Copied) -> Result<(), Trouble> {
        let sent = self.settings.to.sent;
        if sent.alerts {
            self.alerts(sink, copied).await?;
        }
        if sent.audit {
            self.audit(sink, copied).await?;
        }
        if sent.trend {
            self.trend(sink, &mut copied.points, copied.first_look).await?;
        }
        if sent.scores {
            self.scores(sink, &mut copied.scores, copied.first_look).await?;
        }
        Ok(())
    }

    async fn trend(
        &self,
        sink: &mut Sink,
        points: &mut HashMap<(String, String), Known>,
        first_look: bool,
    ) -> Result<(), Trouble> {
        let all = self.source.series()?;
        let name = |series: &Series| (series.asset.clone(), series.point.clone());
        let new: Vec<&Series> = all.iter().filter(|series| first_look || !points.contains_key(&name(series))).collect();
        for new in new.chunks(ROWS) {
            for (name, id) in sink.number(new).await? {
                points.entry(name).or_default().id = id;
            }
        }
        let mut batch = TrendBatch::default();
        for series in &all {
            let Some(known) = points.get_mut(&name(series)) else { continue };
            let mut fresh = first_look;
            for tier in Tier::ALL {
                // A sample that ends an hour or a week ends five minutes too: without those there is nothing wider.
                if !fresh && tier != Tier::FiveMinutes {
                    break;
                }
                let Some(until) = known.sent.get_mut(slot(tier)) else { continue };
                loop {
                    let room = ROWS - batch.rows.len();
                    let rows = self.source.rows(series, tier, *until, room)?;
                    if first_look && let Some(after) = *until {
                        let newest = self.source.newest(series, tier)?;
                        batch.missed.extend(
                            gone(tier, after, rows.first(), newest)
                                .map(|(since, until)| (known.id, tier, since, until)),
                        );
                    }
                    fresh |= !rows.is_empty();
                    let full = rows.len() == room;
                    if let Some(last) = rows.last() {
                        *until = Some(last.t);
                    }
                    batch.rows.extend(rows.into_iter().map(|row| (known.id, tier, row)));
                    if !full {
                        break;
                    }
                    self.write_trend(sink, &mut batch).await?;
                }
            }
        }
        if batch.rows.is_empty() { Ok(()) } else { self.write_trend(sink, &mut batch).await }
    }

    /// What went by its age before it could be sent is missing here as it is in the trend, whose table `missed` says it.
    async fn scores(
        &self,
        sink: &mut Sink,
        scored: &mut HashMap<String, [Option<i64>; 3]>,
        first_look: bool,
    ) -> Result<(), Trouble> {
        let mut batch = Vec::new();
        for (asset_row, asset) in self.source.assets()? {
            let sent = scored.entry(asset.clone()).or_default();
            let mut fresh = first_look;
            for (tier, until) in Tier::ALL.into_iter().zip(sent) {
                // As in the trend: nothing wider ends without the five minutes.
                if !fresh && tier != Tier::FiveMinutes {
                    break;
                }
                loop {
                    let room = ROWS - batch.len();
                    let rows = self.source.scores(asset_row, tier, *until, room)?;
                    fresh |= !rows.is_empty();
                    let full = rows.len() == room;
                    if let Some(last) = rows.last() {
                        *until = Some(last.t);
                    }
                    batch.extend(rows.into_iter().map(|row| (asset.clone(), tier, row)));
                    if !full {
                        break;
                    }
                    self.write_scores(sink, &mut batch).await?;
                }
            }
        }
        if batch.is_empty() { Ok(()) } else { self.write_scores(sink, &mut batch).await }
    }

    async fn write_scores(&self, sink: &mut Sink, batch: &mut Vec<(String, Tier, ScoreRow)>) -> Result<(), Trouble> {
        sink.write_scores(batch).await?;
        let progress = &self.status.historian;
        progress.scores.add(batch.len() as u64);
        if let Some(newest) = batch.iter().map(|(.., row)| row.t).max() {
            progress.wrote(of_secs(newest));
        }
        batch.clear();
        Ok(())
    }

    /// What was noted as sent is only in memory, and forgotten with the connection when this fails.
    async fn write_trend(&self, sink: &mut Sink, batch: &mut TrendBatch) -> Result<(), Trouble> {
        sink.write_trend(batch).await?;
        let progress = &self.status.historian;
        progress.trend.add(batch.rows.len() as u64);
        if let Some(newest) = batch.rows.iter().map(|(.., row)| row.t).max() {
            progress.wrote(of_secs(newest));
        }
        for (_, tier, since, until) in &batch.missed {
            let rows = ((until - since) / tier.secs()).max(0).cast_unsigned();
            progress.missed.add(rows);
        }
        if !batch.missed.is_empty() {
            tracing::error!(
                series = batch.missed.len(),
                "rows of the trend were older than state.db keeps them before the historian could be reached; what may be \
                 missing is in its table `missed`"
            );
        }
        *batch = TrendBatch::default();
        Ok(())
    }

    async fn alerts(&self, sink: &Sink, copied: &mut Copied) -> Result<(), Trouble> {
        let progress = &self.status.historian;
        let keys = self.source.alert_keys(copied.alerts_since)?;
        let newest = keys.last().map(|key| key.at);
        let new: Vec<AlertKey> = keys.into_iter().filter(|key| !copied.alerts.contains(key)).collect();
        for keys in new.chunks(DOCUMENTS) {
            let mut rows = Vec::new();
            for key in keys {
                rows.extend(self.source.alert(key)?);
            }
            let mut taken = rows.len() as u64;
            match sink.write_alerts(&rows).await {
                Err(Trouble::Rows(_)) => {
                    for row in &rows {
                        if let Err(trouble) = sink.write_alerts(std::slice::from_ref(row)).await {
                            self.refused(&format!("alert {} revision {}", row.key.id, row.key.revision), trouble)?;
                            taken -= 1;
                        }
                    }
                }
                done => done?,
            }
            progress.alerts.add(taken);
            rows.iter().for_each(|row| progress.wrote(EventTime(row.key.at)));
            copied.alerts.extend(keys.iter().cloned());
        }
        if let Some(newest) = newest {
            copied.alerts_since = newest.saturating_sub(LOOKED_AT);
            copied.alerts.retain(|key| key.at >= copied.alerts_since);
        }
        Ok(())
    }

    async fn audit(&self, sink: &Sink, copied: &mut Copied) -> Result<(), Trouble> {
        let progress = &self.status.historian;
        // Before the rows are read: what it promises is there by then.
        let settled = self.source.settled_position()?;
        let keys = self.source.audit_keys(copied.audit_position)?;
        let new: Vec<AuditKey> = keys.into_iter().filter(|key| !copied.audit.contains(key)).collect();
        for keys in new.chunks(DOCUMENTS) {
            let mut rows = Vec::new();
            for key in keys {
                rows.extend(self.source.audit(key)?);
            }
            let mut taken = rows.len() as u64;
            match sink.write_audit(&rows).await {
                Err(Trouble::Rows(_)) => {
                    for row in &rows {
                        if let Err(trouble) = sink.write_audit(std::slice::from_ref(row)).await {
                            self.refused(&format!("audit {} {}", row.key.position, row.key.part), trouble)?;
                            taken -= 1;
                        }
                    }
                }
                done => done?,
            }
            progress.audit.add(taken);
            rows.iter().for_each(|row| progress.wrote(EventTime(row.key.received)));
            copied.audit.extend(keys.iter().copied());
        }
        copied.audit_position = settled.max(copied.audit_position);
        copied.audit.retain(|key| key.position > copied.audit_position);
        Ok(())
    }

    /// A single row that the database does not take: counted and told, so that it does not hold up those behind it.
    fn refused(&self, what: &str, trouble: Trouble) -> Result<(), Trouble> {
        let Trouble::Rows(why) = trouble else { return Err(trouble) };
        self.status.historian.refused.up();
        tracing::error!("the historian does not take {what}: {why}. It stays in state.db");
        Ok(())
    }
}

impl Copied {
    async fn read(sink: &Sink, source: &Source) -> Result<Self, Trouble> {
        Ok(Self {
            points: sink.points().await?,
            scores: sink.scored().await?,
            alerts: sink.alert_keys().await?,
            alerts_since: i64::MIN,
            // What state.db does not keep any more need not be compared.
            audit: sink.audit_keys(source.first_audit()?.unwrap_or(0)).await?,
            audit_position: i64::MIN,
            first_look: true,
        })
    }
}

/// What of a series went by its age while nobody sent it: its first second and the end. `after`: the last row that is in
/// the database, `first`: the first one behind it that is still kept.
fn gone(tier: Tier, after: i64, first: Option<&Bucket>, newest: Option<i64>) -> Option<(i64, i64)> {
    let next = after + tier.secs();
    let kept_from = newest? - tier.keep_secs()?;
    // Had the next row been kept, it would be the first; where it was not, and was young enough to be, there was none.
    (next < kept_from && first.is_some_and(|first| first.t > next)).then_some((next, kept_from))
}

async fn open<S, T>(
    connect: impl Future<Output = Result<(Client, tokio_postgres::Connection<S, T>), tokio_postgres::Error>>,
) -> Result<Client, Trouble>
where
    tokio_postgres::Connection<S, T>: Future<Output = Result<(), tokio_postgres::Error>> + Send + 'static,
{
    let (client, connection) = connect.await.map_err(|error| Trouble::Again(sentence(&error)))?;
    tokio::spawn(async move {
        if let Err(error) = connection.await {
            tracing::debug!("the connection to the historian ended: {}", sentence(&error));
        }
    });
    Ok(client)
}

/// Passes when the moment has come by which to be gone.
async fn deadline(mut stop: watch::Receiver<Option<Instant>>) {
    // Where nobody is left who could say, there is nothing to wait for.
    let by = stop.wait_for(Option::is_some).await.map(|by| *by);
    if let Ok(Some(by)) = by {
        tokio::time::sleep_until(by.into()).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAY: i64 = 86_400;

    fn row(t: i64) -> Bucket {
        let (expected_low, expected_high) = (f64::NAN, f64::NAN);
        Bucket {
            t,
            count: 1,
            min: 0.0,
            mean: 0.0,
            max: 0.0,
            expected_count: 0,
            expected: 0.0,
            expected_low,
            expected_high,
        }
    }

    #[test]
    fn only_what_was_too_old_to_be_kept_counts_as_gone() {
        let tier = Tier::FiveMinutes;
        let newest = 100 * DAY;
        let gone = |after, first: Option<i64>| gone(tier, after, first.map(row).as_ref(), Some(newest));
        assert_eq!(gone(60 * DAY, Some(70 * DAY)), Some((60 * DAY + 300, 70 * DAY)), "ten days went");
        assert_eq!(gone(60 * DAY, Some(60 * DAY + 300)), None, "the next one is there");
        assert_eq!(gone(80 * DAY, Some(90 * DAY)), None, "the machine was silent: it would still be kept");
        assert_eq!(gone(60 * DAY, None), None, "all there is has been sent");
        assert_eq!(super::gone(Tier::Week, 0, Some(&row(50 * DAY)), Some(newest)), None, "weeks are kept for good");
    }
}
