//! A small plant for the tests of this folder.

use crate::engine::setup::Setup;
use crate::settings::Settings;
use crate::settings::schema::{Actuator, OnStop, Part, PartKind, Plant, Point, Role, Sensor};
use crate::units::Quantity;

/// Settings of daemon `d1` with plant `reef`, and the plant resolved.
pub(super) fn plant() -> (Settings, Setup) {
    let mut settings = Settings::default();
    settings.daemon.id = "d1".into();
    let mut plant = Plant::default();
    for (id, quantity, point) in [
        ("feed", Quantity::Tds, Point::Feed),
        ("permeate", Quantity::Conductivity, Point::Permeate),
        ("product", Quantity::Tds, Point::Product),
        ("product-2", Quantity::Tds, Point::Product),
        ("leak", Quantity::Leak, Point::Room),
        ("meter", Quantity::Flow, Point::Supply),
        ("level", Quantity::Level, Point::Store),
        ("gauge", Quantity::Pressure, Point::Feed),
        ("warm", Quantity::Temperature, Point::Feed),
    ] {
        plant.sensors.insert(
            id.into(),
            Sensor {
                topic: format!("in/{id}"),
                quantity: Some(quantity),
                point: Some(point),
                unit: quantity.units()[0].0.into(),
                ..Sensor::default()
            },
        );
    }
    plant.actuators.insert(
        "supply".into(),
        Actuator {
            role: Some(Role::SupplyValve),
            topic: "valve/set".into(),
            close: "off".into(),
            open: "on".into(),
            ..Actuator::default()
        },
    );
    for (id, kind) in [
        ("sediment", PartKind::Sediment),
        ("carbon", PartKind::Carbon),
        ("membrane", PartKind::Membrane),
        ("lead", PartKind::Mixed),
    ] {
        plant.parts.insert(id.into(), Part { kind: Some(kind), ..Part::default() });
    }
    let setup = Setup::resolve("reef", &plant, OnStop::Close, 5);
    settings.plants.insert("reef".into(), plant);
    (settings, setup)
}
