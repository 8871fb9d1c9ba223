//! Sensors against each other. A suspect is named; no reading is ever made better by it.
//!
//! In settled water and for mixed beds product, between, permeate and feed stand in this order; a
//! spent bed may give more than it gets, so that order is not asked for once one is seen to be.
//! Pressures fall along the line unless a pump stands between; three metered flows close. Two settled
//! runs in a row make a finding. A product probe that has never left zero while the accounts say that
//! all resin is spent is not believed: a handheld is asked for first, later the plant stops.

use crate::engine::catalogue::AlarmId;
use crate::engine::output::AlarmKey;
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::Now;
use crate::engine::trend::run::Run;
use crate::engine::trend::water::Flow;
use crate::engine::trend::{Results, Trend};
use crate::engine::value::Valued;
use crate::settings::schema::{PartKind, Point, Role};
use crate::units::Quantity;
use serde::{Deserialize, Serialize};

/// Runs in a row.
const RUNS: u32 = 2;
/// Combined standard uncertainties that two sensors may differ by (DEFAULTS).
const APART: f64 = 3.0;
/// Charge beyond the latest possible exhaustion at which a silent zero stops the plant (DEFAULTS:
/// 1890 of 1450).
const TRIP_AT: f64 = 1.3;
/// Litres that the probe must have read zero for.
const ZERO_LITRES: f64 = 50.0;
/// A proven probe is asked again after so much more charge.
const PROVEN_FOR: f64 = 1.15;

impl Trend {
    /// A settled run is over: do the sensors agree?
    pub(super) fn judge_contradictions(&mut self, setup: &Setup, run: &Run, out: &mut Results) {
        if run.settled.is_none() || self.is_running_in() {
            return;
        }
        // The levels are gone with the run: what they showed last while it lasted.
        let mut pairs = std::mem::take(&mut self.upkeep.out_of_order);
        pairs.extend(self.pressures_out_of_order(setup));
        if pairs.is_empty() {
            self.upkeep.contradicted_runs = 0;
            if !self.upkeep.suspects.is_empty() {
                self.upkeep.suspects.clear();
                for sensor in 0..setup.sensors.len() {
                    let of = u16::try_from(sensor).ok();
                    let key = AlarmKey { alarm: AlarmId::SensorContradicted, of };
                    self.told.clear(key, "The sensors agree again.".to_owned(), out);
                }
            }
            return;
        }
        self.upkeep.contradicted_runs = self.upkeep.contradicted_runs.saturating_add(1);
        if self.upkeep.contradicted_runs < RUNS {
            return;
        }
        // The one that stands in most contradictions; where two stand in the same number, both.
        let votes = |sensor: SensorIx| {
            pairs.iter().filter(|pair| pair.low == sensor || pair.high == sensor).count()
        };
        let involved: Vec<SensorIx> = (0..setup.sensors.len()).filter(|&s| votes(s) > 0).collect();
        let most = involved.iter().map(|&sensor| votes(sensor)).max().unwrap_or(0);
        let suspects: Vec<SensorIx> =
            involved.into_iter().filter(|&sensor| votes(sensor) == most).collect();
        let worst = &pairs[0];
        let (low, high) = (&setup.sensors[worst.low], &setup.sensors[worst.high]);
        for &sensor in &suspects {
            let id = &setup.sensors[sensor].id;
            if !self.upkeep.suspects.contains(id) {
                self.upkeep.suspects.push(id.clone());
            }
            let who = if suspects.len() == 1 {
                format!("{id} contradicts its neighbours")
            } else {
                format!("{id} or another is wrong")
            };
            let text = format!(
                "{who}: in settled water {} reads {:.1} and {} reads {:.1}, which cannot be in this order, in two runs in a row. Nothing is believed to be better for it. Hold a handheld beside {id} and enter the reading.",
                low.id, worst.values.0, high.id, worst.values.1,
            );
            let key =
                AlarmKey { alarm: AlarmId::SensorContradicted, of: u16::try_from(sensor).ok() };
            self.told.raise(key, Some(worst.values.0), Some(worst.values.1), text, out);
        }
    }

