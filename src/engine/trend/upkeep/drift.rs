//! A probe of the membrane that drifts: seen in the salt passage, told apart by the feed.
//!
//! What the membrane lets through, at standard conditions, changes over months. A passage that begins to
//! rise or fall by as much every day while the flow at standard conditions stays is a probe (or, where
//! it rises, a seal that gives way slowly). If the feed's own reading moves the other way by as much,
//! it is the feed's probe: a tap that really changed would take the permeate with it. If the feed
//! stays, it is the permeate's, or the membrane: then the finding says so.
//!
//! When it began is not known, so every run may have been the last good one: of each the likelihood that
//! a straight rise began there is weighed against none and against a step (Willsky and Jones, "A
//! generalized likelihood ratio approach to the detection and estimation of jumps in linear systems",
//! IEEE Trans. Autom. Control 21 (1976) 108). The runs before it tell the level, however long ago;
//! what wanders slowly and what single runs scatter is taken out by the Kalman filter of a local level.
//!
//! Invariants: a step is no drift (a torn seal, another well), except where runs are so seldom that nobody
//! can tell; nothing is corrected, a handheld reading does that, and of what was seen before it only the
//! runs before the drift remain a measure; a new membrane begins anew.

use super::samples::Summary;
use crate::engine::catalogue::AlarmId;
use crate::engine::output::AlarmKey;
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::signal::hampel::MAD_OF_NORMAL;
use crate::engine::time::{Mono, Now, Span};
use crate::engine::trend::starts::median;
use crate::engine::trend::{Results, Trend};
use crate::settings::schema::Point;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Days looked back on, and days within which a drift has begun.
const DAYS: f64 = 90.0;
const BEGAN_DAYS: (f64, f64) = (4.0, 30.0);
/// Runs that tell anything, and runs since the beginning that tell a rise from a step.
const RUNS_MIN: usize = 3;
const RISE_RUNS: usize = 3;
/// A plant that fills a large container runs once or twice a week: after so many days without a run two
/// have to do, after so many one. A step within the latter cannot be told from a drift.
const SELDOM_DAYS: f64 = 4.0;
const ALONE_DAYS: f64 = 7.0;
/// Standard errors that the change must have: chance does that once in some thousand looks. Of seldom runs
/// one more, for a single run must not be able to tell a drift by being an odd one.
const SURE: f64 = 4.0;
const SURE_SELDOM: f64 = 5.0;
/// Scatter of a run where nothing was learned yet, least scatter, and deviations remembered and needed.
const SCATTER: f64 = 0.05;
const SCATTER_MIN: f64 = 0.015;
const DEVIATIONS_MAX: usize = 15;
const DEVIATIONS_MIN: usize = 4;
/// ln by which a passage wanders in the root of a day: seasons, age (judgement: 4 % in a hundred days).
const WANDER: f64 = 0.004;
/// A tap that changes by more than so many times the passage's change is what changed.
const TAP_CHANGES: f64 = 3.0;
/// Runs kept.
const RUNS: usize = 128;
/// Least and largest change of the logarithm since it began, and largest in a day: beyond, it is no drift.
const CHANGE: (f64, f64) = (0.07, 0.5);
const SLOPE_MAX: f64 = 0.04;
/// A run under way is looked at so often, once it has so many samples.
const LOOK_EVERY: Span = Span::from_secs(600);
const LOOK_SAMPLES: usize = 5;
/// Flow at standard conditions that counts as unchanged.
const FLOW_SAME: f64 = 0.07;
/// The feed's probe explains a change if the feed moved against it by more than this share; one that was
/// named is replaced by the other once its share is so far on the other side.
const FEED_SHARE: f64 = 0.5;
const FEED_SHARE_SURE: f64 = 0.15;
/// Logarithm of the odds from which on one of the two probes is named (three to one), pairs of earlier runs
/// that show how a tap moves by itself, and how far apart they are against the time looked at.
const TELLS: f64 = 1.1;
const TAP_PAIRS: usize = 3;
const TAP_APART: (f64, f64) = (0.6, 1.5);

