//! SIGHUP: the configuration is read and checked again, what can be applied is, and what cannot is named.
//!
//! A change takes effect as an entry in the journal, between two readings. So a recovery and a replay of the journal
//! apply it at the same place, and the rule that live, recovered and replayed give the same documents holds through it.

use crate::acquire::mqtt::reader::Reconfigured;
use crate::config::{Checked, under_clock};
use crate::error::Error;
use crate::run;
use crate::service_manager;
use std::collections::BTreeMap;
use tokio::sync::mpsc;

/// How far a change of a setting reaches while the daemon runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reach {
    /// From the next reading on.
    Now,
    /// Each asset goes on under the old value until it learns anew (command `relearn`).
    Relearn,
    /// Assets that are registered from now on; it is part of the state of the others.
    NewAssets,
    /// Not at all: a restart is needed.
    Restart,
}

/// What the settings of a table, or one of them, reach. The engine keeps what a model was made with inside its state, so
/// a restart reaches no further than SIGHUP does.
const REACHES: [(&str, Reach); 26] = [
    ("broker", Reach::Restart),
    ("state", Reach::Restart),
    ("http", Reach::Restart),
    ("mail", Reach::Restart),
    ("historian", Reach::Restart),
    ("page", Reach::Restart),
    ("users", Reach::Restart),
    ("journal", Reach::Restart),
    ("audit", Reach::Restart),
    ("service", Reach::Restart),
    ("publish", Reach::Restart),
    ("sparkplug.groups", Reach::Restart),
    ("sparkplug.host_id", Reach::Restart),
    ("sparkplug.publish", Reach::Restart),
    ("site.name", Reach::Restart),
    ("site.units", Reach::Restart),
    ("site.zone", Reach::Now),
    ("align", Reach::NewAssets),
    ("alarm.raise_snapshots", Reach::NewAssets),
    ("alarm.clear_snapshots", Reach::NewAssets),
    ("alarm.deadband", Reach::Relearn),
    ("detect.step_slack_sigmas", Reach::Relearn),
    ("detect.step_limit_sigmas", Reach::Relearn),
    ("detect.least_change", Reach::Relearn),
    ("learn", Reach::Relearn),
    ("cadence", Reach::NewAssets),
];

/// How far a change of the setting at `path` reaches.
pub fn reach(path: &str) -> Reach {
    // `assets.NAME.detect.least_change` reaches as far as `detect.least_change`. A name may have points in it.
    let own = path.strip_prefix("assets.").map(|rest| {
        let tables = ["learn.", "align.", "detect.", "alarm.", "screen."];
        let table = tables.iter().filter_map(|table| rest.find(&format!(".{table}")).map(|at| at + 1)).min();
        match table {
            Some(at) => rest.get(at..).unwrap_or(rest),
            None if rest.ends_with(".cadence") => "cadence",
            None => "",
        }
    });
    let path = own.unwrap_or(path);
    let within = |table: &str| path == table || path.strip_prefix(table).is_some_and(|rest| rest.starts_with('.'));
    REACHES.iter().find(|(table, _)| within(table)).map_or(Reach::Now, |(_, reach)| *reach)
}

/// What is in effect, to compare a new configuration with.
pub struct Running {
    started_with: Checked,
    in_effect: BTreeMap<String, u64>,
}

/// What a new configuration changes.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Change {
    /// Paths by how far they reach.
    pub paths: BTreeMap<Reach, Vec<String>>,
}

impl Change {
    fn of(&self, reach: Reach) -> &[String] {
        self.paths.get(&reach).map(Vec::as_slice).unwrap_or_default()
    }

    /// Whether the engine has to hear of it.
    pub fn concerns_engine(&self) -> bool {
        self.paths.keys().any(|reach| *reach != Reach::Restart)
    }

    /// One line for the service manager.
    pub fn summary(&self) -> String {
        let count = |reach| self.of(reach).len();
        let applied = count(Reach::Now) + count(Reach::Relearn) + count(Reach::NewAssets);
        format!("configuration read again: {applied} settings changed, {} need a restart", count(Reach::Restart))
    }
}

impl Running {
    /// The configuration the daemon was started with.
    pub fn new(config: &Checked) -> Self {
        Self { started_with: config.clone(), in_effect: (*config.fingerprints).clone() }
    }

    /// Compares. What needs a restart is compared with the start, the rest with what was applied last.
    pub fn compare(&self, next: &Checked) -> Change {
        let mut change = Change::default();
        let started = &*self.started_with.fingerprints;
        let all: std::collections::BTreeSet<&String> =
            started.keys().chain(self.in_effect.keys()).chain(next.fingerprints.keys()).collect();
        for path in all {
            let reach = reach(path);
            let before = if reach == Reach::Restart { started } else { &self.in_effect };
            if before.get(path) != next.fingerprints.get(path) {
                change.paths.entry(reach).or_default().push(path.clone());
            }
        }
        change
    }

