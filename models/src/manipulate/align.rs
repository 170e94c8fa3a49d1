//! Aligns the points of one asset into snapshots: one value per point, at one time.
//!
//! **Windows.** In event order, a window opens with the first reading at t0 and takes every reading before
//! t0 + ¾·cadence; the next one after that opens the next window. So windows follow the data and need no common clock,
//! and points of one sampling round may be apart by up to ¾ of the cadence. Repeated readings of a point inside a window
//! are averaged (or the last one stands, see [`Repeats`]).
//!
//! **Lateness.** Readings may come in any order as long as they trail the latest event time by no more than the allowed
//! lateness: they wait, sorted, until nothing may come before them. A reading that trails further is still taken if its
//! window has not closed; else it is [`Verdict::Late`]. Whatever the order of arrival, the snapshots are those of the
//! readings taken, in event order, to the last bit.
//!
//! **Closing.** A window closes when the latest event time (or a tick) reaches t0 + ¾·cadence + allowed lateness. The
//! snapshot's time is that of the latest reading in it. A point without a reading there keeps its last value for
//! `hold_cadences`, marked [`Freshness::Held`], and is NaN after that.
//!
//! **Cadence.** Set, or inferred (see [`cadence`]) from the first readings, which wait until then: at
//! most 16 per point, so start-up costs about nine sampling rounds of patience and loses nothing.
//!
//! Memory: 32 bytes per point; while inferring, and for good when lateness is allowed, up to 16 waiting readings of
//! 24 bytes per point (64 at least). When more wait than that, the oldest goes on early: the lateness honoured is then
//! shorter than the one allowed. In steady state no update allocates.
//!
//! Not for waveforms, and not for points whose rates differ by orders of magnitude unless the cadence is set to the slow
//! one.

use super::{cadence, usable};
use crate::EventTime;
use crate::param::{ParamFault, within};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Cadence taken when a recording ends before any could be inferred, microseconds.
const CADENCE_OF_LAST_RESORT: i64 = 1_000_000;
/// Readings that may wait, per point and at least.
const WAITING_PER_POINT: usize = 16;
const WAITING_LEAST: usize = 64;
/// "Never": no reading has this time, [`Aligner::push`] refuses it.
const NEVER: i64 = i64::MIN;

/// Settings of [`Aligner`].
///
/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `cadence_secs` | inferred | s | 1e-5 to 3.2e7 |
/// | `hold_cadences` | 2.5 | cadences | 0 to 1e6 |
/// | `allowed_lateness_secs` | 0 | s | 0 to 3.2e7 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AlignParams {
    /// Time from one snapshot to the next; `None` infers it from the first readings.
    pub cadence_secs: Option<f64>,
    /// How long a point's last value stands in for a missing one.
    pub hold_cadences: f64,
    /// How far a reading may trail the latest event time and still be put in its place.
    pub allowed_lateness_secs: f64,
}

impl Default for AlignParams {
    fn default() -> Self {
        Self { cadence_secs: None, hold_cadences: 2.5, allowed_lateness_secs: 0.0 }
    }
}

/// Only [`AlignParams::check`] makes one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CheckedAlign(AlignParams);

impl AlignParams {
    /// All faults at once.
    pub fn check(self) -> Result<CheckedAlign, Vec<ParamFault>> {
        const YEAR: f64 = 3.2e7;
        let faults: Vec<_> = [
            self.cadence_secs.and_then(|secs| within("cadence_secs", secs, 1e-5, YEAR)),
            within("hold_cadences", self.hold_cadences, 0.0, 1e6),
            within("allowed_lateness_secs", self.allowed_lateness_secs, 0.0, YEAR),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(CheckedAlign(self)) } else { Err(faults) }
    }
}

/// What became of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Verdict {
    /// It is, or will be, part of a snapshot.
    Taken,
    /// The point already has a reading of that very time; changed nothing.
    Duplicate,
    /// Its window has closed, or the point's own later reading has been used already; changed nothing.
    Late,
    /// Value not [`usable()`], point not announced by [`Aligner::ensure_points`], or no time at all; changed nothing.
    Unusable,
}

/// What several readings of a point in one window become.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Repeats {
    /// Their mean.
    #[default]
    Mean,
    /// The last one: for state numbers and counters, whose mean means nothing.
    Last,
}

