//! Which messages still owe the broker an acknowledgement: in arrival order, and never to a later connection.
//!
//! Every entry handed on gets a running number. The journal reports "durable up to number n"; then everything up to
//! n is acknowledged in the order it came, as MQTT asks. Packet ids belong to a connection (or to a session that
//! survived it); an acknowledgement of an older connection could hit another message, so those are dropped, and the
//! broker sends the message again. What comes again and is already ours is recognised and not counted twice; that
//! includes what we acknowledged, since an acknowledgement can be lost on its way. Recognised means: marked by the
//! broker as sent before, same packet id, same topic, same payload as the last message under that id.
//!
//! Memory: one entry per unacknowledged message, which the broker's own window and queue bound, and one per packet
//! id of the session, at most 65 535 of 24 bytes.

use super::link::Message;
use std::collections::VecDeque;
use std::hash::{DefaultHasher, Hasher};

/// Messages that can come again, by packet id: hash of topic and payload, and running number. Brokers go through all the
/// ids in turn, so that a table of them is as small as a map and has nothing to look for.
#[derive(Debug, Default)]
struct Earlier(Vec<Option<(u64, u64)>>);

impl Earlier {
    fn put(&mut self, packet_id: u16, hash: u64, number: u64) {
        let place = usize::from(packet_id);
        if self.0.len() <= place {
            self.0.resize(place + 1, None);
        }
        self.0[place] = Some((hash, number));
    }

    fn take(&mut self, packet_id: u16) -> Option<(u64, u64)> {
        self.0.get_mut(usize::from(packet_id))?.take()
    }
}

#[derive(Debug, Clone, Copy)]
struct Owed {
    number: u64,
    packet_id: u16,
    hash: u64,
}

/// What to do with a message that came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrival {
    /// Hand it on under this number.
    New(u64),
    /// It was handed on before a reconnect; only the acknowledgement is still owed.
    Again,
}

/// The acknowledgements owed.
#[derive(Debug, Default)]
pub struct AckLedger {
    last_number: u64,
    owed: VecDeque<Owed>,
    earlier: Earlier,
}

/// Hash that recognises a message which comes again. Not for keeping: another build may hash otherwise.
pub fn identity(topic: &str, payload: &[u8]) -> u64 {
    let mut hasher = DefaultHasher::new();
    hasher.write(topic.as_bytes());
    // No topic has this byte, so that none can end in what a payload begins with.
    hasher.write_u8(0);
    hasher.write(payload);
    hasher.finish()
}

impl AckLedger {
    /// `journaled`: packet id and [`identity`] of the messages at the end of the journal, in order. After a crash
    /// the broker sends those again that it had no acknowledgement for.
    pub fn new(journaled: impl IntoIterator<Item = (u16, u64)>) -> Self {
        let mut earlier = Earlier::default();
        journaled.into_iter().for_each(|(packet_id, hash)| earlier.put(packet_id, hash, 0));
        Self { last_number: 0, owed: VecDeque::new(), earlier }
    }

    /// Messages not yet acknowledged.
    pub fn owed(&self) -> usize {
        self.owed.len()
    }

    /// A running number for something that is journaled but not acknowledged.
    pub fn unowed(&mut self) -> u64 {
        self.last_number += 1;
        self.last_number
    }

    /// A message came on the present connection.
    pub fn arrived(&mut self, message: &Message) -> Arrival {
        if message.packet_id == 0 {
            return Arrival::New(self.unowed());
        }
        let hash = identity(&message.topic, &message.payload);
        // Only what the broker itself marks as sent before can be one of ours; an id is looked up once.
        let before = self.earlier.take(message.packet_id).filter(|before| message.dup && before.0 == hash);
        let (arrival, number) = match before {
            Some((_, number)) => (Arrival::Again, number),
            None => {
                let number = self.unowed();
                (Arrival::New(number), number)
            }
        };
        self.owed.push_back(Owed { number, packet_id: message.packet_id, hash });
        arrival
    }

    /// The connection is gone: nothing is owed on it any more, but what was handed on may come again.
    pub fn disconnected(&mut self) {
        for owed in self.owed.drain(..) {
            self.earlier.put(owed.packet_id, owed.hash, owed.number);
        }
    }

    /// The broker has no session of ours: packet ids start anew and nothing comes again.
    pub fn session_lost(&mut self) {
        self.earlier.0.clear();
    }

