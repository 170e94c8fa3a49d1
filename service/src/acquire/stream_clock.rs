//! The stream's own clock: what time it is as far as the readings say, and the ticks by which silence is noticed.
//!
//! Stream time is the newest event time that is believed. It never goes back. Every whole minute it passes is a tick,
//! given out before the reading that moved it. A gap is not filled minute by minute: the first hour is, then each whole
//! hour up to 31 days, then each whole day up to 400 days; the last whole minute always comes, so that the clock of whoever lives by
//! the ticks is never more than a minute behind.
//!
//! One sender with a wrong clock must not carry the plant into the future. A reading further ahead than the tolerance is
//! *ahead*: it does not move the clock and is held. It is believed when the next readings agree, without one from the
//! present in between: one of another asset, or two of the same asset at further times. Then what was held is taken in
//! its order; when a reading from the present comes first, what was held is refused. So a gap in everything (a weekend,
//! a broker that was down) loses nothing, and a lone wrong clock among others never gets through.
//!
//! The tolerance is `max_future_secs`, or four times the second largest step of the last two days of stream time where
//! that is more, so that a plant that is read every ten minutes or every week is not always ahead of itself. During the
//! first day of the stream it is at least a day, since nothing is known yet. The first reading sets the clock; while it
//! is the only one, an older reading sets it again, so that a wrong clock that happens to speak first does no harm.
//!
//! A reading further behind than `max_past_secs` is refused: a device that woke up in 1970. Nothing is refused so before
//! a second asset has been in the present, since a stream that began with a wrong clock would refuse everything else. What
//! is less far behind moves nothing and counts for nothing here; whether it is still taken is another's business.
//!
//! In the daemon our own clock is a witness ([`StreamGate::seen_at`]), and no more than that, because it can be wrong as
//! well. A reading further ahead of it than `max_future_secs` gets no day's tolerance at the start, and one that both the
//! stream and our clock call ahead is not believed for another asset's sake: a gateway that sends local time as UTC
//! speaks for ten machines. It is believed when nothing from the present has come for ten minutes: then our clock is wrong.
//!
//! Long silence of everything is the daemon's to notice: it calls [`StreamClock::on_clock`].

use crate::acquire::AssetId;
use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};

const MINUTE_US: i64 = 60_000_000;
const HOUR_US: i64 = 60 * MINUTE_US;
const DAY_US: i64 = 24 * HOUR_US;

/// Times of one asset that must agree before a jump is believed.
const TIMES_OF_ONE_ASSET: u8 = 3;

/// So long nothing from the present must have come before what contradicts the stream and our clock is believed.
const CONTRADICTED_US: i64 = 10 * MINUTE_US;

/// Most readings held. A jump is settled after a handful, unless one sender repeats one wrong time.
const MOST_HELD: usize = 1024;

/// What comes through the [`StreamGate`], in its order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Passed<T> {
    /// The stream's clock passed this whole minute.
    Tick(EventTime),
    /// A reading to take.
    Reading(T),
    /// A reading that was too far in the future.
    Future(T),
    /// A reading that was too far in the past.
    Past(T),
}

/// The stream's clock with the readings it is in doubt about: ticks and readings come out in their order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StreamGate<T> {
    clock: StreamClock,
    held: Vec<(AssetId, EventTime, T)>,
    ticks: Vec<EventTime>,
}

impl<T> StreamGate<T> {
    /// A gate that has seen nothing.
    pub fn new(max_future_secs: f64, max_past_secs: f64) -> Self {
        Self { clock: StreamClock::new(max_future_secs, max_past_secs), held: Vec::new(), ticks: Vec::new() }
    }

    /// Stream time; `None` before the first reading.
    pub fn now(&self) -> Option<EventTime> {
        self.clock.now()
    }

