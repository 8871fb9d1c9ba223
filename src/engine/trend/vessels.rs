//! Water behind the vessels: is the first one giving way, and is what the product shows a gas.
//!
//! Invariants: judged only in flowing water after the first of it; one run is a hint and two in a row
//! are a finding (DEFAULTS: two runs), or one that goes on for as long as two usual ones; a run in which
//! the probe said nothing counts neither way; where the evidence does not tell gas from breakthrough, nothing is said of either for some runs.

use super::channel::Clean;
use super::early::{Early, Rise};
use super::resin::{GAS_LEVEL_U, Through, VesselValues};
use super::run::Run;
use super::starts::median;
use super::{Results, Trend, of_part, of_plant};
use crate::engine::catalogue::{AlarmId, SignalId};
use crate::engine::fit::display::level;
use crate::engine::fit::washout::Sample;
use crate::engine::output::AlarmKey;
use crate::engine::process::breakthrough::{Around, Pattern, Verdict, pattern};
use crate::engine::setup::{PartIx, SensorIx, Setup};
use crate::engine::time::{Now, Span};
use crate::engine::value::NoReading;
use crate::settings::schema::{PartKind, Point};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Litres over which an outlet must stand above a limit (DEFAULTS: 1 L).
const ABOVE_LITRES: f64 = 1.0;
/// Runs in a row that it takes, or litres of one: what stands in a plant between two runs is long gone then,
/// and one that fills a large container may not run again for a week.
const RUNS: u32 = 2;
const LONG_LITRES: f64 = 20.0;
/// Litres of runs too short to settle that are judged together, by what went in and what came out.
const SHORT_LITRES: f64 = 3.0;
/// Runs in a row at the first step after which nobody waits for a better verdict, where what there is
/// speaks for salt: a front moves on by a third within about as many (judgement).
const UNCLEAR_RUNS: u32 = 6;
/// A rise behind a charge that is spent with less than this probability is sooner gas than salt.
const RISE_SPENT: f64 = 0.1;
/// Log-odds of gas against salt below which they are not waited for: one to three.
const LIKELY_SALT: f64 = -1.1;
/// A steady product reading that may be gas lies above this, ppm, and below what the tap's chemistry makes
/// or, where nobody knows it, what closed water with a usual amount of carbon dioxide conducts (reference
/// sheet 1.4).
const GAS_PPM: f64 = 0.7;
/// Looks at which the height of such a plateau is read.
const GAS_LOOKS: usize = 8;
/// Litres of steady reading that make a plateau in one run: no more than the dose lets through.
const GAS_LITRES: f64 = 0.25;
/// Share of the resin that the account must say is left before gas is the likely cause.
const GAS_RESIN_LEFT: f64 = 0.25;
/// Looks at an outlet that are remembered, and readings of one. A look is a run, or of a long one so many
/// litres: a plant that runs once a week shows the course of a charge within its runs.
const HISTORY: usize = 60;
const SHOWN: usize = 200;
const LOOK_LITRES: f64 = 10.0;
const LOOK_SHARE: f64 = 0.03;
/// Product below this over a litre is pure again.
const PURE_PPM: f64 = 0.5;
/// Why what stood behind the first vessel is not told as gas any more.
const GROWN: &str = "It has grown as salt does and gas does not.";
const USED_UP: &str = "The resin is nearly used up, which is why gas passes: order resin.";
/// So many times as long as nine charges in ten last the middle one does where little is known.
const UNSURE_DAYS: f64 = 4.0;
/// Delivery and a week: order when nine charges in ten last no longer than this, days (DEFAULTS).
const ORDER_DAYS: f64 = 14.0;

/// How long a reading has stood above a limit in this run.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
struct Above {
    from: Option<f64>,
    met: bool,
    /// For so long that one run is enough.
    #[serde(default)]
    long: bool,
    /// Runs in a row before this one in which it was met.
    runs: u32,
}

impl Above {
    /// Takes a reading at these litres; true when the limit has now been met in enough runs.
    fn take(&mut self, litres: f64, above: bool, over: f64) -> bool {
        if above {
            let from = *self.from.get_or_insert(litres);
            self.met |= litres - from >= over;
            self.long |= litres - from >= LONG_LITRES;
        } else {
            self.from = None;
        }
        self.again() || (self.met && self.long)
    }

    /// Met in so many runs, however long this one is.
    fn again(&self) -> bool {
        self.met && self.runs + 1 >= RUNS
    }

