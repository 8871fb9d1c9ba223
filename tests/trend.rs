//! The trend path against small scenarios whose truth is known by construction.

use permeated::engine::catalogue::{AlarmId, SignalId};
use permeated::engine::event::{Found, ServiceEntry, Started};
use permeated::engine::output::{Datum, LogEntry, ValueKey, ValueUpdate};
use permeated::engine::phase::Phase;
use permeated::engine::setup::Setup;
use permeated::engine::time::{Mono, Now, Span, Wall, as_ages};
use permeated::engine::trend::{Finding, Observation, Results, Standing, Trend};
use permeated::engine::value::{Basis, Flag, NoReading, Reason};
use permeated::settings::schema::{
    Actuator, OnStop, Part, PartKind, Plant, Point, Role, Rounding, Sensor,
};
use permeated::units::Quantity;

const EPOCH: i64 = 1_780_000_000_000;
/// Permeate flow of every scenario, L/min.
const FLOW: f64 = 0.15;
const RECOVERY: f64 = 0.25;

/// A wash-out: C(V) = settled + amplitude exp(-V/constant).
#[derive(Clone, Copy)]
struct Truth {
    feed: f64,
    settled: f64,
    amplitude: f64,
    constant: f64,
}

impl Truth {
    fn permeate(&self, litres: f64) -> f64 {
        self.settled + self.amplitude * (-litres / self.constant).exp()
    }

    fn extra(&self) -> f64 {
        self.amplitude * self.constant
    }

    /// mg through the resin in a run of so many litres.
    fn salt(&self, litres: f64) -> f64 {
        self.settled * litres
            + self.amplitude * self.constant * (1.0 - (-litres / self.constant).exp())
    }
}

const USUAL: Truth = Truth { feed: 300.0, settled: 6.4, amplitude: 144.0, constant: 0.25 };

/// Small reproducible numbers from 0 to 1 (Knuth's MMIX generator).
#[derive(Clone)]
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

fn sensor(quantity: Quantity, point: Point, unit: &str) -> Sensor {
    Sensor {
        topic: format!("t/{}/{}", point.word(), quantity.word()),
        quantity: Some(quantity),
        point: Some(point),
        unit: unit.to_owned(),
        gain_u: 0.02,
        ..Sensor::default()
    }
}

fn probe(point: Point) -> Sensor {
    Sensor { step: 1.0, rounding: Rounding::Nearest, ..sensor(Quantity::Tds, point, "ppm") }
}

fn vessel(position: u8) -> Part {
    Part {
        kind: Some(PartKind::Mixed),
        position,
        bed_litres: 0.6,
        capacity_eq_per_litre: 0.55,
        price: 12.0,
        ..Part::default()
    }
}

/// A full plant: probes everywhere, counters on supply and permeate, two vessels.
fn full_plant() -> Plant {
    let mut plant = Plant::default();
    for (id, point) in [
        ("between-tds", Point::Between),
        ("feed-tds", Point::Feed),
        ("permeate-tds", Point::Permeate),
        ("product-tds", Point::Product),
    ] {
        plant.sensors.insert(id.to_owned(), probe(point));
    }
    let pulses = Sensor {
        litres_per_pulse: 0.002,
        wraps_at: 65_536.0,
        ..sensor(Quantity::Pulses, Point::Permeate, "")
    };
    plant.sensors.insert("permeate-pulses".to_owned(), pulses);
    plant.sensors.insert("supply-flow".to_owned(), sensor(Quantity::Flow, Point::Supply, "L/min"));
    plant
        .sensors
        .insert("feed-pressure".to_owned(), sensor(Quantity::Pressure, Point::Feed, "bar"));
    plant
        .sensors
        .insert("feed-temperature".to_owned(), sensor(Quantity::Temperature, Point::Feed, "°C"));
    plant.parts.insert("vessel-a".to_owned(), vessel(1));
    plant.parts.insert("vessel-b".to_owned(), vessel(2));
    let membrane = Part { kind: Some(PartKind::Membrane), ..Part::default() };
    plant.parts.insert("membrane".to_owned(), membrane);
    plant.prices.water_per_litre = 0.004;
    plant
}

/// The full plant with so many litres of resin in each vessel.
fn with_beds(litres: f64) -> Plant {
    let mut plant = full_plant();
    for part in plant.parts.values_mut().filter(|part| part.kind == Some(PartKind::Mixed)) {
        part.bed_litres = litres;
    }
    plant
}

/// Two probes and a valve; flow and recovery declared.
fn small_plant() -> Plant {
    let mut plant = Plant::default();
    plant.sensors.insert("permeate-tds".to_owned(), probe(Point::Permeate));
    plant.sensors.insert("product-tds".to_owned(), probe(Point::Product));
    plant.assumed.permeate_litres_per_min = Some(FLOW);
    plant.assumed.recovery = Some(RECOVERY);
    plant.assumed.feed_tds_ppm = Some(300.0);
    plant.parts.insert("vessel-a".to_owned(), vessel(1));
    plant
}

fn resolve(plant: &Plant) -> Setup {
    Setup::resolve("p", plant, OnStop::Close, 5)
}

/// A driver: fires deadlines, then tells.
#[derive(Clone)]
struct Rig {
    setup: Setup,
    trend: Trend,
    millis: i64,
    /// Offset of the wall clock.
    wall: i64,
    standing: Standing,
    out: Results,
}

impl Rig {
    fn new(plant: &Plant) -> Self {
        let setup = resolve(plant);
        let trend = Trend::new(&setup);
        let standing = Standing {
            phase: Phase::Idle,
            flowing: false,
            valve_open: Some(false),
            to_drain: false,
        };
        Self { setup, trend, millis: 1_000, wall: EPOCH, standing, out: Results::default() }
    }

    fn now(&self) -> Now {
        Now::new(Mono::from_millis(self.millis), Wall::from_millis(self.wall + self.millis))
    }

    /// Goes on to an instant and fires every deadline on the way.
    fn go(&mut self, millis: i64) {
        let mut fired = 0;
        while let Some(due) = self.trend.timeout()
            && due.millis() <= millis
        {
            self.millis = self.millis.max(due.millis());
            self.trend.tick(&self.setup, self.now(), self.standing, &mut self.out);
            fired += 1;
            assert!(fired < 100_000, "a deadline that is due again at once");
        }
        self.millis = millis;
    }

    fn wait(&mut self, secs: f64) {
        self.go(self.millis + (secs * 1000.0) as i64);
    }

    fn ix(&self, id: &str) -> usize {
        self.setup.sensors.iter().position(|sensor| sensor.id == id).expect("known sensor")
    }

    fn has(&self, id: &str) -> bool {
        self.setup.sensors.iter().any(|sensor| sensor.id == id)
    }

    fn tell(&mut self, id: &str, value: f64) {
        let observation = Observation { value, stamp: None, retained: false };
        let ix = self.ix(id);
        self.trend.reading(&self.setup, self.now(), ix, observation, self.standing, &mut self.out);
    }

    fn flowing(&mut self, on: bool) {
        let was = self.standing;
        self.standing = Standing {
            phase: if on { Phase::Producing } else { Phase::Idle },
            flowing: on,
            valve_open: Some(on),
            to_drain: false,
        };
        self.trend.standing(&self.setup, self.now(), was, self.standing, &mut self.out);
    }

    fn last(&self, signal: SignalId, of: Option<u16>) -> Option<&ValueUpdate> {
        let key = ValueKey { signal, of };
        self.out.values.iter().rev().find(|update| update.key == key)
    }

    fn number(&self, signal: SignalId, of: Option<u16>) -> f64 {
        match self.last(signal, of).map(|update| &update.datum) {
            Some(Ok(Datum::Number(number))) => *number,
            other => panic!("{signal:?} {of:?} is {other:?}"),
        }
    }

    fn plant(&self, signal: SignalId) -> f64 {
        self.number(signal, None)
    }

    fn part(&self, signal: SignalId, part: &str) -> f64 {
        let ix = self.setup.parts.iter().position(|known| known.id == part).expect("known part");
        self.number(signal, Some(ix as u16))
    }

    /// What the first vessel is said to let through.
    fn passes(&self) -> &str {
        match self.last(SignalId::ResinPasses, None).map(|update| &update.datum) {
            Some(Ok(Datum::Text(words))) => words,
            other => panic!("{other:?}"),
        }
    }

    fn records(&self) -> Vec<&LogEntry> {
        self.out.logs.iter().filter(|entry| entry.kind == "start-record").collect()
    }

    fn findings(&self, alarm: AlarmId) -> Vec<&Finding> {
        self.out.findings.iter().filter(|finding| finding.key.alarm == alarm).collect()
    }

    fn stands(&self, alarm: AlarmId) -> bool {
        self.findings(alarm).last().is_some_and(|finding| finding.active)
    }
}

