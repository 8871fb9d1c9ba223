//! Water plan, filters, wear and costs on whole engines, against waters whose truth is known by
//! construction or from the virtual plant.

use permeated::calendar::{calendar, until};
use permeated::demo::parameters::PlantParameters;
use permeated::demo::plant::VirtualPlant;
use permeated::engine::Engine;
use permeated::engine::catalogue::{AlarmId, SignalId};
use permeated::engine::event::{Ask, Command, Event, Reading, ServiceEntry, beginning};
use permeated::engine::output::{AlarmUpdate, Datum, Output, ValueKey, ValueUpdate};
use permeated::engine::setup::Setup;
use permeated::engine::time::{Mono, Now, Wall};
use permeated::settings::load::from_str;
use permeated::settings::schema::Plant;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Monday 2026-11-23, 00:00 UTC.
const MONDAY: i64 = 1_795_392_000_000;

/// An engine, driven.
struct Rig {
    setup: Arc<Setup>,
    plant: Plant,
    engine: Engine,
    secs: f64,
    until: Option<Wall>,
    values: BTreeMap<ValueKey, ValueUpdate>,
    alarms: Vec<AlarmUpdate>,
}

impl Rig {
    fn new(toml: &str) -> Self {
        let settings = from_str("site.toml", toml).expect("good settings");
        let (id, plant) = settings.plants.iter().next().expect("one plant");
        let setup = Arc::new(Setup::resolve(id, plant, settings.daemon.on_stop, 5));
        let mut rig = Self {
            engine: Engine::new(Arc::clone(&setup)),
            setup,
            plant: plant.clone(),
            secs: 1.0,
            until: None,
            values: BTreeMap::new(),
            alarms: Vec::new(),
        };
        for event in beginning(rig.setup.actuators.len()) {
            rig.event(event);
        }
        rig
    }

    fn now(&self) -> Now {
        let millis = (self.secs * 1000.0) as i64;
        Now::new(Mono::from_millis(millis), Wall::from_millis(MONDAY + millis))
    }

    fn event(&mut self, event: Event) {
        let now = self.now();
        self.engine.handle(now, event);
        while let Some(output) = self.engine.poll_output() {
            match output {
                Output::Value(update) => {
                    self.values.insert(update.key, update);
                }
                Output::Alarm(update) => self.alarms.push(update),
                Output::Persist { token } => {
                    self.engine.handle(now, Event::Persisted { token });
                }
                _ => {}
            }
        }
    }

    /// Goes on to a time and lets deadlines fire.
    fn go(&mut self, secs: f64) {
        self.secs = secs;
        let wall = self.now().wall.expect("sane");
        if self.until.is_none_or(|until| wall >= until) {
            let fresh = calendar(&self.plant.plan, &jiff::tz::TimeZone::UTC, wall);
            self.until = until(&fresh);
            self.event(Event::Calendar(fresh));
        }
        self.event(Event::Tick);
    }

    fn tell(&mut self, id: &str, value: f64) {
        let sensor = self.setup.sensors.iter().position(|sensor| sensor.id == id);
        let Some(sensor) = sensor else { return };
        let reading = Reading { sensor, value, retained: false, arrived: None, stamp: None };
        self.event(Event::Reading(reading));
    }

    fn service(&mut self, entry: ServiceEntry) {
        self.ask(Ask::Service(entry));
    }

    fn ask(&mut self, what: Ask) {
        self.event(Event::Command(Command { id: String::new(), at: None, what }));
    }

    fn value(&self, signal: SignalId, part: Option<&str>) -> Option<f64> {
        let of = part.map(|part| {
            let at = self.setup.parts.iter().position(|known| known.id == part);
            u16::try_from(at.expect("known part")).expect("few parts")
        });
        match &self.values.get(&ValueKey { signal, of })?.datum {
            Ok(Datum::Number(number)) => Some(*number),
            _ => None,
        }
    }

    fn text(&self, signal: SignalId, part: &str) -> Option<String> {
        let at = self.setup.parts.iter().position(|known| known.id == part)?;
        let key = ValueKey { signal, of: u16::try_from(at).ok() };
        match &self.values.get(&key)?.datum {
            Ok(Datum::Text(text)) => Some(text.clone()),
            _ => None,
        }
    }

    #[track_caller]
    fn plant(&self, signal: SignalId) -> f64 {
        self.value(signal, None).unwrap_or_else(|| {
            panic!("{signal:?} is {:?}", self.values.get(&ValueKey { signal, of: None }))
        })
    }

