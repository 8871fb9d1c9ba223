//! The guard by scenarios: given these messages over this time, these commands and no other.

use super::Context;
use crate::engine::Engine;
use crate::engine::catalogue::AlarmId;
use crate::engine::event::{Ask, Command, Event, Found, Reading, ServiceEntry, Started};
use crate::engine::output::{Action, AlarmKey, Output, Permit};
use crate::engine::phase::Phase;
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Mono, Now, Span, Wall};
use crate::settings::schema::{OnStop, Plant};
use std::sync::Arc;

const EPOCH: i64 = 1_790_000_000_000;

/// Two solids probes and a valve, opened by the hub.
const SMALLEST: &str = r#"
[sensors.permeate]
topic = "p/permeate"
quantity = "tds"
point = "permeate"
unit = "ppm"
step = 1.0
interval_secs = 5.0
[sensors.product]
topic = "p/product"
quantity = "tds"
point = "product"
unit = "ppm"
step = 1.0
interval_secs = 5.0
[actuators.valve]
role = "supply-valve"
topic = "p/valve/set"
close = "OFF"
open = "ON"
[assumed]
permeate_litres_per_min = 0.15
"#;

/// A meter, a valve state, a floor sensor, a float, a level, pressure, temperature; by level.
const FULL: &str = r#"
[sensors.product]
topic = "p/product"
quantity = "tds"
point = "product"
unit = "ppm"
step = 1.0
interval_secs = 5.0
[sensors.flow]
topic = "p/flow"
quantity = "flow"
point = "permeate"
unit = "L/min"
interval_secs = 5.0
[sensors.floor]
topic = "p/floor"
quantity = "leak"
point = "room"
battery = true
[sensors.float]
topic = "p/float"
quantity = "full"
point = "store"
[sensors.level]
topic = "p/level"
quantity = "level"
point = "store"
unit = "L"
interval_secs = 5.0
[sensors.pressure]
topic = "p/pressure"
quantity = "pressure"
point = "feed"
unit = "bar"
interval_secs = 5.0
[sensors.temperature]
topic = "p/temperature"
quantity = "temperature"
point = "feed"
unit = "C"
interval_secs = 5.0
[sensors.state]
topic = "p/valve/state"
quantity = "open"
point = "supply"
[actuators.valve]
role = "supply-valve"
topic = "p/valve/set"
close = "OFF"
open = "ON"
state_sensor = "state"
[demand]
mode = "level"
start_below_litres = 40.0
stop_at_litres = 58.0
[store]
litres = 60.0
"#;

struct Rig {
    engine: Engine,
    now: Mono,
    sent: Vec<(Mono, Action)>,
    permit: Option<Permit>,
    answers: Vec<String>,
    /// Answer `Persist` at once, as a healthy disk does.
    disk: bool,
    /// Acknowledge closes at once, as a healthy broker does.
    broker: bool,
}

impl Rig {
    fn new(toml: &str) -> Self {
        let plant: Plant = toml::from_str(toml).expect("the plant is valid");
        let setup = Arc::new(Setup::resolve("p", &plant, OnStop::Close, 5));
        let mut rig = Self {
            engine: Engine::new(setup),
            now: Mono::ZERO,
            sent: Vec::new(),
            permit: None,
            answers: Vec::new(),
            disk: true,
            broker: true,
        };
        rig.event(Event::Started(Started { found: Found::New, away: None, clean: true }));
        rig.event(Event::Clock { sane: true, stepped: Span::ZERO });
        rig.event(Event::GuardConnected { actuator: 0 });
        rig.event(Event::BrokerReady);
        rig
    }

    fn sensor(&self, id: &str) -> SensorIx {
        self.engine
            .setup()
            .sensors
            .iter()
            .position(|sensor| sensor.id == id)
            .unwrap_or_else(|| panic!("no sensor {id}"))
    }

    fn event(&mut self, event: Event) {
        let now = Now::new(self.now, Wall::from_millis(EPOCH + self.now.millis()));
        self.engine.handle(now, event);
        self.drain();
    }

    fn drain(&mut self) {
        while let Some(output) = self.engine.poll_output() {
            match output {
                Output::Send(send) => {
                    self.sent.push((self.now, send.action));
                    if send.action == Action::Close && self.broker {
                        self.event(Event::CloseAcknowledged { actuator: send.actuator });
                    }
                }
                Output::Persist { token } if self.disk => self.event(Event::Persisted { token }),
                Output::Permit(permit) => self.permit = Some(permit),
                Output::Log(entry) if entry.kind == "answer" => self.answers.push(entry.text),
                _ => {}
            }
        }
    }

    fn read(&mut self, id: &str, value: f64) {
        let sensor = self.sensor(id);
        self.event(Event::Reading(Reading {
            sensor,
            value,
            retained: false,
            arrived: None,
            stamp: None,
        }));
    }

    fn stored(&mut self, id: &str, value: f64) {
        let sensor = self.sensor(id);
        self.event(Event::Reading(Reading {
            sensor,
            value,
            retained: true,
            arrived: None,
            stamp: None,
        }));
    }

