//! The queue in front of one engine: bounded lanes, each with its policy, and a blocking take.
//!
//! Invariants: the guard lane is served first; a full trend lane drops its oldest entry and counts
//! it; the guard lane is so bounded by the per-sensor token bucket before it that it cannot fill from
//! sensors, and when it is full all the same the newest entry of the *same* sensor replaces the older
//! one; control events (connections, commands, stop) are never dropped.

use crate::engine::event::Event;
use crate::engine::time::Wall;
use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Where an event queues.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lane {
    /// Guard sensors and valve state.
    Guard,
    /// Connections, commands, demand, durability, stop. Few, and never dropped.
    Control,
    /// Everything else.
    Trend,
}

/// Most entries of the guard lane.
pub const GUARD_MAX: usize = 1024;
/// Most entries of the trend lane.
pub const TREND_MAX: usize = 4096;

/// One event on its way.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// What happened.
    pub event: Event,
    /// When it arrived on the wall clock; data, not time.
    pub arrived: Option<Wall>,
}

/// Counters of what was dropped, for health.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Dropped {
    /// From the trend lane.
    pub trend: u64,
    /// Replaced in the guard lane.
    pub guard: u64,
}

#[derive(Debug, Default)]
struct Lanes {
    guard: VecDeque<Item>,
    control: VecDeque<Item>,
    trend: VecDeque<Item>,
    dropped: Dropped,
    closed: bool,
}

/// The queue in front of one engine. Clones share it.
#[derive(Clone, Debug, Default)]
pub struct Intake {
    shared: Arc<(Mutex<Lanes>, Condvar)>,
}

/// What a take gives.
#[derive(Clone, Debug, PartialEq)]
pub enum Taken {
    /// An event.
    Item(Item),
    /// The time was up first.
    TimedOut,
    /// No more will come, and all that came has been taken.
    Closed,
}

impl Intake {
    /// An empty queue.
    pub fn new() -> Self {
        Self::default()
    }

    fn lanes(&self) -> MutexGuard<'_, Lanes> {
        // A panic while the lock is held can only come from allocation; the data stays whole.
        self.shared.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Queues an event. Never blocks.
    pub fn put(&self, lane: Lane, item: Item) {
        let mut lanes = self.lanes();
        if lanes.closed {
            return;
        }
        match lane {
            Lane::Control => lanes.control.push_back(item),
            Lane::Guard => {
                if lanes.guard.len() >= GUARD_MAX {
                    let older = sensor_of(&item.event).and_then(|sensor| {
                        lanes
                            .guard
                            .iter()
                            .position(|queued| sensor_of(&queued.event) == Some(sensor))
                    });
                    lanes.guard.remove(older.unwrap_or(0));
                    lanes.dropped.guard += 1;
                }
                lanes.guard.push_back(item);
            }
            Lane::Trend => {
                if lanes.trend.len() >= TREND_MAX {
                    lanes.trend.pop_front();
                    lanes.dropped.trend += 1;
                }
                lanes.trend.push_back(item);
            }
        }
        drop(lanes);
        self.shared.1.notify_one();
    }

    /// Takes the next event, waiting no longer than `wait`.
    pub fn take(&self, wait: Duration) -> Taken {
        let until = Instant::now() + wait;
        let mut lanes = self.lanes();
        loop {
            let next = lanes
                .guard
                .pop_front()
                .or_else(|| lanes.control.pop_front())
                .or_else(|| lanes.trend.pop_front());
            if let Some(item) = next {
                return Taken::Item(item);
            }
            if lanes.closed {
                return Taken::Closed;
            }
            let now = Instant::now();
            if now >= until {
                return Taken::TimedOut;
            }
            lanes = self
                .shared
                .1
                .wait_timeout(lanes, until - now)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }

    /// Lets no more in. What is queued can still be taken.
    pub fn close(&self) {
        self.lanes().closed = true;
        self.shared.1.notify_all();
    }

    /// What was dropped so far.
    pub fn dropped(&self) -> Dropped {
        self.lanes().dropped
    }
}

fn sensor_of(event: &Event) -> Option<usize> {
    match event {
        Event::Reading(reading) => Some(reading.sensor),
        Event::NoReading { sensor, .. } => Some(*sensor),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::Reading;

    fn reading(sensor: usize, value: f64) -> Item {
        Item {
            event: Event::Reading(Reading {
                sensor,
                value,
                retained: false,
                arrived: None,
                stamp: None,
            }),
            arrived: None,
        }
    }

    #[test]
    fn the_guard_lane_is_served_first() {
        let intake = Intake::new();
        intake.put(Lane::Trend, reading(1, 1.0));
        intake.put(Lane::Guard, reading(2, 2.0));
        assert_eq!(intake.take(Duration::ZERO), Taken::Item(reading(2, 2.0)));
        assert_eq!(intake.take(Duration::ZERO), Taken::Item(reading(1, 1.0)));
        assert_eq!(intake.take(Duration::ZERO), Taken::TimedOut);
    }

    #[test]
    fn a_full_trend_lane_drops_its_oldest_and_counts() {
        let intake = Intake::new();
        for index in 0..TREND_MAX + 3 {
            intake.put(Lane::Trend, reading(0, index as f64));
        }
        assert_eq!(intake.dropped().trend, 3);
        assert_eq!(intake.take(Duration::ZERO), Taken::Item(reading(0, 3.0)));
    }

    #[test]
    fn a_full_guard_lane_keeps_every_other_sensor() {
        let intake = Intake::new();
        intake.put(Lane::Guard, reading(7, 0.5));
        for index in 0..GUARD_MAX + 10 {
            intake.put(Lane::Guard, reading(1, index as f64));
        }
        assert_eq!(intake.take(Duration::ZERO), Taken::Item(reading(7, 0.5)));
    }

    #[test]
    fn a_closed_queue_gives_what_it_holds_and_then_says_so() {
        let intake = Intake::new();
        intake.put(Lane::Control, Item { event: Event::Tick, arrived: None });
        intake.close();
        intake.put(Lane::Control, Item { event: Event::Echo, arrived: None });
        assert!(matches!(intake.take(Duration::ZERO), Taken::Item(_)));
        assert_eq!(intake.take(Duration::ZERO), Taken::Closed);
    }
}