    /// Takes a new configuration: says what it changes, and gives what the daemon has to be told.
    ///
    /// # Errors
    /// It cannot work; nothing is changed.
    pub fn take(&mut self, next: &Checked) -> Result<(Change, Option<Reconfigured>), Error> {
        let change = self.compare(next);
        // Site and prefix stay those of the start.
        let mixed = Checked {
            publish: self.started_with.publish.clone(),
            site: self.started_with.site.clone(),
            ..next.clone()
        };
        let settings = run::settings(&mixed, &run::topics(&mixed)?)?;
        self.in_effect = (*next.fingerprints).clone();
        // A change of the clock waits for the restart, like all of [broker].
        let clock = self.started_with.clock();
        let recorded = next.recorded.as_ref().filter(|_| change.concerns_engine());
        let told = recorded.and_then(|recorded| Some(under_clock(recorded, clock)?.into()));
        let told = told.map(|recorded| Reconfigured { recorded, filters: Some(settings.broker.filters) });
        Ok((change, told))
    }
}

/// Reads again at every SIGHUP, for ever.
///
/// # Errors
/// The handler cannot be installed.
pub async fn listen(
    config: &Checked,
    load: impl Fn() -> Result<Checked, Error>,
    changes: mpsc::Sender<Reconfigured>,
) -> std::io::Result<std::convert::Infallible> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut hangup = signal(SignalKind::hangup())?;
    let mut running = Running::new(config);
    loop {
        if hangup.recv().await.is_none() {
            // The runtime is ending; so are we.
            std::future::pending::<()>().await;
        }
        service_manager::reloading();
        let taken = load().and_then(|next| running.take(&next));
        match taken {
            Err(error) => {
                tracing::error!("SIGHUP: nothing is changed, the configuration in effect stays: {error}");
                service_manager::reloaded("the changed configuration has faults; the one before stays in effect");
            }
            Ok((change, told)) => {
                say(&change);
                if let Some(told) = told {
                    // Closed: the daemon is on its way out and needs no configuration.
                    let _ = changes.send(told).await;
                }
                service_manager::reloaded(&change.summary());
            }
        }
    }
}

fn say(change: &Change) {
    if change.paths.is_empty() {
        tracing::info!("SIGHUP: the configuration is the one in effect");
    }
    for (reach, paths) in &change.paths {
        let paths = paths.join(", ");
        match reach {
            Reach::Now => tracing::info!("SIGHUP: in effect from the next reading on: {paths}"),
            Reach::Relearn => tracing::info!("SIGHUP: in effect for each asset when it learns anew (relearn): {paths}"),
            Reach::NewAssets => tracing::info!("SIGHUP: in effect for assets registered from now on: {paths}"),
            Reach::Restart => tracing::warn!("SIGHUP: not in effect before a restart: {paths}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Sources, from_text};

    fn config(text: &str) -> Checked {
        let text = format!("site.name = \"s\"\nbroker.url = \"mqtt://localhost\"\n{text}");
        from_text(Some(&text), &Sources { needs_broker: true, ..Sources::default() }).expect("no faults")
    }

    const TOPICS: &str = "topics = [{ pattern = \"plant/{asset}/{point}\" }]\n";

    #[test]
    fn every_setting_reaches_as_far_as_is_said() {
        for (path, want) in [
            ("detect.advisory_sigmas", Reach::Now),
            ("assets.pump-7.points.vib.alarm_high", Reach::Now),
            ("assets.a.b.points.p.unit", Reach::Now),
            ("topics", Reach::Now),
            ("learn.run_time", Reach::Relearn),
            ("assets.pump-7.learn.run_time", Reach::Relearn),
            ("assets.pump 7.x.alarm.clear_snapshots", Reach::NewAssets),
            ("assets.pump-7.cadence", Reach::NewAssets),
            ("broker.url", Reach::Restart),
            ("http.listen", Reach::Restart),
            ("site.name", Reach::Restart),
            ("site.units", Reach::Restart),
            ("statement", Reach::Now),
        ] {
            assert_eq!(reach(path), want, "{path}");
        }
    }

    #[test]
    fn only_what_changed_is_named_and_a_restart_is_asked_for_until_it_comes() {
        let mut running = Running::new(&config(&format!("{TOPICS}detect.advisory_sigmas = 5\n")));
        let next = config(&format!("{TOPICS}detect.advisory_sigmas = 4\nbroker.keep_alive = \"20 s\"\n"));
        let (change, told) = running.take(&next).expect("it can work");
        assert_eq!(change.of(Reach::Now), ["detect.advisory_sigmas"]);
        assert_eq!(change.of(Reach::Restart), ["broker.keep_alive"]);
        assert!(told.is_some_and(|told| told.recorded == next.recorded.clone().expect("recorded")));
        let (change, told) = running.take(&next).expect("it can work");
        assert_eq!(change.of(Reach::Now), [] as [&str; 0]);
        assert_eq!(change.of(Reach::Restart), ["broker.keep_alive"], "still the old one");
        assert!(told.is_none());
        let other_clock = config(&format!("{TOPICS}detect.advisory_sigmas = 3\nbroker.clock = \"stream\"\n"));
        let (change, told) = running.take(&other_clock).expect("it can work");
        assert_eq!(change.of(Reach::Restart), ["broker.clock"]);
        let told = crate::config::from_recorded(&told.expect("told").recorded, &[]).expect("no faults");
        assert_eq!(told.clock(), Some(crate::config::Clock::Wall), "the reader goes on under the one of the start");
        let other = config("topics = [{ pattern = \"other/{asset}/{point}\" }]\ndetect.advisory_sigmas = 4\n");
        let (_, told) = running.take(&other).expect("it can work");
        assert_eq!(told.and_then(|told| told.filters), Some(vec!["other/+/+".to_owned()]));
    }
}
