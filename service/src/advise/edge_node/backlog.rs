//! What was said of machines while no host could hear it: kept, and said later with `is_historical`, so that a host puts it
//! into its past and takes nothing of it for the present (specification 3.0.0, section 6.4.5). Pure: the connection says when.
//!
//! Three things come in: words that changed while there was no connection; words that went out shortly before one broke, of
//! which nobody knows whether they arrived (QoS 0); and kept words that went out and are as uncertain themselves. A host that
//! hears a word twice gets it with the same time, which is the same row of its history.
//!
//! Bounded by [`MOST_WORDS`]: above it the oldest words of a machine make room for its newest.

use super::metrics::Word;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Words kept at most, of all machines together; about 10 MB. Ours.
const MOST_WORDS: usize = 100_000;

/// Words of one time, waiting.
#[derive(Debug, Default)]
pub(super) struct Backlog {
    /// By machine and time, ms.
    held: BTreeMap<(Arc<str>, u64), Vec<Word>>,
    /// What went out, while it may still turn out not to have arrived; oldest first.
    unsure: VecDeque<(Instant, Arc<str>, u64, Vec<Word>)>,
    held_words: usize,
    unsure_words: usize,
    /// Words that had no room.
    pub(super) dropped: u64,
}

impl Backlog {
    /// Keeps words that nobody can hear now.
    pub(super) fn hold(&mut self, asset: &Arc<str>, at: u64, words: Vec<Word>) {
        if words.is_empty() {
            return;
        }
        while self.held_words + words.len() > MOST_WORDS {
            let oldest =
                self.held.range((asset.clone(), 0)..=(asset.clone(), u64::MAX)).next().map(|(key, _)| key.clone());
            let Some(gone) = oldest.and_then(|key| self.held.remove(&key)) else {
                self.dropped += words.len() as u64;
                return;
            };
            self.held_words -= gone.len();
            self.dropped += gone.len() as u64;
        }
        let before = self.held.entry((asset.clone(), at)).or_default();
        for word in words {
            match before.iter_mut().find(|known| known.name == word.name) {
                // Of one time the later word is what held.
                Some(known) => *known = word,
                None => {
                    before.push(word);
                    self.held_words += 1;
                }
            }
        }
    }

    /// Words went out now.
    pub(super) fn sent(&mut self, asset: &Arc<str>, at: u64, words: Vec<Word>, now: Instant) {
        // What was kept of the same time has been said by this.
        if let Some(said) = self.held.remove(&(asset.clone(), at)) {
            self.held_words -= said.len();
        }
        if !words.is_empty() {
            self.unsure_words += words.len();
            self.unsure.push_back((now, asset.clone(), at, words));
        }
        while self.unsure_words > MOST_WORDS
            && let Some((.., words)) = self.unsure.pop_front()
        {
            self.unsure_words -= words.len();
        }
    }

    /// Forgets what must have arrived: what went out longer than `patience` ago on a connection that is still well.
    pub(super) fn settle(&mut self, now: Instant, patience: Duration) {
        while let Some((sent, _, _, words)) = self.unsure.front()
            && now.duration_since(*sent) > patience
        {
            self.unsure_words -= words.len();
            self.unsure.pop_front();
        }
    }

    /// The connection is gone: what went out shortly before may not have arrived.
    pub(super) fn lost(&mut self, now: Instant, patience: Duration) {
        self.settle(now, patience);
        self.unsure_words = 0;
        for (_, asset, at, words) in std::mem::take(&mut self.unsure) {
            // What was kept since of the same time is later.
            let later = self.held.remove(&(asset.clone(), at)).unwrap_or_default();
            self.held_words -= later.len();
            self.hold(&asset, at, words);
            self.hold(&asset, at, later);
        }
    }

    /// The next words to say: those of the first machine, oldest first.
    pub(super) fn first(&self) -> Option<(&Arc<str>, u64, &[Word])> {
        self.held.first_key_value().map(|((asset, at), words)| (asset, *at, words.as_slice()))
    }

