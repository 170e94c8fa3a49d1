//! Whether the readings that are worked on are those of an outage, which the broker kept for us. Pure.
//!
//! They are when their time is far behind our clock and comes nearer faster than clocks run. A plant whose clocks are slow
//! is as far behind, but stays there: what is said of it is the present.

use std::time::{Duration, Instant};

/// Readings this far behind our clock may be of the past: longer than any delay of a plant that works (snapshots are five
/// minutes apart as a rule), short beside an outage. Ours.
const FAR_SECS: f64 = 900.0;
/// How long it is looked whether they come nearer. Until then they are taken to.
const LOOK: Duration = Duration::from_secs(30);

#[derive(Debug, Default)]
pub(super) struct CatchingUp {
    /// When it was looked last, and how far behind the readings were then, s.
    looked: Option<(Instant, f64)>,
    /// What was seen then.
    past: bool,
}

impl CatchingUp {
    /// `behind_secs`: our clock less the time of the readings.
    pub(super) fn look(&mut self, behind_secs: f64, now: Instant) -> bool {
        if behind_secs <= FAR_SECS {
            (self.looked, self.past) = (None, false);
            return false;
        }
        match self.looked {
            None => (self.looked, self.past) = (Some((now, behind_secs)), true),
            Some((then, behind)) if now.duration_since(then) >= LOOK => {
                // In `gone` seconds the readings came that much nearer: their time ran at twice the clock's pace or more.
                let gone = now.duration_since(then).as_secs_f64();
                (self.looked, self.past) = (Some((now, behind_secs)), behind - behind_secs >= gone);
            }
            Some(_) => {}
        }
        self.past
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(begin: Instant, secs: u64) -> Instant {
        begin + Duration::from_secs(secs)
    }

    #[test]
    fn an_outage_is_past_until_it_is_caught_up_with() {
        let (begin, mut readings) = (Instant::now(), CatchingUp::default());
        for (secs, behind, past) in [(0, 9000.0, true), (10, 8000.0, true), (35, 5000.0, true), (70, 901.0, true)] {
            assert_eq!(readings.look(behind, at(begin, secs)), past, "after {secs} s");
        }
        assert!(!readings.look(899.0, at(begin, 71)));
        assert!(!readings.look(2.0, at(begin, 72)));
    }

    #[test]
    fn slow_clocks_are_the_present_after_one_look() {
        let (begin, mut readings) = (Instant::now(), CatchingUp::default());
        assert!(readings.look(3600.0, begin), "nobody knows yet");
        assert!(readings.look(3600.0, at(begin, 29)));
        assert!(!readings.look(3600.0, at(begin, 30)));
        assert!(!readings.look(3620.0, at(begin, 65)), "nothing comes at all");
        assert!(readings.look(3000.0, at(begin, 100)), "now they do come nearer");
    }
}