    /// Other tolerances from now on.
    pub fn set_tolerances(&mut self, max_future_secs: f64, max_past_secs: f64) {
        let StreamClock { max_future_us, max_past_us, .. } = StreamClock::new(max_future_secs, max_past_secs);
        (self.clock.max_future_us, self.clock.max_past_us) = (max_future_us, max_past_us);
    }

    /// After a restart assets may have other ids: gives every one its new id by `to`. What is held of an asset that has
    /// none is dropped.
    pub fn rename(&mut self, to: impl Fn(AssetId) -> Option<AssetId>, tell: impl Fn(&mut T, AssetId)) {
        self.held = std::mem::take(&mut self.held)
            .into_iter()
            .filter_map(|(asset, at, mut reading)| {
                let asset = to(asset)?;
                tell(&mut reading, asset);
                Some((asset, at, reading))
            })
            .collect();
        self.clock.ahead = self.clock.ahead.and_then(|ahead| Some(Ahead { asset: to(ahead.asset)?, ..ahead }));
    }

    /// Our own clock at the arrival of what comes next. Never called where there is none: in a replay, and where a
    /// recording is played through the broker.
    pub fn seen_at(&mut self, clock: EventTime) {
        self.clock.witness = Some(clock);
    }

    /// From here on there is none: what it said last must not judge what comes.
    pub fn without_clock(&mut self) {
        self.clock.witness = None;
    }

    /// Takes a reading; `pass` gets what is due.
    #[inline]
    pub fn on_reading(&mut self, asset: AssetId, at: EventTime, reading: T, pass: &mut impl FnMut(Passed<T>)) {
        match self.clock.on_reading(asset, at, &mut self.ticks) {
            Verdict::Present => {
                self.pass_ticks(pass);
                pass(Passed::Reading(reading));
            }
            doubt => self.on_doubt(doubt, asset, at, reading, pass),
        }
    }

    #[cold]
    fn on_doubt(
        &mut self,
        verdict: Verdict,
        asset: AssetId,
        at: EventTime,
        reading: T,
        pass: &mut impl FnMut(Passed<T>),
    ) {
        match verdict {
            Verdict::Ahead => self.hold(asset, at, reading, pass),
            Verdict::OtherAhead => {
                self.refuse_held(pass);
                self.hold(asset, at, reading, pass);
            }
            Verdict::Agreed => {
                self.pass_ticks(pass);
                // The clock stands at the first of them now, so at least that one passes: this comes to an end.
                let again = std::mem::take(&mut self.held);
                for (asset, at, reading) in again.into_iter().chain([(asset, at, reading)]) {
                    self.on_reading(asset, at, reading, pass);
                }
            }
            Verdict::Past => pass(Passed::Past(reading)),
            Verdict::Denied | Verdict::Present => {
                self.refuse_held(pass);
                self.pass_ticks(pass);
                pass(Passed::Reading(reading));
            }
        }
    }

    /// As [`StreamClock::on_clock`].
    pub fn on_clock(&mut self, at: EventTime, pass: &mut impl FnMut(Passed<T>)) {
        self.clock.on_clock(at, &mut self.ticks);
        self.pass_ticks(pass);
    }

    /// The stream ends: what is still held was never believed.
    pub fn end(&mut self, pass: &mut impl FnMut(Passed<T>)) {
        self.refuse_held(pass);
    }

    fn hold(&mut self, asset: AssetId, at: EventTime, reading: T, pass: &mut impl FnMut(Passed<T>)) {
        if self.held.len() < MOST_HELD {
            self.held.push((asset, at, reading));
        } else {
            pass(Passed::Future(reading));
        }
    }

    fn refuse_held(&mut self, pass: &mut impl FnMut(Passed<T>)) {
        for (_, _, reading) in self.held.drain(..) {
            pass(Passed::Future(reading));
        }
    }

    #[inline]
    fn pass_ticks(&mut self, pass: &mut impl FnMut(Passed<T>)) {
        for tick in self.ticks.drain(..) {
            pass(Passed::Tick(tick));
        }
    }
}