/// Where a point's value in a snapshot comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Freshness {
    /// Read within the window.
    Fresh,
    /// The last value from before, within the holding time.
    Held,
    /// Nothing to give: NaN.
    Missing,
}

/// One point: what the open window has of it, and its last reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Slot {
    sum: f64,
    last_value: f64,
    last_at: i64,
    count: u32,
    repeats: Repeats,
}

impl Slot {
    const EMPTY: Slot = Slot { sum: 0.0, last_value: 0.0, last_at: NEVER, count: 0, repeats: Repeats::Mean };
}

/// A reading that waits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Waiting {
    at: i64,
    point: u16,
    value: f64,
}

impl Waiting {
    fn key(&self) -> (i64, u16) {
        (self.at, self.point)
    }
}

/// Durations that follow from the cadence, microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Timing {
    cadence: i64,
    /// Length of a window: ¾ of the cadence, rounded up.
    span: i64,
    hold: i64,
}

impl Timing {
    fn of(cadence: i64, hold_cadences: f64) -> Self {
        let cadence = cadence.max(1);
        // `as` saturates.
        Self { cadence, span: cadence - cadence / 4, hold: (cadence as f64 * hold_cadences).round() as i64 }
    }
}

/// The window being filled: earliest and latest reading in it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Window {
    start: i64,
    latest: i64,
}

/// State of one asset's alignment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Aligner {
    params: CheckedAlign,
    lateness: i64,
    /// `None` while inferring.
    timing: Option<Timing>,
    slots: Vec<Slot>,
    /// Sorted by time, then point.
    waiting: VecDeque<Waiting>,
    /// Latest event time taken.
    latest: i64,
    /// End of the last closed window: nothing before it can still be placed.
    closed_until: i64,
    open: Option<Window>,
}

/// A snapshot, lent for the time of the callback.
#[derive(Debug, Clone, Copy)]
pub struct SnapshotView<'a> {
    at: EventTime,
    hold: i64,
    slots: &'a [Slot],
}

impl SnapshotView<'_> {
    /// Time of the latest reading in it.
    pub fn at(&self) -> EventTime {
        self.at
    }

    /// Number of points.
    pub fn len(&self) -> usize {
        self.slots.len()
    }

    /// The asset has no points.
    pub fn is_empty(&self) -> bool {
        self.slots.is_empty()
    }

    /// A point's value and where it comes from; NaN exactly when missing. A point beyond the last is missing.
    #[inline]
    pub fn get(&self, point: u16) -> (f64, Freshness) {
        self.slots.get(usize::from(point)).map_or((f64::NAN, Freshness::Missing), |slot| self.cell(slot))
    }

    /// All points in order.
    pub fn cells(&self) -> impl ExactSizeIterator<Item = (f64, Freshness)> {
        self.slots.iter().map(|slot| self.cell(slot))
    }

    /// All values in order, NaN where missing, into a buffer of the caller's, whose length becomes that of the
    /// snapshot. Allocates only when the buffer has to grow.
    pub fn values_into(&self, values: &mut Vec<f64>) {
        values.clear();
        values.extend(self.cells().map(|(value, _)| value));
    }

    /// Time and value of a point's latest reading, however old: for points that report on change only.
    pub fn last_known(&self, point: u16) -> Option<(EventTime, f64)> {
        self.slots
            .get(usize::from(point))
            .filter(|slot| slot.last_at != NEVER)
            .map(|slot| (EventTime(slot.last_at), slot.last_value))
    }

    #[inline]
    fn cell(&self, slot: &Slot) -> (f64, Freshness) {
        if slot.count == 1 {
            (slot.last_value, Freshness::Fresh)
        } else if slot.count > 1 {
            let value = match slot.repeats {
                Repeats::Mean => slot.sum / f64::from(slot.count),
                Repeats::Last => slot.last_value,
            };
            (value, Freshness::Fresh)
        } else if slot.last_at != NEVER && self.at.0.saturating_sub(slot.last_at) <= self.hold {
            (slot.last_value, Freshness::Held)
        } else {
            (f64::NAN, Freshness::Missing)
        }
    }
}

impl Aligner {
    /// Without points: announce them with [`Aligner::ensure_points`].
    pub fn new(params: CheckedAlign) -> Self {
        let AlignParams { cadence_secs, hold_cadences, allowed_lateness_secs } = params.0;
        Self {
            params,
            lateness: micros(allowed_lateness_secs),
            timing: cadence_secs.map(|secs| Timing::of(micros(secs), hold_cadences)),
            slots: Vec::new(),
            waiting: VecDeque::new(),
            latest: NEVER,
            closed_until: NEVER,
            open: None,
        }
    }

