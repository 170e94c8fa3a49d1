//! What keeps a finding from being told beside a person's word: planned work, and a neighbour's alert that speaks for it.
//! ISA-18.2 calls both "suppressed by design": the finding is evaluated as always, and said once nothing holds it any more.
//!
//! Everything here is stored, since what is said after a restart rests on it.

use super::Context;
use super::calendar::Window;
use super::neighbours::Which;
use crate::advise::document::{Finding, HeldBack, Maintenance, Severity, Withheld};
use roundsman_models::EventTime;
use roundsman_models::detect::alarm::{AlarmLife, Condition, Phase};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Findings listed of one window at most.
const MOST_WITHHELD: usize = 64;
/// A finding is not told before so long after the alert that spoke for it has gone, seconds, or two cadences: machines of one
/// cause do not come back by the same snapshot.
const GRACE_SECS: f64 = 900.0;

/// Another machine's alert speaks for a finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Cover {
    asset: String,
    alert: String,
    /// As severe as the finding may be without being told.
    severity: Severity,
    /// Since when that alert is gone.
    lost: Option<EventTime>,
}

/// What a snapshot or a tick says of a finding.
#[derive(Debug, Clone, Copy)]
pub struct Said<'a> {
    /// Which finding.
    pub which: Which,
    /// When.
    pub at: EventTime,
    /// What it says.
    pub condition: Condition,
    /// Machines that were set up anew with this one.
    pub alike: &'a [String],
}

/// Holds of one asset.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Holds {
    /// The window that is open, or the last one.
    work: Option<Box<Maintenance>>,
    /// Of the machine and of its silence.
    covers: [Option<Box<Cover>>; 2],
    /// The machine's finding was held, and its condition has not been seen since: a delay that still runs out is no news.
    waits: bool,
}

impl Holds {
    /// Follows the calendar; whether it holds at `at`, and whether that is news.
    pub fn planned(&mut self, at: EventTime, windows: &[Arc<Window>]) -> (bool, bool) {
        let open = windows.iter().find_map(|window| Some((window, window.span(at)?)));
        match (&mut self.work, open) {
            (Some(work), Some((_, (from, to)))) if (work.from, work.to) == (from, to) => (true, false),
            (work, Some((window, (from, to)))) => {
                let (reason, by) = (window.reason.clone(), window.by.clone());
                *work = Some(Box::new(Maintenance { from, to, reason, by, open: true, held_back: Vec::new() }));
                (true, true)
            }
            // Ticks run ahead of snapshots, so the end may be seen from before it.
            (Some(work), None) if work.open && (at >= work.to || at < work.from) => {
                work.open = false;
                (false, true)
            }
            _ => (false, false),
        }
    }

    /// Takes down what a life would have said under the calendar, after its step. Whether that is news.
    pub fn note(&mut self, at: EventTime, finding: &Finding, life: &AlarmLife, held: bool) -> bool {
        let Some(work) = &mut self.work else { return false };
        let room = work.held_back.len() < MOST_WITHHELD;
        let open = work.held_back.iter_mut().find(|w| w.finding == *finding && w.gone.is_none() && w.alert.is_none());
        match (open, life.active()) {
            (Some(known), Some(severity)) => {
                let worse = severity > known.severity && !is_told(life);
                known.severity = if worse { severity } else { known.severity };
                worse
            }
            (Some(known), None) => {
                known.gone = Some(at);
                true
            }
            (None, Some(severity)) if held && !is_told(life) && room => {
                let finding = finding.clone();
                work.held_back.push(Withheld { finding, severity, since: at, gone: None, alert: None });
                true
            }
            (None, _) => false,
        }
    }

    /// An alert is raised: why it comes only now, when it was held back by planned work.
    pub fn raised(&mut self, finding: &Finding, alert: &str) -> Option<HeldBack> {
        let Maintenance { from, to, reason, by, held_back, .. } = &mut **self.work.as_mut()?;
        let known = held_back.iter_mut().find(|w| w.finding == *finding && w.gone.is_none() && w.alert.is_none())?;
        known.alert = Some(alert.to_owned());
        Some(HeldBack { since: known.since, from: *from, to: *to, reason: reason.clone(), by: by.clone() })
    }

    /// Whether another machine's alert speaks for what this snapshot or tick says; `news`: whether that has changed.
    pub fn covered(&mut self, said: &Said<'_>, life: &AlarmLife, context: &Context<'_>, news: &mut bool) -> bool {
        let Some(slot) = self.covers.get_mut(said.which as usize) else { return false };
        let before = slot.is_some();
        let covered = cover(slot, said, life, context);
        *news |= before != slot.is_some();
        covered
    }

    /// Alert that speaks for the machine, or for its silence.
    pub fn told_by(&self, which: Which) -> Option<&str> {
        self.covers.get(which as usize)?.as_deref().map(|cover| cover.alert.as_str())
    }

    /// The calendar's last word.
    pub fn work(&self) -> Option<&Maintenance> {
        self.work.as_deref()
    }

    /// Whether the machine's finding stays held because its condition is not there, by this very snapshot, though nothing else
    /// holds it.
    pub fn waits(&self, life: &AlarmLife, seen: Condition) -> bool {
        self.waits && !is_told(life) && !matches!(seen, Condition::Present(_))
    }

    /// The machine's life took its step under these holds.
    pub fn stepped(&mut self, life: &AlarmLife, held: bool) {
        self.waits = held && !is_told(life) && life.active().is_some();
    }
}

/// Whether an alert is open and active: what it stands for has been said. One that has returned is said again when it recurs.
fn is_told(life: &AlarmLife) -> bool {
    matches!(life.phase(), Phase::Unacknowledged | Phase::Acknowledged)
}

fn cover(slot: &mut Option<Box<Cover>>, said: &Said<'_>, life: &AlarmLife, context: &Context<'_>) -> bool {
    let Said { which, at, condition, alike } = *said;
    if is_told(life) || context.near.is_empty() {
        *slot = None;
        return false;
    }
    let level = match condition {
        Condition::Present(level) => Some(level),
        Condition::Absent | Condition::Unknown => None,
    };
    let Some(known) = slot else {
        let Some(level) = level else { return false };
        *slot = context
            .speaker(which, at, level, alike)
            .map(|(asset, alert)| Box::new(Cover { asset: asset.to_owned(), alert, severity: level, lost: None }));
        return slot.is_some();
    };
    let speaks = context.standing_alert(which, &known.asset, &known.alert);
    let Some((raised_at, severity, within_secs)) = speaks else {
        let grace = GRACE_SECS.max(2.0 * context.cadence_secs.unwrap_or(0.0));
        if at.secs_since(*known.lost.get_or_insert(at)) < grace {
            return true;
        }
        *slot = None;
        return false;
    };
    known.lost = None;
    if let Some(level) = level.filter(|level| *level > known.severity) {
        // Still the same event; later it is a machine that gets worse by itself.
        if at.secs_since(raised_at) > within_secs || level > severity {
            *slot = None;
            return false;
        }
        known.severity = level;
    }
    if level.is_none() && life.active().is_none() && condition == Condition::Absent {
        *slot = None;
    }
    true
}
