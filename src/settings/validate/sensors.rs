//! Sensors: what they measure, where, in which unit.

use super::{Check, Scope};
use crate::settings::schema::{Compensation, Point, Role, Sensor};
use crate::units::{Quantity, UnitSymbol};

pub(super) fn check(scope: &Scope<'_>, check: &mut Check<'_>) {
    for (id, sensor) in &scope.plant.sensors {
        check.id(&scope.at(&["sensors", id]), id);
        required(scope, id, sensor, check);
        pointers(scope, id, sensor, check);
        let Some(quantity) = sensor.quantity else { continue };
        unit(scope, id, sensor, quantity, check);
        counter(scope, id, sensor, quantity, check);
        span(scope, id, sensor, check);
        resolution(scope, id, sensor, quantity, check);
        compensation(scope, id, sensor, quantity, check);
        if let Some(point) = sensor.point {
            place(scope, id, quantity, point, check);
            guard_probe(scope, id, sensor, quantity, point, check);
        }
    }
}

/// True for a probe of dissolved solids in any of its guises.
pub(super) const fn is_solids(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::Tds | Quantity::Conductivity | Quantity::Resistivity)
}

fn required(scope: &Scope<'_>, id: &str, sensor: &Sensor, check: &mut Check<'_>) {
    if sensor.quantity.is_none() {
        check.error(
            &scope.at(&["sensors", id, "quantity"]),
            "is missing",
            "say what it measures, such as \"tds\", \"flow\" or \"leak\"",
        );
    }
    if sensor.point.is_none() {
        check.error(
            &scope.at(&["sensors", id, "point"]),
            "is missing",
            "say where it sits, such as \"permeate\", \"product\" or \"room\"",
        );
    }
}

fn pointers(scope: &Scope<'_>, id: &str, sensor: &Sensor, check: &mut Check<'_>) {
    for (key, pointer) in [("pointer", &sensor.pointer), ("time_pointer", &sensor.time_pointer)] {
        if !is_pointer(pointer) {
            check.error(
                &scope.at(&["sensors", id, key]),
                format!("{pointer:?} is no JSON pointer (RFC 6901)"),
                "begin it with \"/\", such as \"/value\" or \"/sensors/0/tds\"; write ~ as ~0 and / \
                 inside a name as ~1",
            );
        }
    }
    if !sensor.time_pointer.is_empty() && sensor.time_pointer == sensor.pointer {
        check.error(
            &scope.at(&["sensors", id, "time_pointer"]),
            "points at the reading itself",
            "point it at the time stamp, or leave it out",
        );
    }
}

fn is_pointer(pointer: &str) -> bool {
    let mut rest = pointer;
    if !rest.is_empty() && !rest.starts_with('/') {
        return false;
    }
    while let Some(at) = rest.find('~') {
        rest = &rest[at + 1..];
        if !rest.starts_with(['0', '1']) {
            return false;
        }
    }
    true
}

fn unit(scope: &Scope<'_>, id: &str, sensor: &Sensor, quantity: Quantity, check: &mut Check<'_>) {
    let path = scope.at(&["sensors", id, "unit"]);
    let allowed: Vec<String> =
        quantity.units().iter().map(|(symbol, _, _)| format!("\"{symbol}\"")).collect();
    let todo = format!("write one of {}", allowed.join(", "));
    if sensor.unit.is_empty() {
        if !quantity.is_state() && quantity != Quantity::Pulses {
            check.error(&path, "is missing; a unit is never guessed", todo);
        }
    } else if UnitSymbol::parse(&sensor.unit, quantity).is_err() {
        check.error(&path, format!("{:?} is no unit of {quantity}", sensor.unit), todo);
    }
}

fn counter(
    scope: &Scope<'_>,
    id: &str,
    sensor: &Sensor,
    quantity: Quantity,
    check: &mut Check<'_>,
) {
    let path = scope.at(&["sensors", id, "litres_per_pulse"]);
    if quantity == Quantity::Pulses {
        if sensor.litres_per_pulse <= 0.0 {
            check.error(
                &path,
                "is missing, and a count without it is no volume",
                "write the litres for each pulse from the meter's plate, such as 0.0025",
            );
        }
    } else if sensor.litres_per_pulse != 0.0 {
        check.warn(&path, format!("has no effect on {quantity}"), "remove it");
    }
    if !matches!(quantity, Quantity::Pulses | Quantity::Volume) && sensor.wraps_at != 0.0 {
        check.warn(
            &scope.at(&["sensors", id, "wraps_at"]),
            format!("has no effect on {quantity}"),
            "remove it",
        );
    }
}

fn span(scope: &Scope<'_>, id: &str, sensor: &Sensor, check: &mut Check<'_>) {
    if let (Some(min), Some(max)) = (sensor.min, sensor.max)
        && min >= max
    {
        check.error(
            &scope.at(&["sensors", id, "max"]),
            format!("{max} is not above `min = {min}`, so every reading would be a fault"),
            "swap or correct them",
        );
    }
}

