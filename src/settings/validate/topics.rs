//! Topics of the whole site: their form, and that none means two things.

use super::Check;
use crate::settings::schema::{DemandMode, Point, Settings};
use crate::units::Quantity;
use std::collections::BTreeMap;

/// A topic that somebody else publishes and we read.
struct Heard<'a> {
    path: [&'a str; 5],
    plant: &'a str,
    shared: bool,
}

pub(super) fn check(settings: &Settings, check: &mut Check<'_>) {
    let commands = commands(settings, check);
    sensors(settings, &commands, check);
    demands(settings, &commands, check);
}

/// Command topics: each of its own. Returns them with the key that names them.
fn commands<'a>(settings: &'a Settings, check: &mut Check<'_>) -> BTreeMap<&'a str, String> {
    let mut commands: BTreeMap<&str, String> = BTreeMap::new();
    for (plant_id, plant) in &settings.plants {
        for (id, actuator) in &plant.actuators {
            let path = ["plants", plant_id, "actuators", id, "topic"];
            if !well_formed(&path, &actuator.topic, settings, check) {
                continue;
            }
            let prefix = &settings.broker.discovery_prefix;
            if settings.broker.discovery && is_below(&actuator.topic, prefix) {
                check.error(
                    &path,
                    "is a topic of the hub's discovery",
                    "name the topic on which the valve takes its commands",
                );
            }
            let here = format!("plants.{plant_id}.actuators.{id}");
            if let Some(other) = commands.insert(&actuator.topic, here) {
                check.error(
                    &path,
                    format!("is the command topic of {other} too: each would move both"),
                    "give each its own topic",
                );
            }
        }
    }
    commands
}

fn sensors(settings: &Settings, commands: &BTreeMap<&str, String>, check: &mut Check<'_>) {
    let mut heard: BTreeMap<(&str, &str), Heard<'_>> = BTreeMap::new();
    for (plant_id, plant) in &settings.plants {
        for (id, sensor) in &plant.sensors {
            let path = ["plants", plant_id.as_str(), "sensors", id.as_str(), "topic"];
            let availability = ["plants", plant_id, "sensors", id, "availability_topic"];
            if !sensor.availability_topic.is_empty()
                && well_formed(&availability, &sensor.availability_topic, settings, check)
            {
                not_a_command(&availability, &sensor.availability_topic, commands, check);
                if sensor.availability_topic == sensor.topic {
                    check.error(
                        &availability,
                        "is the sensor's own topic: a message cannot be both a reading and a \
                         word about the sensor",
                        "name the topic that says online or offline, or leave it out",
                    );
                }
            }
            if !well_formed(&path, &sensor.topic, settings, check) {
                continue;
            }
            not_a_command(&path, &sensor.topic, commands, check);
            // A tap and a cabinet can be common to several plants; water inside a plant cannot.
            let shared = matches!(sensor.point, Some(Point::Supply | Point::Room))
                && sensor.quantity != Some(Quantity::Open);
            let one = Heard { path, plant: plant_id, shared };
            if let Some(other) = heard.insert((&sensor.topic, &sensor.pointer), one) {
                let both_shared = shared && other.shared && other.plant != plant_id;
                if !both_shared {
                    check.error(
                        &path,
                        format!(
                            "the same reading is already sensor {} of plant {}",
                            other.path[3], other.plant
                        ),
                        "give each sensor its own topic or `pointer`",
                    );
                }
            }
        }
    }
}

fn demands(settings: &Settings, commands: &BTreeMap<&str, String>, check: &mut Check<'_>) {
    for (plant_id, plant) in &settings.plants {
        let path = ["plants", plant_id, "demand", "topic"];
        let topic = plant.demand.topic.as_str();
        if plant.demand.mode != DemandMode::Topic {
            if !topic.is_empty() {
                check.warn(
                    &path,
                    "has no effect without `mode = \"topic\"`",
                    "set `demand.mode = \"topic\"`, or remove it",
                );
            }
            continue;
        }
        if topic.is_empty() {
            check.error(
                &path,
                "is missing, and `demand.mode = \"topic\"` needs it",
                "name the topic that says on or off",
            );
        } else if well_formed(&path, topic, settings, check) {
            not_a_command(&path, topic, commands, check);
            let reader = plant.sensors.iter().find(|(_, sensor)| sensor.topic == topic);
            if let Some((sensor, _)) = reader {
                check.error(
                    &path,
                    format!("is the topic of sensor {sensor} too"),
                    "let the demand have a topic of its own",
                );
            }
        }
    }
}

