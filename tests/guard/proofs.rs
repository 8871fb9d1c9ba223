//! What protects is proven, and it is told when it was not.

use super::plants::{FULL, SECOND_PROBE, by_hub, idle, producing, readings, with_sensor, without};
use super::rig::{Rig, setup};
use permeated::engine::catalogue::{AlarmId, SignalId};
use permeated::engine::event::{Ask, Event, ServiceEntry};
use permeated::engine::output::{Action, AlarmKey, AlarmState};
use permeated::engine::time::Mono;

const DAY: f64 = 86_400.0;

fn proof(rig: &mut Rig, what: &str) -> String {
    rig.ask(Ask::Proof { what: what.into() })
}

/// Closed, with nothing running any more.
fn stand(rig: &mut Rig, secs: f64) {
    rig.run(secs, &readings(59.0, 0.0, 0.0, 0.0));
}

#[test]
fn a_stop_by_the_valve_under_flow_is_its_proof() {
    let mut rig = producing(FULL);
    rig.run(10.0, &readings(59.0, 0.0, 0.15, 1.0));
    assert_eq!(rig.proven("valve valve"), None);
    stand(&mut rig, 290.0);
    assert_eq!(rig.proven("valve valve"), None, "housings may still decompress");
    stand(&mut rig, 700.0);
    let took = rig.proven("valve valve").expect("proven");
    assert!((0.0..=15.0).contains(&took), "{took}");
}

#[test]
fn a_stop_after_which_water_still_passes_proves_nothing() {
    let mut rig = producing(FULL);
    rig.run(10.0, &readings(59.0, 0.0, 0.15, 1.0));
    rig.run(2000.0, &readings(59.0, 0.0, 0.03, 0.0));
    assert_eq!(rig.proven("valve valve"), None);
}