/// What a run is made of.
#[derive(Clone)]
struct Water {
    truth: Truth,
    /// Litres counted by the permeate's counter before.
    counted: f64,
    between: f64,
    /// Share of its readings in which the probe behind the first vessel shows 1 ppm more.
    flicker: f64,
    product: f64,
    chance: Chance,
    /// Share of messages that are lost.
    lost: f64,
    temperature: f64,
}

impl Water {
    fn new(seed: u64) -> Self {
        Self {
            truth: USUAL,
            counted: 0.0,
            between: 0.0,
            flicker: 0.0,
            product: 0.0,
            chance: Chance(seed),
            lost: 0.0,
            temperature: 15.0,
        }
    }

    /// Lets water run for so many minutes, told every 5 to 30 s, and leaves it running.
    fn run(&mut self, rig: &mut Rig, from_litres: f64, minutes: f64) -> f64 {
        let began = rig.millis;
        loop {
            let step = 5.0 + 25.0 * self.chance.next();
            let next = rig.millis + (step * 1000.0) as i64;
            let end = began + (minutes * 60_000.0) as i64;
            if next >= end {
                rig.go(end);
                return from_litres + FLOW * minutes;
            }
            rig.go(next);
            let litres = from_litres + FLOW * (rig.millis - began) as f64 / 60_000.0;
            self.tell(rig, litres);
        }
    }

    fn tell(&mut self, rig: &mut Rig, litres: f64) {
        let truth = self.truth;
        let noise = 0.3 * (self.chance.next() - 0.5);
        let counter = ((self.counted + litres) / 0.002).floor() % 65_536.0;
        // Nothing is drawn without a flicker, so that what other tests see stays as it is.
        let more = self.flicker > 0.0 && self.chance.next() < self.flicker;
        let messages = [
            ("permeate-pulses", counter),
            ("supply-flow", FLOW / RECOVERY),
            ("feed-tds", truth.feed.round()),
            ("permeate-tds", (truth.permeate(litres) + noise).round()),
            ("between-tds", self.between.round() + f64::from(u8::from(more))),
            ("product-tds", self.product.round()),
            ("feed-pressure", 4.0),
            ("feed-temperature", self.temperature),
        ];
        for (id, value) in messages {
            if rig.has(id) && self.chance.next() >= self.lost {
                rig.tell(id, value);
            }
        }
    }

    /// A whole run after an idle time.
    fn start(&mut self, rig: &mut Rig, idle_minutes: f64, minutes: f64) {
        self.count(rig);
        rig.wait(idle_minutes * 60.0);
        rig.flowing(true);
        let litres = self.run(rig, 0.0, minutes);
        rig.flowing(false);
        self.counted += litres;
        self.count(rig);
        rig.wait(60.0);
    }

    /// The counter tells where it stands.
    fn count(&self, rig: &mut Rig) {
        if rig.has("permeate-pulses") {
            let counter = (self.counted / 0.002).floor() % 65_536.0;
            rig.tell("permeate-pulses", counter);
        }
    }
}

#[track_caller]
fn near(value: f64, wanted: f64, tolerance: f64) {
    assert!((value - wanted).abs() <= tolerance, "{value} is not {wanted} +- {tolerance}");
}

#[test]
fn a_usual_start_is_described_within_the_targets() {
    for seed in 1..=10 {
        let mut rig = Rig::new(&full_plant());
        let mut water = Water::new(seed);
        water.start(&mut rig, 480.0, 60.0);
        let records = rig.records();
        assert_eq!(records.len(), 1, "one record a start: {records:?}");
        let data = &records[0].data;
        assert_eq!(data["settled-reached"], true, "{data}");
        near(rig.plant(SignalId::CreepSettled), USUAL.settled, 0.32);
        near(rig.plant(SignalId::CreepExtraSalt), USUAL.extra(), 0.15 * USUAL.extra());
        // Settle point: settled + max(2 steps, a tenth of the amplitude).
        let truth = -USUAL.constant * 0.1f64.ln();
        near(rig.plant(SignalId::CreepSettleVolume), truth, 0.2 * truth);
        near(rig.plant(SignalId::CreepSettleTime), truth / FLOW * 60.0, 0.2 * truth / FLOW * 60.0);
        assert!(rig.plant(SignalId::CreepPeak) > 100.0);
        assert!(rig.plant(SignalId::CreepResinCost) > 0.0);
        near(rig.plant(SignalId::Starts), 1.0, 0.0);
        near(rig.plant(SignalId::RunTime), 3600.0, 1.0);
    }
}

/// With a tenth of the messages lost the rounded tail of these starts once looked like a slow second
/// term of some 20 L, and the settled value came out 2 to 4 ppm low.
#[test]
fn rounding_is_not_taken_for_a_slow_term() {
    for seed in [11, 12, 24, 30, 31, 38, 40, 49, 52] {
        let mut rig = Rig::new(&full_plant());
        let mut water = Water::new(seed);
        water.lost = 0.1;
        for _ in 0..3 {
            water.start(&mut rig, 480.0, 60.0);
        }
        for record in rig.records() {
            let settled = record.data["settled-ppm"].as_f64().expect("settled");
            near(settled, USUAL.settled, 0.35);
            let extra = record.data["extra-mg"].as_f64().expect("known");
            near(extra, USUAL.extra(), 0.15 * USUAL.extra());
        }
    }
}

#[test]
fn the_membranes_values_are_those_of_the_scenario() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(3);
    water.start(&mut rig, 480.0, 60.0);
    let passage = USUAL.settled / USUAL.feed;
    near(rig.plant(SignalId::Rejection), 1.0 - passage, 0.002);
    near(rig.plant(SignalId::SaltPassage), passage, 0.002);
    near(rig.plant(SignalId::Recovery), RECOVERY, 0.01);
    near(rig.plant(SignalId::ConcentrateRatio), 3.0, 0.15);
    let concentrate = (USUAL.feed - RECOVERY * USUAL.settled) / (1.0 - RECOVERY);
    near(rig.plant(SignalId::ConcentrateTds), concentrate, 6.0);
    assert!(rig.plant(SignalId::NetDrivingPressure) > 3.0);
    // 15 °C water made at 4 bar against 3.45 bar at 25 °C.
    let normalised = rig.plant(SignalId::PermeateFlowNormalised);
    assert!(normalised > 0.16 && normalised < 0.25, "{normalised}");
    let update = rig.last(SignalId::Rejection, None).expect("told");
    assert_eq!((update.flag, update.basis), (Flag::Good, Basis::Measured));
    assert!(update.u.is_some_and(|u| u > 0.000_2 && u < 0.003), "{update:?}");
    assert!(
        rig.last(SignalId::BalanceError, None)
            .is_some_and(|update| update.datum == Err(NoReading::NotConfigured)),
        "without a probe in the concentrate there is no closure"
    );
}

/// Before the tap's pressure has fallen the first litres of a run may pass at twice its flow: the run was taken
/// for throttled to its end, and what it showed of the membrane stayed that of the run before.
#[test]
fn a_surge_at_the_opening_does_not_make_the_run_a_throttled_one() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(3);
    for (settled, surge) in [(4.0, 1.0), (8.0, 2.5)] {
        water.truth.settled = settled;
        rig.wait(8.0 * 3600.0);
        water.count(&mut rig);
        rig.flowing(true);
        for _ in 0..4 {
            rig.wait(5.0);
            water.counted += surge * FLOW * 5.0 / 60.0;
            water.count(&mut rig);
        }
        let litres = water.run(&mut rig, 0.0, 60.0);
        rig.flowing(false);
        water.counted += litres;
        rig.wait(300.0);
        near(rig.plant(SignalId::SaltPassage), settled / USUAL.feed, 0.002);
    }
}

#[test]
fn before_the_water_has_settled_a_value_says_so() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(4);
    rig.wait(600.0);
    rig.flowing(true);
    water.run(&mut rig, 0.0, 3.0);
    let update = rig.last(SignalId::Rejection, None).expect("told");
    assert_eq!(update.flag, Flag::Suspect);
    assert!(update.reasons.contains(&Reason::NotSettled), "{update:?}");
}

#[test]
fn a_weak_feed_supports_no_rejection() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(4);
    water.truth = Truth { feed: 15.0, settled: 1.0, amplitude: 8.0, constant: 0.25 };
    water.start(&mut rig, 60.0, 60.0);
    let update = rig.last(SignalId::Rejection, None).expect("told");
    assert_eq!(update.datum, Err(NoReading::Unsupported));
}