    /// The packet id to acknowledge next when everything up to `durable` is; it stays first until [`Self::acked`].
    pub fn next(&self, durable: u64) -> Option<u16> {
        self.owed.front().filter(|owed| owed.number <= durable).map(|owed| owed.packet_id)
    }

    /// The first one has been acknowledged, as far as we can tell.
    pub fn acked(&mut self) {
        if let Some(owed) = self.owed.pop_front() {
            self.earlier.put(owed.packet_id, owed.hash, owed.number);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use bytes::Bytes;
    use roundsman_models::EventTime;

    fn message(packet_id: u16, payload: &'static str, dup: bool) -> Message {
        Message {
            topic: "plant/a/p".into(),
            payload: Bytes::from_static(payload.as_bytes()),
            cut: false,
            retain: false,
            dup,
            packet_id,
            received: EventTime(0),
            reply_to: None,
        }
    }

    fn all(ledger: &mut AckLedger, durable: u64) -> Vec<u16> {
        std::iter::from_fn(|| {
            let next = ledger.next(durable);
            if next.is_some() {
                ledger.acked();
            }
            next
        })
        .collect()
    }

    #[test]
    fn acks_go_out_in_arrival_order_and_only_when_durable() {
        let mut ledger = AckLedger::default();
        for id in [7, 3, 9] {
            ledger.arrived(&message(id, "1", false));
        }
        assert_eq!(all(&mut ledger, 2), [7, 3]);
        assert_eq!(all(&mut ledger, 2), [] as [u16; 0]);
        assert_eq!(all(&mut ledger, 3), [9]);
    }

    #[test]
    fn qos_0_is_numbered_but_never_acknowledged() {
        let mut ledger = AckLedger::default();
        assert_eq!(ledger.arrived(&message(0, "1", false)), Arrival::New(1));
        assert_eq!(ledger.arrived(&message(5, "2", false)), Arrival::New(2));
        assert_eq!(all(&mut ledger, 2), [5]);
    }

    #[test]
    fn nothing_of_an_earlier_connection_is_acknowledged() {
        let mut ledger = AckLedger::default();
        ledger.arrived(&message(1, "1", false));
        ledger.disconnected();
        ledger.session_lost();
        assert_eq!(ledger.arrived(&message(1, "1", false)), Arrival::New(2), "a new session starts its ids anew");
        assert_eq!(all(&mut ledger, 1), [] as [u16; 0], "number 1 was the old connection's");
        assert_eq!(all(&mut ledger, 2), [1]);
    }

    #[test]
    fn a_message_that_comes_again_is_acknowledged_but_not_handed_on_again() {
        let mut ledger = AckLedger::default();
        ledger.arrived(&message(1, "1", false));
        ledger.arrived(&message(2, "2", false));
        ledger.disconnected();
        assert_eq!(ledger.arrived(&message(1, "1", true)), Arrival::Again);
        assert_eq!(ledger.arrived(&message(2, "other", true)), Arrival::New(3), "the id was used for another one");
        assert_eq!(all(&mut ledger, 1), [1], "still not before it is durable");
        assert_eq!(all(&mut ledger, 3), [2]);
    }

    #[test]
    fn an_acknowledgement_lost_on_its_way_is_given_again() {
        let mut ledger = AckLedger::default();
        ledger.arrived(&message(1, "1", false));
        assert_eq!(all(&mut ledger, 1), [1]);
        ledger.disconnected();
        assert_eq!(ledger.arrived(&message(1, "1", true)), Arrival::Again);
        assert_eq!(all(&mut ledger, 1), [1]);
        assert_eq!(ledger.arrived(&message(1, "1", false)), Arrival::New(2), "the id is free again");
    }

    #[test]
    fn after_a_crash_the_end_of_the_journal_is_recognised() {
        let journaled = message(4, "4", false);
        let mut ledger = AckLedger::new([(4, identity(&journaled.topic, &journaled.payload))]);
        assert_eq!(ledger.arrived(&message(4, "4", true)), Arrival::Again);
        assert_eq!(all(&mut ledger, 0), [4], "it is durable already");
        assert_eq!(ledger.arrived(&message(4, "4", false)), Arrival::New(1), "a fresh one is a fresh one");
    }
}
