//! The only reader of the operating system's clocks.
//!
//! Plant time ([`Mono`]) goes on where the journal ended: milliseconds of CLOCK_BOOTTIME since this
//! start, added to the last instant of the journal. Boot time counts sleep, so a suspended machine
//! does not shorten a staleness. The wall clock is believed only within bounds: a machine without a
//! battery starts in 1970.

use crate::engine::time::{Mono, Now, Span, Wall};
use rustix::time::{ClockId, clock_gettime};
use std::time::{SystemTime, UNIX_EPOCH};

/// No sane clock shows less: this program did not exist (2026-01-01T00:00:00Z).
const WALL_LEAST: i64 = 1_767_225_600_000;
/// Nor more (2100-01-01T00:00:00Z).
const WALL_MOST: i64 = 4_102_444_800_000;

/// Milliseconds of CLOCK_BOOTTIME.
fn boot_millis() -> i64 {
    let time = clock_gettime(ClockId::Boottime);
    time.tv_sec.saturating_mul(1000).saturating_add(time.tv_nsec / 1_000_000)
}

/// The wall clock, unless it cannot be right.
pub fn wall() -> Option<Wall> {
    let millis = match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_millis()).ok()?,
        Err(_) => return None,
    };
    (WALL_LEAST..WALL_MOST).contains(&millis).then_some(Wall::from_millis(millis))
}

/// Plant time of one run of the daemon.
#[derive(Clone, Copy, Debug)]
pub struct PlantClock {
    base: i64,
}

impl PlantClock {
    /// Starts at this instant of plant time.
    pub fn starting_at(mono: Mono) -> Self {
        Self { base: mono.millis() - boot_millis() }
    }

    /// Plant time and wall time now.
    pub fn now(&self) -> Now {
        Now { mono: Mono::from_millis(boot_millis() + self.base), wall: wall() }
    }
}

/// Notices a wall clock that becomes sane, ceases to be, or steps.
#[derive(Debug)]
pub struct StepWatch {
    /// Wall minus boot time at the last look.
    offset: Option<i64>,
}

/// A step smaller than this is slewing, not stepping.
const STEP_LEAST: i64 = 2_000;

impl StepWatch {
    /// Begins to watch; gives how the clock is now.
    pub fn begin() -> (Self, bool) {
        let offset = wall().map(|wall| wall.millis() - boot_millis());
        (Self { offset }, offset.is_some())
    }

    /// Looks again: whether the clock is sane, and by how much it stepped, when something changed.
    pub fn look(&mut self) -> Option<(bool, Span)> {
        let offset = wall().map(|wall| wall.millis() - boot_millis());
        let before = std::mem::replace(&mut self.offset, offset);
        match (before, offset) {
            (None, None) => None,
            (Some(_), None) => Some((false, Span::ZERO)),
            (None, Some(_)) => Some((true, Span::ZERO)),
            (Some(before), Some(after)) if (after - before).abs() >= STEP_LEAST => {
                Some((true, Span::from_millis(after - before)))
            }
            // Slewing is followed, not counted.
            (Some(_), Some(_)) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plant_time_goes_on_where_the_journal_ended_and_never_falls() {
        let clock = PlantClock::starting_at(Mono::from_millis(5_000));
        let first = clock.now().mono;
        let second = clock.now().mono;
        assert!(first >= Mono::from_millis(5_000));
        assert!(second >= first);
    }
}
