//! Actuators: what closes, how, and what is known about it.

use super::{Check, Scope};
use crate::engine::catalogue::{ALARMS, AlarmId};
use crate::settings::problem::nearest;
use crate::settings::schema::{Actuator, Fails, Role, ValveKind};
use crate::units::Quantity;
use std::collections::BTreeMap;

pub(super) fn check(scope: &Scope<'_>, check: &mut Check<'_>) {
    let mut roles: BTreeMap<Role, &str> = BTreeMap::new();
    let mut states: BTreeMap<&str, &str> = BTreeMap::new();
    for (id, actuator) in &scope.plant.actuators {
        check.id(&scope.at(&["actuators", id]), id);
        payloads(scope, id, actuator, check);
        state_sensor(scope, id, actuator, &mut states, check);
        movement(scope, id, actuator, check);
        off_timer(scope, id, actuator, check);
        causes(scope, id, actuator, check);
        match actuator.role {
            None => check.error(
                &scope.at(&["actuators", id, "role"]),
                "is missing",
                "say what it is for, such as \"supply-valve\" or \"pump\"",
            ),
            Some(Role::Custom) => {}
            Some(role) => {
                if let Some(other) = roles.insert(role, id) {
                    check.error(
                        &scope.at(&["actuators", id, "role"]),
                        format!("{other} is the {} already", role.word()),
                        "let one of them be `role = \"custom\"` with the `causes` that close it",
                    );
                }
            }
        }
    }
    unused_states(scope, &states, check);
}

fn payloads(scope: &Scope<'_>, id: &str, actuator: &Actuator, check: &mut Check<'_>) {
    if actuator.close.is_empty() {
        check.error(
            &scope.at(&["actuators", id, "close"]),
            "is missing: nothing could close it, and the broker's last will would be empty",
            "write the payload that closes it, such as \"OFF\"",
        );
    } else if actuator.close == actuator.open {
        check.error(
            &scope.at(&["actuators", id, "open"]),
            "is the same payload as `close`",
            "write two different payloads; a toggle cannot be guarded",
        );
    }
    for (key, payload) in [("close", &actuator.close), ("open", &actuator.open)] {
        if payload.to_lowercase().contains("toggle") {
            check.error(
                &scope.at(&["actuators", id, key]),
                "a toggle opens as often as it closes",
                "write a payload that names the state, such as \"OFF\"",
            );
        }
        if payload.len() > 1024 {
            check.error(
                &scope.at(&["actuators", id, key]),
                "is longer than 1024 bytes",
                "write the command payload alone",
            );
        }
    }
}

fn state_sensor<'a>(
    scope: &Scope<'a>,
    id: &'a str,
    actuator: &'a Actuator,
    states: &mut BTreeMap<&'a str, &'a str>,
    check: &mut Check<'_>,
) {
    let name = actuator.state_sensor.as_str();
    let path = scope.at(&["actuators", id, "state_sensor"]);
    if name.is_empty() {
        return;
    }
    let is_open = |quantity: Option<Quantity>| quantity == Some(Quantity::Open);
    match scope.plant.sensors.get(name) {
        Some(sensor) if is_open(sensor.quantity) => {
            if let Some(other) = states.insert(name, id) {
                check.error(
                    &path,
                    format!("{name} reports the state of {other} already"),
                    "give each its own state sensor",
                );
            }
        }
        Some(sensor) => {
            states.insert(name, id);
            let measures =
                sensor.quantity.map_or("nothing yet", |quantity: Quantity| quantity.word());
            check.error(
                &path,
                format!("sensor {name} measures {measures}, not `open`"),
                "name a sensor with `quantity = \"open\"`",
            );
        }
        None => {
            let open = scope
                .plant
                .sensors
                .iter()
                .filter(|(_, sensor)| is_open(sensor.quantity))
                .map(|(id, _)| id.as_str());
            let todo = match nearest(name, open) {
                Some(near) => format!("did you mean {near:?}?"),
                None => "declare a sensor with `quantity = \"open\"` under this name".into(),
            };
            check.error(&path, format!("there is no sensor {name:?}"), todo);
        }
    }
}

