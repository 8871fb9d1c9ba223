//! What the starts teach about standing, diverting, run length and flushing.
//!
//! A start's record says what one start was like. Here many are put together: how first water grows
//! with the time that the water stood (`process::creep`, reference sheet 4.1), what a start now would
//! bring and how much of it were better sent to the drain (4.3), how long a run should be (4.3), and
//! whether a flush before the start helps on this plant.
//!
//! Invariants: a start whose first water was not seen teaches nothing; a new membrane has no lessons;
//! about a flush nothing is said before both ways were tried in separate weeks, since water and
//! season change from week to week. Bound: [`LESSONS`].

use super::resin::NINETY;
use super::run::{Record, Run};
use super::{Results, Trend, of_plant};
use crate::engine::catalogue::SignalId;
use crate::engine::fit::washout::{Term, Washout};
use crate::engine::output::Datum;
use crate::engine::process::creep::{self, Standing, StandingPoint, fit_standing};
use crate::engine::process::shift::{Shift, shift};
use crate::engine::process::start::Axis;
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Now, Span};
use crate::engine::value::{self, NoReading, Valued};
use crate::settings::schema::Point;
use crate::units::{Litres, Quantity, Tds};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeSet, VecDeque};

/// Starts that are remembered.
const LESSONS: usize = 120;
/// Of these, the newest that tell how the creep grows with standing.
const STANDING_STARTS: usize = 60;
/// Starts with and without a flush, and weeks of each, before they are compared.
const FLUSH_STARTS: usize = 8;
const FLUSH_WEEKS: usize = 2;
/// A stop shorter than this says little about a flush where the growth with standing is not known.
const FLUSH_IDLE: Span = Span::from_secs(3600);
/// Extra salt below this is none that a display of whole ppm shows, mg.
const LEAST_SALT: f64 = 0.1;
/// A run should be at least this many settle volumes long: a third of it is first water then.
const RUN_SETTLES: f64 = 3.0;
const WEEK: f64 = 7.0 * 86_400.0;

/// One start.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Lesson {
    at: Mono,
    idle: Span,
    first: f64,
    settled: f64,
    feed: f64,
    /// Extra salt, mg.
    extra: Option<f64>,
    flushed: bool,
}

/// What is remembered of the starts.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Lessons {
    starts: VecDeque<Lesson>,
    standing: Option<Standing>,
    /// Wash-out of the last start that was fitted by litres.
    curve: Option<Washout>,
    /// The membrane was flushed since the last run.
    flushed: bool,
}

impl Lessons {
    /// The membrane is flushed, and no permeate is made.
    pub(super) fn flush_seen(&mut self) {
        self.flushed = true;
    }

    /// A run begins: was there a flush before it?
    pub(super) fn run_began(&mut self) -> bool {
        std::mem::take(&mut self.flushed)
    }

    /// Another membrane: nothing of the old one is true of it.
    pub(super) fn membrane_changed(&mut self) {
        *self = Self { flushed: self.flushed, ..Self::default() };
    }

    fn learn(&mut self, lesson: Lesson, curve: Option<Washout>) {
        if self.starts.len() == LESSONS {
            self.starts.pop_front();
        }
        self.starts.push_back(lesson);
        self.curve = curve.or(self.curve.take());
        // A flush before the stop makes another membrane of it: it does not say how this one stands.
        let plain: Vec<StandingPoint> = self
            .starts
            .iter()
            .rev()
            .filter(|start| !start.flushed)
            .take(STANDING_STARTS)
            .map(|start| StandingPoint {
                idle: start.idle,
                first: Tds::new(start.first),
                settled: Tds::new(start.settled),
                feed: Tds::new(start.feed),
            })
            .collect();
        self.standing = fit_standing(&plain).ok();
    }

