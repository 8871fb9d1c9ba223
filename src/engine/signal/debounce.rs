//! A change of state that must last: so many consecutive samples *and* so much time.
//!
//! *On* is the state that asks for something (full, wet, high); *off* is its end.
//!
//! Invariants: a change needs both its count and its time, counted from the first sample that
//! differs; one sample of the old state starts anew; a lost sample counts as neither state. Time
//! in which samples were lost counts towards *on* but not towards *off*: missing data may not clear.
//!
//! Absent on purpose: deadbands (they belong to the condition) and latching (it belongs to the
//! alarm).

use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// What a change of state takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hold {
    /// Consecutive samples, at least 1.
    pub count: u32,
    /// Time from the first of them.
    pub time: Span,
}

impl Hold {
    /// So many samples and so much time.
    pub const fn new(count: u32, time: Span) -> Self {
        Self { count, time }
    }

    /// The first sample changes the state.
    pub const AT_ONCE: Self = Self::new(1, Span::ZERO);
}

/// A debounced state.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Debounce {
    on: Hold,
    off: Hold,
    state: bool,
    candidate: Option<Candidate>,
    /// Time of the last sample, and whether one was lost since.
    seen: Option<Mono>,
    lost: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Candidate {
    since: Mono,
    count: u32,
}

impl Debounce {
    /// Starts in `state`; leaves it after `on` or `off`.
    pub fn new(on: Hold, off: Hold, state: bool) -> Self {
        Self { on, off, state, candidate: None, seen: None, lost: false }
    }

    /// The debounced state.
    pub fn state(&self) -> bool {
        self.state
    }

    /// When the first sample of the change that is under way came.
    pub fn pending_since(&self) -> Option<Mono> {
        self.candidate.map(|candidate| candidate.since)
    }

    /// Takes a sample and gives the debounced state.
    pub fn push(&mut self, now: Mono, raw: bool) -> bool {
        let unseen = match self.seen {
            Some(seen) if self.lost => now.since(seen),
            _ => Span::ZERO,
        };
        self.seen = Some(now);
        self.lost = false;
        if raw == self.state {
            self.candidate = None;
            return self.state;
        }
        let candidate = self.candidate.get_or_insert(Candidate { since: now, count: 0 });
        candidate.count = candidate.count.saturating_add(1);
        if !raw && candidate.count > 1 {
            candidate.since = candidate.since + unseen;
        }
        self.poll(now)
    }

    /// A sample was due and did not come, or could not be read: it counts as neither state.
    pub fn lost(&mut self) {
        self.lost = true;
    }

    /// Lets time pass without a sample: the state changes when the count is complete and the time is
    /// over. For sensors that report on change only; whoever calls it vouches that the sensor is
    /// alive. After [`Debounce::lost`] nothing goes off until a sample comes.
    pub fn poll(&mut self, now: Mono) -> bool {
        if self.due().is_some_and(|due| now >= due) {
            self.state = !self.state;
            self.candidate = None;
        }
        self.state
    }

    /// When [`Debounce::poll`] changes the state if no other sample comes.
    pub fn due(&self) -> Option<Mono> {
        let hold = if self.state { self.off } else { self.on };
        let candidate = self.candidate?;
        (candidate.count >= hold.count.max(1) && !(self.state && self.lost))
            .then(|| candidate.since + hold.time)
    }

    /// Sets the state by decree and forgets what was under way.
    pub fn set(&mut self, state: bool) {
        self.state = state;
        self.candidate = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(secs: i64) -> Mono {
        Mono::from_millis(secs * 1000)
    }

    const THREE: Hold = Hold::new(3, Span::from_secs(10));

    #[test]
    fn needs_count_and_time() {
        let mut many_fast = Debounce::new(THREE, THREE, false);
        for millis in 0..50 {
            assert!(!many_fast.push(Mono::from_millis(millis), true));
        }
        let mut few_slow = Debounce::new(THREE, THREE, false);
        assert!(!few_slow.push(at(0), true));
        assert!(!few_slow.push(at(100), true));
        assert!(few_slow.push(at(101), true));
    }

    #[test]
    fn a_lost_sample_neither_counts_nor_breaks() {
        let mut wet = Debounce::new(THREE, THREE, false);
        wet.push(at(0), true);
        wet.lost();
        assert!(!wet.push(at(10), true), "the lost one did not count");
        assert!(wet.push(at(11), true), "and did not start the count anew");
    }

    #[test]
    fn time_without_samples_does_not_clear() {
        let mut wet = Debounce::new(Hold::AT_ONCE, Hold::new(2, Span::from_secs(60)), true);
        wet.push(at(0), false);
        wet.lost();
        assert!(wet.poll(at(1000)), "nothing seen, nothing cleared");
        assert!(wet.push(at(1000), false), "the unseen time does not count as dry");
        assert!(wet.push(at(1059), false));
        assert!(!wet.push(at(1060), false));
    }

    #[test]
    fn a_sensor_that_reports_on_change_is_held_by_time() {
        let mut full = Debounce::new(Hold::new(1, Span::from_secs(5)), Hold::AT_ONCE, false);
        assert!(!full.push(at(0), true));
        assert_eq!(full.due(), Some(at(5)));
        assert!(!full.poll(at(4)));
        assert!(full.poll(at(5)));
        assert_eq!(full.due(), None);
    }

    #[test]
    fn on_and_off_have_their_own_times() {
        let mut state = Debounce::new(Hold::AT_ONCE, THREE, false);
        assert!(state.push(at(0), true));
        assert!(state.push(at(1), false));
        assert!(state.push(at(6), false));
        assert!(!state.push(at(11), false));
    }

    proptest! {
        #[test]
        fn never_changes_before_its_delay(
            samples in prop::collection::vec((1i64..5000, any::<bool>(), any::<bool>()), 1..80),
            count in 1u32..5, millis in 0i64..10_000,
        ) {
            let hold = Hold::new(count, Span::from_millis(millis));
            let mut debounce = Debounce::new(hold, hold, false);
            let (mut now, mut run, mut since) = (0, 0u32, 0);
            let mut before = false;
            for (step, raw, lose) in samples {
                now += step;
                if lose { debounce.lost(); continue; }
                if raw == before { run = 0; } else {
                    if run == 0 { since = now; }
                    run += 1;
                }
                let state = debounce.push(Mono::from_millis(now), raw);
                if state != before {
                    prop_assert!(run >= count && now - since >= millis);
                    run = 0;
                }
                before = state;
            }
        }

        #[test]
        fn losing_samples_never_clears_earlier(
            drop in prop::collection::vec(any::<bool>(), 30), secs in 0i64..20,
        ) {
            let off = Hold::new(3, Span::from_secs(secs));
            let mut full = Debounce::new(Hold::AT_ONCE, off, true);
            let mut lossy = full.clone();
            for (index, lose) in drop.into_iter().enumerate() {
                full.push(at(index as i64), false);
                if lose { lossy.lost(); } else { lossy.push(at(index as i64), false); }
                prop_assert!(lossy.state() || !full.state());
            }
        }
    }
}
