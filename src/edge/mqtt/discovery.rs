//! Announcement to a Home Assistant hub: one device for each plant, referring to the very topics of
//! the tree.
//!
//! Values need no template. What makes an entity unavailable is said by three topics that all have to
//! agree: the daemon's `$state`, the plant's, and the value's quality. Ids come from the settings and
//! the catalogue, never from names. Commands that could harm are absent on purpose: the hub gets
//! buttons to close, to take that back, and to acknowledge; no bypass and no open.
//!
//! The object id of a topic is `permeated_<daemon>_<plant>`; ids hold no underscore, so what is ours
//! can be told from what is not, and entries of plants that are gone can be cleared.

use super::homie::{alarm_keys, value_keys, value_name};
use super::topics::{ALARM, GUARD, Shape, Topics, alarm_id, node_and_property};
use crate::engine::catalogue::{Class, Consequence, Kind, SignalId};
use crate::engine::output::{AlarmKey, ValueKey};
use crate::engine::setup::Setup;
use crate::settings::schema::Point;
use crate::units::Quantity;
use serde_json::{Map, Value, json};

/// A value is expected again within this many of its heartbeats.
const HEARTBEATS: u32 = 3;
/// ... and at least this many seconds.
const EXPIRY_MIN_SECS: u32 = 60;

/// Object id of a plant's device.
pub fn device_id(topics: &Topics, plant: &str) -> String {
    format!("permeated_{}_{plant}", topics.daemon_id())
}

/// Whether a device id is one of this daemon's.
pub fn is_ours(topics: &Topics, device: &str) -> bool {
    device
        .strip_prefix("permeated_")
        .and_then(|rest| rest.strip_prefix(topics.daemon_id()))
        .is_some_and(|rest| rest.starts_with('_'))
}

/// The announcement of a plant.
pub fn announcement(setup: &Setup, name: &str, topics: &Topics) -> Value {
    let device = device_id(topics, &setup.plant);
    let mut components = Map::new();
    for key in value_keys(setup).into_iter().filter(|key| may_exist(setup, *key)) {
        let (node, property) = node_and_property(setup, key);
        components.insert(format!("{node}_{property}"), value(setup, key, topics));
    }
    for key in alarm_keys(setup) {
        components.insert(format!("alarm_{}", alarm_id(setup, key)), alarm(setup, key, topics));
    }
    for (id, node, command, payload, name, icon) in [
        ("close", GUARD, "close", "PRESS", "Close and keep closed", "mdi:valve-closed"),
        ("release", GUARD, "release", "PRESS", "Take back close", "mdi:valve"),
        ("acknowledge", ALARM, "acknowledge", "all", "Acknowledge alarms", "mdi:bell-check"),
    ] {
        components.insert(
            format!("button_{id}"),
            json!({
                "platform": "button",
                "name": name,
                "icon": icon,
                "command_topic": topics.command(&setup.plant, node, command),
                "payload_press": payload,
                "availability": availability(setup, topics, None),
                "availability_mode": "all",
            }),
        );
    }
    for (id, component) in &mut components {
        component["unique_id"] = json!(format!("{device}_{id}"));
    }
    json!({
        "device": {
            "identifiers": [device],
            "name": if name.is_empty() { &setup.plant } else { name },
            "model": "Reverse-osmosis plant",
            "sw_version": env!("CARGO_PKG_VERSION"),
        },
        "origin": {"name": "permeated", "sw_version": env!("CARGO_PKG_VERSION")},
        "components": components,
    })
}

/// The announcement that removes `gone`, to be sent before the one without them: a component that is
/// only left out stays in the hub.
pub fn with_removed<'a>(new: &Value, gone: impl IntoIterator<Item = (&'a str, &'a str)>) -> Value {
    let mut with = new.clone();
    for (id, platform) in gone {
        with["components"][id] = json!({"platform": platform});
    }
    with
}

/// Components of a stored announcement that a new one lacks: id and platform.
pub fn removed(stored: &Value, new: &Value) -> Vec<(String, String)> {
    let Some(before) = stored.get("components").and_then(Value::as_object) else {
        return Vec::new();
    };
    before
        .iter()
        .filter(|(id, _)| new["components"].get(id.as_str()).is_none())
        .filter_map(|(id, component)| {
            Some((id.clone(), component.get("platform")?.as_str()?.to_owned()))
        })
        .collect()
}

