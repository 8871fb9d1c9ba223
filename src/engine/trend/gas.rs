//! What the readings say for and against a steady level of gas in the product.
//!
//! Purpose: the evidence on which a person may accept such a level (`guard/gas.rs`). It is stricter
//! than what tells of a likely gas (`vessels.rs`): that only explains, this lets water through.
//!
//! Invariants: two settled runs in a row in which product and permeate were both seen; whatever is
//! missing is evidence against; runs that never settle keep what was accepted and accept nothing;
//! another vessel, membrane or an unknown time away forgets what was seen; at least one witness that is no probe of the product must speak for gas (chemistry of the
//! tap, a handheld beside the probe) and none against it.

use super::Trend;
use super::channel::Clean;
use super::starts::median;
use crate::engine::catalogue::AlarmId;
use crate::engine::event::ServiceEntry;
use crate::engine::output::AlarmKey;
use crate::engine::process::breakthrough::Pattern;
use crate::engine::process::carbon_dioxide::plateau;
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Mono, Now, Span};
use crate::settings::schema::{PartKind, Point};
use crate::units::Celsius;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};

/// Settled runs in a row that it takes.
const RUNS: usize = 2;
/// Readings of settled water that make a level in one run, where litres are known and where not; and
/// how many are kept.
const READINGS: (usize, usize, usize) = (10, 30, 200);
/// Share of them at either end that says nothing about the level: a bubble, the moment of the stop.
const ENDS: f64 = 0.05;
/// Below this the product reads zero, ppm.
const LEAST_PPM: f64 = 0.5;
/// Litres of them: no more than the dose lets through.
const LITRES: f64 = 0.25;
/// Share of the resin that the account must say is left.
const RESIN_LEFT: f64 = 0.25;
/// What nobody has seen for so long does not stand any more; the run before bears it out for twice as long.
const SEEN_WITHIN: Span = Span::from_secs(7 * 86_400);
const BORNE_OUT_WITHIN: Span = Span::from_secs(14 * 86_400);
/// A handheld reading is a witness for so long.
const HANDHELD_WITHIN: Span = Span::from_secs(14 * 86_400);
/// A probe that says nothing for so long while water flows is missing.
const SILENT: Span = Span::from_secs(600);

/// Readings of one product probe in settled water of one run.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Readings {
    values: VecDeque<f64>,
    /// Litres at the first and at the last.
    from: f64,
    until: f64,
}

impl Readings {
    fn take(&mut self, litres: f64, value: f64) {
        if self.values.is_empty() {
            self.from = litres;
        }
        if self.values.len() == READINGS.2 {
            self.values.pop_front();
        }
        self.values.push_back(value);
        self.until = litres;
    }

    /// Enough for a level; `by_litres`: a flow is known.
    fn are_enough(&self, by_litres: bool) -> bool {
        if by_litres {
            self.values.len() >= READINGS.0 && self.until - self.from >= LITRES
        } else {
            self.values.len() >= READINGS.1
        }
    }

    /// Lowest and highest without the ends.
    fn range(&self) -> Option<(f64, f64)> {
        let mut sorted: Vec<f64> = self.values.iter().copied().collect();
        sorted.sort_by(f64::total_cmp);
        let out = (sorted.len() as f64 * ENDS) as usize;
        Some((*sorted.get(out)?, *sorted.get(sorted.len().checked_sub(out + 1)?)?))
    }
}

/// One run that showed settled water.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Seen {
    at: Mono,
    /// Lowest and highest of all product probes; `None` when one of them said too little.
    product: Option<(f64, f64)>,
    permeate: Option<f64>,
}