    /// The alarm stands; with its text.
    fn stands(&self, alarm: AlarmId) -> Option<&AlarmUpdate> {
        self.alarms.iter().rev().find(|update| update.key.alarm == alarm).filter(|last| last.active)
    }
}

const STORE: &str = r#"
[plants.home.sensors.permeate]
topic = "a"
quantity = "tds"
point = "permeate"
unit = "ppm"
step = 1
[plants.home.sensors.product]
topic = "b"
quantity = "tds"
point = "product"
unit = "ppm"
step = 1
[plants.home.sensors.flow]
topic = "c"
quantity = "flow"
point = "permeate"
unit = "L/min"
[plants.home.sensors.level]
topic = "d"
quantity = "level"
point = "store"
unit = "L"
interval_secs = 60
[plants.home.sensors.temperature]
topic = "e"
quantity = "temperature"
point = "feed"
unit = "°C"
[plants.home.actuators.valve]
role = "supply-valve"
topic = "v/set"
close = "OFF"
fails = "closed"
[plants.home.store]
litres = 100
dead_litres = 5
[plants.home.plan.changes.saturday]
weekday = "saturday"
at = "10:00"
litres = 40
"#;

/// A store that is drawn evenly and filled in runs; the truth beside the rig.
struct Tank {
    litres: f64,
    use_per_day: f64,
    flow: f64,
    celsius: f64,
    /// L/min that leave beside the usual use.
    siphon: f64,
    /// What is made does not arrive.
    lost: bool,
}

impl Tank {
    /// Lets minutes pass; `making` water.
    fn pass(&mut self, rig: &mut Rig, minutes: u32, making: bool) {
        // Idle water is looked at each fifth minute.
        let each = if making || self.siphon > 0.0 || minutes < 60 { 1 } else { 5 };
        for minute in (0..minutes).step_by(each) {
            let flow = if making { self.flow } else { 0.0 };
            let arrives = if self.lost { 0.0 } else { flow };
            let lost = self.use_per_day / 1440.0 + self.siphon;
            self.litres += (arrives - lost) * each as f64;
            self.litres = self.litres.max(0.0);
            let steps = if making { 3 } else { 1 };
            for step in 0..steps {
                rig.go(rig.secs + 60.0 * each as f64 / f64::from(steps));
                rig.tell("flow", flow);
                if making {
                    rig.tell("permeate", 5.0);
                    rig.tell("product", 0.0);
                    rig.tell("temperature", self.celsius);
                }
                if step == 0 {
                    // The sensor rounds to a tenth.
                    let wobble = if (minute / each as u32).is_multiple_of(2) { 0.1 } else { -0.1 };
                    rig.tell("level", ((self.litres + wobble) * 10.0).round() / 10.0);
                }
            }
        }
    }

    fn day(&mut self, rig: &mut Rig, run_minutes: u32) {
        self.pass(rig, 120, false);
        self.pass(rig, run_minutes, true);
        self.pass(rig, 1440 - 120 - run_minutes, false);
    }
}

fn tank() -> Tank {
    Tank { litres: 50.0, use_per_day: 9.0, flow: 0.15, celsius: 8.0, siphon: 0.0, lost: false }
}

