//! A probe of the membrane that drifts: seen in the salt passage, told apart by the feed.
//!
//! What the membrane lets through, at standard conditions, changes over months. A passage that rises
//! or falls steadily within two weeks while the flow at standard conditions stays is a probe (or, where
//! it rises, a seal that gives way slowly). If the feed's own reading moves the other way by as much,
//! it is the feed's probe: a tap that really changed would take the permeate with it. If the feed
//! stays, it is the permeate's, or the membrane: then the finding says so. Slope and its interval by
//! Theil and Sen ([`crate::engine::process::trend`]).
//!
//! Invariants: a step is no drift (a torn seal, another well); nothing is corrected, a handheld reading
//! does that; a new membrane and a handheld reading begin anew.

use super::samples::Summary;
use crate::engine::catalogue::AlarmId;
use crate::engine::output::AlarmKey;
use crate::engine::process::trend::{Point as At, theil_sen};
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Mono, Now};
use crate::engine::trend::{Results, Trend};
use crate::settings::schema::Point;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Days looked back on, and least days and runs that tell a drift.
const DAYS: f64 = 13.0;
const DAYS_MIN: f64 = 6.0;
const RUNS_MIN: usize = 6;
/// Runs kept.
const RUNS: usize = 256;
/// Least change of the logarithm within the window, and largest in a day: beyond, it is no drift.
const CHANGE_MIN: f64 = 0.09;
const SLOPE_MAX: f64 = 0.04;
/// Share of the change that may happen between one run and the next.
const STEP_SHARE: f64 = 0.6;
/// Flow at standard conditions that counts as unchanged.
const FLOW_SAME: f64 = 0.07;
/// Coverage of the slope's interval: chance may look like a drift once in some hundred looks, and the
/// change must be large as well.
const COVERAGE: f64 = 0.99;

/// One run.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Look {
    at: Mono,
    ln_passage: f64,
    ln_feed: f64,
    ln_flow: Option<f64>,
}

/// Runs of the last weeks.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Drift {
    looks: VecDeque<Look>,
}

/// Which probe is more likely to drift, and by how much a day the passage moves.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Found {
    feed: bool,
    a_day: f64,
    passage: f64,
    feed_change: f64,
}

impl Drift {
    pub(super) fn begin_anew(&mut self) {
        self.looks.clear();
    }

    fn push(&mut self, look: Look) {
        if self.looks.len() == RUNS {
            self.looks.pop_front();
        }
        self.looks.push_back(look);
        while self.looks.front().is_some_and(|first| look.at.since(first.at).days() > DAYS) {
            self.looks.pop_front();
        }
    }

    fn find(&self) -> Option<Found> {
        let last = self.looks.back()?;
        let span = last.at.since(self.looks.front()?.at).days();
        if self.looks.len() < RUNS_MIN || span < DAYS_MIN {
            return None;
        }
        let of = |value: &dyn Fn(&Look) -> Option<f64>| -> Vec<At> {
            self.looks
                .iter()
                .filter_map(|look| Some(At { x: look.at.since(last.at).days(), y: value(look)? }))
                .collect()
        };
        let passage = of(&|look| Some(look.ln_passage));
        let line = theil_sen(&passage, COVERAGE)?;
        let change = line.slope * span;
        let sure = line.low > 0.0 || line.high < 0.0;
        if !sure || change.abs() < CHANGE_MIN || line.slope.abs() > SLOPE_MAX {
            return None;
        }
        // A step: neighbours' middles that lie further apart than the drift could bring.
        let middle = |part: &[At]| {
            let mut values: Vec<f64> = part.iter().map(|p| p.y).collect();
            values.sort_by(f64::total_cmp);
            values[values.len() / 2]
        };
        let third = passage.len() / 3;
        let parts = [
            middle(&passage[..third]),
            middle(&passage[third..2 * third]),
            middle(&passage[2 * third..]),
        ];
        let steps = [parts[1] - parts[0], parts[2] - parts[1]];
        // Both thirds must move the same way, and neither by far the most of it.
        let whole = steps[0] + steps[1];
        let uneven = steps.iter().any(|step| step / whole > 0.5 + 0.5 * STEP_SHARE);
        if whole * change <= 0.0 || uneven {
            return None;
        }
        let flow = of(&|look| look.ln_flow);
        if flow.len() >= RUNS_MIN
            && let Some(line) = theil_sen(&flow, COVERAGE)
            && (line.slope * span).abs() > FLOW_SAME
        {
            return None;
        }
        let feed_line = theil_sen(&of(&|look| Some(look.ln_feed)), COVERAGE)?;
        let feed_change = feed_line.slope * span;
        // The feed's probe explains it if the feed moved against the passage by more than half.
        let feed = feed_change * change < 0.0 && feed_change.abs() > 0.5 * change.abs();
        Some(Found { feed, a_day: line.slope, passage: change, feed_change })
    }
}

