//! What a plant as a whole needs to be guarded: probes, valve, demand, container.

use super::{Check, Scope};
use crate::engine::setup::permeate_is_product;
use crate::settings::schema::{Actuator, DemandMode, PartKind, Point, Role};
use crate::units::Quantity;

pub(super) fn check(scope: &Scope<'_>, check: &mut Check<'_>) {
    product_probe(scope, check);
    valve(scope, check);
    demand(scope, check);
    store(scope, check);
    sentinels(scope, check);
}

fn has(scope: &Scope<'_>, quantities: &[Quantity], points: &[Point]) -> bool {
    scope.plant.sensors.values().any(|sensor| {
        sensor.quantity.is_some_and(|quantity| quantities.contains(&quantity))
            && sensor.point.is_some_and(|point| points.contains(&point))
    })
}

const SOLIDS: &[Quantity] = &[Quantity::Tds, Quantity::Conductivity, Quantity::Resistivity];
const METERS: &[Quantity] = &[Quantity::Flow, Quantity::Pulses, Quantity::Volume];

fn of_role<'a>(scope: &Scope<'a>, role: Role) -> Option<(&'a String, &'a Actuator)> {
    scope.plant.actuators.iter().find(|(_, actuator)| actuator.role == Some(role))
}

/// Nothing may run whose product nobody looks at.
fn product_probe(scope: &Scope<'_>, check: &mut Check<'_>) {
    if has(scope, SOLIDS, &[Point::Product]) {
        return;
    }
    // Behind a membrane alone the permeate is the product, and one probe stands for both.
    if permeate_is_product(scope.plant) && has(scope, SOLIDS, &[Point::Permeate]) {
        return;
    }
    let vessels = scope.plant.parts.values().any(|part| part.kind.is_some_and(PartKind::is_vessel));
    let valve = of_role(scope, Role::SupplyValve).is_some();
    if vessels || valve {
        check.error(
            &scope.at(&["sensors"]),
            "there is no dissolved-solids probe at `product`, so nobody sees what reaches the store",
            "add a sensor with `quantity = \"tds\"` and `point = \"product\"` after the last stage",
        );
    } else if !has(scope, SOLIDS, &[Point::Permeate]) {
        check.warn(
            &scope.at(&["sensors"]),
            "there is no dissolved-solids probe at `permeate` or `product`: the water is not judged",
            "add one",
        );
    }
}

fn valve(scope: &Scope<'_>, check: &mut Check<'_>) {
    let Some((id, valve)) = of_role(scope, Role::SupplyValve) else {
        if scope.plant.actuators.values().all(|actuator| actuator.role.is_some()) {
            check.warn(
                &scope.at(&[]),
                "there is no supply valve: the daemon watches and can stop nothing",
                "add an actuator with `role = \"supply-valve\"`",
            );
        }
        return;
    };
    let metered =
        has(scope, METERS, &[Point::Supply, Point::Feed, Point::Permeate, Point::Product]);
    if valve.state_sensor.is_empty() {
        let what = if metered {
            "a close is confirmed by the meter only"
        } else {
            "no state sensor and no meter: a close cannot be confirmed, only commanded"
        };
        check.warn(
            &scope.at(&["actuators", id, "state_sensor"]),
            what,
            "name the sensor that reports the relay's or the valve's state",
        );
    }
    if scope.plant.demand.mode == DemandMode::Hub
        && valve.state_sensor.is_empty()
        && valve.open.is_empty()
    {
        check.warn(
            &scope.at(&["actuators", id, "open"]),
            "without the `open` payload or a state sensor an opening by others is not seen",
            "write the payload with which the hub opens",
        );
    }
    if let Some((pump, _)) = of_role(scope, Role::Pump)
        && !has(scope, &[Quantity::Pressure], &[Point::Supply])
    {
        check.warn(
            &scope.at(&["actuators", pump]),
            "no pressure at `supply`: a pump that runs dry is not seen",
            "add a pressure sensor before the pump with `point = \"supply\"`",
        );
    }
}

