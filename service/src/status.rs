//! How the daemon is doing, for logs, the status document and the health page: shared counters and states.
//!
//! Counters are written with relaxed atomics on the hot path; nobody derives anything from their order.

use crate::acquire::Rejection;
use crate::acquire::mqtt::Message;
use crate::advise::service_status::{Counters, Example};
use crate::advise::wording::plain;
use crate::board::Board;
use crate::inlet::Inlet;
use crate::mail::desk::Desk;
use crate::vitals::Vitals;
use roundsman_models::EventTime;
use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Every reason, in the order of its counter.
pub const REJECTIONS: [Rejection; 19] = [
    Rejection::UnmappedTopic,
    Rejection::Unreadable,
    Rejection::BadTime,
    Rejection::BadUnit,
    Rejection::BadName,
    Rejection::TooMany,
    Rejection::Retained,
    Rejection::NotFinite,
    Rejection::OutOfRange,
    Rejection::Stuck,
    Rejection::Duplicate,
    Rejection::Late,
    Rejection::Future,
    Rejection::Past,
    Rejection::BadQuality,
    Rejection::BadWaveform,
    Rejection::NoBirth,
    Rejection::SequenceGap,
    Rejection::Historical,
];

/// Samples kept of what could not be read.
const DEAD_LETTERS: usize = 20;

/// Faults of the stored state that are told; the log has all.
const STATE_FAULTS: usize = 20;

/// Longest beginning of a topic or a text kept for the person who looks; a topic may be 64 KiB.
const SHOWN_CHARS: usize = 200;

/// At most one log line per reason in this time.
const LOG_EVERY: Duration = Duration::from_secs(60);

/// Of readings the engine did not take, one in so many is kept as an example. A power of two.
const EXAMPLE_EVERY: u64 = 1024;

/// A counter.
#[derive(Debug, Default)]
pub struct Count(AtomicU64);

impl Count {
    /// One more.
    pub fn up(&self) {
        self.add(1);
    }

    /// `n` more.
    pub fn add(&self, n: u64) {
        self.0.fetch_add(n, Relaxed);
    }

    /// One less; for counts of what is there now.
    pub fn down(&self) {
        self.0.fetch_sub(1, Relaxed);
    }

    /// Set to a present value.
    pub fn set(&self, n: u64) {
        self.0.store(n, Relaxed);
    }

    /// Its value.
    pub fn get(&self) -> u64 {
        self.0.load(Relaxed)
    }
}

/// State of one connection.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum LinkState {
    /// Trying for the first time.
    #[default]
    Connecting,
    /// Up.
    Connected,
    /// Down, with the reason; tried again.
    Down(String),
    /// Closed on purpose.
    Closed,
}

/// Something that arrived and could not be used, kept for the person who looks.
#[derive(Debug, Clone, PartialEq)]
pub struct DeadLetter {
    /// Topic.
    pub topic: String,
    /// Why.
    pub reason: Rejection,
    /// In words.
    pub detail: String,
    /// Beginning of the payload as text.
    pub payload: String,
    /// Arrival.
    pub received: EventTime,
}

/// A hole in the data that the broker lost for us.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hole {
    /// Last message before it, by our clock.
    pub from: EventTime,
    /// Back again.
    pub to: EventTime,
}