#[test]
fn the_plan_says_what_will_lack_and_by_when_to_start() {
    let mut rig = Rig::new(STORE);
    let mut tank = tank();
    // Monday to Thursday: an hour of production a day makes what is drawn.
    for _ in 0..4 {
        tank.day(&mut rig, 60);
    }
    let used = rig.plant(SignalId::StoreUse);
    assert!((used - 9.0).abs() < 0.5, "use {used}");
    let rate = rig.plant(SignalId::StoreRate);
    assert!((rate - 0.15).abs() < 0.01, "rate {rate}");
    // Friday 00:00: 34 h until Saturday 10:00 take 34/24 of the use.
    let wanted = (40.0 - (tank.litres - 5.0 - 9.0 * 34.0 / 24.0)).max(0.0);
    let lack = rig.plant(SignalId::StoreShortfall);
    assert!((lack - wanted).abs() < 1.0, "lack {lack}, wanted {wanted}");
    assert_eq!(rig.plant(SignalId::StoreNeed), 40.0);
    let saturday = (MONDAY / 1000) as f64 + (5.0 * 24.0 + 10.0) * 3600.0;
    let by = rig.plant(SignalId::StoreStartBy);
    let by_hand = saturday - wanted / 0.15 * 60.0;
    assert!((by - by_hand).abs() < 900.0, "{}", by - by_hand);
    assert!(rig.stands(AlarmId::StoreShort).is_none(), "told too early");
    // Nobody starts it: it is told half a day ahead, with times of day.
    while rig.stands(AlarmId::StoreShort).is_none() {
        tank.pass(&mut rig, 10, false);
        assert!(rig.secs < 5.6 * 86_400.0, "never told");
    }
    let told = rig.stands(AlarmId::StoreShort).expect("told").clone();
    let ahead = by_hand - ((MONDAY / 1000) as f64 + rig.secs);
    assert!((ahead / 3600.0 - 12.0).abs() < 0.6, "told {} h ahead: {}", ahead / 3600.0, told.text);
    assert!(told.text.contains("Sat 10:00") && told.text.contains("start by"), "{}", told.text);
    // It runs: enough water clears it.
    while rig.stands(AlarmId::StoreShort).is_some() {
        tank.pass(&mut rig, 10, true);
        assert!(rig.secs < 5.5 * 86_400.0, "never cleared at {} L", tank.litres);
    }
}

#[test]
fn a_container_that_holds_just_enough_is_told_once_or_never() {
    let mut rig = Rig::new(STORE);
    let mut tank = tank();
    for _ in 0..4 {
        tank.day(&mut rig, 60);
    }
    // Saturday 04:00, and what is there is what is needed, to a litre: drawn and made in turns.
    tank.pass(&mut rig, 28 * 60, false);
    tank.use_per_day = 2.0;
    tank.litres = 45.0 + 2.0;
    let begun = rig.alarms.len();
    for step in 0..33 {
        tank.litres = 45.0 + 1.5 + if step % 2 == 0 { 0.5 } else { -0.5 };
        tank.pass(&mut rig, 10, false);
    }
    let told: Vec<&AlarmUpdate> = rig.alarms[begun..]
        .iter()
        .filter(|update| update.key.alarm == AlarmId::StoreShort && update.active)
        .collect();
    assert!(
        told.len() <= 1,
        "{} times: {:?}",
        told.len(),
        told.iter().map(|t| &t.text).collect::<Vec<_>>()
    );
    assert!(told.iter().all(|update| !update.text.contains("lack 0 L")), "{told:?}");
    // Drawn from: now it lacks litres, and they are told.
    if rig.stands(AlarmId::StoreShort).is_none() {
        tank.litres = 41.0;
        tank.pass(&mut rig, 10, false);
    }
    let text = &rig.stands(AlarmId::StoreShort).expect("told").text;
    assert!(text.contains("will lack"), "{text}");
}

#[test]
fn a_shortage_ends_with_its_change() {
    let mut rig = Rig::new(STORE);
    let mut tank = tank();
    for _ in 0..5 {
        tank.day(&mut rig, 30);
    }
    // Saturday 10:00 comes with too little water, and is over.
    tank.pass(&mut rig, 9 * 60 + 55, false);
    assert!(rig.stands(AlarmId::StoreShort).is_some(), "{} L", tank.litres);
    tank.pass(&mut rig, 20, false);
    assert!(rig.stands(AlarmId::StoreShort).is_none(), "a week is left");
    // It comes back half a day before it must begin for the next change, not earlier.
    for _ in 0..5 {
        tank.day(&mut rig, 60);
    }
    assert!(rig.stands(AlarmId::StoreShort).is_none());
}

#[test]
fn cold_water_makes_the_start_earlier() {
    let mut rig = Rig::new(STORE);
    let mut tank = tank();
    tank.celsius = 20.0;
    tank.flow = 0.15;
    for _ in 0..3 {
        tank.day(&mut rig, 60);
    }
    let warm = rig.plant(SignalId::StoreRate);
    // The tap has become cold; the plant's flow follows the viscosity of water (IAPWS: 1.002 against
    // 1.519 mPa s), whatever form the engine uses, within its uncertainty.
    tank.celsius = 5.0;
    tank.flow = 0.15 * 1.002 / 1.519;
    tank.pass(&mut rig, 30, true);
    let cold = rig.plant(SignalId::StoreRate);
    assert!(cold < 0.75 * warm, "{warm} {cold}");
    assert!((cold - tank.flow).abs() < 0.15 * tank.flow, "{cold} {}", tank.flow);
}