    /// By how much less extra salt a start after a flush brings: the two groups on a logarithmic
    /// scale, each start by what the feed and its standing time make to be expected.
    fn flush(&self) -> Result<Shift, (usize, usize)> {
        let measure = |start: &Lesson| -> Option<f64> {
            let rise = match &self.standing {
                Some(standing) => standing.share_of_full(start.idle).get(),
                None if start.idle >= FLUSH_IDLE => 1.0,
                None => return None,
            };
            let expected = start.feed * rise;
            (expected > 0.0).then(|| (start.extra.unwrap_or(0.0).max(LEAST_SALT) / expected).ln())
        };
        let group = |flushed: bool| -> (Vec<f64>, usize) {
            let mut weeks = BTreeSet::new();
            let values = self
                .starts
                .iter()
                .filter(|start| start.flushed == flushed && start.extra.is_some())
                .filter_map(|start| {
                    let value = measure(start)?;
                    weeks.insert((start.at.since(Mono::ZERO).secs() / WEEK) as i64);
                    Some(value)
                })
                .collect();
            (values, weeks.len())
        };
        let ((with, with_weeks), (without, without_weeks)) = (group(true), group(false));
        let enough = with.len() >= FLUSH_STARTS
            && without.len() >= FLUSH_STARTS
            && with_weeks >= FLUSH_WEEKS
            && without_weeks >= FLUSH_WEEKS;
        let counts = (with.len(), without.len());
        enough.then(|| shift(&with, &without)).flatten().ok_or(counts)
    }
}

/// Share of the salt that a shift on the logarithmic scale saves.
fn saved(log: f64) -> f64 {
    1.0 - log.exp()
}

/// The finding about the flush in words.
fn flush_words(found: &Result<Shift, (usize, usize)>) -> String {
    match found {
        Err((0, _)) => "no start after a flush was seen".to_owned(),
        Err((with, without)) => format!(
            "cannot tell yet: {with} starts after a flush and {without} without one; {FLUSH_STARTS} of each in {FLUSH_WEEKS} weeks or more are needed"
        ),
        Ok(found) => {
            let percent = |log: f64| 100.0 * saved(log);
            let (middle, low, high) =
                (percent(found.middle), percent(found.high), percent(found.low));
            if low > 0.0 {
                format!(
                    "a flush saves about {middle:.0} % of the first water's salt ({low:.0} to {high:.0} %)"
                )
            } else if high < 0.0 {
                format!(
                    "starts after a flush bring {:.0} % more salt ({:.0} to {:.0} %): it does not help here",
                    -middle, -high, -low
                )
            } else {
                format!("no difference that shows ({low:.0} to {high:.0} % of the salt saved)")
            }
        }
    }
}

impl Trend {
    /// A start has its record.
    pub(super) fn lessons_of(
        &mut self,
        setup: &Setup,
        now: Now,
        run: &Run,
        record: &Record,
        out: &mut Results,
    ) {
        let feed = self.feed_level(setup, now).map(|feed| feed.value);
        let seen = (run.idle, &record.peak, &record.settled, feed);
        if let (Some(idle), Ok(peak), Ok(settled), Some(feed)) = seen
            && !run.joined
        {
            let lesson = Lesson {
                at: run.began,
                idle,
                first: peak.value,
                settled: settled.value,
                feed,
                extra: record.extra.as_ref().ok().map(|extra| extra.value),
                flushed: run.flushed,
            };
            let by_litres = record.start.axis == Axis::Litres;
            let curve = record.start.fit.as_ref().ok().filter(|_| by_litres).cloned();
            self.lessons.learn(lesson, curve);
        }
        self.publish_lessons(setup, now, out);
        let valve = setup.sensors_of(Point::Concentrate, Quantity::Open).next().is_some();
        // Without a valve that says so there is nothing to find out.
        if !valve && !self.lessons.starts.iter().any(|start| start.flushed) {
            return;
        }
        let found = self.lessons.flush();
        let saves = match &found {
            Ok(found) => {
                let u = (saved(found.low) - saved(found.high)) / NINETY;
                Ok(Valued::measured(saved(found.middle), u, now.mono))
            }
            Err(_) => Err(NoReading::Unsupported),
        };
        self.emitter.number(setup, now, of_plant(SignalId::FlushSaves), saves, &mut out.values);
        let words = Datum::Text(flush_words(&found));
        self.emitter.word(setup, now, of_plant(SignalId::FlushFinding), words, &mut out.values);
    }