/// Values that this plant can have at all; the rest would only stand about as unavailable.
fn may_exist(setup: &Setup, key: ValueKey) -> bool {
    match key.signal {
        SignalId::StoreLitres | SignalId::StoreFree => {
            setup.sensors_of(Point::Store, Quantity::Level).next().is_some()
        }
        _ => true,
    }
}

/// Shown without being asked for.
fn is_main(setup: &Setup, key: ValueKey) -> bool {
    let row = key.signal.row();
    match key.of.map(usize::from).and_then(|index| setup.sensors.get(index)) {
        Some(sensor) if key.signal == SignalId::Reading => {
            sensor.is_solids()
                || matches!(sensor.quantity, Quantity::Leak | Quantity::Level | Quantity::Flow)
        }
        _ => row.main,
    }
}

fn value(setup: &Setup, key: ValueKey, topics: &Topics) -> Value {
    let row = key.signal.row();
    let shape = Shape::of_value(key, setup);
    let is_flag = shape.datatype == Shape::of(Kind::Flag).datatype;
    let mut component = json!({
        "platform": if is_flag { "binary_sensor" } else { "sensor" },
        "name": value_name(setup, key),
        "state_topic": topics.value(setup, key),
        "availability": availability(setup, topics, Some(topics.quality(setup, key))),
        "availability_mode": "all",
    });
    if row.heartbeat_secs > 0 {
        component["expire_after"] = json!((HEARTBEATS * row.heartbeat_secs).max(EXPIRY_MIN_SECS));
    }
    if is_flag {
        component["payload_on"] = json!("true");
        component["payload_off"] = json!("false");
        if let Some(class) = flag_class(setup, key) {
            component["device_class"] = json!(class);
        }
    } else {
        if !shape.unit.is_empty() {
            component["unit_of_measurement"] = json!(shape.unit);
        }
        if let Some(class) = shape.hub_class {
            component["device_class"] = json!(class);
        }
        if let Some(class) = shape.hub_state_class {
            component["state_class"] = json!(class);
            component["suggested_display_precision"] = json!(shape.digits.min(2));
        }
    }
    if !is_main(setup, key) {
        component["entity_category"] = json!("diagnostic");
        component["enabled_by_default"] = json!(false);
    }
    component
}

fn flag_class(setup: &Setup, key: ValueKey) -> Option<&'static str> {
    let sensor = setup.sensors.get(usize::from(key.of?))?;
    match sensor.quantity {
        Quantity::Leak => Some("moisture"),
        Quantity::Open => Some("opening"),
        _ => None,
    }
}

fn alarm(setup: &Setup, key: AlarmKey, topics: &Topics) -> Value {
    let row = key.alarm.row();
    let mut name = alarm_id(setup, key).replace('-', " ");
    if let Some(first) = name.get_mut(0..1) {
        first.make_ascii_uppercase();
    }
    json!({
        "platform": "binary_sensor",
        "name": name,
        "device_class": "problem",
        "state_topic": topics.alarm_active(setup, key),
        "payload_on": "true",
        "payload_off": "false",
        // Changes with the alarm and not with every reading.
        "json_attributes_topic": topics.alarm_detail(setup, key),
        "availability": availability(setup, topics, None),
        "availability_mode": "all",
        "entity_category": "diagnostic",
        "enabled_by_default": row.consequence == Consequence::Trip || row.class == Class::Now,
    })
}