/// Counters and states.
#[derive(Debug, Default)]
pub struct Status {
    /// Messages that arrived.
    pub received: Count,
    /// Of those, messages the broker sent again and that were ours already.
    pub repeated: Count,
    /// QoS 0 messages dropped because the journal could not keep up.
    pub dropped_unsafe: Count,
    /// Payloads above the limit.
    pub oversize: Count,
    /// Messages durable in the journal.
    pub journaled: Count,
    /// Messages acknowledged.
    pub acknowledged: Count,
    /// Messages waiting for their acknowledgement now.
    pub unacknowledged: Count,
    /// Assets known now.
    pub assets: Count,
    /// Observations handed to the engine.
    pub observed: Count,
    /// Snapshots scored.
    pub scored: Count,
    /// Alert transitions.
    pub alerts: Count,
    /// Commands taken, carried out or refused.
    pub commands: Count,
    /// Documents confirmed by the broker.
    pub delivered: Count,
    /// Documents the broker refused.
    pub refused: Count,
    /// Documents waiting in the outbox now.
    pub outbox: Count,
    /// Documents dropped because the outbox was full.
    pub outbox_dropped: Count,
    /// Transitions of alerts that wait for mail.
    pub mail_waiting: Count,
    /// Mails the server has taken.
    pub mail_sent: Count,
    /// Mails the server will never take.
    pub mail_refused: Count,
    /// Times mail could not be handed over and was tried again.
    pub mail_failures: Count,
    /// Transitions nobody is told of by mail, because too many waited.
    pub mail_dropped: Count,
    /// Times the reader connected.
    pub reader_connects: Count,
    /// Topic filters granted on the present session.
    pub subscribed: Count,
    /// Times the writer connected.
    pub writer_connects: Count,
    /// Failed writes to disk that were tried again.
    pub disk_faults: Count,
    /// Waveforms taken in.
    pub waveforms: Count,
    /// Of those, waveforms the looking threads had no room for: looked at when their outcome was asked for.
    pub waveforms_not_ahead: Count,

    /// How the copy in PostgreSQL gets on.
    pub historian: crate::historian::Progress,
    /// What moves, for health, metrics and watchdog.
    pub vitals: Vitals,
    /// Where every machine stands, for the page.
    pub board: Board,
    /// What people do on the page, on its way into the journal.
    pub inlet: Inlet,
    /// Where it hands in reports that are to be mailed.
    pub desk: Desk,
    rejected: [Count; REJECTIONS.len()],
    reader: Mutex<LinkState>,
    writer: Mutex<LinkState>,
    quiet: Mutex<Vec<String>>,
    refused_filters: Mutex<Vec<(String, String)>>,
    holes: Mutex<Vec<Hole>>,
    state_faults: Mutex<Vec<String>>,
    dead_letters: Mutex<DeadLetters>,
}

#[derive(Debug, Default)]
struct DeadLetters {
    last: VecDeque<DeadLetter>,
    /// The last of each reason, so that a flood of one does not wash the others away.
    of_reason: [Option<DeadLetter>; REJECTIONS.len()],
    /// Per reason: last log line, and how many came since.
    logged: [(Option<Instant>, u64); REJECTIONS.len()],
}

/// A panic while the lock was held cannot leave these plain values half written.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn letter(message: &Message, reason: Rejection, detail: &str) -> DeadLetter {
    let beginning = message.payload.get(..SHOWN_CHARS).unwrap_or(&message.payload);
    DeadLetter {
        topic: shown(&message.topic),
        reason,
        detail: shown(detail),
        payload: String::from_utf8_lossy(beginning).into_owned(),
        received: message.received,
    }
}

fn shown(text: &str) -> String {
    plain(text, SHOWN_CHARS)
}

fn slot(reason: Rejection) -> usize {
    REJECTIONS.iter().position(|known| *known == reason).unwrap_or(0)
}

impl Status {
    /// The counters as the service document gives them.
    pub fn counters(&self) -> Counters {
        Counters {
            messages: self.received.get(),
            readings: self.observed.get(),
            assets: self.assets.get(),
            rejected: REJECTIONS
                .iter()
                .filter_map(|reason| Some((*reason, self.rejected(*reason))).filter(|(_, n)| *n > 0))
                .collect(),
            waveforms: self.waveforms.get(),
            waveforms_not_ahead: self.waveforms_not_ahead.get(),
            examples: self.examples(),
            snapshots: self.scored.get(),
            alerts: self.alerts.get(),
            commands: self.commands.get(),
            delivered: self.delivered.get(),
            waiting: self.outbox.get(),
            dropped: self.outbox_dropped.get(),
            connects: self.reader_connects.get(),
            clock_steps: crate::acquire::steady_clock::steps(),
            state_faults: self.state_faults(),
        }
    }

