//! The sign of life of an engine, without which its guard connections are dropped.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tokio::sync::Notify;

/// Without a beat for this long the guard connections are dropped.
pub const SILENCE_MAX: Duration = Duration::from_secs(3);

#[derive(Debug)]
struct Shared {
    origin: Instant,
    /// Milliseconds from `origin` to the last beat, plus one; 0 before the first.
    last: AtomicU64,
    poisoned: AtomicBool,
    /// Panics so far: one that is over before anybody looked is still seen.
    panics: AtomicU64,
    panicked: Notify,
}

/// The sign of life of one plant's engine. Clones share it. The driver beats at least every second,
/// and only after real work: a beat from a timer would keep the guard of a hung engine.
#[derive(Clone, Debug)]
pub struct Alive {
    shared: Arc<Shared>,
}

impl Default for Alive {
    fn default() -> Self {
        Self {
            shared: Arc::new(Shared {
                origin: Instant::now(),
                last: AtomicU64::new(0),
                poisoned: AtomicBool::new(false),
                panics: AtomicU64::new(0),
                panicked: Notify::new(),
            }),
        }
    }
}

impl Alive {
    /// A sign of life that has not been given yet: no guard connects before the first beat.
    pub fn new() -> Self {
        Self::default()
    }

    /// The engine has just done real work.
    pub fn beat(&self) {
        let millis = self.shared.origin.elapsed().as_millis() as u64;
        self.shared.last.store(millis + 1, Ordering::Release);
    }

    /// The engine is broken (a panic): the guards drop their sockets at once and stay away until
    /// [`Alive::revive`].
    pub fn poison(&self) {
        self.shared.poisoned.store(true, Ordering::Release);
        self.shared.panics.fetch_add(1, Ordering::AcqRel);
        self.shared.panicked.notify_waiters();
    }

    /// A new engine took over.
    pub fn revive(&self) {
        self.beat();
        self.shared.poisoned.store(false, Ordering::Release);
    }

    /// The engine has ended its work and will not beat again; who is alive now stays so for `time`, so
    /// that the guards can be ended in order. Does nothing for an engine that is silent or broken.
    pub(crate) fn rest(&self, time: Duration) {
        if self.is_fresh() {
            let until = self.shared.origin.elapsed() + time;
            self.shared.last.store(until.as_millis() as u64 + 1, Ordering::Release);
        }
    }

    /// Panics so far.
    pub(crate) fn panics(&self) -> u64 {
        self.shared.panics.load(Ordering::Acquire)
    }

    /// Waits for the next panic. A hint: whoever waits also looks at [`Alive::is_fresh`] regularly.
    pub(super) async fn panicked(&self) {
        self.shared.panicked.notified().await;
    }

    /// The engine lives.
    pub fn is_fresh(&self) -> bool {
        if self.shared.poisoned.load(Ordering::Acquire) {
            return false;
        }
        let last = self.shared.last.load(Ordering::Acquire);
        let now = self.shared.origin.elapsed().as_millis() as u64;
        last > 0 && now.saturating_sub(last - 1) <= SILENCE_MAX.as_millis() as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_is_no_life_before_the_first_beat_nor_after_a_panic() {
        let alive = Alive::new();
        assert!(!alive.is_fresh());
        alive.beat();
        assert!(alive.is_fresh());
        alive.poison();
        alive.beat();
        assert!(!alive.is_fresh(), "a beat does not heal a panic");
        alive.revive();
        assert!(alive.is_fresh());
    }

    #[test]
    fn only_an_engine_that_lives_may_rest() {
        let alive = Alive::new();
        alive.rest(Duration::from_secs(10));
        assert!(!alive.is_fresh(), "it never lived");
        alive.beat();
        alive.poison();
        alive.rest(Duration::from_secs(10));
        assert!(!alive.is_fresh(), "it is broken");
    }
}
