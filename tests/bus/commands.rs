//! Commands from the bus.

use crate::harness::{Harness, PATIENCE};
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Witness, retained};
use crate::support::wait;
use permeated::engine::event::{Ask, Command, Event};
use std::time::Duration;

const LOG: &str = "permeated/5/reef/event/log";

fn start() -> (Broker, Harness, Witness) {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &[LOG]);
    let harness = Harness::start(broker.port());
    harness.wait_ready();
    (broker, harness, witness)
}

fn answered(witness: &Witness, part: &str) {
    wait::until(&format!("an answer with '{part}'"), PATIENCE, || {
        witness.on(LOG).iter().any(|heard| heard.payload.contains(part))
    });
}

#[test]
fn a_live_command_reaches_the_engine() {
    let (_broker, harness, witness) = start();
    witness.publish(
        "permeated/5/reef/guard/reset/set",
        r#"{"cause": "leak", "reason": "dried", "id": "7"}"#,
        false,
    );
    harness.wait(&Event::Command(Command {
        id: "7".into(),
        at: None,
        what: Ask::Reset { cause: "leak".into(), reason: "dried".into() },
    }));
    witness.publish("permeated/5/reef/alarm/acknowledge/set", "leak", false);
    harness.wait(&Event::Command(Command {
        id: String::new(),
        at: None,
        what: Ask::Acknowledge { alarm: "leak".into() },
    }));
}

#[test]
fn a_retained_command_is_refused_and_cleared_each_time() {
    let broker = Broker::start(Kind::Mosquitto);
    let topic = "permeated/5/reef/guard/release/set";
    let witness = Witness::new(broker.port(), &[LOG]);
    witness.publish(topic, "PRESS", true);
    witness.settle();
    let harness = Harness::start(broker.port());
    harness.wait_ready();
    answered(&witness, "retained");
    wait::until("it is cleared", PATIENCE, || retained(broker.port(), topic).is_empty());
    let is_command = |event: &Event| matches!(event, Event::Command(_));
    assert!(!harness.events().iter().any(is_command), "it was not carried out");
}

#[test]
fn a_bad_command_is_answered_on_the_event_stream() {
    let (_broker, harness, witness) = start();
    witness.publish("permeated/5/reef/service/entry/set", "{\"entry\": ", false);
    answered(&witness, "not a JSON object");
    witness.publish("permeated/5/reef/guard/litres/set", "many", false);
    answered(&witness, "not a number of litres");
    wait::never("a command", Duration::from_millis(200), || {
        harness.events().iter().any(|event| matches!(event, Event::Command(_)))
    });
}
