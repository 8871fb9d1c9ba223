//! After every call: what follows from it, and what is told.

use super::channel::{Clean, Trouble};
use super::water::Flow;
use super::{Observation, RESIN_EVERY, Results, TOTALS_EVERY, Trend, of_plant, of_sensor};
use crate::engine::catalogue::{AlarmId, SignalId};
use crate::engine::output::AlarmKey;
use crate::engine::process::start::Conditions;
use crate::engine::setup::{SensorIx, SensorSetup, Setup};
use crate::engine::time::{Mono, Now, Span};
use crate::engine::value::{self, Basis, Flag, NoReading, Reason, Valued};
use crate::settings::schema::Point;
use crate::units::Quantity;

/// A probe upstream of the permeate is judged from here on in a run: the pipe has been flushed.
const FEED_FROM: Span = Span::from_secs(120);

impl Trend {
    /// Takes a live message into its channel and on to whom it concerns.
    pub(super) fn take(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: SensorIx,
        observation: Observation,
        out: &mut Results,
    ) {
        let making = self.water.is_making();
        let probe = &setup.sensors[sensor];
        let temperature = self.temperature_near(setup, now.mono, probe.point);
        let channel = &mut self.channels[sensor];
        let taken = channel.take(setup, probe, now, observation, making, temperature.as_ref());
        let Some(clean) = taken else { return };
        match probe.quantity {
            Quantity::Pulses | Quantity::Volume => {
                self.water.word(setup, now.mono, sensor, observation.value, observation.stamp);
            }
            Quantity::Flow => {
                self.water.word(setup, now.mono, sensor, clean.value, observation.stamp);
            }
            Quantity::Tds | Quantity::Conductivity | Quantity::Resistivity if making => {
                self.solids(setup, now, sensor, &clean, out);
            }
            Quantity::Open => self.valve_word(setup, sensor, observation.value > 0.5),
            _ => {}
        }
        if probe.point == Point::Product && probe.is_solids() {
            self.product_spoke(setup, now, sensor, clean.value, out);
        }
    }

    /// A probe of dissolved solids spoke in flowing water.
    fn solids(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: SensorIx,
        clean: &Clean,
        out: &mut Results,
    ) {
        let point = setup.sensors[sensor].point;
        let first = setup.solids_at(point).next() == Some(sensor);
        match point {
            Point::Permeate if first => self.permeate(setup, now, sensor, clean),
            Point::Between | Point::Product if first => {
                if setup.sees_permeate(sensor) {
                    self.permeate(setup, now, sensor, clean);
                }
                self.outlet(setup, now, sensor, clean, out);
            }
            Point::Supply | Point::Feed | Point::Concentrate => {
                let flushed =
                    self.run.as_ref().is_some_and(|run| now.mono.since(run.began) >= FEED_FROM);
                if flushed {
                    self.channels[sensor].settled(clean);
                    self.channels[sensor].know_level(&setup.sensors[sensor]);
                }
            }
            _ => {}
        }
    }

    fn permeate(&mut self, setup: &Setup, now: Now, sensor: SensorIx, clean: &Clean) {
        if clean.replaced {
            return;
        }
        let display = self.channels[sensor].display(&setup.sensors[sensor]);
        // A message that was held up belongs to the water of then.
        let held = now.mono.since(clean.at).max(Span::ZERO).minutes();
        let flow = self.water.flow(setup, now.mono, Flow::Permeate).map_or(0.0, |flow| flow.value);
        let live = self.water.live(Flow::Permeate) - held * flow;
        let conditions = self.conditions(setup, now);
        if let Some(run) = &mut self.run {
            let shown = (display, clean.value);
            run.reading(setup, clean.at, live, shown, conditions, &self.learned);
            if run.settled.is_some() {
                self.channels[sensor].settled(clean);
                self.channels[sensor].know_level(&setup.sensors[sensor]);
            }
        }
        self.resin_water(setup, now, display.middle(clean.value));
    }

    /// What decides how much salt passes the membrane now.
    fn conditions(&self, setup: &Setup, now: Now) -> Conditions {
        let measured = |flow: &Valued<f64>| flow.basis != Basis::Assumed;
        Conditions {
            feed: self.feed_level(setup, now).map(|feed| feed.value),
            flow: self
                .water
                .flow(setup, now.mono, Flow::Permeate)
                .filter(measured)
                .map(|flow| flow.value),
            celsius: self
                .temperature_near(setup, now.mono, Point::Permeate)
                .filter(|t| t.basis != Basis::Assumed)
                .map(|t| t.value),
        }
    }