fn demand(scope: &Scope<'_>, check: &mut Check<'_>) {
    let demand = &scope.plant.demand;
    let mode = scope.at(&["demand", "mode"]);
    let word = match demand.mode {
        DemandMode::Hub => {
            unused_band(scope, check);
            return;
        }
        DemandMode::Level => "level",
        DemandMode::Topic => "topic",
        DemandMode::Litres => "litres",
    };
    match of_role(scope, Role::SupplyValve) {
        None => check.error(
            &mode,
            format!("{word:?} lets the daemon open, and there is no supply valve"),
            "add one, or leave `mode` out",
        ),
        Some((id, valve)) if valve.open.is_empty() => check.error(
            &scope.at(&["actuators", id, "open"]),
            format!("is missing, and `demand.mode = {word:?}` lets the daemon open"),
            "write the payload that opens",
        ),
        Some(_) => {}
    }
    match demand.mode {
        DemandMode::Level => band(scope, check),
        DemandMode::Litres => {
            unused_band(scope, check);
            let metered = has(scope, METERS, &[Point::Permeate, Point::Product]);
            if !metered && scope.plant.assumed.permeate_litres_per_min.is_none() {
                check.error(
                    &mode,
                    "\"litres\" needs to know how much has run",
                    "add a meter at `permeate` or `product`, or `assumed.permeate_litres_per_min`",
                );
            }
        }
        DemandMode::Hub | DemandMode::Topic => unused_band(scope, check),
    }
}

fn unused_band(scope: &Scope<'_>, check: &mut Check<'_>) {
    let demand = &scope.plant.demand;
    for (key, value) in [
        ("start_below_litres", demand.start_below_litres),
        ("stop_at_litres", demand.stop_at_litres),
    ] {
        if value != 0.0 {
            check.warn(
                &scope.at(&["demand", key]),
                "has no effect without `mode = \"level\"`",
                "set the mode, or remove it",
            );
        }
    }
}

fn band(scope: &Scope<'_>, check: &mut Check<'_>) {
    let demand = &scope.plant.demand;
    let (start, stop) = (demand.start_below_litres, demand.stop_at_litres);
    if !has(scope, &[Quantity::Level], &[Point::Store]) {
        check.error(
            &scope.at(&["demand", "mode"]),
            "\"level\" needs a level sensor in the store",
            "add a sensor with `quantity = \"level\"` and `point = \"store\"`",
        );
    }
    let volume = scope.plant.store.litres;
    if start <= 0.0 || stop <= 0.0 {
        let key = if start <= 0.0 { "start_below_litres" } else { "stop_at_litres" };
        check.error(
            &scope.at(&["demand", key]),
            "is missing, and `mode = \"level\"` needs both ends of the band",
            "write `start_below_litres` and `stop_at_litres`",
        );
    } else if start >= stop {
        check.error(
            &scope.at(&["demand", "start_below_litres"]),
            format!("{start} L is not below `stop_at_litres = {stop}`"),
            "put the two in order, at least 10 L or a quarter of the container apart",
        );
    } else if stop - start < 10.0 && (volume <= 0.0 || stop - start < volume / 4.0) {
        check.warn(
            &scope.at(&["demand", "start_below_litres"]),
            format!(
                "a band of {} L means many short runs, each with salty first water",
                stop - start
            ),
            "leave at least 10 L or a quarter of the container between the two",
        );
    }
    if volume > 0.0 && stop > volume {
        check.error(
            &scope.at(&["demand", "stop_at_litres"]),
            format!("{stop} L is more than the container holds ({volume} L)"),
            "stop below `store.litres`",
        );
    }
}

fn store(scope: &Scope<'_>, check: &mut Check<'_>) {
    let store = &scope.plant.store;
    if store.litres > 0.0 && store.dead_litres >= store.litres {
        check.error(
            &scope.at(&["store", "dead_litres"]),
            format!("nothing is left of {} L", store.litres),
            "write the water below the outlet only",
        );
    }
    let has_valve = of_role(scope, Role::SupplyValve).is_some();
    if store.litres <= 0.0 && has_valve {
        check.warn(
            &scope.at(&["store", "litres"]),
            "the container's volume is not declared: water that runs past it is not noticed",
            "write `store.litres`, the volume up to the float",
        );
    }
    let metered =
        has(scope, METERS, &[Point::Permeate, Point::Product, Point::Feed, Point::Supply]);
    if has_valve && !metered && scope.plant.assumed.permeate_litres_per_min.is_none() {
        check.warn(
            &scope.at(&["assumed", "permeate_litres_per_min"]),
            "no meter and no assumed permeate flow: litres, doses and the longest run are unknown",
            "measure it once with a jug and a watch and write it here",
        );
    }
}