#[test]
fn totals_follow_the_counter_through_turn_restart_and_loss() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(5);
    water.lost = 0.2;
    // 65536 pulses of 2 mL: turns over at 131.07 L.
    water.counted = 126.0;
    water.start(&mut rig, 10.0, 60.0);
    near(rig.plant(SignalId::PermeateLitres), 9.0, 0.003);
    // The counter restarts from zero while water stands for a night: nothing is lost, and it is not
    // taken for a turn.
    rig.wait(8.0 * 3600.0);
    water.counted = 0.0;
    water.start(&mut rig, 10.0, 60.0);
    near(rig.plant(SignalId::PermeateLitres), 18.0, 0.05);
    near(rig.plant(SignalId::SupplyLitres), 72.0, 1.5);
    near(rig.plant(SignalId::ConcentrateLitres), 54.0, 1.5);
    near(rig.plant(SignalId::ProductLitres), 18.0, 0.1);
    never_fall(&rig);
    // What the counter itself shows is litres too, and so is its uncertainty.
    let counter = u16::try_from(rig.ix("permeate-pulses")).expect("few");
    let shown = rig.number(SignalId::Reading, Some(counter));
    near(shown, 18.0, 0.05);
    let u = rig.last(SignalId::Reading, Some(counter)).and_then(|update| update.u);
    near(u.expect("an uncertainty"), 0.02 * shown, 0.01);
}

/// Totals of the whole history of a rig never fall, and stamps of every key strictly rise.
#[track_caller]
fn never_fall(rig: &Rig) {
    let mut last: std::collections::BTreeMap<ValueKey, &ValueUpdate> = Default::default();
    for update in &rig.out.values {
        if let Some(before) = last.insert(update.key, update) {
            assert!(update.stamp > before.stamp, "{before:?} then {update:?}");
            let total = matches!(
                update.key.signal,
                SignalId::PermeateLitres
                    | SignalId::ProductLitres
                    | SignalId::ConcentrateLitres
                    | SignalId::SupplyLitres
                    | SignalId::UnseenLitres
                    | SignalId::RunTime
                    | SignalId::Starts
                    | SignalId::ResinLitres
            );
            if let (true, Ok(Datum::Number(a)), Ok(Datum::Number(b))) =
                (total, &before.datum, &update.datum)
            {
                assert!(b >= a, "{:?} fell from {a} to {b}", update.key);
            }
        }
    }
}

#[test]
fn without_a_meter_litres_are_assumed_and_say_so() {
    let mut rig = Rig::new(&small_plant());
    let mut water = Water::new(6);
    water.start(&mut rig, 60.0, 40.0);
    near(rig.plant(SignalId::PermeateLitres), 6.0, 0.01);
    near(rig.plant(SignalId::SupplyLitres), 24.0, 0.05);
    near(rig.plant(SignalId::ConcentrateLitres), 18.0, 0.05);
    let update = rig.last(SignalId::PermeateLitres, None).expect("told");
    assert_eq!(update.basis, Basis::Assumed);
    let update = rig.last(SignalId::Rejection, None).expect("told");
    assert_eq!(update.basis, Basis::Assumed, "the feed is a declared constant");
    assert_eq!(rig.last(SignalId::CreepExtraSalt, None).expect("told").basis, Basis::Assumed);
    never_fall(&rig);
}

#[test]
fn a_plant_without_any_flow_is_described_in_time() {
    let mut plant = small_plant();
    plant.assumed.permeate_litres_per_min = None;
    plant.assumed.recovery = None;
    let mut rig = Rig::new(&plant);
    Water::new(7).start(&mut rig, 60.0, 60.0);
    near(rig.plant(SignalId::CreepSettled), USUAL.settled, 0.32);
    let update = rig.last(SignalId::CreepExtraSalt, None).expect("told");
    assert_eq!(update.datum, Err(NoReading::NotConfigured), "no volume, no salt");
    let update = rig.last(SignalId::PermeateLitres, None).expect("told");
    assert_eq!(update.datum, Err(NoReading::NotConfigured));
    assert_eq!(rig.records()[0].data["axis"], "minutes");
}

#[test]
fn a_counter_that_is_first_heard_of_in_the_run_still_gives_litres() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(2);
    rig.wait(3600.0);
    rig.flowing(true);
    water.run(&mut rig, 0.0, 60.0);
    rig.flowing(false);
    rig.wait(60.0);
    near(rig.plant(SignalId::CreepSettled), USUAL.settled, 0.32);
    near(rig.plant(SignalId::CreepExtraSalt), USUAL.extra(), 0.3 * USUAL.extra());
    near(rig.plant(SignalId::PermeateLitres), 9.0, 0.15);
}

#[test]
fn the_account_is_the_integral_with_the_first_water_in_it() {
    for seed in 1..=6 {
        let mut rig = Rig::new(&full_plant());
        let mut water = Water::new(seed);
        water.lost = 0.1;
        for _ in 0..3 {
            water.start(&mut rig, 240.0, 60.0);
        }
        let salt = 3.0 * USUAL.salt(9.0);
        near(rig.part(SignalId::ResinVisibleLoad, "vessel-a"), salt, 0.1 * salt);
        near(rig.part(SignalId::ResinVisibleLoad, "vessel-b"), 0.0, 0.0);
        near(rig.part(SignalId::ResinLitres, "vessel-a"), 27.0, 0.1);
        // meq of mg on a 0.5 scale at 115 µS/cm per meq/L, and as much again unseen.
        let used = 2.0 * salt / 0.5 / 115.0 / 1000.0;
        near(rig.part(SignalId::ResinUsed, "vessel-a"), used, 0.1 * used);
        assert!(rig.part(SignalId::ResinRemainingLitres, "vessel-a") > 300.0);
    }
}

#[test]
fn water_diverted_before_the_resin_does_not_load_it() {
    let mut plant = full_plant();
    let state = sensor(Quantity::Open, Point::Permeate, "");
    plant.sensors.insert("divert-state".to_owned(), state);
    let divert = Actuator {
        role: Some(Role::Divert),
        topic: "a/divert".to_owned(),
        close: "drain".to_owned(),
        state_sensor: "divert-state".to_owned(),
        ..Actuator::default()
    };
    plant.actuators.insert("divert".to_owned(), divert);
    let mut rig = Rig::new(&plant);
    let mut water = Water::new(8);
    water.count(&mut rig);
    rig.wait(3600.0);
    rig.tell("divert-state", 0.0);
    rig.flowing(true);
    let litres = water.run(&mut rig, 0.0, 10.0);
    rig.tell("divert-state", 1.0);
    water.counted = water.run(&mut rig, litres, 50.0);
    rig.flowing(false);
    water.count(&mut rig);
    rig.wait(60.0);
    let salt = USUAL.salt(9.0) - USUAL.salt(1.5);
    near(rig.part(SignalId::ResinVisibleLoad, "vessel-a"), salt, 0.1 * salt);
    near(rig.part(SignalId::ResinLitres, "vessel-a"), 7.5, 0.1);
    near(rig.plant(SignalId::PermeateLitres), 9.0, 0.05);
}

#[test]
fn the_account_goes_with_the_vessel() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(9);
    water.between = 2.0;
    for _ in 0..2 {
        water.start(&mut rig, 240.0, 60.0);
    }
    let second = rig.part(SignalId::ResinVisibleLoad, "vessel-b");
    near(second, 36.0, 2.0);
    let swap = ServiceEntry::LagToLead { lead: "vessel-b".into(), fresh: "vessel-a".into() };
    let now = rig.now();
    let answer = rig.trend.service(&rig.setup, now, &swap, &mut rig.out);
    let answer = answer.expect("recorded");
    assert!(answer.contains("vessel-a: the charge that ended"), "{answer}");
    assert!(
        answer.contains("first is now vessel-b with the resin that was second")
            && answer.contains("behind it vessel-a with fresh resin"),
        "says what stands where: {answer}"
    );
    // Sent once more, in either order, it would move the fresh one to the front.
    for (lead, fresh) in [("vessel-b", "vessel-a"), ("vessel-a", "vessel-b")] {
        let again = ServiceEntry::LagToLead { lead: lead.into(), fresh: fresh.into() };
        let refused = rig.trend.service(&rig.setup, now, &again, &mut rig.out);
        assert!(refused.is_err_and(|why| why.contains("recorded already")), "{lead}");
    }
    near(rig.part(SignalId::ResinVisibleLoad, "vessel-b"), second, 0.1);
    near(rig.part(SignalId::ResinVisibleLoad, "vessel-a"), 0.0, 0.0);
    water.between = 0.0;
    water.start(&mut rig, 240.0, 60.0);
    let salt = USUAL.salt(9.0);
    near(rig.part(SignalId::ResinVisibleLoad, "vessel-b"), second + salt, 0.1 * salt);
    near(rig.part(SignalId::ResinVisibleLoad, "vessel-a"), 0.0, 0.0);

    let wrong = ServiceEntry::LagToLead { lead: "membrane".into(), fresh: "vessel-a".into() };
    let now = rig.now();
    assert!(rig.trend.service(&rig.setup, now, &wrong, &mut rig.out).is_err());
    let unknown = ServiceEntry::PartChanged { part: "nothing".into(), note: String::new() };
    assert!(rig.trend.service(&rig.setup, now, &unknown, &mut rig.out).is_err());
}