fn unused_states(scope: &Scope<'_>, states: &BTreeMap<&str, &str>, check: &mut Check<'_>) {
    for (id, sensor) in &scope.plant.sensors {
        if sensor.quantity == Some(Quantity::Open) && !states.contains_key(id.as_str()) {
            check.warn(
                &scope.at(&["sensors", id]),
                "reports the state of no actuator",
                "name it as `state_sensor` of the valve that it belongs to",
            );
        }
    }
}

fn movement(scope: &Scope<'_>, id: &str, actuator: &Actuator, check: &mut Check<'_>) {
    let travel = scope.at(&["actuators", id, "travel_secs"]);
    if actuator.kind == ValveKind::Motor && actuator.travel_secs <= 0.0 {
        check.error(
            &travel,
            "is missing, so a close on its way could not be told from one that failed",
            "write how many seconds the motor takes",
        );
    } else if actuator.kind != ValveKind::Motor && actuator.travel_secs > 0.0 {
        check.warn(&travel, "has no effect without `kind = \"motor\"`", "set the kind");
    }
    if actuator.role != Some(Role::SupplyValve) {
        return;
    }
    let fails = scope.at(&["actuators", id, "fails"]);
    match actuator.fails {
        Fails::Closed => {}
        Fails::Unknown => check.warn(
            &fails,
            "nobody has said where the valve goes when its power fails",
            "pull its plug while water runs, and write \"closed\", \"open\" or \"stays\"",
        ),
        Fails::Open => check.warn(
            &fails,
            "the valve opens when its power fails, whatever the daemon says",
            "use a valve that is closed without power",
        ),
        Fails::Stays => check.warn(
            &fails,
            "a power cut leaves an open valve open",
            "use a valve that is closed without power, or a motor valve with a spring or battery",
        ),
    }
}

fn off_timer(scope: &Scope<'_>, id: &str, actuator: &Actuator, check: &mut Check<'_>) {
    let renew = scope.at(&["actuators", id, "open_renew_secs"]);
    let (timer, every) = (actuator.off_timer_secs, actuator.open_renew_secs);
    if every > 0.0 && timer <= 0.0 {
        check.error(
            &renew,
            "repeats `open` although there is no off-timer to re-arm",
            "set `off_timer_secs` to what the relay is set to, or remove it",
        );
    } else if every > 0.0 && every > timer / 3.0 {
        check.error(
            &renew,
            format!("{every} s is more than a third of the off-timer ({timer} s)"),
            format!("write at most {}, so that two lost ones do no harm", timer / 3.0),
        );
    }
    if every > 0.0 && actuator.open.is_empty() {
        check.error(
            &renew,
            "cannot repeat an `open` that is not declared",
            "write the payload that opens as `open`",
        );
    }
    if timer > 0.0 && every <= 0.0 {
        check.warn(
            &renew,
            format!("the relay ends each run after {timer} s, since nothing re-arms its off-timer"),
            format!("write {} or less if runs are to last longer", (timer / 3.0).floor()),
        );
    }
    if actuator.role == Some(Role::SupplyValve) && timer <= 0.0 {
        check.warn(
            &scope.at(&["actuators", id, "off_timer_secs"]),
            "the valve has no off-timer: when broker or network die, nothing of ours closes it",
            "if the relay can switch off by itself, set it to 180 s there and here, and \
             `open_renew_secs = 60`",
        );
    }
}

