//! `$description` documents of the Homie convention 5: what a device has, made from the catalogue.

use super::topics::{ALARM_COMMANDS, EVENT, GUARD_COMMANDS, Shape, alarm_id, node_and_property};
use crate::engine::catalogue::{ALARMS, AlarmId, Kind, Of, SIGNALS, SignalId, SignalRow};
use crate::engine::output::{AlarmKey, AlarmState, ValueKey};
use crate::engine::setup::Setup;
use crate::settings::Settings;
use crate::settings::schema::PartKind;
use crate::units::Quantity;
use serde_json::{Map, Value, json};
use std::hash::{Hash as _, Hasher as _};

/// Version of the convention.
const HOMIE: &str = "5.0";

/// The daemon: the root device, without nodes of its own.
pub fn daemon_description(settings: &Settings, plants: &[&str]) -> Value {
    versioned(json!({
        "homie": HOMIE,
        "name": format!("permeated ({})", settings.daemon.id),
        "type": "permeated",
        "children": plants,
        "nodes": {},
    }))
}

/// A plant: a child of the daemon.
pub fn plant_description(setup: &Setup, name: &str, daemon: &str) -> Value {
    let mut nodes: Map<String, Value> = Map::new();
    for key in value_keys(setup) {
        let (node, property) = node_and_property(setup, key);
        add(&mut nodes, &node, &property, value_property(setup, key));
        add(&mut nodes, &node, &format!("{property}-quality"), quality_property());
        if key.signal.row().kind_is_numeric() {
            add(&mut nodes, &node, &format!("{property}-u"), uncertainty_property(setup, key));
        }
    }
    add(&mut nodes, "guard", "permit", plain("json", "Permit: may water run, and why not"));
    for command in GUARD_COMMANDS {
        add(&mut nodes, "guard", command, settable(command));
    }
    for key in alarm_keys(setup) {
        let id = alarm_id(setup, key);
        add(&mut nodes, "alarm", &id, alarm_property(key));
        add(&mut nodes, "alarm", &format!("{id}-active"), plain("boolean", "Wants an answer"));
        add(&mut nodes, "alarm", &format!("{id}-detail"), plain("json", "Details"));
    }
    for command in ALARM_COMMANDS {
        add(&mut nodes, "alarm", command, settable(command));
    }
    add(&mut nodes, "service", "entry", settable("entry"));
    let mut log = plain("json", "Transitions, commands and answers, start records, service");
    log["retained"] = json!(false);
    add(&mut nodes, EVENT, "log", log);
    versioned(json!({
        "homie": HOMIE,
        "name": if name.is_empty() { &setup.plant } else { name },
        "type": "reverse-osmosis",
        "parent": daemon,
        "root": daemon,
        "nodes": nodes,
    }))
}

/// A part of this kind may have this value.
fn part_has(row: &SignalRow, kind: PartKind) -> bool {
    match row.id {
        SignalId::PrefilterOxidant | SignalId::PrefilterContact => kind == PartKind::Carbon,
        _ if row.node == "prefilter" => matches!(kind, PartKind::Sediment | PartKind::Carbon),
        _ if row.node == "resin" => kind.is_vessel(),
        _ => true,
    }
}

/// The sensor or part at `index`, whichever the alarm is of, may have this alarm.
fn can_be_of(alarm: AlarmId, setup: &Setup, index: usize) -> bool {
    match alarm {
        AlarmId::LeakSensorSilent => setup.sensors[index].quantity == Quantity::Leak,
        AlarmId::CalibrationOverdue => setup.sensors[index].is_solids(),
        AlarmId::ResinLow => setup.parts[index].kind.is_vessel(),
        AlarmId::PrefilterResistanceHigh => {
            matches!(setup.parts[index].kind, PartKind::Sediment | PartKind::Carbon)
        }
        AlarmId::CarbonLoadHigh => setup.parts[index].kind == PartKind::Carbon,
        _ => true,
    }
}

/// Every value that this plant may have.
pub fn value_keys(setup: &Setup) -> Vec<ValueKey> {
    let mut keys = Vec::new();
    for row in SIGNALS {
        let count = match row.of {
            Of::Plant => None,
            Of::Sensor => Some(setup.sensors.len()),
            Of::Part => Some(setup.parts.len()),
        };
        match count {
            None => keys.push(ValueKey { signal: row.id, of: None }),
            Some(count) => keys.extend(
                (0..count)
                    .filter(|&index| row.of != Of::Part || part_has(row, setup.parts[index].kind))
                    .filter_map(|index| u16::try_from(index).ok())
                    .map(|of| ValueKey { signal: row.id, of: Some(of) }),
            ),
        }
    }
    keys
}

