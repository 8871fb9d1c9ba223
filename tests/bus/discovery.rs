//! What the hub is told, and what is taken back.

use crate::harness::{Harness, PATIENCE, settings};
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Witness, retained};
use crate::support::wait;
use serde_json::Value;
use std::time::Duration;

const OURS: &str = "homeassistant/device/permeated_d1_reef/config";
const GONE: &str = "homeassistant/device/permeated_d1_sold/config";
const FOREIGN: &str = "homeassistant/device/permeated_d2_reef/config";

fn stored(port: u16, topic: &str) -> Option<Value> {
    let (_, payload) = retained(port, topic).pop()?;
    Some(serde_json::from_str(&payload).expect("JSON"))
}

#[test]
fn what_is_no_longer_ours_is_taken_back_in_two_steps() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["homeassistant/#"]);
    let old = r#"{"components": {"old_value": {"platform": "sensor", "unique_id": "x"}}}"#;
    for topic in [OURS, GONE, FOREIGN] {
        witness.publish(topic, old, true);
    }
    witness.settle();
    let _harness = Harness::start(broker.port());
    let versions = || -> Vec<Value> {
        witness
            .on(OURS)
            .iter()
            .skip(1)
            .map(|heard| serde_json::from_str(&heard.payload).expect("JSON"))
            .collect()
    };
    wait::until("two versions", PATIENCE, || versions().len() >= 2);
    let versions = versions();
    assert_eq!(versions[0]["components"]["old_value"], serde_json::json!({"platform": "sensor"}));
    assert!(versions[1]["components"].get("old_value").is_none());
    assert!(versions[1]["components"]["membrane_rejection"].is_object());
    assert_eq!(stored(broker.port(), GONE), None, "the plant that was sold");
    assert!(stored(broker.port(), FOREIGN).is_some(), "another daemon's");
}

#[test]
fn a_device_deleted_in_the_hub_is_not_fought_over() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &[OURS]);
    let harness = Harness::start(broker.port());
    wait::until("announced", PATIENCE, || witness.count(OURS) == 1);
    witness.publish(OURS, "", true);
    witness.publish("homeassistant/status", "online", false);
    witness.settle();
    wait::never("announced again", Duration::from_secs(1), || {
        witness.on(OURS).iter().filter(|heard| !heard.payload.is_empty()).count() > 1
    });
    drop(harness);
    let _next = Harness::start(broker.port());
    wait::until("announced after the next start", PATIENCE, || {
        stored(broker.port(), OURS).is_some()
    });
}

#[test]
fn the_birth_of_the_hub_is_answered_with_announcement_then_values_then_state() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &[OURS, "permeated/5/#"]);
    let harness = Harness::start(broker.port());
    harness.wait_ready();
    wait::until("announced", PATIENCE, || witness.count(OURS) == 1);
    witness.forget();
    witness.publish("homeassistant/status", "online", false);
    let state = "permeated/5/reef/$state";
    wait::until("everything again", PATIENCE, || witness.count(state) >= 1);
    let topics: Vec<String> = witness
        .heard()
        .into_iter()
        .map(|heard| heard.topic)
        .filter(|topic| !topic.ends_with("$instance"))
        .collect();
    let at = |wanted: &str| topics.iter().position(|topic| topic == wanted).expect(wanted);
    assert!(at(OURS) < at("permeated/5/reef/$description"), "{topics:?}");
    assert!(at("permeated/5/reef/$description") < at(state), "{topics:?}");
}

#[test]
fn nothing_is_announced_when_discovery_is_off() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["homeassistant/#"]);
    let mut settings = settings(broker.port());
    settings.broker.discovery = false;
    let harness = Harness::with(settings);
    harness.wait_ready();
    wait::never("an announcement", Duration::from_secs(3), || !witness.heard().is_empty());
}
