//! Starts, stops, deaths of daemon and broker.

use crate::site::{Daemon, Field, PATIENCE};
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Witness, retained};
use crate::support::wait;
use rustix::process::Signal;
use std::collections::BTreeSet;
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

/// Two installations that were given different ids guard one plant: neither may go on as if alone.
#[test]
fn a_second_daemon_with_another_id_is_seen_and_both_close_until_it_is_gone() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let first = Daemon::start("d1", broker.port(), &["cellar"]);
    field.run_water(&witness);

    let came = Instant::now();
    let mut second = Daemon::start("d2", broker.port(), &["cellar"]);
    // Each of the two says so in its permit, which names its writer.
    let both_hold = || {
        let permits: Vec<_> = field.permits_since(&witness, came);
        let held = permits.iter().filter(|permit| {
            permit["permitted"] == false
                && permit["missing"].to_string().contains("second-instance")
        });
        held.map(|permit| permit["instance"].to_string()).collect::<BTreeSet<_>>().len() == 2
    };
    wait::until("both hold for a second instance", PATIENCE, both_hold);
    field.command_since(&witness, "OFF", came);
    for (daemon, other) in [(&first, " d2"), (&second, " d1")] {
        let log = daemon.log();
        let said = log.lines().find(|line| line.contains("another daemon guards this plant"));
        assert!(said.is_some_and(|line| line.contains(other)), "{log}");
    }
    // However the two take each other's guard connection: nothing opens.
    let held = Instant::now();
    wait::never("an open while two guard one plant", Duration::from_secs(10), || {
        witness.on(&field.valve()).iter().any(|h| h.at >= held && h.payload == "ON")
    });

    // Gone without a word: what it said last (nothing is retained of it) holds nobody up.
    second.kill();
    field.wait_permit(&witness, true);
    let since = Instant::now();
    let state = field.topic("$state");
    wait::until("the first one's state stands", PATIENCE, || {
        retained(broker.port(), &state) == [(state.clone(), "ready".to_owned())]
    });
    field.run_water(&witness);
    wait::never("held again", Duration::from_secs(3), || {
        let permits = field.permits_since(&witness, since);
        permits.iter().any(|permit| permit["missing"].to_string().contains("second-instance"))
    });
}
