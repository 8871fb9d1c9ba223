//! Attenuated signal: a reading that still moves, but too little (QARTOD).
//!
//! Range or population standard deviation over a trailing time window, kept in 64 buckets, so that
//! a day of readings each second needs no more memory than an hour.
//!
//! Differences from the reference implementation, on purpose: the old end of the window lies on a
//! whole bucket, so the window is 63/64 to 64/64 of what was asked ([`Attenuated::covers_from`]
//! says from where); a missing reading is skipped and does not blind the window, which the count
//! then shows.

use super::qc::QcFlag;
use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Buckets of a window.
const BUCKETS: i64 = 64;

/// What is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Spread {
    /// Largest less smallest.
    Range,
    /// Standard deviation, population form.
    Deviation,
}

/// How a signal is judged.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rules {
    /// What is measured.
    pub spread: Spread,
    /// Below this the signal is suspect.
    pub suspect: f64,
    /// Below this it fails.
    pub fail: f64,
    /// Length of the window.
    pub window: Span,
    /// Readings that it takes to say anything.
    pub count_min: u32,
}

/// The test.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Attenuated {
    rules: Rules,
    buckets: VecDeque<Bucket>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Bucket {
    from: Mono,
    count: u32,
    mean: f64,
    /// Sum of squares about the mean.
    squares: f64,
    low: f64,
    high: f64,
}

impl Bucket {
    fn of(from: Mono, value: f64) -> Self {
        Self { from, count: 1, mean: value, squares: 0.0, low: value, high: value }
    }

    /// Chan, Golub and LeVeque 1979: sums of squares without cancellation.
    fn merge(&mut self, other: &Self) {
        let (a, b) = (f64::from(self.count), f64::from(other.count));
        let delta = other.mean - self.mean;
        self.count = self.count.saturating_add(other.count);
        self.mean += delta * b / (a + b);
        self.squares += other.squares + delta * delta * a * b / (a + b);
        self.low = self.low.min(other.low);
        self.high = self.high.max(other.high);
    }
}

impl Attenuated {
    /// Starts with an empty window, at least 64 ms long.
    pub fn new(rules: Rules) -> Self {
        let window = rules.window.max(Span::from_millis(BUCKETS));
        Self { rules: Rules { window, ..rules }, buckets: VecDeque::new() }
    }

    fn width(&self) -> i64 {
        self.rules.window.millis() / BUCKETS
    }

    /// Oldest instant that counts at `now`.
    pub fn covers_from(&self, now: Mono) -> Mono {
        let width = self.width();
        Mono::from_millis((now.millis().div_euclid(width) - (BUCKETS - 1)) * width)
    }

    /// Takes a reading, or its absence, and judges the window that it closes.
    pub fn push(&mut self, now: Mono, value: Option<f64>) -> QcFlag {
        let oldest = self.covers_from(now);
        while self.buckets.front().is_some_and(|bucket| bucket.from < oldest) {
            self.buckets.pop_front();
        }
        let Some(value) = value.filter(|value| value.is_finite()) else {
            return QcFlag::Missing;
        };
        let width = self.width();
        let from = Mono::from_millis(now.millis().div_euclid(width) * width);
        let new = Bucket::of(from, value);
        match self.buckets.back_mut() {
            Some(last) if last.from == from => last.merge(&new),
            _ => self.buckets.push_back(new),
        }
        let mut all = self.buckets[0];
        for bucket in self.buckets.iter().skip(1) {
            all.merge(bucket);
        }
        if all.count < self.rules.count_min {
            return QcFlag::NotEvaluated;
        }
        let spread = match self.rules.spread {
            Spread::Range => all.high - all.low,
            Spread::Deviation => (all.squares / f64::from(all.count)).sqrt(),
        };
        if spread < self.rules.fail {
            QcFlag::Fail
        } else if spread < self.rules.suspect {
            QcFlag::Suspect
        } else {
            QcFlag::Good
        }
    }

    /// Forgets all readings.
    pub fn clear(&mut self) {
        self.buckets.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_reading_does_not_blind_the_window() {
        let rules = Rules {
            spread: Spread::Range,
            suspect: 4.0,
            fail: 1.0,
            window: Span::from_secs(64),
            count_min: 3,
        };
        let mut test = Attenuated::new(rules);
        let mut flags = Vec::new();
        for (secs, value) in
            [(0, Some(0.0)), (10, Some(5.0)), (20, None), (30, Some(2.0)), (80, Some(2.0))]
        {
            flags.push(test.push(Mono::from_millis(secs * 1000), value));
        }
        use QcFlag::{Good, Missing, NotEvaluated};
        assert_eq!(flags, [NotEvaluated, NotEvaluated, Missing, Good, NotEvaluated]);
    }
}
