//! The container in the running plant: what is told of it, and the alarms of the water plan.

use super::plan::{self, RunRate};
use super::samples::Summary;
use super::store::Look;
use crate::engine::catalogue::{AlarmId, SignalId};
use crate::engine::event::{Calendar, ChangeAt};
use crate::engine::output::AlarmKey;
use crate::engine::process::normalise::TemperatureFactor;
use crate::engine::setup::Setup;
use crate::engine::time::{Now, Span, Wall};
use crate::engine::trend::water::Flow;
use crate::engine::trend::{Results, Trend, of_plant};
use crate::engine::value::{self, Basis, NoReading, Valued};
use crate::settings::schema::{PartKind, Point};
use crate::units::{Celsius, Quantity};

/// Runs from which the rate is taken.
const RATES: usize = 5;
/// A planned change takes place from so long before to so long after its time.
const CHANGE_BEFORE: Span = Span::from_secs(3 * 3600);
const CHANGE_AFTER: Span = Span::from_secs(6 * 3600);
/// Litres that must have gone in before a level that does not rise is told, and the share of them
/// that it must show.
const FILLING_LITRES: f64 = 5.0;
const FILLING_SHARE: f64 = 0.3;
/// Deadband of the water plan: litres, and share of what the change needs; the larger counts. It is
/// about what a level sensor and a wavy surface leave open: judgement.
const SHORT_LITRES: f64 = 1.0;
const SHORT_SHARE: f64 = 0.02;
/// A float that has not spoken for this long says nothing.
const FLOAT_AGE_MAX: Span = Span::from_secs(26 * 3600);
/// Pure water in a stuffy room (1200 ppm of carbon dioxide) conducts 1.68 µS/cm at 25 °C (reference
/// sheet 1.4, PHREEQC): stored water that reads no more is not contaminated.
const AIR_US_PER_CM: f64 = 1.7;

impl Trend {
    /// Takes civil times from who knows the zone.
    pub fn calendar(&mut self, setup: &Setup, now: Now, calendar: &Calendar, out: &mut Results) {
        self.water.advance(setup, now.mono);
        self.pass_change(now);
        self.upkeep.calendar = calendar.clone();
        self.upkeep.at = None;
        self.after(setup, now, out);
    }

    /// A planned change that is over is remembered: its draws are no siphon.
    fn pass_change(&mut self, now: Now) {
        let Some(wall) = now.wall else { return };
        let past = self.upkeep.calendar.changes.iter().filter(|change| change.at <= wall);
        if let Some(last) = past.max_by_key(|change| change.at) {
            self.upkeep.change_before = Some(last.clone());
        }
    }

    /// The planned change whose draws may come now: its time, and its litres.
    fn in_change(&self, setup: &Setup, wall: Option<Wall>) -> Option<(Wall, f64)> {
        let wall = wall?;
        let mixing = plan::batch(setup, 1.0)
            .map_or(Span::ZERO, |batch| Span::from_secs_f64(3600.0 * batch.hours));
        let changes = self.upkeep.calendar.changes.iter().chain(&self.upkeep.change_before);
        let near = |change: &&ChangeAt| {
            wall.since(change.at) <= CHANGE_AFTER && change.at.since(wall) <= CHANGE_BEFORE + mixing
        };
        changes
            .filter(near)
            .min_by_key(|change| change.at)
            .map(|change| (change.at, change.millilitres as f64 / 1000.0))
    }

    /// What can be seen of the container now.
    fn look(&self, setup: &Setup, now: Now) -> Look {
        let float = setup
            .sensors_of(Point::Store, Quantity::Full)
            .filter(|&sensor| !setup.sensors[sensor].overfull)
            .find_map(|sensor| self.channels[sensor].recent(now.mono, FLOAT_AGE_MAX))
            .map(|valued| valued.value > 0.5);
        let basis = self.water.basis(Flow::Product).unwrap_or(Basis::Assumed);
        let step = setup
            .sensors_of(Point::Store, Quantity::Level)
            .next()
            .map_or(0.0, |sensor| setup.sensors[sensor].step);
        Look {
            now: now.mono,
            inflow: self.upkeep.inflow,
            // Meters are good to 3 %, declared flows to a fifth.
            inflow_u: if basis == Basis::Measured { 0.03 } else { 0.2 },
            inflow_basis: basis,
            level: self.level_litres(setup, now.mono).ok(),
            raw: setup
                .sensors_of(Point::Store, Quantity::Level)
                .next()
                .and_then(|sensor| self.channels[sensor].raw()),
            // Waves of a filling container: judgement.
            noise: step.max(0.2),
            full: float,
            volume: setup.store.litres,
            declared_use: setup.assumed.use_litres_per_day,
            change: self.in_change(setup, now.wall),
        }
    }