/// A probe in ppm has a display of whole or tenth ppm; without its step its zero is taken for nothing.
fn resolution(
    scope: &Scope<'_>,
    id: &str,
    sensor: &Sensor,
    quantity: Quantity,
    check: &mut Check<'_>,
) {
    if quantity == Quantity::Tds && sensor.step <= 0.0 {
        check.warn(
            &scope.at(&["sensors", id, "step"]),
            "is not given, so the resolution is unknown: 0 is taken for no salt at all, and it may be anything up to half a step",
            "write the smallest change that the probe shows, such as 1 or 0.1",
        );
    }
}

fn compensation(
    scope: &Scope<'_>,
    id: &str,
    sensor: &Sensor,
    quantity: Quantity,
    check: &mut Check<'_>,
) {
    let factor = scope.at(&["sensors", id, "ppm_factor"]);
    if sensor.ppm_factor != 0.0 && !(0.4..=0.9).contains(&sensor.ppm_factor) {
        check.error(
            &factor,
            format!("{} is no scale of a meter", sensor.ppm_factor),
            "write 0.4 to 0.9 (0.5, 0.64 and 0.7 are usual), or leave it out",
        );
    } else if sensor.ppm_factor != 0.0 && quantity != Quantity::Tds {
        check.warn(&factor, format!("has no effect on {quantity}"), "remove it");
    }
    if sensor.compensation == Compensation::Compensated {
        return;
    }
    let path = scope.at(&["sensors", id, "compensation"]);
    if !is_solids(quantity) {
        check.error(
            &path,
            format!("{quantity} is not compensated for temperature"),
            "leave it out",
        );
    } else if let Some(point) = sensor.point
        && !has(scope, point, Quantity::Temperature)
    {
        check.error(
            &path,
            format!("a raw probe needs a temperature at its own point, {}", point.word()),
            "add a temperature sensor there, or use a probe that compensates",
        );
    }
}

fn has(scope: &Scope<'_>, point: Point, quantity: Quantity) -> bool {
    scope
        .plant
        .sensors
        .values()
        .any(|sensor| sensor.point == Some(point) && sensor.quantity == Some(quantity))
}

fn place(scope: &Scope<'_>, id: &str, quantity: Quantity, point: Point, check: &mut Check<'_>) {
    let fits = match quantity {
        Quantity::Level | Quantity::Full => matches!(point, Point::Store | Point::Reuse),
        Quantity::Tds | Quantity::Conductivity | Quantity::Resistivity => point != Point::Room,
        Quantity::Pressure | Quantity::Flow | Quantity::Volume | Quantity::Pulses => {
            point != Point::Room
        }
        Quantity::Temperature | Quantity::Leak | Quantity::Open | Quantity::Power => true,
    };
    if !fits {
        let todo = match quantity {
            Quantity::Level | Quantity::Full => "write \"store\" or \"reuse\"",
            _ => "name the stream that it sits in, such as \"supply\" or \"permeate\"",
        };
        check.error(
            &scope.at(&["sensors", id, "point"]),
            format!("{quantity} at {} says nothing", point.word()),
            todo,
        );
    }
}

