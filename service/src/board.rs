//! The published copy of where every machine stands: what the page and the Sparkplug edge node read instead of the live
//! state.
//!
//! Written by the shards as they put documents on their way. Who writes and who reads hold the lock only while they move
//! pointers, so that no reader can keep a shard waiting. After a start it is filled from `state.db`, then by what comes.

use crate::advise::document::{Alert, Change, Condition, LifeState, RemainingLife};
use crate::asset::spec::AssetSpec;
use crate::keep::KeepError;
use crate::keep::read::Reader;
use crate::vitals::Moment;
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::watch;

/// Where one machine stands.
#[derive(Debug, Clone, Default)]
pub struct Standing {
    /// Plate data and points.
    pub spec: Option<Arc<AssetSpec>>,
    /// Time of the last snapshot of its readings.
    pub seen: Arc<Moment>,
    /// Its condition document.
    pub condition: Option<Arc<Condition>>,
    /// Its remaining life and when that was said.
    pub life: Option<(EventTime, Arc<RemainingLife>)>,
    /// Alerts that are open, by id, each as of its last transition.
    pub alerts: BTreeMap<String, Arc<Alert>>,
}

/// All of them, by name.
#[derive(Debug, Default)]
pub struct Board {
    machines: Mutex<BTreeMap<Arc<str>, Arc<Standing>>>,
    version: watch::Sender<u64>,
}

impl Board {
    /// Plate data, at the registration and whenever points come. Gives where its shard notes the time of readings.
    pub fn define(&self, name: &Arc<str>, spec: &Arc<AssetSpec>) -> Arc<Moment> {
        self.change(name, |standing| {
            standing.spec = Some(spec.clone());
            standing.seen.clone()
        })
    }

    /// Its condition.
    pub fn condition(&self, condition: Arc<Condition>) {
        let name: Arc<str> = condition.asset.as_str().into();
        self.change(&name, |standing| standing.condition = Some(condition));
    }

    /// Its remaining life.
    pub fn life(&self, name: &Arc<str>, at: EventTime, life: Arc<RemainingLife>) {
        self.change(name, |standing| standing.life = Some((at, life)));
    }

    /// A transition of an alert.
    pub fn alert(&self, name: &Arc<str>, alert: Arc<Alert>) {
        self.change(name, |standing| {
            if is_open(&alert) {
                standing.alerts.insert(alert.id.clone(), alert);
            } else {
                standing.alerts.remove(&alert.id);
            }
        });
    }

    /// Takes what an earlier run left in `state.db`; what comes after stands over it.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn fill(&self, reader: &Reader) -> Result<(), KeepError> {
        for condition in reader.conditions()? {
            let name: Arc<str> = condition.asset.as_str().into();
            for id in &condition.open_alerts {
                if let Some(alert) = reader.alert(id)?.pop() {
                    self.alert(&name, Arc::new(alert));
                }
            }
            // Until a reading comes, no more than this is known of its time.
            let seen = self.change(&name, |standing| standing.seen.clone());
            seen.set(condition.at);
            self.condition(Arc::new(condition));
        }
        for statement in reader.remaining_lives()? {
            let name: Arc<str> = statement.asset.as_str().into();
            self.life(&name, statement.at, Arc::new(statement.remaining_life));
        }
        Ok(())
    }

    /// The state of this machine is lost, and with it its alerts: it begins anew.
    pub fn lost(&self, name: &str) {
        self.change(&name.into(), |standing| {
            standing.alerts.clear();
            (standing.condition, standing.life) = (None, None);
        });
    }

    fn change<R>(&self, name: &Arc<str>, change: impl FnOnce(&mut Standing) -> R) -> R {
        let mut machines = self.lock();
        // A page that still holds the old one keeps it.
        let result = change(Arc::make_mut(machines.entry(name.clone()).or_default()));
        drop(machines);
        self.version.send_modify(|version| *version += 1);
        result
    }

    /// Grows with every change but the time of readings.
    pub fn version(&self) -> u64 {
        *self.version.borrow()
    }

    /// Tells of changes; from now on.
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.version.subscribe()
    }

    /// All machines, by name.
    pub fn all(&self) -> Vec<(Arc<str>, Arc<Standing>)> {
        self.lock().iter().map(|(name, standing)| (name.clone(), standing.clone())).collect()
    }

    /// One of them.
    pub fn find(&self, name: &str) -> Option<Arc<Standing>> {
        self.lock().get(name).cloned()
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<Arc<str>, Arc<Standing>>> {
        // A panic while it was held cannot leave these plain values half written.
        self.machines.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whether the episode goes on.
pub fn is_open(alert: &Alert) -> bool {
    alert.change != Change::Closed && alert.state != LifeState::Normal
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::document::tests::alert;

    #[test]
    fn an_alert_stands_until_its_episode_is_over_and_a_reader_keeps_what_it_has() {
        let (board, name): (Board, Arc<str>) = (Board::default(), "pump-7".into());
        let mut open = alert();
        open.state = LifeState::Unacknowledged;
        board.alert(&name, Arc::new(open.clone()));
        let before = board.version();
        let held = board.find("pump-7").expect("there");
        assert_eq!(held.alerts.len(), 1);
        open.change = Change::Closed;
        open.state = LifeState::Normal;
        board.alert(&name, Arc::new(open));
        assert!(board.version() > before);
        assert!(board.find("pump-7").expect("there").alerts.is_empty());
        assert_eq!(held.alerts.len(), 1, "what a page is writing does not change under it");
        assert!(board.find("pump-8").is_none());
    }

    #[test]
    fn the_time_of_readings_is_seen_without_a_change() {
        let (board, name): (Board, Arc<str>) = (Board::default(), "p".into());
        let seen = board.change(&name, |standing| standing.seen.clone());
        let held = board.find("p").expect("there");
        let before = board.version();
        seen.set(EventTime(7));
        assert_eq!((held.seen.get(), board.version()), (Some(EventTime(7)), before));
    }
}