#[test]
fn a_siphon_is_told_within_the_hour_and_a_planned_change_is_not() {
    let mut rig = Rig::new(STORE);
    let mut tank = tank();
    for _ in 0..9 {
        let day = (rig.secs / 86_400.0).floor();
        if day == 5.0 {
            // Saturday 10:00: the change takes 30 L in half an hour.
            tank.pass(&mut rig, 600, false);
            tank.siphon = 1.0;
            tank.pass(&mut rig, 30, false);
            tank.siphon = 0.0;
            tank.pass(&mut rig, 240, true);
            tank.pass(&mut rig, 1440 - 870, false);
        } else {
            tank.day(&mut rig, 60);
        }
    }
    assert!(rig.stands(AlarmId::DrawAbnormal).is_none());
    assert!(!rig.alarms.iter().any(|a| a.key.alarm == AlarmId::DrawAbnormal), "false alarm");
    tank.siphon = 0.4;
    let began = rig.secs;
    while rig.stands(AlarmId::DrawAbnormal).is_none() {
        tank.pass(&mut rig, 1, false);
        assert!(rig.secs - began < 3600.0, "never told; store {} L", tank.litres);
    }
    let minutes = (rig.secs - began) / 60.0;
    assert!(minutes >= 12.0, "told after {minutes} min already");
    let text = &rig.stands(AlarmId::DrawAbnormal).expect("told").text;
    assert!(text.contains("siphon") && text.contains("lost"), "{text}");
    tank.siphon = 0.0;
    tank.pass(&mut rig, 150, false);
    assert!(rig.stands(AlarmId::DrawAbnormal).is_none(), "gone when the draws are usual again");
}

/// Four hours after a planned change has been taken a siphon is no part of it.
#[test]
fn a_siphon_after_the_change_of_the_day_is_told_on_that_day() {
    let mut rig = Rig::new(STORE);
    let mut tank = tank();
    for _ in 0..12 {
        tank.day(&mut rig, 60);
    }
    // Saturday 10:00: the change takes 30 L in half an hour.
    tank.pass(&mut rig, 600, false);
    tank.siphon = 1.0;
    tank.pass(&mut rig, 30, false);
    tank.siphon = 0.0;
    tank.pass(&mut rig, 210, true);
    assert!(rig.alarms.iter().all(|a| a.key.alarm != AlarmId::DrawAbnormal), "false alarm");
    tank.siphon = 0.4;
    let began = rig.secs;
    while rig.stands(AlarmId::DrawAbnormal).is_none() {
        tank.pass(&mut rig, 1, false);
        assert!(rig.secs - began < 3600.0, "never told; store {} L", tank.litres);
    }
}

#[test]
fn water_that_does_not_arrive_is_told() {
    let mut rig = Rig::new(STORE);
    let mut tank = tank();
    tank.day(&mut rig, 60);
    assert!(rig.stands(AlarmId::StoreNotFilling).is_none());
    tank.lost = true;
    tank.pass(&mut rig, 60, true);
    let told = rig.stands(AlarmId::StoreNotFilling).expect("told");
    assert!(rig.stands(AlarmId::DrawAbnormal).is_none(), "nothing was drawn");
    assert!(told.text.contains("hose"), "{}", told.text);
    tank.lost = false;
    tank.pass(&mut rig, 80, true);
    assert!(rig.stands(AlarmId::StoreNotFilling).is_none());
}

#[test]
fn standing_water_grows_old_and_is_told_after_three_weeks() {
    let mut rig = Rig::new(STORE);
    let mut tank = tank();
    tank.use_per_day = 0.0;
    for day in 0..25 {
        tank.pass(&mut rig, 1440, false);
        let told = rig.stands(AlarmId::StoreAgeHigh).is_some();
        assert_eq!(told, day >= 21, "day {day}");
    }
    assert!((rig.plant(SignalId::StoreOldest) - 25.0).abs() < 0.3);
}

