//! How long to wait after a failed connection: doubling, with jitter, so that many clients of one broker that came
//! back do not knock in step. Deterministic per client id and attempt; no random source needed.

use std::time::Duration;

/// A connection that lasted this long counts as good, and the next failure starts from the shortest wait. A broker
/// that accepts and drops us at once (a second instance with our client id) must not be met by a busy loop.
const GOOD_AFTER: Duration = Duration::from_secs(5);

/// Wait times after failures in a row.
#[derive(Debug, Clone)]
pub struct Backoff {
    first: Duration,
    most: Duration,
    seed: u64,
    failures: u32,
}

impl Backoff {
    /// `seed_from`: something that differs between instances, the client id.
    pub fn new(first: Duration, most: Duration, seed_from: &str) -> Self {
        Self { first, most, seed: fnv1a(seed_from.as_bytes()), failures: 0 }
    }

    /// Failures in a row so far.
    pub fn failures(&self) -> u32 {
        self.failures
    }

    /// The connection ended after it had been up for `lasted` (`None`: it never came up). Gives the wait before the
    /// next try: between half and all of `first · 2^failures`, at most `most`.
    pub fn failed(&mut self, lasted: Option<Duration>) -> Duration {
        if lasted.is_some_and(|lasted| lasted >= GOOD_AFTER) {
            self.failures = 0;
        }
        let whole = self.first.saturating_mul(1 << self.failures.min(16)).min(self.most);
        self.failures = self.failures.saturating_add(1);
        let share = splitmix64(self.seed ^ u64::from(self.failures)) >> 11;
        whole.mul_f64(0.5 + 0.5 * (share as f64 / (1u64 << 53) as f64))
    }
}

/// 64-bit FNV-1a: stable across builds and machines, unlike the standard library's hasher.
pub fn fnv1a(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3))
}

fn splitmix64(seed: u64) -> u64 {
    let mut z = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIRST: Duration = Duration::from_millis(500);
    const MOST: Duration = Duration::from_secs(60);

    /// Source: FNV-1a 64-bit test vectors of draft-eastlake-fnv (from memory): "" and "a".
    #[test]
    fn fnv1a_has_its_published_values() {
        assert_eq!(fnv1a(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a(b"a"), 0xaf63_dc4c_8601_ec8c);
    }

    #[test]
    fn waits_double_up_to_the_most_and_never_fall_below_half() {
        let mut backoff = Backoff::new(FIRST, MOST, "reader");
        for failure in 0..40 {
            let whole = FIRST.saturating_mul(1 << failure.min(16)).min(MOST);
            let wait = backoff.failed(None);
            assert!(wait >= whole / 2 && wait <= whole, "failure {failure}: {wait:?} of {whole:?}");
        }
    }

    #[test]
    fn two_clients_do_not_wait_in_step() {
        let (mut one, mut two) = (Backoff::new(FIRST, MOST, "a"), Backoff::new(FIRST, MOST, "b"));
        assert!((0..8).any(|_| one.failed(None) != two.failed(None)));
    }

    #[test]
    fn only_a_connection_that_lasted_starts_over() {
        let mut backoff = Backoff::new(FIRST, MOST, "reader");
        for _ in 0..10 {
            backoff.failed(Some(Duration::from_millis(10)));
        }
        assert_eq!(backoff.failures(), 10);
        assert!(backoff.failed(Some(Duration::from_secs(10))) <= FIRST);
    }
}