/// Of a litre one reading is counted, and which one is chance: whether a flicker is told after three runs or
/// after five differs from plant to plant, so eight of them are asked.
#[test]
fn a_breakthrough_that_only_flickers_is_counted_litre_by_litre() {
    let mut found = 0;
    for seed in 10..18 {
        // A bed of which the first eight runs take the first half: what flickers later may be its end.
        let mut rig = Rig::new(&with_beds(0.035));
        let mut water = Water::new(seed);
        water.flicker = 0.1;
        for _ in 0..8 {
            water.start(&mut rig, 240.0, 60.0);
        }
        assert!(!rig.stands(AlarmId::LeadBegun), "a tenth of the readings is what it always did");
        water.flicker = 0.7;
        for _ in 0..5 {
            water.start(&mut rig, 240.0, 60.0);
        }
        if rig.stands(AlarmId::LeadBegun) {
            found += 1;
            let told = rig.findings(AlarmId::LeadBegun);
            assert!(told[0].text.contains("while its charge was young"), "{told:?}");
            assert_eq!(told.len(), 1, "told once");
        }
    }
    assert!(found >= 4, "seven readings of ten are more: {found} of 8");
}

#[test]
fn the_first_vessel_is_told_in_two_stages_and_two_runs_each() {
    // A small bed: by its account it is about to be spent when it begins to let salt through.
    let mut rig = Rig::new(&with_beds(0.002));
    let mut water = Water::new(10);
    water.start(&mut rig, 240.0, 60.0);
    water.between = 1.0;
    water.start(&mut rig, 240.0, 60.0);
    assert!(!rig.stands(AlarmId::LeadBegun), "one run is a hint");
    water.start(&mut rig, 240.0, 60.0);
    assert!(rig.stands(AlarmId::LeadBegun));
    assert!(!rig.stands(AlarmId::LeadSpent));
    water.between = 3.0;
    water.start(&mut rig, 240.0, 60.0);
    water.start(&mut rig, 240.0, 60.0);
    assert!(rig.stands(AlarmId::LeadSpent));
    assert_eq!(rig.findings(AlarmId::LeadBegun).len(), 1, "told once");
    let changed = ServiceEntry::PartChanged { part: "vessel-a".into(), note: String::new() };
    let now = rig.now();
    rig.trend.service(&rig.setup, now, &changed, &mut rig.out).expect("accepted");
    assert!(!rig.stands(AlarmId::LeadBegun) && !rig.stands(AlarmId::LeadSpent));
    // The capacity has learned from the exhaustion: it is no longer a declared figure.
    let ix = rig.setup.parts.iter().position(|part| part.id == "vessel-a").expect("known");
    let capacity = rig.last(SignalId::ResinCapacity, Some(ix as u16)).expect("told");
    assert_eq!(capacity.basis, Basis::Measured);
}

/// A plant that fills a large container may not run again for a week: 20 L are as good as a second run.
#[test]
fn a_first_vessel_that_passes_salt_through_a_long_run_is_told_in_it() {
    let mut rig = Rig::new(&with_beds(0.002));
    let mut water = Water::new(10);
    water.start(&mut rig, 240.0, 60.0);
    water.between = 3.0;
    rig.flowing(true);
    let litres = water.run(&mut rig, 0.0, 130.0);
    assert!(!rig.stands(AlarmId::LeadSpent), "{litres} L, the first of them not counted");
    water.run(&mut rig, litres, 30.0);
    assert!(rig.stands(AlarmId::LeadSpent));
}

/// A float that sticks makes runs of a litre that never settle, for days: a first vessel that passes all of the
/// salt is told of all the same, by what went in and what came out.
#[test]
fn a_spent_first_vessel_is_told_in_runs_too_short_to_settle() {
    let mut rig = Rig::new(&with_beds(0.002));
    let mut water = Water::new(10);
    for _ in 0..2 {
        water.start(&mut rig, 240.0, 60.0);
    }
    water.between = 1.0;
    for _ in 0..8 {
        water.start(&mut rig, 240.0, 8.0);
    }
    assert!(!rig.stands(AlarmId::LeadSpent), "1 ppm is not spent");
    water.between = 12.0;
    water.start(&mut rig, 240.0, 8.0);
    assert!(!rig.stands(AlarmId::LeadSpent), "one run is a hint");
    for _ in 0..4 {
        water.start(&mut rig, 240.0, 8.0);
    }
    assert!(rig.stands(AlarmId::LeadSpent));
    assert_eq!(rig.findings(AlarmId::LeadSpent).len(), 1, "told once");

    // Changed right after a run: what went through before is none of the new one's.
    water.between = 90.0;
    rig.flowing(true);
    let litres = water.run(&mut rig, 0.0, 8.0);
    rig.flowing(false);
    water.counted += litres;
    let swap = ServiceEntry::LagToLead { lead: "vessel-b".into(), fresh: "vessel-a".into() };
    let now = rig.now();
    rig.trend.service(&rig.setup, now, &swap, &mut rig.out).expect("recorded");
    assert!(!rig.stands(AlarmId::LeadSpent));
    water.between = 0.0;
    for _ in 0..4 {
        water.start(&mut rig, 240.0, 8.0);
    }
    assert!(!rig.stands(AlarmId::LeadSpent));
}

/// 1 ppm after the first vessel from soon after it was filled, for hundreds of litres, is no breakthrough:
/// first nothing is said, for few runs do not tell; then it is called what it is. When it grows after
/// all, that is taken back.
#[test]
fn a_plateau_after_the_first_vessel_is_gas_and_no_breakthrough() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(15);
    for _ in 0..2 {
        water.start(&mut rig, 240.0, 60.0);
    }
    assert_eq!(rig.passes(), "nothing");
    water.between = 1.0;
    for _ in 0..3 {
        water.start(&mut rig, 240.0, 60.0);
        assert!(!rig.stands(AlarmId::LeadBegun));
        assert_ne!(rig.passes(), "salt");
    }
    assert!(!rig.stands(AlarmId::ProductReadingSuspect), "three runs do not tell");
    for _ in 0..20 {
        water.start(&mut rig, 240.0, 60.0);
    }
    assert!(rig.stands(AlarmId::ProductReadingSuspect));
    assert!(!rig.stands(AlarmId::LeadBegun));
    assert_eq!(rig.passes(), "carbon dioxide");
    for between in [2.0, 3.0, 3.0] {
        water.between = between;
        water.start(&mut rig, 240.0, 60.0);
    }
    assert!(rig.stands(AlarmId::LeadSpent));
    assert!(!rig.stands(AlarmId::ProductReadingSuspect));
    water.start(&mut rig, 240.0, 60.0);
    assert_eq!(rig.passes(), "salt");
    let changed = ServiceEntry::PartChanged { part: "vessel-a".into(), note: String::new() };
    let now = rig.now();
    rig.trend.service(&rig.setup, now, &changed, &mut rig.out).expect("accepted");
    water.between = 0.0;
    rig.flowing(true);
    water.run(&mut rig, 0.0, 5.0);
    let told = rig.last(SignalId::ResinPasses, None).expect("told");
    assert!(told.datum.is_err(), "the new vessel has not been looked at: {:?}", told.datum);
}

/// A level that stands on while its account runs out is the end of the resin, of which gas is the first sign:
/// resin is to be ordered, and nothing says "rather than new resin" beside it.
#[test]
fn gas_behind_a_first_vessel_that_is_nearly_used_up_orders_resin() {
    let mut rig = Rig::new(&with_beds(0.15));
    let mut water = Water::new(15);
    for _ in 0..9 {
        water.start(&mut rig, 240.0, 60.0);
    }
    assert!(!rig.stands(AlarmId::LeadBegun), "it is pure");
    water.between = 1.0;
    for run in 0..24 {
        water.start(&mut rig, 240.0, 60.0);
        let both = rig.stands(AlarmId::LeadBegun) && rig.stands(AlarmId::ProductReadingSuspect);
        assert!(!both, "run {run}");
    }
    let both = [AlarmId::LeadBegun, AlarmId::ProductReadingSuspect];
    let told: Vec<String> =
        both.iter().flat_map(|alarm| rig.findings(*alarm)).map(|told| told.text.clone()).collect();
    let last = both.iter().find(|alarm| rig.stands(**alarm)).expect("nothing is told");
    let says = &rig.findings(*last).last().expect("it was told").text;
    assert!(says.contains("rder resin"), "{says}");
    assert!(!says.contains("rather than"), "{told:?}");
}

/// A plant that fills a large container once a week has a handful of runs in a charge: what stands through two
/// long ones is known from its course within them.
#[test]
fn a_plateau_is_known_within_few_long_runs() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(15);
    water.start(&mut rig, 240.0, 400.0);
    water.between = 1.0;
    for _ in 0..2 {
        assert!(!rig.stands(AlarmId::ProductReadingSuspect));
        water.start(&mut rig, 240.0, 400.0);
    }
    assert!(rig.stands(AlarmId::ProductReadingSuspect) && !rig.stands(AlarmId::LeadBegun));
}

