//! Late, duplicate and out-of-order messages, by the device's stamp and our time of arrival.
//!
//! A device's stamp is data to be checked: clocks step, start in 1970 and stand still. It never
//! drives a timer; it only tells whether a message is a copy or older than what is already known.
//!
//! Invariants: the instants given out for messages in order strictly rise; a message that is not in
//! order is never *live*, so it can neither refresh staleness nor clear anything; without stamps
//! everything is taken in the order of arrival; a clock that was set back costs at most
//! [`CLOCK_AFTER`] messages.

use crate::engine::time::{Mono, Span, Wall};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// A message further behind than this comes from a clock that was set back.
pub const LATE_MAX: Span = Span::from_secs(600);
/// So many messages in a row behind by the same time come from a clock that was set back.
pub const CLOCK_AFTER: u32 = 3;
/// Messages remembered to know copies.
const COPIES_MAX: usize = 8;
/// 2001-01-01: no device has an honest stamp before it.
const SANE_FROM: Wall = Wall::from_millis(978_307_200_000);
/// Stamps this much ahead of the smallest delay seen come from a clock that was set forward.
const AHEAD_MAX: Span = Span::from_secs(60);

/// How a message stands to those before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash)]
#[serde(rename_all = "kebab-case")]
pub enum Placement {
    /// Newer than all before it.
    InOrder,
    /// In order, and the first after its device's clock stepped, was set, or gave no sane stamp.
    ClockStepped,
    /// A copy of a message already taken.
    Duplicate,
    /// Older than one already taken.
    Late,
    /// The broker's stored copy: of unknown age.
    Retained,
}

impl Placement {
    /// True when the message tells of the present.
    pub fn is_live(self) -> bool {
        matches!(self, Self::InOrder | Self::ClockStepped)
    }
}

/// A message in its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Placed {
    /// When the reading was taken, in plant time, as well as can be known. Strictly rises over live
    /// messages.
    pub at: Mono,
    /// How it stands to those before it.
    pub placement: Placement,
}

/// Puts the messages of one sensor in order.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct Order {
    newest: Option<Wall>,
    /// Instant given to the last live message.
    last: Option<Mono>,
    copies: VecDeque<(Wall, u64)>,
    /// Consecutive late messages, and how late the last of them was after its arrival.
    late: u32,
    late_delay: Span,
    /// Smallest delay from stamp to arrival, in plant time; moves up slowly so that a device's clock
    /// may drift.
    delay: Option<Span>,
}

impl Order {
    /// Nothing known yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Places a message that arrived at `now`.
    pub fn place(&mut self, now: Mono, stamp: Option<Wall>, value: f64, retained: bool) -> Placed {
        if retained {
            return Placed { at: now, placement: Placement::Retained };
        }
        let Some(stamp) = stamp else {
            return self.live(now, Placement::InOrder);
        };
        if stamp < SANE_FROM {
            return self.live(now, Placement::ClockStepped);
        }
        let key = (stamp, value.to_bits());
        if self.copies.contains(&key) {
            return Placed { at: self.last.unwrap_or(now), placement: Placement::Duplicate };
        }
        let delay = delay(now, stamp);
        let known = match (self.newest, self.delay) {
            (Some(newest), Some(known)) => Some((newest, known)),
            _ => None,
        };
        let Some((newest, known)) = known else {
            self.remember(key);
            return self.clock_set(now, stamp, Placement::InOrder);
        };
        let behind = newest.since(stamp);
        if behind > Span::ZERO {
            return self.behind(now, key, behind, delay);
        }
        self.remember(key);
        self.late = 0;
        if delay < known - AHEAD_MAX {
            return self.clock_set(now, stamp, Placement::ClockStepped);
        }
        self.newest = Some(stamp);
        // 100 ppm: worse than any crystal, so the smallest delay follows a slow clock.
        let creep = Span::from_millis((stamp.since(newest).millis() / 10_000).max(0));
        let known = delay.min(known + creep);
        self.delay = Some(known);
        let held = delay - known;
        if held > LATE_MAX {
            // Either ten minutes in a queue or a clock set back by less than the pause: the arrival is
            // what is sure.
            return self.clock_set(now, stamp, Placement::ClockStepped);
        }
        self.live(now - held, Placement::InOrder)
    }

    fn behind(&mut self, now: Mono, key: (Wall, u64), behind: Span, delay: Span) -> Placed {
        let drift = delay - self.late_delay;
        let steady = drift.millis().abs() <= 2_000;
        self.late = if self.late > 0 && !steady { 1 } else { self.late + 1 };
        self.late_delay = delay;
        self.remember(key);
        if behind > LATE_MAX || self.late >= CLOCK_AFTER {
            return self.clock_set(now, key.0, Placement::ClockStepped);
        }
        let known = self.delay.unwrap_or(delay);
        Placed { at: now - (delay - known).max(Span::ZERO), placement: Placement::Late }
    }