    /// The run is over; `judged`: the probe spoke for long enough to count.
    fn run_ended(&mut self, judged: bool) {
        if self.met {
            self.runs = self.runs.saturating_add(1);
        } else if judged {
            self.runs = 0;
        }
        self.from = None;
        self.met = false;
        self.long = false;
    }
}

/// What the probes behind the vessels have shown.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct Outlets {
    begun: Above,
    spent: Above,
    gas: Above,
    pure: Above,
    /// Litres of this run in which the outlet of the first vessel was judged.
    judged_from: Option<f64>,
    judged: f64,
    product_from: Option<f64>,
    product_judged: f64,
    /// What the outlet of the first vessel showed since the last look of this run, once settled, and the
    /// litres of the charge then.
    #[serde(default)]
    shown: Vec<f64>,
    #[serde(default)]
    shown_from: f64,
    /// One value for each look: litres of the charge, ppm as displayed.
    #[serde(default)]
    history: VecDeque<Sample>,
    /// Permeate while that outlet was still pure, ppm.
    #[serde(default)]
    inlet_pure: Option<f64>,
    /// Litre by litre behind the first vessel.
    #[serde(default)]
    early: Early,
    /// Runs in a row that were too short to settle: how many, and what went through.
    #[serde(default)]
    short: (u32, Through),
    /// What it lets through, at the last look.
    #[serde(default)]
    passes: Option<Pattern>,
    /// What was told of gas is about the water after the first of several vessels.
    #[serde(default)]
    gas_after_first: bool,
}

impl Outlets {
    /// The first vessel was changed: its outlet is another's now.
    pub(super) fn lead_changed(&mut self) {
        *self = Self::default();
    }

    pub(super) fn restarted(&mut self) {
        let keep = |above: Above| Above { runs: above.runs, ..Above::default() };
        *self = Self {
            begun: keep(self.begun),
            spent: keep(self.spent),
            gas: keep(self.gas),
            pure: Above::default(),
            history: std::mem::take(&mut self.history),
            inlet_pure: self.inlet_pure,
            passes: self.passes,
            early: std::mem::take(&mut self.early),
            gas_after_first: self.gas_after_first,
            short: self.short,
            ..Self::default()
        };
    }
}

/// Probe behind the first vessel; without one, of several vessels, that behind all of them, which shows
/// the end of them together. True for a probe behind which nothing else holds. `None` also for vessels of
/// one kind of ion each: behind a cation vessel stands acid, which conducts more than what entered, and a
/// probe behind both does not tell which of them ended.
pub(super) fn lead_outlet(setup: &Setup) -> Option<(SensorIx, bool)> {
    let vessels = setup.vessels();
    let mixed = |part: &PartIx| setup.parts[*part].kind == PartKind::Mixed;
    if !vessels.first().is_some_and(mixed) {
        return None;
    }
    let between = if vessels.len() > 1 { setup.solids_at(Point::Between).next() } else { None };
    match between {
        Some(sensor) => Some((sensor, false)),
        None if !vessels.iter().all(mixed) => None,
        None => setup.solids_at(Point::Product).next().map(|sensor| (sensor, true)),
    }
}

/// No other vessel stands behind the probe that shows the first one's end.
fn is_single(setup: &Setup) -> bool {
    lead_outlet(setup).is_none_or(|(_, last)| last)
}

impl Trend {
    /// A probe behind a vessel spoke in flowing water.
    pub(super) fn outlet(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: SensorIx,
        clean: &Clean,
        out: &mut Results,
    ) {
        let Some(run) = &self.run else { return };
        let limits = &setup.limits;
        let litres = self.water.to_resin;
        let x = run.x(now.mono, self.water.live(super::Flow::Permeate));
        let out_of_rinse = if self.water.basis(super::Flow::Permeate).is_some() {
            x >= limits.product.rinse_in_litres.max(0.5)
        } else {
            now.mono.since(run.began) >= Span::from_secs(300)
        };
        if !out_of_rinse || clean.replaced {
            return;
        }
        self.channels[sensor].settled(clean);
        let settled = run.settled.is_some();
        let point = setup.sensors[sensor].point;
        if settled && lead_outlet(setup).is_some_and(|(outlet, _)| outlet == sensor) {
            self.judge_lead(setup, litres, clean.value, out);
        }
        if point == Point::Product {
            self.gas_reading(setup, (sensor, settled), litres, clean);
        }
        if settled && point == Point::Product {
            self.judge_product(setup, sensor, litres, clean.value, out);
        }
    }

