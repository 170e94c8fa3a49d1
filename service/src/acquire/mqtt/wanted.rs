//! The filters we want against those the broker's session holds, and whether anything comes on them.
//!
//! A persistent session keeps filters that were taken out of the configuration until we unsubscribe, and it may have
//! been lost without our doing. One request is out at a time, so that a SUBACK belongs to one filter without having
//! to know packet ids.

use std::collections::{BTreeSet, VecDeque};
use std::time::{Duration, Instant};

/// A request to the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ask {
    /// SUBSCRIBE.
    Subscribe(String),
    /// UNSUBSCRIBE.
    Unsubscribe(String),
}

/// State of one wanted filter.
#[derive(Debug, Clone, PartialEq)]
struct Filter {
    filter: String,
    granted: Option<Instant>,
    refused: Option<String>,
    refused_at: Option<Instant>,
    seen: Option<Instant>,
    reported_quiet: bool,
}

/// The wanted set.
#[derive(Debug, Clone)]
pub struct Wanted {
    filters: Vec<Filter>,
    /// In the session from an earlier configuration.
    unwanted: BTreeSet<String>,
    to_ask: VecDeque<Ask>,
    asked: Option<Ask>,
}

impl Wanted {
    /// `held`: the filters an earlier run may have left in the session.
    pub fn new(wanted: &[String], held: &[String]) -> Self {
        let unwanted = held.iter().filter(|filter| !wanted.contains(filter)).cloned().collect();
        let filters = wanted
            .iter()
            .map(|filter| Filter {
                filter: filter.clone(),
                granted: None,
                refused: None,
                refused_at: None,
                seen: None,
                reported_quiet: false,
            })
            .collect();
        Self { filters, unwanted, to_ask: VecDeque::new(), asked: None }
    }

    /// A connection is up.
    pub fn connected(&mut self, session_present: bool) {
        self.asked = None;
        self.to_ask.clear();
        if !session_present {
            self.unwanted.clear();
            for filter in &mut self.filters {
                filter.granted = None;
            }
        }
        // Granted in this process and kept by the session: nothing to ask.
        let missing = self.filters.iter().filter(|filter| filter.granted.is_none());
        self.to_ask.extend(missing.map(|filter| Ask::Subscribe(filter.filter.clone())));
        self.to_ask.extend(self.unwanted.iter().cloned().map(Ask::Unsubscribe));
    }

    /// Other filters are wanted from now on. What is held and wanted no more is given back.
    pub fn change(&mut self, wanted: &[String]) {
        let held = self.held();
        let mut next = Self::new(wanted, &held);
        for filter in &mut next.filters {
            if let Some(known) = self.filters.iter().find(|known| known.filter == filter.filter) {
                *filter = known.clone();
            }
        }
        // The answer that is awaited belongs to what was asked before; what is still to ask is worked out anew.
        let asked = self.asked.take();
        next.connected(true);
        next.to_ask.retain(|ask| Some(ask) != asked.as_ref());
        next.asked = asked;
        *self = next;
    }

    /// Asks again for what the broker refused so long ago: access rules get mended while the connection stands.
    pub fn ask_refused_again(&mut self, after: Duration, now: Instant) {
        for filter in &mut self.filters {
            let due = filter.refused_at.is_some_and(|at| now.duration_since(at) >= after);
            if due && filter.refused.is_some() {
                filter.refused_at = Some(now);
                self.to_ask.push_back(Ask::Subscribe(filter.filter.clone()));
            }
        }
    }

    /// What to ask next; `None` while an answer is awaited.
    pub fn next(&self) -> Option<&Ask> {
        if self.asked.is_some() { None } else { self.to_ask.front() }
    }

    /// The request of [`Self::next`] is out.
    pub fn sent(&mut self) {
        self.asked = self.to_ask.pop_front();
    }