    /// Tells what the lessons say of now; with each record and each hour.
    pub(super) fn publish_lessons(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let first = self.first_water_now(now);
        let divert = first.clone().and_then(|first| self.divert_now(setup, now, &first));
        let standing = self.lessons.standing.as_ref();
        let tau = standing.ok_or(NoReading::Unsupported).map(|standing| {
            let secs = standing.tau.secs();
            // The constant of a dozen scattered starts is good to a fifth at best (judgement).
            Valued::measured(secs, 0.2 * secs, now.mono)
        });
        let values: [(SignalId, value::Result<f64>); 4] = [
            (SignalId::CreepStandingTime, tau),
            (SignalId::CreepFirstNow, first),
            (SignalId::CreepDivertNow, divert),
            (SignalId::CreepBestRun, self.best_run(setup, now)),
        ];
        for (signal, value) in values {
            self.emitter.number(setup, now, of_plant(signal), value, &mut out.values);
        }
        for (signal, value) in self.resin.charge_litres(setup, now.mono) {
            self.emitter.number(setup, now, of_plant(signal), value, &mut out.values);
        }
    }

    /// First water if the plant started now.
    fn first_water_now(&self, now: Now) -> value::Result<f64> {
        let absent = NoReading::Unsupported;
        let standing = self.lessons.standing.as_ref().ok_or(absent)?;
        let last = self.lessons.starts.back().ok_or(absent)?;
        let idle = now.mono.since(self.idle_since.ok_or(absent)?);
        let settled = self.usual_settled().unwrap_or(last.settled);
        let first = standing.first_water(idle, Tds::new(settled), Tds::new(last.feed)).get();
        let u = standing.scatter * last.feed;
        Ok(Valued::measured(first, u, now.mono))
    }

    /// Litres that would be better sent to the drain then.
    fn divert_now(&self, setup: &Setup, now: Now, first: &Valued<f64>) -> value::Result<f64> {
        let costs = self.resin.costs(setup).ok_or(NoReading::NotConfigured)?;
        if costs.water_per_litre <= 0.0 {
            return Err(NoReading::NotConfigured);
        }
        let curve = self.lessons.curve.as_ref().ok_or(NoReading::Unsupported)?;
        let now_settled = self.usual_settled().unwrap_or(curve.settled);
        let was = curve.at(curve.origin) - curve.settled;
        let scale = (first.value - now_settled).max(0.0) / was.max(1e-9);
        let scaled = |term: Term| Term { amplitude: term.amplitude * scale, ..term };
        let expected = Washout {
            settled: now_settled,
            first: scaled(curve.first),
            second: curve.second.map(scaled),
            ..curve.clone()
        };
        let litres = creep::divert(&expected, costs).litres.get();
        Ok(Valued::measured(litres, 0.2 * litres, now.mono))
    }

    /// Run length that costs least. Nobody pays for keeping water, so what bounds it is the container
    /// and the age that water may reach; below it, what a start costs (sheet 4.3).
    fn best_run(&self, setup: &Setup, now: Now) -> value::Result<f64> {
        if setup.store.litres <= 0.0 {
            return Err(NoReading::NotConfigured);
        }
        let used = self.use_per_day(setup, now)?;
        let starts = self.lessons.starts.iter().filter_map(|start| start.extra);
        let extra = super::starts::median(starts).ok_or(NoReading::Unsupported)?;
        let constant = self.lessons.curve.as_ref().map(|curve| curve.first.constant);
        let least = RUN_SETTLES * constant.ok_or(NoReading::Unsupported)?;
        let kept = used.value * setup.limits.store.age_limit_days;
        let most = (setup.store.litres * ROOM).min(kept).max(least);
        // The price of resin decides whether, not how long: any price at all favours long runs.
        let each = extra.max(LEAST_SALT);
        let bounds = (Litres::new(least), Litres::new(most));
        let best = creep::best_run(Litres::new(used.value), each, 0.0, bounds);
        let litres = best.ok_or(NoReading::Unsupported)?.get();
        Ok(Valued { basis: used.basis, ..Valued::measured(litres, 0.2 * litres, now.mono) })
    }

    /// Middle of the last settled values.
    fn usual_settled(&self) -> Option<f64> {
        super::starts::median(self.settled_values.iter().copied())
    }
}

/// Share of the container between the stop and an emptiness that nobody wants.
const ROOM: f64 = 0.8;
