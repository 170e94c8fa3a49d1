//! Alerts as they are published, one document per change, put together to episodes.

use crate::advise::document::{Alert, Change, Finding, Severity};
use roundsman_models::EventTime;
use std::collections::BTreeMap;

/// An alert from its beginning on.
#[derive(Debug, Clone, PartialEq)]
pub struct Episode {
    /// Its id.
    pub id: String,
    /// Asset.
    pub asset: String,
    /// What it is about.
    pub finding: Finding,
    /// When it was raised.
    pub raised_at: EventTime,
    /// When the change in the data is estimated to have begun, as it was said first.
    pub onset: Option<EventTime>,
    /// When it returned or was closed for the last time; `None`: it still stands.
    pub ended_at: Option<EventTime>,
    /// Each time it began, grew worse or came back, and how bad it then was.
    pub steps: Vec<(EventTime, Severity)>,
    /// Its highest severity.
    pub worst: Severity,
    /// The point its evidence began with.
    pub point: Option<String>,
    /// The sentence it was raised with.
    pub message: String,
}

impl Episode {
    /// Times of the steps at `least` or worse, by time.
    pub fn rises(&self, least: Severity) -> Vec<EventTime> {
        self.steps.iter().filter(|(_, severity)| *severity >= least).map(|(at, _)| *at).collect()
    }
}

/// Puts the transitions of each alert together, by the time they were raised.
pub fn episodes(alerts: &[Alert]) -> Vec<Episode> {
    let mut by_id: BTreeMap<&str, Episode> = BTreeMap::new();
    for alert in alerts {
        let episode = by_id.entry(&alert.id).or_insert_with(|| Episode {
            id: alert.id.clone(),
            asset: alert.asset.clone(),
            finding: alert.finding.clone(),
            raised_at: alert.raised_at,
            onset: alert.onset,
            ended_at: None,
            steps: Vec::new(),
            worst: alert.worst,
            point: alert.contributions.first().map(|part| part.point.clone()),
            message: alert.message.clone(),
        });
        episode.worst = episode.worst.max(alert.worst);
        match alert.change {
            Change::Raised | Change::Escalated | Change::Recurred => {
                episode.steps.push((alert.at, alert.severity));
                episode.ended_at = None;
            }
            Change::Returned | Change::Closed => episode.ended_at = episode.ended_at.or(Some(alert.at)),
            _ => {}
        }
    }
    let mut episodes: Vec<Episode> = by_id.into_values().collect();
    episodes.sort_by(|a, b| (a.raised_at, &a.id).cmp(&(b.raised_at, &b.id)));
    episodes
}