impl Trend {
    /// A run is over: does one of the membrane's probes drift?
    pub(super) fn judge_drift(
        &mut self,
        setup: &Setup,
        now: Now,
        summary: &Summary,
        out: &mut Results,
    ) {
        let probes = |point| setup.solids_at(point).next();
        let feed_probe = probes(Point::Feed).or(probes(Point::Supply));
        let (Some(feed_probe), Some(permeate_probe)) = (feed_probe, probes(Point::Permeate)) else {
            return;
        };
        let (Some(passage), Some(feed)) = (summary.middle.passage, summary.middle.feed_ppm) else {
            return;
        };
        if passage <= 0.0 || feed <= 0.0 || self.is_running_in() {
            return;
        }
        self.upkeep.drift.push(Look {
            at: now.mono,
            ln_passage: passage.ln(),
            ln_feed: feed.ln(),
            ln_flow: summary.middle.standard_flow.filter(|flow| *flow > 0.0).map(f64::ln),
        });
        let Some(found) = self.upkeep.drift.find() else { return };
        let (suspect, other) =
            if found.feed { (feed_probe, permeate_probe) } else { (permeate_probe, feed_probe) };
        let key = |sensor: SensorIx| AlarmKey {
            alarm: AlarmId::ProbeDrift,
            of: u16::try_from(sensor).ok(),
        };
        if self.told.stands(key(suspect)) || self.told.stands(key(other)) {
            return;
        }
        let (id, second) = (&setup.sensors[suspect].id, &setup.sensors[other].id);
        let why = if found.feed {
            format!(
                "the feed reads {:+.0} % and the permeate did not follow, which a tap that really changed would make it do",
                100.0 * found.feed_change
            )
        } else {
            format!(
                "the feed did not move with it ({:+.0} %); if {id} is right, a seal gives way slowly",
                100.0 * found.feed_change
            )
        };
        let text = format!(
            "{id} seems to drift: salt passage at standard conditions moves by {:+.1} % a day, {:+.0} % in two weeks, with an unchanged flow, and {why}. Hold a handheld beside {id} first, then beside {second}, and enter the readings.",
            100.0 * found.a_day,
            100.0 * found.passage,
        );
        self.told.raise(key(suspect), Some(found.a_day), None, text, out);
    }

    /// The probe was measured by hand, or the membrane is another: what was seen before is no measure.
    pub(super) fn drift_begins_anew(
        &mut self,
        setup: &Setup,
        sensor: Option<usize>,
        out: &mut Results,
    ) {
        let of_membrane = |sensor: usize| {
            matches!(setup.sensors[sensor].point, Point::Supply | Point::Feed | Point::Permeate)
        };
        if sensor.is_none_or(of_membrane) {
            self.upkeep.drift.begin_anew();
        }
        for other in 0..setup.sensors.len() {
            if sensor.is_none_or(|sensor| sensor == other) {
                let of = u16::try_from(other).ok();
                let key = AlarmKey { alarm: AlarmId::ProbeDrift, of };
                self.told.clear(key, "Measured by hand, or another membrane.".to_owned(), out);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A run every day for `days`; logarithms of passage and feed by day.
    fn runs(days: i64, passage: impl Fn(f64) -> f64, feed: impl Fn(f64) -> f64) -> Option<Found> {
        let mut drift = Drift::default();
        let mut found = None;
        for day in 0..days {
            let x = day as f64;
            let noise = [0.01, -0.015, 0.005, 0.02, -0.02][day as usize % 5];
            drift.push(Look {
                at: Mono::from_millis(day * 86_400_000),
                ln_passage: passage(x) + noise,
                ln_feed: feed(x) + 0.5 * noise,
                ln_flow: Some(0.3 * noise),
            });
            found = found.or(drift.find());
        }
        found
    }

    #[test]
    fn a_feed_probe_that_loses_gain_is_named_within_two_weeks() {
        let found = runs(14, |day| 0.012 * day, |day| -0.012 * day).expect("17 %");
        assert!(found.feed && (found.a_day - 0.012).abs() < 0.004, "{found:?}");
    }

    #[test]
    fn a_permeate_probe_that_gains_is_named_within_two_weeks() {
        let found = runs(14, |day| 0.012 * day, |_| 5.0).expect("17 %");
        assert!(!found.feed, "{found:?}");
    }

    #[test]
    fn another_tap_a_torn_seal_a_steady_plant_and_slow_wear_are_no_drift() {
        let tap = |day: f64| 5.0 + 0.012 * day;
        assert_eq!(runs(60, |_| 0.0, tap), None, "the tap moves and the permeate follows");
        let seal = |day: f64| if day < 30.0 { 0.0 } else { 0.9 };
        assert_eq!(runs(60, seal, |_| 5.0), None, "a step");
        assert_eq!(runs(60, |_| 0.0, |_| 5.0), None, "nothing");
        assert_eq!(runs(120, |day| 0.001 * day, |_| 5.0), None, "3 % a month is age");
    }

    #[test]
    fn a_flow_that_moves_too_is_the_membrane() {
        let mut drift = Drift::default();
        for day in 0..14i64 {
            drift.push(Look {
                at: Mono::from_millis(day * 86_400_000),
                ln_passage: 0.012 * day as f64,
                ln_feed: 5.0,
                ln_flow: Some(0.01 * day as f64),
            });
        }
        assert_eq!(drift.find(), None);
    }
}
