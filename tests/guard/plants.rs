//! The plants of these tests, and how they come to produce.

use super::rig::{Rig, setup};

/// Meter, valve state, floor sensor, floats, level, pressure, temperature; opens itself by level.
pub const FULL: &str = r#"
[plants.home.sensors.product]
topic = "p/product"
quantity = "tds"
point = "product"
unit = "ppm"
step = 1
interval_secs = 5
[plants.home.sensors.flow]
topic = "p/flow"
quantity = "flow"
point = "permeate"
unit = "L/min"
interval_secs = 5
[plants.home.sensors.floor]
topic = "p/floor"
quantity = "leak"
point = "room"
battery = true
[plants.home.sensors.float]
topic = "p/float"
quantity = "full"
point = "store"
[plants.home.sensors.brim]
topic = "p/brim"
quantity = "full"
point = "store"
overfull = true
[plants.home.sensors.level]
topic = "p/level"
quantity = "level"
point = "store"
unit = "L"
interval_secs = 5
[plants.home.sensors.pressure]
topic = "p/pressure"
quantity = "pressure"
point = "feed"
unit = "bar"
interval_secs = 5
[plants.home.sensors.temperature]
topic = "p/temperature"
quantity = "temperature"
point = "feed"
unit = "C"
interval_secs = 5
[plants.home.sensors.state]
topic = "p/valve/state"
quantity = "open"
point = "supply"
[plants.home.actuators.valve]
role = "supply-valve"
topic = "p/valve/set"
close = "OFF"
open = "ON"
fails = "closed"
state_sensor = "state"
[plants.home.demand]
mode = "level"
start_below_litres = 40
stop_at_litres = 58
[plants.home.store]
litres = 60
"#;

pub fn readings(level: f64, product: f64, flow: f64, open: f64) -> [(&'static str, f64); 8] {
    [
        ("product", product),
        ("level", level),
        ("pressure", if open > 0.5 { 4.0 } else { 0.2 }),
        ("temperature", 15.0),
        ("flow", flow),
        ("state", open),
        ("float", 0.0),
        ("brim", 0.0),
    ]
}

/// The declaration of a product probe beside the one of the full plant.
pub const SECOND_PROBE: &str = r#"
[plants.home.sensors.second]
topic = "p/second"
quantity = "tds"
point = "product"
unit = "ppm"
step = 1
interval_secs = 5
"#;

/// The full plant whose valve a hub opens.
pub fn by_hub() -> String {
    FULL.replace("mode = \"level\"", "mode = \"hub\"")
}

/// The settings with another declaration of this sensor; without it, if there is none.
pub fn with_sensor(toml: &str, id: &str, declaration: &str) -> String {
    let head = format!("[plants.home.sensors.{id}]\n");
    let begin = toml.find(&head).unwrap_or_else(|| panic!("no sensor {id}"));
    let body = begin + head.len();
    let end = toml[body..].find("[plants.").map_or(toml.len(), |next| body + next);
    let head = if declaration.is_empty() { "" } else { &head };
    format!("{}{head}{declaration}{}", &toml[..begin], &toml[end..])
}

/// The messages without those of one sensor.
pub fn without(
    id: &str,
    messages: impl IntoIterator<Item = (&'static str, f64)>,
) -> Vec<(&'static str, f64)> {
    messages.into_iter().filter(|(known, _)| *known != id).collect()
}

/// The full plant at rest, with room for water but no demand yet.
pub fn idle(toml: &str) -> Rig {
    let mut rig = Rig::new(setup(toml));
    rig.run(60.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig
}

/// The full plant, opened by level and past its rinse-in.
pub fn producing(toml: &str) -> Rig {
    let mut rig = idle(toml);
    rig.run(30.0, &readings(30.0, 0.0, 0.0, 0.0));
    assert!(rig.told("valve", permeated::engine::output::Action::Open) > 0, "{:?}", rig.missing());
    rig.run(420.0, &readings(31.0, 0.0, 0.15, 1.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig
}
