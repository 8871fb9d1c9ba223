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
use crate::engine::process::trend::{Point as At, TheilSen, theil_sen};
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::signal::hampel::MAD_OF_NORMAL;
use crate::engine::time::{Mono, Now};
use crate::engine::trend::starts::median;
use crate::engine::trend::{Results, Trend};
use crate::settings::schema::Point;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Days looked back on, and least days and runs that tell a drift by their own scatter.
const DAYS: f64 = 13.0;
const DAYS_LATELY: [f64; 3] = [DAYS, 10.0, 8.0];
const DAYS_MIN: f64 = 6.0;
const RUNS_MIN: usize = 6;
/// A plant that fills a large container runs once or twice a week, for many hours, and each run is known to a
/// few per cent: there so many runs within so many days tell it, by the scatter that its runs had before.
const FEW_MIN: usize = 3;
const FEW_DAYS: f64 = 20.0;
/// Scatter of a run where nothing was learned yet, least scatter, and deviations remembered and needed.
const SCATTER: f64 = 0.05;
const SCATTER_MIN: f64 = 0.015;
const DEVIATIONS_MAX: usize = 15;
const DEVIATIONS_MIN: usize = 4;
/// Standard errors that the change of few runs must have: as rare as the interval of many, over more looks.
const FEW_SURE: f64 = 3.3;
/// A tap that changes by more than so many times the passage's change is what changed.
const TAP_CHANGES: f64 = 2.0;
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
    /// By how much runs lay off the line between their neighbours, as standard deviations of one run.
    deviations: VecDeque<f64>,
}

