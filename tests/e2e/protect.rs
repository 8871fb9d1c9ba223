//! Trips, resets and the neighbour's independence.

use crate::site::{BROKER_LOST, Daemon, Field, PATIENCE};
use crate::support::broker::{Broker, Kind};
use crate::support::client::Witness;
use crate::support::wait;
use rustix::process::Signal;
use serde_json::json;
use std::time::Instant;

#[test]
fn spoiled_product_closes_and_only_a_passed_test_run_lets_it_be_reset() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let _daemon = Daemon::start("d1", broker.port(), &["cellar"]);
    field.run_water(&witness);

    let spoiled = Instant::now();
    field.product(40);
    field.command_since(&witness, "OFF", spoiled);
    field.wait_permit(&witness, false);
    assert_eq!(
        field.permit(&witness)["first_cause"],
        "product-tds-high",
        "{}",
        field.permit(&witness)
    );

    let reset = || field.ask(&witness, "reset", json!({"cause": "product-tds-high"}));
    let (accepted, words) = reset();
    assert!(!accepted, "{words}");

    field.product(0);
    let (accepted, words) = field.ask(&witness, "test-run", json!({"outlet_to_drain": true}));
    assert!(accepted, "{words}");
    wait::until("the test run passes", PATIENCE, || {
        witness
            .on(&field.topic("event/log"))
            .iter()
            .any(|heard| heard.payload.contains("\"test-run\":\"passed\""))
    });
    let (accepted, words) = reset();
    assert!(accepted, "{words}");
    field.wait_permit(&witness, true);
}

#[test]
fn a_leak_closes_and_so_does_an_open_without_permit() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let _daemon = Daemon::start("d1", broker.port(), &["cellar"]);
    field.run_water(&witness);
    let wet = Instant::now();
    witness.publish("cellar/floor", "ON", false);
    field.command_since(&witness, "OFF", wet);
    field.wait_permit(&witness, false);
    assert_eq!(field.permit(&witness)["first_cause"], "leak", "{}", field.permit(&witness));

    // The relay has to be known closed before an opening by others can be told.
    witness.settle();
    let count = witness.on(&field.valve()).len();
    witness.publish(&field.valve(), "ON", false);
    wait::until("closed again", PATIENCE, || {
        witness
            .on(&field.valve())
            .iter()
            .skip(count)
            .skip_while(|h| h.payload != "ON")
            .any(|h| h.payload == "OFF")
    });
}

#[test]
fn a_panic_in_one_plant_closes_it_and_the_other_does_not_notice() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let one = Field::start(broker.port(), "alpha");
    let two = Field::start(broker.port(), "beta");
    let daemon = Daemon::start("d1", broker.port(), &["alpha", "beta"]);
    one.run_water(&witness);
    two.run_water(&witness);
    let since = Instant::now();
    daemon.signal(Signal::USR2);
    one.command_since(&witness, "OFF", since);
    let state = one.topic("$state");
    let after = || {
        witness
            .on(&state)
            .into_iter()
            .filter(|h| h.at >= since)
            .map(|h| h.payload)
            .collect::<Vec<_>>()
    };
    // Of a retained topic the newest word goes out: "ready" may overtake "lost", but without having
    // been lost it would not be said a second time.
    wait::until("its state is told anew, and is ready", PATIENCE, || {
        after().last().is_some_and(|state| state == "ready")
    });
    let commands: Vec<_> = witness.on(&two.valve()).into_iter().filter(|h| h.at >= since).collect();
    assert!(commands.is_empty(), "{commands:?}");
    assert_eq!(two.permit(&witness)["permitted"], true);
    // The engine that came back knows that the broker is there, and lets water run again for good.
    one.run_water(&witness);
    wait::never("held for a lost broker", BROKER_LOST * 2, || {
        one.permit(&witness)["missing"].to_string().contains("broker-lost")
    });
}
