//! What moves inside the daemon, for the health page, the metrics and the service manager's watchdog: which parts are at
//! work and get on, how long a commit takes, how far the engines are behind.
//!
//! Written with relaxed atomics by the parts themselves; nobody decides anything about readings from it.

use crate::advise::document::Severity;
use crate::status::Count;
use roundsman_models::EventTime;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering::Relaxed};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// How many assets of an engine are where.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Census {
    /// Their baseline is being learned.
    pub learning: u64,
    /// They are watched against their baseline.
    pub monitored: u64,
}

/// One part of the chain: whether it has work in hand, and whether it gets on with it.
#[derive(Debug)]
pub struct Worker {
    /// What it is: `reader`, `journal`, `router`, `shard`, `keeper`.
    pub name: &'static str,
    busy: AtomicBool,
    steps: AtomicU64,
    learning: AtomicU64,
    monitored: AtomicU64,
}

impl Worker {
    /// Work was taken in hand.
    pub fn busy(&self) {
        self.steps.fetch_add(1, Relaxed);
        self.busy.store(true, Relaxed);
    }

    /// A step of the work in hand is done.
    #[inline]
    pub fn step(&self) {
        self.steps.fetch_add(1, Relaxed);
    }

    /// It waits for work. A part that waits for *room* downstream is busy: if that never comes, both are stuck.
    pub fn idle(&self) {
        self.steps.fetch_add(1, Relaxed);
        self.busy.store(false, Relaxed);
    }

    /// How many assets it has.
    pub fn count_assets(&self, census: Census) {
        self.learning.store(census.learning, Relaxed);
        self.monitored.store(census.monitored, Relaxed);
    }

    fn seen(&self) -> (bool, u64) {
        (self.busy.load(Relaxed), self.steps.load(Relaxed))
    }
}

/// Upper bounds of the buckets of a [`Histogram`], seconds: from a fast disk's sync to one that is about to fail.
pub const BUCKETS_SECS: [f64; 10] = [0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.1, 0.5, 2.5, 10.0];

/// Durations in buckets.
#[derive(Debug, Default)]
pub struct Histogram {
    buckets: [Count; BUCKETS_SECS.len()],
    count: Count,
    micros: Count,
}

impl Histogram {
    /// Adds one duration.
    pub fn add(&self, took: Duration) {
        let secs = took.as_secs_f64();
        if let Some(place) = BUCKETS_SECS.iter().position(|bound| secs <= *bound)
            && let Some(bucket) = self.buckets.get(place)
        {
            bucket.up();
        }
        self.micros.add(u64::try_from(took.as_micros()).unwrap_or(u64::MAX));
        self.count.up();
    }

    /// Upper bound and how many were at or below it, rising.
    pub fn cumulative(&self) -> impl Iterator<Item = (f64, u64)> + '_ {
        BUCKETS_SECS.iter().zip(&self.buckets).scan(0, |sum, (bound, bucket)| {
            *sum += bucket.get();
            Some((*bound, *sum))
        })
    }

    /// How many were added.
    pub fn count(&self) -> u64 {
        self.count.get()
    }

    /// Their sum, seconds.
    pub fn sum_secs(&self) -> f64 {
        self.micros.get() as f64 / 1e6
    }
}

/// A moment, or none yet.
#[derive(Debug)]
pub struct Moment(AtomicI64);

impl Default for Moment {
    fn default() -> Self {
        Self(AtomicI64::new(i64::MIN))
    }
}

impl Moment {
    /// Sets it.
    pub fn set(&self, at: EventTime) {
        self.0.store(at.0, Relaxed);
    }

    /// Reads it.
    pub fn get(&self) -> Option<EventTime> {
        Some(EventTime(self.0.load(Relaxed))).filter(|at| at.0 != i64::MIN)
    }
}

/// Which of the two files cannot be written, if any, in SQLite's words.
#[derive(Debug, Default)]
pub struct Disk {
    journal: Mutex<Option<String>>,
    state: Mutex<Option<String>>,
}

/// One of the two files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Which {
    /// `journal.db`.
    Journal,
    /// `state.db`.
    State,
}

impl Disk {
    /// A write failed and is tried again.
    pub fn failing(&self, which: Which, why: String) {
        *lock(self.slot(which)) = Some(why);
    }

    /// A write went through.
    pub fn writes(&self, which: Which) {
        *lock(self.slot(which)) = None;
    }

    /// Why the file cannot be written; `None` when it can.
    pub fn fault(&self, which: Which) -> Option<String> {
        lock(self.slot(which)).clone()
    }

    fn slot(&self, which: Which) -> &Mutex<Option<String>> {
        match which {
            Which::Journal => &self.journal,
            Which::State => &self.state,
        }
    }
}

/// Everything of it.
#[derive(Debug, Default)]
pub struct Vitals {
    workers: Mutex<Vec<Arc<Worker>>>,
    /// What the journal held at the start has been applied.
    pub recovered: AtomicBool,
    /// The daemon is on its way out.
    pub stopping: AtomicBool,
    /// Messages handed to the engines.
    pub applied: Count,
    /// Arrival of the newest message.
    pub received_until: Moment,
    /// Arrival of the newest message that was handed to the engines.
    pub applied_until: Moment,
    /// Time by the readings.
    pub stream_time: Moment,
    /// Alert documents by severity, in [`Severity::ALL`]'s order.
    alerts: [Count; Severity::ALL.len()],
    /// Messages waiting for the journal.
    pub before_journal: Count,
    /// Journal rows waiting for the router.
    pub before_router: Count,
    /// Batches waiting for the shards.
    pub before_shards: Count,
    /// Orders waiting for the keeper.
    pub before_keeper: Count,
    /// Time of one commit of the journal, its sync included.
    pub journal_commit: Histogram,
    /// Time of one transaction of `state.db`, its sync included.
    pub state_commit: Histogram,
    /// Files that cannot be written.
    pub disk: Disk,
    /// What of an earlier run's state could not be used, in words.
    lost_state: Mutex<Vec<String>>,
    stuck: Mutex<Vec<&'static str>>,
    /// Documents could not be kept because the outbox was full: when last.
    pub outbox_overflowed: Moment,
}