/// Behind a good membrane three tenths of the permeate are no more than gas may show: what neither tells
/// is waited for, but not for ever, or nobody orders resin.
#[test]
fn a_first_vessel_that_passes_a_share_of_little_is_told_after_some_runs() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(16);
    water.truth.settled = 4.6;
    for _ in 0..2 {
        water.start(&mut rig, 240.0, 60.0);
    }
    water.between = 2.0;
    let told = (1..=12).find(|_| {
        water.start(&mut rig, 240.0, 60.0);
        rig.stands(AlarmId::LeadBegun) || rig.stands(AlarmId::ProductReadingSuspect)
    });
    let runs = told.expect("something is told");
    assert!((5..=8).contains(&runs) && rig.stands(AlarmId::LeadBegun), "after {runs} runs");
}

#[test]
fn silence_clears_no_finding() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(11);
    water.truth.settled = 30.0;
    water.start(&mut rig, 240.0, 90.0);
    assert!(rig.stands(AlarmId::RejectionLow), "rejection is 90 %");
    let before = rig.findings(AlarmId::RejectionLow).len();
    water.lost = 1.0;
    water.start(&mut rig, 240.0, 60.0);
    assert_eq!(rig.findings(AlarmId::RejectionLow).len(), before);
    water.lost = 0.0;
    water.truth.settled = 6.0;
    for _ in 0..2 {
        water.start(&mut rig, 240.0, 90.0);
        assert!(rig.stands(AlarmId::RejectionLow), "one good run is no proof");
    }
    water.start(&mut rig, 240.0, 90.0);
    assert!(!rig.stands(AlarmId::RejectionLow), "evidence does");
}

/// A membrane at its limit, in runs on both sides of it, is told once: it was told eight times in two weeks.
#[test]
fn a_rejection_that_swings_about_its_limit_is_told_once() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(11);
    for run in 0..8 {
        // Feed 300 ppm, limit 93 %.
        water.truth.settled = if run % 2 == 0 { 22.5 } else { 18.0 };
        water.start(&mut rig, 240.0, 90.0);
    }
    assert!(rig.stands(AlarmId::RejectionLow));
    let told = rig.findings(AlarmId::RejectionLow);
    assert_eq!(told.len(), 1, "{told:?}");
}

/// Good runs of before do not clear what comes after them: it was told and cleared within one run.
#[test]
fn a_low_rejection_waits_for_runs_that_come_after_it() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(11);
    water.truth.settled = 6.0;
    for _ in 0..4 {
        water.start(&mut rig, 240.0, 90.0);
    }
    rig.wait(240.0 * 60.0);
    rig.flowing(true);
    water.truth.settled = 30.0;
    let litres = water.run(&mut rig, 0.0, 90.0);
    assert!(rig.stands(AlarmId::RejectionLow), "rejection is 90 %");
    water.truth.settled = 6.0;
    water.run(&mut rig, litres, 60.0);
    rig.flowing(false);
    rig.wait(60.0);
    assert!(rig.stands(AlarmId::RejectionLow), "one good end of a run is no proof");
}

#[test]
fn salt_passage_is_told_against_the_plants_own_baseline() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(12);
    for _ in 0..5 {
        water.start(&mut rig, 240.0, 60.0);
    }
    // Colder water and the same membrane: not a finding.
    water.truth.settled = 16.0;
    for run in 0..3 {
        assert!(!rig.stands(AlarmId::SaltPassageHigh), "too early in run {run}");
        water.start(&mut rig, 240.0, 60.0);
    }
    assert!(rig.stands(AlarmId::SaltPassageHigh));
    water.truth.settled = 6.4;
    for run in 0..3 {
        assert!(rig.stands(AlarmId::SaltPassageHigh), "gone already in run {run}");
        water.start(&mut rig, 240.0, 60.0);
    }
    assert!(!rig.stands(AlarmId::SaltPassageHigh));
    assert!(!rig.stands(AlarmId::RejectionLow), "both say the same and go together");
}

#[test]
fn starts_that_are_cut_short_say_not_reached() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(13);
    for run in 0..3 {
        assert!(!rig.stands(AlarmId::SettleNotReached), "too early in run {run}");
        water.start(&mut rig, 240.0, 4.0);
    }
    for record in rig.records() {
        assert_eq!(record.data["settled-reached"], false, "{}", record.text);
        assert_eq!(record.data["settled-ppm"], serde_json::Value::Null);
    }
    assert!(rig.stands(AlarmId::SettleNotReached));
    let settled = rig.last(SignalId::CreepSettled, None).expect("told");
    assert_eq!(settled.datum, Err(NoReading::Unsupported));
    water.start(&mut rig, 240.0, 60.0);
    assert!(!rig.stands(AlarmId::SettleNotReached));
}

#[test]
fn a_steady_product_reading_with_resin_left_is_likely_gas() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(14);
    for _ in 0..2 {
        water.start(&mut rig, 240.0, 60.0);
    }
    water.product = 1.0;
    water.start(&mut rig, 240.0, 60.0);
    assert!(!rig.stands(AlarmId::ProductReadingSuspect), "one run is a hint");
    water.start(&mut rig, 240.0, 60.0);
    assert!(rig.stands(AlarmId::ProductReadingSuspect));
    water.product = 0.0;
    water.start(&mut rig, 240.0, 60.0);
    assert!(!rig.stands(AlarmId::ProductReadingSuspect));
    // With a permeate that has risen as well it may be anything: nothing is said.
    water.product = 1.0;
    water.truth.settled = 12.0;
    for _ in 0..3 {
        water.start(&mut rig, 240.0, 60.0);
    }
    assert!(!rig.stands(AlarmId::ProductReadingSuspect));
}

/// What stands behind a single vessel and is told to be gas is no salt that it let go: its visible load grows
/// as it did while the product read zero.
#[test]
fn gas_behind_a_single_vessel_takes_no_salt_off_its_account() {
    let mut plant = with_beds(0.15);
    plant.parts.remove("vessel-b");
    plant.sensors.remove("between-tds");
    let mut rig = Rig::new(&plant);
    let mut water = Water::new(31);
    // A third of the charge is used up: the course of so few looks cannot tell gas from salt for certain.
    for _ in 0..6 {
        water.start(&mut rig, 240.0, 60.0);
    }
    let kept = |rig: &Rig| rig.part(SignalId::ResinVisibleLoad, "vessel-a");
    let mut grows = |rig: &mut Rig, product: f64, runs: usize| {
        water.product = product;
        let before = kept(rig);
        for _ in 0..runs {
            water.start(rig, 240.0, 60.0);
        }
        kept(rig) - before
    };
    let pure = grows(&mut rig, 0.0, 3);
    grows(&mut rig, 1.0, 4);
    assert!(rig.stands(AlarmId::ProductReadingSuspect), "told to be gas");
    let gas = grows(&mut rig, 1.0, 3);
    assert!((gas / pure - 1.0).abs() < 0.015, "{gas:.0} mg, {pure:.0} mg while it read zero");
}

#[test]
fn a_probe_in_standing_water_judges_nothing() {
    let mut rig = Rig::new(&full_plant());
    for _ in 0..200 {
        rig.wait(10.0);
        rig.tell("permeate-tds", 250.0);
        rig.tell("product-tds", 9.0);
    }
    let ix = rig.ix("permeate-tds") as u16;
    let update = rig.last(SignalId::Reading, Some(ix)).expect("told");
    assert_eq!(update.datum, Err(NoReading::NotApplicable));
    assert!(rig.out.findings.is_empty());
    let mut water = Water::new(15);
    water.start(&mut rig, 0.0, 60.0);
    near(rig.plant(SignalId::CreepSettled), USUAL.settled, 0.32);
    assert!(rig.plant(SignalId::CreepPeak) < 170.0, "no reading of standing water in it");
    // Hours of silence while nothing flows are no fault.
    rig.wait(48.0 * 3600.0);
    assert!(!rig.stands(AlarmId::SensorFault));
}

#[test]
fn a_sensor_that_gives_nothing_usable_is_told_by_name() {
    let mut rig = Rig::new(&full_plant());
    let ix = rig.ix("permeate-tds");
    for _ in 0..60 {
        rig.wait(10.0);
        let now = rig.now();
        rig.trend.missing(&rig.setup, now, ix, NoReading::Unparsable, rig.standing, &mut rig.out);
    }
    let told = rig.findings(AlarmId::SensorFault);
    assert_eq!(told.len(), 1);
    assert!(told[0].text.contains("permeate-tds"), "{}", told[0].text);
    rig.flowing(true);
    for _ in 0..3 {
        rig.wait(10.0);
        rig.tell("permeate-tds", 6.0);
    }
    assert!(!rig.stands(AlarmId::SensorFault));
    // Silent while water flows: the value goes at once, the finding after minutes.
    rig.wait(100.0);
    let update = rig.last(SignalId::Reading, Some(ix as u16)).expect("told");
    assert_eq!(update.datum, Err(NoReading::Stale));
    assert!(!rig.stands(AlarmId::SensorFault));
    rig.wait(600.0);
    assert!(rig.stands(AlarmId::SensorFault));
}

