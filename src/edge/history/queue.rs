//! What waits for the writer: numbered records, bounded, with a policy for when nothing can be
//! written.
//!
//! Invariants: records leave in the order of their numbers. When readings and values have filled
//! their share, the oldest of them goes and is counted. Everything else has a reserve of its own
//! that they cannot touch; only when that is full too (many hours of alarms and commands on a disk
//! that takes nothing) does its oldest go, counted apart.

use super::record::Record;
use std::collections::VecDeque;

/// Most readings and values that wait. At 20 sensors and 5 s this is an hour and more.
pub const TREND_MAX: usize = 16_384;
/// Most other records that wait.
pub const KEPT_MAX: usize = 16_384;

/// How many records were dropped.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Dropped {
    /// Readings and values.
    pub trend: u64,
    /// Anything else.
    pub kept: u64,
}

impl Dropped {
    /// Nothing was dropped.
    pub fn is_none(self) -> bool {
        self == Self::default()
    }
}

impl std::ops::AddAssign for Dropped {
    fn add_assign(&mut self, other: Self) {
        self.trend += other.trend;
        self.kept += other.kept;
    }
}

/// What waits for the writer.
#[derive(Debug)]
pub(super) struct Queue {
    trend: VecDeque<Record>,
    kept: VecDeque<Record>,
    trend_max: usize,
    kept_max: usize,
    dropped: Dropped,
}

impl Queue {
    pub(super) fn new(trend_max: usize, kept_max: usize) -> Self {
        Self {
            trend: VecDeque::new(),
            kept: VecDeque::new(),
            trend_max,
            kept_max,
            dropped: Dropped::default(),
        }
    }

    /// Adds a record, whose number is higher than all before.
    pub(super) fn push(&mut self, record: Record) {
        if record.body.is_trend() {
            if self.trend.len() >= self.trend_max {
                self.trend.pop_front();
                self.dropped.trend += 1;
            }
            self.trend.push_back(record);
        } else {
            if self.kept.len() >= self.kept_max {
                self.kept.pop_front();
                self.dropped.kept += 1;
            }
            self.kept.push_back(record);
        }
    }

    /// Takes up to `max` records in the order of their numbers.
    pub(super) fn take(&mut self, max: usize) -> Vec<Record> {
        let mut taken = Vec::with_capacity(max.min(self.len()));
        while taken.len() < max {
            let trend_first = match (self.trend.front(), self.kept.front()) {
                (Some(trend), Some(kept)) => trend.seq < kept.seq,
                (Some(_), None) => true,
                (None, Some(_)) => false,
                (None, None) => break,
            };
            taken.extend(if trend_first { self.trend.pop_front() } else { self.kept.pop_front() });
        }
        taken
    }

    /// Puts back, in front, what was taken and could not be written. Bounds hold: what is over them
    /// goes, oldest first.
    pub(super) fn put_back(&mut self, records: Vec<Record>) {
        for record in records.into_iter().rev() {
            if record.body.is_trend() {
                self.trend.push_front(record);
            } else {
                self.kept.push_front(record);
            }
        }
        let over = self.trend.len().saturating_sub(self.trend_max);
        self.trend.drain(..over);
        self.dropped.trend += over as u64;
        let over = self.kept.len().saturating_sub(self.kept_max);
        self.kept.drain(..over);
        self.dropped.kept += over as u64;
    }

    pub(super) fn len(&self) -> usize {
        self.trend.len() + self.kept.len()
    }

    #[cfg(test)]
    pub(super) fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// What was dropped since the last time this was asked.
    pub(super) fn take_dropped(&mut self) -> Dropped {
        std::mem::take(&mut self.dropped)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edge::history::record::{Body, PlantNo};
    use crate::engine::event::{Event, Reading};
    use crate::engine::time::Now;
    use crate::engine::time::{Mono, Wall};

    fn record(seq: u64, event: Event) -> Record {
        Record {
            seq,
            plant: PlantNo(0),
            now: Now::new(Mono::from_millis(seq as i64), Wall::from_millis(0)),
            body: Body::Event(event),
        }
    }

    fn reading(seq: u64) -> Record {
        let reading =
            Reading { sensor: 0, value: 1.0, retained: false, arrived: None, stamp: None };
        record(seq, Event::Reading(reading))
    }

    fn seqs(records: &[Record]) -> Vec<u64> {
        records.iter().map(|record| record.seq).collect()
    }

    #[test]
    fn records_leave_in_the_order_of_their_numbers() {
        let mut queue = Queue::new(10, 10);
        queue.push(reading(1));
        queue.push(record(2, Event::BrokerLost));
        queue.push(reading(3));
        queue.push(record(4, Event::BrokerReady));
        assert_eq!(seqs(&queue.take(3)), [1, 2, 3]);
        assert_eq!(seqs(&queue.take(3)), [4]);
        assert!(queue.is_empty());
    }

    #[test]
    fn readings_go_first_and_are_counted() {
        let mut queue = Queue::new(2, 2);
        queue.push(record(1, Event::BrokerLost));
        for seq in 2..=6 {
            queue.push(reading(seq));
        }
        assert_eq!(seqs(&queue.take(10)), [1, 5, 6]);
        assert_eq!(queue.take_dropped(), Dropped { trend: 3, kept: 0 });
        assert!(queue.take_dropped().is_none());
    }

    #[test]
    fn what_could_not_be_written_goes_back_in_front() {
        let mut queue = Queue::new(3, 3);
        queue.push(reading(1));
        queue.push(record(2, Event::BrokerLost));
        queue.push(reading(3));
        let taken = queue.take(10);
        queue.push(reading(4));
        queue.push(reading(5));
        queue.put_back(taken);
        assert_eq!(seqs(&queue.take(10)), [2, 3, 4, 5]);
        assert_eq!(queue.take_dropped(), Dropped { trend: 1, kept: 0 });
    }

    #[test]
    fn the_reserve_of_the_others_is_bounded_too() {
        let mut queue = Queue::new(1, 2);
        for seq in 1..=5 {
            queue.push(record(seq, Event::BrokerLost));
        }
        assert_eq!(seqs(&queue.take(10)), [4, 5]);
        assert_eq!(queue.take_dropped(), Dropped { trend: 0, kept: 3 });
    }
}