#[test]
fn salt_water_is_weighed_after_the_equation_of_state_and_heated_in_time() {
    let batch = r#"
[plants.home.plan.batch]
salinity = 35
temperature_c = 25
from_c = 18
heater_watts = 150
loss_watts_per_k = 3
weigh_factor = 1.0
mixing_hours = 2
"#;
    let text = format!("{STORE}{batch}").replace("litres = 40", "litres = 50");
    let mut rig = Rig::new(&text);
    let mut tank = tank();
    tank.pass(&mut rig, 30, false);
    // Reference sheet 9 (TEOS-10 by gsw): 50 L at SP 35 and 25 °C take 1799 g of dry sea salt and
    // 49.51 L of water; 150 W against 3 W/K heat them from 18 °C in 171 min.
    assert!((rig.plant(SignalId::BatchSalt) - 1799.0).abs() <= 1.0);
    assert!((rig.plant(SignalId::BatchWater) - 49.51).abs() <= 0.01);
    assert!((rig.plant(SignalId::BatchHeating) - 171.0 / 60.0).abs() <= 0.06);
    let saturday = (MONDAY / 1000) as f64 + (5.0 * 24.0 + 10.0) * 3600.0;
    let mix_by = rig.plant(SignalId::BatchMixBy);
    assert!((saturday - mix_by - 171.0 * 60.0).abs() < 120.0, "{}", saturday - mix_by);
}

const FULL: &str = r#"
[plants.home.sensors.feed-tds]
topic = "a"
quantity = "tds"
point = "feed"
unit = "ppm"
step = 1
[plants.home.sensors.permeate-tds]
topic = "b"
quantity = "tds"
point = "permeate"
unit = "ppm"
step = 1
interval_secs = 30
[plants.home.sensors.product-tds]
topic = "c"
quantity = "tds"
point = "product"
unit = "ppm"
step = 1
interval_secs = 30
[plants.home.sensors.permeate-flow]
topic = "d"
quantity = "flow"
point = "permeate"
unit = "L/min"
interval_secs = 30
[plants.home.sensors.supply-flow]
topic = "e"
quantity = "flow"
point = "supply"
unit = "L/min"
interval_secs = 30
[plants.home.sensors.supply-bar]
topic = "f"
quantity = "pressure"
point = "supply"
unit = "bar"
gain_u = 0.001
interval_secs = 30
[plants.home.sensors.feed-bar]
topic = "g"
quantity = "pressure"
point = "feed"
unit = "bar"
gain_u = 0.001
interval_secs = 30
[plants.home.sensors.feed-temperature]
topic = "h"
quantity = "temperature"
point = "feed"
unit = "°C"
interval_secs = 30
[plants.home.actuators.valve]
role = "supply-valve"
topic = "v/set"
close = "OFF"
fails = "closed"
[plants.home.parts.dirt]
kind = "sediment"
rated_litres = 20000
service_days = 180
price = 6
[plants.home.parts.coal]
kind = "carbon"
rated_litres = 5000
bed_litres = 0.5
service_days = 365
[plants.home.parts.membrane]
kind = "membrane"
[plants.home.parts.lead]
kind = "mixed"
bed_litres = 5
[plants.home.assumed]
chlorine_mg_per_litre = 0.3
[plants.home.prices]
water_per_litre = 0.004
resin_per_litre = 18
"#;

/// The virtual plant in front of an engine: a run a day, told each half minute by honest senders.
struct Physical {
    rig: Rig,
    plant: VirtualPlant,
    /// The product probe shows 0 whatever flows by.
    stuck: bool,
}

impl Physical {
    fn new(parameters: PlantParameters) -> Self {
        let mut parameters = parameters;
        // Nobody draws, and nothing fills: the container is not what is looked at.
        parameters.store.full_litres = 1e6;
        parameters.store.brim_litres = 2e6;
        parameters.store.topoff_litres_per_day = 0.0;
        parameters.store.change_days = 0.0;
        Self { rig: Rig::new(FULL), plant: VirtualPlant::new(parameters, 7), stuck: false }
    }

    fn run(&mut self, minutes: u32) {
        self.plant.controls.valve_open = true;
        for step in 0..2 * minutes {
            self.plant.step(30.0);
            self.rig.go(self.rig.secs + 30.0);
            let truth = self.plant.truth();
            let readings = [
                ("supply-bar", truth.supply_bar),
                ("feed-bar", truth.feed_bar),
                ("feed-temperature", truth.feed_celsius),
                ("feed-tds", truth.feed_tds.round()),
                ("supply-flow", truth.supply_flow),
                ("permeate-flow", truth.permeate_flow),
                ("permeate-tds", truth.permeate_tds.round()),
                ("product-tds", if self.stuck { 0.0 } else { truth.product_tds.round() }),
            ];
            // What moves slowly is told each second minute.
            let slow = if step % 4 == 0 { 0 } else { 4 };
            for (id, value) in readings.into_iter().skip(slow) {
                self.rig.tell(id, value);
            }
        }
        self.plant.controls.valve_open = false;
        self.plant.step(60.0);
        self.rig.go(self.rig.secs + 60.0);
        self.rig.tell("supply-flow", 0.0);
        self.rig.tell("permeate-flow", 0.0);
    }