    /// Water in the container: by its level sensor, else by balance.
    pub(in crate::engine::trend) fn content(&self, setup: &Setup, now: Now) -> value::Result<f64> {
        if setup.sensors_of(Point::Store, Quantity::Level).next().is_some() {
            return self.level_litres(setup, now.mono);
        }
        self.upkeep.store.content(&self.look(setup, now))
    }

    /// Litres drawn from the container in a usual day.
    pub(in crate::engine::trend) fn use_per_day(
        &self,
        setup: &Setup,
        now: Now,
    ) -> value::Result<f64> {
        self.upkeep.store.use_per_day(now.mono, setup.assumed.use_litres_per_day)
    }

    /// Steps the container, tells its values, judges it.
    pub(super) fn step_water(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        self.pass_change(now);
        let product = self.water.live(Flow::Product);
        let before = self.upkeep.product.replace(product).unwrap_or(product);
        if !self.standing.to_drain {
            self.upkeep.inflow += (product - before).max(0.0);
        }
        let look = self.look(setup, now);
        self.upkeep.store.step(&look);
        let has_store = setup.store.litres > 0.0
            || setup.sensors_of(Point::Store, Quantity::Level).next().is_some();
        if !has_store {
            return;
        }
        let content = self.content(setup, now);
        let used = self.use_per_day(setup, now);
        let rate = self.rate(setup, now);
        let need = now.wall.and_then(|wall| plan::next(setup, &self.upkeep.calendar, wall));
        let absent = || Err(NoReading::NotConfigured);
        let exact = |value: f64| Ok(Valued::measured(value, 0.0, now.mono));
        let wall = now.wall.unwrap_or_default();
        let outlook = plan::outlook(setup, (now.mono, wall), &content, &used, &rate, need.as_ref());
        let (mixed, oldest) = match self.upkeep.store.ages() {
            // Parcels are bookkeeping: right to a tenth of the way they came.
            Some((mixed, oldest)) => (
                Ok(Valued::measured(mixed, 0.1 * mixed, now.mono)),
                Ok(Valued::measured(oldest, 0.1 * oldest, now.mono)),
            ),
            None => (Err(NoReading::NeverSeen), Err(NoReading::NeverSeen)),
        };
        let mut values: Vec<(SignalId, value::Result<f64>)> = vec![
            (SignalId::StoreAge, mixed),
            (SignalId::StoreOldest, oldest),
            (SignalId::StoreNeed, need.map_or_else(absent, |need| exact(need.litres))),
            (SignalId::StoreStartBy, outlook.start_by.clone()),
            (SignalId::StoreShortfall, outlook.shortfall.clone()),
            (SignalId::StoreHoursLeft, outlook.hours_left.clone()),
            (SignalId::StoreUse, used.clone()),
            (SignalId::StoreRate, rate),
        ];
        if let Some(batch) = need.and_then(|need| need.batch) {
            let secs = |wall: Wall| exact(wall.millis() as f64 / 1000.0);
            let heating = batch.heating_hours.map_or(Err(NoReading::Unsupported), exact);
            let ready = wall + Span::from_secs_f64(3600.0 * batch.hours);
            let ready = if batch.heating_hours.is_some() {
                secs(ready)
            } else {
                Err(NoReading::Unsupported)
            };
            values.extend([
                (SignalId::BatchSalt, exact(batch.salt_g)),
                (SignalId::BatchWater, exact(batch.water)),
                (SignalId::BatchHeating, heating),
                (SignalId::BatchMixBy, need.map_or_else(absent, |need| secs(need.ready))),
                (SignalId::BatchReadyBy, ready),
            ]);
        }
        for (signal, value) in values {
            self.emitter.number(setup, now, of_plant(signal), value, &mut out.values);
        }
        self.judge_short(setup, now, need.as_ref(), &outlook, &content, out);
        self.judge_age(setup, out);
        self.judge_draw(setup, &look, out);
        self.judge_filling(&look, out);
        self.judge_stored(setup, now, out);
    }