fn not_a_command(
    path: &[&str],
    topic: &str,
    commands: &BTreeMap<&str, String>,
    check: &mut Check<'_>,
) {
    if let Some(actuator) = commands.get(topic) {
        check.error(
            path,
            format!("is the command topic of {actuator}: a command would be read as a message"),
            "name the topic on which the state is reported, not the one that takes commands",
        );
    }
}

fn is_below(topic: &str, root: &str) -> bool {
    !root.is_empty()
        && topic.strip_prefix(root).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

/// A topic name that can be used; says so if it is not. MQTT 3.1.1, 4.7.
fn well_formed(path: &[&str], topic: &str, settings: &Settings, check: &mut Check<'_>) -> bool {
    if topic.is_empty() {
        check.error(path, "is missing", "name the MQTT topic");
    } else if topic.contains(['+', '#']) {
        check.error(
            path,
            "holds a wildcard, so several messages would be taken for one",
            "write the topic out in full",
        );
    } else if topic.starts_with('$') || topic.contains('\0') || topic.len() > 1024 {
        check.error(
            path,
            "cannot be used as a topic",
            "write a topic that begins with a name, at most 1024 bytes",
        );
    } else if topic.trim() != topic {
        check.error(
            path,
            "begins or ends with a space, which counts in a topic",
            "remove the space",
        );
    } else if is_below(topic, &settings.broker.root) {
        check.error(
            path,
            format!("lies below our own root `{}`: we would hear ourselves", settings.broker.root),
            "name the topic of the thing itself, or change `broker.root`",
        );
    } else {
        return true;
    }
    false
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SMALL, errors};

    fn changed(from: &str, to: &str) -> Vec<String> {
        assert!(SMALL.contains(from), "{from}");
        errors(&SMALL.replace(from, to))
    }

    #[test]
    fn the_same_reading_twice_is_refused_and_a_pointer_tells_them_apart() {
        let found = changed("utility/product/tds", "utility/permeate/tds");
        assert_eq!(found.len(), 1, "{found:?}");
        let apart = SMALL.replace(
            "topic = \"utility/product/tds\"",
            "topic = \"utility/permeate/tds\"\npointer = \"/second\"",
        );
        assert!(errors(&apart).is_empty());
    }

    #[test]
    fn a_command_topic_is_nobody_elses() {
        for topic in ["utility/product/tds", "permeated/5/home/x", "permeated"] {
            let found = changed("utility/valve/set", topic);
            assert_eq!(found.len(), 1, "{topic}: {found:?}");
        }
        let found = changed("utility/valve/set", "homeassistant/switch/valve/set");
        assert_eq!(found.len(), 1, "{found:?}");
        let pump = format!(
            "{SMALL}[plants.home.actuators.pump]\nrole = \"pump\"\ntopic = \"utility/valve/set\"\n\
             close = \"0\"\n"
        );
        assert_eq!(errors(&pump).len(), 1);
    }

    #[test]
    fn wildcards_and_odd_topics_are_refused() {
        for topic in ["utility/+/tds", "utility/#", "$SYS/x", "", " utility/x"] {
            let found = changed("utility/product/tds", topic);
            assert_eq!(found.len(), 1, "{topic}: {found:?}");
        }
    }

    #[test]
    fn a_demand_topic_is_needed_for_its_mode_and_is_no_sensors_and_no_valves() {
        let base = SMALL.replace("close = \"OFF\"", "close = \"OFF\"\nopen = \"ON\"");
        let with =
            |topic: &str| errors(&format!("{base}[plants.home.demand]\nmode = \"topic\"\n{topic}"));
        assert_eq!(with("").len(), 1);
        assert!(with("topic = \"utility/wanted\"").is_empty());
        assert_eq!(with("topic = \"utility/product/tds\"").len(), 1);
        assert_eq!(with("topic = \"utility/valve/set\"").len(), 1);
    }

    #[test]
    fn a_tap_common_to_two_plants_may_be_named_by_both() {
        let tap = "[plants.home.sensors.tap]\ntopic = \"tap/temperature\"\n\
                   quantity = \"temperature\"\npoint = \"supply\"\nunit = \"C\"\n";
        let one = format!("{SMALL}{tap}");
        let two = one.replace("plants.home", "plants.garden").replace("utility/", "garden/");
        let found = errors(&format!("{one}{two}"));
        assert!(found.is_empty(), "{found:?}");
        let inside = format!("{one}{}", two.replace("\"supply\"", "\"feed\""));
        assert_eq!(errors(&inside).len(), 1);
    }
}
