//! Passwords: hashed for the configuration, verified at the door, and not tried out at will.
//!
//! Argon2id with the crate's defaults (19 MiB, two passes: the second recommended choice of the OWASP cheat sheet on
//! password storage, from memory). A verification so takes tens of milliseconds of a core; it runs away from the tasks
//! that serve pages, two at a time, and whoever fails often waits.

use crate::config::people::{Role, User};
use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};
use std::time::Instant;
use tokio::sync::Semaphore;

/// Verifications at a time: beyond that somebody fills the machine's memory and cores with guesses.
const AT_A_TIME: usize = 2;
/// Sign-ins waiting for their turn; more are sent away.
const WAITING: usize = 16;
/// Tries one address has at once, and how fast it gets them back.
const TRIES: f64 = 10.0;
const TRIES_PER_SEC: f64 = 0.1;
/// Addresses that are remembered.
const ADDRESSES: usize = 4096;
/// Longer is no password; Argon2 would read it all.
pub const LONGEST: usize = 1024;
/// Shortest that is hashed for a user.
pub const SHORTEST: usize = 10;

/// Hashes a password for the configuration.
///
/// # Errors
/// Readable: too short, too long, or the system gives no random numbers.
pub fn hash(password: &str) -> Result<String, String> {
    let length = password.chars().count();
    if length < SHORTEST || password.len() > LONGEST {
        return Err(format!(
            "a password has at least {SHORTEST} characters and at most {LONGEST} bytes, this has {length}"
        ));
    }
    let hash: Result<PasswordHash, _> = Argon2::default().hash_password(password.as_bytes());
    hash.map(|hash| hash.to_string()).map_err(|error| format!("the password cannot be hashed: {error}"))
}

/// Why somebody is not let in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotIn {
    /// No such name, or another password; which of them is not said.
    Wrong,
    /// Too many tries from there, or too many at once.
    TooOften,
}

/// Verifies, within bounds.
pub struct Passwords {
    places: Semaphore,
    waiting: Semaphore,
    tries: Mutex<HashMap<IpAddr, (f64, Instant)>>,
    /// Verified where there is no such user, so that the time does not tell who there is.
    nobody: String,
}

impl Default for Passwords {
    fn default() -> Self {
        Self {
            places: Semaphore::new(AT_A_TIME),
            waiting: Semaphore::new(AT_A_TIME + WAITING),
            tries: Mutex::default(),
            // Of a password nobody knows, made with the defaults.
            nobody: "$argon2id$v=19$m=19456,t=2,p=1$N2RkM2RkODhjYzkzZjQ0MA$e1wa32snJP4MNBTG3695O0B5I9dlWY+lRSMwKZh/IsA"
                .into(),
        }
    }
}

impl Passwords {
    /// What `name` may do, when the password is theirs.
    ///
    /// # Errors
    /// See [`NotIn`].
    pub async fn verify(&self, users: &[User], name: &str, password: String, from: IpAddr) -> Result<Role, NotIn> {
        if password.len() > LONGEST || !self.take_try(from, Instant::now()) {
            return Err(NotIn::TooOften);
        }
        let _waiting = self.waiting.try_acquire().map_err(|_| NotIn::TooOften)?;
        let _place = self.places.acquire().await.map_err(|_| NotIn::TooOften)?;
        let user = users.iter().find(|user| user.name == name);
        let role = user.map(|user| user.role);
        let hash = user.map_or_else(|| self.nobody.clone(), |user| user.hash.reveal().to_owned());
        let verify = move || Argon2::default().verify_password(password.as_bytes(), hash.as_str()).is_ok();
        let right = tokio::task::spawn_blocking(verify).await.unwrap_or(false);
        match role.filter(|_| right) {
            Some(role) => {
                self.give_back(from);
                Ok(role)
            }
            None => Err(NotIn::Wrong),
        }
    }

