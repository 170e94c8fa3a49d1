//! What an asset sees of the machines it is grouped with: their findings, read only, as they stand when it takes a step.
//!
//! All machines of a group have one engine and take their steps in the order of the stream, so this too is the same in the
//! daemon, in a replay and after a restart. It rests on their stored states alone.

use super::groups::Group;
use super::{Asset, Context};
use crate::acquire::AssetId;
use crate::advise::document::{Neighbour, Relation, Severity};
use roundsman_models::EventTime;
use std::sync::Arc;

/// Which of an asset's findings: those that can have one cause with a neighbour's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Which {
    /// The machine's.
    Machine = 0,
    /// Its silence.
    Silence = 1,
}

/// A machine of a group an asset is in.
#[derive(Debug, Clone)]
pub struct Near {
    /// Its id.
    pub id: AssetId,
    /// The group.
    pub group: Arc<Group>,
    /// What it is to the asset.
    pub relation: Relation,
}

/// The assets of an engine but the one that takes a step.
#[derive(Clone, Copy)]
pub struct Around<'a>(pub &'a [Option<Box<Asset>>]);

impl Near {
    /// How two machines of a group stand to each other, seen from `asset`.
    pub fn new(id: AssetId, name: &str, asset: &str, group: &Arc<Group>) -> Self {
        let relation = match group.parent.as_deref() {
            Some(parent) if parent == name => Relation::Parent,
            Some(parent) if parent == asset => Relation::Child,
            _ => Relation::Member,
        };
        Self { id, group: Arc::clone(group), relation }
    }
}

impl<'a> Context<'a> {
    /// Machines of the asset's groups, the groups in the order of the file.
    pub fn neighbours(&self) -> impl Iterator<Item = (&'a Near, &'a Asset)> {
        let around = self.around;
        self.near.iter().filter_map(move |near| Some((near, around.0.get(near.id.0 as usize)?.as_deref()?)))
    }

    /// The machine whose open alert is to speak for a finding of this severity that appears now: a parent before others,
    /// then the one that was first. `alike`: machines that speak for each other in any group.
    pub fn speaker(&self, which: Which, at: EventTime, level: Severity, alike: &[String]) -> Option<(&'a str, String)> {
        let mut best: Option<((bool, EventTime), &'a Asset)> = None;
        for (near, asset) in self.neighbours() {
            if !near.group.one_alert && !alike.contains(&asset.spec().name) {
                continue;
            }
            let life = asset.findings().life(which);
            let (Some(raised_at), Some(severity)) = (asset.findings().told_at(which), life.severity()) else {
                continue;
            };
            let speaks = life.active().is_some() && !life.is_held() && severity >= level;
            if !speaks || at.secs_since(raised_at).abs() > near.group.within_secs {
                continue;
            }
            let rank = (near.relation != Relation::Parent, raised_at);
            if best.as_ref().is_none_or(|(known, _)| rank < *known) {
                best = Some((rank, asset));
            }
        }
        let (_, asset) = best?;
        Some((&asset.spec().name, asset.alert_id(which)))
    }

    /// When that alert of that machine was raised, its severity, and how far apart findings of one time are; `None` when it
    /// does not stand any more.
    pub fn standing_alert(&self, which: Which, asset: &str, alert: &str) -> Option<(EventTime, Severity, f64)> {
        let (near, other) = self.neighbours().find(|(_, other)| other.spec().name == asset)?;
        let life = other.findings().life(which);
        let stands = life.active().is_some() && other.alert_id(which) == alert;
        Some((other.findings().told_at(which).filter(|_| stands)?, life.severity()?, near.group.within_secs))
    }

    /// How many machines the alert of this id speaks for.
    pub fn spoken_for(&self, which: Which, alert: &str) -> u32 {
        let mut names: Vec<&str> = Vec::new();
        for (_, other) in self.neighbours() {
            let name = other.spec().name.as_str();
            if other.findings().told_by(which) == Some(alert) && !names.contains(&name) {
                names.push(name);
            }
        }
        names.len() as u32
    }

    /// Machines whose finding is of the time `since`, or that the alert of this id speaks for.
    pub fn same_time(&self, which: Which, since: EventTime, alert: &str) -> Vec<Neighbour> {
        let mut found: Vec<Neighbour> = Vec::new();
        for (near, other) in self.neighbours() {
            let findings = other.findings();
            let told_by = findings.told_by(which);
            let Some((other_since, severity)) = findings.stands(which) else { continue };
            let apart = other_since.secs_since(since).abs();
            let ours = told_by == Some(alert);
            if (apart > near.group.within_secs && !ours) || found.iter().any(|n| n.asset == other.spec().name) {
                continue;
            }
            found.push(Neighbour {
                asset: other.spec().name.clone(),
                group: near.group.name.clone(),
                kind: near.group.kind.clone(),
                relation: near.relation,
                since: other_since,
                severity,
                alert: match told_by {
                    _ if ours => None,
                    Some(third) => Some(third.to_owned()),
                    None => findings.life(which).is_open().then(|| other.alert_id(which)),
                },
            });
        }
        found
    }
}