/// Which probe is more likely to drift, and by how much a day the passage moves.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Found {
    feed: bool,
    a_day: f64,
    passage: f64,
    feed_change: f64,
    days: f64,
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
        while self.looks.front().is_some_and(|first| look.at.since(first.at).days() > FEW_DAYS) {
            self.looks.pop_front();
        }
        self.learn_scatter();
    }

    /// How far the run before the last lies off the line between its neighbours: a drift leaves that alone.
    fn learn_scatter(&mut self) {
        let mut lately = self.looks.iter().rev();
        let (Some(c), Some(b), Some(a)) = (lately.next(), lately.next(), lately.next()) else {
            return;
        };
        let whole = c.at.since(a.at).days();
        if whole <= 0.0 {
            return;
        }
        let share = b.at.since(a.at).days() / whole;
        let between = (1.0 - share) * a.ln_passage + share * c.ln_passage;
        let wide = (1.0 + share * share + (1.0 - share).powi(2)).sqrt();
        if self.deviations.len() >= DEVIATIONS_MAX {
            self.deviations.pop_front();
        }
        self.deviations.push_back((b.ln_passage - between).abs() / wide);
    }

    /// Scatter of one run: of the deviations the middle, on the scale of a normal distribution.
    fn scatter(&self) -> f64 {
        if self.deviations.len() < DEVIATIONS_MIN {
            return SCATTER;
        }
        let middle = median(self.deviations.iter().copied()).unwrap_or(0.0);
        (middle / MAD_OF_NORMAL).max(SCATTER_MIN)
    }

    /// The change is beyond chance: by the scatter of the runs themselves where they are many, else by that of
    /// the runs before.
    fn is_sure(&self, passage: &[At], line: &TheilSen, span: f64) -> bool {
        if passage.len() >= RUNS_MIN {
            return line.low > 0.0 || line.high < 0.0;
        }
        let middle = passage.iter().map(|point| point.x).sum::<f64>() / passage.len() as f64;
        let spread: f64 = passage.iter().map(|point| (point.x - middle).powi(2)).sum();
        (line.slope * span).abs() >= FEW_SURE * self.scatter() * span / spread.sqrt()
    }

    fn find(&self) -> Option<Found> {
        let last = self.looks.back()?.at;
        let within =
            |days: f64| self.looks.iter().filter(|look| last.since(look.at).days() <= days).count();
        if within(DAYS) >= RUNS_MIN {
            // A drift that began within the window bends it: shorter ones see it straight.
            return DAYS_LATELY
                .into_iter()
                .map(within)
                .filter(|runs| *runs >= RUNS_MIN)
                .find_map(|runs| self.find_in(runs));
        }
        // Few: a drift may have begun with any of them.
        (FEW_MIN..=self.looks.len()).find_map(|runs| self.find_in(runs))
    }

    /// Looks at the last so many runs.
    fn find_in(&self, runs: usize) -> Option<Found> {
        let from = self.looks.len().checked_sub(runs)?;
        let last = self.looks.back()?;
        let span = last.at.since(self.looks.get(from)?.at).days();
        if span < DAYS_MIN {
            return None;
        }
        let of = |value: &dyn Fn(&Look) -> Option<f64>| -> Vec<At> {
            self.looks
                .range(from..)
                .filter_map(|look| Some(At { x: look.at.since(last.at).days(), y: value(look)? }))
                .collect()
        };
        let passage = of(&|look| Some(look.ln_passage));
        let line = theil_sen(&passage, COVERAGE)?;
        let change = line.slope * span;
        if !self.is_sure(&passage, &line, span)
            || change.abs() < CHANGE_MIN
            || line.slope.abs() > SLOPE_MAX
        {
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
        if flow.len() >= runs.min(RUNS_MIN)
            && let Some(line) = theil_sen(&flow, COVERAGE)
            && (line.slope * span).abs() > FLOW_SAME
        {
            return None;
        }
        let feed_line = theil_sen(&of(&|look| Some(look.ln_feed)), COVERAGE)?;
        let feed_change = feed_line.slope * span;
        // A tap that moves by far more than the passage has changed, and what the passage made of it (a zero of
        // the permeate's probe, another water) is no drift.
        if feed_change.abs() > TAP_CHANGES * change.abs() {
            return None;
        }
        // The feed's probe explains it if the feed moved against the passage by more than half.
        let feed = feed_change * change < 0.0 && feed_change.abs() > 0.5 * change.abs();
        Some(Found { feed, a_day: line.slope, passage: change, feed_change, days: span })
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
            "{id} seems to drift: salt passage at standard conditions moves by {:+.1} % a day, {:+.0} % in {:.0} days, with an unchanged flow, and {why}. Hold a handheld beside {id} first, then beside {second}, and enter the readings.",
            100.0 * found.a_day,
            100.0 * found.passage,
            found.days,
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

    /// Quiet weeks come first: the beginning of the drift lies within what is looked back on.
    #[test]
    fn a_drift_after_quiet_weeks_is_named_within_nine_days() {
        let since = |day: f64| 0.012 * (day - 30.0).max(0.0);
        assert_eq!(runs(31, since, |day| -since(day)), None);
        let found = runs(39, since, |day| -since(day)).expect("10 %");
        assert!(found.feed, "{found:?}");
    }

    #[test]
    fn a_permeate_probe_that_gains_is_named_within_two_weeks() {
        let found = runs(14, |day| 0.012 * day, |_| 5.0).expect("17 %");
        assert!(!found.feed, "{found:?}");
    }

    /// The same with a run each five days, as a large container makes it, after some quiet weeks.
    fn seldom(passage: impl Fn(f64) -> f64, feed: impl Fn(f64) -> f64) -> Option<(f64, Found)> {
        let mut drift = Drift::default();
        for (run, day) in (0..24).map(|run| (run, 5.0 * run as f64)) {
            let noise = [0.01, -0.015, 0.005, 0.02, -0.02][run % 5];
            drift.push(Look {
                at: Mono::from_millis((day * 86_400_000.0) as i64),
                ln_passage: passage(day - 60.0) + noise,
                ln_feed: feed(day - 60.0) + 0.5 * noise,
                ln_flow: Some(0.3 * noise),
            });
            if let Some(found) = drift.find() {
                return Some((day - 60.0, found));
            }
        }
        None
    }

    #[test]
    fn a_plant_that_seldom_runs_is_told_too() {
        let since = |day: f64| 0.012 * day.max(0.0);
        let (day, found) = seldom(since, |day| -since(day)).expect("a feed probe");
        assert!(found.feed && day > 0.0 && day <= 15.0, "day {day}: {found:?}");
        let (day, found) = seldom(since, |_| 5.0).expect("a permeate probe");
        assert!(!found.feed && day > 0.0 && day <= 15.0, "day {day}: {found:?}");
        let seal = |day: f64| if day < 0.0 { 0.0 } else { 0.3 };
        assert_eq!(seldom(seal, |_| 5.0), None, "a step");
        assert_eq!(seldom(|_| 0.0, since), None, "the tap moves and the permeate follows");
        assert_eq!(seldom(|_| 0.0, |_| 5.0), None, "nothing");
        // A winter's tap that halves, and a permeate of which a zero is a part.
        let tap = |day: f64| -0.05 * day.clamp(0.0, 14.0);
        assert_eq!(seldom(|day| -0.2 * tap(day), tap), None, "the tap has changed");
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