/// Standard errors at which a drift is as likely as none: it is rare. From there on its change is doubtful
/// long before it is told.
const LIKELY: f64 = 2.5;
/// Standard uncertainty of a passage whose probe may have drifted, as a share of the change: the whole of it
/// lies within nineteen of twenty. A drift that is less likely than so counts by its share.
const DOUBT: f64 = 0.6;
const UNLIKELY: f64 = 0.3;
/// A probe that was found to drift goes on, also after a handheld reading has brought it back, until this
/// many days and runs have shown otherwise.
const GOES_ON_DAYS: f64 = 5.0;
const GOES_ON_SURE: f64 = 2.0;

/// One run.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Look {
    at: Mono,
    ln_passage: f64,
    ln_feed: f64,
    ln_flow: Option<f64>,
}

impl Look {
    /// What a run shows; `None` where it shows no passage.
    fn of(summary: &Summary, at: Mono) -> Option<Self> {
        let ln = |value: Option<f64>| value.filter(|value| *value > 0.0).map(f64::ln);
        Some(Self {
            at,
            ln_passage: ln(summary.middle.passage)?,
            ln_feed: ln(summary.middle.feed_ppm)?,
            ln_flow: ln(summary.middle.standard_flow),
        })
    }
}

/// Runs of the last weeks.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Drift {
    looks: VecDeque<Look>,
    /// By how much runs lay off the line between their neighbours, as standard deviations of one run.
    deviations: VecDeque<f64>,
    /// The drift that explains the runs best.
    likely: Option<Likely>,
    /// What it was when a handheld reading brought its probe back, and when that was.
    before: Option<(f64, Mono)>,
    /// How many times the readings of the permeate's and the feed's probe count since they were last
    /// measured by hand.
    counted: [f64; 2],
    /// When the run under way was last looked at.
    looked: Option<Mono>,
}

impl Default for Drift {
    fn default() -> Self {
        Self {
            looks: VecDeque::new(),
            deviations: VecDeque::new(),
            likely: None,
            before: None,
            counted: [1.0; 2],
            looked: None,
        }
    }
}

/// A change of so much a day since then, ln, and how likely it is one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Likely {
    a_day: f64,
    since: Mono,
    likely: f64,
}

/// By how much a day the passage moves, and what the feed did meanwhile.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Found {
    a_day: f64,
    passage: f64,
    feed_change: f64,
    days: f64,
    /// By how much the feed moved at most in as long a time before; `None`: not seen.
    tap: Option<f64>,
}

impl Drift {
    /// The membrane is another: nothing is a measure for it.
    fn begin_anew(&mut self) {
        *self = Self {
            deviations: std::mem::take(&mut self.deviations),
            counted: self.counted,
            ..Self::default()
        };
    }

    /// A probe was measured by hand. `changed`: it counts otherwise since. Where it was likely to drift it is
    /// what it was before, and goes on to drift if it is still `corrected`; else what was seen before is of
    /// another scale.
    fn measured(&mut self, now: Mono, changed: bool, corrected: bool) {
        let likely = self.likely.take().filter(|it| it.likely > UNLIKELY);
        match (likely, changed) {
            (Some(drift), true) => {
                self.looks.retain(|look| look.at <= drift.since);
                self.before = corrected.then_some((drift.a_day, now));
            }
            (None, false) => {}
            (_, changed) => {
                self.looks.clear();
                let goes_on = self.before.filter(|_| changed && corrected);
                self.before = goes_on.map(|(a_day, _)| (a_day, now));
            }
        }
    }

    /// Whether the passage rises, where it has likely drifted.
    pub(super) fn likely_rises(&self) -> Option<bool> {
        self.likely.filter(|it| it.likely > UNLIKELY).map(|it| it.a_day > 0.0)
    }

    /// Standard uncertainty of the passage's logarithm for what its probes may have drifted.
    pub(super) fn doubt(&self, now: Mono) -> f64 {
        let share = |it: &Likely| (it.likely / UNLIKELY).min(1.0);
        let likely = self.likely.map(|it| share(&it) * it.a_day * now.since(it.since).days());
        let before = self.before.map(|(a_day, since)| a_day * now.since(since).days());
        let most = [likely, before].into_iter().flatten().map(f64::abs).fold(0.0, f64::max);
        DOUBT * most.min(CHANGE.1)
    }

