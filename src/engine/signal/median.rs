//! The guard path's only filter: the median of the last few readings.
//!
//! Invariants: causal; the output is one of the readings in the window; a true step shows after
//! [`MedianWindow::delay_readings`] readings, never later, and up to `delay_readings() - 1`
//! consecutive wrong readings never show at all. Nothing comes out before the window is full.
//!
//! Absent on purpose: rejection of outliers. On a line where a jump is the danger, a filter that
//! can drop a lasting jump is the wrong one.

use crate::engine::time::Span;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Most readings that a window may hold.
pub const READINGS_MAX: usize = 9;

/// Median of the last `m` readings, `m` odd, 1 to 9.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct MedianWindow {
    size: usize,
    readings: VecDeque<f64>,
    /// Median of `readings`, kept because it is asked for at every event and changes with a reading.
    /// It is no state: after a snapshot it is worked out when asked for until the next reading.
    #[serde(skip)]
    middle: Option<f64>,
}

impl PartialEq for MedianWindow {
    fn eq(&self, other: &Self) -> bool {
        self.size == other.size && self.readings == other.readings
    }
}

/// Readings in the guard path's median: as declared, made odd and at most 9; with 0 declared, 3, or
/// 5 when readings come faster than every 5 s (common practice, no source).
pub fn guard_readings(declared: u32, interval: Span) -> usize {
    match declared {
        0 if interval < Span::from_secs(5) => 5,
        0 => 3,
        some => odd(usize::try_from(some).unwrap_or(READINGS_MAX)),
    }
}

impl MedianWindow {
    /// A window of `size` readings; an even size becomes the next smaller odd one, and the size is
    /// kept within 1 to 9.
    pub fn new(size: usize) -> Self {
        Self { size: odd(size), readings: VecDeque::new(), middle: None }
    }

    /// Readings that a full window holds.
    pub fn size(&self) -> usize {
        self.size
    }

    /// Readings of a new level, the first included, until the output follows: `(m + 1) / 2`
    /// (reference sheet, section 10.1).
    pub fn delay_readings(&self) -> usize {
        self.size.div_ceil(2)
    }

    /// Longest time from the first reading of a new level to an output that shows it, when
    /// readings come every `interval`.
    pub fn delay(&self, interval: Span) -> Span {
        interval * (self.delay_readings() as i64 - 1)
    }

    /// Takes a reading; gives the median of the last `m`, or `None` until there are so many. A
    /// value that is not finite is no reading: it changes nothing and gives `None`.
    pub fn push(&mut self, value: f64) -> Option<f64> {
        if !value.is_finite() {
            return None;
        }
        if self.readings.len() == self.size {
            self.readings.pop_front();
        }
        self.readings.push_back(value);
        self.middle = self.work_out();
        self.value()
    }

    /// The median of the last `m` readings, `None` until there are so many.
    pub fn value(&self) -> Option<f64> {
        if self.readings.len() < self.size { None } else { self.partial() }
    }

    /// The median of the readings there are, for display while the window fills. Of two readings
    /// in the middle the larger one: on this plant larger is worse.
    #[inline]
    pub fn partial(&self) -> Option<f64> {
        self.middle.or_else(|| self.work_out())
    }

    fn work_out(&self) -> Option<f64> {
        let mut room = [0.0; READINGS_MAX];
        let mut count = 0;
        for (place, &reading) in room.iter_mut().zip(&self.readings) {
            *place = reading;
            count += 1;
        }
        let sorted = &mut room[..count];
        sorted.sort_unstable_by(f64::total_cmp);
        sorted.get(count / 2).copied()
    }

    /// True once it gives values.
    pub fn is_full(&self) -> bool {
        self.readings.len() == self.size
    }

    /// Forgets all readings: after a gap, a start or a change of the part.
    pub fn clear(&mut self) {
        self.readings.clear();
        self.middle = None;
    }
}

fn odd(size: usize) -> usize {
    let size = size.clamp(1, READINGS_MAX);
    if size.is_multiple_of(2) { size - 1 } else { size }
}

/// Median of a slice; the mean of the two in the middle when their number is even. Sorts in place.
pub(crate) fn median_of(values: &mut [f64]) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let half = values.len() / 2;
    match values.len() {
        0 => None,
        n if !n.is_multiple_of(2) => Some(values[half]),
        // Halved before the sum, so that two huge readings do not overflow.
        _ => Some(values[half - 1] / 2.0 + values[half] / 2.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn one_spike_never_shows_and_a_step_shows_after_its_delay() {
        let mut window = MedianWindow::new(3);
        assert_eq!(window.push(0.0), None);
        assert_eq!(window.push(0.0), None);
        assert_eq!(window.push(0.0), Some(0.0));
        assert_eq!(window.push(25.0), Some(0.0));
        assert_eq!(window.push(0.0), Some(0.0));
        assert_eq!(window.delay_readings(), 2);
        assert_eq!(window.push(25.0), Some(25.0), "two of the last three are high");
    }

    #[test]
    fn sizes_are_odd_and_bounded() {
        for (asked, got) in [(0, 1), (1, 1), (2, 1), (4, 3), (9, 9), (10, 9), (99, 9)] {
            assert_eq!(MedianWindow::new(asked).size(), got);
        }
        assert_eq!(guard_readings(0, Span::from_secs(10)), 3);
        assert_eq!(guard_readings(0, Span::from_secs(2)), 5);
        assert_eq!(guard_readings(8, Span::from_secs(2)), 7);
    }

    #[test]
    fn what_is_no_number_is_no_reading() {
        let mut window = MedianWindow::new(1);
        assert_eq!(window.push(f64::NAN), None);
        assert_eq!(window.push(f64::INFINITY), None);
        assert_eq!(window.value(), None);
        assert_eq!(window.push(4.0), Some(4.0));
        assert_eq!(window.push(f64::NAN), None);
        assert_eq!(window.value(), Some(4.0));
    }

    proptest! {
        #[test]
        fn output_is_one_of_the_last_readings_and_never_early(
            size in 1usize..=9, values in prop::collection::vec(-1e6f64..1e6, 1..60),
        ) {
            let mut window = MedianWindow::new(size);
            for (index, value) in values.iter().enumerate() {
                match window.push(*value) {
                    None => prop_assert!(index + 1 < window.size()),
                    Some(median) => {
                        let from = index + 1 - window.size();
                        prop_assert!(values[from..=index].contains(&median));
                    }
                }
            }
        }

        #[test]
        fn a_lasting_step_shows_exactly_after_the_delay(size in 1usize..=9, step in 0.1f64..1e6) {
            let mut window = MedianWindow::new(size);
            for _ in 0..9 { window.push(0.0); }
            for reading in 1..=window.delay_readings() {
                let shown = window.push(step) == Some(step);
                prop_assert_eq!(shown, reading == window.delay_readings());
            }
        }
    }
}