/// What was seen of a plateau.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct GasLook {
    now: BTreeMap<SensorIx, Readings>,
    /// Level of the permeate beside them.
    permeate: Option<f64>,
    runs: VecDeque<Seen>,
    /// The same behind the first water of a run that has not settled: a float that throttles.
    #[serde(default)]
    unsettled: BTreeMap<SensorIx, Readings>,
    /// When such a run last showed no more than the plateau.
    #[serde(default)]
    borne_out: Option<Mono>,
    /// Newest handheld reading beside each product probe, ppm on the plant's scale.
    by_hand: BTreeMap<SensorIx, (Mono, f64)>,
}

impl GasLook {
    /// A run that did not settle is over: it bears the plateau out if every product probe showed enough of
    /// it and no more.
    fn unsettled_ended(&mut self, setup: &Setup, now: Mono, by_litres: bool) {
        let all = std::mem::take(&mut self.unsettled);
        let high = self.runs.iter().filter_map(|seen| seen.product).map(|(_, high)| high);
        let Some(high) = high.reduce(f64::max) else { return };
        let bears_out = |sensor: SensorIx| {
            let readings = all.get(&sensor).filter(|readings| readings.are_enough(by_litres));
            let shown = readings.and_then(Readings::range).map(|(_, highest)| highest);
            // Water that reads zero bears out no gas.
            shown.is_some_and(|highest| (LEAST_PPM..=high).contains(&highest))
        };
        if setup.solids_at(Point::Product).all(bears_out) {
            self.borne_out = Some(now);
        }
    }

    /// A person held a meter beside a product probe.
    pub(super) fn handheld(&mut self, sensor: SensorIx, at: Mono, ppm: f64) {
        self.by_hand.insert(sensor, (at, ppm));
    }

    /// What was seen belongs to other parts.
    pub(super) fn service(&mut self, setup: &Setup, entry: &ServiceEntry) {
        let other = match entry {
            ServiceEntry::LagToLead { .. } => true,
            ServiceEntry::PartChanged { part, .. } => setup.parts.iter().any(|known| {
                known.id == *part && !matches!(known.kind, PartKind::Sediment | PartKind::Carbon)
            }),
            _ => false,
        };
        if other {
            *self = Self::default();
        }
    }

    /// The daemon came back.
    pub(super) fn restarted(&mut self, away: Option<Span>) {
        self.now.clear();
        self.unsettled.clear();
        self.permeate = None;
        let Some(away) = away else {
            *self = Self::default();
            return;
        };
        for seen in &mut self.runs {
            seen.at = seen.at - away;
        }
        self.borne_out = self.borne_out.map(|at| at - away);
        for (at, _) in self.by_hand.values_mut() {
            *at = *at - away;
        }
    }

    /// Sensors have other numbers now.
    pub(super) fn renumbered(&mut self) {
        *self = Self::default();
    }
}

impl Trend {
    /// A reading of product behind the first water, and the permeate beside it where there is something to
    /// judge.
    pub(super) fn gas_reading(
        &mut self,
        setup: &Setup,
        (sensor, settled): (SensorIx, bool),
        litres: f64,
        clean: &Clean,
    ) {
        if !settled {
            self.gas.unsettled.entry(sensor).or_default().take(litres, clean.value);
            return;
        }
        if clean.value >= LEAST_PPM {
            self.gas.permeate = setup
                .solids_at(Point::Permeate)
                .next()
                .and_then(|sensor| self.channels[sensor].settled_level(&setup.sensors[sensor]))
                .map(|level| level.value);
        }
        self.gas.now.entry(sensor).or_default().take(litres, clean.value);
    }

