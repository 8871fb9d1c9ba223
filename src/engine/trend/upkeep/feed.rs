//! The tap: usual dissolved solids, temperature and pressure, their span over the seasons, and steps.

use super::samples::Summary;
use crate::engine::catalogue::{AlarmId, SignalId};
use crate::engine::output::AlarmKey;
use crate::engine::process::trend::significant_break;
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Now};
use crate::engine::trend::starts::median;
use crate::engine::trend::{Results, Trend, of_plant};
use crate::engine::value::{self, NoReading, Valued};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Days kept: a year and a month.
const DAYS: usize = 400;
/// Days that make the usual value.
const USUAL_DAYS: usize = 28;
/// Days that a season's span needs, and a step on each side.
const SPAN_DAYS: usize = 14;
const STEP_DAYS: usize = 3;

/// One day in which water was made.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Day {
    day: i64,
    ppm: f64,
    celsius: Option<f64>,
    bar: Option<f64>,
}

/// Days of the tap.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Feed {
    days: VecDeque<Day>,
}

impl Feed {
    fn push(&mut self, at: Mono, ppm: f64, celsius: Option<f64>, bar: Option<f64>) {
        let day = at.millis().div_euclid(86_400_000);
        if self.days.back().is_some_and(|last| last.day == day) {
            self.days.pop_back();
        }
        if self.days.len() == DAYS {
            self.days.pop_front();
        }
        self.days.push_back(Day { day, ppm, celsius, bar });
    }

    fn recent(&self) -> impl Iterator<Item = &Day> {
        self.days.iter().rev().take(USUAL_DAYS)
    }

    fn usual(&self) -> Option<f64> {
        (self.days.len() >= STEP_DAYS).then(|| median(self.recent().map(|day| day.ppm))).flatten()
    }

    /// The last days over the usual value.
    pub(super) fn ratio(&self) -> Option<f64> {
        let usual = self.usual().filter(|usual| *usual > 0.0)?;
        let now = median(self.days.iter().rev().take(STEP_DAYS).map(|day| day.ppm))?;
        Some(now / usual)
    }

    /// Quantiles of all days.
    fn span(&self) -> Option<(f64, f64)> {
        if self.days.len() < SPAN_DAYS {
            return None;
        }
        let mut sorted: Vec<f64> = self.days.iter().map(|day| day.ppm).collect();
        sorted.sort_by(f64::total_cmp);
        let at = |share: f64| sorted[(share * (sorted.len() - 1) as f64).round() as usize];
        Some((at(0.05), at(0.95)))
    }

    /// A lasting step within the last weeks: level before and after.
    fn step(&self, display_step: f64, share: f64) -> Option<(f64, f64)> {
        let mut values: Vec<f64> = self.recent().map(|day| day.ppm).collect();
        values.reverse();
        let found = significant_break(&values, display_step.max(0.5))?;
        let lasts = values.len() - found.index >= STEP_DAYS && found.index >= STEP_DAYS;
        let large = found.before > 0.0 && (found.after / found.before - 1.0).abs() >= share;
        (lasts && large).then_some((found.before, found.after))
    }
}

impl Trend {
    /// A run is over: what the tap gave.
    pub(super) fn learn_feed(
        &mut self,
        setup: &Setup,
        now: Now,
        summary: &Summary,
        out: &mut Results,
    ) {
        let Some(ppm) = summary.middle.feed_ppm else { return };
        self.upkeep.feed.push(now.mono, ppm, summary.middle.celsius, summary.middle.feed_bar);
        let feed = &self.upkeep.feed;
        let usual = feed.usual();
        let plain = |value: Option<f64>| -> value::Result<f64> {
            value
                .map(|value| Valued::measured(value, 0.03 * value.abs(), now.mono))
                .ok_or(NoReading::Unsupported)
        };
        let values = [
            (SignalId::FeedUsual, plain(usual)),
            (SignalId::FeedLow, plain(feed.span().map(|(low, _)| low))),
            (SignalId::FeedHigh, plain(feed.span().map(|(_, high)| high))),
            (SignalId::FeedTemperature, plain(median(feed.recent().filter_map(|day| day.celsius)))),
            (SignalId::FeedPressure, plain(median(feed.recent().filter_map(|day| day.bar)))),
        ];
        let share = setup.limits.stages.feed_step_share;
        let step = feed.step(1.0, share);
        for (signal, value) in values {
            self.emitter.number(setup, now, of_plant(signal), value, &mut out.values);
        }
        let key = AlarmKey::plant(AlarmId::FeedStep);
        match step {
            Some((before, after)) => {
                let ratio = after / before;
                let resin = if setup.vessels().is_empty() {
                    "the permeate will follow".to_owned()
                } else {
                    format!("each charge of resin will last about {:.0} % as long", 100.0 / ratio)
                };
                let text = format!(
                    "The tap has changed from {before:.0} to {after:.0} ppm and stays there: {resin}, and rejection says nothing new about the membrane. Ask the supplier whether the well has changed, and enter a new tap analysis (alkalinity, pH, chlorine).",
                );
                self.told.raise(key, Some(after), Some(before), text, out);
            }
            None => {
                let text = "The tap has been steady for four weeks.".to_owned();
                self.told.clear(key, text, out);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_well_is_a_step_and_the_tap_s_own_swing_is_none() {
        let mut feed = Feed::default();
        let at = |day: i64| Mono::from_millis(day * 86_400_000);
        for day in 0..28 {
            let swing = [0.0, 9.0, -7.0, 4.0, -12.0, 6.0, 0.0][day as usize % 7];
            feed.push(at(day), 240.0 + swing, Some(12.0), None);
        }
        assert_eq!(feed.step(1.0, 0.3), None);
        for day in 28..38 {
            feed.push(at(day), 360.0 + (day % 3) as f64, Some(12.0), None);
        }
        let (before, after) = feed.step(1.0, 0.3).expect("a step");
        assert!((before - 240.0).abs() < 5.0 && (after - 361.0).abs() < 5.0, "{before} {after}");
        for day in 38..70 {
            feed.push(at(day), 360.0 + (day % 3) as f64, Some(12.0), None);
        }
        assert_eq!(feed.step(1.0, 0.3), None, "the new level has become the usual one");
    }
}