/// Every alarm that this plant may have.
pub fn alarm_keys(setup: &Setup) -> Vec<AlarmKey> {
    let mut keys = Vec::new();
    for row in ALARMS {
        let count = match row.of {
            Of::Plant => None,
            Of::Sensor => Some(setup.sensors.len()),
            Of::Part => Some(setup.parts.len()),
        };
        match count {
            None => keys.push(AlarmKey::plant(row.id)),
            Some(count) => keys.extend(
                (0..count)
                    .filter(|&index| can_be_of(row.id, setup, index))
                    .filter_map(|index| u16::try_from(index).ok())
                    .map(|of| AlarmKey { alarm: row.id, of: Some(of) }),
            ),
        }
    }
    keys
}

/// What people call a value.
pub fn value_name(setup: &Setup, key: ValueKey) -> String {
    let (node, property) = node_and_property(setup, key);
    let words = if key.signal == SignalId::Reading || key.of.is_some() {
        format!("{node} {property}")
    } else {
        property
    };
    let mut name = words.replace('-', " ");
    if let Some(first) = name.get_mut(0..1) {
        first.make_ascii_uppercase();
    }
    name
}

impl crate::engine::catalogue::SignalRow {
    /// Its values are numbers. For readings it depends on the quantity; most are.
    fn kind_is_numeric(&self) -> bool {
        !matches!(self.kind, Kind::State | Kind::Flag | Kind::Text)
    }
}

fn value_property(setup: &Setup, key: ValueKey) -> Value {
    let shape = Shape::of_value(key, setup);
    let mut property = plain(shape.datatype, &value_name(setup, key));
    if !shape.unit.is_empty() {
        property["unit"] = json!(shape.unit);
    }
    property
}

fn uncertainty_property(setup: &Setup, key: ValueKey) -> Value {
    let shape = Shape::of_value(key, setup);
    let mut property = plain("float", "Standard uncertainty");
    if !shape.unit.is_empty() {
        property["unit"] = json!(shape.unit);
    }
    property
}

fn quality_property() -> Value {
    let mut property = plain("enum", "Quality");
    property["format"] = json!("good,suspect,assumed,absent");
    property
}

fn alarm_property(key: AlarmKey) -> Value {
    const STATES: [AlarmState; 7] = [
        AlarmState::Normal,
        AlarmState::Unacknowledged,
        AlarmState::Acknowledged,
        AlarmState::ReturnedUnacknowledged,
        AlarmState::Shelved,
        AlarmState::SuppressedByDesign,
        AlarmState::OutOfService,
    ];
    let mut property = plain("enum", key.alarm.row().means);
    property["format"] = json!(STATES.map(AlarmState::word).join(","));
    property
}

fn settable(command: &str) -> Value {
    let mut property = plain("string", command);
    property["settable"] = json!(true);
    property["retained"] = json!(false);
    property
}

fn plain(datatype: &str, name: &str) -> Value {
    json!({"datatype": datatype, "name": name})
}

fn add(nodes: &mut Map<String, Value>, node: &str, property: &str, description: Value) {
    let node =
        nodes.entry(node).or_insert_with(|| json!({"name": node, "type": node, "properties": {}}));
    node["properties"][property] = description;
}

/// The convention wants a version that changes with the document: a digest of it does, and the same
/// document has the same version on every start.
fn versioned(mut document: Value) -> Value {
    let mut hasher = Digest::default();
    document.to_string().hash(&mut hasher);
    document["version"] = json!(hasher.finish() >> 12);
    document
}

/// FNV-1a: the same on every machine and in every release of the compiler.
struct Digest(u64);

impl Default for Digest {
    fn default() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }
}

impl std::hash::Hasher for Digest {
    fn finish(&self) -> u64 {
        self.0
    }