    /// A run, and the rest of so many days.
    fn days(&mut self, days: f64, minutes: u32) {
        let until = self.rig.secs + days * 86_400.0;
        self.run(minutes);
        let rest = until - self.rig.secs;
        self.plant.step(rest);
        self.rig.go(until);
    }

    fn cause(&self, part: &str) -> String {
        self.rig.text(SignalId::WearCause, part).unwrap_or_default()
    }
}

#[test]
fn a_clogging_filter_is_measured_forecast_named_and_not_taken_for_a_dying_membrane() {
    let mut parameters = PlantParameters::default();
    parameters.filter.resistance = 0.2;
    parameters.filter.fittings = 0.0;
    parameters.filter.litres_to_double = 120.0;
    parameters.membrane.fouling_per_m3 = 0.0;
    parameters.membrane.ageing_per_m3 = 0.0;
    let mut home = Physical::new(parameters);
    let mut truths = Vec::new();
    let mut told = None;
    for day in 0..24 {
        home.days(1.0, 40);
        truths.push(home.plant.truth().sediment_ratio);
        let is_told = home.rig.stands(AlarmId::PrefilterResistanceHigh).is_some();
        if is_told && told.is_none() {
            told = Some(day);
        }
    }
    // The baseline is the middle of the first five runs.
    let base = truths[2];
    let truth = truths[23] / base;
    let ratio = home.rig.value(SignalId::PrefilterRatio, Some("dirt")).expect("known");
    assert!((ratio / truth - 1.0).abs() < 0.1, "measured {ratio}, true {truth}");
    let due = truths.iter().position(|ratio| ratio / base >= 3.0);
    let (due, told) = (due.expect("reached"), told.expect("told"));
    assert!((due..=due + 4).contains(&told), "due on day {due}, told on day {told}");
    assert!(home.cause("dirt").starts_with("clogged"), "{}", home.cause("dirt"));
    assert!(home.rig.stands(AlarmId::MembraneFlowLow).is_none());
    let cause = home.cause("membrane");
    assert!(!cause.starts_with("fouling") && !cause.starts_with("scaling"), "{cause}");
    home.plant.new_filters();
    let entry = |part: &str| ServiceEntry::PartChanged { part: part.into(), note: String::new() };
    home.rig.service(entry("dirt"));
    assert!(home.rig.stands(AlarmId::PrefilterResistanceHigh).is_none());
}

#[test]
fn cold_water_weak_mains_fouling_and_chlorine_are_told_apart() {
    let mut parameters = PlantParameters::default();
    parameters.membrane.fouling_per_m3 = 0.0;
    parameters.membrane.ageing_per_m3 = 0.0;
    parameters.tap.tds_steps_per_year = 0.0;
    let mut home = Physical::new(parameters);
    let wear = [AlarmId::MembraneFlowLow, AlarmId::SaltPassageHigh, AlarmId::RejectionLow];
    for _ in 0..10 {
        home.days(1.0, 40);
    }
    assert!(home.cause("membrane").starts_with("nothing wrong"), "{}", home.cause("membrane"));
    home.plant.controls.pressure_share = 0.7;
    for _ in 0..3 {
        home.days(1.0, 40);
    }
    assert!(home.cause("membrane").starts_with("weak mains"), "{}", home.cause("membrane"));
    home.plant.controls.pressure_share = 1.0;
    home.plant.controls.tap_heat_k = -8.0;
    for _ in 0..3 {
        home.days(1.0, 40);
    }
    assert!(home.cause("membrane").starts_with("cold water"), "{}", home.cause("membrane"));
    assert!(wear.iter().all(|alarm| home.rig.stands(*alarm).is_none()), "weather taken for wear");
    home.plant.controls.tap_heat_k = 0.0;
    home.plant.membrane_mut().scale(0.7, 1.0);
    for _ in 0..3 {
        // The container asks for the same litres, which take longer.
        home.days(1.0, 60);
    }
    assert!(home.rig.stands(AlarmId::MembraneFlowLow).is_some(), "a fouled membrane");
    assert!(home.cause("membrane").starts_with("fouling"), "{}", home.cause("membrane"));
    let before = home.plant.truth().totals;
    // Cleaned, then oxidised: both up, and the test behind the carbon says why.
    home.plant.membrane_mut().scale(1.3 / 0.7, 2.6);
    for _ in 0..3 {
        home.days(1.0, 40);
    }
    assert!(home.cause("membrane").starts_with("cannot tell"), "{}", home.cause("membrane"));
    home.rig.service(ServiceEntry::CarbonTest { chlorine_mg_per_litre: 0.4 });
    assert!(home.rig.stands(AlarmId::ChlorineAfterCarbon).is_some());
    assert!(home.cause("membrane").starts_with("chlorine damage"), "{}", home.cause("membrane"));
    let water = home.rig.plant(SignalId::CostWater);
    let after = home.plant.truth().totals;
    let recovery =
        (after.permeate_litres - before.permeate_litres) / (after.feed_litres - before.feed_litres);
    assert!((water - 0.4 / recovery).abs() < 0.1 * water, "{water} {recovery}");
    let litres = home.rig.value(SignalId::PrefilterLitres, Some("coal")).expect("known");
    let truth = home.plant.truth().totals.feed_litres;
    assert!((litres / truth - 1.0).abs() < 0.05, "{litres} {truth}");
    let grams = home.rig.value(SignalId::PrefilterOxidant, Some("coal")).expect("known");
    assert!((grams - 0.3 * truth / 1000.0).abs() <= 0.5, "{grams}");
}

