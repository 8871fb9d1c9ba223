//! Filters and membranes in the running plant: accounts, what is told of them, and when each is due.
//!
//! Two pressure senders see every filter between them; what they see is booked on the first sediment
//! filter, or on the first carbon block where there is none. Whichever limit comes first is the one
//! that counts, and it is named. Invariants: while a run-in lasts nothing enters a baseline or a
//! trend; a pump between the senders makes their difference meaningless.

use super::account::Account;
use super::blame::{Cause, Evidence, blame};
use super::samples::Summary;
use crate::engine::catalogue::{AlarmId, SignalId};
use crate::engine::output::{AlarmKey, Datum};
use crate::engine::process::normalise::TemperatureFactor;
use crate::engine::process::prefilter::{CarbonRating, Resistance, contact_seconds};
use crate::engine::process::trend::Forecast;
use crate::engine::setup::{PartIx, Setup};
use crate::engine::time::{Now, Span};
use crate::engine::trend::water::Flow;
use crate::engine::trend::{Results, Trend, of_part, of_plant};
use crate::engine::value::{self, Basis, Flag, NoReading, Reason, Valued};
use crate::settings::schema::{PartKind, Point, Role};
use crate::units::{Bar, Celsius, Litres, LitresPerMinute, Quantity};

/// Salt passage over its baseline at which a membrane has done its service (DEFAULTS).
const PASSAGE_LIMIT: f64 = 2.0;
/// A drop below this many of its uncertainties is no drop.
const DROP_U: f64 = 2.0;
/// Standard uncertainty of a pressure sender's zero that nobody declared, bar: 0.3 % of 10 bar (judgement; makers
/// state 0.5 to 1 % of the span for everything together).
const ZERO_BAR: f64 = 0.03;
/// 95 % of all zeros lie within.
const SURELY: f64 = 1.645;

/// Standard uncertainty of the difference of two senders for their zeros alone, which stays the same from run to
/// run: whatever the drop of new filters is divided by has all of it.
fn drop_zero_u(setup: &Setup) -> f64 {
    let at = |point| {
        let zero =
            setup.sensors_of(point, Quantity::Pressure).next().map(|ix| setup.sensors[ix].zero_u);
        zero.filter(|zero| *zero > 0.0).unwrap_or(ZERO_BAR)
    };
    at(Point::Supply).hypot(at(Point::Feed))
}

/// What new filters cost at their usual flow, bar.
fn new_drop(account: &Account) -> Option<f64> {
    let (flow, _) = account.reference?;
    Some(account.main.baseline()? * flow)
}

/// How many times the drop of new filters this is at least: where that drop is no more than what the zeros of two
/// senders differ by, both may be larger by as much.
fn ratio_at_least(normal: f64, new: f64, zero_u: f64) -> f64 {
    let hidden = if new < DROP_U * zero_u { SURELY * zero_u } else { 0.0 };
    (normal + hidden) / (new + hidden).max(1e-9)
}
/// A 90 % interval is so many standard uncertainties wide.
const NINETY: f64 = 2.0 * 1.644_85;
/// Litres of a run-in that may go astray before it is told.
const ASTRAY_LITRES: f64 = 0.5;
/// Trends are worked out anew after each run, and so often: they cost more than all the rest.
const PARTS_EVERY: Span = Span::from_secs(3600);
/// A declared life in litres or days is good to so much.
const RATED_U: f64 = 0.2;

/// One of the limits of a part: what it is, days until it is met, and their standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Due {
    what: &'static str,
    days: f64,
    u: f64,
}

/// Days to a limit from a forecast.
fn due(what: &'static str, forecast: Forecast) -> Option<Due> {
    match forecast {
        Forecast::Reached => Some(Due { what, days: 0.0, u: 0.0 }),
        Forecast::Within { early, middle, late } => {
            let u = match late {
                Some(late) => (late - early) / NINETY,
                None => 2.0 * (middle - early) / NINETY,
            };
            Some(Due { what, days: middle, u: u.max(0.02 * middle) })
        }
        Forecast::Beyond | Forecast::NoTrend | Forecast::TooFew => None,
    }
}