/// Faults of the stored state kept for the health page; each is in the log too.
const LOST_STATE: usize = 20;

impl Vitals {
    /// A new part of the chain.
    pub fn worker(&self, name: &'static str) -> Arc<Worker> {
        let worker = Arc::new(Worker {
            name,
            busy: AtomicBool::new(false),
            steps: AtomicU64::new(0),
            learning: AtomicU64::new(0),
            monitored: AtomicU64::new(0),
        });
        lock(&self.workers).push(worker.clone());
        worker
    }

    /// How many assets the engines have.
    pub fn census(&self) -> Census {
        let mut sum = Census::default();
        for worker in lock(&self.workers).iter() {
            sum.learning += worker.learning.load(Relaxed);
            sum.monitored += worker.monitored.load(Relaxed);
        }
        sum
    }

    /// Counts an alert document.
    pub fn alert(&self, severity: Severity) {
        if let Some(count) = Severity::ALL.iter().position(|known| *known == severity).and_then(|i| self.alerts.get(i))
        {
            count.up();
        }
    }

    /// How many alert documents there were, by severity.
    pub fn alerts(&self) -> impl Iterator<Item = (Severity, u64)> + '_ {
        Severity::ALL.into_iter().zip(self.alerts.iter().map(Count::get))
    }

    /// Something of an earlier run's state could not be used.
    pub fn lost_state(&self, what: String) {
        let mut lost = lock(&self.lost_state);
        if lost.len() < LOST_STATE {
            lost.push(what);
        }
    }

    /// What of an earlier run's state could not be used.
    pub fn what_was_lost(&self) -> Vec<String> {
        lock(&self.lost_state).clone()
    }

    /// Parts that hang, as the watchman found them last.
    pub fn stuck(&self) -> Vec<&'static str> {
        lock(&self.stuck).clone()
    }

    /// Sets them.
    pub fn set_stuck(&self, parts: Vec<&'static str>) {
        *lock(&self.stuck) = parts;
    }

    /// How far the engines are behind what has arrived, seconds.
    pub fn lag_secs(&self) -> f64 {
        match (self.received_until.get(), self.applied_until.get()) {
            (Some(received), Some(applied)) => received.secs_since(applied).max(0.0),
            _ => 0.0,
        }
    }
}

/// Watches the parts over time: which of them has work in hand and does not get on.
#[derive(Debug, Default)]
pub struct Watchman {
    seen: Vec<(u64, Option<Instant>)>,
}

impl Watchman {
    /// Looks at all parts. Gives those that were busy without a step for longer than `patience`.
    pub fn look(&mut self, vitals: &Vitals, patience: Duration, now: Instant) -> Vec<&'static str> {
        // A disk that takes nothing is waited for by everybody, and starting anew would not mend it.
        let waits_for_disk = vitals.disk.fault(Which::Journal).is_some() || vitals.disk.fault(Which::State).is_some();
        let workers = lock(&vitals.workers);
        self.seen.resize(workers.len(), (0, None));
        let mut stuck = Vec::new();
        for (worker, (steps_before, since)) in workers.iter().zip(&mut self.seen) {
            let (busy, steps) = worker.seen();
            if !busy || steps != *steps_before || waits_for_disk {
                (*steps_before, *since) = (steps, Some(now));
            } else if now.saturating_duration_since(*since.get_or_insert(now)) > patience {
                stuck.push(worker.name);
            }
        }
        stuck
    }
}

/// A panic while the lock was held cannot leave these plain values half written.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_part_that_is_busy_and_makes_no_step_is_stuck() {
        let vitals = Vitals::default();
        let (idle, moving, stuck) = (vitals.worker("idle"), vitals.worker("moving"), vitals.worker("stuck"));
        let mut watchman = Watchman::default();
        let start = Instant::now();
        let (minute, patience) = (Duration::from_secs(60), Duration::from_secs(90));
        idle.idle();
        moving.busy();
        stuck.busy();
        for n in 0..3 {
            moving.step();
            let found = watchman.look(&vitals, patience, start + n * minute);
            assert_eq!(found, if n == 2 { vec!["stuck"] } else { vec![] }, "after {n} minutes");
        }
        vitals.disk.failing(Which::Journal, "disk full".into());
        assert!(watchman.look(&vitals, patience, start + 9 * minute).is_empty(), "everybody waits for the disk");
        vitals.disk.writes(Which::Journal);
        stuck.idle();
        moving.idle();
        assert!(watchman.look(&vitals, patience, start + 20 * minute).is_empty());
    }

    #[test]
    fn buckets_add_up_and_the_last_is_open() {
        let histogram = Histogram::default();
        for micros in [100, 500, 501, 20_000, 60_000_000] {
            histogram.add(Duration::from_micros(micros));
        }
        let found: Vec<_> = histogram.cumulative().map(|(_, n)| n).collect();
        assert_eq!(found, [2, 3, 3, 3, 3, 4, 4, 4, 4, 4], "at or below each bound; the last is above all of them");
        assert_eq!(histogram.count(), 5);
        assert!((histogram.sum_secs() - 60.021_101).abs() < 1e-9, "{}", histogram.sum_secs());
    }
}