    /// Water that the plant makes now, L/min: from its last runs, else from what is declared.
    fn rate(&self, setup: &Setup, now: Now) -> value::Result<f64> {
        let fresh = |point, quantity| self.at_point(setup, now, point, quantity);
        let celsius = self.temperature_near(setup, now.mono, Point::Feed).map(|t| t.value);
        let last = self.upkeep.rates.back();
        let celsius = match (celsius, last) {
            // Standing water in a warm room is not the water that will come.
            (_, Some(last)) if !self.water.is_making() => last.celsius.or(celsius),
            (celsius, _) => celsius,
        };
        let bar = match self.water.is_making() {
            true => fresh(Point::Feed, Quantity::Pressure).map(|bar| bar.value),
            false => last.and_then(|last| last.bar),
        }
        .or(setup.assumed.feed_pressure_bar);
        let factor = |celsius: f64| TemperatureFactor::default().at(Celsius::checked(celsius)?);
        let runs: Vec<RunRate> = self.upkeep.rates.iter().copied().collect();
        let learned = plan::rate_now(&runs, celsius, bar, factor, now.mono);
        if learned.is_ok() {
            return learned;
        }
        if let Some(flow) = setup.assumed.permeate_litres_per_min {
            return Ok(Valued::assumed(flow, 0.2 * flow, now.mono));
        }
        // Membranes side by side or one after the other: their rated flows add.
        let mut rated = 0.0;
        for part in setup.parts.iter().filter(|part| part.kind == PartKind::Membrane) {
            let pressed = bar.map_or(1.0, |bar| bar / part.declared.rated_bar);
            rated += part.declared.rated_litres_per_min * pressed;
        }
        let warm = celsius.and_then(factor).unwrap_or(1.0);
        if rated > 0.0 {
            return Ok(Valued::assumed(rated * warm, 0.3 * rated * warm, now.mono));
        }
        learned
    }

    /// A run is over: what it made a minute is remembered.
    pub(super) fn learn_rate(&mut self, summary: &Summary) {
        let Some(flow) = summary.middle.permeate.filter(|flow| *flow > 0.0) else { return };
        let rates = &mut self.upkeep.rates;
        if rates.len() == RATES {
            rates.pop_front();
        }
        rates.push_back(RunRate {
            flow,
            celsius: summary.middle.celsius,
            bar: summary.middle.feed_bar,
            assumed: self.water.basis(Flow::Permeate) != Some(Basis::Measured),
        });
    }

    fn judge_short(
        &mut self,
        setup: &Setup,
        now: Now,
        need: Option<&plan::Need>,
        outlook: &plan::Outlook,
        content: &value::Result<f64>,
        out: &mut Results,
    ) {
        let key = AlarmKey::plant(AlarmId::StoreShort);
        let (Some(need), Some(wall), Ok(shortfall), Ok(content)) =
            (need, now.wall, &outlook.shortfall, content)
        else {
            return;
        };
        // What the container cannot hold is no reason to stay short: full counts as enough.
        let margin = SHORT_LITRES.max(SHORT_SHARE * need.litres);
        let room = outlook.too_small.is_none().then(|| {
            let holds = setup.store.litres - setup.store.dead_litres;
            if setup.store.litres > 0.0 { (holds - need.litres) / 2.0 } else { margin }
        });
        let spare = outlook.spare.as_ref().map_or(0.0, |spare| spare.value);
        if room.is_some_and(|room| spare >= margin.min(room)) {
            let text = format!(
                "The container holds {:.0} L: enough for the change on {}.",
                content.value,
                self.upkeep.calendar.civil(need.change)
            );
            self.told.clear(key, text, out);
            return;
        }
        if shortfall.value <= margin && outlook.too_small.is_none() {
            return;
        }
        let ahead = Span::from_secs_f64(3600.0 * setup.limits.store.short_hours);
        let by = match &outlook.start_by {
            Ok(by) => Wall::from_millis((by.value * 1000.0) as i64),
            Err(_) => need.ready,
        };
        // While the plant is making the water that is lacking there is nothing to do.
        let is_made = self.water.is_making() && by.since(wall) > Span::ZERO - ahead;
        let due = wall.since(by + (Span::ZERO - ahead)) >= Span::ZERO;
        if outlook.too_small.is_none() && by.since(wall) > ahead * 2 {
            // The change that it was told for is over: the next one has its own time.
            let text = format!(
                "The next change is on {}; there is time for its water until {}.",
                self.upkeep.calendar.civil(need.change),
                self.upkeep.calendar.civil(by)
            );
            self.told.clear(key, text, out);
        } else if (due && !is_made) || outlook.too_small.is_some() {
            let cold = self.upkeep.rates.back().and_then(|rate| rate.celsius);
            let text = plan::short_text(&self.upkeep.calendar, need, outlook, content.value, cold);
            let (value, limit) = (Some(content.value), Some(need.litres));
            self.told.raise(key, value, limit, text, out);
        }
    }