/// One wild number at rest, where a good one follows after two minutes, is no sensor that gives nothing; half of
/// them are told as what they are.
#[test]
fn one_wild_reading_is_no_sensor_that_gives_nothing() {
    let mut rig = Rig::new(&full_plant());
    let ix = rig.ix("permeate-tds");
    let wild = |rig: &mut Rig, count: usize, good: bool| {
        for _ in 0..count {
            rig.wait(120.0);
            if good {
                rig.tell("permeate-tds", 6.0);
            }
            rig.wait(120.0);
            let (now, standing) = (rig.now(), rig.standing);
            rig.trend.missing(&rig.setup, now, ix, NoReading::OutOfRange, standing, &mut rig.out);
        }
    };
    wild(&mut rig, 1, false);
    for _ in 0..6 {
        rig.wait(120.0);
        rig.tell("permeate-tds", 6.0);
    }
    assert!(rig.findings(AlarmId::SensorFault).is_empty());
    wild(&mut rig, 3, true);
    let told = rig.findings(AlarmId::SensorFault);
    assert_eq!(told.len(), 1);
    assert!(told[0].text.contains("hardly anything"), "{}", told[0].text);
}

/// A level sensor and a meter that die at rest are silent when the water flows again, and for as long as it does.
#[test]
fn a_sensor_that_died_at_rest_is_told_in_the_next_run() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(3);
    water.start(&mut rig, 240.0, 60.0);
    rig.wait(24.0 * 3600.0);
    assert!(rig.findings(AlarmId::SensorFault).is_empty(), "{:?}", rig.out.findings);
    // What speaks again in time is no fault.
    water.start(&mut rig, 240.0, 60.0);
    assert!(rig.findings(AlarmId::SensorFault).is_empty(), "{:?}", rig.out.findings);
    rig.wait(24.0 * 3600.0);
    rig.flowing(true);
    rig.wait(200.0);
    assert!(rig.findings(AlarmId::SensorFault).is_empty(), "{:?}", rig.out.findings);
    rig.wait(600.0);
    for id in ["supply-flow", "feed-pressure", "feed-temperature"] {
        let of = Some(rig.ix(id) as u16);
        let told = rig.findings(AlarmId::SensorFault).iter().filter(|f| f.key.of == of).count();
        assert_eq!(told, 1, "{id}");
    }
}

/// Most relays tell a valve's state when it changes, and not again while it is open for hours; a float may repeat
/// its own every quarter of an hour. One that has done so and stops is told.
#[test]
fn a_switch_is_silent_by_its_own_heartbeat() {
    let mut plant = full_plant();
    for (id, quantity, point) in
        [("supply-open", Quantity::Open, Point::Supply), ("float", Quantity::Full, Point::Store)]
    {
        plant.sensors.insert(id.to_owned(), sensor(quantity, point, ""));
    }
    let mut rig = Rig::new(&plant);
    let beats = |rig: &mut Rig, float: bool| {
        rig.tell("supply-open", 1.0);
        rig.flowing(true);
        for _ in 0..8 {
            if float {
                rig.tell("float", 0.0);
            }
            // Probes that are silent as well are none of this.
            rig.wait(900.0);
        }
        rig.flowing(false);
        rig.tell("supply-open", 0.0);
        rig.wait(3600.0);
    };
    let faults = |rig: &Rig| -> Vec<Option<u16>> {
        let told = rig.findings(AlarmId::SensorFault);
        let switches = [rig.ix("supply-open") as u16, rig.ix("float") as u16];
        let of = told.into_iter().map(|found| found.key.of);
        of.filter(|of| of.is_some_and(|of| switches.contains(&of))).collect()
    };
    for _ in 0..3 {
        beats(&mut rig, true);
    }
    assert_eq!(faults(&rig), []);
    beats(&mut rig, false);
    assert_eq!(faults(&rig), [Some(rig.ix("float") as u16)]);
}

#[test]
fn a_lone_spike_enters_nothing() {
    let calm = {
        let mut rig = Rig::new(&full_plant());
        Water::new(16).start(&mut rig, 240.0, 60.0);
        rig.part(SignalId::ResinVisibleLoad, "vessel-a")
    };
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(16);
    water.count(&mut rig);
    rig.wait(240.0 * 60.0);
    rig.flowing(true);
    water.run(&mut rig, 0.0, 40.0);
    rig.tell("permeate-tds", 400.0);
    let update = rig.last(SignalId::Reading, Some(rig.ix("permeate-tds") as u16)).expect("told");
    assert!(update.reasons.contains(&Reason::Spike), "{update:?}");
    water.run(&mut rig, 6.0, 20.0);
    rig.flowing(false);
    rig.wait(60.0);
    near(rig.part(SignalId::ResinVisibleLoad, "vessel-a"), calm, 0.05 * calm);
    near(rig.plant(SignalId::CreepSettled), USUAL.settled, 0.32);
}

#[test]
fn an_unchanged_value_leaves_only_at_its_heartbeat() {
    let mut rig = Rig::new(&full_plant());
    rig.flowing(true);
    for _ in 0..120 {
        rig.wait(10.0);
        rig.tell("feed-pressure", 4.0);
    }
    let ix = rig.ix("feed-pressure") as u16;
    let key = ValueKey { signal: SignalId::Reading, of: Some(ix) };
    let told: Vec<&ValueUpdate> =
        rig.out.values.iter().filter(|update| update.key == key).collect();
    // 20 minutes: never seen, first value, its flag becoming good, and a heartbeat every 5 minutes.
    let good = told.iter().filter(|update| update.datum.is_ok()).count();
    assert!((4..=6).contains(&good), "{good}: {told:?}");
    never_fall(&rig);
}

#[test]
fn stamps_rise_when_the_clock_is_set_back() {
    let mut rig = Rig::new(&full_plant());
    rig.flowing(true);
    rig.tell("feed-pressure", 4.0);
    rig.wait(10.0);
    rig.tell("feed-pressure", 4.5);
    rig.wall -= 3_600_000;
    rig.wait(10.0);
    rig.tell("feed-pressure", 3.5);
    let ix = rig.ix("feed-pressure") as u16;
    let update = rig.last(SignalId::Reading, Some(ix)).expect("told");
    assert!(update.reasons.contains(&Reason::Clock), "{update:?}");
    never_fall(&rig);
}

fn started(away: Option<Span>) -> Started {
    Started { found: Found::Restored, away, clean: false }
}

/// Through the form in which snapshots are kept.
fn snapshot(trend: &Trend, at: i64, back: i64) -> Trend {
    let text = as_ages(Mono::from_millis(at), || serde_json::to_string(trend)).expect("serialises");
    as_ages(Mono::from_millis(back), || serde_json::from_str(&text)).expect("reads back")
}

#[test]
fn a_snapshot_in_mid_run_goes_on_as_if_nothing_had_happened() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(17);
    water.lost = 0.1;
    water.start(&mut rig, 240.0, 60.0);
    rig.wait(3600.0);
    rig.flowing(true);
    let litres = water.run(&mut rig, 0.0, 9.0);
    let mut copy = rig.clone();
    copy.trend = snapshot(&rig.trend, rig.millis, rig.millis);
    let mut second = water.clone();
    rig.out = Results::default();
    copy.out = Results::default();
    for (rig, water) in [(&mut rig, &mut water), (&mut copy, &mut second)] {
        water.run(rig, litres, 60.0);
        rig.flowing(false);
        rig.wait(7200.0);
        water.start(rig, 60.0, 30.0);
    }
    let plain = |out: &Results| {
        let values = serde_json::to_string(&out.values).expect("serialises");
        let logs = serde_json::to_string(&out.logs).expect("serialises");
        (values, logs, format!("{:?}", out.findings))
    };
    assert!(rig.out.values.len() > 500 && rig.out.logs.len() == 2);
    assert!(plain(&rig.out) == plain(&copy.out), "the copy went another way");
}

#[test]
fn the_same_calls_give_the_same_results() {
    let run = || {
        let mut rig = Rig::new(&full_plant());
        let mut water = Water::new(18);
        water.lost = 0.15;
        for _ in 0..3 {
            water.start(&mut rig, 200.0, 45.0);
        }
        let trend = as_ages(Mono::from_millis(rig.millis), || serde_json::to_string(&rig.trend));
        (serde_json::to_string(&rig.out.values).expect("serialises"), trend.expect("serialises"))
    };
    assert!(run() == run());
}