impl Trend {
    /// The part on which the pressure drop of all prefilters is booked.
    fn drop_part(&self, setup: &Setup) -> Option<PartIx> {
        let first = |kind| {
            (0..setup.parts.len())
                .filter(|&part| setup.parts[part].kind == kind)
                .min_by_key(|&part| setup.parts[part].position)
        };
        first(PartKind::Sediment).or_else(|| first(PartKind::Carbon))
    }

    fn account(&self, setup: &Setup, part: PartIx) -> Option<&Account> {
        self.upkeep.accounts.iter().find(|account| account.part == setup.parts[part].id)
    }

    fn account_mut(&mut self, setup: &Setup, part: PartIx) -> Option<&mut Account> {
        self.upkeep.accounts.iter_mut().find(|account| account.part == setup.parts[part].id)
    }

    /// Total chlorine of the tap: tested, else declared.
    fn chlorine(&self, setup: &Setup) -> Option<f64> {
        self.upkeep.chlorine.or(setup.assumed.chlorine_mg_per_litre)
    }

    /// Counts the water of the accounts and of the run-ins.
    pub(super) fn step_parts(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let upkeep = &mut self.upkeep;
        upkeep.accounts.retain(|account| setup.parts.iter().any(|part| part.id == account.part));
        for part in &setup.parts {
            if !upkeep.accounts.iter().any(|account| account.part == part.id) {
                upkeep.accounts.push(Account::new(&part.id, now.mono));
            }
        }
        let streams = [Flow::Supply, Flow::Permeate, Flow::Product];
        let totals = streams.map(|flow| self.water.live(flow));
        let before = self.upkeep.counted.replace(totals).unwrap_or(totals);
        let [feed, permeate, product] =
            std::array::from_fn(|index| (totals[index] - before[index]).max(0.0));
        let chlorine = self.chlorine(setup).unwrap_or(0.0);
        let drained = self.standing.to_drain || self.water.is_diverted();
        for account in &mut self.upkeep.accounts {
            let Some(part) = setup.parts.iter().find(|part| part.id == account.part) else {
                continue;
            };
            if let Some(feed) = Litres::checked(feed) {
                account.load.add(feed, chlorine);
            }
            if account.run_in > 0.0 {
                let rinses = match part.kind {
                    PartKind::Membrane => permeate,
                    // Where the supply is not metered the permeate is a part of it.
                    PartKind::Carbon | PartKind::Sediment => feed.max(permeate),
                    _ => product,
                };
                let to_drain = drained || (part.kind.is_vessel() && self.standing.to_drain);
                if !to_drain {
                    account.not_drained += rinses;
                }
                account.run_in = (account.run_in - rinses).max(0.0);
            }
        }
        self.judge_run_in(setup, out);
        for ix in 0..setup.parts.len() {
            let Some(left) = self.account(setup, ix).map(|account| account.run_in) else {
                continue;
            };
            let run_in = Ok(Valued::measured(left, 0.0, now.mono));
            let key = of_part(SignalId::WearRunIn, ix);
            self.emitter.number(setup, now, key, run_in, &mut out.values);
        }
        if self.upkeep.parts_at.is_none_or(|at| now.mono.since(at) >= PARTS_EVERY) {
            self.upkeep.parts_at = Some(now.mono);
            self.publish_parts(setup, now, out);
        }
    }

    /// A run-in is under way: nothing of it is typical.
    pub(super) fn is_running_in(&self) -> bool {
        self.upkeep.accounts.iter().any(|account| account.run_in > 0.0)
    }