    /// They went out.
    pub(super) fn first_sent(&mut self, now: Instant) {
        if let Some(((asset, at), words)) = self.held.pop_first() {
            self.held_words -= words.len();
            self.sent(&asset, at, words, now);
        }
    }

    /// Words that wait.
    pub(super) fn len(&self) -> usize {
        self.held_words
    }
}

#[cfg(test)]
mod tests {
    use super::super::metrics::words;
    use super::*;
    use crate::advise::document::tests::condition;
    use crate::board::Standing;

    const PATIENCE: Duration = Duration::from_secs(60);

    /// The words `Run Hours` and `Learned` of a condition.
    fn said(hours: f64) -> Vec<Word> {
        let mut condition = condition();
        condition.run_hours = hours;
        let standing = Standing { condition: Some(Arc::new(condition)), ..Standing::default() };
        words(&standing).into_iter().filter(|word| ["Run Hours", "Learned"].contains(&word.name)).collect()
    }

    fn drained(backlog: &mut Backlog) -> Vec<(String, u64, usize)> {
        let mut all = Vec::new();
        while let Some((asset, at, words)) = backlog.first() {
            all.push((asset.to_string(), at, words.len()));
            backlog.first_sent(Instant::now());
        }
        all
    }

    #[test]
    fn what_is_kept_comes_out_by_machine_and_time_and_once() {
        let (pump, fan): (Arc<str>, Arc<str>) = ("pump-7".into(), "fan-2".into());
        let mut backlog = Backlog::default();
        backlog.hold(&pump, 20, said(2.0));
        backlog.hold(&pump, 10, said(1.0));
        backlog.hold(&fan, 15, said(1.0));
        backlog.hold(&fan, 15, said(1.5));
        assert_eq!(backlog.len(), 6, "the second word of one time takes the first one's place");
        backlog.sent(&pump, 20, said(2.0), Instant::now());
        assert_eq!(drained(&mut backlog), [("fan-2".to_owned(), 15, 2), ("pump-7".to_owned(), 10, 2)]);
        assert_eq!((backlog.len(), backlog.dropped), (0, 0));
    }

    #[test]
    fn what_went_out_just_before_the_loss_is_said_again_and_nothing_older() {
        let pump: Arc<str> = "pump-7".into();
        let begin = Instant::now();
        let mut backlog = Backlog::default();
        backlog.sent(&pump, 10, said(1.0), begin);
        backlog.sent(&pump, 20, said(2.0), begin + Duration::from_secs(50));
        backlog.hold(&pump, 20, said(2.5));
        backlog.lost(begin + Duration::from_secs(70), PATIENCE);
        let (_, at, words) = backlog.first().expect("one");
        assert_eq!((at, words), (20, said(2.5).as_slice()), "the later word of that time");
        assert_eq!(drained(&mut backlog).len(), 1);
        backlog.lost(begin + Duration::from_secs(30), PATIENCE);
        assert_eq!(drained(&mut backlog).len(), 1, "and again, when the connection breaks in the middle of it");
        backlog.settle(Instant::now() + 2 * PATIENCE, PATIENCE);
        backlog.lost(Instant::now() + 2 * PATIENCE, PATIENCE);
        assert_eq!(backlog.len(), 0);
    }

    #[test]
    fn a_full_backlog_gives_up_the_oldest_of_the_same_machine_and_counts_it() {
        let (pump, fan): (Arc<str>, Arc<str>) = ("pump-7".into(), "fan-2".into());
        let mut backlog = Backlog::default();
        let times = MOST_WORDS as u64 / 2;
        for at in 0..times + 3 {
            backlog.hold(&pump, at, said(at as f64));
        }
        assert_eq!((backlog.len(), backlog.dropped), (MOST_WORDS, 6));
        assert_eq!(backlog.first().map(|(_, at, _)| at), Some(3));
        backlog.hold(&fan, 1, said(1.0));
        assert_eq!((backlog.len(), backlog.dropped), (MOST_WORDS, 8), "one that has nothing to give up goes without");
    }
}