    /// The device's clock is new to us: take the arrival and measure anew.
    fn clock_set(&mut self, now: Mono, stamp: Wall, placement: Placement) -> Placed {
        self.newest = Some(stamp);
        self.delay = Some(delay(now, stamp));
        self.late = 0;
        self.live(now, placement)
    }

    fn live(&mut self, at: Mono, placement: Placement) -> Placed {
        let at = self.last.map_or(at, |last| at.max(last + Span::from_millis(1)));
        self.last = Some(at);
        Placed { at, placement }
    }

    fn remember(&mut self, key: (Wall, u64)) {
        if self.copies.len() == COPIES_MAX {
            self.copies.pop_front();
        }
        self.copies.push_back(key);
    }
}

/// Arrival less stamp. The two scales have different origins; only differences of delays mean
/// anything.
fn delay(now: Mono, stamp: Wall) -> Span {
    Span::from_millis(now.millis().saturating_sub(stamp.millis()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const EPOCH: i64 = 1_700_000_000_000;

    fn mono(secs: i64) -> Mono {
        Mono::from_millis(secs * 1000)
    }

    fn stamp(secs: i64) -> Option<Wall> {
        Some(Wall::from_millis(EPOCH + secs * 1000))
    }

    #[test]
    fn held_back_messages_get_the_time_at_which_they_were_taken() {
        let mut order = Order::new();
        order.place(mono(0), stamp(0), 1.0, false);
        order.place(mono(10), stamp(10), 2.0, false);
        // Allowance for a slow clock: 100 ppm.
        let near = |placed: Placed, at: Mono| {
            placed.placement == Placement::InOrder && placed.at.since(at).millis().abs() <= 5
        };
        assert!(near(order.place(mono(40), stamp(20), 3.0, false), mono(20)));
        assert!(near(order.place(mono(40), stamp(30), 4.0, false), mono(30)));
    }

    #[test]
    fn copies_and_older_messages_are_not_live() {
        let mut order = Order::new();
        order.place(mono(0), stamp(0), 1.0, false);
        order.place(mono(10), stamp(10), 2.0, false);
        order.place(mono(20), stamp(20), 3.0, false);
        let copy = order.place(mono(21), stamp(10), 2.0, false);
        assert_eq!(copy.placement, Placement::Duplicate);
        let late = order.place(mono(22), stamp(15), 9.0, false);
        assert_eq!(late, Placed { at: mono(15), placement: Placement::Late });
        let retained = order.place(mono(23), stamp(99), 9.0, true);
        assert_eq!(retained.placement, Placement::Retained);
        let next = order.place(mono(30), stamp(30), 3.0, false);
        assert_eq!(next.placement, Placement::InOrder);
    }

    #[test]
    fn a_clock_set_back_far_is_known_at_once_and_a_little_after_three() {
        let mut order = Order::new();
        for index in 0..5 {
            order.place(mono(index * 10), stamp(index * 10), index as f64, false);
        }
        let far = order.place(mono(50), stamp(50 - 3300), 5.0, false);
        assert_eq!(far, Placed { at: mono(50), placement: Placement::ClockStepped });
        let mut placements = Vec::new();
        for index in 6..10 {
            let back = index * 10 - 3300 - 120;
            placements.push(order.place(mono(index * 10), stamp(back), 0.5, false).placement);
        }
        use Placement::{ClockStepped, InOrder, Late};
        assert_eq!(placements, [Late, Late, ClockStepped, InOrder]);
    }

    #[test]
    fn a_stamp_of_1970_and_a_clock_set_forward_are_taken_by_arrival() {
        let mut order = Order::new();
        order.place(mono(0), stamp(0), 1.0, false);
        let zero = order.place(mono(10), Some(Wall::from_millis(0)), 2.0, false);
        assert_eq!(zero, Placed { at: mono(10), placement: Placement::ClockStepped });
        let back = order.place(mono(20), stamp(20), 3.0, false);
        assert_eq!(back, Placed { at: mono(20), placement: Placement::InOrder });
        let ahead = order.place(mono(30), stamp(86_400), 4.0, false);
        assert_eq!(ahead, Placed { at: mono(30), placement: Placement::ClockStepped });
        let again = order.place(mono(40), stamp(40), 5.0, false);
        assert_eq!(again, Placed { at: mono(40), placement: Placement::ClockStepped });
    }

    proptest! {
        #[test]
        fn live_messages_strictly_rise_and_are_never_in_the_future(
            messages in prop::collection::vec(
                (0i64..100_000, prop::option::of(-2_000_000i64..2_000_000), 0u8..4), 1..60),
        ) {
            let mut order = Order::new();
            let (mut now, mut last) = (0, None);
            for (index, (step, offset, value)) in messages.into_iter().enumerate() {
                now += step + 1;
                let stamp = offset.map(|offset| Wall::from_millis(EPOCH + now + offset));
                let placed = order.place(Mono::from_millis(now), stamp, f64::from(value), false);
                prop_assert!(placed.at <= Mono::from_millis(now + index as i64));
                if placed.placement.is_live() {
                    prop_assert!(last.is_none_or(|last| placed.at > last));
                    last = Some(placed.at);
                }
            }
        }
    }
}