#[test]
fn a_restart_in_mid_run_keeps_totals_and_counts_no_start_twice() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(19);
    water.count(&mut rig);
    rig.wait(3600.0);
    rig.flowing(true);
    let litres = water.run(&mut rig, 0.0, 30.0);
    // The daemon dies; water runs on for ten minutes; plant time stands still meanwhile.
    rig.trend = snapshot(&rig.trend, rig.millis, rig.millis);
    let away = Span::from_secs(600);
    rig.wall += 600_000;
    // The new daemon has seen no flow yet, and says so before it says that it has started.
    rig.flowing(false);
    let now = rig.now();
    rig.trend.started(&rig.setup, now, &started(Some(away)), &mut rig.out);
    let permeate = rig.ix("permeate-tds") as u16;
    let update = rig.last(SignalId::Reading, Some(permeate)).expect("told");
    assert_eq!(update.datum, Err(NoReading::NotSinceStart), "nothing is fresh");
    near(rig.plant(SignalId::PermeateLitres), 4.5, 0.1);
    rig.wait(5.0);
    rig.flowing(true);
    let litres = litres + FLOW * 10.0;
    water.run(&mut rig, litres, 30.0);
    rig.flowing(false);
    rig.wait(60.0);
    near(rig.plant(SignalId::Starts), 1.0, 0.0);
    // The counter proves what passed while nobody watched.
    near(rig.plant(SignalId::PermeateLitres), 10.5, 0.1);
    let load = rig.part(SignalId::ResinVisibleLoad, "vessel-a");
    near(load, USUAL.salt(10.5), 0.1 * USUAL.salt(10.5));
    never_fall(&rig);
}

#[test]
fn without_a_counter_an_outage_is_bounded_and_never_nothing() {
    let mut rig = Rig::new(&small_plant());
    let mut water = Water::new(20);
    rig.wait(3600.0);
    rig.flowing(true);
    water.run(&mut rig, 0.0, 30.0);
    let now = rig.now();
    rig.wall += 600_000;
    rig.trend.started(&rig.setup, now, &started(Some(Span::from_secs(600))), &mut rig.out);
    near(rig.plant(SignalId::UnseenLitres), 1.5, 0.01);
    near(rig.plant(SignalId::PermeateLitres), 4.5, 0.02);
    assert!(rig.out.logs.iter().any(|entry| entry.text.contains("unseen")));
}

#[test]
fn changed_settings_keep_what_belongs_to_a_sensor_or_part() {
    let mut rig = Rig::new(&full_plant());
    Water::new(21).start(&mut rig, 240.0, 60.0);
    let before = rig.part(SignalId::ResinVisibleLoad, "vessel-a");
    let litres = rig.plant(SignalId::PermeateLitres);
    // A new sensor and a new part that sort before all others move every index.
    let mut plant = full_plant();
    plant.sensors.insert("a-leak".to_owned(), sensor(Quantity::Leak, Point::Room, ""));
    let carbon = Part { kind: Some(PartKind::Carbon), ..Part::default() };
    plant.parts.insert("a-carbon".to_owned(), carbon);
    rig.trend = snapshot(&rig.trend, rig.millis, rig.millis);
    rig.setup = resolve(&plant);
    rig.out = Results::default();
    let now = rig.now();
    rig.trend.started(&rig.setup, now, &started(Some(Span::from_secs(30))), &mut rig.out);
    near(rig.part(SignalId::ResinVisibleLoad, "vessel-a"), before, 0.1);
    near(rig.plant(SignalId::PermeateLitres), litres, 1e-9);
    assert_eq!(rig.ix("a-leak"), 0);
    Water { counted: 9.0, ..Water::new(22) }.start(&mut rig, 240.0, 60.0);
    near(rig.plant(SignalId::PermeateLitres), litres + 9.0, 0.05);
}

#[test]
fn a_short_pause_is_no_new_start() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(23);
    rig.wait(3600.0);
    rig.flowing(true);
    let litres = water.run(&mut rig, 0.0, 20.0);
    rig.flowing(false);
    rig.wait(10.0);
    rig.flowing(true);
    water.run(&mut rig, litres, 40.0);
    rig.flowing(false);
    rig.wait(60.0);
    near(rig.plant(SignalId::Starts), 1.0, 0.0);
    assert_eq!(rig.records().len(), 1);
}

/// A float closes to a trickle, and a meter of 10 mL shows a count only now and then: water seems to flow
/// and to stand in turn. That is one run; and what drips after it is no start.
#[test]
fn a_trickle_between_two_counts_is_one_run() {
    for trickle in [0.02, 0.01, 0.003] {
        let mut plant = full_plant();
        plant.sensors.remove("permeate-pulses");
        let meter = sensor(Quantity::Volume, Point::Permeate, "L");
        plant.sensors.insert("permeate-litres".to_owned(), meter);
        let mut rig = Rig::new(&plant);
        let mut water = Water::new(41);
        let flowing = |rig: &mut Rig, on: bool| {
            rig.flowing(on);
            let was = rig.standing;
            // A plant whose valve says nothing.
            rig.standing.valve_open = None;
            rig.trend.standing(&rig.setup, rig.now(), was, rig.standing, &mut rig.out);
        };
        let tell = |rig: &mut Rig, litres: f64| {
            rig.tell("permeate-litres", (100.0 * litres).floor() / 100.0);
        };
        let full = |rig: &mut Rig, water: &mut Water, mut litres: f64| {
            let from = litres;
            flowing(rig, true);
            for _ in 0..240 {
                rig.wait(10.0);
                litres += FLOW / 6.0;
                tell(rig, litres);
                water.tell(rig, litres - from);
            }
            litres
        };
        tell(&mut rig, 0.0);
        rig.wait(3600.0);
        let mut litres = full(&mut rig, &mut water, 0.0);
        // Three hours; the guard lets flow end half a minute after the last growth.
        let (mut shown, mut grew) = (litres, rig.millis);
        for _ in 0..1080 {
            rig.wait(10.0);
            litres += trickle / 6.0;
            if (100.0 * litres).floor() > (100.0 * shown).floor() {
                (shown, grew) = (litres, rig.millis);
            }
            let on = rig.millis - grew < 30_000;
            if on != rig.standing.flowing {
                flowing(&mut rig, on);
            }
            tell(&mut rig, litres);
        }
        flowing(&mut rig, false);
        rig.wait(3600.0);
        near(rig.plant(SignalId::Starts), 1.0, 0.0);
        assert_eq!(rig.records().len(), 1, "{trickle} L/min");
        full(&mut rig, &mut water, litres);
        near(rig.plant(SignalId::Starts), 2.0, 0.0);
        flowing(&mut rig, false);
        rig.wait(3600.0);
        assert_eq!(rig.records().len(), 2, "{trickle} L/min");
        let standing = rig.records()[1].data["idle-secs"].as_f64().expect("known");
        assert!(standing >= 3590.0, "{standing}");
    }
}

/// Without resin the permeate is the product: one probe stands for both, wherever it says it is.
#[test]
fn a_plant_without_resin_has_everything_of_its_membrane() {
    for point in [Point::Product, Point::Permeate] {
        let mut plant = full_plant();
        plant.parts.retain(|_, part| part.kind == Some(PartKind::Membrane));
        for id in ["between-tds", "product-tds"] {
            plant.sensors.remove(id);
        }
        plant.sensors.insert("permeate-tds".to_owned(), probe(point));
        let mut rig = Rig::new(&plant);
        let ix = rig.ix("permeate-tds");
        assert!(rig.setup.sensors[ix].guards, "what reaches the store is judged");
        assert_eq!(rig.setup.solids_at(Point::Product).collect::<Vec<_>>(), [ix]);
        let mut water = Water::new(3);
        water.start(&mut rig, 480.0, 60.0);
        let passage = USUAL.settled / USUAL.feed;
        near(rig.plant(SignalId::Rejection), 1.0 - passage, 0.002);
        near(rig.plant(SignalId::CreepSettled), USUAL.settled, 0.3);
        near(rig.plant(SignalId::CreepExtraSalt), USUAL.extra(), 0.15 * USUAL.extra());
        let flow = rig.plant(SignalId::PermeateFlowNormalised);
        assert!(flow > 0.16 && flow < 0.25, "{flow}");
        assert!(rig.plant(SignalId::SaltPassageNormalised) > 0.0);
        assert_eq!(rig.records().len(), 1);
    }
}

#[test]
fn an_analysis_of_the_tap_makes_the_gas_load_known() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(24);
    let entry = ServiceEntry::TapAnalysis {
        alkalinity_mg_per_litre: Some(100.0),
        ph: Some(7.5),
        chlorine_mg_per_litre: None,
    };
    let now = rig.now();
    rig.trend.service(&rig.setup, now, &entry, &mut rig.out).expect("accepted");
    water.start(&mut rig, 240.0, 60.0);
    let salt = USUAL.salt(9.0);
    // 0.1416 meq/L of carbon dioxide at 25 C (reference sheet 5.3) beside what conducts; at the 15 C of
    // this water pK1 is 6.419 and not 6.352 (Plummer & Busenberg 1982, from memory).
    let gas = 0.141_6 * 10f64.powf(6.419 - 6.352);
    let used = salt / 0.5 / 115.0 / 1000.0 + gas * 9.0 / 1000.0;
    near(rig.part(SignalId::ResinUsed, "vessel-a"), used, 0.06 * used);
}