    fn push(&mut self, look: Look) {
        if self.looks.len() == RUNS {
            self.looks.pop_front();
        }
        self.looks.push_back(look);
        while self.looks.front().is_some_and(|first| look.at.since(first.at).days() > DAYS) {
            self.looks.pop_front();
        }
        self.learn_scatter();
    }

    /// What the run under way shows so far: as if it ended now, but for what single runs teach.
    fn so_far(&mut self, look: Look) {
        self.looked = Some(look.at);
        let mut ended = self.clone();
        ended.push(look);
        ended.find();
        self.likely = ended.likely;
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

    /// The drift that explains the runs best, if it is sure enough.
    fn find(&mut self) -> Option<Found> {
        self.likely = None;
        let count = self.looks.len();
        let last = self.looks.back()?.at;
        if count < RUNS_MIN {
            return None;
        }
        let days: Vec<f64> = self.looks.iter().map(|look| look.at.since(last).days()).collect();
        let level = Level::new(&days, self.scatter(), WANDER);
        let seen = |of: &dyn Fn(&Look) -> f64| level.innovations(self.looks.iter().map(of));
        let passage = seen(&|look| look.ln_passage);
        let since =
            |begin: f64| level.innovations(days.iter().map(move |day| (day - begin).max(0.0)));
        let step = (1..count)
            .map(|from| level.innovations((0..count).map(|at| f64::from(u8::from(at >= from)))))
            .map(|step| slope(&passage, &step).1)
            .fold(0.0, f64::max);
        let (from, rise, (a_day, sure)) = (0..count - 1)
            .map(|from| {
                let rise = since(days[from]);
                let fitted = slope(&passage, &rise);
                (from, rise, fitted)
            })
            .max_by(|a, b| a.2.1.total_cmp(&b.2.1))?;
        let days_since = -days[from];
        let change = a_day * days_since;
        let odds = |other: f64| ((other.powi(2) - sure.powi(2)) / 2.0).exp();
        self.likely = Some(Likely {
            a_day,
            since: self.looks[from].at,
            likely: 1.0 / (1.0 + odds(LIKELY) + odds(step)),
        });
        if -days[0] >= GOES_ON_DAYS && sure < GOES_ON_SURE {
            self.before = None;
        }
        let gap = days[count - 1] - days[count - 2];
        let is_sure = match count - 1 - from {
            1 => gap >= ALONE_DAYS && sure >= SURE_SELDOM,
            runs if runs < RISE_RUNS => gap >= SELDOM_DAYS && sure >= SURE_SELDOM && sure > step,
            _ => sure >= SURE && sure > step,
        };
        let within = |value: f64, (least, most): (f64, f64)| value >= least && value <= most;
        if !is_sure
            || !within(days_since, BEGAN_DAYS)
            || !within(change.abs(), CHANGE)
            || a_day.abs() > SLOPE_MAX
        {
            return None;
        }
        // Where the flow at standard conditions moves as well, it is the membrane.
        if self.looks.iter().all(|look| look.ln_flow.is_some()) {
            let flow = seen(&|look| look.ln_flow.unwrap_or_default());
            if (slope(&flow, &rise).0 * days_since).abs() > FLOW_SAME {
                return None;
            }
        }
        let feed_change = slope(&seen(&|look| look.ln_feed), &rise).0 * days_since;
        // A tap that moves by far more than the passage has changed, and what the passage made of it (a zero of
        // the permeate's probe, another water) is no drift.
        if feed_change.abs() > TAP_CHANGES * change.abs() {
            return None;
        }
        let tap = self.tap_before(from, days_since);
        Some(Found { a_day, passage: change, feed_change, days: days_since, tap })
    }

    /// How far the feed moved at most by itself over so many days before a run: a season that was quiet lately
    /// becomes as steep again as it was.
    fn tap_before(&self, from: usize, days: f64) -> Option<f64> {
        let before: Vec<&Look> = self.looks.iter().take(from + 1).collect();
        let (mut pairs, mut most) = (0, 0.0_f64);
        for (at, later) in before.iter().enumerate() {
            for earlier in &before[..at] {
                let apart = later.at.since(earlier.at).days() / days;
                if apart >= TAP_APART.0 && apart <= TAP_APART.1 {
                    pairs += 1;
                    most = most.max(((later.ln_feed - earlier.ln_feed) / apart).abs());
                }
            }
        }
        (pairs >= TAP_PAIRS).then_some(most)
    }
}

impl Found {
    /// By how much of the passage's change the feed moved against it.
    fn feed_share(&self) -> f64 {
        -self.feed_change / self.passage
    }