    /// What follows from a call.
    pub(super) fn after(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let live = self.water.live(Flow::Permeate);
        let has_probe = setup.solids_at(Point::Permeate).next().is_some();
        self.prove_run(setup, now, out);
        if self.water.is_making()
            && let Some(run) = &mut self.run
        {
            if !has_probe {
                run.without_probe(setup, now.mono, live);
            }
            if run.record_due(setup, now.mono, live) {
                self.write_record(setup, now, out);
            }
        }
        self.make_membrane(setup, now, out);
        if self.totals_at.is_none_or(|at| now.mono.since(at) >= TOTALS_EVERY) {
            self.publish_totals(setup, now, out);
            self.publish_store(setup, now, out);
        }
        if self.resin_at.is_none_or(|at| now.mono.since(at) >= RESIN_EVERY) {
            self.publish_resin(setup, now, out);
        }
        self.upkeep_step(setup, now, out);
        self.tell_troubles(setup, now, out);
        self.due = self.next_due(setup);
    }

    /// Publishes what a sensor shows.
    pub(super) fn publish_reading(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: SensorIx,
        out: &mut Results,
    ) {
        let probe = &setup.sensors[sensor];
        let (making, flowing) = (self.water.is_making(), self.standing.flowing);
        let published = self.channels[sensor].published(setup, probe, now.mono, making, flowing);
        let published = published.map(|valued| match self.is_suspect(&probe.id) {
            true => valued.doubt(Flag::Suspect, Reason::Contradiction),
            false => valued,
        });
        let key = of_sensor(SignalId::Reading, sensor);
        if probe.quantity.is_state() {
            let state = published.map(|valued| valued.relabel(|value| value > 0.5));
            self.emitter.flag(setup, now, key, state, &mut out.values);
            return;
        }
        let total = matches!(probe.quantity, Quantity::Pulses | Quantity::Volume);
        let published = match (total, self.water.meter_total(sensor)) {
            // The count's own uncertainty is in pulses; of the litres the gain is what is uncertain.
            (true, Some(litres)) => {
                published.map(|valued| Valued { value: litres, u: probe.gain_u * litres, ..valued })
            }
            _ => published,
        };
        self.emitter.number(setup, now, key, published, &mut out.values);
    }

    pub(super) fn publish_all_readings(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        for sensor in 0..setup.sensors.len() {
            if setup.sensors[sensor].is_solids() {
                self.publish_reading(setup, now, sensor, out);
            }
        }
    }

    /// Shows the broker's stored copy until something live comes.
    pub(super) fn seed(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: SensorIx,
        value: f64,
        out: &mut Results,
    ) {
        let probe = &setup.sensors[sensor];
        let Some(seed) = self.channels[sensor].seed(probe, value, now.mono) else { return };
        let key = of_sensor(SignalId::Reading, sensor);
        if probe.quantity.is_state() {
            let state = Ok(seed.relabel(|value| value > 0.5));
            self.emitter.flag(setup, now, key, state, &mut out.values);
        } else if !probe.quantity.is_meter() {
            self.emitter.number(setup, now, key, Ok(seed), &mut out.values);
        }
    }

    pub(super) fn publish_totals(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        self.totals_at = Some(now.mono);
        let streams = [
            (SignalId::PermeateLitres, Flow::Permeate),
            (SignalId::ProductLitres, Flow::Product),
            (SignalId::ConcentrateLitres, Flow::Concentrate),
            (SignalId::SupplyLitres, Flow::Supply),
        ];
        for (signal, flow) in streams {
            let value = self.water.valued(flow, now.mono).ok_or(NoReading::NotConfigured);
            self.emitter.number(setup, now, of_plant(signal), value, &mut out.values);
        }
        let exact = |value: f64| Ok(Valued::measured(value, 0.0, now.mono));
        let plain = [
            (SignalId::RunTime, self.water.run_secs),
            (SignalId::Starts, self.water.starts as f64),
            (SignalId::UnseenLitres, self.water.unseen),
        ];
        for (signal, value) in plain {
            self.emitter.number(setup, now, of_plant(signal), exact(value), &mut out.values);
        }
    }

