//! What is told to pump, diverts and relays, and when.

use super::plants::{FULL, idle, producing, readings, with_sensor};
use super::rig::Rig;
use permeated::engine::catalogue::AlarmId;
use permeated::engine::event::{Ask, Event};
use permeated::engine::output::{Action, AlarmKey, AlarmState};
use permeated::engine::phase::Phase;

/// The full plant with a pump, a divert behind the vessels, and a light that goes out on a leak.
fn with_more() -> String {
    format!(
        "{FULL}\n[plants.home.sensors.suction]\ntopic = \"p/suction\"\nquantity = \"pressure\"\npoint = \"supply\"\nunit = \"bar\"\ninterval_secs = 5\n\
         [plants.home.actuators.pump]\nrole = \"pump\"\ntopic = \"p/pump/set\"\nclose = \"OFF\"\nopen = \"ON\"\n\
         [plants.home.actuators.divert]\nrole = \"product-divert\"\ntopic = \"p/divert/set\"\nclose = \"DRAIN\"\nopen = \"STORE\"\n\
         [plants.home.actuators.siren]\nrole = \"custom\"\ntopic = \"p/siren/set\"\nclose = \"SOUND\"\ncauses = [\"leak\"]\n"
    )
}

fn more(level: f64, product: f64, flow: f64, open: f64) -> Vec<(&'static str, f64)> {
    let mut all = readings(level, product, flow, open).to_vec();
    all.push(("suction", 3.0));
    all
}

fn last(rig: &Rig, id: &str) -> Option<Action> {
    let wanted = rig.actuator(id);
    rig.sent.iter().rev().find(|(_, which, _)| *which == wanted).map(|(_, _, what)| *what)
}

fn pumping() -> Rig {
    let mut rig = Rig::new(super::rig::setup(&with_more()));
    rig.run(60.0, &more(50.0, 0.0, 0.0, 0.0));
    rig.run(30.0, &more(30.0, 0.0, 0.0, 0.0));
    assert_eq!(last(&rig, "pump"), Some(Action::Close), "the valve is not open yet");
    rig.run(420.0, &more(31.0, 0.0, 0.15, 1.0));
    assert_eq!(last(&rig, "pump"), Some(Action::Open), "{:?}", rig.missing());
    rig
}

/// A hub switches valve and pump together, or the pump first; a word of "closed" and a flow of none still come in
/// before the valve's "open". The pump is left alone. A valve that does not open stops it after some seconds.
#[test]
fn a_pump_that_the_hub_switches_with_its_valve_is_left_alone() {
    let hub = with_more().replace("mode = \"level\"", "mode = \"hub\"");
    assert_ne!(hub, with_more(), "the plant opens by itself");
    for first in ["pump", "valve"] {
        for answers in [true, false] {
            let mut rig = idle(&hub);
            rig.run(30.0, &more(30.0, 0.0, 0.0, 0.0));
            assert!(rig.permitted(), "{:?}", rig.missing());
            let before = rig.told("pump", Action::Close);
            let second = if first == "pump" { "valve" } else { "pump" };
            let actuator = rig.actuator(first);
            rig.event(Event::SeenOnTopic { actuator, open: true });
            rig.wait(0.1);
            let actuator = rig.actuator(second);
            rig.event(Event::SeenOnTopic { actuator, open: true });
            rig.wait(0.1);
            for (id, value) in more(30.0, 0.0, 0.0, 0.0) {
                rig.read(id, value);
            }
            rig.wait(0.5);
            let open = if answers { 1.0 } else { 0.0 };
            rig.read("state", open);
            rig.run(5.0, &more(30.0, 0.0, 0.0, open));
            assert_eq!(rig.told("pump", Action::Close), before, "{first} first, {answers}");
            let flow = if answers { 0.15 } else { 0.0 };
            rig.run(60.0, &more(30.0, 0.0, flow, open));
            let closed = rig.told("pump", Action::Close) > before;
            assert_eq!(closed, !answers, "{first} first");
        }
    }
}

/// Times of the first close of two actuators after now.
fn first_closes(rig: &mut Rig, secs: f64, messages: &[(&str, f64)]) -> (f64, f64) {
    let begun = rig.now;
    let before = rig.sent.len();
    rig.run(secs, messages);
    let first = |id: &str| {
        let wanted = rig.actuator(id);
        rig.sent[before..]
            .iter()
            .find(|(_, which, what)| *which == wanted && *what == Action::Close)
            .map_or(f64::NAN, |(at, ..)| at.since(begun).secs())
    };
    (first("pump"), first("valve"))
}

#[test]
fn the_pump_stops_first_and_the_valve_a_second_later() {
    let mut rig = pumping();
    let (pump, valve) = first_closes(&mut rig, 30.0, &more(59.0, 0.0, 0.15, 1.0));
    assert!((0.9..=1.1).contains(&(valve - pump)), "pump {pump} s, valve {valve} s");
}

#[test]
fn a_leak_stops_both_at_once_and_calls_what_the_user_named() {
    let mut rig = pumping();
    assert_eq!(rig.told("siren", Action::Close), 0);
    let begun = rig.now;
    rig.read("floor", 1.0);
    let at = |id: &str| {
        let wanted = rig.actuator(id);
        let found = rig.sent.iter().rev().find(|(_, which, _)| *which == wanted);
        found.map(|(at, _, what)| (at.since(begun).secs(), *what))
    };
    for id in ["pump", "valve", "siren"] {
        assert_eq!(at(id), Some((0.0, Action::Close)), "{id}");
    }
}

