//! When a mark may be believed.
//!
//! A server that accepts a point may hold it in memory for some seconds (VictoriaMetrics: about
//! five) and lose it when it is killed. So the mark that is kept lags behind what was accepted, and
//! after an outage the replication goes back to it: what the server lost is sent again.

use std::collections::VecDeque;
use std::time::Duration;
use tokio::time::Instant;

/// How long a server must have held a point before the mark may pass it.
const SETTLES_IN: Duration = Duration::from_secs(30);
/// Distance of two noted marks; bounds the queue at `SETTLES_IN / NOTE_EVERY` entries.
const NOTE_EVERY: Duration = Duration::from_secs(1);

/// Marks that were reached and are not believed yet.
#[derive(Debug)]
pub struct Settling {
    settled: u64,
    noted: VecDeque<(Instant, u64)>,
}

impl Settling {
    /// Everything before `mark` was believed when the mark was kept.
    pub fn from_mark(mark: u64) -> Self {
        Self { settled: mark, noted: VecDeque::new() }
    }

    /// The mark that is believed.
    pub fn mark(&self) -> u64 {
        self.settled
    }

    /// `mark` was reached at `now`. Gives the believed mark when it has moved.
    pub fn note(&mut self, now: Instant, mark: u64) -> Option<u64> {
        if self.noted.back().is_none_or(|(at, _)| now - *at >= NOTE_EVERY) {
            self.noted.push_back((now, mark));
        }
        let before = self.settled;
        while let Some((at, mark)) = self.noted.front().copied()
            && now - at >= SETTLES_IN
        {
            self.settled = self.settled.max(mark);
            self.noted.pop_front();
        }
        (self.settled != before).then_some(self.settled)
    }

    /// The server was away: what has not settled may be lost.
    pub fn forget(&mut self) {
        self.noted.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_is_believed_after_it_has_settled_and_not_before() {
        let start = Instant::now();
        let at = |secs: u64| start + Duration::from_secs(secs);
        let mut settling = Settling::from_mark(5);
        for secs in 0..30 {
            assert_eq!(settling.note(at(secs), 10 + secs), None);
        }
        assert_eq!(settling.note(at(30), 40), Some(10));
        assert_eq!(settling.note(at(31), 41), Some(11));
        assert!(settling.noted.len() <= 31);
    }

    #[test]
    fn an_outage_takes_back_what_had_not_settled() {
        let start = Instant::now();
        let at = |secs: u64| start + Duration::from_secs(secs);
        let mut settling = Settling::from_mark(5);
        settling.note(at(0), 100);
        settling.forget();
        assert_eq!(settling.note(at(40), 100), None);
        assert_eq!(settling.mark(), 5);
        assert_eq!(settling.note(at(70), 100), Some(100));
    }
}