    /// Counts a rejection.
    pub fn reject(&self, reason: Rejection) {
        if let Some(count) = self.rejected.get(slot(reason)) {
            count.up();
        }
    }

    /// How often something was rejected for this reason.
    pub fn rejected(&self, reason: Rejection) -> u64 {
        self.rejected.get(slot(reason)).map_or(0, Count::get)
    }

    /// Counts a message that is passed over and no fault of anybody's: an example, no log line.
    pub fn pass_over(&self, message: &Message, reason: Rejection, detail: &str) {
        self.reject(reason);
        let letter = letter(message, reason, detail);
        if let Some(last) = lock(&self.dead_letters).of_reason.get_mut(slot(reason)) {
            *last = Some(letter);
        }
    }

    /// Counts a message that could not be used, keeps a sample and logs one line per reason and minute.
    pub fn dead_letter(&self, message: &Message, reason: Rejection, detail: &str) {
        self.reject(reason);
        self.keep(letter(message, reason, detail));
    }

    fn keep(&self, letter: DeadLetter) {
        let reason = letter.reason;
        let mut letters = lock(&self.dead_letters);
        if let Some((last, since)) = letters.logged.get_mut(slot(reason)) {
            *since += 1;
            if last.is_none_or(|last| last.elapsed() >= LOG_EVERY) {
                tracing::warn!(
                    topic = letter.topic,
                    reason = reason.word(),
                    detail = letter.detail,
                    payload = letter.payload,
                    count = *since,
                    "messages that cannot be used (count since the last such line); this is one of them"
                );
                (*last, *since) = (Some(Instant::now()), 0);
            }
        }
        if let Some(last) = letters.of_reason.get_mut(slot(reason)) {
            *last = Some(letter.clone());
        }
        if letters.last.len() == DEAD_LETTERS {
            letters.last.pop_front();
        }
        letters.last.push_back(letter);
    }

    /// Counts a waveform that could not be read and logs one line per minute at most: its message is gone by then.
    pub fn bad_waveform(&self, asset: &str, part: &str, why: &str) {
        self.reject(Rejection::BadWaveform);
        let mut letters = lock(&self.dead_letters);
        if let Some((last, since)) = letters.logged.get_mut(slot(Rejection::BadWaveform)) {
            *since += 1;
            if last.is_none_or(|last| last.elapsed() >= LOG_EVERY) {
                tracing::warn!(
                    asset,
                    part,
                    why,
                    count = *since,
                    "waveforms that cannot be read (count since the last such line); this is one of them"
                );
                (*last, *since) = (Some(Instant::now()), 0);
            }
        }
    }

    /// Counts a reading that was held back and is refused now, long after its message; logs and keeps it the same way.
    pub fn refuse_held(&self, reason: Rejection, detail: &str) {
        self.reject(reason);
        let letter = DeadLetter {
            topic: String::new(),
            reason,
            detail: shown(detail),
            payload: String::new(),
            received: EventTime(i64::MIN),
        };
        self.keep(letter);
    }

    /// Counts a reading the engine did not take, and keeps one in [`EXAMPLE_EVERY`] as an example: on this way every
    /// reading of a sensor that hangs may come.
    pub fn reject_of(&self, reason: Rejection, asset: &str) {
        self.reject(reason);
        if self.rejected(reason) & (EXAMPLE_EVERY - 1) != 1 {
            return;
        }
        let mut letters = lock(&self.dead_letters);
        if let Some(last) = letters.of_reason.get_mut(slot(reason)) {
            let (topic, payload) = (String::new(), String::new());
            let detail = format!("a reading of {}", shown(asset));
            *last = Some(DeadLetter { topic, reason, detail, payload, received: EventTime(i64::MIN) });
        }
    }