    /// Had the guard looked just before its next deadline, nothing would have happened: what would have
    /// is something whose own deadline is missing.
    fn nothing_was_due(&self, next: Mono) {
        // Deadlines lie up to two milliseconds behind what they wait for.
        let before = next - Span::from_millis(2);
        if before <= self.engine.evaluated() {
            return;
        }
        let (mut guard, mut alarms) =
            (self.engine.state.guard.clone(), self.engine.state.alarms.clone());
        let setup = Arc::clone(self.engine.setup());
        let now = Now::new(before, Wall::from_millis(EPOCH + before.millis()));
        let mut out = Vec::new();
        alarms.tick(before);
        guard.evaluate(&mut Context { setup: &setup, now, alarms: &mut alarms, out: &mut out });
        out.retain(|output| match output {
            // A permit may be renewed early.
            Output::Permit(permit) => self.permit.as_ref().is_none_or(|last| {
                (last.permitted, &last.missing, &last.valve)
                    != (permit.permitted, &permit.missing, &permit.valve)
            }),
            _ => true,
        });
        out.extend(alarms.changes(false).into_iter().map(Output::Alarm));
        assert_eq!(out, [], "{before:?} was no deadline");
    }

    /// Lets time pass, waking at every deadline as a driver does.
    fn wait(&mut self, secs: f64) {
        let until = self.now + Span::from_secs_f64(secs);
        while let Some((due, _)) = self.engine.poll_timeout().filter(|(due, _)| *due <= until) {
            self.nothing_was_due(due.min(until));
            self.now = due;
            self.event(Event::Tick);
        }
        self.now = until;
        self.event(Event::Tick);
    }

    /// Messages each 5 s for a while; gives the time of the first close, from the beginning.
    fn run(&mut self, secs: f64, readings: &[(&str, f64)]) -> Option<f64> {
        let begun = self.now;
        let closes = self.closes();
        let mut first = None;
        while self.now.since(begun).secs() < secs {
            self.wait(5.0);
            for (id, value) in readings {
                self.read(id, *value);
            }
            if first.is_none() && self.closes() > closes {
                first = Some(self.now.since(begun).secs());
            }
        }
        first
    }

    /// When the guard is to look again for this.
    fn due(&self, why: &str) -> Vec<Mono> {
        let mut all = Vec::new();
        let mut add = |at: Option<Mono>, what| all.extend(at.filter(|_| what == why));
        self.engine.state.guard.deadlines(self.engine.setup(), &mut add);
        all
    }

    fn ask(&mut self, what: Ask) -> String {
        self.event(Event::Command(Command { id: String::new(), at: None, what }));
        self.answers.last().cloned().unwrap_or_default()
    }

    fn reset(&mut self, alarm: AlarmId) -> String {
        self.ask(Ask::Reset { cause: alarm.name().to_owned(), reason: String::new() })
    }

    fn closes(&self) -> usize {
        self.sent.iter().filter(|(_, action)| *action == Action::Close).count()
    }

    fn opens(&self) -> usize {
        self.sent.iter().filter(|(_, action)| *action == Action::Open).count()
    }

    fn stands(&self, alarm: AlarmId) -> bool {
        self.engine.state.alarms.stands(AlarmKey::plant(alarm))
    }

    fn permitted(&self) -> bool {
        self.permit.as_ref().is_some_and(|permit| permit.permitted)
    }

    fn missing(&self) -> Vec<String> {
        let permit = self.permit.as_ref().expect("a permit is always there");
        permit.missing.iter().map(|missing| missing.cause.clone()).collect()
    }

    /// The smallest plant, opened by the hub and past its rinse-in.
    fn smallest_producing() -> Self {
        let mut rig = Self::new(SMALLEST);
        // The first close after the connection is confirmed by nobody: three times, then commanded.
        rig.run(120.0, &[("product", 0.0), ("permeate", 6.0)]);
        assert!(rig.permitted(), "{:?}", rig.missing());
        rig.event(Event::SeenOnTopic { actuator: 0, open: true });
        assert_eq!(rig.run(300.0, &[("product", 0.0), ("permeate", 6.0)]), None);
        rig
    }