    /// What the outlet of the first vessel lets through, by all its runs and by this reading.
    pub(super) fn lead_pattern(&self, setup: &Setup, value: f64) -> Option<Verdict> {
        let (sensor, _) = lead_outlet(setup)?;
        let display = self.channels[sensor].display(&setup.sensors[sensor]);
        let (treated, spent_by_now, _) = self.resin.lead_state(setup)?;
        let inlet = self.settled_permeate(setup)?;
        let plateau = self.resin.gas_plateaus(setup);
        let around = Around {
            inlet,
            inlet_before: self.outlets.inlet_pure,
            spent_by_now: Some(spent_by_now),
            plateau,
            treated,
        };
        let mut seen: Vec<Sample> = self.outlets.history.iter().copied().collect();
        seen.push(Sample { x: treated, y: value });
        Some(pattern(&seen, &around, display))
    }

    /// A look is over: what the outlet of the first vessel showed joins its history.
    fn lead_looked(&mut self, setup: &Setup) {
        let Some(shown) = median(self.outlets.shown.drain(..)) else { return };
        let Some((treated, ..)) = self.resin.lead_state(setup) else { return };
        let Some(inlet) = self.settled_permeate(setup) else { return };
        if self.outlets.history.len() == HISTORY {
            self.outlets.history.pop_front();
        }
        self.outlets.history.push_back(Sample { x: treated, y: shown });
        if shown < PURE_PPM {
            let before = self.outlets.inlet_pure.unwrap_or(inlet);
            self.outlets.inlet_pure = Some(before + 0.2 * (inlet - before));
        }
        self.outlets.passes = self.lead_pattern(setup, shown).map(|verdict| verdict.pattern);
        if self.outlets.passes == Some(Pattern::Gas) {
            self.lead_gas_level(setup);
        }
        let what = match self.outlets.passes {
            _ if self.product_is_gas(setup) => Pattern::Gas,
            seen => seen.unwrap_or(Pattern::Breakthrough),
        };
        self.resin.lead_shows(setup, shown, inlet, what);
    }

    /// What stands behind a single vessel has been told to be gas, or everything speaks for it that a person
    /// needs to accept it: the account does not take it for salt then, whatever its course alone can tell.
    fn product_is_gas(&self, setup: &Setup) -> bool {
        is_single(setup)
            && (self.told.stands(AlarmKey::plant(AlarmId::ProductReadingSuspect))
                || self.gas_plateau(setup, self.water.at()).is_ok())
    }

    /// How high the gas behind the first vessel stands, by the last looks at it.
    fn lead_gas_level(&mut self, setup: &Setup) {
        let Some((sensor, _)) = lead_outlet(setup) else { return };
        let display = self.channels[sensor].display(&setup.sensors[sensor]);
        let looks = self.outlets.history.iter().rev().take(GAS_LOOKS).map(|look| look.y);
        let Some(level) = level(&looks.collect::<Vec<_>>(), display) else { return };
        let u = level.u.hypot(GAS_LEVEL_U);
        self.resin.lead_passes_gas(setup, level.value, u);
    }

    /// Tells that what stands behind the resin looks like carbon dioxide.
    fn tell_gas(&mut self, setup: &Setup, place: &str, value: f64, out: &mut Results) {
        let key = AlarmKey::plant(AlarmId::ProductReadingSuspect);
        let left = self.resin.lead_left(setup).map_or(String::new(), |left| {
            format!(" and the account says {:.0} % of the resin is left", 100.0 * left)
        });
        // Where resin is to be ordered, nothing is said against it: a bed that its account calls nearly
        // empty lets gas through because it is, and salt follows.
        let low = self.resin.lead_left(setup).is_some_and(|left| left < GAS_RESIN_LEFT);
        let begun = self.told.stands(AlarmKey::plant(AlarmId::LeadBegun));
        let instead = match (begun, low) {
            (true, _) => "",
            (false, true) => "; little resin is left, and salt follows gas: order resin as well",
            (false, false) => " rather than new resin",
        };
        let text = format!(
            "{place} reads a steady {value:.1} ppm in two runs while the permeate is unchanged{left}: typical of carbon dioxide from your tap. Stir a cup for an hour and read again; if it falls, plan airing of the permeate or an anion stage{instead}.",
        );
        self.told.raise(key, Some(value), Some(GAS_PPM), text, out);
    }