    fn judge_run_in(&mut self, setup: &Setup, out: &mut Results) {
        for (ix, part) in setup.parts.iter().enumerate() {
            let Some((left, astray)) =
                self.account(setup, ix).map(|account| (account.run_in, account.not_drained))
            else {
                continue;
            };
            let key = AlarmKey { alarm: AlarmId::RunInNotDrained, of: u16::try_from(ix).ok() };
            if left <= 0.0 {
                let text = format!("The run-in of {} is over.", part.id);
                self.told.clear(key, text, out);
            } else if astray >= ASTRAY_LITRES {
                let what = match part.kind {
                    PartKind::Membrane => {
                        "The first permeate of a new membrane carries its preservative, which loads the resin and does not belong into the container"
                    }
                    kind if kind.is_vessel() => "The first water of fresh resin carries leachables",
                    _ => {
                        "The first water of a new carbon block carries fines, which clog the membrane"
                    }
                };
                let text = format!(
                    "{what}. {astray:.1} L of it have not gone to the drain, {left:.0} L of the run-in of {} are left: lead them to the drain by a test run, a divert or a hose.",
                    part.id,
                );
                self.told.raise(key, Some(astray), Some(ASTRAY_LITRES), text, out);
            }
        }
    }

    /// A part was changed: its account begins anew.
    pub(super) fn part_renewed(&mut self, setup: &Setup, now: Now, ix: PartIx, out: &mut Results) {
        let part = &setup.parts[ix];
        let wear = &setup.limits.wear;
        let mut account = Account::new(&part.id, now.mono);
        account.fitted = now.wall;
        account.run_in = match part.kind {
            PartKind::Membrane => wear.membrane_run_in_litres,
            PartKind::Carbon => wear.carbon_run_in_litres,
            PartKind::Sediment => 0.0,
            PartKind::Mixed | PartKind::Cation | PartKind::Anion => wear.resin_run_in_litres,
        };
        self.upkeep.accounts.retain(|known| known.part != part.id);
        self.upkeep.accounts.push(account);
        self.upkeep.accounts.sort_by(|a, b| a.part.cmp(&b.part));
        // Any of the filters between the senders changes what they see.
        if matches!(part.kind, PartKind::Sediment | PartKind::Carbon)
            && let Some(drop) = self.drop_part(setup)
            && let Some(account) = self.account_mut(setup, drop)
        {
            account.main = Default::default();
            account.reference = None;
        }
        let text = || format!("{} was changed.", part.id);
        for alarm in [AlarmId::PrefilterResistanceHigh, AlarmId::CarbonLoadHigh, AlarmId::PartDue] {
            let key = AlarmKey { alarm, of: u16::try_from(ix).ok() };
            self.told.clear(key, text(), out);
        }
        match part.kind {
            kind if kind.is_vessel() => self.upkeep.proven_at = 0.0,
            PartKind::Membrane => {
                self.told.clear(AlarmKey::plant(AlarmId::MembraneFlowLow), text(), out);
            }
            PartKind::Carbon => {
                self.upkeep.chlorine_behind = None;
                self.told.clear(AlarmKey::plant(AlarmId::ChlorineAfterCarbon), text(), out);
            }
            _ => {}
        }
    }

    /// Water behind the carbon was tested.
    pub(in crate::engine::trend) fn carbon_tested(
        &mut self,
        setup: &Setup,
        chlorine: f64,
        out: &mut Results,
    ) -> Result<String, String> {
        if !(chlorine.is_finite() && chlorine >= 0.0) {
            return Err("the chlorine must be a number of mg/L, 0 or more".to_owned());
        }
        self.upkeep.chlorine_behind = Some(chlorine);
        let limit = setup.limits.wear.chlorine_mg_per_litre;
        let key = AlarmKey::plant(AlarmId::ChlorineAfterCarbon);
        if chlorine >= limit {
            let text = format!(
                "{chlorine:.2} mg/L of total chlorine were found behind the carbon; from {limit:.2} mg/L on the membrane is oxidised, for good. Stop making water until the carbon is changed, then test again."
            );
            self.told.raise(key, Some(chlorine), Some(limit), text, out);
            Ok("Recorded. Change the carbon before more water is made.".to_owned())
        } else {
            let text = format!("{chlorine:.2} mg/L behind the carbon: it does its work.");
            self.told.clear(key, text, out);
            Ok("Recorded; the carbon does its work.".to_owned())
        }
    }

