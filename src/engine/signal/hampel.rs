//! Outliers against the median of a trailing window, for the trend path.
//!
//! The window is bounded by time *and* by count. A reading further from the median than so many
//! robust standard deviations is replaced by the median; the scale is the median absolute deviation
//! over 0.67449 with a floor from the display step, because on whole numbers the deviation is mostly
//! zero and every honest step would be an outlier (reference sheet, section 10.1).
//!
//! Invariants: causal; the output lies within the readings of the window; a new level is accepted
//! after so many consecutive readings on one side, and the old level then leaves the window at once.
//! Nothing comes out before the window holds its least count.
//!
//! Absent on purpose: any use in the guard path. A lasting jump is hidden for a few readings here.

use super::median::median_of;
use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Most readings that a window may hold.
pub const READINGS_MAX: usize = 61;

/// 0.75 quantile of the standard normal: a MAD over this estimates a standard deviation.
pub const MAD_OF_NORMAL: f64 = 0.674_489_750_196_081_7;

/// How a [`Hampel`] filter judges.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rules {
    /// Readings in the window, the new one included, at most 61.
    pub count_max: usize,
    /// Readings that it takes to say anything.
    pub count_min: usize,
    /// Age of the oldest.
    pub time: Span,
    /// Robust standard deviations beyond which a reading is an outlier.
    pub deviations: f64,
    /// Least scale, in the unit of the readings.
    pub floor: f64,
    /// Consecutive outliers on one side that make a new level; 0: never.
    pub shift_after: usize,
}

impl Rules {
    /// Common practice, no source: 11 readings within `time`, at least 3, 4 deviations, a new level
    /// after 4 readings.
    pub fn usual(step: f64, time: Span) -> Self {
        Self {
            count_max: 11,
            count_min: 3,
            time,
            deviations: 4.0,
            floor: scale_floor(step),
            shift_after: 4,
        }
    }
}

/// Least scale for a display step: the larger of 0.3 steps and the step's own standard uncertainty,
/// step/√12.
pub fn scale_floor(step: f64) -> f64 {
    (0.3 * step).max(step / 12f64.sqrt())
}

/// What was made of a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Kept as it is.
    Kept,
    /// An outlier: replaced by the median.
    Replaced,
    /// Kept: the level has moved. The readings replaced just before belonged to the new level.
    Shifted,
}

/// A reading after the filter.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cleaned {
    /// The reading, or the median in its place.
    pub value: f64,
    /// Median of the window, the reading included.
    pub median: f64,
    /// Robust standard deviation, not below the floor.
    pub sigma: f64,
    /// What was done.
    pub kind: Kind,
}

/// The filter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hampel {
    rules: Rules,
    readings: VecDeque<(Mono, f64)>,
    /// Consecutive outliers and whether they lie above.
    run: usize,
    above: bool,
}

impl Hampel {
    /// Starts with an empty window.
    pub fn new(rules: Rules) -> Self {
        let count_max = rules.count_max.clamp(1, READINGS_MAX);
        let count_min = rules.count_min.clamp(1, count_max);
        let shift_after = rules.shift_after.min(count_max);
        let rules = Rules { count_max, count_min, shift_after, ..rules };
        Self { rules, readings: VecDeque::new(), run: 0, above: false }
    }

    /// The rules, as they were bounded.
    pub fn rules(&self) -> &Rules {
        &self.rules
    }

    /// Takes a reading. `None` until the window holds its least count, and for a value that is not
    /// finite, which changes nothing.
    pub fn push(&mut self, now: Mono, value: f64) -> Option<Cleaned> {
        if !value.is_finite() {
            return None;
        }
        self.readings.push_back((now, value));
        while self.readings.len() > self.rules.count_max
            || self.readings.front().is_some_and(|&(at, _)| now.since(at) > self.rules.time)
        {
            self.readings.pop_front();
        }
        if self.readings.len() < self.rules.count_min {
            self.run = 0;
            return None;
        }
        let (median, sigma) = self.level();
        if (value - median).abs() <= self.rules.deviations * sigma {
            self.run = 0;
            return Some(Cleaned { value, median, sigma, kind: Kind::Kept });
        }
        let above = value > median;
        self.run = if self.run > 0 && self.above == above { self.run + 1 } else { 1 };
        self.above = above;
        if self.rules.shift_after == 0 || self.run < self.rules.shift_after {
            return Some(Cleaned { value: median, median, sigma, kind: Kind::Replaced });
        }
        let old = self.readings.len().saturating_sub(self.run);
        self.readings.drain(..old);
        self.run = 0;
        let (median, sigma) = self.level();
        Some(Cleaned { value, median, sigma, kind: Kind::Shifted })
    }