    /// The last of each reason.
    fn examples(&self) -> BTreeMap<Rejection, Example> {
        let letters = lock(&self.dead_letters);
        let example = |letter: &DeadLetter| Example {
            topic: Some(letter.topic.clone()).filter(|topic| !topic.is_empty()),
            detail: letter.detail.clone(),
            payload: Some(letter.payload.clone()).filter(|_| !letter.topic.is_empty()),
            at: Some(letter.received).filter(|at| at.0 != i64::MIN),
        };
        letters.of_reason.iter().flatten().map(|letter| (letter.reason, example(letter))).collect()
    }

    /// The last messages that could not be used.
    pub fn dead_letters(&self) -> Vec<DeadLetter> {
        lock(&self.dead_letters).last.iter().cloned().collect()
    }

    /// State of the reader connection.
    pub fn reader(&self) -> LinkState {
        lock(&self.reader).clone()
    }

    /// Sets it.
    pub fn set_reader(&self, state: LinkState) {
        *lock(&self.reader) = state;
    }

    /// State of the writer connection.
    pub fn writer(&self) -> LinkState {
        lock(&self.writer).clone()
    }

    /// Sets it.
    pub fn set_writer(&self, state: LinkState) {
        *lock(&self.writer) = state;
    }

    /// Filters that are granted and bring nothing.
    pub fn quiet_filters(&self) -> Vec<String> {
        lock(&self.quiet).clone()
    }

    /// Sets them.
    pub fn set_quiet_filters(&self, filters: Vec<String>) {
        *lock(&self.quiet) = filters;
    }

    /// Filters the broker refused, with its reason.
    pub fn refused_filters(&self) -> Vec<(String, String)> {
        lock(&self.refused_filters).clone()
    }

    /// Sets them.
    pub fn set_refused_filters(&self, filters: Vec<(String, String)>) {
        *lock(&self.refused_filters) = filters;
    }

    /// Holes since the start; the database has all.
    pub fn holes(&self) -> Vec<Hole> {
        lock(&self.holes).clone()
    }

    /// What of the stored state could not be used at the start, in words; the first [`STATE_FAULTS`] of them.
    pub fn state_faults(&self) -> Vec<String> {
        lock(&self.state_faults).clone()
    }

    /// Adds one.
    pub fn add_state_fault(&self, fault: String) {
        let mut faults = lock(&self.state_faults);
        if faults.len() < STATE_FAULTS {
            faults.push(fault);
        }
    }

    /// Adds one; the newest hundred are kept here.
    pub fn add_hole(&self, hole: Hole) {
        let mut holes = lock(&self.holes);
        if holes.len() == 100 {
            holes.remove(0);
        }
        holes.push(hole);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use bytes::Bytes;

    #[test]
    fn every_reason_has_its_own_counter_and_the_samples_are_bounded() {
        let status = Status::default();
        let message = Message {
            topic: "t".into(),
            payload: Bytes::from(vec![b'x'; 1000]),
            cut: false,
            retain: false,
            dup: false,
            packet_id: 0,
            received: EventTime(0),
            reply_to: None,
        };
        for (index, reason) in REJECTIONS.into_iter().enumerate() {
            for _ in 0..=index {
                status.dead_letter(&message, reason, "test");
            }
        }
        for (index, reason) in REJECTIONS.into_iter().enumerate() {
            assert_eq!(status.rejected(reason), index as u64 + 1, "{reason:?}");
            // The word is the one of the documents, which serde spells.
            assert_eq!(serde_json::to_value(reason).expect("a word"), reason.word());
        }
        assert_eq!(status.dead_letters().len(), DEAD_LETTERS);
        assert!(status.dead_letters().iter().all(|letter| letter.payload.len() <= 200));
    }
}
