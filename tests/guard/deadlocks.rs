//! Deadlocks: none. Every trip of the catalogue is raised, its reset is refused while the cause
//! lasts, and it is cleared by a way that a person has, without a bypass. A trip that is added to the
//! catalogue without such a way fails here.

use super::plants::{FULL, idle, producing, readings};
use super::rig::Rig;
use permeated::engine::catalogue::{ALARMS, AlarmId, Consequence};
use permeated::engine::event::{Ask, ServiceEntry};

/// The plant with this trip standing.
fn trip(alarm: AlarmId) -> Option<Rig> {
    let mut rig = producing(FULL);
    match alarm {
        AlarmId::Leak => rig.read("floor", 1.0),
        AlarmId::StoreOverfull => {
            rig.read("brim", 1.0);
            rig.wait(5.0);
        }
        AlarmId::RunLitresHigh => {
            // 29 L of room, and more was made; the level is not yet at the stop.
            rig.run(1_500.0, &readings(55.0, 0.0, 1.5, 1.0));
        }
        AlarmId::ProductTdsHigh => rig.run(60.0, &readings(31.0, 45.0, 0.15, 1.0)),
        AlarmId::ValveLeaksBy => {
            rig.ask(Ask::Close);
            rig.run(2_000.0, &readings(31.0, 0.0, 0.05, 0.0));
            rig.ask(Ask::Release);
        }
        AlarmId::FeedHot => {
            let mut hot = readings(31.0, 0.0, 0.15, 1.0);
            hot[3].1 = 45.0;
            rig.run(60.0, &hot);
        }
        // Raised by the trend path's account; cleared by the same entries. See tests of that path.
        AlarmId::ProductProbeContradicted => return None,
        _ => panic!("{} is a trip without a way out", alarm.name()),
    }
    assert!(rig.stands(alarm), "{} was not raised", alarm.name());
    assert!(!rig.permitted(), "{}", alarm.name());
    Some(rig)
}

/// What a person does about it.
fn way_out(rig: &mut Rig, alarm: AlarmId) {
    let shut = |level| readings(level, 0.0, 0.0, 0.0);
    match alarm {
        AlarmId::Leak => {
            rig.read("floor", 0.0);
            rig.run(660.0, &shut(31.0));
        }
        AlarmId::StoreOverfull => {
            rig.read("brim", 0.0);
            rig.run(60.0, &shut(31.0));
        }
        AlarmId::RunLitresHigh => rig.run(60.0, &shut(31.0)),
        AlarmId::ProductTdsHigh => {
            rig.run(60.0, &shut(31.0));
            let answer = rig.ask(Ask::TestRun { outlet_to_drain: true });
            assert!(!answer.starts_with("Refused"), "{answer}");
            rig.run(20.0, &shut(31.0));
            rig.run(1_100.0, &readings(31.0, 0.0, 0.15, 1.0));
        }
        AlarmId::ValveLeaksBy => {
            let actuator = "valve".to_owned();
            rig.ask(Ask::Service(ServiceEntry::ValveServiced { actuator }));
        }
        AlarmId::FeedHot => {
            rig.run(60.0, &shut(31.0));
            let answer = rig.ask(Ask::TestRun { outlet_to_drain: true });
            assert!(!answer.starts_with("Refused"), "{answer}");
            rig.run(60.0, &readings(31.0, 0.0, 0.15, 1.0));
        }
        _ => panic!("{} has no way out", alarm.name()),
    }
}

#[test]
fn every_trip_is_cleared_without_a_bypass_and_not_before_its_cause_is_gone() {
    for row in ALARMS.iter().filter(|row| row.consequence == Consequence::Trip) {
        let Some(mut rig) = trip(row.id) else { continue };
        let answer = rig.reset(row.id);
        assert!(answer.starts_with("Refused"), "{}: {answer}", row.name);
        assert!(answer.contains("What clears it: "), "{}: {answer}", row.name);
        way_out(&mut rig, row.id);
        assert!(rig.stands(row.id), "{} cleared itself", row.name);
        let answer = rig.reset(row.id);
        assert!(!answer.starts_with("Refused"), "{}: {answer}", row.name);
        assert!(!rig.stands(row.id), "{}", row.name);
        // A test run is a start too: the pause after two in an hour is no deadlock.
        rig.run(3_700.0, &readings(50.0, 0.0, 0.0, 0.0));
        assert!(rig.permitted(), "{}: {:?}", row.name, rig.missing());
        assert!(rig.logs.iter().all(|entry| entry.data.get("bypass").is_none()));
    }
}

/// Where no level is measured, a person's entry takes its place.
#[test]
fn without_a_level_a_persons_entry_clears_what_the_container_tripped() {
    let bare = FULL
        .replace("[plants.home.sensors.level]\ntopic = \"p/level\"\nquantity = \"level\"\npoint = \"store\"\nunit = \"L\"\ninterval_secs = 5\n", "")
        .replace("mode = \"level\"\nstart_below_litres = 40\nstop_at_litres = 58\n", "mode = \"hub\"\n");
    let mut rig = idle(&bare);
    rig.read("brim", 1.0);
    rig.wait(5.0);
    assert!(rig.stands(AlarmId::StoreOverfull));
    let entry = || {
        Ask::Service(ServiceEntry::Checked {
            cause: AlarmId::StoreOverfull.name().into(),
            note: "emptied".into(),
        })
    };
    rig.ask(entry());
    assert!(rig.reset(AlarmId::StoreOverfull).starts_with("Refused"), "the float is still up");
    rig.read("brim", 0.0);
    rig.wait(5.0);
    rig.ask(entry());
    let answer = rig.reset(AlarmId::StoreOverfull);
    assert!(!answer.starts_with("Refused"), "{answer}");
}