    fn judge_lead(&mut self, setup: &Setup, litres: f64, value: f64, out: &mut Results) {
        let limits = &setup.limits.stages;
        if let Some(treated) = self.resin.lead_litres() {
            if self.outlets.shown.is_empty() {
                self.outlets.shown_from = treated;
            } else if treated - self.outlets.shown_from >= LOOK_LITRES.max(LOOK_SHARE * treated) {
                self.lead_looked(setup);
                self.outlets.shown_from = treated;
            }
        }
        if self.outlets.shown.len() < SHOWN {
            self.outlets.shown.push(value);
        }
        let permeate = self.settled_permeate(setup);
        let spent_at = permeate.map_or(limits.lead_spent_ppm, |p| {
            limits.lead_spent_ppm.max(limits.lead_spent_share * p)
        });
        let outlets = &mut self.outlets;
        let from = *outlets.judged_from.get_or_insert(litres);
        outlets.judged = litres - from;
        let begun = outlets.begun.take(litres, value >= limits.lead_begun_ppm, ABOVE_LITRES);
        let spent = outlets.spent.take(litres, value >= spent_at, ABOVE_LITRES);
        let single = is_single(setup);
        let verdict = if begun && !single { self.lead_pattern(setup, value) } else { None };
        let is_gas = verdict.is_some_and(|verdict| verdict.pattern == Pattern::Gas);
        // What has begun is not called off for a level that stands for some runs.
        let has_begun = self.told.stands(AlarmKey::plant(AlarmId::LeadBegun));
        let only_gas = is_gas && !has_begun;
        // A front of salt that begins within a run looks like gas to the end of it.
        if only_gas
            && self.outlets.begun.again()
            && !self.told.stands(AlarmKey::plant(AlarmId::LeadSpent))
        {
            self.outlets.gas_after_first = true;
            self.tell_gas(setup, "The water after the first vessel", value, out);
        }
        let grown = permeate.is_some_and(|permeate| value >= limits.lead_spent_share * permeate);
        if begun && !single && !only_gas && (is_gas || !self.may_be_gas(verdict, grown)) {
            self.not_gas(if is_gas { USED_UP } else { GROWN }, out);
            let key = AlarmKey::plant(AlarmId::LeadBegun);
            let gas = if is_gas {
                " (level, as carbonic acid is: it goes ahead of the salt when the resin is nearly used up)"
            } else {
                ""
            };
            let text = format!(
                "The first vessel lets {value:.1} ppm through in two runs in a row{gas}; the second still holds, so the water is good. Order resin now{}.",
                self.lead_days_text(setup, " while there is time: the account says "),
            );
            self.told.raise(key, Some(value), Some(limits.lead_begun_ppm), text, out);
        }
        if !single {
            self.judge_rise(setup, litres, value, out);
        }
        if spent {
            self.tell_spent(setup, value, permeate, spent_at, out);
        }
    }

    /// Runs too short to settle show it in what went through: a first vessel that passes its share of them is
    /// spent, though no single reading could be held against a settled permeate.
    fn judge_unsettled(&mut self, setup: &Setup, settled: bool, out: &mut Results) {
        let through = self.resin.take_through();
        let (runs, sum) = &mut self.outlets.short;
        if settled {
            (*runs, *sum) = (0, Through::default());
            return;
        }
        *runs += u32::from(through.litres > 0.0);
        sum.litres += through.litres;
        sum.inlet += through.inlet;
        sum.outlet += through.outlet;
        if *runs < RUNS || sum.litres < SHORT_LITRES || lead_outlet(setup).is_none() {
            return;
        }
        let (_, sum) = std::mem::take(&mut self.outlets.short);
        let (inlet, outlet) = (sum.inlet / sum.litres, sum.outlet / sum.litres);
        let limits = &setup.limits.stages;
        let spent_at = limits.lead_spent_ppm.max(limits.lead_spent_share * inlet);
        if outlet >= spent_at {
            self.tell_spent(setup, outlet, Some(inlet), spent_at, out);
        }
    }

