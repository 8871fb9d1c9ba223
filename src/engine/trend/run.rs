//! One run of the plant, from the first water to the last.
//!
//! Invariants: a start has one record, written when the water has settled (and a little longer, so
//! that the settled value rests on something) or when the run ends; the axis is permeate volume
//! wherever a flow is known, minutes only where none is; a run that was under way when the daemon
//! came has no first water.

use crate::engine::fit::display::Display;
use crate::engine::process::learned::Learned;
use crate::engine::process::start::{Axis, Conditions, SettledRule, Start, Trace, analyse};
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Span, Wall};
use crate::engine::value::{self, Basis, Flag, NoReading, Reason, Valued};
use crate::units::{Litres, Tds};
use serde::{Deserialize, Serialize};

/// Flow in L/min that stands for the unknown one where litres have to be turned into minutes.
/// Common practice, no source: a small home membrane in cool water.
const NOMINAL_FLOW: f64 = 0.15;
/// A start that has not settled after this many litres gets its record all the same.
const RECORD_LITRES: f64 = 40.0;
/// Litres after which water without a probe counts as settled, in lengths of the rule.
const BLIND_LENGTHS: f64 = 2.0;

/// Where the water settled.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Settled {
    /// When it was seen to be.
    pub(super) at: Mono,
    /// Permeate since the start then, or minutes.
    pub(super) x: f64,
}

/// A run under way.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Run {
    pub(super) began: Mono,
    pub(super) wall: Option<Wall>,
    /// How long the water stood before, if that is known.
    pub(super) idle: Option<Span>,
    /// Live permeate litres at the start.
    pub(super) from_litres: f64,
    /// Proven permeate litres at the start.
    #[serde(default)]
    pub(super) from_total: f64,
    /// Enough has flowed for a start; before that it may be a drop that a closed float lets through.
    #[serde(default = "proven")]
    pub(super) proven: bool,
    /// The run was under way when the daemon started: its first water was not seen.
    pub(super) joined: bool,
    /// Litres from the moment on at which the flow is known to move; minutes before, and where no
    /// flow is ever known.
    axis: Axis,
    by_litres: Option<Trace>,
    by_minutes: Option<Trace>,
    /// First reading on the litre axis: where, and what.
    first: Option<(f64, f64)>,
    pub(super) settled: Option<Settled>,
    /// The record has been written.
    pub(super) recorded: bool,
    /// Next analysis in the settling test is worth its cost from here on.
    next_try: f64,
    /// Permeate went to the drain before the resin during the first water.
    pub(super) first_diverted: bool,
    /// The membrane was flushed between the run before and this one.
    #[serde(default)]
    pub(super) flushed: bool,
}

/// Runs of snapshots from before counted as starts at once.
const fn proven() -> bool {
    true
}

/// How a start reads, with uncertainties.
#[derive(Clone, Debug)]
pub(super) struct Record {
    pub(super) start: Start,
    pub(super) peak: value::Result<f64>,
    pub(super) settled: value::Result<f64>,
    pub(super) settle_volume: value::Result<f64>,
    pub(super) settle_secs: value::Result<f64>,
    pub(super) extra: value::Result<f64>,
    /// mg that the first reading misses of the water before it: curve less the reading held.
    pub(super) before_first: f64,
}

/// What the probe and the meter may be wrong by, relative.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gains {
    pub(super) probe: f64,
    pub(super) meter: f64,
    pub(super) litres: Basis,
}

impl Run {
    pub(super) fn new(began: Mono, wall: Option<Wall>, from_litres: f64) -> Self {
        Self {
            began,
            wall,
            idle: None,
            from_litres,
            from_total: from_litres,
            proven: false,
            joined: false,
            axis: Axis::Minutes,
            by_litres: None,
            by_minutes: None,
            first: None,
            settled: None,
            recorded: false,
            next_try: 0.0,
            first_diverted: false,
            flushed: false,
        }
    }

    /// Where the run is: litres since the start, or minutes.
    pub(super) fn x(&self, now: Mono, live_litres: f64) -> f64 {
        match self.axis {
            Axis::Litres => (live_litres - self.from_litres).max(0.0),
            Axis::Minutes => now.since(self.began).minutes(),
        }
    }

    /// Turns litres into the run's axis.
    fn on_axis(&self, litres: f64) -> f64 {
        match self.axis {
            Axis::Litres => litres,
            Axis::Minutes => litres / NOMINAL_FLOW,
        }
    }

    /// Takes a cleaned reading of the permeate under these conditions; the feed is also the ceiling of
    /// first water. `learned`: what earlier starts taught.
    pub(super) fn reading(
        &mut self,
        setup: &Setup,
        at: Mono,
        live_litres: f64,
        (display, shown): (Display, f64),
        conditions: Conditions,
        learned: &Learned,
    ) {
        let Some(reading) = Tds::checked(shown) else { return };
        if self.recorded {
            return;
        }
        let litres = Litres::new((live_litres - self.from_litres).max(0.0));
        if litres.get() > 0.0 {
            self.axis = Axis::Litres;
            self.first.get_or_insert((litres.get(), shown));
        }
        let x = self.x(at, live_litres);
        let age = at.since(self.began);
        for (axis, trace) in
            [(Axis::Litres, &mut self.by_litres), (Axis::Minutes, &mut self.by_minutes)]
        {
            let trace = trace.get_or_insert_with(|| Trace::new(axis, display));
            trace.push(litres, age, reading, conditions);
        }
        let over = self.on_axis(setup.limits.stages.settled_litres);
        if self.settled.is_none() && x >= over.max(self.next_try) {
            // The fit costs more than all the rest: not at every reading.
            self.next_try = (x + over / 8.0).max(1.1 * x);
            let reached = self
                .analyse(setup, at, (display, learned), conditions.feed)
                .is_some_and(|start| start.settled.is_ok());
            if reached {
                self.settled = Some(Settled { at, x });
            }
        }
    }