    /// A run is over: its middle enters the accounts.
    pub(super) fn learn_parts(
        &mut self,
        setup: &Setup,
        now: Now,
        summary: &Summary,
        out: &mut Results,
    ) {
        if self.is_running_in() {
            return;
        }
        self.upkeep.parts_at = None;
        self.upkeep.last_celsius = summary.middle.celsius.or(self.upkeep.last_celsius);
        self.upkeep.last_supply = summary.middle.supply.or(self.upkeep.last_supply);
        self.learn_drop(setup, now, summary);
        let middle = summary.middle;
        let run_secs = self.water.run_secs;
        let throttled = self.upkeep.band.holds(summary);
        if !self.membrane.running_in(run_secs) && !throttled {
            for ix in 0..setup.parts.len() {
                if setup.parts[ix].kind != PartKind::Membrane {
                    continue;
                }
                let Some(account) = self.account_mut(setup, ix) else { continue };
                if let Some(flow) = middle.standard_flow {
                    account.main.push(now.mono, flow, middle.celsius);
                }
                if let Some(passage) = middle.passage {
                    account.passage.push(now.mono, passage, middle.celsius);
                }
            }
            let raw = &mut self.upkeep.raw_flow;
            if let Some(flow) = middle.permeate {
                raw.push(now.mono, flow, middle.celsius);
            }
            if let Some(bar) = middle.feed_bar {
                self.upkeep.pressure.push(now.mono, bar, None);
            }
        }
        self.judge_parts(setup, now, summary, out);
    }

    fn learn_drop(&mut self, setup: &Setup, now: Now, summary: &Summary) {
        let pumped = setup.actuators_of(Role::Pump).next().is_some();
        let middle = summary.middle;
        let (Some(supply), Some(feed), Some(flow), false) =
            (middle.supply_bar, middle.feed_bar, middle.supply, pumped)
        else {
            return;
        };
        let Some(part) = self.drop_part(setup) else { return };
        let celsius = middle.celsius.unwrap_or(15.0);
        let drop = supply - feed;
        // A fitting's own loss is not known at home: the cartridge is taken to be all of it.
        let resistance = (|| {
            Resistance::from_drop(
                Bar::checked(drop)?,
                LitresPerMinute::checked(flow)?,
                Celsius::checked(celsius)?,
                0.0,
            )
        })();
        let Some(account) = self.account_mut(setup, part) else { return };
        account.drop = Some((drop, middle.drop_u));
        if let Some(resistance) = resistance.filter(|_| drop > 0.0) {
            account.reference.get_or_insert((flow, resistance.cartridge));
            account.main.push(now.mono, resistance.cartridge, middle.celsius);
        }
    }

    fn judge_parts(&mut self, setup: &Setup, now: Now, summary: &Summary, out: &mut Results) {
        let wear = &setup.limits.wear;
        if let Some(ix) = self.drop_part(setup)
            && let Some(account) = self.account(setup, ix)
            && let (Some(ratio), Some((drop, u))) = (account.main.ratio(), account.drop)
        {
            let usual = account.reference.map(|(flow, _)| flow);
            let normal = usual
                .and_then(|flow| Some(account.main.baseline()? * ratio * flow))
                .unwrap_or(drop);
            let new = new_drop(account).unwrap_or(drop);
            let at_least = |ratio: f64| ratio_at_least(ratio * new, new, drop_zero_u(setup));
            let high = account.main.beyond(|ratio| at_least(ratio) >= wear.prefilter_ratio)
                || normal >= wear.prefilter_drop_bar;
            let key =
                AlarmKey { alarm: AlarmId::PrefilterResistanceHigh, of: u16::try_from(ix).ok() };
            if high && drop > DROP_U * u {
                let text = format!(
                    "With flow and temperature taken out the filters before the membrane cost {ratio:.1} times the pressure of new ones, {normal:.2} bar at their usual flow: the membrane lacks it. Change {} and record the change.",
                    setup.parts[ix].id,
                );
                self.told.raise(key, Some(ratio), Some(wear.prefilter_ratio), text, out);
            } else if account.main.beyond(|ratio| ratio < 0.8 * wear.prefilter_ratio)
                && normal < 0.8 * wear.prefilter_drop_bar
            {
                self.told.clear(key, "The filters let water through as before.".to_owned(), out);
            }
        }
        self.judge_membrane_flow(setup, now, summary, out);
    }