    /// SUBACK. Gives the filter and, when refused, the reason; `None` when it is refused as it was before.
    pub fn subscribed(&mut self, outcome: Result<u8, String>, now: Instant) -> Option<(String, Option<String>)> {
        let Some(Ask::Subscribe(name)) = self.asked.take() else { return None };
        let filter = self.filters.iter_mut().find(|filter| filter.filter == name)?;
        let before = std::mem::replace(&mut filter.refused, outcome.err());
        filter.granted = if filter.refused.is_none() { Some(now) } else { None };
        filter.refused_at = filter.refused.is_some().then_some(now);
        if filter.refused.is_some() && filter.refused == before {
            return None;
        }
        Some((name, filter.refused.clone()))
    }

    /// UNSUBACK. Gives the filter.
    pub fn unsubscribed(&mut self) -> Option<String> {
        let Some(Ask::Unsubscribe(name)) = self.asked.take() else { return None };
        self.unwanted.remove(&name);
        Some(name)
    }

    /// How many filters the broker has granted.
    pub fn granted(&self) -> usize {
        self.filters.iter().filter(|filter| filter.granted.is_some()).count()
    }

    /// Everything has been asked and answered.
    pub fn settled(&self) -> bool {
        self.asked.is_none() && self.to_ask.is_empty()
    }

    /// Filters that may be in the session now.
    pub fn held(&self) -> Vec<String> {
        self.filters.iter().map(|filter| filter.filter.clone()).chain(self.unwanted.iter().cloned()).collect()
    }

    /// Filters the broker refused, with its reason.
    pub fn refused(&self) -> impl Iterator<Item = (&str, &str)> {
        self.filters.iter().filter_map(|filter| Some((filter.filter.as_str(), filter.refused.as_deref()?)))
    }

    /// A message came. Once a filter has brought something it is not looked at again before the next
    /// [`Self::check_quiet`], so a busy stream costs nothing here.
    pub fn message(&mut self, topic: &str, now: Instant) {
        for filter in self.filters.iter_mut().filter(|filter| filter.seen.is_none()) {
            if rumqttc::matches(topic, &filter.filter) {
                filter.seen = Some(now);
            }
        }
    }

    /// To be called once per `quiet_after` or less often: filters that were granted that long ago and have brought
    /// nothing since the last call. Gives those that fell quiet just now and those that are quiet.
    pub fn check_quiet(&mut self, quiet_after: Duration, now: Instant) -> (Vec<String>, Vec<String>) {
        let (mut fresh, mut quiet) = (Vec::new(), Vec::new());
        for filter in &mut self.filters {
            let due = filter.granted.is_some_and(|granted| now.duration_since(granted) >= quiet_after);
            if filter.seen.take().is_some() {
                filter.reported_quiet = false;
            } else if due {
                quiet.push(filter.filter.clone());
                if !filter.reported_quiet {
                    filter.reported_quiet = true;
                    fresh.push(filter.filter.clone());
                }
            }
        }
        (fresh, quiet)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strings(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| name.to_string()).collect()
    }

    fn answer_all(wanted: &mut Wanted, now: Instant) -> Vec<Ask> {
        let mut asked = Vec::new();
        while let Some(ask) = wanted.next().cloned() {
            wanted.sent();
            assert!(wanted.next().is_none(), "one at a time");
            match &ask {
                Ask::Subscribe(_) => drop(wanted.subscribed(Ok(1), now)),
                Ask::Unsubscribe(_) => drop(wanted.unsubscribed()),
            }
            asked.push(ask);
        }
        asked
    }

    #[test]
    fn a_removed_filter_is_given_back_and_the_rest_is_asked_for_once() {
        let now = Instant::now();
        let mut wanted = Wanted::new(&strings(&["a/#", "b/#"]), &strings(&["a/#", "old/#"]));
        wanted.connected(true);
        let expected = [Ask::Subscribe("a/#".into()), Ask::Subscribe("b/#".into()), Ask::Unsubscribe("old/#".into())];
        assert_eq!(answer_all(&mut wanted, now), expected);
        assert_eq!(wanted.held(), strings(&["a/#", "b/#"]));
        wanted.connected(true);
        assert!(wanted.settled(), "the session still has them");
        wanted.connected(false);
        assert_eq!(answer_all(&mut wanted, now).len(), 2, "the session is gone");
    }