#[test]
fn a_trip_that_the_user_did_not_name_does_not_call() {
    let mut rig = pumping();
    rig.run(60.0, &more(31.0, 45.0, 0.15, 1.0));
    assert!(rig.stands(AlarmId::ProductTdsHigh));
    assert_eq!(rig.told("siren", Action::Close), 0);
}

#[test]
fn without_suction_the_pump_stops() {
    let mut rig = pumping();
    let mut dry = more(31.0, 0.0, 0.15, 1.0);
    dry.last_mut().expect("suction").1 = 0.1;
    rig.run(40.0, &dry);
    assert!(rig.stands(AlarmId::SuctionLow));
    assert_eq!(last(&rig, "pump"), Some(Action::Close));
}

#[test]
fn a_valve_that_does_not_answer_is_told_again_and_the_pump_is_the_second_barrier() {
    let mut rig = pumping();
    rig.ask(Ask::Close);
    let before = rig.told("valve", Action::Close);
    // State and meter say that it is still open.
    rig.run(60.0, &more(31.0, 0.0, 0.15, 1.0));
    let told = rig.told("valve", Action::Close) - before;
    assert!((3..=5).contains(&told), "{told} times in a minute: after 2, 5, 10, then 60 s");
    assert!(rig.stands(AlarmId::CloseUnconfirmed));
    assert_eq!(last(&rig, "pump"), Some(Action::Close));
    rig.run(60.0, &more(31.0, 0.0, 0.0, 0.0));
    assert!(!rig.stands(AlarmId::CloseUnconfirmed));
    // Nobody released it: it stays shut.
    assert!(rig.missing().contains(&"closed-by-command".to_owned()));
}

#[test]
fn the_product_goes_to_the_drain_until_somebody_vouches_for_it() {
    let mut rig = Rig::new(super::rig::setup(&with_more()));
    rig.run(60.0, &more(50.0, 0.0, 0.0, 0.0));
    rig.run(30.0, &more(30.0, 0.0, 0.0, 0.0));
    rig.run(60.0, &more(31.0, 2.0, 0.15, 1.0));
    assert_eq!(rig.told("divert", Action::Open), 0, "first water");
    rig.run(300.0, &more(31.0, 0.0, 0.15, 1.0));
    assert_eq!(last(&rig, "divert"), Some(Action::Open));
    rig.run(60.0, &more(31.0, 45.0, 0.15, 1.0));
    assert_eq!(last(&rig, "divert"), Some(Action::Close));
}

