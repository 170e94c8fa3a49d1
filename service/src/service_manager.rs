//! What the service manager is told (`sd_notify`): ready, how we stand, reloading, stopping, and the watchdog's beat.
//!
//! The beat is given only while no part of the chain hangs (see [`Watchman`]), so that a daemon that is alive and does
//! nothing is started anew. Without a service manager all of this does nothing.

use crate::status::{LinkState, Status};
use crate::vitals::{Watchman, Which};
use sd_notify::NotifyState;
use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;
use std::time::{Duration, Instant};

/// A part may work on one thing for so long. Far above the fit of a baseline on a slow machine.
const PATIENCE: Duration = Duration::from_secs(120);
/// Looks at the parts so often at least.
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// Tells one thing. That it cannot be told is worth a line and nothing else.
fn tell(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::warn!(%error, "the service manager could not be told how we are");
    }
}

/// The configuration is read again.
pub fn reloading() {
    match NotifyState::monotonic_usec_now() {
        Ok(now) => tell(&[NotifyState::Reloading, now]),
        Err(_) => tell(&[NotifyState::Reloading]),
    }
}

/// That is done, whatever came of it.
pub fn reloaded(what: &str) {
    tell(&[NotifyState::Ready, NotifyState::Status(what)]);
}

/// We are on our way out.
pub fn stopping() {
    tell(&[NotifyState::Stopping, NotifyState::Status("stopping: finishing what is under way")]);
}

/// One line for `systemctl status`.
fn line(status: &Status) -> String {
    let vitals = &status.vitals;
    if !vitals.recovered.load(Relaxed) {
        return "applying the journal".into();
    }
    if let Some(why) = vitals.disk.fault(Which::Journal).or_else(|| vitals.disk.fault(Which::State)) {
        return format!("the disk takes nothing: {why}");
    }
    if let LinkState::Down(why) = status.reader() {
        return format!("the broker is away: {why}");
    }
    let census = vitals.census();
    format!(
        "{} assets monitored, {} learning, {} readings, {} documents waiting",
        census.monitored,
        census.learning,
        status.observed.get(),
        status.outbox.get()
    )
}

/// Says READY once the journal is applied, then looks after the parts until it is dropped.
///
/// READY does not wait for the broker: an outage there must not make the start fail, and a plant's machines often come
/// up in any order.
pub async fn look_after(status: Arc<Status>) {
    look_after_as(status, sd_notify::watchdog_enabled(), tell).await;
}

async fn look_after_as(status: Arc<Status>, watchdog: Option<Duration>, tell: impl Fn(&[NotifyState<'_>])) {
    // More often than asked for, so that one late beat costs nothing.
    let every = watchdog.map_or(LOOK_EVERY, |limit| (limit / 3).min(LOOK_EVERY)).max(Duration::from_millis(50));
    // With what the service manager grants after the last beat, a part that hangs is noticed within its time and ours.
    let patience = watchdog.map_or(PATIENCE, |limit| limit.min(PATIENCE));
    let mut ticks = tokio::time::interval(every);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut watchman = Watchman::default();
    let (mut ready, mut told, mut hung) = (false, String::new(), false);
    loop {
        ticks.tick().await;
        let stuck = watchman.look(&status.vitals, patience, Instant::now());
        status.vitals.set_stuck(stuck.clone());
        if stuck.is_empty() {
            if watchdog.is_some() {
                tell(&[NotifyState::Watchdog]);
            }
        } else if !hung {
            tracing::error!(
                parts = stuck.join(", "),
                "a part has work in hand and does not get on; the watchdog is not fed any more. This is a fault of roundsman"
            );
        }
        hung = !stuck.is_empty();
        if !ready && status.vitals.recovered.load(Relaxed) {
            ready = true;
            tell(&[NotifyState::Ready]);
        }
        let line = line(&status);
        if line != told && !status.vitals.stopping.load(Relaxed) {
            tell(&[NotifyState::Status(&line)]);
            told = line;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Mutex;

    /// What is told within `time`, each line once per telling.
    fn told(status: &Arc<Status>, watchdog: Option<Duration>, time: Duration) -> Vec<String> {
        let lines = Mutex::new(Vec::new());
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().expect("a runtime");
        let tell = |states: &[NotifyState<'_>]| {
            lines.lock().expect("no panic").extend(states.iter().map(ToString::to_string));
        };
        let looking = look_after_as(status.clone(), watchdog, tell);
        let _ = runtime.block_on(async { tokio::time::timeout(time, looking).await });
        lines.into_inner().expect("no panic")
    }

    #[test]
    fn ready_comes_once_the_journal_is_applied_and_the_broker_is_not_waited_for() {
        let status = Arc::new(Status::default());
        let watchdog = Some(Duration::from_millis(300));
        let before = told(&status, watchdog, Duration::from_millis(250));
        assert!(before.contains(&"STATUS=applying the journal".to_owned()), "{before:?}");
        assert!(!before.contains(&"READY=1".to_owned()), "{before:?}");
        status.vitals.recovered.store(true, Relaxed);
        let after = told(&status, watchdog, Duration::from_millis(250));
        assert_eq!(after.iter().filter(|line| *line == "READY=1").count(), 1, "{after:?}");
        assert!(after.iter().filter(|line| *line == "WATCHDOG=1").count() >= 2, "{after:?}");
    }

    #[test]
    fn the_watchdog_is_not_fed_while_a_part_hangs() {
        let status = Arc::new(Status::default());
        let hangs = status.vitals.worker("shard");
        hangs.busy();
        let watchdog = Some(Duration::from_millis(300));
        let beats = |time| {
            let lines = told(&status, watchdog, Duration::from_millis(time));
            lines.iter().filter(|line| *line == "WATCHDOG=1").count()
        };
        // Three beats in the patience of 300 ms and then none, however long one looks.
        let (short, long) = (beats(450), beats(1500));
        assert!(short >= 1 && long <= short + 1 && long <= 5, "{short}, {long}");
        assert_eq!(status.vitals.stuck(), ["shard"]);
        hangs.idle();
        assert!(beats(450) >= 3, "it gets on again");
    }

    #[test]
    fn without_a_watchdog_no_beat_is_given() {
        let lines = told(&Arc::new(Status::default()), None, Duration::from_millis(50));
        assert!(!lines.contains(&"WATCHDOG=1".to_owned()), "{lines:?}");
    }
}