    /// Looks at the order while settled water flows.
    pub(super) fn look_at_order(&mut self, setup: &Setup) {
        if self.water.is_making() && self.run.as_ref().is_some_and(|run| run.settled.is_some()) {
            self.upkeep.out_of_order = self.solids_out_of_order(setup);
        }
    }

    fn solids_out_of_order(&self, setup: &Setup) -> Vec<Pair> {
        let mixed = setup.vessels().iter().all(|&part| setup.parts[part].kind == PartKind::Mixed);
        let spent = [AlarmId::LeadBegun, AlarmId::LeadSpent, AlarmId::ProductReadingSuspect]
            .into_iter()
            .any(|alarm| self.told.stands(AlarmKey::plant(alarm)));
        let order = [Point::Product, Point::Between, Point::Permeate, Point::Feed];
        let levels: Vec<(SensorIx, Point, Valued<f64>)> = order
            .into_iter()
            .filter_map(|point| {
                let sensor = setup.solids_at(point).next()?;
                let probe = &setup.sensors[sensor];
                let level = self.channels[sensor].settled_level(probe)?;
                let u = level.u.hypot(probe.gain_u * level.value);
                Some((sensor, point, Valued { u, ..level }))
            })
            .collect();
        let mut pairs = Vec::new();
        for (at, (low, low_point, low_level)) in levels.iter().enumerate() {
            for (high, high_point, high_level) in &levels[at + 1..] {
                let through_resin =
                    matches!(low_point, Point::Product | Point::Between) && low_point != high_point;
                if through_resin && (spent || !mixed) {
                    continue;
                }
                let u = low_level.u.hypot(high_level.u);
                if low_level.value - high_level.value > APART * u {
                    pairs.push(Pair {
                        low: *low,
                        high: *high,
                        values: (low_level.value, high_level.value),
                    });
                }
            }
        }
        pairs
    }

    fn pressures_out_of_order(&self, setup: &Setup) -> Vec<Pair> {
        if setup.actuators_of(Role::Pump).next().is_some() {
            return Vec::new();
        }
        let Some(summary) = self.upkeep.samples.summary() else { return Vec::new() };
        let ends = (summary.middle.supply_bar, summary.middle.feed_bar);
        let (Some(supply), Some(feed)) = ends else { return Vec::new() };
        let at = |point| setup.sensors_of(point, Quantity::Pressure).next();
        match (at(Point::Feed), at(Point::Supply)) {
            (Some(low), Some(high)) if feed - supply > APART * summary.middle.drop_u.max(0.01) => {
                vec![Pair { low, high, values: (feed, supply) }]
            }
            _ => Vec::new(),
        }
    }

    /// Three metered flows over the run.
    pub(super) fn judge_flows(&mut self, setup: &Setup, now: Now, run: &Run, out: &mut Results) {
        let streams = [Flow::Supply, Flow::Permeate, Flow::Concentrate];
        let totals = streams.map(|flow| self.water.total(flow));
        let began = self.upkeep.run_totals.take();
        if !streams.iter().all(|&flow| self.water.is_metered(setup, now.mono, flow)) {
            return;
        }
        let Some(began) = began else { return };
        let [supply, permeate, concentrate] =
            std::array::from_fn(|index| totals[index] - began[index]);
        if supply < 5.0 || run.joined {
            return;
        }
        let gain = |points: &[Point]| {
            setup
                .sensors
                .iter()
                .find(|sensor| sensor.quantity.is_meter() && points.contains(&sensor.point))
                .map_or(0.03, |sensor| sensor.gain_u)
        };
        let u = (supply * gain(&[Point::Supply, Point::Feed]))
            .hypot(permeate * gain(&[Point::Permeate]))
            .hypot(concentrate * gain(&[Point::Concentrate]));
        let missing = supply - permeate - concentrate;
        let key = AlarmKey::plant(AlarmId::FlowBalanceOff);
        if missing.abs() > APART * u {
            self.upkeep.unbalanced_runs = self.upkeep.unbalanced_runs.saturating_add(1);
            if self.upkeep.unbalanced_runs >= RUNS {
                let look = if missing > 0.0 {
                    "Look for water that leaves between the meters, then at the meters for permeate and concentrate"
                } else {
                    "Look at the meter of the supply first: a worn one reads low"
                };
                let text = format!(
                    "In two runs in a row the flows do not add up: {supply:.1} L went in, {permeate:.1} L of permeate and {concentrate:.1} L of concentrate came out. {look}; with three meters nobody can tell which is wrong. A bucket and a clock can."
                );
                self.told.raise(key, Some(missing), Some(APART * u), text, out);
            }
        } else {
            self.upkeep.unbalanced_runs = 0;
            self.told.clear(key, "The flows add up again.".to_owned(), out);
        }
    }