/// A feed probe that has lost a quarter of its gain makes the membrane look bad; one handheld
/// reading brings the rejection back, and a second one after calibration takes the correction away.
#[test]
fn one_handheld_reading_brings_a_drifted_probe_back() {
    // Nobody has to know how good the handheld is.
    for u in [6.0, 0.0] {
        one_handheld_reading(u);
    }
}

fn one_handheld_reading(u: f64) {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(5);
    let by_hand = |rig: &mut Rig, value: f64| {
        let entry = ServiceEntry::Handheld { sensor: "feed-tds".into(), value, u };
        let now = rig.now();
        rig.trend.service(&rig.setup, now, &entry, &mut rig.out).expect("accepted")
    };
    let run = |rig: &mut Rig, water: &mut Water, hand: Option<f64>| {
        rig.wait(8.0 * 3600.0);
        rig.flowing(true);
        let mut litres = water.run(rig, 0.0, 50.0);
        if let Some(value) = hand {
            by_hand(rig, value);
            litres = water.run(rig, litres, 20.0);
        }
        let rejection = rig.plant(SignalId::Rejection);
        rig.flowing(false);
        water.counted += litres;
        water.count(rig);
        rejection
    };
    let honest = 1.0 - USUAL.settled / USUAL.feed;
    near(run(&mut rig, &mut water, None), honest, 0.002);
    water.truth.feed = 0.75 * USUAL.feed;
    let drifted = run(&mut rig, &mut water, None);
    assert!(honest - drifted > 0.005, "{drifted}");
    near(run(&mut rig, &mut water, Some(USUAL.feed)), honest, 0.002);
    water.truth.feed = USUAL.feed;
    near(run(&mut rig, &mut water, Some(USUAL.feed)), honest, 0.002);
}

/// Two probes of one make that both read 5 % low: the ratio does not know it. The feed probe drifts, is
/// set right by a handheld reading and then calibrated, which makes it what its label says, 5 % low: the
/// correction must go, or the ratio is off by what the other probe still shares with nobody.
/// A handheld reading that is one and a half of its uncertainties away corrects nothing by itself; where the
/// passage has drifted for days as it says, it does.
#[test]
fn a_handheld_reading_that_bears_a_drift_out_counts_for_more() {
    let answer = |a_day: f64| {
        let mut rig = Rig::new(&full_plant());
        let mut water = Water::new(5);
        for day in 0..24 {
            let away = 1.0 - a_day * f64::from((day - 12).max(0));
            water.truth.feed = away * USUAL.feed;
            rig.wait(23.0 * 3600.0);
            rig.flowing(true);
            let litres = water.run(&mut rig, 0.0, 60.0);
            let reading = water.truth.feed;
            if day == 23 {
                let value = reading / 0.86;
                let u = 0.1 * value;
                let entry = ServiceEntry::Handheld { sensor: "feed-tds".into(), value, u };
                let now = rig.now();
                return rig.trend.service(&rig.setup, now, &entry, &mut rig.out).expect("accepted");
            }
            rig.flowing(false);
            water.counted += litres;
            water.count(&mut rig);
        }
        unreachable!("the last day answers")
    };
    assert!(answer(0.0).contains("they agree"), "{}", answer(0.0));
    assert!(answer(0.012).contains("its readings count 1."), "{}", answer(0.012));
}

#[test]
fn a_calibrated_probe_shares_the_gain_of_its_make_again() {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(6);
    let make = 0.95;
    water.truth.settled = make * USUAL.settled;
    let run = |rig: &mut Rig, water: &mut Water, hand: bool| {
        rig.wait(8.0 * 3600.0);
        rig.flowing(true);
        let mut litres = water.run(rig, 0.0, 50.0);
        if hand {
            let entry =
                ServiceEntry::Handheld { sensor: "feed-tds".into(), value: USUAL.feed, u: 6.0 };
            let now = rig.now();
            rig.trend.service(&rig.setup, now, &entry, &mut rig.out).expect("accepted");
            litres = water.run(rig, litres, 20.0);
        }
        let passage = 1.0 - rig.plant(SignalId::Rejection);
        rig.flowing(false);
        water.counted += litres;
        water.count(rig);
        passage
    };
    let mut shown = Vec::new();
    for (drift, hand) in [(1.0, false), (0.85, true), (1.0, true)] {
        water.truth.feed = make * drift * USUAL.feed;
        shown.push(run(&mut rig, &mut water, hand));
    }
    near(shown[2], shown[0], 0.015 * shown[0]);
    assert!((shown[1] / shown[0] - make).abs() < 0.02, "{shown:?}");
}

/// Starts after standing for so many minutes, with the first water of the standing model (reference
/// sheet 4.1): reach 0.6, time constant two hours.
fn stood(minutes: f64) -> Truth {
    let rise = 1.0 - (-minutes / 120.0f64).exp();
    Truth { amplitude: 0.6 * (USUAL.feed - USUAL.settled) * rise, ..USUAL }
}

#[test]
fn the_starts_teach_what_the_next_one_will_bring() {
    let mut plant = full_plant();
    plant.store.litres = 60.0;
    plant.assumed.use_litres_per_day = Some(12.0);
    let mut rig = Rig::new(&plant);
    let mut water = Water::new(3);
    for minutes in [480.0, 20.0, 60.0, 240.0, 30.0, 120.0, 360.0, 90.0, 45.0, 600.0] {
        water.truth = stood(minutes);
        water.start(&mut rig, minutes, 50.0);
    }
    near(rig.plant(SignalId::CreepStandingTime), 7_200.0, 0.25 * 7_200.0);
    // The first reading comes some centilitres after the first water.
    rig.wait(8.0 * 3_600.0);
    let (night, after) = (rig.plant(SignalId::CreepFirstNow), stood(480.0).permeate(0.05));
    near(night, after, 0.2 * after);
    let divert = rig.plant(SignalId::CreepDivertNow);
    assert!((0.2..1.0).contains(&divert), "after a night {divert} L");
    // 12 L a day for 30 days would be kept; four fifths of the container are less.
    near(rig.plant(SignalId::CreepBestRun), 48.0, 0.5);
    let charge = [
        SignalId::ResinChargeAt1,
        SignalId::ResinChargeAt3,
        SignalId::ResinChargeAt8,
        SignalId::ResinChargeAt25,
    ]
    .map(|signal| rig.plant(signal));
    assert!(charge.is_sorted_by(|more, less| more > less), "{charge:?}");

    water.truth = stood(15.0);
    water.start(&mut rig, 15.0, 50.0);
    rig.wait(10.0 * 60.0);
    let short = rig.plant(SignalId::CreepFirstNow);
    assert!(short < 0.4 * night, "{short} after minutes, {night} after a night");
    let running = {
        rig.flowing(true);
        rig.wait(3_700.0);
        rig.last(SignalId::CreepFirstNow, None).map(|update| update.datum.is_ok())
    };
    assert_eq!(running, Some(false), "water that flows has no first water to come");
}

/// Alternating weeks of five starts each, every other one with a flush before each start that leaves
/// this share of the extra salt.
fn alternating(weeks: u32, left: f64) -> Rig {
    let mut rig = Rig::new(&full_plant());
    let mut water = Water::new(8);
    for week in 0..weeks {
        for day in 0..5u32 {
            let idle = 300.0 + 60.0 * f64::from(day);
            water.count(&mut rig);
            rig.wait(86_400.0 - 60.0 * idle);
            let flushed = week % 2 == 1;
            if flushed {
                let was = rig.standing;
                rig.standing = Standing { phase: Phase::Flushing, flowing: true, ..was };
                rig.trend.standing(&rig.setup, rig.now(), was, rig.standing, &mut rig.out);
                rig.wait(60.0);
                rig.flowing(false);
            }
            water.truth = stood(idle);
            water.truth.amplitude *= if flushed { left } else { 1.0 };
            water.start(&mut rig, idle, 50.0);
        }
        rig.wait(2.0 * 86_400.0);
    }
    rig
}

fn flush_finding(rig: &Rig) -> String {
    match rig.last(SignalId::FlushFinding, None).map(|update| &update.datum) {
        Some(Ok(Datum::Text(text))) => text.clone(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn whether_a_flush_helps_is_answered_from_alternating_weeks() {
    let rig = alternating(2, 0.6);
    assert!(flush_finding(&rig).starts_with("cannot tell yet: 5"), "{}", flush_finding(&rig));
    let rig = alternating(6, 0.6);
    assert!(flush_finding(&rig).starts_with("a flush saves about"), "{}", flush_finding(&rig));
    near(rig.plant(SignalId::FlushSaves), 0.4, 0.08);
    let rig = alternating(6, 1.0);
    assert!(flush_finding(&rig).starts_with("no difference"), "{}", flush_finding(&rig));
    near(rig.plant(SignalId::FlushSaves), 0.0, 0.08);
}