#[test]
fn a_stop_of_the_float_while_the_valve_is_open_proves_nothing() {
    let mut rig = producing(FULL);
    // The mechanical float shuts; only later is the valve told to close, with no water running.
    rig.run(120.0, &readings(57.0, 0.0, 0.0, 1.0));
    rig.run(1500.0, &readings(59.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.proven("valve valve"), None);
}

#[test]
fn a_valve_is_proven_on_request_in_the_middle_of_a_run() {
    let mut rig = idle(FULL);
    assert!(proof(&mut rig, "valve").starts_with("Refused"), "no water runs");
    let mut rig = producing(FULL);
    let closes = rig.told("valve", Action::Close);
    assert!(!proof(&mut rig, "valve").starts_with("Refused"));
    assert!(rig.told("valve", Action::Close) > closes);
    assert!(rig.missing().contains(&"proof-under-way".to_owned()), "{:?}", rig.missing());
    let opens = rig.told("valve", Action::Open);
    rig.run(850.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.told("valve", Action::Open), opens, "nothing opens while it is proven");
    rig.run(120.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.proven("valve valve").is_some());
    rig.run(60.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.told("valve", Action::Open) > opens, "{:?}", rig.missing());
}

#[test]
fn a_valve_that_does_not_stop_the_water_is_told_until_it_does() {
    let mut rig = producing(FULL);
    proof(&mut rig, "valve");
    rig.run(1100.0, &readings(31.0, 0.0, 0.1, 0.0));
    assert!(rig.stands(AlarmId::ProofFailed));
    assert_eq!(rig.text(AlarmId::ProofFailed), "Not proven when it was tried: valve.");
    assert_eq!(rig.proven("valve valve"), None);
}

#[test]
fn a_will_is_proven_by_the_brokers_own_close() {
    let mut rig = producing(FULL);
    assert!(proof(&mut rig, "will").starts_with("Refused"), "water runs");
    assert!(rig.drops.is_empty());
    let mut rig = idle(FULL);
    proof(&mut rig, "will");
    assert_eq!(rig.drops, [0]);
    rig.wait(0.3);
    rig.event(Event::GuardLost { actuator: 0 });
    rig.event(Event::SeenOnTopic { actuator: 0, open: false });
    let took = rig.proven("will-valve").expect("proven");
    assert!((0.2..=0.4).contains(&took), "{took}");
    assert!(!rig.stands(AlarmId::ProofFailed));
}

#[test]
fn a_will_that_is_swallowed_is_told() {
    let mut rig = idle(FULL);
    proof(&mut rig, "will");
    rig.event(Event::GuardLost { actuator: 0 });
    rig.wait(1.0);
    rig.event(Event::GuardConnected { actuator: 0 });
    stand(&mut rig, 30.0);
    assert!(rig.stands(AlarmId::ProofFailed));
    // Somebody's close later on is no proof.
    rig.event(Event::SeenOnTopic { actuator: 0, open: false });
    assert_eq!(rig.proven("will-valve"), None);
    // The access rule is mended.
    proof(&mut rig, "will");
    rig.event(Event::SeenOnTopic { actuator: 0, open: false });
    assert!(rig.proven("will-valve").is_some());
    assert!(!rig.stands(AlarmId::ProofFailed));
}

#[test]
fn a_leak_sensor_that_is_wetted_for_its_proof_does_not_trip() {
    let mut rig = idle(FULL);
    rig.read("floor", 0.0);
    proof(&mut rig, "leak");
    assert!(!rig.permitted());
    rig.wait(42.0);
    rig.read("floor", 1.0);
    assert!(!rig.stands(AlarmId::Leak));
    let took = rig.proven("leak sensor floor").expect("proven");
    assert!((41.0..=43.0).contains(&took), "{took}");
    rig.read("floor", 0.0);
    stand(&mut rig, 700.0);
    assert!(rig.permitted(), "{:?}", rig.missing());
    assert!(!rig.stands(AlarmId::Leak));
    // The next water is a leak.
    rig.read("floor", 1.0);
    assert!(rig.stands(AlarmId::Leak));
}

#[test]
fn a_sensor_that_is_still_wet_when_its_proof_is_over_is_a_leak() {
    let mut rig = idle(FULL);
    proof(&mut rig, "leak");
    rig.wait(42.0);
    rig.read("floor", 1.0);
    stand(&mut rig, 500.0);
    assert!(!rig.stands(AlarmId::Leak));
    stand(&mut rig, 100.0);
    assert!(rig.stands(AlarmId::Leak));
}

#[test]
fn a_leak_sensor_that_stays_dry_in_its_proof_is_told() {
    let mut rig = idle(FULL);
    rig.read("floor", 0.0);
    proof(&mut rig, "leak");
    stand(&mut rig, 700.0);
    assert!(rig.stands(AlarmId::ProofFailed));
    assert!(rig.permitted(), "{:?}", rig.missing());
}

#[test]
fn a_float_above_the_stop_is_lifted_without_a_trip() {
    let mut rig = idle(FULL);
    proof(&mut rig, "brim");
    rig.wait(30.0);
    rig.read("brim", 1.0);
    rig.wait(10.0);
    assert!(rig.proven("float brim").is_some());
    assert!(!rig.stands(AlarmId::StoreOverfull));
    rig.read("brim", 0.0);
    rig.wait(10.0);
    rig.read("brim", 1.0);
    rig.wait(10.0);
    assert!(rig.stands(AlarmId::StoreOverfull));
}

#[test]
fn a_probe_is_proven_by_first_water_by_a_cup_or_by_a_handheld() {
    let mut rig = producing(FULL);
    assert_eq!(rig.proven("probe product"), None, "zero proves nothing");
    proof(&mut rig, "product");
    rig.run(20.0, &readings(59.0, 3.0, 0.0, 0.0));
    assert_eq!(rig.proven("probe product"), None, "a guided proof asks for tap water");
    rig.run(20.0, &readings(59.0, 240.0, 0.0, 0.0));
    assert!(rig.proven("probe product").is_some());
    assert!(!rig.stands(AlarmId::ProductTdsHigh), "no water runs past it");

    let mut rig = idle(FULL);
    rig.read("product", 240.0);
    stand(&mut rig, 20.0);
    assert_eq!(rig.proven("probe product"), None, "a spike proves nothing");
    rig.run(20.0, &readings(59.0, 3.0, 0.0, 0.0));
    assert!(rig.proven("probe product").is_some());

    let handheld =
        |value| Ask::Service(ServiceEntry::Handheld { sensor: "product".into(), value, u: 0.5 });
    let mut rig = idle(FULL);
    rig.ask(handheld(30.0));
    assert_eq!(rig.proven("probe product"), None, "the two differ");
    rig.ask(handheld(1.0));
    assert!(rig.proven("probe product").is_some());
}

#[test]
fn what_was_not_proven_in_time_is_told_and_the_will_is_tried_by_itself() {
    let quick = "\n[plants.home.limits.proof]\nwill_days = 2\nsole_probe_days = 2\n";
    let mut rig = idle(&format!("{FULL}{quick}"));
    let left = rig.values[&SignalId::ProofOverdueIn];
    assert!((1.9..=2.0).contains(&left), "{left}");
    rig.wait(1.9 * DAY);
    assert!(!rig.stands(AlarmId::ProofOverdue));
    assert!(rig.drops.is_empty());
    rig.wait(0.2 * DAY);
    assert!(rig.stands(AlarmId::ProofOverdue));
    assert_eq!(rig.drops, [0], "on schedule, while nothing runs");
    // Not seen: tried again a day later, not at once.
    rig.wait(0.8 * DAY);
    assert_eq!(rig.drops.len(), 1);
    rig.wait(0.3 * DAY);
    assert_eq!(rig.drops.len(), 2);
    assert!(rig.values[&SignalId::ProofOverdueIn] < 0.0);
}

/// The daemon proves a will by itself, so nobody is told that it is due; where the broker's close stays away for a
/// day, somebody is.
#[test]
fn a_will_that_the_daemon_proves_by_itself_is_nobodys_chore() {
    let mut rig = idle(&reminded(&[("will", 2.0)]));
    rig.watchful = false;
    rig.rest(2.5 * 1_440.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.drops, [0]);
    assert!(!rig.stands(AlarmId::ProofOverdue));
    rig.rest(0.8 * 1_440.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(rig.stands(AlarmId::ProofOverdue));
}

#[test]
fn time_away_counts_for_what_is_overdue() {
    use permeated::engine::event::{Found, Started};
    use permeated::engine::time::Span;
    let mut rig = idle(FULL);
    let away = Some(Span::from_secs(40 * 86_400));
    rig.event(Event::Started(Started { found: Found::Restored, away, clean: false }));
    assert!(rig.stands(AlarmId::ProofOverdue));
}

#[test]
fn an_unknown_proof_is_refused_with_what_there_is() {
    let mut rig = idle(FULL);
    let answer = proof(&mut rig, "pump");
    assert!(answer.starts_with("Refused") && answer.contains("leak sensor floor"), "{answer}");
    proof(&mut rig, "leak");
    assert!(proof(&mut rig, "float").starts_with("Refused"), "one at a time");
}

/// Somebody turns the divert to the drain, and later the float shuts the water off: nothing was shown of
/// either valve.
#[test]
fn what_is_seen_of_a_divert_proves_no_valve() {
    let divert = "[plants.home.actuators.divert]\nrole = \"divert\"\ntopic = \"p/divert/set\"\nclose = \"DRAIN\"\nopen = \"STORE\"\n";
    let mut rig = producing(&format!("{FULL}{divert}"));
    let actuator = rig.actuator("divert");
    rig.event(Event::SeenOnTopic { actuator, open: true });
    rig.event(Event::SeenOnTopic { actuator, open: false });
    rig.run(1500.0, &readings(50.0, 0.0, 0.0, 1.0));
    assert!(rig.logs.iter().all(|entry| entry.kind != "proof"));
}

/// A hub closes the valve under flow: that is as good a proof as a close of our own.
#[test]
fn a_hubs_close_under_flow_proves_the_valve() {
    let mut rig = idle(&by_hub());
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    rig.run(300.0, &readings(50.0, 0.0, 0.15, 1.0));
    rig.wait(1.0);
    rig.event(Event::SeenOnTopic { actuator: 0, open: false });
    stand(&mut rig, 880.0);
    assert_eq!(rig.proven("valve valve"), None, "housings and a window of ten minutes");
    stand(&mut rig, 120.0);
    let took = rig.proven("valve valve").expect("proven");
    assert!((0.0..=15.0).contains(&took), "{took}");
}

/// The full plant that asks for these proofs, in days, and for no other.
fn reminded(of: &[(&str, f64)]) -> String {
    let kinds = ["valve", "will", "probe", "sole_probe", "leak", "float"];
    let days = |kind| of.iter().find(|(known, _)| *known == kind).map_or(0.0, |(_, days)| *days);
    let lines = kinds.map(|kind| format!("{kind}_days = {:.1}\n", days(kind))).concat();
    format!("{FULL}\n[plants.home.limits.proof]\n{lines}")
}

fn overdue_in(rig: &Rig) -> Option<f64> {
    rig.values.get(&SignalId::ProofOverdueIn).copied()
}

#[test]
fn who_wants_no_reminder_gets_none() {
    let rig = idle(&reminded(&[]));
    assert_eq!(overdue_in(&rig), None);
    assert!(!rig.stands(AlarmId::ProofOverdue));
}

#[test]
fn the_only_product_probe_is_asked_for_oftener_than_one_of_two() {
    let text = reminded(&[("probe", 50.0), ("sole_probe", 10.0)]);
    for (text, days) in [(format!("{text}{SECOND_PROBE}"), 50.0), (text, 10.0)] {
        let left = overdue_in(&idle(&text)).expect("a value");
        assert!((days - 0.1..=days).contains(&left), "{left} of {days}");
    }
}

#[test]
fn each_proof_counts_for_what_it_has_shown() {
    let mut rig = idle(&reminded(&[("leak", 20.0), ("float", 28.0)]));
    rig.watchful = false;
    rig.wait(10.0 * DAY);
    proof(&mut rig, "leak");
    rig.read("floor", 1.0);
    rig.read("floor", 0.0);
    rig.wait(15.0 * DAY);
    assert!(!rig.stands(AlarmId::ProofOverdue), "the floor's counts from day 10");
    rig.wait(4.0 * DAY);
    let text = rig.text(AlarmId::ProofOverdue);
    assert!(text.contains("float") && !text.contains("floor"), "{text}");
}

#[test]
fn days_away_are_days_for_what_was_proven_and_for_what_never_was() {
    use permeated::engine::event::{Found, Started};
    use permeated::engine::time::Span;
    for is_proven in [false, true] {
        let mut rig = idle(&reminded(&[("leak", 20.0)]));
        if is_proven {
            proof(&mut rig, "leak");
            rig.read("floor", 1.0);
            rig.read("floor", 0.0);
            assert!(rig.proven("leak sensor floor").is_some());
        }
        let away = Some(Span::from_secs(5 * 86_400));
        rig.event(Event::Started(Started { found: Found::Restored, away, clean: true }));
        rig.run(10.0, &readings(50.0, 0.0, 0.0, 0.0));
        rig.wait(DAY);
        let left = overdue_in(&rig).expect("a value");
        assert!((13.9..=14.1).contains(&left), "{left}");
    }
}

#[test]
fn a_proof_is_asked_for_by_kind_or_by_name() {
    let text = FULL.replace("actuators.valve]", "actuators.inlet]");
    for what in ["valve", "inlet"] {
        let mut rig = Rig::new(setup(&text));
        rig.run(60.0, &readings(50.0, 0.0, 0.0, 0.0));
        rig.run(30.0, &readings(30.0, 0.0, 0.0, 0.0));
        rig.run(420.0, &readings(31.0, 0.0, 0.15, 1.0));
        let answer = proof(&mut rig, what);
        assert!(answer.starts_with("valve inlet: closing while water runs"), "{answer}");
    }
    for (what, name, asked) in [
        ("will", "will-valve", "the guard connection is dropped"),
        ("will-valve", "will-valve", "the guard connection is dropped"),
        ("probe", "probe product", "hold the probe into tap water within 10 min"),
        ("product", "probe product", "hold the probe into tap water within 10 min"),
        ("leak", "leak sensor floor", "wet the sensor within 10 min"),
        ("floor", "leak sensor floor", "wet the sensor within 10 min"),
        ("brim", "float brim", "lift the float within 10 min"),
    ] {
        let answer = proof(&mut idle(FULL), what);
        assert!(answer.starts_with(&format!("{name}: {asked}")), "{what}: {answer}");
    }
}

#[test]
fn a_will_is_not_proven_without_its_connection_or_the_broker() {
    let mut rig = idle(FULL);
    rig.event(Event::GuardLost { actuator: 0 });
    assert_eq!(proof(&mut rig, "will"), "Refused: the guard connection is not up.");
    let mut rig = idle(FULL);
    rig.event(Event::BrokerLost);
    assert_eq!(proof(&mut rig, "will"), "Refused: the broker is not reachable.");
    assert!(rig.drops.is_empty());
}

/// A close of our own would pass for the will's.
#[test]
fn a_will_is_not_proven_right_after_a_close_of_our_own() {
    for (secs, taken) in [(1.0, false), (4.9, false), (5.0, true)] {
        let mut rig = idle(&by_hub());
        let before = rig.told("valve", Action::Close);
        rig.event(Event::SeenOnTopic { actuator: 0, open: true });
        rig.ask(Ask::Close);
        rig.read("state", 0.0);
        assert!(rig.told("valve", Action::Close) > before);
        rig.wait(secs);
        let answer = proof(&mut rig, "will");
        assert_eq!(answer.starts_with("Refused: our own close"), !taken, "{secs} s: {answer}");
    }
}

/// What is asked of one sensor is not asked of another.
#[test]
fn a_guided_proof_is_one_of_its_own_sensor() {
    let mut rig = idle(FULL);
    proof(&mut rig, "leak");
    rig.run(20.0, &readings(50.0, 3.0, 0.0, 0.0));
    assert_eq!(
        rig.proven("probe product"),
        Some(0.0),
        "3 ppm are alive where no cup was asked for"
    );
    rig.wait(30.0);
    rig.read("floor", 1.0);
    let proofs = |rig: &Rig| rig.logs.iter().filter(|entry| entry.kind == "proof").count();
    let before = proofs(&rig);
    rig.read("floor", 1.0);
    assert_eq!(proofs(&rig), before, "wet once more is no second proof");
}

#[test]
fn a_plant_whose_pressure_shows_water_has_a_valve_to_prove() {
    let without_meter = with_sensor(FULL, "flow", "");
    let neither = with_sensor(&without_meter, "pressure", "");
    for (text, has) in [(FULL, true), (&without_meter, true), (&neither, false)] {
        let answer = proof(&mut Rig::new(setup(text)), "nothing");
        assert_eq!(answer.contains("valve valve"), has, "{answer}");
    }
}

/// The plant of a hub, whose feed pressure alone tells what the valve does.
fn pressed_by_hub() -> String {
    let text = with_sensor(&with_sensor(&by_hub(), "flow", ""), "state", "");
    text.replace("state_sensor = \"state\"\n", "")
        + "[plants.home.assumed]\npermeate_litres_per_min = 0.15\n"
}

/// Nothing runs, by what a plant says that has neither meter nor state sensor, at this feed pressure.
fn pressed(bar: f64) -> Vec<(&'static str, f64)> {
    let mut all = readings(50.0, 0.0, 0.0, 0.0).to_vec();
    all.iter_mut().filter(|(id, _)| *id == "pressure").for_each(|one| one.1 = bar);
    all
}

fn known(rig: &Rig) -> String {
    rig.permit.as_ref().map(|permit| permit.valve.to_string()).unwrap_or_default()
}

/// Opened by the hub and run at 4 bar.
fn runs_under_pressure(toml: &str) -> Rig {
    let mut rig = Rig::new(setup(toml));
    rig.run(60.0, &pressed(0.2));
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    rig.run(300.0, &pressed(4.0));
    rig
}

/// A tap that is open in front of a closed valve presses as well, and a pump that sucks runs without.
#[test]
fn pressure_shows_water_only_while_it_runs_and_a_run_only_under_pressure() {
    let mut rig = Rig::new(setup(&pressed_by_hub()));
    rig.run(120.0, &pressed(4.0));
    let answer = proof(&mut rig, "valve");
    assert!(answer.starts_with("Refused: a valve is proven while water runs"), "{answer}");
    for (bar, taken) in [(0.5, false), (1.0, false), (1.1, true)] {
        let mut rig = runs_under_pressure(&pressed_by_hub());
        rig.run(60.0, &pressed(bar));
        let answer = proof(&mut rig, "valve");
        assert_eq!(!answer.starts_with("Refused"), taken, "{bar} bar: {answer}");
    }
}

/// Closed by the hub at 4 bar: below half of that it is closed, at four fifths and more for a minute it
/// is open, and in between nobody knows.
#[test]
fn pressure_that_stays_for_a_minute_is_an_open_valve_and_in_between_it_says_nothing() {
    for (bar, says, secs) in [
        (1.9, Some("closed"), 5.0),
        (2.0, None, 0.0),
        (3.1, None, 0.0),
        (3.2, Some("open"), 60.0),
        (3.9, Some("open"), 60.0),
    ] {
        let mut rig = runs_under_pressure(&pressed_by_hub());
        rig.event(Event::SeenOnTopic { actuator: 0, open: false });
        let told = rig.now;
        let mut heard = None;
        while heard.is_none() && rig.now.since(told).secs() < 280.0 {
            // The median of the pressure is not asked, but its last word.
            rig.run(5.0, &pressed(bar));
            heard = Some(known(&rig)).filter(|word| word == "closed" || word == "open");
        }
        assert_eq!(heard.as_deref(), says, "{bar} bar");
        if says.is_some() {
            assert_eq!(rig.now.since(told).secs(), secs, "{bar} bar");
        }
    }
}

/// What a motor valve takes off the pressure on its way is no answer, and neither is a word of the moment
/// at which it should have arrived.
#[test]
fn pressure_speaks_of_a_motor_valve_once_it_has_moved() {
    let motor = "fails = \"closed\"\nkind = \"motor\"\ntravel_secs = 10\n";
    let text = pressed_by_hub().replace("fails = \"closed\"\n", motor);
    for (bar, says, secs) in [(0.3, "closed", 15.0), (3.9, "open", 70.0)] {
        let mut rig = runs_under_pressure(&text);
        rig.event(Event::SeenOnTopic { actuator: 0, open: false });
        let told = rig.now;
        while known(&rig) != says {
            rig.run(5.0, &pressed(bar));
            assert!(rig.now.since(told).secs() <= secs, "{bar} bar");
        }
        assert_eq!(rig.now.since(told).secs(), secs, "{bar} bar");
    }
}

/// A pressure that fell does not answer for a state sensor or a meter that has fallen silent: the tap may
/// have been turned off, or the pump.
#[test]
fn pressure_does_not_speak_for_a_silent_state_sensor_or_meter() {
    let unmetered = with_sensor(&by_hub(), "flow", "")
        + "[plants.home.assumed]\npermeate_litres_per_min = 0.15\n";
    let stateless = with_sensor(&by_hub(), "state", "").replace("state_sensor = \"state\"\n", "");
    for (text, silent) in [(unmetered, "state"), (stateless, "flow")] {
        let mut rig = Rig::new(setup(&text));
        rig.run(60.0, &readings(50.0, 0.0, 0.0, 0.0));
        rig.event(Event::SeenOnTopic { actuator: 0, open: true });
        rig.run(300.0, &readings(50.0, 0.0, 0.15, 1.0));
        assert_eq!(known(&rig), "open");
        rig.wait(1.0);
        rig.event(Event::SeenOnTopic { actuator: 0, open: false });
        for _ in 0..20 {
            rig.run(5.0, &without(silent, readings(50.0, 0.0, 0.0, 0.0)));
            assert_eq!(known(&rig), "commanded-not-confirmed", "{silent} is silent");
        }
    }
}

/// A drop to less than half is asked of a stop that is judged by the pressure.
#[test]
fn a_stop_after_which_the_pressure_stays_up_proves_nothing() {
    for (bar, passes) in [(3.0, false), (2.0, false), (1.9, true)] {
        let mut rig = runs_under_pressure(&pressed_by_hub());
        rig.wait(1.0);
        rig.event(Event::SeenOnTopic { actuator: 0, open: false });
        rig.run(400.0, &pressed(bar));
        assert_eq!(rig.proven("valve valve").is_some(), passes, "{bar} bar");
    }
}

/// Closed by the hub and opened again: what stops the water later is the float, not the valve.
#[test]
fn a_valve_that_was_opened_again_is_not_proven_by_the_stop_before() {
    let mut rig = idle(&by_hub());
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    rig.run(300.0, &readings(50.0, 0.0, 0.15, 1.0));
    rig.event(Event::SeenOnTopic { actuator: 0, open: false });
    rig.run(20.0, &readings(50.0, 0.0, 0.0, 0.0));
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    rig.run(30.0, &readings(50.0, 0.0, 0.15, 1.0));
    rig.run(1500.0, &readings(50.0, 0.0, 0.0, 1.0));
    assert_eq!(rig.proven("valve valve"), None);
}

/// The pressure falls with the close; whether water still passes the meter alone can tell, and that is
/// silent for six minutes.
#[test]
fn where_there_is_a_meter_a_stop_is_judged_by_it_and_not_by_the_pressure() {
    let mut rig = idle(&by_hub());
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    rig.run(300.0, &readings(50.0, 0.0, 0.15, 1.0));
    rig.wait(1.0);
    rig.event(Event::SeenOnTopic { actuator: 0, open: false });
    rig.run(360.0, &without("flow", readings(50.0, 0.0, 0.0, 0.0)));
    stand(&mut rig, 580.0);
    assert_eq!(rig.proven("valve valve"), None, "ten minutes from its first word on");
    stand(&mut rig, 60.0);
    let took = rig.proven("valve valve").expect("proven");
    assert!((360.0..=370.0).contains(&took), "{took}");
}

/// Ten degrees are no ten ppm.
#[test]
fn a_thermometer_in_the_product_is_no_probe_to_be_proven() {
    let warm = "[plants.home.sensors.warm]\ntopic = \"p/warm\"\nquantity = \"temperature\"\npoint = \"product\"\nunit = \"C\"\ninterval_secs = 5\n";
    let mut rig = idle(&format!("{FULL}{warm}"));
    rig.run(60.0, &[("warm", 20.0)]);
    assert!(rig.logs.iter().all(|entry| entry.kind != "proof"));
}

/// One step of a coarse display is its noise.
#[test]
fn a_display_with_coarse_steps_is_alive_when_it_shows_two_of_them() {
    for (step, shown_ppm, passes) in
        [("1", 1.0, false), ("1", 2.0, true), ("5", 5.0, false), ("5", 10.0, true)]
    {
        let mut rig = idle(&FULL.replace("step = 1\n", &format!("step = {step}\n")));
        rig.run(60.0, &readings(50.0, shown_ppm, 0.0, 0.0));
        assert_eq!(rig.proven("probe product").is_some(), passes, "{shown_ppm} by {step}");
    }
}

/// Two steps or a fifth of the larger one. The guided proof waits for more than the probe shows.
#[test]
fn a_handheld_agrees_within_two_steps_of_the_probe_or_a_fifth() {
    for (step, shown_ppm, value, agrees) in [
        ("1", 5.0, 7.0, true),
        ("1", 5.0, 7.5, false),
        ("1", 5.0, 3.0, true),
        ("1", 5.0, 2.5, false),
        ("5", 5.0, 14.0, true),
        ("5", 5.0, 16.0, false),
        ("0.1", 8.0, 6.5, true),
        ("0.1", 8.0, 6.3, false),
        ("0.1", 6.5, 8.0, true),
        ("0.1", 6.3, 8.0, false),
    ] {
        let mut rig = idle(&FULL.replace("step = 1\n", &format!("step = {step}\n")));
        proof(&mut rig, "probe");
        rig.run(60.0, &readings(50.0, shown_ppm, 0.0, 0.0));
        assert_eq!(rig.proven("probe product"), None);
        rig.ask(Ask::Service(ServiceEntry::Handheld { sensor: "product".into(), value, u: 0.1 }));
        assert_eq!(
            rig.proven("probe product").is_some(),
            agrees,
            "{value} beside {shown_ppm} by {step}"
        );
    }
}

/// Wets the floor sensor, or lifts the float, as its proof asks.
fn made_wet(rig: &mut Rig, id: &str) {
    proof(rig, id);
    rig.read(id, 1.0);
    rig.read(id, 0.0);
}

#[test]
fn each_of_two_proofs_counts_from_its_last_time_on() {
    let mut rig = idle(&reminded(&[("leak", 20.0), ("float", 30.0)]).replace(
        "[plants.home.sensors.brim]\ntopic = \"p/brim\"\nquantity = \"full\"\npoint = \"store\"\noverfull = true\n",
        "",
    ));
    rig.watchful = false;
    rig.wait(10.0 * DAY);
    made_wet(&mut rig, "floor");
    made_wet(&mut rig, "float");
    rig.wait(15.0 * DAY);
    assert!(!rig.stands(AlarmId::ProofOverdue), "both count from day 10");
    made_wet(&mut rig, "floor");
    rig.wait(14.0 * DAY);
    assert!(!rig.stands(AlarmId::ProofOverdue), "day 25 and 20 more; day 10 and 30 more");
    rig.wait(2.0 * DAY);
    let text = rig.text(AlarmId::ProofOverdue);
    assert!(text.contains("float") && !text.contains("floor"), "{text}");
}

#[test]
fn what_was_asked_for_is_written_each_time_and_what_proves_itself_once_a_day() {
    let mut rig = idle(FULL);
    rig.watchful = false;
    for times in 1..=3 {
        made_wet(&mut rig, "floor");
        assert_eq!(rig.said("Proven: leak sensor floor"), times);
    }
    while rig.proven("probe product").is_none() {
        rig.run(5.0, &readings(50.0, 3.0, 0.0, 0.0));
    }
    let written = rig.now;
    let said = |rig: &Rig| rig.said("Proven: probe product");
    rig.wait(DAY - 0.001);
    rig.read("product", 2.0);
    assert_eq!(said(&rig), 1, "not a day yet");

    let mut rig = idle(FULL);
    rig.watchful = false;
    while rig.proven("probe product").is_none() {
        rig.run(5.0, &readings(50.0, 3.0, 0.0, 0.0));
    }
    assert!(rig.now <= written);
    rig.wait(DAY);
    rig.read("product", 3.0);
    assert_eq!(said(&rig), 2);
}

/// It shows something with every reading, and the journal is to show that it still does.
#[test]
fn a_probe_that_proves_itself_with_every_reading_is_written_once_a_day_all_the_same() {
    let mut rig = idle(FULL);
    rig.watchful = false;
    while rig.proven("probe product").is_none() {
        rig.run(5.0, &readings(50.0, 3.0, 0.0, 0.0));
    }
    for hours in 1..=48 {
        rig.wait(3_600.0);
        rig.read("product", 3.0);
        assert_eq!(rig.said("Proven: probe product"), 1 + hours / 24, "{hours} h");
    }
}

/// The plant after two quiet days, with the proof of its valve due and nothing running.
fn with_a_valve_due(toml: &str) -> Rig {
    let mut rig = idle(toml);
    rig.watchful = false;
    rig.rest(2.1 * 1_440.0, &readings(50.0, 0.0, 0.0, 0.0));
    rig.watchful = true;
    assert!(rig.stands(AlarmId::ProofOverdue));
    rig
}

/// Five minutes of the run are its first water and what a stop by itself could show.
#[test]
fn a_valve_that_is_due_is_closed_in_the_middle_of_a_run() {
    let mut rig = with_a_valve_due(&reminded(&[("valve", 2.0)]));
    let closes = rig.told("valve", Action::Close);
    while rig.told("valve", Action::Open) == 0 {
        rig.run(5.0, &readings(30.0, 0.0, 0.0, 0.0));
        assert!(rig.now.since(Mono::ZERO).days() < 2.2, "{:?}", rig.missing());
    }
    rig.run(5.0, &readings(31.0, 0.0, 0.15, 1.0));
    let runs = rig.now;
    // At the moment itself, whoever speaks when.
    rig.wait(2.3);
    while rig.told("valve", Action::Close) == closes {
        rig.run(5.0, &readings(31.0, 0.0, 0.15, 1.0));
        assert!(rig.now.since(runs).secs() < 400.0, "{:?}", rig.permit);
    }
    let closed = rig.sent.iter().find(|sent| sent.2 == Action::Close && sent.0 > runs);
    let took = closed.expect("closed").0.since(runs).secs();
    assert!((300.0..=300.1).contains(&took), "{took}");
    rig.run(970.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.proven("valve valve").is_some());
    assert!(!rig.stands(AlarmId::ProofOverdue));
}

/// What is done leaves the list, what becomes due joins it and has to be noted anew.
#[test]
fn what_is_due_is_told_as_it_is_now() {
    use AlarmId::ProofOverdue as Overdue;
    let state = |rig: &Rig| rig.alarms[&AlarmKey::plant(Overdue)];
    let mut rig = idle(&reminded(&[("leak", 2.0), ("float", 3.0)]));
    rig.watchful = false;
    rig.read("floor", 0.0);
    let day = [readings(50.0, 0.0, 0.0, 0.0).to_vec(), vec![("floor", 0.0)]].concat();
    rig.rest(2.1 * 1_440.0, &day);
    assert_eq!(rig.text(Overdue), "Due: the proof of leak floor.");
    assert_eq!(state(&rig), AlarmState::Unacknowledged);
    rig.ask(Ask::Acknowledge { alarm: Overdue.name().into() });
    assert_eq!(state(&rig), AlarmState::Acknowledged);
    rig.rest(1_440.0, &day);
    assert_eq!(rig.text(Overdue), "Due: the proof of leak floor, float brim, float.");
    assert_eq!(state(&rig), AlarmState::Unacknowledged);
    rig.ask(Ask::Acknowledge { alarm: Overdue.name().into() });
    proof(&mut rig, "leak");
    rig.read("floor", 1.0);
    rig.read("floor", 0.0);
    assert_eq!(rig.text(Overdue), "Due: the proof of float brim, float.");
    assert_eq!(state(&rig), AlarmState::Acknowledged, "nothing has come to it");
}

/// Who opened it would find it shut, and nothing of ours opens it again.
#[test]
fn a_valve_that_a_hub_opens_is_not_closed_for_a_proof_of_ours() {
    let mut rig = with_a_valve_due(
        &reminded(&[("valve", 2.0)]).replace("mode = \"level\"", "mode = \"hub\""),
    );
    let closes = rig.told("valve", Action::Close);
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    rig.run(900.0, &readings(50.0, 0.0, 0.15, 1.0));
    assert_eq!(rig.told("valve", Action::Close), closes);
    assert!(rig.stands(AlarmId::ProofOverdue));
}

#[test]
fn a_stop_is_proven_when_its_window_is_over_and_not_with_the_next_word() {
    let mut rig = producing(FULL);
    rig.run(10.0, &readings(59.0, 0.0, 0.15, 1.0));
    stand(&mut rig, 890.0);
    assert_eq!(rig.proven("valve valve"), None);
    rig.wait(12.0);
    assert!(rig.proven("valve valve").is_some());
}

/// The word with which its window begins is none within it.
#[test]
fn a_meter_that_falls_silent_in_the_window_proves_no_stop() {
    let mut rig = producing(FULL);
    rig.run(10.0, &readings(59.0, 0.0, 0.15, 1.0));
    stand(&mut rig, 305.0);
    rig.run(1_500.0, &without("flow", readings(59.0, 0.0, 0.0, 0.0)));
    assert_eq!(rig.proven("valve valve"), None);
    stand(&mut rig, 10.0);
    assert!(rig.proven("valve valve").is_some());
}