    /// Whether the feed says which of the two it is: a tap that moves as slowly by itself, as with the
    /// seasons, explains what it reads as well as a drift does. Odds of two normal distributions, of the feed's
    /// own movement with the passage's change in it and without.
    fn tells(&self) -> bool {
        let Some(tap) = self.tap else { return true };
        let (without, within) = (self.feed_change, self.feed_change + self.passage);
        (without.powi(2) - within.powi(2)).abs() >= 2.0 * tap * tap * TELLS
    }

    /// The feed's probe explains it. `named`: that of the feed is named already (or the permeate's).
    fn is_feed(&self, named: Option<bool>) -> bool {
        let least = match named {
            Some(true) => FEED_SHARE - FEED_SHARE_SURE,
            Some(false) => FEED_SHARE + FEED_SHARE_SURE,
            None => FEED_SHARE,
        };
        self.feed_share() > least
    }
}

/// The Kalman filter of a level that wanders, seen at these days with this scatter. It is linear, so that of
/// a sum (level and drift) it makes the sum of what it makes of each.
struct Level {
    /// Gain, and spread of the innovation, by run.
    steps: Vec<(f64, f64)>,
}

impl Level {
    fn new(days: &[f64], scatter: f64, wander: f64) -> Self {
        let seen = scatter * scatter;
        let mut variance = 0.0;
        let steps = (0..days.len()).map(|at| {
            if at == 0 {
                // Nothing is known before the first, which is taken as it is.
                variance = seen;
                return (1.0, f64::INFINITY);
            }
            variance += wander * wander * (days[at] - days[at - 1]);
            let whole = variance + seen;
            let gain = variance / whole;
            variance *= 1.0 - gain;
            (gain, whole.sqrt())
        });
        Self { steps: steps.collect() }
    }

