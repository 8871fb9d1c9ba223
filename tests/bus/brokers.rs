//! The brokers themselves: what the bus relies on, asked of mosquitto and of our own.

use crate::harness::PATIENCE;
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Witness, retained};
use crate::support::port::{free_port, lowest_of_the_kernel, to_choose_from};
use crate::support::wait;
use std::collections::BTreeSet;
use std::time::Duration;

const KINDS: [Kind; 2] = [Kind::Mosquitto, Kind::Own];

#[test]
fn stored_messages_reach_a_newcomer_and_an_empty_one_clears() {
    for kind in KINDS {
        let broker = Broker::start(kind);
        let witness = Witness::new(broker.port(), &[]);
        witness.publish("a/b", "1", true);
        witness.publish("a/c", "2", true);
        witness.settle();
        let mut found = retained(broker.port(), "a/+");
        found.sort();
        assert_eq!(
            found,
            [("a/b".to_owned(), "1".to_owned()), ("a/c".to_owned(), "2".to_owned())],
            "{kind:?}"
        );
        witness.publish("a/b", "", true);
        witness.settle();
        assert_eq!(retained(broker.port(), "a/b"), [], "{kind:?}");
    }
}

#[test]
fn many_stored_messages_reach_clients_that_subscribe_topic_by_topic() {
    for kind in KINDS {
        let broker = Broker::start(kind);
        let writer = Witness::new(broker.port(), &[]);
        let topics: Vec<String> = (0..300).map(|index| format!("many/{index}")).collect();
        for topic in &topics {
            writer.publish(topic, "x", true);
        }
        writer.settle();
        let filters: Vec<&str> = topics.iter().map(String::as_str).collect();
        let reader = Witness::new(broker.port(), &filters);
        wait::until("all 300", PATIENCE, || reader.heard().len() >= 300);
        let wildcard = retained(broker.port(), "many/#").len();
        println!("{kind:?}: a wildcard subscriber gets {wildcard} of 300 stored messages");
    }
}

#[test]
fn our_own_broker_is_there_until_it_is_killed_and_refuses_a_taken_port() {
    let mut broker = Broker::start(Kind::Own);
    let port = broker.port();
    let args = permeated::broker::Args { listen: ([127, 0, 0, 1], port).into(), login_file: None };
    // The same port again: an answer, not a hang.
    let code = permeated::broker::run(&args);
    assert_eq!(format!("{code:?}"), format!("{:?}", std::process::ExitCode::from(69)));
    broker.kill();
    wait::until("the port is free", Duration::from_secs(5), || {
        std::net::TcpStream::connect(("127.0.0.1", port)).is_err()
    });
}

#[test]
fn a_port_goes_to_one_server_and_to_no_client() {
    let takers: Vec<_> = (0..4)
        .map(|_| std::thread::spawn(|| (0..25).map(|_| free_port()).collect::<Vec<_>>()))
        .collect();
    let ports: Vec<u16> =
        takers.into_iter().flat_map(|taker| taker.join().expect("ports")).collect();
    assert_eq!(ports.iter().collect::<BTreeSet<_>>().len(), 100, "each once: {ports:?}");
    assert!(ports.iter().all(|port| to_choose_from().contains(port)), "{ports:?}");
    // What the kernel gives to a client, or to a server that asks for any port; a machine may be set up
    // to give them all.
    if let Some(lowest) = lowest_of_the_kernel().filter(|lowest| *lowest > 16_000) {
        assert!(ports.iter().all(|port| *port < lowest), "{ports:?} of {lowest}");
    }
}