    /// The first vessel is spent: it passes `value` ppm of the `permeate` that enters it.
    fn tell_spent(
        &mut self,
        setup: &Setup,
        value: f64,
        permeate: Option<f64>,
        spent_at: f64,
        out: &mut Results,
    ) {
        self.resin.lead_exhausted(setup, value, permeate);
        if is_single(setup) {
            return;
        }
        self.not_gas(GROWN, out);
        let key = AlarmKey::plant(AlarmId::LeadSpent);
        let share = permeate
            .filter(|p| *p > 0.0)
            .map(|p| format!(" ({:.0} % of what enters it)", 100.0 * value / p))
            .unwrap_or_default();
        let text = format!(
            "The first vessel now passes {value:.1} ppm{share}; the second does all the work. Move the second into first place, fit fresh resin behind it and record the swap (service entry lag-to-lead), or its account is wrong.",
        );
        self.told.raise(key, Some(value), Some(spent_at), text, out);
    }

    /// The outlet of the first vessel rises litre by litre, before single readings stay up.
    fn judge_rise(&mut self, setup: &Setup, litres: f64, value: f64, out: &mut Results) {
        let Some((_, spent_by_now, _)) = self.resin.lead_state(setup) else { return };
        let Some(rise) = self.outlets.early.take(litres, value, spent_by_now) else { return };
        let key = AlarmKey::plant(AlarmId::LeadBegun);
        // Gas rises too, in autumn or with another source; the permeate and the course tell.
        // Where they do not tell and speak for gas, the chart goes on to signal and the next runs will.
        let gas = || {
            self.lead_pattern(setup, value).is_some_and(|v| match v.pattern {
                Pattern::Gas => true,
                Pattern::CannotTell => v.log_odds > 0.0,
                // The runs of before were pure, so their course tells nothing: the account has to.
                Pattern::Pure => spent_by_now < RISE_SPENT,
                Pattern::Breakthrough => false,
            })
        };
        if self.told.stands(key) || gas() {
            return;
        }
        let Rise { mean, litres, usual } = rise;
        let text = format!(
            "Over the last {litres:.0} L the first vessel let {mean:.1} ppm through on average, {usual:.1} ppm while its charge was young: its end has begun, although single readings come and go. The second still holds, so the water is good. Order resin now{}.",
            self.lead_days_text(setup, " while there is time: the account says "),
        );
        self.told.raise(key, Some(mean), Some(usual), text, out);
    }

    /// Neither salt nor gas is nine times as likely as the other: the next runs will tell. Where what
    /// there is speaks for salt they are not waited for beyond [`UNCLEAR_RUNS`]. Nothing is lost meanwhile,
    /// for the second vessel holds, and a first one that passes three times as much is told to be spent
    /// whatever this says. Nor are they waited for longer where the outlet has `grown` to the share of
    /// what enters at which a vessel is spent: behind a good membrane that is less than gas may show, and
    /// resin that was not ordered costs more than resin that was.
    fn may_be_gas(&self, verdict: Option<Verdict>, grown: bool) -> bool {
        verdict.is_some_and(|verdict| match verdict.pattern {
            Pattern::Breakthrough | Pattern::Gas => false,
            // The runs of before were pure: it has only begun.
            Pattern::Pure => true,
            Pattern::CannotTell => {
                let early = self.outlets.begun.runs < UNCLEAR_RUNS;
                let late = grown && !early;
                (verdict.log_odds > 0.0 && !late) || (early && verdict.log_odds > LIKELY_SALT)
            }
        })
    }

    /// What was told of gas after the first vessel was salt, or is the end of its resin.
    fn not_gas(&mut self, why: &str, out: &mut Results) {
        if std::mem::take(&mut self.outlets.gas_after_first) {
            let key = AlarmKey::plant(AlarmId::ProductReadingSuspect);
            self.told.clear(key, why.to_owned(), out);
        }
    }

    fn lead_days_text(&self, setup: &Setup, lead_in: &str) -> String {
        let lead = self.resin.lead(setup);
        let days = self
            .resin
            .values(setup, self.water.at())
            .into_iter()
            .find(|values| Some(values.part) == lead)
            .and_then(|values| values.remaining_days.ok());
        match days {
            Some(days) if days.value > 0.0 => {
                format!("{lead_in}about {:.0} days are left", days.value)
            }
            _ => String::new(),
        }
    }

    /// Level of the permeate in this run, else the middle of earlier settled values.
    fn settled_permeate(&self, setup: &Setup) -> Option<f64> {
        setup
            .solids_at(Point::Permeate)
            .next()
            .and_then(|sensor| self.channels[sensor].settled_level(&setup.sensors[sensor]))
            .map(|level| level.value)
            .or_else(|| median(self.settled_values.iter().copied()))
    }

