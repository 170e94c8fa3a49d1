//! What is wrong, in sentences, from the counters and states.

use super::Shown;
use super::host::Host;
use crate::advise::forms;
use crate::keep::iso;
use crate::status::LinkState;
use crate::vitals::Which;
use roundsman_models::EventTime;
use serde::Serialize;
use std::sync::atomic::Ordering::Relaxed;

/// How it stands, mildest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// Nothing to say.
    Ok,
    /// It works; a person should look.
    Degraded,
    /// A part hangs; only a restart helps.
    Failing,
}

/// The document of `/healthz` and `/readyz`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Health {
    /// The worst of the reasons.
    pub status: Level,
    /// Journal applied, topics subscribed, disk writable.
    pub ready: bool,
    /// Site name.
    pub site: String,
    /// Our version.
    pub version: &'static str,
    /// When we started.
    #[serde(with = "forms::time")]
    pub since: EventTime,
    /// Time by the readings; `null` before the first.
    #[serde(with = "forms::optional_time")]
    pub stream_time: Option<EventTime>,
    /// Why it is not `ok`, worst first.
    pub reasons: Vec<Reason>,
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reason {
    /// A word for machines.
    pub code: &'static str,
    /// How bad.
    pub status: Level,
    /// What is wrong and what to do, for people.
    pub message: String,
}

/// Below this much free space the next backlog may fill the disk.
const LOW_DISK_BYTES: u64 = 512 << 20;
/// A hole or a full outbox is shown for a day.
const SHOWN_SECS: f64 = 86_400.0;
/// The engines being this far behind is worth a look.
const LAG_SECS: f64 = 60.0;

impl Health {
    /// Now.
    pub fn of(shown: &Shown, host: &Host) -> Self {
        let vitals = &shown.status.vitals;
        let mut reasons = Vec::new();
        let now = (shown.now)();
        parts(shown, &mut reasons);
        disk(shown, host, &mut reasons);
        broker(shown, &mut reasons);
        losses(shown, now, &mut reasons);
        historian(shown, now, &mut reasons);
        reasons.sort_by_key(|reason| std::cmp::Reverse(reason.status));
        let blocked = vitals.disk.fault(Which::Journal).is_some() || vitals.disk.fault(Which::State).is_some();
        let subscribed = shown.status.reader() == LinkState::Connected && shown.status.subscribed.get() > 0;
        Self {
            status: reasons.first().map_or(Level::Ok, |reason| reason.status),
            ready: vitals.recovered.load(Relaxed) && subscribed && !blocked && !vitals.stopping.load(Relaxed),
            site: shown.site.clone(),
            version: env!("CARGO_PKG_VERSION"),
            since: shown.since,
            stream_time: vitals.stream_time.get(),
            reasons,
        }
    }
}

/// Every code there is; README explains each.
pub const CODES: [&str; 14] = [
    "stuck",
    "recovering",
    "behind",
    "stopping",
    "disk",
    "disk-low",
    "broker",
    "filter-refused",
    "filter-quiet",
    "hole",
    "state-lost",
    "outbox-full",
    "qos-0-dropped",
    "historian",
];

fn degraded(code: &'static str, message: String) -> Reason {
    debug_assert!(CODES.contains(&code), "{code} is not listed");
    Reason { code, status: Level::Degraded, message }
}

fn parts(shown: &Shown, reasons: &mut Vec<Reason>) {
    let vitals = &shown.status.vitals;
    let stuck = vitals.stuck();
    if !stuck.is_empty() {
        let message = format!(
            "The {} has work in hand and does not get on. This is a fault of roundsman: restart it (under systemd the \
             watchdog does) and report it with the log. Nothing acknowledged is lost.",
            stuck.join(", the ")
        );
        reasons.push(Reason { code: "stuck", status: Level::Failing, message });
    }
    if !vitals.recovered.load(Relaxed) {
        reasons.push(degraded(
            "recovering",
            "What the journal held at the start is still being applied. Alerts come late until it is. Wait.".into(),
        ));
    }
    let lag = vitals.lag_secs();
    if lag > LAG_SECS {
        reasons.push(degraded(
            "behind",
            format!(
                "The engines are {lag:.0} s behind what has arrived. After a stop this passes; if it stays, this machine \
                 is too slow or too busy for the plant."
            ),
        ));
    }
    if vitals.stopping.load(Relaxed) {
        reasons.push(degraded("stopping", "It was told to stop and is finishing its work.".into()));
    }
}

