//! What was planted against what was found. Pure: alerts and forecasts in, a verdict out.

use super::truth::{About, Outage, Planted};
use crate::advise::document::{Alert, Finding, Severity};
use crate::evaluate::{Episode, episodes};
use roundsman_models::EventTime;

/// A silence that begins this long after an outage's end is not the outage's: it is said after the silence was long
/// enough, never before it began.
const SILENCE_LAG_SECS: f64 = 6.0 * 3600.0;

/// One forecast to the alarm limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Said {
    /// Asset.
    pub asset: String,
    /// Point.
    pub point: String,
    /// When it was said.
    pub at: EventTime,
    /// 10 % of the distribution; `None`: beyond the horizon.
    pub p10_hours: Option<f64>,
    /// 90 %.
    pub p90_hours: Option<f64>,
}

/// A planted fault and what was said of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// What was planted.
    pub planted: Planted,
    /// Steps of fitting episodes from the beginning of the fault on, by time; empty when it was not found.
    pub steps: Vec<(EventTime, Severity)>,
    /// How many fitting episodes.
    pub episodes: usize,
    /// For slow faults: forecasts of the last third of the drift, and how many of them held the true time.
    pub forecasts: Option<(usize, usize)>,
}

impl Judged {
    /// First step.
    pub fn found_at(&self) -> Option<EventTime> {
        self.steps.first().map(|(at, _)| *at)
    }
}

/// The verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Up to where it was played.
    pub until: EventTime,
    /// Whether that is the end of the recording.
    pub complete: bool,
    /// Faults that had begun, by time.
    pub faults: Vec<Judged>,
    /// Faults that were planted later than it was played.
    pub not_reached: usize,
    /// Gateway outages and the assets whose silence was reported, of how many in the area.
    pub outages: Vec<(Outage, Vec<String>, usize)>,
    /// Episodes nothing was planted for.
    pub unexplained: Vec<(Episode, String)>,
    /// Machines in which nothing was planted.
    pub healthy: usize,
}

/// Whether an episode is about what was planted, its time left aside.
fn fits(planted: &Planted, episode: &Episode) -> bool {
    planted.asset == episode.asset
        && match &episode.finding {
            Finding::Machine => !planted.of_sensor,
            Finding::Sensor(point) => planted.of_sensor && *point == planted.point,
            Finding::Silence => false,
        }
}

/// Judges what was said of the stream up to `until`.
pub fn judge(about: &About, alerts: &[Alert], said: &[Said], until: EventTime) -> Verdict {
    let episodes = episodes(alerts);
    let mut faults: Vec<Judged> =
        about.faults.iter().filter(|p| p.start < until).map(|p| judge_one(p, &episodes, said, until)).collect();
    faults.sort_by_key(|judged| judged.planted.start);
    let area = |asset: &str| about.assets.iter().find(|a| a.name == asset).map(|a| a.area.as_str());
    let during = |outage: &Outage, episode: &Episode| {
        episode.finding == Finding::Silence
            && area(&episode.asset) == Some(&outage.area)
            && episode.raised_at >= outage.start
            && episode.raised_at <= outage.end.plus_secs(SILENCE_LAG_SECS)
    };
    let outages = about.outages.iter().filter(|outage| outage.start < until).map(|outage| {
        let mut silent: Vec<String> = episodes.iter().filter(|e| during(outage, e)).map(|e| e.asset.clone()).collect();
        silent.sort();
        silent.dedup();
        (outage.clone(), silent, about.assets.iter().filter(|a| a.area == outage.area).count())
    });
    let mut unexplained = Vec::new();
    for episode in &episodes {
        let explained = about.faults.iter().any(|p| fits(p, episode) && episode.raised_at >= p.start)
            || about.outages.iter().any(|outage| during(outage, episode));
        if explained {
            continue;
        }
        let planted: Vec<&Planted> = about.faults.iter().filter(|p| p.asset == episode.asset).collect();
        let why = match planted.as_slice() {
            [] => "nothing is wrong with this machine".to_owned(),
            all if all.iter().any(|p| fits(p, episode)) => "before its fault began".to_owned(),
            [first, ..] => format!("not about its planted fault ({})", first.kind),
        };
        unexplained.push((episode.clone(), why));
    }
    Verdict {
        until,
        complete: until >= about.end,
        not_reached: about.faults.len() - faults.len(),
        faults,
        outages: outages.collect(),
        unexplained,
        healthy: about.assets.iter().filter(|asset| asset.healthy).count(),
    }
}

fn judge_one(planted: &Planted, episodes: &[Episode], said: &[Said], until: EventTime) -> Judged {
    let fitting = episodes.iter().filter(|episode| fits(planted, episode));
    // An episode that was open before may be the one that grows worse.
    let since: Vec<&Episode> =
        fitting.filter(|episode| episode.steps.iter().any(|(at, _)| *at >= planted.start)).collect();
    let mut steps: Vec<(EventTime, Severity)> =
        since.iter().flat_map(|e| e.steps.iter().copied()).filter(|(at, _)| *at >= planted.start).collect();
    steps.sort();
    let forecasts = planted.limit.as_ref().map(|limit| {
        let end = limit.reaches_alarm_at;
        let last_third = planted.start.plus_secs(end.secs_since(planted.start) * 2.0 / 3.0);
        let of_it = said.iter().filter(|said| {
            said.asset == planted.asset
                && said.point == planted.point
                && said.at >= last_third
                && said.at < end.min(until)
        });
        of_it.fold((0, 0), |(all, held), said| {
            let left = end.hours_since(said.at);
            // An end beyond the horizon is later than anything.
            let holds = said.p10_hours.is_some_and(|p10| p10 <= left) && said.p90_hours.is_none_or(|p90| left <= p90);
            (all + 1, held + usize::from(holds))
        })
    });
    Judged { planted: planted.clone(), steps, episodes: since.len(), forecasts }
}

#[cfg(test)]
#[path = "verdict_tests.rs"]
mod tests;