    fn judge_age(&mut self, setup: &Setup, out: &mut Results) {
        let key = AlarmKey::plant(AlarmId::StoreAgeHigh);
        let limits = &setup.limits.store;
        let Some((mixed, oldest)) = self.upkeep.store.ages() else { return };
        if oldest >= limits.age_told_days {
            let text = format!(
                "The oldest water in the container is {oldest:.0} days old, all of it on average {mixed:.0}; {:.0} days is what purified water, which holds no disinfectant, should not exceed. Use it for a change or the plants before more is made, and look whether the container is closed, dark and clean.",
                limits.age_limit_days,
            );
            self.told.raise(key, Some(oldest), Some(limits.age_told_days), text, out);
        } else if oldest < 0.8 * limits.age_told_days {
            let text = format!("The oldest water in the container is {oldest:.0} days old.");
            self.told.clear(key, text, out);
        }
    }

    fn judge_draw(&mut self, setup: &Setup, look: &Look, out: &mut Results) {
        let key = AlarmKey::plant(AlarmId::DrawAbnormal);
        let limits = &setup.limits.store;
        let over = Span::from_secs_f64(limits.draw_secs);
        let declared = setup.assumed.use_litres_per_day;
        let Some(level) = &look.level else { return };
        let store = &self.upkeep.store;
        let abnormal =
            store.abnormal(limits.draw_factor, limits.draw_litres, over, declared, look.noise);
        if let Some(draw) = abnormal {
            let usual = draw.usual * draw.minutes / 60.0;
            let left = (level.value - setup.store.dead_litres).max(0.0);
            let hours = left / (draw.litres / draw.minutes) / 60.0;
            let text = format!(
                "The container lost {:.1} L in {:.0} min, usual is {usual:.1} L at most; at this pace it is empty in {hours:.1} h. Look now for a siphon, a burst tube or a stuck top-off, in this order: fresh water that runs into the aquarium lowers its salinity.",
                draw.litres, draw.minutes,
            );
            let limit = Some(limits.draw_factor * draw.usual * draw.minutes / 60.0);
            self.told.raise(key, Some(draw.litres), limit, text, out);
        } else if self.told.stands(key)
            && let (Some(drawn), Some(usual)) = (store.drawn_over(over), store.usual_hour(declared))
            && drawn <= (usual * over.secs() / 3600.0).max(2.0 * look.noise)
        {
            let text = format!(
                "In the last {:.0} min {:.1} L were drawn: as usual.",
                over.minutes(),
                drawn.max(0.0)
            );
            self.told.clear(key, text, out);
        }
    }

    fn judge_filling(&mut self, look: &Look, out: &mut Results) {
        let key = AlarmKey::plant(AlarmId::StoreNotFilling);
        if look.level.is_none()
            || !self.water.is_making()
            || self.standing.to_drain
            || look.change.is_some()
        {
            return;
        }
        let least = FILLING_LITRES.max(6.0 * look.noise);
        let Some((went, rose)) = self.upkeep.store.filled(least, look.noise) else { return };
        if rose < FILLING_SHARE * went {
            let text = format!(
                "{went:.1} L were made and the container's level rose by {:.1} L. Look whether the hose is in the container, whether the product goes to the drain, whether something draws as fast as the plant makes, and whether the level sensor moves, in this order.",
                rose,
            );
            self.told.raise(key, Some(rose), Some(FILLING_SHARE * went), text, out);
        } else if rose >= 0.6 * went {
            let text = format!("{went:.1} L were made and the level rose by {rose:.1} L.");
            self.told.clear(key, text, out);
        }
    }

    /// Stored water against what air alone makes of it.
    fn judge_stored(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let key = AlarmKey::plant(AlarmId::StoreTdsHigh);
        let Some(sensor) = setup.solids_at(Point::Store).next() else { return };
        let probe = &setup.sensors[sensor];
        let longest = (probe.interval * 12).max(Span::from_secs(900));
        let Some(stored) = self.channels[sensor].recent(now.mono, longest) else { return };
        let air = AIR_US_PER_CM * setup.ppm_factor;
        let limit = air + self.channels[sensor].display(probe).step + 2.0 * stored.u;
        let value = stored.value;
        if value > limit {
            let text = format!(
                "The water in the container reads {value:.1} ppm; pure water that stands in the air reads {air:.1} ppm at most, from carbon dioxide. So something came into it: look at what hangs into the container, at salt spray, and at the product's readings since the last change.",
            );
            self.told.raise(key, Some(value), Some(limit), text, out);
        } else if value <= air + self.channels[sensor].display(probe).step {
            let text =
                format!("The water in the container reads {value:.1} ppm: what air makes of it.");
            self.told.clear(key, text, out);
        }
    }
}