    /// What each value tells beyond those before it, in its own spread.
    fn innovations(&self, values: impl Iterator<Item = f64>) -> Vec<f64> {
        let mut level = 0.0;
        let told = values.zip(&self.steps).map(|(value, (gain, spread))| {
            let new = value - level;
            level += gain * new;
            new / spread
        });
        told.collect()
    }
}

/// How much of a shape is in what was seen, and how many of its own standard errors that is.
fn slope(seen: &[f64], shape: &[f64]) -> (f64, f64) {
    let whole: f64 = shape.iter().map(|of| of * of).sum();
    if whole <= 0.0 {
        return (0.0, 0.0);
    }
    let part: f64 = seen.iter().zip(shape).map(|(seen, of)| seen * of).sum();
    (part / whole, part.abs() / whole.sqrt())
}

impl Trend {
    /// In the midst of a run: what its probes may have drifted since the last one is in doubt from now on.
    pub(super) fn doubt_drift(&mut self, now: Now) {
        let due = self.upkeep.drift.looked.is_none_or(|at| now.mono.since(at) >= LOOK_EVERY);
        if !due || !self.water.is_making() || self.is_running_in() {
            return;
        }
        let summary = self.upkeep.samples.summary().filter(|summary| summary.count >= LOOK_SAMPLES);
        if let Some(look) = summary.and_then(|summary| Look::of(&summary, now.mono)) {
            self.upkeep.drift.so_far(look);
        }
    }

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
        let Some(look) = Look::of(summary, now.mono).filter(|_| !self.is_running_in()) else {
            return;
        };
        self.upkeep.drift.push(look);
        let Some(found) = self.upkeep.drift.find() else { return };
        let key = |sensor: SensorIx| AlarmKey {
            alarm: AlarmId::ProbeDrift,
            of: u16::try_from(sensor).ok(),
        };
        let named = [(feed_probe, true), (permeate_probe, false)]
            .into_iter()
            .find(|(probe, _)| self.told.stands(key(*probe)));
        let tells = found.tells();
        if named.is_some() && !tells {
            return;
        }
        let feed = found.is_feed(named.map(|(_, feed)| feed));
        let (suspect, other) =
            if feed { (feed_probe, permeate_probe) } else { (permeate_probe, feed_probe) };
        match named {
            Some((probe, _)) if probe == suspect => return,
            Some((probe, _)) => {
                let text = format!(
                    "By what the feed has read since, it is sooner {}.",
                    setup.sensors[suspect].id
                );
                self.told.clear(key(probe), text, out);
            }
            None => {}
        }
        let (id, second) = (&setup.sensors[suspect].id, &setup.sensors[other].id);
        let why = if feed {
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
        let text = if tells {
            format!(
                "{id} seems to drift: salt passage at standard conditions moves by {:+.1} % a day, {:+.0} % in {:.0} days, with an unchanged flow, and {why}. Hold a handheld beside {id} first, then beside {second}, and enter the readings.",
                100.0 * found.a_day,
                100.0 * found.passage,
                found.days,
            )
        } else {
            format!(
                "{id} or {second} drifts, or the membrane lets more or less salt through; it cannot be told which: salt passage at standard conditions moves by {:+.1} % a day, {:+.0} % in {:.0} days, with an unchanged flow. The feed reads {:+.0} %, and it has moved by up to {:.0} % in as long a time before, as a tap does with the seasons. Hold a handheld beside both {id} and {second} and enter the readings; if both are right, a seal gives way slowly.",
                100.0 * found.a_day,
                100.0 * found.passage,
                found.days,
                100.0 * found.feed_change,
                100.0 * found.tap.unwrap_or_default(),
            )
        };
        self.told.raise(key(suspect), Some(found.a_day), None, text, out);
    }