    /// By how much two forms of the temperature factor differ between now and the baseline.
    fn temperature_doubt(celsius: Option<f64>, base: Option<f64>) -> f64 {
        let Some((now, base)) = celsius.zip(base) else { return 0.0 };
        let ratio = |form: TemperatureFactor| {
            Some(form.at(Celsius::checked(now)?)? / form.at(Celsius::checked(base)?)?)
        };
        match (ratio(TemperatureFactor::default()), ratio(TemperatureFactor::Viscosity)) {
            (Some(a), Some(b)) => (a / b - 1.0).abs(),
            _ => 0.1,
        }
    }

    fn judge_membrane_flow(
        &mut self,
        setup: &Setup,
        now: Now,
        summary: &Summary,
        out: &mut Results,
    ) {
        let limit = setup.limits.wear.membrane_flow_share;
        let Some(ix) = self.first_membrane(setup) else { return };
        let Some(account) = self.account(setup, ix) else { return };
        let Some(ratio) = account.main.ratio() else { return };
        let doubt = Self::temperature_doubt(summary.middle.celsius, account.main.base_celsius());
        let key = AlarmKey::plant(AlarmId::MembraneFlowLow);
        // What the temperature form alone may have done is no wear.
        if account.main.beyond(|ratio| ratio * (1.0 + doubt) < limit) {
            let (cause, evidence) = self.blame_membrane(setup, now, ix, summary.middle.celsius);
            let text = format!(
                "With temperature and pressure taken out the membrane gives {:.0} % of the flow that it gave at first. Likely cause: {} ({evidence}). Look at the prefilters and the pressure first, then flush or clean, then change it.",
                100.0 * ratio,
                cause.word(),
            );
            self.told.raise(key, Some(ratio), Some(limit), text, out);
        } else if account.main.beyond(|ratio| ratio > limit + 0.05) {
            let text = format!("The membrane's flow is back at {:.0} %.", 100.0 * ratio);
            self.told.clear(key, text, out);
        }
    }

    pub(super) fn first_membrane(&self, setup: &Setup) -> Option<PartIx> {
        (0..setup.parts.len())
            .filter(|&part| setup.parts[part].kind == PartKind::Membrane)
            .min_by_key(|&part| setup.parts[part].position)
    }

    fn blame_membrane(
        &self,
        setup: &Setup,
        now: Now,
        ix: PartIx,
        celsius: Option<f64>,
    ) -> (Cause, String) {
        let Some(account) = self.account(setup, ix) else {
            return blame(&Evidence::default());
        };
        let base = account.main.base_celsius();
        let carbon = self.parts_of(setup, PartKind::Carbon).find_map(|(ix, _)| {
            let account = self.account(setup, ix)?;
            account.load.used(rating(setup, ix)?).map(|used| used.get())
        });
        let prefilter = self.drop_part(setup).and_then(|ix| self.account(setup, ix)?.main.ratio());
        let limit = setup.limits.wear.chlorine_mg_per_litre;
        let _ = now;
        blame(&Evidence {
            flow: account.main.ratio(),
            flow_u: (Self::temperature_doubt(celsius, base) / 2.0)
                .hypot(account.main.spread() / 2.0),
            passage: account.passage.ratio(),
            raw_flow: self.upkeep.raw_flow.ratio(),
            pressure: self.upkeep.pressure.ratio(),
            celsius: celsius.zip(self.upkeep.raw_flow.base_celsius()),
            prefilter,
            carbon,
            chlorine: self.upkeep.chlorine_behind.map(|chlorine| chlorine / limit),
            feed: self.upkeep.feed.ratio(),
            sudden: account.passage.is_sudden(),
            probe_suspect: !self.upkeep.suspects.is_empty(),
        })
    }