    fn full_readings(level: f64, product: f64, flow: f64, open: f64) -> [(&'static str, f64); 6] {
        [
            ("product", product),
            ("level", level),
            ("pressure", 4.0),
            ("temperature", 15.0),
            ("flow", flow),
            ("state", open),
        ]
    }

    /// The full plant, opened by level and past its rinse-in.
    fn full_producing() -> Self {
        let mut rig = Self::new(FULL);
        rig.run(30.0, &Self::full_readings(30.0, 0.0, 0.0, 0.0));
        assert_eq!(rig.opens(), 1, "{:?}", rig.missing());
        rig.run(300.0, &Self::full_readings(31.0, 0.0, 0.15, 1.0));
        assert_eq!(rig.permit.as_ref().map(|permit| permit.valve.to_string()), Some("open".into()));
        rig
    }
}

#[test]
fn nothing_is_permitted_before_the_product_probe_has_spoken() {
    let mut rig = Rig::new(SMALLEST);
    assert!(!rig.permitted());
    assert!(rig.missing().contains(&"product-probe-ready".to_owned()), "{:?}", rig.missing());
    rig.stored("product", 0.0);
    rig.wait(30.0);
    assert!(!rig.permitted(), "a stored reading must not grant a permit");
}

#[test]
fn the_valve_is_told_to_close_after_every_connack_of_its_guard() {
    let mut rig = Rig::smallest_producing();
    let before = rig.closes();
    rig.event(Event::GuardLost { actuator: 0 });
    assert!(!rig.permitted());
    rig.event(Event::GuardConnected { actuator: 0 });
    assert!(rig.closes() > before || rig.permitted());
    assert_eq!(rig.opens(), 0);
}

#[test]
fn gross_failure_closes_within_the_printed_bound() {
    let mut rig = Rig::smallest_producing();
    let closed = rig.run(60.0, &[("product", 45.0), ("permeate", 6.0)]).expect("closes");
    let bound = crate::engine::causes::product_delay(rig.engine.setup()).expect("known").secs();
    assert!(closed <= bound, "{closed} s, bound {bound} s");
    assert!(bound <= 20.0);
    assert!(rig.stands(AlarmId::ProductTdsHigh));
    assert!(!rig.permitted());
}

#[test]
fn one_spike_does_not_close() {
    let mut rig = Rig::smallest_producing();
    rig.wait(5.0);
    rig.read("product", 400.0);
    assert_eq!(rig.run(300.0, &[("product", 0.0), ("permeate", 6.0)]), None);
    assert!(rig.permitted());
}

#[test]
fn half_a_litre_at_one_ppm_closes() {
    let mut rig = Rig::smallest_producing();
    let closed = rig.run(600.0, &[("product", 1.0), ("permeate", 6.0)]).expect("closes");
    // 0.5 L at 0.15 L/min are 200 s.
    assert!((195.0..=220.0).contains(&closed), "{closed}");
}

#[test]
fn a_silent_probe_while_flowing_holds_and_returns_by_itself() {
    let mut rig = Rig::smallest_producing();
    let before = rig.closes();
    rig.wait(30.0);
    assert!(rig.stands(AlarmId::ProductProbeStale));
    assert!(rig.closes() > before);
    rig.run(55.0, &[("product", 0.0)]);
    assert!(!rig.permitted());
    rig.run(700.0, &[("product", 0.0)]);
    assert!(rig.permitted(), "{:?}", rig.missing());
    assert_eq!(rig.opens(), 0, "with demand by the hub the daemon opens nothing");
}

#[test]
fn silence_while_idle_is_not_ready_and_no_alarm() {
    let mut rig = Rig::new(SMALLEST);
    rig.run(120.0, &[("product", 0.0)]);
    assert!(rig.permitted());
    rig.wait(7200.0);
    assert!(!rig.permitted());
    assert_eq!(rig.missing(), vec!["product-probe-ready".to_owned()]);
    assert!(!rig.stands(AlarmId::ProductProbeStale));
}

#[test]
fn the_third_hold_of_a_day_latches_until_a_person_resets_it() {
    let mut rig = Rig::smallest_producing();
    for _ in 0..3 {
        // Whatever the radio loses, a minute is the longest silence that is let pass.
        rig.wait(61.0);
        rig.run(900.0, &[("product", 0.0)]);
        rig.event(Event::SeenOnTopic { actuator: 0, open: true });
        rig.run(60.0, &[("product", 0.0)]);
    }
    assert!(!rig.permitted());
    assert!(rig.stands(AlarmId::ProductProbeStale));
    rig.run(900.0, &[("product", 0.0)]);
    assert!(rig.reset(AlarmId::ProductProbeStale).contains("is reset"), "{:?}", rig.answers);
    rig.run(700.0, &[("product", 0.0)]);
    assert!(rig.permitted(), "{:?}", rig.missing());
}

/// Somebody turns the valve by hand, and the cause comes a fourth time and goes again: only a person ends
/// what has latched.
#[test]
fn what_has_latched_stays_when_its_cause_comes_once_more() {
    let mut rig = Rig::full_producing();
    let flows = Rig::full_readings(31.0, 0.0, 0.15, 1.0);
    let mute: Vec<_> = flows.iter().copied().filter(|(id, _)| *id != "product").collect();
    let rests = Rig::full_readings(31.0, 0.0, 0.0, 0.0);
    for time in 1..=4 {
        rig.run(90.0, &mute);
        assert!(rig.stands(AlarmId::ProductProbeStale), "time {time}");
        rig.run(900.0, &rests);
        assert_eq!(rig.stands(AlarmId::ProductProbeStale), time >= 3, "time {time}");
        rig.run(300.0, &flows);
    }
    rig.run(900.0, &rests);
    assert!(!rig.permitted() && rig.stands(AlarmId::ProductProbeStale));
    assert!(rig.reset(AlarmId::ProductProbeStale).contains("is reset"), "{:?}", rig.answers);
    assert!(!rig.stands(AlarmId::ProductProbeStale));
}

#[test]
fn a_wet_floor_closes_at_once_and_needs_a_dry_floor_and_a_person() {
    let mut rig = Rig::full_producing();
    let before = rig.closes();
    rig.read("floor", 1.0);
    assert_eq!(rig.closes(), before + 1, "at once, by the first message");
    assert!(rig.reset(AlarmId::Leak).starts_with("Refused"));
    rig.read("floor", 0.0);
    rig.run(300.0, &Rig::full_readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.reset(AlarmId::Leak).starts_with("Refused"), "not dry for ten minutes");
    rig.run(400.0, &Rig::full_readings(31.0, 0.0, 0.0, 0.0));
    assert!(!rig.permitted(), "a trip never clears itself");
    assert!(rig.reset(AlarmId::Leak).contains("is reset"), "{:?}", rig.answers);
    rig.run(700.0, &Rig::full_readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
}

#[test]
fn a_stored_wet_withholds_and_does_not_trip() {
    let mut rig = Rig::new(FULL);
    rig.stored("floor", 1.0);
    rig.run(60.0, &Rig::full_readings(30.0, 0.0, 0.0, 0.0));
    assert!(!rig.permitted());
    assert!(!rig.stands(AlarmId::Leak));
    assert_eq!(rig.opens(), 0);
    rig.read("floor", 0.0);
    rig.run(30.0, &Rig::full_readings(30.0, 0.0, 0.0, 0.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
}

#[test]
fn a_spoiled_product_needs_a_test_run_before_its_reset() {
    let mut rig = Rig::full_producing();
    rig.run(60.0, &Rig::full_readings(31.0, 45.0, 0.15, 1.0));
    assert!(rig.stands(AlarmId::ProductTdsHigh));
    rig.run(60.0, &Rig::full_readings(31.0, 45.0, 0.0, 0.0));
    assert!(rig.reset(AlarmId::ProductTdsHigh).starts_with("Refused"));
    // Standing water that reads zero says nothing.
    rig.run(900.0, &Rig::full_readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.reset(AlarmId::ProductTdsHigh).starts_with("Refused"));
    assert!(rig.ask(Ask::TestRun { outlet_to_drain: false }).starts_with("Refused"));
    let opens = rig.opens();
    rig.ask(Ask::TestRun { outlet_to_drain: true });
    assert_eq!(rig.opens(), opens + 1, "{:?}", rig.answers);
    rig.run(900.0, &Rig::full_readings(31.0, 0.0, 0.15, 1.0));
    assert!(rig.stands(AlarmId::ProductTdsHigh), "the test run makes it resettable, no more");
    rig.run(60.0, &Rig::full_readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.reset(AlarmId::ProductTdsHigh).contains("is reset"), "{:?}", rig.answers);
}

/// What a test run makes goes to the drain: it takes no room in the container, however little is left.
#[test]
fn the_litres_of_a_test_run_need_no_room() {
    let mut rig = Rig::full_producing();
    rig.run(60.0, &Rig::full_readings(57.5, 45.0, 0.15, 1.0));
    rig.run(60.0, &Rig::full_readings(57.5, 45.0, 0.0, 0.0));
    rig.ask(Ask::TestRun { outlet_to_drain: true });
    // 1 ppm in every reading: it ends by its 5 L, and 2.5 L were free.
    let closed = rig.run(3000.0, &Rig::full_readings(57.5, 1.0, 0.15, 1.0)).expect("ends");
    assert!(closed / 60.0 * 0.15 > 4.5, "{closed}");
    assert!(!rig.stands(AlarmId::RunLitresHigh));
}

/// Values are told again at round times, and such a look would find these by chance.
#[test]
fn what_a_close_brings_about_later_has_deadlines_of_its_own() {
    let mut rig = Rig::full_producing();
    rig.ask(Ask::Close);
    let at = |begun: Mono, secs| vec![begun + Span::from_secs(secs)];
    let closed = rig.now;
    assert_eq!(rig.due("the minimum off-time"), at(closed, 600));
    assert_eq!(rig.due("decompression"), at(closed, 300));
    rig.run(400.0, &Rig::full_readings(31.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.due("a window of the leak-by test"), at(closed, 900));
    rig.read("floor", 1.0);
    rig.read("floor", 0.0);
    assert_eq!(rig.due("a dry floor"), at(rig.now, 600));
}

#[test]
fn a_test_run_with_bad_water_ends_and_clears_nothing() {
    let mut rig = Rig::full_producing();
    rig.run(60.0, &Rig::full_readings(31.0, 45.0, 0.15, 1.0));
    rig.run(60.0, &Rig::full_readings(31.0, 45.0, 0.0, 0.0));
    rig.ask(Ask::TestRun { outlet_to_drain: true });
    let before = rig.closes();
    // The first half litre may be what fresh resin gives off; gross failure behind it is none.
    rig.run(180.0, &Rig::full_readings(31.0, 45.0, 0.15, 1.0));
    assert_eq!(rig.closes(), before);
    rig.run(60.0, &Rig::full_readings(31.0, 45.0, 0.15, 1.0));
    assert!(rig.closes() > before);
    assert!(rig.reset(AlarmId::ProductTdsHigh).starts_with("Refused"));
}

#[test]
fn an_open_without_a_durable_record_is_never_sent() {
    let mut rig = Rig::new(FULL);
    rig.disk = false;
    rig.run(120.0, &Rig::full_readings(30.0, 0.0, 0.0, 0.0));
    assert!(rig.permitted());
    assert_eq!(rig.opens(), 0);
}

#[test]
fn a_record_that_comes_late_does_not_open() {
    let mut rig = Rig::new(FULL);
    rig.disk = false;
    rig.run(10.0, &Rig::full_readings(30.0, 0.0, 0.0, 0.0));
    rig.wait(3.0);
    for token in 1..20 {
        rig.event(Event::Persisted { token });
    }
    assert_eq!(rig.opens(), 0);
}

#[test]
fn opened_without_permit_is_closed_again_and_told() {
    let mut rig = Rig::full_producing();
    rig.read("floor", 1.0);
    rig.run(60.0, &Rig::full_readings(31.0, 0.0, 0.0, 0.0));
    let before = rig.closes();
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    assert_eq!(rig.closes(), before + 1);
    assert!(rig.stands(AlarmId::OpenedUnpermitted));
}

/// A relay's button or a hand on the valve: no command is seen, its own state says so.
#[test]
fn a_valve_that_says_open_after_it_had_said_closed_is_closed_again_and_told() {
    let mut rig = Rig::full_producing();
    rig.read("floor", 1.0);
    // The last word of the way, and one more that crossed the close, are no opening.
    rig.run(1.0, &Rig::full_readings(31.0, 0.0, 0.0, 1.0));
    assert!(!rig.stands(AlarmId::OpenedUnpermitted));
    rig.run(60.0, &Rig::full_readings(31.0, 0.0, 0.0, 0.0));
    assert!(!rig.stands(AlarmId::OpenedUnpermitted));
    let before = rig.closes();
    rig.read("state", 1.0);
    assert_eq!(rig.closes(), before + 1);
    assert!(rig.stands(AlarmId::OpenedUnpermitted));
}

#[test]
fn a_full_float_waits_and_clears_by_itself() {
    let mut rig = Rig::full_producing();
    rig.read("float", 1.0);
    rig.run(15.0, &Rig::full_readings(59.0, 0.0, 0.15, 1.0));
    assert!(rig.stands(AlarmId::StoreFull));
    rig.run(60.0, &Rig::full_readings(59.0, 0.0, 0.0, 0.0));
    rig.read("float", 0.0);
    rig.run(700.0, &Rig::full_readings(30.0, 0.0, 0.0, 0.0));
    assert!(!rig.stands(AlarmId::StoreFull));
    assert_eq!(rig.opens(), 2, "{:?}", rig.missing());
}

#[test]
fn a_draw_falls_by_more_than_the_waves_of_a_container() {
    // 2 % of 200 L, at least one litre, at most one container in all.
    for (volume, levels, drawn) in [
        (200.0, &[100.0, 96.1][..], 0.0),
        (200.0, &[100.0, 96.0], 4.0),
        (200.0, &[100.0, 97.0, 95.0], 5.0),
        (200.0, &[100.0, 90.0, 90.0, 85.0], 15.0),
        (200.0, &[90.0, 100.0, 95.0], 5.0),
        (30.0, &[20.0, 19.1], 0.0),
        (30.0, &[20.0, 19.0], 1.0),
        (30.0, &[30.0, 5.0, 30.0, 5.0], 30.0),
    ] {
        let mut run = super::Run {
            since: Mono::ZERO,
            made: 0.0,
            room_from: None,
            free: None,
            highest: None,
            drawn: 0.0,
            rise: None,
            proven: false,
        };
        levels.iter().for_each(|level| run.draws(*level, volume));
        assert!((run.drawn - drawn).abs() < 1e-9, "{} at {levels:?} of {volume}", run.drawn);
    }
}

/// The smallest plant has nothing that confirms: what it told three times is the end of the run, also
/// where the broker never answered.
#[test]
fn a_run_of_the_smallest_plant_ends_with_the_close_that_nobody_acknowledged() {
    let mut rig = Rig::smallest_producing();
    rig.broker = false;
    rig.run(30.0, &[("product", 60.0), ("permeate", 60.0)]);
    assert!(rig.stands(AlarmId::ProductTdsHigh));
    rig.run(120.0, &[("product", 60.0), ("permeate", 60.0)]);
    assert!(!rig.engine.state.guard.is_flowing());
}

#[test]
fn more_litres_than_fit_trip() {
    let mut rig = Rig::full_producing();
    // The level hangs at 31 L, 29 L are free at the start of the run, 0.15 L/min.
    let closed = rig.run(4.0 * 3600.0, &Rig::full_readings(31.0, 0.0, 0.15, 1.0)).expect("closes");
    assert!(rig.stands(AlarmId::RunLitresHigh));
    let litres = closed / 60.0 * 0.15;
    assert!(litres <= 30.0 * 1.1 + 0.1, "{litres}");
}

/// A water change in the middle of a run makes room: what is made after it fits.
#[test]
fn what_is_drawn_during_a_run_makes_room_for_more() {
    let mut rig = Rig::full_producing();
    let mut level = 31.0;
    let mut made = 0.0;
    for step in 0..3000 {
        if step == 1200 {
            level -= 20.0;
        }
        rig.wait(5.0);
        level += 0.0125;
        made += 0.0125;
        // Waves of a third of a litre must not count as draws.
        let wave = if step % 2 == 0 { 0.3 } else { -0.3 };
        for (id, value) in Rig::full_readings(level + wave, 0.0, 0.15, 1.0) {
            rig.read(id, value);
        }
    }
    assert!(made > 29.0 * 1.1, "more than fitted at the beginning: {made}");
    assert!(!rig.stands(AlarmId::RunLitresHigh));
    // The hose is off from here on: the level stands still while litres are made.
    for _ in 0..3000 {
        rig.wait(5.0);
        for (id, value) in Rig::full_readings(level, 0.0, 0.15, 1.0) {
            rig.read(id, value);
        }
    }
    assert!(rig.stands(AlarmId::RunLitresHigh), "a draw is forgiven once");
}

/// A full container of 60 L whose float hangs, while a top-off takes half a litre every quarter of an hour: no draw
/// is told from waves, but the level goes up by what is made between them. Without that (the hose is off, the
/// sensor hangs) nothing is forgiven.
#[test]
fn small_draws_make_room_where_the_level_shows_that_water_arrives() {
    let ends = |arrives: f64, swings: f64| {
        let mut rig = Rig::full_producing();
        let mut level = 31.0;
        let mut made = 0.0;
        for step in 1..=2900 {
            rig.wait(5.0);
            made += 0.0125;
            level += 0.0125 * arrives;
            if step % 180 == 0 {
                level -= 0.5 * arrives;
            }
            let wave = if step % 7 < 3 { swings } else { -swings };
            for (id, value) in Rig::full_readings(level + wave, 0.0, 0.15, 1.0) {
                rig.read(id, value);
            }
            if rig.stands(AlarmId::RunLitresHigh) {
                return Some(made);
            }
        }
        assert!(made > 29.0 * 1.2 && level < 60.0, "{made} {level}");
        None
    };
    assert_eq!(ends(1.0, 0.2), None);
    for arrives in [0.0, 0.5] {
        let made = ends(arrives, 0.3).expect("trips");
        assert!(made < (29.0 + 0.3) * 1.1 + 0.2, "{arrives}: {made}");
    }
}

#[test]
fn high_pressure_holds_and_hot_water_trips() {
    let mut rig = Rig::full_producing();
    let mut readings = Rig::full_readings(31.0, 0.0, 0.15, 1.0);
    readings[2].1 = 6.5;
    let closed = rig.run(60.0, &readings).expect("closes");
    assert!(closed <= 20.5, "{closed}");
    assert!(rig.stands(AlarmId::FeedPressureHighHigh));

    let mut rig = Rig::full_producing();
    let mut readings = Rig::full_readings(31.0, 0.0, 0.15, 1.0);
    readings[3].1 = 45.0;
    assert!(rig.run(60.0, &readings).is_some());
    assert!(rig.stands(AlarmId::FeedHot));
    rig.run(900.0, &Rig::full_readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.reset(AlarmId::FeedHot).starts_with("Refused"), "standing water says nothing");
}

#[test]
fn water_that_passes_a_closed_valve_trips() {
    let mut rig = Rig::full_producing();
    rig.ask(Ask::Close);
    // State says closed, yet 0.05 L/min go on.
    rig.run(2400.0, &Rig::full_readings(31.0, 0.0, 0.05, 0.0));
    assert!(rig.stands(AlarmId::ValveLeaksBy), "{:?}", rig.missing());
    rig.ask(Ask::Service(ServiceEntry::ValveServiced { actuator: "valve".into() }));
    assert!(rig.reset(AlarmId::ValveLeaksBy).contains("is reset"), "{:?}", rig.answers);
}

#[test]
fn a_lost_broker_withholds_and_nothing_is_queued_as_open() {
    let mut rig = Rig::full_producing();
    rig.event(Event::BrokerLost);
    rig.event(Event::GuardLost { actuator: 0 });
    rig.wait(30.0);
    assert!(!rig.permitted());
    let opens = rig.opens();
    rig.event(Event::GuardConnected { actuator: 0 });
    rig.event(Event::BrokerReady);
    assert_eq!(rig.opens(), opens, "not before the off-time and a new decision");
}

#[test]
fn a_lost_state_waits_for_a_person() {
    let mut rig = Rig::new(FULL);
    rig.event(Event::Started(Started { found: Found::Lost, away: None, clean: false }));
    rig.event(Event::GuardConnected { actuator: 0 });
    rig.event(Event::BrokerReady);
    rig.run(120.0, &Rig::full_readings(30.0, 0.0, 0.0, 0.0));
    assert!(!rig.permitted());
    assert_eq!(rig.opens(), 0);
    rig.ask(Ask::ConfirmState);
    rig.run(60.0, &Rig::full_readings(30.0, 0.0, 0.0, 0.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
}

#[test]
fn late_commands_are_refused() {
    let mut rig = Rig::full_producing();
    let at = Wall::from_millis(EPOCH + rig.now.millis() - 60_000);
    rig.event(Event::Command(Command { id: "a".into(), at: Some(at), what: Ask::Close }));
    assert!(rig.answers.last().is_some_and(|answer| answer.starts_with("Refused")));
    assert!(rig.permitted());
}

#[test]
fn a_leak_cannot_be_bypassed_and_a_bypass_ends_by_itself() {
    let mut rig = Rig::smallest_producing();
    rig.wait(30.0);
    let bypass =
        |cause: &str| Ask::Bypass { cause: cause.into(), reason: "probe is being changed".into() };
    assert!(rig.ask(bypass("leak")).starts_with("Refused"));
    rig.ask(bypass("product-probe-silent"));
    rig.wait(700.0);
    assert!(rig.permitted(), "{:?} {:?}", rig.missing(), rig.answers);
    rig.wait(1300.0);
    assert!(!rig.permitted());
}

#[test]
fn a_clean_stop_closes_and_says_when_it_is_done() {
    let mut rig = Rig::full_producing();
    let before = rig.closes();
    let now = Now::new(rig.now, Wall::from_millis(EPOCH + rig.now.millis()));
    rig.engine.handle(now, Event::StopRequested);
    let mut stopped = None;
    while let Some(output) = rig.engine.poll_output() {
        if let Output::Stopped { closed } = output {
            stopped = Some(closed);
        }
    }
    assert_eq!(stopped, None, "not before the close is acknowledged");
    rig.engine.handle(now, Event::CloseAcknowledged { actuator: 0 });
    while let Some(output) = rig.engine.poll_output() {
        if let Output::Stopped { closed } = output {
            stopped = Some(closed);
        }
    }
    assert_eq!(stopped, Some(true));
    let _ = before;
}

#[test]
fn a_snapshot_in_the_middle_goes_on_in_the_same_way() {
    let mut rig = Rig::full_producing();
    rig.run(20.0, &Rig::full_readings(31.0, 45.0, 0.15, 1.0));
    let text = rig.engine.snapshot();
    let again = Engine::restore(Arc::clone(rig.engine.setup()), &text, rig.engine.evaluated())
        .expect("its own snapshot");
    assert!(again.snapshot() == text, "a snapshot does not give itself");
    let mut other = Rig { engine: again, sent: Vec::new(), ..Rig::new(FULL) };
    other.now = rig.now;
    rig.sent.clear();
    rig.run(120.0, &Rig::full_readings(31.0, 45.0, 0.0, 0.0));
    other.run(120.0, &Rig::full_readings(31.0, 45.0, 0.0, 0.0));
    assert_eq!(rig.sent, other.sent);
    assert!(rig.engine.snapshot() == other.engine.snapshot(), "the states differ");
}

#[test]
fn a_late_driver_gives_the_same_states_as_a_punctual_one() {
    let mut punctual = Rig::full_producing();
    let mut late = Rig::full_producing();
    // Answers come at the time at which the driver acts; without them the inputs are the same.
    for rig in [&mut punctual, &mut late] {
        rig.disk = false;
        rig.broker = false;
    }
    let script = [
        (20.0, "product", 45.0),
        (3.0, "product", 45.0),
        (40.0, "product", 45.0),
        (5.0, "state", 0.0),
        (5.0, "flow", 0.0),
        (900.0, "level", 31.0),
    ];
    for (secs, id, value) in script {
        punctual.wait(secs);
        punctual.read(id, value);
        // The late driver does not wake for deadlines; it only takes the event.
        late.now = late.now + Span::from_secs_f64(secs);
        late.read(id, value);
    }
    assert!(punctual.engine.snapshot() == late.engine.snapshot(), "the states differ");
}

/// Probes and meters that speak every five seconds while water flows and once a minute otherwise:
/// the change of pace comes with the close, and is no silence of a probe.
#[test]
fn probes_that_slow_down_when_the_hub_closes_hold_nothing() {
    let mut rig = Rig::smallest_producing();
    for _ in 0..4 {
        rig.event(Event::SeenOnTopic { actuator: 0, open: false });
        for _ in 0..30 {
            rig.wait(60.0);
            rig.read("product", 0.0);
            rig.read("permeate", 6.0);
        }
        assert!(!rig.stands(AlarmId::ProductProbeStale), "silence while the valve is closed");
        assert_eq!(rig.engine.guard().phase(), Phase::Idle, "nothing shows that water flows");
        assert!(rig.permitted(), "{:?}", rig.missing());
        rig.event(Event::SeenOnTopic { actuator: 0, open: true });
        assert_eq!(rig.run(300.0, &[("product", 0.0), ("permeate", 6.0)]), None);
        assert!(rig.engine.guard().is_flowing());
    }
}

#[test]
fn probes_that_slow_down_when_the_valve_says_closed_hold_nothing() {
    let mut rig = Rig::new(&FULL.replace("mode = \"level\"", "mode = \"hub\""));
    for _ in 0..4 {
        rig.run(600.0, &Rig::full_readings(30.0, 0.0, 0.15, 1.0));
        // The last words of the meters come together with the valve's own.
        rig.read("state", 0.0);
        for _ in 0..30 {
            rig.wait(60.0);
            for (id, value) in Rig::full_readings(30.0, 0.0, 0.0, 0.0) {
                rig.read(id, value);
            }
        }
        assert!(!rig.stands(AlarmId::ProductProbeStale), "silence while the valve is closed");
        assert_eq!(rig.engine.guard().phase(), Phase::Idle);
        assert!(rig.permitted(), "{:?}", rig.missing());
    }
}

/// A counter that speaks once a minute tells with its first message after the close what flowed
/// before it; that is no new run.
#[test]
fn the_first_count_after_a_close_begins_no_run() {
    let counter = FULL.replace("mode = \"level\"", "mode = \"hub\"").replace(
        "quantity = \"flow\"\npoint = \"permeate\"\nunit = \"L/min\"",
        "quantity = \"volume\"\npoint = \"permeate\"\nunit = \"L\"",
    );
    let mut rig = Rig::new(&counter);
    let mut litres = 0.0;
    for _ in 0..120 {
        rig.wait(5.0);
        litres += 0.0125;
        for (id, value) in Rig::full_readings(30.0, 0.0, litres, 1.0) {
            rig.read(id, value);
        }
    }
    assert!(rig.engine.guard().is_flowing());
    rig.wait(4.0);
    rig.read("state", 0.0);
    litres += 0.01;
    let mut runs = 0;
    for _ in 0..30 {
        rig.wait(60.0);
        for (id, value) in Rig::full_readings(30.0, 0.0, litres, 0.0) {
            rig.read(id, value);
        }
        runs += usize::from(rig.engine.guard().is_flowing());
    }
    assert_eq!(runs, 0, "one message across the close must not begin a run");
    assert!(!rig.stands(AlarmId::ProductProbeStale));
    // Water that really passes the closed valve is seen by the next counts.
    for _ in 0..3 {
        rig.wait(60.0);
        litres += 0.15;
        rig.read("flow", litres);
    }
    assert!(rig.engine.guard().is_flowing(), "the meter outweighs the valve's word");
}

/// A hub closes; the housings decompress through the meter, which tells it with its next message, minutes
/// later. That was no flow that nobody asked for; what the counts after it tell is.
#[test]
fn what_housings_gave_after_a_hubs_close_was_asked_for() {
    let counter = FULL.replace("mode = \"level\"", "mode = \"hub\"").replace(
        "quantity = \"flow\"\npoint = \"permeate\"\nunit = \"L/min\"",
        "quantity = \"volume\"\npoint = \"permeate\"\nunit = \"L\"",
    );
    let mut rig = Rig::new(&counter);
    let mut litres = 0.0;
    rig.run(120.0, &Rig::full_readings(30.0, 0.0, litres, 0.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    for _ in 0..120 {
        rig.wait(5.0);
        litres += 0.0125;
        for (id, value) in Rig::full_readings(30.0, 0.0, litres, 1.0) {
            rig.read(id, value);
        }
    }
    rig.event(Event::SeenOnTopic { actuator: 0, open: false });
    rig.read("state", 0.0);
    rig.wait(300.0);
    litres += 0.1;
    rig.read("flow", litres);
    for _ in 0..20 {
        rig.wait(15.0);
        for (id, value) in Rig::full_readings(30.0, 0.0, litres, 0.0) {
            if id != "flow" {
                rig.read(id, value);
            }
        }
        assert!(!rig.stands(AlarmId::FlowUnexpected));
    }
    for _ in 0..60 {
        rig.wait(5.0);
        litres += 0.01;
        for (id, value) in Rig::full_readings(30.0, 0.0, litres, 0.0) {
            rig.read(id, value);
        }
    }
    assert!(rig.stands(AlarmId::FlowUnexpected), "this water passes a closed valve");
}

#[test]
fn a_state_sensor_that_died_on_closed_does_not_hide_that_water_may_run() {
    let without_meter = FULL.replace("mode = \"level\"", "mode = \"hub\"").replace(
        "[sensors.flow]\ntopic = \"p/flow\"\nquantity = \"flow\"\npoint = \"permeate\"\nunit = \"L/min\"",
        "[sensors.flow]\ntopic = \"p/flow\"\nquantity = \"tds\"\npoint = \"permeate\"\nunit = \"ppm\"",
    );
    let mut rig = Rig::new(&without_meter);
    rig.run(120.0, &Rig::full_readings(30.0, 0.0, 6.0, 0.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig.wait(1.0);
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    // From here on the state sensor is silent, and the product is bad.
    let spoiled = [("product", 45.0), ("level", 30.0), ("pressure", 4.0), ("flow", 6.0)];
    assert!(rig.run(60.0, &spoiled).is_some(), "the product is judged all the same");
    assert!(rig.stands(AlarmId::ProductTdsHigh));
}

/// Housings decompress after a close: a meter's last word before it rests may be that water flows.
/// Found on the virtual plant, where each hub's close could end in a hold half a minute later.
#[test]
fn a_silence_that_the_product_probe_shares_with_the_meters_after_a_close_holds_nothing() {
    for goes_on in [false, true] {
        let mut rig = Rig::new(&FULL.replace("mode = \"level\"", "mode = \"hub\""));
        rig.run(600.0, &Rig::full_readings(30.0, 0.0, 0.15, 1.0));
        rig.event(Event::SeenOnTopic { actuator: 0, open: false });
        rig.wait(1.0);
        rig.read("state", 0.0);
        rig.wait(4.0);
        rig.read("product", 0.0);
        rig.read("flow", 0.15);
        for _ in 0..24 {
            rig.wait(5.0);
            if goes_on {
                rig.read("flow", 0.15);
            }
        }
        let stands = rig.stands(AlarmId::ProductProbeStale);
        assert_eq!(stands, goes_on, "a meter that goes on counting needs the probe");
    }
}