#[test]
fn the_first_water_of_a_new_membrane_goes_to_the_drain_or_it_is_told() {
    let mut home = Physical::new(PlantParameters::default());
    home.days(1.0, 10);
    let entry = ServiceEntry::PartChanged { part: "membrane".into(), note: String::new() };
    home.rig.service(entry);
    let left = |home: &Physical| home.rig.value(SignalId::WearRunIn, Some("membrane"));
    assert_eq!(left(&home), Some(20.0));
    let before = home.plant.truth().totals.permeate_litres;
    home.run(30);
    let made = home.plant.truth().totals.permeate_litres - before;
    assert!((left(&home).expect("known") - (20.0 - made)).abs() < 0.6, "{:?} {made}", left(&home));
    assert!(home.rig.stands(AlarmId::RunInNotDrained).is_some());
    while left(&home).expect("known") > 0.0 {
        home.run(60);
    }
    assert!(home.rig.stands(AlarmId::RunInNotDrained).is_none());
}

#[test]
fn a_product_probe_that_never_leaves_zero_is_asked_for_then_stops_the_plant() {
    let text = r#"
[plants.home.sensors.permeate]
topic = "a"
quantity = "tds"
point = "permeate"
unit = "ppm"
step = 1
[plants.home.sensors.product]
topic = "b"
quantity = "tds"
point = "product"
unit = "ppm"
step = 1
[plants.home.sensors.flow]
topic = "c"
quantity = "flow"
point = "permeate"
unit = "L/min"
[plants.home.actuators.valve]
role = "supply-valve"
topic = "v/set"
close = "OFF"
fails = "closed"
[plants.home.parts.lead]
kind = "mixed"
bed_litres = 0.1
"#;
    let mut rig = Rig::new(text);
    let run = |rig: &mut Rig, minutes: u32| {
        for _ in 0..3 * minutes {
            rig.go(rig.secs + 20.0);
            rig.tell("flow", 0.5);
            rig.tell("permeate", 20.0);
            rig.tell("product", 0.0);
        }
    };
    // 0.05 eq, good to 22 % with what turns readings into equivalents; 20 ppm are 40 µS/cm, 0.35 meq/L by
    // 115 µS/cm per meq/L; beside them 0.16 meq/L of carbon dioxide, of a tap of which not even the feed is
    // read (120 mg/L and pH 7.6 at 15 C; ln-spread 1.07). Nineteen such charges in twenty end by 160 L (sum
    // over 13 values of the factor, by hand); 1.3 times that is 208.
    run(&mut rig, 190);
    assert!(rig.stands(AlarmId::ProductProbeDoubtful).is_none(), "95 L are too early");
    run(&mut rig, 150);
    let asked = rig.stands(AlarmId::ProductProbeDoubtful).expect("170 L").text.clone();
    assert!(asked.contains("by hand"), "{asked}");
    assert!(rig.stands(AlarmId::ProductProbeContradicted).is_none(), "asked first");
    run(&mut rig, 90);
    let trip = rig.stands(AlarmId::ProductProbeContradicted).expect("215 L");
    assert!(trip.latched, "a trip");
    assert!(trip.text.starts_with("product has read 0 for "), "{}", trip.text);
    let reset = Ask::Reset { cause: "product-probe-contradicted".into(), reason: "x".into() };
    rig.ask(reset.clone());
    assert!(rig.stands(AlarmId::ProductProbeContradicted).is_some(), "not without a handheld");
    let hand = ServiceEntry::Handheld { sensor: "product".into(), value: 0.0, u: 0.3 };
    rig.service(hand);
    rig.ask(reset);
    run(&mut rig, 5);
    assert!(!rig.stands(AlarmId::ProductProbeContradicted).is_some_and(|a| a.latched));
    assert!(rig.stands(AlarmId::ProductProbeDoubtful).is_none());
}

