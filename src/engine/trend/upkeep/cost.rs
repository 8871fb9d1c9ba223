//! What a hundred litres cost, and what could be saved.
//!
//! Invariant: a price that is not declared gives no figure, never a nought.

use crate::engine::catalogue::SignalId;
use crate::engine::setup::Setup;
use crate::engine::time::Now;
use crate::engine::trend::water::Flow;
use crate::engine::trend::{Results, Trend, of_plant};
use crate::engine::value::{self, Input, NoReading, Valued, derive};

/// Litres to which costs refer.
const PER: f64 = 100.0;
/// A step of recovery, to show what more of it would save.
const RECOVERY_STEP: f64 = 0.05;
/// Prices are good to a tenth.
const PRICE_U: f64 = 0.1;

impl Trend {
    /// Works out the costs; once for each run and each hour.
    pub(super) fn publish_costs(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let price = setup.prices.water_per_litre;
        let recovery = self.recovery_known(setup, now);
        let water = |shift: f64| -> value::Result<f64> {
            let recovery = recovery.clone()?;
            if price <= 0.0 {
                return Err(NoReading::NotConfigured);
            }
            derive(&[Input::own(&recovery)], |x| {
                let share = x[0] + shift;
                (share > 0.0 && share < 1.0).then(|| PER * price / share)
            })
        };
        let saved = match (water(0.0), water(RECOVERY_STEP)) {
            (Ok(now), Ok(then)) => {
                Ok(Valued { u: now.u, ..now.clone().relabel(|money| money - then.value) })
            }
            (Err(why), _) | (_, Err(why)) => Err(why),
        };
        let resin = self.resin_money(setup, now);
        let creep = self.creep_money(setup, now);
        let wear = self.wear_money(setup, now, &resin);
        let early = self.early_money(setup, now);
        let filters = self.filter_money(setup, now);
        let values = [
            (SignalId::CostWater, water(0.0)),
            (SignalId::CostResin, resin),
            (SignalId::CostFilters, filters),
            (SignalId::CostCreep, creep),
            (SignalId::CostRecovery, saved),
            (SignalId::CostWear, wear),
            (SignalId::CostEarly, early),
        ];
        for (signal, value) in values {
            self.emitter.number(setup, now, of_plant(signal), value, &mut out.values);
        }
    }

    fn recovery_known(&self, setup: &Setup, now: Now) -> value::Result<f64> {
        let measured = self.membrane.last(SignalId::Recovery);
        let declared = setup
            .assumed
            .recovery
            .map(|recovery| Valued::assumed(recovery, 0.2 * recovery, now.mono));
        measured.or(declared).ok_or(NoReading::NotConfigured)
    }

    /// Salt that a litre carried into the first vessel over its charge, times what a mg costs.
    fn resin_money(&self, setup: &Setup, now: Now) -> value::Result<f64> {
        let costs = self.resin.costs(setup).ok_or(NoReading::NotConfigured)?;
        if costs.resin_per_mg <= 0.0 {
            return Err(NoReading::NotConfigured);
        }
        let lead = self.resin.lead(setup).ok_or(NoReading::NotConfigured)?;
        let values = self.resin.values(setup, now.mono);
        let values =
            values.into_iter().find(|one| one.part == lead).ok_or(NoReading::NotConfigured)?;
        let (visible, litres) = (values.visible?, values.litres?);
        let mut money = derive(&[Input::own(&visible), Input::own(&litres)], |x| {
            (x[1] > 1.0).then(|| PER * costs.resin_per_mg * x[0] / x[1])
        })?;
        // Capacity and price of a charge are good to a third together.
        money.u = money.u.hypot(0.3 * money.value);
        Ok(money)
    }

    fn creep_money(&self, setup: &Setup, now: Now) -> value::Result<f64> {
        let costs = self.resin.costs(setup).ok_or(NoReading::NotConfigured)?;
        let salt = self.extra_salt().ok_or(NoReading::NeverSeen)?;
        let litres = self.water.live(Flow::Permeate);
        let starts = self.water.starts as f64;
        if costs.resin_per_mg <= 0.0 {
            return Err(NoReading::NotConfigured);
        }
        if litres < 1.0 || starts < 1.0 {
            return Err(NoReading::Unsupported);
        }
        let money = PER * costs.resin_per_mg * salt * starts / litres;
        Ok(Valued::assumed(money, 0.35 * money, now.mono))
    }

    /// What the resin costs beyond what it would with the membrane as it was.
    fn wear_money(
        &self,
        setup: &Setup,
        now: Now,
        resin: &value::Result<f64>,
    ) -> value::Result<f64> {
        let resin = resin.clone()?;
        let ratio = self
            .first_membrane(setup)
            .and_then(|ix| {
                let id = &setup.parts[ix].id;
                self.upkeep.accounts.iter().find(|account| account.part == *id)
            })
            .and_then(|account| account.passage.ratio())
            .ok_or(NoReading::Unsupported)?;
        let ratio = Valued::measured(ratio, 0.1 * ratio, now.mono);
        derive(&[Input::own(&resin), Input::own(&ratio)], |x| {
            (x[1] > 0.0).then(|| (x[0] * (1.0 - 1.0 / x[1])).max(0.0))
        })
    }

    /// Money in the first vessel that a change today would throw away.
    fn early_money(&self, setup: &Setup, now: Now) -> value::Result<f64> {
        let lead = self.resin.lead(setup).ok_or(NoReading::NotConfigured)?;
        let declared = &setup.parts[lead].declared;
        let price = if declared.price > 0.0 {
            declared.price
        } else {
            setup.prices.resin_per_litre * declared.bed_litres
        };
        if price <= 0.0 {
            return Err(NoReading::NotConfigured);
        }
        let left = self.resin.lead_left(setup).ok_or(NoReading::Unsupported)?;
        Ok(Valued::assumed(price * left, 0.3 * price, now.mono))
    }

    /// Each priced filter and membrane, over the litres that it is expected to last for.
    fn filter_money(&self, setup: &Setup, now: Now) -> value::Result<f64> {
        let days = now.mono.since(self.upkeep.began.unwrap_or(now.mono)).days();
        let litres = self.water.live(Flow::Product) - self.upkeep.began_product;
        if days < 3.0 || litres <= 0.0 {
            return Err(NoReading::Unsupported);
        }
        let per_day = litres / days;
        let mut money = 0.0;
        let mut priced = false;
        for part in setup.parts.iter().filter(|part| !part.kind.is_vessel()) {
            if part.declared.price <= 0.0 || part.declared.service_days <= 0.0 {
                continue;
            }
            priced = true;
            money += PER * part.declared.price / (part.declared.service_days * per_day);
        }
        if !priced {
            return Err(NoReading::NotConfigured);
        }
        Ok(Valued::assumed(money, (PRICE_U * money).hypot(0.2 * money), now.mono))
    }
}
