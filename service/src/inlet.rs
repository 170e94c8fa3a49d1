//! The way in for what a person does on the page: into the journal like every command of the plant's, and from there to
//! the engine, the audit and the board. So a recovery and a replay carry it out again at the same place.
//!
//! Who may do it was settled at the door; that is what makes the entry another one than a message of the broker's, whose
//! right hangs on its topic.

use crate::acquire::mqtt::{Message, ReplyTo};
use bytes::Bytes;
use roundsman_models::EventTime;
use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};

/// Commands under way into the journal; more are sent back to who gave them.
const ROOM: usize = 16;
/// Whoever gave a command waits so long for its outcome.
const PATIENCE: Duration = Duration::from_secs(10);
const STOPPING: &str = "the service is stopping";
/// The first level of the "topic" of such a command, which is what the audit shows: `page/ASSET`.
const PAGE: &str = "page/";

/// What became of a command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// Carried out, in words.
    Done(String),
    /// Refused, and why.
    Refused(String),
    /// In the journal or on its way there, and not carried out yet: it will be.
    UnderWay,
    /// Not taken: nothing will come of it.
    NotTaken(&'static str),
}

/// The inlet.
pub struct Inlet {
    into_journal: mpsc::Sender<Message>,
    /// Until the reader takes it.
    out: Mutex<Option<mpsc::Receiver<Message>>>,
    waiting: Mutex<HashMap<Bytes, oneshot::Sender<Outcome>>>,
}

impl Default for Inlet {
    fn default() -> Self {
        let (into_journal, out) = mpsc::channel(ROOM);
        Self { into_journal, out: Mutex::new(Some(out)), waiting: Mutex::default() }
    }
}

impl std::fmt::Debug for Inlet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Inlet")
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // A panic while it was held cannot leave these plain values half written.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What stands for a topic in the audit of what is done to an asset on the page.
pub fn topic_of(asset: &str) -> String {
    format!("{PAGE}{asset}")
}

/// The asset of a command given on the page.
pub fn asset_of(topic: &str) -> Option<&str> {
    topic.strip_prefix(PAGE)
}

impl Inlet {
    /// The end the reader takes commands from; once. It closes with a daemon that stops, and then none are taken.
    pub fn take_end(&self) -> Option<mpsc::Receiver<Message>> {
        lock(&self.out).take()
    }

    /// Puts a command (its JSON, as on a topic) on its way and waits for what becomes of it.
    pub async fn give(&self, asset: &str, command: String, received: EventTime) -> Outcome {
        let mut id = [0u8; 16];
        if getrandom::fill(&mut id).is_err() {
            return Outcome::NotTaken("the system gives no random numbers");
        }
        let id = Bytes::copy_from_slice(&id);
        let message = Message {
            topic: topic_of(asset),
            payload: command.into(),
            cut: false,
            retain: false,
            dup: false,
            packet_id: 0,
            received,
            reply_to: Some(ReplyTo { topic: String::new(), correlation: Some(id.clone()) }),
        };
        let (told, outcome) = oneshot::channel();
        lock(&self.waiting).insert(id.clone(), told);
        let taken = self.into_journal.try_send(message);
        let outcome = match taken {
            Ok(()) => match tokio::time::timeout(PATIENCE, outcome).await {
                Ok(Ok(outcome)) => outcome,
                Ok(Err(_)) | Err(_) => Outcome::UnderWay,
            },
            Err(mpsc::error::TrySendError::Full(_)) => Outcome::NotTaken("the journal takes nothing just now"),
            Err(mpsc::error::TrySendError::Closed(_)) => Outcome::NotTaken(STOPPING),
        };
        lock(&self.waiting).remove(&id);
        outcome
    }

    /// Says that a command did not come into the journal and never will.
    pub fn not_taken(&self, command: &Message) {
        let id = command.reply_to.as_ref().and_then(|to| to.correlation.as_ref());
        if let Some(told) = id.and_then(|id| lock(&self.waiting).remove(id)) {
            let _ = told.send(Outcome::NotTaken(STOPPING));
        }
    }

    /// Says what became of a command, if its giver is still there.
    pub fn became(&self, id: Option<&Bytes>, accepted: bool, words: &str) {
        let Some(told) = id.and_then(|id| lock(&self.waiting).remove(id)) else { return };
        let words = words.to_owned();
        let _ = told.send(if accepted { Outcome::Done(words) } else { Outcome::Refused(words) });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_command_waits_for_its_own_outcome() {
        let inlet = std::sync::Arc::new(Inlet::default());
        let mut end = inlet.take_end().expect("the first to ask");
        assert!(inlet.take_end().is_none());
        let giving = inlet.clone();
        let given = tokio::spawn(async move { giving.give("p", "{}".into(), EventTime(1)).await });
        let message = end.recv().await.expect("a command");
        assert_eq!(asset_of(&message.topic), Some("p"));
        let id = message.reply_to.and_then(|to| to.correlation).expect("an id");
        inlet.became(Some(&Bytes::from_static(b"another's")), true, "not this one");
        inlet.became(None, true, "nobody's");
        inlet.became(Some(&id), false, "no such alert");
        assert_eq!(given.await.expect("no panic"), Outcome::Refused("no such alert".into()));
    }

    #[tokio::test]
    async fn a_full_or_closed_inlet_says_so_at_once() {
        let inlet = Inlet::default();
        let end = inlet.take_end().expect("the first to ask");
        for _ in 0..ROOM {
            inlet.into_journal.try_send(end_message()).expect("room");
        }
        assert!(matches!(inlet.give("p", "{}".into(), EventTime(1)).await, Outcome::NotTaken(_)));
        drop(end);
        assert_eq!(inlet.give("p", "{}".into(), EventTime(1)).await, Outcome::NotTaken("the service is stopping"));
        assert!(lock(&inlet.waiting).is_empty());
    }

    fn end_message() -> Message {
        Message {
            topic: "page/p".into(),
            payload: Bytes::new(),
            cut: false,
            retain: false,
            dup: false,
            packet_id: 0,
            received: EventTime(0),
            reply_to: None,
        }
    }
}