    fn parts_of<'a>(
        &self,
        setup: &'a Setup,
        kind: PartKind,
    ) -> impl Iterator<Item = (PartIx, &'a crate::engine::setup::PartSetup)> + use<'a> {
        setup.parts.iter().enumerate().filter(move |(_, part)| part.kind == kind)
    }

    /// Everything that limits a part, soonest first.
    fn limits_of(&self, setup: &Setup, now: Now, ix: PartIx) -> Vec<Due> {
        let Some(account) = self.account(setup, ix) else { return Vec::new() };
        let part = &setup.parts[ix];
        let declared = &part.declared;
        let wear = &setup.limits.wear;
        let celsius = self.upkeep.last_celsius;
        let mut limits = Vec::new();
        if declared.service_days > 0.0 {
            let days = account.days(&declared.fitted, now.mono, now.wall);
            let left = (declared.service_days - days).max(0.0);
            limits.push(Due { what: "days", days: left, u: 1.0 });
        }
        let per_day = account.litres_per_day(now.mono);
        if let Some(per_day) = per_day {
            let litres = account.load.litres().get();
            let left = match (part.kind, rating(setup, ix)) {
                (PartKind::Carbon, Some(rating)) => {
                    let oxidant = self.chlorine(setup).unwrap_or(rating.challenge);
                    let by_oxidant = account.load.remaining_by_oxidant(rating, oxidant);
                    let left = account.load.remaining(rating, oxidant);
                    let what = match (by_oxidant, left) {
                        (Some(by), Some(left)) if by.get() <= left.get() => "oxidant load",
                        _ => "litres",
                    };
                    left.map(|left| (what, left.get()))
                }
                (PartKind::Sediment, _) if declared.rated_litres > 0.0 => {
                    Some(("litres", (declared.rated_litres - litres).max(0.0)))
                }
                _ => None,
            };
            limits.extend(left.map(|(what, left)| {
                let days = left / per_day;
                Due { what, days, u: (RATED_U * days).max(1.0) }
            }));
        }
        if Some(ix) == self.drop_part(setup) {
            let mut limit = wear.prefilter_ratio;
            if let (Some(base), Some((flow, _))) = (account.main.baseline(), account.reference)
                && base * flow > 0.0
            {
                limit = limit.min(wear.prefilter_drop_bar / (base * flow));
            }
            limits.extend(due("pressure", account.main.until(limit.max(1.05), now.mono, celsius)));
        }
        if part.kind == PartKind::Membrane {
            let flow = account.main.until(wear.membrane_flow_share, now.mono, celsius);
            let passage = account.passage.until(PASSAGE_LIMIT, now.mono, celsius);
            limits.extend(due("flow", flow));
            limits.extend(due("salt passage", passage));
        }
        limits.sort_by(|a, b| a.days.total_cmp(&b.days));
        limits
    }

    fn publish_parts(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let metered = self.water.basis(Flow::Supply);
        let chlorine = self.chlorine(setup);
        for (ix, part) in setup.parts.iter().enumerate() {
            let Some(account) = self.account(setup, ix).cloned() else { continue };
            if part.kind.is_vessel() {
                continue;
            }
            let limits = self.limits_of(setup, now, ix);
            let first = limits.first().copied();
            let absent = NoReading::Unsupported;
            let remaining: value::Result<f64> = first
                .map(|due| Valued::assumed(due.days, due.u, now.mono))
                .map(|valued| match first.map(|due| due.what) {
                    Some("pressure" | "flow" | "salt passage") => {
                        Valued { basis: Basis::Measured, ..valued }
                    }
                    _ => valued,
                })
                .ok_or(absent);
            let trend = account
                .main
                .trend(self.upkeep.last_celsius)
                .map(|(monthly, u)| Valued::measured(monthly, u, now.mono))
                .ok_or(absent);
            let mut numbers =
                vec![(SignalId::WearTrend, trend), (SignalId::WearRemaining, remaining.clone())];
            if part.kind == PartKind::Membrane {
                if Some(ix) == self.first_membrane(setup) {
                    let key = of_plant(SignalId::MembraneRemaining);
                    self.emitter.number(setup, now, key, remaining, &mut out.values);
                }
            } else {
                numbers.extend(self.filter_values(setup, now, ix, &account, metered, chlorine));
                numbers.push((SignalId::PrefilterRemaining, remaining));
            }
            for (signal, value) in numbers {
                self.emitter.number(setup, now, of_part(signal, ix), value, &mut out.values);
            }
            let binds = first.map_or("nothing known", |due| due.what);
            let cause = self.cause_text(setup, now, ix, &account);
            for (signal, text) in
                [(SignalId::WearBinds, binds.to_owned()), (SignalId::WearCause, cause)]
            {
                let key = of_part(signal, ix);
                self.emitter.word(setup, now, key, Datum::Text(text), &mut out.values);
            }
            self.judge_due(setup, ix, &limits, &account, out);
        }
    }

    fn filter_values(
        &self,
        setup: &Setup,
        now: Now,
        ix: PartIx,
        account: &Account,
        metered: Option<Basis>,
        chlorine: Option<f64>,
    ) -> Vec<(SignalId, value::Result<f64>)> {
        let part = &setup.parts[ix];
        let on_litres = |value: f64, u: f64| match metered {
            Some(basis) => Ok(Valued { basis, ..Valued::measured(value, u, now.mono) }),
            None => Err(NoReading::NotConfigured),
        };
        let litres = account.load.litres().get();
        let here = Some(ix) == self.drop_part(setup);
        let (ratio, drop) = if here {
            let ratio = account.main.ratio().map(|ratio| {
                // The ratio is as uncertain as the drop behind it, and as the runs scatter.
                let relative = account.drop.map_or(0.1, |(drop, u)| u / drop.abs().max(1e-6));
                // A zero that both have changes the drop of new filters most.
                let new = new_drop(account);
                let zero = new.map_or(0.0, |new| {
                    drop_zero_u(setup) * (ratio - 1.0).abs() / new.abs().max(1e-6)
                });
                let u = (ratio * relative).hypot(account.main.spread()).hypot(zero);
                let valued = Valued::measured(ratio, u, now.mono);
                if u > 0.5 * ratio {
                    valued.doubt(Flag::Suspect, Reason::Resolution)
                } else {
                    valued
                }
            });
            let drop = account.drop.map(|(drop, u)| {
                let valued = Valued::measured(drop, u, now.mono);
                if drop.abs() < DROP_U * u {
                    valued.doubt(Flag::Suspect, Reason::Resolution)
                } else {
                    valued
                }
            });
            (ratio.ok_or(NoReading::Unsupported), drop.ok_or(NoReading::NotConfigured))
        } else {
            (Err(NoReading::NotConfigured), Err(NoReading::NotConfigured))
        };
        let mut values = vec![
            (SignalId::PrefilterRatio, ratio),
            (SignalId::PrefilterDrop, drop),
            (SignalId::PrefilterLitres, on_litres(litres, 0.05 * litres)),
        ];
        if part.kind == PartKind::Carbon {
            let grams = account.load.oxidant() / 1000.0;
            let oxidant = match chlorine {
                // What the supplier states varies by a third from day to day (reference sheet 6).
                Some(_) => on_litres(grams, 0.35 * grams)
                    .map(|valued| Valued { basis: Basis::Assumed, ..valued }),
                None => Err(NoReading::NotConfigured),
            };
            let contact = match self.upkeep.last_supply {
                _ if part.declared.bed_litres <= 0.0 => Err(NoReading::NotConfigured),
                None => Err(NoReading::NeverSeen),
                Some(flow) => {
                    let basis = metered.unwrap_or_default();
                    let flow = Valued { basis, ..Valued::measured(flow, 0.05 * flow, now.mono) };
                    value::derive(&[value::Input::own(&flow)], |x| {
                        let bed = Litres::checked(part.declared.bed_litres)?;
                        contact_seconds(bed, LitresPerMinute::checked(x[0])?)
                    })
                }
            };
            values.push((SignalId::PrefilterOxidant, oxidant));
            values.push((SignalId::PrefilterContact, contact));
        }
        values
    }

    /// Likely cause and evidence, in words.
    fn cause_text(&self, setup: &Setup, now: Now, ix: PartIx, account: &Account) -> String {
        let new = new_drop(account);
        let unsure = |ratio: f64| {
            new.is_some_and(|new| ratio_at_least(ratio * new, new, drop_zero_u(setup)) < 1.5)
        };
        let (cause, evidence) = match setup.parts[ix].kind {
            PartKind::Membrane => self.blame_membrane(setup, now, ix, self.upkeep.last_celsius),
            _ => match account.main.ratio() {
                Some(ratio) if ratio >= 1.5 && unsure(ratio) => (
                    Cause::CannotTell,
                    format!("{ratio:.1} times the drop of new filters, which is no more than the zeros of two pressure senders may differ by: close the outlet, compare them under standing pressure and enter or correct the difference"),
                ),
                Some(ratio) if ratio >= 1.5 => (
                    Cause::Sediment,
                    format!("{ratio:.1} times the resistance of new filters at like flow and temperature"),
                ),
                Some(ratio) => (
                    Cause::Healthy,
                    format!("{ratio:.1} times the resistance of new filters"),
                ),
                None => (
                    Cause::CannotTell,
                    "its resistance is not known: that takes pressure before and behind it, and a flow".to_owned(),
                ),
            },
        };
        format!("{}: {evidence}", cause.word())
    }

    fn judge_due(
        &mut self,
        setup: &Setup,
        ix: PartIx,
        limits: &[Due],
        account: &Account,
        out: &mut Results,
    ) {
        let part = &setup.parts[ix];
        let of = u16::try_from(ix).ok();
        if part.kind == PartKind::Carbon
            && let Some(rating) = rating(setup, ix)
            && let Some(used) = account.load.used(rating)
        {
            let litres = account.load.litres().get();
            let over = litres / rating.litres.get();
            let key = AlarmKey { alarm: AlarmId::CarbonLoadHigh, of };
            if used.get() >= 1.0 || over >= 2.0 {
                let text = format!(
                    "{} has met {:.1} g of chlorine, {:.0} % of its rating, in {litres:.0} L of feed (rated {:.0} L). What passes it oxidises the membrane: test total chlorine behind it today, and change it.",
                    part.id,
                    account.load.oxidant() / 1000.0,
                    100.0 * used.get(),
                    rating.litres.get(),
                );
                self.told.raise(key, Some(used.get().max(over / 2.0)), Some(1.0), text, out);
            }
        }
        let key = AlarmKey { alarm: AlarmId::PartDue, of };
        let over =
            limits.iter().find(|due| due.days <= 0.0 && matches!(due.what, "days" | "litres"));
        if let Some(over) = over {
            let text = match over.what {
                "days" => format!(
                    "{} is at the end of the {:.0} days that it is meant for. Change it and record the change.",
                    part.id, part.declared.service_days
                ),
                _ => format!(
                    "{} has treated {:.0} L of feed, which is what it is rated for. Change it and record the change.",
                    part.id,
                    account.load.litres().get()
                ),
            };
            self.told.raise(key, None, None, text, out);
        }
    }
}

fn rating(setup: &Setup, ix: PartIx) -> Option<CarbonRating> {
    let declared = &setup.parts[ix].declared;
    (declared.rated_litres > 0.0).then_some(())?;
    Some(CarbonRating {
        litres: Litres::checked(declared.rated_litres)?,
        challenge: declared.rated_mg_per_litre,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two senders whose zeros differ by a tenth of a bar show a clean drop of 0.1 bar as 0.01 and twice of it as
    /// 0.11. A clean drop that is surely there is divided by as it is.
    #[test]
    fn a_clean_drop_below_what_the_zeros_differ_by_is_no_baseline() {
        let zero = 0.03f64.hypot(0.03);
        assert!(ratio_at_least(0.043, 0.01, zero) < 1.5);
        assert!(ratio_at_least(0.11, 0.01, zero) < 3.0);
        assert!(ratio_at_least(0.4, 0.01, zero) > 3.0);
        assert!((ratio_at_least(0.3, 0.1, zero) - 3.0).abs() < 1e-9);
    }
}
