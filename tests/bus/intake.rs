//! Readings on their way in: topics, payloads, floods.

use crate::harness::{Harness, PATIENCE, WALL, sensor, settings};
use crate::support::broker::{Broker, Kind};
use crate::support::client::Witness;
use crate::support::wait;
use permeated::engine::event::{Event, Reading};
use permeated::engine::time::Wall;
use permeated::engine::value::NoReading;
use std::time::{Duration, Instant};

fn start() -> (Broker, Harness, Witness) {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &[]);
    let harness = Harness::start(broker.port());
    harness.wait_ready();
    (broker, harness, witness)
}

fn none(id: &str, reason: NoReading) -> Event {
    Event::NoReading { sensor: sensor(id), reason }
}

#[test]
fn two_sensors_share_a_topic_and_each_finds_its_number() {
    let (_broker, harness, witness) = start();
    witness.publish(
        "probes/tds",
        r#"{"feed": 301.5, "product": "2", "time": "2026-11-25T10:00:01Z"}"#,
        false,
    );
    harness.wait(&Event::Reading(Reading {
        sensor: sensor("feed-tds"),
        value: 301.5,
        retained: false,
        arrived: Some(WALL),
        stamp: None,
    }));
    harness.wait(&Event::Reading(Reading {
        sensor: sensor("product-tds"),
        value: 2.0,
        retained: false,
        arrived: Some(WALL),
        stamp: Some(Wall::from_millis(WALL.millis() + 1000)),
    }));
}

#[test]
fn units_become_canonical_and_states_become_one_or_zero() {
    let (_broker, harness, witness) = start();
    witness.publish("inlet/pressure", "60", false);
    witness.publish("floor/leak", "wet", false);
    witness.publish("valve/state", "closed", false);
    wait::until("all three", PATIENCE, || {
        let bar = harness.values(sensor("inlet"));
        bar.len() == 1
            && (bar[0] - 4.136_854).abs() < 1e-5
            && harness.values(sensor("leak")) == [1.0]
            && harness.values(sensor("valve-state")) == [0.0]
    });
}

#[test]
fn a_stored_copy_is_marked_and_a_live_one_is_not() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &[]);
    witness.publish("floor/leak", "on", true);
    witness.settle();
    let harness = Harness::start(broker.port());
    harness.wait_ready();
    let reading = |value, retained| {
        Event::Reading(Reading {
            sensor: sensor("leak"),
            value,
            retained,
            arrived: Some(WALL),
            stamp: None,
        })
    };
    harness.wait(&reading(1.0, true));
    witness.publish("floor/leak", "off", true);
    harness.wait(&reading(0.0, false));
}

#[test]
fn bad_payloads_are_counted_and_stop_nothing() {
    let (_broker, harness, witness) = start();
    let big = vec![b'7'; 1_000_000];
    let deep = "[".repeat(60_000);
    let bad: [&[u8]; 8] =
        [b"", b"NaN", b"1e999", b"\xff\xfe", b"12,5", b"{\"x\":", &big, deep.as_bytes()];
    for payload in bad {
        witness.publish("inlet/pressure", payload, false);
    }
    witness.publish("inlet/pressure", "60", false);
    wait::until("the good one", PATIENCE, || harness.values(sensor("inlet")).len() == 1);
    assert_eq!(harness.count(&none("inlet", NoReading::Unparsable)), bad.len());
    wait::until("the count on the board", PATIENCE, || {
        harness.board.health().bad_payloads.get("reef/inlet") == Some(&(bad.len() as u64))
    });
    assert_eq!(harness.count(&Event::BrokerLost), 0);
}

#[test]
fn offline_is_said_by_topic_and_by_null() {
    let (_broker, harness, witness) = start();
    witness.publish("probes/online", "offline", false);
    harness.wait(&none("product-tds", NoReading::Offline));
    witness.publish("probes/tds", r#"{"feed": null, "product": 1}"#, false);
    harness.wait(&none("feed-tds", NoReading::Offline));
    assert!(!harness.board.health().bad_payloads.contains_key("reef/feed-tds"));
}

#[test]
fn a_stored_demand_may_withhold_and_never_grant() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &[]);
    witness.publish("water/wanted", "on", true);
    witness.settle();
    let harness = Harness::start(broker.port());
    harness.wait_ready();
    witness.publish("water/wanted", "off", false);
    harness.wait(&Event::Demand { wanted: false });
    assert_eq!(
        harness.count(&Event::Demand { wanted: true }),
        0,
        "the stored one is not acted upon"
    );
    witness.publish("water/wanted", "on", false);
    harness.wait(&Event::Demand { wanted: true });
}

/// A guard sensor that floods: what it says last arrives all the same, soon, and a second guard
/// sensor is not delayed.
#[test]
fn a_flood_is_held_back_and_its_last_word_arrives() {
    let (_broker, harness, witness) = start();
    const FLOOD: u32 = 20_000;
    let began = Instant::now();
    for index in 0..FLOOD {
        witness.publish_fast("inlet/pressure", index.to_string());
    }
    witness.publish_fast("inlet/pressure", "145.0377377");
    let sent = Instant::now();
    wait::until("the last word: 10 bar", PATIENCE, || {
        harness.values(sensor("inlet")).last().is_some_and(|bar| (bar - 10.0).abs() < 1e-6)
    });
    println!("{FLOOD} messages in {:?}, last word {:?} later", sent - began, sent.elapsed());
    let passed = harness.values(sensor("inlet")).len();
    assert!(passed < 2_000, "{passed} of {FLOOD} passed");
    witness.publish("floor/leak", "on", false);
    let asked = Instant::now();
    wait::until("the leak", PATIENCE, || harness.values(sensor("leak")) == [1.0]);
    println!("leak after the flood: {:?}", asked.elapsed());
    wait::until("what was held back is counted", PATIENCE, || {
        harness.board.health().rate_limited.get("reef/inlet").is_some_and(|held| *held > 10_000)
    });
}

#[test]
fn a_message_above_the_packet_limit_costs_a_connection_and_no_more() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &[]);
    let mut settings = settings(broker.port());
    settings.broker.packet_max_bytes = 100_000;
    let harness = Harness::with(settings);
    harness.wait_ready();
    witness.publish("inlet/pressure", vec![b'1'; 200_000], false);
    harness.wait(&Event::BrokerLost);
    harness.wait_times(&Event::BrokerReady, 2);
    assert_eq!(
        harness.count(&Event::GuardLost { actuator: 0 }),
        0,
        "the guard has nothing to do with it"
    );
    wait::never("more of it", Duration::from_millis(500), || harness.count(&Event::BrokerLost) > 1);
}