    /// The probe was measured by hand, or the membrane is another.
    pub(super) fn drift_begins_anew(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: Option<usize>,
        out: &mut Results,
    ) {
        let of_membrane = |sensor: usize| {
            setup.sees_permeate(sensor)
                || matches!(setup.sensors[sensor].point, Point::Supply | Point::Feed)
        };
        match sensor.filter(|sensor| of_membrane(*sensor)) {
            Some(sensor) => {
                let correction = self.channels[sensor].correction();
                let is_feed = !setup.sees_permeate(sensor);
                let counted = &mut self.upkeep.drift.counted[usize::from(is_feed)];
                let changed = std::mem::replace(counted, correction) != correction;
                self.upkeep.drift.measured(now.mono, changed, correction != 1.0);
            }
            None if sensor.is_none() => self.upkeep.drift.begin_anew(),
            None => {}
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
        assert!(found.is_feed(None) && (found.a_day - 0.012).abs() < 0.004, "{found:?}");
    }

    /// Quiet weeks come first: the beginning of the drift lies within what is looked back on.
    #[test]
    fn a_drift_after_quiet_weeks_is_named_within_nine_days() {
        let since = |day: f64| 0.012 * (day - 30.0).max(0.0);
        assert_eq!(runs(31, since, |day| -since(day)), None);
        let found = runs(40, since, |day| -since(day)).expect("10 %");
        assert!(found.is_feed(None), "{found:?}");
    }

    /// Long before it is told, nineteen of twenty hold what the probe has drifted away, and so they do after a
    /// handheld reading has brought it back, until some runs have shown that it stays.
    #[test]
    fn what_may_have_drifted_is_in_the_uncertainty() {
        let at = |day: i64| Mono::from_millis(day * 86_400_000);
        let mut drift = Drift::default();
        let run = |drift: &mut Drift, day: i64, away: f64| {
            let noise = [0.01, -0.015, 0.005, 0.02, -0.02][day as usize % 5];
            drift.push(Look {
                at: at(day),
                ln_passage: away + noise,
                ln_feed: 5.0,
                ln_flow: Some(0.3 * noise),
            });
            drift.find().is_some()
        };
        for day in 0..30 {
            assert!(!run(&mut drift, day, 0.0));
            assert!(drift.doubt(at(day)) < 0.02, "day {day}: {}", drift.doubt(at(day)));
        }
        let mut under_way = drift.clone();
        let away = 0.12;
        under_way.so_far(Look { at: at(40), ln_passage: away, ln_feed: 5.0, ln_flow: Some(0.0) });
        assert!(1.96 * under_way.doubt(at(40)) >= 0.9 * away, "{}", under_way.doubt(at(40)));
        assert_eq!(under_way.looks.len(), drift.looks.len());
        for day in 31..45 {
            let away = 0.012 * (day - 30) as f64;
            run(&mut drift, day, away);
            let held = away < 0.08 || 1.96 * drift.doubt(at(day)) >= 0.9 * away;
            assert!(held, "day {day}: {away} away, {}", drift.doubt(at(day)));
        }
        drift.measured(at(45), true, true);
        assert_eq!(drift.doubt(at(45)), 0.0);
        assert!(1.96 * drift.doubt(at(50)) > 0.9 * 0.012 * 5.0, "{}", drift.doubt(at(50)));
        for day in 46..56 {
            run(&mut drift, day, 0.0);
        }
        assert!(drift.doubt(at(56)) < 0.02, "{}", drift.doubt(at(56)));
        for day in 56..70 {
            run(&mut drift, day, 0.012 * (day - 56) as f64);
        }
        assert!(drift.doubt(at(70)) > 0.08);
        // A reading that agrees with a probe in doubt leaves the other, and nothing to compare with.
        let mut other = drift.clone();
        other.measured(at(70), false, false);
        assert_eq!((other.doubt(at(80)), other.looks.len()), (0.0, 0));
        drift.begin_anew();
        assert_eq!(drift.doubt(at(80)), 0.0);
    }

    /// A tap with a season moves as slowly as a probe drifts: then nobody can tell without a handheld, whether
    /// the membrane wears, the permeate's probe gains, or the feed's loses.
    #[test]
    fn a_tap_with_a_season_leaves_open_which_probe_it_is() {
        let season = |day: f64| 0.3 * (day * std::f64::consts::TAU / 80.0).sin();
        let since = |day: f64| 0.012 * (day - 30.0).max(0.0);
        let worn = runs(45, since, season).expect("wear is found");
        assert!(!worn.tells(), "{worn:?}");
        // A quiet tap: each is told, whichever it is.
        let feed = runs(45, since, |day| -since(day)).expect("found");
        assert!(feed.tells() && feed.is_feed(None), "{feed:?}");
        let permeate = runs(45, since, |_| 5.0).expect("found");
        assert!(permeate.tells() && !permeate.is_feed(None), "{permeate:?}");
        // Without earlier runs the tap's ways are unknown, and the likelier one is named.
        let early = runs(14, |day| 0.012 * day, |_| 5.0).expect("found");
        assert!(early.tells(), "{early:?}");
    }

    /// A probe that was named stays so until the other explains more.
    #[test]
    fn the_other_probe_is_named_when_the_feed_has_moved_since() {
        let found = |feed_change: f64| Found {
            a_day: 0.01,
            passage: 0.1,
            feed_change,
            days: 10.0,
            tap: None,
        };
        for (feed_change, named, feed) in [
            (-0.06, None, true),
            (-0.06, Some(false), false),
            (-0.07, Some(false), true),
            (-0.04, None, false),
            (-0.04, Some(true), true),
            (-0.03, Some(true), false),
            (0.06, None, false),
        ] {
            assert_eq!(found(feed_change).is_feed(named), feed, "{feed_change} {named:?}");
        }
    }

    #[test]
    fn a_permeate_probe_that_gains_is_named_within_two_weeks() {
        let found = runs(14, |day| 0.012 * day, |_| 5.0).expect("17 %");
        assert!(!found.is_feed(None), "{found:?}");
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
        assert!(found.is_feed(None) && day > 0.0 && day <= 15.0, "day {day}: {found:?}");
        let (day, found) = seldom(since, |_| 5.0).expect("a permeate probe");
        assert!(!found.is_feed(None) && day > 0.0 && day <= 15.0, "day {day}: {found:?}");
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
