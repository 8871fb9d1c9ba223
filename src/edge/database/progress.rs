//! Which records the server has: a live end, and the gaps behind it.
//!
//! Invariants: the mark never passes a record that was not written; the live end never falls; gaps
//! are ascending, apart from each other and bounded. When a gap too many would open, the newest is
//! widened over what was already written: that is sent again, which is harmless.

use std::ops::Range;

/// Most gaps kept apart.
const GAPS_MAX: usize = 16;

/// Which records the server has.
#[derive(Clone, Debug, PartialEq)]
pub struct Progress {
    gaps: Vec<Range<u64>>,
    live: u64,
}

impl Progress {
    /// Everything before `mark` has been written.
    pub fn from_mark(mark: u64) -> Self {
        Self { gaps: Vec::new(), live: mark }
    }

    /// The first record that the server may lack.
    pub fn mark(&self) -> u64 {
        self.gaps.first().map_or(self.live, |gap| gap.start)
    }

    /// How many record numbers before `end` the server may lack.
    pub fn behind(&self, end: u64) -> u64 {
        let gaps: u64 = self.gaps.iter().map(|gap| gap.end - gap.start).sum();
        gaps + end.saturating_sub(self.live)
    }

    /// What to send next at the live end, at most `max` numbers; `end` is the number of the next
    /// record to be written. When the live end is further behind than that, it jumps to the last
    /// `max` and what it jumps over becomes a gap.
    pub fn live(&mut self, end: u64, max: u64) -> Option<Range<u64>> {
        if end <= self.live {
            return None;
        }
        if end - self.live > max {
            let jump = end - max;
            let opened = self.live..jump;
            let full = self.gaps.len() >= GAPS_MAX;
            match self.gaps.last_mut() {
                Some(last) if full || last.end == opened.start => last.end = opened.end,
                _ => self.gaps.push(opened),
            }
            self.live = jump;
        }
        Some(self.live..end)
    }

    /// What to send next of the backlog, oldest first, at most `max` numbers.
    pub fn backlog(&self, max: u64) -> Option<Range<u64>> {
        self.gaps.first().map(|gap| gap.start..gap.end.min(gap.start.saturating_add(max)))
    }

    /// What [`Self::live`] gave has been written.
    pub fn live_written(&mut self, written: &Range<u64>) {
        if written.start == self.live {
            self.live = written.end;
        }
    }

    /// What [`Self::backlog`] gave has been written.
    pub fn backlog_written(&mut self, written: &Range<u64>) {
        if let Some(first) = self.gaps.first_mut()
            && first.start == written.start
        {
            first.start = written.end.min(first.end);
            if first.is_empty() {
                self.gaps.remove(0);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    #[test]
    fn after_an_outage_the_newest_goes_first_and_the_mark_waits_for_the_oldest() {
        let mut progress = Progress::from_mark(10);
        assert_eq!(progress.live(100, 20), Some(80..100));
        assert_eq!(progress.mark(), 10);
        progress.live_written(&(80..100));
        assert_eq!((progress.mark(), progress.behind(100)), (10, 70));
        let first = progress.backlog(50).expect("a gap");
        assert_eq!(first, 10..60);
        progress.backlog_written(&first);
        assert_eq!(progress.mark(), 60);
        let rest = progress.backlog(50).expect("the rest");
        progress.backlog_written(&rest);
        assert_eq!((progress.mark(), progress.behind(100)), (100, 0));
        assert_eq!(progress.live(100, 20), None);
    }

    proptest! {
        /// Whatever fails and whenever it does: the mark never passes what was not written, and
        /// once nothing fails any more everything has been written.
        #[test]
        fn nothing_is_ever_skipped(
            steps in proptest::collection::vec((0u64..60, any::<bool>(), any::<bool>()), 1..120),
            max in 1u64..20,
        ) {
            let mut progress = Progress::from_mark(0);
            let (mut end, mut written, mut checked) = (0u64, BTreeSet::new(), 0u64);
            let calm = std::iter::repeat_n((0, true, true), 8_000);
            for (grown, live_ok, backlog_ok) in steps.into_iter().chain(calm) {
                end += grown;
                if let Some(range) = progress.live(end, max) {
                    prop_assert!(range.end - range.start <= max);
                    if live_ok {
                        written.extend(range.clone());
                        progress.live_written(&range);
                    }
                }
                if let Some(range) = progress.backlog(max)
                    && backlog_ok
                {
                    written.extend(range.clone());
                    progress.backlog_written(&range);
                }
                prop_assert!(progress.gaps.len() <= GAPS_MAX);
                while checked < progress.mark() {
                    prop_assert!(written.contains(&checked), "{checked} was skipped");
                    checked += 1;
                }
                if grown == 0 && progress.behind(end) == 0 {
                    break;
                }
            }
            prop_assert_eq!(progress.behind(end), 0);
            prop_assert_eq!(written.len() as u64, end);
        }
    }
}