    /// Makes room for points 0 to `count` − 1; points are only ever added.
    pub fn ensure_points(&mut self, count: u16) {
        if self.slots.len() < usize::from(count) {
            self.slots.resize(usize::from(count), Slot::EMPTY);
        }
    }

    /// Says what repeated readings of a point become; the point is announced by it.
    pub fn set_repeats(&mut self, point: u16, repeats: Repeats) {
        self.ensure_points(point.saturating_add(1));
        if let Some(slot) = self.slots.get_mut(usize::from(point)) {
            slot.repeats = repeats;
        }
    }

    /// Number of points.
    pub fn points(&self) -> usize {
        self.slots.len()
    }

    /// Cadence, seconds; `None` while it is being inferred.
    pub fn cadence_secs(&self) -> Option<f64> {
        self.timing.map(|t| t.cadence as f64 * 1e-6)
    }

    /// Readings that wait: for the cadence, or for others that may still come before them.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Earliest tick that would close a window; an earlier one does nothing and need not be sent.
    #[inline]
    pub fn next_close_at(&self) -> Option<EventTime> {
        let timing = self.timing?;
        let start = match (&self.open, self.waiting.front()) {
            (Some(open), Some(first)) => open.start.min(first.at),
            (Some(open), None) => open.start,
            (None, Some(first)) => first.at,
            (None, None) => return None,
        };
        Some(EventTime(start.saturating_add(timing.span).saturating_add(self.lateness)))
    }