    pub(super) fn publish_store(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let has = |quantity| setup.sensors_of(Point::Store, quantity).next().is_some();
        let by_float = has(Quantity::Full) && setup.store.litres > 0.0;
        if !has(Quantity::Level) && !by_float {
            return;
        }
        let level = self.content(setup, now);
        let free = match &level {
            _ if setup.store.litres <= 0.0 => Err(NoReading::NotConfigured),
            Ok(level) => {
                let free = (setup.store.litres - level.value).max(0.0);
                Ok(level.clone().relabel(|_| free))
            }
            Err(why) => Err(*why),
        };
        let key = of_plant(SignalId::StoreLitres);
        self.emitter.number(setup, now, key, level, &mut out.values);
        let key = of_plant(SignalId::StoreFree);
        self.emitter.number(setup, now, key, free, &mut out.values);
    }

    /// Sensors that give nothing usable.
    fn tell_troubles(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        for (sensor, probe) in setup.sensors.iter().enumerate() {
            let channel = &self.channels[sensor];
            let key = AlarmKey { alarm: AlarmId::SensorFault, of: Some(sensor as u16) };
            if let Some(trouble) = channel.told_trouble(probe, now.mono) {
                if self.told.stands(key) {
                    continue;
                }
                let minutes = now.mono.since(trouble.since).minutes();
                let text = trouble_text(probe, trouble, minutes);
                self.told.raise(key, None, None, text, out);
            } else if channel.is_well() && self.told.stands(key) {
                let text = format!("{} gives readings again.", probe.id);
                self.told.clear(key, text, out);
            }
        }
    }

    /// Temperature of the water at a point: measured there or at the nearest point, else declared.
    pub(super) fn temperature_near(
        &self,
        setup: &Setup,
        now: Mono,
        point: Point,
    ) -> Option<Valued<f64>> {
        let order = [point, Point::Feed, Point::Supply, Point::Permeate, Point::Product];
        let measured = order.iter().find_map(|&point| {
            let sensor = setup.sensors_of(point, Quantity::Temperature).next()?;
            let longest = (setup.sensors[sensor].interval * 12).max(Span::from_secs(1800));
            self.channels[sensor].recent(now, longest).cloned()
        });
        measured.or_else(|| {
            // A declared temperature is good to a season.
            setup.assumed.temperature_c.map(|t| Valued::assumed(t, 4.0, now))
        })
    }

    /// Cleaned level of the store in litres.
    pub fn level_litres(&self, setup: &Setup, now: Mono) -> value::Result<f64> {
        let sensor = setup
            .sensors_of(Point::Store, Quantity::Level)
            .next()
            .ok_or(NoReading::NotConfigured)?;
        let (making, flowing) = (self.water.is_making(), self.standing.flowing);
        self.channels[sensor].published(setup, &setup.sensors[sensor], now, making, flowing)
    }

    /// Cleaned product in ppm on the plant's scale; only while water flows.
    pub fn product_tds(&self, setup: &Setup, now: Mono) -> value::Result<f64> {
        let sensor = setup.solids_at(Point::Product).next().ok_or(NoReading::NotConfigured)?;
        if !self.water.is_making() {
            return Err(NoReading::NotApplicable);
        }
        let longest = (setup.sensors[sensor].interval * 3).max(Span::from_secs(60));
        self.channels[sensor].recent(now, longest).cloned().ok_or(NoReading::Stale)
    }
}

fn trouble_text(probe: &SensorSetup, trouble: Trouble, minutes: f64) -> String {
    let what = match trouble.why {
        NoReading::Unparsable => "its messages cannot be read as a number",
        NoReading::OutOfRange => "its readings lie outside what it can measure",
        NoReading::Stale => "it has been silent while water flows",
        NoReading::NeverSeen => {
            "nothing was ever heard of it; compare its topic with what the device publishes"
        }
        NoReading::Offline => "it says that it is offline while water flows",
        _ => "it gives no reading",
    };
    let nothing = if trouble.some { "hardly anything" } else { "nothing" };
    format!(
        "Sensor {} ({} at {}) has given {nothing} that can be used for {minutes:.0} min: {what}. Look at its power, its cable and its topic, in this order.",
        probe.id,
        probe.quantity.word(),
        probe.point.word(),
    )
}
