//! Upkeep: what a person has to do next and by when: water, filters, membrane, probes, money.
//!
//! Purpose: everything of the trend path that moves in minutes to months rather than with each
//! reading. It is stepped at most once a minute and works on cleaned readings and running litres.
//! Invariants: nothing here touches the guard's state (the one finding that trips goes through the
//! engine, as a trip of the guard); missing data raises nothing about water and clears nothing; each
//! sub-module keeps its state bounded.

mod account;
mod alive;
mod blame;
mod checks;
mod contradictions;
mod cost;
mod drift;
mod feed;
mod parts;
mod plan;
mod samples;
mod store;
mod water;

use self::samples::Sample;
use super::run::Run;
use super::water::Flow;
use super::{Results, Trend};
use crate::engine::catalogue::SignalId;
use crate::engine::event::{Calendar, ChangeAt, ServiceEntry};
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Mono, Now, Span};
use crate::engine::value::Basis;
use crate::settings::schema::{PartKind, Point};
use crate::units::Quantity;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Stepped at most so often while something moves, and at least so often while nothing does.
const EVERY: Span = Span::from_secs(60);
const IDLE_EVERY: Span = Span::from_secs(900);
/// Starts whose extra salt is remembered.
const EXTRAS: usize = 16;

/// State of all upkeep.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Upkeep {
    at: Option<Mono>,
    calendar: Calendar,
    /// The last planned change.
    change_before: Option<ChangeAt>,
    store: store::Store,
    /// Litres into the container, running: product that did not go to the drain.
    inflow: f64,
    product: Option<f64>,
    /// Flow of the last runs.
    rates: VecDeque<plan::RunRate>,
    samples: samples::Samples,
    /// Whether runs lie in the band of the float.
    #[serde(default)]
    band: samples::Band,
    accounts: Vec<account::Account>,
    /// Running litres of supply, permeate and product up to which the accounts reach.
    counted: Option<[f64; 3]>,
    parts_at: Option<Mono>,
    /// Total chlorine of the tap, and behind the carbon, by the last test.
    chlorine: Option<f64>,
    chlorine_behind: Option<f64>,
    /// Water temperature and supply flow of the last run.
    last_celsius: Option<f64>,
    last_supply: Option<f64>,
    raw_flow: account::Series,
    pressure: account::Series,
    feed: feed::Feed,
    drift: drift::Drift,
    /// Ids of the sensors that contradict others.
    suspects: Vec<String>,
    /// Sensors in the wrong order in the settled water of this run.
    out_of_order: Vec<contradictions::Pair>,
    contradicted_runs: u32,
    unbalanced_runs: u32,
    /// Litres of supply, permeate and concentrate where the run began.
    run_totals: Option<[f64; 3]>,
    /// Product litres since which the product probe has read zero.
    zero_from: Option<f64>,
    /// Charge at which a handheld last agreed with it.
    proven_at: f64,
    /// Charge at which a handheld was asked for.
    doubted_at: Option<f64>,
    /// Whether the product probe shows the first water of starts.
    #[serde(default)]
    first_water: alive::FirstWater,
    flush_since: Option<Mono>,
    compared: Vec<checks::Compared>,
    runs: VecDeque<checks::RunLitres>,
    /// Extra salt of the last starts, mg.
    extra: VecDeque<f64>,
    /// Since when, and from which product litres on, the plant is known.
    began: Option<Mono>,
    began_product: f64,
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
        if self.upkeep.began.is_none() {
            self.upkeep.began = Some(now.mono);
            self.upkeep.began_product = self.water.live(Flow::Product);
        }
        if self.water.is_making() {
            self.mark_run();
        }
        self.sample(setup, now);
        self.doubt_drift(now);
        self.look_at_order(setup);
        self.step_water(setup, now, out);
        let parts_at = self.upkeep.parts_at;
        self.step_parts(setup, now, out);
        if self.upkeep.parts_at != parts_at {
            self.publish_costs(setup, now, out);
            self.publish_lessons(setup, now, out);
        }
        self.step_checks(setup, now, out);
        self.step_product_probe(setup, now, out);
    }

    /// The sensor contradicts others.
    pub(super) fn is_suspect(&self, id: &str) -> bool {
        self.upkeep.suspects.iter().any(|suspect| suspect == id)
    }

    /// Standard uncertainty of the passage's logarithm for what its probes may have drifted.
    pub(super) fn drift_doubt(&self, now: Now) -> f64 {
        self.upkeep.drift.doubt(now.mono)
    }

    /// The salt passage has likely drifted as it would if this probe read more and more (`above`) or
    /// less and less.
    pub(super) fn drifts_towards(&self, setup: &Setup, sensor: SensorIx, above: bool) -> bool {
        let Some(rises) = self.upkeep.drift.likely_rises() else { return false };
        match setup.sensors[sensor].point {
            _ if setup.sees_permeate(sensor) => rises == above,
            Point::Supply | Point::Feed => rises != above,
            _ => false,
        }
    }

    /// Extra salt of a start.
    pub(super) fn upkeep_extra(&mut self, mg: f64) {
        if self.upkeep.extra.len() == EXTRAS {
            self.upkeep.extra.pop_front();
        }
        self.upkeep.extra.push_back(mg);
    }

    /// A service entry, beside what the rest of the trend path makes of it.
    pub(super) fn upkeep_service(
        &mut self,
        setup: &Setup,
        now: Now,
        entry: &ServiceEntry,
        out: &mut Results,
    ) {
        let part = |id: &str| setup.parts.iter().position(|part| part.id == id);
        match entry {
            ServiceEntry::PartChanged { part: id, .. }
            | ServiceEntry::LagToLead { fresh: id, .. } => {
                if let Some(ix) = part(id) {
                    self.part_renewed(setup, now, ix, out);
                    let kind = setup.parts[ix].kind;
                    if kind == PartKind::Membrane {
                        self.drift_begins_anew(setup, now, None, out);
                    }
                    if kind.is_vessel() {
                        self.first_water_anew(out);
                    }
                }
            }
            ServiceEntry::TapAnalysis { chlorine_mg_per_litre, .. } => {
                let chlorine = chlorine_mg_per_litre.filter(|c| c.is_finite() && *c >= 0.0);
                self.upkeep.chlorine = chlorine.or(self.upkeep.chlorine);
            }
            ServiceEntry::Handheld { sensor, value, .. } => {
                let known = setup.sensors.iter().find(|known| known.id == *sensor);
                let pure = known.filter(|probe| probe.is_solids()).map(|probe| {
                    let shown = probe.unit.to_canonical(*value);
                    let ppm = match probe.quantity {
                        Quantity::Tds => shown * setup.ppm_factor / probe.ppm_factor,
                        _ => shown * setup.ppm_factor,
                    };
                    ppm <= setup.limits.product.limit_ppm
                });
                self.probe_compared(setup, now, sensor, pure, out);
            }
            _ => {}
        }
        self.upkeep.at = None;
        self.upkeep.parts_at = None;
        self.upkeep_step(setup, now, out);
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
        let settled = |signal: SignalId| self.membrane.good(signal);
        let sample = Sample {
            permeate: flow(Flow::Permeate),
            supply: flow(Flow::Supply),
            celsius: self.temperature_near(setup, now.mono, Point::Feed).map(|t| t.value),
            feed_bar: feed_bar.map(|bar| bar.value),
            supply_bar: supply_bar.map(|bar| bar.value),
            drop_u,
            feed_ppm: self.feed_measured(setup, now),
            standard_flow: settled(SignalId::PermeateFlowNormalised),
            passage: if self.membrane.normalised {
                settled(SignalId::SaltPassageNormalised)
            } else {
                settled(SignalId::SaltPassage)
            },
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
        let summary = self.upkeep.samples.summary();
        self.judge_flows(setup, now, run, out);
        self.judge_contradictions(setup, run, out);
        self.judge_first_water(setup, now, run, out);
        if let Some(summary) = &summary {
            self.learn_rate(summary);
            self.learn_feed(setup, now, summary, out);
            self.judge_drift(setup, now, summary, out);
            self.learn_parts(setup, now, summary, out);
        }
        let litres = self.water.live(Flow::Permeate) - run.from_litres;
        if !run.joined {
            self.judge_short_runs(setup, now, litres, summary.as_ref(), out);
        }
        self.upkeep.samples.clear();
    }

    /// The daemon has started after `away`.
    pub(super) fn upkeep_started(&mut self, away: Option<Span>) {
        self.upkeep.store.away(away);
        self.upkeep.samples.clear();
        self.upkeep.run_totals = None;
        self.upkeep.out_of_order.clear();
        self.upkeep.at = None;
        self.upkeep.parts_at = None;
    }
}