/// What a reading's time is to the clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Take it, after the ticks.
    Present,
    /// Too far ahead: hold it.
    Ahead,
    /// Too far ahead, and elsewhere than those held: refuse them, hold this one.
    OtherAhead,
    /// Too far ahead as those held, which are believed now: after the ticks, offer them again, then this one.
    Agreed,
    /// From the present: refuse those held, then take this one after the ticks.
    Denied,
    /// Too far behind: refuse it.
    Past,
}

/// See the module's page; most callers want [`StreamGate`]. Some 120 bytes of plain data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StreamClock {
    max_future_us: i64,
    max_past_us: i64,
    /// Our own clock at the last arrival.
    witness: Option<EventTime>,
    now: Option<EventTime>,
    /// The first believed time.
    started: EventTime,
    /// The asset it was of.
    first: AssetId,
    /// Another asset has been in the present since.
    confirmed: bool,
    /// Readings seen, up to two: with one, an older reading may still set the clock.
    readings: u8,
    /// The first minute that has not been given out, and with the tolerance the two bounds of the quick path.
    next_tick: EventTime,
    tolerance_us: i64,
    /// The same without what the first day adds.
    usual_tolerance_us: i64,
    ahead: Option<Ahead>,
    /// Two largest steps of the current day of stream time and of the one before, µs, larger first.
    steps: [[i64; 2]; 2],
    steps_until: EventTime,
}

/// A jump that is not believed yet.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Ahead {
    asset: AssetId,
    first: EventTime,
    last: EventTime,
    times: u8,
    /// How near the present it would count as the present.
    tolerance_us: i64,
    /// Our own clock when it was first seen.
    since: Option<EventTime>,
}

impl StreamClock {
    /// A clock that has seen nothing. A `max_future_secs` that is not a number counts as none, and nothing is too far
    /// behind for a `max_past_secs` that is none.
    pub fn new(max_future_secs: f64, max_past_secs: f64) -> Self {
        Self {
            // `as` saturates and makes nothing of NaN.
            max_future_us: (max_future_secs.max(0.0) * 1e6) as i64,
            max_past_us: if max_past_secs >= 0.0 { (max_past_secs * 1e6) as i64 } else { i64::MAX },
            witness: None,
            now: None,
            started: EventTime(0),
            first: AssetId(0),
            confirmed: false,
            readings: 0,
            next_tick: EventTime(0),
            tolerance_us: 0,
            usual_tolerance_us: 0,
            ahead: None,
            steps: [[0; 2]; 2],
            steps_until: EventTime(0),
        }
    }

    /// Stream time; `None` before the first reading.
    pub fn now(&self) -> Option<EventTime> {
        self.now
    }

    /// Takes the time of a reading. Appends the ticks that are due to `ticks`.
    #[inline]
    pub fn on_reading(&mut self, asset: AssetId, at: EventTime, ticks: &mut Vec<EventTime>) -> Verdict {
        if let Some(now) = self.now {
            // Nearly every reading: at or just before the present, nothing doubtful, no minute passed.
            let recent = now.0.saturating_sub(at.0) <= self.tolerance_us;
            if at <= now && recent && self.ahead.is_none() && self.confirmed {
                return Verdict::Present;
            }
        }
        self.moved(asset, at, ticks)
    }

    /// A clock outside says that it is `at` and nothing came: moves stream time there when it is later.
    pub fn on_clock(&mut self, at: EventTime, ticks: &mut Vec<EventTime>) {
        // Not before the first reading: there is no stream to be silent.
        if let Some(now) = self.now
            && at > now
        {
            self.advance(now, at, ticks);
        }
    }