#[test]
fn a_relay_with_an_off_timer_is_rearmed_while_permitted_and_demanded_only() {
    let rearmed = FULL.replace(
        "state_sensor = \"state\"\n",
        "state_sensor = \"state\"\noff_timer_secs = 180\nopen_renew_secs = 60\n",
    );
    let mut rig = producing(&rearmed);
    let before = rig.told("valve", Action::Open);
    rig.run(300.0, &readings(31.0, 0.0, 0.15, 1.0));
    assert_eq!(rig.told("valve", Action::Open) - before, 5, "one a minute");
    let before = rig.told("valve", Action::Open);
    rig.run(300.0, &readings(59.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.told("valve", Action::Open), before);
}

#[test]
fn after_a_close_the_valve_rests_and_starts_are_counted() {
    let mut rig = producing(FULL);
    rig.run(60.0, &readings(59.0, 0.0, 0.0, 0.0));
    rig.run(480.0, &readings(30.0, 0.0, 0.0, 0.0));
    assert!(rig.missing().contains(&"minimum-off-time".to_owned()), "{:?}", rig.missing());
    let opens = rig.told("valve", Action::Open);
    rig.run(120.0, &readings(30.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.told("valve", Action::Open), opens + 1, "{:?}", rig.missing());
    rig.run(120.0, &readings(31.0, 0.0, 0.15, 1.0));
    // The second run of this hour is over; a third has to wait for the hour.
    rig.run(700.0, &readings(59.0, 0.0, 0.0, 0.0));
    rig.run(60.0, &readings(30.0, 0.0, 0.0, 0.0));
    assert!(rig.missing().contains(&"starts-in-an-hour".to_owned()), "{:?}", rig.missing());
}

#[test]
fn a_full_container_and_a_silent_probe_are_no_state_to_start_in() {
    let mut rig = idle(FULL);
    rig.run(30.0, &readings(61.0, 0.0, 0.0, 0.0));
    assert!(rig.missing().contains(&"store-full".to_owned()), "{:?}", rig.missing());
    let mut rig = idle(FULL);
    rig.wait(900.0);
    assert!(rig.missing().contains(&"product-probe-ready".to_owned()), "{:?}", rig.missing());
    assert!(!rig.stands(AlarmId::ProductProbeStale), "silence while idle is no alarm");
}

#[test]
fn without_a_meter_a_run_has_a_time_limit() {
    let timed = FULL
        .replace("[plants.home.sensors.flow]\ntopic = \"p/flow\"\nquantity = \"flow\"\npoint = \"permeate\"\nunit = \"L/min\"\ninterval_secs = 5\n", "")
        + "[plants.home.assumed]\npermeate_litres_per_min = 0.5\n";
    let mut rig = producing(&timed);
    // 30 L of room at 0.5 L/min: an hour, and half as much again. The level stands still.
    rig.run(4_500.0, &readings(31.0, 0.0, 0.0, 1.0));
    assert!(!rig.stands(AlarmId::RunLitresHigh));
    rig.run(1_500.0, &readings(31.0, 0.0, 0.0, 1.0));
    assert!(rig.stands(AlarmId::RunLitresHigh));
}

#[test]
fn a_bypass_is_limited_in_litres_renewed_once_and_needs_a_reason() {
    let mut rig = producing(FULL);
    rig.run(60.0, &readings(31.0, 45.0, 0.15, 1.0));
    let bypass = |reason: &str| Ask::Bypass {
        cause: AlarmId::ProductTdsHigh.name().into(),
        reason: reason.into(),
    };
    assert!(rig.ask(bypass(" ")).starts_with("Refused"));
    assert!(!rig.ask(bypass("rinsing new resin into a bucket")).starts_with("Refused"));
    assert!(!rig.ask(bypass("still rinsing")).starts_with("Refused"), "one renewal");
    assert!(rig.ask(bypass("and again")).starts_with("Refused"));
    // Ten litres at 1.5 L/min, long before the time is over.
    rig.run(700.0, &readings(31.0, 0.0, 0.0, 0.0));
    rig.run(300.0, &readings(31.0, 45.0, 1.5, 1.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig.run(180.0, &readings(31.0, 45.0, 1.5, 1.0));
    assert!(!rig.permitted());
    assert!(rig.stands(AlarmId::ProductTdsHigh), "a bypass clears nothing");
    // Nor is it begun anew when it is over.
    rig.rest(60.0, &readings(31.0, 0.0, 0.0, 0.0));
    let answer = rig.ask(bypass("and again"));
    assert!(answer.starts_with("Refused") && answer.contains("within a day"), "{answer}");
    rig.rest(24.0 * 60.0, &readings(31.0, 0.0, 0.0, 0.0));
    let answer = rig.ask(bypass("the next day"));
    assert!(!answer.starts_with("Refused"), "{answer}");
}

#[test]
fn an_opening_whose_record_comes_too_late_is_dropped_and_said() {
    let remarks = |rig: &Rig| rig.permit.as_ref().expect("a permit").remarks.join(" ");
    let mut rig = idle(FULL);
    rig.disk = false;
    rig.run(15.0, &readings(30.0, 0.0, 0.0, 0.0));
    assert!(remarks(&rig).contains("1 time in a row the record"), "{}", remarks(&rig));
    assert!(!remarks(&rig).contains("told to close"), "{}", remarks(&rig));
    assert!(!rig.stands(AlarmId::OpenLate), "once is no alarm");
    rig.run(30.0, &readings(30.0, 0.0, 0.0, 0.0));
    assert!(rig.stands(AlarmId::OpenLate), "{}", remarks(&rig));
    let text = "3 times in a row the record of an opening was not on the disk in time.";
    assert_eq!(rig.text(AlarmId::OpenLate), text);
    for token in 0..100 {
        rig.event(Event::Persisted { token });
    }
    assert_eq!(last(&rig, "valve"), Some(Action::Close), "no record that is late opens");

    let mut unwanted = rig.clone();
    unwanted.run(60.0, &readings(59.9, 0.0, 0.0, 0.0));
    assert!(!unwanted.stands(AlarmId::OpenLate), "nobody wants water: {}", remarks(&unwanted));

    rig.disk = true;
    rig.run(30.0, &readings(30.0, 0.0, 0.15, 1.0));
    assert_eq!(last(&rig, "valve"), Some(Action::Open));
    assert_eq!(remarks(&rig), "");
    assert!(!rig.stands(AlarmId::OpenLate));
}

#[test]
fn a_database_that_stays_behind_is_told_and_holds_nothing() {
    let mut rig = idle(FULL);
    rig.event(Event::DatabaseBehind { behind: true });
    rig.run(14.0 * 60.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(!rig.stands(AlarmId::HistoryBehind), "a server may restart");
    rig.run(120.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(rig.stands(AlarmId::HistoryBehind));
    assert_eq!(
        rig.text(AlarmId::HistoryBehind),
        "For more than 15 min the database has not had everything that was recorded."
    );
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig.event(Event::DatabaseBehind { behind: false });
    rig.run(120.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(!rig.stands(AlarmId::HistoryBehind));
}

#[test]
fn an_open_flush_valve_is_a_flush_until_it_has_been_open_for_too_long() {
    let flush = "[plants.home.sensors.flush]\ntopic = \"p/flush\"\nquantity = \"open\"\npoint = \"concentrate\"\n";
    let mut rig = producing(&format!("{FULL}{flush}"));
    let phase = |rig: &Rig| rig.engine.guard().phase();
    assert_eq!(phase(&rig), Phase::Producing);
    rig.read("flush", 1.0);
    assert_eq!(phase(&rig), Phase::Flushing);
    rig.read("flush", 0.0);
    assert_eq!(phase(&rig), Phase::Producing);
    rig.read("flush", 1.0);
    rig.run(590.0, &readings(31.0, 0.0, 0.15, 1.0));
    assert_eq!(phase(&rig), Phase::Flushing);
    rig.run(5.0, &readings(31.0, 0.0, 0.15, 1.0));
    rig.wait(5.0);
    assert_eq!(phase(&rig), Phase::Producing, "the valve's word is doubted");
    rig.run(10.0, &readings(31.0, 0.0, 0.15, 1.0));
    rig.read("flush", 1.0);
    assert_eq!(phase(&rig), Phase::Producing, "the same word again changes nothing");
    assert!(rig.permitted(), "{:?}", rig.missing());
    let mut weak = readings(31.0, 0.0, 0.15, 1.0);
    weak.iter_mut().filter(|(id, _)| *id == "pressure").for_each(|one| one.1 = 1.0);
    let state = |rig: &Rig| rig.alarms.get(&AlarmKey::plant(AlarmId::FeedPressureLow)).copied();
    rig.read("flush", 0.0);
    rig.read("flush", 1.0);
    rig.run(400.0, &weak);
    let during = state(&rig);
    assert_eq!(during, Some(AlarmState::SuppressedByDesign), "the valve takes the pressure off");
    rig.read("flush", 0.0);
    rig.run(10.0, &weak);
    assert_eq!(state(&rig), Some(AlarmState::Unacknowledged), "without it low pressure is told");
    // Whatever the phase is called, the product is judged.
    rig.read("flush", 0.0);
    rig.read("flush", 1.0);
    assert_eq!(phase(&rig), Phase::Flushing);
    rig.run(60.0, &readings(31.0, 25.0, 0.15, 1.0));
    assert!(rig.stands(AlarmId::ProductTdsHigh));
}

/// The full plant without meter and state sensor: only the feed pressure tells what the valve does.
fn by_pressure() -> String {
    let text = with_sensor(&with_sensor(FULL, "flow", ""), "state", "");
    text.replace("state_sensor = \"state\"\n", "")
        + "[plants.home.assumed]\npermeate_litres_per_min = 0.15\n"
}

fn pressed(level: f64, bar: f64) -> Vec<(&'static str, f64)> {
    let mut all = readings(level, 0.0, 0.0, 0.0).to_vec();
    all.iter_mut().filter(|(id, _)| *id == "pressure").for_each(|one| one.1 = bar);
    all
}

#[test]
fn where_nothing_else_speaks_the_pressure_confirms_a_close() {
    let mut rig = Rig::new(super::rig::setup(&by_pressure()));
    rig.run(60.0, &pressed(50.0, 0.2));
    rig.run(30.0, &pressed(30.0, 0.2));
    rig.run(420.0, &pressed(31.0, 4.0));
    assert_eq!(last(&rig, "valve"), Some(Action::Open), "{:?}", rig.missing());
    let known = |rig: &Rig| rig.permit.as_ref().expect("a permit").valve.clone();

    let mut closes = rig.clone();
    closes.run(15.0, &pressed(59.0, 0.6));
    assert_eq!(known(&closes), "closed", "the pressure fell");
    closes.run(120.0, &pressed(59.0, 0.2));
    assert_eq!(known(&closes), "closed");
    assert!(!closes.stands(AlarmId::CloseUnconfirmed));

    rig.run(120.0, &pressed(59.0, 3.9));
    assert_ne!(known(&rig), "closed", "the pressure stays up");
    assert!(rig.stands(AlarmId::CloseUnconfirmed));
    rig.run(60.0, &pressed(59.0, 0.3));
    assert_eq!(known(&rig), "closed", "somebody closed the tap");
    assert!(!rig.stands(AlarmId::CloseUnconfirmed));
}

/// Told by a hub, seen by the pressure: as good a proof of the valve as a close of our own.
#[test]
fn a_hubs_close_under_pressure_proves_the_valve() {
    let mut rig =
        Rig::new(super::rig::setup(&by_pressure().replace("\"level\"\nstart", "\"hub\"\nstart")));
    rig.run(60.0, &pressed(50.0, 0.2));
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    rig.run(300.0, &pressed(50.0, 4.0));
    rig.wait(1.0);
    rig.event(Event::SeenOnTopic { actuator: 0, open: false });
    rig.run(290.0, &pressed(50.0, 0.3));
    assert_eq!(rig.proven("valve valve"), None, "housings may still decompress");
    rig.run(30.0, &pressed(50.0, 0.3));
    assert!(rig.proven("valve valve").is_some());
}

#[test]
fn litres_on_command_open_until_they_are_made() {
    let by_level = "mode = \"level\"\nstart_below_litres = 40\nstop_at_litres = 58\n";
    let litres = |litres: f64| Ask::Litres { litres };
    let mut rig = idle(FULL);
    assert!(rig.ask(litres(5.0)).starts_with("Refused"), "this plant opens by level");
    let mut rig = idle(&FULL.replace(by_level, "mode = \"litres\"\n"));
    for refused in [0.0, -1.0, 60.1, f64::NAN] {
        assert!(rig.ask(litres(refused)).starts_with("Refused"), "{refused}");
    }
    assert!(rig.ask(litres(60.0)).contains("60.0 L are wanted"), "one container");
    assert_eq!(rig.ask(litres(3.0)), "3.0 L are wanted.");
    assert_eq!(last(&rig, "valve"), Some(Action::Open), "{:?}", rig.missing());
    let begun = rig.now;
    while last(&rig, "valve") == Some(Action::Open) {
        rig.run(5.0, &readings(40.0, 0.0, 0.6, 1.0));
        assert!(rig.now.since(begun).secs() < 600.0);
    }
    let took = rig.now.since(begun).secs();
    assert!((295.0..=315.0).contains(&took), "3 L at 0.6 L/min: {took} s");
    rig.run(900.0, &readings(40.0, 0.0, 0.0, 0.0));
    assert_eq!(last(&rig, "valve"), Some(Action::Close), "nothing is wanted any more");
}

#[test]
fn a_command_counts_for_half_a_minute_by_either_clock() {
    use permeated::engine::event::Command;
    use permeated::engine::time::Wall;
    let wall = |rig: &Rig| rig.permit.as_ref().and_then(|permit| permit.valid_until);
    for (age, taken) in [(0, true), (30, true), (31, false), (-30, true), (-31, false)] {
        let mut rig = idle(FULL);
        rig.ask(Ask::Close);
        // The permit of this moment is good for a minute from now.
        let now = wall(&rig).expect("the clock is sane").millis() - 60_000;
        let at = Some(Wall::from_millis(now - age * 1000));
        rig.event(Event::Command(Command { id: "late".into(), at, what: Ask::Release }));
        assert_eq!(rig.permitted(), taken, "{age} s old");
        let answer = match (taken, age > 0) {
            (true, _) => "Released.",
            (false, true) => "Refused: the command is 31 s old.",
            (false, false) => "Refused: the command is 31 s ahead of the clock.",
        };
        assert_eq!(rig.said(answer), 1, "{age} s old");
    }
}

/// What a person entered counts for what stands, and only the cause that it names.
#[test]
fn an_entry_for_another_valve_or_another_cause_clears_nothing() {
    use permeated::engine::event::ServiceEntry;
    let mut rig = producing(FULL);
    rig.ask(Ask::Close);
    rig.run(2_000.0, &readings(31.0, 0.0, 0.05, 0.0));
    assert!(rig.stands(AlarmId::ValveLeaksBy));
    let serviced =
        |actuator: &str| Ask::Service(ServiceEntry::ValveServiced { actuator: actuator.into() });
    rig.ask(serviced("another"));
    assert!(rig.reset(AlarmId::ValveLeaksBy).starts_with("Refused"));
    let mut tight = rig.clone();
    rig.ask(serviced("valve"));
    assert!(rig.reset(AlarmId::ValveLeaksBy).contains("is reset"));
    // Or the meter shows twice that nothing passes.
    tight.run(700.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert!(tight.reset(AlarmId::ValveLeaksBy).starts_with("Refused"), "one window is not enough");
    tight.run(1_300.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert!(tight.reset(AlarmId::ValveLeaksBy).contains("is reset"));
}

#[test]
fn an_acknowledgement_reaches_the_alarm_it_names_or_all() {
    let sensor = "[plants.home.sensors.other]\ntopic = \"p/other\"\nquantity = \"tds\"\npoint = \"permeate\"\nunit = \"ppm\"\ninterval_secs = 5\n";
    let mut rig = producing(&format!("{FULL}{sensor}"));
    rig.read("floor", 1.0);
    // Two sensors that say nothing that can be believed.
    for _ in 0..100 {
        rig.run(10.0, &readings(31.0, 0.0, 0.0, 0.0));
        for id in ["pressure", "other"] {
            rig.read(id, 1e6);
        }
    }
    let of = |rig: &Rig, id: &str| AlarmKey {
        alarm: AlarmId::SensorFault,
        of: rig.sensor(id).map(|sensor| sensor as u16),
    };
    let (pressure, other) = (of(&rig, "pressure"), of(&rig, "other"));
    let leak = AlarmKey::plant(AlarmId::Leak);
    let state = |rig: &Rig, key: AlarmKey| rig.alarms.get(&key).copied();
    let new = Some(AlarmState::Unacknowledged);
    let noted = Some(AlarmState::Acknowledged);
    assert_eq!([leak, pressure, other].map(|key| state(&rig, key)), [new, new, new]);
    let name = AlarmId::SensorFault.name();
    for wrong in ["no-such-alarm", name, &format!("{name}-nobody")] {
        let answer = rig.ask(Ask::Acknowledge { alarm: wrong.to_owned() });
        assert_eq!(answer, format!("Refused: '{wrong}' is no alarm of this plant."));
    }
    let answer = rig.ask(Ask::Acknowledge { alarm: format!("{name}-other") });
    assert_eq!(answer, "1 acknowledged.");
    assert_eq!([leak, pressure, other].map(|key| state(&rig, key)), [new, new, noted]);
    assert_eq!(rig.ask(Ask::Acknowledge { alarm: "leak".into() }), "1 acknowledged.");
    assert_eq!([leak, pressure, other].map(|key| state(&rig, key)), [noted, new, noted]);
    assert!(rig.ask(Ask::Acknowledge { alarm: "all".into() }).ends_with(" acknowledged."));
    assert_eq!([leak, pressure, other].map(|key| state(&rig, key)), [noted, noted, noted]);
}

/// A pump has no meter of its own: nothing can confirm its close, and three times is enough.
#[test]
fn a_pump_without_a_state_is_told_three_times_and_a_valve_is_confirmed_by_the_meter() {
    let text = with_sensor(&with_more(), "state", "").replace("state_sensor = \"state\"\n", "");
    let mut rig = Rig::new(super::rig::setup(&text));
    rig.run(60.0, &more(50.0, 0.0, 0.0, 0.0));
    rig.run(30.0, &more(30.0, 0.0, 0.0, 0.0));
    // Nothing flows before the pump runs, and nothing says that the valve is open.
    assert_eq!(last(&rig, "pump"), Some(Action::Open), "{:?}", rig.missing());
    rig.run(420.0, &more(31.0, 0.0, 0.15, 1.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    let before = rig.told("pump", Action::Close);
    rig.read("floor", 1.0);
    // Housings give back what they held for a quarter of a minute.
    rig.run(15.0, &more(31.0, 0.0, 0.1, 0.0));
    assert!(!rig.stands(AlarmId::CloseUnconfirmed), "no contradiction yet");
    rig.run(600.0, &more(31.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.told("pump", Action::Close) - before, 3);
    assert_eq!(rig.permit.as_ref().map(|permit| permit.valve.to_string()), Some("closed".into()));
}

#[test]
fn water_that_a_meter_still_shows_well_after_a_close_contradicts_it() {
    let text = with_sensor(FULL, "state", "").replace("state_sensor = \"state\"\n", "");
    let mut rig = producing(&text);
    rig.read("floor", 1.0);
    let begun = rig.now;
    while !rig.stands(AlarmId::CloseUnconfirmed) {
        rig.run(1.0, &readings(31.0, 0.0, 0.15, 1.0));
        assert!(rig.now.since(begun).secs() < 300.0);
    }
    let took = rig.now.since(begun).secs();
    assert!((20.0..=60.0).contains(&took), "{took} s");
    assert_eq!(rig.permit.as_ref().map(|permit| permit.valve.to_string()), Some("closing".into()));
}

#[test]
fn a_divert_before_the_vessels_goes_to_the_drain_with_everything_that_is_not_permitted() {
    let divert = "[plants.home.actuators.away]\nrole = \"divert\"\ntopic = \"p/away/set\"\nclose = \"DRAIN\"\nopen = \"RESIN\"\n";
    let mut rig = producing(&format!("{FULL}{divert}"));
    let told = |rig: &Rig| rig.told("away", Action::Close);
    let before = told(&rig);
    rig.run(60.0, &readings(31.0, 45.0, 0.15, 1.0));
    assert!(told(&rig) > before, "tripped");
    rig.run(900.0, &readings(31.0, 45.0, 0.0, 0.0));
    // Permitted for a test run, whose water goes to the drain as well.
    let before = told(&rig);
    assert!(!rig.ask(Ask::TestRun { outlet_to_drain: true }).starts_with("Refused"));
    rig.event(Event::SeenOnTopic { actuator: rig.actuator("away"), open: true });
    rig.run(10.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    assert!(told(&rig) > before, "somebody turned it to the resin");
}

/// Else the record of an open that was given up could let the next one out before its own.
#[test]
fn each_open_waits_for_a_record_of_its_own() {
    let mut rig = idle(FULL);
    rig.disk = false;
    let before = rig.tokens.len();
    rig.run(60.0, &readings(30.0, 0.0, 0.0, 0.0));
    let tokens = &rig.tokens[before..];
    assert!(tokens.len() > 2, "tried again: {tokens:?}");
    assert!(tokens.windows(2).all(|pair| pair[0] < pair[1]), "{tokens:?}");
    assert_eq!(rig.told("valve", Action::Open), 0);
}

/// Whoever opened it: after a close by the guard it rests.
#[test]
fn the_minimum_off_time_counts_from_the_close_of_a_valve_that_others_opened() {
    let mut rig = Rig::new(super::rig::setup(&super::plants::by_hub()));
    rig.run(60.0, &readings(50.0, 0.0, 0.0, 0.0));
    rig.event(Event::SeenOnTopic { actuator: 0, open: true });
    // The supply is shut elsewhere: no water comes.
    rig.run(10.0, &readings(50.0, 0.0, 0.0, 1.0));
    rig.read("floor", 1.0);
    rig.run(10.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(rig.missing().contains(&"minimum-off-time".to_owned()), "{:?}", rig.missing());
}

#[test]
fn a_leak_is_never_bypassed() {
    let mut rig = producing(FULL);
    rig.read("floor", 1.0);
    let answer =
        rig.ask(Ask::Bypass { cause: "leak".into(), reason: "the floor is being washed".into() });
    assert_eq!(answer, "Refused: leak may not be bypassed.");
}

#[test]
fn litres_on_command_where_no_container_is_declared() {
    let by_level = "mode = \"level\"\nstart_below_litres = 40\nstop_at_litres = 58\n";
    let text = FULL.replace(by_level, "mode = \"litres\"\n");
    let begin = text.find("[plants.home.store]").expect("there");
    let mut rig = Rig::new(super::rig::setup(&with_sensor(&text[..begin], "level", "")));
    rig.run(60.0, &readings(0.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.ask(Ask::Litres { litres: 10.0 }), "10.0 L are wanted.");
}

/// A cause that comes once more under a standing trip takes back only what somebody has shown.
#[test]
fn nothing_is_taken_back_where_nothing_was_shown() {
    let mut rig = producing(FULL);
    rig.read("floor", 1.0);
    rig.read("floor", 0.0);
    rig.run(600.0, &readings(31.0, 0.0, 0.0, 0.0));
    rig.read("floor", 1.0);
    rig.run(10.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.stands(AlarmId::Leak));
    assert_eq!(rig.said("does not count any more"), 0);
}

#[test]
fn what_the_guard_says_of_itself_as_values() {
    use permeated::engine::catalogue::SignalId;
    let mut rig = producing(FULL);
    assert_eq!(rig.flags.get(&SignalId::Permitted), Some(&true));
    rig.read("floor", 1.0);
    assert_eq!(rig.flags.get(&SignalId::Permitted), Some(&false));
    rig.wait(3.0);
    for (id, value) in readings(31.0, 0.0, 0.0, 0.0) {
        rig.read(id, value);
    }
    assert_eq!(rig.values.get(&SignalId::CloseTime), Some(&3.0), "from the close to its answer");
}

#[test]
fn a_snapshot_of_other_sensors_or_actuators_is_not_taken() {
    use permeated::engine::Engine;
    let rig = idle(FULL);
    let (text, at) = (rig.engine.snapshot(), rig.engine.evaluated());
    let light = "[plants.home.actuators.light]\nrole = \"custom\"\ntopic = \"p/light\"\nclose = \"OFF\"\ncauses = [\"leak\"]\n";
    for more in [super::plants::SECOND_PROBE, light] {
        let setup = super::rig::setup(&format!("{FULL}{more}"));
        assert!(Engine::restore(setup, &text, at).is_err(), "{more}");
    }
    assert!(Engine::restore(super::rig::setup(FULL), &text, at).is_ok());
}

/// The feed pressure need not speak as well.
#[test]
fn a_state_or_a_meter_alone_confirms_a_close_or_is_missed() {
    let mute = with_sensor(FULL, "pressure", "");
    let metered = with_sensor(&mute, "state", "").replace("state_sensor = \"state\"\n", "");
    let stated = with_sensor(&mute, "flow", "");
    for text in [metered, stated] {
        let mut rig = super::plants::producing(&text);
        let before = rig.told("valve", Action::Close);
        rig.read("floor", 1.0);
        let mut closes = rig.clone();
        rig.run(180.0, &readings(31.0, 0.0, 0.15, 1.0));
        assert!(rig.stands(AlarmId::CloseUnconfirmed), "{text}");
        assert!(rig.told("valve", Action::Close) - before > 3, "it is told on and on: {text}");
        closes.run(180.0, &readings(31.0, 0.0, 0.0, 0.0));
        assert!(!closes.stands(AlarmId::CloseUnconfirmed), "{text}");
    }
}

#[test]
fn litres_on_command_are_complete_with_the_pulse_that_completes_them() {
    let by_level = "mode = \"level\"\nstart_below_litres = 40\nstop_at_litres = 58\n";
    let pulses = "topic = \"p/flow\"\nquantity = \"pulses\"\npoint = \"permeate\"\nlitres_per_pulse = 0.5\ninterval_secs = 5\n";
    let text = with_sensor(FULL, "flow", pulses).replace(by_level, "mode = \"litres\"\n");
    let mut rig = Rig::new(super::rig::setup(&text));
    rig.run(60.0, &readings(40.0, 0.0, 100.0, 0.0));
    rig.ask(Ask::Litres { litres: 1.0 });
    assert_eq!(last(&rig, "valve"), Some(Action::Open), "{:?}", rig.missing());
    rig.run(10.0, &readings(40.0, 0.0, 101.0, 1.0));
    assert_eq!(last(&rig, "valve"), Some(Action::Open), "{:?}", rig.missing());
    rig.read("flow", 102.0);
    assert_eq!(last(&rig, "valve"), Some(Action::Close));
}

/// A valve moves first, and the housings give back after that.
#[test]
fn water_of_the_housings_contradicts_no_close() {
    // Its answer is not missed yet: it speaks seldom.
    let speak = |rig: &mut Rig, secs: f64, all: [(&'static str, f64); 8]| {
        let end = rig.now + permeated::engine::time::Span::from_secs_f64(secs);
        while rig.now < end {
            rig.wait(10.0);
            for (id, value) in all {
                rig.read(id, value);
            }
        }
    };
    let text =
        with_sensor(FULL, "state", "").replace("interval_secs = 5\n", "interval_secs = 10\n");
    for (valve, barrier, secs) in
        [("", 6, 19.0), ("kind = \"motor\"\ntravel_secs = 60\n", 66, 79.0)]
    {
        let valve = text.replace("state_sensor = \"state\"\n", valve);
        let limits = format!("[plants.home.limits.guard]\nbarrier_secs = {barrier}\n");
        let mut rig = Rig::new(super::rig::setup(&format!("{valve}{limits}")));
        speak(&mut rig, 60.0, readings(50.0, 0.0, 0.0, 0.0));
        speak(&mut rig, 30.0, readings(30.0, 0.0, 0.0, 0.0));
        speak(&mut rig, 420.0, readings(31.0, 0.0, 0.15, 1.0));
        rig.ask(Ask::Close);
        let closed = rig.now;
        speak(&mut rig, secs - 10.0, readings(31.0, 0.0, 0.05, 0.0));
        rig.until(closed + permeated::engine::time::Span::from_secs_f64(secs));
        assert!(!rig.stands(AlarmId::CloseUnconfirmed), "{secs} s");
        speak(&mut rig, 120.0, readings(31.0, 0.0, 0.05, 0.0));
        assert!(rig.stands(AlarmId::CloseUnconfirmed), "water that goes on: {secs} s");
    }
}

#[test]
fn one_cause_is_bypassed_at_a_time() {
    let mut rig = producing(FULL);
    rig.run(60.0, &readings(31.0, 45.0, 0.15, 1.0));
    rig.event(Event::BrokerLost);
    rig.wait(10.0);
    let bypass = |alarm: AlarmId| Ask::Bypass {
        cause: alarm.name().into(),
        reason: "rinsing new resin into a bucket".into(),
    };
    assert!(!rig.ask(bypass(AlarmId::ProductTdsHigh)).starts_with("Refused"));
    assert_eq!(
        rig.ask(bypass(AlarmId::BrokerLost)),
        "Refused: product-tds-high is bypassed already; one cause at a time."
    );
    rig.ask(Ask::BypassEnd);
    assert!(!rig.ask(bypass(AlarmId::BrokerLost)).starts_with("Refused"));
}

/// What leaked by before somebody looked at the valve is no part of what is shown after.
#[test]
fn after_a_reset_a_valve_leaks_by_only_when_two_windows_show_it_again() {
    use permeated::engine::event::ServiceEntry;
    let mut rig = producing(FULL);
    rig.ask(Ask::Close);
    let leaks = readings(31.0, 0.0, 0.05, 0.0);
    rig.run(2_000.0, &leaks);
    rig.ask(Ask::Service(ServiceEntry::ValveServiced { actuator: "valve".into() }));
    assert!(rig.reset(AlarmId::ValveLeaksBy).contains("is reset"));
    rig.run(1_190.0, &leaks);
    assert!(!rig.stands(AlarmId::ValveLeaksBy), "one window and most of the next");
    rig.run(20.0, &leaks);
    assert!(rig.stands(AlarmId::ValveLeaksBy));
}

#[test]
fn an_alarm_of_a_part_is_named_after_the_part() {
    use permeated::engine::guard::named;
    let part = |id: &str, at: u8| {
        format!("[plants.home.parts.{id}]\nkind = \"mixed\"\nposition = {at}\nbed_litres = 0.75\n")
    };
    let setup = super::rig::setup(&format!("{FULL}{}{}", part("lead", 1), part("lag", 2)));
    for (place, part) in setup.parts.iter().enumerate() {
        let key = named(&setup, &format!("part-due-{}", part.id)).expect("known");
        assert_eq!(key, AlarmKey { alarm: AlarmId::PartDue, of: u16::try_from(place).ok() });
    }
    for unknown in ["part-due", "part-due-nobody"] {
        assert!(named(&setup, unknown).is_err(), "{unknown}");
    }
}

/// Its head may be whole where its lists are not.
#[test]
fn a_snapshot_that_lacks_a_probe_or_a_valve_is_not_taken() {
    use permeated::engine::Engine;
    let rig = idle(FULL);
    let (text, at) = (rig.engine.snapshot(), rig.engine.evaluated());
    for list in ["probes", "valves"] {
        let mut value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        let found = value["state"]["guard"][list].as_array_mut().expect("a list");
        assert!(found.pop().is_some());
        let setup = super::rig::setup(FULL);
        assert!(Engine::restore(setup, &value.to_string(), at).is_err(), "{list}");
    }
}

/// The next repetition of the close may be a minute away.
#[test]
fn a_clean_stop_does_not_wait_for_a_broker_that_acknowledges_nothing() {
    for (secs, broker) in [(2.0, false), (0.0, true)] {
        let mut rig = producing(FULL);
        rig.broker = broker;
        rig.ask(Ask::Close);
        rig.wait(21.3);
        let asked = rig.now;
        rig.event(Event::StopRequested);
        rig.wait(5.0);
        let (at, closed) = rig.stopped.expect("it has stopped");
        assert_eq!((at.since(asked).secs(), closed), (secs, broker));
    }
}

/// While it runs, and as long as nobody says that the pressure is back or the water stands.
#[test]
fn suction_is_judged_while_water_runs_to_a_pump() {
    let suction = |bar: f64, flow: f64, open: f64| {
        let mut all = more(31.0, 0.0, flow, open);
        all.last_mut().expect("suction").1 = bar;
        all
    };
    let mut rig = pumping();
    rig.run(60.0, &suction(0.3, 0.15, 1.0));
    assert!(!rig.stands(AlarmId::SuctionLow), "the limit itself is not below it");
    rig.run(40.0, &suction(0.1, 0.15, 1.0));
    assert!(rig.stands(AlarmId::SuctionLow));
    rig.run(300.0, &readings(31.0, 0.0, 0.15, 1.0));
    assert!(rig.stands(AlarmId::SuctionLow), "silence is no pressure");
    rig.run(150.0, &suction(0.1, 0.0, 0.0));
    assert!(!rig.stands(AlarmId::SuctionLow), "standing water shows none");

    let pump = "[plants.home.actuators.pump]\nrole = \"pump\"\ntopic = \"p/pump/set\"\nclose = \"OFF\"\nopen = \"ON\"\n";
    let mut rig = producing(&with_more().replace(pump, ""));
    rig.run(120.0, &suction(0.1, 0.15, 1.0));
    assert!(!rig.stands(AlarmId::SuctionLow), "there is no pump to run dry");
}

#[test]
fn a_level_at_the_band_itself_opens_nothing() {
    let mut rig = idle(FULL);
    rig.run(60.0, &readings(40.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.told("valve", Action::Open), 0);
    rig.run(30.0, &readings(39.9, 0.0, 0.0, 0.0));
    assert_eq!(rig.told("valve", Action::Open), 1, "{:?}", rig.missing());
}