    /// A steady 1 to 2 ppm with an unchanged permeate and resin left is the pattern of carbon
    /// dioxide.
    fn judge_product(
        &mut self,
        setup: &Setup,
        sensor: SensorIx,
        litres: f64,
        value: f64,
        out: &mut Results,
    ) {
        let step = self.channels[sensor].display(&setup.sensors[sensor]).step;
        let steady = self.channels[sensor]
            .settled_spread()
            .is_some_and(|(low, high)| high - low <= step.max(0.5) + 1e-9);
        let plateau = steady && value >= GAS_PPM && value <= self.resin.gas_most(setup);
        let outlets = &mut self.outlets;
        let from = *outlets.product_from.get_or_insert(litres);
        outlets.product_judged = litres - from;
        let pure = value < PURE_PPM;
        outlets.pure.take(litres, pure, ABOVE_LITRES);
        let pure_litre = outlets.pure.met;
        let gas = outlets.gas.take(litres, plateau, GAS_LITRES);
        let key = AlarmKey::plant(AlarmId::ProductReadingSuspect);
        if pure && pure_litre {
            self.outlets.gas.runs = 0;
            // What stands after the first vessel never reached this probe.
            if self.outlets.gas_after_first {
                return;
            }
            self.told.clear(key, "The product reads zero again.".to_owned(), out);
            return;
        }
        if !gas {
            return;
        }
        // Everything that could tell it from breakthrough must speak, and speak for gas.
        let before = median(self.settled_values.iter().copied());
        let (Some(permeate), Some(before)) = (self.settled_permeate(setup), before) else { return };
        let unchanged = (permeate - before).abs() <= (0.2 * before).max(1.0);
        let left = self.resin.lead_left(setup);
        let Some(left) = left.filter(|left| *left >= GAS_RESIN_LEFT && unchanged) else { return };
        if self.told.stands(AlarmKey::plant(AlarmId::LeadSpent)) {
            return;
        }
        let single = is_single(setup);
        let breaks = single
            && self.lead_pattern(setup, value).is_some_and(|v| v.pattern == Pattern::Breakthrough);
        if left > 0.0 && !breaks {
            self.tell_gas(setup, "The product", value, out);
        }
    }

    /// A run is over.
    pub(super) fn judge_run(&mut self, setup: &Setup, now: Now, run: &Run, out: &mut Results) {
        let judged = self.outlets.judged >= ABOVE_LITRES;
        let product_judged = self.outlets.product_judged >= ABOVE_LITRES;
        self.lead_looked(setup);
        self.judge_unsettled(setup, run.settled.is_some(), out);
        self.gas_run_ended(setup, now, run.settled.is_some());
        self.outlets.begun.run_ended(judged);
        self.outlets.spent.run_ended(judged);
        self.outlets.gas.run_ended(product_judged);
        self.outlets.pure.run_ended(true);
        self.outlets.judged_from = None;
        self.outlets.judged = 0.0;
        self.outlets.product_from = None;
        self.outlets.product_judged = 0.0;
        if run.settled.is_some() {
            self.judge_membrane_run(setup, out);
        }
        self.judge_resin(setup, now, out);
    }

    /// Days left of the first vessel of each kind against the time that an order takes.
    fn judge_resin(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let leads = self.resin.leads(setup);
        for values in self.resin.values(setup, now.mono) {
            if leads.contains(&values.part) {
                self.judge_left(setup, &values, out);
            }
        }
    }

    fn judge_left(&mut self, setup: &Setup, values: &VesselValues, out: &mut Results) {
        let lead = values.part;
        let Some(order_by) = values.order_by else { return };
        let key = AlarmKey { alarm: AlarmId::ResinLow, of: Some(lead as u16) };
        if order_by <= ORDER_DAYS {
            let days = values.remaining_days.as_ref().map_or(order_by, |days| days.value);
            let litres = values
                .remaining_litres
                .as_ref()
                .map(|litres| format!(" ({:.0} L)", litres.value))
                .unwrap_or_default();
            // Nobody knows the carbon dioxide, and the first charge has not ended yet.
            let unsure = days > UNSURE_DAYS * order_by && self.resin.is_gas_unknown(setup, lead);
            let narrow = if unsure {
                " The carbon dioxide of your tap is not known: enter its pH and alkalinity, and this is surer."
            } else {
                ""
            };
            let text = format!(
                "The resin of {} will last about {days:.0} days{litres} at the present use until salt passes it, and nine such charges in ten at least {order_by:.0}: order resin now, so that it is there in time.{narrow}",
                setup.parts[lead].id,
            );
            self.told.raise(key, Some(order_by), Some(ORDER_DAYS), text, out);
        } else if order_by > 2.0 * ORDER_DAYS {
            let text =
                format!("The resin of {} will last longer than was thought.", setup.parts[lead].id);
            self.told.clear(key, text, out);
        }
    }