    fn moved(&mut self, asset: AssetId, at: EventTime, ticks: &mut Vec<EventTime>) -> Verdict {
        // Both the first-day tolerance and the word of another asset are only for what our own clock does not deny.
        let denied = self.witness.filter(|clock| at.0.saturating_sub(clock.0) > self.max_future_us);
        let now = match (self.now, denied) {
            (Some(now), _) => now,
            (None, Some(clock)) => {
                self.start(asset, clock);
                clock
            }
            (None, None) => {
                self.start(asset, at);
                return Verdict::Present;
            }
        };
        let ahead_us = at.0.saturating_sub(now.0);
        if self.readings == 1 && ahead_us < -self.tolerance_us {
            self.start(asset, at);
            return Verdict::Present;
        }
        let ahead_tolerance_us = if denied.is_some() { self.usual_tolerance_us } else { self.tolerance_us };
        if ahead_us > ahead_tolerance_us {
            let denied = denied.is_some_and(|clock| now.0.saturating_sub(clock.0) <= self.max_future_us);
            return self.doubt(now, asset, at, denied, ahead_tolerance_us, ticks);
        }
        self.readings = 2;
        if self.confirmed && ahead_us < -self.max_past_us {
            return Verdict::Past;
        }
        let settles = ahead_us >= -self.tolerance_us;
        self.confirmed |= settles && asset != self.first;
        match self.ahead {
            Some(ahead) if settles && ahead.last.0.saturating_sub(now.0) <= ahead.tolerance_us => {
                // A clock outside has brought the present to where the jump went.
                self.ahead = None;
                Verdict::Agreed
            }
            doubtful => {
                let denied = settles && doubtful.is_some();
                if denied {
                    self.ahead = None;
                }
                if ahead_us > 0 {
                    self.advance(now, at, ticks);
                }
                if denied { Verdict::Denied } else { Verdict::Present }
            }
        }
    }

    fn start(&mut self, asset: AssetId, at: EventTime) {
        self.now = Some(at);
        self.started = at;
        self.first = asset;
        self.confirmed = false;
        self.readings = 1;
        self.next_tick = EventTime(minute_after(at.0));
        self.usual_tolerance_us = self.max_future_us;
        self.tolerance_us = self.max_future_us.max(DAY_US);
        self.steps_until = EventTime(at.0.saturating_add(DAY_US));
    }

    /// `denied`: the stream and our own clock agree, and this is ahead of both.
    fn doubt(
        &mut self,
        now: EventTime,
        asset: AssetId,
        at: EventTime,
        denied: bool,
        tolerance_us: i64,
        ticks: &mut Vec<EventTime>,
    ) -> Verdict {
        let witness = self.witness;
        let fresh = Ahead { asset, first: at, last: at, times: 1, tolerance_us, since: witness };
        let Some(ahead) = &mut self.ahead else {
            self.ahead = Some(fresh);
            return Verdict::Ahead;
        };
        // As near to each other as the jump is wide: a weekly reading is a week from the one before.
        let near_us = self.tolerance_us.max(ahead.first.0.saturating_sub(now.0));
        if (i128::from(at.0) - i128::from(ahead.last.0)).abs() > i128::from(near_us) {
            *ahead = fresh;
            return Verdict::OtherAhead;
        }
        let other = ahead.asset != asset;
        if !other && at > ahead.last {
            ahead.last = at;
            ahead.times = ahead.times.saturating_add(1);
        }
        if !other && ahead.times < TIMES_OF_ONE_ASSET {
            return Verdict::Ahead;
        }
        if denied {
            let alone_us = ahead.since.zip(witness).map_or(0, |(since, clock)| clock.0.saturating_sub(since.0));
            if alone_us < CONTRADICTED_US {
                return Verdict::Ahead;
            }
        }
        let first = ahead.first.min(at);
        self.ahead = None;
        self.advance(now, first, ticks);
        Verdict::Agreed
    }

