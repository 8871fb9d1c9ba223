//! What is taken from the container while nothing runs: so much goes on being taken during a run.
//!
//! Purpose: filling a large container takes a day, and the top-off goes on meanwhile by a few decilitres
//! at a time, which no level sensor tells from waves. Such a run makes more than the container had room
//! for, week after week, and nothing is wrong with it.
//!
//! Invariants: only what fell at rest counts; nothing is allowed for before three stretches of rest were
//! seen, nor after lost state; the one stretch that took most (a water change) is left out; what is allowed
//! for is never more than a quarter of the container, so that a level sensor that sinks without cause
//! cannot put the limit off for long.

use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Rest that makes one stretch: long enough for some draws of a top-off (common practice, no source).
const STRETCH: Span = Span::from_secs(8 * 3600);
/// Stretches that are remembered, and so many are needed.
const STRETCHES_MAX: usize = 7;
const STRETCHES_MIN: usize = 3;
/// Use goes up with the weather and the pump: half of it more is allowed for.
const MORE: f64 = 1.5;
/// Largest allowance as a share of the container.
const SHARE_MAX: f64 = 0.25;

/// The learned use.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Usage {
    /// Where the present rest began: when, and the level then.
    from: Option<(Mono, f64)>,
    /// The latest level of the present rest.
    last: Option<(Mono, f64)>,
    /// Rest of the present stretch that is over, and the litres that went in it.
    rested: Span,
    fallen: f64,
    /// Litres an hour of the last stretches, newest last.
    stretches: VecDeque<f64>,
}

impl Usage {
    /// Nothing runs; this is the level, if it is known.
    pub(super) fn rests(&mut self, now: Mono, level: Option<f64>) {
        let Some(level) = level else { return self.ends() };
        let (from, first) = *self.from.get_or_insert((now, level));
        self.last = Some((now, level));
        let rested = self.rested + now.since(from);
        if rested >= STRETCH {
            let fallen = self.fallen + first - level;
            if self.stretches.len() >= STRETCHES_MAX {
                self.stretches.pop_front();
            }
            self.stretches.push_back((fallen / (rested.minutes() / 60.0)).max(0.0));
            (self.rested, self.fallen) = (Span::ZERO, 0.0);
            self.from = self.last;
        }
    }

    /// Something runs, or the level is not known: the rest is over, and its hours count.
    pub(super) fn ends(&mut self) {
        if let (Some((from, first)), Some((until, last))) = (self.from.take(), self.last.take()) {
            self.rested = self.rested + until.since(from);
            self.fallen += first - last;
        }
    }

    /// Litres that will have been taken from a container of `volume` litres in so long, at most.
    pub(super) fn allowance(&self, of: Span, volume: f64) -> f64 {
        if self.stretches.len() < STRETCHES_MIN {
            return 0.0;
        }
        let all: f64 = self.stretches.iter().sum();
        let most = self.stretches.iter().copied().fold(0.0, f64::max);
        let per_hour = (all - most) / (self.stretches.len() - 1) as f64;
        (MORE * per_hour * of.minutes() / 60.0).min(SHARE_MAX * volume)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rests of so many hours with this use (L/h), a minute between looks, beginning at 100 L.
    fn rest(usage: &mut Usage, from: f64, hours: f64, per_hour: f64) -> f64 {
        for minute in 0..=(hours * 60.0) as i64 {
            let level = 100.0 - per_hour * minute as f64 / 60.0;
            let at = Mono::from_millis(((from * 60.0) as i64 + minute) * 60_000);
            usage.rests(at, Some(level));
        }
        from + hours
    }

    const DAY: Span = Span::from_secs(86_400);

    #[test]
    fn what_falls_at_rest_is_allowed_for_in_a_run() {
        let mut usage = Usage::default();
        let mut at = 0.0;
        for _ in 0..10 {
            // Rests of five hours: a stretch is made of several.
            at = rest(&mut usage, at, 5.0, 0.4) + 1.0;
            usage.ends();
        }
        let allowed = usage.allowance(DAY, 200.0);
        assert!((allowed - 1.5 * 0.4 * 24.0).abs() < 0.1, "{allowed}");
        assert_eq!(usage.allowance(Span::ZERO, 200.0), 0.0);
    }

    #[test]
    fn nothing_is_allowed_for_before_three_stretches() {
        let mut usage = Usage::default();
        rest(&mut usage, 0.0, 23.9, 0.4);
        assert_eq!(usage.allowance(DAY, 200.0), 0.0);
        rest(&mut usage, 24.0, 0.2, 0.4);
        assert!(usage.allowance(DAY, 200.0) > 0.0);
    }

    #[test]
    fn a_water_change_is_no_use_of_every_day() {
        let mut usage = Usage::default();
        rest(&mut usage, 0.0, 16.0, 0.2);
        rest(&mut usage, 16.1, 8.0, 10.0);
        rest(&mut usage, 24.2, 16.0, 0.2);
        let allowed = usage.allowance(DAY, 200.0);
        assert!(allowed < 1.5 * 0.25 * 24.0, "{allowed}");
    }

    #[test]
    fn a_level_that_rises_or_is_gone_takes_nothing() {
        let mut usage = Usage::default();
        rest(&mut usage, 0.0, 40.0, -0.5);
        assert_eq!(usage.allowance(DAY, 200.0), 0.0);
        let before = usage.clone();
        usage.rests(Mono::from_millis(200 * 3_600_000), None);
        usage.rests(Mono::from_millis(300 * 3_600_000), None);
        assert_eq!(usage.stretches, before.stretches);
    }

    #[test]
    fn never_more_than_a_quarter_of_the_container() {
        let mut usage = Usage::default();
        rest(&mut usage, 0.0, 40.0, 2.0);
        assert_eq!(usage.allowance(DAY, 60.0), 15.0);
    }
}
