//! Who is signed in: sessions by a name nobody can guess, in memory, bounded in number and in time.
//!
//! A restart of the daemon ends them all; whoever only looks where no sign-in is asked for does not notice.

use crate::config::people::Role;
use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Sessions at a time; the one unused for longest goes for a new one.
const MOST: usize = 256;
/// Unused for so long, it ends: a shift and a little.
pub const IDLE: Duration = Duration::from_secs(10 * 3600);
/// It ends however much it is used.
pub const LONGEST: Duration = Duration::from_secs(7 * 24 * 3600);

/// Somebody signed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// Their name.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// What each of their forms carries: a page of somebody else cannot know it.
    pub form_token: String,
    began: Instant,
    used: Instant,
    /// What became of their last action, to be shown once.
    said: Option<Said>,
}

/// What became of an action.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// It was carried out.
    pub accepted: bool,
    /// In words.
    pub words: String,
}

/// All sessions.
#[derive(Default)]
pub struct Sessions(Mutex<HashMap<String, Session>>);

/// `bytes` random bytes as hexadecimal digits.
///
/// # Errors
/// The system gives no random numbers: then nobody can be let in safely.
pub fn random_name<const BYTES: usize>() -> Result<String, getrandom::Error> {
    let mut bytes = [0u8; BYTES];
    getrandom::fill(&mut bytes)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

impl Sessions {
    /// Signs somebody in and gives the session's name.
    ///
    /// # Errors
    /// The system gives no random numbers.
    pub fn open(&self, name: &str, role: Role, now: Instant) -> Result<String, getrandom::Error> {
        let (key, form_token) = (random_name::<32>()?, random_name::<32>()?);
        let session = Session { name: name.to_owned(), role, form_token, began: now, used: now, said: None };
        let mut sessions = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.retain(|_, session| session.holds(now));
        if sessions.len() >= MOST
            && let Some(oldest) = sessions.iter().min_by_key(|(_, session)| session.used).map(|(key, _)| key.clone())
        {
            sessions.remove(&oldest);
        }
        sessions.insert(key.clone(), session);
        Ok(key)
    }

    /// The session of this name, which is used by this.
    pub fn find(&self, key: &str, now: Instant) -> Option<Session> {
        let mut sessions = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let session = sessions.get_mut(key)?;
        if !session.holds(now) {
            sessions.remove(key);
            return None;
        }
        session.used = now;
        Some(session.clone())
    }

    /// Whether the session of this name goes on; looking does not use it.
    pub fn is_open(&self, key: &str, now: Instant) -> bool {
        let sessions = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.get(key).is_some_and(|session| session.holds(now))
    }

    /// Signs out.
    pub fn close(&self, key: &str) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).remove(key);
    }

    /// Keeps what is to be shown with the next page.
    pub fn say(&self, key: &str, said: Said) {
        if let Some(session) = self.0.lock().unwrap_or_else(PoisonError::into_inner).get_mut(key) {
            session.said = Some(said);
        }
    }

    /// Takes it.
    pub fn take_said(&self, key: &str) -> Option<Said> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get_mut(key)?.said.take()
    }
}

impl Session {
    fn holds(&self, now: Instant) -> bool {
        now.saturating_duration_since(self.used) < IDLE && now.saturating_duration_since(self.began) < LONGEST
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_ends_unused_and_ends_used() {
        let (sessions, start) = (Sessions::default(), Instant::now());
        let key = sessions.open("a", Role::Look, start).expect("random numbers");
        assert_eq!(key.len(), 64);
        assert_eq!(sessions.find(&key, start).expect("there").name, "a");
        assert_eq!(sessions.find("", start), None);
        assert_eq!(sessions.find(&key, start + IDLE), None, "unused");
        let key = sessions.open("a", Role::Look, start).expect("random numbers");
        let mut at = start;
        while at < start + LONGEST - IDLE / 2 {
            assert!(sessions.find(&key, at).is_some(), "used after {:?}", at - start);
            at += IDLE / 2;
        }
        assert_eq!(sessions.find(&key, start + LONGEST), None, "used to the last");
    }

    #[test]
    fn there_are_so_many_and_no_more() {
        let (sessions, start) = (Sessions::default(), Instant::now());
        let first = sessions.open("first", Role::Look, start).expect("random numbers");
        let keys: Vec<_> = (1..=MOST)
            .map(|n| sessions.open("more", Role::Look, start + Duration::from_secs(n as u64)).expect("random numbers"))
            .collect();
        let now = start + Duration::from_secs(1000);
        assert_eq!(sessions.find(&first, now), None, "the one unused for longest went");
        assert!(keys.iter().all(|key| sessions.find(key, now).is_some()));
        let distinct: std::collections::BTreeSet<_> = keys.iter().collect();
        assert_eq!(distinct.len(), MOST);
    }

    #[test]
    fn what_is_said_is_shown_once_and_to_nobody_else() {
        let (sessions, now) = (Sessions::default(), Instant::now());
        let (a, b) = (sessions.open("a", Role::Act, now).expect("a"), sessions.open("b", Role::Act, now).expect("b"));
        sessions.say(&a, Said { accepted: true, words: "done".into() });
        assert_eq!(sessions.take_said(&b), None);
        assert_eq!(sessions.take_said(&a).map(|said| said.words), Some("done".into()));
        assert_eq!(sessions.take_said(&a), None);
        sessions.close(&a);
        assert_eq!(sessions.find(&a, now), None);
    }
}