    fn write(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.0 = (self.0 ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edge::mqtt::testing;

    #[test]
    fn a_plant_is_described_as_the_convention_wants() {
        let (_, setup) = testing::plant();
        let all = plant_description(&setup, "", "d1");
        assert_eq!((all["homie"].as_str(), all["parent"].as_str()), (Some("5.0"), Some("d1")));
        assert_eq!(all["name"], "reef");
        assert!(all["version"].is_u64());
        let id = |text: &str| {
            !text.is_empty()
                && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        };
        let datatypes = [
            "integer", "float", "boolean", "string", "enum", "color", "datetime", "duration",
            "json",
        ];
        for (node, about) in all["nodes"].as_object().expect("nodes") {
            assert!(id(node), "{node}");
            for (property, facts) in about["properties"].as_object().expect("properties") {
                assert!(id(property), "{node}/{property}");
                let datatype = facts["datatype"].as_str().expect("a datatype");
                assert!(datatypes.contains(&datatype), "{node}/{property}");
                assert!(facts["name"].is_string());
                assert_eq!(datatype == "enum", facts.get("format").is_some());
            }
        }
        assert_eq!(all["nodes"]["membrane"]["properties"]["rejection"]["unit"], "%");
        assert_eq!(all["nodes"]["guard"]["properties"]["reset"]["settable"], true);
        assert_eq!(all["nodes"]["event"]["properties"]["log"]["retained"], false);
    }

    #[test]
    fn two_probes_at_one_point_have_two_topics() {
        let (_, setup) = testing::plant();
        let all = plant_description(&setup, "", "d1");
        let product = all["nodes"]["product"]["properties"].as_object().expect("there");
        assert!(product.contains_key("tds-product") && product.contains_key("tds-product-2"));
        assert!(!product.contains_key("tds"));
    }

    #[test]
    fn the_version_changes_with_the_document_and_only_then() {
        let (_, setup) = testing::plant();
        let version = |name: &str| plant_description(&setup, name, "d1")["version"].clone();
        assert_eq!(version("a"), version("a"));
        assert_ne!(version("a"), version("b"));
    }

    /// The values of filters and of the membrane's wear once were announced for vessels alone, and every
    /// sensor had a calibration that could be overdue.
    #[test]
    fn each_part_and_sensor_has_what_can_be_of_it() {
        let (_, setup) = testing::plant();
        let values: Vec<String> = value_keys(&setup)
            .into_iter()
            .map(|key| node_and_property(&setup, key))
            .map(|(node, property)| format!("{node}/{property}"))
            .collect();
        let alarms: Vec<String> =
            alarm_keys(&setup).into_iter().map(|key| alarm_id(&setup, key)).collect();
        for (index, part) in setup.parts.iter().enumerate() {
            let has = |node: &str, property: &str| {
                values.contains(&format!("{node}-{}/{property}", part.id))
            };
            let is_filter = matches!(part.kind, PartKind::Sediment | PartKind::Carbon);
            assert_eq!(has("prefilter", "litres"), is_filter, "{}", part.id);
            assert_eq!(has("prefilter", "contact-time"), part.kind == PartKind::Carbon);
            assert_eq!(has("resin", "used"), part.kind.is_vessel(), "{}", part.id);
            assert!(has("wear", "remaining-days"), "{}", part.id);
            let told = |name: &str| alarms.contains(&format!("{name}-{}", part.id));
            assert_eq!(told("carbon-load-high"), part.kind == PartKind::Carbon, "{index}");
            assert_eq!(told("resin-remaining-low"), part.kind.is_vessel(), "{index}");
            assert!(told("part-due"));
        }
        for sensor in &setup.sensors {
            let overdue = alarms.contains(&format!("calibration-overdue-{}", sensor.id));
            assert_eq!(overdue, sensor.is_solids(), "{}", sensor.id);
        }
    }

    #[test]
    fn no_value_and_no_alarm_shares_its_topic_with_another() {
        let (_, setup) = testing::plant();
        let mut seen = std::collections::BTreeSet::new();
        for key in value_keys(&setup) {
            let (node, property) = node_and_property(&setup, key);
            assert!(seen.insert(format!("{node}/{property}")), "{node}/{property}");
        }
        for key in alarm_keys(&setup) {
            assert!(seen.insert(format!("alarm/{}", alarm_id(&setup, key))));
        }
        for command in GUARD_COMMANDS {
            assert!(seen.insert(format!("guard/{command}")), "{command}");
        }
        for command in ALARM_COMMANDS {
            assert!(seen.insert(format!("alarm/{command}")), "{command}");
        }
    }
}