    /// Moves from `now` to the later `to`.
    fn advance(&mut self, now: EventTime, to: EventTime, ticks: &mut Vec<EventTime>) {
        self.now = Some(to);
        self.readings = 2;
        let step_us = to.0.saturating_sub(now.0);
        if to >= self.steps_until {
            self.steps = if to.0.saturating_sub(self.steps_until.0) < DAY_US {
                [[0; 2], self.steps[0]]
            } else {
                // Days without a reading do not make the steps before them forgotten.
                [[0; 2], merged(self.steps[0], self.steps[1])]
            };
            self.steps_until = EventTime(to.0.saturating_add(DAY_US));
            self.steps[0] = merged(self.steps[0], [step_us, 0]);
            self.set_tolerance(to);
        } else if step_us > self.steps[0][1] {
            self.steps[0] = merged(self.steps[0], [step_us, 0]);
            self.set_tolerance(to);
        }
        if to >= self.next_tick {
            give_ticks(self.next_tick.0, to.0, ticks);
            self.next_tick = EventTime(minute_after(to.0));
        }
    }

    fn set_tolerance(&mut self, now: EventTime) {
        let usual_us = merged(self.steps[0], self.steps[1])[1];
        self.usual_tolerance_us = self.max_future_us.max(usual_us.saturating_mul(4));
        self.tolerance_us = self.usual_tolerance_us;
        if now.0.saturating_sub(self.started.0) < DAY_US {
            self.tolerance_us = self.tolerance_us.max(DAY_US);
        }
    }
}

/// The two largest of four, larger first.
fn merged(a: [i64; 2], b: [i64; 2]) -> [i64; 2] {
    if a[0] >= b[0] { [a[0], a[1].max(b[0])] } else { [b[0], b[1].max(a[0])] }
}

/// The first whole minute after `us`.
fn minute_after(us: i64) -> i64 {
    us.div_euclid(MINUTE_US).saturating_add(1).saturating_mul(MINUTE_US)
}