    /// A run is over: a settled one is kept, whatever it showed; another may bear out what is known.
    pub(super) fn gas_run_ended(&mut self, setup: &Setup, now: Now, settled: bool) {
        let all = std::mem::take(&mut self.gas.now);
        let permeate = self.gas.permeate.take();
        let by_litres = self.water.basis(super::Flow::Permeate).is_some();
        if !settled {
            self.gas.unsettled_ended(setup, now.mono, by_litres);
            return;
        }
        self.gas.unsettled.clear();
        // A run that ended soon after it had settled says nothing.
        if !all.values().any(|readings| readings.are_enough(by_litres)) {
            return;
        }
        let mut product: Option<(f64, f64)> = None;
        for sensor in setup.solids_at(Point::Product) {
            let readings = all.get(&sensor).filter(|readings| readings.are_enough(by_litres));
            let Some((low, high)) = readings.and_then(Readings::range) else {
                product = None;
                break;
            };
            let (lowest, highest) = product.unwrap_or((low, high));
            product = Some((lowest.min(low), highest.max(high)));
        }
        if self.gas.runs.len() == RUNS {
            self.gas.runs.pop_front();
        }
        self.gas.runs.push_back(Seen { at: now.mono, product, permeate });
    }

    /// The highest reading of a plateau of gas, ppm; or the first thing that speaks against it.
    ///
    /// # Errors
    /// A sentence for the person, without its full stop.
    pub(in crate::engine) fn gas_plateau(&self, setup: &Setup, now: Mono) -> Result<f64, String> {
        self.gas_by(setup, now, None)
    }

    /// The same for a plateau that was accepted: runs that did not settle bear it out as well, or nobody
    /// whose float throttles would keep it for longer than a week.
    pub(in crate::engine) fn gas_still(&self, setup: &Setup, now: Mono) -> Result<f64, String> {
        self.gas_by(setup, now, self.gas.borne_out)
    }

    fn gas_by(&self, setup: &Setup, now: Mono, borne_out: Option<Mono>) -> Result<f64, String> {
        let (low, high) = self.gas_seen(setup, now, borne_out)?;
        let step = setup
            .solids_at(Point::Product)
            .map(|sensor| self.channels[sensor].display(&setup.sensors[sensor]).step)
            .fold(0.5, f64::max);
        if high - low > step + 1e-9 {
            return Err(format!(
                "the product is not steady: {low} to {high} ppm in the last settled runs"
            ));
        }
        if high < LEAST_PPM {
            return Err("the product reads zero".to_owned());
        }
        self.gas_permeate()?;
        self.gas_resin(setup, high)?;
        self.gas_witness(setup, now, high, step)?;
        // To the tenth above, as people say it.
        Ok((10.0 * high - 1e-6).ceil() / 10.0)
    }