fn causes(scope: &Scope<'_>, id: &str, actuator: &Actuator, check: &mut Check<'_>) {
    let path = scope.at(&["actuators", id, "causes"]);
    if actuator.role == Some(Role::Custom) {
        if actuator.causes.is_empty() {
            check.error(
                &path,
                "is empty, so it would never be told to close",
                "name the alarms on which it closes, such as \"leak\"",
            );
        }
    } else if !actuator.causes.is_empty() {
        check.error(
            &path,
            "only `role = \"custom\"` has causes of its own; those of the others are fixed",
            "remove it, or make it a custom one",
        );
    }
    for cause in &actuator.causes {
        if AlarmId::by_name(cause).is_none() {
            let todo = match nearest(cause, ALARMS.iter().map(|row| row.name)) {
                Some(near) => format!("did you mean {near:?}?"),
                None => "the alarms are listed in config/reference.md".into(),
            };
            check.error(&path, format!("{cause:?} is no alarm"), todo);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SMALL, errors, warnings};

    fn valve(extra: &str) -> String {
        format!("{SMALL}{extra}\n")
    }

    #[test]
    fn a_close_payload_is_needed_and_differs_from_the_open_one() {
        assert_eq!(errors(&SMALL.replace("close = \"OFF\"", "")).len(), 1);
        assert_eq!(errors(&valve("open = \"OFF\"")).len(), 1);
        assert_eq!(errors(&valve("open = \"TOGGLE\"")).len(), 1);
        assert!(errors(&valve("open = \"ON\"")).is_empty());
    }

    #[test]
    fn the_state_sensor_exists_and_reports_open() {
        let found = errors(&valve("state_sensor = \"stat\""));
        assert!(found[0].contains("no sensor"), "{found:?}");
        assert_eq!(errors(&valve("state_sensor = \"product\"")).len(), 1);
        let state = "[plants.home.sensors.state]\ntopic = \"utility/valve/state\"\n\
                     quantity = \"open\"\npoint = \"supply\"\n";
        assert!(errors(&valve(&format!("state_sensor = \"state\"\n{state}"))).is_empty());
        let found = warnings(&valve(state));
        assert!(found.iter().any(|w| w.contains("no actuator")), "{found:?}");
    }

    #[test]
    fn a_motor_valve_says_how_long_it_takes() {
        assert_eq!(errors(&valve("kind = \"motor\"")).len(), 1);
        assert!(errors(&valve("kind = \"motor\"\ntravel_secs = 8")).is_empty());
    }

    #[test]
    fn open_is_renewed_three_times_within_the_off_timer() {
        let with = |timer: f64, renew: f64| {
            errors(&valve(&format!(
                "open = \"ON\"\noff_timer_secs = {timer:.1}\nopen_renew_secs = {renew:.1}"
            )))
        };
        assert!(with(180.0, 60.0).is_empty());
        assert_eq!(with(180.0, 61.0).len(), 1);
        assert_eq!(with(0.0, 60.0).len(), 1);
        assert_eq!(errors(&valve("off_timer_secs = 180\nopen_renew_secs = 60")).len(), 1);
    }

    #[test]
    fn a_custom_output_names_alarms_that_exist() {
        let custom = |causes: &str| {
            errors(&valve(&format!(
                "[plants.home.actuators.horn]\nrole = \"custom\"\ntopic = \"utility/horn\"\n\
                 close = \"1\"\n{causes}"
            )))
        };
        assert!(custom("causes = [\"leak\", \"store-level-high-high\"]").is_empty());
        assert_eq!(custom("causes = [\"leek\"]").len(), 1);
        assert_eq!(custom("").len(), 1);
        assert_eq!(errors(&valve("causes = [\"leak\"]")).len(), 1);
    }

    #[test]
    fn one_valve_lets_water_in() {
        let second = "[plants.home.actuators.second]\nrole = \"supply-valve\"\n\
                      topic = \"utility/second\"\nclose = \"0\"\n";
        assert_eq!(errors(&valve(second)).len(), 1);
    }

    #[test]
    fn a_valve_of_unknown_habits_and_without_off_timer_is_mentioned() {
        let found = warnings(&SMALL.replace("fails = \"closed\"", ""));
        assert!(found.iter().any(|w| w.contains("power fails")), "{found:?}");
        assert!(found.iter().any(|w| w.contains("off-timer")), "{found:?}");
        let found = warnings(&SMALL.replace("\"closed\"", "\"open\""));
        assert!(found.iter().any(|w| w.contains("opens when its power fails")), "{found:?}");
    }

    #[test]
    fn an_actuator_without_a_role_is_refused() {
        // Without a supply valve there is a warning on top, but no second error.
        let found = errors(&SMALL.replace("role = \"supply-valve\"", ""));
        assert_eq!(found.len(), 1, "{found:?}");
    }
}