    /// Whether somebody at this address may try now.
    fn take_try(&self, from: IpAddr, now: Instant) -> bool {
        let mut tries = self.tries.lock().unwrap_or_else(PoisonError::into_inner);
        let refilled = |(left, at): (f64, Instant)| {
            (left + now.saturating_duration_since(at).as_secs_f64() * TRIES_PER_SEC).min(TRIES)
        };
        if tries.len() >= ADDRESSES && !tries.contains_key(&from) {
            tries.retain(|_, tried| refilled(*tried) < TRIES);
            if tries.len() >= ADDRESSES {
                return false;
            }
        }
        let left = tries.get(&from).map_or(TRIES, |tried| refilled(*tried));
        let may = left >= 1.0;
        tries.insert(from, (if may { left - 1.0 } else { left }, now));
        may
    }

    fn give_back(&self, from: IpAddr) {
        let mut tries = self.tries.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((left, _)) = tries.get_mut(&from) {
            *left = (*left + 1.0).min(TRIES);
        }
    }

    /// A token that is wrong costs a try as well.
    pub fn may_try(&self, from: IpAddr) -> bool {
        self.take_try(from, Instant::now())
    }

    /// A right token costs none.
    pub fn was_right(&self, from: IpAddr) {
        self.give_back(from);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::secret::Secret;
    use std::time::Duration;

    fn user(name: &str, hash: &str) -> User {
        User { name: name.into(), role: Role::Act, hash: Secret::new(hash) }
    }

    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);

    /// Source: Debian's `argon2` 0~20171227, `echo -n "a good password" | argon2 somesalt1 -id -m 10 -t 1 -e`.
    const OF_THE_TOOL: &str = "$argon2id$v=19$m=1024,t=1,p=1$c29tZXNhbHQx$Go8IlDw/QsfIKVSlAwCbxA9hhIcjNLMY/AfJI9ll+1I";

    #[tokio::test]
    async fn a_hash_of_another_program_is_verified_and_ours_verifies_too() {
        let ours = hash("another password").expect("hashed");
        assert!(ours.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{ours}");
        let users = [user("a", OF_THE_TOOL), user("b", &ours)];
        let passwords = Passwords::default();
        let ask = |name: &'static str, password: &'static str| passwords.verify(&users, name, password.into(), HERE);
        assert_eq!(ask("a", "a good password").await, Ok(Role::Act));
        assert_eq!(ask("b", "another password").await, Ok(Role::Act));
        for (name, password) in [("a", "another password"), ("b", ""), ("c", "a good password"), ("", "")] {
            assert_eq!(ask(name, password).await, Err(NotIn::Wrong), "{name} {password}");
        }
        assert_eq!(passwords.verify(&users, "a", "x".repeat(LONGEST + 1), HERE).await, Err(NotIn::TooOften));
    }

    #[test]
    fn the_hash_verified_for_nobody_is_one_and_costs_as_much() {
        let nobody = Passwords::default().nobody;
        let hash = PasswordHash::new(&nobody).expect("a hash");
        let params = argon2::Params::try_from(&hash).expect("its cost");
        let default = argon2::Params::default();
        assert_eq!(
            (params.m_cost(), params.t_cost(), params.p_cost()),
            (default.m_cost(), default.t_cost(), default.p_cost())
        );
    }

    #[test]
    fn who_fails_often_waits_and_nobody_else_does() {
        let passwords = Passwords::default();
        let other = IpAddr::V4(std::net::Ipv4Addr::new(10, 0, 0, 1));
        let start = Instant::now();
        let taken = (0..20).filter(|_| passwords.take_try(HERE, start)).count();
        assert_eq!(taken, 10);
        assert!(passwords.take_try(other, start));
        assert!(!passwords.take_try(HERE, start + Duration::from_secs(9)));
        assert!(passwords.take_try(HERE, start + Duration::from_secs(11)));
    }

    #[test]
    fn a_short_password_is_not_hashed() {
        assert!(hash("123456789").expect_err("nine").contains("at least 10"));
        assert!(hash(&"x".repeat(2000)).is_err());
    }
}
