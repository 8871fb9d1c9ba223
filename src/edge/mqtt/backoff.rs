//! Waiting between attempts, and the little randomness that the edges need.

use std::hash::{BuildHasher as _, Hasher as _};
use std::time::Duration;

/// First wait.
const FIRST: Duration = Duration::from_millis(200);
/// A connection that lasted this long takes the wait back to the first.
pub const LASTED: Duration = Duration::from_secs(10);

/// A number that nobody can foretell; not for secrets.
pub fn random() -> u64 {
    let mut hasher = std::hash::RandomState::new().build_hasher();
    hasher.write_u64(0);
    hasher.finish()
}

/// Doubles from 0.2 s to `longest`, with jitter, so that many clients do not come back in step.
#[derive(Clone, Debug)]
pub struct Backoff {
    next: Duration,
    longest: Duration,
}

impl Backoff {
    /// A wait that grows up to `longest`.
    pub fn new(longest: Duration) -> Self {
        Self { next: FIRST, longest }
    }

    /// How long to wait now: between half of the present step and the whole of it.
    pub fn step(&mut self) -> Duration {
        let step = self.next;
        self.next = (self.next * 2).min(self.longest);
        let share = (random() % 1000) as f64 / 1000.0;
        step.mul_f64(0.5 + share / 2.0)
    }

    /// Notes how long the last connection lasted. One that fell at once counts as no success.
    pub fn lasted(&mut self, time: Duration) {
        if time >= LASTED {
            self.next = FIRST;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wait_grows_to_its_cap_and_never_beyond() {
        let mut backoff = Backoff::new(Duration::from_secs(30));
        let mut last = Duration::ZERO;
        for _ in 0..20 {
            last = backoff.step();
            assert!(last >= Duration::from_millis(100) && last <= Duration::from_secs(30));
        }
        assert!(last >= Duration::from_secs(15), "{last:?}");
    }

    #[test]
    fn only_a_connection_that_lasted_starts_afresh() {
        let mut backoff = Backoff::new(Duration::from_secs(30));
        for _ in 0..10 {
            backoff.step();
        }
        backoff.lasted(Duration::from_secs(1));
        assert!(backoff.step() >= Duration::from_secs(15));
        backoff.lasted(LASTED);
        assert!(backoff.step() <= Duration::from_millis(200));
    }
}
