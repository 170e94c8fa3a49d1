//! Our own clock for arrival times: the wall clock, but never backwards.
//!
//! Readings without a time of their own get the time they arrive at. Were that the wall clock's reading, a clock set back
//! by five hours would make every reading of the next five hours late. So this clock goes on at 19/20 of its pace until the
//! wall clock has caught up with it; a clock set forward is followed at once, because the machine may have slept, and what
//! the stream was without is then told as a silence. A change of more than two seconds against the time that really
//! passed is a step: logged and counted.

use roundsman_models::EventTime;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Instant;

/// What the wall clock may differ from the time that passed between two looks.
const STEP_US: i64 = 2_000_000;

/// One look at both clocks, and what was made of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Look {
    told: i64,
    wall: i64,
    passed: i64,
}

/// The clock's state.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Steady(Option<Look>);

impl Steady {
    /// Arrival time for a wall clock at `wall` µs when `passed` µs have really passed since some fixed moment; and by how
    /// many µs the wall clock was set since the last look, when it was.
    pub fn read(&mut self, wall: i64, passed: i64) -> (EventTime, Option<i64>) {
        let Some(last) = self.0 else {
            self.0 = Some(Look { told: wall, wall, passed });
            return (EventTime(wall), None);
        };
        let gone = passed.saturating_sub(last.passed).max(0);
        let told = if wall >= last.told.saturating_add(gone) {
            wall
        } else {
            wall.max(last.told.saturating_add(gone - gone / 20))
        };
        let step = wall.saturating_sub(last.wall.saturating_add(gone));
        self.0 = Some(Look { told, wall, passed: last.passed.max(passed) });
        (EventTime(told), (step.saturating_abs() > STEP_US).then_some(step))
    }
}

static STEPS: AtomicU64 = AtomicU64::new(0);

/// How often the wall clock was set while we ran.
pub fn steps() -> u64 {
    STEPS.load(Ordering::Relaxed)
}

/// Arrival time now.
pub fn now() -> EventTime {
    static CLOCK: Mutex<Steady> = Mutex::new(Steady(None));
    static BEGAN: OnceLock<Instant> = OnceLock::new();
    let mut clock = CLOCK.lock().unwrap_or_else(PoisonError::into_inner);
    let passed = i64::try_from(BEGAN.get_or_init(Instant::now).elapsed().as_micros()).unwrap_or(i64::MAX);
    let (at, step) = clock.read(jiff::Timestamp::now().as_microsecond(), passed);
    drop(clock);
    if let Some(step) = step {
        STEPS.fetch_add(1, Ordering::Relaxed);
        let secs = step as f64 * 1e-6;
        if step < 0 {
            tracing::warn!(
                secs,
                "this machine's clock was set back. Arrival times do not go back: they run slower until it has caught up"
            );
        } else {
            tracing::warn!(secs, "this machine's clock was set forward, or it slept: arrival times follow at once");
        }
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SEC: i64 = 1_000_000;
    const HOUR: i64 = 3600 * SEC;

    #[test]
    fn a_clock_set_back_is_caught_up_with_and_never_followed_back() {
        let mut steady = Steady::default();
        assert_eq!(steady.read(10 * HOUR, 0), (EventTime(10 * HOUR), None));
        assert_eq!(steady.read(10 * HOUR + SEC, SEC), (EventTime(10 * HOUR + SEC), None));
        let (at, step) = steady.read(5 * HOUR + 2 * SEC, 2 * SEC);
        assert_eq!((at, step), (EventTime(10 * HOUR + SEC + SEC * 19 / 20), Some(-5 * HOUR)));
        // Five hours at a twentieth take a hundred.
        let passed = 101 * HOUR;
        let mut wall = 5 * HOUR + 2 * SEC;
        let mut at = at;
        for minute in 1..=(101 * 60) {
            wall += 60 * SEC;
            let (next, step) = steady.read(wall, 2 * SEC + minute * 60 * SEC);
            assert!(next > at && step.is_none());
            at = next;
        }
        assert_eq!(at, EventTime(5 * HOUR + 2 * SEC + passed), "it is the wall clock again");
    }

    #[test]
    fn a_clock_set_forward_is_followed_and_a_slow_correction_is_no_step() {
        let mut steady = Steady::default();
        steady.read(0, 0);
        assert_eq!(steady.read(5 * HOUR, SEC), (EventTime(5 * HOUR), Some(5 * HOUR - SEC)));
        assert_eq!(steady.read(5 * HOUR + SEC + 500_000, 2 * SEC).1, None);
    }

    proptest! {
        #[test]
        fn it_never_goes_back_and_nothing_overflows(looks in proptest::collection::vec((any::<i64>(), any::<i64>()), 1..50)) {
            let mut steady = Steady::default();
            let mut before = None;
            for (wall, passed) in looks {
                let (at, _) = steady.read(wall, passed);
                prop_assert!(before.is_none_or(|before| at >= before));
                before = Some(at);
            }
        }
    }
}