fn sentinels(scope: &Scope<'_>, check: &mut Check<'_>) {
    if of_role(scope, Role::SupplyValve).is_none() {
        return;
    }
    let anywhere: Vec<Quantity> =
        scope.plant.sensors.values().filter_map(|sensor| sensor.quantity).collect();
    if !anywhere.contains(&Quantity::Leak) {
        check.warn(
            &scope.at(&["sensors"]),
            "there is no leak sensor: water on the floor closes nothing",
            "add one with `quantity = \"leak\"` and `point = \"room\"`",
        );
    }
    if !has(scope, &[Quantity::Full, Quantity::Level], &[Point::Store]) {
        check.warn(
            &scope.at(&["sensors"]),
            "there is neither float nor level in the store: only your mechanical float ends a run",
            "add a sensor with `quantity = \"full\"` or \"level\" and `point = \"store\"`",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SMALL, errors, warnings};

    #[test]
    fn nothing_runs_whose_product_nobody_looks_at() {
        let without = SMALL.replace("point = \"product\"", "point = \"feed\"");
        let found = errors(&without);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].contains("product"), "{found:?}");
        let watched = "[plants.p.sensors.a]\ntopic = \"a\"\nquantity = \"tds\"\n\
                       point = \"permeate\"\nunit = \"ppm\"\n";
        assert!(errors(watched).is_empty());
        let vessel = format!("{watched}[plants.p.parts.v]\nkind = \"mixed\"\nbed_litres = 1\n");
        assert_eq!(errors(&vessel).len(), 1);
    }

    fn with_open(rest: &str) -> String {
        SMALL.replace("close = \"OFF\"", "close = \"OFF\"\nopen = \"ON\"") + rest
    }

    const LEVEL: &str = "[plants.home.sensors.level]\ntopic = \"utility/level\"\n\
        quantity = \"level\"\npoint = \"store\"\nunit = \"L\"\n[plants.home.store]\nlitres = 80\n";

    #[test]
    fn a_mode_in_which_the_daemon_opens_needs_the_open_payload() {
        let topic = "[plants.home.demand]\nmode = \"topic\"\ntopic = \"utility/wanted\"\n";
        assert_eq!(errors(&format!("{SMALL}{topic}")).len(), 1);
        assert!(errors(&with_open(topic)).is_empty());
    }

    #[test]
    fn the_level_band_is_in_order_inside_the_container_and_seen_by_a_sensor() {
        let band = |start: f64, stop: f64| {
            format!(
                "[plants.home.demand]\nmode = \"level\"\nstart_below_litres = {start:.1}\n\
                 stop_at_litres = {stop:.1}\n"
            )
        };
        let with = |start, stop| errors(&with_open(&format!("{LEVEL}{}", band(start, stop))));
        assert!(with(40.0, 70.0).is_empty());
        assert_eq!(with(70.0, 40.0).len(), 1);
        assert_eq!(with(40.0, 90.0).len(), 1);
        assert_eq!(with(0.0, 70.0).len(), 1);
        let blind = errors(&with_open(&band(40.0, 70.0)));
        assert_eq!(blind.len(), 1, "{blind:?}");
        let narrow = warnings(&with_open(&format!("{LEVEL}{}", band(68.0, 70.0))));
        assert!(narrow.iter().any(|w| w.contains("short runs")), "{narrow:?}");
    }

    #[test]
    fn litres_on_command_need_a_meter_or_a_declared_flow() {
        let litres = "[plants.home.demand]\nmode = \"litres\"\n";
        assert_eq!(errors(&with_open(litres)).len(), 1);
        let assumed = "[plants.home.assumed]\npermeate_litres_per_min = 0.2\n";
        assert!(errors(&with_open(&format!("{litres}{assumed}"))).is_empty());
    }

    #[test]
    fn what_is_missing_is_mentioned() {
        let found = warnings(SMALL).join("\n");
        for word in ["leak sensor", "float", "volume", "confirm", "no meter"] {
            assert!(found.contains(word), "{word}: {found}");
        }
    }

    #[test]
    fn dead_water_is_less_than_the_container() {
        let store = "[plants.home.store]\nlitres = 40\ndead_litres = 40\n";
        assert_eq!(errors(&format!("{SMALL}{store}")).len(), 1);
    }
}