    /// Litres of the metered streams where the run began.
    pub(super) fn mark_run(&mut self) {
        if self.upkeep.run_totals.is_none() {
            let streams = [Flow::Supply, Flow::Permeate, Flow::Concentrate];
            self.upkeep.run_totals = Some(streams.map(|flow| self.water.total(flow)));
        }
    }

    /// Watches whether the product probe has ever left zero.
    pub(super) fn step_product_probe(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let Some(sensor) = setup.solids_at(Point::Product).next() else { return };
        if setup.vessels().is_empty() || !self.water.is_making() {
            return;
        }
        let product = self.water.live(Flow::Product);
        if self.upkeep.zero_from.is_none() {
            self.upkeep.zero_from = Some(product);
        }
        let probe = &setup.sensors[sensor];
        let longest = (probe.interval * 6).max(crate::engine::time::Span::from_secs(60));
        let Some(shown) = self.channels[sensor].recent(now.mono, longest) else { return };
        let step = self.channels[sensor].display(probe).step.max(0.2);
        if shown.value >= 0.5 * step {
            // It can read something other than zero: it is alive.
            self.upkeep.zero_from = Some(product);
            self.product_believed(out);
            return;
        }
        let zero = product - self.upkeep.zero_from.unwrap_or(product);
        let Some((used, latest)) = self.resin.spent_at_latest(setup) else { return };
        let doubted = latest.max(PROVEN_FOR * self.upkeep.proven_at);
        let key = AlarmKey::plant(AlarmId::ProductProbeDoubtful);
        if zero < ZERO_LITRES || used < doubted {
            return;
        }
        // A handheld is asked for first, and there is time to fetch one.
        let asked =
            self.upkeep.doubted_at.map_or(f64::MAX, |at| at + (TRIP_AT - 1.0) / 2.0 * doubted);
        let trips = (TRIP_AT * doubted).max(asked.min(2.0 * used));
        if used < trips {
            self.upkeep.doubted_at.get_or_insert(used);
            let text = format!(
                "{} has read 0 for {zero:.0} L although all resin should be spent by {doubted:.2} eq at the latest, and {used:.2} eq have gone in; a dead probe looks like this. Measure the product by hand within two days and enter the value; without it the plant stops at {trips:.2} eq.",
                probe.id,
            );
            self.told.raise(key, Some(used), Some(doubted), text, out);
        } else {
            out.contradicted = Some(format!(
                "{} has read 0 for {zero:.0} L although {used:.2} eq have gone into resin that should be spent by {doubted:.2} eq at the latest, and no handheld reading was entered. Nobody knows what the water is: measure the product by hand and enter the value.",
                probe.id,
            ));
        }
    }

    /// It has shown that it can read something other than zero, or that its zero is true.
    pub(super) fn product_believed(&mut self, out: &mut Results) {
        self.upkeep.doubted_at = None;
        if self.upkeep.first_water.is_doubted() {
            // A true zero now does not tell why first water is not seen any more.
            return;
        }
        let key = AlarmKey::plant(AlarmId::ProductProbeDoubtful);
        self.told.clear(key, "The product probe has shown that it lives.".to_owned(), out);
    }

    /// A handheld agreed with the product probe.
    pub(super) fn product_proven(&mut self, setup: &Setup, out: &mut Results) {
        if let Some((used, _)) = self.resin.spent_at_latest(setup) {
            self.upkeep.proven_at = used;
        }
        self.upkeep.zero_from = Some(self.water.live(Flow::Product));
        self.product_believed(out);
    }
}

/// Two sensors in the wrong order.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Pair {
    /// The one that should read less.
    low: SensorIx,
    high: SensorIx,
    values: (f64, f64),
}