/// The ticks from the whole minute `first` to `to`, both included.
fn give_ticks(first: i64, to: i64, ticks: &mut Vec<EventTime>) {
    let last = to.div_euclid(MINUTE_US).saturating_mul(MINUTE_US);
    let mut tick = first;
    while tick <= last {
        ticks.push(EventTime(tick));
        let gone = tick.saturating_sub(first);
        let step = if gone < HOUR_US {
            MINUTE_US
        } else if gone < 31 * DAY_US {
            HOUR_US
        } else if gone < 400 * DAY_US {
            DAY_US
        } else {
            // Only a wrong clock leaves such a gap: the number of ticks must have a bound.
            i64::MAX
        };
        if tick == last {
            break;
        }
        tick = tick.div_euclid(step).saturating_add(1).saturating_mul(step).min(last);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const T0: i64 = 1_700_000_040_000_000; // a whole minute

    fn at(secs: f64) -> EventTime {
        EventTime(T0).plus_secs(secs)
    }

    fn secs(ticks: &[EventTime]) -> Vec<f64> {
        ticks.iter().map(|tick| tick.secs_since(EventTime(T0))).collect()
    }

    type Gate = StreamGate<u32>;

    const WEEK_SECS: f64 = 7.0 * 86_400.0;

    fn gate() -> Gate {
        Gate::new(300.0, WEEK_SECS)
    }

    /// What comes of readings given as (asset, seconds); the reading is its ordinal.
    fn play(gate: &mut Gate, readings: &[(u32, f64)]) -> Vec<Passed<u32>> {
        let mut passed = Vec::new();
        for (&(asset, secs), ordinal) in readings.iter().zip(0..) {
            gate.on_reading(AssetId(asset), at(secs), ordinal, &mut |it| passed.push(it));
        }
        passed
    }

    fn ticks(passed: &[Passed<u32>]) -> Vec<f64> {
        let tick = |it: &Passed<u32>| if let Passed::Tick(at) = it { Some(*at) } else { None };
        secs(&passed.iter().filter_map(tick).collect::<Vec<_>>())
    }

    fn taken(passed: &[Passed<u32>]) -> Vec<u32> {
        passed.iter().filter_map(|it| if let Passed::Reading(ordinal) = it { Some(*ordinal) } else { None }).collect()
    }

    fn refused(passed: &[Passed<u32>]) -> Vec<u32> {
        passed.iter().filter_map(|it| if let Passed::Future(ordinal) = it { Some(*ordinal) } else { None }).collect()
    }

    fn past(passed: &[Passed<u32>]) -> Vec<u32> {
        passed.iter().filter_map(|it| if let Passed::Past(ordinal) = it { Some(*ordinal) } else { None }).collect()
    }

    /// A gate in the third day of a stream with a step a second, so that nothing of the start is left.
    fn settled() -> Gate {
        let mut gate = gate();
        let readings: Vec<_> = (-200_000..=0).map(|second| (1, f64::from(second))).collect();
        assert_eq!(taken(&play(&mut gate, &readings)).len(), readings.len());
        assert_eq!(gate.now(), Some(at(0.0)));
        gate
    }

    #[test]
    fn every_minute_once_and_before_the_reading() {
        let mut gate = settled();
        let passed = play(&mut gate, &[(1, 1.0), (1, 59.9), (1, 60.0), (1, 60.0), (1, 59.0), (1, 61.0), (1, 200.0)]);
        assert_eq!(ticks(&passed), [60.0, 120.0, 180.0]);
        assert_eq!(taken(&passed), [0, 1, 2, 3, 4, 5, 6]);
        assert_eq!(passed[2], Passed::Tick(at(60.0)));
        assert_eq!(passed.last(), Some(&Passed::Reading(6)));
    }

    #[test]
    fn a_gap_thins_out_and_ends_at_the_last_minute() {
        let mut gate = settled();
        let mut passed = Vec::new();
        gate.on_clock(at(40.0 * 86_400.0 + 90.0), &mut |it| passed.push(it));
        let ticks = ticks(&passed);
        assert_eq!(ticks[..60], (1..=60).map(|minute| f64::from(minute) * 60.0).collect::<Vec<_>>()[..]);
        assert!(ticks.len() < 61 + 31 * 24 + 12, "{}", ticks.len());
        assert_eq!(ticks.last(), Some(&(40.0 * 86_400.0 + 60.0)));
        assert!(ticks.windows(2).all(|pair| pair[0] < pair[1] && pair[1] - pair[0] <= 86_400.0));
    }

    #[test]
    fn a_lone_wrong_clock_does_not_move_the_stream() {
        let mut gate = settled();
        let readings: Vec<_> = (0..1000).map(|n| (n % 2, f64::from(n) + if n % 2 == 0 { 1e9 } else { 0.0 })).collect();
        let passed = play(&mut gate, &readings);
        assert_eq!(taken(&passed), (0..500).map(|n| 2 * n + 1).collect::<Vec<_>>());
        assert_eq!(refused(&passed), (0..500).map(|n| 2 * n).collect::<Vec<_>>());
        assert_eq!(gate.now(), Some(at(999.0)));
    }

    #[test]
    fn a_gap_in_everything_is_believed_at_the_second_asset_and_loses_nothing() {
        let mut gate = settled();
        // The old time neither confirms nor denies.
        let passed = play(&mut gate, &[(1, 200_000.0), (1, 200_000.0), (3, -5e8)]);
        assert_eq!(passed, [Passed::Reading(2)]);
        let passed = play(&mut gate, &[(2, 200_001.0)]);
        assert_eq!(taken(&passed), [0, 1, 0]);
        assert_eq!(ticks(&passed).last(), Some(&199_980.0));
        assert_eq!(gate.now(), Some(at(200_001.0)));
    }

    #[test]
    fn a_gap_of_the_only_asset_is_believed_at_its_third_time() {
        let mut gate = settled();
        let readings: Vec<_> = (0..4).map(|row| (1, 200_000.0 + f64::from(row))).collect();
        assert_eq!(play(&mut gate, &readings[..2]), []);
        assert_eq!(taken(&play(&mut gate, &readings[2..])), [0, 1, 0, 1]);
    }

    #[test]
    fn what_was_held_is_taken_when_the_clock_outside_gets_there() {
        let mut gate = settled();
        assert_eq!(play(&mut gate, &[(1, 1000.0)]), []);
        gate.on_clock(at(1001.0), &mut |it| assert!(matches!(it, Passed::Tick(_))));
        assert_eq!(taken(&play(&mut gate, &[(2, 1001.0)])), [0, 0]);
    }

    #[test]
    fn the_end_refuses_what_was_never_believed() {
        let mut gate = settled();
        assert_eq!(play(&mut gate, &[(1, 1000.0)]), []);
        let mut passed = Vec::new();
        gate.end(&mut |it| passed.push(it));
        assert_eq!(refused(&passed), [0]);
    }

    #[test]
    fn slow_streams_lose_nothing() {
        for cadence in [600.0, 3600.0, 6.0 * 3600.0, 7.0 * 86_400.0] {
            let mut gate = gate();
            let readings: Vec<_> = (0..500).map(|row| (1, f64::from(row) * cadence)).collect();
            assert_eq!(taken(&play(&mut gate, &readings)), (0..500).collect::<Vec<_>>(), "{cadence}");
        }
    }

    #[test]
    fn what_is_years_behind_is_refused_once_the_present_is_certain() {
        let mut gate = settled();
        // One asset alone: its own clock may be what is wrong.
        assert_eq!(taken(&play(&mut gate, &[(2, -5e8)])), [0]);
        assert_eq!(taken(&play(&mut gate, &[(2, 0.5)])), [0]);
        let passed = play(&mut gate, &[(3, -5e8), (3, -8.0 * 86_400.0), (3, -6.0 * 86_400.0), (1, 1.0)]);
        assert_eq!((taken(&passed), past(&passed)), (vec![2, 3], vec![0, 1]));
        assert_eq!(gate.now(), Some(at(1.0)));
    }

    #[test]
    fn a_stream_that_began_with_a_wrong_clock_refuses_nothing_as_past() {
        let mut gate = gate();
        let passed = play(&mut gate, &[(1, 1e9), (1, 1e9 + 1.0), (2, 0.0), (3, 0.5), (2, 1.0), (1, 1e9 + 2.0)]);
        assert!(past(&passed).is_empty());
        assert_eq!(taken(&passed), [0, 1, 2, 3, 4, 5]);
    }

    /// Readings given as (our clock's second, asset, second).
    fn witnessed(gate: &mut Gate, readings: &[(f64, u32, f64)]) -> Vec<Passed<u32>> {
        let mut passed = Vec::new();
        for (&(clock, asset, secs), ordinal) in readings.iter().zip(0..) {
            gate.seen_at(at(clock));
            gate.on_reading(AssetId(asset), at(secs), ordinal, &mut |it| passed.push(it));
        }
        passed
    }

    #[test]
    fn by_our_own_clock_a_device_of_2100_cannot_begin_the_stream() {
        let mut gate = gate();
        let far = 2_400_000_000.0;
        let passed = witnessed(&mut gate, &[(0.0, 1, far), (1.0, 1, far + 60.0), (2.0, 2, 1.5), (3.0, 1, far + 120.0)]);
        assert_eq!((taken(&passed), refused(&passed)), (vec![2], vec![0, 1]));
        assert_eq!(gate.now(), Some(at(1.5)));
    }

    #[test]
    fn by_our_own_clock_hours_ahead_are_seen_on_the_first_day_and_a_gateway_speaks_for_nobody_else() {
        let mut gate = gate();
        let mut readings = Vec::new();
        for minute in 0..60 {
            let secs = f64::from(minute) * 60.0;
            readings.push((secs, 1, secs));
            // Local time sent as UTC, for two machines.
            readings.extend([(secs, 2, secs + 7200.0), (secs, 3, secs + 7200.0)]);
        }
        let passed = witnessed(&mut gate, &readings);
        assert_eq!(taken(&passed), (0..60).map(|n| 3 * n).collect::<Vec<_>>());
        assert_eq!(gate.now(), Some(at(3540.0)));
    }

    #[test]
    fn when_our_own_clock_is_hours_wrong_nothing_is_lost() {
        for offset in [-5.0 * 3600.0, 5.0 * 3600.0, -1e9, 1e9] {
            let mut gate = gate();
            let readings: Vec<_> = (0..1000).map(|n| (f64::from(n) + offset, n as u32 % 3, f64::from(n))).collect();
            let passed = witnessed(&mut gate, &readings);
            assert_eq!(taken(&passed), (0..1000).collect::<Vec<_>>(), "{offset}");
            assert_eq!(gate.now(), Some(at(999.0)), "{offset}");
        }
    }

    #[test]
    fn our_own_clock_may_be_set_while_the_stream_runs() {
        for step in [-5.0 * 3600.0, 5.0 * 3600.0] {
            let mut gate = gate();
            let clock = |n: i32| f64::from(n) + if n < 500 { 0.0 } else { step };
            let readings: Vec<_> = (0..1000).map(|n| (clock(n), n as u32 % 3, f64::from(n))).collect();
            assert_eq!(taken(&witnessed(&mut gate, &readings)), (0..1000).collect::<Vec<_>>(), "{step}");
        }
    }

    #[test]
    fn a_wrong_clock_that_speaks_first_is_forgotten() {
        let mut gate = gate();
        let passed = play(&mut gate, &[(1, 1e9), (2, 0.0), (2, 1.0), (1, 1e9), (2, 2.0)]);
        assert_eq!(taken(&passed), [0, 1, 2, 4]);
        assert_eq!(refused(&passed), [3]);
        assert_eq!(gate.now(), Some(at(2.0)));
    }

    proptest! {
        /// Every reading comes out once; time and ticks never go back; nothing overflows; a stored gate goes on as the
        /// one that was not stored.
        #[test]
        fn laws(readings in proptest::collection::vec((0u32..4, prop_oneof![
            any::<i64>(),
            prop_oneof![Just(i64::MIN), Just(i64::MAX), Just(0)],
            (0i64..400).prop_map(|minute| T0 + minute * 17_000_000),
        ]), 0..60), cut in 0usize..60, future in prop_oneof![Just(300.0), Just(f64::NAN), Just(f64::INFINITY)],
            clock in proptest::option::of(any::<i64>())) {
            let (mut gate, mut other) = (Gate::new(future, future), Gate::new(future, future));
            if let Some(clock) = clock {
                gate.seen_at(EventTime(clock));
                other.seen_at(EventTime(clock));
            }
            let (mut passed, mut again) = (Vec::new(), Vec::new());
            for ((place, &(asset, us)), ordinal) in readings.iter().enumerate().zip(0..) {
                let (before, given) = (gate.now(), !ticks(&passed).is_empty());
                gate.on_reading(AssetId(asset), EventTime(us), ordinal, &mut |it| passed.push(it));
                other.on_reading(AssetId(asset), EventTime(us), ordinal, &mut |it| again.push(it));
                // While the stream starts, an older reading may set it again; nothing has been given out then.
                prop_assert!(!given || gate.now() >= before);
                if place == cut {
                    other = serde_json::from_str(&serde_json::to_string(&other).unwrap()).unwrap();
                }
            }
            gate.end(&mut |it| passed.push(it));
            other.end(&mut |it| again.push(it));
            prop_assert_eq!(&passed, &again);
            let mut out = taken(&passed);
            out.extend(refused(&passed));
            out.extend(past(&passed));
            out.sort_unstable();
            prop_assert_eq!(out, (0..readings.len() as u32).collect::<Vec<_>>());
            prop_assert!(passed.len() < 2000 * (readings.len() + 1));
            let times: Vec<_> =
                passed.iter().filter_map(|it| if let Passed::Tick(at) = it { Some(*at) } else { None }).collect();
            prop_assert!(times.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }
}
