//! Waiting for a condition with a deadline, so that no test sleeps and none hangs.

use std::time::{Duration, Instant};

/// How often a condition is looked at.
const LOOK: Duration = Duration::from_millis(5);

/// Gives way before an asynchronous test looks again; the deadline is the caller's.
pub async fn look_again() {
    tokio::time::sleep(LOOK).await;
}

/// Waits until `look` gives something.
///
/// # Panics
/// When it does not within `within`; `what` says what was waited for.
pub fn until_some<T>(what: &str, within: Duration, mut look: impl FnMut() -> Option<T>) -> T {
    let start = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(start.elapsed() < within, "waited {within:?} in vain: {what}");
        std::thread::park_timeout(LOOK);
    }
}

/// Waits until `look` is true.
///
/// # Panics
/// When it is not within `within`.
pub fn until(what: &str, within: Duration, mut look: impl FnMut() -> bool) {
    until_some(what, within, || look().then_some(()));
}

/// Waits until `look` is in order; until then it says why not.
///
/// # Panics
/// When it is not within `within`, with what it said last.
pub fn until_well(what: &str, within: Duration, mut look: impl FnMut() -> Result<(), String>) {
    let start = Instant::now();
    loop {
        let Err(why) = look() else { return };
        assert!(start.elapsed() < within, "waited {within:?} in vain: {what}: {why}");
        std::thread::park_timeout(LOOK);
    }
}

/// Watches for a while that something does not happen.
///
/// # Panics
/// When it does.
pub fn never(what: &str, during: Duration, mut look: impl FnMut() -> bool) {
    let start = Instant::now();
    while start.elapsed() < during {
        assert!(!look(), "must not happen: {what}");
        std::thread::park_timeout(LOOK);
    }
}