    /// Takes one reading; every window it closes goes to `emit`, in order.
    #[inline]
    pub fn push(&mut self, point: u16, at: EventTime, value: f64, emit: &mut impl FnMut(SnapshotView<'_>)) -> Verdict {
        let at = at.0;
        if !usable(value) || at == NEVER {
            return Verdict::Unusable;
        }
        let Some(slot) = self.slots.get(usize::from(point)) else { return Verdict::Unusable };
        let Some(timing) = self.timing else { return self.gather(Waiting { at, point, value }, emit) };
        if at <= slot.last_at {
            return if at == slot.last_at { Verdict::Duplicate } else { Verdict::Late };
        }
        // An open window may begin earlier than thought, as long as all it holds still fits into it.
        let too_early = |open: Window| at < open.start && open.latest.saturating_sub(at) >= timing.span;
        if at < self.closed_until || self.open.is_some_and(too_early) {
            return Verdict::Late;
        }
        let reading = Waiting { at, point, value };
        if self.lateness > 0 {
            return self.wait(reading, timing, emit);
        }
        self.latest = self.latest.max(at);
        self.place(reading, timing, emit);
        Verdict::Taken
    }

    /// Event time has reached `at` though no reading of this asset says so: closes what is due.
    #[inline]
    pub fn tick(&mut self, at: EventTime, emit: &mut impl FnMut(SnapshotView<'_>)) {
        let Some(timing) = self.timing else { return };
        while self.next_close_at().is_some_and(|due| due <= at) {
            self.finish_first(timing, emit);
        }
    }

    /// The data end here: infers the cadence from what there is if it must (one second when nothing can be inferred)
    /// and closes every window.
    pub fn flush(&mut self, emit: &mut impl FnMut(SnapshotView<'_>)) {
        if self.timing.is_none() && !self.waiting.is_empty() {
            let inferred = cadence::infer_anyway(self.waiting.iter().map(|w| (w.point, w.at)));
            self.start(inferred.unwrap_or(CADENCE_OF_LAST_RESORT), emit);
        }
        let Some(timing) = self.timing else { return };
        while self.open.is_some() || !self.waiting.is_empty() {
            self.finish_first(timing, emit);
        }
    }

    /// Puts a reading in its place among those that wait; `false` when the same point and time is there already.
    fn enqueue(&mut self, reading: Waiting) -> bool {
        if self.waiting.back().is_none_or(|last| last.key() < reading.key()) {
            self.waiting.push_back(reading);
            return true;
        }
        let place = self.waiting.partition_point(|w| w.key() < reading.key());
        if self.waiting.get(place).is_some_and(|w| w.key() == reading.key()) {
            return false;
        }
        self.waiting.insert(place, reading);
        true
    }

    fn is_crowded(&self) -> bool {
        self.waiting.len() > (WAITING_PER_POINT * self.slots.len()).max(WAITING_LEAST)
    }

    /// While the cadence is not known every reading waits.
    fn gather(&mut self, reading: Waiting, emit: &mut impl FnMut(SnapshotView<'_>)) -> Verdict {
        if !self.enqueue(reading) {
            return Verdict::Duplicate;
        }
        let later = reading.at > self.latest;
        self.latest = self.latest.max(reading.at);
        // Only instants that are complete: strictly before the mark nothing in time can still come.
        let mark = self.latest.saturating_sub(self.lateness);
        let all = self.waiting.iter().map(|w| (w.point, w.at));
        let inferred = if self.is_crowded() {
            cadence::infer_anyway(all).or(Some(CADENCE_OF_LAST_RESORT))
        } else if later {
            cadence::infer(all.take_while(|&(_, at)| at < mark))
        } else {
            None
        };
        if let Some(cadence) = inferred {
            self.start(cadence, emit);
        }
        Verdict::Taken
    }

    /// The cadence is known: what waited goes its normal way.
    fn start(&mut self, cadence: i64, emit: &mut impl FnMut(SnapshotView<'_>)) {
        let timing = Timing::of(cadence, self.params.0.hold_cadences);
        self.timing = Some(timing);
        self.release(timing, emit);
        if self.lateness == 0 {
            // Nothing waits any more: give the memory back.
            self.waiting = VecDeque::new();
        }
    }

    fn wait(&mut self, reading: Waiting, timing: Timing, emit: &mut impl FnMut(SnapshotView<'_>)) -> Verdict {
        if !self.enqueue(reading) {
            return Verdict::Duplicate;
        }
        self.latest = self.latest.max(reading.at);
        self.release(timing, emit);
        Verdict::Taken
    }

    /// Places all before which nothing may come any more, and closes the window if that is past its end.
    fn release(&mut self, timing: Timing, emit: &mut impl FnMut(SnapshotView<'_>)) {
        let mark = self.latest.saturating_sub(self.lateness);
        while self.waiting.front().is_some_and(|first| first.at <= mark) || self.is_crowded() {
            let Some(first) = self.waiting.pop_front() else { break };
            self.place(first, timing, emit);
        }
        if self.open.is_some_and(|open| mark.saturating_sub(open.start) >= timing.span) {
            self.close(timing, emit);
        }
    }

    /// Puts a reading into the open window, or closes that and opens the next with it.
    #[inline]
    fn place(&mut self, reading: Waiting, timing: Timing, emit: &mut impl FnMut(SnapshotView<'_>)) {
        let Waiting { at, point, value } = reading;
        match &mut self.open {
            Some(open) if at.saturating_sub(open.start) < timing.span => {
                open.start = open.start.min(at);
                open.latest = open.latest.max(at);
            }
            _ => {
                self.close(timing, emit);
                self.open = Some(Window { start: at, latest: at });
            }
        }
        if let Some(slot) = self.slots.get_mut(usize::from(point)) {
            slot.sum += value;
            slot.count = slot.count.saturating_add(1);
            slot.last_at = at;
            slot.last_value = value;
        }
    }

    /// Completes the earliest window from what waits and closes it.
    fn finish_first(&mut self, timing: Timing, emit: &mut impl FnMut(SnapshotView<'_>)) {
        let belongs = |open: Option<Window>, first: &Waiting| {
            open.is_none_or(|open| first.at.saturating_sub(open.start) < timing.span)
        };
        while self.waiting.front().is_some_and(|first| belongs(self.open, first)) {
            let Some(first) = self.waiting.pop_front() else { break };
            self.place(first, timing, emit);
        }
        self.close(timing, emit);
    }

    fn close(&mut self, timing: Timing, emit: &mut impl FnMut(SnapshotView<'_>)) {
        let Some(open) = self.open.take() else { return };
        self.closed_until = open.start.saturating_add(timing.span);
        emit(SnapshotView { at: EventTime(open.latest), hold: timing.hold, slots: &self.slots });
        for slot in &mut self.slots {
            slot.sum = 0.0;
            slot.count = 0;
        }
    }
}

fn micros(secs: f64) -> i64 {
    // `as` saturates and maps NaN to zero.
    (secs * 1e6).round() as i64
}

#[cfg(test)]
mod tests;