fn disk(shown: &Shown, host: &Host, reasons: &mut Vec<Reason>) {
    let dir = shown.state_dir.display();
    for (which, what, follows) in [
        (Which::Journal, "The journal", "Nothing is acknowledged to the broker, which keeps the readings meanwhile."),
        (Which::State, "The state", "Alerts wait until it can."),
    ] {
        if let Some(why) = shown.status.vitals.disk.fault(which) {
            let message = format!("{what} cannot be written ({why}). {follows} Make room on the disk of {dir}.");
            reasons.push(degraded("disk", message));
        }
    }
    if let Some(free) = host.disk_free_bytes.filter(|free| *free < LOW_DISK_BYTES) {
        let message = format!("Only {} MiB are free on the disk of {dir}. Make room before it is full.", free >> 20);
        reasons.push(degraded("disk-low", message));
    }
}

fn broker(shown: &Shown, reasons: &mut Vec<Reason>) {
    let status = &shown.status;
    for (name, state, follows) in [
        ("reader", status.reader(), "No reading comes in; the broker keeps them for us while its queue lasts."),
        ("writer", status.writer(), "Alerts wait on disk and go out when it is back."),
    ] {
        let why = match state {
            LinkState::Connected | LinkState::Closed => continue,
            LinkState::Connecting => "it has not answered yet".to_owned(),
            LinkState::Down(why) => why,
        };
        let message = format!("The {name}'s connection to the broker is down: {why}. {follows}");
        reasons.push(degraded("broker", message));
    }
    for (filter, why) in status.refused_filters() {
        let message = format!("The broker refused the topic filter {filter}: {why}. Let this account read it.");
        reasons.push(degraded("filter-refused", message));
    }
    for filter in status.quiet_filters() {
        let message = format!(
            "Nothing comes on the topic filter {filter}. Its publishers are silent, it is misspelt, or reading it is \
             forbidden to this account."
        );
        reasons.push(degraded("filter-quiet", message));
    }
}

fn losses(shown: &Shown, now: EventTime, reasons: &mut Vec<Reason>) {
    let (status, vitals) = (&shown.status, &shown.status.vitals);
    let recent = |at: EventTime| now.secs_since(at) < SHOWN_SECS;
    for hole in status.holes().iter().rev().filter(|hole| recent(hole.to)).take(3) {
        let message = format!(
            "The broker lost what was published between {} and {}. Give it `persistence true` and a longer \
             `broker.session_expiry`.",
            iso(hole.from),
            iso(hole.to)
        );
        reasons.push(degraded("hole", message));
    }
    for what in vitals.what_was_lost() {
        reasons.push(degraded("state-lost", format!("Stored state could not be used: {what}. See the log.")));
    }
    if vitals.outbox_overflowed.get().is_some_and(recent) {
        let message = format!(
            "The outbox was full and {} documents were dropped, the least urgent first. Alerts stay in the table `alerts` \
             of state.db. See why the broker takes nothing.",
            status.outbox_dropped.get()
        );
        reasons.push(degraded("outbox-full", message));
    }
    if status.dropped_unsafe.get() > 0 {
        let message = format!(
            "{} messages published with QoS 0 were dropped since the start, because the disk was too slow. Publish with \
             QoS 1.",
            status.dropped_unsafe.get()
        );
        reasons.push(degraded("qos-0-dropped", message));
    }
}

fn historian(shown: &Shown, now: EventTime, reasons: &mut Vec<Reason>) {
    let progress = &shown.status.historian;
    if !progress.is_wanted() {
        return;
    }
    if let LinkState::Down(why) = progress.link() {
        let since = match progress.behind_secs(now) {
            Some(secs) => format!("since {:.0} min", secs / 60.0),
            None => "since the start".to_owned(),
        };
        let message = format!(
            "The historian gets nothing, {since}: {why}. Alerts and readings go their way all the same. Rows wait in \
             state.db, those of 5 minutes for 30 days."
        );
        reasons.push(degraded("historian", message));
    }
    let refused = progress.refused.get();
    if refused > 0 {
        let message = format!(
            "The historian does not take {refused} rows, whatever is tried; the log names them. They stay in state.db."
        );
        reasons.push(degraded("historian", message));
    }
    let missed = progress.missed.get();
    if missed > 0 {
        let message = format!(
            "The historian was away for longer than state.db keeps rows: up to {missed} rows of the trend are missing in it. \
             Its table `missed` says where."
        );
        reasons.push(degraded("historian", message));
    }
}