    #[test]
    fn a_change_asks_for_what_is_new_and_gives_back_what_is_not_wanted() {
        let now = Instant::now();
        let mut wanted = Wanted::new(&strings(&["a/#", "b/#"]), &[]);
        wanted.connected(false);
        answer_all(&mut wanted, now);
        wanted.change(&strings(&["b/#", "c/#"]));
        assert_eq!(answer_all(&mut wanted, now), [Ask::Subscribe("c/#".into()), Ask::Unsubscribe("a/#".into())]);
        assert_eq!(wanted.held(), strings(&["b/#", "c/#"]));
    }

    #[test]
    fn a_change_while_an_answer_is_awaited_loses_neither() {
        let now = Instant::now();
        let mut wanted = Wanted::new(&strings(&["a/#", "b/#"]), &[]);
        wanted.connected(false);
        wanted.sent();
        wanted.change(&strings(&["a/#", "c/#"]));
        assert!(wanted.next().is_none(), "the answer for a/# is still awaited");
        assert_eq!(wanted.subscribed(Ok(1), now), Some(("a/#".into(), None)));
        let rest = answer_all(&mut wanted, now);
        assert!(
            rest.contains(&Ask::Subscribe("c/#".into())) && !rest.contains(&Ask::Subscribe("a/#".into())),
            "{rest:?}"
        );
        assert_eq!(wanted.granted(), 2);
        assert_eq!(wanted.held(), strings(&["a/#", "c/#"]), "b/# may have been held and is given back");
    }

    #[test]
    fn a_refused_filter_is_named_and_asked_for_again_at_the_next_connection() {
        let now = Instant::now();
        let mut wanted = Wanted::new(&strings(&["a/#"]), &[]);
        wanted.connected(false);
        wanted.sent();
        let answer = wanted.subscribed(Err("NotAuthorized".into()), now);
        assert_eq!(answer, Some(("a/#".into(), Some("NotAuthorized".into()))));
        assert_eq!(wanted.refused().collect::<Vec<_>>(), [("a/#", "NotAuthorized")]);
        wanted.connected(true);
        assert!(!wanted.settled());
    }

    #[test]
    fn a_refused_filter_is_asked_for_again_while_the_connection_stands() {
        let start = Instant::now();
        let minute = Duration::from_secs(60);
        let mut wanted = Wanted::new(&strings(&["a/#"]), &[]);
        wanted.connected(false);
        wanted.sent();
        assert!(wanted.subscribed(Err("NotAuthorized".into()), start).is_some());
        wanted.ask_refused_again(minute, start + minute / 2);
        assert!(wanted.settled(), "not yet");
        wanted.ask_refused_again(minute, start + minute);
        wanted.ask_refused_again(minute, start + minute);
        assert_eq!(wanted.next(), Some(&Ask::Subscribe("a/#".into())));
        wanted.sent();
        assert_eq!(wanted.subscribed(Err("NotAuthorized".into()), start + minute), None, "said once");
        assert!(wanted.settled(), "asked once");
        wanted.ask_refused_again(minute, start + 3 * minute);
        wanted.sent();
        assert_eq!(wanted.subscribed(Ok(1), start + 3 * minute), Some(("a/#".into(), None)));
        assert_eq!(wanted.granted(), 1);
        wanted.ask_refused_again(minute, start + 9 * minute);
        assert!(wanted.settled(), "nothing is refused any more");
    }

    #[test]
    fn a_filter_that_brings_nothing_is_reported_once_until_it_speaks() {
        let start = Instant::now();
        let minute = Duration::from_secs(60);
        let mut wanted = Wanted::new(&strings(&["a/+/p", "b/#"]), &[]);
        wanted.connected(false);
        answer_all(&mut wanted, start);
        wanted.message("b/x/y", start);
        let quiet = wanted.check_quiet(minute, start + minute);
        assert_eq!(quiet, (strings(&["a/+/p"]), strings(&["a/+/p"])));
        let quiet = wanted.check_quiet(minute, start + 2 * minute);
        assert_eq!(quiet, (strings(&["b/#"]), strings(&["a/+/p", "b/#"])));
        wanted.message("a/1/p", start + 2 * minute);
        assert_eq!(wanted.check_quiet(minute, start + 3 * minute), (vec![], strings(&["b/#"])));
    }
}