    /// The first vessel holds fresh resin, or another vessel stands there.
    pub(super) fn lead_is_new(&mut self, out: &mut Results) {
        if std::mem::take(&mut self.outlets.gas_after_first) {
            let key = AlarmKey::plant(AlarmId::ProductReadingSuspect);
            self.told.clear(key, "The first vessel was changed.".to_owned(), out);
        }
        self.outlets.lead_changed();
        // A run whose end is not known yet went through the other one.
        self.resin.take_through();
        for alarm in [AlarmId::LeadBegun, AlarmId::LeadSpent] {
            let key = AlarmKey::plant(alarm);
            self.told.clear(key, "The first vessel was changed.".to_owned(), out);
        }
    }

    /// Tells the values of every vessel.
    pub(super) fn publish_resin(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        self.resin_at = Some(now.mono);
        let key = of_plant(SignalId::ResinPasses);
        if let Some(passes) = self.outlets.passes {
            let [is_spent, has_begun] = [AlarmId::LeadSpent, AlarmId::LeadBegun]
                .map(|alarm| self.told.stands(AlarmKey::plant(alarm)));
            let words = match passes {
                _ if is_spent => Pattern::Breakthrough,
                // What has begun is not nothing, though it comes and goes.
                Pattern::Pure if has_begun => Pattern::CannotTell,
                _ => passes,
            }
            .words();
            self.emitter.text(setup, now, key, words, &mut out.values);
        } else if lead_outlet(setup).is_some() {
            // Another vessel stands there: what the last one let through is none of its.
            self.emitter.number(setup, now, key, Err(NoReading::NeverSeen), &mut out.values);
        }
        self.resin.keep_litres(setup);
        for values in self.resin.values(setup, now.mono) {
            let pairs = [
                (SignalId::ResinUsed, values.used),
                (SignalId::ResinCapacity, values.capacity),
                (SignalId::ResinRemainingLitres, values.remaining_litres),
                (SignalId::ResinRemainingDays, values.remaining_days),
                (SignalId::ResinVisibleLoad, values.visible),
                (SignalId::ResinLitres, values.litres),
            ];
            for (signal, value) in pairs {
                let key = of_part(signal, values.part);
                self.emitter.number(setup, now, key, value, &mut out.values);
            }
        }
    }

    /// Readings behind the first vessel and behind the last, for the accounts.
    fn outlet_readings(&self, setup: &Setup, now: Now) -> (Option<f64>, Option<f64>) {
        let at = |point: Point| {
            let sensor = setup.solids_at(point).next()?;
            // A probe that fell silent still tells more than nothing about a vessel that changes
            // over weeks.
            let longest = Span::from_secs(3600).max(setup.sensors[sensor].interval * 12);
            self.channels[sensor].recent(now.mono, longest).map(|valued| valued.value)
        };
        (at(Point::Between), at(Point::Product))
    }

    /// Counts the water up to this reading of the permeate.
    pub(super) fn resin_water(&mut self, setup: &Setup, now: Now, inlet: f64) {
        let outlets = self.outlet_readings(setup, now);
        let to_resin = self.water.to_resin;
        let celsius = self.temperature_near(setup, now.mono, Point::Feed).map(|t| t.value);
        let feed = self.feed_level(setup, now).map(|feed| feed.value);
        self.resin.tap_water(setup, celsius, feed);
        self.resin.water(setup, now.mono, to_resin, inlet, outlets);
    }

    /// Counts the water since the last reading of the permeate.
    pub(super) fn resin_close(&mut self, setup: &Setup, now: Now) {
        let outlets = self.outlet_readings(setup, now);
        let to_resin = self.water.to_resin;
        self.resin.close(setup, now.mono, to_resin, outlets);
    }
}