    /// Median and scale of the window, which holds at least one reading.
    fn level(&self) -> (f64, f64) {
        let mut values: Vec<f64> = self.readings.iter().map(|&(_, value)| value).collect();
        let median = median_of(&mut values).expect("the reading just taken is in the window");
        for value in &mut values {
            *value = (*value - median).abs();
        }
        let mad = median_of(&mut values).expect("the reading just taken is in the window");
        (median, (mad / MAD_OF_NORMAL).max(self.rules.floor))
    }

    /// Forgets all readings.
    pub fn clear(&mut self) {
        self.readings.clear();
        self.run = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn rules() -> Rules {
        Rules::usual(1.0, Span::from_secs(600))
    }

    fn run(values: &[f64]) -> Vec<Option<Cleaned>> {
        let mut filter = Hampel::new(rules());
        let at = |index: usize| Mono::from_millis(index as i64 * 10_000);
        values.iter().enumerate().map(|(index, &value)| filter.push(at(index), value)).collect()
    }

    /// The worked example of the reference sheet, section 10.1: the spike goes, the honest step of
    /// one display unit stays because of the floor.
    #[test]
    fn the_floor_keeps_an_honest_step() {
        let out = run(&[5.0, 5.0, 6.0, 5.0, 25.0, 5.0, 6.0]);
        let kinds: Vec<_> = out.iter().flatten().map(|cleaned| cleaned.kind).collect();
        use Kind::{Kept, Replaced};
        assert_eq!(kinds, [Kept, Kept, Replaced, Kept, Kept]);
        assert_eq!(out[4].expect("full").value, 5.0);
    }

    #[test]
    fn a_new_level_is_accepted_and_the_old_one_forgotten() {
        let mut values = vec![2.0; 20];
        values.extend([30.0; 6]);
        let out = run(&values);
        let after: Vec<_> = out[20..].iter().flatten().map(|c| (c.kind, c.value)).collect();
        assert_eq!(
            after,
            [
                (Kind::Replaced, 2.0),
                (Kind::Replaced, 2.0),
                (Kind::Replaced, 2.0),
                (Kind::Shifted, 30.0),
                (Kind::Kept, 30.0),
                (Kind::Kept, 30.0)
            ]
        );
    }

    #[test]
    fn old_readings_leave_by_time() {
        let mut filter = Hampel::new(rules());
        for index in 0..11 {
            filter.push(Mono::from_millis(index * 10_000), 2.0);
        }
        let later = Mono::from_millis(3_600_000);
        assert_eq!(filter.push(later, 30.0), None, "alone in its window, nothing is said");
    }

    proptest! {
        #[test]
        fn stays_within_the_readings_and_is_never_early(
            readings in prop::collection::vec((1i64..300_000, -1e6f64..1e6), 1..60),
        ) {
            let mut filter = Hampel::new(rules());
            let (mut low, mut high, mut now) = (f64::INFINITY, f64::NEG_INFINITY, 0);
            for (index, (step, value)) in readings.into_iter().enumerate() {
                now += step;
                low = low.min(value);
                high = high.max(value);
                if let Some(cleaned) = filter.push(Mono::from_millis(now), value) {
                    prop_assert!(index + 1 >= 3);
                    prop_assert!(cleaned.value >= low && cleaned.value <= high);
                }
            }
        }

        #[test]
        fn a_lasting_level_always_comes_through(
            before in prop::collection::vec(0i32..4, 3..30), step in 20f64..1e5,
        ) {
            let mut values: Vec<f64> = before.into_iter().map(f64::from).collect();
            values.extend([step; 4]);
            let out = run(&values);
            prop_assert_eq!(out.last().copied().flatten().map(|c| c.value), Some(step));
        }
    }
}