/// What standing leaves in the last vessel shows as the first water of each start. A probe that stops
/// to show it is asked for long before any resin is spent.
#[test]
fn a_product_probe_that_no_longer_shows_first_water_is_asked_for_a_cup_of_tap_water() {
    let doubted = |home: &Physical| home.rig.stands(AlarmId::ProductProbeDoubtful).is_some();
    let mut home = Physical::new(PlantParameters::default());
    for _ in 0..14 {
        home.days(0.25, 12);
    }
    assert!(!doubted(&home));
    home.stuck = true;
    let told = (1..=12).find(|_| {
        home.days(0.25, 12);
        doubted(&home)
    });
    let told = told.expect("a dead probe");
    assert!((3..=10).contains(&told), "after {told} starts");
    let text = home.rig.stands(AlarmId::ProductProbeDoubtful).expect("stands").text.clone();
    assert!(text.contains("tap water"), "{text}");
    // A zero beside a zero is no answer; the cup is.
    let hand = ServiceEntry::Handheld { sensor: "product-tds".into(), value: 0.0, u: 0.3 };
    home.run(30);
    home.rig.service(hand);
    assert!(doubted(&home), "cleared by another zero");
    home.rig.tell("product-tds", 240.0);
    home.rig.go(home.rig.secs + 5.0);
    home.rig.tell("product-tds", 241.0);
    home.rig.go(home.rig.secs + 60.0);
    assert!(!doubted(&home));

    // Fresh resin shows another first water, or none: nothing is held against the probe.
    let mut home = Physical::new(PlantParameters::default());
    for _ in 0..14 {
        home.days(0.25, 12);
    }
    let fresh = ServiceEntry::PartChanged { part: "lead".into(), note: String::new() };
    home.rig.service(fresh);
    home.stuck = true;
    for _ in 0..12 {
        home.days(0.25, 12);
        assert!(!doubted(&home));
    }
}

#[test]
fn a_probe_that_reads_more_behind_the_resin_than_before_it_is_named_and_nothing_gets_better() {
    let mut home = Physical::new(PlantParameters::default());
    for _ in 0..3 {
        home.days(1.0, 40);
    }
    assert!(home.rig.stands(AlarmId::SensorContradicted).is_none());
    // The product probe has salt on its contacts.
    for _ in 0..3 {
        home.plant.controls.valve_open = true;
        for _ in 0..80 {
            home.plant.step(30.0);
            home.rig.go(home.rig.secs + 30.0);
            let truth = home.plant.truth().clone();
            home.rig.tell("supply-flow", truth.supply_flow);
            home.rig.tell("permeate-flow", truth.permeate_flow);
            home.rig.tell("feed-tds", truth.feed_tds.round());
            home.rig.tell("permeate-tds", truth.permeate_tds.round());
            home.rig.tell("product-tds", 24.0);
        }
        home.plant.controls.valve_open = false;
        home.plant.step(3600.0);
        home.rig.go(home.rig.secs + 60.0);
        home.rig.tell("supply-flow", 0.0);
        home.rig.tell("permeate-flow", 0.0);
        home.rig.go(home.rig.secs + 3540.0);
    }
    let told = home.rig.stands(AlarmId::SensorContradicted).expect("told");
    assert!(told.text.contains("reads 24") && told.text.contains("product-tds"), "{}", told.text);
    // A high reading stays as high as it is: the product tripped all the same.
    assert!(home.rig.stands(AlarmId::ProductTdsHigh).is_some());
}