    /// The newest first water: when the run began, seconds since then, ppm.
    pub(super) fn first_water(&self) -> Option<(Wall, f64, f64)> {
        let (minutes, ppm) = self.by_minutes.as_ref()?.newest()?;
        Some((self.wall?, 60.0 * minutes, ppm))
    }

    /// Without a probe in the permeate the water counts as settled after a volume alone.
    pub(super) fn without_probe(&mut self, setup: &Setup, at: Mono, live_litres: f64) {
        if live_litres > self.from_litres {
            self.axis = Axis::Litres;
        }
        let x = self.x(at, live_litres);
        let enough = BLIND_LENGTHS * setup.limits.stages.settled_litres;
        if self.settled.is_none() && x >= self.on_axis(enough) {
            self.settled = Some(Settled { at, x });
        }
    }

    /// The record is due: settled and a tail seen, or too long without.
    pub(super) fn record_due(&self, setup: &Setup, now: Mono, live_litres: f64) -> bool {
        if self.recorded {
            return false;
        }
        let x = self.x(now, live_litres);
        let over = setup.limits.stages.settled_litres;
        match self.settled {
            Some(settled) => x >= (3.0 * settled.x).max(settled.x + 2.0 * self.on_axis(over)),
            None => x >= self.on_axis(RECORD_LITRES.max(4.0 * over)),
        }
    }

    fn analyse(
        &self,
        setup: &Setup,
        now: Mono,
        (display, learned): (Display, &Learned),
        feed: Option<f64>,
    ) -> Option<Start> {
        let limits = &setup.limits.stages;
        let rule = SettledRule {
            slope: Tds::checked(limits.settled_slope_ppm)?,
            over: Litres::checked(limits.settled_litres)?,
            over_time: Span::from_secs_f64(60.0 * limits.settled_litres / NOMINAL_FLOW),
        };
        let trace = self.trace()?;
        let of = (self.axis, trace.kind());
        let known = learned.known(now, of, display.least(), NOMINAL_FLOW);
        analyse(trace, rule, &known, feed.and_then(Tds::checked))
    }

    /// What this start was like; `None` without a single reading.
    pub(super) fn record(
        &self,
        setup: &Setup,
        now: Mono,
        (display, learned): (Display, &Learned),
        feed: Option<f64>,
        gains: Gains,
    ) -> Option<Record> {
        let start = self.analyse(setup, now, (display, learned), feed)?;
        let step_u = display.variance().sqrt();
        let absent = NoReading::Unsupported;
        let of_gain = |value: f64, u: f64| u.hypot(value * gains.probe);
        let on_litres = |value: f64, u: f64| Valued {
            basis: gains.litres,
            ..Valued::measured(value, u.hypot(value * gains.meter), now)
        };
        let peak = start.peak.get();
        let mut record = Record {
            peak: Ok(Valued::measured(peak, of_gain(peak, step_u), now)),
            settled: start
                .settled
                .map(|level| Valued::measured(level.value, of_gain(level.value, level.u), now))
                .map_err(|_| absent),
            settle_volume: match (start.axis, start.settle_at) {
                (Axis::Minutes, _) => Err(NoReading::NotConfigured),
                (Axis::Litres, None) => Err(absent),
                // A tenth of itself: what a curve at whole ppm can tell (judgement).
                (Axis::Litres, Some(x)) => Ok(on_litres(x, 0.1 * x)),
            },
            settle_secs: start
                .settle_time
                .map(|time| Valued::measured(time.secs(), 0.1 * time.secs(), now))
                .ok_or(absent),
            extra: match (&start.extra, start.axis) {
                (_, Axis::Minutes) => Err(NoReading::NotConfigured),
                (None, _) => Err(absent),
                (Some(extra), _) => {
                    let salt = extra.salt.get();
                    let valued = on_litres(salt, of_gain(salt, extra.u.get()));
                    Ok(if extra.so_far {
                        valued.doubt(Flag::Suspect, Reason::NotSettled)
                    } else {
                        valued
                    })
                }
            },
            before_first: 0.0,
            start,
        };
        if self.joined {
            for value in [
                &mut record.peak,
                &mut record.settle_volume,
                &mut record.settle_secs,
                &mut record.extra,
            ] {
                *value = Err(absent);
            }
            return Some(record);
        }
        if let (Axis::Litres, Ok(curve), Some((x, y))) =
            (record.start.axis, &record.start.fit, self.first)
        {
            let seen = curve.excess(0.0, x) + curve.settled * x;
            let most = feed.map_or(f64::INFINITY, |feed| 1.1 * feed * x);
            record.before_first = (seen.min(most) - display.middle(y) * x).max(0.0);
        }
        Some(record)
    }

    /// The trace on the run's axis.
    fn trace(&self) -> Option<&Trace> {
        match self.axis {
            Axis::Litres => self.by_litres.as_ref(),
            Axis::Minutes => self.by_minutes.as_ref(),
        }
    }

    /// Readings in the trace.
    pub(super) fn readings(&self) -> usize {
        self.trace().map_or(0, Trace::len)
    }
}