/// The probe that the guard judges the product by must speak often enough.
fn guard_probe(
    scope: &Scope<'_>,
    id: &str,
    sensor: &Sensor,
    quantity: Quantity,
    point: Point,
    check: &mut Check<'_>,
) {
    let guarded =
        scope.plant.actuators.values().any(|actuator| actuator.role == Some(Role::SupplyValve));
    if !guarded || point != Point::Product || !is_solids(quantity) {
        return;
    }
    if sensor.battery {
        check.error(
            &scope.at(&["sensors", id, "battery"]),
            "a product probe that sleeps cannot guard: spoiled water would run for hours",
            "use a probe that reports every few seconds while water flows",
        );
    }
    let guard = &scope.plant.limits.guard;
    let path = scope.at(&["sensors", id, "interval_secs"]);
    if sensor.interval_secs > guard.stale_max_secs {
        check.error(
            &path,
            format!(
                "a probe that speaks every {} s always counts as silent: that begins after {} s \
                 (`limits.guard.stale_max_secs`)",
                sensor.interval_secs, guard.stale_max_secs
            ),
            "let it report more often",
        );
    } else if sensor.interval_secs > guard.prove_in_secs {
        check.error(
            &path,
            format!(
                "it cannot prove itself alive within {} s after opening \
                 (`limits.guard.prove_in_secs`)",
                guard.prove_in_secs
            ),
            "let it report more often",
        );
    } else if sensor.interval_secs > 10.0 {
        check.warn(
            &path,
            format!(
                "with a reading every {} s spoiled product is noticed late",
                sensor.interval_secs
            ),
            "let it report every 5 s",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SMALL, errors, warnings};
    use super::*;

    fn one(body: &str) -> String {
        format!("{SMALL}\n[plants.home.sensors.x]\ntopic = \"utility/x\"\n{body}")
    }

    #[test]
    fn quantity_point_and_unit_are_required() {
        let found = errors(&one(""));
        assert_eq!(found.len(), 2, "{found:?}");
        let found = errors(&one("quantity = \"flow\"\npoint = \"permeate\""));
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(errors(&one("quantity = \"leak\"\npoint = \"room\"")).is_empty());
    }

    #[test]
    fn a_unit_of_another_quantity_is_refused() {
        for (quantity, unit, count) in [
            ("flow", "L/h", 0),
            ("flow", "bar", 1),
            ("flow", "l/h", 1),
            ("pressure", "psi", 0),
            ("temperature", "ppm", 1),
        ] {
            let text =
                format!("quantity = \"{quantity}\"\npoint = \"permeate\"\nunit = \"{unit}\"");
            assert_eq!(errors(&one(&text)).len(), count, "{quantity} {unit}");
        }
    }

    #[test]
    fn unknown_words_are_refused_with_those_that_are_known() {
        let found = errors(&one("quantity = \"flwo\"\npoint = \"permeat\"\nunit = \"L/h\""));
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found.iter().any(|problem| problem.contains("`flow`")), "{found:?}");
    }

    #[test]
    fn pointers_follow_rfc_6901() {
        for (pointer, good) in [
            ("", true),
            ("/a/0", true),
            ("/a~1b~0", true),
            ("a", false),
            ("/a~2", false),
            ("/~", false),
        ] {
            assert_eq!(is_pointer(pointer), good, "{pointer}");
        }
        let text = "quantity = \"leak\"\npoint = \"room\"\npointer = \"value\"";
        assert_eq!(errors(&one(text)).len(), 1);
    }

    #[test]
    fn a_pulse_meter_needs_its_litres() {
        let text = "quantity = \"pulses\"\npoint = \"permeate\"\n";
        assert_eq!(errors(&one(text)).len(), 1);
        assert!(errors(&one(&format!("{text}litres_per_pulse = 0.0025"))).is_empty());
    }

    #[test]
    fn a_raw_probe_needs_a_temperature_at_its_point() {
        let probe = "quantity = \"conductivity\"\npoint = \"feed\"\nunit = \"uS/cm\"\n\
                     compensation = \"raw\"\n";
        assert_eq!(errors(&one(probe)).len(), 1);
        let there = "[plants.home.sensors.t]\ntopic = \"utility/t\"\nquantity = \"temperature\"\n\
                     unit = \"C\"\npoint = ";
        assert!(errors(&one(&format!("{probe}{there}\"feed\""))).is_empty());
        assert_eq!(errors(&one(&format!("{probe}{there}\"supply\""))).len(), 1);
        let bar = "quantity = \"pressure\"\npoint = \"feed\"\nunit = \"bar\"\n\
                   compensation = \"raw-pure\"";
        assert_eq!(errors(&one(bar)).len(), 1);
    }

    #[test]
    fn a_float_belongs_to_a_container_and_a_flow_into_a_stream() {
        assert_eq!(errors(&one("quantity = \"full\"\npoint = \"feed\"")).len(), 1);
        assert_eq!(errors(&one("quantity = \"flow\"\npoint = \"room\"\nunit = \"L/h\"")).len(), 1);
    }

    #[test]
    fn least_and_largest_reading_are_in_order() {
        let text = "quantity = \"flow\"\npoint = \"feed\"\nunit = \"L/h\"\nmin = 5\nmax = 1";
        assert_eq!(errors(&one(text)).len(), 1);
    }

    #[test]
    fn a_product_probe_that_sleeps_or_dawdles_cannot_guard() {
        let product = |extra: &str| {
            SMALL.replace("point = \"product\"", &format!("point = \"product\"\n{extra}"))
        };
        assert_eq!(errors(&product("battery = true")).len(), 1);
        assert_eq!(errors(&product("interval_secs = 90")).len(), 1);
        let found = warnings(&product("interval_secs = 30"));
        assert!(found.iter().any(|w| w.contains("interval_secs")), "{found:?}");
    }

    #[test]
    fn a_probe_in_ppm_without_a_step_is_mentioned() {
        let about = |toml: &str| {
            let mut found = warnings(toml);
            found.retain(|warning| warning.contains(".step"));
            found
        };
        let found = about(SMALL);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found.iter().all(|warning| warning.contains("resolution is unknown")), "{found:?}");
        let with = SMALL.replace("unit = \"ppm\"", "unit = \"ppm\"\nstep = 1");
        assert_eq!(about(&with), Vec::<String>::new());
    }

    #[test]
    fn a_scale_that_no_meter_has_is_refused() {
        let text = "quantity = \"tds\"\npoint = \"feed\"\nunit = \"ppm\"\nppm_factor = 0.2";
        assert_eq!(errors(&one(text)).len(), 1);
    }
}
