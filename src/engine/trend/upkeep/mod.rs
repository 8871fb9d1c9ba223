//! Upkeep: what a person has to do next and by when: water, filters, membrane, probes, money.
//!
//! Purpose: everything of the trend path that moves in minutes to months rather than with each
//! reading. It is stepped at most once a minute and works on cleaned readings and running litres.
//! Invariants: nothing here touches the guard's state (the one finding that trips goes through the
//! engine, as a trip of the guard); missing data raises nothing about water and clears nothing; each
//! sub-module keeps its state bounded.

mod plan;
mod samples;
mod store;
mod water;

use self::samples::Sample;
use super::run::Run;
use super::water::Flow;
use super::{Results, Trend};
use crate::engine::catalogue::SignalId;
use crate::engine::event::Calendar;
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Now, Span};
use crate::engine::value::Basis;
use crate::settings::schema::Point;
use crate::units::Quantity;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Stepped at most so often while something moves, and at least so often while nothing does.
const EVERY: Span = Span::from_secs(60);
const IDLE_EVERY: Span = Span::from_secs(900);

/// State of all upkeep.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Upkeep {
    at: Option<Mono>,
    calendar: Calendar,
    /// When the last planned change was.
    last_change: Option<crate::engine::time::Wall>,
    store: store::Store,
    /// Litres into the container, running: product that did not go to the drain.
    inflow: f64,
    product: Option<f64>,
    /// Flow of the last runs.
    rates: VecDeque<plan::RunRate>,
    samples: samples::Samples,
}

impl Upkeep {
    /// When the next step is due.
    pub(super) fn due(&self, flowing: bool) -> Option<Mono> {
        let every = if flowing { EVERY } else { IDLE_EVERY };
        self.at.map(|at| at + every)
    }
}

impl Trend {
    /// Steps all upkeep if it is due.
    pub(super) fn upkeep_step(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let every = if self.standing.flowing { EVERY } else { IDLE_EVERY };
        // While nothing flows a word of the level sensor still counts as soon as a minute is over.
        let wait = if setup.store.litres > 0.0 { EVERY } else { every };
        if self.upkeep.at.is_some_and(|at| now.mono.since(at) < wait) {
            return;
        }
        self.upkeep.at = Some(now.mono);
        self.sample(setup, now);
        self.step_water(setup, now, out);
    }

    /// Looks at the running plant.
    fn sample(&mut self, setup: &Setup, now: Now) {
        let Some(run) = self.run.as_ref().filter(|_| self.water.is_making()) else { return };
        let age = now.mono.since(run.began);
        let flow = |flow| self.water.flow(setup, now.mono, flow).map(|valued| valued.value);
        let pressure = |point| self.at_point(setup, now, point, Quantity::Pressure);
        let (supply_bar, feed_bar) = (pressure(Point::Supply), pressure(Point::Feed));
        let drop_u = match (&supply_bar, &feed_bar) {
            (Some(supply), Some(feed)) => supply.u.hypot(feed.u),
            _ => 0.0,
        };
        // What the membrane shows of settled water stays until the next settled water.
        let is_settled = run.settled.is_some();
        let settled = |signal: SignalId| self.membrane.good(signal).filter(|_| is_settled);
        let sample = Sample {
            permeate: flow(Flow::Permeate),
            supply: flow(Flow::Supply),
            celsius: self.temperature_near(setup, now.mono, Point::Feed).map(|t| t.value),
            feed_bar: feed_bar.map(|bar| bar.value),
            supply_bar: supply_bar.map(|bar| bar.value),
            drop_u,
            feed_ppm: self.feed_measured(setup, now),
            standard_flow: settled(SignalId::PermeateFlowNormalised),
            passage: settled(SignalId::SaltPassageNormalised)
                .or_else(|| settled(SignalId::SaltPassage)),
            recovery: settled(SignalId::Recovery),
        };
        self.upkeep.samples.look(age, sample);
    }

    /// Feed by its own probe; a declared one says nothing about the tap.
    fn feed_measured(&self, setup: &Setup, now: Now) -> Option<f64> {
        self.feed_level(setup, now)
            .filter(|level| level.basis == Basis::Measured)
            .map(|level| level.value)
    }

    /// A run is over.
    pub(super) fn upkeep_run_ended(
        &mut self,
        setup: &Setup,
        now: Now,
        run: &Run,
        out: &mut Results,
    ) {
        let _ = (setup, now, run, out);
        if let Some(summary) = self.upkeep.samples.summary() {
            self.learn_rate(&summary);
        }
        self.upkeep.samples.clear();
    }

    /// The daemon has started after `away`.
    pub(super) fn upkeep_started(&mut self, away: Option<Span>) {
        self.upkeep.store.away(away);
        self.upkeep.samples.clear();
        self.upkeep.at = None;
    }
}