    /// When time alone may end what supports a plateau: a silence, or evidence that has grown old.
    pub(in crate::engine) fn gas_deadlines(
        &self,
        setup: &Setup,
        add: &mut impl FnMut(Option<Mono>, &'static str),
    ) {
        let mut ends = |at: Mono| {
            add(Some(at + Span::from_millis(1)), "what supports an accepted level");
        };
        if let (true, Some(run)) = (self.standing.flowing, &self.run) {
            let probes = [Point::Product, Point::Permeate].map(|point| setup.solids_at(point));
            for sensor in probes.into_iter().flatten() {
                let heard = self.channels[sensor].read_at();
                ends(heard.map_or(run.began, |at| at.max(run.began)) + SILENT);
            }
        }
        self.gas.runs.iter().for_each(|seen| ends(seen.at + BORNE_OUT_WITHIN));
        self.gas.runs.back().iter().for_each(|seen| ends(seen.at + SEEN_WITHIN));
        self.gas.borne_out.iter().for_each(|at| ends(*at + SEEN_WITHIN));
        self.gas.by_hand.values().for_each(|(at, _)| ends(*at + HANDHELD_WITHIN));
    }

    fn gas_seen(
        &self,
        setup: &Setup,
        now: Mono,
        borne_out: Option<Mono>,
    ) -> Result<(f64, f64), String> {
        if let (true, Some(run)) = (self.standing.flowing, &self.run) {
            let probes = [Point::Product, Point::Permeate].map(|point| setup.solids_at(point));
            for sensor in probes.into_iter().flatten() {
                let long = now.since(run.began) > SILENT;
                if long && self.channels[sensor].recent(now, SILENT).is_none() {
                    return Err(format!("{} is silent", setup.sensors[sensor].id));
                }
            }
        }
        if self.gas.runs.len() < RUNS {
            return Err(format!(
                "{} of {RUNS} settled runs have been seen; a test run counts, if it lasts until the permeate has settled",
                self.gas.runs.len()
            ));
        }
        let lately = borne_out.is_some_and(|at| now.since(at) <= SEEN_WITHIN);
        let newest = self.gas.runs.back();
        if !lately && newest.is_some_and(|seen| now.since(seen.at) > SEEN_WITHIN) {
            return Err("the plateau has not been seen for a week".to_owned());
        }
        if !lately && self.gas.runs.iter().any(|seen| now.since(seen.at) > BORNE_OUT_WITHIN) {
            return Err("only one settled run has shown the plateau in two weeks".to_owned());
        }
        let mut all: Option<(f64, f64)> = None;
        for seen in &self.gas.runs {
            let Some((low, high)) = seen.product else {
                return Err("a product probe said too little in settled water".to_owned());
            };
            let (lowest, highest) = all.unwrap_or((low, high));
            all = Some((lowest.min(low), highest.max(high)));
        }
        all.ok_or_else(|| "the product was not seen".to_owned())
    }

    fn gas_permeate(&self) -> Result<(), String> {
        let before = median(self.settled_values.iter().copied());
        for seen in &self.gas.runs {
            let (Some(permeate), Some(before)) = (seen.permeate, before) else {
                return Err("the permeate was not seen, so it may have changed".to_owned());
            };
            if (permeate - before).abs() > (0.2 * before).max(1.0) {
                return Err(format!(
                    "the permeate is not what it was: {permeate:.1} ppm, before {before:.1}"
                ));
            }
        }
        Ok(())
    }

    fn gas_resin(&self, setup: &Setup, level: f64) -> Result<(), String> {
        let left = self
            .resin
            .lead_left(setup)
            .ok_or("there is no account of the resin that could tell gas from salt")?;
        if left < RESIN_LEFT {
            return Err(format!(
                "the account says that {:.0} % of the resin is left: salt is as likely as gas",
                100.0 * left
            ));
        }
        let breaks = self
            .lead_pattern(setup, level)
            .is_none_or(|verdict| verdict.pattern == Pattern::Breakthrough);
        if breaks || self.told.stands(AlarmKey::plant(AlarmId::LeadSpent)) {
            return Err("it looks like a breakthrough of salt".to_owned());
        }
        Ok(())
    }

    fn gas_witness(&self, setup: &Setup, now: Mono, level: f64, step: f64) -> Result<(), String> {
        let mut speaks = false;
        for (sensor, &(at, by_hand)) in &self.gas.by_hand {
            if now.since(at) > HANDHELD_WITHIN {
                continue;
            }
            let apart = by_hand - level;
            if apart.abs() >= setup.limits.product.limit_ppm {
                return Err(format!(
                    "the handheld beside {} read {by_hand} ppm, the plateau is {level}",
                    setup.sensors[*sensor].id
                ));
            }
            speaks = true;
        }
        let gas = self.resin.lead_state(setup).and_then(|(_, _, gas)| gas);
        if let Some(gas) = gas {
            let expected =
                plateau(Celsius::new(25.0), gas, setup.ppm_factor).map_or(0.0, |tds| tds.get());
            // As for the pattern: chemistry of a tap is good to four tenths, a display to half a step.
            let u = (0.4 * expected).hypot(0.5 * step);
            if level > expected + 3.0 * u {
                return Err(format!(
                    "alkalinity and pH of the tap explain {expected:.1} ppm, not {level}"
                ));
            }
            speaks = true;
        }
        if speaks {
            Ok(())
        } else {
            Err("nothing but the probe speaks for gas: hold a handheld beside it in flowing water and \
                 enter the reading, or enter alkalinity and pH of the tap"
                .to_owned())
        }
    }
}