/// Templates only here: these topics change seldom.
fn availability(setup: &Setup, topics: &Topics, quality: Option<String>) -> Value {
    const READY: &str = "{{ 'online' if value == 'ready' else 'offline' }}";
    const THERE: &str = "{{ 'offline' if value == 'absent' else 'online' }}";
    let mut list = vec![
        json!({"topic": topics.daemon_state(), "value_template": READY}),
        json!({"topic": topics.plant_state(&setup.plant), "value_template": READY}),
    ];
    list.extend(quality.map(|topic| json!({"topic": topic, "value_template": THERE})));
    Value::Array(list)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edge::mqtt::testing;
    use std::collections::BTreeSet;

    fn announced() -> Value {
        let (settings, setup) = testing::plant();
        announcement(&setup, "Reef", &Topics::new(&settings))
    }

    fn components(all: &Value) -> &Map<String, Value> {
        all["components"].as_object().expect("an object")
    }

    /// The outer level is strict: one unknown key refuses the whole device.
    #[test]
    fn the_outer_level_has_only_what_the_hub_knows() {
        let all = announced();
        let keys: Vec<&String> = all.as_object().expect("an object").keys().collect();
        assert_eq!(keys, ["components", "device", "origin"]);
        assert!(all["origin"]["name"].is_string());
    }

    #[test]
    fn every_component_has_a_platform_and_a_unique_id_of_allowed_characters() {
        let all = announced();
        let mut seen = BTreeSet::new();
        for (id, component) in components(&all) {
            assert!(component["platform"].is_string(), "{id}");
            let unique = component["unique_id"].as_str().expect("there");
            assert!(seen.insert(unique.to_owned()), "{unique} twice");
            let allowed = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '-';
            assert!(id.chars().all(allowed) && unique.chars().all(allowed), "{id}");
        }
    }

    /// Units and state classes that the hub takes without a word, by device class.
    #[test]
    fn units_and_state_classes_fit_their_device_class() {
        for (id, component) in components(&announced()) {
            let Some(class) = component.get("device_class").and_then(Value::as_str) else {
                continue;
            };
            let unit = component.get("unit_of_measurement").and_then(Value::as_str);
            let state_class = component.get("state_class").and_then(Value::as_str);
            let (units, state_classes): (&[&str], &[&str]) = match class {
                "conductivity" => (&["µS/cm"], &["measurement"]),
                "volume_flow_rate" => (&["L/min"], &["measurement"]),
                "volume_storage" => (&["L"], &["measurement"]),
                "water" => (&["L"], &["total", "total_increasing"]),
                "pressure" => (&["bar"], &["measurement"]),
                "temperature" => (&["°C"], &["measurement"]),
                "duration" => (&["s", "h", "d"], &["measurement", "total_increasing"]),
                "power" => (&["W"], &["measurement"]),
                "weight" => (&["g"], &["measurement"]),
                "moisture" | "opening" | "problem" | "timestamp" => {
                    assert_eq!((unit, state_class), (None, None), "{id}");
                    continue;
                }
                other => panic!("{id}: class {other} is not in the list"),
            };
            assert!(unit.is_some_and(|unit| units.contains(&unit)), "{id}: {unit:?}");
            assert!(state_class.is_some_and(|c| state_classes.contains(&c)), "{id}");
        }
    }

    #[test]
    fn about_fifteen_entities_are_shown_without_being_asked_for() {
        let all = announced();
        let main = components(&all)
            .values()
            .filter(|component| component.get("entity_category").is_none())
            .count();
        assert!((10..=20).contains(&main), "{main}");
    }

    #[test]
    fn values_have_no_template_and_are_as_available_as_daemon_plant_and_quality() {
        let all = announced();
        let rejection = &components(&all)["membrane_rejection"];
        assert!(rejection.get("value_template").is_none());
        assert_eq!(rejection["unit_of_measurement"], "%");
        assert_eq!(rejection["availability_mode"], "all");
        let topics: Vec<&str> = rejection["availability"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|one| one["topic"].as_str().expect("there"))
            .collect();
        assert_eq!(
            topics,
            [
                "permeated/5/d1/$state",
                "permeated/5/reef/$state",
                "permeated/5/reef/membrane/rejection-quality"
            ]
        );
    }

    #[test]
    fn what_is_gone_is_named_with_its_platform_only() {
        let new = announced();
        let mut stored = new.clone();
        stored["components"]["old_one"] = json!({"platform": "sensor", "unique_id": "x"});
        let gone = removed(&stored, &new);
        assert_eq!(gone, [("old_one".to_owned(), "sensor".to_owned())]);
        let pairs = gone.iter().map(|(id, platform)| (id.as_str(), platform.as_str()));
        let first = with_removed(&new, pairs);
        assert_eq!(first["components"]["old_one"], json!({"platform": "sensor"}));
        assert!(removed(&new, &new).is_empty());
    }

    #[test]
    fn only_our_own_devices_are_ours() {
        let (settings, _) = testing::plant();
        let topics = Topics::new(&settings);
        assert!(is_ours(&topics, "permeated_d1_reef"));
        for other in ["permeated_d1-2_reef", "permeated_d12_reef", "permeated_d1", "lamp"] {
            assert!(!is_ours(&topics, other), "{other}");
        }
    }
}
