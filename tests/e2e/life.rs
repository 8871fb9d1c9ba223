//! Starts, stops, deaths of daemon and broker.

use crate::site::{Daemon, Field, PATIENCE};
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Witness, retained};
use crate::support::wait;
use rustix::process::Signal;
use std::time::{Duration, Instant};

#[test]
fn a_clean_stop_closes_says_so_and_fires_no_will() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let mut daemon = Daemon::start("d1", broker.port(), &["cellar"]);
    field.run_water(&witness);
    let since = Instant::now();
    daemon.signal(Signal::TERM);
    field.command_since(&witness, "OFF", since);
    assert_eq!(daemon.ended().code(), Some(0), "{}", daemon.log());
    field.wait_permit(&witness, false);
    // What the broker had of us before the end is here after our own round trip.
    witness.settle();
    let closes = witness.count(&field.valve());
    wait::never("a will after a clean stop", Duration::from_secs(2), || {
        witness.count(&field.valve()) > closes
    });
}

#[test]
fn a_trip_and_the_totals_outlive_sigkill() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let mut daemon = Daemon::start("d1", broker.port(), &["cellar"]);
    field.run_water(&witness);
    field.product(40);
    wait::until("the trip", PATIENCE, || {
        field.permit(&witness)["first_cause"] == "product-tds-high"
    });
    let starts = field.topic("plant/starts");
    let number = || witness.last(&starts).and_then(|text| text.parse::<f64>().ok());
    let before = wait::until_some("a start is counted", PATIENCE, number);
    daemon.kill();
    field.product(0);
    witness.forget();
    daemon.up();
    wait::until("the trip stands after the start", PATIENCE, || {
        field.permit(&witness)["missing"].to_string().contains("product-tds-high")
    });
    let after = wait::until_some("the total is published", PATIENCE, number);
    assert!(after >= before, "{after} < {before}");
    assert_eq!(field.permit(&witness)["permitted"], false);
    assert!(witness.on(&field.valve()).iter().all(|heard| heard.payload != "ON"));
}

#[test]
fn a_broker_that_forgot_everything_is_told_everything_and_nothing_opens() {
    let mut broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let _daemon = Daemon::start("d1", broker.port(), &["cellar"]);
    field.wait_permit(&witness, true);
    // Nobody asks for water: an open could only be a stale one.
    let names = || {
        retained(broker.port(), "permeated/#")
            .into_iter()
            .map(|(topic, _)| topic)
            .collect::<Vec<_>>()
    };
    let before = names();
    assert!(before.len() > 10, "{before:?}");
    broker.kill();
    broker.up();
    wait::until("all retained topics are back", PATIENCE, || {
        let after: Vec<_> =
            retained(broker.port(), "permeated/#").into_iter().map(|(topic, _)| topic).collect();
        before.iter().all(|topic| after.contains(topic))
    });
    witness.forget();
    field.wait_permit(&witness, true);
    assert!(witness.on(&field.valve()).iter().all(|heard| heard.payload != "ON"));
}

#[test]
fn a_second_daemon_is_refused_the_folder_and_held_on_the_bus() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let daemon = Daemon::start("d1", broker.port(), &["cellar"]);
    field.wait_permit(&witness, true);
    let mut same = daemon.another();
    let status = wait::until_some("it is refused", PATIENCE, || same.try_wait().expect("a child"));
    assert_eq!(status.code(), Some(69));
    assert!(daemon.log().contains("permeated: "), "{}", daemon.log());

    // The same settings with a state folder of its own: a copied installation.
    let _other = Daemon::start("d1", broker.port(), &["cellar"]);
    wait::until("held as a second instance", PATIENCE, || {
        field.permit(&witness)["missing"].to_string().contains("second-instance")
    });
}
